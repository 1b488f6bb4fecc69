"""A ratio claimed, tested while it is counted: when to stop, and how often that is wrong, exactly.

Whoever looks again and again until a 95 % bound meets the claim passes a ratio at the claim far more often than in 5 %
of cases (0.20 with up to twenty errors). So the bound of each look is taken at a stricter level, the same for all,
such that all looks together err with the risk that is stated. Frames are looked at whole: that is less often than the
plan allows, and only lowers the risk of passing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from hilseq.analysis.counted import Bounds, lower_bound, share, trials_needed, upper_bound
from hilseq.analysis.start_plans import Decision

#: A port with so many errors is passed at last; one more, and it is not.
MOST_ERRORS = 9
#: Steps in which the level of one look is halved in.
_STEPS = 40


def risk_of_each(whole: float, tests: int) -> float:
    """Return the risk of each of so many tests that together err with the risk `whole` at most (Bonferroni)."""
    return share("risk", whole) / tests


@dataclass(frozen=True, slots=True)
class RatioPlan:
    """Passes after `looks[k]` trials with at most k errors; refuses at one error more than there are looks.

    `claim` is the largest ratio that may pass, `level` the risk of one look, `risk` that of the whole plan.
    """

    claim: float
    risk: float
    level: float
    looks: tuple[int, ...]

    def decide(self, trials: int, errors: int) -> Decision:
        """Decide after `errors` in `trials`."""
        if errors >= len(self.looks):
            return Decision.REJECT
        return Decision.ACCEPT if trials >= self.looks[errors] else Decision.CONTINUE

    def bounds(self, trials: int, errors: int) -> Bounds:
        """Return the ratios between which the true one lies: the upper one meets the claim when the plan accepts.

        The upper bound is at the level of one look; the lower one, for a plan that refuses, at the risk of the plan.
        """
        return Bounds(
            lower_bound(errors, trials, 1.0 - self.risk), upper_bound(errors, trials, 1.0 - self.level)
        )

    def passes(self, ratio: float) -> float:
        """Return the probability that the plan passes what errs with this ratio, by enumeration."""
        return _passes(self.looks, ratio)


@cache
def ratio_plan(claim: float, risk: float, most_errors: int = MOST_ERRORS) -> RatioPlan:
    """Return the plan that passes a ratio at its claim with the probability `risk` at most.

    Raises ValueError when claim or risk is no share, or the claim takes more trials than anybody makes.
    """
    share("claimed ratio", claim)
    strict, loose = share("risk", risk) / (most_errors + 1), risk
    for _ in range(_STEPS):
        middle = (strict * loose) ** 0.5
        if _passes(_looks(claim, middle, most_errors), claim) <= risk:
            strict = middle
        else:
            loose = middle
    return RatioPlan(claim, risk, strict, _looks(claim, strict, most_errors))


def _looks(claim: float, level: float, most_errors: int) -> tuple[int, ...]:
    return tuple(trials_needed(1.0 - claim, 1.0 - level, errors) for errors in range(most_errors + 1))


def _passes(looks: Sequence[int], ratio: float) -> float:
    """Follow the number of errors from look to look; what has k errors or fewer at the k-th one has passed."""
    passed, alive, before = 0.0, [1.0], 0
    for errors, trials in enumerate(looks):
        more = _binomial(trials - before, ratio, len(looks))
        alive = [
            sum(alive[had] * more[count - had] for had in range(min(count + 1, len(alive))))
            for count in range(len(looks))
        ]
        passed += sum(alive[: errors + 1])
        alive[: errors + 1] = [0.0] * (errors + 1)
        before = trials
    return passed


def _binomial(trials: int, ratio: float, terms: int) -> list[float]:
    """Return the probabilities of 0, 1, ... errors in so many trials."""
    found = [math.exp(trials * math.log1p(-ratio))]
    for count in range(1, terms):
        found.append(found[-1] * max(0, trials - count + 1) / count * ratio / (1.0 - ratio))
    return found
