"""Unit: its word, what to do next, its zones, and what we do not know about it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import quote

import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import outline
from dashboards.pages.alarms import alarm_text
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import drawing, explain, storms, text
from monitor.catalogue import say
from monitor.evidence.entries import BASIS, BlindSpot
from monitor.judge.rules import LIMITS, Limits
from monitor.lot import STRUCTURE_KINDS, ZoneKind
from monitor.store.board import HOUR_S, STRIP_DAYS, AlarmRow, SiteRow, UnitNow, ZoneNow
from monitor.storms import Rain


@dataclass(frozen=True, slots=True)
class More:
    """What else the page of a unit tells.

    `by_day`: its figures are means of the last whole day, for it is lived in by others; `living`: the
    visitor may see the page of that name, `lists`: those of the seasons, `seals`: its seals, `handover`: that of
    documents; `rain`: its last storms; `dryer`: how its dehumidifier does; `walks`: they may enter findings;
    `glance`: whether to open it up, its batteries, its seals.
    """

    by_day: bool = False
    living: bool = False
    lists: bool = False
    walks: bool = False
    seals: bool = False
    handover: bool = False
    rain: Rain | None = None
    dryer: str = ""
    glance: Sequence[str] = ()


def blocks(
    unit: UnitNow, site: SiteRow, asked: Wish, limits: Limits = LIMITS, more: More = More()
) -> list[Any]:
    """Page of one unit; `limits` are those in force for it."""
    return [
        html.P(html.A("← Lot", href=asked.link("/")), className="back"),
        html.H1([unit.code, html.Small(unit.name)] if unit.name else unit.code),
        html.Div(
            [
                html.Div(
                    [
                        _word(unit, asked),
                        _rained(more.rain, site),
                        html.P(more.dryer) if more.dryer else None,
                        _fortnight(unit, limits),
                    ]
                ),
                _next(unit, site, asked),
            ],
            className="beside even",
        ),
        *outline.blocks(unit, asked),
        html.Section(
            [html.H2(say("At a glance")), html.Ul([html.Li(said) for said in more.glance])],
            className="glance",
        )
        if more.glance
        else None,
        _ways(unit, asked, more),
        html.H2("Zones"),
        html.P(text.BY_THE_DAY, className="sentence") if more.by_day else None,
        _zones(unit, site, asked),
        *_not_seen(unit),
        views.unknown_panel(_unknowns(unit, site, asked)),
    ]


def _word(unit: UnitNow, asked: Wish) -> Component:
    heard = None if unit.heard_s is None else asked.now_s - unit.heard_s
    where = " · ".join(
        part
        for part in (
            unit.site,
            say("slot {slot}", slot=unit.slot) if unit.slot else "",
            say(unit.life),
        )
        if part
    )
    return html.Section(
        [
            views.mark(unit.word, large=True),
            html.P(views.reason(unit.reason)) if unit.reason else None,
            html.P(
                [
                    say(
                        "Heard {age}; {zones}.",
                        age=words.age(heard),
                        zones=views.unknown_zones(unit),
                    )
                ]
            ),
            html.P(where, className="aside"),
        ],
        className=f"word is-{unit.word}",
    )


def _ways(unit: UnitNow, asked: Wish, more: More) -> Component | None:
    """What else there is of this unit, as one list."""
    own = words.unit_path(unit.code)
    lived = more.living and any(zone.kind == "cabin" for zone in unit.zones)
    ways = [
        (lived, say("Living in it: tonight's air, cold surfaces and frost"), f"{own}/living"),
        (more.lists, say("Lay-up and opening: dry enough to close, what is to do"), f"{own}/lists"),
        (more.walks, say("Walk through it by eye and hand"), ""),
        (
            more.lists and any(zone.kind in STRUCTURE_KINDS for zone in unit.zones),
            say("Open a repair: what was wet, and what shall prove it dry"),
            f"/proof/{quote(unit.code, safe='')}",
        ),
        (more.seals, say("Seals: what is due, what was found and used"), f"{own}/seals"),
        (
            more.handover,
            say("To hand over: documents for a buyer, an insurer, a technician"),
            f"{own}/handover",
        ),
    ]
    walk = f"/round/{quote(unit.code, safe='')}"  # a page of its own: it knows no wishes
    links = [
        html.Li(html.A(label, href=asked.link(path) if path else walk))
        for shown, label, path in ways
        if shown
    ]
    if not links:
        return None
    return html.Section([html.H2("More of this unit"), html.Ul(links, className="ways")])


def _rained(rain: Rain | None, site: SiteRow) -> Component | None:
    """What the last storm did, and the one before where that is too early to say."""
    if rain is None:
        return None
    if not rain.answers:
        said = say(text.NO_STORM if rain.known else text.RAIN_NOT_KNOWN, days=storms.DAYS)
        return html.P(said, className="rained")
    shown = rain.answers[-1:] if rain.answers[-1][1] else rain.answers[-2:]
    return html.Div(
        [html.P(storms.line(*one, timezone=site.timezone)) for one in reversed(shown)],
        className="rained",
    )


def _next(unit: UnitNow, site: SiteRow, asked: Wish) -> Component:
    if not unit.alarms:
        return html.Section([html.H2("What to do next"), html.P("No alarm is open on this unit.")])
    more = len(unit.alarms) - 1
    return html.Section(
        [
            html.H2("What to do next"),
            _todo(unit.alarms[0], site),
            _first_look(unit, asked),
            html.P(
                html.A(
                    f"{words.count(more, 'more open alarm')}" if more else "To the alarms",
                    href=asked.link("/alarms"),
                )
            ),
        ],
        className="todo",
    )


def _todo(alarm: AlarmRow, site: SiteRow) -> Component:
    return html.Div(
        [
            html.P(
                [
                    html.Span(say(alarm.alarm_class), className="class"),
                    say(
                        " {kind}, raised {at}",
                        kind=say(alarm.kind),
                        at=words.when(alarm.raised_s, site.timezone),
                    ),
                ]
            ),
            alarm_text(alarm),
        ]
    )


def _first_look(unit: UnitNow, asked: Wish) -> Component | None:
    """The first place to look at for the most urgent alarm, and the way to the others."""
    alarm = unit.alarms[0]
    zone = next((zone for zone in unit.zones if zone.code == alarm.zone), None)
    look = views.look(zone, unit.alarms, unit.declared) if zone else None
    if look is None or not look.entries:
        return None
    first = look.entries[0]
    path = words.zone_path(unit.site, unit.code, alarm.zone)
    return html.P(
        [
            html.B("Look first: "),
            f"{say(first.name)}, {say(first.where)}. ",
            html.A("Where to look, all places", href=asked.link(path)),
        ]
    )


def _not_seen(unit: UnitNow) -> list[Any]:
    """Usual paths of water without a probe, and where the next one helps most."""
    if not unit.zones:
        return []
    placed = [zone for zone in unit.zones if zone.placed_s is not None]
    spots = explain.unseen(
        [(zone.code, cast(ZoneKind, zone.kind)) for zone in placed], unit.declared
    )
    walls = [zone for zone in placed if zone.kind in STRUCTURE_KINDS]
    mute = [zone.code for zone in walls if zone.word == "unknown"]
    return [
        html.Section(
            [
                html.H2("What no probe here can see", id="unseen"),
                html.Ul([html.Li(text.capital(_of_slide(spot.path))) for spot in spots])
                if spots
                else html.P(text.ALL_COVERED),
                html.P(text.ONE_PLACE) if walls else None,
                html.P(text.not_heard_text(mute)) if mute else None,
            ],
            className="unknowns",
            **marked(aria_labelledby="unseen"),
        ),
        *_next_probe(spots[:2], unit, walls=bool(walls)),
    ]


def _of_slide(told: str) -> str:
    """A path or place of `monitor.evidence.entries`, those of a slide with its number."""
    found = re.search(r"(?<= slide )\d+", told)
    if found is None:
        return say(told)
    return say(told.replace(found[0], "{number}"), number=found[0])


def _next_probe(spots: Sequence[BlindSpot], unit: UnitNow, *, walls: bool) -> list[Any]:
    """Where the next probe, and the one after it, would help most."""
    if not spots:
        return []
    said = []
    for place, spot in enumerate(spots):
        told = place > 0 and spot.reason == spots[0].reason
        why = text.probe_text(_of_slide(spot.place), reason="" if told else say(spot.reason))
        lead = text.THEN_PROBE if place else text.NEXT_PROBE
        said.append(html.P([lead, html.B(spot.zone), why]))
    return [
        html.H2("The next probe"),
        None if walls else html.P(text.wall_probe_text([spot.zone for spot in spots])),
        *said,
        html.Details([html.Summary("How a probe is put there"), html.P(text.PUT_A_PROBE)]),
        html.P(
            f"{say(BASIS)} {text.stand_text(unit.declared)} {say(text.SIDES_MEAN)}",
            className="aside",
        ),
    ]


def _fortnight(unit: UnitNow, limits: Limits) -> Component | None:
    if unit.strip is None:
        return None
    lines = (limits.damp_percent, limits.wet_percent)
    moisture, rain = unit.strip.moisture_percent, unit.strip.rain_mm
    known = moisture[~np.isnan(moisture)]
    said = (
        say(
            "wood moisture {least:.1f} to {most:.1f} %, now {now:.1f} %",
            least=known.min(),
            most=known.max(),
            now=known[-1],
        )
        if len(known)
        else say("no wood moisture")
    )
    rain_said = (
        say("{rain:.0f} mm of rain", rain=np.nansum(rain))
        if (~np.isnan(rain)).any()
        else say("no rain source")
    )
    sentence = say(
        "{zone}, {days} days: {wood}; {rain}.",
        zone=unit.strip.zone,
        days=STRIP_DAYS,
        wood=said,
        rain=rain_said,
    )
    return html.Figure(
        [
            html.Img(
                src=drawing.strip(moisture, rain, limits_percent=lines), alt="", className="strip"
            ),
            html.Figcaption(
                say(
                    "{sentence} Rain hangs from the top; thin lines at {damp:g} and {wet:g} %; "
                    "hatched where nothing is known.",
                    sentence=sentence,
                    damp=lines[0],
                    wet=lines[1],
                )
            ),
        ],
        className="fortnight",
    )


def _zones(unit: UnitNow, site: SiteRow, asked: Wish) -> Component:
    if not unit.zones:
        return html.P(
            [
                say(
                    "No zone of {code} is entered. Write it into a lot file and read it in: ",
                    code=unit.code,
                ),
                html.Code("sillkeep import lot.toml"),
            ]
        )
    return html.Ul([_zone(zone, site, asked) for zone in unit.zones], className="zones")


def _zone(zone: ZoneNow, site: SiteRow, asked: Wish) -> Component:
    hour = None if zone.hour is None else (zone.hour + 1) * HOUR_S
    basis = {"pin": say(" (pin)"), "air": say(" (from air)")}.get(zone.moisture_basis, "")
    figures: list[tuple[str, Any]] = [
        ("temperature", words.temperature(zone.temperature_c, asked)),
        ("humidity", words.number(zone.humidity_percent, "%", digits=0)),
        ("dew point", words.temperature(zone.dew_point_c, asked)),
        ("wood moisture", words.number(zone.wood_moisture_percent, "%") + basis),
        ("mould index", index_text(zone)),
    ]
    head = [
        html.Div(
            [
                html.A(
                    zone.code, href=asked.link(words.zone_path(zone.site, zone.unit, zone.code))
                ),
                html.Span(say(zone.kind), className="slot"),
            ],
            className="who",
        ),
        views.mark(zone.word),
        html.Span(words.TRENDS[zone.trend], className="trend"),
    ]
    said = (
        say(
            "hour to {at}; rain witnessed {witnessed} times",
            at=words.when(hour, site.timezone),
            witnessed=zone.witnessed,
        )
        if hour is not None
        else say("not judged yet")
    )
    return html.Li(
        [html.Div(head, className="line"), views.facts(figures), html.P(said, className="aside")],
        className=f"is-{zone.word}",
    )


def index_text(zone: ZoneNow) -> str:
    """Mould index with the pair across gaps where they differ."""
    low, high = zone.mould_index_low, zone.mould_index_high
    text = words.number(zone.mould_index, digits=2)
    if low is None or high is None or high - low < 0.005:
        return text
    return say("{text} ({low:.2f} to {high:.2f})", text=text, low=low, high=high)


def _unknowns(unit: UnitNow, site: SiteRow, asked: Wish) -> list[Any]:
    lines: list[Any] = [
        views.why_unknown(asked, zone, site) for zone in unit.zones if zone.word == "unknown"
    ]
    judged = [zone for zone in unit.zones if zone.hour is not None]
    if judged and not any(zone.rain_known for zone in judged):
        lines.append("Rain is not recorded now: whether a zone stays dry in rain cannot be said.")
    lines += [text.borrowed_text(*one) for one in site.borrowed]
    wooden = [zone for zone in judged if zone.wood_moisture_percent is not None]
    if wooden and all(zone.ambient_moisture_percent is None for zone in wooden):
        lines.append("No outside air and no like zone: nothing to compare wood moisture with.")
    if unit.zones and all(zone.kind in {"cabin", "bed"} for zone in unit.zones):
        lines.append("Cabin only: walls not watched.")
    partial = [z.code for z in judged if z.mould_index_high is not None and _apart(z)]
    if partial:
        lines.append(
            say(
                "Gaps: the mould index of {partial} lies between two bounds.",
                partial=", ".join(partial),
            )
        )
    return lines


def _apart(zone: ZoneNow) -> bool:
    return (zone.mould_index_high or 0.0) - (zone.mould_index_low or 0.0) >= 0.005
