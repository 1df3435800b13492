"""Hours as they were judged again beside those of the record: what differs, and by how much."""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

WORDS = ("state", "trend", "cause")
FIGURES = (
    "mould_index",
    "wood_moisture_percent",
    "leak_score",
)  # of which the largest difference is told
_NOT_COMPARED = {"zone_id", "hour", "unit", "zone", "kind", "mould_class"}

Stored = dict[
    str, list[dict[str, list[Any]]]
]  # zone -> blocks of columns, as the record gives them
Column = NDArray[Any]


class Largest(msgspec.Struct):
    """Where a figure differs most, of hours that have it on both sides."""

    difference: float
    unit: str
    zone: str
    hour: int
    record: float
    model: float


class Compared(msgspec.Struct):
    """How many hours were compared, and what differs in them.

    `columns` counts hours by the column that differs, `words` by from and to of each word. Hours of
    one side alone are counted apart.
    """

    hours: int = 0
    differing: int = 0
    only_record: int = 0
    only_model: int = 0
    columns: dict[str, int] = msgspec.field(default_factory=dict)
    words: dict[str, dict[str, int]] = msgspec.field(default_factory=dict)
    largest: dict[str, Largest] = msgspec.field(default_factory=dict)

    def add(self, other: "Compared") -> None:
        """Put in the same of other hours."""
        self.hours += other.hours
        self.differing += other.differing
        self.only_record += other.only_record
        self.only_model += other.only_model
        _count(self.columns, other.columns)
        for name, turns in other.words.items():
            _count(self.words.setdefault(name, {}), turns)
        for name, found in other.largest.items():
            if name not in self.largest or found.difference > self.largest[name].difference:
                self.largest[name] = found


def _count(counts: dict[str, int], more: Mapping[str, int]) -> None:
    for name, number in more.items():
        counts[name] = counts.get(name, 0) + number


def compare(
    unit: str, hours: Mapping[str, Mapping[str, Column]], stored: Stored, *, from_hour: int
) -> Compared:
    """Compare every hour of a unit from one on, column by column and to the last bit."""
    told = Compared()
    for zone in sorted({*hours, *stored}):
        told.add(_zone(unit, zone, hours.get(zone), stored.get(zone, []), from_hour))
    return told


def _zone(
    unit: str,
    zone: str,
    model: Mapping[str, Column] | None,
    blocks: Sequence[Mapping[str, Sequence[Any]]],
    from_hour: int,
) -> Compared:
    known = np.array([hour for block in blocks for hour in block["hour"]], dtype=np.int64)
    made = np.zeros(0, dtype=np.int64) if model is None else model["hour"]
    at_made = np.flatnonzero(made >= from_hour)
    both, here, there = np.intersect1d(known, made[at_made], return_indices=True)
    there = at_made[there]
    told = Compared(
        hours=len(both), only_record=len(known) - len(both), only_model=len(at_made) - len(both)
    )
    if model is None or not blocks or not len(both):
        return told
    any_differs = np.zeros(len(both), dtype=np.bool_)
    for name in blocks[0]:
        if name in _NOT_COMPARED:
            continue
        record = _column([value for block in blocks for value in block[name]])[here]
        other = model[name][there]
        differs = _differs(record, other)
        any_differs |= differs
        _tell(told, name, record[differs], other[differs])
        if name in FIGURES:
            gap = np.abs(np.nan_to_num(record - other))
            at = int(gap.argmax())
            if gap[at] > 0.0:
                where = (unit, zone, int(both[at]), float(record[at]), float(other[at]))
                told.largest[name] = Largest(float(gap[at]), *where)
    told.differing = int(any_differs.sum())
    return told


def _column(values: list[Any]) -> Column:
    if any(isinstance(value, str) for value in values):
        return np.array(values, dtype=object)
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _differs(record: Column, model: Column) -> NDArray[np.bool_]:
    if record.dtype == object:
        return np.asarray(record != model.astype(object), dtype=np.bool_)
    other = model.astype(np.float64)
    return np.asarray((record != other) & ~(np.isnan(record) & np.isnan(other)), dtype=np.bool_)


def _tell(told: Compared, name: str, record: Column, model: Column) -> None:
    if not len(record):
        return
    told.columns[name] = len(record)
    if name in WORDS:
        turns = told.words.setdefault(name, {})
        for was, becomes in zip(record.tolist(), model.tolist(), strict=True):
            _count(turns, {f"{was or '-'} -> {becomes or '-'}": 1})
