"""What an interrupted run tells of itself, so that its soak can be continued."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from hilseq.analysis.soak_samples import band
from hilseq.errors import UsageError
from hilseq.journal.entries import CheckPlanned, JournalEntry, RunStarted
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState, SoakState
from hilseq.journal.samples import file_name, read_samples
from hilseq.journal.seals import look_for_damage
from hilseq.procedures.soak.record import ResumedSoak


@dataclass(frozen=True, slots=True)
class Resumed:
    """An interrupted run: `started` is its first instant, `last` the time of its last entry or sample."""

    state: RunState
    last: float
    soaks: dict[str, ResumedSoak]
    #: How the run began and what it planned, for those who watch only now.
    beginning: tuple[JournalEntry, ...]
    open_checks: frozenset[str]
    why: str

    @property
    def started(self) -> datetime:
        """The instant at which the run's clock was 0."""
        return self.state.moment_of_zero

    def is_open(self, check: str) -> bool:
        """Tell whether a check is still to be done."""
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
        beginning=tuple(entry for entry in journal.entries if isinstance(entry, RunStarted | CheckPlanned)),
        open_checks=state.open_checks,
        why=why,
    )


def _soak(soak: SoakState, folder: Path, slot: str, why: str) -> ResumedSoak:
    """Return an interrupted soak with what its sample file holds. Raises UsageError when that is gone."""
    path = folder / file_name(slot)
    if not path.is_file():
        raise UsageError(f"{path} is missing: the soak cannot be continued without its samples")
    samples = read_samples(path)
    times, case = samples.times, soak.started.case
    seen = band(samples.column(case).astype("f8")) if case is not None and case in samples.columns else None
    return ResumedSoak(
        soak=soak,
        samples=len(times),
        last=float(times[-1]) if len(times) else soak.started.zero,
        highest_case=-math.inf if seen is None else seen.high,
        why=why,
    )
