"""The supplies of a stand, whatever they speak: what they may never exceed, how exactly they measure, until when."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from hilseq.description.calibration import Calibration, require_points
from hilseq.description.drivers import AddressedModel
from hilseq.description.fields import AmpereAccuracy, Amperes, Model, Seconds, Text, VoltAccuracy, Volts
from hilseq.quantities import AccuracyTerms


class InstrumentIdentity(Model):
    """What the instrument must say it is; every text given must be equal (case does not matter)."""

    maker: Text | None = Field(
        default=None, description="first field of *IDN?, or object 0 of function 43/14"
    )
    model: Text | None = Field(default=None, description="second field of *IDN?, or object 1")
    serial: Text | None = Field(default=None, description="third field of *IDN?")


class SupplyAccuracy(Model):
    """Accuracy of the supply's own measurements."""

    voltage: VoltAccuracy = Field(
        default=AccuracyTerms(0.001, 0.0, 0.02), description="of measured voltages, such as 0.05 % + 10 mV"
    )
    current: AmpereAccuracy = Field(
        default=AccuracyTerms(0.002, 0.0, 0.005), description="of measured currents, such as 0.1 % + 2 mA"
    )
    voltage_repeatability: VoltAccuracy = Field(
        default=AccuracyTerms(0.0, 0.0, 0.0),
        description="standard deviation of repeated voltages, such as 1 mV, where the accuracy does not hold it; what "
        "cannot be repeated is judged with it",
    )
    current_repeatability: AmpereAccuracy = Field(
        default=AccuracyTerms(0.0, 0.0, 0.0), description="the same of currents, an inrush too, such as 2 mA"
    )


class SupplyCeilings(Model):
    """What this stand may never exceed on this supply, whatever a profile or a sequence asks."""

    voltage: Volts = Field(gt=0, description="largest voltage this stand ever sets")
    current: Amperes = Field(gt=0, description="largest current limit this stand ever sets")


#: A run may be busy with one thing this long before its guard ends it: a shorter watch could trip in good order, s.
SHORTEST_WATCHDOG = 10.0


class Supply(AddressedModel):
    """One output of a programmable DC supply: what holds of any; its driver says how it is spoken to."""

    role = "supply"
    part = "description"

    driver: Text = Field(
        default="scpi", description="driver that speaks to it; others come as packages of their own"
    )

    ceilings: SupplyCeilings = Field(description="voltage and current this stand never exceeds")
    overvoltage: Volts | None = Field(
        default=None, gt=0, description="over-voltage protection level, above the voltage ceiling"
    )
    identity: InstrumentIdentity = Field(
        default=InstrumentIdentity(), description="what it must say it is, asked by *IDN? with SCPI"
    )
    accuracy: SupplyAccuracy = Field(
        default=SupplyAccuracy(), description="accuracy of its own measurements, from its data sheet"
    )
    calibration: Calibration | None = Field(default=None, description="its calibration")
    deadline: Seconds = Field(default=2.0, gt=0, description="longest wait for one answer")
    settle: Seconds = Field(
        default=0.05, description="time from a new setting, or another load, until its reading holds"
    )
    response: Seconds | None = Field(
        default=None,
        description="longest time from a command until the output has risen or fallen: how exactly the length "
        "of an interruption is known; `settle` when not given",
    )
    watchdog: Seconds | None = Field(
        default=None,
        ge=SHORTEST_WATCHDOG,
        description="silence after which it switches off by itself, set by `commands.set-watchdog`: for the case "
        "that this computer, or the line to it, fails altogether",
    )
    without_watchdog: Text | None = Field(
        default=None,
        description="why a soak may run on it although it has no such watchdog and stays on should this computer fail; "
        "without watchdog and reason no soak begins on hardware",
    )

    @property
    def follows_within(self) -> float:
        """Longest time from a command until the output has followed, s."""
        return self.settle if self.response is None else self.response

    @model_validator(mode="after")
    def _calibrated_in_its_units(self) -> Self:
        if self.calibration is not None:
            if self.calibration.points:
                raise ValueError("`points` are of a signal; expected `voltage-points` or `current-points`")
            require_points(self.calibration.certified("voltage_points", "voltage"))
            require_points(self.calibration.certified("current_points", "current"))
        return self

    @model_validator(mode="after")
    def _watched_or_not(self) -> Self:
        if self.watchdog is not None and self.without_watchdog is not None:
            raise ValueError("a supply with a `watchdog` is not `without-watchdog`; expected one of them")
        return self

    @model_validator(mode="after")
    def _watched_in_time(self) -> Self:
        if self.watchdog is not None and self.watchdog < 3 * self.deadline:
            raise ValueError(
                f"a watchdog of {self.watchdog:g} s could trip while one answer is waited for (`deadline` is "
                f"{self.deadline:g} s); expected three deadlines or more"
            )
        return self

    @model_validator(mode="after")
    def _protection_above_ceiling(self) -> Self:
        if self.overvoltage is not None and self.overvoltage <= self.ceilings.voltage:
            raise ValueError(
                f"the `overvoltage` protection at {self.overvoltage:g} V would trip at the voltage ceiling of "
                f"{self.ceilings.voltage:g} V; expected a level above it"
            )
        return self
