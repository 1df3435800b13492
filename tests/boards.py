"""A board of the tests: the firmware on MicroPython's unix port, its flash and memory in folders."""

import json
import os
import shutil
import subprocess
import sys
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


def in_micropython(code: str) -> Any:
    """What `code`, with the firmware's modules at hand, puts into `found`."""
    paths = f"import sys; sys.path[0:0] = [{str(FIRMWARE)!r}, {str(SIMULATED)!r}]\n"
    out = micropython("-c", f"{paths}{code}\nimport json; print(json.dumps(found))")
    return json.loads(out.splitlines()[-1])


@dataclass
class SimulatedBoard:
    """One board; each `wake` is told what the clock and the air are."""

    folder: Path
    settings: dict[str, object]
    air: dict[int, tuple[float, float]] = field(default_factory=lambda: {0x44: (11.42, 78.6)})

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
        given = {"flash": str(self.flash), "sleeping": str(self.folder / "memory"), "steps": steps}
        path.write_text(json.dumps(given))
        out = micropython(SIMULATED / "drive.py", path, FIRMWARE, SIMULATED, seconds=seconds)
        return [json.loads(line) for line in out.splitlines()]

    def live(self) -> list[Any]:
        """Samples in the ring that no receipt covers."""
        found: list[Any] = in_micropython(
            f"import ring; found = list(ring.Ring({str(self.flash / 'ring')!r}).live())"
        )
        return found
