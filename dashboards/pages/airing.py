"""Airing: what opening a unit does now, and when it is worth it."""

from typing import Any

from dash import html

from dashboards.words import Wish
from monitor import text
from monitor.catalogue import say
from monitor.explain import Airing


def blocks(airing: Airing | None, asked: Wish, *, next_hour: int) -> list[Any]:
    """What opening does, hours worth it, cautions.

    Parameters
    ----------
    airing : Airing or None
        None: the last hour inside or outside is not known.
    asked : Wish
    next_hour : int
        Hour of the day, at the unit, from which hours are counted.
    """
    head = html.H2("Open it up?", className="chart-title")
    if airing is None:
        return [head, html.P(text.NO_AIRING, className="sentence")]
    # nobody told whether somebody is in it: then the sentences for an occupied unit hold
    said = text.airing_text(
        airing.advice,
        occupied=True,
        inside_dew_c=airing.inside_dew_c,
        outside_dew_c=airing.outside_dew_c,
        surface_c=airing.surface_c,
        rate_g_h=airing.rate_g_h,
    )
    hours = text.opening_hours_text(
        airing.windows,
        first_hour=next_hour,
        least_g=airing.least_g,
        most_g=airing.most_g,
        unknown_hours=airing.unknown_hours,
        occupied=False,
        twelve_hour=asked.twelve_hour,
    )
    return [
        head,
        html.P(said, className="sentence"),
        html.P(
            f"{hours} {say(text.FORECAST if airing.from_forecast else text.PATTERN)}",
            className="sentence",
        ),
        html.Details(
            [
                html.Summary("Before you open or close anything"),
                html.P(text.buffer_text(air_g=airing.air_g, furnishings_g=airing.furnishings_g)),
                html.Ul([html.Li(caution) for caution in text.AIRING_CAUTIONS]),
                html.P(text.airing_basis(volume_m3=airing.volume_m3, factor=airing.factor)),
            ]
        ),
    ]
