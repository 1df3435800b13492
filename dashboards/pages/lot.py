"""Lot: what touches many units at once, which units to open first, and how every unit stands.

What the address asks for (`/?row=B&state=wet`) narrows the units below the counts; the counts and
the common causes are always of all that the visitor sees.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from dash import html
from dash.development.base_component import Component
from markupsafe import Markup, escape

from dashboards import views, words
from dashboards.pages import begin
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import causes, drawing, text
from monitor.catalogue import say
from monitor.judge.rules import LIMITS
from monitor.store.board import STRIP_DAYS, WORD_RANK, AlarmRow, CauseNow, Lot, SiteRow, UnitNow

FIRST = 10  # "ten units to touch today"
_LIMITS_PERCENT = (LIMITS.damp_percent, LIMITS.wet_percent)


def blocks(lot: Lot, asked: Wish) -> list[Any]:
    """Page of all units, or of those that the address asks for."""
    if not lot.units:
        return _empty(lot, asked)
    shown = narrowed(lot, asked)
    return [
        html.H1("Lot"),
        _counts(lot, asked),
        _causes(lot, asked),
        *_choices(lot, shown, asked),
        html.Div([_first(shown, asked), _unknowns(shown, asked)], className="beside"),
        *(
            _site(site, [unit for unit in shown.units if unit.site == site.code], asked)
            for site in lot.sites
        ),
    ]


# --- what is shown --------------------------------------------------------------------------------


def row_of(unit: UnitNow) -> str:
    """Row that a unit stands in: "B-12" and "B12" are in row B; "" if its slot names none."""
    letters = re.match(r"\D*", unit.slot)
    return causes.row_of(unit.slot) or (letters[0].strip() if letters else "")


_CHOICES: dict[str, Callable[[UnitNow], str]] = {
    "row": row_of,
    "state": lambda unit: unit.word,
    "life": lambda unit: unit.life,
}  # what units can be told apart by, as the address names it


def narrowed(lot: Lot, asked: Wish) -> Lot:
    """The lot with the units alone that the address asks for."""
    units: Iterable[UnitNow] = lot.units
    for name, of_unit in _CHOICES.items():
        if wanted := asked.choice(name):
            units = [unit for unit in units if of_unit(unit) == wanted]
    if wanted := asked.choice("cause"):
        touched = frozenset[str]().union(
            *(cause.units for cause in lot.causes if str(cause.alarm.alarm_id) == wanted)
        )
        units = [unit for unit in units if unit.code in touched]
    return replace(lot, units=tuple(units))


def to_open(lot: Lot) -> list[tuple[UnitNow, AlarmRow]]:
    """Units that ask to be opened, with their most urgent alarm, most urgent first.

    What a common cause explains asks for no unit to be opened, nor does what can wait for the season.
    """
    grouped = lot.grouped
    asking = ((unit, unit.first_alarm(grouped)) for unit in lot.units)
    return [(u, a) for u, a in asking if a is not None and a.alarm_class != "season"]


def _choices(lot: Lot, shown: Lot, asked: Wish) -> list[Component | None]:
    """How to narrow the list, and what it is narrowed to."""
    groups = [_choice(lot, name, asked) for name in ("row", "life")]
    said = [asked.choice(name) for name in (*_CHOICES, "cause")]
    if not any(said):
        return [*groups, _morning(asked)]
    row, kinds = asked.choice("row"), _cause_names(lot, asked)
    named = [
        say("row {row}", row=row) if row else "",
        *map(say, (asked.choice("state"), asked.choice("life"), *kinds)),
    ]
    count = say(
        "{units} of {count}", units=len(shown.units), count=words.count(len(lot.units), "unit")
    )
    everything = asked.narrowed(**dict.fromkeys((*_CHOICES, "cause"), ""))
    return [
        *groups,
        html.P(
            [
                say(
                    "Shown below: {count} ({filter}). ",
                    count=count,
                    filter=", ".join(filter(None, named)),
                ),
                html.A("Show all", href=everything),
            ],
            className="shown",
            role="status",
        ),
        _morning(asked),
    ]


def _cause_names(lot: Lot, asked: Wish) -> list[str]:
    """What the common cause that the address asks for is called."""
    wanted = asked.choice("cause")
    if not wanted:
        return []
    kinds = [c.alarm.kind for c in lot.causes if str(c.alarm.alarm_id) == wanted]
    return kinds or ["a common cause that is over"]


def _choice(lot: Lot, name: str, asked: Wish) -> Component | None:
    counted = Counter(_CHOICES[name](unit) for unit in lot.units)
    known = sorted((value for value in counted if value), key=text.slot_order)
    if len(known) < 2 and not asked.choice(name):
        return None
    links = [
        html.A(
            [
                say(value) if name != "row" else value,
                html.Span(f"{counted[value]}", className="slot"),
            ],
            href=asked.narrowed(**{name: "" if asked.choice(name) == value else value}),
            **_chosen(asked.choice(name) == value),
        )
        for value in known
    ]
    return html.Nav(
        [html.B(text.capital(say(name))), *links],
        className="choice",
        **marked(aria_label=say("By {name}", name=say(name))),
    )


def _chosen(here: bool) -> dict[str, Any]:  # noqa: FBT001  one meaning
    return {"aria-current": "true"} if here else {}


def _morning(asked: Wish) -> Component:
    return html.P(
        html.A("Morning list, to print and take along", href=asked.narrowed("/morning")),
        className="aside",
    )


def _empty(lot: Lot, asked: Wish) -> list[Any]:
    example = begin.lot_file(asked.now_s)
    steps: list[Any] = [
        ["Write down what you have in ", html.Code("lot.toml"), ":", html.Pre(example)],
        ["Read it in: ", html.Code("sillkeep import lot.toml")],
        say(
            "Switch the node on. After {settling_h} hours of readings the zone has its word.",
            settling_h=LIMITS.settling_h,
        ),
    ]
    known = (
        say(" It knows {count}.", count=words.count(len(lot.sites), "site")) if lot.sites else ""
    )
    return [
        html.H1("Lot"),
        html.P(
            say("The record holds no unit yet: nothing is watched.{known}", known=known),
            className="lead",
        ),
        html.H2("How to begin"),
        html.Ol([html.Li(step) for step in steps], className="steps"),
        html.P(["To see it at work first, run ", html.Code("sillkeep demo"), "."]),
    ]


def _counts(lot: Lot, asked: Wish) -> Component:
    counted: Counter[str] = Counter(unit.word for unit in lot.units)
    entries = []
    for word in WORD_RANK:
        here = asked.choice("state") == word
        said = [html.Span(f"{counted[word]}", className="figure"), views.mark(word)]
        link = html.A(
            said,
            href=asked.narrowed(state="" if here else word),
            **_chosen(here),
        )
        entries.append(html.Li(link if counted[word] or here else said))
    return html.Ul(entries, className="counts", **marked(aria_label="Units by word"))


def _causes(lot: Lot, asked: Wish) -> Component | None:
    """What touches many at once, one line each: silence first."""
    if not lot.causes:
        return None
    return html.Section(
        [
            html.H2("Common causes"),
            html.Ul([_cause(cause, asked) for cause in lot.causes], className="causes"),
        ]
    )


def _cause(cause: CauseNow, asked: Wish) -> Component:
    number = str(cause.alarm.alarm_id)
    count = words.count(len(cause.members), "alarm")
    link = html.A(
        words.count(len(cause.units), "unit"),
        href=asked.narrowed(row="", state="", life="", cause=number),
    )
    said = words.first_sentence(views.told(cause.alarm).text)
    return html.Li(
        [
            html.B(say(cause.alarm.kind)),
            say(" {said} {count} under it, in ", said=said, count=count),
            link,
            ".",
        ]
    )


def _first(lot: Lot, asked: Wish) -> Component:
    urgent = to_open(lot)[:FIRST]
    if not urgent:
        return html.Section(
            [html.H2("Open first"), html.P("Nothing asks for a unit to be opened.")]
        )
    entries = [
        html.Li(
            [
                html.Div(
                    [
                        html.A(unit.code, href=asked.link(words.unit_path(unit.code))),
                        html.Span(_slot(unit), className="slot"),
                        html.Span(say(alarm.alarm_class), className="class"),
                    ]
                ),
                html.P(views.in_short(alarm)),
            ]
        )
        for unit, alarm in urgent
    ]
    return html.Section([html.H2("Open first"), html.Ol(entries, className="first")])


def _unknowns(lot: Lot, asked: Wish) -> Component:
    lines: list[Any] = []
    zones = sum(len(unit.zones) for unit in lot.units)
    unknown = sum(unit.unknown for unit in lot.units)
    if unknown:
        lines.append(
            say(
                "{unknown} of {count} are unknown.",
                unknown=unknown,
                count=words.count(zones, "zone"),
            )
        )
    reasons: dict[str, list[Component]] = {}
    for unit in lot.units:
        if unit.reason:
            link = html.A(unit.code, href=asked.link(words.unit_path(unit.code)))
            reasons.setdefault(unit.reason, []).append(link)
    lines += [
        [
            f"{text.capital(views.reason(reason))}: ",
            *_joined(links[:FIRST]),
            _more(len(links) - FIRST),
        ]
        for reason, links in reasons.items()
    ]
    dry = [u.code for u in lot.units if u.zones and not any(z.rain_known for z in u.zones)]
    if dry:
        lines.append(
            say(
                "No rain recorded now for {count}: it cannot be witnessed there.",
                count=words.count(len(dry), "unit"),
            )
        )
    if len(lines) > FIRST:
        lines = [
            *lines[:FIRST],
            say("and {lines} more, each said on its unit's page.", lines=len(lines) - FIRST),
        ]
    return views.unknown_panel(lines)


def _site(site: SiteRow, units: list[UnitNow], asked: Wish) -> Component | None:
    if not units:
        return None
    rain = next((u.strip.rain_mm for u in units if u.strip and _known(u.strip.rain_mm)), None)
    own = [
        html.A(code, href=asked.link(words.zone_path(site.code, "", code))) for code in site.zones
    ]
    head = html.Div(
        [
            html.Span(
                [
                    say(
                        "Rain and wood moisture of the worst zone, {strip_days} days",
                        strip_days=STRIP_DAYS,
                    )
                ],
                className="over",
            ),
            html.Img(src=drawing.rain_strip(rain), alt=_rain_text(rain), className="strip")
            if rain is not None
            else html.Span("no rain source", className="none"),
        ],
        className="unit-head",
    )
    return html.Section(
        [
            html.H2(site.name or site.code),
            html.P(["On the site: ", *_joined(own)], className="aside") if own else None,
            head,
            html.Ul([_unit(unit, asked) for unit in units], className="units"),
        ]
    )


# written out, because building 500 entries of components takes half a second and this a fiftieth;
# what is filled in is escaped by `_filled`
_ENTRY = (
    '<li class="is-{word}"><a href="{link}">'
    '<span class="mark is-{word}"><img src="/assets/mark-{word}.svg" alt="">{said}</span>'
    '<span class="who"><b>{code}</b><span class="slot">{slot}</span><span>{name}</span></span>'
    '<span class="worst"><span>{worst}</span><span class="trend">{trend}</span></span>{strip}'
    '<span class="known"><span class="{part}">{unknown}</span><span>{heard}</span></span>'
    '<span class="alarms {has}">{alarms}</span></a></li>'
)


def _unit(unit: UnitNow, asked: Wish) -> Markup:
    known = (zone for zone in unit.zones if zone.word != "unknown")
    worst = next(known, None) or next(iter(unit.zones), None)
    heard = None if unit.heard_s is None else asked.now_s - unit.heard_s
    return _filled(
        _ENTRY,
        word=unit.word,
        said=say(unit.word),
        link=asked.link(words.unit_path(unit.code)),
        code=unit.code,
        slot=_slot(unit),
        name=unit.name,
        worst=worst.code if worst else say("no zone"),
        trend=say(words.TRENDS[worst.trend]) if worst else "",
        strip=_strip(unit),
        part="part" if unit.unknown else "",
        unknown=views.unknown_zones(unit),
        heard=say("heard {age}", age=words.age(heard)),
        has="has" if unit.alarms else "",
        alarms=words.count(len(unit.alarms), "open alarm") if unit.alarms else say("no open alarm"),
    )


def _strip(unit: UnitNow) -> Markup:
    if unit.strip is None:
        return _filled('<span class="strip none">{said}</span>', said=say("nothing judged yet"))
    moisture = unit.strip.moisture_percent
    latest = moisture[~np.isnan(moisture)]
    said = (
        say("{latest:.0f} % wood moisture", latest=latest[-1])
        if len(latest)
        else say("no wood moisture")
    )
    picture = '<img class="strip" src="{source}" alt="{zone}: {said}">'
    source = _picture(moisture.tobytes(), unit.strip.rain_mm.tobytes())
    return _filled(picture, source=source, zone=unit.strip.zone, said=said)


@lru_cache(maxsize=4096)
def _picture(moisture_percent: bytes, rain_mm: bytes) -> Markup:
    """A strip, drawn once as long as nothing new was judged."""
    moisture, rain = np.frombuffer(moisture_percent), np.frombuffer(rain_mm)
    source = drawing.strip(moisture, rain, limits_percent=_LIMITS_PERCENT)
    return Markup(source)  # noqa: S704  our own drawing


def _filled(form: str, **parts: object) -> Markup:
    """HTML with escaped text in it: as `Markup.format`, in a tenth of its time."""
    escaped = {name: escape(part) for name, part in parts.items()}
    return Markup(form.format_map(escaped))  # noqa: S704  all of it is escaped


def _more(number: int) -> str:
    return say(" and {number} more.", number=number) if number > 0 else "."


def _slot(unit: UnitNow) -> str:
    return say("slot {slot}", slot=unit.slot) if unit.slot else "no slot"


def _known(values: drawing.Floats) -> bool:
    return bool((~np.isnan(values)).any())


def _rain_text(rain: drawing.Floats) -> str:
    return say(
        "{rain:.0f} mm of rain in {strip_days} days",
        rain=np.nansum(rain),
        strip_days=STRIP_DAYS,
    )


def _joined(links: Sequence[Component]) -> list[Any]:
    parts: list[Any] = []
    for link in links:
        parts += [", ", link] if parts else [link]
    return parts
