"""A contact for liquid water on a pin of a small computer, through the kernel's GPIO interface.

Two wires that water bridges pull the pin to ground against the pull-up of the chip. `gpiod` is of
the extra `sillkeep[node]`. Not tried on hardware: the pull-up must be weak enough for the water at
hand (rain water conducts poorly), and direct current eats the wires (common practice, no source).
"""

from typing import Any

from sensors.probes.i2c import ProbeError, Values


class Contact:
    """A contact on one line of a chip such as `/dev/gpiochip0`.

    Raises
    ------
    ProbeError
        If the extra is not installed.
    OSError
        If there is no such chip or line, or it may not be opened.
    """

    def __init__(self, chip: str, line: int) -> None:
        try:
            import gpiod
            from gpiod.line import Bias, Direction, Value
        except ImportError as error:
            raise ProbeError('a contact needs the extra: pip install "sillkeep[node]"') from error
        wanted = gpiod.LineSettings(direction=Direction.INPUT, bias=Bias.PULL_UP, active_low=True)
        self._line = line
        self._wet = Value.ACTIVE
        self._request: Any = gpiod.request_lines(chip, consumer="sillkeep", config={line: wanted})

    def read(self) -> Values:
        """Whether water bridges it now; OSError if it cannot be read."""
        return {"contact": self._request.get_value(self._line) == self._wet}
