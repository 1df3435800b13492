"""Who may do what at the broker: mosquitto's password file and access list, from the record.

::

    record: credentials that hold -> sillkeep.passwd   user and hash, one line each
                                  -> sillkeep.acl      a node: its own samples, state and receipts
                                                       the monitor: what it reads and answers
    own.passwd, own.acl           what somebody wrote by hand beside them is taken in, for nodes
                                  of other makers

Nobody else, nothing anonymous, no wildcard for a node. Both files are put in place whole; the list
last, so that whoever watches it finds both. Mosquitto reads them when it is told to (SIGHUP).
"""

import fcntl
import os
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.config import MOST_INTAKES, Broker, Settings
from monitor.errors import ConfigError
from monitor.parts import member_of, number_of, of_kind
from monitor.store import nodekeys
from sensors.wire import CODE

if TYPE_CHECKING:
    from monitor.store import Record

PASSWD, ACL = "sillkeep.passwd", "sillkeep.acl"
OWN_PASSWD, OWN_ACL = "own.passwd", "own.acl"
MODE = 0o640
LEAST = 16  # characters of the monitor's password: few rounds of hashing stand behind it
_HEAD = "# written by Sillkeep from its record: changes here are lost\n"


def check_name(node: str, broker: Broker) -> None:
    """Refuse a node the name of the monitor, or of somebody entered by hand; ConfigError."""
    if node in {"monitor", *(broker.user(number) for number in range(1, MOST_INTAKES + 1))}:
        raise ConfigError(
            f'"{node}" is the name of the monitor at the broker: name the node otherwise'
        )
    if (folder := broker.access_files) is None:
        return
    _, _, twice = _own(_read(folder / OWN_PASSWD), _read(folder / OWN_ACL), {node})
    if node in twice:
        raise ConfigError(
            f'"{node}" is in {folder / OWN_PASSWD} or {OWN_ACL}: name the node otherwise'
        )


def compose(
    nodes: Sequence[tuple[str, str, str]],
    monitor: tuple[str, str],
    prefix: str,
    mapped: Sequence[str],
    others: Sequence[str] = (),
) -> tuple[str, str]:
    """Text of both files.

    Parameters
    ----------
    nodes : sequence of (site, node, hash)
    monitor : (user name, hash)
    prefix : str
        First part of the topics.
    mapped : sequence of str
        Topic filters of [[map]], which the monitor reads too.
    others : sequence of str
        User names of its further intakes, with the same password.

    Raises
    ------
    ConfigError
        If a name cannot stand in the files.
    """
    user, kept = monitor
    if broken := [each for each in mapped if not each.isprintable()]:
        raise ConfigError(f"[[map]] topic {broken[0]!a} cannot stand in the broker's access list")
    ours = [user, *others]
    passwd, acl = [f"{each}:{kept}" for each in ours], []
    for each in ours:
        acl += [f"user {each}"]
        acl += [f"topic read {prefix}/+/+/{last}" for last in ("senml", "state")]
        acl += [f"topic read {wanted}" for wanted in mapped]
        acl += [f"topic write {prefix}/+/+/receipt", f"topic write {prefix}/monitor/state"]
    for site, node, secret in nodes:
        if node in ours or not (CODE.fullmatch(site) and CODE.fullmatch(node)):
            raise ConfigError(f'"{site}/{node}" cannot be a user of the broker')
        own = f"{prefix}/{site}/{node}"
        passwd.append(f"{node}:{secret}")
        acl += [f"user {node}", f"topic write {own}/senml", f"topic write {own}/state"]
        acl.append(f"topic read {own}/receipt")
    return "\n".join(passwd) + "\n", _HEAD + "\n".join(acl) + "\n"


def keep(record: "Record", settings: Settings, folder: Path | None = None) -> bool:
    """Bring both files up to date; whether anything was written.

    `folder` is that of the settings (`broker.access_files`); without one there is nothing to do.

    Raises
    ------
    ConfigError
        If the monitor has no name or a short password: nothing is written. If a node has a name of the
        monitor's, or something written by hand cannot be: both files are written without it, for a revocation does not wait for that.
    OSError
        If a file cannot be read or written.
    """
    broker = settings.broker
    folder = folder or broker.access_files
    if folder is None:
        return False
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    with (folder / ".lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # whoever wrote last also read last
        before = _read(folder / PASSWD), _read(folder / ACL)
        mapped = sorted({each.topic for each in settings.map})
        monitor = broker.username, _monitor_hash(broker, before[0])
        others = [broker.user(number) for number in _further(record, broker)]
        nodes, taken = _apart(record.node_hashes(), {broker.username, *others})
        wanted = compose(nodes, monitor, broker.prefix, mapped, others)
        passwd, acl, faults = _with_own(folder, *wanted)
        wanted = passwd, acl
        is_new = wanted != before
        for name, text in zip((PASSWD, ACL), wanted, strict=True) if is_new else ():
            _replace(folder / name, text)
    if taken:
        raise ConfigError(
            f"left out, all else is written: {', '.join(taken)} has the name that the monitor itself, or one of its "
            "intakes, has at the broker; revoke that node and add it under another name"
        )
    if faults:
        raise ConfigError(
            f"left out of {folder / OWN_PASSWD} and {OWN_ACL}, all else is written: "
            + ", ".join(f'"{each}"' for each in faults)
            + " (no name of ours, and no pattern, for it holds for our nodes too)"
        )
    return is_new


def _apart(
    nodes: Sequence[tuple[str, str, str]], ours: Collection[str]
) -> tuple[list[tuple[str, str, str]], list[str]]:
    """Nodes that can be users of the broker, and which have a name of ours: a password for two."""
    taken = [f"{site}/{node}" for site, node, _ in nodes if node in ours]
    return [each for each in nodes if each[1] not in ours], taken


def _further(record: "Record", broker: Broker) -> list[int]:
    """Numbers of our further intakes, and of such as were: what the broker keeps for them is still to come."""
    known = [
        number_of(part)
        for part in of_kind("intake", (pulse.part for pulse in record.pulses()))
        if member_of(part) == broker.member
    ]
    return sorted({*range(2, broker.intakes + 1), *known} - {1})


def _monitor_hash(broker: Broker, before: str) -> str:
    """Hash of the monitor's password: the one that is there, while it fits."""
    password = broker.password() or ""
    if not broker.username or len(password) < LEAST:
        raise ConfigError(
            f"the monitor needs broker.username and a password of at least {LEAST} characters in "
            "broker.password_file, such as: openssl rand -base64 24"
        )
    if not all(each.isalnum() or each in "-_" for each in broker.username):
        raise ConfigError("broker.username: letters, digits, - and _ alone")
    for line in before.splitlines():
        name, _, kept = line.partition(":")
        if name == broker.username and nodekeys.matches(kept, password):
            return kept
    return nodekeys.hashed(password)


def _with_own(folder: Path, passwd: str, acl: str) -> tuple[str, str, list[str]]:
    """The files with what somebody wrote by hand, and what was left out of that."""
    ours = {line.partition(":")[0] for line in passwd.splitlines()}
    own_passwd, own_acl, faults = _own(_read(folder / OWN_PASSWD), _read(folder / OWN_ACL), ours)
    # before ours: a line of theirs without a user is then nobody's, and not our last node's
    return passwd + own_passwd, own_acl + acl, faults


def _own(passwd: str, acl: str, ours: Collection[str]) -> tuple[str, str, list[str]]:
    """What of the files by hand can be taken in, and what not: names of ours, and patterns."""
    faults, users, lines = set(), [], []
    for line in passwd.splitlines():
        name = line.partition(":")[0].strip()
        if name in ours:
            faults.add(name)
        else:
            users.append(line)
    user = ""
    for line in acl.splitlines():
        word, *rest = line.split() or [""]
        user = " ".join(rest) if word == "user" else user
        if word == "pattern" or user in ours:
            faults.add("pattern" if word == "pattern" else user)
        else:
            lines.append(line)
    # each line with its end: one that runs on into ours would stop the broker
    return _whole(users), _whole(lines), sorted(faults)


def _whole(lines: Sequence[str]) -> str:
    return "".join(f"{line}\n" for line in lines)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} cannot be read: {error}") from error


def _replace(path: Path, text: str) -> None:
    """Put a file in place whole, readable to its owner and group alone from its first byte."""
    new = path.with_name(f"{path.name}.new")
    new.unlink(missing_ok=True)
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, MODE), "w") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
