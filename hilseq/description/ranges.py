"""Keys that are ranges: `q01..q16` stands for sixteen signals or points with consecutive addresses.

Slots that are alike are described once. `A..H` stands for eight slots, `p1..p4` for four supplies; in their texts
`{161..168}` counts evenly from the first to the last, and `{slot}` is the name of the slot. `A..H q01..q16` stands for
the signals A q01 to H q16, one slot after the other, at consecutive addresses.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
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
#: The mappings of a stand file whose ranges are things alike, no wires: nothing of them lies at consecutive addresses.
ALIKE_PLACES: tuple[Place, ...] = (("supplies",), ("slots",))
#: Keys whose text is a terminal, a signal or a supply, moved on with the names of a range.
_MOVED_ON = ("drives", "senses", "drive", "sense", "supply")
_ADDRESS_KEYS = ("table", "address", "type", "bit")
_RANGE = re.compile(r"(?P<first>.*?)\.\.(?P<last>.*)")
#: `q01-q16` and `q01 to q16`: nobody names one wire so. The word before the number is compared with the one after
#: it: a word of more than a hundred characters is no slip of the pen.
_ALMOST_RANGE = re.compile(
    r"(?P<first>(?P<prefix>.{0,99}?[^0-9\s])[0-9]{1,9})\s*(?:-|\u2013|\u2026|:|~|\bto\b|\.{3,})\s*(?P=prefix)(?P<last>[0-9]{1,9})"
)
_NUMBERED = re.compile(r"(?P<prefix>.*?)(?P<digits>[0-9]{1,9})")
#: `A..H q01..q16`, and `A..H green`: the slots, and what is in each of them.
_IN_SLOTS = re.compile(r"(?P<slots>[^\s.]+\.\.[^\s.]+) +(?P<inside>\S.*)")
_LETTERS = re.compile(r"([A-Za-z])\s*\.\.\s*([A-Za-z])")
#: A number of a text that counts on from one to the next.
_COUNTED = re.compile(r"\{\s*([0-9]{1,9})\s*\.\.\s*([0-9]{1,9})\s*\}")


class _RangeError(ValueError):
    """The key is written as a range but is none."""

    def __init__(self, wrong: str, expected: str) -> None:
        super().__init__(wrong)
        self.wrong = wrong
        self.expected = expected


def range_names(key: str) -> list[str] | None:
    """Return the names a key stands for, or None when it is no range. Raises ValueError."""
    match = _RANGE.fullmatch(key)
    if match is None or "..." in key:
        almost = _ALMOST_RANGE.fullmatch(key)
        if almost is not None:
            first, last = almost["first"], almost["prefix"] + almost["last"]
            raise _RangeError(f"{key[:60]!r} looks like a range of names", f"two dots: {first}..{last}")
    if match is None:
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


def names_of_alike(key: str) -> list[str] | None:
    """Return the names of slots or supplies that a key stands for, `A..H` too, or None. Raises ValueError."""
    letters = _LETTERS.fullmatch(key)
    if letters is None:
        return range_names(key)
    first, last = ord(letters[1]), ord(letters[2])
    if letters[1].isupper() != letters[2].isupper() or last < first:
        raise _RangeError(f"the range {key[:60]!r} runs backwards", "the earlier letter first, such as A..H")
    return [chr(letter) for letter in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class _Step:
    """One name of a range, and how far its values lie from those that are written."""

    name: str
    #: Addresses move on by so many values, numbers of terminals and signals by so many.
    places: int
    number: int
    #: The first slot of the range and the one that it is about; empty where the key names no slots.
    first: str = ""
    slot: str = ""


def _steps(key: str) -> list[_Step] | None:
    """Return what a key of wires stands for, or None when it is no range. Raises ValueError."""
    match = _IN_SLOTS.fullmatch(key)
    slots = None if match is None else names_of_alike(match["slots"])
    if match is None or slots is None:
        names = range_names(key)
        return None if names is None else [_Step(name, n, n) for n, name in enumerate(names)]
    inside = range_names(match["inside"]) or [match["inside"]]
    if len(slots) * len(inside) > MOST:
        raise _RangeError(
            f"the range {key[:60]!r} stands for {len(slots) * len(inside)} names", f"at most {MOST}"
        )
    return [
        _Step(f"{slot} {name}", place * len(inside) + number, number, slots[0], slot)
        for place, slot in enumerate(slots)
        for number, name in enumerate(inside)
    ]


def expand_ranges(root: SourcePosition, kind: str, path: Path) -> tuple[SourcePosition, list[Problem]]:
    """Return the document with every range written out, and the problems of the ranges themselves."""
    problems: list[Problem] = []
    for place in RANGED_PLACES[kind]:
        root = _replaced(root, place, partial(_expanded, path=path, problems=problems))
    for place in ALIKE_PLACES if kind == "stand" else ():
        root = _replaced(root, place, partial(_alike, path=path, problems=problems))
    return root, problems


def _replaced(
    node: SourcePosition,
    place: Place,
    change: Callable[[dict[Key, SourcePosition]], dict[Key, SourcePosition]],
) -> SourcePosition:
    if not isinstance(node.content, dict):
        return node
    if not place:
        return replace(node, content=change(node.content))
    below = node.content.get(place[0])
    if below is None:
        return node
    changed = _replaced(below, place[1:], change)
    return replace(node, content={**node.content, place[0]: changed})


def _alike(
    content: dict[Key, SourcePosition], path: Path, problems: list[Problem]
) -> dict[Key, SourcePosition]:
    """Write out the ranges of slots or supplies."""
    result: dict[Key, SourcePosition] = {}
    for key, value in content.items():
        try:
            names = names_of_alike(key) if isinstance(key, str) else None
            if names is None:
                new: dict[Key, SourcePosition] = {key: value}
            else:
                new = {
                    name: _counted_on(value, number, len(names), name) for number, name in enumerate(names)
                }
        except _RangeError as error:
            problems.append(Problem(path, *value.start, error.wrong, error.expected))
            continue
        taken = next((name for name in new if name in result), None)
        if taken is not None:
            wrong = f"{key!r} gives {taken!r} a second time"
            problems.append(
                Problem(
                    path, *value.start, wrong, f"each name once; line {result[taken].start.line} has it too"
                )
            )
            continue
        if len(result) + len(new) > MOST_TOGETHER:
            wrong = f"more than {MOST_TOGETHER} names with the range {key!r}"
            problems.append(Problem(path, *value.start, wrong, "a smaller file"))
            break
        result |= new
    return result


def _counted_on(value: SourcePosition, number: int, count: int, name: str) -> SourcePosition:
    """Return a copy for the name at a place of a range of `count`. Raises _RangeError."""
    content = value.content
    if isinstance(content, dict):
        changed = {key: _counted_on(below, number, count, name) for key, below in content.items()}
        for key, below in changed.items():
            if key in _MOVED_ON and isinstance(below.content, str) and below.content == content[key].content:
                changed[key] = replace(below, content=_next_terminal(below.content, number))
            elif key == "output" and type(below.content) is int:
                changed[key] = replace(below, content=below.content + number)
        return replace(value, content=changed)
    if isinstance(content, list):
        return replace(value, content=[_counted_on(below, number, count, name) for below in content])
    if isinstance(content, str):
        counted = _COUNTED.sub(partial(_count, number=number, count=count), content)
        return replace(value, content=counted.replace("{slot}", name))
    return value


def _count(match: re.Match[str], number: int, count: int) -> str:
    first, last = int(match[1]), int(match[2])
    step, rest = divmod(last - first, count - 1) if count > 1 else (0, last - first)
    if rest or step < 0:
        raise _RangeError(
            f"{match[0]!r} does not count evenly over the {count} names of its key",
            f"{{{first}..{first + count - 1}}}, or another end that can be reached in {count - 1} equal steps",
        )
    return f"{first + number * step:0{len(match[1])}d}"


def _expanded(
    content: dict[Key, SourcePosition], path: Path, problems: list[Problem]
) -> dict[Key, SourcePosition]:
    """Write out the ranges of wires or points."""
    result: dict[Key, SourcePosition] = {}
    origin: dict[Key, Key] = {}

    def say(mark: Mark, wrong: str, expected: str) -> None:
        problems.append(Problem(path, *mark, wrong, expected))

    for key, value in content.items():
        try:
            steps = _steps(key) if isinstance(key, str) else None
        except _RangeError as error:
            say(value.start, error.wrong, error.expected)
            continue
        if steps is None:
            steps = [_Step(key, 0, 0)]  # type: ignore[arg-type]  # an int key is reported as no name later on
        names = [step.name for step in steps]
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
        for step in steps:
            try:
                result[step.name] = _moved(value, step)
            except _RangeError as error:
                say(value.start, error.wrong, error.expected)
                break
            origin[step.name] = key
    return result


def _moved(value: SourcePosition, step: _Step) -> SourcePosition:
    """Return a copy whose addresses and terminals lie further on."""
    if not isinstance(value.content, dict) or (step.places == 0 and not step.slot):
        return value
    changed: dict[Key, SourcePosition] = {}
    for key, below in value.content.items():
        moved = _moved(below, step) if isinstance(below.content, dict) else below
        if key in _MOVED_ON and isinstance(below.content, str):
            there = _in_slot(below.content, step) if step.slot else below.content
            moved = replace(below, content=_next_terminal(there, step.number) if step.number else there)
        changed[key] = moved
    for name, number in _address_moved(value, step.places).items():
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


def _in_slot(text: str, step: _Step) -> str:
    """Return a terminal or a signal of the first slot of a range as that of the slot which it is about."""
    if not text.startswith((f"{step.first}.", f"{step.first} ")):
        raise _RangeError(
            f"{text[:60]!r} does not belong to slot {step.first}, with which the range begins",
            f"a terminal such as {step.first}.q01, or a signal such as {step.first} q01",
        )
    return step.slot + text[len(step.first) :]


def _next_terminal(terminal: str, places: int) -> str:
    match = _NUMBERED.fullmatch(terminal)
    if match is None:
        raise _RangeError(
            f"the {'terminal' if '.' in terminal else 'name'} {terminal[:60]!r} does not end in a number, "
            "so a range cannot move it on",
            "the first one of the range, such as A.q01",
        )
    return f"{match['prefix']}{int(match['digits']) + places:0{len(match['digits'])}d}"
