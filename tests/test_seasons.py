"""Lay-up and opening lists: what they ask for by climate and time of year, and that nothing is dropped."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import seasons, text
from monitor.errors import InputError
from monitor.lot import SeasonList, SeasonStep, Site, Unit
from monitor.seasons import ITEMS, climates, dryness, is_due, items, latitude_deg, settling
from monitor.store import open_record
from tests.filled import NOW_S, filled_record
from tests.signed import session, sight
from tests.test_access import make_yard, post
from tests.test_pages import seen

YEAR = 365 * 24


def weather(*, mean_c: float, swing_c: float, depression_k: float = 3.0):
    hours = np.arange(YEAR)
    celsius = (
        mean_c + swing_c * np.sin(2 * np.pi * hours / YEAR) + 4 * np.sin(hours / 24 * 2 * np.pi)
    )
    return celsius, celsius - depression_k


# --- what is asked --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mean_c", "swing_c", "found"),
    [
        (8.0, 11.0, {"frost"}),
        (13.0, 6.0, {"no frost"}),
        (24.0, 6.0, {"no frost", "humid"}),
        (12.0, 16.0, {"frost", "humid"}),
    ],
)
def test_the_climate_is_that_of_a_year_of_outside_air(mean_c, swing_c, found):
    assert climates(*weather(mean_c=mean_c, swing_c=swing_c)) == found


def test_a_site_that_is_hardly_known_is_asked_everything():
    celsius, dew = weather(mean_c=24.0, swing_c=2.0)
    celsius[: YEAR - 120 * 24] = np.nan
    assert climates(celsius, dew) == {"frost", "no frost", "humid"}
    assert climates(np.zeros(0), np.zeros(0)) == {"frost", "no frost", "humid"}


def test_frost_that_was_seen_is_known_at_once_and_what_was_not_seen_may_come():
    celsius, dew = weather(mean_c=4.0, swing_c=2.0)
    celsius[: YEAR - 30 * 24], celsius[-10] = np.nan, -3.0
    assert climates(celsius, dew) == {"frost", "humid"}


def test_frost_drains_the_water_and_damp_heat_asks_for_a_dehumidifier():
    cold, _ = items("lay-up", frozenset({"frost"}), slides=0)
    warm, _ = items("lay-up", frozenset({"no frost", "humid"}), slides=2)
    assert "water out" in cold
    assert "tanks empty" not in cold
    assert "slides in dry" not in cold
    assert {"tanks empty", "slides in dry", "drying in damp heat"} <= set(warm)
    assert "water out" not in warm
    assert "slides in dry" in items("lay-up", frozenset({"frost"}), slides=None)[0]
    assert "hose test" in items("opening", frozenset({"frost"}), slides=0)[0]


def test_every_item_has_its_words_and_none_says_what_we_never_say():
    for kind in seasons.LIST_KINDS:
        for item in ITEMS[kind]:
            said = text.LIST_ITEMS[item.key]
            assert said.endswith(".")
            for word in ("safe", "toxic", "mould-free"):
                assert word not in said.split()


def test_alarms_stay_in_place_and_gas_is_for_licensed_people():
    said = text.LIST_ITEMS["gas and alarms"]
    assert "leave them in place" in said
    assert "licensed people" in said
    assert "never from a wet or soft roof" in text.LIST_ITEMS["look at seals"]


# --- when -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("month", "latitude", "kind", "due"),
    [(10, 48.0, "lay-up", True), (10, -37.0, "lay-up", False), (10, -37.0, "opening", True),
     (4, -37.0, "lay-up", True), (4, 48.0, "opening", True), (7, 48.0, "opening", False),
     (10, None, "lay-up", True), (5, -37.0, "lay-up", True)],
)  # fmt: skip
def test_autumn_is_half_a_year_later_in_the_south(month, latitude, kind, due):
    assert is_due(kind, date(2026, month, 15), latitude_deg=latitude) == due


@pytest.mark.parametrize(
    ("timezone", "degrees"),
    [("Europe/Brussels", 50.83), ("Australia/Melbourne", -37.82), ("America/Denver", 39.74),
     ("America/Argentina/Buenos_Aires", -34.6), ("UTC", None), ("no/where", None)],
)  # fmt: skip
def test_the_latitude_is_that_of_the_tz_database(timezone, degrees):
    """zone.tab of the tz database: ISO 6709 coordinates of each zone's main place."""
    found = latitude_deg(timezone)
    assert found == (None if degrees is None else pytest.approx(degrees, abs=0.01))


# --- nothing is dropped ---------------------------------------------------------------------------


def a_list(number=1, **given_) -> SeasonList:
    known = {
        "kind": "lay-up",
        "begun_s": number,
        "who": "Ann",
        "items": ("a", "b", "c"),
        "carried": (),
    }
    return SeasonList(number, **(known | given_))


def test_what_is_neither_done_nor_left_out_goes_on_into_the_next_list():
    steps = (SeasonStep("a", "done", 1, "Ann"), SeasonStep("b", "left out", 2, "Ann", "no"),
             SeasonStep("a", "open again", 3, "Ann"))  # fmt: skip
    before = a_list(steps=steps, items=("a", "b", "c", "air it"))
    assert before.left == ("a", "c", "air it")
    found, carried = items("opening", frozenset({"frost"}), slides=0, before=[before])
    assert carried == ("a", "c")
    assert found[:2] == ("a", "c")
    assert found.count("air it") == 1


@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from(["done", "left out", "open again"])),
        max_size=12,
    )
)
def test_the_newest_word_of_an_item_counts(notes):
    one = a_list(steps=tuple(SeasonStep(k, w, n, "x", "y") for n, (k, w) in enumerate(notes)))
    for item in one.items:
        words = [word for key, word in notes if key == item]
        assert (item in one.left) == (not words or words[-1] == "open again")


def test_lists_through_the_record(tmp_path: Path):
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        record.add_unit(Unit("u1", "yard"))
        record.add_unit(Unit("u2", "yard"))
        first = record.begin_list("u1", "lay-up", (("x", "y"), ()), who="Ann", now_s=5)
        record.note_item("u1", first, SeasonStep("x", "done", 6, "Ann"))
        with pytest.raises(InputError, match="say why"):
            record.note_item("u1", first, SeasonStep("y", "left out", 6, "Ann"))
        with pytest.raises(InputError, match="no such item"):
            record.note_item("u1", first, SeasonStep("z", "done", 6, "Ann"))
        with pytest.raises(InputError, match="not open any more"):
            record.note_item("u2", first, SeasonStep("x", "done", 6, "Ann"))
        second = record.begin_list("u1", "opening", (("y", "z"), ("y",)), who="Ben", now_s=9)
        newest, oldest = record.season_lists("u1")
        assert (newest.number, newest.carried, newest.ended_s) == (second, ("y",), None)
        assert (oldest.left, oldest.ended_s) == (("y",), 9)
        with pytest.raises(InputError, match="not open any more"):
            record.note_item("u1", first, SeasonStep("y", "done", 10, "Ann"))
        record.end_list("u1", second, now_s=11)
        assert [one.ended_s for one in record.season_lists("u1")] == [11, 9]
        assert record.season_lists("u2") == []


# --- dry before it is closed ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zones", "percent", "ready", "said"),
    [
        ([("off-rear-low", "wall", "dry")], 48.0, True, "Dry enough to close"),
        ([("off-rear-low", "wall", "damp")], 48.0, False, "off-rear-low is damp"),
        ([("off-rear-low", "wall", "dry")], 66.0, False, "the cabin's air is above 60 %"),
        ([("off-rear-low", "wall", "unknown")], 48.0, None, "nothing is known of off-rear-low"),
        ([("off-rear-low", "wall", "dry")], float("nan"), None, "not measured"),
        ([("air-main", "cabin", "dry")], 48.0, None, "not measured"),
        (
            [("off-rear-low", "wall", "dry"), ("air-main", "cabin", "wet")],
            48.0,
            False,
            "air-main is wet",
        ),
        ([], 48.0, None, "not measured"),
        ([("off-rear-low", "wall", "wet"), ("roof-a", "roof", "unknown")], 40.0, False, "is wet"),
    ],
)
def test_dry_enough_is_said_only_where_all_of_it_is_known(zones, percent, ready, said):
    found = dryness(zones, cabin_percent=percent)
    assert found.ready is ready
    line = text.dryness_text(
        found.ready, cabin_percent=percent, against=found.against, unknown=found.unknown
    )
    assert said in line


def test_what_was_left_inside_shows_within_two_weeks():
    hours = np.concatenate([np.full(24, 55.0), np.linspace(55.0, 71.0, 9 * 24)])
    first, last = settling(hours, days=10)
    assert (first, round(last)) == (55.0, 70)
    assert "still gives off water" in text.settling_text(days=10, first=first, last=last)
    assert np.isnan(settling(hours, days=1)).all()
    assert np.isnan(settling(np.full(240, np.nan), days=10)).all()
    assert "not known" in text.settling_text(days=10, first=np.nan, last=np.nan)


# --- the page -------------------------------------------------------------------------------------


def test_a_list_is_begun_noted_and_ended_on_the_board(tmp_path: Path):
    filled_record(tmp_path, days=3).close()
    session(tmp_path, now_s=NOW_S, name="Somebody")
    yard = make_yard(tmp_path)
    technician = yard.somebody("technician")
    at = "/unit/van-dry/lists"
    assert "15+items" in post(technician, f"{at}/begin", kind="lay-up").location
    with open_record(tmp_path) as record:
        (one,) = record.season_lists("van-dry")
        shown = seen(record, at)
        assert "0 of 15 done or left out" in shown
        assert "It is the time of year to lay it up." in shown
        assert "Less than 300 days of outside air" in shown
        assert text.LOOK_FROM_A_LADDER in shown
        assert sight(record, "sales").acts.isdisjoint({"acknowledge"})
    number = str(one.number)
    assert (
        "Noted" in post(technician, f"{at}/note", number=number, item="vents", word="done").location
    )
    answer = post(technician, f"{at}/note", number=number, item="fabrics out", word="left out")
    assert "say+why" in answer.location
    post(
        technician,
        f"{at}/note",
        number=number,
        item="fabrics out",
        word="left out",
        why="<b>none</b>",
    )
    with open_record(tmp_path) as record:
        shown = seen(record, at)
        assert "2 of 15 done or left out" in shown
        assert "&lt;b&gt;none&lt;/b&gt;" in shown
    post(technician, f"{at}/end", number=number)
    post(technician, f"{at}/begin", kind="opening")
    with open_record(tmp_path) as record:
        newest = record.season_lists("van-dry")[0]
        assert len(newest.carried) >= 10
        assert "Left over from the list before." in seen(record, at)
    for path, kind in ((f"{at}/begin", "spring"), ("/unit/no-such/lists/begin", "lay-up")):
        answer = post(technician, path, kind=kind)
        assert answer.status_code == 404 or "Not+changed" in answer.location
    assert post(technician, f"{at}/eat", number="1").status_code == 404


def test_a_wet_unit_is_not_called_dry_enough(tmp_path: Path):
    with filled_record(tmp_path, days=3) as record:
        assert "Dry it before you close it: off-rear-low is wet" in seen(
            record, "/unit/van-wet/lists"
        )
        assert "has no unit of that code" in seen(record, "/unit/no-such/lists")
