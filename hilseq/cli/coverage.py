"""`hilseq coverage`: what the sequences are worth."""

from __future__ import annotations

import os
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hilseq import resources
from hilseq.errors import UsageError, not_installed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hilseq.coverage.campaign import Workers
    from hilseq.coverage.cases import Case, RowFile
    from hilseq.coverage.curves import OperatingCurve
    from hilseq.coverage.table import CoverageTable
    from hilseq.coverage.visits import CampaignSetup, Visited


def coverage_command(
    kind: Annotated[
        list[str] | None, typer.Option(metavar="KIND", help="Only this kind of defect; repeatable.")
    ] = None,
    units: Annotated[int, typer.Option(min=0, metavar="N", help="Good units to draw.")] = 40,
    draws: Annotated[
        int | None,
        typer.Option(
            min=0,
            metavar="N",
            help="Draws of severity and place for each kind (default: 4); with --curves visits of each group of "
            "readings (default: 40).",
        ),
    ] = None,
    random: Annotated[
        int,
        typer.Option(
            min=0,
            metavar="N",
            help="Instead of the catalogue's kinds, N random faults of the model, each known by an oracle.",
        ),
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, metavar="S", help="The same seed draws the same cases.")] = 0,
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
    curves: Annotated[
        bool,
        typer.Option(
            "--curves",
            help="Instead of defects: how probably each reading is accepted with its true value near a limit, on "
            "stands that are as wrong as their files allow.",
        ),
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="With --curves: draw them, as SVG.")
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
    jobs: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Visits at a time on this computer (default: its processors)."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="tcp://HOST:PORT",
            help="Make the visits on the workers of this Dask scheduler instead; they need the same hilseq.",
        ),
    ] = None,
    stand: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Stand file (default: sim-bench).")
    ] = None,
    unit: Annotated[Path | None, typer.Option(metavar="FILE", help="Profile (default: rh16).")] = None,
    sequence: Annotated[
        list[str] | None, typer.Argument(metavar="SEQUENCE", help="Sequences (default: the shipped ones).")
    ] = None,
) -> None:
    """Put defects into the simulated stand and count what the sequences find, locate, blame wrongly and miss.

    Interrupted, it continues where it was when called again with the same options, on the same files. What is found
    does not depend on how many workers make the visits, nor on where they are.

    With --random, faults of the model itself are drawn by class, single and in pairs; an oracle that knows the model
    says which promise of the profile each breaks and by how much, and each has the visit of its seed without a fault.

    Example: hilseq coverage --kind output-stuck-on --units 10 --json coverage.json

    Example: hilseq coverage --random 20000 --scheduler tcp://192.0.2.7:8786 --json random.json

    Example: hilseq coverage --curves --kind true-voltage-drop --picture drop.svg --json drop.json
    """
    if find_spec("distributed") is None:  # said before anything is drawn or asked of the model
        raise not_installed("distributed")
    if curves:
        if sequence or defects or ideal_timing or random:
            raise UsageError(
                "--curves looks at the shipped sequences on stands with real timing; leave out SEQUENCE, "
                "--defects, --random and --ideal-timing"
            )
        with _workers(jobs, scheduler) as workers:
            _curves(kind or [], draws or 40, seed, picture, json_file, out, workers, stand, unit)
        return
    if picture is not None:
        raise UsageError("--picture draws the curves; add --curves")
    draws = 4 if draws is None else draws
    import json

    from hilseq.coverage.cases import RowFile, campaign_of, choose, draw
    from hilseq.coverage.table import tabulate
    from hilseq.description.loading import load_profile
    from hilseq.twin import catalogue, model_faults

    stands = resources.folder("stands")
    stand, unit = stand or stands / "sim-bench.yaml", unit or stands / "units" / "rh16.yaml"
    soak = load_profile(unit).soak
    if random:
        if kind or defects:
            raise UsageError("--random draws from kinds of its own: leave out --kind and --defects")
        defects = [model_faults()]
        cases = _random_cases(random, seed, stand, unit, None if soak is None else soak.ambient)
        draws = units = 0
    else:
        rows = choose(catalogue(stand, unit, defects or []), kind or [])
        cases = draw(rows, draws=draws, units=units, seed=seed)
    setup = _setup(
        stand, unit, sequence or [], defects or [], soaks=soak is not None, real_timing=not ideal_timing
    )
    asked = campaign_of(
        {
            "kinds": kind or [],
            "units": units,
            "draws": draws,
            **({"random": random} if random else {}),
            "seed": seed,
            "sequences": list(setup.sequences),
            "ideal_timing": ideal_timing,
        },
        setup.parcel,
    )
    timing = ["ideal"] if ideal_timing else []
    drawn = [f"random{random}"] if random else [f"{draws}x", f"{units}good", *(kind or ["all"])]
    name = "-".join([f"seed{seed}", *drawn, *timing])[:80]
    path = out or Path("runs") / f"coverage-{name}.jsonl"
    finished = RowFile(path, asked)
    if finished.rows:
        typer.echo(f"{len(finished.rows)} of {len(cases)} visits were made before ({path})", err=True)
    with _workers(jobs, scheduler) as workers:
        _run(workers, setup, cases, finished, len(cases))
    if random:
        data = _show_random(cases, finished.rows)
    else:
        table = tabulate(finished.rows)
        data = table.as_data()
        _show(table)
    if json_file is not None:
        _write(json_file, json.dumps(data, indent=1))


def _random_cases(count: int, seed: int, stand: Path, unit: Path, ambient: float | None) -> list[Case]:
    from hilseq.coverage.random_faults import draw_random
    from hilseq.twin import broken_promises, catalogue, model_faults

    files = [model_faults()]
    listed = {row["kind"] for row in catalogue(stand, unit)}
    rows = [row for row in catalogue(stand, unit, files) if row["kind"] not in listed]
    typer.echo(f"the oracle looks at {count} faults", err=True)
    return draw_random(
        rows, count, seed=seed, ambient=ambient, oracle=partial(broken_promises, stand, unit, files)
    )


def _show_random(cases: list[Case], rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Print the lines of a random campaign; return all of it as plain data."""
    from rich.console import Console
    from rich.table import Table as Grid

    from hilseq.coverage.random_faults import CLEARLY, SMALL, goals, outcomes, strata

    found = outcomes(cases, rows)
    console = Console(width=None if os.isatty(1) else 140)
    lines, aims = strata(found), goals(found, rows)
    grid = Grid("unit faults of the model", *(_HEADINGS[word] for word in (lines[0].rates if lines else ())))
    for line in lines:
        grid.add_row(line.name, *(f"{rate.brief} of {rate.trials}" for rate in line.rates.values()))
    if lines:
        console.print(grid)
    over_all = Grid("over all draws", "counted", "aim")
    for aim in aims:
        over_all.add_row(aim.name, str(aim.rate), aim.reached)
    console.print(over_all)
    console.print(
        f"Clearly beyond: a promise of the profile is broken {CLEARLY:g} times or more, as the model itself knows it; "
        f"small: less than {SMALL:g} times. "
        "The classes are drawn in equal numbers: no line stands for what comes in the field. "
        "Bounds: two-sided 95 %, Clopper and Pearson.",
        highlight=False,
    )
    return {
        "outcomes": [each.as_data() for each in found],
        "strata": [line.as_data() for line in lines],
        "over_all": [aim.as_data() for aim in aims],
        "clearly": CLEARLY,
    }


_HEADINGS = {
    "detected": "clearly beyond, detected",
    "small_detected": "of these the small, detected",
    "placed": "all findings at the fault",
    "shipped": "shipped",
    "near_detected": "just beyond, detected",
    "inside_repair": "inside, sent to repair",
}


def _curves(
    kinds: list[str],
    draws: int,
    seed: int,
    picture: Path | None,
    json_file: Path | None,
    out: Path | None,
    workers: Workers,
    stand: Path | None,
    unit: Path | None,
) -> None:
    import json

    from hilseq.coverage import curves
    from hilseq.coverage.cases import RowFile, campaign_of
    from hilseq.coverage.curves import draw_curves
    from hilseq.twin import true_values

    stands, sequences = resources.folder("stands"), resources.folder("sequences")
    stand, unit = stand or stands / "sim-bench.yaml", unit or stands / "units" / "rh16.yaml"
    spots = true_values(stand, unit)
    judged = curves.chosen(spots, kinds)
    whole = _setup(stand, unit, [], [])
    asked = campaign_of({"curves": kinds, "draws": draws, "seed": seed}, whole.parcel)
    path = (
        out
        or Path("runs")
        / f"{'-'.join(['curves', f'seed{seed}', f'{draws}x', *(kinds or ['all'])])[:80]}.jsonl"
    )
    finished = RowFile(path, asked, curves.ROW)
    groups = curves.groups(judged)
    for number, readings in enumerate(groups.values()):
        checks = dict.fromkeys(check for one in readings for check in one.checks)
        setup = _setup(stand, unit, [f"{sequences}/{check}" for check in checks], [])
        seen = curves.pilots(draws)
        for visits in (range(seen), range(seen, draws)):
            cases = curves.draw(
                readings, spots, finished.rows[:], visits=visits, seed=seed, first=number * draws
            )
            _run(workers, setup, cases, finished, len(groups) * draws)
    found = curves.tabulate(judged, finished.rows)
    if json_file is not None:
        _write(json_file, json.dumps(curves.as_data(found), indent=1))
    if picture is not None:
        _write(picture, str(draw_curves(found, f"{unit.stem} on {stand.stem}: accepted, by the true value")))
    _show_curves(found)


def _write(file: Path, text: str) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text + "\n", encoding="utf-8")


def _show_curves(found: list[OperatingCurve]) -> None:
    from rich.console import Console
    from rich.table import Table as Grid

    from hilseq.coverage.curves import LEAST, MOST, MOST_BOUND, NEAR

    grid = Grid(
        "reading",
        "limit",
        "guard band",
        "second point",
        "accepted at the limit",
        "two guard bands inside",
        "found at fault inside",
        "",
    )
    for curve in found:
        grid.add_row(
            curve.judged.reading,
            "lower" if curve.judged.low else "upper",
            "" if curve.band is None else f"{curve.band:.2%}",
            "" if curve.second is None else f"{curve.second:.2f}",
            str(curve.at_limit),
            str(curve.inside),
            str(curve.blamed),
            ", ".join(curve.broken) or "holds",
        )
    console = Console(width=None if os.isatty(1) else 180)
    console.print(grid)
    for curve in found:
        if curve.wide:
            console.print(f"{curve.judged.reading}: {curve.wide}", highlight=False)
    console.print(
        f"Promised: at the limit at most {MOST:.1%} (upper bound {MOST_BOUND:.0%}), two guard bands inside at least "
        f"{LEAST:.0%}: that is the second point, at most {NEAR:.0%} from the limit, or for a reason. Guard bands in "
        "shares of the limit; bounds: two-sided 95 %, Clopper and Pearson, as if the points of one visit were "
        "independent.",
        highlight=False,
    )


def _setup(
    stand: Path,
    unit: Path,
    sequences: list[str],
    defects: list[Path],
    *,
    soaks: bool = False,
    real_timing: bool = True,
) -> CampaignSetup:
    """Return what all visits of a campaign have in common, with its files."""
    from hilseq.cli.run import run_visit
    from hilseq.coverage.parcel import Parcel
    from hilseq.coverage.visits import CampaignSetup
    from hilseq.description.loading import load_stand

    parcel = Parcel()
    named = [word.partition("::") for word in resources.sequences(sequences)]
    return CampaignSetup(
        parcel,
        parcel.add(stand),
        parcel.add(unit),
        next(iter(load_stand(stand).slots)),
        tuple(parcel.add(Path(file)) + mark + check for file, mark, check in named),
        run_visit,
        soaks=soaks,
        real_timing=real_timing,
        defect_files=tuple(parcel.add(file) for file in defects),
    )


def _workers(jobs: int | None, scheduler: str | None) -> Workers:
    from hilseq.coverage.campaign import Workers

    if scheduler is not None and jobs is not None:
        raise UsageError(
            "--jobs is of this computer; the number of workers of a scheduler is set where they are started"
        )
    return Workers(jobs or os.cpu_count() or 1, scheduler, partial(typer.echo, err=True))


def _run(workers: Workers, setup: CampaignSetup, cases: Sequence[Visited], rows: RowFile, total: int) -> None:
    """Make the visits, with progress on a terminal and a line now and then elsewhere."""
    from rich.console import Console
    from rich.progress import Progress

    done = len(rows.rows)
    new_rows = workers.make(setup, cases, rows)
    console = Console(stderr=True)
    if not console.is_terminal:
        for count, _ in enumerate(new_rows, done + 1):
            if count % 50 == 0 or count == total:
                typer.echo(f"{count} of {total} visits", err=True)
        return
    with Progress(
        *Progress.get_default_columns(), "{task.completed} of {task.total}", console=console
    ) as progress:
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
