"""Readings out of a record and into another: nothing is lost, nothing is added, nothing is made up."""

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from typer.testing import CliRunner

from monitor import exchange, files, judge, offline, watch, written
from monitor.cli import app
from monitor.errors import InputError
from monitor.exchange import as_csv, as_senml
from monitor.lot import Event, Placement, Site, Unit, Zone
from monitor.store import Record, open_record, sealing
from monitor.store import schema as t
from sensors.wire import LIMITS, Reading, decode, topic
from tests.senml import Pack, resolved

DAY_S = 86_400
T0 = 1_763_424_000 // sealing.PERIOD_S * sealing.PERIOD_S  # a period begins
LATER = T0 + 100 * DAY_S
EDGE = sealing.edge_s(LATER, fresh_days=60)
FORMS = (".csv", ".parquet", ".senml.json", ".senml.jsonl")
MAC = "02005e10a4c3"
every_form = pytest.mark.parametrize("form", FORMS)


def lot(home: Path) -> Record:
    """A yard with a name that is not ASCII, a unit with two zones, outside air."""
    record = open_record(home)
    record.add_site(Site("yard", name="Hof Zwölf — 庭", timezone="Europe/Brussels"))
    record.add_unit(Unit("rv1", "yard", name="Büs"))
    for node, probe, unit, zone in (
        (MAC, "p1", "rv1", "off-rear-low"),
        (MAC, "p2", "rv1", "door-rear-low"),
        ("weather", "gauge", "", "outside"),
    ):
        record.add_zone("yard", Zone(unit, zone, "wall" if unit else "outside"))
        placed = {(p.node, p.probe) for p in record.placements()}
        if (node, probe) not in placed:
            placement = Placement(node, probe, "yard", unit, zone, from_s=T0)
            record.place(placement, recorded_s=T0, who="test")
    return record


def held(record: Record) -> dict[str, list[tuple[Any, ...]]]:
    """All that was measured, by codes: straight from the tables, sealed and fresh alike."""
    found: dict[str, list[tuple[Any, ...]]] = {"reading": [], "dispute": [], "latest": []}
    codes = (
        "SELECT probe_id, site.code, node.code, probe.code FROM probe JOIN node USING (node_id)"
        " JOIN site USING (site_id)"
    )
    with record.engine.connect() as connection:
        names = {row[0]: row[1:] for row in connection.execute(text(codes))}
        for probe, name in names.items():
            rows = [
                {"uptime_s": None} | row
                for row in sealing.whole(connection, probe, from_s=0, to_s=2**53)
            ]
            query = t.reading.select().where(t.reading.c.probe_id == probe)
            rows += [dict(row) for row in connection.execute(query).mappings()]
            for row in rows:
                row.pop("probe_id", None)
            found["reading"] += [(*name, *sorted(row.items())) for row in rows]
            for table in ("dispute", "latest"):
                for row in connection.execute(
                    text(f"SELECT * FROM {table} WHERE probe_id = {probe}")
                ).mappings():
                    kept = {
                        key: value
                        for key, value in row.items()
                        if key not in {"probe_id", "dirty_count", "archive_s", "dirty_hour"}
                    }
                    found[table].append((*name, *sorted(kept.items())))
        anchors = "SELECT node.code, boot, uptime_s, at_s FROM anchor JOIN node USING (node_id)"
        found["anchor"] = [tuple(row) for row in connection.execute(text(anchors))]
    return {name: sorted(rows, key=repr) for name, rows in found.items()}


def moved(record: Record, tmp_path: Path, form: str, **asked: Any) -> Record:
    """The same in another record, by way of a file."""
    path = tmp_path / f"out{form}"
    exchange.export_readings(record, path, **({"site": "yard"} | asked))
    other = lot(tmp_path / f"other{form}")
    done = exchange.import_readings(other, path, now_s=LATER)
    assert done.rejected == 0, done.rejects
    return other


def sample(seq: int | None, **values: Any) -> Reading:
    boot = None if seq is None else 1
    whole = {"at_s": T0 + 600 * (seq or 0), "temperature_c": 5.0} | values
    return Reading(**({"site": "yard", "node": MAC, "boot": boot, "seq": seq} | whole))


# --- the round trip -------------------------------------------------------------------------------


def measured(name: str) -> st.SearchStrategy[float | None]:
    low, high = LIMITS[name]
    figures = st.floats(low, high, allow_nan=False)
    return st.one_of(st.none(), figures, st.sampled_from([low, high, 0.0 if low <= 0 else low]))


QUANTITIES = (
    "temperature_c",
    "humidity_percent",
    "wood_percent",
    "rain_mm",
    "pressure_pa",
    "co2_ppm",
    "battery_percent",
    "signal_dbm",
)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Whatever the wire can bring: few identities and times, so that they meet."""
    node, probe = draw(
        st.sampled_from([(MAC, "p1"), (MAC, "p2"), ("weather", "gauge"), ("x-1", "b_2")])
    )
    values = {name: draw(measured(name)) for name in QUANTITIES}
    values["contact"] = draw(st.sampled_from([None, True, False]))
    if all(value is None for value in values.values()):
        values["temperature_c"] = -40.0
    how = draw(st.sampled_from(["told", "told with uptime", "untimed", "uncounted"]))
    step = draw(st.integers(0, 6))
    counted = how != "uncounted"
    return Reading(
        site="yard",
        node=node,
        probe=probe,
        boot=draw(st.sampled_from([0, 1, 2**53 - 1])) if counted else None,
        seq=draw(st.integers(0, 5)) if counted else None,
        at_s=None
        if how == "untimed"
        else T0 + step * 5 * DAY_S + draw(st.sampled_from([0, 1, 599])),
        uptime_s=600 * step if how in {"untimed", "told with uptime"} else None,
        silence_s=draw(st.sampled_from([None, 1, 900, 31 * DAY_S])),
        **values,
    )


@given(
    came=st.lists(st.tuples(readings(), st.integers(0, 3)), min_size=1, max_size=25),
    is_sealed=st.booleans(),
    data=st.data(),
)
@settings(max_examples=30)
def test_a_record_comes_back_from_every_form_bit_by_bit(
    tmp_path_factory: pytest.TempPathFactory, came: Any, is_sealed: bool, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("trip")
    form = data.draw(st.sampled_from(FORMS))
    with lot(folder / "one") as record:
        for reading, after in came:
            record.take([reading], [], received_s=T0 + 40 * DAY_S + 3600 * after)
        while is_sealed and record.seal(before_s=EDGE, now_s=LATER):
            pass
        with moved(record, folder, form) as other:
            assert held(other) == held(record)
            before = held(other)
            again = exchange.import_readings(other, folder / f"out{form}", now_s=LATER + 60)
            assert (again.stored, again.disputed) == (0, 0)
            assert held(other) == before
            # and what it says of itself is the same file once more
            back = folder / f"back{form}"
            exchange.export_readings(other, back, site="yard")
            if form != ".parquet":  # whose bytes are the library's business
                assert back.read_bytes() == (folder / f"out{form}").read_bytes()


@every_form
def test_hours_and_alarms_come_out_the_same(tmp_path: Path, form: str) -> None:
    rng = np.random.default_rng(3)
    with lot(tmp_path / "one") as record:
        came = [
            Reading(
                site="yard",
                node=node,
                probe=probe,
                boot=4,
                seq=n,
                at_s=T0 + 1800 * n + (node == "weather"),
                temperature_c=round(8 + float(rng.normal()), 2),
                humidity_percent=98.0 if probe == "p1" and n > 200 else 60.0,
                contact=probe == "p2" and 300 < n < 310,
                rain_mm=3.0 if node == "weather" and n % 90 == 0 else None,
            )
            for n in range(600)
            for node, probe in ((MAC, "p1"), (MAC, "p2"), ("weather", "gauge"))
        ]
        record.take(came, [], received_s=T0 + 20 * DAY_S)
        record.add_event("yard", Event(T0 + 5 * DAY_S, "hose", unit="rv1"), recorded_s=T0)
        with moved(record, tmp_path, form) as other:
            other.add_event("yard", Event(T0 + 5 * DAY_S, "hose", unit="rv1"), recorded_s=T0)
            for each in (record, other):
                watch.tick(each, now_s=T0 + 600 * 1800)
            for zone in ("off-rear-low", "door-rear-low"):
                one, two = (
                    each.hours("rv1", zone, from_hour=0, to_hour=2**40) for each in (record, other)
                )
                assert len(one) > 250
                assert two == one
            alarms = [
                [
                    (a.zone, a.kind, a.class_, a.raised_s, a.cleared_s, a.cause, a.text)
                    for a in each.alarms()
                ]
                for each in (record, other)
            ]
            assert "water contact" in {alarm[1] for alarm in alarms[0]}
            assert alarms[1] == alarms[0]


@every_form
def test_a_time_worked_out_of_pairs_that_lie_outside_the_span_stays(
    tmp_path: Path, form: str
) -> None:
    with lot(tmp_path / "one") as record:
        record.take(
            [
                sample(1, at_s=None, uptime_s=600),
                sample(2, at_s=T0 + 90_000, uptime_s=90_000),
                sample(3, at_s=T0 + 95_010, uptime_s=95_000),
            ],
            [],
            received_s=T0 + 2 * DAY_S,
        )
        with moved(record, tmp_path, form, span_s=(0, T0 + 3600)) as other:
            assert [
                s.reading.at_s for s in other.samples(site="yard") if s.basis == "worked out"
            ] == [s.reading.at_s for s in record.samples(site="yard") if s.basis == "worked out"]
            assert len(held(other)["anchor"]) == 2


def test_a_unit_gets_what_watched_it_while_it_did(tmp_path: Path) -> None:
    with lot(tmp_path / "one") as record:
        record.add_unit(Unit("rv2", "yard"))
        record.add_zone("yard", Zone("rv2", "bay"))
        record.take([sample(n) for n in range(20)], [], received_s=T0 + DAY_S)
        moved_away = Placement(MAC, "p1", "yard", "rv2", "bay", from_s=T0 + 6000)
        record.place(moved_away, recorded_s=T0 + DAY_S, who="test")
        at = {unit: [s.reading.seq for s in record.samples(unit=unit)] for unit in ("rv1", "rv2")}
        assert at == {"rv1": list(range(10)), "rv2": list(range(10, 20))}
        one = [s.reading.seq for s in record.samples(unit="rv1", from_s=T0 + 600, to_s=T0 + 1800)]
        assert one == [1, 2]
        with pytest.raises(InputError, match="no unit"):
            next(record.samples(unit="rv9"))


# --- what is in the way ---------------------------------------------------------------------------


@every_form
def test_a_file_that_is_there_stays_unless_forced(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"mine{form}"
    path.write_text("mine")
    with lot(tmp_path / "one") as record:
        record.take([sample(1)], [], received_s=T0)
        with pytest.raises(InputError, match="--force"):
            exchange.export_readings(record, path, site="yard")
        assert path.read_text() == "mine"
        assert exchange.export_readings(record, path, site="yard", force=True) == 1
        assert path.read_bytes() != b"mine"
        assert [p.name for p in tmp_path.iterdir() if "part" in p.name] == []


@every_form
def test_a_broken_export_leaves_nothing(tmp_path: Path, form: str) -> None:
    with lot(tmp_path / "one") as record:
        record.take([sample(n) for n in range(10)], [], received_s=T0)

        def broken(done: int, total: int) -> None:
            raise OSError(28, "No space left on device")

        with pytest.raises(InputError, match="No space left"):
            exchange.export_readings(record, tmp_path / f"out{form}", site="yard", tell=broken)
        with pytest.raises(InputError, match="no file written"):
            exchange.export_readings(
                record, tmp_path / f"out{form}", site="yard", span_s=(0, T0 - 1)
            )
        assert sorted(p.name for p in tmp_path.iterdir()) == ["one"]


@pytest.mark.parametrize("form", [".csv", ".senml.json", ".senml.jsonl"])
@given(data=st.data())
@settings(max_examples=10)
def test_a_damaged_line_costs_that_line_alone(
    tmp_path_factory: pytest.TempPathFactory, form: str, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("damage")
    path = folder / f"out{form}"
    with lot(folder / "one") as record:
        record.take([sample(n) for n in range(12)], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
    lines = path.read_bytes().splitlines(keepends=True)
    number = data.draw(st.integers(1, len(lines) - 1))
    rubbish = data.draw(
        st.sampled_from([b'"', b"{", b"\xff\xfe", b"=cmd()", b'","', b"[[", b"nan,nan", b"\0"])
    )
    end = b"\r\n" if form == ".csv" else b"\n"
    lines[number] = rubbish + end
    path.write_bytes(b"".join(lines))
    with lot(folder / "two") as other:
        done = exchange.import_readings(other, path, now_s=LATER)
        assert (done.stored, done.rejected) == (11, 1)
        assert done.rejects[0].startswith(f"line {number + 1}: ")
        kept = other.rejects(10)
        assert [(k.payload, k.reason) for k in kept] == [(rubbish + end, done.rejects[0])]
        exchange.import_readings(other, path, now_s=LATER + 9)
        assert len(other.rejects(10)) == 1


def changed(path: Path, column: str, value: str, *, row: int = 1) -> None:
    """Write a cell anew, with a library that is not ours."""
    with path.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.reader(lines))
    rows[row][rows[0].index(column)] = value
    with path.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows(rows)


@pytest.mark.parametrize(
    ("column", "value", "reason"),
    [
        ("temperature_c", "999", "outside -60 to 120"),
        ("wood_percent", "-1", "outside 0 to 200"),
        ("humidity_percent", "nan", "outside 0 to 105"),
        ("humidity_percent", "wet", "is no number"),
        ("boot", "", "boot without seq"),
        ("seq", "1.5", "is no whole number"),
        ("time", "2025-11-18 00:00", "is no RFC 3339 time"),
        ("time", "2999-01-01T00:00:00Z", "still to come"),
        ("time", "", "time is missing"),
        ("time_basis", "guessed", "is none of"),
        ("received", "", "received is missing"),
        ("node", "Büs", "is no code"),
        ("contact", "maybe", "neither true nor false"),
        ("silence_s", "0", "no whole number of 1"),
    ],
)
def test_what_no_record_could_hold_is_said(
    tmp_path: Path, column: str, value: str, reason: str
) -> None:
    path = tmp_path / "out.csv"
    with lot(tmp_path / "one") as record:
        record.take([sample(1)], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
    changed(path, column, value)
    with lot(tmp_path / "two") as other:
        done = exchange.import_readings(other, path, now_s=LATER)
        assert (done.stored, done.rejected) == (0, 1)
        assert reason in done.rejects[0]


def test_another_value_is_a_dispute_and_unknown_nodes_are_named(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    with lot(tmp_path / "one") as record:
        record.take([sample(1), sample(2, node="stray")], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
        changed(path, "temperature_c", "7.25")
        done = exchange.import_readings(record, path, now_s=LATER)
        assert (done.stored, done.repeated, done.disputed) == (0, 1, 1)
        assert done.unplaced == ["yard/stray/p1"]
        again = exchange.import_readings(record, path, now_s=LATER)
        assert (again.stored, again.disputed) == (0, 0)
        values = [s.reading.temperature_c for s in record.samples(site="yard") if s.disputed]
        assert values == [5.0, 7.25]


@pytest.mark.parametrize("form", [".csv", ".senml.jsonl"])
def test_half_a_dispute_is_not_taken_for_a_reading(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"out{form}"
    with lot(tmp_path / "one") as record:
        record.take([sample(1), sample(1, temperature_c=6.0), sample(2)], [], received_s=T0)
        exchange.export_readings(record, path, site="yard")
    lines = path.read_text().splitlines(keepends=True)
    del lines[1 if form == ".csv" else 0]
    path.write_text("".join(lines))
    with lot(tmp_path / "two") as other:
        done = exchange.import_readings(other, path, now_s=LATER)
        assert (done.stored, done.rejected) == (1, 1)
        assert "its other value is not in the file" in done.rejects[0]


def test_a_table_sorted_anew_holds_the_same(full: Record, tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    exchange.export_readings(full, path, site="yard")
    head, *lines = path.read_text().splitlines(keepends=True)
    with lot(tmp_path / "other") as other:
        path.write_text("".join([head, *sorted(lines, key=lambda line: line[::-1])]))
        done = exchange.import_readings(other, path, now_s=LATER)
        assert (done.stored, done.disputed, done.rejected) == (5, 1, 0)
        assert held(other) == held(full)


# --- what a file is -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.csv", "time,unit,zone,temperature_c\n", "sillkeep judge"),
        ("a.csv", "time,unit,zone,coverage_percent,state\n", "judged hours"),
        ("a.csv", "node,received,probe,boot,seq,time\n", "no column site"),
        ("a.json", '[{"bn":"urn:dev:mac:02005e10a4c3:","n":"temperature","v":1}]', "sillkeep node"),
        ("a.json", '{"temperature": 1}', "no SenML"),
        ("a.json", "[{", "no SenML"),
        ("a.parquet", "PAR1 and no more", "cannot be read as Parquet"),
        ("a.parquet", "", "as its name says"),
    ],
)
def test_a_file_of_something_else_is_told_what_reads_it(
    tmp_path: Path, name: str, content: str, said: str
) -> None:
    path = tmp_path / name
    path.write_text(content)
    with pytest.raises(InputError, match=said):
        exchange.is_readings(path)


def test_a_lot_file_is_none_of_readings(tmp_path: Path) -> None:
    path = tmp_path / "lot.toml"
    for content in ("[[site]]\ncode = 'yard'\n", "# a lot\n", "[site]\n"):
        path.write_text(content)
        assert not exchange.is_readings(path)


@every_form
def test_a_name_says_nothing_to_the_import(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"out{form}"
    with lot(tmp_path / "one") as record:
        record.take([sample(1), sample(2)], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
    path.rename(tmp_path / "nameless")
    with lot(tmp_path / "two") as other:
        assert exchange.import_readings(other, tmp_path / "nameless", now_s=LATER).stored == 2


def test_a_pack_that_another_program_laid_out_anew_is_read(tmp_path: Path) -> None:
    path = tmp_path / "out.senml.json"
    with lot(tmp_path / "one") as record:
        record.take([sample(n, co2_ppm=400.0 + n) for n in range(5)], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
        for layout in ({"indent": 2}, {"separators": (",", ":")}):
            path.write_text(json.dumps(json.loads(path.read_text()), **layout))  # type: ignore[arg-type]
            done = exchange.import_readings(record, path, now_s=LATER)
            assert (done.repeated, done.rejected) == (5, 0)


# --- what others make of it -----------------------------------------------------------------------


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Record]:
    """One of everything."""
    with lot(tmp_path / "full") as record:
        record.take(
            [
                sample(
                    1,
                    humidity_percent=100.0,
                    temperature_c=-40.0,
                    wood_percent=17.25,
                    silence_s=900,
                ),
                sample(
                    2, probe="p2", contact=True, pressure_pa=101_325, co2_ppm=417, signal_dbm=-71
                ),
                sample(3, battery_percent=83, rain_mm=0.2),
                sample(3, battery_percent=84, rain_mm=0.2),
                sample(7, at_s=None, uptime_s=60, probe="p2"),
                sample(None, node="weather", probe="gauge", at_s=T0 + 5, rain_mm=1.2),
            ],
            [],
            received_s=T0 + DAY_S,
        )
        yield record


def test_pandas_reads_both_tables_with_their_types(full: Record, tmp_path: Path) -> None:
    for form in (".csv", ".parquet"):
        exchange.export_readings(full, tmp_path / f"out{form}", site="yard")
    typed = pd.read_parquet(tmp_path / "out.parquet")
    plain = pd.read_csv(
        tmp_path / "out.csv",
        parse_dates=["time", "received"],
        dtype={"boot": "Int64", "seq": "Int64"},
    )
    assert tuple(typed.columns) == tuple(plain.columns) == exchange.COLUMNS
    for frame in (typed, plain):
        assert len(frame) == 6
        for name in ("time", "received"):
            assert isinstance(frame[name].dtype, pd.DatetimeTZDtype)
            assert str(frame[name].dtype.tz) == "UTC"
        assert frame["temperature_c"].dtype == np.float64
        assert frame["temperature_c"].min() == -40.0
        assert frame["disputed"].sum() == 2
        assert frame["time"].isna().sum() == 1
        assert frame["time"].min() == pd.Timestamp(T0 + 5, unit="s", tz="UTC")
    assert plain["disputed"].dtype == np.bool_
    both = [frame.sort_index(axis=1) for frame in (typed, plain)]
    for name in ("temperature_c", "humidity_percent", "wood_percent", "rain_mm", "co2_ppm"):
        pd.testing.assert_series_equal(both[0][name], both[1][name])


def test_lines_are_those_of_rfc_4180(full: Record, tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    exchange.export_readings(full, path, site="yard")
    data = path.read_bytes()
    assert data.endswith(b"\r\n")
    assert data.count(b"\r\n") == data.count(b"\n") == 7
    with path.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.reader(lines, strict=True))
    assert {len(row) for row in rows} == {len(exchange.COLUMNS)}


def test_the_table_is_one_that_history_is_judged_from(full: Record, tmp_path: Path) -> None:
    with lot(tmp_path / "clean") as record:
        came = [sample(n, humidity_percent=60.0, probe=p) for n in range(300) for p in ("p1", "p2")]
        record.take(came, [], received_s=T0 + 3 * DAY_S)
        for form in (".csv", ".parquet"):
            path = tmp_path / f"judged{form}"
            exchange.export_readings(record, path, unit="rv1")
            file = files.read_readings(path, columns={})
            assert not file.rejects
            assert {key: len(series.at_s) for key, series in file.zones.items()} == {
                ("rv1", "off-rear-low"): 300,
                ("rv1", "door-rear-low"): 300,
            }
            known, _ = files.complete_zones(file.zones, None)
            assert list(offline.judge_history(file.zones, known, (), altitude_m=0.0))


@given(said=st.text(max_size=12))
def test_no_cell_is_a_formula_and_each_comes_back(said: str) -> None:
    line = written.line([said, "x", said])
    if "\n" not in said and "\r" not in said:
        assert written.cells(line) == [said, "x", said]
    first = next(csv.reader([line], strict=True), [""])[0] if line.strip() else ""
    assert first[:1] not in {"=", "+", "@", "\t", "\r"}


# --- SenML ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", [".senml.json", ".senml.jsonl"])
def test_packs_hold_to_rfc_8428(full: Record, tmp_path: Path, form: str) -> None:
    path = tmp_path / f"out{form}"
    exchange.export_readings(full, path, site="yard")
    packs: list[Pack] = (
        [json.loads(path.read_text())]
        if form == ".senml.json"
        else [json.loads(line) for line in path.read_text().splitlines()]
    )
    found = [record for pack in packs for record in resolved(pack)]
    mac = f"urn:dev:mac:{MAC}:"
    assert (f"{mac}temperature", T0 + 600, -40.0, "Cel") in found
    assert (f"{mac}p2/pressure", T0 + 1200, 101_325, "Pa") in found
    assert (f"{mac}p2/contact", T0 + 1200, True, "") in found
    assert (f"{mac}wood", T0 + 600, 17.25, "/100") in found
    assert ("yard:weather:gauge/rain", T0 + 5, 1.2, "mm") in found
    assert {time_s for _, time_s, _, _ in found if time_s < 2**28} == {0}  # the one that is pending


@given(reading=readings().filter(lambda reading: reading.at_s is not None))
def test_the_wire_reads_a_sample_of_a_file_as_the_node_sent_it(reading: Reading) -> None:
    from monitor.store import Sample

    pack = json.dumps(as_senml.records_of(Sample(reading, LATER))).encode()
    found, _ = decode(topic(reading.site, reading.node), pack, received_s=LATER)
    assert found == [reading]


# --- hours ----------------------------------------------------------------------------------------


def test_hours_go_out_with_the_rules_that_judged_them(tmp_path: Path) -> None:
    with lot(tmp_path / "one") as record:
        record.take([sample(n, humidity_percent=60.0) for n in range(400)], [], received_s=T0)
        watch.tick(record, now_s=T0 + 400 * 600)
        for form in (".csv", ".parquet"):
            path = tmp_path / f"hours{form}"
            count = exchange.export_hours(record, path, site="yard")
            frame = (
                pd.read_csv(path, parse_dates=["time"]) if form == ".csv" else pd.read_parquet(path)
            )
            assert len(frame) == count
            assert tuple(frame.columns)[: len(files.HOURS_COLUMNS)] == files.HOURS_COLUMNS
            assert {str(rules) for rules in frame["rules"]} == {judge.VERSION}
            assert str(frame["time"].dtype.tz) == "UTC"
            mine = frame[(frame["unit"] == "rv1") & (frame["zone"] == "off-rear-low")]
            kept = record.hours("rv1", "off-rear-low", from_hour=0, to_hour=2**40)
            assert mine["temperature_c"].tolist() == [row["temperature_c"] for row in kept]
            assert mine["state"].tolist() == [row["state"] for row in kept]
        with pytest.raises(InputError, match="judged hours"):
            exchange.is_readings(tmp_path / "hours.csv")
        with pytest.raises(InputError, match="--force"):
            exchange.export_hours(record, tmp_path / "hours.csv", unit="rv1")


# --- commands -------------------------------------------------------------------------------------


def test_the_commands(full: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path / "full"))
    run = CliRunner().invoke
    out = tmp_path / "all.senml.jsonl"
    done = run(app, ["export", "readings", "--site", "yard", "--out", str(out), "--json"])
    assert json.loads(done.stdout) == {"samples": 6, "bytes": out.stat().st_size}
    asked = ["export", "readings", "--unit", "rv1", "--from", "2025-01-01T00:00Z"]
    assert run(app, [*asked, "--out", str(tmp_path / "rv.csv")]).exit_code == 0
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path / "empty"))
    done = run(app, ["import", str(out), "--json"])
    counts = json.loads(done.stdout)
    assert counts["stored"] == 5
    assert counts["disputed"] == 1
    assert f"yard/{MAC}/p2" in counts["unplaced"]
    done = run(app, ["import", str(out)])
    assert "0 new, " in done.stdout
    assert "judged for nobody" in done.stderr
    both = run(app, ["export", "readings", "--out", str(out)])
    assert isinstance(both.exception, InputError)


def test_lines_have_bounds(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with lot(tmp_path / "one") as record:
        record.take([sample(1), sample(2)], [], received_s=T0 + DAY_S)
        exchange.export_readings(record, path, site="yard")
    lines = path.read_bytes().splitlines(keepends=True)
    lines[1] = b"x" * (3 * as_csv.LONGEST_LINE) + b"\r\n"
    path.write_bytes(b"".join(lines))
    with lot(tmp_path / "two") as other:
        done = exchange.import_readings(other, path, now_s=LATER)
        assert (done.stored, done.rejected) == (1, 1)
        assert len(other.rejects(1)[0].payload) <= as_csv.LONGEST_LINE


# --- the checker itself, on the RFC's own examples ------------------------------------------------

# RFC 8428, 5.1.1 to 5.1.3 and 5.1.6: the packs of the RFC, which it calls valid
SINGLE = [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}]
SEVERAL = [
    {"bn": "urn:dev:ow:10e2073a01080063:", "n": "voltage", "u": "V", "v": 120.1},
    {"n": "current", "u": "A", "v": 1.2},
]
HISTORY = [
    {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5,
     "n": "voltage", "u": "V", "v": 120.1},
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
]  # fmt: skip
KINDS = [
    {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
    {"n": "label", "vs": "Machine Room"},
    {"n": "open", "vb": False},
    {"n": "nfc-reader", "vd": "aGkgCg"},
]


def test_the_checker_resolves_the_packs_of_the_rfc() -> None:
    assert resolved(SINGLE) == [("urn:dev:ow:10e2073a01080063", 0, 23.1, "Cel")]
    assert resolved(SEVERAL)[1] == ("urn:dev:ow:10e2073a01080063:current", 0, 1.2, "A")
    times = [time_s for _, time_s, _, _ in resolved(HISTORY)]
    assert times == [1.276020076001e09, 1.276020071001e09, 1.276020072001e09]  # 5.1.4, resolved
    assert [value for _, _, value, _ in resolved(KINDS)] == [23.1, "Machine Room", False, "aGkgCg"]


@pytest.mark.parametrize("pack", [SINGLE, SEVERAL, HISTORY, KINDS])
def test_the_packs_of_the_rfc_are_told_what_reads_them(tmp_path: Path, pack: Pack) -> None:
    path = tmp_path / "pack.json"
    path.write_text(json.dumps(pack))
    with pytest.raises(InputError, match="without node and time of receipt"):
        exchange.is_readings(path)


@pytest.mark.parametrize(
    "pack",
    [
        [{"n": "-x", "v": 1}],
        [{"n": "x", "v": 1, "vs": "y"}],
        [{"n": "x"}],
        [{"n": "x", "v": 1, "u": "percent"}],
        [{"n": "x", "v": 1, "u": "mm"}],
        [{"n": "x", "v": 1, "u": "%"}],
        [{"n": "x", "v": 1, "q_": 1}],
        [{"n": "x", "v": 1, "t": 600}],
        [{"n": "x", "v": 1, "bver": 10}, {"n": "y", "v": 1, "bver": 26}],
    ],
)
def test_the_checker_is_sharp(pack: Pack) -> None:
    with pytest.raises(AssertionError):
        resolved(pack)
