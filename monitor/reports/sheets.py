"""Sheets for a day's work: a job card for a technician, and the morning list of a lot."""

from collections.abc import Sequence
from typing import cast

from monitor import explain, text
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import Cause, ZoneKind
from monitor.reports import parts
from monitor.reports.document import (
    Block,
    Boxes,
    Document,
    Facts,
    Heading,
    Listed,
    Paragraph,
    typed,
)
from monitor.reports.told import Asked, day, number, when
from monitor.roof import closed
from monitor.store.board import AlarmRow, Lot, SiteRow, UnitNow, ZoneNow
from monitor.text import documents as words
from monitor.text.roof import roof_text

FIRST = 10  # units on a morning list
NAMED = 12
ENTRIES = 8
CAUTIONS = (text.CUT_THE_POWER, text.SHARP_SMELL, text.ALARMS_ARE_SEPARATE, text.CAUTION_CLEANING)


def job(unit: UnitNow, site: SiteRow, zone_code: str, asked: Asked, *, rows: int) -> Document:
    """One page for who opens a zone.

    Raises
    ------
    InputError
        If the unit has no such zone.
    """
    zone = _zone(unit, zone_code)
    shown = [alarm for alarm in unit.alarms if alarm.zone == zone.code]
    alarm = next((a for a in shown if a.kind in explain.SHOWS_WATER), shown[0] if shown else None)
    lead = words.job_lead(
        unit=unit.code,
        slot=unit.slot,
        zone=zone.code,
        word=zone.word,
        since=day(alarm.raised_s, site.timezone) if alarm else "",
    )
    roof = closed([(one.kind, one.word) for one in unit.zones], rated=unit.declared.roof)
    blocks: list[Block] = [
        Heading(say("Why")),
        *_why(zone, alarm, site),
        Heading(say("Not to do")),
        Listed((roof_text(roof), *map(say, words.JOB_DO_NOTS))),
        *_look(unit, zone, alarm, most=min(rows, ENTRIES)),
        Heading(say("What to open")),
        Paragraph(say(words.JOB_OPEN_FIRST)),
        Paragraph(say(text.CUT_THE_POWER), "caution"),
        Heading(say("It counts as closed when")),
        Boxes(tuple(map(say, words.JOB_CLOSES))),
        Paragraph(say(words.JOB_PROOF)),
        Paragraph(" ".join(map(say, CAUTIONS[1:])), "caution"),
    ]
    return Document(
        title=f"{say(words.TITLES['job'])}: {unit.code} {zone.code}",
        subtitle=" · ".join(
            filter(None, (typed(unit.name, most=60), say(unit.declared.body_type), site.code))
        ),
        lead=lead,
        blocks=tuple(blocks),
        foot=parts.foot("job", f"{unit.code} {zone.code}", asked, site.timezone),
        made_s=asked.made_s,
        fahrenheit=asked.fahrenheit,
        size_pt=9.4,
    )


def _zone(unit: UnitNow, code: str) -> ZoneNow:
    """The zone asked for, or that of the most urgent alarm, or the worst one."""
    wanted = code or next((alarm.zone for alarm in unit.alarms if alarm.zone), "")
    found = next((one for one in unit.zones if one.code == wanted), None)
    if found is None and not code and unit.zones:
        found = unit.zones[0]
    if found is None:
        raise InputError(f"{unit.code} has no zone {code}".rstrip())
    return found


def _why(zone: ZoneNow, alarm: AlarmRow | None, site: SiteRow) -> list[Block]:
    nothing = float("nan")
    judged = when((zone.hour + 1) * 3600, site.timezone) if zone.hour is not None else "–"
    moisture, ambient = zone.wood_moisture_percent, zone.ambient_moisture_percent
    pairs = (
        ("state", ", ".join(filter(None, (say(zone.word), say(zone.trend) if zone.trend else "")))),
        ("alarm", f"{say(alarm.kind)}, {say(alarm.alarm_class)}" if alarm else say("none")),
        ("cause", say(zone.cause) if zone.cause else say("cannot tell")),
        ("wood moisture", number(nothing if moisture is None else moisture, "%")),
        ("what the weather alone explains", number(nothing if ambient is None else ambient, "%")),
        ("judged up to", judged),
    )
    facts = Facts(tuple((say(name), value) for name, value in pairs))
    if alarm is None:
        return [Paragraph(say(words.JOB_NO_WATER)), facts]
    told = _said(alarm)
    return [Paragraph(typed(text.in_short(told, alarm.zone), most=300)), facts]


def _look(unit: UnitNow, zone: ZoneNow, alarm: AlarmRow | None, *, most: int) -> list[Block]:
    """Suspected entries up-slope in their order."""
    title = Heading(say("Where the water may have come in, the likeliest first"))
    cause = cast("Cause", (alarm.cause if alarm else "") or zone.cause)
    if zone.kind in {"cabin", "outside"}:
        return [title, Paragraph(say(text.NO_ENTRY))]
    found = explain.look(
        zone.code, kind=cast("ZoneKind", zone.kind), unit=unit.declared, cause=cause
    )
    if not found.entries:
        return [title, Paragraph(say(text.NO_ENTRY))]
    entries = [f"{say(e.name)}, {say(e.where)}: {say(e.reason)}" for e in found.entries]
    rest = len(entries) - most
    shown = [
        *entries[:most],
        *([words.more_text(rest, see=say("the zone's page"))] if rest > 0 else []),
    ]
    begin = text.LOOK_AT_PIPES if cause == "plumbing" else text.LOOK_FROM_INSIDE
    return [title, Listed(tuple(shown), ordered=True), Paragraph(say(begin), "small")]


# --- morning --------------------------------------------------------------------------------------


def morning(lot: Lot, asked: Asked, *, rows: int) -> Document:
    """Units that ask to be opened, in the order of the walk; `lot` is what its reader may see."""
    grouped = lot.grouped
    asking = [
        (unit, alarm)
        for unit in lot.units
        if (alarm := unit.first_alarm(grouped)) is not None and alarm.alarm_class != "season"
    ]
    walk = sorted(asking[:FIRST], key=_way)
    zones = {site.timezone for site in lot.sites}
    timezone = zones.pop() if len(zones) == 1 else "UTC"
    names = [typed(site.name or site.code, most=60) for site in lot.sites]
    few = min(rows, NAMED)
    blocks: list[Block] = [
        Boxes(tuple(_entry(unit, alarm, short=rows < 10) for unit, alarm in walk)),
        Heading(say("What we do not know")),
        Listed(tuple(_unknowns(lot, few))),
        Heading(say("Before you open anything")),
        Paragraph(
            " ".join(map(say, (text.CAUTION, text.LOOK_FROM_A_LADDER, *CAUTIONS[:3]))), "caution"
        ),
    ]
    judged = [z.hour + 1 for unit in lot.units for z in unit.zones if z.hour is not None]
    known = (
        say("judged up to {at}", at=when(max(judged) * 3600, timezone))
        if judged
        else say("nothing judged")
    )
    return Document(
        title=say(words.TITLES["morning"]),
        subtitle=f"{', '.join(names[:few])} · {known}",
        lead=words.morning_lead(shown=len(walk), more=len(asking) - len(walk)),
        blocks=tuple(block for block in blocks if not isinstance(block, Boxes) or block.items),
        foot=parts.foot("morning", ", ".join(names[:2]), asked, timezone),
        made_s=asked.made_s,
        fahrenheit=asked.fahrenheit,
        size_pt=9.0,
    )


def _way(asking: tuple[UnitNow, AlarmRow]) -> tuple[object, ...]:
    unit, _ = asking
    return unit.site, text.slot_order(unit.slot), unit.code


def _entry(unit: UnitNow, alarm: AlarmRow, *, short: bool) -> str:
    told = _said(alarm)
    parts_told = text.parts_in_language(
        alarm.kind, alarm.alarm_class, facts=alarm.facts, stored=alarm.parts
    )
    step = text.what_to_do(told, parts_told, alarm.alarm_class)
    where = " · ".join(
        (
            unit.slot or say("no slot"),
            unit.code,
            alarm.zone or say("whole unit"),
            say(alarm.alarm_class),
        )
    )
    said = typed(text.in_short(told, alarm.zone), most=110 if short else 200)
    first = say("First: {step}", step=typed(step, most=110 if short else 260)) if step else ""
    return " ".join(filter(None, (f"{where}. {said}", first)))


def _said(alarm: AlarmRow) -> str:
    return text.text_in_language(
        alarm.kind, alarm.alarm_class, facts=alarm.facts, stored=alarm.text
    )


def _unknowns(lot: Lot, few: int) -> list[str]:
    zones = sum(len(unit.zones) for unit in lot.units)
    unknown = sum(unit.unknown for unit in lot.units)
    lines = [
        f"{say(cause.alarm.kind)}: {typed(text.in_short(_said(cause.alarm), ''), most=140)}"
        for cause in lot.causes[:3]
    ]
    if unknown:
        lines.append(
            say(
                "{unknown} of {count} places are unknown: look with your own eyes.",
                unknown=unknown,
                count=zones,
            )
        )
    lost: Sequence[UnitNow] = sorted(
        (u for u in lot.units if u.word == "unknown"), key=lambda u: text.slot_order(u.slot)
    )
    if lost:
        named = [f"{u.code} ({u.slot or say('no slot')})" for u in lost[:few]]
        lines.append(words.unknown_units_text(named, more=max(len(lost) - few, 0)))
    return lines or [say("Nothing that this sheet could name.")]
