"""Devices that take less than the specification: no request goes beyond, and nothing that belongs together is torn."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hilseq.clock import WallClock
from hilseq.description.profile import Configuration, FaultTable
from hilseq.description.registers import ModbusLimits, Register, RegisterTable
from hilseq.instruments.register_bank import ModbusUnit, RegisterBank
from hilseq.procedures.memory import ConfigurationMemory, Faults

if TYPE_CHECKING:
    from tests.instruments.conftest import RawServer, Reply

ServeModbus = Callable[["Reply"], "RawServer"]
HOLDING, COIL = RegisterTable.HOLDING_REGISTER, RegisterTable.COIL
#: The function that a request uses, by what it writes.
SINGLE, SEVERAL = {5, 6}, {15, 16}


class Peer:
    """A device of 400 words, also seen as coils; it keeps what it heard and refuses what it has not."""

    def __init__(self, without: set[int] | None = None) -> None:
        self.words = [0] * 400
        self.without = without or set()
        self.heard: list[tuple[int, int, int]] = []

    def __call__(self, request: bytes) -> bytes:
        function = request[0]
        address, count = (int.from_bytes(request[place : place + 2], "big") for place in (1, 3))
        self.heard.append((function, address, count))
        if function in self.without:
            return bytes([function | 0x80, 1])
        if function == 1:
            bits = sum(self.words[address + n] << n for n in range(count))
            size = (count + 7) // 8
            return bytes([1, size]) + bits.to_bytes(size, "little")
        if function in {3, 4}:
            data = struct.pack(f">{count}H", *self.words[address : address + count])
            return bytes([function, len(data)]) + data
        if function in {5, 6}:
            self.words[address] = count if function == 6 else int(count == 0xFF00)
        elif function == 15:
            bits = int.from_bytes(request[6:], "little")
            self.words[address : address + count] = [bits >> n & 1 for n in range(count)]
        else:
            self.words[address : address + count] = struct.unpack_from(f">{count}H", request, 6)
        return request[:5]

    def counts(self, *functions: int) -> list[int]:
        """Return how much each request of these functions asked for."""
        return [count for function, _, count in self.heard if function in functions]


def register(**fields: Any) -> Register:
    return Register.model_validate({"table": "holding register", "address": 10} | fields)


def quirks(**fields: Any) -> ModbusLimits:
    return ModbusLimits.model_validate({name.replace("_", "-"): value for name, value in fields.items()})


def device(server: RawServer, **fields: Any) -> ModbusUnit:
    return ModbusUnit.over_tcp(
        "unit SN1", server.endpoint, responsible="unit", deadline=5.0, quirks=quirks(**fields)
    )


@pytest.mark.parametrize(("writes", "lacks"), [("single", SEVERAL), ("several", SINGLE)])
def test_only_the_functions_it_has_are_used(serve_modbus: ServeModbus, writes: str, lacks: set[int]) -> None:
    """Blocks, single values, commands and merged writes of a device that lacks 15 and 16, or 05 and 06."""
    peer = Peer(without=lacks)
    with device(serve_modbus(peer), writes=writes, bit_writes=writes) as link:
        link.write_block(HOLDING, 0, [1, 2, 3], verify=True)
        link.write_block(COIL, 20, [1, 0, 1], verify=True)
        link.write(register(), 7.0)
        link.write(register(table="coil", address=30), 1.0)
        named = {f"r{n}": register(address=40 + n) for n in range(3)}
        RegisterBank(named, link).write_many({"r0": 1.0, "r1": 2.0, "r2": 3.0})
    assert peer.words[40:43] == [1, 2, 3]


def test_functions_for_bits_and_registers_are_distinguished(serve_modbus: ServeModbus) -> None:
    """Coils one by one (05), registers in blocks only (16), as many devices have it."""
    peer = Peer(without={15, 6})
    with device(serve_modbus(peer), writes="several", bit_writes="single") as link:
        link.write_block(HOLDING, 0, [9], verify=True)
        link.write_block(COIL, 20, [1, 1], verify=True)
    assert [function for function, _, _ in peer.heard if function > 4] == [16, 5, 5]


def test_no_request_is_larger_than_the_device_takes(serve_modbus: ServeModbus) -> None:
    """Snapshot, merged writes with their reading back, blocks and the configuration keep to the limits."""
    peer = Peer()
    few = {"max_read": 6, "max_write": 4, "max_bit_read": 5, "max_bit_write": 3}
    with device(serve_modbus(peer), **few) as link:
        named = {f"r{n}": register(address=n) for n in range(20)}
        named |= {f"c{n}": register(table="coil", address=200 + n) for n in range(20)}
        bank = RegisterBank(named, link)
        bank.write_many(dict.fromkeys(named, 1.0))
        assert bank.snapshot() == dict.fromkeys(named, 1.0)
        memory = ConfigurationMemory(
            Configuration.model_validate({"first": register(address=50), "content": list(range(1, 41))}),
            link,
            WallClock(),
        )
        memory.load()
        memory.compare()
    assert max(peer.counts(3)) == 6
    assert max(peer.counts(16)) == 4
    assert max(peer.counts(1)) == 5
    assert max(peer.counts(15)) == 3


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 20), st.integers(1, 12), st.integers(0, 30))
def test_what_belongs_together_comes_in_one_request(
    serve_modbus: ServeModbus, entries: int, words: int, more: int
) -> None:
    """Every request to the fault table holds whole records, as many as the device takes."""
    peer = Peer()
    table = FaultTable.model_validate(
        {"table": register(address=0), "entries": entries, "words": words, "place": None}
    )
    with device(serve_modbus(peer), max_read=words + more) as link:
        Faults(table, link, WallClock(), []).read()
    counts = peer.counts(3)
    assert sum(counts) == entries * words
    assert all(count % words == 0 and count <= words + more for count in counts)
    assert len(counts) == -(-entries // ((words + more) // words))


def test_a_fault_table_of_usual_size_is_not_torn_either(serve_modbus: ServeModbus) -> None:
    """125 registers end in the middle of a record of four: the last record in a request would be torn."""
    peer = Peer()
    table = FaultTable.model_validate({"table": register(address=0), "entries": 64, "words": 4})
    with device(serve_modbus(peer)) as link:
        Faults(table, link, WallClock(), []).read()
    assert peer.counts(3) == [124, 124, 8]


def test_a_wide_value_is_written_and_read_back_in_one_piece(serve_modbus: ServeModbus) -> None:
    """Three registers at once: two 32-bit values do not share a request that would part the second."""
    peer = Peer()
    with device(serve_modbus(peer), max_read=3, max_write=3) as link:
        named = {"a": register(address=0, type="uint32"), "b": register(address=2, type="uint32")}
        RegisterBank(named, link).write_many({"a": 70000.0, "b": 80000.0})
        link.write(named["a"], 90000.0)
        assert link.read(named["b"]) == 80000.0
    assert set(peer.counts(3, 16)) == {2}
