"""Requests per second of the simulator's servers, beside a bare echo on the same machine in the same run.

    PYTHONPATH=.:sim python tests/bench/bench_servers.py [SECONDS]

Server and client are two processes, as in a run; the world behind the servers is the small one of the tests,
so that this measures protocols and not physics. The ratios count: rates vary by a quarter from run to run.
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import socket
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from hilseq_sim.process import Options, Servers

from hilseq.description.loading import load_profile, load_stand

ROOT = Path(__file__).parents[2]
ROUNDS = 5
SAMPLES = 259_200  # 72 h at 1 Hz
READ_60 = bytes.fromhex("0001 0000 0006 01 04 0000 003C")


def echo(port: Connection) -> None:
    """Send back whatever comes: the floor."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port.send(server.getsockname()[1])
        client, _ = server.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while data := client.recv(65536):
            client.sendall(data)


def serve(endpoints: Connection) -> None:
    """Serve the shipped stand over the tests' small world."""
    specification = importlib.util.spec_from_file_location(
        "small_world", ROOT / "tests/simulated/servers/conftest.py"
    )
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    stand = load_stand(ROOT / "stands/sim-bench.yaml")
    profiles = dict.fromkeys(stand.slots, load_profile(ROOT / "stands/units/rh16.yaml"))
    servers = Servers(module.SmallWorld(stand, profiles), stand, profiles, Options())
    endpoints.send(servers.endpoints)
    servers.run()


def connect(port: int) -> socket.socket:
    """Connect without Nagle's delay."""
    connected = socket.create_connection(("127.0.0.1", port), timeout=10)
    connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connected


def rate(
    connection: socket.socket, request: bytes, complete: Callable[[bytes], bool], seconds: float
) -> float:
    """Ask again and again for `seconds`, and return the questions per second."""
    count, began = 0, time.perf_counter()
    end = began + seconds
    while time.perf_counter() < end:
        for _ in range(100):
            connection.sendall(request)
            answer = connection.recv(65536)
            while not complete(answer):
                answer += connection.recv(65536)
        count += 100
    return count / (time.perf_counter() - began)


def started(target: Callable[[Connection], None]) -> tuple[multiprocessing.Process, object]:
    """Start a server process and return what it says first."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=target, args=(theirs,), daemon=True)
    process.start()
    return process, ours.recv()


def main() -> None:
    """Measure in turns, so that a busy moment of the machine hits all alike; print the medians."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 0.5
    echoing, echo_port = started(echo)
    serving, endpoints = started(serve)
    assert isinstance(echo_port, int)
    assert isinstance(endpoints, dict)

    def port(name: str) -> int:
        return int(endpoints[name].removesuffix("::SOCKET").rpartition(":")[2])

    line: Callable[[bytes], bool] = lambda answer: answer.endswith(b"\n")  # noqa: E731
    cases = {
        "bare echo, 24 bytes": (connect(echo_port), b"x" * 23 + b"\n", line),
        "SCPI, voltage and current": (connect(port("supply main")), b"MEAS:VOLT?;:MEAS:CURR?\n", line),
        "Modbus, 60 registers": (connect(port("io rack")), READ_60, lambda answer: len(answer) >= 129),
        "clock, advance 1 s": (connect(port("clock")), b"advance 1.0\n", line),
    }
    rates: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(ROUNDS):
        for name, (connection, request, complete) in cases.items():
            rates[name].append(rate(connection, request, complete, seconds))
    medians = {name: sorted(values)[ROUNDS // 2] for name, values in rates.items()}
    floor, *served = medians.values()
    print(f"{'':28}{'per second':>12}{'x floor':>9}")
    for name, median in medians.items():
        print(f"{name:28}{median:12,.0f}{floor / median:9.2f}")
    soak, bare = sum(SAMPLES / each for each in served), len(served) * SAMPLES / floor
    print(
        f"72 h at 1 Hz, one of each a second: {soak:.1f} s; bare echoes {bare:.1f} s; ratio {soak / bare:.2f}"
    )
    for connection, _, _ in cases.values():
        connection.close()
    for process in (serving, echoing):
        process.terminate()
        process.join()


if __name__ == "__main__":
    main()
