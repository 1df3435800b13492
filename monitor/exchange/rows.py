"""One sample as a row of a file: its columns, and what a row must hold to be one.

::

    site node probe boot seq        which sample (boot and seq blank: it is known by its time)
    time time_basis                 when; told | worked out (from uptime) | pending | clock (a pair of
                                    uptime and time alone)
    received uptime_s silence_s     when it came; uptime where it is known; longest expected silence
    disputed                        several values came for it: each has a row, none is judged
    unit zone                       what it watched; to read, placements are of the lot file
    temperature_c ... signal_dbm    what was measured, as stored; blank: not measured
"""

from collections.abc import Mapping
from functools import lru_cache
from math import isfinite
from typing import Any, Final, NamedTuple, cast

from monitor.errors import InputError
from monitor.store import TIME_BASES, Sample, TimeBasis
from monitor.times import parse_time
from monitor.written import rfc3339
from sensors.wire import AHEAD_S, CODE, LIMITS, MAX_SILENCE_S, Reading

TEXTS: Final = ("site", "node", "probe", "time_basis", "unit", "zone")
TIMES: Final = ("time", "received")
COUNTS: Final = ("boot", "seq", "uptime_s", "silence_s")
HUNDREDTHS: Final = ("temperature_c", "humidity_percent", "wood_percent", "rain_mm")
WHOLE: Final = ("pressure_pa", "co2_ppm", "battery_percent", "signal_dbm")  # stored as such
MEASURED: Final = (*HUNDREDTHS[:3], "contact", HUNDREDTHS[3], *WHOLE)
COLUMNS: Final = (
    *("site", "node", "probe", "boot", "seq", "time", "time_basis", "received"),
    *("uptime_s", "silence_s", "disputed", "unit", "zone"),
    *MEASURED,
)
REQUIRED: Final = ("site", "node", "probe", "boot", "seq", "time", "time_basis", "received")
_NUMBERS: Final = (*COUNTS, *HUNDREDTHS, *WHOLE)
_LAST_S: Final = 253_402_300_799  # RFC 3339 has years of four digits
_DAY_S: Final = 86_400
_YES_NO: Final = {"true": True, "1": True, "1.0": True, "false": False, "0": False, "0.0": False}

Values = Mapping[str, Any]  # column -> number, bool, text, or None


class Line(NamedTuple):
    """A row of a file: the sample it holds, or why it holds none."""

    number: int  # from 1: of the file's lines, in Parquet of its rows
    sample: Sample | None
    reason: str = ""
    written: bytes = b""  # as it stands there, where it is no sample


# --- out ------------------------------------------------------------------------------------------


def texts_of(sample: Sample) -> list[str]:
    """Cells of a sample, in the order of `COLUMNS`."""
    r = sample.reading
    return [
        r.site,
        r.node,
        r.probe,
        "" if r.boot is None else str(r.boot),
        "" if r.seq is None else str(r.seq),
        "" if r.at_s is None else time_text(r.at_s),
        sample.basis,
        time_text(sample.received_s),
        "" if r.uptime_s is None else str(r.uptime_s),
        "" if r.silence_s is None else str(r.silence_s),
        "true" if sample.disputed else "false",
        sample.unit,
        sample.zone,
        "" if r.temperature_c is None else f"{r.temperature_c:.2f}",
        "" if r.humidity_percent is None else f"{r.humidity_percent:.2f}",
        "" if r.wood_percent is None else f"{r.wood_percent:.2f}",
        "" if r.contact is None else str(int(r.contact)),
        "" if r.rain_mm is None else f"{r.rain_mm:.2f}",
        *["" if value is None else f"{value:.0f}" for value in _wholes(r)],
    ]


def values_of(sample: Sample) -> tuple[Any, ...]:
    """Values of a sample, in the order of `COLUMNS`; times in seconds since 1970."""
    r = sample.reading
    return (
        *(r.site, r.node, r.probe, r.boot, r.seq, r.at_s, sample.basis, sample.received_s),
        *(r.uptime_s, r.silence_s, sample.disputed, sample.unit, sample.zone),
        *(r.temperature_c, r.humidity_percent, r.wood_percent, r.contact, r.rain_mm),
        *_wholes(r),
    )


def _wholes(r: Reading) -> tuple[float | None, ...]:
    return r.pressure_pa, r.co2_ppm, r.battery_percent, r.signal_dbm


@lru_cache(maxsize=64)
def _date(day: int) -> str:
    return rfc3339(day * _DAY_S)[:11]


def time_text(at_s: int) -> str:
    """Write a time as RFC 3339; the date is put into words once a day."""
    day, second = divmod(at_s, _DAY_S)
    return f"{_date(day)}{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z"


# --- in -------------------------------------------------------------------------------------------


def values_in(cells: Mapping[str, str]) -> dict[str, Any]:
    """Values of cells of text; ValueError says which cell is none."""
    values: dict[str, Any] = {name: cells.get(name, "") for name in TEXTS}
    for name in TIMES:
        values[name] = time_in(name, cells.get(name, ""))
    for name in _NUMBERS:
        values[name] = _number(name, cells.get(name, ""))
    for name in ("contact", "disputed"):
        values[name] = _flag(name, cells.get(name, ""))
    return values


def time_in(name: str, text: str) -> int | None:
    """Seconds since 1970 of a time; the form that is written here is read without detours."""
    if not text:
        return None
    try:
        if len(text) == 20 and text[10] == "T" and text[19] == "Z":
            hour, minute, second = int(text[11:13]), int(text[14:16]), int(text[17:19])
            if text[13] == text[16] == ":" and hour < 24 and minute < 60 and second < 60:
                return _midnight(text[:10]) + 3600 * hour + 60 * minute + second
        return parse_time(text)
    except (ValueError, InputError) as error:
        raise ValueError(f"{name} {text!r} is no RFC 3339 time") from error


@lru_cache(maxsize=64)
def _midnight(date: str) -> int:
    return parse_time(f"{date}T00:00:00Z")


def _number(name: str, text: str) -> int | float | None:
    if not text:
        return None
    try:
        if name in COUNTS and "." not in text:
            return int(text)
        return float(text)
    except ValueError:
        raise ValueError(f"{name} {text!r} is no number") from None


def _flag(name: str, text: str) -> bool | None:
    if not text:
        return None
    found = _YES_NO.get(text.lower())
    if found is None:
        raise ValueError(f"{name} {text!r} is neither true nor false")
    return found


def sample_of(values: Values, *, now_s: int) -> Sample:
    """Sample of a row.

    Raises
    ------
    ValueError
        If it is none that a record could hold; says why.
    """
    basis = values.get("time_basis") or "told"
    if basis not in TIME_BASES:
        raise ValueError(f"time_basis {basis!r} is none of {', '.join(TIME_BASES)}")
    given: dict[str, Any] = {name: _counted(name, values.get(name)) for name in COUNTS}
    given |= {name: _measured(name, values.get(name)) for name in (*HUNDREDTHS, *WHOLE)}
    given |= {name: _code(name, values.get(name), basis) for name in ("site", "node", "probe")}
    at_s, received_s = _times(values, now_s)
    contact = values.get("contact")
    reading = Reading(
        at_s=at_s,
        contact=None if contact is None else bool(contact),
        **given,
    )
    fault = _clock_fault(reading) if basis == "clock" else _fault(reading, basis)
    if fault:
        raise ValueError(fault)
    unit, zone = values.get("unit") or "", values.get("zone") or ""
    is_disputed = bool(values.get("disputed"))
    return Sample(reading, received_s, cast("TimeBasis", basis), is_disputed, unit, zone)


def _code(name: str, text: object, basis: str) -> str:
    if name == "probe" and basis == "clock" and not text:
        return ""
    if not isinstance(text, str) or not CODE.fullmatch(text):
        raise ValueError(f"{name} {str(text or '')[:80]!r} is no code of a-z 0-9 - _")
    return text


def _times(values: Values, now_s: int) -> tuple[int | None, int]:
    at_s, received_s = values.get("time"), values.get("received")
    if received_s is None:
        raise ValueError("received is missing")
    for name, found_s in (("time", at_s), ("received", received_s)):
        if found_s is None:
            continue
        if not 0 <= found_s <= min(now_s + AHEAD_S, _LAST_S):
            raise ValueError(f"{name} is before 1970 or still to come")
        if found_s != int(found_s):
            raise ValueError(f"{name} is no whole second")
    return None if at_s is None else int(at_s), int(received_s)


def _counted(name: str, value: float | None) -> int | None:
    if value is None:
        return None
    low, high = LIMITS.get(name, (1, MAX_SILENCE_S))
    if not low <= value <= high or value != int(value):
        raise ValueError(f"{name} of {value:.15g} is no whole number of {low:.15g} to {high:.15g}")
    return int(value)


def _measured(name: str, value: float | None) -> float | None:
    if value is None:
        return None
    low, high = LIMITS[name]
    if not isfinite(value) or not low <= value <= high:
        raise ValueError(f"{name} of {value:.9g} is outside {low:g} to {high:g}")
    return value


def _fault(reading: Reading, basis: str) -> str:
    if (reading.boot is None) != (reading.seq is None):
        return "boot without seq, or seq without boot"
    if basis == "told" and reading.at_s is None:
        return "time is missing"
    if basis == "pending" and reading.at_s is not None:
        return "its time is pending, and there is one"
    if basis != "told" and reading.boot is None:
        return "boot and seq are missing: its time is not told"
    if all(getattr(reading, name) is None for name in MEASURED):
        return "nothing was measured"
    return ""


def _clock_fault(reading: Reading) -> str:
    if reading.at_s is None or reading.uptime_s is None or reading.boot is None:
        return "a clock needs boot, uptime_s and time"
    return ""
