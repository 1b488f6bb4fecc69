"""The order of a visit after a repair: what failed before is tried first.

Only the order changes. A unit still ships on one complete run, and every earlier run is counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from hilseq.errors import UsageError
from hilseq.journal.reader import read_journal, run_state
from hilseq.verdicts import CheckVerdict


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


def without_slot(check: str, slot: str) -> str:
    """Return a check's id as it would be on a stand with one slot: `[A-q05]` becomes `[q05]`."""
    return check.replace(f"[{slot}-", "[").replace(f"[{slot}]", "")


def rank(check: str, slot: str, failed: Mapping[str, frozenset[str]], *, gate: bool) -> int:
    """Return where a check comes in the order of its unit: gates keep it safe, then what failed before.

    The sort is stable, so that each of the three keeps the order of the visit.
    """
    if gate:
        return 0
    return 1 if without_slot(check, slot) in failed.get(slot, frozenset()) else 2
