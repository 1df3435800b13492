"""What pages share: frame, marks, facts. Pure: what was read goes in, components come out."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import paint, words
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import drawing, explain, text
from monitor.catalogue import say, shown
from monitor.explain import COMES_FROM_OUTSIDE, SHOWS_WATER, Look
from monitor.lot import Cause, Unit, ZoneKind
from monitor.store.board import AlarmRow, SiteRow, UnitNow, ZoneNow
from monitor.store.health import Pulse
from monitor.text import CAUTION, CAUTION_LONG, DAMAGED

NAVIGATION = (
    ("/", "Lot"),
    ("/alarms", "Alarms"),
    ("/seals", "Seals"),
    ("/proof", "Proof"),
    ("/nodes", "Nodes"),
    ("/chain", "Chain"),
)


@dataclass(frozen=True, slots=True)
class Seat:
    """Who sits before the page: what they are called, the pages open to them, and their form token."""

    called: str
    pages: tuple[tuple[str, str], ...]
    own: tuple[tuple[str, str], ...]
    token: str
    home: str


WAITS = (
    "Findings wait on this device that are not in the record yet ({n}). They stay here after signing out, "
    "until somebody signs in here again. Sign out now?"
)


def frame(
    asked: Wish, pulses: Sequence[Pulse], blocks: Sequence[Any], *, seat: Seat
) -> list[Component]:
    """One whole page: head, blocks, foot."""
    read = partial(words.as_wished, asked=asked)
    return [
        paint.still(_head(asked, seat), _standing(asked, pulses), name="head", read=read),
        html.Main(paint.settle(blocks, read), id="main", key=asked.path),
        paint.still(_foot(asked, seat), name="foot", read=read),
    ]


def _head(asked: Wish, seat: Seat) -> Component:
    links = [
        html.Li(html.A(label, href=asked.link(path), **_current(asked.path == path)))
        for path, label in seat.pages
    ]
    scales = [
        html.A(
            sign,
            href=asked.same(fahrenheit=scale),
            **marked(aria_label=name),
            **_current(asked.fahrenheit == scale),
        )
        for sign, name, scale in (("°C", "Celsius", False), ("°F", "Fahrenheit", True))
    ]
    return html.Header(
        [
            html.A("Sillkeep", href=asked.link(seat.home), className="name"),
            html.Nav(html.Ul(links), **marked(aria_label="Pages")),
            html.Div(
                scales, className="scales", role="group", **marked(aria_label="Temperature scale")
            ),
        ]
    )


def _current(here: bool) -> dict[str, Any]:  # noqa: FBT001  one meaning
    return {"aria-current": "page"} if here else {}


def _standing(asked: Wish, pulses: Sequence[Pulse]) -> Component | None:
    """What a person must know before reading anything below."""
    late = [
        f"{say(pulse.part)} {words.age(asked.now_s - pulse.at_s)}"
        for pulse in pulses
        if pulse.late and not pulse.is_over and pulse.part not in {"pages", "check"}
    ]
    said = (
        [say("Last progress: {late}. What stands below may be out of date.", late=", ".join(late))]
        if late
        else []
    )
    if any(pulse.damage for pulse in pulses):
        said.insert(0, DAMAGED)
    if asked.note:
        said.insert(0, asked.note)
    return (
        html.Div([html.P(line) for line in said], className="standing", role="status")
        if said
        else None
    )


def _foot(asked: Wish, seat: Seat) -> Component:
    own = [
        html.A(label, href=asked.link(path), **_current(asked.path == path))
        for path, label in seat.own
    ]
    out = html.Form(
        [
            dcc.Input(type="hidden", name="token", value=seat.token),
            html.Button("Sign out", type="submit", className="plain"),
        ],
        action="/logout",
        method="post",
        **marked(data_waits=say(WAITS)),
    )
    return html.Footer(
        [
            html.Div(
                [html.Span(say("Signed in: {called}", called=seat.called)), *own, out],
                className="seat",
                role="group",
                **marked(aria_label="You"),
            ),
            html.P(CAUTION),
            html.Details([html.Summary("More on working on a wet unit"), html.P(CAUTION_LONG)]),
            html.P(
                ["Drawn ", html.Span(words.when(asked.now_s, "UTC"), className="figure"), " UTC."],
                **marked(data_drawn=str(asked.now_s)),
            ),
        ]
    )


def told(alarm: AlarmRow) -> AlarmRow:
    """An alarm with its text in the reader's language; in English it is as stored."""
    kind, class_, facts = alarm.kind, alarm.alarm_class, alarm.facts
    said = text.text_in_language(kind, class_, facts=facts, stored=alarm.text)
    parts = text.parts_in_language(kind, class_, facts=facts, stored=alarm.parts)
    left = say(text.LEFT)
    if (
        alarm.left and left not in said
    ):  # what became of it nobody measures; once in an English text
        first = words.first_sentence(said)
        said = f"{first} {left}{said.removeprefix(first)}"
        parts = tuple(f"{part} {left}" if n == 0 else part for n, part in enumerate(parts))
    return replace(alarm, text=said, parts=parts)


def in_short(alarm: AlarmRow) -> str:
    """The first sentence of an alarm, and that no probe is there any more."""
    first = words.first_sentence(told(alarm).text)
    return f"{first} {say(text.LEFT)}" if alarm.left else first


# --- marks and facts ------------------------------------------------------------------------------


def mark(word: str, *, large: bool = False) -> Component:
    """Word with its shape; the shape says the same to the eye, the word to everybody."""
    name = word.replace(" ", "-")
    picture = html.Img(src=f"/assets/mark-{name}.svg", alt="")
    return html.Span([picture, say(word)], className=f"mark is-{name}{' large' if large else ''}")


def place(asked: Wish, site: str, unit: str, zone: str) -> list[Any]:
    """Links to the unit and zone that something is about."""
    parts: list[Any] = []
    if unit:
        parts.append(html.A(unit, href=asked.link(words.unit_path(unit))))
    if zone:
        parts += [" · "] if parts else []
        parts.append(html.A(zone, href=asked.link(words.zone_path(site, unit, zone))))
    return parts or [site]


def facts(pairs: Iterable[tuple[str, Any]], *, name: str = "") -> Component:
    """Names and figures."""
    return html.Dl(
        [html.Div([html.Dt(say(label)), html.Dd(value)]) for label, value in pairs],
        className=f"facts {name}".strip(),
    )


def graph(figure: drawing.Figure, *, label: str, size: str = "") -> Component:
    """A still chart that says in words what it shows; `size` is a class of the style sheet."""
    drawn = dcc.Graph(
        figure=figure,
        config={
            "displayModeBar": False,
            "scrollZoom": False,
            "doubleClick": False,
            "showTips": False,
        },
        responsive=True,
        className="graph",
    )
    return html.Div(
        drawn, role="img", className=f"chart {size}".strip(), **marked(aria_label=shown(label))
    )


def table(
    names: Sequence[str], rows: Sequence[Component], *, label: str, kind: str = ""
) -> Component:
    """A table that scrolls by itself where it is wider than the page; `kind` "text": of sentences."""
    head = html.Tr([html.Th(say(name), scope="col") for name in names])
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(rows)]),
        className=f"table {kind}".strip(),
        tabIndex="0",
        role="region",
        **marked(aria_label=label),
    )


def unknown_panel(lines: Sequence[Any]) -> Component:
    """What we do not know, on every screen; an empty list is said as well."""
    shown = lines or ["Nothing that this page could name."]
    return html.Section(
        [
            html.H2("What we do not know", id="unknown"),
            html.Ul([html.Li(line) for line in shown]),
        ],
        className="unknowns",
        **marked(aria_labelledby="unknown"),
    )


def unknown_zones(unit: UnitNow) -> str:
    """How much of a unit is unknown: "2 of 5 zones unknown"."""
    return say(
        "{unknown} of {count} unknown",
        unknown=unit.unknown,
        count=words.count(len(unit.zones), "zone"),
    )


REASONS = (
    "no zone is known",
    "no zone is watched",
    "cabin only: walls not watched",
)  # of the record


def reason(told: str) -> str:
    """Why a unit's word is not its worst zone's, as `monitor.store.board.unit_word` tells it."""
    zone, wet, _ = told.partition(" was wet when last heard")
    return say("{zone} was wet when last heard", zone=zone) if wet else say(told)


def why_unknown(asked: Wish, zone: ZoneNow, site: SiteRow) -> str:
    """Facts behind a zone that is unknown."""
    if zone.heard_s is None:
        if zone.placed_s is None:
            return say("{code}: no probe is placed here.", code=zone.code)
        return say(
            "{code}: nothing heard since its probe was placed {age}.",
            code=zone.code,
            age=words.age(asked.now_s - zone.placed_s),
        )
    facts_known = [say("last reading {age}", age=words.age(asked.now_s - zone.heard_s))]
    if zone.placed_s is not None:
        facts_known.append(say("probe placed {at}", at=words.when(zone.placed_s, site.timezone)))
    if zone.coverage_percent is not None:
        facts_known.append(
            say(
                "{coverage_percent:.0f} % of its last judged hour covered",
                coverage_percent=zone.coverage_percent,
            )
        )
    if zone.last_word:
        facts_known.append(say("last known {word}", word=say(zone.last_word)))
    return f"{zone.code}: {', '.join(facts_known)}."


def look(zone: ZoneNow, alarms: Sequence[AlarmRow], unit: Unit) -> Look | None:
    """Where to look from a zone; None where no water shows that comes from outside its wall."""
    shown = next(
        (alarm for alarm in alarms if alarm.zone == zone.code and alarm.kind in SHOWS_WATER), None
    )
    if zone.kind in {"cabin", "outside"} or (
        shown is None and zone.cause not in COMES_FROM_OUTSIDE
    ):
        return None
    found = cast(Cause, (shown.cause if shown else "") or zone.cause)
    return explain.look(zone.code, kind=cast(ZoneKind, zone.kind), unit=unit, cause=found)


def missing(what: str, code: str, asked: Wish) -> list[Any]:
    """Page for an address that leads nowhere."""
    return [
        html.H1(say("No {what} “{code}”", what=say(what), code=code)),
        html.P(
            [
                say("The record has no {what} of that code. ", what=say(what)),
                html.A("Go to the Lot", href=asked.link("/")),
                ".",
            ]
        ),
    ]
