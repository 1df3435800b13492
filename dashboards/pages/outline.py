"""Outline: the unit drawn with its zones where their codes say, and water's usual ways to them."""

from collections.abc import Sequence
from typing import Any, cast

from dash import html
from dash.development.base_component import Component
from markupsafe import Markup

from dashboards import views, words
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.evidence.entries import BASIS
from monitor.lot import ZoneKind
from monitor.outline import Outline, Shown, Told, View, Way, outline, svg
from monitor.store.board import UnitNow, ZoneNow


def blocks(unit: UnitNow, asked: Wish) -> list[Any]:
    """Drawing of a unit and the table behind it; nothing for a unit without zones."""
    if not unit.zones:
        return []
    shown = [_shown(zone, unit) for zone in unit.zones]
    drawn = outline(unit.declared.body_type, shown, slides=unit.declared.slides)
    sheets = [_sheet(view, unit, asked) for view in drawn.views]
    parts = [
        html.H2("Where its zones are", id="outline"),
        html.P(_standing(drawn, unit), className="aside"),
        html.Div([*sheets, *_entries(drawn, unit, asked)], className="sheets"),
        *_listed(drawn, unit, asked),
        html.Details(
            [
                html.Summary("The drawing as a table, and how it is drawn"),
                _table(drawn, shown),
                html.P(_how(drawn, unit)),
            ]
        ),
    ]
    return [html.Section(parts, className="outline", **marked(aria_labelledby="outline"))]


def _shown(zone: ZoneNow, unit: UnitNow) -> Shown:
    look = views.look(zone, unit.alarms, unit.declared)
    entries = look.entries if look else ()
    return Shown(zone.code, cast(ZoneKind, zone.kind), zone.word, entries)


def _sheet(view: View, unit: UnitNow, asked: Wish) -> Component:
    name = words.view(view.name)
    count = words.count(len(view.marks), "zone") if view.marks else say("no zone")
    drawn = svg(view, label=f"{name}: {count}", link=lambda code: _address(unit, code, asked))
    return html.Figure(
        [Markup(drawn), html.Figcaption([html.B(name), f", {count}"])],  # noqa: S704  escaped by svg
        className="sheet",
    )


def _address(unit: UnitNow, zone: str, asked: Wish) -> str:
    return asked.link(words.zone_path(unit.site, unit.code, zone))


def _entries(drawn: Outline, unit: UnitNow, asked: Wish) -> list[Any]:
    """Numbers of the drawing, zone by zone."""
    said: list[Any] = []
    for zone in dict.fromkeys(way.zone for way in drawn.ways):
        ways = [way for way in drawn.ways if way.zone == zone]
        link = html.A(zone, href=_address(unit, zone, asked))
        numbered = any(way.points for way in ways)
        said += [
            html.P([link, text.ENTRIES_OF, "" if numbered else text.NONE_MARKED], className="who"),
            html.Ul([_entry(way, tell=numbered) for way in ways], className="entries"),
        ]
    if not said:
        return []
    return [html.Div([*said, html.P(BASIS, className="aside")], className="ways")]


def _entry(way: Way, *, tell: bool) -> Component:
    """One entry with its number, ringed as in the drawing if it is there; else it may be told why not."""
    unmarked = say(text.NOT_MARKED) if tell and not way.points else ""
    return html.Li(
        [
            html.Span(str(way.number), className="number" if way.points else "number bare"),
            html.Span(f"{say(way.entry.name)}: {say(way.entry.where)}.{unmarked}"),
        ]
    )


def _listed(drawn: Outline, unit: UnitNow, asked: Wish) -> list[Any]:
    """Zones that are in no view, and why."""
    if not drawn.listed:
        return []
    lines = [
        html.Li(
            [
                views.mark(zone.word),
                html.Span(
                    [
                        html.A(zone.code, href=_address(unit, zone.code, asked)),
                        f": {say(text.NOT_DRAWN[why])}",
                    ]
                ),
            ]
        )
        for zone, why in drawn.listed
    ]
    return [html.P("Not in the drawing"), html.Ul(lines, className="off-sheet")]


def _standing(drawn: Outline, unit: UnitNow) -> str:
    """What must be known before the drawing is read."""
    is_open = any(mark.over for view in drawn.views for mark in view.marks)
    box = "" if drawn.body.known else text.box_text(unit.declared.body_type)
    parts = (box, say(text.NOT_TO_SCALE), say(text.OPEN_LINE) if is_open else "")
    return " ".join(filter(None, parts))


def _how(drawn: Outline, unit: UnitNow) -> str:
    numbers = [v.name.removeprefix("slide") for v in drawn.views if v.name.startswith("slide")]
    slides = text.slides_text(unit.declared.slides, numbers)
    return " ".join(filter(None, (say(text.SIDES_MEAN), say(text.DOOR_RIGHT), slides)))


def _table(drawn: Outline, shown: Sequence[Shown]) -> Component:
    rows = []
    for zone in shown:
        ways = [way for way in drawn.ways if way.zone == zone.code]
        entries = (
            "; ".join(f"{way.number} {say(way.entry.name)}" for way in ways) or words.UNMEASURED
        )
        cells = (*_place(drawn.places[zone.code], zone), say(zone.word), entries)
        rows.append(html.Tr([html.Th(zone.code, scope="row"), *(html.Td(cell) for cell in cells)]))
    names = ("zone", "side", "position", "height", "state", "likely entries")
    return views.table(names, rows, label="Zones and their places", kind="text")


def _place(place: Told, zone: Shown) -> tuple[str, str, str]:
    """Side, position and height as a zone's code tells them."""
    side, across = words.UNSAID, place.across
    if place.view in {"door", "off"}:
        side, across = say(words.VIEWS[place.view]).lower(), ""
    elif place.view in {"front", "rear"}:
        side = place.view
    elif place.view.startswith("slide"):
        side = say("slide {number}", number=place.view.removeprefix("slide"))
    elif place.view == "plan":
        side, across = (
            (say(words.VIEWS[across]).lower() if across in words.VIEWS else across or words.UNSAID),
            "",
        )
    along = "" if place.view in {"front", "rear"} else place.along
    position = ", ".join(map(say, filter(None, (along, across)))) or say(words.UNSAID)
    height = place.level or (words.UNSAID if zone.kind in {"wall", "bay"} else zone.kind)
    return say(side), position, say(height)
