"""Follows a page of the manual as a reader would: its blocks in order, in one shell, in a folder of its own."""

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import IO

from deploy.manual.blocks import Block, blocks
from tests.conftest import unused_port

ROOT = Path(__file__).parents[1]
LIMIT_S = 600.0  # a busy machine included
DONE = "@@done@@"


def check_said(block: Block, said: str) -> None:
    """AssertionError if a line of the block is in nothing that was said."""
    for line in block.text.strip().splitlines():
        pattern = ".*".join(re.escape(part) for part in line.split("…"))
        assert re.search(pattern, said), f"“{line}” is not in:\n{said}"


class Reader:
    """A terminal in a folder; what is served goes on in others."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = folder / "data" / "sillkeep"  # where the record lies by default
        self.home.mkdir(parents=True)
        self.ports = {usual: unused_port() for usual in ("1883", "8750")}
        settings = f"[broker]\nport = {self.ports['1883']}\n[pages]\nport = {self.ports['8750']}\n"
        (self.home / "sillkeep.toml").write_text(settings, encoding="utf-8")
        program = folder / "bin" / "sillkeep"
        program.parent.mkdir()
        program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m monitor.cli "$@"\n')
        program.chmod(0o755)
        self.environment = dict(os.environ) | {
            "PATH": f"{program.parent}:{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
            "XDG_DATA_HOME": str(folder / "data"),
        }
        self.environment.pop("SILLKEEP_HOME", None)
        self.state = folder / "environment"  # of the shell, from block to block
        self.served: list[subprocess.Popen[bytes]] = []
        self.said = ""

    def follow(self, page: Path) -> None:
        """Do what every block of a page says; AssertionError with what was said otherwise."""
        try:
            for block in blocks(page):
                getattr(self, f"_{block.kind}")(block)
        finally:
            self.end()

    def end(self) -> None:
        """End what goes on, as Ctrl-C does."""
        for one in self.served:
            os.killpg(one.pid, signal.SIGINT)
        for one in self.served:
            one.wait(60)
        self.served.clear()

    def _file(self, block: Block) -> None:
        (self.folder / block.name).write_text(block.text, encoding="utf-8")

    def _says(self, block: Block) -> None:
        check_said(block, self.said)

    def _run(self, block: Block) -> None:
        options = block.options
        if "by-hand" in options:
            return
        if "ends-serving" in options:
            self.end()
        if words := options.get("serving"):
            self._serve(block.text, words)
            return
        until_s = time.monotonic() + LIMIT_S
        while True:
            self._type(block.text, options.get("input", ""))
            words = options.get("until", "")
            if not words or re.search(words.replace("…", ".*"), self.said):
                return
            assert time.monotonic() < until_s, f"“{words}” was never said:\n{self.said}"
            time.sleep(3)

    def _shell(self, text: str) -> list[str]:
        """The block in a shell that goes on where the last one was."""
        begin = f"[ ! -e {self.state} ] || . {self.state}; set -e\n"
        end = f"\n{{ export -p; declare -p number 2>/dev/null || true; }} > {self.state}; echo {DONE}\n"
        return ["/bin/bash", "-c", begin + text + end]

    def _type(self, text: str, typed: str) -> None:
        done = subprocess.run(  # noqa: PLW1510  its status is looked at below
            self._shell(text),
            cwd=self.folder,
            env=self.environment,
            input=f"{typed}\n",
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=LIMIT_S,
        )
        self.said = done.stdout
        assert done.returncode == 0, f"{text}\n{self.said}"
        assert DONE in self.said

    def _serve(self, text: str, words: str) -> None:
        log = self.folder / f"served-{len(self.served)}.log"
        with log.open("wb") as out:
            one = self._start(text, out)
        self.served.append(one)
        until_s = time.monotonic() + LIMIT_S
        while words not in log.read_text(encoding="utf-8"):
            assert one.poll() is None, log.read_text(encoding="utf-8")
            assert time.monotonic() < until_s, f"“{words}” was never said"
            time.sleep(0.5)

    def _start(self, text: str, out: IO[bytes]) -> subprocess.Popen[bytes]:
        shell = f"[ ! -e {self.state} ] || . {self.state}\nexec {text.strip()}"
        return subprocess.Popen(
            ["/bin/bash", "-c", shell],
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
