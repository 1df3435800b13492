"""MQTT 5.0 (OASIS, 2019): as much of it as a node needs, over a stream that does not block.

Version 5, as in 3.1.1 a broker answers "success" to what its access list refuses.
"""

import select
import struct
import time

CONNECT, CONNACK, PUBLISH, PUBACK = 0x10, 0x20, 0x30, 0x40
SUBSCRIBE, SUBACK, DISCONNECT = 0x82, 0x90, 0xE0
LARGEST_PACKET = 8192  # bytes that the broker may send us at once
WILL_DELAY_S = 30  # a short drop of the line is no "offline"
KEEPALIVE_S = 100  # longer than a wake: no ping is ever due
REFUSED = 0x80  # reason codes from here on


class MqttError(Exception):
    """The connection ended, or the broker refuses something; the text says what."""


class Client:
    """One connection.

    Parameters
    ----------
    stream : socket or TLS socket
        Connected and not blocking.
    left_ms : callable
        How much time is left for all of it.
    """

    def __init__(self, stream, left_ms):
        self._stream = stream
        self._left_ms = left_ms
        self._poll = select.poll()
        self._number = 0
        self._acknowledged = set()

    def connect(self, client_id, username, password, will_topic, will):
        properties = struct.pack(">BIBI", 0x11, WILL_DELAY_S, 0x27, LARGEST_PACKET)
        will_properties = struct.pack(">BI", 0x18, WILL_DELAY_S)
        body = _text("MQTT") + struct.pack(">BBH", 5, 0xEE, KEEPALIVE_S)
        body += _sized(properties) + _text(client_id)
        body += _sized(will_properties) + _text(will_topic) + _text(will)
        body += _text(username) + _text(password)
        self._send(CONNECT, body)
        answer = self._wait(CONNACK)
        _check(answer[1], "the broker refuses the connection")

    def subscribe(self, topic):
        """Ask for a topic, and wait until it is granted."""
        self._send(SUBSCRIBE, self._next() + b"\0" + _text(topic) + b"\x01")
        _check(self._wait(SUBACK)[-1], "the broker refuses " + topic)

    def publish(self, topic, payload, expiry_s=0, content_type="", retain=False):
        """Publish at QoS 1, without waiting.

        A broker lowers the expiry by the time a message waits; the user property keeps what it was.
        """
        properties = b""
        if expiry_s:
            properties += struct.pack(">BI", 0x02, expiry_s)
            properties += b"\x26" + _text("expiry") + _text("%d" % expiry_s)
        if content_type:
            properties += b"\x03" + _text(content_type)
        number = self._next()
        head = _text(topic) + number + _sized(properties)
        self._send(PUBLISH | 0x02 | (1 if retain else 0), head, payload)
        return struct.unpack(">H", number)[0]

    def receive(self, wait_ms):
        """Payload of the next message; None if none came in that time."""
        end = time.ticks_add(time.ticks_ms(), wait_ms)
        while True:
            wait_ms = min(time.ticks_diff(end, time.ticks_ms()), self._left_ms())
            if not self._is_readable(max(wait_ms, 0)):
                return None
            kind, body = self._packet()
            payload = self._taken(kind, body)
            if payload is not None:
                return payload

    def is_acknowledged(self, number):
        """Whether the broker has what `publish` gave this number."""
        return number in self._acknowledged

    def disconnect(self):
        self._send(DISCONNECT, b"")
        self._stream.close()

    # packets

    def _next(self):
        self._number = self._number % 65535 + 1
        return struct.pack(">H", self._number)

    def _taken(self, kind, body):
        """Deal with a packet; the payload of a message."""
        if kind & 0xF0 == PUBACK:
            if len(body) > 2:
                _check(body[2], "the broker refuses what was published")
            self._acknowledged.add(struct.unpack(">H", body[:2])[0])
        elif kind & 0xF0 == PUBLISH:
            at = 2 + struct.unpack(">H", body[:2])[0]
            if kind & 0x06:
                self._send(PUBACK, body[at : at + 2])
                at += 2
            length, used = _varint(body[at:])
            return body[at + used + length :]
        elif kind == DISCONNECT:
            raise MqttError("the broker ends the connection: reason %#x" % (body or b"\0")[0])
        return None

    def _wait(self, wanted):
        while True:
            kind, body = self._packet()
            if kind == wanted:
                return body
            self._taken(kind, body)

    def _packet(self):
        kind = self._read(1)[0]
        length, shift = 0, 0
        while True:
            byte = self._read(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
            if shift > 21:
                raise MqttError("what came is not MQTT")
        if length > LARGEST_PACKET:
            raise MqttError("a packet of %d bytes is too large" % length)
        return kind, self._read(length)

    def _send(self, kind, body, payload=b""):
        self._write(bytes([kind]) + _length(len(body) + len(payload)) + body)
        self._write(payload)

    def _write(self, data):
        rest = memoryview(data)
        while len(rest) > 0:
            self._poll.register(self._stream, select.POLLOUT)
            if self._poll.poll(self._some_time()):
                rest = rest[self._stream.write(rest) or 0 :]

    def _read(self, count):
        data = b""
        while len(data) < count:
            if not self._is_readable(self._some_time()):
                continue
            part = self._stream.read(count - len(data))
            if part is None:
                continue  # a part of a TLS record came
            if not part:
                raise MqttError("the connection ended")
            data += part
        return data

    def _is_readable(self, wait_ms):
        self._poll.register(self._stream, select.POLLIN)
        return bool(self._poll.poll(wait_ms))

    def _some_time(self):
        left = self._left_ms()
        if left <= 0:
            raise MqttError("no time is left")
        return left


def _check(reason, what):
    if reason >= REFUSED:
        raise MqttError("%s: reason %#x" % (what, reason))


def _text(text):
    data = text.encode() if isinstance(text, str) else text
    return struct.pack(">H", len(data)) + data


def _sized(data):
    """Data behind its length."""
    return _length(len(data)) + data


def _length(length):
    """A length as a variable byte integer (1.5.5)."""
    found = []
    while True:
        found.append(length & 0x7F | (0x80 if length > 0x7F else 0))
        length >>= 7
        if not length:
            return bytes(found)


def _varint(data):
    """A variable byte integer, and how many bytes it takes."""
    value = 0
    for used in range(4):
        value |= (data[used] & 0x7F) << (7 * used)
        if not data[used] & 0x80:
            return value, used + 1
    raise MqttError("what came is not MQTT")
