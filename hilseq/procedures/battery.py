"""The memory battery: its voltage, its age, and what it kept while the supply was away."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import Term, last_digit, rectangular, resolution
from hilseq.clock import Clock
from hilseq.description.profile import Profile
from hilseq.errors import NotPerformed, UnitFault
from hilseq.measured import Measured
from hilseq.procedures import clock_check
from hilseq.procedures.cycling import Start, start_once
from hilseq.procedures.unit import Unit
from hilseq.statements import compared

#: Words of the intake: the date of the battery, YYYY-MM-DD or YYYY-MM, and whether it was taken out.
INTAKE_WORD, PULLED = "battery-date", "battery-pulled"
_DAYS_PER_YEAR = 365.25


def must_be_in(unit: Unit) -> None:
    """Raise NotPerformed when intake says that the battery was taken out: nothing can be kept then."""
    if unit.profile.battery is not None and _is_taken_out(unit):
        raise NotPerformed("the battery is taken out (intake): put one in to see what the unit remembers")


def _is_taken_out(unit: Unit) -> bool:
    return str(unit.intake.get(PULLED, "")).casefold() == "yes"


@dataclass(frozen=True, slots=True)
class WithoutSupply:
    """What one long time without supply, s, has left of a unit: how it started, its clock, its configuration.

    `clock` is what it gained, with limits in s, or why that is not known; `configuration` is what is wrong with it.
    None where the profile claims nothing.
    """

    seconds: float
    start: Start
    clock: tuple[Measured, Limits] | UnitFault | None
    configuration: UnitFault | None

    def gained(self) -> tuple[Measured, Limits]:
        """Return what the clock gained, and limits, s. Raises UnitFault where it stood or did not answer."""
        if isinstance(self.clock, UnitFault):
            raise self.clock
        assert self.clock is not None, "the profile states nothing about the clock"
        return self.clock

    def assert_configuration(self) -> None:
        """Raise UnitFault when the configuration was not kept."""
        compared()
        if self.configuration is not None:
            raise self.configuration


def longest_off(profile: Profile) -> float:
    """Return the longest time without supply that the profile names for anything, s: cold is cold after that."""
    clock, memory, cycling, soak = profile.clock, profile.configuration, profile.cycling, profile.soak
    return max(
        profile.start.off_time,
        0.0 if clock is None else clock.kept_for,
        0.0 if memory is None else memory.kept_for,
        0.0 if cycling is None else cycling.off,
        0.0 if soak is None or soak.cycles is None else soak.cycles.off,
    )


def without_supply(unit: Unit, clock: Clock) -> WithoutSupply:
    """Take the supply away for the longest time that the profile names; see what the unit does and has kept.

    Raises UnitFault when it does not start again.
    """
    profile, before = unit.profile, None
    drifted: tuple[Measured, Limits] | UnitFault | None = None
    lost: UnitFault | None = None
    # Where the unit takes any content, what is kept is kept at both values of every bit.
    other = profile.configuration is not None and profile.configuration.any_content
    kept = unit.configuration.complement if other else None
    if profile.configuration is not None:
        lost = _fault_of(partial(unit.configuration.load, kept))
    try:
        if profile.clock is not None and profile.link.clock is not None:
            before = clock_check.look(unit, clock)
    except UnitFault as fault:
        drifted = fault
    seconds = longest_off(profile)
    start = start_once(unit, 1, "cold", seconds)
    if start.took is None:
        raise UnitFault(f"after {seconds:g} s without supply: {start.wrong}", places=["start", *start.places])
    try:
        if before is not None:
            drifted = clock_check.gained_since(unit, before, clock)
    except UnitFault as fault:
        drifted = fault
    if profile.configuration is not None:
        lost = lost or _fault_of(partial(unit.configuration.compare, kept))
    if other:
        refused = _fault_of(unit.configuration.load)
        lost = lost or refused
    return WithoutSupply(seconds, start, drifted, lost)


def _fault_of(act: Callable[[], None]) -> UnitFault | None:
    """Return what the unit does wrong in this; None where nothing."""
    try:
        act()
    except UnitFault as fault:
        return fault
    return None


def voltage(unit: Unit) -> Measured:
    """Return the battery's voltage as the unit reports it, V.

    Its uncertainty is that of the unit's own converter, as the profile states it, and of the last digit. Raises
    NotPerformed when there is no register.
    """
    register, battery = unit.profile.link.battery_voltage, unit.profile.battery
    if register is None:
        raise NotPerformed("the profile knows no register with the battery voltage")
    volts = unit.link.read(register)
    terms = [
        Term("last digit of the unit", last_digit(register.step), "rectangular", source="profile: register")
    ]
    if battery is not None:
        converter = rectangular(battery.accuracy.limit(volts, 0.0))
        terms.append(
            Term("the unit's own converter", converter, "rectangular", source="profile: battery, accuracy")
        )
    return Measured.of(volts, "V", *terms)


def low_voltage(unit: Unit) -> Measured | None:
    """Return the battery's voltage, V, where it surely is below the lowest that the profile allows; None elsewhere."""
    described = unit.profile.battery
    if described is None or unit.profile.link.battery_voltage is None or _is_taken_out(unit):
        return None
    volts = voltage(unit)
    return volts if described.lowest - volts.value > volts.expanded_uncertainty else None


def made_on(intake: Mapping[str, Any]) -> dt.date | None:
    """Return the date of the battery that was given at intake; None when none was.

    A month counts from its first day. Raises NotPerformed when it is no date.
    """
    given = intake.get(INTAKE_WORD)
    if given is None or given == "":
        return None
    if isinstance(given, dt.datetime):
        return given.date()
    if isinstance(given, dt.date):
        return given
    text = str(given).strip()
    try:
        return dt.date.fromisoformat(f"{text}-01" if len(text) == len("YYYY-MM") else text)
    except ValueError:
        raise NotPerformed(
            f"{INTAKE_WORD} {text[:40]!r} of the intake is no date; expected YYYY-MM-DD or YYYY-MM"
        ) from None


def replace_by(made: dt.date, years: float) -> dt.date:
    """Return the day until which the battery may stay in, `years` after it was made."""
    return made + dt.timedelta(days=round(years * _DAYS_PER_YEAR))


def age(made: dt.date, today: dt.date) -> Measured:
    """Return the age of a battery in years. Raises NotPerformed for a date to come."""
    if made > today:
        raise NotPerformed(f"{INTAKE_WORD} {made} of the intake lies in the future: mistyped?")
    # The day is known to the day.
    day = Term("to the day", resolution(1.0 / _DAYS_PER_YEAR), "rectangular", source="dates")
    return Measured.of((today - made).days / _DAYS_PER_YEAR, "years", day)


def in_words(made: dt.date | None, years: float) -> str:
    """Return what the report says about the battery's age."""
    life = f"about {years:g} years (common practice, no source)"
    if made is None:
        return f"its age is not known: give {INTAKE_WORD} at intake; such a battery lasts {life}"
    return f"made {made}; replace it by {replace_by(made, years)}: such a battery lasts {life}"
