"""Readings of one zone become hours: means, count, coverage, contact, rain.

The same readings give the same bits in whatever order and batches they came: sums are taken over
whole numbers (ten-thousandths of a degree or per cent), which floats add exactly.
"""

from dataclasses import dataclass, fields
from typing import TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.lot import ZoneReadings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Summed = TypeVar("Summed", Floats, Ints)

HOUR_S = 3600
_EVER_S = np.iinfo(np.int64).max
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
    contacts: Ints  # readings that told whether there is liquid water
    rain_mm: Floats
    last_at_s: Floats  # newest reading up to the end of the hour, nan before the first
    silence_s: Ints  # the silence that reading declared
    last: LastReading | None


def hourly(
    readings: ZoneReadings,
    *,
    from_hour: int,
    to_hour: int,
    before: LastReading | None,
    telling: ZoneReadings | None = None,
    told: LastReading | None = None,
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
    telling : ZoneReadings or None
        Those of them that cover time (`moist`); None: all do.
    told : LastReading or None
        The newest of those before the span.

    Returns
    -------
    ZoneHours
        Means are plain means of the readings in the hour.
    """
    edges_s = (from_hour + np.arange(to_hour - from_hour + 1)) * HOUR_S
    edges = np.searchsorted(readings.at_s, edges_s)
    start, stop = int(edges[0]), int(edges[-1])
    edges = edges - start
    at = readings.at_s[start:stop]
    if telling is None:
        telling, told = readings, before
    rain_total, rain_seen = _sums(readings.rain_mm[start:stop], edges)
    newest, silence = _newest(readings, at=at, edges=edges, start=start, before=before)
    return ZoneHours(
        readings=np.diff(edges).astype(np.int64),
        covered_s=_covered(telling, edges_s=edges_s, before=told),
        temperature_c=_means(readings.temperature_c[start:stop], edges),
        humidity_percent=_means(readings.humidity_percent[start:stop], edges),
        wood_percent=_means(readings.wood_percent[start:stop], edges),
        contact_at_s=_first_contact(at, readings.contact[start:stop], from_hour, len(edges) - 1),
        contacts=_sums(readings.contact[start:stop], edges)[1].astype(np.int64),
        rain_mm=np.where(rain_seen > 0, rain_total / _SCALE, np.nan),
        last_at_s=newest,
        silence_s=silence,
        last=last_before(readings, hour=to_hour, before=before),
    )


def moist(readings: ZoneReadings) -> ZoneReadings:
    """Those readings that tell how moist a zone is: air with both figures, or a pin probe's.

    Any other (a battery's, a temperature alone) shows that the node lives, and nothing of the zone.
    """
    paired = np.isfinite(readings.temperature_c) & np.isfinite(readings.humidity_percent)
    tells = paired | np.isfinite(readings.wood_percent)
    if tells.all():
        return readings
    return ZoneReadings(**{f.name: getattr(readings, f.name)[tells] for f in fields(ZoneReadings)})


def _means(values: Floats, edges: Ints) -> Floats:
    total, seen = _sums(values, edges)
    mean = np.full(len(total), np.nan)
    np.divide(total, seen * _SCALE, out=mean, where=seen > 0)
    return mean


def _sums(values: Floats, edges: Ints) -> tuple[Floats, Ints]:
    """Sum in whole 1 / `_SCALE` and count of the finite values between neighbouring edges."""
    seen = np.isfinite(values)
    if not seen.any():
        return np.zeros(len(edges) - 1), np.zeros(len(edges) - 1, dtype=np.int64)
    scaled = values * _SCALE
    np.rint(scaled, out=scaled)
    if seen.all():
        return _between(scaled, edges), np.diff(edges)
    scaled[~seen] = 0.0
    return _between(scaled, edges), _between(seen.astype(np.int64), edges)


def _between(values: Summed, edges: Ints) -> Summed:
    """Sums between neighbouring edges; reduceat would give an empty stretch its neighbour's."""
    sums = np.zeros(len(edges) - 1, dtype=values.dtype)
    filled = edges[1:] > edges[:-1]
    if filled.any():
        sums[filled] = np.add.reduceat(values, edges[:-1][filled]) + values.dtype.type(0)  # no -0
    return sums


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


def _covered(readings: ZoneReadings, *, edges_s: Ints, before: LastReading | None) -> Ints:
    """Seconds between neighbouring edges that some reading stands for."""
    edges = np.searchsorted(readings.at_s, edges_s)
    start, stop = int(edges[0]), int(edges[-1])
    edges, at, cover = edges - start, readings.at_s[start:stop], readings.cover_s[start:stop]
    earlier = 0 if before is None else 1
    if before is not None:
        at = np.concatenate(([before.at_s], at))
        cover = np.concatenate(([before.cover_s], cover))
    if len(at) == 0:
        return np.zeros(len(edges_s) - 1, dtype=np.int64)
    stands_s = np.minimum(np.append(np.diff(at), _EVER_S), cover)
    # what begins in an hour, less what hangs over its end, and what hung over its beginning
    last = edges + earlier - 1
    hangs_s = np.where(last >= 0, np.maximum(at[last] + stands_s[last] - edges_s, 0), 0)
    covered: Ints = _between(stands_s[earlier:], edges) + hangs_s[:-1] - hangs_s[1:]
    return covered
