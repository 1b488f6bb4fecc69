"""What one output of a supply measures, and how far each of its readings can be trusted.

Asks at once: that a setting has settled before is the business of `supply.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hilseq.analysis.uncertainty import Term, combine, rectangular, resolution
from hilseq.description.accuracy import CertifiedReading, InstrumentConditions, of_certificate
from hilseq.description.supplies import Supply
from hilseq.instruments.protocols import SupplyOutput
from hilseq.measured import Measured


@dataclass(frozen=True, slots=True)
class MeasuredInrush:
    """What a supply recorded since it was switched on `seconds` ago; None where it keeps no record."""

    peak: Measured | None
    charge: Measured | None
    seconds: float


class SupplyMeter:
    """The measuring side of one `output`. Raises what the output raises."""

    def __init__(self, output: SupplyOutput, description: Supply, conditions: InstrumentConditions) -> None:
        self._output = output
        self._description = description
        self._conditions = conditions

    def limit(self, value: float, unit: str) -> float:
        """Largest error at a value, V or A; `of range` means of the ceiling, the range this stand uses."""
        accuracy, ceilings = self._description.accuracy, self._description.ceilings
        if unit == "V":
            return accuracy.voltage.limit(value, ceilings.voltage)
        return accuracy.current.limit(value, ceilings.current)

    def _scatter(self, value: float, unit: str) -> float:
        accuracy, ceilings = self._description.accuracy, self._description.ceilings
        if unit == "V":
            return accuracy.voltage_repeatability.limit(value, ceilings.voltage)
        return accuracy.current_repeatability.limit(value, ceilings.current)

    def voltage(self) -> Measured:
        """Measure the output voltage, V."""
        return self._measured(self._output.measure_voltage(), "V")

    def current(self) -> Measured:
        """Measure the output current, A."""
        return self._measured(self._output.measure_current(), "A")

    def both(self) -> tuple[Measured, Measured]:
        """Measure voltage and current, with one question where the instrument can."""
        volts, amperes = self._output.measure()
        return self._measured(volts, "V"), self._measured(amperes, "A")

    def inrush(self, seconds: float) -> MeasuredInrush | None:
        """Ask what was drawn in the `seconds` since the output was switched on; None without such a record."""
        recorded = self._output.recorded()
        if recorded is None:
            return None
        terms, span = self._description.accuracy.current, self._description.ceilings.current

        def measured(value: float | None, unit: str, time_factor: float) -> Measured | None:
            if value is None:
                return None
            # A charge is a current over time: its constant terms count for every second.
            limit = terms.of_reading * abs(value) + (terms.of_range * span + terms.fixed) * time_factor
            # A peak is one reading that nobody repeats; a charge is made of many.
            scatter = self._scatter(value, unit) if unit == "A" else 0.0
            accuracy = Term(
                "accuracy of the supply's current", rectangular(limit), "rectangular", source="stand file"
            )
            noise = Term("repeatability of the supply's current", scatter, source="stand file")
            return Measured.of(value, unit, accuracy, *([noise] if scatter else []))

        return MeasuredInrush(
            measured(recorded.peak, "A", 1.0), measured(recorded.charge, "As", seconds), seconds
        )

    def waveform(self) -> list[tuple[float, Measured]] | None:
        """Return the recorded currents and their times since the output was switched on, s and A."""
        recorded = self._output.waveform()
        if recorded is None:
            return None
        interval, currents = recorded
        return [(number * interval, self._measured(value, "A")) for number, value in enumerate(currents)]

    def _measured(self, value: float, unit: str) -> Measured:
        """Return a value as a reading: corrected, and known as well as the certificate says, where that has points."""
        terms = list(self._terms(value, unit))
        certified = self._certified(value, unit)
        if certified is not None:
            terms = [certified.term, *(term for term in terms if not term.shared)]
            value += certified.correction
        return Measured.of(value, unit, *terms)

    def _certified(self, value: float, unit: str) -> CertifiedReading | None:
        calibration = self._description.calibration
        if unit == "V":
            return of_certificate(calibration, "voltage_points", "voltage", value, "the supply's voltage")
        return of_certificate(calibration, "current_points", "current", value, "the supply's current")

    def uncertainty(self, value: float, unit: str) -> float:
        """Return the standard uncertainty of a reading, not corrected, in its unit: age and temperature included."""
        return combine(term.value for term in self._terms(value, unit))

    def _terms(self, value: float, unit: str) -> Iterator[Term]:
        what = "voltage" if unit == "V" else "current"
        key = f"stand file: accuracy, {what}"
        yield Term(
            f"accuracy of the supply's {what}",
            rectangular(self.limit(value, unit)),
            "rectangular",
            source=key,
            shared=f"the supply's {what}",
        )
        scatter = self._scatter(value, unit)
        if scatter:
            source = "stand file: accuracy, repeatability"
            yield Term(f"repeatability of the supply's {what}", scatter, source=source, scatters=True)
        digit = self._output.resolution(value, unit)
        if digit:
            name = f"last digit of the supply's {what}"
            yield Term(name, resolution(digit), "rectangular", source="the answers of the supply")
        gained = self._conditions.uncertainty(self._description.calibration, value)
        if gained:
            yield Term(
                "age and temperature since the calibration",
                gained,
                "rectangular",
                source="stand file: calibration",
            )
