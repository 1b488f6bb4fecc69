"""Words of 40,000 characters where a description is read: the work grows with the length, not with its square."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest

from hilseq.description.checks.profile_values import series_of
from hilseq.description.ranges import range_names
from hilseq.description.yaml_text import looks_sexagesimal, number_hint, read_scalar
from hilseq.quantities import parse

SHORT, LONG = 1000, 40_000
#: Linear work is 40 times as long, quadratic work 1600 times.
MOST = 400


def _voltage(word: str) -> float:
    return parse(word, "voltage")


def _work(read: Callable[[str], Any], word: str) -> float:
    """Return the processor time of this thread that reading takes, s: the least of three."""
    taken = []
    for _ in range(3):
        begun = time.thread_time()
        with suppress(ValueError):
            read(word)
        taken.append(time.thread_time() - begun)
    return min(taken)


@pytest.mark.parametrize("end", ["", "!"])
@pytest.mark.parametrize("part", ["9", "a", " ", "-", "a1-", "1-", "1 ", "9.", "9_", "9:", "..", "9e"])
@pytest.mark.parametrize(
    "read", [range_names, read_scalar, number_hint, looks_sexagesimal, _voltage, series_of]
)
def test_a_long_word_is_read_in_step_with_its_length(read: Callable[[str], Any], part: str, end: str) -> None:
    short, long = (part * (length // len(part)) + end for length in (SHORT, LONG))
    assert _work(read, long) < MOST * max(_work(read, short), 1e-6)
