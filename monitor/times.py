"""Times as people and files write them -> whole seconds since 1970.

RFC 3339 with its common relaxations; times without an offset are read in a time zone or refused,
never guessed.
"""

import datetime as dt
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError

if TYPE_CHECKING:
    import pandas as pd  # 35 MB, and only columns need it: imported where one is read

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Stamps = NDArray[np.datetime64]

_TIME: Final = re.compile(  # RFC 3339, and its common relaxations: no seconds, no colon, comma
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d)(?::(\d\d)(?:[.,](\d+))?)? ?([Zz]|[+-]\d\d:?\d\d)?"
)
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)")


class NaiveTimeError(InputError):
    """A time without an offset from UTC, and no time zone given; `row` counts from 0."""

    def __init__(self, row: int, text: str) -> None:
        super().__init__(
            f"time {text!r} has no offset from UTC: give --timezone (such as Europe/Brussels or "
            "+01:00), or --start where the time column counts hours"
        )
        self.row = row


def parse_time(text: str, *, timezone: str | None = None) -> int:
    """Seconds since 1970 of one RFC 3339 time; a time without offset needs `timezone`.

    Raises
    ------
    InputError
        If it is no time, or one that the clocks of the time zone never or twice showed.
    """
    import pandas as pd

    at_s, faults = read_times(pd.Series([text], dtype=object), timezone=timezone)
    if faults:
        raise InputError(f"time {faults[0]}")
    return int(at_s[0])


def read_times(column: "pd.Series[str]", *, timezone: str | None) -> tuple[Ints, dict[int, str]]:
    """Seconds since 1970 of a column of times: text, or timestamps from Parquet.

    Returns
    -------
    tuple[Ints, dict[int, str]]
        One time a row, fractions of a second cut off, and the faults by row (from 0); the time
        of a faulty row means nothing.

    Raises
    ------
    NaiveTimeError
        If a time has no offset and `timezone` is None.
    InputError
        If `timezone` is no time zone.
    """
    import pandas as pd

    if isinstance(column.dtype, pd.DatetimeTZDtype) and not column.hasnans:
        return column.to_numpy(dtype="datetime64[s]").astype(np.int64), {}
    codes, written, stamps, naive = _distinct(column)
    faults = {
        index: f"{str(written[index])!r} is no RFC 3339 time (2030-01-01T00:00:00Z)"
        for index in np.flatnonzero(np.isnat(stamps)).tolist()
    }
    if naive.any() and timezone is None:
        first = int(np.flatnonzero(np.isin(codes, np.flatnonzero(naive)))[0])
        raise NaiveTimeError(first, str(written[codes[first]]))
    if timezone is not None:
        for index, reason in _localize(stamps, naive, time_zone(timezone)).items():
            faults[index] = f"{str(written[index])!r} {reason}"
    at_s = np.append(stamps.astype("datetime64[s]").astype(np.int64), 0)[codes]
    by_row = {int(row): "is missing" for row in np.flatnonzero(codes < 0)}
    if faults:
        by_row |= {
            int(row): faults[int(codes[row])]
            for row in np.flatnonzero(np.isin(codes, list(faults)))
        }
    return at_s, by_row


def time_zone(text: str) -> dt.tzinfo:
    """Find the time zone of an IANA name or a fixed offset.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    offset = _OFFSET.fullmatch(text)
    try:
        if offset is None:
            return ZoneInfo(text)
        ahead = dt.timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        return dt.timezone(-ahead if offset[1] == "-" else ahead)
    except (KeyError, ValueError, OSError):  # KeyError: ZoneInfoNotFoundError; OSError: a folder
        raise InputError(
            f"time zone {text!r} is unknown; give an IANA name such as Europe/Brussels, "
            "or an offset such as +01:00"
        ) from None


def _distinct(column: "pd.Series[str]") -> tuple[Ints, Sequence[str] | Stamps, Stamps, Flags]:
    """Which of the distinct times each row has (-1: none), these as written, in UTC, and naive."""
    import pandas as pd

    aware = isinstance(column.dtype, pd.DatetimeTZDtype)
    if aware or pd.api.types.is_datetime64_dtype(column.dtype):
        stamps = column.to_numpy(dtype="datetime64[us]", copy=True)  # in UTC, or the wall clock
        known = ~np.isnat(stamps)
        codes = np.cumsum(known) - 1
        stamps = stamps[known]
        naive = np.full(len(stamps), not aware)
        return np.where(known, codes, -1), stamps.astype("datetime64[s]"), stamps, naive
    places, texts = pd.factorize(column.to_numpy(dtype=object))
    written = [str(text).strip() for text in texts]
    return places.astype(np.int64), written, *_parse(written)


def _parse(texts: list[str]) -> tuple[Stamps, Flags]:
    """UTC times (NaT: no time), and which of them had no offset, still read as if UTC."""
    stamps = _to_utc(texts)
    forms = np.array([_form(text) for text in texts], dtype=np.int8)
    odd = np.flatnonzero((forms < 0) | np.isnat(stamps))
    if len(odd):
        tidied = [_tidy(texts[index]) for index in odd]
        stamps[odd] = _to_utc([text for text, _ in tidied])
        forms[odd] = [form for _, form in tidied]
    return stamps, (forms == 0) & ~np.isnat(stamps)


def _to_utc(texts: list[str]) -> Stamps:
    import pandas as pd

    parsed = pd.to_datetime(
        pd.Series(texts, dtype=object), format="ISO8601", utc=True, errors="coerce"
    )
    return parsed.dt.tz_localize(None).to_numpy(dtype="datetime64[us]", copy=True)


def _form(text: str) -> int:
    """1: with an offset, 0: without, -1: look closer. No pattern here: there may be a million."""
    if len(text) < 16 or text[4] != "-" or text[13] != ":":
        return -1
    return int(text[-1] == "Z" or "+" in text[16:] or "-" in text[16:])


def _tidy(text: str) -> tuple[str, int]:
    """Write a relaxed time in the strict form, and tell its `_form`; blank where it is no time.

    A leap second (RFC 3339, 5.7) counts as the second before it.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        return "", -1
    date, minute, second, fraction, offset = match.groups()
    second = "59" if second == "60" else second or "00"
    strict = f"{date}T{minute}:{second}.{fraction or '0'}{(offset or '').upper()}"
    return strict, int(offset is not None)


def _localize(stamps: Stamps, naive: Flags, zone: dt.tzinfo) -> dict[int, str]:
    """Read the wall clock of naive times in a zone, in place; those never or twice shown fail."""
    places = np.flatnonzero(naive)
    import pandas as pd

    wall = pd.DatetimeIndex(stamps[places])
    placed = wall.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    stamps[places] = placed.tz_convert("UTC").tz_localize(None).to_numpy()
    lost = np.flatnonzero(placed.isna())
    shifted = wall[lost].tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    reasons = {
        True: f"does not exist in {zone}: the clocks were put forward",
        False: f"is ambiguous in {zone}: the clocks were put back",
    }
    return {
        int(places[index]): reasons[bool(there)]
        for index, there in zip(lost, shifted.notna(), strict=True)
    }


# --- months of UTC --------------------------------------------------------------------------------


def month_of(at_s: int) -> str:
    """The month of UTC that a time lies in: "2026-11"."""
    return f"{dt.datetime.fromtimestamp(at_s, dt.UTC):%Y-%m}"


def month_span_s(month: str) -> tuple[int, int]:
    """When a month of UTC begins and the next one does.

    Raises
    ------
    InputError
        If it is none of the years 1970 to 2999.
    """
    found = re.fullmatch(r"(19[7-9]\d|2\d{3})-(0[1-9]|1[0-2])", month)
    if found is None:
        raise InputError(f'"{month}" is no month; write year and month, such as 2026-11')
    year, number = int(found[1]), int(found[2])
    begins = dt.datetime(year, number, 1, tzinfo=dt.UTC)
    ends = dt.datetime(year + number // 12, number % 12 + 1, 1, tzinfo=dt.UTC)
    return int(begins.timestamp()), int(ends.timestamp())
