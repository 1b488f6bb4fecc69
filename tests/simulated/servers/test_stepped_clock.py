"""The stepped clock of a run, against the clock of the twin."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from hilseq.errors import InstrumentSilent
from hilseq.stepped import SteppedClock

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Served


@pytest.fixture
def clock(served: Served) -> Iterator[SteppedClock]:
    host, port = served.address("clock")
    clock = SteppedClock(f"{host}:{port}")
    yield clock
    clock.close()


def soon(served: Served, instant: float) -> bool:
    """Tell whether the world gets to an instant by itself."""
    until = time.monotonic() + 10.0
    while served.world.time != instant and time.monotonic() < until:
        time.sleep(0.001)
    return served.world.time == instant


def test_time_passes_while_it_heads_for_an_instant(served: Served, clock: SteppedClock) -> None:
    """The world is there already; the run has its old time until it waits for the new one."""
    clock.sleep(1.5)
    clock.head_for(2.5)
    assert soon(served, 2.5)
    assert clock.now() == 1.5
    clock.sleep_until(2.5)
    assert clock.now() == served.world.time == 2.5


def test_a_change_of_mind_still_passes_the_instant(served: Served, clock: SteppedClock) -> None:
    """Whatever is waited for instead comes on top; time never runs back, and no answer is taken for another."""
    clock.head_for(1.0)
    clock.sleep(0.5)
    assert clock.now() == served.world.time == 1.5
    clock.head_for(3.0)
    clock.head_for(9.0)  # one at a time
    clock.sleep_until(2.0)
    assert clock.now() == served.world.time == 3.0
    clock.head_for(1.0)  # behind already
    clock.sleep_until(4.0)
    assert clock.now() == served.world.time == 4.0


def test_an_interrupted_wait_does_not_leave_it_out_of_step(
    served: Served, clock: SteppedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> bytes:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("hilseq.clock.Awake.receive", interrupted)
        with pytest.raises(KeyboardInterrupt):
            clock.sleep(1.0)
    clock.sleep(2.0)
    assert clock.now() == served.world.time == 3.0
    clock.sleep_until(5.0)
    assert clock.now() == served.world.time == 5.0


def test_a_twin_that_has_gone_is_silent(served: Served, clock: SteppedClock) -> None:
    with served.connect("clock") as witness:
        served.servers.loop.stop()
        with contextlib.suppress(ConnectionResetError):  # it went before it had accepted the witness
            while witness.recv(64):
                pass
    with pytest.raises(InstrumentSilent, match="clock at 127"):
        clock.sleep(1.0)
