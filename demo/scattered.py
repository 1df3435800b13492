"""Random RVs, half of them leaking: to count what a rule finds and what it raises for nothing."""

import numpy as np

from demo.weather import DAY_S
from demo.world import Leak, Side, Stay, UnitPlan, ZonePlan

LEAK_SIZES_ML = (5.0, 20.0, 50.0, 200.0)
_ZONES: tuple[tuple[str, str, Side], ...] = (
    ("off-rear-low", "", "off"),
    ("door-mid-high", "", "door"),
    ("off-front-low", "", "off"),
    ("door-rear-low", "", "door"),
    ("roof-vent1-ring", "roof", "roof"),
)


def scattered(
    *, seed: int, units: int, start_s: int, days: int, leaking: float = 0.5
) -> list[UnitPlan]:
    """Plans for `units` RVs that differ in build, tightness, use, and in what leaks where.

    Parameters
    ----------
    seed, units, start_s, days
        What is drawn, how many, and the span in which leaks begin (its 20th to 70th hundredth).
    leaking : float
        Share of units that get one leak. [0 to 1]

    Notes
    -----
    How much of a leak's water comes near the probe, how large a part of the wood there it wets
    and how open the zone is are drawn wide: where a probe sits decides most of what it can see.
    """
    rng = np.random.default_rng((seed, 5))
    return [
        _unit(rng, f"s{index + 1:03d}", start_s=start_s, days=days, leaking=leaking)
        for index in range(units)
    ]


def _unit(
    rng: np.random.Generator, code: str, *, start_s: int, days: int, leaking: float
) -> UnitPlan:
    wall = "hung wall" if rng.random() < 0.4 else "laminated wall"
    floor = ("slide1-floor-front", "slide-floor") if rng.random() < 0.6 else ("floor-bath", "floor")
    zones = tuple(
        ZonePlan(
            code=zone,
            build=build or wall,
            side=side,
            start_moisture=rng.uniform(0.18, 0.25) if rng.random() < 0.04 else None,
            openness=float(np.exp(rng.normal(0.0, 0.5))),
            cabin_share_more=rng.uniform(-0.12, 0.12),
            spot_share=float(np.exp(rng.uniform(np.log(0.04), np.log(0.8)))),
        )
        for zone, build, side in (*_ZONES, (*floor, "under"))
    )
    stays = _stays(rng, start_s=start_s, days=days)
    leaks: tuple[Leak, ...] = ()
    if rng.random() < leaking:
        zone = zones[rng.integers(len(zones))]
        reaching = float(np.exp(rng.uniform(np.log(0.15), 0.0)))
        leaks = (
            Leak(
                unit=code,
                zone=zone.code,
                kind="plumbing" if stays and rng.random() < 0.2 else "rain",
                onset_s=start_s + round(rng.uniform(0.2, 0.7) * days * DAY_S),
                ml_per_event=reaching * float(rng.choice(LEAK_SIZES_ML)),
                growth_days=float(rng.choice((0.0, 0.0, 30.0, 90.0))),
            ),
        )
    return UnitPlan(
        code=code,
        zones=zones,
        heading_deg=rng.uniform(0.0, 360.0),
        volume_m3=rng.uniform(14.0, 55.0),
        air_changes_h=float(np.exp(rng.normal(np.log(0.25), 0.4))),
        leaks=leaks,
        stays=stays,
    )


def _stays(rng: np.random.Generator, *, start_s: int, days: int) -> tuple[Stay, ...]:
    """Most stand stored; a third is used for trips; a few are lived in throughout."""
    use = rng.random()
    people = int(rng.integers(1, 4))
    end_s = start_s + days * DAY_S
    if use < 0.06:
        return (Stay(start_s, end_s, people=people, air_changes_h=rng.uniform(0.6, 2.0)),)
    if use > 0.40:
        return ()
    begins = np.sort(rng.uniform(0.0, days, size=max(1, days // 60)))
    return tuple(
        Stay(
            start_s + round(day * DAY_S),
            start_s + round((day + rng.uniform(2.0, 9.0)) * DAY_S),
            people=people,
            air_changes_h=rng.uniform(0.8, 3.0),
        )
        for day in begins
    )
