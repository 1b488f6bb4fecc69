"""A bench that is none of ours: a foreign supply, and foreign Modbus devices, on real time.

`python foreign_rig.py [FAULT]` prints one JSON line with its ports, then serves until its input ends. The supply
speaks a dialect of its own (CRLF, `SOUR:` headers, no error queue); I/O and unit are pymodbus servers. The unit is a
four-output controller that takes 0.4 s to answer after power comes.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
import time
from typing import Any

from pymodbus import ModbusDeviceIdentification
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

START = 0.4
#: A supply that answers late, and one that switches itself off.
ANSWERS_AFTER, TRIPS_AFTER = 0.25, 0.3
#: A supply that does not sink: time in which it falls to nothing, s; the unit goes off half-way.
FALLS_IN = 3.0
LIVE = 7
FAULT = sys.argv[1] if len(sys.argv) > 1 else ""


class Rig:
    """What is wired to what."""

    def __init__(self) -> None:
        self.volts = 0.0
        self.on_since: float | None = None
        self.off_since = 0.0
        self.starts = 0
        self.coils = [False] * 4
        self.mode = 1
        self.faults = [0x0007, 2, 0, 0]
        self.config = [0] * 6
        self.kept = [0] * 6
        self.drives = [0] * 2

    @property
    def tripped(self) -> bool:
        trips = FAULT in {"trips", "overloads"} and self.on_since is not None
        return trips and time.monotonic() - (self.on_since or 0.0) > TRIPS_AFTER

    @property
    def running(self) -> bool:
        return self.on_since is not None and not self.tripped and time.monotonic() - self.on_since > START

    def power(self, on: bool) -> None:
        if on and self.on_since is None:
            self.on_since = time.monotonic()
            if self.left() > 0.5:
                self.on_since -= START  # it never went off
                return
            self.starts += 1
            self.coils, self.mode = [False] * 4, 1
            self.config = list(self.kept) if FAULT != "forgets" else [0] * 6
        if not on and self.on_since is not None:
            self.on_since, self.off_since = None, time.monotonic()

    def left(self) -> float:
        """Share of the voltage that is left at an output that is off."""
        if FAULT != "slow-fall" or not self.off_since:
            return 0.0
        return max(0.0, 1.0 - (time.monotonic() - self.off_since) / FALLS_IN)

    def outputs(self) -> list[bool]:
        out = [self.running and self.mode == LIVE and coil for coil in self.coils]
        if FAULT == "stuck-off":
            out[2] = False
        return out


RIG = Rig()


class Context:
    """A device of pymodbus's server, computed at each request."""

    def __init__(self, device: int, read: Any, write: Any, alive: Any) -> None:
        self._device, self._read, self._write, self._alive = device, read, write, alive

    def device_ids(self) -> list[int]:
        return [self._device]

    async def async_getValues(self, device_id: int, func_code: int, address: int, count: int = 1) -> Any:  # noqa: N802
        while not self._alive():
            await asyncio.sleep(0.05)
        cells = [self._read(func_code, address + n) for n in range(count)]
        return ExcCodes.ILLEGAL_ADDRESS if None in cells else cells

    async def async_setValues(self, device_id: int, func_code: int, address: int, values: list[Any]) -> Any:  # noqa: N802
        while not self._alive():
            await asyncio.sleep(0.05)
        return (
            None
            if all(self._write(address + n, v) for n, v in enumerate(values))
            else ExcCodes.ILLEGAL_ADDRESS
        )


def read_io(function: int, address: int) -> Any:
    if function == 2:
        return RIG.outputs()[address - 300] if 300 <= address < 304 else None
    if function in (1, 5, 15):
        return bool(RIG.drives[address - 8]) if 8 <= address < 10 else None
    return None


def write_io(address: int, value: Any) -> bool:
    if 8 <= address < 10:
        RIG.drives[address - 8] = int(value)
        return True
    return False


def read_unit(function: int, address: int) -> Any:
    if function in (1, 5, 15):
        return RIG.coils[address - 500] if 500 <= address < 504 else None
    if function == 2:
        return bool(RIG.drives[address]) if address < 2 else None
    registers = {40: RIG.mode, 41: 3 if RIG.running else 0, 42: sum(1 for f in RIG.faults[::2] if f)}
    registers |= {60 + n: word for n, word in enumerate(RIG.faults)}
    registers |= {200 + n: word for n, word in enumerate(RIG.config)}
    registers |= {43: RIG.starts, 49: 0}
    return registers.get(address)


def write_unit(address: int, value: Any) -> bool:
    if 500 <= address < 504:
        RIG.coils[address - 500] = bool(value)
    elif address == 40:
        RIG.mode = int(value)
    elif address == 49 and value == 0xC1EA:
        RIG.faults = [0, 0, 0, 0]
    elif 200 <= address < 206:
        RIG.config[address - 200] = RIG.kept[address - 200] = int(value)
    else:
        return False
    return True


def answer(command: str) -> str | None:  # noqa: C901, PLR0911 - a table of commands
    head, _, argument = command.strip().partition(" ")
    if RIG.tripped:
        RIG.power(False)
    loaded = RIG.on_since is not None
    match head.upper():
        case "*IDN?":
            return "Hexaware Bench,LP-9,0,1.0"
        case "SOUR:VOLT":
            RIG.volts = float(argument)
        case "SOUR:VOLT?":
            return f"{RIG.volts:+.5E}"
        case "SOUR:CURR":
            pass
        case "SOUR:OUT":
            RIG.power(argument == "1")
        case "SOUR:OUT?":
            return "1" if loaded else "0"
        case "READ:V?":
            return f"{RIG.volts if loaded else RIG.volts * RIG.left():+.5E}"
        case "READ:A?":
            if FAULT == "overloads" and loaded:
                return "+4.99000E-01"
            return f"{(0.050 + 0.002 * sum(RIG.outputs())) if loaded else 0.0:+.5E}"
    return None


async def supply(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while line := await reader.readline():
        reply = answer(line.decode("ascii"))
        if FAULT == "slow-supply":
            await asyncio.sleep(ANSWERS_AFTER)
        if reply is not None:
            writer.write(reply.encode("ascii") + b"\r\n")
            await writer.drain()
    writer.close()


async def modbus(context: Context) -> int:
    bits, words = DataType.BITS, DataType.REGISTERS
    coils, inputs = [SimData(0, values=[False], datatype=bits)], [SimData(0, values=[False], datatype=bits)]
    holding, input_ = [SimData(0, values=[0], datatype=words)], [SimData(0, values=[0], datatype=words)]
    blocks = (coils, inputs, holding, input_)
    make_identity: Any = ModbusDeviceIdentification
    identity = make_identity(
        info_name={"VendorName": "Hexaware", "ProductCode": "X", "MajorMinorRevision": "1"}
    )
    server: Any = ModbusTcpServer(
        context=SimDevice(1, simdata=blocks), address=("127.0.0.1", 0), identity=identity
    )
    await server.serve_forever(background=True)
    server.context = context
    return int(server.transport.sockets[0].getsockname()[1])


async def main() -> None:
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    server = await asyncio.start_server(supply, "127.0.0.1", 0)
    ports = {
        "supply": server.sockets[0].getsockname()[1],
        "io": await modbus(Context(17, read_io, write_io, lambda: True)),
        "unit": await modbus(Context(3, read_unit, write_unit, lambda: RIG.running)),
    }
    print(json.dumps(ports), flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)


if __name__ == "__main__":
    asyncio.run(main())
