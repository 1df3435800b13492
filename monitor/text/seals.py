"""What is said of seals: why they are due, how to look, what to know before they are renewed.

Common practice, no source, where none is named.
"""

from collections.abc import Mapping, Sequence

from monitor.catalogue import say, say_number
from monitor.lot import JointKind
from monitor.roof import Why
from monitor.text.roof import roof_text

BASIS = (
    "Common practice, no source: a walk round every 90 days, the roof in spring and autumn, and all of it after hail, "
    "a branch or a storm. Where the maker's manual says otherwise, change the interval and say why."
)
BY_EYE = (
    "By eye and with a fingernail: sound sealant gives and comes back. Chalk on the finger, a crack, an edge that lifts, "
    "a void at a screw head and an insert that shrank are what to note."
)
FROM_A_LADDER = (
    "Higher than 2 m: from a ladder that you brought and checked, with somebody holding it."
)
ROOF_OTHERWISE = (
    "So look from the ground or from the edge of the ladder, and renew nothing up there: leave the rest to a licensed "
    "person, and note “could not look” for what you could not see."
)
WIPERS = (
    "Wipers and bulb seals are looked at dry or with a soft cloth: do not press water past them, neither with a hose "
    "nor with a pressure washer, for the slide carries it inside."
)
WASH_FIRST = "Wash a joint gently and let it dry before you judge it."
NO_FEED = (
    "Hail, branches and wind come from no probe and no weather service here, for none of them tells wind or hail: "
    "note them on this page, or with sillkeep event add."
)
DAYS_MEAN = "A look sees what can be seen: water may be behind sealant that looks sound. The zones say what the wall does."
NO_JOINTS = "No joints of this unit are entered. Begin with the usual ones of its body and change what is not there."
NO_SEASONS = (
    "Nobody knows by this site's time zone whether it has a spring and an autumn, or it has none: roofs are due every "
    "182 days."
)
EVENTS_MEAN = "After hail, a branch or a storm every joint is due at once, until it is looked at."
NO_SUBSCRIPTION = (
    "The file is a copy of today: take it again after you noted something, and it moves the days that are in your "
    "calendar already. There is no address to subscribe to."
)
RENEW = (
    "Take off what is loose, clean and dry the joint, match the sealant to what it sits on, and follow what its maker "
    "says of temperature and gloves."
)
WARNED: Mapping[str, str] = {
    "other kind": "Another kind than the one that is on it: a new kind rarely holds on an old one. Take the old sealant "
    "off down to the clean material first.",
    "kind unknown": "Nobody noted which kind is on it: find out, or take the old sealant off first. A new kind rarely "
    "holds on an old one.",
    "silicone on the roof": "Silicone does not belong on a membrane roof: nothing holds on what it leaves behind. "
    "Metal and moulded roofs have no membrane.",
}
CONFIRMED: Mapping[str, str] = {
    "old sealant taken off": "The old sealant is taken off down to the clean material",
    "no membrane here": "There is no membrane where this goes",
}


def why_text(reason: str, *, since: str, days: int, finding: str = "") -> str:
    """Why a joint is due on its day; `since` is the day of what the reason names."""
    said = {
        "defect": say("Found {finding} on {since}, open until it is renewed or found sound.", finding=say(finding), since=since),
        "leak suspect": say("A leak is suspected at a zone nearby since {since}.", since=since),
        "hail": say("Hail on {since}.", since=since),
        "branch": say("A branch on {since}.", since=since),
        "wind": say("Storm on {since}.", since=since),
        "never looked": say("Nobody noted that it was looked at since it was entered on {since}.", since=since),
        "season": say("Twice a year, in spring and autumn; last looked at on {since}.", since=since),
        "interval": say_number(days, "Every day; last looked at on {since}.", "Every {n} days; last looked at on {since}.", since=since),
    }  # fmt: skip
    return said[reason]


def how_text(
    kind: JointKind, *, on_roof: bool, high: bool, closed: Sequence[Why], renew: bool = False
) -> list[str]:
    """How to look at a joint, or renew it; `closed` as `monitor.roof.closed` gives it for its unit."""
    lines = [say(RENEW) if renew else f"{say(WASH_FIRST)} {say(BY_EYE)}"]
    if on_roof:
        lines.append(roof_text(closed))
        if closed:
            lines.append(say(ROOF_OTHERWISE))
    elif high:
        lines.append(say(FROM_A_LADDER))
    if kind == "slide wiper":
        lines.append(say(WIPERS))
    return lines


def summary_text(*, joints: int, due: int, defects: int, first: str, reason: str) -> str:
    """How the seals of a unit stand, in a line; `first` is the day from which the first one is due."""
    if not joints:
        return say("Seals: no joints are entered, so nobody is told when they are due.")
    if defects or due:
        line = due_line(joints=joints, due=due, defects=defects, first=first, reason=reason)
        return say("Seals: {line}.", line=line)
    return say(
        "Seals: none of {joints} joints is due; next by {first}.", joints=joints, first=first
    )


def list_lines(rows: Sequence[tuple[str, str]], *, more: int) -> str:
    """Units whose seals ask for a look, as a paragraph of a list: (unit, how they stand); "" for none."""
    if not rows:
        return ""
    lines = [say("Seals to look at, on their page:")]
    lines += [f"- {unit}: {line}" for unit, line in rows]
    if more:
        lines.append(say_number(more, "and {n} more unit", "and {n} more units"))
    return "\n".join(lines)


def due_line(*, joints: int, due: int, defects: int, first: str, reason: str) -> str:
    """How the seals of a unit stand that ask for a look, without the word for seals before it."""
    if defects:
        return say_number(
            defects,
            "a defect is open at {n} joint; {due} of {joints} are to be looked at",
            "defects are open at {n} joints; {due} of {joints} are to be looked at",
            due=due,
            joints=joints,
        )
    return say(
        "{due} of {joints} joints are due, the first since {first} ({reason})",
        due=due,
        joints=joints,
        first=first,
        reason=say(reason),
    )


def refused_text(joint: str, *, before: str, warned: Sequence[str]) -> str:
    """What has to be confirmed before a reseal is noted."""
    lines = [say(WARNED[one]) for one in warned]
    kind = say("It was sealed with {before}.", before=say(before)) if before else ""
    return " ".join(
        filter(None, (f"{joint}:", kind, *lines, say("Tick that it is so, then note it.")))
    )


def round_text(group: str, unit: str, count: int) -> str:
    """Title of a round in a calendar."""
    if group == "roof":
        return say_number(
            count,
            "{unit}: look at {n} joint of the roof",
            "{unit}: look at {n} joints of the roof",
            unit=unit,
        )
    return say_number(count, "{unit}: look at {n} joint", "{unit}: look at {n} joints", unit=unit)


def renew_text(unit: str, joint: str) -> str:
    """Title of an open defect in a calendar."""
    return say("{unit}: renew the seal {joint}", unit=unit, joint=joint)
