"""The record of a unit goes to its new owner: whole, without what is private, and as the seller's."""

import csv
import io
import itertools
import json
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from monitor import watch
from monitor.cli import app
from monitor.cli import handover as commands
from monitor.errors import InputError, MonitorError
from monitor.lot import Event, Photo, Placement, Site, Unit, Zone
from monitor.reports import handover, packet, tree
from monitor.store import AlarmStep, ChangedAlarm, Record, open_record, users
from monitor.store.handing import PARTS, Taken
from monitor.store.parting import Leave
from monitor.store.users import Doer, Reach
from sensors.wire import Reading
from tests.conftest import tries
from tests.filled import NOW_S, filled_record
from tests.signed import session
from tests.test_access import make_yard
from tests.test_pages import drawn
from tests.test_photos import cleaned, sent
from tests.test_repairs import (
    END_S,
    HOUR_S,
    REPAIRED_S,
    benched,  # noqa: F401  a fixture of each test here
    followed,
    history,
)

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
NAME = "Tamsin Quellborough"
DAY_S = 86_400


def give(
    record: Record, unit: str, at_s: int, key: Ed25519PrivateKey = KEY, **wanted: bool
) -> bytes:
    return handover.make(
        record, handover.Wanted(unit, **wanted), key=key, made_s=at_s, program="test 1"
    )


def bring(record: Record, data: bytes, at_s: int, *, site: str = "", code: str = "") -> str:
    return take(record, data, at_s, site=site, code=code).done


def take(record: Record, data: bytes, at_s: int, *, site: str = "", code: str = "") -> Taken:
    where = handover.Where(site, code)
    return handover.take(record, handover.look(data), where, who="me", now_s=at_s)


@pytest.fixture(scope="module")
def seller(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a repaired unit u1, watched for 64 days; a photo, alarms, people."""
    folder = tmp_path_factory.mktemp("seller")
    with followed(folder, history()) as record:
        users.add(record.engine, NAME, role="technician", reach=Reach(whole=True), password=None,
                  by=Doer("test", END_S))  # fmt: skip
        data = cleaned(sent((60, 40)))
        record.keep_photo(
            "u1",
            Photo(sha256(data).hexdigest(), END_S - DAY_S, END_S - DAY_S, NAME, f"by {NAME}"),
            data,
        )
        record.add_event("yard", Event(END_S - DAY_S, "inspection", f"dry,\nsaid {NAME} \\n", "u1", "w1"),
                         recorded_s=END_S - DAY_S, who=NAME)  # fmt: skip
        watch.tick(record, now_s=END_S)
    return folder


@pytest.fixture(scope="module")
def made(seller: Path) -> bytes:
    with open_record(seller, read_only=True) as record:
        return give(record, "u1", END_S)


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path / "new") as record:
        yield record


def parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def repacked(held: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in held.items():
            packed.writestr(name, data)
    return out.getvalue()


def signed_anew(held: dict[str, bytes], key: Ed25519PrivateKey = KEY, **other: object) -> bytes:
    """What somebody makes who has a key: all digests are right again."""
    manifest = json.loads(held["manifest.json"])
    tables = {name: data for name, data in held.items() if name not in handover.OWN}
    lines = handover._lines(tables)
    manifest["files"] = {
        name: {
            "bytes": len(data),
            "rows": handover._rows(name, data),
            "sha256": sha256(data).hexdigest(),
        }
        for name, data in tables.items()
    }
    manifest |= {"leaves": len(lines), "root": tree.root(lines)} | other
    said = handover._written(manifest)
    signature = {"public_key": tree.public_key(key), "signature": tree.sign(key, said)}
    return repacked(held | {"manifest.json": said, "signature.json": handover._written(signature)})


def state(record: Record, unit: str) -> dict[str, object]:
    """All that a unit's pages are drawn from, without keys of rows."""
    with record._reading() as db:
        from monitor.store.handing import Giver

        giver = Giver(db, unit, [], 2**40)
        return {name: sorted(map(str, part.rows(giver))) for name, part in PARTS.items()}


# --- the way there and back -----------------------------------------------------------------------


def test_the_new_home_says_the_same(seller: Path, made: bytes, home: Record) -> None:
    assert bring(home, made, END_S) == "new"
    with open_record(seller, read_only=True) as before:
        ours, theirs = (one.repairs(unit="u1") for one in (home, before))
        assert str([replace(row, site="") for row in ours]) == str(
            [replace(row, site="") for row in theirs]
        )
        assert ours[0].now is not None
        assert ours[0].now.verdict == "stayed dry"
        ours, theirs = (str(one.proof_revisions("u1", "w1", REPAIRED_S)) for one in (home, before))
        assert ours == theirs
        for zone in ("w1", "w2", "w3"):
            span = {"from_hour": 0, "to_hour": END_S // 3600 + 9}
            assert home.hours("u1", zone, **span)[0]["coverage_percent"] > 0
            drop = {"zone_id"}
            assert [
                {k: v for k, v in row.items() if k not in drop}
                for row in home.hours("u1", zone, **span)
            ] == [
                {k: v for k, v in row.items() if k not in drop}
                for row in before.hours("u1", zone, **span)
            ]
        rows = [(a.zone, a.kind, a.class_, a.raised_s, a.text) for a in home.alarms(unit="u1")]
        assert rows == [
            (a.zone, a.kind, a.class_, a.raised_s, a.text) for a in before.alarms(unit="u1")
        ]
        assert home.photo("u1", home.photos("u1")[0].digest) == before.photo(
            "u1", before.photos("u1")[0].digest
        )
    assert home.sites() == [Site("home", "", "UTC", 0.0)]
    came = home.received("u1")
    assert came is not None
    assert (came.key, came.until_s) == (tree.public_key(KEY), END_S // 3600 * 3600)


def test_its_pages_say_the_same_and_whose_it_is(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with filled_record(tmp_path / "a", days=30) as before:
        data = give(before, "van-wet", NOW_S)
        with open_record(tmp_path / "b") as after:
            after.add_site(Site("yard", "North yard", "Europe/Brussels", 40.0))
            bring(after, data, NOW_S)
            session(tmp_path / "a", now_s=NOW_S)
            session(tmp_path / "b", now_s=NOW_S)
    pages = []
    for name in ("a", "b"):
        yard = make_yard(tmp_path / name)
        client = yard.client(session(tmp_path / name, now_s=NOW_S))
        pages.append(
            [drawn(client, path) for path in ("/unit/van-wet", "/unit/van-wet/zone/off-rear-low")]
        )
    for there, here in zip(*pages, strict=True):
        for said in ("22.", "Long grey", "off-rear-low", "rain witnessed 5 times"):
            assert (said in there) == (said in here), said
    unit = pages[1][0]
    assert "recorded by the seller (key 03a107bf f3ce10be)" in unit
    assert "these stood: wet off-rear-low" in unit
    assert "recorded by the seller" not in pages[0][0]


def test_written_again_it_has_the_same_contents(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    again = give(home, "u1", END_S + 5, OTHER)
    ours, theirs = parts(again), parts(made)
    assert ours.keys() == theirs.keys()
    for name in ours.keys() - set(handover.OWN):
        assert ours[name] == theirs[name], name
    assert json.loads(ours["manifest.json"])["root"] == json.loads(theirs["manifest.json"])["root"]
    ledger = json.loads(ours["manifest.json"])["ledger"]
    assert [(line["what"], line["giver"]) for line in ledger] == [
        ("received", tree.public_key(KEY))
    ]


def test_typed_text_is_no_formula_and_arrives_as_it_was_of_both_forms(tmp_path: Path) -> None:
    typed = ["=1+2", "'tis dry", "@SUM(A1)", '-x, "y"', "\tb\nc"]
    with filled_record(tmp_path / "old") as record:
        for number, said in enumerate(typed):
            event = Event(NOW_S - 60 + number, "inspection", said, "van-wet")
            record.add_event("yard", event, recorded_s=NOW_S, who="test")
        made = give(record, "van-wet", NOW_S)
    held = parts(made)
    written = held["events.csv"].decode()
    assert "=1+2" in written
    assert ",=1+2" not in written
    assert "\n=" not in written
    plain = dict(held)
    for name, part in PARTS.items():
        rows = handover._table(name, held[name], dict.fromkeys(part.columns, "text"), plain=False)
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")  # as the form before had it
        writer.writerow(part.columns)
        writer.writerows([handover._cell(value) for value in row.values()] for row in rows)
        plain[name] = out.getvalue().encode()
    assert ",=1+2" in plain["events.csv"].decode()
    for number, data in enumerate((made, signed_anew(plain, format=handover.PLAIN_FORMAT))):
        with open_record(tmp_path / f"new-{number}") as home:
            assert bring(home, data, NOW_S) == "new"
            (site,) = home.sites()
            values = [event.value for event in home.events(site.code, unit="van-wet")]
            assert [value for value in values if value in typed] == typed


def test_taken_in_twice_it_changes_nothing(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    before = state(home, "u1"), home.ledger(), home.alarms(unit="u1"), home.received("u1")
    assert bring(home, made, END_S + 9) == "same"
    assert (state(home, "u1"), home.ledger(), home.alarms(unit="u1"), home.received("u1")) == before


@pytest.fixture(scope="module")
def revisions(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """The same unit at four times; the seller noted, found and changed things between them."""
    folder = tmp_path_factory.mktemp("revisions")
    found = []
    with filled_record(folder, days=3) as record:
        for number, at_s in enumerate((NOW_S - 30 * 3600, NOW_S - 20 * 3600, NOW_S, NOW_S + 3600)):
            found.append(give(record, "van-wet", at_s))
            record.add_event(
                "yard", Event(at_s, "hose", f"{number}", "van-wet"), recorded_s=at_s, who="J"
            )
            step = AlarmStep(at_s, "acknowledged", "J", f"seen {number}")
            record.change_alarm(ChangedAlarm(1, None, "acknowledged", step), now_s=at_s)
            record.add_zone("yard", Zone("van-wet", f"new-{number}", "wall"))
    return found


ORDERS = list(itertools.product(range(4), repeat=5))


@settings(max_examples=tries(5, 40))
@given(st.sampled_from(ORDERS))
def test_in_any_order_and_however_often_the_newest_one_stands(
    tmp_path_factory: pytest.TempPathFactory, revisions: list[bytes], order: tuple[int, ...]
) -> None:
    with (
        open_record(tmp_path_factory.mktemp("some")) as one,
        open_record(tmp_path_factory.mktemp("other")) as other,
    ):
        for number in order:
            bring(one, revisions[number], NOW_S + 7200)
        for number in sorted(set(order)):
            bring(other, revisions[number], NOW_S + 7200)
        bring_last = state(one, "van-wet"), state(other, "van-wet")
        if len(bring_last[0]["zones.csv"]) == len(
            bring_last[1]["zones.csv"]
        ):  # zones are only added
            assert bring_last[0] == bring_last[1]
        assert one.received("van-wet").root == other.received("van-wet").root


# --- whose it is afterwards -----------------------------------------------------------------------


def measured(record: Record, from_s: int, hours: int, *, percent: float = 55.0) -> None:
    record.take(
        [
            Reading(site="home", node="mine", probe="p1", boot=1, seq=k, at_s=from_s + k * 3600 + 60,
                    silence_s=HOUR_S, temperature_c=15.0, humidity_percent=percent)
            for k in range(hours)
        ],
        [],
        received_s=from_s + hours * 3600,
    )  # fmt: skip


def test_what_was_received_is_never_judged_again(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    limit = END_S // 3600
    span = {"from_hour": 0, "to_hour": limit}
    before = {zone: home.hours("u1", zone, **span) for zone in ("w1", "w2", "w3")}
    told = home.repairs(unit="u1"), home.alarms(unit="u1")
    # own readings from ten days before the handover on, an event before it, and rain
    start = (limit - 240) * 3600
    home.place(Placement("mine", "p1", "home", "u1", "w1", start), recorded_s=END_S, who="me")
    measured(home, start, 240 + 72, percent=97.0)
    home.add_event("home", Event(start, "hose", "9", "u1", "w1"), recorded_s=END_S, who="me")
    for hours in (0, 24, 72):
        watch.tick(home, now_s=END_S + hours * 3600)
    assert {zone: home.hours("u1", zone, **span) for zone in before} == before
    assert home.repairs(unit="u1") == told[0]
    own = home.alarms(unit="u1")
    assert [a for a in own if a.raised_s < END_S // 3600 * 3600] == told[1]
    later = home.hours("u1", "w1", from_hour=limit, to_hour=limit + 72)
    assert len(later) == 72
    assert {row["readings"] for row in later} == {1}


def test_a_proof_of_the_seller_makes_no_packet_of_ours(made: bytes, home: Record) -> None:
    bring(home, made, END_S)
    (row,) = home.repairs(unit="u1")
    with pytest.raises(InputError, match="recorded by the seller"):
        packet.make(home, row, key=KEY, made_s=END_S, program="test 1")


def test_a_newer_file_keeps_what_was_noted_here(revisions: list[bytes], home: Record) -> None:
    bring(home, revisions[0], NOW_S + 7200)
    home.add_event("home", Event(NOW_S, "wash", "mine", "van-wet"), recorded_s=NOW_S, who="me")
    assert bring(home, revisions[3], NOW_S + 7200) == "newer"
    noted = [e.value for e in home.events("home", unit="van-wet")]
    assert sorted(noted) == ["0", "1", "2", "mine"]
    assert bring(home, revisions[1], NOW_S + 7200) == "older"
    assert [line.what for line in home.ledger()] == ["received", "received"]


def test_after_a_sale_the_file_ends_with_it(tmp_path: Path) -> None:
    with filled_record(tmp_path, days=2) as record:
        record.leave("van-wet", Leave("sold", NOW_S - 1800, "J", taker="an owner"), now_s=NOW_S)
        late = handover.look(give(record, "van-wet", NOW_S + 50 * 3600))
        assert late.manifest.until_s == NOW_S
        assert [line.what for line in late.manifest.ledger] == ["sold"]


def test_who_gave_and_took_it_goes_along_as_a_key_a_role_or_not_at_all(
    tmp_path: Path, home: Record
) -> None:
    buyer = "b" * 64
    with filled_record(tmp_path / "a", days=2) as record:
        users.add(record.engine, NAME, role="sales", reach=Reach(whole=True), password=None,
                  by=Doer("test", NOW_S))  # fmt: skip
        for at_s, taker in enumerate(
            ("Elm Lane 4, Bob", NAME.upper(), buyer, "technician"), NOW_S - 9000
        ):
            record.leave(
                "van-wet", Leave("sold", at_s, NAME, giver="this lot", taker=taker), now_s=at_s
            )
            record.take_back("van-wet", "stored", Leave("back", at_s, NAME), now_s=at_s)
        first = give(record, "van-wet", NOW_S)
    told = ["a person", "sales", buyer, "technician"]
    ledger = [line for line in handover.look(first).manifest.ledger if line.what == "sold"]
    assert [line.taker for line in ledger] == told
    assert {line.giver for line in ledger} == {"this lot"}
    typed = json.loads(parts(first)["manifest.json"])["ledger"]
    typed[0] |= {"taker": "Elm Lane 4, Bob", "giver": "Bob"}
    typed.append({"what": f"given to {NAME}", "at_s": 5, "giver": "", "taker": ""})
    bring(home, signed_anew(parts(first), ledger=typed), NOW_S)
    on = handover.look(give(home, "van-wet", NOW_S)).manifest.ledger
    sold = [(line.giver, line.taker) for line in on if line.what == "sold"]
    assert sold == [("a person", told[0]), *(("this lot", who) for who in told[1:])]
    assert on[-1] == handover.Line("received", NOW_S, tree.public_key(KEY), "this home")
    assert not any("Bob" in f"{line}" or NAME in f"{line}" for line in on)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (f"dry, said {NAME.upper()}", "dry, said a person"),
        (f"{NAME.lower()}'s word", "a person's word"),
        (NAME.replace(" ", "\n "), "a person"),
        (f"un{NAME}like", f"un{NAME}like"),  # whole words alone
    ],
)
def test_a_name_is_found_however_it_is_typed(tmp_path: Path, typed: str, told: str) -> None:
    with filled_record(tmp_path, days=2) as record:
        users.add(record.engine, NAME, role="sales", reach=Reach(whole=True), password=None,
                  by=Doer("test", NOW_S))  # fmt: skip
        record.add_event(
            "yard", Event(NOW_S - 60, "inspection", typed, "van-wet"), recorded_s=NOW_S - 60
        )
        rows = handover.look(give(record, "van-wet", NOW_S)).parts["events.csv"]
    assert [row["value"] for row in rows if row["kind"] == "inspection"] == [told]


# --- what is private ------------------------------------------------------------------------------


def test_no_name_and_nobody_who_lived_there_is_in_it(seller: Path, made: bytes) -> None:
    everything = b"".join(parts(made).values())
    assert NAME.encode() not in everything
    assert b"technician" in parts(made)["photos.csv"]
    assert b"said a person" in parts(made)["events.csv"]
    held = parts(made)
    assert {name for name in held if not name.startswith("photos/")} == {*PARTS, *handover.OWN}
    with open_record(seller, read_only=True) as record:
        assert not [
            n for n in parts(give(record, "u1", END_S, photos=False)) if n.startswith("photos/")
        ]


def test_the_air_of_rooms_of_days_lived_in_stays(tmp_path: Path) -> None:
    with filled_record(tmp_path, days=10) as record:
        moved_in, out = NOW_S - 6 * DAY_S, NOW_S - 3 * DAY_S
        for at_s, kind in ((moved_in, "occupied"), (out, "vacated")):
            record.add_event("yard", Event(at_s, kind, "2 people", "van-wet"), recorded_s=at_s)
        opened = handover.look(give(record, "van-wet", NOW_S))
        with open_record(tmp_path, read_only=True) as again:
            whole = again.hours("van-wet", "air-main", from_hour=0, to_hour=NOW_S // 3600)
    assert opened.manifest.lived_in
    assert {row["kind"] for row in opened.parts["events.csv"]}.isdisjoint({"occupied", "vacated"})
    days = range(moved_in // DAY_S, out // DAY_S + 1)
    hours = opened.parts["hours.csv"]
    rooms = [row for row in hours if row["zone"] == "air-main"]
    assert not [row for row in rooms if row["hour"] // 24 in days]
    assert len(rooms) == len([row for row in whole if row["hour"] // 24 not in days])
    for zone in ("off-rear-low", "door-mid-high"):
        for day in days:
            of_day = [row for row in hours if row["zone"] == zone and row["hour"] // 24 == day]
            assert len(of_day) == 24
            assert len({row["temperature_c"] for row in of_day}) == 1  # the day's mean
            assert len({row["humidity_percent"] for row in of_day}) == 1
        other = [
            row["temperature_c"]
            for row in hours
            if row["zone"] == zone and row["hour"] // 24 == days[-1] + 1
        ]
        assert len(set(other)) > 12


# --- strangers' files -----------------------------------------------------------------------------


def refused(record: Record, data: bytes, match: str | None = None) -> None:
    """It is refused in words, and nothing of it is kept."""
    with pytest.raises(MonitorError, match=match):
        bring(record, data, END_S)
    assert record.units() == []
    assert record.ledger() == []


def test_a_changed_byte_is_refused(made: bytes, home: Record) -> None:
    held = parts(made)
    for name in held:
        for place in (0, len(held[name]) // 2, len(held[name]) - 2):
            broken = bytearray(held[name])
            broken[place] ^= 1
            refused(home, repacked(held | {name: bytes(broken)}))
    for place in range(0, len(made), len(made) // 60):
        broken = bytearray(made)
        broken[place] ^= 4
        try:
            bring(home, bytes(broken), END_S)
        except MonitorError:
            assert home.units() == []
        else:  # a byte of the zip that says nothing, such as its date
            assert parts(bytes(broken)) == parts(made)
            return


def test_another_signer_is_refused_where_a_key_was_given(made: bytes) -> None:
    assert handover.look(made, key=tree.public_key(KEY)).key == tree.public_key(KEY)
    with pytest.raises(InputError, match="not by the key given"):
        handover.look(made, key=tree.public_key(OTHER))
    forged = parts(made) | {
        "signature.json": handover._written(
            {
                "public_key": tree.public_key(KEY),
                "signature": tree.sign(OTHER, parts(made)["manifest.json"]),
            }
        )
    }
    with pytest.raises(InputError, match="signed by another"):
        handover.look(repacked(forged))


def test_a_unit_of_another_has_its_code(made: bytes, home: Record) -> None:
    home.add_site(Site("yard"))
    home.add_unit(Unit("u1", "yard", "mine"))
    with pytest.raises(InputError, match="--as CODE"):
        bring(home, made, END_S)
    assert home.zones("u1") == []
    assert bring(home, made, END_S, code="u1-bought") == "new"
    assert bring(home, made, END_S) == "same"
    assert [unit.name for unit in home.units() if unit.code == "u1"] == ["mine"]
    assert len(home.zones("u1-bought")) == 3
    foreign = signed_anew(parts(made), OTHER)
    with pytest.raises(InputError, match="--as CODE"):
        bring(home, foreign, END_S, code="u1-bought")


def test_several_sites_ask_which(made: bytes, home: Record) -> None:
    for code in ("one", "two"):
        home.add_site(Site(code))
    with pytest.raises(InputError, match="--site, one of one, two"):
        bring(home, made, END_S)
    assert bring(home, made, END_S, site="two") == "new"
    assert home.units()[0].site == "two"


HOURS = "hours.csv"
HOSTILE = {
    "a path": lambda h: h | {"../../etc/passwd": b"x"},
    "a path of photos": lambda h: h | {"photos/../x.jpg": b"x"},
    "another file": lambda h: h | {"secrets.csv": b"a\n"},
    "a photo that is none": lambda h: h | {f"photos/{'0' * 64}.jpg": b"<script>"},
    "a photo not in its list": lambda h: {n: d for n, d in h.items() if n != "photos.csv"} | {"photos.csv": b"digest,at_s,recorded_s,who,caption\n" + b"0" * 64 + b",1,1,,\n"},
    "no unit": lambda h: h | {"unit.csv": h["unit.csv"].split(b"\n")[0] + b"\n"},
    "two units": lambda h: h | {"unit.csv": h["unit.csv"] + h["unit.csv"].split(b"\n")[1] + b"\n"},
    "a kind of zone": lambda h: h | {"zones.csv": h["zones.csv"].replace(b"wall", b"hull")},
    "a state": lambda h: h | {HOURS: h[HOURS].replace(b",dry,", b",soaked,")},
    "a word for a number": lambda h: h | {HOURS: h[HOURS].replace(b",100.0,", b",all,")},
    "no number": lambda h: h | {HOURS: h[HOURS].replace(b",100.0,", b",nan,")},
    "a huge number": lambda h: h | {HOURS: h[HOURS].replace(b",100.0,", b",1e999,")},
    "a huge hour": lambda h: h | {HOURS: h[HOURS] + h[HOURS].split(b"\n")[1].replace(b"w1,", b"w1,9999999", 1) + b"\n"},
    "an hour twice": lambda h: h | {HOURS: h[HOURS] + h[HOURS].split(b"\n")[1] + b"\n"},
    "an unknown zone": lambda h: h | {HOURS: h[HOURS] + h[HOURS].split(b"\n")[1].replace(b"w1,", b"w9,", 1) + b"\n"},
    "other columns": lambda h: h | {HOURS: h[HOURS].replace(b"coverage_percent", b"cover", 1)},
    "a short line": lambda h: h | {HOURS: h[HOURS] + b"w1,5\n"},
    "who lives there": lambda h: h | {"events.csv": h["events.csv"] + b"5,,occupied,2,5,\n"},
    "no text": lambda h: h | {"events.csv": b"\xff\xfe"},
    "a huge text": lambda h: h | {"events.csv": h["events.csv"] + b"5,,hose," + b"a" * 30_000 + b",5,\n"},
    "a nul": lambda h: h | {"events.csv": h["events.csv"] + b"5,,hose,a\x00b,5,\n"},
    "a step of no alarm": lambda h: h | {"alarm_steps.csv": h["alarm_steps.csv"] + b"999,1,1,1,normal,,\n"},
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_what_a_stranger_signs_is_looked_at_all_the_same(
    made: bytes, home: Record, what: str
) -> None:
    held = parts(made)
    other = HOSTILE[what](held)
    assert other != held, "it changes nothing: look at the fixture"
    refused(home, signed_anew(other))


@pytest.mark.parametrize(
    "other",
    [
        {"format": "sillkeep handover 3"}, {"unit": "../x"}, {"unit": 5}, {"until_s": -3600},
        {"until_s": 2**60}, {"until_s": 1}, {"made_s": "now"}, {"made_s": END_S + 9**9}, {"altitude_m": 1e9},
        {"timezone": "../../etc/passwd"}, {"ledger": [1]}, {"ledger": {}}, {"files": []}, {"extra": 1},
        {"leaves": 3}, {"nodes_go_along": "yes"},
    ],
    ids=str,
)  # fmt: skip
def test_a_manifest_that_cannot_be_is_refused(
    made: bytes, home: Record, other: dict[str, object]
) -> None:
    refused(home, signed_anew(parts(made), **other))


def test_what_would_fill_memory_or_disk_is_refused(made: bytes, home: Record) -> None:
    refused(
        home, repacked(parts(made) | {HOURS: b"0" * (handover.MOST_BYTES + 1)}), "larger than any"
    )
    refused(home, b"PK" + b"\0" * 100, "no handover")
    refused(home, b"", "no handover")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_BZIP2) as packed:
        for name, data in parts(made).items():
            packed.writestr(name, data)
    refused(home, out.getvalue(), "packed in a way")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, data in parts(made).items():
            packed.writestr(name, data)
        with pytest.warns(UserWarning, match="Duplicate"):
            packed.writestr("unit.csv", b"x")
    refused(home, out.getvalue(), "each once")
    many = {f"photos/{k:064x}.jpg": b"" for k in range(2_001)}
    refused(home, repacked(parts(made) | many), "larger than any")


@settings(max_examples=60)
@given(place=st.integers(0, 10**6), noise=st.binary(min_size=1, max_size=9))
def test_any_damage_is_refused_in_words(made: bytes, place: int, noise: bytes) -> None:
    broken = bytearray(made)
    place %= len(broken)
    broken[place : place + len(noise)] = noise
    try:
        opened = handover.look(bytes(broken))
    except InputError:
        return
    assert opened.said.encode() == parts(made)["manifest.json"]


# --- by the commands ------------------------------------------------------------------------------


def test_by_the_commands(seller: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file, new = tmp_path / "u1.zip", tmp_path / "new"

    def run(home: Path, *words: str):
        monkeypatch.setenv("SILLKEEP_HOME", str(home))
        return CliRunner().invoke(app, ["handover", *words])

    monkeypatch.setattr(commands, "_now", lambda: END_S)

    made = run(seller, "record", "u1", "--with-nodes", "--out", str(file))
    assert made.exit_code == 0, made.output
    assert "hours.csv: 4" in made.output
    key = run(seller, "key").output.strip()
    assert "is there already" in str(run(seller, "record", "u1", "--out", str(file)).exception)
    taken = run(new, "import", str(file), "--key", key)
    assert taken.exit_code == 0, taken.output
    assert "u1: taken in, recorded by the seller until" in taken.output
    assert "Its nodes go along: n1 (w1), n1 (w2), n1 (w3)" in taken.output
    assert "nothing is changed" in run(new, "import", str(file)).output
    assert "not by the key given" in str(run(new, "import", str(file), "--key", "0" * 64).exception)


def test_a_year_of_six_zones_is_small_and_fast(tmp_path: Path) -> None:
    import time

    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with filled_record(tmp_path / "a", days=365) as record:
        begun = time.perf_counter()
        data = give(record, "van-wet", NOW_S)
        with open_record(tmp_path / "b") as new:
            bring(new, data, NOW_S)
        assert len(data) < 3_000_000  # of four zones: six are half as much again
        assert time.perf_counter() - begun < 60
