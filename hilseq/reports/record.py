"""The story of a run as typed objects, told by its journal, and by what the journal has sealed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from hilseq.analysis.soak_events import told
from hilseq.journal import kinds
from hilseq.journal.lost import lost
from hilseq.journal.reader import Journal
from hilseq.journal.seals import broken_seals
from hilseq.quantities import show_duration
from hilseq.verdicts import WORST_FIRST, CheckVerdict, Disposition, dispose, exit_code


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value against its limits; `uncertainty` is expanded (k = 2)."""

    name: str
    value: float | str
    unit: str
    uncertainty: float | None
    low: float | None
    high: float | None
    verdict: str
    probability: float | None = None
    place: str = ""
    rule: str = ""


@dataclass(slots=True)
class Check:
    """One line of the verdict."""

    id: str
    sequence: str
    stage: str
    title: str
    slot: str
    place: str
    gate: bool
    verdict: CheckVerdict = CheckVerdict.NOT_PERFORMED
    why: str = "the run ended before this check"
    places: tuple[str, ...] = ()
    seconds: float = 0.0
    started: bool = False
    #: What the check shows, in a sentence; runs of earlier versions have none.
    sentence: str = ""
    readings: list[Reading] = field(default_factory=list)
    tables: list[dict[str, Any]] = field(default_factory=list)
    #: Of a soak: by place, what its first sign there was and when.
    signs: dict[str, str] = field(default_factory=dict)

    def found_at(self, place: str) -> str:
        """Return what was found at a place: its own sign, where several failed at different times."""
        own = self.signs.get(place) if self.verdict is CheckVerdict.FAILED and len(self.places) > 1 else None
        return own or self.why


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault found: where, what, by which check."""

    place: str
    what: str
    check: str


@dataclass(slots=True)
class UnitRecord:
    """Everything a run says about one unit."""

    slot: str
    serial: str
    part: str
    description: str
    rule: str
    intake: Mapping[str, Any]
    #: What the profile claims and this stand cannot measure, in words.
    unmeasured: Sequence[str] = ()
    #: What is wrong with the sample file of its soak; empty when the journal's seals fit, or nobody looked.
    damage: str = ""
    checks: list[Check] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)

    @property
    def disposition(self) -> Disposition:
        """What is done with the unit."""
        return dispose(check.verdict for check in self.checks)

    @property
    def findings(self) -> list[Finding]:
        """What the checks found, one per place and check: the stand's faults when the stand failed."""
        blamed = (
            CheckVerdict.STAND_FAULT if self.disposition is Disposition.STAND_FAULT else CheckVerdict.FAILED
        )
        return [
            Finding(place, check.found_at(place), check.id)
            for check in self.checks
            if check.verdict is blamed
            for place in check.places or (check.place,)
        ]


@dataclass(slots=True)
class RunRecord:
    """One run, as its journal tells it."""

    run: str
    stand: str
    hilseq: str
    started: str
    ended: str
    simulated: bool
    complete: bool
    interrupted: bool
    units: list[UnitRecord]
    instruments: list[dict[str, Any]]
    inputs: list[dict[str, Any]]
    events: list[dict[str, Any]]
    safe: list[dict[str, Any]]
    header: Mapping[str, Any]
    chain: str
    journal_fault: str
    #: Bytes of an unfinished last line: the writer was killed.
    torn: int = 0
    #: The exit code that the run itself noted; None while it has not ended.
    noted_exit_code: int | None = None
    #: Seconds of the run's clock between its first and its last entry.
    seconds: float = 0.0

    @property
    def exit_code(self) -> int:
        """The worst exit code of the units, from their checks alone (the run may still be going on)."""
        return int(exit_code(unit.disposition for unit in self.units))

    def unit(self, slot: str) -> UnitRecord:
        """Return the unit in a slot. Raises KeyError when the run has no such slot."""
        return {unit.slot: unit for unit in self.units}[slot]

    @property
    def whole(self) -> bool:
        """Whether the run came to its own end and its journal is sound to the last byte."""
        return self.complete and not self.interrupted and not self.torn

    @property
    def sound(self) -> bool:
        """Whether the run is whole and so is all that its journal has sealed."""
        return self.whole and not any(unit.damage for unit in self.units)

    @property
    def unsafe(self) -> str:
        """Why the stand's safe state was not verified the last time it was commanded; empty when it was."""
        if not self.safe or self.safe[-1].get("verified"):
            return ""
        return str(self.safe[-1].get("why") or "no reason was noted")

    def final(self, unit: UnitRecord) -> Disposition:
        """Return what may be told of the unit: a run that is not whole releases nothing.

        Nor does one whose samples of this unit are damaged or missing: nobody can look at them again. Nor does
        one that could not make safe the part of the stand that the unit is on.
        """
        disposition = unit.disposition
        if disposition is Disposition.SHIP and (unit.damage or not self.whole):
            return Disposition.INCOMPLETE
        concerned = self.safe[-1].get("slots") if self.unsafe else ()
        unsafe = bool(self.unsafe) and (not concerned or unit.slot in concerned)
        if disposition in (Disposition.SHIP, Disposition.INCOMPLETE) and unsafe:
            return Disposition.STAND_FAULT
        return disposition

    @property
    def final_exit_code(self) -> int:
        """The worst of the units' final codes and of the code that the run noted at its end."""
        codes = {int(exit_code(self.final(unit) for unit in self.units)), self.noted_exit_code}
        return next((int(code) for code in WORST_FIRST if code in codes), int(WORST_FIRST[0]))


def reading_of(entry: Mapping[str, Any]) -> Reading:
    """Return the reading of a journal entry."""
    names = Reading.__dataclass_fields__
    return Reading(**{name: entry[name] for name in names if name in entry})


def _checks(journal: Journal) -> dict[str, Check]:
    checks: dict[str, Check] = {}
    soaking: dict[str, str] = {}  # by slot, the check whose soak goes on
    for entry in journal.entries:
        match entry["kind"]:
            case kinds.CHECK_PLANNED:
                planned = ("sequence", "stage", "title", "slot", "place", "gate")
                check = Check(entry["check"], **{name: entry[name] for name in planned})
                check.sentence = entry.get("sentence", "")
                checks[entry["check"]] = check
            case kinds.CHECK_STARTED:
                checks[entry["check"]].started = True
                checks[entry["check"]].why = "the run ended during this check"
            case kinds.READING if entry["check"] in checks:
                checks[entry["check"]].readings.append(reading_of(entry))
            case kinds.TABLE if entry["check"] in checks:
                checks[entry["check"]].tables.append(entry)
            case kinds.SOAK_STARTED:
                soaking[str(entry.get("slot"))] = str(entry.get("check"))
            case kinds.SOAK_EVENT if soaking.get(str(entry.get("slot"))) in checks:
                sign = told(show_duration(entry["since"]), entry["case"], [(entry["what"], entry["text"])])
                checks[soaking[str(entry["slot"])]].signs.setdefault(entry["place"], sign)
            case kinds.CHECK_ENDED:
                check = checks[entry["check"]]
                check.verdict = CheckVerdict(entry["verdict"])
                check.why, check.places = entry["why"], tuple(entry["places"])
                check.seconds = entry["seconds"]
            case _:
                pass
    return checks


def load_record(journal: Journal) -> RunRecord:
    """Return the record of a run. Raises ValueError when the journal does not tell a run."""
    if not journal.entries or journal.entries[0].get("kind") != kinds.RUN_STARTED:
        if gone := lost(journal):
            raise ValueError(f"{journal.path.parent}: {gone}")
        why = journal.broken or "nothing can be told"
        raise ValueError(f"{journal.path} does not begin with a run; {why}")
    try:
        return _told(journal)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(
            f"{journal.path} holds an entry that no run writes ({type(error).__name__}: {error}); "
            "it was made by other means, or by a hilseq that is newer than this one"
        ) from error


def load_sound_record(journal: Journal) -> RunRecord:
    """Return the record of a run, with what is wrong with the sample files that its journal has sealed.

    Reads those files, where `tell` reads nothing but the journal. Raises ValueError as `tell` does.
    """
    record = load_record(journal)
    broken = broken_seals(journal)
    for unit in record.units:
        unit.damage = broken.get(unit.slot, "")
    return record


def _units(journal: Journal) -> list[UnitRecord]:
    header = journal.entries[0]
    units = {
        unit["slot"]: UnitRecord(
            slot=unit["slot"],
            serial=unit["serial"],
            part=unit["part"],
            description=unit.get("description", ""),
            rule=header["decision_rules"].get(unit["slot"], "guarded"),
            intake=unit.get("intake") or {},
            unmeasured=unit.get("unmeasured") or (),
            faults=[e for e in journal.of_kind(kinds.FAULTS) if e["slot"] == unit["slot"]],
            events=[e for e in journal.of_kind(kinds.EVENT) if e["slot"] == unit["slot"]],
        )
        for unit in header["units"]
    }
    for check in _checks(journal).values():
        if check.slot in units:
            units[check.slot].checks.append(check)
    return list(units.values())


def _told(journal: Journal) -> RunRecord:
    header, last = journal.entries[0], journal.entries[-1]
    ends = journal.of_kind(kinds.RUN_ENDED)
    return RunRecord(
        run=header["run"],
        stand=header["stand"],
        hilseq=header["hilseq"],
        started=header["at"],
        ended=ends[-1]["at"] if ends else last["at"],
        simulated=header["simulated"],
        complete=bool(ends) and not journal.broken,
        interrupted=not ends or bool(ends[-1].get("interrupted")),
        units=_units(journal),
        instruments=journal.of_kind(kinds.INSTRUMENT),
        inputs=header.get("inputs") or [],
        events=[e for e in journal.of_kind(kinds.EVENT) if not e["slot"]],
        safe=journal.of_kind(kinds.MADE_SAFE),
        header=header,
        chain=journal.chain,
        journal_fault=journal.broken,
        torn=journal.torn,
        noted_exit_code=int(ends[-1]["exit_code"]) if ends else None,
        seconds=float(last["t"]) - float(header["t"]),
    )
