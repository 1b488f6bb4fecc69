"""Modbus on its two wires: the MBAP header of TCP, and the RTU frames of a serial line.

After the MODBUS Messaging on TCP/IP Implementation Guide V1.0b and MODBUS over Serial Line V1.02. Several devices may
share one address, as behind a gateway; over TCP a unit identifier nobody has is answered with exception 0B. On a serial
wire a frame ends with a silence of 3.5 characters; a pseudo-terminal has no such timing, so the length is known from
the function and proven by the check sum, and a long silence only clears what was left of a broken frame.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from hilseq_sim.servers.modbus_pdu import LONGEST_PDU, refuse_busy, respond
from hilseq_sim.servers.session import MalformedStreamError, Session
from hilseq_sim.views import ModbusView, crc16

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
        return _with_header(request, response)

    def busy(self, request: bytes) -> bytes:
        """Return exception 06, from a device that is there."""
        view = self._views.get(request[6])
        response = refuse_busy(view, request[7:]) if view is not None else b""
        return _with_header(request, response) if response else b""

    def with_wrong_transaction(self, answer: bytes) -> bytes:
        """Return the answer with the next transaction identifier."""
        transaction = int.from_bytes(answer[:2], "big") + 1 & 0xFFFF
        return transaction.to_bytes(2, "big") + answer[2:]


def _with_header(request: bytes, response: bytes) -> bytes:
    return b"%b\x00%c%c%b" % (request[:4], len(response) + 1, request[6], response)


BROADCAST = 0
SHORTEST = 4
LONGEST = 256
#: Seconds of wall time after which half a frame is given up. The 2 ms of the specification would break frames
#: whenever the computer is busy.
SILENCE = 0.2

#: Length of a request by its function, or length and place of the byte count that adds to it (chapter 6).
_FIXED = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10, 24: 6, 43: 7}
#: The function that sends back what it gets, two octets or many.
_RETURN = 8
_COUNTED = {15: (9, 6), 16: (9, 6), 20: (5, 2), 21: (5, 2), 23: (13, 10)}


def framed(device: int, pdu: bytes) -> bytes:
    """Return the frame of a PDU."""
    body = bytes((device,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def _intact(frame: bytes) -> bool:
    return crc16(frame) == 0  # the sum over a frame and its own sum


def expected_length(data: bytes) -> int | None:
    """Return the length of the request that begins `data`: 0 when more bytes must tell, None if unknown."""
    if len(data) < 2:  # noqa: PLR2004 - the function is the second byte
        return 0
    if data[1] in _FIXED:
        return _FIXED[data[1]]
    if data[1] in _COUNTED:
        head, place = _COUNTED[data[1]]
        return head + data[place] if len(data) > place else 0
    return None


class ModbusRtuSession(Session):
    """One serial line with one or more devices, by device address: endpoint name and view.

    `line` is what the copper makes of bytes, in either direction: they come through, spoilt, or not at all.
    """

    def __init__(
        self,
        devices: Mapping[int, tuple[str, ModbusView]],
        line: Callable[[bytes], bytes],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._devices = devices
        self._line = line
        self._clock = clock
        self._buffer = b""
        self._last = 0.0
        self.endpoint = next(iter(devices.values()))[0]

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return complete frames; bytes that belong to none are dropped."""
        now = self._clock()
        if now - self._last > SILENCE:
            self._buffer = b""
        self._last = now
        data = self._buffer + self._line(data)
        frames = []
        while len(data) >= SHORTEST:
            length = self._length(data)
            if length > len(data):
                break
            if length:
                frames.append(data[:length])
            data = data[length or 1 :]  # out of step: look for a frame one byte further on
        self._buffer = data[-LONGEST:]
        return frames

    def _length(self, data: bytes) -> int:
        """Return the length of the frame that begins here, 0 when none does; more than there is to wait."""
        length = expected_length(data)
        if (
            length == _FIXED[_RETURN]
            and data[1] == _RETURN
            and len(data) >= length
            and not _intact(data[:length])
        ):
            # More than two octets to send back: nothing tells how many, but for the check sum and the silence after it.
            whole = range(length, min(len(data), LONGEST) + 1, 2)
            return next((n for n in whole if _intact(data[:n])), LONGEST + 1 if len(data) < LONGEST else 0)
        if length is None:
            # An unknown function: whatever the check sum accepts, so that it can be refused.
            return next((n for n in range(SHORTEST, min(len(data), LONGEST) + 1) if _intact(data[:n])), 0)
        if length == 0 or SHORTEST <= len(data) < length <= LONGEST:
            return LONGEST + 1
        return length if length <= LONGEST and _intact(data[:length]) else 0

    def endpoint_of(self, request: bytes) -> str:
        """Name the device a frame is for."""
        found = self._devices.get(request[0])
        return found[0] if found else self.endpoint

    def answer(self, request: bytes) -> bytes:
        """Carry out a frame; a broadcast is carried out by every device and answered by none."""
        pdu = request[1:-2]
        if request[0] == BROADCAST:
            for _, view in self._devices.values():
                respond(view, pdu)
            return b""
        found = self._devices.get(request[0])
        response = respond(found[1], pdu) if found else b""
        return self._line(framed(request[0], response)) if response else b""

    def busy(self, request: bytes) -> bytes:
        """Return exception 06, from a device that is there; nobody answers a broadcast."""
        found = self._devices.get(request[0])
        response = refuse_busy(found[1], request[1:-2]) if found else b""
        return self._line(framed(request[0], response)) if response else b""
