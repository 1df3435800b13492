"""Follows the manual's page of installation on a freshly installed Debian, with services of its own systemd.

    python -m tests.fresh [--keep]     as an administrator, with debootstrap and systemd-container installed

Makes a Debian 12 of its own in a temporary folder, takes what the page installs into it (packages of
Debian and of the two lists with hashes; the machine itself has no network, so that it touches no other),
starts it, types every block of the page as the administrator from the folder of the program, then
starts the machine again and asks, by command and of the board, whether both nodes report; at last
takes the page's trial away. No test of `./tests/run`: it takes several minutes and needs more than a
user's rights.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlencode

from deploy.manual.blocks import Block, blocks
from tests.bench.board import CALLBACK
from tests.followed import LIMIT_S, check_said
from tests.test_pages import stills

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "deploy/manual/pages/install.md"
PROGRAM = "/root/sillkeep"
BOARD = "http://127.0.0.1:8750"
USER, PASSWORD = "Kim", "a long sentence nobody says"  # as the page has them typed
NODES = ("trial-1", "van")
# as the page's "Is it well?" asks; what was heard is younger than the machine's start then
BOTH_HEARD = "sleep 90; until sillkeep node list --heard-within 90; do sleep 5; done"
# procps: a bare Debian lacks the `kill` by which services reload
DEBIAN = "procps,python3,python3-venv,systemd,systemd-sysv,dbus,iproute2,openssl,mosquitto,mosquitto-clients,ca-certificates"
TYPED = ("HOME=/root", "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
         "LANG=C.UTF-8", "TERM=dumb", "PIP_NO_INDEX=1", f"PIP_FIND_LINKS={PROGRAM}-wheels")  # fmt: skip


def make(machine: Path) -> None:
    """A Debian with the program's folder, and the packages that its page installs."""
    subprocess.run(
        ["debootstrap", "--variant=minbase", f"--include={DEBIAN}", "bookworm", machine],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    (machine / "etc/hostname").write_text("lot-machine\n")
    program = machine / PROGRAM[1:]
    program.mkdir()
    kept = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True)
    for name in kept.stdout.decode().split("\0")[:-1]:
        (program / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, program / name)
    wheels = machine / f"{PROGRAM[1:]}-wheels"
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "-q", "--prefer-binary", "--require-hashes",
         "-r", ROOT / "constraints.txt", "-r", ROOT / "deploy/node-requirements.txt", "-d", wheels],
        check=True,
    )  # fmt: skip


class Machine:
    """A machine that runs in a container, and a terminal on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.said = ""
        self.container: subprocess.Popen[bytes] | None = None
        self.leader = 0

    def start(self) -> None:
        """Start it, and wait until its services have."""
        self.container = subprocess.Popen(
            ["systemd-nspawn", "-q", "-D", self.folder, "--register=no", "--keep-unit",
             "--private-network", "--console=pipe", "-b"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        until_s = time.monotonic() + 60
        while not self.leader:
            children = Path(f"/proc/{self.container.pid}/task/{self.container.pid}/children")
            found = children.read_text().split()
            self.leader = int(found[0]) if found else 0
            assert time.monotonic() < until_s, "the machine does not start"
            time.sleep(0.5)
        self.run("systemctl is-system-running --wait || true")
        self.run("ip link set lo up")

    def stop(self) -> None:
        """Shut it down as its administrator would."""
        if self.container is not None:
            self.run("systemctl poweroff")
            self.container.wait(120)
        self.container, self.leader = None, 0

    def run(self, text: str, typed: str = "") -> int:
        """Type a block; its status."""
        command = ["nsenter", "-t", str(self.leader), "-m", "-u", "-i", "-n", "-p", "-r", "-w"]
        done = subprocess.run(
            [*command, "env", "-i", *TYPED, "bash", "-ec", f"cd {PROGRAM}\n{text}"],
            input=typed.replace("\\n", "\n") + "\n",
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )
        self.said = done.stdout
        return done.returncode

    def nodes_page(self) -> str:
        """The board's page of nodes, as somebody who signs in on the machine gets it."""
        inside = ["nsenter", "-t", str(self.leader), "-n"]
        asks = [sys.executable, "-c", "from tests.fresh import nodes; print(nodes())"]
        done = subprocess.run([*inside, *asks], cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True)  # fmt: skip
        return done.stdout

    def follow(self, block: Block) -> None:
        """Do what a block says; AssertionError with what was said otherwise."""
        if block.kind == "file":
            path = self.folder / str(Path(PROGRAM, block.name))[1:]
            path.write_text(block.text, encoding="utf-8")
            return
        if block.kind == "says":
            check_said(block, self.said)
            return
        if "by-hand" in block.options:
            return
        words = block.options.get("until", "")
        until_s = time.monotonic() + LIMIT_S
        while True:
            status = self.run(block.text, block.options.get("input", ""))
            assert status == 0, f"{block.text}\n{self.said}"
            if not words or re.search(words, self.said):
                return
            assert time.monotonic() < until_s, f"“{words}” was never said:\n{self.said}"
            time.sleep(5)


def nodes() -> str:
    """The page of nodes of the board of this machine, as the browser's renderer asks for it."""
    jar = urllib.request.HTTPCookieProcessor(CookieJar())
    browser = urllib.request.build_opener(jar)
    with browser.open(f"{BOARD}/login", timeout=60) as answer:
        [field] = re.findall(r'<input[^>]*name="token"[^>]*>', answer.read().decode())
    token = re.findall(r'value="([\w-]+)"', field)[0]
    form = urlencode({"token": token, "name": USER, "password": PASSWORD}).encode()
    browser.open(urllib.request.Request(f"{BOARD}/login", form, {"Origin": BOARD}), timeout=60)
    inputs = (("address", "pathname", "/nodes"), ("address", "search", ""), ("beat", "n_intervals", 0))  # fmt: skip
    asked = CALLBACK | {
        "inputs": [{"id": one, "property": of, "value": value} for one, of, value in inputs],
        "state": [{"id": "fresh", "property": "data-charts", "value": None}],
    }
    given = {"Content-Type": "application/json", "Origin": BOARD}
    url = f"{BOARD}/_dash-update-component"
    question = urllib.request.Request(url, json.dumps(asked).encode(), given)
    with browser.open(question, timeout=60) as answer:
        return "".join(stills(json.load(answer)))


def check_reporting(page: str) -> None:
    """AssertionError if the page of nodes calls one of ours anything but reporting."""
    words = re.findall(r'<th scope="row">([^<]*)</th><td data-of="word"><b>([^<]*)</b>', page)
    assert dict(words) == dict.fromkeys(NODES, "reporting"), words


def main() -> None:
    """Walk."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, help="Folder of a machine to make once and keep.")
    given = parser.parse_args()
    if os.getuid() != 0 or not (shutil.which("debootstrap") and shutil.which("systemd-nspawn")):
        sys.exit("as an administrator, with: apt install debootstrap systemd-container")
    with tempfile.TemporaryDirectory() as name:
        folder = given.keep or Path(name) / "machine"
        if not folder.exists():
            make(folder)
        machine = Machine(folder)
        machine.start()
        try:
            for block in blocks(PAGE):
                began = time.monotonic()
                machine.follow(block)
                first = (block.text.strip().splitlines() or [""])[0]
                print(
                    f"{time.monotonic() - began:6.1f} s  {block.kind:5s} {block.name or first[:90]}",
                    flush=True,
                )
            machine.stop()
            machine.start()
            machine.follow(Block("run", "", BOTH_HEARD, {}))
            print(f"after a restart of the machine: {machine.said}")
            check_reporting(machine.nodes_page())
            print("the board's page of nodes calls both reporting", flush=True)
            for block in blocks(PAGE):
                if "by-hand" in block.options:
                    machine.follow(Block("run", "", block.text, {}))
                    print(machine.said)
        finally:
            machine.stop()


if __name__ == "__main__":
    main()
