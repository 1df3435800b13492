"""Where the water in a damp zone comes from: cues vote, the page prints them, conflict says so.

Each cue looks at one thing and votes for or against causes; one that sees nothing clear does not
vote. The cause with most votes is named if it leads by enough, else `cannot tell`. Causes:

    rain ingress        water follows rain
    plumbing            water inside the wall that does not, while pipes are in use
    condensation        the room's vapour reaches a cold skin; or a whole unit is damp alike
    built-in moisture   wet when watching began, and drying since
"""

from collections.abc import Mapping
from typing import Literal, get_args

Found = Literal["rain ingress", "plumbing", "condensation", "built-in moisture"]
CAUSES: tuple[Found, ...] = get_args(Found)
LEAD = 0.8  # votes by which the first must lead the second

Votes = tuple[float, float, float, float]  # for each of `CAUSES`, against it where negative

# Fitted (a multinomial regression on what the cues saw) on 435 damp or suspected zones of simulated
# lots, seeds 2101 to 2104 of `demo.fleet`; five-fold: 17 % cannot tell, of the others 95 % right.
_VOTES: dict[str, dict[str, Votes]] = {
    "rain": {
        "follows rain": (1.3, -0.7, 0.0, -0.5),
        "may follow rain": (0.4, -0.1, -0.3, 0.0),
        "does not follow rain": (-1.1, 0.4, 0.4, 0.4),
    },
    "vapour source": {
        "gives off vapour": (-0.6, 0.4, -0.5, 0.8),
        "takes up vapour": (0.2, -0.1, 0.8, -0.9),
    },
    "like zones": {
        "wetter than its like": (0.8, 0.2, -0.4, -0.6),
        "damp like its like": (-0.1, -0.5, 0.4, 0.3),
    },
    "dew": {
        "cabin air condenses there": (-0.4, -0.7, 1.0, 0.1),
        "cabin air never condenses there": (0.8, 1.0, -2.2, 0.5),
    },
    "first level": {
        "wetter when watching began": (0.1, -0.7, -0.5, 1.2),
        "dry when watching began": (0.0, 1.0, 0.0, -1.1),
    },
    "use": {
        "nobody there, no water in pipes": (0.6, -0.5, -0.2, 0.1),
        "people or water in pipes": (-0.4, 0.6, 0.2, -0.4),
    },
}
_BEFORE: Votes = (0.2, -1.2, 0.7, 0.2)  # before any cue: how common each is in those zones


def seen(figures: Mapping[str, float]) -> dict[str, str]:
    """What each cue sees, in the order in which a person reads them; a cue that sees nothing is left out.

    Parameters
    ----------
    figures : mapping
        The features of `monitor.evidence.leak` by name, and its `witnesses`; nan where not known.
    """
    found = {
        "rain": _rain(figures),
        "vapour source": _first_of(
            ("gives off vapour", figures["source_20"] >= 1.5),
            ("takes up vapour", figures["source_20"] <= -2.0),
        ),
        "like zones": _first_of(
            ("wetter than its like", figures["like_rise"] >= 1.5),
            ("damp like its like", abs(figures["like_level"]) < 1.0 and figures["like_rise"] < 1.0),
        ),
        "dew": _first_of(
            ("cabin air condenses there", figures["dew"] >= 0.10),
            ("cabin air never condenses there", figures["dew"] < 0.01),
        ),
        "first level": _first_level(figures),
        "use": _first_of(
            ("nobody there, no water in pipes", figures["in_use"] < 0.02),
            ("people or water in pipes", figures["in_use"] >= 0.02),
        ),
    }
    return {cue: what for cue, what in found.items() if what}


def cause(cues: Mapping[str, str]) -> Found | Literal["cannot tell"]:
    """The cause that the cues agree on, or `cannot tell`."""
    ballots = [_BEFORE, *(_VOTES[cue][what] for cue, what in cues.items())]
    sums = [sum(votes) for votes in zip(*ballots, strict=True)]
    first, second = sorted(sums, reverse=True)[:2]
    return CAUSES[sums.index(first)] if first - second >= LEAD else "cannot tell"


def _first_of(*choices: tuple[str, bool]) -> str:
    return next((what for what, holds in choices if holds), "")


def _rain(figures: Mapping[str, float]) -> str:
    follows = max(figures["rain_60"], figures["own_rain"])
    return _first_of(
        ("follows rain", follows >= 3.0),
        ("may follow rain", follows >= 1.5),
        ("does not follow rain", follows < 1.0 and figures["wettings"] >= 3.0),
    )


def _first_level(figures: Mapping[str, float]) -> str:
    """Against its like zones or the weather, when watching began and now."""
    first = max(figures["like_first"], figures["weather_first"])
    now = figures["like_level"] if figures["like_first"] >= 2.0 else figures["weather_level"]
    return _first_of(
        ("wetter when watching began", first >= 2.0 and now < first),
        ("dry when watching began", first < 1.0),
    )
