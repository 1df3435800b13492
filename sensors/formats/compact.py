"""The compact payload of 11 bytes: one sample and the one before, for radios that carry no more.

::

    bits, the highest first    codes            meaning
    22  seq                    0 .. 4194303     number of the sample; goes on over restarts
    11  age                    0, 1 .. 2047     minutes since the sample before; 0: there is none
     7  battery                0 .. 100         per cent; 127: not measured
    11  temperature            0 .. 1800        -60.0 .. 120.0 degC in steps of 0.1; 2047: not measured
    11  humidity               0 .. 1050        0.0 .. 105.0 % in steps of 0.1; 2047: not measured
     2  contact                0, 1             dry, liquid water; 3: not measured
    24  the sample before      as the three above; all ones where there is none

Eleven bytes are what the slowest rate of the US 915 MHz band carries. A node keeps `seq` over
restarts (it stores every 256th and goes on with the next of them): a sample is then the same one
whether it came itself or with the next one, and one lost message loses nothing.

`compact.js` is the same decoder for network servers; `compact.json` holds examples that both
must agree on.
"""

from typing import Final

import msgspec

from sensors.formats import FormatError
from sensors.wire import LIMITS

PORT: Final = 11  # LoRaWAN FPort of this layout; another layout takes another port
BYTES: Final = 11
LAST_SEQ: Final = 2**22 - 1
LONGEST_AGE_MIN: Final = 2**11 - 1
_SAMPLE_BITS: Final = 24
_NO_TENTHS: Final = 2**11 - 1
_NO_BATTERY: Final = 2**7 - 1
_NO_CONTACT: Final = 3
_NO_SAMPLE: Final = 2**_SAMPLE_BITS - 1
_COLDEST_TENTHS: Final = -600


class Sample(msgspec.Struct, frozen=True, kw_only=True):
    """What was measured at one moment. None: not measured."""

    temperature_c: float | None = None
    humidity_percent: float | None = None
    contact: bool | None = None


class Message(msgspec.Struct, frozen=True, kw_only=True):
    """One message: a sample, and the one before it if there was one."""

    seq: int
    sample: Sample
    previous: Sample | None = None
    age_min: int = 0  # of `previous`, back from `sample`
    battery_percent: int | None = None


def encode(message: Message) -> bytes:
    """The 11 bytes of a message; values are rounded to the steps of the layout.

    Raises
    ------
    ValueError
        If a number is outside its range, or `age_min` and `previous` do not go together.
    """
    if not 0 <= message.seq <= LAST_SEQ:
        raise ValueError(f"seq {message.seq} is outside 0 to {LAST_SEQ}")
    if not 0 <= message.age_min <= LONGEST_AGE_MIN:
        raise ValueError(f"age_min {message.age_min} is outside 0 to {LONGEST_AGE_MIN}")
    if (message.previous is None) != (message.age_min == 0):
        raise ValueError("age_min and previous go together: both, or 0 and None")
    if message.previous is not None and message.seq == 0:
        raise ValueError("seq 0 is the first sample: it has none before it")
    battery = message.battery_percent
    if battery is not None and not 0 <= battery <= 100:
        raise ValueError(f"battery_percent {battery} is outside 0 to 100")
    bits = message.seq
    bits = bits << 11 | message.age_min
    bits = bits << 7 | (_NO_BATTERY if battery is None else battery)
    bits = bits << _SAMPLE_BITS | _sample_bits(message.sample)
    before = _NO_SAMPLE if message.previous is None else _sample_bits(message.previous)
    return (bits << _SAMPLE_BITS | before).to_bytes(BYTES, "big")


def decode(payload: bytes) -> Message:
    """The message of 11 bytes.

    Raises
    ------
    FormatError
        If they are none.
    """
    if len(payload) != BYTES:
        raise FormatError(f"payload of {len(payload)} bytes: it has 11")
    bits = int.from_bytes(payload, "big")
    before = bits & _NO_SAMPLE
    sample = _sample(bits >> _SAMPLE_BITS & _NO_SAMPLE)
    battery = bits >> 48 & _NO_BATTERY
    age_min = bits >> 55 & LONGEST_AGE_MIN
    seq = bits >> 66
    if 100 < battery < _NO_BATTERY:
        raise FormatError(f"battery code {battery} means nothing")
    if age_min and seq == 0:
        raise FormatError("seq 0 is the first sample: it has none before it")
    if not age_min and before != _NO_SAMPLE:
        raise FormatError("a sample before without its age")
    return Message(
        seq=seq,
        sample=sample,
        previous=_sample(before) if age_min else None,
        age_min=age_min,
        battery_percent=None if battery == _NO_BATTERY else battery,
    )


def _sample_bits(sample: Sample) -> int:
    temperature = _tenths("temperature_c", sample.temperature_c)
    humidity = _tenths("humidity_percent", sample.humidity_percent)
    contact = _NO_CONTACT if sample.contact is None else int(sample.contact)
    if temperature != _NO_TENTHS:
        temperature -= _COLDEST_TENTHS
    return (temperature << 11 | humidity) << 2 | contact


def _tenths(name: str, value: float | None) -> int:
    if value is None:
        return _NO_TENTHS
    low, high = LIMITS[name]
    if not low <= value <= high:  # also what is no number
        raise ValueError(f"{name} {value} is outside {low:g} to {high:g}")
    return round(value * 10)


def _sample(bits: int) -> Sample:
    temperature, humidity, contact = bits >> 13, bits >> 2 & _NO_TENTHS, bits & 3
    if 1800 < temperature < _NO_TENTHS:
        raise FormatError(f"temperature code {temperature} means nothing")
    if 1050 < humidity < _NO_TENTHS:
        raise FormatError(f"humidity code {humidity} means nothing")
    if contact == 2:
        raise FormatError("contact code 2 means nothing")
    return Sample(
        temperature_c=None if temperature == _NO_TENTHS else (temperature + _COLDEST_TENTHS) / 10,
        humidity_percent=None if humidity == _NO_TENTHS else humidity / 10,
        contact=None if contact == _NO_CONTACT else bool(contact),
    )
