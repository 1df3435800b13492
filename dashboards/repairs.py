"""Opening a repair, and what is entered of it later: a form of the page, and back with a note."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

from flask import Flask, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import pictures
from dashboards.access import Gate, plain, sent
from monitor import cases
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import CaseNote
from monitor.store import Record


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add what is entered of repairs."""
    repairs = Repairs(gate, now, change)
    server.post("/proof/<unit>/open")(repairs.open_repair)
    server.post("/proof/<unit>/<zone>/<int:repaired_s>/<act>")(repairs.add_entry)


@dataclass(frozen=True, slots=True)
class Repairs:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def open_repair(self, unit: str) -> AnyResponse:
        """Open a repair of some zones of a unit."""
        zones = tuple(request.form.getlist("zone"))

        def act(record: Record) -> str:
            opening = cases.Opening(
                unit=unit,
                zones=zones,
                done=sent("done"),
                moved=sent("moved") == "1",
                at_s=_at(record, unit, "at") or self.now(),
                who=self.gate.doer().who,
                twin=sent("twin"),
                goal_percent=_points(sent("goal")) if sent("goal") else None,
                why=sent("why"),
                photos=tuple(pictures.chosen()),
            )
            cases.open_repair(record, opening, now_s=self.now())
            return say("The repair is open; its proof begins with the next midnight (UTC).")

        if unit not in self.gate.sight.units:
            return plain(404, say("There is no unit {unit}.", unit=unit[:64]))
        return self._done(act, ("/proof", f"/proof/{quote(unit, safe='')}"), "repair opened", unit)

    def add_entry(self, unit: str, zone: str, repaired_s: int, act: str) -> AnyResponse:
        """Add a photo, a hose test or another drying goal to a repair."""
        now_s = self.now()
        of = cases.entry(zone, repaired_s, at_s=now_s, now_s=now_s, who=self.gate.doer().who)
        acts = {"photo": self._photo, "spray": self._spray, "goal": self._goal}
        if unit not in self.gate.sight.units or act not in acts:
            return plain(404, say("There is no such repair of {unit}.", unit=unit[:64]))
        back = f"/proof/{quote(unit, safe='')}/{quote(zone, safe='')}/{repaired_s}"
        return self._done(
            lambda record: acts[act](record, unit, of), (back, back), f"repair: {act}", unit
        )

    def _photo(self, record: Record, unit: str, of: CaseNote) -> str:
        photos = pictures.chosen()
        if not photos:
            raise InputError("choose a photo")
        cases.add_photos(record, unit, of, photos)
        return say("The photo is kept.")

    def _spray(self, record: Record, unit: str, of: CaseNote) -> str:
        from_s, to_s = _at(record, unit, "from"), _at(record, unit, "to")
        if not from_s or not to_s or sent("reached") not in {"yes", "no"}:
            raise InputError("say when it began and stopped, and whether water came in")
        spray = cases.Spray(sent("joint"), from_s, to_s, sent("reached") == "yes")
        cases.add_spray(record, unit, of, spray)
        return say("The hose test is noted.")

    def _goal(self, record: Record, unit: str, of: CaseNote) -> str:
        cases.decide_goal(record, unit, of, _points(sent("goal")), sent("why"))
        return say("The drying goal holds from the next midnight (UTC) on.")

    def _done(
        self, act: Callable[[Record], str], back: tuple[str, str], doing: str, unit: str
    ) -> AnyResponse:
        to = back[0]
        try:
            with self.change() as record:
                note = act(record)
            self.gate.note(doing, unit[:64])
        except InputError as error:
            note, to = say("Not changed: {error}.", error=error), back[1]
        return redirect(f"{to}?{urlencode({'note': note})}", code=303)


def _points(given: str) -> float:
    if not re.fullmatch(r"[0-9]{1,2}([.,][0-9]{1,3})?", given):
        raise InputError("the drying goal is no number")
    return float(given.replace(",", "."))


def _at(record: Record, unit: str, name: str) -> int | None:
    """A time of the form on the unit's clock; None where it is empty."""
    given = sent(name)
    if not given:
        return None
    site = next((one.site for one in record.units() if one.code == unit), "")
    zone = next((one.timezone for one in record.sites() if one.code == site), "UTC")
    try:
        return int(datetime.fromisoformat(given).replace(tzinfo=ZoneInfo(zone)).timestamp())
    except ValueError as error:
        raise InputError("that is no time") from error
