"""Which signal of a stand is wired to which terminal of a slot, which slots a part of it serves, what its channels say.

Two channels of one terminal that contradict each other prove a fault of the stand. What one channel alone shows can
be the unit as well as the channel or the wire; no stand can tell that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

from hilseq.analysis.agreement import LOGIC, LevelBand, agree, contradict, voltage_band
from hilseq.analysis.uncertainty import largest_error, rectangular
from hilseq.description.accuracy import of_signal
from hilseq.description.stand import Signal, Stand
from hilseq.errors import StandFault, UsageError
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured
from hilseq.quantities import SYMBOLS, base_unit, dimension_of


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel that senses a terminal, and what its values mean; `per_volt` is 0 for a logic channel."""

    name: str
    signal: Signal
    band: LevelBand
    per_volt: float

    def shown(self, value: float) -> str:
        """Return a value of the channel as text."""
        return f"{value:.5g} {self.signal.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class OutputLevel:
    """What a signal shows of an output: whether it is on, and how long it may take to switch off, s."""

    output: str
    signal: str
    is_on: Callable[[float], bool]
    settle: float


def sensor_of(name: str, signal: Signal, supply: float) -> Sensor | None:
    """Return the sensor that a signal is, at a rated supply in V; None when it is neither logic nor a voltage."""
    if signal.is_bit:
        return Sensor(name, signal, LOGIC, 0.0)
    dimension, to_volts, *_ = SYMBOLS.get(signal.unit, ("", 1.0))
    if dimension != "voltage":
        return None
    per_volt = 1.0 / to_volts
    error = largest_error(of_signal(signal, supply * per_volt))
    return Sensor(name, signal, voltage_band(supply, per_volt, error), per_volt)


def contradiction(
    terminal: str,
    sensors: Iterable[Sensor],
    seen: Mapping[str, float],
    uncertainty: Callable[[str, float], float],
) -> StandFault | None:
    """Return the fault that two readings of one terminal, taken together, prove; None when they agree.

    `uncertainty` tells the standard uncertainty of a channel at a value (`SignalBank.uncertainty`). The places are
    the two channels, the one that shows less first.
    """
    for first, second in combinations(sensors, 2):
        if _agree(first, second, seen, uncertainty):
            continue
        less, more = sorted((first, second), key=lambda sensor: _share(sensor, seen[sensor.name]))
        return StandFault(
            f"terminal {terminal} is sensed twice and the two contradict each other: {more.name} shows "
            f"{more.shown(seen[more.name])}, {less.name} shows {less.shown(seen[less.name])}; one of the channels, "
            "or its wire, is broken",
            places=(less.name, more.name),
        )
    return None


def _share(sensor: Sensor, value: float) -> float:
    """Return a value as a share of what surely means on, so that channels can be put in order."""
    return abs(value) / sensor.band.on


def _agree(
    one: Sensor, other: Sensor, seen: Mapping[str, float], uncertainty: Callable[[str, float], float]
) -> bool:
    a, b = seen[one.name], seen[other.name]
    if contradict(one.band.level(a), other.band.level(b)):
        return False
    if not (one.per_volt and other.per_volt):
        return True
    errors = [largest_error(uncertainty(s.name, seen[s.name])) / s.per_volt for s in (one, other)]
    return agree(a / one.per_volt, b / other.per_volt, *errors)


class SlotWiring:
    """The wiring of one slot."""

    def __init__(self, stand: Stand, slot: str) -> None:
        self._slot = slot
        self._ports = stand.slots[slot].ports
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

    def senses(self) -> dict[str, Signal]:
        """Every signal that senses this slot, by name."""
        return {name: signal for signals in self._sensing.values() for name, signal in signals}

    def sensing(self, terminal: str) -> dict[str, Signal]:
        """Every signal that senses the terminal, by name."""
        return dict(self._sensing.get(terminal, []))

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
        return name, 1.0 if signal.is_bit else supply / base_unit(signal.unit)[1]

    def drives_with_a_voltage(self, terminal: str) -> bool:
        """Return whether the signal that drives the terminal is a voltage, not a switch."""
        found = self._driving.get(terminal)
        return found is not None and not found[1].is_bit and base_unit(found[1].unit)[0] == "V"

    def voltmeter(self, terminal: str) -> str | None:
        """Name of the signal that measures the voltage of a terminal, if any."""
        for name, signal in self._sensing.get(terminal, []):
            if not signal.is_bit and base_unit(signal.unit)[0] == "V":
                return name
        return None

    def makes_any_speed(self, port: str) -> bool:
        """Return whether the adapter of a port of the unit makes any speed."""
        return port in self._ports and self._ports[port].speed_accuracy is not None

    def load(self, terminal: str) -> Measured | None:
        """Return the load from a measured terminal to 0 V in Ohm, where the stand file states it."""
        for _, signal in self._sensing.get(terminal, []):
            if signal.load is not None:
                return Measured(signal.load, "Ohm", rectangular(signal.load_tolerance * signal.load))
        return None

    def analog(self, terminal: str, dimension: str) -> str | None:
        """Name of the signal that drives, else senses, a quantity of this dimension at the terminal."""
        own = [self._driving[terminal]] if terminal in self._driving else []
        for name, signal in (*own, *self._sensing.get(terminal, [])):
            if not signal.is_bit and signal.unit and dimension_of(signal.unit) == dimension:
                return name
        return None

    def sensor_of_bit(self, terminal: str) -> str | None:
        """Name of a one-bit signal that senses the terminal, if any."""
        for name, signal in self._sensing.get(terminal, []):
            if signal.is_bit:
                return name
        return None

    def sensor_of_unit(self, terminal: str, unit: str) -> str | None:
        """Name of a signal that senses the terminal in `unit` (V, mA, degC), if any."""
        for name, signal in self._sensing.get(terminal, []):
            if signal.unit == unit:
                return name
        return None

    def sensors(self, terminal: str, supply: float) -> list[Sensor]:
        """Return every signal that tells whether a terminal is on, at a rated supply in V; logic channels first."""
        found = [sensor_of(name, signal, supply) for name, signal in self._sensing.get(terminal, [])]
        return sorted((one for one in found if one is not None), key=lambda one: one.per_volt > 0.0)

    def sensor(self, terminal: str, supply: float) -> Sensor:
        """Return the signal that senses a digital output, a logic channel before a voltage. Raises UsageError."""
        sensors = self.sensors(terminal, supply)
        if not sensors:
            raise UsageError(f"no signal of the stand senses {self._slot}.{terminal}")
        return sensors[0]


class ReadBacks:
    """The loop-backs at the terminals: whether a drive is there, at this moment."""

    def __init__(self, stand: Stand, signals: SignalBank) -> None:
        self._signals = signals
        self._senses = {
            loop.drive: loop.sense
            for loop in stand.loopbacks.values()
            if stand.signals[loop.drive].unit == stand.signals[loop.sense].unit
        }

    def contradicted(self, driven: Mapping[str, float]) -> list[str]:
        """Return which of these drives, each given a value in its unit, do not show that at their terminals now."""
        senses = {drive: self._senses[drive] for drive in driven if drive in self._senses}
        seen = self._signals.fresh(tuple(senses.values())) if senses else {}
        return [
            drive
            for drive, sense in senses.items()
            if abs(seen[sense] - driven[drive]) > self._allowed(drive, sense, driven[drive])
        ]

    def _allowed(self, drive: str, sense: str, value: float) -> float:
        if self._signals.signals[sense].is_bit:
            return 0.5
        return sum(largest_error(self._signals.uncertainty(name, value)) for name in (drive, sense))


def served_by(stand: Stand, part: str) -> frozenset[str]:
    """Return the slots that a fault of a part (`supply main`, `io rack`, a signal) can reach.

    Every slot of the stand where that cannot be determined: an interlock, a spare path, an unknown word.
    """
    everyone = frozenset(stand.slots)
    sort, _, name = part.partition(" ")
    if sort == "supply" and name in stand.supplies:
        return frozenset(slot for slot, place in stand.slots.items() if place.supply == name) or everyone
    if sort == "io" and name in stand.io:
        mine = [_slots_of(stand, signal) for signal, at in stand.signals.items() if at.io == name]
        return frozenset().union(*mine) or everyone
    return (_slots_of(stand, part) if part in stand.signals else everyone) or everyone


def _slots_of(stand: Stand, name: str) -> frozenset[str]:
    """Return the slots of a signal: none for a free one, all for that of an interlock."""
    if any(interlock.signal == name for interlock in stand.safety.interlocks.values()):
        return frozenset(stand.slots)
    signal = stand.signals[name]
    terminal = signal.drives or signal.senses
    if terminal is not None:
        return frozenset({terminal.partition(".")[0]})
    drives = [stand.signals[loop.drive].drives for loop in stand.loopbacks.values() if loop.sense == name]
    return frozenset(drive.partition(".")[0] for drive in drives if drive is not None)


def parts_of(stand: Stand, slots: tuple[str, ...]) -> list[str]:
    """Return the instruments that serve some slots: `supply main`, `io rack`, in the stand file's order."""
    parts = [*(f"supply {name}" for name in stand.supplies), *(f"io {name}" for name in stand.io)]
    return [part for part in parts if served_by(stand, part) & set(slots)]
