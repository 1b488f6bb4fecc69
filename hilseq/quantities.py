"""Quantities as people write them: `24 V`, `450 mA`, `11 h 42 min`, `0.05 % + 10 mV`, `4..20 mA`.

A fixed set of units is enough for a test stand and makes every misspelling an error with the legal
forms in it. Values are held in the base unit of their dimension as floats.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

#: dimension -> (base unit, {symbol: factor to the base unit})
UNITS: dict[str, tuple[str, dict[str, float]]] = {
    "voltage": ("V", {"uV": 1e-6, "mV": 1e-3, "V": 1.0, "kV": 1e3}),
    "current": ("A", {"nA": 1e-9, "uA": 1e-6, "mA": 1e-3, "A": 1.0}),
    "resistance": ("Ohm", {"mOhm": 1e-3, "Ohm": 1.0, "kOhm": 1e3, "MOhm": 1e6}),
    "capacitance": ("F", {"pF": 1e-12, "nF": 1e-9, "uF": 1e-6, "mF": 1e-3, "F": 1.0}),
    "power": ("W", {"mW": 1e-3, "W": 1.0, "kW": 1e3}),
    "time": (
        "s",
        {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "a": 365.25 * 86400.0},
    ),
    "temperature": ("degC", {"degC": 1.0}),
    "temperature difference": ("K", {"mK": 1e-3, "K": 1.0}),
    "frequency": ("Hz", {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}),
    "line speed": ("Bd", {"Bd": 1.0, "kBd": 1e3}),
    "ratio": ("1", {"%": 1e-2, "ppm": 1e-6}),
    "thermal resistance": ("K/W", {"K/W": 1.0}),
    "charge": ("As", {"uAs": 1e-6, "mAs": 1e-3, "As": 1.0}),
    "slew rate": ("V/s", {"V/s": 1.0, "V/ms": 1e3}),
}

#: symbol -> (dimension, factor); symbols are unique over all dimensions
SYMBOLS: dict[str, tuple[str, float]] = {
    symbol: (dimension, factor) for dimension, (_, table) in UNITS.items() for symbol, factor in table.items()
}

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_SYMBOL = r"[A-Za-z%][A-Za-z/]*"
_ONE = re.compile(rf"\s*({_NUMBER})\s*({_SYMBOL})\s*")
_RANGE = re.compile(rf"\s*({_NUMBER})\s*\.\.\s*({_NUMBER})\s*({_SYMBOL})\s*")
#: Longer texts are refused unread: nobody writes a quantity of two hundred characters.
LONGEST = 200
#: So much of a wrong text is repeated in its message.
_SHOWN = 40


class QuantityError(ValueError):
    """The text is not a quantity of the dimension asked for.

    Holds what was expected and what was probably meant: the whole quantity, or the unit where only that was asked.
    """

    def __init__(self, text: str, expected: str, nearest: str = "") -> None:
        shown = text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
        super().__init__(f"{shown!r} is not {expected}")
        self.expected = expected
        self.nearest = nearest


def legal_forms(dimension: str) -> str:
    """Return the sentence that tells how a quantity of `dimension` is written."""
    _, table = UNITS[dimension]
    units = f"one of the units {', '.join(table)}" if len(table) > 1 else f"the unit {next(iter(table))}"
    return f"a {dimension} with {units}"


#: Two spellings of one symbol: the micro sign and the Greek letter, the ohm sign and the Greek letter, the minus sign.
_SPELLINGS = str.maketrans(
    {"\u00b5": "u", "\u03bc": "u", "\u03a9": "Ohm", "\u2126": "Ohm", "\u2103": "degC", "\u2212": "-"}
)


def plain_symbols(text: str) -> str:
    """Return a text with the symbols of UNITS: `µA` is `uA`, `Ω` is `Ohm`, `°C` is `degC`."""
    return text.translate(_SPELLINGS).replace("\u00b0C", "degC")


#: What people write out of habit, and the symbol it stands for here.
_HABITS = {
    "volt": "V", "volts": "V", "VDC": "V", "VAC": "V", "amp": "A", "amps": "A", "ampere": "A", "ADC": "A",
    "ohm": "Ohm", "ohms": "Ohm", "R": "Ohm", "k": "kOhm", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "msec": "ms", "minute": "min", "minutes": "min", "mins": "min", "m": "min", "hour": "h", "hours": "h",
    "hr": "h", "hrs": "h", "day": "d", "days": "d", "year": "a", "years": "a", "y": "a", "C": "degC",
    "deg": "degC", "Kelvin": "K", "baud": "Bd",
    "bd": "Bd", "bps": "Bd", "bit/s": "Bd", "kbps": "kBd",
    "percent": "%", "pct": "%", "watt": "W", "watts": "W", "hertz": "Hz", "Hertz": "Hz",
}  # fmt: skip


def nearest_unit(symbol: str, dimension: str) -> str:
    """Return the unit of `dimension` that was probably meant by a misspelt symbol, or an empty text."""
    _, table = UNITS[dimension]
    habit = _HABITS.get(symbol) or _HABITS.get(symbol.lower())
    if habit is not None and habit in table:
        return habit
    folded = [known for known in table if known.lower() == symbol.lower()]
    return folded[0] if len(folded) == 1 and folded[0] != symbol else ""


def dimension_of(unit: str) -> str:
    """Return the dimension of a unit symbol; `ratio` for an empty one. Raises QuantityError."""
    if not unit:
        return "ratio"
    known = SYMBOLS.get(plain_symbols(unit))
    if known is None:
        near = [found for found in (nearest_unit(unit, dimension) for dimension in UNITS) if found]
        raise QuantityError(unit, f"one of the units {', '.join(SYMBOLS)}", near[0] if near else "")
    return known[0]


def base_unit(unit: str) -> tuple[str, float]:
    """Return the base unit of a unit symbol, and how many of it one is: `mA` is 0.001 `A`, `%` a plain 0.01.

    What is no symbol of ours (a plain number) is its own base unit.
    """
    known = SYMBOLS.get(unit)
    if known is None:
        return unit, 1.0
    dimension, factor = known
    return ("" if dimension == "ratio" else UNITS[dimension][0]), factor


_SEPARATORS = r"(?:\.{2,3}|\u2026|-|\u2013|\u2014|~|/|to|\.\.)"
_ALMOST_RANGE = re.compile(
    rf"\s*({_NUMBER})\s*([^\s\d.\u2026~/\u2013\u2014-]*)\s*{_SEPARATORS}\s*({_NUMBER})\s*([^\s\d]+)\s*"
)
_PLUS_MINUS = re.compile(
    rf"\s*({_NUMBER})\s*([^\s\d\u00b1]*)\s*(?:\u00b1|\+/?-)\s*({_NUMBER})\s*([^\s\d]+)\s*"
)
_SYMBOL_LIKE = re.compile(r"(?<=\d)\s*([^\W\d][^\W\d/]*(?:/[^\W\d]+)?)")
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
#: A comma in front of three digits may stand for thousands: what was meant is not guessed.
_THOUSANDS = re.compile(r"\d,\d{3}(?!\d)|\d\.\d+,|,\d+,")


def _with_units_put_right(text: str, dimension: str) -> str:
    """Return a text with points for decimal commas and the units of `dimension` for those of habit."""
    if not _THOUSANDS.search(text):
        text = _DECIMAL_COMMA.sub(".", text)
    text = re.sub(r"(?<=[VA])\s+[DA]C\b", "", text)
    text = _SYMBOL_LIKE.sub(lambda found: f" {nearest_unit(found[1], dimension) or found[1]} ", text)
    return " ".join(text.split())


def _misread(text: str, expected: str, dimension: str) -> QuantityError:
    """Return the error for a text that is no quantity, with the one that was probably meant."""
    meant = _with_units_put_right(plain_symbols(text), dimension).strip()
    try:
        right = _sum_of_parts(meant, dimension) is not None
    except OverflowError:
        right = False
    return QuantityError(text, expected + _about_commas(text), meant if right else "")


def _about_commas(text: str) -> str:
    return (
        "; decimals stand behind a point, and nothing between thousands" if re.search(r"\d,\d", text) else ""
    )


def parse(text: str, dimension: str) -> float:
    """Return the quantity in the base unit of `dimension`.

    Times may be sums (`11 h 42 min`, `11h42min`). Raises QuantityError with the legal forms.
    """
    expected = legal_forms(dimension)
    if len(text) > LONGEST:
        raise QuantityError(text, expected)
    plain = plain_symbols(text)
    if dimension == "charge":
        plain = _COULOMB.sub("As", plain)
    total = _sum_of_parts(plain, dimension)
    if total is None:
        raise _misread(text, expected, dimension)
    if not math.isfinite(total):
        raise QuantityError(text, expected)
    return total


#: One coulomb is one ampere second (SI brochure, 9th edition, table 4).
_COULOMB = re.compile(r"(?<=[\d\sum])C(?!\w)")


def _sum_of_parts(text: str, dimension: str) -> float | None:
    """Return the sum of the parts of a time, or the one part of another dimension; None when it is no quantity."""
    total, position = 0.0, 0
    while position < len(text):
        match = _ONE.match(text, position)
        known = SYMBOLS.get(match[2]) if match is not None else None
        if match is None or known is None or known[0] != dimension or (position and dimension != "time"):
            return None
        total += float(match[1]) * known[1]
        position = match.end()
    return total if position else None


@dataclass(frozen=True, slots=True)
class Interval:
    """A closed range in base units; `low` <= `high`."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        """Return whether the value lies inside, ends included."""
        return self.low <= value <= self.high

    @property
    def span(self) -> float:
        """Width, in the base unit."""
        return self.high - self.low


def parse_interval(text: str, dimension: str) -> Interval:
    """Return `20.4..28.8 V` as an Interval in base units. Raises QuantityError."""
    expected = f"a range such as 1..2 {UNITS[dimension][0]} ({legal_forms(dimension)})"
    match = _RANGE.fullmatch(plain_symbols(text)) if len(text) <= LONGEST else None
    known = SYMBOLS.get(match[3]) if match is not None else None
    if match is None or known is None or known[0] != dimension:
        raise QuantityError(text, expected + _about_commas(text), _range_meant(text, dimension))
    low, high = float(match[1]) * known[1], float(match[2]) * known[1]
    if not (math.isfinite(low) and math.isfinite(high)) or low > high:
        swapped = f"{match[2]}..{match[1]} {match[3]}" if low > high else ""
        raise QuantityError(text, f"{expected}, the lower end first", swapped)
    return Interval(low, high)


def _range_meant(text: str, dimension: str) -> str:
    """Return the range that was probably meant by `20-28 V`, `20 V to 28 V` or `24 V ± 4 V`, or an empty text."""
    if len(text) > LONGEST:
        return ""
    plain = _with_units_put_right(plain_symbols(text), dimension)
    match = _ALMOST_RANGE.fullmatch(plain)
    if match is not None and match[2] in ("", match[4]):
        return _if_right(f"{match[1]}..{match[3]} {match[4]}", dimension)
    match = _PLUS_MINUS.fullmatch(plain)
    if match is None:
        return ""
    middle, half = float(match[1]), float(match[3])
    unit = match[4]
    if unit == "%" and match[2]:
        half, unit = abs(middle) * half / 100, match[2]
    if match[2] not in ("", unit):
        return ""
    return _if_right(f"{middle - half:.10g}..{middle + half:.10g} {unit}", dimension)


def _if_right(text: str, dimension: str) -> str:
    match = _RANGE.fullmatch(text)
    known = SYMBOLS.get(match[3]) if match is not None else None
    return text if match and known and known[0] == dimension and float(match[1]) <= float(match[2]) else ""


@dataclass(frozen=True, slots=True)
class AccuracyTerms:
    """The accuracy of an instrument: `of_reading` x |reading| + `of_range` x span + `fixed`.

    `of_reading` and `of_range` are ratios (0.0005 for 0.05 %), `fixed` is in the base unit.
    """

    of_reading: float = 0.0
    of_range: float = 0.0
    fixed: float = 0.0

    def limit(self, reading: float, span: float = 0.0) -> float:
        """Largest error at `reading`, in the base unit."""
        return self.of_reading * abs(reading) + self.of_range * span + self.fixed


#: The fixed part of an example of an accuracy, where 10 of the base unit would be absurd.
_FIXED = {
    "voltage": "10 mV",
    "current": "2 mA",
    "temperature": "0.5 K",
    "resistance": "0.2 Ohm",
    "ratio": "1",
}


def accuracy_of_channel(text: str, unit: str) -> AccuracyTerms:
    """Return the accuracy of a channel whose values have a unit, in the base unit. Raises QuantityError.

    Of a count, and of a channel in % or ppm, the fixed part is a number alone: `0.1 % + 1`.
    """
    dimension = dimension_of(unit)
    return parse_accuracy(text, dimension, plain=base_unit(unit)[1] if dimension == "ratio" else None)


def parse_accuracy(text: str, dimension: str, *, plain: float | None = None) -> AccuracyTerms:
    """Return `0.05 % + 10 mV` or `0.3 % of range` as AccuracyTerms. Raises QuantityError.

    `plain`: what 1 without a unit is worth, in the base unit; None where a unit must stand.
    """
    fixed_example = _FIXED.get(dimension, f"10 {UNITS[dimension][0]}")
    expected = f"an accuracy such as 0.05 % + {fixed_example}, 0.3 % of range, or a sum of these"
    terms = _accuracy_terms(plain_symbols(text), dimension, plain) if len(text) <= LONGEST else None
    if terms is None:
        if re.search(r"\b(?:digits?|counts?|dgts?|lsd)\b", text, re.IGNORECASE):
            expected += f"; digits are written as what they are worth, such as {fixed_example}"
        raise QuantityError(text, expected + _about_commas(text), _accuracy_meant(text, dimension))
    return terms


def _accuracy_terms(text: str, dimension: str, plain: float | None = None) -> AccuracyTerms | None:
    of_reading = of_range = fixed = 0.0
    # An error of a temperature is a difference: 0.5 K and 0.5 degC mean the same.
    wanted = ("ratio", dimension, "temperature difference" if dimension == "temperature" else dimension)
    for part in text.split("+"):
        if plain is not None and re.fullmatch(rf"\s*{_NUMBER}\s*", part) and float(part) >= 0:
            fixed += float(part) * plain
            continue
        match = re.fullmatch(rf"\s*({_NUMBER})\s*({_SYMBOL})(\s+of\s+range|\s+of\s+reading)?\s*", part)
        known = SYMBOLS.get(match[2]) if match is not None else None
        if match is None or known is None or known[0] not in wanted or float(match[1]) < 0:
            return None
        value = float(match[1]) * known[1]
        if known[0] == "ratio":
            if (match[3] or "").split()[-1:] == ["range"]:
                of_range += value
            else:
                of_reading += value
        elif match[3]:
            return None
        else:
            fixed += value
    return AccuracyTerms(of_reading, of_range, fixed)


#: What data sheets write for the range and the reading.
_OF_RANGE = re.compile(
    r"(?<!\s)\s*(?:of\s+)?\b(?:FSR?|F\.S\.(?:R\.)?|full[ -]scale|span|range)(?!\w)", re.IGNORECASE
)
_OF_READING = re.compile(r"(?<!\s)\s*(?:of\s+)?\b(?:rdg\.?|reading|value)(?!\w)", re.IGNORECASE)


def _accuracy_meant(text: str, dimension: str) -> str:
    """Return the accuracy that was probably meant by `±0.5 % FS`, or an empty text."""
    if len(text) > LONGEST:
        return ""
    plain = re.sub(r"\u00b1|\+/-", "", plain_symbols(text))
    plain = _OF_READING.sub(" of reading", _OF_RANGE.sub(" of range", re.sub(r"\s*%", " %", plain)))
    if not _THOUSANDS.search(plain):
        plain = _DECIMAL_COMMA.sub(".", plain)
    units = {"temperature": "temperature difference"}.get(dimension, dimension)
    plain = re.sub(
        r"(?<=\d)\s*([^\W\d]+)", lambda found: f" {nearest_unit(found[1], units) or found[1]}", plain
    )
    meant = " + ".join(" ".join(part.split()) for part in plain.split("+"))
    return meant if meant != text and _accuracy_terms(meant, dimension) is not None else ""


_MINUTE, _HOUR, _DAY = 60, 3600, 86400
#: Below these, three digits still show less than a whole second, or a whole minute.
_BELOW_ONE_SECOND, _BELOW_ONE_MINUTE = 0.9995, 59.95
#: From here on days are easier to grasp than hours.
_DAYS_FROM = 3 * _DAY


def show_duration(seconds: float) -> str:
    """Return a duration as a person says it: `850 ms`, `12.5 s`, `11 h 42 min`, `3 d 4 h`."""
    if not math.isfinite(seconds):
        return f"{seconds} s"
    if seconds < 0:
        return "-" + show_duration(-seconds)
    if seconds < _BELOW_ONE_MINUTE:
        return f"{seconds:.3g} s" if seconds >= _BELOW_ONE_SECOND else f"{seconds * 1e3:.3g} ms"
    if round(seconds) < _HOUR:
        return _two_parts(round(seconds), _MINUTE, "min", 1, "s")
    if round(seconds / _MINUTE) * _MINUTE < _DAYS_FROM:
        return _two_parts(round(seconds / _MINUTE) * _MINUTE, _HOUR, "h", _MINUTE, "min")
    return _two_parts(round(seconds / _HOUR) * _HOUR, _DAY, "d", _HOUR, "h")


def _two_parts(seconds: int, large: int, large_unit: str, small: int, small_unit: str) -> str:
    whole, rest = divmod(seconds, large)
    return f"{whole} {large_unit} {rest // small} {small_unit}" if rest else f"{whole} {large_unit}"
