"""First steps entered on the board: a site, a unit, zones, a node; a form each, and back to the page."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast
from urllib.parse import urlencode

from flask import Flask, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards.access import Gate, plain, sent
from dashboards.pages.begin import BODIES, LIVES, MOST_PROBES
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import ZONE_KINDS, Placement, Site, Unit, Zone, ZoneKind
from monitor.store import Record
from monitor.times import time_zone
from sensors.wire import CODE

MOST_NAME = 80


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add the forms of the first steps."""
    server.post("/begin/<step>")(Steps(gate, now, change).take)


class EnteredError(InputError):
    """A node is there already: it may have been moved."""


@dataclass(frozen=True, slots=True)
class Steps:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def take(self, step: str) -> AnyResponse:
        """Enter what a form of one step says."""
        acts = {"site": self._site, "unit": self._unit, "zones": self._zones, "node": self._node}
        if step not in acts:
            return plain(404, say("There is no such step."))
        unit = ""
        try:
            with self.change() as record:
                note, unit = acts[step](record)
            self.gate.note("entered", f"{step} {note[:80]}")
            note = say("Entered: {what}.", what=note)
        except EnteredError as error:
            where = {"node": f"{error}", "unit": sent("unit")[:64]}
            note = say(
                "Not entered: node {code} is entered already. Was it moved? Say so here.",
                code=f"{error}".partition("/")[2],
            )
            return redirect(f"/move?{urlencode({'note': note} | where)}", code=303)
        except InputError as error:
            note = say("Not entered: {why}.", why=error)
            unit = sent("unit")[:64]
        asked = {"note": note} | ({"unit": unit} if unit else {})
        return redirect(f"/begin?{urlencode(asked)}", code=303)

    def _site(self, record: Record) -> tuple[str, str]:
        code = _code()
        if any(site.code == code for site in record.sites()):
            raise InputError(say("there is a site {code} already", code=code))
        timezone = sent("timezone") or "UTC"
        time_zone(timezone)  # InputError names it
        record.add_site(Site(code, "", timezone, _number("altitude", -500.0, 6000.0)))
        return code, ""

    def _unit(self, record: Record) -> tuple[str, str]:
        code, site = _code(), sent("site")
        if any(unit.code == code for unit in record.units()):
            raise InputError(say("there is a unit {code} already", code=code))
        if site not in {known.code for known in record.sites()}:
            raise InputError(say("choose a site"))
        body, life = _one_of("body_type", BODIES), _one_of("life", LIVES)
        slides = round(_number("slides", 0, 9))
        record.add_unit(
            Unit(code, site, sent("name")[:MOST_NAME], body_type=body, life=life, slides=slides)
        )
        return code, code

    def _zones(self, record: Record) -> tuple[str, str]:
        unit = self._of(record)
        wanted = [part.partition("=") for part in request.form.getlist("zone")]
        chosen = [(code, kind) for code, _, kind in wanted]
        if sent("code"):
            chosen.append((_code(), sent("kind")))
        if not chosen:
            raise InputError(say("tick a zone, or type its code"))
        for code, kind in chosen:
            if not CODE.fullmatch(code) or kind not in ZONE_KINDS:
                raise InputError(say("{code} is no code of a zone", code=repr(code[:64])))
        known = {zone.code for zone in record.zones(unit.code)}
        shared = {zone.code for zone in record.site_zones(unit.site)}
        for code, kind in chosen:
            owner = "" if kind == "outside" else unit.code
            if code not in (known if owner else shared):
                record.add_zone(unit.site, Zone(owner, code, cast("ZoneKind", kind)))
        return ", ".join(code for code, _ in chosen), unit.code

    def _node(self, record: Record) -> tuple[str, str]:
        unit, code = self._of(record), _code()
        if any((p.site, p.node) == (unit.site, code) for p in record.placements()):
            raise EnteredError(f"{unit.site}/{code}")
        zones = {("unit", zone.code) for zone in record.zones(unit.code)}
        zones |= {("site", zone.code) for zone in record.site_zones(unit.site) if not zone.source}
        places = []
        for number in range(1, MOST_PROBES + 1):
            owner, _, zone = sent(f"p{number}").partition("/")
            if zone and (owner, zone) not in zones:
                raise InputError(say("choose what each probe watches"))
            if zone:
                of = unit.code if owner == "unit" else ""
                places.append(Placement(code, f"p{number}", unit.site, of, zone, self.now()))
        if not places:
            raise InputError(say("choose what its first probe watches"))
        if len({(place.unit, place.zone) for place in places}) < len(places):
            raise InputError(say("two probes watch one zone; choose another for one of them"))
        for place in places:
            record.place(place, recorded_s=self.now(), who=self.gate.doer().who)
        return code, unit.code

    def _of(self, record: Record) -> Unit:
        found = next((unit for unit in record.units() if unit.code == sent("unit")), None)
        if found is None or found.code not in self.gate.sight.units:
            raise InputError(say("there is no such unit"))
        return found


def _code() -> str:
    code = sent("code").lower()
    if not CODE.fullmatch(code):
        raise InputError(
            say("a code is made of a to z, 0 to 9, - and _, and begins with a letter or a digit")
        )
    return code


def _one_of(name: str, known: tuple[str, ...]) -> str:
    given = sent(name)
    if given not in known:
        raise InputError(say("choose one of: {known}", known=", ".join(map(say, known))))
    return given


def _number(name: str, low: float, high: float) -> float:
    given = sent(name).replace(",", ".")
    if not re.fullmatch(r"-?[0-9]{1,5}([.][0-9]{1,3})?", given) or not low <= float(given) <= high:
        raise InputError(
            say("{name} must be {low:g} to {high:g}", name=say(name), low=low, high=high)
        )
    return float(given)
