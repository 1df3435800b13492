"""`sillkeep node add`, `claim`, `renew`, `revoke`, and `sillkeep broker files`: who may send."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

import typer

from monitor.cli import _moment, _now, _record, _settings
from monitor.cli.users import _doer
from monitor.errors import ConfigError, InputError, StoreError

if TYPE_CHECKING:
    from monitor.config import Settings
    from monitor.lot import Placement
    from monitor.reports.label import Label
    from monitor.store import Record

broker_app = typer.Typer(help="The broker: who may do what there.")

Name = Annotated[str, typer.Argument(help="Node code, which is its user name at the broker.")]
SiteOf = Annotated[str, typer.Option(help="Site code; needed where two sites have such a node.")]
Picture = Annotated[
    Path | None, typer.Option("--qr", help="Write the QR code into this .svg or .png file.")
]

LabelFile = Annotated[
    Path | None,
    typer.Option("--label", help="Write a label to print, with the claim: .pdf, .svg or .png."),
]


def node_add(
    name: Name,
    site: Annotated[str, typer.Option(help="Site code.")],
    unit: Annotated[str, typer.Option(help="Unit whose zone it watches.")] = "",
    zone: Annotated[str, typer.Option(help="Zone that its probe watches from now on.")] = "",
    probe: Annotated[str, typer.Option(help="Which of its probes.")] = "p1",
    picture: Picture = None,
    label: LabelFile = None,
) -> None:
    """Make a claim by which a node gets its user and password at the broker, once, within a day."""
    from monitor.lot import Placement

    settings = _ready(name, picture, label)
    if unit and not zone:
        raise InputError("name the zone of the unit too, with --zone")
    now_s = _now()
    placed = Placement(name, probe, site, unit, zone, now_s) if zone else None
    with _record() as record:
        if label is not None:
            _try_label(label, record, settings, (site, name), placed, made_s=now_s)
        token = record.offer_node(site, name, by=_doer(), placement=placed)
        _bring_up(record, settings)
    typer.echo(f"node {site}/{name} is entered{f', watches {unit or site}/{zone}' if zone else ''}")
    _show(settings, token, picture, until_s=now_s)
    if label is not None:
        _write_label(label, settings, (site, name), token, made_s=now_s)


def node_renew(
    name: Name,
    site: SiteOf = "",
    now: Annotated[
        bool, typer.Option("--now", help="End its credential at once, not when the claim is used.")
    ] = False,
    picture: Picture = None,
    label: LabelFile = None,
) -> None:
    """Make another claim; the credential before ends when the claim is exchanged."""
    settings, now_s = _ready(name, picture, label), _now()
    with _record() as record:
        site = _site(record, name, site)
        if label is not None:
            _try_label(label, record, settings, (site, name), None, made_s=now_s)
        token = record.offer_node(site, name, renew=True, now=now, by=_doer())
        _bring_up(record, settings)
    until = "is ended" if now else "holds until the claim is exchanged"
    typer.echo(f"node {site}/{name}: its credential so far {until}")
    _show(settings, token, picture, until_s=now_s)
    if label is not None:
        _write_label(label, settings, (site, name), token, made_s=now_s)


def node_revoke(
    name: Name,
    why: Annotated[str, typer.Option(help="Lost, stolen, sold ...")],
    site: SiteOf = "",
) -> None:
    """End a node's credential and claims: what it sends is refused."""
    with _record() as record:
        site = _site(record, name, site)
        record.revoke_node(site, name, why=why, by=_doer())
        _bring_up(record, _settings())
    typer.echo(f"revoked: {site}/{name}; {_TAKES_IN}")


def node_claim(
    url: Annotated[str, typer.Argument(help="The claim, as `sillkeep node add` printed it.")],
    to: Annotated[Path, typer.Option(help="node.toml to write; its secrets lie beside it.")],
) -> None:
    """Exchange a claim on the node's own computer: writes node.toml, its secret, the certificate."""
    from sensors import claiming

    try:
        written = claiming.claim(url, to)
    except ValueError as error:
        raise InputError(str(error)) from error
    except OSError as error:
        raise InputError(
            f"the claim is used up, but not all was written: {error}; renew"
        ) from error
    for path in written:
        typer.echo(f"written: {path}")
    typer.echo(f"Name its probes there, then: sillkeep node run {to}")


@broker_app.command("files")
def broker_files(
    folder: Annotated[
        Path | None, typer.Argument(help="Where; without it, broker.access_files.")
    ] = None,
) -> None:
    """Write mosquitto's password file and access list from the record."""
    from monitor import accesslist

    settings = _settings()
    place = folder or settings.broker.access_files
    if place is None:
        raise InputError("name a folder, or set broker.access_files in sillkeep.toml")
    try:
        with _record() as record:
            is_new = accesslist.keep(record, settings, place)
    except OSError as error:
        raise InputError(f"the access list cannot be written: {error}") from error
    said = f"written; {_TAKES_IN}" if is_new else "up to date"
    typer.echo(f"{place / accesslist.PASSWD} and {place / accesslist.ACL}: {said}")


def follow_credentials(aside: Path | None) -> None:
    """After a restore: what was ended or used since the backup stays so; say what cannot be known."""
    from monitor.store import users

    with _record() as record:
        if users.anybody(record.engine):
            users.end_everybodys(record.engine, why="a backup was restored", by=_doer())
            typer.echo(
                "everybody signs in anew; users, passwords and links are as in the backup: end what "
                "was ended since (sillkeep user list, Links)"
            )
        try:
            lost = record.follow_credentials(aside, by=_doer())
        except StoreError as error:
            typer.echo(f"sillkeep: {error}", err=True)
            aside, lost = None, record.follow_credentials(None, by=_doer())
        held = [f"{site}/{node}" for site, node, _ in record.node_hashes()]
        _bring_up(record, _settings())
    if lost:
        typer.echo(f"not in the backup, and refused at the broker: {', '.join(lost)}; enter them")
    if held and aside is None:
        typer.echo(
            f"as in the backup, these may send: {', '.join(held)}; revoke whose credential was "
            "ended since: sillkeep node revoke",
            err=True,
        )


_TAKES_IN = "mosquitto takes it in when it reloads (systemctl reload mosquitto, or SIGHUP)"


def _ready(name: str, picture: Path | None, label: Path | None) -> "Settings":
    """Settings by which a node can be taken in; nothing is done before they are right."""
    from monitor import accesslist

    settings = _settings()
    if settings.broker.access_files is None:
        raise InputError(
            "nodes have credentials where the broker is mosquitto and takes in our list: set "
            "broker.host, username, password_file and access_files (deploy/README.md)"
        )
    accesslist.check_name(name, settings.broker)
    if picture is not None and picture.suffix not in {".svg", ".png"}:
        raise InputError(f"{picture}: the picture is an .svg or a .png file")
    if label is not None and label.suffix not in {".pdf", ".svg", ".png"}:
        raise InputError(f"{label}: the label is a .pdf, an .svg or a .png file")
    return settings


def _bring_up(record: "Record", settings: "Settings") -> None:
    from monitor import accesslist

    try:
        accesslist.keep(record, settings)
    except (OSError, ConfigError) as error:  # what was asked for is done; the watch tries again
        typer.echo(f"sillkeep: the broker's files: {error}", err=True)


def _site(record: "Record", name: str, site: str) -> str:
    """Site of a node that has a credential or a claim."""
    found = sorted(where for where, node in record.node_access(now_s=_now()) if node == name)
    if not site and len(found) > 1:
        raise InputError(f"{name} was at {' and '.join(found)}: say which with --site")
    if not (site or found):
        raise InputError(f'no node "{name}" has a credential from here; see: sillkeep node list')
    return site or found[0]


def _show(settings: "Settings", token: str, picture: Path | None, *, until_s: int) -> None:
    """The claim as text and as a QR code; it is not kept."""
    import segno

    from monitor.config import is_loopback
    from monitor.store.nodekeys import CLAIM_S

    url = _url(settings, token)
    typer.echo(
        f"Claim, good once, until {_moment(until_s + CLAIM_S)} UTC; it cannot be shown again:"
    )
    typer.echo(url)
    code = segno.make(url, micro=False)
    if picture is not None:
        with _for_few_eyes(picture):
            code.save(str(picture), scale=8, border=4)
        typer.echo(f"QR code: {picture}")
    elif sys.stdout.isatty():
        code.terminal(compact=True)
    if is_loopback(settings.broker.address):
        typer.echo(
            f"broker.host is {settings.broker.address}: only a node on this machine reaches it",
            err=True,
        )


def _url(settings: "Settings", token: str) -> str:
    """Address of a claim."""
    base = settings.messages.board_url or settings.pages.url
    return f"{base.rstrip('/')}/claim/{token}"


@contextmanager
def _for_few_eyes(file: Path) -> Iterator[None]:
    """Write a file that holds a claim: closed to others from its first byte."""
    try:
        file.touch(mode=0o600)
        file.chmod(0o600)  # one that was there is written over
        yield
    except OSError as error:
        raise InputError(f"{file} cannot be written: {error}; use the text") from error


def _try_label(
    file: Path,
    record: "Record",
    settings: "Settings",
    of: tuple[str, str],
    placed: "Placement | None",
    *,
    made_s: int,
) -> None:
    """Draw a label with a claim that nobody has made: what cannot be drawn is refused before a claim is made."""
    import secrets

    from monitor.store.nodekeys import SECRET_BYTES

    token = secrets.token_urlsafe(SECRET_BYTES)  # as long as a claim, and none
    more = (placed,) if placed is not None else ()
    _drawn(file, _said(record, settings, of, token, more, made_s=made_s))


def _write_label(
    file: Path, settings: "Settings", of: tuple[str, str], token: str, *, made_s: int
) -> None:
    """Write the label of a node, (site, code), with its claim."""
    from monitor.config import is_loopback

    with _record(read_only=True) as record:
        said = _said(record, settings, of, token, made_s=made_s)
    drawn = _drawn(file, said)
    with _for_few_eyes(file):
        file.write_bytes(drawn)
    typer.echo(f"label: {file}")
    if is_loopback(urlsplit(said.url).hostname or ""):
        typer.echo(
            "messages.board_url is not set: only this machine reaches the address on the label",
            err=True,
        )


def _drawn(file: Path, said: "Label") -> bytes:
    from monitor.reports import label

    return label.drawn(said, next(form for form in label.FORMS if file.suffix == f".{form}"))


def _said(
    record: "Record",
    settings: "Settings",
    of: tuple[str, str],
    token: str,
    more: tuple["Placement", ...] = (),
    *,
    made_s: int,
) -> "Label":
    """What a label says; `more` are placements that are about to be made."""
    from monitor.reports.label import Label
    from monitor.reports.told import when
    from monitor.store.nodekeys import CLAIM_S

    timezone = next((site.timezone for site in record.sites() if site.code == of[0]), "UTC")
    places = tuple(
        (placed.unit, placed.zone, placed.probe)
        for placed in (*more, *record.placements())
        if (placed.site, placed.node) == of and placed.to_s is None and placed.zone
    )
    until = f"{when(made_s + CLAIM_S, timezone)} ({timezone})"
    return Label(*of, places, _url(settings, token), until, made_s)
