"""Which signal of the stand is wired to which terminal of a slot."""

from __future__ import annotations

from hilseq.description.registers import RegisterType
from hilseq.description.stand import Signal, Stand
from hilseq.errors import UsageError

#: A voltage from this share of the rated supply on counts as on.
ON_SHARE = 0.5


class Wiring:
    """The wiring of one slot."""

    def __init__(self, stand: Stand, slot: str) -> None:
        self._slot = slot
        self._sensing: dict[str, list[tuple[str, Signal]]] = {}
        self._driving: dict[str, tuple[str, Signal]] = {}
        for name, signal in stand.signals.items():
            if signal.senses is not None and signal.senses.partition(".")[0] == slot:
                self._sensing.setdefault(signal.senses.partition(".")[2], []).append((name, signal))
            if signal.drives is not None and signal.drives.partition(".")[0] == slot:
                self._driving[signal.drives.partition(".")[2]] = (name, signal)

    def drives(self) -> list[str]:
        """Names of every signal that drives this slot."""
        return [name for name, _ in self._driving.values()]

    def drive_of(self, terminal: str) -> str | None:
        """Name of the signal that drives the terminal, if any."""
        found = self._driving.get(terminal)
        return found[0] if found else None

    def drive(self, terminal: str, supply: float) -> tuple[str, float]:
        """Return the signal that drives a digital input, and its value for on. Raises UsageError."""
        found = self._driving.get(terminal)
        if found is None:
            raise UsageError(f"no signal of the stand drives {self._slot}.{terminal}")
        name, signal = found
        return name, 1.0 if signal.kind is RegisterType.BIT else supply

    def sensor_of_bit(self, terminal: str) -> str | None:
        """Name of a one-bit signal that senses the terminal, if any."""
        for name, signal in self._sensing.get(terminal, []):
            if signal.kind is RegisterType.BIT:
                return name
        return None

    def sensor_of_unit(self, terminal: str, unit: str) -> str | None:
        """Name of a signal that senses the terminal in `unit` (V, mA, degC), if any."""
        for name, signal in self._sensing.get(terminal, []):
            if signal.unit == unit:
                return name
        return None

    def sensor(self, terminal: str, supply: float) -> tuple[str, float]:
        """Return the signal that senses a digital output, and the value from which it counts as on.

        A one-bit signal is preferred to a voltage. Raises UsageError when there is neither.
        """
        bit = self.sensor_of_bit(terminal)
        if bit is not None:
            return bit, 0.5
        for unit, factor in (("V", 1.0), ("mV", 1e3)):
            name = self.sensor_of_unit(terminal, unit)
            if name is not None:
                return name, ON_SHARE * supply * factor
        raise UsageError(f"no signal of the stand senses {self._slot}.{terminal}")
