"""The fixtures of sequences. Each one that moves the unit out of a state puts it back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol

import pytest

from hilseq.analysis.limits import DecisionRule
from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.instruments.signals import SignalBank
from hilseq.journal.entries import FaultsRead, Reading, StoredFault, TableKept
from hilseq.plugin.hooks import CHECK, VisitHooks
from hilseq.plugin.judge import Judge
from hilseq.plugin.parameters import Parameters, parameters_of
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.bench import Bench
from hilseq.procedures.operator import Operator
from hilseq.procedures.readiness import Readiness
from hilseq.procedures.unit import Unit
from hilseq.procedures.unit_supply import UnitSupply
from hilseq.reports.formatting import show_limits, show_value
from hilseq.reports.sanitize import sanitize


class KeepTable(Protocol):
    """Keeps a table in the journal, under a name."""

    def __call__(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Keep `rows`; a column says its unit: `voltage V`."""


class KeepFaults(Protocol):
    """Keeps a fault table in the journal; `when` tells the tables of one check apart."""

    def __call__(self, when: str, stored: Sequence[StoredFault]) -> None:
        """Keep what was `stored` in the unit."""


@pytest.fixture(scope="session")
def visit_run(pytestconfig: pytest.Config) -> VisitRun:
    """The visit: options, clock, journal."""
    hooks = pytestconfig.pluginmanager.getplugin("hilseq-visit")
    assert isinstance(hooks, VisitHooks)
    return hooks.run


@pytest.fixture(scope="session")
def bench(visit_run: VisitRun) -> Bench:
    """The opened stand: every instrument identified, ceilings set, everything off."""
    return visit_run.bench()


@pytest.fixture
def slot(request: pytest.FixtureRequest, visit_run: VisitRun) -> str:
    """Name of the slot whose unit is being checked."""
    return str(getattr(request, "param", next(iter(visit_run.visit.profiles))))


@pytest.fixture
def clock(bench: Bench) -> Clock:
    """The clock of the stand: `clock.now()`, `clock.sleep(seconds)`."""
    return bench.clock


@pytest.fixture
def signals(bench: Bench) -> Iterator[SignalBank]:
    """The stand's signals by name: `signals.read("q01")`, `signals.write("i01", 1)`.

    What is read shows its terminal as it is now: its lag is waited for. Only `snapshot` looks at once. Drives are
    released afterwards.
    """
    yield bench.signals
    bench.signals.release()
    for unit in bench.units.values():
        unit.modes.prepare()


@pytest.fixture
def operator(bench: Bench) -> Operator:
    """The person at the stand: `operator.act("Close the cover.", 60)`, `operator.ask(Prompt(…))`."""
    return bench.operator


@pytest.fixture
def readiness(visit_run: VisitRun, bench: Bench, slot: str) -> Readiness:
    """What the stand can find out about the part of itself that serves the slot, with the unit off."""
    bench.unit(slot)
    return Readiness(bench, [slot], visit_run.extensions.readiness_checks)


@pytest.fixture
def unit(bench: Bench, slot: str) -> Unit:
    """The unit under test, as it is: powered or not."""
    found = bench.unit(slot)
    found.link.failures = 0  # of this check
    return found


@pytest.fixture
def supply(unit: Unit) -> UnitSupply:
    """The supply of the unit: `supply.on()`, `supply.off()`, `supply.current()`."""
    return unit.supply


@pytest.fixture
def ready_unit(unit: Unit) -> Iterator[Unit]:
    """The unit, powered and ready, in its start mode; put back there afterwards."""
    unit.make_ready()
    yield unit
    unit.return_to_idle()


@pytest.fixture
def live_unit(ready_unit: Unit) -> Unit:
    """The unit, ready and running live; `ready_unit` puts it back."""
    ready_unit.modes.move_to(Mode.LIVE)
    return ready_unit


@pytest.fixture
def rated_afterwards(ready_unit: Unit) -> Iterator[Unit]:
    """The unit, ready, for a check that changes its supply voltage; back at rated supply afterwards."""
    yield ready_unit
    if ready_unit.supply.is_on:
        ready_unit.supply.move_to(ready_unit.profile.ratings.supply)


@pytest.fixture
def judge(request: pytest.FixtureRequest, visit_run: VisitRun, slot: str) -> Judge:
    """Judges a reading against limits: `judge("idle current", supply.current(), limits)`."""
    check = request.node.stash[CHECK]
    rule = DecisionRule(visit_run.visit.profiles[slot].decision_rule)

    def note(reading: Reading) -> None:
        visit_run.note(reading)
        check.readings.append(reading)
        told = f"{show_value(reading)} ({show_limits(reading)}): {reading.verdict}"
        request.node.user_properties.append((sanitize(f"reading {reading.name}"), sanitize(told)))

    return Judge(rule, note, check=check.id, slot=slot, place=check.place)


@pytest.fixture
def parameters(request: pytest.FixtureRequest, visit_run: VisitRun, slot: str) -> Parameters:
    """What the check declares by the marker `parameter`, from the profile: `parameters.limits("ripple")`."""
    return parameters_of(request.node, visit_run.visit.profiles[slot])


@pytest.fixture
def keep_table(request: pytest.FixtureRequest, visit_run: VisitRun, slot: str) -> KeepTable:
    """Keep a curve or a pattern in the journal: `keep_table("ramp", ["V", "A"], rows)`."""
    check = request.node.stash[CHECK]

    def keep(name: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        lines = tuple(tuple(row) for row in rows)
        visit_run.note(TableKept(check=check.id, slot=slot, name=name, columns=tuple(columns), rows=lines))

    return keep


@pytest.fixture
def keep_faults(visit_run: VisitRun, slot: str) -> KeepFaults:
    """Keep a fault table in the journal: `keep_faults("before clearing", unit.faults.read())`."""

    def keep(when: str, stored: Sequence[StoredFault]) -> None:
        visit_run.note(FaultsRead(slot=slot, when=when, entries=tuple(stored)))

    return keep
