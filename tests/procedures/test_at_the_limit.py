"""What is accepted with its true value at the limit: at most 2.5 % of draws, for each kind of reading, without a visit.

The procedure's own arithmetic and the judge are real; drawn are the errors that the stand's files allow: accuracies as
even distributions over all of their width (the worst that is still an accuracy), scatters as normal ones. With
`HILSEQ_DRAWS=20000` the same is drawn so often that the bounds are narrow.
"""

from __future__ import annotations

import math
import os
import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hilseq.analysis.clock_error import clock_error as rate_of
from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.analysis.search import Bisection, locate
from hilseq.analysis.uncertainty import DecisionRule, Term, last_digit, rectangular, resolution
from hilseq.coverage.table import Rate
from hilseq.description.loading import load_profile
from hilseq.description.points import Port
from hilseq.description.stages import READINGS
from hilseq.journal.entries import Reading
from hilseq.measured import Measured, repeat
from hilseq.plugin.judge import Judge
from hilseq.procedures.analog import STEPS, AnalogPoints, Comparison, SpotCheck, Swept, ne43_input_bands
from hilseq.procedures.baseline import ClockLook
from hilseq.procedures.clock_check import _gained, fine_step
from hilseq.procedures.margins import RideThrough, _Ramping
from hilseq.procedures.patterns import _delays
from hilseq.procedures.points import _leakage
from hilseq.procedures.polling import poll
from hilseq.procedures.ports import Tally, clock_error, plan_of
from hilseq.procedures.power_on import from_waveform
from tests.instruments.conftest import SteppedClock
from tests.procedures.test_analog import channel

RH16 = load_profile(Path(__file__).parents[2] / "stands/units/rh16.yaml")

DRAWS = int(os.environ.get("HILSEQ_DRAWS", "200"))
#: Accepted at the limit at most so often; where few are drawn, as far above it as these can show.
MOST = 0.025
#: A true value at its limit 1, measured with the errors of this draw: the reading, its limits, what measures it again.
Draw = Callable[[random.Random, float], tuple[Measured, Limits, Callable[[], Measured] | None]]


def _even(draw: random.Random, width: float) -> float:
    return draw.uniform(-width, width)


def _accuracy(name: str, limit: float) -> Term:
    return Term(name, rectangular(limit), "rectangular", shared=name)


def a_difference(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A voltage drop: the supply's own voltage less that of a terminal, means of three looks, both with scatter."""
    supply, terminal = _even(draw, 0.02), _even(draw, 0.02)

    def mean(value: float, name: str) -> Measured:
        term = _accuracy(name, 0.02)
        return repeat(lambda: Measured.of(value + draw.gauss(0.0, 0.01), "V", term), 3)

    return mean(24.0 + supply, "s") - mean(24.0 - true + terminal, "t"), Limits(None, 1.0), None


def a_leakage(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A leakage: a voltage over a load that is only known to 10 %."""
    load = 1.0 + _even(draw, 0.10)
    volts = Measured.of(true * load + _even(draw, 0.05), "V", _accuracy("v", 0.05))
    return _leakage(volts, Measured(1.0, "Ohm", rectangular(0.10)), 1.0), Limits(None, 1.0), None


def a_battery(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A voltage that the unit's own converter tells, in steps."""
    told = round((true + _even(draw, 0.03)) / 0.05) * 0.05
    digit = Term("digit", last_digit(0.05), "rectangular")
    return Measured.of(told, "V", digit, _accuracy("own", 0.03)), Limits(1.0, None), None


def a_clock(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A drift of 100 ppm over 1000 s, by a clock of the stand good for 10 ppm; looks cut to steps of 5 and 10 ms."""
    off, limit = _even(draw, 10.0), 100.0

    def look(at: float) -> tuple[float, float]:
        shown = at * (1.0 + 1e-6 * true * limit) + _even(draw, 0.005)
        return at * (1.0 + 1e-6 * off) + _even(draw, 0.0025), shown

    found = rate_of(look(0.0), look(1000.0), clock_step=0.010, reference_step=0.005)
    both, own = Term("both", found.uncertainty_ppm), _accuracy("own", 10.0)
    return Measured.of(found.ppm, "ppm", both, own), Limits(-limit, limit), None


def a_spot(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """One point of a channel whose readings scatter by a quarter of its accuracy, on a stand good for a fifth."""
    off = _even(draw, 0.01)
    looks = tuple(
        Comparison(5.0, 5.0 + 0.05 * true + off + draw.gauss(0.0, 0.0125), rectangular(0.01))
        for _ in range(5)
    )
    return *SpotCheck(channel(), looks).deviation(), None


def _sweep(draw: random.Random, error: Callable[[int, bool], float], scatter: float, step: float) -> Swept:
    off, found = _even(draw, 0.01), Swept(replace(channel(), step=step))
    for falling, order in ((False, range(STEPS + 1)), (True, range(STEPS, -1, -1))):
        for number in order:
            looks = [number + error(number, falling) + off + draw.gauss(0.0, scatter) for _ in range(2)]
            told = [round(look / step) * step for look in looks]
            into = found.falling if falling else found.rising
            into.append([Comparison(float(number), each, rectangular(0.01)) for each in told])
    return found


def a_deviation(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A channel that is off by its accuracy at one end of its range only, and scatters by a quarter of it."""
    return *_sweep(draw, lambda n, _: 0.05 * true * n / STEPS, 0.0125, 0.001).deviation(), None


def a_hysteresis(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A channel that differs in one place by its accuracy, and scatters by a fifth of it."""

    def error(number: int, falling: bool) -> float:
        return 0.05 * true if falling and number == STEPS // 2 else 0.0

    return *_sweep(draw, error, 0.01, 0.001).hysteresis(), None


def a_coarse_hysteresis(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """The same, which is told in steps of a fifth of its accuracy and hardly scatters; where it lies is any place."""
    start = draw.random()

    def error(number: int, falling: bool) -> float:
        return 0.01 * start + (0.05 * true if falling and number == STEPS // 2 else 0.0)

    return *_sweep(draw, error, 1e-4, 0.01).hysteresis(), None


def a_repeatability(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A channel of which two standard deviations are its accuracy."""
    return *_sweep(draw, lambda *_: 0.0, 0.025 * true, 1e-4).repeatability(), None


def a_crosstalk(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A channel that the others move by its accuracy, seen in one look at either end, and that scatters."""
    found = _sweep(draw, lambda *_: 0.0, 0.01, 0.001)
    found.disturbed = 0.05 * true + draw.gauss(0.0, 0.01) - draw.gauss(0.0, 0.01)
    moved = found.crosstalk()
    assert moved is not None
    return *moved, None


def a_threshold(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A level searched by bisection, by a drive that is good for 0.05 of it."""
    off = _even(draw, 0.05)
    edge = locate(Bisection(0.0, 2.0, 0.03), lambda volts: volts + off < true)
    assert edge.middle is not None
    assert edge.standard_uncertainty is not None
    width = Term("width", edge.standard_uncertainty, "rectangular")
    return Measured.of(edge.middle, "V", width, _accuracy("drive", 0.05)), Limits(None, 1.0), None


def a_ride_through(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """The longest interruption survived: the supply falls late and rises late, each within its response."""

    def survives(seconds: float) -> bool:
        return seconds + draw.uniform(0.0, 0.1) - draw.uniform(0.0, 0.1) <= true

    edge = locate(Bisection(0.0, 3.0, 0.05, repeats=3), survives)
    response = Measured.of(0.0, "s", Term("response", 0.1 / 6**0.5, "rectangular"))
    return RideThrough(edge, response).value, Limits(1.0, None), None


def a_port_clock(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A port's clock that is off by 2 %, searched by an adapter that is good for 0.3 %."""
    off, half = _even(draw, 0.003), 1.0 / 21.0

    def carries(shift: float, *, patient: bool) -> bool:  # noqa: ARG001 - nothing is late here
        return abs((1.0 + shift) * (1.0 + off) / (1.0 + 0.02 * true) - 1.0) < half

    found = clock_error(carries, character_bits=11, accuracy=0.003, place="port 1")
    return found, Limits(-2.0, 2.0), None


def a_scattering_meter(draw: random.Random, true: float) -> tuple[Measured, Limits, Callable[[], Measured]]:
    """A current by a meter that scatters by half of its accuracy, five times and then as often as the judge asks."""
    off, term = _even(draw, 0.01), _accuracy("meter", 0.01)

    def measure() -> Measured:
        return Measured.of(true + off + draw.gauss(0.0, 0.005), "A", term)

    return repeat(measure, 5), Limits(None, 1.0), measure


def a_peak(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """An inrush peak: once, by a meter whose scatter the stand file states."""
    value = true + _even(draw, 0.01) + draw.gauss(0.0, 0.01)
    return Measured.of(value, "A", _accuracy("meter", 0.01), Term("scatter", 0.01)), Limits(None, 1.0), None


class Point:
    """One digital point that follows late, seen through scans, exchanges and drives that take their time."""

    names: tuple[str, ...] = ("p",)
    settle = 1.0

    def __init__(self, draw: random.Random, late: float, *, scan: float = 0.0, drive: float = 0.0) -> None:
        self.clock, self._draw, self._scan = SteppedClock(), draw, scan
        self.lag = self.longest_lag = scan or drive
        self._late = late + draw.uniform(0.0, drive)
        self._before, self._level, self._since = False, False, -9.0

    def command(self, *on: str) -> None:
        """Switch somewhere within an exchange."""
        before = self._draw.uniform(0.0, 0.02)
        self.clock.sleep(before)
        self._before, self._level, self._since = self._level, bool(on), self.clock.now()
        self.clock.sleep(0.02 - before)

    command_at_once = command

    def seen(self) -> dict[str, bool]:
        """Return what the last scan has seen, at some moment of an exchange."""
        before = self._draw.uniform(0.0, 0.02)
        self.clock.sleep(before)
        at = self.clock.now() - self._draw.uniform(0.0, self._scan)
        self.clock.sleep(0.02 - before)
        return {"p": self._level if at >= self._since + self._late else self._before}


def a_delay_seen_by_scans(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A switching delay, through an I/O whose scan of a fifth of the limit may have been at any time."""
    point = Point(draw, true, scan=0.2)
    return _delays(point, point.clock).get("p", Measured(9.0, "s")), Limits(None, 1.0), None


def a_delay_behind_a_drive(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """An input delay, by a drive that takes up to a tenth of the limit, the same each time."""
    point = Point(draw, true, drive=0.1)
    return _delays(point, point.clock).get("p", Measured(9.0, "s")), Limits(None, 1.0), None


def a_time(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A time to ready or to change: the power comes within 0.1 of it, and the unit is asked again and again."""
    clock, half = SteppedClock(), 0.05
    since = half + _even(draw, half)

    def done() -> bool:
        before = draw.uniform(0.0, 0.03)
        clock.sleep(before)
        now = clock.now()
        clock.sleep(0.03 - before)
        return now >= since + true

    took = poll(clock, done, within=9.0, since=half, link_deadline=1.0)
    assert took is not None
    came = Term("when power came", rectangular(half), "rectangular")
    return Measured.of(took.value, "s", *took.budget, came), Limits(None, 1.0), None


def a_temperature(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """What a unit reports of its case, in steps of 0.1 of what it may err, less what the stand's own sensor says."""
    off, warm, term = _even(draw, 0.1), draw.uniform(0.0, 1.0), _accuracy("case", 0.1)

    def measure() -> Measured:
        told = round((40.0 + warm + true + draw.gauss(0.0, 0.02)) / 0.1) * 0.1
        digit = Term("digit", resolution(0.1), "rectangular")
        return Measured.of(told, "degC", digit) - Measured.of(40.0 + warm + off, "degC", term)

    return repeat(measure, 3), Limits(-1.0, 1.0), None


def _counting(count: Callable[[Tally], None]) -> Tally:
    """Count frames of the only speed of the only port of a unit until its plan ends; 0.01 is its claim."""
    port = Port.model_validate({"partner": "echo", "bit-error-ratio": 0.01})
    tally = Tally(9600.0, plan_of(port, [port]))
    while tally.wants_more:
        count(tally)
    return tally


def a_bit_error_ratio(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """Bit errors in frames of 400 bits, none of which is lost."""
    tally = _counting(lambda tally: tally.add(400, sum(draw.random() < 0.01 * true for _ in range(400))))
    _, measured, limits = next(tally.readings())
    return measured, limits, None


def a_loss_ratio(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """Frames of 40 bits, of which so many are lost that it is the claim for each bit."""

    def count(tally: Tally) -> None:
        if draw.random() < 0.4 * true:
            tally.lost(40, "lost", silent=False)
        else:
            tally.add(40, 0)

    _, measured, limits = list(_counting(count).readings())[-1]
    return measured, limits, None


class Loop(AnalogPoints):
    """One input of a current loop, each look at which is drawn."""

    def __init__(self, look: Callable[[], float]) -> None:
        self.channels = {"ai1": channel("4..20 mA", "mA", signal_unit="mA")}
        self._one = look

    def set(self, quantities: Mapping[str, float]) -> None:
        """Drive nothing."""

    def release(self) -> None:
        """Let go of nothing."""

    def look(self) -> dict[str, Comparison]:
        """Return one look, A."""
        return {"ai1": Comparison(3.7e-3, self._one(), rectangular(1e-5))}


def a_band(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A reading at the end of its band (NE 43) of a channel that scatters by a quarter of its accuracy."""
    off = _even(draw, 1e-5)
    loop = Loop(lambda: 3.7e-3 + 1e-4 * true + off + draw.gauss(0.0, 2e-5))
    _, measured, limits = next(ne43_input_bands(loop, "ai1"))
    return measured, limits, None


def a_drop_out(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """A voltage at which a unit goes off, between two steps of a ramp, by a supply that is right to 0.03 of it."""
    off, above = _even(draw, 0.03), draw.uniform(0.0, 0.05)
    ramp = object.__new__(_Ramping)
    ramp._before, ramp._read = (
        Measured.of(volts + off, "V", _accuracy("v", 0.03)) for volts in (true + above, true + above - 0.05)
    )
    return ramp.edge, Limits(None, 1.0), None


def a_gain(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """What a clock gained between two looks, each spread over an exchange and cut to a step."""
    limit, step, spread = 0.1, fine_step(RH16), 0.04

    def look(at: float, gained: float) -> ClockLook:
        shown = (at + _even(draw, 0.5 * spread) + gained) // step * step
        return ClockLook(at, shown, spread)

    return _gained(RH16, look(10.0, 0.0), look(12.0, true * limit)), Limits(-limit, limit), None


def a_charge(draw: random.Random, true: float) -> tuple[Measured, Limits, None]:
    """The charge of an inrush that dies away, from a record by a meter that is right to a hundredth of its peak."""
    slow, peak = 8.0, true / 8.0
    off, term = (
        _even(draw, 0.01 / slow),
        Term("meter", rectangular(0.01 / slow), "rectangular", shared="meter"),
    )
    drawn = [0.1 + peak * math.exp(-seconds / slow) for seconds in range(100)]
    record = [(float(at), Measured.of(amperes + off, "A", term)) for at, amperes in enumerate(drawn)]
    charge = from_waveform(record, 0.1).charge
    assert charge is not None
    return charge, Limits(None, 1.0), None


KINDS: tuple[Draw, ...] = (
    a_delay_seen_by_scans, a_delay_behind_a_drive, a_time, a_band, a_drop_out, a_gain, a_charge, a_temperature,
    a_bit_error_ratio, a_loss_ratio,
    a_difference, a_leakage, a_battery, a_clock, a_spot, a_deviation, a_hysteresis, a_coarse_hysteresis,
    a_repeatability, a_crosstalk, a_threshold, a_ride_through, a_port_clock, a_scattering_meter, a_peak,
)  # fmt: skip


#: The draw that is like each reading of the shipped sequences; of what has none, why it needs none.
PROOF: dict[str, Draw | str] = {
    **dict.fromkeys(("time to ready", "time to ready, hot", "largest time to ready", "largest time to ready, hot",
                     "settling time of the current", "time to change", "time to change at the end"), a_time),
    "inrush peak": a_peak,
    "inrush charge": a_charge,
    **dict.fromkeys(("idle current", "live current", "loaded current", "idle current at the end",
                     "live current at the end"), a_scattering_meter),
    **dict.fromkeys(("error of the reported temperature", "error of the reported temperature at the end"),
                    a_temperature),
    "clock drift": a_clock,
    **dict.fromkeys(("battery voltage", "battery voltage at the end"), a_battery),
    "battery age": "a date, to the day",
    **dict.fromkeys((name for name in READINGS if name.startswith("clock error")), a_gain),
    "switching delay": a_delay_seen_by_scans,
    "input delay": a_delay_behind_a_drive,
    **dict.fromkeys(("voltage drop when on", "voltage when off"), a_difference),
    "leakage when off": a_leakage,
    **dict.fromkeys(("threshold rising", "threshold falling"), a_threshold),
    "largest deviation": a_deviation,
    "deviation at the end": a_spot,
    "hysteresis": a_hysteresis,
    "repeatability (2 s)": a_repeatability,
    "change caused by the others": a_crosstalk,
    **dict.fromkeys((name for name in READINGS if name.startswith(("reading at", "output"))), a_band),
    "bit error ratio": a_bit_error_ratio,
    "lost frames per bit": a_loss_ratio,
    "error of the port's clock": a_port_clock,
    "ride-through": a_ride_through,
    **dict.fromkeys(("drop-out voltage", "pick-up voltage"), a_drop_out),
}  # fmt: skip


def test_every_reading_of_the_shipped_sequences_is_drawn() -> None:
    """Who adds a reading says which of these draws it is like, or adds one."""
    assert set(PROOF) == set(READINGS)
    assert {kind for kind in PROOF.values() if not isinstance(kind, str)} | {a_coarse_hysteresis} == set(
        KINDS
    )


def accepted(kind: Draw, true: float, draws: int = DRAWS, seed: int = 1) -> Rate:
    """Return how often a true value, as a share of its limit, is accepted."""
    draw, hits = random.Random(f"{seed}/{kind.__name__}/{true}"), 0
    for _ in range(draws):
        kept: list[Reading] = []
        judge = Judge(DecisionRule.GUARDED, kept.append, lambda *_: None, check="c", slot="A", place="p")
        measured, limits, again = kind(draw, true)
        judge.record("v", measured, limits, again=again)
        hits += kept[0].verdict is ReadingVerdict.CONFORMS
    return Rate(hits, draws)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_at_the_limit_next_to_nothing_is_accepted(kind: Draw) -> None:
    """At most 2.5 % (JCGM 106:2012, 8.3.2; ILAC-G8:09/2019, 4.2, w = U); far inside all is."""
    slow = kind in (a_delay_seen_by_scans, a_delay_behind_a_drive)
    rate = accepted(kind, 1.0, DRAWS // 4 if slow else DRAWS)
    assert rate.bounds is not None
    assert rate.bounds[0] <= MOST, rate
    # Far inside, what scatters is all that keeps a channel from conforming.
    inside = 3.0 if kind in (a_battery, a_ride_through) else 0.3 if kind in (a_threshold, a_time) else 0.0
    assert (accepted(kind, inside, 5 if slow else 20).value or 0.0) >= 0.7


#: Of what more good ones are refused two guard bands inside, and why.
REFUSED_INSIDE = {
    a_bit_error_ratio: "few bits are counted, so that the bound is nearly the claim",
    a_loss_ratio: "the same",
    a_crosstalk: "one look at either end of a channel that scatters much here",
    a_deviation: "the worst of 44 single looks counts, with all its scatter",
    a_ride_through: "the shortest of three counts, so that a supply that falls late is taken for the unit",
}


@pytest.mark.parametrize(
    "kind", [kind for kind in KINDS if kind not in REFUSED_INSIDE], ids=lambda kind: kind.__name__
)
def test_two_guard_bands_inside_nearly_all_is_accepted(kind: Draw) -> None:
    """Producer's risk: one guard band inside half is refused, two inside at most a twentieth may be."""
    draw, known = random.Random(7), list[float]()
    for _ in range(9):
        measured, limits, _ = kind(draw, 1.0)
        ends = [end for end in (limits.low, limits.high) if end is not None]
        width = 0.5 * (ends[1] - ends[0]) if len(ends) > 1 else abs(ends[0])
        known.append(measured.expanded_uncertainty / width)
    inside = 2.0 * sum(known) / len(known)
    slow = kind in (a_delay_seen_by_scans, a_delay_behind_a_drive)
    rate = accepted(kind, 1.0 + inside if limits.high is None else 1.0 - inside, DRAWS // (20 if slow else 4))
    assert rate.bounds is not None
    assert rate.bounds[1] >= 0.95, rate
