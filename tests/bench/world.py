"""How many unit-years a minute the invented world gives, and how hard it is.

    python tests/bench/world.py [BATCHES]

Unit-years of ten zones, hourly, simulated in half-hour steps by two processes, without and with
the paired dry run; then the table of `python -m demo.hardness`.
"""

import sys
import time

from demo.fleet import fleets
from demo.hardness import main as hardness

UNITS, DAYS = 64, 365


def rate(batches: int, *, paired: bool) -> float:
    """Unit-years a minute, starting the processes included."""
    start = time.perf_counter()
    seeds = range(100, 100 + batches)
    made = sum(
        len(batch.units) * DAYS / 365.2425
        for batch in fleets(seeds=seeds, units=UNITS, days=DAYS, paired=paired)
    )
    return 60.0 * made / (time.perf_counter() - start)


def main(batches: int = 8) -> None:
    print(f"{rate(batches, paired=False):6.0f} unit-years a minute")
    print(f"{rate(batches, paired=True):6.0f} unit-years a minute, paired")
    hardness(["--batches", str(batches)])


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
