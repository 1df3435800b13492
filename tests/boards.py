"""A board of the tests: the firmware on MicroPython's unix port, its flash and memory in folders."""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
FIRMWARE = ROOT / "sensors" / "firmware"
SIMULATED = ROOT / "tests" / "firmware"
MICROPYTHON = shutil.which(
    "micropython", path=f"{Path(sys.executable).parent}:{os.environ.get('PATH', '')}"
)
HEAP = "160K"  # about what an ESP32 leaves a program, though objects are twice as large here
needs_micropython = pytest.mark.skipif(
    MICROPYTHON is None, reason="micropython is not installed: see tests/requirements.txt"
)


def micropython(*arguments: str | Path, seconds: float = 60, heap: str = HEAP) -> str:
    """Standard output of a program; what it says when it fails is in the assertion."""
    assert MICROPYTHON is not None
    done = subprocess.run(
        [MICROPYTHON, "-X", f"heapsize={heap}", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=seconds,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def in_micropython(code: str, heap: str = HEAP) -> Any:
    """What `code`, with the firmware's modules at hand, puts into `found`."""
    paths = f"import sys; sys.path[0:0] = [{str(FIRMWARE)!r}, {str(SIMULATED)!r}]\n"
    out = micropython("-c", f"{paths}{code}\nimport json; print(json.dumps(found))", heap=heap)
    return json.loads(out.splitlines()[-1])


@dataclass
class SimulatedBoard:
    """One board; each `wake` is told what the clock and the air are."""

    folder: Path
    settings: dict[str, object]
    air: dict[int, tuple[float, float]] = field(default_factory=lambda: {0x44: (11.42, 78.6)})
    ring: tuple[int, int] = (128, 48)  # records a file, files
    setup_s: int = 600
    receipt_ms: int = 15000

    def __post_init__(self) -> None:
        self.flash.mkdir(parents=True)
        (self.flash / "settings.json").write_text(json.dumps(self.settings))

    @property
    def flash(self) -> Path:
        return self.folder / "flash"

    def power_cut(self) -> None:
        """What the board kept in its sleep is gone; the flash is not."""
        (self.folder / "memory").unlink(missing_ok=True)

    def wake(self, *clocks_s: int, seconds: float = 60, **told: object) -> list[dict[str, Any]]:
        """Wake once a clock given; `told` goes to each: wifi, air, battery_mv, woke ..."""
        steps = [{"air": self.air, "clock_s": clock_s} | told for clock_s in clocks_s]
        path = self.folder / "steps.json"
        given = {
            "flash": str(self.flash),
            "sleeping": str(self.folder / "memory"),
            "steps": steps,
            "ring": self.ring,
            "setup_s": self.setup_s,
            "receipt_ms": self.receipt_ms,
        }
        path.write_text(json.dumps(given))
        out = micropython(SIMULATED / "drive.py", path, FIRMWARE, SIMULATED, seconds=seconds)
        return [json.loads(line) for line in out.splitlines()]

    def live(self) -> list[Any]:
        """Samples in the ring that no receipt covers."""
        found: list[Any] = in_micropython(
            f"import ring; found = list(ring.Ring({str(self.flash / 'ring')!r}).live())",
            heap="16M",
        )
        return found


@contextlib.contextmanager
def being_set_up(folder: Path, open_ms: int = 20000) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A board's page for the first set-up: its address, and the process that says how it ended."""
    code = f"""
import sys; sys.path.insert(0, {str(FIRMWARE)!r})
import setup, socket
listener = socket.socket()
listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
for port in range(40000, 60000, 7):
    try:
        listener.bind(socket.getaddrinfo("127.0.0.1", port)[0][-1])
        break
    except OSError:
        pass
listener.listen(1)
print(port)
print(setup.serve(listener, {str(folder)!r}, {open_ms}))
"""
    assert MICROPYTHON is not None
    process = subprocess.Popen(
        [MICROPYTHON, "-X", f"heapsize={HEAP}", "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        yield f"http://127.0.0.1:{int(process.stdout.readline())}/", process
    finally:
        process.kill()
        process.communicate()


def sent(address: str, fields: dict[str, str]) -> tuple[int, str]:
    """Status and page that a form is answered with."""
    data = urllib.parse.urlencode(fields).encode()
    try:
        with urllib.request.urlopen(address, data, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()
