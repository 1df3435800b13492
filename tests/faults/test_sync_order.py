"""What was acknowledged is on the disk, not only handed to the system: seen at the system calls.

A power cut takes what was written and not synced. So the write-ahead log has to be synced between
the coming of a message and the acknowledgement to the broker, and the receipt to the node.
`strace` sees the order; killing processes does not: the system keeps what they wrote.
"""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sensors.wire import Reading, encode
from tests.conftest import RunningIntake

ROOT = Path(__file__).parent.parent.parent
MESSAGES = 60
FEWER = 20
SHIPPED = "from monitor.cli import main; main()"
NOT_SYNCED = """
from monitor.store import engine
settings = engine._write_settings
def changed(connection, entry):
    settings(connection, entry)
    connection.execute("PRAGMA synchronous = NORMAL")
engine._write_settings = changed
"""
ACKNOWLEDGED_FIRST = """
from monitor.intake import Intake
store = Intake._store
def changed(self, now_s):
    for packet in self._batch.packets:
        self._client.ack(packet, 1)
    self._batch.packets.clear()
    self._client.loop_write()
    store(self, now_s)
Intake._store = changed
"""
TOLD_FIRST = """
from monitor.intake import Intake
from monitor.store import NodeReceipt
store = Intake._store
def changed(self, now_s):
    for r in self._batch.readings:
        self._owe([NodeReceipt(r.site, r.node, r.boot, r.seq)])
    self._tell(now_s)
    store(self, now_s)
Intake._store = changed
"""


@dataclass
class TracedIntake(RunningIntake):
    """The intake with its system calls written down."""

    code: str = SHIPPED

    @property
    def calls(self) -> Path:
        return self.home / "calls"

    def start(self) -> None:
        traced = "trace=recvfrom,recvmsg,read,sendto,sendmsg,write,pwrite64,fdatasync,fsync"
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(
                [
                    *("strace", "-D", "-f", "-y", "-s", "9999"),
                    *("-e", traced, "-o", str(self.calls)),
                    *(sys.executable, "-c", self.code, "intake"),
                ],
                cwd=ROOT,
                env=dict(os.environ) | {"SILLKEEP_HOME": str(self.home)},
                stdout=output,
                stderr=output,
            )

    def is_written(self) -> bool:
        """Whether the last of its calls is in the file."""
        return "+++ killed by SIGKILL +++" in self.calls.read_text(errors="replace")[-300:]


@pytest.fixture
def traced(tmp_path: Path) -> Iterator[Callable[[int, str], TracedIntake]]:
    works = shutil.which("strace") and (
        subprocess.run(["strace", "-o", os.devnull, "true"], check=False).returncode == 0
    )
    if not works:
        assert not os.environ.get("CI"), "strace is missing, or may not trace"
        pytest.skip("strace is missing, or may not trace: apt install strace")
    made: list[TracedIntake] = []

    def make(port: int, code: str) -> TracedIntake:
        home = tmp_path / "home"
        home.mkdir()
        (home / "sillkeep.toml").write_text(f'[broker]\nhost = "127.0.0.1"\nport = {port}\n')
        made.append(TracedIntake(home, code=code))
        return made[-1]

    yield make
    for one in made:
        one.stop()


_SEQ = re.compile(r'\\"seq\\",\\"v\\":(\d+)')  # in a pack
_TOLD = re.compile(r'\\"boot\\":\d+,\\"seq\\":(\d+)')  # in a receipt
_ACKNOWLEDGED = re.compile(r'(?:sendto|sendmsg|write)\(\d+<[^>]*>, "@\\[24]')  # PUBACK is 0x40


def early(calls: str) -> tuple[int, list[str]]:
    """Acknowledgements and receipts in all, and those that went out before the sync.

    Messages come one by one, each after the one before was stored.
    """
    dirty: set[int] = set()  # came, and nothing was written since
    written: set[int] = set()
    synced: set[int] = set()
    newest, acknowledged, sent = -1, 0, 0
    wrong = []
    for call in calls.splitlines():
        found = _SEQ.search(call)
        if found and "recv" in call:
            newest = int(found[1])
            dirty.add(newest)
        elif "-wal>" in call and "write" in call:
            written |= dirty
            dirty.clear()
        elif "-wal>" in call and "sync(" in call:
            synced |= written
            written.clear()
        elif _ACKNOWLEDGED.search(call):
            sent += 1
            if acknowledged not in synced:
                wrong.append(f"message {acknowledged} was acknowledged")
            acknowledged += 1
        elif (told := _TOLD.search(call)) and "send" in call:
            sent += 1
            if int(told[1]) not in synced:
                wrong.append(f"message {told[1]} was told to its node")
    assert newest >= 0, "no message was seen to come"
    assert acknowledged == newest + 1, "an acknowledgement was not seen"
    return sent, wrong


def watched(
    mosquitto: Any, traced: Any, until: Callable[..., None], code: str, messages: int
) -> tuple[int, list[str]]:
    taker = traced(mosquitto.port, code)
    taker.start()
    until(taker.is_connected)
    for seq in range(messages):
        reading = Reading(
            site="yard", node="n1", boot=3, seq=seq, at_s=1764057600 + 600 * seq, wood_percent=12.0
        )
        mosquitto.publish([("sillkeep/yard/n1/senml", encode([reading]))])
        until(lambda seq=seq: taker.stored() > seq, every=0.005)
    until(lambda: f'\\"seq\\":{messages - 1}' in taker.calls.read_text(errors="replace"))
    taker.stop()
    until(taker.is_written)
    return early(taker.calls.read_text(errors="replace"))


@pytest.mark.broker
def test_each_acknowledgement_and_receipt_follows_the_sync_of_what_it_promises(
    mosquitto: Any, traced: Any, until: Callable[..., None]
) -> None:
    sent, wrong = watched(mosquitto, traced, until, SHIPPED, MESSAGES)
    assert wrong == []
    assert sent > MESSAGES
    print(f"{sent} acknowledgements and receipts, none before its sync")


@pytest.mark.broker
@pytest.mark.parametrize(
    ("change", "said"),
    [
        pytest.param(NOT_SYNCED, "was acknowledged", id="commits are not synced"),
        pytest.param(ACKNOWLEDGED_FIRST, "was acknowledged", id="acknowledged first"),
        pytest.param(TOLD_FIRST, "was told", id="told first"),
    ],
)
def test_a_promise_before_the_sync_is_seen(
    mosquitto: Any, traced: Any, until: Callable[..., None], change: str, said: str
) -> None:
    _, wrong = watched(mosquitto, traced, until, change + SHIPPED, FEWER)
    assert sum(said in each for each in wrong) >= FEWER // 2
