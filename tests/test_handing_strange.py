"""A unit's file from a stranger with any one value changed: refused in a sentence, or every page of it stands."""

import csv
import io
import json
import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from flask.testing import FlaskClient

from monitor.errors import MonitorError
from monitor.lot import AIR_KINDS, Zone
from monitor.store import Record, open_record
from monitor.store.handing import PARTS
from tests.signed import session
from tests.test_access import make_yard
from tests.test_handing_parts import noted
from tests.test_handover import END_S, bring, give, parts, signed_anew
from tests.test_pages import drawn
from tests.test_repairs import REPAIRED_S, benched, followed, history  # noqa: F401  a fixture

STRANGER = Ed25519PrivateKey.from_private_bytes(bytes(range(2, 34)))
NUMBERS = (
    *("", "0", "-1", "1", "7", "0.5", "-0.0", "99999999999", "-99999999999", "9999999999999"),
    *(
        "1e9",
        "-1e9",
        "1e308",
        "nan",
        "inf",
        "-inf",
        "2147483648",
        "1764068400",
        "x",
        "0x10",
        " 1",
        "1_0",
        "١",
    ),
)
TEXTS = (
    *(
        "",
        "x",
        "a" * 300,
        "a" * 5000,
        "a" * 19_999,
        "a" * 30_000,
        "w9",
        "../..",
        "<script>x</script>",
    ),
    *(
        "{x}",
        "{0.__class__}",
        "%s %d",
        "\u202e\ufeff",
        "é" * 200,
        "\\n\\n",
        "null",
        "[]",
        "{}",
        "[1]",
        "1",
    ),
    *(
        '{"zone": 1, "facts": {}}',
        '{"zone": "w1", "facts": {"x": NaN}}',
        '[["sight", "x"]]',
        '[["x"]]',
    ),
    *(
        '{"zone": "w1", "facts": {"hours": "a", "members": [1]}}',
        "[" * 3000,
        '"',
        "seller: x",
        "\x07",
        "NaN",
    ),
    *("0" * 64, "00000000-0000-4000-8000-000000000099", "stayed dry", "30 days; ", "-", "a; b"),
)
INSIDE = (
    None,
    True,
    "",
    "x",
    "{x}",
    -1,
    0,
    1e308,
    10**30,
    float("nan"),
    float("inf"),
    [],
    {},
    [[]],
    "a" * 300,
)
PAGES = (
    *(
        "/unit/u1",
        "/unit/u1/zone/w1",
        "/unit/u1/zone/w2",
        "/unit/u1/zone/cabin",
        "/proof",
        "/proof/u1",
    ),
    *(
        f"/proof/u1/w1/{REPAIRED_S}",
        "/seals",
        "/unit/u1/seals",
        "/unit/u1/handover",
        "/unit/u1/leave",
    ),
    *("/bench", "/alarms", "/unit/u1/lists", "/", "/morning", "/chain"),
)
DOCUMENTS = tuple(
    f"/document/{kind}/u1?form=html" for kind in ("sale", "proof", "warranty", "season", "intake")
)


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    with followed(tmp_path_factory.mktemp("seller"), history()) as record:
        record.add_zone("yard", Zone("u1", "cabin", sorted(AIR_KINDS)[0]))
        noted(record)
        held = parts(give(record, "u1", END_S))
    held["hours.csv"] = b"\n".join(held["hours.csv"].split(b"\n")[-600:-1]) + b"\n"
    head = b",".join(name.encode() for name in PARTS["hours.csv"].columns)
    held["hours.csv"] = head + b"\n" + held["hours.csv"]
    return held


def changed(held: dict[str, bytes], dice: random.Random) -> tuple[str, dict[str, bytes]]:
    """One value of one row of one part is another."""
    name = dice.choice([name for name in PARTS if held[name].count(b"\n") > 1])
    head, *rows = csv.reader(io.StringIO(held[name].decode()))
    row, column = dice.randrange(len(rows)), dice.randrange(len(head))
    before = rows[row][column]
    rows[row][column] = _inside(before, dice) or dice.choice(
        NUMBERS if dice.random() < 0.5 else TEXTS
    )
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    said = f"{name} line {row + 2} {head[column]}: {before[:60]!r} -> {rows[row][column][:120]!r}"
    return said, held | {name: out.getvalue().encode()}


def _inside(cell: str, dice: random.Random) -> str:
    """A value inside the JSON of a cell is another; "" where there is none, or by half."""
    if cell[:1] not in {"[", "{"} or dice.random() < 0.3:
        return ""
    try:
        said = json.loads(cell.replace("\\\\", "\\"))
    except (ValueError, RecursionError):  # it was changed before
        return ""
    places: list[tuple[object, object]] = []

    def walk(one: object) -> None:
        keys = one if isinstance(one, dict) else range(len(one)) if isinstance(one, list) else ()
        for key in keys:
            places.append((one, key))
            walk(one[key])  # type: ignore[index]

    walk(said)
    if not places:
        return ""
    holder, key = dice.choice(places)
    if isinstance(holder, dict) and dice.random() < 0.2:
        holder[dice.choice(["x", "zone", "days"])] = holder.pop(key)
    else:
        holder[key] = dice.choice(INSIDE)  # type: ignore[index]
    return json.dumps(said).replace("\\", "\\\\")


@contextmanager
def board(home: Path) -> Iterator[tuple[FlaskClient, Record]]:
    """A home and its board."""
    home.mkdir()
    with open_record(home) as record:
        secret = session(home, now_s=END_S)
        yard = make_yard(home)
        yard.now_s = END_S
        yield yard.client(secret), record


def look(client: FlaskClient, documents: Sequence[str]) -> str:
    """Draw every page of the unit, each of which has to stand; what they say."""
    said = "".join(drawn(client, path) for path in PAGES)
    assert client.get("/round/u1").status_code == 200
    for path in documents:
        assert client.get(path).status_code in {200, 400, 404, 409}, path
    return said


def refusal(record: Record, data: bytes) -> str:
    """Why a file is refused; "" where it is taken in."""
    try:
        assert bring(record, data, END_S) in {"new", "newer"}
    except MonitorError as error:
        return str(error)
    return ""


def tried(honest: dict[str, bytes], home: Path, *, seed: int, count: int, together: int) -> int:
    """Change one value after another; how many were taken in.

    Pages are drawn after some changes together, for a page takes longer than a file.
    """
    dice, taken, held, since = random.Random(seed), 0, honest, 0
    with board(home / "home") as (client, record):
        for number in range(1, count + 1):
            said, other = changed(held, dice)
            why = refusal(record, signed_anew(other, STRANGER, made_s=END_S + number))
            if why:
                assert 10 < len(why) < 400, said
                assert why.isprintable(), said
                continue
            print(said)  # shown where a page does not stand
            taken, since, held = taken + 1, since + 1, other
            if since == together or number == count:
                look(client, DOCUMENTS[number % len(DOCUMENTS) :][:1])
                print("---")
                held, since = honest, 0
    return taken


def test_the_honest_file_stands(honest: dict[str, bytes], tmp_path: Path) -> None:
    with board(tmp_path / "home") as (client, record):
        assert bring(record, signed_anew(honest, STRANGER), END_S) == "new"
        assert "of that code" not in look(client, DOCUMENTS)
        assert client.get(DOCUMENTS[0]).status_code == 200


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.long)])
def test_any_one_value_changed_is_refused_in_words_or_stands_on_every_page(
    honest: dict[str, bytes], tmp_path: Path, seed: int
) -> None:
    assert 15 < tried(honest, tmp_path, seed=seed, count=110, together=20) < 100  # both happen


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(100, 110))
def test_so_do_thousands(honest: dict[str, bytes], tmp_path: Path, seed: int) -> None:
    assert tried(honest, tmp_path, seed=seed, count=500, together=8)
