"""`sillkeep limits`: limits of judgement that somebody changed, for what and why."""

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _moment, _now, _print_json, _record
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.lot import LimitEntry

limits_app = typer.Typer(
    help="Limits of judgement: list, change, undo.", invoke_without_command=True
)
HOUR_S = 3600
Who = Annotated[str, typer.Option(help="Your name.")]
Why = Annotated[str, typer.Option(help="The reason; it stands in the record for good.")]


@limits_app.callback(invoke_without_command=True)
def limits_list(context: typer.Context, as_json: JsonFlag = False) -> None:
    """List changed limits, and those that can be changed."""
    if context.invoked_subcommand:
        return
    from monitor.judge import limits
    from monitor.judge.rules import LIMITS

    entries = _record(read_only=True).limit_entries()
    if as_json:
        _print_json(entries)
        return
    undone = {entry.undoes for entry in entries}
    for entry in entries:
        over = "  (undone)" if entry.number in undone else ""
        typer.echo(f"{entry.number:>4}  {_said(entry)}{over}")
    if not entries:
        typer.echo("no limit was changed")
    typer.echo("\ncan be changed (default, lowest to highest):")
    for name, (low, high) in limits.CHANGEABLE.items():
        typer.echo(f"  {name:<26} {getattr(LIMITS, name):g}  ({low:g} to {high:g})")


@limits_app.command("set")
def limits_set(
    name: Annotated[str, typer.Argument(help="Name from `sillkeep limits`.")],
    value: Annotated[float, typer.Argument(help="New value.")],
    who: Who,
    why: Why,
    site: Annotated[str, typer.Option(help="Site code; without it every site.")] = "",
    kind: Annotated[str, typer.Option(help="Kind of unit: travel trailer ...; else all.")] = "",
) -> None:
    """Change a limit from this hour on; what was judged before stays as it is."""
    from monitor.judge import limits

    with _record() as record:
        kinds = sorted({unit.body_type for unit in record.units()})
        if kind and kind not in kinds:
            raise InputError(f'there is no unit of kind "{kind}"; there are: {", ".join(kinds)}')
        entry = limits.change(
            record.limit_entries(),
            name=name,
            value=value,
            site=site,
            body_type=kind,
            hour=_now() // HOUR_S,
        )
        entry = _signed(entry, who, why)
        number = record.change_limit(entry)
    typer.echo(f"change {number}: {_said(entry)}")


@limits_app.command("undo")
def limits_undo(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep limits`.")],
    who: Who,
    why: Why,
) -> None:
    """End a change from this hour on; the entry stays, with who undid it."""
    from monitor.judge import limits

    with _record() as record:
        entry = limits.undo(record.limit_entries(), number, hour=_now() // HOUR_S)
        entry = _signed(entry, who, why)
        undone_by = record.change_limit(entry)
    typer.echo(f"change {undone_by}: {_said(entry)}")


def _signed(entry: "LimitEntry", who: str, why: str) -> "LimitEntry":
    from dataclasses import replace

    if not who.strip():
        raise InputError("say who changes it: a name or initials")
    if not why.strip():
        raise InputError("say why; a limit without its reason helps nobody later")
    return replace(entry, who=who.strip()[:80], why=why.strip()[:400], recorded_s=_now())


def _said(entry: "LimitEntry") -> str:
    where = ", ".join(filter(None, (entry.site, entry.body_type))) or "everywhere"
    from_ = _moment(entry.from_hour * HOUR_S)
    undoes = f" (undoes {entry.undoes})" if entry.undoes is not None else ""
    return (
        f"{entry.name} {entry.old:g} -> {entry.new:g}{undoes}, {where}, from {from_} UTC"
        f" by {entry.who}: {entry.why}"
    )
