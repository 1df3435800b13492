"""Answers to alarms: a form of the page, the act, and back to the page with a note."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import Flask, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards.access import Gate
from monitor import holds, watch
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import Source
from monitor.store import Record

HOUR_S = 3600


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add what a person does with an alarm, or with where alarms come from."""
    answers = Answers(gate, now, change)
    one = "/alarms/<int:alarm_id>"
    server.post(f"{one}/acknowledge")(answers.acknowledge)
    server.post(f"{one}/shelve")(answers.shelve)
    server.post(f"{one}/inspect")(answers.inspect)
    server.post(f"{one}/out-of-service")(answers.take_out)
    server.post("/holds/add")(answers.hold_back)
    server.post("/holds/<int:hold_id>/end")(answers.let_go)


@dataclass(frozen=True, slots=True)
class Answers:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def acknowledge(self, alarm_id: int) -> AnyResponse:
        """Take an alarm on."""

        def act(record: Record, who: str, _why: str) -> str:
            watch.acknowledge(record, alarm_id, who=who, now_s=self.now())
            return say(
                "Alarm {alarm_id} acknowledged by {who}.",
                alarm_id=alarm_id,
                who=who.strip()[:80],
            )

        return self._done(act, "acknowledged", f"alarm {alarm_id}")

    def shelve(self, alarm_id: int) -> AnyResponse:
        """Hold an alarm back for a time."""

        def act(record: Record, who: str, why: str) -> str:
            source = holds.alarm_of(record, alarm_id).source
            self._shelve(record, source, who, why)
            return say(
                "Alarm {alarm_id} shelved for {hours} hours.",
                alarm_id=alarm_id,
                hours=_hours_asked(),
            )

        return self._done(act, "shelved", f"alarm {alarm_id}")

    def inspect(self, alarm_id: int) -> AnyResponse:
        """Record what was found at the place."""

        def act(record: Record, who: str, why: str) -> str:
            holds.inspect(record, alarm_id, who=who, finding=why, now_s=self.now())
            return say(
                "Inspection noted for alarm {alarm_id}: a leak suspect ends by it when its day (UTC) is over, "
                "any other alarm when its condition does.",
                alarm_id=alarm_id,
            )

        return self._done(act, "inspected", f"alarm {alarm_id}")

    def take_out(self, alarm_id: int) -> AnyResponse:
        """Take an alarm out of service."""

        def act(record: Record, who: str, why: str) -> str:
            source = holds.alarm_of(record, alarm_id).source
            holds.take_out(record, source, who=who, why=why, now_s=self.now())
            return say(
                "Alarm {alarm_id} is out of service until somebody puts it back.", alarm_id=alarm_id
            )

        return self._done(act, "taken out of service", f"alarm {alarm_id}")

    def hold_back(self) -> AnyResponse:
        """Hold back a source, whether an alarm of it stands or not."""
        names = ("unit", "zone", "node")
        place = {name: request.form.get(name, "").strip() for name in names}
        kind = request.form.get("kind", "")

        def act(record: Record, who: str, why: str) -> str:
            try:
                source = holds.source_of(record, kind=kind, **place)
                self._see(source)
            except InputError:
                if not self._sees_whole():  # what is out of sight is not told from what is not
                    raise InputError("there is no such zone or node") from None
                raise
            if request.form.get("word") == "out of service":
                holds.take_out(record, source, who=who, why=why, now_s=self.now())
                return say(
                    "{said}: out of service until somebody puts it back.", said=_said(source)
                )
            self._shelve(record, source, who, why)
            return say(
                "{said}: shelved for {hours} hours.",
                said=_said(source),
                hours=_hours_asked(),
            )

        about = " ".join((kind, *place.values()))[:200]
        return self._done(act, "held back", about)

    def let_go(self, hold_id: int) -> AnyResponse:
        """Release what is shelved, put back what is out of service."""

        def act(record: Record, who: str, why: str) -> str:
            found = next((h for h in record.holds() if h.hold_id == hold_id), None)
            if found is None:
                raise InputError("nothing is held back under that number")
            self._see(found.source)
            end = holds.put_back if found.word == "out of service" else holds.release
            end(record, found.source, who=who, why=why, now_s=self.now())
            return say("{said}: no longer held back.", said=_said(found.source))

        return self._done(act, "let go", f"hold {hold_id}")

    def _shelve(self, record: Record, source: Source, who: str, why: str) -> None:
        now_s = self.now()
        until_s = now_s + _hours_asked() * HOUR_S
        holds.shelve(record, source, who=who, why=why, until_s=until_s, now_s=now_s)

    def _see(self, source: Source) -> None:
        if not self.gate.sight.sees(source.site, source.unit):
            raise InputError("nothing is held back under that number")

    def _sees_whole(self) -> bool:
        return self.gate.sight.visitor.reach.whole

    def _done(self, act: Callable[[Record, str, str], str], doing: str, of: str) -> AnyResponse:
        who, why = request.form.get("who", ""), request.form.get("why", "")
        try:
            with self.change() as record:
                note = act(record, who, why)
            self.gate.note(f"alarm {doing}", f"{of}, as {who.strip()[:80]}")
        except InputError as error:
            note = say("Not {doing}: {error}.", doing=say(doing), error=error)
        asked = {"note": note} | ({"f": "1"} if "f=1" in request.form.get("back", "") else {})
        return redirect(f"/alarms?{urlencode(asked)}", code=303)


def _said(source: Source) -> str:
    place = " ".join(filter(None, (source.unit or source.site, source.zone, source.node)))
    return f"{place}, {source.kind}"


def _hours_asked() -> int:
    given = request.form.get("hours", "")
    if not re.fullmatch(r"[0-9]{1,5}", given):
        raise InputError("say for how many hours")
    return int(given)
