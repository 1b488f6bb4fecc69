"""The profile: everything hilseq knows about a type of unit."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from hilseq.analysis.uncertainty import DecisionRule
from hilseq.description.fields import (
    AmpereRange,
    Amperes,
    AmpereSeconds,
    Celsius,
    Kelvins,
    Model,
    Name,
    PartNumber,
    Ratio,
    Seconds,
    Text,
    VoltAccuracy,
    VoltRange,
    Volts,
    WordError,
    WrittenAs,
)
from hilseq.description.plans import Cycling, Margins, Soak
from hilseq.description.points import PointTables, Port
from hilseq.description.ranges import range_names
from hilseq.description.registers import ModbusLimits, OrderWord, Register, WordOrder, enum_word
from hilseq.description.twin import TwinParameters
from hilseq.quantities import AccuracyTerms

#: Places that the shipped checks name, beside points, ports, modes, stages and signals.
PLACES = (
    *("battery", "clock", "configuration", "identity", "indicator", "link", "self-test", "stand", "start"),
    *("stored faults", "supply", "temperature"),
)


def _decision_rule(value: Any) -> DecisionRule:
    if isinstance(value, DecisionRule):
        return value
    if isinstance(value, str) and re.fullmatch(r"[a-z]*", value) and value not in ("guarded", "simple"):
        raise WordError(value, ("guarded", "simple", "0.83 U", "risk 1 %"))
    return DecisionRule.read(str(value))


Rule = Annotated[
    DecisionRule,
    PlainValidator(_decision_rule),
    WrittenAs("decision rule, such as guarded, simple, 0.83 U or risk 1 %"),
    WithJsonSchema(
        {
            "type": "string",
            "title": "decision rule, such as guarded",
            "pattern": r"^(guarded|simple|[0-9]+(\.[0-9]+)? U|risk [0-9]+(\.[0-9]+)? %)$",
            "examples": ["guarded", "simple", "0.83 U", "risk 1 %"],
        }
    ),
]


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


ModeWord = Annotated[Mode, enum_word(Mode)]
IndicatorWord = Annotated[Indicator, enum_word(Indicator)]
RawWord = Annotated[int, Field(ge=0, le=65535)]


class FaultCode(Model):
    """What one code of the fault table means."""

    meaning: Text = Field(description="what the code means")
    cause: Text = Field(default="not stated", description="likely cause")
    remedy: Text = Field(default="see the maker's manual", description="what to look at")
    routine: bool = Field(
        default=False,
        description="whether a healthy unit stores it too, as a log of its power-ups: kept, but no fault",
    )


class FaultTable(Model):
    """Where stored faults are read and how they are cleared.

    The table holds `entries` records of `words` registers; within a record `code`, `place` and `time`
    (optional, 32 bits in `time-order`, seconds) stand at the given offsets. A code of 0 is an empty record.
    """

    count: Register | None = Field(
        default=None, description="number of stored faults; without it a soak reads the table once a minute"
    )
    table: Register = Field(description="first register of the first record")
    entries: Annotated[int, Field(gt=0, le=1000)] = Field(description="records in the table")
    words: Annotated[int, Field(gt=0, le=64)] = Field(description="registers of one record")
    code: Annotated[int, Field(ge=0)] = Field(default=0, description="offset of the code in a record")
    place: Annotated[int, Field(ge=0)] | None = Field(
        default=1, description="offset of the place in a record; null when it has none"
    )
    time: Annotated[int, Field(ge=0)] | None = Field(
        default=None, description="offset of the time in a record, 32 bits, seconds of the unit's clock"
    )
    time_order: OrderWord = Field(
        default=WordOrder.HIGH_FIRST, description="word order of that time: high first or low first"
    )
    clear: Register | None = Field(
        default=None,
        description="written with clear-value to clear the table; without it the link cannot clear it, and what "
        "stands there counts as known",
    )
    clear_value: int = Field(default=1, description="what is written to clear")
    codes: dict[int, FaultCode] = Field(default_factory=dict, description="what each code means")
    places: dict[int, Text] = Field(default_factory=dict, description="name of each place number")

    at_slow_ramp: int | None = Field(
        default=None,
        description="code that the unit stores when its supply falls slowly below its lockout while it runs; the slow "
        "ramp then looks for it, and so shows that faults are stored at all",
    )

    @model_validator(mode="after")
    def _inside(self) -> Self:
        if self.time is None and "time_order" in self.model_fields_set:
            raise ValueError("`time-order` is for a time that no record holds; expected `time` as well")
        ends = {"code": self.code, "place": self.place, "time": None if self.time is None else self.time + 1}
        for name, end in ends.items():
            if end is not None and end >= self.words:
                raise ValueError(
                    f"`{name}` lies outside a record of {self.words} words; expected an offset below "
                    f"{self.words if name != 'time' else self.words - 1}"
                )
        return self


class PossibleCause(Model):
    """What may be behind a failure of this type of unit, and what to do about it."""

    places: list[Text] = Field(
        default_factory=list,
        max_length=64,
        description="where it shows, in the words of the report: points and ports (or ranges of them), `mode held`, "
        "`supply`, `start`, `self-test`, `indicator`, `link`, `configuration`, `clock`, `battery`, `temperature`, "
        "`identity`, `stored faults`, `neighbour 1`, or a stage",
    )
    faults: list[int] = Field(
        default_factory=list, max_length=64, description="codes of the fault table that point to it"
    )
    common: bool = Field(
        default=False,
        description="true when one fault shows at several of its points at once, such as a driver of eight outputs; "
        "otherwise each point that fails has a fault of its own",
    )
    action: Text = Field(description="what to look at, and what to do")

    @model_validator(mode="after")
    def _shows(self) -> Self:
        if not self.places and not self.faults:
            raise ValueError("it shows nowhere; expected `places`, `faults` or both")
        return self

    def place_names(self) -> list[str]:
        """Return where it shows, each name of a range by itself. Raises ValueError for a range that is none."""
        return [name for place in self.places for name in range_names(place) or [place]]


class Configuration(Model):
    """The reference configuration: where it goes, what it is, how it is kept."""

    first: Register = Field(description="first register of the configuration")
    content: list[RawWord] = Field(min_length=1, max_length=4096, description="the reference, word by word")
    store: Register | None = Field(default=None, description="written with store-value to keep it")
    store_value: int = Field(default=1, description="what is written to store")
    store_time: Seconds = Field(default=0.5, description="time the unit needs to store it")
    checksum: Register | None = Field(
        default=None, description="CRC-16/MODBUS over the content, high byte first, as the unit computes it"
    )
    load_in: ModeWord = Field(default=Mode.STOPPED, description="mode in which it may be loaded")
    kept_for: Seconds = Field(
        default=60.0, gt=0, description="time without supply over which it must be kept"
    )
    any_content: bool = Field(
        default=False,
        description="whether the unit takes any content without harm while it is in `load-in`: then each bit of the "
        "memory is tried at both values, and each word for itself",
    )


class BatteryClaim(Model):
    """The memory battery."""

    nominal: Volts = Field(gt=0, description="voltage of a fresh battery")
    lowest: Volts = Field(gt=0, description="below this it must be replaced")
    accuracy: VoltAccuracy = Field(
        default=AccuracyTerms(0.02, 0.0, 0.0),
        description="how exactly the unit measures it, such as 1 % + 10 mV; 2 % is common practice, no source",
    )
    years: float = Field(default=5.0, gt=0, description="life; common practice, no source: about five years")


class ClockClaim(Model):
    """The clock of the unit."""

    drift: Ratio = Field(le=0.05, description="largest drift, such as 50 ppm")
    kept_for: Seconds = Field(
        default=60.0, gt=0, description="time without supply over which the battery must carry it"
    )


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
    def _ordered(self) -> Self:
        if self.supply not in self.supply_range:
            raise ValueError(
                f"the rated supply {self.supply:g} V lies outside supply-range; expected a value inside"
            )
        if self.absolute_maximum < self.supply_range.high:
            raise ValueError(
                f"absolute-maximum {self.absolute_maximum:g} V lies below the upper end of supply-range "
                f"({self.supply_range.high:g} V); expected at least that"
            )
        return self


class StartClaim(Model):
    """From power to ready."""

    ready_within: Seconds = Field(gt=0, description="longest time from power to ready")
    startup_quiet: Seconds = Field(
        default=0.0,
        ge=0,
        description="time after power in which no unit answers yet: nothing is asked before; at most half of "
        "`ready-within`, because a shorter start is not measured any closer",
    )
    idle_current: AmpereRange = Field(description="current of a healthy unit, ready, stopped, outputs off")
    live_current: AmpereRange | None = Field(default=None, description="the same in live mode, outputs off")
    loaded_current: AmpereRange | None = Field(
        default=None, description="the same with every output on, where the loads are fed by the unit"
    )
    inrush_peak: Amperes | None = Field(default=None, description="largest inrush current, when judged")
    inrush_charge: AmpereSeconds | None = Field(
        default=None, gt=0, description="largest charge drawn while the supply comes up, when judged"
    )
    off_time: Seconds = Field(
        default=2.0, gt=0, description="time without supply after which it has surely lost power"
    )


class ModuleSlots(Model):
    """How the unit reports the neighbours it found, one register per rack position."""

    first: Register = Field(description="register of rack position 1; the others follow")
    types: dict[Text, RawWord] = Field(description="number reported for each module name; `empty` included")


class Identity(Model):
    """What the unit must say it is."""

    maker: Text | None = Field(default=None, description="object 0 of function 43/14")
    product: Text | None = Field(default=None, description="object 1 of function 43/14")
    firmware: list[Text] = Field(default_factory=list, description="firmware levels that may ship")
    device_identification: bool = Field(
        default=True, description="whether the unit answers Modbus function 43/14"
    )
    serial_number: Register | None = Field(default=None, description="register holding the serial number")
    modules: ModuleSlots | None = Field(default=None, description="how neighbours found are reported")


class ReportedMode(Register):
    """Register in which the unit reports its mode."""

    values: dict[ModeWord, RawWord] = Field(min_length=1, description="number reported in each mode")


class ReportedIndicator(Register):
    """Register in which the unit reports its own indicator."""

    values: dict[IndicatorWord, RawWord] = Field(
        min_length=1, description="number reported for dark, healthy and faulted"
    )


class ModeCommand(Register):
    """Register by which the link sets the mode, for units without a switch."""

    values: dict[ModeWord, RawWord] = Field(min_length=1, description="number written for each mode")


class LinkRegisters(ModbusLimits):
    """The register map of the unit: what each register means. Leave out what the unit lacks."""

    device_id: int = Field(default=1, ge=0, le=255, description="Modbus unit identifier")
    high_addresses: bool = Field(
        default=False,
        description="true when the unit really has addresses such as 40001; otherwise they are taken for "
        "one-based documentation numbers and refused",
    )
    mode: ReportedMode = Field(description="where the unit reports its mode")
    mode_command: ModeCommand | None = Field(
        default=None, description="where the link sets the mode, for units without a switch"
    )
    indicator: ReportedIndicator | None = Field(
        default=None, description="where the unit reports its own indicator"
    )
    self_test: Register | None = Field(default=None, description="0 means passed")
    outputs_enabled: Register | None = Field(default=None, description="1 while the outputs are driven")
    ready: Register | None = Field(default=None, description="1 when the unit is ready; else mode answering")
    supply_voltage: Register | None = Field(default=None, description="supply as the unit measures it, V")
    temperature: Register | None = Field(default=None, description="case temperature, degC")
    temperature_error: Kelvins | None = Field(
        default=None,
        description="how far that may be from what the stand measures at the case",
    )
    starts: Register | None = Field(default=None, description="counter of starts, proves a power cycle")
    clock: Register | None = Field(default=None, description="clock of the unit, seconds")
    battery_voltage: Register | None = Field(default=None, description="voltage of the memory battery, V")
    port_errors: Register | None = Field(default=None, description="counter of errors of all its ports")
    modbus_loopback: bool = Field(default=False, description="whether function 08/0000 is answered")


class SwitchPosition(Model):
    """One position of the mode switch."""

    mode: ModeWord = Field(description="mode the unit takes in this position")
    contact: Name | None = Field(
        default=None, description="terminal closed in this position, when the stand replaces the switch"
    )


class ModeSwitching(Model):
    """The modes of the unit and how it gets into them."""

    switch: dict[Name, SwitchPosition] = Field(
        default_factory=dict, description="positions of the mode switch, in the order of the switch"
    )
    change_within: Seconds = Field(default=1.0, gt=0, description="longest time of a mode change")
    at_start: ModeWord = Field(default=Mode.STOPPED, description="mode to be in when power comes")


class Lamps(Model):
    """Terminals of the stand's light sensors in front of the indicator."""

    healthy: Name = Field(description="terminal of the sensor that sees the healthy lamp")
    faulted: Name = Field(description="terminal of the sensor that sees the faulted lamp")
    blinks: Seconds | None = Field(
        default=None,
        gt=0,
        le=10,
        description="period of a lamp that blinks, such as 1 s: it counts as lit where it is seen lit within so long. "
        "Such lamps are not watched in a soak, nor while points are driven",
    )


#: What may stand for a parameter; the sequence that declares it states its kind.
ParameterValue = Annotated[str | bool | int | float, WrittenAs("text, quantity, number, true or false")]


class Profile(Model):
    """One type of unit."""

    part: PartNumber = Field(description="type number")
    description: Text = Field(default="no description", description="one sentence for people")
    ratings: Ratings = Field(description="electrical limits of the unit")
    start: StartClaim = Field(description="from power to ready: times and currents")
    identity: Identity = Field(default=Identity(), description="what the unit must say it is")
    link: LinkRegisters = Field(description="register map of the unit; leave out what it lacks")
    modes: ModeSwitching = Field(
        default=ModeSwitching(), description="modes, and how the unit gets into them"
    )
    indicator: Lamps | None = Field(default=None, description="sensors in front of the unit's lamps")
    points: PointTables = Field(
        default=PointTables(), description="terminals; keys may be ranges such as q01..q16"
    )
    ports: dict[Name, Port] = Field(default_factory=dict, description="communication ports, by their names")
    faults: FaultTable | None = Field(default=None, description="the table of stored faults")
    causes: dict[Text, PossibleCause] = Field(
        default_factory=dict,
        max_length=200,
        description="likely causes of failures, by name: report and repair slip say what to look at first",
    )
    configuration: Configuration | None = Field(default=None, description="the reference configuration")
    battery: BatteryClaim | None = Field(default=None, description="the memory battery")
    clock: ClockClaim | None = Field(default=None, description="what is claimed of its clock")
    highest_case: Celsius | None = Field(default=None, description="largest case temperature")
    rack_positions: Annotated[int, Field(ge=0, le=64)] = Field(
        default=0, description="places for neighbours, numbered from 1"
    )
    decision_rule: Rule = Field(
        default=DecisionRule.GUARDED,
        description="how near to a limit a reading is accepted. guarded: the expanded uncertainty U inside it; "
        "`0.83 U`: that share of U (0 to 10) inside it; `risk 1 %`: as far inside as keeps the probability of "
        "accepting what is outside below that; simple: the limit itself",
    )
    largest_guard_band: Ratio = Field(
        default=1.0 / 3.0,
        description="share of a limit, or of half the width of two limits, that the uncertainty of a reading may take; "
        "a stand that knows it less exactly is refused",
    )
    waived_readings: dict[Text, Text] = Field(
        default_factory=dict,
        description="readings, by their names in the report, that may stay undecided where a stand cannot tell, each "
        "with the reason; certificate and report say so",
    )
    key_readings: list[Text] = Field(
        default_factory=list,
        max_length=12,
        description="readings, by their names in the report, that the certificate shows with limits and uncertainty, "
        "of those made at several places the one nearest to a limit",
    )
    required_stages: list[Text] = Field(
        default_factory=list,
        description="stages of one's own sequences without which a unit does not ship, beside those of the job",
    )
    parameters: dict[Name, ParameterValue] = Field(
        default_factory=dict,
        description="values that one's own sequences ask for by the marker `parameter`",
    )
    margins: Margins | None = Field(
        default=None, description="how the edges of the supply range are searched"
    )
    cycling: Cycling | None = Field(default=None, description="what is claimed about starting")
    soak: Soak | None = Field(default=None, description="the long run under load")
    twin: TwinParameters = Field(
        default=TwinParameters(), description="how its simulated twin behaves; hardware ignores it"
    )

    def mode_list(self) -> list[Mode]:
        """Modes of this unit that can be reached and reported, in the order of the vocabulary."""
        return [mode for mode in Mode if mode in self.link.mode.values]
