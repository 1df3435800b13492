"""What the record gives back, and what it is given to keep: frozen, in codes and not in keys."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

from monitor.lot import (
    AlarmClass,
    AlarmKind,
    AlarmState,
    CaseNote,
    Event,
    HoldWord,
    Photo,
    Source,
    Zone,
)
from monitor.parts import OVER


@dataclass(frozen=True, slots=True)
class NodeReceipt:
    """Every sample of a boot up to `seq` is stored, save those in `missing` (first, last).

    All before `first` is told in another receipt, and is one gap here.
    """

    site: str
    node: str
    boot: int
    seq: int
    missing: tuple[tuple[int, int], ...] = ()
    first: int = 0


@dataclass(frozen=True, slots=True)
class Taken:
    """What one group of messages came to."""

    stored: int
    repeated: int
    disputed: int
    pending: int
    rejected: int
    receipts: tuple[NodeReceipt, ...]


@dataclass(frozen=True, slots=True)
class Due:
    """A unit to be judged again from an hour on; `mark` tells whether it was marked anew since."""

    unit: str
    from_hour: int
    mark: int


@dataclass(frozen=True, slots=True)
class Judged:
    """How far a unit's record reaches.

    From its first own hour to the first that is not judged, by which version of the rules ("": no
    checkpoint is kept yet); and when its first reading is of, None: it has none.
    """

    unit: str
    from_hour: int | None
    to_hour: int
    version: str
    heard_s: int | None


@dataclass(frozen=True, slots=True)
class AlarmStep:
    """One change of an alarm's life: when, to which state, by whom and why."""

    at_s: int
    state: AlarmState
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class OutboxItem:
    """Something to be told once; `key` makes it so."""

    key: str
    channel: str
    body: str


@dataclass(frozen=True, slots=True)
class NewAlarm:
    """An alarm to be kept. Codes are "" where they do not apply."""

    site: str
    unit: str
    zone: str
    node: str
    kind: AlarmKind
    class_: AlarmClass
    raised_s: int
    cleared_s: int | None
    state: AlarmState
    cause: str
    text: str
    instant: bool
    steps: tuple[AlarmStep, ...]
    outbox: tuple[OutboxItem, ...] = ()
    place: str = ""  # gateway, row or unit of a common cause
    parts: tuple[str, ...] = ()  # of its text, as `monitor.text.NAMES_OF_PARTS` names them
    facts: str = ""  # what its text was made from, as `monitor.text.kept_facts` writes it

    def made_instant(self) -> "NewAlarm":
        """The same alarm, raised from a newest reading before its hour was over."""
        return replace(self, instant=True)


@dataclass(frozen=True, slots=True)
class ChangedAlarm:
    """A change of an alarm in the record."""

    alarm_id: int
    cleared_s: int | None
    state: AlarmState
    step: AlarmStep
    withdrawn_s: int | None = None
    before: AlarmState | None = None  # the state that it was worked out from, to be compared


@dataclass(frozen=True, slots=True)
class NewHold:
    """A source to be held back; `until_s` None: until its reason ends, or somebody ends it."""

    source: Source
    word: HoldWord
    began_s: int
    until_s: int | None
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Hold:
    """A source that is or was held back; `ended_who` and `ended_why` are "" while it is."""

    hold_id: int
    source: Source
    word: HoldWord
    began_s: int
    until_s: int | None
    who: str
    why: str
    ended_s: int | None = None
    ended_who: str = ""
    ended_why: str = ""


@dataclass(frozen=True, slots=True)
class AlarmWork:
    """What one judgement changes in the alarms of a unit, and what logic holds back of it."""

    new: tuple[NewAlarm, ...] = ()
    changed: tuple[ChangedAlarm, ...] = ()
    holds: tuple[NewHold, ...] = ()


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm in the record."""

    alarm_id: int
    site: str
    unit: str
    zone: str
    node: str
    kind: AlarmKind
    class_: AlarmClass
    raised_s: int
    cleared_s: int | None
    state: AlarmState
    cause: str
    text: str
    instant: bool
    withdrawn_s: int | None
    revision: int

    @property
    def source(self) -> Source:
        """Where alarms of its kind come from."""
        return Source(self.site, self.kind, self.unit, self.zone, self.node)


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest sample of a probe, and the zone it watches now ("" if none)."""

    site: str
    node: str
    probe: str
    unit: str
    zone: str
    at_s: int
    received_s: int
    silence_s: int | None
    contact: bool
    battery_percent: float | None = None


@dataclass(frozen=True, slots=True)
class OpenedRepair:
    """What opens a repair of some zones of a unit; `zones` only those that change."""

    zones: tuple[Zone, ...]
    events: tuple[Event, ...]
    photos: tuple[tuple[Photo, bytes], ...]
    notes: tuple[CaseNote, ...]  # at least one


@dataclass(frozen=True, slots=True)
class KeptReject:
    """A message that could not be used."""

    received_s: int
    topic: str
    payload: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class Pulse:
    """When a process last made progress, and what it said of itself (JSON)."""

    part: str
    at_s: int
    detail: str

    @property
    def is_over(self) -> bool:
        """Whether another took over the work of this one, which is gone."""
        return OVER in json.loads(self.detail)


@dataclass(frozen=True, slots=True)
class ProofStep:
    """How the proof of a repair stands from a midnight on; `figures` is what it was taken from."""

    at_s: int
    verdict: str
    size_ml: float  # nan: no leak would have been seen
    missing: tuple[str, ...]
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class ProofWork:
    """The proof of one repair, worked out from its first midnight to the newest one."""

    zone: str
    repaired_s: int
    steps: tuple[ProofStep, ...]  # whenever verdict or missing conditions change
    now: ProofStep


@dataclass(frozen=True, slots=True)
class ProofRevision:
    """A step as it was told at `recorded_s`; `reason` is why it differs from what was told before."""

    number: int
    step: ProofStep
    reason: str
    version: str
    recorded_s: int


@dataclass(frozen=True, slots=True)
class RepairRow:
    """A repair that somebody noted, and how its proof stands (None: no midnight was judged yet, or it cannot be read)."""

    site: str
    timezone: str
    unit: str
    zone: str
    kind: str
    repaired_s: int
    value: str
    ended_s: int | None  # by the zone's next repair
    now: ProofStep | None
    is_unread: bool = False  # what is kept of how it stands cannot be read
