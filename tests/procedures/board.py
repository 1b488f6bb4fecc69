"""A board of digital points behind a real Modbus server: what goes into its coils comes back with faults."""

from __future__ import annotations

import socket
from collections.abc import Sequence

from hilseq.analysis.agreement import LOGIC
from hilseq.analysis.patterns import Fault
from hilseq.description.modbus import ModbusSignal
from hilseq.description.points import OutputPoint
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import ModbusChannels, RegisterBank
from hilseq.instruments.signals import SignalBank
from hilseq.procedures.points import Outputs
from hilseq.procedures.wiring import Sensor
from tests.analysis.classic_patterns import respond
from tests.instruments.conftest import RawServer, SteppedClock, modbus_frame, modbus_requests

#: Longest time until a point follows, s.
SETTLE = 0.05


class Board:
    """Coils in, discrete inputs out, over Modbus TCP; `late` maps a point to its delay in s of the clock."""

    def __init__(
        self, size: int, faults: Sequence[Fault], late: dict[int, float], clock: SteppedClock
    ) -> None:
        self.size = size
        self.faults = tuple(faults)
        self.late = late
        self.clock = clock
        self.coils = [False] * size
        self.requests = 0
        self.devices: list[ModbusDevice] = []
        self._pending: list[tuple[float, int, bool]] = []
        self._arrived = [False] * size
        self.server = RawServer(lambda connection, _: self._serve(connection))

    def _serve(self, connection: socket.socket) -> None:
        for head, pdu in modbus_requests(connection):
            self.requests += 1
            connection.sendall(modbus_frame(head, self._answer(pdu)))

    def _answer(self, pdu: bytes) -> bytes:
        function, address, count = pdu[0], int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if function == 0x0F:
            bits = int.from_bytes(pdu[6:], "little")
            for number in range(count):
                self._command(address + number, bool(bits >> number & 1))
            return pdu[:5]
        if function == 0x05:
            self._command(address, pdu[3] == 0xFF)
            return pdu
        levels = self.coils if function == 0x01 else self._read()
        packed = sum(1 << n for n, on in enumerate(levels[address : address + count]) if on)
        return bytes([function, (count + 7) // 8]) + packed.to_bytes((count + 7) // 8, "little")

    def _command(self, point: int, on: bool) -> None:
        if self.coils[point] is not on:
            self._pending = [job for job in self._pending if job[1] != point]
            self._pending.append((self.clock.time + self.late.get(point, 0.0), point, on))
        self.coils[point] = on

    def _read(self) -> list[bool]:
        for due, point, on in list(self._pending):
            if due <= self.clock.time + 1e-9:
                self._arrived[point] = on
                self._pending.remove((due, point, on))
        return list(respond(tuple(self._arrived), self.faults))

    def outputs(self) -> Outputs:
        """Return the board as the outputs of a unit, q00 first."""
        names = [f"q{number:02d}" for number in range(self.size)]
        device = ModbusDevice.over_tcp("board", self.server.endpoint, deadline=5.0)
        self.devices.append(device)
        points = {
            name: OutputPoint.model_validate(
                {"command": {"table": "coil", "address": number}, "settle": f"{SETTLE} s"}
            )
            for number, name in enumerate(names)
        }
        signals = {
            name: ModbusSignal.model_validate(
                {"io": "board", "table": "discrete input", "address": number, "senses": f"A.{name}"}
            )
            for number, name in enumerate(names)
        }
        bank = SignalBank(signals, {"board": ModbusChannels(signals, device)}, self.clock)
        commands = RegisterBank({name: point.command for name, point in points.items()}, device)
        sensors = {name: Sensor(name, signal, LOGIC, 0.0) for name, signal in signals.items()}
        return Outputs(points, commands, bank, sensors, self.clock)

    def stop(self) -> None:
        """Close the connections, then the server."""
        for device in self.devices:
            device.close()
        self.server.stop()
