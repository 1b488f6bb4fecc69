"""What a count of failures in a number of trials proves about the probability of failing.

Exact (Clopper-Pearson) bounds through the beta quantile, the success run and its reverse, and the rule
of three. Confidences are shares (0.95, not 95). Source of the problem and formula of the two-sided
interval: NIST/SEMATECH e-Handbook 7.2.4; success run n = ln(1-C)/ln(R): common reliability texts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Beyond this many trials a plan is not a plan for a test stand; it also bounds the search.
_MOST_TRIALS = 10**12


@dataclass(frozen=True, slots=True)
class Interval:
    """A lower and an upper bound."""

    lower: float
    upper: float


def share(name: str, value: float) -> float:
    """Return `value` when it lies between 0 and 1, both excluded; raise ValueError otherwise."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} {value!r}: expected a share above 0 and below 1, such as 0.95")
    return value


def counts(events: int, trials: int) -> None:
    """Raise ValueError unless 0 <= events <= trials and there is a trial at all."""
    if trials < 1 or not 0 <= events <= trials:
        raise ValueError(f"{events} events in {trials} trials: expected 0 <= events <= trials, trials >= 1")


def upper_bound(events: int, trials: int, confidence: float) -> float:
    """Return the exact one-sided upper bound of the probability of the event at this confidence.

    The largest p at which so few events still have the probability 1 - confidence.
    """
    counts(events, trials)
    share("confidence", confidence)
    if events == trials:
        return 1.0
    if events == 0:  # the success run
        return -math.expm1(math.log1p(-confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(events + 1, trials - events, confidence))


def lower_bound(events: int, trials: int, confidence: float) -> float:
    """Return the exact one-sided lower bound of the probability of the event at this confidence."""
    counts(events, trials)
    share("confidence", confidence)
    if events == 0:
        return 0.0
    from scipy.special import betaincinv

    return float(betaincinv(events, trials - events + 1, 1.0 - confidence))


def clopper_pearson(events: int, trials: int, confidence: float) -> Interval:
    """Return the exact two-sided interval: half of the risk on either side, also at 0 and at all events."""
    one_sided = (1.0 + share("confidence", confidence)) / 2.0
    return Interval(lower_bound(events, trials, one_sided), upper_bound(events, trials, one_sided))


def rule_of_three(trials: int) -> float:
    """Return 3/n, the quick 95 % upper bound after n trials without an event (a little above exact)."""
    counts(0, trials)
    return min(1.0, 3.0 / trials)


def confidence_shown(trials: int, reliability: float, failures: int = 0) -> float:
    """Return the confidence that the reliability is at least this, after `failures` in `trials`.

    One minus the probability that a unit of exactly this reliability fails so seldom.
    """
    counts(failures, trials)
    share("reliability", reliability)
    if failures == trials:
        return 0.0
    if failures == 0:
        return -math.expm1(trials * math.log(reliability))
    from scipy.special import betainc

    return float(betainc(failures + 1, trials - failures, 1.0 - reliability))


def reliability_shown(trials: int, confidence: float, failures: int = 0) -> float:
    """Return the reliability proven at this confidence; without a failure (1-C)**(1/n)."""
    return 1.0 - upper_bound(failures, trials, confidence)


def trials_needed(reliability: float, confidence: float, failures: int = 0) -> int:
    """Return the least number of trials that proves `reliability` with at most `failures` of them failed.

    Without a failure the success run ln(1-C)/ln(R), rounded up.
    """
    share("reliability", reliability)
    share("confidence", confidence)
    if failures < 0:
        raise ValueError(f"{failures} failures allowed: expected 0 or more")
    # A hair of slack, or 1 - 0.9**22 asked back would need 23 trials by rounding of the last digit.
    enough = confidence * (1.0 - 1e-12)
    if failures == 0:
        return max(1, math.ceil(math.log1p(-enough) / math.log(reliability)))
    low, high = failures, failures + 1
    while confidence_shown(high, reliability, failures) < enough:
        low, high = high, 2 * high
        if high > _MOST_TRIALS:
            raise ValueError(
                f"reliability {reliability!r}: expected one that {_MOST_TRIALS} trials can prove"
            )
    while high - low > 1:
        middle = (low + high) // 2
        if confidence_shown(middle, reliability, failures) < enough:
            low = middle
        else:
            high = middle
    return high
