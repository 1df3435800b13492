"""Seals: which joints to look at or renew, when and why; what was found and used the last time."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any

from dash import html
from dash.development.base_component import Component
from markupsafe import Markup, escape

from dashboards import views, words
from dashboards.pages.forms import button, choice, field, hidden
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import catalogue, seals
from monitor.catalogue import say
from monitor.lot import JOINT_KINDS, SEAL_FINDINGS, SEALANTS, SEALS_HURT, Joint, SealBook, SealEntry
from monitor.roof import Why
from monitor.seals import Due
from monitor.store.board import SiteRow, UnitNow
from monitor.text import seals as text
from monitor.text.roof import roof_text

MOST_NOTED = 20  # entries shown of a unit
SIDES = (
    ("", "none"),
    ("off", "off side"),
    ("door", "door side"),
    ("front", "front"),
    ("rear", "rear"),
)
AHEAD = 12  # joints not due that are shown at once


@dataclass(frozen=True, slots=True)
class Told:
    """What the pages of a unit are drawn from; `token` "" for who may only read."""

    unit: UnitNow
    site: SiteRow
    book: SealBook
    dues: tuple[Due, ...]
    closed: tuple[Why, ...]
    zones: tuple[str, ...]
    token: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A unit of the lot's page."""

    unit: str
    slot: str
    dues: tuple[Due, ...]


# --- a unit ---------------------------------------------------------------------------------------


def blocks(told: Told, asked: Wish) -> list[Any]:
    """Page of a unit's seals."""
    unit = told.unit
    now = [one for one in told.dues if one.now]
    return [
        html.P(
            html.A(f"← {unit.code}", href=asked.link(words.unit_path(unit.code))), className="back"
        ),
        html.H1(["Seals", html.Small(unit.code)]),
        html.P(summary(told.dues), className="sentence"),
        *(_first(told) if not told.book.joints else _due(told, now, asked)),
        *_ahead(told, asked),
        *_events(told),
        *_rules(told),
        *_new(told),
        *_calendar(told),
        *_noted(told, told.book.entries, "What was noted"),
        *_retired(told, asked),
        html.Div([html.P(line) for line in _cautions(told)], className="caution"),
        views.unknown_panel(_unknowns(told)),
    ]


def summary(dues: Sequence[Due]) -> str:
    """How the seals of a unit stand, in a line."""
    stand = seals.tally(dues)
    first = min(stand.looks, key=lambda one: (one.day, one.joint.code), default=None)
    return text.summary_text(
        joints=len(stand.looks),
        due=len(stand.now),
        defects=stand.defects,
        first=_day(first.day) if first else "",
        reason=first.reason if first else "",
    )


def _first(told: Told) -> list[Any]:
    shown: list[Any] = [html.P(text.NO_JOINTS)]
    if told.token:
        label = say("Enter the usual joints of {unit}", unit=told.unit.code)
        send = button(_path(told, "suggest"), "Enter the usual joints", told.token, label=label)
        shown.append(html.Div(send, className="usual"))
    return shown


def _due(told: Told, now: Sequence[Due], asked: Wish) -> list[Any]:
    if not now:
        return [html.H2("To do now"), html.P("Nothing is due.")]
    looks = [one for one in now if one.task == "look"]
    alike = groupby(now, key=lambda one: (one.task, _why(one, told)))
    return [
        html.H2("To do now"),
        *(_item(task, why, list(held), told, asked) for (task, why), held in alike),
        *(_all_sound(told, looks) if told.token and looks else []),
    ]


def _item(task: str, why: str, held: Sequence[Due], told: Told, asked: Wish) -> Component:
    """Joints that ask for the same, for the same reason."""
    act = say("Renew it") if task == "reseal" else say("Look at it")
    rows = [
        html.Li(
            [
                html.A(one.joint.code, href=_joint_path(told.unit.code, one.joint.code, asked)),
                html.Span(f" {_seen(one.joint)}"),
            ]
        )
        for one in held
    ]
    return html.Div(
        [html.P([html.B(act), " ", why]), html.Ul(rows, className="seals plain")], className="due"
    )


def _seen(one: Joint) -> str:
    """Where a joint is, else what it is."""
    roof = say("on the roof") if one.on_roof else ""
    return ", ".join(filter(None, (one.place or say(one.kind), roof)))


def _why(one: Due, told: Told) -> str:
    since = "" if one.since_s is None else words.day(one.since_s, told.site.timezone)
    return text.why_text(one.reason, since=since, days=one.days, finding=one.finding)


def _all_sound(told: Told, looks: Sequence[Due]) -> list[Any]:
    """One form for a whole walk: what was sound; what was not is noted at its joint."""
    boxes = [
        html.Li(
            [
                Markup('<input type="checkbox" name="joint" value="{}" id="all-{}">').format(
                    one.joint.code, one.joint.code
                ),
                html.Label(_called(one.joint), htmlFor=f"all-{one.joint.code}"),
            ]
        )
        for one in looks
    ]
    parts = [
        hidden("token", told.token),
        hidden("finding", "sound"),
        html.Ul(boxes, className="ticks"),
        html.Button("Note the ticked ones as sound", type="submit"),
    ]
    return [
        _folded(
            [
                html.Summary("Looked at several, and they are sound"),
                html.P(
                    "Tick those that you looked at. What is not sound is noted at its joint, with a photo."
                ),
                html.Form(parts, action=_path(told, "look"), method="post", className="stack"),
            ]
        )
    ]


def _ahead(told: Told, asked: Wish) -> list[Any]:
    later = [one for one in told.dues if not one.now]
    if not later:
        return []
    rows = [
        html.Li(
            [
                html.B(_day(one.day)),
                " ",
                html.A(one.joint.code, href=_joint_path(told.unit.code, one.joint.code, asked)),
                html.Span(f" {say(one.joint.kind)}"),
            ]
        )
        for one in later
    ]
    more = (
        [
            _folded(
                [
                    html.Summary(say("{count} more", count=len(rows) - AHEAD)),
                    html.Ul(rows[AHEAD:], className="seals plain"),
                ]
            )
        ]
        if len(rows) > AHEAD
        else []
    )
    return [html.H2("Next"), html.Ul(rows[:AHEAD], className="seals plain"), *more]


def _events(told: Told) -> list[Any]:
    recent = [
        html.Li(
            f"{words.day(event.at_s, told.site.timezone)}: {say(event.kind)}"
            + (f", {event.value}" if event.value else "")
        )
        for event in reversed(told.book.events[-5:])
    ]
    shown: list[Any] = [html.H2("Hail, a branch, a storm"), html.P(text.EVENTS_MEAN)]
    if recent:
        shown.append(html.Ul(recent, className="noted"))
    if told.token:
        kinds = [(kind, say(kind)) for kind in SEALS_HURT]
        parts = [
            hidden("token", told.token),
            choice("What happened", "kind", kinds, of="-event"),
            field("On which day (empty: now)", "day", kind="date", optional=True, of="-event"),
            field("Where, how hard", "what", optional=True, of="-event"),
            html.Button("Note it", type="submit"),
        ]
        form = html.Form(parts, action=_path(told, "event"), method="post", className="stack")
        shown.append(_folded([html.Summary("Note one"), form]))
    return shown


def _rules(told: Told) -> list[Any]:
    if not told.book.joints:
        return []
    lines = [
        html.Li(
            say(
                "{of}: {days}, since {day} by {who}: {why}",
                of=rule.joint or say(rule.group),
                days=_every(rule.days),
                day=words.day(rule.at_s, told.site.timezone),
                who=rule.who,
                why=rule.why,
            )
        )
        for rule in told.book.rules
    ]
    shown: list[Any] = [html.H2("Intervals"), html.P(text.BASIS)]
    if lines:
        shown.append(html.Ul(lines, className="noted"))
    if told.token:
        groups = [("walk", say("walk")), ("roof", say("roof"))]
        form = _rule_form(told, choice("Of which", "group", groups, of="-rule"), "")
        shown.append(_folded([html.Summary("Change an interval"), form]))
    return shown


def _rule_form(told: Told, of: Component, joint: str) -> Component:
    parts = [
        hidden("token", told.token),
        hidden("of", joint),
        hidden("back", joint),
        of,
        field(
            "Every how many days (0: the roof in spring and autumn; empty: as by default)",
            "days",
            kind="number",
            span=(0, 3660),
            optional=True,
            of="-rule",
        ),
        field("Why, such as the page of the manual", "why", of="-rule"),
        html.Button("Change it", type="submit"),
    ]
    return html.Form(parts, action=_path(told, "rule"), method="post", className="stack")


def _every(days: int | None) -> str:
    if days is None:
        return say("as by default")
    if days == 0:
        return say("in spring and autumn")
    return catalogue.say_number(days, "every day", "every {n} days")


def _new(told: Told) -> list[Any]:
    if not told.token:
        return []
    parts = [
        hidden("token", told.token),
        field("Code, such as roof-antenna", "code", of="-new"),
        *_joint_fields(told, None, "-new"),
        html.Button("Enter it", type="submit"),
    ]
    form = html.Form(parts, action=_path(told, "add"), method="post", className="stack")
    return [_folded([html.Summary("Enter another joint"), form])]


def _joint_fields(told: Told, joint: Joint | None, of: str) -> list[Component]:
    kinds = [(kind, say(kind)) for kind in JOINT_KINDS]
    zones = [("", say("none")), *((zone, zone) for zone in told.zones)]
    yes = [("0", say("no")), ("1", say("yes"))]
    height = "" if joint is None or joint.height_m is None else f"{joint.height_m:g}"
    return [
        choice("What it is", "kind", kinds, chosen=joint.kind if joint else "", of=of),
        field("Where", "place", value=joint.place if joint else "", optional=True, of=of),
        choice(
            "Side",
            "side",
            [(value, say(said)) for value, said in SIDES],
            chosen=joint.side if joint else "",
            of=of,
        ),
        choice("Zone that would see it", "zone", zones, chosen=joint.zone if joint else "", of=of),
        choice(
            "Is it on the roof?", "on_roof", yes, chosen=str(int(bool(joint and joint.on_roof))), of=of
        ),
        field("Height to reach, in metres", "height", value=height, optional=True, of=of),
    ]  # fmt: skip


def _calendar(told: Told) -> list[Any]:
    if not told.book.joints:
        return []
    path = f"{words.unit_path(told.unit.code)}/seals.ics"
    return [
        html.H2("Calendar"),
        html.P(
            [
                html.A("File for a calendar", href=path, className="wide-link"),
                " ",
                html.A(
                    "the same, with a reminder a week before",
                    href=f"{path}?remind=1",
                    className="wide-link",
                ),
            ]
        ),
        html.P(text.NO_SUBSCRIPTION, className="aside"),
    ]


def _noted(told: Told, entries: Sequence[SealEntry], title: str) -> list[Any]:
    if not entries:
        return []
    newest = list(reversed(entries))
    shown: list[Any] = [
        html.Ul([_entry(one, told) for one in newest[:MOST_NOTED]], className="seals plain")
    ]
    if len(newest) > MOST_NOTED:
        shown.append(
            _folded(
                [
                    html.Summary(say("{count} more", count=len(newest) - MOST_NOTED)),
                    html.Ul([_entry(one, told) for one in newest[MOST_NOTED:]]),
                ]
            )
        )
    return [html.H2(title), *shown]


def _entry(one: SealEntry, told: Told) -> Component:
    what = (
        say("{joint} resealed: {kind}", joint=one.joint, kind=say(one.sealant))
        if one.act == "resealed"
        else say("{joint} looked at: {finding}", joint=one.joint, finding=say(one.finding))
    )
    confirmed = [say(text.CONFIRMED[key]) for key in one.confirmed if key in text.CONFIRMED]
    facts = [words.day(one.at_s, told.site.timezone), one.who, one.product, one.note, *confirmed]
    photos = [
        html.A(
            html.Img(
                src=_photo(told, digest),
                alt=say("Photo of {joint}", joint=one.joint),
                className="thumb",
            ),
            href=_photo(told, digest),
        )
        for digest in one.photos
    ]
    return html.Li(
        [
            html.P(html.B(what)),
            html.P(", ".join(filter(None, facts)), className="aside"),
            html.Div(photos, className="thumbs") if photos else None,
        ]
    )


def _photo(told: Told, digest: str) -> str:
    return f"/photo/{words.unit_path(told.unit.code).removeprefix('/unit/')}/{digest}.jpg"


def _retired(told: Told, asked: Wish) -> list[Any]:
    gone = [joint for joint in told.book.joints if joint.retired]
    if not gone:
        return []
    rows = [
        html.Li(
            [
                html.A(joint.code, href=_joint_path(told.unit.code, joint.code, asked)),
                f" {joint.why}",
            ]
        )
        for joint in gone
    ]
    return [
        _folded(
            [
                html.Summary(say("{count} retired", count=len(gone))),
                html.Ul(rows, className="seals plain"),
            ]
        )
    ]


def _cautions(told: Told) -> list[str]:
    lines = [roof_text(told.closed)]
    if told.closed:
        lines.append(say(text.ROOF_OTHERWISE))
    return [*lines, say(text.FROM_A_LADDER), say(text.WIPERS)]


def _unknowns(told: Told) -> list[str]:
    lines = [text.NO_FEED, text.DAYS_MEAN]
    if not seals.has_seasons(told.book.timezone):
        lines.append(text.NO_SEASONS)
    return lines


# --- one joint ------------------------------------------------------------------------------------


def joint(told: Told, code: str, history: Sequence[Joint], asked: Wish) -> list[Any]:
    """Page of one joint: how to look at it, what was found and used, and the forms to note more."""
    one = next(joint for joint in told.book.joints if joint.code == code)
    own = [entry for entry in told.book.entries if entry.joint == code]
    dues = [due for due in told.dues if due.joint.code == code]
    back = f"{words.unit_path(told.unit.code)}/seals"
    return [
        html.P(html.A(say("← Seals of {unit}", unit=told.unit.code), href=asked.link(back)), className="back"),
        html.H1([one.code, html.Small(told.unit.code)]),
        html.P(_facts(one)),
        *(_standing(due, told) for due in dues),
        html.Ul([html.Li(line) for line in _how(one, told, renew=False)], className="noted"),
        *(_forms(one, own, told) if told.token and not one.retired else []),
        *_noted(told, own, "What was noted"),
        *_changes(one, history, told),
        views.unknown_panel(_unknowns(told)),
    ]  # fmt: skip


def _facts(one: Joint) -> str:
    reach = say("{height:g} m high", height=one.height_m) if one.height_m is not None else ""
    roof = say("on the roof") if one.on_roof else ""
    zone = say("nearest zone {zone}", zone=one.zone) if one.zone else say("no zone near it")
    gone = say("retired: {why}", why=one.why) if one.retired else ""
    return ", ".join(filter(None, (say(one.kind), one.place, roof, reach, zone, gone)))


def _standing(one: Due, told: Told) -> Component:
    act = say("Renew it") if one.task == "reseal" else say("Look at it")
    day = say("now") if one.now else _day(one.day)
    return html.P([html.B(f"{act}, {day}. "), _why(one, told)], className="sentence")


def _how(one: Joint, told: Told, *, renew: bool) -> list[str]:
    return text.how_text(
        one.kind,
        on_roof=one.on_roof,
        high=(one.height_m or 0.0) > seals.LADDER_M,
        closed=told.closed,
        renew=renew,
    )


def _forms(one: Joint, own: Sequence[SealEntry], told: Told) -> list[Any]:
    findings = [(kind, say(kind)) for kind in SEAL_FINDINGS if kind]
    look = [
        choice("What was found", "finding", findings, of="-look"),
        *_common("-look"),
        html.Button("Note the look", type="submit"),
    ]
    return [
        html.H2("Looked at"),
        _form(told, "look", one, look),
        html.H2("Resealed"),
        *_before(one, own),
        html.Ul([html.Li(line) for line in _how(one, told, renew=True)], className="noted"),
        _form(told, "reseal", one, _reseal(one, own)),
    ]


def _before(one: Joint, own: Sequence[SealEntry]) -> list[Any]:
    """What is on the joint, and what to know before another kind goes on it."""
    before = seals.last_sealant(own)
    if before is None:
        lines = [text.WARNED["kind unknown"]]
    else:
        used = ", ".join(filter(None, (say(before.sealant), before.product)))
        lines = [say("The last time it was sealed with: {used}.", used=used), text.WARNED["other kind"]]  # fmt: skip
    if one.on_roof:
        lines.append(text.WARNED["silicone on the roof"])
    return [html.Div([html.P(line) for line in lines], className="caution")]


def _reseal(one: Joint, own: Sequence[SealEntry]) -> list[Any]:
    kinds = [(kind, say(kind)) for kind in SEALANTS if kind]
    before = seals.last_sealant(own)
    ticks = ["old sealant taken off", *(["no membrane here"] if one.on_roof else [])]
    boxes = [
        html.Li(
            [
                Markup(
                    '<input type="checkbox" name="confirmed" value="{}" id="confirmed-{}">'
                ).format(key, number),
                html.Label(text.CONFIRMED[key], htmlFor=f"confirmed-{number}"),
            ]
        )
        for number, key in enumerate(ticks)
    ]
    return [
        choice("Kind of sealant", "sealant", kinds, chosen=before.sealant if before else "", of="-reseal"),
        field("Product, as it says on the tube", "product", optional=True, of="-reseal"),
        html.Ul(boxes, className="ticks"),
        *_common("-reseal"),
        html.Button("Note the reseal", type="submit"),
    ]  # fmt: skip


def _common(of: str) -> list[Any]:
    photos = Markup(
        '<div><label for="photo{}">{}</label><input type="file" name="photo" id="photo{}" '
        'accept="image/jpeg,image/png,image/webp" multiple></div>'
    )
    return [
        field("On which day (empty: now)", "day", kind="date", optional=True, of=of),
        field("What else", "what", optional=True, of=of),
        photos.format(of, escape(say("Photos, four at most")), of),
    ]


def _form(told: Told, act: str, one: Joint, parts: Sequence[Any]) -> Component:
    fields = [hidden("token", told.token), hidden("joint", one.code), hidden("back", one.code)]
    return html.Form(
        [*fields, *parts],
        action=_path(told, act),
        method="post",
        encType="multipart/form-data",
        className="stack",
    )


def _changes(one: Joint, history: Sequence[Joint], told: Told) -> list[Any]:
    """What the joint was before, and the forms that change it."""
    rows = [
        html.Li(
            f"{words.day(past.at_s, told.site.timezone)}, {past.who}: {_facts(past)}"
            + (f" ({past.why})" if past.why and not past.retired else "")
        )
        for past in reversed([past for past in history if past.code == one.code])
    ]
    shown: list[Any] = [
        _folded([html.Summary("How it was entered"), html.Ul(rows, className="noted")])
    ]
    if not told.token:
        return shown
    group = seals.group_of(one)
    sent = [hidden("token", told.token), hidden("joint", one.code), hidden("back", one.code)]
    change = [
        *sent,
        *_joint_fields(told, one, "-change"),
        field("Why", "why", optional=True, of="-change"),
        html.Button("Change it", type="submit"),
    ]
    said = "Take it back" if one.retired else "Retire it"
    retire = [
        *sent,
        field("Why", "why", of="-retire"),
        html.Button(said, type="submit", **marked(aria_label=f"{say(said)}: {one.code}")),
    ]

    def folded(title: str, act: str, parts: list[Any]) -> Component:
        form = html.Form(parts, action=_path(told, act), method="post", className="stack")
        return _folded([html.Summary(title), form])

    rule = _rule_form(told, hidden("group", group), one.code)
    return [
        *shown,
        folded("Change what it is", "change", change),
        _folded([html.Summary("Change its interval"), rule]),
        folded(said, "retire", retire),
    ]


# --- the lot --------------------------------------------------------------------------------------


def lot(rows: Sequence[Row], asked: Wish) -> list[Any]:
    """Seals of the whole lot: units by the day on which the first joint is due."""
    entered = [row for row in rows if row.dues]
    without = [row for row in rows if not row.dues]
    entered.sort(key=lambda row: (min(one.day for one in row.dues), row.unit))
    now = [row for row in entered if any(one.now for one in row.dues)]
    later = [row for row in entered if row not in now]
    return [
        html.H1("Seals"),
        html.P(
            say(
                "Something is due at {due} of {units}.",
                due=len(now),
                units=words.count(len(rows), "unit"),
            ),
            className="sentence",
        ),
        *_units("To do now", now, asked),
        *_units("Next", later, asked),
        *_without(without, asked),
        views.unknown_panel([text.NO_FEED, text.DAYS_MEAN]),
    ]


def _units(title: str, rows: Sequence[Row], asked: Wish) -> list[Any]:
    if not rows:
        return []
    return [html.H2(title), html.Ul([_row(row, asked) for row in rows], className="seals")]


def _row(row: Row, asked: Wish) -> Component:
    path = f"{words.unit_path(row.unit)}/seals"
    first = min(one.day for one in row.dues)
    return html.Li(
        [
            html.P([html.A(row.unit, href=asked.link(path)), f" {row.slot} ", html.B(_day(first))]),
            html.P(summary(row.dues)),
        ],
        className="is-due" if any(one.now for one in row.dues) else "",
    )


def _without(rows: Sequence[Row], asked: Wish) -> list[Any]:
    if not rows:
        return []
    items = [
        html.Li(html.A(row.unit, href=asked.link(f"{words.unit_path(row.unit)}/seals")))
        for row in rows
    ]
    return [
        html.H2(words.count(len(rows), "unit without joints", "units without joints")),
        html.Ul(items, className="seals plain"),
    ]


# --- parts ----------------------------------------------------------------------------------------


def _folded(parts: Sequence[Any]) -> Component:
    return html.Details(parts, className="fold")


def _day(day: date) -> str:
    """A date as pages write it."""
    return f"{day.day} {catalogue.month(datetime(day.year, day.month, day.day, tzinfo=UTC))} {day.year}"


def _called(one: Joint) -> str:
    return f"{one.code} ({one.place})" if one.place else one.code


def _joint_path(unit: str, joint: str, asked: Wish) -> str:
    there = replace(asked, path=f"{words.unit_path(unit)}/seals", chosen=(("joint", joint),))
    return there.same()


def _path(told: Told, act: str) -> str:
    return f"{words.unit_path(told.unit.code)}/seals/{act}"
