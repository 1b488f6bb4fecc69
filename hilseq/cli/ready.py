"""`hilseq ready`: is the stand fit to judge a unit? And the sheet by which it is set up."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import StandOption, UnitOption, say

if TYPE_CHECKING:
    from hilseq.description.golden import ChartedVisit
    from hilseq.description.stand import Stand
    from hilseq.description.visit import Visit
    from hilseq.journal.run_state import RunState, UnitState
    from hilseq.plugin.visit_run import VisitRun
    from hilseq.procedures.bench import Bench
    from hilseq.procedures.readiness import ReadinessResult
    from hilseq.procedures.unit import Unit

#: Pause between two attempts to switch off, s.
_PAUSE = 0.2
_VERDICTS = {True: "right", False: "WRONG", None: "not looked at"}


def ready_command(
    stand: StandOption,
    unit: UnitOption = None,
    power: Annotated[
        bool,
        typer.Option("--power", help="Power each --unit too: supply reading, link, modes, neighbours."),
    ] = False,
    setup_sheet: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write the set-up sheet: a page for *.html, text for others, - prints."
        ),
    ] = None,
    serial: Annotated[
        list[str] | None,
        typer.Option(metavar="[SLOT=]SN", help="Serial number of the unit, for the set-up sheet."),
    ] = None,
    intake: Annotated[
        Path | None, typer.Option(metavar="FILE", help="What is known of the unit, for the set-up sheet.")
    ] = None,
    note: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=VALUE", help="The same, key by key, such as work-order=4711; repeatable."),
    ] = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Use a simulated twin of the stand.")] = False,
    defect: Annotated[
        list[str] | None, typer.Option(metavar="KIND[@PLACE]", help="Defect of the twin; repeatable.")
    ] = None,
    golden: Annotated[
        Path | None,
        typer.Option(
            metavar="RUN",
            help="Keep this visit of a known good unit as the proof of the harness; nothing is checked now.",
        ),
    ] = None,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="With --golden: who knows the unit to be good.")
    ] = "",
    anew: Annotated[
        bool,
        typer.Option(
            "--anew", help="With --golden: begin new control charts, after a repair or a calibration."
        ),
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
) -> None:
    """Check everything that a stand can find out about itself: instruments, calibration, loop-backs, ports, addresses.

    Nothing is powered without --power, and a stand with an output on is reported and left on. The stage set-up of every
    visit runs the same procedure.

    --golden RUN keeps a visit in which a known good unit passed every check, beside the stand file
    (bench.golden.json for bench.yaml), until the harness changes. With it, what a unit and its harness
    explain alike is blamed on the unit; a stand file with `golden-unit: true` asks for it.
    Its readings are points of control charts, with limits from the sixth visit of the same unit on: a reading that
    leaves its chart closes the stand (exit code 4, and every visit) until the unit is back in it, or --anew.
    Exit code: 0 ready, 2 bad file or option, 4 not ready, 75 in use by somebody else, or kept off.

    Example: hilseq ready --stand stands/sim-bench.yaml --unit stands/units/rh16.yaml --simulate
    """
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.errors import UsageError
    from hilseq.plugin.options import unit_files

    if golden is not None:
        raise typer.Exit(_record_golden(stand, golden, by.strip(), anew=anew))
    if power and not unit:
        raise UsageError("--power powers units, but no --unit says what is in the slots")
    slots = list(load_stand(stand).slots)
    files = unit_files(unit, slots, stand) if unit else {}
    visit = describe_visit(stand, files)
    if setup_sheet is not None:
        _write_sheet(visit, setup_sheet, _intakes(visit.stand, serial or [], intake, note or []))
    looks = _looks(visit, simulate=simulate, defects=defect or [], power=power)
    raise typer.Exit(_tell(visit.stand.stand, looks, json=json))


def _looks(visit: Visit, *, simulate: bool, defects: list[str], power: bool) -> list[ReadinessResult]:
    """Open the stand, look at everything, and leave it safe."""
    from hilseq.errors import UsageError
    from hilseq.interrupts import interrupt_on_termination
    from hilseq.plugin.options import VisitOptions
    from hilseq.plugin.visit_run import VisitRun
    from hilseq.procedures.readiness import ReadinessResult

    if defects and not simulate:
        raise UsageError("--defect works only with --simulate: no defect is put into a real stand")
    options = VisitOptions(
        stand=visit.stand_path,
        units=visit.profile_paths,
        serials=dict.fromkeys(visit.profile_paths, "0"),
        simulate=simulate,
        seed=0,
        defects=defects,
        attended=False,
        out=None,
    )
    run = VisitRun(options, visit, hands_over=False, leaves_running=not power)
    interrupt_on_termination(run.hold.heard_to_end)
    looks: list[ReadinessResult] = []
    try:
        run.start()
        if (kept := run.hold.kept_off) is not None:
            looks.append(ReadinessResult("latch", "stand", False, f"kept off: latched {kept.words}"))
        for look in _all_looks(run, power=power):
            run.clock.tick()  # the guard hears that it is alive
            looks.append(look)
    finally:
        unsafe = _made_safe(run)
        run.close()
    if unsafe:
        looks.append(ReadinessResult("safe state", "safe state", False, unsafe))
    return looks


def _made_safe(run: VisitRun) -> str:
    """Make safe; return why that could not be verified. Nobody is left to do it later where something had power."""
    from hilseq.guard.rescue import PERSEVERANCE

    unsafe, _ = run.make_safe()
    if unsafe and run.was_powered:
        typer.echo(f"hilseq: {unsafe}; trying again for up to {PERSEVERANCE:g} s", err=True)
        until = run.clock.now() + PERSEVERANCE
        while unsafe and run.clock.now() < until:
            run.clock.sleep(_PAUSE)
            unsafe, _ = run.make_safe()
    return unsafe


def _all_looks(run: VisitRun, *, power: bool) -> Iterator[ReadinessResult]:
    from hilseq.procedures.readiness import Readiness, ReadinessResult, attempt, powered_looks

    bench = run.opened()
    for seen in bench.found:
        right = None if seen.at_rest is None else not seen.is_on
        yield ReadinessResult("as found", seen.part, right, f"{seen.words} when found", (seen.part,))
    usable = [slot for slot in bench.slots if slot not in bench.unusable]
    reported = {seen.part for seen in bench.found if seen.is_on}
    for look in Readiness(bench).instruments():
        reported.update(look.places if look.right is False else ())
        yield look
    for fault in dict.fromkeys(bench.unusable.values()):  # it answers, and cannot be made ready
        if reported.isdisjoint(fault.places):
            yield ReadinessResult(
                "instruments", ", ".join(fault.places) or "stand", False, str(fault), fault.places
            )
    profiled = run.visit.profiles
    charts = {slot: run.golden_charts(slot) for slot in profiled}
    yield from Readiness(bench, charts=lambda slot: charts.get(slot, [])).calibrations()
    rest = Readiness(bench, usable, run.extensions.readiness_checks)
    for slot in run.visit.profiles:
        if (visit := run.golden(slot)) or run.visit.stand.golden_unit:
            words = visit or "none on record for the harness as it is: hilseq ready --golden RUN"
            yield ReadinessResult("known good unit", f"slot {slot}", bool(visit), words)
    for topic, looks in rest.topics().items():
        if usable and topic not in ("instruments", "calibration"):
            yield from attempt(topic, looks)
    for slot in usable if power else ():
        unit = bench.units[slot]
        yield from attempt(
            "under power", partial(powered_looks, unit, partial(run.visit.written, slot), bench.clock)
        )
        yield from attempt("under power", partial(_thermometers, bench, unit))
        run.make_safe(slot)


def _thermometers(bench: Bench, unit: Unit) -> Iterator[ReadinessResult]:
    from hilseq.procedures.fault_location import thermometers_agree
    from hilseq.procedures.readiness import ReadinessResult

    thermometers_agree(bench, unit)
    yield ReadinessResult(
        "under power", f"thermometers of slot {unit.slot}", True, "none is contradicted by the others"
    )


def _record_golden(stand: Path, run: Path, by: str, *, anew: bool) -> int:
    """Keep the visit in the folder `run` as that of known good units, which `by` says they are; return the exit code.

    Its readings are the next points of the control charts of each unit, or the first where `anew`. Raises UsageError.
    """
    from hilseq.description.golden import GoldenVisit, golden_key, harness_hash, keep_golden, read_golden
    from hilseq.description.loading import load_stand
    from hilseq.errors import UsageError
    from hilseq.journal.seals import read_run
    from hilseq.procedures.readiness import REOPEN
    from hilseq.reports.sanitize import sanitize
    from hilseq.verdicts import ExitCode

    if not by:
        raise UsageError('--golden needs --by NAME of who knows the unit to be good, such as --by "M. Frei"')
    try:
        state = read_run(run)
    except ValueError as error:
        raise UsageError(f"{run} is not the folder of a run: {error}") from None
    if not state.complete or not state.sound:
        raise UsageError(f"{run} is {state.status}: only a completed run proves a harness")
    harness = harness_hash(load_stand(stand))
    if _harness_of(state) != harness:
        raise UsageError(
            f"{run} was made on another harness than {stand} describes: make the visit again, on this one"
        )
    code = ExitCode.SHIP
    for unit in state.units:
        _require_good(unit)
        visit = GoldenVisit(
            harness=harness,
            simulated=state.simulated,
            part=unit.part,
            serial=unit.serial,
            run=state.run,
            chain=state.chain,
            on=state.started[:10],
            by=by,
            charted=(_charted(state, unit),),
        )
        if not anew:
            visit = visit.with_earlier(
                read_golden(stand).get(golden_key(unit.part, simulated=state.simulated))
            )
        file = keep_golden(stand, visit)
        typer.echo(f"{file}: {unit.part} {unit.serial} shows the harness of {state.stand} right, by {by}")
        for left in visit.out_of_control():
            code = ExitCode.STAND_FAULT
            typer.echo(f"control chart left: {sanitize(left)}; {REOPEN}")
    return int(code)


def _charted(state: RunState, unit: UnitState) -> ChartedVisit:
    """Return the readings of a visit as points of control charts; of several of one name and place the last."""
    from hilseq.description.golden import ChartedVisit
    from hilseq.reports.formatting import finite

    readings = {}
    for check in unit.checks:
        for one in check.readings:
            value, known = finite(one.value), finite(one.uncertainty)
            if value is not None:
                readings[f"{one.name} at {one.place} in {one.unit or 'plain numbers'}"] = value, known or 0.0
    return ChartedVisit(run=state.run, on=state.started[:10], readings=readings)


def _require_good(unit: UnitState) -> None:
    """Raise UsageError for a unit of which anything was found, or was not looked at."""
    from hilseq.errors import UsageError
    from hilseq.verdicts import CheckVerdict, Obstacle

    for check in unit.checks:
        if check.verdict is not CheckVerdict.PASSED and check.obstacle is not Obstacle.NO_GOLDEN_VISIT:
            where = ", ".join(check.places) or check.place
            raise UsageError(
                f"{unit.part} {unit.serial}: {check.title!r} was {check.verdict} ({where}: {check.why}). A known good "
                "unit passes every check: look at the harness there, or take another unit"
            )


def _harness_of(state: RunState) -> str:
    """Return the hash of the harness that a run was made on. Raises UsageError."""
    import tempfile

    from hilseq.description.golden import harness_hash
    from hilseq.description.loading import load_stand

    kept = state.given("stand file")
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "stand.yaml"
        copy.write_text("" if kept is None else kept.text, encoding="utf-8")
        return harness_hash(load_stand(copy))


def _intakes(
    stand: Stand, serials: list[str], intake: Path | None, notes: list[str]
) -> dict[str, dict[str, str]]:
    """Return by slot what is known of the units. Raises UsageError."""
    from hilseq.plugin.intake import read_intake, read_notes
    from hilseq.plugin.options import by_slot

    slots = list(stand.slots)
    said = read_intake(intake, slots, stand.intake) if intake is not None else {}
    for slot, known in read_notes(notes, slots, stand.intake).items():
        said[slot] = said.get(slot, {}) | known
    for slot, number in by_slot(serials, "--serial", slots).items():
        said[slot] = said.get(slot, {}) | {"serial": number}
    return said


def _write_sheet(visit: Visit, target: Path, intakes: dict[str, dict[str, str]]) -> None:
    from hilseq.cli.setup_sheet import as_html, as_text, setup_sheet

    sections = setup_sheet(visit.stand, visit.profiles, intakes)
    if target.suffix.lower() in (".html", ".htm"):
        content = as_html(visit.stand.stand, visit.stand.description, sections, visit.stand_path.parent)
    else:
        content = as_text(visit.stand.stand, visit.stand.description, sections)
    if str(target) == "-":
        typer.echo(content)
    else:
        target.write_text(content, encoding="utf-8")


def _tell(stand: str, looks: list[ReadinessResult], *, json: bool) -> int:
    """Print what was found; return the exit code."""
    from dataclasses import asdict

    from hilseq.reports.sanitize import sanitize
    from hilseq.verdicts import ExitCode

    wrong = [look for look in looks if look.right is False]
    code = int(ExitCode.STAND_FAULT if wrong else ExitCode.SHIP)
    if json:
        import json as notation

        answer = {
            "stand": stand,
            "ready": not wrong,
            "exit_code": code,
            "looks": [asdict(look) for look in looks],
        }
        typer.echo(notation.dumps(answer, indent=2))
        return code
    for look in looks:
        say(f"{_VERDICTS[look.right]:<14}{look.topic:<15} {sanitize(look.what)}: {sanitize(look.words)}")
    verdict = (
        "ready" if not wrong else f"NOT READY: {len(wrong)} of {len(looks)} checks found something wrong"
    )
    say(f"\nstand {stand}: {verdict}")
    return code
