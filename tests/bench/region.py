"""What a region of 1,000 lots asks of its parts, and which of them breaks first.

    python -m tests.bench.region cell [--units 5000] [--times 20]
    python -m tests.bench.region region [--sites 1000]

`cell`: one lot at ten times its size (5,000 units of six probes, a sample each ten minutes: 50 a
second) for an hour of event time, TIMES as fast: a publisher, mosquitto, the real intake, and the
watch on the hour's own clock. It prints how far the record lags, the processor time and memory of
each, and how much of the hour they would need.

`region`: measures what a TLS connection and a message cost this machine's mosquitto, then reckons
the region with them: nodes that come back after an outage by `sensors.node`'s own pauses against
nodes without jitter, the queue of a broker whose monitor is away, uploads once a day, drained
backlogs. Its table says how often each part's capacity covers what is asked, the scarcest first.
A simulation: one core of this machine stands for one core of a region.
"""

import argparse
import itertools
import os
import shutil
import socket
import sqlite3
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor import watch
from monitor.lot import Site, Unit
from monitor.store import open_record
from sensors.node import PACK_SAMPLES, RECONNECT_FIRST_S, RECONNECT_LAST_S
from sensors.wire import Reading, encode
from tests.bench.intake import MOSQUITTO, memory_mb, processor_s, running, until
from tests.bench.lots import enter
from tests.conftest import is_open, unused_port
from tests.integration.test_firmware_broker import Authority

HOUR_S, DAY_S = 3600, 86_400
EVERY_S = 600
ZONES = (("air-main", "cabin"), ("off-rear-low", "wall"), ("door-rear-low", "wall"),
         ("off-front-low", "wall"), ("slide1-floor-front", "slide-floor"), ("roof-vent1", "roof"))  # fmt: skip
LOT_UNITS, PROBES = 500, len(ZONES)
INTAKE_A_S = 24_000  # durable readings a second, one a message, on a core (tests/bench/README.md)
BROKER_QUEUE = 1_000_000  # deploy's max_queued_messages


# --- one cell at ten times its size -----------------------------------------------------------------


def furnish(home: Path, units: int, from_s: int) -> None:
    """A lot of units with six placed probes each, one node a unit."""
    with open_record(home) as record:
        record.add_site(Site("cell", "Invented lot", "UTC", 20.0))
        names = [Unit(f"u{number:05d}", "cell") for number in range(units)]
        enter(record, names, ZONES, probe=lambda n, k: (f"n-u{n:05d}", f"p{k + 1}"), from_s=from_s)


def samples(units: int, from_s: int) -> Iterator[tuple[int, bytes, bytes]]:
    """Time, topic and payload of an hour's samples, by time; each node at its own moment."""
    phase = np.random.default_rng(1).integers(0, EVERY_S, units)
    order = np.argsort(phase, kind="stable")
    for turn in range(HOUR_S // EVERY_S):
        for unit in order.tolist():
            at_s = from_s + turn * EVERY_S + int(phase[unit])
            node = f"n-u{unit:05d}"
            for probe in range(1, PROBES + 1):
                one = Reading(
                    site="cell",
                    node=node,
                    probe=f"p{probe}",
                    boot=1,
                    seq=turn,
                    at_s=at_s,
                    temperature_c=8.0 + (unit + probe) % 300 / 100,
                    humidity_percent=60.0 + (unit * 7 + probe + turn) % 2000 / 100,
                )
                yield at_s, f"sillkeep/cell/{node}/senml".encode(), encode([one])


def watching(home: Path, from_s: int, times: float, began: float, ended: Any, said: Any) -> None:
    """The watch in a process of its own, its clock that of the events."""
    ticks = 0
    longest_s = 0.0  # but for the first, which brings in what judging needs
    with open_record(home) as record:
        while not ended.is_set():
            now_s = from_s + int((time.time() - began) * times)
            start = time.perf_counter()
            watch.tick(record, now_s=now_s)
            longest_s = max(longest_s, time.perf_counter() - start) if ticks else 0.0
            ticks += 1
            ended.wait(10.0 / times)
        start = time.perf_counter()
        watch.tick(record, now_s=from_s + HOUR_S + 60)
        last_s = time.perf_counter() - start
    used = time.process_time()
    said.put((ticks, longest_s, last_s, used, memory_mb(os.getpid())))


def cell(folder: Path, units: int, times: float) -> None:
    """Run the hour and print the table."""
    port = unused_port()
    (folder / "mosquitto.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
        f"max_queued_messages {BROKER_QUEUE}\nlog_type subscribe\n" + as_root()
    )
    (folder / "sillkeep.toml").write_text(f'[broker]\nhost = "127.0.0.1"\nport = {port}\n')
    from_s = int(time.time()) // HOUR_S * HOUR_S - HOUR_S
    began_s = time.perf_counter()
    furnish(folder, units, from_s)
    print(f"{units} units entered in {time.perf_counter() - began_s:.0f} s", flush=True)
    log = folder / "mosquitto.log"
    intake = [sys.executable, "-c", "from monitor.cli import main; main()", "intake"]
    context = get_context("spawn")
    ended, said = context.Event(), context.Queue()
    with (
        running([str(MOSQUITTO), "-c", str(folder / "mosquitto.conf")], log) as broker,
        running(intake, folder / "intake.log", SILLKEEP_HOME=str(folder)) as taking,
    ):
        until(lambda: "sillkeep/+/+/senml" in log.read_text())
        began = time.time()
        args = (folder, from_s, times, began, ended, said)
        looking = context.Process(target=watching, args=args)
        looking.start()
        lags = publish_hour(port, folder, units, from_s, times, began)
        whole_s = time.time() - began
        used = {"mosquitto": processor_s(broker), "intake": processor_s(taking)}
        memory = {"mosquitto": memory_mb(broker.pid), "intake": memory_mb(taking.pid)}
        ended.set()
        ticks, longest_s, last_s, watch_s, watch_mb = said.get(timeout=1800)
        looking.join(60)
    used["watch"], memory["watch"] = watch_s, watch_mb
    count = units * PROBES * HOUR_S // EVERY_S
    print(
        f"{count:,} readings of an hour at {times:g} times its speed: {count / whole_s:,.0f} a second"
    )
    print(f"lag of the record behind the publisher: median {np.median(lags):.2f} s, "
          f"99 % {np.quantile(lags, 0.99):.2f} s, longest {max(lags):.2f} s of the clock")  # fmt: skip
    print(
        f"watch: {ticks} rounds, the longest {longest_s:.1f} s; the round after the hour {last_s:.1f} s"
    )
    for name, seconds in used.items():
        print(f"  {name:10s} {seconds:7.1f} s of processor = {100 * seconds / HOUR_S:5.2f} % of a core "
              f"over the hour, {memory[name]:6.0f} MB at most")  # fmt: skip
    size = sum(f.stat().st_size for f in folder.glob("record.sqlite*")) / 1e6
    print(f"  record     {size:.0f} MB")


def publish_hour(
    port: int, folder: Path, units: int, from_s: int, times: float, began: float
) -> list[float]:
    """Send each sample at its moment; how long ago the newest stored one had been sent, each second."""
    sent_at: list[float] = []
    lags: list[float] = []
    record = sqlite3.connect(f"file:{folder / 'record.sqlite'}?mode=ro", uri=True, timeout=20)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def stored() -> int:
        return int(record.execute("select count(*) from reading").fetchone()[0])

    looked = 0.0
    for at_s, topic, payload in samples(units, from_s):
        wait_s = began + (at_s - from_s) / times - time.time()
        if wait_s > 0.005:
            time.sleep(wait_s)
        client.publish(topic.decode(), payload, qos=1)
        sent_at.append(time.time())
        if sent_at[-1] - looked >= 1.0:
            looked = sent_at[-1]
            there = stored()
            lags.append(time.time() - sent_at[there] if there < len(sent_at) else 0.0)
    until(lambda: stored() == len(sent_at), seconds=600, every=0.1)
    lags.append(time.time() - sent_at[-1])
    client.loop_stop()
    client.disconnect()
    record.close()
    return lags


# --- what a broker's core can do --------------------------------------------------------------------


def broker_costs(folder: Path, connections: int = 1500, messages: int = 20_000) -> dict[str, float]:
    """Processor time of a TLS connection and of a message in and out, memory of a connection at rest."""
    authority = Authority("Authority of the bench")
    authority.write(folder, "localhost")
    port, plain = unused_port(), unused_port()
    (folder / "mosquitto.conf").write_text(
        f"listener {port} 127.0.0.1\ncertfile {folder}/server.crt\nkeyfile {folder}/server.key\n"
        f"allow_anonymous true\nlistener {plain} 127.0.0.1\nallow_anonymous true\n"
        "max_inflight_messages 1000\nmax_queued_messages 0\nlog_type error\n" + as_root()
    )
    with running([str(MOSQUITTO), "-c", str(folder / "mosquitto.conf")], folder / "log") as broker:
        until(lambda: is_open(port) and is_open(plain))
        trust = ssl.create_default_context(cadata=authority.der)
        before_s, before_mb = processor_s(broker), resident_mb(broker.pid)
        held = [connected(trust, port, number) for number in range(connections)]
        connect_s = (processor_s(broker) - before_s) / connections
        idle_kb = 1024 * (resident_mb(broker.pid) - before_mb) / connections
        for one in held:
            one.close()
        time.sleep(1)
        before_s = processor_s(broker)
        listen = ["mosquitto_sub", "-p", str(plain), "-V", "5", "-q", "1", "-C", str(messages)]
        with subprocess.Popen([*listen, "-t", "a/#"], stdout=subprocess.DEVNULL) as listening:
            time.sleep(0.5)
            lines = b"\n".join([b"x" * 130] * messages) + b"\n"
            command = ["mosquitto_pub", "-p", str(plain), "-V", "5", "-q", "1", "-l", "-t", "a/b"]
            subprocess.run(command, input=lines, check=True)
            listening.wait(120)
        message_s = (processor_s(broker) - before_s) / messages
    return {"connect_s": connect_s, "idle_kb": idle_kb, "message_s": message_s}


def connected(trust: ssl.SSLContext, port: int, number: int) -> ssl.SSLSocket:
    """A TLS connection with an MQTT 5 session on it."""
    line = trust.wrap_socket(
        socket.create_connection(("127.0.0.1", port)), server_hostname="localhost"
    )
    name = f"node{number}".encode()
    body = b"\x00\x04MQTT\x05\x02\x00\x3c\x00" + len(name).to_bytes(2, "big") + name
    line.sendall(b"\x10" + bytes([len(body)]) + body)
    if line.recv(4)[:1] != b"\x20":
        raise OSError("the broker did not accept the session")
    return line


# --- the region -------------------------------------------------------------------------------------


def reconnects(
    clients: int, accepted_a_s: float, *, jitter: bool, seed: int = 1
) -> tuple[int, int, int]:
    """Clients that all lost a broker which is back at second 0, by `sensors.node`'s pauses.

    One whose handshake is not begun within its turn's second is refused and waits again, twice as long
    up to the longest pause. Without jitter all wait alike. Returns the most tries in a second, and the
    seconds until 50 % and 99 % are back.
    """
    rng = np.random.default_rng(seed)

    def pause(turn: np.ndarray) -> np.ndarray:
        base = np.minimum(RECONNECT_FIRST_S * 2.0**turn, RECONNECT_LAST_S)
        return base * rng.uniform(0.5, 1.5, len(turn)) if jitter else base

    turn = np.full(clients, 20)  # away for long: all are at the longest pause
    due = rng.uniform(0, 1.5 * RECONNECT_LAST_S, clients) if jitter else np.zeros(clients)
    back = 0
    most, half_s = 0, -1
    for second in itertools.count():
        trying = np.flatnonzero((due >= second) & (due < second + 1))
        most = max(most, len(trying))
        lucky = rng.permutation(trying)[: int(accepted_a_s)]
        due[lucky] = np.inf
        back += len(lucky)
        late = np.setdiff1d(trying, lucky, assume_unique=True)
        due[late] = second + np.maximum(pause(turn[late]), 1.0)
        if half_s < 0 and back >= clients / 2:
            half_s = second
        if back >= 0.99 * clients:
            return most, half_s, second
    raise AssertionError


def region(sites: int, costs: dict[str, float]) -> None:
    """Reckon and print the region's table."""
    nodes = LOT_UNITS * sites  # one node a unit, six probes each
    probes = nodes * PROBES
    readings_a_s = probes / EVERY_S
    packs_a_s = nodes / EVERY_S
    accepts_a_s = 1.0 / costs["connect_s"]
    messages_a_s = 1.0 / costs["message_s"]
    print(
        f"{sites} lots, {nodes:,} nodes, {probes:,} probes: {readings_a_s:,.0f} readings/s in {packs_a_s:,.0f} messages/s"
    )
    print(f"a broker's core: {accepts_a_s:,.0f} TLS connections/s, {messages_a_s:,.0f} messages/s in and out, "
          f"{costs['idle_kb']:.0f} kB a connection at rest")  # fmt: skip
    print("\nAll nodes of a broker lost it for an hour and it comes back (one core accepts):")
    for share in (1, 10, 100):
        clients = nodes // share
        for jitter in (True, False):
            most, half_s, last_s = reconnects(clients, accepts_a_s, jitter=jitter)
            print(f"  {clients:9,} nodes a core, {'jitter' if jitter else 'none  '}: {most:9,} tries in the worst "
                  f"second, half back after {half_s:5,} s, 99 % after {last_s:6,} s")  # fmt: skip
    lot_a_s = LOT_UNITS * PROBES / EVERY_S
    lot_packs_a_s = LOT_UNITS / EVERY_S
    day_packs = 24 * HOUR_S * lot_packs_a_s
    uploads = DAY_S / EVERY_S * PROBES / PACK_SAMPLES  # messages of a node's day
    rows: list[tuple[str, float, str]] = [
        ("TLS connections of all nodes at once, one core", accepts_a_s * 60 / nodes, "within 60 s"),
        ("TLS connections of a lot at once, a broker a lot", accepts_a_s * 60 / LOT_UNITS, "within 60 s"),
        ("memory of connections, one broker of 16 GB", 16e6 / (nodes * costs["idle_kb"]), ""),
        ("messages, six samples each, one broker's core", messages_a_s / packs_a_s, "steady"),
        ("messages, a sample each, one broker's core", messages_a_s / readings_a_s, "steady"),
        ("one intake for all", INTAKE_A_S / readings_a_s, "steady, a core"),
        ("one intake a lot", INTAKE_A_S / lot_a_s, "steady, a core"),
        ("queue while a lot's monitor is away a day", BROKER_QUEUE / day_packs, f"{day_packs:,.0f} messages"),
        ("queue while all monitors are away a day, one broker", BROKER_QUEUE / (day_packs * sites), ""),
        ("a day's backlog of a lot drained in 10 min", INTAKE_A_S * 600 / (DAY_S * lot_a_s), "a core"),
        ("a day's backlog of all lots by one intake in 10 min", INTAKE_A_S * 600 / (DAY_S * readings_a_s), "a core"),
        ("uploads once a day, all in one hour, one broker", messages_a_s * HOUR_S / (nodes * uploads), f"{PACK_SAMPLES} samples a message"),
        ("uploads once a day, all in one minute, one broker", messages_a_s * 60 / (nodes * uploads), f"{PACK_SAMPLES} samples a message"),
        ("uploads in one minute, a broker a lot", messages_a_s * 60 / (LOT_UNITS * uploads), f"{PACK_SAMPLES} samples a message"),
    ]  # fmt: skip
    print("\nCapacity over what is asked, the scarcest first (below 1 it breaks):")
    for what, ratio, note in sorted(rows, key=lambda row: row[1]):
        print(f"  {ratio:12,.3g}  {what}{f' ({note})' if note else ''}")


def resident_mb(pid: int) -> float:
    return (
        int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    )


def as_root() -> str:
    return "user root\n" if os.getuid() == 0 else ""


def main() -> None:
    """Run one of the two."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("cell", "region"))
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--times", type=float, default=20.0)
    parser.add_argument("--sites", type=int, default=1000)
    given = parser.parse_args()
    if MOSQUITTO is None or shutil.which("mosquitto_sub") is None:
        raise SystemExit("mosquitto and mosquitto-clients are needed")
    with tempfile.TemporaryDirectory() as name:
        if given.what == "cell":
            cell(Path(name), given.units, given.times)
        else:
            region(given.sites, broker_costs(Path(name)))


if __name__ == "__main__":
    main()
