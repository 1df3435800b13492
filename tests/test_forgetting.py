"""A person is forgotten: no byte of the name is left, what they did is, and the log says what was done."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from monitor import rounds, watch
from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import CaseNote, Event, LimitEntry, Photo, Placement, Site, Source, Unit, Zone
from monitor.store import (
    AlarmStep,
    ChangedAlarm,
    NewHold,
    Record,
    chaining,
    findings,
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


@pytest.mark.file
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


@pytest.mark.file
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


@pytest.mark.file
def test_whoever_was_removed_before_is_forgotten_too(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        users.remove(record.engine, NAME, by=BY)
        people.remove(record.engine, tmp_path, NAME, by=BY)
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        assert NAME.encode() not in (tmp_path / "record.sqlite").read_bytes()


@pytest.mark.file
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


@pytest.mark.file
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
                  ("season_step", "who"), ("limit_change", "why"), ("pulse", "detail"),
                  ("finding", "who"), ("finding", "note"), ("meter", "device"), ("joint", "who"),
                  ("joint", "place"), ("joint", "code"), ("joint", "why"), ("seal_entry", "who"),
                  ("seal_entry", "joint"), ("seal_entry", "product"), ("seal_entry", "note"),
                  ("seal_rule", "who"), ("seal_rule", "joint"), ("seal_rule", "why"),
                  ("repair_case", "who"), ("repair_case", "value"), ("repair_case", "why"),
                  ("bench_point", "who"), ("bench_point", "batch"), ("bench_undo", "who"), ("bench_back", "who"),
                  ("bench_undo", "why"), ("proof_leaf", "leaf")):  # fmt: skip
        assert place in looked


def proofs_and_findings(record: Record) -> None:
    """A finding and an entry of a repair by the one who goes, both covered by digests."""
    for number, (who, note) in enumerate(((NAME, f"soft, said {NAME}"), (OTHER, "firm"))):
        sent_one = {
            "identity": f"00000000-0000-4000-8000-00000000000{number}",
            "round": "00000000-0000-4000-8000-0000000000aa",
            "unit": "van-wet", "zone": "off-rear-low", "at_s": NOW_S - 60, "note": note,
        }  # fmt: skip
        found = rounds.read(sent_one, who=who, now_s=NOW_S)
        with record._writing() as db:
            findings.add(db, found, {})
    for day in range(3):
        who = NAME if day == 1 else OTHER
        kept = CaseNote("off-rear-low", 9, "goal", f"by {who}", 9, 9, who, f"for {who}")
        lines = [watch.case_leaf(kept)]
        record.note_leaves("van-wet", hours={}, lines=lines, now_s=NOW_S + day * 86_400)
    record.close_days(now_s=NOW_S + 3 * 86_400)


def test_digests_of_findings_and_of_the_proofs_hold_afterwards(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        proofs_and_findings(record)
        heads = [row[3] for row in record.chain()]
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        kept = record.findings("van-wet")
        assert sorted(one.who for one in kept) == [OTHER, "removed person 1"]
        assert all(findings.digest(one) == one.digest for one in kept)
        leaf = watch.case_leaf(CaseNote(
            "off-rear-low", 9, "goal", "by removed person 1", 9, 9, "removed person 1",
            "for removed person 1",
        ))  # fmt: skip
        assert leaf in {said for _, _, said in record.leaves("van-wet")}
        after = [row[3] for row in record.chain()]
        assert after[0] == heads[0]  # a day before the name was there keeps its head
        assert after[1] != heads[1]
        with record.engine.connect() as db:
            assert all(fits == (True, True) for fits in chaining.sound(db).values())
        said = log(record)[-1][4]
        assert "1 findings with another digest" in said
        assert f"2 days of the proofs chained anew, their head before {heads[-1]}" in said


def test_forgetting_covers_up_no_change_of_findings_or_proofs(tmp_path: Path) -> None:
    with lived(tmp_path) as record:
        proofs_and_findings(record)
        with record.engine.begin() as db:
            db.execute(text("UPDATE finding SET result = 'no leak'"))
            db.execute(text("UPDATE proof_leaf SET leaf = leaf || 'x' WHERE proof_leaf_id = 3"))
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
        assert all(findings.digest(one) != one.digest for one in record.findings("van-wet"))
        with record.engine.connect() as db:
            assert [fits[0] for fits in chaining.sound(db).values()] == [True, False, True]


def test_a_leaf_changes_as_the_cells_of_the_record_do_and_no_code_of_it() -> None:
    of_leaf = forgetting._of_leaf(forgetting._without("Wren", "removed person 1"))
    note = CaseNote("Wren", 9, "goal", "10.0", 9, 9, "wren", "asked by Wren")
    gone = replace(note, who="removed person 1", why="asked by removed person 1")
    assert of_leaf(watch.case_leaf(note)) == watch.case_leaf(gone)
    hours = "hours\tWren\t20000\tab"
    assert of_leaf(hours) == hours


def test_the_head_says_that_names_were_taken_out(tmp_path: Path) -> None:
    env = {"SILLKEEP_HOME": str(tmp_path)}
    with lived(tmp_path) as record:
        proofs_and_findings(record)
        before = CliRunner().invoke(app, ["handover", "head"], env=env)
        head = record.chain()[-1][3]
        forgetting.forget(record.engine, tmp_path, NAME, by=BY)
    after = CliRunner().invoke(app, ["handover", "head"], env=env)
    assert head in before.output
    assert "taken out" not in before.output
    assert head not in after.output
    assert "names were taken out of the record 1 times" in after.output
