"""The terminals and ports of a unit, as its profile describes them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from hilseq.analysis.sensors import SCALES, SensorScale
from hilseq.description.drivers import find_driver, installed
from hilseq.description.fields import (
    AccuracyText,
    Amperes,
    Baud,
    Model,
    Name,
    Ratio,
    Seconds,
    Volts,
    WordError,
    WrittenAs,
)
from hilseq.description.registers import Register
from hilseq.quantities import AccuracyTerms, Interval, accuracy_of_channel, dimension_of


class OutputPoint(Model):
    """A digital output: commanded over the link, sensed by the stand."""

    command: Register = Field(description="where the link commands it")
    settle: Seconds = Field(default=0.05, description="longest time until the output follows")
    rated_current: Amperes | None = Field(default=None, gt=0, description="rated load current")
    voltage_drop: Volts | None = Field(default=None, gt=0, description="largest drop when on and loaded")
    leakage: Amperes | None = Field(default=None, gt=0, description="largest current when off")


class InputPoint(Model):
    """A digital input: driven by the stand, reported over the link."""

    report: Register = Field(description="where the link reports it")
    settle: Seconds = Field(default=0.05, description="longest time until the report follows")
    type_: Literal[1, 2, 3] = Field(default=3, description="IEC 61131-2 input type")


#: kind -> dimension at the terminal, and its range in the base unit.
#: Pt100 after IEC 60751 (-200 to 850 degC), thermocouples after IEC 60584-1 (J: -210 to 1200 degC,
#: K: -270 to 1372 degC).
_AT_THE_TERMINAL: dict[str, tuple[str, Interval]] = {
    "4..20 mA": ("current", Interval(0.004, 0.020)),
    "0..20 mA": ("current", Interval(0.0, 0.020)),
    "0..10 V": ("voltage", Interval(0.0, 10.0)),
    "Pt100": ("resistance", Interval(18.52, 390.48)),
    "thermocouple J": ("voltage", Interval(-0.008095, 0.069553)),
    "thermocouple K": ("voltage", Interval(-0.006458, 0.054886)),
}

#: What a plain number in the register of a channel means; temperatures where nothing is said.
_PLAIN = {"4..20 mA": "mA", "0..20 mA": "mA", "0..10 V": "V"}


class AnalogPoint(Model):
    """An analog channel: over the link a value, at the terminal a voltage, current or resistance."""

    register_: Register = Field(alias="register", description="where the link has its value")
    kind: Literal["4..20 mA", "0..20 mA", "0..10 V", "Pt100", "thermocouple J", "thermocouple K"] = Field(
        description="what the terminal carries"
    )
    accuracy: AccuracyText = Field(description="largest error, such as 0.3 % of range")
    settle: Seconds = Field(default=0.2, description="longest time until the value follows")
    loop_limits: Literal["NE 43"] | None = Field(
        default=None,
        description="NE 43: beyond the span of 4..20 mA an input still tells under-range, over-range and "
        "both failures apart by its value; an output stays between 3.6 and 21 mA while driven, whatever "
        "it is reported, and at 3.6 mA or below while not",
    )

    @model_validator(mode="after")
    def _loop(self) -> Self:
        if self.loop_limits is not None and self.kind != "4..20 mA":
            raise ValueError(
                f"`loop-limits` are those of a current loop, not of {self.kind}; expected 4..20 mA"
            )
        return self

    @property
    def terminal_dimension(self) -> str:
        """What the terminal carries: `current`, `voltage` or `resistance`."""
        return _AT_THE_TERMINAL[self.kind][0]

    def terminal_range(self) -> Interval:
        """Return the range at the terminal, in the base unit of `terminal_dimension` (A, V, Ohm)."""
        return _AT_THE_TERMINAL[self.kind][1]

    @property
    def unit(self) -> str:
        """Unit of what the register holds: its own; a plain number is in that of the terminal, or in degC."""
        return self.register_.unit or _PLAIN.get(self.kind, "degC")

    @property
    def scale(self) -> SensorScale:
        """Range of the quantity, and the way to the terminal."""
        return SCALES[self.kind]

    def accuracy_terms(self) -> AccuracyTerms:
        """Return the accuracy in the base unit of `unit`.

        Raises QuantityError when the text does not fit the unit; a checked profile has no such point.
        """
        return accuracy_of_channel(self.accuracy, self.unit)

    # -- three ways to say one thing: a quantity, the register, the terminal

    def said(self, quantity: float) -> float:
        """Return what the register should hold for a quantity, in the base unit of `unit`."""
        dimension = dimension_of(self.unit)
        if dimension == "ratio":
            return (quantity - self.scale.low) / self.scale.span
        return self.scale.terminal(quantity) if dimension == self.terminal_dimension else quantity

    @property
    def span(self) -> float:
        """Width of the range as the register says it, in the base unit of `unit`."""
        return self.said(self.scale.high) - self.said(self.scale.low)

    def largest_error(self, said: float) -> float:
        """Return the largest error allowed where the register should say `said`, in the base unit of `unit`."""
        return self.accuracy_terms().limit(said, self.span)

    def per_terminal(self, quantity: float) -> float:
        """Return by how much the register changes for one base unit at the terminal."""
        inside = min(max(quantity, self.scale.low), self.scale.high)
        step = 1e-4 * self.scale.span
        left, right = max(self.scale.low, inside - step), min(self.scale.high, inside + step)
        rise = self.said(right) - self.said(left)
        return abs(rise / (self.scale.terminal(right) - self.scale.terminal(left)))


class PointTables(Model):
    """The terminals of the unit. Keys may be ranges: `q01..q16` stands for sixteen points."""

    outputs: dict[Name, OutputPoint] = Field(default_factory=dict, description="digital outputs")
    inputs: dict[Name, InputPoint] = Field(default_factory=dict, description="digital inputs")
    analog_inputs: dict[Name, AnalogPoint] = Field(default_factory=dict, description="analog inputs")
    analog_outputs: dict[Name, AnalogPoint] = Field(default_factory=dict, description="analog outputs")

    def analog(self) -> Iterator[tuple[Literal["analog-inputs", "analog-outputs"], str, AnalogPoint]]:
        """Yield every analog channel: its section in a profile, its name and the channel, inputs first."""
        for name, point in self.analog_inputs.items():
            yield "analog-inputs", name, point
        for name, point in self.analog_outputs.items():
            yield "analog-outputs", name, point


def _partner(value: Any) -> Any:
    known = sorted(installed("serial partner"))
    if known and value not in known:
        raise WordError(value, known)
    find_driver("serial partner", value)
    return value


PartnerWord = Annotated[str, BeforeValidator(_partner), WrittenAs("echo / modbus rtu / modbus tcp")]


class Port(Model):
    """A communication port of the unit and who answers there."""

    partner: PartnerWord = Field(
        description="echo: the unit sends back what it gets; modbus rtu / tcp: it is a Modbus device; others come as "
        "packages of their own"
    )
    speeds: list[Baud] = Field(
        default_factory=lambda: [19200.0], min_length=1, description="line speeds to try, such as 9600 Bd"
    )
    frame: Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"] = Field(
        default="8E1", description="data bits, parity, stop bits"
    )
    flow_control: Literal["none", "xon/xoff"] = Field(
        default="none",
        description="xon/xoff where the port keeps the characters 0x11 and 0x13 for itself: they are not sent then",
    )
    device_id: int = Field(
        default=1, ge=0, le=255, description="Modbus unit identifier, for the modbus partners"
    )
    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for an answer")
    longest_frame: int | None = Field(
        default=None,
        ge=1,
        le=4096,
        description="characters that the port takes in one frame, for a partner that sends back what it gets; tried "
        "where it is stated",
    )
    bit_error_ratio: float | None = Field(default=None, gt=0, lt=1, description="largest that may ship")
    clock_error: Ratio | None = Field(
        default=None,
        gt=0,
        description="largest error of its clock that may ship, such as 2 %; measured where the stand's adapter has a "
        "`speed-accuracy`",
    )

    @property
    def reserved_characters(self) -> tuple[int, ...]:
        """XON and XOFF (DC1 and DC3 of ISO/IEC 646) where the port keeps them for itself."""
        return (0x11, 0x13) if self.flow_control == "xon/xoff" else ()

    @property
    def character_bits(self) -> int:
        """Start, data, parity and stop bits of one character."""
        return 1 + int(self.frame[0]) + (self.frame[1] != "N") + int(self.frame[2])
