"""What the fold remembers of a unit at midnight, and its lossless form on disk.

Windows hold ten-thousandths at most (the fold rounds to them), so that whole numbers carry them
without loss at half the size.
"""

import zlib
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.judge.hours import Floats, LastReading
from monitor.judge.rules import Clocks

MEAN_DAYS = 30  # of the companion criterion of ASHRAE 160

# hours before midnight that later hours look back on: 24 h means, 72 h changes
ZONE_WINDOWS = {
    "temperature_c": 23,
    "humidity_percent": 23,
    "surface_percent": 23,
    "dew": 23,
    "covered_s": 71,
    "moisture_percent": 72,
    "excess_percent": 72,
}
OUTSIDE_WINDOWS = {"temperature_c": 23, "vapour_pressure_pa": 23, "rain_mm": 71}
SCALE = 10_000
_MISSING = np.iinfo(np.int64).min


class ZoneMemory(msgspec.Struct):
    """One zone at midnight."""

    clocks: Clocks = msgspec.field(default_factory=Clocks)
    trend: str = ""
    last: LastReading | None = None
    told: LastReading | None = None  # the newest one that covers time
    heard: bool = False  # has ever had a reading
    pin_percent: float | None = None
    pin_hour: int = 0
    # mould index and consecutive unfavourable hours: its class, class VS, and across gaps
    main: tuple[float, int] = (0.0, 0)
    sensitive: tuple[float, int] = (0.0, 0)
    low: tuple[float, int] | None = None
    high: tuple[float, int] | None = None
    missing_h: int = 0
    temperature_c: float | None = None  # the last one measured
    rot_hours: float = 0.0
    witnessed: int = 0
    # leak evidence: score and cause of the last whole day, days running, when the episode began
    score: float | None = None
    cause: str = ""
    scores: list[int] = msgspec.field(default_factory=list)  # of the last days, thousandths or -1
    above_days: int = 0
    below_days: int = 0
    suspect_s: int = 0
    latch_s: int = 0  # first episode since the last inspection, and when its signs came to rest
    rested_s: int = 0
    rot_seen_h: float = 0.0  # rot hours that the last inspection or repair found
    doubt: str = ""  # why its probe is not trusted, and since when
    doubt_s: int = 0
    active: dict[str, int] = msgspec.field(default_factory=dict)  # alarm condition: raised at


class UnitMemory(msgspec.Struct):
    """One unit at midnight; rows of the arrays follow `codes`."""

    codes: list[str]
    zones: list[ZoneMemory]
    windows: dict[str, Floats]  # (zones, hours)
    day_totals: Floats  # (zones, days) of surface humidity in ten-thousandths, oldest first
    day_counts: Floats
    outside: dict[str, Floats]  # (hours,)
    wetting: bool = False
    rain_known: bool = False
    winterised: bool = False
    freezing_s: int = 0
    freezing_zone: str = ""
    threshold: float = 0.0  # of the leak score in this unit, 0 before the first week
    evidence: bytes = b""  # `monitor.evidence.leak.Memory` of the zones of `evidence_codes`
    evidence_codes: list[str] = msgspec.field(default_factory=list)
    trust: bytes = b""  # `monitor.evidence.trust.Memory` of the zones of `trust_codes`
    trust_codes: list[str] = msgspec.field(default_factory=list)

    @classmethod
    def empty(cls, codes: Sequence[str]) -> "UnitMemory":
        """Nothing known yet."""
        rows = len(codes)
        return cls(
            codes=list(codes),
            zones=[ZoneMemory() for _ in codes],
            windows={k: np.full((rows, n), np.nan) for k, n in ZONE_WINDOWS.items()},
            day_totals=np.zeros((rows, MEAN_DAYS - 1)),
            day_counts=np.zeros((rows, MEAN_DAYS - 1)),
            outside={k: np.full(n, np.nan) for k, n in OUTSIDE_WINDOWS.items()},
        )

    def to_bytes(self) -> bytes:
        """Lossless form for a checkpoint."""
        return zlib.compress(msgspec.msgpack.encode(self, enc_hook=_pack), 1)

    @classmethod
    def from_bytes(cls, data: bytes) -> "UnitMemory":
        """Inverse of `to_bytes`."""
        memory = msgspec.msgpack.decode(zlib.decompress(data), type=cls, dec_hook=_unpack)
        rows = len(memory.codes)
        for name in memory.windows:
            memory.windows[name] = memory.windows[name].reshape(rows, -1)
        memory.day_totals = memory.day_totals.reshape(rows, -1)
        memory.day_counts = memory.day_counts.reshape(rows, -1)
        return memory


def _pack(array: object) -> bytes:
    if not isinstance(array, np.ndarray):
        raise NotImplementedError(type(array))
    scaled = np.where(np.isnan(array), _MISSING, np.rint(np.nan_to_num(array) * SCALE))
    return scaled.astype(np.int64).tobytes()


def _unpack(kind: type, data: object) -> NDArray[np.float64]:
    if not isinstance(data, bytes):
        raise NotImplementedError(kind)
    scaled = np.frombuffer(data, dtype=np.int64)
    return np.where(scaled == _MISSING, np.nan, scaled / SCALE)
