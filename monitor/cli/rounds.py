"""`sillkeep round`: what people found on their rounds, what it teaches, and files of a device's queue."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli import JsonFlag, _moment, _now, _print_json, _record
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.lot import Finding
    from monitor.store import Record

round_app = typer.Typer(
    help="Rounds: list, show, labels for the leak score, import.", no_args_is_help=True
)
MOST_FILE = 500_000_000  # bytes: a hundred findings with four photos each take a third of it


@round_app.command("list")
def round_list(as_json: JsonFlag = False) -> None:
    """List rounds, the newest first: when, who, which units, how many findings."""
    with _record(read_only=True) as record:
        walks: dict[str, list[Finding]] = {}
        for unit in record.units():
            for each in record.findings(unit.code):
                if not each.withdraws:
                    walks.setdefault(each.round, []).append(each)
    rows: list[dict[str, Any]] = [
        {
            "round": identity,
            "from_s": min(f.at_s for f in found),
            "to_s": max(f.at_s for f in found),
            "who": sorted({f.who for f in found}),
            "units": sorted({f.unit for f in found}),
            "findings": len(found),
        }
        for identity, found in walks.items()
    ]
    rows.sort(key=lambda row: (-row["from_s"], row["round"]))
    if as_json:
        _print_json(rows)
        return
    for row in rows:
        typer.echo(
            f"{_moment(row['from_s'])} to {_moment(row['to_s'])} UTC  {', '.join(row['who'])}  "
            f"{row['findings']} findings in {', '.join(row['units'])}"
        )
    if not rows:
        typer.echo("no finding is in the record")


@round_app.command("show")
def round_show(
    unit: Annotated[str, typer.Argument(help="Unit code.")], as_json: JsonFlag = False
) -> None:
    """Show what was found in a unit, by time; say so where an entry is not as it was written."""
    from monitor import rounds
    from monitor.store import findings

    with _record(read_only=True) as record:
        _check_unit(record, unit)
        found = record.findings(unit)
    if as_json:
        _print_json([_row(each, intact=findings.digest(each) == each.digest) for each in found])
        return
    gone = rounds.withdrawn(found)
    for each in found:
        if each.withdraws:
            continue
        after = gone.get(each.identity)
        over = f"  WITHDRAWN by {after.who}: {after.note}" if after else ""
        altered = "" if findings.digest(each) == each.digest else "  ALTERED since it was written"
        typer.echo(
            f"{_moment(each.at_s)} UTC  {each.zone}  {each.who}: {_said(each)}{over}{altered}"
        )
    if not found:
        typer.echo(f"nothing was found in {unit}")


@round_app.command("labels")
def round_labels(as_json: JsonFlag = False) -> None:
    """Count what was found where an alarm stood; false alarms of leak suspicion among it."""
    from monitor import rounds
    from monitor.text import rounds as told

    with _record(read_only=True) as record:
        made = rounds.all_labels(record)
    if as_json:
        _print_json(
            [
                {
                    "at_s": label.finding.at_s,
                    "unit": label.finding.unit,
                    "zone": label.finding.zone,
                    "result": label.finding.result,
                    "score": label.finding.score,
                    "score_hour": label.finding.score_hour,
                    "alarms": label.kinds,
                }
                for label in made
            ]
        )
        return
    for kind, table in sorted(rounds.counts(made).items()):
        parts = ", ".join(f"{result} {count}" for result, count in sorted(table.items()))
        typer.echo(f"{kind or 'no alarm stood'}: {parts}")
        if kind == "leak suspect":
            false = sum(table[result] for result in rounds.FALSE)
            unsure = table["nothing found"]
            typer.echo(
                f"  false alarms {false} of {table.total()} (no leak, or condensation); nothing found "
                f"{unsure}: they may be either"
            )
    scored = sum(label.finding.score is not None for label in made)
    typer.echo(f"{len(made)} findings with a result, {scored} with the score that stood then")
    typer.echo(told.LATE_SIGNS)
    typer.echo(told.NOT_BY_ITSELF)


@round_app.command("import")
def round_import(
    file: Annotated[Path, typer.Argument(help="File that the page of a round saved.")],
    who: Annotated[str, typer.Option(help="Your name.")],
    as_json: JsonFlag = False,
) -> None:
    """Take findings from a file that a device saved; what is in the record already stays as it is."""
    entries = _entries(file)
    if not who.strip():
        raise InputError("say who imports it: a name or initials")
    with _record() as record:
        told = [_take(record, each, " ".join(who.split())) for each in entries]
    if as_json:
        _print_json(told)
    else:
        for k, one in enumerate(told, 1):
            if "refused" in one:
                typer.echo(f"entry {k}: not taken: {one['refused']}")
        kept = sum("received" in one for one in told)
        typer.echo(f"{kept} of {len(told)} entries are in the record")
    if any("refused" in one for one in told):
        raise typer.Exit(1)


def _entries(file: Path) -> list[Any]:
    import json

    try:
        if file.stat().st_size > MOST_FILE:
            raise InputError(f"{file} is too large for a round")
        found = json.loads(file.read_bytes())
    except OSError as error:
        raise InputError(f"{file} cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{file} is no JSON file of a round") from error
    entries = found.get("entries") if isinstance(found, dict) else None
    if not isinstance(entries, list) or found.get("format") != "sillkeep round 1":
        raise InputError(f"{file} is no file that the page of a round saved")
    return entries


def _take(record: "Record", each: object, who: str) -> dict[str, str]:
    """Keep one entry of a file; what is wrong with it keeps no other one out."""
    from hashlib import sha256

    from monitor import rounds
    from monitor.photos import cleaned

    try:
        if not isinstance(each, dict) or not isinstance(each.get("photos", []), list):
            raise InputError("an entry is an object of entry and photos")  # noqa: TRY301  told as the others
        data = [
            cleaned(_bytes(photo)) for photo in each.get("photos", [])[: rounds.MOST_PHOTOS + 1]
        ]
        photos = {sha256(one).hexdigest(): one for one in data}
        found = rounds.read(each.get("entry"), who=who, now_s=_now(), photos=tuple(photos))
        record.add_findings([found], photos)
    except InputError as error:
        return {"refused": str(error)}
    return {"received": found.identity}


def _bytes(photo: object) -> bytes:
    from base64 import b64decode

    if not isinstance(photo, str):
        raise InputError("a photo is base64 text")
    try:
        return b64decode(photo, validate=True)
    except ValueError as error:
        raise InputError("a photo is base64 text") from error


def _check_unit(record: "Record", unit: str) -> None:
    if unit not in {known.code for known in record.units()}:
        raise InputError(f'there is no unit "{unit}"')


def _row(each: "Finding", *, intact: bool) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(each) | {"intact": intact}


def _said(each: "Finding") -> str:
    from monitor.text.rounds import checks_text, meter_text

    parts = (
        each.result,
        checks_text(each.checks),
        meter_text(each.meter) if each.meter else "",
        each.note,
        f"{len(each.photos)} photos" if each.photos else "",
    )
    return "; ".join(filter(None, parts))
