"""What probes, gauges and links make of the truth: errors, faults, outages, late batches.

All of it is drawn from the seed and the time, so it does not matter where a run is cut.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo.plans import Fault, SitePlan, UnitPlan
from demo.weather import DAY_S, YEAR_DAYS, Array

Times = NDArray[np.int64]

_SETTLES_S = 12.0 * 3600.0
_DEW_PERCENT = 97.0  # above it water clings to the probe
_CLINGS_S = 6.0 * 3600.0
_LETS_GO_S = 20.0 * 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """What the probes gave, and what was true, at `at_s`; nan where a probe gave nothing.

    Columns are those of `World.probes`. `rain_mm` is the gauges', since the sample before, a
    column a site.
    """

    at_s: Times
    temperature_c: Array
    humidity_percent: Array
    rain_mm: Array
    delivered_s: Times  # per column: when the node's link let the sample through
    true_humidity_percent: Array  # of the air at the probe
    true_wood_percent: Array  # surface of the wood, mean over the zone [%]; nan for air
    true_spot_percent: Array  # the same where a leak would arrive


@dataclass(frozen=True, slots=True, eq=False)
class Instant:
    """The truth at one sample."""

    at_s: int
    temperature_c: Array
    humidity_percent: Array
    rain_mm: Array  # by site, since the instant before
    wood_percent: Array  # by zone
    spot_percent: Array


class Probes:
    """The probes of a world; `measure` must be given successive instants."""

    def __init__(
        self,
        *,
        seed: int,
        units: Sequence[UnitPlan],
        sites: Sequence[SitePlan],
        names: Sequence[tuple[str, str]],
        sample_s: int,
        start_s: int,
    ) -> None:
        self._seed, self._sample_s, self._start_s = seed, sample_s, start_s
        self._units, self._sites, self._names = tuple(units), tuple(sites), tuple(names)
        self._zones = sum(len(unit.zones) for unit in units)
        # The node that reads each probe: a unit's, then a site's own.
        self._nodes = np.array(
            [index for index, unit in enumerate(units) for _ in unit.zones]
            + list(range(len(units) + len(sites)))
        )
        site_of_node = np.array([unit.site for unit in units] + list(range(len(sites))))
        fidelity = [site.fidelity for site in sites]
        self._by_node = {
            name: np.array([getattr(one, name) for one in fidelity])[site_of_node]
            for name in fidelity[0].__dataclass_fields__
        }
        by_probe = {name: values[self._nodes] for name, values in self._by_node.items()}
        drawn = np.random.default_rng((seed, 2)).standard_normal((2, len(self._names)))
        self._bias_k, self._bias_percent = np.clip(drawn, -2.0, 2.0) * np.array(
            [by_probe["bias_k"], by_probe["bias_percent"]]
        )
        drawn = np.random.default_rng((seed, 6)).standard_normal((3, len(self._names)))
        self._drift_percent_year = (
            by_probe["drift_percent_year"] + by_probe["drift_spread_percent_year"] * drawn[0]
        )
        self._settling_percent = by_probe["settling_percent"] * drawn[1]
        self._clinging_percent = by_probe["clinging_percent"] * np.abs(drawn[2])
        self._noise_k, self._noise_percent = by_probe["noise_k"], by_probe["noise_percent"]
        self._wet_percent = np.zeros(len(self._names))
        self._stuck_at: dict[tuple[str, Fault], tuple[float, float]] = {}

    def measure(self, instants: Sequence[Instant]) -> Samples:
        """The instants as the probes give them."""
        probes, zones = len(self._names), self._zones
        at_s = np.array([instant.at_s for instant in instants], dtype=np.int64)
        truth_c = np.array([i.temperature_c for i in instants]).reshape(-1, probes)
        truth_percent = np.array([i.humidity_percent for i in instants]).reshape(-1, probes)
        noise = np.array([self._noise(instant) for instant in instants]).reshape(-1, 2, probes)
        years = (at_s - self._start_s)[:, None] / (YEAR_DAYS * DAY_S)
        seen_c, seen_percent = truth_c.copy(), truth_percent.copy()
        self._swap(at_s, seen_c, seen_percent)
        temperature_c = seen_c + self._bias_k + self._noise_k * noise[:, 0]
        humidity = (
            seen_percent
            + self._bias_percent
            + self._noise_percent * noise[:, 1]
            + self._drift_percent_year * years
            + self._settling(at_s)
            + self._clinging(seen_percent)
        )
        self._break(at_s, temperature_c, humidity)
        humidity = np.clip(humidity, 0.0, 100.0)
        missing, delivered_s = self._links(at_s)
        air = np.full((at_s.size, probes - zones), np.nan)
        wood = np.array([i.wood_percent for i in instants]).reshape(-1, zones)
        spot = np.array([i.spot_percent for i in instants]).reshape(-1, zones)
        return Samples(
            at_s=at_s,
            temperature_c=np.where(missing, np.nan, np.round(temperature_c, 2)),
            humidity_percent=np.where(missing, np.nan, np.round(humidity, 1)),
            rain_mm=self._caught(at_s, instants),
            delivered_s=delivered_s,
            true_humidity_percent=truth_percent,
            true_wood_percent=np.hstack([wood, air]),
            true_spot_percent=np.hstack([spot, air]),
        )

    def _noise(self, instant: Instant) -> Array:
        rng = np.random.default_rng((self._seed, 3, instant.at_s))
        return rng.standard_normal((2, len(self._names)))

    def _settling(self, at_s: Times) -> Array:
        """Points that a probe is off after it was placed, or moved."""
        age_s = (at_s - self._start_s)[:, None]
        off: Array = self._settling_percent * np.exp(-age_s / _SETTLES_S)
        for unit in self._units:
            for repair in unit.repairs:
                if "sensor moved" in repair.protocols:
                    column = self._names.index((unit.code, repair.zone))
                    later = at_s >= repair.at_s
                    fades = np.exp(-(at_s[later] - repair.at_s) / _SETTLES_S)
                    off[later, column] += self._settling_percent[column] * fades
        return off

    def _clinging(self, percent: Array) -> Array:
        """Points too much while and after dew sat on a probe."""
        clung = np.zeros_like(percent)
        if not self._clinging_percent.any():
            return clung
        rises = 1.0 - np.exp(-self._sample_s / _CLINGS_S)
        stays = np.exp(-self._sample_s / _LETS_GO_S)
        now = self._wet_percent
        for row in range(percent.shape[0]):
            wetter = now + rises * (self._clinging_percent - now)
            now = np.where(percent[row] >= _DEW_PERCENT, wetter, now * stays)
            clung[row] = now
        self._wet_percent = now
        return clung

    def _swap(self, at_s: Times, temperature_c: Array, percent: Array) -> None:
        for unit, fault in self._faults("swapped"):
            during = _during(fault, at_s)
            one, other = (
                self._names.index((unit.code, zone)) for zone in (fault.zone, fault.other)
            )
            for values in (temperature_c, percent):
                taken = values[during, one]
                values[during, one] = values[during, other]
                values[during, other] = taken

    def _break(self, at_s: Times, temperature_c: Array, percent: Array) -> None:
        for unit, fault in self._faults("shifted"):
            column = self._names.index((unit.code, fault.zone))
            percent[_during(fault, at_s), column] += fault.points
        for unit, fault in self._faults("stuck"):
            rows = np.flatnonzero(_during(fault, at_s))
            if rows.size:
                column = self._names.index((unit.code, fault.zone))
                first = float(temperature_c[rows[0], column]), float(percent[rows[0], column])
                held = self._stuck_at.setdefault((unit.code, fault), first)
                temperature_c[rows, column], percent[rows, column] = held

    def _faults(self, kind: str) -> list[tuple[UnitPlan, Fault]]:
        return [
            (unit, fault) for unit in self._units for fault in unit.faults if fault.kind == kind
        ]

    def _caught(self, at_s: Times, instants: Sequence[Instant]) -> Array:
        rain_mm = np.array([i.rain_mm for i in instants]).reshape(-1, len(self._sites))
        days, day_of_row = np.unique(at_s // DAY_S, return_inverse=True)
        drawn = np.array(
            [
                np.random.default_rng((self._seed, 5, int(day))).standard_normal(len(self._sites))
                for day in days
            ]
        ).reshape(-1, len(self._sites))
        for index, site in enumerate(self._sites):
            if site.gauge is None:
                rain_mm[:, index] = np.nan
                continue
            rain_mm[:, index] *= site.gauge.catch * np.exp(
                site.gauge.spread * drawn[day_of_row, index]
            )
            for from_s, to_s in site.gauge.missing:
                rain_mm[(at_s >= from_s) & (at_s < to_s), index] = np.nan
        return np.round(rain_mm, 2)

    def _links(self, at_s: Times) -> tuple[NDArray[np.bool_], Times]:
        """Which samples never were, and when each got through."""
        nodes = len(self._units) + len(self._sites)
        missing = np.zeros((at_s.size, nodes), dtype=bool)
        delivered_s = np.repeat(at_s[:, None], nodes, axis=1)
        for day in np.unique(at_s // DAY_S):
            rows = np.flatnonzero(at_s // DAY_S == day)
            draws = np.random.default_rng((self._seed, 4, int(day))).random((6, nodes))
            hour = at_s[rows, None] % DAY_S / 3600.0
            outage = (hour >= 22.0 * draws[1]) & (hour < 22.0 * draws[1] + 2.0 + 8.0 * draws[2])
            missing[rows] = outage & (draws[0] < self._by_node["outages_day"])
            opens = np.minimum(18.0 * draws[4] + 1.0 + 5.0 * draws[5], 24.0)
            held = (hour >= 18.0 * draws[4]) & (hour < opens)
            held &= draws[3] < self._by_node["late_day"]
            opens_s = (day * DAY_S + opens * 3600.0).astype(np.int64)
            delivered_s[rows] = np.where(held, opens_s, delivered_s[rows])
        for node, unit in enumerate(self._units):
            for from_s, to_s in unit.outages:
                missing[(at_s >= from_s) & (at_s < to_s), node] = True
            if unit.silent_from_s is not None:
                missing[at_s >= unit.silent_from_s, node] = True
        return missing[:, self._nodes], delivered_s[:, self._nodes]


def _during(fault: Fault, at_s: Times) -> NDArray[np.bool_]:
    return (at_s >= fault.from_s) & (at_s < fault.to_s)
