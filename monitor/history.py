"""History files of readings, foreign or our own: CSV or Parquet -> one series a zone.

::

    file -> columns under our names -> times in UTC -> numbers in range -> one series a zone
                  (--map)        (--timezone, --start)  (--fahrenheit)

A row that cannot be used becomes a `Rejected` with its line and a sentence; a file that cannot be
used is an `InputError` that says what to do. Nothing is dropped without being counted.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.lot import DEFAULT_SILENCE_S, ZoneReadings
from monitor.tables import EXTRA, MISSING, load, read_head
from monitor.times import NaiveTimeError, read_times

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Codes = NDArray[np.int32]  # half the room, for tens of millions of rows
Flags = NDArray[np.bool_]
ZoneKey = tuple[str, str]  # unit, zone

# What a working probe can report, the same limits as on the wire; a row beyond them is rejected.
LIMITS: Final[dict[str, tuple[float, float]]] = {
    "temperature_c": (-60.0, 120.0),
    "humidity_percent": (0.0, 105.0),  # a little above 100 in condensing air is a true reading
    "wood_percent": (0.0, 200.0),
    "contact": (0.0, 1.0),
    "rain_mm": (0.0, 2000.0),
}
MEASURED: Final = tuple(LIMITS)
READINGS_COLUMNS: Final = ("time", "unit", "zone", *MEASURED, "co2_ppm")

_FRACTION_UP_TO: Final = LIMITS["humidity_percent"][1] / 100.0  # a whole series: not per cent
# Half of all Celsius readings, night and day, do not lie above these (temperature, humidity); a
# dew point of 23 or 28 °C as the middle of a series is beyond what a parked vehicle sees, while
# Fahrenheit gets there from 3 °C (common practice, no source).
_FAHRENHEIT_FROM: Final = ((45.0, 30.0), (38.0, 60.0))
_FAR_S: Final = 10 * 366 * 86400  # from the middle of the file: a clock that was never set
_COVER: Final = 1.5  # a reading stands for at most so many median spacings

_DECIMAL_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_YES_NO: Final = {"true": 1.0, "yes": 1.0, "false": 0.0, "no": 0.0}


@dataclass(frozen=True, slots=True)
class Rejected:
    """One row that cannot be used: its line in the file (Parquet: its row, from 1), and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class ReadingsFile:
    """What a readings file holds: series by (unit, zone), rows left out, and what to tell."""

    zones: dict[ZoneKey, ZoneReadings]
    rejects: tuple[Rejected, ...]
    notes: tuple[str, ...]


def read_readings(
    path: Path,
    *,
    columns: Mapping[str, str],
    timezone: str | None = None,
    start_s: int | None = None,
    unit: str | None = None,
    zone: str | None = None,
    fahrenheit: bool = False,
) -> ReadingsFile:
    """Read a file of readings into one series a zone.

    Parameters
    ----------
    path : Path
        Ends in .csv or .parquet. Columns as in `READINGS_COLUMNS`; blank: not measured.
    columns : Mapping[str, str]
        Our name -> the file's name, for columns that are called otherwise.
    timezone : str or None
        Of times without an offset: an IANA name or a fixed offset such as ``+01:00``.
    start_s : int or None
        Where the time column counts hours: the time of hour 0, seconds since 1970.
    unit, zone : str or None
        Names for all rows of a file without that column; the unit is else called ``unit``.
    fahrenheit : bool
        The column temperature_c holds degrees Fahrenheit.

    Returns
    -------
    ReadingsFile
        Each series sorted by time. Equal rows count once; where different rows claim one zone
        and time, none is used. `silence_s` is the zone's median spacing, at least 900 s;
        `cover_s` is 1.5 median spacings.

    Raises
    ------
    InputError
        If the file cannot be read, lacks a column, holds times without an offset, humidity as a
        fraction, Fahrenheit without the option, or no usable reading at all.
    """
    head = read_head(path)
    placed, notes = _place_columns(path, head.names, columns, unit=unit, zone=zone)
    frame = load(path, head, placed, numbers=MEASURED, names=("unit", "zone"))
    rejects: dict[int, str] = _overlong(path, frame, head.first_line)
    measures = [name for name in MEASURED if name in frame]
    values = {name: _numbers(path, frame.pop(name), rejects) for name in measures}
    if fahrenheit and "temperature_c" in values:
        values["temperature_c"] = (values["temperature_c"] - 32.0) / 1.8
    _reject_impossible(values, rejects)

    full = np.any([np.isfinite(column) for column in values.values()], axis=0)
    full[list(rejects)] = True  # a row without a value needs no time; a wrong one is told
    if not full.all():
        notes.append(f"rows without a value, left out: {int((~full).sum())}")
        frame = frame[full]
    places = np.flatnonzero(full)
    named, zone_of = _zone_names(
        frame, rejects, unit="unit" if unit is None else unit, zone=zone or ""
    )
    at_s = _times(path, frame.pop("time"), head.first_line, rejects, timezone, start_s)
    usable = _without(full, rejects)[full]
    _reject_far(places, at_s, usable, rejects)

    rejected = tuple(Rejected(row + head.first_line, rejects[row]) for row in sorted(rejects))
    if not usable.any():
        why = f"; line {rejected[0].line}: {rejected[0].reason}" if rejected else ""
        raise InputError(f"{path}: holds no usable reading{why}")
    chosen = _without(full, rejects)
    rows = _Rows(
        zone=zone_of[usable],
        at_s=at_s[usable],
        measured={name: values.pop(name)[chosen] for name in measures},
    )
    del frame, zone_of, at_s, places
    _refuse_wrong_units(path, rows, named, fahrenheit=fahrenheit)
    return ReadingsFile(_series_by_zone(rows, named, notes), rejected, tuple(notes))


# ---- columns ------------------------------------------------------------------------------


def _check_renamed(path: Path, names: Sequence[str], renamed: Mapping[str, str]) -> None:
    for ours, theirs in renamed.items():
        if ours not in READINGS_COLUMNS:
            raise InputError(
                f"--map {ours}={theirs}: {ours!r} is none of our columns "
                f"({', '.join(READINGS_COLUMNS)}); write --map OURS=THEIRS"
            )
        if theirs not in names:
            raise InputError(
                f"--map {ours}={theirs}: {path} has no column {theirs!r}; it has {', '.join(names)}"
            )


def _place_columns(
    path: Path,
    names: Sequence[str],
    renamed: Mapping[str, str],
    *,
    unit: str | None,
    zone: str | None,
) -> tuple[dict[str, str], list[str]]:
    """Our name -> the file's name, for the columns to read; and notes on the others."""
    _check_renamed(path, names, renamed)
    placed = {ours: renamed.get(ours, ours) for ours in READINGS_COLUMNS}
    placed = {ours: theirs for ours, theirs in placed.items() if theirs in names}
    strangers = [name for name in names if name and name not in placed.values()]
    found = f"it has {', '.join(names)}"
    if "time" not in placed:
        raise InputError(f"{path}: has no column time; {found}: name it with --map time=COLUMN")
    notes = _missing_measures(path, placed, strangers)
    if "zone" not in placed and zone is None:
        raise InputError(
            f"{path}: has no column zone; {found}: name it with --map zone=COLUMN, "
            "or give --zone NAME where all rows are of one zone"
        )
    for name, given in (("unit", unit), ("zone", zone)):
        if name in placed and given is not None:
            raise InputError(
                f"{path}: has a column {name}, so --{name} {given} cannot hold for all its rows; "
                f"leave out --{name}"
            )
    if "unit" not in placed and unit is None:
        notes.append("no column unit: all zones are taken as one unit called 'unit' (--unit NAME)")
    if strangers:
        notes.append(f"columns not used: {', '.join(strangers)}")
    placed.pop("co2_ppm", None)  # a column of ours that no rule uses
    return placed, notes


def _missing_measures(path: Path, placed: Mapping[str, str], strangers: list[str]) -> list[str]:
    """Refuse where a column we could not place may be the missing one; else a note."""
    absent = [name for name in ("temperature_c", "humidity_percent") if name not in placed]
    if absent and (strangers or not set(MEASURED) & set(placed)):
        raise InputError(
            f"{path}: has no column {' and no column '.join(absent)}; "
            f"it has {', '.join([*placed.values(), *strangers])}: "
            f"name it with --map {absent[0]}=COLUMN, or add an empty column if it was not measured"
        )
    return [f"no column {name}: not measured" for name in absent]


def _overlong(path: Path, frame: pd.DataFrame, first_line: int) -> dict[int, str]:
    if EXTRA not in frame:
        return {}
    rows = np.flatnonzero(frame[EXTRA].notna().to_numpy())
    if 2 * len(rows) > len(frame):
        raise InputError(
            f"{path}: line {rows[0] + first_line} has more values than there are column names; "
            "with commas between columns, numbers must be written with a point (12.5, not 12,5)"
        )
    return dict.fromkeys(rows.tolist(), "has more values than there are column names")


# ---- times --------------------------------------------------------------------------------


def _times(
    path: Path,
    column: "pd.Series[str]",
    first_line: int,
    rejects: dict[int, str],
    timezone: str | None,
    start_s: int | None,
) -> Ints:
    """Seconds since 1970 of the rows; a fault joins the rejects under the row's label."""
    if start_s is not None:
        at_s, faults = _hours_since(column, start_s)
    else:
        try:
            at_s, faults = read_times(column, timezone=timezone)
        except NaiveTimeError as error:
            line = int(column.index[error.row]) + first_line
            raise InputError(f"{path}: line {line}: {error}") from error
    if len(faults) == len(column) > 0:
        _refuse_times(path, column, first_line, counted=start_s is not None)
    for place, reason in faults.items():
        rejects.setdefault(int(column.index[place]), f"time {reason}")
    return at_s


def _hours_since(column: "pd.Series[str]", start_s: int) -> tuple[Ints, dict[int, str]]:
    hours = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    wrong = ~(np.abs(hours) < 1e8)  # eleven thousand years; nan and inf too
    faults = {row: f"{column.iloc[row]!r} is no number of hours" for row in _rows_where(wrong)}
    return start_s + np.rint(np.where(wrong, 0.0, hours) * 3600.0).astype(np.int64), faults


def _refuse_times(path: Path, column: "pd.Series[str]", first_line: int, *, counted: bool) -> None:
    """Say what to do where no row at all has a time of the kind asked for."""
    where = f"{path}: line {int(column.index[0]) + first_line}: time {column.iloc[0]!r}"
    if counted:
        raise InputError(
            f"{where} is no number, and --start is for a time column that counts hours; "
            "leave out --start"
        )
    if np.isfinite(pd.to_numeric(column.iloc[:1], errors="coerce").to_numpy(dtype=float)).all():
        raise InputError(
            f"{where} is a number: give --start 2030-01-01T00:00Z where the time column counts "
            "hours, or write times as 2030-01-01T00:00:00Z"
        )


def _reject_far(places: Ints, at_s: Ints, usable: Flags, rejects: dict[int, str]) -> None:
    """Reject times far from the middle of the file: they would stretch it by empty years."""
    if not usable.any():
        return
    middle_s = int(np.median(at_s[usable]))
    for index in _rows_where(usable & (np.abs(at_s - middle_s) > _FAR_S)):
        usable[index] = False
        rejects[int(places[index])] = (
            f"time {np.datetime64(int(at_s[index]), 's')}Z is more than ten years from the other "
            "readings: was the clock set?"
        )


def _without(rows: Flags, rejects: Mapping[int, str]) -> Flags:
    left = rows.copy()
    left[list(rejects)] = False
    return left


# ---- numbers ------------------------------------------------------------------------------


def _rows_where(flags: Flags) -> list[int]:
    found: list[int] = np.flatnonzero(flags).tolist()
    return found


def _numbers(path: Path, column: "pd.Series[float]", rejects: dict[int, str]) -> Floats:
    """Read a measured column as numbers, nan where blank; what is no number joins the rejects."""
    number = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    texts = {
        row: str(column.iloc[row]).strip()
        for row in _rows_where(np.isnan(number) & column.notna().to_numpy())
    }
    commas = [text for text in texts.values() if _DECIMAL_COMMA.fullmatch(text)]
    if 2 * len(commas) > int(column.notna().sum()):
        raise InputError(
            f"{path}: the column {column.name} has numbers with a decimal comma ({commas[0]!r}); "
            "save it with points in numbers"
        )
    if texts:
        number = number.copy()
    for row, text in texts.items():
        if column.name == "contact" and text.lower() in _YES_NO:
            number[row] = _YES_NO[text.lower()]
        elif text not in MISSING:
            rejects.setdefault(row, f"{column.name} {text!r} is no number")
    return number


def _reject_impossible(values: Mapping[str, Floats], rejects: dict[int, str]) -> None:
    for name, column in values.items():
        low, high = LIMITS[name]
        wrong = (column < low) | (column > high)
        between = f"outside {low:g} to {high:g}"
        if name == "contact":
            wrong |= np.isfinite(column) & (column != 0.0) & (column != 1.0)
            between = "neither 0 nor 1"
        for row in _rows_where(wrong):
            rejects.setdefault(row, f"{name} {column[row]:.6g} is {between}")


# ---- series -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Usable rows in the order of the file; `zone` is a place in the list of names."""

    zone: Codes
    at_s: Ints
    measured: Mapping[str, Floats]

    def take(self, places: NDArray[np.intp] | Flags | slice) -> "_Rows":
        return _Rows(
            zone=self.zone[places],
            at_s=self.at_s[places],
            measured={name: column[places] for name, column in self.measured.items()},
        )


def _zone_names(
    frame: pd.DataFrame, rejects: dict[int, str], *, unit: str, zone: str
) -> tuple[list[ZoneKey], Codes]:
    """List the zones of a file, and each row's place in the list; a blank zone is rejected."""
    unit_of, units = _names(frame, "unit", unit)
    zone_of, zones = _names(frame, "zone", zone)
    if "" in zones:
        for row in _rows_where(zone_of == zones.index("")):
            rejects.setdefault(int(frame.index[row]), "zone is missing")
    return [(unit, zone) for unit in units for zone in zones], unit_of * np.int32(
        len(zones)
    ) + zone_of


def _names(frame: pd.DataFrame, name: str, given: str) -> tuple[Codes, list[str]]:
    """Place of each row's name in the list of them; a blank is the empty name."""
    if name not in frame:
        return np.zeros(len(frame), dtype=np.int32), [given]
    kept = frame[name].astype("category").cat
    written = [*(str(text).strip() for text in kept.categories), ""]
    names = sorted(set(written))
    place_of = np.array([names.index(text) for text in written], dtype=np.int32)
    return np.asarray(place_of[kept.codes.to_numpy()]), names  # code -1, a blank, is the last


def _refuse_wrong_units(
    path: Path, rows: _Rows, named: Sequence[ZoneKey], *, fahrenheit: bool
) -> None:
    """Refuse humidity as a fraction and Fahrenheit: they would be judged bone dry or hot."""
    humidity = rows.measured.get("humidity_percent", np.full(len(rows.at_s), np.nan))
    temperature = rows.measured.get("temperature_c", np.full(len(rows.at_s), np.nan))
    highest = np.full(len(named), -np.inf)
    np.fmax.at(highest, rows.zone, humidity)
    for zone in _rows_where((highest > 0.0) & (highest <= _FRACTION_UP_TO)):
        raise InputError(
            f"{path}: humidity_percent of {'/'.join(named[zone])} never exceeds "
            f"{highest[zone]:.3g}: it looks like a fraction; multiply by 100"
        )
    both = np.isfinite(humidity) & np.isfinite(temperature)
    if fahrenheit or not both.any():
        return
    middle = float(np.median(temperature[both])), float(np.median(humidity[both]))
    if any(middle[0] >= least[0] and middle[1] >= least[1] for least in _FAHRENHEIT_FROM):
        raise InputError(
            f"{path}: half of temperature_c is above {middle[0]:.0f} at {middle[1]:.0f} % "
            "humidity: it looks like Fahrenheit; give --fahrenheit"
        )


def _series_by_zone(
    rows: _Rows, named: Sequence[ZoneKey], notes: list[str]
) -> dict[ZoneKey, ZoneReadings]:
    """Sort, count equal rows once, leave out disputed times, and cut into zones."""
    if not _in_order(rows):
        rows = rows.take(np.lexsort((rows.at_s, rows.zone)))
    again = np.zeros(len(rows.at_s), dtype=bool)
    again[1:] = (rows.zone[1:] == rows.zone[:-1]) & (rows.at_s[1:] == rows.at_s[:-1])
    if again.any():
        rows = _settled(rows, again, named, notes)
    edges = np.searchsorted(rows.zone, np.arange(len(named) + 1)).tolist()
    return {
        key: _zone_readings(rows.take(slice(start, stop)))
        for key, start, stop in zip(named, edges[:-1], edges[1:], strict=True)
        if stop > start
    }


def _in_order(rows: _Rows) -> bool:
    """Whether zone after zone comes in order of time."""
    rises = rows.zone[1:] > rows.zone[:-1]
    same = rows.zone[1:] == rows.zone[:-1]
    return bool((rises | (same & (rows.at_s[1:] >= rows.at_s[:-1]))).all())


def _settled(rows: _Rows, again: Flags, named: Sequence[ZoneKey], notes: list[str]) -> _Rows:
    """The rows without those that come again, and without those that contradict one another."""
    other = np.zeros_like(again)
    for column in rows.measured.values():
        other[1:] |= (column[1:] != column[:-1]) & ~(np.isnan(column[1:]) & np.isnan(column[:-1]))
    moment = np.cumsum(~again)
    disputed = np.isin(moment, moment[again & other])
    if disputed.any():
        first = int(np.flatnonzero(disputed)[0])
        notes.append(
            f"rows that give different values for one zone and time, none used: "
            f"{int(disputed.sum())}; the first are {'/'.join(named[rows.zone[first]])} at "
            f"{np.datetime64(int(rows.at_s[first]), 's')}Z"
        )
    if (again & ~disputed).any():
        notes.append(f"repeated rows, counted once: {int((again & ~disputed).sum())}")
    return rows.take(~again & ~disputed)


def _zone_readings(rows: _Rows) -> ZoneReadings:
    count = len(rows.at_s)
    spacing_s = float(np.median(np.diff(rows.at_s))) if count > 1 else float(DEFAULT_SILENCE_S)
    nothing = np.broadcast_to(np.nan, (count,))
    measured = {
        name: column if np.isfinite(column := rows.measured.get(name, nothing)).any() else nothing
        for name in MEASURED
    }
    silence_s = np.int64(max(DEFAULT_SILENCE_S, round(spacing_s)))
    return ZoneReadings(
        at_s=rows.at_s,
        temperature_c=measured["temperature_c"],
        humidity_percent=measured["humidity_percent"],
        wood_percent=measured["wood_percent"],
        contact=measured["contact"],
        rain_mm=measured["rain_mm"],
        silence_s=np.broadcast_to(silence_s, (count,)),  # one value takes no room
        cover_s=np.broadcast_to(np.int64(_COVER * spacing_s), (count,)),
    )
