"""Section: the wall of a zone, cut open, and what the page's figures mean."""

from typing import Any

import numpy as np
from dash import html

from dashboards import views, words
from dashboards.words import Wish
from monitor import drawing, text
from monitor.catalogue import say
from monitor.drawing import Floats, Line, Span
from monitor.explain import Section


def blocks(section: Section | None, asked: Wish, *, own: bool) -> list[Any]:
    """Section at rest and the estimate behind the panel.

    Parameters
    ----------
    section : Section or None
        None: the air on one side is not known.
    asked : Wish
    own : bool
        Whether the zone's probe sits in the wall.
    """
    head = html.H2("Through the wall", className="chart-title")
    if section is None:
        return [head, html.P(text.NO_SECTION, className="sentence")]
    return [head, *_at_rest(section, asked), *_behind(section, own=own)]


def meanings() -> html.Details:
    """What each figure means, with its source."""
    terms: list[Any] = []
    for name, meaning, source in text.MEANINGS:
        terms += [
            html.Dt(name),
            html.Dd([meaning, html.Small([" ", say("Source: {source}.", source=say(source))])]),
        ]
    return html.Details(
        [html.Summary("What these numbers mean"), html.Dl(terms)], className="meanings"
    )


def _at_rest(section: Section, asked: Wish) -> list[Any]:
    def shown(values: Floats) -> Floats:
        return drawing.shown_temperature(values, fahrenheit=asked.fahrenheit)

    last = float(len(section.parts))
    place = np.concatenate([[-0.6], section.place, [last + 0.6]])
    celsius = np.concatenate([[section.outside[0]], section.temperature_c, [section.inside[0]]])
    dew = np.concatenate([[section.outside[1]], section.dew_point_c, [section.inside[1]]])
    at = np.searchsorted(section.place, section.planes)
    figure = drawing.section(
        parts=[(part.name, part.thickness_mm) for part in section.parts],
        lines=[
            (say("temperature"), place, shown(celsius), drawing.WARM, "solid"),
            ("dew point of its vapour", place, shown(dew), drawing.WATER, "dash"),
        ],
        marks=[
            ("condenses here", section.place[k], float(shown(section.temperature_c)[k]))
            for k in at.tolist()
        ],
        unit=asked.degree,
    )
    sentence = text.section_text(
        gain_g_m2_day=section.gain_g_m2_day,
        planes=len(section.planes),
        inside=_air(section.inside, asked),
        outside=_air(section.outside, asked),
        construction=section.construction,
    )
    return [
        html.P(sentence, className="sentence"),
        views.graph(figure, label=sentence, size="section"),
        html.Details(
            [html.Summary("Through the wall: layers and figures"), *_layers(section, asked)]
        ),
    ]


def _air(side: tuple[float, float], asked: Wish) -> str:
    return say(
        "{temperature} with dew point {dew_point}",
        temperature=words.temperature(side[0], asked),
        dew_point=words.temperature(side[1], asked),
    )


def _layers(section: Section, asked: Wish) -> list[Any]:
    rows = []
    for number, part in enumerate(section.parts):
        inner = int(np.searchsorted(section.place, number + 1.0))
        inner = min(inner, len(section.place) - 1)
        figures = (
            f"{part.thickness_mm:.3g} mm",
            words.temperature(float(section.temperature_c[inner]), asked),
            words.temperature(float(section.dew_point_c[inner]), asked),
            f"{section.vapour_pa[inner]:.0f} Pa",
            f"{section.saturation_pa[inner]:.0f} Pa",
            say(part.source),
        )
        cells = [html.Td(figure) for figure in figures]
        rows.append(html.Tr([html.Th(say(part.name), scope="row"), *cells]))
    names = (
        "layer, from outside",
        "thickness",
        "temperature at its inner face",
        "dew point there",
        "vapour pressure",
        "at saturation",
        "source of its values",
    )
    bridge = say(
        "Coldest place: {bridge}, temperature factor {factor:.2f} behind furniture. "
        "Field: U = {u_value:.2f} W/(m² K).",
        bridge=say(section.bridge),
        factor=section.factor,
        u_value=section.u_value,
    )
    return [html.P(bridge), views.table(names, rows, label="Layers of the wall")]


def _behind(section: Section, *, own: bool) -> list[Any]:
    known = np.flatnonzero(np.isfinite(section.best_percent))
    if not len(known):
        return []
    last = int(known[-1])
    low, high = section.low_percent, section.high_percent
    sentence = text.estimate_text(
        low=float(low[last]), high=float(high[last]), contradicted=section.contradicted, own=own
    )
    return [html.P(sentence, className="sentence")]


def band(section: Section | None, span: Span) -> list[Line]:
    """Lines of the estimated humidity behind the panel, for the page's humidity chart."""
    if section is None:
        return []
    hours = (span.to_s - span.from_s) // 3600
    count = min(hours, len(section.low_percent))
    at_s = span.to_s - 3600 * np.arange(count, 0, -1)
    return [
        Line(name, at_s, values[-count:], drawing.FAINT, dash="dot", width=1.0)
        for name, values in (
            ("estimate, lowest", section.low_percent),
            ("estimate, highest", section.high_percent),
        )
    ]
