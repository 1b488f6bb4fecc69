"""What differs from unit to unit and from reading to reading: seeded streams, tolerances, bounded noise."""

from __future__ import annotations

from collections.abc import Callable
from random import Random


class Streams:
    """Independent streams of chance by name; the same seed and name give the same numbers."""

    def __init__(self, seed: int) -> None:
        self._seed = seed

    def of(self, *name: str) -> Random:
        """Return the stream of a component."""
        return Random(f"{self._seed}/{'/'.join(name)}")


class Tolerances:
    """Draws the parameters of a part around its nominal values.

    `relative` is the relative standard deviation; draws are cut at two standard deviations, as the
    manufacturer's own sorting does.
    """

    def __init__(self, stream: Random, relative: float) -> None:
        self.stream = stream
        self._relative = relative

    def near(self, nominal: float) -> float:
        """Return a part near its nominal value."""
        return nominal * (1.0 + self._relative * max(-2.0, min(2.0, self.stream.gauss(0.0, 1.0))))

    def inside(self, nominal: float, low: float, high: float, share: float = 0.5) -> float:
        """Return a part near nominal and within the inner `share` of low..high: a good unit's."""
        edge = 0.5 * (1.0 - share) * (high - low)
        return max(low + edge, min(high - edge, self.near(nominal)))

    def within(self, bound: float) -> float:
        """Return an error anywhere within ± bound."""
        return self.stream.uniform(-bound, bound)


def noise(stream: Random, bound: float) -> Callable[[], float]:
    """Return a source of readings' noise: triangular within ± bound, standard deviation bound/√6.

    Bounded, so that no reading of a good channel ever leaves its accuracy.
    """
    if bound == 0.0:
        return lambda: 0.0
    chance = stream.random
    return lambda: (chance() - chance()) * bound
