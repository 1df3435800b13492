"""A node's claim is exchanged for its credential, and kept: node.toml, secret, certificate."""

import json
import os
import tomllib
import urllib.error
import urllib.request
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import msgspec

from sensors.wire import CODE

MOST_BYTES: Final = 262_144  # of an answer: certificates of authorities are a few kB
TIMEOUT_S: Final = 20
_PROBES: Final = """
# What this node measures; `deploy/node.toml` of Sillkeep shows every kind.
# [[probe]]
# code = "p1"
# kind = "sht4x"
"""


class ClaimError(ValueError):
    """The claim cannot be used; the text says why and what to do."""


class Given(msgspec.Struct, frozen=True):
    """What a claim is exchanged for."""

    site: str
    node: str
    host: str
    port: int
    prefix: str
    username: str
    password: str
    ca: str = ""


def claim(url: str, to: Path, *, fetch: Callable[[str], bytes] | None = None) -> list[Path]:
    """Exchange a claim and write what it gives; the files written, `node.toml` first.

    A `node.toml` that is there already is kept: only its secret and certificate are replaced. One
    of another node or broker is left alone, and the new one written beside it.

    Raises
    ------
    ClaimError
        If the address is no claim, the secret would travel in clear, the folder cannot be written,
        or the claim was used, is over or void.
    """
    parts = urlsplit(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname or "/claim/" not in parts.path:
        raise ClaimError(f'"{url[:80]}" is no claim; it looks like https://board/claim/...')
    if parts.scheme == "http" and not _is_loopback(parts.hostname):
        raise ClaimError("the secret would cross the network in clear text: use the https address")
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        _replace(to.parent / ".claim", "")  # before the claim is used up for nothing
        (to.parent / ".claim").unlink()
        former = tomllib.loads(to.read_text(encoding="utf-8")) if to.exists() else None
    except (OSError, ValueError) as error:
        raise ClaimError(
            f"{to} cannot be written or read, and the claim is kept: {error}"
        ) from error
    given = _given((fetch or _fetch)(url))
    return _keep(given, to, former)


def _keep(given: Given, to: Path, former: dict[str, Any] | None) -> list[Path]:
    named = former.get("broker", {}) if former else {}
    is_same = former is not None and (
        former.get("site"),
        former.get("node"),
        named.get("host"),
        named.get("username"),
    ) == (given.site, given.node, given.host, given.username)
    secret = str(named.get("password_file") if is_same else "") or f"{given.node}.password"
    ca = str(named.get("ca_file") if is_same else "") or f"{given.node}-ca.crt"
    written = [to.parent / secret]
    _replace(written[0], f"{given.password}\n")
    if given.ca:
        written.append(to.parent / ca)
        _replace(written[-1], given.ca)
    if not is_same:
        written.insert(0, to if former is None else to.with_name(f"{to.name}.new"))
        _replace(written[0], _toml(given, secret, ca if given.ca else ""))
    return written


def _toml(given: Given, secret: str, ca: str) -> str:
    broker = {
        "host": given.host,
        "port": given.port,
        "prefix": given.prefix,
        "username": given.username,
        "password_file": secret,
    } | ({"ca_file": ca} if ca else {})
    lines = [f"site = {json.dumps(given.site)}", f"node = {json.dumps(given.node)}", "", "[broker]"]
    lines += [f"{name} = {json.dumps(value)}" for name, value in broker.items()]
    return "\n".join(lines) + "\n" + _PROBES


def _given(answer: bytes) -> Given:
    try:
        given = msgspec.json.decode(answer, type=Given)
    except msgspec.MsgspecError as error:
        raise ClaimError(f"what answered is no board of Sillkeep: {error}") from error
    if not all(CODE.fullmatch(each) for each in (given.site, given.node)):
        raise ClaimError("what answered names no node")
    return given


def _fetch(url: str) -> bytes:
    asked = urllib.request.Request(  # noqa: S310  http and https alone, looked at before
        url, data=b"{}", headers={"Content-Type": "application/json"}, method="POST"
    )
    try:
        with urllib.request.urlopen(asked, timeout=TIMEOUT_S) as answer:  # noqa: S310
            found: bytes = answer.read(MOST_BYTES)
    except urllib.error.HTTPError as error:
        said = error.read(300).decode(errors="replace").strip()
        raise ClaimError(f"the board refuses ({error.code}): {said}") from error
    except OSError as error:
        raise ClaimError(f"the board does not answer: {error}") from error
    return found


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def _replace(path: Path, text: str) -> None:
    """Put a file in place whole, for its owner's eyes alone."""
    new = path.with_name(f"{path.name}.part")
    new.unlink(missing_ok=True)
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
