"""Bisection for the edge between passing and failing: a threshold, the longest interruption survived.

The engine asks for a point and is given pass or fail; it knows nothing of what is being tried. It works
on a grid laid from the passing end to the failing end with at most the stated resolution between its
points, so it ends after a number of points known beforehand and never asks for a point between two steps
of an instrument.

    search = Bisection(passes_at=0.0, fails_at=0.1, resolution=1e-3, repeats=3)
    while (point := search.next_point()) is not None:
        search.record(passed=try_it(point))
    search.found().describe()
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from hilseq.analysis.uncertainty import resolution

#: A ratio of span to resolution this little above a whole number is rounding, not one more step.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Edge:
    """What a search found, in the unit of its points.

    `passes` is the point nearest to the edge that passed every repeat (None: even the end meant to pass
    failed); `fails` the nearest that failed (None: even the end meant to fail passed). `mixed` are points
    where some repeats passed before one failed: there the edge is blurred. `trials` counts single results.
    """

    passes: float | None
    fails: float | None
    resolution: float
    repeats: int
    trials: int
    mixed: tuple[float, ...] = ()

    @property
    def middle(self) -> float | None:
        """Best estimate of the edge; None when it lies outside the range searched."""
        if self.passes is None or self.fails is None:
            return None
        return 0.5 * (self.passes + self.fails)

    @property
    def standard_uncertainty(self) -> float | None:
        """Of `middle`: the edge is anywhere between the two points (rectangular, width / sqrt 12)."""
        if self.passes is None or self.fails is None:
            return None
        return resolution(abs(self.fails - self.passes))

    def describe(self, show: Callable[[float], str] = "{:.6g}".format) -> str:
        """Return the finding in one line, each point written by `show`."""
        effort = f"{self.repeats} repeats, {self.trials} trials"
        if self.passes is not None and self.fails is not None:
            width = show(abs(self.fails - self.passes))
            found = f"passes at {show(self.passes)}, fails at {show(self.fails)}, {width} apart"
        elif self.passes is not None:
            found = f"passes even at {show(self.passes)}"
        else:
            found = "nothing tried" if self.fails is None else f"fails even at {show(self.fails)}"
        blurred = f"; mixed results at {', '.join(map(show, self.mixed))}" if self.mixed else ""
        return f"{found} ({effort}){blurred}"


@dataclass(slots=True)
class Bisection:
    """A search in progress, from an end believed to pass to an end believed to fail, in either direction.

    Both ends are tried first, so that a belief is never reported as a finding. A point passes when all its
    repeats pass, and fails at the first repeat that fails. Raises ValueError for equal or non-finite ends,
    a resolution not above zero, or fewer than one repeat.
    """

    passes_at: float
    fails_at: float
    resolution: float
    repeats: int = 1
    _steps: int = field(init=False, repr=False)
    _passed: int | None = field(init=False, default=None, repr=False)
    _failed: int | None = field(init=False, default=None, repr=False)
    _good: int = field(init=False, default=0, repr=False)
    _trials: int = field(init=False, default=0, repr=False)
    _mixed: list[float] = field(init=False, default_factory=list, repr=False)

    def __post_init__(self) -> None:
        span = abs(self.fails_at - self.passes_at)
        if not (math.isfinite(span) and span > 0.0):
            raise ValueError(
                f"a search from {self.passes_at!r} to {self.fails_at!r}; expected two different finite ends"
            )
        if not (math.isfinite(self.resolution) and self.resolution > 0.0):
            raise ValueError(f"resolution {self.resolution!r}; expected a finite number above zero")
        if self.repeats < 1:
            raise ValueError(f"{self.repeats} repeats; expected at least 1")
        self._steps = max(1, math.ceil(span / self.resolution * (1.0 - _ROUNDING)))

    @property
    def most_trials(self) -> int:
        """Largest number of trials still to come, for a plan: repeats times points."""
        if self._next_step() is None:
            return 0
        ends = (self._passed is None) + (self._failed is None)
        width = (self._steps if self._failed is None else self._failed) - (self._passed or 0)
        return (ends + (width - 1).bit_length()) * self.repeats - self._good

    def next_point(self) -> float | None:
        """Return the point to try now; None when the search is over. Asking twice changes nothing."""
        step = self._next_step()
        return None if step is None else self._point(step)

    def record(self, *, passed: bool) -> None:
        """Take the result of one trial at `next_point`. Raises ValueError when the search is over."""
        step = self._next_step()
        if step is None:
            raise ValueError("a result after the end of the search; expected none")
        self._trials += 1
        if not passed:
            if self._good:
                self._mixed.append(self._point(step))
            self._failed, self._good = step, 0
            return
        self._good += 1
        if self._good == self.repeats:
            self._passed, self._good = step, 0

    def found(self) -> Edge:
        """Return the finding. Raises ValueError while the search is not over."""
        if self._next_step() is not None:
            raise ValueError(f"the search is not over; expected a result at {self.next_point()!r} first")
        passes = None if self._passed is None else self._point(self._passed)
        fails = None if self._failed is None else self._point(self._failed)
        return Edge(passes, fails, self.resolution, self.repeats, self._trials, tuple(self._mixed))

    def _point(self, step: int) -> float:
        if step == self._steps:
            return self.fails_at
        return self.passes_at + (self.fails_at - self.passes_at) * (step / self._steps)

    def _next_step(self) -> int | None:
        if self._passed is None:
            return 0 if self._failed is None else None  # the first end failed
        if self._failed is None:
            return self._steps if self._passed == 0 else None  # the last end passed
        return (self._passed + self._failed) // 2 if self._failed - self._passed > 1 else None


def locate(search: Bisection, passes: Callable[[float], bool]) -> Edge:
    """Run a search to its end with a function that tries one point, and return the finding."""
    while (point := search.next_point()) is not None:
        search.record(passed=passes(point))
    return search.found()
