"""A supply is programmed ceilings first, verified by reading back, and switched off whatever happens."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.description.stand import Supply
from hilseq.errors import (
    InstrumentError,
    InstrumentGarbage,
    InstrumentSilent,
    Interlock,
    NotSafe,
    StandFault,
    WrongInstrument,
)
from hilseq.instruments.supply import PowerSupply
from hilseq.procedures.bench import Bench as Stand

if TYPE_CHECKING:
    from tests.instruments.conftest import Answer, RawServer, SteppedClock

ServeText = Callable[["Answer"], "RawServer"]


class Bench:
    """A small supply behind a real socket; each fault of it is switched on by a test."""

    def __init__(self) -> None:
        self.settings = {"VOLT": 12.0, "CURR": 9.0, "VOLT:PROT": 99.0}
        self.on = True
        self.load = 0.25
        self.errors: list[str] = []
        self.heard: list[str] = []
        self.endless_errors = False
        self.stuck_on = False
        self.dead = False
        self.answers: dict[str, str] = {"*IDN?": "ACME,PS-1,4711,1.02"}
        self.ignored: set[str] = set()

    def __call__(self, line: str) -> str | None:
        self.heard.append(line)
        if self.dead:
            return None
        if line in self.answers:
            return self.answers[line]
        if line.endswith("?"):
            return self._question(line[:-1])
        self._command(line)
        return None

    def _question(self, header: str) -> str | None:
        if header == "SYST:ERR":
            if self.endless_errors:
                return '-350,"Queue overflow"'
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        volts = self.settings["VOLT"] if self.on else 0.0
        if header == "OUTP":
            return str(int(self.on))
        if header == "MEAS:VOLT":
            return f"{volts + 0.001:.4E}"
        if header == "MEAS:CURR":
            return f"{self.load if self.on else 0.0:.4E}"
        return f"{self.settings[header]:.3f}" if header in self.settings else None

    def _command(self, line: str) -> None:
        header, _, value = line.partition(" ")
        if header in self.ignored:
            return
        if line == "*CLS":
            self.errors.clear()
        elif header == "OUTP":
            self.on = value == "ON" or self.stuck_on
        elif header in self.settings:
            if float(value) > 60:
                self.errors.append('-222,"Data out of range"')
            else:
                self.settings[header] = float(value)
        else:
            self.errors.append('-113,"Undefined header"')

    def commands(self) -> list[str]:
        """Return what was heard, without the questions."""
        return [line for line in self.heard if "?" not in line]


@pytest.fixture
def bench() -> Bench:
    return Bench()


Make = Callable[..., PowerSupply]


@pytest.fixture
def make(bench: Bench, serve_text: ServeText, clock: SteppedClock) -> Any:
    made: list[PowerSupply] = []

    def build(**changes: Any) -> PowerSupply:
        description = Supply.model_validate(
            {
                "resource": serve_text(bench).resource,
                "ceilings": {"voltage": "32 V", "current": "3 A"},
                "accuracy": {"voltage": "0.05 % + 10 mV", "current": "0.1 % + 2 mA"},
                "deadline": "300 ms",
            }
            | changes
        )
        made.append(PowerSupply("main", description, clock))
        return made[-1]

    yield build
    for supply in made:
        supply.close()


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
    assert voltage.standard_uncertainty == pytest.approx((0.0005 * 24.001 + 0.01) / math.sqrt(3))
    assert current.standard_uncertainty == pytest.approx((0.001 * 0.25 + 0.002) / math.sqrt(3))
    assert math.isinf(voltage.degrees_of_freedom)


def test_accuracy_of_range_means_of_the_ceiling(make: Make) -> None:
    """A part of range is taken of what this stand may set, 32 V and 3 A."""
    supply = make(accuracy={"voltage": "0.1 % of range", "current": "0.1 % of range"})
    assert supply.voltage().standard_uncertainty == pytest.approx(0.032 / math.sqrt(3))
    assert supply.current().standard_uncertainty == pytest.approx(0.003 / math.sqrt(3))


def test_identity_is_compared_with_the_stand_file(make: Make, bench: Bench) -> None:
    """Case does not matter; a wrong serial number is another instrument."""
    assert make(identity={"maker": "acme", "model": "ps-1", "serial": "4711"}).identify().firmware == "1.02"
    with pytest.raises(WrongInstrument, match=r"says its serial is '4711'; the stand file expects '4712'"):
        make(identity={"serial": "4712"}).identify()
    bench.answers["*IDN?"] = "24.001"
    with pytest.raises(InstrumentGarbage, match="expected maker,model,serial,firmware"):
        make().identify()


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
    supply.make_safe()
    with pytest.raises(StandFault, match="not prepared"):
        supply.on()
    assert "OUTP ON" not in bench.heard


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
    """`Operation complete` is told, a restart of the instrument is an error."""
    supply = make()
    bench.errors.append('-800,"Operation complete"')
    assert [entry.number for entry in supply.errors()] == [-800]
    bench.errors.append('-500,"Power on"')
    with pytest.raises(InstrumentError, match="switched off and on"):
        supply.errors()


def test_old_errors_are_handed_over_and_forgotten(make: Make, bench: Bench) -> None:
    """What the instrument held before the visit is no fault of this visit."""
    bench.errors += ['-113,"Undefined header"', '-222,"Data out of range"']
    assert [entry.number for entry in make().prepare(30.0, 0.5)] == [-113, -222]


def test_a_chattering_error_queue_does_not_hang(make: Make, bench: Bench) -> None:
    """A queue that never ends is garbage, told within the bound of its reading."""
    bench.endless_errors = True
    with pytest.raises(InstrumentError, match="-350: Queue overflow"):
        make().errors()
    bench.answers["SYST:ERR?"] = '-800,"Operation complete"'
    with pytest.raises(InstrumentGarbage, match="does not end after 64 entries"):
        make().errors()


def test_a_setting_that_does_not_read_back(make: Make, bench: Bench) -> None:
    """An instrument that swallows a setting without an error is found out."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.ignored.add("VOLT")
    with pytest.raises(StandFault, match=r"voltage setting was sent as 24 V and reads back as 0 V"):
        supply.set(24.0)


def test_an_output_that_does_not_follow(make: Make, bench: Bench) -> None:
    """On and off are believed when the instrument says so itself."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.ignored.add("OUTP")
    with pytest.raises(StandFault, match="is not on after 'OUTP ON'"):
        supply.on()
    bench.on = True
    with pytest.raises(StandFault, match="is still on after 'OUTP OFF'"):
        supply.off()
    with pytest.raises(StandFault, match="is still on"):
        supply.prepare(30.0, 0.5)


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
    bench.load = 0.5  # a shorted unit: the supply does what it was told
    supply.on()
    bench.settings["VOLT"] = 26.0
    with pytest.raises(StandFault, match="delivers 26"):
        supply.on()
    bench.ignored.add("OUTP")
    with pytest.raises(StandFault, match="still on"):
        supply.off()


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


def test_a_template_that_asks_for_nonsense(make: Make, bench: Bench) -> None:
    """A slip in a template of the stand file is told with the template, nothing is sent."""
    supply = make()
    # The description refuses such a template; the driver does not rely on it.
    supply._commands = supply._commands.model_copy(update={"set_voltage": "VOLT {volts}"})
    expected = re.escape("'VOLT {volts}' asks for {volts}; expected {value} or {output}")
    with pytest.raises(StandFault, match=expected):
        supply.set(24.0)
    assert bench.heard == []


@pytest.mark.parametrize("answer", ["9.91E37", "NAN", "garbage", "", "24.0,0.2"])
def test_nonsense_is_never_a_reading(make: Make, bench: Bench, answer: str) -> None:
    """A reading that cannot be understood is a fault of the stand."""
    bench.answers["MEAS:VOLT?"] = answer
    with pytest.raises(InstrumentGarbage, match="MEAS:VOLT"):
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


def test_make_safe_ignores_old_errors(make: Make, bench: Bench) -> None:
    """Errors in the queue do not keep an output on, even when the queue never ends."""
    bench.errors.append('-222,"Data out of range"')
    make().make_safe()
    assert not bench.on
    bench.on, bench.endless_errors = True, True
    make().make_safe()
    assert not bench.on


def test_make_safe_keeps_trying(make: Make, bench: Bench) -> None:
    """An instrument that is deaf for a while is switched off as soon as it hears again."""
    supply = make()
    bench.stuck_on = True
    start = time.monotonic()
    with pytest.raises(NotSafe, match=r"still says that it is on\. Switch it off by hand"):
        supply.make_safe(within=0.3)
    assert 0.2 < time.monotonic() - start < 10.0
    assert bench.heard.count("OUTP OFF") > 2
    bench.stuck_on = False
    supply.make_safe(within=0.3)
    assert not bench.on


def test_make_safe_on_a_silent_instrument(make: Make, bench: Bench) -> None:
    """What cannot be verified is said to be not safe, with the reason, within the time allowed."""
    supply = make()
    bench.dead = True
    start = time.monotonic()
    with pytest.raises(NotSafe, match=r"did not answer 'OUTP\?'") as caught:
        supply.make_safe(within=0.5)
    assert isinstance(caught.value.__cause__, InstrumentSilent)
    assert time.monotonic() - start < 10.0
    bench.dead = False
    supply.make_safe(within=1.0)
    assert not bench.on


def test_make_safe_without_read_back_measures(make: Make, bench: Bench) -> None:
    """No read-back: safe is what delivers nothing."""
    supply = make(commands=NO_READ_BACK)
    supply.make_safe()
    bench.on, bench.stuck_on = True, True
    with pytest.raises(NotSafe, match="still delivers"):
        supply.make_safe(within=0.2)


def test_make_safe_does_not_need_the_clock(make: Make, bench: Bench, clock: SteppedClock) -> None:
    """The stepped clock belongs to the simulator, which may be what died."""
    clock.broken = True
    make(commands=NO_READ_BACK).make_safe()
    assert not bench.on


def test_a_lost_instrument_blames_the_stand(make: Make, bench: Bench) -> None:
    """Silence of the supply is never a fault of the unit."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.dead = True
    with pytest.raises(InstrumentSilent, match=r"supply main .*'MEAS:CURR\?' within 0.3 s"):
        supply.current()


# -- interruptions and inrush -----------------------------------------------------------------------


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


def test_the_record_of_the_inrush_is_read_where_there_is_one(
    make: Make, bench: Bench, clock: SteppedClock
) -> None:
    """Peak and charge, the charge as inexact as the current over the time it was summed up."""
    bench.answers |= {"PEAK?": "1.5", "CHAR?": "0.05"}
    supply = make(commands={"measure-peak-current": "PEAK?", "measure-charge": "CHAR?"})
    supply.prepare(32.0, 2.0)
    supply.on()
    clock.sleep(0.5)
    found = supply.inrush()
    assert found is not None
    assert found.peak is not None
    assert found.charge is not None
    assert (found.peak.value, found.peak.unit) == (1.5, "A")
    # 0.1 % + 2 mA of the description: of the charge 0.1 % and 2 mA for half a second.
    assert found.charge.standard_uncertainty == pytest.approx((0.05e-3 + 2e-3 * 0.5) / math.sqrt(3.0))


def test_a_supply_without_a_record_says_so(make: Make, bench: Bench) -> None:
    """It is not asked anything."""
    supply = make()
    supply.prepare(32.0, 2.0)
    supply.on()
    bench.heard.clear()
    assert supply.inrush() is None
    assert bench.heard == []


WAVEFORM = {
    "commands": {"arm-waveform": "ACQ:ARM", "read-waveform": "ACQ:CURR?"},
    "waveform": {"interval": "10 ms", "length": "100 ms"},
}


def test_a_record_is_armed_before_power_and_read_when_it_is_whole(
    make: Make, bench: Bench, clock: SteppedClock
) -> None:
    """Times from the description, currents from the answer, each as exact as a reading of the supply."""
    bench.ignored = {"ACQ:ARM"}
    bench.answers |= {"ACQ:CURR?": "+1.5000E+00,1.5,500mA, 0.1" + 6 * ",0.1"}
    supply = make(**WAVEFORM)
    supply.prepare(32.0, 2.0)
    bench.heard.clear()
    before = clock.now()
    supply.on()
    assert bench.heard[:2] == ["ACQ:ARM", "OUTP ON"]
    record = supply.waveform()
    assert record is not None
    assert clock.now() - before == pytest.approx(0.1)
    assert [round(time, 6) for time, _ in record][:4] == [0.0, 0.01, 0.02, 0.03]
    assert [current.value for _, current in record] == [1.5, 1.5, 0.5] + 7 * [0.1]
    assert record[0][1].standard_uncertainty == pytest.approx((1.5e-3 + 2e-3) / math.sqrt(3.0))


@pytest.mark.parametrize(
    "answer",
    ["1.5", "1.5,", "", 9 * "1," + "9.91E37", 9 * "1;" + "1", 9 * "1," + "overload", 10 * "1," + "1"],
)
def test_what_is_no_record_is_the_supplys_fault(make: Make, bench: Bench, answer: str) -> None:
    """Nothing is guessed from half a record."""
    bench.ignored = {"ACQ:ARM"}
    bench.answers |= {"ACQ:CURR?": answer}
    supply = make(**WAVEFORM)
    supply.prepare(32.0, 2.0)
    supply.on()
    with pytest.raises(StandFault):
        supply.waveform()


def test_a_record_that_nobody_armed(make: Make, bench: Bench) -> None:
    """The usual reason why there is none is told where the stand file does not arm it."""
    unarmed = {name: text for name, text in WAVEFORM["commands"].items() if name != "arm-waveform"}
    supply = make(**(WAVEFORM | {"commands": unarmed}))
    supply.prepare(32.0, 2.0)
    supply.on()
    bench.dead = True
    with pytest.raises(InstrumentSilent, match=r"ACQ:CURR\?.*needs `arm-waveform` in the stand file"):
        supply.waveform()


@pytest.mark.parametrize(
    ("half", "words"),
    [
        ({"waveform": WAVEFORM["waveform"]}, "expected both or neither"),
        ({"commands": {"read-waveform": "ACQ:CURR?"}}, "expected both or neither"),
        ({"commands": {"arm-waveform": "ACQ:ARM"}}, "arms a record that nothing reads"),
        (
            {**WAVEFORM, "waveform": {"interval": "1 s", "length": "200 ms"}},
            "0.2 readings; expected 10 to 4096",
        ),
        (
            {**WAVEFORM, "waveform": {"interval": "500 us", "length": "3 s"}},
            "6000 readings; expected 10 to 4096",
        ),
    ],
)
def test_a_record_that_cannot_be_read_is_refused(half: dict[str, object], words: str) -> None:
    """Times without a record, a record without times, and more readings than fit one answer."""
    ceilings = {"voltage": "32 V", "current": "3 A"}
    with pytest.raises(ValueError, match=words):
        Supply.model_validate({"resource": "x", "ceilings": ceilings, **half})


def test_a_mute_supply_keeps_no_other_on(serve_text: ServeText, make: Make, bench: Bench) -> None:
    """All are told to switch off before the first is waited for."""
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


WATCHDOG = {
    "watchdog": "12 s",
    "commands": {"set-watchdog": "WDOG {value}", "read-watchdog": "WDOG?", "clear-watchdog": "WDOG:CLE"},
}


def test_the_watchdog_is_set_before_power_and_ended_after_it(make: Make, bench: Bench) -> None:
    """It is set and read back while the output is off; once the output is off for good it watches no more."""
    bench.ignored = {"WDOG", "WDOG:CLE"}
    bench.answers |= {"WDOG?": "12"}
    supply = make(**WATCHDOG)
    supply.prepare(30.0, 0.5)
    assert bench.heard.index("OUTP OFF") < bench.heard.index("WDOG 12") < bench.heard.index("WDOG?")
    supply.on()
    bench.heard.clear()
    supply.make_safe()
    assert bench.heard.index("OUTP OFF") < bench.heard.index("WDOG:CLE")


def test_a_watchdog_that_reads_back_otherwise_powers_nothing(make: Make, bench: Bench) -> None:
    """An instrument that takes milliseconds, say, is found before there is power."""
    bench.ignored = {"WDOG"}
    bench.answers |= {"WDOG?": "0.012"}
    supply = make(**WATCHDOG)
    with pytest.raises(StandFault, match=r"watchdog was set to 12 s and reads back as 0\.012 s"):
        supply.prepare(30.0, 0.5)
    with pytest.raises(StandFault, match="was not prepared"):
        supply.on()


def test_the_watchdog_is_fed_when_nothing_else_is_said(
    make: Make, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a third of its patience, once; never between the two halves of a question, whose answer is kept."""
    bench.ignored = {"WDOG", "WDOG:CLE"}
    bench.answers |= {"WDOG?": "12"}
    supply = make(**WATCHDOG)
    supply.keep_in_touch()
    assert bench.heard == []  # nothing is watched yet
    supply.prepare(30.0, 0.5)
    supply.on()
    bench.heard.clear()
    supply.keep_in_touch()
    assert bench.heard == []
    now = time.monotonic
    monkeypatch.setattr(time, "monotonic", lambda: now() + 4.1)
    supply.keep_in_touch()
    supply.keep_in_touch()
    assert bench.heard == ["OUTP?"]
    supply.ask_both()
    monkeypatch.setattr(time, "monotonic", now)
    while "MEAS:VOLT?" not in bench.heard:
        time.sleep(0.01)
    time.sleep(0.3)  # the answer is there before its deadline
    monkeypatch.setattr(time, "monotonic", lambda: now() + 8.3)
    supply.keep_in_touch()
    supply.answer_both()
    assert bench.heard == ["OUTP?", "MEAS:VOLT?", "MEAS:CURR?"]
    bench.dead = True
    monkeypatch.setattr(time, "monotonic", lambda: now() + 12.5)
    supply.keep_in_touch()  # what is wrong is told by the next question that matters


def test_without_a_watchdog_nothing_is_fed(make: Make, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """No question more than before."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.heard.clear()
    now = time.monotonic
    monkeypatch.setattr(time, "monotonic", lambda: now() + 3600.0)
    supply.keep_in_touch()
    assert bench.heard == []


@pytest.mark.parametrize(
    ("half", "words"),
    [
        ({"watchdog": "12 s"}, "expected both or neither"),
        ({"commands": {"set-watchdog": "WDOG {value}"}}, "expected both or neither"),
        ({"commands": {"read-watchdog": "WDOG?"}}, "`read-watchdog` is for a watch that nothing sets"),
        ({"commands": {"clear-watchdog": "WDOG:CLE"}}, "`clear-watchdog` is for a watch that nothing sets"),
        ({**WATCHDOG, "deadline": "5 s"}, "expected three deadlines or more"),
        ({**WATCHDOG, "watchdog": "9 s"}, "greater than or equal to 10"),
    ],
)
def test_a_watchdog_that_could_not_work_is_refused(half: dict[str, object], words: str) -> None:
    """Half of what it needs, and a patience that a run in good order could exceed."""
    ceilings = {"voltage": "32 V", "current": "3 A"}
    with pytest.raises(ValueError, match=words):
        Supply.model_validate({"resource": "x", "ceilings": ceilings, **half})
