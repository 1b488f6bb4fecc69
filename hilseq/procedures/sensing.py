"""The stand's own channels at a powered unit: each shows its own output, and no constant more or less.

Where two channels sense one output they must agree on it, whatever the others do: a channel that is wired to another
output is found so. Over several supply voltages what an output gives is in proportion to its supply; a channel with an
offset is not, and the other outputs tell it from what all of them have in common. What a stand has no second way to
know is said, and not claimed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from statistics import median

from hilseq.analysis.patterns import shortest_complete
from hilseq.analysis.uncertainty import largest_error
from hilseq.clock import Clock
from hilseq.description.findings import listed
from hilseq.description.profile import Mode
from hilseq.errors import NotPerformed, UnitFault, UnitOrHarness
from hilseq.measured import Measured
from hilseq.procedures.bench import Bench
from hilseq.procedures.feeder import FeederCheck
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring, contradiction
from hilseq.statements import compared

#: How many supply voltages, and how many outputs, tell an offset.
_LEVELS, _OUTPUTS = 3, 3


def channels_agree(bench: Bench, unit: Unit) -> str:
    """Hold the channels of outputs that are sensed twice against each other, by patterns that tell the outputs apart.

    Return what was compared, in words; empty for a unit that is not live, or no output of which is sensed twice. Raises
    StandFault where two channels of one output contradict each other.
    """
    compared()
    wiring, rated = SlotWiring(bench.stand, unit.slot), unit.profile.ratings.supply
    twice = {name: sensors for name in unit.outputs.names if len(sensors := wiring.sensors(name, rated)) > 1}
    if not twice or Mode.LIVE not in unit.profile.mode_list():
        return ""
    names = [sensor.name for sensors in twice.values() for sensor in sensors]
    # A unit that does not go live is no witness for or against the stand.
    with suppress(UnitFault, NotPerformed):
        unit.modes.move_to(Mode.LIVE)
        vectors = shortest_complete(len(unit.outputs.names))
        for vector in vectors:
            unit.outputs.drive(*(n for n, is_on in zip(unit.outputs.names, vector, strict=True) if is_on))
            seen = bench.signals.fresh(names)
            for terminal, sensors in twice.items():
                fault = contradiction(terminal, sensors, seen, bench.signals.uncertainty)
                if fault is not None:
                    raise fault
        return f"{len(twice)} outputs are sensed twice, and both channels agree in {len(vectors)} patterns"
    return ""


def say_what_is_untested(bench: Bench, unit: Unit) -> None:
    """Note which errors of the stand's own channels at this unit nothing on the stand would show."""
    wiring, signals = SlotWiring(bench.stand, unit.slot), bench.signals.signals
    once = [n for n in unit.outputs.names if len(wiring.sensors(n, unit.profile.ratings.supply)) == 1]
    if once:
        unit.not_judged(f"the channels of {listed(once)}", "nothing else senses these outputs")
    switched = [n for n in unit.inputs.names if not wiring.drives_with_a_voltage(n)]
    if switched:
        unit.not_judged(f"the thresholds of {listed(switched)}", "the stand only switches these inputs")
    loaded = [n for n in unit.outputs.measured if wiring.load(n) is not None]
    if loaded:
        unit.not_judged(
            f"the loads of {listed(loaded)}", "the stand file states them, and nothing measures them"
        )
    if unit.profile.margins is not None:
        follows = f"how fast supply {unit.supply.instrument.name} follows, by which an interruption is as long as it is"
        unit.not_judged(follows, "the stand file states it, and nothing measures it")
    measured = [c.signal for c in unit.analog.channels.values() if c.is_output]
    if measured:
        unit.not_judged(f"the gain of the channels {', '.join(measured)}", "nothing else measures there")
    hidden = [name for name in measured if signals[name].range[0] >= 0.0]
    if hidden:
        unit.not_judged(
            f"an offset below zero of the channels {', '.join(hidden)}", "they show nothing below zero"
        )
    unstated = [
        name
        for name, signal in signals.items()
        if (signal.senses or signal.drives or "").startswith(f"{unit.slot}.")
        and not signal.is_bit
        and signal.accuracy is None
    ]
    if unstated:
        why = "the stand file states no `accuracy`, and their readings are judged as if they were exact"
        unit.not_judged(f"how exact {listed(unstated)} are", why)
    looped = {loop.drive for loop in bench.stand.loopbacks.values()}
    driven = [c.signal for c in unit.analog.channels.values() if not c.is_output and c.signal not in looped]
    if driven:
        unit.not_judged(f"what the drives {', '.join(driven)} really give", "no loop-back reads them")


def ammeter_agrees(unit: Unit, clock: Clock) -> list[str]:
    """Hold what the supply reads of a ready unit's current against its current limit; return what was seen, in words.

    The unit starts anew by it. Raises StandFault where the two contradict each other.
    """
    compared()
    return FeederCheck(unit, clock).meter()


def fail_on_offsets(unit: Unit) -> None:
    """Raise UnitOrHarness for outputs that give a constant more or less at every supply voltage than the others do."""
    levels = unit.baseline.levels
    if len(levels) < _LEVELS:
        return
    compared()
    names = [name for name in unit.outputs.measured if all(name in volts for _, volts in levels)]
    if len(names) < _OUTPUTS:
        return
    offsets = {name: _offset(levels, name) for name in names}
    common = median(offsets.values())
    bound = _bound(levels, names[0])
    wrong = {name: found - common for name, found in offsets.items() if abs(found - common) > bound}
    if wrong:
        words = ", ".join(f"{name} by {volts:+.2g} V" for name, volts in wrong.items())
        channels = ", ".join(unit.outputs.voltmeter(name) for name in wrong)
        raise UnitOrHarness(
            f"At every supply voltage these outputs differ from the others by as much ({words}): "
            f"the offset of the channel {channels}, or an output that loses a constant voltage",
            places=list(wrong),
        )


def _offset(levels: Sequence[tuple[Measured, Mapping[str, Measured]]], name: str) -> float:
    """Return where the straight line through an output's voltage over that of its supply meets zero, V."""
    xs = [supply.value for supply, _ in levels]
    ys = [volts[name].value for _, volts in levels]
    x, y = sum(xs) / len(xs), sum(ys) / len(ys)
    spread = sum((each - x) ** 2 for each in xs)
    return y - x * sum((a - x) * (b - y) for a, b in zip(xs, ys, strict=True)) / spread


def _bound(levels: Sequence[tuple[Measured, Mapping[str, Measured]]], name: str) -> float:
    """Return how far from zero a line may end through readings that are wrong by all that they may be, V.

    Wrong one way at the lowest supply and the other way at the highest.
    """
    ordered = sorted(levels, key=lambda level: level[0].value)
    (low, at_low), (high, at_high) = ordered[0], ordered[-1]
    errors = [largest_error(at[name].standard_uncertainty) for at in (at_low, at_high)]
    return (errors[0] * high.value + errors[1] * low.value) / (high.value - low.value)
