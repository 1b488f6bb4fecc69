"""Stored faults: read before clearing (they are the history), decoded, cleared, read again."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilseq.procedures.faults import StoredFault, unusual
from hilseq.procedures.unit import Unit

pytestmark = [
    pytest.mark.stage("stored faults"),
    pytest.mark.place("stored faults"),
    pytest.mark.needs("faults"),
]


def test_clears_and_stays_clear(
    ready_unit: Unit, keep_faults: Callable[[str, list[StoredFault]], None]
) -> None:
    """The fault table clears, and stays clear over a new start."""
    before = ready_unit.faults.read()
    keep_faults("before clearing", before)
    ready_unit.faults.clear()
    after = ready_unit.faults.read()
    keep_faults("after clearing", after)
    left = [fault for fault in after if fault in before or not fault.routine]
    assert not left, f"the table does not clear: {left[0]}"

    ready_unit.restart()
    returned = ready_unit.faults.read()
    keep_faults("after a new start", returned)
    returned = unusual(returned)
    ready_unit.blame(
        [fault.place for fault in returned],
        f"after clearing and a new start the unit reports {returned[0] if returned else 'nothing'}",
    )
