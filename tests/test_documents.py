"""Documents that are handed over: tagged, one page where promised, every figure, nothing private."""

import base64
import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from typer.testing import CliRunner

from dashboards.words import wish
from monitor import catalogue, printing, watch
from monitor.cli import app
from monitor.errors import InputError
from monitor.lot import (
    BenchPoint,
    Event,
    Finding,
    Joint,
    Meter,
    Photo,
    Placement,
    SealEntry,
    Site,
    Unit,
    Zone,
)
from monitor.reports import beside, handed, packet, tree
from monitor.reports.document import (
    PAPERS,
    Boxes,
    Document,
    Facts,
    Figure,
    Heading,
    Listed,
    Paragraph,
    Picture,
    Table,
    cut,
    html,
    page_count,
    pdf,
    plain,
    typed,
)
from monitor.reports.handed import Wanted
from monitor.reports.told import Asked, Beside, Noted, _noted, read
from monitor.store import Alarm, Record, findings, open_record
from monitor.text import documents as text
from tests.filled import NOW_S, filled_record
from tests.judging import DAY_S, START_S
from tests.signed import session
from tests.test_access import make_yard
from tests.test_repairs import (
    END_S,
    HOSE,
    REPAIR,
    REPAIRED_S,
    benched,  # noqa: F401  a fixture of each test here
    furnish,
    history,
    take,
)

# ISO 216 and ANSI/ASME Y14.1, in points of 1/72 inch
SIZES = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
ASKED = Asked(END_S, "Sillkeep test")
HOSTILE = (
    '#import "x.typ": *',
    "$ x^2 $ *bold* _it_ [a] `raw` = title",
    "</td><script>alert(1)</script>&amp;<img src=//x.y/z>",
    "\\u{41} #sys.inputs #eval(\"1\") @label <label> // c /* d */ ~ -- --- ...",
    "one\ntwo\r\nthree\tfour",
    "W" * 300,
    "\u202eevil\u202c \u200bzero",
    "שלום عالم 漢字 😀 e\u0301\u0302",
    "'\"' {unit} %s {0}",
)  # fmt: skip
SECRETS = ("Wilhelmina Planted", "Planted free note")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A repair that stayed dry, in a unit that somebody lived in for a day."""
    folder = tmp_path_factory.mktemp("documents")
    record = open_record(folder)
    lived = [
        Event(START_S + 2 * DAY_S + 4321, "occupied", "7 people", "u1"),
        Event(START_S + 3 * DAY_S + 4321, "vacated", "", "u1"),
        Event(START_S + 5 * DAY_S, "inspection", SECRETS[1], "u1", "w1"),
    ]
    noted = replace(REPAIR, value=f"opened and dried, sensor moved, by {SECRETS[0]}")
    furnish(record, [noted, HOSE, *lived])
    take(record, history())
    watch.tick(record, now_s=END_S)
    photo = Photo("0" * 64, END_S - DAY_S, END_S, SECRETS[0], "corner")
    record.keep_photo("u1", replace(photo, digest=_digest(JPEG)), JPEG)
    record.close()
    return folder


def _digest(data: bytes) -> str:
    from hashlib import sha256

    return sha256(data).hexdigest()


def _jpeg() -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (80, 60), "grey").save(out, "JPEG")
    return out.getvalue()


JPEG = _jpeg()


@pytest.fixture
def record(home: Path) -> Iterator[Record]:
    with open_record(home, read_only=True) as opened:
        yield opened


def wanted(kind: str, **changed: object) -> Wanted:
    unit = "" if kind == "morning" else "u1"
    return Wanted(kind=kind, unit=unit, asked=ASKED, **changed)  # type: ignore[arg-type]


def read_pdf(data: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(data))


def words_of(data: bytes) -> str:
    """Text of a PDF in one line, as a reader copies it."""
    return " ".join(" ".join(page.extract_text() for page in read_pdf(data).pages).split())


def squeezed(said: str) -> str:
    """Without white space and places to break: a line may end anywhere."""
    return re.sub(r"[\s\u200b\u00ad]|-(?=\n)", "", said)


class Page(HTMLParser):
    """Elements of a page, and whether they close in order."""

    VOID = frozenset({"meta", "img", "br", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.said.append(data)


def parsed(data: bytes) -> Page:
    page = Page()
    page.feed(data.decode())
    page.close()
    assert page.open == []
    return page


def a_document(said: str) -> Document:
    """One with every kind of block, all of which say the same."""
    rows = ((said, said), (said, "2"))
    return Document(
        title=said, subtitle=said, lead=said, foot=said, made_s=END_S,
        blocks=(
            Heading(said), Paragraph(said), Paragraph(said, "caution"), Facts(((said, said),)),
            Listed((said,)), Listed((said,), ordered=True), Table(said, (said, "n"), rows, wide=(0,), right=(1,)),
            Boxes((said,)), Picture(JPEG, said, said),
            Figure("<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'><path d='M0 0h9'/></svg>", said, said, said),
        ),
    )  # fmt: skip


# --- the two ways to write ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", handed.KINDS)
@pytest.mark.parametrize("paper", PAPERS)
def test_a_pdf_is_tagged_titled_and_of_its_paper(record: Record, kind: str, paper: str) -> None:
    document = handed.make(record, wanted(kind, paper=paper))
    reader = read_pdf(pdf(document, paper=paper))  # type: ignore[arg-type]
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value is True  # ISO 32000-1, 14.7
    assert root["/StructTreeRoot"] is not None
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value is True  # ISO 14289-1, 7.1
    assert reader.metadata.title == document.title
    xmp = root["/Metadata"].get_data().decode()
    assert re.search(r"pdfuaid:part[>=\"']+1", xmp)  # ISO 14289-1, clause 5
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(SIZES[paper], abs=1)  # fmt: skip
    most = {"proof": 2, **dict.fromkeys(handed.ONE_PAGE, 1)}.get(kind)
    assert most is None or len(reader.pages) <= most
    assert len(reader.pages) == page_count(document, paper=paper)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", handed.KINDS)
def test_the_same_document_is_the_same_bytes_and_asks_nobody(record: Record, kind: str) -> None:
    one, other = (handed.make(record, wanted(kind)) for _ in range(2))
    assert pdf(one, paper="a4") == pdf(other, paper="a4")
    made = html(one, paper="a4")
    assert made == html(other, paper="a4")
    page = parsed(made)
    tags = {tag for tag, _ in page.found}
    assert tags.isdisjoint({"script", "link", "iframe", "object", "form", "base"})
    sources = [
        value for _, attrs in page.found for name in ("src", "href") if (value := attrs.get(name))
    ]
    assert all(source.startswith(("data:image/svg+xml;base64,", "data:image/jpeg;base64,")) for source in sources)  # fmt: skip
    assert dict(page.found)["html"] == {"lang": "en"}
    assert "url(" not in made.decode()
    assert all(attrs.get("alt") for tag, attrs in page.found if tag == "img")
    headers = [attrs for tag, attrs in page.found if tag == "th"]
    assert all(attrs.get("scope") for attrs in headers)


@pytest.mark.parametrize("said", HOSTILE)
def test_what_somebody_typed_comes_out_as_text(said: str) -> None:
    document = a_document(typed(said))
    page = parsed(html(document, paper="a4"))
    assert typed(said) in "".join(page.said)
    assert not {tag for tag, _ in page.found} & {"script", "b"}
    shown = squeezed(words_of(pdf(document, paper="letter")))
    ascii_part = re.sub(r"[^!-~]", "", plain(typed(said)))[:20]
    if said.isascii():
        assert ascii_part in re.sub(r"[“”]", '"', re.sub("[‘’]", "'", shown))


@pytest.mark.parametrize(("sign", "number"), [("😀", "1F600"), ("漢", "6F22"), ("\u202e", "202E")])
def test_signs_that_are_not_printed_are_seen_as_numbers(sign: str, number: str) -> None:
    shown = words_of(pdf(a_document(f"a{sign}b"), paper="a4"))
    assert f"[U+{number}]" in shown


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=60))
def test_no_text_at_all_breaks_a_document(said: str) -> None:
    document = a_document(typed(said) or "x")
    assert pdf(document, paper="a4").startswith(b"%PDF")
    parsed(html(document, paper="a4"))


def test_every_sign_that_is_said_to_be_printed_is() -> None:
    """PDF/UA-1 has typst refuse a text that its fonts do not have: here it refuses none."""
    from monitor.reports.document import _ranges

    held = _ranges()
    signs = "".join(
        chr(code) for a, b in zip(held[::2], held[1::2], strict=True) for code in range(a, b)
    )
    assert set("°²³≥≤±−×–—“”µ½€£ABCxyzéüßøñžАЯαω") <= set(signs)
    document = Document("x", "x", tuple(Paragraph(" ".join(signs[k : k + 200])) for k in range(0, len(signs), 200)), "x", 0)  # fmt: skip
    assert pdf(document, paper="a4").startswith(b"%PDF")


def test_long_lists_say_how_many_are_left_out() -> None:
    rows = [(str(k), "x") for k in range(9)]
    assert cut(rows, 9, see="y") == tuple(rows)
    assert cut(rows, 4, see="the rest")[-1] == ("and 5 more, see the rest", "")


def test_temperatures_are_of_the_reader_s_scale() -> None:
    document = replace(a_document("between 0 and 100 °C"), fahrenheit=True)
    for shown in (words_of(pdf(document, paper="a4")), html(document, paper="a4").decode()):
        assert "32 and 212 °F" in shown.replace("\u202f", " ").replace("\u00a0", " ")


# --- charts ---------------------------------------------------------------------------------------


def a_chart(values: np.ndarray) -> printing.Chart:
    at_s = START_S + np.arange(len(values)) * 3600
    curves = [printing.Curve("one", values), printing.Curve("other", values + 3)]
    marks = [printing.Mark("hose", (START_S + 3600,), "s")]
    return printing.Chart(at_s, curves, "%", rain_mm=np.ones(len(values)), rain_name="rain", marks=marks)  # fmt: skip


def test_a_chart_is_the_same_file_black_and_white_and_well_formed() -> None:
    made = printing.svg(a_chart(np.linspace(10, 20, 200)))
    assert made == printing.svg(a_chart(np.linspace(10, 20, 200)))
    ET.fromstring(made)
    colours = {found.lower() for found in re.findall(r"#[0-9a-fA-F]{6}", made)}
    assert all(found[1:3] == found[3:5] == found[5:7] for found in colours), colours
    assert "stroke-dasharray" in made  # of the second line
    assert "<text" not in made  # letters are outlines


def test_a_gap_is_left_open_and_hatched() -> None:
    whole = np.linspace(10, 20, 200)
    holed = np.where((np.arange(200) > 80) & (np.arange(200) < 120), np.nan, whole)
    assert "<pattern" in printing.svg(a_chart(holed))
    assert "<pattern" not in printing.svg(a_chart(whole))


# --- what they say --------------------------------------------------------------------------------


def test_a_proof_has_every_figure_of_its_verdict_its_packet_and_its_limits(record: Record) -> None:
    (row,) = record.repairs(unit="u1")
    document = handed.make(record, wanted("proof"))
    shown = words_of(pdf(document, paper="a4"))
    now = row.now
    assert now.verdict in shown
    figures = now.figures
    for name in ("days", "natural", "hose", "wash", "uncounted"):
        assert f"{figures[name]:.0f}" in shown
    for name in ("excess_percent", "goal_percent", "coverage_percent"):
        assert f"{figures[name]:.1f}".replace("-", "−") in shown
    assert f"{figures['noise_percent']:.2f}" in shown
    assert f"{now.size_ml:.0f} mL" in shown
    for missing in now.missing:
        assert missing in shown
    assert f"revision {len(record.proof_revisions(*('u1', 'w1', REPAIRED_S)))}" in shown
    key = tree.signing_key(record.home)
    root, public = packet.identity(packet.make(record, row, key=key, made_s=1, program="other"))
    assert root in squeezed(shown)
    assert public in squeezed(shown)
    assert "Checks of the probes over salt: none recorded" in shown
    assert "UTC" in shown
    page = "".join(parsed(html(document, paper="a4")).said)
    assert root in page


def test_a_handover_record_has_coverage_wettings_repairs_and_nothing_private(
    record: Record,
) -> None:
    beside = Beside(findings=(Noted(END_S - DAY_S, "galley", SECRETS[1], "technician"),))
    document = handed.make(record, wanted("sale", beside=beside))
    told = read(record, "u1", from_s=None, to_s=END_S)
    for shown in (
        words_of(pdf(document, paper="a4")),
        " ".join("".join(parsed(html(document, paper="a4")).said).split()),
    ):
        assert "stayed dry" in shown
        assert told.watched in shown
        assert told.rained in shown
        assert "galley" in shown
        assert "opened and dried" in shown
        for secret in (*SECRETS, "occupied", "vacated", "7 people", "people in"):
            assert secret not in shown
        assert "Never watched in this time" in shown


def test_no_document_tells_who_lives_there_or_names_a_person(record: Record) -> None:
    for kind in handed.KINDS:
        shown = words_of(pdf(handed.make(record, wanted(kind)), paper="a4"))
        assert "7 people" not in shown
        assert "vacated" not in shown
        for claim in ("certified", "mould-free", "toxic", "guarantee", "is safe"):
            assert claim not in shown.lower()


def test_an_intake_watch_without_wetting_says_first_that_it_proves_nothing(record: Record) -> None:
    dry = wanted("intake", from_s=START_S + DAY_S, to_s=START_S + 2 * DAY_S)
    document = handed.make(record, dry)
    assert document.lead.startswith(text.INTAKE_NOTHING)
    assert "less than the 72 h" in document.lead
    assert "3 places gave readings, fewer than the 4" in document.lead
    assert text.INTAKE_NO_HOSE in words_of(pdf(document, paper="a4"))


def test_an_intake_watch_that_was_long_and_wet_enough_does_not(record: Record) -> None:
    document = handed.make(
        record, wanted("intake", from_s=REPAIRED_S, to_s=REPAIRED_S + 20 * DAY_S)
    )
    assert "proves nothing" not in document.lead
    assert "less than the 72 h" not in document.lead
    assert text.INTAKE_NO_HOSE not in words_of(pdf(document, paper="a4"))


def test_a_claim_has_notes_seals_and_photos_by_date(record: Record) -> None:
    seals = tuple(Noted(END_S - k * DAY_S, f"joint {k}", "new sealant", "owner", ("ab" * 32,)) for k in (1, 9))  # fmt: skip
    shown = words_of(pdf(handed.make(record, wanted("warranty", beside=Beside(seals=seals))), paper="a4"))  # fmt: skip
    assert shown.index("joint 9") < shown.index("joint 1 ")
    assert "abababababab" in shown
    assert "corner" in shown
    assert _digest(JPEG)[:16] in squeezed(shown)
    bare = words_of(pdf(handed.make(record, wanted("warranty")), paper="a4"))
    assert "Seals: none recorded" in bare


def test_a_season_says_what_is_not_there(record: Record) -> None:
    shown = words_of(pdf(handed.make(record, wanted("season")), paper="a4"))
    assert text.NO_LISTS in shown
    assert "none recorded" in shown
    assert "Batteries: no node of it tells its own" in shown


def test_a_job_card_keeps_people_off_the_roof_and_says_when_it_is_closed(record: Record) -> None:
    shown = words_of(pdf(handed.make(record, wanted("job", zone="w1")), paper="letter"))
    assert "Keep off the roof" in shown
    assert "pull shore power" in shown
    assert "hose test" in shown
    with pytest.raises(InputError, match="no zone"):
        handed.make(record, wanted("job", zone="nothing"))


def test_before_the_first_probe_nothing_counts(record: Record) -> None:
    told = read(record, "u1", from_s=START_S - 300 * DAY_S, to_s=END_S)
    assert told.from_s >= START_S - 3 * DAY_S
    with pytest.raises(InputError):
        read(record, "u1", from_s=END_S + DAY_S, to_s=END_S)
    with pytest.raises(InputError, match="no unit"):
        read(record, "nobody", from_s=None, to_s=END_S)


def test_a_hose_test_beside_a_standing_alarm_is_not_called_quiet(record: Record) -> None:
    told = read(record, "u1", from_s=None, to_s=END_S)
    (hose,) = (one for one in told.wettings if one.kind == "hose")
    assert hose.witnessed
    assert hose.said.endswith("no alarm of water stood or was raised")
    hours = np.ones(200, dtype=bool)
    watched = replace(told.heard[0], covered=hours)
    stood = Alarm(1, "yard", "u1", "w1", "", "wet", "today", START_S - DAY_S, None, "acknowledged", "", "", False, None, 1)  # fmt: skip
    event = Event(START_S + DAY_S, "hose", "", "u1")
    said = _noted(event, [watched], [stood], START_S).said
    assert said.endswith("an alarm stood at w1")
    over = replace(stood, cleared_s=START_S)
    assert "no alarm" in _noted(event, [watched], [over], START_S).said
    gone = replace(watched, covered=hours & (np.arange(200) != 30))
    assert _noted(event, [gone], [], START_S).witnessed  # an hour is no gap that hides water
    lost = replace(watched, covered=hours & (np.abs(np.arange(200) - 40) > 4))
    assert not _noted(event, [lost], [], START_S).witnessed
    latched = replace(over, kind="leak suspect", state="latched acknowledged")
    assert told.standing(latched)  # nobody inspected it
    assert told.standing(stood)
    assert not told.standing(replace(over, state="normal"))


def test_in_another_language_its_sentences_are_said(record: Record) -> None:
    pseudo = catalogue.Catalogue("nl", {text.TITLES["sale"]: ("Overdrachtsblad",)})
    with catalogue.read_in(pseudo):
        document = handed.make(record, wanted("sale"))
        made = pdf(document, paper="a4")
    assert document.title.startswith("Overdrachtsblad")
    assert read_pdf(made).trailer["/Root"]["/Lang"] == "nl"


# --- the worst case -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Long names, thirty zones, forty repairs and a lot of units."""
    folder = tmp_path_factory.mktemp("crowded")
    record = open_record(folder)
    record.add_site(Site("yard", "N" * 200))
    record.add_unit(Unit("u1", "yard", HOSTILE[0] * 9, slot="S" * 20))
    for k in range(30):
        zone = f"off-rear-low-{k:02}-{'x' * 20}"
        record.add_zone("yard", Zone("u1", zone, "wall"))
        record.place(Placement(f"n{k}", "p1", "yard", "u1", zone, START_S), recorded_s=START_S, who="t")  # fmt: skip
        for day in range(2):
            record.add_event("yard", Event(START_S + (k + day) * DAY_S, "repair", "closed " * 60, "u1", zone), recorded_s=END_S)  # fmt: skip
            record.add_event("yard", Event(START_S + (k + day) * DAY_S, "wash", "", "u1", zone), recorded_s=END_S)  # fmt: skip
    record.close()
    return folder


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["sale", "job"])
def test_one_page_stays_one_page_in_the_worst_case(crowded: Path, kind: str, paper: str) -> None:
    findings = tuple(Noted(END_S, "p" * 300, "w" * 900) for _ in range(60))
    with open_record(crowded, read_only=True) as record:
        document = handed.make(record, wanted(kind, paper=paper, beside=Beside(findings=findings)))
        made = pdf(document, paper=paper)  # type: ignore[arg-type]
        assert len(read_pdf(made).pages) == 1
        assert kind != "sale" or re.search(r"and \d+ more, see", words_of(made))


@pytest.mark.parametrize("paper", PAPERS)
def test_ten_units_of_a_large_lot_print_on_one_page(tmp_path: Path, paper: str) -> None:
    filled_record(tmp_path, units=40, days=2).close()
    with open_record(tmp_path, read_only=True) as record:
        asked = Wanted("morning", "", Asked(NOW_S), paper=paper)  # type: ignore[arg-type]
        document = handed.make(record, asked)
        reader = read_pdf(pdf(document, paper=paper))  # type: ignore[arg-type]
        assert len(reader.pages) == 1
        assert "A9" in reader.pages[0].extract_text()


# --- where people get them ------------------------------------------------------------------------


def test_the_command_writes_what_it_is_asked_for(home: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:  # fmt: skip
    monkeypatch.setenv("SILLKEEP_HOME", str(home))
    run = CliRunner().invoke
    for name in ("a.pdf", "a.html"):
        done = run(app, ["handover", "document", "sale", "u1", "--out", str(tmp_path / name), "--paper", "letter",
                         "--from", "2025-01-01"])  # fmt: skip
        assert done.exit_code == 0, done.output
        assert "Handover record: u1" in done.output
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    assert b"size:letter" in (tmp_path / "a.html").read_bytes()
    for wrong in (["sale", "u1", "--out", str(tmp_path / "a.pdf")], ["sale", "u1", "--out", str(tmp_path / "b.doc")],
                  ["poem", "u1", "--out", str(tmp_path / "b.pdf")], ["sale", "u9", "--out", str(tmp_path / "b.pdf")],
                  ["sale", "u1", "--out", str(tmp_path / "b.pdf"), "--from", "June"]):  # fmt: skip
        assert run(app, ["handover", "document", *wrong]).exit_code != 0
    assert not (tmp_path / "b.pdf").exists()


@pytest.fixture(scope="module")
def board(home: Path):
    yard = make_yard(home)
    yard.now_s = END_S
    return yard


def client(board, role: str):
    found = board.app.server.test_client()
    found.set_cookie("sillkeep", session(board.home, now_s=END_S, role=role))
    return found


ALLOWED = {
    "owner": {"proof", "intake", "sale", "season", "warranty", "job"},
    "lot lead": {"proof", "intake", "sale", "season", "warranty", "job"},
    "technician": {"proof", "intake", "sale", "season", "warranty", "job"},
    "sales": {"proof", "intake", "sale"},
    "auditor": {"proof", "intake", "sale", "season", "warranty"},
}


@pytest.mark.parametrize("role", ALLOWED)
def test_each_role_gets_what_it_may_and_it_is_noted(board, role: str) -> None:
    mine = client(board, role)
    for kind in handed.OF_UNIT:
        got = mine.get(f"/document/{kind}/u1?paper=letter")
        # nobody owns the unit by its code: others see its days, and these tell of hours
        private = role != "owner" and kind in handed.BY_HOUR and kind != "intake"
        if kind not in ALLOWED[role]:
            assert got.status_code == 403, kind
        elif role != "owner" and kind in handed.BY_HOUR:
            assert got.status_code == 403, kind
            assert text.NOT_BY_HOUR in got.text
        else:
            assert not private
            assert got.status_code == 200, (kind, got.text)
            assert got.data.startswith(b"%PDF")
            assert got.headers["Content-Disposition"] == f'attachment; filename="u1_{kind}.pdf"'
    log = client(board, "owner")
    assert log.get("/document/sale/u1?form=html").mimetype == "text/html"
    from monitor.store import users

    with open_record(board.home, read_only=True) as record:
        told = [
            entry for entry in users.log(record.engine, limit=50) if entry.act == "document taken"
        ]
    assert any("u1, sale, html" in entry.about for entry in told)


def test_days_on_which_nobody_lived_there_are_open_to_others(board) -> None:
    lead = client(board, "lot lead")
    after = "from=2030-01-01" if START_S > 1_893_456_000 else ""
    from monitor.reports.told import day

    first = day(START_S + 6 * DAY_S, "UTC")
    assert lead.get(f"/document/season/u1?from={first}&{after}").status_code == 200
    assert lead.get("/document/season/u1").status_code == 403


def test_what_is_not_there_is_said(board) -> None:
    owner = client(board, "owner")
    for path in ("/document/sale/nobody", "/document/poem/u1", "/document/sale/u1?from=June",
                 "/document/job/u1?zone=no", "/document/proof/u1?repair=w2+5"):  # fmt: skip
        got = owner.get(path)
        assert got.status_code == 404, path
        assert got.text.strip()


def test_the_page_offers_what_can_be_made(board) -> None:
    from dashboards.app import page
    from tests.signed import sight

    with open_record(board.home, read_only=True) as record:
        for role, kinds in ALLOWED.items():
            asked = wish("/unit/u1/handover", "", now_s=END_S)
            shown = str(page(record, asked, token="t", sight=sight(record, role)))
            for kind in handed.OF_UNIT:
                assert (f"/document/{kind}/u1" in shown) == (kind in kinds), (role, kind)


def test_figures_of_a_page_are_those_of_its_picture() -> None:
    """The picture in HTML is the drawing itself."""
    document = a_document("x")
    (figure,) = (block for block in document.blocks if isinstance(block, Figure))
    made = html(document, paper="a4").decode()
    assert base64.b64encode(figure.svg.encode()).decode() in made


# --- what people noted ----------------------------------------------------------------------------


def test_a_document_has_what_people_noted_and_none_of_their_names(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        furnish(record, events=())
        take(record, history())
        at_s = END_S - 9 * DAY_S
        found = {
            "identity": "6f1e2c1a-0f0e-4a53-9a25-6a1f3f6f0001", "unit": "u1", "zone": "w2",
            "round": "6f1e2c1a-0f0e-4a53-9a25-6a1f3f6f0002", "at_s": at_s, "recorded_s": at_s,
            "who": SECRETS[0],
        }  # fmt: skip
        leak = Finding(
            **found,
            checks=(("press", "soft"),),
            result="leak found",
            meter=Meter("a meter", "pin", 24.0),
        )
        record.add_findings([replace(leak, digest=findings.digest(leak))])
        joint = Joint("cap", "cap seam", at_s=at_s, who=SECRETS[0])
        record.enter_joints("u1", [joint])
        entry = SealEntry("cap", "looked at", at_s, at_s, SECRETS[0], finding="cracked")
        record.note_seals("u1", [entry])
        for salt, reference in (("MgCl2", 33.07), ("NaCl", 75.47)):
            record.add_bench_point(
                BenchPoint(0, "yard", "n1", "p1", salt, "", at_s - 60, at_s, reference - 1.0, 20.0,
                           reference, 0.5, at_s, SECRETS[0])
            )  # fmt: skip
        watch.tick(record, now_s=END_S)
        for kind in ("season", "warranty", "sale"):
            said = words_of(pdf(handed.make(record, Wanted(kind, "u1", ASKED)), paper="a4"))
            assert SECRETS[0] not in said
            assert (
                "none recorded" not in said.split("Findings of rounds")[-1][:200] or kind == "sale"
            )
            assert "w2" in said
            if kind != "sale":
                assert "Press: soft" in said
                assert "24.0 % by a meter" in said
                assert "cap (cap seam)" in said
                assert "cracked" in said
        assert "1 finding is open" in said or "findings are open" in said
        assert "+1.0 points" in words_of(
            pdf(handed.make(record, Wanted("warranty", "u1", ASKED)), paper="a4")
        )
        repair = Event(END_S - DAY_S, "repair", "closed", "u1", "w2")
        record.add_event("yard", repair, recorded_s=END_S)
        (after,) = beside.of(record, "u1").findings
        assert after.closed_s == END_S - DAY_S


def found_at(at_s: int, **values: object) -> Finding:
    return Finding("i", "u1", "w2", "r", at_s, at_s, "Ann", **values)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("values", "is_open"),
    [
        ({"result": "leak found"}, True),
        ({"checks": (("press", "soft"),)}, True),
        ({"checks": (("sight", "flat"), ("water", "standing"))}, True),
        ({"checks": (("growth", "large"),)}, True),
        ({"note": "the floor gives"}, True),
        ({"checks": (("sight", "flat"), ("press", "firm"))}, False),
        ({"result": "no leak"}, False),
        ({"result": "nothing found", "checks": (("smell", "musty"),)}, False),
    ],
)
def test_a_finding_is_open_until_somebody_settles_it(
    values: dict[str, object], is_open: bool
) -> None:
    one = found_at(1000, **values)
    assert (beside._closed_s(one, [one], []) is None) is is_open
    well = found_at(2000, checks=(("press", "firm"),))
    assert beside._closed_s(one, [one, well], []) == (2000 if is_open else 1000)
    worse = found_at(2000, checks=(("press", "soft"),))
    assert beside._closed_s(one, [one, worse], []) == (None if is_open else 1000)


def test_what_was_noted_after_a_document_ends_is_not_in_it() -> None:
    noted = Beside(
        findings=(
            Noted(100, "w1", "closed before", closed_s=200),
            Noted(100, "w1", "open as it begins", closed_s=1_500),
            Noted(1_200, "w1", "closed after", closed_s=2_500),
            Noted(2_100, "w1", "later"),
        ),
        seals=(
            Noted(100, "cap", "before"),
            Noted(1_000, "cap", "in it"),
            Noted(2_000, "cap", "on"),
        ),
        benches=(Noted(100, "n1", "in force"), Noted(2_000, "n1", "later")),
    )
    left = beside.cut(noted, from_s=1_000, to_s=2_000)
    assert [(one.what, one.closed_s) for one in left.findings] == [
        ("open as it begins", 1_500),
        ("closed after", None),
    ]
    assert [one.what for one in left.seals] == ["in it"]
    assert [one.what for one in left.benches] == ["in force"]
