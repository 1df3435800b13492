"""Judging a record again: the same model gives the same bits, another one a report of what differs."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd
import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from monitor import judge, recompute, watch
from monitor.cli import app
from monitor.config import claim
from monitor.errors import InputError
from monitor.evidence import weights
from monitor.judge import findings, limits
from monitor.judge.memory import UnitMemory
from monitor.lot import Event, Placement, Site, Unit, Zone
from monitor.recompute import Asked, Report, month
from monitor.store import Record, open_record
from monitor.times import month_span_s
from sensors.wire import Reading
from tests.conftest import ROOT, wait_until
from tests.judging import DAY_S, START_S

HOUR_S = 3600
DAYS = 45
RULES = judge.VERSION  # of the record that the tests fill
SITES = ("hill", "yard")
WALLS = ("off-rear-low", "door-rear-low", "roof-mid", "off-mid-low")


def furnish(record: Record) -> None:
    """Two sites of one unit each, with four walls, and the air outside."""
    placed_s = START_S - 3 * DAY_S
    for site in SITES:
        record.add_site(Site(site, altitude_m=400.0 if site == "hill" else 0.0))
        record.add_unit(Unit(f"{site}-1", site))
        for number, zone in enumerate((*WALLS, "outside"), 1):
            unit = "" if zone == "outside" else f"{site}-1"
            record.add_zone(site, Zone(unit, zone, "wall" if unit else "outside"))
            placement = Placement("n1", f"p{number}", site, unit, zone, placed_s)
            record.place(placement, recorded_s=placed_s, who="test")


def history(site: str, days: range, *, wet_from_day: int = 20) -> list[Reading]:
    """Mild weather with a daily swing; rain reaches the first wall from a day on."""
    rng = np.random.default_rng(len(site) + days.start)
    found = []
    for second in range(days.start * DAY_S, days.stop * DAY_S, HOUR_S):
        swing = float(np.sin(second / DAY_S * 2 * np.pi))
        for number in range(1, len(WALLS) + 2):
            wet = number == 1 and second >= wet_from_day * DAY_S
            humidity = (92.0 if wet else 60.0) + number + 5 * swing + float(rng.normal(0, 0.4))
            found.append(
                Reading(
                    site=site,
                    node="n1",
                    probe=f"p{number}",
                    boot=1,
                    seq=second // HOUR_S,
                    at_s=START_S + second + 60,
                    temperature_c=round(11.0 + 3 * swing, 2),
                    humidity_percent=round(humidity, 2),
                    silence_s=HOUR_S,
                )
            )
    return found


def take(record: Record, readings: Sequence[Reading], *, day: float) -> None:
    """Readings that come on a day, and the watch's round after it."""
    now_s = START_S + int(day * DAY_S)
    for at in range(0, len(readings), 500):
        record.take(readings[at : at + 500], [], received_s=now_s)
    watch.tick(record, now_s=now_s)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Home folder of a record that a watch filled over a month and a half, with what came late."""
    home = tmp_path_factory.mktemp("lived")
    with open_record(home) as record:
        furnish(record)
        for day in range(0, DAYS, 5):
            for site in SITES:
                came = history(site, range(day, day + 5))
                late = [r for r in came if r.probe == "p1" and day == 25]
                take(record, [r for r in came if r not in late], day=day + 5)
        event = Event(START_S + 33 * DAY_S, "inspection", unit="yard-1")
        record.add_event("yard", event, recorded_s=START_S + 33 * DAY_S, who="test")
        for site in SITES:  # five days of the wet wall, a fortnight late
            late = [r for r in history(site, range(25, 30)) if r.probe == "p1"]
            take(record, late, day=DAYS + 0.5)
    return home


@pytest.fixture
def here() -> Iterator[Executor]:
    """One worker in this process: what is judged is the same, and it starts at once."""
    with ThreadPoolExecutor(1) as pool:
        yield pool


@pytest.fixture(scope="module")
def told(lived: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Report, list[str]]:
    """Results of a first run, its report, and what it said."""
    folder = tmp_path_factory.mktemp("told")
    with ThreadPoolExecutor(1) as pool:
        return folder, *again(lived, folder, pool)


@pytest.fixture
def kept(told: tuple[Path, Report, list[str]], tmp_path: Path) -> Path:
    """A copy of those results, to go on from."""
    return Path(shutil.copytree(told[0], tmp_path / "kept"))


def again(home: Path, folder: Path, executor: Executor, **asked: Any) -> tuple[Report, list[str]]:
    said: list[str] = []
    report = recompute.run(
        home, folder, Asked(**asked), executor, tell=lambda what, _, __: said.append(what)
    )
    return report, said


def hours_of(record: Record, site: str, unit: str) -> pd.DataFrame:
    blocks = record.hour_blocks(unit=unit, from_hour=0, to_hour=2**40)
    frame = pd.concat([pd.DataFrame(block) for block in blocks])
    return frame.sort_values(["zone", "hour"]).reset_index(drop=True)


def partition(folder: Path, site: str, month: str, model: str = RULES) -> Path:
    return folder / f"model={model}" / f"site={site}" / f"month={month}"


# --- the same model -------------------------------------------------------------------------------


def test_the_present_model_gives_the_records_own_hours_and_alarms_bit_by_bit(
    lived: Path, told: tuple[Path, Report, list[str]]
) -> None:
    folder, report, said = told
    assert len(said) == 4
    assert (report.model, report.record) == (judge.VERSION, [judge.VERSION])
    assert report.months == ["2030-01", "2030-02"]
    for site in report.sites:
        assert site.hours.hours == 4 * (DAYS * 24 + 12)
        assert (site.hours.differing, site.hours.only_record, site.hours.only_model) == (0, 0, 0)
        assert (site.hours.columns, site.hours.words, site.hours.largest) == ({}, {}, {})
        assert site.alarms == []
        assert site.left_out == []
    with open_record(lived, read_only=True) as record:
        assert {alarm.kind for alarm in record.alarms()} >= {"wet", "damp"}
        for site in SITES:
            stored = hours_of(record, site, f"{site}-1")
            files = [partition(folder, site, month) for month in report.months]
            made = pd.concat([pd.read_parquet(path / "hours.parquet") for path in files])
            made = made.sort_values(["zone", "time"]).reset_index(drop=True)
            assert made["rules"].unique().tolist() == [judge.VERSION]
            for name in set(stored) & set(made) - {"mould_class"}:
                same = stored[name].astype(object).where(stored[name].notna(), None)
                other = made[name].astype(object).where(made[name].notna(), None)
                assert same.tolist() == other.tolist(), name


def test_a_report_that_cannot_reach_the_disk_leaves_the_one_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = recompute.Folder(tmp_path, RULES)
    kept.open()
    kept.write_report(b"before")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(InputError, match="No space left"):
            kept.write_report(b"after")
    assert kept.report() == b"before"
    kept.open()  # clears what was begun
    assert [path.name for path in kept.path.iterdir()] == ["report.json"]


def test_what_is_remembered_at_a_months_end_is_the_judges_own_and_the_records(
    lived: Path, kept: Path
) -> None:
    memories = recompute.Folder(kept, RULES).memories("yard", "2030-01")
    day = month_span_s("2030-01")[1] // DAY_S
    with open_record(lived, read_only=True) as record:
        zones = tuple(record.zones("yard-1"))
        unit = next(unit for unit in record.units() if unit.code == "yard-1")
        site = next(site for site in record.sites() if site.code == "yard")
        span = {"from_s": START_S, "to_hour": day * 24}
        readings = record.unit_readings("yard-1", from_s=START_S, to_s=day * DAY_S)
        known = watch.watched_of(record, site, unit, record.placements(), readings, **span)
    whole = judge.advance(known, None, from_day=START_S // DAY_S, to_hour=day * 24)
    assert whole.checkpoints[-1] == (day, memories["yard-1"])
    assert UnitMemory.from_bytes(memories["yard-1"]).codes[: len(zones)] == [z.code for z in zones]


def test_the_record_is_not_touched(lived: Path, tmp_path: Path, here: Executor) -> None:
    def all_rows() -> dict[str, int]:
        with open_record(lived, read_only=True) as record:
            return record.counts()

    before = (lived / "record.sqlite").read_bytes(), all_rows()
    again(lived, tmp_path, here)
    assert ((lived / "record.sqlite").read_bytes(), all_rows()) == before


# --- what is done is done -------------------------------------------------------------------------


def test_a_second_run_judges_nothing_and_says_the_same(
    lived: Path,
    told: tuple[Path, Report, list[str]],
    kept: Path,
    here: Executor,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(judge, "advance", None)  # whoever judges fails
    report, said = again(lived, kept, here)
    assert len(said) == 4
    assert all(line.endswith("as it was") for line in said)
    assert report == told[1]


def test_a_part_of_the_time_has_only_its_hours_and_alarms(
    lived: Path, kept: Path, here: Executor
) -> None:
    for asked, days in (({"to_month": "2030-01"}, 31), ({"from_month": "2030-02"}, DAYS - 30.5)):
        report, said = again(lived, kept, here, **asked)
        assert all(line.endswith("as it was") for line in said)
        for site in report.sites:
            assert (site.hours.hours, site.hours.differing) == (4 * days * 24, 0)
            assert site.alarms == []


def test_a_month_that_is_missing_is_made_again_and_no_other(
    lived: Path, kept: Path, here: Executor
) -> None:
    (partition(kept, "hill", "2030-02") / "done.json").unlink()
    left = kept / f"model={judge.VERSION}" / "hill 2030-02.part"
    left.mkdir()  # of a run that was killed
    _, said = again(lived, kept, here)
    assert sorted(said) == [
        "hill 2030-01: as it was",
        "hill 2030-02: 1392 hours judged and compared",
        "yard 2030-01: as it was",
        "yard 2030-02: as it was",
    ]
    assert not left.exists()
    assert {p.name for p in partition(kept, "hill", "2030-02").iterdir()} == {
        *("hours.parquet", "alarms.parquet", "checkpoints.parquet", "done.json")
    }


def test_parts_of_a_site_come_to_the_same_as_all_of_it(
    tmp_path: Path, here: Executor, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, whole, parts = (tmp_path / name for name in ("home", "whole", "parts"))
    placed_s = START_S + 28 * DAY_S
    with open_record(home) as record:
        record.add_site(Site("yard"))
        for number, unit in enumerate(("u1", "u2", "u3"), 1):
            record.add_unit(Unit(unit, "yard"))
            record.add_zone("yard", Zone(unit, "off-rear-low"))
            placement = Placement("n1", f"p{number}", "yard", unit, "off-rear-low", placed_s)
            record.place(placement, recorded_s=placed_s, who="test")
        take(record, history("yard", range(28, 34), wet_from_day=29), day=34)
    expected, _ = again(home, whole, here)
    assert expected.sites[0].hours.hours == 3 * 6 * 24
    monkeypatch.setattr(recompute, "PART_UNITS", 1)
    report, _ = again(home, parts, here)
    assert report == expected
    for path in whole.rglob("*.parquet"):
        same = pd.read_parquet(parts / path.relative_to(whole))
        pd.testing.assert_frame_equal(pd.read_parquet(path), same)
    assert [line[-9:] for line in again(home, parts, here)[1]] == ["as it was", "as it was"]

    with open_record(home) as record:  # one unit of three has late readings
        late = replace_probe(history("yard", range(32, 33), wet_from_day=0)[0], "p2")
        take(record, [late], day=34)
    report, said = again(home, parts, here)
    assert [line.partition(": ")[2] for line in said] == [
        *("as it was", f"{3 * 3 * 24} hours judged and compared")
    ]
    assert report.sites[0].hours.differing == 0
    monkeypatch.setattr(recompute, "PART_UNITS", 20)
    assert again(home, parts, here)[0] == again(home, whole, here)[0] == report
    for path in whole.rglob("hours.parquet"):
        same = pd.read_parquet(parts / path.relative_to(whole))
        pd.testing.assert_frame_equal(pd.read_parquet(path), same)


def test_late_readings_have_their_month_and_those_after_it_judged_again(
    lived: Path, kept: Path, tmp_path: Path, here: Executor
) -> None:
    home = copy(lived, tmp_path / "home")
    with open_record(home) as record:
        late = Reading(
            site="yard", node="n1", probe="p2", boot=2, seq=1, at_s=START_S + 28 * DAY_S + 7,
            temperature_c=11.0, humidity_percent=99.0, silence_s=HOUR_S,
        )  # fmt: skip
        take(record, [late], day=DAYS + 0.5)
    report, said = again(home, kept, here)
    assert sorted(line.rpartition(": ")[2] for line in said) == [
        *("1392 hours judged and compared", "2976 hours judged and compared"),
        *("as it was", "as it was"),
    ]
    assert sum(site.hours.differing for site in report.sites) == 0
    assert [site.alarms for site in report.sites] == [[], []]


def test_what_the_watch_has_not_judged_yet_is_told_as_a_difference(
    lived: Path, tmp_path: Path, here: Executor
) -> None:
    home = copy(lived, tmp_path / "home")
    with open_record(home) as record:
        for probe in ("p2", "p3"):
            wet = [replace_probe(r, probe) for r in history("yard", range(9, 16), wet_from_day=0)]
            record.take(wet, [], received_s=START_S + DAYS * DAY_S)
    report, _ = again(home, tmp_path, here, sites=["yard"])
    (site,) = report.sites
    assert site.hours.columns["wood_moisture_percent"] > 100
    assert site.hours.words["state"]["dry -> damp"] > 10
    largest = site.hours.largest["wood_moisture_percent"]
    assert largest.zone in {"door-rear-low", "roof-mid"}
    assert largest.difference == abs(largest.record - largest.model) > 1.0
    assert any(a.what == "raised anew" and a.kind in {"damp", "wet"} for a in site.alarms)


def replace_probe(reading: Reading, probe: str) -> Reading:
    return (
        msgspec.structs.replace(reading, probe=probe, boot=3) if reading.probe == "p1" else reading
    )


def copy(home: Path, to: Path) -> Path:
    to.mkdir()
    (to / "record.sqlite").write_bytes((home / "record.sqlite").read_bytes())
    return to


# --- another model --------------------------------------------------------------------------------


def test_other_rules_are_kept_apart_and_what_differs_is_told(
    lived: Path, kept: Path, here: Executor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "VERSION", "other")
    strict = replace(limits.LIMITS, damp_h=60, wet_excess_percent=20)
    for module in (findings, limits):
        monkeypatch.setattr(module, "LIMITS", strict)
    report, _ = again(lived, kept, here, sites=["hill"], from_month="2030-01")
    assert (report.model, report.record) == ("other", [RULES])
    assert partition(kept, "hill", "2030-01", RULES).exists()
    assert partition(kept, "hill", "2030-01", "other").exists()
    assert not partition(kept, "yard", "2030-01", "other").exists()
    (site,) = report.sites
    assert site.hours.words["state"]["wet -> damp"] > 24
    assert site.hours.columns["state"] == sum(site.hours.words["state"].values())
    turns = {(turn.what, turn.kind): turn for turn in site.alarms}
    moved = turns["moves", "damp"]
    assert moved.zone == "off-rear-low"
    assert moved.record_raised is not None
    assert moved.model_raised is not None
    hours = pd.Timestamp(moved.model_raised) - pd.Timestamp(moved.record_raised)
    assert hours == pd.Timedelta(hours=36)
    assert turns["vanishes", "wet"].model_raised is None
    later, said = again(lived, kept, here, sites=["hill"], from_month="2030-02")
    assert [line.partition(": ")[2] for line in said] == ["as it was", "as it was"]
    assert later.months == ["2030-02", "2030-02"]
    assert later.sites[0].hours.hours == 4 * (14 * 24 + 12)
    assert all((turn.record_raised or "9") >= "2030-02" for turn in later.sites[0].alarms)


def other_weights() -> bytes:
    """Weights that see a leak everywhere."""
    table = weights.shipped().table
    return msgspec.json.encode(
        msgspec.structs.replace(table, version="all", constant=9.0, threshold=0.2)
    )


def test_other_leak_weights_are_another_model(lived: Path, tmp_path: Path, here: Executor) -> None:
    data = other_weights()
    report, _ = again(lived, tmp_path, here, sites=["yard"], weights=data)
    assert (report.model, report.weights) == (recompute.model_of(data), "all")
    assert report.model.startswith(f"{RULES}-")
    (site,) = report.sites
    assert site.hours.columns.keys() <= {"leak_score", "cause"}
    assert site.hours.columns["leak_score"] > 100
    assert 0.0 < site.hours.largest["leak_score"].difference <= 1.0
    anew = [turn for turn in site.alarms if turn.what == "raised anew"]
    assert {turn.kind for turn in anew} == {"leak suspect"}
    assert not partition(tmp_path, "yard", "2030-01", RULES).exists()
    assert recompute.read_report(tmp_path, data) == report


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"features": ["rain"]}, "are for other features"),
        ({"products": [1.0]}, "products must have 120 weights"),
        ({"threshold": 2.0}, "threshold must lie between 0 and 1"),
        ({"constant": "much"}, "Expected `float`, got `str`"),
        ({"lines": [[1.0]] * 22}, "each of the lines must have 4 weights"),
        ({"knots": [[2.0, 1.0]] * 22}, "knots must rise"),
        ({"neutral": [0.5]}, "must have 22 entries each"),
    ],
)
def test_weights_that_do_not_fit_are_refused_in_a_sentence(
    change: dict[str, Any], why: str
) -> None:
    data = json.dumps(json.loads(weights.shipped_bytes()) | change).encode()
    with pytest.raises(InputError, match=why):
        recompute.model_of(data)


def test_a_file_that_holds_no_weights_is_refused() -> None:
    with pytest.raises(InputError, match="cannot be used: it is no file of leak weights"):
        recompute.model_of(b"hello")


def test_a_worker_of_another_version_refuses(lived: Path, tmp_path: Path) -> None:
    task = month.Task(lived, "yard", "2030-01", 0, "999", weights.shipped_bytes(), {}, {})
    with pytest.raises(InputError, match="install the same Sillkeep on both"):
        month.judge_month(task)


# --- what is out of the ordinary ------------------------------------------------------------------


def test_a_unit_without_its_first_readings_is_left_out_by_name(
    lived: Path, tmp_path: Path, here: Executor
) -> None:
    home = copy(lived, tmp_path / "home")
    with open_record(home) as record, record.engine.begin() as connection:
        before = {"at_s": START_S + 9 * DAY_S}
        connection.execute(text("DELETE FROM reading WHERE at_s < :at_s"), before)
    report, said = again(home, tmp_path, here, sites=["yard"])
    assert said == []
    assert report.sites[0].left_out == ["yard-1"]
    assert report.sites[0].hours.hours == 0


def test_an_empty_record_gives_an_empty_report(tmp_path: Path, here: Executor) -> None:
    with open_record(tmp_path / "home") as record:
        furnish(record)
    report, said = again(tmp_path / "home", tmp_path, here)
    assert (said, report.months) == ([], [])
    assert [site.hours.hours for site in report.sites] == [0, 0]


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"sites": ["moon"]}, 'there is no site "moon"'),
        ({"from_month": "2030-1"}, '"2030-1" is no month'),
        ({"to_month": "2030-13"}, '"2030-13" is no month'),
        ({"from_month": "2030-02", "to_month": "2030-01"}, "--from is after --to"),
    ],
)
def test_what_cannot_be_asked_is_said(
    lived: Path, tmp_path: Path, here: Executor, asked: dict[str, Any], why: str
) -> None:
    with pytest.raises(InputError, match=why):
        again(lived, tmp_path, here, **asked)


# --- the command ----------------------------------------------------------------------------------


def command(home: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "recompute", *words],
        env=os.environ | {"SILLKEEP_HOME": str(home)},
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_one_run_a_folder_at_a_time_and_the_report_again(
    lived: Path, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(lived))
    runner = CliRunner()
    result = runner.invoke(app, ["recompute", str(tmp_path), "--report-only"])
    assert isinstance(result.exception, InputError)
    assert "run it without --report-only first" in str(result.exception)
    lock = claim(kept, "recompute")
    assert lock is not None
    with lock:
        assert runner.invoke(app, ["recompute", str(kept)]).exit_code == 75
        result = runner.invoke(app, ["recompute", str(kept), "--report-only"])
    assert result.exit_code == 0
    assert result.output.splitlines()[0] == (
        f"rules {RULES} with leak weights 2 beside the record's (rules {RULES}), 2030-01 to 2030-02"
    )
    assert result.output.splitlines()[-1].split() == ["yard", "1", "4368", *"000000000"]
    result = runner.invoke(app, ["recompute", str(kept), "--report-only", "--json"])
    assert json.loads(result.output)["sites"][0]["hours"]["differing"] == 0


@pytest.mark.long
def test_processes_give_the_same_and_a_killed_run_goes_on(
    lived: Path, told: tuple[Path, Report, list[str]], tmp_path: Path
) -> None:
    folder = tmp_path / "two"
    with command(lived, str(folder), "--workers", "2") as first:
        assert first.stderr is not None
        assert first.stderr.readline().startswith("1/4 ")
        workers = children(first.pid)
        assert len(workers) >= 2
        first.kill()
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers))
    with command(lived, str(folder), "--workers", "2", "--json") as second:
        out, said = second.communicate(timeout=120)
    assert second.returncode == 0, said
    assert msgspec.json.decode(out, type=Report) == told[1]
    assert said.count("as it was") >= 1
    assert not list(folder.rglob("*.part"))


def children(pid: int) -> list[int]:
    task = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(word) for word in task.read_text().split()]


@pytest.mark.long
def test_workers_of_a_scheduler_give_the_same(
    lived: Path,
    told: tuple[Path, Report, list[str]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from distributed import LocalCluster

    monkeypatch.setenv("SILLKEEP_HOME", str(lived))
    folder = tmp_path / "two"
    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    ) as hands:
        asked = ["recompute", str(folder), "--scheduler", hands.scheduler_address]
        result = CliRunner().invoke(app, [*asked, "--json"])
        assert result.exit_code == 0, result.output
    assert recompute.read_report(folder, weights.shipped_bytes()) == told[1]
    files = list(told[0].rglob("*.parquet"))
    assert len(files) == 12
    for path in files:
        same = pd.read_parquet(folder / path.relative_to(told[0]))
        pd.testing.assert_frame_equal(pd.read_parquet(path), same)


@pytest.mark.long
def test_a_scheduler_that_is_not_there_is_said(free_port: int) -> None:
    address = f"tcp://127.0.0.1:{free_port}"
    with pytest.raises(InputError, match="no scheduler answers"), recompute.cluster(address):
        pass


def test_a_missing_package_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(InputError, match=r"needs the extra sillkeep\[cluster\]"),
        recompute.cluster("tcp://127.0.0.1:1"),
    ):
        pass


@pytest.mark.long
def test_a_worker_that_is_killed_is_told_in_a_sentence(lived: Path, tmp_path: Path) -> None:
    with command(lived, str(tmp_path), "--workers", "1") as run:
        assert run.stderr is not None
        assert run.stderr.readline().startswith("1/4 ")
        for pid in children(run.pid):
            if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes():  # not its helper
                os.kill(pid, signal.SIGKILL)
        said = run.stderr.read()
        run.wait(timeout=60)
    assert run.returncode == 2
    assert said.splitlines()[-1].endswith("run it again, it goes on where it stopped")
