"""Every sentence a person reads about what was found, wherever it appears.

An alarm's text holds condition, likely cause, consequence, response, time allowed and what not to
do, with the short caution where the response can hurt someone.
"""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import partial
from math import isfinite, isnan
from textwrap import fill
from typing import Protocol, cast
from urllib.parse import quote
from zoneinfo import ZoneInfo

from monitor.catalogue import ENGLISH, language, month, say, say_number, weekday
from monitor.lot import AIR_KINDS, SEALANTS, AlarmClass, AlarmKind, Unit, ZoneKind
from monitor.text.handing import UNREAD

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
LOOK_FROM_A_LADDER = (
    "Roof: many are not made to be walked on, wet membranes are slippery and rotten decking gives "
    "way; look from a ladder you brought and checked, with somebody holding it."
)
CUT_THE_POWER = "Electricity: pull shore power, inverter and generator before opening a wet wall."
SHARP_SMELL = "A sharp smell near an absorption refrigerator: leave, air, and call a professional."
CAUTION_CLEANING = (
    "Clean-up over about 1 m² (10 sq ft) is for licensed people, by local rules. People with asthma, "
    "allergies, lung disease or weak immunity stay out. Never mix bleach with ammonia or other cleaners."
)
CAUTION_COLD = (
    "CO and LP-gas alarms stay in place and switched on; leave gas appliances to licensed people. "
    f"{SHARP_SMELL}"
)
CAUTION_AT_DRYER = "Electricity and water: unplug it before it is moved or emptied, and leave wiring to licensed people."
CAUTION_AT_NODE = (
    "Stay off a roof that may be wet or soft and out of LP-gas and battery bays; leave wiring to "
    "licensed people and local rules."
)
CAUTION_LONG = (
    f"{LOOK_FROM_A_LADDER} {CUT_THE_POWER} Mould: small areas can be "
    "cleaned with an N-95 mask, gloves and goggles after the water is stopped; people with asthma, "
    "allergies, lung disease or weak immunity stay out and ask a clinician (EPA 402-K-02-003, CDC "
    "clean-up guidance). Never mix bleach with ammonia or other cleaners. "
    f"{SHARP_SMELL} {ALARMS_ARE_SEPARATE}"
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

    def parts(self, time_allowed: str) -> tuple[str, ...]:
        """One text for each of `NAMES_OF_PARTS`."""
        first = (self.condition, self.cause, self.consequence, f"{self.response}.")
        return (*first, f"{say(time_allowed)}.", self.do_not, say(self.caution))

    def joined(self, time_allowed: str) -> str:
        """One paragraph, for the record, the page and a message."""
        response = f"{self.response} ({say(time_allowed)})."
        parts = (self.condition, self.cause, self.consequence, response)
        return " ".join(filter(None, (*parts, self.do_not, say(self.caution))))


NAMES_OF_PARTS = (
    "Condition",
    "Likely cause",
    "Consequence",
    "Response",
    "Time allowed",
    "Not to do",
    "Caution",
)


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


def alarm_parts(
    kind: AlarmKind, *, zone: str, alarm_class: AlarmClass, facts: Mapping[str, float | str]
) -> tuple[str, ...]:
    """The same text in its parts, as `NAMES_OF_PARTS` names them; parameters as there."""
    return PARTS[kind](zone, facts).parts(TIME_ALLOWED[alarm_class])


def kept_facts(zone: str, facts: Mapping[str, float | str]) -> str:
    """What an alarm's text is made from, as the record keeps it: JSON."""
    return json.dumps({"zone": zone, "facts": dict(facts)}, default=float)


def text_in_language(kind: str, class_: str, *, facts: str, stored: str) -> str:
    """Text of an alarm for the reader: as stored in English, else from what `kept_facts` kept."""
    kept = _kept(kind, facts)
    return stored if kept is None else kept.joined(TIME_ALLOWED[cast("AlarmClass", class_)])


def parts_in_language(
    kind: str, class_: str, *, facts: str, stored: tuple[str, ...]
) -> tuple[str, ...]:
    """The same of its parts."""
    kept = _kept(kind, facts)
    return stored if kept is None else kept.parts(TIME_ALLOWED[cast("AlarmClass", class_)])


def _kept(kind: str, facts: str) -> AlarmText | None:
    return None if language() == ENGLISH or not facts else _made(kind, facts)


def is_sayable(kind: str, class_: str, facts: str) -> bool:
    """Whether an alarm's text can be made from its facts: those of a stranger's record may be of anything."""
    made = _made(kind, facts)
    return made is not None and class_ in TIME_ALLOWED


def _made(kind: str, facts: str) -> AlarmText | None:
    """The text that facts make; None where they make none, and it stays as it is stored."""
    try:
        kept = json.loads(facts)
        made = PARTS[cast("AlarmKind", kind)](kept["zone"], kept["facts"])
        made.joined("")
    except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError):
        return None
    return made


def moment(at_s: int) -> str:
    """A time for a person who may be in another time zone."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def between(now_s: int, earliest_h: float, latest_h: float) -> str:
    """Two times as a band, by hours from now; the later one may be unknown."""
    first = moment(round(now_s + 3600 * earliest_h))
    if latest_h == float("inf"):
        return say("{first} or later", first=first)
    return say("{first} to {last}", first=first, last=moment(round(now_s + 3600 * latest_h)))


def day_of(at_s: int, timezone: tzinfo) -> str:
    """Day of a time on a wall clock: 25 Nov 2026."""
    here = datetime.fromtimestamp(at_s, UTC).astimezone(timezone)
    return f"{here.day} {month(here)} {here.year}"


def _number(facts: Mapping[str, float | str], name: str) -> float:
    value = facts.get(name, float("nan"))
    return float(value) if not isinstance(value, str) else float("nan")


def _word(facts: Mapping[str, float | str], name: str, otherwise: str) -> str:
    """A fact that is a word, or another word where there is none."""
    return say(str(facts.get(name, otherwise)))


def _node(facts: Mapping[str, float | str]) -> str:
    """What a node is called; facts name it in English, with or without the word."""
    called = _word(facts, "node", "its node")
    if language() == ENGLISH or not called.startswith("node "):
        return called
    return say("node {node}", node=called.removeprefix("node "))


def _known(facts: Mapping[str, float | str], name: str, form: str, otherwise: str) -> str:
    """A figure as it is said, or a word where there is none."""
    value = _number(facts, name)
    return say(otherwise) if isnan(value) else format(value, form)


def _moisture(facts: Mapping[str, float | str]) -> str:
    """What the wood reads, and how much of it the weather explains."""
    wood, ambient = (
        _number(facts, "wood_moisture_percent"),
        _number(facts, "ambient_moisture_percent"),
    )
    if isnan(wood):
        return say("liquid water was sensed")
    by = (
        say("by the pin probe")
        if facts.get("basis") == "pin"
        else say("estimated from the air beside it")
    )
    if facts.get("basis") != "pin" and wood > 22:
        by = say("{by}, unreliable above about 22 %", by=by)
    if isnan(ambient):
        return say(
            "wood moisture is {wood:.1f} % ({by}; no outside air or like zone to compare with)",
            wood=wood,
            by=by,
        )
    excess = wood - ambient
    weighed = (
        say("{excess:.1f} points more than", excess=excess)
        if excess > 0
        else say("{excess:.1f} points less than", excess=-excess)
    )
    return say(
        "wood moisture is {wood:.1f} % ({by}; that is {weighed} the {ambient:.1f} % the weather "
        "alone explains)",
        wood=wood,
        by=by,
        weighed=weighed,
        ambient=ambient,
    )


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
        return say("Rain is not recorded, so it cannot be matched to rain.")
    return say("Rain in the three days before: {rain:.0f} mm.", rain=rain)


_WHY_ROOM_DAMP = {  # by whether the weather explains it
    True: "The weather explains it: the air inside holds hardly more water than the air outside.",
    False: "Likely cause: water given off or spilt inside. A room's air does not tell whether a wall leaks: "
    "that needs a probe at the wall.",
}


def _why_wet(facts: Mapping[str, float | str]) -> str:
    return f"{_why(facts)} {_rain(facts)}"


def _why(facts: Mapping[str, float | str]) -> str:
    wood, ambient = (
        _number(facts, "wood_moisture_percent"),
        _number(facts, "ambient_moisture_percent"),
    )
    if facts.get("cause") == "condensation":
        return say("Likely cause: condensation on the coldest surface.")
    if facts.get("kind") in AIR_KINDS:
        return say(_WHY_ROOM_DAMP[weather_explains(facts)])
    if isfinite(wood) and isfinite(ambient) and wood - ambient >= 3.0:
        return say(
            "Water is coming from somewhere other than the air outside: a leak is likely, "
            "plumbing or trapped moisture are possible."
        )
    if weather_explains(facts):
        return say(
            "The weather explains it: a damp spell, and no sign of a leak in this zone's figures."
        )
    return say("Cause: cannot tell from one zone yet.")


def _response_to_damp(facts: Mapping[str, float | str]) -> str:
    if weather_explains(facts):
        return say(
            "Nothing to open for this alone: air or dry the unit when the air outside holds "
            "less water"
        )
    return say(
        "Compare it with its dry twin, look for the entry above and up-slope, and check "
        "again after rain"
    )


def _damp(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    if facts.get("kind") in {"cabin", "bed"}:
        surface = _number(facts, "surface_mean_percent")
        return AlarmText(
            say(
                "{zone} is damp: over the last day humidity at its coldest surface averaged "
                "{surface:.0f} % (temperature factor {factor}).",
                zone=zone,
                surface=surface,
                factor=_word(facts, "factor", "assumed"),
            ),
            say(
                "The weather explains it: the air inside holds hardly more water than the air "
                "outside."
            )
            if weather_explains(facts)
            else say(
                "Likely cause: condensation, from people, cooking, wet things or a warm spell "
                "after cold."
            ),
            say("Mould grows on surfaces that stay above about 80 %."),
            say(
                "Air the unit when the air outside holds less water, heat gently, wipe cold surfaces"
            ),
            say("Do not close the vents of a unit somebody sleeps in."),
        )
    return AlarmText(
        say("{zone} is damp: {moisture}, for a day or more.", zone=zone, moisture=_moisture(facts)),
        _why_wet(facts),
        say(
            "Mould starts behind a wall that stays this damp in mild weather; wood this damp "
            "does not rot yet."
        ),
        _response_to_damp(facts),
        say("Do not seal anything before you know whether water comes in or condenses."),
    )


def _wet(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        say("{zone} is wet: {moisture}.", zone=zone, moisture=_moisture(facts)),
        _why_wet(facts),
        say("Wood that stays above 20 % can rot; glue lines of laminated walls let go."),
        say("Open the unit, find what the water comes from, and dry it")
        if facts.get("kind") in AIR_KINDS
        else say(
            "Open the unit, look above and up-slope of this zone for the joint that lets "
            "water in, and dry it"
        ),
        say("Do not walk on the roof and do not close it up wet."),
    )


def _mould(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    index = _number(facts, "mould_index")
    scale = (
        say("growth that the eye can see")
        if index >= 3
        else say("first growth, seen only under a microscope")
    )
    return AlarmText(
        say(
            "{zone}: conditions have favoured mould growth; the index is {index:.1f} of 6 "
            "({scale}, since monitoring began; mould index in the form of ASHRAE 160).",
            zone=zone,
            index=index,
            scale=scale,
        ),
        _why_wet(facts),
        say("The index says how long conditions were right, not that mould is there, nor which."),
        say(
            "Look and smell at this zone, stop the moisture, dry it within 24 to 48 hours of "
            "any wetting"
        ),
        say("Do not brush or spray dry growth."),
        CAUTION_CLEANING,
    )


def _condensation(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    hours = _number(facts, "dew_h")
    return AlarmText(
        say(
            "{zone}: the coldest surface was at or below the dew point for {hours:.0f} of the"
            " last 24 hours (temperature factor {factor}).",
            zone=zone,
            hours=hours,
            factor=_word(facts, "factor", "assumed"),
        ),
        say("Likely cause: condensation from moist air inside on cold glass, frames or studs."),
        say("Water runs into sills and behind panels, and mould follows."),
        say("Air the unit, heat it a little, wipe the glass, lift mattresses and open cabinets"),
        say("Do not close the vents of a unit somebody sleeps in."),
    )


def _freezing(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    celsius = _number(facts, "temperature_c")
    return AlarmText(
        say(
            "{zone} is at {celsius:.1f} °C and falling, and the unit is not recorded as "
            "winterised.",
            zone=zone,
            celsius=celsius,
        ),
        say("Cause: cold outside and no heat."),
        say(
            "Water in pipes, pumps and traps freezes and splits them; the leak shows when it thaws."
        ),
        say("Heat the unit or drain and winterise it, then record it as winterised"),
        say("Do not thaw pipes with a flame and do not run an unvented heater unattended."),
        CAUTION_COLD,
    )


def _band(told: str) -> str:
    """Two times as `between` told them."""
    first, to, last = told.partition(" to ")
    if to:
        return say("{first} to {last}", first=first, last=last)
    if told.endswith(" or later"):
        return say("{first} or later", first=told.removesuffix(" or later"))
    return told


def _freezing_ahead(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    celsius, lowest = _number(facts, "temperature_c"), _known(facts, "lowest_c", ".0f", "0")
    return AlarmText(
        say(
            "{zone} is at {celsius:.1f} °C; by the forecast it reaches 0 °C about {at} "
            "({between}), down to about {lowest} °C. The unit is not recorded as "
            "winterised.",
            zone=zone,
            celsius=celsius,
            at=_word(facts, "at", "in the next two days"),
            between=_band(_word(facts, "between", "as a rough figure")),
            lowest=lowest,
        ),
        say("Cause: cold that is forecast, and no heat."),
        say(
            "Water in pipes, pumps and traps freezes and splits them; the leak shows when it thaws."
        ),
        say("Heat the unit or drain and winterise it before then, and record it as winterised"),
        say("Do not run an unvented heater unattended."),
        CAUTION_COLD,
    )


def _dehumidifier(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    above = _known(facts, "above_percent", ".0f", "some")
    return AlarmText(
        say(
            "{zone}: the humidity lies {above} points above what it would be with the "
            "dehumidifier ({device}) at work.",
            zone=zone,
            above=above,
            device=_word(facts, "device", "kind not noted"),
        ),
        say("Likely cause: its tank is full, or it has no power; from the air they look the same."),
        say("What it dried draws water again within days."),
        say("Empty the tank, see to its power, and note it as emptied"),
        say("Do not run it on a cord that gets warm or lies in water."),
        CAUTION_AT_DRYER,
    )


def _contact(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    del facts
    return AlarmText(
        say("{zone}: liquid water touches the probe.", zone=zone),
        say("Likely cause: a leaking pipe, tank, trap or door, or rain running in."),
        say("A floor soaks it up within hours and holds it for months."),
        say("Shut the water supply, cut power to what is wet, mop up and find the source"),
        say("Do not step on a floor that gives way."),
        f"{say(CUT_THE_POWER)} {say(SHARP_SMELL)}",
    )


def _silent(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    node, since = _node(facts), facts.get("since", "")
    heard = (
        say("nothing heard since {since}", since=since)
        if since
        else say("nothing heard since it was placed")
    )
    return AlarmText(
        f"{zone or 'A node'}: {heard} ({node}).",
        say("Likely cause: battery, radio, gateway or mains."),
        say("Nobody is watching this zone: what it was before says nothing about now."),
        say("Check the gateway first, then the node's battery and place"),
        say("Do not take silence for dryness."),
        CAUTION_AT_NODE,
    )


def _probe_silent(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    since, code, node = facts.get("since", ""), facts.get("probe", ""), _node(facts)
    probe = (
        say("probe {code} of {node}", code=code, node=node)
        if code
        else say("a probe of {node}", node=node)
    )
    return AlarmText(
        say(
            "{zone}: {probe} has not been heard since {since}.", zone=zone, probe=probe, since=since
        )
        if since
        else say("{zone}: {probe} was not heard since it was placed.", zone=zone, probe=probe),
        say("Its node says why: {fault}.", fault=fault)
        if (fault := str(facts.get("fault", "")))
        else say(
            "Likely cause: its plug or cable, the sensor itself, or another name in the node."
        ),
        say("The node goes on, so nothing else tells that this place is not watched."),
        say("Look at its plug and cable, then try another probe there"),
        say("Do not take silence for dryness."),
        CAUTION_AT_NODE,
    )


def _stalled(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    excess = _known(facts, "excess_percent", ".1f", "some")
    goal = _known(facts, "goal_percent", ".1f", "less")
    return AlarmText(
        say(
            "{zone} has stopped drying: {days} days after the repair it is {excess} points of"
            " moisture above its dry standard, {goal} is the goal, and it fell by less than "
            "0.15 points in ten days.",
            zone=zone,
            days=_known(facts, "days", ".0f", "many"),
            excess=excess,
            goal=goal,
        ),
        say(
            "Likely cause: wet wood or foam that was closed in, air that does not reach it, "
            "or water that still comes in."
        ),
        say(
            "Wood that stays wet behind a panel rots, and a soaked wall answers no rain: "
            "nothing can be proven in it."
        ),
        say(
            "Bring moving air and gentle heat to it or open the wall further, and look for "
            "water that still comes in"
        ),
        say(
            "Do not close the wall up wet, and do not close the vents of a unit somebody sleeps in."
        ),
    )


def _not_dry(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    since = _number(facts, "repaired_s")
    repair = say("the repair") if isnan(since) else say("the repair on {at}", at=moment(int(since)))
    return AlarmText(
        say(
            "{zone} did not stay dry after {repair}: water came in again, from the readings "
            "after rain or a hose test.",
            zone=zone,
            repair=repair,
        ),
        say("Likely cause: a joint that was missed, or water with another way in."),
        say("The wall gets wet again under a repair that looks whole."),
        say(
            "Find where it comes in, from inside and from the lowest joint up, repair it anew"
            " and record the repair"
        ),
        say("Do not hand the unit over as repaired, and do not close the zone up wet."),
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
    return say(_CUES[cue], **facts)


VOTED_IN = (  # units of the figures in it
    "times its own error",
    "of 40",
    "% of saturation",
    "points",
    "of hours",
    "of the last weeks",
)


def _voted(told: str) -> str:
    """What the cues saw, as `monitor.evidence.verdict.spoken` told it: words, each with its number."""
    said = []
    for part in filter(None, told.split("; ")):
        what, _, number = part.removesuffix(")").partition(" (")
        figure, _, unit = number.partition(" ")
        said.append(f"{say(what)} ({figure} {say(unit)})" if number else say(what))
    return "; ".join(said) or say("nothing clear")


def _leak(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    cues = [str(facts[name]) for name in ("cue_1", "cue_2") if facts.get(name) in _CUES]
    said = "; ".join(cue_text(cue, facts) for cue in cues) or say("several weak cues agree")
    cause = say(_LEAK_CAUSES.get(str(facts.get("cause")), "Cause: the cues disagree, cannot tell."))
    pipes = facts.get("cause") == "plumbing"
    look = (
        say("Shut the water supply and look along pipes, traps and fittings above this zone")
        if pipes
        else say(
            "Look above and up-slope of this zone for the joint that lets water in, then "
            "record an inspection"
        )
    )
    return AlarmText(
        say("{zone} is suspected of a leak: {said}.", zone=zone, said=said),
        say(
            "{cause} What spoke: {voted}. {rain}",
            cause=cause,
            voted=_voted(str(facts.get("voted", ""))),
            rain=_rain(facts),
        ),
        say("It is wet already, and wood that stays wet rots.")
        if facts.get("state") == "wet"
        else say("Found now it may need only a tube of sealant; wood that stays wet rots."),
        look,
        say(
            "Do not seal before you know where the water comes in: sealing condensation in "
            "makes it worse."
        ),
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


def growth_text(
    target: float,
    *,
    days: float,
    low_days: float,
    high_days: float,
    accuracy_percent: float = 2.0,
) -> str:
    """When the mould index would reach its next mark."""
    mark = say("1, seen with a microscope") if target < 2 else say("3, seen by eye")

    def said(value: float) -> str:
        if value == float("inf"):
            return say("never within two years")
        return say_number(round(value), "{n} day", "{n} days")

    if said(days) == said(low_days) == said(high_days):
        return say(
            "If the last fortnight went on, the index would reach {mark}: {said}.",
            mark=mark,
            said=said(days),
        )
    return say(
        "If the last fortnight went on, the index would reach {mark}: {said}; a sensor "
        "off by 0.2 K and {accuracy:g} % leaves {least} to {most}.",
        accuracy=round(accuracy_percent, 1),
        mark=mark,
        said=said(days),
        least=said(low_days),
        most=said(high_days),
    )


def section_text(
    *, gain_g_m2_day: float, planes: int, inside: str, outside: str, construction: str
) -> str:
    """What a wall at rest does."""
    found = (
        say_number(
            planes,
            "vapour condenses inside it at {n} place, about {gain:.1f} g/m² a day",
            "vapour condenses inside it at {n} places, about {gain:.1f} g/m² a day",
            gain=gain_g_m2_day,
        )
        if planes
        else say("nothing condenses inside it")
    )
    return say(
        "A usual {construction} (assumed) at rest with the last day's means, inside "
        "{inside}, outside {outside}: {found}.",
        construction=say(construction),
        inside=inside,
        outside=outside,
        found=found,
    )


def estimate_text(*, low: float, high: float, contradicted: bool, own: bool) -> str:
    """What the air on both sides says of the air behind the panel."""
    said = say(
        "Estimate from the air on both sides: {low:.0f} to {high:.0f} % behind the panel."
        " It knows vapour only and cannot see a leak.",
        low=low,
        high=high,
    )
    if contradicted:
        more = say(
            "The probe here has read above that band for most of three days: more water than both "
            "sides explain."
        )
        return f"{said} {more}"
    if not own:
        return f"{said} {say('No probe sits there: a leak needs a probe at the wall to be seen.')}"
    return said


def _rot(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    by = (
        ""
        if facts.get("basis") == "pin"
        else say(" as estimated from the air, which says little above 22 %,")
    )
    return AlarmText(
        say(
            "{zone}: for {rot_hours} hours since watching began the wood was{by} at or above "
            "25 %, between 2 and 38 °C: wood can decay in such hours.",
            zone=zone,
            rot_hours=_known(facts, "rot_hours", ".0f", "many"),
            by=by,
        ),
        say("Likely cause: water that gets in and does not leave. {rain}", rain=_rain(facts)),
        say(
            "Decay cannot be dated from readings, and it is not undone by drying: only a look"
            " tells whether it began."
        ),
        say(
            "Press and tap the panel, measure with a pin meter, open where it gives; then "
            "record an inspection"
        ),
        say("Do not lean on a wall, floor or roof that gives way."),
    )


_DOUBTS = {
    "saturated": (
        "it has read {least_percent:.1f} % or more for {days:.0f} days, though each warmed by {swing_k:.0f} K",
        "Likely cause: dew or water on the sensing element, or an element at its end.",
    ),
    "stuck": (
        "its figures have not moved for {days:.0f} days (temperature by {swing_k:.2f} K a day, others by "
        "{others_swing_k:.1f} K; humidity by {humidity_span_percent:.2f} %)",
        "Likely cause: a frozen value in the node, a loose wire or a dead element.",
    ),
    "swapped?": (
        "its daily course of temperature fits the place of {other} {times_better:.0f} times better than its own",
        "Likely cause: two nodes changed places, or the unit was turned in the sun.",
    ),
    "drifting": (
        "its humidity moves away from the other zones by {percent_a_year:+.1f} % a year, in a straight line over "
        "{years:.1f} years",
        "Likely cause: an ageing element; a leak that grows evenly for a year looks the same.",
    ),
}


_OTHER_DOUBT = ("its figures are odd", "Cause: cannot tell.")


def _sensor(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    why, cause = _DOUBTS.get(str(facts.get("doubt")), _OTHER_DOUBT)
    return AlarmText(
        say(
            "{zone}: the probe is doubted: {why}.",
            zone=zone,
            why=say(why, **facts),
        ),
        say(cause),
        say("The zone is unknown until it is trusted again: it may be dry, damp or wet."),
        say(
            "Look at the probe where it hangs, check it against a salt or another one, put a "
            "new one in if in doubt"
        ),
        say("Do not take its figures for dry or for wet."),
    )


def _battery(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        say(
            "{zone}: the battery of {node} is at {battery_percent} %.",
            zone=zone or say("A node"),
            node=_node(facts),
            battery_percent=_known(facts, "battery_percent", ".0f", "few"),
        ),
        say("Likely cause: age, cold, or a weak radio link that makes it send again and again."),
        say("When it is empty nobody watches this zone, and cold empties it sooner."),
        say("Change it at the next visit, and note that you did"),
        say("Do not wait until it is silent: silence is not dryness."),
        CAUTION_AT_NODE,
    )


def _flood(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    dropped = _known(facts, "dropped", ",.0f", "many")
    return AlarmText(
        say(
            "{zone}: {node} sends far more than a node measures; {dropped} of its messages "
            "were dropped.",
            zone=zone or say("A node"),
            node=_node(facts),
            dropped=dropped,
        ),
        say(
            "Likely cause: firmware that sends in a loop, two devices with one name, or a "
            "stranger using it."
        ),
        say(
            "What was dropped has no receipt: a node that works keeps it and sends it again. "
            "Other nodes are taken in as before."
        ),
        say(
            "Look at what the node sends (its messages at the broker, its firmware); restart "
            "it, and change its password if it may not be yours"
        ),
        say("Do not trust what its zones show until the cause is known."),
        CAUTION_AT_NODE,
    )


# what to do about a node, by its word, where no alarm of it says so
NODE_STEPS: dict[str, str] = {
    "silent": (
        "Check the gateway first, then the node's battery and place. Do not take silence for dryness."
    ),
    "never heard": (
        "Nothing came since it was entered: switch it on near its gateway, and compare its name with the record."
    ),
    "late": "Nothing yet: it is called silent after three times the silence it declared.",
    "unplaced": "Its probes watch nothing: enter where they hang, or put it away.",
    "out of service": "A person took it out of service: nobody is told of its silence. Put it back on Alarms.",
}


def under_cause(kind: str) -> str:
    """What to do about a node whose silence is under a common cause."""
    return say("Wait for its common cause ({kind}).", kind=kind)


def flood_text(node: str, *, dropped: int) -> str:
    """What the intake dropped of a node, on the page that shows rejects."""
    who = say("Node {node}", node=node) if node else say("Somebody under unknown names")
    return say(
        "{who} sent more than any node measures: {dropped:,} messages dropped since the "
        "intake was started, none of them receipted.",
        who=who,
        dropped=dropped,
    )


def latched(unit: str, zone: str) -> str:
    """What ends a finding whose signs rest."""
    return say(
        "Its signs rest, which a dry spell does to any leak: it stays until an inspection"
        " is recorded (sillkeep event add inspection --unit {unit} --zone {zone} --value "
        "FOUND).",
        unit=unit,
        zone=zone,
    )


def _damp_week(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        say(
            "{zone}: damp at once in {members}, and the weather explains it.",
            zone=zone or say("The lot"),
            members=_members(facts),
        ),
        say("Cause: humid air over the whole lot, not water of a unit's own."),
        say("Weeks of it let mould grow, whatever let the damp in."),
        say(
            "Air units on dry days; open none for this alone. What stays damp when the others"
            " have dried is told by itself"
        ),
        say(KEEP_VENTS_OPEN),
    )


def _frost(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        say(
            "{zone}: near freezing and falling in {members}, not recorded as winterised.",
            zone=zone or say("The lot"),
            members=_members(facts),
        ),
        say("Cause: cold over the whole lot and no heat."),
        say(
            "Water in pipes, pumps and traps freezes and splits them; the leak shows when it thaws."
        ),
        say(
            "Heat or drain the units in the list, those with water on first, and record each "
            "as winterised"
        ),
        say("Do not thaw pipes with a flame and do not run an unvented heater unattended."),
        CAUTION_COLD,
    )


def _frost_ahead(zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    return AlarmText(
        say(
            "{zone}: by the forecast it will freeze in {members} that are not recorded as "
            "winterised.",
            zone=zone or say("The lot"),
            members=_members(facts),
        ),
        say("Cause: cold that is forecast over the whole lot, and no heat."),
        say(
            "Water in pipes, pumps and traps freezes and splits them; the leak shows when it thaws."
        ),
        say(
            "Heat or drain the units in the list before then, those with water on first, and "
            "record each as winterised"
        ),
        say("Do not run an unvented heater unattended."),
        CAUTION_COLD,
    )


def _members(facts: Mapping[str, float | str]) -> str:
    count = _number(facts, "members")
    return say("several places") if isnan(count) else say("{count:.0f} places", count=count)


_SILENT_TOGETHER = {  # what it is called, its likely cause, what to look at first
    "site silent": (
        "the whole site",
        "the broker, the site's uplink or its power; from here they look the same",
        "Look at Chain, then at the site's uplink and power",
    ),
    "gateway silent": (
        "every node behind gateway {place}",
        "the gateway, its power, or what it sends through",
        "Look at the gateway: power, light, connection",
    ),
    "row silent": (
        "every node of row {place}",
        "the row's power or the radio path to it",
        "Look at the row's power, and for what was parked in the way",
    ),
    "unit silent": (
        "every node of unit {place}",
        "the unit left, or its power or radio is gone",
        "If it left, record that it is sold or has left; else look at its power",
    ),
}


def _together(kind: str, zone: str, facts: Mapping[str, float | str]) -> AlarmText:
    what, cause, look = map(say, _SILENT_TOGETHER[kind])
    since, place = facts.get("since", ""), str(facts.get("place") or say("without a name"))
    count = _number(facts, "members")
    nodes = say("its nodes") if isnan(count) else say("{count:.0f} nodes", count=count)
    if since:
        nodes = say("{nodes}, last heard about {since}", nodes=nodes, since=since)
    return AlarmText(
        say(
            "{zone}: {what} fell silent at once ({nodes}).",
            zone=zone or say("The lot"),
            what=what.format(place=place),
            nodes=nodes,
        ),
        say("Likely cause: {cause}.", cause=cause),
        say(
            "Nobody is watching there: what it was before says nothing about now. Nodes keep "
            "their samples for weeks and send them when they can."
        ),
        say(
            "{look}; a node that stays silent when the others are back is told by itself", look=look
        ),
        say("Do not take silence for dryness."),
        CAUTION_AT_NODE,
    )


PARTS: dict[AlarmKind, Callable[[str, Mapping[str, float | str]], AlarmText]] = {
    "damp week": _damp_week,
    "frost": _frost,
    "frost ahead": _frost_ahead,
    "site silent": partial(_together, "site silent"),
    "gateway silent": partial(_together, "gateway silent"),
    "row silent": partial(_together, "row silent"),
    "unit silent": partial(_together, "unit silent"),
    "leak suspect": _leak,
    "rot": _rot,
    "sensor suspect": _sensor,
    "battery low": _battery,
    "flood": _flood,
    "damp": _damp,
    "wet": _wet,
    "mould growth": _mould,
    "condensation": _condensation,
    "freezing": _freezing,
    "freezing ahead": _freezing_ahead,
    "dehumidifier stopped": _dehumidifier,
    "water contact": _contact,
    "silent": _silent,
    "probe silent": _probe_silent,
    "drying stalled": _stalled,
    "did not stay dry": _not_dry,
}


# --- where to look, and what is not seen ------------------------------------------------------------

LOOK_FROM_INSIDE = "Begin with 1, from inside, and go on until one place explains the water."
LOOK_AT_PIPES = (
    "Switch the pump off and shut the water supply. Begin with 1, and go on until one place explains "
    "the water."
)
NO_ENTRY = (
    "No list of entries: what spoke says condensation from the room, not a leak. Find the cold spot and "
    "air it before anything is sealed."
)
AS_ABOVE = "As for {number}."
LOOK_CAUTIONS = (LOOK_FROM_A_LADDER, CUT_THE_POWER, SHARP_SMELL, ALARMS_ARE_SEPARATE)


def stand_text(unit: Unit) -> str:
    """What the order of entries and of probes took from the unit, and what nobody declared."""
    said = [unit.body_type] if unit.body_type else []
    if unit.lean:
        said.append(
            say("standing level")
            if unit.lean == "level"
            else say("lowest corner {lean}", lean=unit.lean)
        )
    if unit.weather_side:
        said.append(say("rain mostly on its {side}", side=_side(unit.weather_side)))
    if unit.slides is not None:
        said.append(_slides(unit.slides).lower())
    missing = undeclared(unit)
    ordered = say("Ordered for: {said}.", said=", ".join(said)) if said else ""
    if not missing:
        return ordered
    return (
        say(
            "{ordered} Not declared: {missing}; the order goes without. Declare them under "
            '[[unit]] in the lot file, such as lean = "off-rear", and import it again.',
            ordered=ordered,
            missing=", ".join(missing),
        )
    ).strip()


def undeclared(unit: Unit) -> tuple[str, ...]:
    """Attributes that nobody declared, named as the lot file names them."""
    return tuple(
        name
        for name, missing in (
            ("body_type", not unit.body_type),
            ("lean", not unit.lean),
            ("weather_side", not unit.weather_side),
            ("slides", unit.slides is None),
        )
        if missing
    )


def _side(side: str) -> str:
    return (
        say("{side} side", side=say(side))
        if side in {"off", "door"}
        else say("{side} wall", side=say(side))
    )


def record_it(unit: str, zone: str) -> str:
    """What to do with what was found."""
    return say(
        "Record what you found as an inspection (sillkeep event add inspection --unit "
        "{unit} --zone {zone} --value FOUND): a suspicion ends with nothing else.",
        unit=unit,
        zone=zone,
    )


SIDES_MEAN = "The door side has the entry door; the off side is the other one."
ALL_COVERED = "Every usual path of water has a probe."
ONE_PLACE = (
    "A path with a probe is watched at one place: a leak elsewhere on it may still be missed."
)
LEFT = "No probe watches this zone any more: no reading ends this alarm, an inspection noted here does."
PUT_A_PROBE = (
    "Inside, behind an opening that is there already, against the panel and under a "
    "small cover, so that it reads the panel's air and not the room's. Nothing is drilled through skin, "
    "roof or floor; no probe in an LP-gas or battery bay; power off before a lamp or outlet is opened. "
    "Common practice, no source."
)


# --- the outline of a unit --------------------------------------------------------------------------

NOT_TO_SCALE = (
    "Not to scale: openings and wheels are where they often are, zones where their codes say."
)
DOOR_RIGHT = (
    "The door is drawn on the right of who looks forward. Of each zone up to three entries have a number: "
    "the full line leads from the first, the broken one from the second, the dotted one from the third."
)
OPEN_LINE = "A dashed line with ends: the code does not say where along it."
ENTRIES_OF = ": water may have come in at one of these."
NOT_MARKED = " Not marked: its place cannot be told."
NONE_MARKED = " None is marked in the drawing: their places cannot be told."
NOT_DRAWN: Mapping[str, str] = {
    "outside": "outside the unit.",
    "side": "its code does not say which side: off, door, front or rear.",
    "position": "its code says a side, but neither position nor height.",
    "slide": "its code does not say which slide.",
    "bunk": "a bed over the cab, which this kind of unit has not.",
    "room": "the drawing has no room left for it.",
}  # by the words of `monitor.outline.places`


def box_text(body_type: str) -> str:
    """Why a unit is drawn as a box."""
    kind = (
        say("No outline is known for “{body_type}”", body_type=body_type)
        if body_type
        else say("Its kind is not declared")
    )
    return say("{kind}: drawn as a plain box.", kind=kind)


def slides_text(slides: int | None, drawn: Sequence[str]) -> str:
    """What the outline says of slide-outs; `drawn` are those with a zone, as numbers. "" if none is there."""
    if not slides and not drawn:
        return ""
    count = say("Its number of slides is not declared") if slides is None else _slides(slides)
    bare = [str(k) for k in range(1, (slides or 0) + 1) if str(k) not in drawn]
    said = say(" No zone in slide {bare}: not drawn.", bare=say(" and ").join(bare)) if bare else ""
    where = (
        say(" Slides are drawn by themselves: on which side one is, nobody declared.")
        if drawn
        else ""
    )
    return f"{count}.{where}{said}"


def _slides(slides: int) -> str:
    return say_number(slides, "{n} slide", "{n} slides") if slides else say("No slides")


NEXT_PROBE = "The next probe would help most at "
THEN_PROBE = "Then at "


def probe_text(place: str, *, reason: str) -> str:
    """Where a probe goes, and why; follows its zone's code."""
    return f": {place}. {sentence(reason)}".rstrip()


def wall_probe_text(zones: Sequence[str]) -> str:
    """What a unit without a probe at a wall, roof or floor cannot say."""
    places = say(" and ").join(zones)
    return say(
        "No probe here is at a wall, roof or floor: whether one of them leaks cannot be "
        "told from a room's air. It takes a probe at the wall: {places}, as below.",
        places=places,
    )


def not_heard_text(zones: Sequence[str]) -> str:
    """Zones whose probe is placed and says nothing now."""
    return say_number(
        len(zones),
        "Counted as watched, though {named} says nothing now: a path is watched only while "
        "its probe is heard and trusted.",
        "Counted as watched, though {named} say nothing now: a path is watched only while "
        "its probe is heard and trusted.",
        named=", ".join(zones),
    )


def baseline_text(since: str, *, reopened: str) -> str:
    """Since when a zone is compared with its own past."""
    began = (
        say("when it was worked on ({reopened})", reopened=reopened)
        if reopened
        else say("its first reading")
    )
    return say("Judged against itself since {since}, {began}.", since=since, began=began)


NO_BASELINE = "Not judged against itself yet: nothing was measured here."


def could_not_have_seen(
    kind: ZoneKind, *, found_percent: Sequence[tuple[float, float]]
) -> tuple[str, ...]:
    """What a probe at a wall, roof or floor cannot have seen, however long it was there.

    Parameters
    ----------
    kind : ZoneKind
        Of the zone.
    found_percent : sequence of (float, float)
        Points at the probe up to which a class of simulated leaks goes, inf for the last, and the
        share of it that was found. [% RH, %]
    """
    said = [
        say(
            "A leak that was there before: its water is part of what the zone is compared "
            "with. A look and a hand meter tell that, this probe does not."
        ),
        f"{say('A leak whose water hardly reaches the probe.')} {_found(found_percent)}",
        say("A slow leak, a teaspoon (5 mL) a rain, in a damp season: it looks like the weather."),
    ]
    if kind in {"roof", "slide-roof"}:
        said.append(
            say(
                "Frost that melts under the roof skin wets like a leak, and a leak can hide "
                "behind it."
            )
        )
    return tuple(said)


def _found(shares: Sequence[tuple[float, float]]) -> str:
    parts, lower = [], 0.0
    for upper, percent in shares:
        span = (
            say("less than {upper:.0f} points", upper=upper)
            if not lower
            else say("{lower:.0f} to {upper:.0f}", lower=lower, upper=upper)
            if isfinite(upper)
            else say("{lower:.0f} or more", lower=lower)
        )
        form = (
            "{percent:.0f} % of {span}" if lower else "{percent:.0f} % of those that added {span}"
        )
        parts.append(say(form, percent=percent, span=span))
        lower = upper
    first, *rest = parts
    return say(
        "Of simulated leaks, by what they added to the humidity at the probe, {first} were found, "
        "{more}. No real units have been counted.",
        first=first,
        more=", ".join(rest),
    )


def sentences(said: str, *, ends: str = ".") -> list[str]:
    """A text cut after each end that a capital follows; numbers such as 20.4 end nothing."""
    cuts = [found.end() for found in re.finditer(rf"[{ends}]\s+", said)]
    cuts = [cut for cut in cuts if said[cut : cut + 1].isupper()]
    return [said[a:b].strip() for a, b in zip([0, *cuts], [*cuts, None], strict=True)]


def capital(words: str) -> str:
    """Begin with a capital."""
    return f"{words[:1].upper()}{words[1:]}"


def sentence(words: str) -> str:
    """Begin with a capital and end with a stop; nothing stays nothing."""
    return f"{capital(words)}." if words else ""


# --- first steps ----------------------------------------------------------------------------------

BEGIN_MEANS = "From nothing to a first reading. Each step says whether it is done; this page follows by itself as readings come."
BEGIN_STEPS: Mapping[str, str] = {
    "site": "The place it stands",
    "unit": "The unit",
    "zones": "What is watched in it",
    "node": "A node",
    "reading": "Its first reading",
}
BEGIN_MORE: Mapping[str, str] = {
    "site": "Enter another site",
    "unit": "Enter another unit",
    "zones": "Enter more zones",
    "node": "Enter another node",
    "reading": "",
}
BEGIN_SITE = "A site is a driveway, yard or lot. Its time zone says when it is morning; its altitude sets the air pressure."
BEGIN_UNIT = "One RV. Its kind and slide-outs say which ways water takes in it, and so where probes help most."
BEGIN_ZONES = (
    "A zone is a place where water collects. Begin with the cabin's air, the air outside, and the lowest corners; "
    "tick what you have a probe for."
)
BEGIN_CABIN = "the room's air, at the height of a bed, away from vents, heaters and sun"
BEGIN_OUTSIDE = "the air outside, in a shaded vented place under the nose or beside it"
BEGIN_CODES = "Codes are a to z, 0 to 9, - and _; ours follow side, position, height: off-rear-low."
BEGIN_NODE = (
    "A node is the electronics that publish; it has one probe or more. Its code is the last part of its topic, by "
    "custom the end of its radio address."
)
BEGIN_READING = "Enter a node first; then its address and topic stand here."
BEGIN_WAITS = (
    "Nothing was heard yet. Type this into the node, or scan it; samples it took before are not lost, for a node "
    "keeps them until the monitor has them."
)
BEGIN_HEARD = (
    "Values show on the unit's page at once. Two days of readings settle a probe before its zone has a word, and three "
    "weeks before a leak can be suspected."
)
BEGIN_EMBEDDED = (
    "The monitor's own broker answers on this machine alone: good for trying. For real nodes name a broker in the "
    "settings, with TLS and a user for each node."
)
BEGIN_BY_HAND = (
    "From the machine that the broker runs on, with the tools that come with it. It is an invented reading: do it "
    "for a trial unit."
)


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
FORECAST = "By the forecast, without its hours of rain."


def airing_basis(*, volume_m3: float, factor: float) -> str:
    """What the figures of airing rest on."""
    return say(
        "Figures are for {volume_m3:.0f} m³ of air with a roof vent and a window ajar, "
        "two changes of air an hour, and a coldest surface of temperature factor "
        "{factor:.2f} that lags by a day: assumptions, and rough ones.",
        volume_m3=volume_m3,
        factor=factor,
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
    points = say(
        "dew point {outside_dew_c} outside, {inside_dew_c} inside",
        outside_dew_c=_celsius(outside_dew_c),
        inside_dew_c=_celsius(inside_dew_c),
    )
    amount = "" if isnan(rate_g_h) else say(" {water} an hour", water=_water(abs(rate_g_h)))
    hold = (
        say("Open no more than usual: ")
        if occupied
        else say("Leave windows and roof vents closed for now: ")
    )
    said = {
        "dries": say(
            "Open more: the air outside holds less water ({points})"
            if occupied
            else "Open: the air outside holds less water ({points})",
            points=points,
        )
        + (say(" and would carry off{amount}.", amount=amount) if amount else "."),
        "wets": say("{hold}the air outside holds more water ({points})", hold=hold, points=points)
        + (say(" and would bring in{amount}.", amount=amount) if amount else "."),
        "condenses": _condensing(
            hold, points, surface_c, wetter_inside=occupied and inside_dew_c >= outside_dew_c + 1.0
        )
        + (say(" Heat gently and wipe it.") if occupied else f" {say(WARM_AFTER_COLD)}"),
        "no clear effect": say(
            "Opening would hardly change the water inside ({points}).", points=points
        ),
        "unknown": say(
            "Cannot tell whether opening dries: temperature or humidity inside, outside or at"
            " the coldest surface is not known."
        ),
    }[advice]
    return f"{said} {say(KEEP_VENTS_OPEN)}" if occupied else said


def _condensing(hold: str, points: str, surface_c: float, *, wetter_inside: bool) -> str:
    """What cold surfaces do to the air; people add water without end, so airing is still better."""
    surface = say("the coldest surface (about {surface_c})", surface_c=_celsius(surface_c))
    frost = say(" as frost") if round(surface_c, 1) < 0.0 else ""
    if wetter_inside:
        return say(
            "Open more: water settles on {surface}{frost}, and the air outside holds less "
            "({points}), though not little enough to keep that surface dry.",
            surface=surface,
            frost=frost,
            points=points,
        )
    return say(
        "{hold}water of the air outside would settle on {surface}{frost} ({points}).",
        hold=hold,
        surface=surface,
        frost=frost,
        points=points,
    )


def opening_hours_text(
    windows: Sequence[tuple[int, int]],
    *,
    first_hour: int,
    least_g: float,
    most_g: float,
    unknown_hours: int,
    occupied: bool,
    twelve_hour: bool = False,
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
    twelve_hour : bool
        The reader's clock.
    """
    if windows:
        clock = partial(_clock, twelve_hour=twelve_hour)
        hours = ", ".join(
            say(
                "{first} to {last}",
                first=clock(first_hour + start),
                last=clock(first_hour + end),
            )
            for start, end in windows
        )
        said = say(
            "Worth opening, unless it rains: {hours}. From {least} to {most} of water "
            "would leave, more where the furnishings are damp.",
            hours=hours,
            least=_water(least_g),
            most=_water(most_g),
        )
    else:
        said = say("No hour of the next day is worth opening for.")
    if unknown_hours:
        said += say(
            " Hours that could not be judged: {unknown_hours}.", unknown_hours=unknown_hours
        )
    return f"{said} {say(KEEP_VENTS_OPEN)}" if occupied else said


def buffer_text(*, air_g: float, furnishings_g: float) -> str:
    """Why a dry hour does not dry a unit: what ten points of humidity are."""
    return say(
        "Ten points of humidity are {air} of water in the air and {furnishings} in the "
        "furnishings: airing dries the air within the hour, and the unit only over days.",
        air=_water(air_g),
        furnishings=_water(furnishings_g),
    )


def days_to_dry_text(least_d: float, most_d: float, *, target_percent: float) -> str:
    """How long airing takes to bring the humidity down."""
    target = f"{target_percent:.0f} %"
    if isnan(least_d + most_d):
        return say("Cannot tell how long airing takes to bring it to {target}.", target=target)
    if most_d == 0.0:
        return say("It is at {target} or below already.", target=target)
    if least_d == float("inf"):
        return say(
            "In this weather airing does not bring it to {target}: heat it or dry the air.",
            target=target,
        )
    first = f"{max(1.0, least_d):.0f}"
    if not isfinite(most_d):
        return say(
            "Airing takes {first} days or more, and in this weather may not bring it to {target}.",
            first=first,
            target=target,
        )
    last = f"{max(1.0, most_d):.0f}"
    days = (
        say("about {first}", first=first)
        if first == last
        else say("{first} to {last}", first=first, last=last)
    )
    return say_number(
        int(last),
        "Airing takes {days} day to bring it to {target}.",
        "Airing takes {days} days to bring it to {target}.",
        days=days,
        target=target,
    )


# --- lay-up and opening -----------------------------------------------------------------------------

LIST_TITLES: Mapping[str, str] = {"lay-up": "Laying it up", "opening": "Opening it again"}
LIST_ITEMS: Mapping[str, str] = {  # common practice, no source, where none is named
    "dry first": "Dry it before you close it: wet towels, carpets and tanks make the damp of the first two weeks. "
    "What stands above says whether it is dry enough.",
    "look at seals": "Look at the sealant of roof edges, corners, windows, lamps and vents; renew what is cracked "
    "or lifts, with the kind that is there, and note it as a reseal. From a ladder, never from a wet or soft roof.",
    "clear drains": "Clear gutters, weep holes of windows and drains of the cooler, and let it lean so that water "
    "runs off.",
    "water out": "Drain tanks, heater and pipes; blow them out, or fill them and the traps with antifreeze made for "
    "drinking water. Then note on its page that it is winterised.",
    "tanks empty": "Empty the tanks and leave the taps open.",
    "refrigerator": "Switch the refrigerator off, dry it, and wedge its door open.",
    "fabrics out": "Take out bedding, clothes and food; stand mattresses and cushions on edge, away from outside walls.",
    "cupboards open": "Open cupboards, drawers and the doors of wet rooms: shut ones are the dampest places.",
    "slides in dry": "Wipe the seals of slide-outs and bring the slides in dry.",
    "vents": "Leave two vents under rain covers ajar, or what its page advises for this climate; mend their screens.",
    "drying in frost": "A compressor dehumidifier ices up below about 8 °C; a desiccant one works in frost. A tub of "
    "salt holds little in the cold, and a full one is brine that spills: set it in a tray, or leave it out.",
    "drying in damp heat": "Air from outside wets it in this climate: a dehumidifier that drains into the sink keeps "
    "it dry where there is mains. Note it on its page, and it is watched.",
    "gas and alarms": "Shut the gas as its makers say. Read the dates on the CO, LP-gas and smoke alarms, test them as "
    "their makers say, and leave them in place; gas work is for licensed people.",
    "house battery": "Charge the house battery, and disconnect it or keep it charged as its maker says; alarms that run "
    "from it need what their makers say.",
    "probes heard": "See on Nodes that every probe was heard today and no battery is low.",
    "air it": "Air it for a day before anybody sleeps in it: new and warm units give off formaldehyde (measured in "
    "519 trailers, CDC 2008).",
    "nests": "Look for nests in vents, furnace and refrigerator openings before anything is lit; have gas appliances "
    "looked at by licensed people.",
    "walk round": "Walk round it: soft corners, ripples, stains, open joints; press the floor at door, bath and slide "
    "edges. Note what you find at its zone.",
    "hose test": "Hose it with a soft spray, one side at a time, from the lowest joint upwards, five minutes each, and "
    "note each side as a hose test: its zones answer within two days.",
    "water in": "Flush the antifreeze out, fill, and look for drips under pressure; then note that water is on.",
    "water fresh": "Rinse and fill the tanks as local rules say, and look for drips under pressure.",
    "look for mould": "Look behind cushions, under the bed and in cupboards; clean up as the caution below says.",
    "tubs out": "Take out tubs of salt: full ones are brine. Empty the dehumidifier and note it.",
    "cooler drain": "See that the cooler's drain runs free: a blocked one wets the ceiling.",
}
LIST_WORDS_NOTED = {"done": "done", "open again": "open again", "left out": "left out"}
LISTS_MEAN = (
    "The list is made by this site's climate on the day it is begun. What is neither done nor left out goes on into "
    "the next list."
)
CLIMATE_UNKNOWN = (
    "Less than 300 days of outside air are known: items for frost and for damp heat that it has not shown "
    "yet are in it too."
)
SOUTH_UNKNOWN = "The site's time zone has no place: the time of year is taken as in the north."
NO_LIST = "No list was begun yet."


def due_text(kind: str) -> str:
    """That it is the time of year for a list."""
    return {
        "lay-up": say("It is the time of year to lay it up."),
        "opening": say("It is the time of year to open it again."),
    }[kind]


def dryness_text(
    ready: bool | None,  # noqa: FBT001  one meaning
    *,
    cabin_percent: float,
    against: Sequence[tuple[str, str]],
    unknown: Sequence[str],
) -> str:
    """Whether a unit is dry enough to close, and what speaks against it."""
    room = (
        ""
        if isnan(cabin_percent)
        else say(" The cabin's last day was at {cabin_percent:.0f} %.", cabin_percent=cabin_percent)
    )
    if ready:
        return say("Dry enough to close: no watched wall, roof or floor is damp.{room}", room=room)
    parts = [say("{zone} is {word}", zone=zone, word=say(word)) for zone, word in against]
    if cabin_percent >= 60.0:
        parts.append(say("the cabin's air is above 60 %"))
    if ready is False:
        return say("Dry it before you close it: {parts}.{room}", parts=", ".join(parts), room=room)
    what = (
        say("nothing is known of {unknown}", unknown=", ".join(unknown))
        if unknown
        else say("the cabin or walls are not measured")
    )
    return say(
        "Nothing measured speaks against closing it, but {what}.{room}", what=what, room=room
    )


def settling_text(*, days: int, first: float, last: float) -> str:
    """How the air did since a unit was closed."""
    if isnan(first + last):
        return say(
            "Closed {days} days ago; the air of the first or of the last day is not known.",
            days=days,
        )
    figures = {"days": days, "first": first, "last": last}
    if last > first + 3.0:
        return say(
            "Closed {days} days ago: the cabin's humidity rose, from {first:.0f} % to "
            "{last:.0f} %. Something inside still gives off water: look at it and air it.",
            **figures,
        )
    if last < first - 3.0:
        return say(
            "Closed {days} days ago: the cabin's humidity fell, from {first:.0f} % to "
            "{last:.0f} %.",
            **figures,
        )
    return say(
        "Closed {days} days ago: the cabin's humidity stayed, from {first:.0f} % to {last:.0f} %.",
        **figures,
    )


# --- living in it ---------------------------------------------------------------------------------

DRYER_NOTES = (
    ("compressor", "One with a compressor was put there"),
    ("desiccant", "A desiccant one was put there"),
    ("emptied", "It was emptied"),
    ("taken away", "It was taken away"),
)
DRYER_STATES = {
    "works": "shows no sign of having stopped: the air is as it was in the last days",
    "stopped": "has stopped: its tank is full, or it has no power",
    "iced": "is idle: below about 8 °C the coil of a compressor ices up. A desiccant one works in the cold",
    "weak": "is weak: below about 15 °C a compressor takes out little, and whether it runs cannot be said",
    "settling": "began or was emptied less than a day ago: too early to say",
    "cannot tell": "cannot be judged: air of the last days is missing",
    "lived in": "cannot be judged while people live in the unit: their water hides what it does",
}


def noted_text(kind: str, value: str) -> str:
    """What was noted with an event of a kind; what people wrote in their own words stays as it is."""
    if kind == "dehumidifier":
        return {
            "compressor": say("compressor"),
            "desiccant": say("desiccant"),
            "emptied": say("emptied"),
            "taken away": say("taken away"),
        }.get(value, value)
    found = re.fullmatch(r"([0-9]{1,2}) (person|people)", value)
    if kind == "occupied" and found:
        return say_number(int(found[1]), "{n} person", "{n} people")
    joint, _, sealant = value.rpartition(": ")
    if kind == "reseal" and sealant in SEALANTS:
        return f"{joint}: {say(sealant)}" if joint else value
    return value


def dryer_text(*, device: str, state: str, least_kg_d: float, most_kg_d: float) -> str:
    """How a dehumidifier does, and what it takes out in a day, as a band."""
    said = say(
        "The {device} dehumidifier {state}.", device=say(device), state=say(DRYER_STATES[state])
    )
    if state == "works" and not isnan(least_kg_d + most_kg_d):
        said += say(
            " It takes out about {least_kg_d:.1f} to {most_kg_d:.1f} kg of water a day (by "
            "the air that comes in and what thin panels give off; a rough band).",
            least_kg_d=least_kg_d,
            most_kg_d=most_kg_d,
        )
    return said


HUMIDITY_BANDS = (
    "Humidity of rooms: below 60 %, best 30 to 50 % (EPA 402-K-02-003); no more than 50 % (CDC). Of health "
    "it says nothing by itself."
)
_BANDS = {
    "dry": "drier than the 30 to 50 % that the EPA calls best",
    "within": "within the 30 to 50 % that the EPA calls best",
    "above": "more than the 50 % that the CDC names, less than the 60 % of the EPA",
    "too humid": "60 % or more: the EPA says to stay below",
    "": "not known",
}
CO2_SPEAKS = (
    "Carbon dioxide tells how much air from outside comes to each person. It is no verdict on health, and "
    "has nothing to do with carbon monoxide: only a CO alarm finds that."
)
FROST_OUTSIDE = "It freezes outside: air for ten minutes at a time, with the heating on."
RAIN_UNKNOWN = "Should it rain, open on the lee side, or a vent under its cover."
NOT_OCCUPIED = (
    "Nobody is noted as living in this unit. Whether to air it as it stands is said with its cabin; what follows is "
    "what a night in it would be like, heated to 18 °C."
)
NO_CABIN = (
    "No zone of kind cabin is entered for this unit: its air is not measured. Enter one, and place a probe in it "
    "at the height of a bed, away from vents, heaters and sun."
)
NO_LIVING = (
    "The air of the cabin or outside was not measured in the last days: nothing can be worked out."
)
WHERE_LINES_MEET = "Where the coldest surface comes down to the dew point, water settles on it."
FACTOR_MEANS = "A temperature factor is 0 for a surface as cold as outside and 1 for one as warm as the room (ISO 13788)."
NOTE_MEANS = (
    "What is noted counts from now on: who lives in a unit bears on advice and on who sees its air in fine steps; "
    "water in its lines bears on frost."
)
SEEN_MEANS = (
    "When people are in can be read from its air. For the time that somebody lives in it, all others who may see "
    "this unit, a link to it included, get one mean a day in the place of each hour; its words and alarms they see."
)
BY_THE_DAY = "Somebody lives or lived in this unit: its air is shown here as one mean a day. Its owner sees each hour."
DAYS_LEFT_OUT = "Days that are not over, and those known by less than half, are left out."
NO_READINGS = (
    "Somebody lived in this unit in that time: its single readings are its owner's. Judged hours are given, as one "
    "mean a day."
)
NO_FORECAST = "No forecast is set up: the night is the usual one of the last week (the README says how to name one, under [[weather]])."
NO_CO2 = "No probe here measures carbon dioxide: how much air people get is not known."
NO_CABIN_NOW = "The last hours of the cabin are missing: figures of now are not known."
LIVING_UNKNOWNS = (
    "Whether it has single glazing, metal studs or a mattress on a board: all are shown, as if it had.",
    "How many vents are open, and the wind: the air changes are a band for that reason.",
)


def band_text(band: str) -> str:
    """Where a humidity stands in the published bands; `band` as `monitor.living.band` has it."""
    return say(_BANDS[band])


def action_text(
    kind: str,
    *,
    surface: str,
    surface_c: float,
    dew_c: float,
    humidity_percent: float,
    co2_ppm: float,
) -> str:
    """The one thing to do in a lived-in unit, and why.

    Parameters
    ----------
    kind : str
        As `monitor.living.act` has it, but "freezing": that is `freeze_text`.
    surface : str
        Name of the surface that water settles on first.
    surface_c, dew_c : float
        That surface and the dew point inside, in the hour ahead in which they come nearest. [°C]
    humidity_percent, co2_ppm : float
        Of the last hour.
    """
    said_of = say(surface)
    low = f"{said_of[:1].lower()}{said_of[1:]}"
    near = say(
        "tonight the {low} falls to {surface_c} and the dew point is {dew_c}",
        low=low,
        surface_c=_celsius(surface_c),
        dew_c=_celsius(dew_c),
    )
    said = {
        "no figures": say(
            "Cannot say what tonight is like: cabin or outside air of the last days is missing."
        ),
        "open more": say(
            "Open more tonight: leave a roof vent and a window a hand's width open, as far as"
            " they make no draught on the bed. Why: {near}, and the air outside holds less "
            "water.",
            near=near,
        ),
        "air and heat": say(
            "Open a roof vent and a window, and heat: airing alone does not keep the coldest "
            "places dry. Why: {near}.",
            near=near,
        ),
        "heat": say(
            "Heat gently, and wipe what gets wet: the air outside holds no less water than "
            "the air inside. Why: {near}.",
            near=near,
        ),
        "dry the air": say(
            "Run a dehumidifier or the air conditioner, if there is one: it is "
            "{humidity_percent:.0f} % inside and the air outside holds no less water.",
            humidity_percent=humidity_percent,
        ),
        "open a little": say(
            "Open a window or the fan's vent until it is below 60 %: it is "
            "{humidity_percent:.0f} % inside, and the air outside holds less water.",
            humidity_percent=humidity_percent,
        ),
        "more air": say(
            "Let more air in: carbon dioxide is at {co2_ppm:.0f} ppm, little air for the "
            "people in it.",
            co2_ppm=co2_ppm,
        ),
        "wipe": say(
            "Wipe the glass in the morning and wring the cloth outside: {near}.", near=near
        ),
        "nothing": say("Nothing needs doing tonight: no surface comes near the dew point."),
    }[kind]
    return said if kind == "no figures" else f"{said} {say(KEEP_VENTS_OPEN)}"


def conflicts(kind: str, *, rain_from: str, rain_known: bool, frost: bool, water: bool) -> str:
    """What rain and frost change about opening; "" where the action opens nothing.

    Parameters
    ----------
    kind : str
        Of the action.
    rain_from : str
        Clock time from which rain is expected; "": none is.
    rain_known : bool
        Whether anybody forecasts rain.
    frost : bool
        Whether it is near or below freezing outside in the night.
    water : bool
        Whether water stands in the lines.
    """
    if kind not in {"open more", "air and heat", "open a little", "more air", "wipe"}:
        return ""
    parts = []
    if rain_from:
        parts.append(
            say(
                "Rain is expected from {rain_from}: open on the lee side, or a vent under its cover.",
                rain_from=rain_from,
            )
        )
    elif not rain_known:
        parts.append(say(RAIN_UNKNOWN))
    if frost:
        parts.append(
            say(FROST_OUTSIDE)
            + (say(" Keep doors of cupboards with pipes open to the warmth.") if water else "")
        )
    return " ".join(parts)


def margin_text(margin_k: float) -> str:
    """How far a surface stays from the dew point."""
    if margin_k <= 0.0:
        return say("{margin_k:.1f} K below: wet", margin_k=abs(margin_k))
    return say("{margin_k:.1f} K above", margin_k=margin_k) + (
        say(": about to be wet") if margin_k < 1.0 else ""
    )


def settled_humidity(percent: float) -> str:
    """A humidity that air settles at; it cannot be more than saturated."""
    return say("100 %, water settles") if percent >= 100.0 else f"{percent:.0f} %"


def settles_basis(*, volume_m3: float) -> str:
    """What the table of air changes rests on."""
    return say(
        "For {volume_m3:.0f} m³ of air (assumed), sleepers alone, and the coldest hour of"
        " the night. 0.15 and 0.39 were measured in closed housing trailers (Maddalena "
        "and others, 2009); 2 is about a roof vent and a window ajar, by wind.",
        volume_m3=volume_m3,
    )


def forecast_old_text(age: str) -> str:
    """A forecast that does not reach over the night."""
    return say(
        "The newest forecast came {age}: it is too old, or does not cover the night. The usual night of "
        "the last week is shown.",
        age=age,
    )


def night_text(
    *, forecast: bool, balance: bool, people: int, noted: bool, outside_c: float, inside_c: float
) -> str:
    """What the hours ahead are taken from."""
    who = say_number(people, "{n} person", "{n} people")
    who = who if noted else say("{who} (assumed)", who=who)
    air = (
        say("the balance of {who}, for nights with people in it are still to come", who=who)
        if balance
        else say("the last nights in it")
    )
    source = (
        say("the forecast")
        if forecast
        else say("the usual day of the last week, for there is no forecast")
    )
    return say(
        "Outside down to {outside_c} by {source}; inside about {inside_c} then. The dew "
        "point inside is taken from {air}.",
        outside_c=_celsius(outside_c),
        source=source,
        inside_c=_celsius(inside_c),
        air=air,
    )


def balance_text(*, people: int, noted: bool, least_g_h: float, most_g_h: float) -> str:
    """What sleepers give off, and that it must leave."""
    counted = "" if noted else say(" (assumed)")
    who = say_number(
        people, "{n} sleeper{counted} gives", "{n} sleepers{counted} give", counted=counted
    )
    return say(
        "{who} off {least_g_h:.0f} to {most_g_h:.0f} g of water an hour. Cooking, showers"
        " and drying clothes come on top; a kg of gas burnt without a flue adds 1.6 kg. "
        "All of it leaves with the air, or settles.",
        who=who,
        least_g_h=least_g_h,
        most_g_h=most_g_h,
    )


def changes_text(*, low: float, high: float) -> str:
    """How often the air was exchanged, by the water of the last nights."""
    if isnan(low + high):
        return say(
            "How often the air is exchanged cannot be told from the water in it: that takes "
            "three nights with people in it, and more water inside than outside."
        )
    return say(
        "By the water that stayed in it, the air was exchanged about {low:.2g} to "
        "{high:.2g} times an hour in the last nights. Closed trailers were found at 0.15 "
        "to 0.39.",
        low=low,
        high=high,
    )


def decays_text(*, count: int, low: float, high: float) -> str:
    """How often the air was exchanged, by falls of carbon dioxide."""
    times = say("once") if count == 1 else say("{count} times", count=count)
    span = say("{low:.2g} to {high:.2g}", low=low, high=high)
    return say(
        "Carbon dioxide fell {times} in this week as {span} air changes an hour would "
        "make it; people who stay make that look slower than it is.",
        times=times,
        span=span,
    )


def co2_text(*, ppm: float, asleep_l_s: float, sitting_l_s: float) -> str:
    """What carbon dioxide says of ventilation."""
    if isnan(asleep_l_s):
        return say("{ppm:.0f} ppm, as outdoors.", ppm=ppm)
    return say(
        "{ppm:.0f} ppm: about {asleep_l_s:.1f} L/s of air from outside for each person "
        "asleep, {sitting_l_s:.1f} L/s for each who sits.",
        ppm=ppm,
        asleep_l_s=asleep_l_s,
        sitting_l_s=sitting_l_s,
    )


def freeze_text(  # noqa: PLR0913  figures of one sentence
    *,
    zone: str,
    now_c: float,
    hours: float,
    earliest_h: float,
    latest_h: float,
    known_h: int,
    lowest_c: float,
    forecast: bool,
) -> str:
    """When a place that follows the air outside freezes."""
    source = say("the forecast") if forecast else say("the usual day of the last week")
    if earliest_h == float("inf"):
        return say(
            "{zone} ({now_c}) stays above freezing in the next {known_h} h by {source}; "
            "lowest about {lowest_c}.",
            zone=zone,
            now_c=_celsius(now_c),
            known_h=known_h,
            source=source,
            lowest_c=_celsius(lowest_c),
        )
    if earliest_h == 0.0:
        return say("{zone} is at {now_c}: at or near freezing.", zone=zone, now_c=_celsius(now_c))
    if hours == float("inf"):
        return say(
            "{zone} ({now_c}) may freeze in {earliest_h:.0f} h or later, if it gets a little "
            "colder than {source} has it; lowest about {lowest_c}.",
            zone=zone,
            now_c=_celsius(now_c),
            earliest_h=earliest_h,
            source=source,
            lowest_c=_celsius(lowest_c),
        )
    until = f"{latest_h:.0f}" if isfinite(latest_h) else say("more than {known_h}", known_h=known_h)
    return say(
        "{zone} ({now_c}) is expected at 0 °C in about {hours:.0f} h ({earliest_h:.0f} to"
        " {until} h), by {source}; lowest about {lowest_c}.",
        zone=zone,
        now_c=_celsius(now_c),
        hours=hours,
        earliest_h=earliest_h,
        until=until,
        source=source,
        lowest_c=_celsius(lowest_c),
    )


FREEZE_TO_DO = (
    "Water stands in its lines: keep it heated, or drain and winterise it before then. Heaters with a flame "
    "need their air and their makers' instructions."
)
NO_PIPES_MEASURED = "No probe is in a place with pipes: when they freeze cannot be said."
NOT_FOLLOWED = (
    "When it freezes cannot be said: three days of its air and of the air outside are needed, and a place "
    "that follows it."
)
WINTERISED = "Noted as winterised: frost is no matter for its lines."


def without_heating_text(*, zone: str, least_h: float, most_h: float) -> str:
    """How long a heated unit has once the heating stops."""
    if isnan(least_h):
        return say("{zone} is warmer than outside by its heating, or by people.", zone=zone)
    if least_h == float("inf"):
        return say("{zone} is heated, and it does not freeze outside in the night.", zone=zone)
    return say(
        "{zone} is heated. If the heating stopped it would be at freezing in about "
        "{least_h:.0f} to {most_h:.0f} h (time constants of 3 to 12 h, a rough figure).",
        zone=zone,
        least_h=least_h,
        most_h=most_h,
    )


def _celsius(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f} °C"


def _water(grams: float) -> str:
    """A mass of water, no finer than it can be known."""
    if grams < 9.5:
        return say("less than 10 g")
    if grams < 995.0:
        return say("about {grams:.0f} g", grams=round(grams, -1 if grams >= 95.0 else 0))
    return say("about {grams:.1f} kg", grams=grams / 1000.0)


def _clock(hour: int, *, twelve_hour: bool) -> str:
    said = clock_time(hour % 24 * 60, twelve_hour=twelve_hour)
    return say("{clock} tomorrow", clock=said) if hour > 24 else said


# --- after rain -----------------------------------------------------------------------------------

NO_STORM = "No rain of 2 mm fell in the last {days} days."
RAIN_NOT_KNOWN = "Rain was not recorded in the last {days} days: what it did cannot be said."


def storm_text(
    *, word: str, day: str, rain_mm: float, zone: str, rise_percent: float, unheard: Sequence[str]
) -> str:
    """What a unit has to say after rain, in one line.

    Parameters
    ----------
    word : str
        "stayed dry", "no change", "look at", "no data" or "too early".
    day : str
        On which it rained.
    rise_percent : float
        Wood moisture of the zone to look at above its like zones; nan where an alarm spoke.
    unheard : sequence of str
        Zones that were not heard all along.
    """
    rain = say("Rain of {day}, {rain_mm:.0f} mm", day=day, rain_mm=rain_mm)
    silent = say(" No data of {unheard}.", unheard=", ".join(unheard)) if unheard else ""
    if word == "no data":
        return say("{rain}: no data. Nobody can say whether it stayed dry.", rain=rain)
    if word == "too early":
        return say("{rain}: too early to say; water takes a day to show.", rain=rain)
    if word == "look at":
        why = (
            say("an alarm stands there")
            if isnan(rise_percent)
            else say(
                "its wood rose {rise_percent:.1f} points more than the others",
                rise_percent=rise_percent,
            )
        )
        return say(
            "{rain}: look at {zone}, {why}.{silent}", rain=rain, zone=zone, why=why, silent=silent
        )
    where = say(" where it was heard") if unheard else ""
    if word == "no change":
        return say(
            "{rain}: no zone answered to it{where}; {zone} was damp already.{silent}",
            rain=rain,
            where=where,
            zone=zone,
            silent=silent,
        )
    return say("{rain}: stayed dry{where}.{silent}", rain=rain, where=where, silent=silent)


def storm_message(unit: str, line: str, wish: "Wish", *, board_url: str) -> tuple[str, str]:
    """Subject and body of the words after a storm."""
    said = shown_in(line, wish)
    link = [f"{board_url.rstrip('/')}/unit/{quote(unit)}"] if board_url else []
    return f"{unit}: {said}", _letter(said, *link)


def batteries_text(levels: Mapping[str, float]) -> str:
    """The lowest battery of a unit's nodes, by node."""
    if not levels:
        return say("Batteries: no node of it tells its own.")
    lowest = min(levels, key=lambda node: (levels[node], node))
    return say(
        "Batteries: the lowest is that of {node}, {percent:.0f} %.",
        node=lowest,
        percent=levels[lowest],
    )


def seals_text(last: str, next_day: str, *, due: bool) -> str:
    """When the seals of a unit were last looked at, and when next: every 90 days by common practice."""
    if not last:
        return say("Seals: nobody noted that they were looked at; do it, and note it in its list.")
    if due:
        return say(
            "Seals: last looked at or renewed on {last}; due since {next_day}.",
            last=last,
            next_day=next_day,
        )
    return say(
        "Seals: looked at or renewed on {last}; next by {next_day}.", last=last, next_day=next_day
    )


PACKET_MEANS = (
    "One file with every reading, note and figure that this verdict was taken from. Whoever has it works the verdict "
    "and the hours out again without this record; a changed digit is found. Give the key it is signed by another way "
    "(sillkeep handover key)."
)

# --- repair proof ---------------------------------------------------------------------------------

_NO_PROOF = {
    "too early": "No proof yet: it goes by whole days (UTC), and the first one after the repair is not over.",
    "unwatched": "No proof: nobody watched this zone when it was repaired, or nothing was judged since.",
    "room": "No proof: only walls, roofs, floors, slides, bays and underbellies are proven, and this is a room.",
    "unread": UNREAD,
}
WETTINGS_EXPLAINED = (
    "Answer: by how much the zone rose against the dry standard in two days. It is a response from twice "
    "the noise on. A wetting with a gap over 6 h, or within two days of the repair, is not counted."
)
REVISIONS_EXPLAINED = (
    "Nothing that was said is rewritten: a later revision replaces what was said from its day on, and the "
    "old one stays."
)
LATER_REASONS = {
    "": "",
    "late readings": "readings or notes that came later changed what was said before",
    "new rules": "judged again by another version of the rules",
}
PROOF_UNKNOWNS = (
    "Whether a leak begins again tomorrow: hence “so far”.",
    "Leaks smaller than the size given; a closed wall hides more than an opened one.",
    "Pipes, tanks and traps: they leak without rain, and are not judged here.",
    "Which side rain met: rain on another side counts like rain on this one.",
    "How often such a verdict is wrong on real repairs: its rates come from simulated walls.",
)
# what to do about each condition of a proof that is missing
PROOF_TO_DO: dict[str, str] = {
    "dry twin": "No unaffected zone of like material tells what dry is: put a probe on a like wall on "
    "another side, or enter it as this zone's dry twin.",
    "sensor at the spot": "This probe never showed the leak, so it cannot show its end: put it where the "
    "water collected, and note that as a repair with the value “sensor moved”.",
    "drying goal": "It has not been at its drying goal for five days running: go on drying.",
    "30 days": "Fewer than 30 days have passed since the repair: wait.",
    "enough wetting": "The wettings so far asked too little of the joint: wait for rain, or make a hose test.",
    "enough evidence": "The answers so far do not tell a tight joint from a leaking one: more wettings will.",
    "hose test": "No hose test counts: spray the joints from the lowest up and note it. Six rains or thaws "
    "do without, and the proof then says so.",
    "natural wettings": "Too few rains or thaws: three beside a hose test, six without, or two hose tests "
    "a week apart.",
    "rain record": "Rain is not recorded: without a gauge, a feed or notes of rain nothing was witnessed.",
    "no response": "It answered a wetting: look at the joint, and at pipes above it, before you wait on.",
    "coverage": "Readings cover less than 95 % of the hours since the repair: see to the node; whole days "
    "from now on make up for it.",
    "bench check": "The probes of this zone, and of its dry twin, were not checked over salt in the 180 days "
    "before the repair and again after the last wetting that counts, or the two differ by more than 3 points of humidity: "
    "make the second check when nothing else is missing.",
    "source photo": "There is no photo of where the water came in: add it on this page.",
}


def proof_text(
    verdict: str,
    *,
    zone: str,
    repaired: str,
    survived: int,
    last: str,
    responses: int,
    missing: int,
) -> str:
    """Verdict on a repair in a sentence or two; never more than "so far".

    Parameters
    ----------
    verdict : str
        A word of `monitor.evidence.drying.Verdict`.
    repaired, last : str
        Days as the reader writes them: of the repair, and of the last wetting survived.
    survived, responses : int
        Wettings counted without a response, and with one.
    missing : int
        Conditions not met.
    """
    wettings = say_number(survived, "{n} wetting", "{n} wettings")
    lived = (
        say(
            "So far it lived through {wettings} without a response, the last on {last}.",
            wettings=wettings,
            last=last,
        )
        if survived
        else say("So far it lived through no wetting that counts, and dry weather proves nothing.")
    )
    conditions = say_number(missing, "{n} condition is missing", "{n} conditions are missing")
    said = {
        "stayed dry": say(
            "{zone} stayed dry so far: since the repair on {repaired} it lived through "
            "{wettings} without a response that stands, the last on {last}.",
            zone=zone,
            repaired=repaired,
            wettings=wettings,
            last=last,
        ),
        "drying": say(
            "{zone} is drying since the repair on {repaired}; {conditions}. {lived}",
            zone=zone,
            repaired=repaired,
            conditions=conditions,
            lived=lived,
        ),
        "not yet shown": say(
            "It is not yet shown that {zone} stays dry since the repair on {repaired}: "
            "{conditions}. {lived}",
            zone=zone,
            repaired=repaired,
            conditions=conditions,
            lived=lived,
        ),
        "did not stay dry": say(
            "{zone} did not stay dry after the repair on {repaired}: water came in again, or "
            "never stopped ({responses} of {survived} wettings were answered). This stands "
            "until there is another repair.",
            zone=zone,
            repaired=repaired,
            responses=responses,
            survived=survived + responses,
        ),
    }
    return said[verdict]


def no_proof_text(why: str) -> str:
    """Why a repair has no proof: `too early`, `unwatched` `room` or `unread`."""
    return say(_NO_PROOF[why])


def share_text(figures: Mapping[str, float]) -> str:
    """What so many wettings say of the next one."""
    share = _number(figures, "leaking_share")
    if isnan(share) or share >= 1.0:
        return say("Too little was asked to say how often it could still leak.")
    if _number(figures, "responses") > 0.0:
        return say(
            "Some wettings were answered: how often it could still leak is not bounded by the"
            " others."
        )
    return say(
        "By the rule of three at most {percent:.0f} % of such wettings would still bring "
        "water in, with 95 % confidence.",
        percent=100.0 * share,
    )


def size_text(size_ml: float) -> str:
    """Which leaks a proof covers, and which it does not."""
    if isnan(size_ml):
        return say(
            "The wettings so far would have shown no leak up to 200 mL an event: leaks of any"
            " size are not excluded."
        )
    return say(
        "The wettings so far would have shown a leak of {size_ml:.0f} mL or more an event"
        " (3 mm of rain on the face). Smaller leaks are not excluded.",
        size_ml=size_ml,
    )


def drying_text(figures: Mapping[str, float]) -> str:
    """How far a zone is from its drying goal, and when it gets there at this rate."""
    excess, goal = _number(figures, "excess_percent"), _number(figures, "goal_percent")
    if isnan(excess) or isnan(goal):
        return say(
            "How far it is from the drying goal is not known: a like zone or its own readings"
            " are missing."
        )
    stands = say(
        "It stands {excess:.1f} points of moisture above the dry standard; the goal is {goal:.1f} "
        "above or less"
        if excess >= 0
        else "It stands {excess:.1f} points of moisture below the dry standard; the goal is "
        "{goal:.1f} above or less",
        excess=abs(excess),
        goal=goal,
    )
    if excess <= goal:
        return say("{stands}: reached.", stands=stands)
    rate = _number(figures, "rate_percent_day")
    if _number(figures, "stalled") == 1.0:
        return say(
            "{stands}. Drying has stalled: it fell by less than 0.15 points in ten days.",
            stands=stands,
        )
    if isnan(rate):
        return say("{stands}. Its rate is not known yet.", stands=stands)
    low, high = _number(figures, "days_to_goal_low"), _number(figures, "days_to_goal_high")
    if rate <= 0.0 or not isfinite(low):
        return say("{stands}. At present it does not fall.", stands=stands)
    until = say("{low:.0f} days or more", low=low) if not isfinite(high) else _between(low, high)
    return say(
        "{stands}. It loses {rate:.2f} points a day: {until} to the goal at this rate.",
        stands=stands,
        rate=rate,
        until=until,
    )


def _between(low: float, high: float) -> str:
    first, last = f"{max(low, 1.0):.0f}", f"{max(high, 1.0):.0f}"
    if first == last:
        return say_number(int(first), "about {n} day", "about {n} days")
    return say("{first} to {last} days", first=first, last=last)


# --- the archive ----------------------------------------------------------------------------------

ARCHIVE_LEVEL_S = 600  # less than this behind is its ordinary pace


def archive_text(*, level_s: int, now_s: int, refused: int, trouble: str) -> str:
    """How the mirror stands against the record (level at `level_s`), and why it falls behind."""
    behind_s = now_s - level_s
    said = say("The archive is level with the record.")
    if behind_s >= ARCHIVE_LEVEL_S:
        hours = behind_s / 3600
        late = (
            say("{hours:.0f} hours", hours=hours)
            if hours >= 1.5
            else say("{minutes:.0f} minutes", minutes=behind_s / 60)
        )
        why = f" ({trouble})" if trouble else ""
        said = say(
            "The archive is {late} behind, since {at}{why}. The record has it all.",
            late=late,
            at=moment(level_s),
            why=why,
        )
    if refused:
        points = say_number(refused, "{n} point", "{n:,} points")
        said += say(
            " It does not take {points}; the reasons are logged, and its next start tries again.",
            points=points,
        )
    return said


# --- the record -----------------------------------------------------------------------------------

UNCHECKED = "The record has not checked itself yet: the watch has it done once a day."
DAMAGED = "The record is damaged: what stands below may be wrong. Chain says where."
PART_OF_RECORD: dict[str, str] = {
    "file": "the file itself",
    "schema": "its tables",
    "reading": "readings",
    "sealed": "sealed readings",
    "sealed_run": "sealed readings",
    "hour": "judged hours",
    "checkpoint": "checkpoints",
    "alarm": "alarms",
    "alarm_step": "steps of alarms",
    "hold": "what is held back",
    "cause": "common causes of alarms",
    "cause_member": "common causes of alarms",
    "limit_change": "changed limits",
    "receipt": "receipts",
    "event": "events",
    "placement": "placements",
    "proof": "proofs",
    "proof_now": "proofs",
    "outbox": "messages",
    "person": "people",
    "person_address": "people",
    "message": "messages",
    "message_alarm": "messages",
    "account": "users",
    "account_reach": "users",
    "session": "sessions",
    "link": "links",
    "audit": "the log",
}


def record_text(*, at_s: int, kinds: Sequence[str], count: int) -> str:
    """What the record's check of itself found; `kinds` are the damaged parts, `count` how many."""
    if not count:
        return say(
            "The record was checked {at}: every part that had rested is as written.",
            at=moment(at_s),
        )
    named = dict.fromkeys(
        say(PART_OF_RECORD[kind]) if kind in PART_OF_RECORD else say("entries ({kind})", kind=kind)
        for kind in kinds
    )
    places = say_number(count, "{n} place", "{n:,} places")
    return say(
        "The record is damaged: {places}, found {at}, in {named}. Disk, memory or a hand "
        "has changed what was written, and what is shown or proven from there may be "
        "wrong. Copy the record's folder elsewhere, check the disk, stop Sillkeep and "
        "restore the newest backup that verifies (sillkeep restore).",
        places=places,
        at=moment(at_s),
        named=", ".join(named),
    )


def not_watched_text(*, from_s: int, to_s: int) -> str:
    """That the monitor itself was away."""
    return say(
        "Nothing was watched from {start} to {end}: Sillkeep itself did not run. Nodes keep"
        " their samples and hand them over; what they show of that time is judged as it "
        "comes. No node is called silent for that time. Until all is in, do not take the "
        "quiet for dryness. Look at the power and the log of the machine that Sillkeep "
        "runs on.",
        start=moment(from_s),
        end=moment(to_s),
    )


# --- messages -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wish:
    """How a person reads times and temperatures."""

    timezone: str = "UTC"
    fahrenheit: bool = False
    twelve_hour: bool = False


class AlarmTold(Protocol):
    """What a message says of an alarm."""

    @property
    def alarm_id(self) -> int: ...  # noqa: D102
    @property
    def site(self) -> str: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102
    @property
    def unit_name(self) -> str: ...  # noqa: D102
    @property
    def slot(self) -> str: ...  # noqa: D102
    @property
    def zone(self) -> str: ...  # noqa: D102
    @property
    def node(self) -> str: ...  # noqa: D102
    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def class_(self) -> AlarmClass: ...  # noqa: D102
    @property
    def raised_s(self) -> int: ...  # noqa: D102
    @property
    def withdrawn_s(self) -> int | None: ...  # noqa: D102
    @property
    def text(self) -> str: ...  # noqa: D102
    @property
    def facts(self) -> str: ...  # noqa: D102


CLASS_WORDS: dict[AlarmClass, str] = {
    "act now": "ACT NOW",
    "today": "Today",
    "this week": "This week",
    "season": "This season",
}
KIND_WORDS = {
    "water contact": "liquid water",
    "record": "the record is damaged",
    "not watched": "nothing was watched",
    "installation": "a certificate",
    "silent": "not heard",
    "probe silent": "one probe not heard",
    "damp week": "damp over the whole lot",
    "freezing ahead": "frost to come",
    "frost ahead": "frost to come over the whole lot",
}
LIST_WORDS = {"morning": "This morning", "week": "The week", "season": "The season"}
NOTHING_TO_DO = (
    "Nothing asks for anything this week. Sillkeep is watching and will write again in a week; if "
    "this line stays away, look after Sillkeep."
)
NOTHING_IN_SEASON = "Nothing is due this season."
SIGNATURE = "-- \nSillkeep"  # the mark of RFC 3676, so that replies leave it out


def shown_in(words: str, wish: Wish) -> str:
    """Sentences of the record with the times and temperatures of the person who reads them."""
    told = re.sub(
        r"(\d{4}-\d\d-\d\d \d\d:\d\d) UTC",
        lambda m: when(
            int(datetime.strptime(f"{m[1]}+0000", "%Y-%m-%d %H:%M%z").timestamp()), wish
        ),
        words,
    )
    return in_fahrenheit(told) if wish.fahrenheit else told


_DEGREES = r"([-−]?\d+(?:\.\d+)?)"
_TWO_CELSIUS = re.compile(rf"{_DEGREES} (to|and|or) {_DEGREES}[ \u00a0\u202f]°C")
_CELSIUS = re.compile(rf"{_DEGREES}[ \u00a0\u202f]°C")
_KELVIN = re.compile(rf"\b{_DEGREES}[ \u00a0\u202f]K\b")  # a difference of temperatures


def in_fahrenheit(words: str) -> str:
    """Sentences whose temperatures are in degrees Celsius, and their differences in K, in Fahrenheit."""
    words = _TWO_CELSIUS.sub(
        lambda m: f"{_to_fahrenheit(m[1])} {m[2]} {_to_fahrenheit(m[3])} °F", words
    )
    words = _CELSIUS.sub(lambda m: f"{_to_fahrenheit(m[1])} °F", words)
    return _KELVIN.sub(lambda m: f"{_to_fahrenheit(m[1], above=0)} °F", words)


def _to_fahrenheit(celsius: str, *, above: int = 32) -> str:
    decimals = len(celsius.partition(".")[2])
    return f"{float(celsius.replace('−', '-')) * 9 / 5 + above:.{decimals}f}"


def when(at_s: int, wish: Wish) -> str:
    """A time on a person's own clock, with its day and the zone's short name."""
    here = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(wish.timezone))
    clock = clock_time(here.hour * 60 + here.minute, twelve_hour=wish.twelve_hour)
    return f"{weekday(here)} {here.day} {month(here)} {here.year}, {clock} {here:%Z}"


def clock_time(minute: int, *, twelve_hour: bool) -> str:
    """A minute of the day [0 to 1439] on a clock of 24 or 12 hours: "14:05", "2:05 PM"."""
    hour, minute = divmod(minute, 60)
    if not twelve_hour:
        return f"{hour:02}:{minute:02}"
    return f"{hour % 12 or 12}:{minute:02} {'AM' if hour < 12 else 'PM'}"


def slot_order(slot: str) -> tuple[tuple[int, int | str], ...]:
    """Rows and slots in the order in which one walks past them: A2 before A10; without one, last."""
    parts = re.findall(r"\d+|\D+", slot)
    found = [(0, int(part)) if part.isdecimal() else (1, part.casefold()) for part in parts]
    return tuple(found) or ((2, ""),)


def _where(alarm: AlarmTold) -> str:
    """The place in as few words as find it: slot, unit, zone."""
    unit = alarm.unit or alarm.site
    return " ".join(filter(None, (alarm.slot, unit, alarm.zone or alarm.node)))


def _kind(alarm: AlarmTold) -> str:
    return say(KIND_WORDS.get(alarm.kind, alarm.kind))


def _link(alarm: AlarmTold, board_url: str) -> str:
    """Page of the alarm's zone, unit or list."""
    if not board_url:
        return ""
    if alarm.zone:
        of = f"unit/{alarm.unit}" if alarm.unit else f"site/{alarm.site}"
        path = f"{of}/zone/{alarm.zone}"
    else:
        path = f"unit/{alarm.unit}" if alarm.unit else "alarms"
    return f"{board_url.rstrip('/')}/{quote(path)}"


TOLD_AGAIN = "You are told again, for nobody has acknowledged this yet."


def late_text(names: str) -> str:
    """Why somebody is told only now; `names`: who was told before them."""
    return say(
        "You are told because {names} did not acknowledge this in time.",
        names=names or say("nobody"),
    )


def alarm_message(
    alarm: AlarmTold, wish: Wish, *, board_url: str, late: str = ""
) -> tuple[str, str]:
    """Subject and body of one alarm; `late`: a sentence before all others."""
    subject = f"{say(CLASS_WORDS[alarm.class_])}: {_kind(alarm)}, {_where(alarm)}".rstrip(", ")
    parts = [*_said(alarm, wish), _facts(alarm, wish)]
    if late:
        parts.insert(0, say(late))
    if alarm.alarm_id:
        parts.append(
            say("Take it on, so that nobody else is called: on the board, or with")
            + f"\n  sillkeep alarms acknowledge {alarm.alarm_id} --who YOU"
        )
    short = say(CAUTION)
    caution = short if _text(alarm).endswith(short) else ""
    return subject, _letter(*parts, _link(alarm, board_url), caution)


def _said(alarm: AlarmTold, wish: Wish) -> list[str]:
    """An alarm's text in the order in which it is acted on: what it is, what to do, then why."""
    said = shown_in(_text(alarm), wish).removesuffix(say(CAUTION)).strip()
    each = sentences(said)
    by = say(TIME_ALLOWED[alarm.class_])
    allowed = f" ({by})."
    answers = [number for number, one in enumerate(each) if one.endswith(allowed)]
    if len(answers) != 1 or answers[0] == 0:
        return [said]
    to_do = answers[0]
    what = f"{say('What to do {by}:', by=by)}\n  {each[to_do].removesuffix(allowed)}."
    do_not = " ".join(each[to_do + 1 :])
    return [each[0], f"{what}\n  {do_not}" if do_not else what, " ".join(each[1:to_do])]


def _text(alarm: AlarmTold) -> str:
    """An alarm's text in the reader's language."""
    return text_in_language(alarm.kind, alarm.class_, facts=alarm.facts, stored=alarm.text)


def _facts(alarm: AlarmTold, wish: Wish) -> str:
    name = f" ({alarm.unit_name})" if alarm.unit_name else ""
    rows = [
        (say("Unit"), f"{alarm.unit}{name}" if alarm.unit else ""),
        (say("Slot"), alarm.slot),
        (say("Zone"), alarm.zone),
        (say("Node"), alarm.node),
        (say("Site"), alarm.site),
        (say("Since"), when(alarm.raised_s, wish)),
    ]
    return "\n".join(f"{label + ':':8}{value}" for label, value in rows if value)


def correction_message(alarm: AlarmTold, wish: Wish, *, board_url: str) -> tuple[str, str]:
    """Subject and body for those who were told an alarm that has changed since."""
    first = f"{_kind(alarm)}, {_where(alarm)}".rstrip(", ")
    if alarm.withdrawn_s is not None:
        said = say(
            "You were told of {first}, since {at}. Late readings show that it was not so: "
            "nothing has to be done about it.",
            first=first,
            at=when(alarm.raised_s, wish),
        )
        return say("Withdrawn: {first}", first=first), _letter(said, _link(alarm, board_url))
    said = say(
        "You were told of {first}. More readings have come, and it stands as follows.", first=first
    )
    parts = (said, *_said(alarm, wish), _facts(alarm, wish))
    return say("Corrected: {first}", first=first), _letter(*parts, _link(alarm, board_url))


def list_message(  # noqa: PLR0913  each is said below
    kind: str,
    shown: Sequence[Sequence[AlarmTold]],
    wish: Wish,
    *,
    more: int,
    corrected: Sequence[AlarmTold],
    seals: str = "",
    board_url: str,
    now_s: int,
) -> tuple[str, str]:
    """Subject and body of a morning list or a digest.

    `shown` are places in the order of the walk, each with its alarms, the most urgent first; `seals`
    a paragraph of units whose seals are due.
    """
    named = say(LIST_WORDS[kind])
    if not shown and not corrected and not seals:
        nothing = NOTHING_IN_SEASON if kind == "season" else NOTHING_TO_DO
        return say("{list}: nothing to do", list=named), _letter(say(nothing), board_url)
    count = len(shown) + more
    subject = say_number(
        count, "{list}: {n} place to look at", "{list}: {n} places to look at", list=named
    )
    if seals and not count and not corrected:
        subject = say("{list}: seals to look at", list=named)
    lines: list[str] = []
    for number, alarms in enumerate(shown, 1):
        first = alarms[0]
        if number == 1 or first.class_ != shown[number - 2][0].class_:
            head = f"{say(CLASS_WORDS[first.class_])} ({say(TIME_ALLOWED[first.class_])})"
            lines.append(head if number == 1 else f"\n{head}")
        kinds = ", ".join(dict.fromkeys(_kind(alarm) for alarm in alarms))
        since_s = min(alarm.raised_s for alarm in alarms)
        lines += [
            f"{number:2}. {_where(first)}: {kinds}, {_age((now_s - since_s) // 86_400)}",
            f"    {shown_in(_first_sentence(first), wish)}",
        ]
    if more:
        lines.append("\n" + say("and {more} more on the board", more=more))
    gone = [f"- {_where(alarm)}: {_kind(alarm)}" for alarm in corrected]
    told = "\n".join((say("No longer so, by late readings:"), *gone)) if gone else ""
    caution = say(CAUTION) if shown and kind != "season" else ""
    page = "seals" if seals and not count else "alarms"
    link = f"{board_url.rstrip('/')}/{page}" if board_url else ""
    return subject, _letter("\n".join(lines), told, seals, link, caution)


def _age(days: int) -> str:
    return (
        say("new")
        if days < 1
        else say("since yesterday")
        if days == 1
        else say("for {days} days", days=days)
    )


def _first_sentence(alarm: AlarmTold) -> str:
    return in_short(_text(alarm), alarm.zone)


def in_short(said: str, zone: str) -> str:
    """What an alarm found, without the zone before it and what is said in brackets."""
    said = sentences(said, ends=".;")[0]
    said = re.sub(r" \([^()]*\)", "", said)
    for start in (f"{zone}: ", f"{zone} is ", f"{zone} "):
        said = said.removeprefix(start) if zone else said
    return sentence((said.partition(": ")[2] or said).rstrip("."))


def what_to_do(said: str, parts: Sequence[str], alarm_class: str) -> str:
    """The response of an alarm, from its parts or, where they were not kept, its text; "" if it has none."""
    allowed = say(TIME_ALLOWED.get(cast("AlarmClass", alarm_class), ""))
    if f"{allowed}." in parts[1:]:
        return parts[parts.index(f"{allowed}.") - 1]
    ending = f" ({allowed})."
    found = next((each for each in sentences(said) if each.endswith(ending)), "")
    return f"{found.removesuffix(ending)}." if found else ""


def _letter(*parts: str) -> str:
    """Plain text, folded where a phone or a terminal would."""
    folded = [
        "\n".join(
            fill(line, 76, subsequent_indent=" " * (len(line) - len(line.lstrip())),
                 break_long_words=False, break_on_hyphens=False)
            for line in part.splitlines()
        )
        for part in parts
        if part
    ]  # fmt: skip
    return "\n\n".join((*folded, SIGNATURE)) + "\n"


def short(body: str) -> str:
    """The first paragraph of a message, for what takes only a few words."""
    return body.partition("\n\n")[0].replace("\n", " ")


def trial_message(name: str) -> tuple[str, str]:
    """Subject and body that try whether somebody can be reached."""
    said = say(
        "This is a trial. Sillkeep will write to {name} at this address when something "
        "asks for it.",
        name=name,
    )
    return say("Trial: Sillkeep can reach you"), _letter(said)


def post_text(
    *, people: int, without: int, waiting: int, trouble: str, expired: int, nobody: int
) -> list[str]:
    """What keeps people from being told, for the Chain page; empty: nothing does."""
    said = []
    if not people:
        said.append(say("Nobody is told anything yet: enter somebody with sillkeep person add."))
    if without:
        # not who: not everybody who sees the page knows them
        said.append(
            say_number(
                without,
                "{n} person has no address: see sillkeep person list.",
                "{n} people have no address: see sillkeep person list.",
            )
        )
    if nobody:
        alarms = say_number(nobody, "{n} alarm", "{n} alarms")
        said.append(
            say("{alarms} not acknowledged in time, and nobody is left to tell.", alarms=alarms)
        )
    if waiting and trouble:
        count = say_number(waiting, "{n} message waits", "{n} messages wait")
        said.append(
            say("{count}: {trouble}; trying again until it works.", count=count, trouble=trouble)
        )
    if expired:
        count = say_number(expired, "{n} message", "{n} messages")
        said.append(
            say("{count} of the last 7 days could not be handed over in time.", count=count)
        )
    return said


def alive_text(part: str, *, ago_s: int | None, late: bool) -> str:
    """Whether one part of Sillkeep makes progress."""
    if ago_s is None:
        return say("{part}: no progress ever noted", part=part)
    age = f"{ago_s} s" if ago_s < 120 else f"{ago_s // 60} min"
    return f"{part}: {'NO progress for' if late else 'progress'} {age}{'' if late else ' ago'}"


# --- settings and people --------------------------------------------------------------------------

SETTINGS_FILE = (
    "These stand in the settings file, on the machine that Sillkeep runs on. Whoever changes them "
    "there starts it again. Sites, units, zones and people are no settings: they are in the record."
)
LIMITS_MEAN = (
    "From these figures on a zone is called damp or wet, and an alarm begins or ends. A change holds "
    "from its hour on: what was judged before stays as it was."
)
LIMIT_CHANGE = (
    "A limit that is moved out of the way hides what it was for. Say why; the reason, your name and the "
    "value before stay in the record for good. The narrower change wins: site and kind, kind, site, all."
)
LIMIT_NAMES: Mapping[str, str] = {
    "damp_percent": "wood is damp from, %",
    "damp_clears_percent": "wood is no longer damp below, %",
    "wet_percent": "wood is wet from, %",
    "wet_pin_clears_percent": "a pin probe is no longer wet below, %",
    "wet_unreferenced_percent": "wet with nothing to compare with, %",
    "wet_excess_percent": "above what the weather explains by, %",
    "humid_percent": "air so humid that wood gets wet, %",
    "humid_excess_percent": "and above the weather by, %",
    "wet_above_c": "no word wet below, °C",
    "surface_damp_percent": "coldest surface is damp from, %",
    "surface_clears_percent": "coldest surface is no longer damp below, %",
    "dew_hours": "condensation: hours of dew in 24",
    "index_first": "mould growth alarm, first: index",
    "index_visible": "mould growth alarm, second: index",
    "rot_hours": "rot alarm: hours",
    "freezing_c": "freezing alarm below, °C",
    "freezing_clears_c": "freezing is over from, °C",
}


def limit_name(name: str, *, fahrenheit: bool) -> str:
    """What a limit is, with its unit."""
    said = say(LIMIT_NAMES[name])
    return said.replace("°C", "°F") if fahrenheit else said


def limit_value(name: str, value: float, *, fahrenheit: bool) -> str:
    """A limit's value in the reader's scale."""
    warm = fahrenheit and "°C" in LIMIT_NAMES[name]
    return f"{value * 9 / 5 + 32 if warm else value:g}"


def limit_read(name: str, value: float, *, fahrenheit: bool) -> float:
    """A limit as the record keeps it, from what a reader of that scale wrote."""
    warm = fahrenheit and "°C" in LIMIT_NAMES.get(name, "")
    return round((value - 32) * 5 / 9, 2) if warm else value


TOLD_ORDER = (
    "Place 1 is told first. Who does not acknowledge in time is followed by the next place: after a "
    "quarter of an hour where the class is act now, after the next working day where it is today. Act now "
    "comes in quiet hours too, and again until somebody answers."
)
NOBODY_TOLD = "Nobody is told: alarms stand on this board and nowhere else. On the machine that it runs on, type:"
ADD_SOMEBODY = "sillkeep person add NAME --role owner --address -"
ADDRESSES_KEPT = (
    "An address of a mail or push service holds a password. It is entered on the machine alone, and "
    "shown nowhere: "
)


def without_address_text(names: Sequence[str]) -> str:
    """Who is entered and cannot be reached; "" for nobody."""
    return (
        say("No message reaches {names}: no address is entered.", names=", ".join(names))
        if names
        else ""
    )


def quiet_hours_text(quiet: tuple[int, int], timezone: str, *, twelve_hour: bool = False) -> str:
    """When somebody is told only what cannot wait; `quiet` in minutes of the day, from and to."""
    start, end = (clock_time(minute, twelve_hour=twelve_hour) for minute in quiet)
    return (
        say("No quiet hours.")
        if start == end
        else say(
            "Quiet from {start} to {end}, {timezone}.", start=start, end=end, timezone=timezone
        )
    )


# --- weather of others ----------------------------------------------------------------------------


def station_text(name: str, site: str, *, ago_s: int | None, problem: str) -> str:
    """How a weather service does; `ago_s`: age of its newest figure, None: there is none."""
    newest = (
        say("it has given nothing yet")
        if ago_s is None
        else say("its newest figure is {hours:.0f} h old", hours=max(ago_s, 0) / 3600)
    )
    trouble = (
        say(
            " It is in trouble: {problem}. Hours that it does not give are hours without "
            "known rain.",
            problem=problem,
        )
        if problem
        else ""
    )
    return say(
        "Weather of {site} from {name}: {newest}.{trouble}",
        site=site,
        name=name,
        newest=newest,
        trouble=trouble,
    )


def borrowed_text(source: str, origin: str, distance_km: float) -> str:
    """What weather that was measured elsewhere cannot say."""
    how = say("service") if source == "feed" else say("file")
    return say(
        "Rain and outside air that no probe here measured are those of {origin} ({how}), "
        "{distance_km:.0f} km away: a shower may fall there and not here, or here and not"
        " there.",
        origin=origin,
        how=how,
        distance_km=distance_km,
    )
