"""Weather that others measure: a service's JSON becomes readings of a site's own zone, and forecasts.

::

    service ── fetch (a bounded answer in a bounded time) ── JSON
        ── [weather.observed]  expressions -> figures -> Reading of node `weather`  ── record.take
        ── [weather.forecast]  expressions -> figures -> ForecastHour               ── record
        └─ what cannot be used: a sentence in the pulse, and nothing else

A service is a probe far away. Its readings are taken, judged, sealed and missed like any other's, but
its zone only fills the hours that the site's own probes leave open (`Zone.source`). Nothing is ever
filled in: an hour that the service does not give, or gives wrongly, is an hour without known rain.

Services correct themselves for a while. A figure is taken once it is `settle_minutes` old, and once
only: what comes later for the same hour is not looked at.
"""

import json
import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import jmespath
import requests
from urllib3.exceptions import HTTPError

from monitor.config import Column, Figures, Settings, Weather
from monitor.errors import InputError, MeanwhileError, StoreError, WeatherError
from monitor.lot import FEED as NODE
from monitor.lot import ForecastHour, Placement, Zone
from monitor.store import Record
from monitor.store.leasing import ALONE, Alone, Leases, leases_of
from monitor.times import parse_time
from sensors.wire import OLDEST_S, Reading

LOG = logging.getLogger(__name__)
PART = "weather"
HOUR_S = 3600
CONNECT_S, WHOLE_S = 10.0, 30.0
MOST_BYTES = 4_000_000
RETRY_FIRST_S, RETRY_LAST_S = 60, 3600
TURN_S = 5.0
AHEAD_S = 16 * 86_400  # services look two weeks ahead at most
MOST_PROBLEMS = 3

# what a name on the left of a unit multiplies and adds to give ours (NIST SP 811, appendix B)
UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "temperature": {"Cel": (1, 0), "K": (1, -273.15), "degF": (5 / 9, -160 / 9)},
    "humidity": {"%": (1, 0), "1": (100, 0)},
    "rain": {"mm": (1, 0), "cm": (10, 0), "in": (25.4, 0), "kg/m2": (1, 0)},
}
# the highest rain of an hour ever measured was 305 mm (World Meteorological Organization's archive of
# extremes, from memory); temperatures of the surface air were all within -90 and 57 degrees Celsius
LIMITS: Mapping[str, tuple[float, float]] = {
    "temperature": (-90.0, 60.0),
    "humidity": (0.0, 105.0),
    "rain": (0.0, 305.0),
}


@dataclass(frozen=True, slots=True)
class Row:
    """Figures of one time; None: not given."""

    at_s: int
    temperature: float | None = None
    humidity: float | None = None
    rain: float | None = None


@dataclass(slots=True)
class Mapped:
    """Rows of an answer by time, and what of it could not be used."""

    rows: list[Row] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def note(self, problem: str) -> None:
        """Keep a sentence, once, and not too many of them."""
        if problem not in self.problems and len(self.problems) < MOST_PROBLEMS:
            self.problems.append(problem)


# --- an answer -> rows ----------------------------------------------------------------------------


def mapped(answer: object, figures: Figures, *, timezone: str = "") -> Mapped:
    """Figures of a service's answer in our units.

    Parameters
    ----------
    answer : object
        JSON as Python has it.
    figures : Figures
        Expressions (JMESPath) of the times and of each figure; one value, or a list beside the times.
    timezone : str
        Of times without an offset; "": such a time cannot be used.

    Returns
    -------
    Mapped
        Rows by time; a time that is there twice counts once, the later entry wins. Whatever is missing,
        of another form or outside what the open air can be is left out and said. Never raises for
        what a service sends.
    """
    found = Mapped()
    times = _listed(_search(figures.time, answer))
    if not times:
        found.note(f'no time at "{figures.time}": the service may have changed its format')
        return found
    columns = {
        name: _column(name, column, answer, len(times), found)
        for name, column in figures.columns().items()
    }
    rows: dict[int, Row] = {}
    for place, written in enumerate(times):
        at_s = _time(written, timezone, found)
        if at_s is None:
            continue
        at_s += figures.shift_s()
        row = Row(at_s, **{name: values[place] for name, values in columns.items()})
        if row != Row(at_s):
            rows[at_s] = row
    found.rows = [rows[at_s] for at_s in sorted(rows)]
    if not found.rows and not found.problems:
        found.note("the service gives times but no figures")
    return found


def _search(expression: str, answer: object) -> object:
    try:
        return jmespath.search(expression, answer)
    except jmespath.exceptions.JMESPathError as error:  # a function of it that meets another type
        LOG.debug("%s: %s", expression, error)
        return None


def _listed(value: object) -> list[object]:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def _column(
    name: str, column: Column, answer: object, count: int, found: Mapped
) -> Sequence[float | None]:
    values = _listed(_search(column.at, answer))
    if not values:
        found.note(f'no {name} at "{column.at}": the service may have changed its format')
        return [None] * count
    if len(values) != count:
        found.note(f"{len(values)} values of {name} for {count} times: they do not belong together")
        return [None] * count
    return [_figure(name, column.unit, value, found) for value in values]


def _figure(name: str, unit: str, value: object, found: Mapped) -> float | None:
    if value is None:
        return None
    if isinstance(value, str):
        try:
            value = float(value)
        except ValueError:
            found.note(f"{name} is {_shown(value)}, which is no number")
            return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        found.note(f"{name} is {_shown(value)}, which is no number")
        return None
    factor, offset = UNITS[name][unit]
    ours = round(value * factor + offset, 3)
    low, high = LIMITS[name]
    if not low <= ours <= high:  # not a number included
        found.note(
            f"{name} of {value:g} {unit} is not of this world: check the unit in the settings"
        )
        return None
    return ours


def _time(written: object, timezone: str, found: Mapped) -> int | None:
    if isinstance(written, int | float) and not isinstance(written, bool):
        seconds = written / 1000 if written > 1e11 else written  # some count thousandths
        if OLDEST_S <= seconds < 2**40:
            return int(seconds)
        found.note(f"{_shown(written)} is no time of these years")
        return None
    try:
        return parse_time(str(written), timezone=timezone or None)
    except InputError as error:
        found.note(f"{error}; a time without an offset needs `timezone` in the settings")
        return None


def _shown(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= 40 else f"{text[:40]}..."


# --- the service ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Cached:
    """What a service said its answer is called, so that an unchanged one is not sent again."""

    tag: str = ""
    changed: str = ""

    def headers(self) -> dict[str, str]:
        """Headers of a request (RFC 9110, 13.1)."""
        found = {"If-None-Match": self.tag, "If-Modified-Since": self.changed}
        return {name: value for name, value in found.items() if value}


def fetch(weather: Weather, cached: Cached, timer: Callable[[], float] = time.monotonic) -> object:
    """Answer of a service as Python has JSON; None if it is the one that was given before.

    Raises
    ------
    WeatherError
        If it does not come, is no JSON, is larger than `MOST_BYTES` or takes longer than `WHOLE_S`.
    """
    headers = {"Accept": "application/json", **cached.headers()}
    if token := weather.token():
        headers["Authorization"] = f"Bearer {token}"
    start = timer()
    try:
        with requests.get(
            weather.url, headers=headers, timeout=CONNECT_S, stream=True, allow_redirects=False
        ) as response:
            if response.status_code == 304:
                return None
            if response.status_code != 200:
                raise WeatherError(_refused(response))
            body = bytearray()
            # what has come, however little: a whole block of an answer that drips would be hours
            while part := response.raw.read1(65_536, decode_content=True):
                body += part
                if len(body) > MOST_BYTES:
                    raise WeatherError(f"the answer is larger than {MOST_BYTES // 10**6} MB")
                if timer() - start > WHOLE_S:
                    raise WeatherError(f"the answer took longer than {WHOLE_S:.0f} s")
            answer: object = json.loads(body)
            told = response.headers
    except (
        requests.RequestException,
        HTTPError,
    ) as error:  # its words may hold the address and a key in it
        raise WeatherError(f"no answer ({type(error).__name__})") from error
    except (ValueError, RecursionError) as error:
        raise WeatherError("the answer is no JSON") from error
    cached.tag, cached.changed = told.get("ETag", ""), told.get("Last-Modified", "")
    return answer


def _refused(response: requests.Response) -> str:
    status = response.status_code
    if status in {401, 403}:
        return f"the service refuses us (status {status}): check the key"
    if status == 429:
        return "the service says that we ask too often (status 429): raise every_minutes"
    if response.is_redirect:
        where = urlsplit(response.headers.get("Location", "")).hostname or "another page"
        return f"the service has moved (status {status}, to {where}): change url in the settings"
    return f"the service answers with status {status}"


# --- rows -> the record ---------------------------------------------------------------------------


@dataclass(slots=True)
class Station:
    """One service of the settings, and how it does."""

    weather: Weather
    cached: Cached = field(default_factory=Cached)
    next_s: int = 0
    tries: int = 0  # that failed, one after another
    asked_s: int | None = None  # the last answer that was of use
    taken_s: int = 0  # time of the newest figure in the record
    answer: object = None  # the last one: what was too new in it is taken when it has settled
    problem: str = ""

    def told(self) -> dict[str, object]:
        """What the pulse says of it."""
        return {
            "name": self.weather.name,
            "site": self.weather.site,
            "answered_s": self.asked_s,
            "newest_s": self.taken_s or None,
            "problem": self.problem,
        }


@dataclass(slots=True)
class Watcher:
    """Asks each service when it is due and keeps what it says; the clock is given."""

    record: Record
    stations: Sequence[Station]
    clock: Callable[[], int]
    ask: Callable[[Weather, Cached], object] = fetch
    leases: Alone | Leases = ALONE

    def turn(self) -> None:
        """Ask those whose turn it is; a failure of one is nothing to the others.

        Where several machines share the record, one asks: two answers may differ.
        """
        try:
            with self.leases.under(PART, keep=True) as is_ours:
                if is_ours:
                    self._round()
        except MeanwhileError as error:
            LOG.info("left to another: %s", error)

    def _round(self) -> None:
        for station in self.stations:
            if self.clock() >= station.next_s:
                self._visit(station)
        detail = json.dumps({"stations": [station.told() for station in self.stations]})
        self.record.beat(PART, self.clock(), detail)

    def _visit(self, station: Station) -> None:
        weather = station.weather
        try:
            answer = self.ask(weather, station.cached)
            station.answer = station.answer if answer is None else answer
            problems = self._keep(station)
        except (WeatherError, InputError) as error:
            wait_s = min(RETRY_FIRST_S * 2**station.tries, RETRY_LAST_S)
            station.tries = min(station.tries + 1, 10)
            problems = [str(error)]
        else:
            station.tries = 0
            station.asked_s = self.clock()
            wait_s = weather.every_minutes * 60
        station.next_s = self.clock() + wait_s
        problem = "; ".join(problems)
        if problem != station.problem:
            LOG.warning("%s: %s", weather.name, problem or "working again")
        station.problem = problem

    def _keep(self, station: Station) -> list[str]:
        weather, now_s = station.weather, self.clock()
        problems: list[str] = []
        if weather.observed is not None:
            found = mapped(station.answer, weather.observed, timezone=weather.timezone)
            readings = self._new(station, found.rows, now_s=now_s)
            if readings:
                place_station(self.record, weather, from_s=readings[0].at_s or 0, now_s=now_s)
                self.record.take(readings, (), received_s=now_s)
                station.taken_s = max(reading.at_s or 0 for reading in readings)
            problems += found.problems
        if weather.forecast is not None:
            ahead = mapped(station.answer, weather.forecast, timezone=weather.timezone)
            self.record.keep_forecast(weather.site, hours_ahead(ahead.rows, now_s), now_s=now_s)
            problems += [problem for problem in ahead.problems if problem not in problems]
        return problems

    def _new(self, station: Station, rows: Iterable[Row], *, now_s: int) -> list[Reading]:
        weather = station.weather
        # this process began with an older one's work, or another has gone on with it since
        if self.leases.is_shared or not station.taken_s:
            station.taken_s = newest_s(self.record, weather)
        settled_s = now_s - weather.settle_minutes * 60
        return [reading_of(row, weather) for row in rows if station.taken_s < row.at_s <= settled_s]


def reading_of(row: Row, weather: Weather) -> Reading:
    """One row as the reading of a probe that is heard as often as the service is asked."""
    silence_s = (weather.every_minutes + weather.settle_minutes) * 60 + HOUR_S
    return Reading(
        site=weather.site,
        node=NODE,
        probe=weather.zone,
        at_s=row.at_s,
        silence_s=silence_s,
        temperature_c=row.temperature,
        humidity_percent=row.humidity,
        rain_mm=row.rain,
    )


def hours_ahead(rows: Iterable[Row], now_s: int) -> list[ForecastHour]:
    """Hours from now on; of several times in an hour the mean, of rain the sum."""
    by_hour: dict[int, list[Row]] = {}
    for row in rows:
        if now_s - HOUR_S < row.at_s <= now_s + AHEAD_S:
            by_hour.setdefault(row.at_s // HOUR_S, []).append(row)
    return [
        ForecastHour(
            hour,
            _mean([row.temperature for row in found]),
            _mean([row.humidity for row in found]),
            _total([row.rain for row in found]),
        )
        for hour, found in sorted(by_hour.items())
    ]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known) / len(known), 2) if known else None


def _total(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known), 2) if known else None


def place_station(record: Record, weather: Weather, *, from_s: int, now_s: int) -> None:
    """Enter the zone that a service fills, and that its node watches it; nothing if they are there.

    Raises
    ------
    InputError
        If there is no such site, or probes watch the zone already.
    """
    zones = {zone.code: zone for zone in record.site_zones(weather.site)}
    known = zones.get(weather.zone)
    if known is not None and known.source != "feed":
        raise InputError(
            f'{weather.site}/{weather.zone} has probes or a file of its own: give the service "{weather.name}" '
            "another zone in the settings"
        )
    wanted = Zone(
        "",
        weather.zone,
        "outside",
        source="feed",
        origin=weather.name,
        distance_km=weather.distance_km,
    )
    if known != wanted:
        record.add_zone(weather.site, wanted)
    if known is None:
        place = Placement(NODE, weather.zone, weather.site, "", weather.zone, from_s)
        record.place(place, recorded_s=now_s, who=PART, why=weather.name)


def newest_s(record: Record, weather: Weather) -> int:
    """Time of the newest figure that the record has of a service; 0 if it has none."""
    found = [
        sample.at_s
        for sample in record.latest()
        if (sample.site, sample.node, sample.probe) == (weather.site, NODE, weather.zone)
    ]
    return max(found, default=0)


def run(settings: Settings, *, clock: Callable[[], int], pause: threading.Event) -> None:
    """Ask round after round until the pause is set."""
    from monitor.store import open_record

    with open_record(settings.record_home, server=settings.record.server()) as record:
        stations = [Station(weather) for weather in settings.weather]
        leases = leases_of(record, settings.broker.member, clock)
        watcher = Watcher(record, stations, clock, leases=leases)
        while not pause.is_set():
            try:
                watcher.turn()
            except StoreError as error:  # locked or full: the service is asked again
                LOG.warning("%s", error)
            pause.wait(TURN_S)
