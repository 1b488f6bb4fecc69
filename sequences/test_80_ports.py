"""Ports: every port carries frames both ways, at every speed, with no more errors than the profile claims."""

from __future__ import annotations

import pytest

from hilseq import Judge, KeepTable, Unit, UnitSupply, durations

pytestmark = [pytest.mark.stage("ports"), pytest.mark.duration(estimate=durations.exchanges)]


@pytest.mark.needs("ports")
@pytest.mark.duration(estimate=durations.port_frames)
def test_carries_frames(
    ready_unit: Unit, supply: UnitSupply, port: str, judge: Judge, keep_table: KeepTable
) -> None:
    """Frame transfer at every speed.

    What is sent into the port comes back as it must, at every speed.
    """
    for tally in ready_unit.ports.exchange(port):
        keep_table(*tally.table())
        for name, measured, limits in tally.readings():
            judge(name, measured, limits)
    if words := ready_unit.ports.assert_long_frames(port):
        supply.note("proof", words)


@pytest.mark.needs("ports")
@pytest.mark.duration(estimate=durations.port_clock)
def test_clock(ready_unit: Unit, clocked_port: str, judge: Judge) -> None:
    """Clock error of the port.

    The port's own clock is as right as it must be.
    """
    limits = ready_unit.limits.port_clock(clocked_port)
    judge("error of the port's clock", ready_unit.ports.clock_error(clocked_port), limits)


@pytest.mark.needs("link.modbus-loopback")
@pytest.mark.place("link")
def test_link_loops_back(ready_unit: Unit) -> None:
    """Loop-back of the unit's link.

    The unit's own link sends back what it gets (function 08).
    """
    for sent in (b"\xa5\x37", b"\x00\x00", b"\xff\xff", b"\x55\xaa"):
        back = ready_unit.link.loopback(sent)
        assert back == sent, f"loop-back sent {sent.hex(' ')}, {back.hex(' ')} came back"
