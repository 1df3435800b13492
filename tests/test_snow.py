"""Snow that lies and melts: hand-worked cases, and a thaw noted once by the watch."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import watch
from monitor.judge.snow import MELTS_MM_K_H, thaws
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import open_record
from sensors.wire import Reading

HOUR_S, DAY_S = 3600, 86_400


def weather(*parts: tuple[int, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Hours, their temperature, and the precipitation of each."""
    celsius = np.concatenate([np.full(hours, value) for hours, value, _ in parts])
    return celsius, np.concatenate([np.full(hours, fell) for hours, _, fell in parts])


def test_ten_millimetres_of_snow_at_four_degrees_melt_within_a_day():
    """4 mm a degree and day, 3.5 degrees above: 0.583 mm an hour, 2 mm after 4 hours, all after 18."""
    assert pytest.approx(4.0 / 24.0) == MELTS_MM_K_H
    ((hour, melted),) = thaws(*weather((10, -3.0, 1.0), (40, 4.0, 0.0)))
    assert hour == 10 + 3
    assert melted == pytest.approx(4 * 3.5 / 6.0, abs=0.06)


@pytest.mark.parametrize(
    "parts",
    [
        [(40, 4.0, 1.0)],  # rain
        [(10, -3.0, 1.0), (90, -1.0, 0.0)],  # it lies
        [(5, -3.0, 0.3), (40, 6.0, 0.0)],  # too little
        [(10, -3.0, 1.0), (40, np.nan, 0.0)],  # nobody measured
        [(10, np.nan, 1.0), (40, 6.0, 0.0)],  # rain or snow, nobody knows
    ],
)
def test_what_is_no_thaw_is_none(parts):
    assert thaws(*weather(*parts)) == []


def test_a_thaw_that_stops_for_some_days_and_goes_on_is_two():
    parts = [(20, -3.0, 1.0), (6, 4.0, 0.0), (60, -5.0, 0.0), (40, 4.0, 0.0)]
    assert len(thaws(*weather(*parts))) == 2


@given(
    st.lists(
        st.tuples(st.integers(1, 30), st.floats(-15.0, 15.0), st.floats(0.0, 2.0)), max_size=12
    )
)
def test_no_more_melts_than_fell_as_snow(parts):
    if not parts:
        return
    celsius, fell = weather(*parts)
    snow = float(fell[celsius <= 0.5].sum())
    for hour, melted in thaws(celsius, fell):
        assert 2.0 <= melted <= snow + 0.06
        assert celsius[hour] > 0.5


def test_the_watch_notes_a_thaw_once_where_a_service_gives_what_falls(tmp_path: Path):
    start_s = 1_894_060_800  # a midnight
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        record.add_unit(Unit("u1", "yard"))
        record.add_zone("yard", Zone("u1", "off-rear-low"))
        for code, source in (("area", "feed"), ("outside", "")):
            record.add_zone("yard", Zone("", code, "outside", source=source))  # type: ignore[arg-type]
        places = (("n1", "u1", "off-rear-low"), ("n2", "", "area"), ("n3", "", "outside"))
        for node, unit, zone in places:
            place = Placement(node, "p1", "yard", unit, zone, start_s - DAY_S)
            record.place(place, recorded_s=start_s, who="test")
        celsius, fell = weather((20, -3.0, 1.0), (60, 5.0, 0.0))
        for hour in range(len(celsius)):
            readings = [
                Reading(site="yard", node=node, probe="p1", boot=1, seq=hour,
                        at_s=start_s + hour * HOUR_S + 1800, temperature_c=float(celsius[hour]),
                        humidity_percent=80.0, rain_mm=float(fell[hour]) if node != "n1" else None)
                for node, _, _ in places
            ]  # fmt: skip
            record.take(readings, [], received_s=start_s)
        for hour in (22, 30, 50, 80):
            watch.tick(record, now_s=start_s + hour * HOUR_S)
        (event,) = [e for e in record.events("yard", unit="u1") if e.kind == "thaw"]
        assert event.unit == ""
        assert start_s + 20 * HOUR_S <= event.at_s <= start_s + 26 * HOUR_S
        assert "worked out" in event.value
