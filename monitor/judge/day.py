"""Some UTC days of one unit: what was measured, and what follows from it by physics alone.

Arrays have shape (rows, hours): a row a zone, the unit's own first, then the site's outside ones.
Windows carry the hours before midnight beside the days' own, for 24 h means and 72 h changes.
Sums over windows are taken over whole numbers, so that they do not depend on where days were cut.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.evidence.folds import median_of_known
from monitor.evidence.weights import Weights
from monitor.judge.hours import HOUR_S, Floats, Ints, hourly, moist, rounded
from monitor.judge.memory import MEAN_DAYS, SCALE, UnitMemory, ZoneMemory
from monitor.lot import (
    AIR_KINDS,
    STRUCTURE_KINDS,
    Event,
    LimitStep,
    MouldClass,
    WeatherSource,
    Zone,
    ZoneKind,
    ZoneReadings,
    rain_mm,
)
from monitor.physics import air, mould, rot, wall, wood

DAY_H = 24
SOURCES: tuple[WeatherSource, ...] = get_args(WeatherSource)
ASSUMED_FACTOR = 0.5  # temperature factor of a wall with metal studs; from memory, shown as assumed
HELD_GAP_H = 6  # a mould index is held over gaps this long; longer ones open the low/high pair
PIN_FRESH_H = 24
# where freezing breaks pipes; a cold wall cavity or roof in winter is no finding
PIPE_KINDS: frozenset[ZoneKind] = frozenset({"cabin", "bed", "floor", "bay", "underbelly"})

NO_READINGS = ZoneReadings(
    at_s=np.zeros(0, dtype=np.int64),
    temperature_c=np.zeros(0),
    humidity_percent=np.zeros(0),
    wood_percent=np.zeros(0),
    contact=np.zeros(0),
    rain_mm=np.zeros(0),
    silence_s=np.zeros(0, dtype=np.int64),
    cover_s=np.zeros(0, dtype=np.int64),
)

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """All that is known of one unit over a span.

    Parameters
    ----------
    unit : str
        Its code.
    zones : tuple of Zone
        The zones of the unit, in the order of the results.
    readings : mapping of zone code to ZoneReadings
        All readings from the first day on; earlier ones are ignored.
    site : mapping of zone code to ZoneReadings
        The site's own zones: outside air and rain gauge.
    events : tuple of Event
        Of this unit or of its whole site.
    settling_s : mapping of zone code to times
        When each placement on the zone began.
    left_s : mapping of zone code to spans
        When no probe was on a zone that had one before; None: it still has none.
    altitude_m : float
        Of the site. [m]
    limits : tuple of LimitStep
        Limits that somebody changed, from when on; by time.
    sources : mapping of zone code to WeatherSource
        Where the site's zones have their figures from; those it lacks have probes.
    weights : Weights or None
        Of leak evidence; None: those of this release.
    """

    unit: str
    zones: tuple[Zone, ...]
    readings: Mapping[str, ZoneReadings]
    site: Mapping[str, ZoneReadings] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    settling_s: Mapping[str, Sequence[int]] = field(default_factory=dict)
    left_s: Mapping[str, Sequence[tuple[int, int | None]]] = field(default_factory=dict)
    altitude_m: float = 0.0
    limits: tuple[LimitStep, ...] = ()
    sources: Mapping[str, WeatherSource] = field(default_factory=dict)
    weights: Weights | None = None


# --- what is measured -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The zones as rows of arrays: the unit's own first, then the site's outside ones."""

    zones: tuple[Zone, ...]
    codes: list[str]
    from_hour: int
    to_hour: int
    structure: Ints  # row numbers by how they are judged
    aired: Ints
    outside: Ints
    pipes: Ints
    factor: Floats  # temperature factor of each row
    pressure_pa: float

    @classmethod
    def of(cls, watched: Watched, *, from_hour: int, to_hour: int) -> "Rows":
        """Rows of a unit's zones and its site's."""
        site = tuple(
            Zone(unit="", code=f"/{code}", kind="outside")
            for code in sorted(watched.site, key=lambda code: (_rank(watched, code), code))
        )
        zones = watched.zones + site

        def rows(kinds: frozenset[ZoneKind]) -> Ints:
            return np.array([i for i, z in enumerate(zones) if z.kind in kinds], dtype=np.int64)

        return cls(
            zones=zones,
            codes=[zone.code for zone in zones],
            from_hour=from_hour,
            to_hour=to_hour,
            structure=rows(STRUCTURE_KINDS),
            aired=rows(AIR_KINDS),
            outside=rows(frozenset({"outside"})),
            pipes=rows(PIPE_KINDS),
            factor=np.array([z.temperature_factor or ASSUMED_FACTOR for z in zones]),
            pressure_pa=float(air.pressure_at_altitude(altitude_m=watched.altitude_m)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Hours of a span as arrays (rows, hours)."""

    temperature_c: Floats
    humidity_percent: Floats
    wood_percent: Floats
    contact_at_s: Floats
    contacts: Ints  # readings that told whether there is liquid water
    readings: Ints
    covered_s: Ints
    last_at_s: Floats
    silence_s: Ints
    rain_mm: Floats  # (hours,) the wettest gauge of the best source, nan where none reported

    def cut(self, start: int, stop: int) -> "Measured":
        """Hours [start, stop)."""
        cut = slice(start, stop)
        return Measured(*(getattr(self, name)[..., cut] for name in self.__slots__))


def measure(watched: Watched, rows: Rows, kept: UnitMemory) -> Measured:
    """Hours of every zone from the first midnight to the last."""
    end_hour = -(-rows.to_hour // DAY_H) * DAY_H
    zones = []
    for zone, code, before in zip(rows.zones, rows.codes, kept.zones, strict=True):
        readings = readings_of(watched, code)
        zones.append(
            hourly(
                readings,
                from_hour=rows.from_hour,
                to_hour=end_hour,
                before=before.last,
                telling=telling(zone, readings),
                told=before.told,
            )
        )

    def stack(name: str) -> NDArray[Any]:
        return np.stack([getattr(zone, name) for zone in zones])

    temperature, humidity = stack("temperature_c"), stack("humidity_percent")
    paired = np.isfinite(temperature) & np.isfinite(humidity)
    gauges: dict[WeatherSource, list[Floats]] = {source: [] for source in SOURCES}
    for row in rows.outside.tolist():
        gauges[source_of(watched, rows.codes[row])].append(zones[row].rain_mm)
    gauges[""].append(_reported_rain(watched.events, rows.from_hour, end_hour))
    rain = [np.fmax.reduce(found) for found in gauges.values() if found]
    return Measured(
        temperature_c=rounded(np.where(paired, temperature, np.nan), 4),
        humidity_percent=rounded(np.where(paired, humidity, np.nan), 4),
        wood_percent=rounded(stack("wood_percent"), 2),
        contact_at_s=stack("contact_at_s"),
        contacts=stack("contacts"),
        readings=stack("readings"),
        covered_s=stack("covered_s"),
        last_at_s=stack("last_at_s"),
        silence_s=stack("silence_s"),
        rain_mm=rounded(first_known(np.stack(rain)), 4),
    )


def telling(zone: Zone, readings: ZoneReadings) -> ZoneReadings:
    """Readings of a zone that cover time: outside all, elsewhere those that tell how moist it is."""
    return readings if zone.kind == "outside" else moist(readings)


def source_of(watched: Watched, code: str) -> WeatherSource:
    """Where an outside zone has its figures from; a site's own is written with a leading slash."""
    return watched.sources.get(code.removeprefix("/"), "") if code.startswith("/") else ""


def _rank(watched: Watched, code: str) -> int:
    return SOURCES.index(watched.sources.get(code, ""))


def readings_of(watched: Watched, code: str) -> ZoneReadings:
    """Readings of a row's zone; a site's own zone is written with a leading slash."""
    if code.startswith("/"):
        return watched.site[code[1:]]
    return watched.readings.get(code, NO_READINGS)


def _reported_rain(events: Sequence[Event], from_hour: int, to_hour: int) -> Floats:
    """Rain that somebody or a record noted, by hour."""
    rain = np.full(to_hour - from_hour, np.nan)
    for event in events:
        hour = event.at_s // HOUR_S
        if event.kind == "rain" and from_hour <= hour < to_hour:
            try:
                fallen = rain_mm(event.value)
            except InputError:  # noted before its amount was asked for: that much is not known
                continue
            before = rain[hour - from_hour]
            rain[hour - from_hour] = fallen + (0.0 if np.isnan(before) else before)
    return rain


# --- some days --------------------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class Days:
    """Whole UTC days of one unit; names as in the HOURS file, and what led to them."""

    hour: int
    now: Measured
    windows: dict[str, Floats]  # hours before midnight and this day's, side by side
    outside: dict[str, Floats]
    day_totals: Floats  # (rows, days) of surface humidity in ten-thousandths, 29 earlier days first
    day_counts: Floats
    figures: dict[str, Floats]
    words: dict[str, list[list[str]]]
    flags: dict[str, Bools]
    witnessed: list[list[int]]
    contact: list[list[bool]]
    level: list[list[int]]
    causes: list[list[str]]  # of structural zones, by the last whole day's evidence
    episodes: list[Any]  # `monitor.judge.leaks.Episode`: that began or ended
    latches: list[Any]  # `monitor.judge.leaks.Latch`: inspected
    doubts: list[Any]  # `monitor.judge.doubts.Doubt`: that began or ended

    @property
    def hours(self) -> int:
        """How many hours these days have."""
        return int(self.now.readings.shape[1])


def look_back(rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Moist air now, and the windows that 24 h means need."""
    now, figures = days.now, days.figures
    vapour = air.vapour_pressure(
        temperature_c=now.temperature_c, humidity_percent=now.humidity_percent
    )
    figures["vapour_pressure_pa"] = vapour
    figures["dew_point_c"] = rounded(air.dew_point(vapour_pressure_pa=vapour), 2)
    figures["humidity_ratio_g_kg"] = rounded(
        1000.0 * air.humidity_ratio(vapour_pressure_pa=vapour, pressure_pa=rows.pressure_pa), 3
    )
    fresh = {
        "temperature_c": now.temperature_c,
        "humidity_percent": now.humidity_percent,
        "covered_s": now.covered_s.astype(np.float64),
    }
    for name, values in fresh.items():
        days.windows[name] = np.hstack([kept.windows[name], values])
    outside = {
        "temperature_c": first_known(now.temperature_c[rows.outside]),
        "vapour_pressure_pa": rounded(first_known(vapour[rows.outside]), 4),
        "rain_mm": now.rain_mm,
    }
    for name, values in outside.items():
        days.outside[name] = np.concatenate([kept.outside[name], values])


def find_moisture(rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Wood moisture of each zone, and what the weather alone explains of it."""
    figures = days.figures
    figures["mean_c"] = mean_c = rounded(mean_24(days.windows["temperature_c"], days.hours), 4)
    humidity = np.minimum(mean_24(days.windows["humidity_percent"], days.hours), 100.0)
    estimate = wood.equilibrium_moisture(temperature_c=mean_c, humidity_percent=humidity)
    pin = _fresh_pin(days, kept)
    heard = np.isfinite(days.now.temperature_c) | np.isfinite(days.now.wood_percent)
    moisture = rounded(np.where(np.isnan(pin), estimate, pin), 2)
    moisture[~heard] = np.nan
    moisture[rows.outside] = np.nan
    vapour = mean_24(days.outside["vapour_pressure_pa"], days.hours)
    outdoors = air.relative_humidity(
        vapour_pressure_pa=np.broadcast_to(vapour, mean_c.shape), temperature_c=mean_c
    )
    ambient = wood.equilibrium_moisture(
        temperature_c=mean_c, humidity_percent=np.minimum(outdoors, 100.0)
    )
    ambient = np.where(np.isnan(ambient), _median_of_like(rows, moisture), ambient)
    figures["pin_percent"] = pin
    figures["wood_moisture_percent"] = moisture
    figures["ambient_moisture_percent"] = np.where(np.isnan(moisture), np.nan, rounded(ambient, 2))
    excess = rounded(moisture - figures["ambient_moisture_percent"], 2)
    days.windows["moisture_percent"] = np.hstack([kept.windows["moisture_percent"], moisture])
    days.windows["excess_percent"] = np.hstack([kept.windows["excess_percent"], excess])
    days.words["moisture_basis"] = [
        [
            "" if np.isnan(u) else "air" if np.isnan(p) else "pin"
            for u, p in zip(us, ps, strict=True)
        ]
        for us, ps in zip(moisture.tolist(), pin.tolist(), strict=True)
    ]


def _fresh_pin(days: Days, kept: UnitMemory) -> Floats:
    """The last pin reading of each hour, while it is younger than 24 h."""
    pins = days.now.wood_percent.copy()
    for row, zone in enumerate(kept.zones):
        if zone.pin_percent is None and np.isnan(pins[row]).all():
            continue
        for column, pin in enumerate(pins[row].tolist()):
            if not np.isnan(pin):
                zone.pin_percent, zone.pin_hour = pin, days.hour + column
            elif zone.pin_percent is not None and days.hour + column - zone.pin_hour < PIN_FRESH_H:
                pins[row, column] = zone.pin_percent
    return pins


def find_surface(rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Humidity where mould would grow: the zone's own air, or a room's coldest surface."""
    now, figures = days.now, days.figures
    surface_c = now.temperature_c.copy()
    if len(rows.aired):
        outside_c = days.outside["temperature_c"][-days.hours :]
        inside_c = now.temperature_c[rows.aired]
        bridge = wall.surface_temperature(
            inside_c=inside_c,
            outside_c=np.broadcast_to(outside_c, inside_c.shape),
            temperature_factor=rows.factor[rows.aired][:, None],
        )
        surface_c[rows.aired] = np.where(np.isnan(bridge), np.nan, np.minimum(bridge, inside_c))
    humidity = air.relative_humidity(
        vapour_pressure_pa=figures["vapour_pressure_pa"], temperature_c=surface_c
    )
    own = np.ones(len(rows.zones), dtype=bool)
    own[rows.aired] = False
    humidity = rounded(np.where(own[:, None], now.humidity_percent, humidity), 2)
    margin = rounded(surface_c - figures["dew_point_c"], 2)
    humidity[rows.outside] = margin[rows.outside] = np.nan
    figures["surface_humidity_percent"] = humidity
    figures["dew_point_margin_k"] = margin
    figures["surface_c"] = surface_c
    dew = np.where(np.isnan(margin), np.nan, margin <= 0.0)
    days.windows["surface_percent"] = np.hstack([kept.windows["surface_percent"], humidity])
    days.windows["dew"] = np.hstack([kept.windows["dew"], dew])
    figures["surface_mean_percent"] = rounded(
        mean_24(days.windows["surface_percent"], days.hours), 2
    )
    figures["dew_h"] = sums(days.windows["dew"], DAY_H, days.hours)
    figures["thirty_day_humidity_percent"] = _thirty_days(days, kept, humidity)


def _thirty_days(days: Days, kept: UnitMemory, humidity: Floats) -> Floats:
    """Mean surface humidity of each day so far and the 29 days before it."""
    by_day = (len(humidity), -1, DAY_H)
    seen = np.isfinite(humidity)
    total = np.cumsum(np.where(seen, np.rint(humidity * SCALE), 0.0).reshape(by_day), axis=2)
    count = np.cumsum(seen.reshape(by_day), axis=2).astype(np.float64)
    days.day_totals = np.hstack([kept.day_totals, total[:, :, -1]])
    days.day_counts = np.hstack([kept.day_counts, count[:, :, -1]])
    total += trailing(days.day_totals[:, :-1], MEAN_DAYS - 1)[:, :, None]
    count += trailing(days.day_counts[:, :-1], MEAN_DAYS - 1)[:, :, None]
    mean = np.full(total.shape, np.nan)
    np.divide(total, count * SCALE, out=mean, where=count > 0)
    return rounded(mean.reshape(humidity.shape), 2)


# --- mould and rot --------------------------------------------------------------------------------


def grow_mould(rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Mould index of the zone's class and of class VS, held over gaps; its pair across long gaps."""
    figures = days.figures
    temperature, humidity = figures["surface_c"], figures["surface_humidity_percent"]
    humidity = np.minimum(humidity, 100.0)
    shape = humidity.shape
    for name in ("mould_index", "mould_index_sensitive", "mould_index_low", "mould_index_high"):
        figures[name] = np.full(shape, np.nan)
    shut = _open_pairs(days, kept, humidity)
    _advance_index(rows, days, kept, "main", "mould_index", (temperature, humidity))
    _advance_index(rows, days, kept, "sensitive", "mould_index_sensitive", (temperature, humidity))
    if any(zone.low is not None for zone in kept.zones):
        long_gap = figures["gap_h"] > HELD_GAP_H
        held_c = figures["held_c"]
        stay_dry = np.where(long_gap, 20.0, temperature), np.where(long_gap, 0.0, humidity)
        stay_wet = np.where(long_gap, held_c, temperature), np.where(long_gap, 100.0, humidity)
        _advance_index(rows, days, kept, "low", "mould_index_low", stay_dry)
        _advance_index(rows, days, kept, "high", "mould_index_high", stay_wet)
        figures["mould_index_low"][shut] = figures["mould_index_high"][shut] = np.nan
    _forecast(rows, days, temperature)
    hours = rot.rot_hours(
        temperature_c=days.now.temperature_c, moisture_percent=figures["wood_moisture_percent"]
    )
    before = np.array([[zone.rot_hours] for zone in kept.zones])
    figures["rot_hours"] = before + np.cumsum(np.nan_to_num(hours), axis=1)
    figures["rot_hours"][rows.outside] = np.nan


def _advance_index(
    rows: Rows,
    days: Days,
    kept: UnitMemory,
    series: str,
    figure: str,
    climate: tuple[Floats, Floats],
) -> None:
    """Carry one series of the index of every zone that has it over the day, class by class."""
    groups: dict[MouldClass, list[int]] = {}
    for row, zone in enumerate(rows.zones):
        if zone.kind != "outside" and getattr(kept.zones[row], series) is not None:
            groups.setdefault("VS" if series == "sensitive" else zone.mould_class, []).append(row)
    for mould_class, members in groups.items():
        starts = [getattr(kept.zones[row], series) for row in members]
        index, dry_hours = mould.advance_index(
            temperature_c=np.ascontiguousarray(climate[0][members].T),
            humidity_percent=np.ascontiguousarray(climate[1][members].T),
            mould_class=mould_class,
            start=np.array([start[0] for start in starts]),
            dry_hours=np.array([start[1] for start in starts]),
        )
        days.figures[figure][members] = index.T
        for column, row in enumerate(members):
            after = (float(index[-1, column]), int(dry_hours[column]))
            setattr(kept.zones[row], series, after)


def _open_pairs(days: Days, kept: UnitMemory, humidity: Floats) -> Bools:
    """Count missing hours; the first gap over 6 h splits the index into a low and a high one.

    Returns the hours in which the pair is not open yet.
    """
    gap = np.zeros(humidity.shape)
    held = days.figures["surface_c"].copy()
    known = np.isfinite(humidity)
    shut = np.zeros(humidity.shape, dtype=bool)
    for row, zone in enumerate(kept.zones):
        if known[row].all():
            zone.missing_h, zone.temperature_c = 0, float(held[row, -1])
        elif zone.temperature_c is not None or known[row].any():
            _count_gap(zone, known[row].tolist(), gap[row], held[row])
            if zone.low is None and gap[row].max() > HELD_GAP_H:
                zone.low = zone.high = zone.main
                shut[row, : int(np.argmax(gap[row] > HELD_GAP_H))] = True
    days.figures["gap_h"], days.figures["held_c"] = gap, held
    return shut


def _count_gap(zone: ZoneMemory, known: list[bool], gap: Floats, held: Floats) -> None:
    for column, here in enumerate(known):
        if here:
            zone.missing_h, zone.temperature_c = 0, float(held[column])
        elif zone.temperature_c is not None:
            zone.missing_h += 1
            gap[column], held[column] = zone.missing_h, zone.temperature_c


def _forecast(rows: Rows, days: Days, temperature: Floats) -> None:
    """Days until the index reaches 1 and 3 if the last 24 h went on; inf: never at this rate."""
    figures = days.figures
    celsius = figures["mean_c"].copy()
    celsius[rows.aired] = temperature[rows.aired]
    humidity = np.where(
        np.isnan(figures["surface_humidity_percent"]),
        np.nan,
        np.minimum(figures["surface_mean_percent"], 100.0),
    )
    for target in (1, 3):
        wait = np.full(humidity.shape, np.nan)
        for mould_class in {zone.mould_class for zone in rows.zones}:
            members = [i for i, zone in enumerate(rows.zones) if zone.mould_class == mould_class]
            wait[members] = mould.days_to_index(
                temperature_c=celsius[members],
                humidity_percent=humidity[members],
                mould_class=mould_class,
                target=float(target),
                start=figures["mould_index"][members],
            )
        wait[rows.outside] = np.nan
        figures[f"days_to_index_{target}"] = rounded(wait, 1)


# --- arithmetic over windows ----------------------------------------------------------------------


def trailing(values: Floats, length: int) -> Floats:
    """Sum of each value and the length - 1 before it; exact for whole numbers."""
    total: Floats = np.concatenate(
        [np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)], axis=-1
    )
    return total[..., length:] - total[..., :-length]


def sums(values: Floats, length: int, hours: int) -> Floats:
    """Sum of each of the last hours and the length - 1 before it; nan counts as nothing."""
    scaled = np.rint(values[..., -(hours + length - 1) :] * SCALE)
    return trailing(np.where(np.isnan(scaled), 0.0, scaled), length) / SCALE


def mean_24(values: Floats, hours: int) -> Floats:
    """Mean of what was measured in each of the last hours and the 23 before it."""
    values = values[..., -(hours + DAY_H - 1) :]
    scaled = np.rint(values * SCALE)
    seen = np.isfinite(scaled)
    count = trailing(seen.astype(np.float64), DAY_H)
    mean = np.full(count.shape, np.nan)
    total = trailing(np.where(seen, scaled, 0.0), DAY_H)
    np.divide(total, count * SCALE, out=mean, where=count > 0)
    return mean


def first_known(values: Floats) -> Floats:
    """The first row that is known in each hour; nan where none is."""
    known = np.full(values.shape[1:], np.nan)
    for row in values:
        known = np.where(np.isnan(known), row, known)
    return known


def _median_of_like(rows: Rows, moisture: Floats) -> Floats:
    """Median moisture of the unit's other zones of the same kind, for each zone and hour."""
    result = np.full(moisture.shape, np.nan)
    for row, zone in enumerate(rows.zones):
        others = [i for i, o in enumerate(rows.zones) if o.kind == zone.kind and i != row]
        if others and zone.kind in STRUCTURE_KINDS:
            result[row] = median_of_known(moisture[others])
    return result
