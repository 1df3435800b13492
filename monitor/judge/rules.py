"""The words of a zone: what is damp, wet, drying, and when it stops being so.

Pure steps over hours. Missing hours pause every clock: silence is never dryness.

::

    dry ── damp 24 h ──> damp ── wet 24 h, humid 12 h, pin 24 h ──> wet
     ^                    │ ^                                        │
     └── below 15 % 48 h ─┘ └───── none of its conditions 48 h ──────┘
    liquid water: wet at once
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import msgspec

from monitor.lot import AlarmKind


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of judgement, each with its reason.

    Moisture is wood moisture content in per cent of dry mass.
    """

    damp_percent: float = 16.0  # wood at about 80 % humidity, where the mould index starts at 20 °C
    damp_clears_percent: float = 15.0  # one point below: a sensor's error of 2 % at 80 % is 1 %MC
    wet_percent: float = 20.0  # the trade's rule: decay needs 20 % or more
    wet_pin_clears_percent: float = 18.0
    wet_unreferenced_percent: float = 22.0  # no outside air and no like zone to compare with
    wet_excess_percent: float = 3.0  # about twice the error of a 2 % sensor near 90 %
    humid_percent: float = 97.0  # air that close to saturation wets wood past 26 %
    humid_excess_percent: float = 2.0
    wet_above_c: float = 2.0  # below it, frost and not rain makes the air humid
    grows_above_c: float = 5.0  # the window of the 30-day criterion of ASHRAE 160: 5 to 40 °C
    surface_damp_percent: float = 80.0  # growth limit of the mould index at 20 °C
    surface_clears_percent: float = 75.0
    dew_hours: float = 3.0  # of 24
    damp_h: int = 24
    wet_h: int = 24
    humid_h: int = 12
    clear_h: int = 48
    freezing_c: float = 2.0  # a room's coldest pipe is colder than its air
    freezing_clears_c: float = 3.0
    index_first: float = 1.0  # growth seen under a microscope
    index_visible: float = 3.0  # and by eye
    index_deadband: float = 0.2
    rot_hours: float = (
        100.0  # four days; published times to decay differ tenfold, so it only asks to look
    )
    trend_starts_percent: float = 1.5  # change over 72 h; about the error of a 2 % sensor
    trend_ends_percent: float = 0.75
    settling_h: int = 48  # a probe's own housing and the hand that placed it dry out first
    wetting_mm: float = 2.0  # rain in 6 h that makes a wetting event


LIMITS = Limits()


@dataclass(frozen=True, slots=True)
class Delay:
    """What keeps an alarm of a kind from coming and going: hours and figures in words."""

    begins: str
    ends: str
    deadband: str


def _delays(limits: Limits) -> dict[AlarmKind, Delay]:
    """By kind of alarm, from the limits themselves; "none": a single reading is enough."""
    clear = f"{limits.clear_h} h"
    day = "a whole day's evidence"
    return {
        "water contact": Delay("none", clear, "none"),
        "damp": Delay(
            f"{limits.damp_h} h",
            clear,
            f"wood {limits.damp_percent:g} / {limits.damp_clears_percent:g} %; surface humidity "
            f"{limits.surface_damp_percent:g} / {limits.surface_clears_percent:g} %",
        ),
        "wet": Delay(
            f"{limits.wet_h} h; {limits.humid_h} h of humidity; none for water",
            clear,
            f"wood {limits.wet_percent:g} %, pin {limits.wet_percent:g} / "
            f"{limits.wet_pin_clears_percent:g} %",
        ),
        "mould growth": Delay(
            "none: the index moves over days",
            "none",
            f"index {limits.index_first:g} and {limits.index_visible:g}, each less "
            f"{limits.index_deadband:g}",
        ),
        "rot": Delay(f"{limits.rot_hours:g} rot hours", "an inspection", "none"),
        "condensation": Delay(
            f"{limits.dew_hours:g} h of dew in 24 h",
            "24 h without dew",
            f"{limits.dew_hours:g} / 0 h",
        ),
        "freezing": Delay(
            "1 h, and falling", "1 h", f"{limits.freezing_c:g} / {limits.freezing_clears_c:g} °C"
        ),
        "leak suspect": Delay(day, "an inspection", "latched"),
        "did not stay dry": Delay(day, "the next repair", "latched"),
        "drying stalled": Delay(day, day, "of the rate of drying"),
    }


DELAYS = _delays(LIMITS)

DRY, DAMP, WET = 0, 1, 2
LEVEL_WORDS = ("dry", "damp", "wet")


class Clocks(msgspec.Struct):
    """One zone's memory from hour to hour; all times in heard hours."""

    level: int = DRY
    sure: bool = False  # wet by liquid water or pin: stands whatever the air says
    contact: bool = False  # liquid water, until 48 measured hours without it
    pin: bool = False  # wet by a pin probe, until 48 h of its readings below
    damp_h: int = 0
    dry_h: int = 0
    air_h: int = 0
    humid_h: int = 0
    pin_h: int = 0
    not_wet_h: int = 0
    no_contact_h: int = 0
    no_pin_h: int = 0


_NEW = Clocks()


class Signs(msgspec.Struct, frozen=True):
    """What one zone showed, hour by hour; all of the same length."""

    heard: Sequence[bool]  # any reading at all
    seen: Sequence[bool]  # wood moisture (or surface humidity) is known
    damp: Sequence[bool]
    dry: Sequence[bool]
    air_wet: Sequence[bool]
    humid_wet: Sequence[bool]
    pin_wet: Sequence[bool]
    pin_holds: Sequence[bool]  # a fresh pin reading at or above the limit that clears
    contact: Sequence[bool]
    contact_seen: Sequence[bool]  # measured whether there is liquid water
    pin_seen: Sequence[bool]  # a fresh pin reading
    looked: Sequence[bool]  # somebody looked, mended, or placed another probe there
    left: Sequence[bool]  # somebody inspected it while no probe was there


class Course(msgspec.Struct, frozen=True):
    """What became of it, hour by hour."""

    level: list[int]
    sure: list[bool]
    contact: list[bool]


def follow(clocks: Clocks, signs: Signs, *, damp_h: int, limits: Limits = LIMITS) -> Course:
    """Carry one zone's clocks over the hours of `signs`; `clocks` is changed in place.

    Parameters
    ----------
    clocks : Clocks
        State before the first hour; after the call, the state after the last.
    signs : Signs
        Flags of each hour.
    damp_h : int
        Hours that dampness must last: 24 for wood, 1 where the flag is already a 24 h mean.
    limits : Limits
        Times after which words change.
    """
    course = Course(level=[], sure=[], contact=[])
    rows = zip(
        signs.heard,
        signs.seen,
        signs.damp,
        signs.dry,
        signs.air_wet,
        signs.humid_wet,
        signs.pin_wet,
        signs.pin_holds,
        signs.contact,
        signs.contact_seen,
        signs.pin_seen,
        signs.looked,
        signs.left,
        strict=True,
    )
    for (
        heard,
        seen,
        damp,
        dry,
        air_wet,
        humid_wet,
        pin_wet,
        pin_holds,
        contact,
        told,
        pin,
        looked,
        left,
    ) in rows:
        if left:  # the inspection is all that is known of it: its past begins anew
            _forget(clocks)
        if looked:  # what was measured before no longer speaks for what is there
            clocks.contact = clocks.pin = clocks.sure = False
        if seen:
            clocks.damp_h = clocks.damp_h + 1 if damp else 0
            clocks.dry_h = clocks.dry_h + 1 if dry else 0
            clocks.air_h = clocks.air_h + 1 if air_wet else 0
            clocks.humid_h = clocks.humid_h + 1 if humid_wet else 0
            clocks.pin_h = clocks.pin_h + 1 if pin_wet else 0
        if heard:
            wetting = contact or air_wet or humid_wet or pin_holds
            clocks.not_wet_h = 0 if wetting else clocks.not_wet_h + 1
            # only what measures the channel ends what it found: its silence ends nothing
            clocks.no_contact_h = 0 if contact else clocks.no_contact_h + told
            clocks.no_pin_h = 0 if pin_holds else clocks.no_pin_h + pin
            _turn(clocks, contact=contact, damp_h=damp_h, limits=limits)
        course.level.append(clocks.level)
        course.sure.append(clocks.sure)
        course.contact.append(clocks.contact)
    return course


def _forget(clocks: Clocks) -> None:
    for name in Clocks.__struct_fields__:
        setattr(clocks, name, getattr(_NEW, name))


def _turn(clocks: Clocks, *, contact: bool, damp_h: int, limits: Limits) -> None:
    """Change the word if a clock has run out."""
    _hold(clocks, contact=contact, limits=limits)
    if clocks.contact or clocks.pin:
        clocks.level, clocks.sure = WET, True
        return
    if clocks.air_h >= limits.wet_h or clocks.humid_h >= limits.humid_h:
        clocks.level = WET
    if clocks.level == WET:
        if clocks.not_wet_h < limits.clear_h:
            return
        clocks.level, clocks.sure = DAMP, False
    if clocks.level == DRY and clocks.damp_h >= damp_h:
        clocks.level = DAMP
    elif clocks.level == DAMP and clocks.dry_h >= limits.clear_h:
        clocks.level = DRY


def _hold(clocks: Clocks, *, contact: bool, limits: Limits) -> None:
    """What liquid water and a pin probe have found, until they themselves no longer find it."""
    if contact:
        clocks.contact = True
    elif clocks.no_contact_h >= limits.clear_h:
        clocks.contact = False
    if clocks.pin_h >= limits.wet_h:
        clocks.pin = True
    elif clocks.no_pin_h >= limits.clear_h:
        clocks.pin = False


def follow_trend(trend: str, changes: Sequence[float], *, limits: Limits = LIMITS) -> list[str]:
    """Words for the change of moisture over 72 h; nan keeps the word, blank until first known."""
    words = []
    for change in changes:
        if change >= limits.trend_starts_percent:
            trend = "wetting"
        elif change <= -limits.trend_starts_percent:
            trend = "drying"
        elif abs(change) <= limits.trend_ends_percent or (not trend and isfinite(change)):
            trend = "steady"
        words.append(trend)
    return words
