"""What one client says to one server, without the wire."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from random import Random


class MalformedStreamError(Exception):
    """The bytes cannot be brought back into step; the connection has to be closed."""


class Session(ABC):
    """The protocol state of one connection: splits a stream into requests and answers them.

    `endpoint` is the name under which the world knows the connection (`supply main`), empty for one that
    never has trouble.
    """

    endpoint: str = ""
    #: Whether answers a client does not read are thrown away once it asks on; otherwise it is made to wait.
    drops_unread: bool = False
    #: Whether a request lets time pass: all that was said before, on whatever wire, is served first.
    moves_time: bool = False
    #: Sends what is no answer to the last request, or a late one; of the connection.
    say: Callable[[bytes], None]

    @abstractmethod
    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return the requests completed by `data`; what is left waits for more.

        Raises MalformedStreamError when the stream is out of step for good.
        """

    @abstractmethod
    def answer(self, request: bytes) -> bytes:
        """Carry out one request and return the answer, empty when there is none."""

    def greeting(self) -> bytes:
        """Return what is said to a new client, before it says anything."""
        return b""

    def endpoint_of(self, request: bytes) -> str:  # noqa: ARG002 - one line may carry several devices
        """Name the endpoint a request is for."""
        return self.endpoint

    def garbled(self, answer: bytes, random: Random) -> bytes:
        """Return random bytes in place of an answer."""
        return random.randbytes(len(answer))

    def with_wrong_transaction(self, answer: bytes) -> bytes:
        """Return the answer as if it belonged to another request, where the protocol has such a thing."""
        return answer

    def busy(self, request: bytes) -> bytes:  # noqa: ARG002 - few protocols have it
        """Return how a device that is busy refuses a request; empty where the protocol has no such answer."""
        return b""

    def interrupted(self) -> None:  # noqa: B027 - most protocols do not care
        """Take note that unread answers were thrown away (only with `drops_unread`)."""

    def finish(self) -> None:  # noqa: B027 - most protocols do not care
        """Take note that the client will say no more."""

    def gone(self) -> None:  # noqa: B027 - most protocols do not care
        """Take note that the connection is closed."""


class SilentSession(Session):
    """A wire that ends nowhere: an empty slot, a port the unit does not have."""

    def requests(self, data: bytes) -> Sequence[bytes]:  # noqa: ARG002 - nobody hears it
        """Return nothing."""
        return ()

    def answer(self, request: bytes) -> bytes:  # noqa: ARG002 - nobody hears it
        """Return nothing."""
        return b""
