"""Fit a defect, as written, to a stand and its profiles."""

from __future__ import annotations

from dataclasses import dataclass

from hilseq_sim.defects.catalogue import CATALOGUE, Kind
from hilseq_sim.defects.places import VisitWords, Where
from hilseq_sim.defects.spec import DefectError, DefectSpec, nearest, parse_defect
from hilseq_sim.world.modes import position_of


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
    row = CATALOGUE.get(word)
    spec = parse_defect(text, parameters=row.parameters if row else ())
    if row is None:
        raise DefectError(f"there is no defect {spec.kind!r}{nearest(spec.kind, CATALOGUE)}")
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
