"""The communication ports of a unit: frames out, frames back, errors counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from hilseq.description.profile import Port
from hilseq.description.stand import PortWiring
from hilseq.errors import UnitFault
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.ports import open_port

#: Bytes that catch what breaks first: constant levels, alternation, single bits, control characters.
_TELLING = (b"\x00" * 8, b"\xff" * 8, b"\x55\xaa" * 8, bytes(1 << bit for bit in range(8)), bytes(range(32)))
_LOOPBACK = (b"\xa5\x37", b"\x00\x00", b"\xff\xff", b"\x55\xaa")


@dataclass(frozen=True, slots=True)
class Tally:
    """What came of the frames at one speed (Bd)."""

    speed: float
    frames: int
    errors: int
    first_error: str


class Ports:
    """The ports of one unit, by name."""

    def __init__(self, ports: Mapping[str, Port], wiring: Mapping[str, PortWiring]) -> None:
        self.names = tuple(ports)
        self._ports = ports
        self._wiring = wiring

    def exchange(self, name: str) -> Iterator[Tally]:
        """Exchange the telling frames at every speed of the port; one tally per speed.

        Raises StandFault when the stand's side of the port cannot be opened.
        """
        port = self._ports[name]
        speeds = port.speeds if port.partner != "modbus tcp" else port.speeds[:1]
        for speed in speeds:
            if port.partner == "echo":
                yield self._echo(name, port, speed)
            else:
                yield self._modbus(name, port, speed)

    def _echo(self, name: str, port: Port, speed: float) -> Tally:
        opened = open_port(self._wiring[name].resource, round(speed), port.frame, port.deadline, name=name)
        with opened as line:

            def carried(frame: bytes) -> None:
                back = line.exchange(frame, len(frame))
                if back != frame:
                    raise UnitFault(f"sent {frame[:8].hex(' ')}…, {back[:8].hex(' ')}… came back", place=name)

            return _tally(speed, _TELLING, carried)

    def _modbus(self, name: str, port: Port, speed: float) -> Tally:
        wiring = self._wiring[name]
        if port.partner == "modbus tcp":
            device = ModbusDevice.over_tcp(
                name, wiring.resource, device=port.device, deadline=port.deadline, owner="unit"
            )
        else:
            device = ModbusDevice.over_serial(
                name,
                wiring.resource,
                speed=round(speed),
                frame=port.frame,
                device=port.device,
                deadline=port.deadline,
                owner="unit",
            )
        with device:

            def carried(data: bytes) -> None:
                back = device.loopback(data)
                if back != data:
                    raise UnitFault(f"loop-back sent {data.hex(' ')}, {back.hex(' ')} came back", place=name)

            return _tally(speed, _LOOPBACK, carried)


def _tally(speed: float, frames: tuple[bytes, ...], carried: Callable[[bytes], None]) -> Tally:
    errors, first = 0, ""
    for frame in frames:
        try:
            carried(frame)
        except UnitFault as fault:
            errors += 1
            first = first or str(fault)
            if errors == len(frames) or (errors > 1 and errors == frames.index(frame) + 1):
                # Nothing comes back at all: waiting out every deadline would prove no more.
                break
    return Tally(speed, len(frames), errors, first)
