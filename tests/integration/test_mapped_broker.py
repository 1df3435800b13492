"""Messages of other makers at a real broker: stored once, what cannot be used kept and told."""

import base64
import json
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

import pytest

from sensors.formats import compact
from sensors.formats.compact import Message, Sample
from sensors.wire import Reading, encode

MAPS = """
[[map]]
topic = "net/+/up"
site = "yard"
node = "dev"
time = "at"
compact = "data"
signal = { at = "rssi", unit = "dBm" }
[[map]]
topic = "hall/+/air"
site = "yard"
node = "_topic[1]"
time = "ts"
temperature = { at = "t", unit = "Cel" }
"""
START_S = int(time.time()) - 86_400


def uplink(seq: int) -> tuple[str, bytes]:
    message = Message(
        seq=seq,
        sample=Sample(temperature_c=5 + seq / 10, humidity_percent=70.0),
        previous=Sample(temperature_c=5 + (seq - 1) / 10, humidity_percent=70.0) if seq else None,
        age_min=15 if seq else 0,
        battery_percent=88,
    )
    data = base64.b64encode(compact.encode(message)).decode()
    told = {"dev": "70B3D57ED0001234", "at": START_S + 900 * seq, "data": data, "rssi": -90 - seq}
    return "net/7/up", json.dumps(told).encode()


def air(at_s: int, **values: Any) -> tuple[str, bytes]:
    return "hall/van-3/air", json.dumps({"ts": at_s} | values).encode()


def own(seq: int) -> tuple[str, bytes]:
    reading = Reading(
        site="yard", node="n1", boot=1, seq=seq, at_s=START_S + seq, temperature_c=11.0
    )
    return "sillkeep/yard/n1/senml", encode([reading])


@pytest.mark.broker
@pytest.mark.parametrize("kind", ["mosquitto", "embedded_broker"])
def test_mapped_messages_are_stored_once_and_rejects_told(
    kind: str, request: pytest.FixtureRequest, intake: Any, until: Callable[..., None]
) -> None:
    broker = request.getfixturevalue(kind)
    taker = intake(broker.port)
    settings = taker.home / "sillkeep.toml"
    plain = settings.read_text()
    settings.write_text(plain + MAPS)
    taker.start()
    until(taker.is_connected)
    heard = [uplink(seq) for seq in range(8) if seq != 4]  # one is lost in the air
    broker.publish([*heard, own(0), air(START_S, t=4.0), air(START_S + 60, t=4.1)])
    broker.publish([*heard, air(START_S, t=4.0), air(START_S + 120, t=400), ("hall/x/air", b"?")])
    samples = 8 + 7 + 2 + 1  # with one radio reading a message, and our own node's
    until(lambda: taker.stored() == samples)
    until(lambda: taker.ask("select count(*) from reject") == [(2,)])
    assert taker.stored() == samples
    assert taker.ask("select count(*) from dispute") == [(0,)]
    # no receipt is kept of what is mapped: a lost message is lost, not owed
    assert taker.ask("select count(*) from receipt") == [(1,)]
    said = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "rejects"],
        env={"SILLKEEP_HOME": str(taker.home), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    assert "400 Cel is 400 Cel, outside -60 to 120" in said
    assert "hall/x/air" in said
    # ended, messages wait for us; a map that is taken away is no longer listened to
    taker.stop()
    settings.write_text(plain + MAPS.partition('[[map]]\ntopic = "hall')[0])
    taker.start()
    subscribed = '"filters": ["sillkeep/+/+/senml", "net/+/up"]'
    until(lambda: subscribed in str(taker.ask("select detail from pulse")))
    broker.publish([air(START_S + 180, t=4.2), uplink(8), own(1)])
    until(lambda: taker.stored() == samples + 3)
    # the embedded broker, for trying out, goes on sending what was unsubscribed: told, not lost
    wanted = [(2,)] if kind == "mosquitto" else [(3,)]
    until(lambda: taker.ask("select count(*) from reject") == wanted)
