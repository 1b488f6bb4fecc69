"""Analog channels: scales by the published tables, and what a sweep says of errors that are known exactly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from scipy.stats import chi2

from hilseq.analysis.sensors import SCALES
from hilseq.description.points import AnalogPoint
from hilseq.errors import NotPerformed, UnitFault
from hilseq.measured import Measured
from hilseq.procedures.analog import STEPS, Comparison, Swept, WiredChannel, ne43_input_bands
from tests.procedures.conftest import MakeUnit


def channel(
    kind: str = "0..10 V", unit: str = "V", *, accuracy: str = "0.5 % of range", signal_unit: str = "V"
) -> WiredChannel:
    """Return an analog input."""
    register = {"table": "input register", "address": 0, "type": "int16", "scale": 0.001, "unit": unit}
    point = AnalogPoint.model_validate({"register": register, "kind": kind, "accuracy": accuracy})
    return WiredChannel("ai1", point, "ai1", signal_unit, is_output=False)


@pytest.mark.parametrize("kind", SCALES)
def test_terminal_and_quantity_are_inverse(kind: str) -> None:
    """There and back is the same, over the range and a little beyond both ends."""
    scale = SCALES[kind]
    for share in (-0.01, 0.0, 0.1, 0.37, 0.5, 0.93, 1.0, 1.02):
        quantity = scale.at(share)
        assert scale.quantity(scale.terminal(quantity)) == pytest.approx(quantity, abs=1e-6 * scale.span)


@pytest.mark.parametrize(
    ("kind", "quantity", "terminal"),
    [
        ("Pt100", 100.0, 138.5055),  # IEC 60751, check value 4.2
        ("Pt100", -200.0, 18.5201),  # check value 4.2
        ("thermocouple K", -200.0, -5.8914e-3),  # check value 4.7
        ("thermocouple K", 1000.0, 41.2756e-3),  # check value 4.8
        ("thermocouple J", 350.0, 19.0905e-3),  # check value 4.9
        ("4..20 mA", 0.012, 0.012),
    ],
)
def test_terminals_follow_the_published_tables(kind: str, quantity: float, terminal: float) -> None:
    """What the stand drives for a temperature is what the table says."""
    assert SCALES[kind].terminal(quantity) == pytest.approx(terminal, abs=6e-5 if kind == "Pt100" else 6e-8)


def test_a_channel_is_spoken_to_in_its_own_units() -> None:
    """12 mA is 12 000 of a register in uA, 50 % of one in percent, and 0.012 A for the limits."""
    loop = channel("4..20 mA", "mA", signal_unit="mA")
    assert loop.point.said(0.012) == 0.012
    assert loop.raw(0.012) == pytest.approx(12.0)
    assert loop.drive_value(0.012) == pytest.approx(12.0)
    assert loop.point.largest_error(0.004) == pytest.approx(0.005 * 0.016)
    percent = channel("4..20 mA", "%", signal_unit="mA")
    assert percent.point.said(0.012) == pytest.approx(0.5)
    assert percent.raw(0.5) == pytest.approx(32.767)
    assert percent.point.per_terminal(0.012) == pytest.approx(1 / 0.016)


def test_an_uncertainty_is_carried_to_the_temperature() -> None:
    """0.1 Ohm at a Pt100 near 0 degC are 0.1 / 0.39083 K (dR/dt at 0 degC is R0 A, IEC 60751)."""
    sensor = channel("Pt100", "degC", signal_unit="Ohm")
    found = sensor.sensed(Measured(100.0, "Ohm", 0.1))
    assert found.unit == "degC"
    assert found.value == pytest.approx(0.0, abs=1e-6)
    assert found.standard_uncertainty == pytest.approx(0.1 / 0.39083, rel=1e-3)


def swept(error: dict[str, float], *, noise: float = 0.0) -> Swept:
    """Return the sweep of a channel with errors in V: offset, gain and bend at full range, play."""
    result = Swept(channel())
    for direction, order in (("rising", range(STEPS + 1)), ("falling", range(STEPS, -1, -1))):
        for step in order:
            share = step / STEPS
            value = 10.0 * share + error.get("offset", 0.0) + error.get("gain", 0.0) * share
            value += error.get("bend", 0.0) * 4.0 * share * (1.0 - share)
            value += error.get("play", 0.0) if direction == "falling" else 0.0
            looks = [Comparison(10.0 * share, value + sign * noise, 0.001) for sign in (-1, 1)]
            getattr(result, direction).append(looks)
    return result


@pytest.mark.parametrize(
    ("error", "worst"),
    [
        ({"offset": 0.03}, 0.03),
        ({"gain": -0.04}, -0.04),
        ({"bend": 0.02}, 0.02),
        ({"offset": -0.01, "gain": 0.08}, 0.07),
    ],
    ids=str,
)
def test_the_largest_deviation_is_the_largest(error: dict[str, float], worst: float) -> None:
    """Offset, gain and bend each show where they are largest."""
    measured, limits = swept(error).deviation()
    assert measured.value == pytest.approx(worst)
    assert limits.low == pytest.approx(-0.05)
    assert limits.high == pytest.approx(0.05)
    assert measured.standard_uncertainty == 0.001


def test_the_look_that_is_hardest_to_judge_is_judged() -> None:
    """30 mV at 1 mV leave more room to 50 mV than 20 mV at 20 mV do; what is outside for certain comes first."""
    channel_ = channel()
    sure, unsure = Comparison(5.0, 5.03, 0.001), Comparison(5.0, 5.02, 0.020)
    assert Swept(channel_, rising=[[sure, unsure]]).worst() is unsure
    outside = Comparison(5.0, 5.06, 0.001)
    assert Swept(channel_, rising=[[unsure, outside, sure]]).worst() is outside


def test_a_standard_deviation_is_as_uncertain_as_chi_square_says() -> None:
    """22 degrees of freedom: up to sqrt(22 / chi2(0.0228; 22)) times as large (e-Handbook 7.2.3)."""
    spread, _ = swept({}, noise=0.002).repeatability()
    upper = spread.value + spread.expanded_uncertainty
    assert chi2.cdf(22 * (spread.value / upper) ** 2, 22) == pytest.approx(0.02275, abs=1e-4)


def test_the_last_digit_counts_in_a_difference() -> None:
    """A channel that shows steps of 10 mV and scatters by nothing: 10 mV / sqrt 6 for two readings (GUM F.2.2.1)."""
    coarse = replace(channel(), step=0.010)
    played = swept({"play": 0.02})
    played.channel = coarse
    assert played.hysteresis()[0].standard_uncertainty == pytest.approx(0.010 / 6**0.5)


def test_gain_and_offset_come_from_the_line() -> None:
    """The line through a channel that gains 0.4 % and starts 20 mV high says so."""
    rows = {row[0]: row for row in swept({"gain": 0.04, "offset": 0.02}).line()[2]}
    assert rows["gain"][1] == pytest.approx(1.004)
    assert rows["offset"][1] == pytest.approx(0.02)


def test_play_and_scatter_are_distinguished() -> None:
    """20 mV between falling and rising is hysteresis; +-2 mV between two looks is scatter."""
    played, limits = swept({"play": 0.02}).hysteresis()
    assert played.value == pytest.approx(0.02)
    assert limits.high == pytest.approx(0.05)
    # Of 22 steps looked at twice: Student's factor for 22 degrees of freedom guards a difference.
    assert played.budget[0].degrees_of_freedom == 22.0
    # Two readings 4 mV apart have a standard deviation of 4 / sqrt 2 mV.
    spread, _ = swept({}, noise=0.002).repeatability()
    assert spread.value == pytest.approx(2 * 0.004 / 2**0.5)


def test_a_change_is_not_blamed_on_others_when_the_channel_scatters() -> None:
    """Where two readings differ by more than the accuracy anyway, nothing is said about company."""
    noisy = swept({}, noise=0.2)
    noisy.disturbed = 0.3
    with pytest.raises(NotPerformed, match="scatters by more than its accuracy"):
        noisy.crosstalk()
    quiet = swept({}, noise=0.001)
    quiet.disturbed = 0.3
    moved = quiet.crosstalk()
    assert moved is not None
    assert moved[0].value == 0.3 > (moved[1].high or 0.0)
    assert swept({}).crosstalk() is None, "a channel without company"


def test_the_curve_is_a_table_with_limits() -> None:
    """The error curve has one row for each step, both ways, between the limits of the profile."""
    name, columns, rows = swept({"offset": 0.01, "play": 0.004}).curve()
    assert (name, len(rows)) == ("error of ai1", STEPS + 1)
    assert columns[-2:] == ["limit low", "limit high"]
    assert rows[5] == pytest.approx([5.0, 0.01, 0.014, -0.05, 0.05])


def test_an_input_that_minds_another_beyond_its_range_is_found(make: MakeUnit) -> None:
    """Within their ranges they do not disturb each other, and no sweep shows it."""
    faults = Path(__file__).with_name("unit_faults.py")
    analog = make("analog-minds-the-others@ai2", defect_files=(faults,)).unit.analog
    assert len(list(ne43_input_bands(analog, "ai2"))) == 4
    with pytest.raises(UnitFault, match="ai2 is wrong while ai3 is at failure high") as caught:
        list(ne43_input_bands(analog, "ai3"))
    assert caught.value.places == ("ai2",)


def test_a_plain_number_of_a_current_loop_is_in_milliamperes() -> None:
    """The same before power and in the visit: what the register holds, and how exact it must be."""
    register = {"table": "input register", "address": 0, "scale": 0.001}
    point = AnalogPoint.model_validate(
        {"register": register, "kind": "4..20 mA", "accuracy": "0.1 % + 0.02 mA"}
    )
    assert point.unit == "mA"
    assert point.said(0.0) == pytest.approx(point.scale.terminal(0.0))
    assert point.span == pytest.approx(0.016)
    assert point.largest_error(0.020) == pytest.approx(0.001 * 0.020 + 2e-5)
    channel = WiredChannel("ai1", point, "drive", "mA", is_output=False)
    assert channel.unit == "A"
    assert channel.from_register(20.0) == pytest.approx(0.020)
