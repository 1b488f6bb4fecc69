"""Entries as a run writes them: the product's own types, with everything filled in that a test does not care about."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from hilseq.description.approved_plan import PlanContent
from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.contradictions import contradictions
from hilseq.journal.entries import CheckPlanned, InputFile, PlanCompared, PriorRun, RunStarted, UnitUnderTest
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.seals import left_limits
from hilseq.journal.soak_entries import SoakColumn, SoakEnded, SoakEventLogged, SoakStarted
from hilseq.journal.writer import FILE_NAME
from hilseq.plugin.planned import contradicts_its_files

#: What the instruments of invented journals are reached by.
PROFILE_TEXT = "part: RH16\n"
STAND_TEXT = "resource: TCPIP::192.0.2.10::5025::SOCKET\n"


#: Who approved the plan of an invented unit.
APPROVAL: Mapping[str, Any] = MappingProxyType(
    {"revision": 3, "approved_by": "M. Frei", "approved_on": "2026-01-04", "why": "first issue"}
)


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _input(role: str, name: str, text: str) -> InputFile:
    return InputFile(role=role, name=name, sha256=_sha256(text), text=text)


def plan_of(part: str = "RH16", checks: Mapping[str, str] = MappingProxyType({})) -> PlanContent:
    """Return the approved plan of an invented unit, which has no check of its own."""
    return PlanContent(part=part, profile=_sha256(PROFILE_TEXT), sequences={}, checks=dict(checks))


def plan_input(slot: str, plan: PlanContent) -> InputFile:
    """Return a plan as a run keeps it."""
    text = json.dumps({**APPROVAL, "identity": plan.identity, **plan.model_dump()})
    return _input(f"approved plan of slot {slot}", "unit.plan.json", text)


def _of_slot(one: UnitUnderTest) -> tuple[InputFile, InputFile]:
    """Return a profile, and the approved plan that `plan_compared` tells of."""
    profile = _input(f"profile of slot {one.slot}", "unit.yaml", PROFILE_TEXT)
    return profile, plan_input(one.slot, plan_of(one.part))


def unit(slot: str = "A", serial: str = "RH0001", part: str = "RH16", **fields: Any) -> UnitUnderTest:
    """Return a unit under test."""
    return UnitUnderTest(slot=slot, serial=serial, part=part, **fields)


def run_started(*units: UnitUnderTest, **fields: Any) -> RunStarted:
    """Return the beginning of a run of these units, or of one in slot A."""
    tested = units or (unit(),)
    known: dict[str, Any] = {
        "run": "20261125-080000-RH0001",
        "stand": "sim-bench",
        "hilseq": "0.1.0",
        "simulated": False,
        "decision_rules": {one.slot: "guarded" for one in tested},
        "inputs": (
            _input("stand file", "stand.yaml", STAND_TEXT),
            *(given for one in tested for given in _of_slot(one)),
        ),
    }
    return RunStarted(units=tested, **(known | fields))


def prior_run(**fields: Any) -> PriorRun:
    """Return an earlier visit of a unit."""
    known = {"run": "r0", "started": "2026-01-01T00:00:00+00:00", "stand": "bench", "disposition": "repair"}
    return PriorRun(**{"findings": (), **known, **fields})


def check_planned(check: str, **fields: Any) -> CheckPlanned:
    """Return a planned check of the unit in slot A."""
    known: dict[str, Any] = {
        "slot": "A",
        "sequence": "soak",
        "stage": "soak",
        "title": "It stays",
        "place": "unit",
        "gate": False,
    }
    return CheckPlanned(check=check, **(known | fields))


def plan_compared(slot: str = "A", part: str = "RH16", **fields: Any) -> PlanCompared:
    """Return what a run says that is the approved plan of its unit."""
    known: dict[str, Any] = {
        **APPROVAL,
        "identity": plan_of(part).identity,
        "differences": (),
    }
    return PlanCompared(slot=slot, **(known | fields))


def soak_started(slot: str = "A", duration: float = 3600.0, zero: float = 0.0, **fields: Any) -> SoakStarted:
    """Return the beginning of a soak; its columns are the supply current and the mode."""
    known: dict[str, Any] = {
        "check": "soak",
        "file": f"samples-{slot}.bin",
        "end": zero + duration,
        "duration": duration,
        "planned": duration,
        "period": 1.0,
        "mode": "live",
        "modes": {"live": 2},
        "case": None,
        "columns": (SoakColumn(name="supply current", unit="A"), SoakColumn(name="unit mode")),
        "confidence": 0.95,
        "cover": "closed",
        "ambient": 25.0,
        "plan": {},
    }
    return SoakStarted(slot=slot, zero=zero, **(known | fields))


def soak_event(number: int = 1, slot: str = "A", **fields: Any) -> SoakEventLogged:
    """Return a sign of a failure during a soak."""
    known = {"since": 5.0, "case": None, "what": "x", "place": "mode", "text": "", "outputs_on": 0}
    return SoakEventLogged(slot=slot, number=number, **(known | fields))


def soak_ended(slot: str = "A", **fields: Any) -> SoakEnded:
    """Return the end of a soak."""
    known = {"since": 10.0, "samples": 10, "missed": 0, "events": 0, "why": "the planned end"}
    return SoakEnded(slot=slot, **(known | fields))


def append_raw(folder: Path, *lines: Mapping[str, Any]) -> None:
    """Append lines that no run of this version writes, properly numbered and chained."""
    path = folder / FILE_NAME
    before = path.read_bytes().splitlines() if path.exists() else []
    chain = before[-1][-66:-2].decode("ascii") if before else GENESIS
    folder.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as journal:
        for number, line in enumerate(lines, len(before)):
            sealed, chain = seal(number, line, chain)
            journal.write(sealed)


def contradicts_nothing(folder: Path) -> None:
    """Assert that the journal in a folder, where a run has left one, says nothing against itself or its samples."""
    if not (folder / FILE_NAME).exists():
        return
    journal = read_journal(folder)
    if journal.entries:
        state = run_state(journal)
        held = contradicts_its_files(state)
        found = [*contradictions(journal.entries, state), *left_limits(state, folder), *held.wrong]
        assert (found, held.unread) == ([], "")
