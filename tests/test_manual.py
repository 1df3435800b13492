"""The manual: built without a warning, nothing of the program missing in it, its commands followed as they stand."""

import ast
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from deploy.manual import drawings, examples, made
from deploy.manual.blocks import PAGES, blocks
from monitor import config, lotfile
from monitor.evidence.entries import next_probe
from monitor.outline import body
from sensors import gateway
from tests.followed import ROOT, Reader

SOURCES = sorted(PAGES.glob("*.md"))
FOLLOWED = [  # installing is followed on a machine of its own: tests/fresh.py
    page
    for page in SOURCES
    if page.stem != "install" and any(block.kind == "run" for block in blocks(page))
]
pytestmark = pytest.mark.xdist_group("programs")  # one build, and commands one after another

FORBIDDEN = re.compile(
    r"\b(safe|safely|toxic|mou?ld-free|harmless|certified|guarantee\w*|required by law)\b"
    # life-safety alarms: never what they do
    r"|\b(detect|sens|warn|alert|alarm)\w* (of|for|about|when)? ?(CO|carbon monoxide|LP|gas|smoke|fire)\b",
    re.IGNORECASE,
)
LEADS_OUT = {  # standards and open formats that are named with their address, to read
    "toml.io", "www.rfc-editor.org", "bthome.io", "jmespath.org", "127.0.0.1",
}  # fmt: skip


class Seen(HTMLParser):
    """What a page links to, fetches, names and says."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.ids: set[str] = set()
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if "id" in given:
            self.ids.add(given["id"])
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        fetches = given.get("src") or (given.get("href", "") if tag in {"link", "use"} else "")
        if fetches and given.get("rel") not in {"next", "prev"}:
            self.fetched.append(fetches)

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).split())


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual")
    done = subprocess.run(
        [sys.executable, "-m", "deploy.manual", str(folder)],
        check=False,
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return folder


@pytest.fixture(scope="module")
def pages(built: Path) -> dict[str, Seen]:
    found = {}
    for path in built.glob("*.html"):
        found[path.name] = Seen()
        found[path.name].feed(path.read_text(encoding="utf-8"))
    assert len(found) == len(SOURCES) + 1  # and the search
    return found


def test_every_link_leads_somewhere(built: Path, pages: dict[str, Seen]) -> None:
    checked = 0
    for name, page in pages.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme:
                assert parts.hostname in LEADS_OUT, link
                continue
            target = parts.path or name
            assert (built / target).is_file(), f"{name}: {link}"
            if parts.fragment:
                assert unquote(parts.fragment) in pages[target].ids, f"{name}: {link}"
            checked += 1
    assert checked > 300


def test_nothing_is_fetched_from_anywhere_else(built: Path, pages: dict[str, Seen]) -> None:
    for name, page in pages.items():
        assert page.fetched
        for address in page.fetched:
            assert not urlsplit(address).netloc, f"{name}: {address}"
            assert (built / urlsplit(address).path).is_file(), f"{name}: {address}"
    for sheet in built.rglob("*.css"):
        if sheet.name != "basic.css":  # of the theme; no page links it
            assert not re.search(r"@import|url\(", sheet.read_text(encoding="utf-8")), sheet
    assert all("basic.css" not in address for page in pages.values() for address in page.fetched)


def test_every_setting_is_in_it_and_says_what_it_is(pages: dict[str, Seen]) -> None:
    keys = dict(made.setting_keys())
    assert len(keys) > 60
    assert [key for key, said in keys.items() if not said.endswith(".")] == []
    shown = pages["settings.html"].words
    braced = re.compile(r"\.(at|unit)$")  # written within braces beside their key
    assert [key for key in keys if not braced.search(key) and f"{key} " not in shown] == []


def test_every_command_is_in_it_with_its_words(pages: dict[str, Seen]) -> None:
    names = made.command_names()
    assert {
        "sillkeep judge",
        "sillkeep handover verify",
        "sillkeep node",
        "sillkeep node run",
    } <= set(names)
    shown = pages["commands.html"].words
    assert [name for name in names if f"{name} " not in shown] == []
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "judge", "--help"], cwd=ROOT, capture_output=True, text=True, check=True
    )  # fmt: skip
    options = set(re.findall(r"--[a-z-]+", done.stdout)) - {"--help"}
    assert len(options) > 10
    assert [option for option in options if option not in shown] == []


def test_nothing_is_left_to_be_made(built: Path) -> None:
    for path in built.glob("*.html"):
        assert "made:" not in path.read_text(encoding="utf-8"), path


def test_no_page_says_what_is_not_for_it_to_say(pages: dict[str, Seen]) -> None:
    for name, page in pages.items():
        assert not (found := FORBIDDEN.search(page.words)), f"{name}: {found}"
        assert "LP gas and wiring to licensed people" in page.words


@pytest.mark.parametrize("wrong", ["It is safe now.", "detects CO", "warns of LP gas", "mold-free"])
def test_the_words_that_are_looked_for_would_be_found(wrong: str) -> None:
    assert FORBIDDEN.search(wrong)


# --- what is made from the program ----------------------------------------------------------------


@pytest.mark.parametrize(("title", "body_type", "slides"), drawings.bodies())
def test_kits_follow_the_programs_own_order(title: str, body_type: str, slides: int) -> None:
    assert body(body_type).known, title
    zones = drawings.zones_of(drawings.KITS["store-6"], body_type=body_type, slides=slides)
    assert len(zones) == 6
    for number in range(3, 6):
        following = next_probe(
            zones[:number],
            body_type=body_type,
            lean=drawings.LEAN,
            weather_side=drawings.WEATHER,
            slides=slides,
        )
        assert following is not None
        assert following.zone == zones[number][0]


@pytest.mark.parametrize(("kit", "count"), [("store-3", 3), ("full-12", 12), ("intake-4", 4), ("repair", 5)])  # fmt: skip
def test_every_probe_of_a_kit_is_drawn_and_numbered(kit: str, count: int) -> None:
    shown = drawings.kit(kit, "travel trailer", 1)
    numbers = re.findall(r'class="number"[^>]*>(\d+)<', shown)
    outside = shown.count("(not drawn)")
    assert len(set(numbers)) == len(numbers) == count - outside
    assert outside == (0 if kit == "intake-4" else 1)  # the air outside is in no view
    assert re.findall(r'<li value="(\d+)">', shown) == [str(n) for n in range(1, count + 1)]


def test_figures_of_missed_leaks_are_those_of_the_weights(pages: dict[str, Seen]) -> None:
    shown = pages["numbers.html"].words
    for size in ("all", "5 mL", "20 mL", "50 mL", "200 mL"):
        assert size in shown
    assert "0.058 a healthy zone and year" in shown  # DEVELOPERS, "How leak evidence does"


# --- examples and files ---------------------------------------------------------------------------


def test_each_format_has_an_example_that_was_decoded() -> None:
    # that they decode is shown by the build; here, that a message which does not would end it
    page = (PAGES / "messages.md").read_text(encoding="utf-8")
    kinds = set(re.findall(r"^```\{example\} ([a-z]+)", page, re.MULTILINE))
    assert kinds == {"senml", "receipt", "compact", "bthome", "mapped"}
    with pytest.raises(ValueError, match="outside"):
        examples.decoded(
            "senml", "sillkeep/home/van/senml", '[{"bn":"van:","bt":1764057600,"n":"humidity","u":"%RH","v":786}]'
        )  # fmt: skip
    with pytest.raises(ValueError, match="11"):
        examples.decoded("compact", "", "00ff")


def test_files_that_a_reader_writes_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "door-low.key").write_text("231d39c1d7cc1ab1aee224cd096db932\n")
    for name in ("broker.password", "ca.crt", "van.password", "van-ca.crt"):
        (tmp_path / name).write_text("a long enough password\n")
    read = set()
    for page in SOURCES:
        for block in blocks(page):
            if block.kind != "file":
                continue
            path = tmp_path / Path(block.name).name
            path.write_text(block.text.replace("/etc/sillkeep", str(tmp_path)), encoding="utf-8")
            if path.name == "sillkeep.toml":
                said = config.load(tmp_path)
                assert said.messages.board_url or said.broker.host
            if path.name == "lot.toml":
                assert lotfile.read_lot(path).units
            if path.name == "node.toml":
                assert gateway.read_settings(path)
            read.add(path.name)
    assert {"sillkeep.toml", "lot.toml", "node.toml"} <= read


# --- symptoms -------------------------------------------------------------------------------------


@cache
def said_by_the_program() -> str:
    """Every text in the program's own source, pieces of f-strings included."""
    said = []
    for top in ("monitor", "dashboards", "sensors"):
        for path in (ROOT / top).rglob("*.py"):
            said += [
                node.value
                for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(node, ast.Constant) and isinstance(node.value, str)
            ]
    return "\n".join(said).lower()


def symptoms() -> list[tuple[str, str]]:
    """What is seen, and all that is told of it."""
    page = (PAGES / "symptoms.md").read_text(encoding="utf-8")
    rows = [line.strip("|").split("|") for line in page.splitlines() if line.startswith("| ")]
    return [(row[0], " ".join(row)) for row in rows if row[0].strip() != "what you see"]


def test_symptoms_are_told_in_the_programs_own_words() -> None:
    rows = symptoms()
    assert len(rows) >= 50
    assert len({seen for seen, _ in rows}) == len(rows)
    missing = []
    for _, told in rows:
        for phrase in re.findall(r"(?<!\*)\*([^*]+)\*(?!\*)", told):
            pieces = re.split(r"…|\d+( min| hours?)?( ago)?|off-rear-low|watch(?= )", phrase)
            wanted = [(one or "").strip(" .`").lower() for one in pieces if one]
            missing += [f"{phrase}: {one}" for one in wanted if one not in said_by_the_program()]
    assert missing == []


@pytest.mark.parametrize("name", ["owner", "technician", "repairer"])
def test_screens_are_named_as_the_board_names_them(name: str) -> None:
    page = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    own = {"u04", "your first decision"}  # of the yard, and of the manual
    steps = re.findall(r"^\d\. \*\*([^*]+)\*\*", page, re.MULTILINE) if name == "repairer" else []
    bold = {one.strip(".").lower() for one in re.findall(r"\*\*([^*]+)\*\*", page)} - own
    bold -= {step.strip(".").lower() for step in steps}
    assert len(bold) >= 4
    assert [one for one in bold if one not in said_by_the_program()] == []


def test_a_full_disk_is_told_in_the_words_of_sqlite() -> None:
    page = (PAGES / "symptoms.md").read_text(encoding="utf-8")
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("PRAGMA max_page_count = 1")
        with pytest.raises(sqlite3.OperationalError) as found:
            db.execute("CREATE TABLE one (a)")
    assert str(found.value) == "database or disk is full"
    assert f"({found.value})" in page


def test_symptoms_name_only_commands_that_exist() -> None:
    names = {tuple(name.split()[1:]) for name in made.command_names()}
    groups = {name[0] for name in names}
    pages = "\n".join(page.read_text(encoding="utf-8") for page in SOURCES)
    asked = re.findall(
        r"`sillkeep ([a-z -]+?)(?= [A-Z-]|`)|^sillkeep ([a-z]+(?: [a-z-]+)?)", pages, re.MULTILINE
    )
    assert len(asked) > 30
    for inline, typed in asked:
        words = (inline or typed).split()
        assert words[0] in groups, words
        longer = {name[1] for name in names if name[0] == words[0] and len(name) > 1}
        if len(words) > 1 and (words[0],) not in names:
            assert words[1] in longer or words[0] == "proof", words


# --- commands -------------------------------------------------------------------------------------


def test_what_no_test_runs_says_why() -> None:
    reasons = [
        block.options["by-hand"]
        for page in SOURCES
        for block in blocks(page)
        if "by-hand" in block.options
    ]
    assert len(reasons) == 3  # one of them is followed at the end of tests/fresh.py
    assert all(len(reason) > 10 for reason in reasons)
    written = sum(page.read_text(encoding="utf-8").count("```{run}") for page in SOURCES)
    found = sum(block.kind == "run" for page in SOURCES for block in blocks(page))
    assert found == written > 30


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("page", FOLLOWED, ids=lambda page: page.stem)
def test_every_command_does_what_the_page_says(page: Path, tmp_path: Path) -> None:
    Reader(tmp_path).follow(page)
