"""Synthetic hours for the tests of judgement: plain curves, no data of anybody's."""

from collections.abc import Sequence

import numpy as np

from monitor.judge import Watched
from monitor.lot import Event, Zone, ZoneReadings

DAY_S = 86_400
START_S = 1_893_456_000  # 2030-01-01T00:00Z


def series(
    at_s: Sequence[int],
    temperature_c: Sequence[float],
    humidity_percent: Sequence[float],
    *,
    wood_percent: Sequence[float] | None = None,
    contact: Sequence[float] | None = None,
    rain_mm: Sequence[float] | None = None,
    silence_s: int = 900,
    cover_s: int | None = None,
) -> ZoneReadings:
    """Readings of one zone."""
    count = len(at_s)
    nothing = np.full(count, np.nan)

    def floats(values: Sequence[float] | None) -> np.ndarray:
        return nothing if values is None else np.asarray(values, dtype=np.float64)

    return ZoneReadings(
        at_s=np.asarray(at_s, dtype=np.int64),
        temperature_c=floats(temperature_c),
        humidity_percent=floats(humidity_percent),
        wood_percent=floats(wood_percent),
        contact=floats(contact),
        rain_mm=floats(rain_mm),
        silence_s=np.full(count, silence_s, dtype=np.int64),
        cover_s=np.full(count, cover_s or silence_s * 3 // 2, dtype=np.int64),
    )


def hourly_series(
    temperature_c: Sequence[float] | float,
    humidity_percent: Sequence[float],
    *,
    start_s: int = START_S,
    **kwargs: object,
) -> ZoneReadings:
    """Two readings an hour, the same value twice; nan leaves the hour out."""
    humidity = np.repeat(np.asarray(humidity_percent, dtype=np.float64), 2)
    temperature = np.broadcast_to(
        np.asarray(temperature_c, dtype=np.float64), (len(humidity) // 2,)
    )
    temperature = np.repeat(temperature, 2)
    at_s = start_s + 600 + 1800 * np.arange(len(humidity))
    there = np.isfinite(humidity)
    return series(
        at_s[there],
        temperature[there],
        humidity[there],
        silence_s=1800,
        **kwargs,  # type: ignore[arg-type]
    )


def watched(
    readings: dict[str, ZoneReadings],
    *,
    zones: Sequence[Zone] = (),
    site: dict[str, ZoneReadings] | None = None,
    events: Sequence[Event] = (),
    settling_s: dict[str, Sequence[int]] | None = None,
) -> Watched:
    """A unit called u1."""
    known = tuple(zones) or tuple(Zone("u1", code) for code in readings)
    return Watched(
        unit="u1",
        zones=known,
        readings=readings,
        site=site or {},
        events=tuple(events),
        settling_s=settling_s or {},
    )
