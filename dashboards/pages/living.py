"""Living: the air for people in a unit, tonight's cold surfaces, and the one thing to do."""

from dataclasses import dataclass
from math import isnan
from typing import Any

import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages.forms import choice, field, hidden
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import drawing, living, text
from monitor.catalogue import say
from monitor.drawing import Line, Span
from monitor.living import AHEAD_H, Living, Surface
from monitor.store.board import HOUR_S, Series, SiteRow, UnitNow, ZoneNow

SHOWN_H = 72  # of the past, beside the night ahead


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the page is drawn from."""

    unit: UnitNow
    site: SiteRow
    cabin: ZoneNow | None
    inside: Series | None  # the last `SHOWN_H`
    outside: Series | None
    found: Living | None
    forecast_s: int  # when the newest forecast came; 0: never
    seen_by: tuple[tuple[str, str, bool], ...] = ()  # name, role, and whether hour by hour


def blocks(told: Told, asked: Wish, *, token: str = "") -> list[Any]:
    """The page; with `token` people may note who is in it."""
    unit = told.unit
    head = [
        html.P(
            html.A(f"← {unit.code}", href=asked.link(words.unit_path(unit.code))), className="back"
        ),
        html.H1(["Living in it", html.Small(unit.code)]),
    ]
    if told.cabin is None:
        return [*head, html.P(text.NO_CABIN, className="sentence")]
    if told.found is None:
        return [*head, html.P(text.NO_LIVING, className="sentence"), *_note(told, token)]
    found = told.found
    return [
        *head,
        html.Div([_action(found, told, asked), _now(found, asked)], className="beside even"),
        *_chart(told, found, asked),
        *_surfaces(found, told, asked),
        *_water(found, asked),
        *_freezing(found),
        *_note(told, token),
        *_seen_by(told),
        html.Details(
            [
                html.Summary("Before you open or heat anything"),
                html.Ul([html.Li(caution) for caution in text.AIRING_CAUTIONS]),
            ]
        ),
        views.unknown_panel(_unknowns(found, told, asked)),
    ]


# --- what to do -----------------------------------------------------------------------------------


def _action(found: Living, told: Told, asked: Wish) -> Component:
    kind = living.act(found)
    said = [_freeze(found), text.FREEZE_TO_DO] if kind == "freezing" else _air_action(found, kind)
    conflict = text.conflicts(
        kind,
        rain_from=_clock(found.rain_h, told, asked) if found.rain_h >= 0 else "",
        rain_known=found.rain_h != -2,
        frost=bool(np.nanmin(found.ahead_outside_c, initial=np.inf) < living.FROST_C),
        water=found.freezing.at_risk,
    )
    if not found.stay.occupied:
        return _nobody(said if kind == "freezing" else [], told, asked)
    return html.Section(
        [html.H2("What to do tonight"), *(html.P(line) for line in [*said, conflict] if line)],
        className="todo",
    )


def _nobody(said: list[str], told: Told, asked: Wish) -> Component:
    """For a unit that nobody is in."""
    cabin = told.cabin.code if told.cabin else ""
    path = words.zone_path(told.unit.site, told.unit.code, cabin)
    return html.Section(
        [
            html.H2("What to do"),
            *(html.P(line) for line in said),
            html.P(text.NOT_OCCUPIED),
            html.P(html.A(say("{cabin}: open it up?", cabin=cabin), href=asked.link(path))),
        ],
        className="todo",
    )


def _air_action(found: Living, kind: str) -> list[str]:
    named = found.surfaces[0] if kind == "wipe" else found.judged
    surface = named or Surface("", "", *(float("nan"),) * 4, -1, 0)
    return [
        text.action_text(
            kind,
            surface=surface.name,
            surface_c=surface.coldest_c,
            dew_c=surface.coldest_c - surface.margin_k,
            humidity_percent=found.humidity_percent,
            co2_ppm=found.co2_ppm,
        )
    ]


def _now(found: Living, asked: Wish) -> Component:
    figures: list[tuple[str, Any]] = [
        ("temperature", words.temperature(_known(found.temperature_c), asked)),
        ("humidity", words.number(found.humidity_percent, "%", digits=0)),
        ("dew point", words.temperature(_known(found.dew_point_c), asked)),
        ("outside", words.temperature(_known(found.outside_c), asked)),
        ("dew point outside", words.temperature(_known(found.outside_dew_c), asked)),
    ]
    lines = []
    if not isnan(found.humidity_percent):
        lines.append(
            f"{found.humidity_percent:.0f} %: {text.band_text(living.band(found.humidity_percent))}."
        )
    if not isnan(found.co2_ppm):
        figures.append(("carbon dioxide", words.number(found.co2_ppm, "ppm", digits=0)))
        asleep, sitting = found.per_person_l_s
        lines.append(text.co2_text(ppm=found.co2_ppm, asleep_l_s=asleep, sitting_l_s=sitting))
        lines.append(text.CO2_SPEAKS)
    return html.Section(
        [
            html.H2("The air of the last hour"),
            views.facts(figures),
            *(html.P(line) for line in lines),
            html.P(text.HUMIDITY_BANDS, className="aside"),
        ]
    )


# --- tonight --------------------------------------------------------------------------------------


def _chart(told: Told, found: Living, asked: Wish) -> list[Any]:
    judged, inside, outside = found.judged, told.inside, told.outside
    if judged is None or inside is None or outside is None:
        return []
    at_s = (inside.from_hour + np.arange(len(inside.dew_point_c))) * HOUR_S
    next_s = int(at_s[-1]) + HOUR_S
    ahead_s = next_s + np.arange(AHEAD_H) * HOUR_S
    surface, night = (
        living.surface_course(inside_c=within, outside_c=around, factor=judged.factor)
        for within, around in (
            (inside.temperature_c, outside.temperature_c),
            (found.ahead_c, found.ahead_outside_c),
        )
    )
    span = Span(
        int(at_s[0]),
        next_s + AHEAD_H * HOUR_S,
        words.offset_s(asked.now_s, told.site.timezone),
        asked.twelve_hour,
    )
    past = [
        ("dew point inside", inside.dew_point_c, drawing.WATER, "solid", 2.2),
        ("coldest surface", surface, drawing.WARM, "dash", 1.8),
        ("outside", outside.temperature_c, drawing.FAINT, "dot", 1.4),
    ]
    ahead = [found.ahead_dew_c, night, found.ahead_outside_c]
    times = np.concatenate([at_s, ahead_s])
    lines = [
        Line(
            name,
            times,
            drawing.shown_temperature(np.concatenate([values, rest]), fahrenheit=asked.fahrenheit),
            colour,
            dash,
            width,
        )
        for (name, values, colour, dash, width), rest in zip(past, ahead, strict=True)
    ]
    figure = drawing.chart(lines, span, unit=asked.degree, headroom=0.3)
    drawing.add_rain(figure, at_s, outside.rain_mm, span)
    drawing.add_moment(figure, next_s, span, name=say("expected"))
    sentence = text.night_text(
        forecast=found.from_forecast,
        balance=found.from_balance,
        people=found.stay.people,
        noted=found.stay.noted,
        outside_c=float(np.nanmin(found.ahead_outside_c)),
        inside_c=float(np.nanmin(found.ahead_c)),
    )
    return [
        html.H2("Dew point and coldest surface", className="chart-title"),
        html.P(f"{say(text.WHERE_LINES_MEET)} {sentence}", className="sentence"),
        views.graph(figure, label=f"{say(text.WHERE_LINES_MEET)} {sentence}"),
    ]


def _surfaces(found: Living, told: Told, asked: Wish) -> list[Any]:
    if not found.surfaces:
        return []
    rows = [
        html.Tr(
            [
                html.Th(say(surface.name), scope="row"),
                html.Td(words.temperature(_known(surface.now_c), asked)),
                html.Td(words.temperature(surface.coldest_c, asked)),
                html.Td(_clock(surface.hour, told, asked)),
                html.Td(text.margin_text(surface.margin_k)),
                html.Td(f"{surface.factor:.2f}"),
            ]
        )
        for surface in found.surfaces
    ]
    names = ("Surface", "Now", "Nearest to dew", "At", "Margin to the dew point", "Factor")
    sources = "; ".join(
        f"{say(surface.name).lower()}: {say(surface.source)}" for surface in found.surfaces
    )
    return [
        html.H2("Coldest surfaces in the 24 hours to come"),
        views.table(names, rows, label="Coldest surfaces", kind="cold"),
        html.Details(
            [
                html.Summary("Where the factors are from"),
                html.P(f"{say(text.FACTOR_MEANS)} {sources}."),
            ]
        ),
    ]


def _water(found: Living, asked: Wish) -> list[Any]:
    least, most = found.generation_g_h
    stay = found.stay
    lines = [
        text.balance_text(people=stay.people, noted=stay.noted, least_g_h=least, most_g_h=most),
        text.changes_text(low=found.changes_per_h[0], high=found.changes_per_h[1]),
    ]
    if found.decays:
        each = [decay.changes_per_h for decay in found.decays]
        lines.append(text.decays_text(count=len(each), low=min(each), high=max(each)))
    rows = [
        html.Tr(
            [
                html.Th(words.number(row.changes_per_h, digits=2), scope="row"),
                html.Td(words.temperature(row.dew_point_c, asked)),
                html.Td(text.settled_humidity(row.humidity_percent)),
                html.Td("runs with water" if row.streams else "stays dry"),
            ]
        )
        for row in found.settles
    ]
    names = ("Air changes an hour", "Dew point", "Humidity", "Coldest surface")
    choices = [
        html.A(
            f"{number}",
            href=asked.narrowed(people=str(number)),
            **(marked(aria_current="true") if stay.noted and number == stay.people else {}),
        )
        for number in range(1, 7)
    ]
    return [
        html.H2("Water that people add, and air that takes it away"),
        *(html.P(line, className="sentence") for line in lines),
        html.P(["Work it out for so many people: ", *_spaced(choices)], className="choices"),
        views.table(names, rows, label="Where the air settles tonight", kind="cold")
        if rows
        else None,
        html.P(text.settles_basis(volume_m3=found.volume_m3), className="aside"),
    ]


def _spaced(links: list[Any]) -> list[Any]:
    return [part for link in links for part in (link, " ")]


# --- frost, notes, unknowns -----------------------------------------------------------------------


def _freezing(found: Living) -> list[Any]:
    freezing = found.freezing
    lines = [_freeze(found)] + ([] if freezing.at_risk else [text.WINTERISED])
    return [html.H2("Frost"), *(html.P(line, className="sentence") for line in lines)]


def _freeze(found: Living) -> str:
    freezing = found.freezing
    if not freezing.zone:
        return text.NO_PIPES_MEASURED
    if freezing.heated:
        least, most = freezing.without_heating_h
        return text.without_heating_text(zone=freezing.zone, least_h=least, most_h=most)
    expected = freezing.expected
    if expected is None:
        return text.NOT_FOLLOWED
    return text.freeze_text(
        zone=freezing.zone,
        now_c=freezing.now_c,
        hours=expected.hours,
        earliest_h=expected.earliest_h,
        latest_h=expected.latest_h,
        known_h=expected.known_h,
        lowest_c=expected.lowest_c,
        forecast=freezing.by_forecast,
    )


def _note(told: Told, token: str) -> list[Any]:
    """Who is in it, and whether water stands in its lines, noted here."""
    if not token:
        return []
    found = told.found
    occupied = found.stay.occupied if found else told.unit.life == "occupied"
    water = found.freezing.at_risk if found else True
    people = "" if occupied else "2"
    kinds = [
        ("vacated", "Nobody lives in it any more") if occupied else ("occupied", "People moved in"),
        ("winterised", "Its lines are winterised") if water else ("water on", "Water is on again"),
    ]
    forms = []
    for kind, said in kinds:
        parts: list[Any] = [hidden("token", token), hidden("kind", kind)]
        if kind == "occupied":
            parts.append(
                field("How many people", "people", kind="number", value=people, span=(1, 12))
            )
        parts.append(html.Button(said, type="submit", className="plain"))
        forms.append(
            html.Form(parts, action=f"{words.unit_path(told.unit.code)}/note", method="post")
        )
    device = [
        hidden("token", token),
        hidden("kind", "dehumidifier"),
        choice("Dehumidifier", "value", text.DRYER_NOTES),
        html.Button("Note it", type="submit", className="plain"),
    ]
    forms.append(html.Form(device, action=f"{words.unit_path(told.unit.code)}/note", method="post"))
    return [
        html.H2("Note a change"),
        html.P(text.NOTE_MEANS, className="sentence"),
        html.Div(forms, className="notes"),
    ]


def _seen_by(told: Told) -> list[Any]:
    """Who else sees this unit, and how finely."""
    lines = [
        html.Li(f"{name}, {say(role)}: {say('each hour' if fine else 'one mean a day')}")
        for name, role, fine in told.seen_by
    ]
    return [
        html.H2("Who sees it"),
        html.P(text.SEEN_MEANS, className="sentence"),
        html.Ul(lines) if lines else None,
    ]


def _unknowns(found: Living, told: Told, asked: Wish) -> list[str]:
    lines = list(text.LIVING_UNKNOWNS)
    if not told.forecast_s:
        lines.append(text.NO_FORECAST)
    elif not found.from_forecast:
        lines.append(text.forecast_old_text(words.age(asked.now_s - told.forecast_s)))
    if isnan(found.co2_ppm):
        lines.append(text.NO_CO2)
    if isnan(found.temperature_c):
        lines.append(text.NO_CABIN_NOW)
    lines += [text.borrowed_text(*one) for one in told.site.borrowed]
    return lines


def _clock(hour: int, told: Told, asked: Wish) -> str:
    """Clock time at the unit of the start of an hour ahead."""
    if hour < 0:
        return words.UNMEASURED
    at_s = (asked.now_s // HOUR_S + hour) * HOUR_S
    local = words.local(at_s, told.site.timezone)
    return text.clock_time(local.hour * 60, twelve_hour=asked.twelve_hour)


def _known(value: float) -> float | None:
    return None if isnan(value) else value
