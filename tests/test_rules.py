"""Words of a zone as timelines: one character an hour; `_` is an hour without readings."""

from math import nan

import pytest

from monitor.judge.rules import LIMITS, Clocks, Course, Limits, Signs, follow, follow_trend

# three hours stand for the day that dampness must last, two for the half day of humid air
SHORT = Limits(damp_h=3, wet_h=3, humid_h=2, clear_h=4)
LETTERS = ".dW"


def course(timeline: str, clocks: Clocks | None = None) -> Course:
    """d damp, W wet by air, H humid, P pin wet, p pin holds, C contact, . dry, m in between, _ gap.

    I: no probe is there any more, and somebody inspected it.
    n: only the air is measured, neither water nor pin; L: the same, and somebody looked.
    """
    signs = Signs(
        heard=[c not in "_I" for c in timeline],
        seen=[c not in "_I" for c in timeline],
        damp=[c in "dWHPp" for c in timeline],
        dry=[c in ".CnL" for c in timeline],
        air_wet=[c == "W" for c in timeline],
        humid_wet=[c == "H" for c in timeline],
        pin_wet=[c == "P" for c in timeline],
        pin_holds=[c in "Pp" for c in timeline],
        contact=[c == "C" for c in timeline],
        contact_seen=[c not in "_nLI" for c in timeline],
        pin_seen=[c not in "_nLI" for c in timeline],
        looked=[c == "L" for c in timeline],
        left=[c == "I" for c in timeline],
    )
    return follow(clocks or Clocks(), signs, damp_h=SHORT.damp_h, limits=SHORT)


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        pytest.param("dddd", "..dd", id="damp after its time"),
        pytest.param("dd.ddd", ".....d", id="a dry hour starts the wait again"),
        pytest.param("dddmmmm", "..ddddd", id="between the limits nothing changes"),
        pytest.param("ddd....", "..dddd.", id="dry only after 4 h below the lower limit"),
        pytest.param("ddd..._._", "..ddddd..", id="missing hours pause the clock"),
        pytest.param("dd__d", "....d", id="a gap does not start the wait again"),
        pytest.param("ddd______", "..ddddddd", id="silence is not dryness"),
        pytest.param("Cnnnnnnn", "WWWWWWWW", id="water ends by its own channel alone"),
        pytest.param("Cnnn....nnnn", "WWWWWWW.....", id="and goes on where it is measured again"),
        pytest.param("PPPnnnnnnn", "..WWWWWWWW", id="a pin that fell silent has not dried"),
        pytest.param("CnnnnL....", "WWWWW.....", id="somebody who looked ends it"),
        pytest.param(
            "ddd__I__.", "..ddd....", id="an inspection ends what no probe is left to end"
        ),
        pytest.param("ddd__I_ddd", "..ddd....d", id="and a new probe finds it anew"),
        pytest.param("WWWW", "..WW", id="wet by air after its time"),
        pytest.param("HH", ".W", id="humid air is quicker"),
        pytest.param("PPPp", "..WW", id="a pin reading makes wet"),
        pytest.param("PPPpppp", "..WWWWW", id="a pin above the lower limit keeps it wet"),
        pytest.param("WWWdddd", "..WWWWd", id="wet clears to damp"),
        pytest.param("WWW....", "..WWWW.", id="wet and dry meanwhile clears to dry"),
        pytest.param("C", "W", id="liquid water is wet at once"),
        pytest.param("C....", "WWWW.", id="water clears after 4 h without it"),
        pytest.param("C.C....", "WWWWWW.", id="water again starts the wait again"),
        pytest.param("C_____", "WWWWWW", id="silence after water is not dryness"),
    ],
)
def test_words_follow_the_timeline(shown: str, words: str) -> None:
    assert "".join(LETTERS[level] for level in course(shown).level) == words


def test_liquid_water_and_pin_are_sure_and_air_is_not() -> None:
    assert course("C").sure == [True]
    assert course("PPP").sure == [False, False, True]
    assert course("WWW").sure == [False, False, False]


def test_a_course_may_be_cut_anywhere() -> None:
    timeline = "ddddWWWW..__HHd...C....PPPp_....dd......"
    whole = course(timeline)
    for cut in range(len(timeline)):
        clocks = Clocks()
        head, tail = course(timeline[:cut], clocks), course(timeline[cut:], clocks)
        assert head.level + tail.level == whole.level
        assert head.contact + tail.contact == whole.contact


def test_trend_has_a_dead_band_and_holds_over_gaps() -> None:
    changes = [nan, 0.2, 1.4, 1.5, 1.0, nan, 0.75, -1.6, -1.0, -0.7]
    assert follow_trend("", changes) == [
        "",
        "steady",
        "steady",
        "wetting",
        "wetting",
        "wetting",
        "steady",
        "drying",
        "drying",
        "steady",
    ]


def test_limits_are_those_that_the_documentation_names() -> None:
    assert (LIMITS.damp_percent, LIMITS.damp_clears_percent) == (16.0, 15.0)
    assert (LIMITS.wet_percent, LIMITS.wet_excess_percent) == (20.0, 3.0)
    assert (LIMITS.damp_h, LIMITS.humid_h, LIMITS.clear_h) == (24, 12, 48)
