"""`sillkeep seal`: sealed joints, what was seen of them and done to them, and when they are due."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli import JsonFlag, _now, _print_json, _record, _when
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.roof import Why
    from monitor.seals import Due
    from monitor.store import Record

seal_app = typer.Typer(help="Seals: joints, looks, reseals, due days, a calendar.")
UnitArgument = Annotated[str, typer.Argument(help="Unit code.")]
Who = Annotated[str, typer.Option(help="Your name.")]
At = Annotated[str | None, typer.Option(help="When (RFC 3339); now if left out.")]
Joints = Annotated[list[str], typer.Argument(help="Codes of joints, from `sillkeep seal list`.")]
Note = Annotated[str, typer.Option(help="What else.")]
Photo = Annotated[list[Path] | None, typer.Option(help="A photo; may be given several times.")]


@seal_app.command("list")
def seal_list(
    unit: Annotated[str, typer.Argument(help="Unit code; without it all units.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """List joints with the day on which each is due, and why; the most urgent first."""
    from monitor import seals

    now_s = _now()
    with _record(read_only=True) as record:
        books = {unit: record.seal_book(unit)} if unit else record.seal_books()
        shut = {code: _closed(record, code, now_s) for code in books} if as_json else {}
    found = {code: seals.due_of(book, now_s=now_s) for code, book in books.items()}
    if as_json:
        rows = [_row(code, one, shut[code]) for code, dues in found.items() for one in dues]
        _print_json(rows)
        return
    for code, dues in found.items():
        for one in dues:
            mark = "!" if one.now else " "
            typer.echo(
                f"{mark} {one.day}  {code}  {one.joint.code:<20} {one.task:<6}  {_why(one, books[code].timezone)}"
            )
    if not any(found.values()):
        typer.echo("no joints are entered; begin with: sillkeep seal add UNIT --suggest --who NAME")


def _row(unit: str, one: "Due", closed: "tuple[Why, ...]") -> dict[str, Any]:
    from monitor.seals import LADDER_M
    from monitor.text.seals import how_text

    return {
        "unit": unit,
        "joint": one.joint.code,
        "kind": one.joint.kind,
        "place": one.joint.place,
        "on_roof": one.joint.on_roof,
        "task": one.task,
        "day": one.day.isoformat(),
        "now": one.now,
        "reason": one.reason,
        "finding": one.finding,
        "days": one.days,
        "last_s": one.last_s,
        "how": how_text(
            one.joint.kind,
            on_roof=one.joint.on_roof,
            high=(one.joint.height_m or 0.0) > LADDER_M,
            closed=closed,
            renew=one.task == "reseal",
        ),
    }


def _why(one: "Due", timezone: str) -> str:
    from monitor.seals import day_of
    from monitor.text.seals import why_text

    since = "" if one.since_s is None else day_of(one.since_s, timezone).isoformat()
    return why_text(one.reason, since=since, days=one.days, finding=one.finding)


def _closed(record: "Record", unit: str, now_s: int) -> "tuple[Why, ...]":
    from monitor import roof
    from monitor.store import board

    found = board.unit(record.engine, unit, now_s=now_s)
    if found is None:
        return roof.closed((), rated="")
    zones = [(zone.kind, zone.word) for zone in found[0].zones]
    return roof.closed(zones, rated=found[0].declared.roof)


@seal_app.command("add")
def seal_add(
    unit: UnitArgument,
    who: Who,
    joint: Annotated[str, typer.Argument(help="Code, such as roof-antenna.")] = "",
    suggest: Annotated[
        bool, typer.Option("--suggest", help="Enter the usual joints of its body.")
    ] = False,
    change: Annotated[
        bool, typer.Option("--change", help="Change a joint that is there; what it was stays.")
    ] = False,
    retire: Annotated[
        bool, typer.Option("--retire", help="It is gone, or was never there.")
    ] = False,
    kind: Annotated[str | None, typer.Option(help="window, roof opening, ...")] = None,
    place: Annotated[str | None, typer.Option(help="Where, in words.")] = None,
    side: Annotated[str | None, typer.Option(help="off, door, front or rear.")] = None,
    zone: Annotated[str | None, typer.Option(help="Zone that would see it leak.")] = None,
    on_roof: Annotated[
        bool | None, typer.Option("--on-roof/--off-roof", help="Is it on the roof?")
    ] = None,
    height_m: Annotated[float | None, typer.Option("--height", help="To reach, in metres.")] = None,
    why: Annotated[str, typer.Option(help="The reason of a change.")] = "",
) -> None:
    """Enter a joint, change or retire it; or enter the usual ones of a unit that has none."""
    from dataclasses import replace

    from monitor import seals
    from monitor.lot import Joint

    now_s = _now()
    with _record() as record:
        known = {one.code: one for one in record.joints(unit)}
        if suggest:
            if known:
                raise InputError(f"{unit} has joints already: add what is missing")
            found = next(one for one in record.units() if one.code == unit)
            made = seals.suggested(
                found.body_type, found.slides, record.zones(unit), who=who, now_s=now_s
            )
            record.enter_joints(unit, made)
            typer.echo(f"{len(made)} joints of {unit} entered")
            return
        if not joint:
            raise InputError("give the code of a joint, or --suggest")
        old = known.get(joint, Joint(joint, first_s=now_s))
        given = {"kind": kind, "place": place, "side": side, "zone": zone, "on_roof": on_roof,
                 "height_m": height_m}  # fmt: skip
        told = {name: value for name, value in given.items() if value is not None}
        if retire and not why:
            raise InputError("say why: it is gone, or it was never there")
        new = replace(old, at_s=now_s, who=who, why=why, retired=retire, **told)  # type: ignore[arg-type]
        record.enter_joints(unit, [new], change=change or retire)
    typer.echo(f"{joint}: {'retired' if retire else 'changed' if change else 'entered'}")


@seal_app.command("look")
def seal_look(
    unit: UnitArgument,
    joints: Joints,
    who: Who,
    found: Annotated[
        str, typer.Option(help="sound, chalky, cracked, lifted edge, void at a screw, ...")
    ] = "sound",
    note: Note = "",
    at: At = None,
    photo: Photo = None,
) -> None:
    """Note that joints were looked at, and what was found."""
    count = _note(unit, joints, who, note, at, photo, {"act": "looked at", "finding": found})
    typer.echo(f"{count} of {unit} noted as looked at: {found}")


@seal_app.command("reseal")
def seal_reseal(
    unit: UnitArgument,
    joints: Joints,
    who: Who,
    sealant: Annotated[
        str, typer.Option(help="Kind: self-levelling lap, non-sag, butyl tape, ...")
    ],
    product: Annotated[str, typer.Option(help="As it says on the tube.")] = "",
    old_off: Annotated[
        bool, typer.Option("--old-off", help="The old sealant was taken off.")
    ] = False,
    no_membrane: Annotated[
        bool, typer.Option("--no-membrane", help="There is no membrane where it goes.")
    ] = False,
    note: Note = "",
    at: At = None,
    photo: Photo = None,
) -> None:
    """Note that joints were resealed, with what; a `reseal` is noted of the unit too."""
    from monitor import seals
    from monitor.text.seals import WARNED, refused_text

    said = {"old sealant taken off": old_off, "no membrane here": no_membrane}
    confirmed = tuple(name for name, given in said.items() if given)
    with _record(read_only=True) as record:
        book = record.seal_book(unit)
    for joint in (one for one in book.joints if one.code in joints):
        own = [entry for entry in book.entries if entry.joint == joint.code]
        missing = seals.unconfirmed(joint, own, sealant, confirmed)  # type: ignore[arg-type]
        if missing:
            before = seals.last_sealant(own)
            raise InputError(
                refused_text(joint.code, before=before.sealant if before else "", warned=missing)
                + " (--old-off, --no-membrane)"
            )
        for one in seals.warnings(joint, own, sealant):  # type: ignore[arg-type]
            typer.echo(f"{joint.code}: {WARNED[one]}", err=True)
    told = {"act": "resealed", "sealant": sealant, "product": product, "confirmed": confirmed}
    count = _note(unit, joints, who, note, at, photo, told)
    typer.echo(f"{count} of {unit} noted as resealed with {sealant}")


def _note(
    unit: str,
    joints: list[str],
    who: str,
    note: str,
    at: str | None,
    photos: list[Path] | None,
    told: dict[str, Any],
) -> int:
    from hashlib import sha256

    from monitor.lot import Photo as Kept
    from monitor.lot import SealEntry
    from monitor.photos import cleaned

    now_s = _now()
    at_s = now_s if at is None else _when(at)
    digests = []
    with _record() as record:
        for path in photos or ():
            try:
                data = cleaned(path.read_bytes())
            except OSError as error:
                raise InputError(f"{path}: {error.strerror}") from None
            digests.append(sha256(data).hexdigest())
            record.keep_photo(unit, Kept(digests[-1], at_s, now_s, who), data)
        entries = [
            SealEntry(
                joint=joint, at_s=at_s, recorded_s=now_s, who=who, note=note,
                photos=tuple(digests), **told,
            )
            for joint in dict.fromkeys(joints)
        ]  # fmt: skip
        return record.note_seals(unit, entries)


@seal_app.command("rule")
def seal_rule(
    unit: UnitArgument,
    who: Who,
    why: Annotated[str, typer.Option(help="The reason, such as the page of the manual.")],
    group: Annotated[str, typer.Option(help="walk, or roof.")] = "walk",
    joint: Annotated[str, typer.Option(help="One joint instead of the whole group.")] = "",
    days: Annotated[
        int | None,
        typer.Option(help="0: the roof in spring and autumn; left out: as by default."),
    ] = None,
) -> None:
    """Change every how many days joints are looked at."""
    from monitor import seals
    from monitor.lot import SealRule

    with _record() as record:
        if joint:
            known = next((one for one in record.joints(unit) if one.code == joint), None)
            if known is None:
                raise InputError(f'there is no joint "{joint}" in {unit}')
            group = seals.group_of(known)
        record.rule_seals(unit, SealRule(group, joint, days, _now(), who, why))  # type: ignore[arg-type]
    typer.echo(f"{joint or group} of {unit}: {'as by default' if days is None else f'{days} days'}")


@seal_app.command("calendar")
def seal_calendar(
    unit: UnitArgument,
    out: Annotated[Path, typer.Option(help="File to write (.ics).")],
    remind: Annotated[
        bool, typer.Option("--remind", help="A note shows a week before; none sounds.")
    ] = False,
) -> None:
    """Write the due days as a calendar file (RFC 5545); written again, it moves what it wrote before."""
    from monitor.reports.calendar import calendar_file

    now_s = _now()
    with _record(read_only=True) as record:
        book = record.seal_book(unit)
        closed = _closed(record, unit, now_s)
    made = calendar_file(book, now_s=now_s, closed=closed, remind=remind)
    try:
        out.write_bytes(made)
    except OSError as error:
        raise InputError(f"{out}: {error.strerror}") from None
    typer.echo(f"written: {out}")
