"""The bill of materials: that it is one by CycloneDX's own schema, whole, and of what may be passed on."""

import csv
import json
import re
import tomllib
from pathlib import Path

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

from deploy import bill
from deploy.bill import Package, listed, packages

ROOT = Path(__file__).parents[1]
# What the packages declare today. All may be passed on beside an MIT program. MPL-2.0 asks that the source of
# its own files stays to be had (it is, unchanged); where a licence offers a choice, the permissive one is taken
# (paho-mqtt: BSD-3-Clause).
PERMISSIVE = {
    "0BSD", "Apache-2.0", "BSD License", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT",
    "MIT-0", "MIT-CMU", "PSF-2.0", "Python Software Foundation License", "ZPL-2.1", "Zlib",
}  # fmt: skip
PER_FILE = {"MPL-2.0"}
STRICT = re.compile(r"GPL|SSPL|EUPL|CC-BY-NC|Commons Clause|Proprietary|BUSL", re.IGNORECASE)


@pytest.fixture(scope="module")
def found() -> list[Package]:
    return packages()


@pytest.fixture(scope="module")
def text(found: list[Package]) -> str:
    return bill.written(bill.bill(found, version="0.1.0"))


def may_be_passed_on(licence: str) -> bool:
    """Every part joined by AND has a choice that is known."""
    for part in re.split(r"\s+AND\s+", licence.replace("(", "").replace(")", "")):
        if not any(one in PERMISSIVE | PER_FILE for one in re.split(r"\s+OR\s+", part)):
            return False
    return not STRICT.search(licence)


def test_it_is_a_bill_by_the_schema(text: str) -> None:
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    broken = text.replace('"bomFormat": "CycloneDX"', '"bomFormat": "Other"')
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(broken) is not None


def test_every_package_of_the_constraints_is_in_it(text: str) -> None:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    wanted = set(re.findall(r"^([a-z0-9._-]+)==([^ ;\\\n]+)", lines, re.MULTILINE))
    assert len(wanted) > 60
    told = json.loads(text)
    assert {(one["name"], one["version"]) for one in told["components"]} == wanted
    assert all(one["purl"] == f"pkg:pypi/{one['name']}@{one['version']}"
               for one in told["components"])  # fmt: skip
    refs = {one["bom-ref"] for one in told["components"]} | {"sillkeep"}
    graph = {one["ref"]: set(one.get("dependsOn", ())) for one in told["dependencies"]}
    assert graph.keys() == refs
    assert set().union(*graph.values()) <= refs
    names = {ref.partition("==")[0] for ref in graph["sillkeep"]}
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    assert names == {re.split(r"[<>=;\[ ]", line)[0] for line in asked}
    # by the graph, nothing is there that nobody asks for
    reached, new = set(), {"sillkeep"}
    while new:
        reached |= new
        new = set().union(*(graph[ref] for ref in new)) - reached
    unasked = {ref for ref in refs - reached if not _is_for_others(ref, told)}
    assert unasked == set()


def _is_for_others(ref: str, told: dict[str, list[dict[str, object]]]) -> bool:
    (one,) = (c for c in told["components"] if c["bom-ref"] == ref)
    return any(p["name"] == "sillkeep:marker" for p in one.get("properties", ()))  # type: ignore[attr-defined]


def test_each_licence_is_declared_and_may_be_passed_on(found: list[Package]) -> None:
    assert [one.name for one in found if not one.licence] == []
    assert [(one.name, one.licence) for one in found if not may_be_passed_on(one.licence)] == []
    weak = {one.name for one in found if any(kind in one.licence for kind in PER_FILE)}
    assert weak == {"certifi", "orjson"}


@pytest.mark.parametrize(
    ("licence", "may"),
    [("MIT", True), ("GPL-3.0-or-later", False), ("GPL-2.0 OR MIT", False), ("", False),
     ("MPL-2.0 AND (Apache-2.0 OR MIT)", True), ("MIT AND Something", False)],
)  # fmt: skip
def test_what_may_be_passed_on_is_told_apart(licence: str, may: bool) -> None:
    assert may_be_passed_on(licence) == may


def test_lines_of_constraints_are_read_with_their_markers() -> None:
    text = "a-b==1.0 \\\n    --hash=sha256:00\nC.d==2 ; python_version < '3.12' \\\n    --hash=x\n# e==3\n"
    assert list(listed(text)) == [("a-b", "1.0", ""), ("c-d", "2", "python_version < '3.12'")]


def test_the_files_are_written_and_name_no_registry(tmp_path: Path) -> None:
    made = bill.write(tmp_path / "out")
    assert [path.name for path in made] == [
        "sillkeep-0.1.0.cdx.json", "sillkeep-0.1.0-licences.csv"]  # fmt: skip
    hosts = re.compile("py" + "pi\\.org|python" + "hosted")
    for path in made:
        assert not hosts.search(path.read_text(encoding="utf-8"))
    with made[1].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["name"] for row in rows} >= {"dash", "numpy", "waitress"}
    assert {row["licence"] for row in rows if row["name"] == "waitress"} == {"ZPL-2.1"}
