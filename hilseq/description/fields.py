"""The field types of description files: quantities with their units, names, addresses.

A quantity is always text with its unit; a bare number is refused, because `24` could be volts or
hours and a wrong guess can destroy a unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema

from hilseq.quantities import (
    UNITS,
    AccuracyTerms,
    Interval,
    QuantityError,
    legal_forms,
    parse,
    parse_accuracy,
    parse_interval,
    plain_symbols,
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


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the keys of a model as they are written in a file, its own before those shared with others."""
    fields = sorted(model.model_fields.items(), key=lambda item: item[0] not in model.__annotations__)
    return {field.alias or name: field for name, field in fields}


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
        raise QuantityError(str(value), f"a range such as 1..2 {UNITS[dimension][0]}, in one line")

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

#: The speeds of serial lines, Bd: those of POSIX.1-2017, <termios.h>, up to 38400; above, what adapters offer (common
#: practice, no source).
USUAL_SPEEDS = (
    *(50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400),
    *(14400, 28800, 57600, 76800, 115200, 128000, 230400, 250000, 460800, 500000, 576000, 921600),
)
#: A speed so near to a usual one, and not equal to it, is a slip: a receiver would not tell the two apart.
_SLIP_OF_SPEED = 0.015


def _line_speed(value: Any) -> float:
    """Read `9600 Bd`, or a plain 9600: a line speed has no other unit."""
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise QuantityError(str(value), "a line speed such as 9600 Bd, or the plain number 9600")
    speed = float(value) if isinstance(value, int) else parse(value, "line speed")
    for usual in USUAL_SPEEDS:
        if 0 < abs(speed - usual) <= _SLIP_OF_SPEED * usual:
            raise ValueError(
                f"{speed:.10g} Bd is almost, but not quite, a usual line speed; expected {usual} Bd"
            )
    return speed


def _whole_speed(value: Any) -> int:
    speed = _line_speed(value)
    if speed != int(speed):
        raise QuantityError(str(value), "a line speed in whole bauds, such as 9600 Bd")
    return int(speed)


_SPEED_SCHEMA = WithJsonSchema(
    {"type": ["string", "integer"], "title": "line speed, such as 9600 Bd", "examples": ["9600 Bd"]}
)
Baud = Annotated[
    float, BeforeValidator(_line_speed), Positive, WrittenAs("line speed, such as 9600 Bd"), _SPEED_SCHEMA
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

_PART = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./+-]*(?: [A-Za-z0-9_./+-]+)*")


def _part_number(value: Any) -> Any:
    if isinstance(value, str) and len(value) <= NAME_LONGEST and _PART.fullmatch(value):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise ValueError(f"{value} is a number in YAML; expected the part number in quotes: '{value}'")  # noqa: TRY004 - pydantic words it
    raise ValueError(
        f"{str(value)[:40]!r} is not a part number; expected letters, digits, '-', '_', '.', '/', '+' and single spaces"
    )


PartNumber = Annotated[str, BeforeValidator(_part_number), WrittenAs("part number")]
Text = Annotated[str, Field(min_length=1, max_length=2000), WrittenAs("text")]


def _accuracy_text(value: Any) -> Any:
    if isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    raise QuantityError(str(value), "an accuracy such as 0.05 % + 10 mV, in the unit of the channel")


#: An accuracy whose unit is that of its channel: read when that is known.
AccuracyText = Annotated[
    Text,
    BeforeValidator(_accuracy_text),
    WrittenAs("accuracy, such as 0.05 % + 10 mV"),
    WithJsonSchema({"type": ["string", "number"], "examples": ["0.05 % + 10 mV"]}),
]


def _unit_symbol(value: Any) -> Any:
    return plain_symbols(value) if isinstance(value, str) else value


UnitSymbol = Annotated[str, BeforeValidator(_unit_symbol), WrittenAs("text")]


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
        if match:
            raise ValueError(
                f"there is no port {int(match[2])} in {value[:60]!r}; expected one from 1 to {LAST_PORT}"
            )
    raise ValueError(
        f"{str(value)[:60]!r} is not a network address; expected HOST:PORT such as 192.0.2.20:502"
    )


Endpoint = Annotated[str, BeforeValidator(_endpoint), WrittenAs("HOST:PORT, such as 192.0.2.20:502")]


Speed = Annotated[
    int, BeforeValidator(_whole_speed), Positive, WrittenAs("line speed, such as 9600 Bd"), _SPEED_SCHEMA
]
Frame = Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"]


class SerialLine(Model):
    """Speed and character frame of a serial line."""

    speed: Speed = Field(default=19200, description="line speed")
    frame: Frame = Field(default="8E1", description="data bits, parity, stop bits")


class TextLine(SerialLine):
    """Speed and character frame of a supply on a serial line; what VISA sets where nothing is said."""

    speed: Speed = Field(default=9600, description="line speed")
    frame: Frame = Field(default="8N1", description="data bits, parity, stop bits")
