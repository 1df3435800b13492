"""Due seals as a calendar file (RFC 5545): whole days, that move when the file is taken again.

A round is all joints of a group that were last looked at on the same day; its UID is made of unit,
group and that day, so hail that pulls it forward moves the same entry, and the next look begins another.
A round that is over is in the file once more, cancelled, so that a calendar that took it before lets it go.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256

from icalendar import Alarm, Calendar, Event

from monitor import seals
from monitor.catalogue import say
from monitor.lot import NO_DEFECT, SealBook
from monitor.roof import Why
from monitor.seals import Due, day_of
from monitor.text import seals as text

PROGRAM = "-//Sillkeep//Seals//EN"
REMIND = timedelta(days=-7)
LOOK_BACK_D = 400  # rounds that were over longer ago were let go by then


@dataclass(frozen=True, slots=True)
class _Round:
    """One entry of the calendar; `anchor` is the day that it counts from."""

    group: str  # walk, roof, or the code of a joint with an open defect
    anchor: date
    day: date
    dues: tuple[Due, ...] = ()  # none: it is over


def calendar_file(
    book: SealBook, *, now_s: int, closed: Sequence[Why], remind: bool = False
) -> bytes:
    """Calendar of a unit's seals.

    Parameters
    ----------
    book : SealBook
    now_s : int
        When it is made. [s since 1970]
    closed : sequence
        Why its roof is closed, as `monitor.roof.closed` gives it.
    remind : bool
        Whether a note shows seven days before each; none sounds.

    Returns
    -------
    bytes
        The same book and time give the same bytes.
    """
    made = Calendar()
    made.add("prodid", PROGRAM)
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("method", "PUBLISH")
    stamp = datetime.fromtimestamp(now_s, UTC)
    rounds = _standing(seals.due_of(book, now_s=now_s), book.timezone)
    for one in (*rounds, *_over(book, rounds, now_s=now_s)):
        entry = _entry(book, one, closed, stamp)
        if remind and one.dues:
            note = Alarm()
            note.add("action", "DISPLAY")
            note.add("description", entry["summary"])
            note.add("trigger", REMIND)
            entry.add_component(note)
        made.add_component(entry)
    return bytes(made.to_ical())


def _standing(dues: Iterable[Due], timezone: str) -> list[_Round]:
    """Rounds to come or due, by day."""
    found: dict[tuple[str, date], list[Due]] = {}
    for one in dues:
        if one.task == "reseal":
            key = (f"defect/{one.joint.code}", day_of(one.since_s or 0, timezone))
        else:
            first_s = one.joint.first_s if one.last_s is None else one.last_s
            key = (one.group, day_of(first_s, timezone))
        found.setdefault(key, []).append(one)
    rounds = [
        _Round(group, anchor, min(one.day for one in held), tuple(held))
        for (group, anchor), held in found.items()
    ]
    return sorted(rounds, key=lambda one: (one.day, one.group, one.anchor))


def _over(book: SealBook, standing: Sequence[_Round], *, now_s: int) -> list[_Round]:
    """Rounds that ended in the last year, with the day on which the last of their joints was looked at."""
    kept = {(one.group, one.anchor) for one in standing}
    ended: dict[tuple[str, date], date] = {}
    for joint in book.joints:
        own = [entry for entry in book.entries if entry.joint == joint.code]
        days = [day_of(joint.first_s, book.timezone)]
        days += [day_of(e.at_s, book.timezone) for e in own if e.finding != "could not look"]
        last = day_of(joint.at_s, book.timezone) if joint.retired else None
        for begun, end in zip(days, [*days[1:], last], strict=True):
            key = (seals.group_of(joint), begun)
            if end is not None:
                ended[key] = max(end, ended.get(key, end))
        for entry in own:
            if entry.finding not in NO_DEFECT:
                day = day_of(entry.at_s, book.timezone)
                ended.setdefault((f"defect/{joint.code}", day), day)
    least = day_of(now_s, book.timezone) - timedelta(days=LOOK_BACK_D)
    rounds = [
        _Round(group, anchor, end)
        for (group, anchor), end in ended.items()
        if (group, anchor) not in kept and end >= least
    ]
    return sorted(rounds, key=lambda one: (one.day, one.group, one.anchor))


def _entry(book: SealBook, one: _Round, closed: Sequence[Why], stamp: datetime) -> Event:
    made = Event()
    key = f"{book.unit}\n{one.group}\n{one.anchor.isoformat()}"
    made.add("uid", f"{sha256(key.encode('utf-8', 'replace')).hexdigest()[:32]}@sillkeep.invalid")
    made.add("dtstamp", stamp)
    made.add("sequence", book.changes)
    made.add("dtstart", one.day)
    made.add("summary", plain(_title(book, one)))
    made.add("transp", "TRANSPARENT")
    made.add("status", "CONFIRMED" if one.dues else "CANCELLED")
    if one.dues:
        made.add("description", plain(_description(one, closed, book.timezone)))
    return made


def _title(book: SealBook, one: _Round) -> str:
    if one.group.startswith("defect/"):
        return text.renew_text(book.unit, one.group.removeprefix("defect/"))
    return text.round_text(one.group, book.unit, len(one.dues)) if one.dues else book.unit


def _description(one: _Round, closed: Sequence[Why], timezone: str) -> str:
    lines = []
    for due in one.dues:
        since = "" if due.since_s is None else day_of(due.since_s, timezone).isoformat()
        why = text.why_text(due.reason, since=since, days=due.days, finding=due.finding)
        place = f", {due.joint.place}" if due.joint.place else ""
        lines.append(
            f"{due.joint.code} ({say(due.joint.kind)}{place}), {due.day.isoformat()}: {why}"
        )
    how: list[str] = []
    for due in one.dues:
        told = text.how_text(
            due.joint.kind,
            on_roof=due.joint.on_roof,
            high=(due.joint.height_m or 0.0) > seals.LADDER_M,
            closed=closed,
            renew=due.task == "reseal",
        )
        how += [line for line in told if line not in how]
    return "\n".join([*lines, "", *how])


def plain(said: str) -> str:
    """Text without what RFC 5545 allows in none (3.1: CONTROL, but for tabs), its line ends one kind."""
    said = re.sub(r"\r\n?|[\u0085\u2028\u2029]", "\n", said)
    kept = (c for c in said if c in "\n\t" or unicodedata.category(c) not in {"Cc", "Cs"})
    return "".join(kept)
