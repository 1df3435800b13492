"""Several watches at one record come to what one comes to, and one that was overtaken keeps nothing."""

import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from monitor import judge, watch
from monitor.cli import _House, _keep_house
from monitor.config import Settings
from monitor.errors import MeanwhileError
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import OutboxItem, Record, open_record
from monitor.store.engine import is_server
from monitor.store.leasing import ALONE, LEASE_S, Leases, leases_of
from sensors.wire import Reading
from tests.judging import DAY_S, START_S

HOUR_S = 3600
UNITS = 3


def furnish(record: Record) -> None:
    """Three units with a wall each, the wall of each by a node of its own, and the air outside."""
    record.add_site(Site("yard"))
    for number in range(UNITS + 1):
        unit = f"u{number}" if number else ""
        if unit:
            record.add_unit(Unit(unit, "yard"))
        zone = "off-rear-low" if unit else "outside"
        record.add_zone("yard", Zone(unit, zone, "wall" if unit else "outside"))
        placed_s = START_S - 3 * DAY_S
        placement = Placement(f"n{number}", "p1", "yard", unit, zone, placed_s)
        record.place(placement, recorded_s=placed_s, who="test")


def samples(from_h: int, to_h: int) -> list[Reading]:
    """Of all nodes: wet walls in turn, and water at one of them."""
    return [
        Reading(site="yard", node=f"n{number}", boot=1, seq=half, at_s=START_S + 1800 * half + 60,
                temperature_c=12.0, humidity_percent=93.0 if half // 48 == number else 60.0,
                contact=number == 2 and half in {170, 171})
        for half in range(2 * from_h, 2 * to_h)
        for number in range(UNITS + 1)
    ]  # fmt: skip


def kept(record: Record) -> dict[str, list[Any]]:
    """All that judging leaves, by codes and in an order of its own."""
    queries = {
        "hour": "select u.code, z.code, h.* from hour h join zone z using (zone_id)"
        " left join unit u using (unit_id)",
        "checkpoint": "select u.code, c.* from checkpoint c join unit u using (unit_id)",
        "alarm": "select * from alarm",
        "alarm_step": "select a.key, s.* from alarm_step s join alarm a using (alarm_id)",
        "outbox": "select * from outbox",
        "unit": "select code, judged_to, dirty_hour from unit",
    }
    found: dict[str, list[Any]] = {}
    with record.engine.connect() as db:
        for name, query in queries.items():
            rows = [dict(row) for row in db.exec_driver_sql(query).mappings()]
            for row in rows:  # numbers of rows tell only which came first
                for own in ("alarm_id", "alarm_step_id", "step_id", "outbox_id"):
                    row.pop(own, None)
            found[name] = sorted(rows, key=repr)
    return found


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Callable[..., list[Record]]]:
    """Opens a record of the yard so many times."""
    made: list[Record] = []

    def make(name: str, count: int = 1) -> list[Record]:
        records = [open_record(tmp_path / name) for _ in range(count)]
        furnish(records[0])
        made.extend(records)
        return records

    yield make
    for record in made:
        record.close()


def rounds(record: Record, look: Callable[[int], None]) -> None:
    """Days of readings in parts, some of them late, with a round after each."""
    parts = ((0, 60), (80, 100), (60, 80), (100, 121), (121, 140))
    for first, last in parts:
        now_s = START_S + max(last, 100) * HOUR_S
        record.take(samples(first, last), [], received_s=now_s)
        look(now_s)
    look(now_s + 3 * DAY_S)  # all have fallen silent


@pytest.fixture(scope="module")
def by_one(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """What a lone watch leaves."""
    with open_record(tmp_path_factory.mktemp("one")) as record:
        furnish(record)
        rounds(record, partial(_look, record))
        return _looked(record)


def _look(record: Record, now_s: int) -> None:
    watch.tick(record, now_s=now_s)


def _looked(record: Record) -> dict[str, list[Any]]:
    found = kept(record)
    kinds = {row["kind"] for row in found["alarm"]}
    assert {"water contact", "silent"} <= kinds, kinds
    with record.engine.connect() as db:
        assert db.exec_driver_sql("select count(*) from lease").scalar_one() == 0
    return found


@pytest.mark.parametrize("where", ["between units", "while a unit is judged"])
def test_two_watches_in_between_each_other_leave_what_one_leaves(
    opened: Callable[..., list[Record]],
    by_one: dict[str, list[Any]],
    monkeypatch: pytest.MonkeyPatch,
    where: str,
) -> None:
    mine, others = opened("two", 2)
    clock = [0]
    ours = Leases(mine, "watch", lambda: clock[0])
    theirs = Leases(others, "watch-2", lambda: clock[0])
    judged = {"watch": 0, "watch-2": 0}
    busy: list[int] = []

    def other() -> None:
        if not busy:
            busy.append(1)
            judged["watch-2"] += watch.tick(others, now_s=clock[0], leases=theirs).units
            busy.clear()

    def look(now_s: int) -> None:
        clock[0] = now_s
        alive = other if where == "between units" else lambda: None
        judged["watch"] += watch.tick(mine, now_s=now_s, leases=ours, alive=alive).units
        other()

    advance = judge.advance

    def interrupted(*given: Any, **named: Any) -> Any:
        if given[0].unit:  # not of the site: that is before any unit
            other()
        return advance(*given, **named)

    if where != "between units":
        monkeypatch.setattr(judge, "advance", interrupted)
    rounds(mine, look)
    assert min(judged.values()) > 0
    assert kept(mine) == by_one


def test_a_watch_that_was_frozen_past_its_lease_keeps_nothing(
    opened: Callable[..., list[Record]],
    by_one: dict[str, list[Any]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    mine, others = opened("two", 2)
    clock, frozen = [0], [0]
    ours = Leases(mine, "watch", lambda: clock[0])
    theirs = Leases(others, "watch-2", lambda: clock[0])
    advance = judge.advance

    def freezing(*given: Any, **named: Any) -> Any:
        found = advance(*given, **named)
        if (
            given[0].unit and not frozen[0]
        ):  # it has worked out everything, and stops before it keeps it
            frozen[0] = 1
            clock[0] += LEASE_S
            assert watch.tick(others, now_s=now[0], leases=theirs).units > 0
            late = replace(samples(1, 2)[1], temperature_c=3.0, seq=9_999)
            others.take([late], [], received_s=now[0])
            before.append(kept(others))
        return found

    now, before = [START_S + 100 * HOUR_S], []  # type: list[int], list[Any]
    clock[0] = now[0]
    monkeypatch.setattr(judge, "advance", freezing)
    mine.take(samples(0, 100), [], received_s=now[0])
    done = watch.tick(mine, now_s=now[0], leases=ours)
    assert before, "it was not frozen: no proof"
    assert done.units == 0
    assert kept(mine) == before[0]


def test_what_is_written_under_a_lost_lease_is_not_kept(
    opened: Callable[..., list[Record]],
) -> None:
    mine, others = opened("two", 2)
    clock = [START_S]
    ours, theirs = (
        Leases(one, name, lambda: clock[0]) for one, name in ((mine, "a"), (others, "b"))
    )
    said = OutboxItem("key", "people", "text")
    with ours.under("x", keep=True) as is_ours, theirs.under("x") as is_theirs:
        assert (is_ours, is_theirs) == (True, False)
    clock[0] += LEASE_S
    with ours.under("y"):
        with theirs.under("y") as is_theirs:
            assert not is_theirs
        clock[0] += LEASE_S
        with theirs.under("y", keep=True) as is_theirs:
            assert is_theirs
        with pytest.raises(MeanwhileError, match="taken over y"):
            mine.tell(said, now_s=START_S)
    assert kept(mine)["outbox"] == []
    with ours.under("x", keep=True) as is_ours:  # over, but nobody claimed it
        assert is_ours
        mine.tell(said, now_s=START_S)
    assert len(kept(mine)["outbox"]) == 1
    with ALONE.under("y") as is_ours:
        assert is_ours


def test_a_watch_that_was_frozen_beside_judging_leaves_the_lot_to_the_other(
    opened: Callable[..., list[Record]], tmp_path: Path
) -> None:
    mine, others = opened("two", 2)
    clock = [START_S]
    ours, theirs = (
        Leases(one, name, lambda: clock[0]) for one, name in ((mine, "a"), (others, "b"))
    )
    overtaken: list[bool] = []

    class Frozen(_House):
        def keep(self, record: Record, pause: threading.Event, *, now_s: int) -> None:
            assert not pause.is_set()
            clock[0] += LEASE_S
            with theirs.under(watch.LOT, keep=True) as is_theirs:
                overtaken.append(is_theirs)
            record.tell(OutboxItem("key", "people", "text"), now_s=now_s)

    _keep_house(Frozen(Settings(home=tmp_path)), mine, threading.Event(), ours)
    assert overtaken == [True]
    assert kept(mine)["outbox"] == []
    with ours.under(watch.LOT, keep=True) as is_ours:
        assert not is_ours


@pytest.mark.parametrize(
    ("step_s", "is_free"),
    [
        pytest.param(0, False, id="held"),
        pytest.param(LEASE_S - 1, False, id="the last second"),
        pytest.param(LEASE_S, True, id="over"),
        pytest.param(-LEASE_S, False, id="set back by less than its length"),
        pytest.param(-LEASE_S - 1, True, id="set back by more: written by a clock that was wrong"),
        pytest.param(-400 * DAY_S, True, id="set back by a year"),
        pytest.param(400 * DAY_S, True, id="set on by a year"),
    ],
)
def test_a_clock_that_steps_keeps_nobody_out_for_long(
    tmp_path: Path, step_s: int, is_free: bool
) -> None:
    with open_record(tmp_path) as record:
        first = record.claim("x", "a", now_s=START_S, for_s=LEASE_S)
        assert first is not None
        found = record.claim("x", "b", now_s=START_S + step_s, for_s=LEASE_S)
        assert (found is not None) == is_free
        if found is None:
            assert record.renew(first, now_s=START_S + 5, for_s=LEASE_S)
        else:
            assert found.count == first.count + 1
            assert not record.renew(first, now_s=START_S + 5, for_s=LEASE_S)


def test_one_that_was_killed_and_started_again_goes_on_at_once_and_the_old_one_is_fenced(
    tmp_path: Path,
) -> None:
    with open_record(tmp_path) as record:
        old = record.claim("x", "watch", now_s=START_S, for_s=LEASE_S)
        new = record.claim("x", "watch", now_s=START_S + 1, for_s=LEASE_S)
        assert old is not None
        assert new is not None
        assert new.count == old.count + 1
        assert not record.renew(old, now_s=START_S + 2, for_s=LEASE_S)
        record.let_go(old)  # and lets go of nothing
        assert record.claim("x", "watch-2", now_s=START_S + 3, for_s=LEASE_S) is None
        record.let_go(new)
        assert record.claim("x", "watch-2", now_s=START_S + 3, for_s=LEASE_S) is not None


def test_on_a_server_its_clock_counts_and_beside_a_file_the_machines_own(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        leases = leases_of(record, "a", lambda: START_S)
        assert isinstance(leases, Leases)
        own_s = int(time.time()) if is_server(record.engine) else START_S
        assert abs(leases.clock() - own_s) < 60
        with leases.under("x") as is_ours:
            assert is_ours
