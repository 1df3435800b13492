"""Samples as comma-separated values (RFC 4180), one line each, UTF-8 with a header."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from monitor.exchange.rows import COLUMNS, Line, sample_of, texts_of, values_in
from monitor.store import Sample
from monitor.written import cells, line

LONGEST_LINE = 1 << 20  # bytes; a line of ours has some two hundred
_SLOW = frozenset(",\"\r\n'=+@\t")


def write(file: BinaryIO, samples: Iterable[Sample]) -> int:
    """Write samples; how many they were."""
    file.write(line(COLUMNS).encode())
    count = 0
    for sample in samples:
        file.write(_line(texts_of(sample)).encode())
        count += 1
    return count


def _line(texts: list[str]) -> str:
    """Write cells; only the codes of unit and zone can need quoting."""
    if _SLOW.isdisjoint(texts[11] + texts[12]) and "-" not in {texts[11][:1], texts[12][:1]}:
        return ",".join(texts) + "\r\n"
    return line(texts)


def header(first: bytes) -> list[str]:
    """Column names of a first line; none if it is no text."""
    try:
        return [name.strip() for name in cells(first.decode("utf-8-sig"))]
    except ValueError:
        return []


def read(path: Path, *, now_s: int) -> Iterator[Line]:
    """Lines of a file, each by itself: what is wrong with one bears on no other."""
    with path.open("rb") as file:
        names = header(file.readline(LONGEST_LINE))
        for number, written in lines_of(file, first=2):
            if not written.strip():
                continue
            try:
                found = cells(written.decode())
                if len(found) != len(names):
                    raise ValueError(f"it has {len(found)} cells, and not {len(names)}")  # noqa: TRY301
                values = values_in(dict(zip(names, found, strict=True)))
                yield Line(number, sample_of(values, now_s=now_s))
            except UnicodeDecodeError:
                yield Line(number, None, "is not UTF-8 text", written)
            except ValueError as error:
                yield Line(number, None, str(error), written)


def lines_of(file: BinaryIO, *, first: int) -> Iterator[tuple[int, bytes]]:
    """Numbered lines; of one that is longer than any of ours only the beginning."""
    number = first
    while written := file.readline(LONGEST_LINE):
        yield number, written
        while not written.endswith(b"\n") and len(written) == LONGEST_LINE:
            written = file.readline(LONGEST_LINE)
        number += 1
