"""Several intakes take in what one yard sends, and any of them may be killed at any time."""

import contextlib
import os
import signal
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor import accesslist
from monitor.config import load
from monitor.store import nodekeys, open_record
from sensors.wire import Reading, encode
from tests.conftest import MOSQUITTO, RunningBroker, unused_port, wait_until
from tests.faults.harness import SILLKEEP, Child, Yard, run

pytestmark = pytest.mark.broker

# one that is gone is taken over after some seconds instead of a minute
SOON = """
intake.DRAINED_S, intake.BEAT_EVERY_S = 0.5, 0.5
intake.Intake.beat_every_s = property(lambda _: 0.3, lambda *_: None)
"""
SHORT_LEASE = "from monitor.store import leasing\nleasing.LEASE_S = 4\n"
# numbers and pairs of running boots are remembered, as a lone intake may
REMEMBERED = "from monitor.store import Record\nRecord.share = lambda _: None\n"


def shares(one: Yard) -> list[int]:
    """Messages that each intake has taken in since it was started."""
    return [
        int(str(row[0]))
        for row in one.ask(
            "select json_extract(detail, '$.messages') from pulse where part like 'intake%' order by part"
        )
    ]


def test_two_intakes_are_killed_in_turn_and_every_reading_is_there_once(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=1, probes=1, days=8, intakes=2)
    one.start(watching=False)
    for child in one.intakes:
        one.replay("n0", 500)
        before = one.stored()
        one.until(lambda before=before: one.stored() > before)
        child.kill()
        assert one.waiting() > 0, "the kill came too late: no proof"
        child.start()
        one.settle()
    assert one.held("n0") == 0  # receipts came, whoever gave them
    assert {gaps for (gaps,) in one.ask("select missing from receipt")} == {"[]"}
    audit = one.books()
    assert audit.samples == 1000
    assert audit.is_clean, audit


@pytest.mark.long
@pytest.mark.timeout(900)
def test_whatever_fails_two_intakes_and_watches_keep_every_reading_once_and_the_judgement_is_that_of_a_clean_run(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=2, days=16, spacing_s=100, intakes=2, watches=2)
    one.start()
    one.contradict(20)
    one.backfill(seed=3)
    one.live("live", 40)
    kinds = {
        "intake": 12,
        "watch": 6,
        "brokerkill": 2,
        "box": 1,
        "node": 2,
        "halfopen_intake": 1,
        "lock": 2,
    }
    run(one, kinds, seed=2, samples=800, rounds=40)
    audit = one.audit()
    print(one.struck.told(), audit)
    assert audit.is_clean, audit
    assert [one.held(code) for code in (*one.codes, "back", "live")] == [0, 0, 0, 0]


@pytest.mark.long
def test_intakes_that_end_as_they_are_asked_to_and_start_again_lose_nothing(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=2, days=8, intakes=2)
    one.start(watching=False)
    one.foreign("plain", 200)
    for code in one.codes:
        one.replay(code, 500)
    one.until(lambda: one.stored() > 100)
    for child in one.intakes:
        assert child.process is not None
        child.process.send_signal(signal.SIGTERM)
        child.process.wait(20)
        child.start()
    one.settle()
    one.until(lambda: one.stored() == 2 * 2 * 500 + 200)
    assert one.books().is_clean


@pytest.mark.long
@pytest.mark.timeout(300)
def test_numbers_that_are_remembered_though_another_intake_counts_too_leave_gaps_that_are_none(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=1, probes=1, days=8, intakes=2, intake_change=REMEMBERED)
    one.start(watching=False)
    one.replay("n0", 1000)
    one.until(lambda: one.stored() == 1000)
    one.settle()
    one.until(lambda: min(shares(one)) > 0)
    ((gaps,),) = one.ask("select missing from receipt")
    assert gaps != "[]"  # what is there is said to be missing


@pytest.mark.long
def test_what_the_broker_kept_for_an_intake_that_is_gone_is_taken_in_by_the_other(
    yard: Callable[..., Yard],
) -> None:
    one = yard(intakes=2, intake_change=SOON)
    one.start(watching=False)
    one.intakes[1].kill()
    one.foreign("plain", 100)  # no outbox: what is parked there comes from nowhere else
    one.until(lambda: one.stored() == 100)
    one.until(
        lambda: one.ask("select 1 from pulse where part = 'intake-2' and detail like '%\"over\"%'")
    )
    one.foreign("plain-2", 100)
    one.until(lambda: one.stored() == 200)
    one.intakes[1].start()
    one.until(one.is_connected)
    one.foreign("plain-3", 100)
    one.until(lambda: one.stored() == 300)
    one.until(lambda: min(shares(one)) >= 50)  # it has its share again
    assert one.books().is_clean


@pytest.mark.long
def test_each_of_two_intakes_has_a_name_where_the_broker_makes_it_the_client_s(
    tmp_path: Path,
) -> None:
    port = unused_port()
    (tmp_path / "secret").write_text("a-password-of-24-letters")
    (tmp_path / "sillkeep.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {port}\nusername = "monitor"\nintakes = 2\n'
        'password_file = "secret"\naccess_files = "broker"\n'
    )
    folder = tmp_path / "broker"
    folder.mkdir()
    (folder / accesslist.OWN_PASSWD).write_text(f"radio:{nodekeys.hashed('radio')}\n")
    (folder / accesslist.OWN_ACL).write_text("user radio\ntopic write sillkeep/yard/n1/senml\n")
    with open_record(tmp_path) as record:
        accesslist.keep(record, load(tmp_path))
    (folder / "mosquitto.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\nuse_username_as_clientid true\n"
        f"password_file {folder}/{accesslist.PASSWD}\nacl_file {folder}/{accesslist.ACL}\n"
        + ("user root\n" if os.getuid() == 0 else "")
    )
    assert MOSQUITTO is not None
    broker = RunningBroker(port, [MOSQUITTO, "-c", str(folder / "mosquitto.conf")], folder)
    environment = {"SILLKEEP_HOME": str(tmp_path)}
    takers = [
        Child(
            f"intake-{number}", tmp_path, SILLKEEP, ("intake", "--number", str(number)), environment
        )
        for number in (1, 2)
    ]
    try:
        broker.start()
        for taker in takers:
            taker.start()

        def told(query: str) -> list[tuple[object, ...]]:
            with contextlib.closing(sqlite3.connect(tmp_path / "record.sqlite")) as db:
                return db.execute(query).fetchall()

        connected = "select 1 from pulse where json_extract(detail, '$.connected')"
        wait_until(lambda: len(told(connected)) == 2)
        messages = [
            ("sillkeep/yard/n1/senml", encode([Reading(site="yard", node="n1", boot=1, seq=seq,
             at_s=1_764_057_600 + seq, temperature_c=10.0)]))
            for seq in range(100)
        ]  # fmt: skip
        broker.publish(messages, user=("radio", "radio"))
        wait_until(lambda: told("select sum(readings) from latest") == [(100,)])
        assert told("select missing from receipt") == [("[]",)]
        taken = "select json_extract(detail, '$.messages') from pulse"
        wait_until(lambda: told(taken) == [(50,), (50,)])
    finally:
        for taker in takers:
            taker.kill()
        broker.stop()


def unjudged(one: Yard) -> int:
    """Units that have hours to judge."""
    hour = time.time() // 3600
    query = "select count(*) from unit where dirty_hour < ? or judged_to < ?"
    return int(str(one.ask(query, hour, hour)[0][0]))


@pytest.mark.long
@pytest.mark.timeout(600)
def test_what_a_watch_was_at_when_it_was_killed_or_frozen_the_other_goes_on_with(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=3, days=30, spacing_s=300, watches=2, watch_change=SHORT_LEASE)
    one.start(watching=False)
    for code in one.codes:
        one.replay(code, 3000)
    one.settle()
    for child in one.watches:
        one.start_watch(child)
    killed, frozen = one.watches
    one.until(lambda: one.is_in_round(killed) and unjudged(one) > 0)
    killed.kill()
    one.until(lambda: unjudged(one) == 0)  # it has taken over all there was
    one.start_watch(killed)
    for code in one.codes:
        one.replay(code, 1000)
    one.until(lambda: one.is_in_round(frozen))
    assert frozen.process is not None
    frozen.process.send_signal(signal.SIGSTOP)
    one.settle()
    one.until(
        lambda: unjudged(one) == 0 and not one.ask("select 1 from latest where dirty_hour > 0")
    )
    frozen.process.send_signal(signal.SIGCONT)
    one.until(lambda: not one.is_in_round(frozen))
    audit = one.audit()
    assert audit.is_clean, audit
