"""Named registers of one Modbus device, read and written with the fewest requests.

Knows how to read by a compiled plan, how to merge writes, and that a write counts when it was read back. Must
not know signals, terminals or units.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Iterable, Mapping, Sequence

from hilseq.description.modbus import ModbusSignal
from hilseq.description.registers import Register
from hilseq.errors import InstrumentError
from hilseq.instruments import codec, pdu
from hilseq.instruments.codec import NotEncodable
from hilseq.instruments.link_tally import LinkTally
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.plans import ReadPlan, Run, plan_writes
from hilseq.instruments.protocols import Channels, Identification, NamedValues, UnitLink
from hilseq.instruments.signals import Snapshot
from hilseq.instruments.translate import DecodeError, fault, reraise

#: For how long an I/O simulator may show what it drove before, and the pause between two looks, s: one that scans more
#: slowly is not fit anyway.
_SHOWN_WITHIN, _PAUSE = 0.25, 0.02
#: How many names are reported in a message.
_SHOWN = 4


class RegisterBank(NamedValues):
    """Registers of one device by name. `max_gap`: unlisted addresses a read may run over, besides those `between`.

    Raises the errors of its device; an unknown name is a KeyError.
    """

    def __init__(
        self,
        registers: Mapping[str, Register],
        device: ModbusDevice,
        *,
        max_gap: int = 0,
        between: Collection[Register] = (),
    ) -> None:
        self.registers = dict(registers)
        self.device = device
        self._largest_gap = max_gap
        self._between = between
        self._plans: dict[tuple[str, ...], ReadPlan] = {}
        self._held: dict[str, float] = {}  # what was written last, and read back

    def plan(self, names: Iterable[str] | None = None) -> ReadPlan:
        """Return the compiled plan for some names (all by default); compiled once for each choice."""
        key = tuple(self.registers if names is None else names)
        if key not in self._plans:
            chosen = {name: self.registers[name] for name in key}
            self._plans[key] = ReadPlan(
                chosen, self._largest_gap, between=self._between, most=self.device.quirks.most_read
            )
        return self._plans[key]

    def reader(self, names: Sequence[str]) -> RegisterReader:
        """Return the read of some names."""
        return RegisterReader(self.device, self.plan(names))

    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Return the values of some names (all by default), each in its unit."""
        key = tuple(self.registers if names is None else names)
        return Snapshot([self.reader(key)], key).take()

    def write_many(self, values: Mapping[str, float]) -> None:
        """Write values and verify them by reading back; adjacent addresses go in one request.

        All are written before the first is read back. No order is promised: where it matters, call twice.
        """
        encoded = {
            name: (self.registers[name], self.device.encoded(self.registers[name], value))
            for name, value in values.items()
        }
        try:
            runs = plan_writes(encoded, self.device.quirks.most_proven)
        except NotEncodable as error:
            reraise(error, self.device.about("write " + ", ".join(values)))
        with self.device.lock:
            changing = {
                name for name, value in values.items() if name in self._held and self._held.pop(name) != value
            }
            for run in runs:
                self._write(run)
            for run in runs:
                self._verify(run, values, changing)
            self._held.update(values)

    def forgotten(self, names: Collection[str]) -> list[str]:
        """Return in words which of these no longer hold what was last written to them; each is reported once."""
        with self.device.lock:
            held = {name: self._held[name] for name in names if name in self._held}
            encoded = {
                name: (self.registers[name], self.device.encoded(self.registers[name], value))
                for name, value in held.items()
            }
            lost: dict[str, str] = {}
            for run in plan_writes(encoded, self.device.quirks.most_read):
                back = self.device.read_block(run.table, run.address, len(run.words))
                lost |= _differing(self.registers, run, back, held)
            for name in lost:
                del self._held[name]
        return list(lost.values())

    def _write(self, run: Run) -> None:
        words = run.words
        if run.partial:
            words = run.filled(self.device.read_block(run.table, run.address, len(words)))
        self.device.write_block(run.table, run.address, words, again=True)

    def _verify(self, run: Run, values: Mapping[str, float], changing: Collection[str]) -> None:
        """Read a run back, and again where it differs: what is right then, the link had wrong, and no point is.

        Where all that was to change has not, the request was lost, and is made once more. An I/O simulator may show
        what it was sent only after its next scan.
        """
        differing = self._read_back(run, values)
        until = time.monotonic() + _SHOWN_WITHIN
        while differing and not self.device.asks_again and time.monotonic() < until:
            time.sleep(_PAUSE)
            differing = self._read_back(run, values)
        if differing and self.device.asks_again:
            of_run = {name for name in changing if _lies_in(run, self.registers[name])}
            if len(differing) > 1 and differing.keys() == of_run:
                self._write(run)
            differing = self._read_back(run, values)
            self.device.tally.wrong += not differing
        if differing:
            raise self.device.mismatch("; ".join(differing.values()), list(differing))

    def _read_back(self, run: Run, values: Mapping[str, float]) -> dict[str, str]:
        back = self.device.read_back(run.table, run.address, len(run.words), lambda seen: not run.wrong(seen))
        return _differing(self.registers, run, back, values)


def _lies_in(run: Run, register: Register) -> bool:
    return register.table is run.table and 0 <= register.address - run.address < len(run.words)


def _differing(
    registers: Mapping[str, Register], run: Run, back: list[int], values: Mapping[str, float]
) -> dict[str, str]:
    """Return what reads back otherwise than written, name -> words."""
    reported = {}
    wrong = run.wrong(back)
    for name, value in values.items() if wrong else ():
        register = registers[name]
        if register.table is run.table and any(
            register.address <= address <= register.last_address for address in wrong
        ):
            start = register.address - run.address
            words = back[start : start + register.kind.width]
            reported[name] = f"{name} was written as {value:g} and reads back as {_shown(register, words)}"
    return reported


def _shown(register: Register, words: list[int]) -> str:
    try:
        return f"{codec.decode(register, words):g} {register.unit}".rstrip()
    except DecodeError as error:
        return str(error)


class RegisterReader:
    """The read of some registers, request by request; a value is never split over two."""

    def __init__(self, device: ModbusDevice, plan: ReadPlan) -> None:
        self._device = device
        self._plan = plan
        self._turn = 0

    @property
    def lock(self) -> threading.RLock:
        """The lock of the connection."""
        return self._device.lock

    @property
    def exchanges(self) -> int:
        """Number of its requests."""
        return len(self._plan.spans)

    @property
    def line(self) -> object:
        """The connection or the serial line, over which there may be other devices."""
        return self._device.transport

    def ask(self) -> None:
        """Send the first request."""
        self._turn = 0
        if self._plan.spans:
            self._device.request(self._plan.spans[0].request)

    def take(self, values: dict[str, float]) -> bool:
        """Take one answer and send the next request before the answer is worked out."""
        device, plan, turn = self._device, self._plan, self._turn
        if turn >= len(plan.spans):
            return True
        request = plan.spans[turn].request
        try:
            data = device.data(request, device.response())
        except InstrumentError as error:
            raise self._with_hint(error, turn) from error
        self._turn = turn + 1
        last = self._turn == len(plan.spans)
        if not last:
            device.request(plan.spans[self._turn].request)
        try:
            plan.take(turn, data, values)
        except DecodeError as error:
            raise fault("garbage", str(error), device.about(pdu.describe(request))) from error
        return last

    def abandon(self) -> None:
        """Give up on the answer under way."""
        self._device.abandon()

    def _with_hint(self, error: InstrumentError, turn: int) -> InstrumentError:
        """Return the error with what may be done about a read that runs over addresses which are not there."""
        names = self._plan.names_in(turn)
        if error.number != pdu.ILLEGAL_ADDRESS or len(names) == 1:
            return error
        return InstrumentError(
            f"{error}; the request covers {_some(names)}. If the device refuses addresses "
            f"that the stand file does not list, set `max-gap: 0` there.",
            number=error.number,
            text=error.text,
            place=next(iter(error.places), None),
        )


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"


class ModbusChannels(RegisterBank, Channels):
    """The signals of one I/O simulator."""

    def __init__(
        self,
        signals: Mapping[str, ModbusSignal],
        device: ModbusDevice,
        *,
        max_gap: int = 0,
        identified: bool = False,
    ) -> None:
        super().__init__(signals, device, max_gap=max_gap)
        self.name = device.name
        self.where = device.transport.resource
        self.deadline = device.deadline
        self._identified = identified

    def identify(self) -> Identification | None:
        """Ask by function 43/14, where the device is `identified` by it; else whether it answers at all."""
        if not self._identified:
            for name in tuple(self.registers)[:1]:
                self.read(name)
            return None
        seen = self.device.identification()
        return Identification(seen.get(0, ""), seen.get(1, ""), "", seen.get(2, ""))

    def counted(self) -> LinkTally:
        """Return the outcome of its exchanges."""
        return self.device.tally

    def close(self) -> None:
        """Close the connection."""
        self.device.close()


class ModbusUnit(ModbusDevice, UnitLink):
    """The Modbus server of a unit."""

    def counted(self) -> LinkTally:
        """Return the outcome of its exchanges."""
        return self.tally

    def values(
        self, registers: Mapping[str, Register], *, between: Collection[Register] = ()
    ) -> RegisterBank:
        """Return registers by names of the caller's choice."""
        return RegisterBank(registers, self, between=between)
