"""The outbox of a node: samples on disk until the monitor says that they are stored.

A sample is every reading of one moment; (boot, seq) is its identity. The file is SQLite in WAL
mode with full sync, so what `add` returned from survives a power cut.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

import msgspec
from msgspec import structs

from sensors.wire import Reading

Key = tuple[int, int]  # boot, seq
Sample = list[Reading]

KEEP_SAMPLES: Final = 57_600  # 40 days of one sample a minute
_FIRST: Final[Key] = (-1, -1)
_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS sample (boot INTEGER, seq INTEGER, readings BLOB NOT NULL,"
    " PRIMARY KEY (boot, seq)) STRICT, WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS state (name TEXT PRIMARY KEY, value INTEGER NOT NULL)"
    " STRICT, WITHOUT ROWID",
)
_ENCODER: Final = msgspec.msgpack.Encoder()
_DECODER: Final = msgspec.msgpack.Decoder(list[Reading])


class Outbox:
    """Samples of one node that no receipt covers yet; opening it counts one boot up.

    Parameters
    ----------
    path : Path
        The file; its folder is made.
    keep_samples : int
        Most samples to keep; beyond it the oldest are dropped and counted. 1 or more
    first_boot : int
        Least number of this boot, so the first one of a new file. Where a file may be deleted and made anew, give
        the seconds since 1970: else its samples take the identities of those sent before.

    Raises
    ------
    sqlite3.Error
        Here and in every method: the file cannot be read or written.
    """

    def __init__(
        self, path: Path, *, keep_samples: int = KEEP_SAMPLES, first_boot: int = 1
    ) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._keep_samples = keep_samples
        self._file = sqlite3.connect(path, isolation_level=None)
        self._file.execute("PRAGMA journal_mode = WAL")
        self._file.execute("PRAGMA synchronous = FULL")
        self._file.execute("BEGIN IMMEDIATE")
        with self._file:
            for statement in _SCHEMA:
                self._file.execute(statement)
            self.boot = max(self.state("boot") + 1, first_boot)
            self._set_state("boot", self.boot)
        self._seq = 0
        self._held = int(self._file.execute("SELECT count(*) FROM sample").fetchone()[0])

    def __len__(self) -> int:
        """Samples held."""
        return self._held

    @property
    def dropped(self) -> int:
        """Samples ever dropped because the outbox was full."""
        return self.state("dropped")

    def state(self, name: str) -> int:
        """A number kept beside the samples; 0 if it was never set."""
        row = self._file.execute("SELECT value FROM state WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0

    def add(
        self, samples: Sequence[Sequence[Reading]], *, state: dict[str, int] | None = None
    ) -> None:
        """Keep samples, with the next seq of this boot where they have none, all or none of them.

        `state` is set in the same transaction: how far a file is replayed, for example.
        """
        seq = self._seq
        rows = []
        for sample in samples:
            boot, own_seq = sample[0].boot, sample[0].seq
            if boot is None or own_seq is None:
                boot, own_seq = self.boot, seq
                seq += 1
            stamped = [structs.replace(reading, boot=boot, seq=own_seq) for reading in sample]
            rows.append((boot, own_seq, _ENCODER.encode(stamped)))
        self._file.execute("BEGIN IMMEDIATE")
        with self._file:
            before = self._file.total_changes
            self._file.executemany("INSERT OR IGNORE INTO sample VALUES (?, ?, ?)", rows)
            held = self._held + self._file.total_changes - before
            held -= self._drop(held - self._keep_samples)
            for name, value in (state or {}).items():
                self._set_state(name, value)
        self._seq, self._held = seq, held

    def after(self, key: Key, limit: int) -> list[tuple[Key, Sample]]:
        """Samples after a key, oldest first."""
        rows = self._file.execute(
            "SELECT boot, seq, readings FROM sample WHERE (boot, seq) > (?, ?)"
            " ORDER BY boot, seq LIMIT ?",
            (*key, limit),
        )
        return [((boot, seq), _DECODER.decode(readings)) for boot, seq, readings in rows]

    def forget(self, boot: int, seq: int, missing: Iterable[tuple[int, int]] = ()) -> int:
        """Drop what is stored: a boot up to and including `seq`, save the gaps; how many that was."""
        first, gone = 0, 0
        self._file.execute("BEGIN IMMEDIATE")
        with self._file:
            for gap_first, gap_last in [*sorted(missing), (seq + 1, seq + 1)]:
                gone += self._file.execute(
                    "DELETE FROM sample WHERE boot = ? AND seq >= ? AND seq < ? AND seq <= ?",
                    (boot, first, gap_first, seq),
                ).rowcount
                first = max(first, gap_last + 1)
        self._held -= gone
        return gone

    def close(self) -> None:
        """Close the file; the samples stay."""
        self._file.close()

    def _drop(self, surplus: int) -> int:
        if surplus <= 0:
            return 0
        dropped = self._file.execute(
            "DELETE FROM sample WHERE (boot, seq) IN"
            " (SELECT boot, seq FROM sample ORDER BY boot, seq LIMIT ?)",
            (surplus,),
        ).rowcount
        self._set_state("dropped", self.state("dropped") + dropped)
        return dropped

    def _set_state(self, name: str, value: int) -> None:
        self._file.execute(
            "INSERT INTO state VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            (name, value),
        )
