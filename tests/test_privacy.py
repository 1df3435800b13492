"""Who is at home can be read from the air by the hour: strangers are shown one mean a day, whatever they ask for."""

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text as sql

from dashboards import privacy
from dashboards.app import page
from dashboards.words import wish
from monitor.lot import Event
from monitor.store import users
from monitor.store.record import Record, open_record
from monitor.store.users import Doer, Reach
from tests.filled import NOW_S, filled_record
from tests.signed import WHOLE, session, sight
from tests.test_access import BY, Yard, make_yard

DAY_S, HOUR_S = 86_400, 3600
MOVED_IN_S = NOW_S - 12 * DAY_S
STRANGERS = ("lot lead", "technician", "sales", "auditor")
PAGES = (
    "/", "/unit/van-wet", "/unit/van-wet/zone/air-main", "/unit/van-wet/zone/air-main?days=3",
    "/unit/van-wet/zone/off-rear-low", "/unit/van-wet/zone/off-rear-low?days=1",
    "/unit/van-wet/living", "/alarms", "/morning", "/nodes",
)  # fmt: skip
MEASURED = (
    "temperature_c", "humidity_percent", "dew_point_c", "mould_index", "surface_humidity_percent",
)  # fmt: skip  # wood moisture is that of a day's running mean


def lived_in(home: Path, *, backwards: bool) -> Record:
    """The filled yard with people in `van-wet`; backwards: each day's hours and samples in reverse.

    Both have the same means of all days; at any hour people could have come or gone.
    """
    record = filled_record(home)
    record.add_event("yard", Event(MOVED_IN_S, "occupied", "2 people", "van-wet"), recorded_s=NOW_S)
    rng = np.random.default_rng(1)
    with record.engine.begin() as db:
        zones = db.execute(
            sql("SELECT zone_id FROM zone JOIN unit USING (unit_id) WHERE unit.code = 'van-wet'")
        ).scalars()
        for zone in list(zones):
            rows = db.execute(
                sql("SELECT hour FROM hour WHERE zone_id = :z ORDER BY hour"), {"z": zone}
            ).scalars()
            hours = np.array(list(rows))
            for day in np.unique(hours // 24):
                of_day = hours[hours // 24 == day]
                noise = np.round(rng.normal(0, 8, len(of_day))) / 4  # sums of them are exact
                noise *= day >= MOVED_IN_S // DAY_S
                for hour, more in zip(of_day, noise[::-1] if backwards else noise, strict=True):
                    sets = ", ".join(f"{name} = {40 + k} + :m" for k, name in enumerate(MEASURED))
                    db.execute(
                        sql(f"UPDATE hour SET {sets} WHERE zone_id = :z AND hour = :h"),
                        {"z": zone, "h": int(hour), "m": float(more)},
                    )
        if backwards:
            db.execute(sql("UPDATE reading SET temperature_c100 = temperature_c100 + 300"))
            db.execute(sql("UPDATE latest SET temperature_c100 = temperature_c100 + 300"))
    return record


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Record]]:
    records = []
    for backwards in (False, True):
        home = tmp_path_factory.mktemp("lived")
        lived_in(home, backwards=backwards).close()
        records.append(open_record(home, read_only=True))
    yield records
    for record in records:
        record.close()


def all_of(record: Record, address: str, role: str, reach: Reach = WHOLE) -> str:
    """Everything that a page sends: words, figures and charts."""
    path, _, search = address.partition("?")
    drawn = page(
        record, wish(path, search, now_s=NOW_S), token="t", sight=sight(record, role, reach)
    )
    return json.dumps([part.to_plotly_json() for part in drawn], default=str)


@pytest.mark.parametrize("role", [*STRANGERS, "owner of another unit"])
def test_no_page_tells_a_stranger_at_which_hour_of_a_day_anything_was(both, role):
    reach = WHOLE
    for address in PAGES:
        if role == "owner of another unit":
            role, reach = "owner", Reach(units=frozenset({"van-dry"}))
        shown = [all_of(record, address, role, reach) for record in both]
        assert shown[0] == shown[1], address


def test_the_owner_of_the_place_sees_each_hour_unless_the_unit_is_anothers(both, tmp_path):
    shown = [all_of(record, "/unit/van-wet/zone/air-main", "owner") for record in both]
    assert shown[0] != shown[1]
    assert "Not open to you" not in all_of(both[0], "/unit/van-wet/living", "owner")
    for backwards in (False, True):
        with lived_in(tmp_path / str(backwards), backwards=backwards) as record:
            users.add(record.engine, "Bea", role="owner", reach=Reach(units=frozenset({"van-wet"})),
                      password=None, by=BY)  # fmt: skip
    with open_record(tmp_path / "False") as one, open_record(tmp_path / "True") as other:
        for address in PAGES:
            assert all_of(one, address, "owner") == all_of(other, address, "owner"), address
        hers = Reach(units=frozenset({"van-wet"}))
        address = "/unit/van-wet/zone/air-main"
        assert all_of(one, address, "owner", hers) != all_of(other, address, "owner", hers)
        assert "Not open to you" in all_of(one, "/unit/van-wet/living", "owner")
        told = all_of(one, "/unit/van-wet/living", "owner", hers)
        assert "Bea, owner: each hour" in told


def test_a_stranger_is_told_that_it_is_by_the_day_and_never_when_people_came(both):
    for address in ("/unit/van-wet", "/unit/van-wet/zone/air-main"):
        shown = all_of(both[0], address, "lot lead")
        assert "one mean a day" in shown
        assert "2 people" not in shown
    assert "one mean a day" not in all_of(both[0], "/unit/van-dry", "lot lead")


# --- files ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def yards(tmp_path_factory: pytest.TempPathFactory) -> list[Yard]:
    made = []
    for backwards in (False, True):
        home = tmp_path_factory.mktemp("lived-yard")
        lived_in(home, backwards=backwards).close()
        session(home, now_s=NOW_S, name="Somebody")
        made.append(make_yard(home))
    return made


@pytest.mark.parametrize("who", [*STRANGERS, "verifier"])
def test_files_of_hours_are_of_days_and_files_of_readings_are_refused(yards, who):
    base = "/export/unit/van-wet/zone/air-main"
    for span in ("", "?from=0", f"?from={NOW_S // HOUR_S - 5}", f"?from={NOW_S // HOUR_S - 30}"):
        clients = [yard.somebody(who) for yard in yards]
        files = [client.get(f"{base}/hours.csv{span}") for client in clients]
        assert files[0].status_code == 200
        assert files[0].text == files[1].text, span
        assert clients[0].get(f"{base}/readings.csv{span}").status_code == 403
    past = MOVED_IN_S // HOUR_S - 48
    before = yards[0].somebody(who).get(f"{base}/readings.csv?from={past}&to={past + 12}")
    assert before.status_code == 200


def test_the_owner_takes_all_of_it(yards):
    client = yards[0].somebody("owner")
    hours = client.get("/export/unit/van-wet/zone/air-main/hours.csv").text
    assert len(hours.splitlines()) > 300
    assert client.get("/export/unit/van-wet/zone/air-main/readings.csv").status_code == 200


# --- the means ------------------------------------------------------------------------------------


@given(
    st.integers(0, 60), st.integers(1, 150), st.randoms(use_true_random=False), st.integers(0, 5)
)
def test_hours_of_a_day_in_any_order_give_the_same_means(from_hour, count, rng, gaps):
    hours = from_hour + np.arange(count)
    values = np.round(np.linspace(1.0, 9.0, count), 2)
    values[:gaps] = np.nan
    mixed = values.copy()
    for day in np.unique(hours // 24):
        of_day = list(np.flatnonzero(hours // 24 == day))
        order = of_day.copy()
        rng.shuffle(order)
        mixed[of_day] = values[order]
    private = privacy.lived_in([(0, None)], from_hour=from_hour, count=count)
    assert private.all()
    found = [privacy.by_day(line, private, from_hour=from_hour) for line in (values, mixed)]
    assert np.allclose(*found, equal_nan=True)


def test_a_part_of_a_day_has_no_mean_and_days_without_people_keep_their_hours():
    values = np.arange(72, dtype=float)
    spells = [(24 * HOUR_S + 5, 24 * HOUR_S + 9)]
    private = privacy.lived_in(spells, from_hour=0, count=72)
    shown = privacy.by_day(values, private, from_hour=0)
    assert (shown[:24] == values[:24]).all()
    assert (shown[24:48] == values[24:48].mean()).all()
    assert (shown[48:] == values[48:]).all()
    cut = privacy.by_day(values[30:], private[30:], from_hour=30)
    assert np.isnan(cut[:18]).all()


# --- notes ----------------------------------------------------------------------------------------


def test_an_owner_notes_who_is_in_it_and_others_cannot(tmp_path):
    filled_record(tmp_path, days=2).close()
    session(tmp_path, now_s=NOW_S, name="Somebody")
    yard = make_yard(tmp_path)
    from tests.test_access import post

    owner = yard.somebody("owner")
    answer = post(owner, "/unit/van-dry/note", kind="occupied", people="3")
    assert answer.location.startswith("/unit/van-dry/living?note=Noted")
    for sent in ({"kind": "rain"}, {"kind": "occupied", "people": "99"}, {"kind": "occupied"}):
        assert "Not+changed" in post(owner, "/unit/van-dry/note", **sent).location
    assert "Not+changed" in post(owner, "/unit/no-such/note", kind="vacated").location
    assert post(yard.somebody("lot lead"), "/unit/van-dry/note", kind="vacated").status_code == 403
    with open_record(tmp_path) as record:
        (event,) = record.events("yard", unit="van-dry")
        assert (event.kind, event.value, event.at_s) == ("occupied", "3 people", NOW_S)
        users.add(record.engine, "Bea", role="owner", reach=Reach(units=frozenset({"van-dry"})),
                  password=None, by=Doer("test", NOW_S))  # fmt: skip
    assert "Not+changed" in post(owner, "/unit/van-dry/note", kind="vacated").location
