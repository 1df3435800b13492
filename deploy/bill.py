"""What an installation is made of: `python -m deploy.bill [FOLDER]` writes two files, by default into `dist`.

`sillkeep-<version>.cdx.json` is a bill of materials (CycloneDX 1.6): every package of `constraints.txt`, the one
list that an installation may take packages from, with version, licence and what it asks for itself.
`sillkeep-<version>-licences.csv` is the same for eyes. Licences are those that the installed packages declare
of themselves; digests of files stand in `constraints.txt`.

Needs the test packages (`pip install -e '.[test]' -c constraints.txt`), and no network.
"""

import csv
import re
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import Property
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL
from packaging.requirements import InvalidRequirement, Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).parent.parent
LISTED = re.compile(r"^([A-Za-z0-9][A-Za-z0-9._-]*)==([^\s;\\]+)\s*(?:;\s*([^\\]+?))?\s*\\?$")
# of packages that are asked for on other systems alone, so that none is installed here to be read; from memory
BY_HAND = {"colorama": "BSD-3-Clause"}
# what packages call a licence that has a name in the SPDX list; only where it can mean no other
SPDX = {
    "MIT License": "MIT",
    "Apache 2": "Apache-2.0",
    "Apache Software License": "Apache-2.0",
    "ISC License": "ISC",
    "ISC License (ISCL)": "ISC",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "ZPL 2.1": "ZPL-2.1",
    "BSD 3-Clause License": "BSD-3-Clause",
}
LONGEST_NAME = 40  # longer "licences" are the text itself


@dataclass(frozen=True, slots=True)
class Package:
    """One line of the constraints; `marker` says for which system or Python it is."""

    name: str
    version: str
    marker: str = ""
    licence: str = ""  # "": none is declared
    read_from: str = ""  # version whose licence that is, or "by hand"
    needs: tuple[str, ...] = ()


def listed(text: str) -> Iterator[tuple[str, str, str]]:
    """Name, version and marker of each package of a constraints file."""
    for line in text.splitlines():
        found = LISTED.match(line.strip())
        if found:
            yield canonicalize_name(found[1]), found[2], found[3] or ""


def packages(constraints: Path = HERE / "constraints.txt") -> list[Package]:
    """All of them, with what the installed ones declare."""
    lines = list(listed(constraints.read_text(encoding="utf-8")))
    names = {name for name, _, _ in lines}
    return [_package(name, version, marker, names) for name, version, marker in lines]


def _package(name: str, version: str, marker: str, names: set[str]) -> Package:
    try:
        found = metadata.distribution(name)
    except metadata.PackageNotFoundError:
        hand = BY_HAND.get(name, "")
        return Package(name, version, marker, hand, "by hand" if hand else "")
    wanted = set()
    for line in found.requires or ():
        try:
            asked = Requirement(line)
        except InvalidRequirement:
            continue
        if asked.marker is None or asked.marker.evaluate({"extra": ""}):
            wanted.add(canonicalize_name(asked.name))
    declared = licence(found.metadata)
    return Package(name, version, marker, declared, found.version, tuple(sorted(wanted & names)))


def licence(told: metadata.PackageMetadata) -> str:
    """Licence that a package declares: an SPDX expression where it gives one, else its own words."""
    expression = (told.get("License-Expression") or "").strip()
    if expression:
        return expression
    words = (told.get("License") or "").strip()
    first = words.partition("\n")[0].strip()
    known = [c.rpartition(" :: ")[2] for c in told.get_all("Classifier") or () if "License" in c]
    if first in SPDX:
        return SPDX[first]
    if words and len(words) <= LONGEST_NAME and words not in {"BSD"}:
        return words
    return " AND ".join(SPDX.get(name, name) for name in known) if known else ""


# --- files ----------------------------------------------------------------------------------------


def bill(found: Sequence[Package], *, version: str) -> Bom:
    """The bill of materials; the program itself is what it is of."""
    make = LicenseFactory()
    bom = Bom()
    root = Component(
        name="sillkeep", version=version, type=ComponentType.APPLICATION, bom_ref="sillkeep",
        licenses=[make.make_from_string("MIT")],
    )  # fmt: skip
    bom.metadata.component = root
    parts: dict[str, list[Component]] = {}
    for one in found:
        about = {"marker": one.marker, "licence read from": one.read_from}
        component = Component(
            name=one.name,
            version=one.version,
            type=ComponentType.LIBRARY,
            bom_ref=f"{one.name}=={one.version}",
            purl=PackageURL("pypi", name=one.name, version=one.version),
            licenses=[make.make_from_string(one.licence)] if one.licence else (),
            properties=[Property(name=f"sillkeep:{k}", value=v) for k, v in about.items() if v],
        )
        bom.components.add(component)
        parts.setdefault(one.name, []).append(component)
    for one in found:
        needed = [part for name in one.needs for part in parts[name]]
        bom.register_dependency(
            next(part for part in parts[one.name] if part.version == one.version), needed
        )
    bom.register_dependency(root, [part for name in _asked() for part in parts.get(name, ())])
    return bom


def _asked() -> list[str]:
    """What the project itself asks for."""
    project = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [canonicalize_name(Requirement(line).name) for line in project["dependencies"]]


def written(bom: Bom) -> str:
    """The bill as JSON."""
    return str(JsonV1Dot6(bom).output_as_string(indent=1))


def write(folder: Path) -> list[Path]:
    """Write both files; their paths."""
    project = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    version, found = project["version"], packages()
    folder.mkdir(parents=True, exist_ok=True)
    bill_file = folder / f"sillkeep-{version}.cdx.json"
    bill_file.write_text(written(bill(found, version=version)) + "\n", encoding="utf-8")
    list_file = folder / f"sillkeep-{version}-licences.csv"
    with list_file.open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(("name", "version", "licence", "only where", "licence read from"))
        lines.writerows((p.name, p.version, p.licence, p.marker, p.read_from) for p in found)
    return [bill_file, list_file]


def main() -> None:
    """Write them and say where they are, and which packages declare no licence."""
    for path in write(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "dist"):
        sys.stdout.write(f"{path}\n")
    for one in packages():
        if not one.licence:
            sys.stdout.write(f"{one.name} {one.version} declares no licence\n")


if __name__ == "__main__":
    main()
