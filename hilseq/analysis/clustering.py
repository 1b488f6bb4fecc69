"""Whether a few events gather under one condition (above a temperature, in one mode), or by chance.

If events do not care for the condition, then of n events the number under it is binomial with the share
of time spent under it: the exact conditional test of a Poisson rate (Przyborowski and Wilenski 1940,
from memory). No approximation, so it holds for two events as for two hundred.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hilseq.analysis.proportion import Interval, clopper_pearson, counts, share

#: Below this probability of chance the sentence says that events gather (a convention, not a proof).
SIGNIFICANT = 0.05
#: Probabilities within this relative distance are the same outcome seen through rounding.
_ALIKE = 1e-7
#: Chances from this on are told in whole per cent.
_WHOLE = 0.1
#: Chances as small as this are told as "1 in n".
_SMALL = 0.01
#: Smaller ones are told as being below this: nobody weighs 1e-12 against 1e-15.
_SMALLEST = 1e-9


def _exposures(under: float, total: float) -> None:
    if not (0.0 <= under <= total and 0.0 < total < math.inf):
        raise ValueError(f"{under!r} of {total!r} of the time: expected 0 <= part <= total, total above 0")


@dataclass(frozen=True, slots=True)
class Clustering:
    """Events under a condition, all events, the time under it and the whole time (any one unit).

    `p_value` is the probability of at least so many under the condition, were it of no influence. It is
    honest for a condition named beforehand; chosen after looking at the events, it flatters.
    """

    events_under: int
    events: int
    time_under: float
    time: float
    p_value: float

    @property
    def share_of_time(self) -> float:
        """The part of the time spent under the condition."""
        return self.time_under / self.time

    def sentence(self, condition: str, event: str = "failure") -> str:
        """Say it plainly; `condition` as it follows a verb: `above 55 degC`."""
        if self.events == 0:
            return f"No {event} happened, so nothing can be said about when it happens."
        happened = (
            f"{self.events_under} of {self.events} {event}{'s' * (self.events > 1)} happened {condition},"
            f" which was {100.0 * self.share_of_time:.3g} % of the time"
        )
        if self.p_value <= SIGNIFICANT:
            return (
                f"{happened}; by chance alone so many would be there with probability {_said(self.p_value)}."
            )
        return f"{happened}; that may be chance (probability {_said(self.p_value)})."


def _said(probability: float) -> str:
    if probability >= _SMALL:
        return f"{100.0 * probability:{'.0f' if probability >= _WHOLE else '.2g'}} %"
    if probability < _SMALLEST:
        return f"below 1 in {1.0 / _SMALLEST:.0f}"
    return f"1 in {float(f'{1.0 / probability:.2g}'):.0f}"


def clusters(events_under: int, events: int, time_under: float, time: float) -> Clustering:
    """Test whether events gather under a condition; times in any one unit.

    Raises ValueError for counts or times that cannot be, such as events under a condition that never was.
    """
    from scipy.special import betainc

    _exposures(time_under, time)
    if events == 0 and events_under == 0:
        return Clustering(0, 0, time_under, time, 1.0)
    counts(events_under, events)
    part = time_under / time
    if (events_under and part == 0.0) or (events_under < events and part == 1.0):
        raise ValueError(
            f"{events_under} of {events} events in {part:.0%} of the time: expected time where events are"
        )
    p_value = 1.0 if events_under == 0 else float(betainc(events_under, events - events_under + 1, part))
    return Clustering(events_under, events, time_under, time, p_value)


@dataclass(frozen=True, slots=True)
class RateComparison:
    """The ratio of two rates (first by second), its exact interval, and the two-sided p-value."""

    ratio: float
    interval: Interval
    p_value: float


def _odds(part: float) -> float:
    return math.inf if part >= 1.0 else part / (1.0 - part)


def compare_rates(
    first: int, first_time: float, second: int, second_time: float, confidence: float = 0.95
) -> RateComparison:
    """Compare two rates exactly, given their counts and running times (any one unit).

    The p-value sums the probabilities of all divisions of the events no likelier than the one seen.
    Raises ValueError for negative counts or times not above 0.
    """
    from scipy.special import gammaln, xlog1py, xlogy

    share("confidence", confidence)
    if first < 0 or second < 0 or not (0.0 < first_time < math.inf and 0.0 < second_time < math.inf):
        raise ValueError(
            f"{first} in {first_time!r} and {second} in {second_time!r}: expected counts >= 0, times > 0"
        )
    events = first + second
    if events == 0:
        return RateComparison(math.nan, Interval(0.0, math.inf), 1.0)
    part = first_time / (first_time + second_time)
    chances = [
        math.exp(
            float(
                gammaln(events + 1)
                - gammaln(k + 1)
                - gammaln(events - k + 1)
                + xlogy(k, part)
                + xlog1py(events - k, -part)
            )
        )
        for k in range(events + 1)
    ]
    p_value = min(1.0, math.fsum(chance for chance in chances if chance <= chances[first] * (1.0 + _ALIKE)))
    bounds, times = clopper_pearson(first, events, confidence), second_time / first_time
    return RateComparison(
        ratio=math.inf if second == 0 else first / second * times,
        interval=Interval(_odds(bounds.lower) * times, _odds(bounds.upper) * times),
        p_value=p_value,
    )
