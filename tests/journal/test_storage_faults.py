"""A small draw of the storage faults of tests/bench/bench_storage.py: nothing that was synced is ever lost."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bench.bench_storage import disk_full, folder_renamed, power_lost


@pytest.mark.parametrize("fault", [power_lost, disk_full, folder_renamed])
def test_a_fault_of_the_storage_costs_nothing_that_was_synced(
    tmp_path: Path, fault: Callable[[Path, int, random.Random], list[str]]
) -> None:
    """Torn and reordered writes, a full disk, a folder that is renamed under the run."""
    assert set(fault(tmp_path, 25, random.Random(7))) == {""}
