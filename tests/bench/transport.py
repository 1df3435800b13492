"""Wall-years a second of the coarse wall, and what it loses against the fine one.

    PYTHONPATH=. python tests/bench/transport.py [DAYS] [RUNS]

Coarse is 8 cells and an hour, fine 64 cells and ten minutes, on the same invented weather, read
behind the panel. Speeds are medians of alternating runs; the fine one is timed once, on its walls.
"""

import statistics
import sys
import time

import numpy as np

from monitor.physics.estimate import estimate, probe_face, wall_of
from monitor.physics.layers import ASSEMBLIES, Assembly
from monitor.physics.transport import Climate, Run, at_rest, simulate
from tests.weathers import invented

MANY = 500
FINE_CELLS, FINE_PARTS = 64, 6


def run_of(assembly: Assembly, climate: Climate, *, walls: int, cells: int, parts: int) -> Run:
    batch = [wall_of(assembly, cells=cells)] * walls
    start = at_rest(batch, temperature_c=0.0, humidity_percent=np.linspace(50.0, 80.0, walls))
    return simulate(
        batch,
        start=start,
        climate=climate,
        step_s=3600.0,
        substeps=parts,
        face=probe_face(assembly, cells=cells),
        tolerance_pa=10.0 if parts == 1 else 1.0,
    )


def timed(*args: object, **kwargs: object) -> tuple[float, Run]:
    start = time.perf_counter()
    run = run_of(*args, **kwargs)  # type: ignore[arg-type]
    return time.perf_counter() - start, run


def rms(differences: np.ndarray) -> float:
    return float(np.sqrt(np.mean(differences**2)))


def main(days: int = 365, runs: int = 3) -> None:
    years = days / 365.0
    for code in ("laminated-wall", "hung-wall"):
        assembly = ASSEMBLIES[code]
        for occupied in (False, True):
            climate = invented(days, occupied=occupied).climate()
            pairs = [
                [timed(assembly, climate, walls=n, cells=8, parts=1)[0] for n in (1, MANY)]
                for _ in range(runs)
            ]
            alone, batch = (statistics.median(column) for column in zip(*pairs, strict=True))
            _, coarse = timed(assembly, climate, walls=2, cells=8, parts=1)
            took, fine = timed(assembly, climate, walls=2, cells=FINE_CELLS, parts=FINE_PARTS)
            off = coarse.face_percent - fine.face_percent
            print(f"{code}, {'occupied' if occupied else 'stored'}, {days} days")
            print(f"  coarse alone   {years / alone:8.2f} wall-years/s")
            print(f"  coarse, {MANY:4d}   {MANY * years / batch:8.2f} wall-years/s")
            print(f"  fine, 2        {2 * years / took:8.4f} wall-years/s")
            print(f"  alone to fine  {took / 2 / alone:8.0f} times")
            print(f"  batch to fine  {took / 2 * MANY / batch:8.0f} times")
            print(f"  temperature    {rms(coarse.face_c - fine.face_c):8.3f} K rms")
            print(f"  humidity       {rms(off):8.2f} points rms, {np.abs(off).max():.1f} worst")
    weather = invented(60, occupied=True)
    start = time.perf_counter()
    estimate(
        ASSEMBLIES["laminated-wall"],
        cabin_c=weather.cabin_c,
        cabin_percent=weather.cabin_percent,
        outside_c=weather.outside_c,
        outside_percent=weather.outside_percent,
    )
    print(f"estimate of 60 days without sun {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
