"""Who is told what, and when. Pure: people, alarms and the time give messages.

::

    act now     at once, also in quiet hours,     -> the next in order after 15 minutes
                and again until it is answered
    today       outside quiet hours               -> the next in order after the next working day
    this week   in the morning list, and in the weekly digest
    season      in the season digest

People with the same place in the order are told together. Whoever does not answer alarms (sales,
auditor) gets digests and nothing else. Quiet hours, mornings and weeks are those of each person's
own time zone. Sentences are in `monitor.text`.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from hashlib import sha256
from typing import Literal
from zoneinfo import ZoneInfo

from monitor import catalogue, text
from monitor.lot import AlarmClass
from monitor.store.people import AlarmNow, Entry, Message, Person, Told
from monitor.text import seals as seal_text

ListKind = Literal["morning", "week", "season"]
LIST_KINDS: tuple[ListKind, ...] = ("morning", "week", "season")

ANSWERING = frozenset({"owner", "lot lead", "technician"})
WALKING = frozenset({"lot lead", "technician"})  # they have a morning list; an owner has the week
RANK: dict[str, int] = {"act now": 0, "today": 1, "this week": 2, "season": 3}
BY_MESSAGE = frozenset({"act now", "today"})  # the other classes wait for a list
UNANSWERED = frozenset({"unacknowledged", "latched unacknowledged"})

MINUTE_S, HOUR_S, DAY_S = 60, 3_600, 86_400
SECOND_PERSON_S = 15 * MINUTE_S  # act now: common practice, no source
# who was told and does not answer is told again: a phone may lie in another room. Five times in all,
# an hour and a quarter: whom that does not reach, a sixth does not. Our choice.
AGAIN_S, MOST_TELLINGS = 15 * MINUTE_S, 5
WORK_ENDS, MORNING = time(18), time(7)
SEASON_MONTHS = (3, 6, 9, 12)
IN_A_LIST = 10  # what one person can look at in a morning
OLD_NEWS_S = 7 * DAY_S  # an entry this old makes no message: the lists have what still stands
# what may come under a common cause is held this long, so that a cold night is one message
SETTLES_S = 90
AT_ONCE = frozenset({"water contact"})
KEPT_S = {  # how long a message is tried for
    "alarm": 2 * DAY_S,
    "correction": 2 * DAY_S,
    "morning": 8 * HOUR_S,
    "week": 3 * DAY_S,
    "season": 14 * DAY_S,
    "storm": 2 * DAY_S,
}
FEW_UNITS = 5  # of an owner who looks after a place: with more, lists and alarms tell
FIRST_WAIT_S, LONGEST_WAIT_S = 15, 900
URGENT_WAIT_S = 60  # the longest of an act-now message


@dataclass(frozen=True, slots=True)
class Plan:
    """Messages to send, and waiting ones not to send."""

    messages: tuple[Message, ...] = ()
    void: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SealsDue:
    """How the seals of a unit stand, of which some ask for a look: the line says it in the language read."""

    site: str
    unit: str
    slot: str
    sold: bool
    line: Callable[[], str]


def sees(person: Person, alarm: AlarmNow | SealsDue) -> bool:
    """Whether an alarm is of what a person looks after; one of no site is everybody's.

    One of a sold unit is its new owner's, who looks after it by its code.
    """
    if alarm.sold:
        return person.role == "owner" and alarm.unit in person.reach
    return not person.reach or not alarm.site or bool(person.reach & {alarm.site, alarm.unit})


def in_order(people: Iterable[Person], alarm: AlarmNow) -> list[tuple[int, list[Person]]]:
    """Those who answer for an alarm and can be reached, by place: the first are told first."""
    groups: dict[int, list[Person]] = {}
    for person in people:
        if person.role in ANSWERING and person.addresses and sees(person, alarm):
            groups.setdefault(person.place, []).append(person)
    return sorted(groups.items())


# --- when -----------------------------------------------------------------------------------------


def local(person: Person, at_s: int) -> datetime:
    """A time on a person's wall clock."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(person.timezone))


def is_quiet(person: Person, at_s: int) -> bool:
    """Whether a person's wall clock shows quiet hours; from and to alike: never."""
    here = local(person, at_s)
    minute = here.hour * 60 + here.minute
    start, end = person.quiet
    return start <= minute < end if start <= end else minute >= start or minute < end


def first_loud_s(person: Person, at_s: int) -> int:
    """The time itself, or the first whole minute after it outside of quiet hours.

    Minute by minute, as the clock on the wall goes: it may jump or repeat an hour on the way.
    """
    while is_quiet(person, at_s):
        at_s += MINUTE_S - at_s % MINUTE_S
    return at_s


def due_s(person: Person, class_: AlarmClass, now_s: int) -> int | None:
    """When a person is told of an alarm by a message of its own; None: it waits for a list."""
    if class_ == "act now":
        return now_s
    return first_loud_s(person, now_s) if class_ == "today" else None


def answer_by_s(person: Person, class_: AlarmClass, told_s: int) -> int:
    """Until when an answer is waited for before the next in order is told."""
    if class_ == "act now":
        return told_s + SECOND_PERSON_S
    day = local(person, told_s).date() + timedelta(days=1)
    while day.isoweekday() > 5:
        day += timedelta(days=1)
    return _at_s(person, day, WORK_ENDS)


def list_due_s(person: Person, kind: ListKind, now_s: int) -> int:
    """When the newest list of a kind was due, not later than now."""
    day = local(person, now_s).date()
    while True:
        fits = (
            (kind == "morning" and day.isoweekday() != 1)  # the week's list takes its place
            or (kind == "week" and day.isoweekday() == 1)
            or (kind == "season" and day.day == 1 and day.month in SEASON_MONTHS)
        )
        if fits and (due := first_loud_s(person, _at_s(person, day, MORNING))) <= now_s:
            return due
        day -= timedelta(days=1)


def _at_s(person: Person, day: date, clock: time) -> int:
    return int(datetime.combine(day, clock, ZoneInfo(person.timezone)).timestamp())


def wait_s(key: str, tries: int, rank: int) -> int:
    """Wait after a try that failed: twice the one before, less a share that is each message's own.

    The share spreads messages as chance would, and is the same in each run.
    """
    longest = LONGEST_WAIT_S if rank else URGENT_WAIT_S
    whole = min(FIRST_WAIT_S * 2 ** min(tries, 10), longest)
    share = sha256(f"{key}/{tries}".encode()).digest()[0] / 255
    return int(whole * (0.5 + share / 2))


# --- an alarm -------------------------------------------------------------------------------------


def plan(
    entry: Entry,
    people: Sequence[Person],
    told: Sequence[Told],
    *,
    now_s: int,
    board_url: str = "",
) -> Plan | None:
    """What follows from an entry of the outbox; None: look again a little later.

    Parameters
    ----------
    entry : Entry
        With its alarm as it stands now. What is made of it has keys of its own below its key.
    told : sequence of Told
        Messages that tell of the alarm so far.
    """
    alarm, age_s = entry.alarm, now_s - entry.created_s
    known = [one for one in told if one.kind in {"alarm", "correction"} and one.state != "void"]
    if known and max(one.revision for one in known) != alarm.revision:
        say = _Say(entry.key, alarm, now_s=now_s, board_url=board_url)
        return _correct(say, people, known)
    grown = entry.words not in {"", alarm.text}
    if known and not grown:
        return Plan()  # they have it as it stands
    if alarm.withdrawn_s is not None or alarm.state == "normal" or age_s > OLD_NEWS_S:
        return Plan()
    if alarm.kind not in AT_ONCE and age_s < SETTLES_S:
        return None
    if grown:
        alarm = replace(alarm, text=entry.words)
    groups = in_order(people, alarm)
    if alarm.class_ not in BY_MESSAGE or not groups:
        return Plan()
    # one that grew concerns whoever was told of it, also those who were only called later
    had = {one.person_id for one in known}
    say = _Say(entry.key, alarm, now_s=now_s, board_url=board_url)
    return Plan(
        tuple(
            message
            for place, group in groups
            for person in group
            if place == groups[0][0] or person.person_id in had
            for message in say.to(person, step=place)
        )
    )


def _correct(say: "_Say", people: Sequence[Person], known: Sequence[Told]) -> Plan:
    """A correction to those who may have had the first; to others as it stands, if it does."""
    void = tuple(one.message_id for one in known if one.state == "waiting")
    had = {one.address_key for one in known if one.state == "sent" or one.tries}
    missed = {one.address_key for one in known} - had
    made: list[Message] = []
    for person in people:
        for address in person.addresses:
            if address in had:
                made += say.to(person, kind="correction", only=address)
            elif address in missed and say.alarm.withdrawn_s is None:
                made += say.to(person, step=person.place, only=address)
    return Plan(tuple(made), void)


@dataclass(frozen=True, slots=True)
class _Say:
    """Makes the messages of one alarm; `key` is of what they follow from."""

    key: str
    alarm: AlarmNow
    now_s: int
    board_url: str

    def to(
        self,
        person: Person,
        *,
        kind: str = "alarm",
        step: int = 0,
        only: str = "",
        late: Callable[[], str] = str,
    ) -> list[Message]:
        """One for each address of a person, or for one; `late`: why only now, or once more."""
        due = due_s(person, self.alarm.class_, self.now_s)
        if due is None:
            return []
        wish = text.Wish(person.timezone, person.fahrenheit, person.twelve_hour)
        with catalogue.read_in(person.language):
            if kind == "correction":
                said = text.correction_message(self.alarm, wish, board_url=self.board_url)
            else:
                said = text.alarm_message(self.alarm, wish, board_url=self.board_url, late=late())
        return [
            Message(
                key=f"{self.key}/{kind}/{address}",
                person_id=person.person_id,
                address_key=address,
                kind=kind,
                rank=RANK[self.alarm.class_],
                subject=said[0],
                body=said[1],
                due_s=due,
                expires_s=due + KEPT_S[kind],
                step=step,
                alarms=((self.alarm.alarm_id, self.alarm.revision),) if self.alarm.alarm_id else (),
            )
            for address in person.addresses
            if only in {"", address}
        ]


@dataclass(frozen=True, slots=True)
class Escalation:
    """Messages to the next in order, and alarms that nobody is left for."""

    messages: tuple[Message, ...] = ()
    nobody: tuple[int, ...] = ()


def escalate(
    standing: Iterable[AlarmNow],
    people: Sequence[Person],
    told: Mapping[int, Sequence[Told]],
    *,
    now_s: int,
    board_url: str = "",
) -> Escalation:
    """Tell the next person of what was not acknowledged in its time, or could not be handed over.

    An alarm that nobody answers for and nobody is left to tell is said on the Chain page.
    """
    made: list[Message] = []
    nobody = []
    by_number = {person.person_id: person for person in people}
    for alarm in standing:
        if alarm.class_ not in BY_MESSAGE or alarm.state not in UNANSWERED:
            continue
        known = [o for o in told.get(alarm.alarm_id, ()) if o.kind == "alarm" and o.state != "void"]
        groups = in_order(people, alarm)
        if not known:
            if not groups and now_s - alarm.raised_s > SETTLES_S:
                nobody.append(alarm.alarm_id)
            continue
        made += _again(alarm, known, by_number, now_s=now_s, board_url=board_url)
        step = max(one.step for one in known)
        newest = _first_tellings(one for one in known if one.step == step)
        if now_s < _waited_for_s(alarm, newest, by_number, now_s):
            continue
        later = [group for group in groups if group[0] > step]
        if not later:
            nobody.append(alarm.alarm_id)
            continue
        place, group = later[0]
        numbers = dict.fromkeys(o.person_id for o in known)
        names = ", ".join(by_number[n].name for n in numbers if n in by_number)
        key = f"alarm {alarm.alarm_id}/{alarm.revision}/{place}"
        say = _Say(key, alarm, now_s=now_s, board_url=board_url)
        made += [
            m
            for person in group
            for m in say.to(person, step=place, late=partial(text.late_text, names))
        ]
    return Escalation(tuple(made), tuple(nobody))


def _again(
    alarm: AlarmNow,
    known: Sequence[Told],
    by_number: Mapping[int, Person],
    *,
    now_s: int,
    board_url: str,
) -> list[Message]:
    """An act-now message once more to each who had it and has not answered."""
    if alarm.class_ != "act now":
        return []
    made: list[Message] = []
    had: dict[str, list[Told]] = {}
    for one in known:
        had.setdefault(one.address_key, []).append(one)
    for address, messages in had.items():
        newest = max(messages, key=lambda one: one.due_s)
        person = by_number.get(newest.person_id)
        is_over = newest.state == "waiting" or now_s < newest.due_s + AGAIN_S
        if person is None or is_over or len(messages) >= MOST_TELLINGS:
            continue
        key = f"alarm {alarm.alarm_id}/{alarm.revision}/again {len(messages)}"
        say = _Say(key, alarm, now_s=now_s, board_url=board_url)
        made += say.to(person, step=newest.step, only=address, late=lambda: text.TOLD_AGAIN)
    return made


def _first_tellings(told: Iterable[Told]) -> list[Told]:
    """The first message to each address: that one is told again gives it no more time."""
    first: dict[str, Told] = {}
    for one in sorted(told, key=lambda one: (one.due_s, one.message_id)):
        first.setdefault(one.address_key, one)
    return list(first.values())


def _waited_for_s(
    alarm: AlarmNow, newest: Sequence[Told], by_number: Mapping[int, Person], now_s: int
) -> int:
    """Until when those who were told last may answer; who was removed or not reached has no time."""
    return max(
        (
            answer_by_s(by_number[one.person_id], alarm.class_, one.due_s)
            for one in newest
            if one.state != "expired" and one.person_id in by_number
        ),
        default=now_s,
    )


# --- after rain -----------------------------------------------------------------------------------


def hears_of_rain(person: Person, site: str, unit: str, *, units: int, sold: bool = False) -> bool:
    """Whether somebody is told after each storm: who owns the unit, or a place of few units."""
    if person.role != "owner" or not person.addresses:
        return False
    return unit in person.reach or (
        not sold and units <= FEW_UNITS and (not person.reach or site in person.reach)
    )


def storm_key(person: Person, unit: str, from_hour: int) -> str:
    """Of a person's words after a storm; each address's message has a key below it."""
    return f"storm/{unit}/{from_hour}/{person.person_id}/"


def storm_messages(
    person: Person,
    unit: str,
    from_hour: int,
    line: Callable[[], str],
    *,
    now_s: int,
    board_url: str = "",
) -> list[Message]:
    """A unit's words after a storm, to each address of a person, outside quiet hours.

    `line` says them in the language that is read.
    """
    wish = text.Wish(person.timezone, person.fahrenheit, person.twelve_hour)
    with catalogue.read_in(person.language):
        subject, body = text.storm_message(unit, line(), wish, board_url=board_url)
    due = first_loud_s(person, now_s)
    return [
        Message(
            key=f"{storm_key(person, unit, from_hour)}{address}",
            person_id=person.person_id,
            address_key=address,
            kind="storm",
            rank=RANK["this week"],
            subject=subject,
            body=body,
            due_s=due,
            expires_s=due + KEPT_S["storm"],
        )
        for address in person.addresses
    ]


# --- lists ----------------------------------------------------------------------------------------


def wants(person: Person, kind: ListKind) -> bool:
    """Whether a person gets lists of a kind."""
    return kind != "morning" or person.role in WALKING


def list_key(person: Person, kind: ListKind, due: int) -> str:
    """Of a person's list; each address's message has a key below it."""
    return f"{kind}/{person.person_id}/{local(person, due):%Y-%m-%d}/"


def list_of(  # noqa: PLR0913  each is said below
    person: Person,
    kind: ListKind,
    standing: Iterable[AlarmNow],
    *,
    corrected: Sequence[AlarmNow] = (),
    seals: Iterable[SealsDue] = (),
    due: int,
    now_s: int,
    board_url: str = "",
) -> list[Message]:
    """A person's list; a morning with nothing to do is silent, a week says so in one line.

    Parameters
    ----------
    corrected : sequence of AlarmNow
        Those that a list has told this person and that were withdrawn since.
    seals : iterable of SealsDue
        Units whose seals ask for a look; the week's list has them, so many as a morning's has places.
    due : int
        When it was due.
    """
    places: dict[tuple[str, ...], list[AlarmNow]] = {}  # each is one thing to look at
    for alarm in sorted(standing, key=lambda a: (RANK[a.class_], a.raised_s)):
        if sees(person, alarm) and _belongs(alarm, kind):
            places.setdefault((alarm.site, alarm.unit, alarm.zone or alarm.node), []).append(alarm)
    mine = sorted(places.values(), key=lambda found: _walk(found[0]))
    if kind == "morning" and not mine:
        return []
    shown = mine[:IN_A_LIST] if kind == "morning" else mine
    wish = text.Wish(person.timezone, person.fahrenheit, person.twelve_hour)
    ask = [one for one in seals if kind == "week" and sees(person, one)]
    ask.sort(key=lambda one: (one.site, text.slot_order(one.slot), one.unit))
    with catalogue.read_in(person.language):
        subject, body = text.list_message(
            kind, shown, wish, more=len(mine) - len(shown), corrected=corrected,
            seals=seal_text.list_lines(
                [(one.unit, one.line()) for one in ask[:IN_A_LIST]], more=len(ask[IN_A_LIST:])
            ),
            board_url=board_url, now_s=now_s,
        )  # fmt: skip
    told = [alarm for found in shown for alarm in found]
    about = dict.fromkeys((a.alarm_id, a.revision) for a in (*told, *corrected))
    return [
        Message(
            key=f"{list_key(person, kind, due)}{address}",
            person_id=person.person_id,
            address_key=address,
            kind=kind,
            rank=RANK["this week"],
            subject=subject,
            body=body,
            due_s=now_s,
            expires_s=due + KEPT_S[kind],
            alarms=tuple(about),
        )
        for address in person.addresses
    ]


def _walk(alarm: AlarmNow) -> tuple[object, ...]:
    """The most urgent first, then as one walks along the rows."""
    place = (alarm.site, text.slot_order(alarm.slot), alarm.unit, alarm.zone)
    return (RANK[alarm.class_], *place)


def _belongs(alarm: AlarmNow, kind: ListKind) -> bool:
    if kind == "season":
        return alarm.class_ == "season"
    return alarm.class_ != "season"
