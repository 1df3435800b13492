"""A language made on the fly, to see which words of a page do not come from the catalogue.

Every letter of a message becomes its wide form (U+FF21 and on), its placeholders and units stay: a
plain letter on a page was written past the catalogue, or is data.
"""

import re
from string import Formatter

from deploy.languages import gathered
from monitor.catalogue import Catalogue

_UNIT = re.compile(r"°[CF]|\b[CFK]\b(?=$|[ .,;:)])")  # what other parts of a sentence are found by


def wide(words: str) -> str:
    """Words in wide letters, but for the signs of the scales."""
    parts = re.split(f"({_UNIT.pattern})", words)
    return "".join(part if k % 2 else _wide(part) for k, part in enumerate(parts))


def _wide(words: str) -> str:
    return "".join(chr(ord(c) + 0xFEE0) if c.isascii() and c.isalpha() else c for c in words)


def translated(message: str) -> str:
    """A message with its placeholders kept."""
    try:
        parsed = list(Formatter().parse(message))
    except ValueError:
        return wide(message)  # never formatted
    said = ""
    for literal, name, form, conversion in parsed:
        said += wide(literal).replace("{", "{{").replace("}", "}}")
        if name is not None:
            said += (
                f"{{{name}{f'!{conversion}' if conversion else ''}{f':{form}' if form else ''}}}"
            )
    return said


def pseudo() -> Catalogue:
    """The language, from all that the code says today."""
    messages = {}
    for message in gathered():
        forms = (message,) if isinstance(message, str) else message
        messages[forms[0]] = tuple(map(translated, forms))
    english = Catalogue("en")
    return Catalogue(
        code="qps",
        messages=messages,
        weekdays=[*map(wide, english.weekdays)],
        months=[*map(wide, english.months)],
    )
