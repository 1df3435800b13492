"""Readings as compressed columns: whole numbers in, the same whole numbers out.

::

    header (deflated)   a line a column: how it is written, and the lengths of its two parts
    column              which rows have a value (bits, deflated); the values (deflated)

A column is written as it stands or as steps from row to row, whichever comes out shorter, less the
smallest, in as few bytes a row as hold the largest, low bytes first and then the high ones: noise in
the low byte does not hide that the high one hardly ever changes. Arithmetic wraps at 64 bits both
ways, so that every whole number SQLite holds comes back. Deflate is RFC 1951.
"""

import struct
import zlib
from collections.abc import Mapping, Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Column = tuple[Ints, Flags]  # values (0 where there is none), and which rows have one

_LINE = struct.Struct("<BBqqII")  # steps?, bytes a row, first, smallest, length of bits, of values
_COUNT = struct.Struct("<II")  # rows, length of the header
_WIDTHS = (1, 2, 4, 8)
_LEVEL = 9


def pack(columns: Sequence[Column]) -> bytes:
    """Write columns of equal length (shape (rows,)) as one block of bytes."""
    lines, parts = [], []
    for values, known in columns:
        line, bits, data = _packed(values, known)
        lines.append(_LINE.pack(*line, len(bits), len(data)))
        parts += [bits, data]
    header = _deflate(b"".join(lines))
    count = len(columns[0][0])
    return b"".join([_COUNT.pack(count, len(header)), header, *parts])


def unpack(block: bytes, wanted: Sequence[int]) -> list[Column]:
    """Read the columns of these numbers from a block.

    Raises
    ------
    ValueError
        If the bytes are not what `pack` wrote; a flipped one may pass, so verify a digest before.
    """
    try:
        count, length = _COUNT.unpack_from(block)
        start = _COUNT.size + length
        lines = list(_LINE.iter_unpack(_inflate(block[_COUNT.size : start])))
        ends = [start, *(start + end for end in accumulate(line[4] + line[5] for line in lines))]
        return [
            _unpacked(block[ends[number] : ends[number + 1]], lines[number], count)
            for number in wanted
        ]
    except (struct.error, zlib.error, IndexError) as error:
        raise ValueError(f"not a block of columns: {error}") from error


def column_of(values: Sequence[int | None]) -> Column:
    """A column from a list with None where nothing is known."""
    known = np.array([value is not None for value in values], dtype=np.bool_)
    return np.array([value or 0 for value in values], dtype=np.int64), known


def floats_of(column: Column) -> NDArray[np.float64]:
    """A column with nan where nothing is known."""
    values, known = column
    found = values.astype(np.float64)
    if not known.all():
        found[~known] = np.nan
    return found


def rows_of(columns: Mapping[str, Column]) -> list[dict[str, int | None]]:
    """Rows with None where nothing is known."""
    lists = [
        [value if there else None for value, there in zip(v.tolist(), k.tolist(), strict=True)]
        for v, k in columns.values()
    ]
    return [dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)]


def _packed(values: Ints, known: Flags) -> tuple[tuple[int, int, int, int], bytes, bytes]:
    bits = b"" if known.all() else _deflate(np.packbits(known).tobytes())
    there = values[known]
    if not len(there):
        return (0, 0, 0, 0), bits, b""
    ways = []
    for is_steps, rest in ((0, there), (1, np.diff(there))):
        low = int(rest.min()) if len(rest) else 0
        above = (rest - low).view(np.uint64)
        top = int(above.max()) if len(rest) else 0
        width = 0 if not top else next(w for w in _WIDTHS if top < 1 << 8 * w)
        data = _deflate(_planes(above, width)) if width else b""
        ways.append(((is_steps, width, int(there[0]), low), bits, data))
    return min(ways, key=lambda way: len(way[2]))


def _unpacked(part: bytes, line: tuple[int, int, int, int, int, int], count: int) -> Column:
    is_steps, width, first, low, length, _ = line
    known = np.ones(count, dtype=np.bool_)
    if length:
        bits = np.frombuffer(_inflate(part[:length]), dtype=np.uint8)
        known = np.unpackbits(bits, count=count).astype(np.bool_)
    rows = int(np.count_nonzero(known))
    steps = max(rows - is_steps, 0)
    if width:
        planes = np.frombuffer(_inflate(part[length:]), dtype=np.uint8)
        above = np.ascontiguousarray(planes.reshape(width, steps).T)
        rest = above.view(f"<u{width}").reshape(steps).astype(np.uint64).view(np.int64) + low
    else:
        rest = np.full(steps, low, dtype=np.int64)
    if is_steps:
        there = np.empty(rows, dtype=np.int64)
        if rows:
            there[0] = first
            np.cumsum(rest, out=there[1:])
            there[1:] += first
    else:
        there = rest
    if rows == count:
        return there, known
    values = np.zeros(count, dtype=np.int64)
    values[known] = there
    return values, known


def _planes(above: NDArray[np.uint64], width: int) -> bytes:
    """All low bytes, then all second ones ..."""
    return above.astype(f"<u{width}").view(np.uint8).reshape(-1, width).T.tobytes()


def _deflate(data: bytes) -> bytes:
    press = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return press.compress(data) + press.flush()


def _inflate(data: bytes) -> bytes:
    return zlib.decompress(data, -zlib.MAX_WBITS)
