"""Units whose one true value is known, and stands that are as wrong as their files allow: for curves of acceptance.

A kind here is no defect. It puts what one reading is about at a share of the profile's limit: the limit itself at
severity 0.5, nothing at 0, twice the limit at 1. What the unit was drawn with does not matter then. Limits to both
sides are approached from the side that the seed draws. `stand-errors` fills the accuracies that the stand file states,
and the profile's for the unit's own converter, to their ends: gain and offset together are wrong by an even share.

They are not in the catalogue: no campaign of defects draws them, and `twin --true-values` lists them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from hilseq.description.profile import Mode, Profile
from hilseq_sim.defects import places as p
from hilseq_sim.defects.catalogue import Kind
from hilseq_sim.defects.change import Add, Change, Spot
from hilseq_sim.world.operation import Phase
from hilseq_sim.world.supply import OUTPUT_IMPEDANCE

#: V that every input of IEC 61131-2 takes as off at 24 V rated.
_OFF, _RATED = 5.0, 24.0
#: s by which a scratch world runs on until its unit is ready.
_STRIDE = 0.5


def _at(part: object, attribute: str, value: float) -> list[Change]:
    return [Add(part, attribute, value - getattr(part, attribute))]


def _share(spot: Spot) -> float:
    return 2.0 * spot.severity


def _either(spot: Spot) -> float:
    """Return the share with the sign that the seed draws for the place."""
    stream = spot.world.streams.of("true value", spot.slot, *spot.places)
    return _share(spot) * (1.0 if stream.random() < 0.5 else -1.0)  # noqa: PLR2004


def _feeding(spot: Spot, power: float) -> tuple[float, float, float]:
    """Return what settles at rated supply for a power: V at the supply, V behind the unit's input, A."""
    unit = spot.unit
    supply = spot.world.supply_models[spot.world.stand.slots[spot.slot].supply]
    source, ohms = supply.puts_out(unit.profile.ratings.supply), unit.input.resistance
    inside = 0.5 * (source + math.sqrt(source * source - 4.0 * ohms * power))
    amperes = power / inside
    return source - OUTPUT_IMPEDANCE * amperes, inside, amperes


def _power(spot: Spot, amperes: float) -> float:
    """Return the power behind the input that draws a current at rated supply, W."""
    unit = spot.unit
    supply = spot.world.supply_models[spot.world.stand.slots[spot.slot].supply]
    return amperes * (supply.puts_out(unit.profile.ratings.supply) - unit.input.resistance * amperes)


def _idle(spot: Spot) -> float:
    return spot.unit.parts.idle_power + spot.unit.extra_idle_power


def _live(spot: Spot) -> float:
    return _idle(spot) + spot.unit.parts.live_power + spot.unit.extra_live_power


def _loaded(spot: Spot) -> float:
    outputs = spot.unit.outputs.outputs
    return _live(spot) + len(outputs) * spot.unit.parts.power_per_output


def _idle_current(spot: Spot) -> list[Change]:
    wanted = _power(spot, _share(spot) * spot.unit.profile.start.idle_current.high)
    return [Add(spot.unit, "extra_idle_power", wanted - _idle(spot))]


def _idle_current_low(spot: Spot) -> list[Change]:
    wanted = _power(spot, _share(spot) * spot.unit.profile.start.idle_current.low)
    return [Add(spot.unit, "extra_idle_power", wanted - _idle(spot))]


def _live_current(spot: Spot) -> list[Change]:
    limits = spot.unit.profile.start.live_current
    assert limits is not None
    return [Add(spot.unit, "extra_live_power", _power(spot, _share(spot) * limits.high) - _live(spot))]


def _loaded_current(spot: Spot) -> list[Change]:
    limits, unit = spot.unit.profile.start.loaded_current, spot.unit
    assert limits is not None
    extra = _power(spot, _share(spot) * limits.high) - _loaded(spot)
    return [Add(unit.parts, "power_per_output", extra / len(unit.outputs.outputs))]


def _time_to_ready(spot: Spot) -> list[Change]:
    """Lengthen the boot by what a unit of this seed takes less than the time wanted; a world apart tells it."""
    world = type(spot.world)(spot.world, spot.world.streams.seed, {}, "described")
    unit, limit = world.units[spot.slot], spot.unit.profile.start.ready_within
    took: list[float] = []
    follow = unit.start.changed

    def changed() -> None:
        if unit.start.phase is Phase.READY:
            took.append(world.timeline.now)
        follow()

    unit.start.changed = changed
    supply = world.supply_models[world.stand.slots[spot.slot].supply]
    supply.set_current = unit.profile.ratings.current_limit
    supply.set_voltage = unit.profile.ratings.supply
    supply.output = True
    while not took:
        world.advance(_STRIDE)
    return [Add(spot.unit.start, "boot", _share(spot) * limit - took[0])]


def _time_to_change(spot: Spot) -> list[Change]:
    unit = spot.unit
    wanted = _share(spot) * unit.profile.modes.change_within - unit.parts.contact_bounce
    return _at(unit.modes, "change_time", wanted)


def _output_delay(spot: Spot) -> list[Change]:
    settle = spot.unit.profile.points.outputs[spot.place].settle
    wanted = _share(spot) * settle - spot.unit.parts.output_delay
    return _at(spot.unit.outputs.outputs[spot.place], "extra_delay", wanted)


def _input_delay(spot: Spot) -> list[Change]:
    settle = spot.unit.profile.points.inputs[spot.place].settle
    wanted = _share(spot) * settle - spot.unit.parts.input_filter
    return _at(spot.unit.inputs.inputs[spot.place], "extra_delay", wanted)


def _voltage_drop(spot: Spot) -> list[Change]:
    """From the supply's terminals to the output's, all outputs on."""
    point, model = spot.unit.profile.points.outputs[spot.place], spot.unit.outputs.outputs[spot.place]
    at_supply, inside, _ = _feeding(spot, _loaded(spot))
    left = at_supply - _share(spot) * (point.voltage_drop or 0.0)
    return _at(model, "resistance", model.load * (inside / left - 1.0))


def _leakage(spot: Spot) -> list[Change]:
    """Live, all outputs off."""
    point, model = spot.unit.profile.points.outputs[spot.place], spot.unit.outputs.outputs[spot.place]
    _, inside, _ = _feeding(spot, _live(spot))
    wanted = _share(spot) * (point.leakage or 0.0)
    return _at(model, "leakage", wanted * spot.unit.profile.ratings.supply / inside)


def _off_voltage(spot: Spot) -> list[Change]:
    """Live, all outputs off."""
    unit, model = spot.unit, spot.unit.outputs.outputs[spot.place]
    _, inside, _ = _feeding(spot, _live(spot))
    rated = unit.profile.ratings.supply
    wanted = _share(spot) * _OFF * rated / _RATED
    return _at(model, "leakage", wanted / model.load * rated / inside)


def _deviation(spot: Spot) -> list[Change]:
    """Wrong by the same share of its accuracy everywhere, its own errors left out."""
    unit = spot.unit
    channel = unit.analog_inputs.get(spot.place) or unit.analog_outputs[spot.place]
    return channel.only_wrong_by(_either(spot))


def _clock_drift(spot: Spot) -> list[Change]:
    claim = spot.unit.profile.clock
    assert claim is not None
    return [Add(spot.unit.clock, "drift", _either(spot) * claim.drift - spot.unit.parts.clock_drift)]


def _battery_voltage(spot: Spot) -> list[Change]:
    claim, battery = spot.unit.profile.battery, spot.unit.battery
    assert claim is not None
    assert battery is not None
    return [Add(battery, "drop", battery.volts() - _share(spot) * claim.lowest)]


def _temperature_error(spot: Spot) -> list[Change]:
    claim = spot.unit.profile.link.temperature_error
    assert claim is not None
    return _at(spot.unit.heat, "sensor_error", _either(spot) * claim)


def _port_clock(spot: Spot) -> list[Change]:
    port = spot.world.port_models[spot.slot, spot.place]
    claim = spot.unit.profile.ports[spot.place].clock_error
    assert claim is not None
    return _at(port, "clock_error", _either(spot) * claim - port.good_clock)


def _ride_through(spot: Spot) -> list[Change]:
    """Live, every output on, at rated supply: C = 2 P t / (v² - v_stop²)."""
    unit, margins = spot.unit, spot.unit.profile.margins
    assert margins is not None
    power = _loaded(spot)
    _, inside, _ = _feeding(spot, power)
    seconds = _share(spot) * margins.ride_through
    wanted = 2.0 * power * seconds / (inside**2 - unit.input.stop_below**2)
    return _at(unit.input, "capacitance", wanted)


def _drop_out(spot: Spot) -> list[Change]:
    """Idle: the lockout acts where the supply is at the voltage wanted; it releases a little above."""
    unit = spot.unit
    volts, ohms = _share(spot) * unit.profile.ratings.supply_range.low, unit.input.resistance
    stop = 0.5 * (volts + math.sqrt(volts * volts - 4.0 * ohms * _idle(spot)))
    above = max(0.0, stop + 0.3 - unit.input.start_above)
    return [*_at(unit.input, "stop_below", stop), Add(unit.input, "start_above", above)]


def _pick_up(spot: Spot) -> list[Change]:
    """Rising from nothing, the unit draws no current before the lockout releases."""
    unit = spot.unit
    volts = _share(spot) * unit.profile.ratings.supply_range.low
    below = min(0.0, volts - 0.3 - unit.input.stop_below)
    return [*_at(unit.input, "start_above", volts), Add(unit.input, "stop_below", below)]


def _bit_errors(spot: Spot) -> list[Change]:
    """Of all bits, those sent and those that come back."""
    port = spot.world.port_models[spot.slot, spot.place]
    claim = spot.unit.profile.ports[spot.place].bit_error_ratio
    assert claim is not None
    return [Add(port, "bit_errors", _share(spot) * claim - port.good_ratio)]


def _stand_errors(spot: Spot) -> list[Change]:
    """Make each instrument wrong by an even share of what its file allows, noise included; clock and converter too."""
    world, unit = spot.world, spot.unit
    even = world.streams.of("stand errors").uniform
    changes: list[Change] = []
    for channel in world.wiring.channels.values():
        changes += channel.wrong_by(even(-1.0, 1.0))
        signal = channel.signal
        terminal = (signal.senses or "").partition(".")[2]
        if signal.load is not None and terminal in unit.outputs.outputs:
            wrong = 1.0 + signal.load_tolerance * even(-1.0, 1.0)
            changes += _at(unit.outputs.outputs[terminal], "load", signal.load * wrong)
    for supply in world.supply_models.values():
        changes += supply.wrong_by(even(-1.0, 1.0), even(-1.0, 1.0))
    # What the stand's computer gains is what the unit's clock seems to lose.
    changes.append(Add(unit.clock, "drift", world.stand.clock_accuracy * even(-1.0, 1.0)))
    if unit.battery is not None and unit.profile.battery is not None:
        claim = unit.profile.battery
        changes += _at(
            unit.battery, "reported_high", even(-1.0, 1.0) * claim.accuracy.limit(claim.lowest, 0.0)
        )
    return changes


def _true(kind: str, does: str, places: p.Places, effect: Callable[[Spot], list[Change]]) -> Kind:
    return Kind(f"true-{kind}", "true value", does, places, ("{place}",), effect,
                severity="0.5 is the limit, 1 is twice the limit")  # fmt: skip


def _claims(claim: Callable[[Any], object]) -> p.Places:
    def points(where: p.Where) -> list[str]:
        known: Profile = where.profile
        return [name for name in p.rated_outputs(where) if claim(known.points.outputs[name])]

    return points


def _leaks(where: p.Where) -> list[str]:
    return _claims(lambda point: point.leakage)(where) if p.loads_stated(where) else []


def _clocked_ports(where: p.Where) -> list[str]:
    """Ports whose clock is measured: behind an adapter that makes any speed."""
    ports = where.profile.ports
    return [
        name
        for name in p.serial_ports(where)
        if ports[name].clock_error and where.at.ports[name].speed_accuracy is not None
    ]


def _live_only(claim: Callable[[Profile], object]) -> Callable[[p.Where], object]:
    return lambda w: Mode.LIVE in w.profile.mode_list() and claim(w.profile)


_ROWS = (
    _true("time-to-ready", "time from power to ready", p.only("start"), _time_to_ready),
    _true("idle-current", "idle current, its upper limit", p.only("supply"), _idle_current),
    _true("idle-current-low", "idle current, its lower limit", p.only("supply"), _idle_current_low),
    _true("live-current", "live current, outputs off",
          p.only("supply", _live_only(lambda f: f.start.live_current)), _live_current),
    _true("loaded-current", "live current, every output on",
          p.only("supply", _live_only(lambda f: f.start.loaded_current and f.points.outputs)), _loaded_current),
    _true("temperature-error", "error of the reported case temperature",
          p.only("temperature", lambda w: w.profile.link.temperature and w.profile.link.temperature_error),
          _temperature_error),
    _true("clock-drift", "drift of the clock",
          p.only("clock", lambda w: w.profile.link.clock and w.profile.clock), _clock_drift),
    _true("battery-voltage", "battery voltage, its lower limit",
          p.only("battery", lambda w: w.profile.battery and w.profile.link.battery_voltage), _battery_voltage),
    _true("time-to-change", "time of a mode change", p.only("modes", lambda w: len(w.profile.mode_list()) > 1),
          _time_to_change),
    _true("output-delay", "delay of an output", p.outputs, _output_delay),
    _true("input-delay", "delay of an input", p.inputs, _input_delay),
    _true("voltage-drop", "drop from the supply to a loaded output", _claims(lambda point: point.voltage_drop),
          _voltage_drop),
    _true("leakage", "leakage of an output that is off", _leaks, _leakage),
    _true("off-voltage", "voltage at an output that is off", p.rated_outputs, _off_voltage),
    _true("deviation", "error of an analog channel over its whole range", p.analog, _deviation),
    _true("port-clock", "error of a port's clock", _clocked_ports, _port_clock),
    _true("bit-errors", "share of wrong bits of a port with an echo",
          lambda w: [name for name in p.claimed_ports(w) if w.profile.ports[name].partner == "echo"], _bit_errors),
    _true("ride-through", "longest interruption of the supply that is ridden through, its lower limit",
          p.only("supply", _live_only(lambda f: f.margins)), _ride_through),
    _true("drop-out", "supply voltage at which the unit stops", p.only("supply", lambda w: w.profile.margins),
          _drop_out),
    _true("pick-up", "supply voltage at which the unit starts", p.only("supply", lambda w: w.profile.margins),
          _pick_up),
    Kind("stand-errors", "true value", "every accuracy of the stand is used up, either way", p.only("stand"),
         ("{place}",), _stand_errors),
)  # fmt: skip

TRUE_VALUES: dict[str, Kind] = {row.kind: row for row in _ROWS}


def true_values_on(visit: p.VisitWords) -> dict[str, list[str]]:
    """Return the kinds that make sense on a visit (of its first slot), and their places."""
    where = p.Where(visit, next(iter(visit.profiles)))
    return {kind: spots for kind, row in TRUE_VALUES.items() if (spots := row.places(where))}
