"""Tables of a packet: how they are written, and how they are read again."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.lot import CaseNote, Event, Zone, ZoneReadings
from monitor.times import parse_time, read_times
from monitor.written import READINGS, cell, cells, rfc3339

FORMAT = 3
HOUR_S, DAY_H, DAY_S = 3600, 24, 86_400
WARMS_UP_H = 72  # hours of readings before the first hour: longer than any hour looks back
COLUMNS = ("hour", "temperature_c", "wood_moisture_percent", "coverage_percent", "rain_mm")
Table = Mapping[str, NDArray[Any]]
Lines = list[dict[str, str]]


def real(written: str) -> float:
    """A figure as `written_number` wrote it; nan for none."""
    return float(written) if written else float("nan")


def written_number(value: float) -> str:
    """A figure as it is written: the shortest digits that read back to it; "" for none."""
    return "" if np.isnan(value) else repr(float(value))


def csv_text(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """A table, one line a row whatever a person typed, and no cell a formula."""
    lines = [",".join(names)]
    lines += [
        ",".join(cell("" if v is None else " ".join(str(v).splitlines())) for v in row)
        for row in rows
    ]
    return "\n".join(lines) + "\n"


def read_table(text: str) -> Lines:
    """Rows of a table by the names of its columns."""
    lines = text.removesuffix("\n").split("\n")
    names = lines[0].split(",")
    return [dict(zip(names, cells(line), strict=True)) for line in lines[1:]]


def read_plain_table(text: str) -> Lines:
    """The same of the older forms, whose cells are not guarded."""
    return list(csv.DictReader(io.StringIO(text)))


def read_zones(lines: Lines) -> list[Zone]:
    """Zones of the unit and, without a unit, of its site."""
    found = []
    for row in lines:
        given: dict[str, Any] = dict(row)
        for name in ("temperature_factor", "distance_km"):
            given[name] = float(row[name]) if row[name] else None
        given["watched_from_s"] = int(row["watched_from_s"]) if row["watched_from_s"] else None
        found.append(Zone(**given))
    return found


def read_events(lines: Lines) -> list[Event]:
    """Events of the unit and of its site."""
    return [
        Event(parse_time(row["time"]), row["kind"], row["value"], row["unit"], row["zone"])  # type: ignore[arg-type]
        for row in lines
    ]


def read_hours(lines: Lines) -> dict[str, dict[str, NDArray[Any]]]:
    """Columns of each zone by hour; a slash before those of the site."""
    by_zone: dict[str, Lines] = {}
    for row in lines:
        by_zone.setdefault(row["zone"], []).append(row)
    return {
        zone: {
            name: np.array(
                [int(r[name]) if name == "hour" else real(r[name]) for r in rows],
                dtype=np.int64 if name == "hour" else np.float64,
            )
            for name in COLUMNS
        }
        for zone, rows in by_zone.items()
    }


def read_readings(lines: Lines) -> dict[tuple[str, str], ZoneReadings]:
    """Readings by unit ("": the site) and zone.

    Raises
    ------
    InputError
        If a time is none.
    """
    import pandas as pd  # 60 MB with what it brings, and a board that only shows does without

    by_zone: dict[tuple[str, str], Lines] = {}
    for row in lines:
        by_zone.setdefault((row["unit"], row["zone"]), []).append(row)
    found = {}
    for place, rows in by_zone.items():
        floats = {name: np.array([real(r[name]) for r in rows]) for name, _ in READINGS}
        at_s, faults = read_times(pd.Series([r["time"] for r in rows], dtype=object), timezone=None)
        if faults:
            raise InputError(f"readings.csv: time {next(iter(faults.values()))}")
        found[place] = ZoneReadings(
            at_s=at_s,
            silence_s=np.array([int(r["silence_s"]) for r in rows], dtype=np.int64),
            cover_s=np.array([int(r["cover_s"]) for r in rows], dtype=np.int64),
            **floats,
        )
    return found


def read_notes(lines: Lines) -> list[CaseNote]:
    """What was entered of the repair."""
    times = ("repaired_s", "at_s", "recorded_s")
    return [
        CaseNote(**{n: int(v) if n in times else v for n, v in row.items()})  # type: ignore[arg-type]
        for row in lines
    ]


def gaps_text(hours: Mapping[str, Table]) -> str:
    """Spans of hours that have no figure: of a zone its wood moisture, outside the temperature."""
    rows = []
    for zone, table in sorted(hours.items()):
        what = "temperature_c" if zone.startswith("/") else "wood_moisture_percent"
        unknown = np.isnan(table[what]).astype(np.int8)
        edges = np.diff(np.concatenate([[0], unknown, [0]]))
        starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            first = int(table["hour"][start]) * HOUR_S
            last = int(table["hour"][stop - 1]) * HOUR_S + HOUR_S
            rows.append((zone, what, rfc3339(first), rfc3339(last), stop - start))
    return csv_text(("zone", "what", "from", "to", "hours"), rows)
