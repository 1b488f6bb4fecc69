"""Calibrations of a stand: which parts carry one, and which of them have run out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import NamedTuple

from hilseq.description.source_position import Place
from hilseq.description.stand import Calibration, Stand


class Calibrated(NamedTuple):
    """A part of the stand, as faults name it, where it stands in the file, and its calibration if stated."""

    part: str
    place: Place
    calibration: Calibration | None

    def overdue(self, today: date) -> str:
        """Return since when its calibration does not hold any more, in words; empty while it does."""
        if self.calibration is None or self.calibration.due >= today:
            return ""
        return f"the calibration of {self.part} is overdue: it held until {self.calibration.due.isoformat()}"


def calibrated_parts(stand: Stand) -> Iterator[Calibrated]:
    """Yield every instrument, and every signal that has a calibration of its own."""
    for name, supply in stand.supplies.items():
        yield Calibrated(f"supply {name}", ("supplies", name, "calibration", "due"), supply.calibration)
    for name, io in stand.io.items():
        yield Calibrated(f"io {name}", ("io", name, "calibration", "due"), io.calibration)
    for name, signal in stand.signals.items():
        if signal.calibration is not None:
            yield Calibrated(name, ("signals", name, "calibration", "due"), signal.calibration)
