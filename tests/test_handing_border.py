"""A newer file of a seller ends where the new owner's own record begins; nothing of theirs is touched by it."""

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from sqlalchemy import update

from monitor import rounds, watch
from monitor.lot import CaseNote, Event, Joint, Photo, Placement, SealEntry
from monitor.reports import handover
from monitor.store import AlarmStep, NewAlarm, Record, open_record
from monitor.store import schema as t
from monitor.store.brought import cut
from monitor.store.handing import PARTS, SELLER
from monitor.text.handing import left_out_text
from tests.signed import session
from tests.test_access import make_yard
from tests.test_handing_parts import ONES, finding
from tests.test_handover import bring, give, home, measured, parts, signed_anew, state, take
from tests.test_pages import drawn
from tests.test_photos import cleaned, sent
from tests.test_repairs import (
    END_S,
    HOUR_S,
    REPAIRED_S,
    benched,  # noqa: F401  a fixture of each test here
    followed,
    history,
)

__all__ = ["home"]

DAY_S = 86_400
SOLD_S = (END_S - 10 * DAY_S) // HOUR_S * HOUR_S  # what the first file goes up to
OURS_S = SOLD_S + 3 * DAY_S  # when the buyer's own node begins
PHOTO = cleaned(sent((60, 40)))
DIGEST = sha256(PHOTO).hexdigest()


def alarm(raised_s: int, cleared_s: int | None, steps: tuple[AlarmStep, ...]) -> NewAlarm:
    return NewAlarm(
        "yard", "u1", "w2", "", "damp", "today", raised_s, cleared_s, steps[-1].state, "",
        f"damp since {raised_s}", instant=False, steps=steps,
    )  # fmt: skip


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """What a seller gave at the sale, and ten days later without having noted it."""
    with followed(tmp_path_factory.mktemp("seller"), history()) as record:
        # what this record knows was entered later than the sale, at once
        first = signed_anew(parts(give(record, "u1", SOLD_S)), made_s=END_S - 60)
        for number, at_s in enumerate((OURS_S - DAY_S, OURS_S + DAY_S)):
            step = AlarmStep(at_s, "unacknowledged", "sillkeep", "raised")
            over = AlarmStep(OURS_S + 2 * DAY_S, "normal", "sillkeep", "over")
            with record._writing() as db:
                from monitor.store import alarming

                alarming.add(db, alarm(at_s, over.at_s, (step, over)), now_s=over.at_s)
            record.add_event(
                "yard", Event(at_s, "wash", f"{number}", "u1"), recorded_s=at_s, who="J"
            )
            record.add_findings(
                [replace(finding(number, at_s=at_s), photos=(DIGEST,))], {DIGEST: PHOTO}
            )
            record.enter_joints("u1", [Joint(f"win-{number}", "window", at_s=at_s, who="J")])
            entry = SealEntry(f"win-{number}", "resealed", at_s, at_s, "J", sealant="butyl tape")
            record.note_seals("u1", [entry])
            note = CaseNote("w1", REPAIRED_S, "goal", f"{number + 1}.0", at_s, at_s, "J", "why")
            record.note_case("u1", note)
        return first, give(record, "u1", END_S)


def of_ours(record: Record) -> dict[str, list[str]]:
    """Every row of the buyer's own: of hours and proofs those after the beginning, of the rest by who."""
    with record._reading() as db:
        found = {}
        for name in (
            "event",
            "finding",
            "joint",
            "seal_entry",
            "repair_case",
            "photo",
            "placement",
        ):
            rows = db.execute(t.metadata.tables[name].select()).mappings()
            found[name] = sorted(
                str({k: v for k, v in row.items() if not k.endswith("_id") and k != "data"})
                for row in rows
                if not row["who"].startswith(SELLER)
            )
        for table, column, low in (
            (t.hour, "hour", OURS_S // HOUR_S), (t.proof, "repaired_s", OURS_S),
            (t.proof_now, "repaired_s", OURS_S), (t.alarm, "raised_s", OURS_S),
        ):  # fmt: skip
            rows = db.execute(table.select().where(table.c[column] >= low)).mappings()
            found[table.name] = sorted(map(str, rows))
    return found


def begun(record: Record) -> None:
    """The buyer's own: a node, hours, notes, a repair with its proof, a photo of the seller's used again."""
    placed = Placement("mine", "p1", "home", "u1", "w1", OURS_S)
    record.place(placed, recorded_s=OURS_S, who="me")
    measured(record, OURS_S, 5 * 24)
    at_s = OURS_S + DAY_S
    record.add_event(
        "home", Event(at_s, "repair", "opened and dried", "u1", "w1"), recorded_s=at_s, who="me"
    )
    record.enter_joints("u1", [Joint("mine-1", "window", at_s=at_s, who="me")])
    record.note_seals(
        "u1", [SealEntry("mine-1", "resealed", at_s, at_s, "me", sealant="butyl tape")]
    )
    record.keep_photo("u1", Photo(DIGEST, at_s, at_s, "me"), PHOTO)
    record.note_case("u1", CaseNote("w1", at_s, "photo", DIGEST, at_s, at_s, "me"))
    own = {
        "identity": ONES[8],
        "round": ONES[7],
        "unit": "u1",
        "zone": "w1",
        "at_s": at_s,
        "note": "dry",
    }
    record.add_findings([rounds.read(own, who="me", now_s=at_s)])
    watch.tick(record, now_s=OURS_S + 5 * DAY_S)


def test_nothing_of_the_buyers_own_is_changed_by_a_newer_file(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    assert bring(home, first, END_S) == "new"
    begun(home)
    ours = of_ours(home)
    assert len(ours["hour"]) == 5 * 24
    assert ours["proof_now"]
    taken = take(home, second, END_S)
    assert (taken.done, taken.until_s) == ("newer", OURS_S)
    after = of_ours(home)
    assert {name: after[name] for name in ours} == ours
    watch.tick(home, now_s=OURS_S + 5 * DAY_S)
    assert of_ours(home)["hour"] == ours["hour"]
    came = home.received("u1")
    assert came is not None
    assert (came.until_s, came.file_until_s) == (OURS_S, END_S // HOUR_S * HOUR_S)
    assert bring(home, second, END_S) == "same"
    assert bring(home, first, END_S) == "older"


def test_what_lies_before_is_taken_and_what_lies_after_left_out_and_told(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    begun(home)
    taken = take(home, second, END_S)
    span = {"from_hour": SOLD_S // HOUR_S, "to_hour": OURS_S // HOUR_S}
    for zone in ("w1", "w2", "w3"):
        assert len(home.hours("u1", zone, **span)) == 72
        rows = home.hours("u1", zone, from_hour=OURS_S // HOUR_S, to_hour=END_S // HOUR_S)
        assert bool(rows) == (zone == "w1")
    washes = [e.value for e in home.events("home", unit="u1") if e.kind == "wash"]
    assert washes == ["0"]
    assert {one.identity for one in home.findings("u1")} == {ONES[0], ONES[8]}
    assert {one.code for one in home.joints("u1")} == {"win-0", "mine-1"}
    assert {one.joint for one in home.seal_entries("u1")} == {"win-0", "mine-1"}
    goals = [one.value for one in home.case_notes("u1") if one.kind == "goal"]
    assert goals == ["1.0"]
    assert taken.left_out["hours.csv"] == 3 * (END_S // HOUR_S - OURS_S // HOUR_S)
    for name in (
        "events.csv",
        "findings.csv",
        "joints.csv",
        "seals.csv",
        "cases.csv",
        "alarms.csv",
    ):
        assert taken.left_out[name] >= 1, name
    said = left_out_text(taken.left_out, from_="then")
    assert said.startswith(f"Left out: {taken.left_out['hours.csv']} hours and ")
    assert said.count(".") == 1


def test_an_alarm_across_the_border_is_kept_as_it_stood_then(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    begun(home)
    bring(home, second, END_S)
    (one,) = [a for a in home.alarms(unit="u1") if a.text.startswith("damp since")]
    assert one.raised_s == OURS_S - DAY_S
    assert one.cleared_s == OURS_S
    steps = home.alarm_steps(one.alarm_id)
    assert [(s.at_s, s.state, s.who) for s in steps] == [
        (OURS_S - DAY_S, "unacknowledged", "seller: sillkeep"), (OURS_S, "normal", "handover"),
    ]  # fmt: skip
    assert "damp w2" in home.stood("u1")


def test_a_proof_is_kept_as_it_was_told_then(files: tuple[bytes, bytes], home: Record) -> None:
    first, second = files
    bring(home, first, END_S)
    begun(home)
    bring(home, second, END_S)
    row = next(row for row in home.repairs(unit="u1") if row.repaired_s == REPAIRED_S)
    assert row.now is not None
    assert row.now.at_s <= OURS_S
    revisions = home.proof_revisions("u1", "w1", REPAIRED_S)
    assert all(one.step.at_s <= OURS_S for one in revisions)
    assert row.now == revisions[-1].step


def test_a_later_midnight_that_an_earlier_file_told_of_stays(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    told_s = SOLD_S // DAY_S * DAY_S
    with home._writing() as db:
        last = max(db.execute(t.proof.select()).mappings(), key=lambda row: row["number"])
        now = {column.name: last[column.name] for column in t.proof_now.c} | {"at_s": told_s}
        db.execute(t.proof_now.insert().values(now))
    begun(home)
    bring(home, second, END_S)
    row = next(row for row in home.repairs(unit="u1") if row.repaired_s == REPAIRED_S)
    assert row.now is not None
    assert row.now.at_s == told_s


def only_a_node(record: Record) -> None:
    placed = Placement("mine", "p1", "home", "u1", "w1", OURS_S + 1200)
    record.place(placed, recorded_s=OURS_S, who="me")


def only_a_repair(record: Record) -> None:
    event = Event(OURS_S + 1200, "repair", "opened and dried", "u1", "w1")
    record.add_event("home", event, recorded_s=OURS_S, who="me")


def a_node_from_before(record: Record) -> None:
    record.place(
        Placement("mine", "p1", "home", "u1", "w1", SOLD_S - DAY_S), recorded_s=OURS_S, who="me"
    )


def a_node_that_left_before(record: Record) -> None:
    a_node_from_before(record)
    gone = Placement("mine", "p1", "home", "", "", SOLD_S - 60)
    record.place(gone, recorded_s=OURS_S, who="me")


@pytest.mark.parametrize(
    ("begin", "until_s"),
    [
        (only_a_node, OURS_S),
        (only_a_repair, OURS_S),
        (a_node_from_before, SOLD_S),
        (lambda _: None, END_S // HOUR_S * HOUR_S),
    ],
)
def test_a_record_of_ones_own_begins_with_a_probe_or_a_repair(
    files: tuple[bytes, bytes], home: Record, begin: Callable[[Record], None], until_s: int
) -> None:
    first, second = files
    bring(home, first, END_S)
    begin(home)
    assert take(home, second, END_S).until_s == until_s
    rows = home.hours("u1", "w1", from_hour=0, to_hour=END_S)
    assert rows[-1]["hour"] == until_s // HOUR_S - 1


def test_files_go_by_their_own_time_though_one_was_cut(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    a_node_from_before(home)
    bring(home, second, END_S)
    between = signed_anew(
        parts(first), made_s=SOLD_S + HOUR_S
    )  # newer than the border, older than the file
    assert bring(home, between, END_S) == "older"


def test_what_the_buyer_said_of_unit_and_zones_stays(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    with home._writing() as db:
        db.execute(update(t.unit).values(name="Ours"))
        db.execute(update(t.zone).where(t.zone.c.code == "w1").values(material="cedar"))
    other = parts(second)
    head, *rows = csv.reader(io.StringIO(other["zones.csv"].decode()))
    for row in rows:
        row[head.index("material")] = "plywood"
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    bring(home, signed_anew(other | {"zones.csv": out.getvalue().encode()}), END_S)
    assert home.units()[0].name == "Ours"
    materials = {zone.code: zone.material for zone in home.zones("u1")}
    assert materials == {"w1": "cedar", "w2": "plywood", "w3": "plywood"}


def test_a_row_beyond_the_files_own_time_is_refused_before_anything_is_left_out(
    files: tuple[bytes, bytes], home: Record
) -> None:
    first, second = files
    bring(home, first, END_S)
    begun(home)
    before = state(home, "u1")
    held = parts(second)
    line = held["hours.csv"].split(b"\n")[-2].split(b",")
    line[1] = str(END_S // HOUR_S + 5).encode()
    held["hours.csv"] += b",".join(line) + b"\n"
    with pytest.raises(handover.InputError, match="beyond the time"):
        bring(home, signed_anew(held), END_S)
    assert state(home, "u1") == before


def test_the_cut_of_parts_alone(files: tuple[bytes, bytes]) -> None:
    told = {name: handover.look(files[1]).parts.get(name, []) for name in PARTS}
    whole, none = cut(told, 2**40)
    assert none == {}
    assert whole == told
    empty, left = cut(told, 0)
    kept = {name for name, rows in empty.items() if rows}
    assert kept == {"unit.csv", "zones.csv"}
    assert left == {name: len(rows) for name, rows in told.items() if rows and name not in kept}


def test_pages_say_where_the_sellers_file_was_cut(
    files: tuple[bytes, bytes], tmp_path: Path
) -> None:
    with open_record(tmp_path) as record:
        bring(record, files[0], END_S)
        begun(record)
        yard = make_yard(tmp_path)
        yard.now_s = END_S
        client = yard.client(session(tmp_path, now_s=END_S))
        assert "file went on until" not in drawn(client, "/unit/u1")
        bring(record, files[1], END_S)
    for path in ("/unit/u1", "/unit/u1/leave"):
        assert "file went on until" in drawn(client, path), path
        assert "record begins there" in drawn(client, path), path


# --- damaged entries that an older version took in ------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("figures", "x"), ("figures", "{}"), ("figures", "[" * 5000), ("verdict", "as new"),
        ("missing", "a thing"), ("size_ml", -5.0),
    ],
)  # fmt: skip
def test_one_damaged_entry_leaves_the_others_readable(
    files: tuple[bytes, bytes], tmp_path: Path, column: str, value: object
) -> None:
    with open_record(tmp_path) as record:
        bring(record, files[1], END_S)
        with record._writing() as db:
            now = db.execute(t.proof_now.select()).mappings().one()
            zone = db.execute(t.zone.select().where(t.zone.c.code == "w2")).mappings().one()
            db.execute(
                t.proof_now.insert().values(dict(now) | {"zone_id": zone["zone_id"], column: value})
            )
            db.execute(update(t.proof).where(t.proof.c.number == 1).values({column: value}))
            db.execute(t.repair_case.insert().values(
                zone_id=zone["zone_id"], repaired_s=REPAIRED_S, kind="goal", value="much", at_s=1,
                recorded_s=1, who="seller: x"))  # fmt: skip
        event = Event(REPAIRED_S, "repair", "closed", "u1", "w2")
        record.add_event("home", event, recorded_s=REPAIRED_S, who="me")
        yard = make_yard(tmp_path)
        yard.now_s = END_S
        client = yard.client(session(tmp_path, now_s=END_S))
        for path in ("/proof", "/unit/u1", "/unit/u1/handover", f"/proof/u1/w1/{REPAIRED_S}"):
            assert "1 entry cannot be read" in drawn(client, path), path
        assert "stayed dry" in drawn(client, "/proof")
        assert "This entry cannot be read" in drawn(client, f"/proof/u1/w2/{REPAIRED_S}")
        assert client.get("/document/sale/u1?form=html").status_code == 200
        watch.tick(record, now_s=END_S + DAY_S)
        on = handover.look(give(record, "u1", END_S))  # nothing damaged is given on
        assert on.parts["proofs.csv"]
        with open_record(tmp_path / "next") as third:
            assert bring(third, give(record, "u1", END_S), END_S) == "new"


def test_an_alarm_whose_facts_say_nothing_keeps_its_text(
    files: tuple[bytes, bytes], home: Record
) -> None:
    held = parts(files[1])
    head, *rows = csv.reader(io.StringIO(held["alarms.csv"].decode()))
    facts = {"zone": "w1", "facts": {"wood_moisture_percent": 10**400}}
    for row in rows:
        row[head.index("facts")] = json.dumps(facts)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    bring(home, signed_anew(held | {"alarms.csv": out.getvalue().encode()}), END_S)
    own = [a for a in home.alarms(unit="u1") if a.kind == "damp"]
    assert own
    with home._reading() as db:
        assert {row.facts for row in db.execute(t.alarm.select()) if row.kind == "damp"} == {""}
