"""What the folds of this package share."""

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

    def to_bytes(self) -> bytes:
        """Lossless form: one figure after the other."""
        return np.concatenate([getattr(self, f.name).ravel() for f in fields(self)]).tobytes()

    @classmethod
    def from_bytes(cls, data: bytes, *, zones: int) -> Self:
        """Inverse of `to_bytes`."""
        flat, memory, at = np.frombuffer(data, dtype=np.float64), cls.empty(zones), 0
        for field in fields(memory):
            kept = getattr(memory, field.name)
            kept[...] = flat[at : at + kept.size].reshape(kept.shape)
            at += kept.size
        return memory


def median_of_known(values: Floats) -> Floats:
    """Median over the first axis of what is known; nan where nothing is."""
    ranked = np.sort(values, axis=0)  # nan last
    count = np.isfinite(ranked).sum(axis=0)
    low = np.take_along_axis(ranked, (np.maximum(count - 1, 0) // 2)[None], axis=0)[0]
    high = np.take_along_axis(ranked, np.minimum(count // 2, len(ranked) - 1)[None], axis=0)[0]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


def drive(water_mm: ArrayLike) -> Floats:
    """How much a wetting asks of a leak: 1 at 5 mm, less than in proportion, 2.5 at the most."""
    asked: Floats = np.minimum(
        (np.asarray(water_mm) / _RAIN_UNIT_MM) ** _RAIN_POWER, _LARGEST_DRIVE
    )
    return asked
