"""Bytes there and back: a TCP connection, a serial port, or a serial port of a VISA, under a deadline.

Knows how to open, send, wait and throw away, and the one VISA resource manager of this process. Must not know Modbus,
instruments or what the bytes mean. Instants are of time.monotonic. Raises the errors of the operating system and of
the libraries; the callers translate them, because they know what was asked.
"""

from __future__ import annotations

import os
import re
import select
import threading
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Any, Protocol

from hilseq.clock import BusyPoll
from hilseq.deadlines import DeadlineSocket
from hilseq.instruments.translate import DecodeError, Responsible

if TYPE_CHECKING:
    import pyvisa


#: Largest piece taken from the line at once.
_PIECE = 4096
#: Silence after which half a frame is surely given up by whoever waits for the rest of it, s; t3.5 is far less.
_REST = 0.25
#: Pause between two looks at a port that cannot be waited for.
_LOOK = 0.001


class Transport(Protocol):
    """What the callers need of a way to the far end.

    `resource` names it in messages; `speed` is the line speed in Bd, None where a line speed costs nothing.
    `shared` may be held around an exchange by those who share the line. `quiet_from` is the instant from
    which nothing that was asked before can still come; who gives up on an answer sets it.
    """

    resource: str
    speed: float | None
    shared: threading.RLock
    quiet_from: float
    #: Whose fault it is when the way itself is lost: a serial adapter belongs to the stand.
    of_stand: bool

    @property
    def is_open(self) -> bool:
        """Return whether it was opened and not closed since."""
        ...

    def open(self, deadline: float) -> None:
        """Open it within `deadline` seconds."""
        ...

    def close(self) -> None:
        """Close it; it may be opened again."""
        ...

    def send(self, data: bytes, until: float) -> None:
        """Send all of `data`. Raises TimeoutError at `until`."""
        ...

    def receive(self, until: float) -> bytes:
        """Return what comes next, at least one byte. Raises TimeoutError at `until`."""
        ...

    def pending(self) -> bytes:
        """Return what has come already, b"" when nothing has. Raises ConnectionError when it is closed."""
        ...


class TcpTransport:
    """A TCP connection. Unless `of_stand`, a refusal is the far end's fault."""

    def __init__(self, endpoint: str, *, of_stand: bool = False) -> None:
        self.resource = endpoint
        self.speed: float | None = None
        self.shared = threading.RLock()
        self.quiet_from = 0.0
        self.of_stand = of_stand
        self._socket: DeadlineSocket | None = None

    @property
    def is_open(self) -> bool:
        """Return whether it is open."""
        return self._socket is not None

    def open(self, deadline: float) -> None:
        """Open it within `deadline` seconds."""
        self._socket = DeadlineSocket.connect(self.resource, deadline)

    def close(self) -> None:
        """Close it; it may be opened again."""
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()

    def _connected(self) -> DeadlineSocket:
        if self._socket is None:
            raise ConnectionResetError("the connection is closed")
        return self._socket

    def send(self, data: bytes, until: float) -> None:
        """Send all of `data`."""
        self._connected().send_all(data, until)

    def receive(self, until: float) -> bytes:
        """Return what comes next."""
        return self._connected().receive(_PIECE, until)

    def pending(self) -> bytes:
        """Return what has come already."""
        return self._connected().pending(_PIECE)


class SerialTransport:
    """A serial port of this computer through pyserial. `frame` such as 8E1: data bits, parity, stop bits."""

    def __init__(self, path: str, speed: int, frame: str) -> None:
        self.resource = path
        self.speed: float | None = float(speed)
        self.shared = threading.RLock()
        self.quiet_from = 0.0
        self.of_stand = True
        self._awake = BusyPoll()
        self._frame = frame
        self._port: Any = None

    @property
    def is_open(self) -> bool:
        """Return whether it is open."""
        return self._port is not None

    def open(self, deadline: float) -> None:
        """Open it within `deadline` seconds."""
        import serial

        bits, parity, stop = line_frame(self.resource, self._frame)
        port = serial.serial_for_url(
            self.resource,
            baudrate=round(self.speed or 0),
            bytesize=bits,
            parity=parity,
            stopbits=stop,
            timeout=0,  # every wait is a select with a time-out
            write_timeout=deadline,
            exclusive=True
            if hasattr(select, "poll")
            else None,  # two users of one line answer for each other
        )
        self._port = port

    def close(self) -> None:
        """Close it; it may be opened again."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError):
                port.close()

    def _opened(self) -> Any:
        if self._port is None:
            raise ConnectionResetError("the port is closed")
        return self._port

    def send(self, data: bytes, until: float) -> None:  # noqa: ARG002 - the port's own limit holds
        """Send all of `data`."""
        self._opened().write(data)

    def receive(self, until: float) -> bytes:
        """Return what comes next."""
        port = self._opened()
        while True:
            remaining = max(0.0, until - time.monotonic())
            if hasattr(port, "fileno"):
                file = port.fileno()
                ready = self._awake.sees(file) or bool(select.select([file], [], [], remaining)[0])
            else:  # Windows has no select for ports
                ready = port.in_waiting > 0
                time.sleep(0 if ready else min(_LOOK, remaining))
            data: bytes = port.read(_PIECE) if ready else b""
            if data:
                return data
            if time.monotonic() >= until:
                raise TimeoutError("nothing came before the deadline")

    def pending(self) -> bytes:
        """Return what has come already."""
        data: bytes = self._opened().read(_PIECE)
        return data


class VisaTransport:
    """A serial port by its VISA name, such as ASRL3::INSTR, through whatever VISA is in use."""

    def __init__(self, resource: str, speed: int, frame: str) -> None:
        self.resource = resource
        self.speed: float | None = float(speed)
        self.shared = threading.RLock()
        self.quiet_from = 0.0
        self.of_stand = True
        self._frame = frame
        self._visa: Any = None
        self._open_things = ExitStack()

    @property
    def is_open(self) -> bool:
        """Return whether it is open."""
        return self._visa is not None

    def open(self, deadline: float) -> None:
        """Open it within `deadline` seconds."""
        from pyvisa import constants
        from pyvisa.resources import SerialInstrument

        resource: Any = resource_manager().open_resource(
            self.resource, open_timeout=max(1, round(deadline * 1000))
        )
        if not isinstance(resource, SerialInstrument):
            resource.close()
            raise NotImplementedError("this kind of resource is no serial port")
        things = ExitStack()
        things.callback(resource.close)
        with things:
            set_line(resource, round(self.speed or 0), self._frame)
            resource.timeout = deadline * 1000
            resource.read_termination = None
            resource.end_input = constants.SerialTermination.none
            # The status says so when all that was asked for came, which is what is always asked for here.
            things.enter_context(resource.ignore_warning(constants.StatusCode.success_max_count_read))
            self._open_things = things.pop_all()
        self._visa = resource

    def close(self) -> None:
        """Close it; it may be opened again."""
        self._visa = None
        with suppress(Exception):
            self._open_things.close()

    def _opened(self) -> Any:
        if self._visa is None:
            raise ConnectionResetError("the port is closed")
        return self._visa

    def send(self, data: bytes, until: float) -> None:  # noqa: ARG002 - the port's own limit holds
        """Send all of `data`."""
        self._opened().write_raw(data)

    def receive(self, until: float) -> bytes:
        """Return what comes next."""
        while not (data := self.pending()):
            if time.monotonic() >= until:
                raise TimeoutError("nothing came before the deadline")
            time.sleep(_LOOK)
        return data

    def pending(self) -> bytes:
        """Return what has come already."""
        resource = self._opened()
        # Only what is there already is asked for: what a read that times out has taken is lost with it.
        waiting = resource.bytes_in_buffer
        if not waiting:
            return b""
        data, _ = resource.visalib.read(resource.session, min(waiting, _PIECE))
        return bytes(data)


_VISA_SERIAL = re.compile(r"ASRL.*::INSTR", re.IGNORECASE)
_ENDPOINT = re.compile(r"(\[[0-9A-Fa-f:]+\]|[A-Za-z0-9.-]+):(\d{1,5})")


def serial_transport(resource: str, speed: int, frame: str) -> Transport:
    """Return the way to a serial line: a VISA resource ASRL...::INSTR, HOST:PORT, or a port of this computer.

    HOST:PORT is a serial device server in raw TCP mode; speed and frame are set at the server, not by us.
    """
    if _VISA_SERIAL.fullmatch(resource):
        return VisaTransport(resource, speed, frame)
    if _ENDPOINT.fullmatch(resource):
        server = TcpTransport(resource, of_stand=True)
        server.speed = float(speed)
        return server
    return SerialTransport(resource, speed, frame)


def drain_input(transport: Transport, *, most: float, reopened_within: float) -> bytes:
    """Throw away what comes until nothing that was asked before can still come; return its beginning.

    `most` bounds the wait in seconds, whatever `quiet_from` says. A connection that was dropped, as serial device
    servers do with idle ones, is opened once more within `reopened_within` seconds: nobody has asked over it, and
    what is late on the line behind it may still come over the new one. Raises DecodeError when it is never quiet.
    """
    limit = time.monotonic() + most
    until = min(transport.quiet_from, limit)
    thrown, dropped = b"", False
    while True:
        data = b""
        try:
            data = transport.pending()
            if not data:
                if time.monotonic() >= until:
                    return thrown
                with suppress(TimeoutError):
                    data = transport.receive(until)
        except ConnectionError:
            if dropped:
                raise
            dropped = True
            transport.close()
            transport.open(reopened_within)
        thrown = (thrown + data)[:_PIECE]
        if data and time.monotonic() > limit:
            raise DecodeError("bytes come without end, although nothing was asked")


def let_line_rest() -> None:
    """Say nothing for so long, by the wall clock, that half a frame is given up by whoever waits for the rest."""
    time.sleep(_REST)


def path_responsible(transport: Transport, responsible: Responsible) -> Responsible:
    """Return whose fault a lost connection is."""
    return "stand" if transport.of_stand else responsible


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


def line_has(resource: str, frame: str) -> bool | None:
    """Return whether a serial line has the frame that it is asked for; None where a device server sets it.

    A pseudo-terminal has no parity, and eight bits always.
    """
    if _ENDPOINT.fullmatch(resource):
        return None
    port = re.sub(r"^ASRL|::INSTR$", "", resource)
    return "".join(map(str, line_frame(port, frame))) == frame


def set_line(resource: Any, speed: int, frame: str) -> None:
    """Set speed (Bd) and frame (such as 8E1) of a serial resource."""
    from pyvisa.constants import Parity, StopBits

    port = re.sub(r"^ASRL|::INSTR$", "", resource.resource_name)
    bits, parity, stop = line_frame(port, frame)
    resource.baud_rate = speed
    resource.data_bits = bits
    resource.parity = {"E": Parity.even, "O": Parity.odd, "N": Parity.none}[parity]
    resource.stop_bits = {1: StopBits.one, 2: StopBits.two}[stop]
