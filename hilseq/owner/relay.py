"""An instrument of a stand as a client of its owner has it: messages of the driver protocols, sent and answered.

Knows no instrument. What its driver raises there is raised here.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Any, cast

from hilseq.description.stand import Io, Stand
from hilseq.description.supplies import Supply
from hilseq.errors import InstrumentTimeout
from hilseq.instruments.opening import Opening
from hilseq.instruments.protocols import Channels, SnapshotReader, SupplyOutput
from hilseq.owner.wire import MessageSocket, Reply, messages_of

#: Longest wait for an answer with everybody's turn before it, s. Each exchange has its own, shorter deadline.
PATIENCE = 120.0
#: Between two looks at whether the owner lives, s.
_SLICE = 0.2

Dial = Callable[[str], MessageSocket]


class Relayed:
    """One part of the stand (`supply main`), over a connection that `dial` makes when it is first needed.

    `waiting` is called while an answer is waited for; it raises StandFault when none can come any more.
    """

    def __init__(self, part: str, described: Supply | Io, dial: Dial, waiting: Callable[[], None]) -> None:
        self.name = part
        self.where = described.where
        self.deadline = described.deadline
        self.lock = threading.RLock()
        self._dial = dial
        self._waiting = waiting
        self._wire: MessageSocket | None = None
        self._number = 0
        #: Number of the question whose answer is not fetched yet; 0 when there is none.
        self._asked = 0
        self._spoke = -math.inf

    def __getattr__(self, name: str) -> Any:
        """Return what sends a message of the protocol and returns its answer."""
        if name.startswith("_") or name not in messages_of(self.name):
            raise AttributeError(name)
        return partial(self.call, name)

    def call(self, name: str, *arguments: Any, **named: Any) -> Any:
        """Send a message and return its answer. Raises what the driver raises, InstrumentTimeout."""
        with self.lock:
            self.send(name, *arguments, **named)
            return self.fetch()

    def send(self, name: str, *arguments: Any, **named: Any) -> None:
        """Send a message; its answer is fetched later, and dropped when another is sent before."""
        with self.lock:
            self._number += 1
            self._asked = self._number
            self._spoke = time.monotonic()
            try:
                if self._wire is None:
                    self._wire = self._dial(self.name)
                self._wire.send((self._number, name, arguments, named), time.monotonic() + PATIENCE)
            except OSError as error:
                self._lost(error)
            except BaseException:
                self.close()  # half of it may be on its way
                raise

    def fetch(self) -> Any:
        """Return the answer to what was sent last."""
        with self.lock:
            _, value, error = self._awaited()
            self._asked = 0
            if error is not None:
                raise error
            return value

    def _awaited(self) -> Reply:
        until = time.monotonic() + PATIENCE
        while True:
            try:
                if self._wire is None:
                    raise ConnectionResetError("the connection is closed")
                answer: Reply = self._wire.receive(min(until, time.monotonic() + _SLICE))
            except TimeoutError:
                if time.monotonic() >= until:
                    self.close()
                    raise InstrumentTimeout(
                        f"{self.name}: the owner of the stand has not answered within {PATIENCE:g} s",
                        place=self.name,
                    ) from None
                self._waiting()
                continue
            except OSError as error:
                self._lost(error)
            if answer[0] == self._asked:
                return answer

    def _lost(self, error: OSError) -> Any:
        self.close()
        self._waiting()
        raise InstrumentTimeout(
            f"{self.name}: the connection to the owner of the stand is lost ({error})", place=self.name
        ) from error

    def close(self) -> None:
        """Close the connection; the next call makes another."""
        wire, self._wire, self._asked = self._wire, None, 0
        if wire is not None:
            wire.close()


class RelayedOutput(Relayed):
    """One output of a supply."""

    def ask_measurement(self) -> None:
        """Send the question of `measure`."""
        self.send("measure")

    def answer_measurement(self) -> Any:
        """Return the answer to it."""
        return self.fetch()

    @property
    def waveform_length(self) -> Any:
        """Time that its record covers, s; None when it keeps none."""
        return self.call("waveform_length")

    def heartbeat(self, quiet: float) -> None:
        """Have it asked something when nobody here has spoken to it for `quiet` s."""
        with self.lock:
            if self._asked or time.monotonic() - self._spoke < quiet:
                return
            with suppress(InstrumentTimeout):
                self.call("heartbeat", quiet)


class RelayedChannels(Relayed):
    """The signals of one I/O simulator."""

    def snapshot(self, names: Iterable[str] | None = None) -> Any:
        """Return the values of some signals, all by default."""
        return self.call("snapshot", None if names is None else tuple(names))

    def reader(self, names: Sequence[str]) -> SnapshotReader:
        """Return the read of some names."""
        return RelayedReader(self, tuple(names))


class RelayedReader(SnapshotReader):
    """One read of some signals: one question to the owner, whatever it takes there."""

    def __init__(self, channels: RelayedChannels, names: tuple[str, ...]) -> None:
        self._channels = channels
        self._names = names

    @property
    def lock(self) -> threading.RLock:
        """Keeps other threads from the connection."""
        return self._channels.lock

    def ask(self) -> None:
        """Send the question."""
        self._channels.send("snapshot", self._names)

    def take(self, values: dict[str, float]) -> bool:
        """Take the answer."""
        values.update(self._channels.fetch())
        return True

    def abandon(self) -> None:
        """Nothing to do: an answer that is not fetched is dropped."""

    @property
    def exchanges(self) -> int:
        """One."""
        return 1

    @property
    def line(self) -> object:
        """Nothing is shared here: the owner sees to that."""
        return self._channels


class ThroughOwner(Opening):
    """The instruments of a stand, opened by its owner."""

    def __init__(self, dial: Dial, waiting: Callable[[], None]) -> None:
        self._dial = dial
        self._waiting = waiting

    def outputs(self, described: Mapping[str, Supply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of supplies by name."""
        return {
            name: cast("SupplyOutput", RelayedOutput(f"supply {name}", supply, self._dial, self._waiting))
            for name, supply in described.items()
        }

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        return cast("Channels", RelayedChannels(f"io {name}", stand.io[name], self._dial, self._waiting))
