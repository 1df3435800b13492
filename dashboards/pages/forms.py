"""Parts of forms: plain ones, that work without a script."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.paint import marked
from monitor.store import passwords
from monitor.store.users import LONGEST_D, NAME_MOST

HINT = "password-hint"  # what is said of passwords, on the page of the form


def hidden(name: str, value: str) -> Component:
    """What a form sends along."""
    return dcc.Input(type="hidden", name=name, value=value)


def field(  # noqa: PLR0913  each is said where it is used
    label: str,
    name: str,
    *,
    kind: str = "text",
    auto: str = "off",
    value: str = "",
    optional: bool = False,
    of: str = "",
    span: tuple[float, float] = (1, LONGEST_D),
    step: str = "1",
) -> Component:
    """A labelled entry; `auto` is what a browser may fill in, `of` tells it from others of its name."""
    longest = passwords.MOST if kind == "password" else NAME_MOST * (1 if auto != "off" else 5)
    given: dict[str, Any] = {"type": kind, "name": name, "id": f"{name}{of}", "autoComplete": auto}
    if kind == "number":
        given |= {"min": span[0], "max": span[1], "step": step}
    else:
        given |= {"maxLength": longest, "spellCheck": "false"}
    entry = dcc.Input(**given, value=value or None, required=not optional)
    if auto == "new-password":
        setattr(entry, "aria-describedby", HINT)  # an Input takes no such name when it is made
    return html.Div([html.Label(label, htmlFor=f"{name}{of}"), entry])


def choice(
    label: str,
    name: str,
    options: Sequence[tuple[str, str]],
    *,
    chosen: str = "",
    of: str = "",
) -> Component:
    """A labelled choice of (value, what it is called)."""
    picked = [
        html.Option(said, value=value, selected="selected" if value == chosen else None)
        for value, said in options
    ]
    chosen_one = html.Select(picked, id=f"{name}{of}", name=name)
    return html.Div([html.Label(label, htmlFor=f"{name}{of}"), chosen_one])


def button(action: str, said: str, token: str, *, label: str, **sent: str) -> Component:
    """A form that is one button."""
    fields = [hidden(name, value) for name, value in sent.items()]
    button = html.Button(said, type="submit", className="plain", **marked(aria_label=label))
    return html.Form([hidden("token", token), *fields, button], action=action, method="post")
