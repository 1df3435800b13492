"""Changes of limits and of who is told: a form of the page, the change, and back with a note."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from urllib.parse import quote, urlencode

from flask import Flask, redirect
from werkzeug.wrappers import Response as AnyResponse

from dashboards import gather
from dashboards.access import Gate, plain, sent
from monitor import seasons, text
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.judge import dryer, limits
from monitor.lot import Event, EventKind, LimitEntry, SeasonStep
from monitor.store import Record, people

HOUR_S = 3600
MOST_WHY = 400
MOST_PEOPLE = 12
NOTED: tuple[EventKind, ...] = ("occupied", "vacated", "winterised", "water on", "dehumidifier")
DRYER_NOTES = (*dryer.KINDS, "emptied", "taken away")


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add what those who run the lot change in it."""
    changes = Changes(gate, now, change)
    server.post("/limits/change")(changes.limit)
    server.post("/limits/undo")(changes.undo)
    server.post("/people/change")(changes.person)
    server.post("/unit/<unit>/note")(changes.note)
    server.post("/unit/<unit>/lists/<act>")(changes.season_list)


@dataclass(frozen=True, slots=True)
class Changes:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def limit(self) -> AnyResponse:
        """Change a limit from this hour on."""

        def act(record: Record) -> str:
            entry = limits.change(
                record.limit_entries(),
                name=sent("name"),
                value=_limit(),
                site=sent("site"),
                body_type=sent("kind"),
                hour=self.now() // HOUR_S,
            )
            kinds = {unit.body_type for unit in record.units()}
            if entry.body_type and entry.body_type not in kinds:
                raise InputError(f'there is no unit of kind "{entry.body_type}"')
            number = record.change_limit(self._signed(entry))
            return say(
                "Change {number}, {told} from this hour on.", number=number, told=_told(entry)
            )

        return self._done(act, "/settings", "limit changed", sent("name"))

    def undo(self) -> AnyResponse:
        """End a change of a limit from this hour on."""

        def act(record: Record) -> str:
            number = round(_number("number"))
            entry = limits.undo(record.limit_entries(), number, hour=self.now() // HOUR_S)
            record.change_limit(self._signed(entry))
            return say(
                "Change {number} is undone, {told} from this hour on.",
                number=number,
                told=_told(entry),
            )

        return self._done(act, "/settings", "limit undone", f"change {sent('number')[:9]}")

    def person(self) -> AnyResponse:
        """Change when and in which order somebody is told, and in which scales."""

        def act(record: Record) -> str:
            name = sent("name")
            person = next((p for p in people.listed(record.engine) if p.name == name), None)
            if person is None:
                raise InputError("nobody here is called that")
            place = round(_number("place"))
            if not 1 <= place <= 99:
                raise InputError("a place in the order is 1 to 99")
            changed = replace(
                person,
                quiet=(_minute("from"), _minute("to")),
                place=place,
                fahrenheit=_is_fahrenheit(),
                twelve_hour=sent("twelve") == "1",
            )
            people.change(record.engine, record.home, changed, None, by=self.gate.doer())
            return say("{name}: kept.", name=name)

        return self._done(act, "/people", "", "")

    def note(self, unit: str) -> AnyResponse:
        """Note who lives in a unit, or that water stands in its lines."""

        def act(record: Record) -> str:
            site = next((u.site for u in record.units() if u.code == unit), "")
            seen = self.gate.sight
            if not site or unit not in seen.units or unit in seen.private:
                raise InputError(f"there is no unit {unit[:64]} that is yours")
            kind, value = sent("kind"), ""
            if kind not in NOTED:
                raise InputError("choose what to note")
            if kind == "occupied":
                number = round(_number("people"))
                if not 1 <= number <= MOST_PEOPLE:
                    raise InputError(f"1 to {MOST_PEOPLE} people can live in it")
                value = "1 person" if number == 1 else f"{number} people"
            if kind == "dehumidifier":
                value = sent("value")
                if value not in DRYER_NOTES:
                    raise InputError("choose what to note of the dehumidifier")
            event = Event(self.now(), kind, value, unit=unit)
            record.add_event(site, event, recorded_s=self.now(), who=self.gate.doer().who)
            return say(
                "Noted: {kind}.",
                kind=", ".join(filter(None, (say(kind), text.noted_text(kind, value)))),
            )

        back = f"/unit/{quote(unit, safe='')}/living"
        return self._done(act, back, "noted", f"{unit[:64]}, {sent('kind')[:20]}")

    def season_list(self, unit: str, act: str) -> AnyResponse:
        """Begin or end a lay-up or opening list, or note something of an item of it."""
        who = self.gate.doer().who

        def begin(record: Record) -> str:
            found = next(one for one in record.units() if one.code == unit)
            kind = sent("kind")
            if kind not in seasons.LIST_KINDS:
                raise InputError("choose a list to begin")
            climate = gather.climate(record, found.site, now_s=self.now())
            made = seasons.items(
                kind, climate, slides=found.slides, before=record.season_lists(unit)
            )
            record.begin_list(unit, kind, made, who=who, now_s=self.now())
            return say(
                "{title}: {items} items, {left} of them left over.",
                title=say(text.LIST_TITLES[kind]),
                items=len(made[0]),
                left=len(made[1]),
            )

        def note(record: Record) -> str:
            step = SeasonStep(sent("item"), sent("word"), self.now(), who, sent("why")[:MOST_WHY])
            record.note_item(unit, round(_number("number")), step)
            return say("Noted: {kind}.", kind=say(step.word))

        def end(record: Record) -> str:
            record.end_list(unit, round(_number("number")), now_s=self.now())
            return say("The list is over; what was open in it goes on into the next one.")

        acts = {"begin": begin, "note": note, "end": end}
        back = f"/unit/{quote(unit, safe='')}/lists"
        if unit not in self.gate.sight.units or act not in acts:
            return plain(404, say("There is no such list of {unit}.", unit=unit[:64]))
        return self._done(acts[act], back, f"list: {act}", unit[:64])

    def _signed(self, entry: LimitEntry) -> LimitEntry:
        why = sent("why")[:MOST_WHY]
        if not why:
            raise InputError("say why; a limit without its reason helps nobody later")
        return replace(entry, who=self.gate.doer().who, why=why, recorded_s=self.now())

    def _done(self, act: Callable[[Record], str], back: str, doing: str, of: str) -> AnyResponse:
        try:
            with self.change() as record:
                note = act(record)
            if doing:
                self.gate.note(doing, of)
        except InputError as error:
            note = say("Not changed: {error}.", error=error)
        return redirect(f"{back}?{urlencode({'note': note})}", code=303)


def _number(name: str) -> float:
    given = sent(name)
    if not re.fullmatch(r"[0-9]{1,6}([.,][0-9]{1,6})?", given):
        raise InputError(f"{name} is no number")
    return float(given.replace(",", "."))


def _limit() -> float:
    """The new value, as the record keeps it."""
    return text.limit_read(sent("name"), _number("value"), fahrenheit=_is_fahrenheit())


def _told(entry: LimitEntry) -> str:
    warm = _is_fahrenheit()
    value = text.limit_value(entry.name, entry.new, fahrenheit=warm)
    return f"{text.limit_name(entry.name, fahrenheit=warm)}: {value}"


def _is_fahrenheit() -> bool:
    return sent("fahrenheit") == "1"


def _minute(name: str) -> int:
    found = re.fullmatch(r"([01][0-9]|2[0-3]):([0-5][0-9])(:00)?", sent(name))
    if found is None:
        raise InputError("quiet hours are two times of day; twice the same for none")
    return int(found[1]) * 60 + int(found[2])
