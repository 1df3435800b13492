"""Death before every executed line of the intake's and the watch's work; then it goes on.

A process that dies leaves the files as they were written: what is on the disk before each line is
what a kill there would leave. Most lines change nothing on disk, so the thousands of points come to
a few dozen states, and each of these is gone on from and audited. A few points are then tried with
a real process that ends at once, to see that this is what a kill leaves.
"""

import contextlib
import json
import os
import random
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from monitor import watch
from monitor.config import Broker
from monitor.intake import Intake
from monitor.lot import Event
from monitor.store import Record, open_record
from monitor.store.engine import FILE_NAME
from sensors.wire import Reading, Receipt, decode, decode_receipt, encode
from tests.test_watch import furnish, history

ROOT = Path(__file__).parent.parent.parent
DAY_S = 86_400
START_S = 1_893_456_000
TRACED = (str(ROOT / "monitor" / "store"), str(ROOT / "monitor" / "intake.py"))
TRACED_WATCH = (str(ROOT / "monitor" / "store"), str(ROOT / "monitor" / "watch.py"))
TOPIC = "sillkeep/yard/n1/senml"
REAL_DEATHS = 12


@dataclass
class Outside:
    """What has left the process: acknowledgements and receipts."""

    acknowledged: list[int] = field(default_factory=list)
    receipts: list[Receipt] = field(default_factory=list)


class FakeClient:
    """Takes down what the intake says to the broker."""

    def __init__(self, outside: Outside) -> None:
        self.outside = outside

    def ack(self, packet: int, _qos: int) -> None:
        self.outside.acknowledged.append(packet)

    def publish(self, _topic: str, payload: bytes, **_: Any) -> None:
        self.outside.receipts.append(decode_receipt(payload))


State = tuple[tuple[bytes, bytes], int, int]  # files, acknowledgements, receipts so far


def files(home: Path) -> tuple[bytes, bytes]:
    """Record and write-ahead log; what lies in memory beside them dies with the process."""
    log = home / f"{FILE_NAME}-wal"
    return (home / FILE_NAME).read_bytes(), log.read_bytes() if log.exists() else b""


def put(home: Path, kept: tuple[bytes, bytes]) -> Path:
    home.mkdir(parents=True)
    (home / FILE_NAME).write_bytes(kept[0])
    if kept[1]:
        (home / f"{FILE_NAME}-wal").write_bytes(kept[1])
    return home


@contextlib.contextmanager
def before_each_line(act: Callable[[], None], traced: Sequence[str]) -> Iterator[None]:
    """Call `act` before each line of the traced files that is executed."""

    def local(_frame: FrameType, happens: str, _: object) -> Any:
        if happens == "line":
            act()
        return local

    def each(frame: FrameType, _happens: str, _: object) -> Any:
        return local if frame.f_code.co_filename.startswith(tuple(traced)) else None

    before = sys.gettrace()
    sys.settrace(each)
    try:
        yield
    finally:
        sys.settrace(before)


def messages() -> dict[int, bytes]:
    """New samples, one without time, one again, one with another value, and one beyond the wire."""
    first = history(1)[:9]
    packs = {number: [reading] for number, reading in enumerate(first[:6], 1)}
    packs[7] = [first[0]]
    packs[8] = [_changed(first[1], temperature_c=14.0)]
    packs[9] = [_changed(first[6], seq=40, at_s=None, uptime_s=3000)]
    packs[10] = [_changed(first[7], seq=41, at_s=START_S + 9000, uptime_s=6000)]
    packs[11] = [_changed(first[8], seq=43, humidity_percent=130.0)]
    return {number: encode(pack) for number, pack in packs.items()}


def _changed(reading: Reading, **values: Any) -> Reading:
    kept = {name: getattr(reading, name) for name in reading.__struct_fields__}
    return Reading(**(kept | values))


def intake_of(record: Record, outside: Outside, packets: Sequence[int]) -> Intake:
    """An intake that holds these messages, its batch due."""
    intake = Intake(record, Broker(), lambda: START_S + DAY_S, lambda: 100.0)
    intake._client = FakeClient(outside)  # type: ignore[assignment]
    intake._is_connected = True
    for packet in packets:
        intake._take_message(TOPIC, messages()[packet], packet=packet, retain=False)
    return intake


def work(intake: Intake) -> None:
    """What the intake does with a due batch."""
    intake._store(101.0)
    if intake._receipts:
        intake._tell(101.0)


def dump(home: Path) -> dict[str, list[Any]]:
    """All tables but what tells when or how often work was done."""
    left_out = {"received_s", "dirty_count", "recorded_s", "created_s"}
    with contextlib.closing(sqlite3.connect(home / FILE_NAME)) as connection:
        found: dict[str, list[Any]] = {}
        for (table,) in connection.execute(
            "select name from sqlite_master where type = 'table' and name not like 'sqlite%'"
        ).fetchall():
            names = [row[1] for row in connection.execute(f"pragma table_info({table})")]
            kept = ", ".join(name for name in names if name not in left_out)
            rows = connection.execute(f"select {kept} from {table}").fetchall()
            found[table] = sorted(rows, key=repr)
    return {name: rows for name, rows in found.items() if name != "pulse"}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A record with its lot and some readings."""
    folder = tmp_path / "first"
    with open_record(folder) as record:
        furnish(record)
        record.take(history(1)[9:15], [], received_s=START_S)
    return folder


def go_on_intake(folder: Path, left: Sequence[int], receipts: Sequence[Receipt]) -> None:
    """The next life: the broker sends again what was not acknowledged, nodes what was not told."""
    held = [
        number
        for number, payload in messages().items()
        if number in left or not _told(payload, receipts)
    ]
    with open_record(folder) as record:
        work(intake_of(record, Outside(), held))
        watch.tick(record, now_s=START_S + DAY_S)


def _told(payload: bytes, receipts: Sequence[Receipt]) -> bool:
    readings, rejects = decode(TOPIC, payload, received_s=START_S + DAY_S)
    keys = [(r.boot, r.seq) for r in readings] + [key for r in rejects for key in r.seqs]
    return all(
        any(
            boot == r.boot and (seq or 0) <= r.seq and not _in_gap(seq or 0, r.missing)
            for r in receipts
        )
        for boot, seq in keys
    )


def _in_gap(seq: int, missing: Sequence[tuple[int, int]]) -> bool:
    return any(first <= seq <= last for first, last in missing)


def promised(folder: Path, state: State, outside: Outside) -> list[str]:
    """What was acknowledged or told to a node and is not in the record as it was left."""
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        held = set(connection.execute("select boot, seq from reading"))
        rejects = "".join(str(row[0]) for row in connection.execute("select payload from reject"))
    wrong = []
    told = outside.receipts[: state[2]]
    for number in outside.acknowledged[: state[1]]:
        readings, _ = decode(TOPIC, messages()[number], received_s=START_S + DAY_S)
        if any((r.boot, r.seq) not in held for r in readings):
            wrong.append(f"message {number} was acknowledged and is not stored")
    for number, payload in messages().items():
        if told and _told(payload, told):
            readings, refused = decode(TOPIC, payload, received_s=START_S + DAY_S)
            if any((r.boot, r.seq) not in held for r in readings) or (refused and not rejects):
                wrong.append(f"message {number} was told to its node and is not stored")
    return wrong


def intake_states(home: Path) -> tuple[dict[State, int], list[State], Outside]:
    """State before each line -> how many lines; the state before each; what went out in all."""
    outside = Outside()
    states: dict[State, int] = {}
    points: list[State] = []
    with open_record(home) as record:
        intake = intake_of(record, outside, list(messages()))

        def look() -> None:
            state = (files(home), len(outside.acknowledged), len(outside.receipts))
            states[state] = states.get(state, 0) + 1
            points.append(state)

        with before_each_line(look, TRACED):
            work(intake)
        look()
    return states, points, outside


def audit_intake(tmp_path: Path, home: Path) -> tuple[list[str], int, int]:
    """What is wrong after a death before any line; lines and states that were looked at."""
    start = files(home)
    states, points, outside = intake_states(home)
    plain = put(tmp_path / "plain", start)
    go_on_intake(plain, list(messages()), [])
    expected = dump(plain)
    wrong = []
    for number, state in enumerate(states):
        seen = put(tmp_path / f"seen{number}", state[0])
        wrong += promised(seen, state, outside)
        again = put(tmp_path / f"again{number}", state[0])
        left = [n for n in messages() if n not in outside.acknowledged[: state[1]]]
        go_on_intake(again, left, outside.receipts[: state[2]])
        found = dump(again)
        wrong += [f"state {number}: {name}" for name in expected if found[name] != expected[name]]
    return wrong, len(points), len(states)


def test_an_intake_that_dies_before_any_line_loses_and_doubles_nothing(
    tmp_path: Path, home: Path
) -> None:
    wrong, lines, states = audit_intake(tmp_path, home)
    assert wrong == []
    assert lines > 500
    assert states > len(messages())  # each acknowledgement makes one, commit and receipt too
    print(f"{lines} lines, {states} states")


@pytest.mark.parametrize("first", ["acknowledgement", "receipt"])
def test_what_is_promised_before_the_commit_is_seen(
    tmp_path: Path, home: Path, monkeypatch: pytest.MonkeyPatch, first: str
) -> None:
    store = Intake._store

    def early(self: Any, now_s: float) -> None:
        if first == "acknowledgement":
            for packet in self._batch.packets:
                self._client.ack(packet, 1)
            self._batch.packets.clear()
        else:
            self._client.publish("", b'{"boot":1,"seq":43,"utc":1}')
        store(self, now_s)

    monkeypatch.setattr(Intake, "_store", early)
    wrong, _, _ = audit_intake(tmp_path, home)
    assert any("is not stored" in each for each in wrong)


def watch_ready(tmp_path: Path) -> Path:
    """A record with a week to judge: a wet wall, water, late readings that change what was said."""
    folder = tmp_path / "watch"
    with open_record(folder) as record:
        furnish(record)
        readings = history(6, wet_from_h=30, every_s=3600)
        readings = [_changed(r, silence_s=3600) for r in readings]
        late = [r for r in readings if 60 * 3600 < r.at_s - START_S < 70 * 3600]
        record.take([r for r in readings if r not in late], [], received_s=START_S)
        record.add_event("yard", Event(START_S + DAY_S, "rain", "4"), recorded_s=START_S)
        watch.tick(record, now_s=START_S + 5 * DAY_S)
        water = _changed(readings[-3], contact=True, seq=9999, at_s=START_S + 6 * DAY_S - 500)
        record.take([*late, water], [], received_s=START_S + 6 * DAY_S)
    return folder


NOW_S = START_S + 6 * DAY_S + 60


def test_a_watch_that_dies_before_any_line_misses_and_repeats_nothing(tmp_path: Path) -> None:
    home = watch_ready(tmp_path)
    start = files(home)
    points: list[tuple[bytes, bytes]] = []
    with open_record(home) as record:
        with before_each_line(lambda: points.append(_once(points, files(home))), TRACED_WATCH):
            watch.tick(record, now_s=NOW_S)
        points.append(files(home))
    expected = dump(home)
    assert expected["alarm"], "a round that raises nothing proves little"
    assert expected != dump(put(tmp_path / "before", start))
    states = list(dict.fromkeys(points))
    for number, state in enumerate(states):
        folder = put(tmp_path / f"state{number}", state)
        with open_record(folder) as record:
            watch.tick(record, now_s=NOW_S)
        found = dump(folder)
        assert [name for name in expected if found[name] != expected[name]] == []
    assert len(points) > 500
    assert len(states) >= 4  # marks dealt, site's hours, the judgement, a pulse
    print(f"{len(points)} lines, {len(states)} states")


def _once(points: Sequence[tuple[bytes, bytes]], state: tuple[bytes, bytes]) -> tuple[bytes, bytes]:
    """The state before, if it is the same: thousands of copies would fill the memory."""
    return points[-1] if points and points[-1] == state else state


def die_at(line: int, home: Path, act: Callable[[Record], None], traced: Sequence[str]) -> int:
    """A process of its own that ends before its n-th line without cleaning up; its exit status."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    left = line

    def count() -> None:
        nonlocal left
        if left == 0:
            os._exit(77)
        left -= 1

    try:
        record = open_record(home)
        with before_each_line(count, traced):
            act(record)
    finally:
        os._exit(1)  # the line was never reached


@pytest.mark.parametrize("part", ["intake", "watch"])
def test_a_process_that_ends_at_once_leaves_what_was_on_disk(
    tmp_path: Path, home: Path, part: str
) -> None:
    deaths(tmp_path, home, part, most=REAL_DEATHS)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("part", ["intake", "watch"])
def test_so_it_does_at_every_line(tmp_path: Path, home: Path, part: str) -> None:
    deaths(tmp_path, home, part, most=10**6)


def deaths(tmp_path: Path, home: Path, part: str, *, most: int) -> None:
    """Compare what real deaths leave with the files as they were before the same line."""
    if part == "watch":
        home = watch_ready(tmp_path)

    def act(record: Record) -> None:
        if part == "watch":
            watch.tick(record, now_s=NOW_S)
        else:
            work(intake_of(record, Outside(), list(messages())))

    start, traced = files(home), TRACED_WATCH if part == "watch" else TRACED
    points: list[tuple[bytes, bytes]] = []
    with (
        open_record(home) as record,
        before_each_line(lambda: points.append(_once(points, files(home))), traced),
    ):
        act(record)
    lines = range(len(points))
    chosen = random.Random(1).sample(lines, most) if most < len(lines) else lines
    dumps: dict[tuple[bytes, bytes], Any] = {}
    for line in chosen:
        folder = put(tmp_path / f"{part}{line}", start)
        assert die_at(line, folder, act, traced) == 77
        state = points[line]
        if state not in dumps:
            dumps[state] = json.dumps(dump(put(tmp_path / f"copy{part}{line}", state)), default=str)
        assert json.dumps(dump(folder), default=str) == dumps[state]
        shutil.rmtree(folder)
