"""What a soak says of a link that does not say how the unit is."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.description.profile import Mode
from hilseq.errors import UnitFault, UnitInvalidResponse, UnitSilent
from hilseq.procedures.soak.conditions import SoakConditions
from hilseq.procedures.soak.sampler import Sample, Sampler

if TYPE_CHECKING:
    from tests.procedures.conftest import MakeUnit

Look = Callable[[str], list[str]]


@pytest.fixture
def look(make: MakeUnit) -> Look:
    """`look("link silent")`: what is new in the next sample of a unit in its mode, with this trouble or none."""
    found = make()
    unit, stand = found.unit, found.bench.stand
    unit.supply.on()
    unit.wait_until_ready()
    unit.modes.move_to(Mode.LIVE)
    sampler = Sampler(unit, stand, found.bench.signals, found.clock)
    conditions = SoakConditions(unit, stand, sampler, Mode.LIVE)
    well = sampler.take()
    asked = range(2, 2 + len(sampler.registers))

    def one(trouble: str) -> list[str]:
        values = [math.nan if trouble and n in asked else value for n, value in enumerate(well.values)]
        sample = Sample(well.at, values, f"{trouble}, in words" if trouble else "", trouble)
        return [finding.what for finding in conditions.look(sample)]

    assert one("") == []
    return one


def test_each_trouble_is_reported_once_until_the_link_is_well(look: Look) -> None:
    """A line that now says nothing and now nonsense is one trouble with two faces, not an event at each change."""
    silent, invalid, refuses = "link silent", "link sends invalid data", "link refuses"
    reported = [look(trouble) for trouble in (silent, invalid, silent, refuses, invalid, silent, "", invalid)]
    assert reported == [[silent], [invalid], [], [refuses], [], [], [], [invalid]]


@pytest.mark.parametrize(
    ("fault", "trouble"),
    [
        (UnitSilent("no answer"), "link silent"),
        (UnitInvalidResponse("random bytes"), "link sends invalid data"),
        (UnitFault("error 2: illegal data address"), "link refuses"),
    ],
)
def test_a_sample_says_what_is_wrong_with_the_link(
    make: MakeUnit, monkeypatch: pytest.MonkeyPatch, fault: UnitFault, trouble: str
) -> None:
    """The heading is that of the error which the conversation raised."""
    found = make()

    def raised() -> bytes:
        raise fault

    sampler = Sampler(found.unit, found.bench.stand, found.bench.signals, found.clock)
    monkeypatch.setattr(found.unit.link, "response", raised)
    for _ in range(2):  # together with the instruments, then by itself
        sample = sampler.take()
        assert (sample.silence, sample.trouble) == (str(fault), trouble)
