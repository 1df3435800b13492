"""`sillkeep handover`: signed packets that a stranger can work out again; the record of a sold unit."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _moment, _now, _print_json, _record
from monitor.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

handover_app = typer.Typer(
    help="Signed packets of proofs, and records of units for their new owners."
)


@handover_app.command("packet")
def packet_make(
    unit: Annotated[str, typer.Argument(help="Unit code.")],
    zone: Annotated[str, typer.Option(help="Zone that was repaired.")],
    out: Annotated[Path, typer.Option(help="File to write; it must not be there yet.")],
    repaired: Annotated[
        str, typer.Option(help="Time of the repair; without it, the newest of that zone.")
    ] = "",
) -> None:
    """Put all that the proof of a repair was taken from into one signed file."""
    from importlib.metadata import version

    from monitor.reports import packet, tree
    from monitor.times import parse_time
    from monitor.written import rfc3339

    if out.exists():
        raise InputError(f"{out} is there already; choose another name")
    with _record(read_only=True) as record:
        rows = [row for row in record.repairs(unit=unit) if row.zone == zone]
        if repaired:
            rows = [row for row in rows if row.repaired_s == parse_time(repaired)]
        if not rows:
            raise InputError(
                f"no repair of {unit} {zone} was noted; see them with: sillkeep proof {unit}"
            )
        key = tree.signing_key(record.home)
        made = packet.make(
            record, rows[0], key=key, made_s=_now(), program=f"Sillkeep {version('sillkeep')}"
        )
    packet.save(made, out)
    now = rows[0].now
    typer.echo(f"{out}: {now.verdict if now else ''}, {len(made) / 1e6:.2f} MB")
    if now:
        typer.echo(f"  {_taken_from(now.figures, now.size_ml, rfc3339(now.at_s))}")
    typer.echo(f"signed by {tree.public_key(key)}; hand this key over by another way")


@handover_app.command("verify")
def packet_verify(
    file: Annotated[Path, typer.Argument(help="Packet.", exists=True, dir_okay=False)],
    key: Annotated[str, typer.Option(help="Key that it must be signed by.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """Work a packet out again: its signature, its files, its verdict and its hours."""
    from monitor.reports import packet

    found = packet.verify(file.read_bytes())
    if key:
        same = key.strip().lower() == found.key
        found.note("key", "" if same else f"it is signed by {found.key}", "is the one given")
    told = found.manifest
    if as_json:
        _print_json(
            [{"holds": found.holds, "key": found.key, "manifest": told, "steps": found.steps}]
        )
    else:
        for what, holds, said in found.steps:
            typer.echo(f"{'holds' if holds else 'FAILS'}  {what}: {_plain(said)}")
        if found.holds:
            typer.echo(
                _plain(
                    f"{told['unit']} {told['zone']}, repaired {told['repaired']}: "
                    f"{told['verdict']}, as of {told['as_of']}"
                )
            )
            taken = _taken_from(told["figures"], told["size_ml"], told["as_of"])
            typer.echo(f"  {_plain(taken)}")
            for name in told["missing"]:
                typer.echo(f"  missing: {_plain(name)}")
        if found.holds and not key:
            typer.echo(f"signed by {found.key}: compare it with the key that you were given")
    if not found.holds:
        raise typer.Exit(1)


@handover_app.command("compare")
def packet_compare(
    old: Annotated[Path, typer.Argument(help="Packet.", exists=True, dir_okay=False)],
    new: Annotated[Path, typer.Argument(help="Another.", exists=True, dir_okay=False)],
) -> None:
    """Say what one packet of a repair says otherwise than another; both are verified first."""
    from monitor.reports import packet

    lines = packet.compare(old.read_bytes(), new.read_bytes())
    for line in lines or ["they say the same"]:
        typer.echo(_plain(line))


@handover_app.command("head")
def packet_head() -> None:
    """Print the newest head of the chain: kept elsewhere, it shows later that nothing was changed."""
    from datetime import date, timedelta

    from monitor.store import forgetting

    with _record(read_only=True) as record:
        days = record.chain()
        times, last_s = forgetting.rewritten(record.engine)
    if not days:
        raise InputError("no day is chained yet: the first one after a repair is to be over")
    day, _, _, head = days[-1]
    typer.echo(f"{date(1970, 1, 1) + timedelta(days=day)} {head}")
    if times:
        when = date(1970, 1, 1) + timedelta(seconds=last_s)
        typer.echo(
            f"names were taken out of the record {times} times, last on {when}: days with them have another "
            "head since, and the log has the one before"
        )


def _taken_from(figures: "Mapping[str, float | str]", size_ml: float | str, as_of: str) -> str:
    """What a verdict was taken from, of a record or of a packet's manifest, where none is written as nothing."""
    from monitor.text.documents import taken_from_text

    def number(said: float | str) -> float:
        return float(said) if said != "" else float("nan")

    counted = sum(number(figures[kind]) for kind in ("natural", "hose", "wash"))
    return taken_from_text(
        survived=counted - number(figures["responses"]),
        coverage_percent=number(figures["coverage_percent"]),
        size_ml=number(size_ml),
        day=as_of,
    )


def _plain(said: object) -> str:
    """Words of a stranger's file without what a terminal would obey."""
    return "".join(sign if sign.isprintable() else "?" for sign in str(said))[:2000]


@handover_app.command("key")
def packet_key() -> None:
    """Print the public key of this home; it is made with the first question."""
    from monitor.reports import tree

    with _record(read_only=True) as record:
        typer.echo(tree.public_key(tree.signing_key(record.home)))


@handover_app.command("record")
def record_make(
    unit: Annotated[str, typer.Argument(help="Unit code.")],
    out: Annotated[Path, typer.Option(help="File to write; it must not be there yet.")],
    with_nodes: Annotated[
        bool, typer.Option("--with-nodes", help="Its nodes go along with it.")
    ] = False,
    photos: Annotated[bool, typer.Option("--photos/--no-photos", help="Photos go along.")] = True,
) -> None:
    """Write the record of a unit for its new owner: one signed file, without what is private."""
    from importlib.metadata import version

    from monitor.reports import handover, packet, tree

    if out.exists():
        raise InputError(f"{out} is there already; choose another name")
    now_s = _now()
    with _record(read_only=True) as record:
        key = tree.signing_key(record.home)
        wanted = handover.Wanted(unit, with_nodes, photos)
        program = f"Sillkeep {version('sillkeep')}"
        made = handover.make(record, wanted, key=key, made_s=now_s, program=program)
    packet.save(made, out)
    typer.echo(f"{out}: {unit}, {len(made) / 1e6:.2f} MB")
    for name, held in handover.look(made).manifest.files.items():
        if not name.startswith("photos/"):
            typer.echo(f"  {name}: {held.rows}")
    typer.echo(
        "Left out: who lived there, the air of rooms and findings in them on days lived in, names, addresses, messages, the log. "
        "Photos and what people typed go along: look through them first."
    )
    typer.echo(f"signed by {tree.public_key(key)}; hand this key over by another way")


@handover_app.command("import")
def record_take(
    file: Annotated[Path, typer.Argument(help="File of a seller.", exists=True, dir_okay=False)],
    site: Annotated[str, typer.Option(help="Site where it stands now.")] = "",
    key: Annotated[str, typer.Option(help="Key that it must be signed by.")] = "",
    code: Annotated[str, typer.Option("--as", help="Another code for it here.")] = "",
    who: Annotated[str, typer.Option(help="Who takes it in.")] = "command line",
) -> None:
    """Take in a unit with the record that its seller gave."""
    from monitor.reports import handover
    from monitor.text.handing import left_out_text

    now_s = _now()
    opened = handover.look(handover.read(file), key=key)
    told = opened.manifest
    with _record() as record:
        taken = handover.take(record, opened, handover.Where(site, code), who=who, now_s=now_s)
    said = {
        "new": "taken in",
        "newer": "a newer record: what it has anew is taken in",
        "same": "known already, nothing is changed",
        "older": "an older record than the one that is here, nothing is changed",
    }
    typer.echo(
        f"{told.unit}: {said[taken.done]}, recorded by the seller until {_moment(taken.until_s)} UTC"
    )
    for name, held in told.files.items():
        if not name.startswith("photos/"):
            typer.echo(f"  {name}: {held.rows}")
    if taken.left_out:
        typer.echo(left_out_text(taken.left_out, from_=f"{_moment(taken.until_s)} UTC"))
    if told.nodes_go_along:
        rows = opened.parts.get("placements.csv", [])
        now = sorted({f"{row['node']} ({row['zone']})" for row in rows if row["to_s"] is None})
        typer.echo(f"Its nodes go along: {', '.join(now) or 'none is placed'}. Give them this broker and "
                   "place them: until then nobody watches it")  # fmt: skip
    if not key:
        typer.echo(f"signed by {opened.key}: compare it with the key that you were given")
