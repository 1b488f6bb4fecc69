"""Clock and memory: what the unit must remember survives without supply."""

from __future__ import annotations

from functools import partial

import pytest

from hilseq import (
    Clock,
    Judge,
    Limits,
    Unit,
    UnitSupply,
    WithoutSupply,
    battery,
    cycling,
    durations,
    repeat,
)

pytestmark = [pytest.mark.stage("clock and memory"), pytest.mark.duration(estimate=durations.exchanges)]


@pytest.mark.place("start")
@pytest.mark.needs("clock|configuration|battery")
@pytest.mark.duration(estimate=durations.without_supply)
def test_starts_after_long_off(without_supply: WithoutSupply) -> None:
    """Start after the longest time without supply.

    Without supply for the longest time that the profile names, the unit starts as ever, and stores no fault.
    """
    cycling.fail_on_failed([without_supply.start] if without_supply.start.wrong else [], "")


@pytest.mark.place("clock")
@pytest.mark.needs("link.clock", "clock", "battery")
@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_clock_is_kept(unit: Unit, without_supply: WithoutSupply, judge: Judge) -> None:
    """Clock without supply.

    The clock runs on while the supply is away.
    """
    battery.must_be_in(unit)
    judge("clock error after the supply was away", *without_supply.gained())


@pytest.mark.place("configuration")
@pytest.mark.needs("configuration")
@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_configuration_is_kept(unit: Unit, without_supply: WithoutSupply) -> None:
    """Configuration without supply.

    The configuration survives a longer time without supply.
    """
    battery.must_be_in(unit)
    without_supply.assert_configuration()


@pytest.mark.place("battery")
@pytest.mark.needs("battery", "link.battery-voltage")
def test_battery(ready_unit: Unit, judge: Judge) -> None:
    """Battery voltage.

    The memory battery has the voltage it needs.
    """
    battery.must_be_in(ready_unit)
    described = ready_unit.profile.battery
    assert described is not None
    measure = partial(battery.voltage, ready_unit)
    judge("battery voltage", repeat(measure, 3), Limits(described.lowest, None), again=measure)


@pytest.mark.place("battery")
@pytest.mark.needs("battery")
@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_battery_age(unit: Unit, supply: UnitSupply, clock: Clock, judge: Judge) -> None:
    """Battery age.

    The memory battery is no older than such batteries last, where its date is known.
    """
    described = unit.profile.battery
    assert described is not None
    made = battery.made_on(unit.intake)
    supply.note("battery", battery.in_words(made, described.years))
    if made is None:
        unit.not_judged("battery age", "its date is not known")
        return
    judge("battery age", battery.age(made, clock.moment().date()), Limits(None, described.years))
