"""A look at the installation: settings, broker, record, disk, clock, certificates, ways to people.

::

    sillkeep check          run -> lines, said at once
    sillkeep watch          every 15 minutes, in a process of its own: run -> kept as the pulse `checks`
    the Chain page                                                       -> the same lines, said there

Each look is given some seconds and all begin together, so that a disk or a server that hangs costs its
own line and nothing else. Looking changes nothing and sends nobody anything.
"""

import json
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor import messages
from monitor.checks import network, system
from monitor.config import Server, Settings
from monitor.errors import MonitorError, StoreError
from monitor.parts import kind_of, of_kind
from monitor.serve import answers
from monitor.store import OutboxItem, Record, keeping, open_record
from monitor.store import people as kept
from monitor.store.checking import Checked
from monitor.store.engine import FILE_NAME, reading
from monitor.store.health import BACKUP, CHECKS, CheckLine, Checks, written_checks
from monitor.store.health import checks as last_checks
from monitor.text.checks import SUBJECTS, found_text, to_do_text

WHOLE_S = 10.0  # for each look
CHECK_OLD_S = 26 * 3600  # the record checks itself once a UTC day
BACKUP_OLD_S, BACKUP_TOO_OLD_S = (
    50 * 3600,
    8 * 86_400,
)  # nightly is advised; a week without is no slip
JOURNAL_BYTES = 256_000_000  # SQLite folds it in at 4 MB, unless somebody reads all the while
MUST_BE_ON = ("synchronous_commit", "fsync", "full_page_writes")  # else a power cut loses commits
LATE_S = 10  # that a pulse may be late by
DRILL_OLD_S = 40 * 86_400  # monthly is advised: one that was missed
MOST_WAYS = 12  # addresses that are tried, the first ones

Look = Callable[[], Sequence[CheckLine]]


@dataclass(frozen=True, slots=True)
class Seen:
    """What the record says of the installation; empty where it cannot be opened."""

    lines: tuple[CheckLine, ...] = ()  # about the record itself
    pulses: Mapping[str, int] = field(default_factory=dict)
    details: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    before: Checks | None = None
    newest_s: int = 0  # anything that bears the time of this machine
    post: kept.Post | None = None
    labels: Mapping[str, str] = field(default_factory=dict)  # what may be shown of each address
    size_bytes: int = 0  # of the record


@dataclass(frozen=True, slots=True)
class Moment:
    """The clocks, read at the entry point."""

    now_s: int
    up_s: int = 0  # since the machine started, as a clock that is never set counts
    boot: str = ""  # which start of it; "": unknown


def run(settings: Settings, at: Moment) -> Checks:
    """Look at everything; some seconds at most."""
    seen: list[Seen] = [Seen()]
    server = settings.record.server()

    def store() -> Sequence[CheckLine]:
        seen[0] = look_into(settings.record_home, now_s=at.now_s, server=server)
        return seen[0].lines

    first = in_time({"store": [store]})  # what the others ask is in it
    found = seen[0]
    sizes = system.grown(
        found.before.sizes if found.before else (),
        size=found.size_bytes,
        now_s=at.now_s,
    )
    clock = (at.now_s, at.up_s, at.boot)
    looks: dict[str, list[Look]] = {
        "settings": [lambda: system.settings_file(settings)],
        "secrets": [lambda: system.secrets(settings)],
        "processes": [lambda: processes(settings, found, now_s=at.now_s)],
        "board": [lambda: board(settings, found)],
        "broker": [lambda: network.broker(
            settings,
            is_heard=is_heard(found, now_s=at.now_s, pulse_s=settings.record.pulse_seconds),
            is_started=bool(found.pulses))],
        "disk": [lambda: system.disk(settings.record_home, sizes, beside=server is not None)],
        "clock": [lambda: system.clock(
            found.before.clock if found.before else None, clock, newest_s=found.newest_s)],
        "certificates": [lambda: network.certificates(settings, now_s=at.now_s)],
        "people": ways(settings, found),
        "backup": [lambda: backup(found, now_s=at.now_s, server=server),
                    lambda: [] if server else drill(settings.home, found, now_s=at.now_s)],
    }  # fmt: skip
    lines = [*first, *in_time(looks)]
    order = list(SUBJECTS)
    lines.sort(key=lambda line: order.index(line.of))
    compared = system.compared_with(found.before.clock if found.before else None, clock)
    return Checks(at.now_s, tuple(lines), sizes, compared)


def keep(record: Record, found: Checks) -> None:
    """Keep what was found, for the Chain page and the next look; tell people of certificates that end."""
    record.beat(CHECKS, found.at_s, written_checks(found))
    for line in found.lines:
        if line.word == "broken" and "ends_at_s" in line.facts:
            # once for each certificate when seven days are left, and once when it is over
            key = f"{kept.INSTALLATION}{line.key}/{line.facts['owner']}/{line.facts['ends_at_s']}"
            said = (found_text(line.key, line.facts), to_do_text(line.key, line.word, line.facts))
            record.tell(OutboxItem(key, "people", " ".join(said)), now_s=found.at_s)


def in_time(looks: Mapping[str, Sequence[Look]], *, seconds: float = WHOLE_S) -> list[CheckLine]:
    """Take looks side by side; one that does not end in its time, or fails, is a line as well."""
    results: list[tuple[str, list[CheckLine], threading.Thread]] = []
    for of, each in looks.items():
        for look in each:
            lines: list[CheckLine] = []
            # a daemon: one that hangs for good keeps nobody from ending
            thread = threading.Thread(target=_look, args=(of, look, lines), daemon=True)
            results.append((of, lines, thread))
            thread.start()
    end_s = system.monotonic() + seconds
    found: list[CheckLine] = []
    for of, lines, thread in results:
        thread.join(max(end_s - system.monotonic(), 0.0))
        late = CheckLine(of, "broken", "too slow", {"seconds": int(seconds)})
        found += [late] if thread.is_alive() else lines
    return found


def _look(of: str, look: Look, lines: list[CheckLine]) -> None:
    try:
        lines += look()
    except Exception as error:  # noqa: BLE001  a look that fails says so, and the others go on
        said = str(error) if isinstance(error, MonitorError) else type(error).__name__
        lines.append(CheckLine(of, "broken", "failed", {"error": said}))


# --- the record -----------------------------------------------------------------------------------


def look_into(home: Path, *, now_s: int, server: Server | None = None) -> Seen:
    """Open the record and take from it what the other looks need."""
    if server is None and not (home / FILE_NAME).exists():
        return Seen((CheckLine("store", "look", "store none", {"folder": str(home)}),))
    try:
        with open_record(home, read_only=True, server=server) as record:
            line = served(record, server) if server else opened(home / FILE_NAME)
            return _seen(record, line, now_s=now_s)
    except StoreError as error:
        key = "server closed" if server else "store closed"
        return Seen((CheckLine("store", "broken", key, {"error": _bare(error)}),))


def _seen(record: Record, line: CheckLine, *, now_s: int) -> Seen:
    rows = [pulse for pulse in record.pulses() if not pulse.is_over]
    with reading(record.engine) as db:
        before, post = last_checks(db), kept.post(db, now_s=now_s)
    stamps = [pulse.at_s for pulse in rows]
    stamps += [sample.received_s for sample in record.latest() if sample.received_s]
    people = kept.listed(record.engine)
    return Seen(
        lines=(line, checked(record.last_check(), now_s=now_s)),
        pulses={pulse.part: pulse.at_s for pulse in rows},
        details={pulse.part: json.loads(pulse.detail) for pulse in rows},
        before=before,
        newest_s=max(stamps, default=0),
        post=post,
        labels={k: v for one in people for k, v in zip(one.addresses, one.labels, strict=True)},
        size_bytes=record.size_bytes(),
    )


def served(record: Record, server: Server) -> CheckLine:
    """How the server does what the record relies on."""
    from monitor.store import postgres

    with reading(record.engine) as db:
        found = postgres.standing(db)
    facts: dict[str, str | int] = {
        "where": server.shown,
        "version": found["server_version"],
        "tls": found["tls"] or "no TLS",
        "size_bytes": record.size_bytes(),
    }
    off = [name for name in MUST_BE_ON if found[name] != "on"]
    if off:
        return CheckLine("store", "broken", "server hasty", facts | {"off": ", ".join(off)})
    return CheckLine("store", "OK", "server opens", facts)


def opened(file: Path) -> CheckLine:
    """How large a record that opens is, and its journal of writes."""
    journal = system.size_of(file.with_name(f"{file.name}-wal"))
    if journal > JOURNAL_BYTES:
        return CheckLine("store", "look", "store journal", {"journal_bytes": journal})
    facts = {"size_bytes": system.size_of(file), "journal_bytes": journal}
    return CheckLine("store", "OK", "store opens", facts)


def checked(found: Checked | None, *, now_s: int) -> CheckLine:
    """What the record's check of itself said last."""
    if found is None:
        return CheckLine("store", "look", "store unchecked", {})
    at = {"checked_at_s": found.at_s}
    if found.count:
        return CheckLine("store", "broken", "store damaged", at | {"places": found.count})
    if now_s - found.at_s > CHECK_OLD_S:
        return CheckLine("store", "look", "store check old", at)
    return CheckLine("store", "OK", "store whole", at)


def _bare(error: Exception) -> str:
    return str(error).rstrip(".")


# --- processes ------------------------------------------------------------------------------------


def is_heard(seen: Seen, *, now_s: int, pulse_s: int) -> bool:
    """Whether one intake says, not long ago, that the broker has taken its subscription.

    Not long ago is two pulses: to ask the broker while the intake lives takes its connection away.
    """
    fresh_s = max(messages.ALIVE_S // 10, 2 * pulse_s + LATE_S)
    return any(
        abs(now_s - seen.pulses[part]) < fresh_s and bool(seen.details[part].get("connected"))
        for part in of_kind("intake", seen.pulses)
    )


def processes(settings: Settings, seen: Seen, *, now_s: int) -> list[CheckLine]:
    """Whether each process makes progress."""
    if not any(kind_of(part) in messages.PART_NAMES for part in seen.pulses):
        return [CheckLine("processes", "look", "processes never", {})]
    lines = []
    found = messages.alive(seen.pulses, archive=bool(settings.archive.url), now_s=now_s)
    late = set(messages.late_parts(found))
    for each in found:
        facts: dict[str, str | int] = {"part": each.part}
        if each.ago_s is None:
            lines.append(CheckLine("processes", "broken", "part never", facts))
            continue
        facts["ago_s"] = each.ago_s
        word, key = ("OK", "part alive")
        if each.late:  # of several watches one that lives does the work of all
            word, key = ("broken" if each.part in late else "look", "part late")
        lines.append(CheckLine("processes", word, key, facts))  # type: ignore[arg-type]
    return lines


def board(settings: Settings, seen: Seen) -> list[CheckLine]:
    """Whether the board answers on this machine."""
    facts = {"address": settings.pages.url}
    if settings.pages.idle_minutes is not None:  # the question would start it
        return [CheckLine("board", "OK", "board waits", facts)]
    if answers(settings.pages):
        return [CheckLine("board", "OK", "board answers", facts)]
    if not any(kind_of(part) in messages.PART_NAMES for part in seen.pulses):
        return [CheckLine("board", "look", "board not started", facts)]
    return [CheckLine("board", "broken", "board off", facts)]


# --- people and backups ---------------------------------------------------------------------------


def ways(settings: Settings, seen: Seen) -> list[Look]:
    """One look for each address, one for what waits, and one for the heartbeat."""
    looks: list[Look] = [lambda: told(seen.post)]
    if seen.labels:
        urls = kept.addresses(settings.record_home)
        for key, label in list(seen.labels.items())[:MOST_WAYS]:
            looks.append(lambda key=key, label=label: [network.way(urls.get(key), label)])  # type: ignore[misc]
    if settings.messages.heartbeat_url:
        looks.append(lambda: [network.heartbeat(settings.messages.heartbeat_url)])
    return looks


def told(post: kept.Post | None) -> list[CheckLine]:
    """Whether there is somebody to tell, and what could not be handed over."""
    if post is None:
        return []
    lines = []
    if not post.people:
        lines.append(CheckLine("people", "look", "people none", {}))
    if post.without_address:
        count = len(post.without_address)
        lines.append(CheckLine("people", "look", "people without", {"count": count}))
    if post.waiting and post.trouble:
        facts: dict[str, str | int] = {"count": post.waiting, "error": post.trouble}
        lines.append(CheckLine("people", "broken", "messages wait", facts))
    if post.expired:
        lines.append(CheckLine("people", "look", "messages late", {"count": post.expired}))
    return lines


def backup(seen: Seen, *, now_s: int, server: Server | None = None) -> list[CheckLine]:
    """How old the last backup is that this record knows of; a server's own are not known here."""
    if server is not None:
        return [CheckLine("backup", "OK", "backup elsewhere", {"where": server.shown})]
    at_s = seen.pulses.get(BACKUP)
    if at_s is None:
        return [CheckLine("backup", "look", "backup none", {})]
    age_s = max(now_s - at_s, 0)
    word = "OK" if age_s < BACKUP_OLD_S else "look" if age_s < BACKUP_TOO_OLD_S else "broken"
    facts = {"made_at_s": at_s, "ago_for_s": age_s}
    return [CheckLine("backup", word, "backup made", facts)]  # type: ignore[arg-type]


def drill(home: Path, seen: Seen, *, now_s: int) -> list[CheckLine]:
    """Whether a backup was shown to come back, and when last; nothing where none are made."""
    found = keeping.last(home)
    if found is None:
        return [CheckLine("backup", "look", "drill none", {})] if BACKUP in seen.pulses else []
    if found.trouble:
        return [CheckLine("backup", "look", "drill failed", found.facts)]
    word = "OK" if now_s - found.at_s < DRILL_OLD_S else "look"
    return [CheckLine("backup", word, "drill whole", found.facts)]  # type: ignore[arg-type]
