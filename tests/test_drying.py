"""The repair proof on curves drawn by hand: a rain every five days, and what a wall makes of it."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf, isnan, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.evidence.drying import (
    CONDITIONS,
    Benched,
    Repair,
    Revision,
    Shown,
    Watch,
    Wetting,
    follow,
    hose_answer,
    prove,
    standing,
)

DAY_H, HOUR_S, DAY_S = 24, 3600, 86_400
FROM_HOUR = 525_960  # 2030-01-01T00:00Z
BEFORE, AFTER = 40, 90  # days
REPAIRED_S = (FROM_HOUR + BEFORE * DAY_H) * HOUR_S
OPENED = Repair(REPAIRED_S, opened=True, moved=True)
CLOSED = Repair(REPAIRED_S, opened=False, moved=False)
HOSE = Wetting(REPAIRED_S + 10 * DAY_S, "hose", 18.0)


def day(number: float) -> int:
    """Second of so many days after the repair."""
    return REPAIRED_S + round(number * DAY_S)


def rain(*, every: int = 5, mm: float = 10.0, after: int = AFTER, first: int = 0) -> np.ndarray:
    """A shower at 6 h every so many days."""
    fallen = np.zeros((BEFORE + after) * DAY_H)
    fallen[first * DAY_H + 6 :: every * DAY_H] = mm
    return fallen


def leak(
    fallen: np.ndarray, *, percent: float, hours: slice, dries_days: float = 6.0
) -> np.ndarray:
    """Excess that each rain of 5 mm and more adds within a day, and that dries slowly."""
    excess = np.zeros(len(fallen))
    for hour in np.flatnonzero(fallen >= 5.0).tolist():
        if hours.start <= hour < hours.stop:
            since = np.arange(len(fallen) - hour) / DAY_H
            excess[hour:] += percent * np.minimum(since, 1.0) * np.exp(-since / dries_days)
    return excess


def watch(
    excess: np.ndarray | float, fallen: np.ndarray, wettings: Sequence[Wetting] = (HOSE,)
) -> Watch:
    """A zone so much above its three like zones, which go with the weather; noise of 0.05 %."""
    rng = np.random.default_rng(5)
    hours = len(fallen)
    weather = 13.0 + 2.0 * np.sin(np.arange(hours) / 400.0)
    noise = np.repeat(rng.normal(0.0, 0.05, (4, -(-hours // 6))), 6, axis=1)[:, :hours]
    like = weather + np.array([[-0.4], [0.0], [0.4]]) + noise[:3]
    return Watch(
        from_hour=FROM_HOUR,
        moisture_percent=weather + excess + noise[3],
        like_percent=like,
        coverage=np.ones(hours),
        rain_mm=fallen,
        wettings=tuple(wettings),
    )


def without(one: Watch, hours: slice) -> Watch:
    """The same with a gap."""
    moisture, coverage = one.moisture_percent.copy(), one.coverage.copy()
    moisture[hours], coverage[hours] = nan, 0.0
    return replace(one, moisture_percent=moisture, coverage=coverage)


ALL_SHOWN = Shown(
    (day(0),),
    # checked on every day: whichever wetting was the last
    (Benched(day(-30), None, tuple((day(k), 0.4) for k in range(-1, AFTER + 1))),),
)


def cut(one: Watch, hours: int) -> Watch:
    """The same, known only so far."""
    return replace(
        one,
        moisture_percent=one.moisture_percent[:hours],
        like_percent=one.like_percent[:, :hours],
        coverage=one.coverage[:hours],
        rain_mm=one.rain_mm[:hours],
    )


def verdicts(told: Sequence[Revision]) -> list[str]:
    return [one.verdict for one in told]


def last(one: Watch, repair: Repair = OPENED, shown: Shown | None = ALL_SHOWN) -> Revision:
    now = standing(watch=one, repair=repair, shown=shown)
    assert now is not None
    return now


LEAKED = leak(rain(), percent=3.0, hours=slice(0, BEFORE * DAY_H))  # until the repair
GOOD = watch(np.where(np.arange(len(rain())) < BEFORE * DAY_H, LEAKED, 0.0), rain())


def test_an_opened_and_dried_wall_that_answers_nothing_stayed_dry() -> None:
    told = prove(watch=GOOD, repair=OPENED, shown=ALL_SHOWN)
    assert verdicts(told)[0] == "not yet shown"
    assert told[-1].verdict == "stayed dry"
    assert told[-1].missing == ()
    first = next(one for one in told if one.verdict == "stayed dry")
    assert first.at_s == day(30)  # the last condition to be met here


def test_every_verdict_says_which_size_of_leak_it_covers() -> None:
    told = prove(watch=GOOD, repair=OPENED, shown=ALL_SHOWN)
    assert isnan(told[0].size_ml)  # no wetting yet: no leak would have been seen
    sizes = [one.size_ml for one in told if not isnan(one.size_ml)]
    assert sizes == sorted(sizes, reverse=True)
    assert told[-1].size_ml == 20.0


def test_a_stronger_leak_before_the_repair_means_that_only_such_leaks_are_excluded() -> None:
    strong = leak(rain(), percent=8.0, hours=slice(0, BEFORE * DAY_H), dries_days=1.0)
    stated = last(watch(strong, rain()), Repair(REPAIRED_S, opened=True, moved=False))
    assert stated.verdict == "stayed dry"
    assert stated.figures["least_response"] > 0.5
    assert stated.size_ml == pytest.approx(20.0 * stated.figures["least_response"] / 0.5, abs=0.5)


def test_revisions_come_at_midnight_and_only_when_something_changed() -> None:
    told = prove(watch=GOOD, repair=replace(OPENED, at_s=day(0.4)), shown=ALL_SHOWN)
    assert told[0].at_s == day(1)
    assert all(one.at_s % DAY_S == 0 for one in told)
    states = [(one.verdict, one.missing) for one in told]
    assert all(before != after for before, after in pairwise(states))


# --- what is missing --------------------------------------------------------------------------------


def showers(count: int, *, mm: float) -> np.ndarray:
    """So many showers since the repair, from the fifth day on, and none before."""
    fallen = rain(mm=mm)
    fallen[: (BEFORE + 4) * DAY_H] = 0.0  # the wall still settles
    fallen[(BEFORE + 5 * count + 1) * DAY_H :] = 0.0
    return fallen


def answering(percent: float) -> Watch:
    """Three showers and a hose test, each answered by so much: less than stands out of the noise."""
    fallen = showers(4, mm=10.0)
    return watch(leak(fallen, percent=percent, hours=SINCE), fallen, [replace(HOSE, mm=10.0)])


def sprayed(*days: float) -> Watch:
    """No rain; hose tests on these days."""
    tests = [Wetting(day(at), "hose", 40.0) for at in days]
    return watch(0.0, np.zeros(len(rain())), tests)


SINCE = slice(BEFORE * DAY_H, (BEFORE + AFTER) * DAY_H)
WEEKLY = sprayed(10, 13, 16, 19)
UNDRIED = watch(np.where(np.arange(len(rain())) < BEFORE * DAY_H, LEAKED, 1.6), rain())
Case = tuple[Watch, Repair, Shown]
# of each condition: a proof that holds, and the same one without it
ALONE: dict[str, tuple[Case, Case]] = {
    "sensor at the spot": (
        (watch(0.0, rain()), OPENED, ALL_SHOWN),
        (watch(0.0, rain()), replace(OPENED, moved=False), ALL_SHOWN),
    ),
    "drying goal": ((GOOD, OPENED, ALL_SHOWN), (UNDRIED, OPENED, ALL_SHOWN)),
    "30 days": (
        (cut(GOOD, (BEFORE + 30) * DAY_H), OPENED, ALL_SHOWN),
        (cut(GOOD, (BEFORE + 29) * DAY_H), OPENED, ALL_SHOWN),
    ),
    "enough wetting": (
        (watch(0.0, showers(4, mm=8.0), [replace(HOSE, mm=8.0)]), OPENED, ALL_SHOWN),
        (watch(0.0, showers(4, mm=5.0), [replace(HOSE, mm=5.0)]), OPENED, ALL_SHOWN),
    ),
    "enough evidence": (
        (answering(0.0), OPENED, ALL_SHOWN),
        (answering(0.4), OPENED, ALL_SHOWN),
    ),
    "hose test": (
        (watch(0.0, showers(5, mm=40.0), [replace(HOSE, at_s=day(40))]), OPENED, ALL_SHOWN),
        (watch(0.0, showers(5, mm=40.0), []), OPENED, ALL_SHOWN),
    ),
    "natural wettings": (
        (WEEKLY, OPENED, ALL_SHOWN),
        (sprayed(10, 12.1, 14.2, 16.3), OPENED, ALL_SHOWN),
    ),
    "rain record": (
        (WEEKLY, OPENED, ALL_SHOWN),
        (replace(WEEKLY, rain_mm=np.full_like(WEEKLY.rain_mm, nan)), OPENED, ALL_SHOWN),
    ),
    "no response": (
        (GOOD, OPENED, ALL_SHOWN),
        (GOOD, OPENED, replace(ALL_SHOWN, reached_s=(day(12),))),
    ),
    "coverage": (
        (without(GOOD, slice((BEFORE + 3) * DAY_H, (BEFORE + 7) * DAY_H)), OPENED, ALL_SHOWN),
        (without(GOOD, slice((BEFORE + 3) * DAY_H, (BEFORE + 8) * DAY_H)), OPENED, ALL_SHOWN),
    ),
    "bench check": (
        (GOOD, OPENED, ALL_SHOWN),
        (GOOD, OPENED, replace(ALL_SHOWN, benched=())),
    ),
    "source photo": (
        (GOOD, OPENED, ALL_SHOWN),
        (GOOD, OPENED, replace(ALL_SHOWN, photo_s=())),
    ),
}


def test_every_condition_has_its_place_in_the_table() -> None:
    assert {*ALONE, "dry twin"} == set(CONDITIONS)  # the twin has a test of its own


@pytest.mark.parametrize("name", ALONE)
def test_each_condition_alone_holds_the_verdict_back_and_is_the_only_one_named(name: str) -> None:
    holding, lacking = (last(*case) for case in ALONE[name])
    assert (holding.verdict, holding.missing) == ("stayed dry", ())
    assert (lacking.verdict, lacking.missing) == ("not yet shown", (name,))


def test_without_a_dry_twin_nothing_is_measured_against_anything() -> None:
    """It cannot be missing alone: goal and answers are measured against it."""
    stated = last(replace(GOOD, like_percent=np.full_like(GOOD.like_percent, nan)))
    assert stated.verdict == "not yet shown"
    assert stated.missing[0] == "dry twin"
    assert set(stated.missing) == {
        *("dry twin", "drying goal", "enough wetting", "enough evidence"),
        *("hose test", "natural wettings"),
    }


def checks(*made: tuple[float, float], **kwargs: float) -> Shown:
    """A photo, and one probe checked on some days after the repair: (day, correction)."""
    from_s, to_s = day(kwargs.get("from_", -300)), kwargs.get("to")
    probe = Benched(
        from_s, None if to_s is None else day(to_s), tuple((day(d), c) for d, c in made)
    )
    return replace(ALL_SHOWN, benched=(probe,))


UNCHECKED = {
    "never": checks(),
    "only before": checks((-1, 0.4)),
    "only after": checks((89.5, 0.4)),
    "before the last wetting": checks((-1, 0.4), (5, 0.4)),
    "more than half a year before the repair": checks((-181, 0.4), (89.5, 0.4)),
    "another correction": checks((-1, 0.4), (89.5, 3.5)),
    "after today": checks((-1, 0.4), (95, 0.4)),
    "the twin's not": replace(ALL_SHOWN, benched=(*ALL_SHOWN.benched, Benched(day(-30), None))),
}


@pytest.mark.parametrize("how", UNCHECKED)
def test_a_probe_that_was_not_checked_around_it_holds_the_proof_back_alone(how: str) -> None:
    stated = last(GOOD, shown=UNCHECKED[how])
    assert (stated.verdict, stated.missing) == ("not yet shown", ("bench check",))


CHECKED = {
    "a day before the end": checks((-1, 0.4), (89.5, 1.1)),
    "half a year before": checks((-180, 0.4), (89.5, 3.4)),
    "a probe that came later": checks((4, 0.4), (89.5, 0.4), from_=5),
    "one that went before the repair": replace(
        ALL_SHOWN, benched=(*ALL_SHOWN.benched, Benched(day(-30), day(-1)))
    ),
}


@pytest.mark.parametrize("how", CHECKED)
def test_a_probe_that_was_checked_around_it_shows_it(how: str) -> None:
    stated = last(GOOD, shown=CHECKED[how])
    assert (stated.verdict, stated.missing) == ("stayed dry", ())


def test_the_next_rain_does_not_undo_what_a_check_has_shown() -> None:
    told = prove(watch=GOOD, repair=OPENED, shown=checks((-1, 0.4), (38, 0.4)))
    assert told[-1].verdict == "stayed dry"  # eleven rains later


def test_a_photo_counts_from_when_it_was_entered() -> None:
    told = prove(watch=GOOD, repair=OPENED, shown=replace(ALL_SHOWN, photo_s=(day(60.5),)))
    assert next(one.at_s for one in told if one.verdict == "stayed dry") == day(61)


def test_water_that_somebody_saw_come_in_is_a_response_whatever_the_probe_says() -> None:
    stated = last(GOOD, shown=replace(ALL_SHOWN, reached_s=(day(12),)))
    assert (stated.verdict, stated.missing) == ("not yet shown", ("no response",))


def test_a_goal_that_was_decided_on_holds_from_then_on() -> None:
    wet = watch(np.where(np.arange(len(rain())) < BEFORE * DAY_H, LEAKED, 1.6), rain())
    told = prove(watch=wet, repair=OPENED, shown=replace(ALL_SHOWN, goals=((day(50), 2.0),)))
    assert told[-1].figures["goal_percent"] == 2.0
    assert next(one.at_s for one in told if one.verdict == "stayed dry") >= day(50)


def test_files_alone_give_the_verdict_of_the_readings_and_name_what_they_cannot_show() -> None:
    stated = last(GOOD, shown=None)
    assert stated.verdict == "stayed dry"
    assert stated.missing == ("bench check", "source photo")


def test_six_natural_wettings_do_without_a_hose_test_which_is_stated() -> None:
    stated = last(replace(GOOD, wettings=()))
    assert (stated.verdict, stated.missing) == ("stayed dry", ("hose test",))


@pytest.mark.parametrize(("count", "verdict"), [(5, "not yet shown"), (6, "stayed dry")])
def test_it_takes_six_natural_wettings_to_do_without_a_hose_test(count: int, verdict: str) -> None:
    some = rain(mm=40.0)
    some[BEFORE * DAY_H : (BEFORE + 4) * DAY_H] = 0.0  # the wall still settles
    some[(BEFORE + 5 * count + 1) * DAY_H :] = 0.0
    stated = last(watch(0.0, some, []))
    assert stated.figures["natural"] == count
    assert (stated.verdict, stated.missing) == (verdict, ("hose test",))


def test_a_hose_test_ends_the_watch_over_the_rain_before_it() -> None:
    soon = replace(HOSE, at_s=day(10.5))  # 6 h after a shower
    stated = last(watch(0.0, rain(), [soon])).figures
    alone = last(watch(0.0, rain(), [])).figures
    assert stated["hose"] == 1
    assert stated["natural"] == alone["natural"] - 1


def test_hose_tests_noted_beside_the_rain_take_no_answer_of_it_back() -> None:
    leaking = leak(rain(), percent=1.6, hours=SINCE, dries_days=2.0)
    bad = last(watch(leaking, rain(), []))
    assert bad.verdict == "did not stay dry"
    showers = [day(k + 0.25 + 40 / 24) for k in range(0, AFTER - 3, 5)]
    for mm in (0.6, 9.0):  # a minute, or a whole test
        sprayed = [Wetting(at_s, "hose", mm) for at_s in showers]
        assert last(watch(leaking, rain(), sprayed)).verdict == "did not stay dry"


def test_a_minute_of_water_shows_nothing() -> None:
    tests = [Wetting(day(at), "hose", 0.6) for at in range(3, 88, 3)]
    stated = last(watch(0.0, np.zeros(len(rain())), tests))
    assert stated.verdict == "not yet shown"
    assert "enough wetting" in stated.missing


def test_two_hose_tests_a_week_apart_do_without_rain() -> None:
    tests = [Wetting(day(at), "hose", 40.0) for at in (10, 13, 16, 19)]
    dry = np.zeros(len(rain()))
    assert last(watch(0.0, dry, tests)).verdict == "stayed dry"
    near = [Wetting(day(at), "hose", 40.0) for at in (10, 12.1, 14.2, 16.3)]
    stated = last(watch(0.0, dry, near))
    assert (stated.verdict, stated.missing) == ("not yet shown", ("natural wettings",))


def test_a_closed_wall_whose_probe_never_saw_the_leak_proves_nothing() -> None:
    blind = last(watch(0.0, rain()), CLOSED)
    assert blind.verdict == "not yet shown"
    assert blind.missing == ("sensor at the spot",)
    seeing = last(GOOD, CLOSED)
    assert seeing.verdict == "stayed dry"


def test_dry_weather_proves_nothing() -> None:
    stated = last(watch(0.0, np.zeros(len(rain())), []))
    assert stated.verdict == "not yet shown"
    assert {"enough wetting", "enough evidence", "hose test", "natural wettings"} <= set(
        stated.missing
    )
    assert isnan(stated.size_ml)
    assert isnan(stated.figures["last_survived_s"])
    assert stated.figures["leaking_share"] == 1.0


def test_rain_that_nobody_measured_is_no_wetting() -> None:
    stated = last(replace(GOOD, rain_mm=np.full_like(GOOD.rain_mm, nan)))
    assert stated.figures["natural"] == 0


def test_a_wetting_with_a_long_gap_in_its_two_days_is_not_counted() -> None:
    whole = last(GOOD).figures
    start = (BEFORE + 10) * DAY_H
    short = last(without(GOOD, slice(start + 20, start + 26))).figures  # 6 h
    long = last(without(GOOD, slice(start + 20, start + 27))).figures  # 7 h
    assert short["uncounted"] == whole["uncounted"]
    assert long["uncounted"] == whole["uncounted"] + 1
    assert long["power"] < whole["power"]


def test_rain_in_the_first_two_days_after_the_repair_asks_nothing() -> None:
    early = rain(first=1)  # a shower on the day after the repair, at 6 h
    assert last(watch(0.0, early)).figures["uncounted"] == 1


def test_a_thaw_is_a_natural_wetting_and_a_wash_is_neither_that_nor_a_hose_test() -> None:
    dry = np.zeros(len(rain()))
    thaws = [Wetting(day(at), "thaw") for at in range(10, 60, 10)]
    washes = [Wetting(day(at), "wash", 20.0) for at in range(10, 60, 10)]
    assert last(watch(0.0, dry, thaws)).figures["natural"] == 5
    stated = last(watch(0.0, dry, washes))
    assert (stated.figures["natural"], stated.figures["hose"]) == (0, 0)
    assert stated.figures["power"] >= 3.0
    assert stated.missing == ("hose test", "natural wettings")


# --- leaks that go on, or begin again ---------------------------------------------------------------


def test_a_leak_that_goes_on_did_not_stay_dry() -> None:
    still = leak(rain(), percent=3.0, hours=slice(0, SINCE.stop))
    told = prove(watch=watch(still, rain()), repair=OPENED, shown=ALL_SHOWN)
    assert "stayed dry" not in verdicts(told)
    assert told[-1].verdict == "did not stay dry"
    assert told[-1].at_s <= day(20)
    assert told[-1].missing == ()


def test_did_not_stay_dry_stands() -> None:
    briefly = leak(rain(), percent=4.0, hours=slice(SINCE.start, SINCE.start + 20 * DAY_H))
    assert last(watch(briefly, rain())).verdict == "did not stay dry"


def test_water_that_comes_between_the_wettings_shows_by_the_level() -> None:
    climbing = np.zeros(len(rain()))
    climbing[SINCE] = np.arange(AFTER * DAY_H) / DAY_H * 0.05  # too slow for any single answer
    told = prove(watch=watch(climbing, rain()), repair=OPENED, shown=ALL_SHOWN)
    assert told[-1].verdict == "did not stay dry"
    assert told[-1].figures["responses"] == 0


def test_wood_that_was_dried_below_its_neighbours_may_climb_back_to_them() -> None:
    days = np.maximum(np.arange(len(rain())) / DAY_H - BEFORE, 0.0)
    back = -4.0 * np.exp(-days / 12.0)
    assert last(watch(back, rain())).verdict == "stayed dry"


def test_a_leak_that_begins_again_ends_stayed_dry() -> None:
    again = slice((BEFORE + 50) * DAY_H, SINCE.stop)
    resumed = leak(rain(), percent=3.0, hours=again)
    told = prove(watch=watch(resumed, rain()), repair=OPENED, shown=ALL_SHOWN)
    said = verdicts(told)
    assert said.index("stayed dry") < said.index("did not stay dry")
    assert told[-1].verdict == "did not stay dry"
    before = [one for one in told if one.verdict == "stayed dry"][-1]
    assert before.figures["last_survived_s"] < day(52)


def test_one_response_holds_the_proof_back() -> None:
    once = slice((BEFORE + 20) * DAY_H, (BEFORE + 21) * DAY_H)
    stated = last(watch(leak(rain(), percent=2.0, hours=once, dries_days=2.0), rain()))
    assert (stated.verdict, stated.missing) == ("not yet shown", ("no response",))


def test_a_single_response_however_large_is_not_yet_a_leak() -> None:
    once = slice((BEFORE + 20) * DAY_H, (BEFORE + 21) * DAY_H)
    splash = leak(rain(), percent=15.0, hours=once, dries_days=1.0)  # above the limit for 3 days
    assert last(watch(splash, rain())).verdict == "not yet shown"


def test_ten_wettings_without_an_answer_outweigh_one_after_the_proof() -> None:
    fallen = rain(every=4, after=110)
    once = slice((BEFORE + 40) * DAY_H, (BEFORE + 41) * DAY_H)
    one = watch(leak(fallen, percent=4.0, hours=once, dries_days=1.0), fallen)
    told = prove(watch=one, repair=OPENED, shown=ALL_SHOWN)
    assert verdicts(told)[-3:] == ["stayed dry", "not yet shown", "stayed dry"]
    assert "no response" in told[-2].missing
    assert day(40 + 10 * 4) < told[-1].at_s <= day(40 + 10 * 4 + 3)


def test_the_fall_at_the_repair_is_no_trend() -> None:
    dropped = np.full(len(rain()), 6.0)
    dropped[SINCE] = 0.0
    early = np.zeros(len(dropped))
    early[SINCE.start + 60] = 10.0
    figures = last(watch(dropped, early, [])).figures
    assert (figures["natural"], figures["responses"]) == (1, 0)


def test_one_odd_day_does_not_end_the_proof() -> None:
    odd = np.zeros(len(rain()))
    odd[(BEFORE + 82) * DAY_H : (BEFORE + 83) * DAY_H] = 2.0
    told = prove(watch=watch(odd, rain()), repair=OPENED, shown=ALL_SHOWN)
    assert verdicts(told).count("stayed dry") == 1
    assert told[-1].verdict == "stayed dry"


def test_a_day_at_the_goal_is_not_enough() -> None:
    excess = np.full(len(rain()), 1.6)
    excess[: SINCE.start] = LEAKED[: SINCE.start]
    excess[-10 * DAY_H :] = 0.0
    reached = [
        last(watch(excess[: len(excess) - left * DAY_H], rain()[: len(excess) - left * DAY_H]))
        for left in range(9, 0, -1)
    ]
    at_goal = [one.figures["excess_percent"] <= one.figures["goal_percent"] for one in reached]
    first = at_goal.index(True)
    assert ["drying goal" in one.missing for one in reached[first : first + 6]] == [
        *[True] * 4,
        False,
        False,
    ]


def test_a_probe_that_was_moved_forgets_the_noise_of_its_old_place() -> None:
    dry = np.zeros(len(rain()))
    wild = np.zeros(len(dry))
    wild[: SINCE.start] = np.repeat(np.resize([1.5, 1.5, 0.0, 0.0, 0.7], BEFORE), DAY_H)
    moved = last(watch(wild, dry)).figures["noise_percent"]
    stayed = last(watch(wild, dry), replace(OPENED, moved=False)).figures["noise_percent"]
    assert moved == last(watch(0.0, dry)).figures["noise_percent"]
    assert stayed > moved


def test_half_of_a_steady_trend_is_no_answer() -> None:
    """Falling by s a day, two days after are 1.5 s below the day before, less 0.75 s: 0.75 s."""
    dry = np.zeros(len(rain()))
    falling = 40.0 - 0.4 * np.arange(len(dry)) / DAY_H
    noise = last(watch(falling, dry, []), CLOSED).figures["noise_percent"]
    assert noise == pytest.approx(1.1 * 0.75 * 0.4, rel=0.1)  # 1.1: the margin on the noise


def test_after_three_sure_answers_two_wettings_in_three_might_still_leak() -> None:
    """Rule of three, common practice: 1 - 0.05^(1/3) is 0.632."""
    figures = last(watch(0.0, rain(every=30, mm=60.0), [])).figures
    assert figures["power"] == pytest.approx(3.0, abs=0.02)
    assert figures["leaking_share"] == pytest.approx(0.632, abs=0.003)


@pytest.mark.parametrize("percent", [1.5, 3.0, 6.0])
def test_more_water_is_found_no_later(percent: float) -> None:
    def found(size: float) -> float:
        still = leak(rain(), percent=size, hours=SINCE)
        return last(watch(still, rain())).at_s

    assert found(2.0 * percent) <= found(percent)


@settings(deadline=None, max_examples=12)
@given(
    days=st.integers(1, AFTER),
    percent=st.sampled_from([0.0, 0.6, 3.0]),
    hour=st.integers(0, 23),
    mm=st.floats(0.0, 9.0),
)
def test_more_data_add_revisions_and_change_none(
    days: int, percent: float, hour: int, mm: float
) -> None:
    rng = np.random.default_rng(days)
    fallen = rain() + np.where(rng.random(len(rain())) < 0.03, mm, 0.0)
    one = watch(leak(fallen, percent=percent, hours=SINCE), fallen, [HOSE, replace(HOSE, mm=nan)])
    repair = replace(OPENED, at_s=REPAIRED_S + hour * HOUR_S)
    whole = prove(watch=one, repair=repair)
    early = prove(watch=cut(one, (BEFORE + days) * DAY_H + hour), repair=repair)
    # repr: nan is not equal to itself
    assert repr(early) == repr(whole[: len(early)])
    assert all(revision.at_s > day(days + hour / 24) for revision in whole[len(early) :])


# --- drying -----------------------------------------------------------------------------------------


def drying_wall(*, half_life_days: float, start: float = 9.0, rest: float = 0.0) -> Watch:
    days = np.maximum(np.arange(len(rain())) / DAY_H - BEFORE, 0.0)
    return watch(rest + (start - rest) * 0.5 ** (days / half_life_days), rain(mm=0.0), [])


def test_a_closed_wet_wall_is_drying_while_it_falls() -> None:
    told = prove(watch=drying_wall(half_life_days=20.0), repair=CLOSED)
    assert "drying" in verdicts(told)
    while_drying = next(one for one in told if one.verdict == "drying")
    assert "drying goal" in while_drying.missing
    assert while_drying.figures["rate_percent_day"] > 0.0


@pytest.mark.parametrize("half_life_days", [8.0, 15.0, 25.0])
def test_days_to_the_goal_are_told_within_a_quarter_after_a_third_of_the_way(
    half_life_days: float,
) -> None:
    """An exponential curve has an exact answer; 25 % is what a repairer can plan with."""
    wall = drying_wall(half_life_days=half_life_days)
    goal = last(wall, CLOSED).figures["goal_percent"]
    needs = half_life_days * np.log2(9.0 / goal)
    now = max(round(needs / 3.0), 12)
    figures = last(cut(wall, (BEFORE + now) * DAY_H), CLOSED).figures
    assert figures["goal_percent"] == goal
    middle = 0.5 * (figures["days_to_goal_low"] + figures["days_to_goal_high"])
    assert middle == pytest.approx(needs - now, rel=0.25)
    assert figures["stalled"] == 0


def test_a_wall_that_falls_no_more_is_stalled() -> None:
    told = prove(watch=drying_wall(half_life_days=4.0, rest=3.0), repair=CLOSED)
    assert "drying" in verdicts(told)
    assert told[-1].verdict == "not yet shown"
    assert told[-1].figures["stalled"] == 1
    assert "drying goal" in told[-1].missing


def test_drying_is_faster_where_the_excess_falls_faster() -> None:
    def rate(half_life_days: float) -> float:
        told = prove(watch=drying_wall(half_life_days=half_life_days), repair=CLOSED)
        return next(one for one in told if one.verdict == "drying").figures["rate_percent_day"]

    assert rate(6.0) > rate(12.0) > rate(24.0)


@pytest.mark.parametrize(("apart", "wider"), [(0.3, 0.15), (0.6, 0.3), (5.0, 0.3)])
def test_the_goal_is_wider_where_like_zones_differ_but_not_by_more_than_half_a_per_cent(
    apart: float, wider: float
) -> None:
    """Quartiles of three evenly spaced zones lie half of the way out: half of `apart` is added."""
    like = GOOD.like_percent + apart * np.array([[-1.0], [0.0], [1.0]])
    near = last(GOOD).figures["goal_percent"]
    assert near == pytest.approx(1.2, abs=0.02)
    far = last(replace(GOOD, like_percent=like)).figures["goal_percent"]
    assert far == pytest.approx(near + wider, abs=0.02)


def test_one_dry_twin_is_enough_and_its_goal_is_one_per_cent() -> None:
    stated = last(replace(GOOD, like_percent=GOOD.like_percent[1:2]))
    assert (stated.verdict, stated.figures["goal_percent"]) == ("stayed dry", 1.0)


# --- a hose test ------------------------------------------------------------------------------------


def test_a_hose_test_that_the_zone_answers_fails_and_says_after_how_many_hours() -> None:
    sprayed = np.zeros(len(rain()))
    sprayed[(BEFORE + 10) * DAY_H] = 18.0
    wet = watch(leak(sprayed, percent=3.0, hours=SINCE), np.zeros(len(rain())))
    answer = hose_answer(watch=wet, hose_s=HOSE.at_s, repair=OPENED)
    assert answer.word == "fail"
    assert 3 <= answer.hours <= 24
    assert answer.response_percent == pytest.approx(3.0 * np.exp(-1.0 / 6.0), abs=0.3)
    early = cut(wet, (BEFORE + 11) * DAY_H)  # a response needs no 48 h
    assert hose_answer(watch=early, hose_s=HOSE.at_s, repair=OPENED).word == "fail"


def test_a_hose_test_without_an_answer_passes_after_48_hours() -> None:
    dry = watch(0.0, np.zeros(len(rain())))
    hour = (BEFORE + 10) * DAY_H
    before = hose_answer(watch=cut(dry, hour + 47), hose_s=HOSE.at_s, repair=OPENED)
    assert (before.word, before.missing) == ("not enough data", ("48 hours",))
    after = hose_answer(watch=cut(dry, hour + 48), hose_s=HOSE.at_s, repair=OPENED)
    assert after.word == "pass"
    assert isnan(after.hours)


def test_a_hose_test_in_a_gap_or_a_soaked_wall_says_nothing() -> None:
    hour = (BEFORE + 10) * DAY_H
    dry = watch(0.0, np.zeros(len(rain())))
    gap = without(dry, slice(hour + 5, hour + 12))
    answer = hose_answer(watch=gap, hose_s=HOSE.at_s, repair=OPENED)
    assert (answer.word, answer.missing) == ("not enough data", ("data",))
    soaked = watch(4.0, np.zeros(len(rain())))
    answer = hose_answer(watch=soaked, hose_s=HOSE.at_s, repair=OPENED)
    assert (answer.word, answer.missing) == ("not enough data", ("drying goal",))
    outside = hose_answer(watch=dry, hose_s=day(AFTER + 1))
    assert outside.word == "not enough data"


# --- edges ------------------------------------------------------------------------------------------


def test_a_watch_that_begins_with_or_after_the_repair_is_proven_all_the_same() -> None:
    late = replace(OPENED, at_s=(FROM_HOUR - 5 * DAY_H) * HOUR_S)
    for repair in (replace(OPENED, at_s=FROM_HOUR * HOUR_S), late):
        told = prove(watch=watch(0.0, rain(), [HOSE]), repair=repair)
        assert told[0].at_s == FROM_HOUR * HOUR_S + DAY_S
        assert told[-1].verdict == "stayed dry"


def test_before_the_first_midnight_there_is_no_revision() -> None:
    assert prove(watch=cut(GOOD, BEFORE * DAY_H + 23), repair=OPENED) == []


def test_a_zone_that_was_never_heard_has_every_condition_missing_that_needs_data() -> None:
    silent = without(GOOD, slice(0, None))
    stated = last(silent)
    assert stated.verdict == "not yet shown"
    assert {"drying goal", "coverage", "enough wetting"} <= set(stated.missing)
    assert stated.figures["coverage_percent"] == 0.0
    assert stated.figures["days_to_goal_high"] != inf


def test_series_of_different_lengths_are_an_error() -> None:
    with pytest.raises(ValueError, match="same hours"):
        prove(watch=replace(GOOD, rain_mm=GOOD.rain_mm[:-1]), repair=OPENED)


# --- stalled ------------------------------------------------------------------------------------------


def soaked(*, dries_days: float, left_percent: float) -> Watch:
    """Six points above the goal at the repair, falling towards what is left."""
    days = np.maximum(np.arange((BEFORE + AFTER) * DAY_H) / DAY_H - BEFORE, 0.0)
    return watch(left_percent + (6.0 - left_percent) * np.exp(-days / dries_days), rain())


def test_a_wall_that_stops_drying_above_its_goal_is_stalled_until_it_reaches_it() -> None:
    (stall,) = follow(watch=soaked(dries_days=6.0, left_percent=4.0), repair=CLOSED).stalls
    assert stall.ended_s is None
    # it falls by 0.15 in ten days until day 6 ln(2 (e^(10/6) - 1) / 0.15) = 24.5, then two midnights
    assert day(24) <= stall.began_s <= day(31)
    assert stall.figures["excess_percent"] > stall.figures["goal_percent"]


def test_a_wall_that_dries_is_never_stalled() -> None:
    followed = follow(watch=soaked(dries_days=10.0, left_percent=0.0), repair=CLOSED)
    assert followed.stalls == []
    assert {"drying"} <= {one.verdict for one in followed.revisions}


def test_a_stall_is_not_seen_before_ten_days_and_the_settling_are_over() -> None:
    (stall,) = follow(watch=watch(4.0, rain()), repair=CLOSED).stalls
    assert day(12) <= stall.began_s <= day(15)


def test_a_stall_ends_when_it_dries_again() -> None:
    hours = (BEFORE + AFTER) * DAY_H
    days = np.arange(hours) / DAY_H - BEFORE
    excess = 5.0 - 0.08 * np.clip(days - 30.0, 0.0, 60.0)  # from day 30 on it falls again
    (stall,) = follow(watch=watch(excess, rain()), repair=CLOSED).stalls
    assert stall.ended_s is not None
    assert day(30) < stall.ended_s <= day(36)


def test_silence_neither_begins_nor_ends_a_stall() -> None:
    wet = watch(4.0, rain())
    (stands,) = follow(watch=wet, repair=CLOSED).stalls
    lost = without(wet, slice((BEFORE + 20) * DAY_H, (BEFORE + AFTER) * DAY_H))
    assert follow(watch=lost, repair=CLOSED).stalls == [stands]
    never = without(wet, slice((BEFORE + 2) * DAY_H, (BEFORE + AFTER) * DAY_H))
    assert follow(watch=never, repair=CLOSED).stalls == []


def test_every_wetting_since_the_repair_is_listed_with_what_became_of_it() -> None:
    fallen = rain()
    gap = slice((BEFORE + 40) * DAY_H, (BEFORE + 41) * DAY_H)
    followed = follow(watch=without(watch(0.0, fallen), gap), repair=OPENED)
    assert followed.standing is not None
    figures = followed.standing.figures
    words = [one.word for one in followed.wettings]
    counted = figures["natural"] + figures["hose"] + figures["wash"]
    assert words.count("survived") + words.count("response") == counted
    assert words.count("response") == figures["responses"]
    assert words.count("not counted") == figures["uncounted"] >= 1
    assert all(one.at_s >= REPAIRED_S for one in followed.wettings)
