"""A probe is hung elsewhere: by command and on the board, what is judged again, and who may."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboards.words import wish
from monitor import moving, watch
from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import BenchPoint, Placement, Site, Unit, Zone
from monitor.moving import Wanted
from monitor.store.parting import Leave
from monitor.store.record import Record, open_record
from monitor.store.users import Reach
from sensors.wire import Reading
from tests.signed import session
from tests.test_access import Yard, make_yard, post
from tests.test_bench import page_of

HOUR_S, DAY_S = 3600, 86_400
START_S = 1_770_000_000 // DAY_S * DAY_S
MOVED_S, END_S = START_S + 5 * DAY_S, START_S + 8 * DAY_S


def told(at_s: int) -> str:
    return f"hour {(at_s - START_S) // HOUR_S}"


def furnish(record: Record) -> None:
    """Two units of a yard with the same zones; node n1 in the first, n2 in its cabin too, n9 elsewhere."""
    for site in ("yard", "away"):
        record.add_site(Site(site))
    record.add_unit(Unit("u9", "away"))
    record.add_zone("yard", Zone("", "outside", "outside"))
    for unit in ("u1", "u2", "u3"):
        record.add_unit(Unit(unit, "yard"))
        record.add_zone("yard", Zone(unit, "off-rear-low", "wall"))
        if unit != "u3":
            record.add_zone("yard", Zone(unit, "air-main", "cabin"))
    for node, probe, unit, zone in (
        ("n1", "p1", "u1", "off-rear-low"),
        ("n1", "p2", "u1", "air-main"),
        ("n1", "p3", "", "outside"),
        ("n2", "p1", "u3", "off-rear-low"),
    ):
        placed = Placement(node, probe, "yard", unit, zone, START_S)
        record.place(placed, recorded_s=START_S, who="t")


def send(record: Record, probe: str = "p1", *, to_s: int = END_S) -> None:
    """One sample every half hour, of a damp wall."""
    times = range(START_S + 60, to_s, 1800)
    readings = [
        Reading(
            site="yard",
            node="n1",
            probe=probe,
            boot=1,
            seq=seq,
            at_s=at_s,
            temperature_c=12.0,
            humidity_percent=70.0,
        )
        for seq, at_s in enumerate(times)
    ]
    record.take(readings, [], received_s=to_s)


@pytest.fixture
def record(tmp_path: Path) -> Record:
    with open_record(tmp_path) as opened:
        furnish(opened)
        yield opened


def place(record: Record, *, now_s: int = END_S, **wanted: object) -> moving.Plan:
    given = {"site": "yard", "node": "n1", "at_s": MOVED_S} | wanted
    plan = moving.placing(record, Wanted(**given), now_s=now_s, when=told)  # type: ignore[arg-type]
    moving.enter(record, plan, who="Kim", why="", now_s=now_s)
    return plan


def standing(record: Record, node: str = "n1") -> dict[str, str]:
    return {
        p.probe: f"{p.unit}/{p.zone}"
        for p in record.placements()
        if p.node == node and p.to_s is None
    }


def states(record: Record, unit: str, zone: str = "off-rear-low") -> list[tuple[int, str, int]]:
    """Hour since the start, word and count of readings of the hours that have some."""
    found = record.hours(unit, zone, from_hour=0, to_hour=2**40)
    return [
        (row["hour"] - START_S // HOUR_S, row["state"], row["readings"])
        for row in found
        if row["readings"]
    ]


# --- what is judged again -------------------------------------------------------------------------


def test_a_late_entry_ends_the_old_zone_s_hours_and_begins_the_new_one_s_unknown(record) -> None:
    send(record)
    watch.tick(record, now_s=END_S)
    assert states(record, "u1")[-1][0] == 8 * 24 - 1
    assert states(record, "u2") == []
    place(record, probe="p1", unit="u2", zone="off-rear-low")
    watch.tick(record, now_s=END_S + 60)
    old, new = states(record, "u1"), states(record, "u2")
    assert old[-1][0] == 5 * 24 - 1
    assert new[0][0] == 5 * 24
    assert {word for hour, word, _ in new if hour < 7 * 24} == {"unknown"}
    assert "unknown" not in {word for hour, word, _ in new if hour >= 7 * 24}
    assert sum(n for *_, n in old + new) == 8 * 48  # each reading once


def test_a_wrong_move_is_put_right_by_another_entry_with_its_time(record) -> None:
    send(record)
    place(record, probe="p1", unit="u2", zone="off-rear-low")
    watch.tick(record, now_s=END_S)
    plan = place(record, probe="p1", unit="u2", zone="air-main", beside=True)
    said = plan.moves[0].said(told)
    assert "n1/p1 watches u2/air-main since hour 120" in said
    assert "Before: u1/off-rear-low since hour 0" in said
    assert "in place of u2/off-rear-low" in said
    watch.tick(record, now_s=END_S + 60)
    assert states(record, "u2") == []
    assert states(record, "u2", "air-main")[0][0] == 5 * 24
    place(record, probe="p1", unit="u1", zone="off-rear-low")  # it was never moved
    watch.tick(record, now_s=END_S + 120)
    assert states(record, "u2", "air-main") == []
    assert states(record, "u1")[-1][0] == 8 * 24 - 1


def test_an_entry_before_a_later_one_ends_with_it_and_says_so(record) -> None:
    place(record, probe="p1", unit="u2", zone="off-rear-low")
    early = place(record, probe="p1", unit="u2", zone="air-main", at_s=START_S + DAY_S)
    said = early.moves[0].said(told)
    assert "Only until hour 120: from then on a later entry counts, u2/off-rear-low" in said
    assert standing(record)["p1"] == "u2/off-rear-low"
    spans = [(p.zone, p.from_s, p.to_s) for p in record.placements() if p.probe == "p1"][:3]
    assert spans == [
        ("off-rear-low", START_S, START_S + DAY_S),
        ("air-main", START_S + DAY_S, MOVED_S),
        ("off-rear-low", MOVED_S, None),
    ]


# --- what is entered, and what not ----------------------------------------------------------------


def test_a_whole_node_goes_to_the_zones_of_the_same_codes(record) -> None:
    plan = place(record, unit="u2")
    assert standing(record) == {"p1": "u2/off-rear-low", "p2": "u2/air-main", "p3": "/outside"}
    assert "p3 (yard/outside)" in " ".join(plan.notes())
    with pytest.raises(InputError, match=r"no zone air-main in u3; it has off-rear-low"):
        place(record, unit="u3", at_s=END_S)
    assert standing(record)["p1"] == "u2/off-rear-low"  # nothing of it


def test_a_kit_that_was_taken_away_goes_together_to_the_next_unit(record) -> None:
    taken = moving.taking(record, Wanted("yard", "n1", MOVED_S - DAY_S), now_s=END_S)
    assert len(taken.moves) == 3
    moving.enter(record, taken, who="Kim", why="", now_s=END_S)
    place(record, unit="u2")
    assert standing(record) == {"p1": "u2/off-rear-low", "p2": "u2/air-main", "p3": "/"}


def test_a_zone_that_another_probe_watches_is_shared_only_if_that_is_said(record) -> None:
    with pytest.raises(InputError, match=r"n2/p1 since hour 0.*--beside"):
        place(record, probe="p1", unit="u3", zone="off-rear-low")
    place(record, probe="p1", unit="u3", zone="off-rear-low", beside=True)
    assert standing(record)["p1"] == standing(record, "n2")["p1"]
    taken = moving.taking(record, Wanted("yard", "n2", MOVED_S - HOUR_S), now_s=END_S)
    moving.enter(record, taken, who="Kim", why="", now_s=END_S)
    place(record, probe="p2", unit="u1", zone="off-rear-low", at_s=MOVED_S)  # p1 left it then
    with pytest.raises(InputError, match=r"n1/p1 from hour 0 until hour 120"):
        place(record, node="n2", unit="u1", zone="off-rear-low", at_s=MOVED_S - HOUR_S)


@pytest.mark.parametrize(
    ("wanted", "why"),
    [
        ({"at_s": END_S + 1, "probe": "p1", "unit": "u2"}, "still to come"),
        ({"node": "n7", "unit": "u2"}, "no node n7"),
        ({"unit": "u7"}, "no unit u7"),
        ({"unit": "u9"}, "stands on away"),
        ({"probe": "p1", "unit": "u1", "zone": "off-rear-low"}, "at that time already"),
        ({"unit": "u2", "zone": "off-rear-low"}, "has the probes p1, p2, p3"),
        ({"probe": "p1", "unit": "u2", "zone": "bed-rear"}, "it has off-rear-low, air-main"),
        ({"probe": "p1", "unit": "u2", "zone": "Bed Rear", "kind": "bed"}, "no code of a zone"),
        ({"probe": "p1", "unit": "u2", "zone": "bed-rear", "kind": "sofa"}, "choose one of"),
        ({"probe": "p1", "unit": "u2", "zone": "off-rear-low", "kind": "bay"}, "of kind wall"),
        ({"probe": "p1"}, "say where it hangs now"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_entered(record, wanted, why) -> None:
    before = record.placements()
    with pytest.raises(InputError, match=why):
        place(record, **wanted)
    assert record.placements() == before


def test_a_sold_unit_is_no_target_of_its_seller_and_its_time_is_not_rewritten(tmp_path) -> None:
    with open_record(tmp_path) as record:
        furnish(record)
        record.leave("u2", Leave("sold", START_S + DAY_S, "Kim"), now_s=START_S + DAY_S)
        with pytest.raises(InputError, match="was sold"):
            place(record, unit="u2", probe="p1", zone="off-rear-low")
        record.leave("u1", Leave("sold", MOVED_S, "Kim"), now_s=MOVED_S)
    yard = make_yard(tmp_path)
    yard.now_s = END_S
    lead = yard.client(session(tmp_path, now_s=END_S, role="lot lead"))
    form = {"node": "yard/n1", "unit": "u3", "probe": "p1", "zone": "off-rear-low", "beside": "1"}
    assert "choose where it hangs" in page_of(
        lead, post(lead, "/move/place", **(form | {"unit": "u2"})).location
    )
    hours = f"{(END_S - MOVED_S) // HOUR_S + 2}"  # before the sale
    early = post(lead, "/move/place", **(form | {"hours": hours})).location
    assert "not yours to change" in page_of(lead, early)
    assert "u1/" not in page_of(lead, "/move?node=yard/n1")
    assert "watches u3/off-rear-low" in page_of(lead, post(lead, "/move/place", **form).location)


def test_a_probe_that_is_placed_leaves_its_box_and_that_is_said(record) -> None:
    point = BenchPoint(
        0, "yard", "n1", "p1", "NaCl", "b", START_S, START_S + DAY_S, 77.0, 20.0, 75.5, 1.0,
        START_S + DAY_S, "Kim",
    )  # fmt: skip
    record.add_bench_point(point)
    early = place(record, probe="p1", unit="u2", zone="air-main", at_s=START_S + HOUR_S)
    assert "say so at the bench" in " ".join(early.notes())
    assert record.bench_points()[0].back_s is None
    plan = place(record, probe="p1", unit="u2", zone="off-rear-low")
    assert "left its box" in " ".join(plan.notes())
    assert record.bench_points()[0].back_s == MOVED_S


def test_the_commands_say_what_it_watched_before(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    with open_record(tmp_path) as record:
        furnish(record)

    def run(*words: str) -> tuple[int, str]:
        done = CliRunner().invoke(app, ["node", *words])
        return done.exit_code, done.output + str(done.exception or "")

    new = ("n1", "--probe", "p1", "--unit", "u3", "--zone", "bed-rear", "--who", "Kim")
    assert "it has off-rear-low" in run("place", *new)[1]
    code, said = run("place", *new, "--kind", "bed", "--why", "wetter there")
    assert code == 0, said
    assert "zone bed-rear (bed) is entered" in said
    assert "n1/p1 watches u3/bed-rear since" in said
    assert "Before: u1/off-rear-low since" in said
    assert "unknown" in said
    code, said = run("take", "n1", "--who", "Kim")
    assert code == 0, said
    assert said.count("watches nothing") == 3
    assert (
        "n1/p9 watches nothing at that time" in run("take", "n1", "--probe", "p9", "--who", "K")[1]
    )
    assert "yard/n1" in run("list")[1]
    assert (
        "say who" in run("place", "n1", "--unit", "u2", "--zone", "air-main", "--who", " ")[1] or 1
    )


# --- the board ------------------------------------------------------------------------------------


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    with open_record(tmp_path) as record:
        furnish(record)
    made = make_yard(tmp_path)
    made.now_s = END_S
    return made


def test_the_board_moves_a_node_takes_it_away_and_writes_it_down(yard: Yard) -> None:
    hand = yard.client(session(yard.home, now_s=END_S, role="technician"))
    assert "/move?node=yard%2Fn1" in page_of(hand, "/nodes")
    shown = page_of(hand, "/move?node=yard/n1&unit=u2")
    assert "all that watch a unit" in shown
    assert "the zone of the same code" in shown
    form = {"node": "yard/n1", "unit": "u2", "probe": "", "zone": "", "hours": "48"}
    moved = page_of(hand, post(hand, "/move/place", **form).location)
    assert "Entered: p1, p2 of n1 are in u2 now." in moved
    assert "before: u1/off-rear-low" in moved
    with open_record(yard.home) as record:
        entry = [p for p in record.placements() if p.probe == "p1" and p.node == "n1"][-1]
        assert (entry.unit, entry.from_s) == ("u2", END_S - 48 * HOUR_S)
    yard.now_s += 700  # found out later that p1 was meant to hang in the yard
    right = {"node": "yard/n1", "unit": "@", "probe": "p1", "zone": "outside", "beside": "1"}
    assert "Entered" in post(hand, "/move/place", **right, right="1").location
    with open_record(yard.home) as record:
        spans = [
            (p.unit, p.from_s) for p in record.placements() if p.node == "n1" and p.probe == "p1"
        ]
        assert spans == [("u1", START_S), ("", END_S - 48 * HOUR_S)]
    again = page_of(hand, post(hand, "/move/place", **(form | {"hours": "x"})).location)
    assert "how many hours ago" in again
    gone = page_of(hand, post(hand, "/move/take", node="yard/n1", probe="p1").location)
    assert "n1/p1 watches nothing since" in gone
    assert "nothing such" in post(hand, "/move/fly", node="yard/n1").text
    log = page_of(yard.client(session(yard.home, now_s=END_S)), "/log")
    assert "moved" in log
    assert "yard/n1" in log


def test_who_sees_one_unit_moves_only_its_probes_within_it(yard: Yard) -> None:
    reach = Reach(units=frozenset({"u1"}))
    one = yard.client(session(yard.home, now_s=END_S, reach=reach, name="One"))
    shown = page_of(one, "/move?node=yard/n1")
    assert "u2" not in shown
    assert "p3" not in shown  # it watches the yard
    assert "u3" not in page_of(one, "/move?node=yard/n2")
    form = {"node": "yard/n1", "unit": "u1", "probe": "p1", "zone": "air-main", "beside": "1"}
    for wrong in ({"unit": "u2"}, {"node": "yard/n2"}, {"probe": "p3"}, {"probe": "", "zone": ""}):
        assert "Not entered" in page_of(one, post(one, "/move/place", **(form | wrong)).location)
    assert "Entered" in page_of(one, post(one, "/move/place", **form).location)
    sales = yard.client(session(yard.home, now_s=END_S, role="sales"))
    assert post(sales, "/move/place", **form).status_code == 403
    assert "move?" not in page_of(
        yard.client(session(yard.home, now_s=END_S, role="auditor")), "/nodes"
    )


def test_first_steps_leads_to_the_move_of_a_node_that_is_there(yard: Yard) -> None:
    owner = yard.client(session(yard.home, now_s=END_S))
    sent = post(owner, "/begin/node", unit="u2", code="n1", p1="unit/off-rear-low").location
    assert sent.startswith("/move?")
    assert "n1 is entered already. Was it moved?" in page_of(owner, sent)
    assert wish("/move", sent.partition("?")[2], now_s=END_S).choice("node") == "yard/n1"
