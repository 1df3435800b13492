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
from monitor.reports import beside, handed, packet, spans, tree
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
from monitor.reports.told import (
    DAY_H,
    HOUR_S,
    Asked,
    Beside,
    Noted,
    _as_at,
    _noted,
    _since_s,
    _watched,
    read,
)
from monitor.store import Alarm, AlarmStep, NewAlarm, Record, findings, open_record
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


LOOK = Finding("6f1e2c1a-0f0e-4a53-9a25-6a1f3f6f0001", "u1", "w2", "6f1e2c1a-0f0e-4a53-9a25-6a1f3f6f0002", START_S, START_S, "x")  # fmt: skip


@pytest.mark.parametrize(
    ("checks", "result", "settled"),
    [
        ((("press", "soft"),), "", False),
        ((("water", "standing"),), "", False),
        ((("growth", "large"),), "", False),
        ((("press", "firm"), ("water", "damp")), "", False),
        ((), "", False),  # a note, a photo or a meter's value alone settles nothing
        ((("press", "firm"), ("water", "none"), ("sight", "flex")), "", True),
        ((("press", "firm"),), "leak found", False),
        ((("press", "soft"),), "no leak", True),
    ],
)
def test_a_finding_is_open_until_something_settles_it(
    checks: tuple[tuple[str, str], ...], result: str, settled: bool
) -> None:
    look = replace(LOOK, checks=checks, result=result)  # type: ignore[arg-type]
    assert beside._closed_s(look, [look], []) == (START_S if settled else None)
    after_s = START_S + DAY_S
    unsettled = replace(look, at_s=after_s, result="", checks=(("press", "soft"),))
    settles = replace(unsettled, at_s=after_s + 1, result="nothing found")
    assert beside._closed_s(look, [look, unsettled], []) == (START_S if settled else None)
    found = beside._closed_s(look, [look, unsettled, settles], [])
    assert found == (START_S if settled else after_s + 1)
    repair = Event(after_s, "repair", "", "u1", "w2")
    assert beside._closed_s(look, [look], [repair]) == (START_S if settled else after_s)
    elsewhere = replace(repair, zone="w1")
    assert beside._closed_s(look, [look], [elsewhere]) == (START_S if settled else None)


def test_what_people_noted_is_of_the_document_s_time(record: Record) -> None:
    """By what was known at its end: a finding that was closed later is open in it."""
    first, last = END_S - 20 * DAY_S, END_S - 10 * DAY_S
    found = (
        Noted(first - 9, "long closed", "x", closed_s=first - 5),
        Noted(first - 8, "closed within", "x", closed_s=first + 5),
        Noted(first - 7, "never closed", "x"),
        Noted(first, "at its beginning", "x", closed_s=first),
        Noted(last, "at its end", "x", closed_s=last + DAY_S),
        Noted(last + 1, "after it", "x"),
    )
    at = (first - 2, first - 1, first + 1, last + 1)
    noted = tuple(Noted(at_s, "n1 p1", str(k)) for k, at_s in enumerate(at))
    given_ = Beside(findings=found, seals=noted, benches=noted)
    told = read(record, "u1", from_s=first, to_s=last, beside=given_)
    whole = read(record, "u1", from_s=None, to_s=END_S, beside=given_)
    early = replace(noted[0], at_s=whole.from_s - DAY_S)  # before the first probe
    more = read(record, "u1", from_s=None, to_s=END_S, beside=Beside((early,), (early,), (early,)))
    assert (more.beside.findings, more.beside.seals) == ((early,), (early,))
    assert [(one.place, one.closed_s) for one in told.beside.findings] == [
        ("closed within", first + 5),
        ("never closed", None),
        ("at its beginning", first),
        ("at its end", None),
    ]
    assert [one.what for one in told.beside.seals] == ["2"]
    assert [one.what for one in told.beside.benches] == ["1", "2"]  # the last one before holds on
    sale = handed.make(record, wanted("sale", from_s=first, to_s=last, beside=given_))
    shown = words_of(pdf(sale, paper="a4"))
    assert "never closed: open" in shown
    assert "at its end: open" in shown
    assert "after it" not in shown
    assert "long closed" not in shown


def test_a_repair_stands_in_a_document_as_it_stood_at_its_end(record: Record) -> None:
    """Of a time before the thirty days were over nothing says that it stayed dry."""
    (row,) = record.repairs(unit="u1")
    assert row.now is not None
    assert row.now.verdict == "stayed dry"
    early = read(record, "u1", from_s=None, to_s=REPAIRED_S + 9 * DAY_S)
    (then,) = early.repairs
    assert then.now is not None
    assert then.now.verdict == "not yet shown"
    assert then.now.at_s <= early.to_s
    same_day = read(record, "u1", from_s=None, to_s=REPAIRED_S + HOUR_S)
    assert [one.now for one in same_day.repairs] == [None]
    now = read(record, "u1", from_s=None, to_s=END_S)
    assert [one.now for one in now.repairs] == [row.now]
    shown = words_of(pdf(handed.make(record, wanted("warranty", to_s=early.to_s)), paper="a4"))
    assert "stayed dry; " not in shown
    assert "not yet shown" in shown


@pytest.mark.parametrize("kind", ["sale", "season", "intake"])
def test_where_nothing_was_heard_no_document_says_that_no_alarm_was_raised(
    tmp_path: Path, kind: str
) -> None:
    with open_record(tmp_path) as record:
        furnish(record)
        shown = words_of(pdf(handed.make(record, wanted(kind)), paper="a4"))
    assert text.NO_ALARMS not in shown
    assert text.NONE_HEARD in shown


def test_a_handover_record_says_how_long_nothing_was_heard_where_it_tells_of_findings(
    record: Record,
) -> None:
    """ "No finding is open" of days on which nobody measured would be read as found dry."""
    whole = read(record, "u1", from_s=END_S - 20 * DAY_S, to_s=END_S)
    assert "nothing was heard" not in spans.sale(whole, ASKED, rows=9).lead
    told = read(record, "u1", from_s=END_S - 20 * DAY_S, to_s=END_S + 10 * DAY_S)
    assert told.unheard_days == pytest.approx((10.0, 30.0), abs=0.1)
    (sentence,) = re.findall(
        r"[^.]*(?:finding is|findings are) open[^.]*[.]", spans.sale(told, ASKED, rows=9).lead
    )
    assert "for 10 of 30 days nothing was heard" in sentence


@pytest.mark.parametrize("kind", ["sale", "season", "warranty"])
def test_no_verdict_on_a_repair_stands_without_what_it_was_taken_from(
    record: Record, kind: str
) -> None:
    shown = words_of(pdf(handed.make(record, wanted(kind)), paper="a4"))
    (row,) = record.repairs(unit="u1")
    assert row.now is not None
    percent = int(row.now.figures["coverage_percent"])
    said = (
        f"survived; readings of {percent} % of the time; covers leaks of {row.now.size_ml:.0f} mL"
    )
    assert squeezed(said) in squeezed(shown)


def heard_on(first_day: int, days: int, since_s: int | None):
    """A zone with readings in some days of a year that begins at START_S."""
    hours = START_S // HOUR_S + np.arange(365 * DAY_H)
    day = np.arange(365 * DAY_H) // DAY_H
    heard = (day >= first_day) & (day < first_day + days)
    held = np.full(len(hours), 12.0)
    table = {"hour": hours, "coverage_percent": 100.0 * heard, "wood_moisture_percent": held, "temperature_c": held}  # fmt: skip
    return _watched(Zone("u1", "w2", "wall"), table, (int(hours[0]), int(hours[-1]) + 1), since_s)


def test_silence_before_the_first_reading_counts(record: Record) -> None:
    """Eleven months of twelve without a word are no coverage of 100 %."""
    late = heard_on(335, 30, START_S - DAY_S)
    assert late.coverage_percent == pytest.approx(100.0 * 30 / 365)
    assert late.gap == (START_S, START_S + 335 * DAY_S)
    assert late.since_s == START_S
    put_late = heard_on(335, 30, START_S + 335 * DAY_S)
    assert (put_late.coverage_percent, put_late.gap) == (100.0, None)
    unsaid = heard_on(335, 30, None)  # readings of a file: nobody says since when it was watched
    assert (unsaid.coverage_percent, unsaid.gap) == (100.0, None)
    declared_late = heard_on(335, 30, START_S + 340 * DAY_S)  # readings came before that
    assert declared_late.since_s == START_S + 335 * DAY_S
    told = read(record, "u1", from_s=None, to_s=END_S)
    told = replace(told, from_s=START_S, to_s=START_S + 365 * DAY_S)
    always = heard_on(0, 365, START_S)
    assert "Watched from 2030-01-01 to 2031-01-01: 2 places, 100 %" in replace(told, zones=(always, always)).watched  # fmt: skip
    for other in (late, put_late, heard_on(0, 30, START_S)):
        said = replace(told, zones=(always, other)).watched
        assert "Watched from" not in said
        assert "not of every place or day" in said
    assert "8 % of the hours" in replace(told, zones=(late,)).watched


def test_a_place_is_to_be_watched_from_its_probe_or_what_was_declared(record: Record) -> None:
    zone = Zone("u1", "w1", "wall")
    at = [Placement("n1", "p1", "yard", "u1", code, START_S + k * DAY_S) for code, k in (("w1", 9), ("w1", 2), ("w2", 0))]  # fmt: skip
    assert _since_s(zone, at) == START_S + 2 * DAY_S
    assert _since_s(zone, at[2:]) is None
    assert _since_s(replace(zone, watched_from_s=START_S + DAY_S), at) == START_S + DAY_S
    told = read(record, "u1", from_s=None, to_s=END_S)
    assert {one.since_s for one in told.heard} == {START_S - 3 * DAY_S}  # readings began at START_S
    assert all(one.coverage_percent < 100.0 for one in told.heard)
    assert {one.gap for one in told.heard} == {(START_S - 3 * DAY_S, START_S)}


def alarm_with(kind: str, cleared_s: int | None, *steps: tuple[int, str, str]) -> NewAlarm:
    """An alarm of w1 with its steps: day, state and who."""
    made = tuple(AlarmStep(START_S + day * DAY_S, state, who, "x") for day, state, who in steps)  # type: ignore[arg-type]
    return NewAlarm("yard", "u1", "w1", "", kind, "today", made[0].at_s, cleared_s, made[-1].state, "", f"{kind} at w1", False, made)  # type: ignore[arg-type]  # fmt: skip


def test_an_alarm_stands_as_it_stood_at_the_document_s_end(tmp_path: Path) -> None:
    """Not as it stands now: a claim about a past day is not changed by what came after."""
    on, back, seen = "unacknowledged", "returned unacknowledged", "acknowledged"
    rests, asleep = "latched unacknowledged", "latched acknowledged"
    with open_record(tmp_path) as record:
        furnish(record, events=())
        wet = alarm_with("wet", START_S + 10 * DAY_S, (0, on, ""), (10, back, ""), (12, "normal", "Ann"))  # fmt: skip
        leak = alarm_with("leak suspect", START_S + 30 * DAY_S, (1, on, ""), (5, rests, ""), (6, asleep, "Ann"), (30, "normal", "Ann"))  # fmt: skip
        damp = alarm_with("damp", None, (2, on, ""), (3, seen, "Ann"))
        for one in (wet, leak, damp):
            record.add_alarm(one, now_s=END_S)

        def standing(day: int) -> set[str]:
            told = read(record, "u1", from_s=None, to_s=START_S + day * DAY_S + 1)
            return {alarm.kind for alarm in told.alarms if told.standing(alarm)}

        assert standing(1) == {"wet", "leak suspect"}
        assert standing(9) == {"wet", "leak suspect", "damp"}
        assert standing(10) == {"leak suspect", "damp"}
        assert standing(20) == {"leak suspect", "damp"}
        assert standing(30) == {"damp"}
        past, now = (Wanted("warranty", "u1", ASKED, to_s=START_S + day * DAY_S) for day in (9, 40))
        shown = words_of(pdf(handed.make(record, past), paper="a4"))
        assert "Alarms: 3, of which 3 stand." in shown
        assert "ended" not in shown
        later = words_of(pdf(handed.make(record, now), paper="a4"))
        assert "Alarms: 3, of which 1 stand." in later
        assert "ended 2030-01-11" in later


def test_late_readings_that_take_an_end_back_say_that_it_stood() -> None:
    ended = [AlarmStep(START_S, "unacknowledged", "", ""), AlarmStep(START_S + 5, "normal", "", "")]
    again = [*ended, AlarmStep(START_S + 99, "acknowledged", "", "late readings")]
    alarm = Alarm(1, "yard", "u1", "w1", "", "wet", "today", START_S, None, "acknowledged", "", "", False, None, 1)  # fmt: skip
    assert _as_at(alarm, again, START_S + 20).state == "unacknowledged"
    over = replace(alarm, state="normal", cleared_s=START_S + 60)
    assert _as_at(over, again, START_S + 20).cleared_s is None
    assert _as_at(over, again, START_S + 20).state == "unacknowledged"
    was = replace(over, cleared_s=START_S + 5)
    assert (_as_at(was, ended, START_S + 20).state, _as_at(was, ended, START_S + 20).cleared_s) == ("normal", START_S + 5)  # fmt: skip
