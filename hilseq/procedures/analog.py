"""The analog channels of a unit: inputs the stand drives, outputs it senses, each as its register says it.

Everything here is in the base unit of the channel's register (A, V, degC; 1 for a share of the range), so
that errors and accuracies of the profile can be compared. 4-20 mA loops are also tried beyond their span: inputs
must tell a failure from a measurement, outputs must feign none (NAMUR NE 43, see analysis.sensors).

A sweep goes over the range and back: the error curve of every channel, its line, its scatter, its hysteresis. All
channels move together, so that sixteen take as long as one; what they do to each other is asked by `disturb`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from hilseq.analysis.calibration_line import fit_line, hysteresis, repeatability
from hilseq.analysis.limits import Limits
from hilseq.analysis.patterns import true_complement
from hilseq.analysis.sensors import (
    FAILURE_HIGH,
    FAILURE_LOW,
    MEASURING_HIGH,
    MEASURING_LOW,
)
from hilseq.analysis.uncertainty import Term, coverage_factor, deviation_factor, expanded, resolution
from hilseq.clock import Clock
from hilseq.description.points import AnalogPoint, PointTables
from hilseq.errors import NotPerformed, UnitFault
from hilseq.instruments.protocols import NamedValues
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured, averaged
from hilseq.procedures.wiring import OutputLevel
from hilseq.quantities import base_unit

#: Share of its range by which an analog output that is driven lies beyond its rest (common practice, no source).
DRIVEN = 0.05


@dataclass(frozen=True, slots=True)
class WiredChannel:
    """One analog channel and the signal of the stand at its terminal."""

    name: str
    point: AnalogPoint
    signal: str
    signal_unit: str
    is_output: bool
    #: Distance of neighbouring values of what is read of it, in the base unit of its register.
    step: float = 0.0

    @property
    def unit(self) -> str:
        """Base unit of the register: A, V, Ohm, degC, or none for a share of the range."""
        return base_unit(self.point.unit)[0]

    @property
    def _factor(self) -> float:
        """How many base units one number of the register is."""
        return base_unit(self.point.unit)[1]

    def raw(self, said: float) -> float:
        """Return a value of the register, in its own unit, at the nearest that it can hold."""
        register = self.point.register_
        low, high = register.range
        number = round((said / self._factor - register.offset) / register.scale)
        return min(high, max(low, number * register.scale + register.offset))

    def from_register(self, number: float) -> float:
        """Return a value that was read, or is commanded, in the base unit."""
        return number * self._factor

    def drive_value(self, quantity: float) -> float:
        """Return what the stand has to drive for a quantity, in the unit of its signal."""
        return self.point.scale.terminal(quantity) / base_unit(self.signal_unit)[1]

    def sensed(self, measured: Measured) -> Measured:
        """Return what the stand measures at the terminal as the register would say it."""
        at = measured.in_base_unit()
        quantity = self.point.scale.quantity(at.value)
        terms = (term * self.point.per_terminal(quantity) for term in at.budget)
        return Measured.of(self.point.said(quantity), self.unit, *terms)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One comparison: what the channel should say, what it says, and how well the stand knows the former."""

    expected: float
    found: float
    uncertainty: float

    @property
    def error(self) -> float:
        """How far the channel is off, in the base unit of its register."""
        return self.found - self.expected

    def deviation(self, channel: WiredChannel) -> Measured:
        """Return that as a reading."""
        accuracy = Term(f"accuracy of {channel.signal}", self.uncertainty, "rectangular", source="stand file")
        return Measured.of(self.error, channel.unit, accuracy)


def _wired(
    name: str, point: AnalogPoint, signal_name: str, signals: SignalBank, *, is_output: bool
) -> WiredChannel:
    """Return a channel with the step of what is read of it: the stand's signal for an output, else the register."""
    signal = signals.signals[signal_name]
    channel = WiredChannel(name, point, signal_name, signal.unit, is_output)
    if is_output:
        at_terminal = signal.step * base_unit(signal.unit)[1]
        step = at_terminal * channel.point.per_terminal(channel.point.scale.at(0.5))
    else:
        step = abs(channel.from_register(point.register_.step))
    return replace(channel, step=step)


#: An analog input is far from right beyond so many times its largest error: the scatter of a good one never goes there.
_FAR = 2.0


class AnalogPoints:
    """The analog channels of one unit. `signals_of` maps each channel to the signal at its terminal."""

    def __init__(
        self,
        points: PointTables,
        inputs: NamedValues,
        outputs: NamedValues,
        signals: SignalBank,
        *,
        signals_of: Mapping[str, str],
        clock: Clock,
    ) -> None:
        channels = [(name, point, False) for name, point in points.analog_inputs.items()]
        channels += [(name, point, True) for name, point in points.analog_outputs.items()]
        self.channels = {
            name: _wired(name, point, signals_of[name], signals, is_output=is_output)
            for name, point, is_output in channels
            if name in signals_of
        }
        self._inputs = inputs
        self._outputs = outputs
        self._signals = signals
        self._clock = clock
        #: Longest time until every channel has settled, s.
        self.settle = max((channel.point.settle for channel in self.channels.values()), default=0.0)
        self._quantities: dict[str, float] = {}
        #: By channel: how often it was read wrong over the link, and right when it was read again at once.
        self.misread: Counter[str] = Counter()
        #: Called with drives, and the value that each has, whose inputs are far from right.
        self.doubting: Callable[[Mapping[str, float]], None] = lambda _: None
        #: Called with whether any output is commanded to anything, or all to their lower ends.
        self.commanding: Callable[[bool], None] = lambda _: None

    @property
    def names(self) -> tuple[str, ...]:
        """Every channel that the stand can reach."""
        return tuple(self.channels)

    def set(self, quantities: Mapping[str, float]) -> None:
        """Put channels to quantities (A, V, degC), all at once, and let them settle.

        Inputs are driven by the stand; outputs are commanded, and only follow while the unit is live.
        """
        drives, commands = {}, {}
        for name, quantity in quantities.items():
            channel = self.channels[name]
            if channel.is_output:
                commands[name] = channel.raw(channel.point.said(quantity))
            else:
                drives[channel.signal] = channel.drive_value(quantity)
        self._quantities.update(quantities)
        if commands:
            self.commanding(True)
            self._outputs.write_many(commands)
        if drives:
            self._signals.write_many(drives)
        self._clock.sleep(self.settle)

    def look(self) -> dict[str, Comparison]:
        """Compare every channel that was set with what it says, by one look at all of them.

        An input that is far from right is read over the link again at once: where it is right then, it was misread.
        """
        looks = self._look()
        far = [name for name in looks if self._is_far(name, looks[name])]
        if far:
            wired = {name: self.channels[name] for name in far}
            self.doubting({c.signal: c.drive_value(self._quantities[name]) for name, c in wired.items()})
            again = self._look()
            misread = [name for name in far if not self.is_beyond(name, again[name])]
            self.misread.update(misread)
            looks |= {name: again[name] for name in misread}
        return looks

    def _is_far(self, name: str, look: Comparison) -> bool:
        return not self.channels[name].is_output and self.is_beyond(name, look, times=_FAR)

    def is_beyond(self, name: str, look: Comparison, times: float = 1.0) -> bool:
        """Return whether an error is surely larger than so many times the largest that the profile allows."""
        most = self.channels[name].point.largest_error(look.expected) + 2.0 * look.uncertainty
        return abs(look.error) > times * most

    def _look(self) -> dict[str, Comparison]:
        own = [name for name in self._quantities if not self.channels[name].is_output]
        read = self._inputs.snapshot(own) if own else {}
        sensed = self.sensed()
        looks = {}
        for name, quantity in self._quantities.items():
            channel = self.channels[name]
            if channel.is_output:
                expected = channel.from_register(channel.raw(channel.point.said(quantity)))
                looks[name] = Comparison(expected, sensed[name].value, sensed[name].standard_uncertainty)
            else:
                known = self._signals.uncertainty(channel.signal, channel.drive_value(quantity))
                known *= base_unit(channel.signal_unit)[1] * channel.point.per_terminal(quantity)
                looks[name] = Comparison(
                    channel.point.said(quantity), channel.from_register(read[name]), known
                )
        return looks

    def sensed(self) -> dict[str, Measured]:
        """Return what the stand measures at every output, as its register would say it."""
        outputs = {c.signal: c for c in self.channels.values() if c.is_output}
        found = self._signals.measure_many(outputs) if outputs else {}
        return {channel.name: channel.sensed(found[signal]) for signal, channel in outputs.items()}

    def levels(self) -> Iterator[OutputLevel]:
        """Yield for each output what the signal that senses it shows of it: whether it is driven.

        That is: beyond its lower end, or beyond zero where its range goes to both sides, by a part of the range.
        """
        for channel in self.channels.values():
            if channel.is_output:
                low, high = (
                    channel.drive_value(q) for q in (channel.point.scale.low, channel.point.scale.high)
                )
                rest, margin = max(low, 0.0), DRIVEN * (high - low)
                is_on = partial(_is_driven, rest, margin, both_ways=low < 0.0)
                yield OutputLevel(channel.name, channel.signal, is_on, channel.point.settle)

    def release(self) -> None:
        """Release the drives and command every output that was set to its lower end."""
        drives = [
            self.channels[name].signal for name in self._quantities if not self.channels[name].is_output
        ]
        commands = [name for name in self._quantities if self.channels[name].is_output]
        self._quantities.clear()
        if commands:
            low = {name: self.channels[name] for name in commands}
            self._outputs.write_many(
                {name: c.raw(c.point.said(c.point.scale.low)) for name, c in low.items()}
            )
            self._clock.sleep(self.settle)
            self.commanding(False)
        if drives:
            self._signals.release(drives)


def _is_driven(rest: float, margin: float, value: float, *, both_ways: bool) -> bool:
    return value > rest + margin or (both_ways and value < rest - margin)


#: What is driven into an input, A: the middle of each band, and well inside the two failures.
_DRIVEN = (
    ("under-range", 3.7e-3, FAILURE_LOW, MEASURING_LOW),
    ("over-range", 20.75e-3, MEASURING_HIGH, FAILURE_HIGH),
    ("failure low", 3.2e-3, None, FAILURE_LOW),
    ("failure high", 21.6e-3, FAILURE_HIGH, None),
)
#: What an output is asked for, A: far beyond both ends.
_ASKED = (("asked for 0 mA", 0.0), ("asked for 24 mA", 24e-3))

Judged = tuple[str, Measured, Limits]


def ne43_input_bands(analog: AnalogPoints, name: str) -> Iterator[Judged]:
    """Drive an input into each band; yield what it reports, the mean of a few looks, and the ends of the band.

    The other inputs stand in the middle of their ranges meanwhile. Raises UnitFault for those that are wrong there.
    """
    channel = analog.channels[name]
    others = {n: c for n, c in analog.channels.items() if n != name and not c.is_output}
    wrong: dict[str, str] = {}
    try:
        for word, current, low, high in _DRIVEN:
            analog.set({name: current} | {n: c.point.scale.at(0.5) for n, c in others.items()})
            looks = [analog.look() for _ in range(_SPOT_LOOKS)]
            for other in others:
                if all(analog.is_beyond(other, each[other]) for each in looks):
                    wrong.setdefault(other, f"{other} is wrong while {name} is at {word}")
            mine = [each[name] for each in looks]
            said = averaged([replace(look.deviation(channel), value=look.found) for look in mine])
            yield f"reading at {word}", said, _said(channel, low, high)
    finally:
        analog.release()
    if wrong:
        raise UnitFault("; ".join(wrong.values()), places=list(wrong))


def ne43_output_range(analog: AnalogPoints, name: str) -> Iterator[Judged]:
    """Ask a driven output for too little and too much; yield what it puts out, which may feign no failure.

    Where a good output stops (3.8 and 20.5 mA) it stops with its own accuracy, so the failure bands are the limits.
    """
    channel = analog.channels[name]
    band = _said(channel, FAILURE_LOW, FAILURE_HIGH)
    try:
        for word, current in _ASKED:
            analog.set({name: current})
            yield f"output {word}", _mean_sensed(analog, name), band
    finally:
        analog.release()


def ne43_undriven_output(analog: AnalogPoints, name: str) -> Judged:
    """Return what an output puts out that is not driven, and the band that says so."""
    channel = analog.channels[name]
    return "output while not driven", _mean_sensed(analog, name), _said(channel, None, FAILURE_LOW)


def _mean_sensed(analog: AnalogPoints, name: str) -> Measured:
    return averaged([analog.sensed()[name] for _ in range(_SPOT_LOOKS)])


def _said(channel: WiredChannel, low: float | None, high: float | None) -> Limits:
    ends = [None if end is None else channel.point.said(end) for end in (low, high)]
    return Limits(*ends)


#: Steps from one end of the range to the other, and looks at each; looks at a single point, so that its scatter is
#: known.
STEPS, LOOKS, _SPOT_LOOKS = 10, 2, 5


@dataclass(slots=True)
class Swept:
    """One channel after its sweep, in the base unit of its register."""

    channel: WiredChannel
    rising: list[list[Comparison]] = field(default_factory=list)
    falling: list[list[Comparison]] = field(default_factory=list)
    #: Largest change while the other channels moved from end to end; None for a channel without company.
    disturbed: float | None = None

    @property
    def looks(self) -> list[Comparison]:
        """Every look."""
        return [look for step in (*self.rising, *self.falling) for look in step]

    def worst(self) -> Comparison:
        """Return the look that is worst to judge: one surely outside what the profile allows, else the least sure.

        How sure a look is: the room that its error and its expanded uncertainty leave.
        """
        outside = [look for look in self.looks if self._room(look) + expanded(look.uncertainty) < 0.0]
        return min(outside or self.looks, key=lambda look: self._room(look) - expanded(look.uncertainty))

    def _room(self, look: Comparison) -> float:
        return self._allowed(look) - abs(look.error)

    def _allowed(self, look: Comparison) -> float:
        return self.channel.point.largest_error(look.expected)

    def deviation(self) -> tuple[Measured, Limits]:
        """Return the worst error over the range and the accuracy of the profile there."""
        look = self.worst()
        return look.deviation(self.channel), _both_ways(self._allowed(look))

    @property
    def _degrees(self) -> int:
        """Degrees of freedom of the scatter."""
        return sum(len(step) - 1 for step in (*self.rising, *self.falling))

    def scatter(self) -> float:
        """Return the pooled standard deviation of repeated readings."""
        return repeatability([[look.found for look in step] for step in (*self.rising, *self.falling)])

    def repeatability(self) -> tuple[Measured, Limits]:
        """Return two standard deviations of repeated readings: no more than the accuracy may scatter so.

        The true deviation is at most s sqrt(v / chi2) (NIST/SEMATECH e-Handbook 7.2.3, interval of a standard
        deviation): up to there reaches the expanded uncertainty. That the accuracy bounds it is common practice, no
        source.
        """
        twice = 2.0 * math.hypot(self.scatter(), resolution(self.channel.step))
        above = twice * (deviation_factor(self._degrees) - 1.0)
        largest = max(self._allowed(look) for look in self.looks)
        few = Term("scatter of few readings", above / coverage_factor(), source="its repeats")
        return Measured.of(twice, self.channel.unit, few), Limits(None, largest)

    def _of_a_difference(self, looks: int) -> tuple[Term, Term]:
        """Return what is not known of the difference of two means of so many looks: the rest errs alike."""
        scatter, digit = (
            self.scatter() * math.sqrt(2.0 / looks),
            math.sqrt(2.0) * resolution(self.channel.step),
        )
        return (
            Term("scatter of the channel", scatter, "t", float(self._degrees), "its repeats"),
            Term("last digit of two readings", digit, "rectangular", source="step of what is read"),
        )

    def hysteresis(self) -> tuple[Measured, Limits]:
        """Return the largest difference between falling and rising, and the accuracy as its limit."""
        up = [_mean(step) for step in self.rising]
        down = [_mean(step) for step in reversed(self.falling)]
        applied = [step[0].expected for step in self.rising]
        found = hysteresis(applied, up, down)
        known = self._of_a_difference(LOOKS)
        allowed = self.channel.point.largest_error(found.at)
        return Measured.of(found.largest, self.channel.unit, *known), _both_ways(allowed)

    def crosstalk(self) -> tuple[Measured, Limits] | None:
        """Return the change caused by the other channels, and the accuracy as its limit; None without others.

        Raises NotPerformed when the channel scatters so much that nothing can be said.
        """
        if self.disturbed is None:
            return None
        channel = self.channel
        allowed = channel.point.largest_error(channel.point.said(channel.point.scale.at(0.5)))
        changed = Measured.of(self.disturbed, channel.unit, *self._of_a_difference(1))
        if expanded(changed.standard_uncertainty) > allowed:
            raise NotPerformed(
                f"{channel.name} scatters by more than its accuracy: a change cannot be distinguished from it"
            )
        return changed, _both_ways(allowed)

    def curve(self) -> tuple[str, list[str], list[list[float]]]:
        """Return the error curve as a table of the journal."""
        unit = self.channel.unit or "of range"
        columns = [
            f"should be, {unit}",
            f"error rising, {unit}",
            f"error falling, {unit}",
            "limit low",
            "limit high",
        ]
        rows = [
            [up[0].expected, _mean_error(up), _mean_error(down), -self._allowed(up[0]), self._allowed(up[0])]
            for up, down in zip(self.rising, reversed(self.falling), strict=True)
        ]
        return f"error of {self.channel.name}", columns, rows

    def line(self) -> tuple[str, list[str], list[list[str | float]]]:
        """Return gain and offset of the straight line through all looks, as a table of the journal."""
        fitted = fit_line([look.expected for look in self.looks], [look.found for look in self.looks])
        unit = self.channel.unit
        rows: list[list[str | float]] = [
            ["gain", fitted.gain, fitted.gain_uncertainty, ""],
            ["offset", fitted.offset, fitted.offset_uncertainty, unit],
            ["largest deviation from the line", fitted.largest_deviation, 0.0, unit],
            ["standard deviation about the line", fitted.residual_deviation, 0.0, unit],
        ]
        return f"line of {self.channel.name}", ["of the line", "value", "standard uncertainty", "unit"], rows


def _both_ways(limit: float) -> Limits:
    return Limits(-limit, limit)


def _mean(step: Sequence[Comparison]) -> float:
    return math.fsum(look.found for look in step) / len(step)


def _mean_error(step: Sequence[Comparison]) -> float:
    return math.fsum(look.error for look in step) / len(step)


@dataclass(frozen=True, slots=True)
class SpotCheck:
    """One point of a channel, looked at a few times, in the base unit of its register."""

    channel: WiredChannel
    looks: tuple[Comparison, ...]

    def deviation(self) -> tuple[Measured, Limits]:
        """Return the mean error at the point, with its scatter, and the accuracy of the profile there."""
        allowed = self.channel.point.largest_error(self.looks[0].expected)
        return averaged([look.deviation(self.channel) for look in self.looks]), _both_ways(allowed)


def take_spots(analog: AnalogPoints, at: float | None = None) -> dict[str, SpotCheck]:
    """Look at one point of every channel, each at another part of its range, so that no two can be swapped unseen.

    Or all at the same share of their ranges, where that is given.

    Leaves drives released and outputs at their lower end.
    """
    count = len(analog.names)
    try:
        analog.set(
            {
                name: channel.point.scale.at((number + 1) / (count + 1) if at is None else at)
                for number, (name, channel) in enumerate(analog.channels.items())
            }
        )
        looks = [analog.look() for _ in range(_SPOT_LOOKS)]
    finally:
        analog.release()
    return {
        name: SpotCheck(channel, tuple(look[name] for look in looks))
        for name, channel in analog.channels.items()
    }


def sweep(analog: AnalogPoints) -> dict[str, Swept]:
    """Take every channel over its range and back, then let the channels disturb each other.

    Leaves drives released and outputs at their lower end.
    """
    swept = {name: Swept(channel) for name, channel in analog.channels.items()}
    fractions = [step / STEPS for step in range(STEPS + 1)]
    try:
        for direction, order in (("rising", fractions), ("falling", fractions[::-1])):
            for fraction in order:
                analog.set({name: c.point.scale.at(fraction) for name, c in analog.channels.items()})
                seen = [analog.look() for _ in range(LOOKS)]
                for name, result in swept.items():
                    getattr(result, direction).append([looks[name] for looks in seen])
        _disturb(analog, swept)
    finally:
        analog.release()
    return swept


def _disturb(analog: AnalogPoints, swept: dict[str, Swept]) -> None:
    """Hold some channels in the middle while the others go from end to end, until each met each other.

    Which are held is the true/complement counting set: of any two channels each is held once while the other
    moves, in 2 ceil(log2 N) vectors.
    """
    names = analog.names
    if len(names) < 2:  # noqa: PLR2004 - nobody to be disturbed by
        return
    for vector in true_complement(len(names)):
        held = {name for name, hold in zip(names, vector, strict=True) if hold}
        looks = list[dict[str, Comparison]]()
        for end in (0.0, 1.0):
            fractions = {name: 0.5 if name in held else end for name in names}
            # What is held is not written again: a command that disturbs another output would be undone by it.
            moved = names if not looks else [name for name in names if name not in held]
            analog.set({name: analog.channels[name].point.scale.at(fractions[name]) for name in moved})
            looks.append(analog.look())
        for name in held:
            change = looks[1][name].found - looks[0][name].found
            result = swept[name]
            if result.disturbed is None or abs(change) > abs(result.disturbed):
                result.disturbed = change
