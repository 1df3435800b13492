"""Sealed readings: the same readings, in every way that they can be asked for or come again."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event, text

from monitor import watch
from monitor.errors import DamageError
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import (
    AlarmStep,
    ChangedAlarm,
    NewAlarm,
    Record,
    board,
    columns,
    open_record,
    sealing,
)
from monitor.store import schema as t
from sensors.wire import Reading
from tests.conftest import tries

DAY_S = 86_400
T0 = 1_763_424_000 // sealing.PERIOD_S * sealing.PERIOD_S  # a period begins
LATER = T0 + 100 * DAY_S
EDGE = sealing.edge_s(LATER, fresh_days=60)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        opened.add_site(Site("yard"))
        opened.add_unit(Unit("rv1", "yard"))
        opened.add_zone("yard", Zone("rv1", "off-rear-low"))
        placement = Placement("n1", "p1", "yard", "rv1", "off-rear-low", from_s=T0)
        opened.place(placement, recorded_s=T0, who="test")
        yield opened


def sample(seq: int | None, *, node: str = "n1", **values: Any) -> Reading:
    boot = None if seq is None else 1
    whole = {"at_s": T0 + 600 * (seq or 0), "temperature_c": 5.0} | values
    return Reading(**({"site": "yard", "node": node, "boot": boot, "seq": seq} | whole))


def take(record: Record, *readings: Reading, received_s: int = T0) -> Any:
    return record.take(readings, [], received_s=received_s)


def seal(record: Record, *, now_s: int = LATER) -> int:
    """Seal until nothing is left."""
    total = 0
    while sealed := record.seal(before_s=EDGE, now_s=now_s):
        total += sealed
    return total


def course(count: int, *, first: int = 0) -> list[Reading]:
    """Readings that say something of everything."""
    rng = np.random.default_rng(first)
    return [
        sample(
            seq,
            temperature_c=round(10 + float(rng.normal()), 2),
            humidity_percent=None if seq % 7 == 0 else round(60 + float(rng.normal()), 2),
            wood_percent=17.25 if seq % 50 == 0 else None,
            contact=seq % 100 == 0 if seq % 5 else None,
            rain_mm=0.2,
            silence_s=1800 if seq > 20 else None,
        )
        for seq in range(first, first + count)
    ]


def rows(record: Record, query: str) -> list[tuple[Any, ...]]:
    with record.engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(query))]


def kept(record: Record, *, without: Sequence[str] = ()) -> Counter[tuple[Any, ...]]:
    """All readings with all their columns, sealed or fresh, by the codes of their probes."""
    codes = dict(
        rows(
            record,
            "SELECT probe_id, n.code || '/' || p.code FROM probe p JOIN node n USING (node_id)",
        )
    )
    names = [column.name for column in t.reading.c if column.name not in {"probe_id", *without}]
    found = Counter(
        (codes[row["probe_id"]], *(row[name] for name in names))
        for row in (
            dict(zip(["probe_id", *names], line, strict=True))
            for line in rows(record, f"SELECT probe_id, {', '.join(names)} FROM reading")
        )
    )
    with record.engine.connect() as connection:
        for sealed_id, probe in rows(record, "SELECT sealed_id, probe_id FROM sealed"):
            for row in columns.rows_of(sealing._load(connection, sealed_id)):
                whole = {"uptime_s": None} | row
                found[codes[probe], *(whole[name] for name in names)] += 1
    return found


def asked(record: Record, *, from_s: int = T0, to_s: int = LATER) -> dict[str, list[Any]]:
    """Readings as the judge gets them, and as a page does; nan as None."""
    judged = record.unit_readings("rv1", from_s=from_s, to_s=to_s)["off-rear-low"]
    zone = board.zone(record.engine, "rv1", "off-rear-low", site=False, now_s=to_s)
    assert zone is not None
    shown = board.samples(record.engine, zone, from_s=from_s, to_s=to_s)
    arrays = {name: getattr(judged, name) for name in judged.__slots__}
    arrays |= {f"shown {name}": getattr(shown, name) for name in shown.__slots__}
    return {
        name: [None if math.isnan(x) else x for x in values.tolist()]
        for name, values in arrays.items()
    }


# --- columns --------------------------------------------------------------------------------------

WHOLE = st.one_of(
    st.none(), st.integers(-300, 300), st.integers(-(2**63), 2**63 - 1), st.just(1_764_000_000)
)


@given(table=st.integers(0, 40).flatmap(lambda n: st.lists(
    st.lists(WHOLE, min_size=n, max_size=n), min_size=1, max_size=5)))  # fmt: skip
def test_every_whole_number_comes_back_from_a_block(table: list[list[int | None]]) -> None:
    block = columns.pack([columns.column_of(values) for values in table])
    for number, values in enumerate(table):
        [column] = columns.unpack(block, [number])
        assert [row["x"] for row in columns.rows_of({"x": column})] == values


@given(data=st.binary(max_size=200))
def test_bytes_that_are_no_block_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="not a block"):
        columns.unpack(data, [0])


# --- the same answers -----------------------------------------------------------------------------


def test_sealing_changes_no_answer(record: Record) -> None:
    take(record, *course(6000))
    answers, readings, counts = asked(record), kept(record), record.counts()
    sealed = seal(record)
    assert sealed == rows(record, "SELECT sum(readings) FROM sealed")[0][0] > 4000
    assert rows(record, "SELECT count(*) FROM reading")[0][0] == 6000 - sealed > 0
    assert kept(record) == readings
    assert asked(record) == answers
    assert record.counts() == counts


@pytest.mark.parametrize("edge_s", [0, 599, 600, 601, sealing.PERIOD_S, sealing.PERIOD_S + 1])
def test_a_span_may_begin_and_end_anywhere_in_a_block(record: Record, edge_s: int) -> None:
    take(record, *course(3000))
    before = [asked(record, from_s=T0 + edge_s), asked(record, to_s=T0 + edge_s)]
    assert seal(record) == 3000
    assert [asked(record, from_s=T0 + edge_s), asked(record, to_s=T0 + edge_s)] == before


def test_only_whole_periods_of_old_readings_are_sealed(record: Record) -> None:
    at = [EDGE - 1, EDGE, EDGE + 1]
    take(record, *(sample(seq, at_s=at_s) for seq, at_s in enumerate(at)))
    assert EDGE % sealing.PERIOD_S == 0
    assert LATER - EDGE >= 60 * DAY_S
    assert seal(record) == 1
    assert rows(record, "SELECT at_s FROM reading ORDER BY at_s") == [(EDGE,), (EDGE + 1,)]


def test_a_probe_that_samples_often_fills_several_blocks(record: Record) -> None:
    many = [sample(seq, at_s=T0 + 60 * seq) for seq in range(10_000)]
    take(record, *many)
    answers = asked(record)
    assert seal(record) == 10_000
    sizes = [row[0] for row in rows(record, "SELECT readings FROM sealed")]
    assert len(sizes) == 3
    assert max(sizes) == sealing.BLOCK_READINGS
    assert asked(record) == answers


def test_a_reading_whose_time_was_worked_out_stays_fresh(record: Record) -> None:
    take(record, sample(1, at_s=None, uptime_s=100), sample(2, at_s=None, uptime_s=10**7))
    take(record, sample(3, at_s=T0 + 900, uptime_s=1000), sample(4))
    assert seal(record) == 2
    assert rows(record, "SELECT seq FROM reading ORDER BY seq") == [(1,), (2,)]


# --- samples that come again ----------------------------------------------------------------------


def test_a_sample_sent_again_after_sealing_is_stored_once(record: Record) -> None:
    group = [*course(300), *(sample(None, node="n2", at_s=T0 + k) for k in range(5))]
    take(record, *group)
    seal(record)
    blocks = rows(record, "SELECT * FROM sealed")
    taken = take(record, *group, received_s=LATER)
    assert (taken.stored, taken.repeated, taken.disputed) == (0, 305, 0)
    assert rows(record, "SELECT count(*) FROM reading") == [(0,)]
    assert rows(record, "SELECT * FROM sealed") == blocks
    assert record.counts()["readings"] == 305


def test_another_value_of_a_sealed_sample_is_a_dispute(record: Record) -> None:
    take(record, *course(300))
    seal(record)
    known = course(300)[40]
    assert take(record, sample(40, temperature_c=-9.0), received_s=LATER).disputed == 1
    assert record.counts()["disputed"] == 1
    used = record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"]
    assert T0 + 600 * 40 not in used.at_s.tolist()
    assert len(used.at_s) == 299
    assert seal(record, now_s=LATER + 2 * DAY_S) == 1
    used = record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"]
    assert T0 + 600 * 40 not in used.at_s.tolist()
    again = take(record, known, sample(40, temperature_c=-9.0), received_s=LATER)
    assert (again.stored, again.repeated, again.disputed) == (0, 2, 0)
    assert rows(record, "SELECT temperature_c100 FROM dispute") == [
        (round(100 * (known.temperature_c or 0)),)
    ]


def test_a_late_sample_of_a_sealed_period_is_used_and_sealed_a_day_later(record: Record) -> None:
    late = [seq for seq in range(300) if seq % 3 == 0]
    first = [one for one in course(300) if one.seq not in late]
    take(record, *first)
    seal(record)
    take(record, *(one for one in course(300) if one.seq in late), received_s=LATER)
    answers = asked(record)
    assert len(answers["at_s"]) == 300
    assert seal(record, now_s=LATER + DAY_S - 60) == 0
    assert seal(record, now_s=LATER + DAY_S + 60) == 100
    assert rows(record, "SELECT readings FROM sealed") == [(300,)]
    assert asked(record) == answers


def test_an_earlier_time_of_a_sealed_sample_holds(record: Record) -> None:
    take(record, *course(3))
    seal(record)
    take(record, sample(2, **vars_of(course(3)[2]) | {"at_s": T0 + 7}), received_s=LATER)
    assert record.counts()["readings"] == 3
    used = record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"]
    assert (used.at_s - T0).tolist() == [0, 7, 600]


def vars_of(reading: Reading) -> dict[str, Any]:
    measured = ("temperature_c", "humidity_percent", "wood_percent", "contact", "rain_mm")
    return {name: getattr(reading, name) for name in (*measured, "silence_s")}


def test_the_newest_sample_of_a_probe_may_be_a_sealed_one(record: Record) -> None:
    take(record, *course(10))
    seal(record)
    take(record, sample(9, temperature_c=-9.0), received_s=LATER)
    assert [newest.at_s - T0 for newest in record.latest()] == [600 * 8]
    take(record, sample(8, temperature_c=-9.0), received_s=LATER)
    assert [newest.at_s - T0 for newest in record.latest()] == [600 * 7]


TIMES = st.sampled_from([T0, T0 + 1800, T0 + sealing.PERIOD_S, LATER - DAY_S])
CLASHING = st.lists(
    st.one_of(
        st.builds(
            Reading,
            site=st.just("yard"),
            node=st.sampled_from(["n1", "n2"]),
            boot=st.integers(1, 2),
            seq=st.integers(0, 4),
            at_s=TIMES,
            temperature_c=st.sampled_from([1.0, 2.0, 3.0]),
        ),
        st.builds(
            Reading, site=st.just("yard"), node=st.just("n3"), at_s=TIMES,
            humidity_percent=st.sampled_from([None, 50.0, 60.0]),
        ),
    ),
    max_size=14,
)  # fmt: skip
OF_ARRIVAL = ("received_s",)


@settings(max_examples=tries(20, 100))
@given(readings=CLASHING, data=st.data())
def test_sealing_at_any_moment_leaves_the_same_readings(
    tmp_path_factory: pytest.TempPathFactory, readings: list[Reading], data: st.DataObject
) -> None:
    home = tmp_path_factory.mktemp("sealing")
    (home / "a").mkdir()
    (home / "b").mkdir()
    with open_record(home / "a") as plain, open_record(home / "b") as sealed:
        for opened in (plain, sealed):
            with closing(opened.engine.raw_connection()) as connection:
                connection.cursor().execute("PRAGMA synchronous = OFF")  # what, not how durably
        take(plain, *readings)
        for one in data.draw(st.permutations(readings)):
            take(sealed, one)
            if data.draw(st.booleans()):
                seal(sealed)
        assert kept(sealed, without=OF_ARRIVAL) == kept(plain, without=OF_ARRIVAL)
        assert plain.counts() == sealed.counts()
        names = ", ".join(("at_s", *t.MEASURED, "readings"))
        newest = (
            f"SELECT n.code, {names} FROM latest JOIN probe p USING (probe_id)"
            " JOIN node n USING (node_id) ORDER BY n.code"
        )
        assert rows(plain, newest) == rows(sealed, newest)
        disputes = "SELECT digest, temperature_c100, humidity_p100 FROM dispute ORDER BY 1, 2, 3"
        assert rows(plain, disputes) == rows(sealed, disputes)
        seal(sealed)
        assert kept(sealed, without=OF_ARRIVAL) == kept(plain, without=OF_ARRIVAL)


# --- failures -------------------------------------------------------------------------------------


class KilledError(Exception):
    pass


def test_a_seal_killed_at_any_statement_leaves_every_reading_once(record: Record) -> None:
    take(record, *course(50), *course(20, first=4000))
    seal(record)
    take(record, *course(50, first=50), received_s=LATER)
    readings, answers = kept(record), asked(record)
    count = 0

    def killer(number: int) -> Any:
        def before(*_: object) -> None:
            nonlocal count
            count += 1
            if count == number:
                raise KilledError

        return before

    killed = 0
    for number in range(1, 100):
        count, now_s = 0, LATER + 2 * DAY_S
        listener = killer(number)
        event.listen(record.engine, "before_cursor_execute", listener)
        try:
            record.seal(before_s=EDGE, now_s=now_s)
            break
        except KilledError:
            killed += 1
        finally:
            event.remove(record.engine, "before_cursor_execute", listener)
        assert kept(record) == readings
        assert asked(record) == answers
    assert killed >= 10
    assert kept(record) == readings
    assert asked(record) == answers


def damage(record: Record) -> None:
    """Flip a bit of the first block."""
    with record.engine.begin() as connection:
        query = text("SELECT sealed_id, columns FROM sealed ORDER BY probe_id LIMIT 1")
        sealed_id, block = connection.execute(query).one()
        wrong = bytearray(block)
        wrong[-3] ^= 4
        change = text("UPDATE sealed SET columns = :wrong WHERE sealed_id = :sealed_id")
        connection.execute(change, {"wrong": bytes(wrong), "sealed_id": sealed_id})


def test_a_damaged_block_is_an_error_and_no_gap(record: Record) -> None:
    take(record, *course(300))
    seal(record)
    damage(record)
    with pytest.raises(DamageError, match="not what was written"):
        asked(record)
    taken = take(record, course(300)[3], received_s=LATER)  # nobody waits for a block to be mended
    assert taken.stored == 1
    assert seal(record, now_s=LATER + 2 * DAY_S) == 1


# --- keeping only so long -------------------------------------------------------------------------


def test_readings_are_dropped_only_of_units_that_are_gone(record: Record) -> None:
    record.add_unit(Unit("rv2", "yard"))
    record.add_zone("yard", Zone("rv2", "off-rear-low"))
    record.add_zone("yard", Zone("", "outside", kind="outside"))
    for node, unit, zone in (("n2", "rv2", "off-rear-low"), ("air", "", "outside")):
        placement = Placement(node, "p1", "yard", unit, zone, from_s=T0)
        record.place(placement, recorded_s=T0, who="test")
    take(record, *(sample(seq, node=node) for seq in range(9) for node in ("n1", "n2", "air")))
    seal(record)
    assert record.drop(before_s=LATER) == 0
    record.add_unit(Unit("rv2", "yard", life="sold"))
    assert record.drop(before_s=T0 + 600 * 8) == 0
    assert record.drop(before_s=LATER) == 9
    assert record.drop(before_s=LATER) == 0
    assert record.counts()["readings"] == 18
    assert len(record.unit_readings("rv1", from_s=T0, to_s=LATER)["off-rear-low"].at_s) == 9
    assert len(record.site_readings("yard", from_s=T0, to_s=LATER)["outside"].at_s) == 9
    assert len(record.unit_readings("rv2", from_s=T0, to_s=LATER)["off-rear-low"].at_s) == 0


def test_an_open_alarm_keeps_the_readings_of_a_unit_that_is_gone(record: Record) -> None:
    take(record, *course(9))
    seal(record)
    record.add_unit(Unit("rv1", "yard", life="left"))
    step = AlarmStep(T0, "unacknowledged", "sillkeep", "it began")
    alarm = NewAlarm(
        site="yard", unit="rv1", zone="off-rear-low", node="", kind="wet", class_="today",
        raised_s=T0, cleared_s=None, state="unacknowledged", cause="", text="Wet.", instant=False,
        steps=(step,),
    )  # fmt: skip
    record.add_alarm(alarm, now_s=T0)
    assert record.drop(before_s=LATER) == 0
    [standing] = record.alarms()
    ended = AlarmStep(LATER, "normal", "sillkeep", "it ended")
    record.change_alarm(ChangedAlarm(standing.alarm_id, LATER, "normal", ended), now_s=LATER)
    assert record.drop(before_s=LATER) == 9


def test_damage_in_one_unit_stops_the_judging_of_no_other(record: Record) -> None:
    record.add_unit(Unit("rv2", "yard"))
    record.add_zone("yard", Zone("rv2", "off-rear-low"))
    placement = Placement("n2", "p1", "yard", "rv2", "off-rear-low", from_s=T0)
    record.place(placement, recorded_s=T0, who="test")
    take(record, *course(9), *(sample(seq, node="n2") for seq in range(9)))
    seal(record)
    damage(record)
    assert watch.tick(record, now_s=T0 + DAY_S).units == 1
    assert record.hours("rv1", "off-rear-low", from_hour=0, to_hour=LATER) == []
    assert record.hours("rv2", "off-rear-low", from_hour=0, to_hour=LATER) != []
