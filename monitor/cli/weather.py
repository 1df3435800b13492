"""`sillkeep weather`: services and files of weather that others measured."""

import logging
import signal
import sys
import threading
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli import JsonFlag, _log_as, _now, _pairs, _print_json, _record, _settings
from monitor.errors import InputError, WeatherError

weather_app = typer.Typer(
    no_args_is_help=True, help="Weather that others measured: services and files."
)


@weather_app.command("run")
def weather_run() -> None:
    """Ask the services of the settings, round after round."""
    from monitor import weather
    from monitor.config import BUSY, claim

    settings = _settings()
    _log_as(weather.PART, settings)
    if not settings.weather:
        raise InputError("no service is set: describe one under [[weather]] in sillkeep.toml")
    lock = claim(settings.home, weather.PART)
    if lock is None:
        logging.getLogger(weather.PART).error("another weather of %s is running", settings.home)
        sys.exit(BUSY)
    pause = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: pause.set())
    with lock:
        weather.run(settings, clock=_now, pause=pause)


@weather_app.command("ask")
def weather_ask(as_json: JsonFlag = False) -> None:
    """Ask each service of the settings once and show what was understood; nothing is kept."""
    from monitor import weather

    settings = _settings()
    found = []
    for station in settings.weather:
        told: dict[str, object] = {"name": station.name, "site": station.site}
        try:
            answer = weather.fetch(station, weather.Cached())
        except WeatherError as error:
            found.append(told | {"problems": [str(error)]})
            continue
        problems: list[str] = []
        for part, figures in (("observed", station.observed), ("forecast", station.forecast)):
            if figures is not None:
                mapped = weather.mapped(answer, figures, timezone=station.timezone)
                told[part] = [
                    {
                        "at_s": row.at_s,
                        "temperature_c": row.temperature,
                        "humidity_percent": row.humidity,
                        "rain_mm": row.rain,
                    }
                    for row in mapped.rows
                ]
                problems += mapped.problems
        found.append(told | {"problems": problems})
    if as_json:
        _print_json(found)
    else:
        for told in found:
            _say(told)
        if not found:
            typer.echo("no service is set: describe one under [[weather]] in sillkeep.toml")
    if any(told["problems"] for told in found):
        sys.exit(1)


def _say(told: dict[str, object]) -> None:
    from monitor import text

    typer.echo(f"{told['name']}, for {told['site']}")
    for part in ("observed", "forecast"):
        rows = told.get(part)
        if not isinstance(rows, list):
            continue
        typer.echo(f"  {part}: {len(rows)} times")
        for row in rows[:3] + (["..."] if len(rows) > 6 else []) + rows[3:][-3:]:
            if row == "...":
                typer.echo("    ...")
                continue
            figures = (("temperature_c", "°C"), ("humidity_percent", "%"), ("rain_mm", "mm"))
            said = [f"{row[name]:g} {unit}" for name, unit in figures if row[name] is not None]
            typer.echo(f"    {text.moment(row['at_s'])}  {', '.join(said)}")
    for problem in told["problems"]:  # type: ignore[attr-defined]
        typer.echo(f"  problem: {problem}")


@weather_app.command("import")
def weather_import(
    path: Annotated[Path, typer.Argument(help="CSV or Parquet of times and figures, or an .epw.")],
    site: Annotated[str, typer.Option(help="Site code.")],
    name: Annotated[str, typer.Option(help="Who measured it; shown beside the figures.")],
    distance_km: Annotated[float, typer.Option(help="How far from the site.")],
    zone: Annotated[str, typer.Option(help="Zone of the site that it fills.")] = "weather-record",
    columns: Annotated[
        str, typer.Option("--map", help="Names of foreign columns: time=date,rain_mm=precip")
    ] = "",
    timezone: Annotated[
        str | None, typer.Option(help="Of times without one: Europe/Brussels or +01:00")
    ] = None,
    fahrenheit: Annotated[bool, typer.Option("--fahrenheit", help="Temperatures are °F.")] = False,
) -> None:
    """Take weather that was measured near a site into the record; what is there already stays."""
    from monitor import weatherfile

    found = weatherfile.read(
        path,
        site=site,
        zone=zone,
        columns=_pairs(columns),
        timezone=timezone,
        fahrenheit=fahrenheit,
    )
    with _record() as record:
        kept = weatherfile.keep(
            record,
            found.readings,
            site=site,
            zone=zone,
            name=name,
            distance_km=distance_km,
            now_s=_now(),
        )
    for note in found.notes:
        typer.echo(note, err=True)
    typer.echo(
        f"{kept} new of {len(found.readings)} times of {name}, {distance_km:g} km from {site}"
    )
