"""Figures of operation: what a scraper gets, against OpenMetrics' strict parser and a count by hand."""

import json
import re
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from prometheus_client.openmetrics import parser

from dashboards.app import Running, make_app
from monitor.config import load
from monitor.errors import ConfigError, StoreError
from monitor.intake import LATE_S, Batch, late
from monitor.lot import Site
from monitor.store import board
from monitor.store.engine import FILE_NAME
from monitor.store.health import BACKUP, CHECKS, CheckLine, Checks, written_checks
from monitor.store.record import Record, open_record
from monitor.store.users import Doer
from sensors.wire import Reading
from tests.filled import NOW_S, filled_record
from tests.signed import sign_in

TOKEN = "0123456789abcdef" * 4
SENT = {"Authorization": f"Bearer {TOKEN}"}
ROOT = Path(__file__).parents[1]
COUNTS = {"messages": 90, "stored": 70, "repeated": 9, "disputed": 2, "rejected": 3, "late": 11}


@pytest.fixture
def record(tmp_path: Path) -> Record:
    made = filled_record(tmp_path)
    told = {**COUNTS, "dropped": 4, "since_s": NOW_S - 5000, "connected": True, "floods": {}}
    made.beat("intake", NOW_S - 3, json.dumps(told))
    made.beat("watch", NOW_S - 8, json.dumps({"round_s": 1.25, "done_s": NOW_S - 9}))
    made.beat(BACKUP, NOW_S - 40_000, "{}")
    ends = CheckLine("certificates", "look", "certificate good",
                     {"owner": "broker", "ends_at_s": NOW_S + 99, "days": 0})  # fmt: skip
    fine = CheckLine("disk", "OK", "disk room", {"free_bytes": 1, "total_bytes": 2})
    made.beat(CHECKS, NOW_S - 60, written_checks(Checks(NOW_S - 60, (ends, fine))))
    return made


def client_of(record: Record, home: Path, token: str = TOKEN) -> FlaskClient:
    app = make_app(
        record,
        now=lambda: NOW_S,
        change=lambda: open_record(home),
        runs=Running(version="0.1.0", metrics_token=lambda: token),
    )
    return app.server.test_client()


def families(text: str) -> dict[str, object]:
    return {family.name: family for family in parser.text_string_to_metric_families(text)}


def values(text: str) -> dict[tuple[str, ...], float]:
    return {
        (sample.name, *(f"{k}={v}" for k, v in sorted(sample.labels.items()))): sample.value
        for family in parser.text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_a_scraper_gets_openmetrics_that_the_strict_parser_reads(
    record: Record, tmp_path: Path
) -> None:
    answer = client_of(record, tmp_path).get("/metrics", headers=SENT)
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == (
        "application/openmetrics-text; version=1.0.0; charset=utf-8"
    )
    assert answer.text.endswith("\n# EOF\n")
    found = families(answer.text)
    for name, family in found.items():
        assert family.type in {"gauge", "counter", "info"}
        if re.search(r"seconds|bytes|ratio", name):
            assert name.endswith(f"_{family.unit}"), name  # a unit is declared, and ends the name
            assert f"# UNIT {name} {family.unit}" in answer.text
        assert family.documentation.endswith(".")
    assert found["sillkeep_messages"].type == "counter"
    assert "sillkeep_messages_total{" in answer.text


def test_labels_are_few_and_name_no_unit_zone_node_or_person(
    record: Record, tmp_path: Path
) -> None:
    text = client_of(record, tmp_path).get("/metrics", headers=SENT).text
    names = {name for one in families(text).values() for s in one.samples for name in s.labels}
    assert names == {"site", "state", "word", "class", "result", "reason", "process", "owner",
                     "version"}  # fmt: skip
    for secret in ("van-", "off-rear", "node-", "North"):
        assert secret not in text
    assert text.count("\n") < 250


def test_values_are_those_of_a_count_by_hand(record: Record, tmp_path: Path) -> None:
    got = values(client_of(record, tmp_path).get("/metrics", headers=SENT).text)
    record.close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as db:
        ask = lambda sql: db.execute(sql).fetchall()  # noqa: E731
        ((newest,),) = ask("select max(at_s) from latest")
        assert got["sillkeep_ingest_lag_seconds", "site=yard"] == NOW_S - newest
        ((held,),) = ask("select sum(readings) from latest")
        assert got["sillkeep_readings", "site=yard"] == held
        ((refused,),) = ask("select count(*) from reject")
        assert sum(v for k, v in got.items() if k[0] == "sillkeep_rejects") == refused == 1
        rows = ask("select p.node_id, l.at_s from placement q join probe p using (probe_id)"
                   " left join latest l using (probe_id)")  # fmt: skip
        lost = {node for node, at_s in rows if NOW_S - at_s > 3 * 900 + 900}
        assert got["sillkeep_probes", "site=yard", "state=silent"] == len(lost) == 1
        assert got["sillkeep_nodes", "site=yard", "state=silent"] == len(lost)
        assert got["sillkeep_probes", "site=yard", "state=heard"] == len(rows) - len(lost)
        standing = Counter(ask("select class, state from alarm where state <> 'normal'"))
        told = {k: v for k, v in got.items() if k[0] == "sillkeep_alarms"}
        assert len(told) == 4 * 5
        for (class_, state), number in standing.items():
            assert told["sillkeep_alarms", f"class={class_}", f"state={state}"] == number
        assert sum(told.values()) == sum(standing.values()) == 3
    assert got["sillkeep_messages_total", "process=intake", "result=taken"] == 86
    assert got["sillkeep_messages_created", "process=intake", "result=taken"] == NOW_S - 5000
    for name in ("stored", "repeated", "disputed", "rejected", "late"):
        assert got["sillkeep_samples_total", "process=intake", f"result={name}"] == COUNTS[name]
    assert got["sillkeep_watch_round_seconds",] == 1.25
    assert got["sillkeep_watch_success_timestamp_seconds",] == NOW_S - 9
    assert got["sillkeep_backup_success_timestamp_seconds",] == NOW_S - 40_000
    assert got["sillkeep_certificate_end_timestamp_seconds", "owner=broker"] == NOW_S + 99
    assert got["sillkeep_installation_checks", "word=look"] == 1
    assert got["sillkeep_progress_timestamp_seconds", "process=watch"] == NOW_S - 8
    assert ("sillkeep_progress_timestamp_seconds", "process=backup") not in got
    assert got["sillkeep_record_size_bytes",] >= 4096
    assert 0 < got["sillkeep_disk_free_ratio",] < 1


def test_units_have_the_words_of_the_lot(record: Record, tmp_path: Path) -> None:
    got = values(client_of(record, tmp_path).get("/metrics", headers=SENT).text)
    lot = board.lot(record.engine, now_s=NOW_S)
    for word in ("dry", "damp", "wet", "unknown"):
        number = sum(unit.word == word for unit in lot.units)
        assert got["sillkeep_units", "site=yard", f"word={word}"] == number


@pytest.mark.parametrize(
    "sent",
    [{}, {"Authorization": TOKEN}, {"Authorization": f"Basic {TOKEN}"},
     {"Authorization": f"Bearer {TOKEN[:-1]}"}, {"Authorization": "Bearer "},
     {"Authorization": "Bearer Ä"}],
)  # fmt: skip
def test_without_the_token_nobody_is_answered_signed_in_or_not(
    record: Record, tmp_path: Path, sent: dict[str, str]
) -> None:
    client = client_of(record, tmp_path)
    for _ in range(2):
        answer = client.get("/metrics", headers=sent)
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"] == "Bearer"
        assert "sillkeep_" not in answer.text
        sign_in(client, tmp_path, now_s=NOW_S)


def test_without_the_setting_there_is_nothing_and_no_token_opens_it(
    record: Record, tmp_path: Path
) -> None:
    client = client_of(record, tmp_path, token="")
    assert client.get("/metrics", headers=SENT).status_code == 404
    assert client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404
    assert client_of(record, tmp_path).post("/metrics", headers=SENT).status_code == 401


def test_another_host_is_refused_before_the_token_is_looked_at(
    record: Record, tmp_path: Path
) -> None:
    answer = client_of(record, tmp_path).get(
        "/metrics", headers=SENT | {"Host": "elsewhere.example"}
    )
    assert answer.status_code == 421


def test_a_token_that_can_be_guessed_is_refused(tmp_path: Path) -> None:
    (tmp_path / "sillkeep.toml").write_text('[metrics]\ntoken_file = "t"\n')
    (tmp_path / "t").write_text("secret\n")
    with pytest.raises(ConfigError, match="openssl rand"):
        load(tmp_path).metrics.token()
    (tmp_path / "t").write_text(TOKEN + "\n")
    assert load(tmp_path).metrics.token() == TOKEN


def test_an_empty_record_has_figures_too(tmp_path: Path) -> None:
    with open_record(tmp_path) as empty:
        text = client_of(empty, tmp_path).get("/metrics", headers=SENT).text
    assert values(text)["sillkeep_outbox_entries",] == 0


def test_every_name_is_documented_in_one_table_and_none_that_is_not_there(
    record: Record, tmp_path: Path
) -> None:
    record.engine.dispose()
    text = client_of(record, tmp_path).get("/metrics", headers=SENT).text
    exposed = {
        f"{name}_total" if one.type == "counter" else f"{name}_info" if one.type == "info" else name
        for name, one in families(text).items()
    } | {"sillkeep_record_check_timestamp_seconds", "sillkeep_record_damages"}  # once it checked
    table = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `(sillkeep_\w+)`", table, re.MULTILINE)) == exposed


def test_late_samples_are_those_an_hour_old_when_they_come() -> None:
    def sample(at_s: int | None) -> Reading:
        return Reading(site="yard", node="n1", at_s=at_s, temperature_c=1.0)

    batch = Batch(received_s=NOW_S)
    batch.readings = [sample(NOW_S - LATE_S), sample(NOW_S - LATE_S - 1), sample(None)]
    batch.untold = [sample(NOW_S - 9 * LATE_S)]
    assert late(batch) == 2


def test_a_claim_that_fails_leaves_its_secret_in_no_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse() -> Record:
        raise StoreError("the record is locked")

    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        token = record.offer_node("yard", "n1", by=Doer("test", NOW_S))
        made = make_app(record, now=lambda: NOW_S, change=refuse)
        answer = made.server.test_client().post(f"/claim/{token}", json={})
    assert answer.status_code == 500
    (said,) = [each for each in caplog.records if each.message == "page failed"]
    assert vars(said)["path"] == "/claim/<secret>"
    assert token not in caplog.text
