"""What a Modbus device takes in one request, and the pause it needs: where devices differ from the specification.

Limits and functions of the MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.6, 6.11 and 6.12. Many
devices take less in one request, or have only one of the two functions that write a table.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hilseq.description.fields import Model, Seconds
from hilseq.description.registers import RegisterTable

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
        """Tell whether the device has all of the specification, and needs no pause."""
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
        """Tell whether the device has the function that writes one value of a table."""
        return self._writes(table)[0] != "several"

    def has_several(self, table: RegisterTable) -> bool:
        """Tell whether the device has the function that writes several values of a table."""
        return self._writes(table)[0] != "single"

    def _writes(self, table: RegisterTable) -> tuple[Writes, int]:
        if table.holds_bits:
            return self.bit_writes, self.max_bit_write
        return self.writes, self.max_write
