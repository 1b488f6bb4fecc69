"""`hilseq plan`: what a run will do, how long it takes, and what it will prove."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hilseq.cli.command import StandOption, UnitOption, say

if TYPE_CHECKING:
    from hilseq.description.approved_plan import PlanContent
    from hilseq.description.profile import Profile
    from hilseq.description.stand import Stand
    from hilseq.description.visit import Visit
    from hilseq.extensions import Extensions

#: Bytes of journal, reports and results for each check, and for each row of a table; measured on the demo.
_BYTES_PER_CHECK, _BYTES_PER_START = 12_000, 400
#: Bytes of a page and everything that does not grow with the checks.
_BYTES_OF_A_RUN = 300_000


@dataclass(frozen=True, slots=True)
class StagePlan:
    """One stage of one unit: its checks, and about how long they take on hardware, s.

    `unknown` of the checks declare no duration; they are not in `seconds`.
    """

    stage: str
    checks: int
    gates: int
    seconds: float
    unknown: int
    #: Of `seconds`, what the unit and the stand need whatever tests them: off-times, starts, settling.
    floor: float


@dataclass(slots=True)
class UnitPlan:
    """What a run will do with one unit."""

    slot: str
    part: str
    stages: list[StagePlan] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    starts: dict[str, Any] | None = None
    ride_through: dict[str, Any] | None = None
    soak: dict[str, Any] | None = None
    proves: list[str] = field(default_factory=list)
    #: Of `seconds`, what the unit and the stand need whatever tests them, s. More than its stages have of it where one
    #: waits for what the exchanges of others take meanwhile, as the watching of the clock does.
    floor: float = 0.0

    @property
    def checks(self) -> int:
        """Checks without the soak."""
        return sum(stage.checks for stage in self.stages)

    @property
    def seconds(self) -> float:
        """Time on hardware without the soak, s."""
        return sum(stage.seconds for stage in self.stages)

    @property
    def seconds_with_soak(self) -> float:
        """Time on hardware with the soak, s."""
        return self.seconds + (self.soak["duration"] if self.soak is not None else 0.0)

    @property
    def unknown(self) -> int:
        """Checks without the soak whose duration nobody has declared."""
        return sum(stage.unknown for stage in self.stages)

    @property
    def disk(self) -> int:
        """Bytes on disk without the soak."""
        starts = self.starts["most"] if self.starts else 0
        return _BYTES_OF_A_RUN + self.checks * _BYTES_PER_CHECK + starts * _BYTES_PER_START

    def as_data(self) -> dict[str, Any]:
        """Return the plan for programs."""
        sums = {"checks": self.checks, "seconds": self.seconds, "unknown": self.unknown}
        return {**asdict(self), **sums, "disk_bytes": self.disk}


#: Stands in the lines of a plan for the slots that it is the plan of.
_SLOTS = "\0"


def plan_command(
    stand: StandOption,
    unit: UnitOption = None,
    serial: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SLOT=SN", help="The units that are planned for; without it all slots are used."
        ),
    ] = None,
    sequence: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SEQUENCE", help="Sequence files or folders; shipped: those of hilseq (default)."
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
    approve: Annotated[
        bool, typer.Option("--approve", help="Write it down as the approved plan of these profiles.")
    ] = False,
    by: Annotated[str, typer.Option(metavar="NAME", help="With --approve: who approves it.")] = "",
    why: Annotated[str, typer.Option(metavar="TEXT", help="With --approve: why, in a sentence.")] = "",
) -> None:
    """Show what a run will do: checks by stage, power cycles, time on hardware, disk, and what it will prove.

    Nothing is powered, and no instrument is asked. Of several slots, which work beside each other, it says how many
    units a week the bench can do, and which instrument will be the first to have no more room.

    --approve writes the approved plan of each profile beside it (rh16.plan.json for rh16.yaml): the hashes of profile
    and sequences, and the names of the checks. Only a run that does exactly that gets a certificate; a change of any
    of them needs a new approval.

    Example: hilseq plan --stand stands/sim-bench.yaml --unit stands/units/rh16.yaml
    """
    from hilseq import resources
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.plugin.options import by_slot, unit_files

    slots = list(load_stand(stand).slots)
    files = unit_files(unit or [], slots, stand, by_slot(serial or [], "--serial", slots))
    visit = describe_visit(stand, files)
    paths = resources.sequences(sequence or [])
    if approve:
        _approve(visit, files, paths, by.strip(), why.strip())
        return
    plans = make_plans(visit, files, paths)
    if json:
        import json as json_format

        said = {"units": [plan.as_data() for plan in plans], "visit": bench_times(plans, visit)}
        typer.echo(json_format.dumps(said, indent=2))
        return
    reported: dict[tuple[str, ...], list[str]] = {}
    for plan in plans:
        reported.setdefault(tuple(plan_lines(plan)), []).append(plan.slot)
    for lines, slots_of_it in reported.items():
        where = f"slot{'s' if len(slots_of_it) > 1 else ''} {', '.join(slots_of_it)}"
        say("\n".join(lines).replace(_SLOTS, where, 1))
    for line in bench_lines(plans, bench_times(plans, visit)):
        say(line)


def _approve(visit: Visit, files: Mapping[str, Path], sequences: Sequence[str], by: str, why: str) -> None:
    """Write the approved plan of each profile, one revision further where it changes. Raises UsageError."""
    from datetime import UTC, datetime

    from hilseq.description.approved_plan import ApprovedPlan, plan_file, plan_text, read_plan
    from hilseq.errors import UsageError
    from hilseq.reports.files import write_file

    if not by or not why:
        raise UsageError(
            '--approve needs --by NAME and --why TEXT, such as --by "M. Frei" --why "first issue"'
        )
    contents = collect(visit, files, sequences).required().contents
    for slot, profile in files.items():
        content, path = contents[slot], plan_file(profile)
        if not content.checks:
            raise UsageError(f"{profile}: these sequences have no check for it; there is nothing to approve")
        before = read_plan(profile)
        if before is not None and before.content == content:
            typer.echo(f"{path}: revision {before.revision} is this plan already")
            continue
        plan = ApprovedPlan(
            **content.model_dump(),
            revision=1 if before is None else before.revision + 1,
            approved_by=by,
            approved_on=f"{datetime.now(UTC):%Y-%m-%d}",
            why=why,
        )
        try:
            write_file(path, plan_text(plan).encode())
        except OSError as error:
            raise UsageError(
                f"{path} cannot be written: {error.strerror}; copy the profile to a folder of yours"
            ) from None
        typer.echo(f"{path}: revision {plan.revision}, {len(content.checks)} checks, {content.identity[:16]}")


def make_plans(visit: Visit, files: Mapping[str, Path], sequences: Sequence[str]) -> list[UnitPlan]:
    """Return the plan of each unit: the checks are those that pytest collects. Raises UsageError."""
    from hilseq.description.stages import SOAK
    from hilseq.plugin import stages

    found = collect(visit, files, sequences).required()
    rows, extensions = found.rows, found.extensions
    plans = []
    for slot, profile in visit.profiles.items():
        plan = UnitPlan(slot, profile.part)
        mine = [row for row in rows if row.slot == slot]
        for stage in dict.fromkeys(row.stage for row in mine):
            some = [row for row in mine if row.stage == stage]
            known = [row.seconds for row in some if row.seconds is not None]
            gates = sum(row.gate for row in some)
            seconds, floor = sum(known), sum(row.floor for row in some)
            plan.floor += floor
            plan.stages.append(
                StagePlan(stage, len(some), gates, seconds, len(some) - len(known), min(floor, seconds))
            )
        covered = {stage.stage for stage in plan.stages}
        required = stages.required(profile, extensions.stages)
        plan.missing = [name for name in required if name not in covered | {SOAK}]
        if "power cycling" in covered:
            _plan_starts(plan, profile)
        if "supply margins" in covered:
            _plan_margins(plan, profile)
        _plan_soak(plan, visit, slot)
        plans.append(plan)
    return plans


@dataclass(frozen=True, slots=True)
class _Row:
    slot: str
    stage: str
    gate: bool
    #: None where the check declares no duration.
    seconds: float | None
    #: What remains of that where exchanges take no time.
    floor: float


@dataclass(slots=True)
class Collected:
    """The checks that pytest finds, the extensions it met, and what is wrong with the checks."""

    rows: list[_Row]
    extensions: Extensions
    #: By slot, what a plan names to be approved.
    contents: dict[str, PlanContent]
    #: Tests that were found, whether they concern a unit or not.
    tests: int
    #: What is wrong, each with file and line.
    problems: list[str]
    #: Whether a run would refuse to begin for it.
    refused: bool = False

    def required(self) -> Collected:
        """Return it as it is. Raises UsageError where a run would refuse to begin."""
        from hilseq.errors import UsageError

        if self.refused:
            raise UsageError("\n".join(self.problems))
        return self


def collect(visit: Visit, files: Mapping[str, Path], sequences: Sequence[str]) -> Collected:
    """Have pytest collect the checks, as a run would; nothing is opened. Raises UsageError where that cannot be."""
    import contextlib
    import io

    import pytest

    from hilseq.errors import UsageError, gathered
    from hilseq.plugin import markers
    from hilseq.plugin.hooks import VisitHooks
    from hilseq.plugin.parametrize import slot_of
    from hilseq.plugin.sequence_check import all_problems, why_not_collected
    from hilseq.plugin.visit_run import RUN
    from hilseq.procedures import durations

    found: list[Collected] = []

    lost: list[str] = []

    class Collector:
        def pytest_collectreport(self, report: pytest.CollectReport) -> None:
            if report.failed:
                lost.append(why_not_collected(report))

        def pytest_collection_finish(self, session: pytest.Session) -> None:
            rows = []
            for item in session.items:
                slot = slot_of(item, visit)
                supply = visit.stand.supplies[visit.stand.slots[slot].supply]
                seconds = floor = None
                with gathered([]):  # the visit's own hooks report it
                    seconds = markers.duration_of(item, visit.profiles[slot], supply)
                    with durations.without_exchanges():
                        floor = markers.duration_of(item, visit.profiles[slot], supply)
                rows.append(_Row(slot, markers.stage_of(item), markers.is_gate(item), seconds, floor or 0.0))
            wrong = all_problems(
                session.items, lambda item: slot_of(item, visit), visit.profiles, visit.stand
            )
            hooks = session.config.pluginmanager.getplugin("hilseq-visit")
            assert isinstance(hooks, VisitHooks)
            contents = hooks.contents(session.items)
            problems = [*lost, *map(str, sorted({*hooks.problems, *wrong}))]
            extensions = session.config.stash[RUN].extensions
            found.append(Collected(rows, extensions, contents, hooks.tests, problems))

    # In one word each, as `hilseq run` does it: a path that stands alone would name the project of pytest's settings.
    line = [*sequences, "--collect-only", "-q", "-p", "no:cacheprovider", "-o", "addopts="]
    line.append(f"--stand={visit.stand_path}")
    for slot, path in files.items():
        line += [f"--unit={slot}={path}", f"--serial={slot}=PLAN-1-{slot}"]
    said = io.StringIO()
    writes_modules = sys.dont_write_bytecode
    sys.dont_write_bytecode = True  # what only looks leaves nothing beside the sequences
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = pytest.main(line, plugins=[Collector()])
    finally:
        sys.dont_write_bytecode = writes_modules
    if code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        if not found or not found[0].problems:
            text = said.getvalue().strip()
            ours = text.partition("nothing was powered:\n")[2].partition(" !\n")[0]
            raise UsageError(ours or f"the checks cannot be collected:\n{text}")
        found[0].refused = True
    return found[0]


def _plan_starts(plan: UnitPlan, profile: Profile) -> None:
    from hilseq.analysis.start_plans import SequentialStarts
    from hilseq.procedures.cycling import cycling_of, start_plan

    if profile.cycling is None:
        return
    claim, starts = cycling_of(profile), start_plan(profile)
    plan.starts = {
        "plan": claim.plan,
        "start_probability": claim.start_probability,
        "confidence": claim.confidence,
        "fewest": starts.fewest,
        "most": starts.most,
        "other": 2 * claim.extra,
        "seconds": starts.most * (claim.off + profile.start.ready_within),
    }
    if isinstance(starts, SequentialStarts):
        producer, consumer, mean = starts.risks()
        plan.starts |= {"producer_risk": producer, "consumer_risk": consumer, "mean_of_a_good_unit": mean}
    plan.proves.append(starts.promise())


def _plan_margins(plan: UnitPlan, profile: Profile) -> None:
    from hilseq.procedures.margins import claimed_ride_through, ride_through_search

    if profile.margins is None:
        return
    search, claimed = ride_through_search(profile), claimed_ride_through(profile).low
    assert claimed is not None
    plan.ride_through = {
        "claimed": claimed,
        "longest_interruption": profile.margins.longest_interruption,
        "resolution": profile.margins.resolution,
        "most_interruptions": search.most_trials,
    }
    plan.proves.append(
        f"the longest interruption of the supply that the unit rides through, from 0 to "
        f"{1e3 * profile.margins.longest_interruption:g} ms, to {1e3 * profile.margins.resolution:g} ms, in "
        f"at most {search.most_trials} interruptions (claimed: {1e3 * claimed:g} ms)"
    )


def _plan_soak(plan: UnitPlan, visit: Visit, slot: str) -> None:
    """Plan the soak, which runs only when it is asked for."""
    profile = visit.profiles[slot]
    if profile.soak is None:
        return
    from hilseq.analysis.soak_events import soak_outlook
    from hilseq.procedures.soak.sampler import link_registers, sampled_signals

    # Voltage and current of the supply come first.
    columns = 2 + len(sampled_signals(visit.stand, slot)) + len(link_registers(profile))
    start = profile.start.ready_within + profile.modes.change_within
    outlook = soak_outlook(profile.soak, columns=columns, start=start)
    plan.soak = {
        "required": profile.soak.required,
        "ignored_events": profile.soak.ignored_events,
        "proves": outlook.sentence(),
        "watchdog": _watchdog_words(visit.stand, slot),
        **asdict(outlook),
    }


def _watchdog_words(stand: Stand, slot: str) -> str:
    """Return what becomes of the supply of a slot should the computer fail in the middle of a soak."""
    supply = stand.supplies[stand.slots[slot].supply]
    if supply.watchdog is not None:
        return f"should this computer fail, its supply switches off by itself within {supply.watchdog:g} s"
    if supply.without_watchdog is None:
        then = "not accepted (`without-watchdog`), so that no soak begins on hardware"
    else:
        then = f"accepted: {supply.without_watchdog}"
    return f"should this computer fail, its supply stays on until a person switches it off; {then}"


def plan_lines(plan: UnitPlan) -> list[str]:
    """Return a plan in lines for people."""
    from hilseq.quantities import show_duration

    lines = [f"{plan.part} in {_SLOTS}: {plan.checks} checks"]
    width = max((len(stage.stage) for stage in plan.stages), default=0)
    for stage in plan.stages:
        gates = f", {stage.gates} of them gates" if stage.gates else ""
        checks = f"{stage.checks:3} check{'s' if stage.checks != 1 else ' '}"
        time = f"about {show_duration(stage.seconds):>12}"
        if stage.unknown == stage.checks:
            time = f"{'unknown':>18}"
        elif stage.unknown:
            gates = f", {stage.unknown} of unknown duration{gates}"
        lines.append(f"  {stage.stage:{width}}  {checks}  {time}{gates}")
    lines += [f"  {name:{width}}  no check: the unit could not ship" for name in plan.missing]
    lines.append(
        f"time on hardware: at most about {show_duration(plan.seconds)}{_and_unknown(plan.unknown)}, "
        "if every start takes its longest permitted time"
    )
    if plan.starts is not None:
        number = str(plan.starts["most"])
        if plan.starts["fewest"] != plan.starts["most"]:
            number = f"{plan.starts['fewest']} to {plan.starts['most']}"
        other = plan.starts["other"]
        lines.append(f"power cycles: {number} cold, {other} warm and short")
    lines.append(f"disk: about {_megabytes(plan.disk)}")
    if plan.proves:
        lines.append("what it will prove:")
        lines += [f"  - {words}" for words in plan.proves]
    if plan.soak is not None:
        needed = "needed to ship" if plan.soak["required"] else "not needed to ship"
        least = "at least " if plan.soak["power_cycles"] else ""
        lines.append(
            f"soak ({needed}, only with --soak): {show_duration(plan.soak['duration'])} more, "
            f"{least}{plan.soak['samples']} samples, {plan.soak['power_cycles']} power cycles, "
            f"about {_megabytes(plan.soak['disk'])}"
        )
        lines += [f"  - {plan.soak['proves']}", f"  - {plan.soak['watchdog']}"]
        if plan.soak["ignored_events"]:
            lines.append(
                f"  - no events of the soak, as the profile says: {', '.join(plan.soak['ignored_events'])}"
            )
    return lines


#: A week, s.
_WEEK = 7 * 86400.0


def bench_times(plans: Sequence[UnitPlan], visit: Visit) -> dict[str, Any]:
    """Return what the bench can do with these units, each in a visit of its own beside the others.

    Times in s, on hardware; units a week without the time that it takes to change them.
    """
    from hilseq.procedures.bench_load import soak_loads

    loads = soak_loads(visit.stand, visit.profiles)
    return {
        "seconds": max(plan.seconds for plan in plans),
        "seconds_with_soak": max(plan.seconds_with_soak for plan in plans),
        "floor": max(plan.floor for plan in plans),
        "units_a_week": sum(_WEEK / plan.seconds for plan in plans if plan.seconds),
        "units_a_week_with_soak": sum(
            _WEEK / plan.seconds_with_soak for plan in plans if plan.seconds_with_soak
        ),
        "instruments": [
            {"name": load.name, "slots": load.slots, "busy": load.share, "room_for_slots": load.room}
            for load in loads
        ],
    }


def bench_lines(plans: Sequence[UnitPlan], times: Mapping[str, Any]) -> list[str]:
    """Return what the bench can do, in lines for people."""
    from hilseq.quantities import show_duration

    soaks = any(plan.soak is not None for plan in plans)
    line = f"{'the whole visit' if len(plans) == 1 else f'all {len(plans)} slots'}: at most about "
    line += show_duration(times["seconds"])
    line += f"{_and_unknown(sum(plan.unknown for plan in plans))} on hardware"
    if soaks:
        line += f", with --soak {show_duration(times['seconds_with_soak'])}"
    lines = [line + ("" if len(plans) == 1 else ", each slot beside the others")]
    own = 1.0 - times["floor"] / times["seconds"] if times["seconds"] else 0.0
    lines.append(
        f"of it {show_duration(round(times['floor']))} are what unit and stand need: off-times, starts, settling; "
        f"{100.0 * own:.0f} % are exchanges"
    )
    week = f"units a week, without the time to change them: {int(times['units_a_week'])}"
    lines.append(week + (f", with their soaks {times['units_a_week_with_soak']:.0f}" if soaks else ""))
    if times["instruments"]:
        busiest = times["instruments"][0]
        lines.append(
            f"bottleneck while all soak: {busiest['name']}, busy {100.0 * busiest['busy']:.0f} % of the time with "
            f"{busiest['slots']} slot{'s' if busiest['slots'] != 1 else ''}, with room for {busiest['room_for_slots']}"
        )
    return lines


def _and_unknown(checks: int) -> str:
    """Return what a sum of times does not hold."""
    if not checks:
        return ""
    return f" and the unknown duration of {checks} check{'s' if checks != 1 else ''}"


def _megabytes(size: int) -> str:
    """Return a size in MB, rounded up: a disk that holds it is large enough."""
    return f"{-(-size // 100_000) / 10:.1f} MB"
