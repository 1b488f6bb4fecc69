"""The kinds of journal entry: one frozen type each, the contract between who writes and who reads.

An entry is made by its constructor and nothing else; the writer stamps it with `at` and `t`. Units stand in the
description of each field, which the published JSON Schema carries too (`hilseq schema journal`). A field that is
added, renamed or given another meaning raises `v` of its kind, and `upcasts` says how an older line is read.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Annotated, Any, Literal, TypeAlias, get_args

from pydantic import Field, TypeAdapter, ValidationError

from hilseq.analysis.limits import ReadingVerdict
from hilseq.analysis.uncertainty import DecisionRule, Term
from hilseq.journal.fields import Cell, CheckId, Count, Entry, FiniteOrText, Part, Real, Rule, Seconds, Slot
from hilseq.journal.soak_entries import (
    SamplesMissed,
    SamplesSealed,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
)
from hilseq.verdicts import CheckVerdict, Obstacle

#: When a reading of the fault table is called that holds what the stand itself has provoked, and nothing else.
PROVOKED = "provoked by the stand"
#: Fewer repaired units than this say nothing about what cures a fault; a choice, no source.
ENOUGH_REPAIRS = 5
#: Longest table of causes.
MOST_CAUSES = 200
#: Role of the shop's logo among the files of a run.
LOGO = "logo"


# -- the run ---------------------------------------------------------------------------------------------


class InputFile(Part):
    """A file that the run was given, word for word."""

    role: str = Field(description="stand file, profile of slot X, sequence")
    name: str = Field(description="file name without its folder")
    sha256: str = Field(description="SHA-256 of the file's bytes, hexadecimal")
    text: str


class PriorRun(Part):
    """An earlier visit of the same unit."""

    run: str
    started: str = Field(description="date and time, ISO 8601")
    stand: str
    disposition: str
    findings: tuple[str, ...] = Field(description="place: what was found, the first few")


class UnitUnderTest(Part):
    """The unit in one slot, and what was known of it before the run."""

    slot: Slot
    serial: str
    part: str
    description: str = ""
    unmeasured: tuple[str, ...] = Field(
        default=(), description="claims of the profile that this stand cannot measure"
    )
    intake: dict[str, Any] = Field(
        default_factory=dict, description="what the intake says: work order, complaint"
    )
    prior_runs: tuple[PriorRun, ...] = ()


class RunOptions(Part):
    """How the run was asked for."""

    attended: bool = False
    retest: str = Field(default="", description="the run that this one follows after a repair")
    simulate: bool = False
    real_timing: bool = Field(
        default=False, description="the simulated stand kept the timing of real instruments"
    )
    defects: tuple[str, ...] = Field(default=(), description="defects put into the simulated stand")
    defect_files: tuple[str, ...] = Field(default=(), description="Python files with further kinds of defect")
    soak: bool = False
    soak_duration: float | None = Field(default=None, description="instead of the plan's, s")
    sequences: tuple[str, ...] = Field(default=(), description="paths of the sequences")


class RunStarted(Entry):
    """The first entry: everything the run was given."""

    kind: Literal["run started"] = "run started"
    v: Literal[1] = 1
    run: str = Field(description="name of the run, that of its folder")
    stand: str
    hilseq: str = Field(description="version that writes this")
    boot: str = Field(default="", description="boot id of the computer that the run is on")
    simulated: bool
    seed: int | None = Field(default=None, description="seed of the simulated stand")
    decision_rules: dict[str, Rule] = Field(description="by slot")
    units: tuple[UnitUnderTest, ...]
    options: RunOptions = RunOptions()
    inputs: tuple[InputFile, ...] = ()


#: The identity of an I/O simulator that cannot be asked for it.
NOT_ASKED = "not asked"


class InstrumentIdentified(Entry):
    """An instrument of the stand that says it is the right one."""

    kind: Literal["instrument"] = "instrument"
    v: Literal[1] = 1
    name: str
    what: str = Field(description="supply, I/O simulator, ...")
    resource: str = Field(description="its address")
    identity: str = Field(description="what it says it is; empty where it was not asked")
    certificate: str = Field(description="calibration certificate; empty where none is stated")
    due: str = Field(description="calibration due, ISO 8601 date; empty where none is stated")


class OperatorPrompt(Part):
    """A question to the person at the stand, and the answer once there is one."""

    question: str
    picture: str = ""
    expected: tuple[str, ...] = Field(default=(), description="answers that are taken; none: any text")
    answer: str | None = None
    by: str = Field(default="", description="who answered")
    seconds: float | None = Field(default=None, description="from question to answer, s")


class EventLogged(Entry):
    """Something that happened, in words."""

    kind: Literal["event"] = "event"
    v: Literal[1] = 1
    slot: str = Field(default="", description="slot that it concerns; empty: the stand")
    what: str
    text: str
    prompt: OperatorPrompt | None = Field(default=None, description="of an event of the operator's")


class MadeSafe(Entry):
    """The stand, or a slot, was made safe: outputs off, drives released, supplies off, read back."""

    kind: Literal["made safe"] = "made safe"
    v: Literal[1] = 1
    verified: bool = Field(description="whether reading back confirmed it")
    why: str = Field(default="", description="why it could not be verified")
    by: Literal["run", "guard"]
    slot: str = Field(default="", description="the slot; empty: all")
    slots: tuple[str, ...] = Field(default=(), description="slots that a failure concerns; empty: all")
    reason: str = Field(default="", description="why the guard acted")
    tries: int = 1
    seconds: float | None = Field(default=None, description="how long it took the guard, s")


class RunResumed(Entry):
    """An interrupted soak continues from here."""

    kind: Literal["run resumed"] = "run resumed"
    v: Literal[1] = 1
    torn: Count = Field(description="bytes of an unfinished last line that were cut off")
    why: str = Field(description="why it was interrupted")
    hilseq: str
    boot: str = ""


class RunEnded(Entry):
    """The last entry of a run that came to its own end."""

    kind: Literal["run ended"] = "run ended"
    v: Literal[1] = 1
    exit_code: int
    interrupted: bool


# -- checks ----------------------------------------------------------------------------------------------


class CheckPlanned(Entry):
    """One check that this run is to do."""

    kind: Literal["check planned"] = "check planned"
    v: Literal[1] = 1
    check: CheckId
    slot: Slot
    sequence: str
    stage: str
    title: str = Field(description="a noun phrase")
    sentence: str = Field(default="", description="what the check shows; empty in runs of before")
    place: str = Field(description="where the unit is tested: a point, a port, a stage")
    gate: bool


class PlanCompared(Entry):
    """How what this run is to do with a unit compares with the approved test plan of its type."""

    kind: Literal["plan compared"] = "plan compared"
    v: Literal[1] = 1
    slot: Slot
    revision: Count = Field(default=0, description="revision of the approved plan; 0 where there is none")
    identity: str = Field(default="", description="SHA-256 of the plan's content, hexadecimal")
    approved_by: str = ""
    approved_on: str = Field(default="", description="date, ISO 8601")
    why: str = Field(default="", description="why it was approved")
    differences: tuple[str, ...] = Field(
        description="what this run does otherwise; none: it is the approved plan"
    )
    not_claimed: tuple[str, ...] = Field(default=(), description="stages that the profile does not call for")
    not_on_stand: tuple[str, ...] = Field(
        default=(), description="checks of the plan that this stand has no means for"
    )
    soak: Real | None = Field(
        default=None, description="soak that the profile plans, s; null where it plans none"
    )


class KnownCause(Part):
    """One cause of the profile: where it shows, and what to do."""

    name: str
    action: str = Field(description="what to look at, and what to do")
    places: tuple[str, ...] = Field(description="where it shows, in the words of findings")
    faults: tuple[int, ...] = Field(default=(), description="codes of stored faults that point to it")
    common: bool = Field(
        default=False,
        description="one fault shows at several of its points; else each has a fault of its own",
    )
    repaired: Count = Field(
        default=0, description="units of this part that the records knew, at the start, to be repaired for it"
    )
    cured: Count = Field(default=0, description="how many of them shipped at their next decided visit")


class CausesStated(Entry):
    """The table of causes of a unit's profile, for the order of a repair."""

    kind: Literal["causes"] = "causes"
    v: Literal[1] = 1
    slot: Slot
    causes: tuple[KnownCause, ...] = Field(max_length=MOST_CAUSES)


class Population(Part):
    """What the records knew, when the visit began, of one reading of earlier units of this part."""

    name: str = Field(description="name of the reading")
    place: str
    unit: str = Field(description="of mean and deviation; empty for a plain number")
    mean: Real = Field(description="of the readings")
    deviation: Annotated[Real, Field(ge=0.0)] = Field(
        description="standard deviation of the readings, that of the measurement included"
    )
    count: Count = Field(description="readings")


class CertificateStated(Entry):
    """What the certificate of a unit says beside what the visit found."""

    kind: Literal["certificate"] = "certificate"
    v: Literal[2] = 2
    slot: Slot
    key_readings: tuple[str, ...] = Field(default=(), description="names of the readings that it shows")
    waived: tuple[str, ...] = Field(
        default=(),
        description="what the profile lets stay undecided, and which instruments go uncalibrated, with why",
    )
    shop: str = Field(default="", description="name of the shop that issues it")
    shop_address: str = ""
    ambient: str = Field(default="", description="signal of the temperature around the instruments")
    populations: tuple[Population, ...] = Field(
        default=(), description="what the records knew of the key readings, the prior of both risks"
    )


def without_slot(check: str, slot: str) -> str:
    """Return a check's id as it would be on a stand with one slot: `[A-q05]` becomes `[q05]`."""
    return check.replace(f"[{slot}-", "[").replace(f"[{slot}]", "")


class CheckStarted(Entry):
    """A check begins."""

    kind: Literal["check started"] = "check started"
    v: Literal[1] = 1
    check: CheckId


class UncertaintyTerm(Part):
    """One contribution to the uncertainty of a reading."""

    name: str
    value: Annotated[Real, Field(ge=0.0)] = Field(
        description="standard uncertainty, in the unit of the reading, its sensitivity included"
    )
    distribution: str = Field(description="normal, rectangular, triangular or t (the mean of repeats)")
    degrees_of_freedom: Annotated[Real, Field(ge=1.0)] | None = Field(
        default=None, description="null: as good as infinitely many"
    )
    source: str = Field(default="", description="who states it")

    def for_numbers(self) -> Term:
        """Return what the analysis takes."""
        degrees = math.inf if self.degrees_of_freedom is None else self.degrees_of_freedom
        return Term(self.name, self.value, degrees_of_freedom=degrees)


class Reading(Entry):
    """One measured value against its limits, judged."""

    kind: Literal["reading"] = "reading"
    v: Literal[2] = 2
    check: CheckId
    slot: Slot
    name: str
    value: FiniteOrText = Field(description="in `unit`")
    unit: str = Field(description="unit of value, uncertainty and limits; empty for a plain number")
    uncertainty: Real | None = Field(default=None, description="expanded uncertainty U")
    terms: tuple[UncertaintyTerm, ...] = Field(
        default=(), description="what the uncertainty is made of; runs of earlier versions have none"
    )
    degrees_of_freedom: Real | None = Field(
        default=None,
        description="effective degrees of freedom (Welch and Satterthwaite); null: as good as infinitely many",
    )
    coverage_factor: Real | None = Field(default=None, description="k, by which U is a standard uncertainty")
    low: Real | None = Field(default=None, description="lower limit")
    high: Real | None = Field(default=None, description="upper limit")
    verdict: ReadingVerdict
    probability: Real | None = Field(
        default=None, description="probability that the true value is inside, 0 to 1"
    )
    place: str = ""
    rule: Rule = DecisionRule.GUARDED

    @property
    def guard_band(self) -> float:
        """The guard band of its rule, in `unit`. Earlier versions kept no terms, and knew no rule that needs them."""
        if not self.terms:
            return self.rule.share * (self.uncertainty or 0.0)
        return self.rule.guard_band(term.for_numbers() for term in self.terms)


class TableKept(Entry):
    """A curve or a pattern, for plots and attachments."""

    kind: Literal["table"] = "table"
    v: Literal[1] = 1
    check: CheckId
    slot: Slot
    name: str
    columns: tuple[str, ...] = Field(description="names, with the unit in brackets")
    rows: tuple[tuple[Cell, ...], ...] = Field(
        description="cells in the order of the columns, in their units"
    )


class StoredFault(Part):
    """One record of the unit's fault table, decoded."""

    code: int
    place: str
    time: Real | None = Field(description="the unit's own time, s; null when it keeps none")
    meaning: str
    cause: str = Field(description="likely cause")
    remedy: str = Field(description="what to look at")
    routine: bool = Field(default=False, description="a healthy unit stores it too: it blames nobody")

    def __str__(self) -> str:
        """Return `fault 0x21 at q05: output overloaded; likely cause: ...; look at ...`."""
        return f"fault 0x{self.code:02X} at {self.place}: {self.meaning}; likely cause: {self.cause}; {self.remedy}"


class FaultsRead(Entry):
    """The unit's fault table as it was read."""

    kind: Literal["faults"] = "faults"
    v: Literal[1] = 1
    slot: Slot
    when: str = Field(description="before clearing, at event 1, ...")
    entries: tuple[StoredFault, ...]


class CheckEnded(Entry):
    """The result of a check."""

    kind: Literal["check ended"] = "check ended"
    v: Literal[2] = 2
    check: CheckId
    verdict: CheckVerdict
    why: str = ""
    obstacle: Obstacle | None = Field(
        default=None, description="what kept it from being performed, where that is one of these"
    )
    places: tuple[str, ...] = Field(default=(), description="where it failed; none: the place of the check")
    seconds: Seconds = Field(description="how long it took, s")


JournalEntry: TypeAlias = (
    RunStarted
    | InstrumentIdentified
    | CheckPlanned
    | PlanCompared
    | CausesStated
    | CertificateStated
    | CheckStarted
    | Reading
    | EventLogged
    | FaultsRead
    | TableKept
    | CheckEnded
    | MadeSafe
    | RunResumed
    | SoakStarted
    | SoakEventLogged
    | SoakGap
    | SamplesMissed
    | SamplesSealed
    | SoakEnded
    | RunEnded
)
#: Every kind -> its type.
KINDS: dict[str, type[Entry]] = {one.model_fields["kind"].default: one for one in get_args(JournalEntry)}


class NotAnEntry(ValueError):  # noqa: N818 - it names what it is not
    """What was read is no entry that this version of hilseq writes or knows from before; the message says why."""


@cache
def _adapter() -> TypeAdapter[JournalEntry]:
    return TypeAdapter(Annotated[JournalEntry, Field(discriminator="kind")])


def entry_from(plain: dict[str, Any]) -> JournalEntry:
    """Return the entry of a line of the present version. Raises NotAnEntry."""
    kind = str(plain.get("kind"))
    known = KINDS.get(kind)
    if known is None:
        raise NotAnEntry(f"an entry of a kind that no run writes: {kind[:40]!r}")
    if plain.get("v") != known.model_fields["v"].default:
        raise NotAnEntry(f"an entry {kind!r} of version {plain.get('v')!r}, which this hilseq does not know")
    try:
        return _adapter().validate_python(plain)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"][1:])
        raise NotAnEntry(f"an entry that no run writes ({kind}, {where}: {first['msg']})") from error


def journal_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of one line of a journal."""
    schema = _adapter().json_schema(mode="serialization")
    for one in KINDS.values():
        line = schema["$defs"][one.__name__]
        line["properties"] = {
            "n": {"type": "integer", "minimum": 0, "description": "number of the line, from 0"},
            **line["properties"],
            "chain": {
                "type": "string",
                "pattern": "^[0-9a-f]{64}$",
                "description": "SHA-256 of the previous chain value, a newline, and this line without `chain`",
            },
        }
    for described in schema["$defs"].values():
        if "properties" in described:
            # What has a default for whoever writes is there for whoever reads.
            described["required"] = list(described["properties"])
            for field in described["properties"].values():
                field.pop("default", None)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "One line of a hilseq journal (journal.jsonl)",
        **schema,
    }
