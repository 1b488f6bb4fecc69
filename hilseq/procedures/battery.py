"""The memory battery: its voltage, its age, and what it kept while the supply was away."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

from hilseq.analysis.uncertainty import rectangular, resolution
from hilseq.errors import NotPerformed
from hilseq.measured import Measured
from hilseq.procedures.unit import Unit

#: Words of the intake: the date of the battery, YYYY-MM-DD or YYYY-MM, and whether it was taken out.
INTAKE_WORD, PULLED = "battery-date", "battery-pulled"
_DAYS_PER_YEAR = 365.25


def must_be_in(unit: Unit) -> None:
    """Raise NotPerformed when intake says that the battery was taken out: nothing can be kept then."""
    if unit.profile.battery is not None and str(unit.intake.get(PULLED, "")).casefold() == "yes":
        raise NotPerformed("the battery is taken out (intake): put one in to see what the unit remembers")


def voltage(unit: Unit) -> Measured:
    """Return the battery's voltage as the unit reports it, V.

    Its uncertainty is that of the unit's own converter, as the profile states it, and of the last digit. Raises
    NotPerformed when there is no register.
    """
    register, battery = unit.profile.link.battery_voltage, unit.profile.battery
    if register is None:
        raise NotPerformed("the profile knows no register with the battery voltage")
    volts = unit.link.read(register)
    converter = 0.0 if battery is None else rectangular(battery.accuracy.limit(volts, 0.0))
    return Measured(volts, "V", math.hypot(converter, resolution(register.step)))


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
    return Measured((today - made).days / _DAYS_PER_YEAR, "years", resolution(1.0 / _DAYS_PER_YEAR))


def in_words(made: dt.date | None, years: float) -> str:
    """Return what the report says of the battery's age."""
    life = f"about {years:g} years (common practice, no source)"
    if made is None:
        return f"its age is not known: give {INTAKE_WORD} at intake; such a battery lasts {life}"
    return f"made {made}; replace it by {replace_by(made, years)}: such a battery lasts {life}"
