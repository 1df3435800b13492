"""Backup and restore: what comes back is what was there, or nothing is touched."""

import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from monitor.config import BUSY, claim
from monitor.errors import DamageError, InputError, StoreError
from monitor.lot import Site
from monitor.store import Record, backup, checking, health, open_record, sealing
from monitor.store.engine import FILE_NAME
from sensors.wire import Reading
from tests.conftest import sillkeep
from tests.filled import filled_record

DAY_S = 86_400
T0 = 1_763_424_000 // sealing.PERIOD_S * sealing.PERIOD_S
LATER = T0 + 100 * DAY_S
NOW_S = 1_764_068_400  # 2025-11-25T11:00Z


def sample(seq: int, **values: Any) -> Reading:
    whole = {"at_s": T0 + 600 * seq, "temperature_c": 5.0 + seq % 10} | values
    return Reading(**({"site": "yard", "node": "mine", "boot": 1, "seq": seq} | whole))


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def record(home: Path) -> Iterator[Record]:
    """Sealed and fresh readings, judged hours, alarms; checked once."""
    with filled_record(home, days=2) as record:
        record.take([sample(seq) for seq in range(300)], [], received_s=T0)
        while record.seal(before_s=T0 + 10 * DAY_S, now_s=LATER):
            pass
        record.take([sample(seq) for seq in range(300, 400)], [], received_s=LATER)
        assert checking.check(record.engine, now_s=LATER).count == 0
        yield record


def hashes(path: Path) -> dict[str, str]:
    engine = create_engine(f"sqlite:///file:{path}?mode=ro&uri=true")
    with engine.connect() as connection:
        found = checking.hashes(connection)
    engine.dispose()
    return found


def hashes_of(record: Record) -> dict[str, str]:
    with record.engine.execution_options(reading=True).begin() as connection:
        return checking.hashes(connection)


def flipped(path: Path) -> None:
    """Change one value in a file."""
    with closing(sqlite3.connect(path)) as connection:
        for action in ("insert", "update", "delete"):
            connection.execute(f"DROP TRIGGER checksum_alarm_{action}")
        connection.execute("UPDATE alarm SET text = 'All is well.'")
        connection.commit()


def test_a_backup_restored_has_every_table_as_it_was(
    record: Record, home: Path, tmp_path: Path
) -> None:
    before = hashes_of(record)
    assert len(before) > 24
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    assert copy.name == "record-2025-11-25T110000Z.sqlite"
    assert hashes(copy) == before
    record.take([sample(seq) for seq in range(400, 450)], [], received_s=LATER)
    later = hashes_of(record)
    assert later != before
    record.close()
    aside = backup.restore(home, copy, now_s=NOW_S)
    assert aside == home / "record-2025-11-25T110000Z-before.sqlite"
    assert hashes(home / FILE_NAME) == before
    assert hashes(aside) == later
    assert hashes(copy) == before
    with open_record(home) as restored:
        assert restored.take([sample(420)], [], received_s=LATER).stored == 1


def test_a_backup_made_while_others_write_is_of_one_moment(
    record: Record, home: Path, tmp_path: Path
) -> None:
    """Every reading in it is counted in `latest` of the same moment; writing goes on meanwhile."""
    stop = threading.Event()
    written = 0

    def write() -> None:
        nonlocal written
        while not stop.is_set():
            first = 1000 + written * 5
            group = [sample(first + k) for k in range(5)]
            record.take(group, [], received_s=LATER)
            written += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [
            backup.back_up(home, tmp_path / f"{number}.sqlite", now_s=NOW_S) for number in range(3)
        ]
    finally:
        stop.set()
        writer.join(30)
    assert written > 3
    found = []
    for copy in copies:
        with closing(sqlite3.connect(copy)) as connection:
            mine = "(SELECT probe_id FROM probe JOIN node USING (node_id) WHERE node.code = 'mine')"
            [[fresh], [sealed], [counted]] = [
                connection.execute(f"SELECT {what} WHERE probe_id = {mine}").fetchone()
                for what in (
                    "count(*) FROM reading",
                    "sum(readings) FROM sealed",
                    "readings FROM latest",
                )
            ]
        assert fresh + sealed == counted
        assert counted % 5 == 0
        found.append(counted)
    assert found == sorted(found)


def test_a_backup_never_replaces_a_file(record: Record, home: Path, tmp_path: Path) -> None:
    file = tmp_path / "copy.sqlite"
    file.write_bytes(b"mine")
    with pytest.raises(InputError, match="exists already"):
        backup.back_up(home, file, now_s=NOW_S)
    assert file.read_bytes() == b"mine"
    with pytest.raises(InputError, match="no folder"):
        backup.back_up(home, tmp_path / "nowhere" / "copy.sqlite", now_s=NOW_S)


def test_a_damaged_record_is_backed_up_only_by_force(
    record: Record, home: Path, tmp_path: Path
) -> None:
    record.close()
    flipped(home / FILE_NAME)
    with pytest.raises(DamageError, match=r"damaged, in .* --force"):
        backup.back_up(home, tmp_path, now_s=NOW_S)
    assert [path.name for path in tmp_path.iterdir()] == ["home"]
    copy = backup.back_up(home, tmp_path, now_s=NOW_S, force=True)
    assert hashes(copy) == hashes(home / FILE_NAME)


def test_a_damaged_backup_is_not_restored(record: Record, home: Path, tmp_path: Path) -> None:
    before = hashes_of(record)
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    record.close()
    flipped(copy)
    names = sorted(path.name for path in home.iterdir())
    with pytest.raises(DamageError):
        backup.restore(home, copy, now_s=NOW_S)
    assert sorted(path.name for path in home.iterdir()) == names
    assert hashes(home / FILE_NAME) == before


def test_what_is_no_backup_is_refused(record: Record, home: Path, tmp_path: Path) -> None:
    record.close()
    file = tmp_path / "notes.txt"
    file.write_text("not a record\n" * 1000)
    with pytest.raises(InputError, match="no backup of a record"):
        backup.restore(home, file, now_s=NOW_S)
    with pytest.raises(InputError, match="no file"):
        backup.restore(home, tmp_path / "nothing", now_s=NOW_S)
    with pytest.raises(InputError, match="the record itself"):
        backup.restore(home, home / FILE_NAME, now_s=NOW_S)
    later = tmp_path / "later.sqlite"
    with closing(sqlite3.connect(later)) as connection:
        connection.execute("CREATE TABLE alembic_version (version_num TEXT)")
        connection.execute("INSERT INTO alembic_version VALUES ('9999')")
        connection.commit()
    with pytest.raises(InputError, match="later version"):
        backup.restore(home, later, now_s=NOW_S)


def test_a_record_too_damaged_to_open_is_kept_beside(
    record: Record, home: Path, tmp_path: Path
) -> None:
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    record.close()
    wreck = b"wreck" * 5000
    (home / FILE_NAME).write_bytes(wreck)
    (home / f"{FILE_NAME}-wal").write_bytes(b"its journal")
    aside = backup.restore(home, copy, now_s=NOW_S)
    assert aside is not None
    assert aside.read_bytes() == wreck
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"its journal"
    assert hashes(home / FILE_NAME) == hashes(copy)


def test_a_backup_is_restored_where_there_was_no_record(
    record: Record, home: Path, tmp_path: Path
) -> None:
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    other = tmp_path / "other"
    assert backup.restore(other, copy, now_s=NOW_S) is None
    assert [path.name for path in other.iterdir()] == [FILE_NAME]
    with open_record(other) as restored:
        restored.add_site(Site("second"))


@pytest.mark.parametrize("step", ["hashes", "_sync", "_compare", "_exchange"])
def test_a_restore_that_fails_anywhere_leaves_the_record_as_it_was(
    record: Record, home: Path, tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = hashes_of(record)
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    record.close()

    def fail(*_: object, **__: object) -> None:
        raise OSError("the fault of this test")

    monkeypatch.setattr(checking if step == "hashes" else backup, step, fail)
    with pytest.raises(StoreError, match="the fault of this test"):
        backup.restore(home, copy, now_s=NOW_S)
    monkeypatch.undo()
    assert hashes(home / FILE_NAME) == before
    assert not list(home.glob("*.part"))
    backup.restore(home, copy, now_s=NOW_S)


def test_a_copy_that_differs_is_not_called_a_backup(
    record: Record, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = backup._compare

    def disk_that_lies(part: Path, before: dict[str, str], tell: backup.Tell) -> None:
        flipped(part)
        original(part, before, tell)

    monkeypatch.setattr(backup, "_compare", disk_that_lies)
    with pytest.raises(StoreError, match="not what was copied"):
        backup.back_up(home, tmp_path, now_s=NOW_S)
    assert [path.name for path in tmp_path.iterdir()] == ["home"]


# --- by command -----------------------------------------------------------------------------------


def test_the_commands_back_up_check_and_restore(record: Record, home: Path, tmp_path: Path) -> None:
    before = hashes_of(record)
    record.close()
    done = sillkeep(home, "backup", str(tmp_path / "copy.sqlite"))
    assert (done.returncode, done.stderr.strip()) == (0, "")
    assert "backed up and compared" in done.stdout
    again = sillkeep(home, "backup", str(tmp_path / "copy.sqlite"))
    assert again.returncode == 2
    assert "exists already" in again.stderr
    assert sillkeep(home, "check", "--deep").returncode == 0
    flipped(home / FILE_NAME)
    checked = sillkeep(home, "check", "--deep")
    assert checked.returncode == 1
    assert "The record is damaged: 5 places" in checked.stdout
    assert "its tables, alarms" in checked.stdout
    assert sillkeep(home, "check", "--json").returncode == 1
    with open_record(home, read_only=True) as damaged:
        chain = health.chain(damaged.engine, now_s=NOW_S)
        assert chain.checked is not None
        assert {damage.kind for damage in chain.checked.damages} == {"schema", "alarm"}
        assert [pulse.part for pulse in chain.pulses if pulse.damage] == ["check"]
        assert chain.untold >= 1
    assert sillkeep(home, "restore", str(tmp_path / "copy.sqlite")).returncode == 0
    assert hashes(home / FILE_NAME) == before


@pytest.mark.parametrize("part", ["serve", "intake", "watch", "archive"])
def test_nothing_is_restored_while_a_process_has_the_record(
    record: Record, home: Path, tmp_path: Path, part: str
) -> None:
    copy = backup.back_up(home, tmp_path, now_s=NOW_S)
    record.close()
    before = (home / FILE_NAME).read_bytes()
    lock = claim(home, part)
    assert lock is not None
    with lock:
        done = sillkeep(home, "restore", str(copy))
    assert done.returncode == BUSY
    assert f"sillkeep {part}" in done.stderr
    assert (home / FILE_NAME).read_bytes() == before


def sealed_of(record: Record) -> int:
    """Sealed readings of our node."""
    query = text(
        "SELECT coalesce(sum(s.readings), 0) FROM sealed s JOIN probe USING (probe_id)"
        " JOIN node USING (node_id) WHERE node.code = 'mine'"
    )
    with record.engine.execution_options(reading=True).begin() as connection:
        return int(connection.execute(query).scalar_one())


def test_the_watch_checks_the_record_once_a_day_and_seals(
    record: Record, home: Path, until: Callable[..., None]
) -> None:
    record.take([sample(seq) for seq in range(400, 500)], [], received_s=T0)
    watching = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "watch"],
        env=os.environ | {"SILLKEEP_HOME": str(home)},
        stderr=subprocess.DEVNULL,
    )
    try:
        until(lambda: (found := record.last_check()) is not None and found.count == 0, seconds=60)
        until(lambda: sealed_of(record) == 500, seconds=60)
    finally:
        watching.terminate()
        watching.wait(20)
