"""Readings and hours as Parquet by site and month: the same rows as the record, for whoever reads them."""

import json
import math
from collections import Counter
from collections.abc import Iterator
from operator import itemgetter
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import polars as pl
import pyarrow.dataset as ds
import pytest
from typer.testing import CliRunner

from monitor import exchange, watch
from monitor.cli import app
from monitor.config import claim
from monitor.errors import InputError
from monitor.exchange import partitions
from monitor.exchange.rows import COLUMNS, values_of
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record, sealing
from sensors.wire import Reading

DAY_S = 86_400
T0 = 1_763_424_000 // sealing.PERIOD_S * sealing.PERIOD_S
MONTHS = ["2025-11", "2025-12", "2026-01"]
LATER = T0 + 70 * DAY_S


def sample(seq: int, **values: Any) -> Reading:
    known = {"site": "yard", "node": "n1", "probe": "p1", "boot": 1, "seq": seq}
    known |= {"at_s": T0 + 6 * 3600 * seq, "temperature_c": 5.0 + seq % 7, "humidity_percent": 70.0}
    return Reading(**(known | values))


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """Two sites over three months: sealed and fresh, disputed, of a pending time, of a worked out one."""
    with open_record(tmp_path / "home") as opened:
        for site in ("yard", "hill"):
            opened.add_site(Site(site))
            opened.add_unit(Unit(f"{site}-1", site))
            opened.add_zone(site, Zone(f"{site}-1", "off-rear-low"))
            placement = Placement("n1", "p1", site, f"{site}-1", "off-rear-low", T0 - DAY_S)
            opened.place(placement, recorded_s=T0, who="test")
        for site, count in (("yard", 4 * 60), ("hill", 4 * 20)):
            opened.take([sample(n, site=site) for n in range(count)], [], received_s=LATER)
        opened.take([sample(9, temperature_c=40.0)], [], received_s=LATER)  # disputes
        opened.take([sample(200, humidity_percent=20.0)], [], received_s=LATER)
        odd = [
            sample(1, boot=2, at_s=None, uptime_s=600),
            sample(2, boot=3, at_s=None, uptime_s=1200),
            sample(3, boot=3, at_s=T0 + 10 * DAY_S, uptime_s=1800),
        ]
        clock = Reading(
            site="yard",
            node="n1",
            probe="",
            boot=3,
            at_s=T0 + 52 * DAY_S,
            uptime_s=1800 + 42 * DAY_S,
        )
        opened.take(odd, [], received_s=LATER, clocks=[clock])
        opened.take(
            [sample(1, boot=2, at_s=None, uptime_s=600, temperature_c=1.0)], [], received_s=LATER
        )
        while opened.seal(before_s=T0 + 30 * DAY_S, now_s=LATER):
            pass
        watch.tick(opened, now_s=T0 + 61 * DAY_S)
        yield opened


def export(
    record: Record,
    folder: Path,
    *,
    sites: list[str] | None = None,
    months: tuple[str, str] = ("", ""),
) -> partitions.Exported:
    return partitions.export(record, folder, sites=sites or [], months=months, tell=lambda _: None)


def rows_of(folder: Path, kind: str) -> Counter[tuple[Any, ...]]:
    """All rows with the site of their folder, in the columns of the single file."""
    found: Counter[tuple[Any, ...]] = Counter()
    for path in folder.glob(f"{kind}/site=*/month=*/{kind}.parquet"):
        frame = ds.dataset(path).to_table().to_pandas(types_mapper=pd.ArrowDtype)
        frame["site"] = path.parts[-3].removeprefix("site=")
        for row in frame[list(COLUMNS)].astype(object).itertuples(index=False):
            found[tuple(seconds(value) for value in row)] += 1
    return found


def seconds(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return int(value.timestamp())
    return None if value is pd.NA or (isinstance(value, float) and math.isnan(value)) else value


def test_each_sample_is_in_one_partition_with_all_that_is_known_of_it(
    record: Record, tmp_path: Path
) -> None:
    done = export(record, tmp_path)
    expected = Counter(
        values_of(one) for site in ("yard", "hill") for one in record.samples(site=site)
    )
    assert set(map(itemgetter(6), expected)) == {"told", "worked out", "pending", "clock"}
    assert sum(row[10] for row in expected.elements()) == 6  # disputed, each with both values
    assert rows_of(tmp_path, "readings") == expected
    assert done.readings == sum(expected.values())
    folders = sorted(
        path.parent.name for path in (tmp_path / "readings/site=yard").rglob("*.parquet")
    )
    assert folders == [*(f"month={month}" for month in MONTHS), "month=unknown"]
    assert not (tmp_path / ".part").exists()


def test_hours_are_those_of_the_single_file(record: Record, tmp_path: Path) -> None:
    done = export(record, tmp_path)
    exchange.export_hours(record, tmp_path / "one.parquet", site="yard")
    whole = pd.read_parquet(tmp_path / "one.parquet")
    files = sorted((tmp_path / "hours/site=yard").rglob("*.parquet"))
    parts = pd.concat([pd.read_parquet(path) for path in files]).reset_index(drop=True)
    pd.testing.assert_frame_equal(parts, whole)
    assert done.hours == len(whole) + 24 * 61


def test_polars_duckdb_and_pandas_read_what_the_record_holds(
    record: Record, tmp_path: Path
) -> None:
    export(record, tmp_path)
    held = list(record.samples(site="yard"))
    count, total = len(held), sum(one.reading.temperature_c or 0.0 for one in held)
    blocks = list(record.hour_blocks(site="yard", from_hour=0, to_hour=2**40))
    wood = sum(v for block in blocks for v in block["wood_moisture_percent"] if v is not None)
    files = f"{tmp_path}/readings/**/*.parquet"
    hours = f"{tmp_path}/hours/**/*.parquet"

    frame = (
        pl.scan_parquet(files, hive_partitioning=True).filter(pl.col("site") == "yard").collect()
    )
    assert (len(frame), frame["temperature_c"].sum()) == (count, pytest.approx(total))
    assert sorted(frame["month"].unique()) == [*MONTHS, "unknown"]
    judged = (
        pl.scan_parquet(hours, hive_partitioning=True).filter(pl.col("site") == "yard").collect()
    )
    assert judged["wood_moisture_percent"].sum() == pytest.approx(wood)

    asked = "SELECT count(*), sum(temperature_c), min(month) FROM read_parquet(?, hive_partitioning = 1) WHERE site = 'yard'"
    with duckdb.connect() as connection:
        assert connection.execute(asked, [files]).fetchone() == (
            count,
            pytest.approx(total),
            MONTHS[0],
        )
        asked = asked.replace("temperature_c", "wood_moisture_percent")
        assert connection.execute(asked, [hours]).fetchone()[1] == pytest.approx(wood)

    table = pd.read_parquet(tmp_path / "readings", filters=[("site", "==", "yard")])
    assert (len(table), table["temperature_c"].sum()) == (count, pytest.approx(total))
    assert set(table["month"]) == {*MONTHS, "unknown"}
    table = pd.read_parquet(tmp_path / "hours", filters=[("site", "==", "yard")])
    assert table["wood_moisture_percent"].sum() == pytest.approx(wood)


def test_a_second_export_puts_in_place_what_changed(record: Record, tmp_path: Path) -> None:
    first = export(record, tmp_path)
    assert (first.partitions, first.changed, first.removed) == (11, 11, 0)
    assert export(record, tmp_path).changed == 0
    record.take([sample(999, at_s=T0 + 40 * DAY_S + 5)], [], received_s=LATER)
    assert export(record, tmp_path).changed == 1  # the hours are not judged again yet
    lost = tmp_path / "readings/site=hill/month=2020-01/readings.parquet"
    lost.parent.mkdir()
    lost.write_bytes(b"of a time that was corrected since")
    assert export(record, tmp_path, months=("2025-12", "2025-12")).removed == 0
    assert export(record, tmp_path).removed == 1
    assert not lost.parent.exists()


def test_a_time_that_becomes_known_meanwhile_puts_no_sample_into_two(
    record: Record, tmp_path: Path
) -> None:
    expected = Counter(values_of(one) for one in record.samples(site="yard"))
    clock = Reading(site="yard", node="n1", probe="", boot=2, at_s=T0 + DAY_S, uptime_s=700)
    told: list[str] = []

    def tell(said: str) -> None:
        if not told:  # as the intake, a process of its own
            with open_record(tmp_path / "home") as other:
                other.take([], [], received_s=LATER, clocks=[clock])
        told.append(said)

    partitions.export(record, tmp_path, sites=["yard"], months=("", ""), tell=tell)
    assert told[0] == "readings of yard unknown: 2"
    assert rows_of(tmp_path, "readings") == expected
    export(record, tmp_path, sites=["yard"])
    assert not (tmp_path / "readings/site=yard/month=unknown").exists()


def test_sites_and_months_can_be_chosen(record: Record, tmp_path: Path) -> None:
    export(record, tmp_path, sites=["yard"], months=("2025-12", "2025-12"))
    found = {str(path.parent.relative_to(tmp_path)) for path in tmp_path.rglob("*.parquet")}
    assert found == {
        "readings/site=yard/month=2025-12",
        "readings/site=yard/month=unknown",
        "hours/site=yard/month=2025-12",
    }
    for asked, why in (
        ({"sites": ["moon"]}, "there is no site"),
        ({"months": ("2025", "")}, "is no month"),
        ({"months": ("2026-01", "2025-12")}, "--from is after --to"),
    ):
        with pytest.raises(InputError, match=why):
            export(record, tmp_path, **asked)


def test_the_command_says_what_it_did_and_runs_alone(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path / "home"))
    out = tmp_path / "out"
    result = CliRunner().invoke(app, ["export", "parquet", str(out), "--json"])
    assert result.exit_code == 0, result.output
    assert json.loads(result.output.splitlines()[-1])["partitions"] == 11
    with claim(out, "export"):  # type: ignore[union-attr]
        assert CliRunner().invoke(app, ["export", "parquet", str(out)]).exit_code == 75
