"""Points a second of the archive, and how long a lot's backlog of a day takes.

    python tests/bench/archive.py [PROBES] [RUNS]

A lot of PROBES probes (3,000) was cut off from its archive for 24 hours: a reading every ten minutes
and an hour a zone. The mirror's whole way is timed, cursors and syncs included, beside the same
lines, made before, written to the same server by the same client in the same batches: what is left
is ours. Then the steady state: one more reading of every probe. InfluxDB runs behind the tests' proxy.
"""

import argparse
import os
import statistics
import tempfile
import time
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

from sqlalchemy import select

from monitor.config import Archive
from monitor.store import Mirror, Record, influx, open_record
from monitor.store import schema as t
from monitor.store.influx import Server
from sensors.wire import Reading
from tests.archived import H0, T0, hours, judge, lot, mirrored
from tests.conftest import (
    INFLUXD,
    INFLUXD_CONF,
    NGINX,
    NGINX_CONF,
    TOKEN,
    RunningInflux,
    unused_port,
)

DAY = range(144)


def readings(probe: int, seqs: range) -> list[Reading]:
    return [
        Reading(
            site="yard",
            node=f"n{probe}",
            boot=1,
            seq=seq,
            at_s=T0 + 600 * seq,
            temperature_c=5.0 + (probe + seq) % 700 / 100,
            humidity_percent=60.0 + (probe * 7 + seq) % 3900 / 100,
            battery_percent=80.0,
        )
        for seq in seqs
    ]


def fill(record: Record, probes: int) -> None:
    lot(record, units=probes)
    for probe in range(probes):
        record.take(readings(probe, DAY), [], received_s=T0)
        table = hours(H0, H0 + 24, temperature_c=[5.25] * 24, wood_moisture_percent=[14.5] * 24)
        judge(record, f"rv{probe}", table, from_hour=H0)


def lines_of(record: Record) -> list[bytes]:
    c = t.reading.c
    with record.engine.connect() as db:
        codes = select(t.probe.c.probe_id, t.node.c.code).join(t.node)
        heads = {
            probe: influx.reading_head("yard", node, "p1") for probe, node in db.execute(codes)
        }
        query = select(c.probe_id, *(c[name] for name in influx.READING))
        return [influx.reading_line(heads[row[0]], row[1:]) for row in db.execute(query)]


def started(folder: Path, stack: ExitStack) -> RunningInflux:
    running = RunningInflux(folder, unused_port(), unused_port())
    given: dict[str, Any] = {"folder": folder, "inner": running.inner, "port": running.port}
    given |= {"rpc": unused_port(), "token": TOKEN}
    given["user"] = "user root;" if os.getuid() == 0 else ""
    (folder / "influxd.conf").write_text(INFLUXD_CONF.format(**given))
    (folder / "nginx.conf").write_text(NGINX_CONF.format(**given))
    stack.callback(running.stop)
    running.start()
    stack.callback(running.stop_proxy)
    running.start_proxy()
    return running


def measure(folder: Path, probes: int, runs: int) -> None:
    with ExitStack() as stack:
        running = started(folder, stack)
        (folder / "token").write_text(TOKEN)
        settings = Archive(url=running.url, bucket="lot", token_file=folder / "token")
        record = stack.enter_context(open_record(folder))
        fill(record, probes)
        lines = lines_of(record)
        ours, plain = [], []
        for run in range(runs):
            running.ask("DROP DATABASE lot")
            running.ask("CREATE DATABASE lot")
            with closing(Server(settings)) as server:
                start = time.perf_counter()
                for at in range(0, len(lines), settings.batch):
                    server.write(lines[at : at + settings.batch])
                plain.append(len(lines) / (time.perf_counter() - start))
            running.ask("DROP DATABASE lot")
            running.ask("CREATE DATABASE lot")
            with record.engine.begin() as db:
                db.exec_driver_sql("DELETE FROM archive")
            with closing(Mirror(record.engine, settings, clock=lambda: T0)) as mirror:
                mirror.begin()
                start = time.perf_counter()
                points = mirrored(mirror)
                took_s = time.perf_counter() - start
                ours.append(points / took_s)
                print(f"backlog of 24 h: {points:,} points in {took_s:.1f} s", flush=True)
                for probe in range(probes):
                    record.take(readings(probe, range(len(DAY) + run, len(DAY) + run + 1)), [],
                                received_s=T0)  # fmt: skip
                start = time.perf_counter()
                points = mirrored(mirror)
                print(f"one more reading each: {points:,} in {time.perf_counter() - start:.2f} s")
        print(
            f"mirror {statistics.median(ours):,.0f} points/s, the same client alone"
            f" {statistics.median(plain):,.0f}, ratio"
            f" {statistics.median(ours) / statistics.median(plain):.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("probes", type=int, nargs="?", default=3000)
    parser.add_argument("runs", type=int, nargs="?", default=3)
    given = parser.parse_args()
    if INFLUXD is None or NGINX is None:
        raise SystemExit("influxdb and nginx-light are needed")
    with tempfile.TemporaryDirectory() as folder:
        measure(Path(folder), given.probes, given.runs)


if __name__ == "__main__":
    main()
