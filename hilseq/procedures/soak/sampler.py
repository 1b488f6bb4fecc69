"""One sample: supply, every signal of the slot and the unit's own registers, asked for all at once.

Every instrument gets its question before the first answer is waited for. A unit that does not answer leaves
its columns empty; an instrument that does not answer raises StandFault, because then nothing is known of the
unit either.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

from hilseq.clock import Clock
from hilseq.description.checks.registers import link_uses
from hilseq.description.profile import Profile
from hilseq.description.registers import Register
from hilseq.description.stand import Stand
from hilseq.errors import HilseqError, StandFault, UnitFault, UnitInvalidResponse, UnitSilent
from hilseq.instruments.protocols import SnapshotReader
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply import PowerSupply
from hilseq.journal.samples import CURRENT, FAULTS, INDICATOR, MODE, PORT_ERRORS, STARTS, TEMPERATURE, VOLTAGE
from hilseq.procedures.polling import IN_VAIN
from hilseq.procedures.unit import Unit

#: What may be wrong with a unit's link.
SILENT, INVALID, REFUSES = "link silent", "link sends invalid data", "link refuses"


@dataclass(slots=True)
class Sample:
    """Values in the order of the columns, NaN where the unit did not say.

    `silence` tells why it did not, `trouble` what that is in a few words: SILENT, INVALID or REFUSES.
    """

    at: float
    values: list[float]
    silence: str = ""
    trouble: str = ""


def sampled_signals(stand: Stand, slot: str) -> list[str]:
    """Return the signals that are sampled: those sensing the slot, and those that sense the room.

    Whether drives still hold what was written to them is asked before the unit is blamed; loop-backs belong to the
    stand's own test.
    """
    loops = {name for loop in stand.loopbacks.values() for name in (loop.drive, loop.sense)}
    return [
        name
        for name, signal in stand.signals.items()
        if signal.drives is None
        and name not in loops
        and (signal.senses is None or signal.senses.partition(".")[0] == slot)
    ]


def link_registers(profile: Profile) -> dict[str, Register]:
    """Return the registers of a unit that are sampled, by column."""
    link, faults = profile.link, profile.faults
    known = {
        MODE: link.mode,
        INDICATOR: link.indicator,
        FAULTS: None if faults is None else faults.count,
        STARTS: link.starts,
        TEMPERATURE: link.temperature,
        PORT_ERRORS: link.port_errors,
    }
    return {name: register for name, register in known.items() if register is not None}


@dataclass(frozen=True, slots=True)
class _Line:
    """One device and what is asked of it, one question after the other."""

    reader: SnapshotReader
    of_unit: bool


class Sampler:
    """Takes samples of one unit. `columns` are the names of the values, in order."""

    def __init__(self, unit: Unit, stand: Stand, signals: SignalBank, clock: Clock) -> None:
        self._clock = clock
        self._supply: PowerSupply = unit.supply.instrument
        self._link_deadline = stand.slots[unit.slot].link.deadline
        registers = link_registers(unit.profile)
        names = sampled_signals(stand, unit.slot)
        self.signals = tuple(names)
        #: Where they are read, and how well.
        self.bank = signals
        self.registers = tuple(registers)
        self.columns: tuple[str, ...] = (VOLTAGE, CURRENT, *registers, *names)
        self._listed = picker([*registers, *names])
        between = [use.register for use in link_uses(unit.profile) if use.place[-1] != "mode-command"]
        link = _Line(unit.link.values(registers, between=between).reader(tuple(registers)), of_unit=True)
        instruments = [_Line(reader, of_unit=False) for reader in signals.readers(names)]
        self._lines = [*sorted(instruments, key=lambda line: -line.reader.exchanges), link]
        self._turns = max(line.reader.exchanges for line in self._lines)
        # Devices on one serial line have to be asked one after the other.
        self._shared = len({id(line.reader.line) for line in self._lines}) < len(self._lines)
        self._silent = False
        self._shortest = min([self._supply.description.deadline, *signals.deadlines(names)])

    def take(self) -> Sample:
        """Take one sample. Raises StandFault when an instrument does not do its part."""
        begun, spoke = time.monotonic(), not self._silent
        try:
            sample = self._take()
            if sample.silence and spoke:
                self._ask_the_stand()
        except StandFault:
            self._spent(begun, self._shortest)
            raise
        else:
            return sample
        finally:
            for line in self._lines:
                line.reader.abandon()

    def _take(self) -> Sample:
        values: dict[str, float] = {}
        # A unit that has been silent may be so for long: it is asked by itself, after the instruments.
        together = self._lines if not (self._silent or self._shared) else []
        silence: UnitFault | None = None
        # A supply has to measure first; then whoever has most to say, so that its next question is there before it
        # falls idle.
        self._supply.ask_both()
        for line in together:
            silence = self._ask(line) or silence
        at = self._clock.now()
        volts, amperes = math.nan, math.nan
        for turn in range(self._turns):
            if turn == self._turns - 1:
                # What the supply says is worked out while the others still gather their last answers.
                volts, amperes = self._supply.answer_both()
            for line in together:
                if turn < line.reader.exchanges and not (line.of_unit and silence):
                    silence = self._receive(line, values) or silence
        if not together:
            for line in self._lines:
                silence = self._ask(line)
                for _ in range(line.reader.exchanges):
                    silence = silence or self._receive(line, values)
        self._silent = silence is not None
        if silence is not None:
            values = {name: values.get(name, math.nan) for name in self.columns[2:]}
        listed = self._listed(values)
        return Sample(at, [volts, amperes, *listed], str(silence or ""), _trouble(silence))

    def _ask_the_stand(self) -> None:
        """Ask every instrument once more: what has silenced the unit may have come after their answers.

        A network that fails in the middle of a sample is the stand's. Raises StandFault.
        """
        self._supply.identify()
        for line in self._lines:
            if not line.of_unit:
                line.reader.ask()
                line.reader.take({})
                line.reader.abandon()

    def _ask(self, line: _Line) -> UnitFault | None:
        """Send the first question; return why the unit could not be asked."""
        try:
            line.reader.ask()
        except UnitFault as silence:
            return silence
        return None

    def _receive(self, line: _Line, values: dict[str, float]) -> UnitFault | None:
        """Take an answer; return why the unit did not give it."""
        begun = time.monotonic()
        try:
            line.reader.take(values)
        except UnitFault as silence:
            self._spent(begun, self._link_deadline)
            return silence
        return None

    def _spent(self, begun: float, deadline: float) -> None:
        """Count a wait without an answer: a stepped clock stood still while it ran on the wall."""
        if time.monotonic() - begun > IN_VAIN * deadline:
            with suppress(HilseqError):
                self._clock.account_wait(deadline)


def _trouble(fault: UnitFault | None) -> str:
    """Return what is wrong with the link of a unit that raised this fault, if any."""
    if fault is None:
        return ""
    if isinstance(fault, UnitSilent):
        return SILENT
    return INVALID if isinstance(fault, UnitInvalidResponse) else REFUSES


def picker(keys: Sequence[Any]) -> Callable[[Any], tuple[float, ...]]:
    """Return what picks the values of `keys` out of a mapping or a sequence, without a loop for each sample."""
    if len(keys) > 1:
        return itemgetter(*keys)
    return lambda whole: tuple(whole[key] for key in keys)


def blank(at: float, columns: Sequence[str]) -> Sample:
    """Return a sample that holds nothing."""
    return Sample(at, [math.nan] * len(columns))


def as_row(sample: Sample, zero: float) -> Sequence[float | None]:
    """Return a sample as journal numbers: seconds since the soak began, then the values."""
    return [round(sample.at - zero, 6), *(None if math.isnan(value) else value for value in sample.values)]
