"""Sentences in the language of who reads them: English stands in the code, every other one is a file.

A language is a gettext file, `languages/<code>.po`; its keys are the English sentences, as
`python -m deploy.languages` gathers them. An entry that does not have the placeholders of its English
sentence is left out when the file is read (`faults` names it), so that no translation can fail on a
page: its sentence stays English.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from gettext import c2py
from pathlib import Path
from string import Formatter
from typing import Any

from monitor.errors import InputError

FOLDER = Path(__file__).parent / "languages"
ENGLISH = "en"
_CODE = re.compile(r"[a-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Catalogue:
    """A language: sentences by their English ones, with as many forms as it has for a number."""

    code: str
    messages: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    form: Callable[[int], int] = lambda number: int(number != 1)
    weekdays: Sequence[str] = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    months: Sequence[str] = ("Jan", "Feb", "Mar", "Apr", "May", "Jun",
                             "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")  # fmt: skip


_english = Catalogue(ENGLISH)
_reader: ContextVar[Catalogue] = ContextVar("reader", default=_english)


def language() -> str:
    """Code of the language that is read here."""
    return _reader.get().code


@contextmanager
def read_in(chosen: str | Catalogue) -> Iterator[None]:
    """Say everything inside in a language; one without a file is English."""
    before = _reader.set(load(chosen) if isinstance(chosen, str) else chosen)
    try:
        yield
    finally:
        _reader.reset(before)


def say(sentence: str, /, **values: object) -> str:
    """A sentence in the language of the reader, with its figures: `say("{count} of {total}", ...)`.

    Without `values` nothing in it is a placeholder.
    """
    said = _reader.get().messages.get(sentence)
    words = said[0] if said else sentence
    return words.format(**values) if values else words


def say_number(number: float, one: str, many: str, /, **values: object) -> str:
    """A sentence with a number, in the form that the number asks for; it stands there as `{n}`.

    A number that is no integer takes the form of many.
    """
    reader = _reader.get()
    said = reader.messages.get(one, (one, many))
    form = reader.form(int(number)) if number == int(number) else len(said) - 1
    return said[min(form, len(said) - 1)].format(n=number, **values)


def shown(text: str) -> str:
    """A whole text of a page, if it is a sentence or label of the catalogue; else as it is.

    A word of small letters may be the code of a zone or unit and stays: where it is a label, the page
    says it.
    """
    bare = text.strip()
    said = _reader.get().messages.get(bare)
    if not said or _CODE.fullmatch(bare):
        return text
    return text.replace(bare, said[0])


def weekday(at: datetime) -> str:
    """Short name of the day of the week: "Tue"."""
    return _reader.get().weekdays[at.weekday()]


def month(at: datetime) -> str:
    """Short name of the month: "Nov"."""
    return _reader.get().months[at.month - 1]


# --- files ----------------------------------------------------------------------------------------


def codes() -> list[str]:
    """Languages that can be chosen, English first."""
    return [ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.po"))]


def offered() -> dict[str, str]:
    """Their names in themselves, by code."""
    return {code: "English" if code == ENGLISH else _own_name(code) for code in codes()}


def check(code: str) -> str:
    """The code itself; InputError if the language has no file."""
    if code not in codes():
        raise InputError(f'there is no language "{code}"; use one of: {", ".join(codes())}')
    return code


def best(tags: Iterable[str]) -> str:
    """The first that can be chosen of languages as browsers name them: "pl-PL" is "pl"."""
    known = codes()
    wanted = (code for tag in tags for code in (tag.replace("-", "_"), tag.split("-")[0]))
    return next((code for code in wanted if code in known), ENGLISH)


def load(code: str) -> Catalogue:
    """Language of a code; English where it has no file."""
    path = FOLDER / f"{code}.po"
    return _load(path) if _CODE.fullmatch(code.lower()) and path.is_file() else _english


@cache
def _load(path: Path) -> Catalogue:
    from babel import Locale

    form, entries = _entries(path)
    locale = Locale.parse(path.stem)
    days, months = (names["format"]["abbreviated"] for names in (locale.days, locale.months))
    return Catalogue(
        code=path.stem,
        messages={english[0]: said for english, said in entries if not _fault(english, said)},
        form=form,
        weekdays=[days[number] for number in range(7)],
        months=[months[number] for number in range(1, 13)],
    )


def faults(path: Path) -> list[str]:
    """Entries of a language's file that are left out, each with what is wrong with it."""
    _, entries = _entries(path)
    found = ((english[0], _fault(english, said)) for english, said in entries)
    return [f"{sentence!r}: {wrong}" for sentence, wrong in found if wrong]


def _entries(
    path: Path,
) -> tuple[Callable[[int], int], list[tuple[tuple[str, ...], tuple[str, ...]]]]:
    """Rule of the forms, and (English, translated) of what is translated and not doubtful."""
    from babel.messages.pofile import read_po

    with path.open("rb") as file:
        read = read_po(file, locale=path.stem)
    pairs = [(_forms(message.id), _forms(message.string)) for message in read
             if message.id and not message.fuzzy]  # fmt: skip
    return c2py(read.plural_expr), [(english, said) for english, said in pairs if all(said)]


def _forms(said: Any) -> tuple[str, ...]:  # noqa: ANN401  a string or several
    return (said,) if isinstance(said, str) else tuple(said)


def _fault(english: tuple[str, ...], said: tuple[str, ...]) -> str:
    """What is wrong with a translation; "" if nothing is."""
    wanted = set().union(*map(_placeholders, english))
    number = {("n", "")} if len(english) > 1 else set()
    for form in said:
        try:
            found = _placeholders(form)
        except ValueError as error:
            return str(error)
        if missing := wanted - found - {each for each in wanted if each[0] == "n" and number}:
            return f"{_named(missing)} missing"
        if unknown := found - wanted:
            return f"{_named(unknown)} unknown"
        if _edges(form) != _edges(english[0]):
            return "spaces at its ends differ"
    return ""


def _edges(sentence: str) -> tuple[bool, bool]:
    return sentence[:1].isspace(), sentence[-1:].isspace()


def _placeholders(sentence: str) -> set[tuple[str, str]]:
    """(name, format) of each figure in a sentence; ValueError if its braces do not fit."""
    return {
        (f"{name}!{conversion}" if conversion else name, form or "")
        for _, name, form, conversion in Formatter().parse(sentence)
        if name is not None
    }


def _named(placeholders: set[tuple[str, str]]) -> str:
    return ", ".join(
        sorted(f"{{{name}:{form}}}" if form else f"{{{name}}}" for name, form in placeholders)
    )


def _own_name(code: str) -> str:
    from babel import Locale

    name = Locale.parse(code).get_display_name() or code
    return name[:1].upper() + name[1:]
