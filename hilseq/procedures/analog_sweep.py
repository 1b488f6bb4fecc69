"""Over the range and back: the error curve of every analog channel, its line, its scatter, its hysteresis.

All channels move together, so that sixteen take as long as one; what they do to each other is asked by
`disturb`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from hilseq.analysis.calibration_line import fit_line, hysteresis, repeatability
from hilseq.analysis.limits import Limits
from hilseq.analysis.patterns import true_complement
from hilseq.analysis.uncertainty import expanded
from hilseq.errors import NotPerformed
from hilseq.measured import Measured
from hilseq.procedures.analog import AnalogPoints, Comparison, WiredChannel

#: Steps from one end of the range to the other, and looks at each.
STEPS, LOOKS = 10, 2


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
        """Return the look whose error leaves the least room to what the profile allows there."""
        return min(self.looks, key=lambda look: self._allowed(look) - abs(look.error))

    def _allowed(self, look: Comparison) -> float:
        return self.channel.largest_error(look.expected)

    def deviation(self) -> tuple[Measured, Limits]:
        """Return the worst error over the range and the accuracy of the profile there."""
        look = self.worst()
        return Measured(look.error, self.channel.unit, look.uncertainty), _both_ways(self._allowed(look))

    def scatter(self) -> float:
        """Return the pooled standard deviation of repeated readings."""
        return repeatability([[look.found for look in step] for step in (*self.rising, *self.falling)])

    def repeatability(self) -> tuple[Measured, Limits]:
        """Return two standard deviations of repeated readings: no more than the accuracy may scatter so.

        The uncertainty of a standard deviation s is s / sqrt(2 v) (GUM E.4.3); that the accuracy bounds it is
        common practice, no source.
        """
        twice = 2.0 * self.scatter()
        degrees = sum(len(step) - 1 for step in (*self.rising, *self.falling))
        largest = max(self._allowed(look) for look in self.looks)
        return Measured(twice, self.channel.unit, twice / math.sqrt(2.0 * degrees)), Limits(None, largest)

    def hysteresis(self) -> tuple[Measured, Limits]:
        """Return the largest difference between falling and rising, and the accuracy as its limit."""
        up = [_mean(step) for step in self.rising]
        down = [_mean(step) for step in reversed(self.falling)]
        applied = [step[0].expected for step in self.rising]
        found = hysteresis(applied, up, down)
        known = self.scatter() * math.sqrt(2.0 / LOOKS)
        allowed = self.channel.largest_error(found.at)
        return Measured(found.largest, self.channel.unit, known), _both_ways(allowed)

    def crosstalk(self) -> tuple[Measured, Limits] | None:
        """Return the change caused by the other channels, and the accuracy as its limit; None without others.

        Raises NotPerformed when the channel scatters so much that nothing can be said.
        """
        if self.disturbed is None:
            return None
        channel = self.channel
        allowed = channel.largest_error(channel.said(channel.scale.at(0.5)))
        known = self.scatter() * math.sqrt(2.0)
        if expanded(known) > allowed:
            raise NotPerformed(
                f"{channel.name} scatters by more than its accuracy: a change cannot be told from it"
            )
        return Measured(self.disturbed, channel.unit, known), _both_ways(allowed)

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


def sweep(analog: AnalogPoints) -> dict[str, Swept]:
    """Take every channel over its range and back, then let the channels disturb each other.

    Leaves drives released and outputs at their lower end.
    """
    swept = {name: Swept(channel) for name, channel in analog.channels.items()}
    fractions = [step / STEPS for step in range(STEPS + 1)]
    try:
        for direction, order in (("rising", fractions), ("falling", fractions[::-1])):
            for fraction in order:
                analog.set({name: c.scale.at(fraction) for name, c in analog.channels.items()})
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
        looks = []
        for end in (0.0, 1.0):
            fractions = {name: 0.5 if name in held else end for name in names}
            analog.set({name: c.scale.at(fractions[name]) for name, c in analog.channels.items()})
            looks.append(analog.look())
        for name in held:
            change = looks[1][name].found - looks[0][name].found
            result = swept[name]
            if result.disturbed is None or abs(change) > abs(result.disturbed):
                result.disturbed = change
