"""The SCPI parser: program messages to commands.

Headers after SCPI-1999 volume 1, 6 (short and long forms, optional nodes, suffixes, paths over `;`), syntax
after IEEE 488.2, 7. Pure: a tree is built once from patterns such as `[SOURce#]:VOLTage[:LEVel]` and then
only read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from hilseq_sim.servers.scpi_errors import ScpiError
from hilseq_sim.servers.scpi_numbers import check_syntax

LONGEST_MNEMONIC = 12
SHORT = 4

C = TypeVar("C")

_HEADER = re.compile(
    r"(\*[A-Za-z][A-Za-z0-9_]*|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\?)?", re.ASCII
)
_NODE = re.compile(r"(\[)?:?([A-Za-z]+)(#)?\]?")
_MNEMONIC = re.compile(r"([A-Z_]+(?:\d+[A-Z_]+)*)(\d*)", re.ASCII)
_QUOTED = frozenset("\"'(")
#: Characters that could begin a parameter: right in themselves, but the white space before them is missing.
_GLUED = frozenset("\"'(#+-.,")


def short_form(word: str) -> str:
    """Return the short form of a mnemonic: four letters, three if the fourth is a vowel.

    SCPI-1999 volume 1, 6.2.1; a word of up to four letters has no separate short form.
    """
    word = word.upper()
    if len(word) <= SHORT:
        return word
    return word[: SHORT - 1] if word[SHORT - 1] in "AEIOU" else word[:SHORT]


@dataclass(frozen=True, slots=True)
class Unit(Generic[C]):
    """One program message unit understood: the command, its header suffix (0 when none), its parameters."""

    command: C
    suffix: int
    parameters: tuple[str, ...]


@dataclass(slots=True)
class _Node(Generic[C]):
    suffixed: bool = False
    children: dict[str, _Node[C]] = field(default_factory=dict)
    command: C | None = None
    query: C | None = None


class Tree(Generic[C]):
    """All headers an instrument knows."""

    def __init__(self) -> None:
        self._root: _Node[C] = _Node()
        self._common: dict[str, C] = {}

    def add(self, pattern: str, command: C) -> None:
        """Add a header; `[X]` may be left out, `X#` takes a numeric suffix, a final `?` makes it a query.

        Upper-case letters are the short form, as in manuals: `[SOURce#]:VOLTage[:LEVel]?`.
        """
        if pattern.startswith("*"):
            self._common[pattern] = command
            return
        nodes = [(m[2], bool(m[1]), bool(m[3])) for m in _NODE.finditer(pattern.removesuffix("?"))]
        for leaf in self._grow(self._root, nodes):
            if pattern.endswith("?"):
                leaf.query = command
            else:
                leaf.command = command

    def _grow(self, node: _Node[C], nodes: list[tuple[str, bool, bool]]) -> Iterator[_Node[C]]:
        if not nodes:
            yield node
            return
        word, optional, suffixed = nodes[0]
        if optional:
            yield from self._grow(node, nodes[1:])
        short, long = "".join(c for c in word if c.isupper()), word.upper()
        child = node.children.get(long)
        if child is None:
            child = node.children[long] = node.children[short] = _Node()
        child.suffixed = child.suffixed or suffixed
        yield from self._grow(child, nodes[1:])

    def unit(self, text: str, path: list[str]) -> Unit[C]:
        """Parse one program message unit. `path` is where relative headers begin; it is moved on.

        Raises ScpiError with the number of the command error.
        """
        matched = _HEADER.match(text)
        end = matched.end() if matched else 0
        if matched is None or text[end : end + 1] > " ":
            raise ScpiError(_header_fault(text[end : end + 1]))
        parameters = split(text[end:].strip(), ",") if end < len(text) else []
        parameters = [parameter.strip() for parameter in parameters]
        header, query = matched[1].upper(), matched[2] is not None
        if header[0] == "*":
            command = self._find_common(header, query=query)
            suffix = 0
        else:
            command, suffix = self._find(header, path, query=query)
        for parameter in parameters:
            check_syntax(parameter)
        return Unit(command, suffix, tuple(parameters))

    def _find_common(self, header: str, *, query: bool) -> C:
        _check_length(header[1:])
        command = self._common.get(header + "?" if query else header)
        if command is None:
            raise ScpiError(-113)
        return command

    def _find(self, header: str, path: list[str], *, query: bool) -> tuple[C, int]:
        words = header.lstrip(":").split(":")
        if header[0] == ":":
            path.clear()
        for word in words:
            _check_length(word)
        node, suffix = self._root, 0
        for word in (*path, *words):
            child = node.children.get(word)
            if child is None:
                matched = _MNEMONIC.fullmatch(word)
                child = node.children.get(matched[1]) if matched and matched[2] else None
                if child is None or matched is None:
                    raise ScpiError(-113)
                if not child.suffixed or len(matched[2]) > SHORT:
                    raise ScpiError(-114)
                suffix = int(matched[2])
                if suffix == 0:
                    raise ScpiError(-114)
            node = child
        command = node.query if query else node.command
        if command is None:
            raise ScpiError(-113)
        path.extend(words[:-1])
        return command, suffix


def _header_fault(character: str) -> int:
    if character in ":?*":  # or nothing at all
        return -102
    return -103 if character in _GLUED else -101


def _check_length(word: str) -> None:
    if len(word) > LONGEST_MNEMONIC:
        raise ScpiError(-112)


def split(text: str, separator: str) -> list[str]:
    """Split at a separator that stands neither in quotes nor in parentheses.

    An unclosed quote reaches to the end of the text.
    """
    if _QUOTED.isdisjoint(text):
        return text.split(separator)
    parts, start, quote, depth = [], 0, "", 0
    for index, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == "(":
            depth += 1
        elif character == ")":
            depth = max(0, depth - 1)
        elif character == separator and depth == 0:
            parts.append(text[start:index])
            start = index + 1
    parts.append(text[start:])
    return parts
