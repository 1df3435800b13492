"""The command line. Each command reads the clock and the settings, and hands them to one function.

Imports inside the commands keep `sillkeep --help` fast: pandas and Dash take most of a second.
"""

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from monitor.errors import InputError, MonitorError

if TYPE_CHECKING:
    from monitor.config import Server, Settings
    from monitor.lot import Event, Placement
    from monitor.store import Record
    from monitor.store.archive import Standing
    from monitor.store.checking import Checked
    from monitor.store.leasing import Alone, Leases

app = typer.Typer(
    name="sillkeep",
    help="Watches temperature and humidity where water collects in an RV, and says what it means.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
    rich_markup_mode=None,  # plain help: rich costs a third of a second at each start
)
event_app = typer.Typer(help="What a person noted: rain, hose tests, winterising ...")
node_app = typer.Typer(help="A node: publish what a probe or a file says.")
app.add_typer(event_app, name="event")
app.add_typer(node_app, name="node")

DAY_S, YEAR_S = 86_400, 31_557_600
GONE_S = 7 * DAY_S  # for so long pages show a watch of another machine that is gone
BLOCKS_A_TICK = 10  # of readings sealed: a lot's year in a day
BETWEEN_S = 0.1
FIRST_LOOK_S, LOOK_EVERY_S = 20.0, 900.0  # at the installation: once all that was started works
TICK_S = 10.0  # between rounds of the watch: liquid water is told within a minute

JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON for a script.")]


def main() -> None:
    """Entry point."""
    ended_in_words(app)


def ended_in_words(run: Callable[[], object]) -> None:
    """Run something; an error that a person can mend is one sentence, exit status 2."""
    try:
        run()
    except MonitorError as error:
        _say_error(error)
        sys.exit(2)


def _say_error(error: MonitorError) -> None:
    from monitor import logs

    if logs.is_json():  # a process, read by a machine
        logging.getLogger("sillkeep").critical("%s", error)
    else:
        typer.echo(f"sillkeep: {error}", err=True)


def _settings() -> "Settings":
    from monitor.config import home_folder, load

    return load(home_folder())


def _record(*, read_only: bool = False) -> "Record":
    from monitor.store import open_record

    settings = _settings()
    return open_record(settings.record_home, read_only=read_only, server=settings.record.server())


def _alone_in(folder: Path, name: str, other: str) -> IO[str]:
    """Lock of who writes results to a folder; exit status 75 if `other` does."""
    from monitor.config import BUSY, claim

    try:
        lock = claim(folder, name)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror or error}") from error
    if lock is None:
        typer.echo(f"sillkeep: {other} writes to {folder}", err=True)
        sys.exit(BUSY)
    return lock


def _in_a_file(settings: "Settings") -> None:
    """Refuse what copies files where the record is on a server."""
    if settings.record.address:
        raise InputError(
            "the record is on a PostgreSQL server: pg_dump and the server's own point-in-time recovery "
            "copy it and bring it back (deploy/large.md)"
        )


def _now() -> int:
    return int(time.time())  # noqa: TID251  the entry point reads the clock


def _when(text: str) -> int:
    from monitor.times import parse_time

    return parse_time(text)


def _moment(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M}"


def _one_site(node: str, nodes: Iterable[tuple[str, str]]) -> str:
    """Site of a node, of (site, node) pairs; InputError where there is none, or more than one."""
    found = sorted({site for site, code in nodes if code == node})
    if not found:
        raise InputError(f'there is no node "{node}"; see: sillkeep node list')
    if len(found) > 1:
        raise InputError(f"node {node} is on {', '.join(found)}: say --site")
    return found[0]


def _print_json(value: Any) -> None:  # noqa: ANN401  whatever a list holds
    import msgspec

    typer.echo(msgspec.json.encode(value).decode())


# --- history files --------------------------------------------------------------------------------


@app.command()
def judge(
    readings: Annotated[Path, typer.Argument(help="CSV or Parquet file of readings.")],
    hours: Annotated[Path, typer.Option(help="Where the judged hours go (.csv or .parquet).")],
    alarms: Annotated[Path, typer.Option(help="Where the alarms go (.csv or .parquet).")],
    zones: Annotated[Path | None, typer.Option(help="File of zones: unit,zone,kind,...")] = None,
    events: Annotated[
        Path | None, typer.Option(help="File of events: time,unit,zone,kind.")
    ] = None,
    proof: Annotated[
        Path | None, typer.Option(help="File to write: how the proof of each repair stands.")
    ] = None,
    columns: Annotated[
        str, typer.Option("--map", help="Names of foreign columns: time=local_time,zone=place")
    ] = "",
    timezone: Annotated[
        str | None, typer.Option(help="Of times without one: Europe/Brussels or +01:00")
    ] = None,
    start: Annotated[
        str | None, typer.Option(help="Where the time column counts hours: time of hour 0.")
    ] = None,
    unit: Annotated[str | None, typer.Option(help="Unit of all readings.")] = None,
    zone: Annotated[str | None, typer.Option(help="Zone of all readings.")] = None,
    fahrenheit: Annotated[bool, typer.Option("--fahrenheit", help="Temperatures are °F.")] = False,
    altitude: Annotated[float, typer.Option(help="Of the site, in metres.")] = 0.0,
    as_json: JsonFlag = False,
) -> None:
    """Judge history from files: no broker, no record."""
    from monitor import files, offline

    _in_range("--altitude", altitude, -500.0, 5000.0)
    file = files.read_readings(
        readings,
        columns=_pairs(columns),
        timezone=timezone,
        start_s=None if start is None else _when(start),
        unit=unit,
        zone=zone,
        fahrenheit=fahrenheit,
    )
    declared, zone_notes = files.read_zones(zones, timezone=timezone) if zones else (None, ())
    known, kind_notes = files.complete_zones(file.zones, declared)
    noted, event_notes = files.read_events(events, timezone=timezone) if events else ((), ())
    found: list[offline.Found] = []
    proven: list[offline.Proven] = []
    count = 0

    def judged() -> Iterator[dict[str, Any]]:
        nonlocal count
        history = offline.judge_history(file.zones, known, noted, altitude_m=altitude)
        for table, raised, revisions in history:
            found.extend(raised)
            proven.extend(revisions)
            count += len(table["hour"])
            yield table

    files.write_hours(hours, judged())
    files.write_alarms(alarms, offline.alarm_columns(found))
    if proof:
        files.write_proof(proof, offline.proof_columns(proven))
    strays = files.stray_events(noted, known)
    for note in (*file.notes, *zone_notes, *kind_notes, *event_notes, *strays):
        typer.echo(note, err=True)
    for reject in file.rejects[:5]:
        typer.echo(f"line {reject.line}: {reject.reason}", err=True)
    if len(file.rejects) > 5:
        typer.echo(f"... and {len(file.rejects) - 5} more rows rejected", err=True)
    counts = {
        "readings": sum(len(series.at_s) for series in file.zones.values()),
        "rejected": len(file.rejects),
        "zones": len(file.zones),
        "hours": count,
        "alarms": len(found),
    }
    if as_json:
        typer.echo(json.dumps(counts))
        return
    typer.echo(
        f"{counts['readings']} readings of {counts['zones']} zones, {counts['rejected']} rows rejected; "
        f"{counts['hours']} zone-hours judged into {hours}, {counts['alarms']} alarms into {alarms}"
    )


def _pairs(text: str) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for part in filter(None, (word.strip() for word in text.split(","))):
        ours, equals, theirs = part.partition("=")
        if not equals or not ours or not theirs:
            raise InputError(
                f'--map: "{part}" is not of the form ours=theirs, such as time=local_time'
            )
        pairs[ours.strip()] = theirs.strip()
    return pairs


def _in_range(option: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise InputError(f"{option} {value:g} is outside {low:g} to {high:g}")


# --- processes ------------------------------------------------------------------------------------


@app.command()
def serve() -> None:
    """Start and supervise everything: broker where none is set, intake, watch and pages."""
    from monitor import serve as supervisor

    settings = _settings()
    _log_as("serve", settings)
    sys.exit(supervisor.serve(settings))


@app.command()
def intake(
    number: Annotated[
        int, typer.Option(min=1, help="Which of the intakes of this machine (broker.intakes).")
    ] = 1,
) -> None:
    """Take in readings from the broker."""
    from monitor import intake as taker
    from monitor.parts import name_of

    settings = _settings()
    _log_as(name_of("intake", number=number, member=settings.broker.member), settings)
    sys.exit(taker.run(settings, number=number))


@dataclass(slots=True)
class _House:
    """What the watch has done beside judging: old readings sealed, the record checked once a day."""

    settings: "Settings"
    day: int = -1
    look_s: float = field(default_factory=lambda: time.monotonic() + FIRST_LOOK_S)
    checker: subprocess.Popen[bytes] | None = None
    trouble: str = ""
    looker: subprocess.Popen[bytes] | None = None

    def keep(self, record: "Record", pause: threading.Event, *, now_s: int) -> None:
        """Do a bounded part of it; between two blocks the intake has its turn."""
        from monitor.store import sealing

        kept = self.settings.record
        edge_s = sealing.edge_s(now_s, fresh_days=kept.fresh_days)
        for _ in range(BLOCKS_A_TICK):
            done = record.seal(before_s=edge_s, now_s=now_s)
            if not done and kept.keep_years:
                done = record.drop(before_s=min(edge_s, now_s - kept.keep_years * YEAR_S))
            if not done:
                break
            pause.wait(BETWEEN_S)
        self._check(record, day=now_s // DAY_S)
        self._look()

    def keep_list(self, record: "Record") -> None:
        """Bring the broker's access list up to date, whoever changed what it is made of."""
        from monitor import accesslist

        try:
            is_new, trouble = accesslist.keep(record, self.settings), ""
        except (OSError, MonitorError) as error:
            is_new, trouble = False, str(error)
        if is_new:
            logging.getLogger("watch").info("the broker's access list is written anew")
        if trouble and trouble != self.trouble:
            logging.getLogger("watch").error("the broker's access list: %s", trouble)
        self.trouble = trouble

    def _check(self, record: "Record", *, day: int) -> None:
        is_running = self.checker is not None and self.checker.poll() is None
        if is_running or self.day == day:
            return
        self.day = day
        last = record.last_check()
        if last is None or last.at_s // DAY_S < day:  # a process of its own: it takes minutes
            self.checker = self._started("--deep")

    def _look(self) -> None:
        """Have the installation looked at now and then: a process of its own, for a look may hang."""
        is_running = self.looker is not None and self.looker.poll() is None
        if not is_running and time.monotonic() >= self.look_s:
            self.look_s = time.monotonic() + LOOK_EVERY_S
            self.looker = self._started("--keep")

    def _started(self, how: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(  # noqa: S603  our own command, no shell
            [sys.executable, "-c", "from monitor.cli import main; main()", "check", how],
            env=dict(os.environ) | {"SILLKEEP_HOME": str(self.settings.home)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )

    def end(self) -> None:
        """End what is still running."""
        for child in (self.checker, self.looker):
            if child is not None and child.poll() is None:
                child.terminate()
                child.wait()


@dataclass(slots=True)
class _Beat:
    """Leaves the pulse of the watch, every few seconds at most."""

    record: "Record"
    part: str
    every_s: int
    last_s: float = float("-inf")
    told: str = "{}"  # of the last whole round

    def __call__(self) -> None:
        if time.monotonic() - self.last_s >= self.every_s:
            self.last_s = time.monotonic()
            self.record.beat(self.part, _now(), self.told)

    def done(self, *, took_s: float) -> None:
        """A round is over."""
        self.told = json.dumps({"round_s": round(took_s, 3), "done_s": _now()})
        self()


@app.command()
def watch(
    number: Annotated[
        int, typer.Option(min=1, help="Which of the watches of this machine (record.watches).")
    ] = 1,
) -> None:
    """Judge, raise alarms and notice silence, round after round."""
    from monitor import watch as watcher
    from monitor.config import BUSY, claim
    from monitor.parts import name_of
    from monitor.store.leasing import leases_of

    settings = _settings()
    part = name_of("watch", number=number, member=settings.broker.member)
    _log_as(part, settings)
    if number > settings.record.watches:
        raise InputError(f"record.watches is {settings.record.watches}: there is no watch {number}")
    lock = claim(settings.home, part)
    if lock is None:
        logging.getLogger("watch").error("another watch of %s is running", settings.home)
        sys.exit(BUSY)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # what is half done is rolled back
    pause = threading.Event()
    with lock, ExitStack() as ending:
        record = _record()
        house = _House(settings)
        ending.callback(house.end)
        _forget_watches(record, settings, now_s=_now())
        beat = _Beat(record, part, settings.record.pulse_seconds)
        is_shared = settings.record.watches > 1 or bool(settings.broker.member)
        leases = leases_of(record, part if is_shared else "", _now)
        while True:
            began_s = time.monotonic()
            done = watcher.tick(record, now_s=_now(), alive=beat, leases=leases)
            beat.done(took_s=time.monotonic() - began_s)
            if done.units:
                logging.getLogger("watch").info(
                    "judged %d units, %d hours, %d alarms", done.units, done.hours, done.raised
                )
            _keep_house(house, record, pause, leases)
            house.keep_list(record)
            pause.wait(TICK_S)


def _keep_house(
    house: _House, record: "Record", pause: threading.Event, leases: "Alone | Leases"
) -> None:
    """What is to be done beside judging, by the watch that has the lot."""
    from monitor import watch as watcher

    with leases.under(watcher.LOT, keep=True) as is_ours:
        if is_ours:
            watcher.in_turn(partial(house.keep, record, pause, now_s=_now()))


def _forget_watches(record: "Record", settings: "Settings", *, now_s: int) -> None:
    """Drop the pulses of watches that the settings ask for no more, and of machines long gone."""
    from monitor.parts import kind_of, member_of, number_of

    for pulse in record.pulses():
        is_here = member_of(pulse.part) == settings.broker.member
        is_unwanted = is_here and number_of(pulse.part) > settings.record.watches
        is_gone = not is_here and pulse.at_s < now_s - GONE_S
        if kind_of(pulse.part) == "watch" and (is_unwanted or is_gone):
            record.settle_pulse(pulse)


@app.command()
def archive() -> None:
    """Mirror readings and hours into the archive of the settings, whatever it does."""
    from monitor.config import BUSY, claim
    from monitor.store import Mirror
    from monitor.store.leasing import leases_of

    settings = _settings()
    _log_as("archive", settings)
    if not settings.archive.url:
        raise InputError("no archive is set: name it with archive.url in sillkeep.toml")
    lock = claim(settings.home, "archive")
    if lock is None:
        logging.getLogger("archive").error("another archive of %s is running", settings.home)
        sys.exit(BUSY)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # what is half done is sent again
    with lock, _record() as record:
        leases = leases_of(record, settings.broker.member, _now)
        Mirror(record.engine, settings.archive, clock=_now).run(threading.Event(), leases)


@app.command()
def pages() -> None:
    """Serve the board."""
    os.execv(sys.executable, [sys.executable, "-m", "dashboards"])  # noqa: S606  no shell


def _log_as(process: str, settings: "Settings") -> None:
    from monitor import logs

    logs.configure(process, settings.log, logs.secrets_of(settings))
    if process != "serve":  # which opens no record
        from monitor.store.engine import limit_cache

        limit_cache(settings.record.cache_mb)


@app.command()
def demo(
    check: Annotated[
        bool, typer.Option("--check", help="Start, wait for the planted leak, report, end.")
    ] = False,
    home: Annotated[Path | None, typer.Option(help="Where the demo keeps its files.")] = None,
) -> None:
    """Start an invented yard of 12 units with two planted leaks, and its board."""
    from monitor import demonstration

    sys.exit(demonstration.run(check=check, home=home, enter=_enter_lot))


# --- the lot --------------------------------------------------------------------------------------


def _enter_lot(home: Path, path: Path, server: "Server | None" = None) -> str:
    """Enter what a lot file holds; what is known already is left as it is."""
    from monitor import lotfile
    from monitor.store import open_record

    lot = lotfile.read_lot(path)
    now_s = _now()
    with open_record(home, server=server) as record:
        for site in lot.sites:
            record.add_site(site)
        for unit in lot.units:
            record.add_unit(unit)
        for entry in lot.zones:
            record.add_zone(entry.site, entry.zone)
        placed = {_place(placement) for placement in record.placements()}
        for placement in lot.placements:
            if _place(placement) not in placed:
                record.place(placement, recorded_s=now_s, who="import", why=path.name)
        record.declare_gateways(lot.gateways)
        noted = {(site.code, e) for site in lot.sites for e in _events(record, site.code)}
        for event in lot.events:
            if (event.site, event.event) not in noted:
                record.add_event(event.site, event.event, recorded_s=now_s, who="import")
    return (
        f"{len(lot.sites)} sites, {len(lot.units)} units, {len(lot.zones)} zones, "
        f"{len(lot.placements)} placements read from {path}"
    )


def _place(placement: "Placement") -> tuple[object, ...]:
    """What makes two entries the same placement, whenever it ended."""
    names = ("site", "node", "probe", "unit", "zone", "from_s")
    return tuple(getattr(placement, name) for name in names)


def _events(record: "Record", site: str) -> "set[Event]":
    units = [unit.code for unit in record.units() if unit.site == site]
    return {event for unit in (*units, "") for event in record.events(site, unit=unit)}


@event_app.command("add")
def event_add(
    kind: Annotated[str, typer.Argument(help="rain, hose, wash, winterised, water on, ...")],
    site: Annotated[str, typer.Option(help="Site code.")],
    unit: Annotated[str, typer.Option(help="Unit code; without it the whole site.")] = "",
    zone: Annotated[str, typer.Option(help="Zone code.")] = "",
    value: Annotated[str, typer.Option(help="Millimetres of rain, a result, ...")] = "",
    at: Annotated[str | None, typer.Option(help="When (RFC 3339); now if left out.")] = None,
    who: Annotated[str, typer.Option(help="Who notes it.")] = "",
) -> None:
    """Note something that happened."""
    from monitor.lot import EVENT_KINDS, Event

    if kind not in EVENT_KINDS:
        raise InputError(f'"{kind}" is no kind of event; use one of: {", ".join(EVENT_KINDS)}')
    now_s = _now()
    at_s = now_s if at is None else _when(at)
    noted = Event(at_s=at_s, kind=kind, value=value, unit=unit, zone=zone)
    _record().add_event(site, noted, recorded_s=now_s, who=who)
    typer.echo(f"noted: {kind} at {_moment(at_s)} UTC")


@node_app.callback(invoke_without_command=True)
def node(
    context: typer.Context,
    replay: Annotated[Path | None, typer.Option(help="CSV file to publish.")] = None,
    site: Annotated[str, typer.Option(help="Site code.")] = "",
    name: Annotated[str, typer.Option("--node", help="Node code.")] = "",
    pace: Annotated[
        float, typer.Option(min=0.0, help="Seconds of file a second; 0: as fast as it goes.")
    ] = 0.0,
    broker: Annotated[str, typer.Option(help="HOST:PORT; else that of the settings.")] = "",
    columns: Annotated[str, typer.Option("--map", help="time=local_time,zone=place")] = "",
    timezone: Annotated[str | None, typer.Option(help="Of times without one.")] = None,
    home: Annotated[Path | None, typer.Option(help="Where the node keeps its outbox.")] = None,
) -> None:
    """Publish a file's history with its own times, and keep each sample until it is stored."""
    if context.invoked_subcommand:
        return
    if replay is None or not site or not name:
        raise InputError(
            "give --replay FILE, --site and --node: whose history is published as whose"
        )
    from rich.console import Console
    from rich.progress import Progress

    from sensors import node as nodes
    from sensors.probes.replay import parse_map

    settings = _settings()
    broker = broker or f"{settings.broker.address}:{settings.broker.port}"
    folder = home or settings.home / "nodes"
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with Progress(console=Console(stderr=True)) as progress:
            bar = progress.add_task(f"{replay.name} -> {site}/{name}", total=None)
            done = nodes.run(
                site=site,
                node=name,
                replay=replay,
                home=folder,
                broker=nodes.parse_broker(broker),
                pace=pace,
                columns=parse_map(columns),
                timezone=timezone,
                tell=lambda state: progress.update(
                    bar, total=state.samples, completed=state.added - state.waiting
                ),
            )
    except ValueError as error:
        raise InputError(str(error)) from error
    for sentence in done.rejects[:5]:
        typer.echo(sentence, err=True)
    typer.echo(f"{done.samples} samples stored, {len(done.rejects)} rows rejected")


class _ProofGroup(TyperGroup):
    """`proof UNIT` shows; `proof open UNIT` opens a repair."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:  # noqa: ANN401  typer's own
        """Take anything that is no command of the group for a unit."""
        if args and args[0] not in self.commands and args[0] != "--help":
            args = ["show", *args]
        return super().parse_args(ctx, args)


proof_app = typer.Typer(
    cls=_ProofGroup, no_args_is_help=True, help="Repairs: how their proofs stand; open one."
)
app.add_typer(proof_app, name="proof")


@proof_app.command("open")
def proof_open(
    unit: Annotated[str, typer.Argument(help="Unit code.")],
    zone: Annotated[
        list[str], typer.Option(help="Zone that was repaired; more than once for more.")
    ],
    done: Annotated[str, typer.Option(help='"closed", or "opened and dried".')],
    who: Annotated[str, typer.Option(help="Who repaired it.")],
    moved: Annotated[
        bool, typer.Option("--moved", help="The probe was put where the water collected.")
    ] = False,
    at: Annotated[str, typer.Option(help="When it was done; now without it.")] = "",
    twin: Annotated[str, typer.Option(help="Zone that stayed dry, to compare with.")] = "",
    goal: Annotated[
        float | None, typer.Option(help="Drying goal in points above the dry standard.")
    ] = None,
    why: Annotated[str, typer.Option(help="Why that goal.")] = "",
    photo: Annotated[
        list[Path] | None,
        typer.Option(help="Photo of where the water came in.", exists=True, dir_okay=False),
    ] = None,
) -> None:
    """Open a repair: from now on rain, thaws and hose tests ask whether water still comes in."""
    from monitor import cases
    from monitor.photos import cleaned
    from monitor.times import parse_time

    now_s = _now()
    opening = cases.Opening(
        unit=unit,
        zones=tuple(zone),
        done=done,
        moved=moved,
        at_s=parse_time(at) if at else now_s,
        who=who,
        twin=twin,
        goal_percent=goal,
        why=why,
        photos=tuple(cleaned(path.read_bytes()) for path in photo or ()),
    )
    with _record() as record:
        cases.open_repair(record, opening, now_s=now_s)
    typer.echo(f"opened: {unit} {', '.join(zone)}; its proof begins with the next midnight (UTC)")


@proof_app.command("show")
def proof(
    unit: Annotated[str, typer.Argument(help="Unit code.")],
    as_json: JsonFlag = False,
) -> None:
    """Say whether the repairs of a unit stayed dry so far, and what is missing."""
    from monitor import text
    from monitor.text.handing import UNREAD

    record = _record(read_only=True)
    if unit not in {known.code for known in record.units()}:
        raise InputError(f'there is no unit "{unit}"')
    found = record.repairs(unit=unit)
    if as_json:
        _print_json(found)
        return
    for repair in found:
        done = f"{datetime.fromtimestamp(repair.repaired_s, UTC):%Y-%m-%d}"
        now = repair.now
        none = UNREAD if repair.is_unread else "no proof yet"
        said = none if now is None else now.verdict
        ended = " (ended by a later repair)" if repair.ended_s else ""
        typer.echo(f"{repair.zone}, repaired {done} ({repair.value}): {said}{ended}")
        if now is None:
            continue
        typer.echo(f"  as of {text.moment(now.at_s)}, so far. {text.size_text(now.size_ml)}")
        for name in now.missing:
            typer.echo(f"  missing: {name}. {text.PROOF_TO_DO[name]}")
    if not found:
        typer.echo(f"no repair of {unit} was noted; open one with: sillkeep proof open {unit}")


@app.command()
def rejects(
    limit: Annotated[int, typer.Option(min=1, help="How many, newest first.")] = 20,
    as_json: JsonFlag = False,
) -> None:
    """List messages that could not be used, with the reason."""
    found = _record(read_only=True).rejects(limit)
    if as_json:
        _print_json(found)
        return
    for reject in found:
        at = f"{datetime.fromtimestamp(reject.received_s, UTC):%Y-%m-%d %H:%M:%S}"
        # whoever published it chose the topic: nothing of it may steer a terminal
        topic = reject.topic if reject.topic.isprintable() else ascii(reject.topic)
        typer.echo(f"{at}  {topic}: {reject.reason}")
    if not found:
        typer.echo("no message was rejected")


@app.command()
def check(
    deep: Annotated[
        bool, typer.Option("--deep", help="Read the record and compare it with its checksums.")
    ] = False,
    alive: Annotated[
        bool, typer.Option("--alive", help="Only say whether every part makes progress.")
    ] = False,
    send: Annotated[
        bool, typer.Option("--send", help="Also send a message to each address of everybody.")
    ] = False,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep what was found for the Chain page.", hidden=True)
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Look at the installation and the record, and say what to do; status 1 if something is broken."""
    settings = _settings()
    if alive:
        from monitor.cli.people import check_alive

        sys.exit(check_alive(as_json=as_json))
    if keep:
        from monitor.cli.checks import keep_checks

        keep_checks(settings)
        return
    if deep:
        _check_deeply()
        sys.exit(_record_told(settings, as_json=as_json))
    from monitor.cli.checks import check_installation

    sys.exit(check_installation(settings, send=send, as_json=as_json))


def _record_told(settings: "Settings", *, as_json: bool) -> int:
    """Say what the record holds and whether it is as it was written; the exit status."""
    from monitor import text
    from monitor.store import keeping

    if as_json:
        counted = _counted(settings)
        typer.echo(json.dumps(counted))
        return int(bool(counted["damages"]))
    counts, checked, archive = _held(settings)
    typer.echo(f"settings and record in {settings.home} can be read")
    for name, count in counts.items():
        typer.echo(f"{name}: {count}")
    if archive is not None:
        typer.echo(
            text.archive_text(
                level_s=archive.from_s,
                now_s=_now(),
                refused=archive.refused,
                trouble=archive.trouble,
            )
        )
    typer.echo(_checked_text(checked))
    typer.echo(drill_said(keeping.last(settings.home)))
    for damage in checked.damages if checked else ():
        typer.echo(f"{damage.kind} {damage.a} {damage.b} {damage.said}".rstrip())
    return int(checked is not None and checked.count > 0)


def _counted(settings: "Settings") -> dict[str, Any]:
    """The same in figures."""
    counts, checked, archive = _held(settings)
    told = {} if archive is None else {"archive behind s": archive.behind_s(_now())}
    return counts | told | {"damages": 0 if checked is None else checked.count}


def _held(settings: "Settings") -> "tuple[dict[str, int], Checked | None, Standing | None]":
    """What the record holds, its last check, and how its archive stands where there is one."""
    from monitor.store.archive import standing

    with _record(read_only=True) as record:
        archive = standing(record.engine) if settings.archive.url else None
        return record.counts(), record.last_check(), archive


def _checked_text(checked: "Checked | None") -> str:
    from monitor import text

    if checked is None:
        return text.UNCHECKED
    kinds = [damage.kind for damage in checked.damages]
    return text.record_text(at_s=checked.at_s, kinds=kinds, count=checked.count)


@app.command()
def restore(
    source: Annotated[Path, typer.Argument(help="A file that `sillkeep backup` made.")],
    force: Annotated[bool, typer.Option("--force", help="Also if it is damaged.")] = False,
) -> None:
    """Put a backup in the place of the record; the record as it was stays beside it."""
    from monitor.config import BUSY, claim
    from monitor.store import backup

    settings = _settings()
    _in_a_file(settings)
    with ExitStack() as locks:
        for part in _locks(settings.home):
            lock = claim(settings.home, part)
            if lock is None:
                typer.echo(
                    f"sillkeep {part} of {settings.home} is running; stop it first", err=True
                )
                sys.exit(BUSY)
            locks.enter_context(lock)
        with _progress() as tell:
            home = settings.record_home
            aside = backup.restore(home, source, now_s=_now(), force=force, tell=tell)
    was = f"; the record as it was is {aside}" if aside else ""
    typer.echo(f"restored and compared: {source}{was}")
    from monitor.cli.provision import follow_credentials

    follow_credentials(aside)


def _locks(home: Path) -> list[str]:
    """Locks of all that may write into the record, of all that ever ran here."""
    from monitor.parts import kind_of

    kinds = ("serve", "intake", "watch", "messages", "archive", "weather")
    found = {file.stem for file in home.glob("*.lock") if kind_of(file.stem) in kinds}
    return [*kinds, *sorted(found - set(kinds))]


@contextmanager
def _progress() -> Iterator[Callable[[str, float], None]]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    # in a log it would leave an empty line
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("", total=1.0)
        yield lambda doing, share: progress.update(bar, description=doing, completed=share)


def _check_deeply() -> None:
    """Read the whole record and compare it with its checksums; the result goes into it."""
    from monitor.store import checking

    os.nice(10)  # nobody waits for it
    with _record() as record, _progress() as tell:
        kinds = checking.KINDS
        checked = checking.check(
            record.engine,
            now_s=_now(),
            tell=lambda kind: tell(f"checking {kind}", kinds.index(kind) / len(kinds)),
        )
        checking.keep(record.engine, checked, said=_checked_text(checked))


# groups of commands of their own; last, for they use what stands above
from monitor.cli.alarms import alarms_app  # noqa: E402
from monitor.cli.bench import bench_app  # noqa: E402
from monitor.cli.documents import handover_app  # noqa: E402  with its own command added
from monitor.cli.exchange import export_app, import_command  # noqa: E402
from monitor.cli.keeping import back_up, drill, drill_said, notice  # noqa: E402
from monitor.cli.limits import limits_app  # noqa: E402
from monitor.cli.load import load_command  # noqa: E402
from monitor.cli.moving import node_place, node_take  # noqa: E402
from monitor.cli.nodes import node_gateway, node_list, node_map, node_run  # noqa: E402
from monitor.cli.people import messages, person_app  # noqa: E402
from monitor.cli.provision import (  # noqa: E402
    broker_app,
    node_add,
    node_claim,
    node_renew,
    node_revoke,
)
from monitor.cli.recompute import recompute  # noqa: E402
from monitor.cli.rounds import round_app  # noqa: E402
from monitor.cli.seals import seal_app  # noqa: E402
from monitor.cli.units import unit_app  # noqa: E402
from monitor.cli.users import user_app  # noqa: E402
from monitor.cli.weather import weather_app  # noqa: E402

app.add_typer(alarms_app, name="alarms")
app.add_typer(bench_app, name="bench")
app.add_typer(export_app, name="export")
app.command("import")(import_command)
app.add_typer(limits_app, name="limits")
app.add_typer(round_app, name="round")
app.add_typer(handover_app, name="handover")
app.add_typer(unit_app, name="unit")
app.add_typer(seal_app, name="seal")
app.add_typer(user_app, name="user")
app.add_typer(person_app, name="person")
app.add_typer(weather_app, name="weather")
app.add_typer(broker_app, name="broker")
app.command()(messages)
app.command("load")(load_command)
app.command("backup")(back_up)
app.command()(drill)
app.command()(notice)
app.command()(recompute)
node_app.command("list")(node_list)
node_app.command("place")(node_place)
node_app.command("take")(node_take)
node_app.command("gateway")(node_gateway)
node_app.command("map")(node_map)
node_app.command("run")(node_run)
node_app.command("add")(node_add)
node_app.command("claim")(node_claim)
node_app.command("renew")(node_renew)
node_app.command("revoke")(node_revoke)
