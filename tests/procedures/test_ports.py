"""Ports over real sockets: errors counted to the bit, claims decided with the bits that takes."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hilseq.analysis.limits import ReadingVerdict, decide
from hilseq.analysis.ratio_plans import ratio_plan, risk_of_each
from hilseq.description.points import Port
from hilseq.description.registers import Register
from hilseq.description.stand import PortWiring
from hilseq.errors import NotPerformed, StandFault, UnitFault
from hilseq.instruments.ports import frames
from hilseq.procedures.ports import Ports, Tally, clock_error
from hilseq.twin import model_faults
from tests.instruments.conftest import RawServer, modbus_frame, modbus_requests
from tests.procedures.conftest import MakeUnit
from tests.procedures.twin_unit import TwinUnit

pytestmark = pytest.mark.whole_run

Spoil = Callable[[bytes, int], bytes]


@pytest.fixture
def served() -> Iterator[Callable[[Callable[[socket.socket], None]], str]]:
    """Serve a port with a handler; return its HOST:PORT."""
    servers: list[RawServer] = []

    def start(handler: Callable[[socket.socket], None]) -> str:
        servers.append(RawServer(lambda connection, _: handler(connection)))
        return servers[-1].endpoint

    yield start
    for server in servers:
        server.stop()


def echo(spoil: Spoil = lambda data, _: data) -> Callable[[socket.socket], None]:
    """Return a handler that sends everything back; `spoil` gets each piece and its number."""

    def handler(connection: socket.socket) -> None:
        number = 0
        while data := connection.recv(4096):
            back = spoil(data, number)
            if back:
                connection.sendall(back)
            number += 1

    return handler


def port(
    endpoint: str,
    partner: str = "echo",
    *,
    ratio: float | None = None,
    mode: Register | None = None,
    speeds: tuple[str, ...] = ("9600 Bd",),
) -> Ports:
    """Return the ports of a unit with one port."""
    described = {"partner": partner, "speeds": list(speeds), "frame": "8N1", "deadline": "200 ms"}
    claim = {} if ratio is None else {"bit-error-ratio": ratio}
    return Ports(
        {"port 1": Port.model_validate({**described, **claim})},
        {"port 1": PortWiring(resource=endpoint)},
        loopback=mode is None,
        mode=mode,
    )


Served = Callable[[Callable[[socket.socket], None]], str]

#: One speed of one port is judged by its bit errors and by its lost frames.
EACH = risk_of_each(0.05, 2)


def verdicts(tally: Tally) -> list[str]:
    """Return the verdicts on bit errors and on lost frames."""
    return [
        str(decide(measured.value, measured.expanded_uncertainty, limits))
        for _, measured, limits in tally.readings()
    ]


def test_a_clean_port_takes_the_bits_that_the_claim_needs(served: Served) -> None:
    """Without error, the claim is shown with the bits of the plan's first look, or little more."""
    (tally,) = port(served(echo()), ratio=1e-3).exchange("port 1")
    # An echoed bit goes over the line twice; one look at 95 % would take 2996 (check value 7.6).
    assert 2996 < ratio_plan(1e-3, EACH).looks[0] <= tally.bits < ratio_plan(1e-3, EACH).looks[0] + 2 * 8 * 64
    assert tally.errors == 0
    assert verdicts(tally) == ["conforms", "conforms"]


def test_wrong_bits_are_counted_one_by_one(served: Served) -> None:
    """Three bits turned in one frame and one in another are four errors, and take the bits of the fifth look."""
    turned = {6: b"\x07", 8: b"\x10"}

    def spoil(data: bytes, number: int) -> bytes:
        return bytes([data[0] ^ turned.get(number, b"\0")[0]]) + data[1:]

    (tally,) = port(served(echo(spoil)), ratio=5e-4).exchange("port 1")
    assert (tally.errors, tally.lost_frames) == (4, 0)
    assert tally.bits >= ratio_plan(5e-4, EACH).looks[4]
    assert verdicts(tally) == ["conforms", "conforms"]


def test_a_bad_port_is_soon_refuted(served: Served) -> None:
    """A port a hundred times worse than its claim is given up within a few frames, and fails."""
    (tally,) = port(
        served(echo(lambda data, _: bytes(octet ^ (n % 2) for n, octet in enumerate(data)))),
        ratio=1e-3,
    ).exchange("port 1")
    assert tally.exchanges <= 4
    assert verdicts(tally)[0] == "fails"
    assert tally.first_error


def test_a_port_near_its_claim_is_not_reported_from_it(served: Served) -> None:
    """One wrong bit in a frame of 1024 is about the claim: neither shown nor refuted."""
    (tally,) = port(
        served(echo(lambda data, _: bytes([data[0] ^ 1]) + data[1:] if len(data) > 32 else data)), ratio=1e-3
    ).exchange("port 1")
    assert verdicts(tally) == [ReadingVerdict.MARGINAL, ReadingVerdict.CONFORMS]


def test_a_lost_frame_is_a_lost_frame(served: Served) -> None:
    """Every second frame is swallowed: no bit of the others is wrong, and the lost ones alone refute the claim."""
    (tally,) = port(served(echo(lambda data, n: b"" if n % 2 else data)), ratio=1e-4).exchange("port 1")
    assert tally.errors == 0
    assert tally.lost_frames == 10
    assert verdicts(tally)[1] == "fails"


def test_lost_and_doubled_characters_are_errors(served: Served) -> None:
    """A frame that comes back shorter or longer counts what is missing, or too much."""
    (tally,) = port(served(echo(lambda data, n: data[:-1] if n == 2 else data)), ratio=1e-3).exchange(
        "port 1"
    )
    assert tally.errors == 1


def test_a_dead_port_is_said_to_be_dead(served: Served) -> None:
    """Where nothing ever comes back, the words say so, and the place is the port."""
    with pytest.raises(UnitFault, match="nothing comes back from port 1 at 9600 Bd") as caught:
        list(port(served(echo(lambda _, __: b"")), ratio=1e-3).exchange("port 1"))
    assert caught.value.places == ("port 1",)


def test_a_port_without_a_claim_is_still_exercised(served: Served) -> None:
    """It must keep 1e-3: one error takes more bits, many refute it."""
    (clean,) = port(served(echo())).exchange("port 1")
    assert clean.bits >= ratio_plan(1e-3, EACH).looks[0]
    assert verdicts(clean) == ["conforms", "conforms"]
    (bad,) = port(served(echo(lambda data, n: data[:-1] + b"?" if n > 3 else data))).exchange("port 1")
    assert verdicts(bad)[0] == "fails"


def test_every_speed_is_tried(served: Served) -> None:
    """One tally for each speed of the profile."""
    tallies = list(port(served(echo()), speeds=("9600 Bd", "19200 Bd", "38400 Bd")).exchange("port 1"))
    assert [tally.speed for tally in tallies] == [9600, 19200, 38400]


def _modbus(wrong: set[int]) -> Callable[[socket.socket], None]:
    """Return a Modbus TCP device that knows function 08 and one register; answers in `wrong` are spoilt."""

    def handler(connection: socket.socket) -> None:
        for number, (head, pdu) in enumerate(modbus_requests(connection)):
            answer = pdu if pdu[0] == 0x08 else bytes([4, 2, 0, 1])
            if number in wrong:
                answer = answer[:-1] + bytes([answer[-1] ^ 1])
            connection.sendall(modbus_frame(head, answer))

    return handler


@pytest.mark.parametrize("wrong", [set(), {5}])
def test_loop_backs_are_counted(served: Served, wrong: set[int]) -> None:
    """Function 08: each answer proves the 128 bits of an RTU exchange, a spoilt one is an error."""
    (tally,) = port(served(_modbus(wrong)), "modbus tcp", ratio=1e-3).exchange("port 1")
    assert tally.errors == len(wrong)
    assert tally.bits == 128 * tally.exchanges >= ratio_plan(1e-3, EACH).looks[len(wrong)]


def test_a_unit_without_loop_back_is_asked_for_its_mode(served: Served) -> None:
    """Reads take the place of loop-backs."""
    mode = Register.model_validate({"table": "input register", "address": 0})
    (tally,) = port(served(_modbus(set())), "modbus tcp", mode=mode, ratio=1e-3).exchange("port 1")
    assert (tally.errors, tally.bits) == (0, 120 * tally.exchanges)


def test_the_pseudo_random_frames_are_those_of_the_recommendation() -> None:
    """After the telling characters: FF 83 DF 17 32 09 4E D1, highest bit first (O.150, 2^9-1; 7.2)."""
    for _, frame in zip(range(6), frames(8), strict=False):
        last = frame
    assert bytes(int(f"{octet:08b}"[::-1], 2) for octet in last[:8]).hex(" ") == "ff 83 df 17 32 09 4e d1"


def test_the_sequence_goes_on_from_one_character_of_seven_bits_to_the_next() -> None:
    """The bits of the pseudo-random frame, seven of each character, are those of the recommendation without a gap."""
    several = [frame for _, frame in zip(range(6), frames(7), strict=False)]
    bits = "".join(f"{octet:07b}"[::-1] for octet in several[5])
    assert bits.startswith("1111111110000011110111110001011100110010000010010100111011010001")


# -- the clock of a port


@given(error=st.floats(-0.04, 0.04), bits=st.sampled_from((9, 10, 11, 12)))
def test_the_middle_of_what_comes_through_is_the_units_clock(error: float, bits: int) -> None:
    """A receiver that gives up half a bit off in n - 1/2 bits, from UART theory (common practice, no source)."""
    half = 1.0 / (2 * bits - 1)
    assume(abs(error) < half)
    found = clock_error(
        lambda shift, *, patient: patient is not None and abs(shift - error) < half,
        character_bits=bits,
        accuracy=0.001,
        place="port 1",
    )
    assert found.unit == "%"
    assert abs(found.value / 100.0 - error) <= 2.5 * found.standard_uncertainty / 100.0
    assert 0.05 < found.standard_uncertainty < 0.1


def test_a_port_that_carries_nothing_is_the_units_fault() -> None:
    """Its clock is then not the question."""
    with pytest.raises(UnitFault, match="at the port's own speed already") as caught:
        clock_error(
            lambda _, *, patient: patient and False, character_bits=11, accuracy=0.001, place="port 1"
        )
    assert caught.value.places == ("port 1",)


def test_an_adapter_that_does_not_follow_is_the_stands_fault() -> None:
    """Frames that come back at any speed were never shifted."""
    with pytest.raises(StandFault, match="does not follow its setting"):
        clock_error(lambda _, *, patient: patient or True, character_bits=11, accuracy=0.001, place="port 1")


@pytest.mark.parametrize("late", [{1}, {3}, {9}, {1, 2, 3, 4, 5, 6}, set(range(1, 40))])
def test_a_frame_that_only_came_too_late_is_no_edge(late: set[int]) -> None:
    """A busy computer lets hasty trials fail: a patient look finds it out, and the search begins anew."""
    tried: list[float] = []

    def carries(shift: float, *, patient: bool) -> bool:
        tried.append(shift)
        return abs(shift) < 1.0 / 21.0 and (patient or len(tried) not in late)

    found = clock_error(carries, character_bits=11, accuracy=0.001, place="port 1")
    assert abs(found.value) <= 2.5 * found.standard_uncertainty


@pytest.mark.parametrize("name", ["port 1", "port 2"])
@pytest.mark.parametrize(("severity", "percent"), [(0.0, 0.0), (0.1, -1.0), (0.3, -3.0)])
def test_the_clock_of_a_port_is_measured_over_its_line(
    make: MakeUnit, name: str, severity: float, percent: float
) -> None:
    """An echo behind pyserial and a Modbus device behind VISA; a good twin's clock is within 0.5 %."""
    defects = [f"port-clock-error@{name},severity={severity}"] if severity else []
    made = make(*defects, stand_changes={f"slots.A.ports.{name}.speed-accuracy": "0.1 %"})
    found = made.unit.ports.clock_error(name)
    assert found.value == pytest.approx(percent, abs=0.5 + 0.25)
    most = made.unit.limits.port_clock(name).high
    assert most is not None
    assert (abs(found.value) <= most) is (severity < 0.2)


def test_without_an_adapter_for_it_nothing_is_measured(make: MakeUnit) -> None:
    """A stand that does not say so has no such check."""
    made = make()
    with pytest.raises(NotPerformed, match="speed-accuracy"):
        made.unit.ports.clock_error("port 1")


@pytest.mark.parametrize("port", ["port 1", "port 2"])
def test_a_port_carries_its_longest_frames_and_says_what_of_the_line_is_not_shown(
    good: TwinUnit, port: str
) -> None:
    """An echo of 250 characters, and function 08 with as many (V1.1b3, 6.8; 253 octets at most: 4.1)."""
    ports, at = good.unit.ports, "9600, 19200" if port == "port 1" else "19200"
    assert ports.assert_long_frames(port) == (
        f"{port}: a frame of 250 characters came back whole at {at} Bd; 8E1 is not shown: a pseudo-terminal has no "
        "parity"
    )
    for _ in range(20):
        ports.carries_one(port)
    assert f"{port}: {20 + at.count(',') + 1} frames in the whole visit, none lost" in ports.proven(port)


def test_long_frames_that_nobody_claims_are_no_fault(make: MakeUnit) -> None:
    """Cut off at fewer characters than the protocol allows: said, and held against the unit where it is claimed."""
    cut = "short-frames@port 2,severity=0.9"
    unclaimed = make(cut, defect_files=(model_faults(),), changes={"ports.port 2.longest-frame": None})
    assert "long frames are not shown" in unclaimed.unit.ports.assert_long_frames("port 2")
    claimed = make(cut, defect_files=(model_faults(),))
    with pytest.raises(UnitFault, match="none of 3 frames of 250 characters"):
        claimed.unit.ports.assert_long_frames("port 2")
