"""Every document that can be handed over, from the record: one door for the pages and the command."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from functools import partial
from typing import Literal, get_args

from monitor.errors import InputError
from monitor.reports import beside, packet, repair, sheets, spans, tree
from monitor.reports.document import Document, Paper, fitted
from monitor.reports.told import DAY_S, Asked, Beside, Told, read
from monitor.store import Record, board, users
from monitor.times import time_zone

Kind = Literal["proof", "intake", "sale", "season", "warranty", "job", "morning"]
KINDS: tuple[Kind, ...] = get_args(Kind)
OF_UNIT: tuple[Kind, ...] = KINDS[:-1]
BY_HOUR: frozenset[Kind] = frozenset(
    {"proof", "intake", "season", "warranty"}
)  # tell of single hours
DAYS: Mapping[str, int] = {"season": 183, "warranty": 365}  # where nobody says from when
ONE_PAGE: frozenset[Kind] = frozenset({"sale", "job", "morning"})


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which document, of what, on which paper.

    Attributes
    ----------
    kind : Kind
    unit : str
        "" for the morning list.
    asked : Asked
    paper : Paper
        What has to fit its pages is fitted to it.
    from_s, to_s : int or None
        None: the document's usual time, up to now.
    zone : str
        Of a proof or a job card; "": the newest repair, the most urgent alarm.
    repaired_s : int or None
    beside : Beside
        Empty: as the record has it.
    """

    kind: Kind
    unit: str
    asked: Asked
    paper: Paper = "a4"
    from_s: int | None = None
    to_s: int | None = None
    zone: str = ""
    repaired_s: int | None = None
    beside: Beside = field(default_factory=Beside)

    @property
    def end_s(self) -> int:
        """Up to when it tells; never beyond now."""
        return min(self.to_s or self.asked.made_s, self.asked.made_s)


def span(record: Record, wanted: Wanted) -> tuple[int, int]:
    """What time a document tells of, for who asks whether it may be shown; morning and job: now."""
    if wanted.kind == "proof":
        row = repair.repair_of(record, wanted.unit, wanted.zone, wanted.repaired_s)
        until_s = row.now.at_s if row.now else wanted.asked.made_s
        return row.repaired_s - repair.BEFORE_D * DAY_S, until_s
    if wanted.kind in {"job", "morning"}:
        return wanted.asked.made_s, wanted.asked.made_s
    told = [p.from_s for p in record.placements() if p.unit == wanted.unit]
    return _from_s(wanted) or min([*told, wanted.end_s - DAY_S]), wanted.end_s


def make(record: Record, wanted: Wanted, *, lot: board.Lot | None = None) -> Document:
    """The document.

    Parameters
    ----------
    record : Record
    wanted : Wanted
    lot : Lot or None
        For a morning list: what its reader may see; None: everything.

    Raises
    ------
    InputError
        If it cannot be made, in words.
    """
    if wanted.kind == "morning":
        seen = lot or board.lot(record.engine, now_s=wanted.asked.made_s)
        return _fitted(wanted, partial(_morning, seen, wanted.asked))
    if wanted.beside == Beside() and any(one.code == wanted.unit for one in record.units()):
        wanted = replace(wanted, beside=beside.of(record, wanted.unit))
    if wanted.kind == "job":
        found = board.unit(record.engine, wanted.unit, now_s=wanted.asked.made_s)
        if found is None:
            raise InputError(f"there is no unit {wanted.unit}")
        return _fitted(wanted, partial(_job, found, wanted))
    if wanted.kind == "proof":
        return _proof(record, wanted)
    return _of_time(record, wanted)


def _of_time(record: Record, wanted: Wanted) -> Document:
    """Those of a unit over a time."""
    told = read(
        record, wanted.unit, from_s=_from_s(wanted), to_s=wanted.end_s, beside=wanted.beside
    )
    noted = beside.cut(told.beside, from_s=told.from_s, to_s=told.to_s)
    told = replace(told, beside=noted)
    if wanted.kind == "intake":
        return spans.intake(told, wanted.asked)
    if wanted.kind == "sale":
        return _fitted(wanted, partial(_sale, told, wanted.asked))
    if wanted.kind == "season":
        return spans.season(
            told,
            wanted.asked,
            lists=record.season_lists(wanted.unit),
            batteries={
                sample.node: sample.battery_percent
                for sample in record.latest()
                if sample.unit == wanted.unit and sample.battery_percent is not None
            },
        )
    return _warranty(record, wanted, told)


def _from_s(wanted: Wanted) -> int | None:
    if wanted.from_s is None and wanted.kind in DAYS:
        return wanted.end_s - DAYS[wanted.kind] * DAY_S
    return wanted.from_s


def _fitted(wanted: Wanted, build: "partial[Document]") -> Document:
    return fitted(build, paper=wanted.paper, pages=1)


def _morning(lot: board.Lot, asked: Asked, rows: int) -> Document:
    return sheets.morning(lot, asked, rows=rows)


def _job(found: tuple[board.UnitNow, board.SiteRow], wanted: Wanted, rows: int) -> Document:
    return sheets.job(*found, wanted.zone, wanted.asked, rows=rows)


def _sale(told: Told, asked: Asked, rows: int) -> Document:
    return spans.sale(told, asked, rows=rows)


def _proof(record: Record, wanted: Wanted) -> Document:
    """The proof, with the root and key of the packet that belongs to it."""
    row = repair.repair_of(record, wanted.unit, wanted.zone, wanted.repaired_s)
    signed = None
    if row.now is not None:
        key = tree.signing_key(record.home)
        made = packet.make(
            record, row, key=key, made_s=wanted.asked.made_s, program=wanted.asked.program
        )
        signed = packet.identity(made)
    until_s = row.now.at_s if row.now else row.repaired_s + DAY_S
    from_s = row.repaired_s - repair.BEFORE_D * DAY_S
    told = read(record, row.unit, from_s=from_s, to_s=until_s, beside=wanted.beside)
    proven = repair.proven(record, row, packet=signed, told=told)

    def build(rows: int) -> Document:
        return repair.document(proven, wanted.asked, rows=rows)

    return fitted(build, paper=wanted.paper, pages=repair.PAGES)


def _warranty(record: Record, wanted: Wanted, told: Told) -> Document:
    photos = sorted(
        (p for p in record.photos(wanted.unit) if told.from_s <= p.at_s < told.to_s),
        key=lambda photo: (photo.at_s, photo.digest),
    )
    held = [(photo, record.photo(wanted.unit, photo.digest)) for photo in photos]
    return spans.warranty(
        told,
        wanted.asked,
        steps={alarm.alarm_id: record.alarm_steps(alarm.alarm_id) for alarm in told.alarms},
        roles={user.name: user.role for user in users.listed(record.engine)},
        photos=[(photo, data) for photo, data in held if data is not None],
    )


def timezone(record: Record, unit: str) -> str:
    """Clock of the site on which a unit stands; UTC where there is no such unit."""
    site = next((one.site for one in record.units() if one.code == unit), "")
    return next((one.timezone for one in record.sites() if one.code == site), "UTC")


def day_s(written: str, timezone: str, *, after: int = 0) -> int:
    """When a day begins on a site's clock, or the one so many days `after` it.

    Raises
    ------
    InputError
        If it is no day.
    """
    try:
        first = date.fromisoformat(written) + timedelta(days=after)
        midnight = datetime.combine(first, time(), time_zone(timezone))
    except (ValueError, OverflowError) as error:
        raise InputError(f"{written[:20]!r} is no day; write it as 2030-01-31") from error
    return int(midnight.timestamp())
