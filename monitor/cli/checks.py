"""`sillkeep check`: how the installation does, line by line."""

import json
import os
from typing import TYPE_CHECKING

import typer

from monitor.cli import _counted, _log_as, _now, _record, _record_told

if TYPE_CHECKING:
    from monitor.checks import Moment
    from monitor.config import Settings
    from monitor.store.health import CheckLine

WORD_WIDTH = 8


def _clocks() -> "Moment":
    from monitor.checks import Moment, system

    return Moment(_now(), system.up_s(), system.boot())


def keep_checks(settings: "Settings") -> None:
    """Look, and keep what was found; what cannot be kept is in the log."""
    from monitor import checks

    _log_as("check", settings)
    os.nice(10)  # nobody waits for it
    found = checks.run(settings, _clocks())
    with _record() as record:
        checks.keep(record, found)


def check_installation(settings: "Settings", *, send: bool, as_json: bool) -> int:
    """Look, and say what was found and what to do; 1 if something is broken, else 0."""
    from monitor import checks
    from monitor.store.engine import FILE_NAME
    from monitor.text.checks import summary_text

    lines = list(checks.run(settings, _clocks()).lines)
    if send:
        lines += sent(settings)
    broken = sum(line.word == "broken" for line in lines)
    look = sum(line.word == "look" for line in lines)
    is_there = bool(settings.record.address) or (settings.record_home / FILE_NAME).exists()
    opens = is_there and not any(line.key in {"store closed", "server closed"} for line in lines)
    if as_json:
        counted = _counted(settings) if opens else {}
        typer.echo(json.dumps(counted | {"checks": [_plain(line) for line in lines]}))
        return int(broken > 0)
    status = _record_told(settings, as_json=False) if opens else 0
    typer.echo("")
    for line in lines:
        _say(line)
    typer.echo("")
    typer.echo(summary_text(broken=broken, look=look, fine=len(lines) - broken - look))
    return int(broken > 0 or status)


def sent(settings: "Settings") -> list["CheckLine"]:
    """Send one message to each address of everybody who is told."""
    from monitor.messages import tried
    from monitor.store import people
    from monitor.store.health import CheckLine

    urls, now_s, lines = people.addresses(settings.record_home), _now(), []
    with _record(read_only=True) as record:
        everybody = people.listed(record.engine)
    for person in everybody:
        for label, error in tried(person, urls, now_s=now_s):
            line = CheckLine("people", "OK", "way sent", {"label": label})
            if error:
                facts = {"label": label, "error": error}
                line = CheckLine("people", "broken", "way refused", facts)
            lines.append(line)
    return lines


def _say(line: "CheckLine") -> None:
    from monitor.text.checks import SUBJECTS, found_text, to_do_text

    found = found_text(line.key, line.facts)
    typer.echo(f"{line.word:{WORD_WIDTH}}{SUBJECTS[line.of]}: {found}")
    if to_do := to_do_text(line.key, line.word, line.facts):
        typer.echo(f"{'':{WORD_WIDTH}}{to_do}")


def _plain(line: "CheckLine") -> dict[str, object]:
    from monitor.text.checks import found_text, to_do_text

    return {
        "of": line.of,
        "word": line.word,
        "key": line.key,
        "found": found_text(line.key, line.facts),
        "to do": to_do_text(line.key, line.word, line.facts),
        "facts": dict(line.facts),
    }
