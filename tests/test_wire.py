"""The wire: what is a reading, what is a reject, and that nothing is neither."""

import json
import random
import string

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.wire import (
    OLDEST_S,
    Reading,
    Receipt,
    Reject,
    decode,
    decode_receipt,
    decode_state,
    encode,
    encode_receipt,
    split_topic,
    topic,
)

NOW_S = 1_764_058_600
TOPIC = "sillkeep/yard/02005e10a4c3/senml"
TWO_SAMPLES = b"""[{"bn":"urn:dev:mac:02005e10a4c3:","bt":1764057600,"bver":11,"n":"temperature",
 "u":"Cel","v":11.42},{"n":"humidity","u":"%RH","v":78.6},{"n":"boot","v":17},{"n":"seq","v":10230},
 {"n":"uptime","u":"s","v":85520},{"n":"battery","u":"%EL","v":83},
 {"n":"temperature","u":"Cel","v":11.40,"t":900},{"n":"humidity","u":"%RH","v":78.9,"t":900},
 {"n":"boot","v":17,"t":900},{"n":"seq","v":10231,"t":900},
 {"n":"uptime","u":"s","v":86420,"t":900,"ut":900}]"""


def pack(*records: str, base: str = '"bn":"urn:dev:mac:02005e10a4c3:","bt":1764057600') -> bytes:
    return ("[{" + base + "}," + ",".join("{" + each + "}" for each in records) + "]").encode()


def taken(payload: bytes, *, waited_s: int = 0) -> tuple[list[Reading], list[Reject]]:
    return decode(TOPIC, payload, received_s=NOW_S, waited_s=waited_s)


def only(payload: bytes, *, waited_s: int = 0) -> Reading:
    readings, rejects = taken(payload, waited_s=waited_s)
    assert rejects == []
    assert len(readings) == 1
    return readings[0]


def reason(payload: bytes) -> str:
    readings, rejects = taken(payload)
    assert readings == []
    assert len(rejects) == 1
    assert (rejects[0].topic, rejects[0].payload) == (TOPIC, payload)
    return rejects[0].reason


TEMPERATURE = '"n":"temperature","u":"Cel","v":11.5'
STAMPS = ('"n":"boot","v":3', '"n":"seq","v":7', '"n":"uptime","u":"s","v":500')


def test_a_pack_of_two_samples_is_two_readings():
    assert taken(TWO_SAMPLES) == (
        [
            Reading(
                site="yard",
                node="02005e10a4c3",
                boot=17,
                seq=10230,
                at_s=1764057600,
                uptime_s=85520,
                temperature_c=11.42,
                humidity_percent=78.6,
                battery_percent=83.0,
            ),
            Reading(
                site="yard",
                node="02005e10a4c3",
                boot=17,
                seq=10231,
                at_s=1764058500,
                uptime_s=86420,
                silence_s=900,
                temperature_c=11.40,
                humidity_percent=78.9,
            ),
        ],
        [],
    )


def test_records_of_the_node_belong_to_every_probe_of_their_time():
    readings, rejects = taken(
        pack(
            TEMPERATURE,
            '"n":"p2/temperature","u":"Cel","v":9.25',
            '"n":"sill/contact","vb":true',
            '"n":"sill/battery","u":"%EL","v":40',
            '"n":"battery","u":"%EL","v":90',
            *STAMPS,
        )
    )
    assert rejects == []
    assert [(r.probe, r.boot, r.seq, r.uptime_s, r.battery_percent) for r in readings] == [
        ("p1", 3, 7, 500, 90),
        ("p2", 3, 7, 500, 90),
        ("sill", 3, 7, 500, 40),
    ]
    assert [r.temperature_c for r in readings] == [11.5, 9.25, None]
    assert readings[2].contact is True


@pytest.mark.parametrize(
    ("record", "field", "value"),
    [
        ('"n":"temperature","u":"K","v":284.57', "temperature_c", 11.42),
        ('"n":"humidity","u":"%RH","v":102.5', "humidity_percent", 102.5),
        ('"n":"wood","u":"%","v":18.5', "wood_percent", 18.5),
        ('"n":"contact","vb":false', "contact", False),
        ('"n":"rain","u":"mm","v":0.2,"bver":26', "rain_mm", 0.2),
        ('"n":"pressure","u":"Pa","v":101325', "pressure_pa", 101325.0),
        ('"n":"pressure","u":"hPa","v":1013.25,"bver":26', "pressure_pa", 101325.0),
        ('"n":"co2","u":"ppm","v":612,"bver":11', "co2_ppm", 612.0),
        ('"n":"signal","u":"dBm","v":-71,"bver":26', "signal_dbm", -71.0),
        ('"n":"humidity","v":71,"bu":"%RH"', "humidity_percent", 71.0),
        ('"n":"humidity","u":"%RH","v":1.5,"bv":70', "humidity_percent", 71.5),
        ('"n":"wood","u":"%","v":18,"colour":{"deep":[1,"x"]}', "wood_percent", 18.0),
    ],
)
def test_each_name_in_its_unit_is_the_quantity(record, field, value):
    assert getattr(only(pack(record)), field) == value


@pytest.mark.parametrize(
    ("time_s", "at_s"),
    [
        ("0", NOW_S - 40),
        ("-900", NOW_S - 940),
        ("-0.4", NOW_S - 40),
        (f"{NOW_S - 7}", NOW_S - 7),
        (f"{NOW_S - 7}.6", NOW_S - 6),
        (f"{NOW_S + 300}", NOW_S + 300),
        (f"{OLDEST_S}", OLDEST_S),
    ],
)
def test_a_time_is_absolute_or_counts_back_from_before_the_wait(time_s, at_s):
    payload = pack(TEMPERATURE, base=f'"bn":"yard:02005e10a4c3:","bt":{time_s}')
    assert only(payload, waited_s=40).at_s == at_s


@pytest.mark.parametrize(
    "time_s", ["1", "500", "268435455", "268435456", f"{OLDEST_S - 1}", f"{NOW_S + 301}", "1e300"]
)
def test_a_wrong_clock_makes_no_time(time_s):
    base = f'"bn":"urn:dev:mac:02005e10a4c3:","bt":{time_s}'
    pending = only(pack(TEMPERATURE, *STAMPS, base=base))
    assert (pending.at_s, pending.uptime_s, pending.boot, pending.seq) == (None, 500, 3, 7)
    without = reason(pack(TEMPERATURE, base=base))
    assert "the clock of the node is not set, or wrong: set it, or send boot, seq" in without


MALFORMED = [
    (b"", "not a SenML pack"),
    (b"\xff\xfe", "not a SenML pack"),
    (b"{}", "send a JSON array of records (RFC 8428)"),
    (b"[]", "the pack holds no sample"),
    (b"[" * 100_000, "not a SenML pack"),
    (b'[{"x":' + b"[" * 100_000, "not a SenML pack"),
    (pack('"n":"temperature","u":"Cel","v":NaN'), "not a SenML pack"),
    (pack('"n":"temperature","u":"Cel","v":1e999'), "not a SenML pack"),
    (pack('"n":"temperature","u":"Cel","v":null'), "not a SenML pack"),
    (pack('"n":"temperature","u":"Cel","v":"11"'), "not a SenML pack"),
    (pack('"n":"temperature","u":"Cel"'), "send exactly one of v, vb, vs, vd"),
    (pack('"n":"temperature","u":"Cel","v":1,"vb":true'), "send exactly one of v, vb, vs, vd"),
    (pack('"n":"temperature","u":"Cel","vs":"a","vd":"b"'), "send exactly one of v, vb, vs, vd"),
    (pack(TEMPERATURE, '"foo_":1'), "label 'foo_' must be understood and is not"),
    (pack(TEMPERATURE, '"foo\\u005f":1'), "label 'foo_' must be understood and is not"),
    (pack(TEMPERATURE + ',"bver":42'), "bver {42} is not understood: send one of 10, or 26"),
    (pack(TEMPERATURE + ',"bver":10', TEMPERATURE + ',"bver":26'), "the same all through the pack"),
    (
        pack(TEMPERATURE, base='"bn":"urn:dev:mac:0:"'),
        "is not of node 02005e10a4c3, which the topic",
    ),
    (pack(TEMPERATURE, base='"bn":"urn dev"'), "'urn dev' is no name"),
    (pack(TEMPERATURE, base='"bt":1'), "name 'temperature' is not of node 02005e10a4c3"),
    (pack('"n":"' + "x" * 300 + '","v":1'), "is longer than 255 characters"),
    (pack('"n":"humidity","u":"%RH","v":130'), "humidity_percent of 130 is outside 0 to 105"),
    (pack('"n":"humidity","u":"%RH","v":-1'), "humidity_percent of -1 is outside 0 to 105"),
    (
        pack('"n":"humidity","u":"/","v":0.7'),
        "humidity is in '/': convert it to %RH and send \"u\"",
    ),
    (pack('"n":"temperature","u":"Far","v":52'), "temperature is in 'Far': convert it to Cel"),
    (pack('"n":"temperature","v":52'), "temperature has no unit: convert it to Cel"),
    (pack('"n":"temperature","u":"Cel","v":-61'), "temperature_c of -61 is outside -60 to 120"),
    (pack('"n":"temperature","u":"Cel","vb":true'), 'send it in "v" (a number)'),
    (pack('"n":"wood","u":"%","v":201'), "wood_percent of 201 is outside 0 to 200"),
    (pack('"n":"contact","v":1'), 'send it in "vb" (true or false)'),
    (pack('"n":"rain","u":"mm","v":1'), 'a secondary unit: send "bver":26 in the first record'),
    (pack(TEMPERATURE, TEMPERATURE), "is there twice at one time: give each sample its own t"),
    (pack(TEMPERATURE + ',"ut":0'), "ut of 0 s is outside 1 to"),
    (pack(TEMPERATURE, STAMPS[0]), "send both or neither"),
    (pack(TEMPERATURE, STAMPS[0], '"n":"seq","v":7.5'), "seq is no whole number"),
    (pack(*STAMPS), "no measured value: send at least one"),
    (pack('"n":"temprature","u":"Cel","v":11'), "1 records left out: 'temprature': rename them to"),
    (pack('"n":"p2/boot","v":3'), "1 records left out: 'p2/boot'"),
]


@pytest.mark.parametrize(("payload", "sentence"), MALFORMED)
def test_what_is_no_reading_is_a_reject_that_says_why(payload, sentence):
    assert sentence in reason(payload)


@pytest.mark.parametrize(
    "name", ["", "senml", "yard/n1/senml", "a/Yard/n1/senml", "a/yard/n 1/senml", "a/yard/n1/state"]
)
def test_a_foreign_topic_is_a_reject(name):
    readings, rejects = decode(name, TWO_SAMPLES, received_s=NOW_S)
    assert readings == []
    assert len(rejects) == 1
    assert "topic" in rejects[0].reason or "is not of node" in rejects[0].reason


def test_a_faulty_sample_leaves_the_others_of_its_pack():
    payload = pack(
        TEMPERATURE,
        '"n":"p2/humidity","u":"%RH","v":130',
        '"n":"humidity","u":"%RH","v":70,"t":900',
        '"n":"volts","u":"V","v":3.1',
        *STAMPS,
    )
    readings, rejects = taken(payload)
    assert [(r.probe, r.at_s) for r in readings] == [("p1", 1764057600), ("p1", 1764058500)]
    assert rejects[0].reason.startswith(
        "1 of 3 samples rejected: p2 at t=1764057600: humidity_percent of 130 is outside 0 to 105: "
        "check the probe and the unit it sends. 1 records left out: 'volts': rename them to one of "
    )
    assert rejects[0].seqs == ((3, 7),)


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ('"n":"temperature","u":"Cel","v":-127', "temperature_c of -127 is outside"),
        ('"n":"battery","u":"%EL","v":101', "battery_percent of 101 is outside"),
        ('"n":"humidity","u":"kg","v":50', "humidity is in 'kg'"),
        ('"n":"humidity","u":"%RH","vb":true', "humidity_percent has the wrong kind of value"),
    ],
)
def test_a_value_that_cannot_be_takes_no_liquid_water_with_it(bad: str, why: str) -> None:
    readings, rejects = taken(pack(bad, '"n":"contact","vb":true', *STAMPS))
    assert [(r.contact, r.temperature_c, r.battery_percent) for r in readings] == [
        (True, None, None)
    ]
    assert rejects[0].reason.startswith("1 values left out: ")
    assert why in rejects[0].reason
    assert rejects[0].seqs == ()  # the sample itself is taken, and receipted by its reading


def test_a_sample_of_nothing_but_what_cannot_be_is_rejected_for_that() -> None:
    payload = pack('"n":"humidity","u":"%RH","v":130', *STAMPS)
    assert "1 of 1 samples rejected" in reason(payload)
    assert "humidity_percent of 130" in reason(payload)


def test_a_pack_of_many_faults_is_one_short_reject():
    payload = pack(*(f'"n":"humidity","u":"%RH","v":130,"t":{n}' for n in range(1000)))
    assert len(reason(payload)) < 1000
    assert "; and 995 more" in reason(payload)


# RFC 8428, 5.1.1 to 5.1.3: the values and names of its examples
RFC_EXAMPLES = [
    (b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]', "is not of node"),
    (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},'
        b'{"n":"current","u":"A","v":1.2}]',
        "2 records left out: 'current', 'voltage'",
    ),
    (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.276020076001e+09,"bu":"A","bver":5,'
        b'"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},'
        b'{"n":"current","t":-4,"v":1.3},{"n":"current","v":1.7}]',
        "4 records left out: 'current', 'voltage'",
    ),
    (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.320067464e+09,"bu":"%RH","v":20},'
        b'{"u":"lon","v":24.30621},{"t":60,"v":20.3},{"u":"%EL","t":150,"v":98}]',
        "4 records left out: ''",
    ),
]


@pytest.mark.parametrize(("payload", "sentence"), RFC_EXAMPLES)
def test_packs_of_the_standard_are_understood_though_their_names_are_not_ours(payload, sentence):
    readings, rejects = decode("a/yard/10e2073a01080063/senml", payload, received_s=NOW_S)
    assert readings == []
    assert sentence in rejects[0].reason


def test_the_times_and_bases_of_the_standards_example_resolve():
    payload = (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.320067464e+09,"bu":"%RH","n":"humidity",'
        b'"v":20},{"n":"humidity","t":60,"v":20.3},{"n":"humidity","t":120,"v":20.7},'
        b'{"n":"battery","u":"%EL","t":150,"v":98},{"n":"humidity","t":180,"v":21.2}]'
    )
    readings, rejects = decode("a/yard/10e2073a01080063/senml", payload, received_s=NOW_S)
    assert rejects == []
    assert [(r.at_s, r.humidity_percent, r.battery_percent) for r in readings] == [
        (1320067464, 20.0, None),
        (1320067524, 20.3, None),
        (1320067584, 20.7, None),
        (1320067614, None, 98.0),
        (1320067644, 21.2, None),
    ]


# ---- there and back ------------------------------------------------------------------------------


def numbers(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


@st.composite
def packs(draw: st.DrawFn) -> list[Reading]:
    node = draw(st.sampled_from(["n1", "02005e10a4c3", "mast-north"]))
    readings = []
    for seq in range(draw(st.integers(1, 6))):
        has_seq = draw(st.booleans())
        at_s = draw(st.none() | st.integers(NOW_S - 3, NOW_S)) if has_seq else NOW_S - seq
        stamps = dict.fromkeys(("boot", "seq", "uptime_s"))
        if has_seq:
            stamps = {
                "boot": draw(st.integers(0, 3)),
                "seq": seq,
                "uptime_s": draw(st.integers(0, 3)),
            }
        for probe in draw(st.lists(st.sampled_from(["p1", "p2", "sill"]), min_size=1, unique=True)):
            reading = Reading(
                site="yard",
                node=node,
                probe=probe,
                at_s=at_s,
                **stamps,
                silence_s=draw(st.none() | st.integers(1, 86400)),
                temperature_c=draw(numbers(-60, 120)),
                humidity_percent=draw(numbers(0, 105)),
                wood_percent=draw(numbers(0, 200)),
                contact=draw(st.none() | st.booleans()),
                rain_mm=draw(numbers(0, 2000)),
                pressure_pa=draw(numbers(30_000, 110_000)),
                co2_ppm=draw(numbers(0, 100_000)),
                battery_percent=draw(numbers(0, 100)),
                signal_dbm=draw(numbers(-200, 50)),
            )
            measured = msgspec.structs.astuple(reading)[8:]
            if any(value is not None for value in measured):
                readings.append(reading)
    return readings or [Reading(site="yard", node=node, at_s=NOW_S, contact=True)]


@settings(max_examples=100, deadline=None)
@given(packs())
def test_what_is_written_is_read_back(readings):
    payload = encode(readings)
    where = topic("yard", readings[0].node)
    back, rejects = decode(where, payload, received_s=NOW_S)
    assert rejects == []
    # a battery written once for the node reaches all probes that have none of their own
    assert back == readings


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"at_s": None}, "needs boot, seq and uptime"),
        ({"at_s": OLDEST_S - 1}, "before 2010"),
        ({"temperature_c": float("nan")}, "temperature_c of nan is no measured value"),
        ({"temperature_c": None}, "holds no measured value"),
        ({"probe": "P 2"}, "probe 'P 2' is no code"),
    ],
)
def test_what_could_not_be_read_back_is_not_written(changed, sentence):
    reading = Reading(site="yard", node="n1", at_s=NOW_S, temperature_c=5.0)
    with pytest.raises(ValueError, match=sentence):
        encode([msgspec.structs.replace(reading, **changed)])


def test_a_pack_is_of_one_node():
    with pytest.raises(ValueError, match="one node, not n1 and n2"):
        encode([Reading(site="a", node=n, at_s=NOW_S, temperature_c=5.0) for n in ("n1", "n2")])
    with pytest.raises(ValueError, match="at least one reading"):
        encode([])


def test_secondary_units_raise_the_version_and_an_address_is_a_device_name():
    reading = Reading(site="yard", node="02005e10a4c3", at_s=NOW_S, rain_mm=0.2)
    assert encode([reading]) == (
        b'[{"bn":"urn:dev:mac:02005e10a4c3:","bt":1764058600,"bver":26,'
        b'"n":"rain","u":"mm","v":0.2}]'
    )


def test_topics_split_from_the_right():
    assert split_topic(topic("yard", "n1", prefix="a/b")) == ("yard", "n1", "senml")
    assert split_topic("sillkeep/yard/n1/receipt") == ("yard", "n1", "receipt")


def test_receipts_are_read_back_and_checked():
    receipt = Receipt(boot=17, seq=10231, utc=1764057603, missing=[(3, 5)])
    assert decode_receipt(encode_receipt(receipt)) == receipt
    assert decode_receipt(b'{"boot":17,"seq":10231,"utc":1764057603}').missing == []
    for payload in (
        b"",
        b"[]",
        b'{"boot":1}',
        b'{"boot":-1,"seq":1,"utc":1}',
        b'{"boot":1,"seq":1e19,"utc":1}',
        b"[" * 100_000,
    ):
        with pytest.raises(ValueError, match="not a receipt"):
            decode_receipt(payload)
    with pytest.raises(ValueError, match="a gap is"):
        decode_receipt(b'{"boot":1,"seq":9,"utc":1,"missing":[[5,3]]}')


# ---- anything at all -----------------------------------------------------------------------------

PIECES = [b'"v":', b'"t":', b"1e308", b"-1e308", b"null", b"[", b"{", b"}", b'"ut":-1', b"\\ud800"]
PIECES += [
    b'"bt":9e15',
    b'"bn":""',
    b'"n":"p2/contact"',
    b'"vb":true',
    b'"u":"K"',
    b"_",
    b'"',
    b",",
]


def mutated(source: random.Random, payload: bytes) -> bytes:
    out = bytearray(payload)
    for _ in range(source.randint(1, 4)):
        at = source.randrange(len(out) + 1)
        kind = source.randrange(4)
        if kind == 0:
            out[at : at + source.randint(1, 9)] = b""
        elif kind == 1:
            out[at:at] = source.choice(PIECES)
        elif kind == 2 and at < len(out):
            out[at] = source.randrange(256)
        else:
            start = source.randrange(len(out) + 1)
            out[at:at] = out[start : start + source.randint(1, 40)]
    return bytes(out)


def fabricated(source: random.Random) -> tuple[bytes, int]:
    """A well-formed pack of values good and bad, and how many samples are in it."""
    records, count = ['"bn":"yard:02005e10a4c3:","bt":1764000000,"bver":26'], source.randint(1, 5)
    for number in range(count):
        name, unit = source.choice([("temperature", "Cel"), ("humidity", "%RH"), ("co2", "ppm")])
        value = source.choice([source.uniform(-500, 500), 20, 1e30, -0.0])
        unit = unit if source.random() < 0.9 else source.choice(string.ascii_letters)
        records.append(f'"n":"{name}","u":"{unit}","v":{value},"t":{number * 7}')
    return ("[" + ",".join("{" + each + "}" for each in records) + "]").encode(), count


def feed(count: int) -> dict[str, int]:
    source = random.Random(20300101)
    seen = {"read": 0, "rejected": 0, "both": 0}
    seeds = [TWO_SAMPLES, encode([Reading(site="a", node="n1", at_s=NOW_S, co2_ppm=6.0)])]
    seeds += [payload for payload, _ in MALFORMED if 0 < len(payload) < 1000]
    for number in range(count):
        samples = None
        if number % 4 == 0:
            payload = source.randbytes(source.randrange(64))
        elif number % 4 == 1:
            payload, samples = fabricated(source)
        else:
            payload = mutated(source, source.choice(seeds))
        readings, rejects = taken(payload)
        assert len(rejects) <= 1
        assert readings or rejects, payload  # nothing is neither
        for reading in readings:
            assert msgspec.json.decode(msgspec.json.encode(reading), type=Reading) == reading
        if rejects:
            assert rejects[0].payload == payload
            rejects[0].reason.encode()
            assert 10 < len(rejects[0].reason) < 2000
        if samples is not None:
            said = int(rejects[0].reason.partition(" of ")[0]) if rejects else 0
            assert len(readings) + said == samples, payload
        seen["both" if readings and rejects else "read" if readings else "rejected"] += 1
    return seen


@pytest.mark.timeout(120)
def test_no_payload_escapes_or_is_unaccounted():
    assert min(feed(100_000).values()) > 1000


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_no_payload_of_a_million_escapes_or_is_unaccounted():
    assert min(feed(1_000_000).values()) > 10_000


# --- what a node says of itself -------------------------------------------------------------------


def test_faults_are_read_from_a_state() -> None:
    told = b'{"state":"online","faults":{"p2":"no answer at 0x44","bluetooth":"off"}}'
    assert decode_state(told) == {"p2": "no answer at 0x44", "bluetooth": "off"}
    assert decode_state(b'{"state":"online"}') == {}


@pytest.mark.parametrize(
    "told",
    [b"", b"{", b"[]", b"null", b"1", b'"online"', b'{"state":"offline","faults":{"p1":"x"}}',
     b'{"state":["online"]}', b'{"faults":{"p1":"x"}}', b'{"state":"online","faults":[1]}',
     b'{"state":"online","faults":"x"}', b"\xff\xfe", b"[" * 5000,
     b'{"state":"online","x":"' + b"a" * 9000 + b'"}'],
)  # fmt: skip
def test_a_state_that_tells_no_faults_tells_nothing(told: bytes) -> None:
    assert decode_state(told) is None


def test_what_a_hostile_node_tells_is_little_and_on_one_line() -> None:
    faults = {f"p{number}": "a\nb\x1b[31m\u202e" + "x" * 300 for number in range(99)}
    faults |= {"P 1": "x", "../x": "y"}
    given = json.dumps({"state": "online", "faults": faults | {"p0": 5, "p1": {"a": 1}}})
    found = decode_state(given.encode()[:8192])
    assert found is None  # cut off
    few = dict(list(faults.items())[:20]) | {"P 1": "x", "../x": "y", "p0": 5, "p1": [1]}
    found = decode_state(json.dumps({"state": "online", "faults": few}).encode())
    assert found is not None
    assert 0 < len(found) <= 16
    assert not {"P 1", "../x", "p0", "p1"} & found.keys()
    assert all(len(why) <= 160 and why.isprintable() for why in found.values())


@given(st.binary(max_size=300))
def test_whatever_comes_as_a_state_ends_in_words_or_in_nothing(told: bytes) -> None:
    found = decode_state(told)
    assert found is None or all(isinstance(why, str) for why in found.values())
