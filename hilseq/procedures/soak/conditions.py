"""What counts as an event in a soak, looked for in every sample.

A condition that comes true is reported once, and again only after it has been well in between. What a sample says
of the stand comes first: a unit whose supply or wiring is wrong is not judged.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from hilseq.analysis.agreement import Holding
from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import rectangular, resolution
from hilseq.description.plans import Sign
from hilseq.description.profile import Indicator, Mode
from hilseq.description.stand import Stand
from hilseq.errors import Interlock, InvalidResponse
from hilseq.journal import samples
from hilseq.journal.run_state import SoakFinding
from hilseq.journal.soak_entries import SoakColumn
from hilseq.procedures.soak import sampler as columns
from hilseq.procedures.soak.extremes import Extremes, LimitedColumn
from hilseq.procedures.soak.sampler import Sample, Sampler
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Sensor, SlotWiring, contradiction

NEW_FAULT = "new fault"
#: What is found -> the plan's word for it, of what a plan may leave uncounted.
SIGNS: Mapping[str, Sign] = {
    "indicator": "indicator",
    "reset": "resets",
    columns.SILENT: "silent link",
    columns.REFUSES: "silent link",
    "output does not follow": "outputs",
    "port silent": "ports",
    "port sends invalid data": "ports",
    "bit errors": "ports",
}


@dataclass(frozen=True, slots=True)
class _Sensor:
    """One signal that senses an output, and its place in a sample."""

    output: str
    index: int
    sensor: Sensor


class SoakConditions:
    """Looks at the samples of one unit. `target` is the mode it must stay in."""

    def __init__(self, unit: Unit, stand: Stand, sampler: Sampler, target: Mode) -> None:
        self._unit = unit
        self._stand = stand
        self._sampler = sampler
        self._target = target
        self._index = {name: number for number, name in enumerate(sampler.columns)}
        profile = unit.profile
        self._equals: list[tuple[int, float]] = []
        self._mode = self._index[samples.MODE]
        self._equals.append((self._mode, float(profile.link.mode.values[target])))
        self._indicator_columns(SlotWiring(stand, unit.slot))
        plan = profile.soak
        reported = plan is not None and "indicator" in plan.ignored_events
        #: What a unit that is well shows.
        self._well = self._equals[:1] if reported else self._equals
        self._counters: dict[str, float] = {}
        #: The decision rule of the profile: it says what is surely outside, and so an event.
        self.rule = profile.decision_rule
        self.case_index = self._case()
        #: What has limits, and how far it has been.
        self.extremes = Extremes(self._limits())
        self._ranges = [
            (
                one.index,
                -math.inf if one.limits.low is None else one.limits.low,
                math.inf if one.limits.high is None else one.limits.high,
            )
            for one in self.extremes.watched
        ]
        self._sensors = self._output_sensors()
        self._sensed = columns.picker([sensor.index for sensor in self._sensors])
        self._levels = [sensor.sensor.band.half for sensor in self._sensors]
        self._wanted: list[bool] = []
        self._on: frozenset[str] = frozenset()
        self._outputs_from = math.inf
        self._interlocks = [
            (self._index[interlock.signal], interlock.safe, name)
            for name, interlock in stand.safety.interlocks.items()
            if interlock.signal in self._index
        ]
        supply = stand.supplies[stand.slots[unit.slot].supply]
        accuracy = supply.accuracy
        voltage_error = accuracy.voltage.limit(profile.ratings.supply, supply.ceilings.voltage)
        current_error = accuracy.current.limit(profile.ratings.current_limit, supply.ceilings.current)
        self._voltage_error = voltage_error
        self._highest = (
            supply.ceilings.voltage + voltage_error,
            min(profile.ratings.current_limit, supply.ceilings.current) + 2 * current_error,
        )
        self._active: dict[tuple[str, str], str] = {}
        self._proven: dict[str, set[bool]] = {}

    # -- what is looked at ---------------------------------------------------------------------------

    def columns(self) -> list[SoakColumn]:
        """Return the columns of a sample with units and limits."""
        units = {samples.VOLTAGE: "V", samples.CURRENT: "A"}
        for name, register in columns.link_registers(self._unit.profile).items():
            units[name] = register.unit
        for name in self._sampler.signals:
            units[name] = self._stand.signals[name].unit
        limits = {one.index: one.limits for one in self.extremes.watched}
        result = []
        for number, name in enumerate(self._sampler.columns):
            limit = limits.get(number)
            low, high = (None, None) if limit is None else (limit.low, limit.high)
            result.append(SoakColumn(name=name, unit=units[name], low=low, high=high))
        return result

    def _indicator_columns(self, wiring: SlotWiring) -> None:
        profile = self._unit.profile
        self._lamps: tuple[int, int] | None = None
        lamps = profile.indicator
        if lamps is not None and lamps.blinks is not None:
            lamps = None
        seen = None if lamps is None else [wiring.sensor_of_bit(t) for t in (lamps.healthy, lamps.faulted)]
        if seen is not None and seen[0] in self._index and seen[1] in self._index:
            self._lamps = (self._index[str(seen[0])], self._index[str(seen[1])])
            self._equals += [(self._lamps[0], 1.0), (self._lamps[1], 0.0)]
        elif profile.link.indicator is not None:
            healthy = profile.link.indicator.values.get(Indicator.HEALTHY)
            if healthy is not None:
                self._equals.append((self._index[samples.INDICATOR], float(healthy)))

    def _case(self) -> int | None:
        """Return the column of the case temperature: the stand's sensor before the unit's own."""
        name = SlotWiring(self._stand, self._unit.slot).sensor_of_unit("case", "degC")
        if name in self._index:
            return self._index[str(name)]
        return self._index.get(samples.TEMPERATURE)

    def _limits(self) -> list[LimitedColumn]:
        profile, plan = self._unit.profile, self._unit.profile.soak
        given = None if plan is None else plan.current
        claimed = given or self._unit.limits.soaked_current(live=self._target is Mode.LIVE)
        of_current = self._unit.supply.instrument.current_uncertainty
        limits = Limits(claimed.low, claimed.high)
        watched = [
            LimitedColumn(
                self._index[samples.CURRENT],
                limits,
                of_current,
                "current",
                "supply",
                "A",
                self._current_scatter,
            )
        ]
        case, highest = self.case_index, profile.highest_case
        if case is not None and highest is not None:
            limits, known = Limits(None, highest), self._case_uncertainty
            watched.append(
                LimitedColumn(
                    case, limits, known, "case temperature", "temperature", "degC", self._case_scatter
                )
            )
        return watched

    def _output_sensors(self) -> list[_Sensor]:
        supply = self._unit.profile.ratings.supply
        wiring = SlotWiring(self._stand, self._unit.slot)
        return [
            _Sensor(output, self._index[sensor.name], sensor)
            for output in self._unit.outputs.names
            for sensor in wiring.sensors(output, supply)
            if sensor.name in self._index
        ]

    # -- what is expected now ------------------------------------------------------------------------

    def expect_outputs(self, on: Collection[str], from_instant: float) -> None:
        """From this instant on exactly these outputs are on."""
        self._on = frozenset(on)
        self._wanted = [sensor.output in self._on for sensor in self._sensors]
        self._outputs_from = from_instant

    @property
    def outputs_unknown(self) -> bool:
        """Return whether nothing is expected of the outputs until they are commanded anew.

        A unit that was silent, out of its mode or reset may have forgotten its commands, and is none the worse.
        """
        return math.isinf(self._outputs_from)

    def restarted(self) -> None:
        """Take the counters of the next sample as they are; what was wrong stays reported."""
        self._counters.clear()
        self._voltage_error = self._unit.supply.voltage_error()

    def resumed_with(self, sample: Sample) -> bool:
        """Return whether the unit does all that it should, apart from its outputs."""
        values = sample.values
        return not sample.silence and all(values[index] == wanted for index, wanted in self._well)

    def case(self, sample: Sample) -> float | None:
        """Return the case temperature of a sample, degC, where it is known."""
        value = math.nan if self.case_index is None else sample.values[self.case_index]
        return None if math.isnan(value) else value

    def _current_scatter(self, value: float) -> float:
        """Return the repeatability that the stand file states of the supply's current, A."""
        described = self._stand.supplies[self._stand.slots[self._unit.slot].supply]
        return described.accuracy.current_repeatability.limit(value, described.ceilings.current)

    def _case_scatter(self, value: float) -> float:
        """Return the repeatability that the stand file states of the case temperature, K."""
        signal = self._stand.signals.get(self._sampler.columns[self.case_index or 0])
        stated = None if signal is None else signal.repeatability_terms()
        return 0.0 if signal is None or stated is None else stated.limit(value, signal.span)

    def _case_uncertainty(self, value: float) -> float:
        """Return the standard uncertainty of a case temperature, K; of the unit's own thermometer, what is claimed."""
        name = "" if self.case_index is None else self._sampler.columns[self.case_index]
        if name in self._stand.signals:
            return self._sampler.bank.uncertainty(name, value)
        link = self._unit.profile.link
        digit = 0.0 if link.temperature is None else link.temperature.step
        return math.hypot(rectangular(link.temperature_error or 0.0), resolution(digit))

    # -- looking -------------------------------------------------------------------------------------

    def check_stand(self, sample: Sample) -> list[SoakFinding]:
        """Raise Interlock for an open interlock or passed ceiling, InvalidResponse for a supply that is wrong.

        InstrumentReset when the supply was without mains or switched itself off: that passes. Return what a unit
        does that makes it switch off.
        """
        values = sample.values
        for index, safe, name in self._interlocks:
            if values[index] != safe:
                interlock = self._stand.safety.interlocks[name]
                raise Interlock(f"interlock {name}: {interlock.meaning}", place=interlock.signal)
        volts, amperes = values[0], values[1]
        name = self._stand.slots[self._unit.slot].supply
        if volts > self._highest[0] or amperes > self._highest[1]:
            raise Interlock(
                f"supply {name} delivers {volts:.4g} V and {amperes:.4g} A, above its ceilings",
                place=f"supply {name}",
            )
        if self._unit.supply.holding(volts, amperes, self._voltage_error) is Holding.WRONG:
            overload = overloads(self._unit)
            if overload:
                return overload
            raise InvalidResponse(
                f"supply {name} was set to {self._unit.supply.level:g} V and delivers {volts:.4g} V at "
                f"{amperes:.3g} A, which no current limit explains",
                place=f"supply {name}",
            )
        return []

    def look(self, sample: Sample) -> list[SoakFinding]:
        """Return what has come true with this sample. Raises InvalidResponse where two sensors disagree."""
        values = sample.values
        if not self._active and not sample.silence:
            for index, wanted in self._equals:
                if values[index] != wanted:
                    break
            else:
                for index, low, high in self._ranges:
                    if not low <= values[index] <= high:
                        break
                else:
                    if self._counters_stand(values) and (
                        sample.at < self._outputs_from or self._outputs_follow(values)
                    ):
                        return []
        return self._looked_closely(sample)

    def _counters_stand(self, values: list[float]) -> bool:
        for name in (samples.FAULTS, samples.STARTS):
            index = self._index.get(name)
            if index is not None and values[index] != self._counters.get(name):
                return False
        return True

    def _outputs_follow(self, values: list[float]) -> bool:
        # `LevelBand.counts_as_on` of all sensors, without a loop: it runs at every sample.
        return list(map(operator.ge, self._sensed(values), self._levels)) == self._wanted

    def _looked_closely(self, sample: Sample) -> list[SoakFinding]:
        bad: dict[tuple[str, str], str] = {}
        if sample.silence:
            self._look_at_link(sample, bad)
        else:
            self._look_at_mode(sample, bad)
        self._look_at_indicator(sample, bad)
        for one in self.extremes.watched:
            value = sample.values[one.index]
            if not math.isnan(value) and one.seen(value).fails(self.rule):
                low, high = ("" if end is None else f"{end:.3g}" for end in (one.limits.low, one.limits.high))
                bad[f"{one.what} outside its limits", one.place] = (
                    f"{one.what} {value:.4g} {one.unit}, limits {low}..{high} {one.unit}"
                )
        found = self._counted(sample)
        if sample.silence or sample.values[self._mode] != self._equals[0][1]:
            self._outputs_from = math.inf
        if sample.at >= self._outputs_from:
            self._look_at_outputs(sample, bad)
        new = [
            SoakFinding(what, place, text)
            for (what, place), text in bad.items()
            if (what, place) not in self._active
        ]
        self._active = {
            key: text for key, text in self._active.items() if key in bad or self._stays(key)
        } | bad
        return [*new, *found]

    def _look_at_link(self, sample: Sample, bad: dict[tuple[str, str], str]) -> None:
        """A link that now says nothing and now invalid data has each wrong once, until it answers as it should."""
        bad[sample.trouble, "link"] = sample.silence
        for what in (columns.SILENT, columns.INVALID, columns.REFUSES):
            if (what, "link") in self._active:
                bad.setdefault((what, "link"), self._active[what, "link"])

    def _look_at_mode(self, sample: Sample, bad: dict[tuple[str, str], str]) -> None:
        raw = sample.values[self._mode]
        if raw == self._equals[0][1]:
            return
        names = {number: mode for mode, number in self._unit.profile.link.mode.values.items()}
        seen = names.get(int(raw)) if raw == int(raw) else None
        reported = seen or f"mode {raw:g}, which the profile does not know"
        words = f"the unit reports {reported}"
        bad[f"left {self._target}", f"mode {self._target}"] = words

    def _look_at_indicator(self, sample: Sample, bad: dict[tuple[str, str], str]) -> None:
        values = sample.values
        if self._lamps is not None:
            healthy, faulted = (values[index] for index in self._lamps)
            if healthy != 1.0 or faulted != 0.0:
                seen = Indicator.FAULTED if faulted else Indicator.DARK
                bad["indicator", "indicator"] = f"the indicator is {seen}"
        elif (
            len(self._equals) > 1 and not sample.silence and values[self._equals[1][0]] != self._equals[1][1]
        ):
            bad["indicator", "indicator"] = f"the unit reports indicator {values[self._equals[1][0]]:g}"

    def _counted(self, sample: Sample) -> list[SoakFinding]:
        """Return what the unit's counters say; the first sample after a start is where they begin."""
        found = []
        for name, what, place in (
            (samples.STARTS, "reset", "start"),
            (samples.FAULTS, NEW_FAULT, "stored faults"),
        ):
            index = self._index.get(name)
            if index is None or math.isnan(value := sample.values[index]):
                continue
            before = self._counters.get(name)
            self._counters[name] = value
            if before is None or value == before:
                continue
            if name == samples.STARTS:
                self._outputs_from = math.inf
                words = f"the unit has started {value - before:g} times without being commanded to"
                found.append(SoakFinding(what, place, words.replace("1 times", "once")))
            elif value > before:
                found.append(SoakFinding(what, place, f"{value - before:g} new in the fault table"))
        return found

    def _look_at_outputs(self, sample: Sample, bad: dict[tuple[str, str], str]) -> None:
        values = sample.values
        wrong = dict.fromkeys(
            s.output
            for s in self._sensors
            if s.sensor.band.counts_as_on(values[s.index]) is not (s.output in self._on)
        )
        for output in wrong:
            self._check_wiring(output, values)
        for output in wrong:
            should = "on" if output in self._on else "off"
            bad["output does not follow", output] = (
                f"{output} is commanded {should} and the stand senses it otherwise"
            )
            self._proven[output] = set()
        for output, proven in self._proven.items():
            if ("output does not follow", output) not in bad:
                proven.add(output in self._on)

    def _check_wiring(self, output: str, values: list[float]) -> None:
        """Raise InvalidResponse when two sensors of the same terminal contradict each other."""
        mine = [sensor for sensor in self._sensors if sensor.output == output]
        seen = {sensor.sensor.name: values[sensor.index] for sensor in mine}
        fault = contradiction(
            output, [sensor.sensor for sensor in mine], seen, self._sampler.bank.uncertainty
        )
        if fault is not None:
            raise InvalidResponse(str(fault), places=fault.places)

    def _stays(self, key: tuple[str, str]) -> bool:
        """Return whether an output that failed has not yet followed both on and off again."""
        what, place = key
        if what != "output does not follow":
            return False
        return len(self._proven.get(place, ())) < 2  # noqa: PLR2004 - on and off


def overloads(unit: Unit) -> list[SoakFinding]:
    """Return what the unit does to a supply that has switched itself off; nothing where it has not.

    Raises InstrumentReset for a supply that was without mains, or that switched off without being overloaded: its
    voltage may stand for a while at the capacitors behind it, so that only the current shows at first. Raises it too
    for an I/O simulator that has let go of its drives.
    """
    unit.supply.instrument.check_settings()
    unit.check_drives()
    words = unit.supply.overload()
    return [] if words is None else [SoakFinding("overload", "supply", words)]
