"""Zone: one zone over time, each chart with a sentence above and a table behind."""

from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, urlencode

import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import airing as opening
from dashboards.pages import rounds as round_view
from dashboards.pages import section as wall_section
from dashboards.pages.alarms import alarm_text
from dashboards.pages.unit import index_text
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import drawing, text
from monitor.catalogue import say
from monitor.drawing import Floats, Ints, Line, Span
from monitor.evidence.entries import BASIS, Entry
from monitor.explain import Airing, Growth, Look, Section
from monitor.judge.rules import LIMITS, Limits
from monitor.lot import AIR_KINDS, STRUCTURE_KINDS, BenchPoint, Event, Finding
from monitor.store.board import (
    HOUR_S,
    AlarmRow,
    Baseline,
    Samples,
    Series,
    SiteRow,
    ZoneNow,
)
from monitor.text import bench as bench_text

DAY_S = 86400
LOOK_FIRST = 3  # entries shown at once: a phone's page
MOST_NOTED = 12
MARKED = {
    "hose": "triangle-down",
    "wash": "triangle-down-open",
    "repair": "square",
    "reseal": "square-open",
    "inspection": "circle-open",
    "moved": "diamond-open",
}  # shape of what people noted, on the chart of moisture
MOST_ROWS = 62  # days of a table
SAMPLES_D = 3  # up to so many days every reading is drawn, beyond it the hours


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Everything read for the page of one zone."""

    zone: ZoneNow
    site: SiteRow
    series: Series
    samples: Samples | None  # single readings, for short spans
    alarms: tuple[AlarmRow, ...]
    limits: Limits = LIMITS  # in force now
    section: Section | None = None  # through its wall; None: the air on one side is not known
    airing: Airing | None = None
    growth: Growth | None = None
    outside: Series | None = None  # its site's outside air, the same hours
    twin: Series | None = None  # its dry twin, the same hours
    twin_code: str = ""
    noted: tuple[Event, ...] = ()  # by people, of this zone or its whole unit; by time
    found: tuple[Finding, ...] = ()  # by people, in the whole unit, withdrawals among them
    token: str = ""  # of the visitor's forms, if they may enter findings
    look: Look | None = None  # None: nothing here asks for it
    baseline: Baseline | None = None  # None: nothing was measured
    found_percent: tuple[
        tuple[float, float], ...
    ] = ()  # of simulated leaks, by points at the probe
    boxed: tuple[
        BenchPoint, ...
    ] = ()  # of its probes that lie in a box over salt, as far as is known
    by_day: bool = False  # some of it as daily means: others live in it

    @property
    def at_s(self) -> Ints:
        """Start of each hour of the series."""
        hours: Ints = self.series.from_hour + np.arange(len(self.series.temperature_c))
        return hours * HOUR_S


def blocks(told: Told, asked: Wish) -> list[Any]:
    """Page of one zone."""
    zone = told.zone
    span = Span(
        from_s=told.series.from_hour * HOUR_S,
        to_s=(told.series.from_hour + len(told.series.temperature_c)) * HOUR_S,
        offset_s=words.offset_s(asked.now_s, told.site.timezone),
        twelve_hour=asked.twelve_hour,
    )
    back = words.unit_path(zone.unit) if zone.unit else "/"
    return [
        html.P(html.A(f"← {zone.unit or 'Lot'}", href=asked.link(back)), className="back"),
        html.H1([zone.code, html.Small(f"{say(zone.kind)} · {zone.unit or zone.site}")]),
        html.P(text.BY_THE_DAY, className="sentence") if told.by_day else None,
        _standing(told, asked),
        *_where_to_look(told),
        *_opening(told, span, asked),
        _spans(told, asked),
        *_charts(told, span, asked),
        *_through(told, asked),
        wall_section.meanings(),
        *_noted(told),
        *round_view.section(told.found, zone.code, timezone=told.site.timezone, token=told.token),
        *_walk(told),
        *_not_seen(told),
        views.unknown_panel(_unknowns(told, span, asked)),
    ]


def _standing(told: Told, asked: Wish) -> Component:
    zone = told.zone
    heard = None if zone.heard_s is None else asked.now_s - zone.heard_s
    figures: list[tuple[str, Any]] = [
        ("temperature", words.temperature(zone.temperature_c, asked)),
        ("humidity", words.number(zone.humidity_percent, "%", digits=0)),
        ("dew point", words.temperature(zone.dew_point_c, asked)),
    ]
    judged = zone.kind != "outside"
    if judged:
        figures += [
            ("wood moisture", words.number(zone.wood_moisture_percent, "%")),
            ("from weather alone", words.number(zone.ambient_moisture_percent, "%")),
            ("mould index", index_text(zone)),
        ]
    if zone.kind in STRUCTURE_KINDS:
        figures.append(("leak score", words.number(zone.leak_score, "", digits=2)))
    line = [
        views.mark(zone.word, large=True)
        if judged
        else html.Span("Not judged: a yardstick for the zones inside."),
        html.Span(words.TRENDS[zone.trend], className="trend") if zone.trend and judged else None,
        html.Span(say("heard {age}", age=words.age(heard))),
    ]
    return html.Section(
        [
            html.Div(line, className="line"),
            views.facts(figures),
            *(alarm_text(alarm) for alarm in _explaining(told.alarms)),
        ],
        className=f"word is-{zone.word if judged else 'dry'}",
    )


def _explaining(alarms: tuple[AlarmRow, ...]) -> list[AlarmRow]:
    """The most urgent alarm, and the suspicion, whose text holds the cues and their figures."""
    caution = say(text.CAUTION)
    alarms = tuple(map(views.told, alarms))
    suspicion = [alarm for alarm in alarms[1:] if alarm.kind == "leak suspect"][:1]
    first = alarms[:1]
    if suspicion and suspicion[0].text.endswith(caution):  # it stands once, below both
        first = tuple(replace(one, text=one.text.removesuffix(caution).strip()) for one in first)
    return [*first, *suspicion]


def _where_to_look(told: Told) -> list[Any]:
    if told.look is None:
        return []
    head = html.H2("Where to look", className="chart-title")
    if not told.look.entries:
        return [head, html.P(text.NO_ENTRY, className="sentence")]
    items = _entries(told.look.entries)
    more = len(items) - LOOK_FIRST
    pipes = told.look.cause == "plumbing"
    # right above, at the end of an alarm: twice on one screen is read not at all
    cautioned = any(alarm.text.endswith(say(text.CAUTION)) for alarm in _explaining(told.alarms))
    return [
        head,
        html.P(text.LOOK_AT_PIPES if pipes else text.LOOK_FROM_INSIDE, className="sentence"),
        None if cautioned else html.P(text.CAUTION, className="caution"),
        html.Ol(items[:LOOK_FIRST], className="look"),
        html.Details(
            [
                html.Summary(say("{count} to look at", count=words.count(more, "more place"))),
                html.Ol(items[LOOK_FIRST:], className="look", start=str(LOOK_FIRST + 1)),
            ]
        )
        if more > 0
        else None,
        html.Details(
            [
                html.Summary("Before you reach, cut or open anything"),
                html.Ul([html.Li(caution) for caution in text.LOOK_CAUTIONS]),
            ]
        ),
        html.P(f"{say(BASIS)} {text.stand_text(told.look.unit)}", className="aside"),
        html.P(text.record_it(told.zone.unit, told.zone.code), className="aside"),
    ]


def _entries(entries: tuple[Entry, ...]) -> list[html.Li]:
    """Places with their reasons; a reason is told once."""
    reasons = [entry.reason for entry in entries]
    items = []
    for place, entry in enumerate(entries):
        first = reasons.index(entry.reason)
        why = (
            say(text.AS_ABOVE, number=first + 1)
            if first < place
            else text.sentence(say(entry.reason))
        )
        name = html.B(text.capital(say(entry.name)))
        items.append(
            html.Li([html.P([name, ": ", say(entry.where)]), html.P(why, className="aside")])
        )
    return items


def _not_seen(told: Told) -> list[Any]:
    """Since when a zone is compared with itself, and what that cannot show."""
    kind = told.zone.kind
    if kind not in STRUCTURE_KINDS:
        return []
    since = (
        text.NO_BASELINE
        if told.baseline is None
        else text.baseline_text(
            words.day(told.baseline.since_s, told.site.timezone), reopened=told.baseline.reopened
        )
    )
    lines = text.could_not_have_seen(kind, found_percent=told.found_percent)
    return [
        html.Section(
            [
                html.H2("What this probe could not have seen", id="unseen"),
                html.P(since),
                html.Ul([html.Li(line) for line in lines]),
            ],
            className="unknowns",
            **marked(aria_labelledby="unseen"),
        )
    ]


def _spans(told: Told, asked: Wish) -> Component:
    links = [
        html.Li(
            html.A(
                say(name),
                href=asked.same(span_d=days),
                **(marked(aria_current="true") if days == asked.span_d else {}),
            )
        )
        for days, name in words.SPANS_D.items()
    ]
    clock = words.clock_name(asked.now_s, told.site.timezone)
    moves = [
        html.Li(html.A(name, href=asked.same(until=day))) for name, day in _neighbours(told, asked)
    ]
    return html.Nav(
        [
            html.Ul(links),
            html.Ul(moves),
            html.P(
                say("Times are {clock}. {covered}", clock=clock, covered=_covered(told)),
                className="aside",
            ),
            _carry(told),
        ],
        className="spans",
        **marked(aria_label="Time shown"),
    )


def _covered(told: Told) -> str:
    """How much of what is shown was measured, and the longest time that was not."""
    if told.by_day:
        return say(text.DAYS_LEFT_OUT)
    missing = np.isnan(told.series.temperature_c)
    if not len(missing) or missing.all():
        return say("No hour of them has readings.")
    share = 100.0 * (1.0 - missing.mean())
    if not missing.any():
        return say("Every hour of them has readings.")
    edges = np.diff(np.concatenate([[0], missing.astype(np.int8), [0]]))
    longest = int((np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)).max())
    return say(
        "{share:.1f} % of the hours have readings; the longest gap is {hours}.",
        share=min(share, 99.9),
        hours=words.hours(longest),
    )


def _neighbours(told: Told, asked: Wish) -> list[tuple[str, str]]:
    """The span before, the one after, and back to now, by the last day of each."""
    if not asked.span_d:
        return []
    zone_s = told.site.timezone
    last_s = told.at_s[-1] if len(told.at_s) else asked.now_s
    found = [("← earlier", words.day_of(int(last_s) - asked.span_d * DAY_S, zone_s))]
    if asked.until:
        later_s = int(last_s) + asked.span_d * DAY_S
        later = words.day_of(later_s, zone_s) if later_s < asked.now_s else ""
        found += [("later →", later), ("to now", "")] if later else [("to now", "")]
    return found


def _noted(told: Told) -> list[Any]:
    """What people wrote down: findings, repairs, hose tests, washes."""
    if not told.noted:
        return []
    newest = told.noted[::-1]
    lines = [
        html.Li(
            [
                html.B(say(event.kind)),
                f" {words.when(event.at_s, told.site.timezone)}",
                f": {text.noted_text(event.kind, event.value)}" if event.value else "",
                "" if event.zone else f" {say('(the whole unit)')}",
            ]
        )
        for event in newest[:MOST_NOTED]
    ]
    more = (
        say(" The newest {most_noted} of {newest}.", most_noted=MOST_NOTED, newest=len(newest))
        if len(newest) > MOST_NOTED
        else ""
    )
    return [
        html.H2("What people noted"),
        html.Ul(lines, className="noted"),
        html.P(more, className="aside") if more else None,
    ]


def _walk(told: Told) -> list[Any]:
    """Where a finding at this zone is entered, and a repair opened."""
    if not told.token:
        return []
    unit = quote(told.zone.unit, safe="")
    links = [("Enter a finding here", f"/round/{unit}#{quote(told.zone.code, safe='')}")]
    if told.zone.kind in STRUCTURE_KINDS:
        links.append(("Repaired? Open the repair, and its proof begins", f"/proof/{unit}"))
    items = [html.Li(html.A(label, href=address)) for label, address in links]
    return [html.Ul(items, className="ways")]


def _carry(told: Told) -> Component:
    """Files of what is shown, as `sillkeep judge` reads and writes them."""
    zone = told.zone
    base = words.zone_path(zone.site, zone.unit, zone.code)
    span = {"from": int(told.series.from_hour), "to": int(told.series.from_hour) + len(told.at_s)}
    files = [
        html.A(say(name), href=f"/export{base}/{kind}.csv?{urlencode(span)}", download="")
        for kind, name in (("readings", "readings"), ("hours", "judged hours"))
        if kind == "hours" or not told.by_day
    ]
    parts = [part for file in files for part in (", ", file)][1:]
    return html.P(["As a file: ", *parts], className="aside")


# --- charts ---------------------------------------------------------------------------------------


def _charts(told: Told, span: Span, asked: Wish) -> list[Any]:
    parts = _temperature(told, span, asked) + _humidity(told, span, asked)
    if told.zone.kind != "outside":
        parts += _moisture(told, span, asked) + _mould(told, span, asked)
    else:
        parts += _rain(told, span, asked)
    return parts


def _opening(told: Told, span: Span, asked: Wish) -> list[Any]:
    if told.zone.kind not in AIR_KINDS or told.by_day:
        return []
    return opening.blocks(told.airing, asked, next_hour=(span.to_s + span.offset_s) // HOUR_S % 24)


def _through(told: Told, asked: Wish) -> list[Any]:
    kind = told.zone.kind
    if kind == "outside" or told.by_day:
        return []
    return wall_section.blocks(told.section, asked, own=kind not in AIR_KINDS)


def _temperature(told: Told, span: Span, asked: Wish) -> list[Any]:
    at_s, measured = _finest(told, "temperature_c")

    def shown(values: Floats) -> Floats:
        return drawing.shown_temperature(values, fahrenheit=asked.fahrenheit)

    dew = shown(told.series.dew_point_c)
    lines = [
        Line("temperature", at_s, shown(measured), drawing.WARM, swings=True),
        Line("dew point", told.at_s, dew, drawing.WATER, dash="dash", swings=True),
    ]
    if told.outside is not None:
        outside = shown(told.outside.temperature_c)
        lines.append(
            Line("outside", told.at_s, outside, drawing.FAINT, "dot", swings=True, banded=False)
        )
    figure = drawing.chart(lines, span, unit=asked.degree)
    hourly = shown(told.series.temperature_c)
    named = {"temperature": hourly, "dew point": dew}
    return _chart("Temperature and dew point", figure, named, told, span, asked, unit=asked.degree)


def _humidity(told: Told, span: Span, asked: Wish) -> list[Any]:
    at_s, measured = _finest(told, "humidity_percent")
    lines = [Line("humidity", at_s, measured, drawing.WATER, swings=True)]
    if told.zone.kind not in AIR_KINDS:
        lines += wall_section.band(told.section, span)
    figure = drawing.chart(lines, span, unit="%")
    named = {"humidity": told.series.humidity_percent}
    return _chart("Humidity", figure, named, told, span, asked, unit="%")


def _moisture(told: Told, span: Span, asked: Wish) -> list[Any]:
    series = told.series
    wood, ambient = series.wood_moisture_percent, series.ambient_moisture_percent
    named = {"wood moisture": wood, "from weather alone": ambient}
    lines = [
        Line("wood moisture", told.at_s, wood, drawing.WOOD, width=2.4),
        Line("from weather alone", told.at_s, ambient, drawing.FAINT, dash="dot"),
    ]
    if told.twin is not None:
        twin = named["dry twin"] = told.twin.wood_moisture_percent
        lines.append(
            Line(
                say("dry twin {twin_code}", twin_code=told.twin_code),
                told.at_s,
                twin,
                drawing.WATER,
                dash="dash",
            )
        )
    figure = drawing.chart(
        lines,
        span,
        unit="%",
        limits=[
            (
                told.limits.damp_percent,
                say("damp from {damp_percent:g} %", damp_percent=told.limits.damp_percent),
            ),
            (
                told.limits.wet_percent,
                say("wet from {wet_percent:g} %", wet_percent=told.limits.wet_percent),
            ),
        ],
        headroom=0.5,  # the rain's
    )
    drawing.add_rain(figure, told.at_s, series.rain_mm, span)
    _mark(figure, told, wood, span)
    return _chart("Wood moisture under rain", figure, named, told, span, asked, unit="%", rain=True)


def _mark(figure: drawing.Figure, told: Told, values: Floats, span: Span) -> None:
    """What people noted, on the line, or at its foot where it is not known."""
    known = values[~np.isnan(values)]
    foot = float(known.min()) if len(known) else 0.0
    for kind, symbol in MARKED.items():
        at_s = np.array(
            [e.at_s for e in told.noted if e.kind == kind and span.from_s <= e.at_s < span.to_s],
            dtype=np.int64,
        )
        if len(at_s):
            height = values[(at_s - span.from_s) // HOUR_S]
            height = np.where(np.isnan(height), foot, height)
            drawing.add_marks(figure, at_s, height, span, name=say(kind), symbol=symbol)


def _step(name: str, words: str, told: Told) -> str:
    """What an index means is said of the limit that the index's authors give it, of no other."""
    value = getattr(told.limits, name)
    return say(words) if value == getattr(LIMITS, name) else say("limit {value:g}", value=value)


def _mould(told: Told, span: Span, asked: Wish) -> list[Any]:
    series = told.series
    figure = drawing.chart(
        [Line("mould index", told.at_s, series.mould_index, drawing.WOOD, width=2.4)],
        span,
        unit="of 6",
        limits=[
            (told.limits.index_first, _step("index_first", "under a microscope", told)),
            (told.limits.index_visible, _step("index_visible", "by eye", told)),
        ],
    )
    drawing.add_band(figure, told.at_s, series.mould_index_low, series.mould_index_high, span)
    figure.update_layout(yaxis={"range": [-0.1, 6.2]})
    named = {"mould index": series.mould_index}
    parts = _chart("Mould index since monitoring began", figure, named, told, span, asked, unit="")
    if told.growth:
        growth = told.growth
        ahead = text.growth_text(
            growth.target,
            days=growth.days,
            low_days=growth.low_days,
            high_days=growth.high_days,
            accuracy_percent=growth.accuracy_percent,
        )
        parts.insert(2, html.P(ahead, className="sentence"))
    return parts


def _rain(told: Told, span: Span, asked: Wish) -> list[Any]:
    rain = told.series.rain_mm
    figure = drawing.rain_chart(told.at_s, rain, span)
    return _chart("Rain", figure, {"rain": rain}, told, span, asked, unit="mm", rain=True)


def _finest(told: Told, name: str) -> tuple[Ints, Floats]:
    """Single readings where the span is short enough, else hours."""
    if told.samples is not None and len(told.samples.at_s):
        return told.samples.at_s, getattr(told.samples, name)
    return told.at_s, getattr(told.series, name)


def _chart(  # noqa: PLR0913  each is what it says
    title: str,
    figure: drawing.Figure,
    named: dict[str, Floats],
    told: Told,
    span: Span,
    asked: Wish,
    *,
    unit: str,
    rain: bool = False,
) -> list[Any]:
    """Heading, sentence, chart, table."""
    sentence = summary(
        named,
        unit=unit,
        rain_mm=told.series.rain_mm if rain else None,
        gaps="{hours} not shown" if told.by_day else "{hours} without data",
    )
    daily = _daily(named, told, span, asked, rain=rain)
    return [
        html.H2(title, className="chart-title"),
        html.P(sentence, className="sentence"),
        views.graph(figure, label=f"{say(title)}. {sentence}"),
        html.Details(
            [
                html.Summary(
                    say(
                        "{title}: {lower} values",
                        title=say(title),
                        lower=say(_rows_name(span)).lower(),
                    )
                ),
                daily,
            ]
        ),
    ]


def summary(
    named: dict[str, Floats],
    *,
    unit: str,
    rain_mm: Floats | None = None,
    gaps: str = "{hours} without data",
) -> str:
    """One sentence with the last value and the range of each line, the rain and the gaps."""
    said = []
    for name, values in named.items():
        known = values[~np.isnan(values)]
        if not len(known):
            said.append(say("no {name}", name=say(name)))
            continue
        last, low, high = (
            words.number(float(v), unit) for v in (known[-1], known.min(), known.max())
        )
        said.append(
            say(
                "{name} last {last}, between {low} and {high}",
                name=say(name),
                last=last,
                low=low,
                high=high,
            )
        )
    if rain_mm is not None:
        known = ~np.isnan(rain_mm)
        said.append(
            say("{rain:.0f} mm of rain", rain=np.nansum(rain_mm))
            if known.any()
            else say("no rain source")
        )
    missing = int(np.isnan(next(iter(named.values()))).sum())
    if missing:
        said.append(say(gaps, hours=words.hours(missing)))
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def _days_a_row(span: Span) -> int:
    """A table of more days than a person reads is one of weeks."""
    return 1 if span.to_s - span.from_s <= MOST_ROWS * DAY_S else 7


def _rows_name(span: Span) -> str:
    return "Daily" if _days_a_row(span) == 1 else "Weekly"


def _raw(row: int, step: int, asked: Wish) -> Component:
    """A day that leads to its single readings, or a week that leads to its days."""
    first, last = (str(np.datetime64(row * step + more, "D")) for more in (0, step - 1))
    span_d = SAMPLES_D if step == 1 else words.DEFAULT_SPAN_D
    return html.A(first, href=asked.same(span_d=span_d, until=last))


def _daily(
    named: dict[str, Floats], told: Told, span: Span, asked: Wish, *, rain: bool
) -> Component:
    step = _days_a_row(span)
    day = (told.at_s + span.offset_s) // DAY_S // step
    parts = (say("lowest"), say("mean"), say("highest"))
    names = [f"{say(name)}, {part}" for name in named for part in parts]
    columns = [part for values in named.values() for part in drawing.per_day(day, values)]
    if rain and "rain" not in named:
        names.append("rain, mm")
        columns.append(_rain_per_day(day, told.series.rain_mm))
    days = np.unique(day)
    first = next(iter(named.values()))
    names.append("hours with data")
    columns.append(_known_per_day(day, first))
    rows = [
        html.Tr(
            [
                html.Th(_raw(int(days[k]), step, asked), scope="row"),
                *(html.Td(_cell(column[k], last=column is columns[-1])) for column in columns),
            ]
        )
        for k in range(len(days) - 1, -1, -1)
    ]
    of = "day" if step == 1 else "week from"
    return views.table([of, *names], rows, label=say("{rows} values", rows=say(_rows_name(span))))


def _cell(value: float, *, last: bool) -> str:
    return words.number(float(value), digits=0 if last else 1)


def _rain_per_day(day: Ints, rain_mm: Floats) -> Floats:
    days, where = np.unique(day, return_inverse=True)
    known = ~np.isnan(rain_mm)
    sums = np.bincount(where[known], weights=rain_mm[known], minlength=len(days))
    counts = np.bincount(where[known], minlength=len(days))
    rain: Floats = np.where(counts > 0, sums, np.nan)
    return rain


def _known_per_day(day: Ints, values: Floats) -> Floats:
    days, where = np.unique(day, return_inverse=True)
    counts = np.bincount(where[~np.isnan(values)], minlength=len(days))
    return counts.astype(np.float64)


def _unknowns(told: Told, span: Span, asked: Wish) -> list[Any]:
    lines: list[Any] = []
    if told.zone.word == "unknown" and told.zone.kind != "outside":
        lines.append(views.why_unknown(asked, told.zone, told.site))
    lines += [
        bench_text.zone_lies_text(
            f"{point.node}/{point.probe}", words.when(point.from_s, told.site.timezone)
        )
        + "."
        for point in told.boxed
    ]
    gaps = drawing.gaps_of(
        told.at_s, told.series.temperature_c, from_s=span.from_s, to_s=min(span.to_s, asked.now_s)
    )
    # of a unit that others live in, hours that are not shown are not missing
    longest = [] if told.by_day else sorted(gaps, key=lambda gap: gap[0] - gap[1])[:3]
    lines += [
        say(
            "No data for {hours} from {at}.",
            hours=words.hours(max(1, (end - start) // HOUR_S)),
            at=words.when(start, told.site.timezone),
        )
        for start, end in longest
    ]
    if not told.zone.rain_known:
        lines.append(
            "Rain is not recorded now: whether this zone stays dry in rain cannot be said."
        )
    if told.zone.kind in STRUCTURE_KINDS and told.zone.leak_score is None:
        lines.append(
            "No leak score: it needs three weeks of readings here, in the cabin and outside."
        )
    if told.zone.moisture_basis == "air":
        lines.append(
            "Wood moisture is estimated from the air beside it, unreliable above about 22 %."
        )
    return lines
