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


@pytest.mark.needs("configuration.any-content")
def test_takes_any_content(ready_unit: Unit) -> None:
    """Configuration memory, every bit and word.

    Every bit of the configuration memory can be both, and every word is one of its own.
    """
    ready_unit.configuration.assert_takes_any_content()


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
