"""Documents that people hand over: what is said, once, and two ways to write it down.

::

    a record -> Document -> pdf   one file by typst: tagged, PDF/UA-1 (ISO 14289-1), no fonts but typst's own
                         -> html  one file: no script, no address of anything outside it

What somebody typed reaches typst as data (`document.json`) and HTML escaped, so that no name can be
markup. The same document gives the same bytes: nothing here reads a clock. Signs that the fonts do not
have are printed as their numbers, such as [U+1F600]; signs that turn text around are so in both.
"""

import base64
import io
import json
import re
import unicodedata
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any, Literal, get_args

from monitor import text
from monitor.catalogue import language, say
from monitor.errors import InputError
from monitor.text import documents as words

Paper = Literal["a4", "letter"]
Form = Literal["pdf", "html"]
PAPERS: tuple[Paper, ...] = get_args(Paper)
FORMS: tuple[Form, ...] = get_args(Form)
TYPES: dict[Form, str] = {"pdf": "application/pdf", "html": "text/html; charset=utf-8"}
_PAPER = {"a4": "a4", "letter": "us-letter"}
MOST_SIGNS = 400  # of one thing that somebody typed
LONGEST = 18  # signs without a place to break a line
ROWS = (24, 16, 12, 9, 7, 5, 4, 3, 2, 1)  # of a list that has to fit its page, tried in turn


@dataclass(frozen=True, slots=True)
class Heading:
    """Begins a section."""

    said: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Sentences; a caution has a line beside it."""

    said: str
    kind: Literal["", "small", "strong", "caution"] = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with what they are."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Listed:
    """Points, or steps in their order."""

    items: tuple[str, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under their names; `wide` columns share what is left of the width, `right` ones are figures."""

    label: str
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    wide: tuple[int, ...] = ()
    right: tuple[int, ...] = ()
    first: bool = True  # whether the first cell names its row


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing, with what it shows in words: for who does not see it, and for who does."""

    svg: str
    alt: str
    caption: str
    said: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo."""

    jpeg: bytes
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class Boxes:
    """Things to tick, each with a line to write on."""

    items: tuple[str, ...]


Block = Heading | Paragraph | Facts | Listed | Table | Figure | Picture | Boxes


@dataclass(frozen=True, slots=True)
class Document:
    """What is handed over.

    Attributes
    ----------
    title, subtitle, lead : str
        The lead is the first sentence: what it says above all, or why it says nothing.
    blocks : tuple of Block
    foot : str
        On each page: what it is, of when, which revision.
    made_s : int
        When it was made: the file's own date.
    fahrenheit : bool
        Whether temperatures in sentences are written in °F; figures are drawn so already.
    size_pt : float
    """

    title: str
    lead: str
    blocks: tuple[Block, ...]
    foot: str
    made_s: int
    subtitle: str = ""
    fahrenheit: bool = False
    size_pt: float = 10.0


def fitted(build: Callable[[int], Document], *, paper: Paper, pages: int) -> Document:
    """The document with its lists as long as so many pages allow: `build` is given their rows."""
    found = build(ROWS[0])
    for rows in ROWS[1:]:
        if page_count(found, paper=paper) <= pages:
            break
        found = build(rows)
    return found


def cut(rows: Sequence[tuple[str, ...]], most: int, *, see: str) -> tuple[tuple[str, ...], ...]:
    """Rows of a table that has room for `most`; the last one then says how many are left out."""
    if len(rows) <= most:
        return tuple(rows)
    rest = words.more_text(len(rows) - most, see=see)
    return (*rows[:most], (rest, *("" for _ in rows[0][1:])))


def rendered(document: Document, form: Form, *, paper: Paper) -> bytes:
    """The document as a file."""
    return pdf(document, paper=paper) if form == "pdf" else html(document, paper=paper)


# --- typst ----------------------------------------------------------------------------------------


def pdf(document: Document, *, paper: Paper) -> bytes:
    """The document on paper."""
    asked = {"format": "pdf", "pdf_standards": ["ua-1"], "timestamp": document.made_s}
    made: bytes = typeset("compile", _sources(document, paper), **asked)
    return made


def images(document: Document, *, paper: Paper, ppi: float = 100.0) -> list[bytes]:
    """Its pages as pictures, to look at."""
    asked = {"format": "png", "ppi": ppi, "timestamp": document.made_s}
    made = typeset("compile", _sources(document, paper), **asked)
    return made if isinstance(made, list) else [made]


def page_count(document: Document, *, paper: Paper) -> int:
    """Pages that it takes."""
    asked = {"selector": "<pages>", "field": "value", "one": True}
    return int(json.loads(typeset("query", _sources(document, paper), **asked)))


def typeset(act: str, sources: dict[str, bytes], **asked: Any) -> Any:  # noqa: ANN401
    """What typst makes of files, of which `main.typ` is the page.

    Raises
    ------
    InputError
        If it cannot: its layout ends some texts of rare signs with a panic, which is no `Exception`.
    """
    import typst

    made = getattr(typst, act)
    try:
        return made(sources, ignore_system_fonts=True, **asked)
    except typst.TypstError as error:
        raise InputError(f"the document cannot be set: {error.message}") from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise InputError(
            "the document cannot be set: a text in it has signs that break it"
        ) from error


def _sources(document: Document, paper: Paper) -> dict[str, bytes]:
    """Files that typst reads: the page's own, what is said, drawings and photos."""
    shown = _in_scale(document)
    held: dict[str, bytes] = {}
    blocks = []
    for number, block in enumerate(shown.blocks):
        told = {"is": _NAMES[type(block)]} | asdict(block)
        if isinstance(block, Figure):
            told["file"] = f"{number}.svg"
            held[told["file"]] = block.svg.encode()
            del told["svg"]
        elif isinstance(block, Picture):
            told["file"] = f"{number}.svg"
            held[told["file"]] = _framed(block.jpeg)
            del told["jpeg"]
        elif isinstance(block, Facts):
            told["names"] = [say(words.WHAT), say(words.SAID)]
        blocks.append({name: on_paper(value) for name, value in told.items()})
    data = {
        "title": on_paper(shown.title),
        "subtitle": on_paper(shown.subtitle),
        "lead": on_paper(shown.lead),
        "foot": on_paper(shown.foot),
        "page": words.page_text("{page}", "{pages}"),
        "lang": language().split("_")[0],
        "keywords": ["Sillkeep"],
        "paper": _PAPER[paper],
        "size": shown.size_pt,
        "blocks": blocks,
    }
    page = (files("monitor.reports") / "paper.typ").read_bytes()
    return {"main.typ": page, "document.json": json.dumps(data).encode()} | held


def _framed(jpeg: bytes) -> bytes:
    """A photo inside a drawing: files that are handed to typst in memory have to be text."""
    from PIL import Image

    with Image.open(io.BytesIO(jpeg)) as opened:
        wide, high = opened.size
    data = base64.b64encode(jpeg).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}">'
        f'<image width="{wide}" height="{high}" href="data:image/jpeg;base64,{data}"/></svg>'
    ).encode()


_NAMES: dict[type, str] = {
    Heading: "heading", Paragraph: "paragraph", Facts: "facts", Listed: "list", Table: "table",
    Figure: "figure", Picture: "picture", Boxes: "boxes",
}  # fmt: skip


def on_paper(value: Any) -> Any:  # noqa: ANN401  what a block holds
    """Text that the fonts can print, with places to break long words."""
    if isinstance(value, str):
        shown = "".join(map(_printed, plain(unicodedata.normalize("NFC", value))))
        return re.sub(rf"\S{{{LONGEST}}}(?=\S{{4}})", lambda found: f"{found[0]}\u200b", shown)
    if isinstance(value, (tuple, list)):
        return [on_paper(one) for one in value]
    return value


def _printed(sign: str) -> str:
    return sign if _covered(ord(sign)) else f"[U+{ord(sign):04X}]"


def _covered(code: int) -> bool:
    ranges = _ranges()
    place = bisect_right(ranges, code)
    return place % 2 == 1  # between a first one and the one after the last


@cache
def _ranges() -> list[int]:
    """Signs that typst's own fonts have, as first, one after the last, first, ..."""
    held = (files("monitor.reports") / "signs.json").read_text(encoding="ascii")
    found: list[int] = json.loads(held)
    return found


def plain(said: str) -> str:
    """What somebody typed as one line without signs that are not seen; those are shown as numbers."""
    line = " ".join(said.split())
    return "".join(
        f"[U+{ord(sign):04X}]" if unicodedata.category(sign) in _UNSEEN else sign for sign in line
    )


_UNSEEN = frozenset({"Cc", "Cf", "Co", "Cs", "Cn"})


def typed(said: str, *, most: int = MOST_SIGNS) -> str:
    """What somebody typed, cut to a length that a page has room for."""
    line = plain(said)
    return line if len(line) <= most else f"{line[: most - 1]}…"


# --- HTML -----------------------------------------------------------------------------------------

_STYLE = """
:root{color-scheme:light}
body{font:16px/1.45 Georgia,'Times New Roman',serif;color:#111;background:#fff;margin:0}
main{max-width:56rem;margin:0 auto;padding:1.2rem 1rem 2rem;overflow-wrap:anywhere}
h1{font-size:1.7rem;line-height:1.2;margin:.2em 0}
h2{font-size:1.15rem;margin:1.4em 0 .4em;break-after:avoid}
.sub,.small,figcaption,caption,footer{color:#444;font-size:.9rem}
.lead{font-weight:bold;border:solid #111;border-width:1px 0;padding:.6em 0}
.strong{font-weight:bold}.caution{border-left:3px solid #111;padding-left:.7em}
main>p,main>ul,main>ol,main>dl{max-width:46rem}.wide{overflow-x:auto}table{border-collapse:collapse;width:100%;font-size:.95rem}
caption{text-align:left;padding:.3em 0}
th,td{border-bottom:1px solid #999;padding:.25em .5em .25em 0;text-align:left;vertical-align:top;white-space:nowrap}
caption{white-space:normal;max-width:88vw}td.w,th.w{white-space:normal;min-width:9em}
thead th{white-space:normal;overflow-wrap:normal}td.n,th.n{text-align:right}dl{margin:0}dl div{display:flex;gap:1em;border-bottom:1px solid #999;padding:.25em 0}
dt{flex:0 0 38%}dd{margin:0;flex:1}
figure{margin:1em 0;break-inside:avoid}img{max-width:100%;height:auto}
.boxes{list-style:none;padding:0}.boxes li{border-bottom:1px solid #999;padding:.5em 0}
.boxes li::before{content:"";display:inline-block;width:.85em;height:.85em;border:1px solid #111;margin-right:.6em}
footer{border-top:1px solid #999;margin-top:2em;padding-top:.5em}
@media print{body{font-size:10.5pt}main{max-width:none;padding:0}tr,li{break-inside:avoid}}
"""


def html(document: Document, *, paper: Paper) -> bytes:
    """The document as one page of HTML, that asks nobody for anything."""
    shown = _in_scale(document)
    body = "\n".join(_element(block) for block in shown.blocks)
    page = f"@page{{size:{'A4' if paper == 'a4' else 'letter'};margin:18mm}}"
    sub = f'<p class="sub">{_safe(shown.subtitle)}</p>\n' if shown.subtitle else ""
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(language().replace("_", "-"))}">\n<head>\n'
        '<meta charset="utf-8">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(shown.title)}</title>\n<style>{_STYLE}{page}</style>\n</head>\n<body>\n<main>\n"
        f'<h1>{_safe(shown.title)}</h1>\n{sub}<p class="lead">{_safe(shown.lead)}</p>\n{body}\n'
        f"<footer>{_safe(shown.foot)}</footer>\n</main>\n</body>\n</html>\n"
    ).encode()


def _safe(said: str) -> str:
    return escape(plain(said))


def _element(block: Block) -> str:
    found: str = _WRITERS[type(block)](block)
    return found


def _paragraph(block: Paragraph) -> str:
    kind = f' class="{block.kind}"' if block.kind else ""
    return f"<p{kind}>{_safe(block.said)}</p>"


def _facts(block: Facts) -> str:
    rows = "".join(
        f"<div><dt>{_safe(name)}</dt><dd>{_safe(value)}</dd></div>" for name, value in block.pairs
    )
    return f"<dl>{rows}</dl>"


def _listed(block: Listed) -> str:
    tag = "ol" if block.ordered else "ul"
    items = "".join(f"<li>{_safe(item)}</li>" for item in block.items)
    return f"<{tag}>{items}</{tag}>"


def _table(block: Table) -> str:
    def cell(column: int, said: str, *, head: bool) -> str:
        right = ' class="n"' if column in block.right else ""
        if head:
            return f'<th scope="col"{right}>{_safe(said)}</th>'
        kind = right or (' class="w"' if column in block.wide else "")
        if column == 0 and block.first:
            return f'<th scope="row"{kind}>{_safe(said)}</th>'
        return f"<td{kind}>{_safe(said)}</td>"

    head = "".join(cell(k, name, head=True) for k, name in enumerate(block.names))
    rows = "".join(
        f"<tr>{''.join(cell(k, said, head=False) for k, said in enumerate(row))}</tr>\n"
        for row in block.rows
    )
    return (
        f'<div class="wide"><table><caption>{_safe(block.label)}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table></div>"
    )


def _figure(block: Figure) -> str:
    data = base64.b64encode(block.svg.encode()).decode()
    said = f"<p>{_safe(block.said)}</p>" if block.said else ""
    return _captioned(f"data:image/svg+xml;base64,{data}", block.alt, block.caption) + said


def _picture(block: Picture) -> str:
    data = base64.b64encode(block.jpeg).decode()
    return _captioned(f"data:image/jpeg;base64,{data}", block.alt, block.caption)


def _captioned(source: str, alt: str, caption: str) -> str:
    return f'<figure><img src="{source}" alt="{_safe(alt)}"><figcaption>{_safe(caption)}</figcaption></figure>'


def _boxes(block: Boxes) -> str:
    items = "".join(f"<li>{_safe(item)}</li>" for item in block.items)
    return f'<ul class="boxes">{items}</ul>'


_WRITERS: dict[type, Callable[[Any], str]] = {
    Heading: lambda block: f"<h2>{_safe(block.said)}</h2>",
    Paragraph: _paragraph, Facts: _facts, Listed: _listed, Table: _table, Figure: _figure,
    Picture: _picture, Boxes: _boxes,
}  # fmt: skip


# --- °F -------------------------------------------------------------------------------------------


def _in_scale(document: Document) -> Document:
    """The document with the temperatures of its sentences as its reader likes them."""
    if not document.fahrenheit:
        return document

    def turned(value: Any) -> Any:  # noqa: ANN401  what a block holds
        if isinstance(value, str):
            return text.in_fahrenheit(value)
        return tuple(map(turned, value)) if isinstance(value, tuple) else value

    blocks = []
    for block in document.blocks:
        changed = {
            name: turned(getattr(block, name))
            for name in block.__slots__
            if name not in {"svg", "jpeg", "kind"}
        }
        blocks.append(replace(block, **changed))
    return replace(
        document,
        lead=turned(document.lead),
        subtitle=turned(document.subtitle),
        blocks=tuple(blocks),
    )
