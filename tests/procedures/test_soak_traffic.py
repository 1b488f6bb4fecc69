"""Frames over the ports of a unit during a soak, over real sockets."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from hilseq.clock import WallClock
from hilseq.description.points import Port
from hilseq.description.stand import PortWiring
from hilseq.procedures.soak.traffic import FRAME, SILENT_AFTER, Traffic
from tests.instruments.conftest import RawServer

Handler = Callable[[socket.socket], None]
PORT = {"speeds": ["9600 Bd"], "frame": "8N1", "deadline": "500 ms"}


@pytest.fixture
def traffic() -> Iterator[Callable[..., Traffic]]:
    """Return the traffic over echo ports behind these handlers: `traffic(one, other)`."""
    servers: list[RawServer] = []
    made: list[Traffic] = []

    def make(*handlers: Handler) -> Traffic:
        servers.extend(RawServer(_ignoring_number(talk)) for talk in handlers)
        names = [f"port {number}" for number, _ in enumerate(handlers, 1)]
        ports = dict.fromkeys(names, Port.model_validate({"partner": "echo", **PORT}))
        wiring = {
            name: PortWiring(resource=server.endpoint)
            for name, server in zip(names, servers[-len(names) :], strict=True)
        }
        made.append(Traffic(names, ports, wiring, WallClock()))
        return made[-1]

    yield make
    for one in made:
        one.close()
    for server in servers:
        server.stop()


def _ignoring_number(talk: Handler) -> Callable[[socket.socket, int], None]:
    return lambda connection, _: talk(connection)


def echo(connection: socket.socket) -> None:
    while data := connection.recv(4096):
        connection.sendall(data)


def test_all_ports_carry_their_frames_at_once(traffic: Callable[..., Traffic]) -> None:
    """Neither port answers before both were asked, so that one after the other would find both silent."""
    both = threading.Barrier(2, timeout=5.0)

    def after_both(connection: socket.socket) -> None:
        while data := connection.recv(4096):
            both.wait()
            connection.sendall(data)

    carrying = traffic(after_both, after_both)
    for _ in range(3):
        carrying.send()
        assert carrying.gather() == []
    for tally in carrying.tallies().values():
        assert (tally["frames"], tally["lost_frames"], tally["wrong_frames"]) == (3, 0, 0)
        assert (tally["bits"], tally["wrong_bits"]) == (3 * 8 * len(FRAME), 0)


def test_what_comes_back_wrong_is_counted_to_the_bit(traffic: Callable[..., Traffic]) -> None:
    def spoilt(connection: socket.socket) -> None:
        while data := connection.recv(4096):
            connection.sendall(bytes([data[0] ^ 0b101]) + data[1:])

    carrying = traffic(echo, spoilt)
    carrying.send()
    carrying.gather()
    good, bad = carrying.tallies().values()
    assert (good["wrong_frames"], good["wrong_bits"]) == (0, 0)
    assert (bad["frames"], bad["wrong_frames"], bad["wrong_bits"]) == (1, 1, 2)


def test_a_port_that_falls_silent_is_told_once(traffic: Callable[..., Traffic]) -> None:
    """The other port goes on: its answer is not lost over the wait."""

    def silent(connection: socket.socket) -> None:
        while connection.recv(4096):
            pass

    carrying = traffic(silent, echo)
    told = []
    for _ in range(SILENT_AFTER + 4):
        carrying.send()
        told += carrying.gather()
    assert [(finding.what, finding.place) for finding in told] == [("port silent", "port 1")]
    mute, well = carrying.tallies().values()
    # Left alone for one round, then for two: each frame to a dead port costs the soak its deadline.
    assert (mute["frames"], mute["lost_frames"]) == (SILENT_AFTER + 1, SILENT_AFTER + 1)
    assert (well["frames"], well["lost_frames"]) == (SILENT_AFTER + 4, 0)
    assert carrying.worse_than_claimed() == []


def test_frames_under_way_are_forgotten_with_their_ports(traffic: Callable[..., Traffic]) -> None:
    """A pause closes the ports: what was sent before it is neither lost nor taken for the next answer."""
    carrying = traffic(echo)
    carrying.send()
    carrying.close()
    assert carrying.gather() == []
    carrying.send()
    carrying.gather()
    (tally,) = carrying.tallies().values()
    assert (tally["frames"], tally["lost_frames"], tally["wrong_frames"]) == (1, 0, 0)
