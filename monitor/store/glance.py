"""What the supervisor looks at, without SQLAlchemy: it runs for years beside the others."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from monitor.errors import StoreError

if TYPE_CHECKING:
    from monitor.config import Server

FILE_NAME = "record.sqlite"  # of `engine`, which would bring in what is spared here
ADDRESSES = "addresses.json"  # of `people`, likewise
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


def pulses(home: Path, server: "Server | None" = None) -> dict[str, int]:
    """When each part last made progress; nothing stays open, for the supervisor may fork.

    Raises
    ------
    StoreError
        If the record cannot be read now.
    """
    if server is not None:
        return _pulses_of(server)
    address = f"file:{quote(str((home / FILE_NAME).absolute()))}?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True)) as connection:
            return dict(connection.execute(_PULSES).fetchall())
    except sqlite3.Error as error:
        raise StoreError(f"the record could not be read: {error}") from error


def _pulses_of(server: "Server") -> dict[str, int]:
    psycopg = driver()
    given: dict[str, Any] = HANGS_NO_LONGER | server.libpq()
    given["options"] = f"-c statement_timeout={ASK_MS}"
    try:
        with closing(psycopg.connect(**given, autocommit=True)) as connection:
            return dict(connection.execute(_PULSES).fetchall())
    except psycopg.Error as error:
        said = str(error).partition("\n")[0]
        raise StoreError(f"the record could not be read: {said}") from error


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


def addresses(home: Path) -> dict[str, str]:
    """Address of each key; StoreError if the file cannot be read."""
    try:
        found = json.loads((home / ADDRESSES).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        # not the file's text: it holds secrets
        raise StoreError(f"{home / ADDRESSES} cannot be read ({type(error).__name__})") from None
    return {str(key): str(value) for key, value in found.items()}
