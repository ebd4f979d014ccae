"""PROTOCOL.md says what the code does: vectors, tables, examples and numbers."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pytest

from relay import hello as reading
from relay.session import Session
from relay.session_table import (
    ACK_EVERY_MS,
    BACKLOG_PACE,
    HELLO_WITHIN_MS,
    MAX_AHEAD,
    REFUSALS,
    RING_S,
    TABLE,
    House,
    Send,
    State,
)
from relay.wire import MAX_SAMPLES_A_BLOCK, Block, Packet, decode, decode_batch, encode, refusals
from tests.relay.phone import EVENING, RING, hello

TEXT = (Path(reading.__file__).parent / "PROTOCOL.md").read_text()


def fenced(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", TEXT, re.DOTALL)


def rows(after: str) -> list[list[str]]:
    """The first table after a heading: its rows as cells."""
    table = re.search(r"((?:^\|.*\n)+)", TEXT[TEXT.index(after) :], re.MULTILINE)
    assert table
    return [[cell.strip() for cell in line.strip("|\n").split("|")] for line in table[1].splitlines()[2:]]


def numbers(words: list[str], name: str) -> list[float]:
    """The numbers after a name, up to the next name; ``-`` is NaN."""
    made = []
    for word in words[words.index(name) + 1 :]:
        if word[0].isalpha():
            break
        made.append(math.nan if word == "-" else float(word))
    return made


def described(lines: list[str]) -> Packet:
    """The packet that a vector's lines of words describe."""
    head, *rest = [line.split() for line in lines]
    blocks = []
    for words in rest:
        code = int(numbers(words, "format")[0])
        values = numbers(words, "samples")
        samples: Any = np.array(values, np.float32)
        if code in (1, 17):
            samples = np.array([-32768 if math.isnan(value) else int(value) for value in values], np.int16)
        times = np.array(numbers(words, "times_us"), np.int64) if "times_us" in words else None
        channel, offset_us = int(numbers(words, "channel")[0]), int(numbers(words, "offset_us")[0])
        blocks.append(Block(channel, offset_us, samples, times))
    return Packet(int(numbers(head, "sequence")[0]), int(numbers(head, "time_us")[0]), tuple(blocks))


@pytest.mark.parametrize("vector", fenced("vector"), ids=lambda text: text.splitlines()[1])
def test_vectors(vector: str) -> None:
    first, *lines = vector.splitlines()
    raw, packet = bytes.fromhex(first), described(lines)
    assert encode(packet) == raw
    back = decode(raw)
    assert (back.sequence, back.time_us) == (packet.sequence, packet.time_us)
    for ours, theirs in zip(packet.blocks, back.blocks, strict=True):
        assert (ours.channel, ours.offset_us) == (theirs.channel, theirs.offset_us)
        np.testing.assert_array_equal(ours.samples, theirs.samples)
    batch = decode_batch(raw, np.array([0]), np.array([len(raw)]))
    assert batch.ok.all()
    assert len(batch.raw) == sum(len(block.samples) for block in packet.blocks)


def test_there_are_vectors_of_every_format() -> None:
    formats = {int(code) for vector in fenced("vector") for code in re.findall(r"format (\d+)", vector)}
    assert formats == {1, 2, 17, 18}


@pytest.mark.parametrize("line", fenced("refused")[0].splitlines())
def test_refused_vectors(line: str) -> None:
    code, _, raw = line.partition(" ")
    (found,) = refusals([bytes.fromhex(raw)])
    assert found is not None
    assert found.value == code


def test_the_state_table_is_the_code() -> None:
    written = [tuple(cells) for cells in rows("## State table")]
    coded = [
        (state.value, event.value, step.rule, step.to.value)
        for state, row in TABLE.items()
        for event, step in row.items()
    ]
    assert written == coded


def test_the_refusal_table_is_the_code() -> None:
    written = [tuple(cells) for cells in rows("## Refusal table")]
    coded = [
        (f"`{code}`", "goes on" if refused.close is None else f"close {refused.close}", refused.meaning)
        for code, refused in REFUSALS.items()
    ]
    assert written == coded


def test_the_channel_table_is_the_code() -> None:
    written = [tuple(cells) for cells in rows("named scalar")]
    assert written == [(f"`{name}`", f"`{unit}`", what) for name, (unit, what) in reading.KNOWN_CHANNELS.items()]


def examples() -> list[dict[str, Any]]:
    """Every JSON example on the page: objects follow each other in a block."""
    made: list[dict[str, Any]] = []
    for block in fenced("json"):
        for text in re.split(r"\n(?=\{)", block.strip()):
            made.append(orjson.loads(text))
    return made


def test_every_message_has_an_example() -> None:
    kinds = {example["type"] for example in examples()}
    assert {"hello", "consent", "skip", "erase", "goodbye"} <= kinds
    assert {"welcome", "ack", "part", "bus", "later", "erased", "error"} <= kinds


def test_the_examples_are_read() -> None:
    for example in examples():
        if example["type"] == "hello":
            assert reading.read_hello(example).lowest == 0
        elif example["type"] == "skip":
            assert reading.read_skip(example) == (40, 95)


def test_the_welcome_has_the_fields_of_its_example() -> None:
    session = Session(House(RING, EVENING, bus_id="b"), 0.0)
    (action,) = session.receive(hello(yes=False), 0.0)
    assert isinstance(action, Send)
    said = orjson.loads(action.text)
    (example,) = [one for one in examples() if one["type"] == "welcome"]
    assert {key: type(value) for key, value in said.items()} == {key: type(value) for key, value in example.items()}
    assert said["limits"] == example["limits"]
    assert said["ack"] == example["ack"]
    assert (said["ring_s"], said["backlog_pace"]) == (example["ring_s"], example["backlog_pace"])


def test_the_numbers_in_the_text() -> None:
    assert f"waits {HELLO_WITHIN_MS // 1000} s" in TEXT
    assert f"for {RING_S:.0f} s (`ring_s`)" in TEXT
    assert f"{BACKLOG_PACE:.0f} times the live rate" in TEXT
    assert f"up to {MAX_AHEAD:,} numbers beyond" in TEXT
    assert f"1..{MAX_SAMPLES_A_BLOCK}" in TEXT
    assert ACK_EVERY_MS == 1000
    assert State.CLOSED in TABLE
