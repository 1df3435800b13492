"""Seven days without a broker, then all of it: nothing lost, nothing doubled, nothing missed.

Event time in the simulated world (the real node, outbox, intake, record and watch), and once more the
drain alone over a real broker, for its speed, memory and files.
"""

import ast
import logging
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.lot import Site
from monitor.store import open_record
from sensors.node import Broker, Node
from sensors.outbox import KEEP_SAMPLES, Outbox
from sensors.wire import Reading
from tests.conftest import wait_until
from tests.faults.simulation import DAY_S, FIRST_S, HOUR_S, Plan, World, ask, make_template, play

ROOT = Path(__file__).parents[2]
AWAY_S = 7 * DAY_S
GONE_S = 2 * DAY_S
CODES = ("n1", "n2", "n3")


@pytest.fixture
def folder() -> Iterator[Path]:
    parent = Path("/dev/shm")
    where = parent if os.access(parent, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=where) as name:
        yield Path(name)


def week(*, clocks: bool, keeps: bool) -> Plan:
    """Ten days, the broker away from the third to the ninth; a wall is wet while it is away."""
    return Plan(
        length_s=10 * DAY_S,
        every_s=600,
        is_durable=keeps,
        queue_limit=10**6,
        faults=[(GONE_S, "kill broker", float(AWAY_S))],
        ticks=[h * HOUR_S + 1800.0 for h in range(6, 240, 12)],
        wet_h=(60, 140),  # begins and ends while nobody hears of it
        ppm={"n1": 40.0, "n2": -60.0, "n3": 10.0},
        has_clock=dict.fromkeys(CODES, clocks),
    )


class Watcher:
    """Looks at the outboxes, from outside."""

    def __init__(self) -> None:
        self.most: dict[str, int] = {}
        self.bytes = 0
        self.empty_s: float | None = None

    def __call__(self, world: World) -> None:
        def look() -> None:
            held = {c: len(a.node.outbox) for c, a in world.nodes.items() if a.node is not None}
            for code, count in held.items():
                self.most[code] = max(self.most.get(code, 0), count)
            files = (world.folder / f"{code}.outbox" for code in world.nodes)
            self.bytes = max(self.bytes, sum(path.stat().st_size for path in files))
            is_back = world.now_s > GONE_S + AWAY_S
            if is_back and self.empty_s is None and not any(held.values()):
                self.empty_s = world.now_s - GONE_S - AWAY_S
            every_s = 1.0 if is_back and self.empty_s is None else 600.0
            world.at(world.now_s + every_s, look)

        world.at(GONE_S + FIRST_S, look)


@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    "clocks",
    [
        pytest.param(True, id="clocks", marks=pytest.mark.long),
        pytest.param(False, id="no clocks, and a broker that forgets"),
    ],
)
def test_a_week_without_a_broker_comes_back_whole(folder: Path, *, clocks: bool) -> None:
    logging.disable(logging.WARNING)
    watcher = Watcher()
    template = make_template(folder / "template")
    try:
        wrong, world = play(
            7, folder, template, plan=week(clocks=clocks, keeps=clocks), look=watcher
        )
    finally:
        logging.disable(logging.NOTSET)
    # each once, at its own time, as measured; hours and alarms those of a record that was given
    # the same samples without an outage, each alarm told
    assert wrong == []
    samples = AWAY_S // 600
    assert all(samples - 2 <= count <= samples + 6 for count in watcher.most.values())
    assert watcher.most.keys() == set(CODES)
    wet = "select count(*) from alarm where kind in ('wet', 'damp') and raised_s between ? and ?"
    start_s = ask(world.folder, "select min(at_s) from reading")[0][0]
    found = ask(
        world.folder,
        wet.replace("?", "{}").format(start_s + GONE_S, start_s + GONE_S + AWAY_S),
    )
    assert found[0][0] >= 1, "nothing was to be noticed while the broker was away"
    assert watcher.empty_s is not None
    assert watcher.empty_s < 180  # the longest back-off of a connection is 60 s and a half more
    print(
        f"outboxes {watcher.most}, {watcher.bytes / 1e6:.2f} MB; empty {watcher.empty_s:.0f} s after"
    )


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_a_week_of_six_probes_drains_through_a_real_broker(
    mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six probes, one sample in five minutes: 12,096 readings that waited for a week."""
    home = tmp_path / "home"
    with open_record(home) as record:
        record.add_site(Site("yard"))
    (home / "sillkeep.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n[pages]\nport = 1\n'
    )
    outbox = Outbox(tmp_path / "n1.outbox", first_boot=3)
    node = Node("yard", "n1", outbox=outbox, broker=Broker(port=mosquitto.port))
    until_s = int(time.time())
    count = AWAY_S // 300
    for first in range(0, count, 288):
        node.add([
            [
                Reading(site="yard", node="n1", probe=f"p{p}", at_s=until_s - AWAY_S + k * 300,
                        uptime_s=k * 300, temperature_c=5 + k % 20, humidity_percent=60.0 + p)
                for p in range(1, 7)
            ]
            for k in range(first, first + 288)
        ])  # fmt: skip
    size = sum(path.stat().st_size for path in tmp_path.glob("n1.outbox*"))
    assert len(outbox) == count
    environment = os.environ | {"SILLKEEP_HOME": str(home)}
    command = [sys.executable, "-m", "monitor.cli", "intake"]
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with subprocess.Popen(command, env=environment, cwd=ROOT, stderr=subprocess.DEVNULL) as intake:
        try:
            began = 0.0
            # what is sent before the intake has its session comes again after a minute
            wait_until(lambda: ask(home, "select 1 from pulse where part = 'intake'") != [])
            end_s = time.monotonic() + 200
            while node.waiting:
                node.step(time.monotonic(), 0.01)
                if node.stored and not began:
                    began = time.monotonic()
                assert time.monotonic() < end_s
            took_s = time.monotonic() - began
            pss = Path(f"/proc/{intake.pid}/smaps_rollup").read_text().split("Pss:")[1].split()[0]
        finally:
            intake.terminate()
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    node.close()
    rows = ask(home, "select count(*), count(distinct at_s), min(at_s), max(at_s) from reading")
    assert rows == [(6 * count, count, until_s - AWAY_S, until_s - 300)]
    assert node.set_aside == 0
    assert size < 15_000_000
    assert grown_kb < 50_000
    print(
        f"{6 * count} readings in {took_s:.1f} s ({6 * count / took_s:.0f}/s); outbox {size / 1e6:.2f} MB; "
        f"node grew by {grown_kb / 1024:.0f} MB; intake {int(pss) / 1024:.0f} MB"
    )


def test_what_nodes_keep_lasts_longer_than_the_week() -> None:
    """The outbox of a computer, and the ring on a board's flash."""
    assert KEEP_SAMPLES * 300 / DAY_S == 200
    tree = ast.parse((ROOT / "sensors/firmware/ring.py").read_text(encoding="utf-8"))
    given = {
        node.targets[0].id: ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
    }
    ring = given["MOST_FILES"] * given["RECORDS_A_FILE"]
    assert ring * 300 / DAY_S == pytest.approx(21.3, abs=0.1)
    assert ring * 600 / DAY_S == pytest.approx(42.7, abs=0.1)
