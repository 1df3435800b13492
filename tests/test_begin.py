"""First steps on the board: from an empty record to a reading, and what cannot be entered."""

import json
import re
from html import unescape
from pathlib import Path

import pytest

from dashboards.app import page
from dashboards.pages.begin import Broker
from dashboards.words import wish
from monitor.store.record import open_record
from sensors import wire
from tests.filled import NOW_S
from tests.hostile import HOSTILE
from tests.signed import sight
from tests.test_access import Yard, form_token, make_yard, post


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    open_record(tmp_path).close()
    return make_yard(tmp_path)


def shown(yard: Yard, address: str = "/begin", role: str = "owner") -> str:
    path, _, search = address.partition("?")
    with open_record(yard.home) as record:
        drawn = page(record, wish(path, search, now_s=NOW_S), token="t", sight=sight(record, role))
        return "".join(
            getattr(part, "data-still", "")
            for top in drawn
            for part in [top, *top._traverse()]
            if not isinstance(part, str)
        )


def states(html: str) -> list[str]:
    return re.findall(r"<h2>[^<]*<small>(done|to do)</small>", html)


def test_five_steps_lead_from_nothing_to_a_reading(yard: Yard) -> None:
    owner = yard.somebody("owner")
    assert states(shown(yard, "/")) == ["to do"] * 5  # the lot is empty: its page leads
    post(owner, "/begin/site", code="home", timezone="Europe/Brussels", altitude="120")
    assert states(shown(yard)) == ["done", *["to do"] * 4]
    post(owner, "/begin/unit", code="RV1", site="home", body_type="motorhome", life="stored",
         slides="1", name="")  # fmt: skip
    boxes = re.findall(r'value="([a-z0-9-]+)=([a-z-]+)" id="zone-', shown(yard))
    assert boxes[:2] == [("air-main", "cabin"), ("outside", "outside")]
    assert any("slide" in code for code, _ in boxes)
    owner.post("/begin/zones", headers={"Origin": "http://localhost"}, data={
        "token": form_token(owner), "unit": "rv1", "code": "", "kind": "wall",
        "zone": ["air-main=cabin", "outside=outside", "off-rear-low=wall"]})  # fmt: skip
    assert states(shown(yard)) == ["done", "done", "done", "to do", "to do"]
    answer = post(owner, "/begin/node", unit="rv1", code="02005e10a4c3", p1="unit/air-main",
                  p2="unit/off-rear-low", p3="site/outside")  # fmt: skip
    assert "Entered" in answer.location
    html = shown(yard)
    assert states(html) == ["done"] * 4 + ["to do"]
    # what is to be sent by hand is a pack that the wire format takes
    command = unescape(re.search(r"<pre><code>(.*?)</code>", html, re.DOTALL)[1])
    topic, pack = re.search(r"-t (\S+)", command)[1], re.search(r"-m '(.*)'", command)[1]
    decoded, rejects = wire.decode(topic, pack.encode(), received_s=NOW_S)
    assert rejects == []
    assert {(r.site, r.node, r.probe) for r in decoded} == {
        ("home", "02005e10a4c3", probe) for probe in ("p1", "p2", "p3")
    }
    with open_record(yard.home) as record:
        record.take(decoded, [], received_s=NOW_S)
    assert states(shown(yard)) == ["done"] * 5
    assert "Open first" in shown(yard, "/") or "Lot" in shown(yard, "/")


def test_the_code_to_scan_says_what_stands_beside_it(yard: Yard) -> None:
    owner = yard.somebody("owner")
    enter(owner)
    html = unescape(shown(yard))
    held = json.loads(re.search(r"Code to scan: (\{.*?\})", html)[1])
    assert held == {"site": "home", "node": "n1", "broker": "127.0.0.1:1883",
                    "topic": "sillkeep/home/n1/senml"}  # fmt: skip
    assert "<svg" in html
    assert Broker().embedded
    assert "on this machine alone" in html


def enter(owner) -> None:
    post(owner, "/begin/site", code="home", timezone="UTC", altitude="0")
    post(owner, "/begin/unit", code="rv1", site="home", body_type="van", life="stored", slides="0")
    post(owner, "/begin/zones", unit="rv1", code="off-rear-low", kind="wall")
    post(owner, "/begin/node", unit="rv1", code="n1", p1="unit/off-rear-low")


@pytest.mark.parametrize(
    ("step", "sent", "why"),
    [
        ("site", {"code": "My Home!", "timezone": "UTC", "altitude": "0"}, "a to z"),
        ("site", {"code": "other", "timezone": "Nowhere/Land", "altitude": "0"}, "Nowhere"),
        ("site", {"code": "other", "timezone": "UTC", "altitude": "9000"}, "altitude must be"),
        ("site", {"code": "home", "timezone": "UTC", "altitude": "0"}, "already"),
        ("unit", {"code": "rv1", "site": "home", "body_type": "van", "life": "stored", "slides": "0"},
         "already"),
        ("unit", {"code": "rv2", "site": "away", "body_type": "van", "life": "stored", "slides": "0"},
         "choose a site"),
        ("unit", {"code": "rv2", "site": "home", "body_type": "boat", "life": "stored", "slides": "0"},
         "choose one of"),
        ("zones", {"unit": "rv1", "code": "", "kind": "wall"}, "tick a zone"),
        ("zones", {"unit": "rv1", "zone": "a b=wall"}, "no code of a zone"),
        ("zones", {"unit": "rv9", "code": "x", "kind": "wall"}, "no such unit"),
        ("node", {"unit": "rv1", "code": "n1", "p1": "unit/off-rear-low"}, "already"),
        ("node", {"unit": "rv1", "code": "n2", "p1": "unit/no-such"}, "choose what"),
        ("node", {"unit": "rv1", "code": "n2"}, "first probe"),
        ("node", {"unit": "rv1", "code": "n2", "p1": "unit/off-rear-low", "p2": "unit/off-rear-low"},
         "two probes"),
    ],
)  # fmt: skip
def test_what_cannot_be_entered_is_said_and_nothing_is(yard: Yard, step, sent, why) -> None:
    owner = yard.somebody("owner")
    enter(owner)
    with open_record(yard.home) as record:
        before = (record.sites(), record.units(), record.zones("rv1"), record.placements())
    answer = post(owner, f"/begin/{step}", **sent)
    assert "Not+entered" in answer.location
    assert why in unescape(answer.location.replace("+", " "))
    with open_record(yard.home) as record:
        assert (record.sites(), record.units(), record.zones("rv1"), record.placements()) == before


@pytest.mark.parametrize("hostile", HOSTILE[:12])
def test_hostile_words_are_entered_nowhere_or_shown_as_words(yard: Yard, hostile: str) -> None:
    owner = yard.somebody("owner")
    enter(owner)
    for step, sent in (
        ("site", {"code": hostile, "timezone": hostile, "altitude": hostile}),
        ("unit", {"code": "rv3", "site": "home", "body_type": "van", "life": "stored", "slides": "0",
                  "name": hostile}),
        ("zones", {"unit": "rv1", "code": hostile, "kind": hostile, "zone": hostile}),
        ("node", {"unit": hostile, "code": hostile, "p1": hostile}),
    ):  # fmt: skip
        post(owner, f"/begin/{step}", **{k: v.replace("\0", "") for k, v in sent.items()})
    html = shown(yard)
    assert "<script" not in html.replace("&lt;", "")
    assert hostile not in html or not re.search(r"[<>]", hostile)


def test_only_who_may_change_things_is_led(yard: Yard) -> None:
    for role in ("technician", "sales", "auditor"):
        assert "Not open to you" in shown(yard, role=role)
        assert "First steps" not in shown(yard, "/", role=role)
        assert post(yard.somebody(role), "/begin/site", code="x").status_code == 403
    assert post(yard.somebody("owner"), "/begin/nothing").status_code == 404
