"""The set-up sheet: what a person fits before a visit, and where; as plain text, and as one page that prints well."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

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
    #: Picture file that shows it, beside the stand file.
    picture: str = ""


@dataclass(frozen=True, slots=True)
class SheetSection:
    """Lines that are done together."""

    title: str
    lines: tuple[SheetLine, ...]
    #: One line for each wire: many, and short.
    wires: bool = False


def setup_sheet(
    stand: Stand,
    profiles: Mapping[str, Profile],
    intakes: Mapping[str, Mapping[str, str]] = MappingProxyType({}),
) -> list[SheetSection]:
    """Return the sections of the sheet, those of the stand first; slots without a unit are included.

    `intakes` holds by slot what is known of each unit: serial number, work order.
    """
    sections = [SheetSection("Instruments", tuple(_instruments(stand)))]
    for name, slot in stand.slots.items():
        profile = profiles.get(name)
        if profiles and profile is None:
            continue
        title = f"Slot {name}" + (f": {profile.part}, {profile.description}" if profile else "")
        said = intakes.get(name, {})
        lines = [*_unit(name, stand, profile, said), *_slot(name, slot, profile, stand.operator.pictures)]
        sections.append(SheetSection(title, tuple(lines)))
        sections += _wires(f"Wires of slot {name}", stand, name)
    sections += _wires("Wires of the stand itself", stand, "")
    last = [
        SheetLine(f"interlock {name}", interlock.signal, f"not safe means: {interlock.meaning}")
        for name, interlock in stand.safety.interlocks.items()
    ]
    if last:
        sections.append(SheetSection("Last of all", tuple(last)))
    return sections


def _instruments(stand: Stand) -> Iterator[SheetLine]:
    for name, supply in stand.supplies.items():
        reported = " ".join(text for text in (supply.identity.maker, supply.identity.model) if text)
        limits = f"at most {supply.ceilings.voltage:g} V and {supply.ceilings.current:g} A"
        due = f", calibration holds until {supply.calibration.due}" if supply.calibration else ""
        yield SheetLine(f"supply {name}", supply.where, f"{reported or 'any model'}, {limits}{due}")
    for name, io in stand.io.items():
        due = f"calibration holds until {io.calibration.due}" if io.calibration else ""
        yield SheetLine(f"io {name}", io.where, due)


def _unit(name: str, stand: Stand, profile: Profile | None, said: Mapping[str, str]) -> Iterator[SheetLine]:
    """Yield the unit itself with its serial number, and what else was said about it."""
    if profile is None:
        return
    known = [
        f"{key.replace('-', ' ')} {value}" for key, value in said.items() if key not in ("serial", "part")
    ]
    picture = stand.operator.pictures.get("insert-unit", "")
    what = f"{profile.part}, serial number {said.get('serial', '______________')}"
    yield SheetLine(what, f"slot {name}", "; ".join(known), picture)


def _wires(title: str, stand: Stand, slot: str) -> Iterator[SheetSection]:
    """Yield a line for each wire of a slot: terminal, channel, signal; those of no slot for an empty name."""
    lines = []
    for name, signal in stand.signals.items():
        owner, _, terminal = (signal.drives or signal.senses or "").partition(".")
        if owner == slot:
            does = "drives" if signal.drives else "senses" if signal.senses else "of the stand"
            lines.append(
                SheetLine(
                    terminal or name, f"{signal.io}, {signal.channel_in_words}", f"signal {name}, {does}"
                )
            )
    if lines:
        yield SheetSection(title, tuple(lines), wires=True)


def _slot(name: str, slot: Slot, profile: Profile | None, pictures: Mapping[Any, str]) -> Iterator[SheetLine]:
    rated = ""
    if profile is not None:
        rated = f"{profile.ratings.supply:g} V, at most {profile.ratings.current_limit:g} A"
    yield SheetLine(f"supply {slot.supply}", f"power terminals of the unit in slot {name}", rated)
    yield SheetLine("network cable or adapter of the link", slot.link.where)
    positions = sorted({*slot.neighbours, *range(1, (profile.rack_positions if profile else 0) + 1)})
    for position in positions:
        yield SheetLine(slot.neighbours.get(position, "empty"), f"rack position {position}", "neighbour")
    for item in slot.setup:
        yield SheetLine(item.item, item.where, picture=item.picture)
    for port, wiring in slot.ports.items():
        fitting = [text for text in (wiring.adapter, wiring.cable) if text and text != "none"]
        yield SheetLine(" and ".join(fitting) or "direct connection", port, f"to {wiring.resource}")
    if profile is not None:
        at_start = [
            place for place, each in profile.modes.switch.items() if each.mode is profile.modes.at_start
        ]
        for position in at_start:
            when = "where it stands when power comes"
            yield SheetLine("mode switch", position, when, pictures.get("move-switch", ""))


#: Those of all cautions that concern setting up; the others speak of a report.
CAUTIONS = ALL_CAUTIONS[:4]


def as_text(stand: str, description: str, sections: Sequence[SheetSection]) -> str:
    """Return the sheet as text with a box to tick before each line."""
    lines = [f"Set-up sheet of stand {stand}: {description}", ""]
    lines += [f"Caution: {caution}" for caution in CAUTIONS]
    for section in sections:
        lines += ["", section.title]
        width = max((len(line.item) for line in section.lines), default=0)
        where = max((len(line.where) for line in section.lines), default=0)
        lines += [
            f"  [ ] {line.item:<{width}}  {line.where:<{where}}  {_with_picture(line)}".rstrip()
            for line in section.lines
        ]
    lines += ["", "Set up by ______________________   on ______________", ""]
    return "\n".join("".join(sanitize(part) for part in line) for line in lines)


def _with_picture(line: SheetLine) -> str:
    return "; ".join(
        part for part in (line.detail, f"picture {line.picture}" if line.picture else "") if part
    )


@cache
def _environment() -> jinja2.Environment:
    return environment("hilseq.reports")


def as_html(stand: str, description: str, sections: Sequence[SheetSection], folder: Path) -> str:
    """Return the sheet as one page that asks nothing of any other machine and runs no script.

    Pictures, looked for in `folder`, are inside it.
    """
    names = {line.picture for section in sections for line in section.lines if line.picture}
    pictures = {name: _image(folder / name) for name in names}
    page = _environment().get_template("setup_sheet.html.j2")
    return page.render(
        stand=stand, description=description, sections=sections, cautions=CAUTIONS, pictures=pictures
    )


#: How the files of pictures begin -> what they are.
_IMAGES = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg", b"GIF8": "gif"}
_LARGEST_IMAGE = 8_000_000


def _image(path: Path) -> str:
    """Return a picture as a data URL (RFC 2397), or an empty text where there is none that a browser shows."""
    try:
        if not path.is_file() or path.stat().st_size > _LARGEST_IMAGE:
            return ""
        data = path.read_bytes()
    except OSError:
        return ""
    kind = next((kind for begin, kind in _IMAGES.items() if data.startswith(begin)), None)
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}" if kind is not None else ""
