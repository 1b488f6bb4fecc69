"""The record of a unit in the shape its page shows: stages, like checks, reasons, what is missing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date as Date  # noqa: N812 (a class)
from itertools import groupby

from markupsafe import Markup

from hilseq.analysis.counted import clopper_pearson
from hilseq.analysis.limits import Limits, test_uncertainty_ratio
from hilseq.journal.causes import diagnosis
from hilseq.journal.entries import ENOUGH_REPAIRS, PROVOKED, KnownCause, Reading, StoredFault, TableKept
from hilseq.journal.run_state import CheckState, RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports.check_drawings import draw_curve, draw_limits
from hilseq.reports.claims import domain
from hilseq.reports.formatting import (
    READING_WORDS,
    SIGNS,
    count,
    finite,
    join_truncated,
    scale,
    show_limits,
    show_value,
    without_places,
    worst,
)
from hilseq.verdicts import CheckVerdict, Disposition

#: A table longer than this is cut on the page; the journal keeps all of it.
_MOST_ROWS = 200
_MOST_REASONS, _MOST_CONSEQUENCES, _MOST_STEPS = 12, 6, 6
_CONFIDENCE = 0.95
#: A larger table is folded.
_GLANCE_ROWS, _GLANCE_COLUMNS = 12, 8
#: Verdicts that are shown in full; what has another one is folded.
_OPEN = (CheckVerdict.FAILED, CheckVerdict.STAND_FAULT)


@dataclass(frozen=True, slots=True)
class BudgetView:
    """What the uncertainty of a reading is made of, folded: a caption, and a row for each term."""

    reported: str
    rows: tuple[tuple[str, str, str, str, str], ...]


@dataclass(frozen=True, slots=True)
class ReadingView:
    """One reading in words and as a drawing."""

    name: str
    value: str
    limits: str
    verdict: str
    said: str
    probability: str
    drawing: Markup
    budget: BudgetView | None = None


@dataclass(frozen=True, slots=True)
class TableView:
    """One table of a check: as a curve where it is one, and always as numbers."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int
    drawing: Markup

    @property
    def small(self) -> bool:
        """Whether it is read at a glance."""
        return len(self.rows) <= _GLANCE_ROWS and len(self.columns) <= _GLANCE_COLUMNS


@dataclass(frozen=True, slots=True)
class CheckView:
    """One line of the verdict."""

    place: str
    verdict: CheckVerdict
    why: str
    time: str
    readings: tuple[ReadingView, ...]
    tables: tuple[TableView, ...]

    @property
    def word(self) -> str:
        """What the reader sees of it."""
        return word_of(self)


@dataclass(slots=True)
class GroupView:
    """Checks that do the same at several places; `quiet` are those passed without anything to show."""

    title: str
    sentence: str
    place: str
    gate: bool
    verdict: CheckVerdict
    word: str
    reported: str
    quiet: str
    domain: str
    shown: list[CheckView] = field(default_factory=list)

    @property
    def first(self) -> list[CheckView]:
        """What is shown at once: all, or of a group in which something failed what failed."""
        return [check for check in self.shown if check.verdict in _OPEN] or self.shown

    @property
    def rest(self) -> list[CheckView]:
        """What is folded below it."""
        return [check for check in self.shown if check not in self.first]

    @property
    def rest_words(self) -> str:
        """Say what is folded: `14 passed`."""
        return tally(self.rest)


@dataclass(frozen=True, slots=True)
class StageView:
    """One stage of the visit."""

    name: str
    anchor: str
    verdict: CheckVerdict
    reported: str
    groups: tuple[GroupView, ...]
    folded_words: str

    @property
    def sign(self) -> str:
        """The sign of the worst verdict."""
        return SIGNS[self.verdict]

    @property
    def open(self) -> list[GroupView]:
        """What a reader must see: checks that failed, or in which the stand did."""
        return [group for group in self.groups if group.verdict in _OPEN]

    @property
    def folded(self) -> list[GroupView]:
        """What passed, or was not performed."""
        return [group for group in self.groups if group.verdict not in _OPEN]


@dataclass(frozen=True, slots=True)
class Consequence:
    """What else was found of a cause, and where."""

    where: str
    what: str


@dataclass(frozen=True, slots=True)
class Reason:
    """A cause for which the unit does not ship: where, what, and the checks that found it, as (title, anchor)."""

    where: str
    what: str
    checks: tuple[tuple[str, str], ...]
    reading: ReadingView | None = None
    consequences: tuple[Consequence, ...] = ()
    more_consequences: int = 0


def _probability(reading: Reading) -> str:
    chance = reading.probability
    if not isinstance(chance, float) or reading.verdict == "conforms":
        return ""
    return f"chance that the true value is inside: {100 * chance:.3g} %"


def _ratio(reading: Reading) -> str:
    """Return how much finer the stand measures than it has to judge, where limits stand on both sides."""
    low, high, uncertainty = finite(reading.low), finite(reading.high), finite(reading.uncertainty)
    if low is None or high is None or not uncertainty or low > high:
        return ""
    ratio = test_uncertainty_ratio(Limits(low, high), uncertainty) or 0.0
    return f"test uncertainty ratio {ratio:.3g}:1"


def _budget(reading: Reading) -> BudgetView | None:
    """Return what the uncertainty of a reading is made of; None where only the whole is known, or nothing."""
    if len(reading.terms) < 2:  # noqa: PLR2004 - one term says no more than the reading does
        return None
    shown = scale(reading)
    rows = tuple(
        (
            term.name,
            f"{float(term.value) * shown.factor:.2g} {shown.unit}".rstrip(),
            term.distribution,
            _degrees(term.degrees_of_freedom),
            term.source,
        )
        for term in reading.terms
    )
    factor = finite(reading.coverage_factor)
    reported = f"{show_value(reading)}: effective degrees of freedom {_degrees(reading.degrees_of_freedom)}"
    return BudgetView(reported + ("" if factor is None else f", k = {factor:.3g}"), rows)


def _degrees(number: float | str | None) -> str:
    known = finite(number)
    return "\u221e" if known is None else f"{known:.3g}"


def reading_view(reading: Reading) -> ReadingView:
    """Return one reading as it is shown."""
    return ReadingView(
        reading.name,
        show_value(reading),
        show_limits(reading),
        reading.verdict,
        READING_WORDS.get(reading.verdict, reading.verdict),
        ", ".join(words for words in (_ratio(reading), _probability(reading)) if words),
        draw_limits(reading),
        _budget(reading),
    )


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else str(value)


def table_view(table: TableKept) -> TableView:
    """Return one table as it is shown."""
    rows = table.rows
    return TableView(
        table.name,
        table.columns,
        tuple(tuple(_cell(value) for value in row) for row in rows[:_MOST_ROWS]),
        max(len(rows) - _MOST_ROWS, 0),
        draw_curve(table),
    )


def check_view(check: CheckState, name: str = "") -> CheckView:
    """Return one check as it is shown, under `name` where its place would not tell it from its likes."""
    return CheckView(
        place=name or ", ".join(check.places) or check.place,
        verdict=check.verdict,
        why="" if check.verdict is CheckVerdict.PASSED else check.why,
        time=show_duration(check.seconds) if check.started else "",
        readings=tuple(reading_view(reading) for reading in check.readings),
        tables=tuple(table_view(table) for table in check.tables),
    )


def tally(checks: Iterable[CheckState | CheckView]) -> str:
    """Return `12 passed, 1 failed`, worst first; what did not happen is not mentioned."""
    words = [word_of(check) for check in checks]
    worst_first = ("failed", "stand fault", _NOT_DECIDED, "not performed", "passed")
    return ", ".join(f"{n} {word}" for word in worst_first if (n := words.count(word)))


#: A check that was made and left a reading too near its limit: the unit is not blamed.
_NOT_DECIDED = "not decided"


def word_of(check: CheckState | CheckView) -> str:
    """Return the verdict of a check for a reader, who sees readings of one that counts as not performed."""
    return (
        _NOT_DECIDED if check.verdict is CheckVerdict.NOT_PERFORMED and check.readings else str(check.verdict)
    )


def _is_quiet(check: CheckState) -> bool:
    return check.verdict is CheckVerdict.PASSED and not check.readings and not check.tables


def _group(unit: UnitState, title: str, checks: Sequence[CheckState]) -> GroupView:
    quiet = [check for check in checks if _is_quiet(check)]
    shown = [check for check in checks if not _is_quiet(check)]
    alike = len({check.place for check in checks}) < len(checks)

    def name_of(check: CheckState) -> str:
        return (check.element if alike else "") or check.place

    verdict = worst(check.verdict for check in checks)
    view = GroupView(
        title=title,
        sentence=checks[0].sentence,
        place=checks[0].place,
        gate=any(check.gate for check in checks),
        verdict=verdict,
        word=word_of(next(check for check in checks if check.verdict is verdict)),
        reported=tally(checks) if len(checks) > 1 else word_of(checks[0]),
        quiet=join_truncated((name_of(check) for check in quiet), 32) if len(checks) > 1 else "",
        domain=domain(unit, [check for check in checks if check.verdict is CheckVerdict.PASSED]),
    )
    view.shown = [
        CheckView(
            join_truncated(name_of(check) for check in same),
            same[0].verdict,
            same[0].why,
            "",
            (),
            (),
        )
        if len(same) > 1
        else check_view(same[0], same[0].element if alike else "")
        for same in _alike(shown)
    ]
    return view


def _alike(checks: Sequence[CheckState]) -> list[list[CheckState]]:
    """Put neighbours that were not performed for the same reason into one line."""

    def reason(check: CheckState) -> tuple[str, str]:
        plain = check.verdict is CheckVerdict.NOT_PERFORMED and not check.readings and not check.tables
        return (check.why, "") if plain else ("", check.id)

    return [list(same) for _, same in groupby(checks, key=reason)]


def stages(unit: UnitState) -> list[StageView]:
    """Return the stages of a unit in the order of the visit."""
    views = []
    for number, (name, checks) in enumerate(unit.stages.items(), 1):
        by_title: dict[str, list[CheckState]] = {}
        for check in checks:
            by_title.setdefault(check.title, []).append(check)
        groups = tuple(_group(unit, title, same) for title, same in by_title.items())
        rest = [
            check
            for same in by_title.values()
            if worst(c.verdict for c in same) not in _OPEN
            for check in same
        ]
        verdict = worst(check.verdict for check in checks)
        views.append(StageView(name, f"stage-{number}", verdict, tally(checks), groups, tally(rest)))
    return views


def reasons(unit: UnitState, views: Sequence[StageView]) -> tuple[list[Reason], int]:
    """Return the causes, each once with its places, checks and consequences, and how many were left out."""
    anchors = {view.name: view.anchor for view in views}
    checks = {check.id: check for check in unit.checks}
    found, lines = diagnosis(unit), list[Reason]()
    for cause in found.causes[:_MOST_REASONS]:
        by = [checks[check] for check in cause.checks]
        titles = dict.fromkeys((check.title, anchors[check.stage]) for check in by)
        also = [
            Consequence(join_truncated(one.places), without_places(one.places, one.what))
            for one in cause.consequences
        ]
        lines.append(
            Reason(
                join_truncated(cause.places),
                without_places(cause.places, cause.what),
                tuple(titles),
                _deciding(checks[cause.symptoms[0].checks[0]]),
                tuple(also[:_MOST_CONSEQUENCES]),
                max(len(also) - _MOST_CONSEQUENCES, 0),
            )
        )
    return lines, max(len(found.causes) - _MOST_REASONS, 0)


@dataclass(frozen=True, slots=True)
class StepView:
    """What to look at: the cause, where it would show here, what to do, and what the records know of it."""

    name: str
    where: str
    action: str
    known: str


def repair_order(unit: UnitState) -> list[StepView]:
    """Return what to look at first, second, third; nothing where the profile says nothing of causes."""
    return [
        StepView(
            step.known.name,
            join_truncated(place for cause in step.explains for place in cause.places),
            step.known.action,
            _cured(step.known),
        )
        for step in diagnosis(unit).order[:_MOST_STEPS]
    ]


def _cured(known: KnownCause) -> str:
    """Return what the records knew of repairs of a cause when the run began; nothing of a few."""
    if known.repaired < ENOUGH_REPAIRS or known.cured > known.repaired:
        return ""
    bounds = clopper_pearson(known.cured, known.repaired, _CONFIDENCE)
    return (
        f"in the records it cured {known.cured} of {count(known.repaired, 'unit')} repaired for it "
        f"({100 * bounds.lower:.0f} to {100 * bounds.upper:.0f} %, {100 * _CONFIDENCE:g} % confidence, exact)"
    )


def _deciding(check: CheckState) -> ReadingView | None:
    """Return the reading that a check failed with; None where it was no reading."""
    bad = [reading for reading in check.readings if reading.verdict != "conforms"]
    return reading_view(bad[0]) if bad else None


def missing(unit: UnitState) -> list[tuple[str, str, str]]:
    """Return what was not performed as (reason, how many, which), each reason once."""
    found: dict[str, list[CheckState]] = {}
    for check in unit.checks:
        if check.verdict is CheckVerdict.NOT_PERFORMED:
            found.setdefault(check.why, []).append(check)
    return [
        (why, count(len(checks), "check"), join_truncated((c.title for c in checks), 8))
        for why, checks in found.items()
    ]


def headline(unit: UnitState, disposition: Disposition) -> str:
    """Return the sentence under the verdict."""
    total = len(unit.checks)
    numbers = {verdict: sum(c.verdict is verdict for c in unit.checks) for verdict in CheckVerdict}
    if disposition is Disposition.SHIP:
        whose = "of this run" if unit.plan is not None and unit.plan.differences else "of the full set"
        return f"All {count(total, 'check')} {whose} passed."
    if disposition is Disposition.REPAIR:
        return f"{numbers[CheckVerdict.FAILED]} of {count(total, 'check')} failed."
    if disposition is Disposition.INCOMPLETE:
        missed = numbers[CheckVerdict.NOT_PERFORMED]
        if not missed:
            return f"Nothing failed in {count(total, 'check')}."
        if missed == total:
            return f"None of {count(total, 'check')} was performed."
        return f"Nothing failed, but {missed} of {count(total, 'check')} were not performed."
    return f"{count(numbers[CheckVerdict.STAND_FAULT], 'check')} ended with a fault of the stand."


#: So many happenings of one kind in a row are reported in one line, if their words are few.
_ROW, _FEW = 4, 8


@dataclass(frozen=True, slots=True)
class TimelineEvent:
    """What happened at one time, or several of a kind in a row (`until` is the last of them)."""

    at: float
    until: float
    what: str
    text: str


def happenings(events: Iterable[tuple[float, str, str]], zero: float) -> list[TimelineEvent]:
    """Return events (time, what, text) in order, in seconds after `zero`; many of a kind in a row become one line."""
    views: list[TimelineEvent] = []
    ordered = sorted(events, key=lambda event: event[0])
    for what, same in groupby(ordered, key=lambda event: event[1]):
        row = [(t - zero, text) for t, _, text in same]
        words = list(dict.fromkeys(text for _, text in row))
        if len(row) >= _ROW and len(words) <= _FEW:
            reported = f"{len(row)} times: {', '.join(word for word in words if word)}"
            views.append(TimelineEvent(row[0][0], row[-1][0], what, reported))
        else:
            views += [TimelineEvent(at, at, what, text) for at, text in row]
    return views


@dataclass(frozen=True, slots=True)
class InstrumentView:
    """One instrument and whether its calibration held on the day."""

    name: str
    what: str
    identity: str
    certificate: str
    due: str
    held: str


def instruments(run: RunState) -> list[InstrumentView]:
    """Return the instruments with their calibration judged on the day of the run."""
    return [
        InstrumentView(
            entry.name,
            entry.what,
            entry.identity or "not asked",
            entry.certificate or "none stated",
            entry.due or "none stated",
            _held(entry.due, run.started),
        )
        for entry in run.instruments
    ]


def _held(due: str, day: str) -> str:
    try:
        held = Date.fromisoformat(due[:10]) >= Date.fromisoformat(day[:10])
    except ValueError:
        return "not known"
    return "in calibration" if held else "OVERDUE"


@dataclass(frozen=True, slots=True)
class FaultsView:
    """One reading of the unit's fault table: each fault once, how often, and what is to be known of it.

    That is `new`, `provoked by the stand`, or nothing.
    """

    when: str
    at: str
    entries: tuple[tuple[StoredFault, int, str], ...]


def faults(unit: UnitState) -> list[FaultsView]:
    """Return each reading of the fault table in order."""
    views: list[FaultsView] = []
    before: set[tuple[int, str]] | None = None
    provoked = unit.provoked
    for entry in unit.faults:
        alike: dict[StoredFault, list[StoredFault]] = {}
        for fault in entry.entries:
            alike.setdefault(fault.model_copy(update={"time": None}), []).append(fault)
        rows = tuple(
            (
                same[0],
                len(same),
                PROVOKED
                if provoked.issuperset(same)
                else "new"
                if before is not None and (same[0].code, same[0].place) not in before
                else "",
            )
            for same in alike.values()
        )
        before = {(fault.code, fault.place) for fault in entry.entries} if before is None else before
        views.append(FaultsView(entry.when, entry.at, rows))
    return views


def code_in_words(code: object) -> str:
    """Return a fault code as a manual prints it."""
    return f"0x{code:02X} ({code})" if isinstance(code, int) and not isinstance(code, bool) else str(code)


def time_in_words(time: object) -> str:
    """Return the unit's own time of a fault."""
    plain = isinstance(time, int | float) and not isinstance(time, bool)
    return show_duration(float(time)) if plain and isinstance(time, int | float) else str(time or "")
