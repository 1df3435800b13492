"""How fast the intake's groups become durable, in a file and on a PostgreSQL server beside it.

    python tests/bench/server.py [RUNS]

100 nodes with two probes, groups of 500 readings and of one message (two readings), each group a transaction
that is synced before it counts (`fsync=on` on both, same disk). Sides alternate within a run; medians of
the clock, and the ratio within each run, for the disk is shared with whatever else runs.
"""

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

from monitor.config import Server
from monitor.store import open_record
from sensors.wire import Reading
from tests.servers import running_server

T0 = 1_764_000_000
NODES = 100
PROBES = ("p1", "p2")
GROUPS = {500: 40, 2: 150}  # readings in a group, and how many groups


def groups(size: int, count: int, boot: int) -> list[list[Reading]]:
    """New readings, one message of each node after another."""
    made: list[Reading] = []
    step = 0
    while len(made) < size * count:
        made += [
            Reading(
                site="yard",
                node=f"n{node}",
                probe=probe,
                boot=boot,
                seq=step,
                at_s=T0 + 600 * step,
                temperature_c=10.0 + step % 50 / 10,
                humidity_percent=60.0 + node % 30,
            )
            for node in range(NODES)
            for probe in PROBES
        ]
        step += 1
    return [made[at : at + size] for at in range(0, size * count, size)]


def per_second(home: Path, server: Server | None, size: int, boot: int) -> float:
    """Readings that became durable in a second."""
    given = groups(size, GROUPS[size], boot)
    with open_record(home, server=server) as record:
        for group in groups(2 * NODES, 1, boot + 1):  # so that names are known
            record.take(group, [], received_s=T0)
        start_s = time.perf_counter()
        for group in given:
            record.take(group, [], received_s=T0)
        return size * len(given) / (time.perf_counter() - start_s)


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    found: dict[tuple[int, str], list[float]] = {}
    with running_server("fsync=on") as running, tempfile.TemporaryDirectory() as folder:
        places = {"file": None, "server": running.record()}
        for run in range(runs):
            for size in GROUPS:
                for name, place in places.items():
                    speed = per_second(Path(folder), place, size, boot=10 * run + size)
                    found.setdefault((size, name), []).append(speed)
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors, {runs} runs")
    for size in GROUPS:
        file, server = found[size, "file"], found[size, "server"]
        ratios = sorted(b / a for a, b in zip(file, server, strict=True))
        print(
            f"groups of {size}: file {statistics.median(file):,.0f} readings/s, "
            f"server {statistics.median(server):,.0f}, ratio {statistics.median(ratios):.2f}"
            f" ({ratios[0]:.2f} to {ratios[-1]:.2f})"
        )


if __name__ == "__main__":
    main()
