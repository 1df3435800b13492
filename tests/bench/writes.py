"""What durable writing costs, beside what the disk itself takes to sync.

    python -m tests.bench.writes [RUNS]

Readings taken one by one and in the groups that the intake makes of a backlog, each call a synced
transaction; beside a plain file of the same folder to which as many bytes are appended as the record's
journal grew by, with as many `fdatasync` calls as there were transactions. In turns, medians.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from monitor.intake import BATCH_MESSAGES as GROUP
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record
from sensors.wire import Reading
from tests.bench.rows import Row, in_turns, told

T0 = 1_764_057_600
SIZES = {1: 400, GROUP: 40}  # readings a transaction: transactions a run


def lot(home: Path) -> Record:
    """One placed probe."""
    record = open_record(home)
    record.add_site(Site("yard"))
    record.add_unit(Unit("rv1", "yard"))
    record.add_zone("yard", Zone("rv1", "off-rear-low"))
    record.place(Placement("n1", "p1", "yard", "rv1", "off-rear-low", T0), recorded_s=T0, who="b")
    return record


def written() -> int:
    """Bytes this process gave to the disk so far."""
    return int(Path("/proc/self/io").read_text().split("write_bytes: ")[1].split()[0])


class Taking:
    """Takes readings in groups, and remembers how many bytes the last run wrote."""

    def __init__(self, record: Record, group: int, transactions: int) -> None:
        self.record, self.group, self.transactions = record, group, transactions
        self.seq = 0
        self.bytes = 0

    def ours(self) -> float:
        """Transactions a second."""
        groups = []
        for _ in range(self.transactions):
            groups.append([
                Reading(site="yard", node="n1", boot=1, seq=k, at_s=T0 + 600 * k,
                        temperature_c=5.0 + k % 300 / 100, humidity_percent=60.0 + k % 900 / 100)
                for k in range(self.seq, self.seq + self.group)
            ])  # fmt: skip
            self.seq += self.group
        before, start = written(), time.perf_counter()
        for group in groups:
            self.record.take(group, [], received_s=T0)
        took_s = time.perf_counter() - start
        self.bytes = written() - before
        return self.transactions / took_s

    def theirs(self) -> float:
        """Syncs a second of a plain file, in pieces of what a transaction wrote."""
        piece = b"\x55" * max(1, self.bytes // self.transactions)
        with tempfile.TemporaryFile(dir=self.record.home) as file:
            start = time.perf_counter()
            for _ in range(self.transactions):
                os.write(file.fileno(), piece)
                os.fdatasync(file.fileno())
            return self.transactions / (time.perf_counter() - start)


def measure(runs: int, sizes: dict[int, int]) -> list[Row]:
    """A row a size of group."""
    rows = []
    for group, transactions in sizes.items():
        with tempfile.TemporaryDirectory() as home, lot(Path(home)) as record:
            taking = Taking(record, group, transactions)
            ours, theirs = in_turns(runs, taking.ours, taking.theirs)
            each = taking.bytes / transactions
            rows.append(
                Row(
                    f"writes, {group} readings a transaction, synced",
                    ours,
                    "transactions/s",
                    "append and fdatasync of as many bytes",
                    theirs,
                    f"{each / 1000:,.1f} kB a transaction, {each * ours / 1e6:.1f} MB/s",
                    main=group > 1,
                )
            )
    return rows


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches."""
    return measure(1, dict.fromkeys(SIZES, 5)) if quick else measure(7, SIZES)


if __name__ == "__main__":
    print(told(measure(*(int(word) for word in sys.argv[1:2] or ["7"]), SIZES)))
