"""Each person's scale, clock and colours: kept with the user, obeyed by every page."""

import hmac
import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from dash import dcc
from flask.testing import FlaskClient
from sqlalchemy import update

from dashboards import app as app_module
from dashboards import paint
from dashboards.app import make_app, page
from dashboards.words import wish
from monitor import drawing, text
from monitor.errors import InputError
from monitor.judge import limits
from monitor.store import schema as t
from monitor.store import users
from monitor.store.record import Record, open_record
from tests.filled import NOW_S, filled_record
from tests.signed import session, sight
from tests.test_access import PAGES

AMERICAN = {"fahrenheit": True, "twelve_hour": True}
COLD = (
    "slide1-floor-front is at 1.4 °C and falling since 2025-11-25 05:00 UTC. A sensor off by 0.2 K "
    "says the same."
)
CLOCK_24 = re.compile(r"(?<![-+T\d:])\b\d\d:\d\d\b(?!:|[ \u202f][AP]M)")
AXIS_12, AXIS_24 = r"%-I %p\n", r"%H:%M\n"  # as JSON writes the format of ticks
CLOCK_12 = re.compile(r"\b1?\d:\d\d [AP]M\b")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    home = tmp_path_factory.mktemp("record")
    with filled_record(home, days=4) as made, made.engine.begin() as db:
        db.execute(update(t.alarm).where(t.alarm.c.alarm_id == 1).values(text=COLD))
    with open_record(home, read_only=True) as opened:
        yield opened


def drawn(record: Record, path: str, **reads: bool) -> str:
    """Words of a page, without its addresses, and its charts."""
    asked = wish(path, "", now_s=NOW_S, **reads)
    parts = page(record, asked, token="t", sight=sight(record))
    html = " ".join(paint.stills(parts).values())
    figures = [
        json.dumps(one.figure.to_plotly_json(), default=str)
        for top in parts
        for one in top._traverse()
        if isinstance(one, dcc.Graph)
    ]
    return re.sub(r'(href|value|action|src)="[^"]*"', "", html) + " ".join(figures)


def words_of(shown: str) -> str:
    """Without the switch of scales, the quiet hours that a form holds, and data of charts."""
    shown = re.sub(r"<(a|option)[^>]*>°[CF]</(a|option)>", "", shown)
    return re.sub(r"\d{4}-\d\d-\d\d[T ][\d:.]+", "", shown)


# the log's times are those of files (RFC 3339, UTC), whoever reads it
@pytest.mark.parametrize("path", [path for path in PAGES if path != "/log"])
def test_no_page_says_celsius_or_a_24_hour_clock_to_who_likes_neither(
    record: Record, path: str
) -> None:
    shown = words_of(drawn(record, path, **AMERICAN))
    assert re.findall(r".{40}°C", shown) == []
    assert CLOCK_24.findall(shown) == []
    assert CLOCK_12.search(shown)  # "Drawn" at the foot of each, at least


@pytest.mark.parametrize("path", [path for path in PAGES if path != "/log"])
def test_no_page_says_fahrenheit_to_who_likes_celsius(record: Record, path: str) -> None:
    shown = words_of(drawn(record, path))
    assert "°F" not in shown
    assert CLOCK_12.search(shown) is None


def test_the_axes_of_charts_follow_the_clock(record: Record) -> None:
    path = "/unit/van-wet/zone/off-rear-low"
    twelve, day = drawn(record, path, **AMERICAN), drawn(record, path)
    assert (twelve.count(AXIS_12), twelve.count(AXIS_24)) == (4, 0)
    assert (day.count(AXIS_12), day.count(AXIS_24)) == (0, 4)


def test_an_alarm_is_stored_as_it_was_raised_and_read_in_the_reader_s_scales(
    record: Record,
) -> None:
    shown = drawn(record, "/unit/van-wet", **AMERICAN)
    # 1.4 °C is 34.52 °F and 0.2 K is 0.36 °F (NIST SP 811, B.8)
    assert "is at 34.5 °F and falling since 2025-11-25 5:00 AM UTC" in shown
    assert "off by 0.4 °F" in shown
    assert "is at 1.4 °C and falling" in drawn(record, "/unit/van-wet")
    assert next(a for a in record.alarms() if a.alarm_id == 1).text == COLD


@pytest.mark.parametrize(
    ("minute", "said"),
    [(0, "12:00 AM"), (59, "12:59 AM"), (60, "1:00 AM"), (720, "12:00 PM"), (1439, "11:59 PM")],
)
def test_midnight_is_12_am_and_noon_12_pm(minute: int, said: str) -> None:
    """As the common practice of the twelve-hour clock has it (NIST, times of day FAQ)."""
    assert text.clock_time(minute, twelve_hour=True) == said
    assert text.clock_time(minute, twelve_hour=False) == f"{minute // 60:02}:{minute % 60:02}"


def test_a_limit_is_read_and_written_in_the_reader_s_scale() -> None:
    for name, (low, high) in limits.CHANGEABLE.items():
        for value in (low, high):
            for fahrenheit in (False, True):
                shown = text.limit_value(name, value, fahrenheit=fahrenheit)
                back = text.limit_read(name, float(shown), fahrenheit=fahrenheit)
                assert back == pytest.approx(value, abs=0.01)
    assert text.limit_value("freezing_c", 2.0, fahrenheit=True) == "35.6"
    assert text.limit_name("freezing_c", fahrenheit=True) == "freezing alarm below, °F"
    assert text.limit_read("damp_percent", 16.0, fahrenheit=True) == 16.0


# --- colours --------------------------------------------------------------------------------------

ORIGIN = {"Origin": "http://localhost"}


@pytest.mark.parametrize(
    ("colours", "media"),
    [("", "screen and (prefers-color-scheme: dark)"), ("light", "not all"), ("dark", "screen")],
)
def test_colours_are_kept_with_the_user_and_the_next_page_has_them(
    tmp_path: Path, colours: str, media: str
) -> None:
    secret = session(tmp_path, now_s=NOW_S, name="Ann")
    session(tmp_path, now_s=NOW_S, name="Ben")
    with open_record(tmp_path, read_only=True) as record:
        app = make_app(record, now=lambda: NOW_S, change=lambda: open_record(tmp_path))
        client = app.server.test_client()
        client.set_cookie("sillkeep", secret)
        token = hmac.new(secret.encode(), b"form", "sha256").hexdigest()
        sent = {"colours": colours, "token": token}
        done = client.post("/account/wishes", data=sent, headers=ORIGIN)
        assert (done.status_code, done.location) == (303, "/account?note=Kept.")
        for again in (secret, session(tmp_path, now_s=NOW_S, name="Ann")):
            client.set_cookie("sillkeep", again)
            assert dark_when(client) == media
        client.set_cookie("sillkeep", session(tmp_path, now_s=NOW_S, name="Ben"))
        assert dark_when(client) == "screen and (prefers-color-scheme: dark)"


def dark_when(client: FlaskClient) -> str:
    """Media of the dark style sheet, which comes after the other: the later one wins."""
    shown = client.get("/account").get_data(as_text=True)
    styles = re.findall(r'<link rel="stylesheet" href="([^?"]*)[^>]*?(?: media="([^"]*)")?>', shown)
    assert [address for address, _ in styles] == ["/assets/board.css", "/assets/dark.css"]
    return str(styles[1][1])


def test_colours_that_nobody_has_are_not_kept(tmp_path: Path) -> None:
    session(tmp_path, now_s=NOW_S, name="Ann")
    with open_record(tmp_path) as record, pytest.raises(InputError, match="light, dark"):
        users.set_wishes(record.engine, "Ann", fahrenheit=False, twelve_hour=False, colours="pink")


def test_the_door_has_the_colours_of_the_device(tmp_path: Path) -> None:
    with open_record(tmp_path, read_only=False) as record:
        app = make_app(record, now=lambda: NOW_S, change=lambda: open_record(tmp_path))
        door = app.server.test_client().get("/login").get_data(as_text=True)
    assert '/assets/dark.css" media="screen and (prefers-color-scheme: dark)"' in door


# --- contrast of drawings -------------------------------------------------------------------------

ASSETS = Path(app_module.__file__).parent / "assets"
PAPER_LIGHT, PAPER_DARK = "#f8f8f4", "#11181c"
MARKS = ("INK", "FAINT", "WATER", "RAIN", "WARM", "WOOD")
NEEDED = {"INK": 4.5, "FAINT": 4.5}  # write, too (WCAG 2.2, 1.4.3); the others are lines: 1.4.11


def channels(colour: str) -> np.ndarray:
    return np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def turned(colour: np.ndarray) -> np.ndarray:
    """`invert(1) hue-rotate(180deg)`, by the matrices of Filter Effects Module Level 1, 9.6 and 11."""
    weights = np.array([0.213, 0.715, 0.072])
    rotate = 2 * np.tile(weights, (3, 1)) - np.eye(3)  # cos 180° = -1, sin 180° = 0
    return np.clip(rotate @ (1 - colour), 0, 1)


def contrast(one: np.ndarray, other: np.ndarray) -> float:
    """Contrast ratio of WCAG 2.2, from its relative luminance."""

    def luminance(colour: np.ndarray) -> float:
        linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
        return float(linear @ np.array([0.2126, 0.7152, 0.0722]))

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_computed_as_wcag_does() -> None:
    """#767676 on white is 4.54 and black on white 21 (WCAG 2.2, understanding 1.4.3)."""
    assert contrast(channels("#767676"), channels("#ffffff")) == pytest.approx(4.54, abs=0.01)
    assert contrast(channels("#000000"), channels("#ffffff")) == pytest.approx(21.0)
    assert turned(channels("#ffffff")) == pytest.approx(channels("#000000"), abs=0.01)


@pytest.mark.parametrize("name", MARKS)
def test_charts_can_be_seen_on_light_paper_and_on_dark(name: str) -> None:
    can_be_seen(getattr(drawing, name), NEEDED.get(name, 3.0))


@pytest.mark.parametrize("sign", sorted(ASSETS.glob("mark-*.svg")), ids=lambda path: path.stem)
def test_signs_can_be_seen_on_light_paper_and_on_dark(sign: Path) -> None:
    colours = re.findall(r"#[0-9a-f]{6}", sign.read_text(encoding="utf-8"))
    assert colours
    for colour in colours:
        can_be_seen(colour, 3.0)


def can_be_seen(colour: str, needed: float) -> None:
    assert contrast(channels(colour), channels(PAPER_LIGHT)) >= needed
    assert contrast(turned(channels(colour)), channels(PAPER_DARK)) >= needed


def test_the_papers_are_those_of_the_style_sheets() -> None:
    assert f"--paper: {PAPER_LIGHT};" in (ASSETS / "board.css").read_text(encoding="utf-8")
    dark = (ASSETS / "dark.css").read_text(encoding="utf-8")
    assert f"--paper: {PAPER_DARK};" in dark
    assert "invert(1) hue-rotate(180deg)" in dark
