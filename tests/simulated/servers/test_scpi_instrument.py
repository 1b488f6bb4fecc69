"""What the simulated supply does: settings, limits, outputs, conflicts; and the dialects of stand files."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hilseq_sim.servers.scpi_commands import COMMANDS, InstrumentOutput
from hilseq_sim.servers.scpi_instrument import Instrument
from hilseq_sim.servers.scpi_server import instrument as build
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.description.scpi import ScpiSupply as Supply

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import SmallSupply

CEILINGS = {"voltage": "30 V", "current": "3 A"}


@pytest.fixture
def supply(small_supply: type[SmallSupply]) -> SmallSupply:
    return small_supply()


@pytest.fixture
def instrument(supply: SmallSupply) -> Instrument:
    instrument = Instrument({1: InstrumentOutput(supply, 35.2)})
    instrument.answer("*CLS")
    return instrument


def error(instrument: Instrument) -> int:
    return int((instrument.answer("SYST:ERR?") or "").partition(",")[0])


def test_identity_is_four_fields(instrument: Instrument, supply: SmallSupply) -> None:
    """(1.11) optical-source manual p. 119: four fields, 72 characters, no comma or semicolon within."""
    assert instrument.answer("*IDN?") == "Ombrella,PS-3203,SIM-1,1.0"
    supply.identity = ("A, B", "C;D", "", "\xe9" * 100)
    answer = instrument.answer("*IDN?") or ""
    assert answer.startswith("A_ B,C_D,0,____")
    assert len(answer) == 72


@pytest.mark.parametrize(
    ("command", "query", "answer"),
    [
        ("VOLT 24", "VOLT?", "24"),
        ("SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 24.5 V", "SOUR:VOLT?", "24.5"),
        ("volt 500 mv", "volt?", "0.5"),
        ("VOLT MAX", "VOLT?", "32"),
        ("VOLT MIN", "VOLT?", "0"),
        ("CURR 450MA", "CURR?", "0.45"),
        ("CURR DEF", "CURR?", "3"),
        ("VOLT:PROT 31", "VOLT:PROT:LEV?", "31"),
        ("CURR:PROT:STAT ON", "CURR:PROT:STAT?", "1"),
        ("OUTP ON", "OUTP?", "1"),
        ("OUTPUT:STATE 1;STATE 0", "OUTPUT:STATE?", "0"),
        ("SENS:SWE:POIN 400", "SWE:POIN?", "400"),
        ("SWEEP:TINTERVAL 500 US", "SENSE:SWEEP:TINTERVAL?", "0.0005"),
        ("*ESE 60", "*ESE?", "60"),
        ("INST:NSEL 1", "INST:NSEL?", "1"),
        ("INST OUT1", "INST?", "OUT1"),
    ],
)
def test_what_is_set_reads_back(instrument: Instrument, command: str, query: str, answer: str) -> None:
    assert instrument.answer(command) is None
    assert instrument.answer(query) == answer
    assert error(instrument) == 0


@pytest.mark.parametrize(
    ("query", "answer"),
    [
        ("VOLT? MAX", "32"),
        ("VOLT? MIN", "0"),
        ("VOLT? DEF", "0"),
        ("CURR? MAX", "3"),
        ("VOLT:PROT? MAX", "35.2"),
        ("*OPC?", "1"),
        ("*TST?", "0"),
        ("SYST:VERS?", "1999.0"),
        ("INST:CAT?", '"OUT1"'),
        ("MEAS:VOLT?;CURR?;POW?", "24;0.1;2.4"),
        ("MEASURE:SCALAR:VOLTAGE:DC?;:MEAS:CURR:DC?", "24;0.1"),
        ("MEAS:CURR:MAX?;:MEAS:CHAR?", "2.25;0.0125"),
        ("VOLT?;OUTP?;*OPC?", "24;1;1"),
        ("VOLT:PROT:TRIP?;:CURR:PROT:TRIP?", "0;0"),
    ],
)
def test_queries(instrument: Instrument, query: str, answer: str) -> None:
    instrument.answer("VOLT 24;:OUTP ON")
    assert instrument.answer(query) == answer
    assert error(instrument) == 0


@pytest.mark.parametrize(
    ("command", "number"),
    [
        ("VOLT 33", -222),
        ("SENS:SWE:POIN 1", -222),
        ("SENS:SWE:TINT 0", -222),
        ("FETC:ARR:CURR?", -230),
        ("VOLT -1", -222),
        ("CURR 3.1", -222),
        ("VOLT:PROT 36", -222),
        ("*ESE 256", -222),
        ("INST:NSEL 2", -222),
        ("VOLT 1,(@2)", -222),
        ("OUTP2 ON", -114),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("*RST 1", -108),
        ("OUTP? 1", -108),
        ("VOLT FIVE", -224),
        ("OUTP MAYBE", -224),
        ("INST P25V", -224),
        ("VOLT? MIDDLE", -224),
        ("VOLT 5 A", -131),
        ("*ESE 5 V", -138),
        ("VOLT 'five'", -104),
        ("OUTP #13abc", -104),
        ("VOLT (@", -171),
        ("VOLT 1&2", -121),
        ("VOLT& 1", -101),
        ("VOLTAG 5", -113),
        ("MEAS:VOLT", -113),
        ("MEAS:VOLT?;MEAS:CURR?", -113),
    ],
)
def test_errors_have_their_standard_numbers(
    instrument: Instrument, supply: SmallSupply, command: str, number: int
) -> None:
    """(1.1) numbers; nothing is changed by a refused command."""
    before = vars(supply).copy()
    instrument.answer(command)
    assert error(instrument) == number
    assert error(instrument) == 0
    assert vars(supply) == before


def test_a_command_error_ends_the_message(instrument: Instrument, supply: SmallSupply) -> None:
    """IEEE 488.2, 7.1.2.2: what came before stands, the rest of the message is thrown away."""
    assert instrument.answer("VOLT 5;VOLT?;FOO;VOLT 6;*OPC?") == "5"
    assert supply.set_voltage == 5
    assert error(instrument) == -113


def test_an_execution_error_does_not(instrument: Instrument) -> None:
    assert instrument.answer("VOLT 99;*OPC?") == "1"
    assert error(instrument) == -222


def test_a_tripped_output_stays_off_until_cleared(instrument: Instrument, supply: SmallSupply) -> None:
    supply.overvoltage_tripped = True
    assert instrument.answer("VOLT:PROT:TRIP?") == "1"
    instrument.answer("OUTP ON")
    assert error(instrument) == -221
    assert not supply.output
    instrument.answer("OUTP:PROT:CLE;:OUTP ON")
    assert error(instrument) == 0
    assert supply.output


def test_reset(instrument: Instrument) -> None:
    instrument.answer("VOLT 24;CURR 1;:VOLT:PROT 30;:CURR:PROT:STAT ON;:OUTP ON;*RST")
    assert instrument.answer("OUTP?;VOLT?;CURR?;:VOLT:PROT?;:CURR:PROT:STAT?") == "0;0;3;35.2;0"


def test_two_outputs(small_supply: type[SmallSupply]) -> None:
    first, second = small_supply(), small_supply()
    instrument = Instrument({1: InstrumentOutput(first, 35.2), 2: InstrumentOutput(second, 35.2)})
    instrument.answer("VOLT 5;INST:NSEL 2;:VOLT 12")
    assert (first.set_voltage, second.set_voltage) == (5, 12)
    assert instrument.answer("INST:NSEL?;:INST?") == "2;OUT2"
    instrument.answer("VOLT 7,(@1)")
    assert instrument.answer("VOLT? (@1,2)") == "7,12"
    instrument.answer("OUTP ON,(@1:2)")
    assert (first.output, second.output) == (True, True)
    assert instrument.answer("OUTP1?;:SOUR1:VOLT? MAX;:MEAS1:VOLT?;:MEAS:VOLT?") == "1;32;7;12"
    instrument.answer("INST CH1;*RST")
    assert (first.output, second.output) == (False, False)


@given(
    st.text(
        alphabet=st.sampled_from("VOLTOUTPMEASCURRINIFETCHSWE:;?*,()@# '\"123.eEmMVA\x00\xe9"), max_size=40
    )
)
@settings(max_examples=300)
def test_no_message_breaks_the_instrument(message: str) -> None:
    class Empty:
        interval, points = 1e-3, 2

        def arm(self) -> None: ...

        def record(self) -> list[float] | None:
            return None

    class Steady:
        identity = ("a", "b", "c", "d")
        voltage_limits = current_limits = (0.0, 10.0)
        set_voltage = set_current = overvoltage = 0.0
        overcurrent_protection = output = False
        overvoltage_tripped = overcurrent_tripped = constant_current = False
        recorder = Empty()

        def clear_protection(self) -> None: ...

        def measure_voltage(self) -> float:
            return 0.0

        def measure_current(self) -> float:
            return 0.0

        def inrush(self) -> tuple[float, float]:
            return 0.0, 0.0

    instrument = Instrument({1: InstrumentOutput(Steady(), 11.0)})
    first = instrument.answer(message)
    assert first is None or first
    assert "No error" in (instrument.answer("*CLS;:SYST:ERR?") or "")


def test_a_record_is_answered_once_it_is_whole(instrument: Instrument) -> None:
    """Armed first, then as many readings as were asked for."""
    assert instrument.answer("SENS:SWE:POIN 4;:INIT") is None
    assert instrument.answer("FETC:ARR:CURR?") == "1.5,1.5,1.5,0.1"
    assert error(instrument) == 0


# Dialects: the twin of a stand file answers whatever commands the file gives.


def dialect(commands: dict[str, str | None], supply: SmallSupply, **more: object) -> Instrument:
    described = Supply.model_validate(
        {"resource": "TCPIP::192.0.2.10::5025::SOCKET", "ceilings": CEILINGS, "commands": commands, **more}
    )
    return build({described.output: (described, supply)})


ODD = {
    "identify": "ID?",
    "clear": None,
    "set-voltage": "VSET{output}:{value}",
    "read-set-voltage": "VSET{output}?",
    "set-current": "ISET{output}:{value}",
    "read-set-current": "ISET{output}?",
    "set-overvoltage": None,
    "read-overvoltage": None,
    "output-on": "OUT1",
    "output-off": "OUT0",
    "read-output": "STATUS?",
    "measure-voltage": "VOUT{output}?",
    "measure-current": "IOUT{output}?",
    "measure-both": "VOUT{output}?;IOUT{output}?",
    "next-error": "ERR?",
}


def test_an_odd_instrument(supply: SmallSupply) -> None:
    instrument = dialect(ODD, supply)
    assert instrument.answer("ID?") == "Ombrella,PS-3203,SIM-1,1.0"
    assert instrument.answer("VSET1:24.000") is None
    assert instrument.answer("iset1:0.5") is None
    assert instrument.answer("OUT1") is None
    assert instrument.answer("STATUS?") == "1"
    assert instrument.answer("VSET1?;ISET1?;VOUT1?") == "24;0.5;24"
    assert instrument.answer("VOUT1?;IOUT1?") == "24;0.1"
    assert instrument.answer("VOUT1?;IOUT1?;*OPC?") == "24;0.1;1"
    assert instrument.answer("ERR?") == '0,"No error"'
    instrument.answer("VSET1:99")
    assert instrument.answer("ERR?") == '-222,"Data out of range"'
    instrument.answer("OUT0")
    assert supply.output is False


@pytest.mark.parametrize(
    "command", ["VOLT 5", "*IDN?", "*CLS", "VOLT:PROT 5", "SYST:ERR?", "OUTP ON", "VSET2:5"]
)
def test_what_it_does_not_have_is_refused(supply: SmallSupply, command: str) -> None:
    instrument = dialect(ODD, supply)
    instrument.answer(command)
    assert (instrument.answer("ERR?") or "").startswith(('-113,"', '-114,"'))
    assert not supply.output


def test_longer_templates_win(supply: SmallSupply) -> None:
    instrument = dialect({"set-voltage": "SV {value}", "set-overvoltage": "SV P{value}"}, supply)
    instrument.answer("SV P 5")
    instrument.answer("SV P9")
    instrument.answer("SV 5")
    assert (supply.overvoltage, supply.set_voltage) == (9, 5)


@pytest.mark.parametrize(
    "commands",
    [
        {},
        {"set-voltage": "SOUR:VOLT:LEV {value}", "output-on": "OUTP:STAT 1"},
        {"measure-both": "MEAS:VOLT?;CURR?"},
        {"select": "INST:NSEL {output}"},
        {"set-voltage": "VOLT {value},(@{output})", "clear-protection": "VOLT:PROT:CLE"},
    ],
)
def test_templates_of_the_standard_need_no_dialect(
    supply: SmallSupply, commands: dict[str, str | None]
) -> None:
    instrument = dialect(commands, supply)
    assert instrument.answer("VOLT 5;:OUTP ON;:MEAS:VOLT?;CURR?;:SYST:ERR?").startswith("5;0.02")  # type: ignore[union-attr]


def test_one_answer_for_both_measurements(supply: SmallSupply) -> None:
    instrument = dialect({"measure-both": "MEAS:ALL?"}, supply)
    instrument.answer("VOLT 24;:OUTP ON")
    assert instrument.answer("MEAS:ALL?") == "24,0.1"


def test_odd_outputs_of_one_instrument(small_supply: type[SmallSupply]) -> None:
    views = {1: small_supply(), 2: small_supply()}
    described = {
        number: Supply.model_validate(
            {
                "resource": "GPIB0::5::INSTR",
                "output": number,
                "ceilings": CEILINGS,
                "commands": {
                    "select": "CHAN {output}",
                    "set-voltage": "V{output} {value}",
                    "output-on": "GO",
                },
            }
        )
        for number in views
    }
    instrument = build({number: (described[number], view) for number, view in views.items()})
    instrument.answer("V1 5")
    instrument.answer("V2 12")
    instrument.answer("CHAN 2")
    instrument.answer("GO")
    assert [(view.set_voltage, view.output) for view in views.values()] == [(5, False), (12, True)]


def test_every_command_has_one_entry() -> None:
    patterns = [command.pattern for command in COMMANDS]
    assert len(patterns) == len(set(patterns))
