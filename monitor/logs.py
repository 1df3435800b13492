"""How every process of an installation logs: one form, one level, no secrets.

`text` is for eyes. `json` is for machines: one object a line on standard error, with `time` (RFC 3339,
UTC), `level`, `process`, `logger`, `message`, and what else the line was given. A traceback is a field of
its line, so that a journal keeps it together.

Nothing here is written to log secrets. Should an error of a library quote one all the same, it is struck
out: all that the settings name as secret, and the addresses of people.
"""

import json
import logging
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import unquote, urlsplit

from monitor.config import Log, Settings
from monitor.errors import MonitorError

TEXT = "%(asctime)s %(name)s %(levelname)s %(message)s"
STRUCK = "***"
SHORTEST = 4  # letters of a secret that are struck out: shorter ones stand in plain words too
LONG_PATH = 12
_STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


class Struck(logging.Formatter):
    """A line of text, with what is secret struck out."""

    def __init__(self, secrets: Iterable[str] = ()) -> None:
        super().__init__(TEXT)
        # the longest first: one may hold another
        self._secrets = sorted({s for s in secrets if len(s) >= SHORTEST}, key=len, reverse=True)

    def format(self, record: logging.LogRecord) -> str:
        """The whole line, a traceback below it."""
        return self.strike(super().format(record))

    def strike(self, text: str) -> str:
        """A text without the secrets."""
        for secret in self._secrets:
            text = text.replace(secret, STRUCK)
        return text


class Lines(Struck):
    """One JSON object a line."""

    def __init__(self, process: str, secrets: Iterable[str] = ()) -> None:
        super().__init__(secrets)
        self._process = process

    def format(self, record: logging.LogRecord) -> str:
        """The object; secrets are struck out of each text before quotes are escaped."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        given = {k: v for k, v in vars(record).items() if k not in _STANDARD}
        line: dict[str, Any] = given | {
            "time": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "process": self._process,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return json.dumps({name: self._plain(value) for name, value in line.items()})

    def _plain(self, value: object) -> object:
        if value is None or isinstance(value, bool | int | float):
            return value
        return self.strike(str(value))


def configure(process: str, log: Log, secrets: Iterable[str] = ()) -> None:
    """Have a process log to standard error; also warnings, and the error that ends it."""
    handler = logging.StreamHandler()
    handler.setFormatter(Lines(process, secrets) if log.form == "json" else Struck(secrets))
    logging.basicConfig(level=log.level.upper(), handlers=[handler], force=True)
    logging.captureWarnings(capture=True)
    logging.getLogger("alembic").setLevel(logging.WARNING)  # each change opens the record anew
    if log.form == "json":
        sys.excepthook = _last_words


def is_json() -> bool:
    """Whether this process logs JSON, so that nothing else belongs on its standard error."""
    return any(isinstance(handler.formatter, Lines) for handler in logging.getLogger().handlers)


def _last_words(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    if issubclass(kind, KeyboardInterrupt):
        return
    logging.getLogger("sillkeep").critical("ended by an error", exc_info=(kind, error, trace))


def secrets_of(settings: Settings) -> set[str]:
    """What the settings name as secret, and the addresses of people with what is secret in them."""
    from monitor.store import glance

    found = {settings.messages.heartbeat_url, _query(settings.messages.heartbeat_url)}
    for weather in settings.weather:
        found.add(_query(weather.url))
    for file in settings.secret_files():
        found.add(_first_line(file))
    try:
        addresses = list(glance.addresses(settings.record_home).values())
    except MonitorError:
        addresses = []
    for url in addresses:
        found |= {url, *_of_address(url)}
    return found


def _first_line(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError):
        return ""  # who needs it says so


def _query(url: str) -> str:
    try:
        return urlsplit(url).query
    except ValueError:
        return ""


def _of_address(url: str) -> set[str]:
    try:
        parts = urlsplit(url)
    except ValueError:
        return set()
    path = parts.path.strip(
        "/"
    )  # of some services it is the token; of others a word such as "alert"
    return {unquote(parts.password or ""), parts.query, path if len(path) >= LONG_PATH else ""}
