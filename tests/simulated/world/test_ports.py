"""Serial ports: what a line does to bytes."""

from __future__ import annotations

import pytest

from hilseq.description.registers import RegisterTable

from .conftest import MakeWorld, power, ready

FRAME = bytes(range(64))


def test_an_echo_port_sends_back_what_it_gets(make_world: MakeWorld) -> None:
    world = ready(make_world())
    port = world.ports["A", "port 1"]
    assert port.partner == "echo"
    assert port.modbus is None
    for speed in (9600, 19200):
        assert port.receive(FRAME, speed) == FRAME
    assert port.receive(b"", 9600) == b""


def test_a_modbus_port_is_the_unit_once_more(make_world: MakeWorld) -> None:
    world = ready(make_world())
    port = world.ports["A", "port 2"]
    assert port.partner == "modbus rtu"
    assert port.modbus is not None
    assert port.modbus.answering()
    assert port.modbus.read(RegisterTable.INPUT_REGISTER, 0, 2) == [0, 1]
    assert port.corrupt(FRAME, 19200) == FRAME
    assert port.receive(FRAME, 19200) == b""


def test_a_unit_without_power_says_nothing(make_world: MakeWorld) -> None:
    world = make_world()
    assert world.ports["A", "port 1"].receive(FRAME, 9600) == b""
    power(world)
    world.advance(0.3)
    assert world.ports["A", "port 1"].receive(FRAME, 9600) == b"", "still booting"


@pytest.mark.parametrize("speed", [4800, 38400, 115200])
def test_a_wrong_speed_gives_garbage_or_silence(make_world: MakeWorld, speed: int) -> None:
    world = ready(make_world())
    answer = world.ports["A", "port 1"].receive(FRAME, speed)
    assert answer != FRAME
    assert len(answer) < len(FRAME)


def test_bit_errors_come_at_their_ratio(make_world: MakeWorld) -> None:
    world = ready(make_world("port-bit-errors@port 1,severity=0.85"))
    port = world.ports["A", "port 1"]
    wrong = total = 0
    for _ in range(400):
        back = port.corrupt(FRAME, 19200)
        wrong += sum((a ^ b).bit_count() for a, b in zip(FRAME, back, strict=True))
        total += 8 * len(FRAME)
    # ten times the profile's 1e-3; about 2000 errors, five standard deviations are 11 %
    assert wrong / total == pytest.approx(1e-2, rel=0.12)


def test_rare_bit_errors_come_at_their_ratio_in_long_frames(make_world: MakeWorld) -> None:
    """One wrong bit in a frame on average, and no fewer for that some frames have several: five deviations are 8 %."""
    world = ready(make_world("true-bit-errors@port 1,severity=0.5"))
    port, frame = world.ports["A", "port 1"], bytes(range(125))
    wrong = sum(
        (int.from_bytes(frame, "big") ^ int.from_bytes(port.corrupt(frame, 19200), "big")).bit_count()
        for _ in range(4000)
    )
    assert wrong / (4000 * 8 * len(frame)) == pytest.approx(1e-3, rel=0.08)


@pytest.mark.parametrize(("severity", "whole"), [(0.3, True), (0.7, False)])
def test_characters_are_lost_beyond_half_a_bit_of_clock_error(
    make_world: MakeWorld, severity: float, whole: bool
) -> None:
    world = ready(make_world(f"port-clock-error@port 2,severity={severity}"))
    assert (world.ports["A", "port 2"].corrupt(FRAME, 19200) == FRAME) is whole
