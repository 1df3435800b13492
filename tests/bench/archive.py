"""Points a second of the archive, and how long a lot's backlog of a day takes.

    python -m tests.bench.archive [PROBES] [RUNS]
    python -m tests.bench.archive fleet [PROBES] [DAYS] [RUNS]

A lot of PROBES probes (3,000) was cut off from its archive for 24 hours: a reading every ten minutes
and an hour a zone. The mirror's whole way is timed, cursors and syncs included, beside the same
lines, made before, written to the same server by the same client in the same batches: what is left
is ours. Then the steady state: one more reading of every probe. InfluxDB runs behind the tests' proxy.

`fleet` asks what a group of dealers asks, of the mirror by InfluxQL and of the record by its own
functions and by SQL: PROBES (300) on three sites, a month of readings and hours; among them disputed
readings, hours without a humidity and hours that a later judgement took back. In turns, medians; the
answers are compared, and it fails where they differ.
"""

import math
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import select, text

from monitor.config import Archive
from monitor.lot import Site, Unit
from monitor.store import Mirror, Record, influx, open_record
from monitor.store import schema as t
from monitor.store.influx import Server
from sensors.wire import Reading
from tests.archived import H0, T0, hours, judge, lot, mirrored
from tests.bench.lots import enter
from tests.bench.rows import Row, in_turns, seconds, told
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
DAY_S = 86_400


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


# --- what a fleet asks ----------------------------------------------------------------------------

Answer = dict[tuple[str, ...], float]
SITES = ("yard", "annex", "north")
HUMID_PERCENT = 80.0
HUMIDITY_HOUR = 1 << influx._FIGURES.index("humidity_percent")
HUMIDITY_READING = next(bit for bit, name, _ in influx._MEASURED if name == "humidity_percent")
FROM_DAY = T0 // DAY_S + 1


def month(record: Record, probes: int, days: int) -> None:
    """Units of one zone on three sites; their readings, and hours as the judge would store them."""
    for site in SITES:
        record.add_site(Site(site))
    units = [Unit(f"rv{n}", SITES[n % len(SITES)]) for n in range(probes)]
    from_s = FROM_DAY * DAY_S
    enter(
        record, units, [("off-rear-low", "wall")], probe=lambda n, _: (f"n{n}", "p1"), from_s=from_s
    )
    rng = np.random.default_rng(5)
    count = days * 144
    for n, unit in enumerate(units):
        swing = 4 * np.sin(np.arange(count) / 144 * 2 * np.pi) + np.cumsum(
            rng.normal(0, 0.1, count)
        )
        percent = np.clip(66 + n % 20 + swing, 5, 100).round(2)
        taken = [
            Reading(site=unit.site, node=f"n{n}", boot=1, seq=k, at_s=from_s + 600 * k,
                    temperature_c=5.0 + (n + k) % 700 / 100, humidity_percent=float(percent[k]))
            for k in range(count)
        ]  # fmt: skip
        for start in range(0, count, 20_000):
            record.take(taken[start : start + 20_000], [], received_s=from_s)
        means = percent.reshape(-1, 6).mean(axis=1).round(2)
        judge(record, unit.code, _judged(means, days), from_hour=FROM_DAY * 24)


def _judged(percent: np.ndarray, days: int) -> dict[str, Any]:
    return hours(FROM_DAY * 24, (FROM_DAY + days) * 24, humidity_percent=percent)


def disturb(record: Record, days: int) -> None:
    """After it was mirrored: disputes, hours without humidity, hours that are no more."""
    from_s, mid = FROM_DAY * DAY_S, days * 72
    again = [
        Reading(site=SITES[n], node=f"n{n}", boot=1, seq=mid, at_s=from_s + 600 * mid,
                temperature_c=1.0, humidity_percent=99.0)
        for n in range(3)
    ]  # fmt: skip
    record.take(again, [], received_s=from_s)
    blank = np.full(days * 24, 95.0)
    blank[5] = blank[-1] = np.nan
    judge(record, "rv1", _judged(blank, days), from_hour=FROM_DAY * 24)
    short = {name: column[:-30] for name, column in _judged(blank, days).items()}
    judge(record, "rv2", short, from_hour=FROM_DAY * 24)


def of_archive(server: Server, days: int) -> dict[str, Callable[[], Answer]]:
    """The questions as InfluxQL; what `present` and `used` say has to be asked too."""
    span = f"time >= {FROM_DAY * DAY_S}s AND time < {(FROM_DAY + days) * DAY_S}s"
    humid = f"present >= 0 AND present & {HUMIDITY_HOUR} = {HUMIDITY_HOUR} AND {span}"
    means = (
        f"SELECT mean(humidity_percent) FROM reading WHERE used = 1 AND present & {HUMIDITY_READING} = "
        f"{HUMIDITY_READING} AND {span} GROUP BY time(1d), site fill(none)"
    )
    above = (
        "SELECT low FROM (SELECT min(humidity_percent) AS low, count(humidity_percent) AS n FROM hour "
        f"WHERE {humid} GROUP BY time(1d), unit, zone fill(none)) "
        f"WHERE low > {HUMID_PERCENT} AND n = 24 AND {span} GROUP BY unit, zone"
    )
    newest_hour = f"SELECT last(humidity_percent) FROM hour WHERE {humid} GROUP BY unit, zone"
    newest = "SELECT last(temperature_c) FROM reading WHERE used = 1 GROUP BY site, node, probe"

    def ask(query: str, *, by_day: bool = False, by_time: bool = False) -> Answer:
        found = {}
        for _, tags, time_ns, value in server.ask(query):
            names = [tag.partition("=")[2] for tag in sorted(tags.split(","))]
            at_s = int(time_ns) // 10**9
            names += [str(at_s // DAY_S)] if by_day else [str(at_s)] if by_time else []
            found[tuple(names)] = float(value)
        return found

    def when() -> Answer:
        return {(*key[:-1],): float(key[-1]) for key in ask(newest, by_time=True)}

    return {
        "mean humidity by site and day": lambda: ask(means, by_day=True),
        f"zones above {HUMID_PERCENT:.0f} % for a day": lambda: ask(above, by_day=True),
        "newest hour of each zone": lambda: ask(newest_hour, by_time=True),
        "newest sample of each probe": when,
    }


def of_record(record: Record, days: int) -> dict[str, Callable[[], Answer]]:
    """The same of the record: by SQL through the store, the last by its own function."""
    span = {"from_s": FROM_DAY * DAY_S, "to_s": (FROM_DAY + days) * DAY_S}
    span |= {"from_h": FROM_DAY * 24, "to_h": (FROM_DAY + days) * 24, "limit": HUMID_PERCENT}
    place = "FROM hour h JOIN zone z ON z.zone_id = h.zone_id JOIN unit u ON u.unit_id = z.unit_id"
    means = (
        "SELECT s.code, r.at_s / 86400, avg(r.humidity_p100) / 100.0 FROM reading r "
        "JOIN probe p ON p.probe_id = r.probe_id JOIN node n ON n.node_id = p.node_id "
        "JOIN site s ON s.site_id = n.site_id WHERE r.at_s >= :from_s AND r.at_s < :to_s "
        "AND r.disputed IS NULL AND r.humidity_p100 IS NOT NULL GROUP BY 1, 2"
    )
    above = (
        f"SELECT u.code, z.code, h.hour / 24, min(h.humidity_percent) {place} "
        "WHERE h.hour >= :from_h AND h.hour < :to_h GROUP BY h.zone_id, 3 "
        "HAVING min(h.humidity_percent) > :limit AND count(h.humidity_percent) = 24"
    )
    newest_hour = (
        f"SELECT u.code, z.code, max(h.hour) * 3600, h.humidity_percent {place} WHERE "
        "h.hour >= :from_h AND h.hour < :to_h AND h.humidity_percent IS NOT NULL GROUP BY h.zone_id"
    )

    def ask(query: str) -> Answer:
        with record.engine.execution_options(reading=True).begin() as db:
            rows = db.execute(text(query), span).all()
        return {tuple(map(str, row[:-1])): float(row[-1]) for row in rows}

    def newest() -> Answer:
        return {(one.node, one.probe, one.site): float(one.at_s) for one in record.latest()}

    return {
        "mean humidity by site and day": lambda: ask(means),
        f"zones above {HUMID_PERCENT:.0f} % for a day": lambda: ask(above),
        "newest hour of each zone": lambda: ask(newest_hour),
        "newest sample of each probe": newest,
    }


def same(name: str, ours: Answer, theirs: Answer) -> None:
    """Both say the same, sums of floats in another order apart."""
    if ours.keys() != theirs.keys():
        odd = sorted(ours.keys() ^ theirs.keys())
        raise RuntimeError(f"{name}: {len(odd)} rows are of one side only, such as {odd[:3]}")
    apart = {k for k, value in ours.items() if not math.isclose(value, theirs[k], rel_tol=1e-9)}
    if apart or not ours:
        raise RuntimeError(
            f"{name}: {len(apart)} of {len(ours)} differ, such as {sorted(apart)[:3]}"
        )


def fleet(folder: Path, probes: int, days: int, runs: int) -> list[Row]:
    """A row a question."""
    with ExitStack() as stack:
        running = started(folder, stack)
        (folder / "token").write_text(TOKEN)
        settings = Archive(url=running.url, bucket="lot", token_file=folder / "token")
        record = stack.enter_context(open_record(folder))
        month(record, probes, days)
        with closing(Mirror(record.engine, settings, clock=lambda: T0)) as mirror:
            mirror.begin()
            mirrored(mirror)
            disturb(record, days)
            mirrored(mirror)
        server = stack.enter_context(closing(Server(settings)))
        ours, theirs = of_record(record, days), of_archive(server, days)
        rows = []
        for name, ask in ours.items():
            found = ask()
            same(name, found, theirs[name]())
            took = in_turns(runs, partial(seconds, ask), partial(seconds, theirs[name]))
            rows.append(Row(f"{name}, {probes} probes, {days} days", took[0] * 1000, "ms", "InfluxDB",
                            took[1] * 1000, f"{len(found):,} rows, equal"))  # fmt: skip
    return rows


def main() -> None:
    words = sys.argv[1:]
    if INFLUXD is None or NGINX is None:
        raise SystemExit("influxdb and nginx-light are needed")
    with tempfile.TemporaryDirectory() as folder:
        if words[:1] == ["fleet"]:
            given = [int(word) for word in words[1:]]
            print(told(fleet(Path(folder), *given, *(300, 30, 7)[len(given) :])))
        else:
            given = [int(word) for word in words]
            measure(Path(folder), *given, *(3000, 3)[len(given) :])


if __name__ == "__main__":
    main()
