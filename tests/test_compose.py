"""The compose file as a file: what it names is there, and it gives away no more than it has to.

No container engine runs where these tests do. The broker's and the monitor's settings in it are read by
the programs that will read them.
"""

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from monitor.config import load
from tests.conftest import MOSQUITTO, is_open, unused_port, wait_until
from tests.test_proxy import certificates  # noqa: F401  a fixture

ROOT = Path(__file__).parents[1]
DEPLOY = ROOT / "deploy"


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    found = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    assert set(found) == {"name", "services", "volumes", "secrets"}
    return dict(found)


def test_every_service_may_do_little(compose: dict[str, Any]) -> None:
    assert set(compose["services"]) == {"mosquitto", "sillkeep", "backup", "proxy"}
    for name, service in compose["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        user, _, group = service["user"].partition(":")
        assert int(user) > 0, name
        assert int(group) > 0, name
        assert "privileged" not in service
        tag = service["image"].partition(":")[2]
        assert tag or "build" in service or service["image"] == "sillkeep", name


def test_what_services_name_is_declared_and_there(compose: dict[str, Any]) -> None:
    volumes, secrets = set(), set()
    for name, service in compose["services"].items():
        for volume in service.get("volumes", []):
            source, target, *mode = volume.split(":")
            assert target.startswith("/"), name
            if source.startswith("./"):
                assert (DEPLOY / source).is_file(), source
                assert mode == ["ro"], source
            else:
                volumes.add(source)
        for secret in service.get("secrets", []):
            secrets.add(secret if isinstance(secret, str) else secret["source"])
        for other in service.get("depends_on", []):
            assert other in compose["services"]
        mode = service.get("network_mode", "none")
        assert mode == "none" or mode.removeprefix("service:") in compose["services"]
    assert volumes == set(compose["volumes"])
    assert secrets == set(compose["secrets"])
    readme = (DEPLOY / "README.md").read_text(encoding="utf-8")
    for secret in compose["secrets"].values():
        assert secret["file"].startswith("./secrets/")
        assert Path(secret["file"]).name in readme, "the README says how each is made"
    build = compose["services"]["sillkeep"]["build"]
    assert (DEPLOY / build["context"] / build["dockerfile"]).is_file()


def test_only_what_speaks_tls_is_published(compose: dict[str, Any]) -> None:
    published = {
        port: name
        for name, service in compose["services"].items()
        for port in service.get("ports", [])
        if not port.startswith("127.0.0.1:")
    }
    # 80 answers with the way to 443 alone; both are nginx's, in the monitor's network
    assert published == {"8883:8883": "mosquitto", "80:80": "sillkeep", "443:443": "sillkeep"}
    nginx = (DEPLOY / "nginx.conf").read_text(encoding="utf-8")
    assert set(re.findall(r"listen (\d+)", nginx)) == {"80", "443"}
    broker = (DEPLOY / "compose/mosquitto.conf").read_text(encoding="utf-8")
    assert re.findall(r"^listener (\d+)", broker, re.MULTILINE) == ["8883"]
    assert "allow_anonymous false" in broker


def test_the_image_is_built_of_what_is_there_and_runs_as_nobody_special() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    for line in re.findall(r"^COPY (?!--from)(.+)$", text, re.MULTILINE):
        for source in line.split()[:-1]:
            assert (ROOT / source).exists(), source
    packages = {p.name for p in ROOT.iterdir() if (p / "__init__.py").exists()} - {"tests"}
    assert packages <= set(re.findall(r"^COPY (\w+) /source/", text, re.MULTILINE))
    assert "--require-hashes" in text
    last = text.rpartition("FROM ")[2]
    assert re.search(r"^USER 10001:10001$", last, re.MULTILINE)
    assert re.search(r'^HEALTHCHECK .*CMD \["sillkeep", "check", "--alive"\]$', last, re.MULTILINE)
    assert "http" not in text


def test_the_monitors_settings_can_be_read(tmp_path: Path) -> None:
    for name in ("monitor_password", "ca_crt"):
        (tmp_path / name).write_text("x\n")
    text = (DEPLOY / "compose/sillkeep.toml").read_text(encoding="utf-8")
    (tmp_path / "sillkeep.toml").write_text(text.replace("/run/secrets", str(tmp_path)))
    found = load(tmp_path)
    assert (found.broker.host, found.pages.host) == ("mosquitto", "127.0.0.1")


@pytest.mark.broker
@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
def test_the_broker_starts_with_its_settings(certificates: Path, tmp_path: Path) -> None:  # noqa: F811
    port = unused_port()
    (tmp_path / "broker_passwords").write_text("")
    (tmp_path / "broker_acl").write_text("user monitor\ntopic read sillkeep/+/+/senml\n")
    for kind in ("crt", "key"):
        (tmp_path / f"broker_{kind}").write_bytes((certificates / f"server.{kind}").read_bytes())
    text = (DEPLOY / "compose/mosquitto.conf").read_text(encoding="utf-8")
    text = text.replace("/run/secrets", str(tmp_path)).replace("/mosquitto/data", str(tmp_path))
    text = text.replace("listener 8883", f"listener {port} 127.0.0.1")
    (tmp_path / "mosquitto.conf").write_text(f"{text}user root\n")
    command = [str(MOSQUITTO), "-c", str(tmp_path / "mosquitto.conf")]
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: is_open(port), seconds=20)
    finally:
        running.terminate()
        running.wait(10)
