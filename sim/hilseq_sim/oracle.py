"""What a unit really keeps of its profile: asked of the model itself, by somebody who knows all of it.

A visit knows nothing of the model; this knows nothing of a visit. Each promise of the profile is tried at the unit's
terminals and registers with instruments that are never wrong and take no time, and further than any stand would: every
vector, every part of a range, every register against what it stands for. What is not kept is named, with how far
beyond its limit it is; what is there or not, without.

Registers for which the profile claims no accuracy are compared with a tenth of what they report (common practice, no
source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from random import Random
from typing import Any

from hilseq.description.profile import Mode
from hilseq.description.registers import Register, RegisterType, WordOrder
from hilseq_sim.views import ModbusRefusal
from hilseq_sim.world.analog import AnalogChannel
from hilseq_sim.world.build import World
from hilseq_sim.world.points import BANDS, RATED
from hilseq_sim.world.registers import from_raw, to_raw

#: Vectors with every point at once; points of a range; frames of each length, and those lengths in characters.
_VECTORS, _POINTS, _FRAMES, _LENGTHS = 128, 300, 60, (1, 64, 250)
#: s for which outputs are held on; for which the clock is watched.
_HELD, _WATCHED = 120.0, 2000.0
_SHARE = 0.1
_EVEN = 0.5


@dataclass(frozen=True, slots=True)
class Violation:
    """A promise that is not kept, where, and how many times its limit (None: there or not)."""

    promise: str
    place: str
    ratio: float | None


def violations(world: World, slot: str) -> list[Violation]:
    """Return the promises that the unit of a slot does not keep, the worst of each promise and place."""
    asked = _Oracle(world, slot)
    with suppress(_NotReady):
        asked.ask()
    return [
        Violation(promise, place, None if math.isinf(ratio) else round(ratio, 3))
        for (promise, place), ratio in sorted(asked.broken.items())
    ]


class _NotReady(Exception):  # noqa: N818 - no error: nothing more can be asked
    """The unit does not start: nothing else can be asked."""


class _Oracle:
    def __init__(self, world: World, slot: str) -> None:
        self.broken: dict[tuple[str, str], float] = {}
        self._world = world
        self._slot = slot
        self._unit = world.units[slot]
        self._profile = self._unit.profile
        self._link = world.links[slot]
        self._supply = world.supplies[world.stand.slots[slot].supply]
        self._random = Random(0)
        self._counted = -1.0
        self._aims: dict[str, float] = {}

    def ask(self) -> None:
        rated, span = self._profile.ratings.supply, self._profile.ratings.supply_range
        self._start(rated)
        self._identity()
        self._faults()
        self._registers()
        self._memory()
        self._modes()
        self._live()
        self._vectors(_VECTORS)
        self._ranges()
        self._loads()
        self._ports()
        self._clock()
        self._interruption()
        for volts in (span.low, span.high, rated):
            self._start(volts)
            self._registers()
            self._live()
            self._vectors(8)

    # -- noting --------------------------------------------------------------------------------------

    def _note(self, promise: str, place: str, ratio: float) -> None:
        if ratio > 1.0:
            key = (promise, place)
            self.broken[key] = max(ratio, self.broken.get(key, 0.0))

    def _must(self, kept: bool, promise: str, place: str) -> None:
        self._note(promise, place, 0.0 if kept else math.inf)

    # -- the unit ------------------------------------------------------------------------------------

    def _read(self, register: Register) -> float:
        words = self._link.read(register.table, register.address, register.kind.width)
        if register.bit is not None:
            return float(words[0] >> register.bit & 1)
        if len(words) > 1 and register.order is WordOrder.LOW_FIRST:
            words.reverse()
        return from_raw(register, words[0] if len(words) == 1 else words[0] << 16 | words[1])

    def _write(self, register: Register, value: float) -> None:
        raw = to_raw(register, value)
        words = [raw] if register.kind.width == 1 else [raw >> 16, raw & 0xFFFF]
        with suppress(ModbusRefusal):
            self._link.write(register.table, register.address, words)

    def _start(self, volts: float) -> None:
        """Start anew, from cold."""
        supply, start = self._supply, self._profile.start
        supply.output = False
        self._world.advance(max(start.off_time, 5.0))
        supply.set_current = self._profile.ratings.current_limit
        supply.set_voltage = volts
        supply.output = True
        took = 0.0
        while took < 2.0 * start.ready_within and not (self._unit.start.ready and self._link.answering()):
            self._world.advance(0.01)
            took += 0.01
        if not (self._unit.start.ready and self._link.answering()):
            self._must(False, "starts", "start")
            raise _NotReady
        self._note("ready in time", "start", took / start.ready_within)
        self._must(self._unit.start.result == 0, "passes its self-test", "self-test")
        if self._profile.link.starts is not None:
            counted = self._read(self._profile.link.starts)
            self._must(counted != self._counted, "counts its starts", "start")
            self._counted = counted
        if math.isclose(volts, self._profile.ratings.supply):
            self._current("idle current", start.idle_current)

    def _current(self, promise: str, limits: Any) -> None:
        drawn = self._unit.input.amperes()
        self._note(promise, "supply", max(drawn / limits.high, limits.low / max(drawn, 1e-9)))

    def _live(self) -> None:
        if Mode.LIVE in self._profile.mode_list():
            self._enter(Mode.LIVE)

    def _enter(self, mode: Mode) -> None:
        unit, modes = self._unit, self._profile.modes
        position = next((name for name, p in modes.switch.items() if p.mode is mode), None)
        if position is not None:
            unit.switch.turn(position)
        elif self._profile.link.mode_command is not None:
            command = self._profile.link.mode_command
            self._write(command, from_raw(command, command.values[mode]))
        took = 0.0
        while unit.modes.mode is not mode and took < 10.0 * modes.change_within:
            self._world.advance(0.01)
            took += 0.01
        self._note("changes its mode in time", f"mode {mode}", took / modes.change_within)
        self._must(unit.modes.mode is mode, "reaches its modes", f"mode {mode}")
        self._world.advance(0.5)

    # -- promises ------------------------------------------------------------------------------------

    def _identity(self) -> None:
        wanted, unit = self._profile.identity, self._unit
        reported = self._link.identification()
        if reported is not None:
            for index, name in enumerate((wanted.maker, wanted.product)):
                self._must(not name or reported[index].decode() == name, "is what it says", "identity")
            firmware = reported[2].decode()
            self._must(not wanted.firmware or firmware in wanted.firmware, "is what it says", "identity")
        if wanted.serial_number is not None:
            digits = "".join(c for c in unit.serial if c.isdigit()) or "0"
            self._must(self._read(wanted.serial_number) == int(digits) % 2**32, "is what it says", "identity")
        for position, fitted in unit.fitted.items():
            self._must(unit.neighbour(position) == fitted, "finds its neighbours", f"neighbour {position}")

    def _faults(self) -> None:
        if self._unit.faults is None or self._profile.faults is None:
            return
        self._unit.faults.clear()
        self._world.advance(2.0)
        routine = {code for code, meant in self._profile.faults.codes.items() if meant.routine}
        self._must(not set(self._unit.faults.codes) - routine, "stores no fault of its own", "stored faults")

    def _registers(self) -> None:
        """Hold each register against what it stands for, here and where the model is bent by hand."""
        unit, link = self._unit, self._profile.link
        checks: list[tuple[Register | None, str, Callable[[], float], float]] = [
            (link.supply_voltage, "supply", unit.input.volts, _SHARE * unit.input.volts()),
            (link.temperature, "temperature", unit.heat.case, link.temperature_error or 5.0),
            (link.self_test, "self-test", lambda: unit.start.result, _EVEN),
        ]
        if unit.battery is not None:
            battery = unit.battery
            checks.append((link.battery_voltage, "battery", battery.volts, _SHARE * battery.volts()))
        for part, attribute, by in ((unit.heat, "ambient", 0.0), (unit.heat, "ambient", 20.0)):
            with _bent(part, attribute, by):
                self._tells(checks)
        with _bent(unit.start, "result", 1):
            self._tells(checks[2:3])
            self._words()
        if unit.battery is not None:
            with _bent(unit.battery, "drop", 0.5):
                self._tells(checks[3:])
        self._words()

    def _tells(self, checks: list[tuple[Register | None, str, Callable[[], float], float]]) -> None:
        self._world.advance(0.1)
        for register, place, true, allowed in checks:
            if register is not None and allowed > 0.0:
                self._note("tells what it measures", place, abs(self._read(register) - true()) / allowed)

    def _words(self) -> None:
        unit, link = self._unit, self._profile.link
        mode, lamp = unit.modes.mode, unit.indicator()
        self._shows(link.mode, link.mode.values.get(mode, 0), f"mode {mode}")
        if link.indicator is not None:
            self._shows(link.indicator, link.indicator.values.get(lamp, 0), "indicator")
        if link.outputs_enabled is not None and unit.start.healthy:
            reported = self._read(link.outputs_enabled)
            self._must(
                reported == (unit.modes.mode is Mode.LIVE),
                "tells whether outputs are enabled",
                f"mode {unit.modes.mode}",
            )
        self._must(unit.healthy_lamp() is (unit.indicator() == "healthy"), "shows how it is", "indicator")
        self._must(unit.faulted_lamp() is (unit.indicator() == "faulted"), "shows how it is", "indicator")

    def _shows(self, register: Register, raw: int, place: str) -> None:
        self._must(self._read(register) == from_raw(register, raw), "tells its state", place)

    def _memory(self) -> None:
        described = self._profile.configuration
        if described is None or self._unit.memory is None:
            return
        reference, first = list(described.content), described.first
        addresses = [(257 * (index + 1)) & 0xFFFF for index in range(len(reference))]
        for content in ([word ^ 0xFFFF for word in reference], addresses, reference):
            for index, word in enumerate(content):
                with suppress(ModbusRefusal):
                    self._link.write(first.table, first.address + index, [word])
            held = self._link.read(first.table, first.address, len(content))
            self._must(held == content, "keeps what is configured", "configuration")
        if described.store is not None:
            self._write(described.store, described.store_value)
            self._world.advance(described.store_time)
        self._start(self._profile.ratings.supply)
        held = self._link.read(first.table, first.address, len(reference))
        self._must(held == reference, "keeps what is configured", "configuration")

    def _modes(self) -> None:
        for mode in self._profile.mode_list():
            self._enter(mode)
            self._words()
            if mode is not Mode.LIVE:
                self._demand(on=True)
                for name, factor in self._unit.outputs.factors.items():
                    self._must(factor < _EVEN, "keeps its outputs off", name)
                self._demand(on=False)

    def _vectors(self, count: int) -> None:
        """Every point at once, each right after its settling time; what is seldom wrong is beyond any limit, too."""
        unit, points = self._unit, self._profile.points
        live = Mode.LIVE in self._profile.mode_list()
        settle = max(
            [0.05, *(o.settle for o in points.outputs.values()), *(i.settle for i in points.inputs.values())]
        )
        analog = max(
            (c.settle for c in (*points.analog_inputs.values(), *points.analog_outputs.values())), default=0.0
        )
        for _ in range(count):
            on = {name: self._random.random() < _EVEN for name in (*points.outputs, *points.inputs)}
            for name, point in points.outputs.items() if live else ():
                self._write(point.command, float(on[name]))
            for name in points.inputs:
                unit.inputs.drive(name, self._profile.ratings.supply if on[name] else 0.0)
            self._aim_analog(self._random.random)
            self._world.advance(settle)
            for name in points.outputs if live else ():
                self._must((unit.outputs.factors[name] > _EVEN) is on[name], "outputs follow", name)
            for name, input_point in points.inputs.items():
                self._must(bool(self._read(input_point.report)) is on[name], "inputs are reported", name)
            self._world.advance(max(0.0, analog - settle))
            self._look_at_analog()
        self._release()

    def _aim_analog(self, share: Callable[[], float]) -> None:
        self._aims.clear()
        for name, channel in self._unit.analog_inputs.items():
            self._aims[name] = channel.low + share() * (channel.high - channel.low)
            channel.drive(self._aims[name], channel.symbol)
        for name, channel in self._unit.analog_outputs.items() if self._unit.outputs_driven() else ():
            register = self._profile.points.analog_outputs[name].register_
            wanted = channel.low + share() * (channel.high - channel.low)
            number = _in_register(channel, wanted, register)
            raw = from_raw(register, to_raw(register, number))
            self._aims[name] = wanted + (raw - number) / (number / wanted if wanted and number else 1.0)
            self._write(register, raw)

    def _look_at_analog(self) -> None:
        points = self._profile.points
        for name, wanted in self._aims.items():
            channel = self._unit.analog_inputs.get(name)
            if channel is not None:
                register = points.analog_inputs[name].register_
                found = _from_register(channel, self._read(register))
            else:
                channel = self._unit.analog_outputs[name]
                found = channel.terminal(channel.symbol)
            limit = channel.limit(wanted)
            step = _from_register_step(channel, points.analog_inputs.get(name) or points.analog_outputs[name])
            self._note(
                "analog accuracy", name, max(0.0, abs(found - wanted) - step) / limit if limit else 0.0
            )

    def _ranges(self) -> None:
        channels = (
            *self._profile.points.analog_inputs.values(),
            *self._profile.points.analog_outputs.values(),
        )
        settle = max((point.settle for point in channels), default=0.0)
        for number in range(_POINTS if channels else 0):
            self._aim_analog(lambda number=number: number / (_POINTS - 1))  # type: ignore[misc]
            self._world.advance(settle)
            self._look_at_analog()

    def _loads(self) -> None:
        """Every output on together for a while: each carries its load; off together, each leaves nothing."""
        start = self._profile.start
        if not self._unit.outputs_driven():
            return
        self._demand(on=True)
        self._drops()
        for _ in range(int(_HELD)):
            self._world.advance(1.0)
            for name, model in self._unit.outputs.outputs.items():
                self._must(model.on, "outputs carry their load", name)
        if start.loaded_current is not None:
            self._current("loaded current", start.loaded_current)
        self._demand(on=False)
        self._leakages()
        if start.live_current is not None:
            self._current("live current", start.live_current)

    def _demand(self, *, on: bool) -> None:
        for point in self._profile.points.outputs.values():
            self._write(point.command, float(on))
        self._world.advance(1.0)

    def _drops(self) -> None:
        rated = self._profile.ratings.supply
        for name, point in self._profile.points.outputs.items():
            if point.voltage_drop:
                drop = rated * (1.0 - self._unit.outputs.factors[name])
                self._note("voltage drop", name, drop / point.voltage_drop)

    def _leakages(self) -> None:
        rated = self._profile.ratings.supply
        for name, point in self._profile.points.outputs.items():
            if point.leakage:
                current = rated * self._unit.outputs.factors[name] / self._unit.outputs.outputs[name].load
                self._note("leakage", name, current / point.leakage)

    def _ports(self) -> None:
        for name, port in self._profile.ports.items():
            model = self._world.port_models[self._slot, name]
            if port.partner == "modbus tcp":
                continue
            claim = port.bit_error_ratio or 1e-3
            self._note("bit errors", name, model.bit_errors / claim)
            if port.clock_error:
                self._note("clock of the port", name, abs(model.clock_error) / port.clock_error)
            for on in (False, True):
                self._demand(on=on)
                self._frames(name, claim)
        self._release()

    def _frames(self, name: str, claim: float) -> None:
        model = self._world.port_models[self._slot, name]
        for speed in self._profile.ports[name].speeds:
            for length in _LENGTHS:
                data = self._random.randbytes(length)
                lost = sum(len(model.corrupt(data, round(speed))) != length for _ in range(_FRAMES))
                if lost == _FRAMES:
                    self._must(False, "carries frames", name)
                self._note("lost frames", name, lost / (8.0 * length * _FRAMES) / claim)

    def _clock(self) -> None:
        claim, register = self._profile.clock, self._profile.link.clock
        if claim is None or register is None:
            return
        before, was = self._read(register), self._world.time
        self._world.advance(_WATCHED)
        passed = self._world.time - was
        error = abs(self._read(register) - before - passed) - 2.0 * abs(register.scale)
        self._note("clock drift", "clock", max(0.0, error) / (claim.drift * passed))

    def _interruption(self) -> None:
        margins = self._profile.margins
        if margins is None or not margins.ride_through:
            return
        starts = self._unit.start.starts
        self._demand(on=True)
        self._supply.output = False
        self._world.advance(margins.ride_through)
        self._supply.output = True
        self._world.advance(2.0 * self._profile.start.ready_within)
        self._must(self._unit.start.starts == starts, "rides through", "supply")
        battery = self._profile.battery
        if battery is not None and self._unit.battery is not None:
            self._note("battery", "battery", battery.lowest / max(self._unit.battery.volts(), 1e-3))

    def _release(self) -> None:
        self._demand(on=False)
        for name in self._unit.inputs.inputs:
            self._unit.inputs.drive(name, 0.0)
        self._world.advance(0.2)
        for name, model in self._unit.inputs.inputs.items():
            scale = self._profile.ratings.supply / RATED
            low, high = (scale * end for end in BANDS[self._profile.points.inputs[name].type_])
            self._note(
                "input thresholds", name, max(model.threshold / high, low / max(model.threshold, 1e-9))
            )


@contextmanager
def _bent(part: object, attribute: str, by: float) -> Iterator[None]:
    """Let a value of the model be something else for a moment."""
    was = getattr(part, attribute)
    setattr(part, attribute, was + by)
    try:
        yield
    finally:
        setattr(part, attribute, was)


def _in_register(channel: AnalogChannel, value: float, register: Register) -> float:
    return (value - channel.low) / (channel.high - channel.low) * 100.0 if register.unit == "%" else (
        value / channel.per_register
    )  # fmt: skip


def _from_register(channel: AnalogChannel, number: float) -> float:
    if channel.percent:
        return channel.low + number / 100.0 * (channel.high - channel.low)
    return number * channel.per_register


def _from_register_step(channel: AnalogChannel, point: Any) -> float:
    """Return half of the last digit of a channel's register: that is no error."""
    register = point.register_
    if register.kind is RegisterType.FLOAT32:
        return 0.0
    return 0.5 * abs(_from_register(channel, register.scale) - _from_register(channel, 0.0))
