"""A yard of real processes that is broken on purpose, and the books that say what became of it.

::

    nodes ── proxy ── mosquitto ── proxy ── intake ── record ── watch
      └─ ledger: written and synced before a sample is handed to the outbox

A fault counts only if it *struck*: samples were waiting in the outboxes when it came, or the watch
was in the middle of a round. A run is driven by progress and goes on until enough faults struck;
nothing depends on how fast the machine is. Only time constants are shortened in the children (a
dead line is noticed in seconds instead of minutes), and the watch hardly pauses between rounds.
"""

import contextlib
import os
import random
import resource
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from msgspec import structs

from monitor import watch
from monitor.config import BUSY
from monitor.lot import Placement, Site, Unit, Zone
from monitor.parts import name_of
from monitor.store import open_record
from sensors.node import Broker, Node
from sensors.outbox import Outbox
from sensors.probes.replay import read_replay
from sensors.wire import Reading, encode
from tests.conftest import MOSQUITTO, RunningBroker, wait_until

ROOT = Path(__file__).parent.parent.parent
SITE = "yard"
DAY_S, HOUR_S = 86_400, 3_600
UNITS = 3
BACKFILL_DAYS, BACKFILL_S = 14, 600
SMALL_BYTES = (
    65_536  # no file of the intake may grow beyond it: a commit does not fit, its log does
)
LOOK_S = 0.005  # between two looks at the progress of others
AT_ONCE = {"node", "second", "watch", "halfopen_nodes", "halfopen_intake"}  # need no commit before
PATIENCE_S = 120.0  # for anything to happen on a machine that is busy with other things

# --- what the children run ------------------------------------------------------------------------

QUICK_INTAKE = "from monitor import intake\nintake.KEEPALIVE_S = 2\n"
QUICK_WATCH = """
import os
from monitor import cli, watch
cli.TICK_S = 0.5
cli._House._check = lambda *_, **__: None  # a process of its own, and no part of this
flag = os.open({flag!r}, os.O_RDWR | os.O_CREAT)
tick = watch.tick
def flagged(record, **told):
    os.pwrite(flag, b"1", 0)
    done = tick(record, **told)
    os.pwrite(flag, b"0", 0)
    return done
watch.tick = flagged
"""
SILLKEEP = "from monitor.cli import main\nmain()\n"
# every sample goes into the ledger, with the identity that it is about to get, before the outbox
LEDGER = """
import os
from sensors import node
from sensors.outbox import Outbox
node.KEEPALIVE_S, node.RESEND_FIRST_S, node.WINDOW = 2, {resend_s!r}, {window}
node.RECONNECT_FIRST_S, node.RECONNECT_LAST_S = 0.1, 1.0
ledger = os.open({ledger!r}, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
add = Outbox.add
def kept(self, samples, *, state=None, rows=None, slack_s=0):
    lines = [
        f"{{r.node}},{{r.probe}},{{self.boot}},{{self._seq + n}},{{row}},{{row}},{{slack_s}},"
        f"{{round(r.temperature_c * 100)}},{{round(r.humidity_percent * 100)}}\\n"
        for n, sample in enumerate(samples)
        for r in sample
        for row in [rows[n] if rows else r.at_s]
    ]
    os.write(ledger, "".join(lines).encode())
    os.fsync(ledger)
    add(self, samples, state=state)
Outbox.add = kept
"""
REPLAY = "raise SystemExit(node.main())\n"
# what a node brings after weeks without a line: packs in any order, one in five of them twice
SHUFFLED = """
import random
read, publish = node.read_replay, node.Node._publish
def shuffled(*given, **named):
    history = read(*given, **named)
    packs = [history.samples[n : n + 50] for n in range(0, len(history.samples), 50)]
    random.Random({seed}).shuffle(packs)  # the same after a kill: it goes on where it was
    return history._replace(samples=[sample for pack in packs for sample in pack])
def repeated(self, payload, samples, monotonic_s):
    publish(self, payload, samples, monotonic_s)
    if random.random() < 0.2:
        publish(self, payload, samples, monotonic_s)
node.read_replay, node.Node._publish = shuffled, repeated
"""
# a board whose clock starts at 1970: what the ledger calls its row is the true time
CLOCKLESS = """
import sys, time
from pathlib import Path
from sensors.node import Broker, Node
from sensors.wire import Reading, encode
broker, code, home, count, text = sys.argv[1:]
lines = Path(text).read_text().splitlines() if Path(text).exists() else []
source = Node("yard", code, outbox=Outbox(Path(home) / "yard-n.outbox"),
              broker=Broker(port=int(broker)))
started_s = time.monotonic()
left, after = max(int(count) - len(lines), 1), 10  # and some once the time is known
add_s = 0.0
truth = []
def noted(self, samples, *, state=None):
    kept(self, samples, state=state, rows=truth, slack_s=30)
Outbox.add = noted
while left > 0 or source.waiting:
    now_s = time.monotonic()
    if left > 0 and now_s >= add_s:
        truth[:] = [int(time.time())]
        unset = Reading(site="yard", node=code, at_s=int(now_s - started_s),
                        temperature_c=10 + left % 700 / 100, humidity_percent=60 + left % 13)
        source.take([unset], monotonic_s=now_s, started_s=started_s)
        after -= source.clock_s(now_s) is not None
        left, add_s = max(left - 1, after), now_s + 0.02
    source.step(now_s, 0.01)
source.close()
"""


# file permissions bind what runs after it even if it is root's: a new program without
# CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH (PR_CAPBSET_DROP of prctl(2), capabilities(7))
WITHOUT_ROOT = """
import ctypes, os, sys
for capability in (1, 2):
    ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)
os.execv(sys.executable, [sys.executable, "-c", {code!r}, *sys.argv[1:]])
"""
# a node gone wrong: as many samples a second as it is told, for ever
FLOOD = """
import sys, time
import paho.mqtt.client as mqtt
from sensors.wire import Reading, encode
port, rate = map(int, sys.argv[1:])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.max_inflight_messages_set(1000)
client.connect("127.0.0.1", port)
client.loop_start()
seq, start_s = 0, time.monotonic()
while True:
    while seq < (time.monotonic() - start_s) * rate:
        reading = Reading(site="yard", node="flood", boot=1, seq=seq, at_s={at_s} + seq,
                          temperature_c=seq % 30, humidity_percent=50.0)
        client.publish("sillkeep/yard/flood/senml", encode([reading]), 1)
        seq += 1
    time.sleep(0.01)
"""


@dataclass
class Child:
    """A Python program that can be started, killed and started again."""

    name: str
    folder: Path
    code: str
    arguments: tuple[str, ...] = ()
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0

    @property
    def log(self) -> Path:
        """What it said since it was last started."""
        return self.folder / f"{self.name}.{self.starts}.log"

    def start(self, *, wrap: str = "") -> None:
        self.starts += 1
        code = wrap.format(code=self.code) if wrap else self.code
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *self.arguments],
                cwd=ROOT,
                env=dict(os.environ) | self.environment,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
            )

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def status(self) -> int | None:
        return None if self.process is None else self.process.poll()


# --- lines that go silent -------------------------------------------------------------------------


@dataclass(eq=False)
class _Link:
    client: socket.socket
    server: socket.socket
    silent: bool = False
    ended: int = 0  # of its two directions


class Proxy:
    """Forwards a port of this machine; can fall silent without closing, as a dead line does."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.to_client = self.to_server = 0  # bytes forwarded
        self._links: list[_Link] = []
        self._threads: list[threading.Thread] = []
        self._lock = threading.Lock()
        self._run(self._accept)

    def _run(self, work: Callable[..., None], *given: object) -> None:
        thread = threading.Thread(target=work, args=given, daemon=True)
        self._threads = [one for one in self._threads if one.is_alive()] + [thread]
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return  # closed
            try:
                server = socket.create_connection(("127.0.0.1", self._to_port), 10)
            except OSError:
                client.close()
                continue
            server.settimeout(None)
            link = _Link(client, server)
            with self._lock:
                self._links.append(link)
            self._run(self._pump, link, client, server)
            self._run(self._pump, link, server, client)

    def _pump(self, link: _Link, source: socket.socket, target: socket.socket) -> None:
        try:
            while data := source.recv(65_536):
                if link.silent:
                    continue
                target.sendall(data)
                if target is link.client:
                    self.to_client += len(data)
                else:
                    self.to_server += len(data)
        except OSError:
            pass
        with self._lock:
            link.ended += 1
            _shut(*((source,) if link.silent else (source, target)))
            if link.ended == 2:
                self._links.remove(link)
                link.client.close()
                link.server.close()

    def fall_silent(self) -> int:
        """Every connection of now is dead from here on, and nobody is told; how many there were."""
        with self._lock:
            struck = [link for link in self._links if not link.silent and not link.ended]
            for link in struck:
                link.silent = True
        return len(struck)

    def close(self) -> None:
        _shut(self._listener)
        self._listener.close()
        with self._lock:
            for link in self._links:
                _shut(link.client, link.server)
        for thread in self._threads:
            thread.join(10)


def _shut(*ends: socket.socket) -> None:
    for end in ends:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)


# --- the books ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Audit:
    """What the record holds against what the nodes wrote down. All but `samples` have to be 0."""

    samples: int  # of a probe each, different ones
    lost: int
    doubled: int
    altered: int  # a value or time that nobody sent, or one of two values chosen
    pending: int = 0  # stored without a time
    hours_differ: int = 0
    alarms_missed: int = 0
    alarms_doubled: int = 0  # or raised although a clean run does not

    @property
    def is_clean(self) -> bool:
        return not any((self.lost, self.doubled, self.altered, self.pending)) and not any(
            (self.hours_differ, self.alarms_missed, self.alarms_doubled)
        )


_BOOKS = """
create table ledger (node text, probe text, boot int, seq int, row int, at_s int, slack_s int,
                     t int, h int);
"""
_STORED = """
create index by_identity on ledger (node, probe, boot, seq);
create table stored as
  select n.code node, p.code probe, r.boot, r.seq, r.at_s, r.temperature_c100 t,
         r.humidity_p100 h, r.disputed
  from record.reading r join record.probe p using (probe_id) join record.node n using (node_id);
create index stored_by_identity on stored (node, probe, boot, seq);
create table disputed as
  select n.code node, p.code probe, d.boot, d.seq, d.temperature_c100 t, d.humidity_p100 h
  from record.dispute d join record.probe p using (probe_id) join record.node n using (node_id);
create index disputed_by_identity on disputed (node, probe, boot, seq);
create table two_values as
  select node, probe, boot, seq from ledger group by 1, 2, 3, 4 having count(distinct t || ',' || h) > 1;
create index two_by_identity on two_values (node, probe, boot, seq);
"""
_SAMPLES = "select count(*) from (select distinct node, probe, row from ledger)"
# a sample taken again after a kill has two identities; one of them has to be there
_LOST = """
select (select count(*) from (
  select l.node, l.probe, l.row, max(s.node is not null) found
  from ledger l left join stored s using (node, probe, boot, seq) group by 1, 2, 3
) where not found)
+ (select count(*) from ledger l join two_values using (node, probe, boot, seq)
   where not exists (select 1 from stored s where
     (s.node, s.probe, s.boot, s.seq, s.t, s.h) = (l.node, l.probe, l.boot, l.seq, l.t, l.h))
   and not exists (select 1 from disputed d where
     (d.node, d.probe, d.boot, d.seq, d.t, d.h) = (l.node, l.probe, l.boot, l.seq, l.t, l.h)))
"""
_DOUBLED = """
select coalesce(sum(times - 1), 0) from (
  select count(*) times from stored
  where node not in (select node from ledger where slack_s > 0) group by node, probe, at_s)
"""
_ALTERED = """
select count(*) from stored s where not exists (
  select 1 from ledger l
  where (l.node, l.probe, l.boot, l.seq, l.t, l.h) = (s.node, s.probe, s.boot, s.seq, s.t, s.h)
  and (s.at_s is null or abs(s.at_s - l.at_s) <= l.slack_s))
or (s.disputed is null) = exists (
  select 1 from two_values v
  where (v.node, v.probe, v.boot, v.seq) = (s.node, s.probe, s.boot, s.seq))
"""


def audited(record: Path, ledgers: list[Path]) -> Audit:
    """The record's readings against the ledgers, in SQL."""
    with contextlib.closing(sqlite3.connect(":memory:")) as books:
        books.executescript(_BOOKS)
        for ledger in ledgers:
            whole = ledger.read_text().rpartition("\n")[0].splitlines()
            books.executemany(
                "insert into ledger values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (line.split(",") for line in whole),
            )
        books.execute("attach ? as record", (str(record),))
        books.executescript(_STORED)
        count = {
            name: int(books.execute(query).fetchone()[0])
            for name, query in (
                ("samples", _SAMPLES),
                ("lost", _LOST),
                ("doubled", _DOUBLED),
                ("altered", _ALTERED),
                ("pending", "select count(*) from stored where at_s is null"),
            )
        }
        return Audit(**count)


_HOURS = """
select u.code, z.code, h.* from hour h join zone z using (zone_id) join unit u using (unit_id)
where z.code not like 'live%' order by 1, 2, h.hour
"""
# one raised at once by a later reading of its hour stands for the judged one of that hour
_ALARMS = """
select u.code, z.code, a.kind, a.class, a.raised_s / 3600, a.cleared_s
from alarm a join zone z using (zone_id) join unit u on u.unit_id = z.unit_id
where a.withdrawn_s is null and a.node_id is null
"""


# --- the yard -------------------------------------------------------------------------------------


@dataclass
class Struck:
    """Faults that hit work in progress, by kind, and how long until the next commit after kills."""

    hits: Counter[str] = field(default_factory=Counter)
    misses: Counter[str] = field(default_factory=Counter)
    commits_s: dict[str, list[float]] = field(default_factory=dict)

    @property
    def total(self) -> int:
        return sum(self.hits.values())

    def told(self) -> str:
        """The counts as one line."""
        kinds = ", ".join(f"{kind} {count}" for kind, count in sorted(self.hits.items()))
        later = "".join(
            f"; first commit after {len(took_s)} kills of {kind}: "
            f"median {statistics.median(took_s):.1f} s, longest {max(took_s):.1f} s"
            for kind, took_s in sorted(self.commits_s.items())
        )
        return (
            f"{self.total} faults struck ({kinds}), {sum(self.misses.values())} hit nothing{later}"
        )


class Yard:
    """Broker, intake, watch and nodes of one folder.

    Parameters
    ----------
    folder : Path
        Everything is in it.
    nodes, probes : int
        Replaying nodes, and the probes of each.
    days : int
        From the first sample to now, and no sample is younger than a day.
    spacing_s : int
        Between two samples of the replaying nodes. [s]
    resend_s : float
        After which nodes send again; longer where more is in flight than is stored in it. [s]
    intake_change, node_change, watch_change : str
        Code that runs in those children first: a seeded fault.
    intakes, watches : int
        That share the messages, and the units.
    """

    def __init__(
        self,
        folder: Path,
        *,
        nodes: int = 3,
        probes: int = 2,
        days: int = 40,
        spacing_s: int = 600,
        resend_s: float = 2.0,
        intake_change: str = "",
        node_change: str = "",
        watch_change: str = "",
        intakes: int = 1,
        watches: int = 1,
    ) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.home.mkdir(parents=True)
        self.probes = probes
        self.days = days
        self.spacing_s = spacing_s
        self.resend_s = resend_s
        self.codes = [f"n{number}" for number in range(nodes)]
        self.start_s = int(time.time()) // DAY_S * DAY_S - days * DAY_S
        self.node_change = node_change
        self.struck = Struck()
        self.parts: list[tuple[str, Path]] = []  # node and file of what was to be replayed
        self.running: dict[str, Child] = {}
        self.done: list[str] = []
        self._next = dict.fromkeys(self.codes, 0)
        self._commit: tuple[str, float, int] | None = None  # what was killed, when, readings then
        self._watching = False
        self.brokers: Counter[str] = Counter()  # killed, by how they kept what they held
        self.broker = self._broker()
        self.node_line, self.intake_line = Proxy(self.broker.port), Proxy(self.broker.port)
        (self.home / "sillkeep.toml").write_text(
            f'[broker]\nhost = "127.0.0.1"\nport = {self.intake_line.port}\nintakes = {intakes}\n'
            f"[record]\nwatches = {watches}\n"
        )
        environment = {"SILLKEEP_HOME": str(self.home)}
        quick = QUICK_INTAKE + intake_change + SILLKEEP
        self.intakes = [
            Child(
                name_of("intake", number=number),
                folder,
                quick,
                ("intake", *(("--number", str(number)) if number > 1 else ())),
                environment,
            )
            for number in range(1, intakes + 1)
        ]
        self.intake = self.intakes[0]
        self.watches = [
            Child(
                name_of("watch", number=number),
                folder,
                QUICK_WATCH.format(flag=str(folder / f"{name_of('watch', number=number)}.busy"))
                + watch_change
                + SILLKEEP,
                ("watch", *(("--number", str(number)) if number > 1 else ())),
                environment,
            )
            for number in range(1, watches + 1)
        ]
        self.watch = self.watches[0]
        self._lot(self.home)

    def _broker(self) -> RunningBroker:
        assert MOSQUITTO is not None
        port, folder = _lasting_port(), self.folder / "mosquitto"
        folder.mkdir()
        user = "user root\n" if os.getuid() == 0 else ""
        common = f"listener {port} 127.0.0.1\nallow_anonymous true\n{user}"
        kept = f"persistence true\npersistence_location {folder}/\n"
        (folder / "memory.conf").write_text(common)
        (folder / "default.conf").write_text(common + kept)
        wide = "max_queued_messages 0\nmax_inflight_messages 1000\n"
        (folder / "wide.conf").write_text(common + wide)
        return RunningBroker(port, [MOSQUITTO, "-c", str(folder / "default.conf")], folder)

    def _lot(self, home: Path) -> None:
        """Units, zones and placements; every probe of the nodes watches one zone."""
        with open_record(home) as record:
            record.add_site(Site(SITE))
            for number in range(UNITS):
                record.add_unit(Unit(f"van-{number}", SITE))
            for number, node in enumerate([*self.codes, "back"]):
                for probe in range(1, self.probes + 1):
                    unit, zone = f"van-{number % UNITS}", f"{node}-{probe}"
                    record.add_zone(SITE, Zone(unit, zone, "wall"))
                    placed = Placement(node, f"p{probe}", SITE, unit, zone, self.start_s)
                    record.place(placed, recorded_s=self.start_s, who="harness")

    # running

    def start(self, *, watching: bool = True) -> None:
        self.broker.start()
        for intake in self.intakes:
            intake.start()
        for watch_ in self.watches if watching else ():
            self.start_watch(watch_)
        wait_until(self.is_connected, seconds=PATIENCE_S)

    def start_watch(self, child: Child) -> None:
        # what one that was killed left there says nothing of this one
        self.flag(child).write_bytes(b"0")
        child.start()

    def flag(self, child: Child) -> Path:
        """File that says whether a watch is in a round."""
        return self.folder / f"{child.name}.busy"

    def is_in_round(self, child: Child) -> bool:
        return self.flag(child).read_bytes() == b"1"

    def close(self) -> None:
        """End everything that was started here."""
        for child in (*self.running.values(), *self.intakes, *self.watches):
            child.kill()
        self.broker.stop(signal.SIGKILL)
        self.node_line.close()
        self.intake_line.close()

    def ask(self, query: str, *given: object) -> list[tuple[object, ...]]:
        path = self.home / "record.sqlite"
        with contextlib.closing(
            sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)
        ) as connection:
            return connection.execute(query, given).fetchall()

    def stored(self) -> int:
        """Readings in the record."""
        found = self.ask("select coalesce(sum(readings), 0) from latest")
        return int(str(found[0][0]))

    def is_connected(self) -> bool:
        """Whether every intake said so."""
        for intake in self.intakes:
            assert intake.status() is None, intake.log.read_text()
        told = self.ask("select detail from pulse where part like 'intake%'")
        return sum('"connected": true' in str(row[0]) for row in told) == len(self.intakes)

    def held(self, code: str) -> int:
        """Samples in a node's outbox."""
        path = self.folder / code / "yard-n.outbox"
        path = path if path.exists() else self.folder / code / f"{SITE}-{code}.outbox"
        if not path.exists():
            return 0
        with contextlib.closing(
            sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)
        ) as outbox:
            try:
                return int(outbox.execute("select count(*) from sample").fetchone()[0])
            except sqlite3.OperationalError:
                return 0  # not made yet

    def waiting(self) -> int:
        """Samples in all outboxes."""
        return sum(self.held(code) for code in self.running)

    def ledgers(self) -> list[Path]:
        return sorted(self.folder.glob("*.ledger"))

    # nodes

    def replay(
        self,
        code: str,
        samples: int,
        *,
        first: int | None = None,
        spacing_s: int | None = None,
        change: str = "",
    ) -> None:
        """Have a node replay its next samples; the file of them is what it has to hand over."""
        first = self._next.get(code, 0) if first is None else first
        spacing_s = spacing_s or self.spacing_s
        self._next[code] = first + samples
        assert (first + samples) * spacing_s <= (self.days - 1) * DAY_S, "too young"
        path = self.folder / f"{code}-{first}.csv"
        with path.open("w") as file:
            file.write("time,zone,temperature_c,humidity_percent,contact\n")
            for number in range(first, first + samples):
                at = datetime.fromtimestamp(self.start_s + spacing_s * number, UTC).isoformat()
                for probe in range(1, self.probes + 1):
                    file.write(f"{at},p{probe},{_values(number, probe, spacing_s)}\n")
        self.parts.append((code, path))
        self._run(code, path, change)

    def backfill(self, seed: int) -> None:
        """Two weeks of one node, in any order of packs and some of them twice."""
        samples = BACKFILL_DAYS * DAY_S // BACKFILL_S
        change = SHUFFLED.format(seed=seed)
        self.replay("back", samples, spacing_s=BACKFILL_S, change=change)

    def _run(self, code: str, path: Path, change: str = "") -> None:
        ledger = self._ledger(code)
        home = self.folder / code
        home.mkdir(exist_ok=True)
        broker = f"127.0.0.1:{self.node_line.port}"
        arguments = ("--site", SITE, "--node", code, "--replay", str(path), "--broker", broker)
        code_ = ledger + self.node_change + change + REPLAY
        self.running[code] = Child(code, self.folder, code_, (*arguments, "--home", str(home)))
        self.running[code].start()

    def _ledger(self, code: str) -> str:
        path, window = str(self.folder / f"{code}.ledger"), 2000 // self.probes
        return LEDGER.format(ledger=path, resend_s=self.resend_s, window=window)

    def live(self, code: str, samples: int) -> None:
        """A node whose clock is at 1970 takes samples of now."""
        ledger = self.folder / f"{code}.ledger"
        home = self.folder / code
        home.mkdir(exist_ok=True)
        arguments = (str(self.node_line.port), code, str(home), str(samples), str(ledger))
        code_ = self._ledger(code) + CLOCKLESS
        self.running[code] = Child(code, self.folder, code_, arguments)
        self.running[code].start()

    def contradict(self, samples: int) -> None:
        """A node sends two values for each of some samples, in either order."""
        messages = []
        with (self.folder / "two.ledger").open("a") as file:
            for seq in range(samples):
                pair = [
                    Reading(
                        site=SITE,
                        node="two",
                        boot=1,
                        seq=seq,
                        at_s=self.start_s + self.spacing_s * seq,
                        temperature_c=10.0 + (seq % 2) * (1 - 2 * second) + second,
                        humidity_percent=50.0,
                    )
                    for second in range(2)
                ]
                for each in pair:
                    assert each.temperature_c is not None
                    value = round(each.temperature_c * 100)
                    file.write(f"two,p1,1,{seq},{each.at_s},{each.at_s},0,{value},5000\n")
                    messages.append((f"sillkeep/{SITE}/two/senml", encode([each])))
        self.broker.publish(messages)

    def foreign(self, code: str, samples: int) -> None:
        """A node without an outbox: what the broker has acknowledged is the monitor's to keep."""
        with (self.folder / f"{code}.ledger").open("a") as file:
            for seq in range(samples):
                at_s = self.start_s + 60 * seq
                file.write(f"{code},p1,1,{seq},{at_s},{at_s},0,{1000 + seq % 30 * 100},5000\n")
        self.broker.publish([_plain(code, seq, self.start_s) for seq in range(samples)])

    def flood(self, rate: int) -> None:
        """Have one more node send so many samples a second, until the yard closes."""
        arguments = (str(self.broker.port), str(rate))
        self.running["flood"] = Child(
            "flood", self.folder, FLOOD.format(at_s=self.start_s), arguments
        )
        self.running["flood"].start()

    def latencies(self, code: str, samples: int, every_s: float) -> list[float]:
        """How long each sample of a steady node takes from its outbox to its commit. [s]"""
        source = Node(
            SITE,
            code,
            outbox=Outbox(self.folder / f"{code}.outbox"),
            broker=Broker(port=self.broker.port),
        )
        sent_s: list[float] = []
        took_s: dict[int, float] = {}
        start_s = time.monotonic()
        with contextlib.closing(source):
            while len(took_s) < samples:
                now_s = time.monotonic()
                assert now_s < start_s + samples * every_s + PATIENCE_S, self.told()
                if len(sent_s) < samples and now_s >= start_s + len(sent_s) * every_s:
                    at_s = self.start_s + 60 * len(sent_s)
                    reading = Reading(site=SITE, node=code, at_s=at_s, temperature_c=10.0)
                    source.add([[reading]])
                    sent_s.append(now_s)
                source.step(now_s, LOOK_S)
                for (seq,) in self.ask(
                    "select r.seq from reading r join probe p using (probe_id)"
                    " join node n using (node_id) where n.code = ?",
                    code,
                ):
                    number = int(str(seq))
                    took_s.setdefault(number, time.monotonic() - sent_s[number])
        return list(took_s.values())

    def drain(self) -> None:
        """Wait until the intake has taken what waits at the broker: a last message comes after it."""
        self.foreign("last", 1)
        wait_until(
            lambda: self.ask(
                "select 1 from node n join probe p on p.node_id = n.node_id"
                " join latest l on l.probe_id = p.probe_id where n.code = 'last'"
            ),
            seconds=PATIENCE_S,
        )

    def is_settled(self) -> bool:
        """Whether every node has handed over everything; those that ended by themselves are put away."""
        self._see_commit()
        for code, child in list(self.running.items()):
            status = child.status()
            if status is None:
                continue
            assert status == 0, f"{code} ended with {status}: {child.log.read_text()}"
            self.done.append(code)
            del self.running[code]
        for child in (*self.intakes, *self.watches):
            if child.status() is not None:  # as the supervisor does: one that ended starts again
                said = child.log.read_text()
                assert "locked" in said[-300:], f"{child.name} ended: {said}"
                self.start_watch(child) if child in self.watches else child.start()
        return not self.running

    def has_replayed(self) -> bool:
        """Whether the replaying nodes are done; others may be on their way still."""
        return self.is_settled() or not set(self.codes) & set(self.running)

    def settle(self) -> None:
        """Wait until every node has handed over everything."""
        self.until(self.is_settled)

    def until(self, condition: Callable[[], object], *, looking: bool = False) -> None:
        """Wait for a condition; `looking`: nodes that end by themselves are put away meanwhile."""
        end_s = time.monotonic() + PATIENCE_S
        while not ((looking and self.is_settled()) or condition()):
            assert time.monotonic() < end_s, f"not within {PATIENCE_S:g} s: {self.told()}"
            time.sleep(LOOK_S)

    def told(self) -> str:
        """How it stands, for a person who looks at a run that failed."""
        said = [child.log for child in (*self.intakes, *self.watches, *self.running.values())]
        logs = "\n".join(f"{log.name}: {log.read_text()[-500:]}" for log in said if log.exists())
        held = {code: self.held(code) for code in self.running}
        return f"{self.stored()} stored, outboxes {held}, {self.struck.told()}\n{logs}"

    # faults

    def strike(self, kind: str, rng: random.Random) -> None:
        """One fault, as soon as there is work in progress for it to hit; it is counted if it hit."""
        if not self._comes_to_work(kind, rng):
            self.struck.misses[kind] += 1
            return
        hit = getattr(self, f"_{kind}")(rng)
        (self.struck.hits if hit else self.struck.misses)[kind] += 1

    def _comes_to_work(self, kind: str, rng: random.Random) -> bool:
        """Wait for progress since now, with more to come; False if all nodes were done before."""
        target = self.stored() + rng.randrange(1, 200)
        end_s = time.monotonic() + PATIENCE_S
        while not self.is_settled():
            if self.waiting() and (self.stored() >= target or kind in AT_ONCE):
                return True
            assert time.monotonic() < end_s, f"no progress: {self.told()}"
            time.sleep(LOOK_S)
        return False

    def _see_commit(self) -> None:
        if self._commit is not None and self.stored() > self._commit[2]:
            kind, killed_s, _ = self._commit
            self.struck.commits_s.setdefault(kind, []).append(time.monotonic() - killed_s)
            self._commit = None

    def _intake(self, rng: random.Random) -> bool:
        intake = rng.choice(self.intakes)
        intake.kill()
        self._commit = ("intake", time.monotonic(), self.stored())
        hit = self.waiting() > 0
        intake.start()
        return hit

    def _watch(self, rng: random.Random) -> bool:
        """Kill a watch in the middle of a round."""
        child = rng.choice(self.watches)
        end_s = time.monotonic() + 60.0
        while not self.is_in_round(child):
            if time.monotonic() > end_s:
                return False
            time.sleep(LOOK_S / 5)
        child.kill()
        hit = self.is_in_round(child)
        self.start_watch(child)
        return hit

    def _kill_broker(self) -> None:
        """And let it come back with the other way of keeping what it holds."""
        self.broker.stop(signal.SIGKILL)
        folder = self.broker.folder
        now = Path(self.broker.command[-1]).stem
        self.brokers[now] += 1
        other = "memory" if now == "default" else "default"
        self.broker.command[-1] = str(folder / f"{other}.conf")

    def _brokerkill(self, _rng: random.Random) -> bool:
        self._kill_broker()
        hit = self.waiting() > 0
        self.broker.start()
        return hit

    def _box(self, _rng: random.Random) -> bool:
        self.power_cut()
        hit = self.waiting() > 0
        self.power_on()
        return hit

    def power_cut(self) -> None:
        """The computer that runs the monitor and the broker loses its power."""
        self._watching = self.watch.process is not None
        for intake in self.intakes:
            intake.kill()
        for child in self.watches:
            child.kill()
        self._kill_broker()
        self._commit = ("box", time.monotonic(), self.stored())

    def power_on(self) -> None:
        self.broker.start()
        for intake in self.intakes:
            intake.start()
        for child in self.watches if self._watching else ():
            self.start_watch(child)

    def _node(self, rng: random.Random) -> bool:
        # not the clockless one: what a boot took that never heard the time stays without one
        busy = [code for code in sorted(self.running) if code != "live" and self.held(code)]
        if not busy:
            return False
        code = rng.choice(busy)
        child = self.running[code]
        child.kill()
        hit = self.held(code) > 0
        child.start()
        return hit

    def _halfopen_nodes(self, _rng: random.Random) -> bool:
        return self.node_line.fall_silent() > 0 and self.waiting() > 0

    def _halfopen_intake(self, _rng: random.Random) -> bool:
        return self.intake_line.fall_silent() > 0 and self.waiting() > 0

    def _lock(self, _rng: random.Random) -> bool:
        """Another writer keeps the record while messages come in."""
        with self.locked():
            before = self.intake_line.to_client
            end_s = time.monotonic() + 5.0
            while self.intake_line.to_client == before and time.monotonic() < end_s:
                if not self.waiting():
                    break
                time.sleep(LOOK_S)
            return self.waiting() > 0 and self.intake_line.to_client > before

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        path = self.home / "record.sqlite"
        with contextlib.closing(sqlite3.connect(path, isolation_level=None, timeout=60)) as other:
            other.execute("begin immediate")
            yield
            other.execute("rollback")

    def _full(self, _rng: random.Random) -> bool:
        """The intake's files may not grow, until it says that readings wait."""
        assert self.intake.process is not None
        pid, said = self.intake.process.pid, "readings wait at the broker"
        log = self.intake.log.read_text().count(said)
        limits = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (SMALL_BYTES, limits[1]))
        hit = False
        end_s = time.monotonic() + 30.0
        while not hit and time.monotonic() < end_s and not self.is_settled():
            hit = self.intake.log.read_text().count(said) > log
            time.sleep(LOOK_S)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, limits)
        return hit

    def _readonly(self, _rng: random.Random) -> bool:
        """The record comes up read-only: the intake keeps nothing, says so, and promises nothing."""
        self.intake.kill()
        before, held = self.stored(), self.waiting()
        files = [path for path in self.home.glob("record.sqlite*") if path.exists()]
        for path in files:
            path.chmod(0o444)
        self.intake.start(wrap=WITHOUT_ROOT)
        said = "readings wait at the broker"
        wait_until(
            lambda: (
                self.intake.status() is not None
                or said in self.intake.log.read_text()
                or not self.waiting()  # the last receipt was on its way already: nothing to hit
            ),
            seconds=PATIENCE_S,
        )
        status = self.intake.status()
        hit = status is not None or said in self.intake.log.read_text()
        assert status is None or status == 2, self.intake.log.read_text()
        assert self.stored() == before
        self.intake.kill()
        for path in files:
            path.chmod(0o644)
        self.intake.start()
        return held > 0 and hit

    def _second(self, rng: random.Random) -> bool:
        """A second intake or watch of the same home ends with 75, and the first goes on."""
        first = rng.choice((self.intake, self.watch))
        self.until(lambda: self._has_claimed(first))
        hit = self.waiting() > 0
        second = Child("second", self.folder, SILLKEEP, first.arguments, first.environment)
        second.start()
        try:
            self.until(lambda: second.status() is not None)
            assert second.status() == BUSY, second.log.read_text()
        finally:
            second.kill()
        assert first.status() is None, first.log.read_text()
        return hit

    def _has_claimed(self, child: Child) -> bool:
        """Whether it is the one that works here: one that is still starting is not (proc_locks(5))."""
        assert child.process is not None
        lock = self.home / f"{child.name}.lock"
        return lock.exists() and any(
            words[-4] == str(child.process.pid) and words[-3].endswith(f":{lock.stat().st_ino}")
            for words in map(str.split, Path("/proc/locks").read_text().splitlines())
        )

    # afterwards

    def books(self) -> Audit:
        """End the monitor; the readings against the ledgers."""
        for intake in self.intakes:
            intake.kill()
        for child in self.watches:
            child.kill()
        return audited(self.home / "record.sqlite", self.ledgers())

    def audit(self) -> Audit:
        """End all processes; then the readings against the ledgers, the judgement against a clean run."""
        books = self.books()
        clean = self.folder / "clean"
        clean.mkdir()
        self._lot(clean)
        # both are judged up to an hour that no process has reached
        now_s = (int(time.time()) // HOUR_S + 2) * HOUR_S
        with open_record(clean) as record:
            batch: list[Reading] = []
            for number, (code, path) in enumerate(self.parts):
                for seq, sample in enumerate(read_replay(path, site=SITE, node=code).samples):
                    batch += [_stamped(each, number, seq) for each in sample]
            batch.sort(key=lambda reading: reading.at_s or 0)
            for first in range(0, len(batch), 2000):
                record.take(batch[first : first + 2000], [], received_s=now_s - HOUR_S)
            watch.tick(record, now_s=now_s)
        with open_record(self.home) as record:
            watch.tick(record, now_s=now_s)
        hours, alarms = _judged(self.home)
        clean_hours, clean_alarms = _judged(clean)
        assert clean_hours, "the clean run judged nothing"
        assert clean_alarms, "the clean run raised nothing"
        return Audit(
            books.samples,
            books.lost,
            books.doubled,
            books.altered,
            books.pending,
            hours_differ=len(hours ^ clean_hours),
            alarms_missed=sum((clean_alarms - alarms).values()),
            alarms_doubled=sum((alarms - clean_alarms).values()),
        )


def _values(number: int, probe: int, spacing_s: int) -> str:
    """Temperature, humidity and water of a sample: noise, two damp days in four, a splash each four."""
    temperature = 1500 + (number * 37 + probe * 101) % 1000
    humidity = 6200 + (number * 53 + probe * 17) % 600
    day, passed_s = divmod(number * spacing_s, DAY_S)
    humidity += 2800 * (day % 4 in {1, 2})
    wet = int(probe == 1 and day % 4 == 1 and 40_000 <= passed_s < 43_600)
    return f"{temperature / 100:.2f},{humidity / 100:.2f},{wet}"


def _plain(code: str, seq: int, start_s: int) -> tuple[str, bytes]:
    """Topic and payload of one sample of a node without an outbox."""
    reading = Reading(
        site=SITE,
        node=code,
        boot=1,
        seq=seq,
        at_s=start_s + 60 * seq,
        temperature_c=10.0 + seq % 30,
        humidity_percent=50.0,
    )
    return f"sillkeep/{SITE}/{code}/senml", encode([reading])


def _lasting_port() -> int:
    """A free port that no connection is given while the broker behind it is dead."""
    below = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    while True:
        port = random.SystemRandom().randrange(min(10_000, below - 1000), below)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def _stamped(reading: Reading, boot: int, seq: int) -> Reading:
    return structs.replace(reading, boot=boot, seq=seq)


def _judged(home: Path) -> tuple[set[tuple[object, ...]], Counter[tuple[object, ...]]]:
    with contextlib.closing(sqlite3.connect(home / "record.sqlite")) as connection:
        hours = {row[:2] + row[3:] for row in connection.execute(_HOURS)}  # zone_id is no news
        return hours, Counter(connection.execute(_ALARMS).fetchall())


def run(
    yard: Yard,
    quotas: dict[str, int],
    *,
    seed: int,
    samples: int,
    rounds: int,
    at_once: int = 1,
    until: Callable[[], bool] = lambda: True,
) -> None:
    """Give work and strike until every kind of fault has hit as often as wanted.

    Each round hands every replaying node new samples and strikes each kind of fault at most `at_once`
    times, in any order; it ends when these were handed over. A run that runs out of rounds is INVALID.
    """
    rng = random.Random(seed)
    for _ in range(rounds):
        left = {kind: count - yard.struck.hits[kind] for kind, count in quotas.items()}
        wanted = [kind for kind, count in left.items() for _ in range(min(count, at_once))]
        if not wanted and until():
            break
        for code in yard.codes:
            yard.replay(code, samples)
        rng.shuffle(wanted)
        if at_once == 1:  # what takes seconds to be noticed comes last: the others need not wait
            wanted.sort(key=lambda kind: kind.startswith("halfopen"))
        for kind in wanted:
            yard.strike(kind, rng)
            if yard.has_replayed():
                break
        yard.until(yard.has_replayed)
    yard.settle()
    missed = {k: n - yard.struck.hits[k] for k, n in quotas.items() if yard.struck.hits[k] < n}
    assert not missed, f"INVALID: too few faults hit work in progress: {missed}; " + (
        yard.struck.told()
    )
