"""Bench: a probe in a box over salt; whether it is at rest, and what earlier checks found."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages.forms import choice, field, hidden
from dashboards.words import Wish
from monitor import correction, drawing
from monitor.bench import Settling
from monitor.catalogue import say
from monitor.drawing import Floats, Ints, Line, Span
from monitor.lot import BenchCheck, BenchPoint, Placement
from monitor.text import bench as text

HOUR_S = 3600
SHOWN = 30  # checks
LONGEST_H = 168


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """How a probe did over the last day."""

    settling: Settling
    from_s: int
    to_s: int
    at_s: Ints
    humidity_percent: Floats
    hidden: bool  # its course tells how others live


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the page is drawn from."""

    probes: Mapping[str, Placement]  # that can be chosen, by site/node/probe
    zones: Mapping[str, str]  # time zone of each site
    points: tuple[BenchPoint, ...]
    token: str
    looked: Look | None = None  # of the chosen one


def blocks(told: Told, asked: Wish) -> list[Any]:
    """The page."""
    chosen = told.probes.get(asked.choice("probe"))
    return [
        html.P(html.A("← Nodes", href=asked.link("/nodes")), className="back"),
        html.H1("Bench"),
        html.P(
            "A probe in a closed box over wet salt should read what that salt gives. Two salts tell how to correct it; "
            "what it measured before stays as it was judged.",
            className="sentence",
        ),
        *_lying(told),
        *_choose(told, asked),
        *(_looked(told, chosen, told.looked, asked) if chosen and told.looked else []),
        *_checks(told),
        html.H2("Step by step"),
        html.Ol([html.Li(step) for step in text.STEPS], className="tasks"),
        html.Div([html.P(caution) for caution in text.CAUTIONS], className="caution"),
        views.unknown_panel([*text.UNKNOWN, text.PRACTICE]),
    ]


def _lying(told: Told) -> list[Any]:
    """Probes that nobody put back yet, with the one thing to do."""
    newest = {(p.site, p.node, p.probe): p for p in correction.open_points(told.points)}
    if not newest:
        return []
    items = [html.Li(_lies(point, told)) for _, point in sorted(newest.items())]
    return [
        html.H2("In a box, as far as is known"),
        html.P(text.LIES),
        html.Ul(items, className="plain"),
    ]


def _lies(point: BenchPoint, told: Told) -> list[Any]:
    key = f"{point.site}/{point.node}/{point.probe}"
    placed = told.probes.get(key)
    zone = "/".join(filter(None, (placed.unit, placed.zone))) if placed else ""
    since = words.when(point.from_s, told.zones[point.site])
    form = html.Form(
        [
            hidden("token", told.token),
            hidden("probe", key),
            field("For how many hours? Empty: just now", "hours", of=f"-{point.number}", kind="number", span=(0, 9999),
                  optional=True),
            html.Button("It is in its place again", type="submit"),
        ],
        action="/bench/back",
        method="post",
        className="bench",
    )  # fmt: skip
    said = say("of {zone}, since {since}", zone=zone, since=since)
    return [html.P([html.B(f"{point.node}/{point.probe}"), " ", said]), form]


def _choose(told: Told, asked: Wish) -> list[Any]:
    options = [
        (key, f"{key} · {'/'.join(filter(None, (p.unit, p.zone)))}")
        for key, p in sorted(told.probes.items())
    ]
    if not options:
        return [html.P("No probe is placed yet.")]
    form = html.Form(
        [
            choice("Probe", "probe", options, chosen=asked.choice("probe")),
            html.Button("Look at it", type="submit", className="plain"),
        ],
        action="/bench",
        method="get",
        className="bench",
    )
    return [html.H2("Which probe is in the box?"), form]


def _looked(told: Told, chosen: Placement, look: Look, asked: Wish) -> list[Any]:
    found, name = look.settling, f"{chosen.node}/{chosen.probe}"
    said = text.settling_text(found.word, wait_s=found.wait_s)
    sentence = say("{name}: {said}.", name=name, said=said)
    if np.isfinite(found.rate_percent_h):
        sentence += " " + text.rate_text(found.rate_percent_h, found.left_percent)
    parts: list[Any] = [
        html.H2("Is it at rest?"),
        html.P(html.B(sentence), className="sentence", role="status"),
    ]
    if look.hidden:
        parts.append(
            html.P("Somebody lives where it was: its course over the day is not shown to you.")
        )
    elif look.at_s.size:
        parts += _course(told, chosen, look, sentence, asked)
    return [*parts, _form(told, asked.choice("probe"))]


def _course(told: Told, chosen: Placement, look: Look, sentence: str, asked: Wish) -> list[Any]:
    zone = told.zones[chosen.site]
    offset_s = words.offset_s(asked.now_s, zone)
    span = Span(look.from_s, look.to_s, offset_s, asked.twelve_hour)
    line = Line(
        say("humidity as measured"), look.at_s, look.humidity_percent, drawing.WATER, width=2.2
    )
    hours = look.at_s // HOUR_S
    rows = []
    for hour in np.unique(hours)[::-1]:
        values = look.humidity_percent[hours == hour]
        values = values[np.isfinite(values)]
        if values.size:
            rows.append(
                html.Tr(
                    [
                        html.Th(words.when(int(hour) * HOUR_S, zone), scope="row"),
                        html.Td(f"{values.min():.1f} %", className="figure"),
                        html.Td(f"{values.max():.1f} %", className="figure"),
                    ]
                )
            )
    names = ("time", "lowest", "highest")
    return [
        views.graph(drawing.chart([line], span, unit="%"), label=sentence),
        html.Details(
            [html.Summary("As a table"), views.table(names, rows, label="Hours of the last day")]
        ),
    ]


def _form(told: Told, probe: str) -> Component:
    salts = [(salt, say(name)) for salt, name in text.SALT_NAMES.items()]
    return html.Form(
        [
            hidden("token", told.token),
            hidden("probe", probe),
            choice("Salt in the box", "salt", salts),
            field("Hours in the box, about", "hours", kind="number", span=(1, LONGEST_H)),
            field("Batch on the salt's label", "batch", optional=True),
            html.Button("Enter this point", type="submit"),
        ],
        action="/bench/point",
        method="post",
        className="bench",
    )


def _checks(told: Told) -> list[Any]:
    found = correction.whole(correction.checks(told.points))
    found.sort(key=lambda one: one.at_s, reverse=True)
    undone = [point for point in told.points if point.undone_s is not None]
    parts: list[Any] = [html.H2("Checks")]
    if not found:
        parts.append(html.P(text.NO_POINTS))
    else:
        parts.append(html.Ul([_item(one, told) for one in found[:SHOWN]], className="plain"))
    if undone:
        lines = [
            say(
                "Point {number} of {node}/{probe}, {salt}, taken back by {who}: {why}",
                number=point.number,
                node=point.node,
                probe=point.probe,
                salt=point.salt,
                who=point.undone_who,
                why=point.undone_why,
            )
            for point in undone
        ]
        parts.append(html.Ul([html.Li(line) for line in lines]))
    return parts


def _item(check: BenchCheck, told: Told) -> Component:
    points = "; ".join(
        text.point_text(
            point.salt,
            measured=point.measured_percent,
            reference=point.reference_percent,
            celsius=point.temperature_c,
        )
        for point in check.points
    )
    what = text.check_text(
        check.correction(30.0),
        check.correction(80.0),
        points=len(check.points),
        accuracy=check.uncertainty_percent,
    )
    who = check.who + (say(", batch {batch}", batch=check.batch) if check.batch else "")
    since = words.when(check.at_s, told.zones[check.site])
    return html.Li(
        [
            html.P([html.B(f"{check.node}/{check.probe}"), f" {since}: {what}."]),
            html.P(f"{points}. {who}", className="aside"),
            *(_take_back(point, told) for point in check.points),
        ]
    )


def _take_back(point: BenchPoint, told: Told) -> Component:
    name = say(
        "Take back point {number}: {node}/{probe}, {salt}",
        number=point.number,
        node=point.node,
        probe=point.probe,
        salt=point.salt,
    )
    form = html.Form(
        [
            hidden("token", told.token),
            hidden("number", str(point.number)),
            field("Why", "why", of=f"-{point.number}"),
            html.Button("Take back", type="submit", className="plain"),
        ],
        action="/bench/undo",
        method="post",
        className="bench",
    )
    return html.Details([html.Summary(name), form])
