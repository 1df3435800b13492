"""The benches run and their table says what they found; what it costs is measured by hand, not here."""

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record
from monitor.store.engine import FILE_NAME
from tests.bench import archive, collect, growth, lots, sized
from tests.bench.rows import Row, kept, read, told
from tests.conftest import INFLUXD, NGINX

ZONES = (("off-rear-low", "wall"), ("air-main", "cabin"))
LOT = ("site", "unit", "zone", "node", "probe", "placement")
FROM_S = 1_764_057_600


def lot(home: Path) -> tuple[Record, list[Unit]]:
    record = open_record(home)
    record.add_site(Site("yard"))
    record.add_site(Site("annex"))
    units = [Unit("rv1", "yard", "First", "a-1", life="stock"), Unit("rv2", "annex")]
    return record, units


def rows(home: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(home / FILE_NAME)) as db:
        return {name: db.execute(f"SELECT * FROM {name} ORDER BY 1").fetchall() for name in LOT}


@pytest.mark.parametrize("a_zone", [False, True], ids=["a node a unit", "a node a zone"])
def test_a_lot_entered_at_once_is_the_lot_entered_bit_by_bit(tmp_path: Path, a_zone: bool) -> None:
    def probe(unit: int, zone: int) -> tuple[str, str]:
        return (f"n{unit}{zone}", "p1") if a_zone else (f"n{unit}", f"p{zone + 1}")

    record, units = lot(tmp_path / "whole")
    with record:
        lots.enter(
            record, units, ZONES, probe=probe, from_s=FROM_S, gateway=lambda n: f"gateway-{n}"
        )
    record, units = lot(tmp_path / "bits")
    with record:
        for unit in units:
            record.add_unit(unit)
        for unit in units:
            for code, kind in ZONES:
                record.add_zone(unit.site, Zone(unit.code, code, kind))  # type: ignore[arg-type]
        for n, unit in enumerate(units):
            for k, (code, _) in enumerate(ZONES):
                place = Placement(*probe(n, k), unit.site, unit.code, code, FROM_S)
                record.place(place, recorded_s=FROM_S, who="bench")
                record.declare_gateways({(unit.site, place.node): f"gateway-{n}"})
    entered = rows(tmp_path / "whole")
    assert entered == rows(tmp_path / "bits")
    assert len(entered["placement"]) == len(units) * len(ZONES)


ROW = Row("judge", 500.0, "zone-hours/s", "a plain script", 1000.0, "a note", main=True)


def test_a_row_says_its_ratio_and_comes_back_as_it_was_kept(tmp_path: Path) -> None:
    rows = [ROW, replace(ROW, name="pages", figure=12_345.6, unit="ms", main=False)]
    path = tmp_path / "run.json"
    kept(path, {"cores": 2}, rows)
    assert read(path) == ({"cores": 2}, rows)
    assert [line["ratio"] for line in json.loads(path.read_text())["rows"]] == [
        0.5,
        pytest.approx(12.3456),
    ]
    lines = told(rows).splitlines()
    assert len({len(line) for line in lines}) == 1
    words = [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines[2:]]
    assert words[0] == ["judge", "500", "zone-hours/s", "a plain script", "1,000", "0.5", "a note"]
    assert words[1][1:6:4] == ["12,346", "12.3"]


def test_a_bench_that_fails_says_why_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken(*, quick: bool) -> list[Row]:
        raise OSError(f"no disk, quick {quick}")

    def whole(*, quick: bool) -> list[Row]:
        return [ROW] if quick else []

    names = {"lots": "lots", "archive": "archive", "later": "not_written_yet"}
    monkeypatch.setattr(collect, "BENCHES", names)
    monkeypatch.setattr(lots, "table_rows", broken, raising=False)
    monkeypatch.setattr(archive, "table_rows", whole, raising=False)
    path = tmp_path / "run.json"
    asked = ["--quick", "--only", "lots", "archive", "later", "--json", str(path)]
    assert collect.main(asked) == 1
    said = capsys.readouterr()
    assert "lots failed: OSError: no disk, quick True" in said.out
    assert "| judge |" in said.out
    assert "later: not here" in said.err
    found, rows = read(path)
    assert rows == [ROW]
    assert found["cores"] > 0  # type: ignore[operator]
    assert set(found["versions"]) > {"python", "dash"}  # type: ignore[call-overload]
    assert collect.main(["--only", "archive"]) == 0
    assert "| judge |" not in capsys.readouterr().out


def test_a_run_goes_into_both_readmes_and_only_between_its_marks(tmp_path: Path) -> None:
    for name in ("README.md", "tests/bench/README.md"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text((collect.ROOT / name).read_text())
    found = {"when": "2031-02-03T04:05Z", "cores": 3, "model": "M", "memory_gb": 5,
             "load_begin": 0.1, "load_end": 0.2, "commit": "abc"}  # fmt: skip
    collect.document(found, [ROW, replace(ROW, name="aside", main=False)], tmp_path)
    short, whole = (
        (tmp_path / name).read_text() for name in ("README.md", "tests/bench/README.md")
    )
    assert "On 3 cores (M), February 2031:" in short
    busy = collect.moment(found | {"load_begin": 7.5})
    assert busy == "3 cores (M), February 2031, busy with other work (load 7.5)"
    assert "aside" not in short
    assert "| aside |" in whole
    for name, text in (("README.md", short), ("tests/bench/README.md", whole)):
        before = (collect.ROOT / name).read_text()
        for edge in (0, -1):
            mark = ("<!-- made: benches -->", "<!-- end: benches -->")[edge]
            assert text.split(mark)[edge] == before.split(mark)[edge]


def test_a_quick_run_does_not_go_into_the_readmes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.json"
    kept(path, {"quick": True, "failed": {}}, [ROW])
    with pytest.raises(SystemExit):
        collect.main(["--from", str(path), "--docs"])
    assert "quick run" in capsys.readouterr().err


def test_growth_reckons_on_the_line_of_the_two_largest_sizes_and_marks_it(tmp_path: Path) -> None:
    points = [dict.fromkeys(growth.FIGURES, y) | {"probes": x}
              for x, y in ((6, 9.0), (60, 100.0), (600, 640.0))]  # fmt: skip
    points[2]["lot_s"] = 50.0  # the noise of a busy machine is no shrinking
    guessed = {point["probes"]: point for point in growth.reckoned(points)}
    assert guessed[600] == {"probes": 600}
    assert guessed[3_000]["round_s"] == pytest.approx(640 + 2400)
    assert guessed[300_000]["lot_s"] == 50.0
    found = {"points": points, "when": "2031-02-03T04:05Z", "cores": 3, "model": "M",
             "load_begin": 2.5}  # fmt: skip
    of_3000 = next(line for line in growth.table(found).splitlines() if " 3,000 |" in line[:12])
    assert of_3000.count("(3,040)") == len(growth.FIGURES) - 1
    growth.draw(found, tmp_path / "one.svg")
    growth.draw(found, tmp_path / "two.svg")
    drawn = (tmp_path / "one.svg").read_bytes()
    assert drawn == (tmp_path / "two.svg").read_bytes()
    assert growth.FIGURES["day_s"][2].encode() in drawn


def test_one_size_is_taken_in_and_judged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sized, "DAY_TO", 0)
    sized.furnish(tmp_path, 1)
    found = sized.measure(tmp_path, 1)
    assert set(found) == {"day_s", "day_mb", "round_s", "watch_mb", "latest_s"}
    with open_record(tmp_path, read_only=True) as record:
        assert record.count_readings(site="yard") == 2 * 6 * 7
        zones = {zone.code for zone in record.zones("u00000")}
        judged = {zone: record.hours("u00000", zone, from_hour=0, to_hour=2**31) for zone in zones}
    assert {zone: len(rows) for zone, rows in judged.items()} == dict.fromkeys(zones, 2)


@pytest.mark.long
@pytest.mark.broker
@pytest.mark.parametrize("name", collect.BENCHES)
def test_every_bench_of_the_table_runs(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    if name == "intake" and shutil.which("mosquitto_sub") is None:
        pytest.skip("mosquitto-clients is not installed")
    assert collect.main(["--quick", "--only", name]) == 0
    said = capsys.readouterr()
    assert said.out.count("\n|") > 2 or f"{name}: not here" in said.err


@pytest.mark.long
@pytest.mark.influx
def test_record_and_mirror_answer_a_fleet_alike(tmp_path: Path) -> None:
    if INFLUXD is None or NGINX is None:
        pytest.skip("influxdb or nginx-light is not installed")
    rows = archive.fleet(tmp_path, 9, 3, 1)
    assert len(rows) == 4
    assert all(row.note.endswith("equal") for row in rows)
