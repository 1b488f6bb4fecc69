"""What the kinds of the catalogue change in the model; severity 0..1 is turned into physics here.

Graded kinds reach the profile's limit at severity 0.5 unless the catalogue says otherwise, and lie as far
beyond it at 1 as a good unit lies inside.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, MutableMapping
from typing import Any

from hilseq.description.accuracy import calibrated_parts
from hilseq_sim.defects.change import Add, Change, Count, Scale, Spot
from hilseq_sim.world.analog import AnalogChannel
from hilseq_sim.world.draw import ride_through, worst_power
from hilseq_sim.world.heat import COVER, NEIGHBOUR_POWER, NEIGHBOUR_RESISTANCE
from hilseq_sim.world.operation import position_of
from hilseq_sim.world.points import BANDS, RATED
from hilseq_sim.world.supply import SupplyModel

#: Ohm of a shorted input.
_SHORT = 1.5
#: Share of the rated voltage that the worst leaking output leaves at its terminal.
_LEAKS_TO = 0.6


Effect = Callable[[Spot], list[Change]]
#: Finds a part from a Spot; the type checker meets these tables before it knows the world.
Part = Callable[[Any], object]
Amount = Callable[[Spot], float]


def part(of: Part) -> Callable[..., Effect]:
    """Return what makes effects on a part: adds 1, or an amount, to attributes of it; nothing where it is not there."""

    def adds(*attributes: str, amount: Amount = lambda _: 1) -> Effect:
        def effect(spot: Spot) -> list[Change]:
            found = of(spot)
            return [] if found is None else [Add(found, name, amount(spot)) for name in attributes]

        return effect

    return adds


def counts(table: Callable[[Spot], MutableMapping[Any, int]], key: Callable[[Spot], Hashable]) -> Effect:
    """Return the effect that counts up one entry of a table."""
    return lambda spot: [Count(table(spot), key(spot))]


def graded(most: float) -> Amount:
    """Return an amount that is `most` at severity 1, and less with the severity."""
    return lambda spot: most * spot.severity


def channel_of(spot: Spot) -> AnalogChannel:
    """Return the analog channel of a spot."""
    return spot.unit.analog_inputs.get(spot.place) or spot.unit.analog_outputs[spot.place]


def supply_of(spot: Spot) -> SupplyModel:
    """Return the supply of a spot at the stand's `supply NAME`."""
    return spot.world.supply_models[spot.place.removeprefix("supply ")]


def deadline_twice(spot: Spot) -> float:
    """Return twice the deadline of an instrument or of the unit's link, with the cube of the severity."""
    sort, _, name = spot.place.partition(" ")
    stand = spot.world.stand
    if sort == "link":
        deadline = stand.slots[spot.slot].link.deadline
    else:
        deadline = stand.supplies[name].deadline if sort == "supply" else stand.io[name].deadline
    return 2.0 * deadline * spot.severity**3


in_unit = part(lambda spot: spot.unit)
in_start = part(lambda spot: spot.unit.start)
in_memory = part(lambda spot: spot.unit.memory)
in_modes = part(lambda spot: spot.unit.modes)
in_outputs = part(lambda spot: spot.unit.outputs)
in_clock = part(lambda spot: spot.unit.clock)
in_battery = part(lambda spot: spot.unit.battery)
in_heat = part(lambda spot: spot.unit.heat)
output = part(lambda spot: spot.unit.outputs.outputs[spot.place])
input_ = part(lambda spot: spot.unit.inputs.inputs[spot.place])
analog = part(channel_of)
port = part(lambda spot: spot.world.port_models[spot.slot, spot.place])
link = part(lambda spot: spot.world.connections[f"link {spot.slot}"])
connection = part(lambda spot: spot.world.connections[spot.place])
channel = part(lambda spot: spot.world.wiring.channels[spot.place])
supply = part(supply_of)
rack = part(lambda spot: spot.world.wiring.io[spot.place.removeprefix("io ")])


# -- power -------------------------------------------------------------------------------------------


def idle_current_high(spot: Spot) -> list[Change]:
    """Add a load, at severity 0.5 as large as the room left in the idle current."""
    unit = spot.unit
    volts, limits = unit.profile.ratings.supply, unit.profile.start.idle_current
    return [Add(unit, "extra_idle_power", spot.twice(volts * limits.high - unit.parts.idle_power))]


def idle_current_low(spot: Spot) -> list[Change]:
    """Take off load, at severity 0.5 as much as the idle current may lack."""
    unit = spot.unit
    volts, limits = unit.profile.ratings.supply, unit.profile.start.idle_current
    return [Add(unit, "extra_idle_power", -spot.twice(unit.parts.idle_power - volts * limits.low))]


def live_current_high(spot: Spot) -> list[Change]:
    """Add a load in live mode, at severity 0.5 as large as the room left in the live current."""
    unit, limits = spot.unit, spot.unit.profile.start.live_current
    if limits is None:
        return []
    live = unit.parts.idle_power + unit.parts.live_power
    return [Add(unit, "extra_live_power", spot.twice(unit.profile.ratings.supply * limits.high - live))]


def input_shorted(spot: Spot) -> list[Change]:
    """Put 1.5 Ohm across the input."""
    supply = spot.world.stand.slots[spot.slot].supply
    return [Add(spot.world.supply_models[supply], "shunt_siemens", 1.0 / _SHORT)]


def hold_up_short(spot: Spot) -> list[Change]:
    """Dry out the input capacitor, down to 30 % of what the ride-through needs at best."""
    unit = spot.unit
    volts, parts = unit.profile.ratings.supply, unit.parts
    needed = 2.0 * parts.idle_power * ride_through(unit.profile) / (volts**2 - parts.stop_below**2)
    return [Scale(unit.input, "capacitance", (0.3 * needed / parts.capacitance) ** spot.severity)]


def start_threshold_high(spot: Spot) -> list[Change]:
    """Let the lockout release too late; at the lower end of the supply range at severity 0.5."""
    unit = spot.unit
    gap = unit.profile.ratings.supply_range.low - unit.parts.start_above
    return [Add(unit.input, "start_above", spot.twice(gap))]


def stop_threshold_high(spot: Spot) -> list[Change]:
    """Let the lockout act too early; at the lower end of the supply range at severity 0.5."""
    unit, parts = spot.unit, spot.unit.parts
    extra = spot.twice(unit.profile.ratings.supply_range.low - parts.stop_below)
    above = max(0.0, parts.stop_below + extra + 0.3 - parts.start_above)
    return [Add(unit.input, "stop_below", extra), Add(unit.input, "start_above", above)]


def input_resistance_high(spot: Spot) -> list[Change]:
    """Burn a contact in the input, up to 1.2 times what passes the idle power at the lower supply."""
    unit = spot.unit
    most = unit.profile.ratings.supply_range.low**2 / (4.0 * unit.parts.idle_power)
    return [Add(unit.input, "resistance", 1.2 * spot.severity * most)]


# -- start and self-test -----------------------------------------------------------------------------


def slow_start(spot: Spot) -> list[Change]:
    """Lengthen the boot by the room left in the time to ready."""
    unit, start = spot.unit, spot.unit.start
    room = unit.profile.start.ready_within - start.boot - start.self_test
    return [Add(start, "boot", spot.twice(room))]


# -- identity, memory, stored faults -----------------------------------------------------------------


def configuration_bit(spot: Spot) -> list[Change]:
    """Read one bit of one word wrong; the word is drawn from the seed unless reported."""
    unit = spot.unit
    if unit.memory is None or unit.profile.configuration is None:
        return []
    length = len(unit.profile.configuration.content)
    word = spot.parameters.get("word")
    index = int(word, 0) % length if word else spot.world.streams.of(spot.slot, "stuck bit").randrange(length)
    return [Count(unit.memory.stuck, index)]


def fault_returns(spot: Spot) -> list[Change]:
    """Let a fault persist: stored at each start, and again after each clearing."""
    unit = spot.unit
    if unit.profile.faults is None:
        return []
    known = unit.profile.faults.codes
    codes = sorted(code for code, meant in known.items() if not meant.routine) or [1]
    asked = spot.parameters.get("code")
    code = int(asked, 0) if asked else spot.world.streams.of(spot.slot, "fault returns").choice(codes)
    return [Count(unit.persisting, code)]


def faults_not_cleared(spot: Spot) -> list[Change]:
    """Let clearing do nothing, and put something there to clear."""
    unit = spot.unit
    return [Add(unit.faults, "deaf"), *fault_returns(spot)] if unit.faults is not None else []


# -- modes -------------------------------------------------------------------------------------------


def mode_contact_open(spot: Spot) -> list[Change]:
    """Hold the contact of one position open."""
    switch = spot.unit.switch
    position = position_of(spot.unit.profile.modes, spot.place)
    return [Count(switch.open, position)] if position is not None else []


def mode_change_slow(spot: Spot) -> list[Change]:
    """Every change takes longer by the room left in its time."""
    modes = spot.unit.modes
    return [Add(modes, "change_time", spot.twice(spot.unit.profile.modes.change_within - modes.change_time))]


# -- points ------------------------------------------------------------------------------------------


def output_weak(spot: Spot) -> list[Change]:
    """Raise the on-resistance; the drop at rated current is the profile's limit at severity 0.5."""
    model, point = spot.unit.outputs.outputs[spot.place], spot.unit.profile.points.outputs[spot.place]
    if not point.voltage_drop or not point.rated_current:
        return []
    return [Add(model, "resistance", spot.twice(point.voltage_drop / point.rated_current - model.resistance))]


def output_leaky(spot: Spot) -> list[Change]:
    """Raise the leakage from the profile's limit (severity 0.05) to 60 % of the supply at the terminal."""
    model, point = spot.unit.outputs.outputs[spot.place], spot.unit.profile.points.outputs[spot.place]
    limit = point.leakage or 10.0 * model.leakage
    most = max(10.0, _LEAKS_TO * spot.unit.profile.ratings.supply / model.load / limit)
    leakage = limit * most ** ((spot.severity - 0.05) / 0.95)
    return [Add(model, "leakage", max(0.0, leakage - model.leakage))]


def inputs_joined(spot: Spot) -> list[Change]:
    """Each of two inputs sees the voltage of the other."""
    one, other = spot.places
    return [Count(spot.unit.inputs.sees, (one, other)), Count(spot.unit.inputs.sees, (other, one))]


def input_threshold(spot: Spot) -> list[Change]:
    """Raise the threshold; to the smallest voltage of state 1 at severity 0.5."""
    unit, model = spot.unit, spot.unit.inputs.inputs[spot.place]
    high = BANDS[unit.profile.points.inputs[spot.place].type_][1] * unit.profile.ratings.supply / RATED
    return [Add(model, "threshold", spot.twice(high - model.threshold))]


# -- ports, clock, battery, heat ---------------------------------------------------------------------


def port_bit_errors(spot: Spot) -> list[Change]:
    """Add bit errors, from 0.4 % of the profile's limit over the limit (severity 0.6) to forty times."""
    limit = spot.unit.profile.ports[spot.place].bit_error_ratio or 1e-4
    ratio = limit * 10.0 ** (4.0 * (spot.severity - 0.6))
    return [Add(spot.world.port_models[spot.slot, spot.place], "bit_errors", ratio)]


def clock_drifts(spot: Spot) -> list[Change]:
    """Add a drift of up to four times the profile's limit, in the direction the clock has already."""
    claim, clock = spot.unit.profile.clock, spot.unit.clock
    limit = claim.drift if claim else 100e-6
    return [Add(clock, "drift", spot.severity * 4.0 * limit * (1.0 if clock.drift >= 0.0 else -1.0))]


def battery_low(spot: Spot) -> list[Change]:
    """Age the battery; to the voltage at which it must be replaced at severity 0.5."""
    unit = spot.unit
    if unit.battery is None or unit.profile.battery is None:
        return []
    return [Add(unit.battery, "drop", spot.twice(unit.battery.volts() - unit.profile.battery.lowest))]


def runs_hot(spot: Spot) -> list[Change]:
    """Hinder the escape of heat; live with all outputs on the case settles at its limit at severity 0.5."""
    unit, parts = spot.unit, spot.unit.parts
    if unit.profile.highest_case is None:
        return []
    others = sum(name != "empty" for name in spot.world.stand.slots[spot.slot].neighbours.values())
    warm = COVER * NEIGHBOUR_POWER * NEIGHBOUR_RESISTANCE * others
    power = worst_power(unit.profile, parts.idle_power, parts.live_power, parts.power_per_output)
    most = (unit.profile.highest_case - spot.world.ambient - warm) / (COVER * power)
    return [Add(unit.heat, "resistance", spot.twice(most - unit.heat.resistance))]


# -- connections and the stand's own -----------------------------------------------------------------


def wrong_instrument(spot: Spot) -> list[Change]:
    """Put another model in the place of the instrument."""
    sort, _, name = spot.place.partition(" ")
    part = spot.world.supply_models[name] if sort == "supply" else spot.world.wiring.io[name]
    return [Add(part, "wrong_identity")]


def calibration_expired(spot: Spot) -> list[Change]:
    """Let the stand stand until its calibration runs out at severity 0.5, thirty days longer at 1."""
    due = next(
        part.calibration.due
        for part in calibrated_parts(spot.world.stand)
        if part.calibration is not None and part.part == spot.place
    )
    left = (due - spot.world.date.date()).days
    return [Add(spot.world, "days_later", left + round(60.0 * (spot.severity - 0.5)))]


def supply_trips_early(spot: Spot) -> list[Change]:
    """Let the over-voltage protection act at 90 % of the rated supply."""
    model = supply_of(spot)
    description = spot.world.stand.supplies[model.name]
    level = description.overvoltage or spot.unit.profile.ratings.absolute_maximum
    wanted = 0.9 * spot.unit.profile.ratings.supply
    return [Add(model, "trips_early", max(0.0, max(level, description.ceilings.voltage * 1.1) - wanted))]


#: Later answers behind which a copy comes at severity 1.
_FAR_BEHIND = 1000


def io_answers_twice(spot: Spot) -> list[Change]:
    """Let every answer come once more: right behind itself at severity 0, a thousand answers later at 1.

    Counted in answers and not in seconds, so that a slow computer draws the same.
    """
    connection = spot.world.connections[spot.place]
    behind = round(_FAR_BEHIND**spot.severity) - 1
    return [Add(connection, "twice"), Add(connection, "twice_behind", behind)]
