"""How many starts a claim about starting takes, when to stop, and what was proven in a plain sentence.

A claim is a probability of starting with a confidence. Two plans prove it: the success run (n starts without
a failure, n = ln(1-C)/ln(R)) and Wald's sequential test between the claimed and a worst probability. Lines:
NIST/SEMATECH e-Handbook 6.2.6 (Wald 1947), as recomputed in the reference. The binomial plan speaks of
failing, the plans of starts of starting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from statistics import NormalDist
from typing import Protocol

from hilseq.analysis.counted import clopper_pearson, reliability_shown, share, trials_needed

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


class StartPlan(Protocol):
    """A plan of cold starts."""

    @property
    def fewest(self) -> int:
        """The fewest starts after which the claim can be proven."""
        ...

    @property
    def most(self) -> int:
        """The starts after which the plan has surely decided."""
        ...

    def decide(self, starts: int, failures: int) -> Decision:
        """Decide after `failures` in `starts`."""
        ...

    def promise(self) -> str:
        """Say beforehand what the plan will prove, in a sentence."""
        ...

    def proven(self, starts: int, failures: int) -> str:
        """Say afterwards what was proven, in a sentence."""
        ...


@dataclass(frozen=True, slots=True)
class SuccessRun:
    """Start after start without a failure; the first failure ends it. Raises ValueError for no shares."""

    probability: float
    confidence: float

    @property
    def fewest(self) -> int:
        """The size of the run, ln(1-C)/ln(R) rounded up."""
        return trials_needed(self.probability, self.confidence)

    @property
    def most(self) -> int:
        """The same: it never takes more."""
        return self.fewest

    def decide(self, starts: int, failures: int) -> Decision:
        """Reject at the first failure, accept at the end of the run."""
        if failures:
            return Decision.REJECT
        return Decision.ACCEPT if starts >= self.fewest else Decision.CONTINUE

    def promise(self) -> str:
        """See StartPlan."""
        return (
            f"{self.fewest} cold starts without a failure show a start probability of at least "
            f"{_share(reliability_shown(self.fewest, self.confidence))} with {_percent(self.confidence)} "
            f"confidence (claimed: {_share(self.probability)})"
        )

    def proven(self, starts: int, failures: int) -> str:
        """See StartPlan."""
        if failures:
            return _estimate(starts, failures, self.confidence)
        shown = reliability_shown(starts, self.confidence)
        return (
            f"{starts} of {starts} cold starts succeeded: with {_percent(self.confidence)} confidence the "
            f"unit starts with a probability of at least {_share(shown)}"
        )


@dataclass(frozen=True, slots=True)
class SequentialStarts:
    """Wald's plan between the claimed probability of starting and a worst one; it stops when it knows.

    `producer_risk` is that of refusing a unit that starts as claimed, `consumer_risk` that of passing one at
    the worst probability. Cut off at three times the single sample, or at `cut_off`, by the line midway.
    """

    probability: float
    worst: float
    producer_risk: float
    consumer_risk: float
    confidence: float
    cut_off: int | None = None

    @property
    def plan(self) -> BinomialPlan:
        """The plan in terms of failing."""
        return BinomialPlan(1.0 - self.probability, 1.0 - self.worst, self.producer_risk, self.consumer_risk)

    @property
    def fewest(self) -> int:
        """The fewest starts that accept: all successful."""
        plan = self.plan
        return next(n for n in range(1, self.most + 1) if self._decided(plan, n, 0) is Decision.ACCEPT)

    @property
    def most(self) -> int:
        """Starts at which the plan is cut off."""
        natural = self.plan.truncation
        return natural if self.cut_off is None else min(natural, self.cut_off)

    def decide(self, starts: int, failures: int) -> Decision:
        """Decide by Wald's lines, at the cut-off by the line midway."""
        return self._decided(self.plan, starts, failures)

    def _decided(self, plan: BinomialPlan, starts: int, failures: int) -> Decision:
        return plan.decide(starts, failures, self.most)

    def risks(self) -> tuple[float, float, float]:
        """Return both risks, exact with the cut-off, and the mean number of starts of a unit as claimed."""
        plan = self.plan
        good = plan.characteristics(plan.good, at_most=self.most, truncated=True)
        bad = plan.characteristics(plan.bad, at_most=self.most, truncated=True)
        return good.reject, bad.accept, good.mean_trials

    def promise(self) -> str:
        """See StartPlan."""
        producer, consumer, mean = self.risks()
        return (
            f"a sequential test stops after {self.fewest} cold starts without a failure, after about "
            f"{mean:.0f} on average, after {self.most} at the latest; it refuses a unit that starts with "
            f"probability {_share(self.probability)} with a risk of {_percent(producer)}, and passes one "
            f"that starts with {_share(self.worst)} with a risk of {_percent(consumer)}"
        )

    def proven(self, starts: int, failures: int) -> str:
        """See StartPlan."""
        producer, consumer, _ = self.risks()
        count = f"{starts - failures} of {starts} cold starts succeeded"
        if self.decide(starts, failures) is Decision.ACCEPT:
            return (
                f"{count}, and the sequential test accepts: a unit that starts with a probability of only "
                f"{_share(self.worst)} would pass it with a risk of {_percent(consumer)} at most"
            )
        if self.decide(starts, failures) is Decision.REJECT:
            return (
                f"{count}, and the sequential test refuses: a unit that starts with the claimed probability "
                f"{_share(self.probability)} would be refused with a risk of {_percent(producer)} at most"
            )
        return _estimate(starts, failures, self.confidence)


def sequential_starts_about(
    probability: float, worst: float, producer_risk: float, consumer_risk: float
) -> float:
    """Return about how many starts a sequential plan takes at most, without enumerating it.

    Its cut-off from the single sample in normal approximation (Montgomery, Introduction to Statistical Quality
    Control, 15.2, from memory), or the run that accepts without a failure, whichever is longer.
    """
    good, bad = 1.0 - probability, 1.0 - worst
    alpha, beta = NormalDist().inv_cdf(1.0 - producer_risk), NormalDist().inv_cdf(1.0 - consumer_risk)
    spread = alpha * math.sqrt(good * (1.0 - good)) + beta * math.sqrt(bad * (1.0 - bad))
    clean = math.log((1.0 - producer_risk) / consumer_risk) / math.log((1.0 - good) / (1.0 - bad))
    return TRUNCATION * max((spread / (bad - good)) ** 2, clean)


def _estimate(starts: int, failures: int, confidence: float) -> str:
    """Say what is known of the probability of starting when the claim was not proven (Clopper-Pearson)."""
    if not starts:
        return "nothing is shown: no cold start was made"
    interval = clopper_pearson(failures, starts, confidence)
    return (
        f"{starts - failures} of {starts} cold starts succeeded; the claim is not shown. The unit starts with "
        f"a probability between {_share(1.0 - interval.upper)} and {_share(1.0 - interval.lower)} "
        f"({_percent(confidence)} confidence, both ends)"
    )


def _share(value: float) -> str:
    """Write a probability with the digits that count: those of its distance from 1."""
    return f"{value:.4f}" if value < 0.9995 else f"{value:.6f}"  # noqa: PLR2004 (four digits would round to 1)


def _percent(value: float) -> str:
    return f"{100.0 * value:.3g} %"
