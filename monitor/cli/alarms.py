"""`sillkeep alarms`: what asks for something, what is held back, and the answers to it."""

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _moment, _now, _print_json, _record

if TYPE_CHECKING:
    from monitor.lot import Source
    from monitor.store import Alarm, Hold, Record

alarms_app = typer.Typer(
    help="Alarms: list, acknowledge, inspect, hold back, release.", invoke_without_command=True
)
HOUR_S = 3600
Number = Annotated[int | None, typer.Argument(help="Number from `sillkeep alarms`.")]
Who = Annotated[str, typer.Option(help="Your name.")]
Why = Annotated[str, typer.Option(help="The reason; it stands in the record for good.")]
KindOption = Annotated[str, typer.Option(help="Kind of alarm, for one that does not stand.")]
UnitOption = Annotated[str, typer.Option(help="Unit code.")]
ZoneOption = Annotated[str, typer.Option(help="Zone code.")]
NodeOption = Annotated[str, typer.Option(help="Node code.")]
SiteOption = Annotated[str, typer.Option(help="Site code.")]


@alarms_app.callback(invoke_without_command=True)
def alarms_list(
    context: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Also those that ended.")] = False,
    held: Annotated[bool, typer.Option("--held", help="Only those held back.")] = False,
    unit: UnitOption = "",
    site: SiteOption = "",
    kind: Annotated[str, typer.Option(help="Kind of alarm.")] = "",
    alarm_class: Annotated[
        str, typer.Option("--class", help="act now, today, this week, season.")
    ] = "",
    state: Annotated[str, typer.Option(help="unacknowledged, acknowledged, ...")] = "",
    as_json: JsonFlag = False,
) -> None:
    """List alarms that ask for something, most recent first; the filters hold together."""
    if context.invoked_subcommand:
        return
    record = _record(read_only=True)
    words = {hold.source: hold.word for hold in record.holds()}
    asked = {"unit": unit, "site": site, "kind": kind, "class_": alarm_class, "state": state}
    found = [
        alarm
        for alarm in record.alarms(open_only=not every)
        if all(getattr(alarm, name) == value for name, value in asked.items() if value)
        if not held or alarm.source in words
    ]
    if as_json:
        import msgspec

        _print_json(
            [msgspec.to_builtins(alarm) | {"held": words.get(alarm.source, "")} for alarm in found]
        )
        return
    for alarm in found:
        over = f", {words[alarm.source]}" if alarm.source in words else ""
        typer.echo(
            f"{alarm.alarm_id:>5}  {_moment(alarm.raised_s)}  {alarm.class_:<9}  {_place(alarm)}:"
            f" {alarm.kind}, {alarm.state}{over}"
        )
    if not found:
        typer.echo("no such alarm" if held or any(asked.values()) else "no alarm is standing")


@alarms_app.command("show")
def alarms_show(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep alarms`.")],
    as_json: JsonFlag = False,
) -> None:
    """Show one alarm with its text and every step of its life."""
    from monitor import holds

    with _record(read_only=True) as record:
        alarm = holds.alarm_of(record, number)
        steps = record.alarm_steps(number)
        kept = [hold for hold in record.holds(every=True) if hold.source == alarm.source]
    if as_json:
        _print_json({"alarm": alarm, "steps": steps, "holds": kept})
        return
    typer.echo(f"{_place(alarm)}: {alarm.kind}, {alarm.class_}, {alarm.state}\n\n{alarm.text}\n")
    for step in steps:
        typer.echo(f"{_moment(step.at_s)}  {step.state}, by {step.who}: {step.why}")
    for hold in kept:
        typer.echo(_said(hold))


@alarms_app.command("acknowledge")
def alarms_acknowledge(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep alarms`.")],
    who: Who,
) -> None:
    """Take an alarm on: say that somebody sees to it."""
    from monitor import watch as watcher

    watcher.acknowledge(_record(), number, who=who, now_s=_now())
    typer.echo(f"alarm {number} acknowledged by {who}")


@alarms_app.command("inspect")
def alarms_inspect(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep alarms`.")],
    who: Who,
    finding: Annotated[str, typer.Option(help="What was found, also if it was nothing.")],
) -> None:
    """Record what was found at the place; it ends a finding that stays until somebody looked."""
    from monitor import holds

    with _record() as record:
        alarm = holds.inspect(record, number, who=who, finding=finding, now_s=_now())
    typer.echo(
        f"inspection of {_place(alarm)} noted: a leak suspect ends by it when its day (UTC) is over, any other alarm when its condition does"
    )


@alarms_app.command("holds")
def alarms_holds(
    every: Annotated[bool, typer.Option("--all", help="Also those that ended.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """List what is held back, with who, why and until when."""
    found = _record(read_only=True).holds(every=every)
    if as_json:
        _print_json(found)
        return
    for hold in found:
        typer.echo(_said(hold))
    if not found:
        typer.echo("nothing is held back")


@alarms_app.command("shelve")
def alarms_shelve(
    who: Who,
    why: Why,
    hours: Annotated[float, typer.Option(min=0.0, help="How long, in hours.")],
    number: Number = None,
    kind: KindOption = "",
    unit: UnitOption = "",
    zone: ZoneOption = "",
    node: NodeOption = "",
    site: SiteOption = "",
) -> None:
    """Hold an alarm back for a time; it returns by itself."""
    from monitor import holds

    now_s = _now()
    with _record() as record:
        source = _source(record, number, kind=kind, unit=unit, zone=zone, node=node, site=site)
        until_s = now_s + round(hours * HOUR_S)
        new = holds.shelve(record, source, who=who, why=why, until_s=until_s, now_s=now_s)
    typer.echo(f"{_from(source)} shelved until {_moment(until_s)} UTC by {new.who}")


@alarms_app.command("release")
def alarms_release(
    who: Who,
    number: Number = None,
    why: Annotated[str, typer.Option(help="The reason.")] = "",
    kind: KindOption = "",
    unit: UnitOption = "",
    zone: ZoneOption = "",
    node: NodeOption = "",
    site: SiteOption = "",
) -> None:
    """Let a shelved alarm go before its time."""
    from monitor import holds

    with _record() as record:
        source = _source(record, number, kind=kind, unit=unit, zone=zone, node=node, site=site)
        holds.release(record, source, who=who, why=why, now_s=_now())
    typer.echo(f"{_from(source)} released")


@alarms_app.command("out-of-service")
def alarms_take_out(
    who: Who,
    why: Why,
    number: Number = None,
    kind: KindOption = "",
    unit: UnitOption = "",
    zone: ZoneOption = "",
    node: NodeOption = "",
    site: SiteOption = "",
) -> None:
    """Take an alarm out of service for maintenance, until somebody puts it back."""
    from monitor import holds

    with _record() as record:
        source = _source(record, number, kind=kind, unit=unit, zone=zone, node=node, site=site)
        new = holds.take_out(record, source, who=who, why=why, now_s=_now())
    typer.echo(f"{_from(source)} out of service, by {new.who}")


@alarms_app.command("put-back")
def alarms_put_back(
    who: Who,
    number: Number = None,
    why: Annotated[str, typer.Option(help="The reason.")] = "",
    kind: KindOption = "",
    unit: UnitOption = "",
    zone: ZoneOption = "",
    node: NodeOption = "",
    site: SiteOption = "",
) -> None:
    """Put an alarm back in service."""
    from monitor import holds

    with _record() as record:
        source = _source(record, number, kind=kind, unit=unit, zone=zone, node=node, site=site)
        holds.put_back(record, source, who=who, why=why, now_s=_now())
    typer.echo(f"{_from(source)} in service again")


def _source(record: "Record", number: int | None, *, kind: str, **place: str) -> "Source":
    from monitor import holds

    if number is not None:
        return holds.alarm_of(record, number).source
    return holds.source_of(record, kind=kind, **place)


def _place(alarm: "Alarm | Source") -> str:
    return " ".join(filter(None, (alarm.unit or alarm.site, alarm.zone or alarm.node)))


def _from(source: "Source") -> str:
    return f"{_place(source)}: {source.kind}"


def _said(hold: "Hold") -> str:
    until = "" if hold.until_s is None else f" until {_moment(hold.until_s)}"
    ended = (
        ""
        if hold.ended_s is None
        else f"; ended {_moment(hold.ended_s)} by {hold.ended_who}: {hold.ended_why}"
    )
    return (
        f"{_moment(hold.began_s)}  {_from(hold.source)}, {hold.word}{until}, by {hold.who}:"
        f" {hold.why}{ended}"
    )
