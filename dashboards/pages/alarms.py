"""Alarms: open ones first, each with what to do; a person takes one on by name."""

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.words import Wish
from monitor import text
from monitor.alarms import CAN_ACKNOWLEDGE, LATCHED
from monitor.store.board import AlarmRow, SiteRow
from monitor.text import CAUTION


def blocks(
    standing: tuple[AlarmRow, ...],
    ended: tuple[AlarmRow, ...],
    sites: dict[str, SiteRow],
    *,
    asked: Wish,
    token: str,
) -> list[Any]:
    """Page of alarms; `token` proves that a form was taken from this board."""
    opened = [_alarm(alarm, sites, asked, token) for alarm in standing]
    past = [_alarm(alarm, sites, asked, token) for alarm in ended]
    return [
        html.H1("Alarms"),
        html.P(_summary(standing), className="lead"),
        html.Section(opened, className="alarm-list"),
        html.Details(
            [
                html.Summary(f"Ended or withdrawn ({len(ended)})"),
                html.Section(past, className="alarm-list past"),
            ]
        )
        if ended
        else None,
        views.unknown_panel(_unknowns(standing)),
    ]


def _summary(standing: tuple[AlarmRow, ...]) -> str:
    if not standing:
        return "No alarm is open."
    waiting = sum(alarm.state in CAN_ACKNOWLEDGE for alarm in standing)
    return f"{words.count(len(standing), 'open alarm')}, {waiting} not acknowledged."


def _unknowns(standing: tuple[AlarmRow, ...]) -> list[Any]:
    silent = [alarm for alarm in standing if alarm.kind == "silent"]
    lines: list[Any] = [
        "A zone that is unknown raises nothing but its silence: no alarm is no proof of dryness."
    ]
    if silent:
        lines.insert(0, f"{words.count(len(silent), 'silent alarm')}: nobody watches there now.")
    return lines


def alarm_text(alarm: AlarmRow) -> Component:
    """Text as stored: its first sentence, the rest, the caution."""
    said, caution = alarm.text, None
    if said.endswith(CAUTION):
        said, caution = said.removesuffix(CAUTION).strip(), CAUTION
    first = words.first_sentence(said)
    rest = said.removeprefix(first).strip()
    return html.Div(
        [
            html.P(html.B(first)),
            html.P(rest) if rest else None,
            html.P(caution, className="caution") if caution else None,
        ],
        className="alarm-text",
    )


def _alarm(alarm: AlarmRow, sites: dict[str, SiteRow], asked: Wish, token: str) -> Component:
    site = sites.get(alarm.site)
    timezone = site.timezone if site else "UTC"
    steps = [
        f"{step.state} {words.when(step.at_s, timezone)} by {step.who}"
        for step in alarm.steps
        if step.why == "acknowledged"
    ]
    times = [
        f"raised {words.when(alarm.raised_s, timezone)}",
        f"cleared {words.when(alarm.cleared_s, timezone)}" if alarm.cleared_s else "",
        f"withdrawn {words.when(alarm.withdrawn_s, timezone)}: late readings changed the history"
        if alarm.withdrawn_s
        else "",
        *steps,
    ]
    head = [
        html.Span(alarm.alarm_class, className="class"),
        html.H2(alarm.kind),
        html.Span([*views.place(asked, alarm.site, alarm.unit, alarm.zone), f" {alarm.node}"]),
    ]
    body = [
        html.Div(head, className="line"),
        html.P(
            [
                html.B(alarm.state, className="state"),
                *(f" · {time}" for time in times if time),
                f" · {words.clock_name(alarm.raised_s, timezone)}",
            ],
            className="aside",
        ),
        alarm_text(alarm),
        html.P(text.latched(alarm.unit, alarm.zone), className="aside")
        if alarm.state in LATCHED
        else None,
        _form(alarm, asked, token) if alarm.open and alarm.state in CAN_ACKNOWLEDGE else None,
    ]
    kind = "todo" if alarm.open and alarm.cleared_s is None else "over"
    return html.Article(body, className=kind)


def _form(alarm: AlarmRow, asked: Wish, token: str) -> Component:
    field = f"who-{alarm.alarm_id}"
    return html.Form(
        [
            dcc.Input(type="hidden", name="token", value=token),
            dcc.Input(type="hidden", name="back", value=asked.same()),
            html.Label("Your name or initials", htmlFor=field),
            dcc.Input(
                id=field, type="text", name="who", required=True, maxLength=80, autoComplete="name"
            ),
            html.Button("Acknowledge", type="submit"),
        ],
        action=f"/alarms/{alarm.alarm_id}/acknowledge",
        method="post",
        className="acknowledge",
    )
