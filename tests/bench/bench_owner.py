"""What the owner of a stand adds to an exchange, beside a direct one and a plain relay in the same run.

    python tests/bench/bench_owner.py [EXCHANGES]

An instrument is an echo over TCP in a process of its own. It is asked directly; through a plain relay (bytes from a
Unix socket to the echo and back); and through the owner's relay (a message of the driver protocol, carried out by the
instrument's line). On one core all processes are pinned to one; the medians of rounds in turn are compared, because a
busy machine slows all three. Then eight clients ask for a snapshot each at the same moment, again and again.
"""

from __future__ import annotations

import multiprocessing
import os
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from hilseq.clock import nothing
from hilseq.deadlines import DeadlineSocket
from hilseq.description.loading import load_stand
from hilseq.owner.line import Line
from hilseq.owner.relay import RelayedChannels
from hilseq.owner.wire import MessageSocket, dial, listen_at

ROUNDS, CLIENTS = 5, 8
QUESTION = b"read 22 bytes of these"


def echo(listening: socket.socket) -> None:
    """Send back whatever comes, one client after another."""
    while True:
        client, _ = listening.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while data := client.recv(4096):
            client.sendall(data)


class Reader:
    """The read of some names: one exchange, however many they are."""

    exchanges = 1


class EchoChannels:
    """Channels of which each snapshot is one exchange with the echo."""

    def __init__(self, port: int) -> None:
        self._connection = DeadlineSocket.connect(f"127.0.0.1:{port}", 5.0)

    def exchange(self) -> None:
        """Ask, and wait for the answer."""
        until = time.monotonic() + 5.0
        self._connection.send_all(QUESTION, until)
        self._connection.receive(4096, until)

    def reader(self, _names: Sequence[str]) -> Reader:
        """Plan a read."""
        return Reader()

    def snapshot(self, names: Sequence[str]) -> dict[str, float]:
        """Read."""
        self.exchange()
        return dict.fromkeys(names, 1.0)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


def plain_relay(door: Path, port: int) -> None:
    """Pass bytes on, and the answer back."""
    listening, channels = listen_at(door), EchoChannels(port)
    listening.setblocking(True)
    client, _ = listening.accept()
    while client.recv(4096):
        channels.exchange()
        client.sendall(QUESTION)


def owner(door: Path, port: int, reported: Any) -> None:
    """Be the owner of one instrument; say on demand how many messages were carried out, and how many were spared."""
    listening = listen_at(door)
    listening.setblocking(True)
    line = Line("echo", {"io echo": EchoChannels(port)})
    for _ in range(1 + CLIENTS):
        client, _ = listening.accept()
        line.adopt(MessageSocket(client), "io echo", None)
    while reported.recv():
        reported.send((line.exchanges, line.spared))


def median(ask: Callable[[], object], count: int) -> float:
    """Return the median time of an exchange, us."""
    times = []
    for _ in range(count):
        begun = time.perf_counter_ns()
        ask()
        times.append(time.perf_counter_ns() - begun)
    return statistics.median(times) / 1e3


def relayed(door: Path) -> RelayedChannels:
    """Return the channels as a client of the owner has them."""
    described = next(iter(load_stand(Path(__file__).parents[2] / "stands/sim-bench.yaml").io.values()))
    return RelayedChannels("io echo", described, lambda _: dial(str(door), 5.0), nothing)


def compare(folder: Path, count: int) -> None:
    """Measure the three ways, and the reads that eight clients share."""
    listening = socket.create_server(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    fork = multiprocessing.get_context("fork")
    ours, theirs = fork.Pipe()
    echoes = [fork.Process(target=echo, args=(listening,), daemon=True) for _ in range(3)]
    doors = folder / "plain", folder / "owner"
    others = [
        fork.Process(target=plain_relay, args=(doors[0], port), daemon=True),
        fork.Process(target=owner, args=(doors[1], port, theirs), daemon=True),
    ]
    for process in (*echoes, *others):
        process.start()
    while not all(door.exists() for door in doors):
        time.sleep(0.01)
    time.sleep(0.1)
    direct, through = EchoChannels(port), relayed(doors[1])
    plain = DeadlineSocket(dial(str(doors[0]), 5.0).socket)

    def ask_plain() -> None:
        until = time.monotonic() + 5.0
        plain.send_all(QUESTION, until)
        plain.receive(4096, until)

    ways: dict[str, Callable[[], object]] = {
        "direct": direct.exchange,
        "plain relay": ask_plain,
        "owner": lambda: through.snapshot(("a", "b")),
    }
    for ask in ways.values():
        median(ask, max(count // 10, 5))
    rounds = [{way: median(ask, count) for way, ask in ways.items()} for _ in range(ROUNDS)]
    seen = {way: min(one[way] for one in rounds) for way in ways}
    for way, micros in seen.items():
        print(f"  {way:12} {micros:7.1f} us, {micros / seen['direct']:.2f} of a direct exchange")
    owners, plains = (seen[way] - seen["direct"] for way in ("owner", "plain relay"))
    print(f"  the owner adds {owners:.1f} us, a plain relay {plains:.1f} us")
    share(ours, [relayed(doors[1]) for _ in range(CLIENTS)], count)
    for process in (*echoes, *others):
        process.kill()
        process.join()


def share(reported: Any, clients: list[RelayedChannels], count: int) -> None:
    """Have eight clients ask at the same moment; say how many exchanges that took."""
    for client in clients:
        client.snapshot(("slot",))
    reported.send(True)
    before, already = reported.recv()
    for _ in range(count):
        for number, client in enumerate(clients):
            client.send("snapshot", (f"slot {number}",))
        for client in clients:
            client.fetch()
    reported.send(True)
    after, spared = reported.recv()
    asked = CLIENTS * count
    print(
        f"  {asked} snapshots of {CLIENTS} clients took {after - before} exchanges ({spared - already} spared)"
    )


def main() -> None:
    """Print what was measured."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    cores = os.sched_getaffinity(0)
    for words, used in ((f"{len(cores)} cores, not pinned", cores), ("one core", {min(cores)})):
        print(f"{words}: best of {ROUNDS} medians")
        os.sched_setaffinity(0, used)
        with tempfile.TemporaryDirectory(prefix="hilseq-") as folder:
            compare(Path(folder), count)


if __name__ == "__main__":
    main()
