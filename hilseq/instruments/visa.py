"""Text questions and answers over any VISA resource, each under a hard deadline.

Knows pyvisa and the traps of its Python backend. Must not know SCPI, supplies or what an answer means.

The traps, measured with PyVISA 1.16 and PyVISA-py 0.8 (each has a test against a server that misbehaves):

- Nagle's algorithm holds a question back for 40 ms behind a command that has no answer: TCP_NODELAY is set.
- A peer that closes is not noticed and the read spins until its time-out; a peer that sends an endless
  answer in small pieces is never timed out; a peer that stops reading blocks the write for ever. The
  session's socket is wrapped, so that each of them raises.
- A refused port opens without complaint: the socket is asked for its error after opening.
- After a time-out the late answer would be taken for the next question's: the session is opened anew before
  the next question. A serial line has no connection to give up: there the next question waits one more deadline,
  a command does not. What an instrument sends unasked is never taken for an answer either.
"""

from __future__ import annotations

import math
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from hilseq.deadlines import DeadlineSocket, try_until
from hilseq.description.fields import SerialLine
from hilseq.errors import StandFault
from hilseq.instruments.scpi import PLAIN, BannerEcho
from hilseq.instruments.translate import DecodeError, Exchange, Responsible, kind_of, quote, reraise
from hilseq.instruments.transport import resource_manager, serial_instrument, set_line

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

#: Pause between two attempts to open again, seconds: instruments with one connection need a moment.
_PAUSE = 0.05
#: Longest answer taken; a supply's are under 100 bytes, and 64 KiB still arrive well within a second.
LONGEST_ANSWER = 65536
#: Silence after which a greeting is over, seconds: its lines come one right behind the other.
_GREETED = 0.1
#: What may stand between two answers: the other half of an odd termination.
_PADDING = b"\r\n\0 "


def _inner_session(resource: MessageBasedResource) -> Any:
    """Return the session object of pyvisa-py, or None with another backend."""
    sessions = getattr(resource.visalib, "sessions", None)
    return sessions.get(resource.session) if isinstance(sessions, dict) else None


class WatchedSocket(DeadlineSocket):
    """A socket of a pyvisa-py session, with the ends of the world made visible.

    After `until` (time.monotonic) every call raises TimeoutError, and so does a look by select, which
    pyvisa-py repeats until its own, later, time-out. A close by the peer raises ConnectionResetError.
    """

    def __init__(self, connected: socket.socket) -> None:
        super().__init__(connected)
        self.until = math.inf

    def _in_time(self) -> None:
        if time.monotonic() > self.until:
            raise TimeoutError("the exchange did not end before the deadline")

    def fileno(self) -> int:
        """Return its number, for a select."""
        self._in_time()
        return self.wrapped.fileno()

    def settimeout(self, _: float | None) -> None:
        """Leave the waiting to us."""

    def recv(self, count: int) -> bytes:
        """Return what is there. Raises BlockingIOError too."""
        self._in_time()
        return self.received(self.wrapped.recv(count))

    def recv_into(self, buffer: memoryview, count: int) -> int:
        """Wait for bytes and return how many."""
        self._in_time()
        self.wait(self.until)
        size = self.wrapped.recv_into(buffer, count)
        if count:
            self.received(buffer[:size])
        return size

    def sendall(self, data: bytes) -> None:
        """Send everything."""
        self._in_time()
        self.send_all(data, self.until)

    def next(self) -> bytes:
        """Return what comes next, in whatever pieces it comes."""
        self._in_time()
        return self.receive(LONGEST_ANSWER, self.until)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.wrapped, name)


class VisaSession:
    """One VISA session, opened when it is first needed or by `open`.

    `deadline` is the longest wait for one exchange in seconds; `name` and `responsible` go into the errors:
    InstrumentTimeout or UnitSilent when nothing came in time or the connection is gone, InvalidResponse or
    UnitFault for an answer that is no ASCII text or does not end, StandFault for a resource that cannot be
    used. `lock` may be held around several exchanges that belong together. `chatter` is what the instrument
    sends besides its answers, `pause` the time that it needs between two messages, s.
    """

    def __init__(
        self,
        resource: str,
        *,
        name: str,
        deadline: float = 2.0,
        read_termination: str = "\n",
        write_termination: str = "\n",
        line: SerialLine | None = None,
        responsible: Responsible = "stand",
        chatter: BannerEcho = PLAIN,
        pause: float = 0.0,
    ) -> None:
        self.resource = resource
        self.name = name
        self.deadline = deadline
        self.lock = threading.RLock()
        self._terminations = (read_termination, write_termination)
        self._line = line
        self._responsible: Responsible = responsible
        self._chatter = chatter
        self._pause = pause
        #: How many answers came after their deadline, and were waited for.
        self.late = 0
        self._steady = False  # whether anything was answered over this connection
        self._rests_until = -math.inf  # instant of time.monotonic before which nothing more is sent
        self._resource: MessageBasedResource | None = None
        self._watched: WatchedSocket | None = None  # the one of a plain socket session
        self._sockets: list[WatchedSocket] = []  # all of the session
        self._inner: Any = None
        self._open_things = ExitStack()
        # True while an exchange is under way: what is interrupted leaves the session out of step.
        self._stale = False
        self._asked = ""
        self._on_a_line = False  # whether a late answer outlives the session
        self._late_until = -math.inf  # instant until which one may still come
        self._spoke = -math.inf  # instant of time.monotonic at which something was last sent, or tried

    @contextmanager
    def used_by(self, name: str) -> Iterator[None]:
        """Hold the session for exchanges of one of several outputs, whose name errors give."""
        with self.lock:
            before, self.name = self.name, name
            try:
                yield
            finally:
                self.name = before

    # -- opening and closing

    def open(self) -> None:
        """Open the session now. Raises InstrumentTimeout when nobody is there."""
        with self.lock:
            try:
                if self._resource is None:
                    self._open(self.deadline)
            except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                reraise(error, self._about("open the connection", self.deadline))

    def close(self) -> None:
        """Close the session; it may be used again and opens anew."""
        with self.lock, suppress(Exception):
            # Some sessions say goodbye to the instrument; one that did not answer is not waited for again.
            self._allow(0.0 if self._stale else self.deadline)
            self._resource, self._watched, self._inner, self._stale = None, None, None, False
            self._sockets = []
            self._open_things.close()

    def _open(self, deadline: float) -> None:
        resource: Any = resource_manager().open_resource(
            self.resource, open_timeout=max(1, math.ceil(deadline * 1000))
        )
        things = ExitStack()
        things.callback(resource.close)
        with things:
            self._set_up(resource, things)
            self._open_things = things.pop_all()
        self._resource = resource
        self._stale = self._steady = False
        if self._chatter.greeting:
            self._let_greet(deadline)

    def _let_greet(self, deadline: float) -> None:
        """Discard the greeting: as many lines as the stand file states, and whatever comes right behind them.

        All within `deadline`. Who does not greet in time is spoken to nevertheless: off must be sent.
        """
        came, until = 0, time.monotonic() + deadline
        while (left := until - time.monotonic()) > 0:
            wait = left if came < self._chatter.greeting else min(left, _GREETED)
            self._allow(wait)
            try:
                self._receive(wait)
            except Exception as error:
                kind = kind_of(error)
                if kind == "silent":
                    break
                if kind != "garbage":
                    self.close()
                    raise
            came += 1
        if self._watched is not None:
            self._inner._pending_buffer.clear()  # noqa: SLF001 - a prompt, which no end of a line follows

    def _set_up(self, resource: Any, things: ExitStack) -> None:
        from pyvisa import constants
        from pyvisa.resources import MessageBasedResource

        if not isinstance(resource, MessageBasedResource):
            raise NotImplementedError("this kind of resource does not carry messages")
        self._inner = _inner_session(resource)
        self._watched = None
        self._on_a_line = isinstance(resource, serial_instrument())
        interface = getattr(self._inner, "interface", None)
        self._sockets = []
        if isinstance(interface, socket.socket):
            trouble = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if trouble:
                raise OSError(trouble, os.strerror(trouble))
            self._watched = self._inner.interface = WatchedSocket(interface)
            self._sockets = [self._watched]
        for attribute in ("sock", "_sync", "_async"):  # VXI-11, and the two channels of HiSLIP
            plain = getattr(interface, attribute, None)
            if isinstance(plain, socket.socket):
                self._sockets.append(WatchedSocket(plain))
                setattr(interface, attribute, self._sockets[-1])
        if self._inner is None and self.resource.upper().startswith("TCPIP"):
            with suppress(Exception):  # not every VISA knows the attribute; those that do not need it not
                resource.set_visa_attribute(constants.ResourceAttribute.tcpip_nodelay, state=True)
        if self._line is not None and self._on_a_line:
            set_line(resource, self._line.speed, self._line.frame)
        if self._responsible == "stand":
            self._lock_for_others(resource)
        resource.timeout = self.deadline * 1000
        resource.read_termination, resource.write_termination = self._terminations
        # Warnings are for interactive users; the status is looked at here.
        things.enter_context(
            resource.ignore_warning(
                constants.StatusCode.success_max_count_read, constants.StatusCode.success_device_not_present
            )
        )

    def _lock_for_others(self, resource: Any) -> None:
        """Have the instrument refuse everybody else while the session is open, where it can (VXI-11, or another VISA).

        Raises StandFault where somebody else, on whatever computer, has locked it.
        """
        from pyvisa.constants import StatusCode

        self._allow(self.deadline)
        try:
            resource.lock_excl(timeout=0)
        except Exception as error:
            if getattr(error, "error_code", None) == StatusCode.error_resource_locked:
                raise StandFault(
                    f"{self.name} ({self.resource}) is locked by another program, perhaps on another computer",
                    place=self.name,
                ) from error

    def _renew(self, deadline: float) -> None:
        """Bring a session back in step: nothing that was asked before can be answered any more."""
        if self._watched is None and self._resource is not None:
            # No socket of our own: the interface's own clear, which throws queued answers away.
            self._allow(deadline)
            with suppress(Exception):
                self._resource.clear()
                self._stale = False
                return
        self.close()
        until = time.monotonic() + deadline

        def attempt() -> Exception | None:
            try:
                self._open(max(_PAUSE, until - time.monotonic()))
            except Exception as error:
                if kind_of(error) != "lost":
                    raise
                return error
            return None

        if (lost := try_until(attempt, until=until, pause=_PAUSE)) is not None:
            raise lost

    # -- exchanges

    def write(self, command: str) -> None:
        """Send a command that has no answer."""
        self._exchange(command, self.deadline, answered=False)

    def query(self, command: str, *, deadline: float | None = None) -> str:
        """Send a question and return the answer without its termination.

        `deadline` in seconds replaces the session's own for this question.
        """
        return self._exchange(command, self.deadline if deadline is None else deadline, answered=True)

    @property
    def quiet(self) -> float:
        """Real time since something was last said to the instrument, or tried, s."""
        return time.monotonic() - self._spoke

    @property
    def under_way(self) -> bool:
        """Return whether a question waits for its answer, or the last one never got any that made sense."""
        return self._stale

    def mark_desynchronized(self) -> None:
        """Start afresh before the next question: the last answer made no sense."""
        self._out_of_step()

    def _out_of_step(self) -> None:
        self._stale = True
        self._late_until = time.monotonic() + self.deadline

    # -- the two halves of a query

    def ask(self, command: str) -> None:
        """Send a question whose answer `answer` returns; nothing else may be asked in between.

        With the two halves a sampler asks several instruments before it listens to the first. A question
        whose answer is never fetched leaves the session out of step, and the next one starts it afresh.
        """
        with self.lock:
            try:
                self._make_ready(self.deadline)
                self._let_late_answers_pass(self.deadline)
                self._let_rest()
                self._stale = True
                self._allow(self.deadline)
                self._send(command)
            except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                self._out_of_step()
                reraise(error, self._about(command, self.deadline))
            self._asked = command

    def answer(self) -> str:
        """Return the answer to `ask`, without its termination, under the deadline begun there.

        Whoever listened to another instrument until that deadline had passed still gets what has come.
        """
        with self.lock:
            try:
                if self._reads_lines:
                    answer = self._received_line(whole=True)
                else:
                    self._allow(self.deadline)
                    self._take_echo(self._asked, self.deadline)
                    answer = self._receive(self.deadline)
                self._chatter.check_answer(answer, self._asked)
                self._stale = False
                self._has_spoken()
            except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                self._out_of_step()
                reraise(error, self._about(self._asked, self.deadline))
            return answer

    @property
    def _reads_lines(self) -> bool:
        """Return whether answers are read straight from the socket: in half the time of the VISA library."""
        return self._watched is not None and self._terminations[0] != "" and not self._chatter.echo

    def _received_line(self, patience: float = 0.0, *, whole: bool = False) -> str:
        """Read one line from the socket. `patience`: s for which one that is late is waited for, and counted.

        What comes behind it is no part of it; `whole` says that nothing may.
        """
        watched, end = self._watched, self._terminations[0].encode("latin-1")
        if watched is None:  # pragma: no cover - the caller has looked
            raise ConnectionResetError("the session was closed")
        data = b"" if time.monotonic() < watched.until else watched.pending(LONGEST_ANSWER)
        late = 0
        while end not in data:
            if len(data) > LONGEST_ANSWER:
                raise DecodeError(f"it does not end after {LONGEST_ANSWER} bytes")
            try:
                data += watched.next()
            except TimeoutError:
                if late or not patience:
                    raise
                late = 1
                self._allow(patience)
        self.late += late
        data, _, more = data.partition(end)
        if whole and more.strip(_PADDING):
            raise DecodeError(f"it continues after its end: '{quote(more.decode('latin-1'))}'")
        self._inner._pending_buffer += more  # noqa: SLF001 - for whoever looks next
        try:
            answer = data.rstrip(_PADDING).decode("ascii")
        except UnicodeDecodeError as error:
            raise DecodeError(f"'{quote(data.decode('latin-1'))}' is not text") from error
        self._steady = True
        return answer

    def _exchange(self, command: str, deadline: float, *, answered: bool) -> str:
        with self.lock:
            try:
                self._make_ready(deadline)
                if answered or self._chatter.echo:
                    self._let_late_answers_pass(deadline)
                self._let_rest()
                self._stale = True
                self._allow(deadline)
                self._send(command)
                self._take_echo(command, deadline)
                answer = ""
                if answered and self._reads_lines:
                    # One that has answered before is late rather than mute: what is asked twice may act twice.
                    answer = self._received_line(deadline if self._steady else 0.0)
                elif answered:
                    answer = self._receive(deadline)
                if answered:
                    self._chatter.check_answer(answer, command)
                self._stale = False
                self._has_spoken()
            except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                self._out_of_step()
                reraise(error, self._about(command, deadline))
            return answer

    def _make_ready(self, deadline: float) -> None:
        self._spoke = time.monotonic()
        if self._resource is None:
            self._open(deadline)
        elif self._stale:
            self._renew(deadline)
        elif self._watched is not None:
            try:
                came = self._watched.pending(LONGEST_ANSWER)
            except ConnectionError:
                # Closed while nobody was asking, as instruments do with idle connections: no answer is lost.
                self._renew(deadline)
                return
            kept = self._inner._pending_buffer  # noqa: SLF001 - pyvisa-py has no other way to look
            unasked = bytes(kept) + came
            kept.clear()
            if unasked.strip(_PADDING):
                self._stale = True
                raise DecodeError(f"it had sent '{quote(unasked.decode('latin-1'))}' unasked")

    def _let_late_answers_pass(self, deadline: float) -> None:
        """Wait until nothing that was asked before can still come over a serial line, and throw it away."""
        left = self._late_until - time.monotonic()
        if self._on_a_line and left > 0:
            time.sleep(left)
            self._renew(deadline)

    def _let_rest(self) -> None:
        """Leave the instrument the pause that it needs before the next message."""
        if (left := self._rests_until - time.monotonic()) > 0:
            time.sleep(left)

    def _has_spoken(self) -> None:
        if self._pause:
            self._rests_until = time.monotonic() + self._pause

    def _allow(self, seconds: float) -> None:
        """Set the deadline of what follows on every socket of the session."""
        until = time.monotonic() + seconds
        for watched in self._sockets:
            watched.until = until

    def _send(self, command: str) -> None:
        data = (command + self._terminations[1]).encode("ascii")
        if self._watched is not None:
            self._watched.sendall(data)
        elif self._resource is not None:
            self._resource.write_raw(data)

    def _take_echo(self, command: str, deadline: float) -> None:
        if self._chatter.echo:
            self._chatter.check_echo(self._receive(deadline), command)

    def _receive(self, deadline: float) -> str:
        from pyvisa.constants import StatusCode

        resource = self._resource
        if resource is None:  # pragma: no cover - _make_ready has opened it
            raise ConnectionResetError("the session was closed")
        changed = deadline != self.deadline
        if changed:
            resource.timeout = deadline * 1000
        try:
            data, status = resource.visalib.read(resource.session, LONGEST_ANSWER)
        finally:
            if changed:
                resource.timeout = self.deadline * 1000
        if status == StatusCode.success_max_count_read:
            raise DecodeError(f"it does not end after {LONGEST_ANSWER} bytes")
        try:
            return bytes(data).rstrip(_PADDING).decode("ascii")
        except UnicodeDecodeError as error:
            raise DecodeError(
                f"'{quote(bytes(data[:LONGEST_ANSWER]).decode('latin-1'))}' is not text"
            ) from error

    def _about(self, command: str, deadline: float) -> Exchange:
        place = self.name if self._responsible == "stand" else None
        return Exchange(
            self.name, self.resource, command, deadline, self._responsible, self._responsible, place
        )

    def __enter__(self) -> Self:
        """Open the session."""
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the session."""
        self.close()
