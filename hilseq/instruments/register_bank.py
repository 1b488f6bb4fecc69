"""Named registers of one Modbus device, read and written with the fewest requests.

Knows how to read by a compiled plan, how to merge writes, and that a write counts when it was read back. Must
not know signals, terminals or units.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack

from hilseq.description.registers import Register
from hilseq.errors import InstrumentError
from hilseq.instruments import codec, pdu
from hilseq.instruments.codec import NotEncodable
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.readplan import ReadPlan
from hilseq.instruments.translate import DecodeError, fault, reraise
from hilseq.instruments.writeplan import Run, plan_writes

#: How many names are told in a message.
_SHOWN = 4


class RegisterBank:
    """Registers of one device by name. `max_gap`: unlisted addresses a read may run over.

    Raises the errors of its device; an unknown name is a KeyError.
    """

    def __init__(self, registers: Mapping[str, Register], device: ModbusDevice, *, max_gap: int = 0) -> None:
        self.registers = dict(registers)
        self.device = device
        self._largest_gap = max_gap
        self._plans: dict[tuple[str, ...], ReadPlan] = {}
        self._held: dict[str, float] = {}  # what was written last, and read back

    def plan(self, names: Iterable[str] | None = None) -> ReadPlan:
        """Return the compiled plan for some names (all by default); compiled once for each choice."""
        key = tuple(self.registers if names is None else names)
        if key not in self._plans:
            chosen = {name: self.registers[name] for name in key}
            self._plans[key] = ReadPlan(chosen, self._largest_gap, most=self.device.quirks.most_read)
        return self._plans[key]

    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Return the values of some names (all by default), each in its unit."""
        return snapshot([(self.device, self.plan(names))])

    def read(self, name: str) -> float:
        """Return one value, in its unit."""
        return self.snapshot((name,))[name]

    def write(self, name: str, value: float) -> None:
        """Write one value and verify it by reading back."""
        self.write_many({name: value})

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
            for name in values:
                self._held.pop(name, None)
            for run in runs:
                self._write(run)
            for run in runs:
                self._verify(run, values)
            self._held.update(values)

    def forgotten(self, names: Iterable[str]) -> list[str]:
        """Return in words which of these no longer hold what was last written to them; each is told once."""
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

    def _verify(self, run: Run, values: Mapping[str, float]) -> None:
        back = self.device.read_back(run.table, run.address, len(run.words), lambda seen: not run.wrong(seen))
        differing = _differing(self.registers, run, back, values)
        if differing:
            raise self.device.mismatch("; ".join(differing.values()))


def _differing(
    registers: Mapping[str, Register], run: Run, back: list[int], values: Mapping[str, float]
) -> dict[str, str]:
    """Return what reads back otherwise than written, name -> words."""
    told = {}
    wrong = run.wrong(back)
    for name, value in values.items() if wrong else ():
        register = registers[name]
        if register.table is run.table and any(
            register.address <= address <= register.last_address for address in wrong
        ):
            start = register.address - run.address
            words = back[start : start + register.kind.width]
            told[name] = f"{name} was written as {value:g} and reads back as {_shown(register, words)}"
    return told


def _shown(register: Register, words: list[int]) -> str:
    try:
        return f"{codec.decode(register, words):g} {register.unit}".rstrip()
    except DecodeError as error:
        return str(error)


def snapshot(jobs: Sequence[tuple[ModbusDevice, ReadPlan]]) -> dict[str, float]:
    """Return the values of all plans. Several instruments are asked at once, each answers in its own time.

    One connection carries one request at a time; devices on one line are asked one after the other.
    """
    values: dict[str, float] = {}
    lines: dict[int, list[tuple[ModbusDevice, ReadPlan, int]]] = {}
    for device, plan in jobs:
        queue = lines.setdefault(id(device.transport), [])
        queue += [(device, plan, index) for index in range(len(plan.spans))]
    rounds = max((len(queue) for queue in lines.values()), default=0)
    with ExitStack() as locks:
        for device, _ in jobs:
            locks.enter_context(device.lock)
        for turn in range(rounds):
            asked = [queue[turn] for queue in lines.values() if turn < len(queue)]
            try:
                for device, plan, index in asked:
                    device.request(plan.spans[index].request)
                for device, plan, index in asked:
                    _take(device, plan, index, values)
            except BaseException:
                for device, _, _ in asked:
                    device.abandon()
                raise
    return {name: values[name] for _, plan in jobs for name in plan.names}


def _take(device: ModbusDevice, plan: ReadPlan, index: int, values: dict[str, float]) -> None:
    request = plan.spans[index].request
    answer = device.response()
    try:
        plan.take(index, device.data(request, answer), values)
    except DecodeError as error:
        raise fault("garbage", str(error), device.about(pdu.describe(request))) from error
    except InstrumentError as error:
        if error.number != pdu.ILLEGAL_ADDRESS or len(plan.names_in(index)) == 1:
            raise
        raise InstrumentError(
            f"{error}; the request covers {_some(plan.names_in(index))}. If the device refuses addresses "
            f"that the stand file does not list, set `max-gap: 0` there.",
            number=error.number,
            text=error.text,
        ) from error


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"
