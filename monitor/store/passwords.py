"""Passwords: which may be chosen, and how they are kept.

Kept as argon2id (RFC 9106) with the parameters below, so that each guess at a stolen record costs as
much time and memory as a sign-in. 48 MiB, 3 passes, 1 lane: above what the OWASP Password Storage
Cheat Sheet asks for (19 MiB and 2 passes, or 12 MiB and 3), and little enough for a small board, since
only one is worked on at a time. 0.11 s on one core of a server; from memory, a small board needs three
to five times as long.

Which may be chosen follows OWASP ASVS 5.0, V6.2: at least 8 characters, far more than 64 allowed, no
rule about kinds of characters, as typed (nothing cut off, no case changed), and none that is on a list
of common ones. The list is the 30,000 most frequent passwords of the library zxcvbn.
"""

import secrets
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.errors import InputError, MonitorError

LEAST, MOST = 8, 256  # characters; the upper end only bounds the work
MEMORY_KIB = 48 * 1024
WAIT_S = 5.0  # for the turn at the memory

_hasher = PasswordHasher(time_cost=3, memory_cost=MEMORY_KIB, parallelism=1)
_turn = threading.Semaphore(1)


class BusyError(MonitorError):
    """More passwords are to be compared than this machine can do now."""


def check_choice(password: str, *, name: str) -> None:
    """Refuse a password that is easily guessed; the text says what to choose instead.

    Raises
    ------
    InputError
        If it is too short or long, common, or made of the user's or the program's name.
    """
    if not LEAST <= len(password) <= MOST:
        raise InputError(
            f"the password needs {LEAST} to {MOST} characters; several words make a good one"
        )
    lowered = password.casefold()
    own = {word for word in (name.casefold(), "sillkeep") if len(word) > 3}
    bare = lowered.strip("0123456789!?.,-_ #*")
    if lowered in _common() or bare in own or len(set(lowered)) < 3:
        raise InputError(
            "this password is among the first that anybody would try; choose one of several words"
        )


def digest(password: str) -> str:
    """The password as it is kept."""
    with _in_turn():
        return _hasher.hash(password)


def matches(kept: str | None, password: str) -> bool:
    """Whether a password is the one kept; without one, the same work for the answer no."""
    if len(password) > MOST:
        password = ""
    with _in_turn():
        try:
            _hasher.verify(kept or _nobody(), password)
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


def is_outdated(kept: str) -> bool:
    """Whether a password was kept with other parameters than today's."""
    return _hasher.check_needs_rehash(kept)


@contextmanager
def _in_turn() -> Iterator[None]:
    """One at a time: a crowd at the door waits in line and not in memory."""
    if not _turn.acquire(timeout=WAIT_S):
        raise BusyError("too many people sign in at this moment; try again in a minute")
    try:
        yield
    finally:
        _turn.release()


@cache
def _nobody() -> str:
    """What an unknown user's password is compared with."""
    return _hasher.hash(secrets.token_urlsafe())


@cache
def _common() -> frozenset[str]:
    from zxcvbn.frequency_lists import FREQUENCY_LISTS  # type: ignore[import-untyped]

    return frozenset(FREQUENCY_LISTS["passwords"])
