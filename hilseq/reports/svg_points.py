"""The unit's terminals in rows, what was found at each, and lines between places that failed together."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from markupsafe import Markup

from hilseq.reports import svg
from hilseq.reports.formatting import SIGNS, join_truncated, worst
from hilseq.reports.record import Check
from hilseq.verdicts import CheckVerdict

_NAMED = re.compile(r"([A-Za-z]+(?:[ -][A-Za-z]+)*)[ -]?(\d{1,4})")
_PER_ROW, _CELL, _TALL, _LEFT = 8, 42.0, 44.0, 6.0
_BOX = 30.0
_CLASSES = {
    CheckVerdict.PASSED: "good",
    CheckVerdict.FAILED: "bad",
    CheckVerdict.STAND_FAULT: "unsure",
    CheckVerdict.NOT_PERFORMED: "open",
}


@dataclass(slots=True)
class Terminals:
    """One group of terminals of the same kind, by number."""

    prefix: str
    verdicts: dict[str, CheckVerdict]
    together: list[tuple[str, ...]] = field(default_factory=list)


def _split(place: str) -> tuple[str, int] | None:
    match = _NAMED.fullmatch(place)
    return (match[1], int(match[2])) if match else None


def terminals(checks: Sequence[Check]) -> list[Terminals]:
    """Group the numbered places of the checks; a place that failed anywhere is bad."""
    seen: dict[str, list[CheckVerdict]] = {}
    together: list[tuple[str, ...]] = []
    for check in checks:
        blamed = check.verdict in (CheckVerdict.FAILED, CheckVerdict.STAND_FAULT)
        at_fault = check.places if blamed and check.places else (check.place,)
        for place in at_fault:
            if check.verdict is not CheckVerdict.STAND_FAULT or _split(place):
                seen.setdefault(place, []).append(check.verdict)
        if check.verdict is CheckVerdict.FAILED and len(check.places) > 1:
            together.append(check.places)
    groups: dict[str, dict[str, CheckVerdict]] = {}
    numbered = [(split, place) for place in seen if (split := _split(place))]
    for (prefix, _), place in sorted(numbered):
        groups.setdefault(prefix, {})[place] = worst(seen[place])
    return [
        Terminals(prefix, verdicts, [places for places in together if set(places) <= set(verdicts)])
        for prefix, verdicts in groups.items()
        if len(verdicts) > 1
    ]


def _cell(number: int) -> tuple[float, float]:
    return _LEFT + number % _PER_ROW * _CELL, 4.0 + number // _PER_ROW * _TALL


def _terminal(number: int, name: str, verdict: CheckVerdict) -> list[Markup]:
    x, y = _cell(number)
    middle = x + _CELL / 2
    return [
        svg.box(middle - _BOX / 2, y, _BOX, 24, f"terminal {_CLASSES[verdict]}"),
        svg.label(SIGNS[verdict], middle, y + 17, f"sign {_CLASSES[verdict]}", anchor="middle"),
        svg.label(name, middle, y + 37, "number", anchor="middle"),
    ]


def _joined(places: Sequence[str], order: Sequence[str]) -> list[Markup]:
    spots = [_cell(order.index(place)) for place in places]
    centres = [(x + _CELL / 2, y) for x, y in spots]
    return [
        svg.path([(x1, y1), (x1, y1 - 3), (x2, y2 - 3), (x2, y2)], "joined")
        for (x1, y1), (x2, y2) in pairwise(centres)
    ]


def draw(group: Terminals) -> Markup:
    """Return the drawing of one group of terminals."""
    names = list(group.verdicts)
    rows = -(-len(names) // _PER_ROW)
    parts = [
        part for number, name in enumerate(names) for part in _terminal(number, name, group.verdicts[name])
    ]
    parts += [part for places in group.together for part in _joined(places, names)]
    failed = [name for name, verdict in group.verdicts.items() if verdict is CheckVerdict.FAILED]
    told = f"{len(names)} places. " + (f"Failed: {join_truncated(failed, 12)}." if failed else "None failed.")
    width = 2 * _LEFT + min(len(names), _PER_ROW) * _CELL
    return svg.drawing((width, rows * _TALL + 6), f"Terminals {group.prefix}", told, parts, "points")
