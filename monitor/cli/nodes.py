"""`sillkeep node list`, `gateway`, `map` and `run`: where nodes are, how they are heard; being one."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli import JsonFlag, _moment, _now, _record, _settings
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.store import Record
    from monitor.store.nodekeys import Access
    from sensors.formats.mapped import Mapped
    from sensors.wire import Reading


def node_list(
    as_json: JsonFlag = False,
    heard_within: Annotated[
        int | None,
        typer.Option(min=1, help="Seconds: status 1 if a node in use was last heard longer ago."),
    ] = None,
) -> None:
    """List nodes with their gateway, the zones they watch, and when each was last heard."""
    with _record(read_only=True) as record:
        rows = _node_rows(record)
    if as_json:
        import json

        typer.echo(json.dumps(rows))
    else:
        for row in rows:
            typer.echo(_node_text(row))
        if not rows:
            typer.echo("no node is entered")
    if heard_within is None:
        return
    since_s = _now() - heard_within
    late = [f"{row['site']}/{row['node']}" for row in rows if _is_late(row, since_s)]
    if late:
        typer.echo(f"not heard within {heard_within} s: {', '.join(late)}", err=True)
        sys.exit(1)


def _node_rows(record: "Record") -> list[dict[str, Any]]:
    gateways = record.gateways()
    zones: dict[tuple[str, str], list[str]] = {}
    for placed in record.placements():
        watches = zones.setdefault((placed.site, placed.node), [])
        if placed.to_s is None and placed.zone:
            watches.append(f"{placed.unit or placed.site}/{placed.zone}")
    access = record.node_access(now_s=_now())
    heard: dict[tuple[str, str], int] = {}
    for sample in record.latest():
        key = (sample.site, sample.node)
        heard[key] = max(heard.get(key, 0), sample.at_s)
    return [
        {
            "site": site,
            "node": node,
            "gateway": gateways.get((site, node), ""),
            "zones": zones.get((site, node), []),
            "heard_s": heard.get((site, node)),
            "access": _access(access.get((site, node))),
        }
        for site, node in sorted({*zones, *heard, *access})
    ]


def _node_text(row: dict[str, Any]) -> str:
    at_s = row["heard_s"]
    when = _moment(at_s) if at_s else "never heard"
    via = f"via {row['gateway']}" if row["gateway"] else "no gateway named"
    watched = ", ".join(row["zones"]) or "watches nothing"
    return f"{row['site']}/{row['node']}  {when}  {via}  {watched}  {row['access']}"


def _is_late(row: dict[str, Any], since_s: int) -> bool:
    """Whether a node that watches a zone gave no sample since then."""
    return bool(row["zones"]) and (row["heard_s"] is None or row["heard_s"] < since_s)


def _access(found: "Access | None") -> str:
    """How a node stands with the broker, in words."""
    from monitor.text import nodes as text

    if found is None:
        return "no credential from here"
    at = {
        name: f"{_moment(at_s)} UTC" if (at_s := getattr(found, f"{name}_s")) else ""
        for name in ("claimed", "waits", "ended")
    }
    return text.access_text(**at, why=found.why)


def node_gateway(
    node: Annotated[str, typer.Argument(help="Node code.")],
    gateway: Annotated[str, typer.Argument(help='Name of what it is heard through; "" for none.')],
    site: Annotated[str, typer.Option(help="Site code.")],
) -> None:
    """Say through which gateway a node is heard: nodes of one that fall silent are told once."""
    with _record() as record:
        known = {(p.site, p.node) for p in record.placements()}
        if (site, node) not in known:
            raise InputError(f'there is no node "{node}" placed on {site}')
        record.declare_gateways({(site, node): gateway})
    typer.echo(f"{site}/{node} is heard through {gateway or 'no named gateway'}")


def node_map(
    test: Annotated[Path, typer.Option(help="JSON file: one message, or one a line.")],
    topic: Annotated[
        str, typer.Option(help="Topic it came on; without it, each map is tried.")
    ] = "",
    as_json: JsonFlag = False,
) -> None:
    """Show what a message of another maker becomes by [[map]] of the settings; nothing is kept."""
    from sensors.formats import mapped

    maps = [each.compiled() for each in _settings().map]
    if not maps:
        raise InputError("the settings have no [[map]]: README, Nodes of other makers, shows one")
    wanted = [each for each in maps if not topic or mapped.matches(each.topic, topic)]
    if not wanted:
        filters = ", ".join(each.topic for each in maps)
        raise InputError(f"no [[map]] takes the topic {topic}; there are {filters}")
    rows = []
    is_whole = True
    for payload in _messages(test):
        for each in wanted:
            found = mapped.explain(each, topic or each.topic, payload, received_s=_now())
            is_whole = is_whole and found.is_whole
            rows.append(_mapped_row(each.topic, found))
            if not as_json:
                _show_mapped(each.topic, found)
    if as_json:
        import json

        typer.echo(json.dumps(rows))
    if not is_whole:
        raise typer.Exit(1)


def _messages(file: Path) -> list[bytes]:
    """The whole file if it is one message, else its lines."""
    import msgspec

    try:
        given = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file} cannot be read: {error}") from error
    try:
        msgspec.json.decode(given)
    except (ValueError, RecursionError):
        lines = [line for line in given.splitlines() if line.strip()]
        return lines if len(lines) > 1 else [given]
    return [given]


def _mapped_row(topic: str, found: "Mapped") -> dict[str, Any]:
    import msgspec

    return {
        "map": topic,
        "fields": [step._asdict() | {"value": _plain(step.value)} for step in found.steps],
        "readings": msgspec.to_builtins(found.readings),
        "problems": found.problems,
    }


def _plain(value: object) -> Any:  # noqa: ANN401  what JSON takes
    import msgspec

    return msgspec.to_builtins(value)


def _show_mapped(topic: str, found: "Mapped") -> None:
    from sensors.formats.mapped import CHANNELS

    typer.echo(f"[[map]] {topic}")
    for step in found.steps:
        if step.problem:
            became = f"NOT USED: {step.problem}"
        elif step.found is None:
            became = "not in it"
        else:
            value = _moment(int(str(step.value))) if step.field == "time" else _plain(step.value)
            unit = f" {step.unit}" if step.unit else ""
            own = next(iter(CHANNELS[step.field].units)) if step.field in CHANNELS else ""
            became = f"{str(step.found)[:60]}{unit} -> {value} {own}".rstrip()
        typer.echo(f"  {step.field:<12} {step.expression:<32} {became}")
    for reading in found.readings:
        typer.echo(f"  reading: {_reading_text(reading)}")
    if not found.readings:
        typer.echo(f"  NO READING: {'; '.join(found.problems)}")


def _reading_text(reading: "Reading") -> str:
    from sensors.wire import LIMITS

    at = _moment(reading.at_s) if reading.at_s is not None else "time pending"
    told_apart = f"number {reading.seq}" if reading.seq is not None else "by its time"
    names = [name for name in (*LIMITS, "contact") if name not in {"boot", "seq", "uptime_s"}]
    values = {name: getattr(reading, name) for name in names}
    shown = [f"{name} {value:g}" for name, value in values.items() if value is not None]
    return (
        f"{reading.site}/{reading.node}/{reading.probe} {at} UTC ({told_apart}): {', '.join(shown)}"
    )


def node_run(
    settings: Annotated[Path, typer.Argument(help="node.toml: site, node, broker, probes.")],
    new_counter: Annotated[
        list[str] | None,
        typer.Option(help="Address of a Bluetooth probe that lost its counter with its battery."),
    ] = None,
) -> None:
    """Be a node: sample the probes of this computer, keep each sample until it is stored."""
    import logging
    import signal
    import threading
    import time

    from sensors import gateway

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        gateway.run(
            settings,
            clock=time.time,  # noqa: TID251  entry point
            timer=time.monotonic,
            new_counters=tuple(new_counter or ()),
            stop=stop,
        )
    except (ValueError, OSError) as error:
        raise InputError(str(error)) from error
