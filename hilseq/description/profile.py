"""The profile: everything hilseq knows about a type of unit."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from hilseq.description.fields import (
    AmpereRange,
    Amperes,
    Baud,
    Celsius,
    Model,
    Name,
    Ratio,
    Seconds,
    Text,
    VoltRange,
    Volts,
)
from hilseq.description.plans import Cycling, Margins, Soak
from hilseq.description.registers import Register, _enum_word
from hilseq.description.twin import Twin


class Mode(StrEnum):
    """What the unit does; `held` runs with its outputs held off."""

    STOPPED = "stopped"
    HELD = "held"
    LIVE = "live"


class Indicator(StrEnum):
    """What the unit's lamp says."""

    DARK = "dark"
    HEALTHY = "healthy"
    FAULTED = "faulted"


ModeWord = Annotated[Mode, _enum_word(Mode)]
IndicatorWord = Annotated[Indicator, _enum_word(Indicator)]
RawWord = Annotated[int, Field(ge=0, le=65535)]


class Ratings(Model):
    """Electrical limits of the unit."""

    supply: Volts = Field(gt=0, description="rated supply voltage")
    supply_range: VoltRange = Field(description="range in which it must work, such as 20.4..28.8 V")
    absolute_maximum: Volts = Field(gt=0, description="voltage that may never be passed")
    current_limit: Amperes = Field(gt=0, description="limit set on the supply for this unit")
    interruption_class: Literal["PS1", "PS2"] | None = Field(
        default=None, description="IEC 61131-2 class of supply interruptions it must ride through"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Ratings:
        if self.supply not in self.supply_range:
            raise ValueError(f"the rated supply {self.supply:g} V lies outside supply-range")
        if self.absolute_maximum < self.supply_range.high:
            raise ValueError(
                f"absolute-maximum {self.absolute_maximum:g} V lies below the upper end of supply-range "
                f"({self.supply_range.high:g} V)"
            )
        return self


class Start(Model):
    """From power to ready."""

    ready_within: Seconds = Field(gt=0, description="longest time from power to ready")
    idle_current: AmpereRange = Field(description="current of a healthy unit, ready, stopped, outputs off")
    live_current: AmpereRange | None = Field(default=None, description="the same in live mode, outputs off")
    inrush_peak: Amperes | None = Field(default=None, description="largest inrush current, when judged")
    off_time: Seconds = Field(
        default=2.0, gt=0, description="time without supply after which it has surely lost power"
    )


class ModuleSlots(Model):
    """How the unit reports the neighbours it found, one register per rack position."""

    first: Register
    types: dict[Text, RawWord] = Field(description="number reported for each module name; `empty` included")


class Identity(Model):
    """What the unit must say it is."""

    maker: Text | None = None
    product: Text | None = None
    firmware: list[Text] = Field(default_factory=list, description="firmware levels that may ship")
    device_identification: bool = Field(
        default=True, description="whether the unit answers Modbus function 43/14"
    )
    serial_number: Register | None = Field(default=None, description="register holding the serial number")
    modules: ModuleSlots | None = None


class ReportedMode(Register):
    """Register in which the unit reports its mode."""

    values: dict[ModeWord, RawWord] = Field(min_length=1)


class ReportedIndicator(Register):
    """Register in which the unit reports its own indicator."""

    values: dict[IndicatorWord, RawWord] = Field(min_length=1)


class ModeCommand(Register):
    """Register by which the link sets the mode, for units without a switch."""

    values: dict[ModeWord, RawWord] = Field(min_length=1)


class UnitLink(Model):
    """The register map of the unit: what each register means. Leave out what the unit lacks."""

    device: int = Field(default=1, ge=0, le=255, description="Modbus unit identifier")
    mode: ReportedMode
    mode_command: ModeCommand | None = None
    indicator: ReportedIndicator | None = None
    self_test: Register | None = Field(default=None, description="0 means passed")
    outputs_enabled: Register | None = Field(default=None, description="1 while the outputs are driven")
    ready: Register | None = Field(default=None, description="1 when the unit is ready; else mode answering")
    supply_voltage: Register | None = None
    temperature: Register | None = Field(default=None, description="case temperature, degC")
    starts: Register | None = Field(default=None, description="counter of starts, proves a power cycle")
    clock: Register | None = Field(default=None, description="clock of the unit, seconds")
    battery_voltage: Register | None = None
    port_errors: Register | None = None
    modbus_loopback: bool = Field(default=False, description="whether function 08/0000 is answered")


class SwitchPosition(Model):
    """One position of the mode switch."""

    mode: ModeWord
    contact: Name | None = Field(
        default=None, description="terminal closed in this position, when the stand replaces the switch"
    )


class Modes(Model):
    """The modes of the unit and how it gets into them."""

    switch: dict[Name, SwitchPosition] = Field(
        default_factory=dict, description="positions of the mode switch, in the order of the switch"
    )
    change_within: Seconds = Field(default=1.0, gt=0, description="longest time of a mode change")
    at_start: ModeWord = Field(default=Mode.STOPPED, description="mode to be in when power comes")


class Lamps(Model):
    """Terminals of the stand's light sensors in front of the indicator."""

    healthy: Name
    faulted: Name


class OutputPoint(Model):
    """A digital output: commanded over the link, sensed by the stand."""

    command: Register
    settle: Seconds = Field(default=0.05, description="longest time until the output follows")
    rated_current: Amperes | None = Field(default=None, gt=0)
    voltage_drop: Volts | None = Field(default=None, gt=0, description="largest drop when on and loaded")
    leakage: Amperes | None = Field(default=None, gt=0, description="largest current when off")


class InputPoint(Model):
    """A digital input: driven by the stand, reported over the link."""

    report: Register
    settle: Seconds = Field(default=0.05, description="longest time until the report follows")
    type_: Literal[1, 2, 3] = Field(default=3, description="IEC 61131-2 input type")


class AnalogPoint(Model):
    """An analog channel: over the link a value, at the terminal a voltage, current or resistance."""

    register_: Register = Field(alias="register", description="where the link has its value")
    kind: Literal["4..20 mA", "0..20 mA", "0..10 V", "Pt100", "thermocouple J", "thermocouple K"]
    accuracy: Text = Field(description="largest error, such as 0.3 % of range")
    settle: Seconds = 0.2


class Points(Model):
    """The terminals of the unit. Keys may be ranges: `q01..q16` stands for sixteen points."""

    outputs: dict[Name, OutputPoint] = Field(default_factory=dict)
    inputs: dict[Name, InputPoint] = Field(default_factory=dict)
    analog_inputs: dict[Name, AnalogPoint] = Field(default_factory=dict)
    analog_outputs: dict[Name, AnalogPoint] = Field(default_factory=dict)


class Port(Model):
    """A communication port of the unit and who answers there."""

    partner: Literal["echo", "modbus rtu", "modbus tcp"] = Field(
        description="echo: the unit sends back what it gets; modbus rtu / tcp: it is a Modbus device"
    )
    speeds: list[Baud] = Field(default_factory=lambda: [19200.0], min_length=1)
    frame: Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"] = "8E1"
    device: int = Field(default=1, ge=0, le=255)
    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for an answer")
    bit_error_ratio: float | None = Field(default=None, gt=0, lt=1, description="largest that may ship")


class FaultCode(Model):
    """What one code of the fault table means."""

    meaning: Text
    cause: Text = Field(default="not stated", description="likely cause")
    remedy: Text = Field(default="see the maker's manual", description="what to look at")


class FaultTable(Model):
    """Where stored faults are read and how they are cleared.

    The table holds `entries` records of `words` registers; within a record `code`, `place` and `time`
    (optional, 32 bits, seconds) stand at the given offsets. A code of 0 is an empty record.
    """

    count: Register
    table: Register = Field(description="first register of the first record")
    entries: Annotated[int, Field(gt=0, le=1000)]
    words: Annotated[int, Field(gt=0, le=64)]
    code: Annotated[int, Field(ge=0)] = 0
    place: Annotated[int, Field(ge=0)] | None = 1
    time: Annotated[int, Field(ge=0)] | None = None
    clear: Register = Field(description="written with clear-value to clear the table")
    clear_value: int = 1
    codes: dict[int, FaultCode] = Field(default_factory=dict)
    places: dict[int, Text] = Field(default_factory=dict, description="name of each place number")

    @model_validator(mode="after")
    def _inside(self) -> FaultTable:
        ends = {"code": self.code, "place": self.place, "time": None if self.time is None else self.time + 1}
        for name, end in ends.items():
            if end is not None and end >= self.words:
                raise ValueError(f"`{name}` lies outside a record of {self.words} words")
        return self


class Configuration(Model):
    """The reference configuration: where it goes, what it is, how it is kept."""

    first: Register = Field(description="first register of the configuration")
    content: list[RawWord] = Field(min_length=1, max_length=4096, description="the reference, word by word")
    store: Register | None = Field(default=None, description="written with store-value to keep it")
    store_value: int = 1
    store_time: Seconds = Field(default=0.5, description="time the unit needs to store it")
    checksum: Register | None = Field(
        default=None, description="CRC-16/MODBUS over the content, high byte first, as the unit computes it"
    )
    load_in: ModeWord = Field(default=Mode.STOPPED, description="mode in which it may be loaded")


class Battery(Model):
    """The memory battery."""

    nominal: Volts = Field(gt=0)
    lowest: Volts = Field(gt=0, description="below this it must be replaced")
    years: float = Field(default=5.0, gt=0, description="life; common practice, no source: about five years")


class ClockClaim(Model):
    """The clock of the unit."""

    drift: Ratio = Field(description="largest drift, such as 50 ppm")


class Profile(Model):
    """One type of unit."""

    part: Name = Field(description="type number")
    description: Text = "no description"
    ratings: Ratings
    start: Start
    identity: Identity = Identity()
    link: UnitLink
    modes: Modes = Modes()
    indicator: Lamps | None = None
    points: Points = Points()
    ports: dict[Name, Port] = Field(default_factory=dict)
    faults: FaultTable | None = None
    configuration: Configuration | None = None
    battery: Battery | None = None
    clock: ClockClaim | None = None
    highest_case: Celsius | None = Field(default=None, description="largest case temperature")
    rack_positions: Annotated[int, Field(ge=0, le=64)] = 0
    decision_rule: Literal["guarded", "simple"] = "guarded"
    margins: Margins | None = None
    cycling: Cycling | None = None
    soak: Soak | None = None
    twin: Twin = Twin()

    def mode_list(self) -> list[Mode]:
        """Modes of this unit that can be reached and reported, in the order of the vocabulary."""
        return [mode for mode in Mode if mode in self.link.mode.values]
