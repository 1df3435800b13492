"""A node on a small computer: wired probes and Bluetooth ones, one outbox, one loop.

::

    node.toml -> probes, devices
    each period, and at once when water is new:
        every probe read; what fails is told and costs itself alone  ->  one sample  ->  outbox

A probe that fails gives no value: its zone becomes unknown, never dry. Why it fails is in the log,
once and when it ends, and in the node's retained state (`"faults":{"p2":"..."}`).
"""

import logging
import threading
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Protocol

import msgspec

from sensors.node import Broker, Node
from sensors.outbox import Outbox
from sensors.probes.ble import Collector, Device, Heard, Scanner, forget_counter
from sensors.probes.hwmon import Hwmon
from sensors.probes.i2c import Bme280, LinuxBus, PinProbe, ProbeError, Sht4x, Values
from sensors.probes.pins import Contact
from sensors.wire import CODE, MAX_SILENCE_S, SILENCE_S, Reading

log = logging.getLogger(__name__)

STEP_S: Final = 0.5  # how long one step waits for the network, so how late water may be seen
AT_ONCE_S: Final = 10.0  # between two samples for water alone: a contact that flickers is wet
Code = Annotated[str, msgspec.Meta(pattern=rf"^{CODE.pattern}$")]


class SettingsError(ValueError):
    """`node.toml` cannot be used; the text names the file, the place and the fix."""


class BrokerTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where to publish."""

    host: str = "127.0.0.1"
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] = 1883
    prefix: str = "sillkeep"
    username: str = ""
    password_file: str = ""
    ca_file: str = ""


class ProbeTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A wired probe."""

    code: Code
    kind: Literal["sht4x", "bme280", "contact", "wood", "hwmon"]
    bus: int = 1  # /dev/i2c-<bus>
    address: int | None = None  # on the bus; None: the chip's usual one
    chip: str = "/dev/gpiochip0"  # of a contact
    line: int | None = None
    folder: str = ""  # of hwmon: where the kernel shows the chip's figures
    curve: list[tuple[float, float]] = []  # of wood: (ohm, per cent)
    reference_ohm: Annotated[float, msgspec.Meta(gt=0)] | None = None
    supply_v: Annotated[float, msgspec.Meta(gt=0)] = 3.3


class DeviceTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A Bluetooth probe that speaks BTHome."""

    code: Code
    address: str
    key_file: str = ""  # first line: 32 hexadecimal digits
    moisture: Literal["", "wood"] = ""  # what its moisture is of; "": left out


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file."""

    site: Code
    node: Code
    every_s: Annotated[int, msgspec.Meta(ge=10, le=86_400)] = 300
    longest_silence_s: Annotated[int, msgspec.Meta(ge=1, le=MAX_SILENCE_S)] | None = None
    home: str = "."  # folder of the outbox
    adapter: str = ""  # of Bluetooth; "": the first
    broker: BrokerTable = BrokerTable()
    probe: list[ProbeTable] = []
    ble: list[DeviceTable] = []


class Probe(Protocol):
    """Anything that measures when it is asked."""

    def read(self) -> Values:
        """Values by field of Reading; OSError says why there are none."""


class Ears(Protocol):
    """Anything that hears advertisements."""

    @property
    def fault(self) -> str:
        """Why nothing is heard; empty: it listens."""

    def drain(self) -> list[Heard]:
        """What was heard since the last call."""


class Gateway:
    """Samples the probes of one node; told the time, like the node.

    Parameters
    ----------
    node : Node
        Whose samples these are.
    probes : Mapping[str, Callable[[], Probe]]
        Wired probes by code: each is opened when it is first read, and again after it failed.
    collector : Collector
        Of the Bluetooth ones.
    ears : Ears or None
        None: no Bluetooth.
    every_s, silence_s : int
        Period of samples, and the longest expected silence. [s]
    """

    def __init__(
        self,
        node: Node,
        *,
        probes: Mapping[str, Callable[[], Probe]],
        collector: Collector,
        ears: Ears | None,
        every_s: int,
        silence_s: int,
    ) -> None:
        self.faults: dict[str, str] = {}
        self.samples = 0
        self._node = node
        self._makers = probes
        self._open: dict[str, Probe] = {}
        self._collector = collector
        self._ears = ears
        self._every_s = every_s
        self._silence_s = silence_s
        self._due_s: float | None = None
        self._last_s = 0.0

    def step(self, monotonic_s: float, *, now_s: int | None, started_s: float) -> None:
        """Sample if it is time.

        Parameters
        ----------
        monotonic_s, started_s : float
            A clock that never jumps, now and when this node started. [s]
        now_s : int or None
            The computer's clock, which may be wrong. [s since 1970]
        """
        is_new_water = False
        for heard in self._ears.drain() if self._ears else ():
            is_new_water = self._collector.hear(heard) or is_new_water
        if self._due_s is None:
            self._due_s = monotonic_s  # the first at once: somebody stands there and looks
        is_soon = is_new_water and monotonic_s - self._last_s >= AT_ONCE_S
        if monotonic_s < self._due_s and not is_soon:
            return
        if monotonic_s >= self._due_s:
            missed = int((monotonic_s - self._due_s) // self._every_s)
            self._due_s += (missed + 1) * self._every_s  # a fixed beat, whatever a step takes
        self._last_s = monotonic_s
        self._sample(monotonic_s, now_s=now_s, started_s=started_s)

    def _sample(self, monotonic_s: float, *, now_s: int | None, started_s: float) -> None:
        found = self._collector.values()
        faults = self._collector.faults()
        if self._ears is not None and self._ears.fault:
            faults["bluetooth"] = self._ears.fault
        for code in self._makers:
            try:
                found[code] = self._read(code)
            except (OSError, ValueError) as error:
                self._open.pop(code, None)
                faults[code] = str(error) or type(error).__name__
        self._tell(faults)
        sample = [
            Reading(
                site=self._node.site,
                node=self._node.node,
                probe=code,
                at_s=now_s,
                silence_s=self._silence_s,
                **_fields(values),
            )
            for code, values in sorted(found.items())
            if values
        ]
        state = self._collector.state()
        if sample:
            self._node.take(sample, monotonic_s=monotonic_s, started_s=started_s, state=state)
            self.samples += 1
        elif state:
            self._node.outbox.add([], state=state)

    def _read(self, code: str) -> Values:
        if code not in self._open:
            self._open[code] = self._makers[code]()
        return self._open[code].read()

    def _tell(self, faults: dict[str, str]) -> None:
        for code, why in faults.items():
            if code not in self.faults:
                log.warning("probe %s: %s", code, why)
        for code in self.faults.keys() - faults.keys():
            log.warning("probe %s: working again", code)
        if faults != self.faults:
            self.faults = faults
            self._node.tell_faults(faults)


def _fields(values: Values) -> dict[str, Any]:
    return dict(values)


def read_settings(path: Path) -> Table:
    """The settings of a node.

    Raises
    ------
    SettingsError
        If the file cannot be read or used.
    """
    try:
        table = msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Table)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{path} cannot be read: {error}") from error
    except msgspec.ValidationError as error:
        raise SettingsError(f"{path}: {str(error).replace('$.', '')}") from error
    codes = [each.code for each in table.probe] + [each.code for each in table.ble]
    if not codes:
        raise SettingsError(f"{path}: no probe; add a [[probe]] or a [[ble]]")
    if twice := sorted({code for code in codes if codes.count(code) > 1}):
        raise SettingsError(f"{path}: two probes are called {twice[0]}")
    for each in table.probe:
        if each.kind == "contact" and each.line is None:
            raise SettingsError(f"{path}: contact {each.code} needs the line of its chip")
        if each.kind == "hwmon" and not each.folder:
            raise SettingsError(f"{path}: hwmon {each.code} needs the folder of its chip")
        if each.kind == "wood" and (len(each.curve) < 2 or each.reference_ohm is None):
            raise SettingsError(f"{path}: wood {each.code} needs curve and reference_ohm")
    return table


def run(
    path: Path,
    *,
    clock: Callable[[], float],
    timer: Callable[[], float],
    new_counters: tuple[str, ...] = (),
    stop: threading.Event,
) -> None:
    """Sample and publish until `stop` is set.

    Parameters
    ----------
    path : Path
        `node.toml`.
    clock, timer : Callable[[], float]
        Seconds since 1970, and of a clock that never jumps.
    new_counters : tuple[str, ...]
        Addresses of devices whose counter may begin anew.
    stop : threading.Event
        Ends the loop.

    Raises
    ------
    SettingsError
        If the settings cannot be used.
    ProbeError
        If a package for Bluetooth is missing.
    sqlite3.Error
        If the outbox cannot be read or written.
    """
    table = read_settings(path)
    folder = path.absolute().parent
    devices = [_device(each, folder) for each in table.ble]
    node, outbox = _node(table, folder, first_boot=int(clock()))
    for sender in new_counters:
        outbox.add([], state=forget_counter(sender))
    gateway = Gateway(
        node,
        probes={each.code: _maker(each, stop) for each in table.probe},
        collector=Collector(
            devices, state=outbox.state, keep=lambda state: outbox.add([], state=state)
        ),
        ears=Scanner(table.adapter) if devices else None,
        every_s=table.every_s,
        silence_s=table.longest_silence_s or max(SILENCE_S, 3 * table.every_s),
    )
    started_s = timer()
    try:
        while not stop.is_set():
            gateway.step(timer(), now_s=int(clock()), started_s=started_s)
            node.step(timer(), STEP_S)
    finally:
        node.close()


def _node(table: Table, folder: Path, *, first_boot: int) -> tuple[Node, Outbox]:
    given = table.broker
    broker = Broker(
        host=given.host,
        port=given.port,
        prefix=given.prefix,
        username=given.username,
        password=_first_line(folder / given.password_file) if given.password_file else "",
        ca_file=folder / given.ca_file if given.ca_file else None,
    )
    outbox = Outbox(
        folder / table.home / f"{table.site}-{table.node}.outbox", first_boot=first_boot
    )
    return Node(table.site, table.node, outbox=outbox, broker=broker), outbox


def _device(table: DeviceTable, folder: Path) -> Device:
    key = None
    if table.key_file:
        try:
            key = bytes.fromhex(_first_line(folder / table.key_file))
        except ValueError as error:
            raise SettingsError(
                f"{table.key_file} of {table.code}: the first line must be 32 hexadecimal digits"
            ) from error
    return Device(table.code, table.address, key, moisture_is_wood=table.moisture == "wood")


def _first_line(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read: {error}") from error


def _maker(table: ProbeTable, stop: threading.Event) -> Callable[[], Probe]:
    """How a probe is opened, when it is."""
    at = {} if table.address is None else {"address": table.address}

    def make() -> Probe:
        if table.kind == "contact":
            return Contact(table.chip, table.line or 0)
        if table.kind == "hwmon":
            return Hwmon(table.folder)
        bus = LinuxBus(table.bus)
        if table.kind == "sht4x":
            return Sht4x(bus, stop.wait, **at)
        if table.kind == "bme280":
            return Bme280(bus, stop.wait, **at)
        if table.reference_ohm is None:
            raise ProbeError("no reference_ohm")
        return PinProbe(
            bus,
            stop.wait,
            curve=table.curve,
            reference_ohm=table.reference_ohm,
            supply_v=table.supply_v,
            **at,
        )

    return make
