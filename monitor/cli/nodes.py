"""`sillkeep node list` and `node gateway`: where nodes are, and through what they are heard."""

from typing import Annotated, Any

import typer

from monitor.cli import JsonFlag, _moment, _record
from monitor.errors import InputError


def node_list(as_json: JsonFlag = False) -> None:
    """List nodes with their gateway, the zones they watch, and when each was last heard."""
    with _record(read_only=True) as record:
        gateways = record.gateways()
        zones: dict[tuple[str, str], list[str]] = {}
        for placed in record.placements():
            if placed.to_s is None and placed.zone:
                watched = f"{placed.unit or placed.site}/{placed.zone}"
                zones.setdefault((placed.site, placed.node), []).append(watched)
        heard: dict[tuple[str, str], int] = {}
        for sample in record.latest():
            key = (sample.site, sample.node)
            heard[key] = max(heard.get(key, 0), sample.at_s)
    rows: list[dict[str, Any]] = [
        {
            "site": site,
            "node": node,
            "gateway": gateways.get((site, node), ""),
            "zones": zones.get((site, node), []),
            "heard_s": heard.get((site, node)),
        }
        for site, node in sorted({*zones, *heard})
    ]
    if as_json:
        import json

        typer.echo(json.dumps(rows))
        return
    for row in rows:
        at_s = row["heard_s"]
        when = _moment(at_s) if at_s else "never heard"
        via = f"via {row['gateway']}" if row["gateway"] else "no gateway named"
        watched = ", ".join(row["zones"]) or "watches nothing"
        typer.echo(f"{row['site']}/{row['node']}  {when}  {via}  {watched}")
    if not rows:
        typer.echo("no node is entered")


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
