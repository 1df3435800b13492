"""Heat and moisture through a wall, layer by layer: one solver, fine for checks, coarse for pages.

A wall is cut into cells. Each holds a temperature and a **water content**: water is the unknown,
not humidity, so that what leaves one cell enters the next and nothing is lost by the bend of a
sorption curve. Vapour follows the vapour pressure; liquid, where a material has a diffusivity, the
water content, within one material only. A cell that is full stays at 100 % and takes up what comes
as a film, without limit. Humidity refers to liquid water also below 0 °C, as a sensor reports it,
and frost is taken for such water: a cell that frosts stays at 100 %, a sensor there reads 95 % at
-5 °C and 91 % at -10 °C.

In time the solver is implicit: heat and moisture together, linearised in both, repeated until the
vapour pressure fits. Many walls of as many cells run side by side, each as it would alone; few of
them by a matrix library, many in plain arithmetic, which differ by rounding.

It is **diffusion only**. It knows no leak, no draught, no rain and no drip.

References
----------
.. [1] EN 15026:2007: the equations, with the simplifications of its section 4; sorption does not
   depend on temperature; the sensible heat of moving water is left out.
.. [2] ISO 13788:2012: permeability of still air 2e-10 kg/(m s Pa); surface films of no vapour
   resistance worth counting.
.. [3] ISO 10456:2007: heat capacity of water.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.air import saturation_vapour_pressure
from monitor.physics.arguments import Floats, within

Curve = Callable[[Floats], Floats]

AIR_PERMEABILITY_KG_M_S_PA = 2e-10  # [2]
EVAPORATION_HEAT_J_KG = 2.5e6  # at 0 °C, from memory; 2.43e6 at 30 °C
WATER_HEAT_CAPACITY_J_KG_K = 4190.0  # [3]

_COLDEST_C, _HOTTEST_C, _PER_K = -90.0, 150.0, 20  # table of the saturation curve: 1.5e-6 of it
_PARTS = 2048  # of a material's tables, from dry to full
_MOST_REPEATS = 30
_TOUCHING = 1e30  # conductance of a film without resistance
_FEW = 4000  # walls x cells² up to which one matrix a wall is faster than plain arithmetic
_INTO = np.array([[1.0], [-1.0]])  # the sign of a flow outside to inside that is a gain


@dataclass(frozen=True, kw_only=True, eq=False)
class Material:
    """What heat and moisture meet in a layer.

    Attributes
    ----------
    name : str
    conductivity_w_m_k : float
        Dry thermal conductivity.
    heat_capacity_j_m3_k : float
        Dry heat capacity of the volume.
    moisture : callable
        Water content [kg/m³] at a relative humidity of 0 to 1, rising.
    permeability : callable
        Vapour permeability [kg/(m s Pa)] at a water content.
    diffusivity : callable, optional
        Diffusivity of liquid [m²/s] at a water content.
    conductivity_per_moisture : float
        Rise of the thermal conductivity with the water content. [W/(m K) per kg/m³]
    """

    name: str
    conductivity_w_m_k: float
    heat_capacity_j_m3_k: float
    moisture: Curve
    permeability: Curve
    diffusivity: Curve | None = None
    conductivity_per_moisture: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Film:
    """Resistance between a surface and its air.

    Attributes
    ----------
    heat_m2_k_w, vapour_m2_s_pa_kg : float
        Resistance to heat and to vapour. Without vapour resistance the surface has the air's
        humidity at once, and liquid passes it.
    """

    heat_m2_k_w: float
    vapour_m2_s_pa_kg: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Wall:
    """A wall cut into cells, outside to inside.

    Attributes
    ----------
    materials : tuple of Material
        One a cell.
    widths_m : ndarray
        Width of each cell.
    outside, inside : Film
    """

    materials: tuple[Material, ...]
    widths_m: Floats
    outside: Film
    inside: Film


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """Temperature [°C] and water content [kg/m³] of every cell: arrays of cells x walls."""

    temperature_c: Floats
    moisture_kg_m3: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Climate:
    """Air on both sides, one row a step: temperature [°C] and vapour pressure [Pa].

    Arrays of steps, or of steps x walls. `outside_c` is what the skin exchanges heat with: the
    sol-air temperature where the sun shines on it.
    """

    outside_c: Floats
    outside_pa: Floats
    inside_c: Floats
    inside_pa: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """What `simulate` gives.

    Attributes
    ----------
    end : State
        After the last step.
    face_c, face_percent : ndarray
        Temperature and relative humidity at the face that was asked for: steps x walls.
    gained_kg_m2, gained_j_m2 : ndarray
        Water and heat that came in through both surfaces, a wall each.
    moisture_error_kg_m2, heat_error_j_m2 : ndarray
        What came in less what is stored: rounding.
    """

    end: State
    face_c: Floats
    face_percent: Floats
    gained_kg_m2: Floats
    gained_j_m2: Floats
    moisture_error_kg_m2: Floats
    heat_error_j_m2: Floats


def cut(
    layers: Sequence[tuple[Material, float]],
    counts: Sequence[int],
    *,
    outside: Film,
    inside: Film,
) -> Wall:
    """Cut layers of a thickness [m], outside to inside, into as many equal cells as `counts` says."""
    materials: list[Material] = []
    widths: list[float] = []
    for (material, thickness_m), count in zip(layers, counts, strict=True):
        materials += [material] * count
        widths += [thickness_m / count] * count
    return Wall(
        materials=tuple(materials), widths_m=np.array(widths), outside=outside, inside=inside
    )


def humidity_of(material: Material, moisture_kg_m3: ArrayLike) -> Floats:
    """Relative humidity [%] in balance with a water content [kg/m³, 0 or more]; 100 under a film."""
    full, humidity = _table(material)[:2]
    water = within("moisture_kg_m3", moisture_kg_m3, 0.0)
    return 100.0 * np.interp(water, np.linspace(0.0, full, _PARTS + 1), humidity)


def at_rest(
    walls: Sequence[Wall], *, temperature_c: ArrayLike, humidity_percent: ArrayLike
) -> State:
    """State of walls that are all through at a temperature and in balance with a humidity.

    Parameters
    ----------
    walls : sequence of Wall
    temperature_c, humidity_percent : array_like
        Scalar, or one a wall. [°C, -90 to 150] [%, 0 to 100]

    Returns
    -------
    State

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    across = (len(walls[0].materials), len(walls))
    celsius = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C)
    humidity = np.broadcast_to(within("humidity_percent", humidity_percent, 0.0, 100.0), across)
    moisture = np.empty(across)
    for column, wall in enumerate(walls):
        for material in set(wall.materials):
            rows = [row for row, other in enumerate(wall.materials) if other is material]
            moisture[rows, column] = material.moisture(humidity[rows, column] / 100.0)
    return State(temperature_c=np.broadcast_to(celsius, across).copy(), moisture_kg_m3=moisture)


def simulate(
    walls: Sequence[Wall],
    *,
    start: State,
    climate: Climate,
    step_s: float,
    substeps: int = 1,
    face: int = 0,
    tolerance_pa: float = 10.0,
) -> Run:
    """Carry walls through a climate.

    Parameters
    ----------
    walls : sequence of Wall
        All of as many cells; layers, widths and films may differ.
    start : State
    climate : Climate
        Means over the steps; no nan.
    step_s : float
        Length of a row of the climate. [s]
    substeps : int
        Equal parts that each row is solved in.
    face : int
        The face whose air is given: 0 is the outer surface, k lies between cells k - 1 and k.
    tolerance_pa : float
        How far the vapour pressure may lie from its linearisation at the end of a step. 10 Pa is
        0.4 % of humidity at 20 °C; whatever it is, no water is lost.

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        If the climate holds nan.
    ArithmeticError
        If a step does not settle, or water or heat is not conserved to rounding.

    Notes
    -----
    Source [1] eq. 2 to 13 of this module, implicit Euler, first order in the step; second order
    in the width of the cells.
    """
    air = _air(climate, len(walls))
    batch = _Batch(walls, start, step_s / substeps)
    face_c, face_percent = np.empty((2, air.shape[1], len(walls)))
    for row in range(air.shape[1]):
        for _ in range(substeps):
            batch.step(air[:, row], tolerance_pa)
        face_c[row], face_percent[row] = batch.at_face(face)
    stored = (batch.width * (batch.moisture - start.moisture_kg_m3)).sum(axis=0)
    _balanced("water", batch.gained[0], stored, (batch.width * batch.moisture).sum(axis=0))
    of_one_k = (batch.width * batch.capacity).sum(axis=0)
    _balanced("heat", batch.gained[1], batch.stored_heat, batch.turned_over + of_one_k)
    return Run(
        end=State(temperature_c=batch.temperature[1:-1], moisture_kg_m3=batch.moisture),
        face_c=face_c,
        face_percent=face_percent,
        gained_kg_m2=batch.gained[0],
        gained_j_m2=batch.gained[1],
        moisture_error_kg_m2=batch.gained[0] - stored,
        heat_error_j_m2=batch.gained[1] - batch.stored_heat,
    )


def _balanced(what: str, gained: Floats, stored: Floats, scale: Floats) -> None:
    """Raise where what came in is not what is stored, beyond the rounding of many steps."""
    if not (np.abs(gained - stored) <= 1e-9 * (np.abs(gained) + scale)).all():
        raise ArithmeticError(f"{what} is not conserved: {gained} came in, {stored} is stored")


def _air(climate: Climate, walls: int) -> Floats:
    """The climate as four x steps x walls: temperature out, in, pressure out, in."""
    series = (climate.outside_c, climate.inside_c, climate.outside_pa, climate.inside_pa)
    columns = [np.asarray(one, dtype=np.float64) for one in series]
    columns = [one[:, np.newaxis] if one.ndim == 1 else one for one in columns]
    shape = np.broadcast_shapes(*(one.shape for one in columns), (1, walls))
    air = np.stack([np.broadcast_to(one, shape) for one in columns])
    if np.isnan(air).any():
        raise ValueError("a climate must be without gaps")
    return air


@cache
def _saturation_table() -> tuple[Floats, Floats]:
    """Saturation pressure over liquid [Pa] and its rise to the next entry."""
    celsius = np.arange(_COLDEST_C, _HOTTEST_C + 1.5 / _PER_K, 1.0 / _PER_K)
    pressure = saturation_vapour_pressure(temperature_c=celsius, over="liquid")
    return pressure[:-1].copy(), np.diff(pressure)


def _saturation(celsius: Floats) -> tuple[Floats, Floats]:
    """Saturation pressure over liquid [Pa] and its slope [Pa/K]."""
    pressures, rises = _saturation_table()
    place = (celsius - _COLDEST_C) * _PER_K
    entry = place.astype(np.intp)
    rise = rises.take(entry, mode="clip")
    return pressures.take(entry, mode="clip") + (place - entry) * rise, rise * _PER_K


@lru_cache(maxsize=256)
def _table(material: Material) -> tuple[float, Floats, Floats, Floats, Floats]:
    """Water content when full, then four columns from dry to full, `_PARTS` + 1 entries each.

    Humidity, its rise to the next entry, permeability, diffusivity. Above full the humidity does
    not rise: that is the film.
    """
    # Close to 1 sorption curves bend the most: the humidities to invert by lie denser there.
    humid = np.append(np.linspace(0.0, 0.9, 8192), 1.0 - np.geomspace(0.1, 1e-9, 8192))
    humid = np.append(humid[humid > 0.0], 1.0)
    content = np.append(0.0, material.moisture(humid))
    moisture = np.linspace(0.0, content[-1], _PARTS + 1)
    humidity = np.interp(moisture, content, np.append(0.0, humid))
    nothing = np.zeros_like(moisture)
    diffusivity = nothing if material.diffusivity is None else material.diffusivity(moisture)
    return (
        float(content[-1]),
        humidity,
        np.append(np.diff(humidity), 0.0),
        nothing + material.permeability(moisture),
        nothing + diffusivity,
    )


class _Batch:
    """Walls side by side: arrays of cells x walls, or of faces x walls.

    `to_...` are conductances of the faces, the outer surface first; `per_c` and `per_kg` the slopes
    of the vapour pressure in a cell with its temperature and its water content.
    """

    def __init__(self, walls: Sequence[Wall], start: State, step_s: float) -> None:
        known: dict[Material, int] = {}
        which = np.array(
            [[known.setdefault(m, len(known)) for m in wall.materials] for wall in walls]
        ).T
        tables = [_table(material) for material in known]
        self.step_s = step_s
        self.width = np.stack([wall.widths_m for wall in walls], axis=1)
        self.first = which * (_PARTS + 1)  # of a cell's material in the tables laid end to end
        self.humidity, self.rise, self.permeability, self.diffusivity = (
            np.concatenate([table[column] for table in tables]) for column in range(1, 5)
        )
        self.full = np.array([table[0] for table in tables])[which]
        self.per_part = _PARTS / self.full
        dry, wetter, capacity = np.array(
            [
                (m.conductivity_w_m_k, m.conductivity_per_moisture, m.heat_capacity_j_m3_k)
                for m in known
            ]
        ).T
        self.dry, self.wetter, self.capacity = dry[which], wetter[which], capacity[which]
        self.alike = which[1:] == which[:-1]
        films = np.array(
            [
                [(film.heat_m2_k_w, film.vapour_m2_s_pa_kg) for film in (w.outside, w.inside)]
                for w in walls
            ]
        )
        with np.errstate(divide="ignore"):
            self.film_heat, self.film_vapour = np.minimum(1.0 / films, _TOUCHING).T
        self.wet = bool(self.diffusivity.any())
        self.varies = self.wet or any(t[3].min() < t[3].max() for t in tables) or wetter.any()
        self._set(start, *which.shape)

    def _set(self, start: State, cells: int, walls: int) -> None:
        self.temperature = np.zeros((cells + 2, walls))  # with the air on both sides
        self.pressure = np.zeros((cells + 2, walls))
        self.temperature[1:-1] = start.temperature_c
        self.moisture = np.array(start.moisture_kg_m3)
        self.storage = self.width / self.step_s
        self.diagonal = np.zeros((cells, 2, 2, walls))  # of the rows heat, water in T, w
        self.right = np.zeros((cells, 2, 3, walls))  # what the next cell does, and the right side
        self.left = np.zeros((cells - 1, 2, 2, walls))  # what a cell does to the next
        self.to_liquid = np.zeros((cells + 1, walls))
        self.surface_kg_m3 = np.zeros((2, walls))
        self.gained = np.zeros((2, walls))  # water, heat
        self.stored_heat, self.turned_over = np.zeros((2, walls))
        self._conduct(self._linearise())

    def _linearise(self) -> NDArray[np.intp]:
        """Vapour pressure of every cell and its slopes; gives the places in the tables."""
        saturation, slope = _saturation(self.temperature[1:-1])
        place = self.moisture * self.per_part
        entry: NDArray[np.intp] = np.minimum(np.maximum(place.astype(np.intp), 0), _PARTS)
        part = place - entry
        entry += self.first
        rise = self.rise.take(entry)
        humidity = self.humidity.take(entry) + part * rise
        self.pressure[1:-1] = humidity * saturation
        self.per_c = humidity * slope
        self.per_kg = saturation * rise * self.per_part
        return entry

    def _conduct(self, entry: NDArray[np.intp]) -> None:
        """Conductances between the cells, and what of the equations depends on them alone."""
        half = 2.0 / self.width
        cells = half * (self.dry + self.wetter * self.moisture)
        self.heat_sides = np.concatenate([self.film_heat[:1], cells, self.film_heat[1:]])
        cells = half * self.permeability.take(entry)
        self.vapour_sides = np.concatenate([self.film_vapour[:1], cells, self.film_vapour[1:]])
        self.to_heat, self.to_vapour = (
            sides[:-1] * sides[1:] / (sides[:-1] + sides[1:])
            for sides in (self.heat_sides, self.vapour_sides)
        )
        if self.wet:
            self._conduct_liquid(self.diffusivity.take(entry))
        for coupling in (self.right[:-1], self.left):
            coupling[:, 0, 0] = -self.to_heat[1:-1]
            coupling[:, 0, 1] = EVAPORATION_HEAT_J_KG * self.to_liquid[1:-1]
        self.less_vapour = -self.to_vapour[1:-1]
        self.from_heat = self.to_heat[:-1] + self.to_heat[1:]
        self.from_vapour = self.to_vapour[:-1] + self.to_vapour[1:]
        self.from_liquid = self.storage + self.to_liquid[:-1] + self.to_liquid[1:]
        self.diagonal[:, 0, 1] = -EVAPORATION_HEAT_J_KG * self.from_liquid

    def _conduct_liquid(self, diffusivity: Floats) -> None:
        """Liquid flows within a material, and through a surface that its air touches."""
        apart = 0.5 * (self.width[1:] + self.width[:-1])
        within_one = 0.5 * (diffusivity[1:] + diffusivity[:-1]) / apart
        self.to_liquid[1:-1] = np.where(self.alike, within_one, 0.0)
        for side, cell in ((0, 0), (1, -1)):
            place = self.surface_kg_m3[side] * self.per_part[cell]
            entry = np.minimum(place.astype(np.intp), _PARTS) + self.first[cell]
            surface = self.diffusivity.take(entry)
            touching = self.film_vapour[side] == _TOUCHING
            self.to_liquid[cell] = touching * (surface + diffusivity[cell]) / self.width[cell]

    def _wet_surfaces(self) -> None:
        """Water content of a surface in balance with its air, for liquid that passes it."""
        for side, cell in ((0, 0), (1, -1)):
            humid = self.pressure[cell] / _saturation(self.temperature[cell])[0]
            for wall, first in enumerate(self.first[cell]):
                curve = self.humidity[first : first + _PARTS + 1]
                place = np.interp(humid[wall], curve, np.arange(_PARTS + 1.0))
                self.surface_kg_m3[side, wall] = place / self.per_part[cell, wall]

    def step(self, air: Floats, tolerance_pa: float) -> None:
        """One implicit step under the air of both sides, repeated until the pressure fits."""
        self.temperature[0], self.temperature[-1], self.pressure[0], self.pressure[-1] = air
        if self.wet:
            self._wet_surfaces()
        celsius = self.temperature[1:-1]
        before_c, before_kg = celsius.copy(), self.moisture.copy()
        heat = (self.capacity + WATER_HEAT_CAPACITY_J_KG_K * before_kg) * self.storage
        busy: NDArray[np.bool_] | None = None
        for _ in range(_MOST_REPEATS):
            kept = heat * (celsius - before_c), self.storage * (self.moisture - before_kg)
            rise, through = self._solve(heat, *kept)
            if busy is None:
                flows = through
            else:  # a wall that has settled waits for the others: each runs as it would alone
                rise = rise * busy
                flows = np.where(busy, through, flows)
            wanted = self.pressure[1:-1] + self.per_c * rise[0] + self.per_kg * rise[1]
            # A cell that would fall below half of what it holds, film aside, is held there and
            # tried again: from beyond the curve's end the next attempt would be nonsense.
            lowest = 0.5 * np.minimum(self.moisture, self.full)
            celsius += rise[0]
            self.moisture += rise[1]
            short = (lowest - self.moisture).max(axis=0) > 0.0
            self.moisture = np.maximum(self.moisture, lowest)
            entry = self._linearise()
            if self.varies:
                self._conduct(entry)
            off = short | (np.abs(self.pressure[1:-1] - wanted).max(axis=0) > tolerance_pa)
            busy = off if busy is None else busy & off
            if not busy.any():
                break
        else:
            raise ArithmeticError(f"a step of {self.step_s:g} s does not settle")
        self.gained += flows * self.step_s
        heated = heat * (celsius - before_c) * self.step_s
        self.stored_heat += heated.sum(axis=0)
        self.turned_over += np.abs(heated).sum(axis=0)

    def _solve(self, heat: Floats, kept_heat: Floats, kept_water: Floats) -> tuple[Floats, Floats]:
        """Rise of temperature and water in every cell; water and heat gained through the surfaces.

        The row of heat is the balance of heat less that of water times the heat of evaporation:
        so the flow of vapour drops out of it.
        """
        vapour = self.to_vapour * (self.pressure[:-1] - self.pressure[1:])
        conducted = self.to_heat * (self.temperature[:-1] - self.temperature[1:])
        liquid = self._liquid()
        net_vapour, net_liquid = vapour[:-1] - vapour[1:], liquid[:-1] - liquid[1:]
        latent = EVAPORATION_HEAT_J_KG * (kept_water - net_liquid)
        self.diagonal[:, 0, 0] = heat + self.from_heat
        self.diagonal[:, 1, 0] = self.from_vapour * self.per_c
        self.diagonal[:, 1, 1] = self.from_vapour * self.per_kg + self.from_liquid
        self.right[:, 0, 2] = conducted[:-1] - conducted[1:] - kept_heat + latent
        self.right[:, 1, 2] = net_vapour + net_liquid - kept_water
        for coupling, cells in ((self.right[:-1], slice(1, None)), (self.left, slice(None, -1))):
            coupling[:, 1, 0] = self.less_vapour * self.per_c[cells]
            coupling[:, 1, 1] = self.less_vapour * self.per_kg[cells] - self.to_liquid[1:-1]
        few = heat.size * len(heat) <= _FEW
        solved = _at_once if few else _eliminated
        rise = solved(self.diagonal, self.right, self.left)
        ends, faces = slice(None, None, len(heat) - 1), slice(None, None, len(heat))
        more_pa = self.per_c[ends] * rise[0, ends] + self.per_kg[ends] * rise[1, ends]
        vapour = vapour[faces] * _INTO - self.to_vapour[faces] * more_pa
        liquid = liquid[faces] * _INTO - self.to_liquid[faces] * rise[1, ends]
        conducted = conducted[faces] * _INTO - self.to_heat[faces] * rise[0, ends]
        latent = EVAPORATION_HEAT_J_KG * vapour
        return rise, np.array([(vapour + liquid).sum(axis=0), (conducted + latent).sum(axis=0)])

    def _liquid(self) -> Floats:
        if not self.wet:
            return self.to_liquid  # nothing
        surface = self.surface_kg_m3
        water = np.concatenate([surface[:1], self.moisture, surface[1:]])
        flow: Floats = self.to_liquid * (water[:-1] - water[1:])
        return flow

    def at_face(self, face: int) -> tuple[Floats, Floats]:
        """Temperature and relative humidity where two cells meet: what flows in flows out.

        At most 100 %: where cells between which vapour condenses are wide, more comes out.
        """
        celsius, pressure = (
            (sides[face] * held[face] + sides[face + 1] * held[face + 1])
            / (sides[face] + sides[face + 1])
            for sides, held in (
                (self.heat_sides, self.temperature),
                (self.vapour_sides, self.pressure),
            )
        )
        return celsius, np.minimum(100.0 * pressure / _saturation(celsius)[0], 100.0)


def _at_once(diagonal: Floats, right: Floats, left: Floats) -> Floats:
    """Solve the equations of each wall as one matrix: faster for few walls of few cells."""
    cells, walls = len(diagonal), diagonal.shape[-1]
    matrix = np.zeros((walls, cells, 2, cells, 2))
    upper, lower = matrix[:, :-1, :, 1:], matrix[:, 1:, :, :-1]
    for part, blocks in ((matrix, diagonal), (upper, right[:-1, :, :2]), (lower, left)):
        np.einsum("wiric->ircw", part)[...] = blocks  # a view of the blocks on a diagonal
    wanted = right[:, :, 2].reshape(2 * cells, walls).T[:, :, np.newaxis]
    rise = np.linalg.solve(matrix.reshape(walls, 2 * cells, 2 * cells), wanted)
    return np.ascontiguousarray(rise.reshape(walls, cells, 2).transpose(2, 1, 0))


def _eliminated(diagonal: Floats, right: Floats, left: Floats) -> Floats:
    """Solve block by block, cells in turn and walls together; uses up the last column of `right`."""
    cells, walls = len(diagonal), diagonal.shape[-1]
    block, solved = diagonal[0], []
    for cell in range(cells):
        four, wanted = block.reshape(4, walls), right[cell]
        straight, across = four[::3], four[1:3]
        one = straight[::-1, np.newaxis] * wanted - across[:, np.newaxis] * wanted[::-1]
        one /= straight[0] * straight[1] - across[0] * across[1]
        solved.append(one)
        if cell + 1 < cells:
            felt = left[cell]
            change = felt[:, :1] * one[0] + felt[:, 1:] * one[1]
            block = diagonal[cell + 1] - change[:, :2]
            right[cell + 1, :, 2] -= change[:, 2]
    rise = np.empty((2, cells, walls))
    later = np.zeros((2, walls))
    for cell in range(cells - 1, -1, -1):
        one = solved[cell]
        later = one[:, 2] - one[:, 0] * later[0] - one[:, 1] * later[1]
        rise[:, cell] = later
    return rise
