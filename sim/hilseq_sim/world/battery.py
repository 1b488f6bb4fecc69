"""The memory battery: a primary lithium cell with a flat plateau and a fast end.

State of charge falls linearly in time, slowly by itself and faster while it carries the memory; the voltage
is that of a new cell, 6 % less at the end of the plateau, and falls to nothing over the last 15 % of the
charge. Life about five years (common practice, check value 10.1).
"""

from __future__ import annotations

from hilseq_sim.world.timeline import Timeline

_YEAR = 365.25 * 86400.0
_SAG, _KNEE = 0.06, 0.15
#: Years a new cell lasts beside a powered unit, over its stated life.
_SHELF = 2.0
#: Share of the nominal voltage below which memory and clock are lost.
_RETAINS = 0.6


def cell_voltage(new: float, charge: float) -> float:
    """Voltage of a cell that had `new` volts, at a state of charge 0..1."""
    plateau = 1.0 - _SAG * (1.0 - charge)
    return new * plateau * min(1.0, max(0.0, charge) / _KNEE)


class Battery:
    """State of charge and voltage. `drop` (V), `drain` (factor) and `open` are defects."""

    def __init__(
        self, timeline: Timeline, *, new: float, nominal: float, charge: float, years: float
    ) -> None:
        self._timeline = timeline
        self._new = new
        self._nominal = nominal
        self._charge = charge
        self._life = years * _YEAR
        self._since = timeline.now
        self._carries = True
        self._failed = False
        self.drop = 0.0
        self.drain = 1.0
        self.open = 0

    def charge(self) -> float:
        """State of charge now, 0..1."""
        rate = self.drain / self._life if self._carries else 1.0 / (_SHELF * self._life)
        return max(0.0, self._charge - rate * (self._timeline.now - self._since))

    def volts(self) -> float:
        """Voltage now, V."""
        return 0.0 if self.open else max(0.0, cell_voltage(self._new, self.charge()) - self.drop)

    def retains(self) -> bool:
        """Tell whether it has carried memory and clock without a gap since the supply went, until now."""
        return not self._failed and self._holds()

    def anchor(self) -> None:
        """Keep what it has, and whether it held, before a parameter changes."""
        self._failed = self._failed or (self._carries and not self._holds())
        self._charge = self.charge()
        self._since = self._timeline.now

    def carry(self, carries: bool) -> None:
        """Carry the memory (no supply), or rest (supply on)."""
        if carries != self._carries:
            self.anchor()
            self._carries = carries
            self._failed = False

    def _holds(self) -> bool:
        """The voltage only falls between two changes, so it held throughout what it holds at the end of."""
        return self.volts() >= _RETAINS * self._nominal
