"""BTHome devices in reach of this computer -> values by probe, each device one probe of the node.

A device says itself every few seconds and the node samples every few minutes: of each field the
newest value since the last sample counts, but water that was said once stays said until then.
The scanner (`bleak`, of the extra `sillkeep[node]`) runs in a thread of its own and only hands over
what it heard; everything is judged where the node steps. Not tried on hardware.
"""

import asyncio
import logging
import queue
import threading
from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

import msgspec

from sensors.formats import FormatError
from sensors.formats.bthome import UUID, Measured, Receiver, RepeatError, address
from sensors.probes.i2c import ProbeError, Values

log = logging.getLogger(__name__)

AGAIN_S: Final = 30.0  # an adapter that is gone, or busy, may come back
MOST_WAITING: Final = 10_000  # advertisements between two steps of the node
TELL_EVERY: Final = 100  # a device that is refused says so every few seconds
_FIELDS: Final = ("temperature_c", "humidity_percent", "pressure_pa", "co2_ppm", "battery_percent")


class Heard(NamedTuple):
    """One advertisement as the radio heard it."""

    sender: str
    data: bytes
    signal_dbm: int


class Device(NamedTuple):
    """A device that is listened to."""

    probe: str
    address: str
    key: bytes | None = None
    moisture_is_wood: bool = False  # what it calls moisture is of wood; else it is left out


class Collector:
    """Advertisements -> values since the last sample, by probe.

    Parameters
    ----------
    devices : list[Device]
        Others are not listened to.
    state : Callable[[str], int]
        Number kept under a name; 0 if there is none.
    keep : Callable[[dict[str, int]], None]
        Keeps numbers at once.
    """

    def __init__(
        self,
        devices: list[Device],
        *,
        state: Callable[[str], int] = lambda _: 0,
        keep: Callable[[dict[str, int]], None] = lambda _: None,
    ) -> None:
        self._devices = {address(each.address): each for each in devices}
        if len(self._devices) < len(devices):
            raise ValueError("two probes have one address")
        # kept one higher: a counter may be 0, which is also what was never kept
        counters = {at: state(_counter(at)) - 1 for at in self._devices if state(_counter(at))}
        self._counters = counters
        self._kept = dict(counters)
        self._receiver = Receiver(
            {at: each.key for at, each in self._devices.items() if each.key is not None},
            counters=counters,
            sealed=[at for at in self._devices if state(_sealed(at))],
            on_sealed=lambda at: keep({_sealed(at): 1}),
        )
        self._values: dict[str, dict[str, float | bool]] = {}
        self._wet: set[str] = set()  # probes whose last word was water
        self._faults: dict[str, str] = {}
        self._refused: dict[str, int] = {}

    def hear(self, heard: Heard) -> bool:
        """Take in what was heard; whether water is new, which no sample should wait for."""
        try:
            device = self._devices.get(address(heard.sender))
        except FormatError:  # a system that hides addresses gives names of its own
            return False
        if device is None:
            return False
        try:
            measured = self._receiver.take(heard.sender, heard.data)
        except RepeatError:
            return False
        except FormatError as error:
            self._refuse(device.probe, str(error))
            return False
        self._faults.pop(device.probe, None)
        return self._collect(device, measured, heard.signal_dbm)

    def values(self) -> dict[str, Values]:
        """Values of each probe that was heard since the last call."""
        found, self._values = self._values, {}
        return {probe: dict(values) for probe, values in found.items()}

    def faults(self) -> dict[str, str]:
        """Why a probe that is heard cannot be used."""
        return dict(self._faults)

    def state(self) -> dict[str, int]:
        """Numbers to keep with the next sample: counters that a replay must not fall below."""
        moved = {at: n for at, n in self._counters.items() if self._kept.get(at) != n}
        self._kept.update(moved)
        return {_counter(at): n + 1 for at, n in moved.items()}

    def _collect(self, device: Device, measured: Measured, signal_dbm: int) -> bool:
        values = self._values.setdefault(device.probe, {})
        values["signal_dbm"] = signal_dbm
        given = msgspec.structs.asdict(measured)
        values.update({name: given[name] for name in _FIELDS if given[name] is not None})
        if device.moisture_is_wood and measured.moisture_percent is not None:
            values["wood_percent"] = measured.moisture_percent
        if measured.left:
            self._faults[device.probe] = "; ".join(measured.left)
        if measured.wet is None:
            return False
        was_wet = device.probe in self._wet
        (self._wet.add if measured.wet else self._wet.discard)(device.probe)
        values["contact"] = measured.wet or bool(values.get("contact"))
        return measured.wet and not was_wet

    def _refuse(self, probe: str, why: str) -> None:
        self._faults[probe] = why
        count = self._refused[probe] = self._refused.get(probe, 0) + 1
        if count % TELL_EVERY == 1:
            log.warning("%s: %s (%d refused so far)", probe, why, count)


def forget_counter(sender: str) -> dict[str, int]:
    """Numbers that let a device begin anew: its counter was lost with its battery."""
    return {_counter(address(sender)): 0}


def _counter(sender: str) -> str:
    return f"bthome counter {sender}"


def _sealed(sender: str) -> str:
    return f"bthome encrypted {sender}"


class Scanner:
    """Listens with the computer's adapter, in a thread; `drain` gives what it heard."""

    def __init__(self, adapter: str = "") -> None:
        try:
            import bleak
        except ImportError as error:
            raise ProbeError('Bluetooth needs the extra: pip install "sillkeep[node]"') from error
        self._bleak: Any = bleak
        self._options = {"bluez": {"adapter": adapter}} if adapter else {}
        self._heard: queue.Queue[Heard] = queue.Queue(MOST_WAITING)
        self._fault = ""
        self._thread = threading.Thread(target=self._run, name="bluetooth", daemon=True)
        self._thread.start()

    @property
    def fault(self) -> str:
        """Why nothing is heard; empty: it listens."""
        return self._fault if self._thread.is_alive() else "the Bluetooth listener has ended"

    def drain(self) -> list[Heard]:
        """Advertisements since the last call, the oldest first."""
        return [self._heard.get_nowait() for _ in range(self._heard.qsize())]

    def take(self, device: Any, advertisement: Any) -> None:  # noqa: ANN401  bleak's
        """What bleak calls for each advertisement."""
        data: Mapping[str, bytes] = advertisement.service_data
        if UUID in data and not self._heard.full():
            self._heard.put_nowait(Heard(device.address, bytes(data[UUID]), advertisement.rssi))

    def _run(self) -> None:
        asyncio.run(self._listen())

    async def _listen(self) -> None:
        while True:
            try:
                # a system may tell every advertisement or only new ones: both will do
                async with self._bleak.BleakScanner(
                    detection_callback=self.take, service_uuids=[], **self._options
                ):
                    self._fault = ""
                    await asyncio.Event().wait()
            except (OSError, EOFError, self._bleak.exc.BleakError) as error:
                self._fault = f"no Bluetooth: {error}"
                await asyncio.sleep(AGAIN_S)
