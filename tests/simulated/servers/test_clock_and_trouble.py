"""The clock of the twin, and connections that misbehave on purpose."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from hilseq_sim.process import Options
from hilseq_sim.servers.connections import BUSY_EVERY, BUSY_FIRST
from hilseq_sim.views import Trouble

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve, Served

READ = bytes.fromhex("0001 0000 0006 01 03 0000 0002")
RIGHT = bytes.fromhex("0001 0000 0007 01 03 04 0000 0000")


def closed(connection: socket.socket) -> bool:
    try:
        return connection.recv(100) == b""
    except ConnectionResetError:
        return True


def silent(connection: socket.socket) -> bool:
    connection.settimeout(0.1)
    try:
        connection.recv(100)
    except TimeoutError:
        return True
    finally:
        connection.settimeout(5)
    return False


# The clock.


def test_the_clock_steps(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("clock") as clock:
        assert ask(clock, b"now\n") == b"now 0.0\n"
        assert ask(clock, b"advance 1.5\n") == b"now 1.5\n"
        assert ask(clock, b"advance 0.1\r\n") == b"now 1.6\n"
        ask(clock, b"advance 1e-9\n")
        assert served.world.time == pytest.approx(1.6 + 1e-9, abs=1e-15)  # exact but for what no double holds
    with served.connect("clock") as clock:
        assert ask(clock, b"now\n") == b"now %r\n" % served.world.time, "not the last digit"


@pytest.mark.parametrize(
    "line",
    [
        "advance",
        "advance -1",
        "advance nan",
        "advance inf",
        "advance 1e10",
        "advance 1 2",
        "now 5",
        "",
        "\xff",
    ],
)
def test_bad_lines_are_answered(served: Served, ask: Callable[..., bytes], line: str) -> None:
    with served.connect("clock") as clock:
        assert ask(clock, line.encode("latin-1") + b"\n").startswith(b"error expected ")
        assert ask(clock, b"now\n") == b"now 0.0\n"


def test_lines_may_come_in_any_pieces(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("clock") as clock:
        for letter in b"advance 2":
            clock.sendall(bytes((letter,)))
        assert ask(clock, b"\nnow\nadvance 1\n", 24) == b"now 2.0\nnow 2.0\nnow 3.0\n"
        clock.sendall(b"x" * 10000)
        assert closed(clock)


def test_a_switch_is_turned_by_hand(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("clock") as clock:
        assert ask(clock, b"turn A run\n") == b"now 0.0\n"
        assert served.world.positions == {"A": "run"}
        assert ask(clock, b"turn A sideways\n").startswith(b"error the switch has no such position")
        assert ask(clock, b"turn B run\n").startswith(b"error expected `turn")


def test_wall_time(serve: Serve, ask: Callable[..., bytes]) -> None:
    served = serve(options=Options(wall=True))
    with served.connect("clock") as clock:
        began = float(ask(clock, b"now\n").split()[1])
        time.sleep(0.2)
        assert 0.15 < float(ask(clock, b"now\n").split()[1]) - began < 2
        assert b"--clock stepped" in ask(clock, b"advance 1\n")


# Trouble.


def test_silent(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("io rack") as connection, served.connect("supply main") as supply:
        served.world.troubles = {"io rack": Trouble(silent=True), "supply main": Trouble(silent=True)}
        connection.sendall(READ)
        supply.sendall(b"VOLT 5\n*IDN?\n")
        assert silent(connection)
        assert silent(supply)
        assert served.world.supplies["main"].set_voltage == 0, "a swallowed request was carried out"
        served.world.troubles = {}
        assert ask(connection, READ, 13) == RIGHT
        assert ask(supply, b"VOLT?\n") == b"0\n"


def test_garbage(served: Served, ask: Callable[..., bytes]) -> None:
    served.world.troubles = {"io rack": Trouble(garbage=True), "supply main": Trouble(garbage=True)}
    with served.connect("io rack") as connection, served.connect("supply main") as supply:
        answers = {ask(connection, READ, 13) for _ in range(3)}
        assert len(answers) == 3
        assert RIGHT not in answers
        line = ask(supply, b"*IDN?\n")
        assert line.endswith(b"\n")
        assert b"Ombrella" not in line


def test_garbage_is_the_same_for_the_same_seed(serve: Serve, ask: Callable[..., bytes]) -> None:
    seen = []
    for seed in (1, 1, 2):
        served = serve(options=Options(seed=seed))
        served.world.troubles = {"io rack": Trouble(garbage=True)}
        with served.connect("io rack") as connection:
            seen.append(ask(connection, READ, 13))
    assert seen[0] == seen[1] != seen[2]


def test_late(served: Served, ask: Callable[..., bytes]) -> None:
    """The answer comes, after wall time, in its turn; other connections do not wait."""
    served.world.troubles = {"supply main": Trouble(late=2.0)}
    with served.connect("supply main") as supply, served.connect("io rack") as rack:
        supply.sendall(b"*IDN?\n")
        assert ask(rack, READ, 13) == RIGHT
        assert not select.select([supply], [], [], 0)[0], "it answered before the other"
        served.world.troubles = {}
        assert ask(supply, b"*OPC?\n", 29) == b"Ombrella,PS-3203,SIM-1,1.0\n1\n"
        assert ask(supply, b"*OPC?\n") == b"1\n"


def test_half_open(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("io rack") as connection:
        assert ask(connection, READ, 13) == RIGHT
        served.world.troubles = {"io rack": Trouble(half_open=True)}
        connection.sendall(READ)
        assert closed(connection)
    with served.connect("io rack") as connection:
        connection.sendall(READ)
        assert silent(connection)


def test_wrong_transaction(served: Served, ask: Callable[..., bytes]) -> None:
    served.world.troubles = {"io rack": Trouble(wrong_transaction=True)}
    with served.connect("io rack") as connection:
        assert ask(connection, READ, 13) == b"\x00\x02" + RIGHT[2:]
        assert ask(connection, b"\xff\xff" + READ[2:], 13)[:2] == b"\x00\x00"


BUSY = bytes.fromhex("0001 0000 0003 01 83 06")
WRITE = bytes.fromhex("0001 0000 0006 01 06 0000 0007")


def test_busy_at_times(served: Served, ask: Callable[..., bytes]) -> None:
    """Exception 06 (MODBUS Application Protocol V1.1b3, 7) for a while; what is asked then is not carried out."""
    served.world.troubles = {"io rack": Trouble(busy=0.3)}
    with served.connect("io rack") as connection, served.connect("io rack") as other:
        for _ in range(BUSY_FIRST - 1):
            assert ask(connection, READ, 13) == RIGHT
        assert ask(connection, WRITE, 9) == BUSY[:7] + b"\x86\x06"
        assert ask(other, READ, 9) == BUSY, "it is the device that is busy, not the connection"
        while (answer := ask(connection, READ, 9)) == BUSY:
            pass  # for as long as it is busy; the test's own time limit ends what never ends
        assert answer == RIGHT, "the write was carried out although it was refused"
        for _ in range(BUSY_EVERY - 2):
            assert ask(connection, READ, 13) == RIGHT
        assert ask(connection, READ, 9) == BUSY


@pytest.mark.parametrize(("behind", "expected"), [(0, [1, 1, 2, 2, 3, 3]), (2, [1, 2, 3, 1])])
def test_answers_that_come_twice(served: Served, behind: int, expected: list[int]) -> None:
    served.world.troubles = {"io rack": Trouble(twice=True, twice_behind=behind)}
    with served.connect("io rack") as connection:
        for number in (1, 2, 3):
            connection.sendall(bytes((0, number)) + READ[2:])
        seen = b""
        while len(seen) < 13 * len(expected):
            seen += connection.recv(100)
        assert seen == b"".join(bytes((0, number)) + RIGHT[2:] for number in expected)
        assert silent(connection)


def test_a_connection_that_is_closed_behind_each_answer(served: Served, ask: Callable[..., bytes]) -> None:
    served.world.troubles = {"io rack": Trouble(closes=True)}
    for _ in range(2):
        with served.connect("io rack") as connection:
            assert ask(connection, READ, 13) == RIGHT
            assert closed(connection)


def test_refused_and_accepted_again(served: Served, ask: Callable[..., bytes]) -> None:
    """The listener follows the world as the clock advances, on the same port."""
    served.world.trouble_from = {"io rack": (5.0, Trouble(refused=True))}
    address = served.address("io rack")
    with served.connect("clock") as clock, served.connect("io rack") as connection:
        assert ask(connection, READ, 13) == RIGHT
        ask(clock, b"advance 5\n")
        assert closed(connection)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(address, timeout=2)
        served.world.trouble_from = {}
        ask(clock, b"advance 1\n")
        with served.connect("io rack") as again:
            assert ask(again, READ, 13) == RIGHT


def test_refused_from_the_start(serve: Serve) -> None:
    served = serve(prepare=lambda world: world.troubles.update({"supply main": Trouble(refused=True)}))
    with pytest.raises(ConnectionRefusedError):
        served.connect("supply main")


def test_trouble_of_one_device_leaves_its_neighbour_alone(serve: Serve, ask: Callable[..., bytes]) -> None:
    second = "  other: {address: '192.0.2.20:502', device-id: 5}\n"
    served = serve({"\nsignals:\n": f"\n{second}\nsignals:\n"})
    served.world.troubles = {"io other": Trouble(silent=True)}
    with served.connect("io rack") as connection:
        connection.sendall(READ[:6] + b"\x05" + READ[7:])
        assert ask(connection, READ, 13) == RIGHT


def test_outputs_of_one_instrument_share_its_trouble(serve: Serve) -> None:
    second = (
        "  aux: {resource: 'TCPIP::192.0.2.10::5025::SOCKET', output: 2, "
        "ceilings: {voltage: 5 V, current: 1 A}}\n"
    )
    served = serve({"\nio:\n": f"\n{second}\nio:\n"})
    served.world.troubles = {"supply aux": Trouble(silent=True)}
    with served.connect("supply main") as connection:
        connection.sendall(b"*IDN?\n")
        assert silent(connection)


def test_single_connection(serve: Serve, ask: Callable[..., bytes]) -> None:
    served = serve(options=Options(single_connection=True))
    with served.connect("io rack") as first:
        assert ask(first, READ, 13) == RIGHT
        with served.connect("io rack") as second:
            assert closed(second)
        assert ask(first, READ, 13) == RIGHT
    for _ in range(500):
        time.sleep(0.01)  # the server has yet to see that the first client has gone
        with served.connect("io rack") as third:
            third.sendall(READ)
            if not closed(third):
                break
    else:
        pytest.fail("nobody is let in after the first client has gone")
    with served.connect("clock"), served.connect("clock") as clock:
        assert ask(clock, b"now\n") == b"now 0.0\n"
