"""Power-on: inrush is read where the supply records it, and a bound is called a bound where it does not."""

from __future__ import annotations

import pytest

from hilseq.description.profile import Mode
from hilseq.errors import NotPerformed
from hilseq.procedures.inrush import bound_inrush, capture_start, current_by_mode
from tests.procedures.conftest import MakeUnit
from tests.procedures.test_supply_margins import model
from tests.procedures.twin_unit import TwinUnit

_PLAIN = {"supplies.main.commands": {"measure-both": "MEAS:VOLT?;:MEAS:CURR?"}}


def test_peak_and_charge_are_what_the_capacitor_takes(good: TwinUnit) -> None:
    """The peak is the supply's limit, 1.5 A, and the charge is C V and what the unit draws meanwhile."""
    made = good
    unit = model()
    made.unit.supply.off()
    made.clock.sleep(300.0)  # the capacitor is empty then
    made.unit.supply.on()
    made.unit.wait_until_ready()
    curve = capture_start(made.unit, made.clock)
    assert curve.peak is not None
    assert curve.charge is not None
    assert curve.peak.value == pytest.approx(1.5, rel=0.002)
    # Off for 2 s the capacitor keeps some of its charge: at most C V goes in, and the load of 50 ms.
    most = unit.input.capacitance * 24.0 + 0.05 * 0.135
    assert 0.2 * most < curve.charge.value < most
    assert curve.charge.standard_uncertainty > 0.0


def test_a_supply_without_a_record_gives_a_bound_and_says_so(make: MakeUnit) -> None:
    """The words tell that nothing was measured, and what is known all the same."""
    made = make(stand_changes=_PLAIN)
    curve = capture_start(made.unit, made.clock)
    assert (curve.peak, curve.charge) == (None, None)
    words = bound_inrush(made.unit, curve)
    assert "the inrush was not measured" in words
    assert "bounded by the supply's limit of 1.5 A" in words
    assert "at most 0.075 As" in words  # 1.5 A for the 50 ms until the voltage stood


def test_a_bound_above_the_limit_proves_nothing(make: MakeUnit) -> None:
    """Then the check is not performed, and the words say what would help."""
    made = make(stand_changes=_PLAIN, changes={"start.inrush-peak": "1 A"})
    with pytest.raises(NotPerformed, match="measure-peak-current"):
        bound_inrush(made.unit, capture_start(made.unit, made.clock))


def test_a_start_is_followed_from_power_to_rest(good: TwinUnit) -> None:
    """Times rise, the voltage stands, and the settled current is the unit's own."""
    made = good
    curve = capture_start(made.unit, made.clock)
    times = [row[0] for row in curve.rows]
    assert times == sorted(times)
    assert times[-1] > 2.0
    idle = model().parts.idle_power / 24.0
    assert curve.settled.value == pytest.approx(idle, rel=0.02)
    assert curve.settling.value < 0.2


def test_the_start_is_timed_though_it_was_followed(good: TwinUnit) -> None:
    """Following the current costs nothing of the time to ready's exactness."""
    made = good
    capture_start(made.unit, made.clock)
    assert made.unit.starts[-1].took.standard_uncertainty < 0.01


def test_current_is_told_for_each_mode_and_load(good: TwinUnit) -> None:
    """Outputs load the supply where they are driven, and only there."""
    found = {(each.mode, each.outputs_on): each.amperes.value for each in current_by_mode(good.unit)}
    assert set(found) == {(mode, on) for mode in Mode for on in (False, True)}
    assert found[Mode.LIVE, True] - found[Mode.LIVE, False] == pytest.approx(16 * 0.05 / 24.0, rel=0.2)
    assert found[Mode.HELD, True] == pytest.approx(found[Mode.HELD, False], rel=0.01)
