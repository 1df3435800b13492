"""One upload: everything in the ring, until receipts cover it or the time of this wake is up."""

import gc
import json
import socket
import ssl

import mqtt
import wire

PACK_BYTES = 4096  # some 18 samples of one probe, 11 of two
WINDOW = 200  # samples sent and not yet stored; the monitor gathers for a second before it tells
RECEIPT_MS = 15000  # a receipt usually takes less than a second
CONNECT_S = 10
EXPIRY_S = 7 * 86400  # how long the broker keeps a pack for a monitor that is away


class NotStoredError(Exception):
    """What the monitor gave no receipt for; it stays in the ring."""


def send(settings, fresh, samples, clock, left_ms, told):
    """Send samples and wait for their receipts.

    Parameters
    ----------
    settings : dict
        Broker, credentials, ca (DER), site, node.
    fresh : list
        Samples of this wake. They go first: their time is known by the monitor's clock, and with
        it that of all others of this boot.
    samples : iterator
        All that the ring holds, oldest first; read as far as time allows.
    clock, left_ms : callable
        (boot, uptime) of now; how long this wake may still last.
    told : dict
        Goes into the state: samples dropped, measurements that failed.

    Returns
    -------
    tuple
        What is stored, as (boot, first, last); and why that is not all ("": it is).
    """
    stored = []
    try:
        client = _connect(settings, left_ms)
        upload = _Upload(client, settings, clock, left_ms, stored)
        for part in (fresh, samples):
            for sample in part:
                upload.add(sample)
            upload.finish()
        _tell_and_leave(client, settings, told, left_ms)
    except (OSError, mqtt.MqttError, NotStoredError, ValueError) as error:
        return stored, str(error) or repr(error)
    return stored, ""


class _Upload:
    """Packs on their way, one buffer for all; samples are kept as runs, for memory is in pieces."""

    def __init__(self, client, settings, clock, left_ms, stored):
        self._client = client
        self._settings = settings
        self._clock = clock
        self._left_ms = left_ms
        self._stored = stored
        self._waiting = []  # sent and not yet stored
        self._in_flight = 0
        self._buffer = bytearray(PACK_BYTES)
        self._pack = None

    def add(self, sample):
        """Send a sample, with others or later."""
        if _is_in(self._stored, sample[0], sample[1]):
            return
        if self._pack is None or not self._pack.add(sample):
            self._publish()
            if self._in_flight >= WINDOW:
                self._hear()
            self._pack = wire.Pack(self._buffer, self._settings, *self._clock())
            self._pack.add(sample)

    def finish(self):
        """Send what is left, and wait until receipts cover all."""
        self._publish()
        self._hear()

    def _publish(self):
        if self._pack is None:
            return
        gc.collect()
        self._client.publish(
            wire.topic(self._settings, "senml"),
            self._pack.payload(),
            EXPIRY_S,
            content_type="application/senml+json",
        )
        for boot, seq in self._pack.keys:
            _put_in(self._waiting, boot, seq)
        self._in_flight += len(self._pack.keys)
        self._pack = None

    def _hear(self):
        while self._waiting:
            payload = self._client.receive(min(RECEIPT_MS, max(self._left_ms(), 0)))
            if payload is None:
                raise NotStoredError("no receipt for samples that were sent")
            receipt = wire.decode_receipt(payload)
            if receipt is not None:
                self._settle(receipt)
        self._in_flight = 0

    def _settle(self, receipt):
        waiting = []
        for boot, first, last in self._waiting:
            for seq in range(first, last + 1):
                is_stored = wire.covers(receipt, boot, seq)
                _put_in(self._stored if is_stored else waiting, boot, seq)
        self._waiting = waiting


def _tell_and_leave(client, settings, told, left_ms):
    """A node that sleeps is offline; what it has to tell is kept by the broker beside that."""
    state = {"state": "offline"}
    state.update(told)
    last = client.publish(wire.topic(settings, "state"), json.dumps(state).encode(), retain=True)
    while not client.is_acknowledged(last) and left_ms() > 0:
        client.receive(100)
    client.disconnect()


def _connect(settings, left_ms):
    """A session on a broker whose certificate the pinned authority signed for its name."""
    host = settings["host"]
    address = socket.getaddrinfo(host, settings["port"], 0, socket.SOCK_STREAM)[0][-1]
    raw = socket.socket()
    try:
        raw.settimeout(min(CONNECT_S, max(left_ms() // 1000, 1)))
        raw.connect(address)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=settings["ca"])
        stream = context.wrap_socket(raw, server_hostname=host)
        stream.setblocking(False)
        client = mqtt.Client(stream, left_ms)
        name = "-".join((settings["prefix"].replace("/", "-"), settings["site"], settings["node"]))
        client.connect(
            name,
            settings["node"],
            settings["password"],
            wire.topic(settings, "state"),
            '{"state":"offline"}',
        )
        client.subscribe(wire.topic(settings, "receipt"))
        client.publish(wire.topic(settings, "state"), b'{"state":"online"}', retain=True)
    except Exception:
        raw.close()
        raise
    return client


def _is_in(runs, boot, seq):
    return any(run[0] == boot and run[1] <= seq <= run[2] for run in runs)


def _put_in(runs, boot, seq):
    """Add a sample to runs; neighbours come in order, so there are few."""
    for at, run in enumerate(runs):
        if run[0] == boot and run[1] <= seq <= run[2]:
            return
        if run[0] == boot and seq == run[2] + 1:
            runs[at] = (boot, run[1], seq)
            return
    runs.append((boot, seq, seq))
