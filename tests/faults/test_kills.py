"""Nothing is lost or doubled when the intake is killed in the middle of its work."""

import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest

from sensors.wire import Reading, encode

READINGS = 3000
KILLS = 5
FIRST_S = 1764057600


def samples(count: int) -> list[tuple[str, bytes]]:
    """One message a sample, each with a value of its own."""
    rng = random.Random(7)
    return [
        (
            "sillkeep/yard/n1/senml",
            encode(
                [
                    Reading(
                        site="yard",
                        node="n1",
                        boot=3,
                        seq=seq,
                        at_s=FIRST_S + 600 * seq,
                        temperature_c=temperature / 100,
                        humidity_percent=70.0,
                    )
                ]
            ),
        )
        for seq, temperature in enumerate(rng.sample(range(-2000, 4000), count))
    ]


def expected(count: int) -> list[tuple[int, int, int]]:
    rng = random.Random(7)
    temperatures = rng.sample(range(-2000, 4000), count)
    return [(seq, FIRST_S + 600 * seq, value) for seq, value in enumerate(temperatures)]


ALL = "select seq, at_s, temperature_c100 from reading where disputed is null order by seq"


@pytest.mark.broker
@pytest.mark.timeout(180)  # six starts of a process, on a machine that may be busy
@pytest.mark.parametrize("kind", ["mosquitto", "embedded_broker"])
def test_the_intake_is_killed_again_and_again_and_every_reading_is_there_once(
    kind: str, request: pytest.FixtureRequest, intake: Any, until: Callable[..., None]
) -> None:
    broker = request.getfixturevalue(kind)
    taker = intake(broker.port)
    messages = samples(READINGS)
    each = READINGS // KILLS
    struck = 0
    taker.start()
    until(taker.is_connected)
    for kill in range(KILLS):
        before = taker.stored()
        broker.publish(messages[kill * each : (kill + 1) * each])
        until(lambda before=before: taker.stored() > before, every=0.001)
        taker.stop()
        struck += taker.stored() < (kill + 1) * each
        taker.start()
    assert struck >= 1, "the kills came too late to hit anything: no proof"
    until(lambda: taker.stored() >= READINGS)
    assert taker.ask(ALL) == expected(READINGS)
    assert taker.ask("select seq, missing from receipt") == [(READINGS - 1, "[]")]
    assert taker.ask("select count(*) from dispute") == [(0,)]


@pytest.mark.broker
def test_a_record_locked_by_another_for_two_seconds_loses_nothing(
    mosquitto: Any, intake: Any, until: Callable[..., None]
) -> None:
    taker = intake(mosquitto.port)
    taker.start()
    until(taker.is_connected)
    with closing(sqlite3.connect(taker.home / "record.sqlite", isolation_level=None)) as other:
        other.execute("begin immediate")
        mosquitto.publish(samples(1200))
        locked_s = time.monotonic()
        until(lambda: time.monotonic() > locked_s + 2.0)
        assert taker.stored() == 0
        other.execute("rollback")
    until(lambda: taker.stored() >= 1200)
    assert taker.ask(ALL) == expected(1200)


@pytest.mark.broker
def test_the_broker_is_killed_and_comes_back_and_the_intake_goes_on(
    mosquitto: Any, intake: Any, until: Callable[..., None]
) -> None:
    taker = intake(mosquitto.port)
    taker.start()
    until(taker.is_connected)
    mosquitto.publish(samples(50)[:20])
    until(lambda: taker.stored() == 20)
    mosquitto.stop(9)
    mosquitto.start()
    until(lambda: "working again" in taker.log.read_text())
    mosquitto.publish(samples(50)[20:])
    until(lambda: taker.stored() == 50)
    assert taker.ask(ALL) == expected(50)


@pytest.mark.broker
def test_a_second_intake_of_the_same_record_ends_with_75_and_leaves_the_first_alone(
    mosquitto: Any, intake: Any, until: Callable[..., None]
) -> None:
    taker = intake(mosquitto.port)
    taker.start()
    until(taker.is_connected)
    second = subprocess.run(
        [sys.executable, "-c", "from monitor.cli import main; main()", "intake"],
        env={"SILLKEEP_HOME": str(taker.home), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert second.returncode == 75
    assert "another intake" in second.stderr
    mosquitto.publish(samples(5))
    until(lambda: taker.stored() == 5)
