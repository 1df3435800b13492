"""The proof of a repair from files: what `sillkeep judge --proof` writes."""

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from monitor.cli import app

DAYS, REPAIRED = 110, 40
START = pd.Timestamp("2030-03-01T00:00:00Z")


def files(tmp_path, *, leaks_on, hose=True):
    """Three like walls, rain every fifth day; `w1` is opened, dried and its probe moved on day 40."""
    rng = np.random.default_rng(5)
    hours = np.arange(DAYS * 24)
    rain_day = hours // 24 % 5 == 0
    swing = 3.0 * np.sin(hours / 24 / 9.0)
    water = np.zeros(DAYS * 24)
    for day in range(REPAIRED, DAYS):
        if leaks_on and day % 5 == 0:
            after = np.arange(DAYS * 24 - day * 24)
            water[day * 24 :] += 7.0 * np.exp(-after / 96.0)
    rows = []
    for zone in ("w1", "w2", "w3", "air-main", "outside"):
        humid = 62.0 + swing + rng.normal(0.0, 0.3, len(hours)) + water * (zone == "w1")
        rows.append(
            pd.DataFrame(
                {
                    "time": START + pd.to_timedelta(hours, unit="h"),
                    "unit": "u1",
                    "zone": zone,
                    "temperature_c": 12.0,
                    "humidity_percent": np.clip(humid, 5.0, 99.0),
                    "rain_mm": np.where(rain_day & (hours % 24 == 3), 8.0, 0.0)
                    if zone == "outside"
                    else np.nan,
                }
            )
        )
    pd.concat(rows).to_csv(tmp_path / "readings.csv", index=False)
    events = [("2030-04-10T09:00:00Z", "u1", "w1", "repair", "opened and dried, sensor moved")]
    if hose:
        events.append(("2030-04-23T10:00:00Z", "u1", "w1", "hose", ""))
    pd.DataFrame(events, columns=["time", "unit", "zone", "kind", "value"]).to_csv(
        tmp_path / "events.csv", index=False
    )


def judged(tmp_path):
    options = ("events", "hours", "alarms", "proof")
    words = [f"{tmp_path}/readings.csv"]
    for option in options:
        words += [f"--{option}", f"{tmp_path}/{option}.csv"]
    result = CliRunner().invoke(app, ["judge", *words])
    assert result.exit_code == 0, result.output
    return pd.read_csv(tmp_path / "proof.csv", keep_default_na=False)


def test_a_good_repair_stayed_dry_and_names_what_files_cannot_show(tmp_path):
    files(tmp_path, leaks_on=False)
    proof = judged(tmp_path)
    assert list(proof.columns) == ["unit", "zone", "time", "verdict", "size_ml", "missing"]
    assert set(proof["zone"]) == {"w1"}
    last = proof.iloc[-1]
    assert last["verdict"] == "stayed dry"
    assert float(last["size_ml"]) <= 50.0
    assert last["missing"] == "bench check; source photo"
    assert proof["verdict"].iloc[0] == "not yet shown"
    stayed = pd.Timestamp(proof.loc[proof["verdict"] == "stayed dry", "time"].iloc[0])
    assert stayed >= START + pd.Timedelta(days=REPAIRED + 30)


def test_without_a_hose_test_the_verdict_says_so(tmp_path):
    files(tmp_path, leaks_on=False, hose=False)
    last = judged(tmp_path).iloc[-1]
    assert last["verdict"] == "stayed dry"
    assert last["missing"] == "hose test; bench check; source photo"


@pytest.mark.parametrize("hose", [True, False])
def test_a_repair_that_failed_did_not_stay_dry(tmp_path, hose):
    files(tmp_path, leaks_on=True, hose=hose)
    proof = judged(tmp_path)
    assert proof["verdict"].iloc[-1] == "did not stay dry"
    assert "stayed dry" not in set(proof["verdict"])


def test_without_a_repair_there_is_no_proof(tmp_path):
    files(tmp_path, leaks_on=False)
    (tmp_path / "events.csv").write_text("time,unit,zone,kind,value\n")
    assert len(judged(tmp_path)) == 0


def test_a_wall_closed_wet_that_does_not_dry_is_raised_today(tmp_path):
    files(tmp_path, leaks_on=False)
    readings = pd.read_csv(tmp_path / "readings.csv")
    wet = (readings["zone"] == "w1") & (pd.to_datetime(readings["time"]) >= "2030-04-10T09:00Z")
    like = readings["zone"].isin(["w1", "w2", "w3"])
    readings.loc[like, "humidity_percent"] = 62.0
    readings.loc[wet, "humidity_percent"] = 82.0
    readings.to_csv(tmp_path / "readings.csv", index=False)
    judged(tmp_path)
    alarms = pd.read_csv(tmp_path / "alarms.csv", keep_default_na=False)
    (stalled,) = alarms[alarms["kind"] == "drying stalled"].to_dict("records")
    assert (stalled["zone"], stalled["class"], stalled["cleared"]) == ("w1", "today", "")
    since = pd.Timestamp(stalled["raised"]) - pd.Timestamp("2030-04-10T09:00Z")
    assert pd.Timedelta(days=12) <= since <= pd.Timedelta(days=16)
    assert "w1 has stopped drying" in stalled["text"]
    assert "by the end of the next working day" in stalled["text"]


def test_rain_on_frozen_days_is_no_wetting(tmp_path):
    files(tmp_path, leaks_on=False, hose=False)
    readings = pd.read_csv(tmp_path / "readings.csv")
    readings.loc[readings["zone"] == "outside", "temperature_c"] = -3.0
    readings.to_csv(tmp_path / "readings.csv", index=False)
    last = judged(tmp_path).iloc[-1]
    assert last["verdict"] == "not yet shown"
    assert "natural wettings" in last["missing"]
