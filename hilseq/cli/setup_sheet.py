"""The set-up sheet: what a person fits before a visit, and where; as plain text, and as one page that prints well."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import jinja2

from hilseq.description.profile import Profile
from hilseq.description.stand import Slot, Stand
from hilseq.reports.formatting import CAUTIONS as ALL_CAUTIONS
from hilseq.reports.sanitize import environment, sanitize


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


#: Those of all cautions that concern setting up; the others speak of a report.
CAUTIONS = ALL_CAUTIONS[:4]


class PrintedLine(Protocol):
    """One thing to fit: what, where, and what helps to find it."""

    @property
    def item(self) -> str:
        """What."""
        ...

    @property
    def where(self) -> str:
        """Where."""
        ...

    @property
    def detail(self) -> str:
        """What helps."""
        ...


class PrintedSection(Protocol):
    """Lines that are done together."""

    @property
    def title(self) -> str:
        """Its heading."""
        ...

    @property
    def lines(self) -> Sequence[PrintedLine]:
        """Its lines."""
        ...


def as_text(stand: str, description: str, sections: Sequence[PrintedSection]) -> str:
    """Return the sheet as text with a box to tick before each line."""
    lines = [f"Set-up sheet of stand {stand}: {description}", ""]
    lines += [f"Caution: {caution}" for caution in CAUTIONS]
    for section in sections:
        lines += ["", section.title]
        width = max((len(line.item) for line in section.lines), default=0)
        where = max((len(line.where) for line in section.lines), default=0)
        lines += [
            f"  [ ] {line.item:<{width}}  {line.where:<{where}}  {line.detail}".rstrip()
            for line in section.lines
        ]
    lines += ["", "Set up by ______________________   on ______________", ""]
    return "\n".join("".join(sanitize(part) for part in line) for line in lines)


@cache
def _environment() -> jinja2.Environment:
    return environment("hilseq.reports")


def as_html(stand: str, description: str, sections: Sequence[PrintedSection]) -> str:
    """Return the sheet as one page that asks nothing of any other machine and runs no script."""
    page = _environment().get_template("setup_sheet.html.j2")
    return page.render(stand=stand, description=description, sections=sections, cautions=CAUTIONS)
