"""BTHome v2 service data -> measured values: plain and encrypted, replays and downgrades refused.

::

    service data of UUID 0xFCD2:   info | objects                           plain
                                   info | ciphertext | counter 4 | tag 4    encrypted
    info    bit 0 encrypted, bit 1 the device's address follows (6 bytes, turned round),
            bit 2 sent at an event, bits 5..7 version: 2
    object  id 1 | value, little-endian, of the id's length

AES-CCM, key of 16 bytes, tag of 4, nonce = address | D2 FC | info | counter.

References
----------
.. [1] BTHome, "Format" and "Encryption", https://bthome.io: objects, lengths, factors, nonce.
"""

from collections.abc import Callable, Iterable, Mapping, MutableMapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import msgspec

from sensors.formats import FormatError
from sensors.wire import LIMITS

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

UUID: Final = "0000fcd2-0000-1000-8000-00805f9b34fb"  # 0xFCD2 as the system tells it
KEY_BYTES: Final = 16
_UUID_BYTES: Final = b"\xd2\xfc"  # as sent
_COUNTER_BYTES, _TAG_BYTES, _ADDRESS_BYTES = 4, 4, 6
_VERSION: Final = 2


class RepeatError(FormatError):
    """The same advertisement heard again: no fault, and nothing new."""


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """What one advertisement says. None: not in it."""

    packet_id: int | None = None
    counter: int | None = None  # of an encrypted one
    temperature_c: float | None = None
    humidity_percent: float | None = None
    moisture_percent: float | None = (
        None  # what the device calls moisture: of wood, for a pin probe
    )
    wet: bool | None = None  # liquid water
    pressure_pa: float | None = None
    co2_ppm: float | None = None
    battery_percent: float | None = None
    voltage_v: float | None = None
    left: tuple[str, ...] = ()  # a sentence for each object that was left out


class _Object(NamedTuple):
    field: str
    length: int
    factor: int = 1  # value = number * factor / divisor: exact where two floats would not be
    divisor: int = 1
    signed: bool = False


# one entry for each object that is measured here
_OBJECTS: Final = {
    0x00: _Object("packet_id", 1),
    0x01: _Object("battery_percent", 1),
    0x02: _Object("temperature_c", 2, divisor=100, signed=True),
    0x03: _Object("humidity_percent", 2, divisor=100),
    0x04: _Object("pressure_pa", 3),  # hundredths of a hectopascal
    0x0C: _Object("voltage_v", 2, divisor=1000),
    0x12: _Object("co2_ppm", 2),
    0x14: _Object("moisture_percent", 2, divisor=100),
    0x20: _Object("wet", 1),
    0x2E: _Object("humidity_percent", 1),
    0x2F: _Object("moisture_percent", 1),
    0x45: _Object("temperature_c", 2, divisor=10, signed=True),
    0x4A: _Object("voltage_v", 2, divisor=10),
    0x57: _Object("temperature_c", 1, signed=True),
    0x58: _Object("temperature_c", 1, factor=35, divisor=100, signed=True),
}
# lengths of the others, so that what follows them is found
_OTHER_LENGTHS: Final = {
    **dict.fromkeys((0x09, 0x0F, 0x10, 0x11, 0x3A, 0x3B, 0x46, 0x59, 0x60, 0x64, 0x65), 1),
    **dict.fromkeys(range(0x15, 0x20), 1),
    **dict.fromkeys(range(0x21, 0x2E), 1),
    **dict.fromkeys((0x06, 0x07, 0x08, 0x0D, 0x0E, 0x13, 0x3C, 0x3D, 0x3F, 0x40, 0x41, 0x43), 2),
    **dict.fromkeys((0x44, 0x47, 0x48, 0x49, 0x51, 0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61), 2),
    **dict.fromkeys((0x05, 0x0A, 0x0B, 0x42, 0x4B, 0xF2), 3),
    **dict.fromkeys((0x3E, 0x4C, 0x4D, 0x4E, 0x4F, 0x50, 0x55, 0x5B, 0x5C, 0x62, 0x63, 0xF1), 4),
    0xF0: 2,
}
_TOLD_LENGTH: Final = frozenset({0x53, 0x54})  # text and raw: a byte says how long
_LIMITS: Final = LIMITS | {"moisture_percent": LIMITS["wood_percent"]}


class Receiver:
    """Takes advertisements of any number of devices, and remembers what protects against forged ones.

    Parameters
    ----------
    keys : Mapping[str, bytes]
        Address (`02:00:5e:10:a4:c3`, any case) -> key of 16 bytes.
    counters : MutableMapping[str, int]
        Address -> counter of the last advertisement taken; kept up to date here, to be stored.
    sealed : Iterable[str]
        Addresses that were heard encrypted before.
    on_sealed : Callable[[str], None]
        Told an address the first time that it is heard encrypted.

    Raises
    ------
    ValueError
        If an address or a key has another form.
    """

    def __init__(
        self,
        keys: Mapping[str, bytes],
        *,
        counters: MutableMapping[str, int] | None = None,
        sealed: Iterable[str] = (),
        on_sealed: Callable[[str], None] = lambda _: None,
    ) -> None:
        if wrong := [name for name, key in keys.items() if len(key) != KEY_BYTES]:
            raise ValueError(f"the key of {wrong[0]} must have {KEY_BYTES} bytes")
        self._keys = {address(name): key for name, key in keys.items()}
        self._counters = {} if counters is None else counters
        self._sealed = {*map(address, sealed), *self._keys}
        self._on_sealed = on_sealed
        self._packets: dict[str, int] = {}

    def take(self, sender: str, data: bytes) -> Measured:
        """What an advertisement says.

        Parameters
        ----------
        sender : str
            Address of the device.
        data : bytes
            Service data without the UUID; any bytes are allowed here.

        Raises
        ------
        RepeatError
            If it was heard before.
        FormatError
            If it is malformed, forged, replayed, encrypted without a key, or plain although the
            device has a key or was heard encrypted before.
        """
        sender = address(sender)
        info, body = _opened(sender, data)
        if not info & 1:
            if sender in self._sealed:
                raise FormatError(f"{sender} sends in plain what it should encrypt: refused")
            measured = _measured(body)
            self._check_packet(sender, measured.packet_id)
            return measured
        if sender not in self._sealed:
            self._sealed.add(sender)
            self._on_sealed(sender)
        counter, body = self._decrypted(sender, info, body)
        measured = msgspec.structs.replace(_measured(body), counter=counter)
        self._counters[sender] = counter
        return measured

    def _check_packet(self, sender: str, packet_id: int | None) -> None:
        if packet_id is None:
            return
        if self._packets.get(sender) == packet_id:
            raise RepeatError(f"{sender} repeats packet {packet_id}")
        self._packets[sender] = packet_id

    def _decrypted(self, sender: str, info: int, body: bytes) -> tuple[int, bytes]:
        from cryptography.exceptions import InvalidTag

        key = self._keys.get(sender)
        if key is None:
            raise FormatError(f"{sender} is encrypted and no key is set for it")
        if len(body) < _COUNTER_BYTES + _TAG_BYTES:
            raise FormatError(f"{sender} sends {len(body)} bytes: too short to be encrypted")
        sealed, tail = body[: -_COUNTER_BYTES - _TAG_BYTES], body[-_COUNTER_BYTES - _TAG_BYTES :]
        sent, tag = tail[:_COUNTER_BYTES], tail[_COUNTER_BYTES:]
        nonce = bytes.fromhex(sender.replace(":", "")) + _UUID_BYTES + bytes([info]) + sent
        try:
            plain = _cipher(key).decrypt(nonce, sealed + tag, None)
        except InvalidTag:
            raise FormatError(f"{sender} is not encrypted with its key") from None
        counter, last = int.from_bytes(sent, "little"), self._counters.get(sender)
        if last is not None and counter == last:
            raise RepeatError(f"{sender} repeats counter {counter}")
        if last is not None and counter < last:
            raise FormatError(
                f"{sender} sends counter {counter} after {last}: a replay, or a device that lost "
                "its counter with its battery"
            )
        return counter, plain


def encrypted(sender: str, objects: bytes, *, key: bytes, counter: int) -> bytes:
    """Service data of encrypted objects, as a device sends it."""
    info = bytes([_VERSION << 5 | 1])
    sent = counter.to_bytes(_COUNTER_BYTES, "little")
    nonce = bytes.fromhex(address(sender).replace(":", "")) + _UUID_BYTES + info + sent
    sealed = _cipher(key).encrypt(nonce, objects, None)
    return info + sealed[:-_TAG_BYTES] + sent + sealed[-_TAG_BYTES:]


def address(text: str) -> str:
    """An address in one way of writing: `02:00:5e:10:a4:c3`.

    Raises
    ------
    FormatError
        If it is no address of six bytes.
    """
    digits = text.replace(":", "").replace("-", "").lower()
    if len(digits) != 2 * _ADDRESS_BYTES or set(digits) - set("0123456789abcdef"):
        raise FormatError(f"{text[:40]!r} is no address such as 02:00:5e:10:a4:c3")
    return ":".join(digits[at : at + 2] for at in range(0, len(digits), 2))


@lru_cache(maxsize=256)
def _cipher(key: bytes) -> "AESCCM":
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

    return AESCCM(key, tag_length=_TAG_BYTES)


def _opened(sender: str, data: bytes) -> tuple[int, bytes]:
    """The first byte, and what follows the address."""
    if not data:
        raise FormatError(f"{sender} sends no bytes")
    info, body = data[0], data[1:]
    if info >> 5 != _VERSION:
        raise FormatError(f"{sender} sends version {info >> 5} of BTHome: only 2 is understood")
    if info & 2:
        if body[:_ADDRESS_BYTES][::-1].hex(":") != sender:
            raise FormatError(f"{sender} sends the address of another device")
        body = body[_ADDRESS_BYTES:]
    return info, body


def _measured(body: bytes) -> Measured:
    """Values of the objects; the first of each kind."""
    found: dict[str, Any] = {}
    left: list[str] = []
    at = 0
    while at < len(body):
        number = body[at]
        length, head = _length(body, at)
        if length is None:
            left.append(f"object 0x{number:02x} is unknown: it and what follows it are left out")
            break
        value = body[at + head : at + head + length]
        if len(value) < length:
            raise FormatError(f"object 0x{number:02x} has {len(value)} of its {length} bytes")
        at += head + length
        kind = _OBJECTS.get(number)
        if kind is not None and (fault := _put(found, kind, value)):
            left.append(fault)
    if not found and not left:
        raise FormatError("the advertisement holds nothing that is measured here")
    return Measured(**found, left=tuple(left))


def _length(body: bytes, at: int) -> tuple[int | None, int]:
    """Length of the value of the object at `at`, and how many bytes stand before it."""
    number = body[at]
    if number in _TOLD_LENGTH:
        return (body[at + 1], 2) if at + 1 < len(body) else (1, 2)
    kind = _OBJECTS.get(number)
    return (kind.length if kind else _OTHER_LENGTHS.get(number)), 1


def _put(found: dict[str, Any], kind: _Object, value: bytes) -> str:
    """Keep a value; a sentence where it cannot be."""
    number = int.from_bytes(value, "little", signed=kind.signed)
    if kind.field in found:
        return f"a second {kind.field} is left out: one device is one probe"
    if kind.field == "wet":
        if number > 1:
            return f"wet is {number}, neither 0 nor 1"
        found["wet"] = bool(number)
        return ""
    measured = number * kind.factor / kind.divisor
    low, high = _LIMITS.get(kind.field, (0, 2**32))
    if not low <= measured <= high:
        return f"{kind.field} is {measured:g}, outside {low:g} to {high:g}"
    found[kind.field] = number if kind.field == "packet_id" else measured
    return ""
