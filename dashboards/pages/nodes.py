"""Nodes: which of them need a hand, and what each watches."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.correction import is_due
from monitor.lot import BenchCheck, BenchPoint, silent_after_s
from monitor.store.board import BATTERY_DAYS, NodeRow, ProbeNow
from monitor.store.nodekeys import Access
from monitor.text import bench as bench_text
from monitor.text import nodes as nodes_text

TOGETHER = "silent together"
# what needs a hand first, first
WORDS = (
    "silent",
    "never heard",
    "suspect",
    "flood",
    "battery low",
    TOGETHER,  # under a common cause: that one needs the hand
    "late",
    "reporting",
    "unplaced",
    "out of service",
)
AT_ONCE = 100  # rows of a page: three thousand are read by nobody
NAMES = (
    "node",
    "word",
    "what to do",
    "watches",
    "heard",
    "battery",
    "signal",
    "gateway",
    "missing",
)


BROKER = "at the broker"  # a column more, where nodes have credentials


@dataclass(frozen=True, slots=True)
class Told:
    """How nodes stand with the broker, and what they said last of their probes, by site and node."""

    access: Mapping[tuple[str, str], Access] = field(default_factory=dict)
    faults: Mapping[tuple[str, str], tuple[int, Mapping[str, str]]] = field(default_factory=dict)
    lying: Sequence[BenchPoint] = ()  # of probes that lie in a box over salt, as far as is known
    may_move: bool = False


NOTHING = Told()


def word_of(node: NodeRow, *, now_s: int) -> str:
    """Word of a node, one of `WORDS`: what needs a hand most."""
    ages = [(None if p.heard_s is None else now_s - p.heard_s, p.silence_s) for p in node.watching]
    known = [(age, silence_s) for age, silence_s in ages if age is not None]
    silent = len(known) < len(ages) or any(age > silent_after_s(most) for age, most in known)
    said = (
        ("out of service", node.out_of_service),
        ("unplaced", not node.watching),
        ("never heard", node.heard_s is None),
        ("silent", silent and node.cause is None),
        ("suspect", node.has("sensor suspect")),
        ("flood", node.has("flood")),
        ("battery low", node.has("battery low")),
        (TOGETHER, silent),
        ("late", any(age > most for age, most in known)),
    )
    return next((word for word, is_so in said if is_so), "reporting")


def blocks(
    nodes: Sequence[NodeRow],
    asked: Wish,
    *,
    checks: Mapping[tuple[str, str, str], BenchCheck],
    may_bench: bool = False,
    told: Told = NOTHING,
) -> list[Any]:
    """Page of all nodes, or of those with the word that the address asks for.

    `checks` are the bench checks that hold now, by site, node and probe.
    """
    if not nodes:
        return [html.H1("Nodes"), html.P("No node is entered, and none was ever heard.")]
    worded = [(word_of(node, now_s=asked.now_s), node) for node in nodes]
    worded.sort(key=lambda pair: (WORDS.index(pair[0]), pair[1].site, pair[1].code))
    shown = [pair for pair in worded if asked.choice("word") in {"", pair[0]}]
    from_ = _from(asked, len(shown))
    rows = [_row(word, node, asked, told) for word, node in shown[from_ : from_ + AT_ONCE]]
    return [
        html.H1("Nodes"),
        _causes(worded, asked),
        _lying(told.lying),
        *_bench(nodes, checks, asked, link=may_bench),
        _choice(Counter(word for word, _ in worded), asked),
        html.P(_said(shown, worded, from_), className="shown", role="status"),
        views.table(_names(told), rows, label="Nodes", kind="text nodes"),
        _turn(len(shown), from_, asked),
        views.unknown_panel(_unknowns(nodes, worded, checks)),
    ]


def _lying(points: Sequence[BenchPoint]) -> Component | None:
    """Probes whose zones are not watched because nobody said that they are back."""
    names = sorted({f"{point.node}/{point.probe}" for point in points})
    return html.P(bench_text.lying_text(names), className="sentence") if names else None


def _bench(
    nodes: Sequence[NodeRow],
    checks: Mapping[tuple[str, str, str], BenchCheck],
    asked: Wish,
    *,
    link: bool,
) -> list[Any]:
    """Which nodes ask for the bench: work of the season, no alarm."""
    never = old = 0
    for node in nodes:
        held = [checks.get((node.site, node.code, probe.code)) for probe in node.watching]
        due = [check for check in held if is_due(check, now_s=asked.now_s)]
        never += bool(due) and not any(due)
        old += any(due)
    parts: list[Any] = [bench_text.due_text(never, old), " "] if never or old else []
    if link:
        parts.append(html.A("Check a probe over salt", href=asked.link("/bench")))
    return [html.P(parts, className="sentence")] if parts else []


def _from(asked: Wish, count: int) -> int:
    """First row of the page; what makes no sense is the first."""
    wanted = asked.choice("from")
    number = int(wanted) if wanted.isascii() and wanted.isdecimal() else 0
    return number // AT_ONCE * AT_ONCE if number < count else 0


def _causes(worded: Sequence[tuple[str, NodeRow]], asked: Wish) -> Component | None:
    """What made many nodes silent at once, one line each."""
    under = Counter(node.cause for word, node in worded if word == TOGETHER and node.cause)
    entries = [
        html.Li(
            [
                html.B(say(cause.kind)),
                f" {words.first_sentence(cause.text)} ",
                html.A(words.count(count, "node"), href=asked.narrowed(word=TOGETHER)),
                " under it. ",
                text.what_to_do(cause.text, cause.parts, cause.alarm_class),
            ]
        )
        for cause, count in ((views.told(one), many) for one, many in under.most_common())
    ]
    return html.Ul(entries, className="causes") if entries else None


def _choice(counted: Counter[str], asked: Wish) -> Component:
    here = asked.choice("word")
    links = [
        html.A(
            [say(word), html.Span(f"{counted[word]}", className="slot")],
            href=asked.narrowed(word="" if word == here else word),
            **marked(**({"aria_current": "true"} if word == here else {})),
        )
        for word in WORDS
        if counted[word]
    ]
    return html.Nav(links, className="choice", **marked(aria_label="By word"))


def _said(shown: Sequence[Any], worded: Sequence[Any], from_: int) -> str:
    count = words.count(len(worded), "node")
    if len(shown) == len(worded) <= AT_ONCE:
        return say("All {count}, those that need a hand first.", count=count)
    if not shown:
        return say("None of {count}.", count=count)
    last = min(from_ + AT_ONCE, len(shown))
    narrowed = "" if len(shown) == len(worded) else say(" of {shown:,}", shown=len(shown))
    return say(
        "Shown: {from_:,} to {last:,}{narrowed} of {count}, those that need a hand first.",
        from_=from_ + 1,
        last=last,
        narrowed=narrowed,
        count=count,
    )


def _turn(count: int, from_: int, asked: Wish) -> Component | None:
    links = [
        html.A(label, href=asked.narrowed(**{"from": str(number)}))
        for label, number in (("The ones before", from_ - AT_ONCE), ("The next", from_ + AT_ONCE))
        if 0 <= number < count
    ]
    return html.Nav(links, className="choice", **marked(aria_label="Rows")) if links else None


def _names(told: Told) -> tuple[str, ...]:
    return (*NAMES, BROKER) if told.access else NAMES


def _access(node: NodeRow, told: Told) -> str:
    """How a node stands with the broker, in words."""
    found = told.access.get((node.site, node.code))
    if found is None:
        return say("no credential from here")
    at = {
        name: f"{words.when(at_s, 'UTC')} UTC" if (at_s := getattr(found, f"{name}_s")) else ""
        for name in ("claimed", "waits", "ended")
    }
    return nodes_text.access_text(**at, why=found.why)


def _row(word: str, node: NodeRow, asked: Wish, told: Told) -> Component:
    heard = None if node.heard_s is None else asked.now_s - node.heard_s
    cells: list[Any] = [
        html.B(say(word)),
        " ".join([*_faults(node, told), *_steps(word, node)]),
        _places(node, asked, may_move=told.may_move),
        words.age(heard),
        _battery(node),
        _signal(node),
        node.gateway or "not told",
        "no receipt" if node.missing is None else f"{node.missing:,}",
        *([_access(node, told)] if told.access else []),
    ]
    return html.Tr(
        [
            html.Th(node.code, scope="row"),
            *(
                html.Td(cell, **marked(data_of=name))
                for name, cell in zip(_names(told)[1:], cells, strict=True)
            ),
        ],
        className=f"is-{word.replace(' ', '-')}",
    )


def _faults(node: NodeRow, told: Told) -> list[str]:
    """Why probes fail, as their node says."""
    at_s, faults = told.faults.get((node.site, node.code), (0, {}))
    if not faults:
        return []
    return [f"{words.when(at_s, 'UTC')} UTC: {nodes_text.faults_text(faults)}."]


def _steps(word: str, node: NodeRow) -> list[str]:
    """What to do: the response of each alarm, as it was told, or what its word asks for."""
    said = []
    if word == TOGETHER and node.cause:
        said.append(text.under_cause(node.cause.kind))
    for alarm in map(views.told, node.alarms):
        if alarm.kind == "silent" and word == TOGETHER:
            continue
        if alarm.kind in {"sensor suspect", "flood"}:  # the others are said by word and figure
            said.append(f"{text.in_short(alarm.text, alarm.zone)}.")
        said.append(text.what_to_do(alarm.text, alarm.parts, alarm.alarm_class))
    if word in text.NODE_STEPS and not any(said):
        said.append(say(text.NODE_STEPS[word]))
    return list(dict.fromkeys(filter(None, said)))


def _places(node: NodeRow, asked: Wish, *, may_move: bool) -> list[Any]:
    parts: list[Any] = []
    for probe in node.watching:
        parts += [html.Br()] if parts else []
        parts += [f"{probe.code}: ", *views.place(asked, node.site, probe.unit, probe.zone)]
    parts = parts or [say("nothing")]
    if may_move:
        href = asked.narrowed("/move", node=f"{node.site}/{node.code}", word="", unit="")
        parts += [html.Br(), html.A("Moved?", href=href, className="reach")]
    return parts


def _battery(node: NodeRow) -> str:
    found = [p for p in node.probes if p.battery_percent is not None]
    if not found:
        return words.UNMEASURED
    lowest: ProbeNow = min(found, key=lambda probe: probe.battery_percent or 0.0)
    said = words.number(lowest.battery_percent, "%", digits=0)
    if lowest.before_percent is not None and lowest.battery_percent is not None:
        change = lowest.battery_percent - lowest.before_percent
        said += say(
            " ({signed} in {battery_days} days)",
            signed=words.signed(change),
            battery_days=BATTERY_DAYS,
        )
    return say("{said}, low", said=said) if node.has("battery low") else said


def _signal(node: NodeRow) -> str:
    weakest = min((p.signal_dbm for p in node.probes if p.signal_dbm is not None), default=None)
    return words.number(weakest, "dBm", digits=0)


def _unknowns(
    nodes: Sequence[NodeRow],
    worded: Sequence[tuple[str, NodeRow]],
    checks: Mapping[tuple[str, str, str], BenchCheck],
) -> list[str]:
    silent = sum(word in {"silent", TOGETHER, "never heard"} for word, _ in worded)
    lines = []
    if silent:
        lines.append(
            say(
                "What the zones of {count} do: nothing is heard of them.",
                count=words.count(silent, "node"),
            )
        )
    without = sum(all(p.battery_percent is None for p in node.probes) for node in nodes)
    if without:
        lines.append(say("{count} never told a battery.", count=words.count(without, "node")))
    if not checks:
        lines.append(bench_text.NO_BENCH)
    lines.append(nodes_text.FAULTS_UNKNOWN)
    lines.append(
        "How many samples wait in a node: it tells nobody. Missing are those between samples that came."
    )
    return lines
