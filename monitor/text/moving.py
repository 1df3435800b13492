"""What is said when a probe is moved or taken away."""

from collections.abc import Callable, Sequence

from monitor.catalogue import say
from monitor.lot import Placement

When = Callable[[int], str]

SETTLES = (
    "For two days its zone is unknown: housing and foam first give up what they took up elsewhere. Liquid water and "
    "freezing count at once."
)
JUDGED = "The zone that it left and the one that it joined are judged again from then on."
TAKEN = (
    "What it sends from then on is of no zone; the zone that it left is judged again from then on."
)
LEFT_BOX = "It has left its box over salt by this entry: what it reads is of its zone again."
STILL_IN_BOX = (
    "It was in a box over salt after that time, and nobody said that it is back: say so at the bench, or what it "
    "reads is of no zone."
)
UNKNOWN: tuple[str, ...] = (
    "Whether a probe hangs where it is entered: its figures show that only where they differ much.",
    "What its new zone did before it came, unless another probe watched.",
    "Whether a zone that nobody watches any more has dried: its alarms stay.",
)
WRONG = (
    "Entered a wrong place? Enter the right one and tick that it puts the last entry right: it counts from the same time "
    "on, and both stay in the record."
)


def zone_text(unit: str, site: str, zone: str) -> str:
    """A zone as people write it."""
    return f"{unit or site}/{zone}"


def placed_text(one: Placement) -> str:
    """What a probe watches by an entry."""
    return zone_text(one.unit, one.site, one.zone) if one.zone else say("nothing")


def moved_text(entry: Placement, when: When, *, later: Placement | None) -> str:
    """What a probe watches since when; `later` is the next entry, which still counts."""
    told = {"probe": f"{entry.node}/{entry.probe}", "since": when(entry.from_s)}
    if entry.zone:
        said = say("{probe} watches {zone} since {since}.", zone=placed_text(entry), **told)
    else:
        said = say("{probe} watches nothing since {since}.", **told)
    if later is None or placed_text(later) == placed_text(entry):
        return said
    until = say(
        "Only until {until}: from then on a later entry counts, {zone}.",
        until=when(later.from_s),
        zone=placed_text(later),
    )
    return f"{said} {until}"


def before_text(before: Placement | None, when: When) -> str:
    """What a probe watched until it was moved."""
    if before is None or not before.zone:
        return say("Before: nothing.")
    since = when(before.from_s)
    return say("Before: {zone} since {since}.", zone=placed_text(before), since=since)


def instead_text(instead: Placement) -> str:
    """The entry of the same time that no longer counts."""
    zone = placed_text(instead)
    return say("This stands in place of {zone}, entered for the same time.", zone=zone)


def many_text(entries: Sequence[Placement]) -> str:
    """Several probes of one node, moved together."""
    first = entries[0]
    told = {"probes": ", ".join(one.probe for one in entries), "node": first.node}
    if first.zone:
        return say("{probes} of {node} are in {unit} now.", unit=first.unit or first.site, **told)
    return say("{probes} of {node} are taken away.", **told)


def stays_text(staying: Sequence[Placement]) -> str:
    """Probes of a node that watch the site and so are not moved with the others."""
    said = ", ".join(f"{one.probe} ({placed_text(one)})" for one in staying)
    return say("Not moved, for they watch the site itself: {probes}.", probes=said)


def watched_text(others: Sequence[Placement], zone: str, when: When) -> str:
    """Why a zone is not free."""
    said = "; ".join(
        say("{probe} since {since}", probe=f"{one.node}/{one.probe}", since=when(one.from_s))
        if one.to_s is None
        else say(
            "{probe} from {since} until {until}",
            probe=f"{one.node}/{one.probe}",
            since=when(one.from_s),
            until=when(one.to_s),
        )
        for one in others
    )
    return say(
        "{zone} is watched by another probe in that time ({said}): move that one first, or say that this one hangs "
        "beside it (--beside); the zone is then judged by both together",
        zone=zone,
        said=said,
    )


def no_zone_text(zones: Sequence[str], missing: Sequence[str], of: str) -> str:
    """Which zones there are none of."""
    return say(
        "there is no zone {missing} in {of}; it has {zones}. A new zone: say its --kind, or enter it under First steps",
        missing=", ".join(missing),
        of=of,
        zones=", ".join(zones) or say("none"),
    )
