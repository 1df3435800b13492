"""The archive with a real InfluxDB: what is given back equals the record, whatever fails on the way."""

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboards.pages import chain
from dashboards.words import Wish
from monitor.config import Archive, load
from monitor.errors import ArchiveError
from monitor.store import Mirror, Record, board, health, open_record, sealing
from monitor.store.archive import standing
from monitor.store.influx import Server
from tests.archived import H0, T0, assert_equal, hours, judge, lot, mirrored, sample
from tests.conftest import TOKEN, RunningInflux

pytestmark = pytest.mark.influx
ROOT = Path(__file__).parents[2]


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    home = tmp_path / "home"
    home.mkdir()
    (home / "token").write_text(f"{TOKEN}\n")
    with open_record(home) as opened:
        lot(opened)
        yield opened


@pytest.fixture
def settings(influx: RunningInflux, tmp_path: Path, record: Record) -> Archive:
    return settings_of(tmp_path / "home", influx.toml)


def settings_of(home: Path, toml: str) -> Archive:
    (home / "sillkeep.toml").write_text(toml)
    return load(home).archive


@pytest.fixture
def mirror(record: Record, settings: Archive) -> Iterator[Mirror]:
    yield from started(record, settings)


def started(record: Record, settings: Archive) -> Iterator[Mirror]:
    made = Mirror(record.engine, settings, clock=lambda: T0)
    made.begin()
    yield made
    made.close()


def take(record: Record, *seqs: int, **values: Any) -> None:
    record.take([sample(seq, **values) for seq in seqs], [], received_s=T0)


# --- equal ----------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.timeout(480)
def test_200_000_points_are_given_back_as_they_were_sent(
    record: Record, settings: Archive, mirror: Mirror
) -> None:
    count, rng = 5000, np.random.default_rng(1)
    for node in range(36):
        given = [
            sample(seq, node=f"n{node}", humidity_percent=float(h) / 100, rain_mm=None if seq % 3 else 0.01,
                   wood_percent=float(h) / 700, signal_dbm=-float(seq % 90), contact=seq % 1000 == 0)
            for seq, h in enumerate(rng.integers(0, 10_000, count))
        ]  # fmt: skip
        record.take(given, [], received_s=T0)
    for unit in ("rv0", "rv1"):
        figures = rng.uniform(-5, 30, 10_000)
        days = np.where(figures > 20, np.inf, figures)
        table = hours(H0, H0 + 10_000, temperature_c=figures, days_to_index_1=days)
        judge(record, unit, table, from_hour=H0)
    assert mirrored(mirror) == 200_000
    assert_equal(settings, record)


def test_a_second_pass_over_the_same_rows_changes_nothing(
    record: Record, settings: Archive, mirror: Mirror, influx: RunningInflux
) -> None:
    take(record, *range(300))
    assert mirrored(mirror) == 300
    with record.engine.begin() as db:
        db.exec_driver_sql("UPDATE latest SET archive_s = 0")
    assert mirrored(mirror) == 300
    assert influx.count() == 300
    assert_equal(settings, record)


def test_samples_of_one_second_stay_apart(
    record: Record, settings: Archive, mirror: Mirror, influx: RunningInflux
) -> None:
    take(record, *range(50), at_s=T0)
    take(record, *range(3), at_s=T0, boot=2)
    mirrored(mirror)
    assert influx.count() == 53
    assert_equal(settings, record)


def test_sealed_readings_are_mirrored_with_the_fresh_ones_in_batches_of_any_size(
    record: Record, tmp_path: Path, influx: RunningInflux
) -> None:
    take(record, *range(6000))  # 41 days
    with record.engine.begin() as db:
        for _ in range(2):
            sealing.seal(db, 1, before_s=T0 + 600 * 5000, now_s=T0 + 2 * 86_400)
        assert 3000 < (db.exec_driver_sql("select sum(readings) from sealed").scalar() or 0) < 6000
    take(record, 7000, 100_000)
    settings = settings_of(tmp_path / "home", f"{influx.toml}batch = 700\n")
    for mirror in started(record, settings):
        assert mirrored(mirror) == 6002
    assert_equal(settings, record)


def test_hours_that_the_record_keeps_no_more_are_shown_from_the_archive(
    record: Record, settings: Archive, mirror: Mirror
) -> None:
    judge(record, "rv0", hours(H0, H0 + 30, temperature_c=np.arange(30.0)), from_hour=H0)
    mirrored(mirror)
    with record.engine.begin() as db:
        db.exec_driver_sql("DELETE FROM hour WHERE hour < ?", (H0 + 20,))
    zone = board.zone(record.engine, "rv0", "off-rear-low", site=False, now_s=T0)
    assert zone is not None
    span = {"from_hour": H0 - 5, "to_hour": H0 + 30}
    shown = board.series(record.engine, zone, **span, archive=settings)
    assert np.array_equal(shown.temperature_c[5:], np.arange(30.0))
    assert np.isnan(shown.temperature_c[:5]).all()
    without = board.series(record.engine, zone, **span)
    assert np.isnan(without.temperature_c[:25]).all()


# --- corrections ----------------------------------------------------------------------------------


def test_a_new_judgement_overwrites_hours_takes_figures_back_and_voids_hours_left_out(
    record: Record, settings: Archive, mirror: Mirror
) -> None:
    table = hours(H0, H0 + 48, temperature_c=np.full(48, 9.5), mould_index=np.full(48, 1.0))
    judge(record, "rv0", table, from_hour=H0)
    mirrored(mirror)
    assert_equal(settings, record)
    state, words = np.full(28, "damp"), np.full(28, 'rain, "likely" \\ or = not')
    again = hours(H0 + 20, H0 + 48, temperature_c=np.full(28, 9.75), state=state, cause=words)
    judge(record, "rv0", again, from_hour=H0 + 10)
    mirrored(mirror)
    assert_equal(settings, record)
    judge(record, "rv0", hours(H0, H0), from_hour=H0)
    assert mirrored(mirror) == 48
    assert_equal(settings, record)


def test_late_disputed_and_retimed_readings_are_corrected(
    record: Record, settings: Archive, mirror: Mirror
) -> None:
    take(record, *range(10, 20))
    take(record, 50, 51, at_s=None, uptime_s=9000)  # no anchor yet: time pending
    mirrored(mirror)
    assert_equal(settings, record)
    take(record, *range(10))  # late
    take(record, 15, temperature_c=8.0, humidity_percent=60.0)  # a second value
    take(record, 60, uptime_s=9600)
    mirrored(mirror)
    assert_equal(settings, record)
    take(record, 61, at_s=T0 + 600 * 55, uptime_s=8000)  # a better anchor: both move
    assert mirrored(mirror) > 2
    assert_equal(settings, record)


# --- trouble --------------------------------------------------------------------------------------


def test_a_bad_token_is_told_and_loses_nothing(
    record: Record, settings: Archive, influx: RunningInflux, tmp_path: Path
) -> None:
    token = tmp_path / "home" / "token"
    token.write_text("wrong")
    take(record, *range(20))
    for mirror in started(record, settings):
        with pytest.raises(ArchiveError, match="401 unauthorized access"):
            mirror.step()
        mirror.close()  # as `run` does after trouble: the next attempt reads the token again
        assert influx.count() == 0
        token.write_text(TOKEN)
        assert mirrored(mirror) == 20
    assert_equal(settings, record)


def test_points_that_the_server_calls_malformed_are_set_aside_and_the_others_go_on(
    record: Record, settings: Archive, mirror: Mirror, influx: RunningInflux
) -> None:
    # a field that holds text in this week takes no numbers in it (version 1: "field type conflict")
    with closing(Server(settings)) as server:
        server.write([f'reading,node=x co2_ppm="much" {T0 * 10**9}'.encode()])
    take(record, *range(300))
    take(record, 300, 301, 302, co2_ppm=600.0)
    take(record, *range(303, 400))
    assert mirrored(mirror) == 400
    assert influx.count() == 397
    found = standing(record.engine)
    assert found is not None
    assert (found.refused, found.level_s) == (3, T0)
    with record.engine.connect() as db:
        reasons = db.exec_driver_sql("select distinct reason from archive_refused").scalars().all()
    assert "field type conflict" in str(reasons)
    # once the cause is gone, the next start sends them
    influx.ask('DROP SERIES FROM "reading" WHERE "node" = \'x\'')
    influx.ask('DROP MEASUREMENT "reading"')
    with record.engine.begin() as db:
        db.exec_driver_sql("UPDATE latest SET archive_s = 0")
    mirror.begin()
    mirrored(mirror)
    assert_equal(settings, record)
    assert standing(record.engine).refused == 0  # type: ignore[union-attr]


class Between(BaseHTTPRequestHandler):
    """A proxy that does to each write what the test asks for, then passes it on."""

    behaviours: list[str]
    released: threading.Event
    asked: threading.Event
    target: int

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        what = self.behaviours.pop(0) if self.behaviours else "pass"
        self.asked.set()
        if what == "hang":
            self.released.wait(100)
            self.close_connection = True
            return
        if what == "slow":
            threading.Event().wait(0.3)
        if what.isdigit():
            self.answer(int(what), b"no")
            return
        with closing(HTTPConnection("127.0.0.1", self.target, timeout=20)) as upstream:
            upstream.request("POST", self.path, body, dict(self.headers))
            found = upstream.getresponse()
            content = found.read()
        if what == "lost answer":
            self.connection.shutdown(socket.SHUT_RDWR)
            self.close_connection = True
            return
        self.answer(found.status, content)

    def answer(self, status: int, content: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  its name
        pass


@pytest.fixture
def between(influx: RunningInflux) -> Iterator[type[Between]]:
    """The proxy on a free port, `server_port` of its `server`."""
    handler = type("Handler", (Between,), {})
    handler.behaviours, handler.target = [], influx.port  # type: ignore[attr-defined]
    handler.released, handler.asked = threading.Event(), threading.Event()  # type: ignore[attr-defined]
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        server.daemon_threads = True
        handler.port = server.server_port  # type: ignore[attr-defined]
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        yield handler
        handler.released.set()  # type: ignore[attr-defined]
        server.shutdown()
        thread.join()


def through(between: Any, tmp_path: Path, influx: RunningInflux, more: str = "") -> Archive:
    toml = influx.toml.replace(str(influx.port), str(between.port))
    return settings_of(tmp_path / "home", toml + more)


def test_trouble_of_every_kind_on_the_way_loses_and_doubles_nothing(
    record: Record, between: Any, influx: RunningInflux, tmp_path: Path
) -> None:
    settings = through(between, tmp_path, influx, "batch = 40\n")
    troubles = ["503", "lost answer", "429", "302", "200", "lost answer", "404", "500"]
    between.behaviours += [each for trouble in troubles for each in (trouble, "slow")]
    take(record, *range(500))
    failed = 0
    for mirror in started(record, settings):
        sent = 1
        while sent:
            try:
                sent = mirror.step()
            except ArchiveError:
                mirror.close()
                failed += 1
    assert failed == len(troubles)
    assert influx.count() == 500
    assert_equal(settings_of(tmp_path / "home", influx.toml), record)


def test_a_server_that_refuses_everything_is_not_believed(
    record: Record, between: Any, influx: RunningInflux, tmp_path: Path
) -> None:
    settings = through(between, tmp_path, influx)
    between.behaviours += ["400", "400"]
    take(record, *range(50))
    for mirror in started(record, settings):
        with pytest.raises(ArchiveError, match="everything is refused"):
            mirror.step()
        assert standing(record.engine).refused == 0  # type: ignore[union-attr]
        assert mirrored(mirror) == 50


def test_a_server_that_never_answers_is_given_up(
    record: Record, between: Any, influx: RunningInflux, tmp_path: Path
) -> None:
    between.behaviours.append("hang")
    settings = through(between, tmp_path, influx)
    with (
        closing(Server(settings, answer_s=0.5)) as server,
        pytest.raises(ArchiveError, match="ReadTimeout"),
    ):
        server.write([b"reading x=1"])


# --- as a process ---------------------------------------------------------------------------------


@pytest.fixture
def process(tmp_path: Path) -> Iterator[Callable[[], subprocess.Popen[bytes]]]:
    running: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        with (tmp_path / "archive.log").open("ab") as output:
            running.append(
                subprocess.Popen(
                    [sys.executable, "-c", "from monitor.cli import main; main()", "archive"],
                    cwd=ROOT,
                    env=dict(os.environ) | {"SILLKEEP_HOME": str(tmp_path / "home")},
                    stdout=output,
                    stderr=output,
                )
            )
        return running[-1]

    yield start
    for one in running:
        one.kill()
        one.wait(10)


def is_level(record: Record) -> bool:
    with record.engine.connect() as db:
        left = db.exec_driver_sql(
            "select (select count(*) from archive_reading)"
            " + (select count(*) from archive_hour where coalesce(next_hour, changed_hour) >= 0)"
            " + (select count(*) from latest where archive_s >= 0)"
            " + (select count(*) from archive_moved)"
        ).scalar()
    return left == 0


def test_a_server_that_hangs_delays_neither_intake_nor_judging(
    record: Record, between: Any, influx: RunningInflux, tmp_path: Path, process: Any, until: Any
) -> None:
    between.behaviours.append("hang")
    through(between, tmp_path, influx)
    take(record, *range(10))
    process()
    assert between.asked.wait(40)
    # the request hangs now, and the record is free: a lock that is taken at once was held by nobody
    with closing(
        sqlite3.connect(tmp_path / "home" / "record.sqlite", timeout=0, isolation_level=None)
    ) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")
    take(record, *range(10, 20))
    judge(record, "rv0", hours(H0, H0 + 5), from_hour=H0)
    assert influx.count() == 0
    between.released.set()
    until(lambda: is_level(record))
    assert_equal(settings_of(tmp_path / "home", influx.toml), record)


@pytest.mark.timeout(240)
def test_the_database_stops_restarts_and_vanishes_and_the_archive_heals_by_itself(
    record: Record,
    settings: Archive,
    influx: RunningInflux,
    process: Any,
    until: Any,
    tmp_path: Path,
) -> None:
    log = tmp_path / "archive.log"
    take(record, *range(100))
    process()
    until(lambda: is_level(record))
    influx.stop(signal.SIGKILL)
    take(record, *range(100, 200))
    until(lambda: "502" in log.read_text())
    influx.start()
    until(lambda: is_level(record), seconds=60)
    influx.stop_proxy()
    take(record, *range(200, 300))
    until(lambda: "cannot be reached" in log.read_text())
    until(lambda: '"trouble": "http' in str([pulse.detail for pulse in record.pulses()]))
    influx.start_proxy()
    until(lambda: is_level(record), seconds=60)
    until(lambda: '"trouble": ""' in str([pulse.detail for pulse in record.pulses()]))
    assert_equal(settings, record)


@pytest.mark.timeout(400)
def test_killed_again_and_again_in_the_middle_it_loses_and_doubles_nothing(
    record: Record, influx: RunningInflux, process: Any, until: Any, tmp_path: Path
) -> None:
    settings = settings_of(tmp_path / "home", f"{influx.toml}batch = 50\n")
    count, kills, struck = 12_000, 5, 0
    take(record, *range(0, count, 2))
    judge(record, "rv0", hours(H0, H0 + 2000), from_hour=H0)
    for kill in range(kills):
        running = process()
        before = influx.count() + influx.count("hour")
        until(
            lambda before=before: influx.count() + influx.count("hour") > before + 200, every=0.005
        )
        running.kill()
        running.wait(10)
        struck += not is_level(record)
        take(record, *range(1 + 2 * kill, count // 4, 2 * kills))  # late ones, out of order
        judge(record, "rv0", hours(H0 + 100 * kill, H0 + 1900 - kill), from_hour=H0 + 50 * kill)
    assert struck >= 3, "the kills came too late to hit anything: no proof"
    process()
    until(lambda: is_level(record), seconds=120)
    assert_equal(settings, record)
    held = record.counts()["readings"]
    assert influx.count() == held
    assert standing(record.engine).refused == 0  # type: ignore[union-attr]


def test_a_second_archive_of_the_same_record_ends_with_75(
    record: Record, settings: Archive, process: Any, until: Any
) -> None:
    take(record, 1)
    process()
    until(lambda: is_level(record))
    assert process().wait(40) == 75


def test_check_says_how_the_archive_stands(
    record: Record,
    settings: Archive,
    influx: RunningInflux,
    tmp_path: Path,
    process: Any,
    until: Any,
) -> None:
    take(record, 1)
    process()
    until(lambda: (found := standing(record.engine)) is not None and found.level_s is not None)
    done = subprocess.run(
        [sys.executable, "-c", "from monitor.cli import main; main()", "check"],
        cwd=ROOT,
        env=dict(os.environ) | {"SILLKEEP_HOME": str(tmp_path / "home")},
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    )
    assert "The archive is level with the record." in done.stdout
    shown = str(chain.blocks(health.chain(record.engine, now_s=T0), Wish("/chain", T0)))
    assert "The archive is level with the record." in shown
