"""What counted events prove: failures in a number of trials, and failures in a running time.

Trials: exact (Clopper-Pearson) bounds through the beta quantile, the success run and its reverse.
Confidences are shares (0.95, not 95). Source of the problem and formula of the two-sided interval:
NIST/SEMATECH e-Handbook 7.2.4; success run n = ln(1-C)/ln(R): common reliability texts.

Running time: the failures are taken as a Poisson process: constant rate, no wear-out. Times may be in any
unit as long as it is the same throughout (hours in a soak report). Source: NIST/SEMATECH e-Handbook 8.4.5.1,
time-censored test: lower 2T/chi2(1-alpha/2; 2(r+1)), upper 2T/chi2(alpha/2; 2r), and T/(-ln alpha)
after no failure. chi2(p; 2k)/2 is the inverse of the regularised incomplete gamma function P(k, x).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import partial

#: Beyond this many trials a plan is not a plan for a test stand; it also bounds the search.
_MOST_TRIALS = 10**12


@dataclass(frozen=True, slots=True)
class Bounds:
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


def clopper_pearson(events: int, trials: int, confidence: float) -> Bounds:
    """Return the exact two-sided interval: half of the risk on either side, also at 0 and at all events."""
    one_sided = (1.0 + share("confidence", confidence)) / 2.0
    return Bounds(lower_bound(events, trials, one_sided), upper_bound(events, trials, one_sided))


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
    shown = partial(confidence_shown, reliability=reliability, failures=failures)
    found = bisect_left(range(_MOST_TRIALS), enough, failures + 1, key=shown)
    if found == _MOST_TRIALS:
        raise ValueError(f"reliability {reliability!r}: expected one that {_MOST_TRIALS} trials can prove")
    return found


def _counted(events: int) -> None:
    if events < 0:
        raise ValueError(f"{events} failures: expected 0 or more")


def _lasted(exposure: float) -> None:
    if not (exposure > 0.0 and math.isfinite(exposure)):
        raise ValueError(f"a running time of {exposure!r}: expected a finite time above 0")


def mean_count_upper(events: int, confidence: float) -> float:
    """Return the exact one-sided upper bound of a Poisson mean when `events` were counted."""
    _counted(events)
    share("confidence", confidence)
    if events == 0:
        return -math.log1p(-confidence)
    from scipy.special import gammaincinv

    return float(gammaincinv(events + 1, confidence))


def mean_count_lower(events: int, confidence: float) -> float:
    """Return the exact one-sided lower bound of a Poisson mean when `events` were counted."""
    _counted(events)
    share("confidence", confidence)
    if events == 0:
        return 0.0
    from scipy.special import gammaincinv

    return float(gammaincinv(events, 1.0 - confidence))


def rate_interval(events: int, exposure: float, confidence: float) -> Bounds:
    """Return the exact two-sided interval of a rate, in events per unit of the exposure."""
    _lasted(exposure)
    one_sided = (1.0 + share("confidence", confidence)) / 2.0
    return Bounds(
        mean_count_lower(events, one_sided) / exposure, mean_count_upper(events, one_sided) / exposure
    )


def mtbf_lower(running_time: float, failures: int, confidence: float) -> float:
    """Return the MTBF exceeded at this one-sided confidence; after no failure T/(-ln(1-confidence))."""
    _lasted(running_time)
    return running_time / mean_count_upper(failures, confidence)


def mtbf_interval(running_time: float, failures: int, confidence: float) -> Bounds:
    """Return the two-sided interval of the MTBF; after no failure the one-sided lower bound and infinity.

    The handbook drops the upper side after no failure and gives the whole risk to the lower one.
    """
    _lasted(running_time)
    if failures == 0:
        return Bounds(mtbf_lower(running_time, 0, confidence), math.inf)
    rate = rate_interval(failures, running_time, confidence)
    return Bounds(1.0 / rate.upper, 1.0 / rate.lower)


def probability_of_showing(mtbf: float, running_time: float) -> float:
    """Return the probability that a fault with this MTBF shows at least once in the running time."""
    _lasted(mtbf)
    if running_time < 0.0:
        raise ValueError(f"a running time of {running_time!r}: expected 0 or more")
    return -math.expm1(-running_time / mtbf)
