"""The field types of description files: quantities with their units, names, addresses.

A quantity is always text with its unit; a bare number is refused, because `24` could be volts or
hours and a wrong guess can destroy a unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from hilseq.quantities import (
    AccuracyTerms,
    Interval,
    QuantityError,
    legal_forms,
    parse,
    parse_accuracy,
    parse_interval,
)


def _kebab(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


class Model(BaseModel):
    """Base of every description model: frozen, strict, unknown words refused, `kebab-case` keys."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        alias_generator=_kebab,
        arbitrary_types_allowed=True,
        allow_inf_nan=False,
    )


class WordError(ValueError):
    """The word is none of those that may stand here. Holds the words that may."""

    def __init__(self, word: object, words: Iterable[str]) -> None:
        self.words = tuple(words)
        super().__init__(f"{str(word)[:40]!r} is not known; expected one of: {', '.join(self.words)}")


def _quantity(dimension: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        if isinstance(value, str):
            return parse(value, dimension)
        raise QuantityError(str(value), f"{legal_forms(dimension)}; write the unit")

    return BeforeValidator(read)


def _interval(dimension: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        if isinstance(value, str):
            return parse_interval(value, dimension)
        raise QuantityError(str(value), f"a range of {legal_forms(dimension)}")

    return BeforeValidator(read)


def _accuracy(dimension: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        if isinstance(value, str):
            return parse_accuracy(value, dimension)
        raise QuantityError(str(value), "an accuracy such as 0.05 % + 10 mV")

    return BeforeValidator(read)


Positive = Field(gt=0)
NotNegative = Field(ge=0)

Volts = Annotated[float, _quantity("voltage")]
Amperes = Annotated[float, _quantity("current")]
Ohms = Annotated[float, _quantity("resistance"), NotNegative]
Farads = Annotated[float, _quantity("capacitance"), Positive]
Watts = Annotated[float, _quantity("power"), NotNegative]
Seconds = Annotated[float, _quantity("time"), NotNegative]
Celsius = Annotated[float, _quantity("temperature")]
KelvinPerWatt = Annotated[float, _quantity("thermal resistance"), Positive]
Baud = Annotated[float, _quantity("line speed"), Positive]
Ratio = Annotated[float, _quantity("ratio"), NotNegative]
VoltsPerSecond = Annotated[float, _quantity("slew rate"), Positive]

VoltRange = Annotated[Interval, _interval("voltage")]
AmpereRange = Annotated[Interval, _interval("current")]
TimeRange = Annotated[Interval, _interval("time")]
CelsiusRange = Annotated[Interval, _interval("temperature")]

VoltAccuracy = Annotated[AccuracyTerms, _accuracy("voltage")]
AmpereAccuracy = Annotated[AccuracyTerms, _accuracy("current")]

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*(?: [A-Za-z0-9_-]+)*")
NAME_LONGEST = 60


def _name(value: Any) -> Any:
    if isinstance(value, str) and len(value) <= NAME_LONGEST and _NAME.fullmatch(value):
        return value
    raise ValueError(
        f"{str(value)[:40]!r} is not a name; expected letters, digits, '-' and '_', beginning with a letter"
    )


Name = Annotated[str, BeforeValidator(_name)]
Text = Annotated[str, Field(min_length=1, max_length=2000)]


def _terminal(value: Any) -> Any:
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*\.[A-Za-z][A-Za-z0-9_-]*", value):
        return value
    raise ValueError(f"{str(value)[:40]!r} is not a terminal; expected SLOT.TERMINAL such as A.q01")


Terminal = Annotated[str, BeforeValidator(_terminal)]


#: The last port of TCP.
LAST_PORT = 65535


def _endpoint(value: Any) -> Any:
    if isinstance(value, str):
        match = re.fullmatch(r"(\[[0-9A-Fa-f:]+\]|[A-Za-z0-9.-]+):(\d{1,5})", value)
        if match and 0 < int(match[2]) <= LAST_PORT:
            return value
    raise ValueError(
        f"{str(value)[:60]!r} is not a network address; expected HOST:PORT such as 192.0.2.20:502"
    )


Endpoint = Annotated[str, BeforeValidator(_endpoint)]
