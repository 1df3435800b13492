"""How heavy the alarms lie on people: counts against targets. Pure.

The measures are those that ANSI/ISA-18.2 and IEC 62682 name (rate, standing, chattering, most
frequent sources, suppressed); their old daily figures are for control rooms, so the targets are ours:
a person who walks a lot can answer five a day (no source). An alarm counts on the day on which it
asked: when it was found, when its common cause ended and it stood alone, or, for a lone silence,
when it had lasted a day. One that was only ever under a common cause, and one that is held back,
asks nobody.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.catalogue import say, say_number
from monitor.causes import LONE_SILENCE_S
from monitor.lot import AlarmClass
from monitor.store.causes import AlarmSpan

DAY_S = 86_400
MOST_A_DAY = 5.0  # for one person
STANDING_S = 7 * DAY_S  # what stands longer is no longer read as news
OLD_NEWS_S = 7 * DAY_S  # as the watch has it
CHATTERS = 3  # times a day
TOP = 10
CLASSES: tuple[AlarmClass, ...] = ("act now", "today", "this week", "season")


@dataclass(frozen=True, slots=True)
class Source:
    """A place and kind that raises alarms, and how many of all."""

    name: str
    count: int
    share_percent: float


@dataclass(frozen=True, slots=True)
class PersonLoad:
    """Alarms that one person was told by messages of their own."""

    name: str
    told: int
    a_day: float
    busiest: int  # on the worst day
    days_over: int  # with more than the target


@dataclass(frozen=True, slots=True)
class Load:
    """Alarm load of a site (or all) over whole days.

    Parameters
    ----------
    site : str
        Its code.
    days : int
        Over how many days.
    people : int
        Who share the load; 0: nobody is entered, and the site counts as one person.
    asked : int
        Alarms that asked for somebody.
    a_person_a_day : float
        The mean of that.
    busiest : int
        On the worst day, for each person.
    by_class : dict
        Alarms that asked, by class.
    days_over : int
        Days with more than the target.
    top : tuple of Source
        The ten that asked most often.
    top_share_percent : float
        Their share of all that asked.
    standing : tuple of Source
        Open for more than seven days; the count is days.
    chattering : tuple of Source
        Raised three times or more on one day; the count is the most on a day.
    grouped : int
        Alarms that were under a common cause and never asked by themselves.
    short_silences : int
        Lone silences that ended within a day and asked nobody.
    held : int
        Held back by a person or by design now.
    withdrawn : int
        That late readings took back.
    persons : tuple of PersonLoad
        Who was told, the most loaded first.
    """

    site: str
    days: int
    people: int
    asked: int
    a_person_a_day: float
    busiest: float
    by_class: dict[str, int]
    days_over: int
    top: tuple[Source, ...]
    top_share_percent: float
    standing: tuple[Source, ...]
    chattering: tuple[Source, ...]
    grouped: int
    short_silences: int
    held: int
    withdrawn: int
    persons: tuple[PersonLoad, ...] = ()

    @property
    def within(self) -> bool:
        """Whether the load is within its target."""
        return self.a_person_a_day <= MOST_A_DAY


def asked_s(span: AlarmSpan, *, now_s: int) -> int | None:
    """When an alarm asked for somebody by itself; None: it never did."""
    if span.cleared_s is not None and span.found_s - span.cleared_s > OLD_NEWS_S:
        return None  # over for long when late readings showed it
    ends_s = min(span.cleared_s or now_s, span.withdrawn_s or now_s)
    at_s = span.found_s
    if span.kind == "silent":
        at_s = max(at_s, span.raised_s + LONE_SILENCE_S)
    for joined_s, left_s in span.under:
        if joined_s - at_s <= DAY_S / 24:  # a cause is found with its first members, not after
            if left_s is None:
                return None
            at_s = max(at_s, left_s)
    return at_s if at_s < ends_s or (at_s == span.found_s and not span.under) else None


def load(
    spans: Iterable[AlarmSpan],
    *,
    site: str,
    from_s: int,
    now_s: int,
    people: int = 0,
    held: frozenset[int] = frozenset(),
    told: Iterable[tuple[str, int, str, int]] = (),
) -> Load:
    """Alarm load from a time until now.

    Parameters
    ----------
    spans : iterable of AlarmSpan
        Alarms that stood in that time; those of other sites are left out unless `site` is "".
    site : str
        Code; "" for all.
    from_s, now_s : int
        Whole days, at least one.
    people : int
        Who share it.
    held : frozenset of int
        Numbers of alarms that are held back now (`Record.held_alarms`).
    told : iterable of (person, alarm, site, when)
        What each person was told by a message.
    """
    mine = [span for span in spans if site in {"", span.site}]
    days = max(1, round((now_s - from_s) / DAY_S))
    asking = [
        (at_s, span)
        for span in mine
        if span.alarm_id not in held
        if (at_s := asked_s(span, now_s=now_s)) is not None and from_s <= at_s <= now_s
    ]
    by_day = Counter((at_s - from_s) // DAY_S for at_s, _ in asking)
    each = max(1, people)
    sources = Counter(source_of(span) for _, span in asking)
    top = tuple(
        Source(name, count, round(100.0 * count / len(asking), 1))
        for name, count in sorted(sources.items(), key=lambda item: (-item[1], item[0]))[:TOP]
    )
    classes = Counter(span.class_ for _, span in asking)
    quiet = [span for span in mine if asked_s(span, now_s=now_s) is None]
    return Load(
        site=site,
        days=days,
        people=people,
        asked=len(asking),
        a_person_a_day=round(len(asking) / days / each, 2),
        busiest=round(max(by_day.values(), default=0) / each, 2),
        by_class={name: classes[name] for name in CLASSES},
        days_over=sum(count / each > MOST_A_DAY for count in by_day.values()),
        top=top,
        top_share_percent=round(100.0 * sum(s.count for s in top) / max(1, len(asking)), 1),
        standing=_standing(mine, now_s=now_s),
        chattering=_chattering(mine, from_s=from_s),
        grouped=sum(bool(span.under) for span in quiet),
        short_silences=sum(
            not span.under and span.kind == "silent" and span.cleared_s is not None
            for span in quiet
        ),
        held=sum(span.alarm_id in held for span in mine),
        withdrawn=sum(span.withdrawn_s is not None for span in mine),
        persons=_persons([t for t in told if site in {"", t[2]}], from_s=from_s, days=days),
    )


def _persons(
    told: Sequence[tuple[str, int, str, int]], *, from_s: int, days: int
) -> tuple[PersonLoad, ...]:
    by_day: dict[str, Counter[int]] = {}
    for name, _, _, at_s in told:
        by_day.setdefault(name, Counter())[(at_s - from_s) // DAY_S] += 1
    found = [
        PersonLoad(
            name,
            told=sum(counts.values()),
            a_day=round(sum(counts.values()) / days, 2),
            busiest=max(counts.values()),
            days_over=sum(count > MOST_A_DAY for count in counts.values()),
        )
        for name, counts in by_day.items()
    ]
    return tuple(sorted(found, key=lambda person: (-person.told, person.name)))


def lines(found: Load) -> list[str]:
    """The report as text."""
    said = [f"{found.site}: {rate_text(found)}"]
    said.append("  by class: " + ", ".join(f"{n} {name}" for name, n in found.by_class.items()))
    said += [
        f"  {p.name}: told {p.told} by messages, {p.a_day:g} a day, {p.busiest} on the busiest day, "
        f"{_days(p.days_over)} above {MOST_A_DAY:g}"
        for p in found.persons
    ]
    said.append(f"  {quiet_text(found)}")
    if found.top:
        said.append(f"  most frequent, {found.top_share_percent:g} % of all:")
        said += [f"    {s.count:>4}  {s.share_percent:>5.1f} %  {s.name}" for s in found.top]
    if found.chattering:
        said.append(f"  three times or more on one day: {len(found.chattering)}")
        said += [f"    {s.count:>4} times  {s.name}" for s in found.chattering[:TOP]]
    if found.standing:
        said.append(f"  standing for more than 7 days: {len(found.standing)}")
        said += [f"    {_days(s.count):>8}  {s.name}" for s in found.standing[:TOP]]
    return said


def rate_text(found: Load) -> str:
    """The rate beside its target, in a sentence."""
    return say(
        "{asked} alarms asked for somebody in {days}: {rate:g} a day {who}, {verdict} the target of "
        "{target:g}; {busiest:g} on the busiest day, {over} above the target.",
        asked=found.asked,
        days=_days(found.days),
        rate=found.a_person_a_day,
        who=say("a person")
        if found.people
        else say("for one person (nobody is entered to share them)"),
        verdict=say("within") if found.within else say("above"),
        target=MOST_A_DAY,
        busiest=found.busiest,
        over=_days(found.days_over),
    )


def _days(number: int) -> str:
    return say_number(number, "{n:,} day", "{n:,} days")


def quiet_text(found: Load) -> str:
    """What asked nobody, in a sentence."""
    return say(
        "Not told by themselves: {grouped} under a common cause, {short} silences that ended within "
        "a day, {held} held back now. {withdrawn} were withdrawn after late readings.",
        grouped=found.grouped,
        short=found.short_silences,
        held=found.held,
        withdrawn=found.withdrawn,
    )


def source_of(span: AlarmSpan) -> str:
    """Place and kind: what would have to be mended if it raised too often."""
    place = " ".join(filter(None, (span.unit or span.site, span.zone or span.node)))
    return f"{place}: {say(span.kind)}"


def _standing(spans: Sequence[AlarmSpan], *, now_s: int) -> tuple[Source, ...]:
    """The oldest first."""
    old = [
        (now_s - span.raised_s, source_of(span))
        for span in spans
        if span.cleared_s is None and span.withdrawn_s is None and span.state != "normal"
        if now_s - span.raised_s > STANDING_S and not _under_now(span)
    ]
    return tuple(
        Source(name, age_s // DAY_S, 0.0)
        for age_s, name in sorted(old, key=lambda item: (-item[0], item[1]))
    )


def _under_now(span: AlarmSpan) -> bool:
    return any(left_s is None for _, left_s in span.under)


def _chattering(spans: Sequence[AlarmSpan], *, from_s: int) -> tuple[Source, ...]:
    days = Counter(
        (source_of(span), (span.raised_s - from_s) // DAY_S)
        for span in spans
        if span.raised_s >= from_s
    )
    worst: dict[str, int] = {}
    for (name, _), count in days.items():
        if count >= CHATTERS:
            worst[name] = max(worst.get(name, 0), count)
    return tuple(
        Source(name, count, 0.0)
        for name, count in sorted(worst.items(), key=lambda item: (-item[1], item[0]))
    )
