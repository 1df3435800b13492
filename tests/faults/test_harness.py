"""No reading is lost, doubled or altered and no alarm missed, whatever fails while it is on its way.

`harness` says how. The short form strikes each kind of fault at least once; the long one, thousands
of times over a million readings.
"""

import statistics
import time
from collections.abc import Callable

import pytest

from tests.faults.harness import Yard, run

# Long until twenty runs in a row have shown that the harness itself never trips on a slow machine.
pytestmark = [pytest.mark.broker, pytest.mark.long]

SHORT = {
    "intake": 2,
    "watch": 1,
    "brokerkill": 2,
    "box": 1,
    "node": 2,
    "halfopen_nodes": 1,
    "halfopen_intake": 1,
    "lock": 1,
    "full": 1,
    "readonly": 1,
    "second": 1,
}
LONG = {
    "intake": 150,
    "watch": 150,
    "brokerkill": 100,
    "box": 40,
    "node": 1000,
    "halfopen_nodes": 60,
    "halfopen_intake": 40,
    "lock": 400,
    "full": 40,
    "readonly": 15,
    "second": 5,
}
LONG_READINGS = 1_000_000


def broken(one: Yard) -> None:
    """Everything at once that a yard has: replays, a backlog of weeks, no clock, two values."""
    one.start()
    one.contradict(20)
    one.backfill(seed=3)
    one.live("live", 40)


@pytest.mark.timeout(600)  # half a minute here; only a machine that hangs takes longer
def test_whatever_fails_every_reading_is_there_once_and_the_judgement_is_that_of_a_clean_run(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=2, days=16, spacing_s=100)
    broken(one)
    run(one, SHORT, seed=1, samples=800, rounds=16)
    assert set(one.brokers) == {"default", "memory"}, one.brokers
    audit = one.audit()
    print(one.struck.told(), audit)
    assert audit.is_clean, audit
    assert {"back", "live"} <= set(one.done)


@pytest.mark.timeout(600)
def test_what_the_broker_acknowledged_for_a_node_without_outbox_survives_an_intake_killed_before_its_commit(
    yard: Callable[..., Yard],
) -> None:
    one = yard()
    killed_before_its_commit(one)
    audit = one.books()
    assert audit.samples > 100
    assert audit.is_clean, audit


def killed_before_its_commit(one: Yard, *, promised: bool = False) -> None:
    """Kill the intake while its commit waits for another writer; `promised`: once it has said more
    to the broker than to keep the line open, which a sound one never does."""
    one.start(watching=False)
    with one.locked():
        came, said = one.intake_line.to_client, one.intake_line.to_server
        one.foreign("plain", 100)
        one.until(lambda: one.intake_line.to_client > came + 2000)
        if promised:
            one.until(lambda: one.intake_line.to_server > said + 40)
        one.intake.kill()
    assert one.stored() == 0, "the kill came too late: no proof"
    one.intake.start()
    one.drain()


@pytest.mark.timeout(600)
def test_a_power_cut_between_the_coming_of_samples_and_their_commit_loses_none(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=1)
    cut_before_the_commit(one)
    audit = one.books()
    assert audit.samples == 600
    assert audit.is_clean, audit


def cut_before_the_commit(one: Yard, *, forgotten: bool = False) -> None:
    """Intake and broker lose their power while the commit waits for another writer; `forgotten`:
    once the node has deleted its samples, which a sound one never does."""
    one.start(watching=False)
    with one.locked():
        came = one.intake_line.to_client
        one.replay("n0", 300)
        one.until(lambda: one.intake_line.to_client > came + 2000)
        if forgotten:
            one.until(lambda: "n0" not in one.running or one.held("n0") == 0, looking=True)
        one.power_cut()
    assert one.stored() == 0, "the cut came too late: no proof"
    one.power_on()
    one.settle()


@pytest.mark.timeout(7200)
def test_a_million_readings_and_two_thousand_faults(yard: Callable[..., Yard]) -> None:
    one = yard(nodes=5, probes=10, spacing_s=60, resend_s=10.0)
    broken(one)
    begun_s = time.monotonic()
    try:
        run(
            one,
            LONG,
            seed=2,
            samples=200,
            rounds=500,
            at_once=8,
            until=lambda: one.stored() >= LONG_READINGS,
        )
    finally:
        print(f"{one.stored()} readings, {time.monotonic() - begun_s:.0f} s; {one.struck.told()}")
        print(f"brokers killed: {dict(one.brokers)}")
        audit = one.audit()  # also of a run that struck too little: it took an hour
        print(audit)
    assert audit.is_clean, audit
    assert one.struck.total >= 2000
    assert audit.samples >= LONG_READINGS


@pytest.mark.timeout(1200)
def test_one_node_that_floods_keeps_no_reading_of_another_away(yard: Callable[..., Yard]) -> None:
    """The delays are told, not tested: they are the machine's."""
    one = yard()
    one.broker.command[-1] = str(one.broker.folder / "wide.conf")  # one that drops nothing
    one.start(watching=False)
    calm = one.latencies("calm", STEADY, STEADY_EVERY_S)
    one.flood(round(100 / STEADY_EVERY_S))
    one.until(lambda: one.ask("select 1 from node where code = 'flood'"))
    flooded = one.latencies("flooded", STEADY, STEADY_EVERY_S)
    told = one.ask(
        "select n.code, readings from latest join probe using (probe_id) join node n"
        " on n.node_id = probe.node_id"
    )
    readings = {str(row[0]): int(str(row[1])) for row in told}
    print(
        f"publish to commit: p99 {p99(calm) * 1000:.0f} ms, {p99(flooded) * 1000:.0f} ms while one "
        f"node sends 100 times as much ({p99(flooded) / p99(calm):.2f} times); medians "
        f"{statistics.median(calm) * 1000:.0f} and {statistics.median(flooded) * 1000:.0f} ms; "
        f"{readings['flood']} readings of it were stored meanwhile"
    )
    assert readings["calm"] == readings["flooded"] == STEADY
    assert readings["flood"] > STEADY, "the flood did not come: no proof"


STEADY, STEADY_EVERY_S = 500, 0.02


def p99(values: list[float]) -> float:
    return sorted(values)[len(values) * 99 // 100]
