"""Alarms: open ones first, each with what to do; a person takes one on by name."""

from collections.abc import Mapping, Sequence
from typing import Any, cast

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.words import Wish
from monitor import causes, text
from monitor.alarms import CAN_ACKNOWLEDGE, LATCHED, SHELVED_AT_MOST_S
from monitor.catalogue import say
from monitor.holds import SYSTEM
from monitor.lot import ALARM_KINDS, AlarmClass
from monitor.store import Hold
from monitor.store.board import AlarmRow, SiteRow
from monitor.text import CAUTION

SHELVE_HOURS = (1, 4, 12, 24, 72, 168, 336, 720)


def blocks(
    standing: tuple[AlarmRow, ...],
    ended: tuple[AlarmRow, ...],
    sites: dict[str, SiteRow],
    *,
    asked: Wish,
    token: str,
    under: Mapping[int, int] | None = None,
    held: Sequence[Hold] = (),
) -> list[Any]:
    """Page of alarms; `token` proves that a form was taken from this board.

    `under` gives the common cause of an alarm: it is listed there and not by itself. Of what is
    `held` back, the alarms stand in a list of their own.
    """
    sources = {hold.source for hold in held}
    back = tuple(a for a in standing if a.source in sources)
    standing = tuple(a for a in standing if a.source not in sources)
    under = {a.alarm_id: (under or {}).get(a.alarm_id, 0) for a in standing}
    seen = {a.alarm_id for a in standing}
    members: dict[int, list[AlarmRow]] = {a.alarm_id: [] for a in standing}
    for alarm in standing:
        members.get(under[alarm.alarm_id], []).append(alarm)
    single = tuple(a for a in standing if under[a.alarm_id] not in seen)
    opened = [
        part
        for alarm in single
        for part in (
            _alarm(alarm, sites, asked, token),
            _members(members[alarm.alarm_id], sites, asked, token),
        )
        if part is not None
    ]
    past = [_alarm(alarm, sites, asked, token) for alarm in ended]
    return [
        html.H1("Alarms"),
        html.P(_summary(single, len(held)), className="lead"),
        html.P(html.A("Alarm load", href=asked.link("/load")), className="aside"),
        html.Section(opened, className="alarm-list"),
        _held_back(held, back, sites, asked, token),
        html.Details(
            [
                html.Summary(say("Ended or withdrawn ({ended})", ended=len(ended))),
                html.Section(past, className="alarm-list past"),
            ]
        )
        if ended
        else None,
        views.unknown_panel(_unknowns(standing)),
    ]


def _members(
    alarms: Sequence[AlarmRow], sites: dict[str, SiteRow], asked: Wish, token: str
) -> Component | None:
    """Alarms that share the cause above them; each keeps its own life."""
    if not alarms:
        return None
    return html.Details(
        [
            html.Summary(say("Under it, not told one by one ({alarms})", alarms=len(alarms))),
            html.Section(
                [_alarm(alarm, sites, asked, token) for alarm in alarms], className="alarm-list"
            ),
        ]
    )


def _summary(standing: tuple[AlarmRow, ...], held: int) -> str:
    back = say(" {count} held back.", count=words.count(held, "source")) if held else ""
    if not standing:
        return say("No alarm is open.{back}", back=back)
    waiting = sum(alarm.state in CAN_ACKNOWLEDGE for alarm in standing)
    return say(
        "{count}, {waiting} not acknowledged.{back}",
        count=words.count(len(standing), "open alarm"),
        waiting=waiting,
        back=back,
    )


def _held_back(
    held: Sequence[Hold],
    back: Sequence[AlarmRow],
    sites: dict[str, SiteRow],
    asked: Wish,
    token: str,
) -> Component:
    """What is not told now, by whom and why; the alarms under it are evaluated all the same."""
    return html.Section(
        [
            html.H2("Held back", id="held"),
            html.P(
                "Not told while it is held back; evaluated all the same. When the hold ends, the alarm "
                "is what its condition says then."
                if held
                else "Nothing is held back.",
                className="aside",
            ),
            *(_hold(hold, back, sites, asked, token) for hold in held),
            _hold_form(asked, token),
        ],
        className="alarm-list",
    )


def _hold(
    hold: Hold, back: Sequence[AlarmRow], sites: dict[str, SiteRow], asked: Wish, token: str
) -> Component:
    site = sites.get(hold.source.site)
    timezone = site.timezone if site else "UTC"
    until = (
        say(", until {at}", at=words.when(hold.until_s, timezone))
        if hold.until_s is not None
        else ""
    )
    under = [alarm for alarm in back if alarm.source == hold.source]
    source = hold.source
    head = [
        html.Span(say(hold.word), className="class"),
        html.H3(say(source.kind)),
        html.Span([*views.place(asked, source.site, source.unit, source.zone), f" {source.node}"]),
    ]
    return html.Article(
        [
            html.Div(head, className="line"),
            html.P(
                say(
                    "By {who} since {at}{until}, {clock}: {why}.",
                    who=say("logic") if hold.who == SYSTEM else hold.who,
                    at=words.when(hold.began_s, timezone),
                    until=until,
                    clock=words.clock_name(hold.began_s, timezone),
                    why=say(hold.why),
                )
            ),
            *(
                html.Details(
                    [
                        html.Summary(
                            say(
                                "Under it: alarm {alarm_id}, {state}",
                                alarm_id=alarm.alarm_id,
                                state=say(alarm.state),
                            )
                        ),
                        _alarm(alarm, sites, asked, token),
                    ]
                )
                for alarm in under
            ),
            None if under else html.P("No alarm stands under it.", className="aside"),
            _release_form(hold, asked, token),
        ],
        className="over",
    )


def _release_form(hold: Hold, asked: Wish, token: str) -> Component | None:
    if hold.word == "suppressed by design":
        return None  # its reason ends it
    return html.Form(
        [
            *_hidden(asked, token),
            *_name_field(f"hold-{hold.hold_id}"),
            html.Button(
                "Put back in service" if hold.word == "out of service" else "Release",
                type="submit",
            ),
        ],
        action=f"/holds/{hold.hold_id}/end",
        method="post",
        className="acknowledge",
    )


def _hold_form(asked: Wish, token: str) -> Component:
    """Of a source of which no alarm stands."""
    kinds = [html.Option(say(kind), value=kind) for kind in ALARM_KINDS if kind not in causes.KINDS]
    return html.Details(
        [
            html.Summary("Hold back what does not stand now"),
            html.Form(
                [
                    *_hidden(asked, token),
                    *_name_field("hold-new"),
                    *_field("hold-new-why", "why", "Reason"),
                    html.Label("Kind", htmlFor="hold-kind"),
                    html.Select(kinds, id="hold-kind", name="kind"),
                    *_field("hold-unit", "unit", "Unit"),
                    *_field("hold-zone", "zone", "Zone, or", required=False),
                    *_field("hold-node", "node", say("node"), required=False),
                    html.Label("For", htmlFor="hold-hours"),
                    _hours("hold-hours", max(SHELVED_AT_MOST_S.values())),
                    html.Button("Shelve", type="submit", name="word", value="shelved"),
                    html.Button(
                        "Take out of service",
                        type="submit",
                        name="word",
                        value="out of service",
                        className="quiet",
                    ),
                ],
                action="/holds/add",
                method="post",
                className="acts",
            ),
        ]
    )


def _unknowns(standing: tuple[AlarmRow, ...]) -> list[Any]:
    silent = [alarm for alarm in standing if alarm.kind == "silent"]
    lines: list[Any] = [
        "A zone that is unknown raises nothing but its silence: no alarm is no proof of dryness."
    ]
    if silent:
        lines.insert(
            0,
            say(
                "{count}: nobody watches there now.",
                count=words.count(len(silent), "silent alarm"),
            ),
        )
    return lines


def alarm_text(alarm: AlarmRow) -> Component:
    """Text as stored: its first sentence, the rest, the caution."""
    said, short, caution = views.told(alarm).text, say(CAUTION), None
    if said.endswith(short):
        said, caution = said.removesuffix(short).strip(), short
    first = views.in_short(alarm)
    rest = said.removeprefix(first).strip()
    return html.Div(
        [
            html.P(html.B(first)),
            html.P(rest) if rest else None,
            html.P(caution, className="caution") if caution else None,
        ],
        className="alarm-text",
    )


def _told(alarm: AlarmRow) -> Component:
    """Its condition, and the other parts by name; those raised before parts were kept, whole."""
    alarm = views.told(alarm)
    if not alarm.parts:
        return alarm_text(alarm)
    named = list(zip(text.NAMES_OF_PARTS, alarm.parts, strict=False))[1:]
    return html.Div(
        [
            html.P(html.B(alarm.parts[0])),
            html.Details(
                [
                    html.Summary("Cause, consequence, response"),
                    html.Dl(
                        [
                            part
                            for name, said in named
                            for part in (html.Dt(name), html.Dd(_unnamed(said)))
                        ]
                    ),
                ],
                open=alarm.open and alarm.alarm_class in {"act now", "today"},
            ),
        ],
        className="alarm-text",
    )


def _unnamed(said: str) -> str:
    """A part below its name, which it need not say again."""
    said = said.removeprefix("Likely cause: ").removeprefix("Cause: ")
    return said[:1].upper() + said[1:]


def _alarm(alarm: AlarmRow, sites: dict[str, SiteRow], asked: Wish, token: str) -> Component:
    site = sites.get(alarm.site)
    timezone = site.timezone if site else "UTC"
    steps = [
        say(
            "{state} {at} by {who}",
            state=say(step.state),
            at=words.when(step.at_s, timezone),
            who=step.who,
        )
        for step in alarm.steps
        if step.why == "acknowledged"
    ]
    times = [
        say("raised {at}", at=words.when(alarm.raised_s, timezone)),
        say("cleared {at}", at=words.when(alarm.cleared_s, timezone)) if alarm.cleared_s else "",
        say(
            "withdrawn {at}: late readings changed the history",
            at=words.when(alarm.withdrawn_s, timezone),
        )
        if alarm.withdrawn_s
        else "",
        *steps,
    ]
    head = [
        html.Span(say(alarm.alarm_class), className="class"),
        html.H2(say(alarm.kind)),
        html.Span([*views.place(asked, alarm.site, alarm.unit, alarm.zone), f" {alarm.node}"]),
    ]
    body = [
        html.Div(head, className="line"),
        html.P(
            [
                html.B(say(alarm.state), className="state"),
                *(f" · {time}" for time in times if time),
                f" · {words.clock_name(alarm.raised_s, timezone)}",
            ],
            className="aside",
        ),
        _told(alarm),
        html.P(text.latched(alarm.unit, alarm.zone), className="aside")
        if alarm.state in LATCHED
        else None,
        _form(alarm, asked, token) if alarm.open and alarm.state in CAN_ACKNOWLEDGE else None,
        _acts(alarm, asked, token) if alarm.open and alarm.kind not in causes.KINDS else None,
    ]
    kind = "todo" if alarm.open and alarm.cleared_s is None else "over"
    return html.Article(body, className=kind)


def _form(alarm: AlarmRow, asked: Wish, token: str) -> Component:
    return html.Form(
        [
            *_hidden(asked, token),
            *_name_field(f"who-{alarm.alarm_id}"),
            html.Button("Acknowledge", type="submit"),
        ],
        action=f"/alarms/{alarm.alarm_id}/acknowledge",
        method="post",
        className="acknowledge",
    )


def _acts(alarm: AlarmRow, asked: Wish, token: str) -> Component:
    """One form, and a button for each thing that can be done."""
    number = alarm.alarm_id
    most_s = SHELVED_AT_MOST_S[cast("AlarmClass", alarm.alarm_class)]
    buttons = [
        html.Button("Shelve", type="submit", formAction=f"/alarms/{number}/shelve"),
        html.Button(
            "Take out of service",
            type="submit",
            formAction=f"/alarms/{number}/out-of-service",
            className="quiet",
        ),
    ]
    if alarm.unit and alarm.zone:
        buttons.append(
            html.Button(
                "Record inspection",
                type="submit",
                formAction=f"/alarms/{number}/inspect",
                className="quiet",
            )
        )
    return html.Details(
        [
            html.Summary("Shelve, inspect or take out of service"),
            html.Form(
                [
                    *_hidden(asked, token),
                    *_name_field(f"by-{number}"),
                    *_field(f"why-{number}", "why", "Reason, or what was found"),
                    html.Label("Shelve for", htmlFor=f"hours-{number}"),
                    _hours(f"hours-{number}", most_s),
                    html.Div(buttons, className="buttons"),
                ],
                action=f"/alarms/{number}/shelve",
                method="post",
                className="acts",
            ),
        ]
    )


def _hidden(asked: Wish, token: str) -> list[Component]:
    return [
        dcc.Input(type="hidden", name="token", value=token),
        dcc.Input(type="hidden", name="back", value=asked.same()),
    ]


def _name_field(field: str) -> list[Component]:
    return _field(field, "who", "Your name or initials", length=80, complete="name")


def _field(
    field: str,
    name: str,
    label: str,
    *,
    required: bool = True,
    length: int = 400,
    complete: str = "off",
) -> list[Component]:
    return [
        html.Label(label, htmlFor=field),
        dcc.Input(
            id=field,
            type="text",
            name=name,
            required=required,
            maxLength=length,
            autoComplete=complete,
        ),
    ]


def _hours(field: str, most_s: int) -> Component:
    """Times that may be asked for; a longer one than the alarm's class allows is refused."""
    given = [hours for hours in SHELVE_HOURS if hours * 3600 <= most_s]
    names = [words.count(h, "hour") if h < 48 else say("{h} days", h=h // 24) for h in given]
    options = [html.Option(n, value=str(h)) for n, h in zip(names, given, strict=True)]
    return html.Select(options, id=field, name="hours")
