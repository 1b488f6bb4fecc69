"""`hilseq report`: the pages, certificate, label and Allure report of a run, made from its journal alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hilseq.journal.run_state import RunState

Template = Annotated[
    Path | None,
    typer.Option(
        "--template",
        envvar="HILSEQ_TEMPLATE",
        metavar="FILE",
        help="Typst file of your own for the certificate, instead of the shipped one (or HILSEQ_TEMPLATE).",
    ),
]


def report_command(
    run: Annotated[Path, typer.Argument(help="Folder of the run, or its journal.", metavar="RUN")],
    *,
    out: Annotated[
        Path | None, typer.Option(help="Where to write; the run's own folder by default.", metavar="DIR")
    ] = None,
    certificate: Annotated[
        bool,
        typer.Option("--certificate", help="Also the certificate or repair slip, two pages at most (PDF/A)."),
    ] = False,
    label: Annotated[
        bool, typer.Option("--label", help="Also small labels for shelf and customer (SVG and PDF).")
    ] = False,
    template: Template = None,
    allure: Annotated[
        bool, typer.Option("--allure", help="Also build the Allure report, if its generator is installed.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
) -> None:
    """Write the reports of a run again from its journal: one page per unit and a summary for programs.

    The exit code says whether the files were written, not which verdict is in them. Where the samples of a soak are not
    those that the journal has sealed, stderr says so, and so do the files. A journal that contradicts itself, or what
    its stand has signed, is reported on stderr, and gets no certificate and no label.

    Example: hilseq report runs/20261125-081200-RH0001 --certificate --label
    """
    files = make_reports(run, out, certificate=certificate, label=label, template=template, allure=allure)
    if json:
        import json as json_module

        typer.echo(json_module.dumps({"files": [str(file) for file in files]}, indent=2))
        return
    for file in files:
        typer.echo(file)


def _tell_wrong(run: Path, record: RunState, *, papers: bool) -> None:
    """Tell what is wrong with samples and journal. Raises UsageError where `papers` are to be made of such a one."""
    from hilseq.errors import UsageError
    from hilseq.journal.reader import read_journal
    from hilseq.journal.signatures import against
    from hilseq.plugin.planned import contradicts_its_files
    from hilseq.reports.sanitize import sanitize
    from hilseq.reports.verify import contradicted

    damaged = [unit.damage for unit in record.units if unit.damage]
    for words in damaged:
        typer.echo(f"hilseq: CAUTION: {sanitize(words)}", err=True)
    if damaged or record.broken:
        return  # nothing of it is compared, and no certificate is made of it
    journal = read_journal(run)
    signed = against(record.signatures, journal.links, record.run, record.stand)
    wrong = contradicted(journal, record, contradicts_its_files(record).wrong) or sanitize(signed, 300)
    if wrong:
        typer.echo(f"hilseq: CAUTION: {wrong}", err=True)
    if wrong and papers:
        raise UsageError(f"no certificate, and no label: {wrong}")


def read_template(path: Path | None) -> bytes | None:
    """Return a template of one's own; None for the shipped one. Raises UsageError when it cannot be read."""
    from hilseq.errors import UsageError

    try:
        return None if path is None else path.read_bytes()
    except OSError as error:
        raise UsageError(f"the template {path} cannot be read: {error.strerror or error}") from None


def make_reports(
    run: Path,
    out: Path | None = None,
    *,
    certificate: bool = False,
    label: bool = False,
    template: Path | None = None,
    allure: bool = False,
) -> list[Path]:
    """Write what is asked for and return the files. Raises UsageError with what to do about it."""
    from hilseq.errors import UsageError
    from hilseq.extensions import Extensions
    from hilseq.journal.reader import find_journal
    from hilseq.reports import files as names
    from hilseq.reports import write
    from hilseq.reports.allure import build_allure

    home = find_journal(run).parent
    folder = out or home
    try:
        record = write.write_reports(run, out)
        _tell_wrong(run, record, papers=certificate or label)
        files = [folder / write.SUMMARY, *(folder / name for name in names.report_names(record).values())]
        others, wrong = write.write_formats(record, folder, Extensions().report_formats)
        files += others
        for words in wrong:
            typer.echo(f"hilseq: {words}", err=True)
        if certificate:
            files += write.write_certificates(record, folder, home=home, template=read_template(template))
        if label:
            files += write.write_labels(record, folder)
        if allure:
            files.append(build_allure(home, folder))
    except ValueError as error:
        raise UsageError(str(error)) from error
    except OSError as error:
        raise UsageError(
            f"{error.filename or folder} cannot be written: {error.strerror or error}"
        ) from error
    return files
