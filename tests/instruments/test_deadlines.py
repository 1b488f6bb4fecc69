"""Waits that end, on real sockets: whatever the far end does or leaves undone."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

import pytest

from hilseq.deadlines import DeadlineSocket, try_until

PAST = 0.0


@pytest.fixture
def ends() -> Iterator[tuple[DeadlineSocket, socket.socket]]:
    """Give a connection over loopback: our end, and that of a server."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        ours = DeadlineSocket.connect(f"127.0.0.1:{server.getsockname()[1]}", 5.0)
        theirs, _ = server.accept()
        with theirs:
            yield ours, theirs
        ours.close()


def test_what_came_is_given_after_the_deadline_too(ends: tuple[DeadlineSocket, socket.socket]) -> None:
    ours, theirs = ends
    assert ours.pending(10) == b""
    with pytest.raises(TimeoutError, match="nothing came before the deadline"):
        ours.receive(10, PAST)
    theirs.sendall(b"late")
    ours.wait(time.monotonic() + 5.0)
    assert ours.receive(10, PAST) == b"late"


def test_a_far_end_that_takes_nothing_ends_a_send(ends: tuple[DeadlineSocket, socket.socket]) -> None:
    ours, _ = ends
    with pytest.raises(TimeoutError, match="not taken before the deadline"):
        ours.send_all(bytes(64 << 20), time.monotonic() + 0.05)


def test_a_far_end_that_closed_is_no_silence(ends: tuple[DeadlineSocket, socket.socket]) -> None:
    ours, theirs = ends
    theirs.close()
    ours.wait(time.monotonic() + 5.0)
    with pytest.raises(ConnectionResetError, match="closed by the far end"):
        ours.receive(10, PAST)
    with pytest.raises(ConnectionResetError, match="closed by the far end"):
        ours.pending(10)


def test_one_attempt_is_made_whatever_the_time_and_none_after_it() -> None:
    left = ["again", "again", None]
    waited: list[float] = []
    assert try_until(left.copy().pop, until=PAST, pause=0.5) is None
    assert try_until(lambda: "again", until=PAST, pause=0.5) == "again"
    assert (
        try_until(iter(left).__next__, until=time.monotonic() + 60.0, pause=0.5, wait=waited.append) is None
    )
    assert waited == [0.5, 0.5]
