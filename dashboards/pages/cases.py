"""Forms of a repair: opening one, adding photos, hose tests and another drying goal."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages.forms import choice, field, hidden
from dashboards.words import Wish
from monitor.catalogue import say
from monitor.lot import STRUCTURE_KINDS, CaseNote, Zone
from monitor.store import RepairRow
from monitor.text import cases as said

NAMES = {"opened": "opened", "goal": "drying goal", "photo": "photo", "challenge": "hose test"}


@dataclass(frozen=True, slots=True)
class Case:
    """What was entered of a repair; `token` empty for who may enter nothing."""

    notes: Sequence[CaseNote] = ()
    token: str = ""


def opening(unit: str, zones: Sequence[Zone], asked: Wish, *, token: str) -> list[Any]:
    """Page on which a repair of a unit is opened."""
    own = [zone for zone in zones if zone.kind in STRUCTURE_KINDS]
    back = html.P(html.A("← Proof", href=asked.link("/proof")), className="back")
    head = [back, html.H1(["Open a repair", html.Small(unit)])]
    if not own:
        return [*head, html.P("This unit has no wall, roof, floor, slide, bay or underbelly.")]
    boxes = html.Fieldset(
        [
            html.Legend("Zones that were repaired"),
            *(_tick("zone", zone.code, f"{zone.code} ({say(zone.kind)})") for zone in own),
        ],
        className="ticks",
    )
    twins = [("", say("none: all like zones of the unit")), *((z.code, z.code) for z in own)]
    parts = [
        hidden("token", token),
        boxes,
        choice("What was done", "done", [(key, say(words_)) for key, words_ in said.DONE]),
        _tick("moved", "1", say("The sensor was moved to where the water collected")),
        field("When (empty: now)", "at", kind="datetime-local", optional=True),
        choice("Dry twin: a like zone that stayed dry", "twin", twins),
        _photo(),
        html.Details(
            [
                html.Summary("Another drying goal"),
                html.P(say(said.GOAL_EXPLAINED)),
                field("Points above the dry standard", "goal", optional=True),
                field("Why", "why", optional=True),
            ]
        ),
        html.Button("Open the repair", type="submit"),
    ]
    return [
        *head,
        html.P(say(said.COUNTS_FROM), className="sentence"),
        _form(f"/proof/{quote(unit, safe='')}/open", parts),
        views.unknown_panel(
            ["Whether the zones chosen are all that water reached: look and feel beside them too."]
        ),
    ]


def begin(units: Sequence[str], asked: Wish) -> list[Any]:
    """Units to open a repair of."""
    links = [
        html.Li(html.A(u, href=asked.link(f"/proof/{quote(u, safe='')}"), className="wide-link"))
        for u in units
    ]
    if not links:
        return []
    return [html.Details([html.Summary("Open a repair: choose the unit"), html.Ul(links)])]


def blocks(row: RepairRow, case: Case) -> list[Any]:
    """What was entered of a repair, and the forms that add to it."""
    shown: list[Any] = [html.H2("What was entered")]
    if case.notes:
        names = ["when", "what", "said", "by"]
        rows = [_row(note, row) for note in reversed(case.notes)]
        shown.append(views.table(names, rows, label="What was entered", kind="text log"))
    else:
        shown.append(html.P("Nothing beside the repair itself."))
    if not case.token:
        return shown
    at = f"/proof/{quote(row.unit, safe='')}/{quote(row.zone, safe='')}/{row.repaired_s}"
    token = hidden("token", case.token)
    spray = [
        token,
        field("Joint", "joint"),
        field("Began", "from", kind="datetime-local"),
        field("Stopped", "to", kind="datetime-local"),
        choice(
            "Did water come in?", "reached", [("", "–"), ("no", say("no")), ("yes", say("yes"))]
        ),
        html.Button("Note the hose test", type="submit"),
    ]
    goal = [
        token,
        html.P(say(said.GOAL_EXPLAINED)),
        field("Points above the dry standard", "goal"),
        field("Why", "why"),
        html.Button("Decide on this goal", type="submit"),
    ]
    photo = [token, _photo(), html.Button("Keep the photo", type="submit")]
    return [
        *shown,
        html.P(say(said.COUNTS_FROM), className="aside"),
        _folded("Add a photo of where the water came in", _form(f"{at}/photo", photo)),
        _folded(
            "Note a hose test",
            html.P(say(said.HOW_TO_SPRAY)),
            html.P(say(said.SPRAY_CAUTION), className="caution"),
            _form(f"{at}/spray", spray),
        ),
        _folded("Decide on another drying goal", _form(f"{at}/goal", goal)),
    ]


def _folded(title: str, *parts: Any) -> Component:  # noqa: ANN401  what a page is made of
    return html.Details([html.Summary(title), *parts])


def _row(note: CaseNote, row: RepairRow) -> Component:
    value: Any = note.value
    if note.kind == "photo":
        name = say("photo of {at}", at=words.when(note.at_s, row.timezone))
        source = f"/photo/{quote(row.unit)}/{note.value}.jpg"
        value = html.A(html.Img(src=source, alt=name, width="160"), href=source)
    elif note.kind == "goal":
        value = say("{goal} points above the dry standard", goal=f"{float(note.value):g}")
    told = [value, f" ({note.why})"] if note.why else [value]
    return html.Tr(
        [
            html.Th(words.when(note.recorded_s, row.timezone), scope="row"),
            html.Td(say(NAMES[note.kind])),
            html.Td(told),
            html.Td(note.who),
        ]
    )


def _form(action: str, parts: Sequence[Any]) -> Component:
    return html.Form(
        list(parts),
        action=action,
        method="post",
        encType="multipart/form-data",
        className="stack",
    )


def _tick(name: str, value: str, label: str) -> Component:
    key = f"{name}-{value}"
    box = dcc.Input(type="checkbox", name=name, value=value, id=key)  # type: ignore[arg-type]
    return html.Div([box, html.Label(label, htmlFor=key)], className="tick")


def _photo() -> Component:
    entry = dcc.Input(type="file", name="photo", id="photo", multiple=True)  # type: ignore[arg-type]
    setattr(entry, "accept", "image/jpeg,image/png,image/webp")  # noqa: B010  an Input takes no such name
    label = html.Label("Photos of where the water came in, four at most", htmlFor="photo")
    return html.Div([label, entry])
