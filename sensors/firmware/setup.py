"""First set-up: the board is a Wi-Fi of its own with one page, for a few minutes.

Its password is made on this board, is shown on the cable only, and is the same until the flash is
erased. The form travels inside that Wi-Fi, in clear; what is set is never shown again.
"""

import os
import select
import socket
import time

import files
import settings

OPEN_S = 600
LARGEST_FORM = 12288
ONE_CLIENT_MS = 5000
DIGITS = "23456789abcdefghjkmnpqrstuvwxyz"  # none that is taken for another
FIELDS = (
    ("wifi_name", "Wi-Fi name", "text"),
    ("wifi_password", "Wi-Fi password", "password"),
    ("host", "Broker, as its certificate names it", "text"),
    ("port", "Port", "number"),
    ("prefix", "First part of the topics", "text"),
    ("site", "Site", "text"),
    ("node", "Node (and its user name at the broker)", "text"),
    ("password", "Password of the node at the broker", "password"),
    ("every_s", "Seconds from one sample to the next", "number"),
    ("send_each", "Samples from one upload to the next", "number"),
    ("full_mv", "Battery when full, mV (0: not wired)", "number"),
    ("empty_mv", "Battery when empty, mV", "number"),
)
PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><title>Sillkeep node</title>
<meta name="viewport" content="width=device-width,initial-scale=1">
<style>body{font:16px sans-serif;max-width:30em;margin:1em auto;padding:0 1em}
label{display:block;margin:.8em 0}input,textarea,button{display:block;width:100%%;
box-sizing:border-box;min-height:44px;font:inherit}textarea{height:8em}</style>
<h1>Sillkeep node</h1><p role="alert"><b>%s</b></p>%s</html>"""
FORM = """<form method="post" action="/"><label>Claim, if the monitor gave you one: the whole text.
Then only the Wi-Fi is left to fill in<textarea name="claim" autocapitalize="off"
autocorrect="off" spellcheck="false"></textarea></label>%s<label>Certificate of the authority that
signed the broker's (PEM)<textarea name="ca">%s</textarea></label><button>Keep</button></form>"""


def access(folder):
    """Name and password of this board's own Wi-Fi, made once."""
    text = files.read(folder + "/access") or b""
    if not text.endswith(b"\n"):
        drawn = [each for each in os.urandom(64) if each < 248]  # 8 * 31: every digit as likely
        letters = "".join(DIGITS[each % 31] for each in drawn)
        text = ("sillkeep-%s %s\n" % (letters[:4], letters[4:16])).encode()
        files.replace(folder + "/access", text)
    name, password = text.decode().split()
    return name, password


def run(board, folder):
    """Open the access point until settings are kept or the time is up; whether they are."""
    name, password = access(folder)
    address = board.open_access_point(name, password)
    board.say("Set-up for %d min: Wi-Fi %s, password %s" % (OPEN_S // 60, name, password))
    board.say("then open http://%s/ - note both on the board" % address)
    board.light(True)
    listener = socket.socket()
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(socket.getaddrinfo(address, board.setup_port)[0][-1])
        listener.listen(1)
        return serve(listener, folder, OPEN_S * 1000)
    finally:
        listener.close()
        board.close_access_point()
        board.light(False)


def serve(listener, folder, open_ms):
    """Answer one request after another; True once settings are kept."""
    began = time.ticks_ms()
    waiting = select.poll()
    waiting.register(listener, select.POLLIN)
    while True:
        left_ms = open_ms - time.ticks_diff(time.ticks_ms(), began)
        if left_ms <= 0:
            return False
        if not waiting.poll(left_ms):
            continue
        client = listener.accept()[0]
        try:
            if _answer(client, folder):
                return True
        except (OSError, ValueError, MemoryError):
            pass  # the phone went away, or sent no form
        finally:
            client.close()


def _answer(client, folder):
    method, path, body = _request(client)
    if method == "GET" and path == "/":
        _reply(client, "200 OK", _form("", settings.DEFAULTS))
        return False
    if method != "POST" or path != "/":
        _reply(client, "404 Not Found", PAGE % ("Nothing is here.", ""))
        return False
    fields = _fields(body)
    try:
        settings.save(folder, settings.check(fields))
    except settings.SettingsError as error:
        shown = dict(settings.DEFAULTS)
        shown.update(fields)
        _reply(client, "400 Bad Request", _form("%s Enter the passwords again." % error, shown))
        return False
    _reply(
        client, "200 OK", PAGE % ("Kept. The board now restarts and sends its first sample.", "")
    )
    return True


def _form(problem, values):
    rows = []
    for name, label, kind in FIELDS:
        value = "" if kind == "password" else _escaped(str(values.get(name, "")))
        rows.append(
            '<label>%s<input type="%s" name="%s" value="%s" autocapitalize="off" '
            'autocorrect="off" spellcheck="false"></label>' % (label, kind, name, value)
        )
    certificate = _escaped(str(values.get("ca", "")))
    return PAGE % (_escaped(problem), FORM % ("".join(rows), certificate))


def _reply(client, status, page):
    data = page.encode()
    head = "HTTP/1.0 %s\r\nContent-Type: text/html; charset=utf-8\r\nContent-Length: %d\r\n" % (
        status,
        len(data),
    )
    data = (head + "Cache-Control: no-store\r\nConnection: close\r\n\r\n").encode() + data
    while data:
        data = data[client.send(data) :]


def _request(client):
    """Method, path and body; ValueError where it is too large or none."""
    client.settimeout(ONE_CLIENT_MS / 1000)
    began = time.ticks_ms()
    data = b""
    while b"\r\n\r\n" not in data:
        data = _more(client, data, began)
    head, _, body = data.partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    method, path, _ = lines[0].split(" ", 2)
    length = 0
    for line in lines[1:]:
        name, _, value = line.partition(":")
        if name.lower() == "content-length":
            length = int(value)
    if not 0 <= length <= LARGEST_FORM:
        raise ValueError("too large")
    while len(body) < length:
        body = _more(client, body, began)
    return method, path, body[:length]


def _more(client, data, began):
    if len(data) > LARGEST_FORM or time.ticks_diff(time.ticks_ms(), began) > ONE_CLIENT_MS:
        raise ValueError("too large or too slow")
    part = client.recv(1024)
    if not part:
        raise ValueError("the phone went away")
    return data + part


def _fields(body):
    """Fields of a form as browsers send it (application/x-www-form-urlencoded)."""
    found = {}
    for pair in body.split(b"&"):
        name, _, value = pair.partition(b"=")
        found[_plain(name)] = _plain(value)
    return found


def _plain(data):
    parts = data.replace(b"+", b" ").split(b"%")
    coded = [bytes([int(part[:2], 16)]) + part[2:] for part in parts[1:]]
    return b"".join(parts[:1] + coded).decode()


def _escaped(text):
    for mark, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        text = text.replace(mark, name)
    return text
