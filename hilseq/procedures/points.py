"""The digital points of a unit: outputs commanded and sensed, inputs driven and reported."""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.clock import Clock
from hilseq.description.nearest import must_be_known
from hilseq.description.profile import InputPoint, OutputPoint
from hilseq.instruments.protocols import NamedValues
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured
from hilseq.procedures.terminals import Sensor
from hilseq.quantities import base_unit


class Outputs:
    """The digital outputs: commanded over the link, sensed by the stand.

    `sensors` maps each output to the signal that senses it, `voltmeters` those whose voltage is measured to the
    signal that does.
    """

    def __init__(
        self,
        points: Mapping[str, OutputPoint],
        commands: NamedValues,
        signals: SignalBank,
        sensors: Mapping[str, Sensor],
        clock: Clock,
        *,
        voltmeters: Mapping[str, str] | None = None,
    ) -> None:
        self.names = tuple(points)
        #: Longest time until every output follows, s.
        self.settle = max((point.settle for point in points.values()), default=0.0)
        self._commands = commands
        self._signals = signals
        self._sensors = sensors
        self._clock = clock
        self._voltmeters = dict(voltmeters or {})

    def command(self, *on: str) -> None:
        """Command the named outputs on and all others off, without waiting. Raises LookupError for no output."""
        must_be_known("output", on, self.names)
        self._commands.write_many({name: float(name in on) for name in self.names})

    def drive(self, *on: str) -> dict[str, bool]:
        """Command the named outputs on and all others off; return what the stand senses then."""
        self.command(*on)
        self._clock.sleep(self.settle)
        return self.sensed()

    def sensed(self) -> dict[str, bool]:
        """Return for each output whether the stand senses it on."""
        seen = self._signals.snapshot(sensor.name for sensor in self._sensors.values())
        return {name: sensor.band.counts_as_on(seen[sensor.name]) for name, sensor in self._sensors.items()}

    def seen(self) -> dict[str, bool]:
        """Return the same under the name that inputs and outputs share."""
        return self.sensed()

    def volts(self) -> dict[str, Measured]:
        """Return the voltage at each terminal that the stand measures, V, by one look at all of them."""
        found = self._signals.measure_many(self._voltmeters.values())
        return {name: found[signal].in_base_unit() for name, signal in self._voltmeters.items()}


class Inputs:
    """The digital inputs: driven by the stand, reported over the link.

    `drives` maps each input to the signal that drives it and the value that means on.
    """

    def __init__(
        self,
        points: Mapping[str, InputPoint],
        reports: NamedValues,
        signals: SignalBank,
        drives: Mapping[str, tuple[str, float]],
        clock: Clock,
    ) -> None:
        self.names = tuple(points)
        #: Longest time until every report follows, s.
        self.settle = max((point.settle for point in points.values()), default=0.0)
        self._reports = reports
        self._signals = signals
        self._drives = drives
        self._clock = clock

    def command(self, *on: str) -> None:
        """Drive the named inputs and let go of all others; the terminals have it when this returns.

        Raises LookupError for no input.
        """
        must_be_known("input", on, self.names)
        self._signals.write_many(
            {signal: level if name in on else 0.0 for name, (signal, level) in self._drives.items()}
        )

    def drive(self, *on: str) -> dict[str, bool]:
        """Drive the named inputs and let go of all others; return what the unit reports then."""
        self.command(*on)
        self._clock.sleep(self.settle)
        return self.reported()

    def drive_volts(self, volts: Mapping[str, float]) -> dict[str, bool]:
        """Drive some inputs with voltages (V) of their own; return what the unit reports then.

        Only inputs that the stand drives with a voltage; the others stay as they are.
        """
        values = {}
        for name, level in volts.items():
            signal = self._drives[name][0]
            values[signal] = level / base_unit(self._signals.signals[signal].unit)[1]
        self._signals.write_many(values)
        self._clock.sleep(self.settle)
        return self.reported()

    def drive_uncertainty(self, name: str, volts: float) -> float:
        """Return how well a voltage at an input is known, standard uncertainty in V."""
        signal = self._drives[name][0]
        factor = base_unit(self._signals.signals[signal].unit)[1]
        return self._signals.uncertainty(signal, volts / factor) * factor

    def release(self) -> None:
        """Drive none, without waiting for the unit."""
        self.command()

    def reported(self) -> dict[str, bool]:
        """Return for each input whether the unit reports it on."""
        return {name: bool(value) for name, value in self._reports.snapshot().items()}

    def seen(self) -> dict[str, bool]:
        """Return the same under the name that inputs and outputs share."""
        return self.reported()
