"""Changed limits: from their hour on, for whom, undone; and the record that says who and why."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.judge import Judgement, advance
from monitor.judge.limits import CHANGEABLE, change, in_force, over, steps, undo
from monitor.judge.rules import LIMITS
from monitor.lot import LimitEntry, LimitStep, Site, Unit, Zone, ZoneReadings
from monitor.store import Record, open_record
from tests.judging import DAY_S, START_S, hourly_series, watched
from tests.test_cli import sillkeep

HOUR = START_S // 3600


def entry(
    number: int, new: float = 17.0, *, hour: int = HOUR, site: str = "", kind: str = "",
    undoes: int | None = None,
) -> LimitEntry:  # fmt: skip
    return LimitEntry(number, site, kind, "damp_percent", 16.0, new, hour, undoes=undoes)


def damp_percent(*entries: LimitEntry, site: str = "lot", kind: str = "van", hour: int) -> float:
    return in_force(entries, site=site, body_type=kind, hour=hour).damp_percent


def test_every_changeable_limit_has_its_default_within_its_range() -> None:
    for name, (low, high) in CHANGEABLE.items():
        assert low <= getattr(LIMITS, name) <= high


def test_a_change_holds_from_its_hour_on_and_never_before() -> None:
    made = entry(1)
    assert damp_percent(made, hour=HOUR - 1) == LIMITS.damp_percent
    assert damp_percent(made, hour=HOUR) == 17.0


def test_the_narrower_change_wins_then_the_newer() -> None:
    everywhere, lot, van = entry(4, 16.5), entry(1, 17.0, site="lot"), entry(2, 18.0, kind="van")
    assert damp_percent(everywhere, lot, van, hour=HOUR) == 18.0
    assert damp_percent(everywhere, lot, hour=HOUR) == 17.0
    assert damp_percent(everywhere, lot, van, site="hill", kind="trailer", hour=HOUR) == 16.5
    assert damp_percent(lot, entry(5, 17.5, site="lot"), hour=HOUR) == 17.5


def test_an_undone_change_gives_way_to_what_held_before() -> None:
    lot, undone = entry(1, 17.0, site="lot"), entry(2, 18.0, site="lot")
    ended = entry(3, site="lot", hour=HOUR + 5, undoes=2)
    assert damp_percent(lot, undone, ended, hour=HOUR + 4) == 18.0
    assert damp_percent(lot, undone, ended, hour=HOUR + 5) == 17.0
    assert undo([lot, undone], 2, hour=HOUR + 5).new == 17.0
    assert undo([lot], 1, hour=HOUR + 5).new == LIMITS.damp_percent


def test_steps_say_only_what_changes() -> None:
    found = steps([entry(1), entry(2, 17.0, hour=HOUR + 3)], site="lot", body_type="van")
    assert found == (LimitStep(HOUR, "damp_percent", 17.0),)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("settling_h", 50.0, "cannot be changed"),
        ("damp_percent", 5.0, "is outside"),
        ("damp_percent", 14.0, "would not be below"),  # below where damp clears
        ("wet_percent", 16.0, "would not be below"),
        ("damp_percent", 16.0, "there already"),
    ],
)
def test_a_change_that_makes_no_sense_is_refused(name: str, value: float, said: str) -> None:
    with pytest.raises(InputError, match=said):
        change([], name=name, value=value, site="", body_type="", hour=HOUR)


def test_a_change_cannot_be_undone_twice_nor_an_undo_undone() -> None:
    made, ended = entry(1), entry(2, undoes=1)
    for number, said in ((1, "already"), (2, "no change"), (7, "no change")):
        with pytest.raises(InputError, match=said):
            undo([made, ended], number, hour=HOUR)


def test_limits_over_hours_are_the_same_however_they_are_cut() -> None:
    found = (LimitStep(HOUR + 3, "damp_percent", 17.0), LimitStep(HOUR + 6, "damp_percent", 18.0))
    whole = over("damp_percent", found, hour=HOUR, hours=8)
    parts = [
        np.broadcast_to(over("damp_percent", found, hour=HOUR + at, hours=2), 2)
        for at in (0, 2, 4, 6)
    ]
    assert np.array_equal(whole, np.concatenate(parts))
    assert np.array_equal(whole, [16, 16, 16, 17, 17, 17, 18, 18])


# --- through the judgement ------------------------------------------------------------------------


def judged(*changed: LimitStep, cut: int | None = None) -> Judgement:
    """Ten days at 82 % humidity and 12 degC: wood at about 16.9 %."""
    unit = replace(watched({"z": hourly_series(12.0, [82.0] * 240)}), limits=changed)
    if cut is None:
        return advance(unit, None, from_day=START_S // DAY_S, to_hour=HOUR + 240)
    first = advance(unit, None, from_day=START_S // DAY_S, to_hour=HOUR + cut * 24)
    memory = first.checkpoints[-1][1]
    return advance(unit, memory, from_day=START_S // DAY_S + cut, to_hour=HOUR + 240)


def words(judgement: Judgement) -> list[str]:
    return judgement.hours["z"]["state"].tolist()


def test_a_changed_limit_judges_from_its_hour_on_and_rewrites_nothing_before() -> None:
    plain = judged()
    assert words(plain)[-1] == "damp"
    raised = (
        LimitStep(HOUR + 120, "damp_clears_percent", 18.0),
        LimitStep(HOUR + 120, "damp_percent", 19.0),
    )
    changed = judged(*raised)
    assert words(changed)[:120] == words(plain)[:120]
    assert words(changed)[-1] == "dry"
    for name, column in plain.hours["z"].items():  # what is measured and worked out stays too
        if name not in {"state", "trend", "cause"}:
            np.testing.assert_array_equal(column, changed.hours["z"][name])
    assert words(judged(*raised, cut=4)) == words(changed)[96:]


def test_without_a_change_the_judgement_is_the_same_to_the_bit() -> None:
    default = LimitStep(HOUR, "damp_percent", LIMITS.damp_percent)
    assert [blob for _, blob in judged(default).checkpoints] == [
        blob for _, blob in judged().checkpoints
    ]


def first_raised(kind: str, zone: Zone, readings: ZoneReadings, *changed: LimitStep) -> int | None:
    """Hours from the start to the first alarm of a kind; None: none in the whole time."""
    hours = (int(readings.at_s[-1]) - START_S) // 3600 + 1
    outside = {"air": hourly_series(-8.0, [70.0] * hours)}
    unit = replace(watched({zone.code: readings}, zones=[zone], site=outside), limits=changed)
    found = advance(unit, None, from_day=START_S // DAY_S, to_hour=HOUR + hours)
    begun = [a.raised_s for a in found.alarms if a.kind == kind and a.cleared_s is None]
    return (min(begun) - START_S) // 3600 if begun else None


FALLING = hourly_series(8.0 - np.arange(60) * 0.2, [60.0] * 60)  # 8 °C, 0.2 K colder each hour
RISING, SOAKED = (hourly_series(25.0, [p] * 24 * 60) for p in (95.0, 100.0))


@pytest.mark.parametrize(
    ("kind", "zone", "readings", "name", "value"),
    [
        ("freezing", Zone("u1", "air-main", "cabin"), FALLING, "freezing_c", 1.0),
        ("mould growth", Zone("u1", "w", "wall"), RISING, "index_first", 2.0),
        ("rot", Zone("u1", "w", "wall"), SOAKED, "rot_hours", 400.0),
        (
            "condensation",
            Zone("u1", "air-main", "cabin", temperature_factor=0.9),
            hourly_series(20.0, [50.0] * 30 + [90.0] * 60),
            "dew_hours",
            9.0,
        ),
    ],
)
def test_every_other_limit_moves_its_alarm_and_only_from_its_hour_on(
    kind: str, zone: Zone, readings: ZoneReadings, name: str, value: float
) -> None:
    plain = first_raised(kind, zone, readings)
    assert plain is not None
    later = first_raised(kind, zone, readings, LimitStep(HOUR, name, value))
    assert later is not None
    assert later > plain
    too_late = LimitStep(HOUR + plain + 1, name, value)
    assert first_raised(kind, zone, readings, too_late) == plain


# --- through the record ---------------------------------------------------------------------------


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        opened.add_site(Site("lot"))
        opened.add_unit(Unit("u1", "lot", body_type="van"))
        yield opened


def test_a_named_person_changes_a_limit_and_it_stands_with_the_reason(
    record: Record, tmp_path: Path
) -> None:
    words = ("limits", "set", "damp_percent", "17", "--site", "lot", "--kind", "van")
    refused = sillkeep(tmp_path, *words, "--who", " ", "--why", "because")
    assert (refused.returncode, "say who" in refused.stderr) == (2, True)
    done = sillkeep(tmp_path, *words, "--who", "Lee", "--why", "a dry barn")
    assert done.returncode == 0, done.stderr
    (made,) = record.limit_entries()
    assert (made.site, made.body_type, made.old, made.new) == ("lot", "van", 16.0, 17.0)
    assert (made.who, made.why) == ("Lee", "a dry barn")
    assert made.from_hour == made.recorded_s // 3600  # the hour that nobody has judged yet
    undone = sillkeep(tmp_path, "limits", "undo", "1", "--who", "Kim", "--why", "it leaked")
    assert undone.returncode == 0, undone.stderr
    listed = sillkeep(tmp_path, "limits").stdout
    assert "damp_percent 16 -> 17, lot, van, from" in listed
    assert "by Lee: a dry barn  (undone)" in listed
    assert "17 -> 16 (undoes 1)" in listed
