"""What is accepted with its true value at the limit: at most 2.5 % of draws, for each kind of reading, without a visit.

The procedure's own arithmetic and the judge are real; drawn are the errors that the stand's files allow: accuracies as
even distributions over all of their width (the worst that is still an accuracy), scatters as normal ones. With
`HILSEQ_DRAWS=20000` the same is drawn so often that the bounds are narrow.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from hilseq.analysis.clock_error import clock_error as rate_of
from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.analysis.search import Bisection, locate
from hilseq.analysis.uncertainty import DecisionRule, Term, last_digit, rectangular
from hilseq.coverage.table import Rate
from hilseq.journal.entries import Reading
from hilseq.measured import Measured, repeat
from hilseq.plugin.judge import Judge
from hilseq.procedures.analog import STEPS, Comparison, SpotCheck, Swept
from hilseq.procedures.margins import RideThrough
from hilseq.procedures.points import _leakage
from hilseq.procedures.ports import clock_error
from tests.procedures.test_analog import channel

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


KINDS: tuple[Draw, ...] = (
    a_difference, a_leakage, a_battery, a_clock, a_spot, a_deviation, a_hysteresis, a_coarse_hysteresis,
    a_repeatability, a_crosstalk, a_threshold, a_ride_through, a_port_clock, a_scattering_meter, a_peak,
)  # fmt: skip


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
    rate = accepted(kind, 1.0)
    assert rate.bounds is not None
    assert rate.bounds[0] <= MOST, rate
    # Far inside, what scatters is all that keeps a channel from conforming.
    inside = 3.0 if kind in (a_battery, a_ride_through) else 0.3 if kind is a_threshold else 0.0
    assert (accepted(kind, inside, 20).value or 0.0) >= 0.7
