"""Judging in base units: what was measured in mA meets limits in A."""

from __future__ import annotations

import json
import math
import random

import pytest

from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.analysis.uncertainty import DecisionRule, Term, rectangular
from hilseq.errors import NotResolvable, StandFault, UnitFault
from hilseq.journal.entries import Reading
from hilseq.measured import Measured, repeat
from hilseq.plugin.judge import Judge, require_resolved
from hilseq.procedures.limits import OutputLimits
from hilseq.procedures.points import Loaded
from hilseq.quantities import base_unit


def _judge(kept: list[Reading]) -> Judge:
    return Judge(DecisionRule.GUARDED, kept.append, lambda *_: None, check="c", slot="A", place="ai1")


def _accepted(true: float, scatter: float, seed: int, tries: int, first: int = 5) -> float:
    """Return how often a quantity that may be 1 at most is accepted, by an instrument good for 0.01 that scatters.

    `first` readings are taken before anything is judged.
    """
    draw, accepted = random.Random(seed), 0
    for _ in range(tries):
        off = draw.uniform(-0.01, 0.01)

        def measure(off: float = off) -> Measured:
            return Measured(true + off + draw.gauss(0.0, scatter), "V", rectangular(0.01))

        kept: list[Reading] = []
        begun = measure() if first == 1 else repeat(measure, first)
        _judge(kept).record("v", begun, Limits(None, 1.0), again=measure)
        accepted += kept[0].verdict is ReadingVerdict.CONFORMS
    return accepted / tries


def test_a_single_look_far_inside_is_enough() -> None:
    """Three guard bands from the limit nothing is measured again: a healthy unit costs one look."""
    assert _accepted(0.9, 0.001, seed=3, tries=50, first=1) == 1.0

    def never() -> Measured:
        raise AssertionError("measured again")

    judge = _judge([])
    assert judge("v", Measured(0.96, "V", 0.0066), Limits(None, 1.0), again=never) is ReadingVerdict.CONFORMS
    with pytest.raises(AssertionError, match="measured again"):
        judge("v", Measured(0.965, "V", 0.0066), Limits(None, 1.0), again=never)


def test_measuring_again_resolves_what_scatter_hides() -> None:
    """Where one reading of a scattering quantity is too near, the mean of many tells."""
    readings = iter([0.06, -0.05, 0.02, -0.04, 0.01, 0.03, -0.03, 0.0, 0.02, -0.02, *[0.01, -0.01] * 5])
    events: list[str] = []
    kept: list[Reading] = []
    judge = Judge(
        DecisionRule.GUARDED, kept.append, lambda _, text: events.append(text), check="c", slot="A", place="p"
    )

    def measure() -> Measured:
        return Measured(0.95 + next(readings), "V", 0.005)

    assert (
        judge("v", Measured(0.995, "V", 0.005), Limits(None, 1.0), again=measure) is ReadingVerdict.CONFORMS
    )
    assert [len(kept), len(events)] == [1, 1]
    assert events[0].startswith("v was 0.995 V ± 0.010 V, near its limits")


def test_what_stays_too_near_is_measured_a_stated_number_of_times() -> None:
    """It ends undecided after the last of the looks; a clear reading, or one that happens once, is not repeated."""
    count = 0

    def measure() -> Measured:
        nonlocal count
        count += 1
        return Measured(1.001, "V", 0.005)

    kept: list[Reading] = []
    judge = _judge(kept)
    assert judge("v", measure(), Limits(None, 1.0), again=measure) is ReadingVerdict.MARGINAL
    assert count == 1 + 20
    assert judge("v", measure(), Limits(None, 1.0)) is ReadingVerdict.MARGINAL
    assert judge("v", measure(), Limits(None, 2.0), again=measure) is ReadingVerdict.CONFORMS
    assert count == 1 + 20 + 2


def test_the_first_further_look_is_ten_readings_each_with_a_twentieth_of_the_risk() -> None:
    """Two looks share a tenth of 4.55 %: Student's t of 9 degrees of freedom is 4.209 there, 2.320 at 95.45 %."""
    readings = iter([0.90 + 0.01 * (-1.0) ** n for n in range(10)])
    kept: list[Reading] = []
    begun = Measured(0.999, "V", 0.0005)
    _judge(kept)("v", begun, Limits(None, 1.0), again=lambda: Measured(next(readings), "V", 0.0005))
    (reading,) = kept
    assert next(readings, None) is None
    assert reading.value == pytest.approx(0.90)
    scatter, accuracy = reading.terms
    of_the_mean = 0.01 * math.sqrt(10.0 / 9.0) / math.sqrt(10.0)
    assert scatter.value == pytest.approx(of_the_mean * 4.2093 / 2.3198, rel=1e-4)
    assert (scatter.degrees_of_freedom, accuracy.value) == (9.0, 0.0005)


def _never() -> Measured:
    raise AssertionError("measured again")


def test_what_is_known_well_enough_is_not_measured_again() -> None:
    """A mean whose scatter is known decides as it is; so does a single reading where no guard band is wanted."""
    mean = Measured.of(0.97, "V", Term("scatter of the mean", 0.005, "t", 30.0), Term("accuracy", 0.005))
    assert _judge([])("v", mean, Limits(None, 1.0), again=_never) is ReadingVerdict.CONFORMS
    kept: list[Reading] = []
    simple = Judge(DecisionRule.SIMPLE, kept.append, lambda *_: None, check="c", slot="A", place="p")
    near = Measured(0.999, "V", 0.005)
    assert simple("v", near, Limits(None, 1.0), again=_never) is ReadingVerdict.CONFORMS


def test_a_coverage_factor_is_kept_where_there_is_an_uncertainty() -> None:
    """What is exact, a count say, has none."""
    kept: list[Reading] = []
    judge = _judge(kept)
    judge("starts", Measured(5.0, ""), Limits(None, 5.0))
    judge("drop", Measured(0.5, "V", 0.1), Limits(None, 0.8))
    assert [reading.coverage_factor for reading in kept] == [None, pytest.approx(2.0)]
    assert [str(reading.verdict) for reading in kept] == ["conforms", "conforms"]


def test_no_stand_resolves_a_reading_on_its_limit() -> None:
    """Nothing is left between the two."""
    kept: list[Reading] = []
    _judge(kept)("loop", Measured(20.0, "mA", 0.1), Limits(0.004, 0.020))
    with pytest.raises(NotResolvable, match=r"this stand cannot tell: no stand can$"):
        require_resolved(kept)


def test_a_reading_in_milliamperes_meets_limits_in_amperes() -> None:
    """12.5 mA +- 0.2 mA conforms to 4 to 20 mA, and is kept as 0.0125 A with its uncertainty."""
    kept: list[Reading] = []
    _judge(kept)("loop", Measured(12.5, "mA", 0.1), Limits(0.004, 0.020))
    assert kept[0].value == pytest.approx(0.0125)
    assert kept[0].unit == "A"
    assert kept[0].uncertainty == pytest.approx(0.0002)
    assert (kept[0].check, kept[0].slot, kept[0].place, str(kept[0].rule)) == ("c", "A", "ai1", "guarded")
    with pytest.raises(UnitFault, match="loop is 25"):
        _judge(kept)("loop", Measured(25.0, "mA", 0.1), Limits(0.004, 0.020))
    assert [str(reading.verdict) for reading in kept] == ["conforms", "fails"]


@pytest.mark.parametrize(
    ("unit", "base"),
    [
        ("mA", ("A", 1e-3)),
        ("V", ("V", 1.0)),
        ("%", ("", 0.01)),
        ("h", ("s", 3600.0)),
        ("", ("", 1.0)),
        ("x", ("x", 1.0)),
    ],
)
def test_base_units(unit: str, base: tuple[str, float]) -> None:
    """Every symbol of ours has its base unit; a plain number and a strange word are their own."""
    assert base_unit(unit) == base


def test_a_bare_number_is_no_reading() -> None:
    """The author of a sequence learns what to give instead."""
    with pytest.raises(TypeError, match=r"'loop' is judged by 12\.5.*expected hilseq\.Measured"):
        _judge([])("loop", 12.5, Limits(4.0, 20.0))  # type: ignore[arg-type]


@pytest.mark.parametrize(("value", "room"), [(19.9, "0.1 mA"), (20.15, "0.15 mA")])
def test_a_reading_too_near_its_limit_is_nobodys_fault(value: float, room: str) -> None:
    """On either side of the limit: nothing is raised where it is judged, and the check says what it would take."""
    kept: list[Reading] = []
    _judge(kept)("loop", Measured(value, "mA", 0.1), Limits(0.004, 0.020))
    assert [str(reading.verdict) for reading in kept] == ["marginal"]
    with pytest.raises(NotResolvable, match=f"this stand cannot tell: it takes \u00b1 {room}$") as caught:
        require_resolved(kept)
    assert caught.value.places == ("ai1",)


def test_readings_that_are_resolved_need_nothing() -> None:
    """Neither one inside its limits nor one outside is asked for again."""
    kept: list[Reading] = []
    _judge(kept)("loop", Measured(12.5, "mA", 0.1), Limits(0.004, 0.020))
    _judge(kept).record("loop", Measured(25.0, "mA", 0.1), Limits(0.004, 0.020))
    require_resolved(kept)


def test_few_repeats_are_guarded_by_students_factor() -> None:
    """Four degrees of freedom: k = 2.87 at 95.45 % (JCGM 100, table G.2), so 0.25 mA of room are too few at 0.1 mA."""
    kept: list[Reading] = []
    _judge(kept)("loop", Measured(19.75, "mA", 0.1, 4.0), Limits(0.004, 0.020))
    _judge(kept)("loop", Measured(19.75, "mA", 0.1), Limits(0.004, 0.020))
    assert [str(reading.verdict) for reading in kept] == ["marginal", "conforms"]
    assert kept[0].uncertainty == pytest.approx(2.87e-4, rel=2e-3)


def test_a_reading_carries_its_budget() -> None:
    """Terms, effective degrees of freedom and k of JCGM 100:2008 G.4.1's own example of relative uncertainties.

    0.25, 0.57 and 0.82 % with 9, 4 and 14 degrees of freedom: 1.03 % together, 19.0 effective (from memory;
    recomputed 1.02947 and 18.9987).
    """
    parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
    terms = [
        Term(f"x{n}", u, "t", degrees, f"{degrees + 1:g} readings") for n, (u, degrees) in enumerate(parts)
    ]
    kept: list[Reading] = []
    _judge(kept)("y", Measured.of(100.0, "V", *terms), Limits(None, 120.0))
    (reading,) = kept
    assert [(term.name, term.value, term.source) for term in reading.terms] == [
        ("x0", 0.25, "10 readings"),
        ("x1", 0.57, "5 readings"),
        ("x2", 0.82, "15 readings"),
    ]
    assert reading.degrees_of_freedom == pytest.approx(18.9987, abs=1e-4)
    assert reading.uncertainty is not None
    assert reading.coverage_factor == pytest.approx(reading.uncertainty / 1.0294659)
    assert json.loads(reading.model_dump_json())["terms"][2]["distribution"] == "t"


def test_a_difference_in_millivolts_keeps_the_terms_of_both() -> None:
    """In base units, each with its own source; a leakage has that of its load too."""
    supply = Measured.of(24.0, "V", Term("accuracy of the supply", 0.01, "rectangular"))
    terminal = Measured.of(
        23500.0, "mV", Term("accuracy of v01", 4.0, "rectangular"), Term("scatter", 2.0, "t", 2.0)
    )
    drop = supply - terminal
    assert [term.name for term in drop.terms] == ["accuracy of the supply", "accuracy of v01", "scatter"]
    assert [term.value for term in drop.terms] == pytest.approx([0.01, 0.004, 0.002])
    assert (drop * -2.0).terms[0].value == pytest.approx(0.02)
    assert drop.expanded_uncertainty == pytest.approx(
        math.hypot(2.0 * 0.01, 2.0 * 0.004, 4.5265 * 0.002), rel=1e-4
    ), "Student's factor of two degrees of freedom is the scatter's alone (JCGM 100:2008 table G.2: 4.53)"


@pytest.mark.parametrize(("drop", "off"), [(-4.8, 0.01), (0.2, -3.0)])
def test_what_no_output_can_do_is_the_stands_fault(drop: float, off: float) -> None:
    """More than the supply has, or less than 0 V: the channel is named, and the unit is not."""
    limits = OutputLimits(Limits(None, 5.0), Limits(None, 0.8), None)
    loaded = Loaded("v03", Measured(drop, "V", 0.018), Measured(off, "V", 0.001), None)
    with pytest.raises(StandFault, match="v03 shows a ") as caught:
        list(loaded.against(limits))
    assert caught.value.places == ("v03",)
    sound = Loaded("v03", Measured(-0.02, "V", 0.018), Measured(-0.001, "V", 0.001), None)
    assert [name for name, _, _ in sound.against(limits)] == ["voltage when off", "voltage drop when on"]


def test_an_output_that_carries_no_load_is_reported_by_the_others() -> None:
    """Where the others lose 230 mV, 10 mV is an open load; 120 mV is a good switch, and weak others say nothing."""
    limits = OutputLimits(Limits(None, 5.0), Limits(None, 0.8), None)
    off = Measured(0.0, "V", 0.001)
    with pytest.raises(StandFault, match="is its load open"):
        list(Loaded("v03", Measured(0.01, "V", 0.015), off, None, usual=0.23).against(limits))
    for drop, usual in ((0.12, 0.23), (0.01, 0.03), (0.23, 1.3), (0.01, None)):
        assert list(Loaded("v03", Measured(drop, "V", 0.015), off, None, usual=usual).against(limits))


@pytest.mark.parametrize("scatter", [0.001, 0.01, 0.05])
def test_measuring_again_accepts_no_more_at_the_limit_than_is_promised(scatter: float) -> None:
    """At the limit at most 2.5 % (ILAC-G8:09/2019 4.2, w = U): two standard deviations above what is seen, below 4 %.

    Looking again after 5, 10 and 20 readings at a quarter of the risk each had 5.3 % here.
    """
    tries = 2000
    assert _accepted(1.0, scatter, seed=1, tries=tries) + 2.0 * math.sqrt(0.04 * 0.96 / tries) <= 0.04


@pytest.mark.parametrize(("first", "scatter"), [(1, 0.001), (1, 0.01), (3, 0.01), (3, 0.05)])
def test_one_look_and_few_looks_accept_no_more_than_is_promised(first: int, scatter: float) -> None:
    """A first single look is not believed near the limit: it accepted 16 % where the scatter is the whole accuracy."""
    tries = 2000
    assert (
        _accepted(1.0, scatter, seed=2, tries=tries, first=first) + 2.0 * math.sqrt(0.04 * 0.96 / tries)
        <= 0.04
    )
