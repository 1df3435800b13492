"""What an installation is made of: its services run as they are written, and may touch little.

No service manager runs where these tests do: `systemd-analyze` reads the units, and a small harness
runs their commands with their environment, on Linux 6.3 or later without memory that is both written
and run where the unit forbids it. What else a sandbox of theirs forbids is not tried.
"""

import ctypes
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt import publish

from deploy.manual.blocks import PAGES, blocks
from monitor.config import load
from monitor.store import open_record
from sensors.formats import mapped
from tests.conftest import unused_port, wait_until
from tests.filled import filled_record

ROOT = Path(__file__).parents[1]
DEPLOY = ROOT / "deploy"
UNITS = DEPLOY / "systemd"
ANALYZE = shutil.which("systemd-analyze")
# of `systemd-analyze security`, 0 to 10; version 252 gives what stands here, in tenths
EXPOSURE = {
    "sillkeep.service": 15,
    "sillkeep-node.service": 16,
    "sillkeep-backup.service": 7,
    "sillkeep-drill.service": 7,
    "sillkeep-notice@.service": 7,
}
needs_analyze = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
PROGRAM = "/opt/sillkeep/current/bin/sillkeep"
LATER_S = 4_102_444_800  # 2100: after whatever a clock says


def entries(unit: Path, key: str) -> list[str]:
    """Values of a key of a unit, in order."""
    found = re.findall(rf"^{key}=(.*)$", unit.read_text(encoding="utf-8"), re.MULTILINE)
    assert found, f"{unit.name} has no {key}"
    return found


@needs_analyze
@pytest.mark.parametrize("name", EXPOSURE)
def test_a_service_is_exposed_no_more_than_we_reached(name: str) -> None:
    done = subprocess.run(
        [str(ANALYZE), "security", "--offline=true", f"--threshold={EXPOSURE[name]}", UNITS / name],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


@needs_analyze
def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    files = [path for path in UNITS.iterdir() if path.name.startswith("sillkeep") and own(path)]
    assert len(files) >= 7
    for path in files:  # it looks whether the programs are there
        text = path.read_text(encoding="utf-8").replace(PROGRAM, "/bin/true")
        (tmp_path / path.name).write_text(text, encoding="utf-8")
    names = [tmp_path / path.name for path in files]
    done = subprocess.run(
        [str(ANALYZE), "verify", *names], capture_output=True, text=True, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "sillkeep" in line]
    assert (ours, done.returncode) == ([], 0)


def own(path: Path) -> bool:
    """Whether it is one of these units, with the timers' own."""
    return path.name in EXPOSURE or path.suffix == ".timer"


# --- the trial that stands for a network server, in the manual ------------------------------------

WRITTEN = {block.name: block.text for block in blocks(PAGES / "install.md")}


@needs_analyze
def test_the_trials_service_may_touch_as_little(tmp_path: Path) -> None:
    path = tmp_path / "lorawan-trial.service"
    text = WRITTEN[f"/etc/systemd/system/{path.name}"]
    path.write_text(re.sub(r"/opt/.*\.py", "/bin/true", text), encoding="utf-8")
    for asked in (["verify"], ["security", "--offline=true", "--threshold=15"]):
        done = subprocess.run(
            [str(ANALYZE), *asked, path], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr


class _SentError(Exception):
    """Ends the trial after its first uplink."""


def test_what_the_trial_sends_is_read_by_the_map_of_its_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[tuple[str, str]] = []

    def single(topic: str, payload: str, *, auth: dict[str, str], **_: object) -> None:
        sent.append((topic, payload))
        assert auth == {"username": "lorawan", "password": "secret"}
        raise _SentError

    monkeypatch.setattr(publish, "single", single)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "password").write_text("secret\n")
    with pytest.raises(_SentError):
        exec(WRITTEN["/usr/local/lib/lorawan-trial.py"], {})
    [(topic, payload)] = sent
    maps = WRITTEN["/etc/sillkeep/sillkeep.toml"].partition("[[map]]")
    (tmp_path / "sillkeep.toml").write_text("".join(maps[1:]))
    [given] = load(tmp_path).map
    found = mapped.explain(given.compiled(), topic, payload.encode(), received_s=LATER_S)
    assert found.problems == []
    before, now, radio = found.readings
    assert {(each.site, each.node) for each in found.readings} == {("yard", "trial-1")}
    assert (now.at_s - before.at_s, now.seq - before.seq) == (60, 1)
    assert (radio.probe, radio.signal_dbm, radio.battery_percent) == ("radio", -104, 90)


# --- timers ---------------------------------------------------------------------------------------


@needs_analyze
@pytest.mark.parametrize("name", ["sillkeep-backup.timer", "sillkeep-drill.timer"])
def test_a_timer_has_a_calendar_and_a_service(name: str) -> None:
    [when] = entries(UNITS / name, "OnCalendar")
    subprocess.run([str(ANALYZE), "calendar", when], check=True, capture_output=True)
    assert (UNITS / name).with_suffix(".service").exists()
    assert entries(UNITS / name, "Persistent") == ["yes"]


# --- their commands, run --------------------------------------------------------------------------


def as_confined(name: str) -> Callable[[], None] | None:
    """What a child does before it becomes the unit's command; prctl(2), PR_SET_MDWE."""
    if "\nMemoryDenyWriteExecute=yes" not in (UNITS / name).read_text(encoding="utf-8"):
        return None
    prctl = ctypes.CDLL(None).prctl

    def confine() -> None:
        prctl(65, 1, 0, 0, 0)  # an older kernel says no, and the command runs as it is

    return confine


class Installed:
    """Units with the folders of an installation put below a folder of the test."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.home = root / "var/lib/sillkeep"
        for folder in ("var/lib/sillkeep", "var/backups/sillkeep", "var/cache/sillkeep-drill"):
            (root / folder).mkdir(parents=True)

    def there(self, text: str) -> str:
        return re.sub(r"(?<![\w/])/(?=(var|etc|opt)/)", f"{self.root}/", text)

    def command(self, name: str, instance: str = "") -> list[str]:
        [line] = entries(UNITS / name, "ExecStart")
        program, *words = shlex.split(line.replace("%i", instance))
        assert program == PROGRAM
        return [sys.executable, "-m", "monitor.cli", *(self.there(word) for word in words)]

    def environment(self, name: str) -> dict[str, str]:
        given = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}
        if "Environment=" in (UNITS / name).read_text(encoding="utf-8"):
            for line in entries(UNITS / name, "Environment"):
                for pair in shlex.split(line):
                    key, _, value = pair.partition("=")
                    given[key] = self.there(value)
        return given

    def run(self, name: str, instance: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(name, instance),
            env=self.environment(name),
            cwd="/",
            preexec_fn=as_confined(name),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )


@pytest.fixture
def installed(tmp_path: Path) -> Installed:
    return Installed(tmp_path / "root")


def test_the_services_of_backups_run_one_after_the_other(installed: Installed) -> None:
    filled_record(installed.home, days=2).close()
    failed = installed.run("sillkeep-drill.service")
    assert failed.returncode == 1
    assert "there is no backup in" in failed.stderr
    assert installed.run("sillkeep-backup.service").returncode == 0
    assert len(list((installed.root / "var/backups/sillkeep").iterdir())) == 1
    done = installed.run("sillkeep-drill.service")
    assert done.returncode == 0, done.stderr
    assert not list((installed.root / "var/cache/sillkeep-drill").iterdir())
    [failing] = entries(UNITS / "sillkeep-backup.service", "OnFailure")
    told = failing.replace("%n", "sillkeep-backup.service").removesuffix(".service")
    template, _, instance = told.partition("@")
    assert installed.run(f"{template}@.service", instance).returncode == 0


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """Where a service says how it is: the socket of sd_notify(3)."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(60)
        yield listening


def test_the_monitor_says_when_it_is_ready_that_it_lives_and_that_it_ends(
    installed: Installed, manager: socket.socket, tmp_path: Path
) -> None:
    name = "sillkeep.service"
    assert entries(UNITS / name, "Type") == ["notify"]
    port = unused_port()
    settings = f"[pages]\nport = {port}\n[broker]\nhost = '127.0.0.1'\nport = {unused_port()}\n"
    (installed.home / "sillkeep.toml").write_text(settings)
    environment = installed.environment(name) | {"NOTIFY_SOCKET": str(tmp_path / "notify")}
    serving = subprocess.Popen(
        installed.command(name), env=environment, cwd="/", stderr=subprocess.DEVNULL
    )
    said: list[bytes] = []
    try:
        while not {b"READY=1", b"WATCHDOG=1"} <= set(said):
            said.append(manager.recv(256))
    finally:
        serving.send_signal(signal.SIGTERM)
        status = serving.wait(20)
    assert status == 0
    while b"STOPPING=1" not in said:
        said.append(manager.recv(256))
    with open_record(installed.home, read_only=True) as record:
        assert record.counts()["readings"] == 0


def test_the_node_begins_its_outbox_in_the_state_folder(installed: Installed) -> None:
    """With the example's settings: no chip answers here, which costs the probe and not the node."""
    (installed.root / "var/lib/sillkeep-node").mkdir()
    (installed.root / "etc/sillkeep").mkdir(parents=True)
    settings = installed.there((DEPLOY / "node.toml").read_text(encoding="utf-8"))
    (installed.root / "etc/sillkeep/node.toml").write_text(settings)
    name = "sillkeep-node.service"
    running = subprocess.Popen(
        installed.command(name),
        env=installed.environment(name),
        cwd="/",
        stderr=subprocess.PIPE,
        preexec_fn=as_confined(name),  # noqa: PLW1509  one thread only
    )
    outbox = installed.root / "var/lib/sillkeep-node/home-van.outbox"
    try:
        wait_until(outbox.exists)
    finally:
        running.terminate()
        errors = running.communicate(timeout=20)[1].decode()
    assert running.returncode == 0, errors
    assert "Traceback" not in errors


# --- a small board --------------------------------------------------------------------------------

HEAVY = {"alembic", "apprise", "dash", "matplotlib", "pandas", "plotly", "pyarrow", "typst"}
LOADED = """
import sys
from pathlib import Path
import monitor.cli, monitor.intake, monitor.messages, monitor.watch
from monitor.config import load
from monitor.store import open_record
open_record(Path(sys.argv[1])).close()
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""


def loaded(code: str, home: Path) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", code, str(home)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stdout.split())


def test_what_runs_for_years_loads_nothing_that_it_does_not_need(tmp_path: Path) -> None:
    """Together 60 MB a process on the machine of `tests/bench/small_board.py`."""
    open_record(tmp_path).close()
    assert loaded(LOADED, tmp_path) & HEAVY == set()
    supervisor = "import sys, monitor.cli, monitor.serve\nprint(*sys.modules)"
    assert loaded(supervisor, tmp_path) & (HEAVY | {"numpy", "sqlalchemy"}) == set()


def test_the_settings_of_a_small_board_can_be_read(tmp_path: Path) -> None:
    shutil.copy(DEPLOY / "small-board.toml", tmp_path / "sillkeep.toml")
    found = load(tmp_path)
    assert (found.pages.idle_minutes, found.record.pulse_seconds) == (10, 60)
    assert found.serve.shared_memory
    assert found.record.cache_mb == 1
    assert not found.broker.embedded


def test_the_table_of_sizes_is_worked_out_as_it_says() -> None:
    """Bytes of `tests/bench/README.md`: 54.1 a fresh reading, 3.58 a sealed one, 2.8 GB for 26.28 million hours."""
    readme = (DEPLOY / "README.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| ([\d,]+) \| ([\d.,]+) \| ([\d.,]+) \| ([\d.,]+) \|", readme, re.MULTILINE
    )
    assert [row[0] for row in rows] == ["6", "60", "300", "3,000"]
    for row in rows:
        probes, million, first, later = (float(cell.replace(",", "")) for cell in row)
        a_day = probes * 288
        hours = probes * 8760 * 2.8e9 / 26.28e6
        assert million == pytest.approx(a_day * 365 / 1e6, rel=0.02)
        assert first == pytest.approx((a_day * (60 * 54.1 + 305 * 3.58) + hours) / 1e6, rel=0.03)
        assert later == pytest.approx((a_day * 365 * 3.58 + hours) / 1e6, rel=0.03)


# --- the broker's access list is taken in ---------------------------------------------------------


class Taking:
    """The command of sillkeep-broker-access.service, on folders of this test."""

    def __init__(self, folder: Path) -> None:
        self.there, self.here, self.tools = folder / "home", folder / "mosquitto", folder / "tools"
        for each in (self.there, self.here, self.tools, folder / "tmp"):
            each.mkdir()
        unit = ROOT / "deploy" / "systemd" / "sillkeep-broker-access.service"
        text = unit.read_text().partition("/bin/sh -ec '")[2].partition("'\n")[0]
        for theirs, ours in (
            ("/var/lib/sillkeep/broker", str(self.there)),
            ("/etc/mosquitto", str(self.here)),
            ("-o mosquitto -g mosquitto ", ""),
            ("-u sillkeep ", "-u nobody "),
            (">/tmp/", f">{folder}/tmp/"),
            (" /tmp/", f" {folder}/tmp/"),
            ("\\\n", "\n"),
            ("$$", "$"),
        ):
            assert theirs in text
            text = text.replace(theirs, ours)
        self.command = text

    def run(self, on_reload: str = ":") -> int:
        tool = self.tools / "systemctl"
        tool.write_text(f"#!/bin/sh\n{on_reload}\n")
        tool.chmod(0o755)
        path = f"{self.tools}:{os.environ['PATH']}:/usr/sbin:/sbin"
        shell = ["/bin/sh", "-ec", self.command]
        return subprocess.run(shell, env={"PATH": path}, check=False, timeout=30).returncode


@pytest.fixture
def taking() -> Iterator[Taking]:
    if os.getuid() != 0 or shutil.which("runuser", path="/usr/sbin:/sbin:/usr/bin") is None:
        pytest.skip("only root reads as another user")
    with tempfile.TemporaryDirectory(prefix="sillkeep-", dir="/var/tmp") as folder:
        Path(folder).chmod(0o755)  # the other user has to come in
        yield Taking(Path(folder))


def test_the_list_is_taken_in_with_what_changes_meanwhile(taking: Taking) -> None:
    for name in ("passwd", "acl"):
        (taking.there / f"sillkeep.{name}").write_text(f"{name} 1\n")
    acl = taking.there / "sillkeep.acl"
    assert taking.run(f"[ -e {taking.tools}/once ] || echo later >{acl}; >{taking.tools}/once") == 0
    assert (taking.here / "sillkeep.passwd").read_text() == "passwd 1\n"
    assert (taking.here / "sillkeep.acl").read_text() == "later\n"
    assert (taking.here / "sillkeep.acl").stat().st_mode & 0o777 == 0o600


def test_a_link_in_the_place_of_the_list_hands_nothing_of_roots_over(taking: Taking) -> None:
    secret = taking.tools / "of-root"
    secret.write_text("root:secret\n")
    secret.chmod(0o600)
    (taking.there / "sillkeep.passwd").symlink_to(secret)
    (taking.there / "sillkeep.acl").write_text("acl\n")
    assert taking.run() != 0
    assert not (taking.here / "sillkeep.passwd").exists()
