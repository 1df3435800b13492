"""SenML packs <-> readings (RFC 8428): the wire format that nodes and the monitor share."""

import msgspec


class Reading(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One sample of one probe. None: not measured."""

    site: str
    node: str
    probe: str = "p1"
    boot: int | None = None
    seq: int | None = None
    at_s: int | None = None  # whole seconds since 1970-01-01T00:00Z; None: time pending
    uptime_s: int | None = None
    silence_s: int | None = None  # SenML `ut`, the longest expected silence; None: 900 s
    temperature_c: float | None = None
    humidity_percent: float | None = None
    wood_percent: float | None = None
    contact: bool | None = None
    rain_mm: float | None = None  # since the last sample
    pressure_pa: float | None = None
    co2_ppm: float | None = None
    battery_percent: float | None = None
    signal_dbm: float | None = None


class Reject(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A message, or one sample of it, that cannot be used; kept whole, with a sentence that says why."""

    topic: str
    payload: bytes
    reason: str
    received_s: int


class Receipt(msgspec.Struct, frozen=True, kw_only=True):
    """Monitor to node: every sample of `boot` up to and including `seq` is stored, save `missing`."""

    boot: int
    seq: int
    utc: int
    missing: list[tuple[int, int]] = []
