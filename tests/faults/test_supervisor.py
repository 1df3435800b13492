"""The supervisor: what ends is started again, what is stuck is killed, and all end together."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor import forked, serve
from monitor.config import claim
from monitor.store import open_record

ROOT = Path(__file__).parent.parent.parent

# supervises children that write their process number into a file and wait for ever
SUPERVISOR = """
import json, logging, os, sys
from pathlib import Path
from monitor import serve
from monitor.config import claim
logging.basicConfig(level="INFO")
serve.LOOK_S = 0.1
folder, names, beats, stuck_s, shares = Path(sys.argv[1]), *json.loads(sys.argv[2])
(folder / "child.py").write_text(
    "import os, pathlib, select, sys; pathlib.Path(sys.argv[1]).write_text(str(os.getpid()))\\n"
    "select.select([], [], [])"
)
sys.path.insert(0, str(folder))
os.environ["PYTHONPATH"] = str(folder)
lock = claim(folder, "serve")
parts = [
    serve.Part(name, (sys.executable, "-m", "child", str(folder / name)), beats=beats, shares=True)
    for name in names
]
serve.Supervisor(parts, dict(os.environ), lambda: {}, stuck_s=stuck_s, shares=shares).run()
print("ended", flush=True)
"""


SHARES = [False] + [True] * (sys.platform == "linux")  # children as interpreters, and as forks


@pytest.fixture(params=SHARES, ids=lambda shares: "forked" if shares else "started")
def supervising(tmp_path: Path, request: Any) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    started: list[subprocess.Popen[str]] = []

    def start(*names: str, beats: bool = False, stuck_s: float = 60.0) -> subprocess.Popen[str]:
        options = json.dumps([names, beats, stuck_s, request.param])
        started.append(
            subprocess.Popen(
                [sys.executable, "-c", SUPERVISOR, str(tmp_path), options],
                cwd=ROOT,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
        )
        return started[-1]

    yield start
    for process in started:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)


def pid(file: Path) -> int:
    """Process number a child has written, 0 before."""
    return int(file.read_text() or 0) if file.exists() else 0


def is_running(number: int) -> bool:
    try:
        # a zombie waits for its parent only: it has ended
        return ") Z " not in Path(f"/proc/{number}/stat").read_text()
    except OSError:
        return False


def test_a_killed_child_is_started_again(
    supervising: Any, until: Callable[..., None], tmp_path: Path
) -> None:
    supervising("a", "b")
    until(lambda: pid(tmp_path / "a") and pid(tmp_path / "b"))
    first, other = pid(tmp_path / "a"), pid(tmp_path / "b")
    os.kill(first, signal.SIGKILL)
    until(lambda: pid(tmp_path / "a") not in {0, first})
    assert pid(tmp_path / "b") == other


def test_a_supervisor_that_may_not_fork_says_so_once_and_starts_programs(
    until: Callable[..., None], tmp_path: Path
) -> None:
    threaded = SUPERVISOR.replace(
        "lock = claim",
        "import threading\nthreading.Thread(target=threading.Event().wait, daemon=True).start()\nlock = claim",
    )
    options = json.dumps([["a", "b"], False, 60.0, True])
    process = subprocess.Popen(
        [sys.executable, "-c", threaded, str(tmp_path), options],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until(lambda: pid(tmp_path / "a") and pid(tmp_path / "b"))
    finally:
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=20)
    assert errors.count("WARNING:monitor.serve:serve.shared_memory cannot be used") == 1
    assert len(re.findall("[ab] started", errors)) == 2


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_all_children_and_the_exit_status_is_0(
    number: int, supervising: Any, until: Callable[..., None], tmp_path: Path
) -> None:
    process = supervising("a", "b")
    until(lambda: pid(tmp_path / "a") and pid(tmp_path / "b"))
    process.send_signal(number)
    output, _ = process.communicate(timeout=20)
    assert (process.returncode, output) == (0, "ended\n")
    assert not is_running(pid(tmp_path / "a"))
    assert not is_running(pid(tmp_path / "b"))


def test_a_child_without_progress_is_killed_and_started_again(
    supervising: Any, until: Callable[..., None], tmp_path: Path
) -> None:
    process = supervising("a", beats=True, stuck_s=1.0)
    until(lambda: pid(tmp_path / "a"))
    first = pid(tmp_path / "a")
    until(lambda: pid(tmp_path / "a") not in {0, first})
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=20)
    assert "a made no progress for 1 s: killed" in said


@pytest.mark.skipif(sys.platform != "linux", reason="asks the kernel for the end of the parent")
def test_the_children_of_a_killed_supervisor_end_too(
    supervising: Any, until: Callable[..., None], tmp_path: Path
) -> None:
    process = supervising("a")
    until(lambda: pid(tmp_path / "a"))
    process.kill()
    until(lambda: not is_running(pid(tmp_path / "a")))


@pytest.mark.skipif(sys.platform != "linux", reason="forks on Linux alone")
def test_a_fork_holds_nothing_of_the_supervisors(
    supervising: Any, until: Callable[..., None], tmp_path: Path
) -> None:
    """Neither its lock, which would outlive it, nor its session, input or name."""
    process = supervising("a")
    until(lambda: pid(tmp_path / "a"))
    child = Path(f"/proc/{pid(tmp_path / 'a')}")
    files = {str(file.readlink()) for file in (child / "fd").iterdir()}
    assert str(tmp_path / "serve.lock") not in files
    assert str((child / "fd" / "0").readlink()) == os.devnull
    assert os.getsid(int(child.name)) == int(child.name) != os.getsid(process.pid)
    assert claim(tmp_path, "serve") is None  # the supervisor's, as long as it lives


@pytest.mark.skipif(sys.platform != "linux", reason="forks on Linux alone")
@pytest.mark.parametrize(
    ("code", "status", "said"),
    [
        ("pass", 0, ""),
        ("raise SystemExit(75)", 75, ""),
        ("raise SystemExit('no home')", 1, "no home\n"),
        ("1 / 0", 1, "ZeroDivisionError: division by zero\n"),
        ("import os; os.kill(os.getpid(), 9)", -9, ""),
    ],
)
def test_a_fork_ends_as_an_interpreter_does(
    code: str, status: int, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    child = forked.Forked(lambda: exec(code))
    assert child.wait(20) == status == child.poll()
    assert capfd.readouterr().err.endswith(said)
    child.kill()  # its number may be another's by now: nothing is sent


@pytest.mark.skipif(sys.platform != "linux", reason="forks on Linux alone")
def test_a_process_of_two_threads_is_not_forked() -> None:
    code = (
        "import threading; from monitor import forked; print(forked.is_alone())\n"
        "end = threading.Event(); threading.Thread(target=end.wait).start()\n"
        "print(forked.is_alone()); end.set()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["True", "False"]


@pytest.mark.broker
@pytest.mark.parametrize("shares", SHARES)
def test_serve_brings_up_broker_and_intake_and_they_survive_a_kill(
    shares: bool,
    tmp_path: Path,
    intake: Any,
    until: Callable[..., None],
    free_port: int,
    other_port: int,
) -> None:
    seen = intake(free_port)  # looks into the record; the process is the supervisor's
    (seen.home / "sillkeep.toml").write_text(
        f"[broker]\nport = {free_port}\n[pages]\nport = {other_port}\n"
        f"[serve]\nshared_memory = {str(shares).lower()}\n"
    )
    command = [sys.executable, "-c", "from monitor.cli import main; main()", "serve"]
    environment = dict(os.environ) | {"SILLKEEP_HOME": str(seen.home)}
    with seen.log.open("wb") as log:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=log, stderr=log)

    def number_of(part: str) -> int:
        found = re.findall(rf"{part} started, process (\d+)", seen.log.read_text())
        return int(found[-1]) if found else 0

    def is_connected() -> bool:
        return '"connected": true' in str(seen.ask("select detail from pulse where part='intake'"))

    try:
        until(is_connected, seconds=40)
        second = subprocess.run(command, cwd=ROOT, env=environment, timeout=30, check=False)
        assert second.returncode == 75
        first = number_of("intake")
        is_fork = "monitor.cli.part" not in Path(f"/proc/{first}/cmdline").read_text()
        assert is_fork == (shares and sys.platform == "linux")
        os.kill(first, signal.SIGKILL)
        os.kill(number_of("broker"), signal.SIGKILL)
        until(lambda: number_of("intake") != first, seconds=40)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    assert process.returncode == 0
    assert not is_running(number_of("intake"))
    assert not is_running(number_of("broker"))


def test_an_intake_that_the_record_refuses_shows_progress_by_its_lock_file(tmp_path: Path) -> None:
    """A pulse cannot be left in a full or locked record; a new process could not either."""
    with open_record(tmp_path) as record:
        record.beat("watch", 5)
        (tmp_path / "intake.lock").touch()
        os.utime(tmp_path / "intake.lock", (100, 100))
        before = serve._signs(tmp_path, tmp_path)
        assert serve._signs(tmp_path, tmp_path) == before
        os.utime(tmp_path / "intake.lock", (105, 105))
        touched = serve._signs(tmp_path, tmp_path)
        record.beat("intake", 7)
        beaten = serve._signs(tmp_path, tmp_path)
    assert len({before["intake"], touched["intake"], beaten["intake"]}) == 3
    assert before["watch"] == touched["watch"] == beaten["watch"] == 5


def test_who_knocks_while_it_ends_does_not_make_it_fail(
    tmp_path: Path, free_port: int, until: Callable[..., None]
) -> None:
    ending = tmp_path / "ending"
    slow = (
        f"import pathlib, signal, sys, time; end = pathlib.Path({str(ending)!r})\n"
        "def stop(*_): end.touch(); time.sleep(2); sys.exit()\n"
        "signal.signal(signal.SIGTERM, stop); end.with_name('up').touch(); time.sleep(60)"
    )
    code = (
        "import os, sys\nfrom monitor import serve\nfrom monitor.config import Pages\n"
        f"door = serve._pages(Pages(port={free_port}, idle_minutes=1))\n"
        f"slow = serve.Part('slow', (sys.executable, '-c', {slow!r}))\n"
        "serve.Supervisor(parts=[slow], environment=dict(os.environ), pulses=dict).run()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT)
    try:
        until((tmp_path / "up").exists)
        process.terminate()
        until(ending.exists)
        socket.create_connection(("127.0.0.1", free_port), timeout=5).close()
        assert process.wait(20) == 0
    finally:
        process.kill()


@pytest.mark.timeout(240)
@pytest.mark.long  # a minute of nobody, and one of slow bytes
def test_a_board_that_nobody_came_to_takes_what_is_still_coming_in(
    tmp_path: Path, free_port: int, until: Callable[..., None]
) -> None:
    (tmp_path / "sillkeep.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = 1\n[pages]\nport = {free_port}\nidle_minutes = 1\n'
    )
    with socket.create_server(("127.0.0.1", free_port)) as door:
        door.setblocking(False)
        board = subprocess.Popen(
            [sys.executable, "-m", "dashboards", "--socket", str(door.fileno())],
            cwd=ROOT,
            env=os.environ | {"SILLKEEP_HOME": str(tmp_path)},
            pass_fds=[door.fileno()],
        )
    try:
        with socket.create_connection(("127.0.0.1", free_port), timeout=40) as slow:
            slow.sendall(
                f"POST /login HTTP/1.1\r\nHost: 127.0.0.1:{free_port}\r\n"
                "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\n".encode()
            )
            for _ in range(100):  # a slow line: 100 s, of which the board hears nothing as pages
                slow.sendall(b"a")
                time.sleep(1)
            assert slow.recv(9) == b"HTTP/1.1 "
        until(lambda: board.poll() == 0, seconds=100)
    finally:
        board.kill()
        board.wait()


@pytest.mark.timeout(240)
def test_the_board_is_started_by_who_knocks_and_lets_go_of_its_memory_when_nobody_comes(
    tmp_path: Path, free_port: int, until: Callable[..., None]
) -> None:
    (tmp_path / "sillkeep.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = 1\n[pages]\nport = {free_port}\nidle_minutes = 0.2\n'
    )
    environment = os.environ | {"SILLKEEP_HOME": str(tmp_path)}
    command = [sys.executable, "-m", "monitor.cli", "serve"]
    said = tmp_path / "said"
    with said.open("wb") as output:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stderr=output)

    def asked() -> int:
        address = f"http://127.0.0.1:{free_port}/"
        with urllib.request.urlopen(address, timeout=40) as answer:
            return int(answer.status)

    def lines() -> str:
        return said.read_text()

    try:
        until(lambda: "messages started" in lines(), seconds=40)
        assert "pages started" not in lines()
        started_s = time.monotonic()
        assert asked() == 200  # of the door's queue: nobody is turned away
        first_s = time.monotonic() - started_s
        assert lines().count("pages started") == 1
        assert asked() == 200
        until(lambda: "pages ended: nobody came" in lines(), seconds=110)
        assert asked() == 200
        assert lines().count("pages started") == 2
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    assert process.returncode == 0
    print(f"first answer after {first_s:.1f} s")
