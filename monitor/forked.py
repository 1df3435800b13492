"""A part of `serve` as a fork of it: what both have loaded stands in memory once.

A fork is safe only from a process of one thread without an open connection to the record: another
thread's locks would stay taken for ever, and SQLite would think its locks were this process's.
"""

import contextlib
import gc
import logging
import os
import runpy
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Never, Protocol

# what at least two parts load when they start; the one thread of arithmetic is a fork's condition
_SHARED = (
    "monitor.intake",
    "monitor.judge",
    "monitor.messages",
    "monitor.store.record",
    "monitor.watch",
)
_FIRST_FD = 3  # after input, output and errors
_LONGEST_NAME = 15  # bytes, of a process (prctl(2), PR_SET_NAME)

log = logging.getLogger(__name__)


class Process(Protocol):
    """What the supervisor asks of a child, however it was started."""

    pid: int

    def poll(self) -> int | None:
        """Exit status, minus the signal that ended it, or None while it runs."""

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the end; TimeoutExpired of `subprocess` after so many seconds."""

    def terminate(self) -> None:
        """Ask it to end."""

    def kill(self) -> None:
        """End it."""


class Forked:
    """A child that runs a function and ends with it."""

    def __init__(self, run: Callable[[], None]) -> None:
        sys.stdout.flush()
        sys.stderr.flush()
        self._status: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            _end_with(run)

    def poll(self) -> int | None:
        """Exit status, minus the signal that ended it, or None while it runs."""
        if self._status is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            if ended:
                self._status = os.waitstatus_to_exitcode(status)
        return self._status

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the end; TimeoutExpired of `subprocess` after so many seconds."""
        if (status := self.poll()) is not None:
            return status
        ended = os.pidfd_open(self.pid)
        try:
            select.select([ended], [], [], timeout)
        finally:
            os.close(ended)
        if (status := self.poll()) is None:
            raise subprocess.TimeoutExpired(str(self.pid), timeout or 0.0)
        return status

    def terminate(self) -> None:
        """Ask it to end."""
        self._send(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self._send(signal.SIGKILL)

    def _send(self, number: signal.Signals) -> None:
        if self.poll() is None:  # not waited for: the number is still its own
            os.kill(self.pid, number)


def _end_with(run: Callable[[], None]) -> Never:
    """Never back into the supervisor's frames, whose locks and files are not this process's to end."""
    status = 0
    try:
        run()
    except SystemExit as error:
        status = error.code if isinstance(error.code, int) else int(error.code is not None)
        if isinstance(error.code, str):
            sys.stderr.write(f"{error.code}\n")
    except BaseException:  # noqa: BLE001  as an interpreter ends: told, then status 1
        status = 1
        sys.excepthook(*sys.exc_info())
    finally:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)


def warm() -> None:
    """Load what the parts share, so that no fork has to."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # NumPy would start threads as it is loaded
    for name in _SHARED:
        import_module(name)
    gc.collect()
    gc.freeze()  # a collection in a child would write on every page


def is_alone() -> bool:
    """Whether this process has one thread, and so may fork (Linux)."""
    return sys.platform == "linux" and len(list(Path("/proc/self/task").iterdir())) == 1


def start(
    words: Sequence[str],
    *,
    name: str,
    environment: Mapping[str, str],
    keeps: Collection[int],
    prepare: Callable[[], None],
) -> Forked:
    """Run `python -m WORDS` in a fork: a session of its own, without input and without our open files.

    Parameters
    ----------
    words : sequence of str
        A package and its arguments.
    name : str
        Of the part, for who lists processes.
    environment : mapping
        What is put into the environment.
    keeps : collection of int
        File numbers that stay open.
    prepare : callable
        Called first in the child.
    """

    def run() -> None:
        prepare()
        os.setsid()
        Path("/proc/self/comm").write_bytes(f"sillkeep {name}".encode()[:_LONGEST_NAME])
        _close(keeps)
        os.environ.update(environment)
        sys.argv = list(words)
        runpy.run_module(words[0], run_name="__main__", alter_sys=True)

    return Forked(run)


def _close(keeps: Collection[int]) -> None:
    """Let go of every file of the supervisor's but its output; locks go with it, not with us."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    for number in sorted(int(entry.name) for entry in Path("/proc/self/fd").iterdir()):
        if number >= _FIRST_FD and number not in keeps:
            with contextlib.suppress(OSError):  # the listing's own
                os.close(number)
