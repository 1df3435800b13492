"""What a board has to know, in one file that is replaced whole."""

import binascii
import json

import files

LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789"
DEFAULTS = {
    "wifi_name": "",
    "wifi_password": "",
    "host": "",
    "port": 8883,
    "prefix": "sillkeep",
    "site": "",
    "node": "",
    "password": "",
    "ca": "",  # base64 of DER in the file, DER in memory
    "every_s": 900,
    "send_each": 24,  # wakes
    "awake_s": 60,  # no wake lasts longer
    "full_mv": 0,  # of the battery, where its voltage is wired to the board; 0: not told
    "empty_mv": 0,
}
WHOLE = {  # least and most
    "port": (1, 65535),
    "every_s": (60, 86400),
    "send_each": (1, 1000),
    "awake_s": (20, 90),
    "full_mv": (0, 20000),
    "empty_mv": (0, 20000),
}
CLAIMED = ("host", "port", "prefix", "site", "node", "password", "ca")  # what a claim gives
LONGEST_SILENCE_S = 31 * 86400  # the monitor takes no longer one


class SettingsError(Exception):
    """The text says which field is wrong and what to write."""


def load(folder):
    """Settings of a board that was set up; None before."""
    data = files.read(folder + "/settings.json")
    if data is None:
        return None
    try:
        given = dict(DEFAULTS)
        given.update(json.loads(data))
        given["ca"] = binascii.a2b_base64(given["ca"])
    except (ValueError, KeyError, TypeError):
        return None
    return with_silence(given)


def save(folder, settings):
    """Keep checked settings."""
    kept = {name: settings[name] for name in DEFAULTS}
    kept["ca"] = binascii.b2a_base64(settings["ca"]).decode().strip()
    files.replace(folder + "/settings.json", json.dumps(kept).encode())


def check(fields):
    """Settings of a form's fields; what a claim in them says goes before the rest.

    Raises
    ------
    SettingsError
        If one is missing or cannot be.
    """
    fields = _with_claim(fields)
    found = {name: fields.get(name, "").strip() or DEFAULTS[name] for name in DEFAULTS}
    for name, (least, most) in WHOLE.items():
        found[name] = _whole(name, found[name], least, most)
    for name, label in (
        ("wifi_name", "Wi-Fi name"),
        ("host", "broker"),
        ("password", "password of the node"),
        ("ca", "certificate"),
    ):
        if not found[name]:
            raise SettingsError("The %s is missing." % label)
    for name in ("site", "node"):
        if not _is_code(found[name]):
            raise SettingsError("The %s is a code of a-z 0-9 - _, 64 at most." % name)
    if found["wifi_password"] and not 8 <= len(found["wifi_password"]) <= 63:
        raise SettingsError("A Wi-Fi password has 8 to 63 characters.")
    if with_silence(found)["silence_s"] > LONGEST_SILENCE_S:
        raise SettingsError("Send at least once in 30 days.")
    found["ca"] = _der(found["ca"])
    return found


def _with_claim(fields):
    """Fields with those that the text of a claim gives."""
    text = fields.get("claim", "").strip()
    if not text:
        return fields
    try:
        told = json.loads(text)
        given = {name: str(told[name]) for name in CLAIMED}
    except (ValueError, KeyError, TypeError):
        raise SettingsError("The claim is the whole text from { to }: copy all of it.")
    found = dict(fields)
    found.update(given)
    return found


def with_silence(settings):
    """Settings with the longest time between two uploads.

    One wake late is still in time, and so is a clock in sleep that is two per cent slow.
    """
    between_s = settings["every_s"] * settings["send_each"]
    settings["silence_s"] = between_s + between_s // 50 + settings["every_s"]
    return settings


def _whole(name, given, least, most):
    try:
        value = int(given)
    except ValueError:
        value = least - 1
    if not least <= value <= most:
        raise SettingsError("%s is a whole number of %d to %d." % (name, least, most))
    return value


def _is_code(text):
    return (
        0 < len(text) <= 64
        and text[0] in LETTERS
        and all(each in LETTERS or each in "-_" for each in text)
    )


def _der(pem):
    """The first certificate of a PEM text, as the bytes it stands for."""
    begin, end = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
    start = pem.find(begin)
    stop = pem.find(end)
    if start < 0 or stop < start:
        raise SettingsError("The certificate is the text from %s to %s." % (begin, end))
    try:
        der = binascii.a2b_base64("".join(pem[start + len(begin) : stop].split()))
    except ValueError:
        der = b""
    if der[:1] != b"\x30":
        raise SettingsError("The certificate is damaged: copy all of it.")
    return der
