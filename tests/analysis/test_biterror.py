"""Bit error ratio claims against check-values section 7."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.bit_errors import Frame, duration
from hilseq.analysis.counted import (
    lower_bound,
    mean_count_lower,
    mean_count_upper,
    trials_needed,
    upper_bound,
)


# check-values 7.4: bit-error-ratio tester user guide, Table 25 (95 %); recomputed there.
@pytest.mark.parametrize(
    ("errors", "product"), list(enumerate([2.996, 4.744, 6.296, 7.754, 9.154, 10.51, 11.84]))
)
def test_bits_to_pass_follow_the_tester_table(errors: int, product: float) -> None:
    """N times BER needed for at most k errors is the tabulated figure."""
    assert mean_count_upper(errors, 0.95) == pytest.approx(product, rel=5e-4)
    assert trials_needed(1.0 - 1e-6, 0.95, errors) * 1e-6 == pytest.approx(product, rel=5e-4)


# check-values 7.5: same table; its third figure is a misprint (0.8117), recomputed 0.81769.
@pytest.mark.parametrize(
    ("errors", "product"),
    list(enumerate([0.05129, 0.35536, 0.81769, 1.36632, 1.97015, 2.61301, 3.28532], start=1)),
)
def test_bits_to_condemn_follow_the_tester_table(errors: int, product: float) -> None:
    """So many errors within N times BER bits prove the ratio worse than claimed."""
    assert mean_count_lower(errors, 0.95) == pytest.approx(product, abs=6e-6)


# check-values 7.6: article on BER confidence, recomputed.
@pytest.mark.parametrize(("confidence", "product"), [(0.90, 2.3026), (0.95, 2.9957), (0.99, 4.6052)])
def test_zero_error_rule(confidence: float, product: float) -> None:
    """Without an error n = -ln(1-C)/BER bits are needed."""
    assert trials_needed(1.0 - 1e-7, confidence) * 1e-7 == pytest.approx(product, rel=2e-5)


def test_a_claim_over_a_slow_line_takes_five_minutes() -> None:
    """BER 1E-6 at 95 % over 9600 bit/s takes 312.1 s (check-values 7.7); framed 8N1 ten eighths of it."""
    bits = trials_needed(1.0 - 1e-6, 0.95)
    assert duration(bits, 9600.0) == pytest.approx(312.1, abs=0.05)
    assert duration(bits, 9600.0, Frame()) == pytest.approx(312.1 * 10 / 8, abs=0.07)


def test_frame_overhead_by_hand() -> None:
    """8E1 takes 11 bit times, 7N2 10; a begun character counts whole."""
    assert Frame(parity=True).line_bits == 11
    assert Frame(data_bits=7, stop_bits=2.0).line_bits == 10
    assert duration(9, 1000.0, Frame()) == pytest.approx(0.020)


@given(st.integers(0, 50), st.sampled_from([0.6, 0.9, 0.95, 0.99]), st.sampled_from([1e-3, 1e-6]))
def test_the_bits_needed_prove_the_claim(errors: int, confidence: float, ratio: float) -> None:
    """With the bits asked for, the exact upper bound is at or below the claim; with 2 % fewer it is not."""
    bits = trials_needed(1.0 - ratio, confidence, errors)
    assert upper_bound(errors, bits, confidence) <= ratio
    assert upper_bound(errors, int(bits * 0.98), confidence) > ratio * (1 - 1e-3)
    assert lower_bound(errors, bits, confidence) <= errors / bits


def test_nonsense_is_refused() -> None:
    """Ratios, speeds and frames that cannot be give the value and what was expected."""
    with pytest.raises(ValueError, match=r"a line of 0\.0 bit/s"):
        duration(1, 0.0)
    with pytest.raises(ValueError, match="-1 bits"):
        duration(-1, 9600.0)
    with pytest.raises(ValueError, match="4 data bits: expected 5 to 9"):
        Frame(data_bits=4)
    with pytest.raises(ValueError, match="3 stop bits"):
        Frame(stop_bits=3)
