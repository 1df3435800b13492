"""`sillkeep export` and `sillkeep import`: readings out of the record as files, and in again."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli import JsonFlag, _alone_in, _enter_lot, _now, _record, _settings, _when
from monitor.errors import InputError

export_app = typer.Typer(
    no_args_is_help=True, help="Files of all readings, or of judged hours, for keeping and moving."
)

UnitOption = Annotated[str, typer.Option(help="Unit code: what watched it, while it did.")]
SiteOption = Annotated[str, typer.Option(help="Site code: all of its nodes and units.")]
FromOption = Annotated[str | None, typer.Option("--from", help="First time (RFC 3339).")]
ToOption = Annotated[str | None, typer.Option("--to", help="First time that is left out.")]
ForceFlag = Annotated[bool, typer.Option("--force", help="Write over a file that is there.")]
SHOWN = 5


@export_app.command("readings")
def export_readings(
    out: Annotated[
        Path, typer.Option(help="File: .csv, .parquet, .senml.json (one pack) or .senml.jsonl.")
    ],
    unit: UnitOption = "",
    site: SiteOption = "",
    from_: FromOption = None,
    to: ToOption = None,
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> None:
    """Write every stored sample, with all that makes it that one.

    Node, probe, boot and seq, when it was and came, each measured quantity as stored; disputed ones
    with all their values, and those whose time is pending, marked. `sillkeep import` reads it again.
    Times are UTC; units stand in the column names (SenML: in each record). Of an occupied unit
    single readings tell who was at home: keep such a file as you would keep that.
    """
    from monitor import exchange

    _one_of(unit, site)
    with _record(read_only=True) as record, _counted("readings") as tell:
        count = exchange.export_readings(
            record, out, site=site, unit=unit, span_s=_span(from_, to), force=force, tell=tell
        )
    _say(count, "samples", out, as_json=as_json)


@export_app.command("hours")
def export_hours(
    out: Annotated[Path, typer.Option(help="File: .csv or .parquet.")],
    unit: UnitOption = "",
    site: SiteOption = "",
    from_: FromOption = None,
    to: ToOption = None,
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> None:
    """Write judged hours.

    The columns are those of `sillkeep judge --hours`, then the ambient wood moisture, the rain, and
    the version of the rules that judged them.
    """
    from monitor import exchange

    _one_of(unit, site)
    with _record(read_only=True) as record:
        count = exchange.export_hours(
            record, out, site=site, unit=unit, span_s=_span(from_, to), force=force
        )
    _say(count, "hours", out, as_json=as_json)


@export_app.command("parquet")
def export_parquet(
    folder: Annotated[Path, typer.Argument(help="Folder of partitions; made if it is not there.")],
    site: Annotated[
        list[str] | None, typer.Option(help="Site code, more than once for more; all without it.")
    ] = None,
    from_: Annotated[str, typer.Option("--from", help="First month (2026-01).")] = "",
    to: Annotated[str, typer.Option(help="Last month.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """Write readings and judged hours as Parquet in folders by site and month.

    For tools that read large tables: FOLDER/readings/site=S/month=YYYY-MM/readings.parquet, and the same
    of hours; samples whose time is pending are in month=unknown. Columns and units are those of `export
    readings` and `export hours`. Run again, it reads all of the record again and puts in place what
    changed; months of which nothing is left are taken away. Of an occupied unit single readings tell who
    was at home: keep such a folder as you would keep that.
    """
    import dataclasses

    from monitor.exchange import partitions

    with (
        _alone_in(folder, "export", "another export"),
        _record(read_only=True) as record,
    ):
        done = partitions.export(
            record,
            folder,
            sites=list(site or ()),
            months=(from_, to),
            tell=lambda said: typer.echo(said, err=True),
        )
    if as_json:
        typer.echo(json.dumps(dataclasses.asdict(done)))
        return
    typer.echo(
        f"{done.readings} samples and {done.hours} hours in {done.partitions} partitions of {folder}: "
        f"{done.changed} new or changed, {done.removed} taken away"
    )


def _one_of(unit: str, site: str) -> None:
    if bool(unit) == bool(site):
        raise InputError("give --unit or --site: whose readings")


def _span(from_: str | None, to: str | None) -> tuple[int, int]:
    from monitor.store.exporting import FOREVER_S

    from_s, to_s = 0 if from_ is None else _when(from_), FOREVER_S if to is None else _when(to)
    if from_s >= to_s:
        raise InputError("--from is not before --to")
    return from_s, to_s


def _say(count: int, what: str, out: Path, *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps({what: count, "bytes": out.stat().st_size}))
    else:
        typer.echo(f"{count} {what} in {out}")


@contextmanager
def _counted(what: str) -> Iterator[Callable[[int, int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.completed} {task.description}"), BarColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as progress:
        bar = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(bar, completed=done, total=total or None)


def import_command(
    path: Annotated[
        Path, typer.Argument(help="lot.toml, or a file that `sillkeep export readings` wrote.")
    ],
    as_json: JsonFlag = False,
) -> None:
    """Enter a lot (sites, units, zones, placements), or take in readings that were exported.

    What a file is, is told by what it holds. Readings that are known already change nothing; another
    value for one of them is a dispute, as from a node. Enter the lot first, or after: readings of
    probes that watch nothing yet are kept, and judged once they are placed.
    """
    from monitor import exchange

    if not exchange.is_readings(path):
        settings = _settings()
        typer.echo(_enter_lot(settings.record_home, path, settings.record.server()))
        return
    with _record() as record, _counted("lines") as tell:
        done = exchange.import_readings(record, path, now_s=_now(), tell=tell)
    if as_json:
        counts = {
            name: getattr(done, name)
            for name in ("samples", "stored", "repeated", "disputed", "rejected", "unplaced")
        }
        typer.echo(json.dumps(counts))
        return
    for said in done.rejects[:SHOWN]:
        typer.echo(said, err=True)
    if done.rejected > SHOWN:
        typer.echo(f"... and {done.rejected - SHOWN} more; see: sillkeep rejects", err=True)
    if done.unplaced:
        more = len(done.unplaced) - SHOWN
        names = ", ".join(done.unplaced[:SHOWN]) + (f" and {more} more" if more > 0 else "")
        typer.echo(
            f"kept, and judged for nobody until they are placed (lot.toml or First steps): {names}",
            err=True,
        )
    typer.echo(
        f"{done.samples} samples read from {path}: {done.stored} new, {done.repeated} known already, "
        f"{done.disputed} disputed, {done.rejected} lines rejected"
    )
