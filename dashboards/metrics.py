"""Figures of operation for a machine that watches Sillkeep: `/metrics`, as OpenMetrics 1.0.

Processes share the record and nothing else, so each scrape counts what is in it. Only who sends the
token of `metrics.token_file` is answered; without that setting there is no such address. Labels name sites and
kinds, never units, zones, nodes or people.
"""

import hmac
import shutil
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TypeVar, get_args

from flask import Flask, Response, request
from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from dashboards.access import plain
from monitor.catalogue import say
from monitor.lot import AlarmClass, AlarmState
from monitor.parts import of_kind
from monitor.store import Record, board
from monitor.store.engine import FILE_NAME
from monitor.store.figures import HEARD, SILENT, Figures, figures
from monitor.store.health import BACKUP

WORDS = ("dry", "damp", "wet", "unknown")
WORDS_KEPT_S = 60  # hours are judged as they end: words do not change faster than that
OVER = "normal"
OF_CHECK = "check"  # pulse of the record's check of itself
NO_PROCESS = frozenset({"checks", BACKUP, OF_CHECK})


@dataclass(slots=True)
class Words:
    """Units by site and word, counted now and then: a lot's 3,000 zones take a while to read."""

    record: Record
    at_s: int = 0
    found: Mapping[tuple[str, str], int] | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def read(self, now_s: int) -> Mapping[tuple[str, str], int]:
        """As they were counted at most a minute ago."""
        with self.lock:
            if self.found is None or not 0 <= now_s - self.at_s < WORDS_KEPT_S:
                lot = board.lot(self.record.engine, now_s=now_s)
                self.found, self.at_s = Counter((u.site, u.word) for u in lot.units), now_s
            return self.found


@dataclass(slots=True)
class Operation(Collector):
    """Families of figures, in the order in which they are written."""

    record: Record
    words: Words
    now: Callable[[], int]
    version: str

    def collect(self) -> Iterator[Metric]:
        """All of them; times are read from the record, so a scrape is one look at it."""
        began_s, now_s = time.monotonic(), self.now()
        found = figures(self.record.engine, now_s=now_s)
        yield InfoMetricFamily("sillkeep_build", "Version.", {"version": self.version})
        yield from _intake(found, now_s)
        yield from _stored(found)
        yield from _heard(found)
        yield _units(found, self.words.read(now_s))
        yield from _alarms(found)
        yield from _processes(found)
        yield from _kept(found)
        yield from _files(self.record)
        yield GaugeMetricFamily(
            "sillkeep_scrape_duration",
            "How long this answer took to count.",
            value=time.monotonic() - began_s,
            unit="seconds",
        )


def add_routes(
    server: Flask, record: Record, *, now: Callable[[], int], token: Callable[[], str], version: str
) -> None:
    """Add the address; `token` gives what has to be sent, "" for nobody is answered."""
    registry = CollectorRegistry()
    collector = Operation(record, Words(record), now, version)
    registry.register(_Described(collector))

    @server.get("/metrics")
    def metrics() -> Response:
        wanted = token()
        if not wanted:
            return Response(status=404)
        kind, _, sent = request.headers.get("Authorization", "").partition(" ")
        is_known = hmac.compare_digest(sent.strip().encode(), wanted.encode())
        if kind.lower() != "bearer" or not is_known:
            answer = plain(401, say("Send the token of the settings."))
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer  # type: ignore[return-value]
        told = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(told, content_type=CONTENT_TYPE_LATEST)


class _Described(Collector):
    """Keeps the registry from counting everything once more when it is told of the collector."""

    def __init__(self, inner: Collector) -> None:
        self._inner = inner

    def describe(self) -> Iterable[Metric]:
        return ()

    def collect(self) -> Iterable[Metric]:
        return self._inner.collect()


Key = TypeVar("Key", tuple[str], tuple[str, str])  # values of the labels

# --- families -------------------------------------------------------------------------------------


def _gauge(
    name: str,
    said: str,
    labels: tuple[str, ...],
    values: Mapping[Key, float],
    unit: str = "",
) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, said, labels=labels, unit=unit)
    for key, value in values.items():
        family.add_metric(key, value)
    return family


_COUNTED = ("process", "result")


def _detail(found: Figures, part: str) -> Mapping[str, object]:
    return found.pulses[part][1] if part in found.pulses else {}


def _intake(found: Figures, now_s: int) -> Iterator[Metric]:
    """What came in: counted by each intake since it was started."""
    yield _gauge(
        "sillkeep_ingest_lag",
        "Age of the newest stored sample of a site.",
        ("site",),
        {(site,): max(now_s - at_s, 0) for site, at_s in found.newest_s.items()},
        "seconds",
    )
    told = {
        part: {
            name: float(value)
            for name, value in _detail(found, part).items()
            if isinstance(value, int | float)
        }
        for part in of_kind("intake", found.pulses)
    }
    if not told:
        return
    yield _gauge(
        "sillkeep_intake_connected",
        "1 while the broker has taken the intake's subscription.",
        ("process",),
        {(part,): said.get("connected", 0.0) for part, said in told.items()},
    )
    messages = CounterMetricFamily(
        "sillkeep_messages",
        "Messages from the broker, by what was done with them.",
        labels=_COUNTED,
    )
    samples = CounterMetricFamily(
        "sillkeep_samples",
        "Samples in these messages; late ones, over an hour old, are counted beside the others.",
        labels=_COUNTED,
    )
    for part, said in told.items():
        created_s, dropped = said.get("since_s", 0.0), said.get("dropped", 0.0)
        taken = said.get("messages", 0.0) - dropped
        for result, value in (("taken", taken), ("dropped", dropped)):
            messages.add_metric([part, result], value, created=created_s)
        for result in ("stored", "repeated", "disputed", "rejected", "late"):
            samples.add_metric([part, result], said.get(result, 0.0), created=created_s)
    yield messages
    yield samples


def _stored(found: Figures) -> Iterator[Metric]:
    yield _gauge(
        "sillkeep_readings",
        "Readings in the record.",
        ("site",),
        {(site,): number for site, number in found.readings.items()},
    )
    yield _gauge(
        "sillkeep_readings_open",
        "Readings that are not used: of unknown time, or with two values.",
        ("reason",),
        {("time pending",): found.pending, ("disputed",): found.disputed},
    )
    yield _gauge(
        "sillkeep_rejects",
        "Messages and samples that could not be used, kept with their reason.",
        ("reason",),
        {(kind,): number for kind, number in found.rejects.items()},
    )


def _heard(found: Figures) -> Iterator[Metric]:
    for name, said, counts in (
        ("sillkeep_nodes", "Nodes that watch a zone.", found.nodes),
        ("sillkeep_probes", "Probes that watch a zone.", found.probes),
    ):
        every = {(site, state): 0 for site in found.sites for state in (HEARD, SILENT)}
        yield _gauge(name, said, ("site", "state"), every | dict(counts))


def _units(found: Figures, words: Mapping[tuple[str, str], int]) -> Metric:
    every = {(site, word): 0 for site in found.sites for word in WORDS}
    said = "Units by their word, as the lot's page has it, at most a minute old."
    return _gauge("sillkeep_units", said, ("site", "word"), every | dict(words))


def _alarms(found: Figures) -> Iterator[Metric]:
    every = {
        (class_, state): 0
        for class_ in get_args(AlarmClass)
        for state in get_args(AlarmState)
        if state != OVER
    }
    said = "Alarms that are not over."
    yield _gauge("sillkeep_alarms", said, ("class", "state"), every | dict(found.alarms))
    yield GaugeMetricFamily(
        "sillkeep_outbox_entries", "What nobody was chosen to be told of yet.", value=found.outbox
    )
    yield _gauge(
        "sillkeep_notices",
        "Messages to people in the record.",
        ("state",),
        {(state,): number for state, number in found.notices.items()},
    )
    yield GaugeMetricFamily(
        "sillkeep_notices_failing",
        "Of the waiting ones, those that were tried and not taken.",
        value=found.failing,
    )


def _processes(found: Figures) -> Iterator[Metric]:
    parts = {part: at_s for part, (at_s, _) in found.pulses.items() if part not in NO_PROCESS}
    yield _gauge(
        "sillkeep_progress_timestamp",
        "When a process last made progress.",
        ("process",),
        {(part,): at_s for part, at_s in parts.items()},
        "seconds",
    )
    # of several each has rounds of its own: that which ended last
    rounds = [_detail(found, part) for part in of_kind("watch", found.pulses)]
    told = max(rounds, key=lambda said: str(said.get("done_s", "")), default={})
    for key, name, said in (
        ("round_s", "sillkeep_watch_round", "How long the watch's last whole round took."),
        ("done_s", "sillkeep_watch_success_timestamp", "When it ended."),
    ):
        value = told.get(key)
        if isinstance(value, int | float):
            yield GaugeMetricFamily(name, said, value=value, unit="seconds")


def _kept(found: Figures) -> Iterator[Metric]:
    """Backups, the record's check of itself, and the last look at the installation."""
    if BACKUP in found.pulses:
        yield GaugeMetricFamily(
            "sillkeep_backup_success_timestamp",
            "When the last backup was made and compared.",
            value=found.pulses[BACKUP][0],
            unit="seconds",
        )
    if found.checked is not None:
        yield GaugeMetricFamily(
            "sillkeep_record_check_timestamp",
            "When the record last checked itself.",
            value=found.checked.at_s,
            unit="seconds",
        )
        yield GaugeMetricFamily(
            "sillkeep_record_damages",
            "Places that were not as written, then.",
            value=found.checked.count,
        )
    if found.checks is None:
        return
    lines = found.checks.lines
    count = {word: sum(line.word == word for line in lines) for word in ("OK", "look", "broken")}
    yield _gauge(
        "sillkeep_installation_checks",
        "Lines of the last look at the installation (sillkeep check).",
        ("word",),
        {(word.lower(),): number for word, number in count.items()},
    )
    ends = {
        (str(line.facts["owner"]),): float(line.facts["ends_at_s"])
        for line in lines
        if "ends_at_s" in line.facts
    }
    yield _gauge(
        "sillkeep_certificate_end_timestamp",
        "When a certificate ends, as the last look saw it.",
        ("owner",),
        ends,
        "seconds",
    )


def _files(record: Record) -> Iterator[Metric]:
    home = record.home
    journal = home / f"{FILE_NAME}-wal"
    writes = journal.stat().st_size if journal.exists() else 0
    for name, size, said in (
        ("sillkeep_record_size", record.size_bytes() - writes, "The record's file, or database."),
        ("sillkeep_record_journal", writes, "Its journal of writes, where it is a file."),
    ):
        yield GaugeMetricFamily(name, said, value=size, unit="bytes")
    usage = shutil.disk_usage(home)
    yield GaugeMetricFamily(
        "sillkeep_disk_free", "Room beside the record.", value=usage.free, unit="bytes"
    )
    yield GaugeMetricFamily(
        "sillkeep_disk_free",
        "The same as a share of the disk.",
        value=usage.free / max(usage.total, 1),
        unit="ratio",
    )
