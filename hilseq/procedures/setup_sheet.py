"""The set-up sheet: what a person fits before a visit, and where, from stand file and profiles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from hilseq.description.profile import Profile
from hilseq.description.stand import Slot, Stand


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One thing to fit or to look at: what, where, and what helps to find it."""

    item: str
    where: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class SheetSection:
    """Lines that are done together."""

    title: str
    lines: tuple[SheetLine, ...]


def setup_sheet(stand: Stand, profiles: Mapping[str, Profile]) -> list[SheetSection]:
    """Return the sections of the sheet, those of the stand first; slots without a unit are included."""
    sections = [SheetSection("Instruments", tuple(_instruments(stand)))]
    for name, slot in stand.slots.items():
        profile = profiles.get(name)
        if profiles and profile is None:
            continue
        title = f"Slot {name}" + (f": {profile.part}, {profile.description}" if profile else "")
        sections.append(SheetSection(title, tuple(_slot(name, slot, profile))))
    last = [
        SheetLine(f"interlock {name}", interlock.signal, f"not safe means: {interlock.meaning}")
        for name, interlock in stand.safety.interlocks.items()
    ]
    if last:
        sections.append(SheetSection("Last of all", tuple(last)))
    return sections


def _instruments(stand: Stand) -> Iterator[SheetLine]:
    for name, supply in stand.supplies.items():
        told = " ".join(text for text in (supply.identity.maker, supply.identity.model) if text)
        limits = f"at most {supply.ceilings.voltage:g} V and {supply.ceilings.current:g} A"
        due = f", calibration holds until {supply.calibration.due}" if supply.calibration else ""
        yield SheetLine(f"supply {name}", supply.where, f"{told or 'any model'}, {limits}{due}")
    for name, io in stand.io.items():
        due = f"calibration holds until {io.calibration.due}" if io.calibration else ""
        yield SheetLine(f"io {name}", io.where, due)


def _slot(name: str, slot: Slot, profile: Profile | None) -> Iterator[SheetLine]:
    rated = ""
    if profile is not None:
        rated = f"{profile.ratings.supply:g} V, at most {profile.ratings.current_limit:g} A"
    yield SheetLine(f"supply {slot.supply}", f"power terminals of the unit in slot {name}", rated)
    yield SheetLine("network cable or adapter of the link", slot.link.where)
    positions = sorted({*slot.neighbours, *range(1, (profile.rack_positions if profile else 0) + 1)})
    for position in positions:
        yield SheetLine(slot.neighbours.get(position, "empty"), f"rack position {position}", "neighbour")
    for item in slot.setup:
        yield SheetLine(item.item, item.where)
    for port, wiring in slot.ports.items():
        fitting = [text for text in (wiring.adapter, wiring.cable) if text and text != "none"]
        yield SheetLine(" and ".join(fitting) or "direct connection", port, f"to {wiring.resource}")
    if profile is not None:
        at_start = [
            place for place, each in profile.modes.switch.items() if each.mode is profile.modes.at_start
        ]
        for position in at_start:
            yield SheetLine("mode switch", position, "where it stands when power comes")
