"""The digital points of a unit: outputs commanded and sensed, inputs driven and reported.

Outputs are also measured under their load: the voltage they lose when on, what they let through when off. On stands
that drive inputs with a voltage, the levels at which they change over are searched, all at once, by bisection: each
trial begins from the state it must leave, so that hysteresis is measured and not guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from hilseq.analysis.limits import Limits
from hilseq.analysis.search import Bisection
from hilseq.analysis.uncertainty import Term, largest_error, rectangular
from hilseq.clock import Clock
from hilseq.description.accuracy import THRESHOLD_FINENESS
from hilseq.description.findings import must_be_known
from hilseq.description.points import InputPoint, OutputPoint
from hilseq.errors import StandFault, UnitFault
from hilseq.instruments.protocols import NamedValues
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured, averaged
from hilseq.procedures.limits import OutputLimits
from hilseq.procedures.patterns import PATIENCE
from hilseq.procedures.wiring import OutputLevel, Sensor
from hilseq.quantities import base_unit

#: A read may be older than any that was seen while the age of reads was measured, by up to this factor: scans come
#: early or late, and a few looks hardly meet the worst (a fifth of a scan each way: a choice, no source). Only the
#: earliest time at which a point may have followed depends on it.
_OLDER = 1.3


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
        self._points = points
        #: Longest time until every output follows, s.
        self.settle = max((point.settle for point in points.values()), default=0.0)
        self._commands = commands
        self._signals = signals
        self._sensors = sensors
        self._clock = clock
        self._voltmeters = dict(voltmeters or {})
        #: Called with true before any output is commanded on, with false when all have been commanded off.
        self.commanding: Callable[[bool], None] = lambda _: None

    def command(self, *on: str) -> None:
        """Command the named outputs on and all others off, without waiting. Raises LookupError for no output."""
        must_be_known("output", on, self.names)
        if on:
            self.commanding(True)
        self._commands.write_many({name: float(name in on) for name in self.names})
        if not on:  # the time to switch off runs from here: the command may take its time to reach the unit
            self.commanding(False)

    #: The link has no terminals to wait for.
    command_at_once = command

    def drive(self, *on: str) -> dict[str, bool]:
        """Command the named outputs on and all others off; return what the stand senses then."""
        self.command(*on)
        self._clock.sleep(self.settle)
        return self.sensed()

    def levels(self) -> Iterator[OutputLevel]:
        """Yield for each output what the signal that senses it shows of it."""
        for name, sensor in self._sensors.items():
            yield OutputLevel(name, sensor.name, sensor.band.counts_as_on, self._points[name].settle)

    @property
    def lag(self) -> float:
        """How much later than its terminal the stand may show an output, s."""
        return self._signals.lag(sensor.name for sensor in self._sensors.values())

    @property
    def longest_lag(self) -> float:
        """How much later a look may show it where scans come early or late, s."""
        return _OLDER * self.lag

    def sensed(self) -> dict[str, bool]:
        """Return for each output whether the stand senses it on now: the lag of its channels is waited for."""
        self._clock.sleep(self.lag)
        return self.seen()

    def seen(self) -> dict[str, bool]:
        """Return for each output whether its channel shows it on, at once."""
        seen = self._signals.snapshot(sensor.name for sensor in self._sensors.values())
        return {name: sensor.band.counts_as_on(seen[sensor.name]) for name, sensor in self._sensors.items()}

    @property
    def measured(self) -> tuple[str, ...]:
        """The outputs whose voltage the stand measures."""
        return tuple(self._voltmeters)

    def voltmeter(self, name: str) -> str:
        """Return the signal that measures the voltage at an output's terminal."""
        return self._voltmeters[name]

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
        self._command(on, settle=True)

    def command_at_once(self, *on: str) -> None:
        """Do the same without waiting for the terminals: they have it within `lag`."""
        self._command(on, settle=False)

    def _command(self, on: tuple[str, ...], *, settle: bool) -> None:
        must_be_known("input", on, self.names)
        values = {signal: level if name in on else 0.0 for name, (signal, level) in self._drives.items()}
        self._signals.write_many(values, settle=settle)

    def driven(self, on: Mapping[str, bool]) -> dict[str, float]:
        """Return the drives of inputs, each with the value that means whether it is on."""
        return {signal: level if on[n] else 0.0 for n, (signal, level) in self._drives.items() if n in on}

    @property
    def lag(self) -> float:
        """How much later than it was driven a terminal may have it, s; the unit reports its inputs itself."""
        return self._signals.drive_lag(signal for signal, _ in self._drives.values())

    @property
    def longest_lag(self) -> float:
        """The same: the way there and back, by which it is measured, is the longer one, s."""
        return self.lag

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


#: A reading is impossible when it lies so many times the largest error of the stand beyond what can be.
_IMPOSSIBLE = 2.0
#: What the readings of a loaded output are called.
_OFF, _DROP, _LEAKAGE = "voltage when off", "voltage drop when on", "leakage when off"
#: An output that loses less than this share of what the others do carries no load (common practice, no source).
_UNLOADED = 0.25
#: An output that loses so many times what the others do may carry a load that is as many times too small, which lets
#: less of its leakage be seen (as far as outputs of one unit lie apart: common practice, no source).
_SMALL_LOAD = 1.25
#: A tolerance takes at most this share of a load: one that may be nothing is none.
_LEAST_LOAD = 0.9
#: How many others say what is usual, at least.
_OTHERS = 3


@dataclass(frozen=True, slots=True)
class Loaded:
    """One output under its load: drop when on (V), voltage when off (V), leakage (A) where it can be computed.

    `channel` is the signal of the stand that measured it; `anew` measures the same output once more; `usual` is
    what the others lose, V, where there are several.
    """

    channel: str
    drop: Measured
    off_voltage: Measured
    leakage: Measured | None
    anew: Callable[[], Loaded] | None = None
    usual: float | None = None

    def again(self, name: str) -> Callable[[], Measured] | None:
        """Return what measures the reading of this name, as `against` gives it, once more; None where nothing does."""
        anew = self.anew
        if anew is None:
            return None

        def measure() -> Measured:
            found = anew()
            measured = {_OFF: found.off_voltage, _DROP: found.drop, _LEAKAGE: found.leakage}[name]
            assert measured is not None, "it was measured before"
            return measured

        return measure

    def against(self, limits: OutputLimits) -> Iterator[tuple[str, Measured, Limits]]:
        """Return what is to be judged: name, reading, limits, as far as both are known.

        Raises StandFault for what no output can do: to have more than its supply, or less than 0 V, or to lose nothing
        under a load with which the others lose something.
        """
        limit = math.inf if limits.drop is None or limits.drop.high is None else limits.drop.high
        known = _IMPOSSIBLE * self.drop.expanded_uncertainty
        usual = self.usual if self.usual is not None and self.usual <= limit else 0.0
        if self.drop.value < min(_UNLOADED * usual, usual - known) and usual > 0.0:
            raise StandFault(
                f"{self.channel} shows a drop of {self.drop.value:.3g} V at an output where the others lose "
                f"{usual:.3g} V: is its load open, or the channel scaled wrong?",
                place=self.channel,
            )
        for what, measured in (("a drop", self.drop), ("a voltage when off", self.off_voltage)):
            least = -_IMPOSSIBLE * largest_error(measured.standard_uncertainty)
            if measured.value < least:
                raise StandFault(
                    f"{self.channel} shows {what} of {measured.value:.3g} V at an output, and no output has less than "
                    f"{least:.2g} V by the errors of the stand: is the channel, or the supply's meter, scaled wrong?",
                    place=self.channel,
                )
        yield _OFF, self.off_voltage, limits.off_voltage
        if limits.drop is not None:
            yield _DROP, self.drop, limits.drop
        if limits.leakage is not None and self.leakage is not None:
            yield _LEAKAGE, self.leakage, limits.leakage


#: Looks at loaded outputs, so that their scatter is known.
_LOOKS = 3


def measure_loaded(
    outputs: Outputs,
    supply_voltage: Callable[[], Measured],
    loads: dict[str, Measured],
    clock: Clock,
    looks: int = _LOOKS,
) -> dict[str, Loaded]:
    """Measure every output whose terminal the stand measures, all on together and all off together.

    The mean of some looks, with their scatter. The drop is the supply's own voltage minus that of the terminal, so
    the wires to the unit count, too.
    `loads` are the resistances (Ohm) from terminals to 0 V, where the stand file states them: off, an output
    leaks I = V / R. All are commanded off afterwards.
    """
    patience = PATIENCE * outputs.settle
    try:
        outputs.command(*outputs.names)
        clock.sleep(patience)
        taken = [(outputs.volts(), supply_voltage()) for _ in range(looks)]
    finally:
        outputs.command()
    clock.sleep(patience)
    on, off = _means([volts for volts, _ in taken]), _means([outputs.volts() for _ in range(looks)])
    supply = _mean([volts for _, volts in taken])
    drops = {name: supply - volts for name, volts in on.items()}
    usual = {name: _usual(drops[other].value for other in drops if other != name) for name in drops}
    return {
        name: Loaded(
            outputs.voltmeter(name),
            drops[name],
            off[name],
            _leakage(off[name], loads[name], _times_usual(drops[name], usual[name]))
            if name in loads
            else None,
            usual=usual[name],
        )
        for name in on
    }


def _times_usual(drop: Measured, usual: float | None) -> float:
    """Return how many times what is usual an output loses, beyond what the stand knows; 1 where that is no more."""
    if usual is None or usual <= 0.0:
        return 1.0
    times = (drop.value - drop.expanded_uncertainty) / usual
    return times if times > _SMALL_LOAD else 1.0


def _mean(looks: Sequence[Measured]) -> Measured:
    return averaged(looks) if len(looks) > 1 else looks[0]


def _means(looks: Sequence[Mapping[str, Measured]]) -> dict[str, Measured]:
    return {name: _mean([look[name] for look in looks]) for name in looks[0]}


def _usual(drops: Iterable[float]) -> float | None:
    known = list(drops)
    return median(known) if len(known) >= _OTHERS else None


def _leakage(volts: Measured, load: Measured, smaller: float) -> Measured:
    """Return I = V / R, A: the relative uncertainties of both add in quadrature (GUM 5.1.6).

    With the smallest load that its tolerance allows the current is largest: so far its tolerance counts. The load may
    be up to so many times smaller than the stand file says, by what the output loses to it; the current
    is then as many times larger (rectangular, GUM 4.3.7).
    """
    amperes = volts.value / load.value
    less = min(largest_error(load.standard_uncertainty) / load.value, _LEAST_LOAD)
    of_load = rectangular(abs(amperes) * less / (1.0 - less))
    tolerance = Term("tolerance of the load", of_load, "rectangular", source="stand file: load-tolerance")
    parts = [*(term * (1.0 / load.value) for term in volts.budget), tolerance]
    if smaller > 1.0:
        drop = rectangular(abs(amperes) * (smaller - 1.0))
        parts.append(
            Term("load, by the drop", drop, "rectangular", source="voltage drop beside that of the others")
        )
    return Measured.of(amperes, "A", *parts)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Where one input changes over, V; None where it never did between 0 V and the rated supply."""

    rising: Measured | None
    falling: Measured | None

    def both(self, name: str) -> Iterator[tuple[str, Measured]]:
        """Yield what each is called, and the threshold. Raises UnitFault where there is none."""
        for word, found in (("rising", self.rising), ("falling", self.falling)):
            if found is None:
                raise UnitFault(
                    f"{name} does not change over {word} between 0 V and the rated supply", place=name
                )
            yield f"threshold {word}", found


def find_thresholds(inputs: Inputs, names: tuple[str, ...], supply: float) -> dict[str, Thresholds]:
    """Search the thresholds of inputs that the stand drives with a voltage; nothing is driven afterwards."""
    resolution = THRESHOLD_FINENESS * supply
    try:
        rising = _search(
            inputs, {n: Bisection(0.0, supply, resolution) for n in names}, start=0.0, quiet=False
        )
        falling = _search(
            inputs, {n: Bisection(supply, 0.0, resolution) for n in names}, start=supply, quiet=True
        )
    finally:
        inputs.release()
    return {name: Thresholds(rising[name], falling[name]) for name in names}


def _search(
    inputs: Inputs, searches: Mapping[str, Bisection], *, start: float, quiet: bool
) -> dict[str, Measured | None]:
    """Run searches side by side: a point passes while the input still reports `quiet`."""
    while True:
        points = {name: point for name, s in searches.items() if (point := s.next_point()) is not None}
        if not points:
            break
        inputs.drive_volts(dict.fromkeys(points, start))
        seen = inputs.drive_volts(points)
        for name in points:
            searches[name].record(passed=seen[name] is quiet)
    found: dict[str, Measured | None] = {}
    for name, search in searches.items():
        edge = search.found()
        if edge.middle is None or edge.standard_uncertainty is None:
            found[name] = None
        else:
            width = Term("width of the search", edge.standard_uncertainty, "rectangular", source="trials")
            drive = inputs.drive_uncertainty(name, edge.middle)
            driven = Term("accuracy of the drive", drive, "rectangular", source="stand file")
            found[name] = Measured.of(edge.middle, "V", width, driven)
    return found
