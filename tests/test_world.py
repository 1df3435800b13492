"""The demonstration's world: water is conserved, bits repeat, and what is planted can be found."""

import json
import tomllib
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from demo.__main__ import Players, bring_past, yard_of
from demo.scattered import scattered
from demo.weather import CONTINENTAL, DAY_S, MARINE, Climate, Weather, saturation_pa
from demo.world import Leak, Samples, Soaking, Stay, UnitPlan, World, ZonePlan, wood_at
from demo.yard import MAST, Yard
from sensors.node import Broker
from sensors.outbox import Outbox

OCTOBER_S = int(datetime(2025, 10, 1, tzinfo=UTC).timestamp())
WALLS = (
    ZonePlan("off-rear-low", "laminated wall", "off"),
    ZonePlan("door-mid-high", "laminated wall", "door"),
    ZonePlan("roof-vent1-ring", "roof", "roof"),
    ZonePlan("slide1-floor-front", "slide-floor", "under"),
)


def saturation_by_alduchov(temperature_c):
    """Alduchov and Eskridge 1996, eq. 21 (from memory): not the world's own formula."""
    return 610.94 * np.exp(17.625 * temperature_c / (temperature_c + 243.04))


def wood_by_handbook(temperature_c, humidity_percent):
    """Wood Handbook FPL-GTR-282, eq. 4-5: neither the world's isotherm nor the monitor's code."""
    t, h = temperature_c, np.clip(humidity_percent / 100.0, 0.0, 0.999)
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    return (
        1800
        / w
        * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))
    )


def running_day(values, per_day=72):
    """Means over the last day, nan where less than half of it was sampled."""
    there = np.isfinite(values)
    zero = np.zeros((1, values.shape[1]))
    sums = np.vstack([zero, np.cumsum(np.where(there, values, 0.0), axis=0)])
    counts = np.vstack([zero, np.cumsum(there, axis=0)])
    count = counts[per_day:] - counts[:-per_day]
    total = sums[per_day:] - sums[:-per_day]
    return np.where(count >= per_day / 2, total / np.maximum(count, 1), np.nan)


def wet_for_a_day(samples: Samples):
    """Wood of 20 % and 3 % above what outside air would give it, through a whole day."""
    temperature_c = running_day(samples.temperature_c)
    humidity = running_day(samples.humidity_percent)
    outside_pa = humidity[:, -1:] * saturation_by_alduchov(temperature_c[:, -1:])
    wood = wood_by_handbook(temperature_c, humidity)
    ambient = wood_by_handbook(temperature_c, outside_pa / saturation_by_alduchov(temperature_c))
    wet = (wood >= 20.0) & (wood - ambient >= 3.0)
    return running_day(wet.astype(float)) > 0.999


def eventful_units():
    always = Stay(OCTOBER_S, OCTOBER_S + 400 * DAY_S, people=3, air_changes_h=0.3)
    rain = Leak("a", "off-rear-low", "rain", OCTOBER_S + 3 * DAY_S, 150.0)
    pipe = Leak("b", "slide1-floor-front", "plumbing", OCTOBER_S, 80.0, growth_days=10.0)
    hose = Soaking(OCTOBER_S + 5 * DAY_S, "off", 18.0)
    soaked = ZonePlan("floor-bath", "floor", "under", start_moisture=0.28)
    return [
        UnitPlan("a", WALLS, leaks=(rain,), soakings=(hose,)),
        UnitPlan("b", (*WALLS, soaked), leaks=(pipe,), stays=(always,)),
    ]


@pytest.mark.parametrize("climate", [MARINE, CONTINENTAL], ids=["marine", "continental"])
def test_all_water_that_entered_is_stored_or_has_left(climate: Climate) -> None:
    world = World(
        seed=4,
        units=eventful_units(),
        start_s=OCTOBER_S + 80 * DAY_S,  # frost, snow and dew on skins among it
        climate=climate,
        spin_up_days=8,
    )
    world.run(OCTOBER_S + 110 * DAY_S)
    water = world.balance()
    assert water.entered_kg > 100.0  # people alone give 4 kg a day
    surplus_kg = water.at_first_kg + water.entered_kg - water.left_kg - water.stored_kg
    assert abs(surplus_kg) < 1e-9 * (water.at_first_kg + water.entered_kg)


def test_the_same_seed_gives_the_same_bits_however_often_the_world_is_stopped() -> None:
    def world(seed: int) -> World:
        return World(seed=seed, units=eventful_units(), start_s=OCTOBER_S, spin_up_days=3)

    whole = world(7).run(OCTOBER_S + 6 * DAY_S)
    stopped = world(7)
    ends_s = [OCTOBER_S + seconds for seconds in (5000, 5000, DAY_S + 1, 4 * DAY_S, 6 * DAY_S)]
    parts = [stopped.run(end_s) for end_s in ends_s]
    for name in Samples.__dataclass_fields__:
        joined = np.concatenate([getattr(part, name) for part in parts])
        assert joined.tobytes() == getattr(whole, name).tobytes()
    other = world(8).run(OCTOBER_S + 6 * DAY_S)
    assert other.temperature_c.tobytes() != whole.temperature_c.tobytes()


def test_a_healthy_wall_in_a_marine_winter_sits_between_14_and_20_percent() -> None:
    december_s = int(datetime(2025, 12, 1, tzinfo=UTC).timestamp())
    units = [UnitPlan(f"u{turn}", WALLS, heading_deg=float(turn)) for turn in range(0, 360, 45)]
    samples = World(seed=3, units=units, start_s=december_s).run(december_s + 25 * DAY_S)
    walls = [index for index in range(32) if index % 4 < 2]
    wood = samples.true_wood_percent[:, walls].mean(axis=0)
    assert wood.min() > 14.0
    assert wood.max() < 20.0


def test_a_leak_raises_its_zone_above_its_own_dry_life_within_four_weeks() -> None:
    units = [
        UnitPlan(
            code, WALLS, leaks=(Leak(code, "off-rear-low", "rain", OCTOBER_S, ml),) if ml else ()
        )
        for code, ml in (("dry", 0.0), ("dripping", 20.0), ("running", 200.0))
    ]
    world = World(seed=5, units=units, start_s=OCTOBER_S, spin_up_days=15)
    samples = world.run(OCTOBER_S + 28 * DAY_S)
    wood = samples.true_wood_percent[-1, :12].reshape(3, 4)  # unit, zone
    assert wood[1, 0] - wood[0, 0] > 0.5
    assert wood[2, 0] - wood[0, 0] > 4.0
    shown = samples.humidity_percent[-72:, 8] - samples.humidity_percent[-72:, 0]
    assert np.nanmean(shown) > 8.0
    # The far side of the unit learns of it only through the cabin.
    assert abs(wood[2, 1] - wood[0, 1]) < 0.1


def test_a_pipe_leaks_only_while_people_are_there() -> None:
    leak = Leak("a", "off-rear-low", "plumbing", OCTOBER_S, 100.0)
    stay = Stay(OCTOBER_S + 10 * DAY_S, OCTOBER_S + 20 * DAY_S, air_changes_h=2.0)

    def run(*, leaks: tuple[Leak, ...]) -> Samples:
        unit = UnitPlan("a", WALLS, leaks=leaks, stays=(stay,))
        return World(seed=5, units=[unit], start_s=OCTOBER_S, spin_up_days=2).run(
            OCTOBER_S + 20 * DAY_S
        )

    added = run(leaks=(leak,)).true_spot_percent[:, 0] - run(leaks=()).true_spot_percent[:, 0]
    assert np.abs(added[: 10 * 72]).max() == 0.0
    assert added[-1] > 5.0


def test_wood_of_the_world_agrees_with_the_older_handbook_equation() -> None:
    # 0.6 and 1.1 points apart at 20 degC and 80 and 95 %: the two editions' fits differ.
    humidity = np.array([0.40, 0.65, 0.80, 0.90])
    ours = 100.0 * wood_at(temperature_c=np.full(4, 20.0), humidity=humidity)
    assert np.abs(ours - wood_by_handbook(20.0, 100.0 * humidity)).max() < 1.0


def test_air_outside_is_never_above_saturation_and_summer_is_warmer_than_winter() -> None:
    weather = Weather(seed=1, climate=MARINE)
    days = [weather.day(20_000 + day) for day in range(365)]
    for day in days:
        assert (day.vapour_pa < saturation_pa(day.temperature_c)).all()
        assert (day.rain_mm >= 0.0).all()
    mean_c = np.array([day.temperature_c.mean() for day in days])
    year = [datetime.fromtimestamp((20_000 + day) * DAY_S, UTC).month for day in range(365)]
    months = np.array(year)
    assert mean_c[months == 7].mean() - mean_c[months == 1].mean() > 8.0
    assert 500.0 < sum(day.rain_mm.sum() for day in days) < 1500.0


@cache
def season(month: int) -> tuple[Yard, Samples]:
    now_s = int(datetime(2026, month, 12, 9, 7, tzinfo=UTC).timestamp())
    yard = Yard(seed=1, now_s=now_s)
    return yard, yard.world.run(yard.end_s)


@pytest.fixture(params=[1, 4, 7, 10], ids=["January", "April", "July", "October"])
def yard_and_samples(request):
    return season(request.param)


def test_the_large_leak_is_plain_a_day_before_now_in_every_season(yard_and_samples) -> None:
    yard, samples = yard_and_samples
    wet = wet_for_a_day(samples)
    at_s = samples.at_s[-wet.shape[0] :]
    (large,) = [planted for planted in yard.planted if planted.size == "large"]
    column = yard.world.probes.index((large.unit, large.zone))
    assert wet[at_s <= yard.end_s - DAY_S, column].any()


def test_no_healthy_zone_is_called_wet_by_the_plain_rule(yard_and_samples) -> None:
    yard, samples = yard_and_samples
    wet = wet_for_a_day(samples).any(axis=0)
    planted = {(found.unit, found.zone) for found in yard.planted}
    living = {found.unit for found in yard.planted if found.what == "condensation"}
    healthy = [
        index
        for index, (unit, zone) in enumerate(yard.world.probes)
        if (unit, zone) not in planted
        and unit not in living
        and zone not in ("air-main", "outside")
    ]
    assert len(healthy) == 52
    assert [yard.world.probes[index] for index in healthy if wet[index]] == []


def test_windows_of_the_shut_occupied_unit_stream(yard_and_samples) -> None:
    yard, samples = yard_and_samples
    (damp,) = [planted for planted in yard.planted if planted.what == "condensation"]
    inside = yard.world.probes.index((damp.unit, damp.zone))
    cabin_c, outside_c = samples.temperature_c[:, inside], samples.temperature_c[:, -1]
    glass_c = outside_c + 0.3 * (cabin_c - outside_c)
    vapour_pa = samples.humidity_percent[:, inside] / 100.0 * saturation_by_alduchov(cabin_c)
    streaming = (
        vapour_pa[np.isfinite(vapour_pa)] > saturation_by_alduchov(glass_c)[np.isfinite(vapour_pa)]
    )
    assert streaming.mean() > 0.3


def test_built_in_moisture_dries(yard_and_samples) -> None:
    yard, samples = yard_and_samples
    column = yard.world.probes.index(("u11", "slide1-floor-front"))
    wood = samples.true_wood_percent[:, column]
    assert wood[:72].mean() > wood[-72:].mean() + 1.5  # least in a wet winter


@pytest.fixture(scope="module")
def small_yard():
    now_s = OCTOBER_S + 12345
    yard = Yard(seed=2, now_s=now_s, days=12, boot=3)
    return yard, list(yard.past()), now_s


def test_the_past_is_in_time_order_with_a_sequence_without_holes_for_each_node(small_yard) -> None:
    yard, past, now_s = small_yard
    assert all(before[0].at_s <= after[0].at_s for before, after in pairwise(past))
    assert past[-1][0].at_s <= now_s
    for node in yard.nodes:
        sequence = [sample[0].seq for sample in past if sample[0].node == node]
        assert sequence == list(range(len(sequence)))
    for sample in past:
        assert len({(r.node, r.boot, r.seq, r.at_s, r.uptime_s) for r in sample}) == 1
        assert [r.probe for r in sample] == [f"p{place + 1}" for place in range(len(sample))]


def test_outages_lose_hours_and_a_dead_node_stays_silent(small_yard) -> None:
    yard, past, _ = small_yard
    (dead,) = [planted.unit for planted in yard.planted if planted.what == "silent node"]
    last_s = max(sample[0].at_s for sample in past if sample[0].node == f"n-{dead}")
    assert yard.end_s - 5 * DAY_S < last_s < yard.end_s - 4 * DAY_S
    steps = [
        after - before
        for node in yard.nodes
        for before, after in pairwise(s[0].at_s for s in past if s[0].node == node)
    ]
    assert set(steps) > {1200}
    assert max(steps) < 12 * 3600


def test_live_goes_on_where_the_past_ended_and_never_ahead_of_its_time() -> None:
    yard = Yard(seed=2, now_s=OCTOBER_S, days=2, units=3)
    past = list(yard.past())
    newest = {sample[0].node: sample for sample in past}
    for minute in range(1, 90):
        now_s = yard.end_s + 60 * minute
        samples = yard.live(now_s)
        assert {sample[0].at_s for sample in samples} == {now_s}
        for sample in samples:
            before = newest[sample[0].node]
            assert sample[0].seq == before[0].seq + 1
            assert abs(sample[0].temperature_c - before[0].temperature_c) < 2.0
            newest[sample[0].node] = sample
    assert len(newest) == 4


def test_the_gauge_counts_on_through_an_outage() -> None:
    yard = Yard(seed=46, now_s=OCTOBER_S, days=8, units=1)
    counted_mm = sum(s[1].rain_mm for s in yard.past() if s[0].node == MAST)
    twin = Yard(seed=46, now_s=OCTOBER_S, days=8, units=1)
    samples = twin.world.run(twin.end_s)
    assert np.isnan(samples.temperature_c[:, -1]).any()  # there was one
    assert counted_mm == pytest.approx(samples.rain_mm.sum(), rel=0.02)


def test_lot_toml_names_every_probe_of_the_readings_once(small_yard) -> None:
    yard, past, _ = small_yard
    lot = tomllib.loads(yard.lot_toml())
    assert len(lot["unit"]) == 12
    zones = {(zone.get("unit", ""), zone["code"]) for zone in lot["zone"]}
    placed = [
        (node.get("unit", ""), zone) for node in lot["node"] for zone in node["probes"].values()
    ]
    assert sorted(placed) == sorted(zones)
    named = {(node["code"], probe) for node in lot["node"] for probe in node["probes"]}
    assert named == {(reading.node, reading.probe) for sample in past for reading in sample}
    twins = {(zone["unit"], zone["dry_twin"]) for zone in lot["zone"] if "dry_twin" in zone}
    assert twins <= zones
    assert {event["kind"] for event in lot["event"]} >= {"hose", "wash", "occupied"}


def test_a_folder_keeps_its_yard_and_brings_each_sample_once_whenever_it_is_started(
    tmp_path,
) -> None:
    nowhere = Broker(port=1)  # no broker: all of it must wait on disk

    def start(now_s: int) -> tuple[int, set[tuple[str, int]], dict[str, int]]:
        yard = yard_of(tmp_path, seed=3, now_s=now_s, days=2, units=2)
        players = Players(yard, folder=tmp_path, broker=nowhere)
        readings = bring_past(yard, players, now_s=now_s)
        players.add(yard.live(now_s + 60), up_to_s=now_s + 60)
        players.close()
        held, counts = set(), {}
        for node in yard.nodes:
            outbox = Outbox(tmp_path / "nodes" / f"{node}.outbox")
            samples = [sample for _, sample in outbox.after((-1, -1), 10_000)]
            outbox.close()
            counts[node] = len(samples)
            held |= {(node, sample[0].at_s) for sample in samples}
        return readings, held, counts

    first, held, counts = start(OCTOBER_S + 77)
    assert first == 2 * 72 * (6 + 6 + 2)
    assert set(counts.values()) == {2 * 72 + 1}
    truth = json.loads((tmp_path / "truth.json").read_text())
    lot = (tmp_path / "lot.toml").read_text()
    again, held_again, counts = start(OCTOBER_S + 77 + 7200)  # two hours off: six samples each
    assert again == 6 * (6 + 6 + 2)
    assert len(held_again) == sum(counts.values())  # none twice
    assert held < held_again
    assert (tmp_path / "lot.toml").read_text() == lot
    assert truth == []  # two healthy units


def test_scattered_units_repeat_for_a_seed_and_half_of_them_leak() -> None:
    plans = scattered(seed=1, units=60, start_s=OCTOBER_S, days=100)
    assert plans == scattered(seed=1, units=60, start_s=OCTOBER_S, days=100)
    assert 20 <= sum(bool(plan.leaks) for plan in plans) <= 40
    world = World(seed=1, units=plans, start_s=OCTOBER_S, spin_up_days=2)
    samples = world.run(OCTOBER_S + 3 * DAY_S)
    assert np.nanmin(samples.humidity_percent) > 10.0
    assert np.isfinite(samples.true_wood_percent[:, :360]).all()
