"""The reference configuration: load it, read it back, compare it, have it kept."""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.description.profile import Configuration
from hilseq.errors import UnitFault
from hilseq.instruments.protocols import UnitLink


def checksum(content: list[int]) -> int:
    """Return the CRC-16/MODBUS of the words, each high byte first.

    Initial value 0xFFFF, reflected polynomial 0xA001 (MODBUS over Serial Line V1.02, 6.2.2).
    """
    from pymodbus.framer.rtu import FramerRTU

    raw = b"".join(word.to_bytes(2, "big") for word in content)
    # The library returns the two bytes in the order they are sent, low byte first.
    sent = FramerRTU.compute_CRC(raw)
    return (sent & 0xFF) << 8 | sent >> 8


class ConfigurationMemory:
    """The configuration of one unit."""

    def __init__(self, description: Configuration, link: UnitLink, clock: Clock) -> None:
        self._description = description
        self._link = link
        self._clock = clock

    @property
    def kept_for(self) -> float:
        """Time without supply over which it must be kept, s."""
        return self._description.kept_for

    def load(self) -> None:
        """Write the reference and have the unit store it. Raises UnitFault when the unit refuses."""
        first, content = self._description.first, self._description.content
        self._link.write_block(first.table, first.address, content)
        if self._description.store is not None:
            self._link.write(self._description.store, self._description.store_value, verify=False)
            self._clock.sleep(self._description.store_time)

    def read(self) -> list[int]:
        """Return what the unit holds, word by word."""
        first = self._description.first
        return self._link.read_block(first.table, first.address, len(self._description.content))

    def compare(self) -> None:
        """Compare content and checksum with the reference. Raises UnitFault naming the first difference."""
        held, reference = self.read(), self._description.content
        wrong = [index for index, pair in enumerate(zip(held, reference, strict=True)) if pair[0] != pair[1]]
        if wrong:
            index = wrong[0]
            raise UnitFault(
                f"the configuration read back differs in {len(wrong)} of {len(reference)} words, first at word "
                f"{index}: 0x{held[index]:04X} instead of 0x{reference[index]:04X}",
                place="configuration",
            )
        register = self._description.checksum
        if register is None:
            return
        reported, computed = int(self._link.read(register)), checksum(reference)
        if reported != computed:
            raise UnitFault(
                f"the content is right but the unit's checksum is 0x{reported:04X} instead of 0x{computed:04X}",
                place="configuration",
            )
