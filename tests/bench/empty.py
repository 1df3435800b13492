"""A Dash page without content, served as the board is: the yardstick of pages and of memory.

    python -m tests.bench.empty PORT THREADS

It imports nothing of ours, so that its memory is that of Dash.
"""

import sys

import waitress
from dash import Dash, Input, Output, dcc, html

OUTPUTS = (("page", "children"), ("fresh", "data-stills"), ("fresh", "data-charts"))


def main(port: int, threads: int) -> None:
    app = Dash("empty", serve_locally=True)
    app.layout = html.Div([dcc.Location(id="address"), html.Div(id="page"), html.Div(id="fresh")])
    app.callback(
        *(Output(*one) for one in OUTPUTS), Input("address", "pathname"), Input("address", "search")
    )(lambda _path, _search: (html.H1("Empty"), "", ""))
    waitress.serve(app.server, host="127.0.0.1", port=port, threads=threads)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
