"""The harness finds what it is there to find: each seeded fault leaves a trace in its books.

Commits that are not synced (`synchronous = NORMAL`) leave none here: processes that are killed keep
what they wrote. `test_sync_order.test_a_promise_before_the_sync_is_seen` finds those.
"""

from collections.abc import Callable

import pytest

from tests.faults.harness import Yard
from tests.faults.test_harness import cut_before_the_commit, killed_before_its_commit
from tests.faults.test_sync_order import ACKNOWLEDGED_FIRST, TOLD_FIRST

pytestmark = [pytest.mark.broker, pytest.mark.long, pytest.mark.timeout(600)]

# the node trusts the broker: what it has acknowledged is deleted
FORGOTTEN_AT_PUBACK = """
from sensors.node import Node
publish, heard = Node._publish, Node._on_publish
def noted(self, payload, samples, monotonic_s):
    publish(self, payload, samples, monotonic_s)
    self.__dict__.setdefault("on_way", {})[self._client._last_mid] = [key for key, _ in samples]
def forgotten(self, client, userdata, number, reason, properties):
    heard(self, client, userdata, number, reason, properties)
    for boot, seq in self.on_way.pop(number, ()):
        self.outbox.forget(boot, seq, [(0, seq - 1)] if seq else [])
        self._sent.pop((boot, seq), None)
Node._publish, Node._on_publish = noted, forgotten
"""
FIRST_WINS = """
from monitor.store import taking
taking._merged = lambda known, row: known
taking._keep_dispute = lambda *_: False
"""
# a sample that comes again after a restart is not recognised
NEW_NAMES = """
import os
from monitor.store import taking
row = taking._row
def renamed(*given):
    made = row(*given)
    return made | {"boot": made["boot"] + os.getpid()}
taking._row = renamed
"""
# what comes a day late is kept, and never judged
LATE_IS_LEFT = """
from monitor.store import taking
keep = taking._keep_latest
def left(connection, changes, retimed):
    keep(connection, changes, retimed)
    connection.exec_driver_sql(
        "UPDATE latest SET dirty_hour = NULL WHERE dirty_hour < at_s / 3600 - 24 AND readings > 120")
taking._keep_latest = left
"""


def test_an_acknowledgement_before_the_commit_is_seen_as_loss(yard: Callable[..., Yard]) -> None:
    one = yard(intake_change=ACKNOWLEDGED_FIRST)
    killed_before_its_commit(one, promised=True)
    assert one.books().lost > 0


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"intake_change": TOLD_FIRST}, id="receipt before the commit"),
        pytest.param({"node_change": FORGOTTEN_AT_PUBACK}, id="node deletes at the PUBACK"),
    ],
)
def test_a_sample_deleted_before_it_is_stored_is_seen_as_loss(
    yard: Callable[..., Yard], change: dict[str, str]
) -> None:
    one = yard(nodes=1, **change)
    cut_before_the_commit(one, forgotten=True)
    assert one.books().lost > 0


def test_one_of_two_values_chosen_is_seen_as_loss_and_as_alteration(
    yard: Callable[..., Yard],
) -> None:
    one = yard(intake_change=FIRST_WINS)
    one.start(watching=False)
    one.contradict(20)
    one.drain()
    audit = one.books()
    assert audit.lost > 0
    assert audit.altered > 0


def test_a_sample_kept_twice_is_seen(yard: Callable[..., Yard]) -> None:
    one = yard(intake_change=NEW_NAMES)
    one.start(watching=False)
    one.foreign("plain", 50)
    one.until(lambda: one.stored() >= 50)
    one.intake.kill()
    one.intake.start()
    one.foreign("plain", 50)
    one.drain()
    assert one.books().doubled > 0


def test_late_readings_that_are_not_judged_are_seen_as_other_hours_and_as_a_missed_alarm(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=1, days=8, intake_change=LATE_IS_LEFT)
    one.start()
    one.replay("n0", 100, first=600)
    one.settle()
    one.until(lambda: not one.ask("select 1 from latest where dirty_hour is not null"))
    one.until(lambda: one.ask("select 1 from unit where code = 'van-0' and dirty_hour is null"))
    one.until(lambda: one.ask("select 1 from hour"))
    one.replay("n0", 300, first=0)
    one.settle()
    audit = one.audit()
    assert audit.lost == 0
    assert audit.hours_differ > 0
    assert audit.alarms_missed > 0
