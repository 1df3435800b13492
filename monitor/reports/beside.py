"""What people noted of a unit beside readings, as documents print it: by place and role, never by name."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from monitor import rounds
from monitor.catalogue import say
from monitor.lot import BenchCheck, Event, Finding, Joint, SealEntry
from monitor.reports.told import Beside, Noted
from monitor.store import Record
from monitor.text.rounds import ANSWERS, checks_text, meter_text

SETTLES = frozenset({"no leak", "nothing found", "condensation"})  # what ends an open leak finding
WELL = {check: next(iter(answers)) for check, answers in ANSWERS.items()}  # the first of each
DAMP_AIR_PERCENT = 80.0  # where a wall begins to be damp: there a correction is told


def cut(beside: Beside, *, from_s: int, to_s: int) -> Beside:
    """The same as it stood at the end of a time, [from_s, to_s): what is later is not in it.

    What was open when the time began is in it as well, and checks that were in force.
    """
    findings = (
        replace(one, closed_s=None) if one.closed_s is not None and one.closed_s >= to_s else one
        for one in beside.findings
        if one.at_s < to_s
    )
    return Beside(
        findings=tuple(
            one for one in findings if one.at_s >= from_s or (one.closed_s or to_s) >= from_s
        ),
        seals=tuple(one for one in beside.seals if from_s <= one.at_s < to_s),
        benches=tuple(one for one in beside.benches if one.at_s < to_s),
    )


def of(record: Record, unit: str) -> Beside:
    """Findings of rounds, the seal log, and checks over salt of probes that watched a unit.

    Parameters
    ----------
    record : Record
    unit : str
        Its code; it must be there.
    """
    site = next(one.site for one in record.units() if one.code == unit)
    found = rounds.standing(record.findings(unit))
    repairs = [e for e in record.events(site, unit=unit) if e.kind == "repair" and e.unit]
    joints = {joint.code: joint for joint in record.joints(unit)}
    placed = {(p.node, p.probe) for p in record.placements() if p.site == site and p.unit == unit}
    checks = [one for one in record.bench_checks(site) if (one.node, one.probe) in placed]
    checks += record.received_checks(unit)
    return Beside(
        findings=tuple(_finding(one, found, repairs) for one in found),
        seals=tuple(_seal(entry, joints) for entry in record.seal_entries(unit)),
        benches=tuple(_bench(one) for one in checks),
    )


def _finding(one: Finding, others: Sequence[Finding], repairs: Iterable[Event]) -> Noted:
    said = [
        checks_text(one.checks),
        meter_text(one.meter) if one.meter else "",
        say(one.result) if one.result else "",
        one.note,
    ]
    return Noted(
        at_s=one.at_s,
        place=one.zone,
        what="; ".join(filter(None, said)) or "–",
        photos=one.photos,
        closed_s=_closed_s(one, others, repairs),
    )


def _closed_s(one: Finding, others: Sequence[Finding], repairs: Iterable[Event]) -> int | None:
    """What asks for something is open until a repair of the zone, or a later look that asks for nothing."""
    if _settles(one):
        return one.at_s
    later = [e.at_s for e in repairs if e.zone == one.zone and e.at_s >= one.at_s]
    later += [
        each.at_s
        for each in others
        if each.zone == one.zone and each.at_s > one.at_s and _settles(each)
    ]
    return min(later, default=None)


def _settles(one: Finding) -> bool:
    """Whether it asks for nothing: by its result, or without one because every check was well."""
    if one.result:
        return one.result in SETTLES
    return bool(one.checks) and all(answer == WELL.get(check) for check, answer in one.checks)


def _seal(entry: SealEntry, joints: dict[str, Joint]) -> Noted:
    joint = joints.get(entry.joint)
    kind = say(joint.kind) if joint is not None else ""
    said = [
        say(entry.act),
        say(entry.finding) if entry.finding else "",
        say(entry.sealant) if entry.sealant else "",
        entry.product,
        entry.note,
    ]
    return Noted(
        at_s=entry.at_s,
        place=f"{entry.joint} ({kind})" if kind else entry.joint,
        what="; ".join(filter(None, said)),
        photos=entry.photos,
    )


def _bench(one: BenchCheck) -> Noted:
    what = say(
        "{added:+.1f} points at 80 % humidity, then within ±{left:.1f}; over {salts}",
        added=one.correction(DAMP_AIR_PERCENT),
        left=one.uncertainty_percent,
        salts=", ".join(point.salt for point in one.points),
    )
    return Noted(at_s=one.at_s, place=f"{one.node} {one.probe}", what=what)
