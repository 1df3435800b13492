"""JSON of other makers by a table of expressions: what becomes a reading, and what is said of the rest."""

import base64
import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from monitor.config import load
from monitor.errors import ConfigError
from monitor.store import open_record
from sensors.formats import compact
from sensors.formats.compact import Message, Sample
from sensors.formats.mapped import Channel, Map, decode, explain, filter_fault, matches
from sensors.wire import Reading

NOW_S = 1764194500
TOPIC = "hall/van-3/air"
AIR = Map(
    topic="hall/+/air",
    site="yard",
    node="_topic[1]",
    time="ts",
    channels={
        "temperature": Channel("t", "Cel"),
        "humidity": Channel("h", "%"),
        "contact": Channel("w"),
    },
)
UPLINK = Map(
    topic="net/+/up",
    site="yard",
    node="dev",
    time="at",
    compact="data",
    silence_s=3600,
    channels={"signal": Channel("rx[0].rssi", "dBm")},
)


def read(given: Map, message: object, topic: str = TOPIC) -> tuple[list[Reading], list[str]]:
    payload = message if isinstance(message, bytes) else json.dumps(message).encode()
    readings, rejects = decode(given, topic, payload, received_s=NOW_S)
    assert all(each.payload == payload and each.topic == topic for each in rejects)
    return readings, [each.reason for each in rejects]


def changed(given: Map, **values: Any) -> Map:
    return structs.replace(given, **values)


def test_a_message_becomes_a_reading() -> None:
    readings, faults = read(AIR, {"ts": "2025-11-26T22:00:00Z", "t": 11.4, "h": 78.6, "w": True})
    assert faults == []
    assert readings == [
        Reading(
            site="yard",
            node="van-3",
            at_s=1764194400,
            temperature_c=11.4,
            humidity_percent=78.6,
            contact=True,
        )
    ]


@pytest.mark.parametrize(
    ("channel", "unit", "value", "field", "expected"),
    [  # exact by definition: NIST SP 811, appendix B (degF, in), and the units of RFC 8798
        ("temperature", "degF", 32, "temperature_c", 0.0),
        ("temperature", "degF", -40, "temperature_c", -40.0),
        ("temperature", "degF", 77, "temperature_c", 25.0),
        ("temperature", "K", 273.15, "temperature_c", 0.0),
        ("humidity", "1", 0.5, "humidity_percent", 50.0),
        ("wood", "%", 14.5, "wood_percent", 14.5),
        ("rain", "in", 1, "rain_mm", 25.4),
        ("pressure", "hPa", 1013.25, "pressure_pa", 101325.0),
        ("co2", "ppm", 800, "co2_ppm", 800.0),
        ("battery", "1", 0.25, "battery_percent", 25.0),
        ("signal", "dBm", -97, "signal_dbm", -97.0),
    ],
)
def test_units(channel: str, unit: str, value: float, field: str, expected: float) -> None:
    given = changed(AIR, channels={channel: Channel("v", unit)})
    (reading,), faults = read(given, {"ts": NOW_S, "v": value})
    assert faults == []
    assert getattr(reading, field) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "options"),
    [
        ("2025-11-26T22:00:00.123456789Z", {}),
        ("2025-11-26T23:00:00+01:00", {}),
        ("2025-11-26T23:00:00", {"zone": ZoneInfo("Europe/Vienna")}),
        (1764194400, {}),
        (1764194400000, {"time_in": "ms"}),
    ],
)
def test_times(value: object, options: dict[str, Any]) -> None:
    (reading,), faults = read(changed(AIR, **options), {"ts": value, "t": 1})
    assert (reading.at_s, faults) == (1764194400, [])


@pytest.mark.parametrize(
    ("message", "says"),
    [
        (b"rubbish", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        ({"t": 1}, 'time at "ts": nothing is there'),
        ({"ts": "2025-11-26T22:00:00", "t": 1}, "no offset from UTC"),
        ({"ts": "yesterday", "t": 1}, "no time that can be used"),
        ({"ts": 12, "t": 1}, "before 2010"),
        ({"ts": NOW_S * 1000, "t": 1}, "after now"),
        ({"ts": True, "t": 1}, "no number"),
        ({"ts": 1e300, "t": 1}, "no measured value"),
        ({"ts": NOW_S}, "nothing measured"),
        ({"ts": NOW_S, "t": "11.4"}, "to_number"),
        ({"ts": NOW_S, "t": [1]}, "no number"),
        ({"ts": NOW_S, "t": 2000}, "outside -60 to 120"),
        ({"ts": NOW_S, "w": "wet"}, "neither true nor false"),
        ([1, 2], "nothing is there"),
    ],
)
def test_what_is_no_reading_is_kept_and_told(message: object, says: str) -> None:
    readings, faults = read(AIR, message)
    assert readings == []
    assert says in faults[0]
    assert '[[map]] of "hall/+/air"' in faults[0]


def test_one_bad_value_costs_itself_alone() -> None:
    (reading,), faults = read(AIR, {"ts": NOW_S, "t": 11.4, "h": 650, "w": 1})
    assert (reading.temperature_c, reading.humidity_percent, reading.contact) == (11.4, None, True)
    assert "humidity" in faults[0]
    assert "temperature" not in faults[0]


def test_null_is_not_measured_and_no_fault() -> None:
    (reading,), faults = read(AIR, {"ts": NOW_S, "t": 11.4, "h": None})
    assert (reading.humidity_percent, faults) == (None, [])


def test_a_message_that_is_no_object_has_a_name() -> None:
    given = changed(
        AIR,
        time="",
        sequence="_message[0]",
        channels={"temperature": Channel("_message[1]", "Cel")},
    )
    (reading,), faults = read(given, [7, 11.4])
    assert (reading.boot, reading.seq, reading.temperature_c, faults) == (0, 7, 11.4, [])
    assert reading.at_s == NOW_S


@pytest.mark.parametrize("node", ["", "a/b", "ü", "x" * 65, True, 1.5, {"a": 1}])
def test_what_is_no_code_is_no_node(node: object) -> None:
    readings, faults = read(changed(AIR, node="n"), {"n": node, "ts": NOW_S, "t": 1})
    assert readings == []
    assert "no code" in faults[0]


def test_an_expression_that_fails_on_a_message_is_told() -> None:
    given = changed(AIR, channels={"temperature": Channel("max(t)", "Cel")})
    readings, faults = read(given, {"ts": NOW_S, "t": {"not": "a list"}})
    assert readings == []
    assert "fails on this message" in faults[0]


def uplink(seq: int, at_s: int = NOW_S, **values: Any) -> dict[str, Any]:
    sample = Sample(temperature_c=10.0 + seq / 10, humidity_percent=80.0)
    before = Sample(temperature_c=10.0 + (seq - 1) / 10, humidity_percent=80.0) if seq else None
    message = Message(
        seq=seq, sample=sample, previous=before, age_min=15 if seq else 0, battery_percent=90
    )
    data = base64.b64encode(compact.encode(message)).decode()
    return {"dev": "70B3D57ED0001234", "at": at_s, "data": data, "rx": [{"rssi": -97}], **values}


def test_an_uplink_brings_its_sample_and_the_one_before() -> None:
    readings, faults = read(UPLINK, uplink(5), "net/1/up")
    assert faults == []
    common = {"site": "yard", "node": "70b3d57ed0001234", "boot": 0, "silence_s": 3600}
    assert readings == [
        Reading(**common, seq=4, at_s=NOW_S - 900, temperature_c=10.4, humidity_percent=80.0),
        Reading(**common, seq=5, at_s=NOW_S, temperature_c=10.5, humidity_percent=80.0),
        Reading(**common, probe="radio", seq=5, at_s=NOW_S, battery_percent=90, signal_dbm=-97.0),
    ]


@pytest.mark.parametrize("data", ["", "!!", "AAAA", 5, "////////////////"])
def test_a_payload_that_is_none_is_told(data: object) -> None:
    readings, faults = read(UPLINK, uplink(5, data=data), "net/1/up")
    assert readings == []
    assert 'compact at "data"' in faults[0]


def test_hexadecimal_is_read_too() -> None:
    message = uplink(5)
    message["data"] = base64.b64decode(message["data"]).hex()
    readings, faults = read(changed(UPLINK, compact_in="hex"), message, "net/1/up")
    assert (len(readings), faults) == (3, [])


def test_lost_and_repeated_uplinks_are_each_sample_once_in_the_record(tmp_path: Path) -> None:
    """Times of one sample differ: as the radio heard it, and counted back from the next."""
    sent = [(seq, NOW_S + 900 * seq + seq % 3) for seq in range(12)]
    heard = [one for one in sent if one[0] not in {3, 7}] * 2
    with open_record(tmp_path) as record:
        for seq, at_s in heard:
            readings, faults = read(UPLINK, uplink(seq, at_s, at=NOW_S), "net/1/up")
            assert faults == []
            moved = [structs.replace(r, at_s=r.at_s - NOW_S + at_s) for r in readings]
            taken = record.take([], [], received_s=at_s, untold=moved)
            assert taken.receipts == ()
        counts = record.counts()
        assert counts["readings"] == 12 + 10  # every sample, and battery and signal of each message
        assert counts["disputed"] == 0


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.sampled_from(["ts", "t", "h", "w", "dev", "at", "data", "x"]), inner),
    max_leaves=12,
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_any_payload_is_readings_or_a_told_reject(payload: bytes) -> None:
    for each in (AIR, UPLINK):
        readings, rejects = decode(each, TOPIC, payload, received_s=NOW_S)
        assert readings or rejects
        assert all(reject.reason for reject in rejects)


@pytest.mark.parametrize(
    ("topic_filter", "topic", "is_one"),
    [  # the examples of MQTT 5.0, 4.7.1 and 4.7.2
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/broker", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/broker", True),
    ],
)
def test_filters_match_as_the_standard_says(topic_filter: str, topic: str, is_one: bool) -> None:
    assert matches(topic_filter, topic) is is_one


@pytest.mark.parametrize(
    "topic_filter",
    ["", "#", "+/x", "sillkeep/#", "sillkeep/+/+/senml", "a/#/b", "a/b+", "$share/g/a"],
)
def test_filters_that_cannot_be_used_are_told(topic_filter: str) -> None:
    assert filter_fault(topic_filter, prefix="sillkeep")


@pytest.mark.parametrize("topic_filter", ["a", "a/+/b", "a/#", "sillkeep2/#", "/a/b", "sillkeep"])
def test_filters_of_others_can_be_used(topic_filter: str) -> None:
    assert filter_fault(topic_filter, prefix="sillkeep") == ""


def test_every_step_is_shown() -> None:
    found = explain(AIR, TOPIC, b'{"ts": 1764194400, "t": "x", "h": 50}', received_s=NOW_S)
    shown = {step.field: (step.found, step.value, bool(step.problem)) for step in found.steps}
    assert shown == {
        "node": ("van-3", "van-3", False),
        "time": (1764194400, 1764194400, False),
        "temperature": ("x", None, True),
        "humidity": (50, 50.0, False),
        "contact": (None, None, False),
    }


GOOD = """
[[map]]
topic = "hall/+/air"
site = "yard"
node = "_topic[1]"
time = "ts"
temperature = { at = "t", unit = "degF" }
contact = { at = "w" }
[[map]]
topic = "net/+/up"
site = "yard"
node = "dev"
compact = "data"
[map.signal]
at = "rx[0].rssi"
unit = "dBm"
"""


def test_settings_hold_maps(tmp_path: Path) -> None:
    (tmp_path / "sillkeep.toml").write_text(GOOD)
    air, radio = (each.compiled() for each in load(tmp_path).map)
    assert air == Map(
        topic="hall/+/air",
        site="yard",
        node="_topic[1]",
        time="ts",
        channels={"temperature": Channel("t", "degF"), "contact": Channel("w")},
    )
    assert (radio.compact, radio.channels) == ("data", {"signal": Channel("rx[0].rssi", "dBm")})


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"hall/+/air"', '"sillkeep/#"', "our own topics"),
        ('"_topic[1]"', '"_topic["', "no JMESPath expression"),
        ('"degF"', '"F"', "'Cel', 'K' or 'degF'"),
        ('time = "ts"\n', "", "cannot be told apart"),
        ('time = "ts"\n', 'time = "ts"\nboot = "b"\n', "boot without sequence"),
        ('time = "ts"\n', 'time = "ts"\ncompact = "c"\n', "compact brings"),
        ('time = "ts"\n', 'time = "ts"\ntimezone = "Nowhere"\n', "timezone"),
        ('compact = "data"\n', 'time = "t"\n', "nothing measured is mapped"),
        ('site = "yard"\n', 'site = "Yard"\n', "site"),
        ("temperature =", "temprature =", 'did you mean "temperature"'),
    ],
)
def test_settings_that_cannot_work_are_told(tmp_path: Path, old: str, new: str, says: str) -> None:
    (tmp_path / "sillkeep.toml").write_text(GOOD.replace(old, new, 1))
    with pytest.raises(ConfigError, match="line ") as told:
        load(tmp_path)
    assert says in str(told.value)
