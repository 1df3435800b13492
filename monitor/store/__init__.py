"""The record: everything that was measured, judged and told. The only place that speaks SQL."""

from monitor.store.record import Record, open_record
from monitor.store.rows import (
    Alarm,
    AlarmStep,
    AlarmWork,
    ChangedAlarm,
    Due,
    KeptReject,
    Latest,
    NewAlarm,
    NodeReceipt,
    OutboxItem,
    Pulse,
    Taken,
)

__all__ = [
    "Alarm",
    "AlarmStep",
    "AlarmWork",
    "ChangedAlarm",
    "Due",
    "KeptReject",
    "Latest",
    "NewAlarm",
    "NodeReceipt",
    "OutboxItem",
    "Pulse",
    "Record",
    "Taken",
    "open_record",
]
