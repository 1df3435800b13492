"""Settings: how this board runs, and the limits that words and alarms are taken from."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import forms
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say, shown
from monitor.judge import limits
from monitor.judge.rules import LIMITS
from monitor.lot import LimitEntry


@dataclass(frozen=True, slots=True)
class Told:
    """Everything read for the page."""

    runs: Sequence[tuple[str, str]]  # how the program runs, in words
    entries: Sequence[LimitEntry]
    sites: Sequence[str]
    kinds: Sequence[str]  # of units


def blocks(told: Told, asked: Wish, *, token: str) -> list[Any]:
    """Page of settings; `token` empty: to read only."""
    return [
        html.H1("Settings"),
        html.H2("How it runs"),
        views.table(
            ("what", "here"),
            [
                html.Tr([html.Th(name, scope="row"), html.Td(shown(here))])
                for name, here in told.runs
            ],
            label="How it runs",
            kind="text",
        ),
        html.P(text.SETTINGS_FILE, className="aside"),
        html.H2("Limits"),
        html.P(text.LIMITS_MEAN, className="lead"),
        _limits(asked),
        html.H2("Changes of limits"),
        _changes(told, asked, token)
        if told.entries
        else html.P("Nobody has changed a limit: those of the table hold."),
        *(_change(told, asked, token) if token else ()),
    ]


def _value(name: str, value: float, asked: Wish) -> str:
    return text.limit_value(name, value, fahrenheit=asked.fahrenheit)


def _name(name: str, asked: Wish) -> str:
    return text.limit_name(name, fahrenheit=asked.fahrenheit)


def _limits(asked: Wish) -> Component:
    rows = [
        html.Tr(
            [
                html.Th(_name(name, asked), scope="row"),
                html.Td(_value(name, getattr(LIMITS, name), asked)),
                html.Td(
                    say(
                        "{low} to {high}",
                        low=_value(name, low, asked),
                        high=_value(name, high, asked),
                    )
                ),
            ]
        )
        for name, (low, high) in limits.CHANGEABLE.items()
    ]
    return html.Details(
        [
            html.Summary(say("All {rows} limits that can be changed", rows=len(rows))),
            views.table(("limit", "ours", "can be"), rows, label="Limits"),
        ]
    )


def _changes(told: Told, asked: Wish, token: str) -> Component:
    undone = {entry.undoes for entry in told.entries}
    return html.Ul(
        [
            _entry(entry, asked, "" if entry.number in undone else token)
            for entry in reversed(told.entries)
        ],
        className="people",
    )


def _entry(entry: LimitEntry, asked: Wish, token: str) -> Component:
    where = ", ".join(filter(None, (entry.site, entry.body_type))) or say("everywhere")
    old, new = (_value(entry.name, value, asked) for value in (entry.old, entry.new))
    what = f"{_name(entry.name, asked)}: {old} → {new}"
    age = words.age(asked.now_s - entry.recorded_s)
    undoes = say(" It undoes change {undoes}.", undoes=entry.undoes) if entry.undoes else ""
    return html.Li(
        [
            html.B(what),
            html.P(
                say(
                    "Change {number}, {where}, by {who} {age}: {why}.{undoes}",
                    number=entry.number,
                    where=where,
                    who=entry.who,
                    age=age,
                    why=entry.why,
                    undoes=undoes,
                ),
                className="aside",
            ),
            _undo(entry, asked, token) if token and not entry.undoes else None,
        ]
    )


def _undo(entry: LimitEntry, asked: Wish, token: str) -> Component:
    return html.Details(
        [
            html.Summary("Undo"),
            html.Form(
                [
                    forms.hidden("token", token),
                    forms.hidden("number", str(entry.number)),
                    forms.hidden("fahrenheit", "1" if asked.fahrenheit else ""),
                    forms.field("Why", "why", of=f"-{entry.number}"),
                    html.Button(say("Undo change {number}", number=entry.number), type="submit"),
                ],
                action="/limits/undo",
                method="post",
                className="stack",
            ),
        ]
    )


def _change(told: Told, asked: Wish, token: str) -> list[Component]:
    names = [(name, _name(name, asked)) for name in limits.CHANGEABLE]
    return [
        html.H2("Change a limit"),
        html.P(text.LIMIT_CHANGE),
        html.Form(
            [
                forms.hidden("token", token),
                forms.hidden("fahrenheit", "1" if asked.fahrenheit else ""),
                forms.choice("Limit", "name", names),
                forms.field("New value", "value", kind="number", span=(0.0, 1000.0), step="any"),
                forms.choice("Site", "site", [("", "every site"), *((s, s) for s in told.sites)]),
                forms.choice(
                    "Kind of unit", "kind", [("", "every kind"), *((k, k) for k in told.kinds)]
                ),
                forms.field("Why", "why"),
                html.Button("Change the limit", type="submit"),
            ],
            action="/limits/change",
            method="post",
            className="stack",
        ),
    ]
