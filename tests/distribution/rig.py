"""Real servers for everything the distribution speaks to: `python rig.py` prints their ports as one JSON line.

A frequency counter (SCPI over TCP), a supply (blocks over TCP), a climate chamber (CAN through a serial adapter over
TCP), and a unit with a Modbus server that answers while it has power. All end with standard input.
"""

from __future__ import annotations

import json
import socketserver
import struct
import sys
import threading

from bench_extras.block_supply import ANSWER, BLOCK, Operation, block
from bench_extras.chamber import FRAME, FROM_NODE, TO_NODE, WHO, WRITE

LOOPBACK = "127.0.0.1"
#: Octets in front of a request over Modbus TCP.
HEAD = 7


class World:
    """What is wired to what: the fan turns with the supply."""

    volts = 0.0
    amperes = 0.0
    on = False
    celsius = 23.0
    mode = 1

    @property
    def hertz(self) -> float:
        return 5.0 * self.volts if self.on else 0.0


WORLD = World()


class CounterHandler(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        for line in self.rfile:
            question = line.decode("ascii", "replace").strip().upper()
            if question == "*IDN?":
                self.wfile.write(b"Ombrella,FC-2,17,1.0\n")
            elif question.startswith("MEAS:FREQ?"):
                self.wfile.write(f"{WORLD.hertz:.9E}\n".encode())


class SupplyHandler(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        while len(data := self.rfile.read(BLOCK.size)) == BLOCK.size:
            _, number, what, value, _ = BLOCK.unpack(data)
            self.wfile.write(block(ANSWER, number, 0, self._done(Operation(what), value)))

    @staticmethod
    def _done(what: Operation, value: float) -> float:
        if what is Operation.SET_VOLTAGE:
            WORLD.volts = value
        elif what is Operation.SET_CURRENT:
            WORLD.amperes = value
        elif what is Operation.SWITCH:
            WORLD.on, WORLD.mode = value != 0.0, 1
        delivers = WORLD.on and WORLD.volts > 0.0
        answers = {
            Operation.READ_VOLTAGE_SETTING: WORLD.volts,
            Operation.READ_CURRENT_SETTING: WORLD.amperes,
            Operation.READ_SWITCH: float(WORLD.on),
            Operation.MEASURE_VOLTAGE: WORLD.volts if delivers else 0.0,
            Operation.MEASURE_CURRENT: 0.05 if delivers else 0.0,
            Operation.SERIAL: 4711.0,
        }
        return answers.get(what, 0.0)


class UnitHandler(socketserver.BaseRequestHandler):
    """A unit with one holding register, its mode, read by function 03 and written by 06, while it has power."""

    def handle(self) -> None:
        while WORLD.on:
            head = self.request.recv(HEAD)
            if len(head) < HEAD or not WORLD.on:
                return
            transaction, _, length, device = struct.unpack(">HHHB", head)
            request = self.request.recv(length - 1)
            answer = self._answer(*struct.unpack(">BHH", request[:5]))
            self.request.sendall(struct.pack(">HHHB", transaction, 0, len(answer) + 1, device) + answer)

    @staticmethod
    def _answer(function: int, address: int, value: int) -> bytes:
        if (function, address, value) == (3, 0, 1):
            return struct.pack(">BBH", function, 2, WORLD.mode)
        if (function, address) == (6, 0):
            WORLD.mode = value
            return struct.pack(">BHH", function, address, value)
        return bytes([function | 0x80, 2])


class ChamberHandler(socketserver.BaseRequestHandler):
    """A serial CAN adapter with one node behind it: lines that end with a carriage return, `tIIILDD...` is a frame."""

    def handle(self) -> None:
        kept = b""
        while data := self.request.recv(4096):
            *lines, kept = (kept + data).split(b"\r")
            for line in lines:
                if line[:1] == b"t":
                    answer = self._answer(int(line[1:4], 16), bytes.fromhex(line[5:].decode()))
                    self.request.sendall(f"t{FROM_NODE + 5:03X}8{answer.hex()}\r".encode())

    @staticmethod
    def _answer(identifier: int, data: bytes) -> bytes:
        number, what, index, value = FRAME.unpack(data)
        if identifier != TO_NODE + 5 or index > 1 or (what == WRITE and index != 0):
            return FRAME.pack(number, 1, index, 0.0)
        if what == WRITE:
            WORLD.celsius = value
        return FRAME.pack(number, 0, index, 9000.0 if what == WHO else WORLD.celsius)


class Threaded(socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True


def serve(handler: type[socketserver.BaseRequestHandler]) -> int:
    """Return the port of a server that runs in a thread."""
    server = Threaded((LOOPBACK, 0), handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return int(server.server_address[1])


def serve_all() -> dict[str, int]:
    """Return the ports of all servers."""
    return {
        "counter": serve(CounterHandler),
        "supply": serve(SupplyHandler),
        "chamber": serve(ChamberHandler),
        "unit": serve(UnitHandler),
    }


if __name__ == "__main__":
    print(json.dumps(serve_all()), flush=True)
    sys.stdin.read()
