"""What the folds of this package share."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_RAIN_UNIT_MM, _RAIN_POWER, _LARGEST_DRIVE = 5.0, 0.7, 2.5


@dataclass(slots=True, eq=False)
class Lossless:
    """A memory of float64 arrays alone, of a number of zones: a dataclass that adds them, and `empty`."""

    @classmethod
    def empty(cls, zones: int) -> Self:
        """Nothing known of so many zones."""
        raise NotImplementedError

    def arranged(self, order: list[int]) -> Self:
        """The same with its zones in another order; -1 is a zone nothing is known of."""
        raise NotImplementedError

    @classmethod
    def recalled(cls, data: bytes, known: Sequence[str], codes: Sequence[str]) -> Self:
        """What `to_bytes` kept of the zones `known`, in the order of `codes`; b"" is nothing."""
        if not data:
            return cls.empty(len(codes))
        memory = cls.from_bytes(data, zones=len(known))
        place = {code: at for at, code in enumerate(known)}
        return memory if codes == known else memory.arranged([place.get(c, -1) for c in codes])

    def to_bytes(self) -> bytes:
        """Lossless form, field after field: whole ten-thousandths where they are exact, else floats.

        Whole numbers are kept because a checkpoint is compressed, and digits of floats are not.
        """
        return b"".join(_packed(getattr(self, field.name).ravel()) for field in fields(self))

    @classmethod
    def from_bytes(cls, data: bytes, *, zones: int) -> Self:
        """Inverse of `to_bytes`."""
        memory, at = cls.empty(zones), 0
        for field in fields(memory):
            kept = getattr(memory, field.name)
            flat = _unpacked(data, at, kept.size)
            kept[...] = flat.reshape(kept.shape)
            at += 1 + 8 * kept.size
        return memory


_STEPS = 1e4  # most figures of a fold are rounded to it
_LARGEST = 1e9
_MISSING = np.iinfo(np.int64).min


def _packed(flat: Floats) -> bytes:
    whole = np.rint(flat * _STEPS)
    known = ~np.isnan(flat)
    if not np.all((whole / _STEPS == flat) & (np.abs(flat) < _LARGEST) | ~known):
        return b"\0" + flat.tobytes()
    kept = np.full(flat.shape, _MISSING)
    kept[known] = whole[known].astype(np.int64)
    return b"\1" + kept.tobytes()


def _unpacked(data: bytes, at: int, count: int) -> Floats:
    if data[at] == 0:
        return np.frombuffer(data, dtype=np.float64, offset=at + 1, count=count)
    whole = np.frombuffer(data, dtype=np.int64, offset=at + 1, count=count)
    return np.where(whole == _MISSING, np.nan, whole / _STEPS)


def median_of_known(values: Floats) -> Floats:
    """Median over the first axis of what is known; nan where nothing is."""
    ranked = np.sort(values.reshape(len(values), -1), axis=0)  # nan last
    count = np.isfinite(ranked).sum(axis=0)
    column = np.arange(ranked.shape[1])
    low = ranked[np.maximum(count - 1, 0) // 2, column]
    high = ranked[np.minimum(count // 2, len(ranked) - 1), column]
    return np.where(count > 0, 0.5 * (low + high), np.nan).reshape(values.shape[1:])


def drive(water_mm: ArrayLike) -> Floats:
    """How much a wetting asks of a leak: 1 at 5 mm, less than in proportion, 2.5 at the most."""
    asked: Floats = np.minimum(
        (np.asarray(water_mm) / _RAIN_UNIT_MM) ** _RAIN_POWER, _LARGEST_DRIVE
    )
    return asked
