"""What all tests of the kit share: claims of a driver, what is known to fail, calls that must come to an end, wires.

A wire is the way between a driver and its server, on which a test can disturb what comes back.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, ClassVar, Protocol, Self, TypeVar

import pytest

from hilseq.errors import StandFault

R = TypeVar("R")
#: A call must have come to its end after so many deadlines, and some seconds for a busy computer.
_DEADLINES, _SECONDS = 20, 20.0
#: An instrument's late answer comes after so many deadlines: its driver may wait one more for what answered before.
LATE = 2.5


@dataclass(frozen=True)
class Capabilities:
    """What a driver claims; each claim has tests, and nothing is claimed by default.

    A later version of the kit adds claims, never a test without one.
    """

    #: An answer that comes after its deadline may still arrive, and is distinguished from that to the next question.
    tells_late_answers: bool = False
    #: An answer whose bits were turned on the way is refused, or not recognized as one.
    refuses_garbled_answers: bool = False
    #: A connection that was lost is opened again by the next call or the one after it.
    reconnects: bool = False
    #: `SupplyOutput.programmed` answers for voltage and current limit.
    reads_settings_back: bool = False
    #: `SupplyOutput.is_on` answers.
    tells_whether_on: bool = False
    #: Supplies: `addresses` of its entry in the stand file returns an address, by which it is held for one user.
    has_an_address: bool = False
    #: It can say what it is: `identify` (of a link: `identification`) returns something.
    identifies: bool = False
    #: Channels, links: there are values that can be written.
    writes: bool = False
    #: Channels: a device that has forgotten what was written to it is found out by `forgotten`.
    notices_forgetting: bool = False


def claimed(name: str) -> Callable[[Callable[..., R]], Callable[..., R]]:
    """Mark a test that is for drivers with a claim of this name only."""
    if name not in Capabilities.__dataclass_fields__:
        raise ValueError(f"no claim {name!r}")

    def mark(test: Callable[..., R]) -> Callable[..., R]:
        test.claim = name  # type: ignore[attr-defined]
        return test

    return mark


class DriverTests:
    """Base of all classes of the kit."""

    #: What the driver claims.
    capabilities: ClassVar[Capabilities] = Capabilities()
    #: Name of a test -> why it fails. Strict: a test that passes after all fails the suite.
    expected_failures: ClassVar[Mapping[str, str]] = {}

    @pytest.fixture(autouse=True)
    def _only_what_is_claimed(self, request: pytest.FixtureRequest) -> None:
        test: Any = request.function
        claim = getattr(test, "claim", None)
        if claim is not None and not getattr(self.capabilities, claim):
            pytest.skip(f"not claimed: {claim}")
        why = self.expected_failures.get(test.__name__)
        if why is not None:
            request.applymarker(pytest.mark.xfail(reason=why, strict=True))


def ends(call: Callable[[], R], deadline: float) -> R:
    """Return what a call returns or raises; fail when it hangs. `deadline` in s is that of one exchange."""
    found: list[R] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            found.append(call())
        except BaseException as error:  # noqa: BLE001 - it is raised by the caller
            errors.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(_DEADLINES * deadline + _SECONDS)
    assert not thread.is_alive(), f"the call hangs; the deadline of an exchange is {deadline:g} s"
    if errors:
        raise errors[0]
    return found[0]


def fault_of_stand(call: Callable[[], object], deadline: float, name: str) -> StandFault:
    """Return the StandFault that a call must raise, in time and naming the instrument."""
    with pytest.raises(StandFault) as caught:
        ends(call, deadline)
    assert name in str(caught.value), f"the message does not name {name!r}: {caught.value}"
    return caught.value


#: Largest piece passed on at once.
_PIECE = 65536
#: Longest wait for a thread that is asked to end, s.
_JOIN = 5.0


class Wire(Protocol):
    """What a test does to the way to an instrument. `heal` ends all of it; a fresh wire is sound."""

    def mute(self) -> None:
        """From now on nothing comes back; what is sent still arrives."""
        ...

    def delay(self, seconds: float) -> None:
        """From now on what comes back comes later by so many seconds."""
        ...

    def garble(self) -> None:
        """From now on what comes back is as long as ever, and makes no sense."""
        ...

    def cut(self) -> None:
        """End every connection there is, as a switch that loses its mains; new ones are accepted."""
        ...

    def heal(self) -> None:
        """Be sound again."""
        ...


class TcpWire:
    """A TCP port of loopback that passes on to another, both ways; a real connection at either end.

    `address` is where the driver connects to. Use it in a `with`, or close it.
    """

    def __init__(self, host: str, port: int) -> None:
        self._target = (host, port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host: str = "127.0.0.1"
        self.port: int = self._listener.getsockname()[1]
        self._spoil: Callable[[bytes], bytes] = bytes
        self._delay = 0.0
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._start(self._accept)

    @property
    def address(self) -> str:
        """HOST:PORT of this end."""
        return f"{self.host}:{self.port}"

    def mute(self) -> None:
        """Drop what comes back."""
        self._spoil = lambda _: b""

    def delay(self, seconds: float) -> None:
        """Hold back what comes back."""
        self._delay = seconds

    def garble(self) -> None:
        """Turn every bit of what comes back, but leave the ends of lines."""
        self._spoil = lambda data: bytes(octet if octet in b"\r\n" else octet ^ 0xFF for octet in data)

    def cut(self) -> None:
        """End every connection."""
        ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def heal(self) -> None:
        """Pass everything on again."""
        self._spoil, self._delay = bytes, 0.0

    def close(self) -> None:
        """End everything, and wait for it."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()
        for thread in self._threads:
            thread.join(_JOIN)

    def _start(self, run: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=run, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(self._target, timeout=_JOIN)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._ends += [near, far]
            self._start(self._forth, near, far)
            self._start(self._back, far, near)

    @staticmethod
    def _forth(near: socket.socket, far: socket.socket) -> None:
        with suppress(OSError):
            while data := near.recv(_PIECE):
                far.sendall(data)
        with suppress(OSError):
            far.shutdown(socket.SHUT_RDWR)

    def _back(self, far: socket.socket, near: socket.socket) -> None:
        with suppress(OSError):
            while data := far.recv(_PIECE):
                time.sleep(self._delay)
                near.sendall(self._spoil(data))
        with suppress(OSError):
            near.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> Self:
        """Return it; it listens already."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()
