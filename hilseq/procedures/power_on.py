"""Power-on: what a unit draws from the moment power comes, how alike it starts, and its own thermometer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from hilseq.analysis import waveform
from hilseq.analysis.uncertainty import Term, largest_error, rectangular, resolution, type_a
from hilseq.clock import Clock
from hilseq.description.accuracy import SUPPLY_PERIOD
from hilseq.description.profile import Mode
from hilseq.description.stand import Stand
from hilseq.errors import NotPerformed, UnitFault
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply_meter import MeasuredInrush
from hilseq.measured import Measured, hardest, repeat
from hilseq.procedures.unit import PATIENCE, Unit
from hilseq.procedures.wiring import SlotWiring

#: Readings after ready from which the settled current is taken.
_SETTLED_READINGS = 5
#: The current has settled when it stays within this share of its final value.
_BAND = 0.05
#: The voltage stands when it has reached this share of its setting.
_STANDS = 0.95
#: A record of the inrush has seen its end when it ends within these shares of the settled current, or of its peak.
_NEAR_SETTLED, _NEAR_PEAK = 0.5, 0.1


@dataclass(frozen=True, slots=True)
class StartCurve:
    """One start as the supply saw it: rows of time since power (s), voltage (V), current (A).

    `waveform` is the supply's own record of the current, s and A; empty when it keeps none.
    """

    rows: list[tuple[float, float, float]]
    waveform: list[tuple[float, float]]
    recorded: MeasuredInrush | None
    settling: Measured
    settled: Measured

    @property
    def peak(self) -> Measured | None:
        """Largest current of the start, A; None when the supply keeps no record."""
        return None if self.recorded is None else self.recorded.peak

    @property
    def charge(self) -> Measured | None:
        """Charge drawn until the voltage stood, C; None when the supply keeps no record."""
        return None if self.recorded is None else self.recorded.charge


def capture_start(unit: Unit, clock: Clock) -> StartCurve:
    """Take the supply away for the profile's off-time, give it back, and follow voltage and current.

    The unit's link is not used until it should be ready. Raises UnitFault when it never gets ready.
    """
    supply = unit.supply
    supply.cycle()
    assert supply.powered_since is not None
    # From the command on, when power came at the earliest (a rectangle has a half-width of sqrt 3 of its standard
    # uncertainty): a charge bounded by this time leaves nothing out.
    since = supply.powered_since - largest_error(supply.came_within)
    period = max(supply.settle, SUPPLY_PERIOD)
    rows: list[tuple[float, float, float]] = []
    last: list[Measured] = []

    def read() -> None:
        volts, amperes = supply.both()
        rows.append((round(clock.now() - since, 6), volts.value, amperes.value))
        last.append(amperes)

    read()
    # At once: a supply that sums up the charge keeps summing while the unit works.
    waveform = supply.waveform()
    recorded = supply.inrush() if waveform is None else None
    while clock.now() - since + period < unit.startup_quiet_time():
        clock.sleep(period)
        read()
    unit.wait_until_ready()
    for _ in range(_SETTLED_READINGS - 1):
        clock.sleep(period)  # the unit that is ready is another load: what is read at once may be the old one
        read()
    while True:
        clock.sleep(period)
        read()
        final = last[-_SETTLED_READINGS:]
        mean = math.fsum(reading.value for reading in final) / len(final)
        settled = Measured(mean, "A", max(reading.standard_uncertainty for reading in final))
        settling = _settling(rows, settled)
        # Within its time to ready it may settle: the last readings may hold a step of the unit, or of a slow meter.
        if math.isfinite(settling.value) or clock.now() - since > PATIENCE * unit.profile.start.ready_within:
            break
    if waveform is not None:
        recorded = from_waveform(waveform, mean)
    drawn = [(round(time, 9), current.value) for time, current in waveform or ()]
    return StartCurve(rows, drawn, recorded, settling, settled)


def from_waveform(record: Sequence[tuple[float, Measured]], settled: float) -> MeasuredInrush:
    """Return peak (A) and charge (C) of a recorded current, straight between its readings.

    The charge is what lies above the current at the record's end, so that it does not grow with the record's length.
    Between two readings the true peak may lie higher than both: half of the larger step beside the peak counts as
    the limit of that error (rectangular). The errors of the readings are of one instrument and add up in the charge.
    Raises NotPerformed for a record that does not end near the current that the unit settles to, `settled` (A): it has
    missed the inrush, or ended in it.
    """
    times = [time for time, _ in record]
    values = [current.value for _, current in record]
    last = values[-max(2, len(values) // 10) :]
    end = math.fsum(last) / len(last)
    if abs(end - settled) > max(_NEAR_SETTLED * settled, _NEAR_PEAK * max(values)):
        raise NotPerformed(
            f"the supply's record ends at {end:.3g} A after {times[-1]:g} s, while the unit settles to "
            f"{settled:.3g} A: it ended before the inrush did. Give `waveform` of the stand file, and the command "
            "that arms it, more length"
        )
    found = waveform.inrush(times, values, steady=end)
    at = values.index(max(values))
    beside = values[max(0, at - 1) : at + 2]
    step = max(abs(values[at] - value) for value in beside)
    between = Term(
        "between two readings of the record", rectangular(0.5 * step), "rectangular", source="its step"
    )
    mean = math.fsum(current.standard_uncertainty for _, current in record) / len(record)
    whole = Term("accuracy of the supply's current", mean * times[-1], "rectangular", source="stand file")
    peak = Measured.of(found.peak, "A", *record[at][1].budget, between)
    return MeasuredInrush(peak, Measured.of(found.charge, "As", whole), times[-1])


def _settling(rows: list[tuple[float, float, float]], settled: Measured) -> Measured:
    """Return the time after which the current stays near its settled value; inf if it never does.

    Near is what the supply can tell: two of its readings may be wrong by all that they may be, one way and the other.
    """
    near = max(_BAND * abs(settled.value), 2.0 * largest_error(settled.standard_uncertainty))
    outside = [index for index, row in enumerate(rows) if abs(row[2] - settled.value) > near]
    if not outside:
        return _within(0.0, rows[0][0])
    if outside[-1] + 1 >= len(rows):
        return Measured(math.inf, "s")
    before, after = rows[outside[-1]][0], rows[outside[-1] + 1][0]
    return _within(before, after)


def _within(before: float, after: float) -> Measured:
    term = Term("between two readings", resolution(after - before), "rectangular", source="their times")
    return Measured.of(0.5 * (before + after), "s", term)


#: From this share of the supply's current limit on a peak may be the limit, and not the unit's.
_AT_LIMIT = 0.98


def peak_is_the_limit(unit: Unit, curve: StartCurve) -> str:
    """Return why a recorded peak says nothing of the unit, in words; empty where it does.

    A supply that limits its current below what the profile allows reads its own limit, whatever hangs there.
    """
    limit, allowed = unit.profile.ratings.current_limit, unit.profile.start.inrush_peak
    if curve.peak is None or allowed is None or limit > allowed or curve.peak.value < _AT_LIMIT * limit:
        return ""
    return (
        f"the supply held the current at its limit of {limit:g} A, below the {allowed:g} A that the profile allows, so "
        f"that no unit could fail: the stand would need a source that gives more than {allowed:g} A for a moment, and "
        "`current-limit` above that"
    )


def bound_inrush(unit: Unit, curve: StartCurve) -> str:
    """Say in words what a supply without a record still proves about the inrush. A bound is no measurement.

    Raises NotPerformed when the profile has a limit that the bound does not keep.
    """
    limit, allowed = unit.profile.ratings.current_limit, unit.profile.start.inrush_peak
    if allowed is not None and limit > allowed:
        raise NotPerformed(
            f"this supply keeps no record of the inrush, and its current limit of {limit:g} A lies above the "
            f"{allowed:g} A that the profile allows: nothing is known. Give the supply the command "
            "measure-peak-current or read-waveform, or lower current-limit in the profile"
        )
    stood = next((time for time, volts, _ in curve.rows if volts >= _STANDS * unit.supply.level), math.inf)
    words = (
        f"the inrush was not measured, this supply keeps no record of it; it is bounded by the supply's "
        f"limit of {limit:g} A, except for what the supply's own output capacitor delivers"
    )
    if math.isfinite(stood):
        words += f". The voltage stood after {stood:.3g} s: at most {limit * stood:.3g} C went in until then"
    return words


@dataclass(frozen=True, slots=True)
class ModeCurrent:
    """Current in one mode, with every output off or on, A."""

    mode: Mode
    outputs_on: bool
    amperes: Measured

    def row(self) -> tuple[str, str, float, float]:
        """Return mode, outputs, current, and its expanded uncertainty, as a row of a table."""
        return (
            str(self.mode),
            "on" if self.outputs_on else "off",
            self.amperes.value,
            round(self.amperes.expanded_uncertainty, 9),
        )


def current_by_mode(unit: Unit) -> list[ModeCurrent]:
    """Go through the modes, outputs off and then on, and measure the current in each.

    Outputs are commanded in every mode; they are driven, and load the supply, only where the unit is live.
    Raises UnitFault when a mode is not reached.
    """
    found = []
    for mode in unit.profile.mode_list():
        unit.modes.move_to(mode)
        found.append(ModeCurrent(mode, False, unit.supply.current()))
        if unit.outputs.names:
            unit.outputs.drive(*unit.outputs.names)
            found.append(ModeCurrent(mode, True, repeat(unit.supply.current, _SETTLED_READINGS)))
            unit.outputs.drive()
    return found


def loaded_current(unit: Unit) -> Measured:
    """Bring the unit live, measure its current with every output on, A, and command them off again."""
    unit.modes.move_to(Mode.LIVE)
    unit.outputs.drive(*unit.outputs.names)
    measured = unit.supply.current()
    unit.outputs.drive()
    return measured


_COLUMNS = ("at s", "voltage V", "without supply s", "time to ready s", "uncertainty s")


@dataclass(frozen=True, slots=True)
class StartTimes:
    """Mean and largest time to ready, s, by `hardest`; `spread` is the standard deviation (NaN for a single start)."""

    rows: list[tuple[float, float, float | None, float, float]]
    mean: Measured
    largest: Measured
    spread: float

    def table(self) -> tuple[str, Sequence[str], Sequence[Sequence[Any]]]:
        """Return name, columns and rows of every start."""
        return "time to ready of every start", _COLUMNS, self.rows

    def in_words(self) -> str:
        """Return the distribution in a sentence."""
        if len(self.rows) == 1:
            return f"one start, ready after {self.mean.value:.4g} s"
        return (
            f"{len(self.rows)} starts, ready after {self.mean.value:.4g} s on average, "
            f"{max(row[3] for row in self.rows):.4g} s at most, standard deviation {self.spread:.3g} s"
        )


def start_times(unit: Unit, last: int = 0) -> StartTimes:
    """Pool every start of the unit that was timed in this visit, or the `last`. Raises NotPerformed without any.

    The uncertainty of the mean is that of the scatter (GUM 4.2.3, with its degrees of freedom), and of a
    single look in quadrature: the interval of looking may have met every start alike.
    """
    seen = unit.starts[-last:]
    if not seen:
        raise NotPerformed("no start of this visit was timed")
    rows = [
        (
            round(start.at, 6),
            start.voltage,
            None if start.off is None else round(start.off, 6),
            round(start.took.value, 6),
            round(start.took.expanded_uncertainty, 6),
        )
        for start in seen
    ]
    largest = hardest((start.took for start in seen), unit.profile.start.ready_within)
    if len(seen) == 1:
        return StartTimes(rows, largest, largest, math.nan)
    spread = type_a([start.took.value for start in seen])
    each = max(start.took.standard_uncertainty for start in seen)
    mean = Measured(
        spread.mean, "s", math.hypot(spread.standard_uncertainty, each), float(spread.degrees_of_freedom)
    )
    return StartTimes(rows, mean, largest, spread.standard_deviation)


def reported_error(unit: Unit, stand: Stand, signals: SignalBank) -> Measured:
    """Return what the unit reports of its case less what the stand measures there, K.

    Of the uncertainty of the report only its last digit is known. Raises NotPerformed when the unit reports
    no temperature or the stand has no thermometer on the case.
    """
    register = unit.profile.link.temperature
    if register is None:
        raise NotPerformed("the profile knows no register with the case temperature")
    thermometer = SlotWiring(stand, unit.slot).sensor_of_unit("case", "degC")
    if thermometer is None:
        raise NotPerformed(f"no signal of the stand senses {unit.slot}.case in degC")
    digit = Term(
        "last digit of the unit", resolution(register.step), "rectangular", source="profile: register"
    )
    reported = Measured.of(unit.link.read(register), "degC", digit)
    measured = signals.measure(thermometer)
    unit.baseline.temperatures.append((reported, measured))
    return reported - measured


#: K by which a case has surely become warmer or colder, beyond what the stand's own thermometer may err.
_MOVED = 1.0


def fail_on_standing_thermometer(unit: Unit) -> None:
    """Raise UnitFault when the unit has reported one temperature throughout while its case became warmer or colder."""
    seen = unit.baseline.temperatures
    if len({reported.value for reported, _ in seen}) != 1:
        return
    (low, high) = (end(measured.value for _, measured in seen) for end in (min, max))
    known = max(measured.expanded_uncertainty for _, measured in seen)
    if high - low > known + _MOVED:
        reported = f"the unit reports {seen[0][0].value:g} degC throughout"
        raise UnitFault(
            f"{reported} while its case went from {low:.4g} to {high:.4g} degC", place="temperature"
        )
