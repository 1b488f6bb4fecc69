"""Which SCPI header of a programmable DC supply runs which command."""

from __future__ import annotations

from hilseq_sim.servers import scpi_commands as run
from hilseq_sim.servers import scpi_watchdog
from hilseq_sim.servers.scpi_commands import Command, Run

_VOLTAGE = "[SOURce#]:VOLTage"
_CURRENT = "[SOURce#]:CURRent"
_LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"
_SCALAR = "MEASure#[:SCALar]"

#: Every header the instrument knows. sim/README.md shows this table to people; a test keeps the two equal.
COMMANDS: tuple[Command, ...] = (
    Command("*IDN?", run.identify, purpose="identify"),
    Command("*RST", run.reset),
    Command("*CLS", run.clear, purpose="clear"),
    Command("*ESR?", run.event_status),
    Command("*ESE", run.set_event_enable, 1, 1),
    Command("*ESE?", run.event_enable),
    Command("*STB?", run.status_byte),
    Command("*SRE", run.set_service_enable, 1, 1),
    Command("*SRE?", run.service_enable),
    Command("*OPC", run.operation_complete),
    Command("*OPC?", run.one),
    Command("*WAI", run.nothing),
    Command("*TST?", run.zero),
    Command("SYSTem:ERRor[:NEXT]?", run.next_error, purpose="next_error"),
    Command("SYSTem:ERRor:ALL?", run.all_errors, purpose="next_error"),
    Command("SYSTem:ERRor:COUNt?", run.error_count, purpose="next_error"),
    Command("SYSTem:VERSion?", run.version),
    Command("SYSTem:REMote", run.nothing),
    Command("SYSTem:LOCal", run.nothing),
    Command("STATus:PRESet", run.preset),
    Command("STATus:QUEStionable[:EVENt]?", run.questionable_event),
    Command("STATus:QUEStionable:CONDition?", run.questionable_condition),
    Command("STATus:QUEStionable:ENABle", run.set_questionable_enable, 1, 1),
    Command("STATus:QUEStionable:ENABle?", run.questionable_enable),
    Command("STATus:OPERation[:EVENt]?", run.operation_event),
    Command("STATus:OPERation:CONDition?", run.operation_condition),
    Command("STATus:OPERation:ENABle", run.set_operation_enable, 1, 1),
    Command("STATus:OPERation:ENABle?", run.operation_enable),
    Command("INSTrument:NSELect", run.select, 1, 1, purpose="select"),
    Command("INSTrument:NSELect?", run.selected_number),
    Command("INSTrument[:SELect]", run.select_by_name, 1, 1, purpose="select"),
    Command("INSTrument[:SELect]?", run.selected_name),
    Command("INSTrument:CATalog?", run.catalog),
    Command(_VOLTAGE + _LEVEL, run.set_voltage, 1, 1, per_output=True, purpose="set_voltage"),
    Command(_VOLTAGE + _LEVEL + "?", run.voltage, 0, 1, per_output=True, purpose="read_set_voltage"),
    Command(_CURRENT + _LEVEL, run.set_current, 1, 1, per_output=True, purpose="set_current"),
    Command(_CURRENT + _LEVEL + "?", run.current, 0, 1, per_output=True, purpose="read_set_current"),
    Command(
        _VOLTAGE + ":PROTection[:LEVel]",
        run.set_overvoltage,
        1,
        1,
        per_output=True,
        purpose="set_overvoltage",
    ),
    Command(
        _VOLTAGE + ":PROTection[:LEVel]?", run.overvoltage, 0, 1, per_output=True, purpose="read_overvoltage"
    ),
    Command(
        _VOLTAGE + ":PROTection:TRIPped?",
        run.overvoltage_tripped,
        per_output=True,
        purpose="overvoltage_tripped",
    ),
    Command(
        _VOLTAGE + ":PROTection:CLEar", run.clear_protection, per_output=True, purpose="clear_protection"
    ),
    Command(_CURRENT + ":PROTection:STATe", run.set_overcurrent, 1, 1, per_output=True),
    Command(_CURRENT + ":PROTection:STATe?", run.overcurrent, per_output=True),
    Command(_CURRENT + ":PROTection:TRIPped?", run.overcurrent_tripped, per_output=True),
    Command(
        _CURRENT + ":PROTection:CLEar", run.clear_protection, per_output=True, purpose="clear_protection"
    ),
    Command("OUTPut#[:STATe]", run.set_output, 1, 1, per_output=True, purpose="output"),
    Command("OUTPut#[:STATe]?", run.output, per_output=True, purpose="read_output"),
    Command("OUTPut#:PROTection:CLEar", run.clear_protection, per_output=True, purpose="clear_protection"),
    Command(_SCALAR + ":VOLTage[:DC]?", run.measure_voltage, per_output=True, purpose="measure_voltage"),
    Command(_SCALAR + ":CURRent[:DC]?", run.measure_current, per_output=True, purpose="measure_current"),
    Command(_SCALAR + ":POWer[:DC]?", run.measure_power, per_output=True),
    Command(_SCALAR + ":CURRent:MAXimum?", run.peak_current, per_output=True, purpose="measure_peak_current"),
    Command("[SENSe#]:SWEep:POINts", run.set_points, 1, 1, per_output=True),
    Command("[SENSe#]:SWEep:POINts?", run.points, per_output=True),
    Command("[SENSe#]:SWEep:TINTerval", run.set_interval, 1, 1, per_output=True),
    Command("[SENSe#]:SWEep:TINTerval?", run.interval, per_output=True),
    Command("INITiate#[:IMMediate]", run.arm, per_output=True, purpose="arm_waveform"),
    Command("FETCh#:ARRay:CURRent[:DC]?", run.waveform, per_output=True, purpose="read_waveform"),
    Command(_SCALAR + ":CHARge?", run.charge, per_output=True, purpose="measure_charge"),
)

#: What an odd command does, by the purpose of its template.
BY_PURPOSE: dict[str, Run] = {
    "select": run.select,
    "identify": run.identify,
    "clear": run.clear,
    "set_voltage": run.set_voltage,
    "read_set_voltage": run.voltage,
    "set_current": run.set_current,
    "read_set_current": run.current,
    "set_overvoltage": run.set_overvoltage,
    "read_overvoltage": run.overvoltage,
    "overvoltage_tripped": run.overvoltage_tripped,
    "clear_protection": run.clear_protection,
    "set_watchdog": scpi_watchdog.set_watchdog,
    "read_watchdog": scpi_watchdog.watchdog,
    "clear_watchdog": scpi_watchdog.clear_watchdog,
    "output_on": run.output_on,
    "output_off": run.output_off,
    "read_output": run.output,
    "measure_voltage": run.measure_voltage,
    "measure_current": run.measure_current,
    "measure_both": run.measure_both,
    "measure_peak_current": run.peak_current,
    "measure_charge": run.charge,
    "arm_waveform": run.arm,
    "read_waveform": run.waveform,
    "next_error": run.next_error,
}
