"""Rounds: what is checked at a zone by eye and hand, findings as they are sent, and what they teach.

A finding is written on a device that may have no connection, so its identity is made there; whatever
is sent, in which order and how often, each is kept once.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast, get_args

from monitor.errors import InputError
from monitor.lot import Construction, Finding, FoundResult, Meter, MeterMode
from monitor.roof import ROOF_KINDS
from monitor.store import Alarm, Record
from monitor.store.findings import digest as digest_of
from monitor.text.rounds import ANSWERS

MOST_PHOTOS = 4
MOST_NOTE, MOST_WORD, MOST_NAME = 1000, 80, 80
MOST_SENT = 16_384  # characters of one entry without its photos
EARLIEST_S = 1_577_836_800  # 2020-01-01: a clock that was never set
UNKNOWN_AFTER_S = 12 * 3600  # what a device has kept of words counts no more
_UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
WALLS = frozenset({"wall"})
HARD = frozenset({"wall", "floor", "slide-floor", "roof", "slide-roof"})
OUTSIDE = frozenset({"wall", "slide-floor", "bay", "underbelly"})
CHECKS: Mapping[str, frozenset[str] | None] = {  # kinds of zones; None: all
    "sight": WALLS,
    "tap": HARD,
    "press": HARD | {"bay", "underbelly"},
    "sealant": OUTSIDE,
    "lining": HARD | {"cabin", "bed"},
    "smell": None,
    "water": None,
    "growth": None,
}
FIELDS = frozenset(
    {"identity", "round", "unit", "zone", "at_s", "by", "construction", "checks", "result", "note",
     "meter", "withdraws"}
)  # fmt: skip
FALSE = ("condensation", "no leak")  # what shows that a leak suspicion was none


def checks_of(kind: str, *, roof_open: bool) -> tuple[str, ...]:
    """Checks of a zone of a kind, in their order; of a roof's outside only where it is not closed."""
    found = [check for check, kinds in CHECKS.items() if kinds is None or kind in kinds]
    if kind in ROOF_KINDS and roof_open:
        found.append("sealant")
    return tuple(found)


# --- as it is sent --------------------------------------------------------------------------------


def read(
    sent: object, *, who: str, now_s: int, photos: Sequence[str] = (), whose: str = ""
) -> Finding:
    """One finding as a device or a file says it.

    Parameters
    ----------
    sent : object
        Decoded JSON.
    who : str
        Who sends it. Where somebody else wrote it, both are named.
    now_s : int
        Time of receipt: no finding is later, whatever the device's clock says.
    photos : sequence of str
        Digests of the photos that came with it, as they are kept.
    whose : str
        Unit that it must be of; empty: any.

    Raises
    ------
    InputError
        If something is missing, of another type, too long or not known; it says what.
    """
    if not isinstance(sent, dict) or not all(isinstance(name, str) for name in sent):
        raise InputError("a finding is a JSON object")
    if odd := sorted(set(sent) - FIELDS):
        raise InputError(f'a finding has no "{odd[0][:40]}"')
    if len(photos) > MOST_PHOTOS:
        raise InputError(f"a finding has at most {MOST_PHOTOS} photos")
    unit, zone = (_word(sent, name, most=64, needed=True) for name in ("unit", "zone"))
    if whose and unit != whose:
        raise InputError(f"this finding is of another unit than {whose}")
    found = Finding(
        identity=_uuid(sent, "identity"),
        unit=unit,
        zone=zone,
        round=_uuid(sent, "round"),
        at_s=min(_time(sent), now_s),
        recorded_s=now_s,
        who=_who(_word(sent, "by", most=MOST_NAME), who),
        construction=cast(Construction, _choice(sent, "construction", get_args(Construction))),
        result=cast(FoundResult, _choice(sent, "result", get_args(FoundResult))),
        note=_word(sent, "note", most=MOST_NOTE),
        meter=_meter(sent.get("meter")),
        photos=tuple(dict.fromkeys(photos)),
        withdraws=_uuid(sent, "withdraws") if sent.get("withdraws") else "",
    )
    found = replace(found, checks=_checks(sent.get("checks", {}), found.construction))
    _check_whole(found)
    return replace(found, digest=digest_of(found))


def _check_whole(found: Finding) -> None:
    said = found.checks or found.result or found.meter or found.photos
    if found.withdraws:
        if said:
            raise InputError("a withdrawal says why, and nothing else")
        if not found.note:
            raise InputError("say why it is withdrawn")
    elif not (said or found.note):
        raise InputError("the finding says nothing")


def _word(sent: Mapping[str, Any], name: str, *, most: int, needed: bool = False) -> str:
    given = sent.get(name, "")
    if not isinstance(given, str) or len(given) > most:
        raise InputError(f"{name} is a text of at most {most} letters")
    plain = " ".join(given.split())
    if not plain.isprintable():
        raise InputError(f"{name} has letters that cannot be shown")
    if needed and not plain:
        raise InputError(f"{name} is missing")
    return plain


def _uuid(sent: Mapping[str, Any], name: str) -> str:
    given = sent.get(name)
    if not isinstance(given, str) or not _UUID.fullmatch(given):
        raise InputError(f"{name} is a UUID in small letters (RFC 9562)")
    return given


def _choice(sent: Mapping[str, Any], name: str, known: Sequence[str]) -> str:
    given = sent.get(name, "")
    if not isinstance(given, str) or given not in known:
        raise InputError(f"{name} is one of: {', '.join(filter(None, known))}")
    return given


def _time(sent: Mapping[str, Any]) -> int:
    given = sent.get("at_s")
    if type(given) is not int or not EARLIEST_S <= given < 1 << 40:
        raise InputError("at_s is the time of the finding, in seconds since 1970, after 2020")
    return given


def _who(by: str, who: str) -> str:
    if not by or by == who:
        return who[:MOST_NAME]
    return f"{by}, sent by {who}"[: 2 * MOST_NAME]


def _checks(sent: object, construction: Construction) -> tuple[tuple[str, str], ...]:
    if not isinstance(sent, dict):
        raise InputError("checks are an object of check and answer")
    found = []
    for check in sorted(sent, key=str):
        answer = sent[check]
        if check not in CHECKS or not isinstance(answer, str) or answer not in ANSWERS[check]:
            raise InputError(f'there is no check "{str(check)[:40]}" with that answer')
        if check == "sight":
            if not construction:
                raise InputError("say first whether the wall is laminated or hung")
            if answer == "wavy" and construction == "hung":
                answer = "flex"
        found.append((check, answer))
    return tuple(found)


def _meter(sent: object) -> Meter | None:
    if sent is None:
        return None
    names = {"device", "mode", "percent", "scale", "temperature_c", "depth_mm"}
    if not isinstance(sent, dict) or not set(sent) <= names:
        raise InputError(
            "meter is an object of device, mode, percent, scale, temperature_c, depth_mm"
        )
    device = _word(sent, "device", most=MOST_WORD)
    mode = sent.get("mode", "")
    if not device or mode not in get_args(MeterMode):
        raise InputError(
            "a meter reading without its device and mode (pin or pinless) is no evidence: add both"
        )
    percent = _number(sent, "percent", 0, 100)
    if percent is None:
        raise InputError("the meter reading is missing: per cent")
    return Meter(
        device=device,
        mode=mode,
        percent=percent,
        scale=_word(sent, "scale", most=MOST_WORD),
        temperature_c=_number(sent, "temperature_c", -40, 85),
        depth_mm=_number(sent, "depth_mm", 0, 200),
    )


def _number(sent: Mapping[str, Any], name: str, low: float, high: float) -> float | None:
    given = sent.get(name)
    if given is None:
        return None
    if type(given) not in {int, float} or not math.isfinite(given) or not low <= given <= high:
        raise InputError(f"{name} is a number from {low:g} to {high:g}")
    return round(float(given), 2)


# --- what stands ----------------------------------------------------------------------------------


def withdrawn(found: Iterable[Finding]) -> dict[str, Finding]:
    """Withdrawals by the identity of what they withdraw; the earliest where there are several."""
    gone: dict[str, Finding] = {}
    for each in found:
        if each.withdraws:
            gone.setdefault(each.withdraws, each)
    return gone


def standing(found: Iterable[Finding]) -> list[Finding]:
    """Findings that nobody withdrew, without the withdrawals themselves."""
    every = list(found)
    gone = withdrawn(every)
    return [each for each in every if not each.withdraws and each.identity not in gone]


def construction(found: Iterable[Finding]) -> Construction:
    """How a unit's walls are built, as told last; "" if nobody did."""
    told = [each.construction for each in standing(found)]
    return next((one for one in reversed(told) if one in {"laminated", "hung"}), "")


# --- what they teach ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Label:
    """What somebody found where an alarm stood, with the zone's score at the time."""

    finding: Finding
    kinds: tuple[str, ...]  # of the alarms that stood; none: the zone was looked at unasked


def labels(found: Iterable[Finding], alarms: Iterable[Alarm]) -> list[Label]:
    """Findings of a unit that say a result, each with the alarms of its zone that stood then."""
    every = list(alarms)
    made = []
    for each in standing(found):
        if not each.result:
            continue
        kinds = {
            a.kind
            for a in every
            if (a.unit, a.zone) == (each.unit, each.zone)
            and a.withdrawn_s is None
            and a.raised_s <= each.at_s
            and (a.cleared_s is None or a.cleared_s >= each.at_s)
        }
        made.append(Label(each, tuple(sorted(kinds))))
    return made


def counts(made: Iterable[Label]) -> dict[str, Counter[str]]:
    """How often each result was found under each kind of alarm; "" is under none."""
    table: dict[str, Counter[str]] = {}
    for label in made:
        for kind in label.kinds or ("",):
            table.setdefault(kind, Counter())[label.finding.result] += 1
    return table


def all_labels(record: Record) -> list[Label]:
    """Labels of every unit of a record."""
    found = []
    for unit in record.units():
        noted = record.findings(unit.code)
        if noted:
            found += labels(noted, record.alarms(unit=unit.code))
    return found
