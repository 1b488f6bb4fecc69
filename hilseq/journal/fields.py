"""What entries of a journal are made of: their two bases, and the types of their fields."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, TypeAlias

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
)

from hilseq.analysis.uncertainty import DecisionRule

#: No run's clock goes further, s: a century.
LONGEST = 3.2e9
#: Years a run may be of: a century of the run's clock and every time zone fit beside them on either side.
YEARS = range(1900, 2200)


def _iso(text: str) -> str:
    moment = datetime.fromisoformat(text)
    if moment.year not in YEARS:
        raise ValueError(f"no run is of the year {moment.year}")
    return text


def _text_if_not_finite(value: Any) -> Any:
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


_NO_NUMBER = {"enum": ["nan", "inf", "-inf"]}
Date: TypeAlias = Annotated[str, AfterValidator(_iso), Field(description="date and time, ISO 8601, UTC")]
Seconds: TypeAlias = Annotated[float, Field(ge=-LONGEST, le=LONGEST, allow_inf_nan=False)]
#: A number that JSON may hold as text, because it is not finite.
Real: TypeAlias = Annotated[float, WithJsonSchema({"anyOf": [{"type": "number"}, _NO_NUMBER]})]
#: A number where there is one, else the text that stands in its place.
FiniteOrText: TypeAlias = Annotated[float | str, BeforeValidator(_text_if_not_finite)]
Cell: TypeAlias = Annotated[str | int | float | bool | None, BeforeValidator(_text_if_not_finite)]
Slot: TypeAlias = Annotated[str, Field(description="slot of the unit")]
CheckId: TypeAlias = Annotated[str, Field(description="the check: file and test, as pytest names it")]
Count: TypeAlias = Annotated[int, Field(ge=0)]


def _rule(value: Any) -> DecisionRule:
    return value if isinstance(value, DecisionRule) else DecisionRule.read(str(value))


Rule: TypeAlias = Annotated[
    DecisionRule,
    PlainValidator(_rule),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", "examples": ["guarded", "simple", "0.83 U", "risk 1 %"]}),
]
Case: TypeAlias = Annotated[
    Real | None, Field(description="case temperature then, \u00b0C; null where not known")
]
_CONFIG = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Part(BaseModel):
    """A part of an entry."""

    model_config = _CONFIG


class Entry(BaseModel):
    """One line of the journal; `at` and `t` are stamped by the writer."""

    model_config = _CONFIG

    kind: str
    v: int
    at: Date = ""
    t: Seconds = Field(default=0.0, description="time of the run's clock, s")
