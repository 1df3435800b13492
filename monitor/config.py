"""Settings: how the program runs, read once from `sillkeep.toml` in the home folder.

Sites, units, zones, people and events are no settings: they live in the record. Without the file
every setting has its default, which is one machine with the embedded broker.
"""

import difflib
import fcntl
import os
import re
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any, Literal, get_args
from urllib.parse import parse_qsl, unquote, urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import ErrorDetails

from monitor.errors import ConfigError
from monitor.parts import MEMBER

if TYPE_CHECKING:
    from sensors.formats import mapped

FILE_NAME = "sillkeep.toml"
ARCHIVE_TOKEN = "SILLKEEP_ARCHIVE_TOKEN"  # noqa: S105  the name of a variable
MOST_INTAKES = 16
SHORTEST_TOKEN = 32  # of /metrics: 128 bits in hexadecimal
BUSY = 75  # exit status of a second instance: EX_TEMPFAIL of sysexits.h


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _in_home(path: Path | None, info: ValidationInfo) -> Path | None:
    """Make a path absolute: relative ones start in the home folder."""
    home: Path = info.context["home"] if info.context else Path()
    return None if path is None else home / path.expanduser()


def _existing(path: Path | None, info: ValidationInfo) -> Path | None:
    path = _in_home(path, info)
    if path is not None and not path.is_file():
        raise ValueError(f"there is no file {path}; give the path of an existing file")
    return path


def _expression(text: str) -> str:
    import jmespath

    try:
        jmespath.compile(text)
    except jmespath.exceptions.JMESPathError as error:
        raise ValueError(f'"{text}" is no JMESPath expression: {error}') from error
    return text


def _first_line(file: Path, key: str) -> str:
    try:
        return file.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{key} cannot be read: {error}") from error


Port = Annotated[int, Field(ge=1, le=65535, strict=True)]
HomePath = Annotated[Path | None, AfterValidator(_in_home)]
FilePath = Annotated[Path | None, AfterValidator(_existing)]


class _Table(BaseModel):
    """One table of the file: unknown keys are errors, values stay as read."""

    # the sentence below a key is its description: the manual's list of settings is made of them
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Broker(_Table):
    """Where readings come from. Without `host` an embedded broker is started on this machine."""

    host: str = ""
    """The broker; without it `sillkeep serve` starts one of its own, for this machine alone."""
    port: Port = 1883
    """Port of the broker."""
    username: str = ""
    """Name that Sillkeep signs in with at the broker; needs `host`."""
    password_file: FilePath = None  # no secret in the settings
    """File whose first line is the password for the broker."""
    ca_file: FilePath = None
    """Certificates that may have signed the broker's; turns TLS on."""
    # no wildcards, so that a typo cannot widen the subscription
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = "sillkeep"
    """First part of every topic."""

    intakes: Annotated[int, Field(ge=1, le=MOST_INTAKES, strict=True)] = 1
    """How many intakes `sillkeep serve` starts; several share the messages among them."""
    member: Annotated[str, Field(pattern=rf"^({MEMBER})?$")] = ""
    """Name of this machine where several share one record: small letters, digits and -; without it, it is the only one.

    Their clocks have to agree within a minute.
    """

    access_files: HomePath = None
    """Folder in which the list of who may do what at the broker is kept up, for mosquitto."""

    @property
    def embedded(self) -> bool:
        """Whether `sillkeep serve` starts the broker itself."""
        return not self.host

    @property
    def is_shared(self) -> bool:
        """Whether several intakes may take in what nodes send."""
        return self.intakes > 1 or bool(self.member)

    def user(self, number: int = 1) -> str:
        """Name that an intake signs in with.

        One of its own each where the access list is ours: there the broker lets in one connection a name.
        """
        return f"{self.username}-{number}" if self.access_files and number > 1 else self.username

    @property
    def address(self) -> str:
        """Host to connect to."""
        return self.host or "127.0.0.1"

    def password(self) -> str | None:
        """Password from its file, None without one; ConfigError if it cannot be read."""
        if self.password_file is None:
            return None
        return _first_line(self.password_file, "broker.password_file")

    @model_validator(mode="after")
    def _password_stays_secret(self) -> "Broker":
        if self.username and self.embedded:
            raise ValueError(
                "username is set but host is not, and the embedded broker knows no users; "
                "name the broker with host, or remove username"
            )
        if self.username and self.ca_file is None and not is_loopback(self.address):
            raise ValueError(
                f"the password would cross the network to {self.host} in clear text; "
                "set ca_file, or reach the broker through 127.0.0.1"
            )
        if self.access_files and not (self.username and self.password_file):
            raise ValueError(
                "access_files is set, which lets nobody in who has no user name; "
                "give the monitor its own with username and password_file"
            )
        return self


TO_SERVER = ("sslmode", "sslrootcert", "sslcert", "sslkey")  # what may follow ? in record.address
TRUSTED = frozenset({"verify-ca", "verify-full"})


@dataclass(frozen=True, slots=True)
class Server:
    """A database of a PostgreSQL server that holds the record."""

    address: str  # without the password
    password: str | None = field(default=None, repr=False)

    @property
    def database(self) -> str:
        """Name of the database."""
        return unquote(urlsplit(self.address).path.removeprefix("/"))

    @property
    def host(self) -> str:
        """Name or address of its machine; "" for this machine's own socket."""
        return unquote(urlsplit(self.address).hostname or "")

    @property
    def shown(self) -> str:
        """Database, machine and port, for people."""
        port = urlsplit(self.address).port
        where = f"{self.host}:{port}" if port else self.host
        return f"database {self.database} at {where or 'this machine'}"

    def libpq(self) -> dict[str, str]:
        """Parameters of a connection, as PostgreSQL's own library names them."""
        parts = urlsplit(self.address)
        # said even where empty: what is left out is taken from the environment, PGHOSTADDR say, and would
        # lead elsewhere than what was looked at
        where = {
            "host": self.host,
            "hostaddr": "",
            "port": str(parts.port or ""),
            "dbname": self.database,
        }
        who = {"user": unquote(parts.username or ""), "password": self.password or ""}
        return (
            where
            | {name: value for name, value in who.items() if value}
            | dict(parse_qsl(parts.query))
        )


def _server(address: str) -> str:
    if not address:
        return ""
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"address is none: {error}") from None
    if parts.password is not None:
        raise ValueError("address holds a password; put it into password_file")
    if parts.scheme != "postgresql" or not parts.path.strip("/") or parts.fragment or port == 0:
        raise ValueError(
            'address is none; give one such as "postgresql://sillkeep@127.0.0.1/sillkeep"'
        )
    more = dict(parse_qsl(parts.query, keep_blank_values=True))
    strange = sorted(more.keys() - set(TO_SERVER))
    if strange:
        raise ValueError(f"address has {', '.join(strange)} after ?; known: {', '.join(TO_SERVER)}")
    host = parts.hostname or ""
    if host and not is_loopback(host) and more.get("sslmode") not in TRUSTED:
        raise ValueError(
            f"the record would cross the network to {host} without a checked certificate; "
            "add ?sslmode=verify-full&sslrootcert=FILE"
        )
    return address


class Record(_Table):
    """Where the record is kept: with `address` on a PostgreSQL server, else in a folder on this machine."""

    path: HomePath = None
    """Folder of the record; without it the home folder."""
    address: Annotated[str, AfterValidator(_server)] = ""
    """PostgreSQL database that holds the record, where you run a server anyway, or several machines share one record (`deploy/large.md`): `postgresql://USER@HOST/NAME`, no password in it. Another machine's needs `?sslmode=verify-full`."""
    password_file: FilePath = None
    """File whose first line is the password for that database; without it libpq's own (`PGPASSFILE`)."""
    # a node that was cut off still sends what its ring holds, 40 days
    fresh_days: Annotated[int, Field(ge=45, le=36_500, strict=True)] = 60
    """Readings older than this are sealed: they take less room and are read as before."""
    keep_years: Annotated[int, Field(ge=1, le=100, strict=True)] | None = None
    """Single readings of units sold or left, and of probes placed nowhere, are dropped after so many years; without it never."""
    watches: Annotated[int, Field(ge=1, le=16, strict=True)] = 1
    """How many watches `sillkeep serve` starts; several judge different units at a time."""
    pulse_seconds: Annotated[int, Field(ge=5, le=60, strict=True)] = 5
    """How often each part leaves its pulse; rarer spares a memory card. Three missed ones restart it."""
    cache_mb: Annotated[int, Field(ge=1, le=1024, strict=True)] = 64
    """The most that each connection of a part keeps of the record in memory; a small board has no room for that."""

    def server(self) -> Server | None:
        """The server that holds the record, None where it is a file; ConfigError if its password cannot be read."""
        if not self.address:
            return None
        if self.password_file is None:
            return Server(self.address)
        return Server(self.address, _first_line(self.password_file, "record.password_file"))

    @model_validator(mode="after")
    def _password_has_a_use(self) -> "Record":
        if self.password_file and not self.address:
            raise ValueError(
                "password_file is set but address is not; name the server, or remove it"
            )
        return self


class Archive(_Table):
    """An InfluxDB that mirrors readings and hours; without `url` there is none."""

    url: str = ""
    """Address of the InfluxDB; without it there is no archive."""
    org: str = ""
    """Organisation that the archive puts it under."""
    bucket: str = "sillkeep"
    """Bucket it goes into: one for each record, without a retention limit."""
    token_file: FilePath = None
    """File whose first line is the token; without it the environment variable `SILLKEEP_ARCHIVE_TOKEN`."""
    ca_file: FilePath = None
    """Certificates that may have signed the archive's."""
    batch: Annotated[int, Field(ge=1, le=20_000, strict=True)] = 5_000
    """Points in one request."""

    def token(self, environment: Mapping[str, str] = os.environ) -> str:
        """Token from its file, else from the environment, else ""; ConfigError if unreadable."""
        if self.token_file is None:
            return environment.get(ARCHIVE_TOKEN, "")
        return _first_line(self.token_file, "archive.token_file")

    @model_validator(mode="after")
    def _token_stays_secret(self) -> "Archive":
        if not self.url:
            return self
        parts = urlsplit(self.url)
        if parts.scheme not in {"http", "https"} or not parts.hostname:
            raise ValueError(
                f'url "{self.url}" is no address; give one such as "https://host:8086"'
            )
        if parts.username or parts.query or parts.fragment:
            raise ValueError("url holds more than an address; put the token into token_file")
        if parts.scheme == "http" and not is_loopback(parts.hostname):
            raise ValueError(
                f"the token would cross the network to {parts.hostname} in clear text; use https"
            )
        return self


class Messages(_Table):
    """How people are told, and how somebody outside learns that Sillkeep lives."""

    board_url: str = ""
    """Address by which people reach the board; messages link there."""
    heartbeat_url: str = ""
    """Called once a minute while every part makes progress; something outside tells when the calls stop."""

    @model_validator(mode="after")
    def _addresses_of_the_web(self) -> "Messages":
        for name in ("board_url", "heartbeat_url"):
            given = getattr(self, name)
            parts = urlsplit(given)
            if given and (parts.scheme not in {"http", "https"} or not parts.hostname):
                raise ValueError(f'{name} is no address; give one such as "https://host/"')
        return self


class Pages(_Table):
    """Where the board answers."""

    host: str = "127.0.0.1"
    """Address that the board listens on; any but this machine's own needs `proxy`."""
    port: Port = 8750
    """Port of the board."""
    proxy: str = ""
    """Name or address of the reverse proxy with TLS in front."""
    idle_minutes: Annotated[float, Field(ge=0.1, le=1440, strict=True)] | None = None
    """The board is started by its first visitor and ends after so long without one; without it, it runs."""

    @model_validator(mode="after")
    def _no_open_door(self) -> "Pages":
        try:
            ip_address(self.host)
        except ValueError:
            if self.host != "localhost":
                raise ValueError(
                    f'host "{self.host}" is no address; give one such as "127.0.0.1"'
                ) from None
        if not is_loopback(self.host) and not self.proxy:
            raise ValueError(
                f"host {self.host} would show the board to the network without encryption; "
                'keep "127.0.0.1", or put a reverse proxy with TLS in front and name it in proxy'
            )
        return self

    @property
    def url(self) -> str:
        """Address of the board for a browser on this machine."""
        listens_everywhere = not is_loopback(self.host) and ip_address(self.host).is_unspecified
        address = "127.0.0.1" if listens_everywhere else self.host
        return f"http://{f'[{address}]' if ':' in address else address}:{self.port}/"


class Log(_Table):
    """How the processes log, all alike."""

    form: Literal["text", "json"] = "text"
    """`json` is one object a line, for machines."""
    level: Literal["debug", "info", "warning", "error"] = "info"
    """The least that is logged."""


class Serve(_Table):
    """How `sillkeep serve` runs its parts."""

    shared_memory: Annotated[bool, Field(strict=True)] = False
    """On Linux, parts are forked from one process that has loaded what they need: half the memory. After an update start the whole anew."""


class Metrics(_Table):
    """Figures of operation for a machine that asks at `/metrics`; without a token there are none."""

    token_file: FilePath = None
    """File whose first line, of 32 characters at least, is to be sent as a bearer token to `/metrics`."""

    def token(self) -> str:
        """Token from its file, "" without one; ConfigError if it cannot be read or can be guessed."""
        if self.token_file is None:
            return ""
        found = _first_line(self.token_file, "metrics.token_file")
        if len(found) < SHORTEST_TOKEN or not found.isascii():
            raise ConfigError(
                f"{self.token_file}: the token of metrics.token_file is too short or holds other than "
                f"ASCII; make one of at least {SHORTEST_TOKEN} characters: openssl rand -hex 32"
            )
        return found


class Column(_Table):
    """One figure of a weather service: where it is in the answer (JMESPath), and in what unit."""

    at: Annotated[str, AfterValidator(_expression)]
    """Where the figure is in the answer or message (JMESPath)."""
    unit: str
    """Unit that it comes in."""


class Temperature(Column):
    """In degrees Celsius or Fahrenheit, or kelvin."""

    unit: Literal["Cel", "K", "degF"]
    """Unit that it comes in."""


class Humidity(Column):
    """Relative, per cent or a share of 1."""

    unit: Literal["%", "1"]
    """Unit that it comes in."""


class Rain(Column):
    """Fallen in the period of each time."""

    unit: Literal["mm", "cm", "in", "kg/m2"]
    """Unit that it comes in."""


class Figures(_Table):
    """Where an answer has its times and figures: one value each, or lists of one length."""

    time: Annotated[str, AfterValidator(_expression)]
    """Where the times are (JMESPath): one, or a list."""
    temperature: Temperature | None = None
    """Air temperature outside."""
    humidity: Humidity | None = None
    """Relative humidity outside."""
    rain: Rain | None = None
    """Rain in the period of each time."""
    period_minutes: Annotated[int, Field(ge=1, le=1440, strict=True)] = 60
    """How long a period each figure is of."""
    time_is: Literal["start", "end"] = "end"
    """Whether a time begins or ends its period."""

    def columns(self) -> dict[str, Column]:
        """The figures that are given, by name."""
        given = {"temperature": self.temperature, "humidity": self.humidity, "rain": self.rain}
        return {name: column for name, column in given.items() if column is not None}

    def shift_s(self) -> int:
        """From the time of a period to its last second, which is in the hour it is of."""
        return self.period_minutes * 60 - 1 if self.time_is == "start" else -1


class Weather(_Table):
    """A service that measures or expects the weather of a site, asked over HTTP for JSON."""

    site: str
    """Site whose weather it is."""
    url: str
    """Address that answers with JSON."""
    name: Annotated[str, Field(min_length=1, max_length=60)]
    """Who measures it; shown beside the figures."""
    distance_km: Annotated[float, Field(ge=0, le=500)]
    """How far it is measured from the site."""
    zone: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")] = "weather"
    """Zone of the site that its figures fill."""
    every_minutes: Annotated[int, Field(ge=5, le=1440, strict=True)] = 30
    """How often it is asked."""
    settle_minutes: Annotated[int, Field(ge=0, le=1440, strict=True)] = 60
    """A figure is taken once, when it is so old."""
    timezone: str = ""
    """Time zone of times without an offset."""
    token_file: FilePath = None
    """File whose first line is sent as a bearer token."""
    observed: Figures | None = None
    """Where measured figures are in the answer."""
    forecast: Figures | None = None
    """Where expected figures are in the answer."""

    def token(self) -> str:
        """Token from its file, "" without one; ConfigError if it cannot be read."""
        return "" if self.token_file is None else _first_line(self.token_file, "weather.token_file")

    @model_validator(mode="after")
    def _can_be_asked(self) -> "Weather":
        parts = urlsplit(self.url)
        if parts.scheme not in {"http", "https"} or not parts.hostname:
            raise ValueError('url is no address; give one such as "https://host/now.json"')
        if self.token_file and parts.scheme == "http" and not is_loopback(parts.hostname):
            raise ValueError(
                f"the token would cross the network to {parts.hostname} in clear text; use https"
            )
        if self.observed is None and self.forecast is None:
            raise ValueError("nothing is mapped; add [weather.observed] or [weather.forecast]")
        if self.timezone and self.timezone not in available_timezones():
            raise ValueError(
                f'timezone "{self.timezone}" is none; give one such as "Europe/Vienna"'
            )
        return self


class Wood(Column):
    """Moisture of wood, per cent or a share of 1."""

    unit: Literal["%", "1"]
    """Unit that it comes in."""


class Contact(_Table):
    """Liquid water: true or false, 1 or 0."""

    at: Annotated[str, AfterValidator(_expression)]
    """Where it is in the message (JMESPath)."""


class Pressure(Column):
    """Of the air."""

    unit: Literal["Pa", "hPa", "kPa"]
    """Unit that it comes in."""


class CarbonDioxide(Column):
    """In the air."""

    unit: Literal["ppm"]
    """Unit that it comes in."""


class Battery(Column):
    """What is left, per cent or a share of 1."""

    unit: Literal["%", "1"]
    """Unit that it comes in."""


class Signal(Column):
    """Strength at the receiver."""

    unit: Literal["dBm"]
    """Unit that it comes in."""


Code = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")]
OptionalExpression = Annotated[str, AfterValidator(lambda text: text and _expression(text))]


class Map(_Table):
    """Messages of a topic filter that are not ours, and where in them the readings are (JMESPath)."""

    topic: str
    """MQTT topic filter, not under our own prefix; + stands for a level, # for all that follow."""
    site: Code
    """Site that the readings are of."""
    node: Annotated[str, AfterValidator(_expression)]
    """Where the node's code is (JMESPath); letters are made small."""
    probe: OptionalExpression = ""
    """Where the probe's code is (JMESPath); without it p1."""
    time: OptionalExpression = ""
    """Where the time of the sample is (JMESPath): a text with an offset, or a number since 1970."""
    time_in: Literal["s", "ms"] = "s"
    """Unit of a time that is a number."""
    timezone: str = ""
    """Time zone of times without an offset."""
    sequence: OptionalExpression = ""
    """Where a number is that each sample has for itself (JMESPath); without it the time tells samples apart."""
    boot: OptionalExpression = ""
    """Where a number is that rises when `sequence` begins anew (JMESPath)."""
    longest_silence_s: Annotated[int, Field(ge=1, le=31 * 86400, strict=True)] | None = None
    """Longest silence to expect of the node; without it 900 s."""
    compact: OptionalExpression = ""
    """Where our 11 bytes are, as text (JMESPath)."""
    compact_in: Literal["base64", "hex"] = "base64"
    """How those bytes are written."""
    temperature: Temperature | None = None
    """Temperature of the air at the probe."""
    humidity: Humidity | None = None
    """Relative humidity at the probe."""
    wood: Wood | None = None
    """Wood moisture of a pin probe."""
    contact: Contact | None = None
    """Liquid water at the probe."""
    rain: Rain | None = None
    """Rain since the last sample."""
    pressure: Pressure | None = None
    """Pressure of the air."""
    co2: CarbonDioxide | None = None
    """Carbon dioxide in the air."""
    battery: Battery | None = None
    """Charge of the node's battery."""
    signal: Signal | None = None
    """Strength of its signal at the receiver."""

    def compiled(self) -> "mapped.Map":
        """What the decoder takes."""
        from sensors.formats import mapped

        channels = {
            name: mapped.Channel(given.at, getattr(given, "unit", ""))
            for name in mapped.CHANNELS
            if (given := getattr(self, name)) is not None
        }
        return mapped.Map(
            topic=self.topic,
            site=self.site,
            node=self.node,
            probe=self.probe,
            time=self.time,
            time_in=self.time_in,
            zone=ZoneInfo(self.timezone) if self.timezone else None,
            sequence=self.sequence,
            boot=self.boot,
            silence_s=self.longest_silence_s,
            compact=self.compact,
            compact_in=self.compact_in,
            channels=channels,
        )

    @model_validator(mode="after")
    def _makes_readings(self) -> "Map":
        measured = ("temperature", "humidity", "wood", "contact", "rain", "pressure", "co2")
        given = [name for name in measured if getattr(self, name) is not None]
        if not given and not self.compact:
            raise ValueError(f"nothing measured is mapped; add one of {', '.join(measured)}")
        if self.compact and (given or self.battery or self.sequence or self.boot):
            raise ValueError(
                "compact brings values, battery and sequence of its own; leave those of the map out"
            )
        if not (self.time or self.sequence or self.compact):
            raise ValueError(
                "samples cannot be told apart; say where their time is, or a sequence number"
            )
        if self.boot and not self.sequence:
            raise ValueError("boot without sequence; say where that is")
        if self.timezone and self.timezone not in available_timezones():
            raise ValueError(
                f'timezone "{self.timezone}" is none; give one such as "Europe/Vienna"'
            )
        return self


class Settings(_Table):
    """Everything `sillkeep.toml` may say; `home` is the folder it was read from."""

    home: Path
    """The folder it was read from."""
    broker: Broker = Broker()
    """Where readings come from."""
    record: Record = Record()
    """Where the record is kept."""
    archive: Archive = Archive()
    """A mirror of readings and hours."""
    messages: Messages = Messages()
    """How people are told."""
    pages: Pages = Pages()
    """Where the board answers."""
    log: Log = Log()
    """How every process logs."""
    serve: Serve = Serve()
    """How the parts are run."""
    metrics: Metrics = Metrics()
    """Figures for a machine."""
    weather: tuple[Weather, ...] = ()
    """Services that are asked for the weather of a site."""
    map: tuple[Map, ...] = ()
    """Messages of other makers that become readings."""

    @model_validator(mode="after")
    def _topics_of_others(self) -> "Settings":
        from sensors.formats.mapped import filter_fault

        for given in self.map:
            if fault := filter_fault(given.topic, prefix=self.broker.prefix):
                raise ValueError(f'[[map]] topic "{given.topic}": {fault}')
        return self

    @model_validator(mode="after")
    def _one_service_a_zone(self) -> "Settings":
        places = [(weather.site, weather.zone) for weather in self.weather]
        if len(set(places)) < len(places):
            raise ValueError("two weather services fill one zone; give one of them another `zone`")
        return self

    def secret_files(self) -> tuple[Path, ...]:
        """Files whose first line is a secret."""
        named = (
            self.broker.password_file,
            self.record.password_file,
            self.archive.token_file,
            self.metrics.token_file,
            *(weather.token_file for weather in self.weather),
        )
        return tuple(dict.fromkeys(file for file in named if file is not None))

    @property
    def record_home(self) -> Path:
        """Folder of the record."""
        return self.record.path or self.home


def home_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Folder of settings and record: SILLKEEP_HOME, else `sillkeep` in the user's data folder."""
    if home := environment.get("SILLKEEP_HOME"):
        return Path(home).expanduser().absolute()
    data = environment.get("XDG_DATA_HOME", "")
    # the base directory specification: a relative XDG_DATA_HOME is ignored
    base = Path(data) if data.startswith("/") else Path.home() / ".local" / "share"
    return base / "sillkeep"


def load(home: Path) -> Settings:
    """Read and check the settings of a home folder.

    Parameters
    ----------
    home : Path
        Folder that may hold `sillkeep.toml`.

    Returns
    -------
    Settings
        Frozen; defaults where the file is silent or missing.

    Raises
    ------
    ConfigError
        Naming file, line and fix for everything that is wrong in it.
    """
    file = home / FILE_NAME
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        text = ""
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{file} cannot be read ({error}); it must be UTF-8 text") from error
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        line = re.search(r"at line (\d+)", str(error))
        where = f"{file}, line {line[1] if line else len(text.splitlines())}"
        raise ConfigError(f"{where}: not TOML: {error}") from error
    if "home" in tables:
        line_number = _line_of(text, ("home",))
        raise ConfigError(
            f'{file}, line {line_number}: unknown key "home"; set SILLKEEP_HOME instead'
        )
    try:
        return Settings.model_validate(tables | {"home": home}, context={"home": home})
    except ValidationError as error:
        problems = [_sentence(file, text, detail) for detail in error.errors()]
        raise ConfigError("\n".join(problems)) from error


def shown(settings: Settings, *, version: str) -> list[tuple[str, str]]:
    """How the program runs, for a page: (name, value), no secret and no address that may hold one."""
    broker, kept = settings.broker, settings.record
    ends = "never" if kept.keep_years is None else f"after {kept.keep_years} years"
    found = [
        ("Sillkeep", version),
        ("settings", str(settings.home / FILE_NAME)),
        ("record", Server(kept.address).shown if kept.address else str(settings.record_home)),
        ("readings sealed", f"after {kept.fresh_days} days"),
        ("readings of units that are gone dropped", ends),
        (
            "broker",
            f"{'its own' if broker.embedded else 'named'}, {broker.address}:{broker.port}, "
            f"{'TLS' if broker.ca_file else 'no TLS'}, topics under {broker.prefix}",
        ),
        ("archive", urlsplit(settings.archive.url).hostname or "none"),
        ("board", f"{settings.pages.host}:{settings.pages.port}"),
        ("reached through", settings.pages.proxy or "this machine alone"),
        ("links in messages", settings.messages.board_url or "none"),
        ("heartbeat", urlsplit(settings.messages.heartbeat_url).hostname or "none"),
    ]
    found += [
        (
            f"weather of {w.site}",
            f"{w.name}, {w.distance_km:g} km away, every {w.every_minutes} minutes",
        )
        for w in settings.weather
    ]
    return found


def claim(home: Path, part: str) -> IO[str] | None:
    """Take the lock of one process of this home folder; None if another instance holds it.

    The lock lasts as long as the returned file stays open, and ends with the process however it
    ends. Callers exit with `BUSY` on None.
    """
    home.mkdir(parents=True, exist_ok=True)
    file = (home / f"{part}.lock").open("a")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    return file


def _sentence(file: Path, text: str, detail: ErrorDetails) -> str:
    """One error of pydantic as a sentence with its line."""
    path = tuple(str(part) for part in detail["loc"])
    where = f"{file}, line {_line_of(text, path)}"
    name = ".".join(part for part in path if not part.isdecimal())
    if detail["type"] == "extra_forbidden":
        known = _keys(path[:-1])
        close = difflib.get_close_matches(path[-1], known, n=1)
        fix = f'did you mean "{close[0]}"?' if close else f"known here: {', '.join(known)}"
        return f'{where}: unknown key "{name}"; {fix}'
    if detail["type"] == "value_error":  # our own sentence
        return f"{where}: {name}: {detail['ctx']['error']}"
    if detail["type"] == "string_pattern_mismatch" and name == "broker.member":
        return f"{where}: {name} = {detail['input']!r}: use small letters, digits and -"
    if detail["type"] == "string_pattern_mismatch":
        return f"{where}: {name} = {detail['input']!r}: use letters, digits, - and _, parted by /"
    if detail["type"] == "model_type":
        return f"{where}: {name} must be a table: write [{name}] on a line of its own"
    return f"{where}: {name} = {detail['input']!r}: {detail['msg']}"


def _keys(path: tuple[str, ...]) -> list[str]:
    """Names allowed in a table."""
    fields: Any = Settings.model_fields
    for part in path:
        if not part.isdecimal():  # the number of a table among its like
            kind = fields[part].annotation
            fields = next(
                c for c in (kind, *get_args(kind)) if hasattr(c, "model_fields")
            ).model_fields
    return [name for name in fields if name != "home"]


def _line_of(text: str, path: tuple[str, ...]) -> int:
    """Line where a key stands, or the nearest table above it; 1 if nowhere.

    A scan of the text, because no parser of the standard library keeps positions. It knows tables,
    dotted keys and quoted keys; for a key inside braces it answers the line of its table.
    """
    table: tuple[str, ...] = ()
    best, best_length = 1, 0
    tables: Counter[str] = Counter()  # of those that may be there several times: [[weather]]
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line)
        key = re.match(r"\s*([A-Za-z0-9_\-.\"' ]+?)\s*=", line)
        if head:
            first, *rest = _parts(head[1])
            tables[first] += line.lstrip().startswith("[[")
            number_of = (str(tables[first] - 1),) if tables[first] else ()
            table = full = (first, *number_of, *rest)
        elif key:
            full = table + _parts(key[1])
        else:
            continue
        if full == path[: len(full)] and len(full) > best_length:
            best, best_length = number, len(full)
    return best


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip(" \"'") for part in dotted.split("."))
