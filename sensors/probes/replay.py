"""Replay: a file of past readings -> samples with their own times, as if probes had taken them.

Columns: `time` (RFC 3339), `zone` (each of its values is one probe; without the column there is
one probe), and any of `temperature_c`, `humidity_percent`, `wood_percent`, `contact`, `rain_mm`,
`co2_ppm`, `pressure_pa`; blank: not measured. Rows of one time are one sample.
"""

import csv
import datetime as dt
import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from itertools import pairwise
from math import isfinite, nan
from pathlib import Path
from statistics import median
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from msgspec import structs

from sensors.wire import CODE, MAX_SILENCE_S, OLDEST_S, SILENCE_S, Reading, decode, encode, topic

MEASURES: Final = (
    "temperature_c",
    "humidity_percent",
    "wood_percent",
    "rain_mm",
    "co2_ppm",
    "pressure_pa",
)
COLUMNS: Final = ("time", "unit", "zone", *MEASURES, "contact")
_TRUTH: Final = {"1": True, "true": True, "1.0": True, "0": False, "false": False, "0.0": False}
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)")
_OPTIONS: Final = "give --timezone (such as Europe/Brussels or +01:00), or write times with offset"


class ReplayError(ValueError):
    """The file or an option cannot be used; the text says what to do."""


class NaiveTimeError(ReplayError):
    """A time without an offset from UTC, and no time zone given."""


class Replay(NamedTuple):
    """What a file holds: samples in the order of time, and a sentence for each row left out."""

    samples: list[list[Reading]]
    rejects: list[str]


def parse_map(text: str) -> dict[str, str]:
    """Our column names -> the file's, from `time=local_time,zone=place`.

    Raises
    ------
    ReplayError
        If a part is not of that form or names no column of ours.
    """
    named: dict[str, str] = {}
    for part in filter(None, (part.strip() for part in text.split(","))):
        ours, equals, theirs = (piece.strip() for piece in part.partition("="))
        if not (equals and theirs) or ours not in COLUMNS:
            raise ReplayError(
                f"--map {part!r}: write OURS=THEIRS, ours being one of {', '.join(COLUMNS)}"
            )
        named[ours] = theirs
    return named


def time_zone(text: str) -> dt.tzinfo:
    """Time zone of a name (`Europe/Brussels`) or a fixed offset (`+01:00`).

    Raises
    ------
    ReplayError
        If it is neither.
    """
    offset = _OFFSET.fullmatch(text)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3])
        return dt.timezone(dt.timedelta(minutes=-minutes if offset[1] == "-" else minutes))
    try:
        return ZoneInfo(text)
    except (OSError, ValueError, LookupError) as error:
        raise ReplayError(
            f"{text!r} is no time zone: use a name such as Europe/Brussels, or +01:00"
        ) from error


@lru_cache(maxsize=256)  # rows of one sample repeat it
def read_time(text: str, zone: dt.tzinfo | None) -> int:
    """Whole seconds since 1970 of an RFC 3339 time; one without offset is read in `zone`.

    Raises
    ------
    NaiveTimeError
        If the time has no offset and `zone` is None.
    ValueError
        If it is no time, or a local time that the clocks never or twice showed.
    """
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or len(text) < len("2030-01-01T00:00"):
        raise ValueError(f"{text!r} is no RFC 3339 time (2030-01-01T00:00:00Z)")
    if moment.tzinfo is None:
        moment = _localized(moment, text, zone)
    return round(moment.timestamp())


def read_replay(
    path: Path,
    *,
    site: str,
    node: str,
    columns: Mapping[str, str] | None = None,
    timezone: str | None = None,
) -> Replay:
    """Samples of a CSV file as readings of one node, without boot and seq.

    A zone whose name is a code is the probe of that code, any other p1, p2 ... in the order of
    appearance. What the wire would refuse is left out with the wire's own sentence.

    Parameters
    ----------
    path : Path
        CSV file with a head line, UTF-8.
    site, node : str
        Codes of the node that publishes it.
    columns : Mapping[str, str] or None
        Our column names -> the file's, see `parse_map`.
    timezone : str or None
        Of times without offset, see `time_zone`.

    Raises
    ------
    ReplayError
        If the file cannot be read, lacks columns, or holds times without offset and `timezone`
        is None.
    """
    zone = None if timezone is None else time_zone(timezone)
    rejects: list[str] = []
    rows: list[tuple[int, Reading]] = []
    probes: dict[str, str] = {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = csv.DictReader(file)
            named = _placed(table.fieldnames or [], columns or {})
            for row in table:
                try:
                    reading = _reading(row, named, zone, probes)
                    rows.append((table.line_num, structs.replace(reading, site=site, node=node)))
                except NaiveTimeError:
                    raise
                except ValueError as error:
                    rejects.append(f"{path} line {table.line_num}: {error}")
    except ReplayError as error:
        raise ReplayError(f"{path}: {error}") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReplayError(f"{path} cannot be read as CSV ({error}): give a UTF-8 file") from error
    return Replay(_sendable(_samples(_with_silence(rows)), rejects, path), rejects)


def _localized(moment: dt.datetime, text: str, zone: dt.tzinfo | None) -> dt.datetime:
    if zone is None:
        raise NaiveTimeError(f"time {text!r} has no offset from UTC: {_OPTIONS}")
    early, late = moment.replace(tzinfo=zone), moment.replace(tzinfo=zone, fold=1)
    if early.utcoffset() == late.utcoffset():
        return early
    back = early.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None)
    word = "twice" if back == moment else "never"
    raise ValueError(f"the clocks of {zone} showed {text} {word}: {_OPTIONS.partition(', or ')[2]}")


def _placed(present: Iterable[str], columns: Mapping[str, str]) -> dict[str, str]:
    """Our names -> the file's, of the columns that the file has."""
    present = set(present)
    lost = sorted(set(columns.values()) - present)
    if lost:
        raise ReplayError(f"no column {', '.join(lost)}, which --map names; it has {present}")
    named = {name: name for name in COLUMNS if name in present} | dict(columns)
    if "time" not in named:
        raise ReplayError(f"no column time: name it by --map time=COLUMN, of {sorted(present)}")
    if not named.keys() & {*MEASURES, "contact"}:
        raise ReplayError(
            f"no measured column: name one by --map temperature_c=COLUMN, of {sorted(present)}"
        )
    return named


def _reading(
    row: Mapping[str, str | None],
    named: Mapping[str, str],
    zone: dt.tzinfo | None,
    probes: dict[str, str],
) -> Reading:
    """One row as a reading of no node yet; ValueError says why it is none."""
    cell = {ours: (row[theirs] or "").strip() for ours, theirs in named.items()}
    place = "-".join(filter(None, (cell.get("unit"), cell.get("zone"))))
    if place not in probes:
        probes[place] = place if CODE.fullmatch(place) else f"p{len(probes) + 1}"
    contact = cell.get("contact", "").lower()
    if contact and contact not in _TRUTH:
        raise ValueError(f"contact {contact!r} is neither 0 nor 1")
    measured: dict[str, Any] = {
        name: _number(name, cell[name]) for name in MEASURES if cell.get(name)
    }
    if not measured and not contact:
        raise ValueError("no measured value")
    at_s = read_time(cell["time"], zone)
    if at_s < OLDEST_S:
        raise ValueError(f"{cell['time']} is before 2010: on the wire it is an unset clock")
    return Reading(
        site="",
        node="",
        probe=probes[place],
        at_s=at_s,
        contact=_TRUTH.get(contact),
        **measured,
    )


def _with_silence(rows: list[tuple[int, Reading]]) -> list[tuple[int, Reading]]:
    """Rows with the longest expected silence: the probe's median spacing, at least the default."""
    times: dict[str, set[int]] = {}
    for _, reading in rows:
        times.setdefault(reading.probe, set()).add(reading.at_s or 0)
    silences = {}
    for probe, known in times.items():
        spacings = [later - earlier for earlier, later in pairwise(sorted(known))]
        silences[probe] = min(max(round(median(spacings or [0])), SILENCE_S), MAX_SILENCE_S)
    return [
        (line, structs.replace(reading, silence_s=silences[reading.probe]))
        for line, reading in rows
    ]


def _samples(rows: list[tuple[int, Reading]]) -> list[list[tuple[int, Reading]]]:
    """Rows of one time together, each probe once; in the order of time."""
    samples: dict[tuple[int, int], list[tuple[int, Reading]]] = {}
    repeats: dict[tuple[int, str], int] = {}
    for line, reading in rows:
        at_s = reading.at_s or 0
        repeat = repeats.get((at_s, reading.probe), 0)
        repeats[at_s, reading.probe] = repeat + 1
        samples.setdefault((at_s, repeat), []).append((line, reading))
    return [samples[key] for key in sorted(samples)]


def _sendable(
    samples: list[list[tuple[int, Reading]]], rejects: list[str], path: Path
) -> list[list[Reading]]:
    """Samples without what the wire refuses: a receiver would never say that it is stored."""
    kept = []
    for sample in samples:
        if _refusal([reading for _, reading in sample]):
            faults = [(line, _refusal([reading])) for line, reading in sample]
            rejects += [f"{path} line {line}: {fault}" for line, fault in faults if fault]
            good = [row for row, (_, fault) in zip(sample, faults, strict=True) if not fault]
        else:
            good = sample
        if good:
            kept.append([reading for _, reading in good])
    return kept


def _refusal(readings: list[Reading]) -> str:
    first = readings[0]
    rejects = decode(
        topic(first.site, first.node), encode(readings), received_s=first.at_s or OLDEST_S
    )[1]
    return rejects[0].reason if rejects else ""


def _number(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        raise ValueError(f"{name} {text!r} is no number")
    return value
