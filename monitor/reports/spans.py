"""Documents of a unit over a time: intake watch, handover at sale, season, warranty."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from monitor import text
from monitor.catalogue import say
from monitor.lot import STRUCTURE_KINDS, Photo, SeasonList
from monitor.reports import parts
from monitor.reports.document import (
    Block,
    Document,
    Heading,
    Listed,
    Paragraph,
    Picture,
    Table,
    typed,
)
from monitor.reports.told import HOUR_S, SHOWN_KINDS, Asked, Told
from monitor.store import Alarm, AlarmStep
from monitor.text import documents as words

MOST_PHOTOS = 24
ANSWERED = frozenset({"acknowledged", "latched acknowledged", "normal"})


def intake(told: Told, asked: Asked) -> Document:
    """The first days of a unit that came in: what it does not prove comes first."""
    hours = math.floor(max((_span_h(told, place) for place in range(len(told.heard))), default=0))
    wet = sorted(
        {
            a.zone
            for a in told.alarms
            if a.kind in {"wet", "water contact", "leak suspect"} and a.zone
        }
    )
    lead = words.intake_lead(
        hours=hours,
        zones=len(told.heard),
        wettings=len(told.wettings),
        witnessed=sum(one.witnessed for one in told.wettings),
        wet=wet,
    )
    hose = [one for one in told.wettings if one.kind == "hose"]
    found = [alarm for alarm in told.alarms if alarm.kind in SHOWN_KINDS]
    blocks: list[Block] = [
        Paragraph(told.watched),
        *([] if hose else [Paragraph(say(words.INTAKE_NO_HOSE), "strong")]),
        *parts.watched(told),
        *parts.chart(told),
        *parts.wettings(told),
        *parts.alarms(
            told,
            found,
            title=say("Wet or damp on intake"),
            none=say(words.NO_ALARMS),
            most=parts.ALL,
        ),
        Paragraph(say(words.INTAKE_DAMP)),
        *parts.noted(
            told, told.beside.findings, title=say("Findings of rounds"), none=say(words.NO_FINDINGS)
        ),
        *parts.limits(say(words.INTAKE_METHOD), parts.never(told)),
        *parts.cautions(),
    ]
    return parts.document("intake", told, asked, lead=lead, blocks=blocks)


def _span_h(told: Told, place: int) -> float:
    one = told.heard[place]
    return (one.covered.sum()) if one.first_s is not None else 0.0


def sale(told: Told, asked: Asked, *, rows: int) -> Document:
    """One page for who takes the unit over; no notes, no names, nothing of who lived there."""
    found = [alarm for alarm in told.alarms if alarm.kind in SHOWN_KINDS]
    rounds = told.beside.findings
    standing = sum(map(told.standing, found)) + sum(one.closed_s is None for one in rounds)
    lead = words.sale_lead(
        standing=standing,
        closed=len(found) + len(rounds) - standing,
        watched=told.watched,
        wettings=told.rained,
        unheard_days=told.unheard_days,
    )
    few = max(rows // 2, 1)
    blocks: list[Block] = [
        *parts.watched(told, most=rows, temperatures=False),
        Paragraph(parts.never(told)),
        *parts.wettings(told, most=few)[2:],
        *parts.alarms(
            told, found, title=say("Findings of the probes"), none=say(words.NO_ALARMS), most=few
        ),
        *_rounds(told, few),
        *parts.repairs(told, notes=False, most=few),
        *parts.limits(*map(say, words.SALE_LIMITS)),
        *parts.cautions(),
    ]
    return replace(parts.document("sale", told, asked, lead=lead, blocks=blocks), size_pt=8.8)


def _rounds(told: Told, most: int) -> list[Block]:
    """Findings of rounds by place and state alone: what was typed may name people."""
    rounds = told.beside.findings
    if not rounds:
        return [Paragraph(say(words.NO_FINDINGS))]
    lines = [
        say(
            "{day}, {place}: {state}",
            day=told.day(one.at_s),
            place=typed(one.place, most=60),
            state=say("open")
            if one.closed_s is None
            else say("closed {day}", day=told.day(one.closed_s)),
        )
        for one in rounds[::-1]
    ]
    if len(lines) > most:
        lines = [*lines[:most], words.more_text(len(lines) - most, see=say("the longer records"))]
    return [Paragraph(say("Findings of rounds"), "strong"), Listed(tuple(lines))]


def season(
    told: Told, asked: Asked, *, lists: Sequence[SeasonList], batteries: Mapping[str, float]
) -> Document:
    """For the owner: what was watched, what the weather did, what was done."""
    done = [
        one
        for one in lists
        if told.from_s <= (one.ended_s or told.to_s) and one.begun_s < told.to_s
    ]
    reseals = [event for event in told.events if event.kind == "reseal"]
    lead = " ".join((told.watched, told.rained, _alarms_in_short(told)))
    seals: list[Block] = (
        [
            Listed(
                tuple(
                    say(
                        "{day}: resealed, {place}, {note}",
                        day=told.day(e.at_s),
                        place=e.zone or say("whole unit"),
                        note=typed(e.value, most=120) or "–",
                    )
                    for e in reseals
                )
            )
        ]
        if reseals
        else []
    )
    blocks: list[Block] = [
        Paragraph(say(words.SEASON_MEANS)),
        *parts.watched(told),
        *parts.chart(told),
        *parts.wettings(told),
        *parts.alarms(
            told, told.alarms, title=say("Alarms"), none=say(words.NO_ALARMS), most=parts.ALL
        ),
        *parts.repairs(told, notes=True),
        Heading(say("Lists")),
        Listed(tuple(_list(told, one) for one in done)) if done else Paragraph(say(words.NO_LISTS)),
        *parts.noted(told, told.beside.seals, title=say("Seals"), none=say(words.NO_SEALS)),
        *seals,
        *parts.noted(
            told, told.beside.findings, title=say("Findings of rounds"), none=say(words.NO_FINDINGS)
        ),
        Heading(say("Batteries")),
        Paragraph(text.batteries_text(batteries)),
        *parts.limits(parts.never(told)),
        *parts.cautions(),
    ]
    return parts.document("season", told, asked, lead=lead, blocks=blocks)


def _alarms_in_short(told: Told) -> str:
    standing = sum(map(told.standing, told.alarms))
    return say(
        "Alarms: {count}, of which {standing} stand.", count=len(told.alarms), standing=standing
    )


def _list(told: Told, one: SeasonList) -> str:
    last = [step for item in one.items if (step := one.last(item)) is not None]
    title = f"{say(text.LIST_TITLES[one.kind])}, {told.day(one.begun_s)}"
    return words.list_text(
        title=title,
        done=sum(step.word == "done" for step in last),
        left_out=sum(step.word == "left out" for step in last),
        left=len(one.left),
    )


def warranty(
    told: Told,
    asked: Asked,
    *,
    steps: Mapping[int, Sequence[AlarmStep]],
    roles: Mapping[str, str],
    photos: Sequence[tuple[Photo, bytes]],
) -> Document:
    """All that is on record of a time, by date: for a claim.

    Parameters
    ----------
    told : Told
    asked : Asked
    steps : mapping
        Of each alarm, by its number.
    roles : mapping
        Of users, by name: a role is printed, a name is not.
    photos : sequence of (Photo, JPEG)
    """
    lead = " ".join((told.watched, told.rained, _alarms_in_short(told)))
    months = _months(told)
    log = _log(told, steps, roles)
    names = tuple(map(say, ("when", "what", "place", "said")))
    shown = photos[:MOST_PHOTOS]
    blocks: list[Block] = [
        Paragraph(say(words.WARRANTY_MEANS)),
        *parts.watched(told),
        *parts.chart(told),
        *months,
        *parts.repairs(told, notes=True),
        Heading(say("By date")),
        Table(say("Oldest first"), names, tuple(log), wide=(3,))
        if log
        else Paragraph(say(words.NONE_RECORDED)),
        *parts.noted(told, told.beside.seals, title=say("Seals"), none=say(words.NO_SEALS)),
        *parts.noted(
            told,
            told.beside.benches,
            title=say("Checks of the probes"),
            none=say(words.NO_BENCH_CHECKS),
        ),
        Heading(say("Photos")),
        *([] if shown else [Paragraph(say(words.NO_PHOTOS))]),
        *(_picture(told, photo, data) for photo, data in shown),
        *_more_photos(len(photos) - len(shown)),
        *parts.limits(parts.never(told)),
        *parts.cautions(),
    ]
    return parts.document("warranty", told, asked, lead=lead, blocks=blocks)


def _more_photos(count: int) -> list[Block]:
    if count <= 0:
        return []
    return [Paragraph(words.more_text(count, see=say("the pages of the unit")))]


def _picture(told: Told, photo: Photo, data: bytes) -> Picture:
    caption = typed(photo.caption, most=160) or say("without a caption")
    at = told.when(photo.at_s)
    said = say(
        "{at}: {caption} (SHA-256 {digest})", at=at, caption=caption, digest=photo.digest[:16]
    )
    return Picture(data, alt=say("Photo of {at}: {caption}", at=at, caption=caption), caption=said)


def _months(told: Told) -> list[Block]:
    """Conditions, a row a month: the dampest place's mean, rain, hours known."""
    found: dict[str, list[int]] = {}
    for place in range(len(told.rain_mm)):
        month = told.day(told.from_s + place * HOUR_S)[:7]
        found.setdefault(month, [place, place])[1] = place + 1
    rows = []
    for month, (first, after) in found.items():
        means = [
            (float(known.mean()), one.zone.code)
            for one in told.heard
            if one.zone.kind in STRUCTURE_KINDS and len(known := _known(one.moisture[first:after]))
        ]
        covered = [float(one.covered[first:after].mean()) for one in told.heard]
        rain = _known(told.rain_mm[first:after])
        most = max(means, default=None)
        rows.append(
            (
                month,
                f"{math.floor(100.0 * sum(covered) / len(covered))}" if covered else "0",
                f"{rain.sum():.0f}" if len(rain) else "–",
                f"{100.0 * len(rain) / (after - first):.0f}",
                f"{most[0]:.1f}" if most else "–",
                most[1] if most else "–",
            )
        )
    names = (
        "month",
        "hours heard, %",
        "rain, mm",
        "rain known, %",
        "highest mean wood moisture, %",
        "place",
    )
    table = Table(
        label=say("Means over the places that gave readings; a month may be known in part"),
        names=tuple(map(say, names)),
        rows=tuple(rows),
        wide=(5,),
        right=(1, 2, 3, 4),
    )
    return [Heading(say("Conditions by month")), table]


def _known(values: parts.Floats) -> parts.Floats:
    found: parts.Floats = values[values == values]  # noqa: PLR0124  not nan
    return found


def _log(
    told: Told, steps: Mapping[int, Sequence[AlarmStep]], roles: Mapping[str, str]
) -> list[tuple[str, ...]]:
    """Everything that happened, oldest first."""
    whole = say("whole unit")
    found: list[tuple[int, str, str, str]] = [
        (one.at_s, say(one.kind), whole, typed(one.said, most=200)) for one in told.wettings
    ]
    found += [
        (event.at_s, say(event.kind), event.zone or whole, typed(event.value) or "–")
        for event in told.events
        if event.kind not in {"rain", "thaw", "hose", "wash"} or event.value
    ]
    found += [
        (a.raised_s, say("alarm: {kind}", kind=say(a.kind)), a.zone or a.node or whole,
         _alarm(told, a, steps.get(a.alarm_id, ()), roles))
        for a in told.alarms
    ]  # fmt: skip
    found += [
        (one.at_s, say("finding"), typed(one.place, most=60), typed(one.what, most=200))
        for one in told.beside.findings
    ]
    found += [
        (one.at_s, say("seal"), typed(one.place, most=60), typed(one.what, most=200))
        for one in told.beside.seals
    ]
    return [(told.when(at_s), *rest) for at_s, *rest in sorted(found)]


def _alarm(told: Told, alarm: Alarm, steps: Sequence[AlarmStep], roles: Mapping[str, str]) -> str:
    """What an alarm found, who answered it when, and how it stands."""
    said = [typed(text.in_short(alarm.text, alarm.zone), most=160)]
    said += [
        words.answer_text(step.state, at=told.when(step.at_s), role=roles[step.who])
        for step in steps
        if step.who in roles and step.state in ANSWERED
    ]
    if told.standing(alarm):
        said.append(say("stands"))
    elif alarm.cleared_s is not None:
        said.append(say("ended {day}", day=told.when(alarm.cleared_s)))
    return "; ".join(one.rstrip(".") for one in said)
