"""Documents of a unit as files: made when they are asked for, by who may, and noted in the log."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version

from flask import Flask, Response, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import privacy
from dashboards.access import Gate, plain
from dashboards.pages.handover import NEEDS
from monitor import living
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.reports import handed
from monitor.reports.document import FORMS, PAPERS, TYPES, Form, Paper, rendered
from monitor.reports.handed import Kind, Wanted
from monitor.reports.told import Asked
from monitor.store import Record, board
from monitor.text import documents as text

HOUR_S = 3600


def add_routes(server: Flask, gate: Gate, record: Record, *, now: Callable[[], int]) -> None:
    """Add the documents."""
    made = Documents(gate, record, now)
    server.get("/document/morning", endpoint="document_morning")(made.morning)
    server.get("/document/<kind>/<unit>", endpoint="document")(made.of_unit)


@dataclass(frozen=True, slots=True)
class Documents:
    """The routes."""

    gate: Gate
    record: Record
    now: Callable[[], int]

    def morning(self) -> AnyResponse:
        """Morning list of what the visitor sees."""
        lot = self.gate.sight.lot(board.lot(self.record.engine, now_s=self.now()))
        wanted = Wanted("morning", "", self._asked(), paper=_paper())
        return self._file(wanted, lot=lot)

    def of_unit(self, kind: str, unit: str) -> AnyResponse:
        """A document of one unit, if it is open to the visitor."""
        sight = self.gate.sight
        chosen = next((one for one in handed.OF_UNIT if one == kind), None)
        if chosen is None or unit not in sight.units:
            return plain(404, say("There is no such document."))
        if NEEDS[chosen] not in sight.acts:
            self.gate.note("refused", f"document {chosen} of {unit}")
            return plain(403, say("Your role does not include this."))
        try:
            wanted = self._wanted(chosen, unit)
            if self._tells_of_others(wanted):
                return plain(403, say(text.NOT_BY_HOUR))
            return self._file(wanted)
        except InputError as error:
            return plain(404, say("Not made: {why}.", why=str(error).rstrip(".")))

    def _asked(self) -> Asked:
        who = self.gate.sight.visitor
        return Asked(self.now(), f"Sillkeep {version('sillkeep')}", fahrenheit=who.fahrenheit)

    def _wanted(self, kind: Kind, unit: str) -> Wanted:
        timezone = handed.timezone(self.record, unit)
        first, last = (request.args.get(name, "").strip() for name in ("from", "to"))
        zone, _, at = request.args.get("repair", "").rpartition(" ")
        return Wanted(
            kind=kind,
            unit=unit,
            asked=self._asked(),
            paper=_paper(),
            from_s=handed.day_s(first, timezone) if first else None,
            to_s=handed.day_s(last, timezone, after=1) if last else None,
            zone=zone if kind == "proof" else request.args.get("zone", ""),
            repaired_s=int(at) if re.fullmatch(r"[0-9]{1,12}", at) else None,
        )

    def _tells_of_others(self, wanted: Wanted) -> bool:
        """Whether it would tell a stranger of single hours of days on which somebody lived there."""
        if wanted.kind not in handed.BY_HOUR or wanted.unit not in self.gate.sight.private:
            return False
        unit = next(one for one in self.record.units() if one.code == wanted.unit)
        events = self.record.events(unit.site, unit=unit.code)
        spells = living.spells(events, life=unit.life)
        from_s, to_s = handed.span(self.record, wanted)
        from_hour = from_s // HOUR_S
        count = max(-(-to_s // HOUR_S) - from_hour, 0)
        return bool(privacy.lived_in(spells, from_hour=from_hour, count=count).any())

    def _file(self, wanted: Wanted, lot: board.Lot | None = None) -> AnyResponse:
        form = _form()
        document = handed.make(self.record, wanted, lot=lot)
        made = rendered(document, form, paper=wanted.paper)
        about = wanted.unit or "lot"
        self.gate.note("document taken", f"{about}, {wanted.kind}, {form}")
        name = re.sub(r"[^A-Za-z0-9_]+", "_", f"{about}-{wanted.kind}")
        return Response(
            made,
            content_type=TYPES[form],
            headers={"Content-Disposition": f'attachment; filename="{name}.{form}"'},
        )


def _paper() -> Paper:
    return next((one for one in PAPERS if one == request.args.get("paper")), PAPERS[0])


def _form() -> Form:
    return next((one for one in FORMS if one == request.args.get("form")), FORMS[0])
