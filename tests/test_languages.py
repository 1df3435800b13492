"""Nothing that a person reads is written past the catalogue."""

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from html import unescape
from pathlib import Path
from typing import get_args
from urllib.parse import parse_qs, urlsplit

import pytest
from dash import dcc, html
from sqlalchemy import text as sql
from sqlalchemy import update

from dashboards import access, paint, signin
from dashboards.app import page
from dashboards.pages import access as access_pages
from dashboards.words import wish
from monitor import catalogue, people, seasons, storms, text
from monitor.catalogue import Catalogue
from monitor.judge.storms import Answer, Storm
from monitor.lot import (
    JOINT_KINDS,
    AlarmKind,
    Event,
    ForecastHour,
    Joint,
    SealEntry,
    SealGroup,
    SealRule,
    SeasonStep,
    Unit,
)
from monitor.seals import Reason
from monitor.store import schema as t
from monitor.store.people import AlarmNow, Person
from monitor.store.record import Record, open_record
from monitor.store.users import Link
from monitor.text import seals
from tests import test_repairs
from tests.filled import NOW_S, WET_TEXT, filled_record
from tests.pseudo import pseudo
from tests.signed import session, sight
from tests.test_access import make_yard, post

# plain letters that may stand on a page, each with its reason
DATA = (
    r"van-(?:wet|lost|dry)|\bu1\b|\bw\d\b|North yard|yard|Long grey|Short one|node-\w+|p1",  # codes and names
    r"(?:off|door|floor|roof)-[a-z0-9-]+|slide1-[a-z-]+|air-main|outside",  # codes of zones
    r"(?<![A-Za-z])[A-C](?:\d+|(?![A-Za-z]))",  # rows and slots
    r"[A-Z][a-z]+/[A-Z][a-z]+|UTC(?:[+-]\d\d:\d\d)?|CET|AM|PM",  # time zones and clocks
    r"Sillkeep|Ann|/nowhere",  # names
    r"travel trailer|lean|weather_side|slides|body_type",  # kind and attributes of a unit as its lot file has them
    r"opened and dried, sensor moved",  # what a person noted of a repair
    r"not JSON",  # reasons of the wire format, kept with what it refused
    r"(?<=[\d\u202f ])(?:h|d|s|min|mm|mL|m|g|kg|g/kg|ppm|Pa|hPa|K|L/s|dBm|km|m²)(?![A-Za-z])",  # units
    r"°[CF]|^mm$|MQTT",
    r"\{\"site\".*\}",  # what a code to scan holds
    r"\S+\.(?:csv|json|parquet|toml)",  # names of files
)
_DATA = re.compile("|".join(f"(?:{part})" for part in DATA))
_READ = r'(?:aria-label|title|alt|placeholder)="([^"]*)"'


def english(html: str) -> set[str]:
    """Texts with plain letters that are no data; commands and files to type stay as they are."""
    html = re.sub(r"<(code|pre|style|script)\b.*?</\1>", " ", html, flags=re.DOTALL)
    texts = [*re.findall(r">([^<>]+)<", f">{html}<"), *re.findall(_READ, html)]
    return {bare for bare in map(unescape, texts) if re.search(r"[A-Za-z]", _DATA.sub("", bare))}


def figure_texts(part: object) -> list[str]:
    """What a chart writes."""
    if isinstance(part, dict):
        said = [part[n] for n in ("text", "name", "hovertemplate", "ticktext") if part.get(n)]
        plain = [one for each in said for one in ([each] if isinstance(each, str) else [*each])
                 if isinstance(one, str)]  # fmt: skip
        return plain + [one for inside in part.values() for one in figure_texts(inside)]
    if isinstance(part, list | tuple):
        return [one for inside in part for one in figure_texts(inside)]
    return []


def drawn(record: Record, address: str, *, now_s: int = NOW_S, role: str = "owner") -> set[str]:
    path, _, search = address.partition("?")
    tops = page(record, wish(path, search, now_s=now_s), token="t", sight=sight(record, role))
    found: set[str] = set()
    for top in tops:
        for part in [top, *top._traverse()]:
            found |= english(getattr(part, "data-still", "") or "")
            found |= english(f'<i aria-label="{getattr(part, "aria-label", "") or ""}">')
            if isinstance(part, dcc.Graph):
                for said in figure_texts(part.figure.to_plotly_json()):
                    bare = re.sub(r"%\{[^}]*\}|<[^>]*>", "", said)
                    found |= english(f">{bare}<")
    return found


@pytest.fixture(scope="module")
def reader() -> Catalogue:
    return pseudo()


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    folder = tmp_path_factory.mktemp("languages")
    with filled_record(folder, days=4) as made:
        keep_facts(made)
        keep_seals(made)
    with open_record(folder, read_only=True) as opened:
        yield opened


def keep_seals(record: Record) -> None:
    """Give a unit joints: one due, one with a defect, one resealed, one retired, one by a rule."""
    made = [
        Joint("roof-vents", "roof opening", on_roof=True, height_m=3.1, at_s=NOW_S - 9, who="Ann"),
        Joint("door-lamp", "marker lamp", side="door", at_s=NOW_S - 9, who="Ann"),
        Joint("off-wiper", "slide wiper", zone="off-rear-low", at_s=NOW_S - 9, who="Ann"),
        Joint("off-old", "window", retired=True, at_s=NOW_S - 9, who="Ann"),
    ]
    record.enter_joints("van-wet", made)
    noted = [
        SealEntry("door-lamp", "looked at", NOW_S - 8, NOW_S, "Ann", finding="cracked"),
        SealEntry("roof-vents", "resealed", NOW_S - 7, NOW_S, "Ann", sealant="non-sag",
                  confirmed=("no membrane here", "old sealant taken off")),
    ]  # fmt: skip
    record.note_seals("van-wet", noted)
    for joint, days in (("", 60), ("roof-vents", 0), ("door-lamp", None)):
        group: SealGroup = "roof" if joint == "roof-vents" else "walk"
        record.rule_seals("van-wet", SealRule(group, joint, days, NOW_S, "Ann", "p1"))
    record.add_event("yard", Event(NOW_S - 6, "hail", unit="van-wet"), recorded_s=NOW_S)


def keep_facts(record: Record) -> None:
    """Give the alarms of a filled record what they are said from."""
    facts = text.kept_facts("off-rear-low", FACTS)
    with record.engine.begin() as db:
        for kind in ("wet", "damp", "silent"):
            db.execute(update(t.alarm).where(t.alarm.c.kind == kind).values(facts=facts))


FACTS: dict[str, float | str] = {
    "wood_moisture_percent": 24.1,
    "ambient_moisture_percent": 14.8,
    "surface_mean_percent": 86.0,
    "mould_index": 1.2,
    "temperature_c": 1.4,
    "lowest_c": -4.0,
    "dew_h": 5.0,
    "rain_72_mm": 21.0,
    "basis": "air",
    "kind": "wall",
    "cause": "rain ingress",
    "factor": "assumed",
    "node": "node node-5",
    "since": "2025-11-23 11:00 UTC",
    "at": "2025-11-26 02:00 UTC",
    "between": "2025-11-26 01:00 UTC to 2025-11-26 03:00 UTC",
    "members": 3.0,
}

PAGES = (
    "/", "/morning", "/alarms", "/load", "/proof", "/nodes", "/chain", "/account", "/links", "/users",
    "/people", "/settings", "/begin", "/log", "/bench", "/move", "/move?node=yard/node-1", "/bench?probe=yard/node-1/p1", "/nowhere", "/?row=A&state=wet", "/nodes?word=silent",
    "/unit/van-wet/zone/off-rear-low", "/unit/van-dry/zone/off-rear-low?days=365",
    "/site/yard/zone/outside", "/unit/van-wet", "/unit/van-lost", "/unit/van-wet/living", "/unit/van-wet/lists",
    "/unit/van-lost/zone/door-mid-high", "/unit/van-dry/zone/air-main", "/unit/van-dry/lists",
    "/seals", "/unit/van-wet/seals", "/unit/van-wet/seals?joint=roof-vents", "/unit/van-dry/seals",
    "/unit/van-wet/seals?joint=door-lamp", "/unit/van-wet/seals?joint=off-wiper",
    "/unit/van-wet/handover", "/unit/van-wet/leave",
)  # fmt: skip


@pytest.mark.parametrize(
    "address",
    PAGES,
)
def test_every_word_of_a_page_comes_from_the_catalogue(
    record: Record, reader: Catalogue, address: str
) -> None:
    with catalogue.read_in(reader):
        assert drawn(record, address) == set()


def test_every_page_is_drawn_here() -> None:
    drawn_here = [address.partition("?")[0] for address in (*PAGES, "/proof/u/w/1", "/proof/u")]
    for pattern, _ in access.PAGES:
        assert any(re.fullmatch(pattern, address) for address in drawn_here), pattern


def test_every_word_of_a_repair_comes_from_the_catalogue(tmp_path: Path, reader: Catalogue) -> None:
    with test_repairs.followed(tmp_path, test_repairs.history()) as record:
        for address in ("/proof", f"/proof/u1/w1/{test_repairs.REPAIRED_S}"):
            with catalogue.read_in(reader):
                assert drawn(record, address, now_s=test_repairs.END_S) == set()


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    """Two people in `van-dry` with a forecast, carbon dioxide and a dehumidifier; one in `van-wet`
    that stands empty; lists begun and ended.
    """
    folder = tmp_path_factory.mktemp("used")
    with filled_record(folder, days=9) as made:
        keep_facts(made)
        for code, kind, value in (
            ("van-dry", "occupied", "2 people"),
            ("van-dry", "dehumidifier", "compressor"),
            ("van-wet", "dehumidifier", "desiccant"),
        ):
            event = Event(NOW_S - 9 * 86_400, kind, value, code)  # type: ignore[arg-type]
            made.add_event("yard", event, recorded_s=NOW_S)
        hour = NOW_S // 3600
        ahead = [ForecastHour(hour + k, -4.0, 90.0, 0.8 if k == 9 else 0.0) for k in range(36)]
        made.keep_forecast("yard", ahead, now_s=NOW_S)
        items = ("vents", "dry first", "water out")
        for unit in ("van-dry", "van-lost"):
            begun_s = NOW_S - 5 * 86_400
            first = made.begin_list(unit, "lay-up", (items, ()), who="Ann", now_s=begun_s)
            made.note_item(unit, first, SeasonStep("vents", "done", begun_s + 60, "Ann"))
            made.note_item(
                unit, first, SeasonStep("dry first", "left out", begun_s + 60, "Ann", "p1")
            )
            made.end_list(unit, first, now_s=begun_s + 600)
        second = made.begin_list(
            "van-dry",
            "opening",
            (("air it", "nests", "water out"), ("water out",)),
            who="Ann",
            now_s=NOW_S - 600,
        )
        for word in ("done", "open again"):
            made.note_item("van-dry", second, SeasonStep("air it", word, NOW_S - 60, "Ann"))
        made.note_item("van-dry", second, SeasonStep("nests", "done", NOW_S - 60, "Ann"))
        with made.engine.begin() as db:
            db.execute(sql("UPDATE reading SET co2_ppm = 1725"))
            zone = "(SELECT zone_id FROM zone WHERE code = '{}')"
            air = "UPDATE hour SET temperature_c = {}, humidity_percent = {}, dew_point_c = {} WHERE zone_id IN {}"
            db.execute(sql(air.format(19.0, 64.0, 12.1, zone.format("air-main"))))
            db.execute(sql(air.format(2.0, 85.0, -0.3, zone.format("outside"))))
    with open_record(folder, read_only=True) as opened:
        yield opened


@pytest.mark.parametrize(
    ("address", "role"),
    [
        ("/unit/van-dry", "owner"),
        ("/unit/van-dry/living", "owner"),
        ("/unit/van-dry/lists", "owner"),
        ("/unit/van-dry/zone/air-main", "owner"),
        ("/unit/van-wet", "owner"),
        ("/unit/van-wet/living", "owner"),
        ("/unit/van-lost/lists", "owner"),
        ("/unit/van-dry", "lot lead"),
        ("/unit/van-dry/zone/air-main", "lot lead"),
        ("/unit/van-dry/zone/off-rear-low", "lot lead"),
        ("/unit/van-dry/living", "lot lead"),
    ],
)
def test_every_word_of_a_unit_in_use_comes_from_the_catalogue(
    used: Record, reader: Catalogue, address: str, role: str
) -> None:
    with catalogue.read_in(reader):
        assert drawn(used, address, role=role) == set()


def test_a_sentence_that_is_not_said_is_found(reader: Catalogue) -> None:
    with catalogue.read_in(reader):
        shown = paint.to_html([html.P("Alarms"), html.P("Written past the catalogue.")])
        assert english(shown) == {"Written past the catalogue."}
        assert english(
            f">{catalogue.say('{zone} is wet: {moisture}.', zone='A1', moisture='damp')}<"
        )


# --- sign in --------------------------------------------------------------------------------------


def test_pages_outside_the_frame_come_from_the_catalogue(reader: Catalogue) -> None:
    link = Link(1, "Ann", "van-wet", NOW_S, "Ann", NOW_S + 900, None, None)
    with catalogue.read_in(reader):
        shown = [
            access_pages.login(token="t", back="/", trouble=signin.WRONG),
            access_pages.first_user(),
            access_pages.dead_link(),
            access_pages.made("/link/x", about="", back="/"),
            *(
                access_pages.follow(one, token="t", path="/", until="", visitor=None)
                for one in (link, replace(link, user=""), replace(link, unit=""))
            ),
        ]
    assert set().union(*map(english, shown)) == set()


# --- answers --------------------------------------------------------------------------------------


def test_every_answer_about_a_unit_is_said_in_the_reader_s_language(
    tmp_path: Path, reader: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled_record(tmp_path, days=3).close()
    session(tmp_path, now_s=NOW_S, name="Somebody")
    board = make_yard(tmp_path)
    owner, stranger = board.somebody("owner"), board.somebody("lot lead")
    monkeypatch.setattr(catalogue, "load", lambda _: reader)

    def noted(path: str, **sent: str) -> str:
        return parse_qs(urlsplit(post(owner, path, **sent).location).query)["note"][0]

    unit = "/unit/van-dry"
    said = [
        noted(f"{unit}/lists/begin", kind="lay-up"),
        noted(f"{unit}/lists/note", number="1", item="vents", word="done"),
        noted(f"{unit}/lists/end", number="1"),
        noted(f"{unit}/note", kind="occupied", people="2"),
        noted(f"{unit}/note", kind="dehumidifier", value="compressor"),
        noted(f"{unit}/note", kind="dehumidifier", value="emptied"),
        post(owner, f"{unit}/lists/eat", number="1").get_data(as_text=True),
        owner.get("/export/unit/van-dry/zone/air-main/days.csv").get_data(as_text=True),
    ]
    file = stranger.get(f"/export{unit}/zone/air-main/readings.csv")
    assert file.status_code == 403
    said.append(file.get_data(as_text=True))
    assert all(said)
    assert set().union(*(english(f">{one}<") for one in said)) == set()


# --- alarms and messages --------------------------------------------------------------------------

CASES: tuple[dict[str, float | str], ...] = (
    {},
    FACTS,
    FACTS | {"kind": "cabin", "ambient_moisture_percent": 24.0},
    FACTS | {"basis": "pin", "cause": "condensation", "state": "wet", "repaired_s": float(NOW_S)},
    FACTS | {"ambient_moisture_percent": float("nan"), "cause": "plumbing", "rain_72_mm": float("nan")},
    FACTS | {"doubt": "stuck", "days": 3.0, "swing_k": 0.1, "others_swing_k": 3.0,
             "humidity_span_percent": 0.1, "dropped": 5000.0, "battery_percent": 12.0,
             "rot_hours": 120.0, "excess_percent": 3.0, "goal_percent": 1.5, "mould_index": 3.2,
             "cue_1": "weather", "weather_level": 4.0, "voted": "follows rain (5.1 times its own error)"},
)  # fmt: skip


def test_every_kind_of_alarm_and_item_of_a_list_is_tried(reader: Catalogue) -> None:
    assert set(text.PARTS) == set(get_args(AlarmKind))
    items = {item.key for items in seasons.ITEMS.values() for item in items}
    assert items <= set(reader.messages)  # an ended list has them by their short names


@pytest.mark.parametrize("kind", sorted(text.PARTS))
def test_every_alarm_is_said_in_the_reader_s_language(reader: Catalogue, kind: AlarmKind) -> None:
    for facts in CASES:
        stored = text.alarm_text(kind, zone="off-rear-low", alarm_class="today", facts=facts)
        kept = text.kept_facts("off-rear-low", facts)
        given = {"facts": kept, "stored": stored}
        assert text.text_in_language(kind, "today", **given) == stored  # in English, as stored
        with catalogue.read_in(reader):
            said = text.text_in_language(kind, "today", **given)
            parts = text.parts_in_language(kind, "today", facts=kept, stored=())
        assert english(f">{said}<".replace("nan", "")) == set()
        assert all(english(f">{part}<".replace("nan", "")) == set() for part in parts)
        step = text.what_to_do(stored, (), "today")
        with catalogue.read_in(reader):  # found in the text as in English
            assert bool(text.what_to_do(said, (), "today")) == bool(step)


def test_every_message_is_said_in_the_reader_s_language(
    reader: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(catalogue, "load", lambda _: reader)
    who = Person("Ann", "owner", "UTC", language="qps", addresses=("a",))
    facts = text.kept_facts("off-rear-low", FACTS)
    alarm = AlarmNow(7, "yard", "van-wet", "Long grey", "A9", "off-rear-low", "", "wet", "today",
                     "unacknowledged", NOW_S, None, None, 1, WET_TEXT, facts)  # fmt: skip
    say = people._Say("k", alarm, NOW_S, "http://127.0.0.1:8050")
    withdrawn = people._Say("k", replace(alarm, withdrawn_s=NOW_S), NOW_S, "")
    sent = [
        *say.to(who),
        *say.to(who, late=lambda: text.TOLD_AGAIN),
        *say.to(who, late=lambda: text.late_text("")),
        *say.to(who, kind="correction"),
        *withdrawn.to(who, kind="correction"),
        *(
            one
            for kind in ("morning", "week", "season")
            for standing in ([], [alarm])
            for one in people.list_of(who, kind, standing, corrected=standing, due=NOW_S, now_s=NOW_S, board_url="")
        ),
    ]  # fmt: skip
    rained = Storm(NOW_S // 3600 - 30, NOW_S // 3600 - 26, 9.0)
    answer = Answer(rained, "look at", "off-rear-low", 2.5, (), ("door-mid-high",))
    sent += people.storm_messages(
        who,
        "van-wet",
        rained.from_hour,
        partial(storms.line, rained, answer, timezone="UTC"),
        now_s=NOW_S,
    )
    assert len(sent) > 9
    for message in sent:
        lines = [message.subject, *message.body.splitlines()]
        for line in lines:
            if "http://" not in line and not line.lstrip().startswith("sillkeep "):
                assert english(f">{line}<") == set()


# --- sentences of some pages in each of their forms -----------------------------------------------

NAN, INF = float("nan"), float("inf")


def of_living() -> Iterator[str]:
    for kind in ("no figures", "open more", "air and heat", "heat", "dry the air", "open a little",
                 "more air", "wipe", "nothing"):  # fmt: skip
        yield text.action_text(
            kind, surface="Single glazing", surface_c=5.0, dew_c=7.0, humidity_percent=66.0, co2_ppm=1500.0
        )  # fmt: skip
    for rain_from, known in (("14:00", True), ("", False)):
        yield text.conflicts("wipe", rain_from=rain_from, rain_known=known, frost=True, water=True)
    for state in text.DRYER_STATES:
        yield text.dryer_text(device="compressor", state=state, least_kg_d=1.0, most_kg_d=2.0)
    for word in ("stayed dry", "no change", "look at", "no data", "too early"):
        for rise in (NAN, 2.0):
            yield text.storm_text(
                word=word, day="1", rain_mm=9.0, zone="off-rear-low", rise_percent=rise, unheard=("off-a",)
            )  # fmt: skip
    for advice in ("dries", "wets", "condenses", "no clear effect", "unknown"):
        for occupied in (True, False):
            yield text.airing_text(
                advice, occupied=occupied, inside_dew_c=8.0, outside_dew_c=5.0, surface_c=-1.0, rate_g_h=40.0
            )  # fmt: skip


def of_days_and_nights() -> Iterator[str]:
    for least, most in ((NAN, NAN), (0.0, 0.0), (INF, INF), (1.0, INF), (1.0, 1.0), (2.0, 5.0)):
        yield text.days_to_dry_text(least, most, target_percent=60.0)
    for earliest, hours in ((INF, INF), (0.0, 0.0), (5.0, INF), (5.0, 9.0)):
        yield text.freeze_text(
            zone="off-a", now_c=2.0, hours=hours, earliest_h=earliest, latest_h=INF, known_h=24,
            lowest_c=-3.0, forecast=True,
        )  # fmt: skip
    for least in (NAN, INF, 4.0):
        yield text.without_heating_text(zone="off-a", least_h=least, most_h=12.0)
    for people_in in (1, 2):
        yield text.balance_text(people=people_in, noted=False, least_g_h=40.0, most_g_h=60.0)
        yield text.decays_text(count=people_in, low=0.2, high=0.4)
        yield text.night_text(
            forecast=False, balance=True, people=people_in, noted=False, outside_c=1.0, inside_c=2.0
        )


def of_airing() -> Iterator[str]:
    for occupied in (True, False):
        for windows, unknown in (([(2, 5), (25, 27)], 0), ([], 3)):
            yield text.opening_hours_text(
                windows, first_hour=11, least_g=4.0, most_g=1200.0, unknown_hours=unknown,
                occupied=occupied, twelve_hour=occupied,
            )  # fmt: skip
        yield text.airing_text(
            "condenses", occupied=occupied, inside_dew_c=8.0, outside_dew_c=9.0, surface_c=-1.0
        )
    yield text.buffer_text(air_g=40.0, furnishings_g=900.0)
    yield text.airing_basis(volume_m3=30.0, factor=0.4)


def of_the_seasons() -> Iterator[str]:
    yield from map(text.due_text, ("lay-up", "opening"))
    for ready, against in ((True, ()), (False, (("off-a", "wet"), ("off-b", "damp"))), (None, ())):
        for percent, unknown in ((NAN, ()), (70.0, ("off-c",))):
            yield text.dryness_text(ready, cabin_percent=percent, against=against, unknown=unknown)
    for first, last in ((NAN, 50.0), (50.0, 60.0), (60.0, 50.0), (50.0, 51.0)):
        yield text.settling_text(days=4, first=first, last=last)
    for value in ("compressor", "desiccant", "emptied", "taken away"):
        yield text.noted_text("dehumidifier", value)
    for value in ("1 person", "2 people"):
        yield text.noted_text("occupied", value)


def of_places_and_weather() -> Iterator[str]:
    for lean, side, slides in (("level", "off", 0), ("off-rear", "front", 1), ("", "", None)):
        yield text.stand_text(Unit("u1", "yard", lean=lean, weather_side=side, slides=slides))  # type: ignore[arg-type]
    for last, due in (("", False), ("1", True), ("1", False)):
        yield text.seals_text(last, "2", due=due)
    for levels in ({}, {"node-5": 40.0}):
        yield text.batteries_text(levels)
    yield text.wall_probe_text(["off-a", "off-b"])
    yield text.forecast_old_text("1")
    yield text.co2_text(ppm=430.0, asleep_l_s=NAN, sitting_l_s=NAN)
    for source in ("feed", "file"):
        yield text.borrowed_text(source, "yard", 4.0)
    for ago_s, problem in ((None, ""), (7200, "1")):
        yield text.station_text("yard", "p1", ago_s=ago_s, problem=problem)


def of_seals() -> Iterator[str]:
    for reason in get_args(Reason):
        for days in (1, 90):
            yield seals.why_text(reason, since="1", days=days, finding="cracked")
    for kind in JOINT_KINDS:
        for closed in ((), ("wet", "not rated")):
            for on_roof, renew in ((True, False), (False, True)):
                yield from seals.how_text(
                    kind, on_roof=on_roof, high=True, closed=closed, renew=renew
                )  # type: ignore[arg-type]
    for joints, due, defects in ((0, 0, 0), (4, 0, 0), (4, 2, 0), (4, 2, 1), (4, 2, 2)):
        yield seals.summary_text(joints=joints, due=due, defects=defects, first="1", reason="hail")
    yield seals.refused_text("off-a", before="non-sag", warned=["other kind"])
    for group in ("walk", "roof"):
        for count in (1, 2):
            yield seals.round_text(group, "u1", count)
    yield seals.renew_text("u1", "off-a")


def of_repairs_and_health() -> Iterator[str]:
    for verdict in ("stayed dry", "drying", "not yet shown", "did not stay dry"):
        for survived in (0, 1, 3):
            yield text.proof_text(verdict, zone="off-a", repaired="1", survived=survived, last="2",
                                  responses=1, missing=survived)  # fmt: skip
    for excess in (-1.0, 3.0):
        for rate, stalled in ((NAN, 0.0), (0.0, 0.0), (0.2, 0.0), (0.2, 1.0)):
            yield text.drying_text({
                "excess_percent": excess, "goal_percent": 1.0, "rate_percent_day": rate,
                "stalled": stalled, "days_to_goal_low": 4.0, "days_to_goal_high": 9.0,
            })  # fmt: skip
    yield from text.post_text(people=0, without=2, waiting=1, trouble="", expired=3, nobody=2)
    yield text.record_text(at_s=NOW_S, kinds=["hour", "p1"], count=2)
    yield text.not_watched_text(from_s=NOW_S, to_s=NOW_S)
    yield text.archive_text(level_s=0, now_s=NOW_S, refused=2, trouble="")
    yield text.flood_text("", dropped=3)


def test_each_form_of_a_sentence_comes_from_the_catalogue(reader: Catalogue) -> None:
    with catalogue.read_in(reader):
        said = [
            *of_living(), *of_airing(), *of_the_seasons(), *of_days_and_nights(), *of_places_and_weather(),
            *of_repairs_and_health(), *of_seals(),
        ]  # fmt: skip
    assert set().union(*(english(f">{one}<") for one in said)) == set()
