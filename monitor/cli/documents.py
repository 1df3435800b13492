"""`sillkeep handover document`: what is given to a buyer, an insurer, a technician."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli import _now, _record
from monitor.cli.handover import handover_app
from monitor.errors import InputError

__all__ = ["handover_app"]


@handover_app.command("document")
def document_make(
    kind: Annotated[
        str, typer.Argument(help="proof, intake, sale, season, warranty, job or morning.")
    ],
    out: Annotated[Path, typer.Option(help="File to write, .pdf or .html; not there yet.")],
    unit: Annotated[str, typer.Argument(help="Unit code; none for morning.")] = "",
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    from_: Annotated[
        str,
        typer.Option("--from", help="First day, as 2030-01-31; else the document's usual time."),
    ] = "",
    to: Annotated[str, typer.Option(help="Last day; else up to now.")] = "",
    zone: Annotated[str, typer.Option(help="Zone of a proof or a job card.")] = "",
    repaired: Annotated[str, typer.Option(help="Time of the repair; else the newest.")] = "",
    fahrenheit: Annotated[bool, typer.Option("--fahrenheit", help="Temperatures in °F.")] = False,
    language: Annotated[str, typer.Option(help="Language, as the board offers them.")] = "en",
) -> None:
    """Make a document to hand over: PDF or HTML, for A4 or Letter."""
    from importlib.metadata import version

    from monitor import catalogue
    from monitor.reports import handed
    from monitor.reports.document import FORMS, PAPERS, rendered
    from monitor.reports.told import Asked
    from monitor.times import parse_time

    form = next((one for one in FORMS if out.suffix.lower() == f".{one}"), None)
    if form is None:
        raise InputError(f"{out} is to end in .pdf or .html")
    if out.exists():
        raise InputError(f"{out} is there already; choose another name")
    chosen = next((one for one in handed.KINDS if one == kind), None)
    if chosen is None:
        raise InputError(f'there is no document "{kind}"; use one of: {", ".join(handed.KINDS)}')
    size = next((one for one in PAPERS if one == paper.lower()), None)
    if size is None:
        raise InputError(f'there is no paper "{paper}"; use one of: {", ".join(PAPERS)}')
    with _record(read_only=True) as record, catalogue.read_in(catalogue.check(language)):
        timezone = handed.timezone(record, unit)
        wanted = handed.Wanted(
            kind=chosen,
            unit=unit,
            asked=Asked(_now(), f"Sillkeep {version('sillkeep')}", fahrenheit=fahrenheit),
            paper=size,
            from_s=handed.day_s(from_, timezone) if from_ else None,
            to_s=handed.day_s(to, timezone, after=1) if to else None,
            zone=zone,
            repaired_s=parse_time(repaired) if repaired else None,
        )
        document = handed.make(record, wanted)
        made = rendered(document, form, paper=size)
    with out.open("xb") as file:
        file.write(made)
    typer.echo(f"{out}: {document.title}, {len(made) / 1e3:.0f} kB")
    typer.echo(document.lead)
