"""Can this stand judge this unit? The limits of the profile against the accuracies of the stand file.

The test uncertainty ratio is the half width of the limits over the expanded uncertainty (k = 2) of the
reading that will be compared with them; 4 is the common rule (common practice; ANSI/NCSL Z540.3 names it,
from memory). Below it a warning: good units near a limit will not be distinguished from bad ones. Where the guard band
takes more of the limits than the profile allows (`largest-guard-band`), the pair is refused before power, unless the
profile waives the reading by name. Uncertainties are those on the last day of the calibration, at its
temperature.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from hilseq.analysis.agreement import no_signal, threshold_limits
from hilseq.analysis.limits import Limits, test_uncertainty_ratio
from hilseq.analysis.sensors import FAILURE_HIGH, FAILURE_LOW, MEASURING_HIGH, MEASURING_LOW
from hilseq.analysis.uncertainty import DecisionRule, expanded, rectangular, resolution
from hilseq.description.accuracy import (
    CLOCK_FINENESS,
    MOST_READINGS,
    POLL_INTERVAL,
    PORT_FINENESS,
    SUPPLY_PERIOD,
    THRESHOLD_FINENESS,
    certified_signal,
    of_delay,
    of_interruption,
    of_signal,
    of_supply_current,
    of_supply_voltage,
    since_calibration,
    years_since,
)
from hilseq.description.calibration import Calibration
from hilseq.description.findings import Finding, Findings, Place
from hilseq.description.points import AnalogPoint
from hilseq.description.profile import Profile
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Signal, Stand
from hilseq.quantities import base_unit, dimension_of, show_duration

#: Test uncertainty ratio from which on a reading is judged well.
ENOUGH = 4.0
#: Share of the limits from which on a guard band leaves no room at all.
_HOPELESS = 0.99
#: What a visit judges once more, later, under another name: whoever waives a reading has to waive that, too.
_AGAIN = {
    "time to ready": ("largest time to ready", "largest time to ready, hot", "time to ready, hot"),
    "idle current": ("idle current at the end",),
    "live current": ("live current at the end",),
    "error of the reported temperature": ("error of the reported temperature at the end",),
    "time to change": ("time to change at the end",),
    "largest deviation": ("deviation at the end",),
}
#: Shares of the range of an analog channel at which its accuracy is looked at.
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, slots=True)
class _Judged:
    """One reading to come: what it is called, its limits and its expanded uncertainty, in one base unit.

    `what` is the claim, `name` that of the reading in the report; `at` is what knows it (a place of the stand file),
    `seen` where the profile states the limits.
    """

    what: str
    name: str
    unit: str
    limits: Limits
    expanded: float
    at: Place
    seen: Place
    topic: str
    #: Whether the stand file states what the uncertainty comes from; what is only assumed of it refuses nothing that
    #: could be judged.
    stated: bool = True

    @property
    def width(self) -> float:
        """Half the width of two limits; of one limit its distance from zero."""
        low, high = self.limits.low, self.limits.high
        if low is not None and high is not None:
            return 0.5 * (high - low)
        return abs((low or 0.0) if high is None else high)

    @property
    def share(self) -> float:
        """The share of the limits that the uncertainty takes."""
        return self.expanded / self.width if self.width else math.inf

    @property
    def hopeless(self) -> float:
        """The share from which on no reading can conform: a limit from below leaves room above it."""
        return math.inf if self.limits.high is None else _HOPELESS

    @property
    def ratio(self) -> float:
        """Test uncertainty ratio; of a quantity that cannot be below zero, from zero to its limit."""
        if self.limits.high is None:
            return 1.0 / self.share
        two_sided = Limits(0.0 if self.limits.low is None else self.limits.low, self.limits.high)
        return test_uncertainty_ratio(two_sided, self.expanded) or 0.0


def limits_can_be_judged(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require that the stand can judge currents, voltages and analog channels; warn where it hardly can."""
    for judged in (
        *_currents(stand, slot, profile),
        *_inrush(stand, slot, profile),
        *_starts(stand, slot, profile),
        *_delays(stand, slot, profile),
        *_thresholds(stand, slot, profile),
        *_outputs(stand, slot, profile),
        *_analog(stand, slot, profile),
        *_loops(stand, slot, profile),
        *_ports(stand, slot, profile),
        *_times(stand, slot, profile),
        *_own(stand, slot, profile),
    ):
        most = profile.largest_guard_band if judged.stated else judged.hopeless
        names = [
            name
            for name in (judged.name, *_AGAIN.get(judged.name, ()))
            if name not in profile.waived_readings
        ]
        refused = judged.share * profile.decision_rule.ratio > most and bool(names)
        if not refused and judged.ratio >= ENOUGH:
            continue
        half = (
            0.5 * (judged.limits.high or 0.0) - 0.5 * (judged.limits.low or 0.0)
            if judged.limits.high
            else judged.width
        )
        unit = f" {judged.unit}".rstrip()
        known = f"± {judged.expanded:.2g}{unit}"
        share = f"its limits are ± {half:.2g}{unit} wide, the uncertainty of its reading is {known}"
        yield Finding(
            judged.at,
            f"{judged.what} of {profile.part} "
            + ("cannot be judged on this stand" if refused else "can hardly be judged on this stand")
            + f": {share}",
            f"at most ± {half / ENOUGH:.2g}{unit} (test uncertainty ratio {ENOUGH:g}:1, here "
            f"{judged.ratio:.1f}:1)"
            + (
                f", or {' and '.join(map(repr, names))} under `waived-readings` of the profile"
                if refused
                else ""
            ),
            topic=judged.topic,
            seen=judged.seen,
            warning=not refused,
        )
    yield from _unknown(stand, slot, profile)


def _expanded(standard: float, calibration: Calibration | None, reading: float) -> float:
    """Return U on the last day of the calibration, in the unit of the reading."""
    years = 0.0 if calibration is None else years_since(calibration, calibration.due)
    aged = since_calibration(calibration, reading, years=years, ambient=None)
    return expanded(math.hypot(standard, aged))


def _currents(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    name = stand.slots[slot].supply
    supply = stand.supplies[name]
    for key, current in (
        ("idle-current", profile.start.idle_current),
        ("live-current", profile.start.live_current),
        ("loaded-current", profile.start.loaded_current),
    ):
        if current is not None:
            scatter = supply.accuracy.current_repeatability.limit(current.high, supply.ceilings.current)
            known = math.hypot(of_supply_current(supply, current.high), scatter / math.sqrt(MOST_READINGS))
            yield _Judged(
                key,
                key.replace("-", " "),
                "A",
                Limits(current.low, current.high),
                _expanded(known, supply.calibration, current.high),
                ("supplies", name, "accuracy", "current"),
                ("start", key),
                key,
                "current" in supply.accuracy.model_fields_set,
            )


def _inrush(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """What the supply keeps of a start, where the stand file says that it keeps anything."""
    name, start = stand.slots[slot].supply, profile.start
    supply = stand.supplies[name]
    if not isinstance(supply, ScpiSupply):
        return
    # A charge is a current over time: its constant terms count for every second of a record, or of a start.
    length = start.ready_within if supply.waveform is None else supply.waveform.length
    for key, what, unit, limit, kept, seconds in (
        ("inrush-peak", "inrush peak", "A", start.inrush_peak, "measure_peak_current", 1.0),
        ("inrush-charge", "inrush charge", "As", start.inrush_charge, "measure_charge", length),
    ):
        if limit is None or (supply.waveform is None and getattr(supply.commands, kept) is None):
            continue
        terms, span = supply.accuracy.current, supply.ceilings.current
        error = terms.of_reading * limit + (terms.of_range * span + terms.fixed) * seconds
        scatter = supply.accuracy.current_repeatability.limit(limit, span) if unit == "A" else 0.0
        yield _Judged(
            key,
            what,
            unit,
            Limits(None, limit),
            _expanded(math.hypot(rectangular(error), scatter), supply.calibration, limit),
            ("supplies", name, "accuracy", "current"),
            ("start", key),
            key,
            "current" in supply.accuracy.model_fields_set,
        )


def _starts(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Times that are found by asking the unit again and again, since power came or a contact was closed."""
    name = stand.slots[slot].supply
    supply, asked = stand.supplies[name], resolution(POLL_INTERVAL)
    stated = supply.response is not None
    came = resolution(supply.follows_within)
    settles = resolution(max(supply.settle, SUPPLY_PERIOD))
    for reading, known in (
        ("time to ready", math.hypot(asked, came)),
        ("settling time of the current", math.hypot(settles, came)),
    ):
        yield _Judged(
            f"ready-within ({reading})",
            reading,
            "s",
            Limits(None, profile.start.ready_within),
            expanded(known),
            ("supplies", name, "response" if stated else "settle"),
            ("start", "ready-within"),
            reading,
            stated,
        )
    contacts = [position.contact for position in profile.modes.switch.values() if position.contact]
    drives = [found for contact in contacts if (found := at_logic_terminal(stand, slot, contact)) is not None]
    slowest = max((signal.settle for _, signal in drives), default=0.0)
    yield _Judged(
        "change-within",
        "time to change",
        "s",
        Limits(None, profile.modes.change_within),
        expanded(math.hypot(asked, resolution(slowest))),
        ("signals", drives[0][0], "settle") if drives else ("slots", slot, "link"),
        ("modes", "change-within"),
        "time to change",
        any("settle" in signal.model_fields_set for _, signal in drives),
    )


def _delays(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Delays of points: one within which the stand looks a few times; its own lag hides the rest until repeats find it.

    What the stand file does not say about scans is measured before anything is judged, and is only assumed here.
    """
    for section, reading, points in (
        ("outputs", "switching delay", profile.points.outputs),
        ("inputs", "input delay", profile.points.inputs),
    ):
        for name, point in points.items():
            found = at_logic_terminal(stand, slot, name)
            if found is None:
                continue
            signal_name, signal = found
            # A drive that says nothing of itself is taken to be quick.
            own = signal.settle if signal.drives and "settle" in signal.model_fields_set else 0.0
            lag = max(own, signal.lag or 0.0)
            scan = stand.io[signal.io].scan_time
            yield _Judged(
                f"settle of {name}",
                reading,
                "s",
                Limits(None, point.settle),
                expanded(of_delay(point.settle, scan=scan or 0.0, lag=lag)),
                ("signals", signal_name, "settle" if own else "lag")
                if lag
                else ("io", signal.io, "scan-time"),
                ("points", section, name, "settle"),
                reading,
                bool(lag or scan),
            )


def _thresholds(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Levels at which inputs change over, where the stand drives them with a voltage."""
    rated = profile.ratings.supply
    for name, point in profile.points.inputs.items():
        found = at_terminal(stand, slot, name, "voltage")
        if found is None or found[1].drives is None:
            continue
        limits = threshold_limits(point.type_, rated)
        known = _signal_expanded(stand, found[1], limits.high or rated)
        step = expanded(resolution(rated * THRESHOLD_FINENESS))
        for way in ("rising", "falling"):
            yield _Judged(
                f"type of {name}",
                f"threshold {way}",
                "V",
                limits,
                math.hypot(known, step),
                ("signals", found[0], "accuracy"),
                ("points", "inputs", name),
                f"input threshold {way}",
            )


def at_logic_terminal(stand: Stand, slot: str, terminal: str) -> tuple[str, Signal] | None:
    """Return the logic signal that senses or drives a terminal, and its name."""
    wanted = f"{slot}.{terminal}"
    for name, signal in stand.signals.items():
        if signal.is_bit and wanted in (signal.drives, signal.senses):
            return name, signal
    return None


def at_terminal(stand: Stand, slot: str, terminal: str, dimension: str) -> tuple[str, Signal] | None:
    """Return the signal that measures or drives a quantity of this dimension at a terminal, and its name."""
    wanted = f"{slot}.{terminal}"
    for name, signal in stand.signals.items():
        at_it = wanted in (signal.drives, signal.senses) and not signal.is_bit and signal.unit
        if at_it and dimension_of(signal.unit) == dimension:
            return name, signal
    return None


def _signal_expanded(stand: Stand, signal: Signal, at: float) -> float:
    """Return U of a signal at a value, both in the base unit."""
    _, factor = base_unit(signal.unit)
    calibration = signal.calibration or stand.io[signal.io].calibration
    known = of_signal(signal, at / factor)
    certified = certified_signal("the signal", signal, at / factor)
    if certified is not None:
        known = certified.term.value
    return _expanded(known, calibration, at / factor) * factor


def _outputs(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    supply, volts = stand.supplies[stand.slots[slot].supply], profile.ratings.supply
    of_supply = _expanded(of_supply_voltage(supply, volts), supply.calibration, volts)
    for name, point in profile.points.outputs.items():
        found = at_terminal(stand, slot, name, "voltage")
        if found is None:
            continue
        signal_name, signal = found
        place, seen = ("signals", signal_name, "accuracy"), ("points", "outputs", name)
        yield _Judged(
            "the voltage of outputs that are off",
            "voltage when off",
            "V",
            no_signal(volts),
            _signal_expanded(stand, signal, 0.0),
            place,
            seen,
            "voltage when off",
        )
        if point.voltage_drop is not None:
            known = math.hypot(of_supply, _signal_expanded(stand, signal, volts))
            limits = Limits(None, point.voltage_drop)
            yield _Judged(
                "voltage-drop",
                "voltage drop when on",
                "V",
                limits,
                known,
                place,
                (*seen, "voltage-drop"),
                "voltage-drop",
                "voltage" in supply.accuracy.model_fields_set,
            )
        if point.leakage is not None and signal.load is not None:
            of_volts = _signal_expanded(stand, signal, point.leakage * signal.load) / signal.load
            known = math.hypot(of_volts, expanded(rectangular(signal.load_tolerance)) * point.leakage)
            yield _Judged(
                "leakage",
                "leakage when off",
                "A",
                Limits(None, point.leakage),
                known,
                place,
                (*seen, "leakage"),
                "leakage",
            )


def _analog(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    for section, name, point in profile.points.analog():
        found = at_terminal(stand, slot, name, point.terminal_dimension)
        if found is not None:
            seen = ("points", section, name, "accuracy")
            yield _worst(stand, point, found, seen=seen, topic=f"accuracy of {section}")
            yield from _differences(point, found, seen=seen, is_output=section == "analog-outputs")


def _largest_error(point: AnalogPoint, share: float) -> float:
    return point.largest_error(point.said(point.scale.at(share)))


def _differences(
    point: AnalogPoint, found: tuple[str, Signal], *, seen: Place, is_output: bool
) -> Iterator[_Judged]:
    """Differences of two readings of a channel: as exact as the last digit of what is read, whoever reads it."""
    name, signal = found
    if is_output:
        step = signal.step * base_unit(signal.unit)[1] * point.per_terminal(point.scale.at(0.5))
    else:
        step = point.register_.step * base_unit(point.unit)[1]
    least = min(_largest_error(point, share) for share in _SHARES)
    for reading, times in (
        ("hysteresis", math.sqrt(2.0)),
        ("repeatability (2 s)", 1.0),
        ("change caused by the others", math.sqrt(2.0)),
    ):
        yield _Judged(
            f"{reading} of {seen[2]}",
            reading,
            base_unit(point.unit)[0],
            Limits(-least, least),
            expanded(times * resolution(step)),
            ("signals", name, "scale") if is_output else ("signals", name),
            seen if is_output else (*seen[:3], "register", "scale"),
            f"{reading} of {seen[1]}",
        )


def _loops(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Bands of a current loop that tell a failure from a measurement (NE 43): each by the accuracy of the stand."""
    for section, points, bands in (
        (
            "analog-inputs",
            profile.points.analog_inputs,
            (
                ("reading at under-range", FAILURE_LOW, MEASURING_LOW),
                ("reading at over-range", MEASURING_HIGH, FAILURE_HIGH),
                ("reading at failure low", None, FAILURE_LOW),
                ("reading at failure high", FAILURE_HIGH, None),
            ),
        ),
        (
            "analog-outputs",
            profile.points.analog_outputs,
            (
                ("output asked for 0 mA", FAILURE_LOW, FAILURE_HIGH),
                ("output asked for 24 mA", FAILURE_LOW, FAILURE_HIGH),
                ("output while not driven", None, FAILURE_LOW),
            ),
        ),
    ):
        for name, point in points.items():
            found = at_terminal(stand, slot, name, "current")
            if point.loop_limits is None or found is None:
                continue
            for reading, low, high in bands:
                yield _Judged(
                    f"loop-limits of {name} ({reading})",
                    reading,
                    "A",
                    Limits(low, high),
                    _signal_expanded(stand, found[1], high or low or 0.0),
                    ("signals", found[0], "accuracy"),
                    ("points", section, name, "loop-limits"),
                    f"loop-limits, {reading}",
                )


def _worst(
    stand: Stand, point: AnalogPoint, found: tuple[str, Signal], *, seen: Place, topic: str
) -> _Judged:
    """Return the value over the range of a channel at which the stand is least fit to judge it."""
    name, signal = found

    def judged(share: float) -> _Judged:
        at = point.scale.terminal(point.scale.at(share))
        known = _signal_expanded(stand, signal, at) * point.per_terminal(point.scale.at(share))
        largest = _largest_error(point, share)
        place: Place = ("signals", name, "accuracy")
        return _Judged(
            f"accuracy of {seen[2]}",
            "largest deviation",
            base_unit(point.unit)[0],
            Limits(-largest, largest),
            known,
            place,
            seen,
            topic,
        )

    return min((judged(share) for share in _SHARES), key=lambda one: one.ratio)


def _ports(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Clocks of ports: the stated accuracy of the adapter's own speeds counts whole, in %."""
    for name, port in profile.ports.items():
        wiring = stand.slots[slot].ports.get(name)
        if port.clock_error is None or wiring is None or wiring.speed_accuracy is None:
            continue
        most = 100.0 * port.clock_error
        # Two edges are searched, each to the finest step; their middle is the unit's speed.
        searched = resolution(max(PORT_FINENESS, wiring.speed_accuracy)) / math.sqrt(2.0)
        yield _Judged(
            f"clock-error of {name}",
            "error of the port's clock",
            "%",
            Limits(-most, most),
            100.0 * expanded(math.hypot(rectangular(wiring.speed_accuracy), searched)),
            ("slots", slot, "ports", name, "speed-accuracy"),
            ("ports", name, "clock-error"),
            "port clock",
        )


def _times(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """Interruptions, as exact as the supply is fast, and the unit's clock, by that of the computer."""
    name, margins = stand.slots[slot].supply, profile.margins
    supply = stand.supplies[name]
    if margins is not None:
        known = math.hypot(of_interruption(supply), resolution(margins.resolution))
        yield _Judged(
            "ride-through",
            "ride-through",
            "s",
            Limits(margins.ride_through, None),
            expanded(known),
            ("supplies", name, "response" if supply.response is not None else "settle"),
            ("margins", "ride-through"),
            "ride-through",
            supply.response is not None,
        )
        lowest = profile.ratings.supply_range.low
        volts = _expanded(of_supply_voltage(supply, lowest), supply.calibration, lowest)
        step = expanded(resolution(margins.ramp * max(supply.settle, SUPPLY_PERIOD)))
        for reading in ("drop-out voltage", "pick-up voltage"):
            yield _Judged(
                f"ramp ({reading})",
                reading,
                "V",
                Limits(None, lowest),
                math.hypot(volts, step),
                ("supplies", name, "settle"),
                ("margins", "ramp"),
                reading,
                "settle" in supply.model_fields_set,
            )
    if profile.clock is not None and profile.link.clock is not None:
        drift = profile.clock.drift
        yield _Judged(
            "drift",
            "clock drift",
            "",
            Limits(-drift, drift),
            expanded(math.hypot(rectangular(stand.clock_accuracy), drift / CLOCK_FINENESS)),
            ("clock-accuracy",),
            ("clock", "drift"),
            "clock drift",
        )


def _own(stand: Stand, slot: str, profile: Profile) -> Iterator[_Judged]:
    """What the unit reports about itself: the temperature of its case, against the stand's sensor."""
    claimed, register = profile.link.temperature_error, profile.link.temperature
    found, highest = at_terminal(stand, slot, "case", "temperature"), profile.highest_case
    if found is not None and highest is not None and profile.soak is not None:
        yield _Judged(
            "highest-case",
            "highest case temperature",
            "degC",
            Limits(None, highest),
            _signal_expanded(stand, found[1], highest),
            ("signals", found[0], "accuracy"),
            ("highest-case",),
            "highest-case",
        )
    if claimed is not None and register is not None and found is not None:
        name, signal = found
        known = math.hypot(
            _signal_expanded(stand, signal, profile.highest_case or 0.0), expanded(resolution(register.step))
        )
        yield _Judged(
            "temperature-error",
            "error of the reported temperature",
            "K",
            Limits(-claimed, claimed),
            known,
            ("signals", name, "accuracy"),
            ("link", "temperature-error"),
            "temperature-error",
        )


def claims_can_be_reached(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require that a good unit can prove its ride-through, and that the ends of its supply range are distinguished.

    The longest interruption tried counts less its guard band.
    """
    margins, supply = profile.margins, stand.supplies[stand.slots[slot].supply]
    ends = profile.ratings.supply_range
    volts = _expanded(of_supply_voltage(supply, ends.high), supply.calibration, ends.high)
    if ends.high - ends.low <= 2.0 * volts:
        yield Finding(
            ("supplies", stand.slots[slot].supply, "accuracy", "voltage"),
            f"the ends of the supply range of {profile.part}, {ends.low:g} V and {ends.high:g} V, are one to a supply "
            f"that is right to \u00b1 {volts:.2g} V",
            f"less than \u00b1 {0.5 * (ends.high - ends.low):.2g} V, or a wider `supply-range`",
            at_key=True,
            topic="supply-range",
            seen=("ratings", "supply-range"),
        )
    if margins is None or profile.decision_rule == DecisionRule.SIMPLE:
        return
    guard = profile.decision_rule.ratio * expanded(of_interruption(supply))
    if (
        margins.ride_through + guard > margins.longest_interruption
        and "ride-through" not in profile.waived_readings
    ):
        yield Finding(
            ("supplies", stand.slots[slot].supply),
            f"a ride-through of {show_duration(margins.ride_through)} can never be shown: no interruption is longer "
            f"than {show_duration(margins.longest_interruption)}, and the guard band on this supply is "
            f"{1e3 * guard:.2g} ms",
            f"at least {show_duration(margins.ride_through + 2 * guard)}, or a shorter `response` of the supply",
            at_key=True,
            topic="ride-through",
            seen=("margins", "longest-interruption"),
        )


def _unknown(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Warn of what measures or drives a quantity to be judged, and of whose accuracy nothing is said."""
    points, link, start = profile.points, profile.link, profile.start
    feeds = stand.slots[slot].supply
    if start.inrush_peak is not None and start.inrush_peak > (most := stand.supplies[feeds].ceilings.current):
        yield Finding(
            ("supplies", feeds, "ceilings", "current"),
            f"an inrush peak of {start.inrush_peak:g} A lies above all that this supply may give: no unit can fail",
            f"more than {start.inrush_peak:g} A, where the supply has it; here {most:g} A",
            topic="inrush peak",
            seen=("start", "inrush-peak"),
            warning=True,
        )
    alone = link.temperature is not None and at_terminal(stand, slot, "case", "temperature") is None
    if (
        alone
        and profile.soak is not None
        and profile.highest_case is not None
        and link.temperature_error is None
    ):
        yield Finding(
            ("slots", slot),
            "no signal senses the case, and no `temperature-error` is stated of the unit's own thermometer: the "
            "temperature of a soak is judged as if that were exact",
            f"a signal that senses {slot}.case, or `temperature-error` of `link`",
            at_key=True,
            topic="no accuracy",
            seen=("link", "temperature"),
            warning=True,
        )
    for name, dimension in (
        ("case", "temperature"),
        *((name, "voltage") for name in points.outputs),
        *((name, p.terminal_dimension) for name, p in points.analog_inputs.items()),
        *((name, p.terminal_dimension) for name, p in points.analog_outputs.items()),
    ):
        found = at_terminal(stand, slot, name, dimension)
        if found is not None and found[1].accuracy is None:
            yield Finding(
                ("signals", found[0]),
                f"the signal {found[0]!r} states no accuracy: its readings are judged as if they were exact",
                "`accuracy`, from the data sheet of the channel",
                at_key=True,
                topic="no accuracy",
                warning=True,
            )
