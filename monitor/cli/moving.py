"""`sillkeep node place` and `take`: a probe is hung elsewhere, or taken away."""

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import _moment, _now, _one_site, _record, _when
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.moving import Plan
    from monitor.store import Record

Name = Annotated[str, typer.Argument(help="Node code.")]
SiteOf = Annotated[str, typer.Option(help="Site code, where two sites have such a node.")]
At = Annotated[str, typer.Option(help="Since when; without it, now.")]
Who = Annotated[str, typer.Option(help="Your name.")]
Why = Annotated[str, typer.Option(help="The reason, if it is worth keeping.")]


def node_place(
    node: Name,
    who: Who,
    unit: Annotated[str, typer.Option(help="Unit that it hangs in now; none: the site.")] = "",
    zone: Annotated[
        str, typer.Option(help="Zone; without it all go to the zones of the same codes in --unit.")
    ] = "",
    probe: Annotated[str, typer.Option(help="Which of its probes.")] = "",
    at: At = "",
    why: Why = "",
    kind: Annotated[
        str, typer.Option(help="Enter the zone, if there is none, as wall, bay ...")
    ] = "",
    beside: Annotated[
        bool, typer.Option("--beside", help="Another probe may watch that zone too.")
    ] = False,
    site: SiteOf = "",
) -> None:
    """Say that a probe, or a whole node, hangs elsewhere. A wrong entry: the right one, same time."""
    from monitor import moving

    now_s = _now()
    with _record() as record:
        wanted = moving.Wanted(
            site=site or _site_of(record, node),
            node=node,
            at_s=_when(at) if at else now_s,
            probe=probe,
            unit=unit,
            zone=zone,
            kind=kind,
            beside=beside,
        )
        plan = moving.placing(record, wanted, now_s=now_s, when=_told)
        _enter(record, plan, who, why)


def node_take(
    node: Name,
    who: Who,
    probe: Annotated[str, typer.Option(help="Which of its probes; without it, all.")] = "",
    at: At = "",
    why: Why = "",
    site: SiteOf = "",
) -> None:
    """Say that a probe, or a whole node, was taken away: what it sends is of no zone."""
    from monitor import moving

    now_s = _now()
    with _record() as record:
        wanted = moving.Wanted(
            site=site or _site_of(record, node),
            node=node,
            at_s=_when(at) if at else now_s,
            probe=probe,
        )
        _enter(record, moving.taking(record, wanted, now_s=now_s), who, why)


def _enter(record: "Record", plan: "Plan", who: str, why: str) -> None:
    from monitor import moving

    name = who.strip()[:80]
    if not name:
        raise InputError("say who moves it")
    moving.enter(record, plan, who=name, why=why.strip()[:400], now_s=_now())
    if plan.new is not None:
        typer.echo(f"zone {plan.new.code} ({plan.new.kind}) is entered")
    for move in plan.moves:
        typer.echo(move.said(_told))
    for note in plan.notes():
        typer.echo(note)


def _told(at_s: int) -> str:
    return f"{_moment(at_s)} UTC"


def _site_of(record: "Record", node: str) -> str:
    from monitor import moving

    return _one_site(node, moving.nodes(record, now_s=_now()))
