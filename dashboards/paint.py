"""Dash components -> HTML, for the parts of a page that only stand there.

The renderer in the browser keeps books on every component, and the time it takes grows with the
square of their number: 160 list entries of ten components took ten seconds here, 500 never came.
So views are written with Dash's components, charts stay such, and everything else is sent as one
string of HTML that `assets/board.js` puts in place.
"""

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component
from markupsafe import Markup, escape

from monitor import catalogue

_BOOKS = {
    "_prop_names",
    "_valid_wildcard_attributes",
    "available_properties",
    "available_wildcard_properties",
    "_namespace",
    "_type",
}  # what a component keeps of itself
_READ = {"aria-label", "title", "alt", "placeholder"}  # attributes that a person reads or hears
_VOID = {"img", "input", "br", "hr"}
_RENAMED = {"className": "class", "htmlFor": "for", "colSpan": "colspan", "autoComplete": "autocomplete",
            "maxLength": "maxlength", "tabIndex": "tabindex", "dateTime": "datetime"}  # fmt: skip


def marked(**names: str) -> dict[str, Any]:
    """Attributes with a hyphen: `aria_label="Pages"` becomes `{"aria-label": "Pages"}`."""
    return {name.replace("_", "-"): value for name, value in names.items()}


def to_html(part: Any) -> str:  # noqa: ANN401  whatever Dash takes as children
    """HTML of a component and everything in it; text is escaped, a `Markup` is taken as it is.

    A drawing is such a `Markup`: Dash has no components for SVG. Who makes one escapes what is in it.

    Raises
    ------
    TypeError
        If a part is not a component of `dash.html`, a `dcc.Input`, text or a sequence of these.
    """
    if part is None:
        return ""
    if isinstance(part, Markup):
        return part
    if isinstance(part, str | int | float):
        return str(escape(catalogue.shown(str(part))))
    if isinstance(part, list | tuple):
        return "".join(to_html(child) for child in part)
    if not isinstance(part, Component) or not _is_plain(part):
        raise TypeError(f"{type(part).__name__} cannot stand still: give it to the page by itself")
    tag = part._type.lower()
    properties = {name: value for name, value in vars(part).items() if name not in _BOOKS}
    children = properties.pop("children", None)
    opening = f"<{tag}{''.join(_attribute(name, value) for name, value in properties.items())}>"
    return opening if tag in _VOID else f"{opening}{to_html(children)}</{tag}>"


def still(*parts: object, name: str, read: Callable[[str], str] = lambda html: html) -> Component:
    """One component that shows `parts` as they are; `name` keeps it apart from its neighbours."""
    return html.Div(className="still", **marked(data_name=name, data_still=read(to_html(parts))))


def stills(page: Sequence[Component]) -> dict[str, str]:
    """HTML of a page's still parts, by name."""
    parts = [part for top in page for part in (top, *_parts(top))]
    return {
        getattr(part, "data-name"): getattr(part, "data-still")
        for part in parts
        if hasattr(part, "data-still")
    }


def chart_mark(page: Sequence[Component]) -> str:
    """What changes with the data of a page's charts: length and last time of every line."""
    graphs = [part for top in page for part in _parts(top) if isinstance(part, dcc.Graph)]
    xs = [
        trace["x"]
        for graph in graphs
        for trace in getattr(graph, "figure").data  # noqa: B009  Dash sets it unannounced
        if len(trace["x"])
    ]
    return " ".join(f"{len(x)}@{x[-1]}" for x in xs)


def settle(
    blocks: Sequence[object], read: Callable[[str], str] = lambda html: html
) -> list[Component]:
    """Paint each run of blocks without a chart as one; charts stay live.

    `read` makes of the HTML what its reader wants to see.
    """
    settled: list[Component] = []
    for live, run in groupby(blocks, key=_is_live):
        if live:
            settled += [block for block in run if isinstance(block, Component)]
        else:
            settled.append(still(*run, name=f"still-{len(settled)}", read=read))
    return settled


def _is_plain(part: Component) -> bool:
    return part._namespace == "dash_html_components" or isinstance(part, dcc.Input)


def _is_live(block: object) -> bool:
    """Whether a block is a chart, or a frame around one."""
    return isinstance(block, dcc.Graph) or isinstance(getattr(block, "children", None), dcc.Graph)


def _parts(component: Component) -> list[Component]:
    """Every component inside one."""
    inside = component._traverse()  # type: ignore[no-untyped-call]
    return [part for part in inside if isinstance(part, Component)]


def _attribute(name: str, value: object) -> str:
    if value is None or value is False or name == "key":
        return ""
    name = _RENAMED.get(name, name)
    if name in _READ:
        value = catalogue.shown(str(value))
    return f" {name}" if value is True else f' {name}="{escape(value)}"'
