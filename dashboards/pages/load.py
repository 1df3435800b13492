"""Alarm load: how many alarms asked somebody, which ask most, and what was kept from people."""

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views
from dashboards.words import Wish
from monitor import load
from monitor.catalogue import say
from monitor.load import Load, Source


def blocks(loads: Sequence[Load], asked: Wish) -> list[Any]:
    """Page of the load of each site, over some days."""
    days = loads[0].days if loads else 0
    return [
        html.P(html.A("Alarms", href=asked.link("/alarms")), className="back"),
        html.H1("Alarm load"),
        html.P(
            say(
                "Of the last {days} days, against a target of {most_a_day:g} a day for one person.",
                days=days,
                most_a_day=load.MOST_A_DAY,
            )
            if loads
            else "No site is entered yet.",
            className="lead",
        ),
        *(part for found in loads for part in _site(found)),
        views.unknown_panel(
            [
                "An alarm counts on the day it asked by itself; whether somebody read it, nobody knows.",
                "What no probe watches raises nothing: a light load is no proof of dryness.",
            ]
        ),
    ]


def _site(found: Load) -> list[Component | None]:
    return [
        html.H2(found.site),
        html.P(load.rate_text(found)),
        views.facts([(name, f"{count}") for name, count in found.by_class.items()], name="wide"),
        html.P(load.quiet_text(found), className="aside"),
        _persons(found),
        _sources(
            found.top, "What asks most often", share=True,
            note=say("{top_share_percent:g} % of all that asked. What raises again and again wants "
"mending, a better place or another limit.",
top_share_percent=found.top_share_percent),
        ),
        _sources(
            found.chattering, "Three times or more on one day", unit="times",
            note="An alarm that comes and goes tells nothing new.",
        ),
        _sources(
            found.standing, "Standing for more than 7 days", unit="days",
            note="What nobody answers in a week is no longer news: answer it, or hold it with a reason.",
        ),
    ]  # fmt: skip


def _persons(found: Load) -> Component | None:
    """Who was told how much by messages of their own; nothing where nobody was."""
    if not found.persons:
        return None
    rows = [
        html.Tr(
            [
                html.Th(person.name, scope="row"),
                *(
                    html.Td(f"{value:g}")
                    for value in (person.a_day, person.busiest, person.days_over)
                ),
            ]
        )
        for person in found.persons
    ]
    names = ("person", "a day", "busiest", "days over")
    return html.Section(
        [html.H3("Told by messages"), views.table(names, rows, label="Told by messages")]
    )


def _sources(
    sources: Sequence[Source], title: str, *, note: str, unit: str = "", share: bool = False
) -> Component | None:
    """A table of sources, or nothing where there are none."""
    if not sources:
        return None
    names = ("source", "times", "share") if share else ("source", unit)
    rows = [
        html.Tr(
            [
                html.Th(source.name, scope="row"),
                html.Td(f"{source.count}"),
                html.Td(f"{source.share_percent:g} %") if share else None,
            ]
        )
        for source in sources[: load.TOP]
    ]
    more = len(sources) - len(rows)
    return html.Section(
        [
            html.H3(title),
            html.P(note, className="aside"),
            views.table(names, rows, label=title),
            html.P(say("and {more} more", more=more), className="aside") if more > 0 else None,
        ]
    )
