"""What the page of a unit shows of its soak: plain numbers, however they were stored.

All times are seconds since the soak began. A gap is a gap: values there are missing (NaN) or simply not
in the sequence, and nothing is ever drawn across.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = Sequence[float] | NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve laid over a series: a few hundred points of it, and the fit in one sentence."""

    times: Numbers
    values: Numbers
    told: str


@dataclass(frozen=True, slots=True)
class Series:
    """One sampled quantity. `times` ascend; `low` and `high` are its limits where it has any."""

    name: str
    unit: str
    times: Numbers
    values: Numbers
    low: float | None = None
    high: float | None = None
    fit: Curve | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in one mode (`stopped`, `held`, `live`, `off`), or one gap and its reason."""

    start: float
    end: float
    what: str


@dataclass(frozen=True, slots=True)
class SoakEvent:
    """Something that happened: a left mode, a new fault, a power cycle, an interlock."""

    at: float
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class SoakView:
    """One soak of one unit.

    `planned` and `lasted` are seconds; `sentences` are the statistics in plain words with their confidence.
    """

    planned: float
    lasted: float
    samples: int
    series: Sequence[Series]
    modes: Sequence[Span] = ()
    gaps: Sequence[Span] = ()
    events: Sequence[SoakEvent] = ()
    sentences: Sequence[str] = ()
