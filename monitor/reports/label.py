"""A label to print for a node that is entered: what it is, where it goes, and its claim as a QR code.

62 mm wide, as long as it has to be: for a label printer, or cut out of any sheet. It holds the claim, which
is good once and ends within a day, and never the password that comes of it.
"""

import io
import json
from dataclasses import dataclass
from importlib.resources import files
from typing import Literal, get_args

from monitor.catalogue import language, say
from monitor.reports.document import on_paper, typeset
from monitor.text import nodes as words

Form = Literal["pdf", "svg", "png"]
FORMS: tuple[Form, ...] = get_args(Form)
PLACES = 4  # zones that are named
PPI = 300.0  # of label printers


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says; `places` are (unit or "", zone, probe), `until` a time on the site's clock."""

    site: str
    node: str
    places: tuple[tuple[str, str, str], ...]
    url: str
    until: str
    made_s: int


def drawn(label: Label, form: Form) -> bytes:
    """The label as a file of one page."""
    import segno

    code = io.BytesIO()
    segno.make(label.url, micro=False, error="m").save(code, kind="svg", border=2, scale=4)
    places = [words.label_place(*place) for place in label.places[:PLACES]]
    if len(label.places) > PLACES:
        places.append("…")
    data = {
        "title": say("Claim of node {node}", node=label.node),
        "node": label.node,
        "site": say("site {site}", site=label.site),
        "places": places,
        "alt": say("The claim as a QR code: {url}", url=label.url),
        "until": say("Good once, until {until}.", until=label.until),
        "todo": say(words.LABEL_TO_DO),
        "lang": language().split("_")[0],
    }
    data = {name: on_paper(said) for name, said in data.items()}
    data["url"] = label.url  # as it is, to be copied
    sources = {
        "main.typ": (files("monitor.reports") / "label.typ").read_bytes(),
        "label.json": json.dumps(data).encode(),
        "claim.svg": code.getvalue(),
    }
    asked = {"pdf_standards": ["ua-1"]} if form == "pdf" else {"ppi": PPI}
    made: bytes = typeset("compile", sources, format=form, timestamp=label.made_s, **asked)
    return made
