"""Sequential tests: stop as soon as the trials, or the hours, have said enough.

Wald's binomial plan (trials that pass or fail, such as cold starts) and the exponential plan (failures
over running time). Lines: NIST/SEMATECH e-Handbook 6.2.6 (Wald 1947), as recomputed in the reference.
The tabulated plans of MIL-HDBK-781 differ from these lines by up to 1 % because of their truncation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from hilseq.analysis.proportion import share

#: A sequential plan is cut off at this many times the single-sample size (e-Handbook 6.2.6).
TRUNCATION = 3
#: A single-sample plan larger than this is refused: the two qualities are too close together.
_LARGEST_SAMPLE = 100_000


class Decision(Enum):
    """What the evidence so far allows."""

    ACCEPT = "accept"
    REJECT = "reject"
    CONTINUE = "continue"


@dataclass(frozen=True, slots=True)
class Characteristics:
    """How a plan treats units of one failure probability: decisions, and trials spent on average.

    `open` is the probability that the enumeration ended before a decision (0 for a truncated plan).
    """

    accept: float
    reject: float
    open: float
    mean_trials: float


@dataclass(frozen=True, slots=True)
class SingleSample:
    """A plan of fixed size: accept when at most `acceptance` of `trials` fail."""

    trials: int
    acceptance: int


@dataclass(frozen=True, slots=True)
class BinomialPlan:
    """Wald's plan between a good failure probability `good` and a bad one `bad`.

    `alpha` is the risk of rejecting the good one (the unit's), `beta` that of accepting the bad one.
    """

    good: float
    bad: float
    alpha: float
    beta: float

    def __post_init__(self) -> None:
        for name in ("good", "bad", "alpha", "beta"):
            share(name, getattr(self, name))
        if not self.good < self.bad:
            raise ValueError(f"failure probabilities {self.good!r}, {self.bad!r}: expected good below bad")
        if not self.alpha + self.beta < 1.0:
            raise ValueError(f"risks {self.alpha!r} and {self.beta!r}: expected a sum below 1")

    @property
    def _scale(self) -> float:
        return math.log(self.bad * (1.0 - self.good) / (self.good * (1.0 - self.bad)))

    @property
    def h1(self) -> float:
        """Failures by which the acceptance line lies below s*n."""
        return math.log((1.0 - self.alpha) / self.beta) / self._scale

    @property
    def h2(self) -> float:
        """Failures by which the rejection line lies above s*n."""
        return math.log((1.0 - self.beta) / self.alpha) / self._scale

    @property
    def s(self) -> float:
        """The common slope of both lines, in failures per trial."""
        return math.log((1.0 - self.good) / (1.0 - self.bad)) / self._scale

    def acceptance_number(self, trials: int) -> int | None:
        """Return the most failures that accept after so many trials; None when none can accept yet."""
        number = math.floor(self.s * trials - self.h1)
        return number if number >= 0 else None

    def rejection_number(self, trials: int) -> int | None:
        """Return the fewest failures that reject after so many trials; None when none can reject yet."""
        number = math.ceil(self.s * trials + self.h2)
        return number if number <= trials else None

    def decide(self, trials: int, failures: int, truncate_at: int | None = None) -> Decision:
        """Decide after `failures` in `trials`; from `truncate_at` on by the line midway, s*n.

        Raises ValueError for counts that cannot be.
        """
        if not 0 <= failures <= trials:
            raise ValueError(f"{failures} failures in {trials} trials: expected 0 <= failures <= trials")
        if failures <= self.s * trials - self.h1:
            return Decision.ACCEPT
        if failures >= self.s * trials + self.h2:
            return Decision.REJECT
        if truncate_at is not None and trials >= truncate_at:
            return Decision.ACCEPT if failures <= self.s * trials else Decision.REJECT
        return Decision.CONTINUE

    def single_sample(self) -> SingleSample:
        """Return the smallest fixed-size plan with the same risks, exactly binomial.

        Raises ValueError when it would need more than 100 000 trials.
        """
        from scipy.special import bdtr

        trials = acceptance = 0
        while trials <= _LARGEST_SAMPLE:
            # The fewest trials for this acceptance number that keep beta; then alpha decides.
            trials = max(trials, acceptance + 1)
            while bdtr(acceptance, trials, self.bad) > self.beta and trials <= _LARGEST_SAMPLE:
                trials += 1
            if bdtr(acceptance, trials, self.good) >= 1.0 - self.alpha:
                return SingleSample(trials, acceptance)
            acceptance += 1
        raise ValueError(
            f"failure probabilities {self.good!r}, {self.bad!r}: expected them further apart"
            f" (a fixed plan would take more than {_LARGEST_SAMPLE} trials)"
        )

    @property
    def truncation(self) -> int:
        """Trials at which the plan is cut off: three times the single-sample size."""
        return TRUNCATION * self.single_sample().trials

    def characteristics(
        self, probability: float, *, at_most: int, truncated: bool = False
    ) -> Characteristics:
        """Enumerate the plan exactly for units failing with `probability`, up to `at_most` trials.

        With `truncated`, a decision is forced after `at_most` trials.
        """
        if not 0.0 <= probability <= 1.0:
            raise ValueError(f"probability {probability!r}: expected 0 to 1")
        alive, accept, reject, mean = {0: 1.0}, 0.0, 0.0, 0.0
        for trials in range(1, at_most + 1):
            mean += math.fsum(alive.values())
            after: dict[int, float] = {}
            for failures, weight in alive.items():
                after[failures] = after.get(failures, 0.0) + weight * (1.0 - probability)
                after[failures + 1] = after.get(failures + 1, 0.0) + weight * probability
            alive = {}
            for failures, weight in after.items():
                decision = self.decide(trials, failures, at_most if truncated else None)
                if decision is Decision.ACCEPT:
                    accept += weight
                elif decision is Decision.REJECT:
                    reject += weight
                else:
                    alive[failures] = weight
            if not alive:
                break
        return Characteristics(accept, reject, math.fsum(alive.values()), mean)


@dataclass(frozen=True, slots=True)
class ExponentialPlan:
    """Wald's plan between a good MTBF `upper` and a bad one `lower` (any unit of time, the same for both)."""

    lower: float
    upper: float
    alpha: float
    beta: float

    def __post_init__(self) -> None:
        if not 0.0 < self.lower < self.upper < math.inf:
            raise ValueError(f"MTBF {self.lower!r}, {self.upper!r}: expected 0 < lower < upper")
        if not share("alpha", self.alpha) + share("beta", self.beta) < 1.0:
            raise ValueError(f"risks {self.alpha!r} and {self.beta!r}: expected a sum below 1")

    @property
    def _gap(self) -> float:
        return 1.0 - self.lower / self.upper

    @property
    def a(self) -> float:
        """Time to accept without a failure, in units of the lower MTBF."""
        return math.log((1.0 - self.alpha) / self.beta) / self._gap

    @property
    def a_reject(self) -> float:
        """The same distance on the side of rejection."""
        return math.log((1.0 - self.beta) / self.alpha) / self._gap

    @property
    def b(self) -> float:
        """Further time each failure costs, in units of the lower MTBF."""
        return math.log(self.upper / self.lower) / self._gap

    def accept_time(self, failures: int) -> float:
        """Return the running time from which so many failures accept."""
        return self.lower * (self.a + self.b * failures)

    def reject_time(self, failures: int) -> float | None:
        """Return the running time up to which so many failures reject; None when they never do."""
        time = self.lower * (self.b * failures - self.a_reject)
        return time if time > 0.0 else None

    def decide(self, running_time: float, failures: int) -> Decision:
        """Decide after `failures` in `running_time`. Raises ValueError for negative ones."""
        if running_time < 0.0 or failures < 0:
            raise ValueError(f"{failures} failures in {running_time!r}: expected neither to be negative")
        if running_time >= self.accept_time(failures):
            return Decision.ACCEPT
        rejecting = self.reject_time(failures)
        return Decision.REJECT if rejecting is not None and running_time <= rejecting else Decision.CONTINUE
