"""Bytes a reading, and how fast readings come back, fresh and sealed.

    python tests/bench/store.py [RUNS]

One probe for a year at ten minutes (52,560 readings: temperature and humidity with the noise of a
sensor, battery, signal, each received by itself some seconds late), and 3,000 probes with one newest
sample each. Sides alternate within a run; medians of processor time (the least in brackets). `rows` is what `sqlite3` alone needs to hand over
the same seven columns as Python tuples, with no array made of them.
"""

import sqlite3
import statistics
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd

from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record, sealing
from monitor.store.engine import FILE_NAME
from sensors.wire import Reading
from tests.bench.rows import Row

COUNT = 52_560
STEP_S = 600
T0 = 1_700_000_000 // sealing.PERIOD_S * sealing.PERIOD_S
LATER = T0 + COUNT * STEP_S + 365 * 86_400
FRESH = ", ".join(sealing.MEASURED)


def year(node: str) -> list[Reading]:
    rng = np.random.default_rng(7)
    k = np.arange(COUNT)
    day = np.sin(2 * np.pi * k / 144)
    season = np.cos(2 * np.pi * k / COUNT)
    celsius = 11 - 8 * season + 5 * day + np.cumsum(rng.normal(0, 0.02, COUNT)) + noise(rng, 0.03)
    percent = 70 + 8 * season - 9 * day + np.cumsum(rng.normal(0, 0.02, COUNT)) + noise(rng, 0.1)
    late_s = rng.integers(-1, 2, COUNT)
    return [
        Reading(
            site="yard",
            node=node,
            boot=3,
            seq=int(n),
            at_s=int(T0 + STEP_S * n + late_s[n]),
            temperature_c=round(float(celsius[n]), 2),
            humidity_percent=round(float(np.clip(percent[n], 0, 100)), 2),
            battery_percent=float(round(95 - n / 2000)),
            signal_dbm=float(round(-70 + float(rng.normal(0, 2)))),
        )
        for n in k
    ]


def noise(rng: np.random.Generator, size: float) -> np.ndarray:
    return rng.normal(0, size, COUNT)


def columns(path: Path) -> pd.DataFrame:
    """The fresh readings of a record as it holds them, whole numbers; empty columns left out."""
    with closing(sqlite3.connect(path)) as connection:
        names = ("probe_id", "boot", "seq", "at_s", "received_s", *sealing.MEASURED)
        query = f"SELECT {', '.join(dict.fromkeys(names))} FROM reading ORDER BY at_s"
        return pd.read_sql_query(query, connection).dropna(axis=1, how="all")


def files_of(frame: pd.DataFrame, folder: Path) -> dict[str, int]:
    """Bytes of the same columns in the forms that anybody would take."""
    csv = frame.to_csv(index=False).encode()
    numbers = np.ascontiguousarray(frame.fillna(-1).to_numpy(dtype=np.int64).T)
    frame.to_parquet(folder / "plain.parquet", index=False, compression="zstd")
    return {
        "plain CSV": len(csv),
        "zlib of the CSV": len(zlib.compress(csv, 9)),
        "zlib of the columns": len(zlib.compress(numbers.tobytes(), 9)),
        "Parquet, zstd": (folder / "plain.parquet").stat().st_size,
    }


def filled(home: Path, readings: list[Reading]) -> Record:
    record = open_record(home)
    record.add_site(Site("yard"))
    record.add_unit(Unit("rv1", "yard"))
    record.add_zone("yard", Zone("rv1", "off-rear-low"))
    placement = Placement("n1", "p1", "yard", "rv1", "off-rear-low", from_s=T0)
    record.place(placement, recorded_s=T0, who="bench")
    with closing(record.engine.raw_connection()) as connection:
        connection.cursor().execute("PRAGMA synchronous = OFF")
    rng = np.random.default_rng(8)
    for start in range(0, len(readings), 480):  # groups share `received`: spread by hand below
        record.take(readings[start : start + 480], [], received_s=T0)
    if readings:
        each_s = rng.integers(1, 6, len(readings)).tolist()
        lags = [(s, r.seq) for s, r in zip(each_s, readings, strict=True)]
        late = (
            "UPDATE reading SET received_s = at_s + ? WHERE probe_id = 1 AND boot = 3 AND seq = ?"
        )
        with record.engine.begin() as connection:
            connection.exec_driver_sql(late, lags)
    return record


def size(record: Record) -> int:
    """Bytes of the file's pages that are in use."""
    with record.engine.connect() as connection:
        connection.exec_driver_sql("ROLLBACK")
        connection.exec_driver_sql("VACUUM")
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        each = connection.exec_driver_sql("PRAGMA page_size").scalar_one()
        connection.exec_driver_sql("BEGIN")
    return int(pages * each)


def ms(call: Callable[[], object]) -> float:
    """Milliseconds of processor: another load on the machine changes them less than the clock's."""
    start = time.process_time()
    call()
    return (time.process_time() - start) * 1e3


def ask(record: Record) -> object:
    return record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"]


def frame(record: Record) -> pd.DataFrame:
    found = record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"]
    return pd.DataFrame({name: getattr(found, name) for name in found.__slots__}, copy=False)


def rows(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        query = f"SELECT {FRESH} FROM reading WHERE at_s >= 0 ORDER BY at_s"
        return len(connection.execute(query).fetchall())


def of_year(folder: Path, runs: int) -> None:
    readings = year("n1")
    empty = size(filled(folder / "empty", []))
    fresh, sealed = filled(folder / "fresh", readings), filled(folder / "sealed", readings)
    before = size(sealed)
    locks = []
    while True:
        start = time.perf_counter()
        if not sealed.seal(before_s=LATER, now_s=LATER):
            break
        locks.append((time.perf_counter() - start) * 1e3)
    after = size(sealed)
    print(
        f"bytes a reading: fresh {(before - empty) / COUNT:.1f}, sealed {(after - empty) / COUNT:.2f};"
        f" sealing a block {statistics.median(locks):.0f} ms, at most {max(locks):.0f}"
    )
    sides: dict[str, Callable[[], object]] = {
        "rows of the fresh ones": lambda: rows(folder / "fresh" / FILE_NAME),
        "fresh into arrays": lambda: ask(fresh),
        "sealed into arrays": lambda: ask(sealed),
        "sealed into a frame": lambda: frame(sealed),
    }
    report("probe-year", sides, runs)
    again = readings[:480]
    repeated: dict[str, Callable[[], object]] = {
        "fresh": lambda: fresh.take(again, [], received_s=LATER),
        "sealed": lambda: sealed.take(again, [], received_s=LATER),
    }
    report("480 samples sent again", repeated, runs)
    fresh.close()
    sealed.close()


def of_lot(folder: Path, runs: int) -> None:
    record = filled(folder / "lot", [])
    for start in range(0, 3000, 500):
        group = [
            Reading(site="yard", node=f"x{n}", boot=1, seq=1, at_s=T0 + n, temperature_c=5.0)
            for n in range(start, start + 500)
        ]
        record.take(group, [], received_s=T0)
    table = "SELECT probe_id, at_s, temperature_c100, humidity_p100 FROM latest"

    def kept() -> object:
        with record.engine.execution_options(reading=True).begin() as connection:
            return connection.exec_driver_sql(table).all()

    report("latest of 3,000", {"the table": kept, "with their places": record.latest}, runs)
    record.close()


def report(title: str, sides: dict[str, Callable[[], object]], runs: int) -> None:
    took: dict[str, list[float]] = {name: [] for name in sides}
    for _ in range(runs):
        for name, call in sides.items():
            took[name].append(ms(call))
    told = (f"{name} {statistics.median(t):.1f} ms ({min(t):.1f})" for name, t in took.items())
    print(f"{title}: {', '.join(told)}", flush=True)


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches: bytes a reading, fresh and sealed."""
    readings = year("n1")[: 5_000 if quick else None]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with filled(folder / "empty", []) as empty, filled(folder / "year", readings) as record:
            nothing, fresh = size(empty), size(record)
            others = files_of(columns(folder / "year" / FILE_NAME), folder)
            while record.seal(before_s=LATER, now_s=LATER):
                pass
            sealed = size(record)
    found = []
    for state, whole in (("fresh", fresh), ("sealed", sealed)):
        each = (whole - nothing) / len(readings)
        found += [
            Row(f"size of a reading, {state}", each, "bytes", form, count / len(readings),
                main=state == "sealed" and not form.startswith("zlib"))
            for form, count in others.items()
            if state == "sealed" or form == "plain CSV"
        ]  # fmt: skip
    return found


def main(runs: int = 9) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("empty", "fresh", "sealed", "lot"):
            (folder / part).mkdir()
        of_year(folder, runs)
        of_lot(folder, runs)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
