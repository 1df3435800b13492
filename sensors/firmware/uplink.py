"""One upload: everything in the ring, until receipts cover it or the time of this wake is up."""

import gc
import json
import socket
import ssl

import mqtt
import wire

PACK_SAMPLES = 10  # 2 to 3 kB; memory is small, and in pieces
WINDOW = 60  # samples sent and not yet stored
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
        window = fresh or _next(samples, stored)
        while window:
            _send_window(client, settings, window, clock(), stored, left_ms)
            window = _next(samples, stored)
        _tell_and_leave(client, settings, told, left_ms)
    except (OSError, mqtt.MqttError, NotStoredError, ValueError) as error:
        return stored, str(error) or repr(error)
    return stored, ""


def _next(samples, stored):
    window = []
    for sample in samples:
        if not _is_stored(stored, sample[0], sample[1]):
            window.append(sample)
            if len(window) == WINDOW:
                break
    return window


def _send_window(client, settings, window, clock, stored, left_ms):
    for start in range(0, len(window), PACK_SAMPLES):
        gc.collect()
        pack = wire.encode(settings, window[start : start + PACK_SAMPLES], *clock)
        client.publish(
            wire.topic(settings, "senml"), pack, EXPIRY_S, content_type="application/senml+json"
        )
    waiting = [(sample[0], sample[1]) for sample in window]
    while waiting:
        payload = client.receive(min(RECEIPT_MS, max(left_ms(), 0)))
        if payload is None:
            raise NotStoredError("no receipt for %d samples" % len(waiting))
        receipt = wire.decode_receipt(payload)
        if receipt is not None:
            for key in waiting:
                if wire.covers(receipt, *key):
                    _store(stored, *key)
            waiting = [key for key in waiting if not wire.covers(receipt, *key)]


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


def _is_stored(stored, boot, seq):
    return any(run[0] == boot and run[1] <= seq <= run[2] for run in stored)


def _store(stored, boot, seq):
    """Add a sample to the runs; neighbours come in order, so there are few."""
    for at, run in enumerate(stored):
        if run[0] == boot and run[1] <= seq <= run[2]:
            return
        if run[0] == boot and seq == run[2] + 1:
            stored[at] = (boot, run[1], seq)
            return
    stored.append((boot, seq, seq))
