"""Every sentence a person reads about what was found, wherever it appears.

An alarm's text holds condition, likely cause, consequence, response, time allowed and what not to
do, with the short caution where the response can hurt someone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite, isnan

from monitor.lot import AlarmClass, AlarmKind

TIME_ALLOWED: dict[AlarmClass, str] = {
    "act now": "within the hour",
    "today": "by the end of the next working day",
    "this week": "within 7 days",
    "season": "within 30 days",
}

# short caution on every mould and damp alarm, page and document; the longer one stands behind it
CAUTION = (
    "Stay off a roof that may be wet or soft, cut power before opening a wet wall, and leave mould "
    "clean-up over about 1 m² (10 sq ft), LP gas and wiring to licensed people and local rules."
)
ALARMS_ARE_SEPARATE = (
    "CO, LP-gas and smoke alarms are separate devices: Sillkeep neither replaces nor silences them."
)
CAUTION_LONG = (
    "Roof: many are not made to be walked on, wet membranes are slippery and rotten decking gives "
    "way; look from a ladder you brought and checked, with somebody holding it. Electricity: pull "
    "shore power, inverter and generator before opening a wet wall. Mould: small areas can be "
    "cleaned with an N-95 mask, gloves and goggles after the water is stopped; people with asthma, "
    "allergies, lung disease or weak immunity stay out and ask a clinician (EPA 402-K-02-003, CDC "
    "clean-up guidance). Never mix bleach with ammonia or other cleaners. A sharp smell near an "
    f"absorption refrigerator: leave, air, and call a professional. {ALARMS_ARE_SEPARATE}"
)


@dataclass(frozen=True, slots=True)
class AlarmText:
    """The six parts of an alarm's text."""

    condition: str
    cause: str
    consequence: str
    response: str
    do_not: str
    caution: str = CAUTION

    def joined(self, time_allowed: str) -> str:
        """One paragraph, for the record, the page and a message."""
        parts = (self.condition, self.cause, self.consequence, f"{self.response} ({time_allowed}).")
        return " ".join(filter(None, (*parts, self.do_not, self.caution)))


def alarm_text(
    kind: AlarmKind, *, zone: str, alarm_class: AlarmClass, facts: Mapping[str, float | str]
) -> str:
    """Text of an alarm.

    Parameters
    ----------
    kind : AlarmKind
        What was found.
    zone : str
        Its zone's code, "" for a whole unit or a node.
    alarm_class : AlarmClass
        How soon it asks for its answer.
    facts : mapping
        Figures it was judged from, as `monitor.judge.AlarmChange` carries them.
    """
    return PARTS[kind](zone, facts).joined(TIME_ALLOWED[alarm_class])


def moment(at_s: int) -> str:
    """A time for a person who may be in another time zone."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _number(facts: Mapping[str, float | str], name: str) -> float:
    value = facts.get(name, float("nan"))
    return float(value) if not isinstance(value, str) else float("nan")


def _moisture(facts: Mapping[str, float | str]) -> str:
    """What the wood reads, and how much of it the weather explains."""
    wood, ambient = (
        _number(facts, "wood_moisture_percent"),
        _number(facts, "ambient_moisture_percent"),
    )
    if isnan(wood):
        return "liquid water was sensed"
    by = "by the pin probe" if facts.get("basis") == "pin" else "estimated from the air beside it"
    said = f"wood moisture is {wood:.1f} % ({by}"
    if facts.get("basis") != "pin" and wood > 22:
        said += ", unreliable above about 22 %"
    if isnan(ambient):
        return f"{said}; no outside air or like zone to compare with)"
    excess = wood - ambient
    weighed = f"{excess:.1f} points more than" if excess > 0 else f"{-excess:.1f} points less than"
    return f"{said}; that is {weighed} the {ambient:.1f} % the weather alone explains)"


def weather_explains(facts: Mapping[str, float | str]) -> bool:
    """Whether wood in the zone is within 1 point of what the air outside alone makes of it.

    One point: the error of a 2 % sensor at 80 % humidity. In a room: its air holds hardly more
    water than the air outside.
    """
    wood, ambient = (
        _number(facts, "wood_moisture_percent"),
        _number(facts, "ambient_moisture_percent"),
    )
    return wood - ambient < 1.0


def _rain(facts: Mapping[str, float | str]) -> str:
    rain = _number(facts, "rain_72_mm")
    if isnan(rain):
        return "Rain is not recorded, so it cannot be matched to rain."
    return f"Rain in the three days before: {rain:.0f} mm."


def _why_wet(facts: Mapping[str, float | str]) -> str:
    wood, ambient = (
        _number(facts, "wood_moisture_percent"),
        _number(facts, "ambient_moisture_percent"),
    )
    rain = _rain(facts)
    if facts.get("cause") == "condensation":
        return "Likely cause: condensation on the coldest surface. " + rain
    if isfinite(wood) and isfinite(ambient) and wood - ambient >= 3.0:
        return (
            "Water is coming from somewhere other than the air outside: a leak is likely, plumbing "
            "or trapped moisture are possible. " + rain
        )
    if weather_explains(facts):
        return (
            "The weather explains it: a damp spell, and no sign of a leak in this zone's figures. "
            + rain
        )
    return "Cause: cannot tell from one zone yet. " + rain


def _response_to_damp(facts: Mapping[str, float | str]) -> str:
    if weather_explains(facts):
        return "Nothing to open for this alone: air or dry the unit when the air outside holds less water"
    return "Compare it with its dry twin, look for the entry above and up-slope, and check again after rain"


def _damp(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    if facts.get("kind") in {"cabin", "bed"}:
        surface = _number(facts, "surface_mean_percent")
        return AlarmText(
            f"{zone} is damp: over the last day humidity at its coldest surface averaged {surface:.0f} % "
            f"(temperature factor {facts.get('factor', 'assumed')}).",
            "The weather explains it: the air inside holds hardly more water than the air outside."
            if weather_explains(facts)
            else "Likely cause: condensation, from people, cooking, wet things or a warm spell after cold.",
            "Mould grows on surfaces that stay above about 80 %.",
            "Air the unit when the air outside holds less water, heat gently, wipe cold surfaces",
            "Do not close the vents of a unit somebody sleeps in.",
        )
    return AlarmText(
        f"{zone} is damp: {_moisture(facts)}, for a day or more.",
        _why_wet(facts),
        "Mould starts behind a wall that stays this damp in mild weather; wood this damp does not rot yet.",
        _response_to_damp(facts),
        "Do not seal anything before you know whether water comes in or condenses.",
    )


def _wet(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        f"{zone} is wet: {_moisture(facts)}.",
        _why_wet(facts),
        "Wood that stays above 20 % can rot; glue lines of laminated walls let go.",
        "Open the unit, look above and up-slope of this zone for the joint that lets water in, and dry it",
        "Do not walk on the roof and do not close it up wet.",
    )


def _mould(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    index = _number(facts, "mould_index")
    scale = (
        "growth that the eye can see"
        if index >= 3
        else "first growth, seen only under a microscope"
    )
    return AlarmText(
        f"{zone}: conditions have favoured mould growth; the index is {index:.1f} of 6 ({scale}, since "
        "monitoring began; mould index in the form of ASHRAE 160).",
        _why_wet(facts),
        "The index says how long conditions were right, not that mould is there, nor which.",
        "Look and smell at this zone, stop the moisture, dry it within 24 to 48 hours of any wetting",
        "Do not brush or spray dry growth.",
    )


def _condensation(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    hours = _number(facts, "dew_h")
    return AlarmText(
        f"{zone}: the coldest surface was at or below the dew point for {hours:.0f} of the last 24 hours "
        f"(temperature factor {facts.get('factor', 'assumed')}).",
        "Likely cause: condensation from moist air inside on cold glass, frames or studs.",
        "Water runs into sills and behind panels, and mould follows.",
        "Air the unit, heat it a little, wipe the glass, lift mattresses and open cabinets",
        "Do not close the vents of a unit somebody sleeps in.",
    )


def _freezing(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    celsius = _number(facts, "temperature_c")
    return AlarmText(
        f"{zone} is at {celsius:.1f} °C and falling, and the unit is not recorded as winterised.",
        "Cause: cold outside and no heat.",
        "Water in pipes, pumps and traps freezes and splits them; the leak shows when it thaws.",
        "Heat the unit or drain and winterise it, then record it as winterised",
        "Do not thaw pipes with a flame and do not run an unvented heater unattended.",
        "CO and LP-gas alarms stay in place and switched on; leave gas appliances to licensed people.",
    )


def _contact(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    del facts
    return AlarmText(
        f"{zone}: liquid water touches the probe.",
        "Likely cause: a leaking pipe, tank, trap or door, or rain running in.",
        "A floor soaks it up within hours and holds it for months.",
        "Shut the water supply, cut power to what is wet, mop up and find the source",
        "Do not step on a floor that gives way.",
    )


def _silent(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    node, since = facts.get("node", "its node"), facts.get("since", "")
    heard = f"nothing heard since {since}" if since else "nothing heard since it was placed"
    return AlarmText(
        f"{zone or 'A node'}: {heard} ({node}).",
        "Likely cause: battery, radio, gateway or mains.",
        "Nobody is watching this zone: what it was before says nothing about now.",
        "Check the gateway first, then the node's battery and place",
        "Do not take silence for dryness.",
        "",
    )


_CUES = {
    "balance": "day after day it took up more water than weather and cabin explain (sum {own_balance:.0f} of 40)",
    "rain": "what is left unexplained follows rain (t {own_rain:.1f} over 60 days, beside its like zones)",
    "vapour source": "its air holds more water than cabin and outside air ({source_20:.1f} % of saturation)",
    "like zones": "it stands {like_level:.1f} points above its like zones, {like_rise:+.1f} against its own past",
    "weather": "it stands {weather_level:.1f} points above what the weather alone explains",
}
_LEAK_CAUSES = {
    "rain ingress": "Likely cause: rain getting in.",
    "plumbing": "Likely cause: a pipe, tank, trap or fitting: it does not follow rain.",
    "condensation": "Likely cause: condensation from the room rather than a leak; look before sealing.",
    "built-in moisture": "Likely cause: moisture that was there when watching began, not a new leak.",
}


def cue_text(cue: str, facts: Mapping[str, float | str]) -> str:
    """A cue with its numbers."""
    return _CUES[cue].format_map(facts)


def _leak(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    cues = [str(facts[name]) for name in ("cue_1", "cue_2") if facts.get(name) in _CUES]
    said = "; ".join(cue_text(cue, facts) for cue in cues) or "several weak cues agree"
    cause = _LEAK_CAUSES.get(str(facts.get("cause")), "Cause: the cues disagree, cannot tell.")
    pipes = facts.get("cause") == "plumbing"
    look = (
        "Shut the water supply and look along pipes, traps and fittings above this zone"
        if pipes
        else "Look above and up-slope of this zone for the joint that lets water in, then record an inspection"
    )
    return AlarmText(
        f"{zone} is suspected of a leak: {said}.",
        f"{cause} What spoke: {facts.get('voted') or 'nothing clear'}. {_rain(facts)}",
        "It is wet already, and wood that stays wet rots."
        if facts.get("state") == "wet"
        else "Found now it may need only a tube of sealant; wood that stays wet rots.",
        look,
        "Do not seal before you know where the water comes in: sealing condensation in makes it worse.",
    )


# name, meaning, source: what stands behind each figure of a zone's page
MEANINGS: tuple[tuple[str, str, str], ...] = (
    (
        "Humidity",
        "As the sensor reads it. Below 0 °C it refers to liquid water: 82 % at -20 °C is saturated over ice.",
        "convention of the World Meteorological Organization",
    ),
    (
        "Dew point",
        "Temperature at which this air begins to condense; below 0 °C the frost point. A sensor off by 0.2 K and "
        "2 % moves it by 0.4 K in damp air and 1.2 K in dry air.",
        "ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 and 6",
    ),
    (
        "Wood moisture",
        "Water in wood at rest with this air, as a share of its dry mass. Panels scatter by 3 points; above about "
        "22 % air says little, and only a pin probe tells.",
        "Wood Handbook FPL-GTR-282, eq. 4-5",
    ),
    (
        "From weather alone",
        "What the same wood would hold in outside air. What is above it has another source.",
        "the same equation, with the outside air's vapour",
    ),
    (
        "Mould index",
        "How long conditions for growth lasted, 0 to 6: 1 is seen with a microscope, 3 by eye. It tells neither "
        "that mould is there nor which. A 2 % sensor error changes its speed by a third.",
        "ASHRAE 160-2016; growth after Hukka and Viitanen 1999",
    ),
    (
        "Leak score",
        "0 to 1, from water that weather and cabin do not explain, its rhythm with rain, and like zones. No "
        "probability: its weights come from simulated walls, not from measured leaks.",
        "our own fit, tried on simulated units it never saw",
    ),
    (
        "Section",
        "The usual wall of this kind at rest: temperature, and the dew point of the vapour in it. Where they meet, "
        "water condenses. Diffusion only: no leak, no draught.",
        "ISO 13788 for the wall at rest; the equations of EN 15026 for the estimate",
    ),
)


NO_SECTION = "Not drawn: it needs half a day of readings in the cabin and outside, and one of them is missing."


def growth_text(target: float, *, days: float, low_days: float, high_days: float) -> str:
    """When the mould index would reach its next mark."""
    mark = "1, seen with a microscope" if target < 2 else "3, seen by eye"

    def said(value: float) -> str:
        if value == float("inf"):
            return "never within two years"
        return "1 day" if round(value) == 1 else f"{value:.0f} days"

    if said(days) == said(low_days) == said(high_days):
        return f"If the last fortnight went on, the index would reach {mark}: {said(days)}."
    return (
        f"If the last fortnight went on, the index would reach {mark}: {said(days)}; a sensor off by "
        f"0.2 K and 2 % leaves {said(low_days)} to {said(high_days)}."
    )


def section_text(
    *, gain_g_m2_day: float, planes: int, inside: str, outside: str, construction: str
) -> str:
    """What a wall at rest does."""
    found = (
        f"vapour condenses inside it at {planes} {'place' if planes == 1 else 'places'}, about "
        f"{gain_g_m2_day:.1f} g/m² a day"
        if planes
        else "nothing condenses inside it"
    )
    return (
        f"A usual {construction} (assumed) at rest with the last day's means, inside {inside}, outside "
        f"{outside}: {found}."
    )


def estimate_text(*, low: float, high: float, contradicted: bool, own: bool) -> str:
    """What the air on both sides says of the air behind the panel."""
    said = (
        f"Estimate from the air on both sides: {low:.0f} to {high:.0f} % behind the panel. It knows "
        "vapour only and cannot see a leak."
    )
    if contradicted:
        return said + (
            " The probe here has read above that band for most of three days: more water than both "
            "sides explain."
        )
    if not own:
        return said + " No probe sits there: a leak needs a probe at the wall to be seen."
    return said


PARTS = {
    "leak suspect": _leak,
    "damp": _damp,
    "wet": _wet,
    "mould growth": _mould,
    "condensation": _condensation,
    "freezing": _freezing,
    "water contact": _contact,
    "silent": _silent,
}


# --- airing ---------------------------------------------------------------------------------------

KEEP_VENTS_OPEN = "Keep the usual vents open: people need the air, whatever the figures say."
NEVER_CLOSE_UP = "Never close up a unit that somebody is in, not to keep it warm and not to dry it."
FLAMES_NEED_AIR = (
    "Heaters and cookers burn the air of the room and need it: vents for combustion stay open, and "
    "every kg of gas burnt without a flue leaves 1.6 kg of water inside."
)
WARM_AFTER_COLD = (
    "After a cold spell tanks, floors and full cabinets stay cold for a day: mild damp air let in "
    "leaves its water on them."
)
REACH_VENTS_FROM_INSIDE = (
    "Work roof vents from inside. From outside stay off the roof, and use a ladder you brought and "
    "checked, with somebody holding it."
)
LOCAL_RULES = "Local rules and the makers' instructions for vents and gas come first."
AIRING_CAUTIONS = (
    NEVER_CLOSE_UP,
    FLAMES_NEED_AIR,
    ALARMS_ARE_SEPARATE,
    WARM_AFTER_COLD,
    REACH_VENTS_FROM_INSIDE,
    LOCAL_RULES,
)


NO_AIRING = "Cannot tell whether opening dries: the last hour inside or outside is not known."
PATTERN = "From the pattern of the last week, not from a forecast."


def airing_basis(*, volume_m3: float, factor: float) -> str:
    """What the figures of airing rest on."""
    return (
        f"Figures are for {volume_m3:.0f} m³ of air with a roof vent and a window ajar, two changes of air "
        f"an hour, and a coldest surface of temperature factor {factor:.2f} that lags by a day: assumptions, "
        "and rough ones."
    )


def airing_text(
    advice: str,
    *,
    occupied: bool,
    inside_dew_c: float,
    outside_dew_c: float,
    surface_c: float,
    rate_g_h: float = float("nan"),
) -> str:
    """What opening does now, and what to do.

    Parameters
    ----------
    advice : str
        A word of `monitor.physics.ventilation.ADVICE`.
    occupied : bool
        Whether anybody is in the unit: then nothing here asks to close anything. True where nobody
        knows.
    inside_dew_c, outside_dew_c, surface_c : float
        Dew points of the air, and the coldest surface. [°C]
    rate_g_h : float
        Water that leaves with the vents open, negative where it comes in; nan: not said. [g/h]
    """
    points = f"dew point {_celsius(outside_dew_c)} outside, {_celsius(inside_dew_c)} inside"
    amount = "" if isnan(rate_g_h) else f" {_water(abs(rate_g_h))} an hour"
    hold = (
        "Open no more than usual: " if occupied else "Leave windows and roof vents closed for now: "
    )
    said = {
        "dries": f"Open{' more' if occupied else ''}: the air outside holds less water ({points})"
        + (f" and would carry off{amount}." if amount else "."),
        "wets": f"{hold}the air outside holds more water ({points})"
        + (f" and would bring in{amount}." if amount else "."),
        "condenses": _condensing(
            hold, points, surface_c, wetter_inside=occupied and inside_dew_c >= outside_dew_c + 1.0
        )
        + (" Heat gently and wipe it." if occupied else f" {WARM_AFTER_COLD}"),
        "no clear effect": f"Opening would hardly change the water inside ({points}).",
        "unknown": "Cannot tell whether opening dries: temperature or humidity inside, outside or "
        "at the coldest surface is not known.",
    }[advice]
    return f"{said} {KEEP_VENTS_OPEN}" if occupied else said


def _condensing(hold: str, points: str, surface_c: float, *, wetter_inside: bool) -> str:
    """What cold surfaces do to the air; people add water without end, so airing is still better."""
    surface = f"the coldest surface (about {_celsius(surface_c)})"
    frost = " as frost" if round(surface_c, 1) < 0.0 else ""
    if wetter_inside:
        return (
            f"Open more: water settles on {surface}{frost}, and the air outside holds less "
            f"({points}), though not little enough to keep that surface dry."
        )
    return f"{hold}water of the air outside would settle on {surface}{frost} ({points})."


def opening_hours_text(
    windows: Sequence[tuple[int, int]],
    *,
    first_hour: int,
    least_g: float,
    most_g: float,
    unknown_hours: int,
    occupied: bool,
) -> str:
    """Which of the hours ahead are worth opening, and what for.

    Parameters
    ----------
    windows : sequence of (int, int)
        Runs of hours: the first, counted from now, and the one after the last.
    first_hour : int
        Hour of the day, at the unit, in which hour 0 begins. [0 to 23]
    least_g, most_g : float
        Water that would leave. [g]
    unknown_hours : int
        Hours that could not be judged.
    occupied : bool
        Whether anybody is in the unit; True where nobody knows.
    """
    if windows:
        hours = ", ".join(
            f"{_clock(first_hour + start)} to {_clock(first_hour + end)}" for start, end in windows
        )
        said = (
            f"Worth opening, unless it rains: {hours}. From {_water(least_g)} to "
            f"{_water(most_g)} of water would leave, more where the furnishings are damp."
        )
    else:
        said = "No hour of the next day is worth opening for."
    if unknown_hours:
        said += f" Hours that could not be judged: {unknown_hours}."
    return f"{said} {KEEP_VENTS_OPEN}" if occupied else said


def buffer_text(*, air_g: float, furnishings_g: float) -> str:
    """Why a dry hour does not dry a unit: what ten points of humidity are."""
    return (
        f"Ten points of humidity are {_water(air_g)} of water in the air and "
        f"{_water(furnishings_g)} in the furnishings: airing dries the air within the hour, and the "
        "unit only over days."
    )


def days_to_dry_text(least_d: float, most_d: float, *, target_percent: float) -> str:
    """How long airing takes to bring the humidity down."""
    target = f"{target_percent:.0f} %"
    if isnan(least_d + most_d):
        return f"Cannot tell how long airing takes to bring it to {target}."
    if most_d == 0.0:
        return f"It is at {target} or below already."
    if least_d == float("inf"):
        return f"In this weather airing does not bring it to {target}: heat it or dry the air."
    first = f"{max(1.0, least_d):.0f}"
    if not isfinite(most_d):
        return (
            f"Airing takes {first} days or more, and in this weather may not bring it to {target}."
        )
    last = f"{max(1.0, most_d):.0f}"
    days = f"about {first}" if first == last else f"{first} to {last}"
    return f"Airing takes {days} day{'' if last == '1' else 's'} to bring it to {target}."


def living_text(
    *,
    generation_g_h: float,
    air_changes_per_h: float,
    dew_point_c: float,
    surface_c: float,
    needed_per_h: float = float("nan"),
) -> str:
    """Where the air of an occupied unit settles, and the one thing to do about it.

    Parameters
    ----------
    generation_g_h : float
        Water that people, cooking and gas give off. [g/h]
    air_changes_per_h : float
        How often the air is exchanged. [1/h]
    dew_point_c, surface_c : float
        Dew point it settles at, and the coldest surface. [°C]
    needed_per_h : float
        Air changes that hold the surface below 80 %, the limit for mould; infinite where none do;
        nan: not said. [1/h]
    """
    dew, surface = round(dew_point_c, 1), round(surface_c, 1)
    streams = dew >= surface
    said = (
        f"With {_water(generation_g_h)} of water given off an hour and {air_changes_per_h:.2g} changes "
        f"of air an hour, the dew point settles near {_celsius(dew_point_c)}, and the coldest surface "
        f"({_celsius(surface_c)}) {'runs with water' if streams else 'stays above it'}."
    )
    if needed_per_h == float("inf"):
        return f"{said} No airing keeps that surface below 80 % humidity: heat gently and wipe it. {KEEP_VENTS_OPEN}"
    if needed_per_h > air_changes_per_h:
        said += (
            " Open a vent further or run the fan: it takes about "
            f"{needed_per_h:.2g} changes an hour to keep that surface below 80 % humidity."
        )
    return f"{said} {KEEP_VENTS_OPEN}"


def _celsius(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f} °C"


def _water(grams: float) -> str:
    """A mass of water, no finer than it can be known."""
    if grams < 9.5:
        return "less than 10 g"
    if grams < 995.0:
        return f"about {round(grams, -1 if grams >= 95.0 else 0):.0f} g"
    return f"about {grams / 1000.0:.1f} kg"


def _clock(hour: int) -> str:
    return f"{hour % 24:02d}:00" + (" tomorrow" if hour > 24 else "")
