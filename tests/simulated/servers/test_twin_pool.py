"""Twins forked in a twin_pool: told apart from others by nothing but how soon they serve."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Iterator

import pytest

from hilseq import resources, twin_pool
from hilseq.errors import StandFault, UsageError
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin

STAND, UNIT = (
    resources.folder("stands") / "sim-bench.yaml",
    resources.folder("stands") / "units" / "rh16.yaml",
)


@pytest.fixture(autouse=True)
def _open() -> Iterator[None]:
    with twin_pool.twin_pool():
        yield


def _twin(**options: object) -> Twin:
    return Twin(STAND, {"A": UNIT}, serials={"A": "RH-1"}, **options)  # type: ignore[arg-type]


def _alive(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


def _forked(twin: Twin) -> twin_pool.Forked:
    process = twin._process
    assert isinstance(process, twin_pool.Forked)
    return process


def test_several_serve_side_by_side_and_end_when_closed() -> None:
    """Each has addresses and a time of its own; closed, it has ended without an error."""
    twins = [_twin(seed=number) for number in range(3)]
    clocks = [SteppedClock(twin.endpoints["clock"]) for twin in twins]
    assert len({twin.endpoints["clock"] for twin in twins}) == 3
    clocks[1].sleep(5.0)
    assert [clock.now() for clock in clocks] == [0.0, 5.0, 0.0]
    for clock, twin in zip(clocks, twins, strict=True):
        clock.close()
        twin.close()
        assert _forked(twin).returncode == 0


def test_an_impossible_defect_is_refused_in_its_words() -> None:
    """What a twin says against its command line arrives as from any other twin."""
    twin = _twin(defects=["output-stuck-on@q99"])
    with pytest.raises(UsageError, match="q99"):
        twin.endpoints  # noqa: B018 - asked for what it raises
    twin.close()
    assert _forked(twin).returncode == 2


def test_one_that_does_not_end_is_ended() -> None:
    """A twin that stands still is ended, and its end is known for what it was."""
    twin = _twin()
    assert twin.endpoints
    process = _forked(twin)
    number = process.pid
    assert number is not None
    os.kill(number, signal.SIGSTOP)
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(0.05)
    process.kill()
    assert process.wait(5.0) == -signal.SIGKILL
    twin.close()
    deadline = time.monotonic() + 5.0
    while _alive(number) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not _alive(number)


@pytest.mark.skipif(
    not hasattr(os, "sched_setaffinity"), reason="this system keeps no process to a processor"
)
def test_it_keeps_to_the_processors_of_who_asks() -> None:
    """A twin runs where its visit runs."""
    before = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(before)})
        twin = _twin()
        assert twin.endpoints  # serving: it has settled by now
        assert os.sched_getaffinity(_forked(twin).pid or 0) == {min(before)}
    finally:
        os.sched_setaffinity(0, before)
    twin.close()


def test_a_nursery_that_has_gone_is_said_so() -> None:
    """Where the twin_pool dies, the next twin is a stand fault that says why, not a traceback."""
    twin_pool._open[-1].close()
    with pytest.raises(StandFault, match="simulated stand did not start"):
        _twin()
