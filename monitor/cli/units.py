"""`sillkeep unit`: a unit is sold, retired, taken back; the ledger of it."""

from typing import TYPE_CHECKING, Annotated, get_args

import typer

from monitor.cli import JsonFlag, _moment, _now, _print_json, _record, _settings
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.store.parting import Left

unit_app = typer.Typer(help="Units that leave: sell, retire, back, ledger.")

Code = Annotated[str, typer.Argument(help="Unit code.")]
Who = Annotated[str, typer.Option(help="Who notes it.")]


@unit_app.command("sell")
def unit_sell(
    code: Code,
    who: Who,
    to: Annotated[str, typer.Option(help="To whom, by role or key; no name.")] = "",
    owner: Annotated[
        str, typer.Option(help="User of this board who bought it, if there is one: keeps sight.")
    ] = "",
    why: Annotated[str, typer.Option(help="What else to note.")] = "",
) -> None:
    """Note that a unit is sold: from now on this lot sees only that it was theirs."""
    from monitor.store.parting import Leave

    now_s = _now()
    leaving = Leave("sold", now_s, who, why=why, giver="this lot", taker=to, keeper=owner)
    with _record() as record:
        left = record.leave(code, leaving, now_s=now_s)
        _note(code, "unit sold", who)
    typer.echo(f"sold: {code}. {_told(left)}")
    _say_nodes(left)


@unit_app.command("retire")
def unit_retire(
    code: Code,
    why: Annotated[str, typer.Option(help="Why it leaves.")],
    who: Who = "command line",
) -> None:
    """Take a unit off the lot board; its record stays."""
    from monitor.store.parting import Leave

    now_s = _now()
    with _record() as record:
        left = record.leave(code, Leave("retired", now_s, who, why=why), now_s=now_s)
        _note(code, "unit retired", who)
    typer.echo(f"retired: {code}. {_told(left)}")
    _say_nodes(left)


@unit_app.command("back")
def unit_back(
    code: Code,
    why: Annotated[str, typer.Option(help="Why it is back.")],
    life: Annotated[str, typer.Option(help="Its stage from now on, such as stored.")] = "stored",
    who: Who = "command line",
) -> None:
    """Take back a sale or a retirement: a new line of the ledger. Place its nodes anew."""
    from monitor.lotfile import Life
    from monitor.store.parting import GONE, Leave

    stages = [one for one in get_args(Life) if one not in GONE]
    if life not in stages:
        raise InputError(f'"{life}" is no stage it can be in; use one of: {", ".join(stages)}')
    now_s = _now()
    with _record() as record:
        record.take_back(code, life, Leave("back", now_s, who, why=why), now_s=now_s)
        _note(code, "unit taken back", who)
    typer.echo(f"{code} is back ({life}); nobody watches it until its nodes are placed again")


@unit_app.command("ledger")
def unit_ledger(
    code: Annotated[str, typer.Argument(help="Unit code; without it all.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """List what changed hands, the oldest first."""
    from monitor.text import removal

    with _record(read_only=True) as record:
        found = record.ledger(unit=code)
    if as_json:
        _print_json(found)
        return
    for line in found:
        hands = " -> ".join(filter(None, (line.giver, line.taker)))
        said = "; ".join(filter(None, (hands, f"by {line.who}" if line.who else "", line.why)))
        what = removal.WHAT[line.what]
        typer.echo(f"{_moment(line.at_s)} UTC  {line.unit or '-'}: {what}; {said}")
    if not found:
        typer.echo("nothing changed hands")


def _note(code: str, act: str, who: str) -> None:
    from monitor.cli.users import _doer
    from monitor.store import users

    with _record() as record:
        users.note(record.engine, act, about=f"{code}, as {who[:80]}", by=_doer())


def _told(left: "Left") -> str:
    said = (
        f"{left.alarms} alarms, {left.holds} holds and {left.links} links are ended, "
        f"{left.messages} messages are not sent"
    )
    alone = ", ".join(left.alone)
    return f"{said}; told of nothing else and so removed: {alone}" if alone else said


def _say_nodes(left: "Left") -> None:
    from monitor.cli.provision import _bring_up
    from monitor.text import removal

    if left.revoked:
        with _record() as record:
            _bring_up(record, _settings())
        typer.echo(removal.revoked_text(left.revoked))
    if left.nodes:
        typer.echo(f"Its nodes: {', '.join(left.nodes)}. {removal.TAKE_NODES_OUT}")
