"""Before a sign is held against the unit its supply is asked: what that does by itself looks like the unit's doing."""

from __future__ import annotations

from hilseq.procedures.soak.record import Finding
from hilseq.procedures.unit import Unit


def overloads(unit: Unit) -> list[Finding]:
    """Return what the unit does to a supply that has switched itself off; nothing where it has not.

    Raises InstrumentReset for a supply that was without mains, or that switched off without being overloaded: its
    voltage may stand for a while at the capacitors behind it, so that only the current shows at first.
    """
    unit.supply.instrument.check_settings()
    words = unit.supply.overload()
    return [] if words is None else [Finding("overload", "supply", words)]
