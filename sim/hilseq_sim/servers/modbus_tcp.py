"""Modbus TCP: the MBAP header around protocol data units.

After the MODBUS Messaging on TCP/IP Implementation Guide V1.0b. Several devices may share one address, as
behind a gateway; a unit identifier nobody has is answered with exception 0B.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hilseq_sim.servers.modbus_pdu import LONGEST_PDU, refuse_busy, respond
from hilseq_sim.servers.session import MalformedStreamError, Session
from hilseq_sim.views import ModbusView

HEADER = 7
TARGET_FAILED_TO_RESPOND = 0x0B


class ModbusTcpSession(Session):
    """One connection to one or more devices, by unit identifier: endpoint name and view."""

    def __init__(self, devices: Mapping[int, tuple[str, ModbusView]]) -> None:
        self._devices = devices
        self._views = {number: view for number, (_, view) in devices.items()}
        self._names = {number: name for number, (name, _) in devices.items()}
        self.endpoint = next(iter(self._names.values()))
        self._buffer = b""

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return complete frames; one whose protocol identifier is not 0 is dropped."""
        if self._buffer:
            data = self._buffer + data
        frames = []
        start, end = 0, len(data)
        while end - start >= HEADER:
            length = data[start + 4] << 8 | data[start + 5]
            if not 2 <= length <= LONGEST_PDU + 1:  # noqa: PLR2004 - unit identifier and a function at least
                raise MalformedStreamError
            stop = start + 6 + length
            if stop > end:
                break
            if data[start + 2] == data[start + 3] == 0:
                frames.append(data[start:stop])
            start = stop
        self._buffer = data[start:]
        return frames

    def endpoint_of(self, request: bytes) -> str:
        """Name the device a frame is for."""
        return self._names.get(request[6], self.endpoint)

    def answer(self, request: bytes) -> bytes:
        """Carry out a frame."""
        view = self._views.get(request[6])
        if view is None:
            response = bytes((request[7] | 0x80, TARGET_FAILED_TO_RESPOND))
        else:
            response = respond(view, request[7:])
            if not response:
                return b""
        return _framed(request, response)

    def busy(self, request: bytes) -> bytes:
        """Return exception 06, from a device that is there."""
        view = self._views.get(request[6])
        response = refuse_busy(view, request[7:]) if view is not None else b""
        return _framed(request, response) if response else b""

    def with_wrong_transaction(self, answer: bytes) -> bytes:
        """Return the answer with the next transaction identifier."""
        transaction = int.from_bytes(answer[:2], "big") + 1 & 0xFFFF
        return transaction.to_bytes(2, "big") + answer[2:]


def _framed(request: bytes, response: bytes) -> bytes:
    return b"%b\x00%c%c%b" % (request[:4], len(response) + 1, request[6], response)
