"""A node's claim, exchanged once: by a node's own computer, or on a phone for a node's form."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec
from flask import Flask, Response, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import words
from dashboards.access import Gate, plain
from dashboards.pages import claims as pages
from dashboards.signin import Delay
from monitor.catalogue import say
from monitor.errors import MonitorError
from monitor.store.record import Record
from monitor.text import nodes as text

log = logging.getLogger("sillkeep.pages")


@dataclass(frozen=True, slots=True)
class Told:
    """What a node is told beside its secret, and what is done when a claim was exchanged."""

    host: str = ""
    port: int = 0
    prefix: str = ""
    ca_file: Path | None = None
    claimed: Callable[[Record], object] = lambda _: None


def add_routes(server: Flask, gate: Gate, told: Told) -> None:
    """Add what `dashboards.access.ROUTES` lists of these."""
    claims = Claims(gate, told)
    server.get("/claim/<secret>", endpoint="see_claim")(claims.see)
    server.post("/claim/<secret>", endpoint="take_claim")(claims.take)


class Claims:
    """The routes; wrong tries wait as those of passwords do."""

    def __init__(self, gate: Gate, told: Told) -> None:
        self._gate, self._told, self._delay = gate, told, Delay()

    def see(self, secret: str) -> AnyResponse:
        """Show the button: previews and scanners only look."""
        if refused := self._late():
            return refused
        found = self._gate.record.look_at_claim(secret, now_s=self._gate.now())
        if found is None:
            return self._dead()
        until = words.when(found.waits_s or 0, "UTC")
        node = f"{found.site}/{found.node}"
        return _page(pages.ask(node, until=until, token=self._gate.token, path=request.path))

    def take(self, secret: str) -> AnyResponse:
        """Exchange it: JSON for a program, a page to copy from for a person."""
        if refused := self._late():
            return refused
        try:  # before the claim is used up: what cannot be told is not exchanged
            ca_file = self._told.ca_file
            ca = ca_file.read_text(encoding="ascii") if ca_file else ""
        except (OSError, ValueError):
            log.exception("the certificate for nodes cannot be read")
            return plain(503, say("The broker's certificate cannot be read; see broker.ca_file."))
        with self._gate.change() as record:
            at_s, address = self._gate.now(), request.remote_addr or ""
            taken = record.take_claim(secret, at_s=at_s, address=address)
            if taken is None:
                return self._dead()
            self._delay.passed("claim", address)
            try:
                self._told.claimed(record)
            except (OSError, MonitorError):  # the watch tries again every few seconds
                log.exception("the broker's access list could not be written")
        answer = msgspec.json.encode(
            {
                "site": taken.site,
                "node": taken.node,
                "host": self._told.host,
                "port": self._told.port,
                "prefix": self._told.prefix,
                "username": taken.node,
                "password": taken.secret,
                "ca": ca,
            }
        )
        if request.is_json:
            return Response(answer, mimetype="application/json")
        return _page(pages.given(f"{taken.site}/{taken.node}", answer.decode()))

    def _late(self) -> AnyResponse | None:
        wait_s = self._delay.wait_s("claim", request.remote_addr or "", self._gate.now())
        said = say("Too many tries from here. Try again in {wait_s} s.", wait_s=wait_s)
        return plain(429, said) if wait_s else None

    def _dead(self) -> AnyResponse:
        self._delay.failed("claim", request.remote_addr or "", self._gate.now())
        return plain(410, say(text.CLAIM_DEAD))


def _page(html: str) -> AnyResponse:
    return Response(html, mimetype="text/html")
