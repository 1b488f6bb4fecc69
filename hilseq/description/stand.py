"""The stand file: supplies, I/O, signals, slots, people and safety of one bench."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from hilseq.description.fields import (
    AmpereAccuracy,
    Amperes,
    Endpoint,
    Model,
    Name,
    Seconds,
    Terminal,
    Text,
    VoltAccuracy,
    Volts,
)
from hilseq.description.registers import Register
from hilseq.quantities import AccuracyTerms


def _date(value: Any) -> Any:
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise ValueError(f"{str(value)[:40]!r} is not a date; expected YYYY-MM-DD")  # noqa: TRY004
    return value


Date = Annotated[dt.date, BeforeValidator(_date)]


class Calibration(Model):
    """When an instrument was calibrated and until when that holds."""

    certificate: Text = Field(default="not stated", description="number of the calibration certificate")
    done: Date | None = Field(default=None, description="date of the calibration, YYYY-MM-DD")
    due: Date = Field(description="last day on which the calibration holds, YYYY-MM-DD")


class InstrumentIdentity(Model):
    """What the instrument must say it is; every text given must be equal (case does not matter)."""

    maker: Text | None = Field(default=None, description="first field of *IDN?, or object 0 of function 43/14")
    model: Text | None = Field(default=None, description="second field of *IDN?, or object 1")
    serial: Text | None = Field(default=None, description="third field of *IDN?")


class SupplyCommands(Model):
    """The command templates of a supply; the defaults are SCPI-1999, class DC power supply.

    `{value}` is the number, `{output}` the output's number. `none` says that the instrument lacks the
    command; commands that something depends on cannot be `none`.
    """

    identify: Text = "*IDN?"
    clear: Text | None = "*CLS"
    select: Text | None = Field(
        default=None, description="sent before every other command on instruments with several outputs"
    )
    set_voltage: Text = "VOLT {value}"
    read_set_voltage: Text | None = "VOLT?"
    set_current: Text = "CURR {value}"
    read_set_current: Text | None = "CURR?"
    set_overvoltage: Text | None = "VOLT:PROT {value}"
    read_overvoltage: Text | None = "VOLT:PROT?"
    overvoltage_tripped: Text | None = None
    clear_protection: Text | None = Field(default=None, description="resets a tripped protection")
    output_on: Text = "OUTP ON"
    output_off: Text = "OUTP OFF"
    read_output: Text | None = "OUTP?"
    measure_voltage: Text = "MEAS:VOLT?"
    measure_current: Text = "MEAS:CURR?"
    measure_both: Text | None = Field(
        default=None,
        description="one query answering voltage and current, separated by , or ; (saves time in a soak)",
    )
    next_error: Text | None = "SYST:ERR?"


class SupplyAccuracy(Model):
    """Accuracy of the supply's own measurements."""

    voltage: VoltAccuracy = Field(default=AccuracyTerms(0.001, 0.0, 0.02), description="0.05 % + 10 mV")
    current: AmpereAccuracy = Field(default=AccuracyTerms(0.002, 0.0, 0.005), description="0.1 % + 2 mA")


class SupplyCeilings(Model):
    """What this stand may never exceed on this supply, whatever a profile or a sequence asks."""

    voltage: Volts = Field(gt=0, description="largest voltage this stand ever sets")
    current: Amperes = Field(gt=0, description="largest current limit this stand ever sets")


class Supply(Model):
    """One output of a programmable DC supply."""

    resource: Text = Field(description="VISA resource, such as TCPIP::192.0.2.10::5025::SOCKET")
    output: int = Field(default=1, ge=1, description="number of the output, for {output} in command templates")
    identity: InstrumentIdentity = InstrumentIdentity()
    commands: SupplyCommands = SupplyCommands()
    ceilings: SupplyCeilings = Field(description="voltage and current this stand never exceeds")
    overvoltage: Volts | None = Field(default=None, gt=0, description="over-voltage protection level")
    accuracy: SupplyAccuracy = SupplyAccuracy()
    calibration: Calibration | None = None
    deadline: Seconds = Field(default=2.0, gt=0, description="longest wait for one answer")
    settle: Seconds = Field(default=0.05, description="time from a new setting until its reading holds")
    read_termination: str = Field(default="\n", description="end of an answer", min_length=1, max_length=2)
    write_termination: str = Field(default="\n", description="end of a command", min_length=1, max_length=2)


class SerialLine(Model):
    """Speed and character frame of a serial line."""

    speed: Annotated[int, Field(gt=0)] = 19200
    frame: Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"] = "8E1"


class Io(Model):
    """One I/O simulator: a Modbus device whose registers are the stand's signals."""

    protocol: Literal["modbus tcp", "modbus rtu"] = "modbus tcp"
    address: Endpoint | None = Field(default=None, description="HOST:PORT, for modbus tcp")
    port: Text | None = Field(default=None, description="serial port such as /dev/ttyUSB0, for modbus rtu")
    line: SerialLine = SerialLine()
    device: int = Field(default=1, ge=0, le=255, description="Modbus unit identifier")
    identity: InstrumentIdentity | None = Field(
        default=None, description="asked by function 43/14 when given; leave out if the device lacks it"
    )
    calibration: Calibration | None = None
    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for one answer")
    largest_gap: int = Field(
        default=16, ge=0, description="unlisted addresses a read may run over; 0 if the device refuses them"
    )

    @model_validator(mode="after")
    def _one_way_in(self) -> Io:
        if self.protocol == "modbus tcp" and (self.address is None or self.port is not None):
            raise ValueError("modbus tcp needs `address` (HOST:PORT) and no `port`")
        if self.protocol == "modbus rtu" and (self.port is None or self.address is not None):
            raise ValueError("modbus rtu needs `port` (a serial port) and no `address`")
        return self


class Signal(Register):
    """One wire or register of the stand, as the unit sees it."""

    io: Name = Field(description="which I/O simulator of this file")
    drives: Terminal | None = Field(default=None, description="terminal this signal drives, SLOT.TERMINAL")
    senses: Terminal | None = Field(default=None, description="terminal this signal senses, SLOT.TERMINAL")
    accuracy: Text | None = Field(default=None, description="accuracy of the channel, such as 0.05 % + 2 mV")
    rest: float = Field(default=0.0, description="value of a drive in the safe state")
    settle: Seconds = Field(default=0.02, description="time from a new value until the terminal has it")
    calibration: Calibration | None = None

    @model_validator(mode="after")
    def _one_direction(self) -> Signal:
        if self.drives is not None and self.senses is not None:
            raise ValueError("a signal either drives or senses a terminal, not both")
        if self.drives is not None and not self.table.writable:
            raise ValueError(f"a {self.table} cannot be written; a drive needs a coil or a holding register")
        return self


class PortWiring(Model):
    """How the stand reaches one port of the unit."""

    resource: Text = Field(
        description="/dev/ttyUSB0, a VISA resource ASRL/dev/ttyUSB0::INSTR, or HOST:PORT of a serial "
        "device server or of the unit's own network port"
    )
    adapter: Text | None = Field(default=None, description="adapter to plug in, for the set-up sheet")
    cable: Text | None = Field(default=None, description="cable to use, for the set-up sheet")


class Link(Model):
    """How the unit in a slot is talked to."""

    address: Endpoint | None = Field(default=None, description="HOST:PORT of the unit's Modbus TCP server")
    port: Text | None = Field(default=None, description="serial port, when the unit is a Modbus RTU device")
    line: SerialLine = SerialLine()
    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for one answer")

    @model_validator(mode="after")
    def _one_way_in(self) -> Link:
        if (self.address is None) == (self.port is None):
            raise ValueError("a link needs either `address` (HOST:PORT) or `port` (a serial port)")
        return self


class SetupItem(Model):
    """One line of the set-up sheet."""

    item: Text = Field(description="what to fit: adapter, cable, load, cover")
    where: Text = Field(description="where it goes")


class Slot(Model):
    """One place on the stand where one unit sits."""

    supply: Name = Field(description="which supply feeds the unit")
    link: Link
    ports: dict[Name, PortWiring] = Field(default_factory=dict, description="wiring of the unit's ports")
    neighbours: dict[int, Text] = Field(
        default_factory=dict, description="module fitted in each rack position; `empty` where there is none"
    )
    setup: list[SetupItem] = Field(default_factory=list, description="adapters and cables, for the set-up sheet")


class Loopback(Model):
    """A path of the stand back into itself, by which it can test its own channels."""

    drive: Name
    sense: Name


class Interlock(Model):
    """A signal that must hold its safe value as long as anything is powered."""

    signal: Name
    safe: float = Field(description="the value that says all is well")
    meaning: Text = Field(description="what it means when it does not, such as: the cover is open")


class Safety(Model):
    """What is watched, and what happens when an instrument is lost."""

    interlocks: dict[Name, Interlock] = Field(default_factory=dict)
    lost_instrument: Literal["make safe", "hold"] = Field(
        default="make safe", description="what a soak does when an instrument is lost"
    )


class Operator(Model):
    """What only a person can do on this stand; texts may use {slot}, {position}, {mode}."""

    move_switch: Text | None = Field(default=None, description="prompt to move the mode switch")
    look_at_indicator: Text | None = Field(default=None, description="prompt to report the indicator")
    patience: Seconds = Field(default=600.0, gt=0, description="longest wait for the person")


class Stand(Model):
    """One test stand."""

    stand: Name = Field(description="name of the stand")
    description: Text = Field(default="no description", description="one sentence for people")
    network: Text | None = Field(
        default=None, description="the subnet every address of this file must lie in, such as 192.0.2.0/24"
    )
    simulated_clock: Endpoint | None = Field(
        default=None, description="HOST:PORT of a simulated stand's stepped clock; never on hardware"
    )
    supplies: dict[Name, Supply] = Field(min_length=1)
    io: dict[Name, Io] = Field(default_factory=dict)
    signals: dict[Name, Signal] = Field(default_factory=dict)
    slots: dict[Name, Slot] = Field(min_length=1)
    loopbacks: dict[Name, Loopback] = Field(default_factory=dict)
    safety: Safety = Safety()
    operator: Operator = Operator()
