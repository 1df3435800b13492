"""Packets that their own signer forges, digests and signature right again; and honest ones beside them."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from monitor import watch
from monitor.errors import InputError
from monitor.lot import CaseNote, Event
from monitor.reports import packed, packet
from monitor.store import Record, chaining
from monitor.store.parting import Leave
from monitor.times import parse_time
from monitor.written import rfc3339
from tests.judging import DAY_S, START_S
from tests.signed import sign_in
from tests.test_access import make_yard
from tests.test_packet import KEY, failing, parts, repacked, signed, signed_anew
from tests.test_repairs import END_S, HOUR_S, REPAIR, REPAIRED_S, benched, followed, history, take

__all__ = ["benched"]  # a fixture of all

Held = dict[str, bytes]
Rows = list[dict[str, str]]
LATER_S = END_S + 2 * DAY_S
GAP = range(START_S + 30 * DAY_S, START_S + 36 * DAY_S)


def of(record: Record, made_s: int = LATER_S) -> Held:
    (row,) = record.repairs(unit="u1")
    return parts(packet.make(record, row, key=KEY, made_s=made_s, program="test 1"))


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Held:
    """A packet with two days that are closed and one that is open."""
    with followed(tmp_path_factory.mktemp("closed"), history()) as record:
        for later in (DAY_S, 2 * DAY_S):
            watch.tick(record, now_s=END_S + later)
        return of(record)


@pytest.fixture(scope="module")
def revised(tmp_path_factory: pytest.TempPathFactory) -> Held:
    """A packet whose verdict was changed by readings that came after days were closed."""
    late = [r for r in history() if r.probe == "p1" and r.at_s in GAP]
    with followed(
        tmp_path_factory.mktemp("revised"), [r for r in history() if r not in late]
    ) as record:
        watch.tick(record, now_s=END_S + DAY_S)
        take(record, late, END_S + DAY_S + 1000)
        watch.tick(record, now_s=END_S + DAY_S + 1000)
        watch.tick(record, now_s=LATER_S)
        return of(record)


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Held:
    """A packet with readings before its first hour; w2 is silent from its sixth hour for two weeks."""
    repair = replace(REPAIR, at_s=START_S + 63 * DAY_S + 12 * HOUR_S)
    silent = range(START_S + 6 * HOUR_S, START_S + 20 * DAY_S)
    readings = [r for r in history() if r.probe != "p2" or r.at_s not in silent]
    with followed(tmp_path_factory.mktemp("old"), readings, events=(repair,)) as record:
        return of(record, END_S)


def table(held: Held, name: str) -> Rows:
    return packed.read_table(held[name].decode())


def with_table(held: Held, name: str, rows: Sequence[dict[str, str]]) -> Held:
    names = held[name].decode().split("\n", 1)[0].split(",")
    return held | {name: packed.csv_text(names, [[row[n] for n in names] for row in rows]).encode()}


def with_manifest(held: Held, **change: object) -> Held:
    return held | {
        "manifest.json": packet._written(json.loads(held["manifest.json"]) | change),
    }


def chained_anew(held: Held, leaves: Rows) -> Held:
    """Leaves as a signer wants them, with hashes, roots, heads: what only a head kept elsewhere shows."""
    for row in leaves:
        if row["leaf"]:
            row["hash"] = chaining.leaf_hash(row["leaf"].encode())
    days = table(held, "chain.csv")
    before = days[0]["before"] if days else ""
    for day in days:
        hashes = [row["hash"] for row in leaves if row["day"] == day["day"]]
        root = chaining.root_of(hashes)
        head = chaining.head_of(before, int(day["day"]), len(hashes), root)
        day |= {"before": before, "leaves": str(len(hashes)), "root": root, "head": head}
        before = head
    named = {"day": int(days[-1]["day"]), "head": before} if days else None
    held = with_table(with_table(held, "leaves.csv", leaves), "chain.csv", days)
    return with_manifest(held, chain=named)


def counted(leaves: Rows) -> Rows:
    """The same with every count right again."""
    for number, row in enumerate(leaves, 1):
        if row["leaf"].startswith("count\t"):
            row["leaf"] = chaining.count_line(number)
    return leaves


def without_last(held: Held) -> Held:
    """The newest revision taken out of the table and of the manifest's count."""
    rows = table(held, "revisions.csv")
    return with_manifest(with_table(held, "revisions.csv", rows[:-1]), revision=len(rows) - 1)


def is_last(held: Held) -> Callable[[dict[str, str]], bool]:
    number = str(len(table(held, "revisions.csv")))
    return lambda row: row["leaf"].startswith("revision\t") and row["leaf"].split("\t")[3] == number


def said_of_chain(held: Held) -> str:
    found = packet.verify(signed_anew(held))
    assert found.holds, failing(signed_anew(held))
    return next(said for what, _, said in found.steps if what == "chain")


# --- revisions ------------------------------------------------------------------------------------


def test_a_revision_that_is_left_out_is_found_by_its_leaf(revised: Held) -> None:
    count = len(table(revised, "revisions.csv"))
    lied = signed_anew(without_last(revised))
    assert failing(lied) == {"chain": f"revision {count} was chained otherwise, or is left out"}


def test_a_leaf_shown_as_another_unit_s_is_found_by_the_count(revised: Held) -> None:
    """Leaves of other units stand in a packet as hashes alone: the chain of days still holds."""
    last, leaves = is_last(revised), table(revised, "leaves.csv")
    hidden = [row | {"leaf": ""} if last(row) else row for row in leaves]
    lied = signed_anew(with_table(without_last(revised), "leaves.csv", hidden))
    assert list(failing(lied)) == ["chain"]
    assert "lines of the chain are left out" in failing(lied)["chain"]


def test_a_chain_whose_counts_are_hidden_too_is_found(closed: Held) -> None:
    hidden = [
        row | {"leaf": ""} if row["leaf"].startswith("count\t") else row
        for row in table(closed, "leaves.csv")
    ]
    lied = signed_anew(with_table(closed, "leaves.csv", hidden))
    assert failing(lied) == {"chain": "the chain does not count its last lines"}


def test_a_turn_that_no_revision_tells_is_found_though_all_is_chained_anew(closed: Held) -> None:
    last = is_last(closed)
    kept = counted([row for row in table(closed, "leaves.csv") if not last(row)])
    lied = signed_anew(chained_anew(without_last(closed), kept))
    assert list(failing(lied)) == ["chain"]
    assert "no revision tells what the hours say from 2030-" in failing(lied)["chain"]


@pytest.mark.parametrize("numbers", ["drop", "twice", "from 0", "manifest"])
def test_revisions_that_are_not_one_to_n_are_found(closed: Held, numbers: str) -> None:
    rows = table(closed, "revisions.csv")
    assert len(rows) >= 2
    changed = {
        "drop": rows[1:],
        "twice": [rows[0], *rows],
        "from 0": [row | {"number": str(n)} for n, row in enumerate(rows)],
        "manifest": rows,
    }[numbers]
    held = with_table(closed, "revisions.csv", changed)
    if numbers == "manifest":
        held = with_manifest(held, revision=len(rows) + 1)
    wanted = len(rows) + (numbers == "manifest")
    assert failing(signed_anew(held)) == {
        "chain": f"the revisions are not those from 1 to {wanted}, each once"
    }


@pytest.mark.parametrize("column", ["size_ml", "figures", "verdict", "recorded"])
def test_an_earlier_revision_told_otherwise_is_found(closed: Held, column: str) -> None:
    rows = table(closed, "revisions.csv")
    name = rows[0]["figures"].split()[0]
    rows[0][column] = {
        "size_ml": "0.5",
        "figures": rows[0]["figures"].replace(f"{name} ", f"{name} 1", 1),
        "verdict": "stayed dry",
        "recorded": rfc3339(END_S - DAY_S),
    }[column]
    lied = signed_anew(with_table(closed, "revisions.csv", rows))
    assert failing(lied) == {"chain": "revision 1 is not the one that was chained"}


def test_an_event_or_entry_that_is_left_out_is_found_by_its_leaf(closed: Held) -> None:
    held = with_table(closed, "cases.csv", [])
    lied = failing(signed_anew(held))
    assert lied["chain"] == "an entry that was chained is left out: photo"
    rows = [row for row in table(closed, "events.csv") if row["kind"] != "hose"]
    lied = failing(signed_anew(with_table(closed, "events.csv", rows)))
    assert lied["chain"] == "an event that was chained is left out: hose"


def test_an_event_and_an_entry_that_nobody_chained_are_named(closed: Held) -> None:
    events, cases = table(closed, "events.csv"), table(closed, "cases.csv")
    added = dict.fromkeys(events[0], "") | {
        "time": rfc3339(END_S - DAY_S), "unit": "u1", "kind": "inspection", "value": "dry",
    }  # fmt: skip
    held = with_table(closed, "events.csv", [*events, added])
    held = with_table(held, "cases.csv", [*cases, cases[0] | {"why": "said again"}])
    assert "2 entries not in it yet (photo, inspection)" in said_of_chain(held)
    assert "0 entries not in it yet" in said_of_chain(closed)


# --- days that are not closed ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (3, "a line of the chain is of 1970-01-04, a day before its first"),
        (LATER_S // DAY_S + 1, f"a line of the chain is of {rfc3339(LATER_S + DAY_S)[:10]}, after the"),
    ],
)  # fmt: skip
def test_an_open_line_of_another_day_is_found(closed: Held, day: int, said: str) -> None:
    leaves = table(closed, "leaves.csv")
    added = {"day": str(day), "hash": "", "leaf": "hours\tw9\t3\tab"}
    leaves = [added, *leaves] if day == 3 else [*leaves, added]
    leaves.append({"day": leaves[-1]["day"], "hash": "", "leaf": "count\t0"})
    lied = failing(signed_anew(chained_anew(closed, counted(leaves))))
    assert list(lied) == ["chain"]
    assert lied["chain"].startswith(said)


def test_lines_in_another_order_are_found(revised: Held) -> None:
    """Hours before they were changed by late data, put after them in the file."""
    leaves = table(revised, "leaves.csv")
    held = with_table(revised, "leaves.csv", [*leaves[1:], leaves[0]])
    assert list(failing(signed_anew(held))) == ["chain"]
    by_day = sorted(leaves, key=lambda row: -int(row["day"]))
    lied = failing(signed_anew(with_table(revised, "leaves.csv", by_day)))
    assert lied == {"chain": "the lines of the chain are not in the order of their days"}


def test_hours_replaced_after_their_day_was_closed_are_named(revised: Held, closed: Held) -> None:
    assert "changed by late data after their day was chained: w1 2030-01-31 to 2030-02-06" in (
        said_of_chain(revised)
    )
    assert "late data" not in said_of_chain(closed)


def test_hours_of_a_whole_zone_that_are_left_out_are_named(closed: Held) -> None:
    """Whoever leaves out a zone that no proof hangs on is not believed in silence."""
    held = closed
    for name in ("hours.csv", "readings.csv"):
        held = with_table(held, name, [r for r in table(held, name) if r["zone"] != "w3"])
    told = packet.verify(signed_anew(held))
    said = next(said for what, _, said in told.steps if what == "chain")
    assert "chained once, and not in the packet: w3 2030-01-01 to 2030-03-07" in said


# --- hours beside readings ------------------------------------------------------------------------


def test_an_honest_packet_has_every_hour_compared(old: Held, closed: Held) -> None:
    for held in (old, closed):
        found = packet.verify(signed_anew(held))
        assert found.holds, failing(signed_anew(held))
        said = {what: words for what, _, words in found.steps}
        hours = table(held, "hours.csv")
        assert said["hours"].startswith(f"{len(hours)} hours compared with the readings: ")
        for zone in ("w1", "w2", "/outside"):
            count = sum(row["zone"] == zone for row in hours)
            assert f"{zone} {count} of {count}" in said["hours"]
        assert "not compared" not in said["verdict"]
    first = min(row["time"] for row in table(old, "readings.csv"))
    begins_s = parse_time(json.loads(old["manifest.json"])["from"])
    assert 71 * HOUR_S < begins_s - parse_time(first) < 72 * HOUR_S
    assert begins_s - START_S > 72 * HOUR_S  # the record has older ones


@pytest.mark.parametrize("days", [3, 5, 30])
@pytest.mark.parametrize("zone", ["w1", "outside", ""])
def test_who_leaves_early_readings_out_is_found(old: Held, days: int, zone: str) -> None:
    begins_s = parse_time(json.loads(old["manifest.json"])["from"])
    until = rfc3339(begins_s + (days - 3) * DAY_S + 5 * HOUR_S)
    rows = [
        row for row in table(old, "readings.csv")
        if row["time"] >= until or (zone and row["zone"] != zone)
    ]  # fmt: skip
    lied = failing(signed_anew(with_table(old, "readings.csv", rows)))
    assert list(lied) == ["hours"]
    assert "do not give its" in lied["hours"]


def silent(hours: Rows, zone: str) -> dict[str, str]:
    return next(r for r in hours if r["zone"] == zone and not r["temperature_c"])


@pytest.mark.parametrize(
    ("zone", "column", "figure"),
    [
        ("w2", "wood_moisture_percent", "11.5"), ("w2", "coverage_percent", "100.0"),
        ("w2", "rain_mm", "4.0"), ("w2", "temperature_c", "12.0"),
    ],
)  # fmt: skip
def test_a_figure_where_nothing_was_heard_is_found(
    old: Held, zone: str, column: str, figure: str
) -> None:
    hours = table(old, "hours.csv")
    silent(hours, zone)[column] = figure
    lied = failing(signed_anew(with_table(old, "hours.csv", hours)))
    assert f"the readings of {zone} do not give its {column} at 2030-" in lied["hours"]


@pytest.mark.parametrize("zone", ["w1", "/outside"])
def test_invented_rain_is_found(closed: Held, zone: str) -> None:
    hours = table(closed, "hours.csv")
    next(r for r in hours if r["zone"] == zone and r["rain_mm"] == "0.0")["rain_mm"] = "9.0"
    lied = failing(signed_anew(with_table(closed, "hours.csv", hours)))
    assert f"the readings of {zone} do not give its rain_mm" in lied["hours"]


def test_an_hour_that_is_left_out_is_found_by_its_readings(closed: Held) -> None:
    hours = table(closed, "hours.csv")
    hours.remove(next(r for r in hours if r["zone"] == "w2"))
    lied = failing(signed_anew(with_table(closed, "hours.csv", hours)))
    assert lied["hours"] == "the hour of w2 at 2030-01-01T00:00:00Z is left out: it has readings"


def test_a_packet_that_begins_too_late_or_has_hours_before_it_is_found(old: Held) -> None:
    begins_s = parse_time(json.loads(old["manifest.json"])["from"])
    later = failing(signed_anew(with_manifest(old, **{"from": rfc3339(begins_s + HOUR_S)})))
    assert later["hours"] == "it begins later than 60 days before the repair"
    hours = table(old, "hours.csv")
    hours[0]["hour"] = str(begins_s // HOUR_S - 1)
    lied = failing(signed_anew(with_table(old, "hours.csv", hours)))
    assert "are of before its beginning" in lied["hours"]


# --- what people typed ----------------------------------------------------------------------------

FORMULAS = ("=1+2", "+1", "-1-2", "@SUM(A1)", "'=1", 'he said "no", then\nleft', "a\tb", "\u2028=2")


def test_typed_text_is_no_formula_and_is_read_as_it_was(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        for number, typed in enumerate(FORMULAS):
            record.add_event("yard", Event(END_S + number, "note", typed, "u1"), recorded_s=END_S)  # type: ignore[arg-type]
            note = CaseNote("w1", REPAIRED_S, "goal", "12.0", END_S, END_S, "Ann", typed)
            record.note_case("u1", note)
        watch.tick(record, now_s=END_S + DAY_S)
        held = of(record)
    said_of_chain(held)
    whys = [row["why"] for row in table(held, "cases.csv")][1:]
    assert whys == [" ".join(typed.splitlines()) for typed in FORMULAS]
    for name in ("cases.csv", "events.csv"):
        written = [cell for line in held[name].decode().splitlines() for cell in line.split(",")]
        typed_cells = [cell.removeprefix('"') for cell in written]
        assert any(cell.startswith("'=") for cell in typed_cells)
        assert not any(cell[:1] in {"=", "+", "@", "\t", "-"} for cell in typed_cells)


# --- forms before this one ------------------------------------------------------------------------


def plain(held: Held, name: str, leave: str = "") -> bytes:
    rows = [{k: v for k, v in row.items() if k != leave} for row in table(held, name)]
    names = [n for n in held[name].decode().split("\n", 1)[0].split(",") if n != leave]
    lines = [",".join(names), *(",".join(_quoted(row[n]) for n in names) for row in rows)]
    return ("\n".join(lines) + "\n").encode()


def _quoted(said: str) -> str:
    return '"' + said.replace('"', '""') + '"' if set(said) & set('",') else said


def of_form_2(held: Held) -> Held:
    """The same packet as form 2 had it: no counts, no figures, no readings before the first hour."""
    begins = json.loads(held["manifest.json"])["from"]
    leaves = [r for r in table(held, "leaves.csv") if not r["leaf"].startswith("count\t")]
    for row in leaves:
        if row["leaf"].startswith("revision\t"):
            row["leaf"] = "\t".join(row["leaf"].split("\t")[:10])
    held = chained_anew(held, leaves)
    rows = [row for row in table(held, "readings.csv") if row["time"] >= begins]
    held = with_table(held, "readings.csv", rows)
    texts = {n: plain(held, n, "figures" if n == "revisions.csv" else "") for n in packet.NAMES}
    manifest = json.loads(held["manifest.json"]) | {"format": 2}
    del manifest["from"]
    return held | texts | {"manifest.json": packet._written(manifest)}


def of_form_1(held: Held) -> bytes:
    """The same packet as form 1 had it: eight tables, and a verdict of readings alone."""
    held = of_form_2(held)
    manifest = json.loads(held["manifest.json"])
    tables = {n: packed.read_plain_table(held[n].decode()) for n in packet.NAMES_1}
    zones = [zone for zone in packed.read_zones(tables["zones.csv"]) if zone.unit]
    hours = packed.read_hours(tables["hours.csv"])
    beside = (tables["doubts.csv"], None)
    proof = packet._proof(zones, packed.read_events(tables["events.csv"]), hours, beside, manifest)
    assert proof is not None
    assert proof.standing is not None
    now = proof.standing
    manifest |= {
        "format": 1,
        "rules": packet.OLD_RULES,
        "verdict": now.verdict,
        "size_ml": packed.written_number(now.size_ml),
        "missing": list(now.missing),
        "figures": {n: packed.written_number(v) for n, v in sorted(now.figures.items())},
        "files": {n: manifest["files"][n] for n in packet.NAMES_1},
    }
    own = {n: held[n] for n in packet.NAMES_1}
    said = packet._written(manifest)
    return signed_anew(own | {"manifest.json": said, "signature.json": signed(said)})


@pytest.fixture(params=["closed", "revised", "old"])
def any_held(request: pytest.FixtureRequest) -> Held:
    return request.getfixturevalue(request.param)  # type: ignore[no-any-return]


def test_packets_of_form_2_hold_and_what_they_cannot_show_is_said(any_held: Held) -> None:
    found = packet.verify(signed_anew(of_form_2(any_held)))
    assert found.holds, [step for step in found.steps if not step[1]]
    said = {what: words for what, _, words in found.steps}
    assert "hours not compared with readings: 72 of /outside, 72 of w1" in said["verdict"]
    assert "nor is the rain of its zones" in said["verdict"]
    assert "size and figures of its revisions are in no line of it" in said["chain"]


def test_packets_of_form_1_hold(any_held: Held) -> None:
    found = packet.verify(of_form_1(any_held))
    assert found.holds, [step for step in found.steps if not step[1]]
    assert [what for what, _, _ in found.steps] == [
        "signature", "files", "rules", "verdict", "hours",
    ]  # fmt: skip


def test_of_form_2_too_revisions_open_lines_and_early_readings_are_looked_at(
    revised: Held, old: Held
) -> None:
    held = of_form_2(revised)
    rows = packed.read_plain_table(held["revisions.csv"].decode())
    lines = held["revisions.csv"].decode().splitlines(keepends=True)
    cut = held | {"revisions.csv": "".join(lines[:-1]).encode()}
    cut = with_manifest(cut, revision=len(rows) - 1)
    assert failing(signed_anew(cut)) == {
        "chain": f"revision {len(rows)} was chained otherwise, or is left out"
    }
    held = of_form_2(old)
    begins_s = parse_time(json.loads(old["manifest.json"])["from"])
    until = rfc3339(begins_s + 40 * HOUR_S)  # within the hours that are compared with nothing
    lines = held["readings.csv"].decode().splitlines(keepends=True)
    early = [n for n, line in enumerate(lines) if n and ",w1," in line and line < until]
    kept = [line for n, line in enumerate(lines) if n not in early]
    lied = failing(signed_anew(held | {"readings.csv": "".join(kept).encode()}))
    assert lied["hours"].startswith("the readings of w1 begin after its first hour, 2030-")


# --- a record that an earlier version wrote -------------------------------------------------------


def as_an_older_version_left_it(record: Record) -> None:
    """Leaves without counts, revisions without figures; closed by it."""
    with record.engine.begin() as db:
        db.execute(text("DELETE FROM proof_day"))
        db.execute(text("DELETE FROM proof_leaf WHERE leaf LIKE 'count%'"))
        rows: Any = db.execute(
            text("SELECT proof_leaf_id, leaf FROM proof_leaf WHERE leaf LIKE 'revision%'")
        ).all()
        for number, leaf in rows:
            db.execute(
                text("UPDATE proof_leaf SET leaf = :leaf WHERE proof_leaf_id = :number"),
                {"leaf": "\t".join(leaf.split("\t")[:10]), "number": number},
            )
    record.close_days(now_s=END_S + DAY_S)


def test_an_older_record_s_revisions_are_chained_again_with_their_figures(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        watch.tick(record, now_s=END_S + DAY_S)
        as_an_older_version_left_it(record)
        with pytest.raises(InputError, match="an earlier version noted"):
            of(record)
        watch.tick(record, now_s=END_S + DAY_S + 2 * HOUR_S)
        held = of(record)
        said = said_of_chain(held)
        assert "in no line of it" not in said
        watch.tick(record, now_s=END_S + DAY_S + 4 * HOUR_S)
        assert of(record)["leaves.csv"] == held["leaves.csv"]  # once, not at every hour
    leaves = table(held, "leaves.csv")
    whole = [r for r in leaves if r["leaf"].startswith("revision\t") and r["leaf"].count("\t") > 9]
    kept = counted([row for row in leaves if row not in whole])
    bare = said_of_chain(chained_anew(held, kept))
    assert "size and figures are in no line of it of revision 1" in bare


@pytest.mark.parametrize("what", ["sold", "retired"])
def test_an_older_record_of_a_unit_that_left_makes_packets_again(tmp_path: Path, what: str) -> None:
    """Nobody judges it any more, so nothing else would note what its proof was taken from."""
    left_s = END_S + DAY_S
    with followed(tmp_path, history()) as record:
        watch.tick(record, now_s=left_s)
        record.leave("u1", Leave(what, left_s, "Ann"), now_s=left_s)
        watch.tick(record, now_s=left_s + 2 * HOUR_S)  # judged beyond the day on which it left
        as_an_older_version_left_it(record)
        watch.tick(record, now_s=left_s + 4 * HOUR_S)
        held = of(record, made_s=left_s + DAY_S)
    assert packet.verify(repacked(held)).holds, failing(repacked(held))


def test_the_board_says_why_a_packet_is_not_made_and_when_it_will_be(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        watch.tick(record, now_s=END_S + DAY_S)
        as_an_older_version_left_it(record)
    yard = make_yard(tmp_path)
    yard.now_s = END_S + DAY_S
    client = sign_in(yard.app.server.test_client(), tmp_path, now_s=END_S + DAY_S)
    got = client.get(f"/export/proof/u1/w1/{REPAIRED_S}.zip")
    assert got.status_code == 409
    assert "the watch does so again within the hour" in got.text


def test_counts_hold_when_nothing_new_is_noted(tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        before = record.leaves("u1")
        assert before[-1][2] == chaining.count_line(len(before))
        record.note_leaves("u1", hours={}, lines=[], now_s=END_S)
        assert record.leaves("u1") == before
        assert record.uncounted() == []


def test_one_changed_byte_of_each_new_figure_fails(closed: Held) -> None:
    """Not signed anew: the plain case, through the container."""
    for name in ("revisions.csv", "leaves.csv"):
        changed = bytearray(closed[name])
        changed[-5] ^= 1
        assert not packet.verify(repacked(closed | {name: bytes(changed)})).holds
