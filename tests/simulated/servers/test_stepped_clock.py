"""The stepped clock of a run, against the clock of the twin."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from hilseq.errors import InstrumentTimeout, InvalidResponse
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
    clock.advance_async(2.5)
    assert soon(served, 2.5)
    assert clock.now() == 1.5
    clock.sleep_until(2.5)
    assert clock.now() == served.world.time == 2.5


def test_the_date_is_the_worlds(served: Served, clock: SteppedClock) -> None:
    """Day and hour are asked for once and pass with the time."""
    assert clock.moment() == datetime(2031, 2, 28, 23, 59, tzinfo=UTC)
    clock.sleep(60.0)
    assert clock.moment() == served.world.date == datetime(2031, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize("told", ["date yesterday", "date 2031-02-28T23:59:00", "now 1", "date"])
def test_a_clock_without_a_date_is_garbage(told: str) -> None:
    """Whatever says no date with its zone is no clock of a simulated stand."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            line, _ = server.accept()
            with line:
                line.recv(64)
                line.sendall(b"now 5.0\n")
                line.recv(64)
                line.sendall(told.encode() + b"\n")
                line.recv(64)

        teller = threading.Thread(target=answer)
        teller.start()
        with pytest.raises(InvalidResponse, match="the simulated stand's clock answered"):
            SteppedClock(f"127.0.0.1:{server.getsockname()[1]}")
        teller.join(5.0)


def test_a_change_of_mind_still_passes_the_instant(served: Served, clock: SteppedClock) -> None:
    """Whatever is waited for instead comes on top; time never runs back, and no answer is taken for another."""
    clock.advance_async(1.0)
    clock.sleep(0.5)
    assert clock.now() == served.world.time == 1.5
    clock.advance_async(3.0)
    clock.advance_async(9.0)  # one at a time
    clock.sleep_until(2.0)
    assert clock.now() == served.world.time == 3.0
    clock.advance_async(1.0)  # behind already
    clock.sleep_until(4.0)
    assert clock.now() == served.world.time == 4.0


def test_an_interrupted_wait_does_not_leave_it_out_of_step(
    served: Served, clock: SteppedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> bytes:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("hilseq.clock.BusyPoll.receive", interrupted)
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
    with pytest.raises(InstrumentTimeout, match="clock at 127"):
        clock.sleep(1.0)
