"""Gather what people read: `python -m deploy.languages` writes `monitor/languages/sillkeep.pot` anew.

`python -m deploy.languages nl` writes `nl.po` beside it too: begun, or with what has changed in English
since marked `fuzzy`, which stays English until somebody looked.

Messages are the sentences of `say` and `say_number`, what `words.count` counts, the words of
`monitor.lot`, and every text of the modules in `READ` that a page may show as it is.
"""

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import Literal, get_args, get_origin

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from monitor.catalogue import FOLDER

HERE = Path(__file__).parent.parent
TEMPLATE = FOLDER / "sillkeep.pot"
READ = ("monitor/text", "monitor/evidence/entries.py", "monitor/evidence/verdict.py",
        "monitor/drawing.py", "monitor/living.py", "monitor/outline", "monitor/explain.py", "monitor/physics/layers.py",
        "dashboards")  # fmt: skip
# arguments that are no texts: names of the page's own parts, addresses, kinds of fields
UNREAD = {"className", "id", "href", "action", "method", "type", "role", "htmlFor", "src", "auto",
          "kind", "size", "key", "scope", "rel", "content", "of", "httpEquiv"}  # fmt: skip
FROM = {"say", "say_number", "count", "get", "getattr", "setattr", "compile", "sub", "fullmatch", "findall", "split", "strftime",
        "startswith", "endswith", "removeprefix", "removesuffix", "post", "warning", "error",
        "info", "note", "getLogger", "add_argument", "ArgumentParser", "Meta"}  # fmt: skip  # functions whose arguments nobody reads
_WORDS = re.compile(r"[A-Za-z]{2,}")
_UNWORDED = re.compile(  # addresses, code, style sheets, headers, formats of the log
    r"^[/.#<\[\"]|^[a-z0-9_-]*$|^[A-Z_]*$|^[a-z]+[A-Z]\w*$|^([A-Z][a-z]+){2,}$|^[A-Z]\w*(-[A-Z]\w*)+$"
    r"|^(var|data|is|rgba?)[(:-]|^(\w+/\w+|[a-z]+\.[a-z_]+|[a-z-]+=\S*)$|^(sillkeep|python) |'(self|none)'"
    r"|[{};]\s*\n|://|[.*]\*|\\|%-?[a-zA-Z]|%\(|prefers-|[@…]"
)

Message = str | tuple[str, str]


def gathered() -> dict[Message, set[str]]:
    """Every message, with the files that it stands in."""
    found: dict[Message, set[str]] = {}
    for top in ("monitor", "dashboards"):
        for path in sorted((HERE / top).rglob("*.py")):
            name = path.relative_to(HERE).as_posix()
            tree = ast.parse(path.read_text(encoding="utf-8"))
            messages = list(_said(tree))
            if name.startswith(READ):
                messages += [*_shown(tree), *_constants(name)]
            for message in messages:
                found.setdefault(message, set()).add(name)
    for message in _kinds():
        found.setdefault(message, set()).add("monitor/lot.py")
    for forms in [message for message in found if isinstance(message, tuple)]:
        if forms[0] in found:  # one entry has both uses
            found[forms] |= found.pop(forms[0])
    return found


def _said(tree: ast.AST) -> Iterator[Message]:
    """Sentences of the functions of the catalogue."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        given = [_text(argument) for argument in node.args]
        match _name(node.func):
            case "say":
                yield from filter(None, given)
                yield from _choices(node.args[0])
            case "say_number" if given[1] and given[2]:
                yield given[1], given[2]
            case "count" if len(given) > 1 and given[1]:
                many = given[2] if len(given) > 2 and given[2] else f"{given[1]}s"
                yield f"{{n:,}} {given[1]}", f"{{n:,}} {many}"
            case "Item" if given and given[0]:  # of a list, by its short name
                yield given[0]
            case "_known" | "_word" if given[-1]:
                yield given[-1]


def _choices(node: ast.expr) -> Iterator[str]:
    """Both sentences of `say(one if … else other)`, and what a table gives where it has none."""
    if isinstance(node, ast.IfExp):
        yield from filter(None, (_text(node.body), _text(node.orelse)))
    if isinstance(node, ast.Call) and len(node.args) == 2:
        yield from filter(None, [_text(node.args[1])])


def _shown(tree: ast.AST) -> Iterator[str]:
    """Texts that are written out, but for those that only the program reads."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str) and _is_read(node.value):
                yield node.value.strip()
        elif not _is_unread(node):
            yield from _shown(node)


def _is_unread(node: ast.AST) -> bool:
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)  # a docstring
    if isinstance(node, ast.Call):
        return _name(node.func) in FROM
    if isinstance(node, ast.keyword):
        return node.arg in UNREAD or (node.arg or "").startswith("data_")
    return isinstance(
        node, ast.Compare | ast.JoinedStr | ast.Raise | ast.arg | ast.AnnAssign
    ) and not (isinstance(node, ast.AnnAssign) and node.value)


def _constants(name: str) -> Iterator[str]:
    """Texts of a module's own tables, as they are once it is imported."""
    module = import_module(name.removesuffix(".py").replace("/", "."))
    for named, value in vars(module).items():
        if named == "LABELS":
            yield from value
        elif named.isupper():
            yield from _texts(value)


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        if _is_read(value):
            yield value.strip()
    elif isinstance(value, dict):
        for inside in value.values():
            yield from _texts(inside)
    elif is_dataclass(value) and not isinstance(value, type):
        yield from _texts([getattr(value, each.name) for each in fields(value)])
    elif isinstance(value, tuple | list | frozenset | set):
        for inside in sorted(value, key=str) if isinstance(value, frozenset | set) else value:
            yield from _texts(inside)


def _kinds() -> Iterator[str]:
    """Words that the record knows: kinds, classes, states."""
    lot, file = import_module("monitor.lot"), import_module("monitor.lotfile")
    yield from lot.ROLES
    for value in (*vars(lot).values(), file.Life):
        if get_origin(value) is Literal:
            yield from filter(None, get_args(value))


def _is_read(text: str) -> bool:
    return bool(_WORDS.search(text)) and not _UNWORDED.search(text.strip())


def _name(function: ast.expr) -> str:
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _text(node: ast.expr) -> str:
    if (
        isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.search("[A-Za-z]", node.value)
    ):
        return node.value
    return ""


def template() -> Catalog:
    """All messages as a template; it has no date, so that it changes only where a message does."""
    made = Catalog(
        project="Sillkeep", charset="utf-8", creation_date=datetime(2026, 1, 1, tzinfo=UTC)
    )
    for message, files in sorted(
        gathered().items(), key=lambda each: (sorted(each[1]), str(each[0]))
    ):
        made.add(message, locations=[(name, 0) for name in sorted(files)])
    return made


def written(catalog: Catalog) -> bytes:
    """A catalogue as a file."""
    file = BytesIO()
    write_po(file, catalog, width=100, include_lineno=False)
    return file.getvalue()


def main(codes: list[str]) -> None:
    """Write the template, and the file of each language named."""
    made = template()
    TEMPLATE.write_bytes(written(made))
    for code in codes:
        path = FOLDER / f"{code}.po"
        language = Catalog(locale=code, project="Sillkeep")
        if path.exists():
            with path.open("rb") as file:
                language = read_po(file, locale=code)
        language.update(made)
        path.write_bytes(written(language))


if __name__ == "__main__":
    main(sys.argv[1:])
