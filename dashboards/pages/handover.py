"""Handover: the documents that can be made of a unit, for whom each is, and of which time."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import forms
from dashboards.paint import marked
from dashboards.words import Wish
from monitor.catalogue import say
from monitor.reports.document import PAPERS
from monitor.reports.handed import BY_HOUR, OF_UNIT, Kind
from monitor.store import RepairRow
from monitor.store.board import SiteRow, UnitNow
from monitor.text import documents as text
from monitor.text.handing import unread_text

# what a role has to be allowed for each: notes and single alarms are not for everybody
NEEDS: Mapping[Kind, str] = {
    "sale": "proof",
    "proof": "proof",
    "intake": "proof",
    "season": "alarms",
    "warranty": "alarms",
    "job": "acknowledge",
    "morning": "lot",
}
SPANNED: frozenset[Kind] = frozenset({"sale", "intake", "season", "warranty"})
PAPER_NAMES = {"a4": "A4", "letter": "Letter"}
FORM_NAMES = {"pdf": "PDF, to print or send", "html": "HTML, to read on a screen"}
DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class Told:
    """What the page is drawn from; `lived_in`: by somebody else than its visitor, at some time."""

    unit: UnitNow
    site: SiteRow
    repairs: Sequence[RepairRow]
    kinds: Sequence[Kind]
    lived_in: bool
    unread: int = 0  # repairs whose proof cannot be read


def open_to(acts: Collection[str]) -> tuple[Kind, ...]:
    """Documents of a unit that a visitor may make, by what their role may do."""
    return tuple(kind for kind in NEEDS if kind in OF_UNIT and NEEDS[kind] in acts)


def path(kind: Kind, unit: str) -> str:
    """Address of a document."""
    return f"/document/{kind}/{quote(unit)}"


def blocks(told: Told, asked: Wish) -> list[Any]:
    """Page of one unit's documents."""
    unit = told.unit
    shown = [kind for kind in told.kinds if kind != "proof" or told.repairs]
    return [
        html.P(
            html.A(f"← {unit.code}", href=asked.link(words.unit_path(unit.code))), className="back"
        ),
        html.H1([unit.code, html.Small(say("to hand over"))]),
        html.P(text.READ_FIRST, className="lead"),
        *(_document(kind, told, asked) for kind in shown),
        views.unknown_panel(_unknowns(told)),
    ]


def _document(kind: Kind, told: Told, asked: Wish) -> Component:
    fields: list[Any] = []
    more: list[Any] = []
    if kind in SPANNED:
        last = words.day_of(asked.now_s, told.site.timezone)
        more += [
            forms.field("First day", "from", kind="date", of=f"-{kind}", optional=True),
            forms.field("Last day", "to", kind="date", of=f"-{kind}", value=last, optional=True),
        ]
    if kind == "proof":
        repairs = [
            (
                f"{row.zone} {row.repaired_s}",
                f"{row.zone}, {words.day(row.repaired_s, row.timezone)}",
            )
            for row in told.repairs
        ]
        fields.append(forms.choice("Repair", "repair", repairs, of="-proof"))
    if kind == "job":
        zones = [(zone.code, f"{zone.code}, {say(zone.word)}") for zone in told.unit.zones]
        fields.append(forms.choice("Zone", "zone", zones, of="-job"))
    more += [
        forms.choice("Paper", "paper", [(p, PAPER_NAMES[p]) for p in PAPERS], of=f"-{kind}"),
        forms.choice(
            "As", "form", [(name, say(said)) for name, said in FORM_NAMES.items()], of=f"-{kind}"
        ),
    ]
    folded = say("Days, paper and form") if kind in SPANNED else say("Paper and form")
    fields += [
        html.Details([html.Summary(folded), *more]),
        html.Button(
            "Make it",
            type="submit",
            **marked(aria_label=say("Make it: {title}", title=say(text.TITLES[kind]))),
        ),
    ]
    return html.Section(
        [
            html.H2(say(text.TITLES[kind])),
            html.P(say(text.MEANS[kind]), className="sentence"),
            html.Form(fields, action=path(kind, told.unit.code), method="get", className="stack"),
        ],
        className="document",
    )


def _unknowns(told: Told) -> list[str]:
    lines = [say(text.SPAN_MEANS)]
    if told.lived_in:
        named = ", ".join(say(text.TITLES[kind]).lower() for kind in told.kinds if kind in BY_HOUR)
        lines.append(say(text.LIVED_IN_MEANS, named=named))
    if not told.repairs:
        lines.append(say(text.NOTHING_PROVEN))
    if told.unread:
        lines.append(unread_text(told.unread))
    return [*lines, say(text.LINE_OF_FONTS)]
