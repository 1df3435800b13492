"""What the supervisor looks at every few seconds, without SQLAlchemy: it runs for years beside the others."""

import sqlite3
from pathlib import Path
from urllib.parse import quote

from monitor.errors import StoreError

FILE_NAME = "record.sqlite"  # of `engine`, which would bring in what is spared here


class Glance:
    """The progress that processes left in a record."""

    def __init__(self, home: Path) -> None:
        self._address = f"file:{quote(str((home / FILE_NAME).absolute()))}?mode=ro"
        self._open: sqlite3.Connection | None = None

    def pulses(self) -> dict[str, int]:
        """When each part last made progress.

        Raises
        ------
        StoreError
            If the record cannot be read now.
        """
        try:
            if self._open is None:
                self._open = sqlite3.connect(self._address, uri=True)
            return dict(self._open.execute("SELECT part, at_s FROM pulse").fetchall())
        except sqlite3.Error as error:
            self.close()
            raise StoreError(f"the record could not be read: {error}") from error

    def close(self) -> None:
        """Let go of the file."""
        if self._open is not None:
            self._open.close()
            self._open = None
