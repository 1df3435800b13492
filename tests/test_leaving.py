"""A unit is sold or retired: who watched it, who was told of it and who saw it do so no more."""

import re
from hashlib import sha256
from pathlib import Path

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from dashboards import access
from monitor import messages, watch
from monitor import people as rules
from monitor.cli import app
from monitor.config import Messages
from monitor.errors import InputError
from monitor.lot import Event, Photo, Source
from monitor.store import NewHold, OutboxItem, open_record, people, users
from monitor.store.parting import Leave
from monitor.store.people import Message, Person
from monitor.store.users import Doer, Reach
from tests.filled import NOW_S, filled_record
from tests.signed import session
from tests.test_access import ASKED, MAY, ORIGIN, PAGES, Yard, make_yard, post
from tests.test_pages import drawn
from tests.test_photos import cleaned, sent

UNIT = "van-wet"
SALE = Leave("sold", NOW_S, "Clerk", giver="this lot", taker="a private owner")
OF_UNIT = (
    "Long grey",
    "off-rear-low is wet",
    "wood moisture is 24.1",
)  # what is said of it and of nothing else


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    record = filled_record(tmp_path, days=2)
    data = cleaned(sent((40, 30)))
    record.keep_photo(UNIT, Photo(sha256(data).hexdigest(), NOW_S, NOW_S, "J", "seam"), data)
    record.add_event("yard", Event(NOW_S - 40_000, "repair", "closed", UNIT, "off-rear-low"),
                     recorded_s=NOW_S - 40_000)  # fmt: skip
    record.hold(
        NewHold(Source("yard", "damp", UNIT, "off-rear-low"), "shelved", NOW_S, None, "J", "w"),
        now_s=NOW_S,
    )
    record.close()
    session(tmp_path, now_s=NOW_S, name="Somebody")
    return make_yard(tmp_path)


def told(
    home: Path, name: str, role: str = "lot lead", reach: frozenset[str] = frozenset()
) -> None:
    with open_record(home) as record:
        person = Person(name, role, "UTC", reach=reach, quiet=(0, 0), added_s=NOW_S - 90 * 86_400)
        pairs = [(f"json://127.0.0.1:9/{name}", "json")]
        people.add(record.engine, home, person, pairs, by=Doer("test", NOW_S))


def sell(home: Path, leaving: Leave = SALE):
    with open_record(home) as record:
        return record.leave(UNIT, leaving, now_s=NOW_S)


def test_all_that_goes_on_in_a_sold_unit_ends(yard: Yard) -> None:
    link = yard.followed(yard.link(UNIT, by=Doer("Somebody", NOW_S)))
    assert "off-rear-low" in drawn(yard.client(link), f"/unit/{UNIT}")
    left = sell(yard.home)
    assert left.nodes == ("node-0", "node-1", "node-2", "node-3")
    assert (left.alarms, left.holds, left.links) == (2, 1, 1)
    with open_record(yard.home, read_only=True) as record:
        assert not [p for p in record.placements() if p.unit == UNIT and p.to_s is None]
        assert record.alarms(unit=UNIT, open_only=True) == []
        step = record.alarm_steps(1)[-1]
        assert (step.state, step.who, step.why) == ("normal", "Clerk", "the unit was sold")
        assert record.holds() == []
        (line,) = record.ledger(unit=UNIT)
        assert (line.what, line.giver, line.taker, line.who) == (
            "sold",
            "this lot",
            "a private owner",
            "Clerk",
        )
        assert users.links(record.engine, now_s=NOW_S) == []
    assert yard.client(link).get(f"/unit/{UNIT}").status_code == 303  # its session is over


def test_what_its_nodes_still_send_is_of_no_unit(yard: Yard) -> None:
    sell(yard.home)
    with open_record(yard.home) as record:
        newest = {one.node: one for one in record.latest()}
        assert (newest["node-0"].unit, newest["node-0"].zone) == ("", "")
        held = record.unit_readings(UNIT, from_s=NOW_S, to_s=NOW_S + 86_400)
        assert sum(len(series.at_s) for series in held.values()) == 0


@pytest.mark.parametrize("role", [role for role in MAY if role != "verifier"])
def test_after_the_sale_nothing_of_it_is_behind_any_page_or_route(yard: Yard, role: str) -> None:
    """Every page and every route that reads or changes, asked for the sold unit, by each role."""
    digest = sha256(cleaned(sent((40, 30)))).hexdigest()
    with open_record(yard.home, read_only=True) as record:
        digest = record.photos(UNIT)[0].digest
    before = yard.somebody(role)
    assert before.get(f"/photo/{UNIT}/{digest}.jpg").status_code == 200
    sell(yard.home)
    client = yard.somebody(role)
    for path in PAGES:
        if path == "/log":  # what was done before: who reads it saw all of that
            continue
        shown = drawn(client, path)
        assert not [said for said in OF_UNIT if said in shown], (role, path)
        if UNIT not in path:
            assert shown.count(UNIT) == (path == "/" and "lot" in MAY[role].split()), (role, path)
        if path.startswith(f"/unit/{UNIT}") and PAGES[path] in MAY[role].split():
            assert "Sold. It stood on this lot" in shown
    at = NOW_S - 40_000
    asked = {
        "/photo/<unit>/<digest>.jpg": f"/photo/{UNIT}/{digest}.jpg",
        "/export/proof/<unit>/<zone>/<int:repaired_s>.zip": f"/export/proof/{UNIT}/off-rear-low/{at}.zip",
    }
    for rule, (method, usual, _) in ASKED.items():
        if "<unit>" not in rule and "<int:alarm_id>" not in rule:
            continue
        path = asked.get(rule, usual).replace("/alarms/99/", "/alarms/1/")
        if method == "GET":
            answer = client.get(path)
            if rule == "/round/<unit>":  # the same page whatever it is asked for
                assert not [said for said in OF_UNIT if said in answer.text], (role, path)
                continue
            assert answer.status_code in {403, 404}, (role, path)
        else:
            answer = post(client, path, who="J", why="x", kind="lay-up", hours="4", number="1")
            said = f"{answer.status_code} {answer.location}"
            assert answer.status_code in {403, 404} or "Not" in said, (role, path, said)
    assert {rule for rule in access.ROUTES if "<unit>" in rule} <= set(ASKED)
    hold = post(
        client,
        "/holds/add",
        unit=UNIT,
        zone="off-rear-low",
        kind="wet",
        hours="4",
        who="J",
        why="x",
    )
    with open_record(yard.home, read_only=True) as record:
        assert record.holds() == [], hold.location
        assert record.season_lists(UNIT) == []
        assert record.alarms(unit=UNIT, open_only=True) == []


def test_a_link_cannot_be_made_for_it_any_more(yard: Yard) -> None:
    sell(yard.home)
    answer = post(yard.somebody("owner"), "/links/add", unit=UNIT, days="3")
    assert "there+is+no+unit" in answer.location


def letters(home: Path, *, now_s: int = NOW_S) -> list[tuple[str, str, str]]:
    """(person, kind, words) of every message of the record, after a round of planning."""
    with open_record(home) as record:
        way_out: list[Message] = []
        courier = messages.Courier(
            record,
            home,
            Messages(),
            lambda: now_s,
            lambda _url, message, _drawing: way_out.append(message),
        )
        courier.turn()
        with record.engine.connect() as db:
            rows = db.execute(
                text(
                    "SELECT name, kind, subject || ' ' || body, state FROM message JOIN person USING (person_id)"
                )
            )
            return [(row[0], row[1], row[2]) for row in rows if row[3] != "void"]


def test_nobody_of_the_lot_is_told_of_it_any_more(yard: Yard) -> None:
    told(yard.home, "Lead")
    told(yard.home, "Of yard", reach=frozenset({"yard"}))
    told(yard.home, "Clerk by code", reach=frozenset({UNIT, "van-dry"}))
    told(yard.home, "Of it alone", reach=frozenset({UNIT}))
    told(yard.home, "Buyer", role="owner", reach=frozenset({UNIT}))
    with open_record(yard.home) as record, record.engine.begin() as db:
        from monitor.store import alarming

        alarming.tell(db, OutboxItem("alarm 1", "people", "wet"), alarm_id=1, now_s=NOW_S)
    before = letters(yard.home)
    assert {name for name, _, said in before if UNIT in said} >= {"Lead", "Of yard", "Of it alone"}
    session(yard.home, now_s=NOW_S, name="Buyer", reach=Reach(units=frozenset({UNIT})))
    with open_record(
        yard.home
    ) as record:  # two that wait: of it alone, and a list that names it too
        lead = next(one for one in people.listed(record.engine) if one.name == "Lead")
        waiting = [
            Message(f"waits {kind}", lead.person_id, lead.addresses[0], kind, 0, UNIT, UNIT,
                    NOW_S + 9_000, NOW_S + 90_000, alarms=((1, 1),))
            for kind in ("alarm", "morning")
        ]  # fmt: skip
        people.keep(record.engine, waiting, now_s=NOW_S)
    left = sell(yard.home, Leave("sold", NOW_S, "Clerk", keeper="Buyer"))
    assert left.messages == 2
    assert left.alone == ("Of it alone",)
    with open_record(yard.home) as record:
        reach = {one.name: one.reach for one in people.listed(record.engine)}
        with record.engine.begin() as db:  # and something new happens in it
            db.execute(
                text(
                    "UPDATE alarm SET state = 'unacknowledged', cleared_s = NULL WHERE alarm_id = 1"
                )
            )
            alarming.tell(
                db, OutboxItem("alarm 1/again", "people", "wet"), alarm_id=1, now_s=NOW_S + 1
            )
    assert reach["Clerk by code"] == {"van-dry"}
    assert "Of it alone" not in reach
    old = len(before)
    for later in (NOW_S + 120, NOW_S + 7_200, NOW_S + 9 * 86_400):
        found = [m for m in letters(yard.home, now_s=later) if m not in before]
        assert not [name for name, _, said in found if UNIT in said and name != "Buyer"], later
    assert old
    assert [name for name, _, said in found if UNIT in said] != []
    assert not rules.hears_of_rain(
        Person("Boss", "owner", "UTC", addresses=("a",)), "yard", UNIT, units=2, sold=True
    )


def test_only_the_named_buyer_keeps_sight(yard: Yard) -> None:
    of = Reach(units=frozenset({UNIT}))
    seller = yard.client(session(yard.home, now_s=NOW_S, name="Seller", reach=of))
    buyer = yard.client(session(yard.home, now_s=NOW_S, name="Buyer", reach=of))
    with pytest.raises(InputError, match='no user "Nobody"'):
        sell(yard.home, Leave("sold", NOW_S, "Clerk", keeper="Nobody"))
    with open_record(yard.home, read_only=True) as record:
        assert record.ledger() == []  # nothing of it was kept
    sell(yard.home, Leave("sold", NOW_S, "Clerk", keeper="Buyer"))
    assert "off-rear-low" in drawn(buyer, f"/unit/{UNIT}")
    assert "off-rear-low" not in drawn(seller, f"/unit/{UNIT}")


def test_a_sold_unit_is_judged_up_to_its_sale_and_raises_nothing(yard: Yard) -> None:
    with open_record(yard.home) as record:
        watch.tick(record, now_s=NOW_S)
        record.leave(UNIT, SALE, now_s=NOW_S)
        before = record.alarms(unit=UNIT)
        for hours in (1, 2, 30, 80):
            watch.tick(record, now_s=NOW_S + hours * 3600)
        assert record.alarms(unit=UNIT) == before
        assert record.alarms(unit=UNIT, open_only=True) == []
        due = [one.unit for one in record.due(to_hour=NOW_S // 3600 + 99)]
        assert UNIT not in due
        assert "van-dry" in due


def test_a_retired_unit_leaves_the_board_and_its_record_stays(yard: Yard) -> None:
    with open_record(yard.home) as record:
        record.leave(UNIT, Leave("retired", NOW_S, "J", "scrapped"), now_s=NOW_S)
        with pytest.raises(InputError, match="left already"):
            record.leave(UNIT, SALE, now_s=NOW_S)
    client = yard.somebody("owner")
    lot = drawn(client, "/")
    assert "Long grey" not in lot
    assert "Retired, off the board" in lot
    assert "off-rear-low" in drawn(client, f"/unit/{UNIT}")
    assert "van-wet" not in drawn(client, "/morning")
    with open_record(yard.home) as record:
        record.take_back(
            UNIT, "stored", Leave("back", NOW_S + 9, "J", "a mistake"), now_s=NOW_S + 9
        )
        assert [line.what for line in record.ledger(unit=UNIT)] == ["retired", "back"]
        with pytest.raises(InputError, match="did not leave"):
            record.take_back(UNIT, "stored", Leave("back", NOW_S, "J"), now_s=NOW_S)
        record.leave(UNIT, SALE, now_s=NOW_S + 99)
    assert "Long grey" not in drawn(client, "/")


def test_by_the_commands(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(yard.home))

    def run(*words: str):
        return CliRunner().invoke(app, ["unit", *words])

    sold = run("sell", UNIT, "--to", "a private owner", "--who", "Clerk")
    assert sold.exit_code == 0, sold.output
    assert "node-0, node-1" in sold.output
    assert "of no unit" in sold.output
    assert isinstance(run("sell", UNIT, "--who", "Clerk").exception, InputError)
    assert "sold; this lot -> a private owner; by Clerk" in run("ledger").output
    assert run("back", UNIT, "--why", "he brought it back", "--life", "sold").exit_code == 1
    assert run("back", UNIT, "--why", "he brought it back").exit_code == 0
    assert run("retire", UNIT, "--why", "scrapped").exit_code == 0
    assert len(re.findall(UNIT, run("ledger", UNIT).output)) == 3
    assert '"what":"retired"' in run("ledger", "--json").output


def test_the_form_of_the_board(yard: Yard) -> None:
    client = yard.somebody("owner")
    shown = drawn(client, f"/unit/{UNIT}/leave")
    assert "What ends" in shown
    answer = post(client, f"/unit/{UNIT}/leave/sold", to="a private owner", why="")
    assert "Nothing+is+done" in answer.location  # nothing is done by a slip of the finger
    answer = post(client, f"/unit/{UNIT}/leave/sold", to="a private owner", why="", sure="1")
    assert answer.status_code == 303
    assert "Sold. It stood on this lot" in drawn(client, f"/unit/{UNIT}/leave")
    assert post(client, "/unit/van-dry/leave/burnt", sure="1").status_code == 404
    assert (
        post(yard.somebody("technician"), "/unit/van-dry/leave/sold", sure="1").status_code == 403
    )
    assert (
        client.post("/unit/van-dry/leave/sold", data={"sure": "1"}, headers=ORIGIN).status_code
        == 403
    )
