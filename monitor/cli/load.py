"""`sillkeep load`: how many alarms asked somebody, against the target."""

from typing import Annotated

import typer

from monitor.cli import JsonFlag, _now, _print_json, _record
from monitor.errors import InputError

DAY_S = 86_400


def load_command(
    days: Annotated[int, typer.Option(min=1, max=366, help="Over how many days.")] = 7,
    site: Annotated[str, typer.Option(help="Site code; without it each site.")] = "",
    people: Annotated[int, typer.Option(min=0, help="Who share it; 0: one person.")] = 0,
    as_json: JsonFlag = False,
) -> None:
    """Say how heavy the alarms lie on people: rate, sources, standing, chattering, held back."""
    from monitor import load

    now_s = _now()
    from_s = now_s - days * DAY_S
    with _record(read_only=True) as record:
        codes = [known.code for known in record.sites()]
        if site and site not in codes:
            raise InputError(f'there is no site "{site}"; there are: {", ".join(codes)}')
        spans = record.alarm_spans(from_s=from_s)
        told = record.alarms_told(from_s=from_s)
        held = record.held_alarms()
    found = [
        load.load(spans, site=code, from_s=from_s, now_s=now_s, people=people, held=held, told=told)
        for code in ([site] if site else codes)
    ]
    if as_json:
        _print_json(found)
        return
    for one in found:
        for line in load.lines(one):
            typer.echo(line)
    if not found:
        typer.echo("no site is entered")
