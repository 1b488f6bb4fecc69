"""Clock and memory: the drift found is the drift there is, what is lost is found, battery dates are read."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pytest

from hilseq.errors import NotPerformed, UnitFault
from hilseq.procedures import battery, clock_check
from tests.procedures.conftest import MakeUnit
from tests.procedures.test_supply_margins import model

pytestmark = pytest.mark.whole_run

_WHOLE_SECONDS = {
    "link.clock": {"table": "input register", "address": 7, "type": "uint32", "scale": 1, "unit": "s"}
}


@pytest.mark.parametrize("defect", ["", "clock-drifts,severity=0.1", "clock-drifts,severity=0.6"])
def test_the_drift_found_is_the_drift_there_is(make: MakeUnit, defect: str) -> None:
    """Within its expanded uncertainty: a tenth of the claim, and the computer's own clock (rectangular, GUM 4.3.7)."""
    defects = (defect,) if defect else ()
    made = make(*defects)
    found = clock_check.drift(made.unit, made.clock, accuracy=10e-6)
    true = 1e6 * model(*defects).clock.drift
    assert found.value == pytest.approx(true, abs=2.0 * found.standard_uncertainty)
    assert found.standard_uncertainty == pytest.approx(math.hypot(5.0, 10.0 / math.sqrt(3.0)), rel=0.01)


def test_what_is_done_since_the_first_look_need_not_be_waited_for(make: MakeUnit) -> None:
    """The drift is that of the whole time since; without supply the clock is another, and is watched anew."""
    made = make()
    for restarts in (False, True):
        clock_check.look(made.unit, made.clock)
        begun = made.clock.now()
        made.clock.sleep(40.0)
        if restarts:
            made.unit.restart()
        found = clock_check.drift(made.unit, made.clock, accuracy=10e-6)
        assert (made.clock.now() - begun < 100.0) is not restarts
        assert found.value == pytest.approx(1e6 * model().clock.drift, abs=2.0 * found.standard_uncertainty)


def test_every_bit_of_the_memory_is_tried_and_the_reference_is_left(make: MakeUnit) -> None:
    """The unit holds the reference afterwards, with its checksum; the memory held none of the others for good."""
    made = make()
    made.unit.configuration.assert_takes_any_content()
    made.unit.configuration.compare()
    made.unit.restart()
    made.unit.configuration.compare()


def test_a_word_that_is_written_into_another_too_is_found(make: MakeUnit) -> None:
    """Written in order the other word is put right at once; the last content comes from the last word to the first."""
    made = make("word-written-twice", defect_files=(Path(__file__).with_name("unit_faults.py"),))
    made.unit.configuration.load()
    made.unit.configuration.compare()
    with pytest.raises(UnitFault, match="first at word 19") as caught:
        made.unit.configuration.assert_takes_any_content()
    assert caught.value.places == ("configuration",)


def test_the_time_of_watching_follows_from_claim_and_steps(make: MakeUnit) -> None:
    """Steps of 1 ms and a claim of 100 ppm: 1 ms / (sqrt 6 x 5 ppm) = 81.65 s.

    From q/sqrt(12) at both ends (JCGM 100, F.2.2.1, from memory).
    """
    made = make(ready=False)
    assert clock_check.watching_time(made.profile, 0.0) == pytest.approx(81.65, abs=0.01)
    assert clock_check.watching_time(made.profile, 0.003) == pytest.approx(81.65 * 10**0.5, rel=1e-3)


def test_a_clock_of_whole_seconds_is_watched_until_it_changes(make: MakeUnit) -> None:
    """Its drift is found in minutes instead of a day: the tick is timed to the interval of looking."""
    made = make("clock-drifts,severity=0.6", changes=_WHOLE_SECONDS)
    begun = made.clock.now()
    found = clock_check.drift(made.unit, made.clock, accuracy=10e-6)
    true = 1e6 * model("clock-drifts,severity=0.6").clock.drift
    assert found.value == pytest.approx(true, abs=2.0 * found.standard_uncertainty)
    assert made.clock.now() - begun < 3600.0


def test_a_stopped_clock_of_whole_seconds_is_found(make: MakeUnit) -> None:
    """Watching ends, and the clock is to blame."""
    made = make("clock-stopped", changes=_WHOLE_SECONDS)
    with pytest.raises(UnitFault, match="clock stood at") as caught:
        clock_check.drift(made.unit, made.clock, accuracy=10e-6)
    assert caught.value.places == ("clock",)


@pytest.mark.parametrize(
    ("defects", "kept"), [((), True), (("clock-not-kept",), False), (("battery-open",), False)]
)
def test_a_clock_that_is_not_kept_is_found(make: MakeUnit, defects: tuple[str, ...], kept: bool) -> None:
    """A kept clock gains less than a second over a minute without supply, one that starts from zero has lost it."""
    made = make(*defects)
    gained, limits = battery.without_supply(made.unit, made.clock).gained()
    assert (gained.value in limits) is kept


def test_the_supply_is_away_as_long_as_the_profile_says(make: MakeUnit) -> None:
    """A clock that must be carried for ten minutes is without supply for ten minutes."""
    made = make(changes={"clock.kept-for": "10 min"})
    battery.without_supply(made.unit, made.clock)
    assert made.unit.starts[-1].off == pytest.approx(600.0)


@pytest.mark.parametrize("given", ["2021-03", "2021-03-01"])
def test_a_battery_date_is_read(given: str) -> None:
    """A month counts from its first day; common practice gives such a battery five years (10.1, no source)."""
    made = battery.made_on({"battery-date": given})
    assert made == dt.date(2021, 3, 1)
    assert battery.replace_by(made, 5.0) == dt.date(2026, 3, 1)
    assert battery.age(made, dt.date(2026, 3, 1)).value == pytest.approx(5.0, abs=0.003)
    assert "replace it by 2026-03-01" in battery.in_words(made, 5.0)
    assert "common practice, no source" in battery.in_words(made, 5.0)


def test_no_date_is_said_to_be_no_date() -> None:
    """Without a date nothing is claimed of the age."""
    assert battery.made_on({}) is None
    assert "its age is not known" in battery.in_words(None, 5.0)


@pytest.mark.parametrize("given", ["yesterday", "2021-13", "21-03-01", "2021"])
def test_what_is_no_date_is_refused(given: str) -> None:
    """And the form that is expected is reported."""
    with pytest.raises(NotPerformed, match="expected YYYY-MM-DD or YYYY-MM"):
        battery.made_on({"battery-date": given})


def test_a_battery_from_the_future_is_mistyped() -> None:
    """It is not judged."""
    with pytest.raises(NotPerformed, match="lies in the future"):
        battery.age(dt.date(2027, 1, 1), dt.date(2026, 1, 5))


def test_a_battery_that_was_taken_out_is_not_blamed(make: MakeUnit) -> None:
    """Intake says so: what the unit forgets without it says nothing."""
    made = make(intake={"battery-pulled": "yes"})
    with pytest.raises(NotPerformed, match="taken out"):
        battery.must_be_in(made.unit)


def test_a_battery_voltage_is_as_exact_as_the_units_converter(make: MakeUnit) -> None:
    """1 % + 10 mV of about 3 V, rectangular, beside the last digit of 1 mV (GUM 4.3.7, F.2.2.1)."""
    made = make(changes={"battery.accuracy": "1 % + 10 mV"})
    found = battery.voltage(made.unit)
    expected = math.hypot((0.01 * found.value + 0.010) / math.sqrt(3.0), 1.5 * 0.001 / math.sqrt(12.0))
    assert found.standard_uncertainty == pytest.approx(expected)
