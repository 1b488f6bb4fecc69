"""Tests of a driver in the group `hilseq.links`: the registers of a unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

import pytest

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import StandFault, UnitFault, UnitSilent
from hilseq.instruments.protocols import UnitLink
from hilseq.testing.kit import DriverTests, Wire, claimed, ends


@dataclass(frozen=True)
class LinkRig:
    """The link of one unit.

    `reads` are registers with values that they have, or are given by `set_to` by another way than the driver;
    `writes` registers with values that they take.
    """

    link: UnitLink
    wire: Wire
    reads: Mapping[str, tuple[Register, float]]
    set_to: Callable[[Register, float], None]
    writes: Mapping[str, tuple[Register, float]] = field(default_factory=dict)

    @property
    def first(self) -> Register:
        """Some register that can be read."""
        return next(iter(self.reads.values()))[0]


def _values(registers: Mapping[str, tuple[Register, float]]) -> dict[str, float]:
    return {name: value for name, (_, value) in registers.items()}


def _reads(rig: LinkRig, register: Register, value: float) -> None:
    """Require that a register reads what it is at."""
    seen, place = rig.link.read(register), f"{register.table} {register.address}"
    assert seen == pytest.approx(value, abs=register.step), f"{place} is at {value:g} and reads {seen:g}"


class LinkTests(DriverTests):
    """Inherit, and override `rig`."""

    @pytest.fixture
    def rig(self) -> LinkRig:
        """Return the rig. To be overridden; what it starts, it stops."""
        raise NotImplementedError

    @claimed("identifies")
    def test_it_says_what_it_is(self, rig: LinkRig) -> None:
        """`identification` knows maker and product."""
        reported = rig.link.identification()
        assert {0, 1} <= reported.keys(), (
            f"`identification` must hold 0 (maker) and 1 (product); it holds {reported}"
        )

    def test_registers_are_read(self, rig: LinkRig) -> None:
        """Each value in the unit of its register."""
        for register, value in rig.reads.values():
            rig.set_to(register, value)
            _reads(rig, register, value)

    def test_registers_are_read_together(self, rig: LinkRig) -> None:
        """By name, at once and in halves."""
        for register, value in rig.reads.values():
            rig.set_to(register, value)
        values = rig.link.values({name: register for name, (register, _) in rig.reads.items()})
        expected = {name: pytest.approx(value, abs=r.step) for name, (r, value) in rig.reads.items()}
        together = values.snapshot()
        assert together == expected, f"`snapshot` returned {together}, not {_values(rig.reads)}"
        reader, seen = values.reader(tuple(rig.reads)), dict[str, float]()
        with reader.lock:
            reader.ask()
            while not reader.take(seen):
                pass
        assert seen == expected, f"asked and taken in halves: {seen}, not {_values(rig.reads)}"

    def test_blocks_hold_what_their_registers_hold(self, rig: LinkRig) -> None:
        """As many words as were asked for."""
        first = rig.first
        words = rig.link.read_block(first.table, first.address, first.kind.width)
        assert len(words) == first.kind.width, f"{first.kind.width} words were asked for, {len(words)} came"

    @claimed("writes")
    def test_what_is_written_reads_back(self, rig: LinkRig) -> None:
        """One by one, and several by name."""
        for register, value in rig.writes.values():
            rig.link.write(register, value)
            _reads(rig, register, value)
        values = rig.link.values({name: register for name, (register, _) in rig.writes.items()})
        values.write_many({name: value for name, (_, value) in rig.writes.items()})
        expected = {name: pytest.approx(value, abs=r.step) for name, (r, value) in rig.writes.items()}
        seen = values.snapshot()
        assert seen == expected, f"written together as {_values(rig.writes)}, they read back as {seen}"

    def test_a_value_that_does_not_fit_is_the_stands_fault(self, rig: LinkRig) -> None:
        """It is refused before anything is sent: nothing is said against the unit."""
        for register, _ in rig.writes.values():
            low, high = register.range
            if register.table is RegisterTable.HOLDING_REGISTER and high < float("inf"):
                with pytest.raises(StandFault):
                    rig.link.write(register, high + 2 * (high - low))

    def test_silence_is_the_units_and_does_not_hang(self, rig: LinkRig) -> None:
        """Whoever does not answer is UnitSilent."""
        rig.link.read(rig.first)
        rig.wire.mute()
        with pytest.raises(UnitSilent):
            ends(lambda: rig.link.read(rig.first), rig.link.deadline)

    @claimed("tells_late_answers")
    def test_a_late_answer_is_no_answer_to_the_next_question(self, rig: LinkRig) -> None:
        """After a time-out the answer that comes late is not taken for that to another question."""
        register, value = next(iter(rig.reads.values()))
        rig.link.read(register)
        rig.wire.delay(1.5 * rig.link.deadline)
        with pytest.raises(UnitSilent):
            ends(lambda: rig.link.read(register), rig.link.deadline)
        rig.wire.heal()
        rig.set_to(register, value)
        for _ in range(3):
            _reads(rig, register, value)

    @claimed("refuses_garbled_answers")
    def test_an_invalid_answer_is_no_value(self, rig: LinkRig) -> None:
        """An answer of turned bits is a fault of the unit, and the next sound one counts again."""
        rig.link.read(rig.first)
        rig.wire.garble()
        with pytest.raises(UnitFault):
            ends(lambda: rig.link.read(rig.first), rig.link.deadline)
        rig.wire.heal()
        rig.link.reconnect()
        rig.link.read(rig.first)

    @claimed("reconnects")
    def test_a_lost_connection_is_opened_again(self, rig: LinkRig) -> None:
        """One call may fail for it; the next does not. `reconnect` gives up one that the unit has forgotten."""
        rig.link.read(rig.first)
        rig.wire.cut()
        with suppress(UnitFault):
            ends(lambda: rig.link.read(rig.first), rig.link.deadline)
        rig.link.read(rig.first)
        rig.link.reconnect()
        rig.link.read(rig.first)

    def test_it_opens_again_after_close(self, rig: LinkRig) -> None:
        """`close` may come at any time, twice, too; the next call opens."""
        rig.link.read(rig.first)
        rig.link.close()
        rig.link.close()
        rig.link.read(rig.first)
