"""Speaking InfluxDB: lines to write, a server that takes them, and the same rows back.

Written by `POST /api/v2/write`, synchronously and in our own batches; read by InfluxQL with a plain
`GET /query`, which versions 1, 2 and 3 answer. Two measurements:

::

    reading,node=N,probe=P,site=S  boot seq received_s used present, and what was measured
    hour,unit=U,zone=Z             the columns of the HOURS file and `present`
    hour,site=S,zone=Z             of a site's own zones

A point written again under its key (measurement, tags, time) keeps the fields that the second one
lacks. So `present` says which may be believed: bit k is column k of `MEASURED` or of the hour's
figures, and clear where nothing was measured. `used` is 1, 0 where a reading is disputed, -1 where
it has moved to another time. `infinite` marks figures that never come (days to an index).

The time of a reading is its second, and its boot and seq below the second: two samples that claim
one second stay two points, and the same sample is the same point. Only samples of one second whose
seq differs by a multiple of a million and whose boot by one of a thousand would meet.

Run against Debian's InfluxDB 1.6.7 behind a proxy that makes `/write` of `/api/v2/write`; versions 2
and 3 were not run.
"""

import csv
import io
import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import REAL, Text

from monitor.config import Archive
from monitor.errors import ArchiveError
from monitor.store import schema as t

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

CONNECT_S = 5.0
ANSWER_S = 30.0  # a busy server syncs its log within seconds; the supervisor kills after 60
SECOND = 10**9
HOUR_S = 3600
PAGE = 20_000  # rows an answer: some megabytes
SHOWN = 200  # characters of a server's own words
REFUSED = frozenset({400, 413, 422})  # these points; anything else is the server's state

READING = ("at_s", "boot", "seq", "received_s", *t.MEASURED, "disputed")
_FIELDS = {  # columns whose field has another name and counts whole units
    "temperature_c100": "temperature_c",
    "humidity_p100": "humidity_percent",
    "wood_p100": "wood_percent",
    "rain_mm100": "rain_mm",
    "battery_p": "battery_percent",
}
_MEASURED = [
    (1 << bit, _FIELDS.get(name, name), name.endswith("100")) for bit, name in enumerate(t.MEASURED)
]
HOUR = tuple(column.name for column in t.hour.c if column.name != "zone_id")
_HOUR_TYPES = {column.name: column.type for column in t.hour.c}
_FIGURES = [name for name in HOUR if isinstance(_HOUR_TYPES[name], REAL)]
_WORDS = [name for name in HOUR if isinstance(_HOUR_TYPES[name], Text)]
_COUNTS = [name for name in HOUR if name not in {"hour", *_FIGURES, *_WORDS}]
_IN_TAG = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})
_IN_WORD = str.maketrans({"\\": r"\\", '"': r"\""})
_IN_QUERY = str.maketrans({"\\": r"\\", "'": r"\'"})

Row = dict[str, Any]


class RefusedError(ArchiveError):
    """The server does not take these points, whenever they are sent."""


# --- lines ----------------------------------------------------------------------------------------


def reading_head(site: str, node: str, probe: str) -> str:
    """What the lines of one probe begin with."""
    return f"reading,node={_tag(node)},probe={_tag(probe)},site={_tag(site)} "


def hour_head(site: str, unit: str, zone: str) -> str:
    """What the lines of one zone begin with; a unit may be moved to another site, its hours not."""
    owner = (
        f"unit={_tag(unit)},zone={_tag(zone)}" if unit else f"site={_tag(site)},zone={_tag(zone)}"
    )
    return f"hour,{owner} "


def _tag(code: str) -> str:
    return code.translate(_IN_TAG)


def reading_time(at_s: int, boot: int, seq: int) -> int:
    """Time of a reading's point in nanoseconds."""
    return at_s * SECOND + seq % 1_000_000 * 1000 + boot % 1000


def reading_line(head: str, row: Sequence[int | None]) -> bytes:
    """A reading (columns as in `READING`) as a line."""
    at_s, boot, seq, received_s, *measured, disputed = row
    fields, present = "", 0
    for (bit, name, hundredths), value in zip(_MEASURED, measured, strict=True):
        if value is not None:
            present |= bit
            fields += f",{name}={value / 100!r}" if hundredths else f",{name}={value}i"
    assert at_s is not None and boot is not None and seq is not None  # noqa: S101, PT018  keys
    used = 0 if disputed else 1
    time_ns = reading_time(at_s, boot, seq)
    return (
        f"{head}boot={boot}i,seq={seq}i,received_s={received_s}i,used={used}i,present={present}i"
        f"{fields} {time_ns}"
    ).encode()


def moved_line(head: str, at_s: int, boot: int, seq: int) -> bytes:
    """A reading is no longer at this time."""
    return f"{head}used=-1i {reading_time(at_s, boot, seq)}".encode()


def hour_line(head: str, row: Row) -> bytes:
    """An hour of the record as a line."""
    fields, present, infinite = [], 0, 0
    for bit, name in enumerate(_FIGURES):
        value = row[name]
        if value is None:
            continue
        if value == float("inf"):
            infinite |= 1 << bit
            continue
        present |= 1 << bit
        fields.append(f"{name}={float(value)!r}")
    fields += [f"{name}={row[name]}i" for name in _COUNTS]
    fields += [f'{name}="{row[name].translate(_IN_WORD)}"' for name in _WORDS]
    fields += [f"present={present}i", f"infinite={infinite}i"]
    return f"{head}{','.join(fields)} {row['hour'] * HOUR_S * SECOND}".encode()


def gone_line(head: str, hour: int) -> bytes:
    """The record has no such hour any more."""
    return f'{head}state="",present=-1i {hour * HOUR_S * SECOND}'.encode()


# --- the server -----------------------------------------------------------------------------------


class Server:
    """One server, asked and written to; no retries of its own. Close it."""

    def __init__(self, settings: Archive, *, answer_s: float = ANSWER_S) -> None:
        from influxdb_client import InfluxDBClient
        from influxdb_client.service.write_service import WriteService

        self._settings = settings
        self._client = InfluxDBClient(
            url=settings.url,
            token=settings.token() or None,
            org=settings.org,
            timeout=(int(CONNECT_S * 1000), int(answer_s * 1000)),
            enable_gzip=True,
            ssl_ca_cert=None if settings.ca_file is None else str(settings.ca_file),
            retries=False,
        )
        self._service = WriteService(self._client.api_client)

    def close(self) -> None:
        """End its connections."""
        self._client.close()

    def write(self, lines: Sequence[bytes]) -> None:
        """Write lines; when this returns, the server has them.

        Raises
        ------
        RefusedError
            If the server calls them malformed; some of them may have been kept.
        ArchiveError
            If it cannot be reached, or does not take anything now.
        """
        status = self._asked(self._post, b"\n".join(lines))
        if status != 204:  # a log-in page, another program: its 200 would lose everything
            raise ArchiveError(f"{self._settings.url} answered {status} to a write, not 204")

    def _post(self, body: bytes) -> int:
        _, status, _ = self._service.post_write_with_http_info(
            org=self._settings.org,
            bucket=self._settings.bucket,
            body=body,
            precision="ns",
            content_type="text/plain; charset=utf-8",
            _return_http_data_only=False,
        )
        return int(status)

    def ask(self, query: str) -> list[list[str]]:
        """Rows of an InfluxQL query, each with the time in nanoseconds after name and tags.

        Raises
        ------
        ArchiveError
            If it cannot be reached, or does not answer the query.
        """
        rows = list(csv.reader(io.StringIO(self._asked(self._get, query))))
        if rows and rows[0][:3] != ["name", "tags", "time"]:
            raise ArchiveError(f"{self._settings.url} answered no rows: {str(rows[:2])[:SHOWN]}")
        return rows[1:]

    def _get(self, query: str) -> str:
        database, _, policy = self._settings.bucket.partition("/")
        asked = [("db", database), ("epoch", "ns"), ("q", query)]
        answer = self._client.api_client.call_api(
            "/query",
            "GET",
            query_params=asked + ([("rp", policy)] if policy else []),
            header_params={"Accept": "application/csv"},
            _preload_content=False,
            _return_http_data_only=True,
        )
        return str(answer.data.decode())

    def _asked(self, call: Any, given: Any) -> Any:  # noqa: ANN401  what the call takes and gives
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            return call(given)
        except ApiException as error:
            kind = RefusedError if error.status in REFUSED else ArchiveError
            raise kind(f"{self._settings.url} answered {_said(error)}") from error
        except (HTTPError, OSError, ValueError) as error:
            why = f"{type(error).__name__}: {error}"[:SHOWN]
            raise ArchiveError(f"{self._settings.url} cannot be reached ({why})") from error


def _said(error: "ApiException") -> str:
    """Status and the server's own words."""
    words = error.body or ""
    words = words.decode(errors="replace") if isinstance(words, bytes) else str(words)
    try:
        told = json.loads(words)
        words = str(told.get("message") or told.get("error") or words)
    except (ValueError, AttributeError):
        pass
    return f"{error.status} {' '.join((words or str(error.reason)).split())[:SHOWN]}"


# --- back -----------------------------------------------------------------------------------------


def archived_readings(
    server: Server, *, site: str, node: str, probe: str, from_s: int, to_s: int
) -> Iterator[Row]:
    """Readings of a probe in [from_s, to_s) as the record would hold them, oldest first.

    Columns as in `READING`. Those that have moved to another time are left out.
    """
    fields = ["boot", "seq", "received_s", "used", "present", *(name for _, name, _ in _MEASURED)]
    where = f"{_is('node', node)} AND {_is('probe', probe)} AND {_is('site', site)}"
    for time_ns, values in _pages(server, "reading", fields, where, from_s, to_s):
        boot, seq, received_s, used, present, *measured = values
        if used == "-1" or not present:
            continue
        row: Row = {"at_s": time_ns // SECOND, "boot": int(boot), "seq": int(seq)}
        row["received_s"] = int(received_s)
        for column, (bit, _, hundredths), value in zip(
            t.MEASURED, _MEASURED, measured, strict=True
        ):
            there = int(present) & bit
            row[column] = _whole(value, hundredths=hundredths) if there else None
        yield row | {"disputed": 1 if used == "0" else None}


def archived_hours(
    server: Server, *, site: str, unit: str, zone: str, from_hour: int, to_hour: int
) -> Iterator[Row]:
    """Hours of a zone in [from_hour, to_hour) as the record would hold them, oldest first.

    Columns as in the record's `hour`, without its key; `unit` empty: a zone of the site.
    """
    fields = [*_FIGURES, *_COUNTS, *_WORDS, "present", "infinite"]
    owner = _is("unit", unit) if unit else f"{_is('site', site)} AND {_is('unit', '')}"
    where = f"{owner} AND {_is('zone', zone)}"
    times = from_hour * HOUR_S, to_hour * HOUR_S
    for time_ns, values in _pages(server, "hour", fields, where, *times):
        found = dict(zip(fields, values, strict=True))
        present = int(found["present"])
        if present < 0:
            continue
        row: Row = {"hour": time_ns // SECOND // HOUR_S}
        for bit, name in enumerate(_FIGURES):
            never = int(found["infinite"]) >> bit & 1
            there = present >> bit & 1
            row[name] = float("inf") if never else float(found[name]) if there else None
        yield row | {name: int(found[name]) for name in _COUNTS} | {n: found[n] for n in _WORDS}


def _whole(value: str, *, hundredths: bool) -> int:
    return round(float(value) * 100) if hundredths else int(value)


def _is(tag: str, code: str) -> str:
    return f"\"{tag}\" = '{code.translate(_IN_QUERY)}'"


def _pages(
    server: Server, measurement: str, fields: Sequence[str], where: str, from_s: int, to_s: int
) -> Iterator[tuple[int, list[str]]]:
    """(time, values) of all points, a page at a time."""
    names = ", ".join(f'"{name}"' for name in fields)
    after_ns = from_s * SECOND - 1
    while True:
        rows = server.ask(
            f'SELECT {names} FROM "{measurement}" WHERE {where}'  # noqa: S608  codes are quoted
            f" AND time > {after_ns} AND time < {to_s * SECOND} ORDER BY time LIMIT {PAGE}"
        )
        for _, _, time_ns, *values in rows:
            yield int(time_ns), values
        if len(rows) < PAGE:
            return
        after_ns = int(rows[-1][2])
