"""The command line. Each command reads the clock and the settings, and hands them to one function.

Imports inside the commands keep `sillkeep --help` fast: pandas and Dash take most of a second.
"""

import json
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.errors import InputError, MonitorError

if TYPE_CHECKING:
    from monitor.config import Settings
    from monitor.lot import Event, Placement
    from monitor.store import Record

app = typer.Typer(
    name="sillkeep",
    help="Watches temperature and humidity where water collects in an RV, and says what it means.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
    rich_markup_mode=None,  # plain help: rich costs a third of a second at each start
)
alarms_app = typer.Typer(help="Alarms: list and acknowledge.", invoke_without_command=True)
event_app = typer.Typer(help="What a person noted: rain, hose tests, winterising ...")
node_app = typer.Typer(help="A node: publish what a probe or a file says.")
app.add_typer(alarms_app, name="alarms")
app.add_typer(event_app, name="event")
app.add_typer(node_app, name="node")

TICK_S = 10.0  # between rounds of the watch: liquid water is told within a minute

JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON for a script.")]


def main() -> None:
    """Entry point: errors that a person can mend are one sentence, exit status 2."""
    try:
        app()
    except MonitorError as error:
        typer.echo(f"sillkeep: {error}", err=True)
        sys.exit(2)


def _settings() -> "Settings":
    from monitor.config import home_folder, load

    return load(home_folder())


def _record(*, read_only: bool = False) -> "Record":
    from monitor.store import open_record

    return open_record(_settings().record_home, read_only=read_only)


def _now() -> int:
    return int(time.time())  # noqa: TID251  the entry point reads the clock


def _when(text: str) -> int:
    from monitor.times import parse_time

    return parse_time(text)


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

    _log_to_stderr()
    sys.exit(supervisor.serve(_settings()))


@app.command()
def intake() -> None:
    """Take in readings from the broker."""
    from monitor import intake as taker

    _log_to_stderr()
    sys.exit(taker.run(_settings()))


@app.command()
def watch() -> None:
    """Judge, raise alarms and notice silence, round after round."""
    from monitor import watch as watcher
    from monitor.config import BUSY, claim

    _log_to_stderr()
    settings = _settings()
    lock = claim(settings.home, "watch")
    if lock is None:
        typer.echo(f"another watch of {settings.home} is running", err=True)
        sys.exit(BUSY)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # what is half done is rolled back
    pause = threading.Event()
    with lock:
        record = _record()
        while True:
            done = watcher.tick(record, now_s=_now())
            record.beat("watch", _now(), "{}")
            if done.units:
                logging.getLogger("watch").info(
                    "judged %d units, %d hours, %d alarms", done.units, done.hours, done.raised
                )
            pause.wait(TICK_S)


@app.command()
def pages() -> None:
    """Serve the board."""
    os.execv(sys.executable, [sys.executable, "-m", "dashboards"])  # noqa: S606  no shell


def _log_to_stderr() -> None:
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(name)s %(levelname)s %(message)s", force=True
    )
    logging.getLogger("alembic").setLevel(logging.WARNING)


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


@app.command("import")
def import_lot(
    path: Annotated[Path, typer.Argument(help="lot.toml: sites, units, zones, nodes.")],
) -> None:
    """Read sites, units, zones and node placements from a file into the record."""
    typer.echo(_enter_lot(_settings().record_home, path))


def _enter_lot(home: Path, path: Path) -> str:
    """Enter what a lot file holds; what is known already is left as it is."""
    from monitor import lotfile
    from monitor.store import open_record

    lot = lotfile.read_lot(path)
    now_s = _now()
    with open_record(home) as record:
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
    typer.echo(f"noted: {kind} at {datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC")


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


@alarms_app.callback(invoke_without_command=True)
def alarms_list(
    context: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Also those that ended.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """List alarms that ask for something."""
    if context.invoked_subcommand:
        return
    found = _record(read_only=True).alarms(open_only=not every)
    if as_json:
        import msgspec

        typer.echo(msgspec.json.encode(found).decode())
        return
    for alarm in found:
        raised = f"{datetime.fromtimestamp(alarm.raised_s, UTC):%Y-%m-%d %H:%M}"
        place = " ".join(filter(None, (alarm.unit or alarm.site, alarm.zone or alarm.node)))
        typer.echo(
            f"{alarm.alarm_id:>5}  {raised}  {alarm.class_:<9}  {place}: {alarm.kind}, {alarm.state}"
        )
    if not found:
        typer.echo("no alarm is standing")


@alarms_app.command("acknowledge")
def alarms_acknowledge(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep alarms`.")],
    who: Annotated[str, typer.Option(help="Your name.")],
) -> None:
    """Take an alarm on: say that somebody sees to it."""
    from monitor import watch as watcher

    watcher.acknowledge(_record(), number, who=who, now_s=_now())
    typer.echo(f"alarm {number} acknowledged by {who}")


@app.command()
def rejects(
    limit: Annotated[int, typer.Option(min=1, help="How many, newest first.")] = 20,
    as_json: JsonFlag = False,
) -> None:
    """List messages that could not be used, with the reason."""
    import msgspec

    found = _record(read_only=True).rejects(limit)
    if as_json:
        typer.echo(msgspec.json.encode(found).decode())
        return
    for reject in found:
        at = f"{datetime.fromtimestamp(reject.received_s, UTC):%Y-%m-%d %H:%M:%S}"
        typer.echo(f"{at}  {reject.topic}: {reject.reason}")
    if not found:
        typer.echo("no message was rejected")


@app.command()
def check(as_json: JsonFlag = False) -> None:
    """Check the settings and say what the record holds."""
    settings = _settings()
    counts = _record(read_only=True).counts()
    if as_json:
        typer.echo(json.dumps(counts))
        return
    typer.echo(f"settings and record in {settings.home} can be read")
    for name, count in counts.items():
        typer.echo(f"{name}: {count}")


if __name__ == "__main__":
    main()
