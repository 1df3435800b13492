"""Backups as they grow old: which copies are kept, and the drill that shows that the newest comes back.

::

    thin    the newest copy of each of the last days, weeks and months that have one; the others go
    drill   newest copy -> restored into a folder of its own -> opened by this version, which may
            migrate it -> counted and compared with the record, which is only read

The result of a drill is a file in the home folder, not an entry of the record: a record in trouble
takes none.
"""

import json
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from monitor.errors import InputError, MonitorError
from monitor.store import backup
from monitor.store.record import open_record

DAY_S = 86_400
RESULT = "drill.json"
# they only grow: a copy that has more of them than the record shows that the record lost some
GROWING = ("readings", "hours", "alarms")
_NAME = re.compile(r"record-(\d{4}-\d\d-\d\dT\d{6})Z\.sqlite(\.part)?")


@dataclass(frozen=True, slots=True)
class Keep:
    """How many days, weeks and months keep their newest copy."""

    daily: int = 7
    weekly: int = 5
    monthly: int = 12


@dataclass(frozen=True, slots=True)
class Drilled:
    """What a drill found; `trouble` is empty where the backup came back whole."""

    at_s: int
    file: str = ""
    made_s: int = 0
    backup: dict[str, int] | None = None
    record: dict[str, int] | None = None
    trouble: str = ""

    @property
    def facts(self) -> dict[str, str | int]:
        """What is said of it; `newer` readings came after the backup."""
        copy, live = ((counts or {}).get("readings", 0) for counts in (self.backup, self.record))
        return {
            "at_s": self.at_s,
            "file": self.file,
            "readings": copy,
            "newer": live - copy,
            "trouble": self.trouble,
        }


def copies(folder: Path, *, halves: bool = False) -> list[tuple[int, Path]]:
    """Copies by the names that `back_up` gives them, the newest first: (when made, file).

    Parameters
    ----------
    folder : Path
        Where they are.
    halves : bool
        Those that were broken off instead.
    """
    found = []
    for path in folder.iterdir():
        name = _NAME.fullmatch(path.name)
        if name and bool(name[2]) == halves and path.is_file():
            made = datetime.strptime(name[1], "%Y-%m-%dT%H%M%S").replace(tzinfo=UTC)
            found.append((int(made.timestamp()), path))
    return sorted(found, reverse=True)


def thin(folder: Path, keep: Keep, *, now_s: int) -> list[Path]:
    """Take away old copies, and what a broken-off backup left more than a day ago.

    Days, weeks and months without a copy are not counted: a machine that was off for a month loses
    none for it. The newest copy always stays. Copies from later than now, of a clock that was wrong,
    are left alone and push no others out.

    Parameters
    ----------
    folder : Path
        Where `back_up` puts them; files with other names are left alone.
    keep : Keep
        How many stay.
    now_s : int
        The time.

    Returns
    -------
    list[Path]
        What is gone.
    """
    made = [(at_s, path) for at_s, path in copies(folder) if at_s <= now_s]
    kept = {path for _, path in made[:1]}
    for count, period in ((keep.daily, _day), (keep.weekly, _week), (keep.monthly, _month)):
        newest: dict[str, Path] = {}
        for at_s, path in made:
            newest.setdefault(period(at_s), path)
        kept.update(list(newest.values())[:count])
    gone = [path for _, path in made if path not in kept]
    gone += [path for at_s, path in copies(folder, halves=True) if now_s - at_s > DAY_S]
    for path in gone:
        path.unlink(missing_ok=True)
    return gone


def _day(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}"


def _week(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%G-%V}"


def _month(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m}"


def drill(
    home: Path,
    folder: Path,
    scratch: Path,
    *,
    now_s: int,
    within_s: int = 2 * DAY_S,
    tell: Callable[[str, float], None] = lambda _, __: None,
) -> Drilled:
    """Restore the newest copy into a folder of its own and compare it with the record.

    Parameters
    ----------
    home : Path
        Folder of the record, which is only read.
    folder : Path
        Where the copies are.
    scratch : Path
        An empty folder with room for one more copy.
    now_s : int
        The time.
    within_s : int
        How old the newest copy may be. [s]
    tell : callable
        Called now and then with what is being done, and how much of it.

    Raises
    ------
    InputError
        If the folder is none.
    """
    if not folder.is_dir():
        raise InputError(f"there is no folder {folder}")
    made = copies(folder)
    if not made:
        return Drilled(now_s, trouble=f"there is no backup in {folder}")
    now_or_before = [(at_s, path) for at_s, path in made if at_s <= now_s]
    if not now_or_before:
        ahead = f"{made[0][1].name} was made later than now: the clock is wrong, or was"
        return Drilled(now_s, made[0][1].name, made[0][0], trouble=ahead)
    made_s, newest = now_or_before[0]
    restored: dict[str, int] | None = None
    live: dict[str, int] | None = None
    try:
        backup.restore(scratch, newest, now_s=now_s, tell=tell)
        with open_record(scratch) as copy:
            restored = copy.counts()
        with open_record(home, read_only=True) as record:
            live = record.counts()
        trouble = _trouble(restored, live, newest.name, age_s=now_s - made_s, within_s=within_s)
    except MonitorError as error:
        trouble = str(error)
    return Drilled(now_s, newest.name, made_s, restored, live, trouble)


def _trouble(
    copy: dict[str, int], live: dict[str, int], name: str, *, age_s: int, within_s: int
) -> str:
    if age_s > within_s:
        return f"the newest backup, {name}, is {age_s / DAY_S:.1f} days old"
    for what in GROWING:
        if copy[what] > live[what]:
            return f"{name} has {copy[what]} {what}, the record only {live[what]}"
    return ""


def note(home: Path, drilled: Drilled) -> None:
    """Leave the result in the home folder."""
    part = home / f"{RESULT}.part"
    part.write_text(json.dumps(asdict(drilled)), encoding="utf-8")
    part.replace(home / RESULT)


def last(home: Path) -> Drilled | None:
    """The last drill; None if there was none, or its result cannot be read."""
    try:
        return Drilled(**json.loads((home / RESULT).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None
