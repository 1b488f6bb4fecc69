"""What YAML does behind one's back, and what no description file may do: a clear answer, and soon."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hilseq.description.loading import load_stand
from hilseq.description.yaml_text import LARGEST_BYTES, compose, read_yaml
from hilseq.errors import DescriptionError, Problem

FILE = Path("bench.yaml")
COLON = "a colon and a space behind the key"

#: id -> text, line, column, what is wrong, what was expected
TRAPS: dict[str, tuple[str, int, int, str, str]] = {
    "duplicate key": ("a: 1\nb: 2\na: 3\n", 3, 1, "the key 'a' stands here a second time",
        "each key once; the first is in line 1"),
    "duplicate number": ("17: 1\n0x11: 2\n", 2, 1, "the key '0x11' stands here a second time",
        "each key once; the first is in line 1"),
    "no colon, the only line": ("a 1\n", 1, 2, "no colon behind `a`", COLON),
    "no colon, the first line": ("# x: y\na 1\nb: 2\n", 2, 2, "no colon behind `a`", COLON),
    "no colon, the last line": ("b: 2\na 1  # x: y\n", 2, 2, "no colon behind `a`", COLON),
    "no colon, within": ("c:\n  d: 1\n  a 1\n  # x: y\n\n  b: 2\n", 3, 4, "no colon behind `a`", COLON),
    "an item whose keys are not below each other": ("a:\n  - b: 1\n   c: 2\n", 3, 4,
        "`c` is indented by 3 spaces",
        "as many spaces as the keys it belongs to: 4 (as line 2) or 0 (as line 1)"),
    "tab in front": ("a:\n\tb: 1\n", 2, 1, "a tab stands where YAML wants spaces", "spaces for indentation"),
    "tab at the top": ("\ta: 1\n", 1, 1, "a tab stands where YAML wants spaces", "spaces for indentation"),
    "anchor": ("a: &x 1\n", 1, 4, "the anchor &x", "a value without it; anchors are not used here"),
    "alias": ("b: *x\n", 1, 4, "the alias *x", "the value written out; aliases are not used here"),
    "merge key": ("b:\n  <<: 1\n", 2, 3, "the merge key <<", "the keys written out; merging is not used here"),
    "python tag": ("a: !!python/object/apply:os.system [echo]\n", 1, 4,
        "the tag !!python/object/apply:os.system", "a plain value; tags are not used here"),
    "own tag": ("a: !mine x\n", 1, 4, "the tag !mine", "a plain value; tags are not used here"),
    "two documents": ("a: 1\n---\nb: 2\n", 2, 1, "a second document begins here",
        "one document in a file, without `---`"),
    "leading zero": ("a: 0012\n", 1, 4, "0012 begins with 0, which YAML reads as an octal number",
        "12 for the number, or '0012' in quotes for a text"),
    "leading zero, not octal": ("a: 08\n", 1, 4, "08 begins with 0, which YAML reads as an octal number",
        "8 for the number, or '08' in quotes for a text"),
    "day that never comes": ("a: 2027-02-29\n", 1, 4, "there is no day 2027-02-29", "a date YYYY-MM-DD"),
    "endless number": (f"a: {'9' * 5000}\n", 1, 4, "a number of 5000 digits",
        "at most 40 digits, or quotes around it"),
    "list as a key": ("? [a]\n: 1\n", 1, 3, "this key is no name",
        "a name or a whole number before the colon"),
    "fraction as a key": ("1.5: 1\n", 1, 1, "`1.5` is no name", "a name or a whole number before the colon"),
    "open bracket": ("a: [1,\n2\n", 3, 1, "the bracket is not closed", "`,` or `]`; it opens in line 1"),
    "open brace": ("a: {x: 1\nb: 2\n", 2, 2, "the bracket is not closed", "`,` or `}`; it opens in line 1"),
    "open quote": ('a: 1\nb: "x\n', 2, 4, "the quote that opens here is never closed",
        "the same quote at the end of the text"),
    "two colons": ("a: b: c\n", 1, 5, "a colon stands where none may be",
        "one `key: value` a line, also in the lines above; quote a text that contains `: `"),
    "no colon": ("a: 1\nb\n", 3, 1, "this is no `key: value`, or the line above is none",
        "a colon and a space behind the key"),
    "strange character": ("a: @x\n", 1, 4, "a value cannot begin with '@'", "the text in quotes"),
    "crooked indentation": ("a:\n  b: 1\n c: 2\n", 3, 2, "`c` is indented by 1 space",
        "as many spaces as the keys it belongs to: 2 (as line 2) or 0 (as line 1)"),
    "deep list": ("[" * 500, 1, 33, "nested too deeply", "at most 32 levels"),
    "deep mapping": ("".join("  " * level + "a:\n" for level in range(40)), 33, 65, "nested too deeply",
        "at most 32 levels"),
    "nothing": ("", 0, 0, "the file is empty", "a stand file or a profile"),
    "comment alone": ("# later\n", 0, 0, "the file is empty", "a stand file or a profile"),
}  # fmt: skip

#: id -> bytes, line, column, what is wrong, what was expected
BYTES: dict[str, tuple[bytes, int, int, str, str]] = {
    "latin-1": (b"a: 1\nb: caf\xe9\n", 2, 7, "byte 0xE9 at offset 11 is not UTF-8",
        "text in UTF-8; save the file again with that encoding"),
    "latin-1 behind a mark": (b"\xef\xbb\xbfa: \xe9\n", 1, 5, "byte 0xE9 at offset 6 is not UTF-8",
        "text in UTF-8; save the file again with that encoding"),
    "utf-16": ("a: 1\n".encode("utf-16"), 0, 0, "the file is UTF-16",
        "UTF-8; save it again with that encoding"),
    "nul": (b"a: 1\nb: x\x00y\n", 2, 5, "NUL character in the text", "printable text without it"),
    "escape": (b"a: \x1b[31m\n", 1, 4, "invisible character U+001B in the text", "printable text without it"),
    "line separator": ("a: x\u2028y\n".encode(), 1, 5, "invisible character U+2028 in the text",
        "printable text without it"),
    "byte-order mark inside": ("a: x\ufeffy\n".encode(), 1, 5, "invisible character U+FEFF in the text",
        "printable text without it"),
}  # fmt: skip


def problems_of(text: str) -> list[Problem]:
    """Return the problems of a text, whether or not something could be read."""
    try:
        return compose(text, FILE)[1]
    except DescriptionError as error:
        return list(error.problems)


@pytest.mark.parametrize("case", TRAPS)
def test_each_trap_is_named_with_its_place(case: str) -> None:
    """A trap gives one problem: line, column, what is wrong, what to write."""
    text, line, column, wrong, expected = TRAPS[case]
    assert problems_of(text) == [Problem(FILE, line, column, wrong, expected)]


@pytest.mark.parametrize("case", BYTES)
def test_bytes_that_are_no_text_are_named(case: str, tmp_path: Path) -> None:
    """Bytes that are no printable UTF-8 are refused with their offset, line and column."""
    data, line, column, wrong, expected = BYTES[case]
    path = tmp_path / "bench.yaml"
    path.write_bytes(data)
    with pytest.raises(DescriptionError) as caught:
        read_yaml(path)
    assert caught.value.problems == (Problem(path, line, column, wrong, expected),)


def test_a_file_that_grows_in_memory_is_refused_at_once() -> None:
    """Anchors inside anchors (billion laughs) are refused, each where it stands, and nothing is expanded."""
    lines = ["a0: &a0 [x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 30)]
    problems = problems_of("\n".join(lines))
    assert problems[0].wrong == "the anchor &a0"
    assert len(problems) == 30 + 29 * 9


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    """A file of 100 MB is refused by its size, with the limit."""
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(DescriptionError) as caught:
        read_yaml(path)
    wrong = "the file has 100,000,000 bytes"
    expected = f"a description of at most {LARGEST_BYTES:,} bytes; it was not read"
    assert caught.value.problems == (Problem(path, 0, 0, wrong, expected),)


@pytest.mark.parametrize(
    "text",
    [
        "- a\n" * 240_000,
        "stand: a\nsignals:\n" + "\n".join(f"  k{i}: 1" for i in range(24_000)),
        "stand: a\nsignals:\n"
        + "\n".join(f"  k{i}x1..k{i}x4096: {{io: r, table: coil, address: 0}}" for i in range(1000)),
        "a" * 900_000 + ": 1\nstand: x",
        "stand: 0x" + "f" * 900_000,
        "stand: a\nsignals: {" + "a.." * 200_000 + ": 1}",
        "[{" * 200_000,
        "".join(" " * level + "a:\n" for level in range(1300)),
        "stand: x\nsupplies: {m: {settle: '" + "1 s" * 300_000 + "'}}",
    ],
    ids=["list", "keys", "ranges", "long key", "long number", "dots", "brackets", "staircase", "quantity"],
)
def test_the_worst_files_are_answered_soon(text: str, tmp_path: Path) -> None:
    """The largest and the strangest files are refused soon, with few problems."""
    path = tmp_path / "worst.yaml"
    path.write_text(text[:LARGEST_BYTES], encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_stand(path)
    assert len(caught.value.problems) < 300


def test_what_is_no_file_is_said_so(tmp_path: Path) -> None:
    """A folder, a missing file (with the nearest name), a pipe and a name with NUL are each named."""
    (tmp_path / "bench.yaml").write_text("a: 1\n", encoding="utf-8")
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    said: dict[str, str] = {}
    for path in (tmp_path, tmp_path / "bensh.yaml", pipe, Path("bad\0name")):
        with pytest.raises(DescriptionError) as caught:
            read_yaml(path)
        said[path.name] = str(caught.value.problems[0]).removeprefix(f"{path}: ")
    assert said == {
        tmp_path.name: "is a folder; expected a YAML file",
        "bensh.yaml": "there is no such file; expected a YAML file; "
        f"did you mean '{tmp_path / 'bench.yaml'}'?",
        "pipe": "is no ordinary file; expected a YAML file",
        "bad\0name": "cannot be read: embedded null byte; expected a YAML file",
    }


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_an_unreadable_file_is_said_so(tmp_path: Path) -> None:
    """A file that may not be read is named with the reason the system gives."""
    path = tmp_path / "bench.yaml"
    path.write_text("a: 1\n", encoding="utf-8")
    path.chmod(0)
    with pytest.raises(DescriptionError, match="cannot be read: Permission denied"):
        read_yaml(path)


def test_unquoted_words_mean_what_yaml_says() -> None:
    """Numbers, truth values, dates and nothing are read; `12:30:00` and `1e3` stay text; keys are names."""
    text = "{a: 0x1F, b: -2.5, c: yes, d: 2027-01-31, e: , f: 12:30:00, g: 1e3, off: 1_000, h: '0012'}"
    document, problems = compose(text, FILE)
    assert problems == []
    plain = document.plain()
    assert str(plain.pop("d")) == "2027-01-31"
    assert plain == {
        "a": 31,
        "b": -2.5,
        "c": True,
        "e": None,
        "f": "12:30:00",
        "g": "1e3",
        "off": 1000,
        "h": "0012",
    }


def test_a_byte_order_mark_in_front_does_no_harm(tmp_path: Path) -> None:
    """Files saved with a mark in front read like others, and columns do not move."""
    path = tmp_path / "bench.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: {c: 2}\r\n")
    document, _ = read_yaml(path)
    assert document.plain() == {"a": 1, "b": {"c": 2}}
    assert document.at(("b", "c")).mark == (2, 8)
