"""What one output of a supply measures, and how far each of its readings can be trusted.

Asks at once: that a setting has settled before is the business of `supply.py`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from hilseq.analysis.uncertainty import combine, rectangular
from hilseq.description.stand import Supply
from hilseq.description.supplies import Waveform
from hilseq.errors import InstrumentTimeout
from hilseq.instruments import scpi
from hilseq.instruments.conditions import Conditions
from hilseq.instruments.supply_line import SupplyLine
from hilseq.measured import Measured

#: Two plain numbers, the usual answer; no exponent that could stand for `not a number` (SCPI-1999, 7.2.1).
_PLAIN_PAIR = re.compile(
    r"([+-]?[0-9]{1,6}(?:\.[0-9]{1,12})?)[;,]([+-]?[0-9]{1,6}(?:\.[0-9]{1,12})?)", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Inrush:
    """What a supply recorded since it was switched on `seconds` ago; None where it keeps no record."""

    peak: Measured | None
    charge: Measured | None
    seconds: float


class SupplyMeter:
    """The measuring side of one output, over its `line`.

    Every call raises InstrumentTimeout, InvalidResponse or InstrumentError when the instrument does not do
    its part.
    """

    def __init__(self, line: SupplyLine, description: Supply, conditions: Conditions) -> None:
        self._line = line
        self._description = description
        self._commands = description.commands
        self._conditions = conditions

    def limit(self, value: float, unit: str) -> float:
        """Largest error at a value, V or A; `of range` means of the ceiling, the range this stand uses."""
        accuracy, ceilings = self._description.accuracy, self._description.ceilings
        if unit == "V":
            return accuracy.voltage.limit(value, ceilings.voltage)
        return accuracy.current.limit(value, ceilings.current)

    # -- now

    def voltage(self) -> Measured:
        """Measure the output voltage, V."""
        command = self._commands.measure_voltage
        return self.both()[0] if command is None else self._measured(self._line.number(command, "V"), "V")

    def current(self) -> Measured:
        """Measure the output current, A."""
        command = self._commands.measure_current
        return self.both()[1] if command is None else self._measured(self._line.number(command, "A"), "A")

    def both(self) -> tuple[Measured, Measured]:
        """Measure voltage and current, with one question where the instrument can."""
        command = self._commands.measure_both
        if command is None:
            return self.voltage(), self.current()
        volts, amperes = self._line.parsed(command, self._line.ask(command), _pair)
        return self._measured(volts, "V"), self._measured(amperes, "A")

    def ask_both(self) -> None:
        """Send the question for voltage and current, or for the voltage where there is none for both."""
        self._line.begin(self._commands.measure_both or self._single(self._commands.measure_voltage))

    def answer_both(self) -> tuple[float, float]:
        """Return voltage (V) and current (A) after `ask_both`."""
        command = self._commands.measure_both
        text = self._line.answer()
        if command is None:
            volts = self._line.parsed(
                self._single(self._commands.measure_voltage),
                text,
                lambda text: scpi.parse_measurement(text, "V"),
            )
            return volts, self._line.number(self._single(self._commands.measure_current), "A")
        plain = _PLAIN_PAIR.fullmatch(text)
        if plain is not None:
            return float(plain[1]), float(plain[2])
        return self._line.parsed(command, text, _pair)

    @staticmethod
    def _single(command: str | None) -> str:
        """Return the query of a supply that has none for both: the description lets none be without either."""
        if command is None:
            raise RuntimeError("the supply has no query for this, and none for both")
        return command

    # -- recorded while it was switched on

    def inrush(self, seconds: float) -> Inrush | None:
        """Ask what was drawn in the `seconds` since the output was switched on; None without such a record."""
        peak, charge = self._commands.measure_peak_current, self._commands.measure_charge
        if peak is None and charge is None:
            return None
        terms, span = self._description.accuracy.current, self._description.ceilings.current
        found = {}
        for name, command, unit, time_factor in (("peak", peak, "A", 1.0), ("charge", charge, "As", seconds)):
            if command is not None:
                value = self._line.number(command, unit)
                # A charge is a current over time: its constant terms count for every second.
                limit = terms.of_reading * abs(value) + (terms.of_range * span + terms.fixed) * time_factor
                found[name] = Measured(value, unit, rectangular(limit))
        return Inrush(found.get("peak"), found.get("charge"), seconds)

    def record(self, command: str, known: Waveform) -> list[tuple[float, Measured]]:
        """Return the recorded currents and their times since the output was switched on, s and A."""
        try:
            answer = self._line.ask(command)
        except InstrumentTimeout as error:
            if self._commands.arm_waveform is None:
                hint = "a supply that records only when it is told to needs `arm-waveform` in the stand file"
                raise InstrumentTimeout(f"{error}; {hint}") from error
            raise
        currents = self._line.parsed(
            command, answer, lambda text: scpi.parse_record(text, "A", known.readings)
        )
        return [
            (number * known.interval, self._measured(value, "A")) for number, value in enumerate(currents)
        ]

    def _measured(self, value: float, unit: str) -> Measured:
        return Measured(value, unit, self.uncertainty(value, unit))

    def uncertainty(self, value: float, unit: str) -> float:
        """Return the standard uncertainty of a reading, with what age and temperature add, in its unit."""
        gained = self._conditions.uncertainty(self._description.calibration, value)
        return combine([rectangular(self.limit(value, unit)), gained])


def _pair(text: str) -> tuple[float, float]:
    volts, amperes = scpi.parse_measurements(text, ("V", "A"))
    return volts, amperes
