"""Nothing is said of going on a roof while it may give way."""

from itertools import product

import pytest

from monitor.roof import closed
from monitor.text.roof import WHY_CLOSED, roof_text


@pytest.mark.parametrize(
    ("zones", "rated", "why"),
    [
        ([], "rated", ("not watched",)),
        ([("wall", "dry")], "rated", ("not watched",)),
        ([("roof", "dry")], "rated", ()),
        ([("roof", "damp")], "rated", ()),
        ([("roof", "dry"), ("slide-roof", "wet")], "rated", ("wet",)),
        ([("roof", "unknown")], "rated", ("unknown",)),
        ([("roof", "dry")], "not rated", ("not rated",)),
        ([("roof", "dry")], "", ("not declared",)),
        (
            [("roof", "wet"), ("roof", "unknown")],
            "not rated",
            ("wet", "unknown", "not rated"),
        ),
    ],
)
def test_a_roof_is_closed_for_each_reason(zones, rated, why) -> None:
    assert closed(zones, rated=rated) == why


def test_it_is_open_only_where_every_roof_zone_is_known_not_wet_and_the_maker_rates_it() -> None:
    words = ("dry", "damp", "wet", "unknown")
    for first, second, rated in product(words, words, ("", "rated", "not rated")):
        is_open = not closed([("roof", first), ("slide-roof", second)], rated=rated)
        assert is_open == (rated == "rated" and not {first, second} & {"wet", "unknown"})


def test_every_reason_is_said_and_an_open_roof_is_no_invitation() -> None:
    for why in WHY_CLOSED:
        assert roof_text([why]).startswith("Keep off the roof")
    assert "ladder" in roof_text([])
    assert "safe" not in roof_text([]).lower()
