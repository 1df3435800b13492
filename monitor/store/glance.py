"""What the supervisor looks at every few seconds, without SQLAlchemy: it runs for years beside the others."""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from monitor.errors import StoreError

if TYPE_CHECKING:
    from monitor.config import Server

FILE_NAME = "record.sqlite"  # of `engine`, which would bring in what is spared here
ASK_MS = 3_000  # that a server may take to say the progress
# a server that is cut off is noticed within half a minute, however it vanished (libpq)
HANGS_NO_LONGER = {
    "connect_timeout": "5",
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "25000",
}


_PULSES = "SELECT part, at_s FROM pulse"


class Glance:
    """The progress that processes left in a record."""

    def __init__(self, home: Path, server: "Server | None" = None) -> None:
        self._ask: Callable[[], Any] = _asked_of_file(home) if server is None else _asked(server)
        self._failed: type[Exception] = sqlite3.Error
        if server is not None:
            self._failed = driver().Error
        self._open: Any = None

    def pulses(self) -> dict[str, int]:
        """When each part last made progress.

        Raises
        ------
        StoreError
            If the record cannot be read now.
        """
        try:
            if self._open is None:
                self._open = self._ask()
            return dict(self._open.execute(_PULSES).fetchall())
        except self._failed as error:
            self.close()
            said = str(error).partition("\n")[0]
            raise StoreError(f"the record could not be read: {said}") from error

    def close(self) -> None:
        """Let go of the record."""
        if self._open is not None:
            with contextlib.suppress(self._failed):
                self._open.close()
            self._open = None


def driver() -> ModuleType:
    """The driver of PostgreSQL; StoreError where it is not installed."""
    try:
        import psycopg
    except ImportError as error:
        raise StoreError(
            f"record.address names a PostgreSQL server, whose driver is not here ({error}): "
            "pip install 'sillkeep[postgres]'"
        ) from error
    return psycopg


def _asked_of_file(home: Path) -> Callable[[], Any]:
    address = f"file:{quote(str((home / FILE_NAME).absolute()))}?mode=ro"
    return lambda: sqlite3.connect(address, uri=True)


def _asked(server: "Server") -> Callable[[], Any]:
    def connect() -> Any:  # noqa: ANN401  a driver's connection
        given: dict[str, Any] = server.libpq() | HANGS_NO_LONGER
        # each question is a transaction of its own, and none waits for long: the supervisor asks
        return driver().connect(**given, autocommit=True, options=f"-c statement_timeout={ASK_MS}")

    return connect
