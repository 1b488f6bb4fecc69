"""How long a snapshot takes: hilseq's signals, pymodbus's own client, and bare sockets, against one server.

Run it: `python tests/bench/bench_modbus.py [TURNS]`. The server is a raw socket in a process of its own that answers
from a table of ready-made answers, so that the client is what is measured. Nothing is asserted: times vary
with the machine, so each line gives the ratio to the bare sockets of the same run.
"""

from __future__ import annotations

import math
import multiprocessing
import socket
import struct
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any

from hilseq.clock import WallClock
from hilseq.description.modbus import ModbusSignal
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import ModbusChannels
from hilseq.instruments.signals import SignalBank

ROUNDS = 200
#: Turns of so many rounds; the best one counts.
TURNS = int(sys.argv[1]) if len(sys.argv) > 1 else 15


def serve(port: Connection) -> None:
    """Answer every read request with zeros, as fast as Python can."""
    listener = socket.create_server(("127.0.0.1", 0))
    port.send(listener.getsockname()[1])
    while True:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while request := connection.recv(300):
            function, count = request[7], request[10] << 8 | request[11]
            size = (count + 7) // 8 if function < 3 else 2 * count
            head = request[:4] + (size + 3).to_bytes(2, "big") + request[6:8] + bytes([size])
            connection.sendall(head + bytes(size))


def signals() -> dict[str, ModbusSignal]:
    """Return a rack: 32 coils, 32 inputs, 50 scaled voltages of 16 bits, 20 of 32 bits, 8 floats."""
    fields: dict[str, dict[str, object]] = {f"i{n}": {"table": "coil", "address": n} for n in range(32)}
    fields |= {f"q{n}": {"table": "discrete input", "address": n} for n in range(32)}
    volts = {"table": "input register", "scale": 0.001, "unit": "V"}
    fields |= {f"v{n}": {**volts, "address": n} for n in range(50)}
    fields |= {f"w{n}": {**volts, "address": 60 + 2 * n, "type": "uint32"} for n in range(20)}
    fields |= {
        f"f{n}": {"table": "holding register", "address": 2 * n, "type": "float32", "order": "low first"}
        for n in range(8)
    }
    return {name: ModbusSignal.model_validate({"io": "rack", **item}) for name, item in fields.items()}


def stock(
    port: int, spans: list[tuple[int, int, int]], names: dict[str, ModbusSignal]
) -> Callable[[], object]:
    """Return the same snapshot with pymodbus's client and its own conversions, the plan given to it."""
    from pymodbus.client import ModbusTcpClient

    client: Any = ModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=2)  # half typed
    client.connect()
    read = {
        1: client.read_coils,
        2: client.read_discrete_inputs,
        3: client.read_holding_registers,
        4: client.read_input_registers,
    }

    def snapshot() -> dict[str, float]:
        values = {}
        for function, address, count in spans:
            answer = read[function](address, count=count, device_id=1)
            for name, item in names.items():
                if pdu.READ_FUNCTION[item.table] != function:
                    continue
                place = item.address - address
                if function < 3:
                    values[name] = float(answer.bits[place])
                    continue
                words = answer.registers[place : place + item.kind.width]
                code = {"uint16": "H", "uint32": "I", "float32": "f"}[item.kind]
                words = words[::-1] if item.order == "low first" else words
                (raw,) = struct.unpack(f">{code}", struct.pack(f">{len(words)}H", *words))
                values[name] = raw * item.scale + item.offset
        return values

    return snapshot


def bare(port: int, spans: list[tuple[int, int, int]]) -> Callable[[], object]:
    """Return the floor: the same requests on a bare socket, the answers not looked at."""
    connection = socket.create_connection(("127.0.0.1", port))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    frames = [struct.pack(">HHHBBHH", 1, 0, 6, 1, *span) for span in spans]

    def snapshot() -> None:
        for frame in frames:
            connection.sendall(frame)
            connection.recv(400)

    return snapshot


def microseconds(actions: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Return the best time of one call of each, measured by turns: other load hits all alike."""
    best = dict.fromkeys(actions, math.inf)
    for _ in range(TURNS):
        for what, action in actions.items():
            start = time.perf_counter()
            for _ in range(ROUNDS):
                action()
            best[what] = min(best[what], (time.perf_counter() - start) / ROUNDS * 1e6)
    return best


def main() -> None:
    """Measure and print."""
    here, there = multiprocessing.Pipe()
    # One server process for each client: it serves one connection at a time.
    ports = []
    servers = [multiprocessing.Process(target=serve, args=(there,), daemon=True) for _ in range(3)]
    for server in servers:
        server.start()
        ports.append(here.recv())
    names = signals()
    device = ModbusDevice.over_tcp("rack", f"127.0.0.1:{ports[0]}")
    channels = ModbusChannels(names, device, max_gap=16)
    bank = SignalBank(names, {"rack": channels}, WallClock())
    plan = channels.plan()
    spans = [(span.request[0], span.address, span.count) for span in plan.spans]
    results = microseconds(
        {
            "bare sockets": bare(ports[1], spans),
            "hilseq snapshot": bank.snapshot,
            "pymodbus client": stock(ports[2], spans, names),
        }
    )
    floor = results["bare sockets"]
    print(f"{len(names)} signals in {len(spans)} requests, python {sys.version.split()[0]}")
    for what, value in results.items():
        print(f"{what:18} {value:8.0f} us   {value / floor:5.2f} x bare sockets")
    print(f"hilseq takes {results['hilseq snapshot'] / results['pymodbus client']:.2f} of pymodbus's time")
    device.close()
    for server in servers:
        server.terminate()
        server.join(5)


if __name__ == "__main__":
    main()
