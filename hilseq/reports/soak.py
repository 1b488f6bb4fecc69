"""A soak told from its journal and its sample file alone: curves, gaps, events, and sentences.

Anyone can make this again from the run's folder. Knows no instrument; the numbers come from `analysis`. All times
of a `SoakView` are seconds since the soak began. A gap is a gap: values there are missing (NaN) or simply not in
the sequence, and nothing is ever drawn across.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilseq.analysis import soak_samples as numbers
from hilseq.analysis.bit_errors import ratio_upper
from hilseq.analysis.soak_events import NEAR_START, above, event_rate, near_starts, told
from hilseq.errors import UsageError
from hilseq.journal import kinds
from hilseq.journal.reader import Journal, read_journal
from hilseq.journal.samples import Samples, read_samples
from hilseq.journal.seals import sample_file
from hilseq.quantities import show_duration
from hilseq.reports import formatting
from hilseq.reports.formatting import symbol
from hilseq.reports.record import UnitRecord

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = Sequence[float] | NDArray[np.floating]

_CURVE_POINTS = 240
#: Columns of a sample by the names that the sampler gives them.
VOLTAGE, CURRENT, MODE, FAULTS = "supply voltage", "supply current", "unit mode", "unit faults"


#: Less of the running time above a temperature allows no test of it.
_LEAST_SHARE = 0.1


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


@dataclass(slots=True)
class SoakStory:
    """What the journal says of one soak; times in seconds since it began."""

    begun: Mapping[str, Any]
    events: list[Mapping[str, Any]] = field(default_factory=list)
    gaps: list[Mapping[str, Any]] = field(default_factory=list)
    notes: list[Mapping[str, Any]] = field(default_factory=list)
    seals: list[Mapping[str, Any]] = field(default_factory=list)
    ended: Mapping[str, Any] | None = None
    last: float = 0.0

    @property
    def until(self) -> float:
        """End of the soak as planned, s since it began: later where time was lost."""
        end: float = self.begun["end"] - self.begun["zero"]
        return float(self.gaps[-1]["until"]) if self.gaps else end

    @property
    def incidents(self) -> list[list[Mapping[str, Any]]]:
        """Events that came together, in order."""
        found: dict[int, list[Mapping[str, Any]]] = {}
        for event in self.events:
            found.setdefault(event["number"], []).append(event)
        return list(found.values())


def story_of(entries: Sequence[Mapping[str, Any]], slot: str) -> SoakStory | None:
    """Return the soak of a slot; None when the run had none."""
    story: SoakStory | None = None
    for entry in entries:
        if entry.get("slot") != slot:
            continue
        if entry["kind"] == kinds.SOAK_STARTED:
            story = SoakStory(entry)
        if story is None:
            continue
        story.last = max(story.last, float(entry["t"]) - story.begun["zero"])
        kept = {
            kinds.SOAK_EVENT: story.events,
            kinds.SOAK_GAP: story.gaps,
            kinds.EVENT: story.notes,
            kinds.SAMPLES_SEALED: story.seals,
        }.get(entry["kind"])
        if kept is not None:
            kept.append(entry)
        if entry["kind"] == kinds.SOAK_ENDED:
            story.ended = entry
            return story
    return story


def told_in_words(incident: Sequence[Mapping[str, Any]]) -> str:
    """Return one incident in a sentence."""
    first = incident[0]
    return told(
        show_duration(first["since"]), first["case"], [(event["what"], event["text"]) for event in incident]
    )


def soak_of(folder: Path, unit: UnitRecord) -> SoakView | None:
    """Return the soak of a unit from the files beside the journal; None when this run had none."""
    journal = read_journal(folder)
    story = story_of(journal.entries, unit.slot)
    if story is None:
        return None
    try:
        samples = read_samples(sample_file(folder, story.begun))
    except (OSError, UsageError):
        return SoakView(
            planned=story.begun["planned"],
            lasted=story.last,
            samples=0,
            series=(),
            events=_events(story),
            sentences=("The samples of this soak cannot be read: nothing is said about them.",),
        )
    return _view(story, samples, unit.damage, journal)


def _view(story: SoakStory, samples: Samples, damage: str, journal: Journal) -> SoakView:
    begun = story.begun
    times = samples.times - begun["zero"]
    period = float(begun["period"])
    lasted = _known_until(times, period) if story.ended is None else float(story.ended["since"])
    gaps = _gaps(story, times, period)
    case = str(begun["case"]) if begun["case"] in samples.columns else None
    warm = None if case is None else numbers.warm_up(times, samples.column(case).astype("f8"), period)
    sentences = [
        *_course(story, lasted),
        *_uncounted(story),
        *_knowledge(story, samples, gaps, journal, damage),
        *_statistics(story, times, samples, case),
        *_warmth(warm),
        *_bands(story, times, samples, case),
        *_ports(story),
    ]
    return SoakView(
        planned=float(begun["planned"]),
        lasted=lasted,
        samples=len(times),
        series=_series(story, times, samples, case, warm),
        modes=_modes(story, times, samples, gaps, period),
        gaps=gaps,
        events=_events(story),
        sentences=sentences,
    )


def _known_until(times: NDArray[np.float64], period: float) -> float:
    """Return how long a soak without an end is known to have lasted: to the period of its last sample, s."""
    return float(times[-1]) + period if len(times) else 0.0


# -- sentences -----------------------------------------------------------------------------------------


def _uncounted(story: SoakStory) -> list[str]:
    """Say what the plan leaves uncounted, and how often it was seen."""
    signs = story.begun["plan"].get("ignored_events", ())
    if not signs:
        return []
    sentences = [f"By its plan this soak counts no event for: {', '.join(signs)}."]
    seen = (story.ended or {}).get("uncounted", {})
    if seen:
        times = ", ".join(f"{sign} {formatting.count(number, 'time')}" for sign, number in seen.items())
        sentences.append(f"Seen all the same: {times}.")
    return sentences


def _course(story: SoakStory, lasted: float) -> list[str]:
    begun = story.begun
    planned, asked = float(begun["planned"]), float(begun["duration"])
    sentences = []
    if asked < planned:
        sentences.append(
            f"This soak was shortened to {show_duration(asked)}; the profile plans {show_duration(planned)}."
        )
    incidents = story.incidents
    if story.ended is None:
        sentences.append(f"The soak did not come to its end; it is known until {show_duration(lasted)}.")
    elif incidents:
        sentences.append(f"The soak ended after {show_duration(lasted)}: {story.ended['why']}.")
    if not incidents:
        sentences.append(f"The unit stayed {begun['mode']} for {show_duration(lasted)} without an event.")
    sentences += [f"Event {number}: {told_in_words(one)}." for number, one in enumerate(incidents, 1)]
    return sentences


def _knowledge(
    story: SoakStory, samples: Samples, gaps: Sequence[Span], journal: Journal, damage: str
) -> list[str]:
    """Return how much is known: samples, gaps, overruns, and what happened to the files."""
    missed = 0 if story.ended is None else int(story.ended["missed"])
    words = f"{len(samples.times)} samples, one every {show_duration(story.begun['period'])}"
    if damage:
        # What this file holds was perhaps never sampled, and what was sampled is perhaps not in it.
        sentences = [f"CAUTION: {damage}. It holds {words}; what follows tells of these."]
    else:
        words += (
            f"; {missed} were missed because the one before took too long" if missed else "; none was missed"
        )
        sentences = [f"{words}."]
    if gaps:
        lost = sum(gap.end - gap.start for gap in gaps)
        sentences.append(
            f"In {len(gaps)} gap{'s' * (len(gaps) > 1)}, {show_duration(lost)} together, nothing was "
            "sampled; they count in no statistic."
        )
    if samples.cut_bytes:
        sentences.append(
            f"The sample file ends with {samples.cut_bytes} bytes that are no whole sample: left out."
        )
    sentences += [
        f"The run was cut off and continued: {entry['torn']} bytes of an unfinished line were removed."
        for entry in journal.of_kind(kinds.RUN_RESUMED)
        if entry["torn"]
    ]
    return sentences


def _statistics(
    story: SoakStory, times: NDArray[np.float64], samples: Samples, case: str | None
) -> list[str]:
    period, confidence = float(story.begun["period"]), float(story.begun["confidence"])
    well = _in_its_mode(story, samples)
    running = numbers.running_time(times[well], period)
    if running <= 0:
        return []
    firsts = [incident[0] for incident in story.incidents]
    sentences = [event_rate(len(firsts), running, confidence).sentence()]
    if not firsts:
        return sentences
    if case is not None:
        values = samples.column(case).astype("f8")[well]
        middle = _median(values)
        under = numbers.time_above(values, middle, period)
        test = above(middle, [event["case"] for event in firsts], under, running)
        # A case that stood at its median nearly all the time tells nothing about warmth.
        if test is not None and under >= _LEAST_SHARE * running:
            sentences.append(test.sentence(f"above {middle:.1f} °C (the median of the soak)", "event"))
    starts = [0.0, *(float(gap["end"]) for gap in story.gaps)]
    under = numbers.time_after(times[well], starts, NEAR_START, period)
    test = near_starts([float(event["since"]) for event in firsts], starts, under, running)
    if test is not None and len(starts) > 1:
        sentences.append(test.sentence("within 10 min of a start", "event"))
    return sentences


def _in_its_mode(story: SoakStory, samples: Samples) -> NDArray[np.bool_]:
    """Tell of each sample whether the unit was in the mode of the soak: only then could it leave it."""
    import numpy as np

    wanted = story.begun["modes"].get(story.begun["mode"])
    if MODE not in samples.columns or wanted is None:
        return np.ones(len(samples.times), dtype=np.bool_)
    held: NDArray[np.bool_] = samples.column(MODE) == float(wanted)
    return held


def _median(values: NDArray[np.float64]) -> float:
    import numpy as np

    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _warmth(warm: numbers.WarmUp | None) -> list[str]:
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
        sentences.append(f"It was not seen to be steady before the first gap ({warm.criterion.name}).")
    return sentences


def _bands(story: SoakStory, times: NDArray[np.float64], samples: Samples, case: str | None) -> list[str]:
    sentences = []
    units = {column["name"]: symbol(column["unit"]) for column in story.begun["columns"]}
    for name in [VOLTAGE, CURRENT, *([case] if case else [])]:
        if name not in samples.columns:
            continue
        values = samples.column(name).astype("f8")
        band = numbers.band(values)
        if band is None:
            continue
        unit = units[name]
        words = f"{name}: {band.low:.5g} to {band.high:.5g} {unit}, mean {band.mean:.5g} {unit}"
        trend = numbers.trend(times, values) if name != case else None
        if trend is not None:
            drift = f"{trend.per_day:+.2g} {unit} a day (standard uncertainty {trend.uncertainty:.1g} {unit})"
            words += f"; drift {drift}" if trend.certain else f"; no certain drift ({drift})"
        sentences.append(f"{words[0].upper()}{words[1:]}.")
    return sentences


def _ports(story: SoakStory) -> list[str]:
    last = story.ended or (story.seals[-1] if story.seals else {"ports": {}})
    confidence = float(story.begun["confidence"])
    sentences = []
    for name, tally in last["ports"].items():
        if not tally["frames"]:
            continue
        words = (
            f"{name} carried {tally['frames']} frames: {tally['wrong_frames']} came back wrong, "
            f"{tally['lost_frames']} not at all"
        )
        if tally["bits"]:
            bound = ratio_upper(tally["bits"], tally["wrong_bits"], confidence)
            words += f"; the bit error ratio is below {bound:.2g} with {100 * confidence:g} % confidence"
        sentences.append(f"{words}.")
    return sentences


# -- curves --------------------------------------------------------------------------------------------


def _events(story: SoakStory) -> list[SoakEvent]:
    events = [SoakEvent(e["since"], e["what"], f"{e['place']}: {e['text']}") for e in story.events]
    for gap in story.gaps:
        text = f"{gap['text']}; {show_duration(gap['end'] - gap['start'])} without samples"
        events.append(SoakEvent(gap["start"], gap["what"], text))
    zero = story.begun["zero"]
    events += [
        SoakEvent(float(note["t"]) - zero, note["what"], note["text"])
        for note in story.notes
        if note["what"]
        in ("not counted", "interlock", "interlock acknowledged", "instrument lost", "overrun")
    ]
    return sorted(events, key=lambda event: event.at)


def _gaps(story: SoakStory, times: NDArray[np.float64], period: float) -> list[Span]:
    """Return every stretch without samples, with its reason where the journal has one."""
    spans = []
    for start, end in numbers.gaps(times, period):
        why = next((g["what"] for g in story.gaps if g["start"] < end and g["end"] > start), "overrun")
        spans.append(Span(start, end, str(why)))
    return spans


def _series(
    story: SoakStory,
    times: NDArray[np.float64],
    samples: Samples,
    case: str | None,
    warm: numbers.WarmUp | None,
) -> list[Series]:
    described = {column["name"]: column for column in story.begun["columns"]}
    shown = [CURRENT, *([case] if case else []), VOLTAGE, FAULTS]
    names = {case: "case temperature", FAULTS: "stored faults"}
    series = []
    for name in shown:
        if name not in samples.columns:
            continue
        column = described[name]
        series.append(
            Series(
                names.get(name, name),
                column["unit"],
                times,
                samples.column(name),
                column["low"],
                column["high"],
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
    told_of_fit = f"first-order rise to {fit.final:.1f} °C, time constant {show_duration(fit.time_constant)}"
    return Curve(points, [fit.at(point) for point in points], told_of_fit)


def _modes(
    story: SoakStory, times: NDArray[np.float64], samples: Samples, gaps: Sequence[Span], period: float
) -> list[Span]:
    """Return the stretches in one mode as the unit reported it."""
    import numpy as np

    if MODE not in samples.columns or not len(times):
        return []
    names = {float(number): name for name, number in story.begun["modes"].items()}
    raw = np.nan_to_num(samples.column(MODE), nan=-1.0)
    breaks = [gap.end for gap in gaps]
    cuts = set(np.flatnonzero(np.diff(raw) != 0) + 1) | {int(np.searchsorted(times, end)) for end in breaks}
    edges = [0, *sorted(cuts - {0, len(times)}), len(times)]
    return [
        Span(
            float(times[first]),
            float(times[last - 1]) + period,
            names.get(float(raw[first]), "not known"),
        )
        for first, last in pairwise(edges)
    ]
