"""Repairs in the record: their proofs, followed by the watch, told revision by revision, on a page."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from hashlib import sha256
from math import nan
from pathlib import Path

import msgspec
import numpy as np
import pytest
from dash import dcc
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dashboards.app import page
from dashboards.words import wish
from monitor import offline, text, watch
from monitor.cli import app
from monitor.evidence import drying
from monitor.judge import proofs
from monitor.lot import CaseNote, Event, Photo, Placement, Site, Unit, Zone, ZoneReadings
from monitor.photos import cleaned
from monitor.store import ProofRevision, ProofStep, Record, open_record
from monitor.store.proving import changed, standing_line
from sensors.wire import Reading
from tests.judging import DAY_S, START_S, series
from tests.signed import sight
from tests.test_photos import sent

HOUR_S, DAY_H = 3600, 24
DAYS, REPAIRED_DAY = 64, 14
REPAIRED_S = START_S + REPAIRED_DAY * DAY_S + 9 * HOUR_S
END_S = START_S + DAYS * DAY_S + HOUR_S
PROBES = {
    "p1": ("u1", "w1", "wall"),
    "p2": ("u1", "w2", "wall"),
    "p3": ("u1", "w3", "wall"),
    "p4": ("", "outside", "outside"),
}
REPAIR = Event(REPAIRED_S, "repair", "opened and dried, sensor moved", "u1", "w1")
HOSE = Event(REPAIRED_S + 12 * DAY_S, "hose", "18", "u1", "w1")
KEY = ("u1", "w1", REPAIRED_S)
PHOTO = cleaned(sent((64, 48)))  # of where the water came in
DIGEST = sha256(PHOTO).hexdigest()


@pytest.fixture(autouse=True, scope="module")
def benched() -> Iterator[None]:
    """The probe of the repaired wall is checked every day."""
    days = range(-1, DAYS - REPAIRED_DAY)
    made = [proofs.Checked("n1", "p1", REPAIRED_S + k * DAY_S, 0.4) for k in days]
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("monitor.watch.bench_checks", lambda _record, _unit: made)
        yield


def humidity(zone: str, *, soaked: float = 0.0) -> np.ndarray:
    """Of each hour: like walls in the same slow weather, or in none; `soaked` points more in w1 from the repair on."""
    hours = np.arange(DAYS * DAY_H)
    noise = np.random.default_rng(ord(zone[-1])).normal(0.0, 0.2, len(hours))
    after = hours >= REPAIRED_DAY * DAY_H
    weather = 3.0 * np.sin(hours / 200.0) * (soaked == 0.0)
    return 62.0 + weather + noise + soaked * after * (zone == "w1")


def rain() -> np.ndarray:
    """Eight millimetres every third day at 3 h."""
    hours = np.arange(DAYS * DAY_H)
    return np.where((hours // DAY_H % 3 == 0) & (hours % DAY_H == 3), 8.0, 0.0)


def history(*, soaked: float = 0.0) -> list[Reading]:
    fallen = rain()
    return [
        Reading(
            site="yard",
            node="n1",
            probe=probe,
            boot=1,
            seq=hour,
            at_s=START_S + hour * HOUR_S + 60,
            silence_s=HOUR_S,
            temperature_c=12.0,
            humidity_percent=round(float(percent), 2),
            rain_mm=float(fallen[hour]) if probe == "p4" else None,
        )
        for probe, (_, zone, _) in PROBES.items()
        for hour, percent in enumerate(humidity(zone, soaked=soaked))
    ]


def furnish(record: Record, events: Sequence[Event] = (REPAIR, HOSE)) -> None:
    record.add_site(Site("yard"))
    record.add_unit(Unit("u1", "yard"))
    for probe, (unit, zone, kind) in PROBES.items():
        record.add_zone("yard", Zone(unit, zone, kind))  # type: ignore[arg-type]
        placed = Placement("n1", probe, "yard", unit, zone, START_S - 3 * DAY_S)
        record.place(placed, recorded_s=START_S, who="test")
    for event in events:
        record.add_event("yard", event, recorded_s=END_S)
    if any((e.kind, e.at_s, e.zone) == ("repair", REPAIRED_S, "w1") for e in events):
        record.keep_photo("u1", Photo(DIGEST, REPAIRED_S, REPAIRED_S, "Ann"), PHOTO)
        note = CaseNote("w1", REPAIRED_S, "photo", DIGEST, REPAIRED_S, REPAIRED_S, "Ann")
        record.note_case("u1", note)


def take(record: Record, readings: Sequence[Reading], received_s: int = END_S) -> None:
    for start in range(0, len(readings), 500):
        record.take(readings[start : start + 500], [], received_s=received_s)


def followed(folder: Path, readings: Sequence[Reading], **kwargs: object) -> Record:
    """A record that was fed and watched once."""
    record = open_record(folder)
    furnish(record, **kwargs)  # type: ignore[arg-type]
    take(record, readings)
    watch.tick(record, now_s=END_S)
    return record


@pytest.fixture(scope="module")
def dry_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dry")
    followed(folder, history()).close()
    return folder


@pytest.fixture
def dry(dry_home: Path) -> Iterator[Record]:
    with open_record(dry_home, read_only=True) as record:
        yield record


def line(record: Record) -> list[tuple[int, str, tuple[str, ...]]]:
    """What is said of the repair now, by time, whenever it turns."""
    turns: list[tuple[int, str, tuple[str, ...]]] = []
    for step in standing_line(record.proof_revisions(*KEY)):
        if not turns or turns[-1][1:] != (step.verdict, step.missing):
            turns.append((step.at_s, step.verdict, step.missing))
    return turns


def held(record: Record) -> str:
    """All that is kept of it; as text, in which nan is like nan."""
    return repr((record.proof_revisions(*KEY), record.repairs()))


# --- the watch ------------------------------------------------------------------------------------


def test_a_good_repair_is_shown(dry: Record) -> None:
    (row,) = dry.repairs(unit="u1")
    assert (row.unit, row.zone, row.repaired_s, row.ended_s) == (*KEY, None)
    assert row.value == "opened and dried, sensor moved"
    assert row.now is not None
    assert row.now.verdict == "stayed dry"
    assert row.now.missing == ()
    assert row.now.at_s == START_S + DAYS * DAY_S  # the last midnight
    told = dry.proof_revisions(*KEY)
    assert [one.number for one in told] == list(range(1, len(told) + 1))
    assert told[0].step.verdict == "not yet shown"
    assert {one.reason for one in told} == {""}
    first = next(one.step.at_s for one in told if one.step.verdict == "stayed dry")
    assert first >= REPAIRED_S + 30 * DAY_S


def test_record_and_files_come_to_the_same_proof(dry: Record) -> None:
    readings = history()

    def of(probe: str) -> ZoneReadings:
        own = [r for r in readings if r.probe == probe]
        return series(
            [r.at_s or 0 for r in own],
            [r.temperature_c or nan for r in own],
            [r.humidity_percent or nan for r in own],
            rain_mm=[nan if r.rain_mm is None else r.rain_mm for r in own],
            silence_s=HOUR_S,
        )

    places = {probe: (unit, zone) for probe, (unit, zone, _) in PROBES.items()}
    zones = {(unit, zone): Zone(unit, zone, kind) for unit, zone, kind in PROBES.values()}  # type: ignore[arg-type]
    found = offline.judge_history(
        {place: of(probe) for probe, place in places.items()}, zones, [REPAIR, HOSE]
    )
    told = [revision for _, _, revisions in found for revision in revisions]
    beside = set(drying.BESIDE)  # what no file can show

    def turns(steps: list[tuple[int, str, tuple[str, ...]]]) -> list[tuple[int, str, list[str]]]:
        found: list[tuple[int, str, list[str]]] = []
        for at_s, verdict, missing in steps:
            by_readings = [name for name in missing if name not in beside]
            if not found or found[-1][1:] != (verdict, by_readings):
                found.append((at_s, verdict, by_readings))
        return found

    files = [(r.time_s, r.verdict, tuple(filter(None, r.missing.split("; ")))) for r in told]
    assert turns(line(dry)) == turns(files)


def test_a_day_is_worked_out_once_and_a_restart_changes_nothing(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        before = held(record)
        watch.tick(record, now_s=END_S + HOUR_S)
        assert held(record) == before
    with open_record(tmp_path) as again:
        watch.tick(again, now_s=END_S + 2 * HOUR_S)
        assert held(again) == before


def test_late_readings_that_change_a_verdict_give_a_revision_and_keep_the_old(
    tmp_path: Path, dry: Record
) -> None:
    gap = range(START_S + 30 * DAY_S, START_S + 36 * DAY_S)
    readings = history()
    late = [r for r in readings if r.probe == "p1" and r.at_s in gap]
    with followed(tmp_path, [r for r in readings if r not in late]) as record:
        before = record.proof_revisions(*KEY)
        assert before[-1].step.verdict == "not yet shown"
        assert "coverage" in before[-1].step.missing
        take(record, late, END_S + 1000)
        watch.tick(record, now_s=END_S + 1000)
        after = record.proof_revisions(*KEY)
        assert repr(after[: len(before)]) == repr(before)
        added = after[len(before) :]
        assert added
        assert {one.reason for one in added} == {"late readings"}
        assert {one.recorded_s for one in added} == {END_S + 1000}
        assert after[-1].step.verdict == "stayed dry"
        assert line(record) == line(dry)  # the same as if they had come in time


def test_a_backlog_that_is_coming_in_is_waited_for(tmp_path: Path) -> None:
    early = [r for r in history() if (r.at_s or 0) < START_S + 40 * DAY_S]
    with followed(tmp_path, early) as record:
        assert record.proof_revisions(*KEY) == []
        watch.tick(record, now_s=END_S + DAY_S)  # a day later it has not gone on
        (row,) = record.repairs()
        assert row.now is not None
        assert "coverage" in row.now.missing


def test_a_wall_that_does_not_dry_is_raised_today_until_it_is_repaired_again(
    tmp_path: Path,
) -> None:
    again = Event(REPAIRED_S + 40 * DAY_S, "repair", "opened and dried", "u1", "w1")
    with followed(tmp_path, history(soaked=18.0)) as record:
        (alarm,) = [a for a in record.alarms() if a.kind == "drying stalled"]
        assert (alarm.unit, alarm.zone, alarm.class_) == ("u1", "w1", "today")
        assert alarm.cleared_s is None
        assert REPAIRED_S + 12 * DAY_S <= alarm.raised_s <= REPAIRED_S + 16 * DAY_S
        assert "has stopped drying" in alarm.text
        assert alarm.text.endswith(text.CAUTION)
        # late readings of a day before it have its hours judged again: that is none of their business
        extra = msgspec.structs.replace(history()[0], seq=99_999, at_s=START_S + 20 * DAY_S + 1800)
        record.take([extra], [], received_s=END_S)
        watch.tick(record, now_s=END_S)
        (same,) = [a for a in record.alarms() if a.kind == "drying stalled"]
        assert (same.withdrawn_s, same.cleared_s, same.revision) == (None, None, alarm.revision)
        record.add_event("yard", again, recorded_s=END_S)
        watch.tick(record, now_s=END_S)
        ended = [a for a in record.alarms() if a.alarm_id == alarm.alarm_id]
        assert ended[0].cleared_s == again.at_s
        second, first = record.repairs()
        assert (first.ended_s, second.ended_s) == (again.at_s, None)


def test_a_unit_without_a_repair_keeps_no_proof(tmp_path: Path) -> None:
    cabin = Event(REPAIRED_S, "repair", "closed", "u1", "")
    with followed(tmp_path, history(), events=(cabin, HOSE)) as record:
        assert record.repairs() == []
        assert record.proof_revisions(*KEY) == []


# --- revisions ------------------------------------------------------------------------------------


def step(at_s: int, verdict: str, *missing: str) -> ProofStep:
    return ProofStep(at_s, verdict, nan, missing, {})


def told(steps: Sequence[ProofStep]) -> list[ProofRevision]:
    return [ProofRevision(k, one, "", "1", 0) for k, one in enumerate(steps, 1)]


def test_what_follows_is_added_and_what_was_said_is_not_said_again() -> None:
    steps = [step(1, "not yet shown", "30 days"), step(5, "stayed dry")]
    assert changed([], steps) == steps
    assert changed(told(steps[:1]), steps) == steps[1:]
    assert changed(told(steps), steps) == []


def test_a_change_that_late_readings_take_back_is_said_from_its_day_on() -> None:
    before = told([step(1, "not yet shown"), step(5, "stayed dry")])
    (again,) = changed(before, [step(1, "not yet shown")])
    assert again == step(5, "not yet shown")
    both = [*before, *told([again])]
    assert [(s.at_s, s.verdict) for s in standing_line(both)] == [
        (1, "not yet shown"),
        (5, "not yet shown"),
    ]


WORDS = st.sampled_from(["stayed dry", "drying", "not yet shown"])


@given(st.lists(st.dictionaries(st.integers(1, 12), WORDS, max_size=6), min_size=1, max_size=5))
def test_whatever_was_told_before_what_is_told_is_what_was_worked_out(
    histories: list[dict[int, str]],
) -> None:
    kept: list[ProofRevision] = []
    for days in histories:
        steps = [step(0, "drying")]
        for day in sorted(days):
            if days[day] != steps[-1].verdict:  # as a proof is followed: only what turns
                steps.append(step(day, days[day]))
        number = len(kept)
        kept += told(changed(kept, steps))
        assert len(kept) >= number

        def said(line_: Sequence[ProofStep], day: int) -> str:
            return [one.verdict for one in line_ if one.at_s <= day][-1]

        standing = standing_line(kept)
        assert [said(standing, day) for day in range(14)] == [said(steps, d) for d in range(14)]
        assert changed(kept, steps) == []  # and the next day nothing is said again


# --- what the hours are made of -------------------------------------------------------------------


def tables(*, outside_c: float = 12.0, days: int = 90) -> dict[str, dict[str, np.ndarray]]:
    hours = START_S // HOUR_S + np.arange(days * DAY_H)
    ones = np.ones(days * DAY_H)
    wall = {
        "hour": hours,
        "wood_moisture_percent": 12.0 * ones,
        "coverage_percent": 100.0 * ones,
        "rain_mm": 0.5 * ones,
        "temperature_c": outside_c * ones,
    }
    return {"w1": wall, "w2": wall, "w3": wall, "/outside": wall}


WALLS = tuple(Zone("u1", code, "wall") for code in ("w1", "w2", "w3"))


def only(events: Sequence[Event], **kwargs: float) -> proofs.Repaired:
    return next(iter(proofs.repairs(WALLS, events, tables(**kwargs))))


def test_rain_that_falls_as_snow_wets_nothing() -> None:
    assert only([REPAIR], outside_c=0.5).watch.rain_mm.sum() == 0.0
    assert (only([REPAIR], outside_c=0.6).watch.rain_mm == 0.5).all()


def test_a_day_that_somebody_noted_snow_on_has_no_rain() -> None:
    snow = Event(START_S + 30 * DAY_S + 7 * HOUR_S, "snow")
    fallen = only([REPAIR, snow]).watch.rain_mm.reshape(-1, DAY_H).sum(axis=1)
    assert np.flatnonzero(fallen == 0.0).tolist() == [30]


def test_rain_that_is_not_known_is_not_none_in_the_cold() -> None:
    cold = tables(outside_c=-5.0)
    for table in cold.values():
        table["rain_mm"] = np.full(len(table["hour"]), nan)
    (one,) = proofs.repairs(WALLS, [REPAIR], cold)
    assert np.isnan(one.watch.rain_mm).all()


def test_days_away_are_unknown_for_rain_and_moisture() -> None:
    trip = [
        Event(START_S + 40 * DAY_S + HOUR_S, "moved", "away", "u1"),
        Event(START_S + 43 * DAY_S + HOUR_S, "moved", "back", "u1"),
    ]
    one = only([REPAIR, *trip]).watch
    lost = np.isnan(one.moisture_percent).reshape(-1, DAY_H)
    assert np.flatnonzero(lost.all(axis=1)).tolist() == [40, 41, 42, 43]
    assert (np.isnan(one.rain_mm) == lost.ravel()).all()
    assert (np.isnan(one.coverage) == lost.ravel()).all()


def test_what_a_doubted_probe_said_proves_nothing() -> None:
    zone, other = list(tables())[:2]
    from_s = START_S + 70 * DAY_S
    kept = proofs.trusted(tables(), [(zone, from_s, from_s + 2 * DAY_S), ("unheard", from_s, None)])
    for name in ("wood_moisture_percent", "coverage_percent"):
        blank = np.isnan(kept[zone][name])
        assert np.flatnonzero(blank).tolist() == list(range(70 * 24, 72 * 24))
    assert np.isfinite(kept[other]["wood_moisture_percent"]).all()
    still = proofs.trusted(tables(), [(zone, from_s, None)])[zone]["wood_moisture_percent"]
    assert np.isnan(still[70 * 24 :]).all()


def test_a_watch_begins_60_days_before_the_repair_and_ends_with_the_next() -> None:
    late = replace(REPAIR, at_s=START_S + 70 * DAY_S)
    again = replace(REPAIR, at_s=START_S + 80 * DAY_S, value="closed")
    first, second = proofs.repairs(WALLS, [late, again], tables())
    assert first.watch.from_hour == START_S // HOUR_S + 10 * DAY_H
    assert len(first.watch.rain_mm) == 70 * DAY_H
    assert (first.ended_s, second.ended_s) == (again.at_s, None)
    assert first.repair == drying.Repair(late.at_s, opened=True, moved=True)
    assert second.repair == drying.Repair(again.at_s, opened=False, moved=False)


def test_notes_of_one_time_are_one_repair() -> None:
    parts = [replace(REPAIR, value="closed"), replace(REPAIR, value="sensor moved")]
    (one,) = proofs.repairs(WALLS, parts, tables())
    assert one.value == "closed, sensor moved"
    assert one.repair == drying.Repair(REPAIRED_S, opened=False, moved=True)


def test_a_repair_that_nobody_watched_and_a_room_have_no_proof() -> None:
    before = replace(REPAIR, at_s=START_S - DAY_S)
    assert list(proofs.repairs(WALLS, [before], tables())) == []
    rooms = tuple(replace(zone, kind="cabin") for zone in WALLS)
    assert list(proofs.repairs(rooms, [REPAIR], tables())) == []


# --- the page -------------------------------------------------------------------------------------


def seen(record: Record, address: str, *, now_s: int = END_S) -> str:
    return "".join(
        getattr(part, "data-still", "")
        for top in page(record, wish(address, "", now_s=now_s), token="t", sight=sight(record))
        for part in [top, *top._traverse()]
        if not isinstance(part, str)
    )


def test_without_a_repair_the_page_says_how_to_begin(tmp_path: Path) -> None:
    with open_record(tmp_path) as empty:
        shown = seen(empty, "/proof")
    assert "No repair is followed yet." in shown
    assert "sillkeep proof open UNIT --zone ZONE" in shown


def test_the_command_that_the_empty_page_proposes_begins_a_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import html
    import re
    import shlex

    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    with open_record(tmp_path) as record:
        furnish(record, events=())
        shown = html.unescape(seen(record, "/proof"))
    found = re.search(r"sillkeep (proof open .*?)</code>", shown)
    assert found
    filled = {"SITE": "yard", "UNIT": "u1", "ZONE": "w1", "NAME": "R. Test"}
    words = [filled.get(word, word) for word in shlex.split(found[1])]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    with open_record(tmp_path) as record:
        (row,) = record.repairs(unit="u1")
    assert (row.zone, row.value) == ("w1", "opened and dried, sensor moved")


def test_the_list_has_one_line_a_repair(dry: Record) -> None:
    shown = seen(dry, "/proof")
    assert "/assets/mark-stayed-dry.svg" in shown
    assert f'href="/proof/u1/w1/{REPAIRED_S}"' in shown
    assert "repaired Tue 15 Jan 2030" in shown
    assert "49 days ago" in shown
    assert "wettings survived; covers leaks of " in shown


def test_a_repair_s_page_says_so_far_what_is_missing_and_what_is_not_excluded(dry: Record) -> None:
    shown = seen(dry, f"/proof/u1/w1/{REPAIRED_S}")
    assert "w1 stayed dry so far: since the repair on Tue 15 Jan 2030" in shown
    assert "the last on " in shown
    assert "Smaller leaks are not excluded." in shown
    assert "Nothing: every condition is met." in shown
    assert "What we do not know" in shown
    assert "its rates come from simulated walls" in shown
    assert "What was said, and when" in shown
    assert "Daily values" in shown


def test_the_figure_marks_each_wetting_and_the_table_behind_it_lists_them(dry: Record) -> None:
    address = wish(f"/proof/u1/w1/{REPAIRED_S}", "", now_s=END_S)
    (figure,) = [
        part.figure
        for top in page(dry, address, token="t", sight=sight(dry))
        for part in top._traverse()
        if isinstance(part, dcc.Graph)
    ]
    lines = {trace.get("name"): trace for trace in figure.data}
    assert {"moisture of the zone", "dry standard", "up to the drying goal"} <= set(lines)
    goal = lines["up to the drying goal"]["y"] - lines["dry standard"]["y"]
    (row,) = dry.repairs()
    assert row.now is not None
    assert np.nanmax(np.abs(goal - row.now.figures["goal_percent"])) < 1e-9
    survived = len(lines["wetting survived"]["x"])
    assert f"{survived} wettings survived" in seen(dry, "/proof")
    assert seen(dry, address.path).count("<td>survived</td>") == survived


def test_a_proof_that_nobody_continues_says_from_when_it_is(dry: Record) -> None:
    later = seen(dry, "/proof", now_s=END_S + 5 * DAY_S)
    assert "u1 · w1: nothing newer than Wed 06 Mar 2030 00:00 was judged." in later
    assert "nothing newer" not in seen(dry, "/proof")


def test_a_repair_without_a_proof_says_why(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        furnish(record, events=())
        record.add_zone("yard", Zone("u1", "air-main", "cabin"))
        record.add_event("yard", REPAIR, recorded_s=REPAIRED_S)
        record.add_event("yard", replace(REPAIR, zone="air-main"), recorded_s=REPAIRED_S)
        soon = seen(record, "/proof", now_s=REPAIRED_S + HOUR_S)
        assert "the first one after the repair is not over" in soon
        assert "this is a room" in soon
        assert "nobody watched this zone" in seen(record, "/proof", now_s=REPAIRED_S + 9 * DAY_S)
        assert "nobody watched this zone" in seen(
            record, f"/proof/u1/w1/{REPAIRED_S}", now_s=REPAIRED_S + 9 * DAY_S
        )
        assert "No repair “u1/w1/5”" in seen(record, "/proof/u1/w1/5")


def test_the_command_names_the_verdict_and_what_is_missing(
    dry_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(dry_home))
    said = CliRunner().invoke(app, ["proof", "u1"])
    assert said.exit_code == 0, said.output
    assert "w1, repaired 2030-01-15 (opened and dried, sensor moved): stayed dry" in said.output
    assert "so far" in said.output
    assert "missing" not in said.output
    (row,) = json.loads(CliRunner().invoke(app, ["proof", "u1", "--json"]).output)
    assert (row["zone"], row["now"]["verdict"]) == ("w1", "stayed dry")
    unknown = CliRunner().invoke(app, ["proof", "u9"])
    assert unknown.exit_code != 0


# --- sentences ------------------------------------------------------------------------------------


def test_every_condition_that_can_be_missing_has_something_to_do_about_it() -> None:
    assert tuple(text.PROOF_TO_DO) == drying.CONDITIONS


@pytest.mark.parametrize("verdict", ["stayed dry", "drying", "not yet shown"])
def test_a_verdict_that_may_turn_says_so_far(verdict: str) -> None:
    said = text.proof_text(
        verdict, zone="w1", repaired="1 Jan", survived=3, last="9 Jan", responses=0, missing=2
    )
    assert "so far" in said.lower()
    assert "the last on 9 Jan" in said


def test_without_a_wetting_dry_weather_is_said_to_prove_nothing() -> None:
    said = text.proof_text(
        "not yet shown", zone="w1", repaired="1 Jan", survived=0, last="–", responses=0, missing=1
    )
    assert "dry weather proves nothing" in said
    assert "1 condition is missing" in said


@pytest.mark.parametrize("size_ml", [nan, 20.0, 200.0])
def test_no_size_of_leak_is_ever_said_to_be_all(size_ml: float) -> None:
    assert "not excluded" in text.size_text(size_ml)


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ({"excess_percent": nan, "goal_percent": 1.0}, "is not known"),
        ({"excess_percent": -0.4, "goal_percent": 1.0}, "0.4 points of moisture below"),
        ({"excess_percent": 3.0, "goal_percent": 1.0, "stalled": 1.0}, "has stalled"),
        (
            {
                "excess_percent": 3.0,
                "goal_percent": 1.0,
                "rate_percent_day": 0.2,
                "days_to_goal_low": 6.2,
                "days_to_goal_high": 9.9,
            },
            "It loses 0.20 points a day: 6 to 10 days to the goal",
        ),
        (
            {
                "excess_percent": 3.0,
                "goal_percent": 1.0,
                "rate_percent_day": -0.1,
                "days_to_goal_low": np.inf,
            },
            "does not fall",
        ),
    ],
)
def test_drying_is_told_with_its_days_to_the_goal(figures: dict[str, float], said: str) -> None:
    assert said in text.drying_text(figures)


def test_answered_wettings_are_not_hidden_behind_the_rule_of_three() -> None:
    assert "30 %" in text.share_text({"leaking_share": 0.3, "responses": 0.0})
    assert "%" not in text.share_text({"leaking_share": 0.3, "responses": 1.0})
    assert "Too little" in text.share_text({"leaking_share": 1.0, "responses": 0.0})
