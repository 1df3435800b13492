"""Any JSON on MQTT -> readings, by a table of JMESPath expressions.

::

    message (JSON) + "_topic" (its levels)  --expressions-->  node, probe, time, sequence, channels
    identity: (node, probe, boot, sequence) where a sequence is given, else (node, probe, time)

An expression sees the fields of the message and one more, `_topic`: the levels of the topic, from
0. A message that is no object is `_message` beside it. A value that is null or absent is not
measured; one of another form, or outside what a probe can measure, is left out alone and said;
without node, time or any value at all the message is no reading. Whatever is not a reading is in
the one Reject of the message.

References
----------
.. [1] JMESPath, https://jmespath.org/specification.html.
.. [2] MQTT 5.0 (OASIS 2019), 4.7: topic filters.
"""

import base64
import binascii
import datetime as dt
from collections.abc import Mapping
from functools import lru_cache
from math import isfinite
from typing import Any, Final, Literal, NamedTuple

import jmespath
import msgspec
from jmespath.exceptions import JMESPathError

from sensors.formats import FormatError, compact
from sensors.probes.replay import read_time
from sensors.wire import AHEAD_S, CODE, LIMITS, OLDEST_S, Reading, Reject

TOPIC: Final = "_topic"
MESSAGE: Final = "_message"
RADIO: Final = "radio"  # the probe that battery and signal of a compact message are of
_SHOWN_LENGTH: Final = 80
_LARGEST: Final = 2**53 - 1  # integers that every JSON reader keeps exactly (RFC 7493)


class _Unit(NamedTuple):
    """Value of the field = (value given + shift) * factor / divisor."""

    shift: float = 0.0
    factor: float = 1.0
    divisor: float = 1.0


class _Kind(NamedTuple):
    field: str
    units: Mapping[str, _Unit]


# first the unit of the field
CHANNELS: Final = {
    "temperature": _Kind(
        "temperature_c",
        {"Cel": _Unit(), "degF": _Unit(-32, 5, 9), "K": _Unit(-273.15)},
    ),
    "humidity": _Kind("humidity_percent", {"%": _Unit(), "1": _Unit(factor=100)}),
    "wood": _Kind("wood_percent", {"%": _Unit(), "1": _Unit(factor=100)}),
    "contact": _Kind("contact", {"": _Unit()}),
    "rain": _Kind(
        "rain_mm",
        {"mm": _Unit(), "kg/m2": _Unit(), "cm": _Unit(factor=10), "in": _Unit(factor=25.4)},
    ),
    "pressure": _Kind(
        "pressure_pa", {"Pa": _Unit(), "hPa": _Unit(factor=100), "kPa": _Unit(factor=1000)}
    ),
    "co2": _Kind("co2_ppm", {"ppm": _Unit()}),
    "battery": _Kind("battery_percent", {"%": _Unit(), "1": _Unit(factor=100)}),
    "signal": _Kind("signal_dbm", {"dBm": _Unit()}),
}


class Channel(msgspec.Struct, frozen=True):
    """Where a value is in a message, and in what unit."""

    at: str
    unit: str = ""


class Map(msgspec.Struct, frozen=True, kw_only=True):
    """How messages of one topic filter become readings; expressions are JMESPath, "": not given."""

    topic: str
    site: str
    node: str
    probe: str = ""
    time: str = ""
    time_in: Literal["s", "ms"] = "s"  # of times that are numbers since 1970
    zone: dt.tzinfo | None = None  # of times without an offset
    sequence: str = ""
    boot: str = ""
    silence_s: int | None = None
    compact: str = ""  # the 11 bytes of `sensors.formats.compact`
    compact_in: Literal["base64", "hex"] = "base64"
    channels: dict[str, Channel] = {}


class Step(NamedTuple):
    """One field: what its expression found, and what became of it."""

    field: str
    expression: str
    found: object
    value: object = None
    problem: str = ""
    unit: str = ""  # of `found`


class Mapped(msgspec.Struct):
    """What a message became."""

    steps: list[Step] = []
    readings: list[Reading] = []
    problems: list[str] = []  # a sentence for each field that could not be used

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left out."""
        return not self.problems


class _ProblemError(Exception):
    """A value that cannot be used; the text says why."""


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic is one of a filter's (MQTT 5.0, 4.7)."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    if given[0].startswith("$") and wanted[0] in {"+", "#"}:
        return False
    for at, level in enumerate(wanted):
        if level == "#":
            return True
        if at >= len(given) or level not in {"+", given[at]}:
            return False
    return len(wanted) == len(given)


def filter_fault(topic_filter: str, *, prefix: str) -> str:
    """Why a topic filter cannot be used beside our own topics under `prefix`; empty: it can."""
    levels = topic_filter.split("/")
    if not topic_filter or "\0" in topic_filter or levels[0].startswith("$"):
        return "it must begin with a level of the topics, no $"
    if any(len(level) > 1 and set(level) & {"+", "#"} for level in levels) or "#" in levels[:-1]:
        return "+ stands for one whole level, # only at the end"
    own = prefix.split("/")
    for at, level in enumerate(own):
        if at < len(levels) and levels[at] == "#":
            break
        if at >= len(levels) or levels[at] not in {"+", level}:
            return ""
    if len(levels) > len(own) or levels[-1] == "#":
        return f"it would also take our own topics under {prefix}/: write its first level out"
    return ""


def decode(
    given: Map, topic: str, payload: bytes, *, received_s: int, waited_s: int = 0
) -> tuple[list[Reading], list[Reject]]:
    """Readings of one message, and its Reject if anything in it is not a reading. Never raises.

    Parameters
    ----------
    given : Map
        How to read it.
    topic : str
        Topic it came on.
    payload : bytes
        Any bytes are allowed here.
    received_s : int
        When we received it. [s since 1970]
    waited_s : int
        How long it waited in the broker. [s]
    """
    found = explain(given, topic, payload, received_s=received_s, waited_s=waited_s)
    if found.is_whole:
        return found.readings, []
    reason = f'[[map]] of "{given.topic}": {"; ".join(found.problems)}'
    return found.readings, [
        Reject(topic=topic, payload=payload, reason=reason, received_s=received_s)
    ]


def explain(
    given: Map, topic: str, payload: bytes, *, received_s: int, waited_s: int = 0
) -> Mapped:
    """What a message becomes, field by field; see `decode`."""
    found = Mapped()
    try:
        message = msgspec.json.decode(payload)
    except (ValueError, RecursionError) as error:
        found.problems.append(f"the message is no JSON ({error})")
        return found
    levels = topic.split("/")
    seen = {MESSAGE: message, TOPIC: levels}
    if isinstance(message, dict):
        seen = message | {TOPIC: levels}
    look = _Look(seen, found)
    node = look.at("node", given.node, _code)
    probe = look.at("probe", given.probe, _code) if given.probe else "p1"
    at_s: int | None = received_s - waited_s
    if given.time:
        at_s = look.at("time", given.time, lambda value: _time(value, given, received_s))
    boot = look.at("boot", given.boot, _whole) if given.boot else 0
    seq = look.at("sequence", given.sequence, _whole) if given.sequence else None
    stamps = {"site": given.site, "node": node, "probe": probe, "silence_s": given.silence_s}
    if given.sequence:
        stamps |= {"boot": boot, "seq": seq}
    values = look.channels(given.channels)
    brief = (
        look.at("compact", given.compact, lambda value: _compact(value, given.compact_in))
        if given.compact
        else None
    )
    if look.failed or at_s is None:
        return found
    if brief is not None:
        found.readings = _of_compact(brief, stamps, at_s, values)
    elif values:
        found.readings = [Reading(at_s=at_s, **stamps, **values)]
    if not found.readings and not found.problems:
        names = ", ".join(f'{name} at "{each.at}"' for name, each in given.channels.items())
        found.problems.append(f"nothing measured is in it ({names or given.compact})")
    return found


class _Look:
    """Evaluates expressions on one message and notes each step."""

    def __init__(self, seen: dict[str, Any], found: Mapped) -> None:
        self._seen = seen
        self._found = found
        self.failed = False  # something that a reading cannot do without

    def at(self, field: str, expression: str, read: Any) -> Any:  # noqa: ANN401  what `read` gives
        """Value of a field that must be there; None notes why it is not."""
        try:
            raw = _search(expression, self._seen)
            self._note(Step(field, expression, raw))
            value = read(_there(raw))
        except _ProblemError as problem:
            self.failed = True
            self._fail(field, expression, problem)
            return None
        self._found.steps[-1] = self._found.steps[-1]._replace(value=value)
        return value

    def channels(self, channels: Mapping[str, Channel]) -> dict[str, Any]:
        """Values by field of Reading; what cannot be used is left out and noted."""
        values: dict[str, Any] = {}
        for name, channel in channels.items():
            try:
                raw = _search(channel.at, self._seen)
                self._note(Step(name, channel.at, raw, unit=channel.unit))
                if raw is None:
                    continue
                value = _measured(name, channel.unit, raw)
            except _ProblemError as problem:
                self._fail(name, channel.at, problem)
                continue
            self._found.steps[-1] = self._found.steps[-1]._replace(value=value)
            values[CHANNELS[name].field] = value
        return values

    def _note(self, step: Step) -> None:
        self._found.steps.append(step)

    def _fail(self, field: str, expression: str, problem: _ProblemError) -> None:
        steps = self._found.steps
        if not steps or steps[-1].field != field:
            steps.append(Step(field, expression, None))
        steps[-1] = steps[-1]._replace(problem=str(problem))
        self._found.problems.append(f'{field} at "{expression}": {problem}')


@lru_cache(maxsize=256)
def _compiled(expression: str) -> Any:  # noqa: ANN401  the library's own
    return jmespath.compile(expression)


def _search(expression: str, seen: dict[str, Any]) -> object:
    """What an expression finds; whatever a message makes of it ends in a sentence."""
    try:
        found: object = _compiled(expression).search(seen)
    except (
        JMESPathError,
        TypeError,
        ValueError,
        ArithmeticError,
        LookupError,
        AttributeError,
        RecursionError,
    ) as error:
        raise _ProblemError(f"the expression fails on this message ({error})") from error
    return found


def _there(value: object) -> object:
    if value is None:
        raise _ProblemError("nothing is there")
    return value


def _code(value: object) -> str:
    """A node or probe: codes are in small letters, addresses of devices often are not."""
    code = str(value).lower() if isinstance(value, str | int) else ""
    if isinstance(value, bool) or not CODE.fullmatch(code):
        raise _ProblemError(f"{_shown(value)} is no code of a-z 0-9 - _ (at most 64)")
    return code


def _whole(value: object) -> int:
    number = int(value) if isinstance(value, float) and value.is_integer() else value
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= _LARGEST:
        raise _ProblemError(f"{_shown(value)} is no whole number of 0 or more")
    return number


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        is_number = isinstance(value, str)
        hint = ": write to_number(...) around the expression" if is_number else ""
        raise _ProblemError(f"{_shown(value)} is no number{hint}")
    if abs(value) > _LARGEST or not isfinite(value):
        raise _ProblemError(f"{_shown(value)} is no measured value")
    return float(value)


def _measured(name: str, unit: str, value: object) -> float | bool:
    field, units = CHANNELS[name]
    if field == "contact":
        if value not in (0, 1):  # true and false are that too
            raise _ProblemError(f"{_shown(value)} is neither true nor false")
        return bool(value)
    of_unit = units[unit]
    number = (_number(value) + of_unit.shift) * of_unit.factor / of_unit.divisor
    low, high = LIMITS[field]
    if not low <= number <= high:
        own = next(iter(units))
        raise _ProblemError(
            f"{_shown(value)} {unit} is {number:g} {own}, outside {low:g} to {high:g}: "
            "see the unit in the settings"
        )
    return number


def _time(value: object, given: Map, received_s: int) -> int:
    """Whole seconds since 1970; a clock that was never set, or is ahead of ours, is no time."""
    if isinstance(value, str):
        try:
            at_s = read_time(value.strip(), given.zone or dt.UTC)
            if given.zone is None and dt.datetime.fromisoformat(value.strip()).tzinfo is None:
                raise _ProblemError(f"{_shown(value)} has no offset from UTC: set timezone")
        except (ValueError, OverflowError, OSError) as error:
            raise _ProblemError(f"{_shown(value)} is no time that can be used: {error}") from error
    else:
        at_s = round(_number(value) / (1000 if given.time_in == "ms" else 1))
    unit = given.time_in
    if at_s < OLDEST_S:
        raise _ProblemError(f"{_shown(value)} is before 2010: an unset clock, or not in {unit}")
    if at_s > received_s + AHEAD_S:
        raise _ProblemError(f"{_shown(value)} is after now: a wrong clock, or not in {unit}")
    return at_s


def _compact(value: object, written: Literal["base64", "hex"]) -> compact.Message:
    if not isinstance(value, str):
        raise _ProblemError(f"{_shown(value)} is no text of {written}")
    try:
        payload = (
            bytes.fromhex(value)
            if written == "hex"
            else base64.b64decode(value.encode(), validate=True)
        )
        return compact.decode(payload)
    except FormatError as error:
        raise _ProblemError(str(error)) from error
    except (ValueError, binascii.Error) as error:
        raise _ProblemError(f"{_shown(value)} is no {written}") from error


def _of_compact(
    message: compact.Message, stamps: dict[str, Any], at_s: int, values: dict[str, Any]
) -> list[Reading]:
    """The sample before, where there is one, the sample, and what is of the message alone.

    Battery and signal are a probe of their own: a sample that comes twice, by itself and with the
    next one, must be the same both times.
    """
    found: list[tuple[int, int, dict[str, str], dict[str, Any]]] = []
    if message.previous is not None:
        before_s = at_s - 60 * message.age_min
        found.append((message.seq - 1, before_s, {}, msgspec.structs.asdict(message.previous)))
    found.append((message.seq, at_s, {}, msgspec.structs.asdict(message.sample)))
    own = {"battery_percent": message.battery_percent} | values
    found.append((message.seq, at_s, {"probe": RADIO}, own))
    return [
        Reading(at_s=when_s, **stamps | probe | {"boot": 0, "seq": seq}, **measured)
        for seq, when_s, probe, measured in found
        if any(value is not None for value in measured.values())
    ]


def _shown(value: object) -> str:
    """A value of a message in a sentence: harmless and short."""
    text = ascii(value)
    return text if len(text) <= _SHOWN_LENGTH else f"{text[:_SHOWN_LENGTH]}..."
