"""Memory and writes of everything that `sillkeep serve` starts, for a board with little of both.

    python tests/bench/small_board.py [--minutes 5] [--settings deploy/small-board.toml] [--embedded]

One unit with six probes, thirty days of history, and one sample a probe in five minutes from a node of
its own, over mosquitto (or the embedded broker). Memory is the proportional share (PSS) of every
process, from `/proc/PID/smaps_rollup`; writes are what each process gave to the disk, from
`/proc/PID/io`, taken to a day. Then somebody looks at the lot, the unit and a zone.
"""

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import open_record
from monitor.store.users import Reach
from sensors.node import Broker, Node
from sensors.outbox import Outbox
from sensors.wire import Reading
from tests.bench import board
from tests.bench.intake import until
from tests.bench.rows import Row
from tests.conftest import is_open, unused_port
from tests.signed import session

ROOT = Path(__file__).parents[2]
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
EVERY_S = 300
ZONES = (
    ("off-rear-low", "wall"),
    ("door-mid-high", "wall"),
    ("roof-front", "roof"),
    ("slide1-floor", "slide-floor"),
    ("air-main", "cabin"),
    ("bay", "bay"),
)
DAY_S = 86_400
SUITES = "/_dash-component-suites"
ON_DEMAND = (
    "/_dash-layout",
    "/_dash-dependencies",
    f"{SUITES}/dash/dcc/async-graph.js",
    f"{SUITES}/plotly/package_data/plotly.min.js",
)


def fill(home: Path, *, now_s: int, days: int) -> None:
    """Thirty days of six probes, as taken."""
    with open_record(home) as record:
        record.add_site(Site("home", "", "UTC", 40.0))
        record.add_unit(Unit("rv1", "home"))
        for number, (code, kind) in enumerate(ZONES, 1):
            record.add_zone("home", Zone("rv1", code, kind))
            since_s = now_s - days * DAY_S
            placement = Placement("van", f"p{number}", "home", "rv1", code, since_s)
            record.place(placement, recorded_s=since_s, who="bench")
        for day in range(days):
            since_s = now_s - (days - day) * DAY_S
            first = day * DAY_S // EVERY_S
            pack = [
                reading
                for k in range(DAY_S // EVERY_S)
                for reading in samples(first + k, since_s + k * EVERY_S, boot=1)
            ]
            record.take(pack, [], received_s=since_s + DAY_S)


def samples(seq: int, at_s: int, *, boot: int) -> list[Reading]:
    hour = at_s // 3600 % 24
    return [
        Reading(site="home", node="van", probe=f"p{k}", boot=boot, seq=seq, uptime_s=seq * EVERY_S,
                at_s=at_s, temperature_c=5 + abs(hour - 12) / 2, humidity_percent=70.0 + k)
        for k in range(1, len(ZONES) + 1)
    ]  # fmt: skip


@contextmanager
def running(command: list[str], **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        command, env=os.environ | environment, cwd=ROOT, stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


def family(root: int) -> dict[int, str]:
    """A process and all below it, with what each is."""
    parents = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            with suppress(OSError, IndexError):
                stat = (entry / "stat").read_text()
                parents[int(entry.name)] = int(stat.rpartition(")")[2].split()[1])
    found = [root]
    for pid in found:
        found += [child for child, parent in parents.items() if parent == pid]
    return {pid: name(pid) for pid in found}


def name(pid: int) -> str:
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
    except OSError:
        return "gone"
    own = Path(f"/proc/{pid}/comm").read_text().strip()
    if own.startswith("sillkeep "):  # a fork of the supervisor, whose command line it has
        return own.removeprefix("sillkeep ")
    if "dashboards" in words:
        return "pages"
    return next((word for word in reversed(words) if re.fullmatch(r"[a-z]+", word)), words[0])


def pss_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return int(re.search(r"^Pss: +(\d+)", text, re.MULTILINE)[1]) / 1024  # type: ignore[index]


def written(pid: int) -> int:
    text = Path(f"/proc/{pid}/io").read_text()
    return int(re.search(r"^write_bytes: (\d+)", text, re.MULTILINE)[1])  # type: ignore[index]


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measured(pids: dict[int, str]) -> dict[str, tuple[float, int, float]]:
    """(PSS in MB, bytes written, CPU seconds) by process."""
    found = {}
    for pid, what in pids.items():
        with suppress(OSError, TypeError):
            found[what] = (pss_mb(pid), written(pid), cpu_s(pid))
    return found


def visit(port: int, cookie: str) -> None:
    """Lot, unit, a zone with its charts, alarms and chain, with the scripts that a browser fetches."""
    head = {"Cookie": f"sillkeep={cookie}"}

    def got(path: str) -> str:
        request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers=head)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return str(answer.read().decode())

    for path in (*re.findall(r'src="(/[^"]+)"', got("/")), *ON_DEMAND):
        got(path)
    visitor = board.Visitor(port, cookie)
    for page in ("/", "/unit/rv1", "/unit/rv1/zone/off-rear-low", "/alarms", "/chain"):
        visitor.page(page)


def table(title: str, before: dict, after: dict, seconds: float) -> None:  # type: ignore[type-arg]
    print(f"\n{title}\n\n| process | memory, MB | written, MB a day | CPU, % of a core |")
    print("|---|---|---|---|")
    total = [0.0, 0.0, 0.0]
    for what, (pss, wrote, busy) in after.items():
        was = before.get(what, (0.0, wrote, busy))
        row = [pss, (wrote - was[1]) / seconds * DAY_S / 1e6, (busy - was[2]) / seconds * 100]
        total = [a + b for a, b in zip(total, row, strict=True)]
        print(f"| {what} | {row[0]:.0f} | {row[1]:.0f} | {row[2]:.1f} |")
    print(f"| **all** | **{total[0]:.0f}** | **{total[1]:.0f}** | **{total[2]:.1f}** |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--settings", type=Path, default=ROOT / "deploy/small-board.toml")
    parser.add_argument("--embedded", action="store_true", help="the embedded broker")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as name,
        started(Path(name), days=30, settings=options.settings, embedded=options.embedded) as parts,
    ):
        measure(*parts, Path(name), options)


@contextmanager
def started(
    folder: Path, *, days: int, settings: Path | None, embedded: bool
) -> Iterator[tuple[int, int, int, int, str]]:
    """`sillkeep serve` over so many days: its number, the broker's, both ports, a visitor's secret."""
    home, now_s = folder / "home", int(time.time())
    fill(home, now_s=now_s, days=days)
    cookie = session(home, now_s=now_s, reach=Reach(whole=True))
    broker, pages = unused_port(), unused_port()
    given = settings.read_text() if settings is not None and settings.exists() else ""
    host = "" if embedded else 'host = "127.0.0.1"\n'
    given = re.sub(r"^\[broker\][^\[]*", "", given, flags=re.MULTILINE)
    given += f"\n[broker]\n{host}port = {broker}\n"
    if "[pages]" not in given:
        given += "[pages]\n"
    given = given.replace("[pages]\n", f"[pages]\nport = {pages}\n")
    (home / "sillkeep.toml").write_text(given)
    (folder / "mosquitto.conf").write_text(
        f"listener {broker} 127.0.0.1\nallow_anonymous true\npersistence true\n"
        f"persistence_location {folder}/\nautosave_interval 1800\nuser root\n"
    )
    command = [str(MOSQUITTO), "-c", str(folder / "mosquitto.conf")]
    serve = [sys.executable, "-m", "monitor.cli", "serve"]
    with (
        running(["sleep", "9999"] if embedded else command) as transport,
        running(serve, SILLKEEP_HOME=str(home)) as serving,
    ):
        yield serving.pid, transport.pid, broker, pages, cookie


def is_judged(home: Path) -> bool:
    with open_record(home, read_only=True) as record:
        return not record.due(to_hour=int(time.time()) // 3600)


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches: after a look, beside an empty Dash page served alike."""
    if MOSQUITTO is None:
        raise RuntimeError("mosquitto is needed")
    with (
        tempfile.TemporaryDirectory() as name,
        started(Path(name), days=1 if quick else 30, settings=None, embedded=False) as parts,
        board.empty_page() as (bare, empty),
    ):
        serving, transport, _, pages, cookie = parts
        until(lambda: is_open(pages) and is_judged(Path(name, "home")), seconds=300, every=0.2)
        visit(pages, cookie)
        empty.page("/")
        time.sleep(1 if quick else 20)
        # the daily check is a process for a moment, and none of those that stay
        until(lambda: "check" not in family(serving).values(), seconds=300, every=0.5)
        found = measured(family(serving) | {transport: "mosquitto"})
        beside = pss_mb(bare)
    each = ", ".join(f"{what} {mb:.0f}" for what, (mb, _, _) in found.items())
    whole = sum(mb for mb, _, _ in found.values())
    return [
        Row("memory (PSS), all of `sillkeep serve` and mosquitto", whole, "MB", "empty Dash page",
            beside, each, main=True),
        Row("memory (PSS), its pages", found["pages"][0], "MB", "empty Dash page", beside),
    ]  # fmt: skip


def measure(serving, transport, broker, pages, cookie, folder, options) -> None:  # type: ignore[no-untyped-def]
    node = Node(
        "home", "van", outbox=Outbox(folder / "van.outbox", first_boot=2),
        broker=Broker(host="127.0.0.1", port=broker),
    )  # fmt: skip
    started_s = time.monotonic()
    due_s = started_s

    def live(seconds: float) -> None:
        nonlocal due_s
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            if time.monotonic() >= due_s:
                due_s += EVERY_S
                at_s = int(time.time())
                node.take(
                    samples(0, at_s, boot=2), monotonic_s=time.monotonic(), started_s=started_s
                )
            node.step(time.monotonic(), 0.5)

    live(90)  # judged from the first day, and quiet
    pids = family(serving) | ({transport: "mosquitto"} if not options.embedded else {})
    before = measured(pids)
    live(options.minutes * 60)
    table("Nobody looks at the board", before, measured(pids), options.minutes * 60)
    visit(pages, cookie)
    pids = family(serving) | ({transport: "mosquitto"} if not options.embedded else {})
    before = measured(pids)
    live(min(60, options.minutes * 60))
    table("After a look at the board", before, measured(pids), min(60, options.minutes * 60))
    node.close()


if __name__ == "__main__":
    main()
