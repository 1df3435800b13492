"""What is said of units that change hands, and of people who are forgotten."""

from collections.abc import Sequence

from monitor.catalogue import say

WHAT: dict[str, str] = {
    "sold": "sold",
    "retired": "retired",
    "back": "taken back",
    "received": "received",
    "person removed": "a person was removed",
}
TAKE_NODES_OUT = (
    "Take these nodes out, or have whoever has them now give them another broker: what they still send here is "
    "kept, of no unit, and it is not yours to look at."
)
BACKUPS_HOLD = (
    "Backups that were made before still hold the name. Delete them, or after restoring one forget the name "
    "again before anything else."
)
NOT_FOUND_TYPED = (
    "Only the name as it is entered is looked for. A nickname, initials, a voice on the phone that somebody "
    "wrote down, a number plate or a face in a photo cannot be found by a program: look through notes and "
    "photos yourself."
)
NOT_CLEAN = (
    "The record could not be written anew now, for another program has it open: its old pages may still hold "
    "the name. Stop sillkeep serve and run: sillkeep user clean"
)
LEDGER_STAYS = "The line of the ledger stays; taking it back is another line."
NO_RECORD_YET = (
    "A buyer's home has nothing of it until you hand the file over: sillkeep handover record"
)


def revoked_text(nodes: Sequence[str]) -> str:
    """That nodes lose their place at this broker with the unit."""
    return say(
        "Credentials of {nodes} at this broker are ended: what they send is refused from its next look at the "
        "list. Their new home gives them others (sillkeep node add).",
        nodes=", ".join(nodes),
    )


def short_key(key: str) -> str:
    """The beginning of a public key, as people compare it."""
    return f"{key[:8]} {key[8:16]}"


def received_text(*, until: str, key: str) -> str:
    """Whose record a unit's past is."""
    return say(
        "Until {until} recorded by the seller (key {key}); from then on by this home.",
        until=until,
        key=short_key(key),
    )


def stood_text(standing: Sequence[str]) -> str:
    """Alarms that stood at the handover; nobody here has looked since."""
    return say(
        "When it was handed over these stood: {standing}. Nobody here has seen them end: look there first.",
        standing=", ".join(standing),
    )


def rewritten_text(*, day: str, times: int) -> str:
    """That names were taken out of the log."""
    return say(
        "Names were taken out of it, last on {day} (in all: {times}); each time a line says how many lines were chained "
        "anew, and the head of the chain before. A head that you noted earlier is found there.",
        times=times,
        day=day,
    )
