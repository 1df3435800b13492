"""Charts for paper, as SVG: black and white tells all of them apart. Data come in judged.

As on the pages, rain hangs from the top and what was not measured is left open and hatched. Letters are
drawn as outlines, so that a chart looks the same everywhere. Matplotlib takes a second to import:
it is, when the first chart is drawn.
"""

import io
import threading
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.layout_engine import ConstrainedLayoutEngine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_S = 86_400
WIDTH_IN, HEIGHT_IN = 6.9, 2.5
STYLES = ("solid", (0, (5, 2)), (0, (1, 1.4)), (0, (6, 1.5, 1, 1.5)))
MARKERS = ("o", "s", "^", "D")
MARKED = 14  # places on a line that have its marker
MOST_HATCHED = 40
TICKS = 6
_SETTINGS: Any = {
    "svg.fonttype": "path",
    "svg.hashsalt": "sillkeep",  # names inside the file: the same for the same chart
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.linewidth": 0.7,
    "hatch.linewidth": 0.4,
}
_ONE_AT_A_TIME = threading.Lock()  # the library's settings are the whole process's


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One line; nan breaks it. Its number in the chart gives its dashes and its marker."""

    name: str
    values: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """Things that happened, as signs at the top; or, `whole`, a line across the chart."""

    name: str
    at_s: tuple[int, ...]
    sign: str = "v"
    whole: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Curves over one time axis.

    Attributes
    ----------
    at_s : ndarray
        Middle of each step. [steps; s]
    curves : sequence of Curve
    unit : str
        Of the curves, on the axis.
    offset_s : int
        How far the site's clock is ahead of UTC.
    rain_mm : ndarray or None
        Of each step; it hangs from the top.
    """

    at_s: Ints
    curves: Sequence[Curve]
    unit: str
    offset_s: int = 0
    rain_mm: Floats | None = None
    rain_name: str = ""
    marks: Sequence[Mark] = ()


def svg(chart: Chart) -> str:
    """Draw it; the same chart gives the same file."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with _ONE_AT_A_TIME, mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # a letter that the font lacks is drawn as a box: seen, and no matter for the log
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout=_layout())
        axes = figure.add_subplot()
        _curves(axes, chart)
        _gaps(axes, chart)
        _rain(axes, chart)
        _marks(axes, chart)
        _dress(axes, chart)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _layout() -> "ConstrainedLayoutEngine":
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    return ConstrainedLayoutEngine(rect=(0.0, 0.0, 1.0, 0.95))  # names of signs stand above


def _days(at_s: Ints | Floats, chart: Chart) -> Floats:
    days: Floats = (np.asarray(at_s, dtype=np.float64) + chart.offset_s) / DAY_S
    return days


def _curves(axes: "Axes", chart: Chart) -> None:
    x = _days(chart.at_s, chart)
    every = max(len(x) // MARKED, 1)
    ends: list[tuple[float, str]] = []
    for number, curve in enumerate(chart.curves):
        axes.plot(
            x,
            curve.values,
            color="black",
            linestyle=STYLES[number % len(STYLES)],
            linewidth=1.3 if number == 0 else 0.9,
            marker=MARKERS[number % len(MARKERS)],
            markevery=(number * every // 3, every),
            markersize=3.0,
            markerfacecolor="white",
            markeredgewidth=0.7,
            label=curve.name,
        )
        known = curve.values[~np.isnan(curve.values)]
        if len(known):
            ends.append((float(known[-1]), curve.name))
    low, high = axes.get_ylim()
    room = high - low or 1.0
    # rain and marks have the upper third for themselves
    axes.set_ylim(low - 0.04 * room, high + 0.45 * room)
    _name_ends(axes, ends, least=0.075 * 1.49 * room)


def _name_ends(axes: "Axes", ends: Sequence[tuple[float, str]], *, least: float) -> None:
    """Name each line where it ends, the names not on each other."""
    before = -np.inf
    for value, name in sorted(ends):
        place = max(value, before + least)
        before = place
        axes.annotate(
            name,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            annotation_clip=False,
        )


def _gaps(axes: "Axes", chart: Chart) -> None:
    """Hatch where nothing at all is known."""
    if not len(chart.at_s):
        return
    lost = np.all([np.isnan(curve.values) for curve in chart.curves], axis=0)
    step_s = float(np.median(np.diff(chart.at_s))) if len(chart.at_s) > 1 else float(DAY_S)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost.astype(np.int8), [0]])))
    spans = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    for first, after in sorted(spans, key=lambda span: span[0] - span[1])[:MOST_HATCHED]:
        start, end = _days(
            np.array([chart.at_s[first] - step_s / 2, chart.at_s[after - 1] + step_s / 2]), chart
        )
        axes.axvspan(
            start, end, facecolor="none", edgecolor="0.55", hatch="////", linewidth=0.0, zorder=0
        )


def _rain(axes: "Axes", chart: Chart) -> None:
    if chart.rain_mm is None:
        return
    above = axes.twinx()
    step_s = float(np.median(np.diff(chart.at_s))) if len(chart.at_s) > 1 else float(DAY_S)
    known = np.nan_to_num(chart.rain_mm)
    wet = known > 0.0
    x = _days(chart.at_s, chart)
    width = max(step_s / DAY_S, (x[-1] - x[0]) / 300.0 if len(x) > 1 else 1.0)
    above.bar(x[wet], known[wet], width=width, color="0.6", linewidth=0.0)
    most = max(float(known.max(initial=0.0)), 2.0)
    above.set_ylim(4.0 * most, 0.0)
    above.set_yticks([])
    for side in above.spines.values():
        side.set_visible(False)
    axes.annotate(
        chart.rain_name, (1.0, 1.0), xycoords="axes fraction", xytext=(4, -4),
        textcoords="offset points", va="top", fontsize=7.5, color="0.35", annotation_clip=False,
    )  # fmt: skip


def _marks(axes: "Axes", chart: Chart) -> None:
    top = axes.get_xaxis_transform()
    for number, mark in enumerate(chart.marks):
        x = _days(np.array(mark.at_s, dtype=np.int64), chart)
        if mark.whole:
            for place in x:
                axes.axvline(place, color="black", linewidth=1.0)
                axes.annotate(
                    mark.name, (float(place), 0.02), xycoords=top, xytext=(3, 0),
                    textcoords="offset points", fontsize=7.5, va="bottom",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
                )  # fmt: skip
        elif len(x):
            axes.plot(
                x, np.full(len(x), 0.75 - 0.05 * number), linestyle="none", marker=mark.sign,
                markersize=5.0, color="black", markerfacecolor="white", transform=top, label=mark.name,
            )  # fmt: skip


def _dress(axes: "Axes", chart: Chart) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_ylabel(chart.unit)
    axes.grid(axis="y", color="0.85", linewidth=0.4)
    axes.tick_params(width=0.6, length=3)
    x = _days(chart.at_s, chart)
    if len(x):
        first, last = float(np.floor(x[0])), float(np.ceil(x[-1]))
        axes.set_xlim(x[0] - 0.5 * (x[1] - x[0] if len(x) > 1 else 1.0), last)
        step = max(round((last - first) / TICKS), 1)
        ticks = np.arange(np.ceil(x[0]), last + 0.01, step)
        axes.set_xticks(ticks, [_date(float(day)) for day in ticks])
    handles, labels = axes.get_legend_handles_labels()
    signs = {mark.name for mark in chart.marks}
    kept = [(h, n) for h, n in zip(handles, labels, strict=True) if n in signs]
    if kept:
        axes.legend(
            [h for h, _ in kept], [n for _, n in kept], loc="lower left", bbox_to_anchor=(0.0, 1.0),
            ncols=len(kept), frameon=False, fontsize=7.5, borderaxespad=0.1, handletextpad=0.2,
        )  # fmt: skip


def _date(day: float) -> str:
    return datetime.fromtimestamp(day * DAY_S, UTC).strftime("%Y-%m-%d")
