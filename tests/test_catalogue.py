"""The catalogue: languages from files, broken entries left out, and who reads in which."""

import re
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboards.app import make_app
from deploy import languages
from monitor import catalogue
from monitor.catalogue import read_in, say, say_number
from monitor.cli import app as cli
from monitor.errors import InputError
from monitor.store.record import open_record
from tests.filled import NOW_S, filled_record
from tests.signed import sign_in
from tests.test_access import drawn, post

# GNU gettext manual, section "Additional gettext functions": plural forms of Polish
POLISH = """msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2);\\n"

msgid "Alarms"
msgstr "[Alarms]"

msgid "{n} wetting"
msgid_plural "{n} wettings"
msgstr[0] "one [{n}]"
msgstr[1] "few [{n}]"
msgstr[2] "many [{n}]"

msgid "Temperature"
msgstr "[Temperature]"

#, fuzzy
msgid "Clock"
msgstr "[Clock]"

msgid "Rain in the three days before: {rain:.0f} mm."
msgstr "[{rain:.0f} mm]"

msgid "{zone} is wet: {moisture}."
msgstr "[{zone}]"

msgid "{hours:.0f} hours"
msgstr "[{hours:.9z} h]"

msgid "{minutes:.0f} minutes"
msgstr "[{minutes:.0f} {more}]"

msgid "{count} ago"
msgstr "[{count ago]"

msgid " and "
msgstr "[and]"

msgid "No quiet hours."
msgstr ""
"""


@pytest.fixture
def polish(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "languages"
    folder.mkdir()
    path = folder / "pl.po"
    path.write_text(POLISH, encoding="utf-8")
    monkeypatch.setattr(catalogue, "FOLDER", folder)
    return path


# --- sentences ------------------------------------------------------------------------------------


def test_english_is_the_sentence_itself_with_its_figures() -> None:
    assert say("{wood:.1f} % of {zone}", wood=12.34, zone="a{b}") == "12.3 % of a{b}"
    assert say("nothing {to} fill in") == "nothing {to} fill in"
    assert [say_number(n, "{n:,} zone", "{n:,} zones") for n in (0, 1, 2, 1500)] == [
        "0 zones", "1 zone", "2 zones", "1,500 zones",
    ]  # fmt: skip


@pytest.mark.usefixtures("polish")
def test_a_language_has_as_many_forms_of_a_number_as_it_needs() -> None:
    with read_in("pl"):
        said = [
            say_number(n, "{n} wetting", "{n} wettings") for n in (1, 2, 4, 5, 12, 22, 25, 112, 0)
        ]
    assert said == [
        "one [1]", "few [2]", "few [4]", "many [5]", "many [12]", "few [22]", "many [25]",
        "many [112]", "many [0]",
    ]  # fmt: skip
    assert say_number(2, "{n} wetting", "{n} wettings") == "2 wettings"


@pytest.mark.usefixtures("polish")
def test_a_broken_doubtful_or_missing_translation_is_english() -> None:
    with read_in("pl"):
        assert say("Rain in the three days before: {rain:.0f} mm.", rain=3.2) == "[3 mm]"
        assert say("{zone} is wet: {moisture}.", zone="a", moisture="b") == "a is wet: b."
        assert say("{hours:.0f} hours", hours=2) == "2 hours"
        assert say("{minutes:.0f} minutes", minutes=2) == "2 minutes"
        assert say("{count} ago", count="3 days") == "3 days ago"
        assert [say(word) for word in ("Clock", "No quiet hours.", "not in it")] == [
            "Clock", "No quiet hours.", "not in it",
        ]  # fmt: skip


def test_what_is_broken_is_named(polish: Path) -> None:
    found = "\n".join(catalogue.faults(polish))
    for named in (
        "'{zone} is wet: {moisture}.': {moisture} missing",
        "'{hours:.0f} hours': {hours:.0f} missing",
        "'{minutes:.0f} minutes': {more} unknown",
        "'{count} ago': ",
        "' and ': spaces at its ends differ",
    ):
        assert named in found
    assert len(found.splitlines()) == 5


@pytest.mark.usefixtures("polish")
def test_a_whole_text_of_a_page_is_translated_and_a_code_never() -> None:
    with read_in("pl"):
        assert catalogue.shown(" Alarms ") == " [Alarms] "
        assert catalogue.shown("Alarms of a unit") == "Alarms of a unit"
    lower = catalogue.Catalogue("xx", {"roof": ("dach",)})
    with read_in(lower):
        assert (say("roof"), catalogue.shown("roof")) == ("dach", "roof")  # may be a zone's code


@pytest.mark.usefixtures("polish")
def test_days_and_months_are_those_of_the_language() -> None:
    # CLDR: abbreviated names of Polish
    at = datetime.fromisoformat("2025-11-25")
    with read_in("pl"):
        assert (catalogue.weekday(at), catalogue.month(at)) == ("wt.", "lis")
    assert (catalogue.weekday(at), catalogue.month(at)) == ("Tue", "Nov")


@pytest.mark.usefixtures("polish")
def test_only_languages_with_a_file_can_be_chosen() -> None:
    assert catalogue.offered() == {"en": "English", "pl": "Polski"}
    assert catalogue.check("pl") == "pl"
    for code in ("xx", "../pl", "", "PL"):
        with pytest.raises(InputError, match="use one of: en, pl"):
            catalogue.check(code)
        assert catalogue.load(code).code == "en"


def test_the_library_is_not_read_where_everybody_reads_english() -> None:
    script = (
        "import sys, monitor.cli, monitor.watch, monitor.messages, dashboards.app;"
        "from monitor import catalogue; catalogue.load('en'); catalogue.offered();"
        "assert not [name for name in sys.modules if name.split('.')[0] == 'babel']"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


# --- files ----------------------------------------------------------------------------------------


def test_the_template_has_every_sentence_of_today() -> None:
    made = languages.written(languages.template())
    assert languages.TEMPLATE.read_bytes() == made, "write it anew: python -m deploy.languages"


def test_no_language_that_is_shipped_has_a_broken_entry() -> None:
    broken = {path.name: catalogue.faults(path) for path in catalogue.FOLDER.glob("*.po")}
    assert not any(broken.values()), broken


def test_a_language_is_begun_and_what_changed_in_english_is_doubted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (languages, catalogue):
        monkeypatch.setattr(module, "FOLDER", tmp_path)
    monkeypatch.setattr(languages, "TEMPLATE", tmp_path / "sillkeep.pot")
    languages.main(["nl"])
    begun = (tmp_path / "nl.po").read_text(encoding="utf-8")
    assert 'msgid "Acknowledge"\nmsgstr ""' in begun
    assert "nplurals=2" in begun
    changed = begun.replace(
        'msgid "Acknowledge"\nmsgstr ""', 'msgid "Acknowledge it"\nmsgstr "Bevestigen"'
    ).replace('msgid "Alarms"\nmsgstr ""', 'msgid "Alarms"\nmsgstr "Alarmen"')
    (tmp_path / "nl.po").write_text(changed, encoding="utf-8")
    languages.main(["nl"])
    kept = (tmp_path / "nl.po").read_text(encoding="utf-8")
    assert re.search(r'#, fuzzy\nmsgid "Acknowledge"\nmsgstr "Bevestigen"', kept)
    with read_in("nl"):
        assert (say("Alarms"), say("Acknowledge")) == ("Alarmen", "Acknowledge")


# --- who reads in which ---------------------------------------------------------------------------


@pytest.fixture
def client(tmp_path: Path) -> FlaskClient:
    home = tmp_path / "home"
    filled_record(home, days=2).close()
    record = open_record(home)
    made = make_app(record, now=lambda: NOW_S, change=lambda: open_record(home))
    return sign_in(made.server.test_client(), home, now_s=NOW_S)


def account(client: FlaskClient) -> str:
    return drawn(client, "/account")


def keep(client: FlaskClient, code: str) -> str:
    return post(client, "/account/wishes", language=code).location


def test_with_english_alone_no_language_is_asked_for(client: FlaskClient) -> None:
    assert "Temperature" in account(client)
    assert "Language" not in account(client)


@pytest.mark.usefixtures("polish")
def test_a_user_reads_in_the_language_of_their_account(client: FlaskClient) -> None:
    assert '<html lang="en">' in client.get("/account").text
    assert "Polski" in account(client)
    assert "Kept" in keep(client, "pl")
    assert '<html lang="pl">' in client.get("/account").text
    shown = account(client)
    assert "[Temperature]" in shown
    assert ">Clock<" in shown  # doubtful in the file
    assert catalogue.language() == "en"  # outside of the request
    assert "Not%20done" in keep(client, "xx") or "Not+done" in keep(client, "xx")


@pytest.mark.usefixtures("polish")
def test_who_is_not_signed_in_reads_in_the_language_of_the_browser(client: FlaskClient) -> None:
    client.delete_cookie("sillkeep")
    for asked, code in (("pl-PL,pl;q=0.9,en;q=0.5", "pl"), ("de", "en"), ("en-GB,pl;q=0.1", "en")):
        shown = client.get("/login", headers={"Accept-Language": asked}).text
        assert f'<html lang="{code}">' in shown


@pytest.mark.usefixtures("polish")
def test_a_person_who_is_told_has_a_language(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from typer.testing import CliRunner

    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    run = CliRunner()
    assert run.invoke(cli, ["person", "add", "Ann", "--language", "pl"]).exit_code == 0
    assert '"language": "pl"' in run.invoke(cli, ["person", "list", "--json"]).output
    assert run.invoke(cli, ["person", "change", "Ann", "--language", "en"]).exit_code == 0
    assert '"language": "en"' in run.invoke(cli, ["person", "list", "--json"]).output
    wrong = run.invoke(cli, ["person", "change", "Ann", "--language", "xx"])
    assert wrong.exit_code != 0
