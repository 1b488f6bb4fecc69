"""Clustering of few events against scipy.stats and by hand."""

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.soak_events import clusters


def test_all_of_four_in_a_quarter_of_the_time_by_hand() -> None:
    """Four of four events in a quarter of the time: (1/4)**4 = 1/256."""
    found = clusters(4, 4, 18.0, 72.0)
    assert found.p_value == pytest.approx(1 / 256)
    assert found.share_of_time == 0.25
    assert found.sentence("above 55 degC") == (
        "4 of 4 failures happened above 55 degC, which was 25 % of the time;"
        " by chance alone so many would be there with probability 1 in 260."
    )


def test_the_other_sentences() -> None:
    """No event, one event, a likely outcome and an all but impossible one are reported plainly."""
    assert clusters(0, 0, 1.0, 2.0).sentence("warm") == (
        "No failure happened, so nothing can be said about when it happens."
    )
    assert clusters(1, 1, 10.0, 72.0).sentence("while held", "restart") == (
        "1 of 1 restart happened while held, which was 13.9 % of the time;"
        " that may be chance (probability 14 %)."
    )
    # Three or four of four in a quarter of the time: 13/256 = 5.08 %, just too likely to call.
    assert clusters(3, 4, 1.0, 4.0).sentence("warm").endswith("that may be chance (probability 5.1 %).")
    assert clusters(40, 40, 1.0, 4.0).sentence("warm").endswith("with probability below 1 in 1000000000.")


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.01, 0.99))
def test_p_value_equals_an_independent_implementation(case: tuple[int, int], part: float) -> None:
    """The p-value is that of scipy's exact one-sided binomial test, in any unit of time."""
    under, events = case
    expected = scipy.stats.binomtest(under, events, part, alternative="greater").pvalue
    assert clusters(under, events, part, 1.0).p_value == pytest.approx(expected, rel=1e-9)
    assert clusters(under, events, 3600 * part, 3600.0).p_value == pytest.approx(expected, rel=1e-6)


def test_what_cannot_be_is_refused() -> None:
    """More events under a condition than there were, or under one that never was, are errors."""
    with pytest.raises(ValueError, match="5 events in 4 trials"):
        clusters(5, 4, 1.0, 2.0)
    with pytest.raises(ValueError, match=r"1 of 4 events in 0% of the time"):
        clusters(1, 4, 0.0, 2.0)
    with pytest.raises(ValueError, match=r"3 of 4 events in 100% of the time"):
        clusters(3, 4, 2.0, 2.0)
    with pytest.raises(ValueError, match=r"3\.0 of 2\.0 of the time"):
        clusters(1, 4, 3.0, 2.0)
