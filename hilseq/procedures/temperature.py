"""The case temperature that a unit reports, against the stand's own thermometer on the case."""

from __future__ import annotations

from hilseq.analysis.uncertainty import resolution
from hilseq.description.stand import Stand
from hilseq.errors import NotPerformed
from hilseq.instruments.signals import SignalBank
from hilseq.measured import Measured
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring


def reported_error(unit: Unit, stand: Stand, signals: SignalBank) -> Measured:
    """Return what the unit reports of its case less what the stand measures there, K.

    Of the uncertainty of the report only its last digit is known. Raises NotPerformed when the unit reports
    no temperature or the stand has no thermometer on the case.
    """
    register = unit.profile.link.temperature
    if register is None:
        raise NotPerformed("the profile knows no register with the case temperature")
    thermometer = Wiring(stand, unit.slot).sensor_of_unit("case", "degC")
    if thermometer is None:
        raise NotPerformed(f"no signal of the stand senses {unit.slot}.case in degC")
    told = Measured(unit.link.read(register), "degC", resolution(register.step))
    return told - signals.measure(thermometer)
