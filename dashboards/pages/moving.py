"""A node that was hung elsewhere, or taken away: what its probes watch, and where they hang now."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages.forms import choice, field, hidden
from dashboards.words import Wish
from monitor.catalogue import say
from monitor.lot import Placement, Zone
from monitor.text import moving as text

AT_SITE = "@"  # in the place of a unit's code: the site itself; no code begins so
MOST_CHOICE = 300  # nodes of a list that is still a choice
LONGEST_H = 9999


@dataclass(frozen=True, slots=True)
class Probe:
    """A probe that the visitor may move, with what it watches and watched before, if that is seen."""

    code: str
    now: Placement | None
    before: Placement | None


@dataclass(frozen=True, slots=True)
class Told:
    """What the page is drawn from; `node` is "" while none is chosen."""

    nodes: tuple[str, ...]  # that the visitor may move something of, as site/node
    token: str
    node: str = ""
    timezone: str = "UTC"
    probes: tuple[Probe, ...] = ()
    places: tuple[str, ...] = ()  # units, and `AT_SITE`
    place: str = ""  # the one of them that is chosen
    zones: tuple[Zone, ...] = ()  # there
    watched: Mapping[str, str] = dataclasses.field(default_factory=dict)  # by whom each of them is


def blocks(told: Told, asked: Wish) -> list[Any]:
    """The page."""
    back = html.P(html.A("← Nodes", href=asked.link("/nodes")), className="back")
    if not told.node:
        return [back, html.H1("Moved"), *_choose(told)]
    code = told.node.partition("/")[2]
    return [
        back,
        html.H1(say("{node}: moved", node=code)),
        html.Ul([html.Li(_stands(probe, told, asked)) for probe in told.probes], className="plain"),
        html.H2("Where does it hang now?"),
        *_where(told),
        *_placing(told),
        html.H2("Taken away"),
        _taking(told),
        html.P(say(text.SETTLES), className="aside"),
        html.P(say(text.WRONG), className="aside"),
        views.unknown_panel(list(text.UNKNOWN)),
    ]


def _choose(told: Told) -> list[Any]:
    if not told.nodes:
        return [html.P("There is no node that you could move.")]
    if len(told.nodes) > MOST_CHOICE:
        return [html.P("Choose the node on Nodes: its line leads here.")]
    options = [(node, node) for node in told.nodes]
    return [
        html.Form(
            [
                choice(say("Which node?"), "node", options),
                html.Button("Choose", type="submit", className="plain"),
            ],
            action="/move",
            method="get",
            className="stack",
        )
    ]


def _stands(probe: Probe, told: Told, asked: Wish) -> list[Any]:
    parts: list[Any] = [html.B(probe.code), ": "]
    if probe.now is None or not probe.now.zone:
        parts.append(say("nothing"))
    else:
        parts += views.place(asked, probe.now.site, probe.now.unit, probe.now.zone)
    if probe.now is not None:
        parts.append(say(" since {when}", when=words.when(probe.now.from_s, told.timezone)))
    if probe.before is not None and probe.before.zone:
        parts.append(say("; before: {zone}", zone=text.placed_text(probe.before)))
    return parts


def _where(told: Told) -> list[Any]:
    if len(told.places) < 2:
        return []
    options = [(place, _called(place)) for place in told.places]
    return [
        html.Form(
            [
                hidden("node", told.node),
                choice(say("Unit"), "unit", options, chosen=told.place),
                html.Button("Show its zones", type="submit", className="plain"),
            ],
            action="/move",
            method="get",
            className="stack",
        )
    ]


def _called(place: str) -> str:
    return say("the site itself") if place == AT_SITE else place


def _placing(told: Told) -> list[Any]:
    """The form for the chosen unit, or why there is none."""
    if not told.place:
        return [html.P("There is no unit here that it could hang in.")]
    if not told.zones:
        said = say("{unit} has no zones yet: enter them first.", unit=_called(told.place))
        return [html.P(said)]
    moving = [probe for probe in told.probes if probe.now is not None and probe.now.unit]
    taken = not any(probe.now is not None and probe.now.zone for probe in told.probes)
    away = told.place != AT_SITE and (
        taken or any(probe.now.unit != told.place for probe in moving if probe.now is not None)
    )
    probes = [(probe.code, probe.code) for probe in told.probes]
    if away and len(told.probes if taken else moving) > 1:
        every = say("all that were taken away together") if taken else say("all that watch a unit")
        probes.insert(0, ("", every))
    zones = [(zone.code, _zone(zone, told)) for zone in told.zones]
    if away:
        zones.insert(0, ("", say("the zone of the same code")))
    return [
        _form(
            "place",
            [
                hidden("unit", told.place),
                choice(say("Probe"), "probe", probes),
                choice(say("Zone in {unit}", unit=_called(told.place)), "zone", zones),
                _hours("-place"),
                _tick("right", say("It puts the last entry right: since the same time")),
                _tick("beside", say("It hangs beside another probe of that zone")),
            ],
            say("It hangs there"),
            told,
        )
    ]


def _zone(zone: Zone, told: Told) -> str:
    kind, by = say(zone.kind), told.watched.get(zone.code, "")
    return f"{zone.code} ({kind})" + (say(", watched by {probe}", probe=by) if by else "")


def _taking(told: Told) -> Component:
    watching = [probe.code for probe in told.probes if probe.now is not None and probe.now.zone]
    if not watching:
        return html.P("It watches nothing.")
    options = [(code, code) for code in watching]
    if len(watching) > 1:
        options.insert(0, ("", say("all of it")))
    parts = [choice(say("Probe"), "probe", options, of="-take"), _hours("-take")]
    return _form("take", parts, say("Taken away"), told)


def _hours(of: str) -> Component:
    return field(
        say("How many hours ago? Empty: just now"),
        "hours",
        kind="number",
        span=(0, LONGEST_H),
        optional=True,
        of=of,
    )


def _tick(name: str, said: str) -> Component:
    box = dcc.Input(type="checkbox", name=name, value="1", id=name)  # type: ignore[arg-type]
    return html.Div([box, html.Label(said, htmlFor=name)], className="tick")


def _form(act: str, parts: Sequence[Any], said: str, told: Told) -> Component:
    fields = [hidden("token", told.token), hidden("node", told.node), *parts]
    return html.Form(
        [*fields, html.Button(said, type="submit")],
        action=f"/move/{act}",
        method="post",
        className="stack",
    )
