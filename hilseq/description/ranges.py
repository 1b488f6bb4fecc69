"""Keys that are ranges: `q01..q16` stands for sixteen signals or points with consecutive addresses."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from hilseq.description.findings import Key, Mark, Place, SourcePosition
from hilseq.description.registers import Register
from hilseq.errors import Problem

#: Most names one range stands for; a Modbus request of bits holds 2000.
MOST = 4096
#: Most names in one mapping, all its ranges together.
MOST_TOGETHER = 4096
#: The mappings whose keys may be ranges, by kind of document.
RANGED_PLACES: dict[str, tuple[Place, ...]] = {
    "stand": (("signals",), ("loopbacks",)),
    "profile": (
        ("points", "outputs"),
        ("points", "inputs"),
        ("points", "analog-inputs"),
        ("points", "analog-outputs"),
    ),
}
#: Keys whose text is a terminal or a signal, moved on with the names of a range.
_MOVED_ON = ("drives", "senses", "drive", "sense")
_ADDRESS_KEYS = ("table", "address", "type", "bit")
_RANGE = re.compile(r"(?P<first>.*?)\.\.(?P<last>.*)")
#: `q01-q16` and `q01 to q16`: nobody names one wire so.
_ALMOST_RANGE = re.compile(
    r"(?P<first>(?P<prefix>.*?[^0-9\s])[0-9]{1,9})\s*(?:-|\u2013|\u2026|:|~|\bto\b)\s*(?P=prefix)(?P<last>[0-9]{1,9})"
)
#: The pattern compares the word before the number with the one after it: a longer key is no slip of the pen.
_LONGEST_ALMOST = 200
_NUMBERED = re.compile(r"(?P<prefix>.*?)(?P<digits>[0-9]{1,9})")


class _RangeError(ValueError):
    """The key is written as a range but is none."""

    def __init__(self, wrong: str, expected: str) -> None:
        super().__init__(wrong)
        self.wrong = wrong
        self.expected = expected


def range_names(key: str) -> list[str] | None:
    """Return the names a key stands for, or None when it is no range. Raises ValueError."""
    match = _RANGE.fullmatch(key)
    if match is None:
        almost = _ALMOST_RANGE.fullmatch(key) if len(key) <= _LONGEST_ALMOST else None
        if almost is not None:
            first, last = almost["first"], almost["prefix"] + almost["last"]
            raise _RangeError(f"{key[:60]!r} looks like a range of names", f"two dots: {first}..{last}")
        return None
    first, last = _NUMBERED.fullmatch(match["first"].strip()), _NUMBERED.fullmatch(match["last"].strip())
    shown = key[:60]
    if first is None or last is None:
        raise _RangeError(f"{shown!r} is no range of names", "names that end in numbers, such as q01..q16")
    if first["prefix"] != last["prefix"]:
        raise _RangeError(
            f"the range {shown!r} goes from {first['prefix']!r} to {last['prefix']!r}",
            f"the same word at both ends, such as {first['prefix']}{first['digits']}"
            f"..{first['prefix']}{last['digits']}",
        )
    low, high, width = int(first["digits"]), int(last["digits"]), len(first["digits"])
    if high < low:
        raise _RangeError(f"the range {shown!r} runs backwards", "the lower number first")
    if high - low + 1 > MOST:
        raise _RangeError(f"the range {shown!r} stands for {high - low + 1} names", f"at most {MOST}")
    if f"{high:0{width}d}" != last["digits"]:
        raise _RangeError(
            f"the range {shown!r} counts with {width} and with {len(last['digits'])} digits",
            f"{first['prefix']}{low:0{len(last['digits'])}d}..{last['prefix']}{last['digits']}",
        )
    return [f"{first['prefix']}{number:0{width}d}" for number in range(low, high + 1)]


def expand_ranges(root: SourcePosition, kind: str, path: Path) -> tuple[SourcePosition, list[Problem]]:
    """Return the document with every range written out, and the problems of the ranges themselves."""
    problems: list[Problem] = []
    for place in RANGED_PLACES[kind]:
        root = _replaced(root, place, path, problems)
    return root, problems


def _replaced(node: SourcePosition, place: Place, path: Path, problems: list[Problem]) -> SourcePosition:
    if not isinstance(node.content, dict):
        return node
    if not place:
        return replace(node, content=_expanded(node.content, path, problems))
    below = node.content.get(place[0])
    if below is None:
        return node
    changed = _replaced(below, place[1:], path, problems)
    return replace(node, content={**node.content, place[0]: changed})


def _expanded(
    content: dict[Key, SourcePosition], path: Path, problems: list[Problem]
) -> dict[Key, SourcePosition]:
    result: dict[Key, SourcePosition] = {}
    origin: dict[Key, Key] = {}

    def say(mark: Mark, wrong: str, expected: str) -> None:
        problems.append(Problem(path, *mark, wrong, expected))

    for key, value in content.items():
        try:
            names = range_names(key) if isinstance(key, str) else None
        except _RangeError as error:
            say(value.start, error.wrong, error.expected)
            continue
        if names is None:
            names = [key]  # type: ignore[list-item]  # an int key is reported as no name later on
        if len(result) + len(names) > MOST_TOGETHER:
            say(value.start, f"more than {MOST_TOGETHER} names with the range {key!r}", "a smaller file")
            break
        taken = [name for name in names if name in result]
        if taken:
            first = result[taken[0]].start.line
            what = f"{taken[0]!r}" if len(taken) == 1 else f"{taken[0]!r} and {len(taken) - 1} more"
            wrong = f"{key!r} gives {what} a second time"
            say(value.start, wrong, f"each name once; {str(origin[taken[0]])!r} in line {first} has it too")
            continue
        for places, name in enumerate(names):
            try:
                result[name] = _moved(value, places)
            except _RangeError as error:
                say(value.start, error.wrong, error.expected)
                break
            origin[name] = key
    return result


def _moved(value: SourcePosition, places: int) -> SourcePosition:
    """Return a copy whose addresses and terminals lie `places` values further on."""
    if not isinstance(value.content, dict) or places == 0:
        return value
    changed: dict[Key, SourcePosition] = {}
    for key, below in value.content.items():
        moved = _moved(below, places) if isinstance(below.content, dict) else below
        if key in _MOVED_ON and isinstance(below.content, str):
            moved = replace(below, content=_next_terminal(below.content, places))
        changed[key] = moved
    for name, number in _address_moved(value, places).items():
        if name in changed:
            changed[name] = replace(changed[name], content=number)
        else:
            changed[name] = SourcePosition(number, value.mark)
    return replace(value, content=changed)


def _address_moved(value: SourcePosition, places: int) -> dict[str, int]:
    """Return the moved address of a register-like mapping; nothing when it is none, or a faulty one."""
    if not isinstance(value.child("address"), SourcePosition) or not isinstance(
        value.child("table"), SourcePosition
    ):
        return {}
    only = [(str(key), below.plain()) for key, below in value.items() if key in _ADDRESS_KEYS]
    if any(isinstance(given, list | dict) for _, given in only):
        return {}
    register = _register(tuple(only))
    return register.moved(places) if register is not None else {}


@lru_cache(maxsize=16)
def _register(written: tuple[tuple[str, Any], ...]) -> Register | None:
    """Return the first register of a range: all its names are moved on from the one."""
    try:
        return Register.model_validate(dict(written))
    except ValidationError:
        return None


def _next_terminal(terminal: str, places: int) -> str:
    match = _NUMBERED.fullmatch(terminal)
    if match is None:
        raise _RangeError(
            f"the {'terminal' if '.' in terminal else 'signal'} {terminal[:60]!r} does not end in a number, "
            "so a range cannot move it on",
            "the first one of the range, such as A.q01",
        )
    return f"{match['prefix']}{int(match['digits']) + places:0{len(match['digits'])}d}"
