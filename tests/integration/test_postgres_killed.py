"""The whole monitor on a PostgreSQL server that is killed while readings come in."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests import servers
from tests.conftest import ROOT, RunningBroker, unused_port, wait_until

pytestmark = [
    pytest.mark.broker,
    pytest.mark.long,
    pytest.mark.skipif(servers.POSTGRES is None, reason="postgresql is not installed"),
]
STEPS = 6000  # of two probes each
KILLS = (1_500, 5_000, 9_000)  # readings in the record when the server is killed


def history(path: Path) -> Path:
    """Samples of two probes in every ten minutes until yesterday."""
    start_s = int(time.time()) // 600 * 600 - 86_400 - 600 * STEPS
    lines = ["time,zone,temperature_c,humidity_percent"]
    for number in range(STEPS):
        at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(start_s + 600 * number))
        lines += [f"{at},{zone},{10 + number % 50 / 10},{60 + number % 30}" for zone in ("a", "b")]
    path.write_text("\n".join(lines) + "\n")
    return path


def kill(part: str, log: Path) -> None:
    """End the process that `serve` started last for a part, at once."""
    (*_, number) = re.findall(rf"\b{part} started, process (\d+)", log.read_text())
    os.kill(int(number), signal.SIGKILL)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("each", [1, 2])
def test_a_server_that_is_killed_loses_and_doubles_nothing(
    mosquitto: RunningBroker, tmp_path: Path, each: int
) -> None:
    """`each`: so many intakes and watches; of two each one is killed beside the server."""
    home = tmp_path / "home"
    home.mkdir()
    with servers.running_server("fsync=on") as server:
        place = server.empty()

        def count(query: str) -> int:
            """What a query counts; 0 while the record is still being made."""
            if not server.ask("SELECT 1 FROM pg_tables WHERE tablename = 'pulse'", place.database):
                return 0
            [(found,)] = server.ask(query, place.database)
            assert isinstance(found, int)
            return found

        def stored() -> int:
            return count("SELECT count(*) FROM reading")

        (home / "sillkeep.toml").write_text(
            f'[record]\naddress = "{place.address}"\nwatches = {each}\n'
            f'[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\nintakes = {each}\n'
            f"[pages]\nport = {unused_port()}\n"
        )
        with (tmp_path / "serve.log").open("wb") as log:
            serve = subprocess.Popen(
                [sys.executable, "-c", "from monitor.cli import main; main()", "serve"],
                env=os.environ | {"SILLKEEP_HOME": str(home)},
                cwd=ROOT,
                stderr=log,
                stdout=log,
            )
        try:
            is_heard = """SELECT count(*) FROM pulse WHERE detail LIKE '%"connected": true%'"""
            wait_until(lambda: count(is_heard) == each, seconds=90)
            command = [sys.executable, "-m", "sensors.node", "--site=yard", "--node=n1"]
            command += [f"--replay={history(tmp_path / 'past.csv')}", f"--home={tmp_path}"]
            node = subprocess.Popen(
                [*command, f"--broker=127.0.0.1:{mosquitto.port}"],
                cwd=ROOT,
                stderr=subprocess.DEVNULL,
            )
            for most, number in zip(KILLS, ("", "-2", ""), strict=True):
                wait_until(lambda: stored() >= most, seconds=120, every=0.05)  # noqa: B023
                if each == 2:
                    kill(f"intake{number}", tmp_path / "serve.log")
                    kill(f"watch{number}", tmp_path / "serve.log")
                server.crash()
                time.sleep(2.0)  # so that writers meet a server that is not there
                server.start()
            assert node.wait(200) == 0  # each of its samples has a receipt
            assert stored() == 2 * STEPS
            times = "SELECT count(*) FROM (SELECT DISTINCT probe_id, at_s FROM reading) found"
            assert count(times) == 2 * STEPS
            assert count("SELECT count(*) FROM dispute") == 0
            assert count("SELECT sum(readings)::bigint FROM latest") == 2 * STEPS
        finally:
            serve.send_signal(signal.SIGTERM)
            serve.wait(60)
        assert serve.returncode == 0
    assert not (home / "record.sqlite").exists()
