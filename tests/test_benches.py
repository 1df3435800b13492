"""The benches run and their table says what they found; what it costs is measured by hand, not here."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record
from monitor.store.engine import FILE_NAME
from tests.bench import lots

ZONES = (("off-rear-low", "wall"), ("air-main", "cabin"))
LOT = ("site", "unit", "zone", "node", "probe", "placement")
FROM_S = 1_764_057_600


def lot(home: Path) -> tuple[Record, list[Unit]]:
    record = open_record(home)
    record.add_site(Site("yard"))
    record.add_site(Site("annex"))
    units = [Unit("rv1", "yard", "First", "a-1", life="stock"), Unit("rv2", "annex")]
    return record, units


def rows(home: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(home / FILE_NAME)) as db:
        return {name: db.execute(f"SELECT * FROM {name} ORDER BY 1").fetchall() for name in LOT}


@pytest.mark.parametrize("a_zone", [False, True], ids=["a node a unit", "a node a zone"])
def test_a_lot_entered_at_once_is_the_lot_entered_bit_by_bit(tmp_path: Path, a_zone: bool) -> None:
    def probe(unit: int, zone: int) -> tuple[str, str]:
        return (f"n{unit}{zone}", "p1") if a_zone else (f"n{unit}", f"p{zone + 1}")

    record, units = lot(tmp_path / "whole")
    with record:
        lots.enter(record, units, ZONES, probe=probe, from_s=FROM_S)
    record, units = lot(tmp_path / "bits")
    with record:
        for unit in units:
            record.add_unit(unit)
        for unit in units:
            for code, kind in ZONES:
                record.add_zone(unit.site, Zone(unit.code, code, kind))  # type: ignore[arg-type]
        for n, unit in enumerate(units):
            for k, (code, _) in enumerate(ZONES):
                place = Placement(*probe(n, k), unit.site, unit.code, code, FROM_S)
                record.place(place, recorded_s=FROM_S, who="bench")
    entered = rows(tmp_path / "whole")
    assert entered == rows(tmp_path / "bits")
    assert len(entered["placement"]) == len(units) * len(ZONES)
