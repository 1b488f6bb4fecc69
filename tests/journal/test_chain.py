"""One journal line: what is sealed comes back, and a changed, dropped or moved line is found and named."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.journal.chain import GENESIS, BrokenLine, seal, unseal
from hilseq.journal.reader import read_journal

#: Any text, lone surrogates included: an instrument's answer is decoded with whatever it holds.
TEXT = st.text(st.characters(), max_size=40)
SCALARS = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXT
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4)
)
NAMES = st.text("abcdefghijklmnopqrstuvwxyz_", min_size=1).filter(
    lambda name: name not in {"n", "kind", "chain"}
)
ENTRIES = st.builds(
    lambda kind, rest: {**rest, "kind": kind}, TEXT, st.dictionaries(NAMES, VALUES, max_size=5)
)


@given(st.lists(ENTRIES, min_size=1, max_size=6))
@settings(deadline=None)
def test_what_is_sealed_comes_back(entries: list[dict[str, Any]]) -> None:
    chain = reading = GENESIS
    for number, entry in enumerate(entries):
        line, chain = seal(number, entry, chain)
        assert line.endswith(b"\n")
        assert line.count(b"\n") == 1
        back, reading = unseal(line, number, reading)
        assert back == entry
    assert reading == chain


@pytest.mark.parametrize(
    ("value", "shown"), [(math.nan, "nan"), (math.inf, "inf"), (-math.inf, "-inf"), (-0.0, -0.0)]
)
def test_numbers_that_are_not_finite_become_text_and_the_line_stays_strict_json(
    value: float, shown: Any
) -> None:
    line, _ = seal(0, {"kind": "reading", "value": value, "more": {"inside": [value]}}, GENESIS)

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    reported = json.loads(line, parse_constant=refuse)
    assert reported["value"] == shown
    assert reported["more"]["inside"] == [shown]


def test_huge_text_and_lone_surrogates_survive() -> None:
    entry = {"kind": "event", "text": "\ud800" + "x" * 2_000_000 + "\udfff\u202e\0"}
    line, _ = seal(7, entry, GENESIS)
    assert line.isascii()
    assert unseal(line, 7, GENESIS)[0] == entry


def test_the_chain_is_sha256_of_the_value_before_and_the_line_without_its_own() -> None:
    """The construction anybody can check with sha256sum (FIPS 180-4)."""
    line, chain = seal(0, {"kind": "event"}, GENESIS)
    body = b'{"n":0,"kind":"event"}'
    assert line == body[:-1] + b',"chain":"' + chain.encode() + b'"}\n'
    assert chain == hashlib.sha256(GENESIS.encode() + b"\n" + body).hexdigest()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"\xff\n", "bytes that no journal writes"),
        (b"\n", "cut short"),
        (b'{"n":0}\n', "has no chain value"),
        (seal(0, {"kind": "event"}, GENESIS)[0].replace(b"event", b"Event"), "was changed"),
        (seal(0, {"kind": "event"}, "1" * 64)[0], "was changed, or a line before it is missing"),
        (seal(1, {"kind": "event"}, GENESIS)[0], "another number"),
        (seal(0, {"no kind": 1}, GENESIS)[0], "no journal entry"),
        (seal(0, {"kind": 5}, GENESIS)[0], "no journal entry"),
    ],
)
def test_a_line_that_is_wrong_is_refused_in_words(line: bytes, words: str) -> None:
    with pytest.raises(BrokenLine, match=words) as caught:
        unseal(line, 0, GENESIS)
    assert "line 1" in str(caught.value)


def _journal(count: int = 8) -> list[bytes]:
    lines, chain = [], GENESIS
    for number in range(count):
        line, chain = seal(number, {"kind": "event", "what": "count", "text": f"number {number}"}, chain)
        lines.append(line)
    return lines


def _read(folder: Path, lines: list[bytes]) -> tuple[int, str]:
    folder.mkdir(exist_ok=True)
    (folder / "journal.jsonl").write_bytes(b"".join(lines))
    journal = read_journal(folder)
    return len(journal.entries), journal.broken


@given(at=st.integers(0, 7), byte=st.integers(0, 10_000), bit=st.integers(0, 7))
@settings(deadline=None, max_examples=100)
def test_any_flipped_bit_is_found_and_located(
    tmp_path_factory: pytest.TempPathFactory, at: int, byte: int, bit: int
) -> None:
    lines = _journal()
    changed = bytearray(lines[at])
    changed[byte % (len(changed) - 1)] ^= 1 << bit
    if b"\n" in changed[:-1]:
        return  # one line became two: the next test's business
    lines[at] = bytes(changed)
    whole, broken = _read(tmp_path_factory.mktemp("flip"), lines)
    assert whole == at
    assert f"line {at + 1} " in broken


@pytest.mark.parametrize("at", range(7))
def test_a_dropped_line_is_found_where_it_is_missing(tmp_path: Path, at: int) -> None:
    lines = _journal()
    del lines[at]
    whole, broken = _read(tmp_path, lines)
    assert whole == at
    assert f"line {at + 1} " in broken


@pytest.mark.parametrize("at", range(7))
def test_two_lines_in_the_wrong_order_are_found_at_the_first(tmp_path: Path, at: int) -> None:
    lines = _journal()
    lines[at], lines[at + 1] = lines[at + 1], lines[at]
    whole, broken = _read(tmp_path, lines)
    assert whole == at
    assert f"line {at + 1} " in broken


def test_a_line_put_in_twice_or_from_another_journal_is_found(tmp_path: Path) -> None:
    lines = _journal()
    assert _read(tmp_path, [*lines[:3], lines[2], *lines[3:]])[0] == 3
    stranger, _ = seal(3, {"kind": "event", "what": "count", "text": "number 3"}, GENESIS)
    assert _read(tmp_path, [*lines[:3], stranger, *lines[4:]])[0] == 3
