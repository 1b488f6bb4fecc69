"""Looking before going to sleep: taken up where it pays, left out where it does not, and never wrong."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator

import pytest

from hilseq.clock import BusyPoll


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    """Two ends of one connection; the first does not block."""
    here, there = socket.socketpair()
    here.setblocking(False)
    with here, there:
        yield here, there


def _looks(awake: BusyPoll, most: int = 10_000) -> int:
    """Return after how many waits the next one looks again."""
    for number in range(most):
        if awake.until():
            return number
    raise AssertionError("it never looks again")


@pytest.mark.skipif(
    not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2, reason="needs two processors"
)
def test_looks_in_vain_are_left_out_twice_as_many_each_time() -> None:
    """Hardware that answers in milliseconds, or a busy computer: soon nearly every wait is a sleep."""
    awake = BusyPoll()
    left_out = []
    for _ in range(14):
        awake.in_vain()
        left_out.append(_looks(awake))
    assert left_out == [*(2**n for n in range(1, 13)), 4096, 4096]
    for _ in range(12):
        awake.found()
    awake.in_vain()
    assert _looks(awake) == 2


def test_what_is_there_is_taken_and_what_is_not_is_not_waited_for(
    pair: tuple[socket.socket, socket.socket],
) -> None:
    """None means that nothing came; the end of the connection and its data come as they are."""
    here, there = pair
    awake = BusyPoll()
    assert awake.receive(here.recv, 10) is None
    there.sendall(b"now 1.0\n")
    for _ in range(10):
        data = awake.receive(here.recv, 10)
        if data is not None:
            break
    else:  # one processor: it never looks, and the caller sleeps
        data = here.recv(10)
    assert data == b"now 1.0\n"
    there.close()
    assert BusyPoll().receive(here.recv, 10) in (b"", None)


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="needs processor affinity")
def test_one_processor_never_looks() -> None:
    """With one processor the other side cannot answer while this one looks."""
    allowed = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(allowed)})
        assert BusyPoll().until() == 0.0
    finally:
        os.sched_setaffinity(0, allowed)
