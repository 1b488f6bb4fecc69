"""One instrument and its clients: one message at a time, one read for all who ask at once, each its own answer."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import Any

import pytest

from hilseq.clock import nothing
from hilseq.description.modbus import ModbusIo
from hilseq.errors import InstrumentError, StandFault
from hilseq.owner.line import Line, Member
from hilseq.owner.relay import RelayedChannels
from hilseq.owner.wire import MessageSocket, Request

IO = ModbusIo.model_validate({"address": "192.0.2.1:502"})


class Read:
    """The read of some names takes one exchange."""

    exchanges = 1


class Channels:
    """Channels that can be kept busy, and that tell what they were asked."""

    def __init__(self) -> None:
        self.free = threading.Event()
        self.busy = threading.Event()
        self.asked: list[tuple[str, ...]] = []

    def reader(self, _names: Sequence[str]) -> Read:
        """Plan a read."""
        return Read()

    def identify(self) -> None:
        """Be busy until `free`."""
        self.busy.set()
        assert self.free.wait(10.0)

    def snapshot(self, names: Sequence[str]) -> dict[str, float]:
        """Read; whatever has `broken` in its name cannot be read."""
        self.asked.append(tuple(names))
        if any("broken" in name for name in names):
            raise InstrumentError("it has no such address", number=2, text="illegal data address")
        return {name: float(name[-1]) for name in names}

    def close(self) -> None:
        """Nothing is open."""


class Ended(Member):
    """A client that may ask nothing more."""

    def check(self, request: Request) -> None:
        """Refuse."""
        raise StandFault(f"{request[1]} is refused")


@pytest.fixture
def things() -> Iterator[ExitStack]:
    """What is closed in the end."""
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def device() -> Channels:
    """The instrument."""
    return Channels()


@pytest.fixture
def line(device: Channels, things: ExitStack) -> Line:
    """Its line."""
    line = Line("an address", {"io rack": device})
    things.callback(line.close)
    return line


@pytest.fixture
def client(line: Line, things: ExitStack) -> Callable[[], RelayedChannels]:
    """Make one more client."""

    def another() -> RelayedChannels:
        made = RelayedChannels("io rack", IO, line.connect, nothing)
        things.callback(made.close)
        return made

    return another


def ask_at_once(device: Channels, clients: Sequence[RelayedChannels], names: Sequence[str]) -> list[Any]:
    """Have clients ask for a snapshot of one name each while the instrument is busy; return values or errors."""
    first = clients[0]
    first.send("identify")
    assert device.busy.wait(10.0)
    for one, name in zip(clients[1:], names, strict=True):
        one.send("snapshot", (name,))
    device.free.set()
    first.fetch()
    found: list[Any] = []
    for one in clients[1:]:
        try:
            found.append(one.fetch())
        except InstrumentError as error:
            found.append(error)
    return found


def test_who_asks_at_once_shares_a_read(
    device: Channels, line: Line, client: Callable[[], RelayedChannels]
) -> None:
    """Eight snapshots that wait for the same instrument are one exchange; each gets what it asked for, no more."""
    names = [f"slot {number}" for number in range(8)]
    found = ask_at_once(device, [client() for _ in range(9)], names)
    assert found == [{name: float(name[-1])} for name in names]
    assert len(device.asked) == 1
    assert set(device.asked[0]) == set(names)
    assert (line.exchanges, line.spared) == (2, 7)


def test_a_read_that_fails_for_all_is_made_for_each(
    device: Channels, client: Callable[[], RelayedChannels]
) -> None:
    """What one asks for cannot be read: it alone is reported so, in the driver's own error with all that it holds."""
    found = ask_at_once(device, [client() for _ in range(4)], ["slot 1", "broken 2", "slot 3"])
    assert found[0] == {"slot 1": 1.0}
    assert found[2] == {"slot 3": 3.0}
    assert isinstance(found[1], InstrumentError)
    assert (found[1].number, found[1].text) == (2, "illegal data address")


def test_an_answer_that_nobody_fetched_is_no_other_ones(client: Callable[[], RelayedChannels]) -> None:
    """A question given up, as by Ctrl-C, leaves its answer; the next question gets its own."""
    one = client()
    one.send("snapshot", ("slot 1",))
    assert one.snapshot(("slot 2",)) == {"slot 2": 2.0}


def test_only_the_protocol_is_relayed(device: Channels, line: Line, things: ExitStack) -> None:
    """Nothing but its messages reaches a driver, and nothing at all from a client that has been ended."""
    wire = line.connect("io rack")
    things.callback(wire.close)
    wire.send((1, "__init__", (), {}))
    number, _, error = wire.receive(1e9)
    assert number == 1
    assert isinstance(error, AttributeError)
    ours, theirs = socket.socketpair()
    line.adopt(MessageSocket(theirs), "io rack", Ended())
    ended = MessageSocket(ours)
    things.callback(ended.close)
    ended.send((1, "snapshot", (("slot 1",),), {}))
    assert isinstance(ended.receive(1e9)[2], StandFault)
    assert device.asked == []
