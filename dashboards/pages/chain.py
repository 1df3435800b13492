"""Chain: health of everything between probe and person."""

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import views, words
from dashboards.pages import checks as installation
from dashboards.paint import marked
from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.parts import of_kind
from monitor.store.health import Chain, NodeNow

# those without which nothing moves; others show once they are heard
PARTS = ("intake", "watch", "messages")


def blocks(chain: Chain, asked: Wish, *, whole: bool = True) -> list[Any]:
    """Page of pulses, counts and nodes; `whole`: to who sees all of it, the installation too."""
    silent = [node for node in chain.nodes if node.silent]
    idle = [node for node in chain.nodes if not node.zones]
    return [
        html.H1("Chain"),
        html.P(
            "From probe to person: what is alive, what came, what was refused.", className="lead"
        ),
        _pulses(chain, asked),
        _archive(chain, asked),
        *_weather(chain, asked),
        *_told(chain),
        _record(chain),
        views.facts(_counts(chain), name="wide"),
        *(installation.blocks(chain.checks, asked) if whole else ()),
        html.H2("Silent nodes"),
        _nodes(silent, asked) if silent else html.P("No node that watches a zone is silent."),
        html.Details(
            [
                html.Summary(say("All nodes ({nodes})", nodes=len(chain.nodes))),
                _nodes(list(chain.nodes), asked),
            ]
        )
        if chain.nodes
        else html.P("No node has ever been heard."),
        html.H2("Rejects"),
        _rejects(chain, asked),
        *(html.P(text.flood_text(one.node, dropped=one.dropped)) for one in chain.floods),
        views.unknown_panel(
            [
                say("{code}: heard, but its probes are placed in no zone.", code=node.code)
                for node in idle
            ]
            + (installation.unknown(chain.checks) if whole else [])
        ),
    ]


def _pulses(chain: Chain, asked: Wish) -> Component:
    known = {pulse.part: pulse for pulse in chain.pulses if not pulse.is_over}
    needed = [part for kind in PARTS for part in of_kind(kind, known) or [kind]]
    names = [*needed, *(part for part in known if part not in needed)]
    entries = []
    for name in names:
        pulse = known.get(name)
        said = (
            "no sign yet"
            if pulse is None
            else say("progress {age}", age=words.age(asked.now_s - pulse.at_s))
        )
        late = "late" if pulse is not None and pulse.late else ""
        entries.append(html.Li([html.B(say(name)), html.Span(said), html.Em(say(late)) if late else None],
                               className=late))  # fmt: skip
    return html.Ol(entries, className="chain", **marked(aria_label="From probe to page"))


def _told(chain: Chain) -> list[Component]:
    """What keeps people from being told."""
    post = chain.post
    if post is None:
        return []
    said = text.post_text(
        people=post.people,
        without=len(post.without_address),
        waiting=post.waiting,
        trouble=post.trouble,
        expired=post.expired,
        nobody=len(chain.nobody),
    )
    return [html.P(sentence) for sentence in said]


def _archive(chain: Chain, asked: Wish) -> Component | None:
    found = chain.archive
    if found is None:
        return None
    said = text.archive_text(
        level_s=found.from_s, now_s=asked.now_s, refused=found.refused, trouble=found.trouble
    )
    return html.P(said)


def _weather(chain: Chain, asked: Wish) -> list[Component]:
    return [
        html.P(
            text.station_text(
                one.name,
                one.site,
                ago_s=None if one.newest_s is None else asked.now_s - one.newest_s,
                problem=one.problem,
            ),
            className="standing" if one.problem else "",
        )
        for one in chain.stations
    ]


def _record(chain: Chain) -> Component:
    found = chain.checked
    if found is None:
        return html.P(text.UNCHECKED)
    kinds = [damage.kind for damage in found.damages]
    said = text.record_text(at_s=found.at_s, kinds=kinds, count=found.count)
    return html.P(said, className="standing" if found.count else "")


def _counts(chain: Chain) -> list[tuple[str, Any]]:
    return [
        ("readings, last 24 h", f"{chain.readings_day:,}"),
        ("time pending", f"{chain.pending:,}"),
        ("disputed", f"{chain.disputed:,}"),
        ("rejects", f"{chain.rejects:,}"),
        ("waiting to be told", f"{chain.untold:,}"),
    ]


def _nodes(nodes: list[NodeNow], asked: Wish) -> Component:
    rows = [
        html.Tr(
            [
                html.Th(node.code, scope="row"),
                html.Td(words.age(None if node.heard_s is None else asked.now_s - node.heard_s)),
                html.Td(", ".join(node.zones) or "no zone"),
            ]
        )
        for node in nodes
    ]
    return _table(("node", "heard", "watches"), rows)


def _rejects(chain: Chain, asked: Wish) -> Component:
    if not chain.reasons:
        return html.P("Nothing was refused.")
    rows = [
        html.Tr(
            [
                html.Th(reason, scope="row"),
                html.Td(f"{number:,}", className="figure"),
                html.Td(words.age(asked.now_s - newest)),
            ]
        )
        for reason, number, newest in chain.reasons
    ]
    return _table(("reason", "count", "newest"), rows)


def _table(names: tuple[str, ...], rows: Sequence[Component]) -> Component:
    head = html.Thead(html.Tr([html.Th(say(name), scope="col") for name in names]))
    return html.Div(html.Table([head, html.Tbody(rows)]), className="table text", tabIndex="0",
                    role="region", **marked(aria_label=say(names[0])))  # fmt: skip
