"""Fences of the manual's own, and what is made from the program in their place.

::

    ```{run}            commands, as typed; the test runs them in order, in one folder a page
    ```{says}           what the commands before answer; "…" stands for anything
    ```{file} NAME      a file that the reader writes
    ```{example} KIND   a message, decoded by the program's own decoder when the manual is built

Options of `run`: `serving` (it goes on; what it says before the next block), `ends-serving` (what goes on is
ended first), `until` (asked again until it says so), `input` (what is typed), `by-hand` (why no test runs it).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from docutils import nodes
from docutils.parsers.rst import directives
from sphinx.util.docutils import SphinxDirective

from deploy.manual.examples import decoded
from deploy.manual.made import MADE

if TYPE_CHECKING:
    from sphinx.application import Sphinx

PAGES = Path(__file__).parent / "pages"
_FENCE = re.compile(
    r"^```\{(run|says|file)\}[ ]*([^\n]*)\n((?::[^\n]*\n)*)(.*?)^```$", re.MULTILINE | re.DOTALL
)
_MADE = re.compile(r"^<!-- made: ([a-z-]+) ?(.*?) -->$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a page, for the test that follows the page as a reader would."""

    kind: str  # run, says, file
    name: str
    text: str
    options: dict[str, str]


def blocks(page: Path) -> Iterator[Block]:
    """Blocks of a page in its order."""
    for kind, name, options, text in _FENCE.findall(page.read_text(encoding="utf-8")):
        given = dict(re.findall(r"^:([a-z-]+): ?(.*)$", options, re.MULTILINE))
        yield Block(kind, name.strip(), text, given)


class _Shown(SphinxDirective):
    has_content = True
    css = ""

    def literal(self) -> nodes.literal_block:
        """The text as it stands."""
        text = "\n".join(self.content)
        return nodes.literal_block(text, text, language="none", classes=[self.css])


class _Run(_Shown):
    css = "run"
    option_spec = {  # noqa: RUF012  docutils' own
        "serving": directives.unchanged_required,
        "ends-serving": directives.flag,
        "until": directives.unchanged_required,
        "input": directives.unchanged_required,
        "by-hand": directives.unchanged_required,
    }

    def run(self) -> list[nodes.Node]:
        """What is typed, and what is typed into it."""
        shown: list[nodes.Node] = [self.literal()]
        if typed := self.options.get("input"):
            asked = nodes.paragraph("", "It waits for you to type, such as: ", classes=["answers"])
            asked += nodes.literal("", typed)
            shown.append(asked)
        return shown


class _Says(_Shown):
    css = "says"

    def run(self) -> list[nodes.Node]:
        """What it answers."""
        return [
            nodes.paragraph("", "It answers, among other things:", classes=["answers"]),
            self.literal(),
        ]


class _File(_Shown):
    css = "file"
    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """A file and its name."""
        name = nodes.paragraph("", "", classes=["file-name"])
        name += [nodes.Text("The file "), nodes.literal("", self.arguments[0])]
        return [name, self.literal()]


class _Example(_Shown):
    css = "message"
    required_arguments = 1
    final_argument_whitespace = True

    def run(self) -> list[nodes.Node]:
        """A message and what the program makes of it; one that it refuses ends the build."""
        kind, _, more = self.arguments[0].partition(" ")
        rows = decoded(kind, more, "\n".join(self.content))
        told = "\n".join(f"{name:<17} {value}" for name, value in rows)
        block = nodes.literal_block(told, told, language="none", classes=["becomes"])
        return [self.literal(), nodes.paragraph("", "It becomes:", classes=["answers"]), block]


def _make(_app: "Sphinx", _name: str, source: list[str]) -> None:
    """Put in what is made from the program."""
    source[0] = _MADE.sub(lambda found: MADE[found[1]](found[2]), source[0])


_TABLE = re.compile(r"<table.*?</table>", re.DOTALL)
_HEAD = re.compile(r"<th[^>]*>(.*?)</th>", re.DOTALL)
_ROW = re.compile(r"(<tr[^>]*>)(.*?)</tr>", re.DOTALL)
_CELL = re.compile(r"<td[^>]*>(.*?)</td>", re.DOTALL)
_APART = re.compile(r"(<(pre|code|svg)\b.*?</\2>|<[^>]+>)", re.DOTALL)
_FIGURE = re.compile(r"(?<=\d) (?=°C|°F|%|mm|mL|m²|K\b|points\b|hours?\b|days?\b)")


def _finish(
    _app: "Sphinx", _page: str, _template: str, context: dict[str, Any], _tree: object
) -> None:
    """Name the column beside each cell, for phones; keep a figure and its unit on one line."""
    body = _TABLE.sub(_labelled, context.get("body", ""))
    pieces = _APART.split(body)  # text, then what is left as it is with its name, and so on
    texts = [_FIGURE.sub("\u00a0", text) for text in pieces[::3]]
    kept = [*pieces[1::3], ""]
    context["body"] = "".join(text + as_is for text, as_is in zip(texts, kept, strict=True))
    context["body"] = context["body"].replace("<pre>", '<pre tabindex="0">')


def _labelled(found: re.Match[str]) -> str:
    heads = [re.sub(r"<[^>]+>", "", head).strip() for head in _HEAD.findall(found[0])]

    def row(one: re.Match[str]) -> str:
        names = iter(heads)
        return f"{one[1]}{_CELL.sub(lambda cell: _cell(next(names, ''), cell[1]), one[2])}</tr>"

    table = _ROW.sub(row, found[0]).replace('<table class="', '<table class="rows ', 1)
    return f'<div class="scroll">{table}</div>'


def _cell(name: str, inside: str) -> str:
    told = inside.removeprefix("<p>").removesuffix("</p>").strip()
    return f'<td data-label="{name}">{inside}</td>' if told else "<td></td>"


def setup(app: "Sphinx") -> dict[str, Any]:
    """Tell Sphinx of them."""
    for name, kind in (("run", _Run), ("says", _Says), ("file", _File), ("example", _Example)):
        app.add_directive(name, kind)
    app.connect("source-read", _make)
    app.connect("html-page-context", _finish)
    return {"parallel_read_safe": True}
