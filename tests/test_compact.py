"""The compact payload: any sample there and back, and two decoders that agree on every example.

`compact.json` is read by both: what a network server's decoder gives is what ours gives.
"""

import json
import random
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import to_builtins

from sensors.formats import FormatError
from sensors.formats.compact import (
    BYTES,
    LAST_SEQ,
    LONGEST_AGE_MIN,
    PORT,
    Message,
    Sample,
    decode,
    encode,
)

FORMATS = Path(__file__).parents[1] / "sensors" / "formats"
SCRIPT = (FORMATS / "compact.js").read_text(encoding="utf-8")
CASES = json.loads((FORMATS / "compact.json").read_text(encoding="utf-8"))
NODE = shutil.which("node")

samples = st.builds(
    Sample,
    temperature_c=st.none() | st.floats(-60, 120),
    humidity_percent=st.none() | st.floats(0, 105),
    contact=st.none() | st.booleans(),
)
firsts = st.builds(
    Message,
    seq=st.integers(0, LAST_SEQ),
    sample=samples,
    battery_percent=st.none() | st.integers(0, 100),
)
followers = st.builds(
    Message,
    seq=st.integers(1, LAST_SEQ),
    sample=samples,
    previous=samples,
    age_min=st.integers(1, LONGEST_AGE_MIN),
    battery_percent=st.none() | st.integers(0, 100),
)


def ours(payload: bytes) -> dict[str, Any]:
    try:
        return {"data": to_builtins(decode(payload))}
    except FormatError as error:
        return {"errors": [str(error)]}


@pytest.fixture(
    params=["node", pytest.param("chromium", marks=pytest.mark.browser)], scope="module"
)
def theirs(request: pytest.FixtureRequest) -> Iterator[Callable[[list[dict[str, Any]]], Any]]:
    """`decodeUplink` of the script in a real engine, for many inputs."""
    call = f"(inputs) => {{ {SCRIPT}\n return inputs.map(decodeUplink); }}"
    if request.param == "node":
        if NODE is None:
            pytest.skip("no node on this machine; the browser runs the same script")
        source = f"const f = {call}; const t = require('fs').readFileSync(0, 'utf8');"
        source += "console.log(JSON.stringify(f(JSON.parse(t))));"

        def run(inputs: list[dict[str, Any]]) -> Any:
            told = subprocess.run(
                [NODE, "-e", source],
                input=json.dumps(inputs),
                capture_output=True,
                text=True,
                check=True,
                timeout=60,
            )
            return json.loads(told.stdout)

        yield run
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        yield lambda inputs: page.evaluate(call, inputs)
        browser.close()


@pytest.mark.parametrize("case", CASES, ids=[case["case"] for case in CASES])
def test_our_decoder_gives_what_the_examples_say(case: dict[str, Any]) -> None:
    payload = bytes.fromhex(case["hex"])
    wanted = {"data": case["data"]} if "data" in case else {"errors": [case["error"]]}
    assert ours(payload) == wanted
    if "data" in case:
        assert encode(decode(payload)) == payload


def test_the_script_gives_the_same_for_examples_and_for_any_bytes(theirs: Any) -> None:
    payloads = [bytes.fromhex(case["hex"]) for case in CASES]
    chosen = random.Random(20261126)
    payloads += [chosen.randbytes(BYTES) for _ in range(2000)]
    for _ in range(2000):  # near real ones, most of which decode
        message = Message(
            seq=chosen.randrange(1, LAST_SEQ + 1),
            sample=Sample(
                temperature_c=chosen.uniform(-60, 120),
                humidity_percent=chosen.uniform(0, 105),
                contact=chosen.choice([None, True, False]),
            ),
            previous=Sample(temperature_c=chosen.uniform(-60, 120)),
            age_min=chosen.randrange(1, LONGEST_AGE_MIN + 1),
            battery_percent=chosen.choice([None, 0, 55, 100]),
        )
        payloads.append(encode(message))
    told = theirs([{"bytes": list(each), "fPort": PORT} for each in payloads])
    wanted = [ours(each) for each in payloads]
    assert told == wanted
    assert sum("data" in each for each in wanted) > 2000


def test_the_script_refuses_another_port(theirs: Any) -> None:
    assert theirs([{"bytes": [0] * BYTES, "fPort": 1}]) == [
        {"errors": ["port 1: this decoder is of port 11"]}
    ]


@given(firsts | followers)
def test_any_message_comes_back_within_half_a_step(message: Message) -> None:
    payload = encode(message)
    assert len(payload) == BYTES
    back = decode(payload)
    assert (back.seq, back.age_min, back.battery_percent) == (
        message.seq,
        message.age_min,
        message.battery_percent,
    )
    pairs = [(back.sample, message.sample)]
    assert (back.previous is None) == (message.previous is None)
    if back.previous is not None and message.previous is not None:
        pairs.append((back.previous, message.previous))
    for read, sent in pairs:
        assert read.contact == sent.contact
        for field in ("temperature_c", "humidity_percent"):
            got, gave = getattr(read, field), getattr(sent, field)
            assert (got is None) == (gave is None)
            assert gave is None or abs(got - gave) <= 0.05 + 1e-9
    assert encode(back) == payload  # read and sent on: the same bytes


@given(st.binary(max_size=20) | st.binary(min_size=BYTES, max_size=BYTES))
def test_any_bytes_are_a_message_or_one_clear_error(payload: bytes) -> None:
    told = ours(payload)
    if "data" in told:
        assert encode(decode(payload)) == payload
    else:
        assert told["errors"] != [""]


def test_one_lost_message_loses_no_sample() -> None:
    values = [Sample(temperature_c=10 + n / 10, humidity_percent=60.0 + n) for n in range(20)]
    sent = [
        encode(Message(seq=n, sample=value))
        if n == 0
        else encode(Message(seq=n, sample=value, previous=values[n - 1], age_min=15))
        for n, value in enumerate(values)
    ]
    for lost in range(len(sent) - 1):
        found: dict[int, Sample] = {}
        for n, payload in enumerate(sent):
            if n != lost:
                message = decode(payload)
                found[message.seq] = message.sample
                if message.previous is not None:
                    found[message.seq - 1] = message.previous
        assert found == dict(enumerate(values))


@pytest.mark.parametrize(
    ("message", "says"),
    [
        (Message(seq=-1, sample=Sample()), "seq -1"),
        (Message(seq=LAST_SEQ + 1, sample=Sample()), "seq 4194304"),
        (Message(seq=1, sample=Sample(), previous=Sample(), age_min=2048), "age_min 2048"),
        (Message(seq=1, sample=Sample(), previous=Sample()), "go together"),
        (Message(seq=1, sample=Sample(), age_min=5), "go together"),
        (Message(seq=0, sample=Sample(), previous=Sample(), age_min=5), "seq 0"),
        (Message(seq=1, sample=Sample(), battery_percent=101), "battery_percent 101"),
        (Message(seq=1, sample=Sample(temperature_c=120.1)), "temperature_c 120.1"),
        (Message(seq=1, sample=Sample(humidity_percent=float("nan"))), "humidity_percent nan"),
    ],
)
def test_what_cannot_be_sent_is_said(message: Message, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        encode(message)
