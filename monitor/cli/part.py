"""`python -m monitor.cli.part NAME [NUMBER]`: a process of `serve`, without the command line around it.

Building that from its hundred commands leaves 3 MB in each process, for as long as it runs.
"""

import sys
from collections.abc import Callable

from monitor import cli
from monitor.cli import people, weather

PARTS: dict[str, Callable[..., None]] = {
    "intake": cli.intake,
    "watch": cli.watch,
    "messages": people.messages,
    "archive": cli.archive,
    "weather": weather.weather_run,
}

if __name__ == "__main__":
    cli.ended_in_words(lambda: PARTS[sys.argv[1]](*map(int, sys.argv[2:])))
