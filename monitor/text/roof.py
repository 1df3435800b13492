"""What is said where a roof is closed to everybody, and where it is not."""

from collections.abc import Sequence

from monitor.catalogue import say
from monitor.roof import Why

WHY_CLOSED: dict[Why, str] = {
    "wet": "a roof zone is wet",
    "unknown": "a roof zone is unknown",
    "not watched": "no probe watches the roof",
    "not rated": "its maker does not rate the roof to be walked on",
    "not declared": "nobody declared whether the roof is rated to be walked on",
}


def roof_text(why: Sequence[Why]) -> str:
    """One sentence on the roof; `why` as `monitor.roof.closed` gives it."""
    if why:
        reasons = "; ".join(say(WHY_CLOSED[one]) for one in why)
        return say("Keep off the roof: {reasons}. Rotten decking gives way.", reasons=reasons)
    return say(
        "The roof is declared as rated, and its watched zones are not wet: even so look from a ladder that you "
        "brought and checked, with somebody holding it. Wet membranes are slippery, and what no "
        "probe watches may give way."
    )
