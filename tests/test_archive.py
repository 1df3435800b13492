"""The archive's lines and cursors, without a server: a dictionary that merges fields stands in for one."""

import contextlib
import re
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from monitor.config import Archive
from monitor.errors import ArchiveError, DamageError
from monitor.store import Mirror, Record, influx, open_record, sealing
from monitor.store.archive import standing
from monitor.store.influx import RefusedError
from monitor.store.leasing import LEASE_S, Leases
from monitor.text import archive_text
from tests.archived import H0, T0, held_hours, held_readings, hours, judge, lot, mirrored, sample
from tests.conftest import tries

TARGET = Archive(url="http://127.0.0.1:1", bucket="lot", batch=7)
Points = dict[tuple[str, int], dict[str, str]]


class Merging:
    """Keeps points as InfluxDB does: a second one under the same key keeps what it lacks."""

    def __init__(self) -> None:
        self.points: Points = {}
        self.troubles: Iterator[str] = iter(())
        self.sent = 0

    def connect(self, _: Archive) -> "Merging":
        return self

    def close(self) -> None:
        """Nothing to end."""

    def write(self, lines: Sequence[bytes]) -> None:
        trouble = next(self.troubles, "")
        if trouble == "refused":
            raise ArchiveError("not now")
        for line in lines:
            if b"malformed" in line:
                raise RefusedError("malformed")
        for line in lines:
            if line.startswith(b"archive_check "):
                continue
            key, fields = parsed(line)
            self.points.setdefault(key, {}).update(fields)
        self.sent += len(lines)
        if trouble == "answer lost":
            raise ArchiveError("no answer")

    def believed(self) -> Points:
        """What a reader may believe, by the rules of `monitor.store.influx`."""
        return {
            key: seen
            for key, fields in self.points.items()
            if (seen := visible(fields)) is not None
        }


def parsed(line: bytes) -> tuple[tuple[str, int], dict[str, str]]:
    match = re.fullmatch(r"(\S+) (.*) (-?\d+)", line.decode())
    assert match is not None, line
    fields = re.findall(r'(\w+)=("(?:[^"\\]|\\.)*"|[^,]*)', match[2])
    return (match[1], int(match[3])), dict(fields)


def visible(fields: dict[str, str]) -> dict[str, str] | None:
    if fields.get("used") == "-1i" or fields["present"] == "-1i":
        return None
    present = int(fields["present"][:-1])
    names = influx._FIGURES if "state" in fields else [name for _, name, _ in influx._MEASURED]
    void = {name for bit, name in enumerate(names) if not present >> bit & 1}
    return {name: value for name, value in fields.items() if name not in void}


def expected(record: Record) -> Points:
    """The points of all rows of the record."""
    lines = []
    for (node, probe), rows in held_readings(record).items():
        head = influx.reading_head("yard", node, probe)
        lines += [influx.reading_line(head, [row[n] for n in influx.READING]) for row in rows]
    for (unit, zone), found in held_hours(record).items():
        head = influx.hour_head("yard", unit, zone)
        lines += [influx.hour_line(head, row) for row in found]
    points = [parsed(line) for line in lines]
    assert len(dict(points)) == len(points)
    return {key: fields for key, fields in points if visible(fields) is not None}


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        lot(opened)
        yield opened


def mirror_of(record: Record, server: Merging, target: Archive = TARGET) -> Mirror:
    made = Mirror(record.engine, target, clock=lambda: T0, connect=server.connect)  # type: ignore[arg-type]
    made.begin()
    return made


# --- any history, any trouble ---------------------------------------------------------------------

SEQS = st.lists(st.integers(0, 40), min_size=1, max_size=12)
STEPS = st.one_of(
    st.tuples(st.just("take"), SEQS),
    st.tuples(st.just("other value"), SEQS),
    st.tuples(st.just("untimed"), SEQS),
    st.tuples(st.just("anchor"), st.integers(50, 90)),
    st.tuples(st.just("judge"), st.tuples(st.integers(0, 30), st.integers(0, 30))),
    st.tuples(st.just("seal"), st.just(0)),
    st.tuples(st.just("send"), st.integers(1, 3)),
    st.tuples(st.just("trouble"), st.sampled_from(["refused", "answer lost"])),
    st.tuples(st.just("new start"), st.just(0)),
)


def take(record: Record, seqs: list[int]) -> None:
    record.take([sample(seq) for seq in seqs], [], received_s=T0)


def take_other_values(record: Record, seqs: list[int]) -> None:
    others = [sample(seq, temperature_c=3.0, humidity_percent=50.0) for seq in seqs]
    record.take(others, [], received_s=T0)


def take_untimed(record: Record, seqs: list[int]) -> None:
    waiting = [sample(seq, boot=2, at_s=None, uptime_s=600 * seq) for seq in seqs]
    record.take(waiting, [], received_s=T0)


def take_anchor(record: Record, seq: int) -> None:
    anchor = sample(seq, boot=2, at_s=T0 + 617 * seq, uptime_s=600 * (seq - 50))
    record.take([anchor], [], received_s=T0)


def judge_anew(record: Record, span: tuple[int, int]) -> None:
    first, count = H0 + span[0], span[1]
    figures = np.where(np.arange(count) % 3, np.nan, float(count))
    judge(record, "rv0", hours(first, first + count, temperature_c=figures), from_hour=first)


def seal(record: Record, _: int) -> None:
    with record.engine.begin() as db:
        sealing.seal(db, 1, before_s=T0 + 600 * 30, now_s=T0 + 2 * 86_400)


CHANGES = {
    "take": take,
    "other value": take_other_values,
    "untimed": take_untimed,
    "anchor": take_anchor,
    "judge": judge_anew,
    "seal": seal,
}


def carry_out(record: Record, server: Merging, mirror: Mirror, what: str, how: Any) -> Mirror:
    if what in CHANGES:
        CHANGES[what](record, how)
    elif what == "send":
        for _ in range(how):
            mirror.step()
    elif what == "trouble":
        server.troubles = iter([how])
        with contextlib.suppress(ArchiveError):  # there may be nothing to send
            mirror.step()
        server.troubles = iter(())
    else:
        return mirror_of(record, server)
    return mirror


@settings(max_examples=tries(30, 200))
@given(st.lists(STEPS, max_size=14))
def test_whatever_changes_and_fails_the_archive_ends_with_what_the_record_holds(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, Any]]
) -> None:
    with open_record(tmp_path_factory.mktemp("home")) as record:
        lot(record, units=1)
        record.take([sample(0)], [], received_s=T0)
        server = Merging()
        mirror = mirror_of(record, server)
        for what, how in steps:
            mirror = carry_out(record, server, mirror, what, how)
        mirrored(mirror)
        assert server.believed() == expected(record)


# --- single rules ---------------------------------------------------------------------------------


def test_a_reading_that_changes_while_it_is_on_its_way_is_sent_again(record: Record) -> None:
    server = Merging()
    mirror = mirror_of(record, server)
    record.take([sample(1)], [], received_s=T0)
    write = server.write

    def meanwhile(lines: Sequence[bytes]) -> None:
        server.write = write  # type: ignore[method-assign]
        record.take([sample(1, temperature_c=1.0)], [], received_s=T0)
        record.take([sample(0)], [], received_s=T0)
        write(lines)

    server.write = meanwhile  # type: ignore[method-assign]
    mirrored(mirror)
    assert server.believed() == expected(record)


class Rounds(threading.Event):
    """Is set after so many waits."""

    def __init__(self, left: int) -> None:
        super().__init__()
        self.left = left

    def wait(self, timeout: float | None = None) -> bool:
        assert timeout
        self.left -= 1
        if self.left <= 0:
            self.set()
        return self.is_set()


def test_one_that_was_overtaken_while_it_sent_keeps_no_cursor_and_waits_for_its_turn(
    record: Record, tmp_path: Path
) -> None:
    server, clock = Merging(), [T0]
    first = mirror_of(record, server)
    ours = Leases(record, "a", lambda: clock[0])
    record.take([sample(1)], [], received_s=T0)
    write = server.write
    with open_record(tmp_path) as other:
        second = mirror_of(other, server)
        theirs = Leases(other, "b", lambda: clock[0])

        def hang(lines: Sequence[bytes]) -> None:
            server.write = write  # type: ignore[method-assign]
            clock[0] += LEASE_S
            other.take([sample(0)], [], received_s=T0)
            server.troubles = iter(["refused"])  # the second takes the mark, and cannot send yet
            with (
                theirs.under("archive", keep=True) as is_theirs,
                contextlib.suppress(ArchiveError),
            ):
                assert is_theirs
                second.step()
            write(lines)

        server.write = hang  # type: ignore[method-assign]
        pause = Rounds(3)
        first.run(pause, ours)
        assert pause.is_set()
        assert server.write == write, "it never sent: no proof"
        assert server.believed() != expected(record)
        with theirs.under("archive", keep=True) as is_theirs:
            assert is_theirs
            mirrored(second)
    assert server.believed() == expected(record)


def test_an_hour_that_leaves_the_record_after_a_lost_answer_is_voided(record: Record) -> None:
    server = Merging()
    mirror = mirror_of(record, server)
    judge(record, "rv0", hours(H0, H0 + 3), from_hour=H0)
    server.troubles = iter(["answer lost"])
    with pytest.raises(ArchiveError):
        mirror.step()
    judge(record, "rv0", hours(H0 + 1, H0 + 1), from_hour=H0 + 1)
    mirrored(mirror)
    assert server.believed() == expected(record)
    assert len(server.believed()) == 1


def test_a_reading_leaves_its_first_time_when_a_better_one_is_known_and_may_go_back(
    record: Record,
) -> None:
    server = Merging()
    mirror = mirror_of(record, server)
    record.take([sample(9, boot=2, at_s=T0 + 9000, uptime_s=9000)], [], received_s=T0)
    record.take([sample(5, boot=2, at_s=None, uptime_s=2000)], [], received_s=T0)
    mirrored(mirror)
    record.take([sample(1, boot=2, at_s=T0 + 500, uptime_s=1000)], [], received_s=T0)
    assert mirrored(mirror) > 1
    assert server.believed() == expected(record)
    assert len(server.believed()) == 3
    assert len(server.points) == 4  # the fourth is the time it left
    with record.engine.begin() as db:  # away and back before the archive looked
        db.exec_driver_sql("UPDATE reading SET at_s = at_s + 7 WHERE seq = 5")
        db.exec_driver_sql("UPDATE reading SET at_s = at_s - 7 WHERE seq = 5")
    mirrored(mirror)
    assert server.believed() == expected(record)
    with record.engine.connect() as db:
        assert db.execute(text("select count(*) from archive_moved")).scalar() == 0


def test_late_rows_set_the_cursors_back_while_a_backlog_is_on_its_way(record: Record) -> None:
    server = Merging()
    mirror = mirror_of(record, server)
    record.take([sample(seq) for seq in range(10, 40)], [], received_s=T0)
    judge(record, "rv0", hours(H0 + 10, H0 + 40), from_hour=H0 + 10)
    for late in (9, 8, 20):
        for _ in range(3):
            mirror.step()
        record.take([sample(late - 5)], [], received_s=T0)
        judge(record, "rv0", hours(H0 + late, H0 + 30, temperature_c=[5.5] * (30 - late)),
              from_hour=H0 + late)  # fmt: skip
    mirrored(mirror)
    assert server.believed() == expected(record)


def test_rows_far_after_the_cursor_leave_a_backlog_where_it_was(record: Record) -> None:
    server = Merging()
    mirror = mirror_of(record, server)
    record.take([sample(seq) for seq in range(30)], [], received_s=T0)
    judge(record, "rv0", hours(H0, H0 + 30), from_hour=H0)
    while server.sent < 37:  # hours first: both are on their way
        mirror.step()
        judge(record, "rv0", hours(H0 + 28, H0 + 33), from_hour=H0 + 28)
        record.take([sample(100 + server.sent)], [], received_s=T0)
    mirrored(mirror)
    assert server.believed() == expected(record)


def test_another_archive_gets_everything_from_the_start(record: Record) -> None:
    first, second = Merging(), Merging()
    record.take([sample(seq) for seq in range(20)], [], received_s=T0)
    judge(record, "rv0", hours(H0, H0 + 20), from_hour=H0)
    mirrored(mirror_of(record, first))
    assert first.sent == 40
    mirrored(mirror_of(record, first))
    assert first.sent == 40
    other = TARGET.model_copy(update={"bucket": "other"})
    mirrored(mirror_of(record, second, other))
    assert second.believed() == first.believed() == expected(record)


def test_a_damaged_block_is_told_and_the_other_probes_go_on(record: Record) -> None:
    record.take([sample(seq) for seq in range(20)], [], received_s=T0)
    with record.engine.begin() as db:
        sealing.seal(db, 1, before_s=T0 + 86_400, now_s=T0 + 2 * 86_400)
        db.exec_driver_sql("UPDATE sealed SET readings = readings + 1")
    record.take([sample(seq, node="n1") for seq in range(20)], [], received_s=T0)
    server = Merging()
    mirror = mirror_of(record, server)
    with pytest.raises(DamageError, match="probe 1"):
        mirrored(mirror)
    assert server.sent == 20
    assert standing(record.engine).level_s is None  # type: ignore[union-attr]


def test_refused_points_are_found_by_halving_and_asked_again_at_the_next_start(
    record: Record,
) -> None:
    server = Merging()
    target = TARGET.model_copy(update={"batch": 500})
    mirror = mirror_of(record, server, target)
    words = np.full(90, "", dtype=object)
    words[[7, 50]] = "malformed"
    judge(record, "rv0", hours(H0, H0 + 90, cause=words), from_hour=H0)
    assert mirrored(mirror) == 90
    assert standing(record.engine).refused == 2  # type: ignore[union-attr]
    assert len(server.believed()) == 88
    judge(record, "rv0", hours(H0 + 50, H0 + 90), from_hour=H0 + 50)
    mirrored(mirror_of(record, server, target))
    assert standing(record.engine).refused == 1  # type: ignore[union-attr]
    assert len(server.believed()) == 89


def test_a_record_without_an_archive_notes_no_moves_and_says_nothing_of_one(
    record: Record,
) -> None:
    record.take([sample(1, boot=2, at_s=None, uptime_s=100)], [], received_s=T0)
    for seq in (2, 3):
        record.take([sample(seq, boot=2, uptime_s=100 * seq)], [], received_s=T0)
    with record.engine.connect() as db:
        assert db.execute(text("select count(*) from archive_moved")).scalar() == 0
    assert standing(record.engine) is None


def test_words_of_any_kind_survive_in_a_line() -> None:
    row: dict[str, Any] = dict.fromkeys(influx.HOUR)
    row |= {"hour": 5, "readings": 1, "witnessed": 0, "state": "wet", "trend": ""}
    row |= {"moisture_basis": "a,b c=d", "cause": 'say "rain" \\', "coverage_percent": 1e-7}
    _, fields = parsed(influx.hour_line(influx.hour_head("s", "u", "z"), row))
    assert fields["cause"] == '"say \\"rain\\" \\\\"'
    assert fields["moisture_basis"] == '"a,b c=d"'
    assert float(fields["coverage_percent"]) == 1e-7
    assert influx.hour_head("s", "", "a b,c=d") == "hour,site=s,zone=a\\ b\\,c\\=d "


def test_the_sentence_says_how_late_the_archive_is_and_why() -> None:
    level = archive_text(level_s=T0, now_s=T0 + 60, refused=0, trouble="")
    assert level == "The archive is level with the record."
    late = archive_text(level_s=T0, now_s=T0 + 3 * 3600, refused=2, trouble="it answered 503")
    assert "3 hours behind, since 2025-11-24 16:00 UTC (it answered 503)" in late
    assert "does not take 2 points" in late
