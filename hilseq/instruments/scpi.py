"""SCPI-1999 and IEEE 488.2 in text: numbers, booleans, error entries, identities, command templates.

Pure: knows the forms of the standard and the commonest deviations of real instruments. Must not know
sessions, instruments or deadlines. What cannot be understood raises `DecodeError`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from string import Formatter
from typing import NamedTuple

from hilseq.instruments.protocols import Identification
from hilseq.instruments.translate import DecodeError, quote

#: IEEE 488.2, 7.7.2.4.1: longer mantissas and larger exponents are errors -124 and -123.
MOST_DIGITS = 255
LARGEST_EXPONENT = 32000
#: Longest text that is looked at as one number.
LONGEST_NUMBER = 300

#: SCPI-1999, 7.2.1.4 and 7.2.1.5: the numbers that stand for infinity and for `not a number`.
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
_SPECIAL = {
    "INF": math.inf,
    "INFINITY": math.inf,
    "+INF": math.inf,
    "+INFINITY": math.inf,
    "NINF": -math.inf,
    "NINFINITY": -math.inf,
    "-INF": -math.inf,
    "-INFINITY": -math.inf,
    "NAN": math.nan,
}

#: IEEE 488.2, 7.7.3: suffix multipliers.
MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
#: The same clause: with these units M means mega.
_MEGA_UNITS = frozenset({"HZ", "OHM"})

_DECIMAL = re.compile(
    r"([+-]?)([0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:\s*E\s*([+-]?[0-9]{1,10}))?\s*([A-Z]*)",
    re.ASCII | re.IGNORECASE,
)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+(?:E[+-]?[0-9]+)?\s*[A-Z]*", re.ASCII | re.IGNORECASE)
#: An `E` can begin the multiplier `EX`; the pattern above wants digits behind it, so nothing is ambiguous.
_RADIX = {"H": 16, "Q": 8, "B": 2}
_MOST_RADIX_DIGITS = 64
_DIGITS = {"H": "0123456789ABCDEF", "Q": "01234567", "B": "01"}


def _suffix_factor(suffix: str, unit: str, text: str) -> float:
    suffix, unit = suffix.upper(), unit.upper()
    if not suffix:
        return 1.0
    # With a unit a bare multiplier is refused: `24 A` is no voltage of 24 atto.
    multiplier = suffix.removesuffix(unit)
    if unit in _MEGA_UNITS and multiplier == "M":
        return 1e6
    if unit and not suffix.endswith(unit):
        multiplier = "?"
    if multiplier not in MULTIPLIERS:
        raise DecodeError(
            f"'{quote(text)}' has the unknown suffix {suffix}" + (f", expected {unit}" if unit else "")
        )
    return MULTIPLIERS[multiplier]


def _parse_radix(word: str) -> float:
    radix, digits = word[1:2].upper(), word[2:].upper()
    if radix not in _RADIX or not 0 < len(digits) <= _MOST_RADIX_DIGITS or digits.strip(_DIGITS[radix]):
        raise DecodeError(f"'{quote(word)}' is not a number; expected #H, #Q or #B with digits")
    return float(int(digits, _RADIX[radix]))


def _parse_decimal(word: str, unit: str) -> float:
    match = _DECIMAL.fullmatch(word)
    if match is None:
        comma = "; it writes a decimal comma: set it to a decimal point" if _COMMA.fullmatch(word) else ""
        raise DecodeError(f"'{quote(word)}' is not a number{comma}")
    sign, mantissa, exponent, suffix = match.groups(default="")
    if len(mantissa.replace(".", "").lstrip("0")) > MOST_DIGITS:
        raise DecodeError(f"'{quote(word)}' has more than {MOST_DIGITS} digits")
    if exponent and abs(int(exponent)) > LARGEST_EXPONENT:
        raise DecodeError(f"'{quote(word)}' has an exponent beyond {LARGEST_EXPONENT}")
    value = float(f"{sign}{mantissa}E{exponent or 0}") * _suffix_factor(suffix, unit, word)
    if math.isinf(value):
        raise DecodeError(f"'{quote(word)}' is too large for a number")
    return value


def parse_number(text: str, unit: str = "") -> float:
    """Return the number in any form of IEEE 488.2: `24`, `+2.4E1`, `24000m`, `#H18`, `INF`, `24.0 V`.

    `unit` is the unit an instrument may write behind its number. Infinity and `not a
    number` come back as such. Raises DecodeError.
    """
    word = text.strip()
    if len(word) > LONGEST_NUMBER:
        raise DecodeError(f"'{quote(text)}' is too long for a number")
    if word.upper() in _SPECIAL:
        return _SPECIAL[word.upper()]
    value = _parse_radix(word) if word[:1] == "#" else _parse_decimal(word, unit)
    if value == NOT_A_NUMBER:
        return math.nan
    return math.copysign(math.inf, value) if abs(value) >= INFINITY else value


def last_digit(text: str, unit: str = "") -> float:
    """Return what one in the last digit of a number is worth: 0.01 of `24.00` and of `+2.400E+01`; 0 of another form.

    `unit` as for `parse_number`, which takes the same text.
    """
    match = _DECIMAL.fullmatch(text.strip())
    if match is None:
        return 0.0
    _, mantissa, exponent, suffix = match.groups(default="")
    decimals = len(mantissa.partition(".")[2])
    return float(f"1E{int(exponent or 0) - decimals}") * _suffix_factor(suffix, unit, text)


class NothingMeasuredError(DecodeError):
    """An answer that stands for infinity or for `not a number`."""


def parse_measurement(text: str, unit: str = "") -> float:
    """Return a measured number. Infinity and `not a number` mean that nothing was measured: NothingMeasuredError."""
    value = parse_number(text, unit)
    if not math.isfinite(value):
        raise NothingMeasuredError(
            f"'{quote(text)}' says that nothing was measured (overflow or not a number)"
        )
    return value


def parts_of(text: str, count: int) -> list[str]:
    """Return the texts of so many numbers separated by `,` or `;`. Raises DecodeError."""
    parts = re.split(r"[,;]", text)
    if len(parts) != count:
        raise DecodeError(f"'{quote(text)}' holds {len(parts)} values, expected {count}")
    return parts


def parse_record(text: str, unit: str, count: int) -> list[float]:
    """Return the readings of a waveform, `count` numbers separated by commas. Raises DecodeError.

    Another number of them would mean another time base.
    """
    parts = text.split(",")
    if len(parts) != count:
        raise DecodeError(f"'{quote(text)}' holds {len(parts)} readings; expected {count}, by `waveform`")
    return [parse_measurement(part, unit) for part in parts]


def parse_boolean(text: str) -> bool:
    """Return a switch state. The standard answers 1 or 0; ON, OFF and other numbers are understood too.

    A number counts as on when it rounds to something else than 0 (SCPI-1999, 7.3). Raises DecodeError.
    """
    word = text.strip().upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return round(parse_measurement(word)) != 0


#: SCPI-1999, 21.8: the numbers and their texts, for instruments that answer with the number alone.
ERROR_TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -310: "System error",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

#: (from, to, what the instrument means by it); SCPI-1999, 21.8.
_CLASSES = (
    (-199, -100, "it does not understand the command"),
    (-299, -200, "it understands the command but cannot carry it out"),
    (-399, -300, "a fault of the instrument itself"),
    (-499, -400, "question and answer got out of step"),
    (-599, -500, "it was switched off and on"),
    (1, 32767, "an error of the maker's own list"),
)
#: User request, request control, operation complete: events in the same queue, no errors.
_EVENTS = range(-899, -599)


class ErrorEntry(NamedTuple):
    """One entry of the error/event queue."""

    number: int
    text: str

    @property
    def is_empty(self) -> bool:
        """Return whether the entry says that the queue is empty."""
        return self.number == 0

    @property
    def is_error(self) -> bool:
        """Return whether it is an error; positive numbers are, the events -600 to -899 are not."""
        return self.number != 0 and self.number not in _EVENTS

    @property
    def meaning(self) -> str:
        """What the class of the number means, in plain words; empty when the number has no class."""
        return next((words for low, high, words in _CLASSES if low <= self.number <= high), "")

    def __str__(self) -> str:
        """Return number, text and meaning."""
        return f'{self.number} "{quote(self.text)}"' + (f" ({self.meaning})" if self.meaning else "")


_ENTRY = re.compile(r"\s*([+-]?[0-9]{1,5})\s*(?:,(.*))?", re.ASCII | re.DOTALL)
_LONGEST_ENTRY = 1000


def parse_error(text: str) -> ErrorEntry:
    """Return an answer of the error queue: `-113,"Undefined header"`, `+0,"No error"`, `0`.

    Doubled quotes inside the text become single ones; a text without quotes is taken as it is. Raises
    DecodeError.
    """
    match = _ENTRY.fullmatch(text) if len(text) <= _LONGEST_ENTRY else None
    if match is None:
        raise DecodeError(
            f"'{quote(text)}' is not an entry of an error queue; expected number,\"text\", or `next-error: none` in "
            "the stand file where the supply reports its errors otherwise"
        )
    number, words = int(match[1]), (match[2] or "").strip()
    if not words:
        return ErrorEntry(number, ERROR_TEXTS.get(number, "no text"))
    mark = words[0]
    if mark in "\"'":
        inside = words[1:-1]
        if len(words) == 1 or words[-1] != mark or mark in inside.replace(mark * 2, ""):
            raise DecodeError(f"'{quote(text)}' is not an entry of an error queue; its quotes do not match")
        words = inside.replace(mark * 2, mark)
    return ErrorEntry(number, words)


_LONGEST_IDENTITY = 512
#: A comma between fields, or the name of a model: two letters, which no number and no state of an output has.
_IDENTITY = re.compile(r",|^(?!(?:ON|OFF|INF|NAN)$).*[A-Za-z].*[A-Za-z]", re.IGNORECASE)


def parse_identity(text: str) -> Identification:
    """Return the answer to `*IDN?` (IEEE 488.2, 10.14: four fields, `0` for an unknown one).

    Instruments that answer fewer fields are understood as far as they go, one without a comma as a model; further
    commas belong to the firmware. Raises DecodeError for a number, which answers another question, and for what is
    not printable ASCII.
    """
    word = text.strip()
    if (
        len(word) > _LONGEST_IDENTITY
        or not _IDENTITY.search(word)
        or not (word.isascii() and word.isprintable())
    ):
        raise DecodeError(
            f"'{quote(text)}' is not an identity; expected maker,model,serial,firmware, or `identify: none` in the "
            "stand file where it does not tell"
        )
    if "," not in word:
        return Identification("", word, "", "")
    fields = [field.strip() for field in word.split(",", 3)]
    maker, model, serial, firmware = fields + [""] * (4 - len(fields))
    return Identification(maker, model, "" if serial == "0" else serial, "" if firmware == "0" else firmware)


def show_number(value: float) -> str:
    """Return a number as it is sent: plain decimal with at most nine significant digits."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent to an instrument")
    return f"{value:.9g}".upper()


class _Setting(float):
    """A number that shows itself as it is sent, unless the template says how, as in `{value:.3f}`."""

    def __format__(self, form: str) -> str:
        return super().__format__(form) if form else show_number(self)


@lru_cache(maxsize=256)  # a soak asks the same question a quarter of a million times
def fill(template: str, *, value: float | None = None, output: int = 1) -> str:
    """Return a command from its template: `{value}` and `{output}` are replaced, nothing else is known.

    Raises ValueError when the template asks for something else.
    """
    known: dict[str, float] = {"output": output}
    if value is not None:
        known["value"] = _Setting(show_number(value))
    names = {name for _, name, _, _ in Formatter().parse(template) if name is not None}
    for name in sorted(names - known.keys()):
        expected = " or ".join(f"{{{word}}}" for word in sorted(known, reverse=True))
        raise ValueError(f"command template {template!r} asks for {{{name}}}; expected {expected}")
    return template.format(**known)


def compound(first: str, then: str) -> str:
    """Return two commands in one message (IEEE 488.2, 7.3.2), the second one from the root (SCPI-1999, 6.2.4)."""
    return f"{first};{then}" if then.startswith((":", "*")) else f"{first};:{then}"


@dataclass(frozen=True, slots=True)
class BannerEcho:
    """`greeting`: lines after each connection. `echo`: each command line comes back before its answer."""

    greeting: int = 0
    echo: bool = False

    def check_echo(self, line: str, command: str) -> None:
        """Require that a line is the command come back. Raises DecodeError."""
        if line.strip() != command.strip():
            raise DecodeError(f"'{quote(line)}' came instead of the echo of the command")

    def check_answer(self, answer: str, command: str) -> None:
        """Require that an answer is not the question, sent back by an echo nobody declared. Raises DecodeError."""
        if not self.echo and answer.strip() == command.strip():
            raise DecodeError("it sent the question itself back, as an instrument with `echo: true` does")


#: Nothing but answers, as SCPI has it.
PLAIN = BannerEcho()
