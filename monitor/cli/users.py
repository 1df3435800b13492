"""`sillkeep user`: who may see the board. A password is typed or read, never an option."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import _moment, _now, _record, _settings
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.store.users import Doer

user_app = typer.Typer(help="Users of the board: add, list, remove, password, link, unlink.")

WHO = "command line"  # whoever can open the record; the log knows no more of them


@user_app.command("add")
def user_add(
    name: Annotated[str, typer.Argument(help="Name to sign in with.")],
    role: Annotated[str, typer.Option(help="owner, lot lead, technician, sales or auditor.")],
    site: Annotated[
        list[str] | None, typer.Option(help="Sees this site with its units (may be repeated).")
    ] = None,
    unit: Annotated[
        list[str] | None, typer.Option(help="Sees this unit (may be repeated).")
    ] = None,
    by_link: Annotated[
        bool, typer.Option("--by-link", help="No password yet: print a link that signs in once.")
    ] = False,
) -> None:
    """Add a user, who sees everything unless sites or units are named."""
    from monitor.store import users

    sites, units = frozenset(site or ()), frozenset(unit or ())
    reach = users.Reach(whole=not (sites or units), sites=sites, units=units)
    users.checked_role(role)  # before anybody types a password for nothing
    password = None if by_link else _password()
    with _record() as record:
        users.add(record.engine, name, role=role, reach=reach, password=password, by=_doer())
    typer.echo(f"user added: {name.strip()}, {role}")
    if by_link:
        user_link(name)


@user_app.command("list")
def user_list() -> None:
    """List users, and links that are good now."""
    from monitor.store import users

    with _record(read_only=True) as record:
        found = users.listed(record.engine)
        links = users.links(record.engine, now_s=_now())
    for user in found:
        seen = sorted(user.reach.sites | user.reach.units)
        sees = "everything" if user.reach.whole else ", ".join(seen) or "nothing"
        password = "" if user.has_password else "; no password yet"
        last = f"; last seen {_moment(user.seen_s)} UTC" if user.seen_s else ""
        typer.echo(f"{user.name}: {user.role}, sees {sees}{password}{last}")
    for link in links:
        what = f"signs in {link.user}" if link.user else f"shows {link.unit}"
        typer.echo(f"link {link.number} {what} until {_moment(link.ends_s)} UTC, by {link.made_by}")
    if not found:
        typer.echo("no user yet; add one with: sillkeep user add NAME --role owner")


@user_app.command("remove")
def user_remove(name: Annotated[str, typer.Argument(help="Name of the user.")]) -> None:
    """Remove a user; their sessions and links end at once."""
    from monitor.store import users

    with _record() as record:
        users.remove(record.engine, name, by=_doer())
    typer.echo(f"user removed: {name}")


@user_app.command("password")
def user_password(name: Annotated[str, typer.Argument(help="Name of the user.")]) -> None:
    """Give a user another password; their sessions end."""
    from monitor.store import users

    password = _password()
    with _record() as record:
        users.set_password(record.engine, name, password, by=_doer())
    typer.echo(f"password of {name} is set; their sessions are ended")


@user_app.command("link")
def user_link(
    name: Annotated[str, typer.Argument(help="User to sign in once.")] = "",
    unit: Annotated[str, typer.Option(help="Or: unit to show to whoever has the link.")] = "",
    days: Annotated[int, typer.Option(min=1, help="How long the unit is shown.")] = 14,
) -> None:
    """Print a link that signs a user in once, or that shows one unit for some days."""
    from monitor.store import users

    if bool(name) == bool(unit):
        raise InputError("give the name of a user to sign in, or --unit to show to somebody")
    with _record() as record:
        if name:
            secret = users.make_sign_in(record.engine, name, by=_doer())
            said = f"signs {name} in once, within {users.SIGN_IN_S // 3600} hours"
        else:
            secret = users.make_unit_link(record.engine, unit, days=days, by=_doer())
            said = f"shows {unit} for {days} days"
    pages = _settings().pages
    typer.echo(f"{pages.url}link/{secret}")
    typer.echo(f"It {said}; it is not kept and cannot be shown again.", err=True)
    if pages.proxy:
        typer.echo(f"From elsewhere, put the address of {pages.proxy} in front of it.", err=True)


@user_app.command("unlink")
def user_unlink(number: Annotated[int, typer.Argument(help="Number from `user list`.")]) -> None:
    """End a link, and the sessions that it began."""
    from monitor.store import users

    with _record() as record:
        users.revoke(record.engine, number, by=_doer())
    typer.echo(f"link {number} is ended")


def _doer() -> "Doer":
    from monitor.store.users import Doer

    return Doer(WHO, _now())


def _password() -> str:
    """Typed twice where somebody sits before it, else the first line of what comes in."""
    if sys.stdin.isatty():
        return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise InputError("no password came in; type it, or write it to standard input")
    return line


@user_app.command("forget")
def user_forget(
    name: Annotated[str, typer.Argument(help="Name, as it is entered.")],
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it; without it, only say what it does.")
    ] = False,
) -> None:
    """Delete a person's data: account, addresses, messages, and their name wherever it stands."""
    from monitor.store import forgetting
    from monitor.text import removal

    if not yes:
        typer.echo(
            f"This takes {name} out of the record for good: account, sessions, links, addresses, messages to "
            "them, and the name wherever it stands; what they did stays. The file is written anew, which needs "
            "as much room again and keeps writers waiting meanwhile. It cannot be undone: add --yes"
        )
        raise typer.Exit(1)
    with _record() as record:
        done = forgetting.forget(record.engine, _settings().record_home, name, by=_doer())
    typer.echo(
        f"forgotten; what they did is now by: {done.called} ({done.texts} places, {done.lines} lines of the "
        "log chained anew)"
    )
    typer.echo(removal.NOT_FOUND_TYPED)
    typer.echo(removal.BACKUPS_HOLD)
    if not done.clean:
        typer.echo(removal.NOT_CLEAN)
    if done.left:
        typer.echo(f"The name's letters still stand in: {', '.join(done.left)}")


@user_app.command("clean")
def user_clean() -> None:
    """Write the record's file anew, so that nothing that was deleted is left in its bytes."""
    from monitor.store import forgetting
    from monitor.text import removal

    with _record() as record:
        clean = forgetting.write_anew(record.engine)
    typer.echo("the record is written anew" if clean else removal.NOT_CLEAN)
    raise typer.Exit(0 if clean else 1)
