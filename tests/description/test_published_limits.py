"""Limits of the RH16 beside what is published for such modules; what has no source there is invented.

The text of IEC 61131-2 was not read: what is quoted of it is from memory, or as others quote it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.analysis.agreement import BETWEEN_INTERRUPTIONS, LONGEST_INTERRUPTION, threshold_limits
from hilseq.description.loading import load_profile
from hilseq.description.profile import Profile

UNITS = Path(__file__).parents[2] / "stands" / "units"


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The profile that ships as the example of a module."""
    return load_profile(UNITS / "rh16.yaml")


def test_the_supply_range_is_that_of_a_24_v_module(profile: Profile) -> None:
    """Power-on and margins: 24 V -15 % / +20 %, 20.4 to 28.8 V.

    IEC 61131-2:2003 5.1, as an equipment manual quotes EN 61131-2 ("20.4..28.8 V mean, ripple 5 % pp").
    """
    rated, around = profile.ratings.supply, profile.ratings.supply_range
    assert rated == 24.0
    assert around.low == pytest.approx(0.85 * rated)
    assert around.high == pytest.approx(1.20 * rated)


def test_interruptions_are_ridden_through_as_long_as_the_class_says(profile: Profile) -> None:
    """Supply margins: PS2 stands for 10 ms of a d.c. supply, PS1 for 1 ms, 1 s apart (IEC 61131-2, from memory)."""
    published = {"PS1": 0.001, "PS2": 0.010}
    assert (published, 1.0) == (LONGEST_INTERRUPTION, BETWEEN_INTERRUPTIONS)
    assert profile.margins is not None
    assert profile.ratings.interruption_class is not None
    assert profile.margins.ride_through == pytest.approx(published[profile.ratings.interruption_class])


def test_outputs_claim_no_more_than_such_outputs_do(profile: Profile) -> None:
    """Loaded outputs: rated 0.1, 0.25, 0.5, 1 or 2 A, at most 3 V lost at that (IEC 61131-2:2003 5.3, from memory).

    A published data sheet of a 0.5 A module has a drop of 0.8 V and less than 0.5 mA of leakage.
    """
    assert profile.points.outputs
    for name, point in profile.points.outputs.items():
        assert point.rated_current in (0.1, 0.25, 0.5, 1.0, 2.0), name
        assert (point.voltage_drop, point.leakage) == (0.8, 0.5e-3), name


@pytest.mark.parametrize(("type_", "edges"), [(1, (5.0, 15.0)), (2, (5.0, 11.0)), (3, (5.0, 11.0))])
def test_inputs_change_over_where_their_type_does(type_: int, edges: tuple[float, float]) -> None:
    """Inputs at 24 V: off to 5 V, on from 15 V (type 1) or 11 V (2 and 3), as data sheets of modules say."""
    limits = threshold_limits(type_)
    assert (limits.low, limits.high) == edges
