"""RVs and their weather, truth known: a physical simulation that demonstration and tuning live on.

Nothing of the monitor is used here, so what the monitor finds it has found by itself. Each zone
is a cavity and the wood around it::

    outside air --- gaps, skin -+- cavity air -+- lining, gaps --- cabin air --- air exchange
    skin film (dew, frost) -----+     |  |                         |-- window film, furnishings
                 wood of the zone ----+  | link                people, cooking, showers
                 surface - deep          |
    outside, cabin air --- gaps ---- air at the spot
                 wood of the spot -------+
                 surface - deep
    rain on that side, pipes -> pool -> wood of the spot
                                  `---> pool of the zone below

The probe sits in the cavity air, or nearer to the spot. Wood holds water by the later Wood
Handbook isotherm, with hysteresis and with a deep layer that lags; air follows within a step and
is solved implicitly, so that steps of ten minutes and of half an hour agree. Temperatures come
from sun, cloud, night sky, wind and cabin. Every gram is accounted for: see `World.balance`.
Coefficients without a source beside them are our choice (see `demo.plans`).

All units of all sites are columns of the same arrays: a hundred cost little more than one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp

import numpy as np
from numpy.typing import NDArray

from demo.plans import BUILDS, Leak, Repair, SitePlan, UnitPlan
from demo.probes import Instant, Probes, Samples
from demo.weather import (
    DAY_S,
    STEP_S,
    YEAR_DAYS,
    Array,
    Climate,
    Weather,
    WeatherDay,
    saturation_pa,
)

GAS_J_KG_K = 461.5  # water vapour
AREA_M2 = 1.0  # wood that one probe stands for
WOOD_FULL = 0.9  # kg/kg; ply takes no more water
EVENT_MM = 3.0  # rain on the face that makes one leak event of the stated size
SEAM_MM = 0.3  # what a seam holds before it lets any through
FURNISHINGS_KG = 90.0  # ply, paper and cloth in a cabin, as wood
FURNISHINGS_KG_S_PA = 6.0e-8
TO_WOOD_KG_S_PA = 2.0e-9  # through the first millimetre of ply: delta 2e-10 / (mu 100 x 1 mm)
LINK_KG_S_PA = 6.0e-9  # still air between the spot and the rest of the zone
SKIN_KG_S_PA = 6.0e-9  # still air against a cold skin
FILM_KG = 0.04  # hangs on 1 m2 of skin; more runs down
WINDOWS_KG_S_PA = 1.2e-7  # 5 m2 of glazing and frames
WINDOW_SHARE = 0.30  # temperature factor of single glazing, between 0.25 and 0.36
WINDOW_KG = 0.5
SPREADS_S = 40.0 * DAY_S  # a wet spot and the wood beside it come together, at 20 °C
BRANCH_WIDTH = 0.015  # kg/kg from one branch to the other
SOAKS_S = 2.0 * 3600.0  # liquid is in the ply within hours
DRAINS_S = 8.0 * 3600.0  # or has found its way out
SEAM_DRIES_S = 5.0 * 3600.0
DRIED = 0.10  # kg/kg in wood that was replaced, or dried before the wall was closed
MOVED_NEARNESS = 0.7  # of a probe that was put where the water had been

_AZIMUTH_DEG = {"front": 0.0, "door": 90.0, "rear": 180.0, "off": -90.0}
_FREEZING_PA = 611.2  # saturation at 0 °C


@dataclass(frozen=True, slots=True)
class Balance:
    """Water of the whole world since it began, in kg."""

    at_first_kg: float
    entered_kg: float
    left_kg: float
    stored_kg: float


@dataclass(slots=True, eq=False)
class _Layout:
    """Plans as arrays, one value a zone (Z) or a unit (U)."""

    unit: NDArray[np.intp]
    north: Array  # of a wall's outward normal; 0 for roofs and floors
    east: Array
    is_roof: Array
    is_wall: Array
    shares: Array  # (2, Z): spot, rest
    surface_kg: Array  # (2, Z)
    deep_kg: Array  # (2, Z)
    spread_kg: Array  # between spot and rest
    to_cabin: Array  # from the cavity
    to_outside: Array
    spot_to_cavity: Array  # from the spot's wood, its air eliminated
    spot_to_cabin: Array
    spot_to_outside: Array
    spot_to_all: Array
    rest_to_cavity: Array
    bay: Array  # (4, Z) shares of wood, cavity, cabin, outside in the pressure of the spot's air
    hysteresis: Array
    deep_s: Array
    cabin_share: Array
    blend: Array  # share of the way to its target that a zone's temperature goes in a step
    cavity_m3: Array
    absorptance: Array
    below: NDArray[np.intp]  # zone that gets what runs off; itself where there is none
    drain_share: Array
    volume_m3: Array  # (U,)
    air_changes_h: Array  # (U,)
    exposure: Array  # (U,)
    hall_c: Array  # (U,) -inf in the open


@dataclass(slots=True, eq=False)
class _State:
    """Water [kg] and temperatures that carry over from step to step."""

    surface: Array  # (2, Z) kg/kg
    deep: Array  # (2, Z) kg/kg
    branch: Array  # (2, Z) -1 on the wetting, +1 on the drying branch of the isotherm
    cavity_kg: Array
    film_kg: Array
    pool_kg: Array
    seam_mm: Array
    cabin_kg: Array  # (U,)
    window_kg: Array  # (U,)
    furnishings: Array  # (U,) kg/kg
    zone_c: Array
    cabin_c: Array  # (U,)
    nearness: Array  # of the probe to the spot
    tank_kg: Array  # (U,) what dryers took out since they were emptied


@dataclass(slots=True, eq=False)
class _Day:
    """All that does not depend on moisture, for one UTC day of steps."""

    number: int  # of the day
    weather: WeatherDay  # by site
    outside_pa: Array  # (steps, U), where each unit is
    zone_c: Array  # (steps, Z)
    cabin_c: Array  # (steps, U)
    zone_sat_pa: Array
    skin_sat_pa: Array
    power: Array  # of the isotherm
    scale: Array
    activity: Array  # how fast wood conducts water, 1 at 20 °C
    furnishing_power: Array
    furnishing_scale: Array
    cabin_sat_pa: Array
    window_sat_pa: Array
    leaked_kg: Array  # (steps, Z) from seams and pipes
    people_kg: Array  # (steps, U) vapour
    air_changes_h: Array  # (steps, U)


@dataclass(frozen=True, slots=True, eq=False)
class _Use:
    """Who is in each unit and where it stands: (steps, U)."""

    people: Array
    air_changes_h: Array
    site: NDArray[np.intp]


@dataclass(slots=True)
class _Ledger:
    first_kg: float = 0.0
    entered_kg: float = 0.0
    left_kg: float = 0.0


def isotherm(temperature_c: Array) -> tuple[Array, Array]:
    """Power b and scale a so that wood of moisture u [kg/kg] holds air at h = 1 - exp(-(u^b) a).

    Wood Handbook FPL-GTR-282, eq. 4-6 and 4-7: u = [A T (1 - T/Tc)^B ln(1 - h)]^(C T^D).
    """
    kelvin = temperature_c + 273.15
    power = 1.0 / (0.0577 * kelvin**0.430)
    return power, 1.0 / (0.000612 * kelvin * (1.0 - kelvin / 647.1) ** 2.43)


def wood_at(*, temperature_c: Array, humidity: Array) -> Array:
    """Moisture [kg/kg] of wood in air of relative humidity 0..1, between the two branches."""
    power, scale = isotherm(temperature_c)
    moisture: Array = (-np.log1p(-humidity) / scale) ** (1.0 / power)
    return moisture


class World:
    """Units and their weather from `start_s` on; the same seed and plans give the same bits.

    `run` may be called again and again: it continues where it stopped. `step_s` is a multiple of
    600 s; in half-hour steps daily means of humidity are 0.1 point rms from those in ten-minute
    steps, of wood 0.05 % rms; single days after a large leak a few points at the spot.
    """

    def __init__(
        self,
        *,
        seed: int,
        units: Sequence[UnitPlan],
        start_s: int,
        sample_s: int = 1200,
        step_s: int = STEP_S,
        sites: Sequence[SitePlan] = (SitePlan(),),
        spin_up_days: int = 30,
    ) -> None:
        if step_s % STEP_S or sample_s % step_s or start_s % sample_s or DAY_S % sample_s:
            raise ValueError(
                f"start_s {start_s} and sample_s {sample_s} must be whole steps of {step_s} s"
            )
        self.units = tuple(units)
        self.truth: tuple[Leak, ...] = tuple(leak for unit in units for leak in unit.leaks)
        zones = [(unit.code, zone.code) for unit in units for zone in unit.zones]
        self.probes: tuple[tuple[str, str], ...] = (
            *zones,
            *((unit.code, "air-main") for unit in units),
            *(("", "outside") for _ in sites),
        )
        self._step_s = step_s
        self._start_s = start_s
        self._sample_s = sample_s
        self._weather = Weather(seed=seed, climates=[site.climate for site in sites])
        self._measured = Probes(
            seed=seed,
            units=units,
            sites=sites,
            names=self.probes,
            sample_s=sample_s,
            start_s=start_s,
        )
        self._layout = _layout(self.units, step_s)
        self._rain_leaks, self._pipe_leaks = (
            [
                (self.probes.index((unit.code, leak.zone)), leak, _seals(unit, leak))
                for unit in units
                for leak in unit.leaks
                if leak.kind == kind
            ]
            for kind in ("rain", "plumbing")
        )
        self._repairs = sorted(
            (repair for unit in units for repair in unit.repairs), key=lambda repair: repair.at_s
        )
        self._now_s = start_s - start_s % DAY_S - spin_up_days * DAY_S
        self._day: _Day | None = None
        self._state = self._settled([site.climate for site in sites])
        self._ledger = _Ledger(first_kg=self._stored_kg())
        self._rain_mm = np.zeros(len(sites))
        self._advance(start_s, keep=[])
        self._rain_mm = np.zeros(len(sites))
        self._soak_at_start()

    def run(self, until_s: int) -> Samples:
        """Go on to `until_s`; the samples after the last call's, up to and including it."""
        kept: list[Instant] = []
        self._advance(until_s, keep=kept)
        return self._measured.measure(kept)

    @property
    def now_s(self) -> int:
        """How far the world has come."""
        return self._now_s

    def balance(self) -> Balance:
        """Water that was there, entered, left and is there, in kg."""
        ledger = self._ledger
        return Balance(
            at_first_kg=ledger.first_kg,
            entered_kg=ledger.entered_kg,
            left_kg=ledger.left_kg,
            stored_kg=self._stored_kg(),
        )

    # Start ----------------------------------------------------------------------------------

    def _settled(self, climates: Sequence[Climate]) -> _State:
        layout = self._layout
        zones, units = layout.unit.size, layout.volume_m3.size
        warm = -np.cos(2.0 * np.pi * ((self._now_s / DAY_S % YEAR_DAYS) - 20) / YEAR_DAYS)
        sites = [unit.site for unit in self.units]
        air_c = np.array([one.mean_c + one.summer_winter_c * warm for one in climates])[sites]
        air_c = np.maximum(air_c, layout.hall_c)
        drier_k = [1.3 * one.depression_k + 2.5 for one in climates]
        vapour_pa = saturation_pa(air_c - np.array(drier_k)[sites])
        moisture = wood_at(temperature_c=air_c, humidity=vapour_pa / saturation_pa(air_c))
        per_m3_kg = vapour_pa / (GAS_J_KG_K * (air_c + 273.15))
        in_zones = np.repeat(moisture[None, layout.unit], 2, axis=0)
        return _State(
            surface=in_zones,
            deep=in_zones.copy(),
            branch=np.zeros((2, zones)),
            cavity_kg=per_m3_kg[layout.unit] * layout.cavity_m3,
            film_kg=np.zeros(zones),
            pool_kg=np.zeros(zones),
            seam_mm=np.zeros(zones),
            cabin_kg=per_m3_kg * layout.volume_m3,
            window_kg=np.zeros(units),
            furnishings=moisture,
            zone_c=air_c[layout.unit],
            cabin_c=air_c,
            nearness=np.array([zone.nearness for unit in self.units for zone in unit.zones]),
            tank_kg=np.zeros(units),
        )

    def _soak_at_start(self) -> None:
        """Give zones with built-in moisture theirs; it counts as water that entered."""
        before_kg = self._stored_kg()
        plans = [zone for unit in self.units for zone in unit.zones]
        for index, plan in enumerate(plans):
            if plan.start_moisture is not None:
                self._state.surface[:, index] = plan.start_moisture
                self._state.deep[:, index] = plan.start_moisture
        self._ledger.entered_kg += self._stored_kg() - before_kg

    def _stored_kg(self) -> float:
        state, layout = self._state, self._layout
        wood = (state.surface * layout.surface_kg + state.deep * layout.deep_kg).sum()
        air = state.cavity_kg.sum() + state.cabin_kg.sum()
        liquid = state.film_kg.sum() + state.pool_kg.sum() + state.window_kg.sum()
        return float(wood + air + liquid + FURNISHINGS_KG * state.furnishings.sum())

    # Time -----------------------------------------------------------------------------------

    def _advance(self, until_s: int, *, keep: list[Instant]) -> None:
        while self._now_s + self._step_s <= until_s:
            step = self._now_s % DAY_S // self._step_s
            if step == 0 or self._day is None:
                self._day = self._forcing(self._now_s // DAY_S)
            while self._repairs and self._repairs[0].at_s <= self._now_s:
                self._repair(self._repairs.pop(0))
            self._step(self._day, step)
            self._now_s += self._step_s
            self._rain_mm = self._rain_mm + self._day.weather.rain_mm[step]
            if self._now_s % self._sample_s == 0 and self._now_s > self._start_s:
                keep.append(self._instant(self._day, step))

    def _repair(self, repair: Repair) -> None:
        """Wood that is replaced or dried; the seam itself is part of `_opened`."""
        state, column = self._state, self.probes.index((repair.unit, repair.zone))
        if "opened and dried" in repair.protocols:
            before_kg = self._stored_kg()
            state.surface[:, column] = np.minimum(state.surface[:, column], DRIED)
            state.deep[:, column] = np.minimum(state.deep[:, column], DRIED)
            state.film_kg[column] = state.pool_kg[column] = 0.0
            self._ledger.left_kg += before_kg - self._stored_kg()
        if "sensor moved" in repair.protocols:
            state.nearness[column] = MOVED_NEARNESS

    def _forcing(self, number: int) -> _Day:
        step_s, layout, state = self._step_s, self._layout, self._state
        weather = self._weather.day(number, step_s=step_s)
        times_s = number * DAY_S + step_s * np.arange(DAY_S // step_s)
        use = _use(self.units, layout.air_changes_h, times_s)
        around = _around(weather, use.site)
        air_c = np.maximum(around.temperature_c, layout.hall_c)
        skin_c = _sol_air(layout, around, air_c)
        cabin_c = _cabin_temperature(
            layout, around, air_c, skin_c, use.people, state.cabin_c, step_s
        )
        inside_c = cabin_c[:, layout.unit]
        target_c = skin_c + layout.cabin_share * (inside_c - skin_c)
        zone_c = np.empty_like(target_c)
        now_c = state.zone_c
        for step in range(times_s.size):
            now_c = now_c + layout.blend * (target_c[step] - now_c)
            zone_c[step] = now_c
        state.zone_c, state.cabin_c = now_c, cabin_c[-1]

        power, scale = isotherm(zone_c)
        furnishing_power, furnishing_scale = isotherm(cabin_c)
        # Windows are opened when it is warm in an occupied unit.
        warm = np.clip((cabin_c - 22.0) / 4.0, 0.0, 1.0) * (use.people > 0.0)
        return _Day(
            number=number,
            weather=weather,
            outside_pa=around.vapour_pa,
            zone_c=zone_c,
            cabin_c=cabin_c,
            zone_sat_pa=saturation_pa(zone_c),
            skin_sat_pa=saturation_pa(0.15 * inside_c + 0.85 * skin_c),
            power=power,
            scale=scale,
            activity=np.exp(0.045 * (zone_c - 20.0)),
            furnishing_power=furnishing_power,
            furnishing_scale=furnishing_scale,
            cabin_sat_pa=saturation_pa(cabin_c),
            window_sat_pa=saturation_pa(air_c + WINDOW_SHARE * (cabin_c - air_c)),
            leaked_kg=self._leaked(around, use, times_s),
            people_kg=_people_vapour(use.people, times_s, step_s),
            air_changes_h=use.air_changes_h + 3.0 * warm,
        )

    def _leaked(self, around: WeatherDay, use: _Use, times_s: NDArray[np.int64]) -> Array:
        """Water through seams and from pipes [kg], (steps, Z)."""
        state, layout, step_s = self._state, self._layout, self._step_s
        face_mm = _face_rain(self.units, layout, around, times_s, step_s)
        leaked_kg = np.zeros_like(face_mm)
        dries = np.exp(-step_s / SEAM_DRIES_S)
        if not face_mm.any():
            state.seam_mm = state.seam_mm * dries**times_s.size
        else:
            through = np.empty(face_mm.shape, dtype=bool)
            for step in range(times_s.size):
                state.seam_mm = (state.seam_mm + face_mm[step]) * dries
                through[step] = state.seam_mm > SEAM_MM
            for column, leak, seals in self._rain_leaks:
                per_mm_kg = leak.ml_per_event * 1e-3 / EVENT_MM
                leaked_kg[:, column] += (
                    _opened(leak, seals, times_s)
                    * per_mm_kg
                    * face_mm[:, column]
                    * through[:, column]
                )
        for column, leak, seals in self._pipe_leaks:
            unit = layout.unit[column]
            pressed = self.units[unit].water_on | (use.people[:, unit] > 0.0)
            per_step_kg = leak.ml_per_event * 1e-3 * step_s / DAY_S
            leaked_kg[:, column] += _opened(leak, seals, times_s) * per_step_kg * pressed
        return leaked_kg

    def _step(self, day: _Day, step: int) -> None:
        """One step of all water; every flux leaves one store and enters another."""
        state, layout, ledger, step_s = self._state, self._layout, self._ledger, self._step_s
        outside_pa = day.outside_pa[step]

        # The cabin: air exchange, people, furnishings, windows.
        cabin_c, sat_pa = day.cabin_c[step], day.cabin_sat_pa[step]
        capacity = layout.volume_m3 / (GAS_J_KG_K * (cabin_c + 273.15))  # kg/Pa
        exchange = capacity * day.air_changes_h[step] / 3600.0
        held, slope = _humidity_over_wood(
            state.furnishings, day.furnishing_power[step], day.furnishing_scale[step]
        )
        buffer = FURNISHINGS_KG_S_PA / (
            1.0 + step_s * FURNISHINGS_KG_S_PA * sat_pa * slope / FURNISHINGS_KG
        )
        stiffness = capacity / step_s + exchange + buffer
        fixed = (
            (state.cabin_kg + day.people_kg[step]) / step_s
            + exchange * outside_pa
            + buffer * sat_pa * held
        )
        dries, set_pa = self._drying(day, step, sat_pa, capacity)
        if dries is not None:
            stiffness, fixed = stiffness + dries, fixed + dries * set_pa
        cabin_pa, from_window, dew = _with_film(
            stiffness,
            fixed,
            full_pa=sat_pa,
            film_sat_pa=day.window_sat_pa[step],
            film_kg_s_pa=WINDOWS_KG_S_PA,
            film_kg=state.window_kg,
            step_s=step_s,
        )
        to_furnishings = step_s * buffer * (cabin_pa - sat_pa * held)
        out_of_cabin = step_s * exchange * (cabin_pa - outside_pa)
        state.furnishings = state.furnishings + to_furnishings / FURNISHINGS_KG
        window_kg = state.window_kg - from_window + dew
        running = np.maximum(window_kg - WINDOW_KG, 0.0)  # wiped, or down the drain
        state.window_kg = window_kg - running

        dried_kg = (
            np.zeros_like(cabin_pa) if dries is None else step_s * dries * (cabin_pa - set_pa)
        )
        state.tank_kg = state.tank_kg + dried_kg
        to_zones, left_zones_kg = self._step_air(day, step, cabin_pa)
        state.cabin_kg = (
            state.cabin_kg
            + day.people_kg[step]
            + from_window
            - dew
            - to_furnishings
            - out_of_cabin
            - dried_kg
            - np.bincount(layout.unit, to_zones, minlength=layout.volume_m3.size)
        )
        ledger.entered_kg += float(day.people_kg[step].sum())
        ledger.left_kg += float(out_of_cabin.sum() + running.sum() + dried_kg.sum()) + left_zones_kg

    def _drying(
        self, day: _Day, step: int, sat_pa: Array, capacity: Array
    ) -> tuple[Array | None, Array]:
        """What dryers take out [kg/(s Pa)] above the vapour [Pa] they are set to; None: there is none."""
        set_pa = np.zeros_like(sat_pa)
        if not any(unit.dryers for unit in self.units):
            return None, set_pa
        dries = np.zeros_like(sat_pa)
        now_s = day.number * DAY_S + step * self._step_s
        cabin_pa = self._state.cabin_kg / capacity
        for place, unit in enumerate(self.units):
            for dryer in unit.dryers:
                if now_s == dryer.from_s:
                    self._state.tank_kg[place] = 0.0  # put there, or emptied
                if not dryer.from_s <= now_s < dryer.to_s:
                    continue
                full = dryer.tank_g is not None and self._state.tank_kg[place] * 1e3 >= dryer.tank_g
                set_pa[place] = dryer.set_percent / 100.0 * sat_pa[place]
                if full or cabin_pa[place] <= set_pa[place]:
                    continue
                celsius = day.cabin_c[step][place]
                able = (
                    np.clip((celsius - 5.0) / 15.0, 0.0, 1.0) if dryer.kind == "compressor" else 1.0
                )
                # at 20 °C: ten points above are 234 Pa
                dries[place] = able * dryer.grams_h * 1e-3 / 3600.0 / 234.0
        return dries, set_pa

    def _step_air(self, day: _Day, step: int, cabin_pa: Array) -> tuple[Array, float]:
        """Vapour of cavities and wood; gives what each zone took from the cabin, and what left.

        The wood of the spot gives to cavity, cabin and outside at once; its pressure at the end
        of the step is wood_pa + give (sum of conductance x pressure - total x wood_pa).
        """
        state, layout, step_s = self._state, self._layout, self._step_s
        outside_pa, inside_pa = day.outside_pa[step][layout.unit], cabin_pa[layout.unit]
        sat_pa = day.zone_sat_pa[step]
        seen = state.surface / (1.0 + layout.hysteresis * state.branch)
        held, slope = _humidity_over_wood(seen, day.power[step], day.scale[step])
        wood_pa = sat_pa * held
        stiff = step_s * sat_pa * slope / layout.surface_kg  # Pa a kg/s
        near, total = layout.spot_to_cavity, layout.spot_to_all
        give = stiff[0] / (1.0 + total * stiff[0])
        elsewhere = layout.spot_to_cabin * inside_pa + layout.spot_to_outside * outside_pa
        rest = layout.rest_to_cavity / (1.0 + layout.rest_to_cavity * stiff[1])
        spot = near * (1.0 - give * near)
        spot_fixed = near * (wood_pa[0] + give * (elsewhere - total * wood_pa[0]))

        capacity = layout.cavity_m3 / (GAS_J_KG_K * (day.zone_c[step] + 273.15))
        stiffness = capacity / step_s + layout.to_cabin + layout.to_outside + rest + spot
        fixed = (
            state.cavity_kg / step_s
            + layout.to_cabin * inside_pa
            + layout.to_outside * outside_pa
            + rest * wood_pa[1]
            + spot_fixed
        )
        cavity_pa, from_film, dew = _with_film(
            stiffness,
            fixed,
            full_pa=sat_pa,
            film_sat_pa=day.skin_sat_pa[step],
            film_kg_s_pa=SKIN_KG_S_PA,
            film_kg=state.film_kg,
            step_s=step_s,
        )
        spot_pa = wood_pa[0] + give * (near * cavity_pa + elsewhere - total * wood_pa[0])
        to_spot = step_s * near * (cavity_pa - spot_pa)
        to_rest = step_s * rest * (cavity_pa - wood_pa[1])
        cabin_to_spot = step_s * layout.spot_to_cabin * (inside_pa - spot_pa)
        outside_to_spot = step_s * layout.spot_to_outside * (outside_pa - spot_pa)
        from_cabin = step_s * layout.to_cabin * (inside_pa - cavity_pa)
        from_outside = step_s * layout.to_outside * (outside_pa - cavity_pa)
        state.cavity_kg = (
            state.cavity_kg + from_cabin + from_outside + from_film - dew - to_spot - to_rest
        )
        absorbed = dew * layout.shares  # dew in the cavity settles on all its wood
        absorbed[0] += to_spot + cabin_to_spot + outside_to_spot
        absorbed[1] += to_rest
        drained_kg = self._step_water(day, step, absorbed, from_film)
        left_kg = drained_kg - float(from_outside.sum() + outside_to_spot.sum())
        return from_cabin + cabin_to_spot, left_kg

    def _step_water(self, day: _Day, step: int, absorbed: Array, from_film: Array) -> float:
        """Films, pools and wood, which has `absorbed` vapour; gives what ran out of all zones."""
        state, layout, step_s = self._state, self._layout, self._step_s
        soaks, drains = 1.0 - exp(-step_s / SOAKS_S), 1.0 - exp(-step_s / DRAINS_S)
        film = state.film_kg - from_film
        thawed = day.skin_sat_pa[step] > _FREEZING_PA  # frost stays where it grew
        dripping = np.maximum(film - FILM_KG, 0.0) * thawed
        state.film_kg = film - dripping
        leaked = day.leaked_kg[step]
        pool = state.pool_kg + dripping + leaked
        flows = day.zone_c[step] > 0.0  # ice does not
        room = np.maximum(WOOD_FULL - state.surface[0], 0.0) * layout.surface_kg[0]
        soaking = np.minimum(pool * soaks, room) * flows
        draining = (pool - soaking) * drains * flows
        passed = draining * layout.drain_share
        state.pool_kg = (
            pool - soaking - draining + np.bincount(layout.below, passed, minlength=pool.size)
        )

        activity = day.activity[step]
        deeper = layout.deep_kg * (step_s / layout.deep_s) * activity
        wicked = deeper * (state.surface - state.deep)
        spreading = layout.spread_kg * (step_s / SPREADS_S) * activity
        spread = spreading * (state.surface[0] - state.surface[1])
        gained = absorbed - wicked
        gained[0] += soaking - spread
        gained[1] += spread
        change = gained / layout.surface_kg
        state.surface = state.surface + change
        state.deep = state.deep + wicked / layout.deep_kg
        branch = state.branch - change * (2.0 / BRANCH_WIDTH)
        state.branch = np.minimum(np.maximum(branch, -1.0), 1.0)  # faster than clip on few zones
        self._ledger.entered_kg += float(leaked.sum())
        return float(draining.sum() - passed.sum())

    def _instant(self, day: _Day, step: int) -> Instant:
        state, layout, weather = self._state, self._layout, day.weather
        cabin_pa = state.cabin_kg * GAS_J_KG_K * (day.cabin_c[step] + 273.15) / layout.volume_m3
        cavity_pa = state.cavity_kg * GAS_J_KG_K * (day.zone_c[step] + 273.15) / layout.cavity_m3
        sat_pa = day.zone_sat_pa[step]
        seen = state.surface[0] / (1.0 + layout.hysteresis * state.branch[0])
        held, _ = _humidity_over_wood(seen, day.power[step], day.scale[step])
        wood, cavity, cabin, outside = layout.bay
        spot_pa = (
            wood * held * sat_pa
            + cavity * cavity_pa
            + cabin * cabin_pa[layout.unit]
            + outside * day.outside_pa[step][layout.unit]
        )
        spot_pa = np.minimum(spot_pa, sat_pa)  # the wood there takes what is above
        probe_pa = cavity_pa + state.nearness * (spot_pa - cavity_pa)
        outside_c = weather.temperature_c[step]
        humidity = np.concatenate(
            [
                probe_pa / sat_pa,
                cabin_pa / day.cabin_sat_pa[step],
                weather.vapour_pa[step] / saturation_pa(outside_c),
            ]
        )
        rain_mm, self._rain_mm = self._rain_mm, np.zeros_like(self._rain_mm)
        return Instant(
            at_s=self._now_s,
            temperature_c=np.concatenate([day.zone_c[step], day.cabin_c[step], outside_c]),
            humidity_percent=100.0 * humidity,
            rain_mm=rain_mm,
            wood_percent=100.0 * (state.surface * layout.shares).sum(axis=0),
            spot_percent=100.0 * state.surface[0],
        )


def _humidity_over_wood(moisture: Array, power: Array, scale: Array) -> tuple[Array, Array]:
    """Humidity 0..1 of air in balance with wood, and its slope over moisture."""
    exponent = moisture**power * scale
    rest = np.exp(-exponent)
    return 1.0 - rest, rest * exponent * power / moisture


def _with_film(
    stiffness: Array,
    fixed: Array,
    *,
    full_pa: Array,
    film_sat_pa: Array,
    film_kg_s_pa: float,
    film_kg: Array,
    step_s: int,
) -> tuple[Array, Array, Array]:
    """Vapour pressure at the end of the step beside a film; vapour the film gave, and dew [kg].

    Implicit; a film cannot give more than it holds, and condenses (negative) without bound. Under
    the sun a wet skin gives more than cold wood takes: what is above `full_pa`, saturation at the
    air's own temperature, is dew.
    """
    free_pa = fixed / stiffness
    given = step_s * film_kg_s_pa * (film_sat_pa - free_pa) * stiffness / (stiffness + film_kg_s_pa)
    given = np.minimum(given, film_kg)
    air_pa = free_pa + given / (step_s * stiffness)
    if not (air_pa > full_pa).any():
        return air_pa, given, np.zeros_like(air_pa)
    held_kg = step_s * film_kg_s_pa * (film_sat_pa - full_pa)  # less than a fuller air's film gave
    given = np.where(air_pa > full_pa, np.minimum(held_kg, film_kg), given)
    dew = np.where(air_pa > full_pa, step_s * (fixed - stiffness * full_pa) + given, 0.0)
    return np.minimum(air_pa, full_pa), given, dew


def _seals(unit: UnitPlan, leak: Leak) -> list[Repair]:
    return [repair for repair in unit.repairs if repair.zone == leak.zone and repair.seals]


def _opened(leak: Leak, seals: Sequence[Repair], times_s: NDArray[np.int64]) -> Array:
    """Share of its full size that a leak has."""
    age_s = (times_s - leak.onset_s) * 1.0
    grows_s = leak.growth_days * DAY_S
    opened: Array = np.clip(age_s / max(grows_s, 1.0), 0.0, 1.0)  # a second is at once
    for repair in seals:
        ends_s = np.inf if repair.resumes_s is None else repair.resumes_s
        sealed = (times_s >= repair.at_s) & (times_s < ends_s)
        opened = np.where(sealed, repair.remaining * opened, opened)
    return opened


def _layout(units: Sequence[UnitPlan], step_s: int) -> _Layout:
    pairs = [(index, unit, zone) for index, unit in enumerate(units) for zone in unit.zones]
    builds = [BUILDS[zone.build] for _, _, zone in pairs]

    def build(name: str) -> Array:
        return np.array([getattr(one, name) for one in builds]) * 1.0

    def plan(name: str) -> Array:
        return np.array([getattr(zone, name) for _, _, zone in pairs]) * 1.0

    def unit_plan(name: str) -> Array:
        return np.array([getattr(unit, name) for unit in units]) * 1.0

    sides = [zone.side for _, _, zone in pairs]
    is_wall = np.array([side in _AZIMUTH_DEG for side in sides]) * 1.0
    azimuth_rad = np.deg2rad(
        [unit.heading_deg + _AZIMUTH_DEG.get(zone.side, 0.0) for _, unit, zone in pairs]
    )
    spot = plan("spot_share")
    shares = np.vstack([spot, 1.0 - spot])
    surface_kg = AREA_M2 * shares * plan("wood") * build("surface_kg")
    to_cabin = AREA_M2 * plan("openness") * build("to_cabin_kg_s_pa")
    to_outside = AREA_M2 * plan("openness") * build("to_outside_kg_s_pa")
    # The air at the spot has no volume: its node is taken out of the network (star to mesh).
    meets = np.vstack(
        [
            TO_WOOD_KG_S_PA * AREA_M2 * spot,
            LINK_KG_S_PA * plan("link"),
            spot * to_cabin,
            spot * to_outside,
        ]
    )
    bay = meets / meets.sum(axis=0)
    below = _below(units)
    return _Layout(
        unit=np.array([index for index, _, _ in pairs], dtype=np.intp),
        north=is_wall * np.cos(azimuth_rad),
        east=is_wall * np.sin(azimuth_rad),
        is_roof=np.array([side == "roof" for side in sides]) * 1.0,
        is_wall=is_wall,
        shares=shares,
        surface_kg=surface_kg,
        deep_kg=AREA_M2 * shares * plan("wood") * build("deep_kg"),
        spread_kg=surface_kg[0] * surface_kg[1] / surface_kg.sum(axis=0),
        to_cabin=(1.0 - spot) * to_cabin + bay[1] * meets[2],
        to_outside=(1.0 - spot) * to_outside + bay[1] * meets[3],
        spot_to_cavity=bay[0] * meets[1],
        spot_to_cabin=bay[0] * meets[2],
        spot_to_outside=bay[0] * meets[3],
        spot_to_all=bay[0] * meets[1:].sum(axis=0),
        rest_to_cavity=TO_WOOD_KG_S_PA * AREA_M2 * shares[1],
        bay=bay,
        hysteresis=plan("hysteresis"),
        deep_s=plan("deep_days") * DAY_S,
        cabin_share=build("cabin_share") + plan("cabin_share_more"),
        blend=1.0 - np.exp(-step_s / (plan("lag") * build("lag_s"))),
        cavity_m3=build("cavity_m3"),
        absorptance=build("absorptance"),
        below=below,
        drain_share=np.where(below == np.arange(len(pairs)), 0.0, plan("drain_share")),
        volume_m3=unit_plan("volume_m3"),
        air_changes_h=unit_plan("air_changes_h"),
        exposure=unit_plan("exposure"),
        hall_c=np.array([-np.inf if unit.hall_c is None else unit.hall_c for unit in units]),
    )


def _below(units: Sequence[UnitPlan]) -> NDArray[np.intp]:
    """Index of the zone that each zone drains to, its own where there is none."""
    places = [(unit.code, zone.code) for unit in units for zone in unit.zones]
    index = {place: column for column, place in enumerate(places)}
    below = [index[unit.code, zone.drains_to or zone.code] for unit in units for zone in unit.zones]
    return np.array(below, dtype=np.intp)


def _around(weather: WeatherDay, site: NDArray[np.intp]) -> WeatherDay:
    """The weather where each unit stands, (steps, U)."""
    fields = {name: getattr(weather, name) for name in weather.__dataclass_fields__}
    if (site == site[0]).all():  # nobody comes or goes today
        return replace(weather, **{name: field[:, site[0]] for name, field in fields.items()})
    return replace(
        weather, **{name: np.take_along_axis(field, site, 1) for name, field in fields.items()}
    )


def _sol_air(layout: _Layout, around: WeatherDay, air_c: Array) -> Array:
    """Temperature of the skin with sun, night sky and wind: °C, (steps, Z)."""
    unit, sky = layout.unit, layout.is_roof + 0.3 * layout.is_wall
    direct = (
        np.maximum(
            around.beam_north_w_m2[:, unit] * layout.north
            + around.beam_east_w_m2[:, unit] * layout.east,
            0.0,
        )
        + around.beam_up_w_m2[:, unit] * layout.is_roof
    )
    diffuse = around.diffuse_w_m2[:, unit] * (0.5 * layout.is_wall + layout.is_roof)
    # A clear sky takes 100 W/m2 from a level plane (common practice), about a third from a wall.
    lost = (100.0 * (1.0 - 0.85 * around.cloud))[:, unit] * sky
    # 4 + 4 v by wind and 5 by radiation (ISO 6946); among its neighbours a unit has half the wind.
    film_w_m2_k = 9.0 + 4.0 * 0.5 * around.wind_m_s
    gained = layout.absorptance * (direct + diffuse) - 0.9 * lost
    skin_c: Array = air_c[:, unit] + gained * (layout.exposure / film_w_m2_k)[:, unit]
    return skin_c


def _cabin_temperature(
    layout: _Layout,
    around: WeatherDay,
    air_c: Array,
    skin_c: Array,
    people: Array,
    start_c: Array,
    step_s: int,
) -> Array:
    """Cabin air [°C], (steps, U): follows skins, windows and outside within hours; heated when lived in."""
    units = layout.volume_m3.size
    counts = np.bincount(layout.unit, minlength=units)
    skins = np.array([np.bincount(layout.unit, row, minlength=units) for row in skin_c]) / counts
    upright = np.hypot(around.beam_north_w_m2, around.beam_east_w_m2)
    rays = np.hypot(upright, around.beam_up_w_m2)
    sun = layout.exposure * (0.010 * rays + 0.012 * around.diffuse_w_m2)  # through glass
    target_c = 0.6 * skins + 0.4 * air_c + sun + 1.0 * people
    blend = 1.0 - np.exp(-step_s / (2.5 * 3600.0))
    heats = 1.0 - np.exp(-step_s / 900.0)  # a furnace is strong
    cabin_c = np.empty_like(target_c)
    now_c = start_c
    for step in range(target_c.shape[0]):
        now_c = now_c + blend * (target_c[step] - now_c)
        heated_c = now_c + heats * np.maximum(19.0 - now_c, 0.0)
        now_c = np.where(people[step] > 0.0, heated_c, now_c)
        cabin_c[step] = now_c
    return cabin_c


def _use(units: Sequence[UnitPlan], closed_h: Array, times_s: NDArray[np.int64]) -> _Use:
    people = np.zeros((times_s.size, len(units)))
    air_changes_h = np.repeat(closed_h[None, :], times_s.size, axis=0)
    home = np.array([unit.site for unit in units], dtype=np.intp)
    site = np.repeat(home[None, :], times_s.size, axis=0)
    for index, unit in enumerate(units):
        for stay in unit.stays:
            if stay.from_s > times_s[-1] or stay.to_s <= times_s[0]:
                continue
            there = (times_s >= stay.from_s) & (times_s < stay.to_s)
            people[there, index] = stay.people
            air_changes_h[there, index] = stay.air_changes_h
            if stay.site is not None:
                site[there, index] = stay.site
    return _Use(people=people, air_changes_h=air_changes_h, site=site)


def _people_vapour(people: Array, times_s: NDArray[np.int64], step_s: int) -> Array:
    """Vapour of people, cooking and washing [kg a step]: 60 g/h awake, 35 asleep, and peaks.

    A dinner gives 0.57 kg for four, a shower 0.24 kg (handbook tables of moisture sources).
    """
    hour = times_s % DAY_S / 3600.0
    grams_h = np.where((hour >= 6.0) & (hour < 22.0), 60.0, 35.0)
    grams_h = grams_h + np.where((hour >= 7.0) & (hour < 8.0), 120.0 + 60.0, 0.0)
    grams_h = grams_h + np.where((hour >= 18.0) & (hour < 19.0), 140.0, 0.0)
    return people * (grams_h * 1e-3 * step_s / 3600.0)[:, None]


def _face_rain(
    units: Sequence[UnitPlan],
    layout: _Layout,
    around: WeatherDay,
    times_s: NDArray[np.int64],
    step_s: int,
) -> Array:
    """Water on the face of each zone in a step: mm, (steps, Z).

    Walls take driven rain, halved by neighbours, and run-off; roofs rain and melt, low edges half.
    """
    level_mm = (around.rain_mm + around.melt_mm) * layout.exposure
    face_mm = np.zeros((times_s.size, layout.unit.size))
    if level_mm.any():
        unit = layout.unit
        onto_wall = np.maximum(
            around.driven_north_mm[:, unit] * layout.north
            + around.driven_east_mm[:, unit] * layout.east,
            0.0,
        )
        runs = 0.15 * layout.is_wall + layout.is_roof
        runs = runs + 0.5 * (1.0 - layout.is_wall - layout.is_roof)
        face_mm = 0.5 * onto_wall * layout.exposure[unit] + runs * level_mm[:, unit]
    column = 0
    for plan in units:
        for soaking in plan.soakings:
            if times_s[0] - 3600 < soaking.at_s <= times_s[-1]:
                share = np.clip(times_s + step_s - soaking.at_s, 0, 3600) - np.clip(
                    times_s - soaking.at_s, 0, 3600
                )
                for place, zone in enumerate(plan.zones):
                    if soaking.side in (None, zone.side):
                        face_mm[:, column + place] += soaking.mm * share / 3600.0
        column += len(plan.zones)
    return face_mm
