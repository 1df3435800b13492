"""The record and its archive: all that was measured, judged and told. Only here is SQL spoken.

Modules are loaded when something of them is used: the supervisor needs a glance, not SQLAlchemy.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.store.archive import Mirror
    from monitor.store.exporting import TIME_BASES, Sample, TimeBasis
    from monitor.store.record import Record, open_record
    from monitor.store.rows import (
        Alarm,
        AlarmStep,
        AlarmWork,
        ChangedAlarm,
        Due,
        Hold,
        Judged,
        KeptReject,
        Latest,
        NewAlarm,
        NewHold,
        NodeReceipt,
        OpenedRepair,
        OutboxItem,
        ProofRevision,
        ProofStep,
        ProofWork,
        Pulse,
        RepairRow,
        Taken,
    )

_WHERE = {
    "Alarm": "rows",
    "AlarmStep": "rows",
    "AlarmWork": "rows",
    "ChangedAlarm": "rows",
    "Due": "rows",
    "Hold": "rows",
    "Judged": "rows",
    "KeptReject": "rows",
    "Latest": "rows",
    "Mirror": "archive",
    "NewAlarm": "rows",
    "NewHold": "rows",
    "NodeReceipt": "rows",
    "OpenedRepair": "rows",
    "OutboxItem": "rows",
    "ProofRevision": "rows",
    "ProofStep": "rows",
    "ProofWork": "rows",
    "Pulse": "rows",
    "Record": "record",
    "RepairRow": "rows",
    "Sample": "exporting",
    "TIME_BASES": "exporting",
    "Taken": "rows",
    "TimeBasis": "exporting",
    "open_record": "record",
}

__all__ = [
    "TIME_BASES",
    "Alarm",
    "AlarmStep",
    "AlarmWork",
    "ChangedAlarm",
    "Due",
    "Hold",
    "Judged",
    "KeptReject",
    "Latest",
    "Mirror",
    "NewAlarm",
    "NewHold",
    "NodeReceipt",
    "OpenedRepair",
    "OutboxItem",
    "ProofRevision",
    "ProofStep",
    "ProofWork",
    "Pulse",
    "Record",
    "RepairRow",
    "Sample",
    "Taken",
    "TimeBasis",
    "open_record",
]


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__} has no {name}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
