"""Messages under deaths and outages: nothing is lost, and a crash doubles one at most, same id.

The death is tried before every executed line of the delivery, as `test_every_line` does for intake
and watch; then a seeded run has 200 restarts and 50 outages of the servers behind the addresses.
"""

import contextlib
import random
import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from monitor import messages, people
from monitor.config import Messages
from monitor.errors import DeliveryError
from monitor.store import AlarmStep, ChangedAlarm, Record, open_record
from monitor.store import people as kept
from monitor.store.engine import FILE_NAME
from monitor.store.people import Message, Person
from tests.faults.test_every_line import before_each_line, dump, files, put
from tests.test_messages import BY, NOW_S, Clock, furnish, new_alarm

ROOT = Path(__file__).parent.parent.parent
TRACED = (
    str(ROOT / "monitor" / "store" / "people.py"),
    str(ROOT / "monitor" / "messages.py"),
    str(ROOT / "monitor" / "people.py"),
)
SIZES = [  # seed, restarts, outages
    (0, 60, 15),
    *(pytest.param(seed, 200, 50, marks=pytest.mark.long) for seed in range(1, 4)),
]


def ready(folder: Path) -> Path:
    """Two people, an alarm told before and withdrawn since, a new one, one to be passed on."""
    with open_record(folder) as record:
        furnish(record)
        for name, place in (("Ann", 1), ("Ben", 2)):
            person = Person(name, "owner", "UTC", place=place, added_s=NOW_S - 8 * people.DAY_S)
            kept.add(record.engine, folder, person, [(f"json://127.0.0.1:9/{name}", "json")], by=BY)
        with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
            # keys are random otherwise, and each death would be told from every other by them
            db.execute("update person_address set key = 'at-' || address_id")
        (folder / kept.FILE_NAME).write_text('{"at-1": "ann", "at-2": "ben"}')
        for number in range(2):
            record.add_alarm(new_alarm(number), now_s=NOW_S)
        courier(record, folder, Clock(), []).turn()
        step = AlarmStep(NOW_S, "normal", "sillkeep", "late readings")
        record.change_alarm(ChangedAlarm(1, None, "normal", step, withdrawn_s=NOW_S), now_s=NOW_S)
        record.add_alarm(new_alarm(2), now_s=NOW_S)
    return folder


def courier(record: Record, home: Path, clock: Clock, out: list[str]) -> messages.Courier:
    def send(to: str | None, message: Message, _: bytes | None) -> None:
        assert to is not None
        out.append(f"{to} {message.key}")

    return messages.Courier(record, home, Messages(), clock, send)


def later() -> Clock:
    clock = Clock()
    clock.now_s += people.SECOND_PERSON_S + 60
    return clock


def test_a_death_before_any_line_of_a_delivery_loses_nothing_and_repeats_one_at_most(
    tmp_path: Path,
) -> None:
    home = ready(tmp_path / "first")
    start, addresses = files(home), (home / kept.FILE_NAME).read_bytes()
    out: list[str] = []
    states: dict[tuple[tuple[bytes, bytes], int], int] = {}
    with open_record(home) as record:
        post = courier(record, home, later(), out)

        def look() -> None:
            state = (files(home), len(out))
            states[state] = states.get(state, 0) + 1

        with before_each_line(look, TRACED):
            post.turn()
        look()
    assert len(out) == 4  # the withdrawal, the new one, told again, and passed on
    assert len(set(out)) == len(out)
    expected = dump(home)
    assert expected != dump(put(tmp_path / "before", start))
    for number, (state, handed_over) in enumerate(states):
        folder = put(tmp_path / f"state{number}", state)
        (folder / kept.FILE_NAME).write_bytes(addresses)
        again: list[str] = []
        with open_record(folder) as record:
            clock = later()
            for _ in range(4):
                courier(record, folder, clock, again).turn()
                clock.now_s += people.URGENT_WAIT_S
        whole = Counter([*out[:handed_over], *again])
        assert whole.keys() == set(out)  # nothing lost, nothing made up under another id
        assert sum(whole.values()) - len(whole) <= 1  # and at most the one of the crash doubled
    assert sum(states.values()) > 500
    assert len(states) > 12
    print(f"{sum(states.values())} lines, {len(states)} states")


def test_a_delivery_noted_before_it_happens_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin = kept.begin

    def early(engine: Any, message_id: int, *, next_s: int) -> None:
        begin(engine, message_id, next_s=next_s)
        kept.sent(engine, message_id, now_s=next_s)

    monkeypatch.setattr(kept, "begin", early)
    with pytest.raises(AssertionError):
        test_a_death_before_any_line_of_a_delivery_loses_nothing_and_repeats_one_at_most(tmp_path)


class Death(BaseException):
    """The process ends here."""


class World:
    """Two servers that fail for a while, and a process that dies now and then."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.clock = Clock()
        self.down: dict[str, int] = {}  # until when
        self.got: Counter[str] = Counter()
        self.dies: str = ""
        self.deaths_after = 0  # the message was taken, and the process died before it noted it
        self.failed = 0

    def send(self, to: str | None, message: Message, _: bytes | None) -> None:
        assert to is not None
        if self.dies == "before":
            self.dies = ""
            raise Death
        if self.clock.now_s < self.down.get(to, 0):
            self.failed += 1
            raise DeliveryError("mail server answered 451")
        self.got[f"{messages.message_id(message.key)} {message.subject}"] += 1
        if self.dies == "after":
            self.dies = ""
            self.deaths_after += 1
            raise Death


@pytest.mark.parametrize(("seed", "most_restarts", "most_outages"), SIZES)
def test_over_restarts_and_outages_each_message_comes_and_only_crashes_double(
    tmp_path: Path,
    seed: int,
    most_restarts: int,
    most_outages: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(people, "MOST_TELLINGS", 2)
    world = World(seed)
    with open_record(tmp_path) as record:
        furnish(record)
        for name in ("ann", "ben"):
            person = Person(name, "owner", "UTC", added_s=NOW_S)
            kept.add(record.engine, tmp_path, person, [(name, "json")], by=BY)
        raised = struck = rounds = 0
        outages = restarts = 0
        post = None
        while restarts < most_restarts or outages < most_outages:
            rounds += 1
            if rounds % 2:
                record.add_alarm(new_alarm(raised), now_s=world.clock.now_s)
                raised += 1
            if rounds % 4 == 0 and outages < most_outages:
                outages += 1
                who = world.rng.choice(("ann", "ben"))
                world.down[who] = world.clock.now_s + world.rng.randrange(30, 900)
            world.dies = world.rng.choice(("", "before", "after", "after"))
            struck += bool(world.dies)
            post = post or messages.Courier(record, tmp_path, Messages(), world.clock, world.send)
            try:
                post.turn()
            except Death:
                post, restarts = None, restarts + 1
            world.clock.now_s += world.rng.randrange(5, 120)
        world.dies, world.down = "", {}
        for _ in range(60):
            messages.Courier(record, tmp_path, Messages(), world.clock, world.send).turn()
            world.clock.now_s += 60
        with record.engine.connect() as db:
            states = Counter(row[0] for row in db.exec_driver_sql("select state from message"))
            made = {
                f"{messages.message_id(key)} {subject}"
                for key, subject in db.exec_driver_sql("select key, subject from message")
            }
    assert set(states) == {"sent"}
    urgent = {each for each in made if "ACT NOW" in each}
    assert len(urgent) == 2 * 2 * raised  # each alarm to both, and once more
    assert world.got.keys() == made
    doubled = sum(world.got.values()) - len(world.got)
    assert doubled == world.deaths_after  # one for each crash after the server took it
    assert world.deaths_after > most_restarts // 10
    assert world.failed > most_outages
    print(f"{len(made)} messages, {restarts} restarts, {outages} outages, {doubled} doubled")
