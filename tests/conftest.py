"""What every test gets: a time limit, and warnings as errors.

These stand here and not in pyproject.toml, because sequences are run by the same pytest from the same folder, and
a soak may not be ended by the time limit of a unit test.
"""

from __future__ import annotations

import pytest

SECONDS = 120


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give every test its time limit."""
    for item in items:
        if item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(SECONDS))
        item.add_marker(pytest.mark.filterwarnings("error"), append=False)
