"""Weather that somebody measured, from a file into the record: CSV, Parquet, or an EPW file.

The last source that is asked: its zone fills hours that neither the site's own probes nor a service
gave. An EPW file is read by pvlib (the extra `epw`); it usually holds months of different years, a
typical one that never was, and is refused then: it says nothing of what fell on a roof.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from pathlib import Path

import numpy as np

from monitor.errors import InputError
from monitor.history import read_readings
from monitor.lot import Placement, Zone, ZoneReadings
from monitor.store import Record
from sensors.wire import Reading

NODE = "weather-file"
WHO = "import"
GROUP = 2000
EPW_MISSING_MM = 99.0  # of the depth of precipitation: 999, and the years before had 99.9
EPW_MISSING = {"temp_air": 99.9, "relative_humidity": 999.0}


@dataclass(frozen=True, slots=True)
class WeatherFile:
    """Readings of a file by time, and what to tell of it."""

    readings: list[Reading]
    notes: tuple[str, ...]


def read(
    path: Path,
    *,
    site: str,
    zone: str,
    columns: Mapping[str, str],
    timezone: str | None,
    fahrenheit: bool = False,
) -> WeatherFile:
    """Readings of a weather file.

    Raises
    ------
    InputError
        If it cannot be read (`monitor.history.read_readings`), or is an EPW file of several years.
    """
    if path.suffix.lower() == ".epw":
        return WeatherFile(_read_epw(path, site, zone), ())
    file = read_readings(
        path, columns=columns, timezone=timezone, unit="", zone=zone, fahrenheit=fahrenheit
    )
    (series,) = file.zones.values() if len(file.zones) == 1 else (None,)
    if series is None:
        raise InputError(f"{path} holds several zones; a weather file is of one place")
    return WeatherFile(_readings(series, site, zone), file.notes)


def _readings(series: ZoneReadings, site: str, zone: str) -> list[Reading]:
    columns = (series.temperature_c, series.humidity_percent, series.rain_mm)
    return [
        _reading(int(at_s), [column[n] for column in columns], int(silence_s), site, zone)
        for n, (at_s, silence_s) in enumerate(zip(series.at_s, series.silence_s, strict=True))
        if not all(np.isnan(column[n]) for column in columns)
    ]


def _reading(at_s: int, figures: Sequence[float], silence_s: int, site: str, zone: str) -> Reading:
    celsius, percent, rain = (None if isnan(value) else float(value) for value in figures)
    return Reading(
        site=site,
        node=NODE,
        probe=zone,
        at_s=at_s,
        silence_s=silence_s,
        temperature_c=celsius,
        humidity_percent=percent,
        rain_mm=rain,
    )


def _read_epw(path: Path, site: str, zone: str) -> list[Reading]:
    try:
        from pvlib.iotools import read_epw
    except ImportError as error:
        raise InputError('EPW files need pvlib: pip install "sillkeep[epw]"') from error
    try:
        frame, _ = read_epw(path)
    except (OSError, ValueError, KeyError, IndexError) as error:
        raise InputError(f"{path} cannot be read as EPW: {error}") from error
    years = sorted(set(frame.index.year))
    if len(years) > 2 or years[-1] - years[0] > 1:  # a year of local time may reach into the next
        raise InputError(
            f"{path} is put together from the years {years[0]} to {years[-1]}: a typical year, which "
            "no roof stood in; import what was measured"
        )
    rows = []
    # pvlib stamps the start of the hour that a row is of; the figure of an hour is known at its end
    starts = frame.index.tz_convert("UTC").as_unit("s").asi8
    depth = frame["liquid_precipitation_depth"].to_numpy(float)
    depth = np.where((depth < 0) | (depth >= EPW_MISSING_MM), np.nan, depth)
    named = [
        np.where(frame[name].to_numpy(float) >= missing, np.nan, frame[name].to_numpy(float))
        for name, missing in EPW_MISSING.items()
    ]
    for n, start_s in enumerate(starts.tolist()):
        figures = [named[0][n], named[1][n], depth[n]]
        if not all(map(isnan, figures)):
            rows.append(_reading(start_s + 3599, figures, 3600, site, zone))
    return rows


def keep(
    record: Record,
    readings: Sequence[Reading],
    *,
    site: str,
    zone: str,
    name: str,
    distance_km: float,
    now_s: int,
) -> int:
    """Take them into a zone of the site that this file's source alone fills; how many were new.

    Raises
    ------
    InputError
        If there is no such site, nothing to take, or something else fills the zone.
    """
    if not readings:
        raise InputError(
            "the file holds no temperature, humidity or rain; name its columns with --map"
        )
    known = {each.code: each for each in record.site_zones(site)}.get(zone)
    if known is not None and known.source != "record":
        raise InputError(
            f"{site}/{zone} is filled by something else; give the file a --zone of its own"
        )
    record.add_zone(
        site, Zone("", zone, "outside", source="record", origin=name, distance_km=distance_km)
    )
    first_s = min(reading.at_s or 0 for reading in readings)
    placed = [
        place.from_s
        for place in record.placements()
        if (place.site, place.node, place.probe) == (site, NODE, zone)
    ]
    if not placed or first_s < min(placed):
        place = Placement(NODE, zone, site, "", zone, first_s)
        record.place(place, recorded_s=now_s, who=WHO, why=name)
    stored = 0
    for start in range(0, len(readings), GROUP):
        group = readings[start : start + GROUP]
        stored += record.take(group, (), received_s=now_s).stored
    return stored
