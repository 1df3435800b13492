"""A throw-away PostgreSQL server on a free port of this machine, and records on it."""

import contextlib
import itertools
import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

from monitor.config import Server
from monitor.store.engine import open_engine
from tests.conftest import is_open, unused_port, wait_until

_NEWEST = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda p: int(p.parts[-3]))
POSTGRES = str(_NEWEST[-1]) if _NEWEST else shutil.which("postgres")
USER = "nobody" if os.getuid() == 0 else None  # it refuses to run as root
TEMPLATE = "made_once"
# a machine that loses its power in a test has lost the test as well
HASTY = ("fsync=off", "full_page_writes=off", "autovacuum=off")


@dataclass
class RunningServer:
    """A cluster in a folder of its own; it can be killed and started again."""

    folder: Path
    port: int
    settings: tuple[str, ...] = HASTY
    password: str = ""
    process: "subprocess.Popen[bytes] | None" = None
    numbers: "itertools.count[int]" = field(default_factory=itertools.count)

    def make(self) -> None:
        """Make the cluster's files."""
        initdb = str(Path(str(POSTGRES)).with_name("initdb"))
        words = ("-A", "trust", "-U", "sillkeep", "--no-sync", "--locale=C", "-E", "UTF8")
        subprocess.run(
            [initdb, "-D", str(self.folder / "data"), *words],
            check=True,
            capture_output=True,
            user=USER,
            cwd=self.folder,
        )

    def start(self) -> None:
        given = (
            "listen_addresses=127.0.0.1",
            f"port={self.port}",
            "unix_socket_directories=",
            "shared_buffers=32MB",
            *self.settings,
        )
        options = [word for each in given for word in ("-c", each)]
        with (self.folder / "log").open("ab") as output:
            self.process = subprocess.Popen(
                [str(POSTGRES), "-D", str(self.folder / "data"), *options],
                stdout=output,
                stderr=output,
                user=USER,
                cwd=self.folder,
            )
        wait_until(lambda: is_open(self.port) and self._answers())

    def _answers(self) -> bool:
        try:
            psycopg.connect(self._libpq("postgres")).close()
        except psycopg.OperationalError:
            return False
        return True

    def _libpq(self, database: str) -> str:
        secret = f" password={self.password}" if self.password else ""
        return f"host=127.0.0.1 port={self.port} user=sillkeep dbname={database}{secret}"

    def stop(self) -> None:
        """End it, at once and in order."""
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(30)
            self.process = None

    def crash(self) -> None:
        """Kill every process of it at once."""
        assert self.process is not None
        number = self.process.pid
        children = Path(f"/proc/{number}/task/{number}/children").read_text().split()
        for each in (number, *map(int, children)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(each, signal.SIGKILL)
        self.process.wait(30)
        self.process = None

    def ask(self, query: str, database: str = "postgres") -> list[tuple[object, ...]]:
        with closing(psycopg.connect(self._libpq(database), autocommit=True)) as connection:
            found = connection.execute(query.encode())
            return found.fetchall() if found.description else []

    def empty(self) -> Server:
        """A database with nothing in it."""
        name = f"record_{next(self.numbers)}"
        self.ask(f"CREATE DATABASE {name}")
        return Server(f"postgresql://sillkeep@127.0.0.1:{self.port}/{name}")

    def record(self) -> Server:
        """A database with an empty record, copied from one that was made once."""
        if not self.ask(f"SELECT 1 FROM pg_database WHERE datname = '{TEMPLATE}'"):
            self.ask(f"CREATE DATABASE {TEMPLATE}")
            made = Server(f"postgresql://sillkeep@127.0.0.1:{self.port}/{TEMPLATE}")
            open_engine(self.folder, server=made).dispose()
        name = f"record_{next(self.numbers)}"
        self.ask(f"CREATE DATABASE {name} TEMPLATE {TEMPLATE} STRATEGY FILE_COPY")
        return Server(f"postgresql://sillkeep@127.0.0.1:{self.port}/{name}")

    def drop(self, server: Server) -> None:
        self.ask(f"DROP DATABASE {server.database} WITH (FORCE)")


@contextmanager
def running_server(*settings: str) -> Iterator[RunningServer]:
    """Made, started, and taken away afterwards; with the settings given instead of hasty ones."""
    folder = Path(tempfile.mkdtemp(prefix="sillkeep-postgres-"))
    if USER:
        shutil.chown(folder, USER)
    server = RunningServer(folder, unused_port(), settings or HASTY)
    try:
        server.make()
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder)
