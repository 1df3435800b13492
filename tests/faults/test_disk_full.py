"""A file system without space: nothing is lost, nothing is promised, and it heals by itself."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.harness import Yard

pytestmark = pytest.mark.broker
SIZE_BYTES = 4_000_000
SPARE_BYTES = 150_000  # left to a record that will want more


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    """A yard whose home is a small file system of its own."""
    one = Yard(tmp_path / "yard", nodes=2)
    kept = shutil.copytree(one.home, tmp_path / "kept")
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_BYTES}", "tmpfs", str(one.home)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        one.close()
        pytest.skip("a small file system can be mounted by an administrator only")
    try:
        shutil.copytree(kept, one.home, dirs_exist_ok=True)
        yield one
    finally:
        one.close()
        subprocess.run(["umount", "--lazy", str(one.home)], check=True)


@pytest.mark.timeout(300)
def test_a_disk_that_is_full_loses_nothing_and_the_intake_goes_on_once_there_is_space(
    yard: Yard,
) -> None:
    ballast = yard.home / "photos.tar"
    free = shutil.disk_usage(yard.home).free
    ballast.write_bytes(b"\0" * max(free - SPARE_BYTES, 0))
    yard.start(watching=False)
    for code in yard.codes:
        yard.replay(code, 1500)
    said = "readings wait at the broker"
    yard.until(lambda: said in yard.intake.log.read_text(), looking=True)
    assert "full" in yard.intake.log.read_text()
    assert yard.intake.status() is None
    stored = yard.stored()
    assert yard.waiting() > 0
    ballast.unlink()
    yard.settle()
    assert yard.stored() > stored
    audit = yard.books()
    assert audit.samples == 2 * 1500 * yard.probes
    assert audit.is_clean, audit
