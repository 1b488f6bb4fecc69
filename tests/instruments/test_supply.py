"""A supply is programmed ceilings first, verified by reading back, and switched off whatever happens."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.errors import (
    InstrumentError,
    InstrumentReset,
    InstrumentTimeout,
    Interlock,
    InvalidResponse,
    NotSafe,
    StandFault,
    WrongInstrument,
)
from hilseq.instruments.scpi_supply import ScpiOutput
from hilseq.instruments.supply import PowerSupply
from hilseq.procedures.bench import Bench as Stand
from tests.instruments.supply_bench import Bench

if TYPE_CHECKING:
    from tests.instruments.conftest import Answer, RawServer, SteppedClock

ServeText = Callable[["Answer"], "RawServer"]
Make = Callable[..., PowerSupply]


def test_a_whole_visit(make: Make, bench: Bench) -> None:
    """Prepare, set, on, measure, off: in this order on the wire, ceilings before power."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.set(24.0, 0.45)
    supply.on()
    assert supply.is_on()
    assert supply.voltage().value == pytest.approx(24.001)
    assert supply.current().value == pytest.approx(0.25)
    supply.off()
    assert not supply.is_on()
    assert bench.commands() == [
        "*CLS", "OUTP OFF", "VOLT 0", "CURR 0.5", "VOLT:PROT 30", "CURR 0.45", "VOLT 24", "OUTP ON",
        "OUTP OFF",
    ]  # fmt: skip


def test_nothing_is_sent_before_the_first_call(make: Make, bench: Bench) -> None:
    """Building the object of a supply that is off must not fail: `hilseq safe` needs all of them."""
    make()
    assert bench.heard == []


def test_uncertainty_comes_from_the_accuracy(make: Make) -> None:
    """0.05 % + 10 mV at 24.001 V is a limit of 22 mV, standard uncertainty limit / sqrt(3)."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.on()
    voltage, current = supply.both()
    assert (voltage.unit, current.unit) == ("V", "A")
    digits = {"V": 0.001, "A": 1e-5}  # of 24.001 and 2.5000E-01, as they were reported
    assert voltage.standard_uncertainty == pytest.approx(
        math.hypot((0.0005 * 24.001 + 0.01) / math.sqrt(3), digits["V"] / math.sqrt(12))
    )
    assert current.standard_uncertainty == pytest.approx(
        math.hypot((0.001 * 0.25 + 0.002) / math.sqrt(3), digits["A"] / math.sqrt(12))
    )
    assert math.isinf(voltage.degrees_of_freedom)


def test_accuracy_of_range_means_of_the_ceiling(make: Make) -> None:
    """A part of range is taken of what this stand may set, 32 V and 3 A."""
    supply = make(accuracy={"voltage": "0.1 % of range", "current": "0.1 % of range"})
    assert supply.voltage().standard_uncertainty == pytest.approx(0.032 / math.sqrt(3), rel=1e-3)
    assert supply.current().standard_uncertainty == pytest.approx(0.003 / math.sqrt(3), rel=1e-3)


def test_identity_is_compared_with_the_stand_file(make: Make, bench: Bench) -> None:
    """Case does not matter; a wrong serial number is another instrument."""
    assert make(identity={"maker": "acme", "model": "ps-1", "serial": "4711"}).identify().firmware == "1.02"
    with pytest.raises(WrongInstrument, match=r"says its serial is '4711'; the stand file expects '4712'"):
        make(identity={"serial": "4712"}).identify()
    bench.answers["*IDN?"] = "24.001"
    with pytest.raises(InvalidResponse, match="expected maker,model,serial,firmware"):
        make().identify()


def test_a_supply_that_does_not_tell_what_it_is_is_asked_whether_it_answers(make: Make, bench: Bench) -> None:
    """Its state is asked, nothing that it does not know."""
    assert str(make(commands={"identify": "none"}).identify()) == ""
    assert bench.heard == ["OUTP?"]


@pytest.mark.parametrize(("voltage", "current"), [(32.1, 1.0), (24.0, 3.1), (-1.0, 1.0), (math.nan, 1.0)])
def test_beyond_a_ceiling_nothing_is_sent(make: Make, bench: Bench, voltage: float, current: float) -> None:
    """The ceilings of the stand hold whatever a profile or a sequence asks."""
    supply = make()
    with pytest.raises(Interlock, match="refused, nothing was sent; expected 0 to"):
        supply.set(voltage, current)
    assert bench.heard == []


def test_the_units_ceiling_holds_after_prepare(make: Make, bench: Bench) -> None:
    """The lower of both ceilings is enforced; the protection never trips above what the unit can stand."""
    supply = make(overvoltage="35 V")
    supply.prepare(28.0, 0.5)
    assert bench.settings["VOLT:PROT"] == 28.0
    with pytest.raises(Interlock):
        supply.set(28.5)
    supply.prepare(50.0, 0.5)
    assert bench.settings["VOLT:PROT"] == 35.0
    supply.set(28.5)
    with pytest.raises(Interlock, match="current limit"):
        supply.prepare(28.0, 3.5)
    make().prepare(50.0, 0.5)
    assert bench.settings["VOLT:PROT"] == pytest.approx(1.05 * 32.0)


def test_the_next_reading_waits_until_it_holds(make: Make, clock: SteppedClock) -> None:
    """Settling costs time once, when something is measured, so that switching on can be timed."""
    supply = make(settle="200 ms")
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.on()
    assert clock.now() == 0.0
    supply.both()
    supply.current()
    assert clock.now() == pytest.approx(0.2)


def test_no_power_without_ceilings(make: Make, bench: Bench) -> None:
    """An output that was not prepared does not go on, nor after it was made safe."""
    supply = make()
    with pytest.raises(StandFault, match="not prepared"):
        supply.on()
    supply.prepare(30.0, 0.5)
    supply.power_off()
    with pytest.raises(StandFault, match="not prepared"):
        supply.on()
    assert "OUTP ON" not in bench.heard


@pytest.mark.parametrize(
    ("header", "value", "words"),
    [
        ("VOLT:PROT", 61.0, "over-voltage protection 61 V instead of 30 V"),
        ("VOLT", 0.0, "voltage setting 0 V instead of 24 V"),
        ("CURR", 9.0, "current limit 9 A instead of 0.5 A"),
    ],
)
def test_a_supply_that_was_without_mains_gives_no_power(
    make: Make, bench: Bench, header: str, value: float, words: str
) -> None:
    """It has forgotten its protection too: each of its settings tells, whether it is off or on."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.on()
    supply.check_settings()
    supply.off()
    bench.settings[header] = value
    with pytest.raises(InstrumentReset, match=words) as reported:
        supply.on()
    assert reported.value.places == ("supply main",)
    assert not bench.on
    bench.on = True
    with pytest.raises(InstrumentReset, match=words):
        supply.check_settings()
    supply.prepare(30.0, 0.5)
    supply.check_settings()


def test_a_supply_that_was_set_while_it_was_on_tells_when_it_is_off(make: Make, bench: Bench) -> None:
    """What was seen of a unit until then was seen at another supply; the output is off all the same."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.on()
    bench.settings["VOLT"] = 21.0
    with pytest.raises(InstrumentReset, match="voltage setting 21 V instead of 24 V"):
        supply.off()
    assert not bench.on


def test_without_read_backs_nothing_is_said_of_the_settings(make: Make, bench: Bench) -> None:
    """What cannot be asked is no reason to stop, nor is anything before it was prepared."""
    supply = make(commands=NO_READ_BACK)
    supply.check_settings()
    supply.prepare(30.0, 0.5)
    heard = len(bench.heard)
    bench.settings["VOLT:PROT"] = 61.0
    supply.check_settings()
    assert len(bench.heard) == heard


def test_nothing_is_said_of_the_settings_of_a_supply_that_was_made_safe(make: Make, bench: Bench) -> None:
    """It has to be prepared again before it gives power anyway."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.power_off()
    bench.settings["VOLT:PROT"] = 61.0
    supply.check_settings()


def test_an_error_of_the_instrument_is_a_stand_fault(make: Make, bench: Bench) -> None:
    """Number, text and the command are in the error; the queue is empty afterwards."""
    supply = make(commands={"clear-protection": "OUTP:PROT:CLE", "set-current": "CURRENT {value}"})
    bench.settings["CURR"] = 0.5
    with pytest.raises(InstrumentError, match=r"-113: Undefined header .*then -113") as caught:
        supply.prepare(30.0, 0.5)
    assert (caught.value.number, caught.value.text) == (-113, "Undefined header")
    assert supply.errors() == []


def test_a_positive_error_number_is_an_error(make: Make, bench: Bench) -> None:
    """One family of supplies numbers its errors upwards."""
    supply = make()
    bench.errors.append('170,"Command error"')
    with pytest.raises(InstrumentError, match="170") as caught:
        supply.errors()
    assert caught.value.number == 170


def test_events_in_the_queue_are_no_errors(make: Make, bench: Bench) -> None:
    """`Operation complete` is reported, a restart of the instrument is an error."""
    supply = make()
    bench.errors.append('-800,"Operation complete"')
    assert supply.errors() == ['-800 "Operation complete"']
    bench.errors.append('-500,"Power on"')
    with pytest.raises(InstrumentError, match="switched off and on"):
        supply.errors()


def test_old_errors_are_handed_over_and_forgotten(make: Make, bench: Bench) -> None:
    """What the instrument held before the visit is no fault of this visit."""
    bench.errors += ['-113,"Undefined header"', '-222,"Data out of range"']
    assert [entry.split()[0] for entry in make().prepare(30.0, 0.5)] == ["-113", "-222"]


def test_a_chattering_error_queue_does_not_hang(make: Make, bench: Bench) -> None:
    """A queue that never ends is garbage, reported within the bound of its reading."""
    bench.endless_errors = True
    with pytest.raises(
        InstrumentError, match=r"-350: Queue overflow \(.*instrument itself\); its error queue does"
    ):
        make().errors()
    bench.answers["SYST:ERR?"] = '-800,"Operation complete"'
    with pytest.raises(InvalidResponse, match="does not end after 64 entries; expected `next-error: none`"):
        make().errors()


def test_a_setting_that_does_not_read_back(make: Make, bench: Bench) -> None:
    """An instrument that swallows a setting without an error is found out."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.ignored.add("VOLT")
    with pytest.raises(StandFault, match=r"reads back 0 V as its voltage setting, sent as 24 V"):
        supply.set(24.0)


def test_an_output_that_does_not_follow(make: Make, bench: Bench) -> None:
    """On and off are believed when the instrument says so itself."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.ignored.add("OUTP")
    with pytest.raises(StandFault, match="is not on after it was switched on"):
        supply.on()
    bench.on = True
    with pytest.raises(StandFault, match="is still on after it was switched off"):
        supply.off()
    with pytest.raises(StandFault, match="is still on"):
        supply.prepare(30.0, 0.5)


def test_what_a_supply_says_may_lag_what_it_was_told(make: Make, bench: Bench) -> None:
    """State and settings are looked at until they hold, for `settle`; then no longer."""
    supply = make(settle="200 ms")
    bench.before = {"VOLT?": ["12.000", "12.000"], "OUTP?": ["1", "1"]}
    supply.prepare(30.0, 0.5)
    bench.before = {"VOLT?": ["0.000"], "OUTP?": ["0", "0", "0"]}
    supply.set(24.0)
    supply.on()
    bench.before = {"OUTP?": ["1", "1"]}
    supply.off()
    bench.before = {"OUTP?": ["0"] * 100}
    with pytest.raises(StandFault, match=r"is not on after it was switched on, within 200 ms \(`settle`\)"):
        supply.on()


def test_a_reading_that_is_none_for_a_moment_is_asked_for_again(make: Make, bench: Bench) -> None:
    """A meter that changes its range says `not a number` or infinity (SCPI-1999, 7.2.1): no fault until a deadline."""
    supply = make(deadline="300 ms")
    bench.before = {"MEAS:VOLT?": ["9.91E37"], "MEAS:CURR?": ["+9.9E37", "NAN"]}
    assert supply.both()[1].value == pytest.approx(0.25)
    bench.before = {"MEAS:VOLT?": ["9.91E37"], "MEAS:CURR?": ["9.9E37"]}
    supply.ask_both()
    assert supply.answer_both()[1] == pytest.approx(0.25)
    bench.answers["MEAS:CURR?"] = "9.91E37"
    with pytest.raises(InvalidResponse, match="nothing was measured"):
        supply.current()


def test_rounding_of_the_instrument_is_no_difference(make: Make, bench: Bench) -> None:
    """A read-back may differ by the accuracy of the instrument: it rounds to its resolution."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.answers["VOLT?"] = "23.99"
    supply.set(24.0)
    bench.answers["VOLT?"] = "23.97"
    with pytest.raises(StandFault, match=r"may be 0.022 V"):
        supply.set(24.0)


NO_READ_BACK = {
    "read-set-voltage": None, "read-set-current": None, "read-overvoltage": None, "read-output": None,
    "next-error": None, "clear": None, "set-overvoltage": None,
}  # fmt: skip


def test_an_instrument_without_read_backs(make: Make, bench: Bench, clock: SteppedClock) -> None:
    """Commands that are `none` are left out and settings verified by measuring."""
    supply = make(commands=NO_READ_BACK)
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.on()
    assert supply.is_on()
    supply.set(20.0)
    supply.off()
    assert clock.slept
    asked = {line for line in bench.heard if "?" in line}
    assert asked == {"MEAS:VOLT?", "MEAS:CURR?"}
    assert "VOLT:PROT 30" not in bench.heard


def test_without_read_backs_a_wrong_voltage_is_measured(make: Make, bench: Bench) -> None:
    """Too low counts against the stand unless the current limit explains it; too high always does."""
    supply = make(commands=NO_READ_BACK)
    supply.prepare(30.0, 0.5)
    supply.set(24.0)
    supply.voltage()  # an answer: the commands before it have been carried out
    bench.settings["VOLT"] = 10.0
    with pytest.raises(StandFault, match=r"was set to 24 V and delivers 10.001 V at 0.25 A"):
        supply.on()
    bench.load = 0.5  # a shorted unit: the supply does what it was commanded
    supply.on()
    bench.settings["VOLT"] = 26.0
    with pytest.raises(StandFault, match="delivers 26"):
        supply.on()
    bench.ignored.add("OUTP")
    with pytest.raises(StandFault, match="still on"):
        supply.off()


def test_a_supply_with_one_question_for_both_readings_only(make: Make, bench: Bench) -> None:
    """It is read by that question, whichever reading is wanted, and never asked what it does not know."""
    bench.answers["MEAS:ALL?"] = "12.001;0.25"
    supply = make(
        commands={"measure-both": "MEAS:ALL?", "measure-voltage": "none", "measure-current": "none"}
    )
    assert (supply.voltage().value, supply.voltage().unit) == (12.001, "V")
    assert (supply.current().value, supply.current().unit) == (0.25, "A")
    supply.ask_both()
    assert supply.answer_both() == (12.001, 0.25)
    assert set(bench.heard) == {"MEAS:ALL?"}


def test_an_odd_dialect_needs_no_python(make: Make, bench: Bench) -> None:
    """Two outputs, channel suffixes, one question for both readings: all from the stand file."""
    bench.settings |= {"INST": 0.0}
    bench.answers |= {"MEAS:ALL? 2": "+2.4001E1; 2.5E-1", "OUTP? CH2": "0", "SOUR2:VOLT?": "24.00"}
    supply = make(
        output=2,
        commands={
            "select": "INST {output}", "set-voltage": "SOUR{output}:VOLT {value}",
            "read-output": "OUTP? CH{output}", "read-set-voltage": "SOUR{output}:VOLT?",
            "measure-both": "MEAS:ALL? {output}", "next-error": None,
        },
    )  # fmt: skip
    supply.set(24.0)
    voltage, current = supply.both()
    assert (voltage.value, current.value) == (24.001, 0.25)
    assert bench.heard == [
        "INST 2", "SOUR2:VOLT 24", "INST 2", "SOUR2:VOLT?", "INST 2", "MEAS:ALL? 2",
    ]  # fmt: skip


def test_an_output_is_selected_in_the_message_that_is_for_it(make: Make, bench: Bench) -> None:
    """IEEE 488.2, 7.3.2: units of a message by `;`; SCPI-1999, 6.2.4: `:` begins at the root, never before a `*`."""
    identity, off = "INST:NSEL 2;*IDN?", "INST:NSEL 2;:OUTP?"
    bench.answers |= {identity: "Kestrowell,QUAD-36,1,2", off: "0", "INST:NSEL 2;:MEAS:VOLT?": "5"}
    joined = {"commands": {"select": "INST:NSEL {output}"}, "compound-messages": True}
    supply = make(output=2, **joined)
    assert supply.identify().model == "QUAD-36"
    assert not supply.is_on()
    assert supply.voltage().value == 5.0
    assert bench.heard == [identity, off, "INST:NSEL 2;:MEAS:VOLT?"]


def test_a_template_that_asks_for_nonsense(make: Make, bench: Bench) -> None:
    """A slip in a template of the stand file is reported with the template, nothing is sent."""
    supply = make()
    # The description refuses such a template; the driver does not rely on it.
    output = supply._output
    assert isinstance(output, ScpiOutput)
    output._commands = output._commands.model_copy(update={"set_voltage": "VOLT {volts}"})
    expected = re.escape("'VOLT {volts}' asks for {volts}; expected {value} or {output}")
    with pytest.raises(StandFault, match=expected):
        supply.set(24.0)
    assert bench.heard == []


@pytest.mark.parametrize("answer", ["9.91E37", "NAN", "garbage", "", "24.0,0.2"])
def test_nonsense_is_never_a_reading(make: Make, bench: Bench, answer: str) -> None:
    """A reading that cannot be understood is a fault of the stand."""
    bench.answers["MEAS:VOLT?"] = answer
    with pytest.raises(InvalidResponse, match="MEAS:VOLT"):
        make().voltage()


def test_protection_tripped(make: Make, bench: Bench) -> None:
    """By its own word, or because the output is off although it was switched on."""
    supply = make()
    supply.prepare(30.0, 0.5)
    supply.on()
    assert not supply.protection_tripped()
    bench.on = False
    assert supply.protection_tripped()
    bench.answers["VOLT:PROT:TRIP?"] = "1"
    assert make(commands={"overvoltage-tripped": "VOLT:PROT:TRIP?"}).protection_tripped()


def test_power_off_ignores_old_errors(make: Make, bench: Bench) -> None:
    """Errors in the queue do not keep an output on, even when the queue never ends."""
    bench.errors.append('-222,"Data out of range"')
    make().power_off()
    assert not bench.on
    bench.on, bench.endless_errors = True, True
    make().power_off()
    assert not bench.on


def test_power_off_keeps_trying(make: Make, bench: Bench) -> None:
    """An instrument that is deaf for a while is switched off as soon as it hears again."""
    supply = make()
    bench.stuck_on = True
    with pytest.raises(NotSafe, match=r"still says that it is on; switch it off by hand"):
        supply.power_off(within=0.3)
    assert bench.heard.count("OUTP OFF") > 2
    bench.stuck_on = False
    supply.power_off(within=0.3)
    assert not bench.on


def test_power_off_on_a_silent_instrument(make: Make, bench: Bench) -> None:
    """What cannot be verified is said to be not safe, with the reason, within the time allowed."""
    supply = make()
    bench.dead = True
    with pytest.raises(NotSafe, match=r"did not answer 'OUTP\?'") as caught:
        supply.power_off(within=0.5)
    assert isinstance(caught.value.__cause__, InstrumentTimeout)
    bench.dead = False
    supply.power_off(within=1.0)
    assert not bench.on


def test_power_off_without_read_back_measures(make: Make, bench: Bench) -> None:
    """No read-back: safe is what delivers nothing."""
    supply = make(commands=NO_READ_BACK)
    supply.power_off()
    bench.on, bench.stuck_on = True, True
    with pytest.raises(NotSafe, match="still delivers"):
        supply.power_off(within=0.2)


def test_power_off_does_not_need_the_clock(make: Make, bench: Bench, clock: SteppedClock) -> None:
    """The stepped clock belongs to the simulator, which may be what died."""
    clock.broken = True
    make(commands=NO_READ_BACK).power_off()
    assert not bench.on


def test_a_question_that_the_supply_does_not_know_is_reported_as_such(make: Make, bench: Bench) -> None:
    """It stays silent and has -113 in its queue: nobody is sent to look at plugs and switches."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.mute = {"MEAS:CURR?"}
    with pytest.raises(InstrumentError) as caught:
        supply.current()
    assert str(caught.value).endswith(
        "answered 'MEAS:CURR?' with error -113: Undefined header (it does not understand the command)"
    )
    assert caught.value.number == -113
    assert supply.voltage().value == pytest.approx(0.001)


def test_an_answer_that_is_only_lost_is_silence(make: Make, bench: Bench) -> None:
    """Other entries of the queue, such as the one about the answer nobody fetched, are no refusal."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.errors = ['-410,"Query INTERRUPTED"']
    bench.mute, bench.refuses = {"MEAS:CURR?"}, False
    with pytest.raises(
        InstrumentTimeout, match=r"did not answer 'MEAS:CURR\?' within 1.2 s; is it switched on"
    ):
        supply.current()


def test_a_lost_instrument_blames_the_stand(make: Make, bench: Bench) -> None:
    """Silence of the supply is never a fault of the unit."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.dead = True
    with pytest.raises(InstrumentTimeout, match=r"supply main .*'MEAS:CURR\?' within 1.2 s"):
        supply.current()


# -- interruptions ----------------------------------------------------------------------------------


def test_nothing_is_asked_during_an_interruption(make: Make, bench: Bench, clock: SteppedClock) -> None:
    """Off and on follow each other with only the pause between them, and then both are verified."""
    supply = make()
    supply.prepare(32.0, 1.0)
    supply.set(24.0)
    supply.on()
    bench.heard.clear()
    before = clock.now()
    length = supply.interrupt(0.25)
    assert bench.heard[:2] == ["OUTP OFF", "OUTP ON"]
    assert "OUTP?" in bench.heard[2:]
    assert clock.now() - before == pytest.approx(0.25)
    assert length.value == pytest.approx(0.25)


def test_the_length_of_an_interruption_is_as_exact_as_the_supply_is_fast(make: Make) -> None:
    """Two limits of 20 ms, triangular together: 20 ms / sqrt 6 (GUM 4.3.9); settling counts without a response."""
    for changes, limit in (({"response": "20 ms"}, 0.020), ({"settle": "80 ms"}, 0.080)):
        supply = make(**changes)
        supply.prepare(32.0, 1.0)
        supply.on()
        length = supply.interrupt(0.1)
        assert length.standard_uncertainty == pytest.approx(limit / math.sqrt(6.0), rel=1e-3)


def test_an_output_that_is_off_is_not_interrupted(make: Make, bench: Bench) -> None:
    """It would be on afterwards."""
    supply = make()
    supply.prepare(32.0, 1.0)
    with pytest.raises(StandFault, match="there is nothing to interrupt"):
        supply.interrupt(0.1)
    assert "OUTP ON" not in bench.heard


def test_an_output_that_does_not_come_back_is_a_stand_fault(make: Make, bench: Bench) -> None:
    """Nothing is said of the unit then."""
    supply = make()
    supply.prepare(32.0, 1.0)
    supply.on()
    bench.answers["OUTP?"] = "0"
    with pytest.raises(StandFault, match="not on again after an interruption"):
        supply.interrupt(0.1)


def test_a_mute_supply_keeps_no_other_on(serve_text: ServeText, make: Make, bench: Bench) -> None:
    """All are commanded to switch off before the first is waited for."""
    other = Bench()

    def answer(line: str) -> str | None:
        bench.heard.append(f"second {line}")
        return other(line)

    first, second = make(), make(resource=serve_text(answer).resource)
    bench.dead = True
    assert list(Stand._switch_off([first, second])) == ["supply main"]
    assert not other.on
    waited_for = [number for number, line in enumerate(bench.heard) if line == "OUTP?"]
    assert bench.heard.index("second OUTP OFF") < waited_for[1]  # a deadline after the first time
