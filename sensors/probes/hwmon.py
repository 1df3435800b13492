"""A sensor that the kernel drives: its figures stand in files, and no package is needed to read them.

Linux has drivers for many chips on I2C (SHT4x, SHT3x, HTU21 ...); `/sys/class/hwmon/hwmon<n>/name` says
which is which. The numbers n may change from boot to boot, so a folder below `/sys/bus/i2c/devices/`
is better to name: `/sys/bus/i2c/devices/1-0044/hwmon/*`.

References
----------
.. [1] The Linux kernel, "Naming and data format standards for sysfs files" (hwmon): temp1_input in
   thousandths of a degree Celsius, humidity1_input in thousandths of a per cent.
"""

import glob
from pathlib import Path
from typing import Final

from sensors.probes.i2c import ProbeError, Values
from sensors.wire import LIMITS

_FILES: Final = {"temperature_c": "temp1_input", "humidity_percent": "humidity1_input"}


class Hwmon:
    """A folder of the kernel's hardware monitoring.

    Parameters
    ----------
    folder : str
        With `temp1_input` and, where the chip has it, `humidity1_input`; may hold `*`.
    """

    def __init__(self, folder: str) -> None:
        self._pattern = folder

    def read(self) -> Values:
        """Temperature [°C] and humidity [%RH]; ProbeError says why there are none."""
        found = sorted(glob.glob(self._pattern))  # noqa: PTH207  a whole path, with its root
        if len(found) != 1:
            raise ProbeError(f"{len(found)} folders are called {self._pattern}, one is needed")
        values: Values = {}
        for name, file in _FILES.items():
            path = Path(found[0]) / file
            if name == "humidity_percent" and not path.exists():
                continue
            value = _thousandths(path)
            low, high = LIMITS[name]
            if not low <= value <= high:
                raise ProbeError(f"{path} says {value:g}, which cannot be")
            values[name] = value
        return values


def _thousandths(path: Path) -> float:
    try:
        return int(path.read_text(encoding="ascii")) / 1000
    except (OSError, ValueError) as error:  # the driver's own reasons among them: EIO, ENXIO
        raise ProbeError(f"{path} cannot be read: {error}") from error
