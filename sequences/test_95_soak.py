"""Soak: days under load, and the unit stays in its mode. Run with --soak."""

from __future__ import annotations

import pytest

from hilseq import Judge, NotPerformed, RunSoak, Unit, durations, show_duration

pytestmark = [pytest.mark.stage("soak"), pytest.mark.needs("soak"), pytest.mark.timeout(0)]


@pytest.mark.duration(estimate=durations.soak)
def test_stays_in_its_mode(ready_unit: Unit, soak: RunSoak, judge: Judge) -> None:
    """Soak under load.

    Under load and warm, the unit stays in its mode and stores no fault.
    """
    outcome = soak()
    profile = ready_unit.profile
    for seen in outcome.extremes:
        judge.record(seen.name, seen.measured, seen.limits, place=seen.place)
    ready_unit.fail_at(outcome.places, outcome.sentence)
    if profile.soak is not None and profile.soak.required and outcome.lasted < profile.soak.duration:
        raise NotPerformed(
            f"the soak was shortened to {show_duration(outcome.lasted)}; "
            f"the profile asks for {show_duration(profile.soak.duration)}"
        )
