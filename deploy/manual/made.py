"""Parts of the manual that are made from the program when it is built, as Markdown."""

import ast
import inspect
import json
import re
from collections.abc import Callable, Iterator, Mapping
from math import log2
from operator import attrgetter
from pathlib import Path
from typing import Any, get_args

import typer

from deploy.manual import drawings
from monitor import alarms, text, watch
from monitor.bench import CASE_H
from monitor.cli import app
from monitor.config import Settings
from monitor.evidence.entries import couplings
from monitor.evidence.weights import shipped
from monitor.files import HOURS_COLUMNS
from monitor.judge.rules import LIMITS
from monitor.lot import ALARM_KINDS, AlarmClass
from monitor.text import bench, cases, rounds  # noqa: F401  so that `text` has them
from sensors import wire

ROOT = Path(__file__).parents[2]

UNITS = {  # by the end of a key
    "minutes": "minutes", "days": "days", "years": "years", "km": "km", "_s": "seconds", "batch": "points",
}  # fmt: skip


# --- settings -------------------------------------------------------------------------------------


def settings(_words: str) -> str:
    """All keys of `sillkeep.toml`, a table of them at a time."""
    schema = Settings.model_json_schema()
    parts = []
    for name, field in schema["properties"].items():
        if name == "home":
            continue
        table, many = _table(field, schema)
        head = f"[[{name}]]" if many else f"[{name}]"
        parts.append(f"## `{head}`\n\n{_meaning(table)}\n")
        parts += [_rows(name, table, schema)]
    return "\n".join(parts)


def setting_keys() -> Iterator[tuple[str, str]]:
    """Every key with its description, "" where it has none."""
    schema = Settings.model_json_schema()
    for name, field in schema["properties"].items():
        if name != "home":
            yield from _keys(name, _table(field, schema)[0], schema)


def _keys(
    name: str, table: Mapping[str, Any], schema: Mapping[str, Any]
) -> Iterator[tuple[str, str]]:
    for key, field in table["properties"].items():
        yield f"{name}.{key}", field.get("description", "")
        inner, _ = _table(field, schema)
        if inner:
            yield from _keys(f"{name}.{key}", inner, schema)


def _table(field: Mapping[str, Any], schema: Mapping[str, Any]) -> tuple[dict[str, Any], bool]:
    """The table that a key holds, and whether there may be many of it; empty: it holds a value."""
    if "items" in field:
        return _table(field["items"], schema)[0], True
    for one in (field, *field.get("anyOf", ())):
        if "$ref" in one:
            return schema["$defs"][one["$ref"].rpartition("/")[2]], False
    return {}, False


def _meaning(table: Mapping[str, Any]) -> str:
    return inspect.cleandoc(table.get("description", ""))


def _rows(name: str, table: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    lines = ["| key | may be | if left out | unit | meaning |", "|---|---|---|---|---|"]
    inner = []
    for key, field in table["properties"].items():
        held, _ = _table(field, schema)
        left_out = "must be given" if key in table.get("required", ()) else _default(field)
        kind = _inline(held) if held else _kind(key, field)
        lines.append(
            f"| `{name}.{key}` | {kind} | {left_out} | {_unit(key)} | {field.get('description', '')} |"
        )
        if held and "at" not in held["properties"]:
            inner.append((f"{name}.{key}", held))
    tables = "\n".join(lines) + "\n"
    shown = []
    for path, held in inner:
        if not shown:  # the tables of a kind are alike
            named = " and ".join(f"`[{one}]`" for one, _ in inner)
            shown.append(f"{_meaning(held)} ({named}, each with these keys)\n")
        shown.append(_rows(path, held, schema))
    return "\n".join([tables, *shown])


def _inline(held: Mapping[str, Any]) -> str:
    """A table that is written in braces."""
    if "at" not in held["properties"]:
        return "a table, see below"
    unit = held["properties"].get("unit")
    if unit is None:
        return "`{ at }`"
    choices = unit.get("enum", [unit.get("const")])
    return f"`{{ at, unit }}`, unit {_or([json.dumps(one) for one in choices])}"


def _or(choices: list[str]) -> str:
    return " or ".join(f"`{one}`" for one in choices)


def _kind(key: str, field: Mapping[str, Any]) -> str:
    for one in field.get("anyOf", (field,)):
        if one.get("type") != "null":
            return _plain_kind(key, one)
    return "text"


def _plain_kind(key: str, field: Mapping[str, Any]) -> str:
    if "enum" in field:
        return _or([json.dumps(one) for one in field["enum"]])
    if field.get("format") == "path":
        return "path of a file" if key.endswith("file") else "path of a folder"
    if field.get("type") in {"integer", "number"}:
        whole = "whole number" if field["type"] == "integer" else "number"
        ends = [f"{field[end]:g}" for end in ("minimum", "maximum") if end in field]
        return f"{whole}, {' to '.join(ends)}" if ends else whole
    if field.get("type") == "boolean":
        return "`true` or `false`"
    return "a list" if field.get("type") == "array" else "text"


def _default(field: Mapping[str, Any]) -> str:
    value = field.get("default")
    return "nothing" if value in (None, "", []) else f"`{json.dumps(value)}`"


def _unit(key: str) -> str:
    return next((unit for end, unit in UNITS.items() if key.endswith(end)), "")


# --- commands -------------------------------------------------------------------------------------


def command_names() -> list[str]:
    """Every command as typed, groups left out."""
    return [name for name, _ in _walk(typer.main.get_command(app), "sillkeep")]


def commands(_words: str) -> str:
    """Every command with its arguments and options."""
    parts, group = [], ""
    for name, command in _walk(typer.main.get_command(app), "sillkeep"):
        own = " ".join(name.split()[:2])
        if own != group:
            parts.append(f"## `{own}`\n")
            group = own
            if name != own:
                parts.append(f"{_group_help(own)}\n")
        if name != own:
            parts.append(f"### `{name}`\n")
        parts.append(f"{_text(command.help)}\n")
        parts.append(_options(command))
    return "\n".join(parts)


def _group_help(name: str) -> str:
    root: Any = typer.main.get_command(app)
    return _text(root.commands[name.split()[1]].help)


def _walk(command: Any, name: str) -> Iterator[tuple[str, Any]]:  # noqa: ANN401  typer's own
    inner = getattr(command, "commands", {})
    if not inner or (command.invoke_without_command and name != "sillkeep"):
        yield name, command
    for word, one in inner.items():
        yield from _walk(one, f"{name} {word}")


def _text(said: str | None) -> str:
    return re.sub(r"(?<=\S)\n(?=\S)", " ", inspect.cleandoc(said or "")).replace("[[", "\\[\\[")


def _options(command: Any) -> str:  # noqa: ANN401
    rows = []
    for one in command.params:
        if "--help" in one.opts:
            continue
        is_option = one.param_type_name == "option"
        name = " / ".join((*one.opts, *one.secondary_opts)) if is_option else one.name.upper()
        must = "must be given" if one.required else _left_out(one.default)
        said = (getattr(one, "help", "") or "").replace("|", "\\|").replace("[[", "\\[\\[")
        rows.append(f"| `{name}` | {said} | {must} |")
    if not rows:
        return ""
    return "\n".join(["| word | meaning | if left out |", "|---|---|---|", *rows, ""])


def _left_out(default: Any) -> str:  # noqa: ANN401
    if default is None or default is False or default == "":
        return ""
    if default is True:
        return "yes"
    return f"`{default}`"


# --- alarms, limits, figures ----------------------------------------------------------------------


def alarm_table(_words: str) -> str:
    """Kinds of alarm: class, what begins and what ends them."""
    lines = ["| alarm | class | begins after | ends after |", "|---|---|---|---|"]
    for kind in ALARM_KINDS:
        if kind in watch.DELAYS:
            delay = watch.DELAYS[kind]
            lines.append(f"| {kind} | {alarms.CLASSES[kind]} | {delay.begins} | {delay.ends} |")
    return "\n".join(lines) + "\n"


def classes(_words: str) -> str:
    """Classes of alarms and the time each allows."""
    lines = ["| class | answer |", "|---|---|"]
    lines += [f"| {name} | {text.TIME_ALLOWED[name]} |" for name in get_args(AlarmClass)]
    return "\n".join(lines) + "\n"


def limits(_words: str) -> str:
    """Limits that can be changed, with what they are by default."""
    lines = ["| name | limit | by default |", "|---|---|---|"]
    lines += [
        f"| `{name}` | {said} | {getattr(LIMITS, name):g} |"
        for name, said in text.LIMIT_NAMES.items()
    ]
    return "\n".join(lines) + "\n"


def found_leaks(_words: str) -> str:
    """How many simulated leaks were found, by size, as the weights tell it of worlds they never saw."""
    shares: dict[str, str] = {}
    part = shipped().table.tried_on.partition("own threshold")[2].partition("\nunseen")[0]
    lines = [
        "| water each rain | leaks tried | found at any time | within 60 days | half of them within, days |",
        "|---|---|---|---|---|",
    ]
    for size, leaks, found, within, days in re.findall(
        r"^\s+(all|\d+ mL)\s+n\s+(\d+)\s+found\s+([\d.]+) ±\s+[\d.]+ %\s+within 60 d\s+([\d.]+) %\s+median\s+(\d+) d",
        part,
        re.MULTILINE,
    ):
        lines.append(f"| {size} | {leaks} | {found} % | {within} % | {days} |")
        shares[size] = within
    false = re.search(r": ([\d.]+) false", part)
    if false is None or len(lines) < 7:
        raise ValueError("the weights tell their figures otherwise than the manual reads them")
    missed = 100 - float(shares["20 mL"])
    said = f"\nSo {missed:.0f} % of leaks of 20 mL at each rain are not found within sixty days.\nFalse suspicions on the same worlds: {false[1]} a healthy zone and year.\n"
    return "\n".join(lines) + "\n" + said


def coupling_table(_words: str) -> str:
    """How many simulated leaks were found, by what they add to the humidity at the probe."""
    lines = ["| the leak adds at the probe, points of humidity | leaks | found |", "|---|---|---|"]
    for one in couplings().classes:
        most = "more" if one.most_points is None else f"{one.most_points:g}"
        between = (
            f"{one.least_points:g} to {most}"
            if one.most_points
            else f"{one.least_points:g} or more"
        )
        lines.append(f"| {between} | {one.leaks} | {100 * one.found / one.leaks:.0f} % |")
    return "\n".join(lines) + "\n"


def meter_bands(_words: str) -> str:
    """Labels of hand meters' figures, as a round shows them."""
    said = [rounds.meter_label(float(percent)) for percent in range(101)]
    bands = "\n".join(f"- {label}" for label in dict.fromkeys(said))
    return f"{bands}\n\nOf the {rounds.SCALE}, without a source.\n"


def columns(_words: str) -> str:
    """Columns of the file of judged hours; a new one ends the build until it is explained."""
    lines = ["| column | is |", "|---|---|"]
    lines += [f"| `{name}` | {_COLUMNS[name]} |" for name in HOURS_COLUMNS]
    return "\n".join(lines) + "\n"


_COLUMNS = {
    "time": "start of the hour",
    "unit": "unit",
    "zone": "zone",
    "kind": "kind of zone",
    "readings": "readings in the hour",
    "coverage_percent": "share of the hour that they cover",
    "temperature_c": "mean temperature, °C",
    "humidity_percent": "mean relative humidity, %",
    "dew_point_c": "dew point, below 0 °C frost point, °C",
    "humidity_ratio_g_kg": "water in the air, g a kg of dry air",
    "surface_humidity_percent": "humidity at the coldest surface, in a wall beside the wood, %",
    "dew_point_margin_k": "how far that surface is above the dew point, K",
    "wood_moisture_percent": "wood moisture, %",
    "moisture_basis": "air or pin: what that is taken from",
    "mould_class": "how readily its material lets mould grow, VS, S, MR or R",
    "mould_index": "mould index, 0 to 6",
    "mould_index_low": "across longer gaps: the index if the missing hours were dry",
    "mould_index_high": "across longer gaps: the index if they were wet",
    "mould_index_sensitive": "the index of class VS, the readiest, beside it",
    "days_to_index_1": "days to index 1 if the last 24 hours went on",
    "days_to_index_3": "the same to index 3",
    "thirty_day_humidity_percent": "humidity at the surface, mean of 30 days, %",
    "rot_hours": "rot hours so far",
    "leak_score": "leak score, 0 to 1",
    "state": "dry, damp, wet or unknown",
    "trend": "steady, wetting or drying",
    "cause": "cause",
    "witnessed": "wettings witnessed so far",
}


# --- messages and sources -------------------------------------------------------------------------


def quantities(_words: str) -> str:
    """Names on the wire with their units and limits in them, as rows of a table."""
    rows = []
    for name, units in wire._QUANTITIES.items():
        for unit, one in units.items():
            low, high = ((limit - one.offset) / one.factor for limit in (one.low, one.high))
            shown = "`vb`: true or false | |" if one.flag else f"{_limit(low)} | {_limit(high)} |"
            rows.append(f"| `{name}` | {f'`{unit}`' if unit else 'none'} | {shown}")
    return "\n".join(rows)


def _limit(value: float) -> str:
    power = round(log2(value + 1)) if value > 1e9 else 0
    if power and abs(value - 2**power) <= 1:
        return f"2^{power}" if value == 2**power else f"2^{power} - 1"
    return f"{value:.6g}"


def sources(_words: str) -> str:
    """References of every module that names some, by what the module is about."""
    parts = []
    for path in sorted(
        path for top in ("monitor", "sensors") for path in (ROOT / top).rglob("*.py")
    ):
        said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        _, mark, listed = said.partition("References\n----------\n")
        if mark:
            name = path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".")
            entries = re.split(r"^\.\. \[\d+\] ", listed, flags=re.MULTILINE)[1:]
            items = "\n".join(f"1. {' '.join(entry.split())}" for entry in entries)
            about = said.partition("\n\n")[0].replace("\n", " ")
            parts.append(f"## `{name}`\n\n{about}\n\n{items}\n")
    return "\n".join(parts)


# --- places and safety ----------------------------------------------------------------------------


def kit(words: str) -> str:
    """A kit in a body: NAME SLIDES BODY."""
    name, slides, body_type = words.split(maxsplit=2)
    one = drawings.KITS[name]
    return f"{one.purpose}\n\n{drawings.kit(name, body_type, int(slides))}\n"


def bodies(words: str) -> str:
    """A kit in every body."""
    return "\n".join(
        f"### {title}\n\n{drawings.kit(words, body_type, slides)}\n"
        for title, body_type, slides in drawings.bodies()
    )


def sentences(words: str) -> str:
    """Sentences of the program by their names in `monitor.text`, a paragraph each."""
    return "\n\n".join(attrgetter(name)(text) for name in words.split()) + "\n"


def mould(_words: str) -> str:
    """What is said of cleaning: the long caution without what other chapters of it say."""
    before = f"{text.LOOK_FROM_A_LADDER} {text.CUT_THE_POWER} "
    own = text.CAUTION_LONG.removeprefix(before).partition(f" {text.SHARP_SMELL}")[0]
    return f"{own}\n\n{text.CAUTION_CLEANING.partition('. ')[0]}.\n"


def bench_steps(_words: str) -> str:
    """How a probe is checked over salt, as the Bench page tells it."""
    lines = [f"{number}. {step}" for number, step in enumerate(bench.STEPS, start=1)]
    cautions = "\n".join(f"- {one}" for one in bench.CAUTIONS)
    return (
        "\n".join(lines)
        + f"\n\n{bench.PRACTICE} (A case takes up air within about {CASE_H:g} hours.)\n\n{cautions}\n"
    )


MADE: Mapping[str, Callable[[str], str]] = {
    "settings": settings,
    "commands": commands,
    "alarms": alarm_table,
    "classes": classes,
    "limits": limits,
    "found-leaks": found_leaks,
    "coupling": coupling_table,
    "kit": kit,
    "bodies": bodies,
    "sentences": sentences,
    "bench-steps": bench_steps,
    "columns": columns,
    "meter-bands": meter_bands,
    "mould": mould,
    "quantities": quantities,
    "sources": sources,
}
