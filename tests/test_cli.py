"""The command line as a person uses it: whole runs on real files, and sentences for what is wrong."""

import json
from pathlib import Path

import pandas as pd
import pytest

from monitor import offline
from monitor.files import HOURS_COLUMNS, complete_zones, read_readings
from monitor.physics import air
from monitor.store import open_record
from sensors.wire import Reject
from tests.conftest import sillkeep

SHARED = Path(__file__).parents[2] / "shared" / "data"


@pytest.fixture
def wet_wall(tmp_path: Path) -> Path:
    times = pd.date_range("2030-01-01", periods=6 * 48, freq="30min", tz="UTC")
    frame = pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M:%SZ"), "unit": "u1"})
    wet = frame.assign(
        zone="off-rear-low", temperature_c=12.0, humidity_percent=[60.0] * 96 + [92.0] * 192
    )
    out = frame.assign(unit="", zone="outside", temperature_c=12.0, humidity_percent=60.0)
    path = tmp_path / "readings.csv"
    pd.concat([wet, out]).to_csv(path, index=False)
    return path


def test_judge_writes_hours_and_alarms_with_the_columns_promised(wet_wall: Path) -> None:
    hours, alarms = wet_wall.with_name("h.csv"), wet_wall.with_name("a.csv")
    done = sillkeep(
        wet_wall.parent,
        "judge",
        str(wet_wall),
        "--hours",
        str(hours),
        "--alarms",
        str(alarms),
        "--json",
    )
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout)
    assert (counts["readings"], counts["rejected"], counts["zones"]) == (576, 0, 2)
    table = pd.read_csv(hours, keep_default_na=False)
    assert tuple(table.columns) == HOURS_COLUMNS
    wall = table[table["zone"] == "off-rear-low"]
    assert len(wall) == 144
    assert wall["state"].iloc[0] == "unknown"  # settling
    assert wall["state"].iloc[-1] == "wet"
    assert set(table[table["zone"] == "outside"]["state"]) == {""}
    raised = pd.read_csv(alarms)
    assert "wet" in set(raised["kind"])
    assert raised["text"].str.contains("weather alone explains").any()


def test_a_declared_zone_never_heard_is_unknown_and_a_stray_event_is_told(
    wet_wall: Path, tmp_path: Path
) -> None:
    zones, events = tmp_path / "zones.csv", tmp_path / "events.csv"
    zones.write_text(
        "unit,zone,kind,watched_from\nu1,off-rear-low,wall,\n,outside,outside,\n"
        "u1,roof-vent1-ring,roof,2030-01-02T00:00Z\n",
        encoding="utf-8",
    )
    events.write_text("time,unit,zone,kind,value\n2030-01-02T00:00Z,u9,,hose,\n", encoding="utf-8")
    hours = tmp_path / "h.csv"
    done = sillkeep(
        tmp_path,
        "judge",
        str(wet_wall),
        f"--hours={hours}",
        f"--alarms={tmp_path / 'a.csv'}",
        f"--zones={zones}",
        f"--events={events}",
    )
    assert done.returncode == 0, done.stderr
    assert "u9" in done.stderr
    table = pd.read_csv(hours)
    roof = table[table["zone"] == "roof-vent1-ring"]
    assert len(roof) == 120
    assert set(roof["state"]) == {"unknown"}


def test_judge_reads_and_writes_parquet_alike(wet_wall: Path, tmp_path: Path) -> None:
    parquet = tmp_path / "readings.parquet"
    pd.read_csv(wet_wall).to_parquet(parquet)
    for source, kind in ((wet_wall, "csv"), (parquet, "parquet")):
        done = sillkeep(
            tmp_path,
            "judge",
            str(source),
            "--hours",
            str(tmp_path / f"h.{kind}"),
            "--alarms",
            str(tmp_path / f"a.{kind}"),
        )
        assert done.returncode == 0, done.stderr
    one = pd.read_csv(tmp_path / "h.csv")["wood_moisture_percent"]
    other = pd.read_parquet(tmp_path / "h.parquet")["wood_moisture_percent"]
    assert one.equals(other.reset_index(drop=True))


@pytest.mark.parametrize(
    ("content", "words", "said"),
    [
        ("time,zone,temperature_c,humidity_percent\n2030-01-01 10:00,z,10,60\n", (), "--timezone"),
        ("time,zone,temperature_c,humidity_percent\n2030-01-01T10:00Z,z,10,0.6\n", (), "fraction"),
        (
            "time,zone,temperature_c,humidity_percent\n2030-01-01T10:00Z,z,70,60\n",
            (),
            "--fahrenheit",
        ),
        ("time,temperature_c,humidity_percent\n2030-01-01T10:00Z,10,60\n", (), "--zone"),
        (
            "time,zone,temperature_c,humidity_percent\n2030-01-01T10:00Z,z,10,60\n",
            ("--map", "x"),
            "--map",
        ),
        ("", (), "empty"),
    ],
)
def test_bad_input_is_one_sentence_that_says_what_to_do(
    tmp_path: Path, content: str, words: tuple[str, ...], said: str
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(content, encoding="utf-8")
    done = sillkeep(
        tmp_path,
        "judge",
        str(path),
        "--hours",
        str(tmp_path / "h.csv"),
        "--alarms",
        str(tmp_path / "a.csv"),
        *words,
    )
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "h.csv").exists()


def test_a_lot_is_entered_once_and_again(tmp_path: Path) -> None:
    lot = tmp_path / "lot.toml"
    lot.write_text(
        '[[site]]\ncode = "home"\n[[unit]]\ncode = "u1"\nsite = "home"\n'
        '[[zone]]\nunit = "u1"\ncode = "air-main"\nkind = "cabin"\n'
        '[[node]]\nsite = "home"\ncode = "n1"\nunit = "u1"\nfrom = "2030-01-01T00:00:00Z"\n'
        'probes = { p1 = "air-main" }\n',
        encoding="utf-8",
    )
    for _ in range(2):
        done = sillkeep(tmp_path, "import", str(lot))
        assert done.returncode == 0, done.stderr
    from monitor.store import open_record

    with open_record(tmp_path, read_only=True) as record:
        assert len(record.placements()) == 1
    assert sillkeep(tmp_path, "alarms").stdout == "no alarm is standing\n"
    assert json.loads(sillkeep(tmp_path, "check", "--json").stdout)["readings"] == 0


def test_a_record_that_is_not_there_is_said_plainly(tmp_path: Path) -> None:
    done = sillkeep(tmp_path / "nowhere", "alarms")
    assert done.returncode == 2
    assert "no record" in done.stderr


def test_unknown_settings_name_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "sillkeep.toml").write_text("[broker]\nhots = 'x'\n", encoding="utf-8")
    done = sillkeep(tmp_path, "check")
    assert done.returncode == 2
    assert "line 2" in done.stderr


# --- measured data of other people's, where it lies beside the project -------------------------------


def _measured(name: str) -> Path:
    path = SHARED / name
    if not path.exists():
        pytest.skip(f"the open data set {name} is not beside the project")
    return path


def test_humidity_ratio_is_that_of_the_office_data_set() -> None:
    # Candanedo and Feldheim 2016: their column was derived from temperature and humidity at 101325 Pa
    office = pd.read_csv(_measured("office_2015.csv"))
    ours = air.humidity_ratio(
        vapour_pressure_pa=air.vapour_pressure(
            temperature_c=office["temperature_c"].to_numpy(),
            humidity_percent=office["humidity_percent"].to_numpy(),
        ),
        pressure_pa=101_325.0,
    )
    ratio = ours / office["humidity_ratio_kg_kg"].to_numpy()
    assert abs(ratio - 1.0).max() < 0.003


def test_dew_point_is_that_of_the_airport() -> None:
    # Candanedo and others 2017; columns interpolated from hourly values, each for itself
    weather = pd.read_csv(_measured("house_weather_2016.csv"))
    warm = weather[weather["dew_point_c"] > 0.5]
    ours = air.dew_point(
        vapour_pressure_pa=air.vapour_pressure(
            temperature_c=warm["temperature_c"].to_numpy(),
            humidity_percent=warm["humidity_percent"].to_numpy(),
        )
    )
    error = ours - warm["dew_point_c"].to_numpy()
    assert abs(error).max() < 0.5
    assert (error**2).mean() ** 0.5 < 0.1


def test_the_house_is_judged_and_its_bathroom_is_the_damp_room() -> None:
    file = read_readings(
        _measured("house_rooms_2016.csv"),
        columns={"time": "local_time", "zone": "place"},
        timezone="+01:00",
        unit="house",
    )
    assert not file.rejects
    zones, _ = complete_zones(file.zones, None)
    ((table, _, _),) = offline.judge_history(file.zones, zones, ())
    frame = pd.DataFrame(
        {name: table[name] for name in ("zone", "humidity_percent", "wood_moisture_percent")}
    )
    rooms = frame[frame["zone"] != "outside-north"].groupby("zone")["wood_moisture_percent"].max()
    assert rooms.idxmax() == "bathroom"


def test_what_a_stranger_chose_as_topic_does_not_steer_the_terminal(tmp_path: Path) -> None:
    topic = "sillkeep/yard/\x1b]0;mine\x07/senml"
    with open_record(tmp_path) as record:
        record.take(
            [], [Reject(topic=topic, payload=b"{", reason="no", received_s=0)], received_s=0
        )
    told = sillkeep(tmp_path, "rejects")
    assert told.returncode == 0
    assert told.stdout.isascii()
    assert "\\x1b]0;mine\\x07/senml': no" in told.stdout
    assert all(c.isprintable() or c == "\n" for c in told.stdout)
