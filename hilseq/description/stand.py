"""The stand file: I/O, signals, slots, people and safety of one bench."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from hilseq.description.calibration import Calibration, require_points
from hilseq.description.drivers import AddressedModel, DriverError, DriverModel
from hilseq.description.fields import (
    AccuracyText,
    Endpoint,
    Model,
    Name,
    Ohms,
    Ratio,
    Seconds,
    Terminal,
    Text,
    UnitSymbol,
    WrittenAs,
    keys_of,
)
from hilseq.description.intake import IntakeSheet
from hilseq.description.supplies import InstrumentIdentity, Supply
from hilseq.description.twin import StandTwin
from hilseq.quantities import AccuracyTerms, accuracy_of_channel, dimension_of


class Io(AddressedModel):
    """One device that holds signals of the stand; its driver says where it is, and what the address of a signal is."""

    role = "channels"
    part = "description"

    driver: Text = Field(
        default="modbus", description="driver that speaks to it; others come as packages of their own"
    )

    identity: InstrumentIdentity | None = Field(
        default=None,
        description="what it must say it is, asked by function 43/14 with Modbus; leave out if the device lacks it",
    )
    calibration: Calibration | None = Field(default=None, description="its calibration")
    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for one answer")
    scan_time: Seconds | None = Field(
        default=None,
        description="longest time between two snapshots of what it senses: a read may be that old. Measured through "
        "its loop-backs where it has some; 50 ms where neither tells",
    )

    optional: bool = Field(
        default=False,
        description="true when a visit to the simulated twin can do without its signals: a twin serves only the "
        "drivers that come with hilseq",
    )

    @model_validator(mode="after")
    def _calibrated_as_a_whole(self) -> Self:
        found = self.calibration
        if found is not None and (found.points or found.voltage_points or found.current_points):
            raise ValueError(
                "an io has many channels; expected the points at the `calibration` of each signal"
            )
        return self


class Signal(DriverModel):
    """One wire or register of the stand, as the unit sees it; the driver of its `io` says what its address is."""

    role = "channels"
    part = "signal"

    driver: Text = Field(default="modbus", description="driver of its `io`; need not be written")

    io: Name = Field(description="which I/O simulator of this file")
    drives: Terminal | None = Field(default=None, description="terminal this signal drives, SLOT.TERMINAL")
    senses: Terminal | None = Field(default=None, description="terminal this signal senses, SLOT.TERMINAL")
    unit: UnitSymbol = Field(
        default="", description="unit of the value: V, mA, degC, Ohm, Hz, %; empty for a plain number"
    )
    accuracy: AccuracyText | None = Field(
        default=None,
        description="accuracy of the channel, such as 0.05 % + 2 mV; of a count a number alone, such as 1",
    )
    repeatability: AccuracyText | None = Field(
        default=None,
        description="standard deviation of repeated readings, such as 1 mV, where the accuracy does not hold it; what "
        "cannot be repeated is judged with it",
    )
    safe_value: float = Field(default=0.0, description="value of a drive in the safe state")
    settle: Seconds = Field(default=0.02, description="time from a new value until the terminal has it")
    lag: Seconds | None = Field(
        default=None,
        description="longest time until a sense has followed its terminal, beside the `scan-time` of its io: the "
        "reaction of a lamp sensor, the settling of a filter",
    )
    load: Ohms | None = Field(
        default=None, gt=0, description="load from a measured output to 0 V: it turns leakage into a voltage"
    )
    load_tolerance: Ratio = Field(
        default=0.05, description="how far the load may be from that; 5 % is common practice, no source"
    )
    calibration: Calibration | None = Field(
        default=None, description="calibration of this channel, when it is not that of the io"
    )

    @property
    def is_bit(self) -> bool:
        """Return whether it is 0 or 1 and nothing between."""
        return False

    @property
    def writable(self) -> bool:
        """Return whether the stand may write it."""
        return False

    @property
    def step(self) -> float:
        """Distance of neighbouring values, in its unit; 0 where it has none."""
        return 0.0

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value it can show, in its unit."""
        return -math.inf, math.inf

    @property
    def span(self) -> float:
        """Width of all values it can have, in its unit, for an accuracy `of range`; 0 where it has no end."""
        return 0.0

    @property
    def address_in_words(self) -> str:
        """What it is to its driver, such as `an input register`, for messages."""
        return "a signal"

    @property
    def channel_in_words(self) -> str:
        """Where it is on its io, as the set-up sheet names it: what its driver asks of it."""
        shared = keys_of(Signal)
        return ", ".join(
            f"{key} {getattr(self, name)}"
            for name, field in type(self).model_fields.items()
            if (key := field.alias or name) not in shared and name in self.model_fields_set
        )

    @model_validator(mode="after")
    def _one_direction(self) -> Self:
        if self.drives is not None and self.senses is not None:
            raise ValueError("the signal drives a terminal and senses one; expected only one of them")
        return self

    @model_validator(mode="after")
    def _calibrated_in_its_unit(self) -> Self:
        calibration = self.calibration
        if calibration is None:
            return self
        if calibration.voltage_points or calibration.current_points:
            raise ValueError("`voltage-points` and `current-points` are of a supply; expected `points`")
        if calibration.points:
            if self.drives is not None:
                raise ValueError(
                    "it drives, and only readings are corrected; expected `points` at a signal that senses"
                )
            require_points(calibration.certified("points", dimension_of(self.unit)))
        return self

    def accuracy_terms(self) -> AccuracyTerms | None:
        """Return the accuracy in the base unit of the signal's dimension; None when none is stated.

        Raises QuantityError when the text does not fit the unit; a checked stand has no such signal.
        """
        return None if self.accuracy is None else accuracy_of_channel(self.accuracy, self.unit)

    def repeatability_terms(self) -> AccuracyTerms | None:
        """Return the repeatability as `accuracy_terms` does the accuracy."""
        return None if self.repeatability is None else accuracy_of_channel(self.repeatability, self.unit)


class PortWiring(Model):
    """How the stand reaches one port of the unit."""

    resource: Text = Field(
        description="/dev/ttyUSB0, a VISA resource ASRL/dev/ttyUSB0::INSTR, or HOST:PORT of a serial "
        "device server or of the unit's own network port"
    )
    speed_accuracy: Ratio | None = Field(
        default=None,
        gt=0,
        description="how exactly the adapter makes any speed it is asked for, such as 0.1 %; only for one that makes "
        "any. With it the error of the port's clock is measured",
    )
    adapter: Text | None = Field(default=None, description="adapter to plug in, for the set-up sheet")
    cable: Text | None = Field(default=None, description="cable to use, for the set-up sheet")


class Link(AddressedModel):
    """How the unit in a slot is talked to; the registers that it has are in its profile."""

    role = "link"
    part = "description"

    driver: Text = Field(
        default="modbus", description="driver that speaks to it; others come as packages of their own"
    )

    deadline: Seconds = Field(default=1.0, gt=0, description="longest wait for one answer")
    reconnect_timeout: Seconds = Field(
        default=5.0,
        ge=0,
        description="how long a link that fell silent during a check is waited for, while the unit looks well; the "
        "check is repeated when it comes back",
    )


class SetupItem(Model):
    """One line of the set-up sheet."""

    item: Text = Field(description="what to fit: adapter, cable, load, cover")
    where: Text = Field(description="where it goes")
    picture: str = Field(default="", description="picture file that shows it, beside the stand file")


class Slot(Model):
    """One place on the stand where one unit sits."""

    supply: Name = Field(description="which supply feeds the unit")
    link: Link = Field(description="how the unit itself is talked to")
    ports: dict[Name, PortWiring] = Field(default_factory=dict, description="wiring of the unit's ports")
    neighbours: dict[int, Text] = Field(
        default_factory=dict, description="module fitted in each rack position; `empty` where there is none"
    )
    setup: list[SetupItem] = Field(
        default_factory=list, description="adapters and cables, for the set-up sheet"
    )


class Loopback(Model):
    """A path of the stand back into itself, by which it can test its own channels."""

    drive: Name = Field(description="signal that is written")
    sense: Name = Field(description="signal that must follow")


class InterlockSignal(Model):
    """A signal that must hold its safe value as long as anything is powered."""

    signal: Name = Field(description="signal that is watched")
    safe: float = Field(description="the value that says all is well")
    meaning: Text = Field(description="what it means when it does not, such as: the cover is open")


class Safety(Model):
    """What is watched, and what happens when an instrument is lost."""

    interlocks: dict[Name, InterlockSignal] = Field(
        default_factory=dict, description="signals that must hold their safe value while anything is powered"
    )
    lost_instrument: Literal["make safe", "hold"] = Field(
        default="make safe", description="what a soak does when an instrument is lost"
    )
    reconnect_timeout: Seconds = Field(
        default=600.0,
        gt=0,
        description="how long a soak waits for a lost instrument, and then for the unit's link, to come back; an "
        "instrument that comes back for moments only, five times in a row, ends it",
    )


class OperatorActions(Model):
    """What only a person can do on this stand; texts may use {slot}, {position}, {mode}."""

    move_switch: Text | None = Field(default=None, description="prompt to move the mode switch")
    look_at_indicator: Text | None = Field(default=None, description="prompt to report the indicator")
    pictures: dict[Literal["insert-unit", "move-switch", "look-at-indicator"], Text] = Field(
        default_factory=dict, description="picture file shown with a prompt, beside the stand file"
    )
    timeout: Seconds = Field(default=600.0, gt=0, description="longest wait for the person")


def _intake_key(value: Any) -> Any:
    known = tuple(keys_of(IntakeSheet))
    if not isinstance(value, str) or re.fullmatch(r"[A-Z][\w /-]{1,39}", value) is None:
        raise ValueError(
            f"{str(value)[:40]!r} is no field; expected a capital letter, then letters, digits and spaces (at most 40)"
        )
    if value.casefold().replace(" ", "-") in known:
        raise ValueError(f"{value!r} is asked anyway; expected a name that is none of {', '.join(known)}")
    return value


IntakeKey = Annotated[str, BeforeValidator(_intake_key), WrittenAs("name of a field")]


class Shop(Model):
    """Who issues certificates and labels."""

    name: Text = Field(description="name of the shop")
    address: Text = Field(default="", description="its address, in one line")
    logo: Text | None = Field(
        default=None, description="SVG file with its logo, beside the stand file; drawn 14 mm high"
    )


class Stand(Model):
    """One test stand."""

    stand: Name = Field(description="name of the stand")
    description: Text = Field(default="no description", description="one sentence for people")
    network: Text | None = Field(
        default=None, description="the subnet every address of this file must lie in, such as 192.0.2.0/24"
    )
    simulated: bool = Field(
        default=False,
        description="true for a simulated twin: journals, reports and records say so of its runs",
    )
    simulated_clock: Endpoint | None = Field(
        default=None,
        description="HOST:PORT of a simulated stand's stepped clock; never on hardware, needs `simulated: true`",
    )
    supplies: dict[Name, Supply] = Field(min_length=1, description="the supplies, by names of your choice")
    io: dict[Name, Io] = Field(
        default_factory=dict, description="the I/O simulators, by names of your choice"
    )
    signals: dict[Name, Signal] = Field(
        default_factory=dict, description="the wires of the stand; keys may be ranges such as q01..q16"
    )
    slots: dict[Name, Slot] = Field(min_length=1, description="the places where a unit sits")
    loopbacks: dict[Name, Loopback] = Field(
        default_factory=dict, description="paths by which the stand tests its own channels"
    )
    exclusive: dict[Name, list[Name]] = Field(
        default_factory=dict,
        description="parts that only one visit at a time may use, such as a load bank, each with the signals that "
        "drive it: a visit has it from when one of them leaves its value at rest until all are back",
    )
    power_on_gap: Seconds = Field(
        default=0.0,
        ge=0,
        le=60,
        description="least time between switching on the units of two slots, where their inrush would add up in what "
        "feeds the supplies, such as a mains fuse; visits wait for their turn. Short interruptions do not wait",
    )
    uncalibrated: dict[Text, Text] = Field(
        default_factory=dict,
        description="instruments (supply NAME, io NAME) without a stated calibration that are used all the same, each "
        "with the reason; certificate and report say so",
    )
    safety: Safety = Field(default=Safety(), description="what is watched while anything is powered")
    twin: StandTwin | None = Field(
        default=None, description="how long the instruments of its simulated twin take"
    )
    clock_accuracy: Ratio = Field(
        default=20e-6,
        description="how right the clock of the computer runs, such as 10 ppm where a time server keeps it; 20 ppm is "
        "common practice for a quartz at room temperature, no source",
    )
    ambient: Name | None = Field(
        default=None, description="signal that measures the temperature around the instruments, degC"
    )
    golden_unit: bool = Field(
        default=False,
        description="true where a visit of a known good unit must be on record for the harness as it is: without one "
        "every unit is incomplete. See `hilseq ready --golden`",
    )
    operator: OperatorActions = Field(
        default=OperatorActions(), description="what only a person can do on this stand"
    )
    shop: Shop | None = Field(
        default=None, description="who issues certificates; stands on them and on labels"
    )
    intake: list[IntakeKey] = Field(
        default_factory=list,
        description="what this shop asks at intake beside the usual, in the words of its forms: [RMA number, Invoice]",
    )

    @property
    def calibrations(self) -> list[Calibration]:
        """Every calibration that is stated."""
        stated = [
            *(supply.calibration for supply in self.supplies.values()),
            *(io.calibration for io in self.io.values()),
            *(signal.calibration for signal in self.signals.values()),
        ]
        return [calibration for calibration in stated if calibration is not None]

    @property
    def senses(self) -> list[str]:
        """The signals that sense a terminal."""
        return [name for name, signal in self.signals.items() if signal.senses is not None]

    @model_validator(mode="before")
    @classmethod
    def _signals_know_their_driver(cls, data: Any) -> Any:
        return with_drivers(data)

    @model_validator(mode="after")
    def _simulated_in_words(self) -> Self:
        if self.simulated_clock is not None and not self.simulated:
            raise ValueError("only a twin has a `simulated-clock`; expected `simulated: true` beside it")
        return self


def with_drivers(data: Any) -> Any:
    """Return what a stand file holds, each signal with the driver of its io.

    Signals whose driver cannot be had are left out: that is reported for the io.
    """
    if not isinstance(data, dict):
        return data
    devices, signals = data.get("io"), data.get("signals")
    if not isinstance(devices, dict) or not isinstance(signals, dict):
        return data
    named = {name: io["driver"] for name, io in devices.items() if isinstance(io, dict) and io.get("driver")}
    if not named:
        return data
    known = {}
    for name, signal in signals.items():
        driver = named.get(signal.get("io")) if isinstance(signal, dict) else None
        if driver is None:
            known[name] = signal
        elif _usable(driver):
            known[name] = {"driver": driver, **signal}
    return {**data, "signals": known}


def _usable(driver: object) -> bool:
    try:
        Signal.model_for({"driver": driver})
    except DriverError:
        return False
    return True
