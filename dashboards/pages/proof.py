"""Proof: every repair with its verdict; and one repair with what the verdict was taken from."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import cases
from dashboards.words import Wish
from monitor import drawing, text
from monitor.catalogue import month, say, weekday
from monitor.drawing import Floats, Ints, Line, Span
from monitor.judge.proofs import Course
from monitor.lot import STRUCTURE_KINDS
from monitor.store import ProofRevision, ProofStep, RepairRow
from monitor.store.board import HOUR_S, ZoneNow
from monitor.text.handing import unread_text

DAY_S = 86400
BEFORE_D = 21  # shown before the repair: the like zones set the drying goal in it
STALE_S = 2 * DAY_S  # a proof goes by midnights: two missed ones are told
RANK = {"did not stay dry": 0, "drying": 1, "not yet shown": 2, "stayed dry": 3}
SYMBOLS = {
    "survived": "circle-open",
    "response": "triangle-up",
    "not counted": "x-thin-open",
    "not over yet": "diamond-open",
}
BEGIN = 'sillkeep proof open UNIT --zone ZONE --done "opened and dried" --moved --who NAME'


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Everything read for the page of one repair."""

    row: RepairRow
    revisions: Sequence[ProofRevision]
    standing: Sequence[ProofStep]  # those of the revisions that no later one replaced
    zone: ZoneNow | None
    course: Course | None  # None: nobody watched the repair, or no day was judged since
    case: cases.Case = field(default_factory=cases.Case)
    unread: int = 0  # revisions that cannot be read
    differences: Sequence[Sequence[str]] = ()  # of each of the revisions, each to what stood before


def path(row: RepairRow) -> str:
    """Address of one repair."""
    return f"/proof/{quote(row.unit)}/{quote(row.zone)}/{row.repaired_s}"


# --- the list -------------------------------------------------------------------------------------


def blocks(rows: Sequence[RepairRow], asked: Wish, units: Sequence[str] = ()) -> list[Any]:
    """Page of all repairs; `units`: those that a repair may be opened of."""
    if not rows:
        return [
            html.H1("Proof"),
            *_begin(),
            *cases.begin(units, asked),
            views.unknown_panel(text.PROOF_UNKNOWNS),
        ]
    current = sorted((row for row in rows if row.ended_s is None), key=_urgency)
    ended = [row for row in rows if row.ended_s is not None]
    unread = sum(row.is_unread for row in rows)
    return [
        html.H1("Proof"),
        html.P(_summary(current), className="lead"),
        html.P(unread_text(unread), className="sentence") if unread else None,
        html.Ul([_line(row, asked) for row in current], className="zones proofs"),
        html.Details(
            [
                html.Summary(
                    say("Ended by a later repair of the same zone ({ended})", ended=len(ended))
                ),
                html.Ul([_line(row, asked) for row in ended], className="zones proofs"),
            ]
        )
        if ended
        else None,
        *cases.begin(units, asked),
        html.Details([html.Summary("How to follow another repair"), *_begin()[1:]]),
        views.unknown_panel([*_stale(current, asked), *text.PROOF_UNKNOWNS]),
    ]


def _begin() -> list[Component]:
    return [
        html.P("No repair is followed yet.", className="lead"),
        html.P(
            "After a repair, note what was done, and the watch over that zone begins: each rain, thaw, wash "
            "and hose test from then on asks whether water still comes in."
        ),
        html.Pre(html.Code(BEGIN)),
        html.P(
            "What was done is “closed”, or “opened and dried”; add “--moved” where the probe was put on "
            "the spot where the water collected. Photos and hose tests are added on the repair's page.",
        ),
    ]


def _urgency(row: RepairRow) -> tuple[Any, ...]:
    return (len(RANK) if row.now is None else RANK[row.now.verdict], -row.repaired_s)


def _summary(rows: Sequence[RepairRow]) -> str:
    verdicts = [row.now.verdict for row in rows if row.now]
    counted = [f"{verdicts.count(v)} {say(v)}" for v in RANK if v in verdicts]
    without = len(rows) - len(verdicts)
    counted += [say("{without} without a proof", without=without)] if without else []
    return say(
        "{count}: {counted}. Every verdict is so far.",
        count=words.count(len(rows), "repair"),
        counted=", ".join(counted),
    )


def _line(row: RepairRow, asked: Wish) -> Component:
    now = row.now
    verdict = now.verdict if now else "unknown"
    head = [
        views.mark(verdict),
        html.Div(
            [
                html.A(f"{row.unit} · {row.zone}", href=asked.link(path(row))),
                html.Span(say(row.kind), className="slot"),
            ],
            className="who",
        ),
        html.Span(say("repaired {day}", day=_day(row.repaired_s, row.timezone))),
    ]
    said: list[str] = [text.no_proof_text(_why_none(row, asked))]
    if now:
        head.append(
            html.Span(say("{count} ago", count=words.count(round(now.figures["days"]), "day")))
        )
        stalled = now.figures["stalled"] == 1.0
        said = [
            say("{count} survived", count=words.count(_survived(now), "wetting")),
            say("no leak size covered yet")
            if np.isnan(now.size_ml)
            else say("covers leaks of {size_ml:.0f} mL or more an event", size_ml=now.size_ml),
            say(
                "{count} missing: {named}",
                count=len(now.missing),
                named=", ".join(map(say, now.missing)),
            )
            if now.missing
            else "",
            say("drying has stalled") if stalled else "",
        ]
    return html.Li(
        [
            html.Div(head, className="line"),
            html.P("; ".join(filter(None, said)) + ("." if now else ""), className="aside"),
        ],
        className=f"is-{verdict.replace(' ', '-')}",
    )


def _why_none(row: RepairRow, asked: Wish) -> str:
    if row.is_unread:
        return "unread"
    if row.kind not in STRUCTURE_KINDS:
        return "room"
    return "too early" if asked.now_s - row.repaired_s < STALE_S else "unwatched"


def _survived(now: ProofStep) -> int:
    figures = now.figures
    counted = figures["natural"] + figures["hose"] + figures["wash"]
    return round(counted - figures["responses"])


def _day(at_s: float, timezone: str) -> str:
    """Day of a time on a site's clock; a dash where there is none."""
    if np.isnan(at_s):
        return words.UNMEASURED
    at = words.local(round(at_s), timezone)
    return f"{weekday(at)} {at:%d} {month(at)} {at.year}"


def _stale(rows: Sequence[RepairRow], asked: Wish) -> list[str]:
    return [
        say(
            "{unit} · {zone}: nothing newer than {at} was judged.",
            unit=row.unit,
            zone=row.zone,
            at=words.when(row.now.at_s, row.timezone),
        )
        for row in rows
        if row.now and row.ended_s is None and asked.now_s - row.now.at_s > STALE_S
    ]


# --- one repair -----------------------------------------------------------------------------------


def repair_blocks(told: Told, asked: Wish) -> list[Any]:
    """Page of one repair."""
    row = told.row
    place = html.A(row.unit, href=asked.link(words.unit_path(row.unit)))
    zone = html.A("the zone's page", href=asked.link(words.zone_path(row.site, row.unit, row.zone)))
    return [
        html.P(html.A("← Proof", href=asked.link("/proof")), className="back"),
        html.H1(
            [f"{row.unit} · {row.zone}", html.Small(say("{kind}, its repair", kind=say(row.kind)))]
        ),
        _verdict(told, asked),
        html.P(["Unit ", place, ", ", zone, "."], className="aside"),
        *(_missing(row.now) if row.now else []),
        *(_chart(told, told.course, asked) if told.course else []),
        *(_wettings(told, told.course) if told.course else []),
        *cases.blocks(row, told.case),
        *_revisions(told),
        html.P(unread_text(told.unread), className="aside") if told.unread else None,
        *(_packet(row, asked) if row.now else []),
        views.unknown_panel(_unknowns(told, asked)),
    ]


def _packet(row: RepairRow, asked: Wish) -> list[Any]:
    """All of it in one signed file, and how a stranger works it out again."""
    path = f"/export/proof/{quote(row.unit)}/{quote(row.zone)}/{row.repaired_s}.zip"
    name = f"{row.unit}-{row.zone}-proof.zip"
    return [
        html.H2(say("To hand over")),
        html.P(say(text.PACKET_MEANS), className="sentence"),
        html.P(html.A(say("The signed packet"), href=path, download=name)),
        html.P(
            html.A(
                "Two pages that tell of it, as PDF or HTML",
                href=asked.link(f"{words.unit_path(row.unit)}/handover"),
            )
        ),
        html.P(
            [say("Whoever has it types: "), html.Code(f"sillkeep handover verify {name}")],
            className="aside",
        ),
    ]


def _verdict(told: Told, asked: Wish) -> Component:
    row, now = told.row, told.row.now
    if now is None:
        return html.Section(
            [
                views.mark("unknown", large=True),
                html.P(text.no_proof_text(_why_none(row, asked))),
                html.P(
                    say(
                        "Repaired {at}: {value}.",
                        at=words.when(row.repaired_s, row.timezone),
                        value=row.value or "–",
                    )
                ),
            ],
            className="word is-unknown",
        )
    figures = now.figures
    said = text.proof_text(
        now.verdict,
        zone=row.zone,
        repaired=_day(row.repaired_s, row.timezone),
        survived=_survived(now),
        last=_day(figures["last_survived_s"], row.timezone),
        responses=round(figures["responses"]),
        missing=len(now.missing),
    )
    until = (
        say("It ended with the repair of {day}.", day=_day(row.ended_s, row.timezone))
        if row.ended_s
        else ""
    )
    return html.Section(
        [
            views.mark(now.verdict, large=True),
            html.P(f"{said} {until}".strip(), className="lead"),
            html.P(text.size_text(now.size_ml)),
            html.P(text.drying_text(figures)),
            html.P(text.share_text(figures)),
            views.facts(_facts(row, now)),
            html.P(
                say(
                    "As of midnight UTC, {at} on the site's clock.",
                    at=words.when(now.at_s, row.timezone),
                ),
                className="aside",
            ),
        ],
        className=f"word is-{now.verdict.replace(' ', '-')}",
    )


def _facts(row: RepairRow, now: ProofStep) -> list[tuple[str, Any]]:
    figures = now.figures
    return [
        ("repaired", _day(row.repaired_s, row.timezone)),
        ("what was done", row.value or words.UNMEASURED),
        ("days since", words.number(figures["days"], digits=0)),
        ("rains and thaws", words.number(figures["natural"], digits=0)),
        ("hose tests", words.number(figures["hose"], digits=0)),
        ("washes", words.number(figures["wash"], digits=0)),
        ("not counted", words.number(figures["uncounted"], digits=0)),
        ("last survived", _day(figures["last_survived_s"], row.timezone)),
        ("above the dry standard", words.number(figures["excess_percent"], "points")),
        ("drying goal", words.number(figures["goal_percent"], "points")),
        ("noise of an answer", words.number(figures["noise_percent"], "points", digits=2)),
        ("coverage", words.number(figures["coverage_percent"], "%")),
    ]


def _missing(now: ProofStep) -> list[Any]:
    title = html.H2(say("What is missing ({missing})", missing=len(now.missing)))
    if not now.missing:
        return [title, html.P("Nothing: every condition is met.")]
    listed = [html.Li([html.B(say(name)), say(text.PROOF_TO_DO[name])]) for name in now.missing]
    return [title, html.Ul(listed, className="missing")]


# --- the figure -----------------------------------------------------------------------------------


def _chart(told: Told, course: Course, asked: Wish) -> list[Any]:
    """Moisture against the dry standard, with the goal, the repair, rain and wettings."""
    row = told.row
    skip = max(row.repaired_s // HOUR_S - BEFORE_D * 24 - course.from_hour, 0)
    moisture, standard = course.moisture_percent[skip:], course.standard_percent[skip:]
    rain = course.rain_mm[skip:]
    at_s = (course.from_hour + skip + np.arange(len(moisture))) * HOUR_S
    span = Span(
        from_s=int(at_s[0]),
        to_s=int(at_s[-1]) + HOUR_S,
        offset_s=words.offset_s(asked.now_s, row.timezone),
        twelve_hour=asked.twelve_hour,
    )
    goal = row.now.figures["goal_percent"] if row.now else np.nan
    figure = drawing.chart(
        [
            Line("moisture of the zone", at_s, moisture, drawing.WOOD, width=2.4),
            Line("dry standard", at_s, standard, drawing.FAINT, dash="dash"),
        ],
        span,
        unit="%",
        headroom=0.5,  # the rain's
    )
    drawing.add_goal(figure, at_s, standard, standard + goal, span)
    _mark_wettings(figure, course, moisture, at_s, span)
    drawing.add_moment(figure, row.repaired_s, span, name=say("repair"))
    drawing.add_rain(figure, at_s, rain, span)
    figure.update_layout(height=330)
    sentence = _sentence(moisture, standard, rain)
    title = "Moisture against the dry standard"
    return [
        html.H2(title, className="chart-title"),
        html.P(sentence, className="sentence"),
        views.graph(figure, label=f"{say(title)}. {sentence}", size="section"),
        html.Details(
            [
                html.Summary(say("{title}: daily values", title=say(title))),
                _daily(at_s, moisture, standard, rain, span),
            ]
        ),
    ]


def _mark_wettings(
    figure: drawing.Figure,
    course: Course,
    moisture: Floats,
    at_s: Ints,
    span: Span,
) -> None:
    """A shape for each wetting on the line, at its height or, where that is not known, at the foot."""
    known = moisture[~np.isnan(moisture)]
    foot = float(known.min()) if len(known) else 0.0
    for word, symbol in SYMBOLS.items():
        own = [one.at_s for one in course.wettings if one.word == word and one.at_s >= at_s[0]]
        if own:
            place = (np.array(own) - at_s[0]) // HOUR_S
            height = np.where(np.isnan(moisture[place]), foot, moisture[place])
            name = (
                say("wetting {word}", word=say(word))
                if word != "response"
                else say("wetting with a response")
            )
            drawing.add_marks(figure, np.array(own), height, span, name=name, symbol=symbol)


def _sentence(moisture: Floats, standard: Floats, rain: Floats) -> str:
    excess = moisture - standard
    known = excess[~np.isnan(excess)]
    fell = (
        say("{rain:.0f} mm of rain", rain=np.nansum(rain))
        if (~np.isnan(rain)).any()
        else say("no rain source")
    )
    if not len(known):
        return say("Nothing to compare with: zone or dry standard is not known; {fell}.", fell=fell)
    low, high, last = (
        words.number(float(v), "points") for v in (known.min(), known.max(), known[-1])
    )
    gaps = int(np.isnan(excess).sum())
    lost = say("; {hours} without data", hours=words.hours(gaps)) if gaps else ""
    return say(
        "Above the dry standard: last {last}, between {low} and {high}; {fell}{lost}.",
        last=last,
        low=low,
        high=high,
        fell=fell,
        lost=lost,
    )


def _daily(at_s: Ints, moisture: Floats, standard: Floats, rain: Floats, span: Span) -> Component:
    day = (at_s + span.offset_s) // DAY_S
    columns = [
        drawing.per_day(day, values)[1] for values in (moisture, standard, moisture - standard)
    ]
    wet = drawing.per_day(day, rain)[1] * np.unique(day, return_counts=True)[1]
    columns.append(wet)
    days = np.unique(day)
    rows = [
        html.Tr(
            [
                html.Th(str(np.datetime64(int(days[k]), "D")), scope="row"),
                *(html.Td(words.number(float(column[k]))) for column in columns),
            ]
        )
        for k in range(len(days) - 1, -1, -1)
    ]
    names = ["day", "moisture, %", "dry standard, %", "above it, points", "rain, mm"]
    return views.table(names, rows, label="Daily values")


def _wettings(told: Told, course: Course) -> list[Any]:
    title = html.H2("Wettings since the repair")
    if not course.wettings:
        return [title, html.P("None yet: dry weather proves nothing.")]
    timezone = told.row.timezone
    rows = [
        html.Tr(
            [
                html.Th(words.when(one.at_s, timezone), scope="row"),
                html.Td(say(one.kind)),
                html.Td(words.number(one.mm, "mm", digits=0)),
                html.Td(words.number(one.answer_percent, digits=2)),
                html.Td(words.number(one.noise_percent, digits=2)),
                html.Td(say(one.word)),
            ]
        )
        for one in reversed(course.wettings)
    ]
    names = ["when", "kind", "water", "answer, points", "noise, points", "said"]
    return [
        title,
        html.P(text.WETTINGS_EXPLAINED, className="sentence"),
        views.table(names, rows, label="Wettings since the repair", kind="dated"),
    ]


def _revisions(told: Told) -> list[Any]:
    if not told.revisions:
        return []
    timezone = told.row.timezone
    rows = [
        html.Tr(
            [
                html.Th(str(one.number), scope="row"),
                html.Td(_day(one.step.at_s, timezone)),
                html.Td(say(one.step.verdict)),
                html.Td(", ".join(map(say, one.step.missing)) or say("nothing")),
                html.Td(words.number(one.step.size_ml, "mL", digits=0)),
                html.Td(words.when(one.recorded_s, timezone)),
                html.Td("; ".join(filter(None, _standing(told, one)))),
                html.Td("; ".join(differences)),
            ],
            className="" if one.step in told.standing else "replaced",
        )
        for one, differences in reversed(list(zip(told.revisions, told.differences, strict=True)))
    ]
    names = ["no.", "from", "verdict", "missing", "leaks from", "told", "note", "what changed"]
    table = views.table(names, rows, label="Revisions", kind="text log")
    return [
        html.H2("What was said, and when"),
        html.P(text.REVISIONS_EXPLAINED, className="sentence"),
        table,
    ]


def _standing(told: Told, one: ProofRevision) -> tuple[str, str]:
    replaced = "" if one.step in told.standing else say("replaced by a later revision")
    return say(text.LATER_REASONS[one.reason]), replaced


def _unknowns(told: Told, asked: Wish) -> list[Any]:
    row, lines = told.row, list[Any](_stale([told.row], asked))
    if told.zone is not None and told.zone.heard_s is not None and told.zone.word == "unknown":
        lines.append(
            say(
                "{zone}: last reading {age}.",
                zone=row.zone,
                age=words.age(asked.now_s - told.zone.heard_s),
            )
        )
    if row.now and row.now.figures["uncounted"]:
        lines.append(
            say(
                "{count} not counted: a gap, or the days in which probe and air came to rest.",
                count=words.count(round(row.now.figures["uncounted"]), "wetting"),
            )
        )
    return [*lines, *text.PROOF_UNKNOWNS]
