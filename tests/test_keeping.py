"""Copies that grow old, and the drill: what is kept, what is found out, and that the record is only read."""

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.store import Record, backup, checking, keeping, open_record
from monitor.store.engine import FILE_NAME
from monitor.store.keeping import Keep
from sensors.wire import Reading
from tests.conftest import sillkeep
from tests.filled import NOW_S, filled_record
from tests.test_migrations import old_record

DAY_S = 86_400


def copy_of(folder: Path, at: datetime) -> Path:
    path = folder / f"record-{at:%Y-%m-%dT%H%M%S}Z.sqlite"
    path.write_bytes(b"copy")
    return path


def nights(folder: Path, count: int, last: datetime) -> list[Path]:
    return [copy_of(folder, last - timedelta(days=k)) for k in range(count)]


LAST = datetime(2026, 11, 27, 2, 40, tzinfo=UTC)  # a Friday


def test_a_year_of_nights_is_thinned_to_days_weeks_and_months(tmp_path: Path) -> None:
    nights(tmp_path, 400, LAST)
    keeping.thin(tmp_path, Keep(7, 5, 12), now_s=int(LAST.timestamp()))
    left = [f"{datetime.fromtimestamp(at_s, UTC):%m-%d}" for at_s, _ in keeping.copies(tmp_path)]
    # by hand from a calendar: seven nights; Sundays of the weeks before; last days of the months before
    days = ["11-27", "11-26", "11-25", "11-24", "11-23", "11-22", "11-21"]
    weeks = ["11-15", "11-08", "11-01"]  # 27th and 22nd stand for the newest two weeks
    months = ["10-31", "09-30", "08-31", "07-31", "06-30", "05-31", "04-30", "03-31", "02-28"]
    assert left == [*days, *weeks, *months, "01-31", "12-31"]


def test_thinning_every_night_ends_with_the_same_copies_as_thinning_once(tmp_path: Path) -> None:
    nightly, once = tmp_path / "nightly", tmp_path / "once"
    nightly.mkdir()
    once.mkdir()
    for number in range(120):
        at = LAST - timedelta(days=119 - number)
        copy_of(nightly, at)
        copy_of(once, at)
        keeping.thin(nightly, Keep(3, 4, 2), now_s=int(at.timestamp()))
    keeping.thin(once, Keep(3, 4, 2), now_s=int(LAST.timestamp()))
    assert {p.name for p in nightly.iterdir()} == {p.name for p in once.iterdir()}


def test_what_is_no_copy_stays_and_so_does_the_newest(tmp_path: Path) -> None:
    others = ["notes.txt", "record.sqlite", "record-2026-01-01T000000Z-before.sqlite"]
    for name in others:
        (tmp_path / name).write_text("mine")
    half = tmp_path / "record-2026-01-01T000000Z.sqlite.part"
    running = tmp_path / f"record-{LAST:%Y-%m-%dT%H%M%S}Z.sqlite.part"
    for path in (half, running):
        path.write_bytes(b"half")
    newest, *older = nights(tmp_path, 3, LAST)
    gone = keeping.thin(tmp_path, Keep(0, 0, 0), now_s=int(LAST.timestamp()))
    assert set(gone) == {half, *older}
    assert {p.name for p in tmp_path.iterdir()} == {*others, newest.name, running.name}


# --- the drill ------------------------------------------------------------------------------------


def test_copies_of_a_clock_that_ran_ahead_push_none_out(tmp_path: Path) -> None:
    last = datetime(2026, 11, 27, 2, tzinfo=UTC)
    ahead = nights(tmp_path, 9, datetime(2031, 5, 1, 2, tzinfo=UTC))
    mine = nights(tmp_path, 9, last)
    gone = keeping.thin(tmp_path, keeping.Keep(7, 0, 0), now_s=int(last.timestamp()))
    assert set(gone) == set(sorted(mine)[:2])
    assert all(path.exists() for path in ahead)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def record(home: Path) -> Iterator[Record]:
    with filled_record(home, days=2) as record:
        take(record, range(100))
        yield record


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "backups"
    path.mkdir()
    return path


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    path = tmp_path / "scratch"
    path.mkdir()
    return path


def take(record: Record, numbers: range) -> None:
    samples = [
        Reading(site="yard", node="mine", boot=1, seq=k, at_s=NOW_S + 600 * k, temperature_c=5.0)
        for k in numbers
    ]
    record.take(samples, [], received_s=NOW_S)


def digests(home: Path) -> dict[str, str]:
    """Of the record's file and its journal, byte for byte."""
    names = (FILE_NAME, f"{FILE_NAME}-wal")
    paths = [home / name for name in names if (home / name).exists()]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def test_a_drill_restores_the_newest_and_counts_what_came_since(
    record: Record, home: Path, folder: Path, scratch: Path
) -> None:
    backup.back_up(home, folder, now_s=NOW_S - DAY_S)
    newest = backup.back_up(home, folder, now_s=NOW_S)
    take(record, range(100, 130))
    before = digests(home)
    found = keeping.drill(home, folder, scratch, now_s=NOW_S + 60)
    assert (found.trouble, found.file, found.made_s) == ("", newest.name, NOW_S)
    assert found.backup is not None
    assert found.record is not None
    assert found.record["readings"] - found.backup["readings"] == 30
    assert found.record["hours"] == found.backup["hours"] > 0
    assert digests(home) == before


def test_a_drill_finds_what_would_not_come_back(
    record: Record, home: Path, folder: Path, scratch: Path
) -> None:
    def trouble(now_s: int = NOW_S) -> str:
        for path in scratch.iterdir():
            path.unlink()
        return keeping.drill(home, folder, scratch, now_s=now_s).trouble

    assert "no backup" in trouble()
    assert (
        checking.check(record.engine, now_s=NOW_S).count == 0
    )  # as every night: checksums are taken
    newest = backup.back_up(home, folder, now_s=NOW_S)
    before = digests(home)
    assert trouble() == ""
    assert "3.0 days old" in trouble(NOW_S + 3 * DAY_S)
    whole = newest.read_bytes()
    for damaged in (
        whole[: len(whole) // 2],
        b"\0" * len(whole),
        whole.replace(b"is wet", b"is dry"),
    ):
        newest.write_bytes(damaged)
        said = trouble()
        assert said
        assert newest.name in said
    newest.write_bytes(whole)
    assert digests(home) == before


def test_a_drill_is_not_taken_in_by_a_copy_of_a_clock_that_ran_ahead(
    home: Path, record: Record, folder: Path, scratch: Path
) -> None:
    take(record, range(3))
    old = datetime(2026, 11, 1, tzinfo=UTC)
    now_s = int(old.timestamp()) + 20 * keeping.DAY_S
    ahead = copy_of(folder, datetime(2031, 5, 1, 2, tzinfo=UTC))
    found = keeping.drill(home, folder, scratch, now_s=now_s)
    assert "later than now" in found.trouble
    backup.back_up(home, folder, now_s=int(old.timestamp()))
    found = keeping.drill(home, folder, scratch, now_s=now_s)
    assert "20.0 days old" in found.trouble
    assert ahead.exists()


def test_a_record_that_lost_readings_is_told_by_its_backup(
    record: Record, home: Path, folder: Path, scratch: Path
) -> None:
    backup.back_up(home, folder, now_s=NOW_S)
    record.close()
    with closing(sqlite3.connect(home / FILE_NAME)) as connection:
        connection.execute("DELETE FROM latest WHERE readings = 100")
        connection.commit()
    said = keeping.drill(home, folder, scratch, now_s=NOW_S).trouble
    assert "readings, the record only" in said


def test_a_backup_of_an_older_version_comes_back_too(
    record: Record, home: Path, folder: Path, scratch: Path, tmp_path: Path
) -> None:
    old = old_record(tmp_path / "old", "0012")
    old.rename(folder / "record-2025-11-25T110000Z.sqlite")
    assert keeping.drill(home, folder, scratch, now_s=NOW_S).trouble == ""


# --- by command -----------------------------------------------------------------------------------


def test_the_commands_keep_drill_and_say_so(record: Record, home: Path, folder: Path) -> None:
    record.close()
    old = nights(folder, 30, datetime(2025, 11, 20, tzinfo=UTC))
    done = sillkeep(home, "backup", str(folder), "--keep", "1,1,2")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("no longer kept") == 29
    assert old[0].exists()  # the newest of its month
    assert "No backup was ever restored" in sillkeep(home, "check").stdout
    before = digests(home)
    done = sillkeep(home, "drill", str(folder))
    assert (done.returncode, done.stderr.strip()) == (0, "")
    assert "whole: " in done.stdout
    assert "0 fewer than the record" in done.stdout
    assert done.stdout.strip() in sillkeep(home, "check").stdout
    newest = keeping.copies(folder)[0][1]
    newest.write_bytes(newest.read_bytes()[:50_000])
    failed = sillkeep(home, "drill", str(folder))
    assert failed.returncode == 1
    assert failed.stdout == ""
    assert len(failed.stderr.strip().splitlines()) == 1
    assert "failed" in failed.stderr
    assert failed.stderr.strip() in sillkeep(home, "check").stdout
    assert digests(home) == before
    assert json.loads((home / "drill.json").read_text())["file"] == newest.name


@pytest.mark.parametrize("words", ["7,5", "7,5,x", "a", "-1,2,3"])
def test_what_keep_cannot_mean_is_refused_before_anything_is_done(
    record: Record, home: Path, folder: Path, words: str
) -> None:
    record.close()
    done = sillkeep(home, "backup", str(folder), f"--keep={words}")
    assert done.returncode == 2
    assert "7,5,12" in done.stderr
    assert not list(folder.iterdir())


def test_a_service_that_failed_is_told_once_a_day(record: Record, home: Path) -> None:
    record.close()
    for _ in range(2):
        assert sillkeep(home, "notice", "sillkeep-backup.service").returncode == 0
    assert sillkeep(home, "notice", "a b; c").returncode == 2
    with open_record(home, read_only=True) as told, told.engine.connect() as db:
        query = "SELECT channel, body FROM outbox WHERE key LIKE 'service sillkeep-backup%'"
        [[channel, body]] = db.exec_driver_sql(query).all()
    assert channel == "people"
    assert "sillkeep-backup.service failed" in body
