"""What an unquoted word of YAML means: number, truth value, date, nothing, or text."""

from __future__ import annotations

import datetime as dt
import re

from hilseq.description.source_position import Scalar

_NOTHING = frozenset({"", "~", "null", "Null", "NULL"})
_TRUTH = {
    spelling: truth
    for word, truth in {
        "yes": True,
        "on": True,
        "true": True,
        "no": False,
        "off": False,
        "false": False,
    }.items()
    for spelling in (word, word.capitalize(), word.upper())
}
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9_]*)")
_HEX = re.compile(r"[-+]?0x[0-9a-fA-F_]+")
_BINARY = re.compile(r"[-+]?0b[01_]+")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9_]+")
_FLOAT = re.compile(r"[-+]?(?:[0-9][0-9_]*\.[0-9_]*|\.[0-9][0-9_]*)(?:[eE][-+][0-9]+)?")
_DATE = re.compile(r"(\d{4})-(\d\d?)-(\d\d?)")
#: SourcePosition as a number, but text to YAML 1.1, which wants a point and a signed exponent.
_ALMOST_FLOAT = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)[eE][-+]?[0-9]+")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?")
#: Longest number that is read; the largest number in a description has ten digits.
_LONGEST = 40


class ScalarTrapError(ValueError):
    """The word means something else to YAML than to the person who wrote it."""

    def __init__(self, wrong: str, expected: str) -> None:
        super().__init__(f"{wrong}; expected {expected}")
        self.wrong = wrong
        self.expected = expected


def read_scalar(text: str) -> Scalar:
    """Return the value of an unquoted word. Raises ScalarTrapError."""
    if text in _NOTHING:
        return None
    if text in _TRUTH:
        return _TRUTH[text]
    if text[0] in "+-.0123456789":
        return _number_or_date(text)
    return text


def _number_or_date(text: str) -> Scalar:
    integer = _INT.fullmatch(text) or _HEX.fullmatch(text) or _BINARY.fullmatch(text)
    if (integer or _FLOAT.fullmatch(text)) and len(text) > _LONGEST:
        raise ScalarTrapError(
            f"a number of {len(text)} digits", f"at most {_LONGEST} digits, or quotes around it"
        )
    if integer:
        digits = text.replace("_", "")
        if digits.lower().lstrip("+-") in ("0x", "0b"):
            return text
        return int(digits, 0)
    if _LEADING_ZERO.fullmatch(text):
        digits = text.replace("_", "").lstrip("+-")
        short = digits.lstrip("0") or "0"
        raise ScalarTrapError(
            f"{text[:_LONGEST]} begins with 0, which YAML reads as an octal number",
            f"{short[:_LONGEST]} for the number, or '{text[:_LONGEST]}' in quotes for a text",
        )
    if _FLOAT.fullmatch(text) and text.strip("+-._"):
        return float(text.replace("_", ""))
    date = _DATE.fullmatch(text)
    if date:
        try:
            return dt.date(int(date[1]), int(date[2]), int(date[3]))
        except ValueError:
            raise ScalarTrapError(f"there is no day {text}", "a date YYYY-MM-DD") from None
    return text


def number_hint(text: str) -> str:
    """Explain why a word that looks like a number is text to YAML; empty when it does not."""
    if _ALMOST_FLOAT.fullmatch(text):
        try:
            value = float(text)
        except (ValueError, OverflowError):
            return ""
        plain = repr(value)
        return plain if _FLOAT.fullmatch(plain) else f"{value:.6e}"
    return ""


def looks_sexagesimal(text: str) -> bool:
    """Tell whether YAML 1.1 would read the word as a number to base 60, such as 12:30:00."""
    return _SEXAGESIMAL.fullmatch(text) is not None
