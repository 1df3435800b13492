"""Morning list: ten units to touch today on one sheet of paper, in the order of the walk."""

from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import lot as lot_page
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.store.board import AlarmRow, Lot, UnitNow

CAUTIONS = (
    text.CAUTION,
    text.LOOK_FROM_A_LADDER,
    text.CUT_THE_POWER,
    text.SHARP_SMELL,
    text.ALARMS_ARE_SEPARATE,
)
CAUSES = 3  # and units by name: a sheet has no room for more
NAMED = 12


def walk(lot: Lot) -> list[tuple[UnitNow, AlarmRow]]:
    """The first ten units that ask to be opened, each with its alarm, in the order of the walk."""
    return sorted(lot_page.to_open(lot)[: lot_page.FIRST], key=lambda asking: way(asking[0]))


def blocks(lot: Lot, asked: Wish, *, walks: bool = False) -> list[Any]:
    """Sheet of the units that ask to be opened, of those that the address asks for.

    `walks`: whether its reader may enter findings.
    """
    shown = lot_page.narrowed(lot, asked)
    asking = lot_page.to_open(shown)
    ways = walk(shown)
    entries = [_entry(unit, alarm, asked) for unit, alarm in ways]
    return [
        html.H1("Morning list"),
        html.Div(
            [
                html.P(_moment(lot, asked), className="when"),
                html.P(
                    [
                        "Ten units print on one page. ",
                        html.A("As a PDF", href="/document/morning"),
                        ", ",
                        html.A("for Letter paper", href="/document/morning?paper=letter"),
                        ". ",
                        html.A("Back to the Lot", href=asked.narrowed("/")),
                        " · " if walks else None,
                        html.A("Walk it with a phone", href="/round") if walks else None,
                    ],
                    className="screen aside",
                ),
                html.Ol(entries, className="walk")
                if entries
                else html.P("Nothing asks for a unit to be opened."),
                _unknowns(lot, shown, more=len(asking) - len(ways)),
                _cautions(),
            ],
            className="morning",
        ),
    ]


def way(unit: UnitNow) -> tuple[Any, ...]:
    """Where a unit comes in a walk: by site and slot."""
    return unit.site, text.slot_order(unit.slot), unit.code


def _moment(lot: Lot, asked: Wish) -> str:
    """Where and when it was drawn, and up to when it knows anything."""
    names = [site.name or site.code for site in lot.sites]
    zones = {site.timezone for site in lot.sites}
    clock = zones.pop() if len(zones) == 1 else "UTC"
    judged = [z.hour + 1 for unit in lot.units for z in unit.zones if z.hour is not None]
    known = (
        say("judged up to {at}", at=words.when(max(judged) * 3600, clock))
        if judged
        else say("nothing judged")
    )
    drawn = words.when(asked.now_s, clock)
    row = say(", row {choice}", choice=asked.choice("row")) if asked.choice("row") else ""
    return f"{', '.join(names)}{row}. {drawn}, {words.clock_name(asked.now_s, clock)}; {known}."


def _entry(unit: UnitNow, alarm: AlarmRow, asked: Wish) -> Component:
    alarm = views.told(alarm)
    step = text.what_to_do(alarm.text, alarm.parts, alarm.alarm_class)
    link = html.A(unit.code, href=asked.link(words.unit_path(unit.code)))
    return html.Li(
        [
            html.Span(className="box", role="img", **marked(aria_label="box to tick")),
            html.Div(
                [
                    html.B(unit.slot or "no slot", className="place"),
                    html.B(link),
                    html.Span(alarm.zone or "whole unit"),
                    html.Span(say(alarm.alarm_class), className="class"),
                ],
                className="who",
            ),
            html.P(text.in_short(alarm.text, alarm.zone)),
            html.P([html.B("First: "), step]) if step else None,
            html.Div(className="line", role="img", **marked(aria_label="line to write on")),
        ]
    )


def _unknowns(lot: Lot, shown: Lot, *, more: int) -> Component:
    zones = sum(len(unit.zones) for unit in shown.units)
    unknown = sum(unit.unknown for unit in shown.units)
    lines = [
        f"{say(cause.alarm.kind)}: {words.first_sentence(views.told(cause.alarm).text)}"
        for cause in lot.causes
    ]
    if unknown:
        lines.append(
            say(
                "{unknown} of {count} are unknown: look with your own eyes.",
                unknown=unknown,
                count=words.count(zones, "zone"),
            )
        )
    lost = sorted(
        (u for u in shown.units if u.word == "unknown"), key=lambda u: text.slot_order(u.slot)
    )
    if lost:
        names = ", ".join(f"{unit.code} ({unit.slot or 'no slot'})" for unit in lost[:NAMED])
        rest = say(" and {lost} more", lost=len(lost) - NAMED) if len(lost) > NAMED else ""
        lines.append(
            say("Units of which nothing can be said: {names}{rest}.", names=names, rest=rest)
        )
    if more:
        lines.append(
            say(
                "{count} ask to be opened and are not on this sheet.",
                count=words.count(more, "more unit"),
            )
        )
    return html.Section(
        [
            html.H2("What we do not know"),
            html.Ul([html.Li(line) for line in lines or ["Nothing that this sheet could name."]]),
        ],
        className="unknowns",
    )


def _cautions() -> Component:
    return html.Section([html.H2("Before you open anything"), html.P(" ".join(map(say, CAUTIONS)))])
