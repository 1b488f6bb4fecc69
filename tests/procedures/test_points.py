"""Points one by one: loaded outputs and thresholds of a unit whose true values are known, and what is said of them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import Term, largest_error, rectangular
from hilseq.description.accuracy import THRESHOLD_FINENESS
from hilseq.description.points import InputPoint, OutputPoint
from hilseq.description.profile import Mode
from hilseq.errors import StandFault, UnitFault
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import RegisterBank
from hilseq.measured import Measured
from hilseq.procedures.limits import OutputLimits
from hilseq.procedures.points import (
    Inputs,
    Loaded,
    Outputs,
    Thresholds,
    _leakage,
    _times_usual,
    _usual,
    find_thresholds,
    measure_loaded,
)
from hilseq.procedures.wiring import SlotWiring
from tests.procedures.twin_unit import STANDS, TwinUnit, twin_unit

#: The limits of the RH16, V and A, at which q05 and q06 lie; and the drives of its inputs here.
DROP, LEAKAGE, SUPPLY = 0.8, 0.5e-3, 24.0
VOLT_DRIVEN = (
    "table: holding register, address: 100, scale: 0.001, unit: V, drives: A.i01, accuracy: 0.1 % + 10 mV"
)


def _output(drop: float, known: float, usual: float | None, off: float = 0.0) -> Loaded:
    """Return an output whose drop is known with this expanded uncertainty, V."""
    return Loaded("v03", Measured(drop, "V", 0.5 * known), Measured(off, "V", 0.5 * known), None, usual=usual)


def test_the_time_to_switch_off_runs_from_the_end_of_the_command(
    good: TwinUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a slow link the command to switch off takes longer than the output may: it still has its time then."""
    outputs, link = good.unit.outputs, good.unit.link
    seen: list[tuple[bool, int | None]] = []
    monkeypatch.setattr(outputs, "commanding", lambda on: seen.append((on, link.commands)))
    begun = link.commands
    outputs.command(outputs.names[0])
    outputs.command()
    assert seen == [(True, begun), (False, link.commands)]


@pytest.mark.parametrize(
    ("drop", "known", "usual", "at_fault"),
    [
        (0.09, 0.001, 0.4, True),  # less than a quarter
        (0.11, 0.001, 0.4, False),
        (0.05, 0.17, 0.4, True),  # below what the stand can distinguish from the usual: 0.4 - 2 * 0.17
        (0.07, 0.17, 0.4, False),
        (0.01, 0.001, 0.8, True),  # the others just keep their limit
        (0.01, 0.001, 0.81, False),  # they do not: nothing can be said by them
        (0.0, 0.001, None, False),
    ],
)
def test_a_load_that_is_missing_is_the_stands(
    drop: float, known: float, usual: float | None, at_fault: bool
) -> None:
    """An output that loses next to nothing where the others lose something carries no load."""
    limits = OutputLimits(Limits(None, 5.0), Limits(None, DROP), None)
    output = _output(drop, known, usual)
    if at_fault:
        with pytest.raises(StandFault, match=r"v03 shows a drop of .*is its load open") as caught:
            list(output.against(limits))
        assert caught.value.places == ("v03",)
    else:
        assert len(list(output.against(limits))) == 2


def test_without_a_limit_of_the_drop_the_others_tell_all_the_same() -> None:
    """What is usual has no limit to keep then."""
    with pytest.raises(StandFault, match="is its load open"):
        list(_output(0.01, 0.001, 3.0).against(OutputLimits(Limits(None, 5.0), None, None)))


@pytest.mark.parametrize("beyond", [0.98, 1.02])
def test_less_than_nothing_is_the_stands(beyond: float) -> None:
    """Twice the largest error of the stand below zero, sqrt 3 standard uncertainties each, no output can be."""
    limits = OutputLimits(Limits(None, 5.0), Limits(None, DROP), None)
    least = -2.0 * math.sqrt(3.0) * 0.05 * beyond
    for output in (_output(least, 0.1, None), _output(0.2, 0.1, None, off=least)):
        if beyond < 1.0:
            assert len(list(output.against(limits))) == 2
        else:
            with pytest.raises(StandFault, match="no output has less than"):
                list(output.against(limits))


def test_an_input_that_never_changes_over_is_at_fault() -> None:
    """In the words of the side that was searched."""
    edge = Measured(8.0, "V", 0.05)
    with pytest.raises(UnitFault, match="i05 does not change over falling between 0 V and the rated supply"):
        dict(Thresholds(edge, None).both("i05"))
    with pytest.raises(UnitFault, match="i05 does not change over rising") as caught:
        dict(Thresholds(None, edge).both("i05"))
    assert caught.value.places == ("i05",)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """A live unit with a drop and a leakage at their limits, on a stand that drives its inputs with voltages."""
    folder = tmp_path_factory.mktemp("live")
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    for old, new in (
        ("table: coil, address: 0, drives: A.i01", VOLT_DRIVEN),
        ("  at i01..at i16: {drive: i01, sense: bi01}\n", ""),
    ):
        assert old in text
        text = text.replace(old, new)
    stand = folder / "sim-bench.yaml"
    stand.write_text(text, encoding="utf-8")
    made = twin_unit(
        folder, "true-voltage-drop@q05,severity=0.5", "true-leakage@q06,severity=0.5", stand=stand
    )
    made.unit.modes.move_to(Mode.LIVE)
    yield made
    made.close()


def _loads(live: TwinUnit) -> dict[str, Measured]:
    wiring = SlotWiring(live.bench.stand, live.unit.slot)
    return {name: load for name in live.unit.outputs.names if (load := wiring.load(name)) is not None}


@pytest.fixture(scope="module")
def loaded(live: TwinUnit) -> dict[str, Loaded]:
    """Its outputs under their load."""
    return measure_loaded(live.unit.outputs, live.unit.supply.voltage, _loads(live), live.clock)


def test_drop_and_leakage_are_the_true_ones(live: TwinUnit, loaded: dict[str, Loaded]) -> None:
    """Each within its uncertainty, on a stand whose instruments are as good as they say; the others are healthy."""
    assert tuple(loaded) == live.unit.outputs.measured
    assert len(loaded) == 16
    drop, leakage = loaded["q05"].drop, loaded["q06"].leakage
    assert leakage is not None
    assert abs(drop.value - DROP) <= drop.expanded_uncertainty < 0.05 * DROP
    assert abs(leakage.value - LEAKAGE) <= leakage.expanded_uncertainty < 0.12 * LEAKAGE
    assert loaded["q06"].off_voltage.value == pytest.approx(48.0 * leakage.value)
    assert (loaded["q05"].channel, loaded["q06"].channel) == ("v05", "v06")
    for name in set(loaded) - {"q05", "q06"}:
        leaks = loaded[name].leakage
        assert leaks is not None
        assert 0.05 < loaded[name].drop.value < 0.8 * DROP, name
        assert leaks.value < 0.8 * LEAKAGE, name
    assert not any(live.unit.outputs.sensed().values()), "all are off afterwards"


def test_the_budget_of_a_leakage_has_the_tolerance_of_its_load(loaded: dict[str, Loaded]) -> None:
    """The relative uncertainties of voltage and resistance add in quadrature (GUM 5.1.6): the load, 1 % smaller."""
    leakage, volts = loaded["q06"].leakage, loaded["q06"].off_voltage
    assert leakage is not None
    terms = {term.name: term.value for term in leakage.terms}
    assert terms.pop("tolerance of the load") == pytest.approx(rectangular(0.01 / 0.99 * leakage.value))
    assert math.hypot(*terms.values()) == pytest.approx(volts.standard_uncertainty / 48.0)


def test_a_load_that_may_be_too_small_leaves_the_leakage_open(loaded: dict[str, Loaded]) -> None:
    """Twice the drop may be half the load: the leakage may then be twice what is read (rectangular, GUM 4.3.7)."""
    suspect, usual = loaded["q05"], loaded["q06"]
    assert suspect.leakage is not None
    assert suspect.usual is not None
    times = suspect.drop.value / suspect.usual
    assert times > 1.5
    highest = suspect.leakage.value + suspect.leakage.expanded_uncertainty
    assert highest >= 0.95 * times * suspect.leakage.value
    assert usual.leakage is not None
    assert "load, by the drop" not in [term.name for term in usual.leakage.terms]


@given(st.floats(-1.0, 24.0), st.floats(1.0, 1e4), st.floats(0.001, 1.5), st.floats(1.0, 5.0))
def test_a_leakage_reaches_to_that_of_the_smallest_load(
    volts: float, ohms: float, tolerance: float, smaller: float
) -> None:
    """Ohm's law with the load less its tolerance, of which nine tenths are the most, and with one so much smaller."""
    load = Measured(ohms, "Ohm", rectangular(tolerance * ohms))
    found = _leakage(Measured.of(volts, "V", Term("meter", 0.01)), load, smaller)
    terms = {term.name: term.value for term in found.terms}
    amperes = abs(volts) / ohms
    assert found.value == pytest.approx(volts / ohms)
    assert terms.pop("meter") == pytest.approx(0.01 / ohms)
    more = abs(volts) / (ohms * (1.0 - min(tolerance, 0.9))) - amperes
    assert largest_error(terms.pop("tolerance of the load")) == pytest.approx(more, rel=1e-6, abs=1e-12)
    assert bool(terms) == (smaller > 1.0)
    by_drop = largest_error(terms.get("load, by the drop", 0.0))
    assert by_drop == pytest.approx(abs(volts) / (ohms / smaller) - amperes, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("drop", "known", "usual", "times"),
    [
        (0.52, 0.01, 0.4, 1.275),  # surely more than 1.25 times
        (0.50, 0.01, 0.4, 1.0),  # 1.225 times, as far as is known
        (0.10, 0.01, 0.4, 1.0),
        (0.50, 0.01, 0.0, 1.0),
        (0.50, 0.01, -0.1, 1.0),
        (0.50, 0.01, None, 1.0),
    ],
)
def test_a_load_is_only_taken_for_too_small_where_that_is_sure(
    drop: float, known: float, usual: float | None, times: float
) -> None:
    """What an output loses, less all its uncertainty, against what the others lose."""
    assert _times_usual(Measured(drop, "V", 0.5 * known), usual) == pytest.approx(times)


def test_three_looks_show_the_scatter_and_one_does_not(live: TwinUnit, loaded: dict[str, Loaded]) -> None:
    """Three looks have two degrees of freedom; what is measured anew is one look, for `judge` to gather."""
    for measured in (loaded["q05"].drop, loaded["q05"].off_voltage):
        assert [term.degrees_of_freedom for term in measured.terms if "scatter" in term.name][:1] == [2.0]
    once = measure_loaded(live.unit.outputs, live.unit.supply.voltage, {}, live.clock, looks=1)
    assert not once["q05"].drop.scatter_is_known
    assert once["q05"].leakage is None, "nothing is known of its load"
    assert once["q05"].drop.value == pytest.approx(DROP, abs=0.05)


def test_what_is_usual_is_what_the_others_lose(loaded: dict[str, Loaded]) -> None:
    """The median of all others; two say nothing."""
    for name in ("q01", "q05"):
        others = [each.drop.value for other, each in loaded.items() if other != name]
        assert loaded[name].usual == pytest.approx(median(others))
    assert _usual([0.1, 0.2]) is None
    assert _usual([0.1, 0.2, 0.4]) == 0.2


def test_a_reading_is_measured_again_by_its_name(loaded: dict[str, Loaded]) -> None:
    """Each name that is judged has its own; without a way to measure anew there is none."""
    first, anew = loaded["q05"], replace(loaded["q06"], anew=None)
    repeated = replace(first, anew=lambda: anew)
    limits = OutputLimits(Limits(None, 5.0), Limits(None, DROP), Limits(None, LEAKAGE))
    names = [name for name, _, _ in first.against(limits)]
    assert names == ["voltage when off", "voltage drop when on", "leakage when off"]
    found = [again() for name in names if (again := repeated.again(name)) is not None]
    assert found == [anew.off_voltage, anew.drop, anew.leakage]
    assert [anew.again(name) for name in names] == [None, None, None]


def test_only_what_is_claimed_is_judged(loaded: dict[str, Loaded]) -> None:
    """The voltage when off always; drop and leakage where the profile has limits, and the stand the reading."""
    off = Limits(None, 5.0)
    judged = list(loaded["q05"].against(OutputLimits(off, None, None)))
    assert judged == [("voltage when off", loaded["q05"].off_voltage, off)]
    blind = replace(loaded["q05"], leakage=None)
    claims = OutputLimits(off, None, Limits(None, LEAKAGE))
    assert [name for name, _, _ in blind.against(claims)] == ["voltage when off"]
    assert [name for name, _, _ in loaded["q06"].against(claims)] == ["voltage when off", "leakage when off"]


def test_an_input_changes_over_at_its_thresholds_and_nowhere_else(live: TwinUnit) -> None:
    """Found by bisection, and tried: beyond them it changes, short of them it does not, from either side."""
    inputs = live.unit.inputs
    found = find_thresholds(inputs, inputs.names, SUPPLY)
    assert set(found) == set(inputs.names)
    assert not any(inputs.reported().values()), "nothing is driven afterwards"
    edges = {name: dict(each.both(name)) for name, each in found.items()}
    for name, (rising, falling) in ((name, edge.values()) for name, edge in edges.items()):
        assert list(edges[name]) == ["threshold rising", "threshold falling"]
        assert 0.5 < rising.value - falling.value < 1.1, "0.8 V of hysteresis"
        fine = rectangular(0.5 * THRESHOLD_FINENESS * SUPPLY)
        drive = rectangular(0.001 * rising.value + 0.010)
        assert rising.standard_uncertainty == pytest.approx(math.hypot(fine, drive), rel=0.35), name
    for start, word, sign in ((0.0, "threshold rising", 1.0), (SUPPLY, "threshold falling", -1.0)):
        for beyond in (True, False):
            inputs.drive_volts(dict.fromkeys(inputs.names, start))
            step = sign * (3.0 if beyond else -3.0)
            seen = inputs.drive_volts(
                {
                    name: edge[word].value + step * edge[word].standard_uncertainty
                    for name, edge in edges.items()
                }
            )
            assert set(seen.values()) == {(start == 0.0) is beyond}, (word, beyond)
    inputs.release()


def test_a_drive_is_known_as_well_as_its_channel(live: TwinUnit) -> None:
    """0.1 % and 10 mV of the stand file, rectangular, and the last digit of 1 mV."""
    known = math.hypot(rectangular(0.020), rectangular(0.0005))
    assert live.unit.inputs.drive_uncertainty("i03", 10.0) == pytest.approx(known)


def test_points_are_commanded_by_name(live: TwinUnit) -> None:
    """Those named are on and all others off; a name that is none is refused before anything is written."""
    outputs, inputs = live.unit.outputs, live.unit.inputs
    asked: list[bool] = []
    before, outputs.commanding = outputs.commanding, asked.append
    try:
        for points in (outputs, inputs):
            seen = points.drive("q03", "q07") if points is outputs else points.drive("i03", "i07")
            assert [name[1:] for name, on in seen.items() if on] == ["03", "07"]
            with pytest.raises(LookupError):
                points.command("x99")
            points.command()
    finally:
        outputs.commanding = before
    assert asked == [True, False]
    settles = live.bench.signals.signals["i03"].settle
    assert inputs.lag == settles, "the unit reports its inputs itself: late is the terminal"
    assert {level.output for level in outputs.levels()} == set(outputs.names)
    assert all(level.settle == outputs.settle == 0.05 for level in outputs.levels())
    live.clock.sleep(0.2)
    assert set(live.bench.signals.snapshot(["i03", "i07"]).values()) == {0.0}
    assert not any(outputs.seen().values())
    assert not any(inputs.seen().values())


@pytest.mark.parametrize(("times", "settle"), [((0.05, 0.2, 0.1), 0.2), ((), 0.0)])
def test_the_slowest_point_is_waited_for(live: TwinUnit, times: tuple[float, ...], settle: float) -> None:
    """Outputs and inputs settle when the last of them has; without any there is nothing to wait for."""
    table = {"table": "coil", "address": 0}
    outputs = {
        f"q{n}": OutputPoint.model_validate({"command": table, "settle": f"{s} s"})
        for n, s in enumerate(times)
    }
    inputs = {
        f"i{n}": InputPoint.model_validate({"report": table, "settle": f"{s} s"}) for n, s in enumerate(times)
    }
    device = ModbusDevice.over_tcp("none", "127.0.0.1:1", deadline=1.0)
    nothing = RegisterBank({}, device)
    assert Outputs(outputs, nothing, live.bench.signals, {}, live.clock).settle == settle
    assert Inputs(inputs, nothing, live.bench.signals, {}, live.clock).settle == settle
