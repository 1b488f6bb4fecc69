"""A twin that a prepared process becomes: distinguished from others by nothing but how soon it serves."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from hilseq import resources, twin
from hilseq.errors import StandFault, UsageError
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, prepared

STAND, UNIT = (
    resources.folder("stands") / "sim-bench.yaml",
    resources.folder("stands") / "units" / "rh16.yaml",
)


@pytest.fixture(autouse=True)
def _process() -> Iterator[None]:
    with prepared():
        yield


def _twin(**options: object) -> Twin:
    return Twin(STAND, {"A": UNIT}, serials={"A": "RH-1"}, **options)  # type: ignore[arg-type]


def test_it_serves_and_ends_when_closed() -> None:
    """The prepared process becomes the first twin; the next one is started as ever, with a time of its own."""
    first, second = _twin(seed=1), _twin(seed=2)
    assert first._process is None
    assert second._process is not None
    clocks = [SteppedClock(each.endpoints["clock"]) for each in (first, second)]
    clocks[0].sleep(5.0)
    assert [clock.now() for clock in clocks] == [5.0, 0.0]
    for clock, each in zip(clocks, (first, second), strict=True):
        clock.close()
        each.close()
    with pytest.raises(StandFault):
        SteppedClock(first.endpoints["clock"]).now()


def test_an_impossible_defect_is_refused_in_its_words() -> None:
    """What a twin says against its command line arrives as from any other twin."""
    refused = _twin(defects=["output-stuck-on@q99"])
    with pytest.raises(UsageError, match="q99"):
        refused.endpoints  # noqa: B018 - asked for what it raises
    refused.close()


@pytest.mark.skipif(
    not hasattr(os, "sched_setaffinity"), reason="this system keeps no process to a processor"
)
def test_a_process_forked_afterwards_may_take_it() -> None:
    """A visit is forked from who prepared the twin, and its twin serves it."""
    child = os.fork()
    if child == 0:
        served = _twin()
        os._exit(0 if served._process is None and "clock" in served.endpoints else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_one_that_has_gone_is_said_so() -> None:
    """Where the prepared process dies, the twin is a stand fault that says why, not a traceback."""
    twin._prepared[-1].close()
    with pytest.raises(StandFault, match="simulated stand did not start"):
        _twin()
