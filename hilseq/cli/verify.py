"""`hilseq verify`: whether a file is the one that a journal makes, and what stands behind that journal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import say
from hilseq.cli.report import Template, read_template

if TYPE_CHECKING:
    from hilseq.reports.verify import Witness


def verify_command(
    file: Annotated[
        Path | None,
        typer.Argument(help="Certificate, report, label, summary, or the journal itself.", metavar="FILE"),
    ] = None,
    run: Annotated[
        Path | None, typer.Argument(help="Folder of the run, or its journal.", metavar="RUN")
    ] = None,
    *,
    code: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT", help="Instead of both: what a reader shows of a certificate's 2-D code."
        ),
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Public keys of stands, a line NAME KEY each.")
    ] = None,
    records: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Records that may have seen the run (default: HILSEQ_RECORDS)."),
    ] = None,
    template: Template = None,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
) -> None:
    """Check whether a file is the one that this run's journal makes, and whether that journal is intact and signed.

    Three answers. Intact: the lines follow from each other, samples and files are those noted, readings, verdicts and
    end fit each other, and so does what is stated from stand file, profile, plan and sequences; a journal that somebody
    invented whole can be intact too. Signed: by a stand whose public key is known (--key, or the list known-stands
    beside your own keys), by a key that is not, or unsigned; only who has the stand's secret key can sign another one.
    Witnessed: records that have seen this run agree or not; what was written before that, they cannot know.

    Exit code 0: the file matches this journal, which is intact and contradicted by nothing; read who has signed it.
    1: file, journal or samples were changed, do not belong together, are not whole, or are contradicted.
    2: cannot tell.

    Example: hilseq verify certificate-RH0001.pdf runs/20261125-081200-RH0001 --key stands.txt
    """
    from hilseq.errors import UsageError

    if code is not None:
        _verify_code(code, key, as_json=json)
        return
    if file is None or run is None:
        raise UsageError("give FILE and RUN, or --code TEXT")
    from hilseq.plugin.planned import contradicts_its_files
    from hilseq.reports.verify import VerifyOutcome, as_json, verify
    from hilseq.signing import known_stands

    result = verify(
        file,
        run,
        known=known_stands(key),
        witness=_witness(records),
        template=read_template(template),
        restated=contradicts_its_files,
    )
    if json:
        _print(as_json(result))
    else:
        for line in result.lines():
            say(line, err=result.outcome is not VerifyOutcome.MATCHES)
    raise typer.Exit(int(result.outcome))


def _witness(records: str | None) -> Witness | None:
    """Return the records as a witness, where any are named. Raises HilseqError where those cannot be used."""
    import os

    if not records and not os.environ.get("HILSEQ_RECORDS"):
        return None
    from hilseq.records.heads import witness_of

    return witness_of(records)


def _verify_code(text: str, key: Path | None, *, as_json: bool) -> None:
    from dataclasses import asdict

    from hilseq.reports.sanitize import sanitize
    from hilseq.reports.summary_code import read_code
    from hilseq.reports.verify import VerifyOutcome
    from hilseq.signing import known_stands

    content = read_code(text)
    name = known_stands(key).get(content.key)
    if not content.holds:
        outcome, reported = (
            VerifyOutcome.DOES_NOT_MATCH,
            "the code was changed: its signature is not that of its key",
        )
    elif name is None:
        reported = (
            f"signed by a key that is not known here ({content.key}): anybody can have made it; give --key"
        )
        outcome = VerifyOutcome.CANNOT_TELL
    else:
        outcome, reported = VerifyOutcome.MATCHES, f"signed by the known stand {name}"
    if as_json:
        said = {**asdict(content), "outcome": outcome.name.lower().replace("_", " "), "reported": reported}
        _print(said)
    else:
        say(sanitize(f"{content}", 600), err=outcome is not VerifyOutcome.MATCHES)
        say(sanitize(reported, 300), err=outcome is not VerifyOutcome.MATCHES)
    raise typer.Exit(int(outcome))


def _print(said: object) -> None:
    import json

    typer.echo(json.dumps(said, indent=2))
