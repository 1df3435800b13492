"""Forms by which a unit leaves and a person is forgotten: both ask twice, for neither is undone by a click."""

from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from flask import Flask, redirect
from werkzeug.wrappers import Response as AnyResponse

from dashboards.access import Gate, plain, sent
from monitor.catalogue import say
from monitor.errors import InputError, StoreError
from monitor.store import Record, forgetting, users
from monitor.store.parting import MOST_SAID, Leave
from monitor.text import removal

TICK = "Nothing is done: choose yes at “Sure?” to do it."


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add what takes units and people out."""
    leaving = Leaving(gate, now, change)
    server.post("/unit/<unit>/leave/<act>")(leaving.leave)
    server.post("/users/forget")(leaving.forget)


@dataclass(frozen=True, slots=True)
class Leaving:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def leave(self, unit: str, act: str) -> AnyResponse:
        """Sell or retire a unit, or take that back."""
        acts = {"sold": self._go, "retired": self._go, "back": self._back}
        if unit not in self.gate.sight.units or act not in acts:
            return plain(404, say("There is no such unit, or nothing such to do with it."))
        back = f"/unit/{quote(unit, safe='')}/leave"
        if sent("sure") != "1":
            return _told(back, say(TICK))
        try:
            said = acts[act](unit, act)
        except InputError as error:
            return _told(back, say("Not done: {error}.", error=error))
        self.gate.note(f"unit {act}", unit[:64])
        return _told(back, said)

    def _go(self, unit: str, act: str) -> str:
        why = sent("why")[:MOST_SAID]
        if act == "retired" and not why:
            raise InputError(say("say why"))
        who, now_s = self.gate.doer().who, self.now()
        leaving = Leave(
            act,
            now_s,
            who,
            why=why,
            giver="this lot" if act == "sold" else "",
            taker=sent("to")[:MOST_SAID],
            keeper=sent("owner"),
        )
        with self.change() as record:
            left = record.leave(unit, leaving, now_s=now_s)
        said = say(
            "{unit}: {what}. {nodes} nodes, {alarms} alarms and {links} links are ended.",
            unit=unit,
            what=say(removal.WHAT[act]),
            nodes=len(left.nodes),
            alarms=left.alarms,
            links=left.links,
        )
        return f"{said} {removal.revoked_text(left.revoked)}" if left.revoked else said

    def _back(self, unit: str, act: str) -> str:
        why, now_s = sent("why")[:MOST_SAID], self.now()
        if not why:
            raise InputError(say("say why"))
        leaving = Leave(act, now_s, self.gate.doer().who, why=why)
        with self.change() as record:
            record.take_back(unit, "stored", leaving, now_s=now_s)
        return say("{unit} is back; nobody watches it until its nodes are placed again.", unit=unit)

    def forget(self) -> AnyResponse:
        """Forget a person."""
        name = sent("name")
        if self.gate.visitor and users.is_same(name, self.gate.visitor.name):
            return _told("/users", say("You cannot forget yourself; somebody else can."))
        if sent("sure") != "1":
            return _told("/users", say(TICK))
        try:
            with self.change() as record:
                done = forgetting.forget(record.engine, record.home, name, by=self.gate.doer())
        except (InputError, StoreError) as error:
            return _told("/users", say("Not done: {error}.", error=error))
        said = [
            say("Forgotten; what they did is now by: {called}.", called=done.called),
            say("Backups made before still hold the name."),
        ]
        if not done.clean:
            said.append(say(removal.NOT_CLEAN))
        if done.left:
            said.append(
                say("The name's letters still stand in: {files}.", files=", ".join(done.left))
            )
        return _told("/users", " ".join(said))


def _told(path: str, said: str) -> AnyResponse:
    return redirect(f"{path}?{urlencode({'note': said})}", code=303)
