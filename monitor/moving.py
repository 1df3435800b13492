"""A probe is hung elsewhere, or taken away: what entries that makes, and what stands against it.

Entries are only ever added. One holds until the next of its probe; of two with the same time the later
entered one counts, so that a wrong move is put right by another with its time.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from monitor import correction
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import ZONE_KINDS, Placement, Unit, Zone
from monitor.store import Record
from monitor.text import moving as text
from sensors.wire import CODE

FIRST_PROBE = "p1"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A move as somebody tells it.

    `probe` empty: all of the node; `zone` empty too: each to the zone of its code in `unit`. `unit`
    empty: a zone of the site itself. `kind`: a zone that is not there yet is entered. `beside`: another
    probe may watch it too. `own`: who tells it owns the unit, so that a sold one is theirs.
    """

    site: str
    node: str
    at_s: int
    probe: str = ""
    unit: str = ""
    zone: str = ""
    kind: str = ""
    beside: bool = False
    own: bool = False


@dataclass(frozen=True, slots=True)
class Move:
    """One entry, and what it does to what is entered already."""

    entry: Placement
    before: Placement | None  # what the probe watched until then
    instead: Placement | None  # entered for the same time, and overruled
    later: Placement | None  # the entry that ends this one
    leaves_box: bool = False
    in_box: bool = False  # still, by a point over salt after it

    def short(self, when: text.When) -> str:
        """It in one sentence."""
        return text.moved_text(self.entry, when, later=self.later)

    def said(self, when: text.When) -> str:
        """It in words."""
        return " ".join(
            [
                text.moved_text(self.entry, when, later=self.later),
                text.before_text(self.before, when),
                *([text.instead_text(self.instead)] if self.instead else []),
            ]
        )


@dataclass(frozen=True, slots=True)
class Plan:
    """All entries of one move, a zone to be entered first, and probes that stay where they are."""

    moves: tuple[Move, ...]
    new: Zone | None = None
    staying: tuple[Placement, ...] = ()

    def notes(self) -> list[str]:
        """What whoever moves a probe has to know, beside what it watches now."""
        said = []
        if any(move.entry.zone for move in self.moves):
            said.append(say(text.SETTLES))
            said.append(say(text.JUDGED))
        else:
            said.append(say(text.TAKEN))
        if any(move.leaves_box for move in self.moves):
            said.append(say(text.LEFT_BOX))
        if any(move.in_box for move in self.moves):
            said.append(say(text.STILL_IN_BOX))
        if self.staying:
            said.append(text.stays_text(self.staying))
        return said


def nodes(record: Record, *, now_s: int) -> set[tuple[str, str]]:
    """Site and code of every node that was placed, heard or given a place at the broker."""
    found = {(one.site, one.node) for one in record.placements()}
    found |= {(one.site, one.node) for one in record.latest()}
    return found | set(record.node_access(now_s=now_s))


def placing(record: Record, wanted: Wanted, *, now_s: int, when: text.When) -> Plan:
    """What entries hang probes elsewhere.

    Raises
    ------
    InputError
        If node, unit or zone is unknown, the time is to come, the unit is not here any more, or another
        probe watches the zone.
    """
    _in_time(wanted, now_s)
    placed = record.placements()
    own = _own(record, placed, wanted, now_s=now_s)
    unit = _unit(record, wanted)
    zones = record.zones(unit.code) if unit else record.site_zones(wanted.site)
    of = unit.code if unit else ""
    staying: tuple[Placement, ...] = ()
    new = None
    if wanted.zone:
        targets = {wanted.probe or _only(own, wanted): wanted.zone}
        new = _new_zone(zones, wanted)
    else:
        targets, staying = _together(own, zones, wanted)
    moves = [
        _move(own, Placement(wanted.node, probe, wanted.site, of, zone, wanted.at_s))
        for probe, zone in targets.items()
    ]
    _free(placed, moves, wanted, when)
    return Plan(tuple(_boxed(record, move) for move in moves), new, staying)


def taking(record: Record, wanted: Wanted, *, now_s: int) -> Plan:
    """What entries take probes away: one, or all of a node that watch something.

    Raises
    ------
    InputError
        If the node is unknown, the time is to come, or nothing is watched then.
    """
    _in_time(wanted, now_s)
    own = _own(record, record.placements(), wanted, now_s=now_s)
    probes = [
        one.probe
        for one in _standing(own, wanted.at_s)
        if one.zone and wanted.probe in {"", one.probe}
    ]
    if not probes:
        name = "/".join(filter(None, (wanted.node, wanted.probe)))
        raise InputError(say("{name} watches nothing at that time", name=name))
    return Plan(
        tuple(
            _move(own, Placement(wanted.node, probe, wanted.site, "", "", wanted.at_s))
            for probe in probes
        )
    )


def enter(record: Record, plan: Plan, *, who: str, why: str, now_s: int) -> None:
    """Enter all of it, or nothing."""
    entries = [move.entry for move in plan.moves]
    record.move(entries, new=plan.new, recorded_s=now_s, who=who, why=why)


# --- what stands against it -----------------------------------------------------------------------


def _in_time(wanted: Wanted, now_s: int) -> None:
    if wanted.at_s > now_s:
        raise InputError(say("that time is still to come: enter a move when it is done"))
    if wanted.at_s < 0:
        raise InputError(say("that time is before all records"))


def _own(
    record: Record, placed: Sequence[Placement], wanted: Wanted, *, now_s: int
) -> list[Placement]:
    """Placements of the node; it must be known, or a slip of the pen would make another one."""
    if (wanted.site, wanted.node) not in nodes(record, now_s=now_s):
        raise InputError(
            say(
                "there is no node {node} on {site}; a new one is entered under First steps or by lot.toml",
                node=wanted.node,
                site=wanted.site,
            )
        )
    if wanted.probe and not CODE.fullmatch(wanted.probe):
        raise InputError(say("{code} is no code of a probe", code=repr(wanted.probe[:64])))
    own = [one for one in placed if (one.site, one.node) == (wanted.site, wanted.node)]
    told = {zone.code for zone in record.site_zones(wanted.site) if zone.source}
    if any(not one.unit and one.zone in told for one in own):
        raise InputError(
            say(
                "{node} brings the weather of a service or a file: it hangs nowhere",
                node=wanted.node,
            )
        )
    return own


def _unit(record: Record, wanted: Wanted) -> Unit | None:
    if not wanted.unit:
        if not wanted.zone:
            raise InputError(say("say where it hangs now: a unit, or a zone of the site"))
        return None
    unit = next((one for one in record.units() if one.code == wanted.unit), None)
    if unit is None:
        raise InputError(say("there is no unit {unit}", unit=wanted.unit))
    if unit.site != wanted.site:
        raise InputError(
            say(
                "{node} sends as a node of {site}, and {unit} stands on {there}: set it up anew for that site",
                node=wanted.node,
                site=wanted.site,
                unit=unit.code,
                there=unit.site,
            )
        )
    if unit.life == "left":
        raise InputError(say("{unit} was retired: take it back first, on its page", unit=unit.code))
    if unit.life == "sold" and not wanted.own:
        raise InputError(
            say("{unit} was sold: what is measured in it is its new owner's", unit=unit.code)
        )
    return unit


def _only(own: Sequence[Placement], wanted: Wanted) -> str:
    """The probe that is meant where none is named."""
    watching = {one.probe for one in _standing(own, wanted.at_s) if one.zone}
    known = watching or {one.probe for one in own} or {FIRST_PROBE}
    if len(known) > 1:
        raise InputError(
            say(
                "{node} has the probes {probes}: say which one with --probe, or no zone to move all",
                node=wanted.node,
                probes=", ".join(sorted(known)),
            )
        )
    return known.pop()


def _new_zone(zones: Sequence[Zone], wanted: Wanted) -> Zone | None:
    """The zone to be entered first; None where it is there."""
    found = next((zone for zone in zones if zone.code == wanted.zone), None)
    if found is not None:
        if found.source:
            raise InputError(
                say(
                    "{zone} is the weather of a service or a file: no probe hangs there",
                    zone=found.code,
                )
            )
        if wanted.kind not in {"", found.kind}:
            raise InputError(
                say(
                    "{zone} is there already, of kind {kind}", zone=found.code, kind=say(found.kind)
                )
            )
        return None
    if not wanted.kind:
        codes = [zone.code for zone in zones if not zone.source]
        raise InputError(text.no_zone_text(codes, [wanted.zone], wanted.unit or wanted.site))
    if wanted.kind not in ZONE_KINDS:
        raise InputError(say("choose one of: {known}", known=", ".join(map(say, ZONE_KINDS))))
    if not CODE.fullmatch(wanted.zone):
        raise InputError(say("{code} is no code of a zone", code=repr(wanted.zone[:64])))
    return Zone(wanted.unit, wanted.zone, wanted.kind)


def _together(
    own: Sequence[Placement], zones: Sequence[Zone], wanted: Wanted
) -> tuple[dict[str, str], tuple[Placement, ...]]:
    """Zone of each probe that moves along, by code; and those that watch the site and stay."""
    standing = [
        one for one in _standing(own, wanted.at_s) if one.zone and wanted.probe in {"", one.probe}
    ]
    moved = [one for one in standing if one.unit] or _taken(own, wanted)
    if not moved:
        raise InputError(
            say("{node} watches no unit at that time: say the probe and its zone", node=wanted.node)
        )
    codes = [one.zone for one in moved]
    known = [zone.code for zone in zones]
    if missing := sorted(set(codes) - set(known)):
        raise InputError(text.no_zone_text(known, missing, wanted.unit))
    if len(set(codes)) < len(codes):
        raise InputError(
            say("two of its probes watch zones of one code: move them one by one, with their zones")
        )
    return (
        {one.probe: one.zone for one in moved},
        tuple(one for one in standing if not one.unit),
    )


def _taken(own: Sequence[Placement], wanted: Wanted) -> list[Placement]:
    """Where probes hung that were taken away together as the last ones: the kit is in somebody's hands."""
    away = [
        one
        for one in _standing(own, wanted.at_s)
        if not one.zone and wanted.probe in {"", one.probe}
    ]
    last_s = max((one.from_s for one in away), default=0)
    found = []
    for one in away:
        earlier = [p for p in own if p.probe == one.probe and p.zone and p.from_s < one.from_s]
        if one.from_s == last_s and earlier and earlier[-1].unit:
            found.append(earlier[-1])
    return found


def _free(
    placed: Sequence[Placement], moves: Sequence[Move], wanted: Wanted, when: text.When
) -> None:
    if wanted.beside:
        return
    moving = {move.entry.probe for move in moves}
    for move in moves:
        if others := beside(placed, move.entry, but=moving):
            raise InputError(text.watched_text(others, text.placed_text(move.entry), when))


def beside(
    placed: Sequence[Placement], entry: Placement, *, but: Collection[str] = ()
) -> list[Placement]:
    """Other probes that watch the zone of an entry while it holds; `but` these of its node."""
    here = (entry.site, entry.unit, entry.zone)
    return [
        one
        for one in placed
        if (one.site, one.unit, one.zone) == here
        and not (one.node == entry.node and one.probe in but)
        and (one.to_s is None or one.to_s > entry.from_s)
        and (entry.to_s is None or one.from_s < entry.to_s)
    ]


# --- what it does ---------------------------------------------------------------------------------


def _standing(own: Sequence[Placement], at_s: int) -> list[Placement]:
    """Placement of each probe at a time."""
    return [one for one in own if one.from_s <= at_s and (one.to_s is None or at_s < one.to_s)]


def _move(own: Sequence[Placement], entry: Placement) -> Move:
    """An entry among those of its probe, with its end."""
    mine = sorted((one for one in own if one.probe == entry.probe), key=lambda one: one.from_s)
    now = next(iter(_standing(mine, entry.from_s)), None)
    if now is not None and now.zone and (now.unit, now.zone) == (entry.unit, entry.zone):
        raise InputError(
            say(
                "{probe} is entered for {zone} at that time already",
                probe=f"{entry.node}/{entry.probe}",
                zone=text.placed_text(entry),
            )
        )
    later = next((one for one in mine if one.from_s > entry.from_s), None)
    instead = now if now is not None and now.from_s == entry.from_s else None
    earlier = [one for one in mine if one.from_s < entry.from_s]
    before = earlier[-1] if earlier else None
    end_s = later.from_s if later is not None else None
    held = Placement(
        entry.node, entry.probe, entry.site, entry.unit, entry.zone, entry.from_s, end_s
    )
    return Move(held, before, instead, later)


def _boxed(record: Record, move: Move) -> Move:
    """The same, with what it says of a box over salt that the probe lies in."""
    entry = move.entry
    key = (entry.site, entry.node, entry.probe)
    lying = [
        point.at_s
        for point in correction.open_points(record.bench_points())
        if (point.site, point.node, point.probe) == key
    ]
    return Move(
        *(entry, move.before, move.instead, move.later),
        leaves_box=any(at_s <= entry.from_s for at_s in lying),
        in_box=any(at_s > entry.from_s for at_s in lying),
    )
