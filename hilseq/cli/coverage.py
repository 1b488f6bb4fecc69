"""`hilseq coverage`: what the sequences are worth."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hilseq import resources

if TYPE_CHECKING:
    from hilseq.coverage.table import CoverageTable


def coverage_command(
    kind: Annotated[
        list[str] | None, typer.Option(metavar="KIND", help="Only this kind of defect; repeatable.")
    ] = None,
    units: Annotated[int, typer.Option(min=0, metavar="N", help="Good units to draw.")] = 40,
    draws: Annotated[
        int, typer.Option(min=0, metavar="N", help="Draws of severity and place for each kind.")
    ] = 4,
    seed: Annotated[int, typer.Option(metavar="S", help="The same seed draws the same cases.")] = 0,
    ideal_timing: Annotated[
        bool,
        typer.Option(
            "--ideal-timing",
            help="Let no instrument take any time, instead of drawing scans, lags and answers.",
        ),
    ] = False,
    defects: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Python file with kinds of defect of your own; repeatable."),
    ] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the table as JSON.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="File of finished rows, to resume from (default: one in runs/ per campaign)."
        ),
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, metavar="N", help="Visits at a time.")] = os.cpu_count() or 1,
    stand: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Stand file (default: sim-bench).")
    ] = None,
    unit: Annotated[Path | None, typer.Option(metavar="FILE", help="Profile (default: rh16).")] = None,
    sequence: Annotated[
        list[str] | None, typer.Argument(metavar="SEQUENCE", help="Sequences (default: the shipped ones).")
    ] = None,
) -> None:
    """Put defects into the simulated stand and count what the sequences find, locate, blame wrongly and miss.

    Interrupted, it goes on where it was when called again with the same options, on the same files.

    Example: hilseq coverage --kind output-stuck-on --units 10 --json coverage.json
    """
    import json

    from hilseq.coverage import campaign
    from hilseq.coverage.cases import RowFile, campaign_of, choose, draw
    from hilseq.coverage.table import tabulate
    from hilseq.description.loading import load_profile, load_stand
    from hilseq.twin import catalogue

    stands = resources.folder("stands")
    stand, unit = stand or stands / "sim-bench.yaml", unit or stands / "units" / "rh16.yaml"
    rows = choose(catalogue(stand, unit, defects or []), kind or [])
    cases = draw(rows, draws=draws, units=units, seed=seed)
    words = sequence or [str(resources.folder("sequences"))]
    files = [word for word in words if Path(word).exists()]
    options = [word for word in words if word not in files]
    asked = campaign_of(
        {
            "kinds": kind or [],
            "units": units,
            "draws": draws,
            "seed": seed,
            "words": options,
            "ideal_timing": ideal_timing,
        },
        [stand, unit, *map(Path, files), *(defects or [])],
    )
    timing = ["ideal"] if ideal_timing else []
    name = "-".join([f"seed{seed}", f"{draws}x", f"{units}good", *timing, *(kind or ["all"])])[:80]
    path = out or Path("runs") / f"coverage-{name}.jsonl"
    finished = RowFile(path, asked)
    bench = campaign.CampaignSetup(
        stand.resolve(),
        unit.resolve(),
        next(iter(load_stand(stand).slots)),
        partial(_visit, sequence or [], stand),
        load_profile(unit).soak is not None,
        real_timing=not ideal_timing,
        defect_files=tuple(file.resolve() for file in defects or []),
    )
    if finished.rows:
        typer.echo(f"{len(finished.rows)} of {len(cases)} visits were made before ({path})", err=True)
    _run(campaign.run_campaign(bench, cases, finished, jobs=jobs), len(cases), len(finished.rows))
    table = tabulate(finished.rows)
    if json_file is not None:
        json_file.parent.mkdir(parents=True, exist_ok=True)
        json_file.write_text(json.dumps(table.as_data(), indent=1) + "\n", encoding="utf-8")
    _show(table)


def _visit(sequences: list[str], stand: Path, options: list[str]) -> int:
    from hilseq.cli.run import run_visit

    return run_visit(list(sequences), options, stand)


def _run(new_rows: Any, total: int, done: int) -> None:
    """Make the visits, with progress on a terminal and a line now and then elsewhere."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    if not console.is_terminal:
        for count, _ in enumerate(new_rows, done + 1):
            if count % 50 == 0 or count == total:
                typer.echo(f"{count} of {total} visits", err=True)
        return
    with Progress(console=console) as progress:
        task = progress.add_task("visits", total=total, completed=done)
        for _ in new_rows:
            progress.advance(task)


def _show(table: CoverageTable) -> None:
    from rich.console import Console
    from rich.table import Table as Grid

    grid = Grid(
        "defect",
        "side",
        "beyond limits",
        "detected",
        "located",
        "wrong side",
        "missed",
        "inside limits",
        "alarms",
    )
    for line in table.lines:
        grid.add_row(
            line.defect,
            line.side,
            str(line.beyond),
            line.detection.brief,
            line.location.brief,
            str(line.wrongly_blamed),
            str(line.missed),
            str(line.harmless),
            str(line.harmless_detected),
        )
    console = Console(width=None if os.isatty(1) else 140)
    if table.lines:
        console.print(grid)
    for words, rate in (
        ("detected, of the defects beyond the limits", table.detection),
        ("located, of the detected", table.location),
        ("blamed on the wrong side", table.wrongly_blamed),
        ("alarms, of the defects inside the limits", table.harmless_detected),
        ("false alarms, of the good units", table.false_alarms),
    ):
        console.print(f"{words}: {rate}", highlight=False)
    console.print("Bounds: two-sided 95 %, Clopper and Pearson.", highlight=False)
