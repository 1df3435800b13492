"""A node's claim in a browser: a button, then once what the node is to be told."""

from dash import html

from dashboards.pages import forms
from dashboards.pages.access import document
from monitor.catalogue import say
from monitor.text import nodes as text


def ask(node: str, *, until: str, token: str, path: str) -> str:
    """A button, for a claim that acts by itself is used up by a preview."""
    return document(
        "Claim of a node",
        html.H1(say("Claim of node {node}", node=node)),
        html.P(say(text.CLAIM_MEANS)),
        html.P(say("It can be exchanged until {until} UTC.", until=until)),
        html.Form(
            [forms.hidden("token", token), html.Button("Exchange it now", type="submit")],
            action=path,
            method="post",
            className="stack",
        ),
    )


def given(node: str, told: str) -> str:
    """What the node is to be told, as one text to copy."""
    return document(
        "Claim of a node",
        html.H1(say("For node {node}", node=node)),
        html.P(say(text.CLAIM_KEEP)),
        html.Pre(told, className="secret"),
    )
