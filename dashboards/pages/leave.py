"""Leave: a unit is sold or retired; whose record its past is; the ledger of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import forms
from dashboards.words import Wish
from monitor.catalogue import say
from monitor.lot import Unit
from monitor.store.handing import Received
from monitor.store.parting import GONE, Transfer
from monitor.text import removal
from monitor.text.handing import went_on_text


@dataclass(frozen=True, slots=True)
class Told:
    """What the page is drawn from."""

    unit: Unit
    timezone: str
    ledger: Sequence[Transfer]
    nodes: Sequence[str]  # that watch it now
    standing: int  # alarms
    received: Received | None = None
    stood: Sequence[str] = ()  # alarms when it was received


def blocks(told: Told, asked: Wish, *, token: str) -> list[Any]:
    """The page of a unit that leaves, or came."""
    code = told.unit.code
    gone = told.unit.life in GONE
    return [
        html.P(html.A(f"← {code}", href=asked.link(words.unit_path(code))), className="back"),
        html.H1(["Sell or retire", html.Small(code)]),
        *_came(told),
        *(_back(told, token) if gone else _go(told, token)),
        html.H2("Ledger"),
        _ledger(told),
        views.unknown_panel(_unknowns(told)),
    ]


def way(unit: str, asked: Wish) -> Component:
    """The way here, at the end of the unit's page."""
    link = html.A(
        "Sell or retire this unit, and its ledger",
        href=asked.link(f"{words.unit_path(unit)}/leave"),
    )
    return html.P(link, className="aside")


def retired_line(units: Sequence[Unit], asked: Wish) -> list[Any]:
    """Units that are retired, below the lot."""
    if not units:
        return []
    links: list[Any] = []
    for unit in units:
        links += [
            ", " if links else "",
            html.A(unit.code, href=asked.link(words.unit_path(unit.code))),
        ]
    return [
        html.P([f"{say('Retired, off the board; the record stays:')} ", *links], className="aside")
    ]


def _came(told: Told) -> list[Any]:
    if told.received is None:
        return []
    until = words.when(told.received.until_s, told.timezone)
    further = went_on_text(
        told.received.file_until_s,
        told.received.until_s,
        lambda at_s: words.when(at_s, told.timezone),
    )
    stood = html.P(removal.stood_text(told.stood), className="standing") if told.stood else None
    return [
        html.P(removal.received_text(until=until, key=told.received.key), className="sentence"),
        html.P(further, className="sentence") if further else None,
        stood,
    ]


def _go(told: Told, token: str) -> list[Any]:
    ends = [
        say("{nodes} stop watching it: {names}.", nodes=words.count(len(told.nodes), "node"),
            names=", ".join(told.nodes)) if told.nodes else say("No node watches it now."),
        say("{alarms} that stand are ended, as ended by this and not by a cure.",
            alarms=words.count(told.standing, "alarm")),
        say("Links to it end at once, and messages about it that wait are not sent."),
    ]  # fmt: skip
    return [
        html.H2("What ends"),
        html.Ul([html.Li(line) for line in ends]),
        html.P(removal.TAKE_NODES_OUT) if told.nodes else None,
        html.H2("Sell"),
        html.P(
            "From then on this board says of it only that it was here. Where the buyer is a user of this board, "
            "they keep sight of it; nobody else does. Hand its record over first:"
        ),
        html.Pre(f"sillkeep handover record {told.unit.code} --out {told.unit.code}.zip"),
        _form(
            told, "sold", "Sell", token,
            [
                forms.field("To whom, by role or key (no name)", "to", of="-sold", optional=True),
                forms.field("Buyer's name on this board, if any", "owner", of="-sold", optional=True),
                forms.field("What else to note", "why", of="-sold", optional=True),
            ],
        ),
        html.H2("Retire"),
        html.P("It leaves the lot board. Its pages and its record stay for whoever may see them."),
        _form(told, "retired", "Retire", token, [forms.field("Why", "why", of="-retired")]),
    ]  # fmt: skip


def _back(told: Told, token: str) -> list[Any]:
    return [
        html.H2("Take it back"),
        html.P(removal.LEDGER_STAYS),
        _form(told, "back", "Take back", token, [forms.field("Why", "why", of="-back")]),
    ]


def _form(told: Told, act: str, said: str, token: str, fields: list[Component]) -> Component:
    ticked = forms.choice("Sure?", "sure", [("", say("no")), ("1", say("yes"))], of=f"-{act}")
    path = f"{words.unit_path(told.unit.code)}/leave/{act}"
    parts = [forms.hidden("token", token), *fields, ticked, html.Button(said, type="submit")]
    return html.Form(parts, action=path, method="post", className="stack")


def _ledger(told: Told) -> Component:
    lines = [html.Li(_line(line, told.timezone)) for line in told.ledger]
    return html.Ul(lines) if lines else html.P("Nothing yet.")


def _line(line: Transfer, timezone: str) -> str:
    hands = " → ".join(filter(None, map(_hand, (line.giver, line.taker))))
    parts = (say(removal.WHAT[line.what]), hands, say("noted by {who}", who=line.who), line.why)
    return f"{words.when(line.at_s, timezone)}: {'; '.join(filter(None, parts))}"


def _hand(said: str) -> str:
    return say("key {key}", key=removal.short_key(said)) if len(said) == 64 else said


def _unknowns(told: Told) -> list[str]:
    lines = [say("Who has its nodes now, and whether they still send, no record can tell.")]
    if told.received is not None:
        lines += [
            say(
                "Whether what the seller recorded is true: the key shows whose it is, and no more."
            ),
            say(
                "What the outside air and the rain were then; the seller's words were taken from them."
            ),
        ]
    return lines
