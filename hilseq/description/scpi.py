"""A supply over VISA: where it answers, and in which words; SCPI-1999, class DC power supply, where nothing is said."""

from __future__ import annotations

from string import Formatter
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from hilseq.description.drivers import DriverAddress
from hilseq.description.fields import Model, Seconds, Text, TextLine, WrittenAs
from hilseq.description.supplies import Supply

_PLACEHOLDERS = frozenset({"value", "output"})


def _template(text: str) -> str:
    """Refuse what could not be filled in or would break the line protocol."""
    if not text.isprintable():
        raise ValueError(f"{text!r} holds a control character; expected one line of printable text")
    try:
        names = {name for _, name, _, _ in Formatter().parse(text) if name is not None}
        text.format(value=1.0, output=1)
    except (ValueError, IndexError, KeyError, AttributeError, TypeError) as error:
        raise ValueError(
            f"{text!r} is not a command template ({error}); expected no braces but {{value}} and {{output}}"
        ) from None
    if names - _PLACEHOLDERS:
        strange = ", ".join(sorted(names - _PLACEHOLDERS))
        raise ValueError(f"the template {text!r} asks for {strange}; expected only {{value}} and {{output}}")
    return text


def _valueless(text: str) -> str:
    if "{value" in text:
        raise ValueError(
            f"{text!r} asks for a value, but there is none here; expected a command without {{value}}"
        )
    return text


def _setting(text: str) -> str:
    if "{value" not in text:
        raise ValueError(f"{text!r} sets nothing; expected a command with {{value}} in it")
    return text


def _query(text: str) -> str:
    if "?" not in text:
        raise ValueError(f"{text!r} asks nothing; expected a query with ? in it")
    return text


def _lacking(value: Any) -> Any:
    """Read the word `none` as: the instrument lacks this command."""
    return None if value == "none" else value


def _needed(value: Any) -> Any:
    if value == "none":
        raise ValueError("hilseq cannot do without this command; expected the supply's own, not `none`")
    return value


Command = Annotated[
    Text,
    BeforeValidator(_needed),
    AfterValidator(_template),
    AfterValidator(_valueless),
    WrittenAs("command"),
]
Setting = Annotated[
    Text,
    BeforeValidator(_needed),
    AfterValidator(_template),
    AfterValidator(_setting),
    WrittenAs("command with {value}"),
]
Query = Annotated[Command, AfterValidator(_query), WrittenAs("query")]
OptionalCommand = Annotated[Command | None, BeforeValidator(_lacking), WrittenAs("command, or none")]
OptionalSetting = Annotated[
    Setting | None, BeforeValidator(_lacking), WrittenAs("command with {value}, or none")
]
OptionalQuery = Annotated[Query | None, BeforeValidator(_lacking), WrittenAs("query, or none")]


class SupplyCommands(Model):
    """The command templates of a supply; the defaults are SCPI-1999, class DC power supply.

    `{value}` is the number, `{output}` the output's number. `none` says that the instrument lacks the
    command; commands that something depends on cannot be `none`.
    """

    identify: OptionalQuery = Field(
        default="*IDN?",
        description="asks for maker, model, serial number, firmware; `none` where it does not tell, and only whether "
        "it answers is known",
    )
    clear: OptionalCommand = Field(default="*CLS", description="empties the error queue")
    select: OptionalCommand = Field(
        default=None,
        description="sent before every other command: selects the output where there are several, or puts one that "
        "forgets it into remote operation, such as SYST:REM",
    )
    set_voltage: Setting = Field(default="VOLT {value}", description="sets the voltage, in volts")
    read_set_voltage: OptionalQuery = Field(default="VOLT?", description="asks for the voltage setting")
    set_current: Setting = Field(default="CURR {value}", description="sets the current limit, in amperes")
    read_set_current: OptionalQuery = Field(default="CURR?", description="asks for the current limit")
    set_overvoltage: OptionalSetting = Field(
        default="VOLT:PROT {value}", description="sets the over-voltage protection, in volts"
    )
    read_overvoltage: OptionalQuery = Field(
        default="VOLT:PROT?", description="asks for the over-voltage protection level"
    )
    overvoltage_tripped: OptionalQuery = Field(
        default=None, description="answers 1 when the over-voltage protection has tripped"
    )
    clear_protection: OptionalCommand = Field(default=None, description="resets a tripped protection")
    set_watchdog: OptionalSetting = Field(
        default=None,
        description="has it switch off by itself when it hears nothing for as many seconds, which `watchdog` tells",
    )
    read_watchdog: OptionalQuery = Field(default=None, description="asks for that time, in seconds")
    clear_watchdog: OptionalCommand = Field(
        default=None, description="ends that watch; sent once the output is off for good"
    )
    output_on: Command = Field(default="OUTP ON", description="switches the output on")
    output_off: Command = Field(default="OUTP OFF", description="switches the output off")
    read_output: OptionalQuery = Field(default="OUTP?", description="answers 1 when the output is on")
    measure_both: OptionalQuery = Field(
        default=None,
        description="one query answering voltage and current, separated by , or ; (saves time in a soak)",
    )
    measure_voltage: OptionalQuery = Field(
        default="MEAS:VOLT?",
        description="measures the voltage, in volts; `none` where only `measure-both` does",
    )
    measure_current: OptionalQuery = Field(
        default="MEAS:CURR?",
        description="measures the current, in amperes; `none` where only `measure-both` does",
    )
    measure_peak_current: OptionalQuery = Field(
        default=None, description="answers the largest current since the output was switched on, in amperes"
    )
    measure_charge: OptionalQuery = Field(
        default=None,
        description="answers the charge delivered since the output was switched on, in ampere seconds",
    )
    arm_waveform: OptionalCommand = Field(
        default=None, description="sent before the output is switched on, so that its current is recorded"
    )
    read_waveform: OptionalQuery = Field(
        default=None,
        description="answers the recorded currents, in amperes, separated by commas; the times are reported by "
        "`waveform`",
    )
    next_error: OptionalQuery = Field(default="SYST:ERR?", description="takes one entry off the error queue")

    # Below `measure_both`, so that it is known by then; one that was refused itself counts as given.
    @field_validator("measure_voltage", "measure_current")
    @classmethod
    def _measured(cls, command: str | None, info: ValidationInfo) -> str | None:
        if command is None and info.data.get("measure_both", "") is None:
            what = str(info.field_name).removeprefix("measure_")
            raise ValueError(
                f"a supply that does not measure its {what} cannot be used: by its readings a fault of the unit is "
                "distinguished from one of the stand; expected the supply's own query, `measure-both` where one "
                "query asks for voltage and current, or another supply"
            )
        return command


def _lines(value: Any) -> Any:
    """Read true and false as one line and none."""
    return int(value) if isinstance(value, bool) else value


Lines = Annotated[int, BeforeValidator(_lines), WrittenAs("true, false, or number of lines")]

#: More lines than anybody greets with.
_MOST_LINES = 100
#: More than any supply needs, s.
_LONGEST_PAUSE = 10.0


#: Readings of a record: fewer show no shape, more do not fit one answer.
_FEWEST_READINGS, _MOST_READINGS = 10, 4096


class Waveform(Model):
    """What the supply records of the current when its output is switched on."""

    interval: Seconds = Field(gt=0, description="time between two readings, as the armed command sets it")
    length: Seconds = Field(
        gt=0,
        description="time that the record covers, from switching on until well after the inrush; `length` / "
        "`interval` readings are expected",
    )

    @property
    def readings(self) -> int:
        """Number of readings in a record."""
        return round(self.length / self.interval)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if not _FEWEST_READINGS <= self.length / self.interval <= _MOST_READINGS:
            raise ValueError(
                f"{self.length:g} s at {self.interval:g} s are {self.length / self.interval:.6g} readings; expected "
                f"{_FEWEST_READINGS} to {_MOST_READINGS}"
            )
        return self


class ScpiSupply(Supply):
    """One output of a supply that is spoken to over VISA, in SCPI or in the commands given here."""

    resource: Text = Field(description="VISA resource, such as TCPIP::192.0.2.10::5025::SOCKET")
    output: int = Field(
        default=1, ge=1, description="number of the output, for {output} in command templates"
    )
    commands: SupplyCommands = Field(
        default=SupplyCommands(), description="commands that differ from SCPI-1999, class DC power supply"
    )
    compound_messages: bool = Field(
        default=False,
        description="whether it takes several commands in one message, separated by `;` (IEEE 488.2): `select` and "
        "what follows go out as one then, and nobody can select another output in between",
    )
    waveform: Waveform | None = Field(
        default=None, description="its record of the inrush, which `commands.read-waveform` asks for"
    )
    read_termination: str = Field(
        default="\n", description='end of an answer, such as "\\r\\n"', min_length=1, max_length=2
    )
    write_termination: str = Field(
        default="\n", description='end of a command, such as "\\n"', min_length=1, max_length=2
    )
    line: TextLine = Field(default=TextLine(), description="speed and frame, for a resource ASRL…::INSTR")
    greeting: Lines = Field(
        default=0,
        ge=0,
        le=_MOST_LINES,
        description="whether it sends a line after each connection, such as WELCOME, or how many; they and what "
        "comes right behind them are thrown away, and waited for at most `deadline`",
    )
    echo: bool = Field(
        default=False,
        description="whether it sends each command line back, before the answer; another line is garbage",
    )
    pause: Seconds = Field(
        default=0.0,
        ge=0,
        le=_LONGEST_PAUSE,
        description="time between a command, or its answer, and the next command, where it loses one that comes "
        "sooner, such as 50 ms",
    )

    @model_validator(mode="after")
    def _identified(self) -> Self:
        if self.commands.identify is None and self.identity.model_fields_set:
            raise ValueError(
                "`identity` is what the supply must say it is, but `identify: none` says that it does not tell; "
                "expected one or the other"
            )
        return self

    @model_validator(mode="after")
    def _selects(self) -> Self:
        if self.compound_messages and self.commands.select is None:
            raise ValueError("`compound-messages` joins `select` to what follows; expected `select` as well")
        return self

    @model_validator(mode="after")
    def _record(self) -> Self:
        if (self.waveform is None) != (self.commands.read_waveform is None):
            raise ValueError(
                "`waveform` tells the times of the record that `read-waveform` asks for; expected both or neither"
            )
        if self.commands.arm_waveform is not None and self.waveform is None:
            raise ValueError(
                "`arm-waveform` arms a record that nothing reads; expected `read-waveform` as well"
            )
        return self

    @model_validator(mode="after")
    def _watched(self) -> Self:
        commands = self.commands
        if (self.watchdog is None) != (commands.set_watchdog is None):
            raise ValueError("`watchdog` is the time that `set-watchdog` sets; expected both or neither")
        for name, command in (("read", commands.read_watchdog), ("clear", commands.clear_watchdog)):
            if command is not None and self.watchdog is None:
                raise ValueError(
                    f"`{name}-watchdog` is for a watch that nothing sets; expected `set-watchdog` as well"
                )
        return self

    @model_validator(mode="after")
    def _protection(self) -> Self:
        if self.overvoltage is not None and self.commands.set_overvoltage is None:
            raise ValueError(
                "`overvoltage` is given, but `set-overvoltage: none` says that the supply has none; "
                "expected one or the other"
            )
        return self

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return its VISA resource, and the output of it."""
        return (DriverAddress("resource", self.resource, f"output {self.output}"),)
