"""The one VISA resource manager of this process, and how its serial ports are set.

Knows pyvisa. Must not know sessions, questions or answers.
"""

from __future__ import annotations

import os
import re
import threading
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyvisa

_managers: dict[str, pyvisa.ResourceManager] = {}
_managers_lock = threading.Lock()


def resource_manager() -> pyvisa.ResourceManager:
    """Return the one resource manager of this process.

    The environment variable HILSEQ_VISA names the backend, for example `@ivi` for an installed VISA; the
    default is `@py`. Never close it: that closes every session of the process.
    """
    import pyvisa

    backend = os.environ.get("HILSEQ_VISA", "@py") or "@py"
    with _managers_lock:
        if backend not in _managers:
            _managers[backend] = pyvisa.ResourceManager(backend)
        return _managers[backend]


def serial_instrument() -> type:
    """Return the class of VISA resources that are serial ports."""
    from pyvisa.resources import SerialInstrument

    return SerialInstrument


def line_frame(port: str, frame: str) -> tuple[int, str, int]:
    """Return data bits, parity (N, E, O) and stop bits of a frame such as 8E1, as far as the port has them.

    A pseudo-terminal carries bytes, not characters on a line: it refuses seven bits and parity.
    """
    bits, parity, stop = tuple(frame)
    if os.path.realpath(port).startswith("/dev/pts/"):
        bits, parity = "8", "N"
    return int(bits), parity, int(stop)


def set_line(resource: Any, speed: int, frame: str) -> None:
    """Set speed (Bd) and frame (such as 8E1) of a serial resource."""
    from pyvisa.constants import Parity, StopBits

    port = re.sub(r"^ASRL|::INSTR$", "", resource.resource_name)
    bits, parity, stop = line_frame(port, frame)
    resource.baud_rate = speed
    resource.data_bits = bits
    resource.parity = {"E": Parity.even, "O": Parity.odd, "N": Parity.none}[parity]
    resource.stop_bits = {1: StopBits.one, 2: StopBits.two}[stop]
