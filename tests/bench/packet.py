"""The signed packet of a repair: how large, how long to make and to verify, beside its readings alone.

    PYTHONPATH=. python tests/bench/packet.py [PROBES] [DAYS]

One unit: so many probes of which one is outside, a sample every quarter of an hour from 14 days before
the repair on, salt checks before and after, a photo, a rain every third day and a hose test. Each number
is of a process of its own. The yardstick is the same readings as plain CSV, deflated by zlib alone.
"""

import subprocess
import sys
import tempfile
import time
import zlib
from hashlib import sha256
from pathlib import Path

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from monitor import watch
from monitor.lot import BenchPoint, CaseNote, Event, Photo, Placement, Site, Unit, Zone
from monitor.photos import cleaned
from monitor.reports import packet
from monitor.store import Record, open_record
from sensors.wire import Reading
from tests.test_photos import sent

HOUR_S, DAY_S, STEP_S = 3600, 86_400, 900
BEFORE_DAYS = 14
START_S = 1_900_022_400  # a midnight UTC
REPAIRED_S = START_S + BEFORE_DAYS * DAY_S + 9 * HOUR_S


def fill(record: Record, probes: int, days: int) -> int:
    """Fill a record; the time at its end."""
    end_s = START_S + (BEFORE_DAYS + days) * DAY_S + HOUR_S
    record.add_site(Site("yard"))
    record.add_unit(Unit("u1", "yard"))
    rng = np.random.default_rng(3)
    count = (BEFORE_DAYS + days) * DAY_S // STEP_S
    hour = np.arange(count) * STEP_S // HOUR_S
    weather = 62.0 + 3.0 * np.sin(hour / 200.0)
    for number in range(1, probes + 1):
        outside = number == probes
        unit, zone, kind = ("", "outside", "outside") if outside else ("u1", f"w{number}", "wall")
        record.add_zone("yard", Zone(unit, zone, kind))  # type: ignore[arg-type]
        placed = Placement("n1", f"p{number}", "yard", unit, zone, START_S - 3 * DAY_S)
        record.place(placed, recorded_s=START_S, who="bench")
        humid = (
            weather + np.repeat(rng.normal(0.0, 0.2, count // 4), 4) + rng.normal(0, 0.05, count)
        )
        warm = 12.0 + 4.0 * np.sin(np.arange(count) * 2 * np.pi / 96) + rng.normal(0, 0.05, count)
        wet = (hour // 24 % 3 == 0) & (hour % 24 == 3) & (np.arange(count) % 4 == 0)
        readings = [
            Reading(
                site="yard",
                node="n1",
                probe=f"p{number}",
                boot=1,
                seq=k,
                at_s=START_S + k * STEP_S + 60,
                silence_s=HOUR_S,
                temperature_c=round(float(warm[k]), 2),
                humidity_percent=round(float(humid[k]), 2),
                rain_mm=(8.0 if wet[k] else 0.0) if outside else None,
            )
            for k in range(count)
        ]
        for start in range(0, count, 500):
            record.take(readings[start : start + 500], [], received_s=end_s)
    for event in (
        Event(REPAIRED_S, "repair", "opened and dried, sensor moved", "u1", "w1"),
        Event(REPAIRED_S + 12 * DAY_S, "hose", "18", "u1", "w1"),
    ):
        record.add_event("yard", event, recorded_s=end_s)
    picture = cleaned(sent((1600, 1200)))
    digest = sha256(picture).hexdigest()
    record.keep_photo("u1", Photo(digest, REPAIRED_S, REPAIRED_S, "Ann"), picture)
    note = CaseNote("w1", REPAIRED_S, "photo", digest, REPAIRED_S, REPAIRED_S, "Ann")
    record.note_case("u1", note)
    for at_s in (REPAIRED_S - DAY_S, end_s - DAY_S):
        box = (at_s - 12 * HOUR_S, at_s)
        point = BenchPoint(
            0,
            "yard",
            "n1",
            "p1",
            "NaCl",
            "a",
            *box,
            75.8,
            20.0,
            75.5,
            0.5,
            at_s,
            "Ann",
            back_s=at_s,
        )
        record.add_bench_point(point)
    return end_s


def main() -> None:
    """Print one table."""
    probes, days = (int(a) for a in (*sys.argv[1:], "6", "90")[:2])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_record(folder) as record:
            end_s = fill(record, probes, days)
            began = time.perf_counter()
            watch.tick(record, now_s=end_s)
            print(f"judged and proven in {time.perf_counter() - began:.1f} s")
            (row,) = record.repairs(unit="u1")
            key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
            began = time.perf_counter()
            made = packet.make(record, row, key=key, made_s=end_s, program="bench")
            took = time.perf_counter() - began
        parts = packet._read_all(made)
        readings = b"".join(data for name, data in parts.items() if "reading" in name)
        print(
            f"{probes} probes, {days} days since the repair: {row.now.verdict if row.now else '-'}"
        )
        print(f"packet {len(made) / 1000:.0f} kB, made in {took:.2f} s")
        for part, data in sorted(parts.items(), key=lambda held: -len(held[1]))[:6]:
            print(
                f"    {part:30} {len(data) / 1000:8.0f} kB, deflated {len(zlib.compress(data, 9)) / 1000:6.0f}"
            )
        print(
            f"    readings alone, deflated       {len(zlib.compress(readings, 9)) / 1000:8.0f} kB"
        )
        path = folder / "packet.zip"
        path.write_bytes(made)
        command = [sys.executable, "-m", "monitor.cli", "handover", "verify", str(path)]
        began = time.perf_counter()
        told = subprocess.run(command, capture_output=True, text=True, check=False)
        print(f"verified in {time.perf_counter() - began:.1f} s, status {told.returncode}")
        print("    " + told.stdout.strip().splitlines()[-1])


if __name__ == "__main__":
    main()
