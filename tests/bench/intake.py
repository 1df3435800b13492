"""Durable readings a second of the intake, beside the C subscriber of the same broker.

    python -m tests.bench.intake [--runs 5] [--intakes 2]

Live QoS 1, one publisher, a node of its own in each run, for each has an allowance: `mosquitto_pub`
sends while the subscriber listens. The clock runs from the start of the publisher to the last message
printed by `mosquitto_sub` (which stores nothing), or to the last reading committed and synced by the
intake. Runs alternate, so that another load on the machine meets both. With `--intakes` so many share the
messages, after the runs with one.
"""

import argparse
import contextlib
import os
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from sensors.wire import Reading, encode
from tests.bench.rows import Row, told

ROOT = Path(__file__).parent.parent.parent
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
MESSAGES = {1: 20_000, 10: 5_000}  # by readings a message: one to three seconds a run
QUICK = {1: 500, 10: 50}
FIRST_S = 1764057600
WAIT_S = 600.0  # for a run on a machine that has other work


def payloads(boot: int, *, each: int, count: int) -> bytes:
    """Lines for the publisher, one pack a line."""
    lines = []
    for number in range(count):
        readings = [
            Reading(
                site="yard",
                node=f"n{boot}",
                boot=boot,
                seq=number * each + k,
                uptime_s=600 * (number * each + k),
                at_s=FIRST_S + 600 * (number * each + k),
                temperature_c=10 + (number * 7 + k) % 1000 / 100,
                humidity_percent=60 + number % 300 / 10,
            )
            for k in range(each)
        ]
        lines.append(encode(readings))
    return b"\n".join(lines) + b"\n"


def until(condition: Callable[[], bool], *, seconds: float = 60, every: float = 0.01) -> None:
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError(f"not within {seconds:g} s")
        time.sleep(every)


@contextlib.contextmanager
def running(command: list[str], log: Path, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("ab") as output:
        process = subprocess.Popen(
            command, cwd=ROOT, env=dict(os.environ) | environment, stdout=output, stderr=output
        )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(10)


def processor_s(process: subprocess.Popen[bytes]) -> float:
    """Processor time of a running process so far."""
    fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Most memory that a process has held."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def publish(port: int, topic: str, lines: bytes) -> None:
    command = ["mosquitto_pub", "-p", str(port), "-V", "5", "-q", "1", "-l"]
    subprocess.run([*command, "-t", topic], input=lines, check=True)


def listened(port: int, broker_log: Path, lines: bytes, *, count: int) -> float:
    """Seconds that the C subscriber takes."""
    subscribed = broker_log.read_text().count(" sub/+/+/senml")
    command = ["mosquitto_sub", "-p", str(port), "-V", "5", "-q", "1", "-C", str(count)]
    with subprocess.Popen([*command, "-t", "sub/+/+/senml"], stdout=subprocess.DEVNULL) as process:
        until(lambda: broker_log.read_text().count(" sub/+/+/senml") > subscribed)
        start = time.perf_counter()
        publish(port, "sub/yard/n1/senml", lines)
        process.wait(WAIT_S)
        return time.perf_counter() - start


def stored(port: int, record: sqlite3.Connection, lines: bytes, *, boot: int, last: int) -> float:
    """Seconds until the intakes have committed everything."""
    whole = (last + 1,)
    query = "select sum(readings) from latest join probe using (probe_id) join node using (node_id)"
    query += " where node.code = 'n' || ?"
    start = time.perf_counter()
    publish(port, f"sillkeep/yard/n{boot}/senml", lines)
    until(lambda: record.execute(query, (boot,)).fetchone() == whole, seconds=WAIT_S, every=0.005)
    return time.perf_counter() - start


def measure(folder: Path, runs: int, messages: dict[int, int], intakes: int = 1) -> list[Row]:
    """A row for each number of readings a message; `messages` says how many of them a run."""
    if MOSQUITTO is None or shutil.which("mosquitto_sub") is None:
        raise RuntimeError("mosquitto and mosquitto-clients are needed")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    (folder / "mosquitto.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
        "max_queued_messages 0\nlog_type subscribe\n" + ("user root\n" if os.getuid() == 0 else "")
    )
    (folder / "sillkeep.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {port}\nintakes = {intakes}\n'
    )
    log = folder / "mosquitto.log"
    intake = [sys.executable, "-c", "from monitor.cli import main; main()", "intake", "--number"]
    with contextlib.ExitStack() as ending:
        start = ending.enter_context
        start(running([MOSQUITTO, "-c", str(folder / "mosquitto.conf")], log))
        home, said = str(folder), folder / "intake.log"
        taking = [
            start(running([*intake, str(n)], said, SILLKEEP_HOME=home))
            for n in range(1, intakes + 1)
        ]
        until(lambda: log.read_text().count("sillkeep/+/+/senml") == intakes)
        record = sqlite3.connect(f"file:{folder / 'record.sqlite'}?mode=ro", uri=True, timeout=20)
        boot, rows = 0, []
        for each, count in messages.items():
            ours, theirs = [], []
            spent_s = -sum(map(processor_s, taking))
            for _ in range(runs):
                boot += 1
                lines = payloads(boot, each=each, count=count)
                theirs.append(count * each / listened(port, log, lines, count=count))
                took_s = stored(port, record, lines, boot=boot, last=count * each - 1)
                ours.append(count * each / took_s)
            spent_s += sum(map(processor_s, taking))
            rows.append(
                Row(
                    f"{'intake' if intakes == 1 else f'{intakes} intakes'}, {each} a message, durable",
                    statistics.median(ours),
                    "readings/s",
                    "mosquitto_sub, prints only",
                    statistics.median(theirs),
                    f"{min(ours):,.0f} to {max(ours):,.0f}; "
                    f"{spent_s / (runs * count * each) * 1e6:.1f} us of processor a reading",
                    main=True,
                )
            )
        total = sum(messages[each] * each for each in messages) * runs
        if record.execute("select count(*) from reading").fetchone() != (total,):
            raise RuntimeError("the record does not hold each reading that was sent, once")
        record.close()
    return rows


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches."""
    with tempfile.TemporaryDirectory() as folder:
        return measure(Path(folder), *((1, QUICK) if quick else (5, MESSAGES)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--intakes", type=int, default=1)
    given = parser.parse_args()
    rows = []
    for intakes in sorted({1, given.intakes}):
        with tempfile.TemporaryDirectory() as folder:
            rows += measure(Path(folder), given.runs, MESSAGES, intakes)
    print(told(rows))


if __name__ == "__main__":
    main()
