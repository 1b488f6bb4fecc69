"""The digital points of a unit: outputs commanded and sensed, inputs driven and reported."""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.clock import Clock
from hilseq.description.profile import InputPoint, OutputPoint
from hilseq.instruments.register_bank import RegisterBank
from hilseq.instruments.signals import SignalBank


class Outputs:
    """The digital outputs: commanded over the link, sensed by the stand.

    `sensors` maps each output to the signal that senses it and the value from which it counts as on.
    """

    def __init__(
        self,
        points: Mapping[str, OutputPoint],
        commands: RegisterBank,
        signals: SignalBank,
        sensors: Mapping[str, tuple[str, float]],
        clock: Clock,
    ) -> None:
        self.names = tuple(points)
        self._commands = commands
        self._signals = signals
        self._sensors = sensors
        self._clock = clock
        self._settle = max((point.settle for point in points.values()), default=0.0)

    def command(self, *on: str) -> None:
        """Command the named outputs on and all others off, without waiting."""
        self._commands.write_many({name: float(name in on) for name in self.names})

    def drive(self, *on: str) -> dict[str, bool]:
        """Command the named outputs on and all others off; return what the stand senses then."""
        self.command(*on)
        self._clock.sleep(self._settle)
        return self.sensed()

    def sensed(self) -> dict[str, bool]:
        """Return for each output whether the stand senses it on."""
        seen = self._signals.snapshot()
        return {name: seen[signal] >= level for name, (signal, level) in self._sensors.items()}


class Inputs:
    """The digital inputs: driven by the stand, reported over the link.

    `drives` maps each input to the signal that drives it and the value that means on.
    """

    def __init__(
        self,
        points: Mapping[str, InputPoint],
        reports: RegisterBank,
        signals: SignalBank,
        drives: Mapping[str, tuple[str, float]],
        clock: Clock,
    ) -> None:
        self.names = tuple(points)
        self._reports = reports
        self._signals = signals
        self._drives = drives
        self._clock = clock
        self._settle = max((point.settle for point in points.values()), default=0.0)

    def drive(self, *on: str) -> dict[str, bool]:
        """Drive the named inputs and let go of all others; return what the unit reports then."""
        self._signals.write_many(
            {signal: level if name in on else 0.0 for name, (signal, level) in self._drives.items()}
        )
        self._clock.sleep(self._settle)
        return self.reported()

    def let_go(self) -> None:
        """Drive none, without waiting."""
        self._signals.write_many({signal: 0.0 for signal, _ in self._drives.values()})

    def reported(self) -> dict[str, bool]:
        """Return for each input whether the unit reports it on."""
        return {name: bool(value) for name, value in self._reports.snapshot().items()}

