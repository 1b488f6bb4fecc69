"""What a person writes for a defect: `output-stuck-on@q05,after=20h,above=55degC,probability=0.1`.

The kind; after `@` the place, `+` between the two of a pair, `SLOT.` before it where a stand has several
slots; then the conditions. This file knows the form and the conditions, `resolve` whether kind and place
exist.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from hilseq.quantities import parse

#: Longer texts are refused unread.
LONGEST = 300
_KIND = re.compile(r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*")


class DefectError(ValueError):
    """A defect that cannot be: a kind, a place or a parameter that is wrong, with what was expected."""


def nearest(word: str, words: Iterable[str]) -> str:
    """Return `; did you mean 'x'?`, or an empty text when nothing is near."""
    near = difflib.get_close_matches(word, list(words), n=1, cutoff=0.5)
    return f"; did you mean {near[0]!r}?" if near else ""


@dataclass(frozen=True, slots=True)
class DefectSpec:
    """A defect as written. Times in s, temperatures in degC; `lasting` is written `for`."""

    text: str
    kind: str
    slot: str = ""
    places: tuple[str, ...] = ()
    after: float = 0.0
    above: float | None = None
    below: float | None = None
    probability: float | None = None
    lasting: float | None = None
    severity: float = 1.0
    parameters: dict[str, str] = field(default_factory=dict)


def _quantity(dimension: str, low: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = parse(text, dimension)
        if not value >= low:
            raise ValueError(f"{text!r} is too small")
        return value

    return read


def _share(low: float, *, low_included: bool) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = float(text)
        if math.isnan(value) or value > 1.0 or value < low or (value == low and not low_included):
            raise ValueError(f"{text!r} is out of range")
        return value

    return read


def _lasting(text: str) -> float:
    value = parse(text, "time")
    if value <= 0.0:
        raise ValueError(f"{text!r} is too short")
    return value


#: word -> (field of DefectSpec, reader, legal form)
CONDITIONS: dict[str, tuple[str, Callable[[str], float], str]] = {
    "after": ("after", _quantity("time", 0.0), "a time such as 20h"),
    "above": ("above", _quantity("temperature", -273.15), "a case temperature such as 55degC"),
    "below": ("below", _quantity("temperature", -273.15), "a case temperature such as 0degC"),
    "probability": ("probability", _share(0.0, low_included=False), "a number above 0, at most 1"),
    "for": ("lasting", _lasting, "a time above 0 such as 2s"),
    "severity": ("severity", _share(0.0, low_included=True), "a number from 0 to 1"),
}


def parse_defect(text: str, *, parameters: Iterable[str] = ()) -> DefectSpec:
    """Read one defect. `parameters` are further words allowed. Raises DefectError."""
    shown = text if len(text) <= 60 else text[:57] + "..."  # noqa: PLR2004 - what fits a line
    if len(text) > LONGEST:
        raise DefectError(f"{shown!r} is too long for a defect; expected KIND@PLACE,CONDITION=VALUE,...")
    head, *rest = (part.strip() for part in text.split(","))
    kind, at, place = (part.strip() for part in head.partition("@"))
    if not _KIND.fullmatch(kind):
        raise DefectError(
            f"{shown!r} is no defect; expected KIND@PLACE,CONDITION=VALUE,... such as output-stuck-on@q05"
        )
    slot, places = _places(place, shown) if at else ("", ())
    values: dict[str, Any] = {}
    own: dict[str, str] = {}
    allowed = [*CONDITIONS, *parameters]
    for part in rest:
        word, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals:
            raise DefectError(f"{part[:40]!r} in {shown!r} lacks a value; expected CONDITION=VALUE")
        if word not in allowed:
            raise DefectError(
                f"{word[:40]!r} is no condition of {kind}; expected one of {', '.join(allowed)}"
                + nearest(word, allowed)
            )
        known = CONDITIONS.get(word)
        name = known[0] if known else word
        if name in values or word in own:
            raise DefectError(f"{word!r} stands twice in {shown!r}")
        if known is None:
            own[word] = value
            continue
        try:
            values[name] = known[1](value)
        except (ValueError, OverflowError) as error:
            raise DefectError(f"{word}={value[:40]} in {shown!r}: expected {known[2]}") from error
    above, below = values.get("above"), values.get("below")
    if above is not None and below is not None and above >= below:
        raise DefectError(f"{shown!r} is never active: above {above:g} degC and below {below:g} degC")
    return DefectSpec(text, kind, slot, places, parameters=own, **values)


def _places(text: str, shown: str) -> tuple[str, tuple[str, ...]]:
    slots = set()
    places = []
    for word in text.split("+"):
        slot, dot, place = (part.strip() for part in word.rpartition("."))
        if not place or (dot and not slot):
            raise DefectError(f"{shown!r} names no place after '@'; expected such as q05, q05+q06 or A.q05")
        if dot:
            slots.add(slot)
        places.append(place)
    if len(slots) > 1:
        raise DefectError(f"{shown!r} names two slots; both places of a pair lie in one unit")
    return next(iter(slots), ""), tuple(places)
