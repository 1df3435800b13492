"""Files of what a zone's page shows: single readings, or judged hours, as CSV (RFC 4180).

The columns are those of `sillkeep judge`: what was taken away can be judged again by anybody.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from flask import Flask, Response, request

from dashboards import privacy
from dashboards.access import Gate, plain
from monitor import living, text
from monitor.catalogue import say
from monitor.errors import InputError
from monitor.lot import ZoneReadings
from monitor.store import Record
from monitor.written import READINGS, figure, line, rfc3339

HOUR_S = 3600
MOST_HOURS = 10 * 366 * 24
KINDS = ("readings", "hours")
HOURS = (  # of the HOURS file, those that a page shows
    "readings",
    "coverage_percent",
    "temperature_c",
    "humidity_percent",
    "dew_point_c",
    "surface_humidity_percent",
    "dew_point_margin_k",
    "wood_moisture_percent",
    "ambient_moisture_percent",
    "moisture_basis",
    "mould_index",
    "mould_index_low",
    "mould_index_high",
    "rot_hours",
    "rain_mm",
    "leak_score",
    "state",
    "trend",
    "cause",
    "witnessed",
)


def add_routes(server: Flask, gate: Gate, record: Record, *, now: Callable[[], int]) -> None:
    """Add the files of a zone."""
    files = Files(gate, record, now)
    server.get("/export/unit/<unit>/zone/<zone>/<kind>.csv")(files.of_unit)
    server.get("/export/site/<site>/zone/<zone>/<kind>.csv")(files.of_site)
    server.get("/export/proof/<unit>/<zone>/<int:repaired_s>.zip")(files.of_proof)
    server.get("/photo/<unit>/<digest>.jpg")(files.photo)


@dataclass(frozen=True, slots=True)
class Files:
    """The routes."""

    gate: Gate
    record: Record
    now: Callable[[], int]

    def of_unit(self, unit: str, zone: str, kind: str) -> Response:
        """Readings or hours of a unit's zone."""
        site = next((u.site for u in self.record.units() if u.code == unit), "")
        if unit not in self.gate.sight.units:
            return self._nothing(unit, zone)
        return self._file(site, unit, zone, kind)

    def of_site(self, site: str, zone: str, kind: str) -> Response:
        """Readings or hours of a site's own zone."""
        if site not in self.gate.sight.sites:
            return self._nothing(site, zone)
        return self._file(site, "", zone, kind)

    def photo(self, unit: str, digest: str) -> Response:
        """A photo of a unit."""
        data = self.record.photo(unit, digest) if unit in self.gate.sight.units else None
        if data is None:
            missing: Response = plain(404, say("There is no such photo."))  # type: ignore[assignment]
            return missing
        return Response(data, mimetype="image/jpeg")

    def of_proof(self, unit: str, zone: str, repaired_s: int) -> Response:
        """Signed packet of a repair's proof; of an occupied unit its owner's alone."""
        from monitor.reports import packet, tree

        rows = self.record.repairs(unit=unit) if unit in self.gate.sight.units else []
        row = next((r for r in rows if (r.zone, r.repaired_s) == (zone, repaired_s)), None)
        if row is None or row.now is None:
            return self._nothing(unit, zone)
        if self._spells(unit):
            refused: Response = plain(403, say(text.NO_READINGS))  # type: ignore[assignment]
            return refused
        try:
            made = packet.make(
                self.record,
                row,
                key=tree.signing_key(self.record.home),
                made_s=self.now(),
                program=f"Sillkeep {version('sillkeep')}",
            )
        except InputError as error:
            not_made: Response = plain(409, say("Not made: {why}.", why=str(error).rstrip(".")))  # type: ignore[assignment]
            return not_made
        self.gate.note("packet taken", f"{unit}/{zone}")
        name = re.sub(r"[^A-Za-z0-9_]+", "_", f"{unit}-{zone}-proof")
        return Response(
            made,
            mimetype="application/zip",
            headers={"Content-Disposition": f'attachment; filename="{name}.zip"'},
        )

    def _nothing(self, owner: str, zone: str) -> Response:
        found: Response = plain(
            404, say("There is no zone {zone} of {owner}.", zone=zone[:64], owner=owner[:64])
        )  # type: ignore[assignment]
        return found

    def _file(self, site: str, unit: str, zone: str, kind: str) -> Response:
        zones = self.record.zones(unit) if unit else self.record.site_zones(site)
        if kind not in KINDS or zone not in {each.code for each in zones}:
            return self._nothing(unit or site, zone)
        from_hour, to_hour = self._span()
        spells = self._spells(unit)
        count = max(to_hour - from_hour, 0)
        if kind == "readings" and privacy.lived_in(spells, from_hour=from_hour, count=count).any():
            refused: Response = plain(403, say(text.NO_READINGS))  # type: ignore[assignment]
            return refused
        if kind == "readings":
            lines = self._readings(site, unit, zone, from_hour * HOUR_S, to_hour * HOUR_S)
        else:
            rows = (
                self.record.hours(unit, zone, from_hour=from_hour, to_hour=to_hour)
                if unit
                else self.record.site_hours(site, zone, from_hour=from_hour, to_hour=to_hour)
            )
            lines = _hours(privacy.rows(rows, spells) if spells else rows, unit, zone)
        self.gate.note("file taken", f"{unit or site}/{zone}, {kind}")
        name = "-".join(re.sub(r"[^A-Za-z0-9_]+", "_", part) for part in (unit or site, zone, kind))
        return Response(
            "".join(lines),
            mimetype="text/csv",
            headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
        )

    def _spells(self, unit: str) -> list[living.Spell]:
        """When somebody lived in a unit that is private to others than the visitor."""
        if unit not in self.gate.sight.private:
            return []
        found = next(one for one in self.record.units() if one.code == unit)
        return living.spells(self.record.events(found.site, unit=unit), life=found.life)

    def _span(self) -> tuple[int, int]:
        """Hours that are asked for; without a word of it the last two weeks."""
        newest = self.now() // HOUR_S + 1
        to_hour = min(_whole("to", newest), newest)
        from_hour = max(_whole("from", to_hour - 14 * 24), to_hour - MOST_HOURS, 0)
        return from_hour, to_hour

    def _readings(self, site: str, unit: str, zone: str, from_s: int, to_s: int) -> Iterator[str]:
        held = (
            self.record.unit_readings(unit, from_s=from_s, to_s=to_s)
            if unit
            else self.record.site_readings(site, from_s=from_s, to_s=to_s)
        )
        return _readings(held[zone], unit, zone)


def _readings(held: ZoneReadings, unit: str, zone: str) -> Iterator[str]:
    yield line(("time", "unit", "zone", *(name for name, _ in READINGS)))
    columns = [(getattr(held, name), digits) for name, digits in READINGS]
    for n, at_s in enumerate(held.at_s.tolist()):
        figures = (figure(values[n], digits) for values, digits in columns)
        yield line((rfc3339(at_s), unit, zone, *figures))


def _hours(rows: Iterable[dict[str, Any]], unit: str, zone: str) -> Iterator[str]:
    yield line(("time", "unit", "zone", *HOURS))
    for row in rows:
        figures = ("" if row[name] is None else f"{row[name]}" for name in HOURS)
        yield line((rfc3339(row["hour"] * HOUR_S), unit, zone, *figures))


def _whole(name: str, otherwise: int) -> int:
    given = request.args.get(name, "")
    return int(given) if re.fullmatch(r"[0-9]{1,9}", given) else otherwise
