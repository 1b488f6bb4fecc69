"""From what an instrument's maker promises to `11.996 V ± 0.008 V`, and to the guard band of a decision.

Standard uncertainties (k = 1) are combined, given degrees of freedom, expanded and printed. All
values of one budget are in the same unit, whichever it is.

Sources: JCGM 100:2008 (GUM) 4.2 (type A), 4.3.7 (rectangular limits), F.2.2.1 (resolution), 5.1.2 (law of
propagation), G.4 (Welch-Satterthwaite), 7.2.6 (digits); guard bands: JCGM 106:2012, 8.3.2 (for a wanted probability),
ILAC-G8:09/2019, table 1 (w = r U; w = U: at most 2.5 % probability of false acceptance). Clause numbers from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from statistics import NormalDist
from typing import ClassVar, Literal

#: Probability of two standard deviations of the normal distribution: 0.9545, so that k = 2 (GUM table G.2).
TWO_SIGMA = math.erf(math.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Term:
    """One contribution to the uncertainty of a result.

    `value` is its standard uncertainty in the unit of the result, its sensitivity included; `source` says who states
    it.
    """

    name: str
    value: float
    distribution: Literal["normal", "rectangular", "triangular", "t"] = "normal"
    degrees_of_freedom: float = math.inf
    source: str = ""
    #: Whether repeats show it: the scatter of their mean takes its place.
    scatters: bool = False
    #: Whose error it is, where two readings of one instrument have it both; and how far it is the same then, 0 to 1.
    shared: str = ""
    correlation: float = 0.0
    #: Whether it lowers the result where the others raise it.
    opposed: bool = False

    def __mul__(self, factor: float) -> Term:
        """Return what it contributes to a result so many times as large."""
        return replace(self, value=self.value * abs(factor), opposed=self.opposed != (factor < 0.0))


def together(terms: Iterable[Term]) -> tuple[Term, ...]:
    """Return the terms of a sum, those that are errors of one instrument as one (JCGM 100, 5.2.2; F.1.2.3).

    Where they go the same way they are taken for the same error, and added; where they go against each other, they
    cancel as far as their correlation is known.
    """
    found: dict[object, Term] = {}
    for number, term in enumerate(terms):
        key: object = (term.name, term.shared) if term.shared else number
        before = found.get(key)
        found[key] = term if before is None else _both(before, term)
    return tuple(found.values())


def _both(one: Term, two: Term) -> Term:
    if one.opposed == two.opposed:
        value = one.value + two.value
    else:
        known = min(one.correlation, two.correlation)
        value = math.sqrt(max(0.0, one.value**2 + two.value**2 - 2.0 * known * one.value * two.value))
    return replace(max(one, two, key=lambda term: term.value), value=value)


def _not_negative(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise ValueError(f"{name} {value!r}; expected a finite number, zero or more")
    return value


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a value known to lie within +-half_width: a / sqrt 3 (GUM 4.3.7)."""
    return _not_negative("half width", half_width) / math.sqrt(3.0)


def resolution(width: float) -> float:
    """Return the standard uncertainty of a value known to lie somewhere in a width: w / sqrt 12 (GUM F.2.2.1).

    A last digit, a stretch of time in which something happened, the step of a search.
    """
    return rectangular(0.5 * width)


#: How many times `resolution` the last digit of a single reading counts. The limit, a round number, may lie on a digit,
#: and then the error of the digit is not independent of the others, as GUM F.2.2.1 has it: up to 15 % of what is at
#: such a limit would be accepted where the rest of the error is as large as the digit; so it is 2 % (enumerated).
_ON_A_DIGIT = 1.5


def last_digit(step: float) -> float:
    """Return the standard uncertainty of a value read in steps that is held against a limit: 1.5 w / sqrt 12."""
    return _ON_A_DIGIT * resolution(step)


def largest_error(standard_uncertainty: float) -> float:
    """Return the half width of the rectangle with this standard uncertainty: sqrt 3 u, the reverse of `rectangular`.

    What an instrument's accuracy allows at most, where accuracy is all that is known of it.
    """
    return math.sqrt(3.0) * _not_negative("standard uncertainty", standard_uncertainty)


def combine(uncertainties: Iterable[float]) -> float:
    """Return the root sum of squares of independent standard uncertainties (GUM 5.1.2).

    Each is already multiplied by its sensitivity. Raises ValueError for a negative or non-finite one.
    """
    return math.hypot(*(_not_negative("standard uncertainty", u) for u in uncertainties))


def welch_satterthwaite(uncertainties: Sequence[float], degrees_of_freedom: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a combination: uc^4 / sum(u^4 / v) (GUM G.4.1).

    Infinite when every uncertain term has infinitely many. Use unrounded inputs: rounding the terms of
    the GUM's own example moves the result from 16.7 to 17.5. Raises ValueError when the lengths differ or a
    degree of freedom is below 1.
    """
    if len(uncertainties) != len(degrees_of_freedom):
        counts = f"{len(uncertainties)} uncertainties with {len(degrees_of_freedom)} degrees of freedom"
        raise ValueError(f"{counts}; expected one of each")
    total = combine(uncertainties)
    if total == 0.0:
        return math.inf
    terms = zip(uncertainties, degrees_of_freedom, strict=True)
    spread = math.fsum((u / total) ** 4 / _degrees(v) for u, v in terms)
    return math.inf if spread == 0.0 else 1.0 / spread


def _degrees(value: float) -> float:
    if not value >= 1.0:  # NaN is refused too
        raise ValueError(f"degrees of freedom {value!r}; expected 1 or more")
    return value


def coverage_factor(degrees_of_freedom: float = math.inf, probability: float = TWO_SIGMA) -> float:
    """Return k such that +-k standard uncertainties hold the value with `probability` (GUM G.3.2, table G.2).

    Degrees of freedom are cut to the next lower whole number (GUM G.4.1): the interval is never too short.
    Raises ValueError when they are below 1 or the probability is not between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"coverage probability {probability!r}; expected more than 0 and less than 1")
    upper = 0.5 + 0.5 * probability
    if _degrees(degrees_of_freedom) == math.inf:
        return NormalDist().inv_cdf(upper)
    from scipy.special import stdtrit

    return float(stdtrit(math.floor(degrees_of_freedom), upper))


def deviation_factor(degrees_of_freedom: int, probability: float = TWO_SIGMA) -> float:
    """Return how many times a standard deviation from repeats its true value may be: sqrt(v / chi2).

    The upper end of the two-sided interval with `probability` (NIST/SEMATECH e-Handbook 7.2.3). Raises ValueError
    when the degrees of freedom are below 1 or the probability is not between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"coverage probability {probability!r}; expected more than 0 and less than 1")
    from scipy.special import chdtri

    return math.sqrt(
        _degrees(degrees_of_freedom) / float(chdtri(degrees_of_freedom, 0.5 + 0.5 * probability))
    )


def expanded_of(terms: Iterable[Term], probability: float = TWO_SIGMA) -> float:
    """Return U of terms: each with the factor k of its own degrees of freedom, added in quadrature.

    For many degrees of freedom that is k = 2 times the root sum of squares. For few it is never less than Student's
    interval of the scatter alone, which the factor for the effective degrees of freedom (GUM G.4.1) undercuts where
    the scatter of few readings happens to come out small: 2.9 % instead of 2.3 % lie beyond one end for three readings.
    """
    return math.hypot(*(coverage_factor(term.degrees_of_freedom, probability) * term.value for term in terms))


def expanded(
    standard_uncertainty: float, degrees_of_freedom: float = math.inf, probability: float = TWO_SIGMA
) -> float:
    """Return U = k u, in the unit of u. Raises ValueError as `coverage_factor` does."""
    u = _not_negative("standard uncertainty", standard_uncertainty)
    return coverage_factor(degrees_of_freedom, probability) * u


@dataclass(frozen=True, slots=True)
class TypeA:
    """What repeated readings say: mean, scatter and standard uncertainty of the mean, in their unit."""

    mean: float
    standard_deviation: float
    standard_uncertainty: float
    degrees_of_freedom: int


def type_a(values: Sequence[float]) -> TypeA:
    """Return mean and scatter of independent repeated readings (GUM 4.2.2, 4.2.3).

    Two passes with exact sums, so that a large constant part costs no digits. Raises ValueError for fewer
    than 2 readings or one that is not finite.
    """
    count = len(values)
    if count < 2:  # noqa: PLR2004 (one reading has no scatter)
        raise ValueError(f"{count} readings; expected at least 2 to judge their scatter")
    for value in values:
        if not math.isfinite(value):
            raise ValueError(f"reading {value!r}; expected a finite number")
    mean = math.fsum(values) / count
    deviation = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (count - 1))
    return TypeA(mean, deviation, deviation / math.sqrt(count), count - 1)


def check_standard(earlier: Sequence[float], false_alarm: float) -> tuple[float, float]:
    """Return mean of the earlier values of a check standard, and how far from it the next may be: t s sqrt(1 + 1/K).

    With a probability of `false_alarm` (two-sided) one that nothing has changed lies beyond (NIST/SEMATECH e-Handbook
    2.2.2.1, from memory, there for many values). Raises ValueError below two values.
    """
    known = type_a(earlier)
    factor = coverage_factor(known.degrees_of_freedom, 1.0 - false_alarm)
    return known.mean, factor * known.standard_deviation * math.sqrt(1.0 + 1.0 / len(earlier))


#: Widest guard band that a rule may ask for, in expanded uncertainties.
_WIDEST = 10.0
_SHARE, _RISK = re.compile(r"(\d+(?:\.\d+)?) U"), re.compile(r"risk (\d+(?:\.\d+)?) %")


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How uncertainty enters the decision; the report prints which one was used.

    The guard band is `share` times the expanded uncertainty (ILAC-G8, table 1), or, where `risk` is stated, as wide as
    it takes for a probability of at most `risk` that what is accepted is outside (0 to 0.5; JCGM 106, 8.3.2; no prior
    knowledge of the true value). Raises ValueError for a share below 0 or above 10, or a risk that is not between.
    """

    share: float = 1.0
    risk: float | None = None

    #: Acceptance limits lie one expanded uncertainty inside the limits, rejection outside.
    GUARDED: ClassVar[DecisionRule]
    #: Uncertainty is ignored (no guard band): the risk is shared.
    SIMPLE: ClassVar[DecisionRule]

    def __post_init__(self) -> None:
        if not 0.0 <= self.share <= _WIDEST:
            raise ValueError(f"a guard band of {self.share!r} U; expected 0 to {_WIDEST:g} U")
        if self.risk is not None and not 0.0 < self.risk < 0.5:  # noqa: PLR2004 - a half is simple acceptance
            raise ValueError(f"a risk of {100.0 * self.risk:g} %; expected more than 0 and less than 50 %")

    @classmethod
    def read(cls, text: str) -> DecisionRule:
        """Return the rule of `guarded`, `simple`, `0.83 U` or `risk 1 %`. Raises ValueError."""
        if text in _NAMED:
            return _NAMED[text]
        if (wide := _SHARE.fullmatch(text)) is not None:
            return cls(share=float(wide[1]))
        if (risk := _RISK.fullmatch(text)) is not None:
            return cls(risk=float(risk[1]) / 100.0)
        raise ValueError(f"{text[:40]!r} is no decision rule; expected guarded, simple, 0.83 U or risk 1 %")

    def __str__(self) -> str:
        if self.risk is not None:
            return f"risk {100.0 * self.risk:.10g} %"
        return next((name for name, rule in _NAMED.items() if rule == self), f"{self.share:.10g} U")

    @property
    def ratio(self) -> float:
        """The guard band in expanded uncertainties, for as good as infinitely many degrees of freedom."""
        return self.guard_band((Term("any", 1.0 / coverage_factor()),))

    @property
    def specific_risk(self) -> float:
        """Largest probability that what is accepted is outside, and that what is refused is inside, 0 to 0.5.

        Near one limit, with normal errors and no prior knowledge of the true value (JCGM 106, 8.3.2).
        """
        return NormalDist().cdf(-self.ratio * coverage_factor())

    def guard_band(self, terms: Iterable[Term]) -> float:
        """Return the guard band w of a reading whose uncertainty is made of these terms, in their unit."""
        if self.risk is not None:
            return expanded_of(terms, 1.0 - 2.0 * self.risk)
        return self.share * expanded_of(terms)


DecisionRule.GUARDED, DecisionRule.SIMPLE = DecisionRule(1.0), DecisionRule(0.0)
_NAMED = {"guarded": DecisionRule.GUARDED, "simple": DecisionRule.SIMPLE}


#: A double holds fifteen significant digits for certain; no value is printed with more.
_DIGITS = 15
#: From this magnitude on, and below the smaller one, both numbers are printed with a common exponent.
_LARGE, _SMALL = Decimal("1e7"), Decimal("1e-4")
#: Rounding may shrink an uncertainty by at most this share (EA-4/02 clause 6.3, from memory).
_LARGEST_LOSS = Decimal("0.05")


def format_measured(value: float, expanded_uncertainty: float, unit: str = "") -> str:
    """Return a result as it is printed: `11.996 V ± 0.008 V`.

    The uncertainty keeps two digits when it begins with 1 or 2 and one digit otherwise (the place of DIN
    1333; GUM 7.2.6 allows two at most), rounded to nearest, or up where nearest would shrink it by more
    than 5 %. The value is rounded to the same place, but never printed with more digits than a double
    holds. Magnitudes from 1e7 and below 1e-4 carry a common exponent: `1.234e9 Bd ± 0.004e9 Bd`. An unknown
    uncertainty (NaN or infinite) is called unknown, and a NaN or infinite value stands alone.
    Raises ValueError when U is negative.
    """
    if expanded_uncertainty < 0.0:
        raise ValueError(f"expanded uncertainty {expanded_uncertainty!r}; expected zero or more")
    suffix = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return f"{value}{suffix}"
    if not math.isfinite(expanded_uncertainty):
        return f"{value:.6g}{suffix} ± unknown"
    if expanded_uncertainty == 0.0:
        return f"{value + 0.0:.{_DIGITS}g}{suffix} ± 0{suffix}"
    exact, wide = Decimal(repr(float(value))), _round_uncertainty(value, expanded_uncertainty)
    place = wide.as_tuple().exponent
    assert isinstance(place, int)  # both numbers are finite here
    near = _at_place(exact, place, ROUND_HALF_EVEN)
    largest = max(abs(near), wide)
    shift = 0 if _SMALL <= largest < _LARGE else largest.adjusted() // 3 * 3
    power = f"e{shift}" if shift else ""
    return f"{_plain(near, shift)}{power}{suffix} ± {_plain(wide, shift)}{power}{suffix}"


def _round_uncertainty(value: float, uncertainty: float) -> Decimal:
    """Return the uncertainty at the place where it, and so the value, is cut."""
    exact = Decimal(repr(float(uncertainty)))
    place = exact.adjusted() - (1 if exact.as_tuple().digits[0] in (1, 2) else 0)
    finest = Decimal(repr(float(value))).adjusted() - (_DIGITS - 1) if value else place
    if place < finest:
        return _at_place(exact, finest, ROUND_CEILING)
    near = _at_place(exact, place, ROUND_HALF_EVEN)
    return near if near >= exact * (1 - _LARGEST_LOSS) else _at_place(exact, place, ROUND_CEILING)


def _at_place(number: Decimal, place: int, rounding: str) -> Decimal:
    return number.quantize(Decimal(1).scaleb(place), rounding=rounding)


def _plain(number: Decimal, shift: int) -> str:
    text = f"{number.scaleb(-shift):f}"
    return text.lstrip("-") if not number else text
