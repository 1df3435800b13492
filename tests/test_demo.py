"""The demo's papers: entered once however often, refused where a person would be, enough for a proof."""

import io
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import pytest
from PIL import Image

from demo import papers
from demo.__main__ import yard_of
from demo.weather import DAY_S
from demo.yard import MAST, Yard
from monitor import demonstration, photos, seals, watch
from monitor.cli import _enter_lot
from monitor.store import Record, findings, open_record

NOW_S = int(datetime(2026, 11, 24, 7, 34, tzinfo=UTC).timestamp())
REPAIRED = ("u06", "off-front-low")


def entered(home: Path, times: int = 1, *, units: int = 12) -> Yard:
    """The demo's folder and record as they are after so many starts, before a reading came."""
    for start in range(times):
        yard = yard_of(home, seed=1, now_s=NOW_S + 3600 * start, days=60, units=units)
        _enter_lot(home, home / "lot.toml")
        demonstration.enter_papers(home, home / demonstration.PAPERS)
    return yard


def held(record: Record) -> dict[str, list[object]]:
    """All that papers can add, as it is read back."""
    codes = [unit.code for unit in record.units()]
    return {
        "photos": [one for code in codes for one in record.photos(code)],
        "cases": [one for code in codes for one in record.case_notes(code)],
        "bench": list(record.bench_points()),
        "joints": [one for code in codes for one in record.joint_history(code)],
        "seals": [one for code in codes for one in record.seal_entries(code)],
        "findings": [one for code in codes for one in record.findings(code)],
        "events": [one for code in ["", *codes] for one in record.events("yard", unit=code)],
    }


def test_papers_are_entered_once_though_the_demo_is_started_twice(tmp_path: Path) -> None:
    entered(tmp_path)
    with open_record(tmp_path, read_only=True) as record:
        first = held(record)
    assert all(first.values())
    entered(tmp_path, 2)
    with open_record(tmp_path, read_only=True) as record:
        assert held(record) == first


def test_a_yard_of_few_units_has_their_papers_only(tmp_path: Path) -> None:
    yard = entered(tmp_path, units=2)
    told = papers.papers(yard)
    assert {row["unit"] for name in ("photos", "seals", "rounds") for row in told[name]} == {
        "u01",
        "u02",
    }
    assert told["cases"] == []
    with open_record(tmp_path, read_only=True) as record:
        assert {point.node for point in record.bench_points()} == {"n-u01"}


def test_a_probe_that_was_taken_out_too_early_gives_no_point(tmp_path: Path) -> None:
    yard = entered(tmp_path)
    boxes = [row for row in papers.papers(yard)["bench"] if row["node"] == "n-u09"]
    assert len(boxes) == 2
    with open_record(tmp_path, read_only=True) as record:
        points = [point for point in record.bench_points() if point.node == "n-u09"]
        checks = record.bench_checks("yard", "n-u06")
    assert [point.from_s for point in points] == [boxes[1]["from_s"]]
    assert {(one.probe, len(one.points)) for one in checks} >= {("p1", 2), ("p3", 2)}


def test_one_unit_is_due_for_hail_one_overdue_one_to_renew_and_one_in_order(tmp_path: Path) -> None:
    yard = entered(tmp_path)
    (hail,) = [event for event in yard.events if event.kind == "hail"]
    with open_record(tmp_path, read_only=True) as record:
        due = {
            unit: [one for one in seals.due_of(record.seal_book(unit), now_s=yard.end_s) if one.now]
            for unit in ("u01", "u02", "u06", "u09")
        }
    assert {(one.reason, one.since_s) for one in due["u01"]} == {("hail", hail.at_s)}
    walk = [one for one in due["u02"] if one.group == "walk"]
    assert {one.reason for one in walk} == {"interval"}
    assert {one.last_s for one in walk} == {yard.end_s - 130 * DAY_S}
    assert due["u06"] == []
    assert [one.joint.code for one in due["u09"] if one.task == "reseal"] == ["windows-off"]


def test_the_round_says_what_was_found_and_with_which_meter(tmp_path: Path) -> None:
    entered(tmp_path)
    with open_record(tmp_path, read_only=True) as record:
        found = {each.unit: each for unit in record.units() for each in record.findings(unit.code)}
        assert all(each.digest == findings.digest(each) for each in found.values())
        roofs = {unit.code: unit.roof for unit in record.units()}
        kept = [
            record.photo(unit.code, one.digest) or b""
            for unit in record.units()
            for one in record.photos(unit.code)
        ]
    assert {unit: each.result for unit, each in found.items()} == {
        "u02": "nothing found",
        "u04": "leak found",
        "u11": "",
    }
    meter = found["u11"].meter
    assert meter is not None
    assert (meter.mode, meter.temperature_c) == ("pin", 11.0)
    assert set(roofs.values()) == {"", "rated", "not rated"}
    assert kept
    assert all(photos.is_kept(data) for data in kept)


def test_pictures_are_drawn_and_say_that_they_are_invented() -> None:
    drawn = {papers.picture(seed="a"), papers.picture(seed="a", crack=True)}
    assert len(drawn) == 2
    assert drawn == {papers.picture(seed="a"), papers.picture(seed="a", crack=True)}
    with Image.open(io.BytesIO(papers.picture(seed="a"))) as image:
        assert image.size == papers.SIZE
        foot = image.convert("L").crop((20, 670, 240, 715))
        assert foot.getextrema()[0] < 100  # dark letters on the light wall


@pytest.mark.timeout(240)
def test_the_repaired_unit_stays_dry_on_the_past_of_the_yard(tmp_path: Path) -> None:
    yard = entered(tmp_path)
    told = (
        reading for sample in yard.past() if sample[0].node in {MAST, "n-u06"} for reading in sample
    )
    with open_record(tmp_path) as record:
        while group := list(islice(told, 5000)):
            record.take(group, [], received_s=NOW_S)
        watch.tick(record, now_s=NOW_S)
        (row,) = record.repairs(unit="u06")
        newest = record.hours(
            *REPAIRED, from_hour=yard.end_s // 3600 - 2, to_hour=yard.end_s // 3600
        )
    assert (row.unit, row.zone) == REPAIRED
    assert row.now is not None
    assert (row.now.verdict, row.now.missing) == ("stayed dry", ())
    assert newest[-1]["state"] == "dry"  # its probe has settled again since it was in the box
