"""The unit's own Modbus server: the register map of its profile."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import TypeVar

from hilseq.description.modbus_limits import ModbusLimits
from hilseq.description.profile import Configuration, FaultTable, Indicator, Mode, Profile
from hilseq.description.registers import Register, Table
from hilseq_sim.views import ModbusRefusal
from hilseq_sim.world.draw import noise
from hilseq_sim.world.fault_table import FaultStore
from hilseq_sim.world.outputs import Output
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
        self.read: Callable[[Table, int, int], list[int]] = registers.read
        self.write: Callable[[Table, int, list[int]], None] = registers.write

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
    registers = RegisterMap()
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
    link, stream = profile.link, unit.streams.of(unit.slot, "readings")
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
    volts = noise(stream, _VOLT_NOISE)
    simple.append((link.supply_voltage, lambda: unit.supply_seen() + volts()))
    if unit.battery is not None:
        battery, little = unit.battery, noise(stream, _BATTERY_NOISE)
        simple.append((link.battery_voltage, lambda: battery.volts() + little()))
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
            register = first.model_copy(update=first.moved(position - 1))
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
    wanted = 1 if register.table is Table.COIL and value else value

    def write(raw: float) -> None:
        last[0] = to_raw(register, raw)
        if last[0] == wanted:
            act()

    registers.add_value(register, lambda: from_raw(register, last[0]), write)
