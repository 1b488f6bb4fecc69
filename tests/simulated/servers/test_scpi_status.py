"""Errors and status of the simulated supply, against SCPI-1999 and IEEE 488.2.

Numbers like (1.7) name the line of the check values the expectation comes from; sources stand beside them.
"""

from __future__ import annotations

import pytest
from hilseq_sim.servers import scpi_errors
from hilseq_sim.servers.scpi_commands import InstrumentOutput
from hilseq_sim.servers.scpi_instrument import Instrument


@pytest.fixture
def instrument(small_supply: type) -> Instrument:
    instrument = Instrument({1: InstrumentOutput(small_supply(), 35.2)})
    instrument.answer("*CLS")
    return instrument


def error(instrument: Instrument) -> int:
    answer = instrument.answer("SYST:ERR?")
    assert answer is not None
    return int(answer.partition(",")[0])


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "No error"),
        (-101, "Invalid character"),
        (-102, "Syntax error"),
        (-103, "Invalid separator"),
        (-104, "Data type error"),
        (-108, "Parameter not allowed"),
        (-109, "Missing parameter"),
        (-112, "Program mnemonic too long"),
        (-113, "Undefined header"),
        (-114, "Header suffix out of range"),
        (-131, "Invalid suffix"),
        (-134, "Suffix too long"),
        (-138, "Suffix not allowed"),
        (-221, "Settings conflict"),
        (-222, "Data out of range"),
        (-224, "Illegal parameter value"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
    ],
)
def test_error_texts(number: int, text: str) -> None:
    """(1.1) scpi-parser, libscpi/inc/scpi/error.h; several instrument manuals."""
    assert scpi_errors.entry(number) == f'{number},"{text}"'


@pytest.mark.parametrize(
    ("number", "bit"),
    [(-100, 32), (-199, 32), (-200, 16), (-222, 16), (-350, 8), (42, 8), (-410, 4), (-420, 4)],
)
def test_error_class_sets_its_event_bit(number: int, bit: int) -> None:
    """(1.2) bench-supply manuals, Appendix D Table D-1; the query row is from memory."""
    assert scpi_errors.event_bit(number) == bit


@pytest.mark.parametrize(("number", "bit"), [(-500, 128), (-600, 64), (-700, 2), (-800, 1)])
def test_events_that_are_no_errors(number: int, bit: int) -> None:
    """(1.3, 1.4) scpi-parser event classes; reference-multimeter remote manual, Table 2."""
    assert scpi_errors.event_bit(number) == bit


def test_unrecognised_command_reads_33(instrument: Instrument) -> None:
    """(1.5) power-analyser manual p. 16: 32 command error + 1 operation complete."""
    instrument.answer("NONSENSE 1")
    instrument.answer("*OPC")
    assert instrument.answer("*ESR?") == "33"
    assert instrument.answer("*ESR?") == "0"


def test_power_on_is_an_event(small_supply: type) -> None:
    """(1.4) bit 7 is power on."""
    assert Instrument({1: InstrumentOutput(small_supply(), 35.2)}).answer("*ESR?") == "128"


def test_status_byte_bits(instrument: Instrument) -> None:
    """(1.6) reference-multimeter remote manual, Table 1."""
    assert instrument.answer("*STB?") == "0"
    instrument.answer("NONSENSE")
    assert instrument.answer("*STB?") == "4"
    instrument.answer("*ESE 32")
    assert instrument.answer("*STB?") == "36"
    instrument.answer("*SRE 32")
    assert instrument.answer("*STB?") == "100"
    assert instrument.answer("*IDN?;*STB?") == "Ombrella,PS-3203,SIM-1,1.0;116"
    instrument.answer("*CLS")
    assert instrument.answer("*STB?;*ESE?;*SRE?") == "0;32;32"


def test_queue_is_first_in_first_out(instrument: Instrument) -> None:
    """(1.7) bench-supply manual p. 260."""
    for command in ("NONSENSE", "VOLT 99", "VOLT"):
        instrument.answer(command)
    assert instrument.answer("SYST:ERR:COUN?") == "3"
    assert [error(instrument) for _ in range(4)] == [-113, -222, -109, 0]
    assert instrument.answer("SYST:ERR?") == '0,"No error"'


def test_full_queue_ends_with_overflow(instrument: Instrument) -> None:
    """(1.7) the last entry is replaced by -350, the older ones stay."""
    for _ in range(scpi_errors.QUEUE_LENGTH + 5):
        instrument.answer("VOLT 99")
    numbers = [error(instrument) for _ in range(scpi_errors.QUEUE_LENGTH + 1)]
    assert numbers == [-222] * (scpi_errors.QUEUE_LENGTH - 1) + [-350, 0]


def test_clear_empties_the_queue(instrument: Instrument) -> None:
    """(1.7) *CLS empties it."""
    instrument.answer("NONSENSE")
    instrument.answer("*CLS")
    assert error(instrument) == 0


def test_all_errors_at_once(instrument: Instrument) -> None:
    instrument.answer("NONSENSE")
    instrument.answer("VOLT 99")
    assert instrument.answer("SYST:ERR:ALL?") == '-113,"Undefined header",-222,"Data out of range"'
    assert instrument.answer("SYST:ERR:ALL?") == '0,"No error"'


def test_regulation_shows_in_both_registers(small_supply: type) -> None:
    supply = small_supply()
    instrument = Instrument({1: InstrumentOutput(supply, 35.2)})
    assert instrument.answer("STAT:QUES:COND?;:STAT:OPER:COND?") == "0;0"
    instrument.answer("OUTP ON")
    assert instrument.answer("STAT:QUES:COND?;:STAT:OPER:COND?") == "2;256"
    supply.constant_current = True
    assert instrument.answer("STAT:QUES:COND?;:STAT:OPER:COND?") == "1;1024"


def test_events_latch_until_they_are_read(small_supply: type) -> None:
    supply = small_supply()
    instrument = Instrument({1: InstrumentOutput(supply, 35.2)})
    instrument.answer("*CLS;:STAT:QUES:ENAB 512")
    supply.overvoltage_tripped = True
    assert instrument.answer("*STB?") == "8"
    supply.overvoltage_tripped = False
    assert instrument.answer("STAT:QUES:COND?") == "0"
    assert instrument.answer("STAT:QUES?") == "512"
    assert instrument.answer("STAT:QUES:EVEN?;ENAB?") == "0;512"
    assert instrument.answer("*STB?") == "0"
    instrument.answer("STAT:PRES")
    assert instrument.answer("STAT:QUES:ENAB?;:STAT:OPER:ENAB?") == "0;0"
