"""Parts that several documents have: what was watched, wettings, alarms, repairs, charts, limits."""

import math
from collections.abc import Iterable, Sequence

import numpy as np

from monitor import printing, text
from monitor.catalogue import say
from monitor.lot import STRUCTURE_KINDS
from monitor.reports.document import (
    Block,
    Document,
    Figure,
    Heading,
    Listed,
    Paragraph,
    Table,
    cut,
    typed,
)
from monitor.reports.told import DAY_H, DAY_S, HOUR_S, Asked, Noted, Told, Watched, clock, when
from monitor.store import Alarm, RepairRow
from monitor.text import documents as words

Floats = printing.Floats
LINES = 3  # places in one chart: more cannot be told apart in black and white
HOURLY_DAYS = 10  # up to so many days a chart has hours, beyond it the means of days
ALL = 10_000


def document(
    kind: str, told: Told, asked: Asked, *, lead: str, blocks: Iterable[Block], place: str = ""
) -> Document:
    """A document of one unit."""
    unit, site = told.unit, told.site
    where = place or unit.code
    named = [typed(unit.name, most=80), say(unit.body_type), typed(site.name or site.code, most=80)]
    return Document(
        title=f"{say(words.TITLES[kind])}: {where}",
        subtitle=" · ".join(filter(None, named)),
        lead=lead,
        blocks=tuple(blocks),
        foot=foot(kind, where, asked, site.timezone),
        made_s=asked.made_s,
        fahrenheit=asked.fahrenheit,
    )


def foot(kind: str, place: str, asked: Asked, timezone: str, *, revision: int = 0) -> str:
    """What stands at the foot of each page."""
    told = words.foot_text(
        say(words.TITLES[kind]),
        place=place,
        made=when(asked.made_s, timezone),
        clock=clock(asked.made_s, timezone),
        revision=revision,
    )
    return f"{told} · {asked.program}"


# --- what was watched -----------------------------------------------------------------------------


def watched(told: Told, *, most: int = ALL, temperatures: bool = True) -> list[Block]:
    """A row for each place: from when to when, coverage, longest gap, moisture."""
    if not told.zones:
        return [Heading(say("What was watched")), Paragraph(say(words.NONE_RECORDED))]
    rows = [_watched(told, zone, temperatures=temperatures) for zone in told.zones]
    names = ["place", "kind", "from", "to", "coverage, %", "longest gap", "wood moisture, %"]
    names += ["temperature"] if temperatures else []
    table = Table(
        label=say(words.FIGURES_MEAN),
        names=tuple(map(say, names)),
        rows=cut(rows, most, see=say("the pages of the unit")),
        wide=(6,),
        right=(4,),
    )
    return [Heading(say("What was watched")), table]


def _watched(told: Told, one: Watched, *, temperatures: bool) -> tuple[str, ...]:
    zone = one.zone
    if one.first_s is None or one.last_s is None:
        nothing = ("–",) * (2 if temperatures else 1)
        return (zone.code, say(zone.kind), say("never"), "–", "0", "–", *nothing)
    gap = words.hours_text((one.gap[1] - one.gap[0]) / HOUR_S) if one.gap else say("none")
    low, _, high = one.temperature_c
    celsius = "–" if np.isnan(low) else words.degrees_text(low, high)
    air = zone.kind not in STRUCTURE_KINDS
    moisture = "–" if air else words.moisture_text(one.moisture_percent)
    shown = (moisture, celsius) if temperatures else (moisture,)
    # rounded down: what was not covered is never rounded away
    covered = f"{math.floor(one.coverage_percent)}"
    first, last = told.day(one.first_s), told.day(one.last_s)
    return (zone.code, say(zone.kind), first, last, covered, gap, *shown)


def chart(told: Told) -> list[Block]:
    """Wood moisture of the dampest places with rain and wettings."""
    damp = sorted(
        (
            one
            for one in told.heard
            if one.zone.kind in STRUCTURE_KINDS and not np.isnan(one.moisture_percent[1])
        ),
        key=lambda one: (-one.moisture_percent[1], one.zone.code),
    )[:LINES]
    if not damp:
        return []
    step_h = 1 if told.to_s - told.from_s <= HOURLY_DAYS * DAY_S else DAY_H
    count = len(told.rain_mm) // step_h
    if not count:
        return []
    at_s = told.from_s + (np.arange(count) * step_h + step_h // 2) * HOUR_S
    lines = [_stepped(one.moisture, step_h, count) for one in damp]
    rain = _summed(told.rain_mm, step_h, count)
    noted = tuple(one.at_s for one in told.wettings if one.kind != "rain")
    marks = [printing.Mark(say("hose test, wash or thaw"), noted, "s")] if noted else []
    caption = say(
        "Wood moisture, % by mass, of up to three dampest places; rain hangs from the top"
    )
    if step_h == DAY_H:
        caption = f"{caption}. {say(words.DAILY_MEANS)}."
    drawn = printing.svg(
        printing.Chart(
            at_s=at_s,
            curves=[
                printing.Curve(one.zone.code, line) for one, line in zip(damp, lines, strict=True)
            ],
            unit=say("wood moisture, %"),
            offset_s=_offset(told),
            rain_mm=rain,
            rain_name=say("rain, at most {most:.0f} mm", most=float(np.nan_to_num(rain).max())),
            marks=marks,
        )
    )
    known = lines[0][~np.isnan(lines[0])]
    said = words.course_text(
        damp[0].zone.code,
        low=float(known.min()) if len(known) else np.nan,
        high=float(known.max()) if len(known) else np.nan,
        last=float(known[-1]) if len(known) else np.nan,
        gaps_percent=100.0 * float(np.isnan(lines[0]).mean()),
    )
    return [Figure(drawn, alt=f"{caption}. {said}", caption=caption, said=said)]


def _offset(told: Told) -> int:
    from monitor.reports.told import offset_s

    return offset_s(told.to_s, told.site.timezone)


def _stepped(hourly: Floats, step_h: int, count: int) -> Floats:
    """Means of whole steps, each known by half."""
    held = hourly[: count * step_h].reshape(count, step_h)
    known = ~np.isnan(held)
    total = np.where(known, held, 0.0).sum(axis=1)
    enough = known.sum(axis=1) * 2 >= step_h
    found: Floats = np.where(enough, total / np.maximum(known.sum(axis=1), 1), np.nan)
    return found


def _summed(hourly: Floats, step_h: int, count: int) -> Floats:
    held = hourly[: count * step_h].reshape(count, step_h)
    found: Floats = np.nansum(held, axis=1)
    return found


# --- what happened --------------------------------------------------------------------------------


def wettings(told: Told, *, most: int = ALL) -> list[Block]:
    """Wettings, the newest last, with what they did."""
    blocks: list[Block] = [Heading(say("Wettings")), Paragraph(told.rained)]
    if not told.wettings:
        return blocks
    rows = [
        (
            told.when(one.at_s),
            say(one.kind),
            "–" if np.isnan(one.mm) else f"{one.mm:.0f}",
            typed(one.said, most=160),
        )
        for one in reversed(told.wettings)
    ]
    table = Table(
        label=say("What each did, newest first"),
        names=tuple(map(say, ("when", "kind", "mm", "said"))),
        rows=cut(rows, most, see=say("the longer records")),
        wide=(3,),
        right=(2,),
    )
    return [*blocks, table]


def alarm_rows(told: Told, alarms: Sequence[Alarm]) -> list[tuple[str, ...]]:
    """Alarms, newest first: when, what, where, and whether they stand."""
    return [
        (
            told.day(alarm.raised_s),
            say(alarm.kind),
            alarm.zone or alarm.node or say("whole unit"),
            say(alarm.cause) if alarm.cause else "–",
            say("stands") if told.standing(alarm) else _ended(told, alarm),
        )
        for alarm in reversed(alarms)
    ]


def _ended(told: Told, alarm: Alarm) -> str:
    if alarm.cleared_s is None:
        return say("ended")
    return say("ended {day}", day=told.day(alarm.cleared_s))


def alarms(told: Told, chosen: Sequence[Alarm], *, title: str, none: str, most: int) -> list[Block]:
    """A section of alarms."""
    if not chosen:
        return [Heading(title), Paragraph(none if told.heard else say(words.NONE_HEARD))]
    table = Table(
        label=say("Newest first; the cause is what the readings spoke for, not what was found"),
        names=tuple(map(say, ("raised", "what", "place", "cause", "state"))),
        rows=cut(alarm_rows(told, chosen), most, see=say("the longer records")),
        wide=(2,),
    )
    return [Heading(title), table]


def repairs(told: Told, *, notes: bool, most: int = ALL) -> list[Block]:
    """Repairs with their verdicts; `notes`: with what was typed."""
    if not told.repairs:
        return [Heading(say("Repairs")), Paragraph(say(words.NO_REPAIRS))]
    rows = [
        (
            told.day(row.repaired_s),
            row.zone,
            done(row, notes=notes),
            say("cannot be read")
            if row.is_unread
            else say(row.now.verdict)
            if row.now
            else say("no proof"),
            _verdict(told, row),
        )
        for row in reversed(told.repairs)
    ]
    table = Table(
        label=say("Newest first; each verdict is so far"),
        names=tuple(map(say, ("repaired", "place", "what was done", "verdict", "taken from"))),
        rows=cut(rows, most, see=say("the proofs of the repairs")),
        wide=(2, 4),
    )
    return [Heading(say("Repairs")), table]


KNOWN_WORK = ("opened and dried", "closed", "sensor moved")


def done(row: RepairRow, *, notes: bool) -> str:
    """What was done; without notes only the words that everybody uses."""
    if notes:
        return typed(row.value, most=160) or "–"
    known = [say(work) for work in KNOWN_WORK if work in row.value.lower()]
    return ", ".join(known) or say("noted, without details here")


def _verdict(told: Told, row: RepairRow) -> str:
    if row.now is None:
        return "–"
    return words.taken_from_text(
        survived=survived(row),
        coverage_percent=row.now.figures["coverage_percent"],
        size_ml=row.now.size_ml,
        day=told.day(row.now.at_s),
    )


def survived(row: RepairRow) -> float:
    """Wettings counted without a response."""
    if row.now is None:
        return 0.0
    figures = row.now.figures
    return figures["natural"] + figures["hose"] + figures["wash"] - figures["responses"]


def noted(told: Told, entries: Sequence[Noted], *, title: str, none: str) -> list[Block]:
    """A section of what people noted."""
    if not entries:
        return [Heading(title), Paragraph(none)]
    rows = [
        (
            told.day(one.at_s),
            typed(one.place, most=80),
            typed(one.what, most=200),
            say(one.role) if one.role else "–",
            ", ".join(digest[:12] for digest in one.photos) or "–",
            told.day(one.closed_s) if one.closed_s is not None else "–",
        )
        for one in sorted(entries, key=lambda one: (one.at_s, one.place, one.what))
    ]
    table = Table(
        label=say("Oldest first"),
        names=tuple(map(say, ("day", "place", "what", "by", "photos", "closed"))),
        rows=tuple(rows),
        wide=(2,),
    )
    return [Heading(title), table]


# --- what is not known ----------------------------------------------------------------------------


def limits(*more: str) -> list[Block]:
    """What is not known, once."""
    said = (*more, *map(say, (*words.LIMITS, words.NO_VERDICT)))
    return [Heading(say("Limits")), Listed(tuple(filter(None, said)))]


def cautions(*, long: bool = False) -> list[Block]:
    """The usual ones."""
    said = text.CAUTION_LONG if long else f"{say(text.CAUTION)} {say(text.ALARMS_ARE_SEPARATE)}"
    return [Paragraph(say(said) if long else said, "caution")]


def never(told: Told) -> str:
    """Usual paths of water that no probe watched, and places that were not heard."""
    silent = [one.zone.code for one in told.zones if one.first_s is None]
    return words.never_text([*silent, *dict.fromkeys(say(one.path) for one in told.unseen)])
