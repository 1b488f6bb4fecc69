"""When an instrument was calibrated, until when that holds, and what its certificate says point by point."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import BeforeValidator, Field, model_validator

from hilseq.description.fields import Celsius, Model, Ratio, Text, WrittenAs
from hilseq.quantities import parse


def _date(value: Any) -> Any:
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise ValueError(f"{str(value)[:40]!r} is not a date; expected YYYY-MM-DD")  # noqa: TRY004
    return value


Date = Annotated[dt.date, BeforeValidator(_date), WrittenAs("date, YYYY-MM-DD")]


class CalibrationPoint(Model):
    """One point of a calibration certificate: what is added to a reading there, and how exactly that is known."""

    at: Text = Field(description="where it was calibrated, such as 12 V")
    correction: Text = Field(
        description="what is added to a reading there, such as -1.2 mV: the reference less the reading"
    )
    uncertainty: Text = Field(description="expanded uncertainty of that, such as 0.8 mV")


class Certified(NamedTuple):
    """One such point in the base unit of its dimension; `uncertainty` is a standard uncertainty (k = 1)."""

    at: float
    correction: float
    uncertainty: float


def _error_dimension(dimension: str) -> str:
    return "temperature difference" if dimension == "temperature" else dimension


class Calibration(Model):
    """When an instrument was calibrated and until when that holds, and what its certificate says, point by point."""

    certificate: Text = Field(default="not stated", description="number of the calibration certificate")
    done: Date | None = Field(default=None, description="date of the calibration, YYYY-MM-DD")
    due: Date = Field(description="last day on which the calibration holds, YYYY-MM-DD")
    drift: Ratio | None = Field(
        default=None, description="largest change of its readings in a year since `done`, such as 100 ppm"
    )
    temperature: Celsius = Field(default=23.0, description="temperature around it at the calibration")
    per_kelvin: Ratio | None = Field(
        default=None,
        description="largest change of its readings per kelvin away from `temperature`; the stand then names "
        "its thermometer as `ambient`",
    )
    points: list[CalibrationPoint] = Field(
        default_factory=list,
        max_length=200,
        description="of a signal that senses, point by point: between them its readings are corrected, and known as "
        "well as the worse of two neighbours, whatever its accuracy says; beyond them its accuracy holds",
    )
    voltage_points: list[CalibrationPoint] = Field(
        default_factory=list, max_length=200, description="the same of the voltage that a supply measures"
    )
    current_points: list[CalibrationPoint] = Field(
        default_factory=list, max_length=200, description="the same of the current that a supply measures"
    )
    coverage_factor: float = Field(
        default=2.0,
        ge=1.0,
        le=5.0,
        description="k of the uncertainties in its points, as the certificate states it",
    )
    correlation: float = Field(
        default=0.0,
        ge=0.0,
        le=1.0,
        description="how far its errors at two points are the same, 0 to 1, where the certificate or its maker states "
        "it: they cancel in a difference so far. A sum always takes them for the same",
    )

    def certified(
        self, which: Literal["points", "voltage_points", "current_points"], dimension: str
    ) -> tuple[Certified, ...]:
        """Return these points in the base unit of their dimension, in order. Raises QuantityError."""
        points: list[CalibrationPoint] = getattr(self, which)
        error = _error_dimension(dimension)
        found = [
            Certified(
                parse(point.at, dimension),
                parse(point.correction, error),
                parse(point.uncertainty, error) / self.coverage_factor,
            )
            for point in points
        ]
        return tuple(sorted(found))

    @model_validator(mode="after")
    def _holds_later(self) -> Self:
        listed = bool(self.points or self.voltage_points or self.current_points)
        if listed and (self.done is None or self.drift is None):
            raise ValueError(
                "its points are of the day of the calibration; expected `done`, and `drift`: what a reading may have "
                "changed since, in a year"
            )
        return self

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.drift is not None and self.done is None:
            raise ValueError("`drift` counts from the day of the calibration; expected `done` as well")
        if self.done is not None and self.due < self.done:
            raise ValueError(
                f"the calibration is due on {self.due}, before it was done on {self.done}; "
                "expected a later day"
            )
        return self


def require_points(points: tuple[Certified, ...]) -> None:
    """Raise ValueError for two points at the same place, or an uncertainty that is none."""
    for first, second in pairwise(points):
        if first.at == second.at:
            raise ValueError(f"two points at {first.at:g}; expected each place once")
    for point in points:
        if not point.uncertainty > 0.0:
            raise ValueError(
                f"the uncertainty at {point.at:g} is not above zero; expected that of the certificate"
            )
