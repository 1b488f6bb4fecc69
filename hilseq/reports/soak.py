"""A soak reported from its journal and its sample file alone: curves, gaps, events, and sentences.

Anyone can make this again from the run's folder. Knows no instrument; the numbers come from `analysis`. All times
of a `SoakView` are seconds since the soak began. A gap is a gap: values there are missing (NaN) or simply not in
the sequence, and nothing is ever drawn across.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from hilseq.analysis import soak_samples as numbers
from hilseq.analysis.counted import upper_bound
from hilseq.analysis.soak_events import NEAR_START, above, event_rate, near_starts
from hilseq.errors import UsageError
from hilseq.journal.entries import RunResumed
from hilseq.journal.event_names import INTERLOCK, INTERLOCK_ACKNOWLEDGED, NOT_COUNTED
from hilseq.journal.run_state import RunState, SoakState, UnitState
from hilseq.journal.samples import CURRENT, FAULTS, MODE, VOLTAGE, Samples, read_samples
from hilseq.journal.seals import sample_file
from hilseq.journal.soak_entries import SamplesMissed
from hilseq.quantities import show_duration
from hilseq.reports import formatting
from hilseq.reports.formatting import symbol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = Sequence[float] | NDArray[np.floating]

_CURVE_POINTS = 240
#: Name of the series of the case temperature.
CASE = "case temperature"


#: Less of the running time above a temperature allows no test of it.
_LEAST_SHARE = 0.1
#: A shorter record cannot tell a drift from a daily cycle, which is fitted beside it; s.
_LEAST_FOR_A_DRIFT = 0.99 * numbers.DAY
#: Notes of a soak that its drawings mark.
_SHOWN_NOTES = (NOT_COUNTED, INTERLOCK, INTERLOCK_ACKNOWLEDGED, "instrument lost")


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve laid over a series: a few hundred points of it, and the fit in one sentence."""

    times: Numbers
    values: Numbers
    reported: str


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
class TimeSpan:
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
    modes: Sequence[TimeSpan] = ()
    gaps: Sequence[TimeSpan] = ()
    events: Sequence[SoakEvent] = ()
    sentences: Sequence[str] = ()
    #: Failures as the statistics count them: signs that came together are one; `events` holds each sign, gap and note.
    incidents: int = 0


def soak_of(folder: Path, run: RunState, unit: UnitState) -> SoakView | None:
    """Return the soak of a unit, with the samples beside the journal; None when this run had none."""
    soak = unit.soak
    if soak is None:
        return None
    try:
        samples = read_samples(sample_file(folder, soak))
    except (OSError, UsageError):
        return SoakView(
            planned=soak.started.planned,
            lasted=soak.last,
            samples=0,
            series=(),
            events=_events(soak),
            sentences=("The samples of this soak cannot be read: they are not evaluated.",),
        )
    return _view(soak, samples, unit.damage, run.resumed)


def _view(soak: SoakState, samples: Samples, damage: str, resumed: Sequence[RunResumed]) -> SoakView:
    started = soak.started
    times = samples.times - started.zero
    period = started.period
    lasted = _known_until(times, period) if soak.ended is None else soak.ended.since
    gaps = _gaps(soak, times, period)
    case = started.case if started.case in samples.columns else None
    warm = None if case is None else numbers.warm_up(times, samples.column(case).astype("f8"), period)
    sentences = [
        *_course(soak, lasted),
        *_uncounted(soak),
        *_knowledge(soak, samples, gaps, resumed, damage),
        *_statistics(soak, times, samples, case),
        *_warmth(warm, gaps),
        *_bands(soak, times, samples, case),
        *_ports(soak),
    ]
    return SoakView(
        planned=started.planned,
        lasted=lasted,
        samples=len(times),
        series=_series(soak, times, samples, case, warm),
        modes=_modes(soak, times, samples, gaps, period),
        gaps=gaps,
        events=_events(soak),
        sentences=sentences,
        incidents=len(soak.incidents),
    )


def _known_until(times: NDArray[np.float64], period: float) -> float:
    """Return how long a soak without an end is known to have lasted: to the period of its last sample, s."""
    return float(times[-1]) + period if len(times) else 0.0


# -- sentences -----------------------------------------------------------------------------------------


def _uncounted(soak: SoakState) -> list[str]:
    """Say what the plan leaves uncounted, and how often it was seen."""
    signs = soak.started.plan.get("ignored_events", ())
    if not signs:
        return []
    sentences = [f"By its plan this soak does not count as events: {', '.join(signs)}."]
    seen = {} if soak.ended is None else soak.ended.uncounted
    if seen:
        times = ", ".join(f"{sign} {formatting.count(number, 'time')}" for sign, number in seen.items())
        sentences.append(f"Seen nevertheless: {times}.")
    return sentences


def _course(soak: SoakState, lasted: float) -> list[str]:
    planned, asked = soak.started.planned, soak.started.duration
    sentences = []
    if asked < planned:
        sentences.append(
            f"This soak was shortened to {show_duration(asked)}; the profile plans {show_duration(planned)}."
        )
    incidents = soak.incidents
    if soak.ended is None:
        sentences.append(f"The soak did not finish; its record ends after {show_duration(lasted)}.")
    elif incidents:
        sentences.append(f"The soak ended after {show_duration(lasted)}: {soak.ended.why}.")
    if not incidents:
        sentences.append(f"The unit stayed {soak.started.mode} for {show_duration(lasted)} without an event.")
    sentences += [f"Event {number}: {one.sentence}." for number, one in enumerate(incidents, 1)]
    return sentences


def _knowledge(
    soak: SoakState, samples: Samples, gaps: Sequence[TimeSpan], resumed: Sequence[RunResumed], damage: str
) -> list[str]:
    """Return how much is known: samples, gaps, overruns, and what happened to the files."""
    missed = 0 if soak.ended is None else soak.ended.missed
    words = f"{len(samples.times)} samples, one every {show_duration(soak.started.period)}"
    if damage:
        # What this file holds was perhaps never sampled, and what was sampled is perhaps not in it.
        sentences = [f"CAUTION: {damage}. It holds {words}; what follows is about these."]
    else:
        words += (
            f"; {missed} were missed because the one before took too long" if missed else "; none was missed"
        )
        sentences = [f"{words}."]
    if gaps:
        lost = sum(gap.end - gap.start for gap in gaps)
        sentences.append(
            f"In {len(gaps)} gap{'s' * (len(gaps) > 1)}, {show_duration(lost)} together, nothing was "
            "sampled; the statistics leave them out."
        )
    if samples.cut_bytes:
        sentences.append(
            f"The sample file ends with {samples.cut_bytes} bytes that are no whole sample: left out."
        )
    sentences += [
        f"The run was cut off and continued: {entry.torn} bytes of an unfinished line were removed."
        for entry in resumed
        if entry.torn
    ]
    return sentences


def _statistics(soak: SoakState, times: NDArray[np.float64], samples: Samples, case: str | None) -> list[str]:
    period, confidence = soak.started.period, soak.started.confidence
    well = _in_its_mode(soak, samples)
    running = numbers.running_time(times[well], period)
    if running <= 0:
        return []
    firsts = soak.incidents
    sentences = [event_rate(len(firsts), running, confidence).sentence()]
    if not firsts:
        return sentences
    if case is not None:
        values = samples.column(case).astype("f8")[well]
        middle = _median(values)
        under = numbers.time_above(values, middle, period)
        test = above(middle, [event.case for event in firsts], under, running)
        # A case that stood at its median nearly all the time tells nothing about warmth.
        if test is not None and test.events_under and under >= _LEAST_SHARE * running:
            sentences.append(test.sentence(f"above {middle:.1f} °C (the median of the soak)", "event"))
    starts = [0.0, *(gap.end for gap in soak.gaps)]
    under = numbers.time_after(times[well], starts, NEAR_START, period)
    test = near_starts([event.since for event in firsts], starts, under, running)
    if test is not None and test.events_under and len(starts) > 1:
        sentences.append(test.sentence("within 10 min of a start", "event"))
    return sentences


def _in_its_mode(soak: SoakState, samples: Samples) -> NDArray[np.bool_]:
    """Tell of each sample whether the unit was in the mode of the soak: only then could it leave it."""
    import numpy as np

    wanted = soak.started.modes.get(soak.started.mode)
    if MODE not in samples.columns or wanted is None:
        return np.ones(len(samples.times), dtype=np.bool_)
    held: NDArray[np.bool_] = samples.column(MODE) == wanted
    return held


def _median(values: NDArray[np.float64]) -> float:
    import numpy as np

    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _warmth(warm: numbers.WarmUp | None, gaps: Sequence[TimeSpan]) -> list[str]:
    if warm is None:
        return []
    sentences = []
    if warm.fit is not None:
        fit = warm.fit
        sentences.append(
            f"The case went from {fit.initial:.1f} °C towards {fit.final:.1f} °C with a time constant of "
            f"{show_duration(fit.time_constant)} (fit, standard uncertainty "
            f"{show_duration(fit.time_constant_uncertainty)})."
        )
    if warm.steady is not None:
        sentences.append(f"It was steady from {show_duration(warm.steady)} on ({warm.criterion.name}).")
    else:
        before = " before the first gap" if gaps else ""
        sentences.append(f"It did not become steady{before} ({warm.criterion.name}).")
    return sentences


def _bands(soak: SoakState, times: NDArray[np.float64], samples: Samples, case: str | None) -> list[str]:
    sentences = []
    units = {column.name: symbol(column.unit) for column in soak.started.columns}
    for name in [VOLTAGE, CURRENT, *([case] if case else [])]:
        if name not in samples.columns:
            continue
        values = samples.column(name).astype("f8")
        band = numbers.band(values)
        if band is None:
            continue
        unit = units[name]
        words = f"{name}: {band.low:.5g} to {band.high:.5g} {unit}, mean {band.mean:.5g} {unit}"
        long_enough = times.size > 1 and times[-1] - times[0] > _LEAST_FOR_A_DRIFT
        trend = numbers.trend(times, values) if long_enough and name != case else None
        if trend is not None:
            drift = f"{trend.per_day:+.2g} {unit} a day (standard uncertainty {trend.uncertainty:.1g} {unit})"
            words += f"; drift {drift}" if trend.certain else f"; no certain drift ({drift})"
        sentences.append(f"{words[0].upper()}{words[1:]}.")
    return sentences


def _ports(soak: SoakState) -> list[str]:
    confidence = soak.started.confidence
    sentences = []
    for name, tally in soak.ports.items():
        if not tally.frames:
            continue
        words = (
            f"{name} carried {tally.frames} frames: {tally.wrong_frames} came back wrong, "
            f"{tally.lost_frames} not at all (at most "
            f"{100 * upper_bound(tally.lost_frames, tally.frames, confidence):.2g} % are lost)"
        )
        if tally.bits:
            bound = upper_bound(tally.wrong_bits, tally.bits, confidence)
            words += f"; the bit error ratio of what came back is below {bound:.2g}"
        words += f", with {100 * confidence:g} % confidence each"
        sentences.append(f"{words}.")
    return sentences


# -- curves --------------------------------------------------------------------------------------------


def _events(soak: SoakState) -> list[SoakEvent]:
    events = [SoakEvent(e.since, e.what, f"{e.place}: {e.text}") for e in soak.events]
    for gap in soak.gaps:
        text = f"{gap.text}; {show_duration(gap.end - gap.start)} without samples"
        events.append(SoakEvent(gap.start, gap.what, text))
    zero = soak.started.zero
    events += [
        SoakEvent(note.t - zero, note.what, note.text)
        for note in soak.notes
        if isinstance(note, SamplesMissed) or note.what in _SHOWN_NOTES
    ]
    return sorted(events, key=lambda event: event.at)


def _gaps(soak: SoakState, times: NDArray[np.float64], period: float) -> list[TimeSpan]:
    """Return every stretch without samples, with its reason where the journal has one."""
    spans = []
    for start, end in numbers.gaps(times, period):
        why = next((gap.what for gap in soak.gaps if gap.start < end and gap.end > start), "overrun")
        spans.append(TimeSpan(start, end, why))
    return spans


def _series(
    soak: SoakState,
    times: NDArray[np.float64],
    samples: Samples,
    case: str | None,
    warm: numbers.WarmUp | None,
) -> list[Series]:
    described = {column.name: column for column in soak.started.columns}
    shown = [CURRENT, *([case] if case else []), VOLTAGE, FAULTS]
    names = {case: CASE, FAULTS: "stored faults"}
    series = []
    for name in shown:
        if name not in samples.columns:
            continue
        column = described[name]
        series.append(
            Series(
                names.get(name, name),
                column.unit,
                times,
                samples.column(name),
                column.low,
                column.high,
                _curve(warm) if name == case else None,
            )
        )
    return series


def _curve(warm: numbers.WarmUp | None) -> Curve | None:
    if warm is None or warm.fit is None:
        return None
    fit = warm.fit
    # Five time constants: beyond them the curve is its end.
    points = [fit.begin + 5.0 * fit.time_constant * number / _CURVE_POINTS for number in range(_CURVE_POINTS)]
    reported_of_fit = (
        f"first-order rise to {fit.final:.1f} °C, time constant {show_duration(fit.time_constant)}"
    )
    return Curve(points, [fit.at(point) for point in points], reported_of_fit)


def _modes(
    soak: SoakState, times: NDArray[np.float64], samples: Samples, gaps: Sequence[TimeSpan], period: float
) -> list[TimeSpan]:
    """Return the stretches in one mode as the unit reported it."""
    import numpy as np

    if MODE not in samples.columns or not len(times):
        return []
    names = {number: name for name, number in soak.started.modes.items()}
    raw = np.nan_to_num(samples.column(MODE), nan=-1.0)
    breaks = [gap.end for gap in gaps]
    cuts = set(np.flatnonzero(np.diff(raw) != 0) + 1) | {int(np.searchsorted(times, end)) for end in breaks}
    edges = [0, *sorted(cuts - {0, len(times)}), len(times)]
    return [
        TimeSpan(
            float(times[first]),
            float(times[last - 1]) + period,
            names.get(float(raw[first]), "not known"),
        )
        for first, last in pairwise(edges)
    ]
