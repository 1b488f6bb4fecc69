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
from hilseq_sim.servers import clock_server

from hilseq import stepped
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
    """Return whether the world gets to an instant by itself."""
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


@pytest.mark.parametrize("reported", ["date yesterday", "date 2031-02-28T23:59:00", "now 1", "date"])
def test_a_clock_without_a_date_is_garbage(reported: str) -> None:
    """Whatever says no date with its zone is no clock of a simulated stand."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            line, _ = server.accept()
            with line:
                line.recv(64)
                line.sendall(b"now 5.0\n")
                line.recv(64)
                line.sendall(reported.encode() + b"\n")
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


# -- several clients ----------------------------------------------------------------------------------------


@pytest.fixture
def other(served: Served) -> Iterator[SteppedClock]:
    host, port = served.address("clock")
    clock = SteppedClock(f"{host}:{port}")
    yield clock
    clock.close()


def walk(clock: SteppedClock, steps: list[float], seen: list[float]) -> threading.Thread:
    """Have a client go its steps in a thread of its own, and note the times that it sees."""

    def go() -> None:
        for step in steps:
            clock.sleep(step)
            seen.append(clock.now())
        clock.close()

    thread = threading.Thread(target=go)
    thread.start()
    return thread


def test_time_moves_when_all_wait(served: Served, clock: SteppedClock, other: SteppedClock) -> None:
    """While one is busy the other waits, as long as that takes; then time moves to the earlier of both instants."""
    clock.advance_async(5.0)
    served.connect("clock").close()  # one that says nothing counts for nothing
    assert not clock._received
    assert other.now() == served.world.time == 0.0
    other.sleep(2.0)
    assert served.world.time == 2.0
    other.advance_async(9.0)
    clock.sleep_until(5.0)
    assert clock.now() == served.world.time == 5.0


def test_each_has_the_instants_that_it_would_have_alone(
    served: Served, clock: SteppedClock, other: SteppedClock
) -> None:
    """Steps that no binary number holds end where they end without neighbours, to the last bit."""
    steps, others = [0.1] * 50 + [1.7] * 20, [0.3] * 100 + [0.07]
    alone, now, carry = [], 0.0, 0.0
    for step in steps:  # Kahan, "Further remarks on reducing truncation errors", 1965
        exact = step - carry
        carry, now = (now + exact - now) - exact, now + exact
        alone.append(now)
    seen: list[float] = []
    for thread in [walk(clock, steps, seen), walk(other, others, [])]:
        thread.join(20.0)
        assert not thread.is_alive()
    assert seen == alone
    assert served.world.time == seen[-1]


def test_one_that_dies_holds_time_no_longer(served: Served, clock: SteppedClock, other: SteppedClock) -> None:
    """A client whose connection ends while the others wait for it lets them continue."""
    clock.advance_async(3.0)
    other.close()
    clock.sleep_until(3.0)
    assert served.world.time == 3.0


def test_whoever_waits_long_is_reported_that_the_clock_lives(
    served: Served, clock: SteppedClock, other: SteppedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wait for others is no silence; one that is not heard of any more is passed over, until it asks again."""
    monkeypatch.setattr(clock_server, "SIGN_EVERY", 0.02)
    clock.advance_async(3.0)
    monkeypatch.setattr(stepped, "DEADLINE", 0.5)
    later = threading.Timer(1.0, other.close)
    later.start()
    clock.sleep_until(3.0)
    assert served.world.time == 3.0
    later.join()


def test_one_that_is_stalled_is_passed_over(
    served: Served, clock: SteppedClock, other: SteppedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that says nothing for long, and still is there, does not hold the others for ever."""
    monkeypatch.setattr(clock_server, "SIGN_EVERY", 0.02)
    monkeypatch.setattr(clock_server, "STALLED", 0.1)
    clock.sleep(3.0)
    other.sleep(1.0)
    assert other.now() == served.world.time == 4.0
