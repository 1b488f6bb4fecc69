"""Sampled current waveforms."""

from __future__ import annotations

import math

import pytest

from hilseq.analysis.waveform import as_waveform, inrush


def test_inrush_of_a_charging_capacitor() -> None:
    """24 V through 2 Ohm into 1000 uF: peak 12 A, charge 24 mAs, I2t = I^2 tau / 2 = 144 mA2s."""
    tau = 2e-3
    times = [step * 1e-5 for step in range(4000)]  # 20 time constants
    found = inrush(times, [12.0 * math.exp(-time / tau) for time in times])
    assert (found.peak, found.peak_time) == (12.0, 0.0)
    assert found.charge == pytest.approx(24e-3, rel=1e-5)
    assert found.square == pytest.approx(0.144, rel=1e-4)


def test_steady_current_is_not_inrush() -> None:
    """Only what lies above the steady current is charge of the inrush; the peak is what was seen."""
    found = inrush([0.0, 1.0, 2.0, 4.0], [0.5, 2.5, 0.5, 0.5], steady=0.5)
    assert (found.peak, found.peak_time) == (2.5, 1.0)
    assert found.charge == pytest.approx(2.0)
    assert inrush([0.0, 1.0, 2.0, 4.0], [0.5, 2.5, 0.5, 0.5]).charge == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("attempt", "words"),
    [
        (lambda: as_waveform([0.0], [1.0]), "1 samples at 1 times; expected 2 or more"),
        (lambda: as_waveform([0.0, 1.0], [1.0, 2.0, 3.0]), "3 samples at 2 times; expected"),
        (lambda: as_waveform([0.0, 1.0, 1.0], [1.0] * 3), "time 1 s after 1 s; expected rising times"),
        (lambda: as_waveform([0.0, 1.0], [1.0, math.nan]), "holds NaN or infinity"),
    ],
)
def test_nonsense_is_refused_in_words(attempt: object, words: str) -> None:
    """Each impossible input is an error naming the value and what was expected."""
    assert callable(attempt)
    with pytest.raises(ValueError, match=words):
        attempt()
