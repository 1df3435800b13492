"""The life of an alarm, in the words of ISA-18.2. Pure: a state and an act give the next state.

Two tables are the whole of it: `TRANSITIONS`, what an alarm says of its condition, and `HOLDS`,
whether its source is held back. The diagram in DEVELOPERS.md is drawn from them.

Silence ends no condition: only a reading that shows its end does, or an inspection of a zone that no
probe watches any more. A leak suspect is *latched*: when its signs rest it stays until somebody records
an inspection.

A *source* (a kind of alarm in a zone or of a node) is held back by a person for a time (*shelved*),
by logic (*suppressed by design*) or for maintenance (*out of service*). Its alarms live on under the
hold: they are evaluated, listed and not told, and when it ends they are what their condition says.
By logic, nothing that cannot wait is ever held back: neither freezing nor water from a live supply.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.errors import InputError
from monitor.lot import AlarmClass, AlarmKind, AlarmState, Event, HoldWord, Source

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
    "freezing ahead": "today",
    "dehumidifier stopped": "this week",
    "water contact": "today",
    "silent": "this week",
    "probe silent": "this week",
    "sensor suspect": "this week",
    "battery low": "this week",
    "flood": "this week",
    "drying stalled": "today",
    "did not stay dry": "today",
    "damp week": "season",
    "frost": "act now",
    "frost ahead": "today",
    "site silent": "today",
    "gateway silent": "today",
    "row silent": "today",
    "unit silent": "this week",
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
        `wet` and `leak suspect` from condensation wait for this week: air it, and look then.
    in_use : bool
        The unit is occupied or its water is on: liquid water then asks for an answer at once.
    weather_explains : bool
        The air outside alone makes a zone this damp: true, and nothing to open a unit for. A damp
        month would otherwise bury the few zones that have water of their own.
    """
    if kind == "damp" and weather_explains:
        return "season"
    if kind in {"wet", "leak suspect"} and cause == "condensation":
        return "this week"
    if kind == "water contact" and in_use:
        return "act now"
    return CLASSES[kind]


# --- held back ------------------------------------------------------------------------------------

HoldAct = Literal[
    "shelved", "suppressed", "taken out", "time over", "released", "reason over", "put back"
]
Held = HoldWord | Literal[""]

HOLDS: dict[tuple[Held, HoldAct], Held] = {
    ("", "shelved"): "shelved",
    ("", "suppressed"): "suppressed by design",
    ("", "taken out"): "out of service",
    ("suppressed by design", "shelved"): "shelved",
    ("suppressed by design", "taken out"): "out of service",
    ("suppressed by design", "reason over"): "",
    ("shelved", "taken out"): "out of service",
    ("shelved", "time over"): "",
    ("shelved", "released"): "",
    ("out of service", "put back"): "",
}
_HOLD_REFUSALS: dict[tuple[Held, HoldAct], str] = {
    ("", "released"): "nothing is shelved here",
    ("", "put back"): "nothing is out of service here",
    ("shelved", "shelved"): "it is shelved already: release it first",
    ("shelved", "put back"): "it is shelved, not out of service: release it",
    ("out of service", "taken out"): "it is out of service already",
    ("out of service", "shelved"): "it is out of service: put it back first",
    ("out of service", "released"): "it is out of service, not shelved: put it back",
    (
        "suppressed by design",
        "released",
    ): "logic holds it back, and lets it go when its reason ends",
}

DAY_S = 86_400
# longest time that a person may shelve it; ours, no source: some times what its answer may take
SHELVED_AT_MOST_S: dict[AlarmClass, int] = {
    "act now": DAY_S // 6,
    "today": 3 * DAY_S,
    "this week": 14 * DAY_S,
    "season": 90 * DAY_S,
}
WASHED_S = (
    3 * DAY_S
)  # a wetted zone's word clears after 48 h without water; a day for it to run off
SETTLING_S = 2 * DAY_S  # of a placement: the same 48 h in which the zone's word is unknown
INTAKE_S = 7 * DAY_S  # of a unit that just came in: what it brought is the intake's finding
_BY_WATER: frozenset[AlarmKind] = frozenset({"water contact", "wet", "damp", "condensation"})
_BY_SETTLING: frozenset[AlarmKind] = frozenset(
    {"wet", "damp", "condensation", "mould growth", "leak suspect"}
)
_BY_INTAKE: frozenset[AlarmKind] = frozenset({"damp", "condensation", "mould growth"})
OF_NODE: frozenset[AlarmKind] = frozenset({"silent", "battery low", "flood"})
NEVER_BY_DESIGN: frozenset[AlarmKind] = frozenset(
    {"freezing", "frost", "freezing ahead", "frost ahead"}
)

# one finding is told once: what, standing in the same zone, explains a kind, the strongest first
EXPLAINED_BY: dict[AlarmKind, tuple[AlarmKind, ...]] = {
    "damp": ("water contact", "did not stay dry", "leak suspect", "wet"),
    "wet": ("water contact", "did not stay dry", "leak suspect"),
    "leak suspect": ("did not stay dry",),
}
RANK: dict[AlarmClass, int] = {"act now": 0, "today": 1, "this week": 2, "season": 3}


def held_after(held: Held, act: HoldAct) -> Held:
    """How a source is held back after an act.

    Raises
    ------
    InputError
        If the act is not possible there; the text says why.
    """
    try:
        return HOLDS[held, act]
    except KeyError:
        refusal = f"what is {held or 'not held back'} cannot be {act}"
        raise InputError(_HOLD_REFUSALS.get((held, act), refusal)) from None


@dataclass(frozen=True, slots=True)
class Found:
    """An alarm, as far as logic looks at it."""

    source: Source
    class_: AlarmClass
    raised_s: int


@dataclass(frozen=True, slots=True)
class Around:
    """What is known of a unit beside its readings.

    Parameters
    ----------
    life : str
        Stage of its life.
    events : sequence of Event
        What was noted of it and of its site.
    placed_s : sequence of (zone code, time)
        When a probe was placed where.
    """

    life: str = ""
    events: Sequence[Event] = ()
    placed_s: Sequence[tuple[str, int]] = ()


@dataclass(frozen=True, slots=True)
class Reason:
    """Why logic holds something back, and until when (None: as long as it is so)."""

    why: str
    until_s: int | None


def is_supply_live(around: Around, *, at_s: int) -> bool:
    """Whether water can come out of the unit's pipes: it is occupied, or its water is on."""
    occupied, water = around.life == "occupied", False
    for event in sorted(around.events, key=lambda e: e.at_s):
        if event.at_s <= at_s and event.unit:
            occupied = _TURNS_OCCUPIED.get(event.kind, occupied)
            water = _TURNS_WATER.get(event.kind, water)
    return occupied or water


_TURNS_OCCUPIED: dict[str, bool] = {"occupied": True, "vacated": False}
_TURNS_WATER: dict[str, bool] = {"water on": True, "winterised": False}


def by_design(found: Found, around: Around, *, now_s: int) -> Reason | None:
    """Why logic holds an alarm back now; None: it does not."""
    kind, zone, at_s = found.source.kind, found.source.zone, found.raised_s
    live = is_supply_live(around, at_s=now_s)
    if kind in NEVER_BY_DESIGN or (kind == "water contact" and live):
        return None
    reasons = []
    if kind in _BY_WATER:
        reasons += [
            Reason(f"a {_WATERED[e.kind]} was recorded here", e.at_s + WASHED_S)
            for e in around.events
            if e.kind in _WATERED and e.unit and e.zone in {"", zone} and e.at_s <= at_s
        ]
    if kind in _BY_SETTLING:
        reasons += [
            Reason("the probe was just placed and settles", placed_s + SETTLING_S)
            for code, placed_s in around.placed_s
            if code == zone and placed_s <= at_s
        ]
    if kind in _BY_INTAKE and around.life == "intake" and around.placed_s:
        first_s = min(placed_s for _, placed_s in around.placed_s)
        reasons.append(
            Reason("intake watch: its first days tell what came with it", first_s + INTAKE_S)
        )
    reasons = [r for r in reasons if r.until_s is not None and at_s < r.until_s > now_s]
    return max(reasons, key=lambda r: r.until_s or 0, default=None)


_WATERED = {"wash": "wash", "hose": "hose test"}


def explained(found: Found, standing: Iterable[Found]) -> Reason | None:
    """The alarm of the same zone that tells of it already, at least as urgently; None: none does."""
    here = {
        other.source.kind: other
        for other in standing
        if (other.source.site, other.source.unit, other.source.zone)
        == (found.source.site, found.source.unit, found.source.zone)
    }
    if not found.source.zone:
        return None
    for kind in EXPLAINED_BY.get(found.source.kind, ()):
        if kind in here and RANK[here[kind].class_] <= RANK[found.class_]:
            return Reason(f"explained by {kind}, which stands in the same zone", None)
    return None


def diagram() -> str:
    """Both tables as a state diagram in the language of Mermaid."""
    lines = ["stateDiagram-v2"]
    for title, table in (("condition", TRANSITIONS), ("held back", HOLDS)):
        rest = "normal" if title == "condition" else "not held back"
        states = dict.fromkeys(state or rest for (state, _) in table)
        lines.append(f'    state "{title}" as {_name(title)} {{')
        lines += [f'        state "{state}" as {_name(state)}' for state in states if " " in state]
        lines.append(f"        [*] --> {_name(rest)}")
        lines += [
            f"        {_name(state or rest)} --> {_name(then or rest)} : {act}"
            for (state, act), then in table.items()
        ]
        lines.append("    }")
    return "\n".join(lines) + "\n"


def _name(state: str) -> str:
    return state.replace(" ", "_")
