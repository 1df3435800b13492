"""What is said of a unit's file that was taken in: what of it was left out, and what cannot be read."""

from collections.abc import Callable, Mapping

from monitor.catalogue import say, say_number

UNREAD = "This entry cannot be read: what was taken in of it is damaged. The others are not touched by it."


def left_out_text(left_out: Mapping[str, int], *, from_: str) -> str:
    """How much of a file was left out, and why; `left_out`: rows by the file's parts."""
    hours = left_out.get("hours.csv", 0)
    others = sum(left_out.values()) - hours
    counted = say_number(others, "{n} entry", "{n} entries")
    if hours:
        counted = say(
            "{hours} and {others}",
            hours=say_number(hours, "{n} hour", "{n} hours"),
            others=say_number(others, "{n} other entry", "{n} other entries"),
        )
    return say(
        "Left out: {counted} of the seller from {since} on, because this home's own record of it begins there.",
        counted=counted,
        since=from_,
    )


def went_on_text(until_s: int, since_s: int, when: Callable[[int], str]) -> str:
    """That a seller's file went on beyond the beginning of this home's own record; "" where it did not."""
    if until_s <= since_s:
        return ""
    return say(
        "The seller's file went on until {until}; what it had from {since} on is left out, because this home's own "
        "record begins there.",
        until=when(until_s),
        since=when(since_s),
    )


def unread_text(count: int) -> str:
    """That entries are damaged."""
    return say_number(
        count,
        "{n} entry cannot be read: what was taken in of it is damaged. The rest is shown.",
        "{n} entries cannot be read: what was taken in of them is damaged. The rest is shown.",
    )
