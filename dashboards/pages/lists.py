"""Lists: what is done to a unit before it is stored and after, by climate; nothing is dropped."""

from dataclasses import dataclass
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages.forms import button, field, hidden
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.lot import ListKind, SeasonList, SeasonStep
from monitor.seasons import LIST_KINDS, Dryness
from monitor.store.board import SiteRow, UnitNow

SHOWN = 6  # of the lists that are over


@dataclass(frozen=True, slots=True)
class Told:
    """What the page is drawn from."""

    unit: UnitNow
    site: SiteRow
    lists: tuple[SeasonList, ...]  # the newest first
    dryness: Dryness
    due: ListKind | None  # by the time of year
    climate_known: bool
    place_known: bool  # of the site, for the time of year
    settling: str = ""  # how the air did since it was laid up


def blocks(told: Told, asked: Wish, *, token: str) -> list[Any]:
    """The page of a unit's lists."""
    unit = told.unit
    back = html.A(f"← {unit.code}", href=asked.link(words.unit_path(unit.code)))
    open_ = next((one for one in told.lists if one.ended_s is None), None)
    over = [one for one in told.lists if one.ended_s is not None]
    return [
        html.P(back, className="back"),
        html.H1(["Lay-up and opening", html.Small(unit.code)]),
        html.P(text.due_text(told.due), className="sentence") if told.due else None,
        html.P(
            text.dryness_text(
                told.dryness.ready,
                cabin_percent=told.dryness.cabin_percent,
                against=told.dryness.against,
                unknown=told.dryness.unknown,
            ),
            className="sentence",
        ),
        html.P(told.settling, className="sentence") if told.settling else None,
        *(_list(open_, told, token) if open_ else [html.P(text.NO_LIST)]),
        *_begin(told, token),
        *_over(over, told),
        html.Div(
            [html.P(said) for said in (text.LOOK_FROM_A_LADDER, text.CAUTION_CLEANING)],
            className="caution",
        ),
        views.unknown_panel(_unknowns(told)),
    ]


def _list(one: SeasonList, told: Told, token: str) -> list[Any]:
    done = len(one.items) - len(one.left)
    begun = words.when(one.begun_s, told.site.timezone)
    items = [_item(one, key, told, token) for key in one.items]
    return [
        html.H2(text.LIST_TITLES[one.kind]),
        html.P(
            say(
                "Begun {begun} by {who}. {done} of {items} done or left out.",
                begun=begun,
                who=one.who,
                done=done,
                items=len(one.items),
            )
        ),
        html.Ol(items, className="tasks"),
        button(
            _path(told, "end"),
            "End this list",
            token,
            label=say("End the list {title}", title=say(text.LIST_TITLES[one.kind])),
            number=str(one.number),
        ),
    ]


def _item(one: SeasonList, key: str, told: Told, token: str) -> Component:
    last = one.last(key)
    closed = last is not None and last.word != "open again"
    over = f" {say('Left over from the list before.')}" if key in one.carried else ""
    parts: list[Any] = [html.P([_named(key), html.B(over)])]
    if last is not None:
        parts.append(html.P(_noted(last, told), className="aside"))
    if closed:
        parts.append(_step(one, key, "open again", "Open again", told, token))
    else:
        parts += [
            _step(one, key, "done", "Done", told, token),
            html.Details(
                [
                    html.Summary("Leave it out"),
                    _form(one, key, told, token),
                ]
            ),
        ]
    return html.Li(parts, className="is-done" if closed else "")


def _step(one: SeasonList, key: str, word: str, said: str, told: Told, token: str) -> Component:
    label = f"{say(said)}: {_named(key)[:60]}"
    sent = {"number": str(one.number), "item": key, "word": word}
    return button(_path(told, "note"), said, token, label=label, **sent)


def _form(one: SeasonList, key: str, told: Told, token: str) -> Component:
    sent = {"token": token, "number": str(one.number), "item": key, "word": "left out"}
    why = field("Why", "why", of=f"-{one.items.index(key)}")
    send = html.Button(
        "Leave out",
        type="submit",
        className="plain",
        **marked(aria_label=say("Leave out: {item}", item=_named(key)[:60])),
    )
    parts = [*(hidden(name, value) for name, value in sent.items()), why, send]
    return html.Form(parts, action=_path(told, "note"), method="post")


def _named(key: str) -> str:
    return say(text.LIST_ITEMS.get(key, key))


def _noted(step: SeasonStep, told: Told) -> str:
    why = f": {step.why}" if step.why else ""
    return f"{say(text.LIST_WORDS_NOTED[step.word])}, {words.when(step.at_s, told.site.timezone)}, {step.who}{why}"


def _begin(told: Told, token: str) -> list[Any]:
    forms = [
        button(
            _path(told, "begin"),
            say("Begin: {title}", title=say(text.LIST_TITLES[kind]).lower()),
            token,
            label=say("Begin the list {title}", title=say(text.LIST_TITLES[kind])),
            kind=kind,
        )
        for kind in LIST_KINDS
    ]
    return [
        html.H2("Begin a list"),
        html.P(text.LISTS_MEAN, className="sentence"),
        html.Div(forms, className="notes"),
    ]


def _over(over: list[SeasonList], told: Told) -> list[Any]:
    if not over:
        return []
    rows = []
    for one in over[:SHOWN]:
        span = say(
            "{first} to {last}",
            first=words.day(one.begun_s, told.site.timezone),
            last=words.day(one.ended_s or 0, told.site.timezone),
        )
        left = say("; not done: {left}", left=", ".join(map(say, one.left))) if one.left else ""
        steps = [html.Li([f"{say(step.item)}: ", _noted(step, told)]) for step in one.steps]
        rows.append(
            html.Details(
                [html.Summary(f"{say(text.LIST_TITLES[one.kind])}, {span}{left}"), html.Ul(steps)]
            )
        )
    return [html.H2("Lists that are over"), *rows]


def _unknowns(told: Told) -> list[str]:
    lines = [] if told.climate_known else [text.CLIMATE_UNKNOWN]
    return lines + ([] if told.place_known else [text.SOUTH_UNKNOWN])


def _path(told: Told, act: str) -> str:
    return f"{words.unit_path(told.unit.code)}/lists/{act}"
