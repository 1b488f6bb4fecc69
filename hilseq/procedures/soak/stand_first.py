"""Before a sign is held against the unit the stand is asked whether it still feeds and drives it as it was told to.

What a supply or an I/O simulator does by itself looks like the unit's doing.
"""

from __future__ import annotations

from hilseq.procedures.soak.record import Finding
from hilseq.procedures.unit import Unit


def overloads(unit: Unit) -> list[Finding]:
    """Return what the unit does to a supply that has switched itself off; nothing where it has not.

    Raises InstrumentReset for a supply that was without mains, or that switched off without being overloaded: its
    voltage may stand for a while at the capacitors behind it, so that only the current shows at first. Raises it too
    for an I/O simulator that has let go of its drives.
    """
    unit.supply.instrument.check_settings()
    unit.check_drives()
    words = unit.supply.overload()
    return [] if words is None else [Finding("overload", "supply", words)]
