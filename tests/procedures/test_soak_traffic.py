"""Frames over the ports of a unit during a soak, over real sockets."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from hilseq.clock import WallClock
from hilseq.description.points import Port
from hilseq.description.stand import PortWiring
from hilseq.errors import UnitInvalidResponse
from hilseq.instruments.protocols import SHORT_FRAME
from hilseq.procedures.soak.traffic import SILENT_AFTER, Traffic
from tests.instruments.conftest import RawServer

Handler = Callable[[socket.socket], None]
PORT = {"speeds": ["9600 Bd"], "frame": "8N1", "deadline": "500 ms"}


@pytest.fixture
def traffic() -> Iterator[Callable[..., Traffic]]:
    """Return the traffic over echo ports behind these handlers: `traffic(one, other)`."""
    servers: list[RawServer] = []
    made: list[Traffic] = []

    def make(*handlers: Handler, claim: float | None = None) -> Traffic:
        servers.extend(RawServer(_ignoring_number(talk)) for talk in handlers)
        names = [f"port {number}" for number, _ in enumerate(handlers, 1)]
        described = {"partner": "echo", "bit-error-ratio": claim, **PORT}
        ports = dict.fromkeys(names, Port.model_validate(described))
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
        assert carrying.gather(0.0) == []
    for tally in carrying.tallies().values():
        assert (tally.frames, tally.lost_frames, tally.wrong_frames) == (3, 0, 0)
        assert (tally.bits, tally.wrong_bits) == (3 * 8 * len(SHORT_FRAME), 0)


def test_what_comes_back_wrong_is_counted_to_the_bit(traffic: Callable[..., Traffic]) -> None:
    def spoilt(connection: socket.socket) -> None:
        while data := connection.recv(4096):
            connection.sendall(bytes([data[0] ^ 0b101]) + data[1:])

    carrying = traffic(echo, spoilt)
    carrying.send()
    carrying.gather(0.0)
    good, bad = carrying.tallies().values()
    assert (good.wrong_frames, good.wrong_bits) == (0, 0)
    assert (bad.frames, bad.wrong_frames, bad.wrong_bits) == (1, 1, 2)


def test_a_port_that_falls_silent_is_reported_once(traffic: Callable[..., Traffic]) -> None:
    """The other port continues: its answer is not lost over the wait."""

    def silent(connection: socket.socket) -> None:
        while connection.recv(4096):
            pass

    carrying = traffic(silent, echo)
    reported = []
    for _ in range(SILENT_AFTER + 4):
        carrying.send()
        reported += carrying.gather(0.0)
    assert [(finding.what, finding.place) for finding in reported] == [("port silent", "port 1")]
    mute, well = carrying.tallies().values()
    # Left alone for one round, then for two: each frame to a dead port costs the soak its deadline.
    assert (mute.frames, mute.lost_frames) == (SILENT_AFTER + 1, SILENT_AFTER + 1)
    assert (well.frames, well.lost_frames) == (SILENT_AFTER + 4, 0)
    assert carrying.worse_than_claimed() == []


def test_a_port_that_answers_nonsense_is_not_called_silent(
    traffic: Callable[..., Traffic], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The heading says what the port does: the error of its conversation knows."""

    def garbled(*_: object) -> bytes:
        raise UnitInvalidResponse("port 1 answered with invalid data")

    carrying = traffic(echo)
    monkeypatch.setattr(carrying, "_received", garbled)
    reported = []
    for _ in range(SILENT_AFTER):
        carrying.send()
        reported += carrying.gather(0.0)
    assert [(finding.what, finding.place) for finding in reported] == [("port sends invalid data", "port 1")]


def test_frames_under_way_are_forgotten_with_their_ports(traffic: Callable[..., Traffic]) -> None:
    """A pause closes the ports: what was sent before it is neither lost nor taken for the next answer."""
    carrying = traffic(echo)
    carrying.send()
    carrying.close()
    assert carrying.gather(0.0) == []
    carrying.send()
    carrying.gather(0.0)
    (tally,) = carrying.tallies().values()
    assert (tally.frames, tally.lost_frames, tally.wrong_frames) == (1, 0, 0)


def _spoils(*frames: int) -> Handler:
    """Return an echo that brings so many frames of its life back with one wrong bit."""

    def talk(connection: socket.socket) -> None:
        number = 0
        while data := connection.recv(4096):
            number += 1
            connection.sendall(bytes([data[0] ^ (number in frames)]) + data[1:])

    return talk


def _carry(carrying: Traffic, rounds: range) -> None:
    """Carry a frame every 10 s of the soak, at a case of 30 degC and 0.1 K more each time."""
    for number in rounds:
        carrying.send()
        assert carrying.gather(10.0 * number, 30.0 + 0.1 * number) == []


def test_bit_errors_are_dated_when_they_went_beyond_the_claim(traffic: Callable[..., Traffic]) -> None:
    """Claimed 1e-3: the third wrong bit (of 64 a frame) proves more. It is reported at the end, and dated then."""
    carrying = traffic(echo, _spoils(4, 5, 8, 9, 10), claim=1e-3)
    _carry(carrying, range(1, 21))
    (worse,) = carrying.worse_than_claimed()
    assert (worse.finding.what, worse.finding.place) == ("bit errors", "port 2")
    assert worse.since == 80.0
    assert worse.case == pytest.approx(30.8)
    assert "5 wrong bits in 1280 by the end of the soak" in worse.finding.text


def test_lost_frames_are_held_against_the_claim_as_such(traffic: Callable[..., Traffic]) -> None:
    """Every third frame lost, no bit wrong: three lost in 9 x 128 bits prove more than 1e-4."""

    def swallows(connection: socket.socket) -> None:
        number = 0
        while data := connection.recv(4096):
            number += 1
            if number % 3:
                connection.sendall(data)

    carrying = traffic(swallows, claim=1e-4)
    _carry(carrying, range(1, 10))
    (worse,) = carrying.worse_than_claimed()
    assert "3 lost of 9 frames" in worse.finding.text
    assert "wrong bits" not in worse.finding.text


def test_errors_that_the_whole_soak_takes_back_condemn_no_port(traffic: Callable[..., Traffic]) -> None:
    """Three wrong bits at once prove a bad port then and, over so many good frames, no more."""
    carrying = traffic(_spoils(1, 2, 3), claim=2e-3)
    _carry(carrying, range(1, 4))
    assert [worse.since for worse in carrying.worse_than_claimed()] == [30.0]
    _carry(carrying, range(4, 40))
    assert carrying.worse_than_claimed() == []


def test_the_date_is_that_from_which_the_errors_stayed_beyond(traffic: Callable[..., Traffic]) -> None:
    """What was taken back in between dates nothing."""
    carrying = traffic(_spoils(1, 2, 3, *range(40, 61)), claim=2e-3)
    _carry(carrying, range(1, 61))
    (worse,) = carrying.worse_than_claimed()
    assert 400.0 <= worse.since <= 600.0


def test_a_soak_that_goes_on_keeps_the_date(traffic: Callable[..., Traffic]) -> None:
    """Tallies are what a seal keeps; one of an older journal, without a date, is dated anew."""
    carrying = traffic(_spoils(1, 2, 3), claim=1e-3)
    _carry(carrying, range(1, 5))
    kept = carrying.tallies()
    resumed = traffic(echo, claim=1e-3)
    resumed.continue_from(kept)
    _carry(resumed, range(10, 12))
    assert [worse.since for worse in resumed.worse_than_claimed()] == [30.0]
    undated = kept["port 1"].model_copy(update={"beyond": None, "beyond_case": None})
    resumed.continue_from({"port 1": undated})
    _carry(resumed, range(12, 14))
    assert [worse.since for worse in resumed.worse_than_claimed()] == [120.0]


def test_ports_are_reported_in_the_order_of_their_dates(traffic: Callable[..., Traffic]) -> None:
    carrying = traffic(_spoils(7, 8, 9), _spoils(1, 2, 3), claim=1e-3)
    _carry(carrying, range(1, 11))
    reported = [(worse.finding.place, worse.since) for worse in carrying.worse_than_claimed()]
    assert reported == [("port 2", 30.0), ("port 1", 90.0)]
