"""The benches of the program in one table, each figure beside a yardstick of the same run.

    tests/bench/run [--quick] [--only NAME ...] [--json FILE]
    tests/bench/run --from FILE [--docs]

Ten to fifteen minutes on two cores; `--quick` sees in two or three that everything
works, and its figures mean nothing. The exit status is 1 where a bench failed; its row says why.
`--from` shows a run that `--json` kept; `--docs` puts it into the READMEs, from a run of all alone.
"""

import argparse
import platform
import re
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable
from importlib import import_module, metadata
from importlib.util import find_spec
from pathlib import Path

from tests.bench.rows import Row, cells, kept, markdown, read, told

ROOT = Path(__file__).parents[2]
BENCHES = {  # name: module of this folder
    "intake": "intake",
    "judge": "judge",
    "recompute": "recompute",
    "pages": "board",
    "memory": "small_board",
    "start-up": "startup",
    "sizes": "store",
    "writes": "writes",
}
PACKAGES = ("numpy", "pandas", "dash", "sqlalchemy", "paho-mqtt", "psychrolib")
BUSY = 1.0  # load before a run from which on the machine was not ours alone
MAIN_HEAD = ("what", "beside", "ratio")


def collect(names: Iterable[str], *, quick: bool) -> tuple[list[Row], dict[str, str]]:
    """Rows of the benches, and why those failed that did."""
    rows: list[Row] = []
    failed: dict[str, str] = {}
    for name in names:
        where = f"tests.bench.{BENCHES[name]}"
        if find_spec(where) is None:
            print(f"{name}: not here", file=sys.stderr)
            continue
        print(f"{name} ...", file=sys.stderr, flush=True)
        try:
            rows += import_module(where).table_rows(quick=quick)
        except Exception as error:  # noqa: BLE001  the other benches go on; the table says it
            failed[name] = f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"
    return rows, failed


def machine() -> dict[str, object]:
    """Where and with what this runs."""
    cpus = re.findall(r"^model name\s*: (.*)$", Path("/proc/cpuinfo").read_text(), re.MULTILINE)
    memory = re.search(r"^MemTotal: +(\d+)", Path("/proc/meminfo").read_text(), re.MULTILINE)
    return {
        "when": time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime()),
        "cores": len(cpus),
        "model": cpus[0] if cpus else platform.machine(),
        "memory_gb": round(int(memory[1]) / 1e6) if memory else 0,
        "versions": {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
        | {name: metadata.version(name) for name in PACKAGES},
        "commit": _git("describe", "--always", "--dirty", "--abbrev=12"),
    }


def load() -> float:
    """Mean load of the last minute."""
    return float(Path("/proc/loadavg").read_text().split()[0])


def _git(*words: str) -> str:
    done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


def said_of(found: dict[str, object]) -> str:
    """One line about the machine and the moment."""
    return (f"{found['cores']} cores ({found['model']}), {found['memory_gb']} GB, {found['when']}, load "
            f"{found['load_begin']} at the begin and {found['load_end']} at the end, commit "
            f"{found['commit']}")  # fmt: skip


def moment(found: dict[str, object]) -> str:
    """The machine and the month; and that it had other work, where it had."""
    month = time.strftime("%B %Y", time.strptime(str(found["when"])[:7], "%Y-%m"))
    busy = max(float(str(found["load_begin"])) - BUSY, 0.0)
    other = f", busy with other work (load {found['load_begin']})" if busy else ""
    return f"{found['cores']} cores ({found['model']}), {month}{other}"


# --- into the READMEs -----------------------------------------------------------------------------


def put(path: Path, text: str) -> None:
    """Replace what stands between the marks of the table of benches in a file."""
    old = path.read_text(encoding="utf-8")
    begin, end = "<!-- made: benches -->", "<!-- end: benches -->"
    head, _, rest = old.partition(begin)
    _, mark, tail = rest.partition(end)
    if not mark:
        raise RuntimeError(f"{path} has no marks for the table of benches")
    path.write_text(f"{head}{begin}\n{text}\n{end}{tail}", encoding="utf-8")


def document(found: dict[str, object], rows: list[Row], root: Path = ROOT) -> None:
    """Put the table into tests/bench/README.md and its main ratios into README.md."""
    main = [(row.name, row.yardstick, cells(row)[5]) for row in rows if row.main]
    put(root / "tests/bench/README.md", f"{said_of(found)}.\n\n{told(rows)}")
    put(root / "README.md", f"On {moment(found)}:\n\n{markdown(MAIN_HEAD, main)}")


def main(words: list[str] | None = None) -> int:
    """Measure or show; the exit status."""
    asked = argparse.ArgumentParser(prog="tests/bench/run", description=__doc__,
                                    formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    asked.add_argument("--quick", action="store_true", help="tiny sizes: does it work")
    asked.add_argument("--only", nargs="+", choices=BENCHES, default=list(BENCHES), metavar="NAME",
                       help=", ".join(BENCHES))  # fmt: skip
    asked.add_argument("--json", type=Path, metavar="FILE", help="keep the run")
    asked.add_argument("--from", type=Path, metavar="FILE", dest="kept", help="show a kept run")
    asked.add_argument("--docs", action="store_true", help="with --from: put it into the READMEs")
    given = asked.parse_args(words)
    if given.docs and given.kept is None:
        asked.error("--docs needs --from")
    failed: dict[str, str] = {}
    if given.kept is not None:
        found, rows = read(given.kept)
        if given.docs and (found["quick"] or found["failed"]):
            asked.error(f"{given.kept} is a quick run, or one with failures: not for the READMEs")
    else:
        found = machine() | {"quick": given.quick, "load_begin": load()}
        rows, failed = collect(given.only, quick=given.quick)
        found |= {"load_end": load(), "failed": failed}
    print(told(rows))
    for name, why in failed.items():
        print(f"{name} failed: {why}")
    print("\nRatio: our figure over its yardstick's; with \"/s\" more is better, else less. "
          f"{said_of(found)}.")  # fmt: skip
    if given.json is not None:
        kept(given.json, found, rows)
    if given.docs:
        document(found, rows)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
