"""First steps: a site, a unit, its zones, a node, and its first reading, each with what is next."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import segno
from dash import html
from dash.development.base_component import Component
from markupsafe import Markup

from dashboards import words
from dashboards.pages.forms import choice, field, hidden
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.evidence.entries import BlindSpot
from monitor.lot import ZONE_KINDS, Placement, Site, Unit, Zone

BODIES = ("travel trailer", "fifth wheel", "motorhome", "van", "truck camper")
LIVES = ("stored", "occupied", "stock", "intake")
MOST_PROBES = 4  # of one node that a form places


@dataclass(frozen=True, slots=True)
class Broker:
    """Where nodes publish: what a person types into one."""

    address: str = "127.0.0.1"
    port: int = 1883
    prefix: str = "sillkeep"
    embedded: bool = True
    tls: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """What the page is drawn from; `unit` is the one that is being set up."""

    sites: tuple[Site, ...]
    units: tuple[Unit, ...]
    unit: Unit | None
    zones: tuple[Zone, ...]  # of that unit and of its site
    suggested: tuple[BlindSpot, ...]  # zones it does not have yet
    placed: tuple[Placement, ...]  # in those zones
    heard: dict[tuple[str, str], int]  # newest sample of each (site, node)
    broker: Broker


def blocks(told: Told, asked: Wish, *, token: str) -> list[Any]:
    """The page; each step says whether it is done."""
    unit = told.unit
    own = [zone for zone in told.zones if not zone.source]
    heard = any((p.site, p.node) in told.heard for p in told.placed)
    return [
        html.H1(say("First steps")),
        html.P(say(text.BEGIN_MEANS), className="lead"),
        None if told.units else html.P(say("The record holds no unit yet: nothing is watched.")),
        *_units(told, asked),
        html.Ol(
            [
                _step("site", bool(told.sites), _sites(told), _site_form(token, bool(told.sites))),
                _step("unit", unit is not None, _unit_said(unit), _unit_form(told, token)),
                _step(
                    "zones",
                    any(zone.unit for zone in own),
                    _zones_said(own),
                    _zones_form(told, token),
                ),
                _step("node", bool(told.placed), _nodes_said(told), _node_form(told, token)),
                _step("reading", heard, _heard_said(told, asked), _publish(told, asked)),
            ],
            className="steps begin",
        ),
        html.Details(
            [
                html.Summary(say("With a file instead")),
                html.P(["Write down what you have in ", html.Code("lot.toml"), ":"]),
                html.Pre(lot_file(asked.now_s)),
                html.P(["Read it in: ", html.Code("sillkeep import lot.toml")]),
            ]
        ),
        html.P([say("To see it at work first: "), html.Code("sillkeep demo")], className="aside"),
    ]


def _units(told: Told, asked: Wish) -> list[Any]:
    if len(told.units) < 2:
        return []
    links = [html.A(unit.code, href=asked.narrowed(unit=unit.code)) for unit in told.units]
    spaced = [part for link in links for part in (link, " ")]
    return [html.P([say("Set up: "), *spaced], className="choices")]


def _step(name: str, done: bool, said: Sequence[Any], form: Sequence[Any]) -> Component:  # noqa: FBT001
    """One step: its title, whether it is done, what is there, and how more is entered."""
    state = say("done") if done else say("to do")
    more = (
        [html.Details([html.Summary(say(text.BEGIN_MORE[name])), *form])]
        if done and form and name != "reading"
        else list(form)
    )
    return html.Li(
        [
            html.H2([say(text.BEGIN_STEPS[name]), html.Small(state)]),
            *(html.P(part) for part in said),
            *more,
        ],
        className="is-done" if done else "",
        id=f"step-{name}",
    )


def lot_file(now_s: int) -> str:
    """A lot file to begin with, as `sillkeep import` reads it."""
    return (
        '[[site]]\ncode = "home"\ntimezone = "Europe/Brussels"\n\n'
        '[[unit]]\ncode = "rv1"\n\n'
        '[[zone]]\nunit = "rv1"\ncode = "off-rear-low"\nkind = "wall"\n\n'
        '[[node]]\ncode = "02005e10a4c3"\nunit = "rv1"\n'
        f'from = "{words.utc(now_s)}"\n'
        'probes = { p1 = "off-rear-low" }\n'
    )


# --- site and unit --------------------------------------------------------------------------------


def _sites(told: Told) -> list[Any]:
    if not told.sites:
        return [say(text.BEGIN_SITE)]
    return [
        ", ".join(f"{site.code} ({site.timezone}, {site.altitude_m:.0f} m)" for site in told.sites)
    ]


def _site_form(token: str, another: bool) -> list[Any]:  # noqa: FBT001  one meaning
    fields = [
        field(say("Code, such as home"), "code", value="" if another else "home"),
        field(say("Time zone, such as Europe/Brussels"), "timezone", value="UTC"),
        field(say("Altitude in metres"), "altitude", kind="number", value="0", span=(-500, 6000)),
    ]
    return [_form("site", fields, say("Enter the site"), token)]


def _unit_said(unit: Unit | None) -> list[Any]:
    if unit is None:
        return [say(text.BEGIN_UNIT)]
    return [f"{unit.code}: {say(unit.body_type)}, {unit.site}"]


def _unit_form(told: Told, token: str) -> list[Any]:
    if not told.sites:
        return []
    fields = [
        field(say("Code, such as rv1"), "code", value="" if told.units else "rv1"),
        field(say("Name, if it has one"), "name", optional=True),
        choice(say("Kind"), "body_type", [(body, say(body)) for body in BODIES]),
        choice(say("It is"), "life", [(life, say(life)) for life in LIVES]),
        field(say("Slide-outs"), "slides", kind="number", value="0", span=(0, 9)),
        choice(say("Site"), "site", [(site.code, site.code) for site in told.sites]),
    ]
    return [_form("unit", fields, say("Enter the unit"), token)]


# --- zones ----------------------------------------------------------------------------------------


def _zones_said(zones: Sequence[Zone]) -> list[Any]:
    if not zones:
        return [say(text.BEGIN_ZONES)]
    return [", ".join(f"{zone.code} ({say(zone.kind)})" for zone in zones)]


def _zones_form(told: Told, token: str) -> list[Any]:
    unit = told.unit
    if unit is None:
        return []
    known = {zone.code for zone in told.zones}
    boxes = []
    if "air-main" not in known:
        boxes.append(_box("air-main", "cabin", say(text.BEGIN_CABIN)))
    if not any(not zone.unit and zone.kind == "outside" for zone in told.zones):
        boxes.append(_box("outside", "outside", say(text.BEGIN_OUTSIDE)))
    boxes += [_box(spot.zone, spot.kind, say(spot.place)) for spot in told.suggested]
    own = [
        field(say("Another one, by its code"), "code", optional=True),
        choice(say("Its kind"), "kind", [(kind, say(kind)) for kind in ZONE_KINDS]),
    ]
    fields = [hidden("unit", unit.code), html.Ul(boxes, className="boxes"), *own]
    return [
        _form("zones", fields, say("Enter the zones"), token),
        html.P(say(text.BEGIN_CODES), className="aside"),
    ]


def _box(code: str, kind: str, place: str) -> Component:
    # the components have no such input; a code holds nothing that HTML reads
    box = Markup('<input type="checkbox" name="zone" value="{}={}" id="zone-{}">').format(
        code, kind, code
    )
    said = html.Label([html.B(code), f" ({say(kind)}): {place}"], htmlFor=f"zone-{code}")
    return html.Li([box, said])


# --- nodes and the first reading ------------------------------------------------------------------


def _nodes_said(told: Told) -> list[Any]:
    if not told.placed:
        return [say(text.BEGIN_NODE)]
    return [
        ", ".join(f"{p.node} {p.probe}: {p.unit or p.site}/{p.zone}" for p in told.placed),
    ]


def _node_form(told: Told, token: str) -> list[Any]:
    unit, watched = told.unit, {(p.unit, p.zone) for p in told.placed}
    free = [
        zone for zone in told.zones if (zone.unit, zone.code) not in watched and not zone.source
    ]
    if unit is None or not free:
        return []
    options = [("", say("nothing"))] + [
        (f"{'unit' if zone.unit else 'site'}/{zone.code}", zone.code) for zone in free
    ]
    probes = [
        choice(
            say("Its probe {number} watches", number=number),
            f"p{number}",
            options,
            chosen=options[number][0] if number < len(options) else "",
        )
        for number in range(1, min(MOST_PROBES, len(free)) + 1)
    ]
    fields = [
        hidden("unit", unit.code),
        field(say("Code, such as the end of its radio address"), "code"),
        *probes,
    ]
    return [
        _form("node", fields, say("Enter the node"), token),
        html.P(say(text.PUT_A_PROBE), className="aside"),
        html.P(say(text.CAUTION_AT_NODE), className="caution"),
    ]


def _heard_said(told: Told, asked: Wish) -> list[Any]:
    nodes = {(p.site, p.node) for p in told.placed}
    heard = [told.heard[key] for key in nodes if key in told.heard]
    if not nodes:
        return [say(text.BEGIN_READING)]
    if not heard:
        return [say(text.BEGIN_WAITS)]
    ago = words.age(asked.now_s - max(heard))
    return [say("The newest reading was taken {ago}. {next}", ago=ago, next=say(text.BEGIN_HEARD))]


def _publish(told: Told, asked: Wish) -> list[Any]:
    nodes = sorted({(p.site, p.node) for p in told.placed})
    return [part for site, node in nodes for part in _way(told, site, node, asked)]


def _way(told: Told, site: str, node: str, asked: Wish) -> list[Any]:
    """Where one node publishes: as text, as a code to scan, and as a first reading to send by hand."""
    broker = told.broker
    topic = f"{broker.prefix}/{site}/{node}/senml"
    held = {
        "site": site,
        "node": node,
        "broker": f"{broker.address}:{broker.port}",
        "topic": topic,
    }
    written = json.dumps(held, separators=(",", ":"))
    drawing = segno.make(written, error="m").svg_inline(
        scale=4, border=4, dark="#000", light="#fff"
    )
    probes = sorted(p.probe for p in told.placed if (p.site, p.node) == (site, node))
    facts = [
        html.Div([html.Dt(say(name)), html.Dd(html.Code(value))])
        for name, value in (
            ("broker", held["broker"]),
            ("topic", topic),
            ("MQTT", "5, QoS 1"),
        )
    ]
    return [
        html.H3(node),
        html.Div(
            [
                html.Div(
                    Markup(drawing),  # noqa: S704  made of our own codes, and the library writes no text
                    className="qr",
                    role="img",
                    **marked(aria_label=say("Code to scan: {held}", held=written)),
                ),
                html.Dl(facts, className="facts"),
            ],
            className="beside even",
        ),
        html.P(say(text.BEGIN_EMBEDDED)) if broker.embedded else None,
        html.Details(
            [
                html.Summary(say("Send a first reading by hand")),
                html.P(say(text.BEGIN_BY_HAND)),
                html.Pre(html.Code(_by_hand(broker, topic, node, probes, asked.now_s))),
            ]
        ),
    ]


def _by_hand(broker: Broker, topic: str, node: str, probes: Sequence[str], now_s: int) -> str:
    """A command that publishes one sample, with a tool that every broker's package brings."""
    pack: list[dict[str, Any]] = [{"bn": f"urn:dev:mac:{node}:", "bt": now_s, "bver": 11}]
    for probe in probes:
        name = "" if probe == "p1" else f"{probe}/"
        pack += [
            {"n": f"{name}temperature", "u": "Cel", "v": 11.4},
            {"n": f"{name}humidity", "u": "%RH", "v": 62.0},
        ]
    pack[1] = pack[0] | pack[1]
    said = json.dumps(pack[1:], separators=(",", ":"))
    return (
        f"mosquitto_pub -V 5 -q 1 -h {broker.address} -p {broker.port} \\\n"
        f"  -t {topic} \\\n  -m '{said}'"
    )


def _form(step: str, fields: Sequence[Any], said: str, token: str) -> Component:
    send = html.Button(said, type="submit")
    return html.Form(
        [hidden("token", token), *fields, send],
        action=f"/begin/{quote(step)}",
        method="post",
        className="stack",
    )
