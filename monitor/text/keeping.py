"""What is said of backups: the drill, and the work of the machine that failed."""

from monitor.catalogue import say
from monitor.text import moment

NO_DRILL = "No backup was ever restored as a drill."


def drill_text(*, at_s: int, file: str, readings: int, newer: int, trouble: str) -> str:
    """How a drill ended; `newer` readings came after the backup."""
    if trouble:
        return say("The drill of {at} failed: {trouble}.", at=moment(at_s), trouble=trouble)
    return say(
        "The drill of {at} restored {file} whole: {readings} readings, {newer} fewer than the record.",
        at=moment(at_s),
        file=file,
        readings=f"{readings:,}",
        newer=f"{newer:,}",
    )


def failed_text(*, service: str, at_s: int) -> str:
    """What people are told when a service of the machine failed."""
    return say(
        "On the machine that runs Sillkeep {service} failed at {at}. "
        "Ask whoever keeps it to look: journalctl -u {service}",
        service=service,
        at=moment(at_s),
    )
