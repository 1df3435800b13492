"""A million readings out of a record and into an empty one, form by form: rate, size and memory.

    PYTHONPATH=. python tests/bench/exchange.py [--readings 1000000] [--sealed]

One site, 40 nodes of two probes, a sample every ten minutes: temperature, humidity, each tenth with
a pin reading, battery and signal. Each export and import is a process of its own; memory is its
highest resident set (VmHWM), beside that of a process that only opens the record.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor import exchange
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record, sealing
from sensors.wire import Reading

T0, STEP_S, NODES = 1_700_000_000, 600, 40
FORMS = (".csv", ".parquet", ".senml.json", ".senml.jsonl")


def lot(home: Path) -> Record:
    """A yard whose probes are placed."""
    record = open_record(home)
    record.add_site(Site("yard"))
    for node in range(NODES):
        unit = f"u{node:02}"
        record.add_unit(Unit(unit, "yard"))
        for probe, zone in (("p1", "off-rear-low"), ("p2", "door-rear-low")):
            record.add_zone("yard", Zone(unit, zone))
            place = Placement(f"{node:012x}", probe, "yard", unit, zone, from_s=T0)
            record.place(place, recorded_s=T0, who="bench")
    return record


def fill(record: Record, count: int, *, is_sealed: bool) -> None:
    """Take in that many readings."""
    rng = np.random.default_rng(1)
    a_probe = count // (2 * NODES)
    for node in range(NODES):
        for probe in ("p1", "p2"):
            warm = 10 + np.cumsum(rng.normal(0, 0.1, a_probe)).clip(-30, 30)
            damp = 60 + np.cumsum(rng.normal(0, 0.2, a_probe)).clip(-40, 40)
            readings = [
                Reading(
                    site="yard",
                    node=f"{node:012x}",
                    probe=probe,
                    boot=3,
                    seq=n,
                    at_s=T0 + STEP_S * n + node,
                    temperature_c=round(float(warm[n]), 2),
                    humidity_percent=round(float(damp[n]), 2),
                    wood_percent=17.25 if n % 10 == 0 else None,
                    battery_percent=83 if probe == "p1" else None,
                    signal_dbm=-71 if probe == "p1" else None,
                    silence_s=900,
                )
                for n in range(a_probe)
            ]
            for start in range(0, a_probe, 20_000):
                record.take(readings[start : start + 20_000], [], received_s=T0 + STEP_S * a_probe)
    end_s = T0 + STEP_S * a_probe + 200 * 86_400
    while is_sealed and record.seal(before_s=sealing.edge_s(end_s, fresh_days=60), now_s=end_s):
        pass


def step(what: str, home: Path, path: Path) -> None:
    """One export or import in this process; what it took, as JSON."""
    with lot(home) if what == "import" else open_record(home, read_only=True) as record:
        began_s, before_s = time.perf_counter(), time.process_time()
        count = 0
        if what == "export":
            count = exchange.export_readings(record, path, site="yard", force=True)
        elif what == "import":
            count = exchange.import_readings(record, path, now_s=int(time.time())).stored
        took_s, busy_s = time.perf_counter() - began_s, time.process_time() - before_s
    status = Path("/proc/self/status").read_text(encoding="ascii")  # ru_maxrss is the parent's too
    largest_kb = int(status.partition("VmHWM:")[2].split()[0])
    print(json.dumps({"count": count, "took_s": took_s, "busy_s": busy_s, "mb": largest_kb / 1024}))


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--readings", type=int, default=1_000_000)
    asked.add_argument("--sealed", action="store_true")
    asked.add_argument("--step", nargs=3)
    given = asked.parse_args()
    if given.step:
        step(given.step[0], Path(given.step[1]), Path(given.step[2]))
        return
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder, "record")
        with lot(home) as record:
            fill(record, given.readings, is_sealed=given.sealed)
        print("open alone", run("nothing", home, home))
        for form in FORMS:
            path = Path(folder, f"out{form}")
            out = run("export", home, path)
            back = run("import", Path(folder, f"again{form}"), path)
            assert out["count"] == back["count"], (out, back)
            size = path.stat().st_size / out["count"]
            print(
                f"{form:13} {size:6.1f} bytes a reading; out {_said(out)}; in {_said(back)}",
                flush=True,
            )


def _said(done: dict[str, float]) -> str:
    busy_us = 1e6 * done["busy_s"] / done["count"]
    return f"{done['count'] / done['took_s']:.0f}/s, {busy_us:.1f} us of processor, {done['mb']:.0f} MB"


def run(what: str, home: Path, path: Path) -> dict[str, float]:
    """The same in a new process."""
    told = subprocess.run(
        [sys.executable, __file__, "--step", what, str(home), str(path)],
        check=True,
        stdout=subprocess.PIPE,
    )
    found: dict[str, float] = json.loads(told.stdout)
    return found


if __name__ == "__main__":
    main()
