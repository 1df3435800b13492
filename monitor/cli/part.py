"""`python -m monitor.cli.part NAME`: a process of `serve`, without the command line around it.

Building that from its hundred commands leaves 3 MB in each process, for as long as it runs.
"""

import sys

from monitor import cli
from monitor.cli import people, weather

PARTS = {
    "intake": cli.intake,
    "watch": cli.watch,
    "messages": people.messages,
    "archive": cli.archive,
    "weather": weather.weather_run,
}

if __name__ == "__main__":
    cli.ended_in_words(PARTS[sys.argv[1]])
