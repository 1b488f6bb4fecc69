"""Where a value lives in a Modbus device (table, address, type, scaling), and what the device takes in one request.

One model serves both sides: the stand's I/O simulator and the unit's own register map. Limits and functions of the
MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.6, 6.11 and 6.12: many devices take less in one request,
or have only one of the two functions that write a table, and some need a pause.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from hilseq.description.fields import Model, Seconds, UnitSymbol, WordError


class RegisterTable(StrEnum):
    """The four tables of the MODBUS Application Protocol Specification V1.1b3, 4.3."""

    COIL = "coil"
    DISCRETE_INPUT = "discrete input"
    HOLDING_REGISTER = "holding register"
    INPUT_REGISTER = "input register"

    @property
    def holds_bits(self) -> bool:
        """Return whether one address is one bit (otherwise 16)."""
        return self in (RegisterTable.COIL, RegisterTable.DISCRETE_INPUT)

    @property
    def writable(self) -> bool:
        """Return whether a client may write the table."""
        return self in (RegisterTable.COIL, RegisterTable.HOLDING_REGISTER)


class RegisterType(StrEnum):
    """How bits become a number."""

    BIT = "bit"
    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    FLOAT32 = "float32"

    @property
    def width(self) -> int:
        """Addresses occupied by one value."""
        return 2 if self in (RegisterType.UINT32, RegisterType.INT32, RegisterType.FLOAT32) else 1


class WordOrder(StrEnum):
    """Which register of a 32-bit value comes first."""

    HIGH_FIRST = "high first"
    LOW_FIRST = "low first"


def enum_word(kind: type[StrEnum]) -> BeforeValidator:
    """Read an enum word; StrEnum in strict mode would want the enum object itself."""

    def read(value: Any) -> Any:
        try:
            return kind(value)
        except ValueError:
            raise WordError(value, (member.value for member in kind)) from None

    return BeforeValidator(read)


TableWord = Annotated[RegisterTable, enum_word(RegisterTable)]
TypeWord = Annotated[RegisterType, enum_word(RegisterType)]
OrderWord = Annotated[WordOrder, enum_word(WordOrder)]

_LAST = 65535


def _protocol_address(value: int) -> int:
    if value > _LAST:
        raise ValueError(
            f"{value} is above {_LAST}; expected a zero-based protocol address from 0 to {_LAST}"
        )
    return value


Address = Annotated[int, Field(ge=0), AfterValidator(_protocol_address)]

#: The first digit of one-based documentation numbering.
_DOCUMENT_DIGITS = {
    1: RegisterTable.DISCRETE_INPUT,
    3: RegisterTable.INPUT_REGISTER,
    4: RegisterTable.HOLDING_REGISTER,
}
#: Documentation numbers have five digits (40001) or six (400001).
_DOCUMENT_SIZES = ((10_000, 9_999), (100_000, 65_536))


class Register(Model):
    """One value of a Modbus device.

    Value in `unit` = raw number x `scale` + `offset`. `unit` is a unit symbol of hilseq, or empty
    for a plain number. Addresses are zero-based protocol addresses, as sent on the wire.
    """

    table: TableWord = Field(description="coil, discrete input, holding register or input register")
    address: Address = Field(description="zero-based protocol address, 0 to 65535, as sent on the wire")
    type_: TypeWord | None = Field(
        default=None, description="bit, uint16, int16, uint32, int32 or float32 (bit for the bit tables)"
    )
    order: OrderWord = Field(
        default=WordOrder.HIGH_FIRST, description="word order of 32-bit values: high first or low first"
    )
    bit: int | None = Field(
        default=None, ge=0, le=15, description="for a single bit packed into a register: 0 is the lowest"
    )
    scale: float = Field(default=1.0, description="value = raw number x scale + offset")
    offset: float = Field(default=0.0, description="value = raw number x scale + offset")
    unit: UnitSymbol = Field(
        default="", description="unit of the value: V, mA, degC, Ohm, %; empty for a plain number"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Register:
        kind = self.type_
        if self.table.holds_bits and kind not in (None, RegisterType.BIT):
            raise ValueError(f"a {self.table} holds bits, not {kind}; expected type bit or a register table")
        if self.bit is not None and (self.table.holds_bits or kind not in (None, RegisterType.BIT)):
            raise ValueError("`bit` picks one bit of a register; expected a register table and type bit")
        if not self.table.holds_bits and kind is RegisterType.BIT and self.bit is None:
            raise ValueError(f"a {self.table} holds 16 bits; expected a type such as uint16, or `bit`")
        if self.scale == 0:
            raise ValueError("scale 0 makes every value the same; expected a number other than 0")
        if self.last_address > _LAST:
            raise ValueError(
                f"the value ends at address {self.last_address}, beyond {_LAST}; expected a lower address"
            )
        return self

    @property
    def kind(self) -> RegisterType:
        """The type, with the table's own default filled in."""
        if self.type_ is not None:
            return self.type_
        packed = self.table.holds_bits or self.bit is not None
        return RegisterType.BIT if packed else RegisterType.UINT16

    @property
    def is_bit(self) -> bool:
        """Return whether the value is a single bit, in whatever table."""
        return self.kind is RegisterType.BIT

    @property
    def last_address(self) -> int:
        """The last address the value occupies."""
        return self.address + self.kind.width - 1

    @property
    def step(self) -> float:
        """Distance of neighbouring values, in the register's unit; 0 for bits and float32."""
        return 0.0 if self.kind in (RegisterType.BIT, RegisterType.FLOAT32) else abs(self.scale)

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value that the register can hold, in its unit."""
        if self.kind is RegisterType.FLOAT32:
            return -math.inf, math.inf
        bits = 1 if self.is_bit else 16 * self.kind.width
        signed = self.kind in (RegisterType.INT16, RegisterType.INT32)
        low = -(1 << (bits - 1)) if signed else 0
        ends = [raw * self.scale + self.offset for raw in (low, low + (1 << bits) - 1)]
        return min(ends), max(ends)

    @property
    def span(self) -> float:
        """Width of all values the register can hold, in its unit; 0 for float32, which has no end."""
        low, high = self.range
        return high - low if math.isfinite(high - low) else 0.0

    def moved(self, places: int) -> dict[str, int]:
        """Return the address `places` values further on, as an update for a copy of this model."""
        if self.bit is not None:
            words, bit = divmod(self.bit + places, 16)
            return {"address": self.address + words, "bit": bit}
        return {"address": self.address + places * self.kind.width}

    def further_on(self, places: int) -> Self:
        """Return the register of the same kind `places` values further on."""
        return self.model_copy(update=self.moved(places))


def documentation_number_hint(table: RegisterTable, address: int) -> str:
    """Explain the likely slip when a one-based documentation number (40001) was written.

    Returns the sentence, or an empty text when the address does not look like one. A number of the
    other register table (40001 for an input register) looks like one too; one of a bit table for
    registers does not.
    """
    for size, count in _DOCUMENT_SIZES:
        digit, number = divmod(address, size)
        of_table = _DOCUMENT_DIGITS.get(digit)
        if of_table is None or not 1 <= number <= count or of_table.holds_bits != table.holds_bits:
            continue
        if table is RegisterTable.COIL:
            continue
        article = "an" if of_table is RegisterTable.INPUT_REGISTER else "a"
        text = (
            f"{address} looks like the documentation number of {article} {of_table}; addresses here are "
            f"zero-based as on the wire: write {number - 1}"
        )
        return text if of_table is table else f"{text}, and look at the table: it says {table}"
    return ""


#: The specification's own limits of one request.
MOST_BITS_READ, MOST_REGISTERS_READ = 2000, 125
MOST_BITS_WRITTEN, MOST_REGISTERS_WRITTEN = 1968, 123

#: More than any device needs, and a slip of the unit if it is asked for, seconds.
_LONGEST_PAUSE = 10.0

Writes = Literal["single", "several", "both"]


class ModbusLimits(Model):
    """How a Modbus device wants to be asked; the defaults are a device that has all of the specification."""

    max_read: Annotated[int, Field(ge=1, le=MOST_REGISTERS_READ)] = Field(
        default=MOST_REGISTERS_READ, description="most registers it takes in one read request, 1 to 125"
    )
    max_write: Annotated[int, Field(ge=1, le=MOST_REGISTERS_WRITTEN)] = Field(
        default=MOST_REGISTERS_WRITTEN, description="most registers it takes in one write request, 1 to 123"
    )
    max_bit_read: Annotated[int, Field(ge=1, le=MOST_BITS_READ)] = Field(
        default=MOST_BITS_READ,
        description="most coils or discrete inputs it takes in one read request, 1 to 2000",
    )
    max_bit_write: Annotated[int, Field(ge=1, le=MOST_BITS_WRITTEN)] = Field(
        default=MOST_BITS_WRITTEN, description="most coils it takes in one write request, 1 to 1968"
    )
    writes: Writes = Field(
        default="both",
        description="how holding registers are written: `single` when it has only function 06, `several` when "
        "it has only function 16, `both` when it has both",
    )
    bit_writes: Writes = Field(
        default="both",
        description="how coils are written: `single` when it has only function 05, `several` when it has only "
        "function 15, `both` when it has both",
    )

    pause: Seconds = Field(
        default=0.0,
        ge=0,
        le=_LONGEST_PAUSE,
        description="time between its answer and the next request, where it loses one that comes sooner, such as "
        "20 ms; on a serial line at least 3.5 characters",
    )

    @property
    def usual(self) -> bool:
        """Return whether the device has all of the specification, and needs no pause."""
        return all(getattr(self, name) == field.default for name, field in ModbusLimits.model_fields.items())

    def most_read(self, table: RegisterTable) -> int:
        """Return how many values of a table one request may read."""
        return self.max_bit_read if table.holds_bits else self.max_read

    def most_written(self, table: RegisterTable) -> int:
        """Return how many values of a table one request may write."""
        writes, most = self._writes(table)
        return 1 if writes == "single" else most

    def most_proven(self, table: RegisterTable) -> int:
        """Return how many values one request may write and one request may then read back."""
        return min(self.most_written(table), self.most_read(table))

    def has_single(self, table: RegisterTable) -> bool:
        """Return whether the device has the function that writes one value of a table."""
        return self._writes(table)[0] != "several"

    def has_several(self, table: RegisterTable) -> bool:
        """Return whether the device has the function that writes several values of a table."""
        return self._writes(table)[0] != "single"

    def _writes(self, table: RegisterTable) -> tuple[Writes, int]:
        if table.holds_bits:
            return self.bit_writes, self.max_bit_write
        return self.writes, self.max_write


#: A device that has all of the specification.
FULL_MODBUS = ModbusLimits()
