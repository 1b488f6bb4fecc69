"""What a few events in a soak say: how often, with which certainty, and under which condition.

Running time is the time in which an event could have been seen: gaps and pauses do not count. Conditions are
named beforehand (above the median temperature, soon after a start), never chosen to fit the events.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hilseq.analysis.clustering import Clustering, clusters
from hilseq.analysis.proportion import Interval
from hilseq.analysis.reliability import mtbf_lower, rate_interval

HOUR = 3600.0
#: Events within this time of a start are counted as near one, s.
NEAR_START = 600.0


@dataclass(frozen=True, slots=True)
class EventRate:
    """Events in a running time (h): the exact two-sided interval of their rate per hour, and the MTBF bound.

    `mtbf` (h) is exceeded at the one-sided `confidence`.
    """

    events: int
    hours: float
    confidence: float
    interval: Interval
    mtbf: float

    def sentence(self) -> str:
        """Say it in plain words, with the assumption."""
        many = f"{100 * self.confidence:g} %"
        assumed = "if failures come at a constant rate"
        if self.events == 0:
            return (
                f"No event in {self.hours:.3g} h of running time: the mean time between failures is above "
                f"{self.mtbf:.3g} h with {many} confidence, {assumed}."
            )
        return (
            f"{self.events} event{'s' * (self.events > 1)} in {self.hours:.3g} h of running time: "
            f"{self.interval.lower:.2g} to {self.interval.upper:.2g} per hour ({many}, exact), the mean time "
            f"between failures is above {self.mtbf:.3g} h with {many} confidence, {assumed}."
        )


def event_rate(events: int, running: float, confidence: float) -> EventRate:
    """Return what `events` in `running` seconds prove. Raises ValueError for no running time."""
    hours = running / HOUR
    return EventRate(
        events,
        hours,
        confidence,
        rate_interval(events, hours, confidence),
        mtbf_lower(hours, events, confidence),
    )


def above(temperature: float, cases: Sequence[float | None], under: float, total: float) -> Clustering | None:
    """Test whether events gather above a temperature (degC), given the case temperature at each.

    `under` of `total` seconds were spent above it. None when an event's temperature is not known, or the
    times allow no test.
    """
    known = [case for case in cases if case is not None and not math.isnan(case)]
    if len(known) != len(cases):
        return None
    return _tested(sum(case > temperature for case in known), len(known), under, total)


def near_starts(
    events: Sequence[float], starts: Sequence[float], under: float, total: float, *, near: float = NEAR_START
) -> Clustering | None:
    """Test whether events (s) gather within `near` seconds after a start (s).

    `under` of `total` seconds of running time were that near to one.
    """
    close = sum(any(0.0 <= event - start <= near for start in starts) for event in events)
    return _tested(close, len(events), under, total)


def _tested(events_under: int, events: int, under: float, total: float) -> Clustering | None:
    try:
        return clusters(events_under, events, under, total)
    except ValueError:
        return None


def told(at: str, case: float | None, findings: Sequence[tuple[str, str]]) -> str:
    """Return `left live at 11 h 42 min, case 57.3 degC, fault 0x21 at position 2: …; look at …`.

    `findings` are pairs of what and text, those of one event in order; a fault of the unit's own table has a
    text that begins with it.
    """
    named = [(what, text) for what, text in findings if text.startswith(f"{what} at ")]
    others = [(what, text) for what, text in findings if not text.startswith(f"{what} at ")]
    head = others[0][0] if others else "new fault"
    place = f"{head} at {at}" + ("" if case is None else f", case {case:.1f} degC")
    texts = list(dict.fromkeys([text for _, text in (*named, *others)]))
    return f"{place}{', ' if named else ': '}{'; '.join(texts)}"
