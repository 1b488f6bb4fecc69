"""A visit in lines: a pure function from its state to what a terminal shows, whichever way it is shown.

One line per stage, with one sign per check while there is room for it; failures in full; the verdict last.

The large words of the verdicts are drawn with half blocks: three lines high, or five.

The letters are our own, five dots high; the table holds those that the dispositions are made of.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from hilseq.journal.causes import UnitDiagnosis, diagnosis
from hilseq.journal.run_state import CheckState, RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports.claims import without_certificate
from hilseq.reports.files import report_names
from hilseq.reports.formatting import at_places, count, join_truncated, show_limits, show_value, worst
from hilseq.reports.sanitize import sanitize
from hilseq.verdicts import CheckVerdict, Disposition, Obstacle

#: Letter -> its rows from the top, `#` for a dot.
_DOTS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "F": ("####", "#   ", "### ", "#   ", "#   "),
    "H": ("#  #", "#  #", "####", "#  #", "#  #"),
    "I": ("#", "#", "#", "#", "#"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ## ", "#  #", "#  #", "#  #", " ## "),
    "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#  #", "#  #", "#  #", "#  #", " ## "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_HALVES = {(False, False): " ", (True, False): "\u2580", (False, True): "\u2584", (True, True): "\u2588"}


def large(word: str, width: int, *, huge: bool = False) -> list[str]:
    """Return a disposition in large letters: three lines, or five where `huge` is wanted and fits into `width`.

    Raises KeyError for a letter that no disposition has.
    """
    rows = ["  ".join(letters) for letters in zip(*(_DOTS[letter] for letter in word.upper()), strict=True)]
    for dot in ("\u2588\u2588", "\u2588") if huge else ():
        if len(dot) * len(rows[0]) <= width:
            return [row.replace(" ", " " * len(dot)).replace("#", dot).rstrip() for row in rows]
    rows.append(" " * len(rows[0]))
    return [
        "".join(_HALVES[up == "#", down == "#"] for up, down in zip(upper, lower, strict=True)).rstrip()
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]


#: Columns that no line exceeds, however wide the terminal is.
WIDTH = 80
STYLES = {
    CheckVerdict.PASSED: "green",
    CheckVerdict.FAILED: "bold red",
    CheckVerdict.STAND_FAULT: "bold magenta",
    CheckVerdict.NOT_PERFORMED: "yellow",
    Disposition.SHIP: "bold green",
    Disposition.REPAIR: "bold red",
    Disposition.STAND_FAULT: "bold magenta",
    Disposition.INCOMPLETE: "bold yellow",
}
#: One cell of a stage's strip.
_CELLS = {
    CheckVerdict.PASSED: "\u25a0",
    CheckVerdict.FAILED: "\u2717",
    CheckVerdict.STAND_FAULT: "!",
    CheckVerdict.NOT_PERFORMED: "\u2013",
}
_AHEAD = "\u00b7"
_NAME, _STRIP, _COUNT, _VERDICT, _PLACE, _READING = 18, 16, 9, 13, 16, 32
#: Most causes and places that a verdict names; the failures above it, and the report, have them all.
_MOST_CAUSES, _MOST_PLACES = 4, 4
#: Most steps of the repair order on a terminal, alone and below a whole visit; the report has all of them.
_MOST_STEPS, _MOST_STEPS_BELOW = 3, 1
#: Columns of the shortest word in large letters, so that what stands beside it stands apart.
_LETTERS = 20


@dataclass(frozen=True, slots=True)
class Rest:
    """What the journal does not know and a person asks: time gone by and left, s, and what runs now."""

    elapsed: float
    left: float | None
    now: str = ""


def element(check: CheckState) -> str:
    """Return what a check was made for, such as `q05`; empty where its test is made once."""
    return sanitize(check.element)


def named(check: CheckState) -> str:
    """Return a check as it is spoken of: `q05, output switching, isolation and delay`."""
    where = element(check)
    return f"{where}, {sanitize(check.title)}" if where else sanitize(check.title)


def heading(units: Sequence[UnitState], stand: str, *, simulated: bool) -> list[Text]:
    """Return which units are on which stand."""
    reported = ", ".join(f"{sanitize(unit.part)} {sanitize(unit.serial)}" for unit in units)
    return wrapped(
        f"{reported} on stand {sanitize(stand)}" + (" (simulated)" if simulated else ""), style="bold"
    )


# -- stages ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StageState:
    """The checks of one stage of one unit."""

    slot: str
    name: str
    checks: Sequence[CheckState]

    @property
    def ended(self) -> bool:
        """Whether nothing more comes."""
        return all(check.ended for check in self.checks)

    @property
    def begun(self) -> bool:
        """Whether anything of it has come."""
        return any(check.started or check.ended for check in self.checks)

    @property
    def not_performed(self) -> str:
        """Why nothing of it was performed, where that is one reason for all; otherwise an empty text."""
        if not all(check.ended and check.verdict is CheckVerdict.NOT_PERFORMED for check in self.checks):
            return ""
        whys = {_reason(check) for check in self.checks}
        return whys.pop() if len(whys) == 1 else ""


def _reason(check: CheckState) -> str:
    """Return why a check was not performed, without what is reported where it happened."""
    why = check.why
    if check.obstacle is Obstacle.NOT_SELECTED:
        return check.obstacle
    return why.partition(" (")[0] if why.startswith("the stand failed earlier") else why


def stages_of(unit: UnitState) -> list[StageState]:
    """Return the stages of a unit in the order of the visit."""
    return [StageState(unit.slot, name, checks) for name, checks in unit.stages.items()]


def stage_line(stage: StageState, *, strip: bool, slot: bool, now: str = "") -> Text:
    """Return one stage as a line; with its strip on a screen, without on paper."""
    done = [check for check in stage.checks if check.ended]
    line = Text("  ")
    name = f"{stage.slot} {stage.name}" if slot else stage.name
    line.append(f"{fit(sanitize(name), _NAME - 1):<{_NAME}}")
    if strip:
        line.append_text(strip_of(stage.checks))
        line.append(" ")
    line.append(f"{len(done)} of {len(stage.checks)}".ljust(_COUNT) + " ")
    room = WIDTH - cell_len(line.plain)
    if stage.ended:
        verdict = worst(check.verdict for check in done)
        line.append(fit(_tally(done), room), STYLES[verdict])
    elif now:
        line.append(fit(now, room))
    elif bad := [check for check in done if check.verdict is not CheckVerdict.PASSED]:
        line.append(fit(_tally(bad), room), STYLES[worst(check.verdict for check in bad)])
    return line


def strip_of(checks: Sequence[CheckState]) -> Text:
    """Return one sign per check, or of each share of them the worst, where they are too many."""
    cells = min(len(checks), _STRIP)
    strip = Text()
    for cell in range(cells):
        share = checks[cell * len(checks) // cells : (cell + 1) * len(checks) // cells]
        bad = [c.verdict for c in share if c.ended and c.verdict is not CheckVerdict.PASSED]
        if bad or all(c.ended for c in share):
            verdict = worst(bad) if bad else CheckVerdict.PASSED
            strip.append(_CELLS[verdict], STYLES[verdict])
        else:
            strip.append(_AHEAD, "dim")
    strip.append(" " * (_STRIP - cells))
    return strip


def _tally(checks: Sequence[CheckState]) -> str:
    """Return `passed`, or what else there is and where."""
    words = []
    for verdict in (CheckVerdict.STAND_FAULT, CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED):
        bad = [check for check in checks if check.verdict is verdict]
        if not bad:
            continue
        where = join_truncated(
            (place for check in bad for place in check.places or (check.place,)), _MOST_PLACES
        )
        reported = f": {sanitize(where)}" if verdict is not CheckVerdict.NOT_PERFORMED else ""
        words.append(str(verdict) + reported if len(checks) == 1 else f"{len(bad)} {verdict}{reported}")
    return ", ".join(words) or str(CheckVerdict.PASSED)


def left_out(stages: Iterable[StageState], *, slot: bool) -> list[Text]:
    """Return the stages of which nothing was performed: one line for each reason, not one for each stage."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for stage in stages:
        if why := stage.not_performed or ("" if stage.begun else "the run ended before"):
            reasons.setdefault((stage.slot, why), []).append(stage.name)
    return [
        line
        for (place, why), names in reasons.items()
        for line in wrapped(
            f"{sanitize(place) + ': ' if slot else ''}{count(len(names), 'stage')} not performed: "
            f"{', '.join(map(sanitize, names))} ({sanitize(why)})",
            style=STYLES[CheckVerdict.NOT_PERFORMED],
            indent=2,
        )
    ]


# -- checks ------------------------------------------------------------------------------------------------


def check_lines(check: CheckState) -> list[Text]:
    """Return one check with its readings, aligned, and what is wrong in full."""
    line = Text("  ")
    line.append(f"{check.verdict:<{_VERDICT}} ", STYLES[check.verdict])
    where, room = element(check), WIDTH - 2 - _VERDICT - 1
    line.append(fit(f"{where:<{_PLACE}} {sanitize(check.title)}" if where else sanitize(check.title), room))
    lines = [line]
    for reading in check.readings:
        name, limits = fit(sanitize(reading.name), _READING), f"({show_limits(reading)})"
        lines.append(Text(fit(f"      {name:<{_READING}} {show_value(reading):<20} {limits}", WIDTH), "dim"))
    if _is_wrong(check):
        lines += wrapped(sanitize(check.why), indent=6, style=STYLES[check.verdict])
    return lines


class Failures:
    """Failures in full as they come, each reason once: the line of the stage names every place."""

    def __init__(self) -> None:
        self._reported: set[str] = set()

    def lines(self, check: CheckState, *, slot: bool = False) -> list[Text]:
        """Return what is new of a check that has ended; nothing where nothing is wrong, or a gate closed it."""
        if not _is_wrong(check) or check.why in self._reported:
            return []
        self._reported.add(check.why)
        where = f"{sanitize(check.slot)} " if slot else ""
        words = f"{where}{check.verdict}: {named(check)}: {sanitize(check.why)}"
        return wrapped(words, indent=2, style=STYLES[check.verdict])


def _is_wrong(check: CheckState) -> bool:
    bad = check.verdict in (CheckVerdict.FAILED, CheckVerdict.STAND_FAULT)
    return check.ended and (bad or _is_error(check))


def wrong_so_far(unit: UnitState) -> list[Text]:
    """Return what has gone wrong with a unit so far, in full, each reason once."""
    found: dict[tuple[CheckVerdict, str], list[str]] = {}
    for check in unit.checks:
        if _is_wrong(check):
            found.setdefault((check.verdict, check.why), []).extend(check.places or (check.place,))
    return [
        line
        for (verdict, why), places in found.items()
        for line in wrapped(
            sanitize(at_places(dict.fromkeys(places), why, _MOST_PLACES)), indent=2, style=STYLES[verdict]
        )
    ]


def _is_error(check: CheckState) -> bool:
    return check.started and check.obstacle is Obstacle.ERROR_IN_SEQUENCE


def progress_line(done: int, planned: int, rest: Rest) -> Text:
    """Return how far the visit is: checks, time gone by, time left, what runs."""
    times = show_duration(round(rest.elapsed))
    if rest.left is not None:
        times += f", about {show_duration(coarse(rest.left))} left"
    words = f"  {done} of {planned} checks, {times}"
    return Text(fit(f"{words}   {rest.now}" if rest.now else words, WIDTH), "dim")


def coarse(seconds: float) -> float:
    """Return a time to the figures that an estimate has."""
    for step in (1.0, 5.0, 60.0, 300.0):
        if seconds < 20.0 * step:
            return max(round(seconds / step), 1) * step
    return round(seconds / 1800.0) * 1800.0


# -- the verdict -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Verdict:
    """The end of a visit for one unit: what is done with it, why, and what to do next."""

    unit: UnitState
    disposition: Disposition
    run: str
    report: str = ""


def verdicts_of(record: RunState, folder: Path) -> list[Verdict]:
    """Return the verdicts of a run that has ended, with the reports that are in its folder."""
    names = report_names(record)
    return [
        Verdict(
            unit,
            record.final(unit),
            str(folder),
            str(folder / names[unit.slot]) if (folder / names[unit.slot]).is_file() else "",
        )
        for unit in record.units
    ]


def verdict_lines(
    reported: Verdict, width: int = WIDTH, *, letters: bool, full: bool, station: bool = False
) -> list[Text]:
    """Return the verdict of one unit: in large letters where the terminal draws them, then cause and next step.

    `full` tells the causes in full, where they have not been reported before. At a `station` the letters are larger,
    and nobody types a command.
    """
    unit, disposition = reported.unit, reported.disposition
    style, name = STYLES[disposition], f"{sanitize(unit.part)} {sanitize(unit.serial)}"
    if letters:
        rows = [Text(f"  {row:{_LETTERS}}", style) for row in large(disposition, width - 2, huge=station)]
        rows[len(rows) // 2].append(f"  {fit(name, max(width - cell_len(rows[1].plain) - 2, 1))}", "bold")
        lines = [Text(), *rows]
    else:
        lines = [Text(f"{disposition.upper()}  {name}", style)]
    lines += causes(reported, full=full)
    repair = station and disposition is Disposition.REPAIR
    following = "after the repair, scan it here again" if repair else next_step(reported)
    lines += wrapped(f"Next: {following}", indent=2, style="bold")
    if reported.report:
        lines += [Text(f"  Report: {sanitize(reported.report)}")]
    return lines


def causes(reported: Verdict, *, full: bool) -> list[Text]:
    """Return why the unit has its verdict."""
    unit = reported.unit
    if reported.disposition is Disposition.SHIP:
        stages = count(len(stages_of(unit)), "stage")
        return [Text(f"  All {count(len(unit.checks), 'check')} of {stages} passed.")]
    found = diagnosis(unit)
    reported_of = found.causes[: None if full else _MOST_CAUSES]
    lines: list[Text] = []
    for cause in reported_of:
        words = at_places(cause.places, cause.what if full else _first_clause(cause.what), _MOST_PLACES)
        # What is wrong with a unit stands in full above; what is wrong with the stand is never shortened.
        brief = not full and reported.disposition is Disposition.REPAIR
        lines += wrapped(sanitize(_in_one_line(words) if brief else words), indent=2)
        if full and cause.consequences:
            first, *others = dict.fromkeys(
                _in_one_line(at_places(one.places, _first_clause(one.what), _MOST_PLACES), len("    also "))
                for one in cause.consequences
            )
            more = f"; and {len(others)} more" if others else ""
            lines += wrapped(sanitize(f"also {first}{more}"), indent=4)
    if left := len(found.causes) - len(reported_of):
        lines.append(Text(f"  and {count(left, 'more cause')}: see above, or the report"))
    if lines:
        return lines + _repair_order(found, full=full)
    left_undone = [check for check in unit.checks if check.verdict is CheckVerdict.NOT_PERFORMED]
    error = next((check for check in left_undone if _is_error(check)), None)
    if error is not None:
        return wrapped(sanitize(error.why), indent=2)
    if left_undone and all(check.obstacle is Obstacle.NOT_SELECTED for check in left_undone):
        return [Text("  Nothing failed; stages or checks were not selected.")]
    why = left_undone[0].why if left_undone else unit.damage or "no check was performed"
    words = f"{count(len(left_undone), 'check')} not performed; the first: {why}" if left_undone else why
    return wrapped(sanitize(words), indent=2)


def _places(names: Iterable[str]) -> str:
    return sanitize(join_truncated(names, _MOST_PLACES))


def _repair_order(found: UnitDiagnosis, *, full: bool) -> list[Text]:
    """Return what to look at first, second, third, and what each would explain."""
    steps = [
        (
            f"{sanitize(step.known.name)} ({_places(place for cause in step.explains for place in cause.places)})",
            step,
        )
        for step in found.order[: _MOST_STEPS if full else _MOST_STEPS_BELOW]
    ]
    if not steps:
        return []
    (first, step), *later = steps
    lines = wrapped(f"Look first at {first}{f': {sanitize(step.known.action)}' if full else ''}", indent=2)
    if later:
        lines += wrapped(f"then at {', '.join(name for name, _ in later)}", indent=2)
    return lines


def _in_one_line(words: str, before: int = 2) -> str:
    """Return words up to the last comma that leaves them one line behind what stands `before`, else as they are."""
    while cell_len(words) > WIDTH - before and ", " in words:
        words = words.rpartition(", ")[0]
    return words


def _first_clause(words: str) -> str:
    return words.partition("\n")[0].partition("; ")[0]


def next_step(reported: Verdict) -> str:
    """Return what a person does next."""
    run = sanitize(reported.run)
    match reported.disposition:
        case Disposition.SHIP:
            if why := without_certificate(reported.unit):
                return sanitize(why, 300)
            return f"hilseq report {run} --certificate --label"
        case Disposition.REPAIR:
            return f"repair it, test again with --retest {run}"
        case Disposition.STAND_FAULT:
            return "repair the stand, check it with `hilseq ready`, then test the unit again"
        case Disposition.INCOMPLETE:
            return _completed(reported)


def _completed(reported: Verdict) -> str:
    """Return what makes an incomplete unit a whole visit."""
    obstacles = {check.obstacle for check in reported.unit.checks}
    soak = reported.unit.soak
    if soak is not None and soak.ended is None and not reported.unit.damage:
        return f"continue its soak: hilseq resume {sanitize(reported.run)}"
    if Obstacle.ERROR_IN_SEQUENCE in obstacles:
        return "correct the sequence, then test the unit again"
    if Obstacle.UNIT_OR_HARNESS in obstacles:
        return (
            "test a known good unit here. If it passes, keep that visit (hilseq ready --golden) and test this unit "
            "again; if not, look at the harness"
        )
    if Obstacle.NO_OPERATOR in obstacles:
        return "test again with --attended and a person at the stand"
    if Obstacle.NOT_SELECTED in obstacles:
        return "test again without leaving stages or checks out"
    return "test the unit again"


# -- words -------------------------------------------------------------------------------------------------


def wrapped(words: str, *, indent: int = 0, style: str = "") -> list[Text]:
    """Return words as lines of at most WIDTH columns, the later ones set in."""
    space = " " * indent
    lines = textwrap.wrap(
        words,
        WIDTH,
        initial_indent=space,
        subsequent_indent=space + "  ",
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [Text(line, style) for line in lines or [space]]


def fit(words: str, room: int) -> str:
    """Return words cut to a width in columns, with a sign where they were."""
    return words if cell_len(words) <= room else set_cell_size(words, room - 1).rstrip() + "\u2026"
