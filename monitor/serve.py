"""Supervisor: starts intake, watch, messages, pages (and the embedded broker) and keeps them running.

::

    started -> ends by itself -> waits (1 s, 2 s ... 30 s) -> started
    started -> no progress for 60 s (or three pulses) -> killed -> waits ...
    SIGTERM or SIGINT -> all are asked to end, then killed after a grace -> exit status 0

A part with a door of its own (the board, where the settings ask for it) is started when somebody
knocks, and ends by itself when nobody came for a while: on a small board it is a third of the memory.

With `serve.shared_memory` the parts are forks of the supervisor (`monitor.forked`), which has then loaded
what they share; without it, and where it cannot be, each is an interpreter of its own.

Progress is what a process leaves in the record, not that it exists. The supervisor shares nothing
else with its children; killed itself, it takes them along. Where systemd started it, it says when the
board answers, and at each look that the supervisor itself goes on.
"""

import contextlib
import ctypes
import fcntl
import http.client
import logging
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path

from monitor import broker, forked
from monitor.config import BUSY, Pages, Server, Settings, claim, is_loopback
from monitor.errors import ConfigError, StoreError
from monitor.parts import name_of
from monitor.store import glance

STUCK_S = 60.0  # a process beats every 5 to 10 s; no progress for longer helps nobody
GRACE_S = 10.0  # to end by itself: the longest transaction takes less
FIRST_WAIT_S, LAST_WAIT_S = 1.0, 30.0
LIVED_S = 60.0  # a process that lived this long starts without a long wait
LOOK_S = 5.0  # between two looks at the progress
ASK_S = 0.3  # between two questions whether the board answers
_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGCHLD, signal.SIGIO)
_ENDING = (signal.SIGTERM, signal.SIGINT)
_PR_SET_PDEATHSIG = 1  # prctl(2), Linux

log = logging.getLogger(__name__)

Pulses = Callable[[], Mapping[str, int]]


@dataclass(frozen=True, slots=True)
class Part:
    """One process to keep running; `beats`: it leaves its progress in the record.

    With a `door`, a listening socket, it runs only while somebody comes; its file number is its last
    argument. `shares`: it may be a fork of the supervisor; its command is then `python -m MODULE ...`.
    """

    name: str
    command: tuple[str, ...]
    beats: bool = False
    door: socket.socket | None = None
    shares: bool = False

    @property
    def is_wanted(self) -> bool:
        """Whether it has to run: always, or somebody waits at its door."""
        return self.door is None or bool(select.select([self.door], [], [], 0)[0])


@dataclass(slots=True)
class _Child:
    """A part's process now, and when to start the next. Times of a clock that never steps."""

    part: Part
    process: forked.Process | None = None
    start_s: float = 0.0  # when to start, or when it was started
    wait_s: float = FIRST_WAIT_S
    pulse: int = 0
    pulse_s: float = 0.0  # when the pulse last changed


@dataclass(slots=True)
class Supervisor:
    """The children and the environment they run in."""

    parts: Sequence[Part]
    environment: Mapping[str, str]
    pulses: Pulses
    on_round: Callable[[], bool] = lambda: True  # False: call again soon
    stuck_s: float = STUCK_S
    shares: bool = False  # whether parts that may be forks are
    children: list[_Child] = field(default_factory=list)

    def run(self) -> None:
        """Keep every part running until SIGTERM or SIGINT; all have ended on return."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, _SIGNALS)
        self.children = [_Child(part) for part in self.parts]
        look_s = time.monotonic() + LOOK_S
        try:
            while True:
                now_s = time.monotonic()
                for child in self.children:
                    self._tend(child, now_s)
                if now_s >= look_s:
                    self._kill_stuck(now_s)
                    look_s = now_s + LOOK_S
                    tell_systemd("WATCHDOG=1")  # after the look: one that hangs is told by silence
                is_settled = self.on_round()
                wait_s = min([look_s, *self._starts()]) - time.monotonic()
                if not is_settled:
                    wait_s = min(wait_s, ASK_S)
                found = signal.sigtimedwait(_SIGNALS, max(wait_s, 0.0))
                if found is not None and found.si_signo in _ENDING:
                    log.info("ending")
                    tell_systemd("STOPPING=1")
                    return
        finally:
            self._end_all()
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def _starts(self) -> list[float]:
        waiting = [child for child in self.children if child.process is None]
        return [child.start_s for child in waiting if child.part.is_wanted]

    def _tend(self, child: _Child, now_s: float) -> None:
        """Notice an end; start what is due."""
        if child.process is not None and (status := child.process.poll()) is not None:
            self._note_end(child, status, now_s)
        if child.process is None and now_s >= child.start_s and child.part.is_wanted:
            child.start_s = child.pulse_s = now_s
            child.process = self._started(child.part)
            log.info("%s started, process %d", child.part.name, child.process.pid)

    def _started(self, part: Part) -> forked.Process:
        doors = () if part.door is None else (part.door.fileno(),)
        command = part.command + tuple(map(str, doors))
        if self.shares and part.shares:
            if forked.is_alone():
                return forked.start(
                    command[2:],
                    name=part.name,
                    environment=self.environment,
                    keeps=doors,
                    prepare=_end_with_parent,
                )
            self.shares = False  # said once
            log.warning(
                "serve.shared_memory cannot be used: a fork needs Linux and a supervisor of one thread; "
                "parts start as programs of their own and take more memory"
            )
        return subprocess.Popen(  # noqa: S603  our own commands, no shell
            command,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            pass_fds=doors,
            start_new_session=True,  # Ctrl-C reaches the supervisor alone
            preexec_fn=_end_with_parent,  # noqa: PLW1509  one thread only
        )

    @staticmethod
    def _note_end(child: _Child, status: int, now_s: float) -> None:
        child.process = None
        if now_s - child.start_s >= LIVED_S:
            child.wait_s = FIRST_WAIT_S
        if child.part.door is not None and status == 0:
            log.info("%s ended: nobody came for a while", child.part.name)
            child.start_s = now_s
            return
        log.warning(
            "%s ended (%s); starting it again in %.0f s",
            child.part.name,
            f"status {status}" if status >= 0 else signal.Signals(-status).name,
            child.wait_s,
        )
        child.start_s = now_s + child.wait_s
        child.wait_s = min(child.wait_s * 2, LAST_WAIT_S)

    def _kill_stuck(self, now_s: float) -> None:
        try:
            pulses = self.pulses()
        except StoreError as error:
            log.warning("progress unknown: %s", error)
            return
        for child in self.children:
            pulse = pulses.get(child.part.name, 0)
            # compared with the one before, not with the time of day: that may be set back
            if pulse != child.pulse:
                child.pulse, child.pulse_s = pulse, now_s
            is_stuck = child.part.beats and now_s - child.pulse_s > self.stuck_s
            if is_stuck and child.process is not None:
                log.error("%s made no progress for %.0f s: killed", child.part.name, self.stuck_s)
                child.process.kill()

    def _end_all(self) -> None:
        """Ask every child to end, and kill what does not."""
        running = [child for child in self.children if child.process is not None]
        for child in running:
            if child.process is not None:
                child.process.terminate()
        deadline_s = time.monotonic() + GRACE_S
        for child in running:
            if child.process is None:
                continue
            try:
                child.process.wait(max(deadline_s - time.monotonic(), 0.0))
            except subprocess.TimeoutExpired:
                log.warning("%s did not end: killed", child.part.name)
                child.process.kill()
                child.process.wait()


def _end_with_parent() -> None:
    """In a new child: signals as usual, and an end when the supervisor is killed (Linux)."""
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _SIGNALS)
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


@dataclass(slots=True)
class _Announcement:
    """Asks the board until it answers, then says once where it is."""

    pages: Pages
    in_log: bool = False  # read by a machine, not by who started it
    is_said: bool = False

    def __call__(self) -> bool:
        # one that waits for visitors would be woken by the question; its door is open already
        waits = self.pages.idle_minutes is not None
        if not self.is_said and (waits or answers(self.pages)):
            self.is_said = True
            if self.in_log:
                log.info("the board is at %s", self.pages.url)
            else:
                sys.stdout.write(f"The board is at {self.pages.url}\n")
                sys.stdout.flush()
            tell_systemd("READY=1")
        return self.is_said


def tell_systemd(state: str, environment: Mapping[str, str] = os.environ) -> None:
    """Say something in the protocol of sd_notify(3), if a service manager listens."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            # "@" begins a name that is in no file system: there a zero byte stands for it
            out.sendto(
                state.encode(), address.replace("@", "\0", 1) if address[0] == "@" else address
            )
    except OSError as error:
        log.warning("systemd was not told %s: %s", state, error)


def answers(pages: Pages) -> bool:
    """Whether the board answers, asked from this machine; at most some seconds."""
    host = pages.host
    if not is_loopback(host) and ip_address(host).is_unspecified:
        host = "127.0.0.1"
    connection = http.client.HTTPConnection(host, pages.port, timeout=2)
    try:
        connection.request("HEAD", "/")
        return connection.getresponse().status < 500
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def parts_of(settings: Settings) -> list[Part]:
    """The processes that these settings ask for, in the order of starting."""
    member = settings.broker.member
    parts = [
        *_several("intake", settings.broker.intakes, member),
        *_several("watch", settings.record.watches, member),
        *_several("messages", 1, ""),
        _pages(settings.pages),
    ]
    if settings.archive.url:
        parts += _several("archive", 1, "")
    if settings.weather:
        parts += _several("weather", 1, "")
    if settings.broker.embedded:
        parts.insert(0, Part("broker", tuple(broker.command(settings.broker.port, settings.log))))
    return parts


def _several(kind: str, count: int, member: str) -> list[Part]:
    """Processes of one kind, numbered."""
    return [
        Part(
            name_of(kind, number=number, member=member),
            (
                sys.executable,
                "-m",
                "monitor.cli.part",
                kind,
                *([str(number)] if number > 1 else []),
            ),
            beats=True,
            shares=True,
        )
        for number in range(1, count + 1)
    ]


def _pages(pages: Pages) -> Part:
    command = (sys.executable, "-m", "dashboards")
    if pages.idle_minutes is None:
        return Part("pages", command, shares=True)
    family = socket.AF_INET6 if ":" in pages.host else socket.AF_INET
    try:
        door = socket.create_server((pages.host, pages.port), family=family, backlog=64)
    except OSError as error:
        raise ConfigError(f"pages: {pages.host}:{pages.port} cannot be used: {error}") from error
    # The kernel says when somebody knocks: SIGIO ends the wait of the supervisor's round. Before and after
    # that round, where it is not blocked, it would end the supervisor: who knocks then is not heard.
    signal.signal(signal.SIGIO, signal.SIG_IGN)
    fcntl.fcntl(door, fcntl.F_SETOWN, os.getpid())
    flags = fcntl.fcntl(door, fcntl.F_GETFL)
    fcntl.fcntl(door, fcntl.F_SETFL, flags | os.O_ASYNC | os.O_NONBLOCK)
    return Part("pages", (*command, "--socket"), door=door, shares=True)


def _signs(record_home: Path, home: Path, server: Server | None = None) -> dict[str, int]:
    """What changes while a process makes progress: its pulse, or the time of its lock file.

    The intake touches that while the record refuses everything, pulses too: locked or full, it
    would refuse another process as well, so that killing this one helps nobody.
    """
    signs = glance.pulses(record_home, server)
    for lock in home.glob("intake*.lock"):
        with contextlib.suppress(OSError):
            signs[lock.stem] = hash((signs.get(lock.stem), lock.stat().st_mtime_ns))
    return signs


def serve(settings: Settings) -> int:
    """Run everything until SIGTERM or SIGINT.

    Returns
    -------
    int
        Exit status: 0, or `BUSY` if this home folder is served already.

    Raises
    ------
    StoreError
        If the record cannot be opened.
    """
    lock = claim(settings.home, "serve")
    if lock is None:
        log.error("another sillkeep serves %s", settings.home)
        return BUSY
    server = settings.record.server()
    with lock:
        _migrate(settings.home)  # first: all others find it as it has to be
        if settings.serve.shared_memory:
            forked.warm()
        Supervisor(
            parts=parts_of(settings),
            environment=dict(os.environ) | {"SILLKEEP_HOME": str(settings.home)},
            pulses=lambda: _signs(settings.record_home, settings.home, server),
            on_round=_Announcement(settings.pages, in_log=settings.log.form == "json"),
            stuck_s=max(STUCK_S, 3.0 * settings.record.pulse_seconds),
            shares=settings.serve.shared_memory,
        ).run()
    return 0


_OPEN = """
import sys, pathlib
from monitor.config import load
from monitor.errors import MonitorError
from monitor.store import open_record
try:
    settings = load(pathlib.Path(sys.argv[1]))
    open_record(settings.record_home, server=settings.record.server()).close()
except MonitorError as error:
    sys.exit(str(error))
"""


def _migrate(home: Path) -> None:
    """Make or migrate the record, in a process whose memory is given back."""
    done = subprocess.run(  # noqa: S603  our own command, no shell
        [sys.executable, "-c", _OPEN, str(home)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise StoreError(done.stderr.strip().splitlines()[-1] if done.stderr else "no record")
