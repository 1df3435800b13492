"""What is said of nodes: their access to the broker, and what they say of their faults."""

from collections.abc import Mapping

from monitor.catalogue import say

# on the page where a claim is exchanged by hand, in that order
CLAIM_MEANS = (
    "This gives the node its user, its password at the broker and the broker's certificate: once. "
    "Press it only with the node before you; whoever has what it shows can send in the node's name."
)
CLAIM_DEAD = "This claim was used, is over or void. Make another: sillkeep node renew NAME"
CLAIM_KEEP = (
    "Copy all of it into the field “Claim” of the node's set-up, then close this page: it is not "
    "shown again. If the node did not get it, make another claim; this one's password then ends."
)
LABEL_TO_DO = (
    "Scan it with the node before you, and do as the page says. Until then keep it like a key; used "
    "once, it opens nothing and may stay on the node."
)
FAULTS_UNKNOWN = (
    "Why a probe fails, unless its node says so in its state: boards of the firmware only count."
)


def access_text(*, claimed: str, waits: str, ended: str, why: str) -> str:
    """How a node stands with the broker; times are worded already, "" for none."""
    if claimed and waits:
        return say(
            "claimed {claimed}; a new claim waits until {waits}", claimed=claimed, waits=waits
        )
    if claimed:
        return say("claimed {claimed}", claimed=claimed)
    if waits:
        return say("claim waits until {waits}", waits=waits)
    if ended:
        return say("ended {ended}: {why}", ended=ended, why=why)
    return say("claim over, never used")


def label_place(unit: str, zone: str, probe: str) -> str:
    """Where a probe of a node goes, on its label; without a unit: a zone of the site."""
    if not unit:
        return say("zone {zone}, probe {probe}", zone=zone, probe=probe)
    return say("unit {unit}, zone {zone}, probe {probe}", unit=unit, zone=zone, probe=probe)


def faults_text(faults: Mapping[str, str]) -> str:
    """What a node says that its probes fail of."""
    return "; ".join(
        say("{probe} fails, says the node: {why}", probe=probe, why=why)
        for probe, why in sorted(faults.items())
    )
