"""The checks of a visit as the plugin keeps them: identified, planned into the journal, ended there.

Before anything is powered, what a run is to do is compared with the approved plan of each profile; when its journal is
verified, what it states is compared with the stand file and the profiles that it contains.
"""

from __future__ import annotations

import ast
import math
import re
import tempfile
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from hilseq.description.approved_plan import (
    ApprovedPlan,
    PlanContent,
    differences,
    plan_file,
    read_plan,
    sha256_of,
)
from hilseq.description.crosscheck import untested_claims, waived
from hilseq.description.loading import load_profile, load_stand
from hilseq.description.profile import Mode, Profile
from hilseq.description.stages import SOAK, STAGES
from hilseq.description.stand import Io, Stand
from hilseq.description.supplies import Supply
from hilseq.description.visit import Visit
from hilseq.errors import HilseqError
from hilseq.hooks import Element, Stage
from hilseq.journal.contradictions import FilesCompared
from hilseq.journal.entries import (
    NOT_ASKED,
    CausesStated,
    CertificateStated,
    CheckEnded,
    CheckPlanned,
    EventLogged,
    JournalEntry,
    KnownCause,
    PlanCompared,
    Population,
    Reading,
    without_slot,
)
from hilseq.journal.event_names import SUPPLY_ON
from hilseq.journal.run_state import CheckState, RunState, SoakState, UnitState
from hilseq.journal.samples import CURRENT
from hilseq.plugin import markers, stages
from hilseq.plugin.classify import PASSED, Outcome, not_performed
from hilseq.plugin.parametrize import is_on_stand, place_of, slot_of
from hilseq.procedures.limits import UnitLimits
from hilseq.procedures.wiring import parts_of
from hilseq.reports.formatting import join_truncated
from hilseq.resources import folder as folder_of
from hilseq.verdicts import CheckVerdict, Obstacle

CHECK = pytest.StashKey["PlannedCheck"]()
_NOT_SELECTED = "not selected"
_NOT_HERE = "not possible on this stand"


@dataclass(slots=True)
class PlannedCheck:
    """What the plugin keeps about one check."""

    id: str
    slot: str
    sequence: str
    stage: str
    title: str
    place: str
    gate: bool
    sentence: str = ""
    outcome: Outcome = PASSED
    #: Why it is to be repeated: the link was away, and has come back.
    again: str = ""
    repeated: bool = False
    #: What it has judged so far, but for what the profile waives.
    readings: list[Reading] = field(default_factory=list)

    @property
    def places(self) -> tuple[str, ...]:
        """Where its failure is: what the exception names, or else the place of the check."""
        return self.outcome.places or (self.place,)


def _check_of(item: pytest.Item, visit: Visit, elements: Mapping[str, Element]) -> PlannedCheck:
    return PlannedCheck(
        id=f"{item.path.name}::{item.name}",
        slot=slot_of(item, visit),
        sequence=markers.sequence_of(item),
        stage=markers.stage_of(item),
        title=markers.title_of(item),
        place=place_of(item, elements) or markers.marked_place(item) or markers.stage_of(item),
        gate=markers.is_gate(item),
        sentence=markers.sentence_of(item),
    )


class VisitPlan:
    """Writes the plan of a run, and the end of each check, into its journal."""

    def __init__(self, visit: Visit, note: Callable[[JournalEntry], None]) -> None:
        self._visit = visit
        self._note = note
        self._many = len(visit.profiles) > 1

    def identify(self, items: Sequence[pytest.Item], elements: Mapping[str, Element]) -> list[PlannedCheck]:
        """Give each item its check; equal file names in two folders get the folder's name in front."""
        checks = []
        taken: set[str] = set()
        for item in items:
            check = _check_of(item, self._visit, elements)
            if check.id in taken:
                check.id = f"{item.path.parent.name}/{check.id}"
            while check.id in taken:
                check.id += "'"
            taken.add(check.id)
            item.stash[CHECK] = check
            checks.append(check)
        return checks

    def lay(
        self,
        selected: Sequence[PlannedCheck],
        left_out: Sequence[PlannedCheck],
        added: Sequence[Stage],
        lacking: Mapping[str, Mapping[str, Sequence[str]]],
    ) -> None:
        """Plan every check, and say at once which of the full set are not performed.

        `lacking` holds, by slot and stage, the checks of an approved plan that nobody selected.
        """
        for check in (*selected, *left_out):
            self.plan(check)
        for check in left_out:
            self.end(check, not_performed("it was not selected", Obstacle.NOT_SELECTED), 0.0)
        for slot, profile in self._visit.profiles.items():
            covered = {check.stage for check in (*selected, *left_out) if check.slot == slot}
            called_for = stages.required(profile, added)
            for stage in dict.fromkeys([*called_for, *lacking[slot]]):
                if stage in covered and stage not in lacking[slot]:
                    continue
                words = "no check of this stage was selected"
                if stage in covered:
                    checks = join_truncated(lacking[slot][stage])
                    words = f"checks of the approved plan were not selected: {checks}"
                why = not_performed(words, Obstacle.NOT_SELECTED)
                self.reported(
                    slot, f"stage {stage}", why, stage=stage, title=f"the stage {stage}", place=stage
                )

    def reported(self, slot: str, name: str, outcome: Outcome, *, stage: str, title: str, place: str) -> None:
        """Plan and end a line of the verdict that no test stands behind."""
        many = f"[{slot}]" if self._many else ""
        check = PlannedCheck(f"{name}{many}", slot, stage, stage, title, place, gate=False)
        self.plan(check)
        self.end(check, outcome, 0.0)

    def plan(self, check: PlannedCheck) -> None:
        """Write one check into the plan."""
        self._note(
            CheckPlanned(
                check=check.id,
                slot=check.slot,
                sequence=check.sequence,
                stage=check.stage,
                title=check.title,
                sentence=check.sentence,
                place=check.place,
                gate=check.gate,
            )
        )

    def end(self, check: PlannedCheck, outcome: Outcome, seconds: float) -> None:
        """Write the result of a check."""
        self._note(
            CheckEnded(
                check=check.id,
                verdict=outcome.verdict,
                why=outcome.why,
                places=outcome.places,
                obstacle=outcome.obstacle,
                seconds=round(seconds, 6),
            )
        )


# -- the approved plan -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FoundTests:
    """The tests that pytest found, as file and function, before it was asked which of them concern a unit."""

    files: tuple[Path, ...]
    functions: frozenset[tuple[str, str]]


def seen(items: Iterable[pytest.Item]) -> FoundTests:
    """Return the files and functions of tests."""
    found = list(items)
    functions = frozenset((item.path.name, item.name.partition("[")[0]) for item in found)
    return FoundTests(tuple(sorted({Path(item.path) for item in found})), functions)


def content(visit: Visit, slot: str, tests: FoundTests, checks: Sequence[PlannedCheck]) -> PlanContent:
    """Return what a run does with the unit in a slot, without its soak. Raises OSError when a file has gone."""
    return PlanContent(
        part=visit.profiles[slot].part,
        profile=sha256_of(visit.profile_paths[slot]),
        sequences={name: sha256_of(path) for name, path in _named(tests.files).items()},
        checks={
            without_slot(check.id, slot): check.stage
            for check in checks
            if check.slot == slot and check.stage != SOAK
        },
    )


def _named(files: Sequence[Path]) -> dict[str, Path]:
    """Return the sequences, and what pytest reads beside them, by name; with their folder where two are alike."""
    beside = {path.with_name("conftest.py") for path in files}
    paths = sorted({*files, *(path for path in beside if path.is_file())})
    times = Counter(path.name for path in paths)
    return {path.name if times[path.name] == 1 else f"{path.parent.name}/{path.name}": path for path in paths}


@dataclass(frozen=True, slots=True)
class Compared:
    """The outcome for one unit: what the journal keeps, and by stage the checks of the plan that were not selected."""

    entry: PlanCompared
    not_selected: dict[str, list[str]]


def compare(
    visit: Visit,
    slot: str,
    tests: FoundTests,
    checks: Sequence[PlannedCheck],
    left_out: Sequence[PlannedCheck] = (),
) -> Compared:
    """Hold what is to be done with a unit against its approved plan; `left_out` was found and not selected.

    Raises UsageError for a damaged plan.
    """
    profile = visit.profiles[slot]
    plan = read_plan(visit.profile_paths[slot])
    claimed = {*stages.required(profile, ()), *((SOAK,) if profile.soak else ())}
    common = {
        "slot": slot,
        "not_claimed": tuple(stage for stage in STAGES if stage not in claimed),
        "soak": None if profile.soak is None else profile.soak.duration,
    }
    if plan is None:
        path = plan_file(visit.profile_paths[slot])
        return Compared(
            PlanCompared(differences=(f"there is none for {profile.part} ({path.name})",), **common), {}
        )
    found = content(visit, slot, tests, checks)
    deselected = {without_slot(check.id, slot) for check in left_out if check.slot == slot}
    missing = _missing(plan, found, tests, deselected)
    lacking: dict[str, list[str]] = {}
    for check, why in missing.items():
        if why == _NOT_SELECTED and check not in deselected:  # that one has an end of its own
            lacking.setdefault(plan.checks[check], []).append(check)
    entry = PlanCompared(
        revision=plan.revision,
        identity=plan.content.identity,
        approved_by=plan.approved_by,
        approved_on=plan.approved_on,
        why=plan.why,
        differences=tuple(differences(plan, found, missing)),
        not_on_stand=tuple(check for check, why in missing.items() if why == _NOT_HERE),
        **common,
    )
    return Compared(entry, lacking)


def causes_stated(slot: str, profile: Profile, repaired: Mapping[str, tuple[int, int]]) -> CausesStated:
    """Return the causes of a profile, as the journal keeps them.

    `repaired` holds, by the name of a cause in small letters, the units repaired for it, and those that it cured.
    """
    known = {name: repaired.get(name.lower(), (0, 0)) for name in profile.causes}
    return CausesStated(
        slot=slot,
        causes=tuple(
            KnownCause(
                name=name,
                action=cause.action,
                places=tuple(cause.place_names()),
                faults=tuple(cause.faults),
                common=cause.common,
                repaired=known[name][0],
                cured=known[name][1],
            )
            for name, cause in profile.causes.items()
        ),
    )


def certificate_stated(
    slot: str, stand: Stand, profile: Profile, populations: tuple[Population, ...]
) -> CertificateStated:
    """Return what the certificate of a unit says beside what the visit finds; `populations` are earlier units."""
    shop = stand.shop
    return CertificateStated(
        slot=slot,
        key_readings=tuple(profile.key_readings),
        waived=tuple(waived(stand, profile)),
        shop="" if shop is None else shop.name,
        shop_address="" if shop is None else shop.address,
        ambient=stand.ambient or "",
        populations=populations,
    )


def _missing(
    plan: ApprovedPlan, found: PlanContent, tests: FoundTests, deselected: Collection[str]
) -> dict[str, str]:
    """Return the checks of the plan that the run lacks, each with the reason; of a changed file nothing is known."""
    reported = {}
    for check in plan.checks:
        file, _, test = check.partition("::")
        changed = file in found.sequences and found.sequences[file] != plan.sequences.get(file)
        if check not in found.checks and not changed:
            here = (Path(file).name, test.partition("[")[0]) in tests.functions
            reported[check] = _NOT_HERE if here and check not in deselected else _NOT_SELECTED
    return reported


#: What limits may be off by the rounding of JSON, of their size.
_ROUNDING = 1e-9


# -- a journal against its files ------------------------------------------------------------------------


def contradicts_its_files(run: RunState) -> FilesCompared:
    """Return where a journal states otherwise what its own stand file, profiles and sequences say; mostly nowhere.

    Whoever writes a journal anew may leave those files as they are, with their hashes, and state otherwise what they
    say. Names, numbers and rules are compared; sentences, which an earlier version may have put otherwise, are not.
    With a file that this version cannot read nothing is compared.
    """
    texts = {one.role: one.text for one in run.inputs}
    with tempfile.TemporaryDirectory(prefix="hilseq-verify-") as name:
        folder = Path(name)

        def written(role: str) -> Path:
            path = folder / "description.yaml"
            path.write_text(texts.get(role, ""), encoding="utf-8", errors="replace")
            return path

        try:
            stand = load_stand(written("stand file"))
        except (HilseqError, RecursionError):
            return FilesCompared(list(_of_sequences(run)), "its stand file is none that this hilseq reads")
        found, unread = [*_of_sequences(run), *_calibrated_later(run, stand), *_of_stand(run, stand)], ""
        for unit in run.units:
            try:
                profile = load_profile(written(f"profile of slot {unit.slot}"))
            except (HilseqError, RecursionError):
                unread = f"the profile of slot {unit.slot} is none that this hilseq reads"
                continue
            found += _of_unit(run, unit, stand, profile)
            if unit.slot in stand.slots:
                found += _of_shipped(run, unit, stand, profile)
        return FilesCompared(found, unread)


def _calibrated_later(run: RunState, stand: Stand) -> Iterator[str]:
    latest = datetime.fromisoformat(run.started).date() + timedelta(days=1)
    parts: list[tuple[str, Supply | Io]] = [*stand.supplies.items(), *stand.io.items()]
    for name, part in parts:
        done = None if part.calibration is None else part.calibration.done
        if done is not None and done > latest:
            yield f"{name} was calibrated on {done}, after the run"


def _of_stand(run: RunState, stand: Stand) -> Iterator[str]:
    if run.stand != stand.stand:
        yield f"the run states the stand {run.stand}, and its stand file is that of {stand.stand}"
    parts: dict[str, Supply | Io] = {f"supply {name}": one for name, one in stand.supplies.items()}
    parts |= {f"io {name}": one for name, one in stand.io.items()}
    for instrument in (one for one in run.instruments if one.name in parts):
        described = parts[instrument.name]
        calibration, wanted = described.calibration, described.identity
        for what, stated, expected in (
            (
                "end of the calibration",
                instrument.due,
                "" if calibration is None else calibration.due.isoformat(),
            ),
            ("certificate", instrument.certificate, "" if calibration is None else calibration.certificate),
        ):
            if stated != expected:
                yield (
                    f"the {what} of {instrument.name} is stated to be {stated or 'none'}, and by the stand file "
                    f"{expected or 'none'}"
                )
        named = [] if wanted is None or instrument.identity == NOT_ASKED else [wanted.maker, wanted.model]
        if wanted is not None and isinstance(described, Supply):  # an I/O simulator states no serial number
            named.append(wanted.serial)
        for name in named:
            if name is not None and name.casefold() not in instrument.identity.casefold():
                yield f"{instrument.name} is stated to be {instrument.identity}, and by the stand file is {name}"
    yield from _unidentified(run, stand)


def _unidentified(run: RunState, stand: Stand) -> Iterator[str]:
    """Yield the slots that the stand does not have, and what served a slot under power and is not identified."""
    known = {instrument.name for instrument in run.instruments}
    for unit in run.units:
        if unit.slot not in stand.slots:
            yield f"{unit.serial} is stated to be in slot {unit.slot}, which the stand file does not have"
        elif not any(isinstance(event, EventLogged) and event.what == SUPPLY_ON for event in unit.events):
            if unit.faults:
                yield f"faults of the unit of slot {unit.slot} were read, and it was never switched on"
        else:
            supply = f"supply {stand.slots[unit.slot].supply}"
            for part in parts_of(stand, (unit.slot,)):
                if part not in known:
                    which = "it" if part == supply else part
                    yield f"{supply} was switched on, and the run does not state which instrument {which} is"


def _of_unit(run: RunState, unit: UnitState, stand: Stand, profile: Profile) -> Iterator[str]:
    """Compare what is stated of a unit; what its run did not record yet is not compared."""
    slot = unit.slot
    if unit.part != profile.part or unit.description != profile.description:
        yield f"the unit of slot {slot} is stated to be another than that of its profile"
    rule = run.header.decision_rules.get(slot)
    if rule is not None and rule != profile.decision_rule:
        yield f"the run states the decision rule `{rule}` for slot {slot}, and the profile `{profile.decision_rule}`"
    if unit.plan is not None:
        planned = None if profile.soak is None else profile.soak.duration
        if unit.plan.soak != planned:
            yield f"the run states a planned soak of {unit.plan.soak} s for slot {slot}, and the profile {planned} s"
        soak = (SOAK,) if profile.soak else ()
        claimed = {*stages.required(profile, ()), *soak} & set(unit.plan.not_claimed)
        if claimed:
            yield f"the run states that the profile of slot {slot} does not claim {min(claimed)}, and it does"
    if unit.soak is not None and profile.soak is not None:
        yield from _of_soak(unit.soak, profile)
    if unit.paper is not None:
        yield from _of_paper(unit.paper, certificate_stated(slot, stand, profile, ()))
    elif unit.plan is not None and run.end is not None:
        yield f"the run states nothing of what the certificate of slot {slot} is to say, as each run does"
    stated = unit.known_causes or (unit.paper is not None and run.end is not None)
    if stated and _causes(unit.known_causes) != _causes(causes_stated(slot, profile, {}).causes):
        yield f"the run states other causes for slot {slot} than the profile"


def _of_soak(soak: SoakState, profile: Profile) -> Iterator[str]:
    started, plan = soak.started, profile.soak
    assert plan is not None
    described = plan.model_dump(mode="json")
    other = [key for key, value in started.plan.items() if key in described and described[key] != value]
    if other:
        yield f"the soak of slot {started.slot} states another {other[0]} than the profile plans"
    current = plan.current or UnitLimits(profile).soaked_current(live=Mode(plan.mode) is Mode.LIVE)
    limits: dict[str, tuple[float | None, float | None]] = {CURRENT: (current.low, current.high)}
    if started.case is not None and profile.highest_case is not None:
        limits[started.case] = (None, profile.highest_case)
    for column in started.columns:
        if column.name in limits and not _alike((column.low, column.high), limits[column.name]):
            yield f"the soak of slot {started.slot} states other limits of {column.name} than the profile"


def _alike(stated: tuple[float | None, float | None], expected: tuple[float | None, float | None]) -> bool:
    return all(
        one == other
        or (one is not None and other is not None and math.isclose(one, other, rel_tol=_ROUNDING))
        for one, other in zip(stated, expected, strict=True)
    )


def _of_shipped(run: RunState, unit: UnitState, stand: Stand, profile: Profile) -> Iterator[str]:
    """Hold what the sequences that ship with this hilseq have judged against profile and stand."""
    shipped = {path.name: sha256_of(path) for path in folder_of("sequences").glob("test_*.py")}
    same = {one.name for one in run.inputs if one.role == "sequence" and shipped.get(one.name) == one.sha256}
    limits = UnitLimits(profile)
    for check in (check for check in unit.checks if _file_of(check.id) in same):
        for reading in check.readings:
            stated = limits.of_reading(reading.name, reading.place)
            if stated is not None and not _alike((reading.low, reading.high), (stated.low, stated.high)):
                yield f"{reading.name} of {check.id} was judged by other limits than the profile's"
            if reading.uncertainty != 0.0 and not reading.terms:
                yield f"{reading.name} of {check.id} does not state what its uncertainty is made of, as each does"
    if not same:
        return
    if unit.unmeasured != tuple(untested_claims(stand, unit.slot, profile)):
        yield f"the run states of other claims that slot {unit.slot} cannot measure them than its files"
    tests = {check.id.partition("[")[0] for check in unit.checks}
    for name in () if unit.plan is None else unit.plan.not_on_stand:
        test, _, element = name.removesuffix("]").partition("[")
        if (
            element
            and test in tests
            and _file_of(name) in same
            and is_on_stand(element, stand, unit.slot, profile)
        ):
            yield f"the check {name} is said not to be possible on this stand, which has all that it takes"


def _file_of(check: str) -> str:
    return Path(check.partition("::")[0]).name


def _of_sequences(run: RunState) -> Iterator[str]:
    """Hold checks against the text of their sequences: what they are called, and what one that passes has recorded."""
    functions: dict[tuple[str, str], list[ast.FunctionDef]] = {}
    for one in run.inputs:
        if one.role == "sequence":
            for node in _functions(one.text):
                functions.setdefault((one.name, node.name), []).append(node)
    for unit in run.units:
        planned = set[tuple[str, str]]()
        for check in unit.checks:
            test = (_file_of(check.id), check.id.partition("::")[2].partition("[")[0])
            planned.add(test)
            if len(found := functions.get(test, [])) == 1:
                yield from _of_test(unit, check, found[0])
        if run.header.options.soak and unit.plan is not None and unit.plan.soak is not None:
            soaks = {test for test, found in functions.items() if any(_called(one, "soak") for one in found)}
            if lacking := sorted(soaks - planned):
                yield f"a soak was asked for, and {'::'.join(lacking[0])} is not planned in slot {unit.slot}"


def _functions(text: str) -> list[ast.FunctionDef]:
    try:
        return [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return []


def _of_test(unit: UnitState, check: CheckState, test: ast.FunctionDef) -> Iterator[str]:
    paragraphs = [" ".join(each.split()) for each in (ast.get_docstring(test) or "").split("\n\n")]
    if paragraphs[0] and paragraphs[0].removesuffix(".") != check.title:
        yield f"the check {check.id} is called otherwise than in its sequence"
    if check.sentence and check.sentence not in paragraphs[1:2]:
        yield f"the check {check.id} is said to show something else than its sequence says"
    if check.verdict is CheckVerdict.PASSED:
        yield from _not_recorded(unit, check, test)


def _not_recorded(unit: UnitState, check: CheckState, test: ast.FunctionDef) -> Iterator[str]:
    """Yield what a test that comes to its end has recorded, and the journal does not have of its check."""
    names = {reading.name for reading in check.readings}
    for name in _always_recorded(test, "judge"):
        if name not in names:
            yield f"{check.id} has passed, and its sequence judges {name}, of which there is no reading"
    noted = {event.what for event in unit.events if check.begun_at <= event.t <= check.ended_at}
    for what in _always_recorded(test, "supply.note"):
        if what not in noted:
            yield f"{check.id} has passed, and its sequence notes `{what}`, which is not there"
    kept = {read.when for read in unit.faults if check.begun_at <= read.t <= check.ended_at}
    for when in _always_recorded(test, "keep_faults"):
        if when not in kept:
            yield f"{check.id} has passed, and its sequence keeps the faults {when}, which are not there"
    tables = {table.name for table in check.tables}
    for title in _always_recorded(test, "keep_table"):
        if title not in tables:
            yield f"{check.id} has passed, and its sequence keeps the table `{title}`, which is not there"
    if _called(test, "soak") and (unit.soak is None or unit.soak.started.check != check.id):
        yield f"{check.id} has passed, and its sequence soaks, and no soak of it is there"


def _always_recorded(test: ast.FunctionDef, by: str) -> Iterator[str]:
    """Yield the names that a test which comes to its end has given to the fixture `judge`, or to `supply.note`."""
    for call in _called(test, by):
        first = call.args[0] if call.args else None
        if isinstance(first, ast.Constant) and isinstance(first.value, str):
            yield first.value


def _called(test: ast.FunctionDef, by: str) -> list[ast.Call]:
    """Return where a test which comes to its end has called a fixture, or a method of one."""
    found = list[ast.Call]()
    if by.partition(".")[0] not in {argument.arg for argument in test.args.args}:
        return found
    for statement in test.body:
        if any(isinstance(node, ast.Return) for node in ast.walk(statement)):
            break
        call = statement.value if isinstance(statement, ast.Expr | ast.Assign) else None
        if isinstance(call, ast.Call) and _dotted(call.func) == by:
            found.append(call)
    return found


def _dotted(node: ast.expr) -> str:
    """Return a name with its dots, or an empty text; however long it is (`ast.unparse` recurses)."""
    names = list[str]()
    while isinstance(node, ast.Attribute):
        names.append(node.attr)
        node = node.value
    return ".".join([node.id, *reversed(names)]) if isinstance(node, ast.Name) else ""


def _of_paper(stated: CertificateStated, expected: CertificateStated) -> Iterator[str]:
    for what, one, other in (
        ("key readings", stated.key_readings, expected.key_readings),
        ("waived readings and calibrations", _names(stated.waived), _names(expected.waived)),
        ("shop", stated.shop, expected.shop),
        ("address of the shop", stated.shop_address, expected.shop_address),
        ("signal of the ambient temperature", stated.ambient, expected.ambient),
    ):
        if one != other:
            yield f"the run states for slot {stated.slot} another content of `{what}` than its files"


def _causes(known: Iterable[KnownCause]) -> list[tuple[object, ...]]:
    """Return causes without what the records knew of them."""
    return [(cause.name, cause.action, cause.places, cause.faults) for cause in known]


def _names(waived: Iterable[str]) -> list[str]:
    """Return what is waived, without the reason."""
    return [re.split("[,:]", text, maxsplit=1)[0] for text in waived]
