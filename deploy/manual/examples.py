"""Messages of the manual, taken by the program's own decoders."""

import json
import tomllib
from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from monitor.config import Map
from sensors import wire
from sensors.formats import bthome, compact, mapped

RECEIVED_S = 1_764_100_000  # 2025-11-25T19:46:40Z: when the manual's messages came
DEVICE = "02:00:5e:10:a4:c3"

Row = tuple[str, str]


def decoded(kind: str, more: str, text: str) -> list[Row]:
    """What a message becomes, as rows of name and value.

    Parameters
    ----------
    kind : str
        senml, receipt, compact, bthome or mapped.
    more : str
        Topic of senml and mapped.
    text : str
        The message: JSON, or bytes in hexadecimal; of mapped, TOML, a line `---`, JSON.

    Raises
    ------
    ValueError
        If the program takes nothing from it, or refuses a part of it.
    """
    return _KINDS[kind](more, text)


def _senml(topic: str, text: str) -> list[Row]:
    readings, rejects = wire.decode(topic, text.encode(), received_s=RECEIVED_S)
    return _readings(readings, rejects)


def _readings(readings: list[wire.Reading], rejects: list[wire.Reject]) -> list[Row]:
    if rejects or not readings:
        raise ValueError("; ".join(reject.reason for reject in rejects) or "no reading")
    rows: list[Row] = []
    for number, reading in enumerate(readings, start=1):
        rows.append(("reading", f"{number} of {len(readings)}"))
        rows += _rows(msgspec.to_builtins(reading))
    return rows


def _rows(fields: Mapping[str, Any]) -> list[Row]:
    return [(name, str(value)) for name, value in fields.items() if value not in (None, (), [])]


def _receipt(_more: str, text: str) -> list[Row]:
    told = wire.decode_receipt(text.encode())
    return [(name, str(getattr(told, name))) for name in ("boot", "seq", "utc", "missing")]


def _compact(_more: str, text: str) -> list[Row]:
    data = bytes.fromhex(text)
    message = compact.decode(data)
    if compact.encode(message) != data:
        raise ValueError("the message is not what its values give")
    plain = msgspec.to_builtins(message)
    rows = _rows({name: plain[name] for name in ("seq", "age_min", "battery_percent")})
    for name in ("sample", "previous"):
        rows += [(name, f"{key} {value}") for key, value in _rows(plain[name] or {})]
    return rows


def _bthome(_more: str, text: str) -> list[Row]:
    return _rows(msgspec.to_builtins(bthome.Receiver({}).take(DEVICE, bytes.fromhex(text))))


def _mapped(topic: str, text: str) -> list[Row]:
    settings, _, message = text.partition("---\n")
    given = Map.model_validate(tomllib.loads(settings)["map"][0]).compiled()
    if not mapped.matches(given.topic, topic):
        raise ValueError(f"{given.topic} does not take {topic}")
    json.loads(message)
    return _readings(*mapped.decode(given, topic, message.encode(), received_s=RECEIVED_S))


_KINDS: Mapping[str, Callable[[str, str], list[Row]]] = {
    "senml": _senml,
    "receipt": _receipt,
    "compact": _compact,
    "bthome": _bthome,
    "mapped": _mapped,
}
