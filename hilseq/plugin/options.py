"""The options of a visit, the typed object they become, and the end of a command line that makes no sense."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import pytest
from _pytest.outcomes import Exit

from hilseq.errors import UsageError
from hilseq.procedures.operator import Operator
from hilseq.quantities import QuantityError, parse
from hilseq.verdicts import ExitCode

SERIAL_LONGEST = 64
NO_UNIT = "no --unit is given: which profile does the unit have? Example: --unit stands/units/rh16.yaml, or --unit RH16"


def add_options(parser: pytest.Parser) -> None:
    """Register the options. Help texts begin with a verb or a noun, lower case, and give the form."""
    group = parser.getgroup("hilseq", "test stand (hilseq)")
    one = group.addoption
    switch = partial(group.addoption, action="store_true")

    def many(name: str, metavar: str, help: str) -> None:  # noqa: A002 - as pytest calls it
        group.addoption(name, action="append", default=[], metavar=metavar, help=help)

    one("--stand", metavar="FILE", help="stand file; without it hilseq does nothing")
    many("--unit", metavar="[SLOT=]FILE", help="profile of the unit in a slot: a file, or a part number")
    many("--serial", metavar="[SLOT=]SN", help="serial number of the unit")
    one("--slot", metavar="SLOT", help="test the unit in this slot only, whatever the other options name")
    switch("--simulate", help="serve a simulated twin of the stand and use that")
    words = "with --simulate: use the twin that is served at the addresses of this file, with other visits"
    one("--twin", metavar="FILE", help=words)
    one("--seed", type=int, default=0, metavar="N", help="seed of the simulated twin (default 0)")
    words = "draw how long the instruments of the twin take (scans, lags, answers) from the seed"
    switch("--real-timing", help=words)
    words = "put a defect into the simulated twin; repeatable"
    many("--defect", metavar="KIND[@PLACE][,OPTION=VALUE…]", help=words)
    words = "Python file with kinds of defect of your own (sim/README.md); repeatable"
    many("--defects", metavar="FILE", help=words)
    one("--intake", metavar="FILE", help="what is known of the unit: work order, complaint, battery")
    words = "one thing known of the unit, such as work-order=4711; repeatable"
    many("--note", metavar="[SLOT.]KEY=VALUE", help=words)
    one("--retest", metavar="RUN", help="after a repair: begin with what failed in that run")
    switch("--intake-complete", help="with --attended: ask nothing more of the unit's intake")
    switch("--attended", help="a person is there to act and answer")
    switch("--soak", help="run the soak of the profile too")
    one("--soak-duration", metavar="TIME", help="run the soak, shortened, such as 2h; the report says so")
    one("--resume", metavar="RUN", help="continue the interrupted soak of a run")
    switch("--acknowledge", help="with --resume: the interlock that ended the run is put right")
    one("--out", metavar="DIR", help="folder for journal and reports (default a dated one in runs/)")


@dataclass(frozen=True, slots=True)
class VisitOptions:
    """What the command line asks for; `units` and `serials` are by slot."""

    stand: Path
    units: Mapping[str, Path]
    serials: Mapping[str, str]
    simulate: bool
    seed: int
    defects: Sequence[str]
    attended: bool
    out: Path | None
    #: Addresses of a twin that other visits use too; None for one of its own.
    twin: Path | None = None
    #: Whether the instruments of the twin take their time, drawn from the seed.
    real_timing: bool = False
    #: Python files with kinds of defect that are not in the catalogue.
    defect_files: Sequence[Path] = ()
    soak: bool = False
    #: Seconds; None for the whole plan.
    soak_duration: float | None = None
    #: Folder of the run whose soak is continued.
    resume: Path | None = None
    #: Whether the interlock that ended it is acknowledged.
    acknowledge: bool = False
    #: By slot, what is known of the unit.
    intakes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    #: Folder of the run that this one follows after a repair.
    retest: Path | None = None
    #: Who is asked; nobody unless attended.
    operator: Operator | None = None


def _parts(text: str, slots: Sequence[str]) -> list[str]:
    """Split `A=1,B=2`; where a stand has one slot, a comma inside a single value does not split it."""
    parts = text.split(",")
    named = [part.partition("=")[0] in slots for part in parts]
    return parts if all(named) or (len(slots) > 1 and named[0]) else [text]


def by_slot(texts: Sequence[str], option: str, slots: Sequence[str], only: str = "") -> dict[str, str]:
    """Return {slot: value} of `SLOT=VALUE` texts; without a slot `only`, or the stand's only one, is meant.

    With `only` the values of other slots are left out. Raises UsageError.
    """
    found: dict[str, str] = {}
    for text in (part for whole in texts for part in _parts(whole, slots)):
        slot, equals, value = text.partition("=")
        if equals and slot not in slots and re.fullmatch(r"[A-Za-z][\w-]{0,15}", slot):
            raise UsageError(
                f"{option} {text!r}: there is no slot {slot!r}; expected one of {', '.join(slots)}, and a value that "
                f"holds an equals sign as {slots[0]}={text}"
            )
        if not equals or slot not in slots:
            slot, value = "", text
        if not slot:
            if len(slots) != 1 and not only:
                raise UsageError(
                    f"{option} {text!r}: the stand has the slots {', '.join(slots)}; write SLOT=…, such as "
                    f"{slots[0]}={text}"
                )
            slot = only or slots[0]
        if not value:
            raise UsageError(f"{option} {text!r}: nothing is given; expected {slot}=VALUE")
        if slot in found:
            raise UsageError(f"{option}: slot {slot} is given twice, {found[slot]!r} and {value!r}")
        found[slot] = value
    return {slot: value for slot, value in found.items() if only in ("", slot)}


def serial_number(slot: str, text: str) -> str:
    """Return a serial number that can be printed. Raises UsageError."""
    if len(text) > SERIAL_LONGEST or not text.isprintable() or text != text.strip():
        raise UsageError(
            f"--serial of slot {slot}: {text[:SERIAL_LONGEST]!r} is not a serial number; expected at most "
            f"{SERIAL_LONGEST} printable characters, without spaces before or behind them"
        )
    return text


def _soak_duration(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        seconds = parse(text, "time")
    except QuantityError as error:
        near = f"; did you mean {error.nearest!r}?" if error.nearest else ""
        raise UsageError(f"--soak-duration: {error}{near}") from error
    if not seconds > 0:
        raise UsageError(f"--soak-duration {text!r}: expected a time above 0, such as 2h")
    return seconds


def units_by_slot(
    texts: Sequence[str], slots: Sequence[str], wanted: Sequence[str], only: str = ""
) -> dict[str, str]:
    """Return {slot: file}; a file without a slot is for every slot of `wanted` that has none of its own.

    Without anything wanted it is for the stand's only slot, or for `only`. Raises UsageError.
    """
    plain = [text for text in texts if text.partition("=")[0] not in slots]
    named = by_slot([text for text in texts if text not in plain], "--unit", slots, only)
    if not plain:
        return named
    if len(plain) > 1:
        raise UsageError(f"--unit: {plain[0]!r} and {plain[1]!r} name no slot; write SLOT=… for all but one")
    rest = [slot for slot in (wanted or (slots if len(slots) == 1 else ())) if slot not in named]
    if not rest:
        return named | by_slot(plain, "--unit", slots, only)
    return {
        slot: (named | dict.fromkeys(rest, plain[0]))[slot] for slot in slots if slot in named or slot in rest
    }


def unit_files(
    texts: Sequence[str], slots: Sequence[str], stand: Path, wanted: Collection[str] = ()
) -> dict[str, Path]:
    """Return {slot: profile} of the units in the wanted slots of a stand, all by default. Raises UsageError."""
    from hilseq.description.visit import profile_file

    if not texts:
        raise UsageError(NO_UNIT)
    units = units_by_slot(texts, slots, tuple(wanted or slots))
    return {slot: profile_file(text, stand) for slot, text in units.items() if slot in (wanted or slots)}


def slot_of_option(text: str | None, slots: Sequence[str]) -> str:
    """Return the slot that --slot names, empty without one. Raises UsageError."""
    if text is not None and text not in slots:
        from hilseq.description.findings import nearest_word

        near = nearest_word(text, slots)
        raise UsageError(
            f"--slot: there is no slot {text[:40]!r}; expected one of {', '.join(slots)}"
            + (f"; did you mean {near!r}?" if near else "")
        )
    return text or ""


def units_of(
    texts: Sequence[str],
    slots: Sequence[str],
    serials: Mapping[str, str],
    intakes: Mapping[str, Mapping[str, str]],
    only: str = "",
) -> dict[str, str]:
    """Return {slot: profile}, where none is given the part that the intake names. Raises UsageError."""
    units = units_by_slot(texts, slots, tuple(serials), only)
    for slot, said in intakes.items():
        if "part" in said and slot in serials:
            units.setdefault(slot, said["part"])
    if not units:
        raise UsageError(NO_UNIT)
    return units


def _intakes(config: Any, slots: Sequence[str], own: Sequence[str]) -> dict[str, dict[str, str]]:
    """Return what file and notes say about each slot; a note overrides the file."""
    from hilseq.plugin.intake import read_intake, read_notes

    option = config.getoption
    said = read_intake(Path(option("--intake")), slots, own) if option("--intake") else {}
    only = slot_of_option(option("--slot"), slots)
    texts = option("--note")
    if only:  # a note without a slot is for the one that is tested
        texts = [text if "." in text.partition("=")[0] else f"{only}.{text}" for text in texts]
    for slot, notes in read_notes(texts, slots, own).items():
        said[slot] = said.get(slot, {}) | notes
    return {slot: notes for slot, notes in said.items() if only in ("", slot)}


#: Options that make no sense without a twin, and why.
_OF_THE_TWIN = {
    "--defect": "no defect is put into a real unit",
    "--defects": "the kinds are for the simulated twin",
    "--real-timing": "hardware takes the time it takes",
    "--twin": "it names the twin that is used",
}


def read_options(config: Any, slots: Sequence[str], own_intake: Sequence[str] = ()) -> VisitOptions:
    """Return the options of a pytest configuration for a stand with these slots and intake keys of its own.

    Raises UsageError.
    """
    from hilseq.description.visit import profile_file

    option = config.getoption
    stand = Path(option("--stand"))
    only = slot_of_option(option("--slot"), slots)
    intakes = {slot: said for slot, said in _intakes(config, slots, own_intake).items() if only in ("", slot)}
    serials = by_slot(option("--serial"), "--serial", slots, only)
    for slot, said in intakes.items():
        reported = said.get("serial")
        if reported is not None and serials.setdefault(slot, reported) != reported:
            raise UsageError(f"slot {slot}: --serial says {serials[slot]!r}, the intake says {reported!r}")
    units = units_of(option("--unit"), slots, serials, intakes, only)
    for slot in units:
        if slot not in serials and not option("--attended"):
            raise UsageError(
                f"no --serial is given for the unit in slot {slot}; a verdict needs a serial number"
            )
    for slot in serials:
        if slot not in units:
            raise UsageError(f"--serial names slot {slot}, which has no --unit")
    for name, why in _OF_THE_TWIN.items():
        if option(name) and not option("--simulate"):
            raise UsageError(f"{name} works only with --simulate: {why}")
    return VisitOptions(
        stand=stand,
        units={slot: profile_file(text, stand) for slot, text in units.items()},
        serials={slot: serial_number(slot, text) for slot, text in serials.items()},
        simulate=option("--simulate"),
        seed=option("--seed"),
        twin=Path(option("--twin")) if option("--twin") else None,
        real_timing=option("--real-timing"),
        defects=option("--defect"),
        defect_files=tuple(Path(file).absolute() for file in option("--defects")),
        attended=option("--attended"),
        out=Path(option("--out")) if option("--out") else None,
        soak=option("--soak") or option("--soak-duration") is not None,
        soak_duration=_soak_duration(option("--soak-duration")),
        resume=Path(option("--resume")) if option("--resume") else None,
        acknowledge=option("--acknowledge"),
        intakes={slot: intakes.get(slot, {}) for slot in units},
        retest=Path(option("--retest")) if option("--retest") else None,
    )


class NothingPowered(Exit):
    """Ends pytest where nothing was powered yet."""


NothingPowered.__name__ = "hilseq"  # pytest prints it before the words, as the commands do


def refuse(error: object, code: ExitCode = ExitCode.USAGE) -> NoReturn:
    """End the session with what is wrong. pytest's own code for a usage error is that of a stand fault here."""
    raise NothingPowered(f"nothing was powered:\n{error}", returncode=int(code))
