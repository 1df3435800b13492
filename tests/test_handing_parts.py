"""Findings, seals, checks over salt and repair cases go to a unit's new owner, as the seller's."""

import csv
import io
import json
from dataclasses import replace
from hashlib import sha256
from math import nan
from pathlib import Path
from typing import get_args

import pytest

from monitor import rounds, text, watch
from monitor.errors import InputError
from monitor.evidence import drying
from monitor.lot import (
    AIR_KINDS,
    PROOF_CONDITIONS,
    PROOF_FIGURES,
    PROOF_VERDICTS,
    BenchPoint,
    CaseNote,
    Event,
    Finding,
    Joint,
    SealEntry,
    SealRule,
    Zone,
)
from monitor.reports import beside, handover
from monitor.store import Record, findings, open_record
from tests.test_handover import NAME, bring, give, home, made, parts, signed_anew, state
from tests.test_photos import cleaned, sent
from tests.test_repairs import (
    END_S,
    HOUR_S,
    REPAIRED_S,
    benched,  # noqa: F401  a fixture of each test here
    followed,
    history,
)

__all__ = ["home", "made"]  # fixtures: what the seller of this file gives, and a record to take it

DAY_S = 86_400
AT_S = END_S - 2 * DAY_S
MORE = ("findings.csv", "joints.csv", "seals.csv", "seal_rules.csv", "cases.csv", "bench.csv")
PHOTO = cleaned(sent((60, 40)))
DIGEST = sha256(PHOTO).hexdigest()
ONES = tuple(f"00000000-0000-4000-8000-{number:012}" for number in range(9))


def finding(
    number: int, zone: str = "w1", at_s: int = AT_S, *, photos: tuple[str, ...] = (), **more: object
) -> Finding:
    told = {
        "identity": ONES[number], "round": "00000000-0000-4000-8000-0000000000aa", "unit": "u1",
        "zone": zone, "at_s": at_s, "note": f"sill soft, said {NAME}",
    }  # fmt: skip
    return rounds.read(told | more, who=NAME, now_s=at_s + 60, photos=photos)


def check(record: Record, at_s: int) -> BenchPoint:
    placed = next(p for p in record.placements() if p.unit == "u1")
    return BenchPoint(
        0, placed.site, placed.node, placed.probe, "NaCl", f"of {NAME}", at_s - DAY_S, at_s, 77.0, 20.0,
        75.5, 1.0, at_s, NAME,
    )  # fmt: skip


def noted(record: Record) -> None:
    """Somebody with a name looked round, sealed, checked a probe and entered of a repair."""
    meter = {"device": f"meter of {NAME}", "mode": "pin", "percent": 18.5, "scale": "spruce"}
    record.add_findings([finding(0, photos=(DIGEST,), meter=meter)], {DIGEST: PHOTO})
    record.add_findings([finding(1)])
    record.add_findings([finding(2, withdraws=ONES[1], note=f"{NAME} was wrong")])
    joint = Joint("win-1", "window", f"left of {NAME}", "off", "w1", at_s=AT_S, who=NAME)
    record.enter_joints("u1", [joint])
    record.note_seals("u1", [SealEntry(
        "win-1", "resealed", AT_S, AT_S, NAME, sealant="butyl tape", product="tape", note=f"by {NAME}",
        photos=(DIGEST,),
    )])  # fmt: skip
    record.rule_seals("u1", SealRule("walk", "win-1", 30, AT_S, NAME, f"asked by {NAME}"))
    row = next(iter(record.repairs(unit="u1")))
    case = CaseNote(row.zone, row.repaired_s, "goal", "12.0", AT_S, AT_S, NAME, f"{NAME} says so")
    record.note_case("u1", case)
    record.note_case("u1", replace(case, kind="photo", value=DIGEST, why=""))
    record.add_bench_point(check(record, AT_S))
    watch.tick(record, now_s=END_S)


@pytest.fixture(scope="module")
def seller(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seller")
    with followed(folder, history()) as record:
        noted(record)
    return folder


def test_each_arrives_as_the_sellers_and_without_a_name(made: bytes, home: Record) -> None:
    for name, data in parts(made).items():
        assert NAME.encode() not in data, name
    assert [len(handover.look(made).parts[name]) for name in MORE] == [3, 1, 1, 1, 3, 1]
    assert bring(home, made, END_S) == "new"
    found = home.findings("u1")
    assert [one.identity for one in rounds.standing(found)] == [ONES[0]]
    (first,) = (one for one in found if one.identity == ONES[0])
    assert first.who == "seller: a person"
    assert first.note == "sill soft, said a person"
    assert first.meter is not None
    assert (first.meter.percent, first.meter.device) == (18.5, "meter of a person")
    assert first.photos == (DIGEST,)
    assert home.photo("u1", DIGEST) == PHOTO
    assert all(findings.digest(one) == one.digest for one in found)
    (joint,) = home.joints("u1")
    assert (joint.code, joint.place, joint.who) == ("win-1", "left of a person", "seller: a person")
    (entry,) = home.seal_entries("u1")
    assert (entry.sealant, entry.note, entry.photos) == ("butyl tape", "by a person", (DIGEST,))
    cases = [one for one in home.case_notes("u1") if one.at_s == AT_S]
    assert [(one.kind, one.value) for one in cases] == [("goal", "12.0"), ("photo", DIGEST)]
    assert cases[0].repaired_s == REPAIRED_S


def test_documents_of_the_new_owner_tell_them(made: bytes, seller: Path, home: Record) -> None:
    bring(home, made, END_S)
    told = beside.of(home, "u1")
    with open_record(seller, read_only=True) as before:
        was = beside.of(before, "u1")
    assert len(told.benches) == 1
    assert [one.at_s for one in told.benches] == [one.at_s for one in was.benches]
    assert [one.at_s for one in told.seals] == [AT_S]
    assert [one.photos for one in told.findings] == [one.photos for one in was.findings]
    assert home.bench_points() == []  # nothing here is judged by a check of the seller's


def test_taken_in_twice_or_judged_later_it_is_the_same(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    before = state(home, "u1")
    assert bring(home, made, END_S + HOUR_S) == "same"
    watch.tick(home, now_s=END_S + 3 * DAY_S)
    after = state(home, "u1")
    assert {name: after[name] for name in MORE} == {name: before[name] for name in MORE}


def test_given_on_it_is_the_same(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    again = give(home, "u1", END_S)
    for name in MORE:
        assert parts(again)[name] == parts(made)[name], name


def test_a_newer_one_replaces_what_was_given_and_nothing_of_our_own(
    tmp_path: Path, home: Record
) -> None:
    with followed(tmp_path / "old", history()) as record:
        noted(record)
        first = give(record, "u1", END_S)
        record.enter_joints("u1", [Joint("win-2", "window", at_s=END_S, who=NAME)])
        record.add_findings([finding(3, at_s=END_S)])
        record.add_bench_point(check(record, END_S))
        second = give(record, "u1", END_S + DAY_S)
    bring(home, first, END_S)
    (joint,) = home.joints("u1")
    home.enter_joints("u1", [replace(joint, retired=True, who="me", at_s=END_S)], change=True)
    home.add_findings([rounds.read(
        {"identity": ONES[8], "round": ONES[7], "unit": "u1", "zone": "w1", "at_s": END_S, "note": "dry"},
        who="me", now_s=END_S,
    )])  # fmt: skip
    assert bring(home, second, END_S + DAY_S) == "newer"
    joints = {one.code: one for one in home.joints("u1")}
    assert set(joints) == {"win-1", "win-2"}
    assert joints["win-1"].retired  # what was entered here is newer than all that came
    assert joints["win-1"].who == "me"
    assert {one.identity for one in home.findings("u1")} == {ONES[n] for n in (0, 1, 2, 3, 8)}
    assert len(home.seal_entries("u1")) == 1
    assert len(home.case_notes("u1")) == 3
    assert len(home.received_checks("u1")) == 2


def test_without_photos_nothing_names_one(seller: Path, home: Record) -> None:
    with open_record(seller, read_only=True) as record:
        data = give(record, "u1", END_S, photos=False)
    assert not any(DIGEST.encode() in part for part in parts(data).values())
    assert bring(home, data, END_S) == "new"
    assert "photo" not in {one.kind for one in home.case_notes("u1")}


def test_a_finding_in_a_room_on_a_day_lived_in_stays_with_its_photo(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        record.add_zone("yard", Zone("u1", "cabin", sorted(AIR_KINDS)[0]))
        for kind, at_s in (("occupied", AT_S - DAY_S), ("vacated", AT_S + HOUR_S)):
            event = Event(at_s, kind, "", "u1", "")  # type: ignore[arg-type]
            record.add_event("yard", event, recorded_s=at_s, who="me")
        record.add_findings([finding(0, "cabin", photos=(DIGEST,))], {DIGEST: PHOTO})
        record.add_findings([finding(1, "w1")])
        data = give(record, "u1", END_S)
    assert [row["identity"] for row in handover.look(data).parts["findings.csv"]] == [ONES[1]]
    assert not any(DIGEST in name for name in parts(data))


@pytest.mark.parametrize("name", MORE)
def test_a_changed_line_is_refused(made: bytes, home: Record, name: str) -> None:
    held = parts(made)
    held[name] = held[name].replace(b"a person", b"a persom", 1)
    from tests.test_handover import repacked

    with pytest.raises(InputError, match="was changed"):
        bring(home, repacked(held), END_S)
    assert home.units() == []


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("findings.csv", ONES[0].encode(), b"no identity"),
        ("findings.csv", ONES[1].encode() + b",w1", ONES[5].encode() + b",w1"),
        ("findings.csv", DIGEST.encode(), b"0" * 64),
        ("joints.csv", b",w1,", b",w9,"),
        ("seals.csv", b"win-1", b"win-9"),
        ("seal_rules.csv", b"win-1", b"win-9"),
        ("cases.csv", DIGEST.encode(), b"0" * 64),
    ],
)
def test_what_a_stranger_signs_has_to_fit_together(
    made: bytes, home: Record, name: str, old: bytes, new: bytes
) -> None:
    held = parts(made)
    assert old in held[name]
    held[name] = held[name].replace(old, new, 1)
    with pytest.raises(InputError):
        bring(home, signed_anew(held), END_S)
    assert home.units() == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("figures", "x"),
        ("figures", "{}"),
        ("figures", "[1]"),
        ("figures", '{"natural": "many"}'),
        ("figures", json.dumps(dict.fromkeys(PROOF_FIGURES, nan))),
        ("figures", json.dumps(dict.fromkeys(PROOF_FIGURES, 10**400))),
        ("verdict", "as good as new"),
    ],
)
def test_a_proof_of_another_form_is_refused_whole(
    seller: Path, home: Record, column: str, value: str
) -> None:
    with open_record(seller, read_only=True) as record:
        held = parts(give(record, "u1", END_S))
    head, *rows = csv.reader(io.StringIO(held["proofs.csv"].decode()))
    assert rows
    for row in rows:
        row[head.index(column)] = value
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    held["proofs.csv"] = out.getvalue().encode()
    with pytest.raises(InputError, match="proof"):
        bring(home, signed_anew(held), END_S)
    assert home.repairs() == []


def test_figures_of_a_proof_are_those_that_are_taken_in(seller: Path) -> None:
    with open_record(seller, read_only=True) as record:
        (row, *_) = record.repairs(unit="u1")
        assert row.now is not None
        assert set(row.now.figures) == set(PROOF_FIGURES)
    assert get_args(drying.Verdict) == PROOF_VERDICTS
    assert drying.CONDITIONS == PROOF_CONDITIONS
    assert set(text.PROOF_TO_DO) >= set(PROOF_CONDITIONS)
