"""A node is moved on the board: what a visitor may move, the page, and the forms of it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from flask import Flask, redirect
from werkzeug.wrappers import Response as AnyResponse

from dashboards import views, words
from dashboards.access import Gate, Sight, plain, sent, sent_hours
from dashboards.pages import moving as view
from dashboards.pages.moving import AT_SITE, Probe
from dashboards.words import Wish
from monitor import moving
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import Placement
from monitor.moving import Move, Plan, Wanted
from monitor.store import Record
from monitor.text import moving as text

HOUR_S = 3600


# --- what a visitor may move ----------------------------------------------------------------------


def movable(record: Record, sight: Sight, *, now_s: int) -> dict[str, tuple[Probe, ...]]:
    """Probes that a visitor may move, by site/node.

    Those that watch what is seen; of those that watch nothing the ones whose last zone is seen, and all
    of a site that is seen as a whole.
    """
    told = {
        (site.code, zone.code)
        for site in record.sites()
        for zone in record.site_zones(site.code)
        if zone.source
    }
    found: dict[str, dict[str, list[Placement]]] = {}
    feeds = set()
    for one in record.placements():
        node = f"{one.site}/{one.node}"
        if not one.unit and (one.site, one.zone) in told:
            feeds.add(node)
        found.setdefault(node, {}).setdefault(one.probe, []).append(one)
    for site, code in moving.nodes(record, now_s=now_s):
        found.setdefault(f"{site}/{code}", {})
    return {
        node: probes
        for node, placed in sorted(found.items())
        if node not in feeds and (probes := _probes(node, placed, sight))
    }


def _probes(node: str, placed: dict[str, list[Placement]], sight: Sight) -> tuple[Probe, ...]:
    """Probes of one node that may be moved; one that was never placed has the first code."""
    site = node.partition("/")[0]
    if not placed:
        return (Probe(moving.FIRST_PROBE, None, None),) if site in sight.yards else ()
    probes = []
    for code, mine in sorted(placed.items()):
        now, before = mine[-1], mine[-2] if len(mine) > 1 else None
        if before is not None and not _seen(before, sight):
            before = None
        last = now if now.zone else before
        if _seen(now, sight) and (now.zone or site in sight.yards or (last and last.zone)):
            probes.append(Probe(code, now, before))
    return tuple(probes)


def _seen(one: Placement, sight: Sight) -> bool:
    """Whether what a probe watches is seen; nothing is no secret."""
    return not one.zone or sight.sees(one.site, one.unit)


def _places(record: Record, sight: Sight, site: str) -> tuple[str, ...]:
    """Units, and the site itself, that a probe of a site may be hung in."""
    units = [
        unit.code
        for unit in record.units()
        if unit.site == site and unit.code in sight.units and unit.life != "left"
    ]
    at_site = site in sight.yards and any(not zone.source for zone in record.site_zones(site))
    return (*units, *([AT_SITE] if at_site else []))


# --- the page -------------------------------------------------------------------------------------


def page(record: Record, asked: Wish, sight: Sight, *, token: str) -> list[Any]:
    """What the probes of one node watch, and where they hang now."""
    nodes, node = movable(record, sight, now_s=asked.now_s), asked.choice("node")
    if not node:
        return view.blocks(view.Told(tuple(nodes), token), asked)
    if node not in nodes:
        return views.missing("node", node, asked)
    site = next(one for one in record.sites() if one.code == node.partition("/")[0])
    places = _places(record, sight, site.code)
    hangs = next((p.now.unit for p in nodes[node] if p.now is not None and p.now.unit), "")
    wanted = asked.choice("unit") or hangs
    place = wanted if wanted in places else next(iter(places), "")
    unit = "" if place in {"", AT_SITE} else place
    zones = (record.zones(unit) if unit else record.site_zones(site.code)) if place else []
    watched: dict[str, str] = {}
    for one in record.placements():
        if (one.site, one.unit, one.to_s) == (site.code, unit, None) and one.zone:
            watched[one.zone] = f"{one.node}/{one.probe}"
    return view.blocks(
        view.Told(
            nodes=tuple(nodes),
            token=token,
            node=node,
            timezone=site.timezone,
            probes=nodes[node],
            places=places,
            place=place,
            zones=tuple(zone for zone in zones if not zone.source),
            watched=watched,
        ),
        asked,
    )


# --- the forms ------------------------------------------------------------------------------------


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add the forms by which a node is moved."""
    server.post("/move/<act>")(Moving(gate, now, change).move)


@dataclass(frozen=True, slots=True)
class Moving:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def move(self, act: str) -> AnyResponse:
        """Enter that a node hangs elsewhere, or was taken away."""
        acts = {"place": self._place, "take": self._take}
        if act not in acts:
            return plain(404, say("There is nothing such to do with a node."))
        node = sent("node")[:129]
        back = {"node": node}
        try:
            with self.change() as record:
                note = self._enter(record, acts[act](record, node))
            self.gate.note("moved", f"{node} {note}"[:200])
            note = say("Entered: {what}", what=note)
        except InputError as error:
            note = say("Not entered: {why}.", why=error)
            back |= {"unit": sent("unit")[:64]} if sent("unit") else {}
        return redirect(f"/move?{urlencode({'note': note} | back)}", code=303)

    def _enter(self, record: Record, plan: Plan) -> str:
        node = f"{plan.moves[0].entry.site}/{plan.moves[0].entry.node}"
        probes = movable(record, self.gate.sight, now_s=self.now()).get(node, ())
        codes = {probe.code for probe in probes}
        for move in plan.moves:
            self._may(move, codes)
        who = self.gate.doer().who
        moving.enter(record, plan, who=who, why="", now_s=self.now())
        if len(plan.moves) == 1:
            return plan.moves[0].short(_when(record, plan.moves[0]))
        return text.many_text([move.entry for move in plan.moves])

    def _may(self, move: Move, codes: set[str]) -> None:
        """What it changes of the past must be the visitor's too: a unit that was sold is not."""
        changed = move.instead or move.before
        own = changed is None or _seen(changed, self.gate.sight)
        if not own or (codes and move.entry.probe not in codes):
            raise InputError(
                say(
                    "{probe} watched at that time what is not yours to change",
                    probe=move.entry.probe,
                )
            )

    def _place(self, record: Record, node: str) -> Plan:
        wanted, place = self._wanted(record, node), sent("unit")
        if place not in _places(record, self.gate.sight, wanted.site):
            raise InputError(say("choose where it hangs now"))
        where = Wanted(
            site=wanted.site,
            node=wanted.node,
            at_s=self._last_s(record, wanted) if sent("right") == "1" else wanted.at_s,
            probe=wanted.probe,
            unit="" if place == AT_SITE else place,
            zone=sent("zone")[:64],
            beside=sent("beside") == "1",
            own=True,  # of sold units only the owner's own are seen
        )
        if where.zone and not where.probe:
            raise InputError(say("choose which probe hangs there"))
        return moving.placing(record, where, now_s=self.now(), when=_clock(record, wanted.site))

    def _last_s(self, record: Record, wanted: Wanted) -> int:
        """When the last entry of a probe, or of all that move together, began."""
        node = f"{wanted.site}/{wanted.node}"
        times = {
            probe.now.from_s
            for probe in movable(record, self.gate.sight, now_s=self.now())[node]
            if probe.now is not None
            and (probe.code == wanted.probe or (not wanted.probe and probe.now.unit))
        }
        if len(times) != 1:
            raise InputError(
                say("its last entries are of several times: put them right one by one")
            )
        return times.pop()

    def _take(self, record: Record, node: str) -> Plan:
        return moving.taking(record, self._wanted(record, node), now_s=self.now())

    def _wanted(self, record: Record, node: str) -> Wanted:
        """Which node, probe and time; only what the visitor may move."""
        probes = movable(record, self.gate.sight, now_s=self.now()).get(node)
        if probes is None:
            raise InputError(say("choose a node that is yours to move"))
        codes = {probe.code for probe in probes}
        site, _, code = node.partition("/")
        probe, now_s = sent("probe")[:64], self.now()
        standing = {
            one.probe
            for one in record.placements()
            if (one.site, one.node, one.to_s) == (site, code, None) and one.zone
        }
        if (probe and probe not in codes) or (not probe and standing - codes):
            raise InputError(say("choose a probe that is yours to move"))
        otherwise = say("say how many hours ago it was moved, or nothing")
        hours = sent_hours(otherwise, digits=4, empty="0")
        return Wanted(site, code, now_s - hours * HOUR_S, probe)


def _clock(record: Record, site: str) -> text.When:
    zone = next((one.timezone for one in record.sites() if one.code == site), "UTC")
    return lambda at_s: words.when(at_s, zone)


def _when(record: Record, move: Move) -> text.When:
    return _clock(record, move.entry.site)
