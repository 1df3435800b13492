"""`sillkeep bench`: probes checked in a box over salt."""

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import JsonFlag, _moment, _now, _one_site, _print_json, _record, _when
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.lot import BenchCheck
    from monitor.store import Record

bench_app = typer.Typer(
    help="Checks of probes over salt: how, point, back, list, undo.", no_args_is_help=True
)
Who = Annotated[str, typer.Option(help="Your name.")]


@bench_app.command("how")
def bench_how() -> None:
    """How a probe is checked, step by step."""
    from monitor.catalogue import say
    from monitor.text import bench as words

    for number, step in enumerate(words.STEPS, 1):
        typer.echo(f"{number}. {say(step)}")
    typer.echo("")
    for caution in words.CAUTIONS:
        typer.echo(f"! {say(caution)}")
    typer.echo("")
    for unknown in (*words.UNKNOWN, words.PRACTICE):
        typer.echo(f"? {say(unknown)}")


@bench_app.command("point")
def bench_point(
    node: Annotated[str, typer.Argument(help="Node code.")],
    salt: Annotated[str, typer.Option(help="MgCl2, NaCl, LiCl, K2CO3, KCl or K2SO4.")],
    who: Who,
    probe: Annotated[str, typer.Option(help="Its probe.")] = "p1",
    site: Annotated[str, typer.Option(help="Site code, where two sites have such a node.")] = "",
    batch: Annotated[str, typer.Option(help="What the salt's label says.")] = "",
    from_: Annotated[str, typer.Option("--from", help="Since when it is in the box.")] = "",
    to: Annotated[str, typer.Option(help="Until when it was; without it, until now.")] = "",
) -> None:
    """Enter what a probe reads at rest over a salt; refused while it is not at rest."""
    from monitor import bench, correction

    now_s = _now()
    since_s = _when(from_) if from_ else None
    span = bench.window(now_s, from_s=since_s, to_s=_when(to) if to else None)
    with _record() as record:
        place = (site or _site_of(record, node), node, probe)
        times, celsius, percent = record.probe_readings(*place, from_s=span[0], to_s=span[1])
        found = bench.settling(at_s=times, temperature_c=celsius, humidity_percent=percent)
        point = bench.point(
            found, place=place, salt=salt, batch=batch, from_s=since_s, who=who, now_s=now_s
        )
        number = record.add_bench_point(point)
        checks = record.bench_checks(place[0], node)
        lies = correction.open_points(p for p in record.bench_points() if p.number == number)
    check = next(one for one in checks if any(p.number == number for p in one.points[-1:]))
    typer.echo(f"point {number}. {_said(check)}")
    if lies:
        typer.echo(
            "Until you say that it is in its place again, what it reads is of no zone: "
            f"sillkeep bench back {node} --probe {probe} --site {place[0]} --who NAME"
        )


@bench_app.command("back")
def bench_back(
    node: Annotated[str, typer.Argument(help="Node code.")],
    who: Who,
    probe: Annotated[str, typer.Option(help="Its probe.")] = "p1",
    site: Annotated[str, typer.Option(help="Site code, where two sites have such a node.")] = "",
    at: Annotated[str, typer.Option(help="Since when; without it, now.")] = "",
) -> None:
    """Say that a probe is in its place again; until then nothing it reads is of its zone."""
    if not who.strip():
        raise InputError("say who puts it back")
    now_s = _now()
    back_s = _when(at) if at else now_s
    with _record() as record:
        place = (site or _site_of(record, node), node, probe)
        record.put_back(*place, back_s=back_s, who=who.strip()[:80], now_s=now_s)
    typer.echo(
        f"{'/'.join(place)} is in its place since {_moment(back_s)} UTC; its zone is judged again "
        "after two days"
    )


@bench_app.command("list")
def bench_list(
    node: Annotated[str, typer.Argument(help="Node code; without it all.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """List checks with their points, and points that were taken back."""
    from monitor import correction

    with _record(read_only=True) as record:
        checks = record.bench_checks(node=node)
        undone = [
            point
            for point in record.bench_points()
            if point.undone_s is not None and node in {"", point.node}
        ]
    if as_json:
        _print_json(checks)
        return
    for check in correction.whole(checks):
        typer.echo(_said(check))
    for point in undone:
        typer.echo(
            f"point {point.number} of {point.site}/{point.node}/{point.probe} ({point.salt}) was taken "
            f"back by {point.undone_who}: {point.undone_why}"
        )
    if not checks and not undone:
        typer.echo("no probe was checked")


@bench_app.command("undo")
def bench_undo(
    number: Annotated[int, typer.Argument(help="Number from `sillkeep bench list`.")],
    who: Who,
    why: Annotated[str, typer.Option(help="The reason; it stands in the record for good.")],
) -> None:
    """Take a point back: wrong salt, lid open. What it corrected is judged again without it.

    What the probe read in the box stays out of its zone.
    """
    from monitor import correction

    if not who.strip() or not why.strip():
        raise InputError("say who takes it back, and why")
    with _record() as record:
        point = record.undo_bench_point(
            number, who=who.strip()[:80], why=why.strip()[:400], now_s=_now()
        )
    typer.echo(
        f"point {number} of {point.site}/{point.node}/{point.probe} is taken back; what it read in the "
        f"box until {_moment(correction.box_end_s(point) or point.at_s)} UTC stays out of its zone"
    )


def _site_of(record: "Record", node: str) -> str:
    placed = {(one.site, one.node) for one in record.placements()}
    return _one_site(node, placed | {(one.site, one.node) for one in record.latest()})


def _said(check: "BenchCheck") -> str:
    from monitor.text import bench as words

    points = "; ".join(
        f"[{point.number}] "
        + words.point_text(
            point.salt,
            measured=point.measured_percent,
            reference=point.reference_percent,
            celsius=point.temperature_c,
        )
        for point in check.points
    )
    what = words.check_text(
        check.correction(30.0),
        check.correction(80.0),
        points=len(check.points),
        accuracy=check.uncertainty_percent,
    )
    batch = f", batch {check.batch}" if check.batch else ""
    return (
        f"{check.site}/{check.node}/{check.probe} after {_moment(check.at_s)} UTC: {what}. "
        f"{points} ({check.who}{batch})"
    )
