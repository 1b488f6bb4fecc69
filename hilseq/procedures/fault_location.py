"""Is it the unit, or the stand? All that the stand can read at this moment, held against each other.

Before a finding is put down to a unit, everything that has a part in it is read once more: the setting of the supply
and its meter, the unit's own register, the terminals with and without load, an output that is not driven, the other
points of the same kind. A model of the bench (analysis.agreement) says which single faults explain all of it. A
fault of the stand that alone explains it is a stand fault; where the unit and the stand explain it alike, nobody is
blamed: the same visit with a known good unit decides. What the model has no part in stays with the unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from statistics import fmean, median

from hilseq.analysis.agreement import Equation, Explanation, Level, agreement, remaining, weigh
from hilseq.analysis.uncertainty import rectangular
from hilseq.description.profile import Indicator, Mode
from hilseq.errors import NotPerformed, StandFault, UnitFault, UnitOrHarness
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured
from hilseq.procedures import margins
from hilseq.procedures.analog import WiredChannel
from hilseq.procedures.bench import Bench
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring
from hilseq.quantities import base_unit
from hilseq.statements import compared

#: Largest error of the supply that a unit reports, where no profile claims any (common practice, no source).
_REPORTED = 0.10
#: How far the drops of the outputs of one unit lie apart, as a share (common practice, no source).
_ALIKE = 0.25
#: A load that is open is this many times as large, at most: what is left is the input of the channel.
_OPEN = 1e4
#: Shares of its range at which an analog output is tried.
_TRIED = (0.1, 0.5, 0.9)
#: How many outputs must be wrong alike before they have one cause.
_SEVERAL = 3
#: The limit of a supply is put so far below and above what it says the unit draws, as a share.
_MARGIN = 0.05
#: At this share of what is read a limit acts for certain, if it acts at all.
_HALF = 0.5
#: Looks at a supply whose limit is being tried.
_LOOKS = 10
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

    def require_unit(self, places: Sequence[str], *, by_current: bool) -> list[str]:
        """Return in words what was weighed before the unit is blamed at these places; `by_current` for a current.

        Raises StandFault where the stand alone explains what is read, UnitOrHarness where both do.
        """
        if not self._unit.supply.is_on:
            return []
        compared()
        asked, not_asked, undecided = list[str](), list[str](), list[UnitOrHarness]()
        for weighing in self._weighings(places, by_current=by_current):
            try:
                asked += weighing()
            except UnitOrHarness as both:
                undecided.append(both)
            except (
                UnitFault,
                NotPerformed,
            ) as reason:  # what the unit does not do here says nothing of the stand
                not_asked.append(str(reason))
        # A place that is the unit's for certain leaves the whole check with it.
        if undecided and not asked:
            raise UnitOrHarness(
                "; ".join(dict.fromkeys(str(each) for each in undecided)),
                places=list(dict.fromkeys(place for each in undecided for place in each.places)),
            )
        return asked + not_asked

    def _weighings(self, places: Sequence[str], *, by_current: bool) -> Iterator[partial[list[str]]]:
        unit, channels = self._unit, self._unit.analog.channels
        live = Mode.LIVE in unit.profile.mode_list()
        measured = [name for name in places if name in unit.outputs.measured]
        if measured and live:
            yield partial(self._outputs, measured)
        for name in places:
            if name in channels and channels[name].is_output and live:
                yield partial(self._analog_output, channels[name])
            if name in unit.inputs.names or (name in unit.outputs.names and live):
                yield partial(self._exchanged, name)
            if name in channels and not channels[name].is_output:
                yield partial(self._exchanged_analog, channels[name])
        if "indicator" in places:
            yield partial(self._lamps)
        if "temperature" in places:
            yield partial(self.thermometers)
        if by_current:
            yield partial(self._ammeter)

    def _decide(
        self,
        what: str,
        equations: Sequence[Equation],
        explanations: Sequence[Explanation],
        *,
        beyond: bool = False,
    ) -> list[str]:
        """Return in words that the unit alone explains it, or that nothing does; nothing where there is nothing wrong.

        `beyond` says that something lies beyond its limit, however well known. Raises StandFault, UnitOrHarness.
        """
        if not beyond and agreement(equations).holds:
            return []
        left = remaining(weigh(equations, explanations))
        words = ", ".join(f"{one.explanation.words} ({one.probability:.0%})" for one in left)
        of_stand = [one.explanation for one in left if one.explanation.of_stand]
        if not of_stand:
            return [f"{what}: {words or 'no single fault explains its readings'}"]
        places = list(dict.fromkeys(place for one in of_stand for place in one.places))
        if len(of_stand) == len(left):
            raise StandFault(f"{what}: only {words} explains its readings", places=places)
        own = [place for one in left if not one.explanation.of_stand for place in one.explanation.places]
        raise UnitOrHarness(f"{what}: {words} explain its readings alike", places=list(dict.fromkeys(own)))

    # -- outputs ---------------------------------------------------------------------------------------

    def _outputs(self, suspects: Sequence[str]) -> list[str]:
        unit, outputs = self._unit, self._unit.outputs
        if unit.modes.reported() is not Mode.LIVE:
            unit.modes.move_to(Mode.LIVE)
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
                asked += self._output(name, source, known, usual=usual, leaves=leaves)
        return asked

    def _output(
        self,
        name: str,
        source: Sequence[Equation],
        seen: Mapping[str, Measured],
        *,
        usual: tuple[float, float],
        leaves: float,
    ) -> list[str]:
        """Weigh one output: on it should lose the `usual` drop, off it should leave as much as the others, V.

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
            equations.append(Equation("zero", zero.value - held * leaves, _above_zero(zero), {}))
        more = {"off": 1.0, "zero": held}
        channel, full = self._unit.outputs.voltmeter(name), on.value + drop
        lowest = 0.0 if off.value <= off.standard_uncertainty else -full
        gain = _told("on", on.value + max(drop, 0.0)) | _told("off", leaves)
        explanations = [
            Explanation(
                (name,), False, f"{name} loses more than the others", _scaled({"on": -1.0}), 0.0, full
            ),
            Explanation((name,), False, f"{name} lets more through when off", _scaled(more), 0.0, full),
            Explanation((channel,), True, f"the gain of the channel {channel}", _scaled(gain), -1.0, 1.0),
            Explanation(
                (channel,),
                True,
                f"the offset of the channel {channel}",
                _scaled({"on": 1.0, "off": 1.0, "zero": 1.0}),
                lowest,
                full,
            ),
            # A channel that shows nothing below zero hides its offset while the output is off.
            Explanation(
                (channel,),
                True,
                f"the offset of the channel {channel}, hidden below 0 V",
                _scaled({"on": -1.0}),
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
        return self._decide(name, equations, explanations)

    def _alike(
        self, names: Sequence[str], limit: float, source: Sequence[Equation], on: Mapping[str, Measured]
    ) -> list[str]:
        """Weigh what makes several outputs lose more than their `limit`, V, alike: one cause, told once."""
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
            Explanation(tuple(names), False, "the stage of the outputs", _scaled(lost), 0.0, full),
            Explanation(("supply",), False, "the power input of the unit", _scaled(behind), 0.0, full),
            Explanation((self._supply,), True, "the wires from the supply", _scaled(behind), 0.0, full),
            Explanation(parts, True, f"the reference of {' or '.join(parts)}", _scaled(lost), 0.0, full),
        ]
        return self._decide(f"{len(names)} outputs alike", equations, explanations, beyond=True)

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
        told = self._unit.link.read(register) * base_unit(register.unit or "V")[1]
        return [Equation("register", told, rectangular(_REPORTED * abs(told)) + 1e-3, {"source": 1.0})]

    def _logic(self, names: Sequence[str]) -> dict[str, Level]:
        """Return what the logic channels of some outputs say, by output, where there are any beside the voltmeters."""
        found = {}
        for name in names:
            signal = self._wiring.sensor_of_bit(name)
            if signal is not None:
                found[name] = Level.ON if self._signals.read(signal) else Level.OFF
        return found

    # -- analog outputs --------------------------------------------------------------------------------

    def _analog_output(self, channel: WiredChannel) -> list[str]:
        """Weigh an analog output by what it gives at three places of its range, and while it is not driven."""
        unit, signal = self._unit, channel.signal
        analog, name = unit.analog, channel.name
        unit.modes.move_to(next(mode for mode in unit.profile.mode_list() if mode is not Mode.LIVE))
        rest = self._signals.measure(signal).in_base_unit()
        unit.modes.move_to(Mode.LIVE)
        middle = channel.scale.at(0.5)
        per_terminal = channel.per_terminal(middle)
        equations = [Equation("rest", rest.value * per_terminal, _above_zero(rest) * per_terminal, {})]
        gain, bend = dict[str, float](), dict[str, float]()
        try:
            for share in _TRIED:
                quantity = channel.scale.at(share)
                analog.set({name: quantity})
                look = analog.look()[name]
                known = math.hypot(look.uncertainty, rectangular(channel.largest_error(look.expected)))
                equations.append(Equation(f"at {share:.0%}", look.error, known, {}))
                # What a channel of the stand multiplies is the voltage or current at its terminal.
                gain[f"at {share:.0%}"] = channel.scale.terminal(quantity) * per_terminal
                bend[f"at {share:.0%}"] = 1.0 - (2.0 * share - 1.0) ** 2
        finally:
            analog.release()
        level, span = dict.fromkeys(gain, 1.0), 2.0 * abs(channel.span)
        hidden = rest.value <= _above_zero(rest)  # a channel that shows nothing below zero hides its offset
        offset = _scaled(level | {"rest": 1.0})
        explanations = [
            Explanation((name,), False, f"the offset of {name}", _scaled(level), -span, span),
            Explanation((name,), False, f"the gain of {name}", _scaled(gain), -1.0, 1.0),
            Explanation((name,), False, f"the line of {name}", _scaled(bend), -span, span),
            Explanation(
                (signal,), True, f"the gain of the channel {signal}, or its wire", _scaled(gain), -1.0, 1.0
            ),
            Explanation((signal,), True, f"the offset of the channel {signal}", offset, 0.0, span),
            Explanation(
                (signal,),
                True,
                f"the offset of the channel {signal}, below zero",
                _scaled(level) if hidden else offset,
                -span,
                0.0,
            ),
        ]
        return self._decide(name, equations, explanations)

    # -- wires that are exchanged ------------------------------------------------------------------------

    def _exchanged(self, name: str) -> list[str]:
        """Look whether a point does exactly what another is told, and that one what it is: wires may be exchanged."""
        unit = self._unit
        points = unit.outputs if name in unit.outputs.names else unit.inputs
        if points is unit.outputs and unit.modes.reported() is not Mode.LIVE:
            unit.modes.move_to(Mode.LIVE)
        try:
            follows = [other for other, is_on in points.drive(name).items() if is_on]
            if len(follows) == 1 and follows != [name]:
                back = [other for other, is_on in points.drive(*follows).items() if is_on]
                if back == [name]:
                    raise UnitOrHarness(
                        f"{name} and {follows[0]} do what the other is told: their wires may be exchanged",
                        places=(name, follows[0]),
                    )
        finally:
            points.command()
        return []

    def _exchanged_analog(self, suspect: WiredChannel) -> list[str]:
        """Look for the same among analog inputs of one kind: all low, then this one high."""
        analog = self._unit.analog
        alike = [
            c for c in analog.channels.values() if not c.is_output and c.point.kind == suspect.point.kind
        ]
        low, high = suspect.scale.at(_TRIED[0]), suspect.scale.at(_TRIED[-1])
        middle = suspect.said(suspect.scale.at(0.5))

        def shows(told: WiredChannel) -> list[str]:
            analog.set({channel.name: high if channel is told else low for channel in alike})
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

    # -- what one channel alone shows ----------------------------------------------------------------------

    def _lamps(self) -> list[str]:
        """Compare the lamps as the stand sees them with what the unit says of its indicator."""
        unit, register = self._unit, self._unit.profile.link.indicator
        seen, lamps = unit.indicator_on_stand(), unit.profile.indicator
        if seen is None or lamps is None or register is None:
            return []
        told = next((s for s, number in register.values.items() if number == unit.link.read(register)), None)
        if told is seen or seen is Indicator.HEALTHY:
            return [f"the unit, too, says that its indicator is {told}"] if told is seen else []
        both_shine = bool(self._signals.read(lamps.healthy)) and seen is Indicator.FAULTED
        if both_shine or told is not Indicator.HEALTHY:
            return []
        raise UnitOrHarness(
            f"the stand sees the indicator {seen}, the unit says {told}: a lamp, or the channel or wire that senses it",
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
                ("temperature",), False, "the thermometer of the unit", _scaled({"unit": 1.0}), -200, 200
            ),
            Explanation(
                (case,), True, f"the offset of the channel {case}", _scaled({"case": 1.0}), -200, 200
            ),
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
                ("temperature",), False, "a unit that came warm", _scaled({"rise": -1.0}), 0.0, 200.0
            )
            explanations.append(warm)
            explanations.append(
                Explanation(
                    (ambient,),
                    True,
                    f"the offset of the channel {ambient}",
                    _scaled({"around": 1.0}),
                    -200,
                    200,
                )
            )
        return self._decide("temperature", equations, explanations)

    # -- the current ---------------------------------------------------------------------------------------

    def _ammeter(self) -> list[str]:
        """Ask the supply's current limit whether the unit draws what the supply's meter says.

        The limit is put just above what is read, where it must not act, then just below, where it must: the unit may
        start anew by that. What it stores then was provoked. A limit that does not act at half of it is no witness. The
        limit and the meter of a supply share a shunt.
        """
        unit = self._unit
        unit.return_to_idle()
        ratings, supply = unit.profile.ratings, unit.supply
        seen = supply.current()
        room = _MARGIN * abs(seen.value) + seen.expanded_uncertainty
        above, below = seen.value + room, seen.value - room
        if below <= room or above >= ratings.current_limit:
            return []
        before = margins.stored(unit)
        words = f"{self._supply} reads {seen.value:.4g} A"
        try:
            if self._is_limited(above):
                raise StandFault(
                    f"{words}, and limits the current when its limit is {above:.4g} A: it reads too little",
                    place=self._supply,
                )
            if not self._is_limited(below):
                if not self._is_limited(_HALF * seen.value):
                    return [f"{words}; its current limit does not act, and says nothing of that"]
                raise StandFault(
                    f"{words}, and does not limit it when its limit is {below:.4g} A: it reads too much",
                    place=self._supply,
                )
        finally:
            supply.instrument.set(supply.level, ratings.current_limit)
            unit.restart()
            margins.provoked(unit, before)
        return [f"{words}, and its current limit says so, too"]

    def _is_limited(self, amperes: float) -> bool:
        """Put the limit to so many A; tell whether the voltage falls while it is watched."""
        supply = self._unit.supply
        supply.instrument.set(supply.level, amperes)
        error = supply.voltage_error()
        for _ in range(_LOOKS):
            self._clock.sleep(max(supply.settle, 0.1))
            if supply.voltage().value < supply.level - 4.0 * error:
                return True
        return False


def thermometers_agree(bench: Bench, unit: Unit) -> None:
    """Raise StandFault when a thermometer of the stand alone explains that those at the unit do not agree.

    What the unit may explain as well is for the check of its own temperature.
    """
    compared()
    with suppress(UnitOrHarness):
        FaultLocation(bench, unit).thermometers()


def _told(name: str, amount: float) -> dict[str, float]:
    return {name: amount}


def _scaled(shape: Mapping[str, float]) -> partial[dict[str, float]]:
    """Return the effect of a fault that is so many times a shape."""
    return partial(_times, shape)


def _times(shape: Mapping[str, float], size: float) -> dict[str, float]:
    return {name: size * amount for name, amount in shape.items()}


def _load(drop: float, leaves: float, held: float, size: float) -> dict[str, float]:
    """Return what a load of exp(size) times does to an output: it loses less when on, and leaves more when off.

    Without power it leaves a share `held` of that.
    """
    times = math.exp(size)
    more = leaves * (times - 1.0)
    return {"on": drop * (1.0 - 1.0 / times), "off": more, "zero": held * more}


def _above_zero(measured: Measured) -> float:
    return max(measured.standard_uncertainty, 1e-9)
