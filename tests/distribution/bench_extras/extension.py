"""A stage that a profile with a speed calls for, and the readings of a run as one file for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

from hilseq import ReportFormat, RunState, Stage


def hilseq_stages() -> list[Stage]:
    """Require the stage `speed` of every profile that claims a speed."""
    return [Stage("speed", required=lambda profile: "speed" in profile.parameters)]


def hilseq_report_formats() -> list[ReportFormat]:
    """Offer `readings.csv`."""
    return [ReportFormat("readings", _readings)]


def _readings(record: RunState) -> Mapping[str, bytes]:
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["serial", "check", "reading", "value", "unit", "verdict"])
    for unit in record.units:
        for check in unit.checks:
            rows.writerows(
                [unit.serial, check.id, reading.name, f"{reading.value:.9g}", reading.unit, reading.verdict]
                for reading in check.readings
            )
    return {"readings.csv": text.getvalue().encode()}
