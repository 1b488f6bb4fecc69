"""Numbers that can hardly be meant: a slip of a unit or a sign, a limit that no unit could fail, a scale too small.

What cannot be is a fault. What is only far from all that is usual is reported as a warning, and taken as it is written:
the usual values are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from hilseq.analysis.uncertainty import DecisionRule, expanded, last_digit, rectangular
from hilseq.description.accuracy import calibrated_parts, of_signal
from hilseq.description.calibration import Calibration
from hilseq.description.checks.judging import at_terminal
from hilseq.description.findings import Finding, Findings, Place
from hilseq.description.modbus import ModbusSignal
from hilseq.description.profile import Profile
from hilseq.description.registers import Register, RegisterType
from hilseq.description.stand import Signal, Stand
from hilseq.quantities import AccuracyTerms, QuantityError, base_unit, dimension_of, show_duration

#: A range ends where a value lies by a part of its width: a scale is rounded.
_ROUNDED = 1e-3


def _holds(ends: tuple[float, float], values: tuple[float, ...]) -> bool:
    slack = _ROUNDED * (max(values) - min(values) or abs(values[0]))
    return all(ends[0] - slack <= value <= ends[1] + slack for value in values)


def _in_unit(values: tuple[float, ...], unit: str) -> tuple[float, ...]:
    factor = base_unit(unit)[1]
    return tuple(value / factor for value in values)


def _is(unit: str, dimension: str) -> bool:
    """Return whether a unit is one of this dimension; one that is not known is reported by itself."""
    try:
        return dimension_of(unit) == dimension
    except QuantityError:
        return False


def _too_small(
    place: Place, what: str, ends: tuple[float, float], needed: tuple[float, ...], unit: str
) -> Finding:
    shown = " and ".join(f"{value:.4g} {unit}".rstrip() for value in dict.fromkeys(needed))
    return Finding(
        (*place, "scale"),
        f"{what} holds {ends[0]:.4g} to {ends[1]:.4g} {unit}".rstrip() + f", but not {shown}",
        "the scale, offset and type of its manual; is the sign or the decimal point of the scale right?",
        topic=f"too small for {shown}",
    )


def values_can_be_held(profile: Profile) -> Findings:
    """Require that registers can hold what the profile expects in them: a wrong scale makes them too small."""
    link, battery = profile.link, profile.battery
    supply, highest = profile.ratings.supply_range, profile.highest_case
    expected: list[tuple[Place, Register | None, str, tuple[float, ...]]] = [
        (("link", "supply-voltage"), link.supply_voltage, "voltage", (supply.low, supply.high)),
        (("link", "temperature"), link.temperature, "temperature", () if highest is None else (highest,)),
        (
            ("link", "battery-voltage"),
            link.battery_voltage,
            "voltage",
            () if battery is None else (battery.nominal,),
        ),
    ]
    for section, name, point in profile.points.analog():
        place: Place = ("points", section, name, "register")
        # Of a sensor, no unit need take all temperatures.
        for dimension in (point.terminal_dimension, "ratio"):
            if point.register_.unit and _is(point.register_.unit, dimension):
                scale = point.scale
                expected.append(
                    (place, point.register_, dimension, (point.said(scale.low), point.said(scale.high)))
                )
    for place, register, dimension, values in expected:
        if register is None or not values or register.is_bit or not _is(register.unit, dimension):
            continue
        needed = values if dimension == "temperature" else _in_unit(values, register.unit)
        if not _holds(register.range, needed):
            name = str(place[-1] if place[0] == "link" else place[2])
            yield _too_small(place, f"the register of {name}", register.range, needed, register.unit)
    if link.clock is not None and link.clock.scale < 0.0:
        yield Finding(
            ("link", "clock", "scale"),
            f"with a scale of {link.clock.scale:g} the unit's clock would run backwards",
            "the scale of its manual, above zero",
        )


def batteries_can_be_judged(profile: Profile) -> Findings:
    """Require that a unit tells its battery so exactly that a fresh one can be known from an empty one."""
    battery, register = profile.battery, profile.link.battery_voltage
    if battery is None or register is None or "battery voltage" in profile.waived_readings:
        return
    error = expanded(rectangular(battery.accuracy.limit(battery.nominal, 0.0)))
    known, room = math.hypot(error, expanded(last_digit(register.step))), battery.nominal - battery.lowest
    if 0.0 < room <= known * profile.decision_rule.ratio:
        yield Finding(
            ("battery", "accuracy" if "accuracy" in battery.model_fields_set else "lowest"),
            f"the unit tells its battery to \u00b1 {known:.2g} V, so that a fresh one of {battery.nominal:g} V cannot "
            f"be known from one that must be replaced at {battery.lowest:g} V",
            "how exactly the unit measures it (`accuracy`, the `scale` of its register), or 'battery voltage' and "
            "'battery voltage at the end' under `waived-readings`",
        )
    elif error == 0.0:
        yield Finding(
            ("battery", "accuracy"), "no converter is without an error", "what its maker states of it"
        )


def signals_can_show(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require that the stand's signals can have the values that they are to show or to drive at this unit."""
    supply, highest = profile.ratings.supply, profile.highest_case
    wanted: list[tuple[str, str, tuple[float, ...], Place]] = [
        (name, "voltage", (0.0, supply), ("ratings", "supply"))
        for name in (*profile.points.outputs, *profile.points.inputs)
    ]
    for section, name, point in profile.points.analog():
        ends = point.terminal_range()
        wanted.append(
            (name, point.terminal_dimension, (ends.low, ends.high), ("points", section, name, "kind"))
        )
    if highest is not None:
        wanted.append(("case", "temperature", (highest,), ("highest-case",)))
    for terminal, dimension, values, seen in wanted:
        found = at_terminal(stand, slot, terminal, dimension)
        if found is None or (terminal == "case" and found[1].unit != "degC"):
            continue
        name, signal = found
        needed = values if terminal == "case" else _in_unit(values, signal.unit)
        if not _holds(signal.range, needed):
            yield _too_small(
                ("signals", name), f"the signal {name!r}", signal.range, needed, signal.unit
            )._replace(seen=seen)


class _Usual(NamedTuple):
    """A number, what it is called, and between which ends it usually lies; times are in s."""

    place: Place
    what: str
    value: float
    least: float
    most: float
    unit: str = "s"

    def show(self, value: float) -> str:
        """Return a value as a person says it."""
        return show_duration(value) if self.unit == "s" else f"{value:.4g} {self.unit}".rstrip()


def _unusual(usual: Iterable[_Usual]) -> Findings:
    for one in usual:
        if one.least <= one.value <= one.most:
            continue
        end = f"at most {one.show(one.most)}" if one.value > one.most else f"at least {one.show(one.least)}"
        yield Finding(
            one.place,
            f"{one.what} of {one.show(one.value)} is far from what is usual; is its unit right, and its decimal point?",
            f"{end} as a rule; what is meant is taken as it stands",
            topic=f"unusual {one.what}",
            warning=True,
        )


def unusual_numbers_of_a_profile(profile: Profile) -> Findings:
    """Warn of times far from what is usual, of limits that no unit could fail, and of scales that turn a sign."""
    yield from _unusual(_times_of_a_profile(profile))
    yield from _unusual(_numbers_of_a_profile(profile))
    yield from _unusual(_decisions_of_a_profile(profile))
    yield from _cannot_fail(profile)
    registers: list[tuple[Place, Register | None]] = [
        (("link", key), getattr(profile.link, key.replace("-", "_"))) for key in _QUANTITIES
    ]
    registers += [
        (("points", section, name, "register"), point.register_)
        for section, name, point in profile.points.analog()
    ]
    yield from _turned((place, register) for place, register in registers if register is not None)
    yield from _begins_anew(profile, warning=True)


#: s that a clock must go on for: a visit, and a day.
_VISIT, _DAY = 3600.0, 86400.0


def clocks_hold_a_visit(profile: Profile) -> Findings:
    """Require that the unit's clock does not begin anew within a visit: that would be its fault."""
    yield from _begins_anew(profile, warning=False)


def _begins_anew(profile: Profile, *, warning: bool) -> Findings:
    clock = profile.link.clock
    if clock is None or not _is(clock.unit, "time") or clock.scale <= 0.0:
        return
    ends = clock.range[1] * base_unit(clock.unit)[1]
    if ends < _VISIT if not warning else _VISIT <= ends < _DAY:
        yield Finding(
            ("link", "clock"),
            f"this clock begins anew after {show_duration(ends)}, which would be reported as a jump of it",
            "the type and the scale of its manual: a clock that goes on for a day",
            at_key=True,
            warning=warning,
        )


_QUANTITIES = ("supply-voltage", "temperature", "battery-voltage")
_SIGNED = (RegisterType.INT16, RegisterType.INT32, RegisterType.FLOAT32)


def _turned(registers: Iterable[tuple[Place, Register]]) -> Findings:
    for place, register in registers:
        if register.scale < 0.0 and register.kind in _SIGNED:
            yield Finding(
                (*place, "scale"),
                f"a scale of {register.scale:g} turns the sign of what is read",
                "a scale above zero, unless the device counts the other way round",
                topic="turned sign",
                warning=True,
            )


def _times_of_a_profile(profile: Profile) -> Iterator[_Usual]:
    points, start, margins = profile.points, profile.start, profile.margins
    for section, digital in (("outputs", points.outputs), ("inputs", points.inputs)):
        for name, one in digital.items():
            yield _Usual(("points", section, name, "settle"), "a settling time", one.settle, 1e-5, 5.0)
    for section, name, point in profile.points.analog():
        yield _Usual(("points", section, name, "settle"), "a settling time", point.settle, 1e-4, 60.0)
    yield _Usual(("modes", "change-within"), "a mode change", profile.modes.change_within, 1e-3, 120.0)
    yield _Usual(("start", "ready-within"), "a start", start.ready_within, 0.02, 1800.0)
    yield _Usual(("start", "off-time"), "a time without supply", start.off_time, 0.02, 3600.0)
    if margins is not None:
        yield _Usual(
            ("margins", "longest-interruption"), "an interruption", margins.longest_interruption, 1e-3, 10.0
        )
        yield _Usual(("margins", "resolution"), "a resolution", margins.resolution, 1e-4, 1.0)
    if profile.soak is not None:
        yield _Usual(("soak", "period"), "a time between samples", profile.soak.period, 0.01, 3600.0)
    if profile.configuration is not None:
        yield _Usual(
            ("configuration", "store-time"), "a time to store", profile.configuration.store_time, 0.0, 120.0
        )
    for name, port in profile.ports.items():
        yield _Usual(("ports", name, "deadline"), "a deadline", port.deadline, 0.005, 60.0)


def _numbers_of_a_profile(profile: Profile) -> Iterator[_Usual]:
    cycling, margins, highest, clock = profile.cycling, profile.margins, profile.highest_case, profile.clock
    if profile.battery is not None:
        yield _Usual(("battery", "years"), "a battery's life", profile.battery.years, 0.5, 30.0, "years")
    if highest is not None:
        yield _Usual(("highest-case",), "a case temperature", highest, 30.0, 130.0, "degC")
    if margins is not None:
        yield _Usual(("margins", "ramp"), "a slow ramp", margins.ramp, 0.0, 100.0, "V/s")
    if clock is not None:
        yield _Usual(("clock", "drift"), "a clock's drift", 1e6 * clock.drift, 0.0, 5000.0, "ppm")
    if cycling is not None:
        yield _Usual(
            ("cycling", "start-probability"),
            "a start probability",
            cycling.start_probability,
            0.5,
            1.0,
            "",
        )


def _decisions_of_a_profile(profile: Profile) -> Iterator[_Usual]:
    """Yield how sure the profile asks to be, and what it asks of the unit's own reports."""
    rule, soak, cycling, link = profile.decision_rule, profile.soak, profile.cycling, profile.link
    share = 100.0 * profile.largest_guard_band
    yield _Usual(("largest-guard-band",), "a largest guard band", share, 0.0, 50.0, "%")
    if rule != DecisionRule.SIMPLE:
        risk = 100.0 * rule.specific_risk
        yield _Usual(("decision-rule",), "a risk of accepting what is outside", risk, 0.0, _RISK, "%")
    if cycling is not None:
        yield _Usual(("cycling", "confidence"), "a confidence", cycling.confidence, _SURE, 1.0, "")
        for key in ("producer-risk", "consumer-risk") if cycling.plan == "sequential" else ():
            risk = 100.0 * getattr(cycling, key.replace("-", "_"))
            yield _Usual(
                ("cycling", key), f"a {key.replace('-', ' ')}", risk, 0.0, 100.0 * (1.0 - _SURE), "%"
            )
    if soak is not None:
        yield _Usual(("soak", "confidence"), "a confidence", soak.confidence, _SURE, 1.0, "")
        yield _Usual(("soak", "ambient"), "an ambient", soak.ambient, -40.0, 85.0, "degC")
    if link.supply_voltage is not None:
        step, most = link.supply_voltage.step, _DIGIT * profile.ratings.supply
        yield _Usual(("link", "supply-voltage", "scale"), "a last digit", step, 0.0, most, "V")
    if link.clock is not None:
        yield _Usual(("link", "clock", "scale"), "a last digit of a clock", link.clock.step, 0.0, 60.0)


#: What is usual: risk of a decision, % at most; confidence at least; last digit as a share of a voltage at most.
_RISK, _SURE, _DIGIT = 10.0, 0.8, 0.05
#: From these shares on a limit says next to nothing: of a rated supply, of a rated current, of the span of a channel,
#: of bits.
_DROP, _LEAKS, _SPAN, _ERRORS, _KELVIN = 0.25, 0.1, 0.1, 0.01, 30.0


class _Wide(NamedTuple):
    """A limit so wide that hardly any unit could fail it: where, what, and what was expected."""

    place: Place
    what: str
    expected: str


def _cannot_fail(profile: Profile) -> Findings:
    """Warn of limits so wide that hardly any unit could fail them."""
    for wide in (*_wide_points(profile), *_wide_ports(profile), *_wide_of_the_whole(profile)):
        yield Finding(
            wide.place,
            f"{wide.what} is so much that hardly any unit could fail",
            f"{wide.expected}; what is meant is taken as it stands",
            topic=f"too wide {wide.place[-1]}",
            warning=True,
        )


def _wide_points(profile: Profile) -> Iterator[_Wide]:
    most = _DROP * profile.ratings.supply
    for name, output in profile.points.outputs.items():
        if output.voltage_drop is not None and output.voltage_drop >= most:
            place: Place = ("points", "outputs", name, "voltage-drop")
            yield _Wide(
                place,
                f"a drop of {output.voltage_drop:g} V",
                f"less than {most:g} V, a quarter of the supply",
            )
        if output.leakage and output.rated_current and output.leakage >= _LEAKS * output.rated_current:
            leaks = _LEAKS * output.rated_current
            place = ("points", "outputs", name, "leakage")
            yield _Wide(
                place,
                f"a leakage of {output.leakage:g} A",
                f"less than {leaks:g} A, a tenth of the rated current",
            )
    for section, name, point in profile.points.analog():
        span = point.span
        if point.accuracy_terms().limit(0.0, span) >= _SPAN * span:
            place = ("points", section, name, "accuracy")
            yield _Wide(place, f"an accuracy of {point.accuracy}", "less than a tenth of the range")


def _wide_ports(profile: Profile) -> Iterator[_Wide]:
    for name, port in profile.ports.items():
        ratio, error, bits = port.bit_error_ratio, port.clock_error, port.character_bits
        reach = 1.0 / (2.0 * bits - 1.0)
        if ratio is not None and ratio > _ERRORS:
            yield _Wide(
                ("ports", name, "bit-error-ratio"), f"a bit error ratio of {ratio:g}", f"at most {_ERRORS:g}"
            )
        if error is not None and error >= reach:
            yield _Wide(
                ("ports", name, "clock-error"),
                f"a clock that is off by {100.0 * error:g} %",
                f"less than {100.0 * reach:.2g} %, at which frames of {bits} bits are lost",
            )


def _wide_of_the_whole(profile: Profile) -> Iterator[_Wide]:
    start, error = profile.start, profile.link.temperature_error
    most = profile.ratings.current_limit * start.ready_within
    if error is not None and error > _KELVIN:
        yield _Wide(("link", "temperature-error"), f"an error of {error:g} K", f"at most {_KELVIN:g} K")
    if start.inrush_charge is not None and start.inrush_charge > most:
        yield _Wide(
            ("start", "inrush-charge"),
            f"a charge of {start.inrush_charge:g} As",
            f"at most the {most:.3g} As that `current-limit` lets through in `ready-within`",
        )


def unusual_numbers_of_a_stand(stand: Stand) -> Findings:
    """Warn of times far from what is usual, of certificates that do not fit their accuracy, and of turned signs."""
    yield from _unusual(_times_of_a_stand(stand))
    yield from _read_back(stand)
    yield from _turned(
        (("signals", name), signal)
        for name, signal in stand.signals.items()
        if isinstance(signal, ModbusSignal) and signal.unit
    )
    for name, signal in stand.signals.items():
        if signal.lag == 0.0 and not signal.is_bit and stand.io[signal.io].scan_time is None:
            yield Finding(
                ("signals", name, "lag"),
                f"the signal {name!r} is said to follow at once, and {signal.io!r} states no scan-time",
                "what the data sheets of channel and I/O state: a look too early shows what was before",
                topic="no lag",
                warning=True,
            )
        if signal.calibration is not None and signal.calibration.points and signal.accuracy is not None:
            yield from _certificate(
                ("signals", name, "calibration", "points"),
                signal,
                signal.calibration,
                signal.accuracy_terms(),
            )
    for name, supply in stand.supplies.items():
        known, most, accuracy = supply.calibration, supply.ceilings, supply.accuracy
        if known is None:
            continue
        place: Place = ("supplies", name, "calibration")
        volts, amperes = (
            known.certified("voltage_points", "voltage"),
            known.certified("current_points", "current"),
        )
        yield from _points((*place, "voltage-points"), volts, accuracy.voltage, most.voltage, None)
        yield from _points((*place, "current-points"), amperes, accuracy.current, most.current, None)


#: A read-back so many times less exact than its drive shows no error of it.
_COARSE = 10.0


def _read_back(stand: Stand) -> Findings:
    """Warn of loop-backs that are far less exact than what they are to test."""
    for name, loop in stand.loopbacks.items():
        drive, sense = stand.signals[loop.drive], stand.signals[loop.sense]
        if drive.accuracy is None or sense.accuracy is None or drive.unit == "degC":
            continue
        if not _is(sense.unit, dimension_of(drive.unit)):
            continue
        (_, of_drive), (_, of_sense) = base_unit(drive.unit), base_unit(sense.unit)
        at = drive.range[1]
        driven = of_drive * expanded(of_signal(drive, at))
        read = of_sense * expanded(of_signal(sense, at * of_drive / of_sense))
        if read > _COARSE * driven:
            yield Finding(
                ("signals", loop.sense, "accuracy"),
                f"the loop-back {name!r} reads to \u00b1 {read:.2g} {base_unit(sense.unit)[0]} what {loop.drive} "
                f"drives to \u00b1 {driven:.2g}: it shows no error of that drive",
                "an accuracy and a scale about as fine as those of the drive",
                topic="coarse loop-back",
                warning=True,
            )


def _times_of_a_stand(stand: Stand) -> Iterator[_Usual]:
    for name, supply in stand.supplies.items():
        yield _Usual(("supplies", name, "settle"), "a settling time", supply.settle, 0.0, 5.0)
        yield _Usual(("supplies", name, "deadline"), "a deadline", supply.deadline, 0.005, 60.0)
    for name, io in stand.io.items():
        yield _Usual(("io", name, "deadline"), "a deadline", io.deadline, 0.005, 60.0)
    for name, signal in stand.signals.items():
        yield _Usual(("signals", name, "settle"), "a settling time", signal.settle, 0.0, 5.0)
        yield _Usual(("signals", name, "lag"), "a lag", signal.lag or 0.0, 0.0, 5.0)
    for name, slot in stand.slots.items():
        yield _Usual(("slots", name, "link", "deadline"), "a deadline", slot.link.deadline, 0.005, 60.0)
    for (*place, _), known in ((part.place, part.calibration) for part in calibrated_parts(stand)):
        if known is None:
            continue
        if known.done is not None:
            years = (known.due - known.done).days / 365.25
            yield _Usual((*place, "due"), "an interval of calibration", years, 0.0, 10.0, "years")
        for key, change, most in (("drift", known.drift, 5.0), ("per-kelvin", known.per_kelvin, 1.0)):
            if change is not None:
                yield _Usual((*place, key), f"a {key} of a calibration", 100.0 * change, 0.0, most, "%")
        yield _Usual((*place, "temperature"), "a room", known.temperature, 10.0, 40.0, "degC")


def _certificate(
    place: Place, signal: Signal, calibration: Calibration, terms: AccuracyTerms | None
) -> Findings:
    if terms is None:
        return
    factor = base_unit(signal.unit)[1]
    found = calibration.certified("points", dimension_of(signal.unit))
    ends = (signal.range[0] * factor, signal.range[1] * factor)
    yield from _points(place, found, terms, signal.span * factor, None if signal.unit == "degC" else ends)


#: Points of a certificate that lie within this share of all values say next to nothing.
_NARROW = 0.01
#: A correction beyond so many times what the accuracy allows, or an uncertainty beyond it, is none of that instrument.
_BEYOND = 2.0


def _points(
    place: Place,
    points: tuple[tuple[float, float, float], ...],
    terms: AccuracyTerms,
    span: float,
    ends: tuple[float, float] | None,
) -> Findings:
    """Warn of points of a certificate that can hardly be of this instrument, all in its base unit."""
    if points and points[-1][0] - points[0][0] < _NARROW * span:
        yield Finding(
            place,
            f"the certificate speaks of {points[0][0]:g} to {points[-1][0]:g} alone, of {span:.4g} that there are",
            "a point at either end of what is measured: beyond them the accuracy holds",
            topic="narrow certificate",
            warning=True,
        )
    for at, correction, uncertainty in points:
        most = terms.limit(at, span)
        wrong = ""
        if ends is not None and not _holds(ends, (at,)):
            wrong = f"the point at {at:g} lies outside what the signal can show ({ends[0]:g} to {ends[1]:g})"
        elif 2.0 * uncertainty > max(_BEYOND * most, most + abs(correction)):
            wrong = f"the uncertainty of {2.0 * uncertainty:g} at {at:g} is more than the accuracy of {most:.3g} there"
        elif abs(correction) > _BEYOND * most + 2.0 * uncertainty:
            wrong = (
                f"the correction of {correction:g} at {at:g} is far beyond the accuracy of {most:.3g} there"
            )
        if wrong:
            yield Finding(
                place,
                wrong,
                "what the certificate states there: the reference less the reading, each with its unit",
                topic=wrong.partition(" of ")[0].partition(" at ")[0],
                warning=True,
            )
