"""Several intakes take in what one yard sends, and any of them may be killed at any time."""

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.faults.harness import Yard, run

pytestmark = pytest.mark.broker

# one that is gone is taken over after some seconds instead of a minute
SOON = """
intake.DRAINED_S, intake.BEAT_EVERY_S = 0.5, 0.5
intake.Intake.beat_every_s = property(lambda _: 0.3, lambda *_: None)
"""
# numbers and pairs of running boots are remembered, as a lone intake may
REMEMBERED = "from monitor.store import Record\nRecord.share = lambda _: None\n"


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Callable[..., Yard]]:
    made: list[Yard] = []

    def make(**options: object) -> Yard:
        made.append(Yard(tmp_path / f"yard-{len(made)}", **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.close()


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
def test_whatever_fails_two_intakes_keep_every_reading_once_and_the_judgement_is_that_of_a_clean_run(
    yard: Callable[..., Yard],
) -> None:
    one = yard(nodes=2, days=16, spacing_s=100, intakes=2)
    one.start()
    one.contradict(20)
    one.backfill(seed=3)
    one.live("live", 40)
    kinds = {"intake": 12, "brokerkill": 2, "box": 1, "node": 2, "halfopen_intake": 1, "lock": 2}
    run(one, kinds, seed=2, samples=800, rounds=40)
    assert min(shares(one)) > 0
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
