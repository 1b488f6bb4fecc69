"""What an interrupted run tells of itself, so that its soak can be continued."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from hilseq.analysis.soak_samples import band
from hilseq.errors import UsageError
from hilseq.journal import kinds
from hilseq.journal.reader import Journal, read_journal
from hilseq.journal.samples import file_name, read_samples
from hilseq.journal.seals import broken_seals
from hilseq.procedures.soak.record import Finding, Incident, SoakState
from hilseq.verdicts import CheckVerdict

_OPEN = (CheckVerdict.NOT_PERFORMED, CheckVerdict.STAND_FAULT)


@dataclass(frozen=True, slots=True)
class Resumed:
    """An interrupted run: `started` is its first instant, `last` the time of its last entry or sample."""

    started: datetime
    last: float
    why: str
    soaks: dict[str, SoakState]
    open_checks: frozenset[str]
    #: How the run began and what it planned, for those who watch only now.
    beginning: tuple[dict[str, Any], ...]

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
    if not journal.entries or journal.entries[0]["kind"] != kinds.RUN_STARTED:
        raise UsageError(f"{journal.path} does not begin with a run; there is nothing to continue")
    soaks: dict[str, SoakState] = {}
    for unit in journal.entries[0]["units"]:
        slot = unit["slot"]
        state = state_of(journal.entries, slot)
        if state is not None:
            started = next(e for e in journal.of_kind(kinds.SOAK_STARTED) if e["slot"] == slot)
            _count_samples(state, folder, slot, str(started["case"]))
            soaks[slot] = state
    if not soaks:
        raise UsageError(
            f"{folder}: no soak of this run was interrupted; what broke off before its soak is run again"
        )
    wrong = {slot: why for slot, why in broken_seals(journal).items() if slot in soaks}
    if wrong:
        # Continued, the file would be cut before its damage and sealed anew, as if nothing had been there.
        raise UsageError(
            f"{folder}: {'; '.join(wrong.values())}. A soak is not continued on other samples than it took: bring "
            "back the untouched file, or test the unit again"
        )
    begun = min(n for n, entry in enumerate(journal.entries) if entry["kind"] == kinds.SOAK_STARTED)
    if not acknowledged:
        _check_interlock(journal, folder)
    last_entry = max(float(entry["t"]) for entry in journal.entries)
    for state in soaks.values():
        state.why = _why(journal)
    return Resumed(
        started=_moment_of_zero(journal),
        last=max([last_entry, *(state.last for state in soaks.values())]),
        why=_why(journal),
        soaks=soaks,
        open_checks=_open_checks(journal, begun),
        beginning=tuple(journal.of_kind(kinds.RUN_STARTED, kinds.CHECK_PLANNED)),
    )


def _count_samples(state: SoakState, folder: Path, slot: str, case: str) -> None:
    """Complete the state with what the sample file holds. Raises UsageError when it is gone."""
    path = folder / file_name(slot)
    if not path.is_file():
        raise UsageError(f"{path} is missing: the soak cannot be continued without its samples")
    samples = read_samples(path)
    times = samples.times
    state.samples = len(times)
    if len(times):
        state.last = float(times[-1])
    seen = band(samples.column(case).astype("f8")) if case in samples.columns else None
    if seen is not None:
        state.highest_case = seen.high


def _check_interlock(journal: Journal, folder: Path) -> None:
    events = [entry for entry in journal.of_kind(kinds.EVENT) if entry["what"].startswith("interlock")]
    if events and events[-1]["what"] == "interlock":
        raise UsageError(
            f"the run ended with an interlock ({events[-1]['text']}); when it is put right: "
            f"hilseq resume {folder} --acknowledge"
        )


def _why(journal: Journal) -> str:
    last = journal.entries[-1]
    if last["kind"] != kinds.RUN_ENDED:
        return "the run was cut off"
    return "the run was interrupted" if last["interrupted"] else "the stand failed"


def _moment_of_zero(journal: Journal) -> datetime:
    header = journal.entries[0]
    return datetime.fromisoformat(header["at"]) - timedelta(seconds=float(header["t"]))


def _open_checks(journal: Journal, begun: int) -> frozenset[str]:
    """Return the checks that were not done because the run broke off in its soak."""
    open_ = {entry["check"] for entry in journal.of_kind(kinds.CHECK_PLANNED)}
    for number, entry in enumerate(journal.entries):
        if entry["kind"] != kinds.CHECK_ENDED:
            continue
        if number < begun or CheckVerdict(entry["verdict"]) not in _OPEN:
            open_.discard(entry["check"])
    return frozenset(open_)


def state_of(entries: Iterable[Mapping[str, Any]], slot: str) -> SoakState | None:
    """Return the interrupted soak of a slot; None when it has not begun, or has come to its end."""
    state: SoakState | None = None
    for entry in entries:
        if entry.get("slot") != slot:
            continue
        if entry["kind"] == kinds.SOAK_STARTED:
            state = SoakState(entry["zero"], entry["end"], entry["zero"], 0, [], [], "")
        elif entry["kind"] == kinds.SOAK_ENDED:
            return None
        elif state is not None:
            _take(state, entry)
    return state


def _take(state: SoakState, entry: Mapping[str, Any]) -> None:
    match entry["kind"]:
        case kinds.SOAK_GAP:
            state.end = state.zero + entry["until"]
        case kinds.SOAK_EVENT:
            if len(state.incidents) < entry["number"]:
                state.incidents.append(Incident(entry["number"], entry["since"], entry["case"]))
            state.incidents[-1].findings.append(Finding(entry["what"], entry["place"], entry["text"]))
        case kinds.FAULTS:
            state.faults = [(fault["code"], fault["place"], fault["time"]) for fault in entry["entries"]]
        case kinds.EVENT if entry["what"] == "overrun":
            state.missed += int(entry["text"].split()[0])
        case kinds.SAMPLES_SEALED:
            state.ports = entry["ports"]
        case _:
            pass
