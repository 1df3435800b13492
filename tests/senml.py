"""What RFC 8428 asks of a pack, written from the RFC and from nothing of ours.

Sections are those of RFC 8428 (Sensor Measurement Lists), August 2018; units are those of its
section 12.1 and of RFC 8798 (secondary units), from memory as far as they are used in the tests.
"""

import re
from typing import Any

Pack = list[dict[str, Any]]

LABELS = {  # table 1: label -> JSON type
    "bn": str,
    "bt": (int, float),
    "bu": str,
    "bv": (int, float),
    "bs": (int, float),
    "bver": int,
    "n": str,
    "u": str,
    "v": (int, float),
    "vs": str,
    "vb": bool,
    "vd": str,
    "s": (int, float),
    "t": (int, float),
    "ut": (int, float),
}
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # 4.5.1
UNITS = frozenset(
    "m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2 "  # noqa: SIM905
    "m3/s l/s W/m2 cd/m2 bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min "
    "beats S/m".split()
)
SECONDARY = frozenset("ms min h kWh ppm /100 /1000 hPa mm cm km mV mA dBm".split())  # noqa: SIM905
PER_CENT_LIKE = {"%"}  # 12.1, note 1: the ratio itself, in spite of its name: not to be used
RELATIVE_BELOW_S = 2**28  # 4.5.3


def resolved(pack: Pack) -> list[tuple[str, float, object, str]]:
    """Name, time, value and unit of each record (4.6), after checking all of the pack."""
    assert isinstance(pack, list)
    assert pack
    versions = {record["bver"] for record in pack if "bver" in record}
    assert len(versions) <= 1, "4.4: one version a pack"
    version = next(iter(versions), 10)
    base: dict[str, Any] = {"bn": "", "bt": 0, "bu": "", "bv": 0, "bs": 0}
    found = []
    for record in pack:
        for label, value in record.items():
            assert label in LABELS, f"table 1: {label}"
            kind = LABELS[label]
            assert isinstance(value, kind), label  # type: ignore[arg-type]
            assert kind is bool or not isinstance(value, bool), label
        base |= {label: record[label] for label in base if label in record}
        values = [label for label in ("v", "vs", "vb", "vd") if label in record]
        if not values and "s" not in record:
            assert not set(record) - {"bn", "bt", "bu", "bv", "bs", "bver"}, "4.2: no value"
            continue
        assert len(values) <= 1, "4.2: one value"
        name = base["bn"] + record.get("n", "")
        assert NAME.fullmatch(name), f"4.5.1: {name}"
        unit = record.get("u", base["bu"])
        if unit:
            known = UNITS | (SECONDARY if version & 16 else frozenset())  # RFC 9100: feature 4
            assert unit in known, f"12.1: {unit}"
            assert unit not in PER_CENT_LIKE, "12.1, note 1"
        value = record[values[0]] if values else record["s"]
        if values == ["v"]:
            value += base["bv"]
        time_s = base["bt"] + record.get("t", 0)
        assert time_s >= RELATIVE_BELOW_S or time_s <= 0, "4.5.3: a relative time to come"
        found.append((name, time_s, value, unit))
    return found
