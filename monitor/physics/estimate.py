"""Behind a panel where no probe sits: an **estimate**, as a band.

What goes in is uncertain, far more than what the solver makes of it: the water the wall held at
the start, which plywood it is, the sun on the skin. So a few walls run side by side through the
same weather, begun dry and wet, tight and open to vapour, without and with sun, and the band is
what they span, widened by what none of them covers.

**It is diffusion only and cannot see a leak.** That makes it a yardstick: a probe that reads above
the band is wetter than the weather on both sides of the wall explains, which is evidence of a leak.

References
----------
.. [1] Our own runs of the solver, fine against coarse and with inputs left out: no sun and sky
   3 to 3.7 K rms and up to 13 points of humidity, unknown water at the start 8 to 13 points rms.
   Two laminated walls that began otherwise differ by a third of that after 117, 43 and 24 days at
   5, 20 and 30 °C, hung walls after 36, 13 and 7; tight plywood doubles it, open halves it. A slide
   floor between its film and its flooring keeps it for more than a year.
.. [2] Forest Products Laboratory: Wood Handbook, FPL-GTR-282 (2021), eq. 4-5: sorption of wood, as
   in `monitor.physics.wood`. Isotherms of panels scatter by 3 % of moisture around it.
.. [3] Vapour resistance factors of plywood in public design tables: 30 to 400.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics import wood
from monitor.physics.air import LARGEST_HUMIDITY_PERCENT, vapour_pressure
from monitor.physics.arguments import Floats, within
from monitor.physics.layers import Assembly, Layer
from monitor.physics.transport import (
    AIR_PERMEABILITY_KG_M_S_PA,
    Climate,
    Film,
    Material,
    State,
    Wall,
    at_rest,
    cut,
    humidity_of,
    simulate,
)

Tightness = Literal["open", "usual", "tight"]

CELLS = 8  # of the coarse wall
BRIDGED_HOURS = 6  # a longer gap in an input leaves the estimate unknown for its length
HELD_HOURS = 168  # after a longer one the water in the wall is unknown again

_DRY_PERCENT, _USUAL_PERCENT, _WET_PERCENT = 50.0, 65.0, 80.0  # assumed: wood of 9, 12 and 16 %
_PLYWOOD_FACTOR = {"open": 30.0, "tight": 400.0}  # [3]
_OTHER_SCATTER = {"open": 0.5, "tight": 2.0}  # assumed
_MARGIN_PERCENT, _MARGIN_PERCENT_NO_SUN = 10.0, 13.0  # [1]
_MARGIN_C, _MARGIN_C_NO_SUN = 1.0, 3.7  # at the skin; inwards by the share of the outside [1]
_AIR_FILM_SD_M = 0.008  # vapour resistance of a surface, from memory; of no account beside layers
_SORPTION_C = 20.0
_PORE_KG_M3, _OTHER_SHARE = 0.02, 0.001  # water at 100 % in what is not wood: assumed next to none
_COLDEST_C, _HOTTEST_C = -60.0, 100.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Band:
    """The least, the best and the largest value an hour; nan where nothing is known."""

    low: Floats
    best: Floats
    high: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Profile:
    """The best wall at the last known hour, cell by cell from outside to inside.

    Attributes
    ----------
    edges_m : ndarray
        Depths of the faces of the cells, from 0: one more than cells.
    layers : tuple of str
        Name of the layer of each cell.
    temperature_c, humidity_percent, moisture_kg_m3 : ndarray
    """

    edges_m: Floats
    layers: tuple[str, ...]
    temperature_c: Floats
    humidity_percent: Floats
    moisture_kg_m3: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimate:
    """Air behind the panel, hour by hour, where no probe sits.

    Attributes
    ----------
    label : str
        To stand beside every figure and line of it.
    assembly : Assembly
        What was assumed.
    temperature_c, humidity_percent : Band
    profile : Profile or None
        None where no hour is known.
    """

    label: str
    assembly: Assembly
    temperature_c: Band
    humidity_percent: Band
    profile: Profile | None


def wall_of(
    assembly: Assembly,
    *,
    cells: int = CELLS,
    outer: Tightness = "usual",
    inner: Tightness = "usual",
) -> Wall:
    """Cut an assembly into cells for `monitor.physics.transport.simulate`.

    Parameters
    ----------
    assembly : Assembly
    cells : int
        How many: at least one a layer, the others where heat and water meet the most.
    outer, inner : {"open", "usual", "tight"}
        To vapour, what lies outside and inside of the probe.

    Returns
    -------
    Wall

    Raises
    ------
    ValueError
        If there are more layers than cells.
    """
    border = _layers_before_probe(assembly)
    tightness = [outer if number < border else inner for number in range(len(assembly.layers))]
    layers = [
        (_material(layer, how), layer.thickness_m)
        for layer, how in zip(assembly.layers, tightness, strict=True)
    ]
    vapour = _AIR_FILM_SD_M / AIR_PERMEABILITY_KG_M_S_PA
    return cut(
        layers,
        _counts(assembly, cells),
        outside=Film(heat_m2_k_w=assembly.outside_film_m2_k_w, vapour_m2_s_pa_kg=vapour),
        inside=Film(heat_m2_k_w=assembly.inside_film_m2_k_w, vapour_m2_s_pa_kg=vapour),
    )


def probe_face(assembly: Assembly, *, cells: int = CELLS) -> int:
    """Number of the face, from outside, at which a probe behind the panel would sit."""
    return sum(_counts(assembly, cells)[: _layers_before_probe(assembly)])


def estimate(
    assembly: Assembly,
    *,
    cabin_c: ArrayLike,
    cabin_percent: ArrayLike,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    sun_w_m2: Floats | None = None,
) -> Estimate:
    """Temperature and humidity behind a panel from the air on both sides of the wall.

    Diffusion only: rain, a leak, a spill or a draught through the wall are not in it. A probe that
    reads above the band for days contradicts the weather, which is evidence of a leak; one that
    reads below it tells that the assembly or its start is another.

    Parameters
    ----------
    assembly : Assembly
    cabin_c, cabin_percent : array_like
        Hourly means in the cabin, one value an hour on end. [°C, -60 to 100] [%, 0 to 120]
    outside_c, outside_percent : array_like
        The same hours outside, over liquid water.
    sun_w_m2 : ndarray, optional
        What the skin takes up of sun less what it gives to the sky. [W/m²] Without it the band is
        wider: from no sun to a skin warmed by as much again as the day warms the air.

    Returns
    -------
    Estimate
        An hour is nan where an input is missing for more than `BRIDGED_HOURS` on end; shorter gaps
        are bridged by a straight line. The wall waits through a gap as it is; after more than
        `HELD_HOURS` it starts anew, dry to wet.

    Raises
    ------
    ValueError
        If the series differ in length or a value is out of range.

    Notes
    -----
    Margins beyond what the walls span: 10 points of humidity and 1 K with sun, 13 points and, by
    the share of the outside in the temperature there, 3.7 K without [1]. The humidity behind the
    panel is not that of the cabin: its dew point there is 12 to 26 points wrong.
    """
    series = _inputs(cabin_c, cabin_percent, outside_c, outside_percent, sun_w_m2)
    tight: tuple[Tightness, ...] = ("open", "tight")
    members = [
        (_USUAL_PERCENT, "usual", "usual", 0.0),
        *product(
            (_DRY_PERCENT, _WET_PERCENT),
            tight,
            tight,
            (0.0,) if sun_w_m2 is not None else (0.0, 1.0),
        ),
    ]
    walls = [wall_of(assembly, outer=outer, inner=inner) for _, outer, inner, _ in members]
    starts, warmed = (np.array([member[place] for member in members]) for place in (0, 3))
    hours = len(series[0])
    celsius, humidity = np.full((2, hours, len(members)), np.nan)
    end: State | None = None
    known = np.flatnonzero(~np.isnan(series).any(axis=0))
    for span in np.split(known, np.flatnonzero(np.diff(known) > HELD_HOURS + 1) + 1):
        if not span.size:
            continue
        climate = _climate(assembly, series[:, span], warmed)
        middle_c = 0.5 * (climate.outside_c[0] + climate.inside_c[0])
        start = at_rest(walls, temperature_c=middle_c, humidity_percent=starts)
        run = simulate(
            walls, start=start, climate=climate, step_s=3600.0, face=probe_face(assembly)
        )
        celsius[span], humidity[span], end = run.face_c, run.face_percent, run.end
    share = _outside_share(assembly)
    margin_c = _MARGIN_C if sun_w_m2 is not None else max(_MARGIN_C, share * _MARGIN_C_NO_SUN)
    margin = _MARGIN_PERCENT if sun_w_m2 is not None else _MARGIN_PERCENT_NO_SUN
    return Estimate(
        label="estimate",
        assembly=assembly,
        temperature_c=_band(celsius, margin_c, -np.inf, np.inf),
        humidity_percent=_band(humidity, margin, 0.0, 100.0),
        profile=None if end is None else _profile(assembly, walls[0], end),
    )


def _inputs(cabin_c: ArrayLike, *others: ArrayLike | None) -> Floats:
    """Cabin, outside and sun as rows, short gaps bridged."""
    ranges = ((_COLDEST_C, _HOTTEST_C), (0.0, LARGEST_HUMIDITY_PERCENT)) * 2 + ((-500.0, 2000.0),)
    names = ("cabin_c", "cabin_percent", "outside_c", "outside_percent", "sun_w_m2")
    hours = np.size(cabin_c)
    rows = []
    for name, column, (low, high) in zip(names, (cabin_c, *others), ranges, strict=True):
        row = np.zeros(hours) if column is None else np.atleast_1d(within(name, column, low, high))
        if row.shape != (hours,):
            raise ValueError(f"{name} must be one value for each of the {hours} hours")
        rows.append(_bridged(row))
    return np.array(rows)


def _bridged(row: Floats) -> Floats:
    """Straight lines through gaps of up to `BRIDGED_HOURS`."""
    known, hours = np.flatnonzero(~np.isnan(row)), np.arange(len(row))
    if not known.size:
        return row
    after = np.searchsorted(known, hours)
    inside = (after > 0) & (after < len(known))
    gap = np.diff(known, prepend=-len(row), append=3 * len(row))[after] - 1
    bridge = np.isnan(row) & inside & (gap <= BRIDGED_HOURS)
    return np.where(bridge, np.interp(hours, known, row[known]), row)


def _climate(assembly: Assembly, series: Floats, warmed: Floats) -> Climate:
    cabin_c, cabin_percent, outside_c, outside_percent, sun_w_m2 = series
    lowest = np.array(
        [outside_c[max(0, hour - 23) : hour + 1].min() for hour in range(len(outside_c))]
    )
    skin_c = outside_c + sun_w_m2 * assembly.outside_film_m2_k_w
    outside = vapour_pressure(temperature_c=outside_c, humidity_percent=outside_percent)
    inside = vapour_pressure(temperature_c=cabin_c, humidity_percent=cabin_percent)
    return Climate(
        outside_c=skin_c[:, np.newaxis] + (outside_c - lowest)[:, np.newaxis] * warmed,
        outside_pa=outside[:, np.newaxis],
        inside_c=cabin_c[:, np.newaxis],
        inside_pa=inside[:, np.newaxis],
    )


def _band(members: Floats, margin: float, least: float, most: float) -> Band:
    best = members[:, 0]
    return Band(
        low=np.clip(np.minimum(members.min(axis=1), best - margin), least, most),
        best=best,
        high=np.clip(np.maximum(members.max(axis=1), best + margin), least, most),
    )


def _profile(assembly: Assembly, wall: Wall, end: State) -> Profile:
    moisture = end.moisture_kg_m3[:, 0]
    counts = _counts(assembly, len(moisture))
    humidity = [
        float(humidity_of(material, kg_m3))
        for material, kg_m3 in zip(wall.materials, moisture, strict=True)
    ]
    return Profile(
        edges_m=np.append(0.0, np.cumsum(wall.widths_m)),
        layers=tuple(np.repeat([layer.name for layer in assembly.layers], counts)),
        temperature_c=end.temperature_c[:, 0],
        humidity_percent=np.array(humidity),
        moisture_kg_m3=moisture,
    )


def _layers_before_probe(assembly: Assembly) -> int:
    return assembly.probe_layer + (assembly.probe_face == "inner")


def _outside_share(assembly: Assembly) -> float:
    """Share of the outside in the temperature at the probe, in a steady state."""
    within_m2_k_w = [layer.resistance_m2_k_w for layer in assembly.layers]
    whole = assembly.outside_film_m2_k_w + sum(within_m2_k_w) + assembly.inside_film_m2_k_w
    inwards = sum(within_m2_k_w[_layers_before_probe(assembly) :]) + assembly.inside_film_m2_k_w
    return inwards / whole


@lru_cache(maxsize=256)
def _material(layer: Layer, how: Tightness) -> Material:
    factor = layer.vapour_factor
    if how != "usual":
        factor = _PLYWOOD_FACTOR[how] if layer.wood else factor * _OTHER_SCATTER[how]
    full = max(_PORE_KG_M3, _OTHER_SHARE * layer.density_kg_m3)

    def of_wood(humidity: Floats) -> Floats:
        percent = wood.equilibrium_moisture(
            temperature_c=_SORPTION_C, humidity_percent=100.0 * humidity
        )
        return layer.density_kg_m3 * percent / 100.0

    return Material(
        name=layer.name,
        conductivity_w_m_k=layer.conductivity_w_m_k,
        heat_capacity_j_m3_k=layer.density_kg_m3 * layer.heat_capacity_j_kg_k,
        moisture=of_wood if layer.wood else lambda humidity: full * humidity,
        permeability=lambda water: np.full_like(water, AIR_PERMEABILITY_KG_M_S_PA / factor),
    )


def _counts(assembly: Assembly, cells: int) -> list[int]:
    """Cells of each layer: one, and the others one by one to whichever layer is coarsest.

    Coarse is a layer by its share in the resistance to heat and in the wood.
    """
    if cells < len(assembly.layers):
        raise ValueError(
            f"{assembly.code} has {len(assembly.layers)} layers, more than {cells} cells"
        )
    heat = np.array([layer.resistance_m2_k_w for layer in assembly.layers])
    solid = np.array([layer.wood * layer.thickness_m for layer in assembly.layers])
    weight = heat / heat.sum() + solid / max(float(solid.sum()), 1e-9)
    counts = np.ones(len(assembly.layers), dtype=int)
    for _ in range(cells - len(counts)):
        counts[np.argmax(weight / counts**2)] += 1
    return [int(count) for count in counts]
