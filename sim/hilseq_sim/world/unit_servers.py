"""What a unit is talked to through: its Modbus server with the register map of its profile, and its serial ports.

On a serial line each bit of a character is wrong with the bit error ratio. A receiver samples each bit in its middle,
counted from the start bit: with a clock error e the last of n bits is sampled e (n - 1/2) bit times off, and the
character is lost when that passes half a bit: e = 1/(2n - 1), 4.8 % for 11 bits. The edge is blurred by jitter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from random import Random
from typing import TypeVar

from hilseq.description.points import Port
from hilseq.description.profile import Configuration, FaultTable, Indicator, Mode, Profile
from hilseq.description.registers import ModbusLimits, Register, RegisterTable
from hilseq_sim.views import ModbusRefusal, ModbusView
from hilseq_sim.world.draw import Noise
from hilseq_sim.world.memory import FaultStore
from hilseq_sim.world.points import Output
from hilseq_sim.world.registers import RegisterMap, from_raw, to_raw
from hilseq_sim.world.unit import UnitModel

Word = TypeVar("Word", Mode, Indicator)

ILLEGAL_VALUE = 3
DEVICE_FAILURE = 4
#: V of noise in the unit's own measurements.
_VOLT_NOISE, _BATTERY_NOISE = 0.02, 0.002


class UnitServer:
    """The Modbus device that a unit is (`hilseq_sim.views.ModbusView`), on its link or one of its ports."""

    def __init__(
        self, unit: UnitModel, registers: RegisterMap, device: int, answering: Callable[[], bool]
    ) -> None:
        self.device = device
        self._unit = unit
        self._profile = unit.profile
        self.quirks: ModbusLimits | None = None if unit.profile.link.usual else unit.profile.link
        # bound once, so that a request costs no detour
        self.answering = answering
        self.read: Callable[[RegisterTable, int, int], list[int]] = registers.read
        self.write: Callable[[RegisterTable, int, list[int]], None] = registers.write

    def identification(self) -> Mapping[int, bytes] | None:
        """Maker, product and firmware: objects 0 to 2."""
        identity = self._profile.identity
        if not identity.device_identification:
            return None
        unit = self._unit
        maker = identity.maker or "simulated"
        product = identity.product or self._profile.part
        firmware = identity.firmware[0] if identity.firmware else "1.0"
        texts = (
            f"{maker}-" if unit.wrong_maker else maker,
            f"{product}-X" if unit.wrong_product else product,
            f"0.{firmware}" if unit.wrong_firmware else firmware,
        )
        return {index: text.encode() for index, text in enumerate(texts)}

    def loopback(self) -> bool:
        """Whether function 08/0000 is answered."""
        return self._profile.link.modbus_loopback


def unit_registers(unit: UnitModel) -> RegisterMap:
    """Return the register map of a unit."""
    registers = RegisterMap(timeline=unit.timeline)
    profile = unit.profile
    _add_link(registers, unit, profile)
    _add_points(registers, unit, profile)
    _add_identity(registers, unit, profile)
    if profile.faults is not None:
        _add_faults(registers, unit, profile.faults)
    if profile.configuration is not None:
        _add_configuration(registers, unit, profile.configuration)
    registers.seal()
    return registers


def _add_link(registers: RegisterMap, unit: UnitModel, profile: Profile) -> None:
    link, timeline, seed = profile.link, unit.timeline, unit.streams.seed
    modes = _shown(link.mode, link.mode.values, Mode)
    registers.add_value(link.mode, lambda: modes[unit.reported_mode()])
    if link.indicator is not None:
        indicators = _shown(link.indicator, link.indicator.values, Indicator)
        registers.add_value(link.indicator, lambda: indicators[unit.indicator()])
    simple: list[tuple[Register | None, Callable[[], float]]] = [
        (link.self_test, lambda: unit.start.result),
        (link.outputs_enabled, lambda: 1.0 if unit.says_outputs_enabled() else 0.0),
        (link.ready, lambda: 1.0 if unit.start.ready else 0.0),
        (link.starts, lambda: unit.start.starts % 0x10000),
        (link.port_errors, lambda: 0.0),
        (link.clock, unit.clock.now),
        (link.temperature, unit.heat.reported),
    ]
    volts = Noise(timeline, _VOLT_NOISE, seed, unit.slot, "supply voltage")
    simple.append((link.supply_voltage, lambda: unit.supply_seen() + volts()))
    if unit.battery is not None:
        battery, little = unit.battery, Noise(timeline, _BATTERY_NOISE, seed, unit.slot, "battery")
        simple.append((link.battery_voltage, lambda: battery.volts() + battery.reported_high + little()))
    for register, value in simple:
        if register is not None:
            registers.add_value(register, value)
    if link.mode_command is not None:
        command = link.mode_command
        meant = {raw: mode for mode, raw in command.values.items()}
        last = [next(iter(command.values.values()))]

        def set_mode(value: float) -> None:
            last[0] = to_raw(command, value)
            unit.modes.command(meant[last[0]])

        def check(raw: int) -> None:
            if raw not in meant:
                raise ModbusRefusal(ILLEGAL_VALUE)

        registers.add_value(command, lambda: from_raw(command, last[0]), set_mode)
        registers.guard(command.table, command.address, check)


def _shown(register: Register, values: Mapping[Word, int], words: Iterable[Word]) -> dict[Word, float]:
    """Return what a register shows for each word; 0 stands for one that the profile does not list."""
    return {word: from_raw(register, values.get(word, 0)) for word in words}


def _add_points(registers: RegisterMap, unit: UnitModel, profile: Profile) -> None:
    points = profile.points
    for name, output in points.outputs.items():
        model = unit.outputs.outputs[name]
        registers.add_value(output.command, _flag(model), _commander(unit, name))
    for name, point in points.inputs.items():
        registers.add_value(point.report, unit.inputs.reporter(name))
    for name, analog in points.analog_inputs.items():
        registers.add_value(analog.register_, unit.analog_inputs[name].reading)
    for name, analog in points.analog_outputs.items():
        registers.add_value(analog.register_, _setting(unit, name), _setter(unit, name))


def _flag(output: Output) -> Callable[[], float]:
    return lambda: 1.0 if output.commanded else 0.0


def _commander(unit: UnitModel, name: str) -> Callable[[float], None]:
    return lambda value: unit.outputs.command(name, value >= 0.5)  # noqa: PLR2004


def _setting(unit: UnitModel, name: str) -> Callable[[], float]:
    return lambda: unit.analog_settings[name]


def _setter(unit: UnitModel, name: str) -> Callable[[float], None]:
    return lambda value: unit.set_analog(name, value)


def _add_identity(registers: RegisterMap, unit: UnitModel, profile: Profile) -> None:
    identity = profile.identity
    if identity.serial_number is not None:
        registers.add_value(identity.serial_number, unit.serial_number)
    if identity.modules is not None:
        first, types = identity.modules.first, identity.modules.types
        nothing = types.get("empty", 0)
        for position in range(1, profile.rack_positions + 1):
            register = first.further_on(position - 1)
            registers.add_value(register, _module(unit, register, position, types, nothing))


def _module(
    unit: UnitModel, register: Register, position: int, types: Mapping[str, int], nothing: int
) -> Callable[[], float]:
    return lambda: from_raw(register, types.get(unit.neighbour(position), nothing))


def _add_faults(registers: RegisterMap, unit: UnitModel, layout: FaultTable) -> None:
    faults = unit.faults
    if faults is None:
        return
    table, address = layout.table.table, layout.table.address
    for index in range(layout.entries * layout.words):
        registers.add_word(table, address + index, _fault_word(faults, index))
    if layout.count is not None:
        registers.add_value(layout.count, lambda: faults.count)
    if layout.clear is not None:
        _add_command(registers, layout.clear, layout.clear_value, faults.clear)


def _fault_word(faults: FaultStore, index: int) -> Callable[[], int]:
    return lambda: faults.words[index]


def _add_configuration(registers: RegisterMap, unit: UnitModel, description: Configuration) -> None:
    memory = unit.memory
    if memory is None:
        return
    table, address = description.first.table, description.first.address

    def check(_: int) -> None:
        if memory.refuses or unit.modes.mode is not description.load_in:
            raise ModbusRefusal(DEVICE_FAILURE)

    for index in range(len(description.content)):
        registers.add_word(
            table,
            address + index,
            partial(memory.read, index),
            partial(memory.write, index),
        )
        registers.guard(table, address + index, check)
    if description.checksum is not None:
        checksum = description.checksum
        registers.add_value(checksum, lambda: from_raw(checksum, memory.checksum()))
    if description.store is not None:
        _add_command(registers, description.store, description.store_value, memory.store)
        registers.guard(description.store.table, description.store.address, check)


def _add_command(registers: RegisterMap, register: Register, value: int, act: Callable[[], None]) -> None:
    """Put a command register: writing `value` acts; it reads back what was written last."""
    last = [0]
    wanted = 1 if register.table is RegisterTable.COIL and value else value

    def write(raw: float) -> None:
        last[0] = to_raw(register, raw)
        if last[0] == wanted:
            act()

    registers.add_value(register, lambda: from_raw(register, last[0]), write)


#: Bit errors of a good line, and the share of the profile's limit they may reach.
_GOOD_RATIO, _GOOD_SHARE = 1e-8, 1e-3
_GOOD_CLOCK = 0.005
#: Relative width of the edge between heard and lost.
_BLUR = 0.1


class UnitPort:
    """One port (`hilseq_sim.views.PortView`). `dead` and the added errors are defects."""

    def __init__(self, description: Port, running: Callable[[], bool], stream: Random) -> None:
        self.partner: str = description.partner
        #: The server behind a port that speaks Modbus; it answers while the port is `answering`.
        self.modbus: ModbusView | None = None
        self._speeds = tuple(description.speeds)
        self._running = running
        self._random = stream
        self.character_bits = description.character_bits
        limit = description.bit_error_ratio
        #: Share of bits that a good line spoils.
        self.good_ratio = min(_GOOD_RATIO, _GOOD_SHARE * limit) if limit else _GOOD_RATIO
        #: Error of its clock without any defect, as a share.
        self.good_clock = stream.uniform(-_GOOD_CLOCK, _GOOD_CLOCK)
        self.dead = 0
        self.bit_errors = 0.0
        self.clock_error = 0.0

    def answering(self) -> bool:
        """Return whether anything comes out at all."""
        return not self.dead and self._running()

    def receive(self, data: bytes, speed: int) -> bytes:
        """See PortView: the line spoils bytes on the way in and on the way out."""
        if self.partner != "echo":
            return b""
        return self.corrupt(self.corrupt(data, speed), speed)

    def corrupt(self, data: bytes, speed: int) -> bytes:
        """See PortView."""
        if not data or not self.answering():
            return b""
        nearest = min(self._speeds, key=lambda own: abs(own - speed))
        mismatch = speed / nearest - 1.0
        lost = self._share_lost(abs(mismatch + self.good_clock + self.clock_error))
        ratio = min(0.5, self.good_ratio + self.bit_errors)
        if lost:
            return self._spoil(data, ratio, lost)
        drawn = self._random.random()
        if drawn >= 1.0 - (1.0 - ratio) ** (8 * len(data)):
            return data
        # Geometric: what was drawn says which bit is the first.
        first = int(math.log1p(-drawn) / math.log1p(-ratio))
        return self._flip(data, min(first, 8 * len(data) - 1), ratio)

    def _share_lost(self, clock_error: float) -> float:
        """Share of characters that a receiver with this relative clock error loses."""
        edge = 1.0 / (2.0 * self.character_bits - 1.0)
        return max(0.0, min(1.0, 0.5 + (clock_error - edge) / (_BLUR * edge)))

    def _flip(self, data: bytes, first: int, ratio: float) -> bytes:
        """Return data with one wrong bit, the first of all, and others behind it by chance."""
        spoilt = bytearray(data)
        for bit in range(first, 8 * len(data)):
            if bit == first or self._random.random() < ratio:
                spoilt[bit // 8] ^= 1 << bit % 8
        return bytes(spoilt)

    def _spoil(self, data: bytes, ratio: float, lost: float) -> bytes:
        """Return data with wrong bits; lost characters arrive as something else, or not at all."""
        random, spoilt = self._random, bytearray()
        for byte in data:
            if random.random() < lost:
                if random.random() < 0.5:  # noqa: PLR2004 - as often random bytes as nothing
                    spoilt.append(byte ^ random.randrange(1, 256))
                continue
            mask = sum(1 << bit for bit in range(8) if random.random() < ratio)
            spoilt.append(byte ^ mask)
        return bytes(spoilt)
