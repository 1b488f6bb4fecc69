"""A check of the stand that could look at nothing has judged nothing."""

from __future__ import annotations

import pytest

from hilseq.errors import NotPerformed, StandFault
from hilseq.procedures.readiness import ReadinessResult, require
from hilseq.statements import comparisons

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
