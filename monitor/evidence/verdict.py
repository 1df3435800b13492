"""Where the water in a damp zone comes from: cues vote, the page prints them, conflict says so.

Each cue looks at one thing and votes for or against causes; a cue that sees nothing clear does not
vote. The cause with most votes is named if it leads by enough, else `cannot tell`. Causes:

    rain ingress        water follows rain
    plumbing            water inside the wall that does not, while pipes are in use
    condensation        the room's vapour reaches a cold skin; or a whole unit is damp alike
    built-in moisture   wet when watching began, and drying since
"""

from collections.abc import Mapping
from math import isnan
from typing import Literal, get_args

Found = Literal["rain ingress", "plumbing", "condensation", "built-in moisture"]
CAUSES: tuple[Found, ...] = get_args(Found)
LEAD = 1.5  # votes by which the first must lead the second

# cue -> votes; reasons in the functions below
Votes = Mapping[Found, float]


def votes(figures: Mapping[str, float]) -> dict[str, Votes]:
    """Votes of each cue that sees something clear.

    Parameters
    ----------
    figures : mapping
        Of `monitor.evidence.leak`: the features by name, and `in_use` (0..1, nan unknown),
        `like_first`, `weather_first`, `wettings` (how many the zone lived through in 60 days).

    Returns
    -------
    dict of cue to votes
        In the order in which a person reads them.
    """
    told = {
        "rain": _rain(figures),
        "vapour source": _source(figures),
        "like zones": _like(figures),
        "dew": _dew(figures),
        "first level": _first(figures),
        "use": _use(figures),
    }
    return {cue: vote for cue, vote in told.items() if vote}


def cause(told: Mapping[str, Votes]) -> Found | Literal["cannot tell"]:
    """The cause that the cues agree on, or `cannot tell`."""
    sums = {found: sum(vote.get(found, 0.0) for vote in told.values()) for found in CAUSES}
    first, second = sorted(sums.values(), reverse=True)[:2]
    if first <= 0.0 or first - second < LEAD:
        return "cannot tell"
    return max(CAUSES, key=lambda found: sums[found])


def _rain(figures: Mapping[str, float]) -> Votes:
    """Unexplained water follows rain, or it does not although it rained."""
    follows = max(figures["rain_60"], figures["own_rain"])
    if follows >= 3.0:
        return {"rain ingress": 4.0, "plumbing": -2.0}
    if follows >= 2.0:
        return {"rain ingress": 2.0}
    if figures["wettings"] >= 3 and follows < 1.0:
        return {"rain ingress": -3.0}
    return {}


def _source(figures: Mapping[str, float]) -> Votes:
    """The cavity holds more vapour than cabin and outside: water is inside it; or less."""
    source = figures["source_20"]
    if source >= 2.0:
        return {"rain ingress": 1.0, "plumbing": 1.5, "built-in moisture": 1.0, "condensation": -1}
    if source <= -2.0:
        return {"condensation": 1.0, "rain ingress": -0.5, "plumbing": -0.5}
    return {}


def _like(figures: Mapping[str, float]) -> Votes:
    """One zone is wetter than its like zones and than it was, or all are alike."""
    rise, level = figures["like_rise"], figures["like_level"]
    if rise >= 1.5:
        return {"rain ingress": 1.0, "plumbing": 1.5}
    if abs(level) < 1.0 and rise < 1.0:
        return {"condensation": 1.5, "rain ingress": -1.0, "plumbing": -1.0}
    return {}


def _dew(figures: Mapping[str, float]) -> Votes:
    """The cabin's vapour reaches saturation at the zone's skin, or never does."""
    dew = figures["dew"]
    if dew >= 0.10:
        return {"condensation": 2.0}
    if dew < 0.01:
        return {"condensation": -2.0}
    return {}


def _first(figures: Mapping[str, float]) -> Votes:
    """Wet against its like zones or the weather when watching began, and less so now."""
    first = max(figures["like_first"], figures["weather_first"])
    now = figures["like_level"] if figures["like_first"] >= 2.0 else figures["weather_level"]
    if first >= 2.0 and now < first:
        return {"built-in moisture": 3.0, "rain ingress": -0.5, "plumbing": -0.5}
    return {"built-in moisture": -3.0} if first < 1.0 else {}


def _use(figures: Mapping[str, float]) -> Votes:
    """No water in the pipes and nobody there: no plumbing leak and little vapour."""
    use = figures["in_use"]
    if isnan(use):
        return {}
    if use < 0.02:
        return {"plumbing": -4.0, "condensation": -0.5}
    return {"plumbing": 0.5}
