"""Play the nodes of the invented yard: `python -m demo --home DIR --broker HOST:PORT`.

Writes `truth.json` (what is planted), `papers.json` and `lot.toml` into the folder, puts the yard's past into the
outboxes of real nodes, and goes on live: a sample of each node a minute, never ahead of the clock.
Started again in the same folder it is the same yard, and the hours between come in as the past.
"""

import argparse
import json
import logging
import signal
import sys
import time
from collections import defaultdict
from dataclasses import asdict
from pathlib import Path

from demo import papers
from demo.weather import DAY_S
from demo.yard import MAST, SITE, Yard
from sensors.node import Broker, Node, parse_broker
from sensors.outbox import Outbox
from sensors.wire import Reading

log = logging.getLogger("demo")

CHUNK_S = 4 * DAY_S  # of the past that is put into the outboxes at a time
ROUND_S = 0.25  # one turn over all nodes when nothing is in flight
REACHED = "demo reached"  # kept in each outbox: time of its newest sample


class Players:
    """The yard's nodes with their outboxes in one folder."""

    def __init__(self, yard: Yard, *, folder: Path, broker: Broker) -> None:
        self._nodes = {
            name: Node(
                SITE, name, outbox=Outbox(folder / "nodes" / f"{name}.outbox"), broker=broker
            )
            for name in yard.nodes
        }
        # All outboxes are filled in the same round; the mast is always the last of it.
        self.reached_s = self._nodes[MAST].outbox.state(REACHED)

    @property
    def waiting(self) -> int:
        """Samples that are still to be stored."""
        return sum(node.waiting for node in self._nodes.values())

    def add(self, samples: list[list[Reading]], *, up_to_s: int) -> int:
        """Put samples on disk, each into its node's outbox; how many readings that was.

        A node that an earlier, interrupted round already served is not served twice.
        """
        by_node: dict[str, list[list[Reading]]] = defaultdict(list)
        for sample in samples:
            by_node[sample[0].node].append(sample)
        readings = 0
        for name, node in self._nodes.items():
            reached_s = node.outbox.state(REACHED)
            fresh = [sample for sample in by_node[name] if (sample[0].at_s or 0) > reached_s]
            node.add(fresh, state={REACHED: max(up_to_s, reached_s)})
            readings += sum(map(len, fresh))
        self.reached_s = up_to_s
        return readings

    def step(self) -> None:
        """Let every node hear and send."""
        wait_s = (0.004 if self.waiting > 0 else ROUND_S) / len(self._nodes)
        for node in self._nodes.values():
            node.step(time.monotonic(), wait_s)

    def close(self) -> None:
        """Go offline; what is not stored waits on disk."""
        for node in self._nodes.values():
            node.close()


def yard_of(folder: Path, *, seed: int, now_s: int, days: int, units: int) -> Yard:
    """The folder's yard; a new one, with its files, where there is none yet."""
    born = folder / "yard.json"
    if born.exists():
        kept = json.loads(born.read_text(encoding="utf-8"))
    else:
        kept = {"seed": seed, "now_s": now_s, "days": days, "units": units}
        folder.mkdir(parents=True, exist_ok=True)
        born.write_text(json.dumps(kept), encoding="utf-8")
    yard = Yard(boot=None, **kept)
    truth = json.dumps([asdict(planted) for planted in yard.planted], indent=1)
    (folder / "truth.json").write_text(truth, encoding="utf-8")
    papers.write(yard, folder)  # before the lot file, which is what the demo waits for
    part = folder / "lot.toml.part"  # whoever waits for the file sees all of it
    part.write_text(yard.lot_toml(), encoding="utf-8")
    part.replace(folder / "lot.toml")
    return yard


def bring_past(yard: Yard, players: Players, *, now_s: int) -> int:
    """Put into the outboxes what the yard's nodes sampled up to `now_s` and these have not held yet.

    Sending begins with the first days. Returns the number of readings.
    """
    readings = 0
    reached_s = yard.start_s
    end_s = max(yard.end_s, now_s)
    while reached_s < end_s:
        reached_s = min(reached_s + CHUNK_S, end_s)
        samples = list(yard.until(reached_s))
        if reached_s > players.reached_s:
            readings += players.add(samples, up_to_s=reached_s)
        players.step()
    return readings


def go_live(yard: Yard, players: Players, *, every_s: float) -> None:
    """A sample of each node every `every_s`, until interrupted."""
    started_s = due_s = time.monotonic()
    told = False
    while True:
        players.step()
        if time.monotonic() >= due_s:
            due_s = max(due_s + every_s, time.monotonic())  # no burst after a suspended night
            now_s = int(time.time())
            if now_s > players.reached_s:  # a clock set back waits until it has caught up
                players.add(yard.live(now_s), up_to_s=now_s)
        if not told and players.waiting <= 0:
            told = True
            log.info("all stored %.1f s after the past was brought", time.monotonic() - started_s)


def main(arguments: list[str] | None = None) -> int:
    """Play until ended by Ctrl-C or SIGTERM."""
    parser = argparse.ArgumentParser(prog="python -m demo", description="An invented yard.")
    parser.add_argument("--home", required=True, type=Path, help="where the demo keeps its files")
    parser.add_argument("--broker", required=True, help="HOST:PORT")
    parser.add_argument("--units", default=12, type=int, help="more than 12: healthy ones beside")
    parser.add_argument("--days", default=60, type=int, help="of past")
    parser.add_argument("--seed", default=1, type=int)
    parser.add_argument("--live-every", default=60.0, type=float, help="seconds between samples")
    given = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    try:
        broker = parse_broker(given.broker)
        if given.live_every < 1.0:
            raise ValueError(f"--live-every {given.live_every}: one second is the shortest")  # noqa: TRY301
        yard = yard_of(
            given.home,
            seed=given.seed,
            now_s=int(time.time()),
            days=given.days,
            units=given.units,
        )
    except ValueError as error:
        log.error("%s", error)  # noqa: TRY400  the sentence is all a person needs
        return 2
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    players = Players(yard, folder=given.home, broker=broker)
    try:
        started_s = time.monotonic()
        now_s = int(time.time() - given.live_every)
        readings = bring_past(yard, players, now_s=now_s)
        log.info("%d past readings in %.1f s", readings, time.monotonic() - started_s)
        go_live(yard, players, every_s=given.live_every)
    except KeyboardInterrupt:
        log.info("ended; %d samples wait in the outboxes", players.waiting)
    finally:
        players.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
