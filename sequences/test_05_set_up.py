"""Set-up: the stand is fit to judge a unit. What is wrong here is never held against the unit.

The same procedure as `hilseq ready`. Nothing is powered yet.
"""

from __future__ import annotations

import pytest

from hilseq import Readiness, durations, require

pytestmark = [
    pytest.mark.stage("set-up"),
    pytest.mark.place("stand"),
    pytest.mark.gate,
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_instruments(readiness: Readiness) -> None:
    """Identity of the instruments.

    Every instrument answers and is the one the stand file expects.
    """
    require(readiness.instruments())


@pytest.mark.needs("stand.calibrations")
@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_calibration(readiness: Readiness) -> None:
    """Calibration of the instruments.

    No calibration has run out.
    """
    require(readiness.calibrations(), or_nothing=True)


@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_is_calibrated(readiness: Readiness) -> None:
    """Calibration stated.

    Every instrument has a calibration, or is named as one without.
    """
    readiness.require_calibrated()


@pytest.mark.needs("stand.golden-unit")
def test_known_good_unit(readiness: Readiness) -> None:
    """Visit of a known good unit.

    A known good unit has passed every check on this harness, as it is now.
    """
    readiness.require_golden()


@pytest.mark.needs("stand.safety.interlocks")
def test_interlocks(readiness: Readiness) -> None:
    """Interlocks.

    Every interlock is at its safe value.
    """
    require(readiness.interlocks())


def test_supply_at_zero(readiness: Readiness) -> None:
    """Supply reading with its output off.

    The supply reads zero with its output off.
    """
    require(readiness.supplies_at_zero())


@pytest.mark.needs("stand.senses")
def test_inputs_at_zero(readiness: Readiness) -> None:
    """Sensed outputs without power.

    Whatever senses an output of the unit reads zero while the unit has no power.
    """
    require(readiness.senses_at_zero(), or_nothing=True)


@pytest.mark.needs("stand.loopbacks")
@pytest.mark.duration(estimate=durations.judges_what_is_known)
def test_late_reads(readiness: Readiness) -> None:
    """Age of the reads.

    What the I/O serves is no older than the stand file says, or than a stand may wait for.
    """
    require(readiness.late_reads(), or_nothing=True)


@pytest.mark.needs("stand.loopbacks")
def test_loopbacks(readiness: Readiness) -> None:
    """Loop-backs of the stand.

    Every path of the stand back into itself follows, and follows alone.
    """
    require(readiness.loopbacks(), or_nothing=True)


def test_further_readiness(readiness: Readiness, readiness_check: str) -> None:
    """Further readiness of the stand.

    What an extension looks at before power is right.
    """
    require(readiness.further(readiness_check))


@pytest.mark.needs("ports")
def test_ports(readiness: Readiness) -> None:
    """Serial ports of the stand.

    Every port of the stand to the unit can be opened.
    """
    require(readiness.ports(), or_nothing=True)


def test_address_of_the_unit_is_free(readiness: Readiness) -> None:
    """Free address of the unit.

    Nobody answers at the unit's address while the unit has no power.
    """
    require(readiness.links_are_mute())
