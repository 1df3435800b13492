"""Figures for page, mail and print. Data come in judged; nothing here decides anything.

The drawing follows the water: rain hangs from the top edge, wood moisture answers below it. Every
line can be told apart without colour (full, dashed, dotted), and what was not measured is left
open and hatched, never bridged.
"""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.catalogue import say

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

INK = "#1b2a33"
FAINT = "#63727a"
HAIR = "#d5dad6"
WATER = "#0b4a7d"
RAIN = "#5f8fb4"
WARM = "#9a4a1c"
WOOD = "#6b5433"
PAPER = "rgba(0,0,0,0)"

MOST_POINTS = 1500  # three of each bucket of two pixels of a wide screen: more only cost time
SWING_DAYS = 100  # beyond it, days are narrower than a line and would fill the chart
GAP_SHOWN_H = 3  # shorter gaps are open in the line, but too narrow to hatch
MOST_GAPS = 60  # hatched; the longest ones


# without a theme of the library; its one rule that we draw by: hatching lies over the fill
_PLAIN = {"data": {"scatter": [{"type": "scatter", "fillpattern": {"fillmode": "overlay"}}]}}


@dataclass(slots=True, eq=False)
class Figure:
    """A chart as plotly.js takes it: traces and a layout, in the words of its schema.

    plotly's own figures look every word up in a list of all charts there are, 9 MB in a board of 80;
    the tests look ours up there.
    """

    data: list[dict[str, Any]] = field(default_factory=list)
    layout: dict[str, Any] = field(default_factory=lambda: {"template": _PLAIN})

    def add_scatter(self, **trace: Any) -> None:  # noqa: ANN401  words of the schema
        """Add a line, points, or an area."""
        self.data.append({"type": "scatter", **trace})

    def add_bar(self, **trace: Any) -> None:  # noqa: ANN401
        """Add bars."""
        self.data.append({"type": "bar", **trace})

    def add_annotation(self, **words: Any) -> None:  # noqa: ANN401
        """Add a word at a place."""
        self.layout.setdefault("annotations", []).append(words)

    def add_shape(self, **shape: Any) -> None:  # noqa: ANN401
        """Add a line or an area that belongs to no trace."""
        self.layout.setdefault("shapes", []).append(shape)

    def update_layout(self, **changes: Any) -> None:  # noqa: ANN401
        """Set what is given, at any depth; the rest of the layout stays."""
        self.layout = _merged(self.layout, changes)

    def to_plotly_json(self) -> dict[str, Any]:
        """Data and layout, arrays as plotly.js reads them from text: half the bytes of digits."""
        return {"data": [_written(trace) for trace in self.data], "layout": _written(self.layout)}


def _merged(held: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    both = {
        name: _merged(held[name], new)
        for name, new in changes.items()
        if isinstance(new, Mapping) and isinstance(held.get(name), Mapping)
    }
    return {**held, **changes, **both}


def _written(value: Any) -> Any:  # noqa: ANN401  any value of a figure
    if isinstance(value, Mapping):
        return {name: _written(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_written(each) for each in value]
    if isinstance(value, np.ndarray):
        numbers = value.astype("<f8")
        return {"dtype": "f8", "bdata": base64.b64encode(numbers.tobytes()).decode()}
    return value.item() if isinstance(value, np.generic) else value


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One line of a chart; nan breaks it."""

    name: str
    at_s: Ints
    values: Floats
    colour: str
    dash: str = "solid"  # solid, dash, dot
    width: float = 1.6
    # follows sun and night: over long spans drawn as its daily mean within its daily extremes
    swings: bool = False
    banded: bool = True  # of one that swings, whether its extremes are filled: of one line a chart


@dataclass(frozen=True, slots=True)
class Span:
    """What a chart's time axis shows: [from_s, to_s) in seconds, written `offset_s` ahead of UTC."""

    from_s: int
    to_s: int
    offset_s: int = 0
    twelve_hour: bool = False  # clock of the reader


def shown_temperature(temperature_c: Floats, *, fahrenheit: bool) -> Floats:
    """Temperatures in the scale a person chose; the record stays in °C."""
    return temperature_c * 9 / 5 + 32 if fahrenheit else temperature_c


def thin(values: Floats, *, most: int = MOST_POINTS) -> Ints:
    """Places to keep so that about `most` are left, with the extremes and the gaps of each bucket.

    Parameters
    ----------
    values : array of float, shape (n,)
        nan where missing.
    most : int
        Wanted number of points.

    Returns
    -------
    array of int
        Rising indices; all of them where n <= `most`.
    """
    count = len(values)
    if count <= most:
        return np.arange(count)
    width = -(-count * 3 // most)  # up to three points are kept of each bucket
    padded = np.full(-(-count // width) * width, np.nan)
    padded[:count] = values
    rows = padded.reshape(-1, width)
    missing = np.isnan(rows)
    missing[-1, count - (len(rows) - 1) * width :] = False  # padding is no gap
    start = np.arange(len(rows)) * width
    low = np.where(np.isnan(rows), np.inf, rows).argmin(axis=1) + start
    high = np.where(np.isnan(rows), -np.inf, rows).argmax(axis=1) + start
    gap = missing.argmax(axis=1) + start
    kept = np.concatenate([low, high, gap[missing.any(axis=1)], [0, count - 1]])
    kept = np.unique(kept)
    return kept[kept < count]


# --- charts ---------------------------------------------------------------------------------------


def chart(
    lines: Sequence[Line],
    span: Span,
    *,
    unit: str,
    limits: Sequence[tuple[float, str]] = (),
    headroom: float = 0.08,
) -> Figure:
    """Lines over time, with gaps hatched and limits as thin lines that carry their name.

    Parameters
    ----------
    lines : sequence of Line
        The first one's gaps are the ones hatched.
    span : Span
        Time shown, the same for every chart of a page so that they stand above each other.
    unit : str
        Of the values, such as "°C".
    limits : sequence of (value, name)
        Level lines.
    headroom : float
        Part of the values' range left free above them.
    """
    figure = Figure()
    for line in lines:
        _draw(figure, line, span, unit=unit)
    _dress(figure, span, unit=unit)
    _hatch(figure, lines[0], span)
    every = np.concatenate([*(line.values for line in lines), [limit for limit, _ in limits]])
    if (~np.isnan(every)).any():
        low, high = float(np.nanmin(every)), float(np.nanmax(every))
        reach = max(high - low, 1.0)
        figure.update_layout(yaxis={"range": [low - 0.08 * reach, high + headroom * reach]})
    for value, name in limits:
        figure.add_shape(
            type="line", x0=0, x1=1, xref="x domain", y0=value, y1=value, yref="y",
            line={"color": FAINT, "width": 1, "dash": "dot"},
        )  # fmt: skip
        figure.add_annotation(
            x=0,
            xref="paper",
            y=value,
            text=name,
            showarrow=False,
            xanchor="left",
            yanchor="bottom",
            bgcolor="rgba(248,248,244,0.85)",
            borderpad=1,
            font={"size": 11, "color": INK},
        )
    return figure


def rain_chart(at_s: Ints, rain_mm: Floats, span: Span) -> Figure:
    """Rain alone, hanging from the top edge; hatched where it was not recorded."""
    figure = Figure()
    _dress(figure, span, unit="mm")
    _hatch(figure, Line("rain", at_s, rain_mm, RAIN), span)
    add_rain(figure, at_s, rain_mm, span)
    deepest = figure.layout["yaxis2"]["range"][0] / 2.5
    figure.update_layout(
        yaxis={"visible": False},
        yaxis2={"range": [deepest, 0], "side": "left", "showticklabels": True},
    )
    return figure


def per_day(day: Ints, values: Floats) -> tuple[Floats, Floats, Floats]:
    """Lowest, mean and highest of each distinct day, rising; nan for a day without values."""
    days, where = np.unique(day, return_inverse=True)
    known = ~np.isnan(values)
    low, high = np.full(len(days), np.inf), np.full(len(days), -np.inf)
    np.minimum.at(low, where[known], values[known])
    np.maximum.at(high, where[known], values[known])
    counts = np.bincount(where[known], minlength=len(days))
    sums = np.bincount(where[known], weights=values[known], minlength=len(days))
    some = counts > 0
    mean = np.where(some, sums / np.maximum(counts, 1), np.nan)
    return np.where(some, low, np.nan), mean, np.where(some, high, np.nan)


def _draw(figure: Figure, line: Line, span: Span, *, unit: str) -> None:
    at_s, values, name = line.at_s, line.values, say(line.name)
    if line.swings and span.to_s - span.from_s > SWING_DAYS * 86400:
        day = (at_s + span.offset_s) // 86400
        low, values, high = per_day(day, values)
        counts = np.unique(day, return_counts=True)[1]
        # the mean of a part of a day, at the ends of the span, would show sun or night alone
        low, values, high = (np.where(counts < 24, np.nan, v) for v in (low, values, high))
        at_s = np.unique(day) * 86400 + 43200 - span.offset_s
        name = say(
            "{name}, daily mean and extremes" if line.banded else "{name}, daily mean", name=name
        )
        if line.banded:
            _shade(figure, _stamps(at_s, span), low, high, line.colour)
    kept = thin(values)
    figure.add_scatter(
        x=_stamps(at_s[kept], span),
        y=values[kept],
        name=name,
        mode="lines",
        connectgaps=False,
        line={"color": line.colour, "dash": line.dash, "width": line.width},
        hovertemplate=f"{say(line.name)} %{{y:.1f}} {say(unit)}<extra></extra>",
    )


def _shade(figure: Figure, x: Floats, low: Floats, high: Floats, colour: str) -> None:
    """Fill between two lines, one stretch of known days at a time."""
    known = np.flatnonzero(~np.isnan(low))
    for run in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        if len(run):
            figure.add_scatter(
                x=np.concatenate([x[run], x[run][::-1]]),
                y=np.concatenate([high[run], low[run][::-1]]),
                mode="lines",
                line={"width": 0.5, "color": colour},
                fill="toself",
                fillcolor=f"rgba({int(colour[1:3], 16)},{int(colour[3:5], 16)},{int(colour[5:], 16)},0.22)",
                hoverinfo="skip",
                showlegend=False,
            )


def add_rain(figure: Figure, at_s: Ints, rain_mm: Floats, span: Span) -> None:
    """Hang rain from the top of a chart, on an axis of its own that grows downwards.

    `rain_mm` is the rain of the hour that starts at `at_s`; long spans are shown in daily sums.
    """
    step_s = 3600 if span.to_s - span.from_s <= 20 * 86400 else 86400
    slot = at_s // step_s
    fell = np.nan_to_num(rain_mm)
    slots, where = np.unique(slot, return_inverse=True)
    sums = np.bincount(where, weights=fell) if len(slots) else np.zeros(0)
    wet = sums > 0
    top = float(sums.max(initial=0.0))
    figure.add_bar(
        x=_stamps(slots[wet] * step_s + step_s // 2, span),
        y=sums[wet],
        name=say("rain, mm an hour" if step_s == 3600 else "rain, mm a day"),
        yaxis="y2",
        marker={"color": RAIN, "line": {"width": 0}},
        width=max(step_s * 600, (span.to_s - span.from_s) * 1000 // 500),
        hovertemplate=f"{say('rain')} %{{y:.1f}} mm<extra></extra>",
    )
    figure.update_layout(
        yaxis2={
            "overlaying": "y",
            "side": "right",
            # the deepest rain reaches a third of the way down
            "range": [max(top, 2.0) * 3, 0],
            "showgrid": False,
            "zeroline": False,
            "showticklabels": False,
            "fixedrange": True,
        }
    )


def add_goal(figure: Figure, at_s: Ints, low: Floats, high: Floats, span: Span) -> None:
    """Fill what a line has to come into."""
    kept = thin(high)
    x = _stamps(at_s[kept], span)
    _shade(figure, x, low[kept], high[kept], WATER)
    figure.add_scatter(
        x=x,
        y=high[kept],
        name=say("up to the drying goal"),
        mode="lines",
        connectgaps=False,
        line={"color": WATER, "width": 1, "dash": "dot"},
        hovertemplate=f"{say('goal')} %{{y:.1f}} %<extra></extra>",
    )


def add_marks(
    figure: Figure, at_s: Ints, values: Floats, span: Span, *, name: str, symbol: str
) -> None:
    """Single points on a line, told apart by their shape."""
    figure.add_scatter(
        x=_stamps(at_s, span),
        y=values,
        name=name,
        mode="markers",
        marker={"color": INK, "size": 11, "symbol": symbol, "line": {"width": 1.6, "color": INK}},
        hovertemplate=f"{name}<extra></extra>",
    )


def add_moment(figure: Figure, at_s: int, span: Span, *, name: str) -> None:
    """Stand a line at one time, with its name at the top."""
    (x,) = _stamps(np.array([at_s]), span)
    figure.add_shape(
        type="line", x0=x, x1=x, y0=0, y1=1, yref="paper", line={"color": INK, "width": 1.4}
    )
    figure.add_annotation(
        x=x,
        y=0,
        yref="paper",
        text=name,
        showarrow=False,
        xanchor="left",
        yanchor="bottom",
        xshift=3,
        bgcolor="rgba(248,248,244,0.85)",
        font={"size": 11, "color": INK},
    )


def section(
    *,
    parts: Sequence[tuple[str, float]],
    lines: Sequence[tuple[str, Floats, Floats, str, str]],
    marks: Sequence[tuple[str, float, float]],
    unit: str,
) -> Figure:
    """Section through a wall, outside at the left, every layer equally wide.

    Parameters
    ----------
    parts : sequence of (name, thickness in mm)
        Layers, outside to inside; layer k reaches from k to k + 1.
    lines : sequence of (name, places, values, colour, dash)
    marks : sequence of (name, place, value)
        Single points, such as where water condenses.
    unit : str
        Of the values.
    """
    figure = Figure()
    for english, place, values, colour, dash in lines:
        name = say(english)
        figure.add_scatter(
            x=place,
            y=values,
            name=name,
            mode="lines",
            line={"color": colour, "width": 2, "dash": dash},
            hovertemplate=f"{name} %{{y:.1f}} {unit}<extra></extra>",
        )
    for english, where, value in marks:
        name = say(english)
        figure.add_scatter(
            x=[where],
            y=[value],
            name=name,
            mode="markers",
            marker={"color": INK, "size": 11, "symbol": "triangle-down"},
            hovertemplate=f"{name} %{{y:.1f}} {unit}<extra></extra>",
        )
    count = len(parts)
    for number, (name, thickness_mm) in enumerate(parts):
        if number % 2 == 0:
            figure.add_shape(
                type="rect", x0=number, x1=number + 1, xref="x", y0=0, y1=1, yref="y domain",
                fillcolor="#e6e2d6", opacity=0.6, layer="below", line={"width": 0},
            )  # fmt: skip
        figure.add_annotation(
            x=number + 0.5,
            y=1.0,
            yref="paper",
            yanchor="bottom",
            text=f"{'<br>'.join(say(name).split(' '))}<br>{thickness_mm:.3g} mm",
            showarrow=False,
            font={"size": 10, "color": FAINT},
        )
    figure.update_layout(
        margin={"l": 44, "r": 12, "t": 64, "b": 58},
        height=320,
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        font={"color": INK, "size": 12},
        legend={"orientation": "h", "y": -0.12, "x": 0},
        xaxis={
            "range": [-0.7, count + 0.7],
            "tickvals": [-0.35, count + 0.35],
            "ticktext": [say("outside"), say("inside")],
            "fixedrange": True,
            "showgrid": False,
            "zeroline": False,
        },
        yaxis={"ticksuffix": f" {unit}", "fixedrange": True, "gridcolor": HAIR, "zeroline": False},
        hovermode="closest",
    )
    return figure


def add_band(figure: Figure, at_s: Ints, low: Floats, high: Floats, span: Span) -> None:
    """Shade what an index could be between its low and its high, where the two differ."""
    apart = (high - low) > 1e-9
    if not apart.any():
        return
    kept = thin(np.where(apart, high, np.nan))
    x = _stamps(at_s[kept], span)
    edge = {"color": WOOD, "width": 1, "dash": "dot"}
    shown = {"mode": "lines", "line": edge, "connectgaps": False}
    for name, values in (("lowest across gaps", low), ("highest across gaps", high)):
        figure.add_scatter(
            x=x,
            y=np.where(apart, values, np.nan)[kept],
            name=say("lowest and highest across gaps"),
            legendgroup="pair",
            showlegend=values is low,
            hovertemplate=f"{say(name)} %{{y:.2f}}<extra></extra>",
            **shown,
        )


def _stamps(at_s: Ints, span: Span) -> Floats:
    """Times on the reader's wall clock, in ms as the library counts them: half the bytes of dates."""
    stamps: Floats = (at_s + span.offset_s) * np.float64(1000.0)
    return stamps


_DAY_MS = 86_400_000


def _ticks(hour: str) -> list[dict[str, object]]:
    return [
        {"dtickrange": [None, _DAY_MS - 1], "value": f"{hour}\n%-d %b"},
        {"dtickrange": [_DAY_MS, 27 * _DAY_MS], "value": "%-d %b"},
        {"dtickrange": [27 * _DAY_MS, None], "value": "%b %Y"},
    ]


def _dress(figure: Figure, span: Span, *, unit: str) -> None:
    edges = _stamps(np.array([span.from_s, span.to_s]), span)
    clock = "%-I:%M %p" if span.twelve_hour else "%H:%M"
    hour = (
        "%-I %p" if span.twelve_hour else clock
    )  # a span is a day at least: ticks are whole hours
    axis = {"gridcolor": HAIR, "linecolor": INK, "tickcolor": FAINT, "fixedrange": True}
    figure.update_layout(
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        height=230,
        # the same margins on every chart: times stand above each other
        margin={"l": 44, "r": 10, "t": 26, "b": 38},
        font={"family": "inherit", "size": 12, "color": INK},
        hovermode="x unified",
        dragmode=False,
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "font": {"size": 12}},
        xaxis={
            **axis,
            "type": "date",
            "range": list(edges),
            "showgrid": False,
            "nticks": 6,
            "tickangle": 0,
            "hoverformat": f"%a %-d %b %Y {clock}",
            "tickformatstops": _ticks(hour),
        },
        yaxis={**axis, "ticksuffix": "", "nticks": 5, "zeroline": False},
        uirevision=f"{span.from_s} {span.to_s}",  # what was zoomed to is an address of its own
    )
    figure.add_annotation(
        x=0, y=1, xref="paper", yref="paper", text=say(unit), showarrow=False,
        xanchor="right", yanchor="bottom", xshift=-8, font={"size": 12, "color": INK},
    )  # fmt: skip


def _hatch(figure: Figure, line: Line, span: Span) -> None:
    """Hatch the longest spans without data; a span that never had any is hatched whole."""
    gaps = gaps_of(line.at_s, line.values, from_s=span.from_s, to_s=span.to_s)
    long = sorted((g for g in gaps if g[1] - g[0] >= GAP_SHOWN_H * 3600), key=lambda g: g[0] - g[1])
    for start_s, end_s in long[:MOST_GAPS]:
        x0, x1 = _stamps(np.array([start_s, end_s]), span)
        figure.add_scatter(
            x=[x0, x1, x1, x0, x0],
            y=[0, 0, 1, 1, 0],
            yaxis="y3",
            mode="lines",
            line={"width": 0},
            fill="toself",
            fillpattern={"shape": "/", "fgcolor": "#b6bdb9", "size": 7, "solidity": 0.18},
            fillcolor="rgba(0,0,0,0)",
            hoverinfo="skip",
            showlegend=False,
        )
    if long:
        figure.update_layout(
            yaxis3={"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True}
        )


def gaps_of(at_s: Ints, values: Floats, *, from_s: int, to_s: int) -> list[tuple[int, int]]:
    """Spans [start, end) in seconds without a value between from_s and to_s, oldest first."""
    known = ~np.isnan(values)
    heard = np.concatenate([[from_s], at_s[known], [to_s]])
    # an hour's value stands for its whole hour: neighbours are one step apart
    step_s = int(np.median(np.diff(at_s))) if len(at_s) > 1 else 3600
    ends = np.concatenate([[from_s], at_s[known] + step_s])
    starts = heard[1:]
    open_ = starts - ends > step_s // 2
    return [(int(a), int(b)) for a, b in zip(ends[open_], starts[open_], strict=True)]


# --- small drawings, as SVG for an <img> ------------------------------------------------------------

STRIP_W, STRIP_H = 336, 44
_LOW_PERCENT, _HIGH_PERCENT = 8.0, 30.0  # wood in air: dry summer to fibre saturation


def strip(moisture_percent: Floats, rain_mm: Floats, *, limits_percent: tuple[float, float]) -> str:
    """Draw two weeks of wood moisture under the rain that fell, as a data URI.

    All strips share one scale, 8 to 30 %; a line beyond it runs along the edge.

    Parameters
    ----------
    moisture_percent, rain_mm : array of float, shape (steps,)
        nan where not known.
    limits_percent : (damp, wet)
        Level lines.
    """
    steps = len(moisture_percent)
    x = (np.arange(steps) + 0.5) * STRIP_W / steps
    y = _height(moisture_percent)
    damp, wet = (float(_height(np.array([limit]))[0]) for limit in limits_percent)
    heavy = np.where(moisture_percent >= limits_percent[1], y, np.nan)
    parts = [
        f"<path d='M0 {damp:.1f}H{STRIP_W}M0 {wet:.1f}H{STRIP_W}' stroke='{FAINT}' stroke-width='.6'/>",
        *_hatched(np.isnan(moisture_percent)),
        f"<path d='{_rain_path(x, rain_mm)}' stroke='{RAIN}' stroke-width='2'/>",
        f"<path d='{_line_path(x, y)}' stroke='{WATER}' stroke-width='1.6'/>",
        f"<path d='{_line_path(x, heavy)}' stroke='{WATER}' stroke-width='4'/>",
    ]
    return _svg(parts)


def rain_strip(rain_mm: Floats) -> str:
    """Draw two weeks of rain hanging from the top edge, as a data URI."""
    steps = len(rain_mm)
    x = (np.arange(steps) + 0.5) * STRIP_W / steps
    days = "".join(f"M{STRIP_W * k / 14:.0f} {STRIP_H}v-5" for k in range(15))
    return _svg(
        [
            f"<path d='M0 .7H{STRIP_W}' stroke='{INK}'/>",
            *_hatched(np.isnan(rain_mm)),
            f"<path d='{_rain_path(x, rain_mm)}' stroke='{WATER}' stroke-width='2'/>",
            f"<path d='{days}' stroke='{FAINT}'/>",
        ]
    )


def two_weeks(percent: Sequence[float | None], *, title: str) -> bytes:
    """Draw wood moisture of the last two weeks with its scale, as an SVG file.

    Parameters
    ----------
    percent : sequence of float or None, length 336
        One value an hour; None where it is not known, and nothing is drawn there.
    """
    values = np.array([np.nan if value is None else value for value in percent], dtype=np.float64)
    x = (np.arange(len(values)) + 0.5) * STRIP_W / max(len(values), 1)
    levels = [(level, float(_height(np.array([level]))[0])) for level in (10.0, 15.0, 20.0, 25.0)]
    grid = "".join(
        f"<path d='M0 {y:.1f}H{STRIP_W}' stroke='{HAIR}' stroke-width='.5'/>"
        f"<text x='{STRIP_W + 3}' y='{y + 2:.1f}'>{level:.0f} %</text>"
        for level, y in levels
    )
    days = "".join(f"M{STRIP_W * day / 14:.0f} {STRIP_H}v-3" for day in range(15))
    named = say("{place}: wood moisture, the last 14 days", place=title)
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='-6 -12 {STRIP_W + 40} {STRIP_H + 26}' "
        f"width='{2 * (STRIP_W + 40)}' fill='none' font-family='sans-serif' font-size='6'>"
        f"<rect x='-6' y='-12' width='{STRIP_W + 40}' height='{STRIP_H + 26}' fill='#ffffff'/>"
        f"<g fill='{INK}'><text y='-4'>{escape(named)}</text>"
        f"{grid}<text y='{STRIP_H + 9}'>{say('14 days ago')}</text>"
        f"<text x='{STRIP_W}' y='{STRIP_H + 9}' text-anchor='end'>{say('now')}</text></g>"
        f"{''.join(_hatched(np.isnan(values)))}"
        f"<path d='{days}' stroke='{FAINT}' stroke-width='.6'/>"
        f"<path d='{_line_path(x, _height(values))}' stroke='{WATER}' stroke-width='1.2'/></svg>"
    ).encode()


def _svg(parts: Sequence[str]) -> str:
    body = "".join(parts).replace("<path ", "<path vector-effect='non-scaling-stroke' ")
    svg = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {STRIP_W} {STRIP_H}' "
        f"preserveAspectRatio='none' fill='none'>{body}</svg>"
    )
    # of what may stand in an address or an attribute, only these three have to be written otherwise
    return "data:image/svg+xml," + svg.replace("#", "%23").replace("<", "%3C").replace(">", "%3E")


def _height(percent: Floats) -> Floats:
    share = (np.clip(percent, _LOW_PERCENT, _HIGH_PERCENT) - _LOW_PERCENT) / (
        _HIGH_PERCENT - _LOW_PERCENT
    )
    height: Floats = STRIP_H - 2 - share * (STRIP_H - 4)
    return height


def _line_path(x: Floats, y: Floats) -> str:
    """Path through the known points; a lone one becomes a dot."""
    known = np.flatnonzero(~np.isnan(y))
    if not len(known):
        return ""
    runs = np.split(known, np.flatnonzero(np.diff(known) > 1) + 1)
    return "".join(
        "M" + "L".join(f"{x[i]:.0f} {y[i]:.1f}" for i in run) + ("h1" if len(run) == 1 else "")
        for run in runs
    )


def _rain_path(x: Floats, rain_mm: Floats) -> str:
    """A tick for each step with rain: the more fell, the further it reaches (20 mm: halfway)."""
    fell = np.nan_to_num(rain_mm)
    reach = np.minimum(3 + fell * (STRIP_H / 2 - 3) / 20, STRIP_H - 8)
    return "".join(f"M{x[i]:.0f} 0v{reach[i]:.0f}" for i in np.flatnonzero(fell >= 0.2))


def _hatched(missing: NDArray[np.bool_]) -> list[str]:
    """Slanting hairlines over what is not known."""
    steps = len(missing)
    lines = "".join(
        f"M{STRIP_W * k / steps:.0f} {STRIP_H - 4}l{STRIP_W * 0.4 / steps:.1f} -{STRIP_H // 2}"
        for known in np.flatnonzero(missing)
        for k in (known + 0.05, known + 0.55)
    )
    return [f"<path d='{lines}' stroke='#b9c1bc'/>"] if lines else []
