"""All digital points of a unit at once, by patterns: which follow, which do not, what is wrong between them.

The shortest complete set of patterns (2 ceil(log2 N) + 2 of them, `analysis.patterns`) detects and names
every single fault; where the answer leaves several explanations, further patterns are chosen to part them.
Inputs and outputs are treated alike: commanded on one side, seen on the other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

from hilseq.analysis.pattern_diagnosis import Diagnosis, FaultSite, diagnose, next_pattern
from hilseq.analysis.patterns import Vector, shortest_complete
from hilseq.analysis.uncertainty import Term, resolution
from hilseq.clock import Clock
from hilseq.description.accuracy import DELAY_LOOKS, DELAY_NARROW, DELAY_PASSES
from hilseq.errors import UnitFault
from hilseq.measured import Measured, hardest
from hilseq.statements import compared

#: Patterns that may be added to part explanations; each halves them at worst, so this parts thousands.
MOST_FOLLOW_UPS = 16
#: A point that reads wrong is given this many settling times in a second pass: it may only be late.
PATIENCE = 5.0
#: What is wrong then, too, is given so many: one that still shows the last pattern looks coupled to others.
_LONGER = 20.0
#: How far beyond a settling time is looked while a delay is measured.
_BEYOND = 1.5
#: Where one pass leaves too much between the bounds of a delay, for the stand sees late or an instrument answers
#: slowly, further ones, spread by the golden ratio, narrow it down.
_GOLDEN = 0.6180339887498949
#: Spaces between two looks that are narrow enough near the limit: looks are not spaced to the last bit.
_FINE = 1.2
#: Passes at most, beyond those that are planned, while a delay can still be on either side of its limit: where answers
#: take longer than the delay, few passes have a quick one.
_MOST_PASSES = 60
#: Passes at least where a delay took more than a share of its limit: it may not always take as long.
_VARIED, _NEAR = 8, 0.5
#: Passes where no exchange is quick enough for any to end within the limit, and how far below the quickest one that was
#: seen the quickest may lie: of n times spread evenly, but in one case of 1000 by less than 7/n of their spread.
_SLOW_PASSES, _QUICKER = 3, 7.0


class DigitalPoints(Protocol):
    """Digital points: `Outputs` or `Inputs`."""

    names: tuple[str, ...]
    #: Longest time until every point follows, s.
    settle: float

    @property
    def lag(self) -> float:
        """How much later than it happens a change may be seen, or reach its terminal, s."""
        ...

    @property
    def longest_lag(self) -> float:
        """The same where the scan that was measured may not have been the longest, s."""
        ...

    def command(self, *on: str) -> None:
        """Command the named points on and all others off, without waiting for the unit."""
        ...

    def command_at_once(self, *on: str) -> None:
        """Do the same without waiting for the terminals either."""
        ...

    def seen(self) -> dict[str, bool]:
        """Return for each point whether it is seen on, by a look at once."""
        ...


@dataclass(slots=True)
class PatternRun:
    """What the patterns showed of the points `names`; `late` are those that follow, but not in time."""

    names: tuple[str, ...]
    settle: float
    #: How late a change may be seen, s.
    lag: float
    vectors: list[Vector] = field(default_factory=list)
    responses: list[Vector] = field(default_factory=list)
    diagnosis: Diagnosis = field(default_factory=lambda: Diagnosis((), 0))
    late: frozenset[str] = frozenset()
    delays: dict[str, Measured] = field(default_factory=dict)

    def faults(self) -> dict[str, str]:
        """Return what is wrong with each point that is at fault, in words that name its companions."""
        seen = f", through channels that may be {1e3 * self.lag:.0f} ms late" if self.lag else ""
        found = dict.fromkeys(sorted(self.late), f"follows only later than {1e3 * self.settle:g} ms{seen}")
        found = {name: f"{name} {words}" for name, words in found.items()}
        for site in self.diagnosis.sites:
            words = site.sentence(self.names)
            found.update((self.names[point], words) for point in _blamed(site))
        return found

    def assert_follows(self, name: str) -> None:
        """Raise UnitFault at the point when it does not follow, or when another cannot be distinguished from it."""
        compared()
        words = self.faults().get(name)
        if words is not None:
            raise UnitFault(words, place=name)

    def delay(self, name: str) -> Measured:
        """Return how long the point takes to follow, s. Raises UnitFault when it did not, this time."""
        if name not in self.delays:
            raise UnitFault(
                f"{name} follows the patterns, but not when all points change at once", place=name
            )
        return self.delays[name]

    def table(self, what: str) -> tuple[str, list[str], list[list[str]]]:
        """Return the patterns as a table of the journal: asked, seen, and where the two differ."""
        rows = []
        for vector, response in zip(self.vectors, self.responses, strict=True):
            wrong = [n for n, asked, got in zip(self.names, vector, response, strict=True) if asked != got]
            rows.append([_bits(vector), _bits(response), ", ".join(wrong)])
        return f"{what} by pattern, {self.names[0]} first", ["asked", "seen", "differs at"], rows


def _blamed(site: FaultSite) -> Iterable[int]:
    """Return the points of a site: those read wrong, and the companions on which every explanation agrees.

    Where explanations are left that no pattern can part, a point that reads right is not blamed.
    """
    return site.involved if site.unique else site.points


def _bits(vector: Vector) -> str:
    return "".join("1" if level else "0" for level in vector)


def run_patterns(points: DigitalPoints, clock: Clock, misread: Counter[str] | None = None) -> PatternRun:
    """Run the patterns and measure the delays; all points are commanded off afterwards.

    What was wrong once, and neither with patience nor in time again, is not taken for late; it is counted in `misread`,
    where that is given, for further looks to tell.
    """
    run = PatternRun(points.names, points.settle, points.lag)
    vectors = shortest_complete(len(points.names))
    try:
        run.vectors = list(vectors)
        run.responses = [_apply(points, clock, vector, 1.0) for vector in vectors]
        if run.vectors != run.responses:
            _second_look(points, clock, run, misread)
        else:
            run.diagnosis = diagnose(run.vectors, run.responses)
        run.delays = _delays(points, clock)
    finally:
        points.command()
    return run


def _second_look(points: DigitalPoints, clock: Clock, run: PatternRun, misread: Counter[str] | None) -> None:
    """Part the points that are only late from those that are wrong, and diagnose these."""
    patience = PATIENCE
    patient = [_apply(points, clock, vector, patience) for vector in run.vectors]
    if patient != run.vectors:
        patience = _LONGER
        patient = [_apply(points, clock, vector, patience) for vector in run.vectors]
    wrong = {
        name
        for number, name in enumerate(run.names)
        if any(v[number] != r[number] for v, r in zip(run.vectors, patient, strict=True))
    }
    hasty = set(diagnose(run.vectors, run.responses).points)
    if hasty:
        # What is late is so again; what was so once was the stand's doing, or is for further looks to tell.
        once = hasty - set(_hasty_again(points, clock, run))
        if misread is not None:
            misread.update(run.names[number] for number in once if run.names[number] not in wrong)
        hasty -= once
    run.late = frozenset(
        name for number, name in enumerate(run.names) if number in hasty and name not in wrong
    )
    responses = patient
    run.diagnosis = diagnose(run.vectors, responses)
    for _ in range(MOST_FOLLOW_UPS):
        vector = next_pattern(run.diagnosis)
        if vector is None:
            break
        response = _apply(points, clock, vector, patience)
        run.vectors.append(vector)
        responses.append(response)
        run.responses.append(response)
        run.diagnosis = diagnose(run.vectors, responses)


def _hasty_again(points: DigitalPoints, clock: Clock, run: PatternRun) -> tuple[int, ...]:
    """Return the points that are wrong in the patterns once more, without patience."""
    return diagnose(run.vectors, [_apply(points, clock, vector, 1.0) for vector in run.vectors]).points


def _apply(points: DigitalPoints, clock: Clock, vector: Vector, patience: float) -> Vector:
    points.command_at_once(*(name for name, on in zip(points.names, vector, strict=True) if on))
    clock.sleep(patience * points.settle + points.lag)
    seen = points.seen()
    return tuple(seen[name] for name in points.names)


def _delays(points: DigitalPoints, clock: Clock) -> dict[str, Measured]:
    """Return of the delays to on and to off of each point that went both ways the one that is hardest to judge.

    All points are switched at once and looked at until each has followed, so that many take as long as one.
    """
    points.command()
    clock.sleep(PATIENCE * points.settle + points.lag)
    commands, looks = list[float](), list[float]()
    windows = partial(_windows, points, clock, commands, looks)
    taken: list[tuple[dict[str, list[tuple[float, float]]], bool]] = [({}, True), ({}, False)]
    for known, level in taken:
        _add(known, windows(level=level))
    finest = points.settle / DELAY_LOOKS
    for number in range(1, _MOST_PASSES):
        bounds = [_narrowed(seen) for known, _ in taken for seen in known.values()]
        widest = max((latest - earliest for earliest, latest in bounds), default=0.0)
        slow = _quickest(commands) + _quickest(looks) > points.settle
        enough = slow or all(_is_clear(*window, points.settle, finest) for window in bounds)
        passes = _SLOW_PASSES if slow else DELAY_PASSES
        near = not slow and number < _VARIED and any(latest > _NEAR * points.settle for _, latest in bounds)
        narrow = widest <= _FINE * finest or (
            enough and (widest <= DELAY_NARROW * finest or number >= passes)
        )
        if narrow and not near:
            break
        for known, level in taken:
            clock.sleep(points.settle + (points.lag + finest) * (number * _GOLDEN % 1.0))
            _add(known, windows(level=level))
    to_on, to_off = taken[0][0], taken[1][0]
    return {
        name: hardest((_between(*_narrowed(known[name]), finest) for known in (to_on, to_off)), points.settle)
        for name in points.names
        if name in to_on and name in to_off
    }


def _add(known: dict[str, list[tuple[float, float]]], windows: Mapping[str, tuple[float, float]]) -> None:
    for name, window in windows.items():
        known.setdefault(name, []).append(window)


def _narrowed(windows: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return between which times a delay lies that was seen in each of some windows, s.

    Where no time is in all of them it does not always take as long, as of a unit with a cycle: the longest counts. One
    alone that is later than all others is a moment in which the stand, or this computer, was held up.
    """
    ordered = sorted(windows)
    latest = min(window[1] for window in windows)
    if len(ordered) >= _VARIED and ordered[-2][0] <= latest < ordered[-1][0]:
        ordered.pop()
    earliest = ordered[-1][0]
    return earliest, latest if latest >= earliest else max(window[1] for window in ordered)


def _quickest(times: Sequence[float]) -> float:
    """Return how long an exchange may take at least, s, after some that were seen; 0 after none."""
    if not times:
        return 0.0
    return min(times) - _QUICKER * (max(times) - min(times)) / len(times)


def _is_clear(earliest: float, latest: float, limit: float, finest: float) -> bool:
    """Return whether a time between two is inside a limit or beyond it, s, with all its uncertainty."""
    delay = _between(earliest, latest, finest)
    return delay.value + delay.expanded_uncertainty <= limit or earliest > limit


def _between(earliest: float, latest: float, finest: float) -> Measured:
    """Return a time that lies between two, s: rectangular, width / sqrt 12 (GUM 4.3.7)."""
    width = resolution(max(latest - earliest, finest))
    term = Term(
        "between two looks", width, "rectangular", source="times of commands and looks, age of a read"
    )
    return Measured.of(0.5 * (earliest + latest), "s", term)


def _windows(
    points: DigitalPoints, clock: Clock, commands: list[float], looks: list[float], *, level: bool
) -> dict[str, tuple[float, float]]:
    """Switch all points to `level`; return between which times each followed, s from the command.

    How long the command and each look took is added to `commands` and `looks`.

    Known between the last look that saw the old level, which may be old by the lag of the stand, and the first that
    saw the new one. Sending the command takes time itself and widens that, as does the lag of a drive.
    """
    sending = clock.now()
    points.command_at_once(*(points.names if level else ()))
    sent = clock.now()
    commands.append(sent - sending)
    waiting = dict.fromkeys(points.names, sent)
    found: dict[str, tuple[float, float]] = {}
    while waiting and clock.now() - sent <= _BEYOND * points.settle + points.lag:
        asked = clock.now()
        seen = points.seen()
        answered = clock.now()
        looks.append(answered - asked)
        for name in [name for name in waiting if seen[name] is level]:
            found[name] = max(0.0, waiting.pop(name) - points.longest_lag - sent), answered - sending
        waiting = dict.fromkeys(waiting, asked)
        clock.sleep(points.settle / DELAY_LOOKS)
    return found
