"""What the air of a lived-in unit is like and will be tonight: for pages only, nothing stored, nothing alarmed.

::

    cabin, outside: the last week's hours ─┐
    a forecast, else the usual day ────────┼─ night: air and dew point inside, hour by hour ahead
    people in it, noted or assumed ────────┘     ├─ surfaces: how near each comes to dew
                                                 ├─ balance: where the air settles at so many air changes
    carbon dioxide, where a probe has it ────────┴─ air changes, as a band
    all of it ── one action (`act`)

The dew point tonight is that of the last nights; who moved in lately has none yet, and the balance of
what people give off takes its place. Surfaces are assumed, by their temperature factors.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.explain import ASSUMED_M3, RAIN_MM
from monitor.judge import frost
from monitor.lot import PRIVATE, Event, ForecastHour
from monitor.physics import air, airchange, layers, ventilation, wall

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AHEAD_H = 24
WEEK_H = 7 * 24
ASSUMED_PEOPLE = 2
NIGHT_H = 6  # the last hours before six in the morning: people asleep, the air at rest
NIGHT_ENDS_H = 6  # on the clock at the unit
DRY_PERCENT, HUMID_PERCENT, TOO_HUMID_PERCENT = 30.0, 50.0, 60.0  # EPA; CDC: no more than 50
LEAST_AHEAD_H = 18  # of a day that a forecast must tell; the others are those of the usual day
LASTS_H = 24.0  # how long what is unusual in the weather lasts. Our choice.
LEAST_PA = 10.0  # drier air is no air of these latitudes
HEATED_C = 18.0  # of a unit that nobody is in, worked out as if somebody were
STALE_H = 3  # older air is not that of now
JUDGED = "Coldest surface that the cabin is judged by"
NEAR_K = 1.0  # to the dew point: what factors and sensors leave unknown
FROST_C = ventilation.LEAST_OPEN_C  # outside: air is let in for minutes only
# carbon dioxide a person gives off: 0.0048 L/s sitting, 0.0033 asleep (Persily and de Jonge, Indoor
# Air 27 (2017), from memory)
SITTING_L_S, ASLEEP_L_S = 0.0048, 0.0033
LITTLE_AIR_PPM = 1000.0  # above outdoors: less than 5 L/s for each person who sits

ActionKind = Literal[
    "freezing", "no figures", "air and heat", "open more", "heat", "dry the air", "more air",
    "open a little", "wipe", "nothing",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stay:
    """Whether somebody is in the unit.

    Attributes
    ----------
    occupied : bool
    since_s : int or None
        Since when; None: nobody noted it.
    people : int
        Noted with the stay, or `ASSUMED_PEOPLE`.
    noted : bool
        Whether the number was noted.
    """

    occupied: bool
    since_s: int | None
    people: int
    noted: bool


def stay(events: Sequence[Event], *, life: str, people: int = 0) -> Stay:
    """Who is in a unit by its newest note, else by its stage of life; `people` takes its place."""
    notes = [event for event in events if event.kind in PRIVATE]
    newest = max(notes, key=lambda event: event.at_s, default=None)
    occupied = life == "occupied" if newest is None else newest.kind == "occupied"
    first = "" if newest is None else newest.value.strip().partition(" ")[0]
    number = int(first) if re.fullmatch(r"[0-9]{1,2}", first) else 0
    said = people or (number if occupied else 0)
    return Stay(occupied, newest.at_s if newest else None, said or ASSUMED_PEOPLE, bool(said))


Spell = tuple[int, int | None]


def spells(events: Sequence[Event], *, life: str) -> list[Spell]:
    """From when to when people lived in a unit; None: they still do.

    A unit that is occupied by its stage of life alone always was, for all anybody noted.
    """
    found: list[Spell] = []
    since: int | None = 0 if life == "occupied" else None
    for event in sorted(events, key=lambda event: event.at_s):
        if event.kind == "occupied":
            since = event.at_s if since is None else since
        elif event.kind == "vacated" and since is not None:
            found.append((since, event.at_s))
            since = None
    return found if since is None else [*found, (since, None)]


@dataclass(frozen=True, slots=True)
class Surface:
    """A place where water settles first.

    Attributes
    ----------
    name, source : str
    factor : float
        Temperature factor.
    now_c, coldest_c : float
        Now, and at the hour ahead in which it comes nearest to the dew point. [°C]
    margin_k : float
        Surface less dew point in that hour; nan: not known. [K]
    hour : int
        That hour, counted from the next one; -1: none is known.
    dew_h : int
        Hours of the `AHEAD_H` ahead with water on it.
    """

    name: str
    source: str
    factor: float
    now_c: float
    coldest_c: float
    margin_k: float
    hour: int
    dew_h: int


@dataclass(frozen=True, slots=True)
class Settles:
    """Where the air settles at a number of air changes; [1/h] [°C] [%]."""

    changes_per_h: float
    dew_point_c: float
    humidity_percent: float
    streams: bool  # below it the coldest surface does


@dataclass(frozen=True, slots=True, eq=False)
class Living:
    """Figures of the Living page; floats are nan where not known.

    Attributes
    ----------
    stay : Stay
    temperature_c, humidity_percent, dew_point_c, outside_c, outside_dew_c : float
        Of the last hour.
    co2_ppm : float
        Mean of the last hour.
    per_person_l_s : tuple of float
        Outdoor air for each person that the carbon dioxide tells of: asleep, sitting.
    ahead_c, ahead_dew_c, ahead_outside_c : ndarray, shape (24,)
        Air and dew point inside, air outside, hour by hour from the next one.
    from_forecast : bool
        Whether the air outside is a forecast; else the usual day of the last week.
    from_balance : bool
        Whether the dew point ahead is worked out from people, and not from nights that were measured.
    rain_h : int
        First hour ahead with rain; -1: none is expected, -2: nobody knows.
    surfaces : tuple of Surface
        The one that comes nearest to its dew point first.
    generation_g_h : tuple of float
        What the people give off in a night, least and most.
    settles : tuple of Settles
    changes_per_h : tuple of float
        Air changes that the last nights' water tells of, low and high.
    decays : tuple of monitor.physics.airchange.Decay
        Air changes that carbon dioxide tells of.
    needed_per_h : float
        Air changes that hold the judged surface below 80 %.
    ahead_outside_dew_c : ndarray, shape (24,)
        Dew point outside, hour by hour from the next one.
    advice : str
        What opening does now: a word of `monitor.physics.ventilation.ADVICE`.
    freezing : monitor.judge.frost.Freezing
    volume_m3 : float
    """

    stay: Stay
    temperature_c: float
    humidity_percent: float
    dew_point_c: float
    outside_c: float
    outside_dew_c: float
    co2_ppm: float
    per_person_l_s: tuple[float, float]
    ahead_c: Floats
    ahead_dew_c: Floats
    ahead_outside_c: Floats
    from_forecast: bool
    from_balance: bool
    rain_h: int
    surfaces: tuple[Surface, ...]
    generation_g_h: tuple[float, float]
    settles: tuple[Settles, ...]
    changes_per_h: tuple[float, float]
    decays: tuple[airchange.Decay, ...]
    needed_per_h: float
    ahead_outside_dew_c: Floats
    advice: str
    freezing: frost.Freezing
    volume_m3: float

    @property
    def dries_tonight(self) -> bool:
        """Whether the air outside is the drier when the judged surface comes nearest to the dew point.

        Who moved in an hour ago has hardly wetted the air yet: what it will hold by then counts.
        """
        judged = self.judged
        if judged is None:
            return False
        above = self.ahead_dew_c[judged.hour] - self.ahead_outside_dew_c[judged.hour]
        return bool(above >= ventilation.LEAST_DEADBAND_K)

    @property
    def judged(self) -> Surface | None:
        """The surface that the cabin is judged by; None where no hour ahead is known."""
        return next((surface for surface in self.surfaces if surface.name == JUDGED), None)


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the record has of a unit; hours end with the last full one.

    Attributes
    ----------
    stay : Stay
    cabin, outside : ndarray, shape (2, hours)
        Temperature and humidity, a week or more. [°C] [%] nan where missing.
    ahead : sequence of ForecastHour
        Forecast; empty: none.
    next_hour : int
        Hour number of the next hour.
    clock_h : int
        Hour of the day, at the unit, of the next hour.
    factor : float
        Temperature factor that the cabin is judged by. [0 to 1]
    factor_source : str
        Whether it is declared or assumed.
    altitude_m : float
    pipes : sequence of (zone, ndarray)
        Hourly temperatures of places where pipes are. [hours; °C]
    water : bool
        Whether water stands in the lines.
    co2_at_s, co2_ppm : ndarray
        Samples of carbon dioxide, in order of time; empty: no probe has it.
    """

    stay: Stay
    cabin: Floats
    outside: Floats
    ahead: Sequence[ForecastHour]
    next_hour: int
    clock_h: int
    factor: float
    factor_source: str
    altitude_m: float
    pipes: Sequence[tuple[str, Floats]]
    water: bool
    co2_at_s: Ints
    co2_ppm: Floats


def living(told: Told) -> Living:
    """Work out the Living page of a unit.

    Parameters
    ----------
    told : Told

    Returns
    -------
    Living
        nan, empty or "unknown" wherever something is not known; nothing is guessed in its place but
        what is said to be assumed.
    """
    room = ventilation.Cabin(volume_m3=ASSUMED_M3, altitude_m=told.altitude_m)
    night = _ahead(told, room)
    generation = ventilation.generation(asleep=told.stay.people)
    surfaces = _surfaces(told, night)
    judged = next((surface for surface in surfaces if surface.name == JUDGED), None)
    now, around = _now(told.cabin), _now(told.outside)
    changes = _changes(told, room, generation)
    ppm = _last_hour_ppm(told)
    return Living(
        stay=told.stay,
        temperature_c=now[0],
        humidity_percent=now[1],
        dew_point_c=_dew(*now),
        outside_c=around[0],
        outside_dew_c=_dew(*around),
        co2_ppm=ppm,
        per_person_l_s=per_person(ppm),
        ahead_c=night.inside_c,
        ahead_dew_c=night.dew_c,
        ahead_outside_c=night.outside[0],
        from_forecast=night.from_forecast,
        from_balance=night.from_balance,
        rain_h=night.rain_h,
        surfaces=surfaces,
        generation_g_h=generation,
        settles=_settles(told.stay, night, judged, room, generation),
        changes_per_h=changes,
        decays=airchange.decays(at_s=told.co2_at_s, co2_ppm=told.co2_ppm),
        needed_per_h=_needed(night, judged, room, generation),
        ahead_outside_dew_c=_dews(*night.outside),
        advice=_advice(now, around, judged),
        freezing=frost.freezing(
            told.pipes,
            outside_c=told.outside[0],
            ahead_c=night.outside[0],
            water=told.water,
            by_forecast=night.from_forecast,
        ),
        volume_m3=room.volume_m3,
    )


def surface_course(*, inside_c: ArrayLike, outside_c: ArrayLike, factor: float) -> Floats:
    """Temperature of a surface, hour by hour [°C]."""
    return wall.surface_temperature(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=factor
    )


def per_person(co2_ppm: float) -> tuple[float, float]:
    """Outdoor air for each person that carbon dioxide at rest tells of: asleep, sitting [L/s].

    nan where it is not known or hardly above outdoors: then anything fits.
    """
    excess = co2_ppm - airchange.OUTSIDE_PPM
    if not excess >= airchange.LEAST_EXCESS_PPM:
        return float("nan"), float("nan")
    return ASLEEP_L_S / excess * 1e6, SITTING_L_S / excess * 1e6


def band(humidity_percent: float) -> str:
    """Where a humidity stands in the published bands: "dry", "within", "above", "too humid" or ""."""
    if np.isnan(humidity_percent):
        return ""
    if humidity_percent < DRY_PERCENT:
        return "dry"
    if humidity_percent <= HUMID_PERCENT:
        return "within"
    return "above" if humidity_percent < TOO_HUMID_PERCENT else "too humid"


# --- one action -----------------------------------------------------------------------------------


def act(found: Living) -> ActionKind:
    """The one thing to do now. Never to close: people and flames need air.

    In order: water that freezes; nothing can be said; water on the judged surface tonight, by more
    air first where people have used it; that air alone; a humid room; water on glass alone; nothing.
    """
    freezing = found.freezing
    expected = freezing.expected
    if freezing.at_risk and not freezing.heated and expected and np.isfinite(expected.earliest_h):
        return "freezing"
    judged, opens = found.judged, found.advice == "dries"
    if judged is None or np.isnan(found.humidity_percent):
        return "no figures"
    if judged.margin_k < NEAR_K:
        enough = found.needed_per_h <= ventilation.AJAR_CHANGES_PER_H
        if not found.dries_tonight:
            return "more air" if _is_used(found) else "heat"
        return "open more" if enough else "air and heat"
    return _lesser(found, opens=opens)


def _lesser(found: Living, *, opens: bool) -> ActionKind:
    if _is_used(found):
        return "more air"
    if found.humidity_percent >= TOO_HUMID_PERCENT:
        return "open a little" if opens else "dry the air"
    return "wipe" if found.surfaces[0].margin_k < 0.0 else "nothing"


def _is_used(found: Living) -> bool:
    """Whether carbon dioxide tells of little air for who is in it: that goes before drying."""
    return bool(found.co2_ppm - airchange.OUTSIDE_PPM > LITTLE_AIR_PPM)


# --- parts ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Ahead:
    """Hours ahead: air inside and its dew point, air outside."""

    inside_c: Floats
    dew_c: Floats
    outside: Floats  # (2, hours)
    from_forecast: bool
    from_balance: bool
    rain_h: int


def _ahead(told: Told, room: ventilation.Cabin) -> _Ahead:
    week = told.cabin[:, -WEEK_H:].copy()
    since = told.stay.since_s
    if told.stay.occupied and since is not None:  # nights before are those of an empty unit
        before = len(week[0]) - max(told.next_hour - since // 3600, 0)
        week[:, : max(before, 0)] = np.nan
    usual_in, usual_out = _usual(week), _usual(told.outside[:, -WEEK_H:])
    outside, from_forecast, rain_h = _outside(told, usual_out)
    inside_c = _shifted(usual_in[0], week[0])
    # what the people in it add lies on top of the vapour that comes from outside
    inside_pa = _vapour(outside) + usual_in[1] - usual_out[1]
    dew_c = air.dew_point(vapour_pressure_pa=np.maximum(inside_pa, LEAST_PA))
    from_balance = bool(np.isnan(dew_c).all()) and told.stay.occupied
    if from_balance:
        inside_c = np.full(AHEAD_H, _now(told.cabin)[0])
        dew_c = _balance(outside, inside_c, told.stay.people, room).dew_point_c
    return _Ahead(inside_c, dew_c, outside, from_forecast, from_balance, rain_h)


def _balance(
    outside: Floats, inside_c: Floats, people: int, room: ventilation.Cabin
) -> ventilation.Balance:
    """Air at rest with people asleep in a closed unit."""
    return ventilation.moisture_balance(
        outside_c=outside[0],
        outside_percent=outside[1],
        inside_c=inside_c,
        generation_g_h=sum(ventilation.generation(asleep=people)) / 2.0,
        air_changes_per_h=sum(ventilation.CLOSED_CHANGES_PER_H) / 2.0,
        cabin=room,
    )


def _usual(hours: Floats) -> Floats:
    """Temperature [°C] and vapour [Pa] of the usual day of some days, (2, 24), from the next hour on."""
    celsius, humidity = ventilation.typical_day(temperature_c=hours[0], humidity_percent=hours[1])
    return np.stack([celsius, _vapour(np.stack([celsius, humidity]))])


def _shifted(usual: Floats, measured: Floats) -> Floats:
    """The usual day moved to what the last hour was: weather goes on for a while as it is."""
    known = measured[~np.isnan(measured)]
    if not len(known) or np.isnan(measured[-STALE_H:]).all():
        return usual
    off = known[-1] - usual[-1]  # the last of the 24 is the hour just gone
    return usual + (0.0 if np.isnan(off) else off) * np.exp(-np.arange(1, AHEAD_H + 1) / LASTS_H)


def _outside(told: Told, usual: Floats) -> tuple[Floats, bool, int]:
    """Air outside in the hours ahead, whether it is a forecast, and the first hour with rain."""
    table = np.full((2, AHEAD_H), np.nan)
    rain = np.full(AHEAD_H, np.nan)
    for expected in told.ahead:
        place = expected.hour - told.next_hour
        if 0 <= place < AHEAD_H:
            given = (expected.temperature_c, expected.humidity_percent, expected.rain_mm)
            values = [np.nan if value is None else value for value in given]
            table[:, place], rain[place] = values[:2], values[2]
    rain_h = -2 if (~np.isnan(rain)).sum() < LEAST_AHEAD_H else -1
    if (rain >= RAIN_MM).any():
        rain_h = int(np.argmax(rain >= RAIN_MM))
    measured = told.outside[:, -WEEK_H:]
    celsius, vapour_pa = (
        _shifted(line, past)
        for line, past in zip(usual, (measured[0], _vapour(measured)), strict=True)
    )
    humidity = air.relative_humidity(
        vapour_pressure_pa=np.maximum(vapour_pa, LEAST_PA), temperature_c=celsius
    )
    usual_day = np.stack([celsius, np.minimum(humidity, 100.0)])
    told_h = int((~np.isnan(table).any(axis=0)).sum())
    if told_h < LEAST_AHEAD_H:
        return usual_day, False, rain_h
    return np.where(np.isnan(table).any(axis=0), usual_day, table), True, rain_h


def _surfaces(told: Told, night: _Ahead) -> tuple[Surface, ...]:
    """Each cold place, the one nearest to dew first; empty where no hour ahead is known."""
    kinds = [
        ("Single glazing", layers.SINGLE_PANE.factor, "by its resistance, ISO 6946"),
        ("Double acrylic window", layers.DOUBLE_ACRYLIC.factor, "by its resistance"),
        (
            "Wall at a metal stud, behind a cabinet or cushion",
            layers.ALUMINIUM_STUD.mould_check_factor,
            layers.ALUMINIUM_STUD.source,
        ),
        (
            "Corner of a cabinet on an outside wall, wood frame",
            layers.WOOD_STUD.mould_check_factor,
            layers.WOOD_STUD.source,
        ),
        (
            "Underside of a mattress on a board",
            layers.BARE_BOARD.mould_check_factor,
            layers.BARE_BOARD.source,
        ),
    ]
    kinds.append((JUDGED, told.factor, told.factor_source))
    now_in, now_out = _now(told.cabin)[0], _now(told.outside)[0]
    found = []
    for name, factor, source in kinds:
        course = wall.surface_temperature(
            inside_c=night.inside_c, outside_c=night.outside[0], temperature_factor=factor
        )
        margin = course - night.dew_c
        if np.isnan(margin).all():
            continue
        hour = int(np.nanargmin(margin))
        found.append(
            Surface(
                name=name,
                source=source,
                factor=factor,
                now_c=now_out + factor * (now_in - now_out),
                coldest_c=float(course[hour]),
                margin_k=float(margin[hour]),
                hour=hour,
                dew_h=int((margin <= 0.0).sum()),
            )
        )
    return tuple(sorted(found, key=lambda surface: surface.margin_k))


def _settles(
    stay: Stay,
    night: _Ahead,
    worst: Surface | None,
    room: ventilation.Cabin,
    generation: tuple[float, float],
) -> tuple[Settles, ...]:
    """Where a night's air settles: shut as units are, and with a vent and a window ajar."""
    if worst is None:
        return ()
    hour = worst.hour
    inside_c, surface_c = night.inside_c[hour], worst.coldest_c
    if not stay.occupied and inside_c < HEATED_C:
        inside_c = HEATED_C
        surface_c = float(
            surface_course(inside_c=inside_c, outside_c=night.outside[0, hour], factor=worst.factor)
        )
    rows = []
    for changes in (*ventilation.CLOSED_CHANGES_PER_H, 1.0, ventilation.AJAR_CHANGES_PER_H):
        rest = ventilation.moisture_balance(
            outside_c=night.outside[0, hour],
            outside_percent=night.outside[1, hour],
            inside_c=inside_c,
            generation_g_h=sum(generation) / 2.0,
            air_changes_per_h=changes,
            cabin=room,
        )
        dew = float(rest.dew_point_c)
        if not np.isnan(dew):
            humidity = float(rest.humidity_percent)
            rows.append(Settles(changes, dew, humidity, dew >= surface_c))
    return tuple(rows)


def _needed(
    night: _Ahead, worst: Surface | None, room: ventilation.Cabin, generation: tuple[float, float]
) -> float:
    if worst is None:
        return float("nan")
    hour = worst.hour
    return float(
        ventilation.air_changes_needed(
            outside_c=night.outside[0, hour],
            outside_percent=night.outside[1, hour],
            inside_c=night.inside_c[hour],
            surface_c=worst.coldest_c,
            generation_g_h=generation[1],
            cabin=room,
        )
    )


def _changes(
    told: Told, room: ventilation.Cabin, generation: tuple[float, float]
) -> tuple[float, float]:
    """Air changes of the last three nights; nan unless somebody slept there in all of them."""
    unknown = float("nan"), float("nan")
    since = told.stay.since_s
    hours = len(told.cabin[0])
    if not told.stay.occupied or (since is not None and told.next_hour - since // 3600 < 3 * 24):
        return unknown
    back = (told.clock_h - NIGHT_ENDS_H) % 24
    taken = [
        hours - back - 24 * night - hour
        for night in range(3)
        for hour in range(1, NIGHT_H // 2 + 1)
    ]
    taken = [place for place in taken if 0 <= place < hours]
    if not taken:
        return unknown
    return airchange.from_vapour(
        inside_c=told.cabin[0, taken],
        inside_percent=told.cabin[1, taken],
        outside_c=told.outside[0, taken],
        outside_percent=told.outside[1, taken],
        least_g_h=generation[0],
        most_g_h=generation[1],
        cabin=room,
    )


def _advice(now: tuple[float, float], around: tuple[float, float], worst: Surface | None) -> str:
    """What opening does to the water inside now; dew that is there already is no reason against it."""
    surface_c = float("nan") if worst is None else worst.now_c
    said = str(
        ventilation.advice(
            inside_c=now[0],
            inside_percent=now[1],
            outside_c=around[0],
            outside_percent=around[1],
            coldest_surface_c=surface_c,
        )
    )
    if said == "condenses" and _dew(*now) >= _dew(*around) + ventilation.LEAST_DEADBAND_K:
        return "dries"  # people add water without end: the drier air outside is still the better
    return said


def _now(hours: Floats) -> tuple[float, float]:
    """Temperature and humidity of the newest of the last hours in which both are known."""
    for back in range(1, min(STALE_H, hours.shape[1]) + 1):
        celsius, humidity = hours[:, -back]
        if not np.isnan(celsius + humidity):
            return float(celsius), float(humidity)
    return float("nan"), float("nan")


def _last_hour_ppm(told: Told) -> float:
    recent = told.co2_ppm[told.co2_at_s >= (told.next_hour - 1) * 3600]
    recent = recent[~np.isnan(recent)]
    return float(recent.mean()) if len(recent) else float("nan")


def _dew(celsius: float, humidity: float) -> float:
    return float(_dews(np.array([celsius]), np.array([humidity]))[0])


def _vapour(hours: Floats) -> Floats:
    return air.vapour_pressure(temperature_c=hours[0], humidity_percent=hours[1])


def _dews(celsius: Floats, humidity: Floats) -> Floats:
    return air.dew_point(vapour_pressure_pa=_vapour(np.stack([celsius, humidity])))
