"""A defect as a person writes it, `output-stuck-on@q05,after=20h,probability=0.1`, fitted to a stand and its profiles.

The kind; after `@` the place, `+` between the two of a pair, `SLOT.` before it where a stand has several
slots; then the conditions.

Kinds of defect from outside: a Python file (`--defects FILE`), or an entry point of the group `hilseq.defects`.

A file holds a list `KINDS`, an entry point leads to one. What a kind needs is here: `Kind` is its row of the catalogue,
`places` say where it can sit, `Spot` is where it sits, and `Add`, `Scale`, `Count`, `Wrap` and `Tap` change the world
while it is there. sim/README.md lists the parts of the world and has an example.

When a defect is there: after a time, above or below a temperature, by chance at a power-up, for a while.

Every condition is an event of the timeline in closed form: a timer, or the case passing a level; a defect that
came at a temperature goes 1 K later, for a contact that opens in the warmth does not close at the same degree. A
chance is drawn once per power-up from the seed of the world: when the supply is switched on, for it may be the
defect that keeps the unit from starting; or else when the unit has its power back. `for` bounds each stay; with
a chance it begins anew at each power-up, otherwise whenever the other conditions come true again.
"""

from __future__ import annotations

import math
import re
import runpy
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilseq.description.findings import nearest_word
from hilseq.quantities import parse
from hilseq_sim.defects import places
from hilseq_sim.defects.catalogue import CATALOGUE, Kind
from hilseq_sim.defects.change import Add, Change, Count, Scale, Spot, Tap, Wrap
from hilseq_sim.defects.places import VisitWords, Where
from hilseq_sim.defects.true_values import TRUE_VALUES
from hilseq_sim.world.operation import position_of
from hilseq_sim.world.timeline import Timer

if TYPE_CHECKING:
    from hilseq_sim.world.build import World


#: Longer texts are refused unread.
LONGEST = 300
#: How a kind is named.
KIND_WORD = re.compile(r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*")


class DefectError(ValueError):
    """A defect that cannot be: a kind, a place or a parameter that is wrong, with what was expected."""


def nearest(word: str, words: Iterable[str]) -> str:
    """Return `; did you mean 'x'?`, or an empty text when nothing is near."""
    near = nearest_word(word, words, 0.5)
    return f"; did you mean {near!r}?" if near else ""


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
    if not KIND_WORD.fullmatch(kind):
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


@dataclass(frozen=True, slots=True)
class Defect:
    """A defect that can be: its row of the catalogue, its slot and its places."""

    kind: Kind
    spec: DefectSpec
    slot: str
    places: tuple[str, ...]
    #: Places that count as located.
    located: tuple[str, ...]


def resolve(text: str, visit: VisitWords) -> Defect:
    """Return the defect that a text means on a visit. Raises DefectError and nothing else."""
    word = text.split(",", 1)[0].split("@", 1)[0].strip()
    row = CATALOGUE.get(word) or TRUE_VALUES.get(word)
    spec = parse_defect(text, parameters=row.parameters if row else ())
    if row is None:
        near = (
            nearest(spec.kind, CATALOGUE)
            or "; expected KIND@PLACE such as output-stuck-on@q05 (sim/README.md)"
        )
        raise DefectError(f"there is no defect {spec.kind!r}{near}")
    slots = list(visit.profiles)
    if not slots:
        raise DefectError("no slot of this visit has a unit")
    slot = spec.slot or slots[0]
    if slot not in visit.profiles:
        raise DefectError(
            f"{spec.slot!r} is no slot of this visit; expected {', '.join(slots)}{nearest(slot, slots)}"
        )
    where = Where(visit, slot)
    legal = row.places(where)
    if not legal:
        raise DefectError(f"{row.kind} makes no sense on this stand with a {where.profile.part}: {row.does}")
    places = _fit(row, spec, where, legal)
    for parameter, value in spec.parameters.items():
        _check_number(parameter, value, row)
    return Defect(row, spec, slot, places, _located(row, places, where))


def places_for(kind: str, visit: VisitWords, slot: str | None = None) -> list[str]:
    """Return every place of a slot (the first by default) on which a kind can sit, as written after `@`."""
    row = CATALOGUE.get(kind)
    if row is None:
        raise DefectError(f"there is no defect {kind!r}{nearest(kind, CATALOGUE)}")
    return row.places(Where(visit, slot or next(iter(visit.profiles))))


def _fit(row: Kind, spec: DefectSpec, where: Where, legal: list[str]) -> tuple[str, ...]:
    if not spec.places:
        if len(legal) == 1:
            return tuple(legal[0].split("+"))
        raise DefectError(f"{row.kind} needs a place after '@', such as {row.kind}@{legal[0]}")
    wanted = tuple(_canonical(place, where, legal) for place in spec.places)
    for form in (wanted, wanted[::-1]):
        if "+".join(form) in legal:
            return wanted
    written = "+".join(spec.places)
    if "+" in legal[0] and len(spec.places) != 2:  # noqa: PLR2004 - a pair
        raise DefectError(f"{row.kind} sits on two places, such as {legal[0]}, not on {written!r}")
    shown = ", ".join(legal[:6]) + (", ..." if len(legal) > 6 else "")  # noqa: PLR2004 - enough to see the form
    raise DefectError(
        f"{row.kind} cannot sit on {written!r}; expected one of {shown}{nearest(written, legal)}"
    )


def _canonical(place: str, where: Where, legal: list[str]) -> str:
    """Return the full word for a short one: `main` for `supply main`, a switch position for its mode."""
    if place in legal:
        return place
    for word in legal:
        if word.partition(" ")[2] == place:
            return word
    position = position_of(where.profile.modes, place)
    if position is not None:
        mode = f"mode {where.profile.modes.switch[position].mode}"
        if mode in legal:
            return mode
    return place


def _check_number(parameter: str, value: str, row: Kind) -> None:
    try:
        number = int(value, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFFFF:  # noqa: PLR2004 - one register
        raise DefectError(f"{parameter}={value[:40]}: expected {row.parameters[parameter]}")


def _located(row: Kind, places: tuple[str, ...], where: Where) -> tuple[str, ...]:
    found: list[str] = []
    for word in row.located:
        if word == "{place}":
            found += places
        elif word == "{io}":
            found += [f"io {where.stand.signals[place].io}" for place in places]
        elif word == "{fault}":
            named = where.profile.faults.places if where.profile.faults else {}
            found.append(named.get(0, "place 0"))
        elif word == "mode":
            found += [f"mode {mode}" for mode in where.profile.mode_list()]
        else:
            found.append(word)
    return tuple(dict.fromkeys(found))


def describe_catalogue() -> list[dict[str, Any]]:
    """Return the catalogue as plain data, one entry per kind, for documents and the coverage table."""
    return [
        {
            "kind": row.kind,
            "side": row.side,
            "stage": row.stage,
            "does": row.does,
            "located": list(row.located),
            "severity": row.severity or "not graded: there or not",
            "harmless": row.harmless,
            "matters": row.matters,
            "parameters": {
                **dict(row.parameters),
                **{word: form for word, (_, _, form) in CONDITIONS.items()},
            },
        }
        for row in CATALOGUE.values()
    ]


def catalogue_on(visit: VisitWords) -> list[dict[str, Any]]:
    """Return the rows of the catalogue that make sense on a visit (of its first slot), as plain data.

    Each has `spots`: a list of the place as written after `@` and the places that count as located.
    """
    rows = []
    where = Where(visit, next(iter(visit.profiles)))
    for row in describe_catalogue():
        kind = row["kind"]
        spots = [
            {"place": place, "located": list(resolve(f"{kind}@{place}", visit).located)}
            for place in places_for(kind, visit)
        ]
        if spots:
            rows.append({**row, "matters": CATALOGUE[kind].matters_on(where), "spots": spots})
    return rows


__all__ = [
    "Add",
    "Change",
    "Count",
    "Kind",
    "Scale",
    "Spot",
    "Tap",
    "Wrap",
    "add_from_file",
    "add_installed",
    "places",
]

GROUP = "hilseq.defects"


def add_from_file(path: Path) -> None:
    """Add the kinds of a Python file to the catalogue. Raises DefectError that names the file and what is wrong."""
    try:
        found = runpy.run_path(str(path)).get("KINDS")
    except OSError as error:
        raise DefectError(f"{path} cannot be read: {error.strerror or error}") from error
    except Exception as error:
        raise DefectError(f"{path}: {type(error).__name__}: {error}") from error
    _add(str(path), found)


def add_installed() -> None:
    """Add the kinds of every installed distribution. Raises DefectError that names the distribution."""
    from importlib.metadata import entry_points  # late: it takes as long as many a visit's physics

    for point in entry_points(group=GROUP):
        source = f"{point.name} of {point.dist.name if point.dist else 'an unknown distribution'}"
        try:
            found = point.load()
        except Exception as error:
            raise DefectError(
                f"defects {source} cannot be loaded: {type(error).__name__}: {error}"
            ) from error
        _add(source, found)


def _add(source: str, found: object) -> None:
    if not isinstance(found, Iterable):
        raise DefectError(f"{source} has no list of kinds; expected KINDS = [Kind(...), ...]")
    for kind in found:
        if not isinstance(kind, Kind):
            raise DefectError(f"{source}: {kind!r} is no kind of defect; expected Kind(...)")
        if not KIND_WORD.fullmatch(kind.kind):
            raise DefectError(
                f"{source}: {kind.kind!r} is no name of a kind; expected lower case such as output-weak"
            )
        if CATALOGUE.setdefault(kind.kind, kind) is not kind:
            raise DefectError(f"{source}: there is a defect {kind.kind!r} already; expected another name")


#: K that the case goes back before a defect that came at a temperature goes again.
HYSTERESIS = 1.0


class ActiveDefect:
    """One defect in a world, coming and going as its conditions say."""

    def __init__(self, world: World, defect: Defect, number: int) -> None:
        spec, unit = defect.spec, world.units[defect.slot]
        self._world = world
        self._spec = spec
        spot = Spot(world, defect.slot, defect.places, spec.severity, spec.parameters)
        self._changes: list[Change] = defect.kind.effect(spot)
        self.active = False
        self._over = False
        self._due = spec.after == 0.0
        self._chance = world.streams.of("defect", str(number), spec.kind)
        self._drawn = self._draw()
        self._end = Timer(world.timeline, self._last_out)
        if not self._due:
            Timer(world.timeline, self._onset).start(spec.after)
        heat = unit.heat
        self._above = self._below = None
        if spec.above is not None:
            self._above = heat.watch(spec.above, lambda _: self._look(), back=spec.above - HYSTERESIS)
        if spec.below is not None:
            self._below = heat.watch(spec.below, lambda _: self._look(), back=spec.below + HYSTERESIS)
        if spec.probability is not None:
            unit.power_ups.append(self._power_up)
        self._look()

    def _draw(self) -> bool:
        return self._spec.probability is None or self._chance.random() < self._spec.probability

    def _onset(self) -> None:
        self._due = True
        self._look()

    def _power_up(self) -> None:
        self._drawn = self._draw()
        self._over = False
        if self.active and self._drawn and self._spec.lasting is not None:
            self._end.start(self._spec.lasting)
        self._look()

    def _last_out(self) -> None:
        self._over = True
        self._set(active=False)

    def _look(self) -> None:
        warm = self._above is None or self._above.hot
        cold = self._below is None or not self._below.hot
        if not (self._due and warm and cold and self._drawn):
            self._over = False
            self._end.stop()
            self._set(active=False)
        elif not self._over and not self.active:
            self._set(active=True)
            if self._spec.lasting is not None:
                self._end.start(self._spec.lasting)

    def _set(self, *, active: bool) -> None:
        if active == self.active:
            return
        self.active = active
        self._world.anchor()
        for change in self._changes:
            if active:
                change.apply()
            else:
                change.undo()
        self._world.refresh()
