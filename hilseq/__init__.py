"""hilseq: a hardware-in-the-loop test sequencer for test stands.

What this package offers under its own name is for those who write sequences, drivers and extensions; everything
else may change. A name is imported when it is first used, so that `import hilseq` costs nothing.

Imports run one way (DEVELOPERS.md): sequences, plugin, procedures, instruments, description,
then clock and quantities. `analysis` imports nothing of ours; `reports` and `records` read journals.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hilseq.analysis.limits import Limits as Limits
    from hilseq.analysis.limits import ReadingVerdict as ReadingVerdict
    from hilseq.analysis.start_plans import Decision as Decision
    from hilseq.analysis.uncertainty import DecisionRule as DecisionRule
    from hilseq.clock import Clock as Clock
    from hilseq.deadlines import host_and_port as host_and_port
    from hilseq.description.calibration import Calibration as Calibration
    from hilseq.description.drivers import DriverAddress as DriverAddress
    from hilseq.description.fields import Endpoint as Endpoint
    from hilseq.description.fields import Seconds as Seconds
    from hilseq.description.fields import SerialLine as SerialLine
    from hilseq.description.fields import Text as Text
    from hilseq.description.fields import Volts as Volts
    from hilseq.description.findings import Finding as Finding
    from hilseq.description.points import Port as Port
    from hilseq.description.profile import Indicator as Indicator
    from hilseq.description.profile import LinkRegisters as LinkRegisters
    from hilseq.description.profile import Mode as Mode
    from hilseq.description.profile import Profile as Profile
    from hilseq.description.registers import ModbusLimits as ModbusLimits
    from hilseq.description.registers import Register as Register
    from hilseq.description.registers import RegisterTable as RegisterTable
    from hilseq.description.stand import Io as Io
    from hilseq.description.stand import Link as Link
    from hilseq.description.stand import Signal as Signal
    from hilseq.description.stand import Stand as Stand
    from hilseq.description.supplies import Supply as Supply
    from hilseq.errors import HilseqError as HilseqError
    from hilseq.errors import InstrumentError as InstrumentError
    from hilseq.errors import InstrumentReset as InstrumentReset
    from hilseq.errors import InstrumentTimeout as InstrumentTimeout
    from hilseq.errors import Interlock as Interlock
    from hilseq.errors import InvalidResponse as InvalidResponse
    from hilseq.errors import NotPerformed as NotPerformed
    from hilseq.errors import NotSafe as NotSafe
    from hilseq.errors import StandFault as StandFault
    from hilseq.errors import UnitFault as UnitFault
    from hilseq.errors import UnitInvalidResponse as UnitInvalidResponse
    from hilseq.errors import UnitSilent as UnitSilent
    from hilseq.errors import UsageError as UsageError
    from hilseq.hooks import Element as Element
    from hilseq.hooks import Stage as Stage
    from hilseq.instruments.driver_protocols import ChannelsDriver as ChannelsDriver
    from hilseq.instruments.driver_protocols import LinkDriver as LinkDriver
    from hilseq.instruments.driver_protocols import SerialPartnerDriver as SerialPartnerDriver
    from hilseq.instruments.driver_protocols import SupplyDriver as SupplyDriver
    from hilseq.instruments.protocols import Channels as Channels
    from hilseq.instruments.protocols import Identification as Identification
    from hilseq.instruments.protocols import InrushRecord as InrushRecord
    from hilseq.instruments.protocols import NamedValues as NamedValues
    from hilseq.instruments.protocols import PortFrame as PortFrame
    from hilseq.instruments.protocols import SerialPartner as SerialPartner
    from hilseq.instruments.protocols import SnapshotReader as SnapshotReader
    from hilseq.instruments.protocols import SupplyOutput as SupplyOutput
    from hilseq.instruments.protocols import SupplySetting as SupplySetting
    from hilseq.instruments.protocols import UnitLink as UnitLink
    from hilseq.instruments.signals import SignalBank as SignalBank
    from hilseq.instruments.visa import VisaSession as VisaSession
    from hilseq.journal.entries import StoredFault as StoredFault
    from hilseq.journal.run_state import CheckState as CheckState
    from hilseq.journal.run_state import RunState as RunState
    from hilseq.journal.run_state import UnitState as UnitState
    from hilseq.measured import Measured as Measured
    from hilseq.measured import repeat as repeat
    from hilseq.plugin.fixtures import KeepFaults as KeepFaults
    from hilseq.plugin.fixtures import KeepTable as KeepTable
    from hilseq.plugin.judge import Judge as Judge
    from hilseq.plugin.parametrize import ModeChange as ModeChange
    from hilseq.plugin.parametrize import Parameters as Parameters
    from hilseq.plugin.parametrize import SupplyCorner as SupplyCorner
    from hilseq.plugin.soaking import RunSoak as RunSoak
    from hilseq.procedures import battery as battery
    from hilseq.procedures import clock_check as clock_check
    from hilseq.procedures import cycling as cycling
    from hilseq.procedures import durations as durations
    from hilseq.procedures import feeder as feeder
    from hilseq.procedures import glance as glance
    from hilseq.procedures import identity as identity
    from hilseq.procedures import link_check as link_check
    from hilseq.procedures import margins as margins
    from hilseq.procedures import outputs_off as outputs_off
    from hilseq.procedures import sensing as sensing
    from hilseq.procedures.analog import SpotCheck as SpotCheck
    from hilseq.procedures.analog import Swept as Swept
    from hilseq.procedures.analog import ne43_input_bands as ne43_input_bands
    from hilseq.procedures.analog import ne43_output_range as ne43_output_range
    from hilseq.procedures.analog import ne43_undriven_output as ne43_undriven_output
    from hilseq.procedures.battery import WithoutSupply as WithoutSupply
    from hilseq.procedures.bench import Bench as Bench
    from hilseq.procedures.fault_location import thermometers_agree as thermometers_agree
    from hilseq.procedures.margins import claimed_ride_through as claimed_ride_through
    from hilseq.procedures.margins import find_ride_through as find_ride_through
    from hilseq.procedures.margins import slow_ramp as slow_ramp
    from hilseq.procedures.memory import new_faults as new_faults
    from hilseq.procedures.operator import Operator as Operator
    from hilseq.procedures.operator import Prompt as Prompt
    from hilseq.procedures.patterns import PatternRun as PatternRun
    from hilseq.procedures.points import Loaded as Loaded
    from hilseq.procedures.points import Thresholds as Thresholds
    from hilseq.procedures.power_on import bound_inrush as bound_inrush
    from hilseq.procedures.power_on import capture_start as capture_start
    from hilseq.procedures.power_on import current_by_mode as current_by_mode
    from hilseq.procedures.power_on import fail_on_standing_thermometer as fail_on_standing_thermometer
    from hilseq.procedures.power_on import loaded_current as loaded_current
    from hilseq.procedures.power_on import peak_is_the_limit as peak_is_the_limit
    from hilseq.procedures.power_on import reported_error as reported_error
    from hilseq.procedures.power_on import start_times as start_times
    from hilseq.procedures.readiness import Readiness as Readiness
    from hilseq.procedures.readiness import ReadinessCheck as ReadinessCheck
    from hilseq.procedures.readiness import ReadinessResult as ReadinessResult
    from hilseq.procedures.readiness import require as require
    from hilseq.procedures.self_check import supply_delivers as supply_delivers
    from hilseq.procedures.soak.events import SoakOutcome as SoakOutcome
    from hilseq.procedures.together import Together as Together
    from hilseq.procedures.together import run_together as run_together
    from hilseq.procedures.together import wrong_when_quiet as wrong_when_quiet
    from hilseq.procedures.unit import Unit as Unit
    from hilseq.procedures.unit_supply import UnitSupply as UnitSupply
    from hilseq.quantities import UNITS as UNITS
    from hilseq.quantities import parse as parse
    from hilseq.quantities import show_duration as show_duration
    from hilseq.reports.write import ReportFormat as ReportFormat

__version__ = "0.1.0"

#: Name -> the module that holds it; a module of the same name is offered whole.
_HOMES = {
    "battery": "hilseq.procedures.battery",
    "Bench": "hilseq.procedures.bench",
    "bound_inrush": "hilseq.procedures.power_on",
    "Calibration": "hilseq.description.calibration",
    "capture_start": "hilseq.procedures.power_on",
    "Channels": "hilseq.instruments.protocols",
    "ChannelsDriver": "hilseq.instruments.driver_protocols",
    "CheckState": "hilseq.journal.run_state",
    "claimed_ride_through": "hilseq.procedures.margins",
    "Clock": "hilseq.clock",
    "clock_check": "hilseq.procedures.clock_check",
    "current_by_mode": "hilseq.procedures.power_on",
    "cycling": "hilseq.procedures.cycling",
    "Decision": "hilseq.analysis.start_plans",
    "DecisionRule": "hilseq.analysis.uncertainty",
    "DriverAddress": "hilseq.description.drivers",
    "durations": "hilseq.procedures.durations",
    "Element": "hilseq.hooks",
    "Endpoint": "hilseq.description.fields",
    "fail_on_standing_thermometer": "hilseq.procedures.power_on",
    "feeder": "hilseq.procedures.feeder",
    "find_ride_through": "hilseq.procedures.margins",
    "Finding": "hilseq.description.findings",
    "glance": "hilseq.procedures.glance",
    "HilseqError": "hilseq.errors",
    "host_and_port": "hilseq.deadlines",
    "Identification": "hilseq.instruments.protocols",
    "identity": "hilseq.procedures.identity",
    "Indicator": "hilseq.description.profile",
    "InrushRecord": "hilseq.instruments.protocols",
    "InstrumentError": "hilseq.errors",
    "InstrumentReset": "hilseq.errors",
    "InstrumentTimeout": "hilseq.errors",
    "Interlock": "hilseq.errors",
    "InvalidResponse": "hilseq.errors",
    "Io": "hilseq.description.stand",
    "Judge": "hilseq.plugin.judge",
    "KeepFaults": "hilseq.plugin.fixtures",
    "KeepTable": "hilseq.plugin.fixtures",
    "Limits": "hilseq.analysis.limits",
    "Link": "hilseq.description.stand",
    "link_check": "hilseq.procedures.link_check",
    "LinkDriver": "hilseq.instruments.driver_protocols",
    "LinkRegisters": "hilseq.description.profile",
    "Loaded": "hilseq.procedures.points",
    "loaded_current": "hilseq.procedures.power_on",
    "margins": "hilseq.procedures.margins",
    "Measured": "hilseq.measured",
    "ModbusLimits": "hilseq.description.registers",
    "Mode": "hilseq.description.profile",
    "ModeChange": "hilseq.plugin.parametrize",
    "NamedValues": "hilseq.instruments.protocols",
    "ne43_input_bands": "hilseq.procedures.analog",
    "ne43_output_range": "hilseq.procedures.analog",
    "ne43_undriven_output": "hilseq.procedures.analog",
    "new_faults": "hilseq.procedures.memory",
    "NotPerformed": "hilseq.errors",
    "NotSafe": "hilseq.errors",
    "Operator": "hilseq.procedures.operator",
    "outputs_off": "hilseq.procedures.outputs_off",
    "Parameters": "hilseq.plugin.parametrize",
    "parse": "hilseq.quantities",
    "PatternRun": "hilseq.procedures.patterns",
    "peak_is_the_limit": "hilseq.procedures.power_on",
    "Port": "hilseq.description.points",
    "PortFrame": "hilseq.instruments.protocols",
    "Profile": "hilseq.description.profile",
    "Prompt": "hilseq.procedures.operator",
    "Readiness": "hilseq.procedures.readiness",
    "ReadinessCheck": "hilseq.procedures.readiness",
    "ReadinessResult": "hilseq.procedures.readiness",
    "ReadingVerdict": "hilseq.analysis.limits",
    "Register": "hilseq.description.registers",
    "RegisterTable": "hilseq.description.registers",
    "repeat": "hilseq.measured",
    "reported_error": "hilseq.procedures.power_on",
    "ReportFormat": "hilseq.reports.write",
    "require": "hilseq.procedures.readiness",
    "run_together": "hilseq.procedures.together",
    "RunSoak": "hilseq.plugin.soaking",
    "RunState": "hilseq.journal.run_state",
    "Seconds": "hilseq.description.fields",
    "sensing": "hilseq.procedures.sensing",
    "SerialLine": "hilseq.description.fields",
    "SerialPartner": "hilseq.instruments.protocols",
    "SerialPartnerDriver": "hilseq.instruments.driver_protocols",
    "show_duration": "hilseq.quantities",
    "Signal": "hilseq.description.stand",
    "SignalBank": "hilseq.instruments.signals",
    "slow_ramp": "hilseq.procedures.margins",
    "SnapshotReader": "hilseq.instruments.protocols",
    "SoakOutcome": "hilseq.procedures.soak.events",
    "SpotCheck": "hilseq.procedures.analog",
    "Stage": "hilseq.hooks",
    "Stand": "hilseq.description.stand",
    "StandFault": "hilseq.errors",
    "start_times": "hilseq.procedures.power_on",
    "StoredFault": "hilseq.journal.entries",
    "Supply": "hilseq.description.supplies",
    "supply_delivers": "hilseq.procedures.self_check",
    "SupplyCorner": "hilseq.plugin.parametrize",
    "SupplyDriver": "hilseq.instruments.driver_protocols",
    "SupplyOutput": "hilseq.instruments.protocols",
    "SupplySetting": "hilseq.instruments.protocols",
    "Swept": "hilseq.procedures.analog",
    "Text": "hilseq.description.fields",
    "thermometers_agree": "hilseq.procedures.fault_location",
    "Thresholds": "hilseq.procedures.points",
    "Together": "hilseq.procedures.together",
    "Unit": "hilseq.procedures.unit",
    "UnitFault": "hilseq.errors",
    "UnitInvalidResponse": "hilseq.errors",
    "UnitLink": "hilseq.instruments.protocols",
    "UNITS": "hilseq.quantities",
    "UnitSilent": "hilseq.errors",
    "UnitState": "hilseq.journal.run_state",
    "UnitSupply": "hilseq.procedures.unit_supply",
    "UsageError": "hilseq.errors",
    "VisaSession": "hilseq.instruments.visa",
    "Volts": "hilseq.description.fields",
    "WithoutSupply": "hilseq.procedures.battery",
    "wrong_when_quiet": "hilseq.procedures.together",
}
__all__ = ["__version__", *_HOMES]  # noqa: PLE0604 - names, every one


def __getattr__(name: str) -> Any:
    """Import a name of the package from its home, once."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module = import_module(home)
    found = module if home.rpartition(".")[2] == name else getattr(module, name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
