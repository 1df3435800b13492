"""The record: readings as a set, marks, judgements, alarms; whatever fails leaves nothing half done."""

import json
import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from monitor.errors import InputError, StoreError
from monitor.lot import Event, Placement, Site, Unit, Zone
from monitor.store import (
    AlarmStep,
    AlarmWork,
    ChangedAlarm,
    Due,
    NewAlarm,
    OutboxItem,
    Record,
    board,
    health,
    open_record,
    taking,
)
from monitor.store import schema as t
from monitor.store.engine import FILE_NAME, is_server
from monitor.store.judging import _HOUR_COLUMNS, _TEXT, _WHOLE
from monitor.store.taking import MOST_GAPS, with_seqs
from sensors.wire import Reading, Reject

T0 = 1_764_000_000  # 2025-11-24T16:00:00Z, the start of an hour
H0 = T0 // 3600


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        yield opened


@pytest.fixture
def lot(record: Record) -> Record:
    """Two units of one zone each, and outside air; nodes n1, n2 and air watch them from T0."""
    record.add_site(Site("yard"))
    for unit, node in (("rv1", "n1"), ("rv2", "n2")):
        record.add_unit(Unit(unit, "yard"))
        record.add_zone("yard", Zone(unit, "off-rear-low"))
        record.place(placed(node, unit), recorded_s=T0, who="test")
    record.add_zone("yard", Zone("", "outside", kind="outside"))
    record.place(
        Placement("air", "p1", "yard", "", "outside", from_s=T0), recorded_s=T0, who="test"
    )
    for due in record.due(to_hour=H0 + 1):
        keep(record, due, to_hour=H0)
    return record


def placed(node: str, unit: str, *, from_s: int = T0, zone: str = "off-rear-low") -> Placement:
    return Placement(node, "p1", "yard", unit, zone, from_s=from_s)


def sample(seq: int | None = 1, *, node: str = "n1", **values: Any) -> Reading:
    """A reading of node n1's boot 1, ten minutes after the one before."""
    boot = None if seq is None else 1
    given_values = {"at_s": T0 + 600 * (seq or 0), "temperature_c": 5.0} | values
    return Reading(**({"site": "yard", "node": node, "boot": boot, "seq": seq} | given_values))


def take(record: Record, *readings: Reading, received_s: int = T0) -> Any:
    return record.take(readings, [], received_s=received_s)


def rows(record: Record, query: str) -> list[tuple[Any, ...]]:
    with record.engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(query))]


def keep(
    record: Record,
    due: Due,
    *,
    to_hour: int,
    from_hour: int | None = None,
    alarms: AlarmWork | None = None,
    tables: dict[str, dict[str, Any]] | None = None,
    checkpoints: Sequence[tuple[int, bytes]] = (),
) -> None:
    record.keep_judgement(
        due,
        from_hour=due.from_hour if from_hour is None else from_hour,
        to_hour=to_hour,
        rows=tables or {},
        checkpoints=checkpoints,
        version="1",
        alarms=alarms or AlarmWork(),
        now_s=to_hour * 3600,
    )


def table_of(from_hour: int, to_hour: int, **columns: object) -> dict[str, Any]:
    """Hours of a zone as the judge gives them."""
    count = to_hour - from_hour
    table: dict[str, Any] = {}
    for name in _HOUR_COLUMNS:
        blank = np.full(count, "dry" if name == "state" else "")
        table[name] = blank if name in _TEXT else np.full(count, np.nan)
        if name in _WHOLE or name == "coverage_percent":
            table[name] = np.zeros(count, dtype=np.int64)
    table["hour"] = np.arange(from_hour, to_hour)
    return table | {name: np.asarray(values) for name, values in columns.items()}


def units_due(record: Record, to_hour: int) -> dict[str, int]:
    record.deal_marks(to_hour=to_hour)
    return {due.unit: due.from_hour for due in record.due(to_hour=to_hour)}


# --- taking readings ------------------------------------------------------------------------------


def test_a_reading_is_there_after_reopening_in_hundredths(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        taken = take(record, sample(temperature_c=11.425, humidity_percent=78.62, contact=True))
        assert (taken.stored, taken.repeated, taken.disputed, taken.pending) == (1, 0, 0, 0)
    with open_record(tmp_path) as record:
        assert rows(
            record, "SELECT boot, seq, at_s, temperature_c100, humidity_p100, contact FROM reading"
        ) == [(1, 1, T0 + 600, 1142, 7862, 1)]
        assert record.counts()["readings"] == 1


def test_halves_are_rounded_to_even(record: Record) -> None:
    take(record, sample(1, temperature_c=0.125), sample(2, temperature_c=0.375))
    stored = rows(record, "SELECT temperature_c100 FROM reading ORDER BY seq")
    assert stored == [(12,), (38,)]


def test_repeats_change_nothing(lot: Record) -> None:
    group = [sample(seq) for seq in range(5)]
    take(lot, *group)
    before = everything(lot) | {"marks": rows(lot, "SELECT dirty_count FROM latest")}
    taken = take(lot, *group, *group, received_s=T0 + 999)
    assert (taken.stored, taken.repeated, taken.disputed) == (0, 10, 0)
    after = everything(lot) | {"marks": rows(lot, "SELECT dirty_count FROM latest")}
    assert after == before


def test_repeats_within_one_group_are_stored_once(record: Record) -> None:
    taken = take(record, sample(1), sample(1), sample(2))
    assert (taken.stored, taken.repeated) == (2, 1)
    assert record.counts()["readings"] == 2


def test_two_values_for_one_identity_are_both_kept_and_neither_is_used(lot: Record) -> None:
    take(lot, sample(1), sample(2, temperature_c=5.0))
    assert [newest.at_s for newest in lot.latest()] == [T0 + 1200]
    taken = take(lot, sample(2, temperature_c=4.0), received_s=T0 + 1)
    assert taken.disputed == 1
    used = lot.unit_readings("rv1", from_s=T0, to_s=T0 + 7200)["off-rear-low"]
    assert used.at_s.tolist() == [T0 + 600]
    assert rows(lot, "SELECT temperature_c100, disputed FROM reading WHERE seq = 2") == [(400, 1)]
    assert rows(lot, "SELECT temperature_c100 FROM dispute") == [(500,)]
    assert [newest.at_s for newest in lot.latest()] == [T0 + 600]
    assert lot.counts()["disputed"] == 1


def test_a_dispute_has_its_hour_judged_again(lot: Record) -> None:
    take(lot, sample(1))
    units_due(lot, H0 + 1)
    [due] = lot.due(to_hour=H0 + 1)[:1]
    keep(lot, due, to_hour=H0 + 1)
    assert "rv1" not in units_due(lot, H0 + 1)
    take(lot, sample(1, temperature_c=6.0))
    assert units_due(lot, H0 + 1)["rv1"] == H0


def test_without_a_counter_the_time_is_the_identity(record: Record) -> None:
    at = T0 + 5
    taken = take(record, sample(None, at_s=at), sample(None, at_s=at), sample(None, at_s=at + 1))
    assert (taken.stored, taken.repeated, taken.disputed) == (2, 1, 0)
    assert take(record, sample(None, at_s=at, temperature_c=9.0)).disputed == 1
    assert rows(record, "SELECT boot, seq FROM reading ORDER BY seq") == [(-1, at), (-1, at + 1)]
    assert taken.receipts == ()


def test_of_two_times_for_one_value_the_earlier_holds(lot: Record) -> None:
    take(lot, sample(1, at_s=T0 + 7300))
    take(lot, sample(1, at_s=T0 + 100))
    take(lot, sample(1, at_s=T0 + 9000))
    assert rows(lot, "SELECT at_s FROM reading") == [(T0 + 100,)]
    assert [newest.at_s for newest in lot.latest()] == [T0 + 100]
    assert units_due(lot, H0 + 9)["rv1"] == H0


def test_one_newest_sample_is_kept_for_each_probe(lot: Record) -> None:
    take(lot, sample(3), sample(1), sample(7, node="n2"))
    take(lot, sample(2, contact=True))
    newest = {(each.node, each.at_s, each.unit, each.contact) for each in lot.latest()}
    assert newest == {("n1", T0 + 1800, "rv1", False), ("n2", T0 + 4200, "rv2", False)}


def test_rejects_are_kept_once(record: Record) -> None:
    reject = Reject(topic="sillkeep/yard/n1/senml", payload=b"\xff", reason="no", received_s=T0)
    other = Reject(topic="sillkeep/yard/n1/senml", payload=b"\xff", reason="why", received_s=T0)
    assert record.take([], [reject, reject, other], received_s=T0).rejected == 2
    assert record.take([], [reject], received_s=T0 + 60).rejected == 0
    assert [(kept.reason, kept.payload) for kept in record.rejects(10)] == [
        ("why", b"\xff"),
        ("no", b"\xff"),
    ]


def test_an_empty_group_is_no_fault(record: Record) -> None:
    taken = record.take([], [], received_s=T0)
    assert (taken.stored, taken.receipts) == (0, ())


# --- times that are not known yet -----------------------------------------------------------------


def test_a_pending_time_is_resolved_by_a_later_reading_of_the_boot(lot: Record) -> None:
    taken = take(lot, sample(1, at_s=None, uptime_s=100))
    assert taken.pending == 1
    assert lot.latest() == []
    assert lot.counts()["time pending"] == 1
    take(lot, sample(2, at_s=T0 + 900, uptime_s=1000))
    assert rows(lot, "SELECT at_s FROM reading ORDER BY seq") == [(T0,), (T0 + 900,)]
    used = lot.unit_readings("rv1", from_s=T0, to_s=T0 + 3600)["off-rear-low"]
    assert used.at_s.tolist() == [T0, T0 + 900]
    assert lot.counts()["time pending"] == 0


def test_a_reading_without_time_is_timed_by_an_anchor_that_is_known(record: Record) -> None:
    take(record, sample(2, at_s=T0 + 900, uptime_s=1000))
    assert take(record, sample(1, at_s=None, uptime_s=100)).pending == 0
    assert rows(record, "SELECT at_s FROM reading WHERE seq = 1") == [(T0,)]


def test_the_nearest_anchor_times_a_sample(lot: Record) -> None:
    take(lot, sample(1, at_s=None, uptime_s=9000))
    take(lot, sample(2, at_s=T0 + 10, uptime_s=0))
    assert rows(lot, "SELECT at_s FROM reading WHERE seq = 1") == [(T0 + 9010,)]
    take(lot, sample(3, at_s=T0 + 9007, uptime_s=9001))  # the clock ran slow by a few seconds
    assert rows(lot, "SELECT at_s FROM reading WHERE seq = 1") == [(T0 + 9006,)]
    assert [newest.at_s for newest in lot.latest()] == [T0 + 9007]


def test_between_two_anchors_a_drifting_clock_is_followed(record: Record) -> None:
    two_weeks_s = 14 * 86_400
    take(record, sample(1, at_s=T0, uptime_s=0))
    take(record, sample(2, at_s=None, uptime_s=two_weeks_s // 2))
    take(record, sample(3, at_s=T0 + two_weeks_s + 72, uptime_s=two_weeks_s))  # 60 ppm slow
    assert rows(record, "SELECT at_s FROM reading WHERE seq = 2") == [(T0 + two_weeks_s // 2 + 36,)]


def test_an_anchor_of_another_boot_times_nothing(record: Record) -> None:
    take(record, sample(1, at_s=None, uptime_s=100))
    assert take(record, sample(1, boot=2, at_s=T0, uptime_s=100)).pending == 0
    assert record.counts()["time pending"] == 1


def test_a_time_that_the_node_gave_replaces_one_worked_out(record: Record) -> None:
    take(record, sample(2, at_s=T0 + 900, uptime_s=1000))
    take(record, sample(1, at_s=None, uptime_s=100))
    take(record, sample(1, at_s=T0 + 3, uptime_s=100))
    assert rows(record, "SELECT at_s, uptime_s FROM reading WHERE seq = 1") == [(T0 + 3, None)]


# --- any order ------------------------------------------------------------------------------------

KEEPS_ORDER_OF_ARRIVAL = {"received_s", "dirty_count"}
CODES = (
    "(SELECT n.code || '/' || p.code FROM probe p JOIN node n USING (node_id)"
    " WHERE p.probe_id = x.probe_id)"
)


def everything(
    record: Record, *, without: Sequence[str] = ()
) -> dict[str, Counter[tuple[Any, ...]]]:
    """Tables that readings go into, with codes for keys and without what tells the order."""
    found = {}
    for table in ("reading", "dispute", "latest", "anchor", "receipt"):
        names = t.metadata.tables[table].c.keys()
        left_out = KEEPS_ORDER_OF_ARRIVAL | {"probe_id", "node_id", *without}
        columns = [name for name in names if name not in left_out]
        code = CODES if "probe_id" in names else "(SELECT code FROM node WHERE node_id = x.node_id)"
        found[table] = Counter(rows(record, f"SELECT {code}, {', '.join(columns)} FROM {table} x"))
    return found


def readings(*, timed: bool) -> st.SearchStrategy[list[Reading]]:
    """Readings that clash: few nodes, boots, counters, times and values."""
    times = st.sampled_from([T0, T0 + 1800, T0 + 3600, T0 + 7200])
    counted = st.builds(
        Reading,
        site=st.just("yard"),
        node=st.sampled_from(["n1", "n2"]),
        probe=st.sampled_from(["p1", "p2"]),
        boot=st.integers(1, 2),
        seq=st.integers(0, 4),
        at_s=times if timed else st.one_of(st.none(), times),
        uptime_s=st.sampled_from([0, 10, 3600, 9000]),
        temperature_c=st.sampled_from([1.0, 2.0, 3.0]),
    )
    uncounted = st.builds(
        Reading,
        site=st.just("yard"),
        node=st.just("n3"),
        at_s=times,
        humidity_percent=st.sampled_from([None, 50.0, 60.0]),
    )
    return st.lists(st.one_of(counted, uncounted), max_size=14)


@st.composite
def groupings(draw: st.DrawFn, *, timed: bool) -> tuple[list[Reading], list[list[Reading]]]:
    """Readings, and the same ones with some repeated, in another order and in groups."""
    first = draw(readings(timed=timed))
    repeated = draw(st.lists(st.sampled_from(first), max_size=4)) if first else []
    order = draw(st.permutations(first + repeated))
    groups: list[list[Reading]] = [[]]
    for reading in order:
        if draw(st.booleans()):
            groups.append([])
        groups[-1].append(reading)
    return first, groups


def taken_in(home: Path, groups: Sequence[Sequence[Reading]]) -> Record:
    home.mkdir(parents=True)
    record = open_record(home)
    with closing(record.engine.raw_connection()) as connection:
        connection.cursor().execute("PRAGMA synchronous = OFF")  # asked is what, not how durably
    for number, group in enumerate(groups):
        record.take(group, [], received_s=T0 + number)
    return record


MANY = settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@MANY
@given(drawn=groupings(timed=True))
def test_order_repeats_and_grouping_leave_the_same_record(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[list[Reading], list[list[Reading]]]
) -> None:
    home = tmp_path_factory.mktemp("order")
    with taken_in(home / "a", [drawn[0]]) as one, taken_in(home / "b", drawn[1]) as other:
        assert everything(one) == everything(other)
        assert one.counts() == other.counts()


@MANY
@given(drawn=groupings(timed=False))
def test_times_resolved_in_any_order_are_the_same(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[list[Reading], list[list[Reading]]]
) -> None:
    home = tmp_path_factory.mktemp("order")
    with taken_in(home / "a", [drawn[0]]) as one, taken_in(home / "b", drawn[1]) as other:
        # a time that changes on the way marks its old hour too: an earlier mark does no harm
        left_out = ["dirty_hour", "archive_s"]
        assert everything(one, without=left_out) == everything(other, without=left_out)
        for record in (one, other):
            late = (
                "SELECT 1 FROM reading r LEFT JOIN latest l USING (probe_id) WHERE r.at_s"
                " IS NOT NULL AND (l.dirty_hour IS NULL OR l.dirty_hour > r.at_s / 3600)"
            )
            assert rows(record, late) == []


@given(
    seqs=st.permutations([*range(3, 9), 20, 21, 40]), cuts=st.lists(st.integers(0, 9), max_size=4)
)
def test_what_is_missing_does_not_depend_on_the_order(seqs: list[int], cuts: list[int]) -> None:
    known: tuple[int, list[tuple[int, int]]] = (-1, [])
    for start, end in zip([0, *sorted(cuts)], [*sorted(cuts), len(seqs)], strict=True):
        known = with_seqs(known, seqs[start:end])
    assert known == (40, [(0, 2), (9, 19), (22, 39)])


def test_a_device_that_counts_what_it_never_sends_has_so_many_gaps_and_no_more() -> None:
    known = (-1, [])
    for start in range(0, 6_000, 100):
        known = with_seqs(known, range(start, start + 100, 2))
    high, missing = known
    assert (high, len(missing)) == (5_998, MOST_GAPS)
    gaps = [first <= seq <= last for seq in range(1, 5_998, 2) for first, last in missing]
    assert sum(gaps) == 2_999  # each that never came is still asked for, once
    assert missing == sorted(missing)
    assert with_seqs(known, [1])[1][:2] == [(2, missing[0][1]), missing[1]]


# --- receipts -------------------------------------------------------------------------------------


def test_a_receipt_names_what_is_missing(record: Record) -> None:
    [receipt] = take(record, sample(3), sample(4), sample(7)).receipts
    assert (receipt.site, receipt.node, receipt.boot) == ("yard", "n1", 1)
    assert (receipt.seq, receipt.missing) == (7, ((0, 2), (5, 6)))
    [receipt] = take(record, sample(5), sample(0)).receipts
    assert (receipt.seq, receipt.missing) == (7, ((1, 2), (6, 6)))


def test_a_repeat_is_receipted_again(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        take(record, *(sample(seq) for seq in range(3)))
    with open_record(tmp_path) as record:
        [receipt] = take(record, sample(1)).receipts
        assert (receipt.seq, receipt.missing) == (2, ())


def test_gaps_for_good_are_told_in_parts_so_that_receipts_go_on(record: Record) -> None:
    first, second = take(record, *(sample(2 * n, at_s=T0 + n) for n in range(1, 60))).receipts
    assert (first.first, first.seq, len(first.missing)) == (0, 100, 50)
    assert (first.missing[0], first.missing[-1]) == ((0, 1), (99, 99))
    assert (second.first, second.seq, len(second.missing)) == (101, 118, 10)
    # to one who does not know of `first`, all of the other part is missing: nothing is deleted
    assert (second.missing[0], second.missing[1]) == ((0, 100), (101, 101))
    [newest] = take(record, sample(119, at_s=T0 + 60)).receipts
    assert (newest.first, newest.seq) == (101, 119)
    [older] = take(record, sample(4, at_s=T0 + 2)).receipts
    assert (older.first, older.seq) == (0, 100)
    gaps = [sample(seq, at_s=T0 + seq) for seq in (0, 1, *range(3, 118, 2))]
    [receipt] = take(record, *gaps).receipts
    assert (receipt.first, receipt.seq, receipt.missing) == (0, 119, ())


# --- failures -------------------------------------------------------------------------------------


def fill_disk(record: Record) -> None:
    """Let the file grow no further."""
    with record.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1")  # SQLite raises it to what is there


@pytest.mark.file
def test_a_full_disk_is_named_and_heals(lot: Record) -> None:
    take(lot, sample(1))
    before = everything(lot)
    fill_disk(lot)
    flood = [sample(seq, at_s=T0 + seq) for seq in range(10, 3000)]
    with pytest.raises(StoreError, match="database or disk is full"):
        take(lot, *flood, sample(5, node="n9"))
    assert everything(lot) == before
    with lot.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    taken = take(lot, *flood, sample(5, node="n9"))
    assert taken.stored == 2991
    assert taken.receipts[0].seq == 2999
    with closing(sqlite3.connect(lot.engine.url.database or "", uri=True)) as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def plant_fault(record: Record, table: str, how: str = "ABORT") -> None:
    """Have inserts into a table fail; PostgreSQL ends the whole transaction either way."""
    statements = [
        f"CREATE TRIGGER fault BEFORE INSERT ON {table}"
        f" BEGIN SELECT RAISE({how}, 'the fault of this test'); END"
    ]
    if is_server(record.engine):
        raises = "BEGIN RAISE EXCEPTION 'the fault of this test'; END"
        statements = [
            f"CREATE FUNCTION fault() RETURNS trigger LANGUAGE plpgsql AS $$ {raises} $$",
            f"CREATE TRIGGER fault BEFORE INSERT ON {table} EXECUTE FUNCTION fault()",
        ]
    with record.engine.begin() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)


@pytest.mark.parametrize("table", ["node", "reading", "dispute", "anchor", "latest", "receipt"])
@pytest.mark.parametrize("how", ["ABORT", "ROLLBACK"])
def test_a_failure_half_way_leaves_nothing_behind(lot: Record, table: str, how: str) -> None:
    first = [sample(seq, uptime_s=600 * seq) for seq in range(3)]
    second = [sample(1, temperature_c=9.0), sample(9, uptime_s=9000), sample(1, node="new")]
    take(lot, *first)
    before = everything(lot)
    plant_fault(lot, table, how)
    with pytest.raises(StoreError, match="the fault of this test"):
        take(lot, *second)
    assert everything(lot) == before
    with lot.engine.begin() as connection:
        on_table = f" ON {table}" if is_server(lot.engine) else ""
        connection.exec_driver_sql(f"DROP TRIGGER fault{on_table}")
    taken = take(lot, *second)
    assert (taken.stored, taken.disputed) == (2, 1)
    assert rows(lot, "SELECT count(*) FROM reading") == [(5,)]


@pytest.mark.file
def test_a_locked_record_is_a_store_error(lot: Record) -> None:
    take(lot, sample(1))
    with lot.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA busy_timeout = 0")
    path = Path(rows(lot, "PRAGMA database_list")[0][2])
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            take(lot, sample(2))
        assert [newest.at_s for newest in lot.latest()] == [T0 + 600]  # readers do not wait
        other.execute("ROLLBACK")
    assert take(lot, sample(2)).stored == 1


@pytest.mark.file
def test_commits_are_synced_and_keys_enforced(record: Record) -> None:
    assert rows(record, "PRAGMA journal_mode") == [("wal",)]
    assert rows(record, "PRAGMA synchronous") == [(2,)]  # FULL
    assert rows(record, "PRAGMA foreign_keys") == [(1,)]


def test_pages_cannot_write_and_see_what_is_committed(tmp_path: Path) -> None:
    with open_record(tmp_path) as record, open_record(tmp_path, read_only=True) as page:
        take(record, sample(1))
        assert [newest.at_s for newest in page.latest()] == [T0 + 600]
        with pytest.raises(StoreError, match=r"read-?only"):
            page.add_site(Site("other"))


@pytest.mark.file
def test_a_record_that_nobody_writes_can_be_read(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        take(record, sample(1))
    assert not (tmp_path / f"{FILE_NAME}-wal").exists()
    with open_record(tmp_path, read_only=True) as page:
        assert page.counts()["readings"] == 1


# --- the lot --------------------------------------------------------------------------------------


def test_the_lot_comes_back_as_it_was_entered(record: Record) -> None:
    site = Site("yard", "The yard", "Europe/Brussels", 120.0)
    unit = Unit("rv1", "yard", "Long one", "A7", "fifth wheel", "stock", "off-rear", "door", 2)
    zone = Zone("rv1", "roof-front", "roof", "plywood", "VS", "roof-rear", "north", 0.6, T0)
    outside = Zone("", "outside", kind="outside")
    record.add_site(site)
    record.add_unit(unit)
    record.add_zone("yard", zone)
    record.add_zone("yard", outside)
    assert record.sites() == [site]
    assert record.units() == [unit]
    assert record.zones("rv1") == [zone]
    assert record.site_zones("yard") == [outside]


def test_unknown_places_are_named(record: Record) -> None:
    with pytest.raises(InputError, match='no site "nowhere"'):
        record.add_unit(Unit("rv1", "nowhere"))
    record.add_site(Site("yard"))
    with pytest.raises(InputError, match='no unit "rv1"'):
        record.add_zone("yard", Zone("rv1", "wall"))
    with pytest.raises(InputError, match='no zone "attic"'):
        record.place(Placement("n1", "p1", "yard", "", "attic", T0), recorded_s=T0, who="test")
    assert rows(record, "SELECT count(*) FROM node") == [(0,)]


@pytest.mark.parametrize(
    ("change", "due"),
    [
        pytest.param(lambda r: r.add_zone("yard", Zone("rv1", "off-rear-low")), {}, id="nothing"),
        pytest.param(
            lambda r: r.add_zone("yard", Zone("rv1", "off-rear-low", kind="roof")),
            {"rv1": 0},
            id="zone",
        ),
        pytest.param(
            lambda r: r.add_zone("yard", Zone("", "outside", kind="outside", faces="north")),
            {"rv1": 0, "rv2": 0},
            id="zone of the site",
        ),
        pytest.param(
            lambda r: r.add_unit(Unit("rv1", "yard", life="stock")), {"rv1": 0}, id="unit"
        ),
        pytest.param(lambda r: r.add_unit(Unit("rv1", "yard")), {}, id="the same unit"),
        pytest.param(
            lambda r: r.add_unit(Unit("rv1", "yard", lean="off-rear", slides=1)), {}, id="its lean"
        ),
        pytest.param(
            lambda r: r.add_site(Site("yard", altitude_m=900.0)),
            {"rv1": 0, "rv2": 0},
            id="altitude",
        ),
        pytest.param(
            lambda r: r.add_event(
                "yard", Event(T0 - 7200, "hose", unit="rv2"), recorded_s=T0, who="test"
            ),
            {"rv2": H0 - 2},
            id="event of a unit",
        ),
        pytest.param(
            lambda r: r.add_event("yard", Event(T0 - 7200, "rain", "4"), recorded_s=T0, who="test"),
            {"rv1": H0 - 2, "rv2": H0 - 2},
            id="event of the site",
        ),
    ],
)
def test_what_changes_a_judgement_has_it_made_again(
    lot: Record, change: Any, due: dict[str, int]
) -> None:
    change(lot)
    assert units_due(lot, H0) == due


def test_events_are_those_of_the_unit_and_of_the_whole_site(lot: Record) -> None:
    hose = Event(T0 + 60, "hose", unit="rv1", zone="off-rear-low")
    rain = Event(T0, "rain", "4")
    for event in (hose, rain, Event(T0, "wash", unit="rv2")):
        lot.add_event("yard", event, recorded_s=T0, who="test")
    assert lot.events("yard", unit="rv1") == [rain, hose]


# --- placements and marks -------------------------------------------------------------------------


def test_readings_follow_the_placement_in_force(lot: Record) -> None:
    lot.place(placed("n1", "rv2", from_s=T0 + 1500), recorded_s=T0 + 9000, who="test")
    lot.place(placed("n1", "rv2", from_s=T0 + 2400, zone=""), recorded_s=T0 + 9000, who="test")
    take(lot, *(sample(seq) for seq in range(1, 7)))
    first = lot.unit_readings("rv1", from_s=T0, to_s=T0 + 9000)["off-rear-low"].at_s
    second = lot.unit_readings("rv2", from_s=T0, to_s=T0 + 9000)["off-rear-low"].at_s
    assert (first - T0).tolist() == [600, 1200]
    assert (second - T0).tolist() == [1800]
    spans = [(p.unit, p.from_s - T0, p.to_s and p.to_s - T0) for p in lot.placements()[:3]]
    assert spans == [("rv1", 0, 1500), ("rv2", 1500, 2400), ("", 2400, None)]


def test_a_move_marks_the_zone_left_and_the_zone_joined(lot: Record) -> None:
    lot.place(placed("n1", "rv2", from_s=T0 - 3600), recorded_s=T0, who="test")
    assert units_due(lot, H0 + 1) == {"rv1": H0, "rv2": H0 - 1}


def test_a_correction_marks_the_zone_that_was_wrong(lot: Record) -> None:
    lot.place(placed("n1", "rv2"), recorded_s=T0 + 60, who="test", why="it was the other one")
    assert units_due(lot, H0 + 1) == {"rv1": H0, "rv2": H0}
    take(lot, sample(1))
    assert lot.unit_readings("rv1", from_s=T0, to_s=T0 + 9000)["off-rear-low"].at_s.size == 0
    assert lot.unit_readings("rv2", from_s=T0, to_s=T0 + 9000)["off-rear-low"].at_s.size == 1


def test_an_earlier_correction_leaves_what_was_entered_for_later_and_all_agree(lot: Record) -> None:
    lot.place(placed("n1", "rv2", from_s=T0 + 2400), recorded_s=T0 + 3000, who="test")
    lot.place(placed("n1", "rv1", from_s=T0 + 600, zone=""), recorded_s=T0 + 9000, who="test")
    take(lot, *(sample(seq) for seq in range(9)))
    spans = [(p.unit, p.from_s - T0) for p in lot.placements()[:3]]
    assert spans == [("rv1", 0), ("", 600), ("rv2", 2400)]
    (newest,) = lot.latest()
    assert (newest.unit, newest.zone) == ("rv2", "off-rear-low")
    later_s = T0 + 9000
    (node,) = [n for n in health.chain(lot.engine, now_s=later_s).nodes if n.code == "n1"]
    assert node.zones == ("rv2/off-rear-low",)
    for unit, heard_s in (("rv1", None), ("rv2", T0 + 4800)):
        zone = board.zone(lot.engine, unit, "off-rear-low", site=False, now_s=later_s)
        assert zone is not None
        assert zone.heard_s == heard_s


def test_readings_of_a_probe_placed_later_are_not_lost(record: Record) -> None:
    take(record, sample(1))
    record.add_unit(Unit("rv1", "yard"))
    record.add_zone("yard", Zone("rv1", "off-rear-low"))
    assert units_due(record, H0 + 1) == {}
    record.place(placed("n1", "rv1"), recorded_s=T0 + 99, who="test")
    assert units_due(record, H0 + 1) == {"rv1": H0}
    assert record.unit_readings("rv1", from_s=T0, to_s=T0 + 9000)["off-rear-low"].at_s.size == 1


def test_readings_come_as_measured_in_order_of_time_and_value(lot: Record) -> None:
    lot.place(placed("n2", "rv1"), recorded_s=T0, who="test")
    take(lot, sample(2, silence_s=600, wood_percent=17.25), sample(1, node="n2", temperature_c=7.5))
    take(lot, sample(1, temperature_c=-2.37, humidity_percent=81.4, contact=False, rain_mm=0.2))
    take(lot, sample(3, silence_s=86_400))
    found = lot.unit_readings("rv1", from_s=T0, to_s=T0 + 7200)["off-rear-low"]
    assert (found.at_s - T0).tolist() == [600, 600, 1200, 1800]
    assert found.temperature_c.tolist() == [-2.37, 7.5, 5.0, 5.0]
    assert found.humidity_percent[0] == 81.4
    assert np.isnan(found.humidity_percent[1:]).all()
    assert found.contact[0] == 0.0
    assert np.isnan(found.contact[1])
    assert found.rain_mm[0] == 0.2
    assert found.wood_percent[2] == 17.25
    assert found.silence_s.tolist() == [900, 900, 600, 86_400]
    assert found.cover_s.tolist() == [1350, 1350, 900, 5400]


def test_the_span_of_readings_is_half_open(lot: Record) -> None:
    take(lot, sample(0), sample(1), sample(2))
    found = lot.unit_readings("rv1", from_s=T0, to_s=T0 + 1200)["off-rear-low"]
    assert (found.at_s - T0).tolist() == [0, 600]


def test_outside_air_marks_the_site_and_all_its_units(lot: Record) -> None:
    take(lot, sample(1, node="air"))
    assert units_due(lot, H0 + 1) == {"rv1": H0, "rv2": H0}
    assert lot.site_dirty_hour("yard") == H0
    found = lot.site_readings("yard", from_s=T0, to_s=T0 + 3600)
    assert found["outside"].at_s.tolist() == [T0 + 600]


def test_an_hour_that_is_not_over_stays_marked(lot: Record) -> None:
    take(lot, sample(1))
    assert units_due(lot, H0) == {}
    assert units_due(lot, H0 + 1)["rv1"] == H0


def test_a_reading_that_comes_while_a_unit_is_judged_has_it_judged_again(lot: Record) -> None:
    take(lot, sample(7))
    lot.deal_marks(to_hour=H0 + 2)
    due = next(due for due in lot.due(to_hour=H0 + 2) if due.unit == "rv1")
    take(lot, sample(1))
    keep(lot, due, to_hour=H0 + 2)
    assert units_due(lot, H0 + 2)["rv1"] == H0


def test_an_event_noted_while_a_unit_is_judged_has_it_judged_again(lot: Record) -> None:
    take(lot, sample(7))
    lot.deal_marks(to_hour=H0 + 2)
    due = next(due for due in lot.due(to_hour=H0 + 2) if due.unit == "rv1")
    lot.add_event("yard", Event(T0, "hose", unit="rv1"), recorded_s=T0, who="test")
    keep(lot, due, to_hour=H0 + 2)
    assert units_due(lot, H0 + 2)["rv1"] == H0
    due = next(due for due in lot.due(to_hour=H0 + 2) if due.unit == "rv1")
    keep(lot, due, to_hour=H0 + 2)
    assert "rv1" not in units_due(lot, H0 + 2)


# --- judgements and alarms ------------------------------------------------------------------------

RAISED = NewAlarm(
    site="yard",
    unit="rv1",
    zone="off-rear-low",
    node="",
    kind="wet",
    class_="today",
    raised_s=T0 + 3600,
    cleared_s=None,
    state="unacknowledged",
    cause="",
    text="Wet.",
    instant=False,
    steps=(AlarmStep(T0 + 3600, "unacknowledged", "sillkeep", "it began"),),
    outbox=(OutboxItem("rv1/wet", "people", "Wet."),),
)


def judged(record: Record, **what: Any) -> None:
    keep(record, Due("rv1", H0, 0), **({"to_hour": H0 + 30} | what))


def test_hours_are_replaced_from_the_first_dirty_one(lot: Record) -> None:
    warm = np.where(np.arange(30) == 3, np.nan, 5.0)
    judged(lot, tables={"off-rear-low": table_of(H0, H0 + 30, temperature_c=warm)})
    again = table_of(H0 + 20, H0 + 28, temperature_c=np.full(8, 9.0), state=["wet"] * 8)
    judged(lot, from_hour=H0 + 20, to_hour=H0 + 28, tables={"off-rear-low": again})
    hours = lot.hours("rv1", "off-rear-low", from_hour=H0, to_hour=H0 + 99)
    assert [hour["hour"] - H0 for hour in hours] == list(range(28))
    assert [hour["temperature_c"] for hour in hours[2:5]] == [5.0, None, 5.0]
    assert {hour["state"] for hour in hours[:20]} == {"dry"}
    assert {(hour["state"], hour["temperature_c"]) for hour in hours[20:]} == {("wet", 9.0)}
    assert lot.counts()["hours"] == 28


def test_later_checkpoints_are_void_and_the_newest_before_is_found(lot: Record) -> None:
    day = H0 // 24
    judged(lot, checkpoints=[(day + 1, b"one"), (day + 2, b"two"), (day + 3, b"three")])
    assert lot.checkpoint("rv1", day=day + 2, version="1") == (day + 2, b"two")
    judged(lot, from_hour=(day + 2) * 24, checkpoints=[(day + 3, b"new")])
    assert lot.checkpoint("rv1", day=day + 9, version="1") == (day + 3, b"new")
    assert lot.checkpoint("rv1", day=day + 2, version="1") == (day + 2, b"two")
    assert lot.checkpoint("rv1", day=day, version="1") is None
    assert lot.checkpoint("rv1", day=day + 9, version="2") is None
    assert lot.checkpoint("rv2", day=day + 9, version="1") is None


def test_an_alarm_is_raised_once_with_its_step_and_its_message(lot: Record) -> None:
    judged(lot, alarms=AlarmWork(new=(RAISED,)))
    judged(lot, alarms=AlarmWork(new=(RAISED,)))
    lot.add_alarm(RAISED.made_instant(), now_s=T0)
    [alarm] = lot.alarms(unit="rv1", open_only=True)
    assert (alarm.site, alarm.unit, alarm.zone, alarm.node) == ("yard", "rv1", "off-rear-low", "")
    assert (alarm.kind, alarm.class_, alarm.state) == ("wet", "today", "unacknowledged")
    assert (alarm.instant, alarm.revision, alarm.withdrawn_s) == (False, 1, None)
    assert rows(lot, "SELECT number, state, who, why FROM alarm_step") == [
        (1, "unacknowledged", "sillkeep", "it began")
    ]
    assert rows(lot, "SELECT key, channel, body, done_s FROM outbox") == [
        ("rv1/wet", "people", "Wet.", None)
    ]
    assert lot.alarms(unit="rv2") == []


def test_each_change_of_an_alarm_is_a_step(lot: Record) -> None:
    lot.add_alarm(RAISED, now_s=T0)
    [alarm] = lot.alarms()
    seen = AlarmStep(T0 + 9, "acknowledged", "ann", "acknowledged")
    ended = AlarmStep(T0 + 99, "normal", "sillkeep", "it ended")
    lot.change_alarm(
        ChangedAlarm(alarm.alarm_id, cleared_s=None, state="acknowledged", step=seen), now_s=T0 + 9
    )
    change = ChangedAlarm(alarm.alarm_id, cleared_s=T0 + 99, state="normal", step=ended)
    judged(lot, alarms=AlarmWork(changed=(change,)))
    [alarm] = lot.alarms()
    assert (alarm.cleared_s, alarm.state, alarm.revision) == (T0 + 99, "normal", 1)
    assert lot.alarms(open_only=True) == []
    steps = rows(lot, "SELECT number, state, who FROM alarm_step ORDER BY number")
    assert steps[1:] == [(2, "acknowledged", "ann"), (3, "normal", "sillkeep")]


def test_an_alarm_that_was_withdrawn_can_be_raised_again(lot: Record) -> None:
    lot.add_alarm(RAISED, now_s=T0)
    [alarm] = lot.alarms()
    step = AlarmStep(T0 + 9, "normal", "sillkeep", "late readings: not so")
    gone = ChangedAlarm(alarm.alarm_id, None, "normal", step, withdrawn_s=T0 + 9)
    lot.change_alarm(gone, now_s=T0 + 9)
    assert lot.alarms(open_only=True) == []
    judged(lot, alarms=AlarmWork(new=(RAISED,)))
    [alarm] = lot.alarms(open_only=True)
    assert (alarm.state, alarm.withdrawn_s, alarm.revision) == ("unacknowledged", None, 3)
    assert [row[0] for row in rows(lot, "SELECT state FROM alarm_step ORDER BY number")] == [
        "unacknowledged",
        "normal",
        "unacknowledged",
    ]


def test_a_judgement_is_kept_whole_or_not_at_all(lot: Record) -> None:
    take(lot, sample(1))
    lot.deal_marks(to_hour=H0 + 1)
    due = lot.due(to_hour=H0 + 1)[0]
    plant_fault(lot, "outbox")
    with pytest.raises(StoreError, match="the fault of this test"):
        keep(
            lot,
            due,
            to_hour=H0 + 1,
            alarms=AlarmWork(new=(RAISED,)),
            tables={"off-rear-low": table_of(H0, H0 + 1)},
            checkpoints=[(H0 // 24 + 1, b"one")],
        )
    assert lot.due(to_hour=H0 + 1)[0] == due
    for table in ("hour", "checkpoint", "alarm", "alarm_step"):
        assert rows(lot, f"SELECT count(*) FROM {table}") == [(0,)]


def test_a_silent_node_of_the_site_can_have_an_alarm(lot: Record) -> None:
    alarm = NewAlarm(
        site="yard",
        unit="",
        zone="",
        node="air",
        kind="silent",
        class_="this week",
        raised_s=T0,
        cleared_s=None,
        state="unacknowledged",
        cause="",
        text="Silent.",
        instant=True,
        steps=(),
    )
    lot.add_alarm(alarm, now_s=T0)
    [found] = lot.alarms()
    assert (found.site, found.unit, found.node, found.instant) == ("yard", "", "air", True)


def test_pulses_keep_the_newest_sign_of_each_process(record: Record) -> None:
    record.beat("watch", T0)
    record.beat("intake", T0 + 1, json.dumps({"stored": 3}))
    record.beat("watch", T0 + 60)
    found = {pulse.part: (pulse.at_s, json.loads(pulse.detail)) for pulse in record.pulses()}
    assert found == {"watch": (T0 + 60, {}), "intake": (T0 + 1, {"stored": 3})}


def test_names_without_end_are_forgotten_and_change_nothing(
    lot: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(taking, "MOST_NAMES", 20)
    for number in range(60):
        take(lot, sample(number, at_s=T0 + number), sample(1, at_s=T0, node=f"forged{number}"))
        assert len(lot._names.probes) <= 22
    taken = take(lot, sample(60, at_s=T0 + 60))
    assert [(told.node, told.seq, told.missing) for told in taken.receipts] == [("n1", 60, ())]
