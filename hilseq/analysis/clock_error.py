"""How much a clock gains or loses against another, in parts per million, with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClockError:
    """How much a clock gains (positive) or loses, ppm, with standard uncertainty, over a span in s."""

    ppm: float
    uncertainty_ppm: float
    span: float


def clock_error(
    first: tuple[float, float], last: tuple[float, float], *, clock_step: float, reference_step: float = 0.0
) -> ClockError:
    """Return the rate error of a clock from two pairs (reference time, clock time), all in seconds.

    `clock_step` and `reference_step` are the resolutions of the readings. A reading cut to steps q has
    the standard uncertainty q/sqrt(12) (JCGM 100, 4.3.7 and F.2.2.1, from memory); the two ends of the
    span T give q/(sqrt(6)*T) for the rate. Readings in between would earn no credit: read at the same phase
    of the second, all of them are wrong alike. Raises ValueError for times that do not rise or negative steps.
    """
    if clock_step < 0.0 or reference_step < 0.0:
        raise ValueError(f"reading steps of {clock_step!r} and {reference_step!r} s: expected 0 or more")
    span = last[0] - first[0]
    if not 0.0 < span < math.inf:
        raise ValueError(f"a clock read at {first[0]!r} and {last[0]!r} s: expected a later second time")
    gained = (last[1] - first[1]) - span
    return ClockError(1e6 * gained / span, 1e6 * _of_steps(clock_step, reference_step) / span, span)


def span_needed(uncertainty_ppm: float, *, clock_step: float, reference_step: float = 0.0) -> float:
    """Return the seconds to watch a clock so that the reading steps alone give this standard uncertainty."""
    if not uncertainty_ppm > 0.0:
        raise ValueError(f"an uncertainty of {uncertainty_ppm!r} ppm: expected more than 0")
    return _of_steps(clock_step, reference_step) / (uncertainty_ppm * 1e-6)


def _of_steps(clock_step: float, reference_step: float) -> float:
    """Return the standard uncertainty of a difference of two looks, each cut to both steps, s."""
    return math.hypot(clock_step, reference_step) / math.sqrt(6.0)
