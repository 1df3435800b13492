"""What is said of backups: the drill, and the work of the machine that failed."""

from collections.abc import Mapping

from monitor.catalogue import say
from monitor.text import moment

NO_DRILL = "No backup was ever restored as a drill."


def drill_text(facts: Mapping[str, str | int]) -> str:
    """How a drill ended; see `monitor.store.keeping.Drilled.facts`."""
    at = moment(int(facts["at_s"]))
    if trouble := str(facts["trouble"]).rstrip("."):
        return say("The drill of {at} failed: {trouble}.", at=at, trouble=trouble)
    return say(
        "The drill of {at} restored {file} whole: {readings} readings, {newer} fewer than the record.",
        at=at,
        file=facts["file"],
        readings=f"{facts['readings']:,}",
        newer=f"{facts['newer']:,}",
    )


def failed_text(*, service: str, at_s: int) -> str:
    """What people are told when a service of the machine failed."""
    return say(
        "On the machine that runs Sillkeep {service} failed at {at}. "
        "Ask whoever keeps it to look: journalctl -u {service}",
        service=service,
        at=moment(at_s),
    )
