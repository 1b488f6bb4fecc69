"""Do two readings agree, is a terminal on, off or in between, does a supply hold its voltage: answered here only.

Every check, the stand's check of itself and the soak ask these functions, so that none holds against the unit what
another calls a fault of the stand. Pure numbers; V and A unless a name says otherwise.

Readings that must agree, and what explains that they do not: a model of a bench, solved by weighted least squares.

Each reading is an equation of a few unknowns (the voltage at a unit, the drop of an output), with its uncertainty. What
is known beforehand of an unknown is one more equation. Where the readings do not agree, each explanation of one
fault is tried: how large it would have to be, and how well everything agrees then. What lowers the sum of squares
most is most likely; what cannot be distinguished by these readings stays side by side.

Sources: weighted least squares and the global (chi-square) test, S. Narasimhan, C. Jordache, Data Reconciliation and
Gross Error Detection (2000), ch. 3 and 7; the likelihood ratio of each gross error, S. Narasimhan, R. S. H. Mah, AIChE
Journal 33 (1987) 1514: from memory, their example is recomputed in the tests. An odds ratio above 20 counts as strong:
R. E. Kass, A. E. Raftery, JASA 90 (1995) 773, from memory.

24 V digital inputs and supplies after IEC 61131-2: thresholds, interruptions.

Voltages in V, times in s. The standard itself was not read. The voltages of types 1 and 3 were seen in data sheets and
manuals declaring them; type 2 and the interruption classes are from memory of the 2003/2007 editions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from hilseq.analysis.limits import Limits

#: Input type number -> voltages at 24 V, V, between which an input must change over, rising or falling: it reads low up
#: to the first and high from the second on.
INPUT_THRESHOLDS: Mapping[int, tuple[float, float]] = MappingProxyType(
    {1: (5.0, 15.0), 2: (5.0, 11.0), 3: (5.0, 11.0)}
)


def threshold_limits(number: int, rated: float = 24.0) -> Limits:
    """Return the range in V in which an input of this type must change over, scaled to another rated supply.

    The table is for 24 V; that others scale with it is from memory, as the table itself.
    """
    if not (math.isfinite(rated) and rated > 0.0):
        raise ValueError(f"rated supply {rated!r} V; expected a finite number above zero")
    return Limits(*(volts * (rated / _RATED) for volts in INPUT_THRESHOLDS[number]))


#: Class of the d.c. supply -> longest interruption to be ridden through, in s (from memory).
LONGEST_INTERRUPTION: Mapping[str, float] = MappingProxyType({"PS1": 1e-3, "PS2": 10e-3})
#: Least time between two interruptions of the test, in s (from memory).
BETWEEN_INTERRUPTIONS = 1.0

#: A voltage from this share of the rated supply on counts as on, where it must be one or the other.
ON_SHARE = 0.5
#: Above this part of its limit a current is taken as limited: readings below the limit are noise away.
LIMITED = 0.9
#: The table of inputs is for this supply, V.
_RATED = 24.0


def agree(one: float, other: float, *errors: float) -> bool:
    """Return whether two values may be the same, given the largest error of each; all in one unit."""
    return abs(one - other) <= sum(errors)


class Level(StrEnum):
    """What a channel says about a terminal."""

    OFF = "off"
    BETWEEN = "in between"  #: a logic channel may take it either way
    ON = "on"


@dataclass(frozen=True, slots=True)
class LevelBand:
    """What the values of one channel mean, in its own unit: off up to `off`, on from `on`, in between otherwise.

    Where it must be one or the other, a value counts as on from `half`.
    """

    off: float
    half: float
    on: float

    def level(self, value: float) -> Level:
        """Return what a value of the channel says about its terminal."""
        if value >= self.on:
            return Level.ON
        return Level.OFF if value <= self.off else Level.BETWEEN

    def counts_as_on(self, value: float) -> bool:
        """Return whether a value counts as on, where it must be one or the other."""
        return value >= self.half


#: A logic channel: 0 or 1.
LOGIC = LevelBand(0.0, 0.5, 1.0)


def no_signal(rated: float) -> Limits:
    """Return the voltages that every input takes as off, V: up to 5 V at 24 V (IEC 61131-2, type 1)."""
    return Limits(None, INPUT_THRESHOLDS[1][0] * rated / _RATED)


def voltage_band(rated: float, per_volt: float = 1.0, error: float = 0.0) -> LevelBand:
    """Return what the values of a channel that measures a terminal's voltage mean, at a rated supply (V).

    A logic channel must take 5 V for off and 15 V for on (IEC 61131-2, type 1, at 24 V rated); in between it may
    take either. `per_volt` is how much of the channel's unit 1 V is, `error` its largest error in that unit: so near
    to a threshold the level is in between.
    """
    low, high = (volts * (rated / _RATED * per_volt) for volts in INPUT_THRESHOLDS[1])
    return LevelBand(low - error, ON_SHARE * rated * per_volt, high + error)


def contradict(one: Level, other: Level) -> bool:
    """Return whether two channels cannot both be right: one says on and the other off."""
    return {one, other} == {Level.ON, Level.OFF}


class Holding(StrEnum):
    """How the voltage of a supply compares with its setting."""

    HOLDS = "holds"
    LIMITED = "limited"  #: lower, because the current is limited: the unit draws too much
    WRONG = "wrong"  #: differs, and no current limit explains it


def is_limited(amperes: float, current_limit: float) -> bool:
    """Return whether a current is so near the limit of its supply that the limit may act, both in A."""
    return amperes > LIMITED * current_limit


def holding(volts: float, amperes: float, *, setting: float, error: float, current_limit: float) -> Holding:
    """Return whether a supply holds its voltage, V, at a current, A.

    Setting and reading may each be wrong by `error` (V), the largest that the supply's accuracy allows.
    """
    if agree(volts, setting, error, error):
        return Holding.HOLDS
    return Holding.LIMITED if volts < setting and is_limited(amperes, current_limit) else Holding.WRONG


#: An explanation is out when another is so many times as likely.
STRONG = 20.0
#: Readings agree when chance alone would make them differ as much in one of so many cases, at least.
CHANCE = 1e-3
#: Beyond what its equations can mean: largest number of steps of the search for a size.
_STEPS = 200


@dataclass(frozen=True, slots=True)
class Equation:
    """One reading: its value and standard uncertainty, and how it is made of the unknowns (a sum of multiples).

    All in one unit, whichever it is. `uncertainty` is above zero.
    """

    name: str
    value: float
    uncertainty: float
    terms: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Explanation:
    """One fault that may be: at which places, whether of the stand, what it does to which readings at which size.

    `effect` returns by reading what the fault adds to it; sizes lie from `low` to `high`.
    """

    places: tuple[str, ...]
    of_stand: bool
    words: str
    effect: Callable[[float], Mapping[str, float]]
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """How well readings agree: sum of the squared residuals in uncertainties, its degrees of freedom, the residuals."""

    chi_square: float
    degrees: int
    residuals: Mapping[str, float]

    @property
    def probability(self) -> float:
        """Probability that chance alone makes readings differ as much."""
        from scipy.special import chdtrc  # of scipy.stats the import alone takes a tenth of a visit

        return float(chdtrc(self.degrees, self.chi_square)) if self.degrees > 0 else 1.0

    @property
    def holds(self) -> bool:
        """Return whether the readings agree within their uncertainties."""
        return self.probability >= CHANCE


@dataclass(frozen=True, slots=True)
class Weighed:
    """An explanation with the size that fits best, how well everything agrees then, and its share of probability."""

    explanation: Explanation
    size: float
    agreement: Agreement
    probability: float


def agreement(equations: Sequence[Equation], added: Mapping[str, float] | None = None) -> Agreement:
    """Return how well readings agree, less what a fault has `added` to some. Raises ValueError for no equation."""
    import numpy as np  # late: only a finding needs it

    if not equations:
        raise ValueError("no equation; expected at least one")
    added = added or {}
    unknowns = list(dict.fromkeys(name for equation in equations for name in equation.terms))
    weights = np.array([1.0 / equation.uncertainty for equation in equations])
    matrix = np.array([[e.terms.get(name, 0.0) for name in unknowns] for e in equations])
    values = np.array([e.value - added.get(e.name, 0.0) for e in equations])
    scaled = matrix * weights[:, None]
    solution, _, rank, _ = np.linalg.lstsq(scaled, values * weights, rcond=None)
    residuals = values * weights - scaled @ solution
    named = {e.name: float(r) for e, r in zip(equations, residuals, strict=True)}
    return Agreement(float(residuals @ residuals), len(equations) - int(rank), named)


def weigh(equations: Sequence[Equation], explanations: Iterable[Explanation]) -> list[Weighed]:
    """Return every explanation with its best size, the most probable first.

    Each is one fault with one size, so their likelihoods compare as they are; before any reading they count alike.
    """
    tried = []
    for explanation in explanations:
        size = _best_size(equations, explanation)
        found = agreement(equations, explanation.effect(size))
        # The size is one unknown more.
        tried.append((explanation, size, Agreement(found.chi_square, found.degrees - 1, found.residuals)))
    least = min((found.chi_square for *_, found in tried), default=0.0)
    shares = [math.exp(-0.5 * (found.chi_square - least)) for *_, found in tried]
    weighed = [
        Weighed(explanation, size, found, share / math.fsum(shares))
        for (explanation, size, found), share in zip(tried, shares, strict=True)
    ]
    return sorted(weighed, key=lambda one: -one.probability)


def remaining(weighed: Sequence[Weighed]) -> list[Weighed]:
    """Return those that no other outweighs strongly and with which all readings agree; none where nothing explains."""
    likeliest = max((one.probability for one in weighed), default=0.0)
    return [one for one in weighed if one.agreement.holds and one.probability * STRONG >= likeliest]


def _best_size(equations: Sequence[Equation], explanation: Explanation) -> float:
    from scipy.optimize import minimize_scalar

    def misfit(size: float) -> float:
        return agreement(equations, explanation.effect(size)).chi_square

    ends = (explanation.low, explanation.high)
    found = minimize_scalar(misfit, bounds=ends, method="bounded", options={"maxiter": _STEPS, "xatol": 1e-9})
    return float(min((*ends, found.x), key=misfit))
