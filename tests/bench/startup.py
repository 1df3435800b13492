"""How long until the program is there, beside the bare interpreter and the import of Dash.

    python -m tests.bench.startup [RUNS]

`sillkeep --help`, and `sillkeep serve` with an empty record (its own broker, all of its processes) until
its board answers; in turns with `python -c pass` and `python -c "import dash"`, medians.
"""

import subprocess
import sys
import tempfile
import time
import urllib.request
from functools import partial
from pathlib import Path

from tests.bench.intake import until
from tests.bench.rows import Row, in_turns, seconds, told
from tests.bench.small_board import running
from tests.conftest import unused_port

CLI = [sys.executable, "-m", "monitor.cli"]


def command_s(*words: str) -> float:
    """Seconds of a command from its start to its end."""
    return seconds(lambda: subprocess.run(words, check=True, stdout=subprocess.DEVNULL))


def served_s(home: Path) -> float:
    """Seconds from the start of `sillkeep serve` to the first page of its board."""
    port = unused_port()
    (home / "sillkeep.toml").write_text(
        f"[broker]\nport = {unused_port()}\n[pages]\nport = {port}\n"
    )
    start = time.perf_counter()
    with running([*CLI, "serve"], SILLKEEP_HOME=str(home)) as process:
        until(lambda: _answers(port) or process.poll() is not None, every=0.02)
        took_s = time.perf_counter() - start
        if process.poll() is not None:
            raise RuntimeError(f"`sillkeep serve` ended by itself, status {process.returncode}")
    return took_s


def _answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def measure(runs: int) -> list[Row]:
    """A row for each command and yardstick."""
    bare, dash = (sys.executable, "-c", "pass"), (sys.executable, "-c", "import dash")
    rows = []
    with tempfile.TemporaryDirectory() as name:
        first_s = served_s(Path(name))
        for what, ours, yardstick, theirs, note in (
            ("`sillkeep --help`", partial(command_s, *CLI, "--help"), "`python -c pass`", bare, ""),
            ("`sillkeep --help`", partial(command_s, *CLI, "--help"), "`import dash`", dash, ""),
            ("`sillkeep serve` until the board answers", partial(served_s, Path(name)), "`import dash`",
             dash, f"the first, which makes the record: {first_s:.1f} s"),
        ):  # fmt: skip
            took = in_turns(runs, ours, partial(command_s, *theirs))
            rows.append(Row(f"start-up, {what}", took[0] * 1000, "ms", yardstick, took[1] * 1000, note,
                            main=yardstick == "`import dash`"))  # fmt: skip
    return rows


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches."""
    return measure(1 if quick else 7)


if __name__ == "__main__":
    print(told(measure(*(int(word) for word in sys.argv[1:2] or ["7"]))))
