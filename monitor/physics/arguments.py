"""What every function of this package does to its arguments first: to float64, and in range."""

from collections.abc import Collection

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def floats(values: ArrayLike) -> Floats:
    """Give `values` as contiguous float64, the shape kept.

    One memory layout means one code path inside numpy, so that an element's result does not
    depend on the array it arrived in.
    """
    return np.asarray(values, dtype=np.float64, order="C")


def within(name: str, values: ArrayLike, low: float, high: float = np.inf) -> Floats:
    """Give `values` as float64, or raise where one lies outside `low` to `high`; nan passes.

    Raises
    ------
    ValueError
        With the name, the first offending value and the range in its text.
    """
    array = floats(values)
    outside = (array < low) | (array > high)
    if outside.any():
        value = float(array[outside][0]) if array.ndim else float(array)
        bounds = f"{low:g} or more" if np.isinf(high) else f"{low:g} to {high:g}"
        raise ValueError(f"{name} must be {bounds}, got {value:g}")
    return array


def one_of(name: str, value: str, words: Collection[str]) -> None:
    """Raise where `value` is none of `words`.

    Raises
    ------
    ValueError
        With the words that are known.
    """
    if value not in words:
        raise ValueError(f"{name} must be one of {', '.join(words)}, got {value!r}")
