"""Signed packets: a stranger works the verdict out again, and one altered byte fails."""

import io
import json
import shutil
import stat
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from dashboards.app import page
from dashboards.words import wish
from monitor import watch
from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import CaseNote, Event, Placement, Zone
from monitor.reports import packet, tree
from monitor.store import Record, forgetting, open_record
from monitor.store.users import Doer
from monitor.written import rfc3339
from sensors.wire import Reading
from tests.judging import DAY_S, START_S
from tests.signed import sight
from tests.test_access import make_yard
from tests.test_repairs import (
    DIGEST,
    END_S,
    HOUR_S,
    PHOTO,
    REPAIRED_S,
    benched,
    followed,
    history,
    take,
)

__all__ = ["benched"]  # a fixture of all

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("packet")
    followed(folder, history()).close()
    return folder


@pytest.fixture
def record(home: Path) -> Iterator[Record]:
    with open_record(home, read_only=True) as opened:
        yield opened


@pytest.fixture(scope="module")
def made(home: Path) -> bytes:
    with open_record(home, read_only=True) as opened:
        (row,) = opened.repairs(unit="u1")
        return packet.make(opened, row, key=KEY, made_s=END_S, program="test 1")


def parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def repacked(held: dict[str, bytes]) -> bytes:
    own = {n: d for n, d in held.items() if n not in {"manifest.json", "signature.json"}}
    return packet._zipped(own, held["manifest.json"], held["signature.json"])


def signed_anew(held: dict[str, bytes], key: Ed25519PrivateKey = KEY) -> bytes:
    """What somebody makes who has a key: digests, root and signature are right again."""
    manifest = json.loads(held["manifest.json"])
    own = {n: d for n, d in held.items() if n not in {"manifest.json", "signature.json"}}
    for name, data in own.items():
        manifest["files"][name] |= {
            "sha256": sha256(data).hexdigest(),
            "packed": sha256(packet._deflated(data)).hexdigest(),
        }
    lines = packet._lines(own)
    manifest |= {"leaves": len(lines), "root": tree.root(lines)}
    said = packet._written(manifest)
    return repacked(held | {"manifest.json": said, "signature.json": signed(said, key)})


def signed(said: bytes, key: Ed25519PrivateKey = KEY) -> bytes:
    return packet._written(packet._signature(tree.public_key(key), tree.sign(key, said)))


def failing(data: bytes) -> dict[str, str]:
    return {what: said for what, holds, said in packet.verify(data).steps if not holds}


# --- the tree and the signature -------------------------------------------------------------------

# RFC 6962 test vectors as certificate transparency's reference has them: leaves, and the root of the
# first n of them (from memory of those public vectors; n = 0 is the hash of nothing, RFC 9162, 2.1.1)
LEAVES = [bytes.fromhex(text) for text in (
    "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
)]  # fmt: skip
ROOTS = {
    0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    5: "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}


@pytest.mark.parametrize(("count", "digits"), ROOTS.items())
def test_the_root_is_that_of_certificate_transparency(count: int, digits: str) -> None:
    assert tree.root(LEAVES[:count]) == digits


@given(st.lists(st.binary(max_size=6), min_size=1, max_size=40), st.data())
def test_no_other_lines_have_the_same_root(leaves: list[bytes], data: st.DataObject) -> None:
    said = tree.root(leaves)
    place = data.draw(st.integers(0, len(leaves) - 1))
    assert tree.root([*leaves, leaves[-1]]) != said  # the last one said twice
    assert tree.root([*leaves[:place], leaves[place] + b"x", *leaves[place + 1 :]]) != said


def test_the_signature_is_that_of_the_standard() -> None:
    """RFC 8032, section 7.1, test 2."""
    secret = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    public = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    signature = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    assert tree.public_key(key) == public
    assert tree.sign(key, b"\x72") == signature
    assert tree.is_signed(b"\x72", signature=signature, by=public)
    assert not tree.is_signed(b"\x73", signature=signature, by=public)
    assert not tree.is_signed(b"\x72", signature="zz", by=public)


def test_the_key_is_kept_for_its_owner_alone_and_a_wrong_file_is_said(tmp_path: Path) -> None:
    key = tree.signing_key(tmp_path)
    file = tmp_path / tree.KEY_FILE
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert tree.public_key(tree.signing_key(tmp_path)) == tree.public_key(key)
    file.write_text("not a key")
    with pytest.raises(InputError, match="holds no signing key"):
        tree.signing_key(tmp_path)


# --- a packet -------------------------------------------------------------------------------------


def test_a_packet_holds_and_says_what_the_record_says(made: bytes, record: Record) -> None:
    found = packet.verify(made)
    assert found.steps
    assert found.holds, failing(made)
    assert {what for what, _, _ in found.steps} == {
        "signature",
        "files",
        "rules",
        "verdict",
        "hours",
        "gaps",
        "chain",
    }
    (row,) = record.repairs(unit="u1")
    assert row.now is not None
    assert found.manifest["verdict"] == row.now.verdict
    assert found.manifest["missing"] == list(row.now.missing)
    assert found.key == tree.public_key(KEY)


def test_the_same_record_gives_the_same_bytes(made: bytes, record: Record) -> None:
    (row,) = record.repairs(unit="u1")
    assert packet.make(record, row, key=KEY, made_s=END_S, program="test 1") == made


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_one_altered_byte_fails(made: bytes, data: st.DataObject) -> None:
    """In the contents of any file."""
    held = parts(made)
    name = data.draw(st.sampled_from(sorted(held)))
    place = data.draw(st.integers(0, len(held[name]) - 1))
    changed = bytearray(held[name])
    changed[place] ^= 1 << data.draw(st.integers(0, 7))
    assert not packet.verify(repacked(held | {name: bytes(changed)})).holds


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_one_altered_byte_of_the_file_fails(made: bytes, data: st.DataObject) -> None:
    """Anywhere: in headers, directory and packed contents too."""
    near_end = st.integers(max(len(made) - 2500, 0), len(made) - 1)
    place = data.draw(st.integers(0, len(made) - 1) | near_end)
    changed = bytearray(made)
    changed[place] ^= data.draw(st.integers(1, 255))
    assert not packet.verify(bytes(changed)).holds
    for longer in (made + b"x", b"x" + made):
        assert not packet.verify(longer).holds


def test_the_photo_of_the_source_is_in_it_and_another_is_found(made: bytes) -> None:
    held = parts(made)
    name = f"photos/{DIGEST}.jpg"
    assert held[name] == PHOTO
    assert not packet.verify(repacked(held | {name: b"another"})).holds


def test_the_chain_of_days_holds_and_a_broken_link_is_found(made: bytes) -> None:
    """Links worked out beside the program, as its description has them."""
    held = parts(made)
    days = [line.split(",") for line in held["chain.csv"].decode().splitlines()[1:]]
    assert days == []  # all was recorded on the day that is not over
    late = chained_packet()
    rows = [line.split(",") for line in parts(late)["chain.csv"].decode().splitlines()[1:]]
    assert len(rows) >= 2
    for day, before, leaves, root, head in rows:
        said = bytes.fromhex(before) + int(day).to_bytes(8, "big") + int(leaves).to_bytes(8, "big")
        assert sha256(said + bytes.fromhex(root)).hexdigest() == head
    assert rows[0][1] == "00" * 32
    assert json.loads(parts(late)["manifest.json"])["chain"]["head"] == rows[-1][4]
    assert packet.verify(late).holds, failing(late)
    for column in (1, 2, 3, 4):
        changed = [list(row) for row in rows]
        changed[-1][column] = "7" if column == 2 else "ab" * 32
        text = "\n".join(["day,before,leaves,root,head", *map(",".join, changed)]) + "\n"
        broken = signed_anew(parts(late) | {"chain.csv": text.encode()})
        assert list(failing(broken)) == ["chain"]


def chained_packet() -> bytes:
    """A packet made two days after the last readings came."""
    with tempfile.TemporaryDirectory() as folder, followed(Path(folder), history()) as record:
        for later in (DAY_S, 2 * DAY_S):
            watch.tick(record, now_s=END_S + later)
        (row,) = record.repairs(unit="u1")
        return packet.make(record, row, key=KEY, made_s=END_S + 2 * DAY_S, program="test 1")


@pytest.mark.parametrize("cut", [0, 10, 1000])
def test_what_is_no_packet_is_said(made: bytes, cut: int) -> None:
    for data in (made[:cut], made[cut:], b"", b"PK\x05\x06" + bytes(18)):
        found = packet.verify(data)
        if data != made:
            assert not found.holds
    held = parts(made)
    for changed in ({**held, "more.csv": b""}, {k: v for k, v in held.items() if k != "hours.csv"}):
        assert "files of a packet" in failing(repacked(changed))["packet"]


def test_who_signs_an_invented_verdict_is_found_by_the_hours(made: bytes) -> None:
    held = parts(made)
    manifest = json.loads(held["manifest.json"])
    manifest["verdict"] = "did not stay dry"
    lied = signed_anew(held | {"manifest.json": json.dumps(manifest).encode()})
    assert failing(lied) == {"verdict": "worked out again, verdict differ"}


def test_who_signs_invented_hours_is_found_by_the_readings(made: bytes) -> None:
    held = parts(made)
    rows = held["hours.csv"].decode().splitlines()
    place = next(
        n
        for n in range(len(rows) - 1, 0, -1)
        if rows[n].startswith("w1,") and rows[n].split(",")[3]
    )
    cells = rows[place].split(",")
    cells[3] = repr(float(cells[3]) - 0.01)
    rows[place] = ",".join(cells)
    lied = signed_anew(held | {"hours.csv": ("\n".join(rows) + "\n").encode()})
    assert "wood_moisture_percent" in failing(lied)["hours"]


def test_another_key_holds_by_itself_and_not_for_who_was_given_the_first(
    made: bytes, tmp_path: Path
) -> None:
    other = signed_anew(parts(made), Ed25519PrivateKey.from_private_bytes(bytes(32)))
    assert packet.verify(other).holds
    file = tmp_path / "other.zip"
    file.write_bytes(other)
    told = CliRunner().invoke(app, ["handover", "verify", str(file), "--key", tree.public_key(KEY)])
    assert told.exit_code == 1
    assert "FAILS  key" in told.output


def test_other_rules_say_so_and_nothing_more(made: bytes) -> None:
    held = parts(made)
    manifest = json.loads(held["manifest.json"]) | {"rules": "0/0"}
    old = signed_anew(held | {"manifest.json": json.dumps(manifest).encode()})
    assert list(failing(old)) == ["rules"]


def test_a_repair_without_a_proof_has_no_packet(tmp_path: Path) -> None:
    with followed(tmp_path, []) as record:
        (row,) = record.repairs(unit="u1")
        with pytest.raises(InputError, match="nothing is proven"):
            packet.make(record, row, key=KEY, made_s=END_S, program="test")


# --- as a person does it --------------------------------------------------------------------------


def test_made_by_command_and_verified_where_there_is_no_record(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "home"
    shutil.copytree(home, own)
    monkeypatch.setenv("SILLKEEP_HOME", str(own))
    monkeypatch.setattr("monitor.cli.handover._now", lambda: END_S)
    file = tmp_path / "w1.zip"
    asked = ["handover", "packet", "u1", "--zone", "w1", "--out", str(file)]
    told = CliRunner().invoke(app, asked)
    assert told.exit_code == 0, told.output
    taken = "wettings survived; readings of 100 % of the time; covers leaks of "
    assert taken in told.output  # no verdict without what it was taken from
    again = CliRunner().invoke(app, asked)
    assert "is there already" in str(again.exception or again.output)
    key = CliRunner().invoke(app, ["handover", "key"]).output.strip()
    empty = tmp_path / "stranger"
    empty.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "handover", "verify", str(file), "--key", key],
        env={"SILLKEEP_HOME": str(empty), "PATH": ""}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert taken in done.stdout
    assert "holds  verdict" in done.stdout
    assert "holds  hours" in done.stdout
    assert "holds  chain" in done.stdout
    assert list(empty.iterdir()) == []


def test_late_readings_make_another_revision_and_the_first_packet_still_holds(
    tmp_path: Path,
) -> None:
    gap = range(START_S + 30 * DAY_S, START_S + 36 * DAY_S)
    readings = history()
    late = [r for r in readings if r.probe == "p1" and r.at_s in gap]
    with followed(tmp_path, [r for r in readings if r not in late]) as record:
        (row,) = record.repairs(unit="u1")
        first = packet.make(record, row, key=KEY, made_s=END_S, program="test 1")
        take(record, late, END_S + 1000)
        (row,) = record.repairs(unit="u1")
        with pytest.raises(InputError, match="wait to be judged: ask again"):
            packet.make(record, row, key=KEY, made_s=END_S + 1000, program="test 1")
        watch.tick(record, now_s=END_S + 1000)
        (row,) = record.repairs(unit="u1")
        second = packet.make(record, row, key=KEY, made_s=END_S + 2000, program="test 1")
    before, after = packet.verify(first), packet.verify(second)
    assert before.holds, failing(first)
    assert after.holds, failing(second)
    assert after.manifest["revision"] > before.manifest["revision"]
    assert (before.manifest["verdict"], after.manifest["verdict"]) == (
        "not yet shown", "stayed dry",
    )  # fmt: skip
    told = parts(second)["revisions.csv"].decode()
    assert "late readings" in told
    assert "verdict: not yet shown -> stayed dry" in told
    assert "coverage_percent: " in told
    said = packet.compare(first, second)
    assert "verdict: not yet shown -> stayed dry" in said
    assert "no longer missing: coverage" in "\n".join(said)
    assert packet.compare(first, first) == []


def test_after_a_person_is_forgotten_old_and_new_packets_hold_and_the_difference_is_told(
    tmp_path: Path,
) -> None:
    name = "Tamsin Quellborough"
    with followed(tmp_path, history()) as record:
        (row,) = record.repairs(unit="u1")
        goal = CaseNote(
            row.zone, row.repaired_s, "goal", "12.0", END_S, END_S, name, f"said {name}"
        )
        record.note_case("u1", goal)
        record.note_leaves("u1", hours={}, lines=[watch.case_leaf(goal)], now_s=END_S)
        record.close_days(now_s=END_S + 2 * DAY_S)
        old_head = record.chain()[-1][3]
        first = packet.make(record, row, key=KEY, made_s=END_S + 2 * DAY_S, program="test 1")
        by = Doer("command line", END_S + 2 * DAY_S)
        forgetting.forget(record.engine, tmp_path, name, by=by)
        (row,) = record.repairs(unit="u1")
        second = packet.make(record, row, key=KEY, made_s=END_S + 2 * DAY_S, program="test 1")
    assert packet.verify(first).holds, failing(first)
    assert packet.verify(second).holds, failing(second)
    cases = parts(second)["cases.csv"].decode()
    assert "removed person 1" in cases
    assert not any(name in text.decode("latin-1") for text in parts(second).values())
    (told,) = [line for line in packet.compare(first, second) if "made anew" in line]
    assert old_head in told
    (steps,) = [said for what, _, said in packet.verify(second).steps if what == "chain"]
    assert ", 0 entries not in it yet" in steps


def test_the_board_hands_it_to_who_sees_the_proof_and_not_of_who_lives_there(
    home: Path, tmp_path: Path
) -> None:
    own = tmp_path / "home"
    shutil.copytree(home, own)
    yard = make_yard(own)
    yard.now_s = END_S
    at = f"/export/proof/u1/w1/{REPAIRED_S}.zip"
    for who in ("owner", "sales", "auditor"):
        answer = yard.somebody(who).get(at)
        assert answer.status_code == 200
        assert packet.verify(answer.data).holds
    assert yard.somebody("owner").get("/export/proof/u1/w2/5.zip").status_code == 404
    assert yard.client().get(at).status_code == 303
    with open_record(own) as record:
        shown = "".join(
            getattr(part, "data-still", "")
            for top in page(record, wish(f"/proof/u1/w1/{REPAIRED_S}", "", now_s=END_S), token="t",
                            sight=sight(record))
            for part in [top, *top._traverse()]
            if not isinstance(part, str)
        )  # fmt: skip
        assert f'href="{at}"' in shown
        record.add_event("yard", Event(END_S, "occupied", "2 people", "u1"), recorded_s=END_S)
    assert yard.somebody("sales").get(at).status_code == 403
    assert yard.somebody("owner").get(at).status_code == 200


def test_rooms_and_who_lived_there_are_not_in_it(home: Path, tmp_path: Path) -> None:
    own = tmp_path / "home"
    shutil.copytree(home, own)
    with open_record(own) as record:
        record.add_zone("yard", Zone("u1", "air-main", "cabin"))
        placed = Placement("n9", "p1", "yard", "u1", "air-main", START_S)
        record.place(placed, recorded_s=START_S, who="test")
        take(record, [Reading(site="yard", node="n9", probe="p1", boot=1, seq=k,
                              at_s=START_S + k * HOUR_S, temperature_c=19.0, humidity_percent=55.0)
                      for k in range(400)])  # fmt: skip
        for kind, at_s in (("occupied", START_S), ("vacated", START_S + DAY_S)):
            record.add_event("yard", Event(at_s, kind, "2 people", "u1"), recorded_s=END_S)  # type: ignore[arg-type]
        watch.tick(record, now_s=END_S + HOUR_S)
        (row,) = record.repairs(unit="u1")
        made = packet.make(record, row, key=KEY, made_s=END_S, program="test 1")
    assert packet.verify(made).holds, failing(made)
    told = b"".join(parts(made).values()).decode(errors="replace")
    assert "2 people" not in told
    assert ",air-main," not in parts(made)["readings.csv"].decode()
    assert "air-main" not in parts(made)["hours.csv"].decode()


@pytest.mark.parametrize(
    "change",
    [
        {"files": []}, {"files": {"hours.csv": 5}}, {"leaves": "many"}, {"as_of": 5}, {"figures": None},
        {"as_of": "9999-01-01T00:00:00Z"}, {"repaired": "yesterday"}, {"rules": None}, {"missing": 3},
        {"altitude_m": "high"}, {"verdict": "\u001b[2Jholds"},
    ],
    ids=str,
)  # fmt: skip
def test_a_hostile_manifest_fails_in_words_and_moves_no_cursor(
    made: bytes, tmp_path: Path, change: dict[str, object]
) -> None:
    held = parts(made)
    said = packet._written(json.loads(held["manifest.json"]) | change)
    file = tmp_path / "hostile.zip"
    file.write_bytes(repacked(held | {"manifest.json": said, "signature.json": signed(said)}))
    told = CliRunner().invoke(app, ["handover", "verify", str(file)])
    assert told.exit_code == 1
    assert "FAILS" in told.output
    assert "Traceback" not in told.output
    assert "\u001b" not in told.output


def test_readings_of_two_days_are_no_comparison(made: bytes) -> None:
    held = parts(made)
    rows = held["readings.csv"].decode().splitlines(keepends=True)
    last = [row for row in rows[1:] if row >= f"{rfc3339(END_S - 3 * DAY_S)}"]
    cut = signed_anew(held | {"readings.csv": "".join([rows[0], *last]).encode()})
    assert list(failing(cut)) == ["hours"]


def test_a_file_that_unpacks_to_much_more_than_a_packet_is_not_unpacked(made: bytes) -> None:
    large = repacked(parts(made) | {"doubts.csv": b"\n" * 60_000_000})
    assert "larger than any packet" in failing(large)["packet"]
