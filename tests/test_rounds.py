"""Rounds: findings are kept once whatever is sent, end or confirm a suspicion, and say nothing of a closed roof."""

import io
import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from itertools import product
from pathlib import Path
from uuid import UUID, uuid4

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from sqlalchemy import update
from typer.testing import CliRunner

from dashboards.pages import rounds as page
from monitor import catalogue, rounds
from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import Event, Finding, Meter, Site, Unit, Zone, ZoneWord
from monitor.photos import cleaned
from monitor.roof import closed
from monitor.store import Record, findings, open_record, users
from monitor.store import schema as t
from monitor.store.board import UnitNow, unit
from monitor.store.photos import MOST_OF_UNIT
from monitor.text import rounds as told
from tests.filled import NOW_S, filled_record
from tests.pseudo import pseudo
from tests.signed import WHOLE, session
from tests.test_access import ORIGIN, Yard, drawn, make_yard
from tests.test_languages import english

WALK = str(UUID(int=7))
AT_S = NOW_S - 3600


def entry(**more: object) -> dict[str, object]:
    return {
        "identity": str(uuid4()),
        "round": WALK,
        "unit": "van-wet",
        "zone": "off-rear-low",
        "at_s": AT_S,
        "construction": "laminated",
        "checks": {"press": "soft"},
    } | more


def read(sent: object, **more: object) -> Finding:
    return rounds.read(sent, **({"who": "Ann", "now_s": NOW_S} | more))  # type: ignore[arg-type]


def jpeg(seed: int = 0) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (seed, 90, 90)).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with filled_record(tmp_path, days=2) as made:
        yield made


# --- once, in any order ---------------------------------------------------------------------------

IDENTITIES = [str(UUID(int=k)) for k in range(1, 6)]
SENT = [
    entry(identity=IDENTITIES[0]),
    entry(identity=IDENTITIES[1], result="no leak", checks={}, at_s=AT_S + 60),
    entry(identity=IDENTITIES[2], zone="air-main", checks={"smell": "musty"}, at_s=AT_S - 60),
    entry(identity=IDENTITIES[3], checks={}, construction="", note="wrong van",
          withdraws=IDENTITIES[0], at_s=AT_S + 90),
    entry(identity=IDENTITIES[4], checks={"sight": "wavy"}, construction="hung",
          meter={"device": "the blue one", "mode": "pin", "percent": 23.5, "temperature_c": 11}),
]  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    order=st.lists(st.integers(0, 4), min_size=5, max_size=14).filter(
        lambda o: set(o) == {*range(5)}
    )
)
def test_any_order_and_any_repetition_gives_the_same_findings(tmp_path_factory, order) -> None:
    home = tmp_path_factory.mktemp("any")
    with open_record(home) as record:
        record.add_site(Site("yard"))
        record.add_unit(Unit("van-wet", "yard"))
        for zone in ("off-rear-low", "air-main"):
            record.add_zone("yard", Zone("van-wet", zone))
        new = [record.add_findings([read(SENT[k])]) for k in order]
        assert sorted(one for each in new for one in each) == IDENTITIES
        kept = record.findings("van-wet")
        wanted = sorted((read(sent) for sent in SENT), key=lambda f: (f.at_s, f.identity))
        assert kept == wanted
        assert [findings.digest(each) for each in kept] == [each.digest for each in kept]
        assert [each.identity for each in rounds.standing(kept)] == [
            IDENTITIES[2], IDENTITIES[4], IDENTITIES[1],
        ]  # fmt: skip
        inspections = [e for e in record.events("yard", unit="van-wet") if e.kind == "inspection"]
        assert inspections == [Event(AT_S + 60, "inspection", "no leak", "van-wet", "off-rear-low")]


def test_an_identity_is_of_one_finding_alone(record: Record) -> None:
    first = read(entry())
    record.add_findings([first])
    with pytest.raises(InputError, match="another finding"):
        record.add_findings([replace(first, zone="air-main")])
    with pytest.raises(InputError, match="another finding"):
        record.add_findings([replace(first, unit="van-dry")])
    assert record.findings("van-wet") == [replace(first, score=None)]


def test_one_altered_byte_is_told(record: Record) -> None:
    record.add_findings([read(entry(note="sill soft"))])
    with record.engine.begin() as db:
        db.execute(update(t.finding).values(note="sill sofu"))
    (kept,) = record.findings("van-wet")
    assert findings.digest(kept) != kept.digest
    run = CliRunner().invoke(
        app, ["round", "show", "van-wet"], env={"SILLKEEP_HOME": str(record.home)}
    )
    assert "ALTERED since it was written" in run.stdout


def test_an_entry_whose_author_was_removed_is_not_called_altered(record: Record) -> None:
    users.add(
        record.engine, "Wilhelmina", role="technician", reach=users.Reach(whole=True),
        password=None, by=users.Doer("Ann", AT_S),
    )  # fmt: skip
    record.add_findings([read(entry(note="sill soft"), who="Wilhelmina")])
    run = CliRunner()
    home = {"SILLKEEP_HOME": str(record.home)}
    gone = run.invoke(app, ["user", "forget", "Wilhelmina", "--yes"], env=home)
    assert gone.exit_code == 0, gone.output
    shown = run.invoke(app, ["round", "show", "van-wet"], env=home).stdout
    assert "Wilhelmina" not in shown
    assert "sill soft" in shown
    assert "ALTERED" not in shown
    with record.engine.begin() as db:  # its digest was made anew: a change afterwards shows
        db.execute(update(t.finding).values(note="sill sofu"))
    shown = run.invoke(app, ["round", "show", "van-wet"], env=home).stdout
    assert "sill sofu  ALTERED since it was written" in shown


# --- the latch ------------------------------------------------------------------------------------


@pytest.mark.parametrize("result", ["no leak", "condensation", "nothing found", "leak found", ""])
def test_only_a_result_without_a_leak_is_an_inspection(record: Record, result: str) -> None:
    record.add_findings([read(entry(result=result, note="looked"))])
    found = [e for e in record.events("yard", unit="van-wet") if e.kind == "inspection"]
    if result in {"", "leak found"}:
        assert found == []
    else:
        value = f"{result}: looked"
        assert found == [Event(AT_S, "inspection", value, "van-wet", "off-rear-low")]
        due = {one.unit: one.from_hour for one in record.due(to_hour=NOW_S // 3600)}
        assert due["van-wet"] <= AT_S // 3600  # it is judged again from its hour on


def test_labels_have_the_score_and_the_alarms_that_stood_then(record: Record) -> None:
    with record.engine.begin() as db:
        db.execute(update(t.hour).where(t.hour.c.hour == AT_S // 3600 - 20).values(leak_score=0.81))
        db.execute(update(t.alarm).where(t.alarm.c.alarm_id == 1).values(kind="leak suspect"))
    record.add_findings([
        read(entry(result="condensation")),
        read(entry(result="leak found", at_s=AT_S - 60 * 3600)),  # before the alarm
        read(entry(unit="van-dry", result="no leak")),
        read(entry(unit="van-dry")),  # without a result: no label
    ])  # fmt: skip
    made = rounds.all_labels(record)
    assert {(label.finding.unit, label.finding.result, label.kinds, label.finding.score) for label in made} == {
        ("van-wet", "condensation", ("leak suspect",), 0.81),
        ("van-wet", "leak found", ("damp",), None),
        ("van-dry", "no leak", (), 0.81),
    }  # fmt: skip
    run = CliRunner().invoke(app, ["round", "labels"], env={"SILLKEEP_HOME": str(record.home)})
    assert "leak suspect: condensation 1" in run.stdout
    assert "false alarms 1 of 1" in run.stdout
    assert "do not change by themselves" in run.stdout


def test_a_withdrawn_finding_teaches_nothing(record: Record) -> None:
    first = read(entry(result="leak found"))
    gone = read(entry(checks={}, note="wrong zone", withdraws=first.identity, at_s=AT_S + 5))
    record.add_findings([first, gone])
    assert rounds.all_labels(record) == []


# --- what is sent ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"meter": {"mode": "pin", "percent": 20}}, "no evidence"),
        ({"meter": {"device": "a", "percent": 20}}, "no evidence"),
        ({"meter": {"device": "  ", "mode": "pin", "percent": 20}}, "no evidence"),
        ({"meter": {"device": "a", "mode": "laser", "percent": 20}}, "no evidence"),
        ({"meter": {"device": "a", "mode": "pin"}}, "per cent"),
        ({"meter": {"device": "a", "mode": "pin", "percent": 101}}, "0 to 100"),
        ({"meter": {"device": "a", "mode": "pin", "percent": float("nan")}}, "0 to 100"),
        ({"meter": {"device": "a", "mode": "pin", "percent": True}}, "0 to 100"),
        ({"meter": {"device": "a", "mode": "pin", "percent": 20, "price": 1}}, "object of"),
        ({"meter": []}, "object of"),
        ({"checks": {"sight": "wavy"}, "construction": ""}, "laminated or hung"),
        ({"checks": {"press": "squishy"}}, "no check"),
        ({"checks": {"dance": "yes"}}, "no check"),
        ({"checks": {"press": ["soft"]}}, "no check"),
        ({"checks": ["press"]}, "object of check"),
        ({"checks": {}}, "says nothing"),
        ({"result": "withdrawn"}, "result is one of"),
        ({"result": None}, "result is one of"),
        ({"construction": {"a": 1}}, "construction is one of"),
        ({"identity": "1"}, "UUID"),
        ({"identity": None}, "UUID"),
        ({"round": "../../x"}, "UUID"),
        ({"at_s": "now"}, "at_s"),
        ({"at_s": True}, "at_s"),
        ({"at_s": 0}, "at_s"),
        ({"at_s": 1e308}, "at_s"),
        ({"at_s": 1 << 70}, "at_s"),
        ({"unit": 5}, "unit is a text"),
        ({"unit": ""}, "unit is missing"),
        ({"zone": "x" * 65}, "zone is a text"),
        ({"note": "x" * 1001}, "note is a text"),
        ({"note": "a\x00b"}, "cannot be shown"),
        ({"withdraws": str(UUID(int=1))}, "nothing else"),
        ({"withdraws": str(UUID(int=1)), "checks": {}}, "say why"),
        ({"owner": "me"}, 'no "owner"'),
    ],
)
def test_what_is_wrong_with_an_entry_is_said(more: dict[str, object], why: str) -> None:
    with pytest.raises(InputError, match=why):
        read(entry(**more))


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
        lambda inside: (
            st.lists(inside, max_size=3)
            | st.dictionaries(
                st.sampled_from(sorted(rounds.FIELDS)) | st.text(max_size=5), inside, max_size=6
            )
        ),
        max_leaves=12,
    ),
    st.sampled_from(sorted(rounds.FIELDS)),
)
def test_no_json_breaks_the_reader(odd: object, field: str) -> None:
    for sent in (odd, entry(**{field: odd})):
        with suppress(InputError):
            assert isinstance(read(sent), Finding)


def test_a_wavy_hung_wall_is_flex_and_no_lost_bond() -> None:
    for walls, kept in (("hung", "flex"), ("laminated", "wavy"), ("not known", "wavy")):
        found = read(entry(checks={"sight": "wavy"}, construction=walls))
        assert found.checks == (("sight", kept),)
    assert rounds.construction([found, read(entry(construction="hung"))]) == "hung"
    assert rounds.construction([found]) == ""


def test_no_finding_is_later_than_its_receipt() -> None:
    assert read(entry(at_s=NOW_S + 9_000_000)).at_s == NOW_S


def test_who_wrote_it_and_who_sent_it_are_both_named() -> None:
    assert read(entry(by="Ann")).who == "Ann"
    assert read(entry(by="Bo")).who == "Bo, sent by Ann"


def test_bands_are_those_of_the_trade() -> None:
    # two independent workshop scales: 15, 20, 25 and 30 % by resistance in wood; common practice
    limits = [
        meter for meter in range(101) if told.meter_label(meter) != told.meter_label(meter - 1)
    ]
    assert limits == [15, 20, 25, 30]
    said = told.meter_text(Meter("the blue one", "pin", 22.0))
    assert "trade scale of hand meters, common practice" in said
    assert "temperature of the material not told" in said


# --- the roof -------------------------------------------------------------------------------------

WORDS: tuple[ZoneWord, ...] = ("dry", "damp", "wet", "unknown")


def standing_as(now: UnitNow, roofs: tuple[str, ...], rated: str) -> UnitNow:
    zones = [replace(now.zones[0], code=f"z{k}", kind="roof", word=word)
             for k, word in enumerate(roofs)]  # fmt: skip
    return replace(
        now,
        zones=(*zones, replace(now.zones[0], kind="slide-floor")),
        declared=replace(now.declared, roof=rated),
    )


def test_no_step_on_a_roof_is_handed_out_while_it_is_closed(record: Record) -> None:
    now, _ = unit(record.engine, "van-dry", now_s=NOW_S)
    shown = 0
    for count in range(3):
        for roofs, rated in product(product(WORDS, repeat=count), ("", "rated", "not rated")):
            given_ = standing_as(now, roofs, rated)
            made = page.of_unit(given_, [], timezone="UTC")
            text = json.dumps(made)
            why = closed(((z.kind, z.word) for z in given_.zones), rated=rated)
            assert (told.ROOF_STEP in text) == (not why)
            assert ("Keep off the roof" in text) == bool(why)
            assert made["roof"]["open"] == (not why)
            for zone in made["zones"]:
                assert not why or not zone["is_roof"] or "sealant" not in zone["checks"]
            shown += not why
    assert shown == 6  # one or two roof zones, each dry or damp, of a rated roof
    form = page.form_words()
    assert told.ROOF_STEP not in json.dumps(form)
    assert "from inside" in form["say"]["inside"]  # of what is tapped and pressed in a roof's zone


def test_each_caution_stands_at_its_step_and_none_is_a_verdict() -> None:
    form = page.form_words()
    assert "lean" in form["checks"]["press"]["before"]
    assert "Leave" in form["checks"]["smell"]["after"]["sharp"]
    assert "shore power" in form["checks"]["lining"]["before"]
    for size in ("medium", "large"):
        assert "licensed professional" in form["checks"]["growth"]["after"][size]
        assert "check your local rule" in form["checks"]["growth"]["after"][size]
    everything = json.dumps(form).lower()
    for verdict in ("toxic", "mould-free", "illegal", "required by law", "is safe", "healthy"):
        assert verdict not in everything


def test_every_word_of_the_page_comes_from_the_catalogue() -> None:
    with catalogue.read_in(pseudo()):
        texts = json.dumps(page.form_words()["say"], ensure_ascii=False)
        assert english("".join(f"<p>{one}</p>" for one in json.loads(texts).values())
                       .replace("{", "<i x=").replace("}", ">")) == set()  # fmt: skip
        form = page.form_words()
        labels = [
            label
            for group in ("constructions", "results", "modes", "bands")
            for _, label in form[group]
        ]
        for check in form["checks"].values():
            labels += [check["title"], check["how"], check["before"], *check["after"].values()]
            labels += [label for _, label in check["answers"]]
        assert english("".join(f"<p>{one}</p>" for one in labels)) == set()


# --- over the board -------------------------------------------------------------------------------


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    filled_record(tmp_path, days=2).close()
    return make_yard(tmp_path)


def send(yard: Yard, sent: object, *photos: bytes, secret: str = "", **given_: object):
    client = yard.client(secret or session(yard.home, now_s=NOW_S))
    token = client.get("/round-token").json["token"]
    form = {"token": token, "entry": sent if isinstance(sent, str) else json.dumps(sent)}
    files = [(io.BytesIO(one), f"{k}.jpg") for k, one in enumerate(photos)]
    return client.post(
        "/round-send", data=form | ({"photo": files} if files else {}),
        headers=given_.get("headers", ORIGIN), content_type="multipart/form-data",
    )  # fmt: skip


def kept(yard: Yard, of: str = "van-wet") -> list[Finding]:
    with open_record(yard.home, read_only=True) as record:
        return record.findings(of)


def test_a_finding_with_photos_is_received_once_and_stands_on_the_page(yard: Yard) -> None:
    sent = entry(result="leak found", note="<b>seam</b>", checks={"growth": "medium"})
    for _ in range(3):
        answer = send(yard, sent, jpeg(1), jpeg(2))
        assert (answer.status_code, answer.json) == (200, {"received": sent["identity"]})
    (found,) = kept(yard)
    assert len(found.photos) == 2
    assert found.who == "Owner"
    client = yard.client(session(yard.home, now_s=NOW_S))
    shown = drawn(client, "/unit/van-wet/zone/off-rear-low")
    assert "Leak confirmed; the suspicion stays open" in shown
    assert "check your local rule" in shown
    assert "&lt;b&gt;seam&lt;/b&gt;" in shown
    for digest in found.photos:
        assert f"/photo/van-wet/{digest}.jpg" in shown
        assert client.get(f"/photo/van-wet/{digest}.jpg").data == cleaned(jpeg(1 + found.photos.index(digest)))  # fmt: skip


@pytest.mark.parametrize(
    "sent", ["", "[", "[]", "null", "5", '"x"', "[" * 9000, "{}", '{"unit": ["van-wet"]}', "x" * 20_000],
)  # fmt: skip
def test_hostile_json_is_refused_in_words(yard: Yard, sent: str) -> None:
    answer = send(yard, sent)
    assert answer.status_code == 422
    assert answer.json["refused"]


def test_photos_are_limited_and_what_is_none_keeps_nothing(yard: Yard) -> None:
    assert "4 photos" in send(yard, entry(), *[jpeg(k) for k in range(5)]).json["refused"]
    assert "no photo" in send(yard, entry(), jpeg(1), b"GIF89a").json["refused"]
    assert kept(yard) == []
    with open_record(yard.home) as record, record.engine.begin() as db:
        assert record.photos("van-wet") == []
        wet = db.execute(t.unit.select().where(t.unit.c.code == "van-wet")).one().unit_id
        row = {"unit_id": wet, "at_s": 0, "recorded_s": 0, "who": "", "data": b""}
        db.execute(t.photo.insert(), [row | {"digest": f"{k}"} for k in range(MOST_OF_UNIT)])
    assert "photos already" in send(yard, entry(), jpeg(1)).json["refused"]
    assert kept(yard) == []


def test_only_who_walks_may_send_and_only_what_they_see(yard: Yard) -> None:
    reach = type(WHOLE)(units=frozenset({"van-dry"}))
    secret = session(yard.home, now_s=NOW_S, role="technician", reach=reach, name="Tess")
    answer = send(yard, entry(), secret=secret)
    assert answer.json == {"refused": "there is no such unit that you see"}
    assert send(yard, entry(unit="van-dry"), secret=secret).status_code == 200
    assert kept(yard) == []
    client = yard.client(secret)
    data = client.get("/round-data?unit=van-wet")
    assert [one["code"] for one in data.json["units"]] == ["van-dry"]
    assert "van-wet" not in data.text
    assert "van-lost" not in data.text
    gone = client.post("/unit/van-wet/findings/withdraw", headers=ORIGIN,
                       data={"token": client.get("/round-token").json["token"]})  # fmt: skip
    assert gone.status_code == 404
    for role in ("sales", "auditor"):
        other = yard.client(session(yard.home, now_s=NOW_S, role=role))
        assert other.get("/round-data").status_code == 403
        assert "Enter a finding here" not in drawn(other, "/unit/van-wet/zone/off-rear-low")
    assert yard.client().get("/round-data").status_code == 303


def test_a_send_without_the_token_or_from_elsewhere_is_turned_away(yard: Yard) -> None:
    client = yard.client(session(yard.home, now_s=NOW_S))
    form = {"token": "0" * 64, "entry": json.dumps(entry())}
    assert client.post("/round-send", data=form, headers=ORIGIN).status_code == 403
    elsewhere = {"Origin": "http://elsewhere.invalid"}
    assert send(yard, entry(), headers=elsewhere).status_code == 403
    assert kept(yard) == []


def test_the_device_is_told_words_and_no_figures(yard: Yard) -> None:
    client = yard.client(session(yard.home, now_s=NOW_S))
    data = client.get("/round-data").json
    assert data["walk"] == ["van-wet", "van-lost"]  # by slot: A9 before A10
    assert set(data["units"][0]["zones"][0]) <= {
        "code", "kind", "word", "said", "is_roof", "checks", "roof_step", "alarms", "last",
    }  # fmt: skip
    shown = client.get("/round/van-wet").text
    assert "van-wet" not in shown  # the page that is kept says nothing of any unit


def test_a_withdrawn_finding_stays_to_be_read(yard: Yard) -> None:
    sent = entry(note="soft")
    send(yard, sent)
    client = yard.client(session(yard.home, now_s=NOW_S))
    token = client.get("/round-token").json["token"]
    for why, said in (("", "Not withdrawn"), ("other van", "The finding is withdrawn")):
        answer = client.post(
            "/unit/van-wet/findings/withdraw", headers=ORIGIN,
            data={"token": token, "identity": sent["identity"], "why": why},
        )  # fmt: skip
        assert said.replace(" ", "+") in answer.location
    shown = drawn(client, "/unit/van-wet/zone/off-rear-low")
    assert "other van" in shown
    assert rounds.standing(kept(yard)) == []
    assert len(kept(yard)) == 2


# --- files of a device ----------------------------------------------------------------------------


def test_an_exported_queue_is_taken_once_and_each_fault_is_told(yard: Yard, tmp_path: Path) -> None:
    from base64 import b64encode

    sent = entry()
    file = tmp_path / "round.json"
    entries = [
        {"entry": sent, "photos": [b64encode(jpeg(3)).decode()]},
        {"entry": entry(zone="gone"), "photos": []},
        {"entry": entry(), "photos": ["!"]},
        "x",
    ]
    file.write_text(json.dumps({"format": "sillkeep round 1", "entries": entries}))
    env = {"SILLKEEP_HOME": str(yard.home)}
    for _ in range(2):
        run = CliRunner().invoke(app, ["round", "import", str(file), "--who", "Bo"], env=env)
        assert run.exit_code == 1
        assert "1 of 4 entries are in the record" in run.stdout
        assert 'entry 2: not taken: there is no zone "gone"' in run.stdout
    assert send(yard, sent, jpeg(3)).json == {"received": sent["identity"]}  # the same path
    (found,) = kept(yard)
    assert len(found.photos) == 1
    listed = CliRunner().invoke(app, ["round", "list", "--json"], env=env)
    assert json.loads(listed.stdout)[0]["units"] == ["van-wet"]


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"format": "sillkeep round 1", "entries": 5}', "\xff"]
)
def test_a_file_that_is_none_says_so(yard: Yard, tmp_path: Path, text: str) -> None:
    file = tmp_path / "round.json"
    file.write_bytes(text.encode("latin-1"))
    run = CliRunner().invoke(app, ["round", "import", str(file), "--who", "Bo"],
                             env={"SILLKEEP_HOME": str(yard.home)})  # fmt: skip
    assert isinstance(run.exception, InputError)
