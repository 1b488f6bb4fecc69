"""A scheduler with one worker, as a campaign finds one that exists: what it has imported serves all tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session")
def scheduler() -> Iterator[str]:
    """Return the address of a Dask scheduler."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        memory_limit=None,
    ) as cluster:
        yield cluster.scheduler_address
