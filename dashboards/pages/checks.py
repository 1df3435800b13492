"""The installation on the Chain page: what the last look found, the worst first."""

from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import words
from dashboards.words import Wish
from monitor.catalogue import say
from monitor.store.health import CheckLine, Checks
from monitor.text.checks import SUBJECTS, found_text, summary_text, to_do_text, unknown_text

OLD_S = 3_600  # two looks are a quarter of an hour apart
RANK = {"broken": 0, "look": 1, "OK": 2}
UNSEEN = "Nobody has looked at the installation yet: the watch does, a moment after it starts."
BY_HAND = "At once, and with a message to everybody if you ask for it:"


def blocks(checks: Checks | None, asked: Wish) -> list[Any]:
    """Lines that ask for somebody, then those that do not."""
    head = html.H2("The installation", id="installation")
    if checks is None:
        return [head, html.P(UNSEEN), _by_hand()]
    lines = sorted(checks.lines, key=lambda line: RANK[line.word])
    asking = [line for line in lines if line.word != "OK"]
    fine = [line for line in lines if line.word == "OK"]
    return [head, _summary(checks, asked), _list(asking), _fine(fine), _by_hand()]


def unknown(checks: Checks | None) -> list[str]:
    """What the last look left open."""
    if checks is None:
        return [say("How the installation does: nobody has looked yet.")]
    said = (unknown_text(line.key, line.facts) for line in checks.lines)
    return [line for line in said if line]


def _summary(checks: Checks, asked: Wish) -> Component:
    count = {word: sum(line.word == word for line in checks.lines) for word in RANK}
    ago_s = asked.now_s - checks.at_s
    said = summary_text(broken=count["broken"], look=count["look"], fine=count["OK"])
    when = say("Looked at {age}.", age=words.age(ago_s))
    old = say("That is old: the watch looks every 15 minutes.") if ago_s > OLD_S else ""
    is_bad = bool(count["broken"] or old)
    return html.P(" ".join(filter(None, (said, when, old))), className="standing" if is_bad else "")


def _list(lines: list[CheckLine]) -> Component | None:
    return html.Ul([_line(line) for line in lines], className="checks") if lines else None


def _line(line: CheckLine) -> Component:
    to_do = to_do_text(line.key, line.word, line.facts)
    return html.Li(
        [
            html.B(say(line.word), className="check-word"),
            html.Div(
                [
                    html.P(
                        [
                            html.Span(say(SUBJECTS[line.of]), className="check-of"),
                            ": ",
                            found_text(line.key, line.facts),
                        ]
                    ),
                    html.P(to_do, className="check-do") if to_do else None,
                ]
            ),
        ],
        className=f"check-{line.word.lower()}",
    )


def _fine(lines: list[CheckLine]) -> Component | None:
    if not lines:
        return None
    return html.Details(
        [html.Summary(say("In order ({lines})", lines=len(lines))), _list(lines)],
    )


def _by_hand() -> Component:
    return html.P([BY_HAND, " ", html.Code("sillkeep check"), ", ", html.Code("sillkeep check --send")], className="aside")  # fmt: skip
