"""Outputs under their load: the voltage they lose when on, what they let through when off."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from hilseq.analysis.limits import Limits
from hilseq.clock import Clock
from hilseq.measured import Measured
from hilseq.procedures.limits import OutputLimits
from hilseq.procedures.patterns import PATIENCE
from hilseq.procedures.points import Outputs


@dataclass(frozen=True, slots=True)
class Loaded:
    """One output under its load: drop when on (V), voltage when off (V), leakage (A) where it can be told."""

    drop: Measured
    off_voltage: Measured
    leakage: Measured | None

    def against(self, limits: OutputLimits) -> Iterator[tuple[str, Measured, Limits]]:
        """Return what is to be judged: name, reading, limits, as far as both are known."""
        yield "voltage when off", self.off_voltage, limits.off_voltage
        if limits.drop is not None:
            yield "voltage drop when on", self.drop, limits.drop
        if limits.leakage is not None and self.leakage is not None:
            yield "leakage when off", self.leakage, limits.leakage


def measure_loaded(
    outputs: Outputs, supply_voltage: Callable[[], Measured], loads: dict[str, float], clock: Clock
) -> dict[str, Loaded]:
    """Measure every output whose terminal the stand measures, all on together and all off together.

    The drop is the supply's own voltage minus that of the terminal, so the wires to the unit count, too.
    `loads` are the resistances (Ohm) from terminals to 0 V, where the stand file states them: off, an output
    leaks I = V / R. All are commanded off afterwards.
    """
    patience = PATIENCE * outputs.settle
    try:
        outputs.command(*outputs.names)
        clock.sleep(patience)
        on, supply = outputs.volts(), supply_voltage()
    finally:
        outputs.command()
    clock.sleep(patience)
    off = outputs.volts()
    return {
        name: Loaded(
            supply - on[name],
            off[name],
            _leakage(off[name], loads[name]) if name in loads else None,
        )
        for name in on
    }


def _leakage(volts: Measured, ohms: float) -> Measured:
    return Measured(volts.value / ohms, "A", volts.standard_uncertainty / ohms, volts.degrees_of_freedom)
