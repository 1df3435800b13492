"""A person is forgotten: no byte of the name is left, what they did is, and the log says what was done."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import Event, LimitEntry, Photo, Placement, Site, Source, Unit, Zone
from monitor.store import (
    AlarmStep,
    ChangedAlarm,
    NewHold,
    Record,
    forgetting,
    people,
    users,
)
from monitor.store.people import Message, Person
from monitor.store.users import Doer, Reach
from tests.filled import NOW_S, filled_record
from tests.test_photos import cleaned, sent

NAME = "Tamsin Quellborough"
OTHER = "Orsolya Vantreaux"
BY = Doer("command line", NOW_S)
PASSWORD = "kept four dry walls"


def lived(home: Path, *, name: str = NAME) -> Record:
    """A record in which somebody did all that there is to do."""
    from hashlib import sha256

    record = filled_record(home, days=2)
    for who in (name, OTHER):
        users.add(
            record.engine, who, role="owner", reach=Reach(whole=True), password=PASSWORD, by=BY
        )
        mine = Doer(who, NOW_S, "192.0.2.7")
        users.begin(record.engine, who, by=mine)
        users.make_unit_link(record.engine, "van-dry", days=3, by=mine)
        person = Person(who, "owner", "UTC", added_s=NOW_S)
        address = f"json://127.0.0.1/{who.replace(' ', '')}/{who}"
        number = people.add(record.engine, home, person, [(address, f"json {who}")], by=mine)
        (key,) = next(p for p in people.listed(record.engine) if p.name == who).addresses
        letter = Message(f"k{number}", number, key, "alarm", 0, f"{who}: wet", f"Dear {who}, wet",
                         NOW_S, NOW_S + 9, alarms=((1, 1),))  # fmt: skip
        people.keep(record.engine, [letter], now_s=NOW_S)
        record.add_event("yard", Event(NOW_S, "inspection", f"dry, said {who}", "van-wet", "off-rear-low"),
                         recorded_s=NOW_S, who=who)  # fmt: skip
        step = AlarmStep(NOW_S, "acknowledged", who, f"{who} looks")
        record.change_alarm(ChangedAlarm(1, None, "acknowledged", step), now_s=NOW_S)
        source = Source(
            "yard", "damp", "van-dry", "off-rear-low" if who == name else "door-mid-high"
        )
        record.hold(
            NewHold(source, "shelved", NOW_S, NOW_S + 9, who, f"asked by {who}"), now_s=NOW_S
        )
        record.change_limit(
            LimitEntry(0, "", "", "wet_percent", 20.0, 21.0, 9, NOW_S, who, f"{who}'s")
        )
        number = record.begin_list("van-dry", "lay-up", (["seals"], []), who=who, now_s=NOW_S)
        data = cleaned(sent((40, 30)))
        record.keep_photo(
            "van-wet", Photo(sha256(data).hexdigest(), NOW_S, NOW_S, who, f"{who} points"), data
        )
        record.place(
            Placement("spare", "p1", "yard", "", "", NOW_S),
            recorded_s=NOW_S,
            who=who,
            why=f"for {who}",
        )
    record.add_unit(Unit("van-dry", "yard", f"{name}'s old one"))
    record.add_site(Site("second", f"yard of {name}"))
    record.add_zone("second", Zone("", "outside", "outside"))
    return record


def log(record: Record) -> list[tuple[object, ...]]:
    with record.engine.connect() as db:
        return [tuple(row) for row in db.execute(text("SELECT * FROM audit ORDER BY audit_id"))]


def test_no_byte_of_the_name_is_left_and_what_they_did_is(tmp_path: Path) -> None:
    record = lived(tmp_path)
    assert [path.name for path in forgetting.files_with(tmp_path, NAME)]
    before = log(record)
    done = forgetting.forget(record.engine, tmp_path, NAME, by=BY)
    assert (done.called, done.account, done.person, done.clean) == (
        "removed person 1",
        True,
        True,
        True,
    )
    assert done.left == ()
    for path in tmp_path.rglob("*"):
        assert not path.is_file() or NAME.encode() not in path.read_bytes(), path
        assert not path.is_file() or NAME.replace(" ", "").encode() not in path.read_bytes(), path
    assert OTHER.encode() in (tmp_path / "record.sqlite").read_bytes()
    assert OTHER in (tmp_path / people.FILE_NAME).read_text()
    # what they did stands, and by whom nobody can say
    events = [e for e in record.events("yard", unit="van-wet") if e.kind == "inspection"]
    assert sorted(e.value for e in events) == [f"dry, said {OTHER}", "dry, said removed person 1"]
    assert {step.who for step in record.alarm_steps(1)} == {OTHER, "removed person 1"}
    assert {photo.who for photo in record.photos("van-wet")} == {OTHER, "removed person 1"}
    assert {unit.name for unit in record.units()} >= {"removed person 1's old one"}
    assert [u.name for u in users.listed(record.engine)] == [OTHER]
    assert [p.name for p in people.listed(record.engine)] == [OTHER]
    assert [link.made_by for link in users.links(record.engine, now_s=NOW_S)] == [OTHER]
    # the log: as many lines, none with the address of their machine, whole, and says what was done
    after = log(record)
    assert len(after) == len(before) + 1
    assert users.is_log_whole(record.engine)
    head = before[-1][-1]
    assert f"its head before {head}" in after[-1][4]
    assert forgetting.rewritten(record.engine) == (1, NOW_S)
    assert not any(row[2] == "removed person 1" and row[5] for row in after)
    (line,) = record.ledger()
    assert (line.what, line.giver, line.unit) == ("person removed", "removed person 1", "")
    record.close()


def test_a_second_one_has_another_number_and_the_log_stays_whole(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        done = forgetting.forget(record.engine, tmp_path, OTHER.upper(), by=BY)
        assert done.called == "removed person 2"
        assert users.is_log_whole(record.engine)
        assert forgetting.rewritten(record.engine)[0] == 2
        assert OTHER.encode() not in (tmp_path / "record.sqlite").read_bytes()
        with pytest.raises(InputError, match="nothing in the record"):
            forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        assert len(record.ledger()) == 2


@pytest.mark.parametrize("name", ["Zoë Ångström", 'O\'Hara "Red" Nil', "Ann", "%_ %"])
def test_names_of_any_letters(tmp_path: Path, name: str) -> None:
    with lived(tmp_path, name=name) as record:
        done = forgetting.forget(record.engine, tmp_path, name, by=BY)
        assert done.account
        assert name not in str([log(record), record.events("yard", unit="van-wet"), record.units()])
        assert users.is_log_whole(record.engine)


def test_a_name_that_is_a_word_of_the_program_breaks_nothing(tmp_path: Path) -> None:
    with lived(tmp_path, name="owner") as record:
        forgetting.forget(record.engine, tmp_path, "owner", by=BY)
        assert [(u.name, u.role) for u in users.listed(record.engine)] == [(OTHER, "owner")]
        assert "owner" in str(log(record)[0])  # of what was typed only whole cells


def test_whoever_was_removed_before_is_forgotten_too(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        users.remove(record.engine, NAME, by=BY)
        people.remove(record.engine, tmp_path, NAME, by=BY)
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        assert NAME.encode() not in (tmp_path / "record.sqlite").read_bytes()


def test_nothing_else_may_change_the_log_or_the_ledger(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as db:
        for statement in ("UPDATE audit SET who = 'x'", "DELETE FROM audit", "DELETE FROM transfer",
                          "UPDATE transfer SET who = 'x'"):  # fmt: skip
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                db.execute(statement)
        db.execute("INSERT INTO forgetting VALUES (7)")
        for table in ("audit", "transfer"):  # not even then
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                db.execute(f"DELETE FROM {table}")


def test_a_log_that_somebody_changed_is_still_found_out(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        with record.engine.begin() as db:
            db.execute(text("INSERT INTO forgetting VALUES (1)"))
            db.execute(text("UPDATE audit SET about = 'nothing' WHERE audit_id = 2"))
            db.execute(text("DELETE FROM forgetting"))
        assert not users.is_log_whole(record.engine)


def test_forgetting_does_not_hide_that_the_log_was_broken_before(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        with record.engine.begin() as db:
            db.execute(text("INSERT INTO forgetting VALUES (1)"))
            db.execute(text("UPDATE audit SET about = 'nothing' WHERE audit_id = 2"))
            db.execute(text("DELETE FROM forgetting"))
        assert not users.is_log_whole(record.engine)
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        assert not users.is_log_whole(record.engine)
        assert log(record)[-1][4].endswith("it was not whole before")


def test_by_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lived(tmp_path).close()
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    asked = CliRunner().invoke(app, ["user", "forget", NAME])
    assert asked.exit_code == 1
    assert "add --yes" in asked.output
    assert list(forgetting.files_with(tmp_path, NAME))
    copy = tmp_path / "kept"
    copy.mkdir()
    assert CliRunner().invoke(app, ["backup", str(copy)]).exit_code == 0
    done = CliRunner().invoke(app, ["person", "forget", NAME, "--yes"])
    assert done.exit_code == 0, done.output
    assert "removed person 1" in done.output
    assert "Backups that were made before still hold the name" in done.output
    assert "still stand in: kept/record-" in done.output  # and this one is found
    assert CliRunner().invoke(app, ["user", "clean"]).exit_code == 0


def test_each_text_of_the_record_is_looked_through_or_known_to_hold_no_name() -> None:
    looked = set(forgetting.texts())
    for place in (("event", "who"), ("event", "value"), ("photo", "caption"), ("audit", "about"),
                  ("hold", "ended_why"), ("message", "body"), ("transfer", "giver"), ("unit", "name"),
                  ("season_step", "who"), ("limit_change", "why"), ("pulse", "detail")):  # fmt: skip
        assert place in looked
