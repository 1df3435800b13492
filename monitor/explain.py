"""What the physics shows beside the judged figures: for pages only, nothing stored, nothing alarmed.

A section through the wall of a zone is worked out from the hours of the cabin's and the outside
air. The construction is the usual one for the zone's kind: an assumption, and the page says so.
Where to look for an entry of water, and where no probe of a unit looks, is said from how it stands.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.evidence import entries
from monitor.evidence.entries import BlindSpot, Entry
from monitor.lot import AlarmKind, Cause, MouldClass, Unit, ZoneKind
from monitor.physics import air, condensation, estimate, layers, mould, ventilation, wall

Floats = NDArray[np.float64]

REST_H = 24  # the section at rest is that of the mean of so many hours
LEAST_H = 12  # of them that must be known
CONTRADICTS_H = 72  # a probe above the band for most of so many hours contradicts the weather
SENSOR_K, SENSOR_PERCENT = 0.2, 2.0  # accuracy that the band of a forecast is for
FORTNIGHT_H = 14 * 24
RAIN_MM = 0.1  # of an hour that counts as rain
ASSUMED_M3 = 30.0  # air in a unit: ours, for a travel trailer of 6 to 7 m
SHOWS_WATER: frozenset[AlarmKind] = frozenset({"leak suspect", "wet", "water contact"})
COMES_FROM_OUTSIDE: frozenset[Cause] = frozenset({"rain ingress", "plumbing"})  # of the wall
_FINE_M2_K_W = 0.02  # parts of a layer in the drawing
_KEPT = 64  # sections; a page asks for the same one at each beat


@dataclass(frozen=True, slots=True)
class Part:
    """A layer of the section, outside to inside."""

    name: str
    thickness_mm: float
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A wall at rest with the last day's means, and the estimate behind its panel hour by hour.

    Attributes
    ----------
    construction, bridge : str
        The assumed wall, and its coldest place.
    factor, u_value : float
        Temperature factor of that place behind furniture; U value of the field [W/(m² K)].
    parts : tuple of Part
    place : ndarray
        Points of the section: layer number plus the share of that layer, 0 at the outer surface.
    temperature_c, dew_point_c, vapour_pa, saturation_pa : ndarray
        At those points.
    planes : tuple of float
        Places where vapour condenses at rest.
    gain_g_m2_day : float
        Water that these gain together.
    outside, inside : tuple of float
        Mean temperature [°C] and dew point [°C] of the air on either side.
    low_percent, best_percent, high_percent : ndarray
        Estimated humidity there, hour by hour.
    above_h, compared_h : int
        Of the last `CONTRADICTS_H`, hours in which the zone's own probe read above the band, and
        hours in which both are known.
    """

    construction: str
    bridge: str
    factor: float
    u_value: float
    parts: tuple[Part, ...]
    place: Floats
    temperature_c: Floats
    dew_point_c: Floats
    vapour_pa: Floats
    saturation_pa: Floats
    planes: tuple[float, ...]
    gain_g_m2_day: float
    outside: tuple[float, float]
    inside: tuple[float, float]
    low_percent: Floats
    best_percent: Floats
    high_percent: Floats
    above_h: int
    compared_h: int

    @property
    def contradicted(self) -> bool:
        """The zone's own probe is wetter than diffusion from both sides explains."""
        return self.compared_h >= CONTRADICTS_H // 2 and self.above_h > 0.5 * self.compared_h


def section(
    kind: ZoneKind, *, cabin: Floats, outside: Floats, own_percent: Floats | None
) -> Section | None:
    """Section through the wall of a zone.

    Parameters
    ----------
    kind : ZoneKind
        Of the zone.
    cabin, outside : ndarray
        Hourly temperature and humidity, shape (2, hours), the same hours. [°C] [%] nan if missing.
    own_percent : ndarray or None
        Hourly humidity of the zone's own probe; None for a room, whose probe is not in the wall.

    Returns
    -------
    Section or None
        None where half of the last day of either side is missing: nothing is drawn from guesses.
    """
    own = np.full(cabin.shape[1], np.nan) if own_percent is None else own_percent
    return _section(kind, cabin.tobytes(), outside.tobytes(), own.tobytes())


@dataclass(frozen=True, slots=True)
class Growth:
    """Days until the mould index is 1 and 3, first if the last fortnight repeats itself.

    Attributes
    ----------
    target : float
        The next of the two.
    days, low_days, high_days : float
        With the last fortnight as measured, and with every hour wetter and warmer, or drier and
        colder, by the sensor's accuracy. inf: not within two years.
    accuracy_percent : float
        That accuracy of the humidity. [%]
    """

    target: float
    days: float
    low_days: float
    high_days: float
    accuracy_percent: float = SENSOR_PERCENT


def growth(
    *,
    climate: Floats,
    index: float,
    mould_class: MouldClass,
    accuracy_percent: float = SENSOR_PERCENT,
) -> Growth | None:
    """Forecast of the mould index of a zone whose probe sits in the wall.

    Parameters
    ----------
    climate : ndarray
        Hourly temperature and humidity, shape (2, hours). [°C] [%] nan if missing.
    index : float
        Mould index now. [0 to 6]
    mould_class : {"VS", "S", "MR", "R"}
    accuracy_percent : float
        Of the probe's humidity: what its bench check left, else what common sensors are good for. [%]

    Returns
    -------
    Growth or None
        None from index 3 on, and where less than half of the last fortnight is known.
    """
    hours = min(climate.shape[1] // REST_H * REST_H, FORTNIGHT_H)
    if index >= mould.VISIBLE_INDEX or not hours:
        return None
    target = 1.0 if index < 1.0 else mould.VISIBLE_INDEX
    celsius, humidity = climate[:, -hours:]
    errors = np.array([0.0, 1.0, -1.0])
    days = mould.forecast(
        temperature_c=celsius[:, None] + SENSOR_K * errors,
        humidity_percent=np.clip(humidity[:, None] + accuracy_percent * errors, 0.0, 100.0),
        mould_class=mould_class,
        targets=(target,),
        start=index,
    )[0]
    if np.isnan(days[0]):
        return None
    low, best, high = float(days[1]), float(days[0]), float(days[2])
    return Growth(target, best, low, high, accuracy_percent)


@dataclass(frozen=True, slots=True)
class Airing:
    """What opening a unit does now, and which of the next 24 hours are worth it.

    Attributes
    ----------
    advice : str
        A word of `monitor.physics.ventilation.ADVICE`.
    inside_dew_c, outside_dew_c, surface_c : float
        Of the last hour; the coldest surface with its lag. [°C]
    rate_g_h : float
        Water that leaves with a roof vent and a window ajar, in an assumed volume.
    windows : tuple of (int, int)
        Runs of hours worth opening, counted from the hour after the last.
    least_g, most_g : float
        Water that would leave in them.
    unknown_hours : int
    air_g, furnishings_g : float
        Water in ten points of humidity.
    volume_m3, factor : float
        What was assumed or declared.
    """

    advice: str
    inside_dew_c: float
    outside_dew_c: float
    surface_c: float
    rate_g_h: float
    windows: tuple[tuple[int, int], ...]
    least_g: float
    most_g: float
    unknown_hours: int
    air_g: float
    furnishings_g: float
    volume_m3: float
    factor: float
    from_forecast: bool = False


def airing(
    *,
    cabin: Floats,
    outside: Floats,
    factor: float,
    altitude_m: float,
    lines_can_freeze: bool,
    ahead: Floats | None = None,
    accuracy_percent: tuple[float, float] = (SENSOR_PERCENT, SENSOR_PERCENT),
) -> Airing | None:
    """What opening a unit does, from the last week's hours on both sides.

    Parameters
    ----------
    cabin, outside : ndarray
        Hourly temperature and humidity, shape (2, hours), up to the last full hour; at least four
        days of them. [°C] [%] nan if missing.
    factor : float
        Temperature factor of the coldest surface. [0 to 1]
    altitude_m : float
    lines_can_freeze : bool
        Whether water stands in its lines and nothing keeps them warm.
    ahead : ndarray or None
        Forecast of temperature, humidity and rain for the next 24 hours, shape (3, 24). [°C] [%] [mm]
        nan where it says nothing. None, or one that misses half of them: the usual day of the week.
    accuracy_percent : tuple of float
        Of the humidity inside and outside. [%]

    Returns
    -------
    Airing or None
        None where the last hour is not known on both sides.
    """
    inside_c, inside_percent = cabin
    outside_c, outside_percent = outside
    now = (inside_c[-1], inside_percent[-1], outside_c[-1], outside_percent[-1])
    surface = ventilation.lagging_surface(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=factor
    )[-1]
    if np.isnan([*now, surface]).any():
        return None
    room = ventilation.Cabin(
        volume_m3=ASSUMED_M3, altitude_m=altitude_m, lines_can_freeze=lines_can_freeze
    )
    here = dict(
        zip(("inside_c", "inside_percent", "outside_c", "outside_percent"), now, strict=True)
    )
    forecast = ahead is not None and (~np.isnan(ahead[:2]).any(axis=0)).sum() >= REST_H // 2
    ahead_c, ahead_percent = (
        ahead[:2]
        if ahead is not None and forecast
        else ventilation.typical_day(temperature_c=outside_c, humidity_percent=outside_percent)
    )
    hours = ventilation.opening_hours(
        outside_c=ahead_c,
        outside_percent=ahead_percent,
        inside_c=now[0],
        inside_percent=now[1],
        coldest_surface_c=surface,
        raining=ahead[2] > RAIN_MM if ahead is not None and forecast else False,
        cabin=room,
    )
    band_k = ventilation.deadband(
        **here,
        temperature_u_k=SENSOR_K,
        humidity_u_percent=accuracy_percent[0],
        outside_humidity_u_percent=accuracy_percent[1],
    )
    rate = ventilation.drying_rate(**here, air_changes_per_h=room.open_changes_per_h, cabin=room)
    pressures = air.vapour_pressure(
        temperature_c=np.array(now[::2]), humidity_percent=np.array(now[1::2])
    )
    dew = air.dew_point(vapour_pressure_pa=pressures)
    return Airing(
        advice=str(ventilation.advice(**here, coldest_surface_c=surface, deadband_k=band_k)),
        inside_dew_c=float(dew[0]),
        outside_dew_c=float(dew[1]),
        surface_c=float(surface),
        rate_g_h=float(rate),
        windows=hours.windows,
        least_g=hours.least_g,
        most_g=hours.most_g,
        unknown_hours=hours.unknown_hours,
        air_g=10.0 * float(ventilation.air_g_per_point(temperature_c=now[0], cabin=room)),
        furnishings_g=10.0
        * float(
            ventilation.buffer_g_per_point(
                temperature_c=now[0],
                humidity_percent=min(now[1], 100.0),
                area_m2=ventilation.ASSUMED_PANELS_M2,
                thickness_m=0.003,
            )
        ),
        volume_m3=ASSUMED_M3,
        factor=factor,
        from_forecast=bool(forecast),
    )


@dataclass(frozen=True, slots=True)
class Look:
    """Entries of water to look at from a zone, the likeliest first, by the unit as declared.

    Empty where the cause is condensation.
    """

    entries: tuple[Entry, ...]
    cause: Cause
    unit: Unit


def look(code: str, *, kind: ZoneKind, unit: Unit, cause: Cause) -> Look:
    """Entries of water to look at from a zone, the likeliest first.

    Parameters
    ----------
    code : str
        Of the zone.
    kind : ZoneKind
    unit : Unit
        As declared; the order goes without what is not.
    cause : Cause
        What the evidence says.

    Returns
    -------
    Look
    """
    found = entries.where_to_look(
        code,
        kind=kind,
        body_type=unit.body_type,
        lean="" if unit.lean == "level" else unit.lean,
        weather_side=unit.weather_side,
        cause=cause,
    )
    return Look(found, cause, unit)


def unseen(zones: Sequence[tuple[str, ZoneKind]], unit: Unit) -> tuple[BlindSpot, ...]:
    """Usual paths of water that no probe of a unit covers, the one to cover next first.

    Parameters
    ----------
    zones : sequence of (code, kind)
        Zones in which a probe is placed.
    unit : Unit
        As declared; slide-outs that are not declared are left out.
    """
    return entries.blind_spots(
        zones,
        body_type=unit.body_type,
        lean="" if unit.lean == "level" else unit.lean,
        weather_side=unit.weather_side,
        slides=unit.slides or 0,
    )


def found_shares() -> tuple[tuple[float, float], ...]:
    """Of simulated leaks that add less than so many points at the probe, the percentage found.

    The last class has no limit: inf. Classes of 10 points and more are one.
    """
    least = (0.0, 3.0, 6.0, 10.0)
    rows = entries.couplings().classes
    shares = []
    for lower, upper in zip(least, (*least[1:], np.inf), strict=True):
        own = [row for row in rows if lower <= row.least_points < upper]
        share = 100.0 * sum(row.found for row in own) / sum(row.leaks for row in own)
        shares.append((float(upper), share))
    return tuple(shares)


@lru_cache(maxsize=_KEPT)
def _section(kind: ZoneKind, cabin: bytes, outside: bytes, own: bytes) -> Section | None:
    indoors, outdoors = (np.frombuffer(side).reshape(2, -1) for side in (cabin, outside))
    sides = [_mean(outdoors), _mean(indoors)]
    if None in sides:
        return None
    (outside_c, outside_pa), (inside_c, inside_pa) = (side for side in sides if side)
    built = layers.assembly_for(kind)
    rest = condensation.interstitial_condensation(
        built,
        inside_c=inside_c,
        inside_pa=inside_pa,
        outside_c=outside_c,
        outside_pa=outside_pa,
        largest_part_m2_k_w=_FINE_M2_K_W,
    )
    behind = estimate.estimate(
        built,
        cabin_c=indoors[0],
        cabin_percent=indoors[1],
        outside_c=outdoors[0],
        outside_percent=outdoors[1],
    )
    place = np.interp(
        np.arange(len(rest.grid.depth_m)), rest.grid.faces, np.arange(len(rest.grid.faces))
    )
    high = behind.humidity_percent.high
    measured = np.frombuffer(own)[-CONTRADICTS_H:]
    dew = air.dew_point(vapour_pressure_pa=np.array([outside_pa, inside_pa]))
    return Section(
        construction=built.name,
        bridge=built.bridge.name,
        factor=built.bridge.mould_check_factor,
        u_value=wall.u_value(built),
        parts=tuple(Part(one.name, 1000.0 * one.thickness_m, one.source) for one in built.layers),
        place=place,
        temperature_c=rest.temperature_c,
        dew_point_c=air.dew_point(vapour_pressure_pa=rest.vapour_pa),
        vapour_pa=rest.vapour_pa,
        saturation_pa=rest.saturation_pa,
        planes=tuple(float(place[point]) for point in rest.planes),
        gain_g_m2_day=float(np.maximum(rest.rate_kg_m2_s, 0.0).sum() * 86_400_000.0),
        outside=(outside_c, float(dew[0])),
        inside=(inside_c, float(dew[1])),
        low_percent=behind.humidity_percent.low,
        best_percent=behind.humidity_percent.best,
        high_percent=high,
        above_h=int((measured > high[-CONTRADICTS_H:]).sum()),
        compared_h=int(np.isfinite(measured + high[-CONTRADICTS_H:]).sum()),
    )


def _mean(side: Floats) -> tuple[float, float] | None:
    """Mean temperature [°C] and vapour pressure [Pa] of the last day; None if half is missing."""
    celsius, humidity = side[:, -REST_H:]
    known = np.isfinite(celsius) & np.isfinite(humidity)
    if known.sum() < LEAST_H:
        return None
    pressure = air.vapour_pressure(temperature_c=celsius[known], humidity_percent=humidity[known])
    return float(celsius[known].mean()), float(pressure.mean())
