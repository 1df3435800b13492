"""Proof of a repair on two pages: scope, method, instruments, timeline, challenges, verdict, limits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor import printing, text
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.judge import proofs
from monitor.judge.proofs import Course
from monitor.lot import STRUCTURE_KINDS
from monitor.reports import parts
from monitor.reports.document import (
    Block,
    Document,
    Facts,
    Figure,
    Heading,
    Listed,
    Paragraph,
    Table,
    cut,
    typed,
)
from monitor.reports.told import DAY_S, HOUR_S, Asked, Told, number, offset_s, read
from monitor.store import ProofRevision, Record, RepairRow
from monitor.text import documents as words

BEFORE_D = 21  # drawn before the repair: the like zones set the drying goal in it
PAGES = 2
STALE_S = 2 * DAY_S


@dataclass(frozen=True, slots=True, eq=False)
class Proven:
    """Everything that the document of one repair is made from."""

    told: Told
    row: RepairRow
    revisions: Sequence[ProofRevision]
    course: Course | None
    instruments: Sequence[tuple[str, str, str, str, str]]  # zone, node, probe, from, to
    doubts: Sequence[str]
    packet: tuple[str, str] | None  # root of its lines, key


def repair_of(record: Record, unit: str, zone: str, repaired_s: int | None) -> RepairRow:
    """A repair with a proof; the newest of the zone where no time is given.

    Raises
    ------
    InputError
        If there is none.
    """
    rows = [row for row in record.repairs(unit=unit) if not zone or row.zone == zone]
    if repaired_s is not None:
        rows = [row for row in rows if row.repaired_s == repaired_s]
    if not rows:
        raise InputError(say(words.NO_REPAIR))
    return max(rows, key=lambda row: (row.repaired_s, row.zone))


def proven(
    record: Record, row: RepairRow, *, packet: tuple[str, str] | None, told: Told | None = None
) -> Proven:
    """Read what the standing verdict was taken from, up to the same midnight."""
    until_s = row.now.at_s if row.now else row.repaired_s + DAY_S
    found = told or read(record, row.unit, from_s=row.repaired_s - BEFORE_D * DAY_S, to_s=until_s)
    like = {one.zone.code for one in found.zones if one.zone.kind in STRUCTURE_KINDS}
    placed = [
        (p.zone, p.node, p.probe, found.day(p.from_s), found.day(p.to_s) if p.to_s else say("now"))
        for p in record.placements()
        if p.unit == row.unit
        and p.zone in like
        and p.from_s < until_s
        and (p.to_s is None or p.to_s > found.from_s)
    ]
    doubts = [
        words.doubt_text(zone=zone, first=found.day(a), last=found.day(b) if b else "")
        for zone, a, b in record.doubts(row.unit)
        if a < until_s and (b is None or b > found.from_s)
    ]
    doubts += [
        words.disputed_text(node, probe, samples)
        for node, probe, samples in record.disputed(row.site, unit=row.unit)
    ]
    return Proven(
        told=found,
        row=row,
        revisions=record.proof_revisions(row.unit, row.zone, row.repaired_s),
        course=_course(record, row),
        instruments=sorted(placed, key=lambda one: (one[0] != row.zone, one)),
        doubts=doubts,
        packet=packet,
    )


def _course(record: Record, row: RepairRow) -> Course | None:
    """Hours that the standing verdict was taken from."""
    if row.now is None:
        return None
    hours = record.unit_hours(
        row.unit,
        from_hour=row.repaired_s // HOUR_S - proofs.BEFORE_DAYS * 24,
        to_hour=row.now.at_s // HOUR_S,
    )
    trusted = proofs.trusted(hours, record.doubts(row.unit))
    events = record.events(row.site, unit=row.unit)
    for one in proofs.repairs(record.zones(row.unit), events, trusted):
        if (one.zone.code, one.at_s) == (row.zone, row.repaired_s):
            return proofs.course(one)
    return None


def document(found: Proven, asked: Asked, *, rows: int) -> Document:
    """The document with lists of at most so many rows."""
    row, told = found.row, found.told
    blocks: list[Block] = [
        *_verdict(found),
        *_chart(found),
        *_challenges(found, rows),
        *_scope(found),
        *_instruments(found, rows),
        *_timeline(found, rows),
        *_limits(found),
    ]
    made = parts.document(
        "proof", told, asked, lead=_lead(found), blocks=blocks, place=f"{row.unit} {row.zone}"
    )
    at = parts.foot(
        "proof",
        f"{row.unit} {row.zone}",
        asked,
        told.site.timezone,
        revision=found.revisions[-1].number if found.revisions else 0,
    )
    return replace(made, foot=at, size_pt=9.0)


def _lead(found: Proven) -> str:
    row, told = found.row, found.told
    if row.now is None:
        why = "room" if row.kind not in STRUCTURE_KINDS else "unwatched"
        return text.no_proof_text("unread" if row.is_unread else why)
    figures = row.now.figures
    return text.proof_text(
        row.now.verdict,
        zone=row.zone,
        repaired=told.day(row.repaired_s),
        survived=round(parts.survived(row)),
        last=told.day(figures["last_survived_s"]),
        responses=round(figures["responses"]),
        missing=len(row.now.missing),
    )


def _verdict(found: Proven) -> list[Block]:
    row, told = found.row, found.told
    blocks: list[Block] = [Heading(say("Verdict"))]
    if row.now is None:
        return [*blocks, Paragraph(say("There is no verdict."))]
    figures = row.now.figures
    said = [text.size_text(row.now.size_ml), text.drying_text(figures), text.share_text(figures)]
    if row.ended_s:
        said.append(say("It ended with the repair of {day}.", day=told.day(row.ended_s)))
    number_of = found.revisions[-1].number if found.revisions else 0
    pairs = (
        ("verdict", say("{verdict}, so far", verdict=say(row.now.verdict))),
        ("as of", say("{at} (midnight UTC)", at=told.when(row.now.at_s))),
        ("revision", f"{number_of}"),
        ("days since", number(figures["days"], digits=0)),
        ("rains and thaws", number(figures["natural"], digits=0)),
        ("hose tests", number(figures["hose"], digits=0)),
        ("washes", number(figures["wash"], digits=0)),
        ("not counted", number(figures["uncounted"], digits=0)),
        ("last survived", told.day(figures["last_survived_s"])),
        ("above the dry standard", number(figures["excess_percent"], say("points"))),
        ("drying goal", number(figures["goal_percent"], say("points"))),
        ("noise of an answer", number(figures["noise_percent"], say("points"), digits=2)),
        ("coverage", number(figures["coverage_percent"], "%")),
    )
    missing: list[Block] = [Paragraph(say("Every condition is met."))]
    if row.now.missing:
        named = tuple(f"{say(one)}: {say(text.PROOF_TO_DO[one])}" for one in row.now.missing)
        missing = [
            Paragraph(say("What is missing ({missing})", missing=len(named)), "strong"),
            Listed(named),
        ]
    facts = Facts(tuple((say(name), value) for name, value in pairs))
    return [*blocks, Paragraph(" ".join(said)), facts, *missing]


def _chart(found: Proven) -> list[Block]:
    course, row, told = found.course, found.row, found.told
    if course is None:
        return []
    skip = max(row.repaired_s // HOUR_S - BEFORE_D * 24 - course.from_hour, 0)
    moisture, standard = course.moisture_percent[skip:], course.standard_percent[skip:]
    goal = row.now.figures["goal_percent"] if row.now else np.nan
    at_s = (course.from_hour + skip + np.arange(len(moisture))) * HOUR_S
    rain = course.rain_mm[skip:]
    marks = [printing.Mark(say("repair"), (row.repaired_s,), whole=True)]
    for word, sign in (("survived", "v"), ("response", "x"), ("not counted", "_")):
        own = tuple(one.at_s for one in course.wettings if one.word == word)
        if own:
            marks.append(printing.Mark(say(word), own, sign))
    curves = [
        printing.Curve(say("zone"), moisture),
        printing.Curve(say("dry standard"), standard),
        printing.Curve(say("goal"), standard + goal),
    ]
    drawn = printing.svg(
        printing.Chart(
            at_s, curves, say("wood moisture, %"), offset_s=offset_s(told.to_s, told.site.timezone),
            rain_mm=rain, rain_name=say("rain"), marks=marks,
        )
    )  # fmt: skip
    excess = moisture - standard
    known = excess[~np.isnan(excess)]
    if not len(known):
        said = say("Nothing to compare with: zone or dry standard is not known.")
    else:
        low, high, last = (number(float(v)) for v in (known.min(), known.max(), known[-1]))
        said = say(
            "Above the dry standard: last {last}, between {low} and {high} points; {gaps:.0f} % of the hours "
            "drawn are not known.",
            last=last,
            low=low,
            high=high,
            gaps=100.0 * float(np.isnan(excess).mean()),
        )
    caption = f"{say(words.CHART_OF_PROOF)}; {say('rain hangs from the top')}"
    return [Figure(drawn, alt=f"{caption}. {said}", caption=caption, said=said)]


def _challenges(found: Proven, rows: int) -> list[Block]:
    course, told = found.course, found.told
    title = Heading(say("Challenge log"))
    if course is None or not course.wettings:
        return [title, Paragraph(say(words.NO_CHALLENGE))]
    held = [
        (
            told.when(one.at_s),
            say(one.kind),
            number(one.mm, digits=0),
            number(one.answer_percent, digits=2),
            number(one.noise_percent, digits=2),
            say(one.word),
        )
        for one in reversed(course.wettings)
    ]
    names = ("when", "kind", "water, mm", "answer, points", "noise, points", "said")
    table = Table(
        label=say(text.WETTINGS_EXPLAINED),
        names=tuple(map(say, names)),
        rows=cut(held, rows, see=say("the signed packet")),
        wide=(5,),
        right=(2, 3, 4),
    )
    return [title, table]


def _scope(found: Proven) -> list[Block]:
    row, told = found.row, found.told
    zone = next((one for one in told.zones if one.zone.code == row.zone), None)
    pairs = (
        ("unit", " · ".join(filter(None, (row.unit, say(told.unit.body_type))))),
        ("zone", f"{row.zone} ({say(row.kind)})"),
        ("dry twin", (zone.zone.dry_twin if zone else "") or say("none declared")),
        ("repaired", told.when(row.repaired_s)),
        ("what was done", typed(row.value) or "–"),
    )
    return [
        Heading(say("Scope and method")),
        Facts(tuple((say(name), value) for name, value in pairs)),
        Paragraph(say(words.PROOF_SCOPE)),
        Paragraph(say(words.PROOF_METHOD)),
    ]


def _instruments(found: Proven, rows: int) -> list[Block]:
    told = found.told
    blocks: list[Block] = [Heading(say("Instruments and their checks"))]
    if found.instruments:
        names = ("zone", "node", "probe", "from", "to")
        blocks.append(
            Table(
                label=say("Probes of the zone and of the walls it was compared with"),
                names=tuple(map(say, names)),
                rows=cut(found.instruments, max(rows // 2, 2), see=say("the signed packet")),
                wide=(0,),
            )
        )
    else:
        blocks.append(Paragraph(say(words.NONE_RECORDED)))
    benches = told.beside.benches
    if benches:
        blocks.append(
            Listed(
                tuple(
                    f"{told.day(one.at_s)}, {typed(one.place, most=60)}: {typed(one.what, most=160)}"
                    for one in benches[-max(rows // 2, 2) :]
                )
            )
        )
    else:
        blocks.append(Paragraph(say(words.NO_BENCH_CHECKS)))
    doubts = [*found.doubts[:2]]
    if len(found.doubts) > len(doubts):
        doubts.append(
            words.more_text(len(found.doubts) - len(doubts), see=say("the signed packet"))
        )
    return [*blocks, *(Paragraph(said) for said in doubts)]


def _timeline(found: Proven, rows: int) -> list[Block]:
    """What was noted and what was said, by date."""
    told, row = found.told, found.row
    noted = [
        (event.at_s, say(event.kind), typed(event.value, most=120) or "–")
        for event in told.events
        if event.zone in {"", row.zone}
    ]
    said = [
        (
            one.step.at_s,
            say("revision {number}", number=one.number),
            "; ".join(
                filter(
                    None,
                    (
                        say(one.step.verdict),
                        say("{n} missing", n=len(one.step.missing)) if one.step.missing else "",
                        say(text.LATER_REASONS[one.reason]),
                    ),
                )
            ),
        )
        for one in found.revisions
    ]
    held = [(told.when(at_s), what, more) for at_s, what, more in sorted([*noted, *said])]
    table = Table(
        label=say("Newest first; a later revision replaces what was said from its day on"),
        names=tuple(map(say, ("when", "what", "said"))),
        rows=cut(held[::-1], rows, see=say("the signed packet")),
        wide=(2,),
    )
    return [Heading(say("Timeline")), table] if held else []


def _limits(found: Proven) -> list[Block]:
    packet = (
        words.packet_text(root=found.packet[0], key=found.packet[1])
        if found.packet
        else say(words.NO_PACKET)
    )
    unknowns = tuple(map(say, (*text.PROOF_UNKNOWNS, words.LIMITS[1], words.NO_VERDICT)))
    return [
        Heading(say("Limits")),
        Listed(unknowns),
        Heading(say("The signed packet")),
        Paragraph(packet),
        *parts.cautions(),
    ]
