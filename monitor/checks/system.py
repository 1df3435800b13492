"""What this machine says of itself: files of secrets, disk, clock."""

import ctypes
import shutil
import stat
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from monitor.config import FILE_NAME, Settings
from monitor.errors import ConfigError
from monitor.reports.tree import KEY_FILE
from monitor.store.health import CheckLine
from monitor.store.people import FILE_NAME as ADDRESSES

DAY_S = 86_400
SIZES = 30  # days of sizes of the record that are kept
LOW_BYTES, VERY_LOW_BYTES = (
    1_000_000_000,
    250_000_000,
)  # our choice: a lot's record grows by 25 MB a day
SOON_DAYS = 30
AHEAD_S = 60
JUMP_S = 30  # a time service slews small errors; what it sets at once is larger
# systemd's own test of "synchronised": the kernel's estimate of the largest error (from memory)
LARGEST_ERROR_US = 16_000_000

monotonic = time.monotonic


# --- settings and secrets -------------------------------------------------------------------------


def settings_file(settings: Settings) -> list[CheckLine]:
    """That there are settings; what is wrong in them has ended the command before."""
    file = settings.home / FILE_NAME
    key = "settings read" if file.exists() else "settings none"
    return [CheckLine("settings", "OK", key, {"file": str(file)})]


def secrets(settings: Settings) -> list[CheckLine]:
    """Whether files that hold secrets are closed to others, and can be read by us."""
    files = [*settings.secret_files(), settings.record_home / ADDRESSES,
             settings.record_home / KEY_FILE]  # fmt: skip
    there = [file for file in files if file.exists()]
    lines = [line for file in there if (line := secret(file)) is not None]
    own = settings.home / FILE_NAME
    if settings.messages.heartbeat_url and own.exists() and readable_by(own) == "all":
        # who knows the address can feign that Sillkeep lives
        lines.append(CheckLine("secrets", "look", "heartbeat open to all", {"file": str(own)}))
    try:
        settings.metrics.token()
    except ConfigError as error:
        lines.append(CheckLine("secrets", "broken", "secret too short", {"error": str(error)}))
    if lines:
        return lines
    key = "secrets kept" if there else "secrets none"
    return [CheckLine("secrets", "OK", key, {"count": len(there)})]


def secret(file: Path) -> CheckLine | None:
    """What is wrong with the permissions of one file; None: nothing."""
    who = readable_by(file)
    facts = {"file": str(file)}
    if who == "all":
        return CheckLine("secrets", "broken", "secret open to all", facts)
    try:
        with file.open("rb") as opened:
            opened.read(1)
    except OSError as error:
        facts["error"] = error.strerror or type(error).__name__
        return CheckLine("secrets", "broken", "secret unreadable", facts)
    return CheckLine("secrets", "look", "secret open to its group", facts) if who else None


def readable_by(file: Path) -> str:
    """Who else than its owner can read a file: "all", "group" or "".

    A folder that lets nobody through closes what is in it.
    """
    mode = file.stat().st_mode
    to_group, to_all = bool(mode & stat.S_IRGRP), bool(mode & stat.S_IROTH)
    for folder in file.resolve().parents:
        mode = folder.stat().st_mode
        to_all = to_all and bool(mode & stat.S_IXOTH)
        to_group = to_group and bool(mode & (stat.S_IXGRP | stat.S_IXOTH))
    return "all" if to_all else "group" if to_group else ""


# --- disk -----------------------------------------------------------------------------------------


def size_of(file: Path) -> int:
    """Bytes of a file; 0 without it."""
    try:
        return file.stat().st_size
    except OSError:
        return 0


def grown(
    before: Sequence[tuple[int, int]], *, size: int, now_s: int
) -> tuple[tuple[int, int], ...]:
    """Sizes of the record by day, with today's; the newest `SIZES` days."""
    past = [pair for pair in before if pair[0] <= now_s]  # a clock that was ahead leaves none
    if past and past[-1][0] // DAY_S == now_s // DAY_S:
        return tuple(past)
    return (*past, (now_s, size))[-SIZES:]


def growth_bytes(sizes: Sequence[tuple[int, int]]) -> float | None:
    """Bytes a day, over all days that are kept; None while that is less than one."""
    if len(sizes) < 2 or sizes[-1][0] - sizes[0][0] < DAY_S:
        return None
    return (sizes[-1][1] - sizes[0][1]) * DAY_S / (sizes[-1][0] - sizes[0][0])


def disk(
    folder: Path, sizes: Sequence[tuple[int, int]], *, beside: bool = False
) -> list[CheckLine]:
    """How much room there is for the record, and for how long; `beside` a server that holds it, what there is."""
    try:
        usage = shutil.disk_usage(folder)
    except OSError as error:
        facts = {"folder": str(folder), "error": error.strerror or type(error).__name__}
        return [CheckLine("disk", "broken", "disk unread", facts)]
    line = room(usage.free, usage.total, None if beside else growth_bytes(sizes))
    is_plain = beside and line.key == "disk room"
    return [CheckLine("disk", "OK", "disk beside", line.facts) if is_plain else line]


def room(free: int, total: int, growth: float | None) -> CheckLine:
    """What room there is means. Bytes, and bytes a day."""
    facts: dict[str, str | int] = {"free_bytes": free, "total_bytes": total}
    if free < LOW_BYTES:
        return CheckLine("disk", "broken" if free < VERY_LOW_BYTES else "look", "disk low", facts)
    if growth is None:
        return CheckLine("disk", "OK", "disk room", facts)
    if growth < 1.0:
        return CheckLine("disk", "OK", "disk steady", facts)
    days = int((free - VERY_LOW_BYTES) / growth)
    facts |= {"growth_bytes": round(growth), "days": days}
    return CheckLine("disk", "look" if days < SOON_DAYS else "OK", "disk room for", facts)


# --- clock ----------------------------------------------------------------------------------------


class _Timex(ctypes.Structure):
    """The beginning of `struct timex` of adjtimex(2), and room for the rest."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 512),
    ]


def is_kept() -> bool | None:
    """Whether a time service keeps the clock, as the kernel knows it; None: it does not say."""
    if sys.platform != "linux":
        return None
    found = _Timex()  # modes 0: nothing is set
    if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(found)) < 0:
        return None
    return bool(found.maxerror < LARGEST_ERROR_US)


def clock(
    before: tuple[int, int, str] | None, now: tuple[int, int, str], *, newest_s: int
) -> list[CheckLine]:
    """Whether the clock is kept, and whether it was set since the last look."""
    kept = is_kept()
    if kept is None:
        lines = [CheckLine("clock", "look", "clock untold", {})]
    elif kept:
        lines = [CheckLine("clock", "OK", "clock kept", {})]
    else:
        lines = [CheckLine("clock", "look", "clock free", {})]
    now_s, up_s, boot = now
    if newest_s - now_s > AHEAD_S:
        facts = {"ahead_for_s": newest_s - now_s}
        lines.append(CheckLine("clock", "broken", "clock behind", facts))
    if before is not None and boot and before[2] == boot:
        jump_s = (now_s - before[0]) - (up_s - before[1])
        if abs(jump_s) > JUMP_S:
            to = "forward" if jump_s > 0 else "back"
            jumped: dict[str, str | int] = {"direction": to, "jump_for_s": abs(jump_s),
                                            "before_at_s": before[0], "after_at_s": now_s}  # fmt: skip
            lines.append(CheckLine("clock", "look", "clock jumped", jumped))
    return lines


def compared_with(
    before: tuple[int, int, str] | None, now: tuple[int, int, str]
) -> tuple[int, int, str]:
    """The clocks that later looks compare with: of one start, and of one day, so that a step is told a day."""
    is_good = before is not None and before[2] == now[2] and 0 <= now[1] - before[1] < DAY_S
    return before if before is not None and is_good else now


def up_s() -> int:
    """Seconds since the machine started, asleep or not, by a clock that nobody sets."""
    return int(time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)))


def boot() -> str:
    """Which start of the machine this is; "" where the system does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
