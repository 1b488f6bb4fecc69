"""What starts prove: success runs and sequential plans, against published numbers, in plain sentences."""

from __future__ import annotations

import pytest

from hilseq.analysis.start_plans import Decision, SequentialStarts, SuccessRun, sequential_starts_about

#: Check values 5.12 to 5.15: failure probabilities 0.01 and 0.10 at risks 5 % and 10 %.
WALD = SequentialStarts(0.99, 0.90, 0.05, 0.10, 0.90)


@pytest.mark.parametrize(
    ("probability", "confidence", "starts"),
    [
        (0.90, 0.90, 22),  # check value 5.4: Quality Digest / Accendo
        (0.95, 0.95, 59),  # check value 5.4
        (0.90, 0.95, 29),  # check values 5.5, recomputed
        (0.95, 0.90, 45),
        (0.99, 0.95, 299),  # from memory, recomputed
        (0.99, 0.99, 459),
        (0.999, 0.95, 2995),
    ],
)
def test_a_success_run_has_the_published_size(probability: float, confidence: float, starts: int) -> None:
    """One start fewer proves nothing, and the last one accepts."""
    plan = SuccessRun(probability, confidence)
    assert (plan.fewest, plan.most) == (starts, starts)
    assert plan.decide(starts - 1, 0) is Decision.CONTINUE
    assert plan.decide(starts, 0) is Decision.ACCEPT


def test_one_failure_ends_a_success_run() -> None:
    """At whatever start it comes."""
    plan = SuccessRun(0.9, 0.9)
    assert [plan.decide(n, 1) for n in (1, 22, 1000)] == [Decision.REJECT] * 3


def test_a_wald_plan_accepts_and_rejects_where_published() -> None:
    """None accepted before 24; rejection number 2 for 2..19, 3 for 20..45, 4 from 46 (check value 5.13)."""
    assert WALD.fewest == 24
    assert WALD.decide(23, 0) is Decision.CONTINUE
    assert WALD.decide(24, 0) is Decision.ACCEPT
    for starts, number in ((2, 2), (19, 2), (20, 3), (45, 3), (46, 4)):
        assert WALD.decide(starts, number) is Decision.REJECT
        assert WALD.decide(starts, number - 1) is not Decision.REJECT


def test_a_wald_plan_is_cut_off_at_three_times_the_single_sample() -> None:
    """The rule of thumb of the e-Handbook's mirror (check value 5.15)."""
    single = WALD.plan.single_sample().trials
    assert WALD.most == 3 * single
    assert WALD.decide(WALD.most, 1) is not Decision.CONTINUE


def test_a_profile_may_cut_it_off_earlier_and_the_risks_tell() -> None:
    """Cut off before acceptance is possible, the plan decides midway, and its risks are another."""
    short = SequentialStarts(0.99, 0.90, 0.05, 0.10, 0.90, cut_off=10)
    assert short.most == 10
    assert short.decide(10, 0) is Decision.ACCEPT
    producer, consumer, _ = short.risks()
    # One failure in ten lies above the line midway (s n = 0.40), so only ten good starts accept.
    assert consumer == pytest.approx(0.9**10)
    assert producer == pytest.approx(1.0 - 0.99**10)


def test_the_risks_are_those_of_the_exact_enumeration() -> None:
    """P(accept) 0.97795 and 0.09958, mean 30.21 (check value 5.14); the cut-off moves them little."""
    producer, consumer, mean = WALD.risks()
    assert 1.0 - producer == pytest.approx(0.97795, abs=5e-4)
    assert consumer == pytest.approx(0.09958, abs=5e-4)
    assert mean == pytest.approx(30.21, abs=0.01)


def test_what_is_proven_is_a_plain_sentence() -> None:
    """With the numbers that count, each of them right."""
    assert SuccessRun(0.9, 0.9).proven(22, 0) == (
        "22 of 22 cold starts succeeded: with 90 % confidence the unit starts with a probability of at least "
        "0.9006"
    )
    # Two-sided Clopper-Pearson, 4 of 20 at 90 %: 0.0713539 to 0.4010281 of failing (check value 5.1).
    assert SuccessRun(0.9, 0.9).proven(20, 4) == (
        "16 of 20 cold starts succeeded; the claim is not shown. The unit starts with a probability between "
        "0.5990 and 0.9286 (90 % confidence, both ends)"
    )
    assert "the sequential test accepts" in WALD.proven(24, 0)
    assert "the sequential test refuses" in WALD.proven(2, 2)
    assert "the claim is not shown" in WALD.proven(3, 0)


def test_a_probability_near_one_is_not_rounded_to_it() -> None:
    """0.9999 at 95 % is shown as such."""
    assert "at least 0.999900" in SuccessRun(0.9999, 0.95).promise()


@pytest.mark.parametrize(("good", "worst"), [(0.99, 0.90), (0.95, 0.85), (0.9, 0.8), (0.999, 0.99)])
def test_the_length_of_a_sequential_plan_is_known_beforehand(good: float, worst: float) -> None:
    """The approximation against the exact cut-off; rough is enough to refuse what takes weeks."""
    exact = SequentialStarts(good, worst, 0.05, 0.10, 0.9).most
    assert sequential_starts_about(good, worst, 0.05, 0.10) == pytest.approx(exact, rel=0.4)
