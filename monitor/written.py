"""How files are written that other programs read: times, figures, cells; one home for all of them.

Times are RFC 3339 in UTC, lines are those of RFC 4180. A cell that a spreadsheet would take for a
formula gets an apostrophe before it, as does one that begins with an apostrophe: so `cells` takes
away exactly what `line` put there.
"""

import csv
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final

READINGS: Final = (  # measured columns of a readings file that is judged, and their decimals
    ("temperature_c", 2),
    ("humidity_percent", 2),
    ("wood_percent", 2),
    ("contact", 0),
    ("rain_mm", 2),
)
END: Final = "\r\n"
_FORMULA: Final = "=+@\t\r'"
_NUMBER: Final = re.compile(r"-[0-9.]+(e-?[0-9]+)?")
_QUOTED: Final = re.compile(r'[",\r\n]')


def rfc3339(at_s: int) -> str:
    """Write a time as files have it: 2026-11-26T14:00:00Z."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def figure(value: float, digits: int) -> str:
    """Write a measured value with its decimals; blank where it was not measured."""
    return "" if value != value else f"{value:.{digits}f}"  # noqa: PLR0124  not a number


def line(texts: Iterable[str]) -> str:
    """Write one line of a file of comma-separated values, with its end."""
    return ",".join(map(cell, texts)) + END


def cell(said: str) -> str:
    """Text that no spreadsheet takes for a formula, and no reader for two cells."""
    if said[:1] and (said[0] in _FORMULA or (said[0] == "-" and not _NUMBER.fullmatch(said))):
        said = f"'{said}"
    return f'"{said.replace(chr(34), chr(34) * 2)}"' if _QUOTED.search(said) else said


def cells(written: str) -> list[str]:
    """Texts of one line, as they were before `line` wrote them.

    Raises
    ------
    ValueError
        If a quotation mark is opened and never closed, or stands where none may.
    """
    written = written.rstrip("\r\n")
    if '"' not in written:
        found = written.split(",")
    else:
        try:
            found = next(csv.reader([written], strict=True), [""])
        except csv.Error as error:
            raise ValueError(f"its quotation marks do not pair ({error})") from error
    return [uncovered(text) for text in found] if "'" in written else found


def uncovered(said: str) -> str:
    """Text of a cell as it was before `cell` kept it from being a formula."""
    return said[1:] if said[:1] == "'" else said
