"""What a person does at the bench: enter a point over salt, say that a probe is back, take a point back."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import Flask, redirect
from werkzeug.wrappers import Response as AnyResponse

from dashboards.access import Gate, sent, sent_hours
from monitor import bench
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.store import Record

HOUR_S = 3600
MOST_WHY = 400


def add_routes(
    server: Flask, gate: Gate, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    """Add the forms of the bench."""
    forms = Bench(gate, now, change)
    server.post("/bench/point")(forms.enter_point)
    server.post("/bench/back")(forms.put_back)
    server.post("/bench/undo")(forms.take_point_back)


@dataclass(frozen=True, slots=True)
class Bench:
    """The routes; `change` opens the record for writing."""

    gate: Gate
    now: Callable[[], int]
    change: Callable[[], Record]

    def enter_point(self) -> AnyResponse:
        """Enter what a probe reads at rest over a salt."""

        def act(record: Record) -> str:
            now_s = self.now()
            place = self._place(record, sent("probe"))
            hours = sent_hours("say for how many hours it has been in the box", digits=3)
            since_s = now_s - hours * HOUR_S
            span = bench.window(now_s, from_s=since_s, to_s=None)
            at_s, celsius, percent = record.probe_readings(*place, from_s=span[0], to_s=span[1])
            found = bench.settling(at_s=at_s, temperature_c=celsius, humidity_percent=percent)
            number = record.add_bench_point(
                bench.point(
                    found,
                    place=place,
                    salt=sent("salt"),
                    batch=sent("batch"),
                    from_s=since_s,
                    who=self.gate.doer().who,
                    now_s=now_s,
                )
            )
            return say("Point {number} of {probe} is kept.", number=number, probe="/".join(place))

        return self._done(act, "bench point", sent("probe")[:80])

    def put_back(self) -> AnyResponse:
        """Say that a probe is in its place again."""

        def act(record: Record) -> str:
            now_s = self.now()
            place = self._place(record, sent("probe"))
            otherwise = "say how many hours ago it was put back, or nothing"
            back_s = now_s - sent_hours(otherwise, digits=4, empty="0") * HOUR_S
            who = self.gate.doer().who
            record.put_back(*place, back_s=back_s, who=who, now_s=now_s)
            return say("{probe} is in its place again.", probe="/".join(place))

        return self._done(act, "probe back from the bench", sent("probe")[:80])

    def take_point_back(self) -> AnyResponse:
        """Take a point back."""

        def act(record: Record) -> str:
            why, given = sent("why")[:MOST_WHY], sent("number")
            number = int(given) if re.fullmatch(r"[0-9]{1,9}", given) else 0
            point = next((one for one in record.bench_points() if one.number == number), None)
            if point is None:
                raise InputError("there is no such bench point")
            self._place(record, f"{point.site}/{point.node}/{point.probe}")
            if not why:
                raise InputError("say why it is taken back")
            who = self.gate.doer().who
            record.undo_bench_point(number, who=who, why=why, now_s=self.now())
            return say("Point {number} is taken back.", number=number)

        return self._done(act, "bench point taken back", sent("number")[:9])

    def _place(self, record: Record, probe: str) -> tuple[str, str, str]:
        """Site, node and probe, if it watches something that the visitor sees."""
        for p in record.placements():
            named = f"{p.site}/{p.node}/{p.probe}" == probe and p.to_s is None
            if named and self.gate.sight.sees(p.site, p.unit):
                return p.site, p.node, p.probe
        raise InputError("choose a probe that watches something")

    def _done(self, act: Callable[[Record], str], doing: str, of: str) -> AnyResponse:
        try:
            with self.change() as record:
                note = act(record)
            self.gate.note(doing, of)
        except InputError as error:
            note = say("Not kept: {error}.", error=error)
        back = {"note": note} | ({"probe": sent("probe")[:80]} if sent("probe") else {})
        return redirect(f"/bench?{urlencode(back)}", code=303)
