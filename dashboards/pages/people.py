"""People: who is told of alarms, in which order, when and by which way."""

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import words
from dashboards.pages import forms
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.store.people import Person


def blocks(found: Sequence[Person], asked: Wish, *, token: str) -> list[Any]:
    """Page of who is told; `token` empty: to read only."""
    without = [person.name for person in found if not person.addresses]
    return [
        html.H1("People"),
        html.P(
            say("{count} told of alarms.", count=words.count(len(found), "person", "people")),
            className="lead",
        ),
        *(
            (
                html.P(text.TOLD_ORDER),
                html.Ul([_person(p, asked, token) for p in found], className="people"),
            )
            if found
            else (html.P(text.NOBODY_TOLD), html.Pre(text.ADD_SOMEBODY))
        ),
        html.P(text.without_address_text(without), className="standing") if without else None,
        html.P(
            [text.ADDRESSES_KEPT, html.Code("sillkeep person change NAME --address -")],
            className="aside",
        ),
    ]


def _person(person: Person, asked: Wish, token: str) -> Component:
    clock = asked.twelve_hour
    quiet = text.quiet_hours_text(person.quiet, person.timezone, twelve_hour=clock)
    reach = ", ".join(sorted(person.reach)) or say("everything")
    ways = ", ".join(person.labels) or say("no address")
    return html.Li(
        [
            html.B(f"{person.place}. {person.name}"),
            html.P(
                say(
                    "{role}, looks after {reach}. Told by: {ways}.",
                    role=say(person.role),
                    reach=reach,
                    ways=ways,
                ),
                className="aside",
            ),
            html.P(quiet, className="aside"),
            _wishes(person, token) if token else None,
        ]
    )


def _wishes(person: Person, token: str) -> Component:
    of = f"-{person.person_id}"
    start, end = (f"{minute // 60:02}:{minute % 60:02}" for minute in person.quiet)
    scales = [("", "°C"), ("1", "°F")]
    clocks = [("", "24 h"), ("1", "12 h")]
    return html.Details(
        [
            html.Summary(say("Change what {name} is told",
name=person.name)),
            html.Form(
                [
                    forms.hidden("token", token),
                    forms.hidden("name", person.name),
                    forms.field("Quiet from", "from", kind="time", value=start, of=of),
                    forms.field("Quiet to", "to", kind="time", value=end, of=of),
                    forms.field("Place in the order", "place", kind="number",
                                value=str(person.place), span=(1, 99), of=of),
                    forms.choice("Temperature", "fahrenheit", scales,
                                 chosen="1" if person.fahrenheit else "", of=of),
                    forms.choice("Clock", "twelve", clocks,
                                 chosen="1" if person.twelve_hour else "", of=of),
                    html.Button("Keep", type="submit"),
                ],
                action="/people/change",
                method="post",
                className="stack",
            ),
        ]
    )  # fmt: skip
