"""`sillkeep recompute`: what would differ, before another model is taken."""

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _alone_in, _settings
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.recompute import Report


def recompute(
    folder: Annotated[Path, typer.Argument(help="Where the results are kept, beside the record.")],
    site: Annotated[
        list[str] | None, typer.Option(help="Site code, more than once for more; all without it.")
    ] = None,
    from_: Annotated[
        str,
        typer.Option(
            "--from", help="First month that is compared (2026-01); earlier are judged too."
        ),
    ] = "",
    to: Annotated[str, typer.Option(help="Last month.")] = "",
    weights: Annotated[
        Path | None, typer.Option(help="Other leak weights, in the form of weights.json.")
    ] = None,
    workers: Annotated[
        int, typer.Option(min=0, help="Processes here; 0: as many as there are cores.")
    ] = 0,
    scheduler: Annotated[
        str, typer.Option(help="Dask scheduler (tcp://HOST:PORT) whose workers do it instead.")
    ] = "",
    report_only: Annotated[
        bool, typer.Option("--report-only", help="Print the report of the last run again.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Judge the record again by this version, and say what would differ. The record is only read.

    For before an upgrade takes effect, or before other leak weights are taken: install the new version
    elsewhere and name the home folder in SILLKEEP_HOME; the monitor goes on meanwhile. Where the new
    version asks for tables that the record lacks, use a restored backup.

    Results lie in FOLDER by model, site and month, as Parquet. A run that was ended goes on where it
    stopped; months whose readings, events and limits are the same as before are not judged again. The
    months of a site go one after another; sites, and parts of a large site, side by side. Workers of a scheduler read the record under
    the same path as here, on this machine or from a copy (a record in use cannot be read over a network
    folder); what they find comes back and is written here.
    """
    from monitor import recompute as work
    from monitor.evidence.weights import shipped_bytes

    try:
        data = shipped_bytes() if weights is None else weights.read_bytes()
    except OSError as error:
        raise InputError(f"{weights}: cannot be read: {error.strerror or error}") from error
    if report_only:
        _print(work.read_report(folder, data), as_json=as_json)
        return
    settings = _settings()
    if settings.record.address:
        raise InputError("the record is on a PostgreSQL server, and recompute reads files alone")
    asked = work.Asked(tuple(site or ()), from_, to, data)
    lock = _alone_in(folder, "recompute", "another run")
    hands = work.cluster(scheduler) if scheduler else work.processes(workers or os.cpu_count() or 1)
    with lock, hands as executor, _progress() as tell:
        report = work.run(settings.record_home, folder, asked, executor, tell=tell)
    _print(report, as_json=as_json)


def _print(report: "Report", *, as_json: bool) -> None:
    from rich.console import Console

    from monitor.recompute import report as said

    if as_json:
        import msgspec

        typer.echo(json.dumps(msgspec.to_builtins(report)))
        return
    typer.echo(said.heading(report))
    console = Console()
    console = console if console.is_terminal else Console(width=160)  # a log cuts nothing
    console.print(said.table(report))
    for line in said.lines(report):
        typer.echo(line)


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """A bar on a terminal, a line a month elsewhere."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda said, done, total: typer.echo(f"{done}/{total} {said}", err=True)
        return
    with Progress(console=console, transient=True) as progress:
        bar = progress.add_task("", total=None)
        yield lambda said, done, total: progress.update(
            bar, description=said, completed=done, total=total
        )
