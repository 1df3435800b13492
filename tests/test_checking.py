"""The record checks itself: what changed without being written is found, wherever it lies."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from monitor.lot import Event, Placement, Unit, Zone
from monitor.store import Record, checking, sealing
from monitor.store import schema as t
from monitor.store.engine import FILE_NAME, is_server
from sensors.wire import Reading, Reject
from tests.filled import filled_record

DAY_S = 86_400
T0 = 1_763_424_000 // sealing.PERIOD_S * sealing.PERIOD_S
LATER = T0 + 100 * DAY_S


def sample(seq: int, **values: Any) -> Reading:
    whole = {"at_s": T0 + 600 * seq, "temperature_c": 5.0 + seq % 10} | values
    return Reading(**({"site": "yard", "node": "n1", "boot": 1, "seq": seq} | whole))


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """Some of everything, sealed and fresh, with a checksum of each group."""
    with filled_record(tmp_path, days=2) as record:
        record.take([sample(seq) for seq in range(300)], [], received_s=T0)
        while record.seal(before_s=T0 + 10 * DAY_S, now_s=LATER):
            pass
        fresh = [sample(seq, at_s=LATER + seq) for seq in range(300, 500)]
        reject = Reject(topic="sillkeep/yard/n1/senml", payload=b"\xff", reason="no", received_s=T0)
        record.take([*fresh, sample(1, temperature_c=-9.0)], [reject], received_s=LATER)
        record.add_event("yard", Event(T0, "rain", "4"), recorded_s=T0, who="test")
        record.beat("watch", LATER)
        done = checking.check(record.engine, now_s=LATER)
        assert done.damages == ()
        yield record


def found(record: Record) -> set[str]:
    return {damage.kind for damage in checking.check(record.engine, now_s=LATER).damages}


def change(record: Record, sql: str, **given: object) -> None:
    """Change something behind the triggers' back, as a fault of the disk would."""
    table = next(word for word in sql.split() if word in t.GROUPS)
    with record.engine.begin() as connection:
        made = t.triggers(table)
        before = [f"DROP TRIGGER {statement.split()[2]}" for statement in made]
        if is_server(record.engine):
            switch = f"ALTER TABLE {table} {{}} TRIGGER USER"
            before, made = [switch.format("DISABLE")], [switch.format("ENABLE")]
        for statement in before:
            connection.exec_driver_sql(statement)
        assert connection.execute(text(sql), given).rowcount > 0
        for statement in made:
            connection.exec_driver_sql(statement)


def test_every_table_is_checked() -> None:
    missing = set(t.metadata.tables) - set(t.GROUPS) - {"checksum"}
    assert not missing, "give these a group in schema.GROUPS, and triggers in their migration"


def test_a_whole_record_is_whole_and_each_group_is_compared_the_next_time(record: Record) -> None:
    first = checking.check(record.engine, now_s=LATER)
    assert (first.count, first.taken) == (0, 0)
    assert first.groups > 100
    with record.engine.connect() as connection:
        kinds = set(connection.execute(text("SELECT DISTINCT kind FROM checksum")).scalars())
        filled = {
            name
            for name in t.GROUPS
            if connection.execute(text(f"SELECT 1 FROM {name} LIMIT 1")).scalar()
        }
    assert kinds == filled | {"schema"}
    assert filled >= {
        "reading",
        "sealed",
        "hour",
        "alarm",
        "receipt",
        "dispute",
        "reject",
        "latest",
    }


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE reading SET temperature_c100 = temperature_c100 + 1 WHERE seq = 400",
        "UPDATE hour SET wood_moisture_percent = 12.0 WHERE state = 'wet'",
        "UPDATE alarm SET text = 'nothing'",
        "UPDATE receipt SET seq = seq + 1",
        "UPDATE sealed SET columns = digest",
        "DELETE FROM event",
        "DELETE FROM hour WHERE hour = (SELECT max(hour) FROM hour)",
        "DELETE FROM reading WHERE seq = 400",
        "INSERT INTO unit (site_id, code) VALUES (1, 'new')",
    ],
)
def test_what_nobody_wrote_is_found(record: Record, sql: str) -> None:
    change(record, sql)
    expected = next(word for word in sql.split() if word in t.GROUPS)
    if sql.startswith("INSERT"):  # a row too many of a group of its own looks like a new one
        assert found(record) == set()
    else:
        assert found(record) == {expected}


def test_what_somebody_wrote_is_no_damage(record: Record) -> None:
    record.take([sample(seq, at_s=LATER + seq) for seq in range(450, 600)], [], received_s=LATER)
    record.take(
        [sample(299, temperature_c=-3.0), sample(480, temperature_c=-3.0)], [], received_s=1
    )
    record.seal(before_s=LATER + 50 * DAY_S, now_s=LATER + 9 * DAY_S)
    record.add_unit(Unit("rv9", "yard"))
    record.add_unit(Unit("van-wet", "yard", name="Another"))
    record.add_zone("yard", Zone("rv9", "off-rear-low"))
    placement = Placement("n1", "p1", "yard", "rv9", "off-rear-low", from_s=T0)
    record.place(placement, recorded_s=T0, who="test")
    record.beat("watch", LATER + 60)
    with record.engine.begin() as connection:
        connection.execute(text("DELETE FROM hour WHERE zone_id = 2"))
    assert found(record) == set()
    assert found(record) == set()


def test_a_change_while_checksums_are_taken_is_no_damage(record: Record) -> None:
    with record.engine.begin() as connection:
        connection.execute(text("DELETE FROM checksum WHERE kind = 'reading'"))
    groups = checking._compare(record.engine, "reading")[1]
    original = checking._digests

    def meanwhile(*given: Any) -> Any:
        everything = list(original(*given))
        record.take([sample(480, temperature_c=-7.0)], [], received_s=LATER)
        return iter(everything)

    checking._digests = meanwhile  # type: ignore[assignment]
    try:
        checking._take(record.engine, "reading", groups)
    finally:
        checking._digests = original
    assert found(record) == set()


def test_the_result_is_kept_and_damage_is_told_once_a_day(record: Record) -> None:
    change(record, "DELETE FROM event")
    done = checking.check(record.engine, now_s=LATER)
    for _ in range(2):
        checking.keep(record.engine, done, said="damaged")
    with record.engine.connect() as connection:
        assert checking.last(connection) == done
        told = connection.execute(text("SELECT body FROM outbox WHERE key LIKE 'check/%'")).all()
    assert [tuple(row) for row in told] == [("damaged",)]


# --- flipped bytes --------------------------------------------------------------------------------


def contents(path: Path) -> dict[str, str] | None:
    """Hashes of all tables; None if they cannot be read."""
    engine = create_engine(f"sqlite:///file:{path}?mode=ro&immutable=1&uri=true")
    try:
        with engine.connect() as connection:
            return checking.hashes(connection)
    except Exception:  # noqa: BLE001  whatever it was, it was noticed
        return None
    finally:
        engine.dispose()


def is_noticed(path: Path) -> bool:
    """Whether the check of a file says that something is wrong."""
    engine = create_engine(
        f"sqlite:///file:{path}?mode=ro&immutable=1&uri=true", execution_options={"only_read": True}
    )
    try:
        return checking.check(engine, now_s=LATER).count > 0
    except Exception:  # noqa: BLE001  it does not even open
        return True
    finally:
        engine.dispose()


def flip_bytes(record: Record, path: Path, *, count: int) -> dict[str, int]:
    """Flip one byte after another, each on a whole file; how many were noticed, and how many not."""
    done = checking.check(record.engine, now_s=LATER)
    checking.keep(record.engine, done, said="")
    record.close()
    with closing(sqlite3.connect(record_file(record))) as connection:
        connection.execute("VACUUM INTO ?", (str(path),))
    whole = contents(path)
    assert whole is not None
    assert not is_noticed(path)
    rng = random.Random(20251125)
    size = path.stat().st_size
    numbers = {"noticed": 0, "harmless": 0, "missed": 0}
    with path.open("r+b", buffering=0) as file:
        for _ in range(count):
            place = rng.randrange(size)
            file.seek(place)
            before = file.read(1)
            file.seek(place)
            file.write(bytes([before[0] ^ rng.randrange(1, 256)]))
            if is_noticed(path):
                numbers["noticed"] += 1
            else:
                numbers["harmless" if contents(path) == whole else "missed"] += 1
            file.seek(place)
            file.write(before)
    assert contents(path) == whole
    return numbers


def record_file(record: Record) -> str:
    database = record.engine.url.database or ""
    return database.removeprefix("file:")


@pytest.mark.file
@pytest.mark.parametrize("count", [60, pytest.param(1000, marks=pytest.mark.long, id="a thousand")])
def test_every_flipped_byte_is_noticed_or_harmless(
    record: Record, tmp_path: Path, count: int
) -> None:
    assert (tmp_path / FILE_NAME).exists()
    numbers = flip_bytes(record, tmp_path / "copy.sqlite", count=count)
    assert numbers["missed"] == 0, numbers
    assert numbers["noticed"] > count // 3
