"""The life of an alarm, in the words of ISA-18.2. Pure: a state and an act give the next state.

::

    normal ── condition begins ──> unacknowledged ── acknowledged by a person ──> acknowledged
      ^  ^                            │     ^                                          │
      │  │               condition ends     condition begins again        condition ends
      │  │                            v     │                                          │
      │  └── acknowledged ── returned unacknowledged                                   │
      └────────────────────────────────────────────────────────────────────────────────┘

A leak suspect is *latched*: when its signs rest it stays until somebody records an inspection::

    unacknowledged ── signs rest ──> latched unacknowledged ── acknowledged ──┐
    acknowledged ──── signs rest ──> latched acknowledged <───────────────────┘
    either ── signs again ──> unacknowledged        any of the four ── inspected ──> normal

Silence ends no condition: only a reading that shows its end does.
"""

from typing import Literal

from monitor.errors import InputError
from monitor.lot import AlarmClass, AlarmKind, AlarmState

Act = Literal["begins", "ends", "acknowledged", "rests", "inspected"]

TRANSITIONS: dict[tuple[AlarmState, Act], AlarmState] = {
    ("normal", "begins"): "unacknowledged",
    ("unacknowledged", "acknowledged"): "acknowledged",
    ("unacknowledged", "ends"): "returned unacknowledged",
    ("acknowledged", "ends"): "normal",
    ("returned unacknowledged", "acknowledged"): "normal",
    ("returned unacknowledged", "begins"): "unacknowledged",
    ("unacknowledged", "rests"): "latched unacknowledged",
    ("acknowledged", "rests"): "latched acknowledged",
    ("latched unacknowledged", "acknowledged"): "latched acknowledged",
    ("latched unacknowledged", "begins"): "unacknowledged",
    ("latched acknowledged", "begins"): "unacknowledged",
    ("unacknowledged", "inspected"): "normal",
    ("acknowledged", "inspected"): "normal",
    ("latched unacknowledged", "inspected"): "normal",
    ("latched acknowledged", "inspected"): "normal",
}
LATCHED: frozenset[AlarmState] = frozenset({"latched unacknowledged", "latched acknowledged"})
CAN_ACKNOWLEDGE: frozenset[AlarmState] = frozenset(
    state for state, act in TRANSITIONS if act == "acknowledged"
)

# an ended alarm that late readings show to stand still
STANDS_AGAIN: dict[AlarmState, AlarmState] = {
    "normal": "acknowledged",
    "returned unacknowledged": "unacknowledged",
    "unacknowledged": "unacknowledged",
    "acknowledged": "acknowledged",
    "latched unacknowledged": "latched unacknowledged",
    "latched acknowledged": "latched acknowledged",
}

CLASSES: dict[AlarmKind, AlarmClass] = {
    "leak suspect": "today",
    "damp": "this week",
    "wet": "today",
    "mould growth": "this week",
    "rot": "this week",
    "condensation": "this week",
    "freezing": "act now",
    "water contact": "today",
    "silent": "this week",
    "sensor suspect": "this week",
    "battery low": "this week",
    "drying stalled": "today",
}


def after(state: AlarmState, act: Act) -> AlarmState:
    """State after an act.

    Raises
    ------
    InputError
        If the act is not possible in that state; the text says why.
    """
    try:
        return TRANSITIONS[state, act]
    except KeyError:
        raise InputError(
            _REFUSALS.get((state, act), f"an alarm that is {state} is not {act}")
        ) from None


_REFUSALS: dict[tuple[AlarmState, Act], str] = {
    ("normal", "acknowledged"): "this alarm has ended and was acknowledged: nothing is left to do",
    ("acknowledged", "acknowledged"): "this alarm was acknowledged already",
    ("latched acknowledged", "acknowledged"): "this alarm was acknowledged already; an inspection "
    "ends it",
}


def alarm_class(
    kind: AlarmKind, *, cause: str = "", in_use: bool = False, weather_explains: bool = False
) -> AlarmClass:
    """How soon an alarm of a kind asks for its answer.

    Parameters
    ----------
    kind : AlarmKind
        What was found.
    cause : str
        `wet` from condensation waits for this week.
    in_use : bool
        The unit is occupied or its water is on: liquid water then asks for an answer at once.
    weather_explains : bool
        The air outside alone makes a zone this damp: true, and nothing to open a unit for. A damp
        month would otherwise bury the few zones that have water of their own.
    """
    if kind == "damp" and weather_explains:
        return "season"
    if kind == "wet" and cause == "condensation":
        return "this week"
    if kind == "water contact" and in_use:
        return "act now"
    return CLASSES[kind]
