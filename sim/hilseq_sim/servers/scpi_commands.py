"""What every SCPI command of a programmable DC supply does.

The class "DC power supply" of SCPI-1999 and the common commands of IEEE 488.2. A command is a function of
the instrument's state, the output it is for and its parameters; the tables at the end say which header runs
which. No I/O.
"""
# ruff: noqa: ARG001 - all commands take the same three arguments, whether they need them or not

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from hilseq_sim.servers import scpi_numbers
from hilseq_sim.servers.scpi_errors import OPERATION_COMPLETE, EventRegister, ScpiError, Status
from hilseq_sim.servers.scpi_numbers import written
from hilseq_sim.views import SupplyView

# Bits of STATus:QUEStionable.
VOLTAGE_UNREGULATED = 1 << 0  # the supply limits the current
CURRENT_UNREGULATED = 1 << 1  # the supply holds the voltage
OVERVOLTAGE = 1 << 9
OVERCURRENT = 1 << 10
# Bits of STATus:OPERation.
CONSTANT_VOLTAGE = 1 << 8
CONSTANT_CURRENT = 1 << 10

#: The mask registers are 8 bits (IEEE 488.2) and 16 bits, the highest never used (SCPI-1999).
BYTE = 255
WORD = 32767
#: Bit 6 of the service request mask cannot be set (IEEE 488.2, 11.3.2).
SERVICE_REQUEST = 64
LONGEST_IDENTITY = 72
#: Readings that the waveform memory holds, and times between two of them, s.
MOST_POINTS = 4096
INTERVALS = (1e-5, 10.0)
#: Silences, s, after which a supply's own watchdog can be set to switch off.
SILENCES = (1.0, 3600.0)
_FORBIDDEN_IN_IDENTITY = re.compile(r"[^\x20-\x2B\x2D-\x3A\x3C-\x7E]")

Answer: TypeAlias = "str | None"
Run: TypeAlias = "Callable[[InstrumentState, InstrumentOutput, Sequence[str]], str | None]"
Part: TypeAlias = "Callable[[InstrumentState, InstrumentOutput], object]"


@dataclass(slots=True)
class InstrumentOutput:
    """One output of the instrument. `highest_protection` is the largest over-voltage level, in volts.

    `watchdog`: silence after which it is switched off, s of real time; 0 for never.
    """

    view: SupplyView
    highest_protection: float
    watchdog: float = 0.0


@dataclass(slots=True)
class InstrumentState:
    """What an instrument remembers. `answered`: the message under way has an answer waiting already."""

    outputs: Mapping[int, InstrumentOutput]
    selected: int
    status: Status = field(default_factory=Status)
    answered: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """One header. `purpose` is its name among the stand file's command templates, if it has one."""

    pattern: str
    run: Run
    least: int = 0
    most: int = 0
    per_output: bool = False
    purpose: str = ""


# What several commands are made of.


def _puts(part: Part, attribute: str, read: Callable[[str], object]) -> Run:
    """Return the command that sets an attribute of a part to what its parameter says."""

    def run(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
        setattr(part(state, output), attribute, read(parameters[0]))
        return None

    return run


def _asks(read: Part) -> Run:
    """Return the query that answers a text, a whole number, or 1 or 0."""

    def run(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
        found = read(state, output)
        return str(int(found) if isinstance(found, bool) else found)

    return run


def _does(act: Part) -> Run:
    """Return the command that does something and answers nothing."""

    def run(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
        act(state, output)
        return None

    return run


def _level(
    attribute: str, unit: str, limits: Callable[[InstrumentOutput], tuple[float, float, float]]
) -> tuple[Run, Run]:
    """Return the command of a level, and the query for it or for one of its limits: lowest, highest, default."""

    def put(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
        setattr(output.view, attribute, scpi_numbers.level(parameters[0], unit, *limits(output)))
        return None

    def ask(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
        if parameters:
            return written(scpi_numbers.limit(parameters[0], *limits(output)))
        return written(getattr(output.view, attribute))

    return put, ask


def _register(of: Callable[[Status], EventRegister]) -> tuple[Run, Run, Run, Run]:
    """Return the queries for a SCPI register's event (which clears it), condition and mask, and what sets the mask."""

    def looked(state: InstrumentState) -> EventRegister:
        look(state)
        return of(state.status)

    return (
        _asks(lambda state, _: looked(state).take_event()),
        _asks(lambda state, _: looked(state).condition),
        _asks(lambda state, _: of(state.status).enable),
        _puts(lambda state, _: of(state.status), "enable", _word),
    )


def _byte(text: str) -> int:
    return scpi_numbers.whole(text, 0, BYTE)


def _word(text: str) -> int:
    return scpi_numbers.whole(text, 0, WORD)


# Commands that do more.


def _identify(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer maker, model, serial number and firmware level (IEEE 488.2, 10.14)."""
    fields = [_FORBIDDEN_IN_IDENTITY.sub("_", text) or "0" for text in output.view.identity]
    return ",".join(fields)[:72]


def _reset(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Go to the state a program can start from: output off, protections cleared, DEFault everywhere."""
    for output in state.outputs.values():
        view = output.view
        view.output = False
        view.clear_protection()
        view.set_voltage = view.voltage_limits[0]
        view.set_current = view.current_limits[1]
        view.overvoltage = output.highest_protection
        view.overcurrent_protection = False
        output.watchdog = 0.0
    state.selected = min(state.outputs)
    return None


def _clear(state: InstrumentState, _: InstrumentOutput) -> None:
    look(state)
    state.status.clear()


def _complete(state: InstrumentState, _: InstrumentOutput) -> None:
    state.status.events |= OPERATION_COMPLETE


def _status_byte(state: InstrumentState, _: InstrumentOutput) -> int:
    look(state)
    return state.status.byte(message_available=state.answered)


def look(state: InstrumentState) -> None:
    """Take over the conditions from the outputs; events latch."""
    questionable = operation = 0
    for output in state.outputs.values():
        view = output.view
        if view.output:
            limiting = view.constant_current
            questionable |= VOLTAGE_UNREGULATED if limiting else CURRENT_UNREGULATED
            operation |= CONSTANT_CURRENT if limiting else CONSTANT_VOLTAGE
        questionable |= OVERVOLTAGE if view.overvoltage_tripped else 0
        questionable |= OVERCURRENT if view.overcurrent_tripped else 0
    state.status.questionable.update(questionable)
    state.status.operation.update(operation)


def select(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Select the output that commands without a channel mean."""
    number = scpi_numbers.whole(parameters[0], 1, WORD)
    if number not in state.outputs:
        raise ScpiError(-222)
    state.selected = number
    return None


def _select_by_name(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Select an output by name: OUT1, OUTP1, OUTPUT1 or CH1."""
    names = {
        f"{prefix}{number}": number for number in state.outputs for prefix in ("OUT", "OUTP", "OUTPUT", "CH")
    }
    word = parameters[0].strip("\"'").upper()
    if word not in names:
        raise ScpiError(-224 if word[:1].isalpha() else -104)
    state.selected = names[word]
    return None


def _clear_protection(state: InstrumentState, output: InstrumentOutput) -> None:
    look(state)
    output.view.clear_protection()


def _set_output(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Switch the output; a tripped protection has to be cleared first (-221)."""
    on = scpi_numbers.boolean(parameters[0])
    if on and (output.view.overvoltage_tripped or output.view.overcurrent_tripped):
        raise ScpiError(-221)
    output.view.output = on
    return None


def measure_both(
    state: InstrumentState, output: InstrumentOutput, _: Sequence[str], separator: str = ","
) -> Answer:
    """Measure voltage and current."""
    view = output.view
    return f"{written(view.measure_voltage())}{separator}{written(view.measure_current())}"


def _waveform(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the recorded currents, in amperes; -230 while there is no whole record."""
    record = output.view.recorder.record()
    if record is None:
        raise ScpiError(-230)
    return ",".join(written(current) for current in record)


_set_voltage, _voltage = _level(
    "set_voltage", "V", lambda output: (*output.view.voltage_limits, output.view.voltage_limits[0])
)
_set_current, _current = _level(
    "set_current", "A", lambda output: (*output.view.current_limits, output.view.current_limits[1])
)
_set_overvoltage, _overvoltage = _level(
    "overvoltage", "V", lambda output: (0.0, output.highest_protection, output.highest_protection)
)
_questionable = _register(lambda status: status.questionable)
_operation = _register(lambda status: status.operation)
_nothing = _does(lambda _, __: None)
_unprotect = _does(_clear_protection)
_VOLTAGE, _CURRENT, _SCALAR = "[SOURce#]:VOLTage", "[SOURce#]:CURRent", "MEASure#[:SCALar]"
_LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"

#: Every header the instrument knows. sim/README.md shows this table to people; a test keeps the two equal.
COMMANDS: tuple[Command, ...] = (
    Command("*IDN?", _identify, purpose="identify"),
    Command("*RST", _reset),
    Command("*CLS", _does(_clear), purpose="clear"),
    Command("*ESR?", _asks(lambda state, _: state.status.take_events())),
    Command("*ESE", _puts(lambda state, _: state.status, "event_enable", _byte), 1, 1),
    Command("*ESE?", _asks(lambda state, _: state.status.event_enable)),
    Command("*STB?", _asks(_status_byte)),
    Command("*SRE", _puts(lambda state, _: state.status, "service_enable", lambda t: _byte(t) & ~SERVICE_REQUEST),
            1, 1),
    Command("*SRE?", _asks(lambda state, _: state.status.service_enable)),
    Command("*OPC", _does(_complete)),
    Command("*OPC?", _asks(lambda _, __: 1)),
    Command("*WAI", _nothing),
    Command("*TST?", _asks(lambda _, __: 0)),
    Command("SYSTem:ERRor[:NEXT]?", _asks(lambda state, _: state.status.next_error()), purpose="next_error"),
    Command("SYSTem:ERRor:ALL?", _asks(lambda state, _: state.status.all_errors()), purpose="next_error"),
    Command("SYSTem:ERRor:COUNt?", _asks(lambda state, _: state.status.error_count), purpose="next_error"),
    Command("SYSTem:VERSion?", _asks(lambda _, __: "1999.0")),
    Command("SYSTem:REMote", _nothing),
    Command("SYSTem:LOCal", _nothing),
    Command("STATus:PRESet", _does(lambda state, _: state.status.preset())),
    Command("STATus:QUEStionable[:EVENt]?", _questionable[0]),
    Command("STATus:QUEStionable:CONDition?", _questionable[1]),
    Command("STATus:QUEStionable:ENABle?", _questionable[2]),
    Command("STATus:QUEStionable:ENABle", _questionable[3], 1, 1),
    Command("STATus:OPERation[:EVENt]?", _operation[0]),
    Command("STATus:OPERation:CONDition?", _operation[1]),
    Command("STATus:OPERation:ENABle?", _operation[2]),
    Command("STATus:OPERation:ENABle", _operation[3], 1, 1),
    Command("INSTrument:NSELect", select, 1, 1, purpose="select"),
    Command("INSTrument:NSELect?", _asks(lambda state, _: state.selected)),
    Command("INSTrument[:SELect]", _select_by_name, 1, 1, purpose="select"),
    Command("INSTrument[:SELect]?", _asks(lambda state, _: f"OUT{state.selected}")),
    Command("INSTrument:CATalog?", _asks(lambda state, _: ",".join(f'"OUT{n}"' for n in sorted(state.outputs)))),
    Command(_VOLTAGE + _LEVEL, _set_voltage, 1, 1, per_output=True, purpose="set_voltage"),
    Command(_VOLTAGE + _LEVEL + "?", _voltage, 0, 1, per_output=True, purpose="read_set_voltage"),
    Command(_CURRENT + _LEVEL, _set_current, 1, 1, per_output=True, purpose="set_current"),
    Command(_CURRENT + _LEVEL + "?", _current, 0, 1, per_output=True, purpose="read_set_current"),
    Command(_VOLTAGE + ":PROTection[:LEVel]", _set_overvoltage, 1, 1, per_output=True, purpose="set_overvoltage"),
    Command(_VOLTAGE + ":PROTection[:LEVel]?", _overvoltage, 0, 1, per_output=True, purpose="read_overvoltage"),
    Command(_VOLTAGE + ":PROTection:TRIPped?", _asks(lambda _, output: output.view.overvoltage_tripped),
            per_output=True, purpose="overvoltage_tripped"),
    Command(_VOLTAGE + ":PROTection:CLEar", _unprotect, per_output=True, purpose="clear_protection"),
    Command(_CURRENT + ":PROTection:STATe",
            _puts(lambda _, output: output.view, "overcurrent_protection", scpi_numbers.boolean), 1, 1,
            per_output=True),
    Command(_CURRENT + ":PROTection:STATe?", _asks(lambda _, output: output.view.overcurrent_protection),
            per_output=True),
    Command(_CURRENT + ":PROTection:TRIPped?", _asks(lambda _, output: output.view.overcurrent_tripped),
            per_output=True),
    Command(_CURRENT + ":PROTection:CLEar", _unprotect, per_output=True, purpose="clear_protection"),
    Command("OUTPut#[:STATe]", _set_output, 1, 1, per_output=True, purpose="output"),
    Command("OUTPut#[:STATe]?", _asks(lambda _, output: output.view.output), per_output=True, purpose="read_output"),
    Command("OUTPut#:PROTection:CLEar", _unprotect, per_output=True, purpose="clear_protection"),
    # Measurements answer by themselves: a soak asks for them a quarter of a million times.
    Command(_SCALAR + ":VOLTage[:DC]?", lambda _, output, __: written(output.view.measure_voltage()),
            per_output=True, purpose="measure_voltage"),
    Command(_SCALAR + ":CURRent[:DC]?", lambda _, output, __: written(output.view.measure_current()),
            per_output=True, purpose="measure_current"),
    Command(_SCALAR + ":POWer[:DC]?",
            lambda _, output, __: written(output.view.measure_voltage() * output.view.measure_current()),
            per_output=True),
    # Largest current and charge of the inrush since the output was switched on, in A and A s.
    Command(_SCALAR + ":CURRent:MAXimum?", lambda _, output, __: written(output.view.inrush()[0]),
            per_output=True, purpose="measure_peak_current"),
    Command(_SCALAR + ":CHARge?", lambda _, output, __: written(output.view.inrush()[1]),
            per_output=True, purpose="measure_charge"),
    # The waveform memory (SCPI-1999: SENSe:SWEep, INITiate, FETCh:ARRay): readings of a record, s between two.
    Command("[SENSe#]:SWEep:POINts", _puts(lambda _, output: output.view.recorder, "points",
            lambda t: scpi_numbers.whole(t, 2, MOST_POINTS)), 1, 1, per_output=True),
    Command("[SENSe#]:SWEep:POINts?", _asks(lambda _, output: output.view.recorder.points), per_output=True),
    Command("[SENSe#]:SWEep:TINTerval", _puts(lambda _, output: output.view.recorder, "interval",
            lambda t: scpi_numbers.level(t, "S", *INTERVALS, INTERVALS[0])), 1, 1, per_output=True),
    Command("[SENSe#]:SWEep:TINTerval?", _asks(lambda _, output: written(output.view.recorder.interval)),
            per_output=True),
    Command("INITiate#[:IMMediate]", _does(lambda _, output: output.view.recorder.arm()),
            per_output=True, purpose="arm_waveform"),
    Command("FETCh#:ARRay:CURRent[:DC]?", _waveform, per_output=True, purpose="read_waveform"),
)  # fmt: skip

#: What an odd command does, by the purpose of its template. SCPI-1999 knows none for a watchdog, nor a pair.
BY_PURPOSE: dict[str, Run] = {
    **{command.purpose: command.run for command in reversed(COMMANDS) if command.purpose},
    "output_on": lambda state, output, _: _set_output(state, output, ("ON",)),
    "output_off": lambda state, output, _: _set_output(state, output, ("OFF",)),
    "measure_both": measure_both,
    "set_watchdog": _puts(lambda _, output: output, "watchdog",
                          lambda t: scpi_numbers.level(t, "S", *SILENCES, SILENCES[1])),
    "read_watchdog": _asks(lambda _, output: written(output.watchdog)),
    "clear_watchdog": _does(lambda _, output: setattr(output, "watchdog", 0.0)),
}  # fmt: skip
