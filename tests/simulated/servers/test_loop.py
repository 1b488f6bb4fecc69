"""The loop of the twin: in which order it serves what comes at once."""

from __future__ import annotations

import socket
from contextlib import ExitStack
from functools import partial

import pytest
from hilseq_sim.servers.loop import Loop


@pytest.mark.parametrize("clock_first", [True, False])
def test_what_lets_time_pass_is_served_after_what_came_before_it(clock_first: bool) -> None:
    """A command without an answer, such as output off, acts before the advance that follows it."""
    loop, served = Loop(), list[str]()
    with ExitStack() as stack:
        lines = {name: socket.socketpair() for name in ("clock", "supply", "rack")}
        for ends in lines.values():
            for end in ends:
                stack.enter_context(end)
        order = sorted(lines) if clock_first else sorted(lines, reverse=True)

        def serve(name: str) -> None:
            served.append(name)
            lines[name][1].recv(1)
            if name == "rack":
                # Comes while a batch is served, before the clock's turn.
                lines["supply"][0].send(b"2")
            if name == "clock":
                loop.stop()

        for name in order:
            loop.watch(lines[name][1].fileno(), partial(serve, name), after_others=name == "clock")
        for name in ("supply", "rack", "clock"):
            lines[name][0].send(b"1")
        loop.run()
    assert served[-1] == "clock"
    assert sorted(served) == ["clock", "rack", "supply", "supply"]


def test_a_forgotten_file_is_not_served(capfd: pytest.CaptureFixture[str]) -> None:
    """Not even when it was ready in the same look."""
    loop, served = Loop(), list[str]()
    near, far = socket.socketpair(), socket.socketpair()
    with near[0], near[1], far[0], far[1]:

        def first(mine: socket.socket, other: socket.socket) -> None:
            mine.recv(1)
            served.append("one")
            loop.forget(other.fileno())
            loop.after(0.05, loop.stop)

        loop.watch(near[1].fileno(), lambda: first(near[1], far[1]))
        loop.watch(far[1].fileno(), lambda: first(far[1], near[1]))
        near[0].send(b"1")
        far[0].send(b"1")
        loop.run()
    assert served == ["one"]
    assert capfd.readouterr() == ("", "")
