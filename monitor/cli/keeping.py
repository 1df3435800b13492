"""`sillkeep backup`, `drill` and `notice`: copies that are known to come back."""

import json
import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import _in_a_file, _now, _progress, _record, _settings
from monitor.errors import InputError, MonitorError

if TYPE_CHECKING:
    from monitor.store import keeping


def back_up(
    to: Annotated[
        Path,
        typer.Argument(help="A folder of this record alone, or a file that does not exist yet."),
    ],
    force: Annotated[bool, typer.Option("--force", help="Also if it is damaged.")] = False,
    keep: Annotated[
        str,
        typer.Option(help="Afterwards keep the newest copy of so many days, weeks, months: 7,5,12"),
    ] = "",
) -> None:
    """Copy the record while it is in use, and compare the copy with it."""
    from monitor.store import backup, keeping

    _in_a_file(_settings())
    kept = _keep(keep) if keep else None
    if kept is not None and not to.is_dir():
        raise InputError(f"--keep needs a folder of copies, and {to} is none")
    with _progress() as tell:
        home = _settings().record_home
        file = backup.back_up(home, to, now_s=_now(), force=force, tell=tell)
    _note_backup(file)
    typer.echo(f"backed up and compared: {file}")
    for gone in keeping.thin(to, kept, now_s=_now()) if kept else ():
        typer.echo(f"no longer kept: {gone.name}")


def _note_backup(file: Path) -> None:
    """Leave in the record that there is a backup; one that takes nothing any more has it all the same."""
    from monitor.store.health import BACKUP

    try:
        with _record() as record:
            detail = {"bytes": file.stat().st_size}
            record.beat(BACKUP, _now(), json.dumps(detail))
    except MonitorError as error:
        typer.echo(f"that it was made could not be noted in the record: {error}", err=True)


def drill(
    folder: Annotated[Path, typer.Argument(help="The folder of backups.")],
    within: Annotated[
        float, typer.Option(min=0.1, help="Days that the newest backup may be old.")
    ] = 2.0,
    scratch: Annotated[
        Path | None, typer.Option(help="Where there is room for one more copy for a while.")
    ] = None,
) -> None:
    """Restore the newest backup elsewhere, and compare it with the record; status 1 if that fails."""
    from monitor.store import keeping

    settings = _settings()
    _in_a_file(settings)
    if scratch is not None and not scratch.is_dir():
        raise InputError(f"there is no folder {scratch}")
    room = tempfile.TemporaryDirectory(prefix="sillkeep-drill-", dir=scratch)
    with room as there, _progress() as tell:
        found = keeping.drill(
            settings.record_home,
            folder,
            Path(there),
            now_s=_now(),
            within_s=int(within * keeping.DAY_S),
            tell=tell,
        )
    keeping.note(settings.home, found)
    typer.echo(drill_said(found), err=bool(found.trouble))
    sys.exit(1 if found.trouble else 0)


def drill_said(found: "keeping.Drilled | None") -> str:
    """The last drill in a sentence."""
    from monitor.text import keeping as text

    return text.NO_DRILL if found is None else text.drill_text(found.facts)


def notice(
    service: Annotated[str, typer.Argument(help="Name of the service that failed.")],
) -> None:
    """Tell people that a service of this machine failed, once a day for each."""
    from monitor.store import OutboxItem
    from monitor.store.keeping import DAY_S
    from monitor.text.keeping import failed_text

    if not re.fullmatch(r"[A-Za-z0-9@._-]{1,80}", service):
        raise InputError(f"{service!r} is no name of a service")
    now_s = _now()
    said = failed_text(service=service, at_s=now_s)
    with _record() as record:
        record.tell(OutboxItem(f"service {service}/{now_s // DAY_S}", "people", said), now_s=now_s)
    typer.echo(said)


def _keep(text: str) -> "keeping.Keep":
    from monitor.store.keeping import Keep

    counts = text.split(",")
    if len(counts) != 3 or not all(re.fullmatch(r"\d{1,4}", count) for count in counts):
        raise InputError(f'--keep "{text}": write days, weeks and months, such as 7,5,12')
    return Keep(*map(int, counts))
