"""A check of the stand that could look at nothing has judged nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hilseq.errors import NotPerformed, StandFault
from hilseq.procedures.readiness import ReadinessResult, require
from hilseq.procedures.together import Together
from hilseq.statements import comparisons
from tests.procedures.twin_unit import TwinUnit

EMPTY = ReadinessResult("ambient", "ambient", None, "this stand measures no ambient temperature")
RIGHT = ReadinessResult("ambient", "door", True, "closed")
WRONG = ReadinessResult("ambient", "lamp", False, "is out", ("lamp",))


def test_looks_that_are_all_empty_are_not_performed() -> None:
    """With their reasons, and without a comparison."""
    before = comparisons()
    with pytest.raises(
        NotPerformed, match="nothing to judge: ambient: this stand measures no ambient temperature"
    ):
        require([EMPTY])
    with pytest.raises(NotPerformed, match=r"nothing to judge$"):
        require([])
    assert comparisons() == before


def test_one_look_that_judges_is_enough() -> None:
    """It counts as a comparison; what is wrong is a fault of the stand all the same."""
    before = comparisons()
    assert require([EMPTY, RIGHT]) == [EMPTY, RIGHT]
    assert comparisons() == before + 1
    with pytest.raises(StandFault, match="lamp: is out"):
        require([EMPTY, WRONG])


def test_a_slot_may_have_nothing_to_look_at_where_a_check_says_so() -> None:
    """Such as a slot without a loop-back beside one that has them."""
    assert require([EMPTY], or_nothing=True) == [EMPTY]
    with pytest.raises(StandFault):
        require([WRONG], or_nothing=True)


def test_a_sentence_about_all_points_at_once_goes_with_what_was_driven() -> None:
    """Each part of it alone: analog channels, frames, the time under load."""
    whole = Together(
        driven={"q1": [True], "ai1": [False]}, shares={"ai1": [0.5]}, framed={"port 1": {0}}, lost={"port 1": set()},
        held=True, held_at=[0.0, 0.2, 0.5], steps=1,
    )  # fmt: skip
    parts = {
        "analog": "channels stood once",
        "framed": "port 1 lost none of 1",
        "held": "carried its load for 60 s",
    }
    assert all(words in whole.proven() for words in parts.values())
    assert "off for less than 300 ms" in whole.proven()
    without = {
        "analog": replace(whole, shares={}),
        "framed": replace(whole, framed={}),
        "held": replace(whole, held=False),
    }
    for name, broken in without.items():
        assert [part for part, words in parts.items() if words not in broken.proven()] == [name]


def test_outputs_that_were_never_looked_at_prove_nothing(good: TwinUnit) -> None:
    """No resolution is reported of no look."""
    watch = good.unit.off_watch
    assert "looks at 18 channels" in watch.resolution()
    watch.watched.clear()
    with pytest.raises(NotPerformed, match="no output was looked at where it must be off"):
        watch.resolution()
