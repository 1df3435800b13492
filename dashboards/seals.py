"""Seals: what their pages are drawn from, what their forms change, and the calendar file."""

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, cast
from urllib.parse import quote, urlencode

from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import pictures, views, words
from dashboards.access import Gate, Sight, plain, sent
from dashboards.pages import seals as pages
from dashboards.words import Wish
from monitor import roof, seals
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import (
    SEALS_HURT,
    Event,
    Joint,
    JointKind,
    SealAct,
    Sealant,
    SealBook,
    SealEntry,
    SealFinding,
    SealGroup,
    SealRule,
    Side,
)
from monitor.roof import Why
from monitor.store import board
from monitor.store.record import Record
from monitor.text import seals as text

NOON_H = 12  # a day alone is taken as its noon


def closed(unit: board.UnitNow) -> tuple[Why, ...]:
    """Why the roof of a unit is closed now."""
    zones = [(zone.kind, zone.word) for zone in unit.zones]
    return roof.closed(zones, rated=unit.declared.roof)


def unit_page(record: Record, asked: Wish, code: str, token: str, sight: Sight) -> list[Any]:
    """Page of a unit's seals, or of one joint of it."""
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    book = record.seal_book(code)
    told = pages.Told(
        unit=unit,
        site=site,
        book=book,
        dues=tuple(seals.due_of(book, now_s=asked.now_s)),
        closed=closed(unit),
        zones=tuple(zone.code for zone in unit.zones),
        token=token if "seal" in sight.acts else "",
    )
    chosen = asked.choice("joint")
    if chosen and not any(joint.code == chosen for joint in book.joints):
        return views.missing("joint", chosen, asked)
    if chosen:
        return pages.joint(told, chosen, record.joint_history(code), asked)
    return pages.blocks(told, asked)


def lot_page(record: Record, asked: Wish, sight: Sight, lot: board.Lot) -> list[Any]:
    """Seals of all units that are seen, by the day on which the first is due."""
    books = record.seal_books()
    rows = []
    for unit in sight.lot(lot).units:
        dues = seals.due_of(books[unit.code], now_s=asked.now_s)
        rows.append(pages.Row(unit.code, unit.slot, tuple(dues)))
    return pages.lot(rows, asked)


def line(record: Record, unit: str, *, now_s: int) -> str:
    """How a unit's seals stand, for its page; "" where it has no joints."""
    book = record.seal_book(unit)
    dues = seals.due_of(book, now_s=now_s)
    return pages.summary(dues) if dues else ""


def add_routes(
    server: Flask,
    gate: Gate,
    record: Record,
    *,
    now: Callable[[], int],
    change: Callable[[], Record],
) -> None:
    """Add the forms of the pages, and the calendar."""
    forms = Forms(gate, record, now, change)
    server.post("/unit/<unit>/seals/<act>")(forms.act)
    server.get("/unit/<unit>/seals.ics")(forms.calendar)


@dataclass(frozen=True, slots=True)
class Forms:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    record: Record
    now: Callable[[], int]
    change: Callable[[], Record]

    def calendar(self, unit: str) -> AnyResponse:
        """Calendar file of a unit's seals."""
        from monitor.reports.calendar import calendar_file

        seen = unit in self.gate.sight.units
        found = board.unit(self.record.engine, unit, now_s=self.now()) if seen else None
        if found is None:
            return self._nothing(unit)
        made = calendar_file(
            self.record.seal_book(unit),
            now_s=self.now(),
            closed=closed(found[0]),
            remind=request.args.get("remind") == "1",
        )
        name = re.sub(r"[^A-Za-z0-9_]+", "_", unit)
        return Response(
            made,
            content_type="text/calendar; charset=utf-8",
            headers={"Content-Disposition": f'attachment; filename="{name}-seals.ics"'},
        )

    def act(self, unit: str, act: str) -> AnyResponse:
        """Enter, change or retire a joint, note looks, reseals and events, change an interval."""
        acts: dict[str, Callable[[Record, str], str]] = {
            "suggest": self._suggest,
            "add": self._add,
            "change": self._change,
            "retire": self._retire,
            "look": self._look,
            "reseal": self._reseal,
            "rule": self._rule,
            "event": self._event,
        }
        if unit not in self.gate.sight.units or act not in acts:
            return self._nothing(unit)
        back = {"joint": sent("back")} if sent("back") else {}
        try:
            with self.change() as record:
                note = acts[act](record, unit)
            self.gate.note(f"seals: {act}", f"{unit[:64]} {', '.join(_joints())[:120]}")
        except InputError as error:
            note = say("Not noted: {error}.", error=str(error).rstrip("."))
        asked = urlencode(back | {"note": note})
        return redirect(f"/unit/{quote(unit, safe='')}/seals?{asked}", code=303)

    # --- joints ---

    def _suggest(self, record: Record, unit: str) -> str:
        if record.joints(unit):
            raise InputError("it has joints already: add what is missing")
        found = next(one for one in record.units() if one.code == unit)
        made = seals.suggested(
            found.body_type,
            found.slides,
            record.zones(unit),
            who=self.gate.doer().who,
            now_s=self.now(),
        )
        record.enter_joints(unit, made)
        return say("{count} joints entered: change or retire what is not there.", count=len(made))

    def _add(self, record: Record, unit: str) -> str:
        new = self._joint(sent("code").lower(), first_s=self.now())
        record.enter_joints(unit, [new])
        return say("{joint}: entered.", joint=new.code)

    def _change(self, record: Record, unit: str) -> str:
        old = _known(record, unit)
        record.enter_joints(unit, [self._joint(old.code, first_s=old.first_s)], change=True)
        return say("{joint}: changed; what it was stays on record.", joint=old.code)

    def _retire(self, record: Record, unit: str) -> str:
        old = _known(record, unit)
        if not sent("why"):
            raise InputError("say why: it is gone, or it was never there")
        new = replace(
            old,
            retired=not old.retired,
            at_s=self.now(),
            who=self.gate.doer().who,
            why=sent("why"),
        )
        record.enter_joints(unit, [new], change=True)
        if new.retired:
            return say("{joint}: retired; it asks for nothing any more.", joint=old.code)
        return say("{joint}: taken back.", joint=old.code)

    def _joint(self, code: str, *, first_s: int) -> Joint:
        height = sent("height").replace(",", ".")
        if height and not re.fullmatch(r"[0-9](\.[0-9]{1,2})?", height):
            raise InputError("a height is metres, such as 2.6")
        return Joint(
            code,
            cast("JointKind", sent("kind")),
            sent("place"),
            cast("Side", sent("side")),
            sent("zone"),
            on_roof=sent("on_roof") == "1",
            height_m=float(height) if height else None,
            at_s=self.now(),
            first_s=first_s,
            who=self.gate.doer().who,
            why=sent("why"),
        )

    # --- entries ---

    def _look(self, record: Record, unit: str) -> str:
        finding = cast("SealFinding", sent("finding"))
        noted = self._noted(record, unit, "looked at", finding=finding)
        return say("{count} noted as looked at: {finding}.", count=noted, finding=say(finding))

    def _reseal(self, record: Record, unit: str) -> str:
        sealant = cast("Sealant", sent("sealant"))
        confirmed = tuple(sorted(set(request.form.getlist("confirmed")) & {*text.CONFIRMED}))
        book = record.seal_book(unit)
        for joint in book.joints:
            if joint.code in _joints():
                self._confirm(book, joint, sealant, confirmed)
        noted = self._noted(record, unit, "resealed", sealant=sealant, confirmed=confirmed)
        return say("{count} noted as resealed with {sealant}.", count=noted, sealant=say(sealant))

    def _confirm(
        self, book: SealBook, joint: Joint, sealant: Sealant, confirmed: tuple[str, ...]
    ) -> None:
        own = [entry for entry in book.entries if entry.joint == joint.code]
        missing = seals.unconfirmed(joint, own, sealant, confirmed)
        if missing:
            before = seals.last_sealant(own)
            raise InputError(
                text.refused_text(
                    joint.code, before=before.sealant if before else "", warned=missing
                )
            )

    def _noted(
        self,
        record: Record,
        unit: str,
        act: SealAct,
        *,
        finding: SealFinding = "",
        sealant: Sealant = "",
        confirmed: tuple[str, ...] = (),
    ) -> int:
        chosen = _joints()
        if not chosen:
            raise InputError("choose at least one joint")
        at_s, now_s, who = self._at(record, unit), self.now(), self.gate.doer().who
        photos = pictures.kept(
            record, unit, pictures.chosen(), at_s=at_s, now_s=now_s, who=who
        )  # before the entries that name them; without those they harm nobody
        return record.note_seals(
            unit,
            [
                SealEntry(
                    joint,
                    act,
                    at_s,
                    now_s,
                    who,
                    finding=finding,
                    sealant=sealant,
                    product=sent("product"),
                    note=sent("what"),
                    photos=photos,
                    confirmed=confirmed,
                )
                for joint in chosen
            ],
        )

    def _at(self, record: Record, unit: str, *, at_the_end: bool = False) -> int:
        """When it was: now, or noon of the day that was given, or that day's last second."""
        now_s, given = self.now(), sent("day")
        timezone = record.seal_book(unit).timezone
        if not given or given == words.day_of(now_s, timezone):
            return now_s
        try:
            day = dt.date.fromisoformat(given)
        except ValueError:
            raise InputError("a day is such as 2030-01-31") from None
        if not 2000 <= day.year <= 2100:
            raise InputError("that day is too far away")
        end_s = words.end_of_day_s(day.isoformat(), timezone)
        return end_s - 1 if at_the_end else end_s - NOON_H * 3600

    # --- rules and events ---

    def _rule(self, record: Record, unit: str) -> str:
        given = sent("days")
        if given and not re.fullmatch(r"[0-9]{1,4}", given):
            raise InputError("an interval is whole days")
        group = cast("SealGroup", sent("group"))
        joint = sent("of")
        record.rule_seals(
            unit,
            SealRule(
                group,
                joint,
                int(given) if given else None,
                self.now(),
                self.gate.doer().who,
                sent("why"),
            ),
        )
        return say("{of}: interval changed.", of=joint or say(group))

    def _event(self, record: Record, unit: str) -> str:
        kind = next((one for one in SEALS_HURT if one == sent("kind")), None)
        if kind is None:
            raise InputError("choose hail, branch or wind")
        site = record.seal_book(unit).site
        # by the day alone nobody knows whether a look on that day saw what it did
        at_s = self._at(record, unit, at_the_end=True)
        event = Event(at_s, kind, sent("what")[:200], unit=unit)
        if event.at_s > self.now():
            raise InputError("that is still to come: note it when it happened")
        record.add_event(site, event, recorded_s=self.now(), who=self.gate.doer().who)
        return say(
            "Noted: {kind}. Every joint that was not looked at since is due.", kind=say(kind)
        )

    def _nothing(self, unit: str) -> AnyResponse:
        return plain(404, say("There is no such page of seals of {unit}.", unit=unit[:64]))


def _joints() -> list[str]:
    """Codes of the joints that a form names."""
    return list(dict.fromkeys(request.form.getlist("joint")))


def _known(record: Record, unit: str) -> Joint:
    code = next(iter(_joints()), "")
    found = next((one for one in record.joints(unit) if one.code == code), None)
    if found is None:
        raise InputError(f'there is no joint "{code[:64]}" here')
    return found
