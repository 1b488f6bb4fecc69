"""Is it the unit, or the stand? All that the stand can read at this moment, compared with each other.

Before a finding is blamed on a unit, everything that has a part in it is read once more: the setting of the supply
and its meter, the unit's own register, the terminals with and without load, an output that is not driven, the other
points of the same kind. A model of the bench (analysis.agreement) says which single faults explain all of it. A
fault of the stand that alone explains it is a stand fault; where the unit and the stand explain it alike, nobody is
blamed: the same visit with a known good unit decides. What the model has no part in stays with the unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from statistics import fmean, median

from hilseq.analysis.agreement import Equation, Explanation, Level
from hilseq.analysis.limits import Limits
from hilseq.analysis.patterns import shortest_complete
from hilseq.analysis.uncertainty import expanded, rectangular
from hilseq.description.accuracy import REPORTED_SUPPLY
from hilseq.description.profile import Indicator, Mode
from hilseq.errors import NotPerformed, StandFault, UnitFault, UnitOrHarness
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured
from hilseq.procedures import margins
from hilseq.procedures.analog import Comparison, WiredChannel
from hilseq.procedures.bench import ANOTHER, Bench, answers_at
from hilseq.procedures.feeder import FeederCheck
from hilseq.procedures.points import Inputs, Outputs
from hilseq.procedures.unit import Unit
from hilseq.procedures.weighing import above_zero, decide_side, scaled
from hilseq.procedures.wiring import SlotWiring
from hilseq.quantities import base_unit
from hilseq.statements import compared

#: How far the drops of the outputs of one unit lie apart, as a share (common practice, no source).
_ALIKE = 0.25
#: A load that is open is this many times as large, at most: what is left is the input of the channel.
_OPEN = 1e4
#: Shares of its range at which an analog output is tried.
_TRIED = (0.1, 0.5, 0.9)
#: Places of the profile that what feeds the unit may be behind.
FED = frozenset({"supply", "start"})
#: An output that goes off by itself so soon after its command, s, is overloaded; and the pause between two looks.
_TRIPS, _LOOK = 0.5, 0.02
#: For how long two channels are watched for a change of one output, s.
_LATEST = 1.0
#: How far from straight a good analog channel is, as a share of its largest error (common practice, no source).
_STRAIGHT = 0.1
#: How many outputs must be wrong alike before they have one cause.
_SEVERAL = 3
#: What is left of a leakage without power, at most: capacitors hold the unit's voltage for a while.
_HELD = 0.8
#: A unit that has just been given power is warmer than its surroundings by this much at most, K, and later by this.
_COLD, _WARM = 5.0, 40.0
#: For how long it counts as just powered, s.
_JUST = 600.0


class FaultLocation:
    """Tells the faults of one unit from those of its stand. It moves the unit; idle again is for the caller."""

    def __init__(self, bench: Bench, unit: Unit) -> None:
        self._unit = unit
        self._clock = bench.clock
        self._stand = bench.stand
        self._signals: SignalBank = bench.signals
        self._wiring = SlotWiring(bench.stand, unit.slot)
        self._supply = f"supply {unit.supply.instrument.name}"
        self._feeder = FeederCheck(unit, bench.clock)
        #: What was looked at and decides nothing.
        self._beside: list[str] = []

    def require_unit(self, places: Sequence[str], currents: Sequence[tuple[float, Limits]] = ()) -> list[str]:
        """Return in words what was weighed before the unit is blamed at these places.

        `currents` are readings of what it draws that lie outside their limits, A. Raises StandFault where the stand
        alone explains what is read, UnitOrHarness where both do.
        """
        if not self._unit.supply.is_on:
            return []
        compared()
        asked, not_asked, undecided = list[str](), list[str](), list[UnitOrHarness]()
        for weighing in self._weighings(places, currents):
            try:
                asked += weighing()
            except UnitOrHarness as both:
                undecided.append(both)
            # What the unit does not do here says nothing of the stand.
            except (UnitFault, NotPerformed) as reason:
                not_asked.append(str(reason))
        said = list(dict.fromkeys(str(each) for each in undecided))
        explained = list(dict.fromkeys(place for each in undecided for place in each.places))
        # A place that is the unit's for certain, or that no fault of the stand explains, leaves the whole check with
        # it; what feeds the unit, and its modes as a whole, are places beside the one that is explained.
        left = set(places) - set(explained) - FED - {"modes"}
        if undecided and not asked and not left:
            raise UnitOrHarness("; ".join(said), places=explained)
        return asked + said + not_asked + self._beside

    def _weighings(
        self, places: Sequence[str], currents: Sequence[tuple[float, Limits]]
    ) -> Iterator[Callable[[], list[str]]]:
        unit = self._unit
        fed = FED & set(places)
        outputs = [name for name in places if name in unit.outputs.names] if self._goes_live else []
        if fed and not currents:
            yield self._feeder.any_current
        if outputs:
            yield self._another_answers
            yield partial(self._overloaded, outputs)
        if measured := [name for name in outputs if name in unit.outputs.measured]:
            yield partial(self._outputs, measured)
        inputs = self._analog_inputs()
        if suspects := [channel for channel in inputs if channel.name in places]:
            yield partial(self._scaled_otherwise, suspects[0])
            yield partial(self._reference, inputs)
        for name in places:
            yield from self._of_place(name)
        for seen, limits in currents:
            yield partial(self._feeder.current, seen, limits)
        if fed and not currents:
            yield partial(self._along_the_feeder)

    @property
    def _goes_live(self) -> bool:
        return Mode.LIVE in self._unit.profile.mode_list()

    def _of_place(self, name: str) -> Iterator[Callable[[], list[str]]]:
        """Yield what is weighed of one place alone."""
        unit, channel = self._unit, self._unit.analog.channels.get(name)
        if channel is not None and not channel.is_output:
            yield partial(self._exchanged_analog, channel)
        elif channel is not None and self._goes_live:
            yield partial(self._analog_output, channel)
        if name in unit.inputs.names or (name in unit.outputs.names and self._goes_live):
            yield partial(self._exchanged, name)
        if name == "modes" or name.startswith("mode "):
            yield partial(self._exchanged_contacts)
        if name in unit.ports.names:
            yield partial(self._cable, name)
        if name == "indicator":
            yield partial(self._lamps)
        if name == "temperature":
            yield partial(self.thermometers)

    # -- power -----------------------------------------------------------------------------------------

    def _along_the_feeder(self) -> list[str]:
        """Look for a resistance on the way to the unit; that there is none acquits only the feeder."""
        self._beside += self._feeder.voltage()
        return []

    # -- outputs ---------------------------------------------------------------------------------------

    def _outputs(self, suspects: Sequence[str]) -> list[str]:
        unit, outputs = self._unit, self._unit.outputs
        unit.modes.ensure(Mode.LIVE)
        for name in suspects:
            self._require_seen_alike(name)
        try:
            outputs.drive(*outputs.names)
            on, meter, register = outputs.volts(), unit.supply.voltage(), self._register()
            logic = self._logic(suspects)
        finally:
            outputs.command()
        self._clock.sleep(outputs.settle)
        off, logic_off = outputs.volts(), self._logic(suspects)
        leaves = max(median(volts.value for volts in off.values()), 0.0)
        more = [n for n in suspects if off[n].value - leaves > 2.0 * off[n].expanded_uncertainty]
        zero = self._without_power(more)
        source = self._source(meter)
        drops = {name: meter.value - volts.value for name, volts in on.items()}
        most = {n: limit.high for n in on if (limit := unit.limits.output(n).drop) and limit.high is not None}
        over = [name for name, limit in most.items() if drops[name] > limit]
        if len(over) >= _SEVERAL and 2 * len(over) > len(on):
            return self._alike(over, max(most.values()), [*source, *register], on)
        through = [name for name, volts in off.items() if self._lets_through(name, volts)]
        if len(through) >= _SEVERAL and 2 * len(through) > len(off):
            raise UnitOrHarness(
                f"{len(through)} outputs alike let more through than they may: their loads, or what these return "
                "through, may be open, or the stage of the outputs leaks",
                places=through,
            )
        asked = []
        for name in suspects:
            if logic.get(name) is Level.OFF or logic_off.get(name) is Level.ON:
                asked.append(f"{name}: two channels see it alike")
                continue
            others = [other for other in on if other not in suspects] or [o for o in on if o != name]
            usual = (0.5 * most[name], 0.25 * most[name]) if name in most else None
            if len(others) >= _SEVERAL:
                typical = median(drops[other] for other in others)
                usual = (typical, max(_ALIKE * abs(typical), 2.0 * on[name].standard_uncertainty))
            if usual is not None:
                known = {"on": on[name], "off": off[name]}
                if name in zero:
                    known["zero"] = zero[name]
                beyond = name in most and drops[name] > most[name]
                asked += self._output(name, source, known, usual=usual, leaves=leaves, beyond=beyond)
        return asked

    def _require_seen_alike(self, name: str) -> None:
        """Raise UnitOrHarness for an output that its channels see change at different times: one of them is late.

        Or it rises slowly, through the level of one channel long before that of the other.
        """
        outputs, sensors = self._unit.outputs, self._wiring.sensors(name, self._unit.profile.ratings.supply)
        signals = [sensor.name for sensor in sensors]
        apart = outputs.settle + self._signals.lag(signals)
        for level in (True, False):
            outputs.command(*([name] if level else []))
            begun, found = self._clock.now(), dict[str, float]()
            while len(found) < len(sensors) and self._clock.now() - begun < _LATEST:
                seen = self._signals.snapshot(signals)
                on = {sensor.name for sensor in sensors if sensor.band.counts_as_on(seen[sensor.name])}
                took = self._clock.now() - begun
                found |= {one: took for one in signals if one not in found and (one in on) is level}
                self._clock.sleep(_LOOK)
            late = max(found, key=found.__getitem__, default="")
            if len(found) == len(sensors) and found[late] - min(found.values()) > apart:
                words = ", ".join(f"{one} after {1e3 * took:.0f} ms" for one, took in found.items())
                raise UnitOrHarness(
                    f"{name} is seen to go {'on' if level else 'off'} by {words}: the channel {late} is late, or the "
                    "output changes slowly",
                    places=(name,),
                )

    def _output(
        self,
        name: str,
        source: Sequence[Equation],
        seen: Mapping[str, Measured],
        *,
        usual: tuple[float, float],
        leaves: float,
        beyond: bool,
    ) -> list[str]:
        """Weigh one output: on it should lose the `usual` drop, off it should leave as much as the others, V.

        `beyond` says that it loses more than it may, whatever is usual.

        `seen` is its voltage on, off and, where it was looked at, without power ("zero"): what leaks falls with the
        supply (its capacitors hold some of it), an offset of the channel stays as it is.
        """
        on, off, zero = seen["on"], seen["off"], seen.get("zero")
        drop, apart = usual
        known = math.hypot(off.standard_uncertainty, max(_ALIKE * leaves, off.standard_uncertainty))
        equations = [
            *source,
            Equation("on", on.value, on.standard_uncertainty, {"source": 1.0, "drop": -1.0}),
            Equation("usual drop", drop, apart, {"drop": 1.0}),
            Equation("off", off.value - leaves, known, {}),
        ]
        held = 0.0
        if zero is not None:
            held = min(max(zero.value / off.value, 0.0), _HELD)
            equations.append(Equation("zero", zero.value - held * leaves, above_zero(zero), {}))
        more = {"off": 1.0, "zero": held}
        channel, full = self._unit.outputs.voltmeter(name), on.value + drop
        lowest = 0.0 if off.value <= off.standard_uncertainty else -full
        gain = {"on": on.value + max(drop, 0.0), "off": leaves}
        explanations = [
            Explanation(
                (name,), False, f"{name} loses more than the others", scaled({"on": -1.0}), 0.0, full
            ),
            Explanation((name,), False, f"{name} lets more through when off", scaled(more), 0.0, full),
            Explanation((channel,), True, f"the gain of the channel {channel}", scaled(gain), -1.0, 1.0),
            Explanation(
                (channel,),
                True,
                f"the offset of the channel {channel}",
                scaled({"on": 1.0, "off": 1.0, "zero": 1.0}),
                lowest,
                full,
            ),
            # A channel that shows nothing below zero hides its offset while the output is off.
            Explanation(
                (channel,),
                True,
                f"the offset of the channel {channel}, hidden below 0 V",
                scaled({"on": -1.0}),
                0.0,
                full,
            ),
            Explanation(
                (channel,),
                True,
                f"the load or the wire at {name}",
                partial(_load, drop, max(leaves, off.standard_uncertainty), held),
                -math.log(_OPEN),
                math.log(_OPEN),
            ),
        ]
        return decide_side(name, equations, explanations, beyond=beyond)

    def _another_answers(self) -> list[str]:
        """Look, where no output follows at all, whether somebody else answers at the unit's address."""
        unit, outputs = self._unit, self._unit.outputs
        unit.modes.ensure(Mode.LIVE)
        try:
            outputs.command(*outputs.names)
            self._clock.sleep(outputs.settle + outputs.lag)
            follows = any(outputs.seen().values())
        finally:
            outputs.command()
        if follows:
            return []
        what = f"link of slot {unit.slot}"
        unit.supply.power_off()
        if answers_at(self._stand.slots[unit.slot], unit.profile, what):
            raise StandFault(f"{what}: {ANOTHER}", place=what)
        unit.make_ready()
        return ["no output follows, and nobody answers for the unit while it has no power"]

    def _overloaded(self, suspects: Sequence[str]) -> list[str]:
        """Look whether an output comes on and goes off again by itself: its load or its wire may overload it.

        What the unit stores of that was provoked.
        """
        unit, outputs = self._unit, self._unit.outputs
        before = margins.stored(unit)
        unit.modes.ensure(Mode.LIVE)
        tripped = [name for name in suspects if self._goes_off(name)]
        outputs.command()
        margins.provoked(unit, before)
        if tripped:
            raise UnitOrHarness(
                f"{', '.join(tripped)} comes on and goes off by itself within {_TRIPS:g} s: overloaded by its load or "
                "its wire, or by the unit itself",
                places=tripped,
            )
        return []

    def _goes_off(self, name: str) -> bool:
        outputs = self._unit.outputs
        outputs.command()
        self._clock.sleep(outputs.settle)
        outputs.command(name)
        until, was_on = self._clock.now() + _TRIPS, False
        while self._clock.now() < until:
            is_on = outputs.seen()[name]
            if was_on and not is_on:
                return True
            was_on = was_on or is_on
            self._clock.sleep(_LOOK)
        return False

    def _alike(
        self, names: Sequence[str], limit: float, source: Sequence[Equation], on: Mapping[str, Measured]
    ) -> list[str]:
        """Weigh what makes several outputs lose more than their `limit`, V, alike: one cause, reported once."""
        mean = fmean(on[name].value for name in names)
        known = max(on[name].standard_uncertainty for name in names)
        equations = [
            *source,
            Equation("usual drop", 0.5 * limit, 0.25 * limit, {"drop": 1.0}),
            Equation("on", mean, known, {"source": 1.0, "drop": -1.0}),
        ]
        full = max(volts.value for volts in on.values())
        lost = {"on": -1.0}
        behind = lost | {"register": -1.0}
        signals = [self._signals.signals[self._unit.outputs.voltmeter(name)] for name in names]
        parts = tuple(dict.fromkeys(f"io {signal.io}" for signal in signals))
        explanations = [
            Explanation(tuple(names), False, "the stage of the outputs", scaled(lost), 0.0, full),
            # The outputs are places of it, too: what it explains is explained of each of them.
            Explanation(("supply", *names), False, "the power input of the unit", scaled(behind), 0.0, full),
            Explanation((self._supply,), True, "the wires from the supply", scaled(behind), 0.0, full),
            Explanation(parts, True, f"the reference of {' or '.join(parts)}", scaled(lost), 0.0, full),
        ]
        return decide_side(f"{len(names)} outputs alike", equations, explanations, beyond=True)

    def _lets_through(self, name: str, off: Measured) -> bool:
        """Return whether an output that is off lets more through than it may, by the load that the stand states."""
        load, limits = self._wiring.load(name), self._unit.limits.output(name).leakage
        return load is not None and limits is not None and limits.margin(off.value / load.value) < 0.0

    def _without_power(self, names: Sequence[str]) -> dict[str, Measured]:
        """Return what the voltmeters of some outputs show while the unit has no power: their own offset."""
        if not names:
            return {}
        self._unit.supply.power_off()
        try:
            seen = self._unit.outputs.volts()
        finally:
            self._unit.make_ready()
        return {name: seen[name] for name in names}

    def _source(self, meter: Measured) -> list[Equation]:
        """Return what the supply is set to and what it reads: two equations of the voltage at the unit."""
        supply = self._unit.supply
        set_to = rectangular(max(supply.voltage_error(), 1e-9))
        return [
            Equation("setting", supply.level, set_to, {"source": 1.0}),
            Equation("meter", meter.value, max(meter.standard_uncertainty, 1e-9), {"source": 1.0}),
        ]

    def _register(self) -> list[Equation]:
        register = self._unit.profile.link.supply_voltage
        if register is None:
            return []
        reported = self._unit.link.read(register) * base_unit(register.unit or "V")[1]
        return [
            Equation(
                "register", reported, rectangular(REPORTED_SUPPLY * abs(reported)) + 1e-3, {"source": 1.0}
            )
        ]

    def _logic(self, names: Sequence[str]) -> dict[str, Level]:
        """Return what the logic channels of some outputs say, by output, where there are any beside the voltmeters."""
        found = {}
        for name in names:
            signal = self._wiring.sensor_of_bit(name)
            if signal is not None:
                found[name] = Level.ON if self._signals.read(signal) else Level.OFF
        return found

    # -- analog channels -------------------------------------------------------------------------------

    def _analog_inputs(self) -> list[WiredChannel]:
        return [channel for channel in self._unit.analog.channels.values() if not channel.is_output]

    def _reference(self, channels: Sequence[WiredChannel]) -> list[str]:
        """Look whether all analog inputs are wrong by one share: of the unit's reference, or of that of their drives.

        A read-back of the same I/O does not acquit it.
        """
        if len(channels) < _SEVERAL:
            return []
        analog = self._unit.analog
        high = {channel.name: channel.point.scale.at(_TRIED[-1]) for channel in channels}
        try:
            analog.set(high)
            looks = analog.look()
        finally:
            analog.release()
        shares, apart, beyond = list[float](), list[float](), 0
        for channel in channels:
            look, quantity = looks[channel.name], high[channel.name]
            full = channel.point.scale.terminal(quantity) * channel.point.per_terminal(quantity)
            limit = channel.point.largest_error(look.expected)
            shares.append(look.error / full)
            apart.append(abs((limit + expanded(look.uncertainty)) / full))
            beyond += abs(look.error) > limit
        usual = median(shares)
        alike = all(abs(share - usual) <= most for share, most in zip(shares, apart, strict=True))
        if alike and 2 * beyond > len(channels):
            raise UnitOrHarness(
                f"all {len(channels)} analog inputs are wrong by one share, {100 * usual:+.1f} %: the reference of the "
                "unit, or of what drives them",
                places=[channel.name for channel in channels],
            )
        return []

    def _scaled_otherwise(self, channel: WiredChannel) -> list[str]:
        """Look whether an analog input says what is right by a power of ten."""
        analog = self._unit.analog
        try:
            analog.set({channel.name: channel.point.scale.at(_TRIED[-1])})
            _require_scale(channel, analog.look()[channel.name])
        finally:
            analog.release()
        return []

    def _analog_output(self, channel: WiredChannel) -> list[str]:
        """Weigh an analog output by what it gives at three places of its range, and while it is not driven."""
        unit, signal = self._unit, channel.signal
        analog, name = unit.analog, channel.name
        unit.modes.move_to(next(mode for mode in unit.profile.mode_list() if mode is not Mode.LIVE))
        rest = self._signals.measure(signal).in_base_unit()
        unit.modes.move_to(Mode.LIVE)
        middle = channel.point.scale.at(0.5)
        per_terminal = channel.point.per_terminal(middle)
        # A good channel has an offset and a gain within its accuracy, and is straight.
        own = {"offset": rectangular(channel.point.largest_error(channel.point.said(middle)))}
        own["gain"] = own["offset"] / (
            abs(channel.point.scale.terminal(channel.point.scale.high)) * per_terminal
        )
        equations = [Equation("rest", rest.value * per_terminal, above_zero(rest) * per_terminal, {})]
        equations += [Equation(f"usual {what}", 0.0, known, {what: 1.0}) for what, known in own.items()]
        gain, bend = dict[str, float](), dict[str, float]()
        beyond = False
        try:
            for share in _TRIED:
                quantity = channel.point.scale.at(share)
                analog.set({name: quantity})
                look = analog.look()[name]
                at, limit = f"at {100 * share:.0f} %", channel.point.largest_error(look.expected)
                beyond = beyond or abs(look.error) > limit
                if share == _TRIED[-1]:  # what is stuck at its end is ten times a tenth of it
                    _require_scale(channel, look)
                # What a channel of the stand multiplies is the voltage or current at its terminal.
                gain[at] = channel.point.scale.terminal(quantity) * per_terminal
                terms = {"offset": 1.0, "gain": gain[at]}
                known = math.hypot(look.uncertainty, _STRAIGHT * limit)
                equations.append(Equation(at, look.error, known, terms))
                bend[at] = 1.0 - (2.0 * share - 1.0) ** 2
        finally:
            analog.release()
        level, span = dict.fromkeys(gain, 1.0), 2.0 * abs(channel.point.span)
        hidden = rest.value <= above_zero(rest)  # a channel that shows nothing below zero hides its offset
        offset = scaled(level | {"rest": 1.0})
        explanations = [
            Explanation((name,), False, f"the offset of {name}", scaled(level), -span, span),
            Explanation((name,), False, f"the gain of {name}", scaled(gain), -1.0, 1.0),
            Explanation((name,), False, f"the line of {name}", scaled(bend), -span, span),
            Explanation(
                (signal,), True, f"the gain of the channel {signal}, or its wire", scaled(gain), -1.0, 1.0
            ),
            Explanation((signal,), True, f"the offset of the channel {signal}", offset, 0.0, span),
            Explanation(
                (signal,),
                True,
                f"the offset of the channel {signal}, below zero",
                scaled(level) if hidden else offset,
                -span,
                0.0,
            ),
        ]
        return decide_side(name, equations, explanations, beyond=beyond)

    # -- wires that are exchanged ------------------------------------------------------------------------

    def _exchanged(self, name: str) -> list[str]:
        """Look whether a point does exactly what another is commanded, and not what it is: wires may be exchanged."""
        unit = self._unit
        points = unit.outputs if name in unit.outputs.names else unit.inputs
        if points is unit.outputs:
            unit.modes.ensure(Mode.LIVE)
        try:
            follows = [other for other, is_on in points.drive(name).items() if is_on]
            if len(follows) == 1 and follows != [name]:
                back = [other for other, is_on in points.drive(*follows).items() if is_on]
                if back == [name]:
                    raise UnitOrHarness(
                        f"{name} and {follows[0]} do what the other is commanded: their wires may be exchanged",
                        places=(name, follows[0]),
                    )
                raise UnitOrHarness(
                    f"{follows[0]} does what {name} is commanded, and {name} does not: the wires may be one place "
                    "further on, or the addresses of the profile",
                    places=(name, follows[0]),
                )
            if name not in follows and (leader := self._leader(points, name)):
                raise UnitOrHarness(
                    f"{name} does what {leader} is commanded, and not its own: its wire may be at the other's terminal",
                    places=(name, leader),
                )
        finally:
            points.command()
        return []

    @staticmethod
    def _leader(points: Outputs | Inputs, name: str) -> str:
        """Return the one other point that a point follows whatever else is on; empty where there is none."""
        leaders = set(points.names) - {name}
        for vector in shortest_complete(len(points.names)):
            reported = {other for other, is_on in zip(points.names, vector, strict=True) if is_on}
            is_on = points.drive(*reported)[name]
            leaders &= reported if is_on else leaders - reported
        return leaders.pop() if len(leaders) == 1 else ""

    def _exchanged_contacts(self) -> list[str]:
        """Look whether the contacts of the mode switch only stand for each other's positions."""
        modes = self._unit.modes
        seen = dict[Mode, Mode]()
        try:
            for mode in modes.driven:
                modes.set(mode)
                # It may report the last one for a while.
                self._clock.sleep(self._unit.profile.modes.change_within)
                seen[mode] = modes.reported()
        finally:
            modes.release()
        wrong = {mode: found for mode, found in seen.items() if found is not mode}
        if wrong and set(wrong) == set(wrong.values()):
            words = ", ".join(f"reported {mode} it is {found}" for mode, found in wrong.items())
            raise UnitOrHarness(
                f"the contacts of the mode switch stand for each other's positions ({words}): their wires may be "
                "exchanged",
                places=[f"mode {mode}" for mode in wrong],
            )
        return []

    def _exchanged_analog(self, suspect: WiredChannel) -> list[str]:
        """Look for the same among analog inputs of one kind: all low, then this one high."""
        analog = self._unit.analog
        alike = [
            c for c in analog.channels.values() if not c.is_output and c.point.kind == suspect.point.kind
        ]
        low, high = suspect.point.scale.at(_TRIED[0]), suspect.point.scale.at(_TRIED[-1])
        middle = suspect.point.said(suspect.point.scale.at(0.5))

        def shows(reported: WiredChannel) -> list[str]:
            analog.set({channel.name: high if channel is reported else low for channel in alike})
            looks = analog.look()
            return [channel.name for channel in alike if looks[channel.name].found > middle]

        try:
            follows = shows(suspect)
            if len(follows) == 1 and follows != [suspect.name]:
                other = analog.channels[follows[0]]
                if shows(other) == [suspect.name]:
                    raise UnitOrHarness(
                        f"{suspect.name} and {other.name} say what the other is given: their wires may be exchanged",
                        places=(suspect.name, other.name),
                    )
        finally:
            analog.release()
        return []

    # -- ports -------------------------------------------------------------------------------------------

    def _cable(self, name: str) -> list[str]:
        """Look whether a port that carries nothing, or carries it badly, is the only one: its cable may be behind it.

        One whose frames come through here is not weighed: what it did depends on something else.
        """
        wrong = [other for other in self._unit.ports.names if not self._carries(other)]
        if name not in wrong:
            return []
        if len(wrong) > 1:
            return [f"{' and '.join(wrong)} are wrong alike: no single cable explains them"]
        at = self._unit.described.ports[name]
        way = " and ".join(part for part in (at.adapter, at.cable) if part) or at.resource
        raise UnitOrHarness(
            f"{name} alone carries no frames as it must: the unit, or its way there ({way})",
            places=(name,),
        )

    def _carries(self, name: str) -> bool:
        try:
            self._unit.ports.assert_carries(name)
        except UnitFault:
            return False
        return True

    # -- what one channel alone shows ----------------------------------------------------------------------

    def _lamps(self) -> list[str]:
        """Compare the lamps as the stand sees them with what the unit reports about its indicator."""
        unit, register = self._unit, self._unit.profile.link.indicator
        seen, lamps = unit.indicator_on_stand(), unit.profile.indicator
        if seen is None or lamps is None or register is None:
            return []
        reported = next(
            (s for s, number in register.values.items() if number == unit.link.read(register)), None
        )
        if reported is seen or seen is Indicator.HEALTHY:
            return [f"the unit, too, says that its indicator is {reported}"] if reported is seen else []
        both_shine = bool(self._signals.read(lamps.healthy)) and seen is Indicator.FAULTED
        if both_shine or reported is not Indicator.HEALTHY:
            return []
        raise UnitOrHarness(
            f"the stand sees the indicator {seen}, the unit says {reported}: a lamp, or its channel or wire",
            places=("indicator",),
        )

    def thermometers(self) -> list[str]:
        """Weigh the unit's own temperature, that of its case and that of the surroundings."""
        unit, register = self._unit, self._unit.profile.link.temperature
        case = self._wiring.sensor_of_unit("case", "degC")
        if register is None or case is None:
            return []
        claimed = unit.profile.link.temperature_error or 0.0
        at_case = self._signals.measure(case)
        equations = [
            Equation("unit", unit.link.read(register), rectangular(max(claimed, 1.0)), {"case": 1.0}),
            Equation("case", at_case.value, max(at_case.standard_uncertainty, 0.1), {"case": 1.0}),
        ]
        explanations = [
            Explanation(
                ("temperature",), False, "the thermometer of the unit", scaled({"unit": 1.0}), -200, 200
            ),
            Explanation((case,), True, f"the offset of the channel {case}", scaled({"case": 1.0}), -200, 200),
        ]
        ambient = self._stand.ambient
        if ambient is not None:
            around = self._signals.measure(ambient)
            first = min((start.at for start in unit.starts), default=self._clock.now())
            warmer = _COLD if self._clock.now() - first < _JUST else _WARM
            equations += [
                Equation(
                    "around", around.value, max(around.standard_uncertainty, 0.5), {"case": 1.0, "rise": -1.0}
                ),
                Equation("rise", 0.5 * warmer, rectangular(0.5 * warmer), {"rise": 1.0}),
            ]
            warm = Explanation(
                ("temperature",), False, "a unit that came warm", scaled({"rise": -1.0}), 0.0, 200.0
            )
            explanations.append(warm)
            explanations.append(
                Explanation(
                    (ambient,),
                    True,
                    f"the offset of the channel {ambient}",
                    scaled({"around": 1.0}),
                    -200,
                    200,
                )
            )
        return decide_side("temperature", equations, explanations)


def thermometers_agree(bench: Bench, unit: Unit) -> None:
    """Raise StandFault when a thermometer of the stand alone explains that those at the unit do not agree.

    What the unit may explain as well is for the check of its own temperature.
    """
    compared()
    with suppress(UnitOrHarness):
        FaultLocation(bench, unit).thermometers()


def _require_scale(channel: WiredChannel, look: Comparison) -> None:
    """Raise StandFault where a channel is right but for a power of ten, which the profile's scale makes of it."""
    limit = channel.point.largest_error(look.expected) + 2.0 * look.uncertainty
    if look.found * look.expected <= 0.0 or abs(look.found) <= limit:
        return
    power = 10.0 ** round(math.log10(look.found / look.expected))
    if power != 1.0 and abs(look.found / power - look.expected) <= limit:
        raise StandFault(
            f"{channel.name} is {look.found:.4g} {channel.unit} where {look.expected:.4g} {channel.unit} is right, a "
            f"factor of {power:g}: another `scale` of its register in the profile makes it so",
            place="profile",
        )


def _load(drop: float, leaves: float, held: float, size: float) -> dict[str, float]:
    """Return what a load of exp(size) times does to an output: it loses less when on, and leaves more when off.

    Without power it leaves a share `held` of that.
    """
    times = math.exp(size)
    more = leaves * (times - 1.0)
    return {"on": drop * (1.0 - 1.0 / times), "off": more, "zero": held * more}
