"""Durable readings a second of the intake, beside the C subscriber of the same broker.

    python tests/bench/intake.py [--runs 5] [--intakes 2]

Live QoS 1, one publisher, one node: `mosquitto_pub` sends while the subscriber listens. The clock
runs from the start of the publisher to the last message printed by `mosquitto_sub` (which stores
nothing), or to the last reading committed and synced by the intake. Runs alternate, so that
another load on the machine meets both. With `--intakes` the same is done with so many that share the
messages, after the run with one.
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

ROOT = Path(__file__).parent.parent.parent
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
MESSAGES = {1: 20_000, 10: 5_000}  # by readings a message: one to three seconds a run
FIRST_S = 1764057600


def payloads(boot: int, *, each: int) -> bytes:
    """Lines for the publisher, one pack a line."""
    lines = []
    for number in range(MESSAGES[each]):
        readings = [
            Reading(
                site="yard",
                node="n1",
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


def publish(port: int, prefix: str, lines: bytes) -> None:
    command = ["mosquitto_pub", "-p", str(port), "-V", "5", "-q", "1", "-l"]
    subprocess.run([*command, "-t", f"{prefix}/yard/n1/senml"], input=lines, check=True)


def listened(port: int, broker_log: Path, lines: bytes, *, each: int) -> float:
    """Seconds that the C subscriber takes."""
    subscribed = broker_log.read_text().count(" sub/+/+/senml")
    command = ["mosquitto_sub", "-p", str(port), "-V", "5", "-q", "1", "-C", str(MESSAGES[each])]
    with subprocess.Popen([*command, "-t", "sub/+/+/senml"], stdout=subprocess.DEVNULL) as process:
        until(lambda: broker_log.read_text().count(" sub/+/+/senml") > subscribed)
        start = time.perf_counter()
        publish(port, "sub", lines)
        process.wait(60)
        return time.perf_counter() - start


def stored(port: int, record: sqlite3.Connection, lines: bytes, *, each: int) -> float:
    """Seconds until the intake has committed everything."""
    query = "select coalesce(sum(readings), 0) from latest"
    whole = record.execute(query).fetchone()[0] + MESSAGES[each] * each
    start = time.perf_counter()
    publish(port, "sillkeep", lines)
    until(lambda: record.execute(query).fetchone()[0] == whole, every=0.005)
    return time.perf_counter() - start


def measure(folder: Path, runs: int, intakes: int) -> None:
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
        start(running([str(MOSQUITTO), "-c", str(folder / "mosquitto.conf")], log))
        processes = [
            start(
                running(
                    [*intake, str(1 + n)], folder / f"intake-{n}.log", SILLKEEP_HOME=str(folder)
                )
            )
            for n in range(intakes)
        ]
        until(lambda: log.read_text().count("sillkeep/+/+/senml") == intakes)
        record = sqlite3.connect(f"file:{folder / 'record.sqlite'}?mode=ro", uri=True, timeout=20)
        boot = 0
        for each, count in MESSAGES.items():
            ours, theirs = [], []
            spent_s = -sum(map(processor_s, processes))
            for _ in range(runs):
                boot += 1
                lines = payloads(boot, each=each)
                theirs.append(count * each / listened(port, log, lines, each=each))
                ours.append(count * each / stored(port, record, lines, each=each))
            spent_s += sum(map(processor_s, processes))
            ratio = statistics.median(ours) / statistics.median(theirs)
            print(
                f"live QoS 1, {each:2d} a message: mosquitto_sub {statistics.median(theirs):8.0f}"
                f" readings/s, {intakes} intake(s) {statistics.median(ours):8.0f} durable readings/s"
                f" ({min(ours):.0f} to {max(ours):.0f}), ratio {ratio:.2f},"
                f" {spent_s / (runs * count * each) * 1e6:.1f} us of processor a reading",
                flush=True,
            )
        total = sum(MESSAGES[each] * each for each in MESSAGES) * runs
        assert record.execute("select count(*) from reading").fetchone() == (total,)
        record.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--intakes", type=int, default=1)
    given = parser.parse_args()
    for intakes in sorted({1, given.intakes}):
        with tempfile.TemporaryDirectory() as folder:
            measure(Path(folder), given.runs, intakes)


if __name__ == "__main__":
    main()
