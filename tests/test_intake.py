"""Intake without a broker: when a batch is due, what a message holds, how long it waited."""

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.errors import ConfigError
from monitor.intake import (
    BATCH_MESSAGES,
    BATCH_READINGS,
    BATCH_WAIT_S,
    RETRY_LAST_S,
    Batch,
    check_subscribed,
    waited_s,
)
from sensors.wire import Reading, Reject

READING = Reading(site="yard", node="n1", at_s=1764057600, temperature_c=11.4)
REJECT = Reject(topic="t", payload=b"", reason="none", received_s=0)


def holding(readings: int, *, at: float = 100.0) -> Batch:
    batch = Batch()
    for packet in range(1, readings + 1):
        batch.add([READING], [], packet=packet, received_s=1764057600, now_s=at)
    return batch


def told(**properties: object) -> Properties:
    made = Properties(PacketTypes.PUBLISH)
    for name, value in properties.items():
        setattr(made, name, value)
    return made


def test_an_empty_batch_is_never_due() -> None:
    assert not Batch().is_due(1e18)


def test_a_lone_reading_is_due_after_a_tenth_of_a_second() -> None:
    batch = holding(1)
    assert not batch.is_due(100.0 + BATCH_WAIT_S - 0.01)
    assert batch.is_due(100.0 + BATCH_WAIT_S)


def test_later_messages_do_not_put_the_commit_off() -> None:
    batch = holding(1)
    batch.add([READING], [], packet=2, received_s=1764057601, now_s=100.09)
    assert batch.is_due(100.0 + BATCH_WAIT_S)
    assert batch.received_s == 1764057600


def test_a_full_batch_is_due_at_once() -> None:
    assert not holding(BATCH_MESSAGES - 1).is_due(100.0)
    assert holding(BATCH_MESSAGES).is_due(100.0)
    packs = Batch()
    packs.add([READING] * (BATCH_READINGS - 1), [], packet=1, received_s=0, now_s=100.0)
    assert not packs.is_due(100.0)
    packs.add([READING], [], packet=2, received_s=0, now_s=100.0)
    assert packs.is_due(100.0)


def test_messages_without_readings_fill_a_batch_too() -> None:
    batch = Batch()
    for packet in range(1, BATCH_MESSAGES + 1):
        batch.add([], [], packet=packet, received_s=0, now_s=100.0)
    assert batch.is_due(100.0)
    rejected = Batch()
    rejected.add([], [REJECT] * BATCH_READINGS, packet=1, received_s=0, now_s=100.0)
    assert rejected.is_due(100.0)


def test_a_message_of_quality_zero_is_not_acknowledged() -> None:
    batch = Batch()
    batch.add([READING], [], packet=0, received_s=0, now_s=100.0)
    assert batch.packets == []
    assert batch.is_due(101.0)


def test_a_held_batch_keeps_everything_and_waits_longer_each_time() -> None:
    batch = holding(BATCH_MESSAGES)
    waits = []
    for _ in range(10):
        batch.hold(200.0)
        assert not batch.is_due(200.0)
        waits.append(batch.due_s - 200.0)
        assert batch.is_due(batch.due_s)
    assert waits[:3] == pytest.approx([0.1, 0.2, 0.4])
    assert waits[-1] == pytest.approx(RETRY_LAST_S)
    assert len(batch.readings) == len(batch.packets) == BATCH_MESSAGES


def test_a_refused_subscription_ends_the_intake_with_a_sentence() -> None:
    check_subscribed([ReasonCode(PacketTypes.SUBACK, "Granted QoS 1")])
    with pytest.raises(ConfigError, match=r"\(Not authorized\): give the user of \[broker\]"):
        check_subscribed([ReasonCode(PacketTypes.SUBACK, "Not authorized")])


@pytest.mark.parametrize(
    ("properties", "seconds"),
    [
        pytest.param(None, 0, id="no properties: an old client"),
        pytest.param(told(), 0, id="nothing said"),
        pytest.param(told(MessageExpiryInterval=90), 0, id="expiry without what it was"),
        pytest.param(told(UserProperty=("expiry", "100")), 0, id="what it was without expiry"),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "100")), 10, id="ten seconds"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "80")), 0, id="never negative"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "1e9")), 0, id="no number"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "9" * 11)), 0, id="too long"
        ),
    ],
)
def test_the_expiry_tells_how_long_a_message_waited(
    properties: Properties | None, seconds: int
) -> None:
    assert waited_s(properties) == seconds
