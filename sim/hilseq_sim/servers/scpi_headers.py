"""From the text of a SCPI message to commands: the standard's headers, and a stand file's odd ones.

Headers after SCPI-1999 volume 1, 6 (short and long forms, optional nodes, suffixes, paths over `;`), syntax after IEEE
488.2, 7: a tree is built once from patterns such as `[SOURce#]:VOLTage[:LEVel]` and then only read. The dialect of a
supply is the stand file's command templates turned round: the driver fills a template in (`VSET{output}:{value}`), the
twin reads it backwards. A template that the standard instrument understands in the same sense needs nothing; any other
becomes a matcher, and the standard command of that purpose disappears, because the real instrument would not know it
either. Pure.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

from hilseq.description.scpi import SupplyCommands
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
class MessageUnit(Generic[C]):
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

    def unit(self, text: str, path: list[str]) -> MessageUnit[C]:
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
        return MessageUnit(command, suffix, tuple(parameters))

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


#: Every purpose a template can have, by its name in SupplyCommands.
PURPOSES = tuple(SupplyCommands.model_fields)
_VALUE = r"(?P<value>[^\s,;]+?)"
_OUTPUT = r"(?P<output>\d{1,4})"
_EXAMPLES = {"value": "1", "output": "1"}


class StandardSense(Protocol):
    """Tells what the standard instrument makes of a command."""

    def understands(self, purpose: str, command: str) -> bool:
        """Return whether the standard gives `command` the sense of `purpose`."""
        ...


@dataclass(frozen=True, slots=True)
class OddCommand:
    """One odd command. `output` is the number of the output it is for, 0 for the selected one."""

    purpose: str
    template: str
    expression: re.Pattern[str]
    output: int

    @property
    def spans_units(self) -> bool:
        """Return whether the template is a message of several units."""
        return ";" in self.template


@dataclass(frozen=True, slots=True)
class Dialect:
    """What an instrument knows besides and instead of the standard."""

    odd: tuple[OddCommand, ...]
    missing: frozenset[str]


def example(template: str, output: int) -> str:
    """Return the template filled in with a value every supply can take."""
    parts = []
    for literal, name, _, _ in _parsed(template):
        parts.append(literal)
        if name is not None:
            parts.append(str(output) if name == "output" else _EXAMPLES.get(name, ""))
    return "".join(parts)


def expression(template: str) -> re.Pattern[str]:
    """Return the pattern of everything the template can be filled in to; case and blanks do not matter.

    A template of several units may be followed by more of the message, which is the group `safe-value`.
    """
    parts: list[str] = []
    seen: set[str] = set()
    for literal, name, _, _ in _parsed(template):
        parts.append(re.sub(r"(?:\\\s|\s)+", r"\\s+", re.escape(literal)))
        if name in seen:
            parts.append(f"(?P={name})")
        elif name in _EXAMPLES:
            parts.append(_VALUE if name == "value" else _OUTPUT)
            seen.add(name)
    if ";" in template:
        parts.append(r"(?:\s*;(?P<rest>.*))?")
    return re.compile("".join(parts).strip(), re.IGNORECASE | re.ASCII)


def _parsed(template: str) -> list[tuple[str, str | None, str | None, str | None]]:
    try:
        return list(string.Formatter().parse(template.strip()))
    except ValueError:  # a lone brace: the text as it stands
        return [(template.strip(), None, None, None)]


def read_dialect(supplies: Mapping[int, SupplyCommands], standard: StandardSense) -> Dialect:
    """Read the dialect of one instrument from the templates of its outputs, by output number."""
    odd: list[OddCommand] = []
    missing: set[str] = set()
    for purpose in PURPOSES:
        templates = {number: getattr(commands, purpose) for number, commands in supplies.items()}
        kept = False
        for number, template in templates.items():
            if template is None:
                kept = kept or purpose not in supplies[number].model_fields_set
            elif standard.understands(purpose, example(template, number)):
                kept = True
            else:
                shared = list(templates.values()).count(template) > 1
                odd.append(OddCommand(purpose, template, expression(template), 0 if shared else number))
        if not kept:
            missing.add(purpose)
    return Dialect(_once(odd), frozenset(missing))


def _once(odd: Iterable[OddCommand]) -> tuple[OddCommand, ...]:
    kept = {(command.purpose, command.template): command for command in odd}
    # The longest first, so that `V1 {value}` cannot swallow `V1 O {value}`.
    return tuple(sorted(kept.values(), key=lambda command: -len(command.template)))
