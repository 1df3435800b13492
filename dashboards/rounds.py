"""Routes of rounds: the page that is kept on the device, what it asks for, and findings that it sends."""

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import quote, urlencode
from uuid import uuid4

from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import pictures
from dashboards.access import Gate, plain, sent
from dashboards.pages import morning as morning_page
from dashboards.pages import rounds as page
from monitor import rounds
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import Finding
from monitor.store import Record
from monitor.store.board import Lot

log = logging.getLogger("sillkeep.pages")

MOST_KEPT = (
    60  # units that a device keeps, beside those that ask; a lot's would fill a phone's memory
)
WORKER = Path(__file__).parent / "assets" / "round-worker.js"


class Reads(Protocol):
    """Whoever reads the lot."""

    def read(self, now_s: int) -> Lot:
        """The whole lot."""


def add_routes(
    server: Flask,
    gate: Gate,
    lots: Reads,
    *,
    now: Callable[[], int],
    change: Callable[[], Record],
) -> None:
    """Add what a round needs."""
    routes = Rounds(gate, lots, now, change)
    server.get("/round")(routes.show)
    server.get("/round/<unit>", endpoint="round_unit")(lambda unit: routes.show())  # noqa: ARG005
    server.get("/round-worker.js")(routes.worker)
    server.get("/round-data")(routes.data)
    server.get("/round-token")(routes.token)
    server.post("/round-send")(routes.send)
    server.post("/unit/<unit>/findings/withdraw")(routes.withdraw)


@dataclass(frozen=True, slots=True)
class Rounds:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    lots: Reads
    now: Callable[[], int]
    change: Callable[[], Record]

    def show(self) -> AnyResponse:
        """The page: the same for every unit, without anything of any."""
        return Response(page.document(), mimetype="text/html")

    def worker(self) -> AnyResponse:
        """The script that keeps the page on the device; here, so that it may answer for /round."""
        return Response(WORKER.read_text(encoding="utf-8"), mimetype="text/javascript")

    def token(self) -> AnyResponse:
        """Who is signed in, and what a form of theirs carries now."""
        return _json({"token": self.gate.token, "who": self.gate.doer().who})

    def data(self) -> AnyResponse:
        """Units that the device keeps: those that ask today, others as far as there is room."""
        lot = self.gate.sight.lot(self.lots.read(self.now()))
        walk = [unit.code for unit, _ in morning_page.walk(lot)]
        asked = request.args.get("unit", "")
        kept = [
            unit
            for unit in sorted(lot.units, key=morning_page.way)
            if len(lot.units) <= MOST_KEPT or unit.code in walk or unit.code == asked
        ]
        clocks = {site.code: site.timezone for site in lot.sites}
        record = self.gate.record
        return _json(
            {
                "who": self.gate.doer().who,
                "fahrenheit": bool(self.gate.visitor and self.gate.visitor.fahrenheit),
                "walk": walk,
                "units": [
                    page.of_unit(
                        unit, record.findings(unit.code), timezone=clocks.get(unit.site, "UTC")
                    )
                    for unit in kept
                ],
            }
        )

    def send(self) -> AnyResponse:
        """Keep one finding with its photos; its identity is the receipt."""
        try:
            entry = _entry()
            unit = entry.get("unit") if isinstance(entry, dict) else None
            if not isinstance(unit, str) or unit not in self.gate.sight.units:
                raise InputError("there is no such unit that you see")  # noqa: TRY301  one answer for all
            found, photos = self._read(entry)
            with self.change() as record:
                new = record.add_findings([found], photos)
            if new:
                self.gate.note("finding", f"{found.unit}/{found.zone}")
        except InputError as error:
            return _json({"refused": str(error)}, status=422)
        return _json({"received": found.identity})

    def _read(self, entry: object) -> tuple[Finding, dict[str, bytes]]:
        data = pictures.chosen()
        photos = {sha256(one).hexdigest(): one for one in data}
        who = self.gate.doer().who
        return rounds.read(entry, who=who, now_s=self.now(), photos=tuple(photos)), photos

    def withdraw(self, unit: str) -> AnyResponse:
        """Say that a finding no longer holds; the entry stays."""
        if unit not in self.gate.sight.units:
            return plain(404, say("There is no unit {unit}.", unit=unit[:64]))
        known = {each.identity: each for each in self.gate.record.findings(unit)}
        first = known.get(sent("identity"))
        if first is None or first.withdraws:
            return plain(404, say("There is no such finding."))
        entry = {
            "identity": str(uuid4()),
            "round": first.round,
            "unit": unit,
            "zone": first.zone,
            "at_s": self.now(),
            "note": sent("why"),
            "withdraws": first.identity,
        }
        try:
            found = rounds.read(entry, who=self.gate.doer().who, now_s=self.now(), whose=unit)
            with self.change() as record:
                record.add_findings([found])
            self.gate.note("finding withdrawn", f"{unit}/{first.zone}")
            note = say("The finding is withdrawn.")
        except InputError as error:
            note = say("Not withdrawn: {error}.", error=error)
        back = f"/unit/{quote(unit, safe='')}/zone/{quote(first.zone, safe='')}"
        return redirect(f"{back}?{urlencode({'note': note})}", code=303)


def _entry() -> Any:  # noqa: ANN401  whatever was sent
    text = request.form.get("entry", "")
    if len(text) > rounds.MOST_SENT:
        raise InputError("the finding is too long")
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError("the finding is no JSON") from error


def _json(value: object, *, status: int = 200) -> AnyResponse:
    return Response(json.dumps(value), status=status, mimetype="application/json")
