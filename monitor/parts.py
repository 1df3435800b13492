"""Names of processes: of each kind there may be several, on one machine or on several.

::

    intake           the only one, or the first, of a record that one machine keeps
    intake-2         the second
    intake@barn      the first of the machine `barn`, where several share one record
    intake-2@barn    its second

A name is that of the pulse, and of the lock file.
"""

import re
from collections.abc import Iterable

MEMBER = r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?"
OVER = "over"  # in the pulse of an intake that is gone: by whom its work was taken over
_NAME = re.compile(rf"([a-z]+)(?:-([0-9]+))?(?:@({MEMBER}))?")


def name_of(kind: str, *, number: int = 1, member: str = "") -> str:
    """Name of the process of a kind with this number, counted from 1, on a machine."""
    numbered = kind if number == 1 else f"{kind}-{number}"
    return f"{numbered}@{member}" if member else numbered


def kind_of(part: str) -> str:
    """Kind of a process by its name."""
    found = _NAME.fullmatch(part)
    return found[1] if found else part


def number_of(part: str) -> int:
    """Its number on its machine, from 1."""
    found = _NAME.fullmatch(part)
    return int(found[2]) if found and found[2] else 1


def member_of(part: str) -> str:
    """Its machine; "" where one machine keeps the record alone."""
    return part.partition("@")[2]


def of_kind(kind: str, known: Iterable[str]) -> list[str]:
    """Names of a kind among those known, sorted."""
    return sorted(part for part in known if kind_of(part) == kind)
