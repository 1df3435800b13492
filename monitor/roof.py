"""Whether anything at all may be said of going on a roof: one gate for rounds, seals, job cards, texts.

Even where it is open, nothing tells anybody to walk there: a roof is looked at from a ladder, and
the decision stays with who stands before it.
"""

from collections.abc import Iterable
from typing import Literal

from monitor.lot import Roof, ZoneWord

Why = Literal["wet", "unknown", "not watched", "not rated", "not declared"]
ROOF_KINDS = frozenset({"roof", "slide-roof"})


def closed(zones: Iterable[tuple[str, ZoneWord]], *, rated: Roof) -> tuple[Why, ...]:
    """Why no step that has to do with going on a roof may be shown; empty: none of these reasons.

    Parameters
    ----------
    zones : iterable
        Kind and word of each zone of the unit, as it is now (what is silent is unknown).
    rated : Roof
        What its maker says of the roof, as declared.

    Returns
    -------
    tuple
        In the order in which they are said; each once.
    """
    words = [word for kind, word in zones if kind in ROOF_KINDS]
    found: tuple[tuple[Why, bool], ...] = (
        ("wet", "wet" in words),
        ("unknown", "unknown" in words),
        ("not watched", not words),
        ("not rated", rated == "not rated"),
        ("not declared", rated == ""),
    )
    return tuple(why for why, holds in found if holds)
