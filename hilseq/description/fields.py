"""The field types of description files: quantities with their units, names, addresses.

A quantity is always text with its unit; a bare number is refused, because `24` could be volts or
hours and a wrong guess can destroy a unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, GetJsonSchemaHandler
from pydantic_core import CoreSchema

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


@dataclass(frozen=True, slots=True)
class WrittenAs:
    """How the reference of keys and the JSON Schema name a type: its kind and an example.

    `dimension` when it is a quantity, which a file writes as text.
    """

    words: str
    dimension: str = ""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Return the schema of what is written, not of what it is read as."""
        if not self.dimension:
            return handler(core)
        _, _, example = self.words.partition("such as ")
        return {"type": "string", "title": self.words, "examples": [example]}


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


#: Exact, by the definition of the Celsius temperature (SI brochure, 2.3.1).
ABSOLUTE_ZERO = -273.15


def _possible(celsius: float) -> float:
    if celsius < ABSOLUTE_ZERO:
        raise ValueError(
            f"{celsius:g} degC lies below absolute zero; expected {ABSOLUTE_ZERO:g} degC or more"
        )
    return celsius


def _possible_range(interval: Interval) -> Interval:
    _possible(interval.low)
    return interval


Positive = Field(gt=0)
NotNegative = Field(ge=0)

Volts = Annotated[float, _quantity("voltage"), WrittenAs("voltage, such as 24 V", "voltage")]
Amperes = Annotated[float, _quantity("current"), WrittenAs("current, such as 450 mA", "current")]
Ohms = Annotated[
    float, _quantity("resistance"), NotNegative, WrittenAs("resistance, such as 0.3 Ohm", "resistance")
]
Farads = Annotated[
    float, _quantity("capacitance"), Positive, WrittenAs("capacitance, such as 2200 uF", "capacitance")
]
Watts = Annotated[float, _quantity("power"), NotNegative, WrittenAs("power, such as 2 W", "power")]
Seconds = Annotated[float, _quantity("time"), NotNegative, WrittenAs("time, such as 500 ms", "time")]
Celsius = Annotated[
    float,
    _quantity("temperature"),
    AfterValidator(_possible),
    WrittenAs("temperature, such as 70 degC", "temperature"),
]
Kelvins = Annotated[
    float,
    _quantity("temperature difference"),
    Positive,
    WrittenAs("difference of temperatures, such as 5 K", "temperature difference"),
]
KelvinPerWatt = Annotated[
    float,
    _quantity("thermal resistance"),
    Positive,
    WrittenAs("thermal resistance, such as 6 K/W", "thermal resistance"),
]
AmpereSeconds = Annotated[
    float, _quantity("charge"), NotNegative, WrittenAs("charge, such as 60 mAs", "charge")
]
Baud = Annotated[
    float, _quantity("line speed"), Positive, WrittenAs("line speed, such as 9600 Bd", "line speed")
]
Ratio = Annotated[float, _quantity("ratio"), NotNegative, WrittenAs("ratio, such as 100 ppm", "ratio")]
VoltsPerSecond = Annotated[
    float, _quantity("slew rate"), Positive, WrittenAs("slew rate, such as 2 V/s", "slew rate")
]

VoltRange = Annotated[Interval, _interval("voltage"), WrittenAs("range, such as 20.4..28.8 V", "voltage")]
AmpereRange = Annotated[Interval, _interval("current"), WrittenAs("range, such as 85..135 mA", "current")]
TimeRange = Annotated[Interval, _interval("time"), WrittenAs("range, such as 1..2 s", "time")]
CelsiusRange = Annotated[
    Interval,
    _interval("temperature"),
    AfterValidator(_possible_range),
    WrittenAs("range, such as 0..55 degC", "temperature"),
]

VoltAccuracy = Annotated[
    AccuracyTerms, _accuracy("voltage"), WrittenAs("accuracy, such as 0.05 % + 10 mV", "voltage")
]
AmpereAccuracy = Annotated[
    AccuracyTerms, _accuracy("current"), WrittenAs("accuracy, such as 0.1 % + 2 mA", "current")
]

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*(?: [A-Za-z0-9_-]+)*")
NAME_LONGEST = 60


def _name(value: Any) -> Any:
    if isinstance(value, str) and len(value) <= NAME_LONGEST and _NAME.fullmatch(value):
        return value
    raise ValueError(
        f"{str(value)[:40]!r} is not a name; expected letters, digits, '-' and '_', beginning with a letter"
    )


Name = Annotated[str, BeforeValidator(_name), WrittenAs("name")]
Text = Annotated[str, Field(min_length=1, max_length=2000), WrittenAs("text")]


def _terminal(value: Any) -> Any:
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*\.[A-Za-z][A-Za-z0-9_-]*", value):
        return value
    raise ValueError(f"{str(value)[:40]!r} is not a terminal; expected SLOT.TERMINAL such as A.q01")


Terminal = Annotated[str, BeforeValidator(_terminal), WrittenAs("terminal, such as A.q01")]


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


Endpoint = Annotated[str, BeforeValidator(_endpoint), WrittenAs("HOST:PORT, such as 192.0.2.20:502")]


Speed = Annotated[int, Field(gt=0)]
Frame = Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"]


class SerialLine(Model):
    """Speed and character frame of a serial line."""

    speed: Speed = Field(default=19200, description="line speed in Bd, a plain number")
    frame: Frame = Field(default="8E1", description="data bits, parity, stop bits")


class TextLine(SerialLine):
    """Speed and character frame of a supply on a serial line; what VISA sets where nothing is said."""

    speed: Speed = Field(default=9600, description="line speed in Bd, a plain number")
    frame: Frame = Field(default="8N1", description="data bits, parity, stop bits")
