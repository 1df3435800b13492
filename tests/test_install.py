"""The installer, below a folder of its own: installed, upgraded, rolled back, and what stops it half-way.

Packages are those of the tests' environment; that every package is fetched by its hash is pip's work.
"""

import os
import shutil
import sqlite3
import subprocess
import sys
import tomllib
from contextlib import closing
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from deploy.bill import listed
from monitor.lot import Unit
from monitor.store import checking, open_record
from monitor.store.engine import FILE_NAME, revisions
from tests.filled import filled_record
from tests.servers import RunningServer
from tests.test_migrations import hashes, old_record

ROOT = Path(__file__).parents[1]
NEWEST = revisions()[0]
NODE_LIST = ROOT / "deploy/node-requirements.txt"
SERVER_LIST = ROOT / "deploy/postgres-requirements.txt"
pytestmark = pytest.mark.xdist_group("programs")


class Machine:
    """A folder that stands for the root of a machine."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.home = root / "var/lib/sillkeep"
        self.opt = root / "opt/sillkeep"

    def install(self, *words: str, source: Path = ROOT) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [source / "deploy/install", "--root", self.root, "--packages-of", sys.prefix, *words],
            env={"PATH": os.environ["PATH"], "HOME": str(self.root)},
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )

    def sillkeep(self, *words: str, version: str = "current") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(self.opt / version / "bin/sillkeep"), *words],
            env={"PATH": os.environ["PATH"], "SILLKEEP_HOME": str(self.home)},
            cwd=self.root,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )

    @property
    def current(self) -> str:
        return (self.opt / "current").readlink().name

    def everything(self) -> list[str]:
        return sorted(str(path.relative_to(self.root)) for path in self.root.rglob("*"))


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path / "machine")


def sources(folder: Path, version: str, migration: str = "") -> Path:
    """These sources as a later version, with one more migration."""
    folder.mkdir()
    for name in ("sensors", "monitor", "dashboards", "demo", "deploy"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("constraints.txt", "LICENSE", "README.md"):
        shutil.copy(ROOT / name, folder / name)
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    lines = [
        f'version = "{version}"' if line.startswith("version = ") else line
        for line in project.splitlines()
    ]
    (folder / "pyproject.toml").write_text("\n".join(lines) + "\n")
    if migration:
        text = f'''"""A table of a later version."""

from alembic import op

revision = "8999"
down_revision = "{NEWEST}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("{migration}")
'''
        versions = folder / "monitor/store/migrations/versions"
        (versions / "8999_later.py").write_text(text)
    return folder


def revision(home: Path) -> str:
    with closing(sqlite3.connect(home / FILE_NAME)) as connection:
        return str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def told(home: Path) -> dict[str, str]:
    """Digest of every table, but for the note that a backup was made."""
    return {
        name: digest
        for name, digest in hashes(home / FILE_NAME).items()
        if name not in {"pulse", "checksum"}
    }


def test_an_upgrade_that_changes_the_record_is_taken_back_with_it(
    machine: Machine, tmp_path: Path
) -> None:
    first = machine.install("--node")
    assert first.returncode == 0, first.stderr
    assert "By hand" in first.stderr
    old = machine.current
    assert machine.install().returncode == 0  # again: nothing is new
    assert (machine.current, len(list(machine.opt.iterdir()))) == (old, 2)
    with filled_record(machine.home, days=2) as record:
        units = record.units()
        assert checking.check(record.engine, now_s=1_764_068_400).count == 0
    before = told(machine.home)

    later = sources(tmp_path / "later", "9.0", "CREATE TABLE later (note TEXT) STRICT")
    done = machine.install(source=later)
    assert done.returncode == 0, done.stderr
    assert machine.current.startswith("9.0-")
    assert (machine.opt / "current" / NODE_LIST.name).read_bytes() == NODE_LIST.read_bytes()
    assert (machine.opt / "previous").readlink().name == old
    assert revision(machine.home) == "8999"
    refused = machine.sillkeep("unit", "ledger", version="previous")
    assert "later version" in refused.stderr

    back = machine.install("--back", source=later)
    assert back.returncode == 0, back.stderr
    assert machine.current == old
    assert revision(machine.home) == NEWEST
    assert told(machine.home) == before
    assert machine.sillkeep("unit", "ledger").returncode == 0
    with open_record(machine.home, read_only=True) as record:
        assert record.units() == units
    [aside] = machine.home.glob("record-*-before.sqlite")
    with closing(sqlite3.connect(aside)) as connection:
        assert connection.execute("SELECT count(*) FROM later").fetchone() == (0,)
    nowhere = machine.install("--back", source=later)
    assert nowhere.returncode == 1
    assert "no version to go back to" in nowhere.stderr


@pytest.mark.long
def test_without_a_change_of_the_record_going_back_keeps_what_came_since(
    machine: Machine, tmp_path: Path
) -> None:
    assert machine.install().returncode == 0
    old = machine.current
    filled_record(machine.home, days=2).close()
    assert machine.install(source=sources(tmp_path / "later", "9.0")).returncode == 0
    with open_record(machine.home) as record:
        record.add_unit(Unit("since", "yard"))
    assert machine.install("--back").returncode == 0
    assert machine.current == old
    with open_record(machine.home, read_only=True) as record:
        assert "since" in {unit.code for unit in record.units()}


def test_what_fails_half_way_leaves_the_version_and_the_record_as_they_were(
    machine: Machine, tmp_path: Path
) -> None:
    assert machine.install().returncode == 0
    old = machine.current
    with filled_record(machine.home, days=2) as record:
        assert checking.check(record.engine, now_s=1_764_068_400).count == 0
    before = told(machine.home)
    broken = sources(tmp_path / "broken", "9.0", "CREATE TABLE unit (twice TEXT)")
    done = machine.install(source=broken)
    assert done.returncode == 1
    assert "could not be migrated and is as it was" in done.stderr
    assert machine.current == old
    assert told(machine.home) == before

    with closing(sqlite3.connect(machine.home / FILE_NAME)) as connection:
        connection.execute("DROP TRIGGER checksum_alarm_update")
        connection.commit()
    damaged = machine.install(source=broken)
    assert damaged.returncode == 1
    assert "no backup, no upgrade" in damaged.stderr
    assert machine.current == old


@pytest.mark.long
def test_a_record_from_before_is_brought_up_to_date_and_own_settings_stay(machine: Machine) -> None:
    """It was used by hand so far, with a version that is not installed here."""
    path = old_record(machine.home, "0012")
    before = hashes(path)
    done = machine.install()
    assert done.returncode == 0, done.stderr
    assert revision(machine.home) == NEWEST
    [copy] = (machine.root / "var/backups/sillkeep").iterdir()
    assert hashes(copy) == before
    assert machine.sillkeep("unit", "ledger").returncode == 0
    # and again, with what a person changed in between
    written = ("etc/sillkeep/sillkeep.toml", "etc/mosquitto/mosquitto.conf")
    for name in written:
        (machine.root / name).write_text("# mine\n")
    again = machine.install("--node")
    assert again.returncode == 0, again.stderr
    assert (machine.root / written[0]).read_text() == "# mine\n"
    assert (machine.root / f"{written[1]}.before-sillkeep").read_text() == "# mine\n"
    node = (machine.root / "etc/sillkeep/node.toml").read_text()
    assert node == (ROOT / "deploy/node.toml").read_text()


@pytest.mark.long
def test_an_upgrade_migrates_the_record_on_its_server_and_leaves_no_file(
    machine: Machine, tmp_path: Path, server: RunningServer
) -> None:
    place = server.empty()
    settings = machine.root / "etc/sillkeep/sillkeep.toml"
    settings.parent.mkdir(parents=True)
    settings.write_text(f'[record]\naddress = "{place.address}"\n')
    first = machine.install()
    assert first.returncode == 0, first.stderr
    old = machine.current
    assert (machine.opt / "current" / SERVER_LIST.name).read_bytes() == SERVER_LIST.read_bytes()
    asked = "SELECT version_num FROM alembic_version"
    assert server.ask(asked, place.database) == [(NEWEST,)]

    later = sources(tmp_path / "later", "9.0", "CREATE TABLE later (note TEXT)")
    done = machine.install(source=later)
    assert done.returncode == 0, done.stderr
    assert "by pg_dump before" in done.stderr
    assert machine.current.startswith("9.0-")
    assert (machine.opt / "current" / SERVER_LIST.name).exists()
    assert server.ask(asked, place.database) == [("8999",)]
    assert not (machine.home / FILE_NAME).exists()
    assert not list((machine.root / "var/backups/sillkeep").iterdir())

    back = machine.install(
        "--back", source=later
    )  # the older cannot read what the newer made of it
    assert back.returncode == 1
    assert "put the copy of before back first" in back.stderr
    assert machine.current == old
    server.drop(place)


@pytest.mark.long
def test_a_file_from_before_beside_a_record_on_a_server_is_left_alone(
    machine: Machine, server: RunningServer
) -> None:
    old_record(machine.home, "0012")
    before = hashes(machine.home / FILE_NAME)
    place = server.empty()
    (machine.home / "sillkeep.toml").write_text(f'[record]\naddress = "{place.address}"\n')
    done = machine.install()
    assert done.returncode == 0, done.stderr
    assert hashes(machine.home / FILE_NAME) == before
    assert not list((machine.root / "var/backups/sillkeep").iterdir())
    server.drop(place)


@pytest.mark.parametrize(("extra", "path"), [("node", NODE_LIST), ("postgres", SERVER_LIST)])
def test_a_further_list_has_what_its_extra_asks_for_and_fits_the_other(
    extra: str, path: Path
) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = path.read_text(encoding="utf-8")
    found = {name: version for name, version, _ in listed(text)}
    for asked in map(Requirement, project["optional-dependencies"][extra]):
        assert asked.specifier.contains(found[asked.name])
    assert text.count("--hash=sha256:") >= len(found) >= 3
    others = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    for name, version, _ in listed(others):
        assert found.get(name, version) == version
    assert "://" not in text


def test_a_dry_run_changes_nothing(machine: Machine) -> None:
    machine.root.mkdir()
    done = machine.install("--dry-run", "--node")
    assert done.returncode == 0, done.stderr
    assert machine.everything() == []
    assert "would make" in done.stderr
