"""Serial lines: pseudo-terminals as serial ports, and what is spoken on them.

The client opens the port of the pseudo-terminal by its path and sets a speed as on any port; the simulator
reads that speed back, so that a wrong one costs the client its answer, as it would on copper.

A pseudo-terminal knows no parity, and the C library reports an error to a client that asks for one, unless
the same call changes something else. So a flag that means nothing on a raw line (ECHOKE) is set again with
every request: a client's next opening clears it, which is change enough.
"""

from __future__ import annotations

import fcntl
import os
import struct
import sys
import termios
import tty
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from hilseq_sim.servers.connections import WireFile
from hilseq_sim.servers.session import Session
from hilseq_sim.views import PortView

#: Speed constants of termios (B9600) and the speed in Bd they stand for.
_SPEEDS = {
    getattr(termios, name): int(name[1:]) for name in dir(termios) if name[0] == "B" and name[1:].isdigit()
}
#: Linux: `struct termios2` holds the speed as a number, whatever it is. Four flag words, line discipline, 19
#: control characters, input and output speed.
_TCGETS2 = 0x802C542A
_TERMIOS2 = struct.Struct("4IB19B2I")


@dataclass(frozen=True, slots=True)
class PseudoTerminal:
    """A serial port that exists only in this computer. `path` is what a client opens."""

    path: str
    wire: WireFile
    speed: Callable[[], int]


def pseudo_terminal() -> PseudoTerminal:
    """Open a pseudo-terminal in raw mode; the client's end stays open, so that clients may come and go."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    _rearm(theirs, termios.tcgetattr(theirs))
    os.set_blocking(ours, False)

    def close() -> None:
        os.close(ours)
        os.close(theirs)

    wire = WireFile(ours, partial(os.read, ours), partial(os.write, ours), close)
    return PseudoTerminal(os.ttyname(theirs), wire, partial(speed_of, theirs))


def speed_of(file: int) -> int:
    """Return the speed in Bd to which a terminal is set, and make it ready for its next opening."""
    attributes = termios.tcgetattr(file)
    speed = attributes[4]
    _rearm(file, attributes)
    if speed in _SPEEDS:
        return _SPEEDS[speed]
    if not sys.platform.startswith("linux"):
        return int(speed)
    buffer = bytearray(_TERMIOS2.size)
    fcntl.ioctl(file, _TCGETS2, buffer)
    return int(_TERMIOS2.unpack(buffer)[-1])


def _rearm(file: int, attributes: list[Any]) -> None:
    if not attributes[3] & termios.ECHOKE:
        attributes[3] |= termios.ECHOKE
        termios.tcsetattr(file, termios.TCSANOW, attributes)


class PortSession(Session):
    """An echo port of a unit: bytes go to it as they come, whatever it makes of them."""

    def __init__(self, port: PortView, endpoint: str, speed: Callable[[], int]) -> None:
        self.endpoint = endpoint
        self._port = port
        self._speed = speed

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return the bytes: only the unit knows where a request ends."""
        return (data,)

    def answer(self, request: bytes) -> bytes:
        """Let the unit have the bytes."""
        return self._port.receive(request, self._speed())


def at_speed(speed: Callable[[], int], expected: int) -> Callable[[bytes], bytes]:
    """Return a line of a given speed: set to another one, nothing can be understood."""
    return lambda data: data if speed() == expected else b""


def to_unit(port: PortView, speed: Callable[[], int]) -> Callable[[bytes], bytes]:
    """Return the line to a unit's port, which may spoil or swallow what passes."""
    return lambda data: port.corrupt(data, speed())
