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
_ALMOST = re.compile(rf"\s*{_NUMBER}\s*([^\s\d]+)")
_ONE = re.compile(rf"\s*({_NUMBER})\s*({_SYMBOL})\s*")
_RANGE = re.compile(rf"\s*({_NUMBER})\s*\.\.\s*({_NUMBER})\s*({_SYMBOL})\s*")
#: Longer texts are refused unread: nobody writes a quantity of two hundred characters.
LONGEST = 200
#: So much of a wrong text is repeated in its message.
_SHOWN = 40


class QuantityError(ValueError):
    """The text is not a quantity of the dimension asked for.

    Holds what was expected and the nearest right unit, if the unit was misspelt.
    """

    def __init__(self, text: str, expected: str, nearest: str = "") -> None:
        shown = text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
        super().__init__(f"{shown!r} is not {expected}")
        self.expected = expected
        self.nearest = nearest


def legal_forms(dimension: str) -> str:
    """Return the sentence that tells how a quantity of `dimension` is written."""
    _, table = UNITS[dimension]
    return f"a {dimension} with one of the units {', '.join(table)}"


#: What people write out of habit, and the symbol it stands for here.
_HABITS = {
    "volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "ohm": "Ohm", "ohms": "Ohm",
    "Ω": "Ohm", "kΩ": "kOhm", "MΩ": "MOhm", "mΩ": "mOhm", "k": "kOhm",
    "µA": "uA", "μA": "uA", "µV": "uV", "μV": "uV",
    "µF": "uF", "μF": "uF", "µs": "us", "μs": "us", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "msec": "ms", "minute": "min", "minutes": "min", "mins": "min", "m": "min", "hour": "h", "hours": "h",
    "hr": "h", "hrs": "h", "day": "d", "days": "d", "year": "a", "years": "a", "y": "a", "C": "degC",
    "°C": "degC", "℃": "degC", "deg": "degC", "Kelvin": "K", "baud": "Bd", "bd": "Bd", "bps": "Bd",
    "percent": "%", "watt": "W", "watts": "W", "hertz": "Hz", "Hertz": "Hz",
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
    known = SYMBOLS.get(unit)
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


def _factor(symbol: str, dimension: str, text: str) -> float:
    known = SYMBOLS.get(symbol)
    if known is None or known[0] != dimension:
        raise QuantityError(text, legal_forms(dimension), nearest_unit(symbol, dimension))
    return known[1]


def _misread(text: str, expected: str, dimension: str) -> QuantityError:
    """Return the error for a text that is not even of the right form, with the unit it nearly has."""
    match = _ALMOST.match(text)
    near = nearest_unit(match[1].strip(), dimension) if match and len(text) <= LONGEST else ""
    return QuantityError(text, expected, near)


def parse(text: str, dimension: str) -> float:
    """Return the quantity in the base unit of `dimension`.

    Times may be sums (`11 h 42 min`, `11h42min`). Raises QuantityError with the legal forms.
    """
    if len(text) > LONGEST:
        raise QuantityError(text, legal_forms(dimension))
    total, position, count = 0.0, 0, 0
    while position < len(text):
        match = _ONE.match(text, position)
        if match is None or (count and dimension != "time"):
            raise _misread(text, legal_forms(dimension), dimension)
        total += float(match[1]) * _factor(match[2], dimension, text)
        position, count = match.end(), count + 1
    if not count or not math.isfinite(total):
        raise QuantityError(text, legal_forms(dimension))
    return total


@dataclass(frozen=True, slots=True)
class Interval:
    """A closed range in base units; `low` <= `high`."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        """Tell whether the value lies inside, ends included."""
        return self.low <= value <= self.high

    @property
    def span(self) -> float:
        """Width, in the base unit."""
        return self.high - self.low


def parse_interval(text: str, dimension: str) -> Interval:
    """Return `20.4..28.8 V` as an Interval in base units. Raises QuantityError."""
    expected = f"a range such as 1..2 {UNITS[dimension][0]} ({legal_forms(dimension)})"
    match = _RANGE.fullmatch(text) if len(text) <= LONGEST else None
    if match is None:
        raise QuantityError(text, expected)
    factor = _factor(match[3], dimension, text)
    low, high = float(match[1]) * factor, float(match[2]) * factor
    if not (math.isfinite(low) and math.isfinite(high)) or low > high:
        raise QuantityError(text, f"{expected}, the lower end first")
    return Interval(low, high)


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


def parse_accuracy(text: str, dimension: str) -> AccuracyTerms:
    """Return `0.05 % + 10 mV` or `0.3 % of range` as AccuracyTerms. Raises QuantityError."""
    example = f"0.05 % + 10 {UNITS[dimension][0]}, 0.3 % of range, or a sum of these"
    expected = f"an accuracy such as {example}"
    of_reading = of_range = fixed = 0.0
    for part in text.split("+") if len(text) <= LONGEST else [""]:
        match = re.fullmatch(rf"\s*({_NUMBER})\s*({_SYMBOL})(\s+of\s+range|\s+of\s+reading)?\s*", part)
        if match is None or float(match[1]) < 0:
            raise QuantityError(text, expected)
        known = SYMBOLS.get(match[2])
        # An error of a temperature is a difference: 0.5 K and 0.5 degC mean the same.
        wanted = ("ratio", dimension, "temperature difference" if dimension == "temperature" else dimension)
        if known is None or known[0] not in wanted:
            raise QuantityError(text, expected, nearest_unit(match[2], dimension))
        value = float(match[1]) * known[1]
        if known[0] == "ratio":
            if (match[3] or "").split()[-1:] == ["range"]:
                of_range += value
            else:
                of_reading += value
        elif match[3]:
            raise QuantityError(text, expected)
        else:
            fixed += value
    return AccuracyTerms(of_reading, of_range, fixed)


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
