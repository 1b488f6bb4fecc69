"""What running time and failures say about the mean time between failures (MTBF).

The failures are taken as a Poisson process: constant rate, no wear-out. Times may be in any unit as
long as it is the same throughout (hours in a soak report). Source: NIST/SEMATECH e-Handbook 8.4.5.1,
time-censored test: lower 2T/chi2(1-alpha/2; 2(r+1)), upper 2T/chi2(alpha/2; 2r), and T/(-ln alpha)
after no failure. chi2(p; 2k)/2 is the inverse of the regularised incomplete gamma function P(k, x).
"""

from __future__ import annotations

import math

from hilseq.analysis.proportion import Interval, share


def _checked(events: int, exposure: float) -> None:
    if events < 0:
        raise ValueError(f"{events} failures: expected 0 or more")
    if not (exposure > 0.0 and math.isfinite(exposure)):
        raise ValueError(f"a running time of {exposure!r}: expected a finite time above 0")


def mean_count_upper(events: int, confidence: float) -> float:
    """Return the exact one-sided upper bound of a Poisson mean when `events` were counted."""
    _checked(events, 1.0)
    share("confidence", confidence)
    if events == 0:
        return -math.log1p(-confidence)
    from scipy.special import gammaincinv

    return float(gammaincinv(events + 1, confidence))


def mean_count_lower(events: int, confidence: float) -> float:
    """Return the exact one-sided lower bound of a Poisson mean when `events` were counted."""
    _checked(events, 1.0)
    share("confidence", confidence)
    if events == 0:
        return 0.0
    from scipy.special import gammaincinv

    return float(gammaincinv(events, 1.0 - confidence))


def rate_interval(events: int, exposure: float, confidence: float) -> Interval:
    """Return the exact two-sided interval of a rate, in events per unit of the exposure."""
    _checked(events, exposure)
    one_sided = (1.0 + share("confidence", confidence)) / 2.0
    return Interval(
        mean_count_lower(events, one_sided) / exposure, mean_count_upper(events, one_sided) / exposure
    )


def mtbf_estimate(running_time: float, failures: int) -> float:
    """Return T/r; infinite after no failure, which is why a report states the lower bound instead."""
    _checked(failures, running_time)
    return math.inf if failures == 0 else running_time / failures


def mtbf_lower(running_time: float, failures: int, confidence: float) -> float:
    """Return the MTBF exceeded at this one-sided confidence; after no failure T/(-ln(1-confidence))."""
    _checked(failures, running_time)
    return running_time / mean_count_upper(failures, confidence)


def mtbf_interval(running_time: float, failures: int, confidence: float) -> Interval:
    """Return the two-sided interval of the MTBF; after no failure the one-sided lower bound and infinity.

    The handbook drops the upper side after no failure and gives the whole risk to the lower one.
    """
    _checked(failures, running_time)
    if failures == 0:
        return Interval(mtbf_lower(running_time, 0, confidence), math.inf)
    rate = rate_interval(failures, running_time, confidence)
    return Interval(1.0 / rate.upper, 1.0 / rate.lower)


def time_to_prove(lower_mtbf: float, confidence: float, failures: int = 0) -> float:
    """Return the running time that proves `lower_mtbf` with at most `failures` failures in it."""
    _checked(failures, lower_mtbf)
    return lower_mtbf * mean_count_upper(failures, confidence)


def probability_of_showing(mtbf: float, running_time: float) -> float:
    """Return the probability that a fault with this MTBF shows at least once in the running time."""
    _checked(0, mtbf)
    if running_time < 0.0:
        raise ValueError(f"a running time of {running_time!r}: expected 0 or more")
    return -math.expm1(-running_time / mtbf)


def time_to_show(mtbf: float, probability: float) -> float:
    """Return the running time in which a fault with this MTBF shows with the given probability."""
    _checked(0, mtbf)
    return -mtbf * math.log1p(-share("probability", probability))
