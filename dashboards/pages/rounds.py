"""Rounds: the page that is walked with, what it knows of a unit, and findings as a zone shows them.

The page is a plain one with a script and a worker of its own (`assets/round.js`): it is kept on the
device, so that it opens without a connection.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component
from markupsafe import escape

from dashboards import words
from dashboards.pages import forms
from dashboards.paint import marked
from monitor import catalogue, rounds, text
from monitor.catalogue import say
from monitor.lot import Finding, ZoneWord
from monitor.roof import ROOF_KINDS, closed
from monitor.store.board import AlarmRow, UnitNow
from monitor.text import rounds as told
from monitor.text.roof import roof_text

SHOWN = 12  # findings on a zone's page; the others are behind a click
ASSETS = ("board.css", "dark.css", "round.css", "round.js")
SIGN_IN = "You are signed out. Sign in again; your entries stay on this device."


def document() -> str:
    """The page of every round; what it knows of units it asks for by itself."""
    form = escape(json.dumps(form_words()))
    off = say("This page needs JavaScript. Without it: the printed list and a pencil.")
    return (
        f'<!DOCTYPE html>\n<html lang="{catalogue.language()}">\n<head>\n<meta charset="UTF-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(say('Round'))} – Sillkeep</title>\n"
        '<link rel="icon" href="data:,">\n'
        '<link rel="stylesheet" href="/assets/board.css">\n'
        '<link rel="stylesheet" href="/assets/round.css">\n'
        '<link rel="stylesheet" href="/assets/dark.css" media="screen and (prefers-color-scheme: dark)">\n'
        f'</head>\n<body class="round" data-form="{form}">\n'
        '<header><a class="name" href="/">Sillkeep</a></header>\n'
        f'<main id="main" tabindex="-1"><noscript>{escape(off)}</noscript></main>\n'
        f"<footer><p>{escape(say(text.CAUTION))}</p>\n<p>{escape(say(text.ALARMS_ARE_SEPARATE))}</p></footer>\n"
        '<script src="/assets/round.js"></script>\n</body>\n</html>\n'
    )


def form_words() -> dict[str, Any]:
    """Everything that the script of the page says, in the reader's language."""
    checks = {
        check: {
            "title": say(told.CHECK_TITLES[check]),
            "how": say(told.HOW[check]),
            "before": say(told.BEFORE[check]) if check in told.BEFORE else "",
            "answers": [
                [answer, say(label)]
                for answer, label in told.ANSWERS[check].items()
                if answer != "flex"  # what "wavy" becomes on a hung wall
            ],
            "after": {a: say(said) for a, said in told.AFTER.get(check, {}).items()},
        }
        for check in rounds.CHECKS
    }
    bands = [[least if least > 0 else 0, say(label)] for least, label in told.BANDS.items()]
    return {
        "checks": checks,
        "constructions": [[key, say(label)] for key, label in told.CONSTRUCTIONS.items()],
        "results": [[key, say(label)] for key, label in told.RESULTS.items()],
        "modes": [["pin", say("pin")], ["pinless", say("pinless")]],
        "bands": bands,
        "unknown": say("unknown"),
        "roof_old": roof_text(["unknown"]),
        "old_s": rounds.UNKNOWN_AFTER_S,
        "photos": rounds.MOST_PHOTOS,
        "say": {name: say(sentence) for name, sentence in _SAYS.items()},
    }


_SAYS = {
    "title": "Round",
    "list": "Units in the order of the walk",
    "others": "Other units",
    "back": "All units of the round",
    "printed": "The same list on paper",
    "none": "Nothing asks for a unit to be opened. Any unit can be walked by itself.",
    "no_unit": (
        "This device knows nothing of the unit {unit}. Open this page once with a connection, or check the code."
    ),
    "no_data": "This device knows no units yet: open this page once with a connection.",
    "known": "What this device knows of the units is of {at}.",
    "old": "What this device knows is of {at}, older than 12 hours: every word counts as unknown.",
    "waiting": "Entries that wait to be sent: {n}",
    "nothing_waits": "No entry waits to be sent.",
    "sent": "Last sent: {at}",
    "never": "Nothing sent from this device yet.",
    "send": "Send now",
    "sending": "Sending",
    "no_reach": "The board is not reached: your entries stay on this device and go by themselves later.",
    "signed_out": SIGN_IN,
    "sign_in": "Sign in",
    "export": "Save entries as a file",
    "export_why": "The last resort, if they cannot be sent from here: sillkeep round import takes the file.",
    "refused": "Refused, and kept here:",
    "construction": "How are the walls of this unit built?",
    "construction_why": "Asked first: a wavy skin means lost bond on a laminated wall, and nothing on a hung one.",
    "construction_is": "Walls: {construction}",
    "change": "Change",
    "flex": told.FLEX,
    "inside": told.FROM_INSIDE,
    "zone_of": "Zone {k} of {n}",
    "found_before": "Last finding: {last}",
    "alarms": "Open alarms: {alarms}",
    "meter": "Hand meter",
    "device": "Device",
    "mode": "Mode",
    "percent": "Reading, %",
    "scale_of": "Scale or species",
    "temperature": "Temperature of the material, {unit}",
    "depth": "Depth, mm",
    "scale": told.SCALE,
    "no_evidence": told.NO_EVIDENCE,
    "no_number": "Not saved: {field} is no number in its range.",
    "photo": "Photos",
    "add_photo": "Take or choose a photo",
    "photo_why": "Made smaller here; place and time of the camera are not kept. At most {n}.",
    "no_photo": "This photo cannot be read here: choose a JPEG, PNG or WebP file.",
    "remove": "Take away",
    "result": "What was found at this place?",
    "result_why": told.STAYS_OPEN,
    "late": told.LATE_SIGNS,
    "note": "Note",
    "save": "Save finding",
    "clear": "Clear",
    "empty": "Nothing to save yet: answer something, or go on.",
    "saved": "Saved on this device.",
    "next": "Next zone",
    "previous": "Zone before",
    "done": "Looked at in this round",
    "full": "Not saved: this device has no room left. Send what waits, or take photos away.",
    "not_kept": "This browser keeps nothing on the device (a private window?): entries would be lost. Use another one.",
    "update": "Reload",
    "power": text.CUT_THE_POWER,
    "smell": text.SHARP_SMELL,
    "first": "Before you begin",
    "unknowns": "What we do not know",
    "unknown_zones": "{n} of {total} zones are unknown: look with your own eyes.",
    "unseen": "What no probe watches and nobody looked at is not on this page.",
}  # fmt: skip


# --- what it knows of a unit ----------------------------------------------------------------------


def of_unit(unit: UnitNow, found: Sequence[Finding], *, timezone: str) -> dict[str, Any]:
    """A unit as the device keeps it: words alone, and no step on a roof that is closed."""
    why = closed(((zone.kind, zone.word) for zone in unit.zones), rated=unit.declared.roof)
    zones = [zone for zone in unit.zones if zone.kind != "outside"]
    return {
        "code": unit.code,
        "name": unit.name,
        "slot": unit.slot,
        "construction": rounds.construction(found),
        "roof": {"open": not why, "said": roof_text(why)},
        "zones": [
            {
                "code": zone.code,
                "kind": say(zone.kind),
                "word": zone.word,
                "said": say(zone.word),
                "is_roof": zone.kind in ROOF_KINDS,
                "checks": list(rounds.checks_of(zone.kind, roof_open=not why)),
                **roof_step(zone.kind, zones=[(z.kind, z.word) for z in unit.zones], unit=unit),
                "alarms": _alarms(unit.alarms, zone.code),
                "last": _last(found, zone.code, timezone),
            }
            for zone in zones
        ],
    }


def roof_step(kind: str, *, zones: Sequence[tuple[str, ZoneWord]], unit: UnitNow) -> dict[str, str]:
    """The step at a roof's outside; nothing where the roof is closed or the zone is none of it."""
    if kind not in ROOF_KINDS or closed(zones, rated=unit.declared.roof):
        return {}
    return {"roof_step": say(told.ROOF_STEP)}


def _alarms(alarms: Iterable[AlarmRow], zone: str) -> list[str]:
    return sorted({say(alarm.kind) for alarm in alarms if alarm.zone == zone})


def _last(found: Sequence[Finding], zone: str, timezone: str) -> str:
    here = [each for each in rounds.standing(found) if each.zone == zone]
    if not here:
        return ""
    newest = here[-1]
    parts = (say(told.RESULTS[newest.result]) if newest.result else "",
             told.checks_text(newest.checks))  # fmt: skip
    return "; ".join(filter(None, (words.when(newest.at_s, timezone), *parts)))


# --- on the page of a zone ------------------------------------------------------------------------


def section(found: Sequence[Finding], zone: str, *, timezone: str, token: str = "") -> list[Any]:
    """Findings of a zone, the newest first; with a token each can be withdrawn."""
    gone = rounds.withdrawn(found)
    here = [each for each in found if each.zone == zone and not each.withdraws][::-1]
    if not here:
        return []
    items = [_item(each, gone.get(each.identity), timezone, token) for each in here]
    rest = items[SHOWN:]
    return [
        html.H2("Findings of rounds"),
        html.Ul(items[:SHOWN], className="findings"),
        html.Details([html.Summary("Older findings"), html.Ul(rest, className="findings")])
        if rest
        else None,
        html.P(told.LATE_SIGNS, className="aside"),
    ]


def _item(each: Finding, gone: Finding | None, timezone: str, token: str) -> Component:
    head = html.P(
        [
            html.B(words.when(each.at_s, timezone)),
            f" {each.who}",
            html.Span([": ", html.B(say(told.RESULTS[each.result]))]) if each.result else None,
        ]
    )
    if gone is not None:
        said = say(
            "Withdrawn {at} by {who}: {why}",
            at=words.when(gone.at_s, timezone),
            who=gone.who,
            why=gone.note,
        )
        return html.Li([head, html.P(said), *_body(each)], className="over")
    return html.Li([head, *_body(each), _withdraw(each, token) if token else None])


def _body(each: Finding) -> list[Any]:
    lines = [
        told.checks_text(each.checks),
        told.FLEX if ("sight", "flex") in each.checks else "",
        told.meter_text(each.meter) if each.meter else "",
        each.note,
        told.LEAK_CONFIRMED if each.result == "leak found" else "",
        told.OVER_10_SQ_FT if {("growth", "medium"), ("growth", "large")} & {*each.checks} else "",
    ]
    photos = [
        html.A(
            html.Img(
                src=f"/photo/{words.unit_path(each.unit).removeprefix('/unit/')}/{digest}.jpg",
                alt=say("photo {k} of this finding", k=k),
                width="96",
                height="72",
            ),
            href=f"/photo/{words.unit_path(each.unit).removeprefix('/unit/')}/{digest}.jpg",
        )
        for k, digest in enumerate(each.photos, 1)
    ]
    return [
        *(html.P(line) for line in lines if line),
        html.Div(photos, className="thumbs") if photos else None,
    ]


def _withdraw(each: Finding, token: str) -> Component:
    of = each.identity[:8]
    return html.Details(
        [
            html.Summary("Withdraw"),
            html.P(
                "The entry stays and is shown as withdrawn. An inspection that it noted stays too: a "
                "suspicion comes back with new evidence alone.",
                className="aside",
            ),
            html.Form(
                [
                    dcc.Input(type="hidden", name="token", value=token),
                    dcc.Input(type="hidden", name="identity", value=each.identity),
                    forms.field("Why", "why", of=of),
                    html.Button("Withdraw", type="submit", className="quiet"),
                ],
                action=f"{words.unit_path(each.unit)}/findings/withdraw",
                method="post",
                className="acts",
            ),
        ],
        **marked(data_finding=of),
    )
