"""What every SCPI command of a programmable DC supply does.

The class "DC power supply" of SCPI-1999 and the common commands of IEEE 488.2. A command is a function of
the instrument's state, the output it is for and its parameters; the tables at the end say which header runs
which. No I/O, and nothing about how a header is spelled.
"""
# ruff: noqa: ARG001 - all commands take the same three arguments, whether they need them or not

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from hilseq_sim.servers import scpi_numbers
from hilseq_sim.servers.scpi_errors import OPERATION_COMPLETE, ScpiError, Status
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
_FORBIDDEN_IN_IDENTITY = re.compile(r"[^\x20-\x2B\x2D-\x3A\x3C-\x7E]")

Answer: TypeAlias = "str | None"
Run: TypeAlias = "Callable[[InstrumentState, InstrumentOutput, Sequence[str]], str | None]"


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


# Common commands (IEEE 488.2, 10).


def identify(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer maker, model, serial number and firmware level (IEEE 488.2, 10.14)."""
    fields = [_FORBIDDEN_IN_IDENTITY.sub("_", text) or "0" for text in output.view.identity]
    return ",".join(fields)[:72]


def reset(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
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


def clear(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Empty the error queue and clear all events."""
    look(state)
    state.status.clear()
    return None


def operation_complete(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Set the operation-complete event: everything here is complete at once."""
    state.status.events |= OPERATION_COMPLETE
    return None


def one(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer 1."""
    return "1"


def zero(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer 0."""
    return "0"


def nothing(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Accept a command that changes nothing here."""
    return None


def event_status(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the standard event status register and clear it."""
    return str(state.status.take_events())


def set_event_enable(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the mask of the standard event status register."""
    state.status.event_enable = scpi_numbers.whole(parameters[0], 0, BYTE)
    return None


def event_enable(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the mask of the standard event status register."""
    return str(state.status.event_enable)


def set_service_enable(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the service request mask."""
    state.status.service_enable = scpi_numbers.whole(parameters[0], 0, BYTE) & ~64
    return None


def service_enable(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the service request mask."""
    return str(state.status.service_enable)


def status_byte(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the status byte."""
    look(state)
    return str(state.status.byte(message_available=state.answered))


# SYSTem and STATus.


def next_error(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the oldest error and take it out of the queue."""
    return state.status.next_error()


def all_errors(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer every error and empty the queue."""
    return state.status.all_errors()


def error_count(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer how many errors wait."""
    return str(state.status.error_count)


def version(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the version of SCPI."""
    return "1999.0"


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


def preset(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Clear the masks of the SCPI registers."""
    state.status.preset()
    return None


def questionable_event(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the latched questionable events and clear them."""
    look(state)
    return str(state.status.questionable.take_event())


def questionable_condition(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the questionable condition."""
    look(state)
    return str(state.status.questionable.condition)


def set_questionable_enable(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the mask of the questionable events."""
    state.status.questionable.enable = scpi_numbers.whole(parameters[0], 0, WORD)
    return None


def questionable_enable(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the mask of the questionable events."""
    return str(state.status.questionable.enable)


def operation_event(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the latched operation events and clear them."""
    look(state)
    return str(state.status.operation.take_event())


def operation_condition(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the operation condition."""
    look(state)
    return str(state.status.operation.condition)


def set_operation_enable(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the mask of the operation events."""
    state.status.operation.enable = scpi_numbers.whole(parameters[0], 0, WORD)
    return None


def operation_enable(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the mask of the operation events."""
    return str(state.status.operation.enable)


# Which output.


def select(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Select the output that commands without a channel mean."""
    number = scpi_numbers.whole(parameters[0], 1, WORD)
    if number not in state.outputs:
        raise ScpiError(-222)
    state.selected = number
    return None


def selected_number(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the number of the selected output."""
    return str(state.selected)


def select_by_name(state: InstrumentState, _: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Select an output by name: OUT1, OUTP1, OUTPUT1 or CH1."""
    names = {
        f"{prefix}{number}": number for number in state.outputs for prefix in ("OUT", "OUTP", "OUTPUT", "CH")
    }
    word = parameters[0].strip("\"'").upper()
    if word not in names:
        raise ScpiError(-224 if word[:1].isalpha() else -104)
    state.selected = names[word]
    return None


def selected_name(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the name of the selected output."""
    return f"OUT{state.selected}"


def catalog(state: InstrumentState, _: InstrumentOutput, __: Sequence[str]) -> Answer:
    """Answer the names of all outputs."""
    return ",".join(f'"OUT{number}"' for number in sorted(state.outputs))


# Settings.


def set_voltage(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the voltage."""
    low, high = output.view.voltage_limits
    output.view.set_voltage = scpi_numbers.level(parameters[0], "V", low, high, low)
    return None


def voltage(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Answer the voltage that is set, or one of its limits."""
    low, high = output.view.voltage_limits
    if parameters:
        return written(scpi_numbers.limit(parameters[0], low, high, low))
    return written(output.view.set_voltage)


def set_current(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the current limit."""
    low, high = output.view.current_limits
    output.view.set_current = scpi_numbers.level(parameters[0], "A", low, high, high)
    return None


def current(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Answer the current limit that is set, or one of its limits."""
    low, high = output.view.current_limits
    if parameters:
        return written(scpi_numbers.limit(parameters[0], low, high, high))
    return written(output.view.set_current)


def set_overvoltage(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the over-voltage protection level."""
    high = output.highest_protection
    output.view.overvoltage = scpi_numbers.level(parameters[0], "V", 0.0, high, high)
    return None


def overvoltage(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Answer the over-voltage protection level, or one of its limits."""
    high = output.highest_protection
    if parameters:
        return written(scpi_numbers.limit(parameters[0], 0.0, high, high))
    return written(output.view.overvoltage)


def overvoltage_tripped(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer whether over-voltage switched the output off."""
    return "1" if output.view.overvoltage_tripped else "0"


def set_overcurrent(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Let over-current switch the output off, or not."""
    output.view.overcurrent_protection = scpi_numbers.boolean(parameters[0])
    return None


def overcurrent(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer whether over-current switches the output off."""
    return "1" if output.view.overcurrent_protection else "0"


def overcurrent_tripped(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer whether over-current switched the output off."""
    return "1" if output.view.overcurrent_tripped else "0"


def clear_protection(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Reset a tripped protection."""
    look(state)
    output.view.clear_protection()
    return None


def set_output(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Switch the output; a tripped protection has to be cleared first (-221)."""
    on = scpi_numbers.boolean(parameters[0])
    if on and (output.view.overvoltage_tripped or output.view.overcurrent_tripped):
        raise ScpiError(-221)
    output.view.output = on
    return None


def output_on(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Switch the output on."""
    return set_output(state, output, ("ON",))


def output_off(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Switch the output off."""
    return set_output(state, output, ("OFF",))


def output(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer whether the output is on."""
    return "1" if output.view.output else "0"


# Measurements.


def measure_voltage(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Measure the voltage."""
    return written(output.view.measure_voltage())


def measure_current(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Measure the current."""
    return written(output.view.measure_current())


def measure_power(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Measure the power."""
    return written(output.view.measure_voltage() * output.view.measure_current())


def measure_both(
    state: InstrumentState, output: InstrumentOutput, _: Sequence[str], separator: str = ","
) -> Answer:
    """Measure voltage and current."""
    view = output.view
    return f"{written(view.measure_voltage())}{separator}{written(view.measure_current())}"


def peak_current(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the largest current since the output was switched on, in amperes."""
    return written(output.view.inrush()[0])


def charge(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the charge delivered in the inrush since the output was switched on, in ampere seconds."""
    return written(output.view.inrush()[1])


# The waveform memory (SCPI-1999: SENSe:SWEep, INITiate, FETCh:ARRay).


def set_points(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the number of readings in a record."""
    output.view.recorder.points = scpi_numbers.whole(parameters[0], 2, MOST_POINTS)
    return None


def points(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the number of readings in a record."""
    return str(output.view.recorder.points)


def set_interval(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the time between two readings, in seconds."""
    output.view.recorder.interval = scpi_numbers.level(parameters[0], "S", *INTERVALS, INTERVALS[0])
    return None


def interval(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the time between two readings, in seconds."""
    return written(output.view.recorder.interval)


def arm(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Record the current from the moment the output is switched on."""
    output.view.recorder.arm()
    return None


def waveform(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer the recorded currents, in amperes; -230 while there is no whole record."""
    record = output.view.recorder.record()
    if record is None:
        raise ScpiError(-230)
    return ",".join(written(current) for current in record)
