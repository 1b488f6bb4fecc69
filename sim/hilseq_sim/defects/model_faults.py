"""Faults at the level of the model: what can go wrong with any node or register, whoever may look there or not.

The kinds that `hilseq coverage --random` draws from, over the interface of `spec`, as a file of `--defects`. The
first word of a kind is its class: open, short, stuck, drift, gain, offset, flat, delay, swap, coupling, intermittent,
thermal, aging. A graded fault of severity s is 10^(2 s - 1) times its limit: a tenth at 0, the limit at 0.5, ten
times at 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from typing import Any

from hilseq.description.registers import Register, WordOrder
from hilseq_sim.defects import effects
from hilseq_sim.defects.spec import Add, Change, Kind, Scale, Spot, Tap, Wrap, places
from hilseq_sim.world.timeline import Timer

Effect = Callable[[Spot], list[Change]]
_GRADED = "10^(2 s - 1) times its limit"
_RATE = "goes wrong once in 10^(2.5 - 2 s) times"
#: s after which something that ages is at its severity, beside what it was at first.
_AGED = 600.0


def times(spot: Spot) -> float:
    """Return how many times its limit a fault is."""
    return float(10.0 ** (2.0 * spot.severity - 1.0))


def chance(spot: Spot) -> Callable[[], bool]:
    """Return what tells, each time anew, whether a rare event comes."""
    stream = spot.world.streams.of(spot.slot, "rare", spot.place)
    rate = 10.0 ** (2.0 * spot.severity - 2.5)
    return lambda: stream.random() < rate


def gain(part: Callable[[Spot], object], attribute: str, by: float) -> Effect:
    """Return the effect that puts a gain off by so much times what a fault is of its limit."""
    return lambda spot: [Scale(part(spot), attribute, 1.0 + by * times(spot))]


def tap(spot: Spot, register: Register, see: Callable[[int], int]) -> Change:
    """Let a register of the unit be read as `see` has it: its one bit, or its (low) word."""
    address, bit = register.address, register.bit
    if bit is not None:
        packed = bit
        return Tap(
            spot.world.registers[spot.slot],
            register.table,
            address,
            lambda word: (word & ~(1 << packed)) | (see(word >> packed & 1) << packed),
        )
    if register.kind.width > 1 and register.order is WordOrder.HIGH_FIRST:
        address += 1
    return Tap(spot.world.registers[spot.slot], register.table, address, see)


# -- points ------------------------------------------------------------------------------------------


def drift_output(spot: Spot) -> list[Change]:
    """Raise the on-resistance until the drop is so many times its limit."""
    model, point = spot.unit.outputs.outputs[spot.place], spot.unit.profile.points.outputs[spot.place]
    assert point.voltage_drop is not None
    drop = min(0.95 * spot.unit.profile.ratings.supply, times(spot) * point.voltage_drop)
    ohms = model.load * drop / (spot.unit.profile.ratings.supply - drop)
    return [Add(model, "resistance", max(0.0, ohms - model.resistance))]


def drift_leakage(spot: Spot) -> list[Change]:
    """Let an output that is off pass so many times its limit."""
    model, point = spot.unit.outputs.outputs[spot.place], spot.unit.profile.points.outputs[spot.place]
    return [Add(model, "leakage", max(0.0, times(spot) * (point.leakage or 0.0) - model.leakage))]


def swap_outputs(spot: Spot) -> list[Change]:
    """Let each of two outputs follow the command of the other."""
    other = dict(zip(spot.places, reversed(spot.places), strict=True))
    return [
        Wrap(
            spot.unit.outputs,
            "command",
            lambda old: lambda name, on: old(other.get(name, name), on),
        )
    ]


def swap_inputs(spot: Spot) -> list[Change]:
    """Let each of two inputs get the voltage of the other."""
    other = dict(zip(spot.places, reversed(spot.places), strict=True))
    return [
        Wrap(spot.unit.inputs, "drive", lambda old: lambda name, volts: old(other.get(name, name), volts))
    ]


def intermittent_output(spot: Spot) -> list[Change]:
    """Let an output miss a command now and then."""
    misses, place = chance(spot), spot.place

    def make(old: Callable[..., None]) -> Callable[..., None]:
        return lambda name, on: None if name == place and misses() else old(name, on)

    return [Wrap(spot.unit.outputs, "command", make)]


def intermittent_input(spot: Spot) -> list[Change]:
    """Let an input be reported wrong now and then."""
    wrong = chance(spot)
    return [tap(spot, spot.unit.profile.points.inputs[spot.place].report, lambda word: word ^ wrong())]


def coupling_output_input(spot: Spot) -> list[Change]:
    """Let an output that is on be seen by an input, too."""
    output, name = spot.unit.outputs.outputs[spot.places[0]], spot.places[1]
    register = spot.unit.profile.points.inputs[name].report
    return [tap(spot, register, lambda word: 1 if output.on else word)]


def coupling_input_output(spot: Spot) -> list[Change]:
    """Let an input that is on switch an output on, too, while the unit is live."""
    unit, (name, output) = spot.unit, spot.places

    def wanted(old: Callable[..., bool]) -> Callable[..., bool]:
        return lambda which, enabled: (
            old(which, enabled) or (which.name == output and enabled and unit.inputs.inputs[name].state)
        )

    def switched(old: Callable[[], None]) -> Callable[[], None]:
        def both() -> None:
            old()
            unit.outputs.refresh()

        return both

    return [Wrap(unit.outputs, "_wanted", wanted), Wrap(unit.inputs, "refresh", switched)]


def thermal_output(spot: Spot) -> list[Change]:
    """Let an output switch itself off after a minute under load at its limit, sooner the more severe it is."""
    bank, output = spot.unit.outputs, spot.unit.outputs.outputs[spot.place]
    after = 60.0 / times(spot)

    def act() -> None:
        output.tripped = True
        bank.refresh()

    timer = Timer(spot.unit.timeline, act)

    def changed(old: Callable[[], None]) -> Callable[[], None]:
        def both() -> None:
            old()
            if not output.on:
                timer.stop()
            elif not timer.running:
                timer.start(after)

        return both

    return [Wrap(bank, "changed", changed)]


# -- analog ------------------------------------------------------------------------------------------


def flat_analog(spot: Spot) -> list[Change]:
    """Let a part of the range stand at one value: as wide as so many accuracies, at a place drawn."""
    channel = effects.channel_of(spot)
    share = spot.world.streams.of(spot.slot, "flat", spot.place).random()
    width = min(0.9 * (channel.high - channel.low), times(spot) * channel.limit(channel.high))
    start = channel.low + share * (channel.high - channel.low - width)
    return [
        Wrap(
            channel,
            "_spoilt",
            lambda old: lambda value: old(start if start < value < start + width else value),
        )
    ]


def intermittent_analog(spot: Spot) -> list[Change]:
    """Let a reading be four accuracies off now and then."""
    channel, wrong = effects.channel_of(spot), chance(spot)
    more = 4.0 * channel.limit(channel.high)
    return [Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + (more if wrong() else 0.0))]


def coupling_analog(spot: Spot) -> list[Change]:
    """Let an output that is on put an analog channel so many accuracies off."""
    unit, (output, name) = spot.unit, spot.places
    channel = unit.analog_inputs.get(name) or unit.analog_outputs[name]
    more = times(spot) * channel.limit(channel.high)
    model = unit.outputs.outputs[output]
    return [Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + more * model.on)]


def swap_analog(spot: Spot) -> list[Change]:
    """Let each of two analog inputs get the value of the other."""
    one, other = (spot.unit.analog_inputs[name] for name in spot.places)
    mine, others = one.drive, other.drive
    return [Wrap(one, "drive", lambda _: others), Wrap(other, "drive", lambda _: mine)]


def aging_analog(spot: Spot) -> list[Change]:
    """Let the offset grow, to so many accuracies in ten minutes."""
    channel, timeline = effects.channel_of(spot), spot.unit.timeline
    rate = times(spot) * channel.limit(channel.high) / _AGED
    return [Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + rate * timeline.now)]


# -- registers, memory -------------------------------------------------------------------------------


def _register_kinds() -> Iterator[Kind]:
    """Each register that a unit tells something in, held at a value, or with a bit that cannot be set or cleared."""
    named: dict[str, tuple[str, ...]] = {
        "mode": ("mode",),
        "indicator": ("indicator",),
        "self_test": ("self-test",),
        "outputs_enabled": ("mode", "modes"),
        "supply_voltage": ("supply",),
        "temperature": ("temperature",),
        "starts": ("start",),
        "clock": ("clock",),
        "battery_voltage": ("battery",),
    }
    for name, located in named.items():
        needs = partial(_has_register, name)
        word = name.replace("_", "-")
        yield Kind(
            f"stuck-register-{word}",
            "registers",
            f"the register of {word} keeps what it held when it was first read",
            places.only(located[0], needs),
            located,
            partial(stuck_register, name),
        )
        yield Kind(
            f"stuck-bit-{word}",
            "registers",
            f"a bit of the register of {word} cannot be cleared",
            places.only(located[0], needs),
            located,
            partial(stuck_bit, name),
        )


def _has_register(name: str, where: places.Where) -> bool:
    return getattr(where.profile.link, name) is not None


def stuck_register(name: str, spot: Spot) -> list[Change]:
    """Hold a register at what was first read of it."""
    held: list[int] = []

    def see(word: int) -> int:
        if not held:
            held.append(word)
        return held[0]

    return [tap(spot, getattr(spot.unit.profile.link, name), see)]


def stuck_bit(name: str, spot: Spot) -> list[Change]:
    """Hold one bit of a register set."""
    register = getattr(spot.unit.profile.link, name)
    bits = 1 if register.kind.value == "bit" or register.bit is not None else 12
    bit = 1 << spot.world.streams.of(spot.slot, "stuck bit", name).randrange(bits)
    return [tap(spot, register, lambda word: word | bit)]


def _cell(spot: Spot, index: int) -> Register:
    assert spot.unit.profile.configuration is not None
    return spot.unit.profile.configuration.first.further_on(index)


def _drawn_cells(spot: Spot) -> list[int]:
    assert spot.unit.profile.configuration is not None
    stream = spot.world.streams.of(spot.slot, "cells")
    return stream.sample(range(len(spot.unit.profile.configuration.content)), 2)


def stuck_cell(spot: Spot) -> list[Change]:
    """Hold one bit of one word of the configuration as the reference has it, or not: set or cleared by chance."""
    index, _ = _drawn_cells(spot)
    stream = spot.world.streams.of(spot.slot, "cell")
    bit, is_set = 1 << stream.randrange(16), stream.random() < 0.5  # noqa: PLR2004 - a word, and even odds
    return [tap(spot, _cell(spot, index), lambda word: word | bit if is_set else word & ~bit)]


def swap_cells(spot: Spot) -> list[Change]:
    """Let one word of the configuration be another: an address line."""
    memory, (index, other) = spot.unit.memory, _drawn_cells(spot)
    assert memory is not None
    return [tap(spot, _cell(spot, index), lambda _: memory.read(other))]


def _has_configuration(where: places.Where) -> bool:
    return where.profile.configuration is not None


# -- power, program, clock, ports ----------------------------------------------------------------------


def drift_idle(spot: Spot) -> list[Change]:
    """Let the unit draw more, so many times the room that its limit leaves."""
    profile, parts = spot.unit.profile, spot.unit.parts
    volts = profile.ratings.supply
    room = volts * profile.start.idle_current.high - parts.idle_power
    return [Add(spot.unit, "extra_idle_power", times(spot) * room)]


def drift_capacity(spot: Spot) -> list[Change]:
    """Let the input capacitor dry out; to a twentieth when most severe."""
    return [Scale(spot.unit.input, "capacitance", 1.0 / (1.0 + 2.0 * times(spot)))]


def drift_lockout(spot: Spot) -> list[Change]:
    """Let the lockout act so many times the room below the range higher."""
    power, low = spot.unit.input, spot.unit.profile.ratings.supply_range.low
    shift = times(spot) * (low - power.start_above)
    return [Add(power, "start_above", shift), Add(power, "stop_below", shift)]


def delay_start(spot: Spot) -> list[Change]:
    """Let the boot take longer by so many times the room that its limit leaves."""
    start = spot.unit.start
    return [
        Add(
            start, "boot", times(spot) * (spot.unit.profile.start.ready_within - start.boot - start.self_test)
        )
    ]


def drift_clock(spot: Spot) -> list[Change]:
    """Let the clock go wrong by so many times its limit."""
    claim = spot.unit.profile.clock
    return [] if claim is None else [Add(spot.unit.clock, "drift", times(spot) * claim.drift)]


def drift_battery(spot: Spot) -> list[Change]:
    """Age the battery by so many times the room to its lowest voltage."""
    battery, claim = spot.unit.battery, spot.unit.profile.battery
    if battery is None or claim is None:
        return []
    return [Add(battery, "drop", min(battery.volts(), times(spot) * (battery.volts() - claim.lowest)))]


def _port(spot: Spot) -> Any:
    return spot.world.port_models[spot.slot, spot.place]


def short_frames(spot: Spot) -> list[Change]:
    """Let what is longer than 128 characters at its limit, fewer the more severe it is, be cut off."""
    most = max(4, round(128.0 / times(spot)))
    return [Wrap(_port(spot), "corrupt", lambda old: lambda data, speed: old(data[:most], speed))]


def intermittent_frames(spot: Spot) -> list[Change]:
    """Let a frame be lost now and then."""
    lost = chance(spot)
    return [Wrap(_port(spot), "corrupt", lambda old: lambda data, speed: b"" if lost() else old(data, speed))]


def coupling_port(spot: Spot) -> list[Change]:
    """Let an output that is on disturb a port."""
    output, name = spot.unit.outputs.outputs[spot.places[0]], spot.places[1]
    port = spot.world.port_models[spot.slot, name]
    return [Wrap(port, "corrupt", lambda old: lambda data, speed: b"" if output.on else old(data, speed))]


# -- harness and instruments ---------------------------------------------------------------------------


def _sensed_values(where: places.Where) -> list[str]:
    return [
        name
        for name, signal in where.stand.signals.items()
        if not signal.is_bit and signal.senses and signal.senses.startswith(f"{where.slot}.")
    ]


def _driven_values(where: places.Where) -> list[str]:
    return [
        name
        for name, signal in where.stand.signals.items()
        if not signal.is_bit and signal.drives and signal.drives.startswith(f"{where.slot}.")
    ]


def _wires(where: places.Where) -> list[str]:
    return [
        name
        for name, signal in where.stand.signals.items()
        if any(end and end.startswith(f"{where.slot}.") for end in (signal.senses, signal.drives))
    ]


def _neighbouring_drives(where: places.Where) -> list[str]:
    bits = [
        name
        for name, signal in where.stand.signals.items()
        if signal.is_bit and signal.drives and signal.drives.partition(".")[2] in where.profile.points.inputs
    ]
    return ["+".join(pair) for pair in pairwise(bits)]


def offset_channel(spot: Spot) -> list[Change]:
    """Put a channel off by so many hundred steps of its register."""
    channel = spot.world.wiring.channels[spot.place]
    return [Add(channel, "offset", 100.0 * times(spot) * abs(channel.signal.scale))]


def swap_wires(spot: Spot) -> list[Change]:
    """Wire two drives to each other's terminals."""
    one, other = (spot.world.wiring.channels[name] for name in spot.places)
    mine, others = one.deliver, other.deliver
    return [Wrap(one, "deliver", lambda _: others), Wrap(other, "deliver", lambda _: mine)]


def _across(one: places.Places, other: places.Places) -> places.Places:
    """Return pairs of a place of one sort and the place of another that comes as far in its row."""

    def found(where: places.Where) -> list[str]:
        first, second = one(where), other(where)
        return (
            [f"{name}+{second[number % len(second)]}" for number, name in enumerate(first)] if second else []
        )

    return found


def _analog_inputs(where: places.Where) -> list[str]:
    return [name for name in places.analog(where) if name in where.profile.points.analog_inputs]


def _neighbours(of: places.Places) -> places.Places:
    return lambda where: ["+".join(pair) for pair in pairwise(of(where))]


def _unit(
    kind: str,
    does: str,
    at: places.Places,
    effect: Effect,
    *located: str,
    severity: str = "",
    stage: str = "model",
) -> Kind:
    return Kind(kind, stage, does, at, located or ("{place}",), effect, severity=severity)


def _stand(kind: str, does: str, at: places.Places, effect: Effect, severity: str = "") -> Kind:
    return Kind(kind, "model", does, at, ("{place}",), effect, "stand", severity)


_CONFIGURED = places.only("configuration", _has_configuration)
_SUPPLY = places.only("supply")
_CHANNEL_GAIN = gain(lambda s: s.world.wiring.channels[s.place], "gain", 0.01)

KINDS = [
    _unit("open-output", "an output is never on", places.outputs, effects.output("stuck_off")),
    _unit("stuck-output", "an output is always on", places.outputs, effects.output("stuck_on")),
    _unit("short-outputs", "two terminals are joined", _neighbours(places.outputs),
          effects.counts(lambda s: s.unit.outputs.joined, lambda s: s.places)),
    _unit("swap-outputs", "two outputs are exchanged", _neighbours(places.outputs), swap_outputs),
    _unit("drift-output", "an output loses voltage", places.rated_outputs, drift_output, severity=_GRADED),
    _unit("drift-leakage", "an output leaks", places.rated_outputs, drift_leakage, severity=_GRADED),
    _unit("delay-output", "an output is late", places.outputs,
          effects.output("extra_delay", amount=lambda s: times(s) * s.unit.profile.points.outputs[s.place].settle),
          severity=_GRADED),
    _unit("intermittent-output", "an output misses commands", places.outputs, intermittent_output, severity=_RATE),
    _unit("thermal-output", "an output goes off under load", places.outputs, thermal_output, severity=_GRADED),
    _unit("open-input", "an input is never on", places.inputs, effects.input_("stuck_off")),
    _unit("stuck-input", "an input is always on", places.inputs, effects.input_("stuck_on")),
    _unit("swap-inputs", "two inputs are exchanged", _neighbours(places.inputs), swap_inputs),
    _unit("delay-input", "an input is late", places.inputs,
          effects.input_("extra_delay", amount=lambda s: times(s) * s.unit.profile.points.inputs[s.place].settle),
          severity=_GRADED),
    _unit("intermittent-input", "an input is reported wrong at times", places.inputs, intermittent_input,
          severity=_RATE),
    _unit("coupling-output-input", "an output is seen by an input", _across(places.outputs, places.inputs),
          coupling_output_input),
    _unit("coupling-input-output", "an input switches an output on", _across(places.inputs, places.outputs),
          coupling_input_output),
    _unit("coupling-output-analog", "an output moves an analog channel", _across(places.outputs, places.analog),
          coupling_analog, severity=_GRADED),
    _unit("coupling-output-port", "an output disturbs a port", _across(places.outputs, places.ports), coupling_port),
    _unit("stuck-analog", "an analog channel stands", places.analog, effects.analog("dead")),
    _unit("offset-analog", "an analog channel is off", places.analog, effects.analog("offset_error", amount=times),
          severity=_GRADED),
    _unit("gain-analog", "the gain of an analog channel is off", places.analog,
          effects.analog("gain_error", amount=times), severity=_GRADED),
    _unit("thermal-analog", "an analog channel drifts as it warms up", places.analog,
          effects.analog("drift_error", amount=times), severity=_GRADED, stage="heat"),
    _unit("flat-analog", "a part of a range stands at one value", places.analog, flat_analog, severity=_GRADED),
    _unit("intermittent-analog", "an analog channel jumps at times", places.analog, intermittent_analog,
          severity=_RATE),
    _unit("swap-analog", "two analog inputs are exchanged", _neighbours(_analog_inputs), swap_analog),
    _unit("aging-analog", "an analog channel goes off with time", places.analog, aging_analog, severity=_GRADED),
    *_register_kinds(),
    _unit("gain-register-supply-voltage", "the unit measures its supply wrong",
          places.only("supply", partial(_has_register, "supply_voltage")), gain(lambda s: s.unit, "_volt_gain", 0.1),
          "supply", severity=_GRADED),
    _unit("offset-register-temperature", "the unit measures its temperature wrong",
          places.only("temperature", partial(_has_register, "temperature")),
          effects.in_heat("sensor_error", amount=lambda s: times(s) * (s.unit.profile.link.temperature_error or 5.0)),
          "temperature", severity=_GRADED),
    _unit("stuck-cell", "a bit of the configuration cannot be changed", _CONFIGURED, stuck_cell),
    _unit("swap-cells", "a word of the configuration is another", _CONFIGURED, swap_cells),
    _unit("drift-idle-current", "the unit draws more", _SUPPLY, drift_idle, severity=_GRADED),
    _unit("drift-hold-up", "the input capacitor dries out", _SUPPLY, drift_capacity, severity=_GRADED),
    _unit("drift-lockout", "the lockout acts too early", _SUPPLY, drift_lockout, "supply", "start",
          severity=_GRADED),
    _unit("delay-start", "the unit starts late", places.only("start"), delay_start, severity=_GRADED),
    _unit("stuck-start", "the unit does not start", places.only("start"),
          effects.in_start("never_boots")),
    _unit("delay-mode", "a change of mode takes long", places.only("mode"),
          effects.in_modes("change_time", amount=lambda s: times(s) * s.unit.profile.modes.change_within),
          "mode", "modes", severity=_GRADED),
    _unit("drift-clock", "the clock goes wrong", places.only("clock", lambda w: w.profile.clock), drift_clock,
          severity=_GRADED),
    _unit("drift-battery", "the battery is old", places.only("battery", lambda w: w.profile.battery), drift_battery,
          severity=_GRADED),
    _unit("stuck-port", "a port is dead", places.ports, effects.port("dead")),
    _unit("intermittent-bits", "a port spoils bits", places.claimed_ports,
          effects.port(
              "bit_errors", amount=lambda s: times(s) * (s.unit.profile.ports[s.place].bit_error_ratio or 1e-3)),
          severity=_GRADED),
    _unit("intermittent-frames", "a port loses frames", places.serial_ports, intermittent_frames, severity=_RATE),
    _unit("short-frames", "a port cuts long frames", places.serial_ports, short_frames, severity=_GRADED),
    _stand("open-wire", "a wire to the unit is broken", _wires, effects.channel("broken")),
    _stand("stuck-channel", "a channel of the stand does nothing", _wires, effects.channel("dead")),
    _stand("gain-sense", "the gain of a sensing channel is off", _sensed_values, _CHANNEL_GAIN, _GRADED),
    _stand("offset-sense", "a sensing channel is off", _sensed_values, offset_channel, _GRADED),
    _stand("gain-drive", "the gain of a driving channel is off", _driven_values, _CHANNEL_GAIN, _GRADED),
    _stand("swap-wires", "two driven wires are exchanged", _neighbouring_drives, swap_wires),
    _stand("gain-voltmeter", "the supply reads its voltage wrong", places.supply,
           gain(effects.supply_of, "volt_gain", 0.01), _GRADED),
    _stand("gain-ammeter", "the supply reads its current wrong", places.supply,
           gain(effects.supply_of, "amp_gain", 0.05), _GRADED),
    _stand("delay-io", "the I/O simulator serves what is old", places.racks,
           effects.rack("stale", amount=lambda s: 0.1 * times(s)), _GRADED),
]  # fmt: skip
