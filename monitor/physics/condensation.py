"""Water that vapour leaves inside a wall: where, how fast, and whether a year takes it out again.

The method of ISO 13788: each month at rest, vapour moved by **diffusion only**. It knows no leak,
no draught through a socket, no water held in wood, and begins with a dry wall. So it ranks walls
and shows where water gathers; it does not foretell a humidity.

Vapour that condenses leaves a kink in the line of the vapour pressure over the resistance s_d: more
arrives than goes on. The pressure nowhere passes saturation, and condensation bends the line one
way only; so the line is the lower convex hull of the pressures at both surfaces and the saturation
pressures between. A wet plane keeps its saturation pressure until it is dry.

References
----------
.. [1] ISO 13788:2012, section 6: interstitial condensation and evaporation. From memory: layers are
   cut into parts of at most 0.25 m² K/W, and surfaces resist no vapour. The hull is another way to
   the standard's tangents, and the tests solve the same problem a third way.
"""

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.air import saturation_vapour_pressure
from monitor.physics.arguments import Floats, within
from monitor.physics.layers import Assembly
from monitor.physics.transport import AIR_PERMEABILITY_KG_M_S_PA
from monitor.physics.wall import interface_temperatures

LARGEST_PART_M2_K_W = 0.25  # [1]
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
DAY_S = 86_400.0

_LEAST_RATE_KG_M2_S = 1e-14  # less, 0.03 mg/m² a month, is rounding
_LEAST_WATER_KG_M2 = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Points of a wall, from the outer surface to the inner.

    Attributes
    ----------
    depth_m, sd_m : ndarray
        What lies between the outer surface and each point: thickness, and the thickness of still
        air that resists vapour as much.
    faces : ndarray of int
        Points that are faces of layers; the others cut thick layers into parts.
    """

    depth_m: Floats
    sd_m: Floats
    faces: NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Condensation:
    """A wall at rest.

    Attributes
    ----------
    grid : Grid
    temperature_c, vapour_pa, saturation_pa : ndarray
        At each point of the grid. Straight lines over `grid.sd_m` join the vapour pressures.
    rate_kg_m2_s : ndarray
        Water that each point gains; negative where a wet plane dries. 0 at the surfaces.
    planes : tuple of int
        Points where water condenses.
    from_inside_kg_m2_s, to_outside_kg_m2_s : float
        Vapour that enters through the inner surface, and that leaves through the outer.
    inside_streams, outside_streams : bool
        Whether the air's vapour condenses on the surface itself: how much depends on the air, and
        is not counted.
    """

    grid: Grid
    temperature_c: Floats
    vapour_pa: Floats
    saturation_pa: Floats
    rate_kg_m2_s: Floats
    planes: tuple[int, ...]
    from_inside_kg_m2_s: float
    to_outside_kg_m2_s: float
    inside_streams: bool
    outside_streams: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MoistureYear:
    """Water inside a wall over twelve months.

    Attributes
    ----------
    grid : Grid
    planes : tuple of int
        Points of the grid that are wet at the end of any month.
    months : tuple of int
        The months, 1 to 12, in the order of the account. It begins with the first month of
        condensation after the longest time without; with January where every month has it, or none.
    water_kg_m2 : ndarray
        Water at each plane when each month ends. [months, planes]
    largest_kg_m2 : float
        Most water in the wall as a whole when a month ends.
    largest_month : int, optional
        None where no water gathers.
    dry_month : int, optional
        Month in which the last water leaves; None where none gathers, or some stays.
    dries_out : bool
        False where water is left when the account ends: the wall gains it year after year.
    """

    grid: Grid
    planes: tuple[int, ...]
    months: tuple[int, ...]
    water_kg_m2: Floats
    largest_kg_m2: float
    largest_month: int | None
    dry_month: int | None
    dries_out: bool


def interstitial_condensation(
    assembly: Assembly,
    *,
    inside_c: float,
    inside_pa: float,
    outside_c: float,
    outside_pa: float,
    wet: Collection[int] = (),
    largest_part_m2_k_w: float = LARGEST_PART_M2_K_W,
) -> Condensation:
    """Temperature and vapour pressure through a wall at rest, and where water condenses in it.

    Parameters
    ----------
    assembly : Assembly
        Layers that all resist vapour.
    inside_c, outside_c : float
        Temperature of the air. [°C, -100 to 200]
    inside_pa, outside_pa : float
        Vapour pressure of the air. [Pa, 0 or more] What the surface cannot hold condenses there.
    wet : collection of int
        Points inside the wall that hold water, and so stay at their saturation pressure.
    largest_part_m2_k_w : float
        Thermal resistance of the thickest part that a layer is cut into. [m² K/W, 0.001 or more]
        The standard's by default; less for a smooth line of the saturation pressure in a drawing.

    Returns
    -------
    Condensation
        nan, and no planes, where an argument is nan. Saturation below 0.01 °C is that over ice.

    Raises
    ------
    ValueError
        If an argument is out of range, or a wet point not inside the wall.

    Notes
    -----
    Rate of a plane: δ0 times the change of the slope of the pressure over s_d, source [1] of this
    module; δ0 = 2e-10 kg/(m s Pa).
    """
    grid = _cut(assembly, float(within("largest_part_m2_k_w", largest_part_m2_k_w, 0.001)))
    strangers = sorted(set(wet) - set(range(1, len(grid.depth_m) - 1)))
    if strangers:
        raise ValueError(f"wet must be points 1 to {len(grid.depth_m) - 2}, got {strangers[0]}")
    celsius = _temperatures(grid, assembly, inside_c, outside_c)
    saturation = saturation_vapour_pressure(temperature_c=celsius)
    air = (
        float(within("outside_pa", outside_pa, 0.0)),
        float(within("inside_pa", inside_pa, 0.0)),
    )
    pressure, rate, flows = _at_rest(grid.sd_m, saturation, air, wet)
    return Condensation(
        grid=grid,
        temperature_c=celsius,
        vapour_pa=pressure,
        saturation_pa=saturation,
        rate_kg_m2_s=rate,
        planes=tuple(map(int, np.flatnonzero(rate > _LEAST_RATE_KG_M2_S))),
        from_inside_kg_m2_s=flows[1],
        to_outside_kg_m2_s=flows[0],
        inside_streams=air[1] > saturation[-1],
        outside_streams=air[0] > saturation[0],
    )


def moisture_year(
    assembly: Assembly,
    *,
    inside_c: ArrayLike,
    inside_pa: ArrayLike,
    outside_c: ArrayLike,
    outside_pa: ArrayLike,
) -> MoistureYear:
    """Water that gathers inside a wall in the cold months, and whether the warm ones take it out.

    Parameters
    ----------
    assembly : Assembly
        Layers that all resist vapour.
    inside_c, outside_c : array_like
        Mean temperature of the air, January to December. [12; °C, -100 to 200]
    inside_pa, outside_pa : array_like
        Mean vapour pressure of the air. [12; Pa, 0 or more]

    Returns
    -------
    MoistureYear

    Raises
    ------
    ValueError
        If an argument is out of range or not twelve known months.

    Notes
    -----
    Source [1] of this module, but for a month in which a plane dries: there the standard takes the
    whole month as wet and cuts what is below zero; here the month is cut at that moment, so that
    no water is lost.
    """
    climate = np.stack(
        [
            _twelve("outside_pa", outside_pa, 0.0),
            _twelve("inside_pa", inside_pa, 0.0),
            _twelve("inside_c", inside_c),
            _twelve("outside_c", outside_c),
        ],
        axis=1,
    )
    grid = _cut(assembly, LARGEST_PART_M2_K_W)
    celsius = _temperatures(grid, assembly, climate[:, 2], climate[:, 3])
    saturation = saturation_vapour_pressure(temperature_c=celsius)
    months = [
        _Month(grid.sd_m, saturation[month], (climate[month, 0], climate[month, 1]), days * DAY_S)
        for month, days in enumerate(MONTH_DAYS)
    ]
    first = _first_month([month.condenses() for month in months])
    order = [(first + month) % 12 for month in range(12)]
    water = np.zeros((13, len(grid.sd_m)))
    for row, month in enumerate(order):
        water[row + 1] = months[month].after(water[row])
    return _account(grid, order, water[1:])


@dataclass(frozen=True, slots=True)
class _Month:
    sd_m: Floats
    saturation_pa: Floats
    air_pa: tuple[float, float]  # outside, inside
    seconds: float

    def condenses(self) -> bool:
        """Whether water condenses in a dry wall."""
        return bool((self.rates(()) > 0.0).any())

    def rates(self, wet: Collection[int]) -> Floats:
        """Water that each point gains [kg/(m² s)], rounding left out."""
        rate = _at_rest(self.sd_m, self.saturation_pa, self.air_pa, wet)[1]
        return np.where(np.abs(rate) > _LEAST_RATE_KG_M2_S, rate, 0.0)

    def after(self, water: Floats) -> Floats:
        """Water at the end of the month, cut where a plane dries: that changes all rates.

        A plane that has dried does not get wet again, since what held it wet pulled water out of
        it; so the loop ends.
        """
        left = self.seconds
        while left > 0.0:
            rate = self.rates(np.flatnonzero(water).tolist())
            drying = rate < 0.0
            until_dry = (water[drying] / -rate[drying]).min(initial=np.inf)
            step = min(left, float(until_dry))
            water = water + rate * step
            water[water < _LEAST_WATER_KG_M2] = 0.0
            left -= step
        return water


def _cut(assembly: Assembly, largest_part_m2_k_w: float) -> Grid:
    """Give the points that cut a wall into parts of at most a resistance."""
    layers = assembly.layers
    parts = [max(1, int(np.ceil(one.resistance_m2_k_w / largest_part_m2_k_w))) for one in layers]
    at_faces = np.concatenate([[0], np.cumsum(parts)])
    points = np.arange(at_faces[-1] + 1)
    depth = np.cumsum([0.0, *(one.thickness_m for one in layers)])
    resistance = np.cumsum([0.0, *(one.sd_m for one in layers)])
    return Grid(
        depth_m=np.interp(points, at_faces, depth),
        sd_m=np.interp(points, at_faces, resistance),
        faces=at_faces,
    )


def _temperatures(
    grid: Grid, assembly: Assembly, inside_c: ArrayLike, outside_c: ArrayLike
) -> Floats:
    """Temperatures at the points, straight within a layer; one more axis, the last."""
    at_faces = interface_temperatures(assembly, inside_c=inside_c, outside_c=outside_c)
    points = np.arange(len(grid.depth_m))
    flat = [np.interp(points, grid.faces, row) for row in np.atleast_2d(at_faces)]
    return np.reshape(flat, (*at_faces.shape[:-1], len(points)))


def _at_rest(
    sd_m: Floats, saturation_pa: Floats, air_pa: tuple[float, float], wet: Collection[int]
) -> tuple[Floats, Floats, tuple[float, float]]:
    """Vapour pressures, rates of condensation and the flows at the outer and the inner surface."""
    if np.isnan(saturation_pa.sum() + sum(air_pa)):
        unknown = np.full_like(sd_m, np.nan)
        return unknown, unknown, (np.nan, np.nan)
    ceiling = saturation_pa.copy()
    ceiling[0], ceiling[-1] = min(air_pa[0], ceiling[0]), min(air_pa[1], ceiling[-1])
    kinks = [0]
    for start, end in pairwise(sorted({0, *wet, len(sd_m) - 1})):
        kinks += _hull(sd_m, ceiling, start, end)[1:]
    flow = AIR_PERMEABILITY_KG_M_S_PA * np.diff(ceiling[kinks]) / np.diff(sd_m[kinks])
    rate = np.zeros_like(sd_m)
    rate[kinks[1:-1]] = np.diff(flow)
    return (
        np.interp(sd_m, sd_m[kinks], ceiling[kinks]),
        rate,
        (float(flow[0]), float(flow[-1])),
    )


def _hull(x: Floats, y: Floats, start: int, end: int) -> list[int]:
    """Points of the lower convex hull between two points, both included."""
    hull = [start]
    for point in range(start + 1, end + 1):
        while len(hull) > 1 and _slope(x, y, hull[-2], hull[-1]) >= _slope(x, y, hull[-1], point):
            hull.pop()
        hull.append(point)
    return hull


def _slope(x: Floats, y: Floats, left: int, right: int) -> float:
    return float((y[right] - y[left]) / (x[right] - x[left]))


def _twelve(name: str, values: ArrayLike, low: float = -100.0) -> Floats:
    """Give twelve known months in range."""
    months = within(name, values, low, 200.0 if low < 0.0 else np.inf)
    if months.shape != (12,) or np.isnan(months).any():
        raise ValueError(f"{name} must be twelve known months")
    return months


def _first_month(condenses: list[bool]) -> int:
    """Month, from 0, in which condensation begins after the longest time without."""
    starts = [month for month in range(12) if condenses[month] and not condenses[month - 1]]

    def dry_months_before(start: int) -> int:
        return next(back for back in range(12) if condenses[start - back - 1])

    return max(starts, key=dry_months_before, default=0)


def _account(grid: Grid, order: list[int], water: Floats) -> MoistureYear:
    total = water.sum(axis=1)
    planes = np.flatnonzero(water.any(axis=0))
    months = tuple(month + 1 for month in order)
    dries_out = bool(total[-1] == 0.0)
    last_wet = np.flatnonzero(total)[-1] if planes.size else None
    return MoistureYear(
        grid=grid,
        planes=tuple(map(int, planes)),
        months=months,
        water_kg_m2=water[:, planes],
        largest_kg_m2=float(total.max()),
        largest_month=months[int(total.argmax())] if planes.size else None,
        dry_month=months[last_wet + 1] if dries_out and last_wet is not None else None,
        dries_out=dries_out,
    )
