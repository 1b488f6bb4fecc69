"""The words of a report: what a verdict means, how a value is said, which rule was used, a code to compare."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from hilseq.analysis.uncertainty import DecisionRule, format_measured
from hilseq.journal.entries import Reading
from hilseq.quantities import SYMBOLS, UNITS
from hilseq.verdicts import CheckVerdict, Disposition

#: Shape, so that no meaning hangs on colour: every verdict has a sign and a word.
SIGNS = {
    CheckVerdict.PASSED: "\u2713",
    CheckVerdict.FAILED: "\u2717",
    CheckVerdict.STAND_FAULT: "!",
    CheckVerdict.NOT_PERFORMED: "\u2013",
}
DISPOSITION_SIGNS = {
    Disposition.SHIP: "\u2713",
    Disposition.REPAIR: "\u2717",
    Disposition.INCOMPLETE: "\u2013",
    Disposition.STAND_FAULT: "!",
}
#: Worst first, as a reader wants to see it.
WORST_CHECK_FIRST = (
    CheckVerdict.STAND_FAULT,
    CheckVerdict.FAILED,
    CheckVerdict.NOT_PERFORMED,
    CheckVerdict.PASSED,
)
MEANINGS = {
    Disposition.SHIP: "The unit may ship.",
    Disposition.REPAIR: "The unit goes to repair.",
    Disposition.INCOMPLETE: "The unit may not ship on this run.",
    Disposition.STAND_FAULT: "There is no verdict about the unit: repair the stand and test again.",
}
#: What is meant where the samples of a soak are not those that were taken.
DAMAGED = "The samples of its soak are damaged or missing: the unit may not ship on this run."
READING_WORDS = {
    "conforms": "inside",
    "marginal": "too near a limit to decide",
    "fails": "outside",
}
RULES = {
    "guarded": "Guarded acceptance: a reading conforms only when it lies inside its limits by at least its "
    "own expanded uncertainty (k = 2, or Student's factor for few repeats: about 95 % coverage). A unit whose "
    "true value is outside is then accepted with a probability of at most 2.5 % per reading. A reading nearer to "
    "a limit than that, on either side, decides nothing: its check is not performed, and the unit may not ship on "
    "this run. That also costs good units: one whose true value is inside by just its expanded uncertainty is "
    "accepted with a probability of 50 %, one inside by twice that with 97.7 %. (JCGM 106:2012; "
    "ILAC-G8:09/2019, guard band w = U)",
    "simple": "Simple acceptance: a reading conforms when it lies inside its limits. The uncertainty of the "
    "stand is shown but not taken into account, so that near a limit the risk of a wrong decision is shared "
    "and can reach 50 % per reading. (JCGM 106:2012; ILAC-G8:09/2019, guard band w = 0)",
}
CAUTIONS = (
    "Mains parts may be live with the covers off, and capacitors stay charged after the supply is off.",
    "Surfaces can be hot after a soak. Lithium cells must not be shorted, heated or charged.",
    "Handle the unit under protection from electrostatic discharge.",
    "Follow the maker's manual and the local electrical code; where they say otherwise, they are right.",
    "The stand that made this report is no safety function and replaces no emergency stop.",
    "This page states what was measured on one day. It does not guarantee the unit's future behaviour.",
)


_SHORT_RULES = {
    "guarded": "Guarded acceptance: a reading conforms when it lies inside its limits by at least its "
    "expanded uncertainty (k = 2, Student's factor for few repeats); at most 2.5 % probability of accepting a true "
    "value outside, per reading.",
    "simple": "Simple acceptance: a reading conforms when it lies inside its limits; uncertainty is not "
    "taken into account, so that the risk near a limit is shared.",
}


def rule_in_words(rule: DecisionRule, *, short: bool = False) -> str:
    """Return the decision rule as a person reads it: for the report, or `short` for the certificate."""
    usual = (_SHORT_RULES if short else RULES).get(str(rule))
    if usual is not None:
        return usual
    risk = f"{100.0 * rule.specific_risk:.2g} %"
    if rule.risk is not None:
        wide = f"by so much that a true value outside is accepted with a probability of at most {risk}"
        source = "JCGM 106:2012, 8.3.2"
    else:
        wide = f"by at least {rule.share:g} of its expanded uncertainty U"
        source = f"ILAC-G8:09/2019, table 1, guard band w = {rule.share:g} U"
    words = (
        f"Guarded acceptance: a reading conforms when it lies inside its limits {wide} (guard band "
        f"{rule.ratio:.3g} U, k = 2, Student's factor for few repeats); at most {risk} probability of accepting a true "
        "value outside, per reading."
    )
    if short:
        return words
    return (
        f"{words} A reading nearer to a limit than that, on either side, decides nothing: "
        "its check is not performed, and the unit may not ship on this run. A good unit whose true value is inside by "
        f"just the guard band is accepted with a probability of 50 %, one inside by twice that with "
        f"{100.0 * (1.0 - rule.specific_risk):.3g} %. (JCGM 106:2012; {source})"
    )


def worst(verdicts: Iterable[CheckVerdict]) -> CheckVerdict:
    """Return the worst verdict; NOT_PERFORMED when there is none."""
    seen = set(verdicts)
    return next((verdict for verdict in WORST_CHECK_FIRST if verdict in seen), CheckVerdict.NOT_PERFORMED)


def count(number: int, one: str, many: str = "") -> str:
    """Return `1 check`, `3 checks`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def join_truncated(names: Iterable[str], most: int = 6) -> str:
    """Return `q01, q02 and 4 more`."""
    names = list(dict.fromkeys(name for name in names if name))
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"


def at_places(places: Iterable[str], what: str, most: int = 6) -> str:
    """Return what was found with its places, at most so many, before it, each of them once."""
    named = list(places)
    begins = tuple(f"{names}{sign}" for names in _together(named) for sign in ": ")
    return what if what.startswith(begins) else f"{join_truncated(named, most)}: {what}"


def without_places(places: Iterable[str], what: str) -> str:
    """Return what was found without the places that it begins with, for where they stand before it."""
    for names in _together(list(places)):
        if what.startswith(f"{names}: "):
            return what.removeprefix(f"{names}: ")
    return what


def _together(names: Sequence[str]) -> list[str]:
    return [", ".join(names), " and ".join(names)] if any(names) else []


def date(text: str) -> str:
    """Return a journal's date as `2026-11-25 17:41:12 UTC`; what is no date is returned as it is."""
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            return f"{moment:%Y-%m-%d %H:%M:%S}"
        return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (ValueError, TypeError, OverflowError):  # OverflowError: beyond the years 1 to 9999 in UTC
        return str(text)


@dataclass(frozen=True, slots=True)
class DisplayScale:
    """The unit in which a reading is shown: `factor` times the journal's number."""

    unit: str
    factor: float = 1.0

    def number(self, value: float) -> str:
        """Return a bare number, without needless digits."""
        return f"{value * self.factor:.6g}"

    def quantity(self, value: float) -> str:
        """Return a number with its unit."""
        return f"{self.number(value)} {self.unit}".strip()


def symbol(unit: str) -> str:
    """Return a unit as people read it: `µA` for `uA`, `°C` for `degC`, `kΩ` for `kOhm`, `C` for `As`."""
    if unit not in SYMBOLS:
        return unit
    read = unit.replace("degC", "\u00b0C").replace("Ohm", "\u03a9").replace("As", "C")
    return f"\u00b5{read[1:]}" if read.startswith("u") else read


_PREFIXED = ("V", "A", "s", "Ohm", "F", "W")


def scale_of(unit: str, values: Iterable[float | None]) -> DisplayScale:
    """Return the unit whose numbers read best for these values: 0.108 A is shown in mA."""
    largest = max((abs(value) for value in values if value is not None and math.isfinite(value)), default=0.0)
    known = SYMBOLS.get(unit)
    if known is None or known[1] != 1.0 or unit not in _PREFIXED or largest == 0.0:
        return DisplayScale(symbol(unit))
    table = {name: factor for name, factor in UNITS[known[0]][1].items() if factor <= 1.0}
    fitting = [(factor, name) for name, factor in table.items() if factor <= largest * (1 + 1e-9)]
    factor, best = max(fitting, default=min((f, s) for s, f in table.items()))
    return DisplayScale(symbol(best), 1.0 / factor)


def finite(value: object) -> float | None:
    """Return the value when it is a finite number, else None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def scale(reading: Reading) -> DisplayScale:
    """Return the scale of one reading: that of its limits, so that readings with the same limits agree."""
    ends = [end for end in (finite(reading.low), finite(reading.high)) if end]
    return scale_of(reading.unit, ends or [finite(reading.value)])


def show_value(reading: Reading) -> str:
    """Return the value with its uncertainty: `108.3 mA ± 1.2 mA`; what is no number is said as it is."""
    value, shown = finite(reading.value), scale(reading)
    if value is None:
        return f"{reading.value} (no number)"
    uncertainty = finite(reading.uncertainty)
    if uncertainty is None or uncertainty < 0:
        return shown.quantity(value)
    if uncertainty == 0.0:
        return f"{shown.quantity(value)} (exact)"
    return format_measured(value * shown.factor, uncertainty * shown.factor, shown.unit)


def show_limits(reading: Reading) -> str:
    """Return the limits in words: `85 to 135 mA`, `at most 4 s`."""
    low, high, shown = finite(reading.low), finite(reading.high), scale(reading)
    if low is not None and high is not None:
        if low == high:
            return f"exactly {shown.quantity(low)}"
        return f"{shown.number(low)} to {shown.quantity(high)}"
    if high is not None:
        return f"at most {shown.quantity(high)}"
    return f"at least {shown.quantity(low)}" if low is not None else "no limits"


#: Crockford's base 32: no I, L, O, U, which people confuse (https://www.crockford.com/base32.html).
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_BITS, _PER_GROUP = 80, 4


def short_code(chain: str) -> str:
    """Return the first 80 bits of a chain value as four groups of four: `7K3M-92QX-0VBA-TR5W`.

    Eighty bits are for people to compare; machines compare the whole chain value.
    """
    number = int(chain[: _BITS // 4], 16)
    letters = "".join(_ALPHABET[number >> shift & 31] for shift in range(_BITS - 5, -1, -5))
    return "-".join(letters[at : at + _PER_GROUP] for at in range(0, len(letters), _PER_GROUP))
