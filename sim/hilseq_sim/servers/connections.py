"""Connections and listeners: bytes moved, and trouble applied to them.

Trouble (`hilseq_sim.views.Trouble`) is the same for every protocol: it happens between the request and the
answer, so it is applied here and no protocol knows about it.
"""

from __future__ import annotations

import contextlib
import socket
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from random import Random

from hilseq_sim.servers.loop import Callback, Loop
from hilseq_sim.servers.session import MalformedStreamError, Session
from hilseq_sim.views import Trouble, WorldView

#: Questions from the beginning of one busy time to that of the next; those asked while it is busy do not count.
BUSY_EVERY = 50
#: Questions before the first: the shortest visits must meet it too.
BUSY_FIRST = 5


class BusySchedule:
    """Devices by endpoint: how often they were asked, and until when they are busy, s of wall time."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._asked: dict[str, int] = {}
        self._until: dict[str, float] = {}

    def busy(self, endpoint: str, seconds: float) -> bool:
        """Return whether it is busy now that it is asked; it is then busy for `seconds`."""
        now = self._clock()
        if now < self._until.get(endpoint, now):
            return True
        asked = self._asked[endpoint] = self._asked.get(endpoint, 0) + 1
        if asked % BUSY_EVERY != BUSY_FIRST:
            return False
        self._until[endpoint] = now + seconds
        return True


CHUNK = 65536
#: Unsent bytes above which a client that asks without reading has to wait, or loses its answers.
BACKLOG = 65536
#: In wall mode, how often listeners look whether they must refuse.
LOOK_EVERY = 0.2
HEALTHY = Trouble()


class ServedWorld:
    """What all servers of one world share: the world, its clock, the loop, the state of every connection."""

    def __init__(
        self,
        world: WorldView,
        loop: Loop,
        *,
        wall: bool = False,
        seed: int = 0,
        answers: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        self.world = world
        self.loop = loop
        self._seed = seed
        self._chances: dict[str, Random] = {}
        self._answers = {
            endpoint: (*times, Random(f"{seed}/answers/{endpoint}"))
            for endpoint, times in (answers or {}).items()
        }
        self.wall = wall
        self.busy_schedule = BusySchedule()
        self._listeners: list[Listener] = []
        self._connections: set[Connection] = set()
        self._joint: dict[str, tuple[str, ...]] = {}
        self._healthy = HEALTHY
        self._last = time.monotonic()
        if wall:
            loop.after(LOOK_EVERY, self._look)

    def chance(self, endpoint: str) -> Random:
        """Return the chance that an endpoint's troubles are drawn by: no other's draws change them."""
        if endpoint not in self._chances:
            self._chances[endpoint] = Random(f"{self._seed}/trouble/{endpoint}")
        return self._chances[endpoint]

    def catch_up(self) -> None:
        """In wall mode, let the world live through the real time that passed."""
        if self.wall:
            now = time.monotonic()
            self.world.advance(now - self._last)
            self._last = now

    @property
    def takes_time(self) -> bool:
        """Return whether answers take their time."""
        return bool(self._answers)

    def answer_time(self, endpoint: str) -> float:
        """Return how long the next answer of an endpoint takes, s, drawn evenly in its logarithm."""
        if endpoint not in self._answers:
            return 0.0
        low, high, chance = self._answers[endpoint]
        return float(low * (high / low) ** chance.random()) if low > 0.0 else chance.uniform(low, high)

    def advance(self, seconds: float) -> None:
        """Advance the world, and let listeners follow the outcome of their connections."""
        self.world.advance(seconds)
        self.refresh()

    def advance_to(self, instant: float) -> None:
        """Advance the world until an instant, as `advance`."""
        self.world.advance_to(instant)
        self.refresh()

    def refresh(self) -> None:
        """Open and close listeners as the world's trouble says."""
        for listener in self._listeners:
            refused = any(self.world.trouble(name).refused for name in listener.names)
            if refused and not listener.refused:
                listener.refuse()
            elif listener.refused and not refused:
                listener.open()

    def trouble(self, endpoint: str) -> Trouble | None:
        """Return the trouble of an endpoint, or None when it is healthy."""
        if not endpoint:
            return None
        trouble = self.world.trouble(endpoint)
        if endpoint in self._joint:
            troubles = [self.world.trouble(name) for name in self._joint[endpoint]]
            trouble = next((found for found in troubles if found != HEALTHY), HEALTHY)
        if trouble is self._healthy:
            return None
        if trouble == HEALTHY:
            self._healthy = trouble  # the world most likely hands out the same object again
            return None
        return trouble

    def join(self, endpoints: Sequence[str]) -> None:
        """Let endpoints that share one instrument share their troubles; the first stands for all."""
        self._joint[endpoints[0]] = tuple(endpoints)

    def add(self, listener: Listener) -> None:
        """Let a listener follow the world's trouble."""
        self._listeners.append(listener)

    def close(self) -> None:
        """Close every listener and every connection."""
        for listener in self._listeners:
            listener.close()
        for connection in tuple(self._connections):
            connection.close()

    def joined(self, connection: Connection) -> None:
        """Take note of a connection."""
        self._connections.add(connection)

    def left(self, connection: Connection) -> None:
        """Take note that a connection is gone."""
        self._connections.discard(connection)

    def _look(self) -> None:
        self.catch_up()
        self.refresh()
        self.loop.after(LOOK_EVERY, self._look)


@dataclass(frozen=True, slots=True)
class WireFile:
    """The file under a connection: a socket or a pseudo-terminal."""

    file: int
    read: Callable[[int], bytes]
    write: Callable[[bytes], int]
    close: Callback


class Connection:
    """One client on one wire."""

    def __init__(
        self, stage: ServedWorld, wire: WireFile, session: Session, on_closed: Callback = lambda: None
    ) -> None:
        self._stage = stage
        self._wire = wire
        self._read = wire.read
        self._session = session
        session.say = self._send
        self._on_closed = on_closed
        self._unsent: deque[bytes] = deque()
        self._unsent_size = 0
        self._late: deque[tuple[float, bytes]] = deque()
        self._copies: deque[bytes] = deque()  # answers that will come once more
        self._closed = False
        self._ending = False
        trouble = stage.trouble(session.endpoint)
        self._never_answered = trouble is not None and trouble.half_open
        stage.loop.watch(wire.file, self._readable, after_others=session.moves_time)
        stage.joined(self)
        greeting = session.greeting()
        if greeting and trouble is None:
            self._send(greeting)

    def close(self) -> None:
        """Close the wire; unsent answers are lost."""
        if not self._closed:
            self._closed = True
            self._stage.loop.forget(self._wire.file)
            self._wire.close()
            self._stage.left(self)
            self._on_closed()
            self._session.gone()

    def _readable(self) -> None:
        if self._closed:
            return
        try:
            data = self._read(CHUNK)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            self.close()
            return
        if not data:
            self._end()
            return
        if self._stage.wall:
            self._stage.catch_up()
        session = self._session
        try:
            requests = session.requests(data)
        except MalformedStreamError:
            self.close()
            return
        if len(requests) == 1:
            self._serve(requests[0])
            return
        for request in requests:
            if not self._closed:
                self._serve(request)

    def _serve(self, request: bytes) -> None:
        session = self._session
        trouble = self._stage.trouble(session.endpoint_of(request))
        if trouble is not None:
            self._serve_troubled(request, trouble)
            return
        if self._unsent_size > BACKLOG and session.drops_unread:
            self._drop_unsent()
            session.interrupted()
        stage = self._stage
        takes = stage.answer_time(session.endpoint_of(request)) if stage.takes_time else 0.0
        if takes and not stage.wall:
            stage.advance(0.5 * takes)  # it acts half way between question and answer
            answer = session.answer(request)
            stage.advance(0.5 * takes)
            takes = 0.0
        else:
            answer = session.answer(request)
        if answer:
            if takes or self._late:
                self._send_late(answer, takes)
            else:
                self._send(answer)

    def _serve_troubled(self, request: bytes, trouble: Trouble) -> None:
        if trouble.half_open and not self._never_answered:
            self.close()
            return
        if trouble.silent or trouble.half_open or trouble.refused:
            return
        answer = self._refused_as_busy(request, trouble) or self._session.answer(request)
        chance = self._stage.chance(self._session.endpoint_of(request))
        if not answer or _happens(chance, trouble.loses):
            return
        if trouble.wrong_transaction or _happens(chance, trouble.misnumbers):
            answer = self._session.with_wrong_transaction(answer)
        if trouble.garbage:
            answer = self._session.garbled(answer, chance)
        if trouble.late > 0 or self._late:
            self._send_late(answer, trouble.late)
        else:
            self._send(answer)
        if trouble.twice and not self._closed:
            self._copies.append(answer)
            if len(self._copies) > trouble.twice_behind:
                self._send(self._copies.popleft())
        if trouble.closes and not self._closed:
            self._end()

    def _refused_as_busy(self, request: bytes, trouble: Trouble) -> bytes:
        endpoint = self._session.endpoint_of(request)
        if trouble.busy and self._stage.busy_schedule.busy(endpoint, trouble.busy):
            return self._session.busy(request)
        return b""

    def _send_late(self, answer: bytes, seconds: float) -> None:
        due = time.monotonic() + seconds
        if self._late:
            due = max(due, self._late[-1][0])  # answers keep their order
        self._late.append((due, answer))
        self._stage.loop.after(due - time.monotonic(), self._send_due)

    def _send_due(self) -> None:
        # one timer per answer: each sends exactly the oldest one
        if not self._closed and self._late:
            self._send(self._late.popleft()[1])
            self._close_when_done()

    def _send(self, answer: bytes) -> None:
        if self._unsent:
            self._keep(answer)
            return
        try:
            sent = self._wire.write(answer)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError:
            self.close()
            return
        if sent < len(answer):
            self._keep(answer[sent:])

    def _keep(self, rest: bytes) -> None:
        self._unsent.append(rest)
        self._unsent_size += len(rest)
        self._watch()

    def _watch(self) -> None:
        # A client that asks without reading is made to wait, unless its protocol throws answers away.
        full = self._unsent_size > BACKLOG and not self._session.drops_unread
        reading = None if full or self._ending else self._readable
        writing = self._writable if self._unsent else None
        self._stage.loop.forget(self._wire.file)
        if reading or writing:
            self._stage.loop.watch(self._wire.file, reading, writing, after_others=self._session.moves_time)

    def _writable(self) -> None:
        if self._closed:
            return
        while self._unsent:
            first = self._unsent[0]
            try:
                sent = self._wire.write(first)
            except (BlockingIOError, InterruptedError):
                break
            except OSError:
                self.close()
                return
            self._unsent_size -= sent
            if sent < len(first):
                self._unsent[0] = first[sent:]
                break
            self._unsent.popleft()
        self._watch()
        self._close_when_done()

    def _drop_unsent(self) -> None:
        # The answer under way is finished, so that the client keeps in step.
        while len(self._unsent) > 1:
            self._unsent_size -= len(self._unsent.pop())

    def _end(self) -> None:
        self._session.finish()
        self._ending = True
        if self._unsent or self._late:
            self._watch()
        self._close_when_done()

    def _close_when_done(self) -> None:
        if self._ending and not self._unsent and not self._late:
            self.close()


def _happens(chance: Random, share: float) -> bool:
    return share > 0.0 and chance.random() < share


class Listener:
    """A TCP port on which clients are met, each with a session of its own."""

    def __init__(
        self,
        stage: ServedWorld,
        names: Sequence[str],
        session: Callable[[], Session],
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        single: bool = False,
        accept: float = 0.0,
    ) -> None:
        self.names = tuple(names)
        self.refused = False
        self.host = host
        self._stage = stage
        self._session = session
        self._single = single
        self._accept_time = accept
        self._clients: set[Connection] = set()
        self._socket = self._bound(port)
        self.port: int = self._socket.getsockname()[1]
        self._listen()
        stage.add(self)

    def open(self) -> None:
        """Accept clients again, on the same port."""
        self.refused = False
        self._listen()

    def refuse(self) -> None:
        """Refuse clients and drop those that are there; the port stays reserved."""
        self.refused = True
        self._stage.loop.forget(self._socket.fileno())
        self._socket.close()
        for client in tuple(self._clients):
            client.close()
        self._socket = self._bound(self.port)  # bound but not listening: a connect is refused

    def close(self) -> None:
        """Give the port back."""
        self._stage.loop.forget(self._socket.fileno())
        self._socket.close()

    def _bound(self, port: int) -> socket.socket:
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        bound = socket.socket(family, socket.SOCK_STREAM)
        bound.setblocking(False)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((self.host, port))
        except OSError as error:
            bound.close()
            words = f"cannot listen on {self.host} port {port or '(any)'}: {error.strerror}"
            raise OSError(error.errno, words) from error
        return bound

    def _listen(self) -> None:
        self._socket.listen(128)
        self._stage.loop.watch(self._socket.fileno(), self._accept)

    def _accept(self) -> None:
        try:
            client, _ = self._socket.accept()
        except OSError:  # the client is gone again already
            return
        if self._single and self._clients:
            client.close()
            return
        if not self._accept_time:
            self._serve(client)
        elif self._stage.wall:
            self._stage.loop.after(self._accept_time, partial(self._serve, client))
        else:
            self._stage.advance(self._accept_time)
            self._serve(client)

    def _serve(self, client: socket.socket) -> None:
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire = WireFile(client.fileno(), client.recv, client.send, client.close)
        connection: Connection | None = None

        def gone() -> None:
            with contextlib.suppress(KeyError):
                if connection is not None:
                    self._clients.remove(connection)

        connection = Connection(self._stage, wire, self._session(), gone)
        self._clients.add(connection)
