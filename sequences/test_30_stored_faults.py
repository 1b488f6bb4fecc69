"""Stored faults: read before clearing (they are the history), decoded, cleared, read again after a new start."""

from __future__ import annotations

import pytest

from hilseq import KeepFaults, Unit, durations, new_faults

pytestmark = [
    pytest.mark.stage("stored faults"),
    pytest.mark.place("stored faults"),
    pytest.mark.needs("faults"),
]


@pytest.mark.duration(estimate=durations.restart)
def test_clears_and_stays_clear(ready_unit: Unit, keep_faults: KeepFaults) -> None:
    """Stored faults, cleared and read again.

    The fault table clears, where the link can clear it, and a new start adds nothing; its counter agrees with it.
    """
    before = ready_unit.faults.read()
    keep_faults("before clearing", before)
    ready_unit.faults.assert_counted(before)
    account = ready_unit.baseline.faults
    account.learn(before)
    known = before
    if ready_unit.faults.clearable:
        ready_unit.faults.clear()
        known = ready_unit.faults.read()
        keep_faults("after clearing", known)
        ready_unit.faults.assert_counted(known)
        account.learn(known)
        left = [fault for fault in known if fault in before or not fault.routine]
        assert not left, f"the table does not clear: {left[0]}"

    ready_unit.restart()
    after = ready_unit.faults.read()
    keep_faults("after a new start", after)
    returned = new_faults(known, after)
    account.learn(after)
    account.tell(returned)
    ready_unit.fail_at(
        [fault.place for fault in returned],
        f"after a new start the unit reports {returned[0] if returned else 'nothing'}",
    )
