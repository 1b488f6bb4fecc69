"""Configuration: the reference goes in, comes back equal, and survives a power cycle."""

from __future__ import annotations

import pytest

from hilseq import Unit, durations

pytestmark = [
    pytest.mark.stage("configuration"),
    pytest.mark.place("configuration"),
    pytest.mark.needs("configuration"),
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_loads(ready_unit: Unit) -> None:
    """Configuration read-back.

    The reference configuration loads and reads back equal.
    """
    ready_unit.configuration.load()
    ready_unit.configuration.compare()


@pytest.mark.duration(estimate=durations.restart)
def test_is_kept(ready_unit: Unit) -> None:
    """Configuration after a power cycle.

    The configuration survives a power cycle.
    """
    ready_unit.configuration.load()
    ready_unit.restart()
    ready_unit.configuration.compare()
