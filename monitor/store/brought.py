"""Rows of a unit's file from a stranger: whether they can be, and where they end for who has it now.

Everything is looked at first, by the file's own time; then what lies beyond the new owner's first own
hour is left out. An alarm that stood across that hour is kept as it stood then, a proof as it was told then.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from math import inf
from typing import Any
from uuid import UUID

from monitor.errors import InputError
from monitor.store import proving

HOUR_S, DAY_S = 3600, 86_400
MOST_FACTS = 4000
MOST_LINES = 20  # of an alarm's text

Row = dict[str, Any]
Parts = Mapping[str, list[Row]]

# what a figure can be at most: wider than anything that a sensor says, so that a page can draw it
RANGES: dict[str, dict[str, tuple[float, float]]] = {
    "unit.csv": {"slides": (0, 20)},
    "zones.csv": {"temperature_factor": (0.0, 1.0)},
    "hours.csv": {
        "readings": (0, 1e6), "coverage_percent": (0.0, 100.0), "temperature_c": (-100.0, 150.0),
        "humidity_percent": (0.0, 110.0), "dew_point_c": (-150.0, 150.0),
        "humidity_ratio_g_kg": (0.0, 1e4), "surface_humidity_percent": (0.0, 1e4),
        "dew_point_margin_k": (-250.0, 250.0), "wood_moisture_percent": (0.0, 300.0),
        "ambient_moisture_percent": (0.0, 300.0), "mould_index": (0.0, 6.0),
        "mould_index_low": (0.0, 6.0), "mould_index_high": (0.0, 6.0),
        "mould_index_sensitive": (0.0, 6.0), "days_to_index_1": (0.0, inf),
        "days_to_index_3": (0.0, inf), "thirty_day_humidity_percent": (0.0, 110.0),
        "rot_hours": (0.0, 1e6), "rain_mm": (0.0, 1000.0), "leak_score": (-1e4, 1e4),
        "witnessed": (0, 1e6),
    },
    "alarms.csv": {"number": (1, 1e6), "instant": (0, 1), "revision": (1, 1e6)},
    "alarm_steps.csv": {"number": (1, 999_999)},
    "proofs.csv": {"number": (0, 1e6)},
    "limits.csv": {"old": (-1e4, 1e4), "new": (-1e4, 1e4)},
    "findings.csv": {
        "score": (-1e4, 1e4), "percent": (0.0, 300.0), "temperature_c": (-100.0, 150.0),
        "depth_mm": (0.0, 1000.0),
    },
    "joints.csv": {"on_roof": (0, 1), "retired": (0, 1), "height_m": (0.0, 20.0)},
    "seal_rules.csv": {"days": (1, 3660)},
    "bench.csv": {
        "measured_percent": (0.0, 110.0), "temperature_c": (-100.0, 150.0),
        "reference_percent": (0.0, 100.0), "uncertainty_percent": (0.0, 100.0),
    },
}  # fmt: skip
BEFORE_END = {  # columns that lie before the time up to which the file is
    "events.csv": ("at_s",), "alarms.csv": ("raised_s",), "proofs.csv": ("repaired_s",),
    "cases.csv": ("repaired_s",),
}  # fmt: skip
# times that may lie beyond the file's own: what is planned, and what a clock said that ran ahead
FREE = frozenset({"watched_from_s", "recorded_s"})
LAST_S = 2**33  # year 2242


# --- whether they can be --------------------------------------------------------------------------


def check(parts: Parts, *, until_s: int, made_s: int) -> None:
    """Look at the rows of all parts, each of the types of its columns.

    Raises
    ------
    InputError
        If one of them cannot be; it says which part, and what.
    """
    for name, rows in parts.items():
        special = _CHECKS.get(name)
        ranges = RANGES.get(name, {})
        for row in rows:
            _check_ranges(name, row, ranges)
            _check_times(name, row, until_s, made_s)
            if special is not None:
                special(row)
    for row in parts.get("proofs.csv", ()):
        if row["at_s"] > until_s:
            raise InputError("it has a proof beyond the time that it is of")


def _check_ranges(name: str, row: Row, ranges: Mapping[str, tuple[float, float]]) -> None:
    for column, (low, high) in ranges.items():
        value = row[column]
        if value is not None and not low <= value <= high:
            raise InputError(f"{name} has {column} {value:.6g}, which cannot be")


def _check_times(name: str, row: Row, until_s: int, made_s: int) -> None:
    latest_s = made_s + DAY_S  # clocks differ
    for column, value in row.items():
        if value is None:
            continue
        most_s = LAST_S if column in FREE else latest_s
        seconds = HOUR_S if column == "hour" or column.endswith("_hour") else 1
        if (seconds > 1 or column.endswith("_s")) and not 0 <= value * seconds <= most_s:
            raise InputError(f"{name} has a time ({column}) that cannot be")
    for column in BEFORE_END.get(name, ()):
        if row[column] >= until_s:
            raise InputError(f"{name} has a row beyond the time that it is of")
    if name == "hours.csv" and row["hour"] * HOUR_S >= until_s:
        raise InputError("it has hours beyond the time that it is of")


def _check_proof(row: Row) -> None:
    flaw = proving.flaw(row)
    if flaw:
        raise InputError(f"it has a proof {flaw}")


def _check_alarm(row: Row) -> None:
    """What its text is made from: a zone and named figures or words."""
    facts = row["facts"]
    if row["parts"].count("\n") >= MOST_LINES or len(facts) > MOST_FACTS:
        raise InputError("it has an alarm with more words than any alarm")
    if facts and not _are_facts(read_json(facts)):
        raise InputError("it has an alarm whose facts are of another form")


def _are_facts(held: object) -> bool:
    if not isinstance(held, dict) or held.keys() != {"zone", "facts"}:
        return False
    facts = held["facts"]
    return (
        isinstance(held["zone"], str)
        and isinstance(facts, dict)
        and all(type(value) in {int, float, str, bool} for value in facts.values())
    )


def _check_finding(row: Row) -> None:
    for name in ("identity", "round"):
        _check_uuid(row[name])
    if row["withdraws"]:
        _check_uuid(row["withdraws"])
    _check_photos(row)
    checks = read_json(row["checks"])
    if not isinstance(checks, list) or len(checks) > MOST_LINES:
        raise InputError("it has checks of a finding that cannot be read")
    for one in checks:
        if not isinstance(one, list) or [type(word) for word in one] != [str, str]:
            raise InputError("it has checks of a finding that cannot be read")
    if row["mode"] and row["percent"] is None:
        raise InputError("it has a meter without a reading")


def _check_uuid(said: str) -> None:
    try:
        UUID(said)
    except ValueError as error:
        raise InputError("it has a finding without an identity") from error


def _check_photos(row: Row) -> None:
    _check_words(row["photos"])


def _check_seal(row: Row) -> None:
    _check_words(row["photos"])
    _check_words(row["confirmed"])


def _check_words(said: str) -> None:
    words = read_json(said)
    if not isinstance(words, list) or not all(type(word) is str for word in words):
        raise InputError("it has a list that cannot be read")


def _check_case(row: Row) -> None:
    if row["kind"] == "goal" and not proving.is_goal(row["value"]):
        raise InputError("it has a drying goal that cannot be")


def read_json(said: str) -> Any:  # noqa: ANN401  as it was written
    """JSON of a cell; InputError for what is none."""
    try:
        return json.loads(said)
    except (ValueError, RecursionError) as error:
        raise InputError("it has a cell that cannot be read") from error


_CHECKS: dict[str, Callable[[Row], None]] = {
    "proofs.csv": _check_proof,
    "alarms.csv": _check_alarm,
    "findings.csv": _check_finding,
    "seals.csv": _check_seal,
    "cases.csv": _check_case,
}


# --- where they end -------------------------------------------------------------------------------


def cut(parts: Parts, at_s: int) -> tuple[dict[str, list[Row]], dict[str, int]]:
    """Rows up to a time, and of how many rows of each part nothing is kept.

    What names something that is left out goes with it; a photo is only taken out of its list.
    """
    kept = {
        name: [row for row in rows if _is_before(name, row, at_s)] for name, rows in parts.items()
    }
    kept["alarms.csv"], kept["alarm_steps.csv"] = _alarms(
        kept.get("alarms.csv", []), parts.get("alarm_steps.csv", []), at_s
    )
    kept["proofs.csv"] += _as_told(kept["proofs.csv"])
    kept["placements.csv"] = [_open(row, "to_s", at_s) for row in kept["placements.csv"]]
    kept["bench.csv"] = [
        row if (row["undone_s"] or 0) < at_s
        else row | {"undone_s": None, "undone_who": "", "undone_why": ""}
        for row in kept["bench.csv"]
    ]  # fmt: skip
    _let_go(kept)
    return kept, {
        name: missing for name in parts if (missing := len(parts[name]) - len(kept[name])) > 0
    }


def _is_before(name: str, row: Row, at_s: int) -> bool:
    """Whether a row is of the time before."""
    if name in _TIMES:
        column, seconds = _TIMES[name]
        if row[column] * seconds >= at_s:
            return False
    if name == "proofs.csv":
        return bool(row["repaired_s"] < at_s and row["at_s"] <= at_s)
    return name != "cases.csv" or bool(row["repaired_s"] < at_s)


_TIMES: dict[str, tuple[str, int]] = {
    "hours.csv": ("hour", HOUR_S),
    "limits.csv": ("from_hour", HOUR_S),
    "alarms.csv": ("raised_s", 1),
    "placements.csv": ("from_s", 1),
    **dict.fromkeys(
        (
            *("events.csv", "alarm_steps.csv", "photos.csv", "findings.csv", "joints.csv"),
            *("seals.csv", "seal_rules.csv", "cases.csv", "bench.csv"),
        ),
        ("at_s", 1),
    ),
}


def _open(row: Row, column: str, at_s: int) -> Row:
    """A row whose end was not known yet at a time."""
    return row | {column: None} if row[column] is not None and row[column] >= at_s else row


def _alarms(alarms: Iterable[Row], steps: Iterable[Row], at_s: int) -> tuple[list[Row], list[Row]]:
    """Alarms as they stood at a time, with the steps that led there."""
    kept = {row["number"]: row for row in alarms}
    before = sorted(
        (row for row in steps if row["alarm"] in kept and row["at_s"] < at_s),
        key=lambda row: (row["alarm"], row["number"]),
    )
    states = {row["alarm"]: row["state"] for row in before}  # the last one's
    later = {row["alarm"] for row in steps if row["at_s"] >= at_s}
    stood = []
    for number, row in kept.items():
        open_ = _open(_open(row, "cleared_s", at_s), "withdrawn_s", at_s)
        if number in later or open_ != row:
            open_ = open_ | {"state": states.get(number, "unacknowledged")}
            if open_["cleared_s"] is None and open_["state"] == "normal":
                open_ |= {"state": "unacknowledged"}  # ended before, and not by then
        stood.append(open_)
    return stood, before


def _as_told(proofs: Iterable[Row]) -> list[Row]:
    """How proofs stood, where that was left out: as the last one told of each."""
    last: dict[tuple[str, int], Row] = {}
    standing = set()
    for row in proofs:
        key = (row["zone"], row["repaired_s"])
        if not row["number"]:
            standing.add(key)
        elif key not in last or row["number"] > last[key]["number"]:
            last[key] = row
    return [
        row | {"number": 0, "reason": "", "version": "", "recorded_s": 0}
        for key, row in last.items()
        if key not in standing
    ]


def _let_go(kept: dict[str, list[Row]]) -> None:
    """Leave out what names a photo, a finding or a joint that is left out."""
    photos = {row["digest"] for row in kept["photos.csv"]}
    for name in ("findings.csv", "seals.csv"):
        kept[name] = [row | {"photos": _only(row["photos"], photos)} for row in kept[name]]
    kept["cases.csv"] = [
        row for row in kept["cases.csv"] if row["kind"] != "photo" or row["value"] in photos
    ]
    known = {row["identity"] for row in kept["findings.csv"]} | {""}
    kept["findings.csv"] = [row for row in kept["findings.csv"] if row["withdraws"] in known]
    joints = {row["code"] for row in kept["joints.csv"]} | {""}
    for name in ("seals.csv", "seal_rules.csv"):
        kept[name] = [row for row in kept[name] if row["joint"] in joints]


def _only(said: str, known: set[str]) -> str:
    return json.dumps([digest for digest in json.loads(said) if digest in known])
