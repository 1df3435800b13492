"""What would differ: the report of a run, as it is kept and as it is printed."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec

from monitor import alarms, judge, watch
from monitor.lot import Placement, Unit
from monitor.recompute.compared import Compared
from monitor.store import Alarm, Judged, Record
from monitor.written import rfc3339

if TYPE_CHECKING:
    from rich.table import Table

DAY_S, HOUR_S = 86_400, 3_600
NEAR_S = 7 * DAY_S  # an alarm that comes as much sooner or later is the same one, moved
Change = judge.AlarmChange | judge.Latch


class AlarmTurn(msgspec.Struct):
    """An alarm that would differ; times of the record and of the model, None where there is none.

    `what` is "raised anew", "vanishes", "moves", or "ends at another time".
    """

    what: str
    kind: str
    unit: str
    zone: str
    record_raised: str | None = None
    record_cleared: str | None = None
    model_raised: str | None = None
    model_cleared: str | None = None


class SiteReport(msgspec.Struct):
    """What would differ on one site; `left_out` are units whose first readings are gone."""

    site: str
    units: int
    hours: Compared
    alarms: list[AlarmTurn]
    left_out: list[str]


class Report(msgspec.Struct):
    """What would differ between the record and a model."""

    model: str  # version of the rules, and a mark of leak weights that are not this release's
    weights: str  # version of their table
    record: list[str]  # versions of the rules that the record was judged by
    months: list[str]  # the first and the last that was compared
    sites: list[SiteReport]


# --- alarms ---------------------------------------------------------------------------------------


def alarm_turns(
    record: Record,
    unit: Unit,
    judged: Judged,
    placements: Sequence[Placement],
    found: Sequence[Change],
    *,
    span_s: tuple[int, int],
) -> list[AlarmTurn]:
    """Alarms of a unit that would differ, of those raised in a span.

    What has to change is worked out as the watch does; nothing is written.
    """
    if watch.has_left(unit, placements):  # its alarms ended with it
        return []
    end_s = min(judged.to_hour * HOUR_S, span_s[1])
    own_s = watch.own_from_s(record, unit.code)
    around = watch.around_of(unit, record.events(unit.site, unit=unit.code), placements)
    known = [
        replace(alarm, cleared_s=None) if (alarm.cleared_s or 0) > end_s else alarm
        for alarm in record.alarms(unit=unit.code)
        if alarm.kind not in watch.NOT_OF_HOURS and own_s <= alarm.raised_s < end_s
    ]
    own = [change for change in found if change.raised_s >= own_s]
    work = watch.reconcile(
        unit,
        [change for change in own if isinstance(change, judge.AlarmChange)],
        [change for change in own if isinstance(change, judge.Latch)],
        known,
        since_s=(judged.heard_s or 0) // DAY_S * DAY_S,
        now_s=end_s,
        in_use=alarms.is_supply_live(around, at_s=end_s),
    )
    by_id = {alarm.alarm_id: alarm for alarm in known}
    gone = [by_id[change.alarm_id] for change in work.changed if change.withdrawn_s is not None]
    turns = [
        _turn("ends at another time", by_id[change.alarm_id], (alarm.raised_s, change.cleared_s))
        for change in work.changed
        if change.withdrawn_s is None
        and (alarm := by_id[change.alarm_id]).cleared_s != change.cleared_s
    ]
    new = {(a.zone, a.kind, a.raised_s): a.cleared_s for a in work.new}
    for alarm in gone:
        near = [
            key
            for key in new
            if key[:2] == (alarm.zone, alarm.kind) and abs(key[2] - alarm.raised_s) <= NEAR_S
        ]
        if near:
            key = min(near, key=lambda one: abs(one[2] - alarm.raised_s))
            turns.append(_turn("moves", alarm, (key[2], new.pop(key))))
        else:
            turns.append(_turn("vanishes", alarm, (None, None)))
    turns += [
        AlarmTurn(
            *("raised anew", kind, unit.code, zone),
            model_raised=rfc3339(raised_s),
            model_cleared=_time(cleared_s),
        )
        for (zone, kind, raised_s), cleared_s in new.items()
    ]
    first = rfc3339(span_s[0])
    return [turn for turn in turns if (turn.record_raised or turn.model_raised or "") >= first]


def _turn(what: str, alarm: Alarm, model: tuple[int | None, int | None]) -> AlarmTurn:
    return AlarmTurn(
        *(what, alarm.kind, alarm.unit, alarm.zone),
        *(_time(alarm.raised_s), _time(alarm.cleared_s)),
        *map(_time, model),
    )


def _time(at_s: int | None) -> str | None:
    return None if at_s is None else rfc3339(at_s)


# --- printed --------------------------------------------------------------------------------------


def heading(report: Report) -> str:
    """Which models stand against each other, in a sentence."""
    was = ", ".join(report.record) or "none that is known"
    return (
        f"rules {report.model} with leak weights {report.weights} beside the record's (rules {was}), "
        f"{' to '.join(dict.fromkeys(report.months)) or 'no month'}"
    )


def table(report: Report) -> "Table":
    """A row a site."""
    from rich.table import Table

    made = Table(box=None, pad_edge=False)
    made.add_column("site")
    for name in ("units", "hours", "differ", "state", "trend", "cause", "index", "moisture"):
        made.add_column(name, justify="right")
    for name in ("raised anew", "vanish", "move"):
        made.add_column(name, justify="right")
    for one in report.sites:
        told = one.hours
        words = [str(sum(told.words.get(n, {}).values())) for n in ("state", "trend", "cause")]
        made.add_row(
            *(one.site, str(one.units), str(told.hours), str(told.differing), *words),
            *(_largest(told, "mould_index"), _largest(told, "wood_moisture_percent")),
            *(str(sum(a.what == what for a in one.alarms)) for what in ("raised anew", "vanishes")),
            str(sum(a.what.startswith(("moves", "ends")) for a in one.alarms)),
        )
    return made


def _largest(told: Compared, name: str) -> str:
    return f"{told.largest[name].difference:.4g}" if name in told.largest else "0"


def lines(report: Report) -> Iterator[str]:
    """What the table has no room for."""
    for one in report.sites:
        for name, turns in sorted(one.hours.words.items()):
            said = ", ".join(f"{turn}: {count} h" for turn, count in sorted(turns.items()))
            yield f"{one.site}: {name}: {said}"
        for name, found in sorted(one.hours.largest.items()):
            yield (
                f"{one.site}: {name}: at most {found.difference:.4g}, {found.unit}/{found.zone} at "
                f"{rfc3339(found.hour * HOUR_S)}: {found.record:.6g} -> {found.model:.6g}"
            )
        alone = (
            (one.hours.only_record, "in the record alone"),
            (one.hours.only_model, "in the model alone"),
        )
        yield from (f"{one.site}: {count} hours are {where}" for count, where in alone if count)
        yield from (f"{one.site}: {_said(turn)}" for turn in one.alarms)
        if one.left_out:
            yield (
                f"{one.site}: not judged, for their first readings are no longer in the record: "
                f"{', '.join(one.left_out)}"
            )


def _said(turn: AlarmTurn) -> str:
    def span(raised: str | None, cleared: str | None) -> str:
        return f"{raised} to {cleared or 'now'}"

    sides: list[Any] = []
    if turn.record_raised:
        sides.append(f"record {span(turn.record_raised, turn.record_cleared)}")
    if turn.model_raised:
        sides.append(f"model {span(turn.model_raised, turn.model_cleared)}")
    return f"{turn.kind} {turn.unit}/{turn.zone} {turn.what}: {'; '.join(sides)}"
