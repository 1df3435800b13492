"""Whether a dehumidifier still works, seen from the air of a unit that nobody is in.

Air in a closed cabin follows the air outside and its furnishings within hours; how, is fitted over
some days (`TRAIN_H`). A device that holds it lower is part of what was fitted. Once it stops, the
humidity lies above what the fit expects within hours, long before the furnishings follow.

Full or without power looks the same from the air. People, and cold that no compressor works in, make it
impossible to say; then nothing is said.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.lot import Event
from monitor.physics import air, ventilation

Floats = NDArray[np.float64]

TRAIN_H = 144  # of the air as it was, with the device
TEST_H = 6  # of the air as it is
LEAST_TRAIN_H = 48
# above what is expected in the mean of `TEST_H`, two hours running: so many points, and so many times as
# much as such means strayed before. Tried on 180 simulated devices, half of them never looked at before:
# 76 % of those that stopped found within 12 h, one false call in ten months of a device.
STOPPED_PERCENT, STOPPED_TIMES = 2.0, 5.0
STARTED_PERCENT = -1.5  # below it the air falls as it does when a device begins
WORKS_C = 15.0  # a compressor is weak below, by its makers' tables; from memory
ICES_C = 8.0  # and below this its coil ices; from memory
LAG_H, LAG_TEMPERATURE_H = 6, 3
SETTLED_H = 24  # since it was put there or emptied
RIDGE = 1e-3

Kind = Literal["compressor", "desiccant"]
KINDS: tuple[Kind, ...] = ("compressor", "desiccant")
State = Literal["works", "stopped", "iced", "weak", "settling", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Device:
    """A dehumidifier that was noted: what it is, and since when it runs or was emptied."""

    kind: Kind
    since_s: int


def noted(events: Sequence[Event]) -> Device | None:
    """The device by its newest notes; None where none was put there, or it was taken away."""
    found: Device | None = None
    for event in sorted(events, key=lambda event: event.at_s):
        if event.kind != "dehumidifier":
            continue
        if event.value in KINDS:
            found = Device(event.value, event.at_s)
        elif event.value == "emptied" and found is not None:
            found = Device(found.kind, event.at_s)
        elif event.value == "taken away":
            found = None
    return found


@dataclass(frozen=True, slots=True)
class Drying:
    """How a device does.

    Attributes
    ----------
    state : State
        "works": no sign that it stopped in the last days; what stopped before has become the usual air.
        "iced": so cold that a compressor's coil ices; "weak": colder than a compressor works well in,
        nothing is told of it; "settling": it has not run for a day; "cannot tell": air is missing.
    above_percent : float
        Humidity above what is expected, in the mean of the last hours, the lower of two hours' looks.
        [points] nan: not known.
    least_kg_d, most_kg_d : float
        Water that it takes out in a day; nan where the air outside is no wetter: then nothing tells.
    temperature_c : float
        Mean of the last day.
    """

    state: State
    above_percent: float
    least_kg_d: float
    most_kg_d: float
    temperature_c: float

    @property
    def restarted(self) -> bool:
        """Whether the air falls below what is expected."""
        return self.above_percent <= STARTED_PERCENT


def drying(
    device: Device,
    *,
    cabin: Floats,
    outside: Floats,
    now_s: int,
    altitude_m: float,
    volume_m3: float,
) -> Drying:
    """How a device does, from the last days' hours on both sides.

    Parameters
    ----------
    device : Device
    cabin, outside : ndarray, shape (2, hours)
        Temperature and humidity up to the last full hour, five days or more. [°C] [%] nan if missing.
    now_s : int
        End of the last hour.
    altitude_m, volume_m3 : float
        Of the site; of the cabin (assumed).
    """
    celsius = cabin[0, -24:]
    mean_c = float(np.nanmean(celsius)) if (~np.isnan(celsius)).sum() >= 12 else float("nan")
    looks = [excess(cabin, outside), excess(cabin[:, :-1], outside[:, :-1])]
    above = float(np.min([look[0] for look in looks]))  # nan if either is
    stopped = all(above >= max(STOPPED_PERCENT, STOPPED_TIMES * stray) for above, stray in looks)
    least, most = _removed(cabin, outside, altitude_m=altitude_m, volume_m3=volume_m3)
    state = _state(device, mean_c, now_s, stopped=stopped, known=not np.isnan(above))
    return Drying(state, above, least, most, mean_c)


def _state(device: Device, mean_c: float, now_s: int, *, stopped: bool, known: bool) -> State:
    if np.isnan(mean_c) or not known:
        return "cannot tell"
    if device.kind == "compressor" and mean_c < WORKS_C:
        return "iced" if mean_c < ICES_C else "weak"
    if now_s - device.since_s < SETTLED_H * 3600:
        return "settling"
    return "stopped" if stopped else "works"


def excess(cabin: Floats, outside: Floats) -> tuple[float, float]:
    """Humidity of the last `TEST_H` above what the `TRAIN_H` before them make expect. [points].

    Beside it the standard deviation of such means before; nan where half of either is missing.

    Notes
    -----
    Least squares over the warmed humidity of the air outside, now and six hours before, and the
    temperature, now and three hours before, with a little ridge.
    """
    celsius, humidity = cabin
    vapour_pa = air.vapour_pressure(temperature_c=outside[0], humidity_percent=outside[1])
    full_pa = air.saturation_vapour_pressure(temperature_c=celsius, over="liquid")
    warmed = 100.0 * vapour_pa / full_pa
    given = np.stack(
        [
            np.ones_like(celsius),
            warmed,
            celsius,
            _before(warmed, LAG_H),
            _before(celsius, LAG_TEMPERATURE_H),
        ]
    )
    known = ~np.isnan(given.sum(axis=0) + humidity)
    hours = np.arange(len(celsius)) - len(celsius)
    train = known & (hours >= -TEST_H - TRAIN_H) & (hours < -TEST_H)
    test = known & (hours >= -TEST_H)
    if train.sum() < LEAST_TRAIN_H or test.sum() < TEST_H // 2:
        return float("nan"), float("nan")
    x, y = given[:, train], humidity[train]
    ridge = RIDGE * train.sum() * np.diag([0.0, 1.0, 1.0, 1.0, 1.0])
    weights = np.linalg.solve(x @ x.T + ridge, x @ y)
    means = np.convolve(y - weights @ x, np.ones(TEST_H) / TEST_H, "valid")
    return float((humidity[test] - weights @ given[:, test]).mean()), float(means.std())


def _before(values: Floats, hours: int) -> Floats:
    return np.concatenate([np.full(hours, np.nan), values[:-hours]])


def _removed(
    cabin: Floats, outside: Floats, *, altitude_m: float, volume_m3: float
) -> tuple[float, float]:
    """Water that is taken out in a day: what the air brings in, and what the furnishings give.

    Least: air changes of a closed trailer at their least; most: at their most, with all that thin
    panels gave as the humidity fell.
    """
    inside_c, inside_rh, outside_c, outside_rh = (
        float(np.nanmean(line[-24:])) if (~np.isnan(line[-24:])).sum() >= 12 else float("nan")
        for line in (*cabin, *outside)
    )
    if np.isnan(inside_c + inside_rh + outside_c + outside_rh):
        return float("nan"), float("nan")
    room = ventilation.Cabin(volume_m3=volume_m3, altitude_m=altitude_m)
    brought = [
        -24.0
        * float(
            ventilation.drying_rate(
                inside_c=inside_c,
                inside_percent=inside_rh,
                outside_c=outside_c,
                outside_percent=outside_rh,
                air_changes_per_h=changes,
                cabin=room,
            )
        )
        for changes in ventilation.CLOSED_CHANGES_PER_H
    ]
    if brought[0] <= 0.0:
        return float("nan"), float("nan")
    day_before = cabin[1, -48:-24]
    fell = float(np.nanmean(day_before)) - inside_rh if (~np.isnan(day_before)).any() else 0.0
    held_g = float(
        ventilation.buffer_g_per_point(
            temperature_c=inside_c, humidity_percent=min(inside_rh, 100.0),
            area_m2=ventilation.ASSUMED_PANELS_M2, thickness_m=0.003,
        )
    )  # fmt: skip
    given = ventilation.SLOW_RELEASE * max(fell, 0.0) * held_g
    return brought[0] / 1000.0, (brought[1] + given) / 1000.0
