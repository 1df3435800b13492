"""Seals: when each is due and why, what is kept of them, who may note, and the calendar (RFC 5545)."""

import io
import json
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from dateutil.parser import isoparse
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar
from PIL import Image

from monitor import seals
from monitor.errors import InputError
from monitor.lot import (
    JOINT_KINDS,
    NO_DEFECT,
    SEAL_FINDINGS,
    SEALS_HURT,
    Event,
    Joint,
    SealBook,
    SealEntry,
    SealRule,
    Site,
    Unit,
    Zone,
)
from monitor.reports.calendar import calendar_file, plain
from monitor.seals import due, due_of, suggested, unconfirmed, warnings
from monitor.store import open_record
from monitor.text import seals as text
from tests.filled import NOW_S, filled_record
from tests.hostile import HOSTILE
from tests.signed import session
from tests.test_access import ORIGIN, Yard, form_token, make_yard, post
from tests.test_cli import sillkeep
from tests.test_pages import drawn

DAY_S = 86_400
BRUSSELS = "Europe/Brussels"
START_S = int(datetime(2030, 1, 10, 12, tzinfo=UTC).timestamp())
WALL = Joint("windows-off", "window", side="off", zone="off-rear-low", first_s=START_S, who="Ann")
ROOF = Joint("roof-vents", "roof opening", on_roof=True, first_s=START_S, who="Ann")
CLOSED = ("wet", "not rated")


def look(joint: str, at_s: int, finding="sound") -> SealEntry:
    return SealEntry(joint, "looked at", at_s, at_s, "Ann", finding=finding)


def reseal(joint: str, at_s: int, sealant="non-sag", **more) -> SealEntry:
    return SealEntry(joint, "resealed", at_s, at_s, "Ann", sealant=sealant, **more)


def at(year: int, month: int, day: int, hour: int = 12, timezone: str = BRUSSELS) -> int:
    return int(datetime(year, month, day, hour, tzinfo=ZoneInfo(timezone)).timestamp())


def one(joint: Joint, entries=(), events=(), *, now_s: int, timezone: str = BRUSSELS, **more):
    found = due([joint], entries, events, now_s=now_s, timezone=timezone, **more)
    return next(each for each in found if each.task == "look")


# --- when it is due -------------------------------------------------------------------------------


def test_a_year_of_a_wall_and_a_roof_by_the_rules():
    """Ninety days and spring or autumn, counted here with the calendar alone."""
    noted, walked = [], []
    for day in range(366):
        now_s = START_S + day * DAY_S
        for found in due([WALL, ROOF], noted, (), now_s=now_s, timezone=BRUSSELS):
            if found.now:
                walked.append((day, found.joint.code))
                noted.append(look(found.joint.code, now_s))
    first = date(2030, 1, 10)
    walls = [day for day, code in walked if code == WALL.code]
    roofs = [first + timedelta(days=day) for day, code in walked if code == ROOF.code]
    assert walls == [0, 90, 180, 270, 360]
    assert roofs == [date(2030, 1, 10), date(2030, 4, 1), date(2030, 10, 1)]


@pytest.mark.parametrize("kind", SEALS_HURT)
def test_hail_pulls_the_next_look_to_now_and_a_look_clears_it(kind):
    entries = [look(WALL.code, START_S), look(ROOF.code, START_S)]
    now_s = at(2030, 2, 3)
    hail = Event(at(2030, 2, 2), kind)
    for joint in (WALL, ROOF):
        before = one(joint, entries, now_s=now_s)
        assert not before.now
        pulled = one(joint, entries, [hail], now_s=now_s)
        assert (pulled.now, pulled.reason, pulled.day) == (True, kind, date(2030, 2, 2))
        cleared = one(joint, [*entries, look(joint.code, now_s)], [hail], now_s=now_s)
        assert not cleared.now
        assert cleared.reason in {"interval", "season"}


def test_rain_and_washes_pull_nothing():
    entries = [look(WALL.code, START_S)]
    others = [Event(START_S + DAY_S, kind) for kind in ("rain", "wash", "hose", "snow", "reseal")]
    found = one(WALL, entries, others, now_s=START_S + 2 * DAY_S)
    assert (found.now, found.reason) == (False, "interval")


def test_a_leak_suspect_pulls_what_is_near_and_no_more():
    entries = [look(WALL.code, START_S), look(ROOF.code, START_S)]
    since = START_S + 5 * DAY_S
    suspects = [("off-rear-high", since)]
    near = one(WALL, entries, now_s=since + 1, suspects=suspects)
    assert (near.now, near.reason, near.since_s) == (True, "leak suspect", since)
    assert not one(ROOF, entries, now_s=since + 1, suspects=suspects).now
    assert not one(WALL, entries, now_s=since + 1, suspects=[("door-front-low", since)]).now


def test_who_could_not_look_did_not_look():
    entries = [look(WALL.code, START_S), look(WALL.code, START_S + 89 * DAY_S, "could not look")]
    found = one(WALL, entries, now_s=START_S + 90 * DAY_S)
    assert (found.now, found.last_s) == (True, START_S)


@pytest.mark.parametrize("finding", [f for f in SEAL_FINDINGS if f not in NO_DEFECT])
def test_a_defect_stays_open_until_it_is_renewed_or_found_sound(finding):
    def defects(*entries: SealEntry) -> list[str]:
        found = due([WALL], entries, (), now_s=START_S + 9 * DAY_S, timezone=BRUSSELS)
        return [each.finding for each in found if each.task == "reseal"]

    bad = look(WALL.code, START_S, finding)
    later = START_S + DAY_S
    assert defects(bad) == [finding]
    assert defects(bad, look(WALL.code, later, "could not look")) == [finding]
    assert defects(bad, look(WALL.code, later)) == []
    assert defects(bad, reseal(WALL.code, later)) == []
    assert defects(reseal(WALL.code, later), bad) == []  # in whatever order they come
    assert defects(bad, reseal(WALL.code, later), look(WALL.code, later + 9, "cracked")) == [
        "cracked"
    ]


def test_the_most_urgent_stands_first():
    joints = [Joint(code, "window", first_s=START_S) for code in "abcd"]
    entries = [look("a", START_S), look("b", START_S, "cracked"), look("c", START_S + 80 * DAY_S)]
    hail = [Event(START_S + 60 * DAY_S, "hail")]
    found = due(joints, entries, hail, now_s=START_S + 95 * DAY_S, timezone="UTC")
    told = [(each.joint.code, each.reason) for each in found]
    assert told == [
        ("b", "defect"), ("a", "hail"), ("b", "hail"), ("d", "never looked"), ("c", "interval"),
    ]  # fmt: skip


def test_a_retired_joint_asks_for_nothing():
    assert due([Joint("x", retired=True)], (), (), now_s=START_S) == []


def test_a_rule_of_the_joint_goes_before_that_of_the_unit_and_none_means_the_default():
    def days(*rules: tuple[str, str, int | None]) -> int:
        made = [SealRule(group, joint, days, 0, "Ann", "manual") for group, joint, days in rules]
        found = one(WALL, [look(WALL.code, START_S)], now_s=START_S, rules=made)
        return (found.day - date(2030, 1, 10)).days

    assert days() == 90
    assert days(("walk", "", 60)) == 60
    assert days(("roof", "", 60)) == 90
    assert days(("walk", "", 60), ("walk", WALL.code, 30)) == 30
    assert days(("walk", WALL.code, 30), ("walk", "", 60)) == 30
    assert days(("walk", "", 60), ("walk", "", None)) == 90
    assert days(("walk", "", 60), ("walk", WALL.code, 30), ("walk", WALL.code, None)) == 60


@pytest.mark.parametrize(
    ("timezone", "looked", "next_"),
    [
        (BRUSSELS, (2031, 4, 2), date(2031, 10, 1)),
        (BRUSSELS, (2031, 3, 15), date(2031, 10, 1)),  # early in spring is this spring's
        (BRUSSELS, (2031, 12, 20), date(2032, 4, 1)),
        ("Australia/Hobart", (2031, 4, 2), date(2031, 10, 1)),
        ("Asia/Singapore", (2031, 4, 2), date(2031, 10, 1)),  # 182 days
        ("UTC", (2032, 2, 29), date(2032, 8, 29)),
    ],
)
def test_a_roof_is_looked_at_twice_a_year(timezone, looked, next_):
    joint = Joint("r", on_roof=True, first_s=0)
    found = one(joint, [look("r", at(*looked, timezone=timezone))], now_s=at(*looked, timezone=timezone), timezone=timezone)  # fmt: skip
    assert found.day == next_


def test_a_leap_day_is_a_day():
    found = one(WALL, [look(WALL.code, at(2031, 12, 1))], now_s=at(2031, 12, 2))
    assert found.day == date(2032, 2, 29)
    found = one(WALL, [look(WALL.code, at(2032, 2, 29))], now_s=at(2032, 3, 1))
    assert found.day == date(2032, 5, 29)


def test_days_are_those_of_the_site():
    late = at(2031, 6, 30, 23, "America/Los_Angeles")  # already July in UTC
    joint = Joint("w", first_s=0)
    here = one(joint, [look("w", late)], now_s=late, timezone="America/Los_Angeles")
    assert here.day == date(2031, 9, 28)
    assert one(joint, [look("w", late)], now_s=late, timezone="UTC").day == date(2031, 9, 29)
    midnight = at(2031, 9, 28, 0, "America/Los_Angeles")
    for now_s, is_now in ((midnight - 1, False), (midnight, True)):
        found = one(joint, [look("w", late)], now_s=now_s, timezone="America/Los_Angeles")
        assert found.now is is_now


times = st.integers(0, 700).map(
    lambda day: START_S - 200 * DAY_S + day * DAY_S + day * 7919 % DAY_S
)
looks = st.builds(look, st.just("j"), times, st.sampled_from(SEAL_FINDINGS[1:]))
reseals = st.builds(reseal, st.just("j"), times)
events = st.builds(Event, times, st.sampled_from([*SEALS_HURT, "rain"]))
ruled = st.lists(
    st.builds(SealRule, st.sampled_from(["walk", "roof"]), st.sampled_from(["", "j"]),
              st.one_of(st.none(), st.integers(1, 400)), st.just(0), st.just("A"), st.just("w")),
    max_size=3,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(
    on_roof=st.booleans(),
    entries=st.lists(looks | reseals, max_size=6),
    entry=looks | reseals,
    happened=st.lists(events, max_size=4),
    event=events,
    rules=ruled,
    timezone=st.sampled_from([BRUSSELS, "UTC", "Pacific/Auckland", "America/Los_Angeles"]),
)
def test_an_entry_makes_nothing_due_earlier_and_an_event_nothing_later(
    on_roof, entries, entry, happened, event, rules, timezone
):
    joint = Joint("j", on_roof=on_roof, first_s=START_S)
    told = {"now_s": START_S + 300 * DAY_S, "timezone": timezone, "rules": rules}
    before = one(joint, entries, happened, **told).day
    assert one(joint, [*entries, entry], happened, **told).day >= before
    assert one(joint, entries, [*happened, event], **told).day <= before
    assert one(joint, entries[::-1], happened[::-1], **told).day == before


# --- what to know before it is renewed ------------------------------------------------------------


def test_a_new_kind_on_an_old_one_is_said_and_has_to_be_confirmed():
    own = [reseal(ROOF.code, START_S, "self-levelling lap")]
    assert warnings(ROOF, own, "self-levelling lap") == ()
    assert warnings(ROOF, own, "butyl tape") == ("other kind",)
    assert warnings(ROOF, (), "butyl tape") == ("kind unknown",)
    assert warnings(ROOF, own, "silicone") == ("other kind", "silicone on the roof")
    assert warnings(WALL, [reseal(WALL.code, START_S, "silicone")], "silicone") == ()
    assert unconfirmed(ROOF, (), "butyl tape", ()) == ()
    assert unconfirmed(ROOF, own, "silicone", ["old sealant taken off"]) == (
        "silicone on the roof",
    )
    assert unconfirmed(ROOF, own, "silicone", [*text.CONFIRMED]) == ()


@pytest.mark.parametrize("kind", JOINT_KINDS)
def test_nobody_is_told_to_go_on_a_roof(kind):
    for closed in (CLOSED, ()):
        for renew in (False, True):
            said = " ".join(
                text.how_text(kind, on_roof=True, high=True, closed=closed, renew=renew)
            )
            assert ("Keep off the roof: a roof zone is wet" in said) == bool(closed)
            assert ("licensed person" in said) == bool(closed)
            assert "ladder" in said
            assert not re.search(r"(?i)\b(climb|walk|go|step|stand) (up )?on(to)? the roof", said)
            assert ("do not press water" in said) == (kind == "slide wiper")


def test_every_kind_has_its_words():
    for reason in ("defect", "leak suspect", *SEALS_HURT, "never looked", "season", "interval"):
        said = text.why_text(reason, since="1 Apr 2030", days=90, finding="cracked")
        assert "1 Apr 2030" in said
    assert set(text.WARNED) == {"other kind", "kind unknown", "silicone on the roof"}
    assert set(text.CONFIRMED) == set(seals.CONFIRMS.values())


# --- a first set ----------------------------------------------------------------------------------


def test_a_first_set_goes_by_body_slides_and_zones():
    zones = [Zone("u", "off-rear-low"), Zone("u", "roof-vent1", "roof"), Zone("u", "slide1-floor-front", "slide-floor")]  # fmt: skip

    def made(body: str, slides: int | None = 0) -> dict[str, Joint]:
        found = suggested(body, slides, zones, who="Ann", now_s=START_S)
        assert len({joint.code for joint in found}) == len(found)
        return {joint.code: joint for joint in found}

    trailer = made("travel trailer", 2)
    assert {"cap-front", "corner-off-rear", "slide2-wiper"} <= set(trailer)
    assert trailer["corner-off-rear"].zone == "off-rear-low"
    assert trailer["corner-door-front"].zone == ""
    assert trailer["roof-vents"].zone == "roof-vent1"
    assert trailer["slide1-flange"].zone == "slide1-floor-front"
    assert trailer["slide2-flange"].zone == ""
    assert trailer["roof-cooler"].on_roof
    assert not trailer["entry-door"].on_roof
    assert not set(made("van")) & {"cap-front", "corner-off-rear"}
    assert "bunk-front" in made("class C")
    assert "slide1-roof" not in made("fifth wheel", None)


# --- the record -----------------------------------------------------------------------------------


@pytest.fixture
def record(tmp_path: Path):
    with open_record(tmp_path) as made:
        made.add_site(Site("yard", timezone=BRUSSELS))
        made.add_unit(Unit("u1", "yard"))
        made.add_unit(Unit("u2", "yard"))
        made.add_zone("yard", Zone("u1", "off-rear-low"))
        joints = [Joint(c, "window", zone=z, at_s=START_S, who="Ann") for c, z in (("a", "off-rear-low"), ("b", ""))]  # fmt: skip
        made.enter_joints("u1", joints)
        yield made


def test_a_joint_is_changed_and_retired_and_what_it_was_stays(record):
    record.enter_joints("u1", [Joint("a", "awning rail", at_s=START_S + 5, who="Bob", why="seen")], change=True)  # fmt: skip
    record.enter_joints("u1", [Joint("b", "window", retired=True, at_s=START_S + 6, who="Bob")], change=True)  # fmt: skip
    now = {joint.code: joint for joint in record.joints("u1")}
    assert (now["a"].kind, now["a"].first_s, now["a"].who) == ("awning rail", START_S, "Bob")
    assert now["b"].retired
    assert [(j.code, j.kind) for j in record.joint_history("u1")] == [
        ("a", "window"), ("b", "window"), ("a", "awning rail"), ("b", "window")]  # fmt: skip
    assert record.joints("u2") == ()
    with pytest.raises(InputError, match="retired"):
        record.note_seals("u1", [look("b", START_S)])


@pytest.mark.parametrize(
    ("joint", "said"),
    [
        (Joint("a", who="Ann"), "already"),
        (Joint("", who="Ann"), "code"),
        (Joint("a/b", who="Ann"), "code"),
        (Joint("c"), "who"),
        (Joint("c", zone="nowhere", who="Ann"), "no zone"),
        (Joint("c", kind="hull", who="Ann"), "no kind of joint"),
        (Joint("c", side="left", who="Ann"), "side"),
        (Joint("c", height_m=float("nan"), who="Ann"), "height"),
        (Joint("c", place="x" * 401, who="Ann"), "letters"),
    ],
)
def test_a_joint_that_is_wrong_says_why(record, joint, said):
    with pytest.raises(InputError, match=said):
        record.enter_joints("u1", [joint])
    assert len(record.joint_history("u1")) == 2


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (look("nothing", START_S), "no joint"),
        (look("a", START_S, ""), "say what was found"),
        (look("a", START_S, "fine"), "say what was found"),
        (reseal("a", START_S, ""), "which kind"),
        (reseal("a", START_S, photos=("0" * 64,)), "photo"),
        (
            SealEntry("a", "looked at", START_S + 1, START_S, "Ann", finding="sound"),
            "still to come",
        ),
        (SealEntry("a", "looked at", START_S, START_S, "", finding="sound"), "who"),
    ],
)
def test_an_entry_that_is_wrong_says_why_and_none_of_its_go_is_kept(record, entry, said):
    with pytest.raises(InputError, match=said):
        record.note_seals("u1", [reseal("b", START_S), entry])
    assert record.seal_entries("u1") == []
    assert record.events("yard", unit="u1") == []


def test_a_reseal_is_an_event_of_the_unit_once(record):
    both = [reseal("a", START_S, product="x"), reseal("b", START_S)]
    assert record.note_seals("u1", both) == 2
    assert record.note_seals("u1", both) == 0  # sent twice
    assert record.note_seals("u1", [look("a", START_S + 90)]) == 1
    assert record.note_seals("u1", [reseal("a", START_S + 99)]) == 1
    found = [(e.kind, e.unit, e.zone, e.value) for e in record.events("yard", unit="u1")]
    assert found == [
        ("reseal", "u1", "", "a: non-sag, b: non-sag"),
        ("reseal", "u1", "off-rear-low", "a: non-sag"),
    ]
    assert len(record.seal_entries("u1")) == 4


def test_the_book_has_events_of_the_unit_and_its_site_alone(record):
    record.add_event("yard", Event(START_S, "hail"), recorded_s=START_S)
    record.add_event("yard", Event(START_S, "branch", unit="u1"), recorded_s=START_S)
    record.add_event("yard", Event(START_S, "rain", "3"), recorded_s=START_S)
    kinds = {unit: [e.kind for e in book.events] for unit, book in record.seal_books().items()}
    assert kinds == {"u1": ["hail", "branch"], "u2": ["hail"]}
    assert record.seal_book("u1") == record.seal_books()["u1"]
    with pytest.raises(InputError):
        record.seal_book("nobody")


def test_a_rule_needs_its_reason(record):
    with pytest.raises(InputError, match="why"):
        record.rule_seals("u1", SealRule("walk", "", 60, 0, "Ann", ""))
    with pytest.raises(InputError, match="interval"):
        record.rule_seals("u1", SealRule("walk", "", 0, 0, "Ann", "so"))
    with pytest.raises(InputError, match="no joint"):
        record.rule_seals("u1", SealRule("walk", "c", 9, 0, "Ann", "so"))
    rule = SealRule("roof", "", 0, START_S, "Ann", "page 12")
    record.rule_seals("u1", rule)
    assert record.seal_rules("u1") == [rule]


# --- the calendar ---------------------------------------------------------------------------------

REQUIRED = {  # RFC 5545, 3.6 and 3.6.1 (METHOD is there, so DTSTART is not required, but 3.6.1 wants UID, DTSTAMP)
    "VCALENDAR": ("PRODID", "VERSION"),
    "VEVENT": ("UID", "DTSTAMP", "DTSTART", "SUMMARY"),
    "VALARM": ("ACTION", "TRIGGER", "DESCRIPTION"),  # 3.6.6, ACTION:DISPLAY
}


def checked(made: bytes) -> list[dict[str, str]]:
    """Properties of the events of a file, read by RFC 5545 alone: 3.1 lines, 3.3.11 TEXT, 3.6 components."""
    assert made.endswith(b"\r\n")
    assert b"\n" not in made.replace(b"\r\n", b"")
    assert b"\r" not in made.replace(b"\r\n", b"")
    lines = made.split(b"\r\n")[:-1]
    for line in lines:
        assert len(line) <= 75, line  # octets, without the line break
        line.decode("utf-8", "strict")  # no letter is cut (allowed by 3.1, but unkind)
        assert not re.search(rb"[\x00-\x08\x0a-\x1f\x7f]", line)
    unfolded = made.decode().replace("\r\n ", "").replace("\r\n\t", "").split("\r\n")[:-1]
    stack: list[tuple[str, dict[str, str]]] = []
    found = []
    for line in unfolded:
        name, _, value = line.partition(":")
        name, *parameters = name.split(";")
        assert re.fullmatch(r"[A-Z-]+", name), line
        if name == "BEGIN":
            stack.append((value, {}))
        elif name == "END":
            component, had = stack.pop()
            assert component == value
            assert [need for need in REQUIRED[component] if need not in had] == []
            found += [had] if component == "VEVENT" else []
        else:
            assert name not in stack[-1][1], f"{name} is there twice"
            stack[-1][1][name] = value
            if name == "DTSTART":
                assert parameters == ["VALUE=DATE"]
                assert re.fullmatch(r"\d{8}", value)
            if name in {"SUMMARY", "DESCRIPTION"}:
                assert not re.search(r"(?<!\\)(\\\\)*[,;]", value), value  # 3.3.11: escaped
    assert stack == []
    assert len({each["UID"] for each in found}) == len(found)
    return found


def book(entries=(), events=(), *, joints=(WALL, ROOF), changes: int = 5, **more) -> SealBook:
    return SealBook("u1", "yard", BRUSSELS, tuple(joints), tuple(entries), (), tuple(events), (), changes, **more)  # fmt: skip


def test_the_calendar_holds_to_the_standard_and_two_readers_agree():
    made = calendar_file(book([look(WALL.code, START_S), look(ROOF.code, START_S, "cracked")]), now_s=START_S + 9, closed=CLOSED, remind=True)  # fmt: skip
    events_ = checked(made)
    parsed = Calendar.from_ical(made)
    assert parsed["version"] == "2.0"
    standing = [each for each in parsed.walk("VEVENT") if each["status"] == "CONFIRMED"]
    days = {str(each["summary"]): each.decoded("dtstart") for each in standing}
    assert days == {
        "u1: look at 1 joint": date(2030, 4, 10),
        "u1: look at 1 joint of the roof": date(2030, 4, 1),
        "u1: renew the seal roof-vents": date(2030, 1, 10),
    }
    assert sorted(isoparse(each["DTSTART"]).date() for each in events_) == sorted(days.values())
    assert {isoparse(each["DTSTAMP"]) for each in events_} == {datetime.fromtimestamp(START_S + 9, UTC)}  # fmt: skip
    assert made.count(b"ACTION:DISPLAY") == 3
    assert made.count(b"TRIGGER:-P7D") == 3
    assert b"VALARM" not in calendar_file(book(), now_s=START_S, closed=())
    assert "Keep off the roof: a roof zone is wet" in str(standing[0]["description"]).replace("\n", " ") + str(standing[1]["description"])  # fmt: skip


class Reader:
    """A calendar that takes files as RFC 5545 and 5546 say: by UID, the higher SEQUENCE holds."""

    def __init__(self) -> None:
        self.held: dict[str, tuple[int, str, str]] = {}

    def take(self, made: bytes) -> None:
        for each in checked(made):
            sequence = int(each["SEQUENCE"])
            if each["UID"] not in self.held or self.held[each["UID"]][0] <= sequence:
                self.held[each["UID"]] = (sequence, each["DTSTART"], each["STATUS"])

    @property
    def days(self) -> list[str]:
        return sorted(day for _, day, status in self.held.values() if status == "CONFIRMED")


def test_taking_the_file_again_moves_entries_and_doubles_none():
    reader, joints = Reader(), [WALL]
    looked = [look(WALL.code, START_S)]
    hail = [Event(START_S + 20 * DAY_S, "hail")]
    again = [*looked, look(WALL.code, START_S + 21 * DAY_S, "cracked")]
    done = [*again, reseal(WALL.code, START_S + 25 * DAY_S)]
    steps = [
        (looked, [], 0, ["20300410"]),
        (looked, [], 5, ["20300410"]),
        (looked, hail, 20, ["20300130"]),
        (again, hail, 21, ["20300131", "20300501"]),
        (done, hail, 25, ["20300505"]),
    ]
    for number, (entries, happened, day, days) in enumerate(steps):
        now_s = START_S + day * DAY_S + 60
        made = calendar_file(book(entries, happened, joints=joints, changes=number), now_s=now_s, closed=())  # fmt: skip
        assert made == calendar_file(book(entries, happened, joints=joints, changes=number), now_s=now_s, closed=())  # fmt: skip
        reader.take(made)
        reader.take(made)
        assert reader.days == days, number


def test_what_is_written_only_ever_raises_the_sequence(record):
    counts = [record.seal_book("u1").changes]
    acts = (
        lambda: record.note_seals("u1", [look("a", START_S)]),
        lambda: record.add_event("yard", Event(START_S, "hail"), recorded_s=START_S),
        lambda: record.rule_seals("u1", SealRule("walk", "", 60, 0, "Ann", "so")),
        lambda: record.enter_joints("u1", [Joint("a", retired=True, who="Ann")], change=True),
    )
    for act in acts:
        act()
        counts.append(record.seal_book("u1").changes)
    assert counts == sorted(set(counts))


AWKWARD = [
    "a, b; c: d\\e",
    "two\nlines\r\nand\rthree",
    "BEGIN:VEVENT\r\nUID:x\r\nEND:VEVENT",
    "Dichtung über dem Fenster – 窓の上 🚐" * 9,
    "\x00\x07\x1b[31m\x7f\x85\u2028end",
    "x" * 400,
    "\\n\\, \\;",
    "\ud800",
    *HOSTILE,
]


@pytest.mark.parametrize("said", AWKWARD)
def test_awkward_text_stays_text_in_the_calendar(said):
    awkward = Joint("w", place=said, first_s=START_S)
    made = calendar_file(
        SealBook(said, "yard", "UTC", (awkward,)), now_s=START_S, closed=(), remind=True
    )
    assert len(checked(made)) == 1
    (event,) = Calendar.from_ical(made).walk("VEVENT")
    assert str(event["summary"]) == plain(f"{said}: look at 1 joint")
    assert plain(said) in str(event["description"])


@settings(max_examples=100, deadline=None)
@given(said=st.text(max_size=300))
def test_any_text_is_read_back_as_it_was(said):
    made = calendar_file(SealBook("u", "y", "UTC", (Joint("w", place=said),)), now_s=START_S, closed=())  # fmt: skip
    checked(made)
    (event,) = Calendar.from_ical(made).walk("VEVENT")
    assert plain(said) in str(event["description"])


# --- pages and forms ------------------------------------------------------------------------------


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    with filled_record(tmp_path, days=2) as record:
        joints = suggested("travel trailer", 1, record.zones("van-wet"), who="Ann", now_s=NOW_S - 200 * DAY_S)  # fmt: skip
        record.enter_joints("van-wet", joints)
    session(tmp_path, now_s=NOW_S, name="Somebody")
    return make_yard(tmp_path)


def noted_in(yard: Yard, unit: str = "van-wet") -> list[SealEntry]:
    with open_record(yard.home, read_only=True) as record:
        return record.seal_entries(unit)


def test_a_unit_without_joints_gets_the_usual_ones_by_a_button(yard):
    client = yard.somebody("technician")
    assert "No joints of this unit are entered" in drawn(client, "/unit/van-dry/seals")
    post(client, "/unit/van-dry/seals/suggest")
    assert "roof-vents" in drawn(client, "/unit/van-dry/seals")
    assert "already" in post(client, "/unit/van-dry/seals/suggest").location


def test_a_walk_is_noted_with_one_form_and_what_is_left_stays_due(yard):
    client = yard.somebody("technician")
    data = {"token": form_token(client), "finding": "sound", "joint": ["entry-door", "bays-off"]}
    client.post("/unit/van-wet/seals/look", data=data, headers=ORIGIN)
    assert {(e.joint, e.finding) for e in noted_in(yard)} == {("entry-door", "sound"), ("bays-off", "sound")}  # fmt: skip
    shown = drawn(client, "/unit/van-wet/seals")
    assert "22 of 24 joints are due" in shown
    assert "23 Feb 2026" in shown  # 90 days on


def test_a_reseal_with_another_kind_is_kept_only_when_the_old_one_is_off(yard):
    client = yard.somebody("owner")
    sent = {"joint": "roof-vents", "back": "roof-vents", "product": "Tube 7"}
    post(client, "/unit/van-wet/seals/reseal", sealant="self-levelling lap", **sent)
    refused = post(client, "/unit/van-wet/seals/reseal", sealant="silicone", **sent).location
    assert "Not+noted" in refused
    assert "self-levelling+lap" in refused
    assert len(noted_in(yard)) == 1
    data = {
        "token": form_token(client),
        "sealant": "silicone",
        **sent,
        "confirmed": [*text.CONFIRMED],
    }
    client.post("/unit/van-wet/seals/reseal", data=data, headers=ORIGIN)
    assert noted_in(yard)[1].confirmed == tuple(sorted(text.CONFIRMED))
    shown = drawn(client, "/unit/van-wet/seals", "?joint=roof-vents")
    assert "Tube 7" in shown
    assert "The last time it was sealed with: silicone" in shown
    assert "Silicone does not belong on a membrane roof" in shown


def test_photos_come_with_an_entry_and_are_shown(yard):
    client = yard.somebody("technician")
    files = []
    for number in range(2):
        out = io.BytesIO()
        Image.new("RGB", (64, 48), (number * 90, 20, 20)).save(out, "JPEG")
        out.seek(0)
        files.append((out, f"{number}.jpg"))
    data = {"token": form_token(client), "joint": "cap-rear", "finding": "cracked", "photo": files}
    client.post("/unit/van-wet/seals/look", data=data, headers=ORIGIN)
    (entry,) = noted_in(yard)
    assert len(entry.photos) == 2
    shown = drawn(client, "/unit/van-wet/seals")
    assert "Found cracked" in shown
    for digest in entry.photos:
        assert f"/photo/van-wet/{digest}.jpg" in shown
        assert client.get(f"/photo/van-wet/{digest}.jpg").status_code == 200


def test_hail_is_noted_by_form_and_a_day_may_be_given(yard):
    client = yard.somebody("technician")
    for joint in ("entry-door", "roof-vents"):
        post(client, "/unit/van-wet/seals/look", joint=joint, finding="sound", day="2025-11-20")
    assert noted_in(yard)[0].at_s == at(2025, 11, 20)
    post(client, "/unit/van-wet/seals/event", kind="hail", day="2025-11-22", what="walnuts")
    with open_record(yard.home, read_only=True) as record:
        reasons = {d.joint.code: d.reason for d in due_of(record.seal_book("van-wet"), now_s=NOW_S)}
    assert (reasons["entry-door"], reasons["roof-vents"]) == ("hail", "hail")
    assert "22 Nov 2025: hail, walnuts" in drawn(client, "/unit/van-wet/seals")
    for day in ("2025-11-27", "2025-13-01", "0001-01-01"):
        assert (
            "Not+noted" in post(client, "/unit/van-wet/seals/event", kind="hail", day=day).location
        )
    assert "Not+noted" in post(client, "/unit/van-wet/seals/event", kind="rain").location


def test_a_joint_is_changed_retired_and_ruled_by_form(yard):
    client = yard.somebody("lot lead")
    path = "/unit/van-wet/seals"
    post(client, f"{path}/add", code="Roof-Antenna", kind="roof opening", on_roof="1", height="3,1")
    post(
        client,
        f"{path}/change",
        joint="roof-antenna",
        kind="ladder or rack",
        on_roof="1",
        why="a rack",
    )
    post(client, f"{path}/rule", of="roof-antenna", group="roof", days="30", why="page 12")
    assert "Not+noted" in post(client, f"{path}/retire", joint="roof-antenna").location
    post(client, f"{path}/retire", joint="roof-antenna", why="taken off")
    with open_record(yard.home, read_only=True) as record:
        joint = next(j for j in record.joints("van-wet") if j.code == "roof-antenna")
        assert (joint.kind, joint.retired, joint.why) == ("ladder or rack", True, "taken off")
        assert record.seal_rules("van-wet")[0].days == 30
    assert "1 retired" in drawn(client, path)
    assert "page 12" in drawn(client, path)


@pytest.mark.parametrize("role", ["sales", "auditor"])
def test_who_only_reads_gets_no_form_and_no_way_past_it(yard, role):
    client = yard.somebody(role)
    shown = drawn(client, "/unit/van-wet/seals")
    assert "24 of 24 joints are due" in shown
    assert "/seals/" not in shown
    assert "/seals/" not in drawn(client, "/unit/van-wet/seals", "?joint=cap-rear")
    assert post(client, "/unit/van-wet/seals/look", joint="cap-rear", finding="sound").status_code == 403  # fmt: skip
    assert noted_in(yard) == []


def test_units_out_of_reach_are_neither_shown_nor_written_nor_taken(yard):
    from monitor.store.users import Reach

    reach = Reach(units=frozenset({"van-dry"}))
    client = yard.client(session(yard.home, now_s=NOW_S, role="owner", reach=reach, name="One"))
    assert "van-wet" not in drawn(client, "/seals")
    assert "No unit" in drawn(client, "/unit/van-wet/seals")
    assert client.get("/unit/van-wet/seals.ics").status_code == 404
    assert post(client, "/unit/van-wet/seals/look", joint="cap-rear", finding="sound").status_code == 404  # fmt: skip
    assert noted_in(yard) == []


def test_the_file_is_handed_out_and_holds_to_the_standard(yard):
    answer = yard.somebody("auditor").get("/unit/van-wet/seals.ics")
    assert answer.content_type == "text/calendar; charset=utf-8"
    assert len(checked(answer.data)) == 2
    assert b"VALARM" not in answer.data
    assert b"VALARM" in yard.somebody("owner").get("/unit/van-wet/seals.ics?remind=1").data


def test_the_lot_lists_units_by_the_day_on_which_they_are_due(yard):
    with open_record(yard.home) as record:
        record.enter_joints("van-dry", [Joint("x", at_s=NOW_S - 9 * DAY_S, who="Ann")])
        record.note_seals("van-dry", [look("x", NOW_S - DAY_S)])
    shown = drawn(yard.somebody("lot lead"), "/seals")
    assert "Something is due at 1 of 3 units" in shown
    assert shown.index("van-wet") < shown.index("van-dry") < shown.index("van-lost")
    assert "1 unit without joints" in shown


def test_the_page_of_a_unit_says_when_and_older_notes_of_reseals_still_count(yard):
    client = yard.somebody("owner")
    assert "Seals: 24 of 24 joints are due" in drawn(client, "/unit/van-wet")
    assert "Seals: nobody noted" in drawn(client, "/unit/van-dry")
    with open_record(yard.home) as record:
        record.add_event("yard", Event(NOW_S - DAY_S, "reseal", unit="van-dry"), recorded_s=NOW_S)
    assert "Seals: looked at or renewed on 24 Nov 2025" in drawn(client, "/unit/van-dry")


def test_the_closed_roof_is_said_where_it_bears(yard):
    client = yard.somebody("technician")
    on_roof = drawn(client, "/unit/van-wet/seals", "?joint=roof-cooler")
    assert "Keep off the roof: no probe watches the roof" in on_roof
    assert "licensed person" in on_roof
    assert "Keep off the roof" not in drawn(client, "/unit/van-wet/seals", "?joint=entry-door")
    assert "do not press water past them" in drawn(
        client, "/unit/van-wet/seals", "?joint=slide1-wiper"
    )


def test_hostile_text_stays_text_on_the_pages(yard):
    with open_record(yard.home) as record:
        joints = [Joint(f"h{n}", place=said, why=said, at_s=NOW_S - DAY_S, who=said) for n, said in enumerate(HOSTILE)]  # fmt: skip
        record.enter_joints("van-dry", joints)
        record.note_seals("van-dry", [
            SealEntry(f"h{n}", "resealed", NOW_S - 9, NOW_S, said, sealant="other kind", product=said, note=said)
            for n, said in enumerate(HOSTILE)])  # fmt: skip
        record.rule_seals("van-dry", SealRule("walk", "", 9, NOW_S, HOSTILE[0], HOSTILE[1]))
        record.add_event("yard", Event(NOW_S - 99, "hail", HOSTILE[2], unit="van-dry"), recorded_s=NOW_S)  # fmt: skip
    client = yard.somebody("owner")
    for address in ("/seals", "/unit/van-dry/seals", *(f"/unit/van-dry/seals?joint=h{n}" for n in range(0, 50, 7))):  # fmt: skip
        shown = drawn(client, *address.partition("?")[::2])
        assert "<script" not in shown.lower()
        assert not re.search(r"<(img|svg|iframe)[^>]*\son\w+=", shown.lower())
    assert "No joint" in drawn(client, "/unit/van-dry/seals", "?joint=<script>")


# --- the command line -----------------------------------------------------------------------------


def test_the_command_does_all_of_it(tmp_path):
    with open_record(tmp_path) as record:
        record.add_site(Site("yard", timezone=BRUSSELS))
        record.add_unit(Unit("u1", "yard", slides=1))

    def run(*words: str, fails: bool = False) -> str:
        done = sillkeep(tmp_path, "seal", *words)
        assert (done.returncode != 0) == fails, done.stderr
        return done.stderr if fails else done.stdout

    assert "no joints" in run("list")
    assert "24 joints" in run("add", "u1", "--suggest", "--who", "Ann")
    run("add", "u1", "roof-antenna", "--kind", "roof opening", "--on-roof", "--who", "Ann")
    run("look", "u1", "roof-antenna", "entry-door", "--found", "cracked", "--who", "Ann")
    run("reseal", "u1", "entry-door", "--sealant", "non-sag", "--who", "Ann")
    refused = run(
        "reseal", "u1", "entry-door", "--sealant", "butyl tape", "--who", "Ann", fails=True
    )
    assert "It was sealed with non-sag" in refused
    run("reseal", "u1", "entry-door", "--sealant", "butyl tape", "--old-off", "--who", "Ann")
    run("rule", "u1", "--joint", "entry-door", "--days", "30", "--who", "Ann", "--why", "page 12")
    listed = json.loads(run("list", "u1", "--json"))
    assert (listed[0]["joint"], listed[0]["task"], listed[0]["finding"]) == ("roof-antenna", "reseal", "cracked")  # fmt: skip
    assert "Keep off the roof" in " ".join(listed[0]["how"])
    door = next(row for row in listed if row["joint"] == "entry-door")
    assert (door["now"], door["days"]) == (False, 30)
    run("calendar", "u1", "--out", str(tmp_path / "u1.ics"))
    assert len(checked((tmp_path / "u1.ics").read_bytes())) >= 3
    added = sillkeep(tmp_path, "event", "add", "hail", "--site", "yard")
    assert added.returncode == 0, added.stderr
