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
LEAD = 1.0  # votes by which the first must lead the second

Votes = tuple[float, float, float, float]  # for each of `CAUSES`, against it where negative

# Printed by `python -m tests.fit.verdict 8 2101`: a multinomial regression on what the cues saw in
# damp or suspected zones of simulated lots, seeds 2101 to 2108 of `demo.fleet`. On 2,149 such zones of
# seeds 2109 to 2116: 15 % cannot tell, of the others 95 % right; most are condensation. Of 221 rain
# leaks a third is called that, a fifth condensation (most of those before the score suspects them).
VOTES: dict[str, dict[str, Votes]] = {
    "balance": {
        "its air explains it": (-0.4, -0.6, 0.4, 0.7),
        "takes in far more than its air explains": (0.3, 0.5, -0.6, -0.2),
        "takes in more than its air explains": (0.3, 0.2, -0.2, -0.3),
    },
    "dew": {
        "cabin air condenses there": (0.0, -0.5, 0.2, 0.4),
        "cabin air never condenses there": (0.2, 0.4, -0.2, -0.5),
    },
    "first level": {
        "like its like when watching began": (0.2, 1.1, 0.4, -1.7),
        "wetter than its like when watching began": (-0.5, -0.5, -0.7, 1.8),
    },
    "like zones": {
        "damp like its like": (-0.4, -0.7, 0.4, 0.7),
        "rose above its like": (0.3, 0.3, -0.1, -0.5),
    },
    "own past": {
        "as it was in such weather": (-0.5, -0.4, 0.0, 0.8),
        "wetter than it was in such weather": (0.4, 0.5, -0.3, -0.6),
    },
    "rain": {
        "does not follow rain": (-0.4, 0.1, 0.4, -0.1),
        "follows rain": (1.0, -0.2, -0.5, -0.4),
        "may follow rain": (0.2, 0.1, 0.0, -0.3),
        "plainly follows rain": (1.5, -0.9, -0.5, 0.0),
    },
    "use": {
        "empty and no water in its pipes": (0.4, -0.9, 0.5, 0.0),
        "people there or water in its pipes": (-0.1, 0.5, 0.1, -0.5),
    },
    "vapour source": {
        "gives off vapour": (0.1, 0.5, -1.1, 0.6),
        "takes up vapour": (0.0, -0.1, 0.8, -0.6),
    },
}
BEFORE: Votes = (0.6, -0.6, 0.9, -0.8)  # before any cue: how common each is in those zones


def seen(figures: Mapping[str, float]) -> dict[str, str]:
    """What each cue sees, in the order in which a person reads them; a cue that sees nothing is left out.

    Parameters
    ----------
    figures : mapping
        The features of `monitor.evidence.leak` by name, and its `witnesses`; nan where not known.
    """
    found = {
        "rain": _rain(figures),
        "balance": _first_of(
            ("takes in far more than its air explains", figures["balance"] >= 20.0),
            ("takes in more than its air explains", figures["balance"] >= 8.0),
            ("its air explains it", figures["balance"] < 3.0),
        ),
        "vapour source": _first_of(
            ("gives off vapour", figures["source_20"] >= 1.5),
            ("takes up vapour", figures["source_20"] <= -2.0),
        ),
        "like zones": _first_of(
            ("rose above its like", figures["like_excess"] >= 1.0),
            ("damp like its like", figures["like_excess"] < 0.5),
        ),
        "own past": _first_of(
            ("wetter than it was in such weather", figures["weather_excess"] >= 1.5),
            ("as it was in such weather", figures["weather_excess"] < 0.8),
        ),
        "dew": _first_of(
            ("cabin air condenses there", figures["dew"] >= 0.10),
            ("cabin air never condenses there", figures["dew"] < 0.01),
        ),
        "first level": _first_of(
            (
                "wetter than its like when watching began",
                figures["like_level"] < figures["like_first"] >= 1.2,
            ),
            ("like its like when watching began", figures["like_first"] < 0.8),
        ),
        "use": _first_of(
            ("empty and no water in its pipes", figures["in_use"] < 0.02),
            ("people there or water in its pipes", figures["in_use"] >= 0.3),
        ),
    }
    return {cue: what for cue, what in found.items() if what}


def cause(cues: Mapping[str, str]) -> Found | Literal["cannot tell"]:
    """The cause that the cues agree on, or `cannot tell`."""
    ballots = [BEFORE, *(VOTES[cue][what] for cue, what in cues.items())]
    sums = [sum(votes) for votes in zip(*ballots, strict=True)]
    first, second = sorted(sums, reverse=True)[:2]
    return CAUSES[sums.index(first)] if first - second >= LEAD else "cannot tell"


# the number behind what a cue saw; moisture in points of the wood's own dry mass
_NUMBERS = {
    "rain": "{rain:.1f} times its own error",
    "balance": "{balance:.0f} of 40",
    "vapour source": "{source_20:+.1f} % of saturation",
    "like zones": "{like_excess:+.1f} points",
    "own past": "{weather_excess:+.1f} points",
    "dew": "{dew:.0%} of hours",
    "first level": "{like_first:+.1f} points",
    "use": "{in_use:.0%} of the last weeks",
}


def spoken(cues: Mapping[str, str], figures: Mapping[str, float]) -> str:
    """What the cues saw, each with its number, for a person."""
    told = dict(figures) | {"rain": _answer_to_rain(figures)}
    return "; ".join(f"{what} ({_NUMBERS[cue].format_map(told)})" for cue, what in cues.items())


def _first_of(*choices: tuple[str, bool]) -> str:
    return next((what for what, holds in choices if holds), "")


def _answer_to_rain(figures: Mapping[str, float]) -> float:
    # in healthy simulated zones the filter's answer to rain spreads less than the regressions' t
    return max(figures["rain_60"], figures["own_rain"], 1.3 * figures["like_rain"])


def _rain(figures: Mapping[str, float]) -> str:
    follows = _answer_to_rain(figures)
    return _first_of(
        ("plainly follows rain", follows >= 7.0),
        ("follows rain", follows >= 4.0),
        ("may follow rain", follows >= 2.0),
        ("does not follow rain", follows < 1.0 and figures["wettings"] >= 3.0),
    )
