"""What a few events in a soak say: how often, with which certainty, and under which condition.

Running time is the time in which an event could have been seen: gaps and pauses do not count. Conditions are
named beforehand (above the median temperature, soon after a start), never chosen to fit the events.

If events do not care for the condition, then of n events the number under it is binomial with the share
of time spent under it: the exact conditional test of a Poisson rate (Przyborowski and Wilenski 1940,
from memory). No approximation, so it holds for two events as for two hundred.

And beforehand: what a planned soak will take and prove.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from hilseq.analysis.counted import (
    Bounds,
    counts,
    mtbf_lower,
    probability_of_showing,
    rate_interval,
)

#: Below this probability of chance the sentence says that events gather (a convention, not a proof).
SIGNIFICANT = 0.05
#: Chances from this on are reported in whole per cent.
_WHOLE = 0.1
#: Chances as small as this are reported as "1 in n".
_SMALL = 0.01
#: Smaller ones are reported as being below this: nobody weighs 1e-12 against 1e-15.
_SMALLEST = 1e-9


def _exposures(under: float, total: float) -> None:
    if not (0.0 <= under <= total and 0.0 < total < math.inf):
        raise ValueError(f"{under!r} of {total!r} of the time: expected 0 <= part <= total, total above 0")


@dataclass(frozen=True, slots=True)
class Clustering:
    """Events under a condition, all events, the time under it and the whole time (any one unit).

    `p_value` is the probability of at least so many under the condition, were it of no influence. It is
    honest for a condition named beforehand; chosen after looking at the events, it flatters.
    """

    events_under: int
    events: int
    time_under: float
    time: float
    p_value: float

    @property
    def share_of_time(self) -> float:
        """The part of the time spent under the condition."""
        return self.time_under / self.time

    def sentence(self, condition: str, event: str = "failure") -> str:
        """Say it plainly; `condition` as it follows a verb: `above 55 degC`."""
        if self.events == 0:
            return f"No {event} happened, so nothing can be said about when it happens."
        happened = (
            f"{self.events_under} of {self.events} {event}{'s' * (self.events > 1)} happened {condition},"
            f" which was {100.0 * self.share_of_time:.3g} % of the time"
        )
        if self.p_value <= SIGNIFICANT:
            return (
                f"{happened}; by chance alone so many would be there with probability {_said(self.p_value)}."
            )
        return f"{happened}; that may be chance (probability {_said(self.p_value)})."


def _said(probability: float) -> str:
    if probability >= _SMALL:
        return f"{100.0 * probability:{'.0f' if probability >= _WHOLE else '.2g'}} %"
    if probability < _SMALLEST:
        return f"below 1 in {1.0 / _SMALLEST:.0f}"
    return f"1 in {float(f'{1.0 / probability:.2g}'):.0f}"


def clusters(events_under: int, events: int, time_under: float, time: float) -> Clustering:
    """Test whether events gather under a condition; times in any one unit.

    Raises ValueError for counts or times that cannot be, such as events under a condition that never was.
    """
    from scipy.special import betainc

    _exposures(time_under, time)
    if events == 0 and events_under == 0:
        return Clustering(0, 0, time_under, time, 1.0)
    counts(events_under, events)
    part = time_under / time
    if (events_under and part == 0.0) or (events_under < events and part == 1.0):
        raise ValueError(
            f"{events_under} of {events} events in {part:.0%} of the time: expected time where events are"
        )
    p_value = 1.0 if events_under == 0 else float(betainc(events_under, events - events_under + 1, part))
    return Clustering(events_under, events, time_under, time, p_value)


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
    interval: Bounds
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
    events: Sequence[float], starts: Sequence[float], under: float, total: float
) -> Clustering | None:
    """Test whether events (s) gather within NEAR_START seconds after a start (s).

    `under` of `total` seconds of running time were that near to one.
    """
    close = sum(any(0.0 <= event - start <= NEAR_START for start in starts) for event in events)
    return _tested(close, len(events), under, total)


def _tested(events_under: int, events: int, under: float, total: float) -> Clustering | None:
    try:
        return clusters(events_under, events, under, total)
    except ValueError:
        return None


def reported(at: str, case: float | None, findings: Sequence[tuple[str, str]]) -> str:
    """Return `left live at 11 h 42 min, case 57.3 °C, fault 0x21 at position 2: …; look at …`.

    `findings` are pairs of what and text, those of one event in order; a fault of the unit's own table has a
    text that begins with it.
    """
    named = [(what, text) for what, text in findings if text.startswith(f"{what} at ")]
    others = [(what, text) for what, text in findings if not text.startswith(f"{what} at ")]
    head = others[0][0] if others else "new fault"
    place = f"{head} at {at}" + ("" if case is None else f", case {case:.1f} °C")
    texts = list(dict.fromkeys([text for _, text in (*named, *others)]))
    return f"{place}{', ' if named else ': '}{'; '.join(texts)}"


HOUR = 3600.0
#: Bytes of one sample beside its columns: the instant (64 bits) and the checksum (32); and of one column.
_FRAME, _COLUMN = 12, 4
#: Bytes of journal per seal of the sample file, and soak time between two seals, s.
_SEAL, _SEAL_EVERY = 400, 600.0
#: Bytes of journal for what begins and ends a soak, and of its plots in the page of the unit, which are drawn with
#: as many points however long it was; and of both for a power cycle. Measured on the demo.
_AROUND, _PAGE, _CYCLE = 8_000, 375_000, 6_000


class Cycles(Protocol):
    """Power cycles during the soak; times in s."""

    @property
    def every(self) -> float:
        """Time from one to the next."""
        ...

    @property
    def off(self) -> float:
        """Time without supply in each."""
        ...


class SoakExtent(Protocol):
    """The part of a soak plan that says how much it is; times in s."""

    @property
    def duration(self) -> float:
        """How long."""
        ...

    @property
    def period(self) -> float:
        """Time between samples."""
        ...

    @property
    def confidence(self) -> float:
        """Confidence of the statement about failures, a share."""
        ...

    @property
    def cycles(self) -> Cycles | None:
        """Power cycles, if any."""
        ...


@dataclass(frozen=True, slots=True)
class SoakOutlook:
    """What a soak will be: samples, bytes on the disk, seconds; and what it proves without an event.

    `samples`, `running_hours` and with them `mtbf` are the least: every planned start as slow as it may be.

    `mtbf` (h) is exceeded at the one-sided `confidence`; `shows` is the probability that a fault with an MTBF
    of a third of the soak shows itself at least once.
    """

    samples: int
    disk: int
    duration: float
    power_cycles: int
    running_hours: float
    confidence: float
    mtbf: float
    shows: float

    def sentence(self) -> str:
        """Say in plain words what the soak proves."""
        return (
            "Without an event the soak shows a mean time between failures above "
            f"{self.mtbf:.3g} h with {100 * self.confidence:g} % confidence, if failures come at a constant "
            f"rate; a fault that comes every {self.running_hours / 3:.3g} h on average shows itself with a "
            f"probability of {100 * self.shows:.3g} %."
        )


def soak_outlook(plan: SoakExtent, *, columns: int, start: float) -> SoakOutlook:
    """Return the outlook of a plan whose samples have this many columns.

    `start` is the longest time from power until the unit is sampled again (s).
    """
    cycles = 0 if plan.cycles is None else max(0, -int(-plan.duration // plan.cycles.every) - 1)
    # No sample is taken until the first regular instant after a start.
    missed = 0 if plan.cycles is None else cycles * math.ceil((plan.cycles.off + start) / plan.period)
    samples = max(int(plan.duration / plan.period + 0.5) - missed, 1)
    running = samples * plan.period
    hours = running / HOUR
    return SoakOutlook(
        samples=samples,
        disk=samples * (_FRAME + _COLUMN * columns)
        + int(plan.duration / _SEAL_EVERY) * _SEAL
        + cycles * _CYCLE
        + _AROUND
        + _PAGE,
        duration=plan.duration,
        power_cycles=cycles,
        running_hours=hours,
        confidence=plan.confidence,
        mtbf=mtbf_lower(hours, 0, plan.confidence),
        shows=probability_of_showing(hours / 3.0, hours),
    )
