"""Every sentence a person reads about what was found, wherever it appears.

An alarm's text holds condition, likely cause, consequence, response, time allowed and what not to
do, with the short caution where the response can hurt someone.
"""

from collections.abc import Mapping
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
CAUTION_LONG = (
    "Roof: many are not made to be walked on, wet membranes are slippery and rotten decking gives "
    "way; look from a ladder you brought and checked, with somebody holding it. Electricity: pull "
    "shore power, inverter and generator before opening a wet wall. Mould: small areas can be "
    "cleaned with an N-95 mask, gloves and goggles after the water is stopped; people with asthma, "
    "allergies, lung disease or weak immunity stay out and ask a clinician (EPA 402-K-02-003, CDC "
    "clean-up guidance). Never mix bleach with ammonia or other cleaners. A sharp smell near an "
    "absorption refrigerator: leave, air, and call a professional. CO, LP-gas and smoke alarms are "
    "separate devices: Sillkeep neither replaces nor silences them."
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


PARTS = {
    "damp": _damp,
    "wet": _wet,
    "mould growth": _mould,
    "condensation": _condensation,
    "freezing": _freezing,
    "water contact": _contact,
    "silent": _silent,
}
