"""The demo: a whole Sillkeep of its own on this machine, fed by an invented yard through real nodes.

`python -m demo` writes the yard's lot file, its papers and its truth into the folder it is given, and
plays its nodes; everything else here is the real program. The folder goes when the demo ends.
"""

import base64
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
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.errors import InputError, MonitorError

if TYPE_CHECKING:
    from monitor.store import Record

LOG = logging.getLogger("demo")
CHECK_LIMIT_S = 600.0  # a cold, busy machine included
END_LIMIT_S = 20.0
POLL_S = 1.0
USER = "demo"
PAPERS = "papers.json"


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
            enter_papers(folder, folder / PAPERS)
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


# --- its papers -----------------------------------------------------------------------------------


def enter_papers(home: Path, path: Path) -> None:
    """Enter what the yard's people wrote down (tables: `demo.papers`), each once, however often.

    The lot has to be entered first. What the program refuses, as it refuses a person, is left out.
    """
    from monitor.store import open_record

    told: dict[str, list[dict[str, Any]]] = json.loads(path.read_text(encoding="utf-8"))
    with open_record(home) as record:
        photos = _enter_photos(record, told["photos"])
        _enter_cases(record, told["cases"], photos)
        _enter_bench(record, told["bench"])
        _enter_joints(record, told["joints"])
        _enter_seals(record, told["seals"], photos)
        _enter_rounds(record, told["rounds"], photos)


def _enter_photos(record: "Record", rows: list[dict[str, Any]]) -> dict[str, str]:
    """Keep the photos; digest by key. One of that time and caption is not kept a second time."""
    from monitor.lot import Photo
    from monitor.photos import cleaned

    found = {}
    for row in rows:
        held = {(one.at_s, one.caption): one.digest for one in record.photos(row["unit"])}
        digest = held.get((row["at_s"], row["caption"]))
        if digest is None:
            data = cleaned(base64.b64decode(row["png"]))
            digest = sha256(data).hexdigest()
            told = (row["at_s"], row["recorded_s"], row["who"], row["caption"])
            record.keep_photo(row["unit"], Photo(digest, *told), data)
        found[row["key"]] = digest
    return found


def _enter_cases(record: "Record", rows: list[dict[str, Any]], photos: dict[str, str]) -> None:
    from monitor.lot import CaseNote

    for row in rows:
        given = dict(row)
        unit = given.pop("unit")
        if "photo" in given:
            given["value"] = photos[given.pop("photo")]
        note = CaseNote(**given)
        if note not in record.case_notes(unit):
            record.note_case(unit, note)


def _enter_bench(record: "Record", rows: list[dict[str, Any]]) -> None:
    """What each probe read in the box is judged as at the real bench; only a settled one gives a point."""
    import numpy as np

    from monitor import bench

    held = {(p.site, p.node, p.probe, p.salt, p.at_s) for p in record.bench_points()}
    for row in rows:
        table = np.asarray(row["readings"], dtype=np.float64)
        settling = bench.settling(
            at_s=table[:, 0].astype(np.int64),
            temperature_c=table[:, 1],
            humidity_percent=table[:, 2],
        )
        place = (row["site"], row["node"], row["probe"])
        try:
            point = bench.point(
                settling,
                place=place,
                salt=row["salt"],
                batch=row["batch"],
                from_s=row["from_s"],
                who=row["who"],
                now_s=int(table[-1, 0]) + 300,
            )
        except InputError as error:
            LOG.info("no bench point of %s %s over %s: %s", *place[1:], row["salt"], error)
            continue
        if (*place, point.salt, point.at_s) not in held:
            record.add_bench_point(replace(point, back_s=row["back_s"]))


def _enter_joints(record: "Record", rows: list[dict[str, Any]]) -> None:
    from monitor import seals

    units = {unit.code: unit for unit in record.units()}
    for row in rows:
        unit = units[row["unit"]]
        if not record.joints(unit.code):
            zones = record.zones(unit.code)
            told = {"who": row["who"], "now_s": row["at_s"]}
            joints = seals.suggested(unit.body_type, unit.slides, zones, **told)
            record.enter_joints(unit.code, joints)


def _enter_seals(record: "Record", rows: list[dict[str, Any]], photos: dict[str, str]) -> None:
    from monitor import seals
    from monitor.lot import SealEntry

    for row in rows:
        given = dict(row)
        unit, named = given.pop("unit"), given.pop("joints")
        given["photos"] = tuple(photos[key] for key in given["photos"])
        codes = [
            joint.code
            for joint in record.joints(unit)
            if joint.code in named or seals.group_of(joint) in named
        ]
        record.note_seals(unit, [SealEntry(joint=code, **given) for code in codes])


def _enter_rounds(record: "Record", rows: list[dict[str, Any]], photos: dict[str, str]) -> None:
    from monitor import rounds

    for row in rows:
        digests = [photos[key] for key in row["photos"]]
        found = rounds.read(row["said"], who=row["who"], now_s=row["recorded_s"], photos=digests)
        pictures = {digest: record.photo(found.unit, digest) or b"" for digest in digests}
        record.add_findings([found], pictures)


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
