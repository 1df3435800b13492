"""RVs and their weather, truth known: a physical simulation that the demonstration is fed from.

Nothing of the monitor is used here, so what the monitor finds it has found by itself. Each zone
is a cavity and the wood around it::

    outside air --- gaps, skin -+- cavity air -+- lining, gaps --- cabin air --- air exchange
    skin film (dew, frost) -----+              |                     |-- window film, furnishings
                 wood, spot where a leak would arrive: surface - deep|
                 wood, the rest of the zone:           surface - deep   people, cooking, showers
    rain on that side, pipes -> pool -> spot

The probe sits in the cavity air. Wood holds water by the later Wood Handbook isotherm, with
hysteresis and with a deep layer that lags; air follows within a step and is solved implicitly.
Temperatures come from sun, cloud, night sky, wind and cabin. Every gram is accounted for: see
`World.balance`. Coefficients without a source beside them are our choice, made so that walls
react as those of section tests do: hours at the surface, weeks in depth.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from demo.weather import (
    DAY_S,
    MARINE,
    STEP_S,
    STEPS_PER_DAY,
    Array,
    Climate,
    Weather,
    WeatherDay,
    saturation_pa,
)

Side = Literal["door", "off", "front", "rear", "roof", "under"]
LeakKind = Literal["rain", "plumbing"]
Body = Literal["laminated", "hung"]

GAS_J_KG_K = 461.5  # water vapour
AREA_M2 = 1.0  # wood that one probe stands for
WOOD_FULL = 0.9  # kg/kg; ply takes no more water
EVENT_MM = 3.0  # rain on the face that makes one leak event of the stated size
SEAM_MM = 0.3  # what a seam holds before it lets any through

_AZIMUTH_DEG: dict[Side, float] = {"front": 0.0, "door": 90.0, "rear": 180.0, "off": -90.0}


@dataclass(frozen=True, slots=True)
class Build:
    """How a zone is made; conductances of 1 m2."""

    surface_kg: float  # wood that follows within hours
    deep_kg: float  # wood that follows within days
    to_cabin_kg_s_pa: float
    to_outside_kg_s_pa: float
    cabin_share: float  # 0: at the temperature of the skin, 1: of the cabin
    lag_s: float
    cavity_m3: float
    absorptance: float


# A lining of s_d 2 m passes 1e-10 kg/(m2 s Pa) (delta of air 2e-10, ISO 13788); gaps add to it.
BUILDS: dict[str, Build] = {
    "laminated wall": Build(0.8, 2.0, 2.2e-10, 0.6e-10, 0.45, 3600.0, 0.010, 0.45),
    "hung wall": Build(0.6, 1.4, 3.0e-10, 6.0e-10, 0.35, 1800.0, 0.035, 0.50),
    "roof": Build(0.9, 2.6, 3.0e-10, 0.8e-10, 0.40, 2700.0, 0.030, 0.60),
    "slide-floor": Build(1.5, 7.0, 2.0e-10, 4.0e-10, 0.40, 5400.0, 0.020, 0.0),
    "floor": Build(1.5, 6.0, 2.0e-10, 2.0e-10, 0.55, 7200.0, 0.020, 0.0),
}


@dataclass(frozen=True, slots=True)
class ZonePlan:
    """One watched zone of a unit; `build` is a key of `BUILDS`."""

    code: str
    build: str
    side: Side
    start_moisture: float | None = None  # kg/kg in its wood; None: as the weather left it
    openness: float = 1.0  # times the build's vapour conductances
    cabin_share_more: float = 0.0  # added to the build's share of the cabin's temperature
    spot_share: float = 0.3  # of its wood, where the water of a leak arrives; 0..1, not the ends


@dataclass(frozen=True, slots=True)
class Leak:
    """Water that gets in, and the truth about it.

    `ml_per_event` is what reaches the wood when `EVENT_MM` of rain has met the face; for a pipe,
    per day with people in the unit. Over `growth_days` it grows from nothing to that.
    """

    unit: str
    zone: str
    kind: LeakKind
    onset_s: int
    ml_per_event: float
    growth_days: float = 0.0


@dataclass(frozen=True, slots=True)
class Stay:
    """People living in a unit."""

    from_s: int
    to_s: int
    people: int = 2
    air_changes_h: float = 1.2


@dataclass(frozen=True, slots=True)
class Soaking:
    """A hose test or a wash: water on one side, or on all, for an hour."""

    at_s: int
    side: Side | None
    mm: float


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """One RV, where it stands and what will happen to it."""

    code: str
    zones: tuple[ZonePlan, ...]
    heading_deg: float = 0.0  # where the nose points
    volume_m3: float = 36.0
    air_changes_h: float = 0.25  # closed
    leaks: tuple[Leak, ...] = ()
    stays: tuple[Stay, ...] = ()
    soakings: tuple[Soaking, ...] = ()
    silent_from_s: int | None = None  # its node is dead from then on


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """What the probes gave, and what was true, at `at_s`; nan where a probe gave nothing.

    Columns are those of `World.probes`. `rain_mm` is the gauge's, since the sample before.
    """

    at_s: NDArray[np.int64]
    temperature_c: Array
    humidity_percent: Array
    rain_mm: Array
    delivered_s: NDArray[np.int64]  # per column: when the node's link let the sample through
    true_wood_percent: Array  # surface of the wood, mean over the zone [%]; nan for air
    true_spot_percent: Array  # the same where a leak would arrive


@dataclass(frozen=True, slots=True)
class Balance:
    """Water of the whole world since it began, in kg."""

    at_first_kg: float
    entered_kg: float
    left_kg: float
    stored_kg: float


@dataclass(frozen=True, slots=True)
class Fidelity:
    """How good probes and links are; standard deviations unless said."""

    bias_k: float = 0.1
    noise_k: float = 0.03
    bias_percent: float = 0.9  # cut at twice this: probes are sold as ±2 %
    noise_percent: float = 0.25
    drift_percent_year: float = 0.3
    outages_day: float = 1.0 / 40.0  # chance that a node loses some hours
    late_day: float = 1.0 / 15.0  # chance that a node delivers some hours late


@dataclass(slots=True, eq=False)
class _Layout:
    """Plans as arrays, one value a zone (Z) or a unit (U)."""

    unit: NDArray[np.intp]
    azimuth_rad: Array
    is_roof: Array
    is_wall: Array
    shares: Array  # (2, Z): spot, rest
    surface_kg: Array  # (2, Z)
    deep_kg: Array  # (2, Z)
    to_cabin: Array
    to_outside: Array
    cabin_share: Array
    blend: Array  # share of the way to its target that a zone's temperature goes in a step
    cavity_m3: Array
    absorptance: Array
    volume_m3: Array  # (U,)
    air_changes_h: Array  # (U,)


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


@dataclass(slots=True, eq=False)
class _Day:
    """All that does not depend on moisture, for one UTC day of steps."""

    weather: WeatherDay
    zone_c: Array  # (144, Z)
    cabin_c: Array  # (144, U)
    zone_sat_pa: Array
    skin_sat_pa: Array
    power: Array  # of the isotherm
    scale: Array
    activity: Array  # how fast wood conducts water, 1 at 20 °C
    furnishing_power: Array
    furnishing_scale: Array
    cabin_sat_pa: Array
    window_sat_pa: Array
    face_mm: Array  # rain on the face of each zone, in the step
    drip_kg: Array  # from pipes
    people_kg: Array  # (144, U) vapour
    air_changes_h: Array  # (144, U)


@dataclass(slots=True)
class _Ledger:
    first_kg: float = 0.0
    entered_kg: float = 0.0
    left_kg: float = 0.0


FURNISHINGS_KG = 90.0  # ply, paper and cloth in a cabin, as wood
FURNISHINGS_KG_S_PA = 6.0e-8
TO_WOOD_KG_S_PA = 2.0e-9  # through the first millimetre of ply: delta 2e-10 / (mu 100 x 1 mm)
SKIN_KG_S_PA = 6.0e-9  # still air against a cold skin
WINDOWS_KG_S_PA = 1.2e-7  # 5 m2 of glazing and frames
WINDOW_SHARE = 0.30  # temperature factor of single glazing, between 0.25 and 0.36
DEEP_S = 4.0 * DAY_S  # surface and deep wood come together within days at 20 °C
HYSTERESIS = 0.05  # the drying branch holds this share more, the wetting branch less
BRANCH_WIDTH = 0.015  # kg/kg from one branch to the other


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

    `run` may be called again and again: it continues where it stopped.
    """

    def __init__(
        self,
        *,
        seed: int,
        units: Sequence[UnitPlan],
        start_s: int,
        sample_s: int = 1200,
        climate: Climate = MARINE,
        fidelity: Fidelity | None = None,
        spin_up_days: int = 30,
    ) -> None:
        if sample_s % STEP_S or start_s % sample_s or DAY_S % sample_s:
            raise ValueError(f"start_s {start_s} and sample_s {sample_s} must be whole steps")
        self.units = tuple(units)
        self.truth: tuple[Leak, ...] = tuple(leak for unit in units for leak in unit.leaks)
        zones = [(unit.code, zone.code) for unit in units for zone in unit.zones]
        self.probes: tuple[tuple[str, str], ...] = (
            *zones,
            *((unit.code, "air-main") for unit in units),
            ("", "outside"),
        )
        self._rain_leaks = [
            (self.probes.index((leak.unit, leak.zone)), leak)
            for leak in self.truth
            if leak.kind == "rain"
        ]
        self._seed = seed
        self._start_s = start_s
        self._sample_s = sample_s
        self._fidelity = fidelity or Fidelity()
        self._weather = Weather(seed=seed, climate=climate)
        self._layout = _layout(self.units)
        self._columns = np.concatenate(
            [self._layout.unit, np.arange(len(units)), [len(units)]]
        )  # which node reads each probe; the last is the site's own
        biases = np.random.default_rng((seed, 2)).standard_normal((2, len(self.probes)))
        self._bias_k, self._bias_percent = np.clip(biases, -2.0, 2.0) * np.array(
            [[self._fidelity.bias_k], [self._fidelity.bias_percent]]
        )
        self._now_s = start_s - start_s % DAY_S - spin_up_days * DAY_S
        self._day: _Day | None = None
        self._state = self._settled()
        self._ledger = _Ledger(first_kg=self._stored_kg())
        self._rain_mm = 0.0
        self._advance(start_s, keep=[])
        self._rain_mm = 0.0
        self._soak_at_start()

    def run(self, until_s: int) -> Samples:
        """Go on to `until_s`; the samples after the last call's, up to and including it."""
        kept: list[_Instant] = []
        self._advance(until_s, keep=kept)
        return self._measure(kept)

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

    def _settled(self) -> _State:
        layout = self._layout
        zones, units = layout.unit.size, layout.volume_m3.size
        cold = 0.5 + 0.5 * np.cos(2.0 * np.pi * ((self._now_s / DAY_S % 365.2425) - 20) / 365.2425)
        air_c, humidity = 16.0 - 11.0 * cold, 0.70 + 0.10 * cold
        moisture = float(wood_at(temperature_c=np.array(air_c), humidity=np.array(humidity)))
        vapour_pa = humidity * float(saturation_pa(np.array(air_c)))
        per_m3_kg = vapour_pa / (GAS_J_KG_K * (air_c + 273.15))
        return _State(
            surface=np.full((2, zones), moisture),
            deep=np.full((2, zones), moisture),
            branch=np.zeros((2, zones)),
            cavity_kg=per_m3_kg * layout.cavity_m3,
            film_kg=np.zeros(zones),
            pool_kg=np.zeros(zones),
            seam_mm=np.zeros(zones),
            cabin_kg=per_m3_kg * layout.volume_m3,
            window_kg=np.zeros(units),
            furnishings=np.full(units, moisture),
            zone_c=np.full(zones, air_c),
            cabin_c=np.full(units, air_c),
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

    def _advance(self, until_s: int, *, keep: list["_Instant"]) -> None:
        while self._now_s + STEP_S <= until_s:
            step = self._now_s % DAY_S // STEP_S
            if step == 0 or self._day is None:
                self._day = self._forcing(self._now_s // DAY_S)
            self._step(self._day, step)
            self._now_s += STEP_S
            self._rain_mm += float(self._day.weather.rain_mm[step])
            if self._now_s % self._sample_s == 0 and self._now_s > self._start_s:
                keep.append(self._instant(self._day, step))

    def _forcing(self, number: int) -> _Day:
        weather = self._weather.day(number)
        layout, state = self._layout, self._state
        times_s = number * DAY_S + STEP_S * np.arange(STEPS_PER_DAY)
        people, air_changes_h = _occupancy(self.units, layout.air_changes_h, times_s)
        skin_c = _sol_air(layout, weather)
        cabin_c = _cabin_temperature(layout, weather, skin_c, people, state.cabin_c)
        inside_c = cabin_c[:, layout.unit]
        target_c = layout.cabin_share * inside_c + (1.0 - layout.cabin_share) * skin_c
        zone_c = np.empty_like(target_c)
        now_c = state.zone_c
        for step in range(STEPS_PER_DAY):
            now_c = now_c + layout.blend * (target_c[step] - now_c)
            zone_c[step] = now_c
        state.zone_c, state.cabin_c = now_c, cabin_c[-1]

        outside_c = weather.temperature_c[:, None]
        power, scale = isotherm(zone_c)
        furnishing_power, furnishing_scale = isotherm(cabin_c)
        # Windows are opened when it is warm in an occupied unit.
        warm = np.clip((cabin_c - 22.0) / 4.0, 0.0, 1.0) * (people > 0.0)
        return _Day(
            weather=weather,
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
            window_sat_pa=saturation_pa(outside_c + WINDOW_SHARE * (cabin_c - outside_c)),
            face_mm=_face_rain(self.units, layout, weather, times_s),
            drip_kg=_pipe_drips(self.units, people, times_s),
            people_kg=_people_vapour(people, times_s),
            air_changes_h=air_changes_h + 3.0 * warm,
        )

    def _step(self, day: _Day, step: int) -> None:
        """One step of all water; every flux leaves one store and enters another."""
        state, layout, ledger = self._state, self._layout, self._ledger
        outside_pa = day.weather.vapour_pa[step]

        # The cabin: air exchange, people, furnishings, windows.
        cabin_c, sat_pa = day.cabin_c[step], day.cabin_sat_pa[step]
        capacity = layout.volume_m3 / (GAS_J_KG_K * (cabin_c + 273.15))  # kg/Pa
        exchange = capacity * day.air_changes_h[step] / 3600.0
        held, slope = _humidity_over_wood(
            state.furnishings, day.furnishing_power[step], day.furnishing_scale[step]
        )
        buffer = FURNISHINGS_KG_S_PA / (
            1.0 + STEP_S * FURNISHINGS_KG_S_PA * sat_pa * slope / FURNISHINGS_KG
        )
        stiffness = capacity / STEP_S + exchange + buffer
        fixed = (
            (state.cabin_kg + day.people_kg[step]) / STEP_S
            + exchange * outside_pa
            + buffer * sat_pa * held
        )
        cabin_pa, from_window = _with_film(
            stiffness, fixed, day.window_sat_pa[step], WINDOWS_KG_S_PA, state.window_kg
        )
        to_furnishings = STEP_S * buffer * (cabin_pa - sat_pa * held)
        out_of_cabin = STEP_S * exchange * (cabin_pa - outside_pa)
        state.furnishings = state.furnishings + to_furnishings / FURNISHINGS_KG
        running = np.maximum(state.window_kg - from_window - 0.5, 0.0)  # wiped, or down the drain
        state.window_kg = state.window_kg - from_window - running

        to_cavities, from_zones = self._step_zones(day, step, cabin_pa)
        state.cabin_kg = (
            state.cabin_kg
            + day.people_kg[step]
            + from_window
            - to_furnishings
            - out_of_cabin
            - np.bincount(layout.unit, to_cavities, minlength=layout.volume_m3.size)
        )
        ledger.entered_kg += float(day.people_kg[step].sum())
        ledger.left_kg += float(out_of_cabin.sum() + running.sum()) + from_zones

    def _step_zones(self, day: _Day, step: int, cabin_pa: Array) -> tuple[Array, float]:
        """Cavities and wood; gives vapour taken from the cabin by zone, and water that left."""
        state, layout, ledger = self._state, self._layout, self._ledger
        outside_pa, inside_pa = day.weather.vapour_pa[step], cabin_pa[layout.unit]
        sat_pa, zone_c = day.zone_sat_pa[step], day.zone_c[step]

        seen = state.surface / (1.0 + HYSTERESIS * state.branch)
        held, slope = _humidity_over_wood(seen, day.power[step], day.scale[step])
        film_share = TO_WOOD_KG_S_PA * AREA_M2 * layout.shares
        to_wood = film_share / (1.0 + STEP_S * film_share * sat_pa * slope / layout.surface_kg)
        capacity = layout.cavity_m3 / (GAS_J_KG_K * (zone_c + 273.15))
        stiffness = (
            capacity / STEP_S + layout.to_cabin + layout.to_outside + (to_wood[0] + to_wood[1])
        )
        wood_pa = sat_pa * held
        from_wood = to_wood * wood_pa
        fixed = (
            state.cavity_kg / STEP_S
            + layout.to_cabin * inside_pa
            + layout.to_outside * outside_pa
            + (from_wood[0] + from_wood[1])
        )
        cavity_pa, from_film = _with_film(
            stiffness, fixed, day.skin_sat_pa[step], SKIN_KG_S_PA, state.film_kg
        )
        from_cabin = STEP_S * layout.to_cabin * (inside_pa - cavity_pa)
        from_outside = STEP_S * layout.to_outside * (outside_pa - cavity_pa)
        absorbed = STEP_S * to_wood * (cavity_pa - wood_pa)
        state.cavity_kg = (
            state.cavity_kg + from_cabin + from_outside + from_film - (absorbed[0] + absorbed[1])
        )

        film = state.film_kg - from_film
        dripping = np.maximum(film - 0.04, 0.0)  # 40 g/m2 hang on a skin, more runs down
        state.film_kg = film - dripping
        leaked = self._leaks(day, step)
        pool = state.pool_kg + dripping + leaked
        soaking = np.where(
            (zone_c > 0.0) & (state.surface[0] < WOOD_FULL), pool * _SOAKS, 0.0
        )  # ice does not soak in
        draining = (pool - soaking) * _DRAINS
        state.pool_kg = pool - soaking - draining

        deeper = layout.deep_kg * (STEP_S / DEEP_S) * day.activity[step]
        wicked = deeper * (state.surface - state.deep)
        gained = absorbed - wicked
        gained[0] += soaking
        change = gained / layout.surface_kg
        state.surface = state.surface + change
        state.deep = state.deep + wicked / layout.deep_kg
        branch = state.branch - change * (2.0 / BRANCH_WIDTH)
        state.branch = np.minimum(np.maximum(branch, -1.0), 1.0)  # faster than clip on few zones

        ledger.entered_kg += float(leaked.sum())
        return from_cabin, float(draining.sum() - from_outside.sum())

    def _leaks(self, day: _Day, step: int) -> Array:
        """Water through seams and from pipes in this step, in kg by zone."""
        state = self._state
        face_mm = day.face_mm[step]
        state.seam_mm = (state.seam_mm + face_mm) * _SEAM_DRIES
        through_mm = np.where(state.seam_mm > SEAM_MM, face_mm, 0.0)
        leaked: Array = day.drip_kg[step].copy()
        for column, leak in self._rain_leaks:
            leaked[column] += (
                _opened(leak, self._now_s)
                * leak.ml_per_event
                * 1e-3
                * through_mm[column]
                / EVENT_MM
            )
        return leaked

    # Probes ---------------------------------------------------------------------------------

    def _instant(self, day: _Day, step: int) -> "_Instant":
        state, weather = self._state, day.weather
        zone_pa = (
            state.cavity_kg * GAS_J_KG_K * (day.zone_c[step] + 273.15) / self._layout.cavity_m3
        )
        cabin_pa = (
            state.cabin_kg * GAS_J_KG_K * (day.cabin_c[step] + 273.15) / self._layout.volume_m3
        )
        outside_c = weather.temperature_c[step : step + 1]
        humidity = np.concatenate(
            [
                zone_pa / day.zone_sat_pa[step],
                cabin_pa / day.cabin_sat_pa[step],
                weather.vapour_pa[step : step + 1] / saturation_pa(outside_c),
            ]
        )
        rain_mm, self._rain_mm = self._rain_mm, 0.0
        return _Instant(
            at_s=self._now_s,
            temperature_c=np.concatenate([day.zone_c[step], day.cabin_c[step], outside_c]),
            humidity_percent=100.0 * humidity,
            rain_mm=rain_mm,
            wood_percent=100.0 * (state.surface * self._layout.shares).sum(axis=0),
            spot_percent=100.0 * state.surface[0],
        )

    def _measure(self, kept: list["_Instant"]) -> Samples:
        probes = len(self.probes)
        at_s = np.array([instant.at_s for instant in kept], dtype=np.int64)
        truth_c = np.array([i.temperature_c for i in kept]).reshape(-1, probes)
        truth_percent = np.array([i.humidity_percent for i in kept]).reshape(-1, probes)
        noise = np.array([self._noise(instant) for instant in kept]).reshape(-1, 2, probes)
        years = (at_s - self._start_s)[:, None] / (365.2425 * DAY_S)
        fidelity = self._fidelity
        temperature_c = truth_c + self._bias_k + fidelity.noise_k * noise[:, 0]
        humidity = truth_percent + self._bias_percent + fidelity.noise_percent * noise[:, 1]
        humidity = np.clip(humidity + fidelity.drift_percent_year * years, 0.0, 100.0)
        missing, delivered_s = self._links(at_s)
        air = np.full((at_s.size, probes - self._layout.unit.size), np.nan)
        zones = self._layout.unit.size
        return Samples(
            at_s=at_s,
            temperature_c=np.where(missing, np.nan, np.round(temperature_c, 2)),
            humidity_percent=np.where(missing, np.nan, np.round(humidity, 1)),
            rain_mm=np.round([i.rain_mm for i in kept], 2),
            delivered_s=delivered_s,
            true_wood_percent=np.hstack(
                [np.array([i.wood_percent for i in kept]).reshape(-1, zones), air]
            ),
            true_spot_percent=np.hstack(
                [np.array([i.spot_percent for i in kept]).reshape(-1, zones), air]
            ),
        )

    def _noise(self, instant: "_Instant") -> Array:
        rng = np.random.default_rng((self._seed, 3, instant.at_s))
        return rng.standard_normal((2, len(self.probes)))

    def _links(self, at_s: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        """Which samples never were, and when each got through."""
        nodes = len(self.units) + 1
        missing = np.zeros((at_s.size, nodes), dtype=bool)
        delivered_s = np.repeat(at_s[:, None], nodes, axis=1)
        for day in np.unique(at_s // DAY_S):
            rows = np.flatnonzero(at_s // DAY_S == day)
            draws = np.random.default_rng((self._seed, 4, int(day))).random((6, nodes))
            hour = at_s[rows, None] % DAY_S / 3600.0
            outage = (hour >= 22.0 * draws[1]) & (hour < 22.0 * draws[1] + 2.0 + 8.0 * draws[2])
            missing[rows] = outage & (draws[0] < self._fidelity.outages_day)
            opens = np.minimum(18.0 * draws[4] + 1.0 + 5.0 * draws[5], 24.0)
            held = (hour >= 18.0 * draws[4]) & (hour < opens)
            held &= draws[3] < self._fidelity.late_day
            opens_s = (day * DAY_S + opens * 3600.0).astype(np.int64)
            delivered_s[rows] = np.where(held, opens_s, delivered_s[rows])
        for node, unit in enumerate(self.units):
            if unit.silent_from_s is not None:
                missing[at_s >= unit.silent_from_s, node] = True
        return missing[:, self._columns], delivered_s[:, self._columns]


@dataclass(frozen=True, slots=True, eq=False)
class _Instant:
    """The truth at one sample."""

    at_s: int
    temperature_c: Array
    humidity_percent: Array
    rain_mm: float
    wood_percent: Array = field(repr=False)
    spot_percent: Array = field(repr=False)


_SOAKS = 1.0 - np.exp(-STEP_S / (2.0 * 3600.0))  # liquid is in the ply within hours
_DRAINS = 1.0 - np.exp(-STEP_S / (8.0 * 3600.0))  # or has found its way out
_SEAM_DRIES = np.exp(-STEP_S / (5.0 * 3600.0))


def _humidity_over_wood(moisture: Array, power: Array, scale: Array) -> tuple[Array, Array]:
    """Humidity 0..1 of air in balance with wood, and its slope over moisture."""
    exponent = moisture**power * scale
    rest = np.exp(-exponent)
    return 1.0 - rest, rest * exponent * power / moisture


def _with_film(
    stiffness: Array, fixed: Array, film_sat_pa: Array, film_kg_s_pa: float, film_kg: Array
) -> tuple[Array, Array]:
    """Vapour pressure at the end of the step beside a film; and vapour the film gave [kg].

    Implicit; a film cannot give more than it holds, and condenses (negative) without bound.
    """
    free_pa = fixed / stiffness
    given = STEP_S * film_kg_s_pa * (film_sat_pa - free_pa) * stiffness / (stiffness + film_kg_s_pa)
    given = np.minimum(given, film_kg)
    return free_pa + given / (STEP_S * stiffness), given


def _opened(leak: Leak, at_s: int) -> float:
    age_s = at_s - leak.onset_s
    if age_s < 0:
        return 0.0
    return min(1.0, age_s / (leak.growth_days * DAY_S)) if leak.growth_days > 0.0 else 1.0


def _layout(units: Sequence[UnitPlan]) -> _Layout:
    pairs = [(index, unit, zone) for index, unit in enumerate(units) for zone in unit.zones]
    builds = [BUILDS[zone.build] for _, _, zone in pairs]

    def column(name: str) -> Array:
        return np.array([getattr(build, name) for build in builds]) * 1.0

    sides = [zone.side for _, _, zone in pairs]
    spots = np.array([zone.spot_share for _, _, zone in pairs])
    shares = np.vstack([spots, 1.0 - spots])
    openness = np.array([zone.openness for _, _, zone in pairs])
    return _Layout(
        unit=np.array([index for index, _, _ in pairs], dtype=np.intp),
        azimuth_rad=np.deg2rad(
            [unit.heading_deg + _AZIMUTH_DEG.get(zone.side, 0.0) for _, unit, zone in pairs]
        ),
        is_roof=np.array([side == "roof" for side in sides]) * 1.0,
        is_wall=np.array([side in _AZIMUTH_DEG for side in sides]) * 1.0,
        shares=shares,
        surface_kg=AREA_M2 * shares * column("surface_kg"),
        deep_kg=AREA_M2 * shares * column("deep_kg"),
        to_cabin=AREA_M2 * openness * column("to_cabin_kg_s_pa"),
        to_outside=AREA_M2 * openness * column("to_outside_kg_s_pa"),
        cabin_share=column("cabin_share")
        + np.array([zone.cabin_share_more for _, _, zone in pairs]),
        blend=1.0 - np.exp(-STEP_S / column("lag_s")),
        cavity_m3=column("cavity_m3"),
        absorptance=column("absorptance"),
        volume_m3=np.array([unit.volume_m3 for unit in units]),
        air_changes_h=np.array([unit.air_changes_h for unit in units]),
    )


def _sol_air(layout: _Layout, weather: WeatherDay) -> Array:
    """Temperature of the skin with sun, night sky and wind: °C, (144, Z)."""
    height = weather.sun_height_rad[:, None]
    off_wall = weather.sun_azimuth_rad[:, None] - layout.azimuth_rad
    on_wall = np.maximum(np.cos(height) * np.cos(off_wall), 0.0) * (height > 0.0)
    on_roof = np.maximum(np.sin(height), 0.0)
    direct = weather.direct_w_m2[:, None] * (layout.is_wall * on_wall + layout.is_roof * on_roof)
    diffuse = weather.diffuse_w_m2[:, None] * (0.5 * layout.is_wall + layout.is_roof)
    # A clear sky takes 100 W/m2 from a level plane (common practice), about a third from a wall.
    lost = 100.0 * (1.0 - 0.85 * weather.cloud[:, None]) * (layout.is_roof + 0.3 * layout.is_wall)
    # 4 + 4 v by wind and 5 by radiation (ISO 6946); among its neighbours a unit has half the wind.
    film_w_m2_k = 9.0 + 4.0 * 0.5 * weather.wind_m_s[:, None]
    gained = layout.absorptance * (direct + diffuse) - 0.9 * lost
    skin_c: Array = weather.temperature_c[:, None] + gained / film_w_m2_k
    return skin_c


def _cabin_temperature(
    layout: _Layout, weather: WeatherDay, skin_c: Array, people: Array, start_c: Array
) -> Array:
    """Cabin air [°C], (144, U): follows skins, windows and outside within hours; heated when lived in."""
    units = layout.volume_m3.size
    counts = np.bincount(layout.unit, minlength=units)
    skins = np.array([np.bincount(layout.unit, row, minlength=units) for row in skin_c]) / counts
    sun = (0.010 * weather.direct_w_m2 + 0.012 * weather.diffuse_w_m2)[:, None]  # through glass
    target_c = 0.6 * skins + 0.4 * weather.temperature_c[:, None] + sun + 1.0 * people
    blend = 1.0 - np.exp(-STEP_S / (2.5 * 3600.0))
    cabin_c = np.empty((STEPS_PER_DAY, units))
    now_c = start_c
    for step in range(STEPS_PER_DAY):
        now_c = now_c + blend * (target_c[step] - now_c)
        heated_c = now_c + 0.5 * np.maximum(19.0 - now_c, 0.0)
        now_c = np.where(people[step] > 0.0, heated_c, now_c)
        cabin_c[step] = now_c
    return cabin_c


def _occupancy(
    units: Sequence[UnitPlan], closed_h: Array, times_s: NDArray[np.int64]
) -> tuple[Array, Array]:
    people = np.zeros((times_s.size, len(units)))
    air_changes_h = np.repeat(closed_h[None, :], times_s.size, axis=0)
    for index, unit in enumerate(units):
        for stay in unit.stays:
            there = (times_s >= stay.from_s) & (times_s < stay.to_s)
            people[there, index] = stay.people
            air_changes_h[there, index] = stay.air_changes_h
    return people, air_changes_h


def _people_vapour(people: Array, times_s: NDArray[np.int64]) -> Array:
    """Vapour of people, cooking and washing [kg a step]: 60 g/h awake, 35 asleep, and peaks.

    A dinner gives 0.57 kg for four, a shower 0.24 kg (handbook tables of moisture sources).
    """
    hour = times_s % DAY_S / 3600.0
    grams_h = np.where((hour >= 6.0) & (hour < 22.0), 60.0, 35.0)
    grams_h = grams_h + np.where((hour >= 7.0) & (hour < 8.0), 120.0 + 60.0, 0.0)
    grams_h = grams_h + np.where((hour >= 18.0) & (hour < 19.0), 140.0, 0.0)
    return people * (grams_h * 1e-3 * STEP_S / 3600.0)[:, None]


def _pipe_drips(units: Sequence[UnitPlan], people: Array, times_s: NDArray[np.int64]) -> Array:
    columns = [(index, unit, zone.code) for index, unit in enumerate(units) for zone in unit.zones]
    drip_kg = np.zeros((times_s.size, len(columns)))
    for column, (index, unit, zone) in enumerate(columns):
        for leak in unit.leaks:
            if leak.kind == "plumbing" and leak.zone == zone:
                opened = np.array([_opened(leak, int(at_s)) for at_s in times_s])
                per_step_kg = leak.ml_per_event * 1e-3 * STEP_S / DAY_S
                drip_kg[:, column] += opened * per_step_kg * (people[:, index] > 0.0)
    return drip_kg


def _face_rain(
    units: Sequence[UnitPlan], layout: _Layout, weather: WeatherDay, times_s: NDArray[np.int64]
) -> Array:
    """Water on the face of each zone in a step: mm, (144, Z).

    Walls take driven rain, 2/9 v r^(8/9) cos(D - theta) per hour with r in mm/h and v in m/s
    (ISO 15927-3, from memory), halved by neighbours; roofs rain and melt, low edges half of it.
    """
    rain_mm_h = weather.rain_mm * (3600.0 / STEP_S)
    wind_rad = np.deg2rad(weather.wind_from_deg)[:, None]
    driven_mm_h = (2.0 / 9.0) * weather.wind_m_s * rain_mm_h ** (8.0 / 9.0)
    onto_wall = np.maximum(np.cos(wind_rad - layout.azimuth_rad), 0.0) * driven_mm_h[:, None]
    level_mm = (weather.rain_mm + weather.melt_mm)[:, None]
    is_under = 1.0 - layout.is_wall - layout.is_roof
    face_mm = (
        layout.is_wall * (0.5 * onto_wall * STEP_S / 3600.0 + 0.15 * level_mm)  # and run-off
        + layout.is_roof * level_mm
        + 0.5 * is_under * level_mm
    )
    column = 0
    for unit in units:
        for zone in unit.zones:
            for soaking in unit.soakings:
                if soaking.side in (None, zone.side):
                    wet = (times_s >= soaking.at_s) & (times_s < soaking.at_s + 3600)
                    face_mm[wet, column] += soaking.mm * STEP_S / 3600.0
            column += 1
    return face_mm
