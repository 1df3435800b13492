"""The demo: a whole Sillkeep of its own on this machine, fed by an invented yard through real nodes.

`python -m demo` writes the yard's lot file and its truth into the folder it is given, and plays its
nodes; everything else here is the real program. The folder goes when the demo ends.
"""

import json
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from monitor.errors import MonitorError

LOG = logging.getLogger("demo")
CHECK_LIMIT_S = 600.0  # a cold, busy machine included
END_LIMIT_S = 20.0
POLL_S = 1.0
USER = "demo"


@dataclass(frozen=True, slots=True)
class Checked:
    """What `--check` prints."""

    readings: int
    hours: int
    alarms: int
    leak: str
    seconds: float
    ended: bool

    def to_json(self) -> str:
        """One line for a script."""
        return json.dumps(asdict(self))


def run(*, check: bool, home: Path | None, enter: Callable[[Path, Path], object]) -> int:
    """Start the demo; with `check`, end it once the planted leak is raised and the board answers.

    Parameters
    ----------
    check : bool
        Report as one line of JSON and end.
    home : Path or None
        Folder to keep; None: one that goes when the demo ends.
    enter : function of (home, lot file)
        Enters the yard's lot file into the record.

    Returns
    -------
    int
        Exit status.
    """
    started_s = time.monotonic()
    with _folder(home) as folder:
        port, board = _free_port(1883), _free_port(8750)
        settings = f"[broker]\nport = {port}\n\n[pages]\nport = {board}\n"
        (folder / "sillkeep.toml").write_text(settings, encoding="utf-8")
        environment = dict(os.environ) | {"SILLKEEP_HOME": str(folder)}
        commands = {
            "serve": [sys.executable, "-m", "monitor.cli", "serve"],
            "yard": [
                sys.executable,
                "-m",
                "demo",
                "--home",
                str(folder),
                "--broker",
                f"127.0.0.1:{port}",
            ],
        }
        children: list[subprocess.Popen[bytes]] = []
        checked: Checked | None = None
        try:
            for name, command in commands.items():
                with (folder / f"{name}.log").open("wb") as log:
                    children.append(
                        subprocess.Popen(command, env=environment, stdout=log, stderr=log)  # noqa: S603
                    )
            _wait((folder / "lot.toml").exists, children, folder, "the yard's lot file")
            enter(folder, folder / "lot.toml")
            url = f"http://127.0.0.1:{board}/"
            _wait(lambda: _answers(url), children, folder, "the board")
            if check:
                checked = _wait_for_leak(folder, children, started_s)
            else:
                _say(
                    f"\nThe board is at {url}link/{_sign_in(folder)}\n"
                    "This address signs you in once, as the demo's owner. For another one:\n"
                    f"    SILLKEEP_HOME={folder} {Path(sys.argv[0])} user link {USER}\n"
                    "60 days of the yard's past are coming in; Ctrl-C ends it."
                )
                _sit(children)
        except KeyboardInterrupt:
            pass
        finally:
            ended = _end(children)
        if checked:
            _say(replace(checked, ended=ended).to_json())
        return 0 if ended else 1


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _sign_in(folder: Path) -> str:
    """Secret of a link that signs in once: the demo has a user, and no password to guess."""
    from monitor.store import open_record, users

    by = users.Doer("demo", int(time.time()))  # noqa: TID251  an entry point, as `monitor.cli`
    with open_record(folder) as record:
        if not users.anybody(record.engine):
            reach = users.Reach(whole=True)
            users.add(record.engine, USER, role="owner", reach=reach, password=None, by=by)
        return users.make_sign_in(record.engine, USER, by=by)


@contextmanager
def _folder(home: Path | None) -> Iterator[Path]:
    if home is not None:
        home.mkdir(parents=True, exist_ok=True)
        yield home.resolve()
        return
    with tempfile.TemporaryDirectory(prefix="sillkeep-demo-") as name:
        yield Path(name)


def _free_port(wanted: int) -> int:
    """The usual port if it is free, else any."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise MonitorError("no port is free on 127.0.0.1")


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=2) as answer:  # noqa: S310  our own loopback address
            return bool(answer.status == 200)
    except OSError:
        return False


def _wait(
    ready: Callable[[], bool],
    children: list[subprocess.Popen[bytes]],
    folder: Path,
    what: str,
    limit_s: float = CHECK_LIMIT_S,
) -> None:
    until = time.monotonic() + limit_s
    while not ready():
        for child in children:
            if child.poll() is not None:
                raise MonitorError(f"the demo ended while waiting for {what}:\n{_logs(folder)}")
        if time.monotonic() > until:
            raise MonitorError(f"waited {limit_s:.0f} s for {what} in vain:\n{_logs(folder)}")
        _pause(children)


def _pause(children: list[subprocess.Popen[bytes]]) -> None:
    """Wait a moment, less if a child ends."""
    try:
        children[0].wait(timeout=POLL_S)
    except subprocess.TimeoutExpired:
        return


def _logs(folder: Path) -> str:
    """The last lines of what the parts said."""
    ends = []
    for log in sorted(folder.glob("*.log")):
        lines = log.read_text(encoding="utf-8", errors="replace").splitlines()[-15:]
        ends.append("\n".join([f"--- {log.name}", *lines]))
    return "\n".join(ends)


def _wait_for_leak(
    folder: Path, children: list[subprocess.Popen[bytes]], started_s: float
) -> Checked:
    """Wait until a planted leak is raised as wet; its place is known from the yard's truth."""
    from monitor.store import open_record

    planted = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    places = {(p["unit"], p["zone"]) for p in planted if p["what"] == "rain ingress"}
    with open_record(folder, read_only=True) as record:
        found: list[str] = []

        def raised() -> bool:
            found[:] = [
                f"{alarm.unit} {alarm.zone}"
                for alarm in record.alarms(open_only=True)
                if alarm.kind == "wet" and (alarm.unit, alarm.zone) in places
            ]
            return bool(found)

        _wait(raised, children, folder, "the planted leak to be raised")
        counts = record.counts()
    return Checked(
        readings=counts["readings"],
        hours=counts["hours"],
        alarms=counts["alarms"],
        leak=found[0],
        seconds=round(time.monotonic() - started_s, 1),
        ended=False,
    )


def _sit(children: list[subprocess.Popen[bytes]]) -> None:
    """Stay until somebody ends it or a part does."""
    while all(child.poll() is None for child in children):
        _pause(children)
    LOG.warning("a part of the demo ended")


def _end(children: list[subprocess.Popen[bytes]]) -> bool:
    """End all parts; False if one had to be killed."""
    gently = True
    for child in reversed(children):
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
    for child in children:
        try:
            child.wait(timeout=END_LIMIT_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
            gently = False
    return gently
