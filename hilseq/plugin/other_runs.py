"""Other runs that this one goes back to: earlier visits of the unit, the run before a repair, the interrupted soak.

A unit that is tested again until it passes is seen as such: the journal's header counts every earlier visit. After
a repair only the order changes: what failed before is tried first, and a unit still ships on one complete run only.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from hilseq.analysis.soak_samples import band
from hilseq.errors import HilseqError, UsageError, fenced
from hilseq.journal.causes import diagnosis
from hilseq.journal.contradictions import contradictions
from hilseq.journal.entries import (
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    JournalEntry,
    Population,
    PriorRun,
    RunStarted,
    without_slot,
)
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState, SoakState
from hilseq.journal.samples import file_name, read_samples
from hilseq.journal.seals import look_for_damage, read_run
from hilseq.journal.signatures import against
from hilseq.journal.writer import FILE_NAME
from hilseq.open_files import LONGEST_HEADER, open_plain
from hilseq.procedures.soak.record import ResumedSoak
from hilseq.reports.formatting import at_places
from hilseq.reports.sanitize import sanitize
from hilseq.verdicts import CheckVerdict

if TYPE_CHECKING:
    from hilseq.records.database import Database

_T = TypeVar("_T")

#: Findings of an earlier run that are named.
_MOST_FINDINGS = 5


def earlier_runs(folder: Path, part: str, serial: str, *, simulated: bool) -> tuple[PriorRun, ...]:
    """Return the earlier visits of a unit, oldest first, as the report shows them.

    `folder` is that of the run that is about to begin, whose neighbours are the other runs of this computer.
    Runs on a simulated stand and on hardware are never mixed. Records that cannot be reached are left out: a
    visit depends on nothing but its own computer.
    """
    found = {prior.run: prior for prior in _recorded(folder.parent, part, serial, simulated=simulated)}
    for record in _neighbours(folder, serial):
        for unit in record.units:
            if (unit.part, unit.serial) == (part, serial) and record.simulated == simulated:
                found[record.run] = PriorRun(
                    run=record.run,
                    started=record.started,
                    stand=record.stand,
                    disposition=record.final(unit),
                    findings=tuple(
                        at_places(one.places, one.what) for one in diagnosis(unit).causes[:_MOST_FINDINGS]
                    ),
                )
    return tuple(sorted(found.values(), key=lambda prior: prior.started))


def part_of(runs: Path, serial: str) -> str:
    """Return the part number under which a serial number was tested last in a folder of runs, or an empty text."""
    needle = json.dumps(serial).encode("ascii")
    for journal in sorted(runs.glob(f"*/{FILE_NAME}"), reverse=True):
        with suppress(Exception):  # whatever lies there: it is another's, and stops nobody
            with open_plain(journal) as lines:
                header = lines.readline(LONGEST_HEADER)
            for unit in json.loads(header)["units"] if needle in header else ():
                if unit["serial"] == serial:
                    return str(unit["part"])
    return ""


def _neighbours(folder: Path, serial: str) -> Iterator[RunState]:
    """Yield the record of every run beside `folder` whose header names the serial number."""
    needle = json.dumps(serial).encode("ascii")
    for journal in sorted(folder.parent.glob(f"*/{FILE_NAME}")):
        if journal.parent.resolve() == folder.resolve():
            continue
        with suppress(Exception):  # whatever lies beside this run: it is another's, and stops nobody
            with open_plain(journal) as lines:
                header = lines.readline(LONGEST_HEADER)
            if needle in header:
                yield read_run(journal)


def _of_records(runs: Path, not_known: str, ask: Callable[[Database], _T], nothing: _T) -> _T:
    """Return what the records say; `nothing` where there are none, or they cannot be reached."""
    if has_records(runs):
        with fenced(not_known):
            try:
                from hilseq.records.database import open_database

                with open_database(runs=runs, create=False, upgrade=False) as database:
                    return ask(database)
            except (ImportError, HilseqError):
                pass
    return nothing


def _recorded(runs: Path, part: str, serial: str, *, simulated: bool) -> list[PriorRun]:
    """Return the earlier visits of a unit that the records hold."""

    def ask(database: Database) -> list[PriorRun]:
        from hilseq.records.history.unit_history import visits_of

        return [
            PriorRun(
                run=visit.run,
                started=visit.started.isoformat(timespec="seconds"),
                stand=visit.stand,
                disposition=visit.disposition,
                findings=tuple(
                    at_places(one.place.split(", "), one.what) for one in visit.findings[:_MOST_FINDINGS]
                ),
            )
            for visit in visits_of(database, part, serial)
            if visit.simulated == simulated
        ]

    return _of_records(runs, "earlier visits in the records are not known", ask, [])


def repairs_known(runs: Path, part: str, *, simulated: bool) -> dict[str, tuple[int, int]]:
    """Return by action how many units of a part it was done to, and how many it cured, as far as the records know."""

    def ask(database: Database) -> dict[str, tuple[int, int]]:
        from hilseq.records.history.repairs import repairs

        return {one.action: (one.units, one.cured) for one in repairs(database, part, simulated=simulated)}

    return _of_records(runs, "which repairs helped earlier units is not known", ask, {})


def populations_known(
    runs: Path, part: str, names: Sequence[str], *, simulated: bool
) -> tuple[Population, ...]:
    """Return what the records know of these readings of a part."""

    def ask(database: Database) -> tuple[Population, ...]:
        from hilseq.records.history.reading import known_spreads

        return tuple(
            Population(
                name=one.quantity.name,
                place=one.quantity.place,
                unit=one.quantity.unit,
                mean=one.mean,
                deviation=one.deviation,
                count=one.count,
            )
            for one in known_spreads(database, part, names, simulated=simulated)
        )

    return _of_records(runs, "the spread of earlier units is not known", ask, ()) if names else ()


def has_records(runs: Path) -> bool:
    """Return whether records are named, or lie in a folder of runs."""
    return bool(os.environ.get("HILSEQ_RECORDS")) or (runs / "records.sqlite").is_file()


def failed_before(run: Path, serials: Mapping[str, str]) -> dict[str, frozenset[str]]:
    """Return by slot the ids of the checks that failed in an earlier run of these units.

    A unit is known by its serial number; it may have sat in another slot. Raises UsageError when the run does
    not exist, is no run, or was of other units.
    """
    try:
        record = run_state(read_journal(run))
    except ValueError as error:
        raise UsageError(f"--retest {run}: {error}") from error
    found: dict[str, frozenset[str]] = {}
    for slot, serial in serials.items():
        for unit in record.units:
            if unit.serial == serial:
                checks = [check for check in unit.checks if check.verdict is CheckVerdict.FAILED]
                found[slot] = frozenset(without_slot(check.id, unit.slot) for check in checks)
    if not found:
        tested = ", ".join(unit.serial for unit in record.units)
        wanted = ", ".join(serials.values())
        raise UsageError(
            f"--retest {run}: that run tested {tested}, not {wanted}; give a run of the same unit"
        )
    return found


def rank(check: str, slot: str, failed: Mapping[str, frozenset[str]], *, gate: bool) -> int:
    """Return where a check comes in the order of its unit: gates keep it safe, then what failed before.

    The sort is stable, so that each of the three keeps the order of the visit.
    """
    if gate:
        return 0
    return 1 if without_slot(check, slot) in failed.get(slot, frozenset()) else 2


@dataclass(frozen=True, slots=True)
class Resumed:
    """An interrupted run: `started` is its first instant, `last` the time of its last entry or sample."""

    state: RunState
    last: float
    soaks: dict[str, ResumedSoak]
    #: How the run began, what it planned and what of it is done, for those who watch only now.
    beginning: tuple[JournalEntry, ...]
    open_checks: frozenset[str]
    why: str

    @property
    def started(self) -> datetime:
        """The instant at which the run's clock was 0."""
        return self.state.moment_of_zero

    def is_open(self, check: str) -> bool:
        """Return whether a check is still to be done."""
        return check in self.open_checks


def resumed_run(folder: Path, *, acknowledged: bool = False) -> Resumed:
    """Return what is left to do of an interrupted run.

    Raises UsageError when nothing is: the run came to its end, its soak had not begun, its journal was
    changed or is not what it has sealed, or an interlock that ended it has not been acknowledged.
    """
    journal = read_journal(folder)
    if journal.broken:
        raise UsageError(f"{journal.path}: {journal.broken}; a changed journal is not continued")
    try:
        state = look_for_damage(run_state(journal), folder)
    except ValueError as error:
        raise UsageError(f"{error}; there is nothing to continue") from error
    signed = against(state.signatures, journal.links, state.run, state.stand)
    wrong_with_it = [*contradictions(journal.entries, state), *([signed] if signed else [])]
    if wrong_with_it:
        words = sanitize(wrong_with_it[0], 300)
        raise UsageError(f"{folder}: {words}; a rewritten journal is not continued")
    why = state.why_it_broke_off
    units = [unit for unit in state.units if unit.soak is not None and unit.soak.ended is None]
    soaks = {unit.slot: _soak(unit.soak, folder, unit.slot, why) for unit in units if unit.soak is not None}
    if not soaks:
        raise UsageError(
            f"{folder}: no soak of this run was interrupted; what broke off before its soak is run again"
        )
    wrong = [unit.damage for unit in units if unit.damage]
    if wrong:
        # Continued, the file would be cut before its damage and sealed anew, as if nothing had been there.
        raise UsageError(
            f"{folder}: {'; '.join(wrong)}. A soak is not continued on other samples than it took: bring "
            "back the untouched file, or test the unit again"
        )
    if state.interlock is not None and not acknowledged:
        raise UsageError(
            f"the run ended with an interlock ({state.interlock.text}); when it is put right: "
            f"hilseq resume {folder} --acknowledge"
        )
    return Resumed(
        state=state,
        last=max(state.last, *(soak.last for soak in soaks.values())),
        soaks=soaks,
        beginning=tuple(
            entry
            for entry in journal.entries
            if isinstance(entry, RunStarted | CheckPlanned)
            or (isinstance(entry, CheckStarted | CheckEnded) and entry.check not in state.open_checks)
        ),
        open_checks=state.open_checks,
        why=why,
    )


def _soak(soak: SoakState, folder: Path, slot: str, why: str) -> ResumedSoak:
    """Return an interrupted soak with what its sample file holds. Raises UsageError when that is gone."""
    path = folder / file_name(slot)
    if not path.is_file():
        raise UsageError(f"{path} is missing: the soak cannot be continued without its samples")
    samples = read_samples(path)
    times, ends = samples.times, {}
    for column in soak.started.columns:
        judged = column.name in samples.columns and (column.low, column.high) != (None, None)
        seen = band(samples.column(column.name).astype("f8")) if judged else None
        if seen is not None:
            ends[column.name] = (seen.low, seen.high)
    return ResumedSoak(
        soak=soak,
        samples=len(times),
        last=float(times[-1]) if len(times) else soak.started.zero,
        ends=ends,
        why=why,
    )
