"""Opening a repair and what is entered of it: by page and by command, with what is refused."""

import io
from collections.abc import Iterator
from dataclasses import replace
from math import inf
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from monitor import cases, watch
from monitor.cli import app
from monitor.errors import InputError
from monitor.evidence import drying
from monitor.store import Record, open_record
from tests.test_access import make_yard, post
from tests.test_repairs import DAY_S, END_S, REPAIRED_S, furnish, history, take

OPENING = cases.Opening("u1", ("w1",), "opened and dried", True, REPAIRED_S, "R. Test", twin="w2")
OF = cases.entry("w1", REPAIRED_S, at_s=END_S, now_s=END_S, who="R. Test")
SPRAY_S = REPAIRED_S + 12 * DAY_S


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), "navy").save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        furnish(opened, events=())
        yield opened


def test_a_repair_is_opened_with_its_twin_photo_goal_and_hose_test(record: Record) -> None:
    cases.open_repair(record, replace(OPENING, photos=(jpeg(),)), now_s=END_S)
    cases.add_spray(record, "u1", OF, cases.Spray("window", SPRAY_S, SPRAY_S + 600, reached=False))
    cases.decide_goal(record, "u1", OF, 1.4, "the twin is of another plywood")
    assert [(note.kind, note.value) for note in record.case_notes("u1")][0::2] == [
        ("opened", "opened and dried, sensor moved"),
        ("challenge", "window; 10 min; water came in: no"),
    ]
    assert record.case_notes("u1")[-1].why == "the twin is of another plywood"
    events = [(e.kind, e.at_s, e.zone) for e in record.events("yard", unit="u1")]
    assert events == [("repair", REPAIRED_S, "w1"), ("hose", SPRAY_S, "w1")]
    assert next(z for z in record.zones("u1") if z.code == "w1").dry_twin == "w2"
    take(record, history())
    watch.tick(record, now_s=END_S)
    watch.tick(record, now_s=END_S + DAY_S)
    (row,) = record.repairs(unit="u1")
    assert row.now is not None
    assert row.now.missing == ("bench check",)  # this version keeps none
    assert row.now.figures["goal_percent"] == 1.4


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"zones": ()}, "choose the zones"),
        ({"zones": ("outside",)}, "no wall"),
        ({"done": "painted"}, "what was done"),
        ({"twin": "w1"}, "dry twin"),
        ({"at_s": END_S + 1}, "still to come"),
        ({"goal_percent": 9.0, "why": "x"}, "0.5 to 3"),
        ({"goal_percent": 1.5}, "say why"),
        ({"who": " "}, "say who"),
    ],
    ids=str,
)
def test_what_is_not_so_opens_nothing(record: Record, change: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        cases.open_repair(record, replace(OPENING, **change), now_s=END_S)  # type: ignore[arg-type]
    assert record.repairs(unit="u1") == []
    assert record.case_notes("u1") == []


def test_a_joint_is_sprayed_after_the_repair_and_nothing_is_added_to_no_repair(
    record: Record,
) -> None:
    spray = cases.Spray("window", SPRAY_S, SPRAY_S + 600, reached=True)
    with pytest.raises(InputError, match="no repair"):
        cases.add_spray(record, "u1", OF, spray)
    assert record.events("yard", unit="u1") == []
    cases.open_repair(record, OPENING, now_s=END_S)
    for wrong in ((REPAIRED_S - 60, SPRAY_S), (SPRAY_S, SPRAY_S), (SPRAY_S, SPRAY_S + 5 * 3600)):
        with pytest.raises(InputError):
            cases.add_spray(record, "u1", OF, cases.Spray("window", *wrong, reached=False))


def test_on_the_page_a_technician_opens_a_repair_with_a_photo(tmp_path: Path) -> None:
    with open_record(tmp_path) as opened:
        furnish(opened, events=())
    yard = make_yard(tmp_path)
    yard.now_s = END_S
    client = yard.somebody("technician")
    sent = {
        "zone": ["w1"], "done": "closed", "moved": "1", "photo": (io.BytesIO(jpeg()), "in.jpg"),
    }  # fmt: skip
    answer = post(client, "/proof/u1/open", **sent)
    assert answer.status_code == 303, answer.data
    assert "open" in answer.headers["Location"]
    with open_record(tmp_path, read_only=True) as opened:
        (row,) = opened.repairs(unit="u1")
        assert row.value == "closed, sensor moved"
        assert [note.kind for note in opened.case_notes("u1")] == ["opened", "photo"]
        assert len(opened.photos("u1")) == 1


def test_the_command_opens_a_repair_and_still_shows_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    with open_record(tmp_path) as opened:
        furnish(opened, events=())
    asked = [
        "proof",
        "open",
        "u1",
        "--zone",
        "w1",
        "--zone",
        "w2",
        "--done",
        "closed",
        "--who",
        "R",
    ]
    told = CliRunner().invoke(app, asked)
    assert told.exit_code == 0, told.output
    assert "w1, repaired" in CliRunner().invoke(app, ["proof", "u1"]).output
    with open_record(tmp_path, read_only=True) as opened:
        assert [row.zone for row in opened.repairs(unit="u1")] == ["w1", "w2"]


# --- days to the goal -----------------------------------------------------------------------------

BEFORE_D, AFTER_D = 21, 100


def forecast_error(curve: str, rate: float, seed: int) -> float:
    """Of the middle of the days foretold, after a third of the time; the goal as the proof reaches it.

    Diffusion from wet wood ends in an exponential; while water is free to move its rate falls with a
    power of the excess (here 1.5). Noise as in `tests/test_drying.py`.
    """
    day = np.arange((BEFORE_D + AFTER_D) * 24) / 24 - BEFORE_D
    since = np.clip(day, 0.0, None)
    excess = 6.0 * np.exp(-rate * since)
    if curve == "falling rate":
        excess = 6.0 * (1.0 + 0.5 * rate * since) ** -2
    noise = np.repeat(np.random.default_rng(seed).normal(0.0, 0.05, (4, len(day) // 6)), 6, axis=1)
    own = drying.Watch(
        from_hour=525_960,
        moisture_percent=13.0 + np.where(day < 0, 0.0, excess) + noise[3],
        like_percent=13.0 + np.array([[-0.4], [0.0], [0.4]]) + noise[:3],
        coverage=np.ones(len(day)),
        rain_mm=np.zeros(len(day)),
    )
    repair = drying.Repair((525_960 + BEFORE_D * 24) * 3600, opened=True, moved=True)

    def figures(days: int) -> dict[str, float]:
        stop = (BEFORE_D + days) * 24
        cut = replace(
            own, moisture_percent=own.moisture_percent[:stop], like_percent=own.like_percent[:, :stop],
            coverage=own.coverage[:stop], rain_mm=own.rain_mm[:stop],
        )  # fmt: skip
        now = drying.standing(watch=cut, repair=repair)
        assert now is not None
        return dict(now.figures)

    reached = next(
        days for days in range(5, AFTER_D, 1)
        if figures(days)["excess_percent"] <= figures(days)["goal_percent"]
    )  # fmt: skip
    third = figures(-(-reached // 3))
    middle = 0.5 * (third["days_to_goal_low"] + third["days_to_goal_high"])
    assert middle < inf
    left = reached - -(-reached // 3)
    return float(middle / left - 1.0)


@pytest.mark.parametrize("rate", [0.08, 0.12])
def test_days_to_the_goal_of_a_wall_that_dries_exponentially(rate: float) -> None:
    errors = [forecast_error("exponential", rate, seed) for seed in range(2)]
    assert max(map(abs, errors)) <= 0.25, errors


def test_a_falling_rate_is_foretold_too_soon_by_a_third_at_most() -> None:
    """Known: the days foretold are those of an exponential, so a slower tail comes later."""
    error = forecast_error("falling rate", 0.12, 0)
    assert -0.40 <= error < 0.0, error


@pytest.mark.parametrize(
    ("seconds", "mm"), [(60, "0.6"), (600, "6.0"), (900, "9.0"), (7200, "9.0")]
)
def test_how_long_a_joint_was_sprayed_is_how_much_it_asks(
    record: Record, seconds: int, mm: str
) -> None:
    cases.open_repair(record, OPENING, now_s=END_S)
    spray = cases.Spray("window", SPRAY_S, SPRAY_S + seconds, reached=False)
    cases.add_spray(record, "u1", OF, spray)
    assert [e.value for e in record.events("yard", unit="u1") if e.kind == "hose"] == [mm]


def test_a_repair_that_cannot_be_opened_whole_is_not_opened_at_all(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    both = replace(OPENING, zones=("w1", "w3"), photos=(jpeg(),))
    before = record.zones("u1")

    def full(*_: object) -> None:
        raise InputError("no more photos")

    with monkeypatch.context() as patched:
        patched.setattr("monitor.store.photos.keep", full)
        with pytest.raises(InputError):
            cases.open_repair(record, both, now_s=END_S)
    assert (record.zones("u1"), record.events("yard", unit="u1")) == (before, [])
    assert record.case_notes("u1") == []
    cases.open_repair(record, both, now_s=END_S)  # and the next try is one
    assert len(record.events("yard", unit="u1")) == 2
    assert len([note for note in record.case_notes("u1") if note.kind == "photo"]) == 2
