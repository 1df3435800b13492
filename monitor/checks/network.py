"""What others answer: the broker, the board's own address, servers that take messages.

Nothing is published and no message is sent. While an intake is connected it has shown already that the
broker takes our user and subscription, and the broker is not asked again: where brokers give all
connections of a user one client name, a second one would take the first one's place. Else the broker is
asked as the intake would ask, under its name and with its session, and what was waiting goes on waiting.
"""

import socket
import ssl
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from cryptography import x509
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor import intake, messages
from monitor.config import Broker, Settings, is_loopback
from monitor.errors import InputError
from monitor.parts import name_of
from monitor.store.health import CheckLine

ANSWER_S = 3.0  # for each answer of a server
STEP_S = 0.1
SOON_DAYS, VERY_SOON_DAYS = 30, 7  # before a certificate ends
DAY_S = 86_400
EXPIRED = 10  # X509_V_ERR_CERT_HAS_EXPIRED of OpenSSL

Text = dict[str, str | int]


# --- TLS ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shown:
    """What a server showed: when its certificate ends (0: not known), and what is wrong."""

    ends_s: int = 0
    problem: str = ""  # off, unnamed, no TLS, not trusted, over
    error: str = ""


def reach(host: str, port: int) -> Shown:
    """Open a connection and close it."""
    try:
        socket.create_connection((host, port), ANSWER_S).close()
    except OSError as error:
        return _off(error)
    return Shown()


def certificate(host: str, port: int, *, ca_file: Path | None = None) -> Shown:
    """Open a connection with TLS and see what certificate it shows; `ca_file` None: this machine's."""
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ValueError) as error:
        return Shown(problem="not trusted", error=_said(error))
    try:
        plain = socket.create_connection((host, port), ANSWER_S)
    except OSError as error:
        return _off(error)
    try:
        return Shown(_ends(plain, host, context))
    except ssl.SSLCertVerificationError as error:
        is_over = error.verify_code == EXPIRED
        problem = "over" if is_over else "not trusted"
        return Shown(_ends_of_any(host, port), problem, error.verify_message)
    except (
        OSError
    ) as error:  # it hangs up, waits for something else, or answers in another language
        return Shown(problem="no TLS", error=_said(error))


def _ends(plain: socket.socket, host: str, context: ssl.SSLContext) -> int:
    with plain, context.wrap_socket(plain, server_hostname=host) as secure:
        shown = secure.getpeercert(binary_form=True)
    return _end_of(x509.load_der_x509_certificate(shown)) if shown else 0


def _ends_of_any(host: str, port: int) -> int:
    """The same of a certificate that nobody vouches for; nothing but its end is believed."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        return _ends(socket.create_connection((host, port), ANSWER_S), host, context)
    except (OSError, ValueError):
        return 0


def _end_of(found: x509.Certificate) -> int:
    return int(found.not_valid_after_utc.timestamp())


def _off(error: OSError) -> Shown:
    if isinstance(error, socket.gaierror):
        return Shown(problem="unnamed", error=_said(error))
    return Shown(problem="off", error=_said(error))


def _said(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return f"no answer within {ANSWER_S:.0f} s"
    if isinstance(error, ssl.SSLError) and error.reason:
        return error.reason.replace("_", " ").lower()
    return getattr(error, "strerror", None) or type(error).__name__


# --- the broker -----------------------------------------------------------------------------------


def broker(settings: Settings, *, is_heard: bool, is_started: bool) -> list[CheckLine]:
    """Whether the broker answers, is the one meant, and takes the monitor."""
    at = settings.broker
    facts: Text = {"address": f"{at.address}:{at.port}"}
    shown = (
        reach(at.address, at.port)
        if at.ca_file is None
        else certificate(at.address, at.port, ca_file=at.ca_file)
    )
    if shown.problem:
        if at.embedded and not is_started:
            return [CheckLine("broker", "look", "broker not started", facts)]
        if at.embedded:
            return [CheckLine("broker", "broken", "broker of ours off", facts)]
        facts |= {"error": shown.error, "file": str(at.ca_file)}
        return [CheckLine("broker", "broken", _BROKER[shown.problem], facts)]
    lines = [heard(facts) if is_heard else _taken(at, settings, facts)]
    if at.ca_file is None and not is_loopback(at.address):
        lines.append(CheckLine("broker", "look", "broker in clear", facts))
    return lines


_BROKER: Mapping[str, str] = {
    "off": "broker off",
    "unnamed": "broker unnamed",
    "no TLS": "broker no TLS",
    "not trusted": "broker not trusted",
    "over": "broker certificate over",
}


def heard(facts: Text) -> CheckLine:
    """That the intake is connected, which shows all there is to show."""
    return CheckLine("broker", "OK", "broker heard", facts)


def _taken(at: Broker, settings: Settings, facts: Text) -> CheckLine:
    filters = sorted({each.topic for each in settings.map})
    key, error = Trial(at, filters).run()
    if error:
        facts["error"] = error
    if key == "broker refuses topics":
        facts["topic"] = f"{at.prefix}/+/+/senml"
    return CheckLine("broker", "OK" if key == "broker takes us" else "broken", key, facts)


@dataclass(slots=True)
class Trial:
    """One connection as the intake would make it, up to its subscription."""

    broker: Broker
    filters: Iterable[str]
    found: tuple[str, str] | None = None  # name of the sentence, and the broker's reason
    client: mqtt.Client = field(init=False)

    def run(self) -> tuple[str, str]:
        """What came of it, within some seconds."""
        client = self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=intake.client_name(self.broker, name_of("intake", member=self.broker.member)),
            protocol=mqtt.MQTTv5,
            manual_ack=True,  # nothing is acknowledged: what waits for the intake goes on waiting
        )
        client.connect_timeout = ANSWER_S
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        try:
            intake.connect(client, self.broker, receive_maximum=1)
            return self._wait()
        except (ValueError, KeyError):
            return "broker old", ""  # an answer that MQTT 5 does not have
        except OSError as error:
            return "broker off", _said(error)

    def _wait(self) -> tuple[str, str]:
        end_s = time.monotonic() + ANSWER_S
        is_open = True
        while self.found is None and is_open and time.monotonic() < end_s:
            is_open = self.client.loop(STEP_S) == MQTTErrorCode.MQTT_ERR_SUCCESS
        self.client.disconnect()
        return self.found or ("broker mute", "")

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            is_old = str(reason) == "Unsupported protocol version"
            self.found = ("broker old", "") if is_old else ("broker refuses us", str(reason))
            return
        client.subscribe(intake.samples_of(self.broker, self.filters))

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        self.found = ("broker refuses topics", refused[0]) if refused else ("broker takes us", "")


# --- certificates ---------------------------------------------------------------------------------


def certificates(settings: Settings, *, now_s: int) -> list[CheckLine]:
    """When those end that nodes and browsers are shown."""
    lines: list[CheckLine] = []
    at = settings.broker
    if at.ca_file is not None:
        shown = certificate(at.address, at.port, ca_file=at.ca_file)
        lines += _ending("broker", shown, now_s=now_s)
        lines += authorities(at.ca_file, now_s=now_s)
    parts = urlsplit(settings.messages.board_url)
    if parts.scheme == "https" and parts.hostname:
        shown = certificate(parts.hostname, parts.port or 443)
        address = f"{parts.hostname}:{parts.port or 443}"
        facts: Text = {"address": address, "error": shown.error}
        if shown.problem == "not trusted":
            lines.append(CheckLine("certificates", "broken", "board not trusted", facts))
        elif shown.problem in {"off", "unnamed", "no TLS"}:
            lines.append(CheckLine("certificates", "look", "board address off", facts))
        lines += _ending("board", shown, now_s=now_s)
    return lines or [CheckLine("certificates", "OK", "certificates none", {})]


def _ending(owner: str, shown: Shown, *, now_s: int) -> list[CheckLine]:
    return [ending(owner, shown.ends_s, now_s=now_s)] if shown.ends_s else []


def authorities(file: Path, *, now_s: int) -> list[CheckLine]:
    """When the first of those ends that may have signed the broker's."""
    try:
        found = x509.load_pem_x509_certificates(file.read_bytes())
    except (OSError, ValueError) as error:
        facts: Text = {"owner": "authority", "error": _said(error)}
        return [CheckLine("certificates", "look", "certificate unknown", facts)]
    return [ending("authority", min(map(_end_of, found)), now_s=now_s)] if found else []


def ending(owner: str, ends_s: int, *, now_s: int) -> CheckLine:
    """What the end of a certificate means today."""
    facts: Text = {"owner": owner, "ends_at_s": ends_s}
    if ends_s <= now_s:
        return CheckLine("certificates", "broken", "certificate over", facts)
    days = (ends_s - now_s) // DAY_S
    facts["days"] = days
    if days >= SOON_DAYS:
        return CheckLine("certificates", "OK", "certificate good", facts)
    is_urgent = days < VERY_SOON_DAYS
    return CheckLine("certificates", "broken" if is_urgent else "look", "certificate good", facts)


# --- ways to people -------------------------------------------------------------------------------


def way(url: str | None, label: str) -> CheckLine:
    """Whether the server of an address answers; nothing is sent to it."""
    facts: Text = {"label": label}
    if url is None:
        return CheckLine("people", "broken", "way gone", facts)
    try:
        plugin: Any = messages.parse(url)
    except InputError as error:
        return CheckLine("people", "broken", "way refused", facts | {"error": str(error)})
    host, port = _server(plugin)
    if not host:
        return CheckLine("people", "OK", "way untried", facts)
    facts["host"] = f"{host}:{port}"
    shown = reach(host, port)
    if shown.problem:
        return CheckLine("people", "broken", "way off", facts | {"error": shown.error})
    return CheckLine("people", "OK", "way answers", facts)


def _server(plugin: Any) -> tuple[str, int]:  # noqa: ANN401  Apprise's own kinds
    """Host and port of an address, "" where only its service knows them."""
    host = getattr(plugin, "smtp_host", None)
    if host:
        return str(host), int(plugin.port or 587)
    if messages.is_web(plugin) and plugin.host:
        return str(plugin.host), int(plugin.port or (443 if plugin.secure else 80))
    return "", 0


def heartbeat(url: str) -> CheckLine:
    """Whether the server that is called while all is well answers; it is not called here."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
    facts: Text = {"host": f"{host}:{port}"}
    shown = reach(host, port)
    if shown.problem:
        return CheckLine("people", "broken", "heartbeat off", facts | {"error": shown.error})
    return CheckLine("people", "OK", "heartbeat answers", facts)
