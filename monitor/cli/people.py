"""`sillkeep person`: who is told of alarms; `sillkeep messages`: the process that tells them."""

import json
import logging
import re
import signal
import sys
import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _log_as, _now, _record, _settings
from monitor.cli.users import _doer, user_forget
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.store import Record
    from monitor.store.people import Person

person_app = typer.Typer(help="People who are told: add, list, change, remove, test.")

Name = Annotated[str, typer.Argument(help="Name of the person.")]
Role = Annotated[str | None, typer.Option(help="owner, lot lead, technician, sales or auditor.")]
Reach = Annotated[
    list[str] | None,
    typer.Option("--for", help="Site or unit they look after (repeat it); else everything."),
]
Address = Annotated[
    list[str] | None,
    typer.Option(
        "--address",
        help="Apprise URL (repeat it), or - to read them from standard input, one a line, so that "
        "no secret is left in the shell's history.",
    ),
]
Zone = Annotated[str | None, typer.Option(help="Time zone, such as Europe/Brussels.")]
Quiet = Annotated[str | None, typer.Option(help="Quiet hours, as 20:00-07:00; none for never.")]
Place = Annotated[
    int | None, typer.Option(min=1, help="Place in the order: 1 is told first, then 2 ...")
]
Fahrenheit = Annotated[bool | None, typer.Option("--fahrenheit/--celsius")]
TwelveHour = Annotated[bool | None, typer.Option("--12h/--24h")]
Language = Annotated[
    str | None, typer.Option(help="Of messages: a code such as en, of those that have a file.")
]


@person_app.command("add")
def person_add(
    name: Name,
    role: Role = "owner",
    reach: Reach = None,
    address: Address = None,
    timezone: Zone = None,
    quiet: Quiet = None,
    place: Place = None,
    fahrenheit: Fahrenheit = None,
    twelve_hour: TwelveHour = None,
    language: Language = None,
) -> None:
    """Enter a person who is told of alarms."""
    from monitor.store import people
    from monitor.store.people import Person

    pairs = _addresses(address or [])
    with _record() as record:
        zones = {site.timezone for site in record.sites()}
        here = timezone or (zones.pop() if len(zones) == 1 else "UTC")
        person = Person(name=_named(name), role="owner", timezone=here, added_s=_now())
        person = _wished(
            person, role=role, reach=reach, timezone=here, quiet=quiet, place=place,
            fahrenheit=fahrenheit, twelve_hour=twelve_hour, language=language,
        )  # fmt: skip
        _check_reach(record, person)
        people.add(record.engine, _settings().record_home, person, pairs, by=_doer())
    typer.echo(f"entered: {_line(replace(person, labels=tuple(label for _, label in pairs)))}")
    typer.echo(f"Try it with: sillkeep person test {json.dumps(person.name)}", err=True)


@person_app.command("change")
def person_change(
    name: Name,
    role: Role = None,
    reach: Reach = None,
    address: Address = None,
    timezone: Zone = None,
    quiet: Quiet = None,
    place: Place = None,
    fahrenheit: Fahrenheit = None,
    twelve_hour: TwelveHour = None,
    language: Language = None,
) -> None:
    """Change what is given; addresses given replace all those before."""
    from monitor.store import people

    pairs = None if address is None else _addresses(address)
    with _record() as record:
        person = _wished(
            _find(record, name), role=role, reach=reach, timezone=timezone, quiet=quiet,
            place=place, fahrenheit=fahrenheit, twelve_hour=twelve_hour, language=language,
        )  # fmt: skip
        _check_reach(record, person)
        people.change(record.engine, _settings().record_home, person, pairs, by=_doer())
        typer.echo(f"changed: {_line(_find(record, person.name))}")


@person_app.command("list")
def person_list(as_json: JsonFlag = False) -> None:
    """List people in the order in which they are told; addresses are never shown whole."""
    from monitor.store import people

    with _record(read_only=True) as record:
        found = people.listed(record.engine)
    if as_json:
        typer.echo(json.dumps([_plain(person) for person in found]))
        return
    for person in found:
        typer.echo(_line(person))
    if not found:
        typer.echo(
            "nobody is told yet; enter somebody with: sillkeep person add NAME --address URL"
        )


@person_app.command("remove")
def person_remove(name: Name) -> None:
    """Delete a person's addresses and what still waits for them; that it was done stays."""
    from monitor.store import people

    with _record() as record:
        home = _settings().record_home
        people.remove(record.engine, home, _find(record, name).name, by=_doer())
    typer.echo(f"removed: {name}; their addresses are deleted")


person_app.command("forget")(user_forget)


@person_app.command("test")
def person_test(name: Name) -> None:
    """Send one message to each address of a person, now."""
    from monitor.messages import tried
    from monitor.store import people

    with _record(read_only=True) as record:
        person = _find(record, name)
    urls, troubles = people.addresses(_settings().record_home), 0
    for label, error in tried(person, urls, now_s=_now()):
        troubles += bool(error)
        typer.echo(f"{label}: NOT sent: {error}" if error else f"{label}: sent")
    if not person.addresses:
        typer.echo(f"{person.name} has no address")
    sys.exit(1 if troubles or not person.addresses else 0)


def messages() -> None:
    """Tell people what the alarms ask for, round after round."""
    from monitor.config import BUSY, claim
    from monitor.messages import run

    settings = _settings()
    _log_as("messages", settings)
    lock = claim(settings.home, "messages")
    if lock is None:
        logging.getLogger("messages").error("another messages of %s is running", settings.home)
        sys.exit(BUSY)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # what is half done is tried again
    with lock:
        run(settings, clock=_now, pause=threading.Event())


def check_alive(*, as_json: bool) -> int:
    """Say for each part whether it makes progress; exit status 1 if one does not."""
    from monitor import text
    from monitor.messages import alive, late_parts

    settings, now_s = _settings(), _now()
    with _record(read_only=True) as record:
        pulses = {pulse.part: pulse.at_s for pulse in record.pulses() if not pulse.is_over}
    found = alive(pulses, archive=bool(settings.archive.url), now_s=now_s)
    if as_json:
        typer.echo(json.dumps([
            {"part": each.part, "ago_s": each.ago_s, "alive": not each.late} for each in found
        ]))  # fmt: skip
    else:
        for each in found:
            typer.echo(text.alive_text(each.part, ago_s=each.ago_s, late=each.late))
    return int(bool(late_parts(found)))


# --- what is typed --------------------------------------------------------------------------------


def _named(name: str) -> str:
    name = " ".join(name.split())
    if not name or len(name) > 80:
        raise InputError("a person has a name of at most 80 letters")
    return name


def _addresses(given: Sequence[str]) -> list[tuple[str, str]]:
    """(address, what may be shown of it); each is read once, so that a wrong one is said at once."""
    from monitor.messages import label

    urls = [line.strip() for line in sys.stdin] if list(given) == ["-"] else list(given)
    return [(url, label(url)) for url in urls if url]


def _wished(  # the given ones replace those before
    person: "Person",
    *,
    role: str | None,
    reach: list[str] | None,
    timezone: str | None,
    quiet: str | None,
    place: int | None,
    fahrenheit: bool | None,
    twelve_hour: bool | None,
    language: str | None,
) -> "Person":
    from monitor.catalogue import check
    from monitor.store.users import checked_role

    given = {
        "role": None if role is None else checked_role(role),
        "reach": None if reach is None else frozenset(filter(None, reach)),
        "timezone": None if timezone is None else _zone(timezone),
        "quiet": None if quiet is None else _minutes(quiet),
        "place": place,
        "fahrenheit": fahrenheit,
        "twelve_hour": twelve_hour,
        "language": None if language is None else check(language),
    }
    return replace(person, **{name: value for name, value in given.items() if value is not None})  # type: ignore[arg-type]


def _zone(name: str) -> str:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        return ZoneInfo(name).key
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            f'there is no time zone "{name}"; write one such as Europe/Brussels'
        ) from None


def _minutes(quiet: str) -> tuple[int, int]:
    if quiet == "none":
        return 0, 0
    found = re.fullmatch(r"(\d{1,2}):(\d\d)-(\d{1,2}):(\d\d)", quiet)
    if found:
        a, b, c, d = (int(part) for part in found.groups())
        if a < 24 and c < 24 and b < 60 and d < 60:
            return a * 60 + b, c * 60 + d
    raise InputError(f'quiet hours "{quiet}" are written as 20:00-07:00, or none')


def _check_reach(record: "Record", person: "Person") -> None:
    known = {site.code for site in record.sites()} | {unit.code for unit in record.units()}
    for code in sorted(person.reach - known):
        raise InputError(f'"{code}" is no site and no unit of this record')


def _find(record: "Record", name: str) -> "Person":
    from monitor.store import people

    name = _named(name)
    for person in people.listed(record.engine):
        if person.name == name:
            return person
    raise InputError(f"nobody here is called {name}; see: sillkeep person list")


def _line(person: "Person") -> str:
    start, end = person.quiet
    hours = f"{start // 60:02}:{start % 60:02}-{end // 60:02}:{end % 60:02}"
    quiet = "no quiet hours" if start == end else f"quiet {hours}"
    reach = ", ".join(sorted(person.reach)) or "everything"
    reached = ", ".join(person.labels) or "NO ADDRESS"
    return (
        f"{person.place}. {person.name}, {person.role} of {reach}; {reached}; {quiet} "
        f"{person.timezone}"
    )


def _plain(person: "Person") -> dict[str, object]:
    return {
        "name": person.name,
        "role": person.role,
        "for": sorted(person.reach),
        "addresses": list(person.labels),
        "timezone": person.timezone,
        "quiet": list(person.quiet),
        "place": person.place,
        "fahrenheit": person.fahrenheit,
        "twelve_hour": person.twelve_hour,
        "language": person.language,
    }
