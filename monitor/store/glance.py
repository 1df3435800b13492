"""What the supervisor looks at, without SQLAlchemy: it runs for years beside the others."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from monitor.errors import StoreError

FILE_NAME = "record.sqlite"  # of `engine`, which would bring in what is spared here
ADDRESSES = "addresses.json"  # of `people`, likewise


def pulses(home: Path) -> dict[str, int]:
    """When each part last made progress; no file stays open, for the supervisor may fork.

    Raises
    ------
    StoreError
        If the record cannot be read now.
    """
    address = f"file:{quote(str((home / FILE_NAME).absolute()))}?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True)) as connection:
            return dict(connection.execute("SELECT part, at_s FROM pulse").fetchall())
    except sqlite3.Error as error:
        raise StoreError(f"the record could not be read: {error}") from error


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
