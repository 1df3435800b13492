"""Signing in, users, links and the log: plain forms that work without a script.

Fields carry the names by which password managers know them; nothing asks a person to solve, copy or
remember anything but a password that may be pasted (WCAG 2.2, 3.3.8).
"""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component
from markupsafe import escape

from dashboards import paint, views, words
from dashboards.pages import forms
from dashboards.words import Wish
from monitor import catalogue
from monitor.catalogue import say
from monitor.lot import ROLES
from monitor.store import passwords
from monitor.store.users import Entry, Link, Reach, User, Visitor
from monitor.text import removal

LINK_DAYS = 14  # as proposed in the form
_PASSWORD_HINT = (
    f"At least {passwords.LEAST} characters of any kind; several words make a good one. "
    "Paste from a password manager if you have one."
)

# --- pages outside the frame ----------------------------------------------------------------------


def document(title: str, *blocks: object) -> str:
    """A whole page of its own, without a script."""
    return (
        f'<!DOCTYPE html>\n<html lang="{catalogue.language()}">\n<head>\n<meta charset="UTF-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(say(title))} – Sillkeep</title>\n"
        '<link rel="icon" href="data:,">\n'
        '<link rel="stylesheet" href="/assets/board.css">\n'
        '<link rel="stylesheet" href="/assets/dark.css" media="screen and (prefers-color-scheme: dark)">\n'
        '</head>\n<body class="door">\n'
        '<header><span class="name">Sillkeep</span></header>\n'
        f'<main id="main">{paint.to_html(list(blocks))}</main>\n</body>\n</html>\n'
    )


def login(*, token: str, back: str, name: str = "", trouble: str = "") -> str:
    """The page to sign in at; `trouble` says in words what was wrong."""
    return document(
        "Sign in",
        html.H1("Sign in"),
        _trouble(trouble),
        html.Form(
            [
                forms.hidden("token", token),
                forms.hidden("next", back),
                forms.field("Name", "name", auto="username", value=name),
                forms.field("Password", "password", kind="password", auto="current-password"),
                html.Button("Sign in", type="submit"),
            ],
            action="/login",
            method="post",
            className="stack",
        ),
        html.P(
            "No password, or forgotten? Whoever runs this board makes you a link that signs you in.",
            className="aside",
        ),
    )


def first_user() -> str:
    """The only page of a board that has no user yet."""
    return document(
        "No user yet",
        html.H1("No user yet"),
        html.P("This board shows nothing before somebody may see it.", className="lead"),
        html.P("On the machine that it runs on, type:"),
        html.Pre("sillkeep user add YOUR-NAME --role owner"),
        html.P(
            "It asks for a password; there is none from the factory. "
            "Then load this page again and sign in."
        ),
    )


def follow(link: Link, *, token: str, path: str, until: str, visitor: Visitor | None) -> str:
    """What a link leads to: a button, for a link that acts by itself is used up by a preview."""
    if link.user:
        title, button = (
            say("Sign in as {user}", user=link.user),
            say("Sign in as {user}", user=link.user),
        )
        said = say("This link signs in once, until {until} UTC.", until=until)
    else:
        title, button = (
            say("The record of {unit}", unit=link.unit),
            say("See {unit}", unit=link.unit),
        )
        said = say(
            "{made_by} shows you what is measured in {unit}, until {until} UTC.",
            made_by=link.made_by,
            unit=link.unit,
            until=until,
        )
    return document(
        title,
        html.H1(title),
        html.P(said),
        html.P(say("You are signed in as {called}; that ends.", called=visitor.called))
        if visitor
        else None,
        html.Form(
            [forms.hidden("token", token), html.Button(button, type="submit")],
            action=path,
            method="post",
            className="stack",
        ),
    )


def dead_link() -> str:
    """What a link says that is used up, over or ended."""
    return document(
        "This link is over",
        html.H1("This link is over"),
        html.P("It was used already, its time is up, or it was ended. Ask for another one."),
        html.P(html.A("Sign in with a password", href="/login")),
    )


def made(link: str, *, about: str, back: str) -> str:
    """A new link, shown this once: the record keeps only its digest."""
    return document(
        "A new link",
        html.H1("A new link"),
        html.P(about),
        html.Pre(link, className="secret"),
        html.P(
            "Copy it now: it is not kept and cannot be shown again. Whoever has it can use it, "
            "so hand it to nobody else."
        ),
        html.P(html.A("Back", href=back)),
    )


# --- pages in the frame ---------------------------------------------------------------------------


def account(visitor: Visitor, *, fresh: bool, token: str) -> list[Any]:
    """Page of the visitor's own account."""
    languages = catalogue.offered()
    old = (
        None
        if fresh
        else forms.field("Password now", "old", kind="password", auto="current-password")
    )
    return [
        html.H1("Account"),
        views.facts([("role", say(visitor.role)), ("sees", sees(visitor.reach))]),
        html.H2("Another password"),
        html.P(_PASSWORD_HINT, id=forms.HINT),
        html.Form(
            [
                forms.hidden("token", token),
                html.Div(  # which of a password manager's entries it is of
                    [
                        html.Label("Name", htmlFor="username"),
                        dcc.Input(
                            id="username",
                            type="text",
                            name="username",
                            value=visitor.name,
                            autoComplete="username",
                            readOnly=True,
                        ),
                    ]
                ),
                old,
                forms.field("New password", "new", kind="password", auto="new-password"),
                html.Button("Set password", type="submit"),
            ],
            action="/account/password",
            method="post",
            className="stack",
        ),
        html.P("All your other sessions end with it.", className="aside"),
        html.H2("How you read"),
        html.Form(
            [
                forms.hidden("token", token),
                forms.choice("Temperature", "fahrenheit", [("", "°C"), ("1", "°F")],
                             chosen="1" if visitor.fahrenheit else ""),
                forms.choice("Clock", "twelve", [("", "24 h"), ("1", "12 h")],
                             chosen="1" if visitor.twelve_hour else ""),
                forms.choice("Colours", "colours", [(value, say(said)) for value, said in words.COLOURS], chosen=visitor.colours),
                forms.choice("Language", "language", list(languages.items()),
                             chosen=visitor.language) if len(languages) > 1 else None,
                html.Button("Keep", type="submit"),
            ],
            action="/account/wishes",
            method="post",
            className="stack",
        ),
    ]  # fmt: skip


def links(
    found: Sequence[Link], units: Sequence[str], *, asked: Wish, token: str
) -> list[Any]:  # fmt: skip
    """Page of links that show one unit."""
    entries = [
        html.Li(
            [
                html.B(link.unit),
                html.P(
                    say("Good until {at} UTC; made by {made_by}; ",
at=words.when(link.ends_s, 'UTC'),
made_by=link.made_by)
                    + (say("used {age}.",
age=words.age(asked.now_s - link.used_s)) if link.used_s else say("not used yet.")),
                    className="aside",
                ),
                forms.button("/links/end", "End", token, label=say("End link {number}, {unit}",
number=link.number,
unit=link.unit),
                     number=str(link.number)),
            ]
        )
        for link in found
    ]  # fmt: skip
    return [
        html.H1("Links"),
        html.P(
            "A link shows one unit and its proofs to whoever has it, without a name, until its time "
            "is up or you end it. It says when somebody was in an occupied unit: hand it on with care.",
            className="lead",
        ),
        html.H2("Make a link"),
        html.Form(
            [
                forms.hidden("token", token),
                forms.choice("Unit", "unit", [(unit, unit) for unit in units]),
                forms.field("Days", "days", kind="number", value=str(LINK_DAYS)),
                html.Button("Make link", type="submit"),
            ],
            action="/links/add",
            method="post",
            className="stack",
        )
        if units
        else html.P("There is no unit to show."),
        html.H2("Links that are good now"),
        html.Ul(entries, className="people") if entries else html.P("None."),
    ]


def people(found: Sequence[User], visitor: Visitor, *, asked: Wish, token: str) -> list[Any]:
    """Page of users."""
    return [
        html.H1("Users"),
        html.P(f"{words.count(len(found), 'user')}.", className="lead"),
        html.Ul([_user(user, visitor, asked, token) for user in found], className="people"),
        html.H2("Add a user"),
        html.P(
            "You get a link that signs them in once; they choose their password on the Account page."
        ),
        html.Form(
            [
                forms.hidden("token", token),
                forms.field("Name", "name", auto="off"),
                forms.choice(
                    "Role", "role", [(role, say(role)) for role in ROLES], chosen="technician"
                ),
                forms.field(
                    "Sees: codes of sites and units, with commas; empty: everything",
                    "reach",
                    auto="off",
                    optional=True,
                ),
                html.Button("Add user", type="submit"),
            ],
            action="/users/add",
            method="post",
            className="stack",
        ),
        html.H2("Forget a person"),
        html.P(
            "Takes a person out of the record for good: account, sessions, links, addresses, messages to them, "
            "and their name wherever it stands. What they did stays, by nobody's name. It cannot be undone."
        ),
        html.P(removal.NOT_FOUND_TYPED),
        html.P(removal.BACKUPS_HOLD),
        html.Form(
            [
                forms.hidden("token", token),
                forms.field("Name, as it is entered", "name", of="-forget", auto="off"),
                forms.choice("Sure?", "sure", [("", say("no")), ("1", say("yes"))], of="-forget"),
                html.Button("Forget", type="submit"),
            ],
            action="/users/forget",
            method="post",
            className="stack",
        ),
    ]


def _user(user: User, visitor: Visitor, asked: Wish, token: str) -> Component:
    seen = words.age(asked.now_s - user.seen_s) if user.seen_s is not None else say("not signed in")
    said = [
        say("{role}, sees {sees}", role=say(user.role), sees=sees(user.reach)),
        say("has a password") if user.has_password else say("no password yet"),
        f"{words.count(user.sessions, 'open session')}, {seen}"
        if user.sessions
        else say("no open session"),
    ]
    acts = [
        forms.button("/users/link", "Sign-in link", token, label=say("Sign-in link for {name}",
name=user.name), name=user.name),
        forms.button("/users/sessions", "End sessions", token, label=say("End sessions of {name}",
name=user.name), name=user.name),
    ]  # fmt: skip
    if user.name != visitor.name:
        acts.append(
            forms.button(
                "/users/remove",
                "Remove",
                token,
                label=say("Remove {name}", name=user.name),
                name=user.name,
            )
        )
    return html.Li(
        [
            html.B(user.name),
            html.Span(" (you)") if user.name == visitor.name else None,
            html.P(". ".join(part[:1].upper() + part[1:] for part in said) + ".", className="aside"),
            html.Div(acts, className="acts"),
        ]
    )  # fmt: skip


def journal(
    found: Sequence[Entry], *, whole: bool, rewritten: tuple[int, int] = (0, 0)
) -> list[Any]:
    """Page of the log; `rewritten`: how often names were taken out of it, and when last."""
    rows = [
        html.Tr(
            [
                html.Th(words.utc(entry.at_s), scope="row"),
                html.Td(entry.who or say("unknown")),
                html.Td(entry.act),
                html.Td(entry.about),
                html.Td(entry.address),
            ]
        )
        for entry in found
    ]
    names = ("time (UTC)", "who", "did", "about", "from")
    said = (
        "No line was changed or taken out between the first and the last."
        if whole
        else "Lines of this log were changed or taken out after they were written."
    )
    return [
        html.H1("Log"),
        html.P(
            say("What was done with the board, newest first. {said}", said=say(said)),
            className="lead",
        ),
        html.P(removal.rewritten_text(day=words.utc(rewritten[1]), times=rewritten[0]))
        if rewritten[0]
        else None,
        views.table(names, rows, label="Log", kind="text dated")
        if rows
        else html.P("Nothing yet."),
    ]


def sees(reach: Reach) -> str:
    """Write how much of the lot a user sees."""
    if reach.whole:
        return say("everything")
    codes = [*sorted(reach.sites), *sorted(reach.units)]
    return ", ".join(codes) or say("nothing")


def _trouble(said: str) -> Component | None:
    return html.P(said, className="trouble", role="alert", id="trouble") if said else None
