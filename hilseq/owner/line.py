"""What can be reached at one address, and who waits for it: one message at a time, everybody in turn.

A thread of its own waits for messages, so that nothing is handed from thread to thread. Snapshots that wait at the
same moment are one read, where that takes no more exchanges than each alone.
"""

from __future__ import annotations

import pickle
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Protocol

from hilseq.errors import HilseqError
from hilseq.owner.wire import MessageSocket, Reply, Request, messages_of


class Member(Protocol):
    """Whoever has a connection to an instrument."""

    def check(self, request: Request) -> None:
        """Raise what keeps it from asking this."""
        ...


@dataclass(eq=False, slots=True)
class Client:
    """One connection to one part; without a member it is the owner's own, and comes first."""

    wire: MessageSocket
    part: str
    member: Member | None


class Line:
    """The parts at one address. `exchanges`: messages carried out; `spared`: those answered by another's read."""

    def __init__(self, address: str, devices: Mapping[str, Any]) -> None:
        self.address = address
        self.devices = dict(devices)
        self.exchanges = 0
        self.spared = 0
        #: Time in which it was spoken to, s.
        self.busy = 0.0
        self.begun = time.monotonic()
        self._together: dict[str, tuple[str, ...]] = {}
        self._selector = selectors.DefaultSelector()
        self._new: deque[Client | None] = deque()
        self._bell, bell = socket.socketpair()
        bell.setblocking(False)
        self._selector.register(bell, selectors.EVENT_READ, None)
        self._heard = bell
        self._turn = 0
        self._thread = threading.Thread(target=self._run, name=f"hilseq-line {address}", daemon=True)
        self._thread.start()

    # -- from other threads

    def adopt(self, wire: MessageSocket, part: str, member: Member | None) -> None:
        """Listen to one more connection."""
        self._ring(Client(wire, part, member))

    def connect(self, part: str) -> MessageSocket:
        """Return a connection for the owner itself."""
        ours, theirs = socket.socketpair()
        self.adopt(MessageSocket(theirs), part, None)
        return MessageSocket(ours)

    def close(self) -> None:
        """Close the instruments when what is under way is done."""
        self._ring(None)
        self._thread.join(5.0)

    def _ring(self, client: Client | None) -> None:
        self._new.append(client)
        with suppress(OSError):
            self._bell.send(b".")

    # -- in its own thread

    def _run(self) -> None:
        while True:
            ready: list[Client | None] = [key.data for key, _ in self._selector.select()]
            known = [client for client in ready if client is not None]
            if len(known) < len(ready):
                new = self._let_in()
                if new is None:
                    break
                known += new
            self._serve(known)
        for device in self.devices.values():
            with suppress(HilseqError, OSError):
                device.close()
        for key in list(self._selector.get_map().values()):
            (self._heard if key.data is None else key.data.wire).close()
        self._selector.close()
        self._bell.close()

    def _let_in(self) -> list[Client] | None:
        """Take in who is new, and may have spoken already; None when it is time to close."""
        with suppress(BlockingIOError):
            self._heard.recv(4096)
        new = []
        while self._new:
            client = self._new.popleft()
            if client is None:
                return None
            self._selector.register(client.wire, selectors.EVENT_READ, client)
            new.append(client)
        return new

    def _serve(self, ready: list[Client]) -> None:
        """Carry out what has come from each, its own first, then the others in turn."""
        waiting = [(client, request) for client in ready for request in self._said(client)]
        if len(waiting) == 1:
            self._tell(waiting[0][0], self._carried_out(*waiting[0]))
            return
        self._turn += 1
        turn = self._turn % len(ready) if ready else 0
        order = {id(client): number for number, client in enumerate(ready[turn:] + ready[:turn])}
        waiting.sort(key=lambda one: (one[0].member is not None, order[id(one[0])]))
        shared = self._shared(waiting)
        for client, request in waiting:
            self._tell(client, shared.get(id(request)) or self._carried_out(client, request))
            self._serve_own()

    def _serve_own(self) -> None:
        """Carry out what the owner itself wants meanwhile: to switch off waits for nobody's turn."""
        ready = [key.data for key, _ in self._selector.select(0) if key.data is not None]
        for client in (client for client in ready if client.member is None):
            for request in self._said(client):
                self._tell(client, self._carried_out(client, request))

    def _said(self, client: Client) -> list[Request]:
        try:
            return client.wire.arrived()
        except OSError:
            self._drop(client)
        return []

    def _drop(self, client: Client) -> None:
        with suppress(KeyError, ValueError):
            self._selector.unregister(client.wire)
        client.wire.close()

    def _tell(self, client: Client, answer: Reply) -> None:
        try:
            client.wire.send(answer)
        except OSError:
            self._drop(client)
        except (pickle.PicklingError, TypeError, AttributeError):
            number, value, error = answer
            self._tell(client, (number, None, RuntimeError(repr(error or value))))

    def _carried_out(self, client: Client, request: Request) -> Reply:
        begun = time.monotonic()
        try:
            if client.member is not None:
                client.member.check(request)
            value = self._asked(client.part, request)
        except Exception as error:  # noqa: BLE001 - whatever a driver raises is its client's
            return request[0], None, error
        finally:
            self.exchanges += 1
            self.busy += time.monotonic() - begun
        return request[0], value, None

    def _asked(self, part: str, request: Request) -> Any:
        _, name, arguments, named = request
        if name not in messages_of(part):
            raise AttributeError(name)
        value = getattr(self.devices[part], name)
        return value(*arguments, **named) if callable(value) else value

    def _shared(self, waiting: list[tuple[Client, Request]]) -> dict[int, Reply]:
        """Return by request what one read for all who want a snapshot of the same part has found."""
        wanted: dict[str, list[tuple[Client, Request]]] = {}
        for client, request in waiting:
            _, name, arguments, _ = request
            if name == "snapshot" and arguments[0] is not None:
                wanted.setdefault(client.part, []).append((client, request))
        found: dict[int, Reply] = {}
        for part, asked in wanted.items():
            if len(asked) > 1:
                found |= self._one_read(part, asked)
        return found

    def _one_read(self, part: str, asked: list[tuple[Client, Request]]) -> dict[int, Reply]:
        device = self.devices[part]
        each = {id(request): (request[0], tuple(request[2][0])) for _, request in asked}
        try:
            for client, request in asked:
                if client.member is not None:
                    client.member.check(request)
            names = self._names_together(part, [names for _, names in each.values()])
            if names is None:
                return {}
            begun = time.monotonic()
            values = device.snapshot(names)
        except Exception:  # noqa: BLE001 - each is then reported its own truth
            return {}
        self.exchanges += 1
        self.spared += len(asked) - 1
        self.busy += time.monotonic() - begun
        return {
            key: (number, {name: values[name] for name in names}, None)
            for key, (number, names) in each.items()
        }

    def _names_together(self, part: str, asked: list[tuple[str, ...]]) -> tuple[str, ...] | None:
        """Return what to read for all of them; None where that takes more exchanges than each alone.

        The same names again and again, so that there is one plan for those who sample together.
        """
        device, now = self.devices[part], tuple(dict.fromkeys(name for names in asked for name in names))
        apart = sum(device.reader(names).exchanges for names in asked)
        for names in (tuple(dict.fromkeys(self._together.get(part, ()) + now)), now):
            if device.reader(names).exchanges <= apart:
                self._together[part] = names
                return names
        return None
