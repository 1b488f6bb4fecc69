"""What a journal says against itself, although every line follows from the one before.

Whoever writes all of a journal anew makes a chain that holds; that the readings, verdicts, files and instruments in it
fit each other is not as easily had. This looks at what a run writes in one way only. It proves nothing about a journal
that was invented whole: for that there are the stand's signature and the records.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from hilseq.analysis.limits import Limits, ReadingVerdict, conformance_probability, decide
from hilseq.analysis.uncertainty import expanded_of, welch_satterthwaite
from hilseq.journal.entries import (
    PROVOKED,
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    EventLogged,
    FaultsRead,
    InputFile,
    InstrumentIdentified,
    JournalEntry,
    MadeSafe,
    OperatorPrompt,
    PlanCompared,
    Reading,
    RunEnded,
    RunResumed,
    StoredFault,
    without_slot,
)
from hilseq.journal.event_names import (
    AMBIENT,
    ANSWERED,
    AT_AMBIENT,
    CONDITIONS,
    REPEATED,
    STAND_ASKED,
    SUPPLY_OFF,
    SUPPLY_ON,
)
from hilseq.journal.run_state import RunState, SoakState, UnitState
from hilseq.journal.soak_entries import SoakEnded, SoakStarted
from hilseq.verdicts import CheckVerdict, Disposition, ExitCode

#: What an uncertainty may be off that is worked out again from its terms, of its size.
_REWORKED = 1e-6
#: What a reading may be off by the rounding of JSON and of limits, of its size.
_ROUNDING = 1e-9
#: Date and time of a line are taken one after the other, on a computer that may be busy, s.
_CLOCKS = 2.0
#: How long a disk may hold up the line with which a check begins, s.
_STALLED = 60.0
#: What share of the instants of a soak has a sample, at the least, and how many may be under way.
_SAMPLED, _BEGUN = 0.95, 30
#: How much the air around the instruments may change until the unit is looked at, K; a choice, no source.
_WARMER = 10.0
#: Dates of two places, and of two clocks, may be so far apart.
_ONE_DAY = timedelta(days=1)
_PASSED_WITH = (ReadingVerdict.CONFORMS,)


@dataclass(frozen=True, slots=True)
class FilesCompared:
    """Where a journal contradicts its own files, in words; `unread` says why it could not be held against them."""

    wrong: Sequence[str]
    unread: str = ""


def contradictions(entries: Sequence[JournalEntry], state: RunState) -> list[str]:
    """Return what is wrong with a sound chain of entries, in words; nothing for a journal as a run writes it."""
    found = (
        *(_inputs(state), _origin(state), _earlier(state), _times(entries), _order(entries), _safe(entries)),
        *(
            _readings(state),
            _traces(entries),
            _durations(entries),
            _power(entries),
            _shipped(state),
            _end(state),
        ),
    )
    return [words for some in found for words in some]


def _inputs(state: RunState) -> Iterator[str]:
    yield from _kept(state)
    for one in state.inputs:
        lossless = "\ufffd" not in one.text  # bytes that were no text cannot be had back
        if lossless and hashlib.sha256(one.text.encode("utf-8", "surrogatepass")).hexdigest() != one.sha256:
            yield f"the text of {one.role} {one.name} is not the one whose hash is noted"
    for unit in state.units:
        role = f"approved plan of slot {unit.slot}"
        if unit.plan is not None:
            yield from _plan(unit, unit.plan, state)
        elif state.end is not None and any(one.role == role for one in state.inputs):
            yield f"the run had the {role}, and states nothing of it"


def _kept(state: RunState) -> Iterator[str]:
    """Yield which files are taken out, or added: a run keeps each that it was given."""
    roles = {one.role for one in state.inputs}
    for role in ("stand file", *(f"profile of slot {unit.slot}" for unit in state.units)):
        if role not in roles:
            yield f"the {role} is not among the files of the run"
    kept = [one.name for one in state.inputs if one.role == "sequence"]
    named = [Path(path).name for path in state.header.options.sequences]
    if named and sorted(named) != sorted(kept):
        yield f"the run was given the sequences {', '.join(named)}, and keeps {', '.join(kept) or 'none'}"
    lost = [check.id for check in state.checks if check.started and kept and _file_of(check.id) not in kept]
    if lost:
        yield f"the check {lost[0]} ran, and its sequence is not among the files of the run"


def _file_of(check: str) -> str:
    return Path(check.partition("::")[0]).name


def _plan(unit: UnitState, compared: PlanCompared, state: RunState) -> Iterator[str]:
    """Compare what a run says about its approved plan with the plan, the profile and the sequences it was given."""
    by_role = {one.role: one for one in state.inputs}
    named = by_role.get(f"approved plan of slot {compared.slot}")
    if named is None:
        if compared.revision:
            yield f"the approved plan of slot {compared.slot} is not among the files of the run"
        return
    try:
        plan = json.loads(named.text)
        content = {name: plan[name] for name in ("part", "profile")}
        content |= {name: dict(plan[name]) for name in ("sequences", "checks")}
        identity, text = plan["identity"], json.dumps(content, sort_keys=True)
    except (ValueError, KeyError, TypeError, RecursionError):
        yield f"the approved plan of slot {compared.slot} cannot be read"
        return
    signed = {name: plan.get(name) for name in ("revision", "approved_by", "approved_on", "why")}
    if signed != {name: getattr(compared, name) for name in signed}:
        yield f"the approved plan of slot {compared.slot} was approved by others, or otherwise, than the run states"
    if compared.identity != identity:
        yield f"the approved plan of slot {compared.slot} is not the one that the run compared itself with"
    if hashlib.sha256(text.encode()).hexdigest() != identity:
        yield f"the approved plan of slot {compared.slot} is not the one whose identity it carries"
    if compared.approved_on and compared.approved_on > (_date(state) + _ONE_DAY).isoformat():
        yield f"the plan of slot {compared.slot} was approved on {compared.approved_on}, after the run"
    if not compared.differences:
        yield from _approved(unit, compared, content, state.inputs)


def _approved(
    unit: UnitState, compared: PlanCompared, plan: Mapping[str, Any], inputs: Sequence[InputFile]
) -> Iterator[str]:
    """Hold what a run was given and planned against its approved plan, which it says that it is."""
    given = next((one for one in inputs if one.role == f"profile of slot {compared.slot}"), None)
    if given is None or given.sha256 != plan["profile"]:
        yield f"the profile of slot {compared.slot} is not the approved one, and the run says that it is"
    changed = [
        one.name
        for one in inputs
        if one.role == "sequence" and plan["sequences"].get(one.name, one.sha256) != one.sha256
    ]
    if changed:
        yield f"the sequence {changed[0]} is not the approved one, and the run says that it is"
    named = {Path(name).name for name in plan["sequences"]}
    given_too = {one.name for one in inputs if one.role == "sequence"}
    ran = {_file_of(check.id) for check in unit.checks if check.started}
    if strange := sorted((given_too - named) | (ran & named - given_too)):
        yield f"the sequence {strange[0]} is not the one of the approved plan, and the run says that it is"
    if unit.part != plan["part"]:
        yield f"the approved plan of slot {compared.slot} is that of another part than the unit's"
    planned = {without_slot(check.id, compared.slot): check.stage for check in unit.checks}
    here = [check for check in compared.not_on_stand if check in planned]
    if here:
        yield f"the check {here[0]} is said not to be possible on the stand, and is planned"
    lacking = [
        check
        for check, stage in plan["checks"].items()
        if check not in compared.not_on_stand and planned.get(check) != stage
    ]
    if lacking:
        yield f"the check {lacking[0]} of the approved plan is left out, and the run says that it is not"
    known = set(plan["checks"].values())  # a soak is planned for itself
    more = [check for check, stage in planned.items() if check not in plan["checks"] and stage in known]
    if more:
        yield f"the check {more[0]} is not in the approved plan, and the run says that all of its checks are"


def _origin(state: RunState) -> Iterator[str]:
    """Yield where a run had another stand than it says: hardware, or a simulated one."""
    header = state.header
    options = header.options
    if options.simulate and header.seed is None:
        yield "the run was asked for with a simulated stand, and states no seed"
    if header.simulated:
        return
    if options.simulate or options.defects or options.real_timing or header.seed is not None:
        yield "the run says that it was on hardware, and was asked for with a simulated stand"
    described = state.given("stand file")
    for instrument in state.instruments:
        if described is not None and described.text and not _names(described.text, instrument):
            yield (
                f"the run says that it was on hardware, and {instrument.name} was at {instrument.resource}, which its "
                "stand file does not name"
            )


def _names(described: str, instrument: InstrumentIdentified) -> bool:
    """Return whether a stand file holds an address, however it is put together: each of its parts stands there."""
    resource = instrument.resource.lower()
    text = described.lower()
    parts = [part for part in resource.replace("::", ":").split(":") if part not in ("", "socket", "instr")]
    return resource in text or all(part in text for part in parts)


def _times(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield which lines have a time, or stand at a place, at which no run writes them."""
    last, zero, ended = -math.inf, _zero(entries[0]) if entries else 0.0, False
    for number, entry in enumerate(entries, 1):
        resumed = isinstance(entry, RunResumed)
        if entry.t < last - _ROUNDING:
            yield f"line {number} is earlier than the line before it"
        if abs(_zero(entry) - zero) > _CLOCKS and not resumed:
            yield f"line {number}: its date and its time of the run's clock do not fit those of the lines before"
        if ended and not resumed:
            yield f"line {number} stands after the end of the run"
        last, zero = max(last, entry.t), _zero(entry)
        ended = isinstance(entry, RunEnded)


def _order(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield which lines of checks were moved, doubled, or taken from elsewhere."""
    planned, ended, running, repeated = set[str](), set[str](), "", False
    for number, entry in enumerate(entries, 1):
        wrong = ""
        match entry:
            case EventLogged(what=what) if what == REPEATED:
                repeated = True
            case CheckPlanned():
                wrong = f"plans {entry.check} a second time" if entry.check in planned else ""
                planned.add(entry.check)
            case CheckStarted():
                wrong = _wrong_start(entry.check, running, ended, repeated=repeated)
                running, repeated = entry.check, False
            case Reading() if entry.check != running:
                wrong = f"holds a reading of {entry.check}, which does not run then"
            case SoakStarted() if entry.check != running and entry.check in planned:
                wrong = f"begins the soak of {entry.check}, which does not run then"
            case CheckEnded():
                wrong = _wrong_end(entry, running)
                running = ""
                ended.add(entry.check)
            case RunResumed():
                running = ""
                ended.clear()
            case _:
                pass
        if wrong:
            yield f"line {number} {wrong}"


def _traces(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield which lines carry marks of something else than they state: a fault in a check that passed, another slot."""
    slots, recheck = dict[str, str](), ""
    for number, entry in enumerate(entries, 1):
        match entry:
            case CheckPlanned():
                slots[entry.check] = entry.slot
            case CheckStarted():
                recheck = ""
            case EventLogged(what=what, prompt=OperatorPrompt() as prompt) if what == ANSWERED and (
                prompt.answer is None or (prompt.expected and prompt.answer not in prompt.expected)
            ):
                yield f"line {number} holds an answer that is not taken: {prompt.answer!r}"
            case EventLogged(what=what) if what in (STAND_ASKED, REPEATED):
                recheck = entry.text if what == STAND_ASKED else ""
            case Reading() if entry.slot and slots.get(entry.check) not in (None, "", entry.slot):
                yield f"line {number} holds a reading of slot {entry.slot} in a check of slot {slots[entry.check]}"
            case CheckEnded() if entry.verdict is CheckVerdict.PASSED and (
                entry.why or entry.places or recheck
            ):
                beside = entry.why or recheck or ", ".join(entry.places)
                yield f"line {number}: {entry.check} has passed, and beside it stands a fault: {beside}"
            case _:
                pass


def _durations(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield which checks state another time than passed between their lines."""
    begun = dict[str, float]()
    for number, entry in enumerate(entries, 1):
        match entry:
            case CheckStarted():
                begun.setdefault(entry.check, entry.t)  # not when it is run once more
            case RunResumed():
                begun.clear()
            case CheckEnded() if entry.check in begun:
                took = entry.t - begun[entry.check]
                if not -_CLOCKS <= took - entry.seconds <= _STALLED:
                    yield f"line {number}: {entry.check} states {entry.seconds:g} s, and took {took:g} s"
            case _:
                pass


def _power(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield where a unit without power does what takes power. A signal may come between a command and its line."""
    end = entries[-1] if entries else None
    if not isinstance(end, RunEnded) or end.interrupted:
        return
    powered: dict[str, bool] = {}
    for number, entry in enumerate(entries, 1):
        match entry:
            case RunResumed():
                powered.clear()
            case EventLogged(what=what) if what == SUPPLY_ON:
                powered[entry.slot] = True
            case EventLogged(what=what) if what == SUPPLY_OFF:
                if not powered.get(entry.slot):
                    yield f"line {number} switches off a unit that was not on"
                powered[entry.slot] = False
            case FaultsRead() if not powered.get(entry.slot, True):
                yield f"line {number} reads the faults of a unit that has no power"
            case _:
                pass


def _shipped(state: RunState) -> Iterator[str]:
    """Yield what stands beside a unit that ships and keeps every unit from it."""
    if state.end is None or state.end.interrupted:
        return
    for unit in state.units:
        if unit.disposition is not Disposition.STAND_FAULT:
            yield from _ambient(state, unit)
        if unit.disposition is not Disposition.SHIP:
            continue
        if state.interlock is not None:
            yield f"the unit of slot {unit.slot} ships, and an interlock stands open: {state.interlock.text}"
        yield from _explained(unit)


def _explained(unit: UnitState) -> Iterator[str]:
    """Hold what the stand is said to have provoked against the tables that were read."""
    known = set[StoredFault]()
    for read in unit.faults:
        if read.when != PROVOKED:
            known |= set(read.entries)
        elif strange := [fault for fault in read.entries if fault not in known]:
            yield f"the stand is said to have provoked what the unit of slot {unit.slot} did not report: {strange[0]}"
    last = unit.faults[-1] if unit.faults else None
    if last is None or PROVOKED not in (read.when for read in unit.faults[:-1]):
        return
    left = [fault for fault in last.entries if not fault.routine and fault not in unit.provoked]
    if left:
        yield f"the unit of slot {unit.slot} ships, and nothing explains what it stores: {left[0]}"


def _ambient(state: RunState, unit: UnitState) -> Iterator[str]:
    """Hold the temperature around the instruments, when they were opened, against the first at the unit."""
    opened = [event for event in state.events if event.what == AMBIENT]
    parts = (part for event in unit.events if event.what == CONDITIONS for part in event.text.split(", "))
    around = [value for word, _, value in (part.partition(" ") for part in parts) if word in AT_AMBIENT]
    if not opened or not around:
        return
    one, other = (_leading(text) for text in (opened[0].text, around[0]))
    if abs(one - other) > _WARMER:
        yield f"it was {one:g} \u00b0C around the instruments, and {other:g} \u00b0C when the unit was looked at first"


def _leading(text: str) -> float:
    try:
        return float(text.partition(" ")[0])
    except ValueError:
        return math.nan


def _safe(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """Yield where the stand was made safe otherwise than a run does it: it always is, after power was on."""
    powered = False
    for number, entry in enumerate(entries, 1):
        match entry:
            case EventLogged(what=what) if what == SUPPLY_ON:
                powered = True
            case MadeSafe(verified=verified, why=why):
                powered = powered and bool(entry.slot)
                if verified and why:
                    yield f"line {number}: the safe state is verified, and why it could not be stands beside it"
            case RunEnded() if powered:
                yield f"line {number}: the run ended with its stand under power, and nothing was made safe"
            case _:
                pass


def _wrong_start(check: str, running: str, ended: Collection[str], *, repeated: bool) -> str:
    if running not in ("", check):
        return f"begins a check while {running} runs"
    if check in ended:
        return f"begins {check} anew, which had ended"
    return f"begins {check} anew, and nothing says why" if running and not repeated else ""


def _wrong_end(entry: CheckEnded, running: str) -> str:
    if running not in ("", entry.check):
        return f"ends {entry.check} while {running} runs"
    return (
        f"lets {entry.check} pass, which had not begun"
        if not running and entry.verdict is CheckVerdict.PASSED
        else ""
    )


def _zero(entry: JournalEntry) -> float:
    return datetime.fromisoformat(entry.at).timestamp() - entry.t if entry.at else 0.0


def _readings(state: RunState) -> Iterator[str]:
    waived = {unit.slot: unit.paper.waived for unit in state.units if unit.paper is not None}
    for check in state.checks:
        doubled = Counter(check.readings)
        if any(times > 1 for times in doubled.values()):
            yield f"a reading of {check.id} stands there twice, of the same instant"
        for reading in check.readings:
            yield from _reading(reading)
            rule = state.header.decision_rules.get(reading.slot)
            if rule is not None and reading.rule != rule:
                yield f"{reading.name} of {check.id} is judged by another rule than its unit"
            undecided = reading.verdict is ReadingVerdict.MARGINAL
            if undecided and any(
                each.startswith(f"{reading.name}, ") for each in waived.get(reading.slot, ())
            ):
                continue  # the profile lets it stay undecided; one that fails, it does not
            if check.verdict is CheckVerdict.PASSED and reading.verdict not in _PASSED_WITH:
                yield f"{check.id} has passed, and its reading {reading.name} {reading.verdict}"


def _reading(reading: Reading) -> Iterator[str]:
    """Judge a reading anew. What lies outside by less than its uncertainty once failed, and is marginal now."""
    degrees = math.inf if reading.degrees_of_freedom is None else reading.degrees_of_freedom
    if reading.terms and not math.isclose(_degrees(reading), degrees, rel_tol=_REWORKED):
        yield f"{reading.name} of {reading.check} is noted with other degrees of freedom than its terms make"
    made = expanded_of(term.for_numbers() for term in reading.terms)
    known = reading.uncertainty or 0.0
    if reading.terms and not math.isclose(made, known, rel_tol=_REWORKED):
        yield (
            f"{reading.name} of {reading.check} is noted with an uncertainty of {known:.6g}, and its "
            f"terms make {made:.6g}"
        )
    factor = reading.coverage_factor
    if factor is not None and not reading.terms:
        yield f"{reading.name} of {reading.check} is noted with a coverage factor, and no terms"
    u = math.hypot(*(term.value for term in reading.terms))
    if factor is not None and reading.terms and not math.isclose(factor * u, known, rel_tol=_REWORKED):
        yield f"{reading.name} of {reading.check} is noted with another coverage factor than its terms make"
    try:
        limits = Limits(reading.low, reading.high)
        found = decide(float(reading.value), reading.guard_band, limits)
        inside = conformance_probability(float(reading.value), u, limits) if reading.terms else None
    except ValueError as error:
        yield f"{reading.name} of {reading.check} cannot be judged: {error}"
        return
    stated = reading.probability
    if inside is not None and stated is not None and not math.isclose(inside, stated, abs_tol=_REWORKED):
        yield f"{reading.name} of {reading.check} lies inside with a probability of {inside:.6g}, not {stated:.6g}"
    conforms = ReadingVerdict.CONFORMS
    better = reading.verdict is ReadingVerdict.MARGINAL and found is ReadingVerdict.FAILS
    if (found is conforms) != (reading.verdict is conforms) or better:
        yield f"{reading.name} of {reading.check} is noted as {reading.verdict}, and by its limits it {found}"


def _degrees(reading: Reading) -> float:
    terms = [term.for_numbers() for term in reading.terms]
    return welch_satterthwaite([term.value for term in terms], [term.degrees_of_freedom for term in terms])


def _date(state: RunState) -> date:
    return datetime.fromisoformat(state.started).date() if state.started else date.max - _ONE_DAY


def _earlier(state: RunState) -> Iterator[str]:
    """Yield which earlier visit began later. Clocks of other computers may be a day off."""
    for unit in state.units:
        for prior in unit.prior_runs:
            try:
                begun = datetime.fromisoformat(prior.started).date()
            except ValueError:
                yield f"the earlier run {prior.run} has no date"
                continue
            if begun > _date(state) + _ONE_DAY:
                yield f"the earlier run {prior.run} of {unit.serial} began on {begun}, after this one"


def _end(state: RunState) -> Iterator[str]:
    """Yield where what a run came to is not what its checks, and its soaks, came to."""
    for unit in state.units:
        if unit.soak is not None and unit.soak.ended is not None:
            yield from _soak(unit.soak, unit.soak.ended)
            yield from _length(unit, unit.soak, unit.soak.ended, state.header.options.soak_duration)
            planned = None if unit.plan is None else unit.plan.soak
            if planned is not None and planned != unit.soak.started.planned:
                yield f"the soak of slot {unit.slot} states another plan than the run compared itself with"
    if state.end is None:
        return
    if not state.end.interrupted:
        begun = [check.id for check in state.checks if check.started and not check.ended]
        lost = [check.id for check in state.checks if not check.started and not check.ended]
        if begun or lost:
            yield f"the run came to its end, and {(begun or lost)[0]} did not"
    if state.end.exit_code not in (state.exit_code, ExitCode.STAND_FAULT):
        yield f"the run ended with code {state.end.exit_code}, and its checks make it {state.exit_code}"


def _length(unit: UnitState, soak: SoakState, ended: SoakEnded, asked: float | None) -> Iterator[str]:
    """Yield where a soak was to last otherwise than was asked for, or has passed before its time."""
    started = soak.started
    wanted = started.planned if asked is None else asked
    if not math.isclose(started.duration, wanted, rel_tol=_REWORKED):
        yield f"the soak of slot {unit.slot} was to last {started.duration:g} s, and {wanted:g} s were asked for"
    due = started.planned if started.plan.get("required") is True else started.duration
    passed = any(c.id == started.check and c.verdict is CheckVerdict.PASSED for c in unit.checks)
    if passed and soak.incidents:
        yield f"the soak of slot {unit.slot} has passed, and {len(soak.incidents)} incidents are in the journal"
    if passed and ended.since < due - started.period - _CLOCKS:
        yield f"the soak of slot {unit.slot} has passed after {ended.since:g} s of {due:g} s"


def _soak(soak: SoakState, ended: SoakEnded) -> Iterator[str]:
    """Yield where a soak is longer than its samples, or tells of other events and samples than there are."""
    started, sealed = soak.started, soak.sealed
    if ended.samples and sealed is None:
        yield f"the soak of slot {started.slot} has ended without a seal on its samples"
    elif sealed is not None and sealed.count != ended.samples:
        yield f"the soak of slot {started.slot} states {ended.samples} samples, and {sealed.count} were sealed"
    elif sealed is not None and sealed.ports != ended.ports:
        yield f"the soak of slot {started.slot} states other frames over its ports than were sealed"
    if ended.missed != soak.missed:
        yield f"the soak of slot {started.slot} states {ended.missed} missed samples, and {soak.missed} were noted"
    for name in ("period", "mode", "confidence", "cover", "ambient"):
        if name in started.plan and started.plan[name] != getattr(started, name):
            yield f"the soak of slot {started.slot} states another {name} than its plan"
    if abs(ended.t - started.zero - ended.since) > _CLOCKS + started.period:
        yield f"the soak of slot {started.slot} states {ended.since:g} s, which its clock does not"
    lost = sum(gap.end - gap.start for gap in soak.gaps)
    due = (ended.since - lost) / started.period if started.period > 0.0 else 0.0
    if ended.samples + ended.missed < due * _SAMPLED - _BEGUN:
        yield f"the soak of slot {started.slot} states {ended.since:g} s, and has samples of less"
    if ended.events != len(soak.incidents):
        yield (
            f"the soak of slot {started.slot} states {ended.events} events, and {len(soak.incidents)} are in the "
            "journal"
        )
