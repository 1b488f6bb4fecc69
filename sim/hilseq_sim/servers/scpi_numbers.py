"""Parameters of SCPI commands: numbers with suffixes, booleans, channel lists.

After IEEE 488.2, 7.7 and SCPI-1999 volume 1, 7. Pure; every refusal is a ScpiError with its number.
"""

from __future__ import annotations

import math
import re

from hilseq_sim.servers.scpi_errors import ScpiError

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
LARGEST_EXPONENT = 32000
MOST_DIGITS = 255
LONGEST_SUFFIX = 12

MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
#: With these units M means mega: nobody means millihertz.
_MEGA_UNITS = ("HZ", "OHM")

_SPECIAL = {
    "INF": INFINITY,
    "INFINITY": INFINITY,
    "NINF": -INFINITY,
    "NINFINITY": -INFINITY,
    "NAN": NOT_A_NUMBER,
}
_LIMIT_WORDS = {
    "MIN": "low",
    "MINIMUM": "low",
    "MAX": "high",
    "MAXIMUM": "high",
    "DEF": "default",
    "DEFAULT": "default",
}
_BASES = {"H": 16, "Q": 8, "B": 2}

_DECIMAL = re.compile(
    r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?(?:\s*(/?[A-Za-z][A-Za-z0-9./^-]*))?", re.ASCII
)
_STARTS_NUMBER = re.compile(r"[+-]?\.?\d", re.ASCII)
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
_NON_DECIMAL = re.compile(r"#([HQBhqb])([0-9A-Za-z]+)", re.ASCII)
_STRING = re.compile(r"\"(?:[^\"]|\"\")*\"|'(?:[^']|'')*'")
_CHANNELS = re.compile(r"\(@\s*(\d+(?:\s*:\s*\d+)?(?:\s*,\s*\d+(?:\s*:\s*\d+)?)*)\s*\)", re.ASCII)
_MOST_CHANNELS = 64


def check_syntax(parameter: str) -> None:
    """Refuse a parameter that is no program data at all (IEEE 488.2, 7.7)."""
    first = parameter[:1]
    if not first:
        raise ScpiError(-102)
    if first.isascii() and first.isalpha():
        matched = _WORD.match(parameter)
    elif first == "#":
        # a block is well formed, and is then refused by whoever expected a number
        matched = re.match(r"#\d.*", parameter, re.DOTALL) or _NON_DECIMAL.match(parameter)
    elif first in "\"'":
        matched = _STRING.match(parameter)
        if matched is None:
            raise ScpiError(-151)
    elif first == "(":
        matched = re.match(r"\([^()]*\)", parameter)
        if matched is None:
            raise ScpiError(-171)
    elif _STARTS_NUMBER.match(parameter):
        matched = _DECIMAL.match(parameter)
    else:
        raise ScpiError(-102 if first in "+-.*?:)" else -101)
    end = matched.end() if matched else 0
    if end < len(parameter):
        raise ScpiError(_why_not_ended(parameter, end))


def _why_not_ended(parameter: str, end: int) -> int:
    rest = parameter[end:]
    if rest[0].isspace() or rest[0] in ":\"'(#":
        return -103
    if parameter[0] in "+-.#" or parameter[0].isdigit():
        return -121
    return -101


def number(text: str, unit: str | None) -> float:
    """Read a number; `unit` is the unit that may follow, None when no suffix is allowed.

    Raises ScpiError -104 for data that is no number, -224 for an unknown word, -121 to -138 for its form.
    """
    if text[:1].isalpha():
        try:
            return _SPECIAL[text.upper()]
        except KeyError:
            raise ScpiError(-224) from None
    if text[:1] == "#":
        return _non_decimal(text)
    matched = _DECIMAL.fullmatch(text)
    if matched is None:
        raise ScpiError(-104)
    mantissa, exponent, suffix = matched.groups()
    digits = mantissa.lstrip("+-").replace(".", "").lstrip("0")
    if len(digits) > MOST_DIGITS:
        raise ScpiError(-124)
    power = exponent.lstrip("+-0") if exponent else ""
    if len(power) > len(str(LARGEST_EXPONENT)) or int(power or "0") > LARGEST_EXPONENT:
        raise ScpiError(-123)
    value = float(f"{mantissa}e{exponent}" if exponent else mantissa)
    if suffix:
        value *= _factor(suffix.upper(), unit)
    return min(max(value, -INFINITY), INFINITY)


def _factor(suffix: str, unit: str | None) -> float:
    if unit is None:
        raise ScpiError(-138)
    if len(suffix) > LONGEST_SUFFIX:
        raise ScpiError(-134)
    if unit and suffix == unit:
        return 1.0
    if unit and suffix.endswith(unit):
        multiplier = suffix.removesuffix(unit)
        if multiplier == "M" and unit in _MEGA_UNITS:
            return 1e6
        if multiplier in MULTIPLIERS:
            return MULTIPLIERS[multiplier]
    # A multiplier may stand alone, but `5 A` given as a voltage is meant as amperes, not as atto.
    if suffix in MULTIPLIERS and not (unit == "V" and suffix.endswith("A")):
        return MULTIPLIERS[suffix]
    raise ScpiError(-131)


def _non_decimal(text: str) -> float:
    matched = _NON_DECIMAL.fullmatch(text)
    if matched is None:
        raise ScpiError(-104)
    digits = matched[2]
    if len(digits) > MOST_DIGITS:
        raise ScpiError(-124)
    try:
        value = int(digits, _BASES[matched[1].upper()])
    except ValueError:
        raise ScpiError(-121) from None
    return float(value) if value < INFINITY else INFINITY


def level(text: str, unit: str, low: float, high: float, default: float) -> float:
    """Read a setting with MINimum, MAXimum and DEFault; -222 outside `low` to `high`."""
    word = _LIMIT_WORDS.get(text.upper())
    if word is not None:
        return {"low": low, "high": high, "default": default}[word]
    value = number(text, unit)
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def limit(text: str, low: float, high: float, default: float) -> float:
    """Read the parameter of a query for a limit: MINimum, MAXimum or DEFault and nothing else."""
    word = _LIMIT_WORDS.get(text.upper())
    if word is None:
        raise ScpiError(-224 if text[:1].isalpha() else -104)
    return {"low": low, "high": high, "default": default}[word]


def whole(text: str, low: int, high: int) -> int:
    """Read an integer, rounded as IEEE 488.2 asks; -222 outside `low` to `high`."""
    value = number(text, None)
    if not low - 0.5 <= value < high + 0.5:
        raise ScpiError(-222)
    return math.floor(value + 0.5)


def boolean(text: str) -> bool:
    """Read ON, OFF or a number, which is rounded: anything but 0 is on."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    value = number(text, None)
    return math.floor(value + 0.5) != 0


def is_channel_list(text: str) -> bool:
    """Return whether a parameter is meant as a channel list."""
    return text.startswith("(")


def channels(text: str) -> tuple[int, ...]:
    """Read a channel list such as (@1) or (@1:3,5)."""
    matched = _CHANNELS.fullmatch(text)
    if matched is None:
        raise ScpiError(-171)
    numbers: list[int] = []
    for part in matched[1].split(","):
        first, _, last = part.partition(":")
        if len(first.strip()) > 4 or len(last.strip()) > 4:  # noqa: PLR2004 - no instrument has 10,000 outputs
            raise ScpiError(-222)
        start = int(first)
        end = int(last) if last else start
        step = 1 if end >= start else -1
        numbers.extend(range(start, end + step, step))
        if len(numbers) > _MOST_CHANNELS:
            raise ScpiError(-222)
    return tuple(numbers)


def written(value: float) -> str:
    """Write a number as a query answers it: nine significant digits, more than any supply resolves."""
    if value != value or value in (math.inf, -math.inf):  # noqa: PLR0124 - not a number
        return {math.inf: "9.9E+37", -math.inf: "-9.9E+37"}.get(value, "9.91E+37")
    return f"{value:.9G}"
