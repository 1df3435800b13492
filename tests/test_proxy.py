"""The board behind nginx as `deploy/nginx.conf` has it, with certificates made by the documented commands."""

import http.client
import os
import re
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.conftest import NGINX, unused_port, wait_until
from tests.filled import filled_record
from tests.signed import session

ROOT = Path(__file__).parents[1]
DEPLOY = ROOT / "deploy"
HOST = "board.example"
pytestmark = [
    pytest.mark.xdist_group("programs"),
    pytest.mark.skipif(NGINX is None, reason="nginx-light is not installed"),
]


def documented(heading: str) -> str:
    """The commands under a heading of the deployment's README."""
    text = (DEPLOY / "README.md").read_text(encoding="utf-8")
    part = text.partition(f"### {heading}\n")[2].partition("\n### ")[0]
    return "\n".join(re.findall(r"```sh\n(.*?)```", part, re.DOTALL))


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("authority")
    commands = documented("An authority of your own")
    assert commands.count("openssl") >= 5
    done = subprocess.run(
        ["bash", "-euc", commands], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "server.crt: OK" in done.stdout
    return folder


@dataclass
class Front:
    """A running board behind a running nginx."""

    port: int
    plain: int
    authority: Path
    cookie: str
    log: Path

    def ask(
        self, path: str, *, method: str = "GET", body: bytes | None = None, **headers: str
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        context = ssl.create_default_context(cafile=str(self.authority / "ca.crt"))
        connection = Named(self.port, context)
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.request(method, path, body, {"Host": HOST, **given})
            answer = connection.getresponse()
            return answer.status, answer.msg, answer.read()
        finally:
            connection.close()


class Named(http.client.HTTPSConnection):
    """A connection to this machine under the name of the certificate."""

    def __init__(self, port: int, context: ssl.SSLContext) -> None:
        super().__init__("127.0.0.1", port, timeout=30, context=context)
        self._given = context

    def connect(self) -> None:
        http.client.HTTPConnection.connect(self)
        self.sock = self._given.wrap_socket(self.sock, server_hostname=HOST)


@pytest.fixture(scope="module")
def front(certificates: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Front]:
    folder = tmp_path_factory.mktemp("front")
    home = folder / "home"
    filled_record(home, days=2).close()
    cookie = session(home, now_s=int(time.time()))
    board, tls, plain = unused_port(), unused_port(), unused_port()
    (home / "sillkeep.toml").write_text(f'[pages]\nport = {board}\nproxy = "127.0.0.1"\n')
    site = (DEPLOY / "nginx.conf").read_text(encoding="utf-8")
    changes = (
        (r"listen \[::\].*\n", ""),
        (r"listen 80;", f"listen 127.0.0.1:{plain};"),
        (r"listen 443 ", f"listen 127.0.0.1:{tls} "),
        (r"/etc/sillkeep/tls/board\.(crt|key)", rf"{certificates}/server.\1"),
        (r"127\.0\.0\.1:8750", f"127.0.0.1:{board}"),
        (r"/var/www/acme", str(folder)),
    )
    for was, now in changes:
        site, count = re.subn(was, now, site)
        assert count, was
    (folder / "site.conf").write_text(site)
    user = "user root;" if os.getuid() == 0 else ""
    temporary = " ".join(
        f"{kind}_temp_path {folder}/{kind};"
        for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (folder / "nginx.conf").write_text(
        f"daemon off; worker_processes 1; {user} pid {folder}/pid; error_log {folder}/log warn;\n"
        f"events {{ worker_connections 256; }}\n"
        f"http {{ access_log {folder}/access; {temporary} include {folder}/site.conf; }}\n"
    )
    command = [str(NGINX), "-c", str(folder / "nginx.conf")]
    tried = subprocess.run([*command, "-t"], capture_output=True, text=True, check=False)
    assert tried.returncode == 0, tried.stderr
    pages = subprocess.Popen(
        [sys.executable, "-m", "dashboards"],
        env=os.environ | {"SILLKEEP_HOME": str(home)},
        cwd=ROOT,
        stderr=subprocess.DEVNULL,
    )
    proxy = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    found = Front(tls, plain, certificates, cookie, folder / "access")
    try:
        wait_until(lambda: answers(found), seconds=60)
        yield found
    finally:
        for process in (proxy, pages):
            process.terminate()
            process.wait(20)


def answers(front: Front) -> bool:
    try:
        return front.ask("/login")[0] == 200
    except OSError:
        return False


def test_the_board_answers_over_tls_with_its_headers_once(front: Front) -> None:
    status, headers, body = front.ask("/login")
    assert status == 200
    assert b"<form" in body
    assert headers.get_all("Strict-Transport-Security") == ["max-age=31536000"]
    for name in ("Content-Security-Policy", "X-Content-Type-Options"):
        assert len(headers.get_all(name) or []) == 1, name
    assert "Server" not in headers or "/" not in str(headers["Server"])


def test_who_is_signed_in_gets_the_board(front: Front) -> None:
    refused, _, _ = front.ask("/_dash-layout")
    assert refused in {302, 303, 401, 403}
    status, _, body = front.ask("/_dash-layout", Cookie=f"__Host-sillkeep={front.cookie}")
    assert status == 200
    assert b"dash_html_components" in body
    status, headers, _ = front.ask("/chain", Cookie=f"__Host-sillkeep={front.cookie}")
    assert status == 200
    assert headers.get_all("Strict-Transport-Security") == ["max-age=31536000"]


def test_plain_http_moves_to_tls_but_for_the_test_of_the_authority(front: Front) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", front.plain, timeout=10)
    connection.request("GET", "/unit/rv1?a=b", headers={"Host": HOST})
    answer = connection.getresponse()
    assert (answer.status, answer.headers["Location"]) == (301, f"https://{HOST}/unit/rv1?a=b")
    connection.close()


def test_a_form_with_photos_reaches_the_board_and_one_too_large_does_not(front: Front) -> None:
    """Not signed in it is refused by the board, after nginx has taken all of it."""
    headers = {"Content_Type": "multipart/form-data; boundary=x", "Origin": f"https://{HOST}"}
    status, _, _ = front.ask("/finding", method="POST", body=b"x" * 20_000_000, **headers)
    assert status in {303, 401, 403, 404, 405, 400}
    status, _, _ = front.ask("/finding", method="POST", body=b"x" * 85_000_000, **headers)
    assert status == 413


def test_what_a_visitor_claims_of_where_they_come_from_is_dropped(front: Front) -> None:
    """The delay after wrong passwords is by address: one who forges it stays one address."""
    statuses = []
    for number in range(14):
        form = b"name=nobody&password=wrong-wrong"
        status, _, _ = front.ask(
            "/login", method="POST", body=form,
            Content_Type="application/x-www-form-urlencoded", Origin=f"https://{HOST}",
            X_Forwarded_For=f"192.0.2.{number}",
        )  # fmt: skip
        statuses.append(status)
    assert 429 in statuses
    assert statuses[0] != 429


def test_the_certificate_is_for_its_name_and_runs_out_in_time_to_be_renewed(
    front: Front, certificates: Path
) -> None:
    context = ssl.create_default_context(cafile=str(certificates / "ca.crt"))
    connection = Named(front.port, context)
    connection.connect()
    found = connection.sock.getpeercert()
    connection.close()
    assert found is not None
    assert ("DNS", HOST) in found["subjectAltName"]
    days = (ssl.cert_time_to_seconds(str(found["notAfter"])) - ssl.cert_time_to_seconds(
        str(found["notBefore"]))) / 86_400  # fmt: skip
    assert days == 398


def test_addresses_that_open_something_stay_out_of_the_log(front: Front) -> None:
    for path in ("/claim/of-a-node-0", "/link/of-a-stranger-0", "/login?after"):
        front.ask(path)
    wait_until(lambda: "/login?after" in front.log.read_text())
    log = front.log.read_text()
    assert "of-a-node-0" not in log
    assert "of-a-stranger-0" not in log
