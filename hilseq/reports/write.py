"""The files a run leaves: `summary.json` and one page per unit always, certificates and labels when asked."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from hilseq.journal.causes import Cause, diagnosis
from hilseq.journal.entries import PriorRun, Reading
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import CheckState, RunState, UnitState
from hilseq.journal.seals import look_for_damage
from hilseq.reports.claims import coverage_statement, ledger
from hilseq.reports.files import OWN_NAMES, report_names, stems_of, write_file
from hilseq.reports.page import render
from hilseq.reports.soak import soak_of
from hilseq.verdicts import Disposition

SUMMARY = "summary.json"


# -- the verdict for programs -------------------------------------------------------------------------


def _reading(reading: Reading) -> dict[str, Any]:
    names = ("name", "value", "unit", "uncertainty", "low", "high", "verdict")
    return {name: getattr(reading, name) for name in names}


def _check(check: CheckState) -> dict[str, Any]:
    return {
        "id": check.id,
        "sequence": check.sequence,
        "verdict": str(check.verdict),
        "why": check.why,
        "obstacle": check.obstacle,
        "readings": [_reading(reading) for reading in check.readings],
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "places": list(cause.places),
        "what": cause.what,
        "checks": list(cause.checks),
        "consequences": [{"places": list(one.places), "what": one.what} for one in cause.consequences],
    }


def _unit(record: RunState, unit: UnitState) -> dict[str, Any]:
    stated, reported, found = coverage_statement(unit), ledger(unit), diagnosis(unit)
    return {
        "serial": unit.serial,
        "part": unit.part,
        "slot": unit.slot,
        "disposition": str(record.final(unit)),
        "cautions": [unit.damage] if unit.damage else [],
        "coverage": {
            name: getattr(stated, name)
            for name in ("approved", "plan", "soak", "tested", "not_claimed", "not_possible", "waived")
        },
        "claims": [
            {"sentence": claim.sentence, "domain": claim.domain, "checks": list(claim.checks)}
            for claim in reported.claims
        ],
        "not_shown": [
            {"sentence": each.sentence, "points": list(each.points), "why": each.why}
            for each in reported.not_shown
        ],
        "findings": [
            {"place": finding.place, "what": finding.what, "check": finding.check}
            for finding in unit.findings
        ],
        "causes": [_cause(cause) for cause in found.causes],
        "repair_order": [
            {
                "name": step.known.name,
                "action": step.known.action,
                "explains": [found.causes.index(cause) for cause in step.explains],
            }
            for step in found.order
        ],
        "checks": [_check(check) for check in unit.checks],
    }


def summarise(record: RunState) -> dict[str, Any]:
    """Return the summary of a run as plain JSON data; its words are those of the design's verdicts."""
    return {
        "run": record.run,
        "stand": record.stand,
        "hilseq": record.hilseq,
        "started": record.started,
        "ended": record.ended,
        "complete": record.sound,
        "simulated": record.simulated,
        "journal_chain": record.chain,
        "exit_code": record.final_exit_code,
        "units": [_unit(record, unit) for unit in record.units],
    }


@dataclass(frozen=True, slots=True)
class ReportFormat:
    """A format of an extension: `write(record)` returns the content of each file by its name."""

    name: str
    write: Callable[[RunState], Mapping[str, bytes]]


def summary_bytes(record: RunState) -> bytes:
    """Return the content of `summary.json`."""
    return (json.dumps(summarise(record), indent=2, ensure_ascii=True) + "\n").encode("ascii")


def write_reports(
    run_folder: Path, out: Path | None = None, *, earlier: Mapping[str, Sequence[PriorRun]] | None = None
) -> RunState:
    """Write the summary and the pages of a run into its folder, or into `out`; return its record.

    `earlier` holds earlier runs by serial number; by default those that the journal's header counts. Raises
    UsageError when the folder holds no journal, ValueError when the journal tells no run, OSError when the
    disk refuses.
    """
    journal = read_journal(run_folder)
    record = look_for_damage(run_state(journal), journal.path.parent)
    folder = out or journal.path.parent
    write_file(folder / SUMMARY, summary_bytes(record))
    names = report_names(record)
    for unit in record.units:
        soak = soak_of(journal.path.parent, record, unit)
        page = render(
            record,
            unit,
            soak=soak,
            earlier=unit.prior_runs if earlier is None else earlier.get(unit.serial, ()),
        )
        write_file(folder / names[unit.slot], page.encode("utf-8"))
    return record


def write_formats(
    record: RunState, folder: Path, formats: Iterable[ReportFormat]
) -> tuple[list[Path], list[str]]:
    """Write what extensions make of a run; return the files, and what went wrong, which costs nobody a verdict.

    Raises OSError when the disk refuses.
    """
    files, wrong = [], []
    for each in formats:
        try:
            made = {name: bytes(content) for name, content in each.write(record).items()}
        except Exception as error:  # noqa: BLE001 - somebody else's code, of any kind
            wrong.append(f"report format {each.name!r} failed: {type(error).__name__}: {error}")
            continue
        for name, content in made.items():
            if Path(name).name != name:
                wrong.append(f"report format {each.name!r}: {name!r} is no plain file name")
            elif name.casefold().startswith(OWN_NAMES):
                wrong.append(
                    f"report format {each.name!r}: the name {name!r} is kept for the run's own files"
                )
            else:
                files.append(write_file(folder / name, content))
    return files, wrong


def write_certificates(
    record: RunState, folder: Path, *, home: Path | None = None, template: bytes | None = None
) -> list[Path]:
    """Write the certificate of every unit, or its repair slip, into a folder; `home` is that of the run, if another.

    Raises UsageError for an unfinished run, a template that cannot be set, or a missing typst.
    """
    from hilseq.reports.certificate import certificate, paper_of

    units = {slot: record.unit(slot) for slot in stems_of(record)}
    made = {
        slot: certificate(record, unit, soak_of(home or folder, record, unit), template)
        for slot, unit in units.items()
    }
    names = {slot: paper_of(record.final(unit))[1] for slot, unit in units.items()}
    return [
        write_file(folder / f"{names[slot]}-{stem}.pdf", made[slot])
        for slot, stem in stems_of(record).items()
    ]


def write_labels(record: RunState, folder: Path) -> list[Path]:
    """Write the label of every unit for the shelf, and of those with a certificate for the customer, as SVG and PDF.

    Raises UsageError as `write_certificates` does.
    """
    from hilseq.reports.certificate import label

    forms: tuple[Literal["svg", "pdf"], ...] = ("svg", "pdf")
    made = {
        f"label-{stem}.{form}": label(record, record.unit(slot), form)
        for slot, stem in stems_of(record).items()
        for form in forms
    }
    made |= {
        f"label-customer-{stem}.{form}": label(record, record.unit(slot), form, customer=True)
        for slot, stem in stems_of(record).items()
        if record.final(record.unit(slot)) is Disposition.SHIP and not record.unit(slot).unapproved
        for form in forms
    }
    return [write_file(folder / name, content) for name, content in made.items()]
