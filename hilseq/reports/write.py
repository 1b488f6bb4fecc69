"""The files that every run leaves: `summary.json` and one page per unit."""

from __future__ import annotations

import json
from pathlib import Path

from hilseq.journal.reader import read_journal
from hilseq.reports.files import file_stems, write_file
from hilseq.reports.page import render
from hilseq.reports.record import RunRecord, tell
from hilseq.reports.summary import summarise

SUMMARY = "summary.json"


def summary_bytes(record: RunRecord) -> bytes:
    """Return the content of `summary.json`."""
    return (json.dumps(summarise(record), indent=2, ensure_ascii=True) + "\n").encode("ascii")


def report_names(record: RunRecord) -> dict[str, str]:
    """Return slot -> file name of the unit's page."""
    stems = file_stems((unit.slot, unit.serial) for unit in record.units)
    return {slot: f"report-{stem}.html" for slot, stem in stems.items()}


def write_reports(run_folder: Path, out: Path | None = None) -> RunRecord:
    """Write the summary and the pages of a run into its folder, or into `out`; return its record.

    Raises UsageError when the folder holds no journal, ValueError when the journal tells no run, OSError
    when the disk refuses.
    """
    record = tell(read_journal(run_folder))
    folder = out or (run_folder if run_folder.is_dir() else run_folder.parent)
    write_file(folder / SUMMARY, summary_bytes(record))
    names = report_names(record)
    for unit in record.units:
        write_file(folder / names[unit.slot], render(record, unit).encode("utf-8"))
    return record
