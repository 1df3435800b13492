"""Which standing alarms share a cause, so that a person is told once. Pure, and blind to order.

A damp week over a lot, a frost, a gateway without power: one condition, and as many alarms as it
touches zones or nodes. They stay in the record, each with its own life; here they are put under
one alarm that lists them, and what shares no cause stands alone.

::

    standing alarms, all placed nodes ─┐
                                       ├─> group ─> causes with their members, and who stands alone
    causes that stand already         ─┘

Silence, widest first (`SCOPES`): all of a site through several gateways (its broker or uplink), a
gateway, a row, a unit. A place is silent as one when

- at least `LEAST` of its nodes are silent: two batteries do end in the same hour now and then;
- their last samples lie within 2 x the longest silence a member declared: each node sends once in
  that time, so what cuts them all off at once finds last samples one such time apart, and one lost
  sample before makes it two;
- they are at least `SHARE` of the nodes that could contradict: those heard after that window speak
  against it. Nodes that were silent long before, or whose silence is not due yet, say nothing. A
  fifth may speak: through another gateway, or on their own power.

A unit is smaller: two nodes do, if none is heard, or one if it is recorded as sold or left.

Weather: damp that the air outside explains by itself, the mould growth in such zones, and freezing
share the site's air by what they are. `LEAST` units with freezing at once make a frost (ahead, where it is
forecast for them), `LEAST` with
damp a damp week, if they are a tenth of the site's units: neighbours stand in the same air, and what
nine in ten do not show is no weather.

What is grouped does not fall apart with the first change. A silence stands while at least `HALF` of
all its members, ever, are silent (a returning gateway brings its nodes back one by one within
minutes); weather stands while two units show it, for damp a twentieth of the site's. The limits are ours, for these reasons: no source.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from monitor.lot import AlarmClass, AlarmKind, CauseKind, silent_after_s

Scope = Literal["site silent", "gateway silent", "row silent", "unit silent"]

KINDS: frozenset[AlarmKind] = frozenset(get_args(CauseKind))
LEAST = 3  # nodes, or units
SHARE = 0.8
HALF = 0.5
TENTH = 0.1
SCOPES: tuple[Scope, ...] = ("site silent", "gateway silent", "row silent", "unit silent")
GONE = frozenset({"sold", "left"})  # stages of a unit's life
DAY_S = 86_400
_Key = tuple[CauseKind, str, str]
LONE_SILENCE_S = DAY_S  # most nodes that miss some hours come back by themselves, with all of it


@dataclass(frozen=True, slots=True)
class NodeNow:
    """A placed node: where it is, and when its newest sample was taken (or it was placed)."""

    site: str
    node: str
    last_s: int
    silence_s: int
    unit: str = ""
    life: str = ""
    row: str = ""
    gateway: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm whose condition stands."""

    alarm_id: int
    site: str
    unit: str
    zone: str
    node: str
    kind: AlarmKind
    class_: AlarmClass
    raised_s: int


@dataclass(frozen=True, slots=True)
class Cause:
    """One condition and the alarms that it explains.

    Parameters
    ----------
    kind : CauseKind
        What it is.
    site, place : str
        Where; the place is a gateway, a row or a unit, "" for the whole site.
    began_s : int
        Last sample before a silence; for weather the first alarm.
    members : tuple of int
        Numbers of the standing alarms, ascending.
    ever : int
        How many it ever had.
    """

    kind: CauseKind
    site: str
    place: str
    began_s: int
    members: tuple[int, ...]
    ever: int

    @property
    def key(self) -> tuple[str, str, str, int]:
        """What makes it the same cause from one look to the next."""
        return self.kind, self.site, self.place, self.began_s


@dataclass(frozen=True, slots=True)
class Kept:
    """A cause that stands already: all alarms that were ever put under it, standing or over."""

    kind: CauseKind
    site: str
    place: str
    began_s: int
    members: frozenset[int]

    @property
    def key(self) -> tuple[str, str, str, int]:
        """As that of `Cause`."""
        return self.kind, self.site, self.place, self.began_s


@dataclass(frozen=True, slots=True)
class Grouping:
    """Every standing alarm is a member of one cause or alone."""

    causes: tuple[Cause, ...]
    alone: tuple[int, ...]


def group(
    standing: Iterable[Standing], nodes: Iterable[NodeNow], *, kept: Iterable[Kept] = ()
) -> Grouping:
    """Put standing alarms under the causes that they share.

    Parameters
    ----------
    standing : iterable of Standing
        Alarms whose condition stands, in any order.
    nodes : iterable of NodeNow
        Every node that watches something, silent or not.
    kept : iterable of Kept
        Causes found at the look before that were not over then.

    Returns
    -------
    Grouping
        Causes by kind, site and place; numbers ascend.
    """
    alarms = sorted(standing, key=lambda alarm: alarm.alarm_id)
    placed = sorted(nodes, key=lambda node: (node.last_s, node.site, node.node))
    units = Counter(site for site, _ in {(n.site, n.unit) for n in placed if n.unit})
    before = {(cause.kind, cause.site, cause.place): cause for cause in kept}
    causes = [
        cause
        for site in sorted({alarm.site for alarm in alarms})
        for cause in (
            *_silences(_of(alarms, site), [n for n in placed if n.site == site], before),
            *_weather(_of(alarms, site), site, before, units=units.get(site, 0)),
        )
    ]
    grouped = {number for cause in causes for number in cause.members}
    return Grouping(
        causes=tuple(sorted(causes, key=lambda cause: cause.key)),
        alone=tuple(a.alarm_id for a in alarms if a.alarm_id not in grouped),
    )


def _of(alarms: Iterable[Standing], site: str) -> list[Standing]:
    return [alarm for alarm in alarms if alarm.site == site]


def told_from_s(alarm: Standing, *, silence_s: int = 0, released_s: int | None = None) -> int:
    """When an alarm that stands alone may be told: at once, but for a silence.

    A lone silence waits a day from its beginning; one whose common cause has ended waits its own
    silence limit anew, so that what comes back a little later than the others is not told at all.
    """
    if alarm.kind != "silent":
        return alarm.raised_s
    waits_s = alarm.raised_s + LONE_SILENCE_S
    return waits_s if released_s is None else max(waits_s, released_s + silent_after_s(silence_s))


def row_of(slot: str) -> str:
    """Row of a slot: what stands before its last separator ("B-12" is in row "B")."""
    cut = max(slot.rfind(mark) for mark in "-_/ .")
    return slot[:cut].strip() if cut > 0 else ""


# --- silence --------------------------------------------------------------------------------------


def _silences(
    alarms: Sequence[Standing], nodes: Sequence[NodeNow], kept: Mapping[_Key, Kept]
) -> list[Cause]:
    """Causes of one site's silent alarms; `nodes` by last sample."""
    number = {a.node: a.alarm_id for a in alarms if a.kind == "silent"}
    free = {node.node for node in nodes if node.node in number}
    found: list[Cause] = []
    for scope in SCOPES:
        for place, here in _places(scope, nodes).items():
            silent = [node for node in here if node.node in free]
            before = kept.get((scope, here[0].site, place))
            fresh = _cluster(scope, silent, here)
            still = _still(silent, number, before)
            cause = _same_or_new(
                Kept(scope, here[0].site, place, 0, frozenset()), fresh, still, number, before
            )
            if cause is not None:
                found.append(cause)
                free -= {name for name in free if number[name] in cause.members}
    return found


def _same_or_new(
    where: Kept,
    fresh: Sequence[NodeNow],
    still: Sequence[NodeNow],
    number: Mapping[str, int],
    before: Kept | None,
) -> Cause | None:
    """The cause that stood before, grown or not; a new one where more nodes fell silent anew."""
    apart = {node.node for node in fresh}.isdisjoint({node.node for node in still})
    if before is not None and still and not (apart and len(fresh) > len(still)):
        nodes = {*still, *(() if apart else fresh)}
        members = tuple(sorted(number[node.node] for node in nodes))
        ever = len(before.members.union(members))
        return Cause(where.kind, where.site, where.place, before.began_s, members, ever)
    if not fresh:
        return None
    members = tuple(sorted(number[node.node] for node in fresh))
    return Cause(where.kind, where.site, where.place, fresh[0].last_s, members, len(members))


def _places(scope: Scope, nodes: Sequence[NodeNow]) -> dict[str, list[NodeNow]]:
    """Nodes by the places of a scope, by name.

    Where all nodes have one gateway, that is named: nobody can tell it from what is behind it.
    """
    if scope == "site silent":
        one = len({node.gateway for node in nodes}) == 1 and nodes[0].gateway
        return {} if one or not nodes else {"": list(nodes)}
    places: dict[str, list[NodeNow]] = {}
    for node in nodes:
        place = str(getattr(node, scope.removesuffix(" silent")))
        if place:
            places.setdefault(place, []).append(node)
    return dict(sorted(places.items()))


def _cluster(scope: Scope, silent: Sequence[NodeNow], here: Sequence[NodeNow]) -> Sequence[NodeNow]:
    """Most nodes of a place that fell silent together; none if they are too few."""
    best: list[NodeNow] = []
    for first, node in enumerate(silent):
        if len(silent) - first <= len(best):
            break
        together = [
            other
            for other in silent[first:]
            if other.last_s - node.last_s <= 2 * max(node.silence_s, other.silence_s)
        ]
        if len(together) > len(best) and _enough(scope, together, here):
            best = together
    return best


def _enough(scope: Scope, together: Sequence[NodeNow], here: Sequence[NodeNow]) -> bool:
    ends_s = together[0].last_s + 2 * max(node.silence_s for node in together)
    names = {node.node for node in together}
    against = sum(node.last_s > ends_s for node in here if node.node not in names)
    if scope == "unit silent":
        least = 1 if together[0].life in GONE else 2
        return len(together) >= least and not against
    return len(together) >= LEAST and len(together) >= SHARE * (len(together) + against)


def _still(
    silent: Sequence[NodeNow], number: Mapping[str, int], before: Kept | None
) -> Sequence[NodeNow]:
    """Nodes by which a cause still stands, with those whose silence came due since."""
    inside = [n for n in silent if before is not None and number[n.node] in before.members]
    if before is None or not inside:
        return ()
    late = [
        node
        for node in silent
        if number[node.node] not in before.members
        if 0 <= node.last_s - before.began_s <= 2 * max(inside[0].silence_s, node.silence_s)
    ]
    ever = len(before.members) + len(late)
    return inside + late if len(inside) + len(late) >= HALF * ever else ()


# --- weather --------------------------------------------------------------------------------------


def _weather(
    alarms: Sequence[Standing], site: str, kept: Mapping[_Key, Kept], *, units: int
) -> list[Cause]:
    damp = [a for a in alarms if a.kind == "damp" and a.class_ == "season"]
    zones = {(a.unit, a.zone) for a in damp}
    damp += [a for a in alarms if a.kind == "mould growth" and (a.unit, a.zone) in zones]
    frost = [a for a in alarms if a.kind == "freezing"]
    found = []
    named: tuple[tuple[CauseKind, list[Standing], float], ...] = (
        ("damp week", damp, TENTH),
        ("frost", frost, 0.0),
        ("frost ahead", [a for a in alarms if a.kind == "freezing ahead"], 0.0),
    )
    for kind, members, share in named:
        before = kept.get((kind, site, ""))
        enough = (LEAST, share) if before is None else (LEAST - 1, share / 2.0)
        if len({alarm.unit for alarm in members}) >= max(enough[0], enough[1] * units):
            numbers = tuple(sorted(alarm.alarm_id for alarm in members))
            ever = numbers if before is None else before.members.union(numbers)
            first_s = min(alarm.raised_s for alarm in members)
            began_s = first_s if before is None else before.began_s
            found.append(Cause(kind, site, "", began_s, numbers, len(ever)))
    return found
