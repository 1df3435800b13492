"""BTHome v2: the format's own examples, forged and replayed advertisements, and any bytes at all."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.formats import FormatError
from sensors.formats.bthome import Measured, Receiver, RepeatError, address, encrypted

DEVICE = "02:00:5e:10:a4:c3"
# The worked example of bthome.io, "Encryption": key, address, counter and what they give
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
EXAMPLE = "54:48:E6:8F:80:A5"
COUNTER = int.from_bytes(bytes.fromhex("00112233"), "little")
SEALED = bytes.fromhex("41a47266c95f730011223378237214")
AIR = Measured(temperature_c=25.06, humidity_percent=50.55)


def take(hex_data: str) -> Measured:
    return Receiver({}).take(DEVICE, bytes.fromhex(hex_data))


@pytest.mark.parametrize(
    ("objects", "field", "value"),
    [  # the examples of the tables of bthome.io, "Format"
        ("0009", "packet_id", 9),
        ("0161", "battery_percent", 97),
        ("02CA09", "temperature_c", 25.06),
        ("4511 01", "temperature_c", 27.3),
        ("57EA", "temperature_c", -22),
        ("58EA", "temperature_c", -7.7),
        ("03BF13", "humidity_percent", 50.55),
        ("2E23", "humidity_percent", 35),
        ("04138A01", "pressure_pa", 100883),
        ("14020C", "moisture_percent", 30.74),
        ("2F23", "moisture_percent", 35),
        ("12E204", "co2_ppm", 1250),
        ("0C020C", "voltage_v", 3.074),
        ("4A020C", "voltage_v", 307.4),
        ("2001", "wet", True),
        ("2000", "wet", False),
    ],
)
def test_examples_of_the_format(objects: str, field: str, value: object) -> None:
    measured = take("40" + objects)
    assert getattr(measured, field) == value
    assert measured == Measured(**{field: value})


@pytest.mark.parametrize(
    "between",
    [  # objects that are not measured here, at their published lengths ("Format", all tables)
        "0642 1F", "0708FF", "08CA06", "0960", "0A138A14", "0B021B00", "0D120C", "0E021C", "0F01",
        "1001", "1100", "133301", "1501", "2D01", "2101", "3A01", "3C0103", "3D0960",
        "3E2A2C0960", "3F020C", "400C00", "414E00", "424E3400", "434E34", "444E34", "4632",
        "478756", "48DC87", "49DC87", "4B138A14", "4C41018A01", "4D12138A14", "4E87562A01",
        "4F87562A01", "505D396164", "518756", "528756", "530548656C6C6F", "5404CAFE0102",
        "5587562A01", "56E803", "59EA", "5AEAEA", "5BEA0234EA", "5C02FBFFFF", "5D02EA", "5E9F8C",
        "5FE803", "6001", "61AC0D", "F00100", "F100010204", "F2000106", "05138A14",
    ],
)  # fmt: skip
def test_what_is_not_measured_here_is_stepped_over(between: str) -> None:
    assert take(f"40 02CA09 {between} 03BF13") == AIR


def test_the_published_encrypted_example_is_opened_and_made() -> None:
    receiver = Receiver({EXAMPLE: KEY})
    measured = receiver.take(EXAMPLE, SEALED)
    assert (measured.temperature_c, measured.humidity_percent) == (25.06, 50.55)
    assert measured.counter == COUNTER
    made = encrypted(EXAMPLE, bytes.fromhex("02CA0903BF13"), key=KEY, counter=COUNTER)
    assert made == SEALED


def test_a_device_with_a_key_is_refused_in_plain() -> None:
    with pytest.raises(FormatError, match="in plain"):
        Receiver({EXAMPLE: KEY}).take(EXAMPLE, bytes.fromhex("4002CA09"))


def test_a_device_once_heard_encrypted_is_refused_in_plain_for_good() -> None:
    heard: list[str] = []
    receiver = Receiver({}, on_sealed=heard.append)
    with pytest.raises(FormatError, match="no key"):
        receiver.take(EXAMPLE, SEALED)
    with pytest.raises(FormatError, match="in plain"):
        receiver.take(EXAMPLE, bytes.fromhex("4002CA09"))
    assert heard == [address(EXAMPLE)]
    with pytest.raises(FormatError, match="in plain"):  # by what was kept, after a restart
        Receiver({}, sealed=heard).take(EXAMPLE, bytes.fromhex("4002CA09"))


def test_an_old_counter_is_refused_also_after_a_restart() -> None:
    counters: dict[str, int] = {}
    receiver = Receiver({DEVICE: KEY}, counters=counters)
    sent = {n: encrypted(DEVICE, b"\x01\x61", key=KEY, counter=n) for n in (6, 7, 8)}
    receiver.take(DEVICE, sent[7])
    with pytest.raises(RepeatError):
        receiver.take(DEVICE, sent[7])
    for again in (receiver, Receiver({DEVICE: KEY}, counters=counters)):
        with pytest.raises(FormatError, match="counter 6 after 7"):
            again.take(DEVICE, sent[6])
    assert receiver.take(DEVICE, sent[8]).counter == 8


def test_a_forged_advertisement_does_not_move_the_counter() -> None:
    counters: dict[str, int] = {}
    receiver = Receiver({DEVICE: KEY}, counters=counters)
    forged = bytearray(encrypted(DEVICE, b"\x01\x61", key=KEY, counter=2**32 - 1))
    forged[1] ^= 1
    with pytest.raises(FormatError, match="its key"):
        receiver.take(DEVICE, bytes(forged))
    assert counters == {}


def test_the_same_packet_heard_again_is_nothing_new() -> None:
    receiver = Receiver({})
    receiver.take(DEVICE, bytes.fromhex("40000902CA09"))
    with pytest.raises(RepeatError):
        receiver.take(DEVICE, bytes.fromhex("40000902CA09"))
    assert receiver.take(DEVICE, bytes.fromhex("40000A02CA09")).packet_id == 10


def test_values_that_cannot_be_are_left_out_alone_and_told() -> None:
    measured = take("40 01FF 02CA09 2002 03BF13 02CA09 99 0161")
    assert (measured.temperature_c, measured.humidity_percent) == (25.06, 50.55)
    assert measured.battery_percent is None
    assert measured.wet is None
    said = "; ".join(measured.left)
    for word in ("battery_percent is 255", "wet is 2", "a second temperature_c", "0x99 is unknown"):
        assert word in said


def test_an_address_inside_must_be_the_senders() -> None:
    assert take("42 C3A4105E0002 02CA09 03BF13") == AIR
    with pytest.raises(FormatError, match="another device"):
        take("42 C3A4105E0003 02CA09")


@pytest.mark.parametrize(
    "data", ["", "40", "2002CA09", "4002CA", "4003", "41", "4100112233", "4053"]
)
def test_malformed_is_one_clear_error(data: str) -> None:
    with pytest.raises(FormatError):
        Receiver({DEVICE: KEY} if data[:2] == "41" else {}).take(DEVICE, bytes.fromhex(data))


@given(st.binary(max_size=40), st.booleans())
def test_any_bytes_are_values_or_one_clear_error(data: bytes, has_key: bool) -> None:
    receiver = Receiver({DEVICE: KEY} if has_key else {})
    try:
        measured = receiver.take(DEVICE, data)
    except FormatError:
        return
    assert not has_key
    assert measured.left or measured != Measured()


@given(
    temperature=st.integers(-6000, 12000),
    humidity=st.integers(0, 10500),
    wet=st.booleans(),
    counter=st.integers(0, 2**32 - 1),
)
def test_what_a_device_encrypts_is_what_is_read(
    temperature: int, humidity: int, wet: bool, counter: int
) -> None:
    objects = b"\x02" + temperature.to_bytes(2, "little", signed=True)
    objects += b"\x03" + humidity.to_bytes(2, "little") + bytes([0x20, wet])
    data = encrypted(DEVICE, objects, key=KEY, counter=counter)
    measured = Receiver({DEVICE: KEY}).take(DEVICE, data)
    assert measured == Measured(
        temperature_c=temperature / 100,
        humidity_percent=humidity / 100,
        wet=wet,
        counter=counter,
    )


@pytest.mark.parametrize("text", ["", "02:00:5e", "zz:00:5e:10:a4:c3", "02005e10a4c3ff"])
def test_what_is_no_address_is_said(text: str) -> None:
    with pytest.raises(FormatError, match="no address"):
        address(text)


def test_a_key_of_another_length_is_said() -> None:
    with pytest.raises(ValueError, match="16 bytes"):
        Receiver({DEVICE: b"short"})
