"""What a unit remembers: stored faults, configuration, battery, clock."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from hilseq.description.fields import Model, Ratio, Seconds, Text, Volts
from hilseq.description.registers import OrderWord, Register, WordOrder
from hilseq.description.states import Mode, ModeWord, RawWord


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
        default=None, description="offset of the time in a record, 32 bits, seconds"
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


class Battery(Model):
    """The memory battery."""

    nominal: Volts = Field(gt=0, description="voltage of a fresh battery")
    lowest: Volts = Field(gt=0, description="below this it must be replaced")
    years: float = Field(default=5.0, gt=0, description="life; common practice, no source: about five years")


class ClockClaim(Model):
    """The clock of the unit."""

    drift: Ratio = Field(description="largest drift, such as 50 ppm")
    kept_for: Seconds = Field(
        default=60.0, gt=0, description="time without supply over which the battery must carry it"
    )
