"""Readings of one zone become hours: means, count, coverage, contact, rain.

The same readings give the same bits in whatever order and batches they came: sums are taken over
whole numbers (ten-thousandths of a degree or per cent), which floats add exactly.
"""

from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.lot import ZoneReadings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOUR_S = 3600
_SCALE = 10_000  # finer than any probe resolves, coarse enough for exact sums


def rounded(values: Floats, digits: int) -> Floats:
    """Values to a number of decimal digits, the same bits as whole numbers on disk give back."""
    scale = 10.0**digits
    return np.rint(values * scale) / scale


class LastReading(msgspec.Struct, frozen=True):
    """The newest reading before a span: it still covers time, and silence counts from it."""

    at_s: int
    cover_s: int
    silence_s: int


@dataclass(frozen=True, slots=True, eq=False)
class ZoneHours:
    """One zone's hours, every array of shape (hours,); nan where nothing was measured."""

    readings: Ints
    covered_s: Ints  # seconds of the hour that some reading stands for, 0..3600
    temperature_c: Floats
    humidity_percent: Floats
    wood_percent: Floats
    contact_at_s: Floats  # first reading of liquid water in the hour
    rain_mm: Floats
    last_at_s: Floats  # newest reading up to the end of the hour, nan before the first
    silence_s: Ints  # the silence that reading declared
    last: LastReading | None


def hourly(
    readings: ZoneReadings, *, from_hour: int, to_hour: int, before: LastReading | None
) -> ZoneHours:
    """Hours [from_hour, to_hour) of one zone.

    Parameters
    ----------
    readings : ZoneReadings
        Sorted by time. Those outside the span are left out.
    from_hour, to_hour : int
        Hour numbers since 1970, half open.
    before : LastReading or None
        The newest reading before the span, as an earlier call gave it in `last`.

    Returns
    -------
    ZoneHours
        Means are plain means of the readings in the hour.
    """
    start, stop = np.searchsorted(readings.at_s, [from_hour * HOUR_S, to_hour * HOUR_S])
    at = readings.at_s[start:stop]
    count = to_hour - from_hour
    edges = np.searchsorted(at, (from_hour + np.arange(count + 1)) * HOUR_S)

    def sums(values: Floats) -> tuple[Floats, Floats]:
        scaled = np.rint(values[start:stop] * _SCALE)
        seen = np.isfinite(scaled)
        running = np.concatenate(([0.0], np.cumsum(np.where(seen, scaled, 0.0))))
        counts = np.concatenate(([0.0], np.cumsum(seen)))
        return np.diff(running[edges]), np.diff(counts[edges])

    def means(values: Floats) -> Floats:
        total, seen = sums(values)
        mean = np.full(count, np.nan)
        np.divide(total, seen * _SCALE, out=mean, where=seen > 0)
        return mean

    rain_total, rain_seen = sums(readings.rain_mm)
    newest, silence = _newest(readings, at=at, edges=edges, start=int(start), before=before)
    return ZoneHours(
        readings=np.diff(edges).astype(np.int64),
        covered_s=_covered(
            at,
            readings.cover_s[start:stop],
            edges_s=(from_hour + np.arange(count + 1)) * HOUR_S,
            before=before,
        ),
        temperature_c=means(readings.temperature_c),
        humidity_percent=means(readings.humidity_percent),
        wood_percent=means(readings.wood_percent),
        contact_at_s=_first_contact(at, readings.contact[start:stop], from_hour, count),
        rain_mm=np.where(rain_seen > 0, rain_total / _SCALE, np.nan),
        last_at_s=newest,
        silence_s=silence,
        last=last_before(readings, hour=to_hour, before=before),
    )


def last_before(
    readings: ZoneReadings, *, hour: int, before: LastReading | None
) -> LastReading | None:
    """Newest reading before the start of an hour."""
    stop = int(np.searchsorted(readings.at_s, hour * HOUR_S))
    if stop == 0:
        return before
    last = LastReading(
        at_s=int(readings.at_s[stop - 1]),
        cover_s=int(readings.cover_s[stop - 1]),
        silence_s=int(readings.silence_s[stop - 1]),
    )
    return last if before is None or last.at_s >= before.at_s else before


def _newest(
    readings: ZoneReadings, *, at: Ints, edges: Ints, start: int, before: LastReading | None
) -> tuple[Floats, Ints]:
    index = edges[1:] - 1
    seen = index >= 0
    newest = np.full(len(index), np.nan if before is None else float(before.at_s))
    silence = np.full(len(index), 0 if before is None else before.silence_s, dtype=np.int64)
    newest[seen] = at[index[seen]]
    silence[seen] = readings.silence_s[start + index[seen]]
    return newest, silence


def _first_contact(at: Ints, contact: Floats, from_hour: int, count: int) -> Floats:
    first = np.full(count, np.nan)
    wet = at[contact == 1.0]
    first[(wet // HOUR_S - from_hour)[::-1]] = wet[::-1]  # reversed: the earliest is written last
    return first


def _covered(at: Ints, cover: Ints, *, edges_s: Ints, before: LastReading | None) -> Ints:
    """Seconds between neighbouring edges that some reading stands for."""
    if before is not None:
        at = np.concatenate(([before.at_s], at))
        cover = np.concatenate(([before.cover_s], cover))
    if len(at) == 0:
        return np.zeros(len(edges_s) - 1, dtype=np.int64)
    until = np.minimum(at + cover, np.append(at[1:], np.iinfo(np.int64).max))
    total = np.concatenate(([0], np.cumsum(until - at)))
    # covered time before an edge: all whole readings before it, less what the last one has left
    index = np.searchsorted(at, edges_s, side="right")
    left = np.where(index > 0, np.maximum(until[index - 1] - edges_s, 0), 0)
    return np.diff(total[index] - left)
