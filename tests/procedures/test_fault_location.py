"""Faults of the harness and of the unit that look alike: each is distinguished from the other, or nobody is blamed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from hilseq.analysis.limits import Limits
from hilseq.errors import HilseqError, StandFault, UnitFault, UnitOrHarness
from hilseq.procedures import feeder, margins, outputs_off
from hilseq.procedures.analog import Comparison
from hilseq.procedures.fault_location import FaultLocation, _require_scale
from hilseq.procedures.readiness import Readiness
from tests.procedures.twin_unit import TwinUnit, twin_unit

pytestmark = pytest.mark.whole_run

FAULTS = Path(__file__).parents[1] / "end_to_end" / "harness_faults.py"


def _twin(folder: Path, *kinds: str, ready: bool = True) -> TwinUnit:
    return twin_unit(folder, *kinds, defect_files=(FAULTS,), seed=3, ready=ready)


@pytest.fixture(scope="module")
def broken_harness(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """A good unit on a harness with many faults, none of which meets another."""
    kinds = ("voltmeter-low", "voltmeter-high", "load-open", "load-low", "analog-channel", "thermometer")
    more = (
        "inputs-exchanged",
        "loops-exchanged",
        "lamp-channel",
        "ammeter",
        "load-quarter",
        "input-at-another",
    )
    made = _twin(tmp_path_factory.mktemp("harness"), *(f"{kind}@supply" for kind in (*kinds, *more)))
    yield made
    made.close()


@pytest.fixture(scope="module")
def broken_unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """A unit with many faults on a good harness."""
    kinds = ("output-leaky@q05,severity=0.1", "output-stuck-off@q02", "output-weak@q09", "analog-bent@ao1")
    more = ("analog-offset@ao2", "analog-gain@ai2", "idle-current-high", "temperature-sensor-wrong")
    made = _twin(tmp_path_factory.mktemp("unit"), *kinds, *more, "inputs-joined@i05+i06")
    yield made
    made.close()


def _currents(twin: TwinUnit) -> list[tuple[float, Limits]]:
    """Return the idle current as a finding, where it lies outside its limits; one that does not flow is none."""
    drawn, limits = twin.unit.supply.current().value, twin.unit.limits.idle_current
    return [(drawn, limits)] if drawn not in limits and drawn > 0.01 else []


def _asked(twin: TwinUnit, *places: str) -> str:
    twin.unit.make_ready()
    twin.unit.return_to_idle()
    currents = _currents(twin) if "supply" in places else []
    return "; ".join(FaultLocation(twin.bench, twin.unit).require_unit(places, currents))


@pytest.mark.parametrize(
    ("place", "faulty"), [("q06", "v06"), ("temperature", "case"), ("supply", "supply main")]
)
def test_what_only_the_stand_explains_is_the_stands(
    broken_harness: TwinUnit, place: str, faulty: str
) -> None:
    """A voltmeter above the supply, a thermometer that two others contradict, an ammeter by the current limit."""
    with pytest.raises(StandFault) as fault:
        _asked(broken_harness, place)
    assert fault.value.places == (faulty,)


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("q05", "the gain of the channel v05"),
        ("q08", "the load or the wire at q08"),
        ("q10", "the load or the wire at q10"),
        ("ao1", "the gain of the channel ao1"),
        ("i05", "i05 and i06 do what the other is commanded"),
        ("i11", "i11 does what i12 is commanded, and not its own"),
        ("q12", "q12 comes on and goes off by itself"),
        ("ai1", "ai1 and ai2 say what the other is given"),
        ("indicator", "or its channel or wire"),
    ],
)
def test_what_both_explain_blames_nobody(broken_harness: TwinUnit, place: str, words: str) -> None:
    """One channel, one load or one pair of wires behind a finding: a known good unit decides."""
    with pytest.raises(UnitOrHarness, match=words) as both:
        _asked(broken_harness, place)
    assert place in both.value.places


@pytest.mark.parametrize("place", ["q05", "q02", "ao1", "ao2", "ai2", "temperature", "i05", "supply"])
def test_what_the_unit_alone_explains_stays_with_it(broken_unit: TwinUnit, place: str) -> None:
    """A leakage, a dead output that two channels see, a bent line, an offset that is gone without drive, a current."""
    _asked(broken_unit, place)


def test_points_that_are_one_place_further_on_blame_nobody(
    broken_unit: TwinUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last one does nothing, and the one before it what the last is commanded: wires, or addresses of a profile."""
    inputs = broken_unit.unit.inputs
    shifted = dict(zip(inputs.names, (*inputs.names[1:], ""), strict=True))
    monkeypatch.setattr(inputs, "drive", lambda *on: {name: shifted[name] in on for name in inputs.names})
    last, before = inputs.names[-1], inputs.names[-2]
    with pytest.raises(
        UnitOrHarness, match=f"{before} does what {last} is commanded, and {last} does not"
    ) as both:
        _asked(broken_unit, last)
    assert both.value.places == (last, before)


def test_a_channel_that_is_right_but_for_a_power_of_ten_is_the_profiles(broken_unit: TwinUnit) -> None:
    """Another scale; what is dead, stuck or a few per cent off is none."""
    channel = broken_unit.unit.analog.channels["ai1"]
    right = channel.point.said(channel.point.scale.at(0.9))
    for wrong in (0.0, 0.003, 0.7, 1.03, 1.1, 9.0, -10.0):
        _require_scale(channel, Comparison(right, wrong * right, 0.0))
    for times in (0.1, 10.0, 1e3):
        with pytest.raises(StandFault, match=f"a factor of {times:g}: another `scale`") as caught:
            _require_scale(channel, Comparison(right, times * right, 0.0))
        assert caught.value.places == ("profile",)


def test_inputs_that_are_wrong_by_one_share_have_one_reference(tmp_path: Path) -> None:
    """It is the unit's, or that of what drives them; a read-back by the same reference decides nothing."""
    twin = _twin(tmp_path, "analog-reference@supply")
    try:
        with pytest.raises(
            UnitOrHarness, match=r"all 4 analog inputs are wrong by one share, \+2\.\d %"
        ) as both:
            _asked(twin, "ai2")
    finally:
        twin.close()
    assert both.value.places == ("ai1", "ai2", "ai3", "ai4")


@pytest.mark.parametrize(
    ("fault", "place", "words"),
    [
        ("feeder-leak", "supply", "a leakage across the feeder"),
        ("feeder-short", "supply", "a short across the feeder"),
        ("feeder-resistance", "supply", "between supply main and the outputs"),
        ("feeder-resistance-large", "q03", "the wires from the supply"),
        ("feeder-open", "supply", "the feeder, its plug or fuse is open"),
        ("contacts-exchanged", "mode held", "stand for each other's positions"),
    ],
)
def test_what_feeds_and_switches_a_unit_looks_like_it(
    tmp_path: Path, fault: str, place: str, words: str
) -> None:
    """A feeder that leaks, resists or is open, and crossed contacts of the switch: the unit could be so itself."""
    twin = _twin(tmp_path, f"{fault}@supply", ready=False)
    try:
        twin.unit.supply.on()
        with suppress(UnitFault):  # without power it is never ready
            twin.unit.wait_until_ready()
        with pytest.raises(UnitOrHarness, match=words) as both:
            FaultLocation(twin.bench, twin.unit).require_unit((place,), _currents(twin))
    finally:
        twin.close()
    assert place in both.value.places


def test_what_no_limit_of_the_unit_shows_is_looked_for(tmp_path: Path) -> None:
    """A thermometer of the room at 0 degC, 3 Ohm along the feeder, 1 kOhm across it: a good unit passes with them."""
    kinds = ("room-thermometer", "feeder-resistance-small", "feeder-leak-small")
    twin = _twin(tmp_path, *(f"{kind}@supply" for kind in kinds), ready=False)
    try:
        (wrong,) = [look for look in Readiness(twin.bench).senses_at_zero() if look.right is False]
        assert wrong.places == ("case", "ambient")
        assert "K warmer than its surroundings" in wrong.words
        twin.unit.make_ready()
        with pytest.raises(UnitOrHarness, match=r"3\.5 Ω lie between supply main"):
            feeder.fail_on_resistance(twin.unit, twin.clock)
        twin.unit.return_to_idle()
        with pytest.raises(UnitOrHarness, match="across the feeder, or in the power input"):
            feeder.fail_on_leakage(twin.unit, margins.slow_ramp(twin.unit, twin.clock))
    finally:
        twin.close()


def test_a_channel_that_scatters_is_seen_before_the_unit_has_power(tmp_path: Path) -> None:
    """What must read zero does not in one look of three, and no case is 6 K warmer from one look to the next."""
    twin = _twin(tmp_path, "analog-channel-noisy@supply", "case-noisy@supply", ready=False)
    try:
        wrong = [result for result in Readiness(twin.bench).senses_at_zero() if result.right is False]
        assert [result.what for result in wrong] == ["ao1", "case"]
        assert "no temperature does" in wrong[1].words
    finally:
        twin.close()


@pytest.mark.parametrize(
    ("kind", "error"), [("channel-flickers@supply", UnitOrHarness), ("outputs-on-at-boot", UnitFault)]
)
def test_an_output_that_one_channel_shows_on_in_single_looks_is_nobodys_yet(
    tmp_path: Path, kind: str, error: type[HilseqError]
) -> None:
    """What is on while the unit starts is on in several looks on end; a channel that flickers is not."""
    twin = _twin(tmp_path, kind)
    try:
        with pytest.raises(error, match="on while the unit starts"):
            outputs_off.fail_on_seen(twin.unit)
    finally:
        twin.close()


def test_a_weak_output_looks_like_its_load(broken_unit: TwinUnit) -> None:
    """With one voltmeter at a terminal nothing tells a weak switch from too low a load, or a channel from both."""
    with pytest.raises(UnitOrHarness, match="q09 loses more than the others"):
        _asked(broken_unit, "q09")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("every-voltmeter", r"16 outputs alike: .*the reference of io rack"),
        (
            "every-load-open",
            r"1\d outputs alike let more through than they may: their loads",
        ),
    ],
)
def test_sixteen_that_are_wrong_alike_have_one_cause(tmp_path: Path, kind: str, words: str) -> None:
    """Reported at all of them in one sentence: the reference of the rack, their loads, or the stage that they share."""
    twin = _twin(tmp_path, f"{kind}@supply")
    try:
        with pytest.raises(UnitOrHarness, match=words) as both:
            _asked(twin, "q03")
    finally:
        twin.close()
    assert (
        len({f"q{number:02}" for number in range(1, 17)} & set(both.value.places)) > 8
    )  # most of the sixteen
