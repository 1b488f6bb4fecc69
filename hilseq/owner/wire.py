"""What an owner and its clients say to each other: whole messages over a Unix socket, among processes of one user.

Both ends ask the kernel for the other's user before they read anything.
"""

from __future__ import annotations

import math
import os
import pickle
import socket
import struct
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from hilseq.deadlines import DeadlineSocket
from hilseq.description.stand import Stand
from hilseq.instruments.protocols import Channels, SupplyOutput
from hilseq.lease.holder import Holder
from hilseq.lease.process import Process

#: Length of a message, before it.
_LENGTH = struct.Struct("!I")
#: Longest message, bytes: a description of a stand has some hundred thousand.
_LONGEST = 1 << 26
_PIECE = 1 << 16
_CREDENTIALS = struct.Struct("3i")
#: Longest path of a Unix socket (unix(7): 108 bytes with the end).
_LONGEST_PATH = 107

#: What may be asked of an instrument: the messages of its protocol.
MESSAGES: dict[str, frozenset[str]] = {
    "supply": frozenset(name for name in dir(SupplyOutput) if not name.startswith("_")),
    "io": frozenset(name for name in dir(Channels) if not name.startswith("_")),
}


@dataclass(frozen=True, slots=True)
class Claim:
    """A visit wants some slots of a stand."""

    stand: Stand
    slots: tuple[str, ...]
    holder: Holder


@dataclass(frozen=True, slots=True)
class ClaimRefused:
    """It does not get them."""

    why: str


@dataclass(frozen=True, slots=True)
class ClaimGranted:
    """It has them: `token` opens instruments, `others` are the slots that others have, `note` what it should know."""

    token: str
    owner: Process
    others: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Dialled:
    """A client wants to speak to an instrument, over this connection from now on."""

    token: str
    part: str


#: One message to an instrument: its number, its name, positional and named arguments. A plain tuple, as a soak sends
#: a million of them, and a pickle of anything else takes five times as long.
Request: TypeAlias = tuple[int, str, tuple[Any, ...], dict[str, Any]]
#: The result: the same number, its value, or else the error that it raised.
Reply: TypeAlias = tuple[int, Any, Exception | None]


class MessageSocket:
    """Whole messages over a connected socket. Raises OSError when the connection is gone, TimeoutError too."""

    def __init__(self, connected: socket.socket) -> None:
        self.socket = connected
        self._stream = DeadlineSocket(connected)
        self._came = bytearray()

    def fileno(self) -> int:
        """Return its number, for a select."""
        return self.socket.fileno()

    def require_same_user(self) -> None:
        """Raise PermissionError, and close, where the other end is another user's, as the kernel reports it."""
        reported = self.socket.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        _, user, _ = _CREDENTIALS.unpack(reported)
        if user != os.getuid():
            self.close()
            raise PermissionError("the other end is another user's")

    def send(self, message: object, until: float = -math.inf) -> None:
        """Send a message; by default one that has to fit into the buffer at once."""
        data = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
        self._stream.send_all(_LENGTH.pack(len(data)) + data, until)

    def receive(self, until: float) -> Any:
        """Return the next message. Raises TimeoutError at `until`, an instant of time.monotonic."""
        while (size := self._size()) is None:
            self._came += self._stream.receive(_PIECE, until)
        return self._taken(size)

    def first(self) -> Any:
        """Return one message that is there already, None when none is whole; what follows it is left."""
        self._take_in()
        size = self._size()
        return None if size is None else self._taken(size)

    def arrived(self) -> list[Any]:
        """Return every message that is there already; that the other end has gone is raised when it is the last."""
        found = []
        try:
            self._take_in()
        except ConnectionError:
            if self._size() is None:
                raise
        while (size := self._size()) is not None:
            found.append(self._taken(size))
        return found

    def _take_in(self) -> None:
        while piece := self._stream.pending(_PIECE):
            self._came += piece
            if len(piece) < _PIECE:
                break

    def _taken(self, size: int) -> Any:
        data = self._came[_LENGTH.size : size]
        del self._came[:size]
        return pickle.loads(data)  # noqa: S301 - of a process of the same user, as the kernel has reported

    def _size(self) -> int | None:
        """Return the bytes of the next message with its length, None while it is not whole."""
        if len(self._came) < _LENGTH.size:
            return None
        (length,) = _LENGTH.unpack_from(self._came)
        if length > _LONGEST:
            raise ConnectionAbortedError("what came is no message of hilseq")
        size = _LENGTH.size + int(length)
        return size if len(self._came) >= size else None

    def close(self) -> None:
        """Close it for good."""
        self.socket.close()


def is_possible() -> bool:
    """Return whether this computer has what an owner needs."""
    return hasattr(socket, "SO_PEERCRED") and hasattr(socket, "AF_UNIX")


def dial(door: str, within: float) -> MessageSocket:
    """Connect to an owner. Raises OSError where nobody listens, PermissionError where it is another user's."""
    connected = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        connected.settimeout(within)
        connected.connect(door)
    except BaseException:
        connected.close()
        raise
    wire = MessageSocket(connected)
    wire.require_same_user()
    return wire


def door_folder() -> Path:
    """Return the folder of this user's sockets, for nobody else to look into. Raises OSError."""
    base = os.environ.get("XDG_RUNTIME_DIR") or f"/tmp/hilseq-{os.getuid()}"  # noqa: S108 - checked below
    folder = Path(base) / "hilseq"
    for path in (folder.parent, folder):
        path.mkdir(mode=0o700, exist_ok=True)
    found = folder.parent.lstat()
    if found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise PermissionError(f"{folder.parent} is not this user's alone")
    return folder


def listen_at(door: Path) -> socket.socket:
    """Listen there, for this user only; whoever holds the stand may take the place of an owner that has died."""
    if len(os.fsencode(door)) > _LONGEST_PATH:
        raise OSError(f"the path {door} is too long for a socket")
    door.unlink(missing_ok=True)
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listening.bind(str(door))
    door.chmod(0o600)
    listening.listen(128)
    listening.setblocking(False)
    return listening


def messages_of(part: str) -> Collection[str]:
    """Return what may be asked of a part (`supply main`, `io rack`)."""
    return MESSAGES[part.partition(" ")[0]]


@dataclass(frozen=True, slots=True)
class Touching:
    """From a client: it is about to touch the instruments of its slots, and waits for GuardWatches."""


@dataclass(frozen=True, slots=True)
class GuardWatches:
    """To a client: the process that switches the stand off when the owner dies is watching."""


@dataclass(frozen=True, slots=True)
class InterlockSeen:
    """From a client: an interlock is not safe. To the others: it was seen, and everything was switched off."""

    words: str
    place: str


@dataclass(frozen=True, slots=True)
class GoingOff:
    """From a client: it is asked to end. Its slots are switched off at once; it verifies that, and leaves."""


@dataclass(frozen=True, slots=True)
class WantAlone:
    """From a client: it wants to use something that only one visit at a time may, and waits for HaveAlone."""

    what: str


@dataclass(frozen=True, slots=True)
class HaveAlone:
    """To a client: it may, until it says DoneWith, or leaves. `free_since` is when the last one was done with it."""

    what: str
    free_since: float


@dataclass(frozen=True, slots=True)
class OthersFirst:
    """To a client: others use it, or have asked before; HaveAlone will follow."""

    what: str


@dataclass(frozen=True, slots=True)
class DoneWith:
    """From a client: the next may. `at` is when, s of the clock that all clients share."""

    what: str
    at: float


@dataclass(frozen=True, slots=True)
class Leaving:
    """From a client: it goes, and has left its slots safe, or could not verify that."""

    safe: bool


@dataclass(frozen=True, slots=True)
class EndNow:
    """To a client: it is to end, as for Ctrl-C."""

    why: str


@dataclass(frozen=True, slots=True)
class AskState:
    """How does the stand do? From anybody of the same user."""


@dataclass(frozen=True, slots=True)
class LineLoad:
    """What an owner has exchanged with the parts at one address.

    `exchanges` messages carried out, `spared` answered by another's read, `busy` the share of the time since it began.
    """

    parts: tuple[str, ...]
    exchanges: int
    spared: int
    busy: float


@dataclass(frozen=True, slots=True)
class OwnerState:
    """Who works on the stand, and the load of its instruments."""

    holder: Holder
    loads: tuple[LineLoad, ...]
