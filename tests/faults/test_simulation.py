"""No reading lost or doubled, whatever fails: seeded runs of the real parts in a simulated world."""

import logging
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from monitor.store import NodeReceipt, judging, taking
from monitor.store.taking import Seqs, with_seqs
from sensors.outbox import Outbox
from tests.faults.simulation import Client, SimIntake, SimNode, make_template, play

ROOT = Path(__file__).parent.parent.parent
SEEDS = 200  # within which each planted defect is caught
QUICK_SEEDS = 70
LONG_SEEDS = 5_000
MEMORY = Path("/dev/shm")  # a disk would only wait here; what is synced is seen in test_sync_order


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """A folder in memory where there is such a thing."""
    parent = MEMORY if os.access(MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=parent) as name:
        yield Path(name)


@pytest.fixture(scope="module")
def template(folder: Path) -> Path:
    return make_template(folder / "template")


def played(seed: int, folder: Path, template: Path, **options: Any) -> tuple[list[str], Any]:
    own = Path(tempfile.mkdtemp(dir=folder))
    try:
        return play(seed, own, template, **options)
    finally:
        shutil.rmtree(own)


def digest(seed: int, folder: Path, template: Path) -> str:
    own = Path(tempfile.mkdtemp(dir=folder))
    try:
        return play(seed, own, template)[1].digest
    finally:
        shutil.rmtree(own)


def outcome(
    seed: int, folder: Path, template: Path
) -> tuple[int, list[str], int, Counter[str], int]:
    """What a worker process tells of one seed."""
    logging.disable(logging.WARNING)
    wrong, world = played(seed, folder, template)
    return seed, wrong, world.effective, world.hits, len(world.ledger)


def check(seeds: Iterable[int], folder: Path, template: Path) -> tuple[Counter[str], int, int]:
    """Play seeds on two processors; faults that struck, how many in all, and readings."""
    wrong: dict[int, list[str]] = {}
    idle: list[int] = []
    hits: Counter[str] = Counter()
    effective = readings = 0
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=spawn) as pool:
        given = [(seed, folder, template) for seed in seeds]
        for seed, found, struck, hit, count in pool.map(outcome, *zip(*given, strict=True)):
            if found:
                wrong[seed] = found[:5]
            if not struck:
                idle.append(seed)
            hits += hit
            effective += struck
            readings += count
    assert wrong == {}
    assert idle == [], "runs whose faults hit nothing prove nothing"
    return hits, effective, readings


STRIKES = {  # each has to have hit something
    "a connection was cut",
    "a message was overtaken",
    "a message was repeated",
    "a node lost power while it sent",
    "a node lost power while it wrote",
    "a node lost power with samples to send",
    "a packet was late",
    "a packet was lost with its connection",
    "a sample was spoiled",
    "a sample was taken with no clock, or a wrong one",
    "half-open: a packet vanished",
    "messages came again on a new connection",
    "the broker lost a message it had acknowledged",
    "the broker was killed",
    "the broker was killed, messages in it",
    "the broker's queue was full",
    "the intake was killed: ack",
    "the intake was killed: at a statement",
    "the intake was killed: publish",
    "the intake went on while the watch was at work",
    "the record could not be written",
    "the watch could not write",
    "the watch was killed: at a statement",
    "two values for one sample",
}


@pytest.mark.timeout(1200)  # a busy machine plays 200 seeds for minutes
def test_each_reading_is_there_once_and_all_follows_from_it_whatever_fails(
    folder: Path, template: Path
) -> None:
    hits, effective, readings = check(range(QUICK_SEEDS), folder, template)
    assert hits.keys() >= STRIKES
    assert effective >= 700
    assert readings >= 17_000
    print(f"{QUICK_SEEDS} seeds, {readings} readings, {effective} faults: {dict(hits)}")


@pytest.mark.long
@pytest.mark.timeout(4 * 3600)
def test_the_same_holds_for_thousands_of_seeds(folder: Path, template: Path) -> None:
    hits, effective, readings = check(range(QUICK_SEEDS, LONG_SEEDS), folder, template)
    assert effective >= 50_000
    assert readings >= 1_000_000
    print(
        f"{LONG_SEEDS - QUICK_SEEDS} seeds, {readings} readings, {effective} faults: {dict(hits)}"
    )


def test_a_seed_is_one_run_in_this_process_and_in_any_other(folder: Path, template: Path) -> None:
    first = digest(5, folder, template)
    assert digest(5, folder, template) == first
    assert digest(6, folder, template) != first
    script = (
        "import sys; from pathlib import Path; from tests.faults.test_simulation import digest\n"
        "print(digest(5, Path(sys.argv[1]), Path(sys.argv[2])))"
    )
    said = subprocess.run(
        [sys.executable, "-c", script, str(folder), str(template)],
        cwd=ROOT,
        env=dict(os.environ) | {"PYTHONHASHSEED": "77"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert said.stdout.strip() == first


# --- the audit must see faults of the program -----------------------------------------------------


class AcknowledgesFirst(SimIntake):
    """Acknowledges before the commit."""

    def _store(self, now_s: float) -> None:
        if self._client is not None:
            for packet in self._batch.packets:
                self._client.ack(packet, 1)
            self._batch.packets.clear()
        super()._store(now_s)


class ReceiptsFirst(SimIntake):
    """Tells nodes that their samples are stored before they are."""

    def _store(self, now_s: float) -> None:
        known: dict[tuple[str, int], Seqs] = self.__dict__.setdefault("_known", {})
        for r in self._batch.readings:
            key = (r.node, r.boot or 0)
            high, missing = known[key] = with_seqs(known.get(key, (-1, [])), [r.seq or 0])
            self._owe([NodeReceipt("yard", *key, high, tuple(missing[:40]))])
        if self._is_connected:
            self._tell(now_s)
        super()._store(now_s)


class CleanSession(SimIntake):
    """Gives up its place at the broker each time it connects."""

    def _new_client(self, name: str) -> Any:
        client: Client = super()._new_client(name)
        connect = client.connect
        client.connect = lambda *a, **k: connect(*a, **k | {"clean_start": True})  # type: ignore[method-assign]
        return client


def first_value_wins(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(taking, "_merged", lambda known, _: known)
    patch.setattr(taking, "_keep_dispute", lambda *_: False)


def marks_are_forgotten(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(judging, "mark_placed", lambda *_, **__: None)


def late_readings_leave_no_mark(patch: pytest.MonkeyPatch) -> None:
    entry, newest = taking._entry, {}

    def marked(entries: Any, probe: int, at_s: int | None) -> Any:
        before = newest.get(probe, 0)
        newest[probe] = max(before, at_s or 0)
        return entry(entries, probe, None if (at_s or 0) < before - 3600 else at_s)

    patch.setattr(taking, "_entry", marked)


def a_node_forgets_what_the_broker_has(patch: pytest.MonkeyPatch) -> None:
    publish = SimNode._publish

    def noted(self: Any, payload: bytes, samples: Any, monotonic_s: float) -> None:
        publish(self, payload, samples, monotonic_s)
        self._client.__dict__.setdefault("published", []).append([key for key, _ in samples])

    def forget(self: Any, client: Any, *_: object) -> None:
        for boot, seq in client.published.pop(0) if client.__dict__.get("published") else ():
            self.outbox.forget(boot, seq, [(0, seq - 1)] if seq else [])
            self._sent.pop((boot, seq), None)

    patch.setattr(SimNode, "_publish", noted)
    patch.setattr(SimNode, "_on_publish", forget)


def a_node_overlooks_gaps(patch: pytest.MonkeyPatch) -> None:
    forget = Outbox.forget
    patch.setattr(Outbox, "forget", lambda self, boot, seq, _=(): forget(self, boot, seq))


def one_pair_times_a_whole_boot(patch: pytest.MonkeyPatch) -> None:
    def time_at(self: taking.Anchors, uptime_s: int) -> int | None:
        if not self.hours:
            return None
        known_s, at_s = self.pairs[self.hours[0]]
        return at_s + uptime_s - known_s

    patch.setattr(taking.Anchors, "time_at", time_at)


MUTANTS: dict[str, tuple[Any, str]] = {  # what to change, and a word of what must be said of it
    "acknowledged before the commit": (AcknowledgesFirst, "lost"),
    "receipts before the commit": (ReceiptsFirst, "lost"),
    "a clean session": (CleanSession, "lost"),
    "first value wins": (first_value_wins, "altered"),
    "marks are forgotten": (marks_are_forgotten, "hour"),
    "late readings leave no mark": (late_readings_leave_no_mark, "hour"),
    "a node forgets what the broker has": (a_node_forgets_what_the_broker_has, "lost"),
    "a node overlooks gaps": (a_node_overlooks_gaps, "lost"),
    "one pair times a whole boot": (one_pair_times_a_whole_boot, "wrong time"),
}


# the seed that caught it last is tried first: what is found is the same, sooner
FIRST = {
    "late readings leave no mark": 32,
    "a node overlooks gaps": 9,
    "receipts before the commit": 35,
    "acknowledged before the commit": 16,
    "marks are forgotten": 31,
    "one pair times a whole boot": 32,
}


SOONEST = {
    "acknowledged before the commit",
    "a node overlooks gaps",
    "first value wins",
    "a clean session",
}


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=() if name in SOONEST else pytest.mark.long) for name in MUTANTS],
)
def test_the_audit_catches(
    name: str, folder: Path, template: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mutant, word = MUTANTS[name]
    options = {}
    if isinstance(mutant, type):
        options["intake_class"] = mutant
    else:
        mutant(monkeypatch)
    logging.disable(logging.WARNING)
    try:
        for seed in (FIRST.get(name, 0), *range(SEEDS)):
            wrong, _ = played(seed, folder, template, **options)
            if any(word in each for each in wrong):
                print(f"{name}: caught by seed {seed}: {wrong[0]}")
                return
    finally:
        logging.disable(logging.NOTSET)
    pytest.fail(f"not caught within {SEEDS} seeds: {name}")
