"""Weather of services: what they say is taken as it is, and what they say wrongly is not taken."""

import contextlib
import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor import text, watch, weather
from monitor.config import Figures, Settings, Weather, load
from monitor.errors import ConfigError, InputError, WeatherError
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, board, health, open_record
from monitor.store.leasing import LEASE_S, Leases
from monitor.weather import Cached, Station, Watcher, fetch, mapped
from sensors.wire import Reading
from tests.judging import START_S

HOUR_S = 3600
HOURLY = Figures.model_validate(
    {
        "time": "hourly.time",
        "temperature": {"at": "hourly.temp", "unit": "degF"},
        "humidity": {"at": "hourly.rh", "unit": "%"},
        "rain": {"at": "hourly.precip", "unit": "in"},
        "time_is": "start",
    }
)


def stamp(at_s: int) -> str:
    return str(np.datetime64(at_s, "s")) + "Z"


def hourly(first_s: int, count: int, **columns: list[object]) -> dict[str, object]:
    given: dict[str, list[object]] = {
        "time": [stamp(first_s + HOUR_S * n) for n in range(count)],
        "temp": [50.0 + n for n in range(count)],
        "rh": [80.0] * count,
        "precip": [0.1] * count,
    }
    return {"hourly": given | columns}


# --- answers --------------------------------------------------------------------------------------


def test_units_are_converted_and_an_hour_counts_as_the_hour_that_it_is_of() -> None:
    """32 °F is 0 °C and 212 °F 100 °C; an inch is 25.4 mm (NIST SP 811, appendix B.8)."""
    found = mapped(hourly(START_S, 2, temp=[32.0, 113.0], precip=[1.0, 0.0]), HOURLY)
    assert found.problems == []
    first, second = found.rows
    assert (first.temperature, first.humidity, first.rain) == (0.0, 80.0, 25.4)
    assert (second.temperature, second.rain) == (45.0, 0.0)
    assert (first.at_s, second.at_s) == (START_S + 3599, START_S + 7199)
    ended = HOURLY.model_copy(update={"time_is": "end"})
    assert mapped(hourly(START_S + HOUR_S, 1), ended).rows[0].at_s == START_S + 3599


def test_one_value_and_a_filter_are_expressions_like_any_other() -> None:
    """Expressions are JMESPath (its specification, filter expressions)."""
    figures = Figures.model_validate(
        {
            "time": "now.at",
            "temperature": {"at": "now.sensors[?kind=='air'].kelvin | [0]", "unit": "K"},
            "humidity": {"at": "now.rh", "unit": "1"},
        }
    )
    answer = {"now": {"at": START_S * 1000, "rh": "0.5", "sensors": [
        {"kind": "soil", "kelvin": 280.0}, {"kind": "air", "kelvin": 273.15}]}}  # fmt: skip
    (row,) = mapped(answer, figures).rows
    assert (row.at_s, row.temperature, row.humidity, row.rain) == (START_S - 1, 0.0, 50.0, None)


@pytest.mark.parametrize(
    ("answer", "said", "kept"),
    [
        ({}, "no time", 0),
        ({"hourly": []}, "no time", 0),
        ([1, 2], "no time", 0),
        ("sorry", "no time", 0),
        (hourly(START_S, 2, temp=[]), "no temperature at", 2),
        (hourly(START_S, 2, rh=[1.0]), "1 values of humidity for 2 times", 2),
        (hourly(START_S, 2, temp=[999.0, 50.0]), "not of this world", 2),
        (hourly(START_S, 2, temp=["warm", 50.0]), "no number", 2),
        (hourly(START_S, 2, temp=[True, 50.0]), "no number", 2),
        (hourly(START_S, 2, temp=[{"v": 1}, 50.0]), "no number", 2),
        (hourly(START_S, 2, precip=[float("nan"), 0.0]), "not of this world", 2),
        (hourly(START_S, 2, precip=[-1.0, 0.0]), "not of this world", 2),
        (hourly(START_S, 2, time=["yesterday", stamp(START_S)]), "no RFC 3339 time", 1),
        (hourly(START_S, 2, time=["2026-01-01T00:00", stamp(START_S)]), "needs `timezone`", 1),
        (hourly(START_S, 2, time=[7, stamp(START_S)]), "no time of these years", 1),
        (hourly(START_S, 2, temp=[None] * 2, rh=[None] * 2, precip=[None] * 2), "no figures", 0),
    ],
)  # fmt: skip
def test_what_is_wrong_is_left_out_and_said(answer: object, said: str, kept: int) -> None:
    found = mapped(answer, HOURLY)
    assert said in " ".join(found.problems)
    assert len(found.rows) == kept
    for row in found.rows:
        assert row.temperature is None or 10.0 <= row.temperature <= 10.6
        assert row.rain is None or row.rain in {0.0, 2.54}


def test_a_thousand_wrong_values_are_a_few_sentences() -> None:
    found = mapped(hourly(START_S, 1000, temp=[f"x{n}" for n in range(1000)]), HOURLY)
    assert len(found.problems) == weather.MOST_PROBLEMS


def test_a_local_time_that_a_clock_never_showed_is_left_out() -> None:
    """Clocks in Vienna went from 02:00 to 03:00 on 2026-03-29 (tz database)."""
    answer = hourly(START_S, 2, time=["2026-03-29T02:30", "2026-03-29T03:30"])
    found = mapped(answer, HOURLY, timezone="Europe/Vienna")
    assert len(found.rows) == 1
    assert found.problems


# --- the service ----------------------------------------------------------------------------------


class _Handler(BaseHTTPRequestHandler):
    server: "_Server"

    def do_GET(self) -> None:
        of = self.server.service
        of.asked.append({name.lower(): value for name, value in self.headers.items()})
        etag = of.headers.get("ETag")
        is_known = bool(etag) and self.headers.get("If-None-Match") == etag
        self.send_response(304 if is_known else of.status)
        for name, value in of.headers.items():
            self.send_header(name, value)
        self.end_headers()
        if of.drips:
            self._drip(of)
        elif not is_known:
            self.wfile.write(of.body)

    def _drip(self, of: "Service") -> None:
        with contextlib.suppress(OSError):
            while not of.stop.wait(0.05):
                self.wfile.write(b" ")
                self.wfile.flush()

    def log_message(self, *_: Any) -> None:
        pass


class _Server(ThreadingHTTPServer):
    service: "Service"


class Service:
    """A local server that says what it is told to say."""

    def __init__(self) -> None:
        self.body: bytes = b"{}"
        self.status = 200
        self.headers: dict[str, str] = {}
        self.asked: list[dict[str, str]] = []
        self.drips = False
        self.stop = threading.Event()
        self.server = _Server(("127.0.0.1", 0), _Handler)
        self.server.service = self
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    def says(self, answer: object) -> None:
        self.body = json.dumps(answer).encode()

    def close(self) -> None:
        self.stop.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(10)


@pytest.fixture
def service() -> Iterator[Service]:
    one = Service()
    yield one
    one.close()


def of(service: Service, **changes: object) -> Weather:
    given: dict[str, object] = {
        "site": "yard",
        "url": f"http://127.0.0.1:{service.server.server_port}/hours.json?key=secret",
        "name": "county service",
        "distance_km": 12.0,
        "observed": HOURLY,
    }
    return Weather.model_validate(given | changes)


def test_an_answer_that_is_unchanged_is_not_sent_again(service: Service) -> None:
    service.headers["ETag"] = '"a"'
    service.says(hourly(START_S, 1))
    cached = Cached()
    assert fetch(of(service), cached) == hourly(START_S, 1)
    assert fetch(of(service), cached) is None
    service.headers["ETag"] = '"b"'
    assert fetch(of(service), cached) is not None


@pytest.mark.parametrize(
    ("status", "said"),
    [(401, "check the key"), (429, "too often"), (500, "status 500"), (404, "status 404")],
)
def test_a_refusal_says_what_to_do_and_not_the_address(
    service: Service, status: int, said: str
) -> None:
    service.status = status
    with pytest.raises(WeatherError, match=said) as caught:
        fetch(of(service), Cached())
    assert "secret" not in str(caught.value)


def test_a_service_that_moved_is_not_followed(service: Service) -> None:
    service.status, service.headers = 302, {"Location": "http://elsewhere.invalid/x"}
    with pytest.raises(WeatherError, match=r"moved .*elsewhere\.invalid"):
        fetch(of(service), Cached())


def test_no_server_no_json_and_an_answer_without_end(service: Service) -> None:
    service.body = b"<html>"
    with pytest.raises(WeatherError, match="no JSON"):
        fetch(of(service), Cached())
    service.body = b"[" * 100_000
    with pytest.raises(WeatherError, match="no JSON"):
        fetch(of(service), Cached())
    service.body = b" " * (weather.MOST_BYTES + 1)
    with pytest.raises(WeatherError, match="larger than 4 MB"):
        fetch(of(service), Cached())
    service.drips = True
    ticks = iter(range(0, 10_000, 7))
    with pytest.raises(WeatherError, match="took longer"):
        fetch(of(service), Cached(), timer=lambda: next(ticks))
    gone = of(service, url="http://127.0.0.1:9/x?key=secret")
    with pytest.raises(WeatherError, match="no answer") as caught:
        fetch(gone, Cached())
    assert "secret" not in str(caught.value)


def test_a_token_goes_out_as_a_header(service: Service, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("hush\n")
    service.says(hourly(START_S, 1))
    fetch(of(service, token_file=tmp_path / "token"), Cached())
    assert service.asked[-1]["authorization"] == "Bearer hush"


# --- the record -----------------------------------------------------------------------------------


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        opened.add_site(Site("yard"))
        opened.add_unit(Unit("u1", "yard"))
        opened.add_zone("yard", Zone("u1", "off-rear-low"))
        place = Placement("n1", "p1", "yard", "u1", "off-rear-low", START_S)
        opened.place(place, recorded_s=START_S, who="test")
        yield opened


Visit = Callable[[object], str]


def watcher(
    record: Record, now: list[int], answers: dict[str, object], **changes: object
) -> Watcher:
    given: dict[str, object] = {
        "site": "yard",
        "url": "http://127.0.0.1/",
        "name": "county service",
        "distance_km": 12.0,
        "observed": HOURLY,
    }

    def ask(_weather: Weather, _cached: Cached) -> object:
        answer = answers["now"]
        if isinstance(answer, Exception):
            raise answer
        return answer

    station = Station(Weather.model_validate(given | changes))
    return Watcher(record, [station], lambda: now[0], ask)


def unit_rain(record: Record) -> list[float | None]:
    hour = START_S // HOUR_S
    return [
        row["rain_mm"]
        for row in record.hours("u1", "off-rear-low", from_hour=hour, to_hour=hour + 24)
    ]


def hear_unit(record: Record, hours: int) -> None:
    for n in range(hours * 2):
        reading = Reading(
            site="yard",
            node="n1",
            boot=1,
            seq=n,
            at_s=START_S + 1800 * n + 60,
            temperature_c=10.0,
            humidity_percent=70.0,
        )
        record.take([reading], (), received_s=START_S + 1800 * n + 60)


def test_settled_hours_are_taken_once_and_a_gap_is_unknown_rain(record: Record) -> None:
    now, answers = [START_S + 5 * HOUR_S], {"now": hourly(START_S, 12)}
    one = watcher(record, now, answers)
    one.turn()
    assert [s.at_s for s in record.latest()] == [START_S + 4 * HOUR_S - 1]  # an hour old at least
    assert one.stations[0].problem == ""
    (zone,) = record.site_zones("yard")
    assert (zone.source, zone.origin, zone.distance_km) == ("feed", "county service", 12.0)
    answers["now"] = WeatherError("no answer (ConnectTimeout)")
    now[0] += 4 * HOUR_S
    one.turn()
    assert one.stations[0].problem == "no answer (ConnectTimeout)"
    # what it corrects later, and what it no longer gives, changes nothing
    answers["now"] = hourly(START_S + 8 * HOUR_S, 4)
    now[0] += 4 * HOUR_S
    one.turn()
    hear_unit(record, 13)
    watch.tick(record, now_s=START_S + 13 * HOUR_S)
    assert unit_rain(record)[:13] == [2.54] * 4 + [None] * 4 + [2.54] * 4 + [None]


def test_a_page_says_whose_weather_it_is_how_far_away_and_in_what_trouble(record: Record) -> None:
    now, answers = [START_S + 5 * HOUR_S], {"now": hourly(START_S, 12)}
    one = watcher(record, now, answers)
    one.turn()
    site = board.site(record.engine, "yard")
    assert site is not None
    assert site.borrowed == (("feed", "county service", 12.0),)
    assert "12 km away" in text.borrowed_text(*site.borrowed[0])
    (told,) = health.chain(record.engine, now_s=now[0]).stations
    assert (told.name, told.site, told.problem) == ("county service", "yard", "")
    assert told.newest_s == START_S + 4 * HOUR_S - 1
    answers["now"] = {"error": "changed"}
    now[0] = one.stations[0].next_s
    one.turn()
    (told,) = health.chain(record.engine, now_s=now[0]).stations
    assert "may have changed its format" in told.problem
    said = text.station_text(told.name, told.site, ago_s=5 * HOUR_S, problem=told.problem)
    assert "hours without known rain" in said


def test_a_corrected_figure_makes_no_dispute(record: Record) -> None:
    now, answers = [START_S + 5 * HOUR_S], {"now": hourly(START_S, 4)}
    one = watcher(record, now, answers)
    one.turn()
    answers["now"] = hourly(START_S, 5, precip=[0.5] * 5)
    now[0] += HOUR_S
    one.turn()
    again = watcher(record, now, answers)  # a new process knows from the record what was taken
    again.turn()
    hear_unit(record, 5)
    watch.tick(record, now_s=START_S + 5 * HOUR_S)
    assert unit_rain(record)[:5] == [2.54] * 4 + [12.7]


def test_of_two_machines_one_asks_and_different_answers_make_no_dispute(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [START_S + 5 * HOUR_S]
    a: dict[str, object] = {"now": hourly(START_S, 4)}
    b: dict[str, object] = {"now": hourly(START_S, 4, precip=[0.5] * 4)}
    with open_record(tmp_path) as other:
        mine, others = watcher(record, now, a), watcher(other, now, b)
        mine.leases = Leases(record, "a", lambda: now[0])
        others.leases = Leases(other, "b", lambda: now[0])
        mine.turn()
        others.turn()
        assert others.stations[0].asked_s is None
        now[0] += HOUR_S  # the first is frozen: the second goes on after what it took
        b["now"] = hourly(START_S, 5, precip=[0.5] * 5)
        others.turn()
        now[0] += HOUR_S
        a["now"] = hourly(START_S, 6)
        mine.turn()
        now[0] += HOUR_S

        newest_s = weather.newest_s

        def overtaken(of: Record, station: Weather) -> int:
            found = newest_s(of, station)
            if of is record:
                now[0] += LEASE_S
                others.turn()
            return found

        a["now"], b["now"] = hourly(START_S, 7), hourly(START_S, 7, precip=[0.5] * 7)
        monkeypatch.setattr(weather, "newest_s", overtaken)
        mine.turn()  # keeps nothing of it, and lives
    hear_unit(record, 7)
    watch.tick(record, now_s=now[0])
    assert unit_rain(record)[:7] == [2.54] * 4 + [12.7, 2.54, 12.7]


def test_the_gauge_on_the_lot_wins_hour_by_hour_then_the_service_then_the_file(
    record: Record, tmp_path: Path
) -> None:
    from monitor import weatherfile

    record.add_zone("yard", Zone("", "zz-gauge", "outside"))  # last by name
    place = Placement("g1", "p1", "yard", "", "zz-gauge", START_S)
    record.place(place, recorded_s=START_S, who="test")
    for n in (0, 1):
        gauge = Reading(
            site="yard", node="g1", boot=1, seq=n, at_s=START_S + HOUR_S * n + 90, rain_mm=0.0
        )
        record.take([gauge], (), received_s=START_S)
    now = [START_S + 24 * HOUR_S]
    watcher(record, now, {"now": hourly(START_S, 4)}).turn()
    (tmp_path / "old.csv").write_text(
        "when,mm\n" + "".join(f"{stamp(START_S + HOUR_S * n + 1800)},{n}\n" for n in range(6))
    )
    columns = {"time": "when", "rain_mm": "mm"}
    found = weatherfile.read(
        tmp_path / "old.csv", site="yard", zone="a-file", columns=columns, timezone=None
    )
    kept = [
        weatherfile.keep(
            record,
            found.readings,
            site="yard",
            zone="a-file",
            name="airport",
            distance_km=40,
            now_s=now[0],
        )
        for _ in range(2)
    ]
    assert kept == [6, 0]
    hear_unit(record, 7)
    watch.tick(record, now_s=START_S + 7 * HOUR_S)
    assert unit_rain(record)[:7] == [0.0, 0.0, 2.54, 2.54, 4.0, 5.0, None]


def test_a_service_does_not_fill_a_zone_that_has_probes(record: Record) -> None:
    record.add_zone("yard", Zone("", "weather", "outside"))
    one = watcher(record, [START_S + 9 * HOUR_S], {"now": hourly(START_S, 4)})
    one.turn()
    assert "another zone" in one.stations[0].problem
    assert record.latest() == []


def test_a_site_that_is_not_there_yet_is_waited_for(tmp_path: Path) -> None:
    now: list[int] = [START_S + 9 * HOUR_S]
    with open_record(tmp_path) as record:
        one = watcher(record, now, {"now": hourly(START_S, 4)})
        one.turn()
        assert "yard" in one.stations[0].problem
        record.add_site(Site("yard"))
        one.turn()  # not before its time
        assert record.latest() == []
        now[0] += 60
        one.turn()
        assert one.stations[0].problem == ""
        assert len(record.latest()) == 1


def test_after_failures_it_is_asked_ever_more_rarely_and_then_as_before(record: Record) -> None:
    now, answers = [START_S], {"now": WeatherError("down")}
    one = watcher(record, now, answers, every_minutes=30)
    waits = []
    for _ in range(9):
        one.turn()
        waits.append(one.stations[0].next_s - now[0])
        now[0] = one.stations[0].next_s
    assert waits == [60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]
    answers["now"] = hourly(START_S, 1)
    one.turn()
    assert one.stations[0].next_s - now[0] == 1800


def test_a_forecast_replaces_the_one_before_and_is_no_reading(record: Record) -> None:
    now, answers = [START_S], {"now": hourly(START_S, 5)}
    ahead = HOURLY.model_copy(update={"period_minutes": 30})
    one = watcher(record, now, answers, observed=None, forecast=ahead)
    one.turn()
    issued_s, hours = record.forecast("yard", from_hour=START_S // HOUR_S + 1)
    assert issued_s == START_S
    assert [round(hour.temperature_c or 0, 1) for hour in hours] == [10.6, 11.1, 11.7, 12.2]
    answers["now"] = hourly(START_S + 2 * HOUR_S, 2, temp=[32.0, 32.0])
    now[0] += 1800
    one.turn()
    _, hours = record.forecast("yard", from_hour=START_S // HOUR_S)
    assert [hour.temperature_c for hour in hours] == [10.0, 10.56, 0.0, 0.0]
    assert record.latest() == []
    assert record.site_zones("yard") == []


# --- settings -------------------------------------------------------------------------------------

SETTINGS = """
[[weather]]
site = "yard"
name = "county service"
distance_km = 12
url = "https://weather.invalid/now"
[weather.observed]
time = "hourly.time"
rain = { at = "hourly.rain", unit = "mm" }
"""


def settings(tmp_path: Path, text: str) -> Settings:
    (tmp_path / "sillkeep.toml").write_text(text)
    return load(tmp_path)


def test_settings_of_a_service(tmp_path: Path) -> None:
    (one,) = settings(tmp_path, SETTINGS).weather
    assert (one.zone, one.every_minutes, one.observed and one.observed.rain is not None) == (
        "weather",
        30,
        True,
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "mm"', 'unit = "feet"', "weather"),
        ('"hourly.time"', '"hourly.["', "no JMESPath expression"),
        ("https://", "ftp://", "no address"),
        ("distance_km = 12", "", "distance_km"),
        ("[weather.observed]", 'timezone = "Mars/Olympus"\n[weather.observed]', "timezone"),
        ("[weather.observed]", "every_minute = 5\n[weather.observed]", "every_minute"),
        ("time = ", "tim = ", "tim"),
    ],
)
def test_settings_that_cannot_work_are_refused_with_the_fix(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    with pytest.raises(ConfigError, match=said) as caught:
        settings(tmp_path, SETTINGS.replace(old, new))
    number = int(str(caught.value).split("line ")[1].split(":")[0])
    assert 2 <= number <= len(SETTINGS.replace(old, new).splitlines())


def test_the_line_of_a_fault_in_the_second_service_is_named(tmp_path: Path) -> None:
    second = SETTINGS.replace('site = "yard"', 'site = "yard"\nzone = "other"\neach = 5')
    with pytest.raises(ConfigError, match=r"line 14: unknown key \"weather.each\""):
        settings(tmp_path, SETTINGS + second)


def test_two_services_need_two_zones(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="another `zone`"):
        settings(tmp_path, SETTINGS + SETTINGS)


def test_a_token_in_clear_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t").write_text("x")
    text = SETTINGS.replace("https", "http").replace(
        "[weather.observed]", 'token_file = "t"\n[weather.observed]'
    )
    with pytest.raises(ConfigError, match="clear text"):
        settings(tmp_path, text)


# --- files ----------------------------------------------------------------------------------------


def epw(path: Path, years: list[int]) -> Path:
    """Six hours in the form of an EPW file (EnergyPlus, Auxiliary Programs, "EPW CSV format")."""
    head = ["LOCATION,here,-,-,-,-,48.0,16.0,1.0,200.0"] + [f"HEADER {n}" for n in range(7)]
    rows = []
    for n, year in enumerate(years):
        cells = [str(year), "1", "2", str(n + 1), "60", "?9", "5.5", "1.0", "80", "99000"]
        cells += ["0"] * 23 + ["0.4" if n else "999", "1.0"]
        rows.append(",".join(cells))
    path.write_text("\r\n".join([*head, *rows]) + "\r\n")
    return path


def test_an_epw_file_of_one_year_is_read_and_a_typical_year_refused(tmp_path: Path) -> None:
    from monitor import weatherfile

    given: dict[str, Any] = {"site": "yard", "zone": "z", "columns": {}, "timezone": None}
    found = weatherfile.read(epw(tmp_path / "a.epw", [2025] * 6), **given).readings
    assert [r.rain_mm for r in found] == [None, 0.4, 0.4, 0.4, 0.4, 0.4]
    assert {(r.temperature_c, r.humidity_percent) for r in found} == {(5.5, 80.0)}
    # hour 1 of local standard time, an hour ahead of UTC, ends at midnight UTC
    assert found[0].at_s == int(np.datetime64("2025-01-02T00:00:00", "s").astype(int)) - 1
    with pytest.raises(InputError, match="typical year"):
        weatherfile.read(epw(tmp_path / "b.epw", [1998, 2004, 1998, 2004, 2001, 2001]), **given)
    (tmp_path / "c.epw").write_text("no weather")
    with pytest.raises(InputError, match="cannot be read as EPW"):
        weatherfile.read(tmp_path / "c.epw", **given)


def test_a_file_without_figures_or_for_an_unknown_site_is_refused(
    record: Record, tmp_path: Path
) -> None:
    from monitor import weatherfile

    with pytest.raises(InputError, match="no temperature, humidity or rain"):
        weatherfile.keep(record, [], site="yard", zone="z", name="x", distance_km=1, now_s=START_S)
    one = Reading(site="nowhere", node="w", probe="z", at_s=START_S, rain_mm=1.0)
    with pytest.raises(InputError, match="nowhere"):
        weatherfile.keep(
            record, [one], site="nowhere", zone="z", name="x", distance_km=1, now_s=START_S
        )
