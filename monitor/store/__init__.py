"""The record and its archive: all that was measured, judged and told. Only here is SQL spoken."""

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

__all__ = [
    "TIME_BASES",
    "Alarm",
    "AlarmStep",
    "AlarmWork",
    "ChangedAlarm",
    "Due",
    "Hold",
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
