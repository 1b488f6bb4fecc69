"""Signals by name over several I/O simulators: fewest requests, verified writes, a sure safe state."""

from __future__ import annotations

import math
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.description.modbus import ModbusSignal as Signal
from hilseq.description.registers import Register
from hilseq.errors import (
    InstrumentError,
    InstrumentReset,
    InstrumentTimeout,
    InvalidResponse,
    NotPerformed,
    NotSafe,
    StandFault,
)
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import ModbusChannels, RegisterBank
from hilseq.instruments.signals import SignalBank, budget

if TYPE_CHECKING:
    from tests.instruments.conftest import ForeignModbus, RawServer, Reply, SteppedClock

ServeModbus = Callable[["Reply"], "RawServer"]


def signal(**fields: Any) -> Signal:
    return Signal.model_validate(
        {"io": "rack"} | {key.replace("_", "-"): value for key, value in fields.items()}
    )


class Rack:
    """A Modbus device in memory behind a real socket; each fault of it is switched on by a test."""

    def __init__(self) -> None:
        self.bits = [0] * 200
        self.words = [0] * 200
        self.heard: list[bytes] = []
        self.stuck: set[int] = set()
        self.refuses: set[int] = set()
        self.delay = 0.0
        #: Where it waits, before it answers, until its like have been asked, too.
        self.together = threading.Barrier(1)

    def __call__(self, request: bytes) -> bytes:
        self.heard.append(request)
        self.together.wait(10.0)
        time.sleep(self.delay)
        function, address, count = struct.unpack_from(">BHH", request)
        single = function in (5, 6)
        span = range(address, address + (1 if single else count))
        if self.refuses & set(span):
            return bytes([function | 0x80, 2])
        if function in (1, 2):
            data = bytearray((count + 7) // 8)
            for place, a in enumerate(span):
                data[place // 8] |= self.bits[a] << place % 8
            return bytes([function, len(data)]) + bytes(data)
        if function in (3, 4):
            return bytes([function, 2 * count]) + struct.pack(f">{count}H", *(self.words[a] for a in span))
        for place, a in enumerate(span):
            if a in self.stuck:
                continue
            if function == 5:
                self.bits[a] = int(count == 0xFF00)
            elif function == 15:
                self.bits[a] = request[6 + place // 8] >> place % 8 & 1
            elif function == 6:
                self.words[a] = count
            else:
                self.words[a] = int.from_bytes(request[6 + 2 * place : 8 + 2 * place], "big")
        return request[:5]

    def functions(self) -> list[int]:
        return [request[0] for request in self.heard]


Make = Callable[..., SignalBank]


@pytest.fixture
def rack() -> Rack:
    return Rack()


@pytest.fixture
def make(rack: Rack, serve_modbus: ServeModbus, clock: SteppedClock) -> Iterator[Make]:
    devices: list[ModbusDevice] = []

    def build(signals: dict[str, Signal], gap: int = 16, **more: Rack) -> SignalBank:
        channels = {}
        for name, peer in ({"rack": rack} | more).items():
            device = ModbusDevice.over_tcp(f"io {name}", serve_modbus(peer).endpoint, deadline=0.3)
            devices.append(device)
            mine = {key: one for key, one in signals.items() if one.io == name}
            channels[name] = ModbusChannels(mine, device, max_gap=gap)
        return SignalBank(signals, channels, clock)

    yield build
    for device in devices:
        device.close()


def drives(count: int, **fields: Any) -> dict[str, Signal]:
    return {
        f"i{n:02d}": signal(table="coil", address=n, drives=f"A.i{n:02d}", settle="30 ms", **fields)
        for n in range(count)
    }


def test_a_snapshot_costs_the_fewest_requests(make: Make, rack: Rack) -> None:
    """Forty signals in four tables: four requests, all values in their units."""
    signals = drives(16)
    signals |= {
        f"q{n:02d}": signal(table="discrete input", address=n, senses=f"A.q{n:02d}") for n in range(16)
    }
    signals |= {
        f"v{n}": signal(table="input register", address=2 * n, type="uint32", scale=0.001, unit="V")
        for n in range(6)
    }
    signals |= {"set": signal(table="holding register", address=50, type="int16", scale=0.1, unit="mA")}
    rack.words[2:4] = [0, 24001]
    rack.words[50] = 0xFFFF
    rack.bits[3] = 1
    bank = make(signals)
    values = bank.snapshot()
    assert rack.functions() == [1, 2, 3, 4]
    assert list(values) == list(signals)
    assert values["v1"] == pytest.approx(24.001)
    assert values["set"] == pytest.approx(-0.1)
    assert (values["i03"], values["q03"], values["q04"]) == (1.0, 1.0, 0.0)
    rack.heard.clear()
    assert bank.snapshot(["v1", "q03"]) == {"v1": values["v1"], "q03": 1.0}
    assert rack.functions() == [2, 4]
    assert bank.read("v1") == values["v1"]


def test_several_io_simulators_are_asked_at_once(make: Make, rack: Rack) -> None:
    """Three devices that answer only when all three have been asked: one after the other would stay silent."""
    others = {"second": Rack(), "third": Rack()}
    for number, peer in enumerate((rack, *others.values())):
        peer.words[0] = number
    signals = {
        name: signal(io=name, table="input register", address=0) for name in ("rack", "second", "third")
    }
    bank = make(signals, **others)
    together = threading.Barrier(3)
    for peer in (rack, *others.values()):
        peer.together = together
    assert bank.snapshot() == {"rack": 0.0, "second": 1.0, "third": 2.0}


def test_one_that_fails_does_not_put_the_others_out_of_step(make: Make, rack: Rack) -> None:
    """A silent I/O simulator is reported by name; the answers of the others are not taken for later ones."""
    other = Rack()
    bank = make(
        {
            "a": signal(table="input register", address=0),
            "b": signal(io="other", table="input register", address=0),
        },
        other=other,
    )
    rack.delay = 0.5
    with pytest.raises(InstrumentTimeout, match="io rack") as caught:
        bank.snapshot()
    assert caught.value.places == ("io rack",)
    rack.delay, rack.words[0], other.words[0] = 0.0, 7, 8
    time.sleep(0.3)
    assert bank.snapshot() == {"a": 7.0, "b": 8.0}


def test_writes_are_merged_verified_and_settled(make: Make, rack: Rack, clock: SteppedClock) -> None:
    """Sixteen coils go in one request and are read back in one; the terminals are given their time."""
    bank = make(drives(16))
    bank.write_many({f"i{n:02d}": n % 2 for n in range(16)})
    assert rack.bits[:17] == [0, 1] * 8 + [0]
    assert rack.functions() == [15, 1]
    assert clock.slept == [0.03]
    rack.heard.clear()
    bank.write("i04", 1)
    assert rack.functions() == [5, 1]


def test_a_value_that_does_not_read_back_is_named(make: Make, rack: Rack) -> None:
    """Which of the sixteen did not follow, in the words of the stand file."""
    rack.stuck = {3, 5}
    with pytest.raises(StandFault, match=r"io rack .*i03 was written as 1 and reads back as 0; i05"):
        make(drives(8)).write_many({f"i{n:02d}": 1 for n in range(8)})


def test_only_drives_are_written(make: Make, rack: Rack) -> None:
    """A sense is never written, an unknown name is reported with those there are, a wrong value refused."""
    signals = {
        "s": signal(table="coil", address=0, senses="A.q01"),
        "v": signal(table="holding register", address=9),
    }
    bank = make(signals)
    for values, message in (
        ({"s": 1.0}, r"signal s senses A\.q01 and is never written"),
        ({"x": 1.0}, "no signal 'x'; it has: s, v"),
        ({"v": 1e6}, "1e[+]06 does not fit holding register 9"),
    ):
        with pytest.raises(StandFault, match=message):
            bank.write_many(values)
    assert rack.heard == []
    with pytest.raises(StandFault, match="belongs to io 'nowhere'; this stand has: rack"):
        make({"a": signal(io="nowhere", table="coil", address=0)})


def test_packed_bits_and_registers(make: Make, rack: Rack) -> None:
    """A bit in a register is written without its neighbours."""
    rack.words[10] = 0b1000_0000_0000_0001
    signals = {
        "low": signal(table="holding register", address=10, bit=1, drives="A.a"),
        "high": signal(table="holding register", address=10, bit=15, drives="A.b"),
        "level": signal(table="holding register", address=11, type="float32", unit="V", drives="A.c"),
    }
    bank = make(signals)
    bank.write_many({"low": 1, "high": 0, "level": 12.5})
    assert rack.words[10] == 0b0000_0000_0000_0011
    assert bank.snapshot() == {"low": 1.0, "high": 0.0, "level": 12.5}


def test_release_brings_every_drive_to_rest(make: Make, rack: Rack) -> None:
    """All drives, or those of one slot; nothing else is touched."""
    signals = drives(4) | {
        "level": signal(table="holding register", address=5, drives="A.x", **{"safe-value": 3.0}),
        "other": signal(table="holding register", address=7),
    }
    rack.bits[:4], rack.words[5], rack.words[7] = [1] * 4, 9, 9
    bank = make(signals)
    bank.release(["i01"])
    assert rack.bits[:4] == [1, 0, 1, 1]
    bank.release()
    assert (rack.bits[:4], rack.words[5], rack.words[7]) == ([0] * 4, 3, 9)


def test_release_does_what_it_can_and_says_what_it_could_not(make: Make, rack: Rack) -> None:
    """One drive that refuses keeps no other from being released, on no I/O simulator."""
    other = Rack()
    signals = drives(6) | {"o": signal(io="other", table="coil", address=0, drives="B.o")}
    rack.bits[:6], other.bits[0] = [1] * 6, 1
    rack.refuses = {3}
    bank = make(signals, other=other)
    with pytest.raises(NotSafe, match=r"could not be released for certain: io rack .*illegal data address"):
        bank.release(within=0.3)
    assert rack.bits[:6] == [0, 0, 0, 1, 0, 0]
    assert other.bits[0] == 0
    rack.refuses = set()
    bank.release(within=0.3)
    assert rack.bits[3] == 0


def test_release_on_a_silent_io_ends_in_time(make: Make, rack: Rack) -> None:
    """Silence is waited for as long as allowed, not once for every drive."""
    rack.delay = 1.0
    with pytest.raises(NotSafe, match="did not answer"):
        make(drives(50)).release(within=0.5)
    assert len(rack.heard) < 10


def test_a_refused_gap_is_explained(make: Make, rack: Rack) -> None:
    """A device that refuses unlisted addresses: the message says which line of the stand file helps."""
    rack.refuses = {3}
    signals = {"a": signal(table="input register", address=0), "b": signal(table="input register", address=5)}
    with pytest.raises(InstrumentError, match=r"covers a, b\. .*`max-gap: 0`") as caught:
        make(signals).snapshot()
    assert caught.value.number == 2
    assert make(signals, gap=0).snapshot() == {"a": 0.0, "b": 0.0}


def test_a_reading_that_is_no_number_is_named(make: Make, rack: Rack) -> None:
    """One NaN in a snapshot is a stand fault with the signal's name."""
    rack.words[0:2] = [0x7FC0, 0]
    with pytest.raises(InvalidResponse, match=r"io rack .*nan in 'hot'"):
        make({"hot": signal(table="input register", address=0, type="float32")}).snapshot()


def both(limit: float, step: float) -> float:
    return math.hypot(limit / math.sqrt(3), step / math.sqrt(12))


UNCERTAINTY = [
    # 0.1 % of 24 V + 2 mV as rectangular limit, 1 mV steps
    ({"scale": 0.001, "unit": "V", "accuracy": "0.1 % + 2 mV"}, 24.0, both(0.026, 0.001)),
    # the same in mV: the uncertainty is in the signal's own unit
    ({"unit": "mV", "accuracy": "0.1 % + 2 mV"}, 24000.0, both(26, 1)),
    # of range: 65535 steps of 1 mV
    ({"scale": 0.001, "unit": "V", "accuracy": "0.1 % of range"}, 1.0, both(0.065535, 0.001)),
    # no accuracy stated: resolution only; float32 has none
    ({"scale": 0.5, "unit": "mA"}, 1.0, both(0, 0.5)),
    ({"type": "float32", "unit": "mA", "accuracy": "3 uA"}, 1.0, both(0.003, 0)),
    ({"type": "float32"}, 1.0, 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "value", "expected"), UNCERTAINTY)
def test_uncertainty(fields: dict[str, Any], value: float, expected: float) -> None:
    """Accuracy / sqrt 3 and step / sqrt 12 in quadrature (GUM 4.3.7, F.2.2.1), in the unit of the signal."""
    item = signal(table="input register", address=0, **fields)
    terms = [term.value for term in budget("s", item, value)]
    assert math.hypot(*terms) == pytest.approx(expected)


def test_measure(make: Make, rack: Rack) -> None:
    """A measurement carries value, unit and uncertainty."""
    rack.words[0] = 24001
    bank = make({"v": signal(table="input register", address=0, scale=0.001, unit="V", accuracy="10 mV")})
    measured = bank.measure("v")
    assert measured.unit == "V"
    assert measured.value == pytest.approx(24.001)
    assert measured.standard_uncertainty == pytest.approx(0.01 / math.sqrt(3), rel=1e-2)


def test_a_stated_repeatability_is_a_term_of_its_own() -> None:
    """In the unit of the signal, as a standard deviation; it is what repeats average."""
    item = signal(
        table="input register", address=0, unit="mA", scale=0.001, accuracy="4 uA", repeatability="5 uA"
    )
    *_, last = budget("ai1", item, 12.0)
    assert (last.name, last.scatters) == ("repeatability of ai1", True)
    assert last.value == pytest.approx(0.005)


def test_an_accuracy_that_does_not_fit_its_unit() -> None:
    """A slip that a checked stand file does not have is still reported in words."""
    with pytest.raises(StandFault, match="accuracy of a signal in mA"):
        budget("s", signal(table="input register", address=0, unit="mA", accuracy="2 mV"), 1.0)


def test_signals_are_found_by_terminal(make: Make) -> None:
    """By direction, and by kind where a terminal has a bit and a voltage."""
    bank = make(
        {
            "q01": signal(table="discrete input", address=1, senses="A.q01"),
            "v-q01": signal(table="input register", address=1, unit="mV", senses="A.q01"),
            "temperature": signal(table="input register", address=2, unit="degC", senses="A.q01"),
            "i01": signal(table="coil", address=1, drives="A.i01"),
        }
    )
    assert bank.for_terminal("A.q01", "senses") == "q01"
    assert bank.for_terminal("A.q01", "senses", "digital") == "q01"
    assert bank.for_terminal("A.q01", "senses", "voltage") == "v-q01"
    assert bank.for_terminal("A.q01", "senses", "temperature") == "temperature"
    assert bank.for_terminal("A.i01", "drives", "digital") == "i01"
    assert bank.maybe_for_terminal("A.i01", "senses") is None
    with pytest.raises(NotPerformed, match=r"no current signal of this stand senses A\.q01"):
        bank.for_terminal("A.q01", "senses", "current")


def test_a_bank_of_a_units_own_registers(foreign: ForeignModbus) -> None:
    """The points of a unit over its link, against pymodbus's server: one request for all, verified."""
    registers = {f"q{n:02d}": Register.model_validate({"table": "coil", "address": n}) for n in range(16)}
    with ModbusDevice.over_tcp("unit SN1", foreign.endpoint, responsible="unit") as link:
        bank = RegisterBank(registers, link)
        bank.write_many({name: float(name in ("q03", "q15")) for name in registers})
        assert {name for name, value in bank.snapshot().items() if value} == {"q03", "q15"}
        assert len(bank.plan().spans) == 1


def test_drives_that_were_let_go_of_are_reported_once(make: Make, rack: Rack) -> None:
    """A rack that was without mains, or whose own watchdog acted, no longer holds what was written to it."""
    signals = drives(8)
    signals["set"] = signal(table="holding register", address=50, type="int16", scale=0.1, drives="A.ai1")
    signals["bit"] = signal(table="holding register", address=60, bit=3, drives="A.s1")
    bank = make(signals)
    bank.check_drives(signals)  # nothing was written, nothing is expected
    assert rack.heard == []
    bank.write_many({"i00": 1.0, "i03": 1.0, "i04": 0.0, "set": 4.2, "bit": 1.0})
    rack.words[60] |= 0x8001  # other bits of the register are nobody's business here
    bank.check_drives(signals)
    rack.bits[:] = [0] * len(rack.bits)
    rack.words[:] = [0] * len(rack.words)
    bank.check_drives(["i01", "i04"])
    with pytest.raises(InstrumentReset, match=r"io rack .* has let go of what it drove") as reported:
        bank.check_drives(signals)
    assert reported.value.places == ("io rack",)
    for words in (
        "i00 was written as 1",
        "i03 was written as 1",
        "set was written as 4.2",
        "bit was written",
    ):
        assert words in str(reported.value)
    assert "i04" not in str(reported.value)
    bank.check_drives(signals)
    bank.write("i03", 1.0)
    bank.check_drives(signals)


def test_drives_that_were_released_are_expected_at_rest(make: Make, rack: Rack) -> None:
    """Releasing is writing: the last word counts."""
    signals = drives(2)
    bank = make(signals)
    bank.write("i00", 1.0)
    bank.release()
    bank.check_drives(signals)
    rack.bits[0] = 1
    with pytest.raises(InstrumentReset, match="i00 was written as 0 and reads back as 1"):
        bank.check_drives(signals)


def test_an_exclusive_part_is_ours_while_it_is_away_from_rest(
    rack: Rack, serve_modbus: ServeModbus, clock: SteppedClock
) -> None:
    """Others are kept from it from the first of its drives that leaves rest until the last is back, or released."""
    drives = {f"k{n}": signal(table="coil", address=n) for n in (1, 2, 3)}
    reported: list[str] = []

    @contextmanager
    def alone(what: str) -> Iterator[None]:
        reported.append(f"have {what}")
        yield
        reported.append(f"done with {what}")

    with ModbusDevice.over_tcp("io rack", serve_modbus(rack).endpoint, deadline=0.3) as device:
        bank = SignalBank(
            drives,
            {"rack": ModbusChannels(drives, device)},
            clock,
            alone=alone,
            exclusive={"load bank": ("k1", "k2")},
        )
        bank.write_many({"k3": 1.0, "k1": 0.0})
        assert reported == []
        bank.write_many({"k1": 1.0})
        bank.write_many({"k2": 1.0})
        bank.write_many({"k1": 0.0})
        assert reported == ["have load bank"]
        bank.write_many({"k2": 0.0, "k3": 0.0})
        assert reported == ["have load bank", "done with load bank"]
        with bank.alone_with(("k1",)):
            assert reported[2:] == ["have spare paths"]


def test_a_reading_is_corrected_as_its_certificate_says(make: Make, rack: Rack) -> None:
    """9.990 V read, + 4 mV at 10 V and 0 at 0 V: 9.993996 V, known to 1 mV (k = 2) and the last digit, not to 10 mV."""
    points = [
        {"at": "0 V", "correction": "0 V", "uncertainty": "1 mV"},
        {"at": "10 V", "correction": "4 mV", "uncertainty": "1 mV"},
    ]
    calibration = {"done": date(2026, 1, 10), "due": date(2027, 1, 10), "drift": "0 ppm", "points": points}
    one = {"table": "input register", "scale": 0.001, "unit": "V", "accuracy": "10 mV"}
    rack.words[0:2] = [9990, 9990]
    bank = make({"v": signal(address=0, calibration=calibration, **one), "w": signal(address=1, **one)})
    corrected, plain = bank.measure("v"), bank.measure("w")
    assert corrected.value == pytest.approx(9.993996)
    assert corrected.standard_uncertainty == pytest.approx(math.hypot(0.5e-3, 1e-3 / math.sqrt(12.0)))
    assert plain.value == pytest.approx(9.990)
    assert plain.standard_uncertainty == pytest.approx(
        math.hypot(10e-3 / math.sqrt(3.0), 1e-3 / math.sqrt(12.0))
    )
    assert bank.read("v") == bank.read("w")
