"""The fixtures of sequences. Each one that moves the unit out of a state puts it back.

What is measured once for all points of a unit is judged point by point: the first check that asks measures, the
others find the result, or the reason why there is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Protocol, Self, TypeVar

import pytest

from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.description.stages import CLOSING, SOAK
from hilseq.errors import HilseqError, UnitInvalidResponse, UnitSilent
from hilseq.instruments.signals import SignalBank
from hilseq.journal.entries import FaultsRead, Reading, StoredFault, TableKept
from hilseq.plugin.judge import Judge
from hilseq.plugin.markers import stage_of
from hilseq.plugin.parametrize import Parameters, parameters_of
from hilseq.plugin.planned import CHECK
from hilseq.plugin.visit_run import RUN, VisitRun
from hilseq.procedures import battery
from hilseq.procedures.analog import SpotCheck, Swept, sweep, take_spots
from hilseq.procedures.battery import WithoutSupply
from hilseq.procedures.bench import Bench
from hilseq.procedures.operator import Operator
from hilseq.procedures.patterns import PatternRun, run_patterns
from hilseq.procedures.points import Loaded, Thresholds, find_thresholds, measure_loaded
from hilseq.procedures.readiness import Readiness
from hilseq.procedures.together import Together, run_together
from hilseq.procedures.unit import Unit
from hilseq.procedures.unit_supply import UnitSupply
from hilseq.procedures.wiring import SlotWiring
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
    return pytestconfig.stash[RUN]


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
    return Readiness(
        bench,
        [slot],
        visit_run.extensions.readiness_checks,
        golden=visit_run.golden,
        charts=visit_run.golden_charts,
    )


@pytest.fixture
def unit(request: pytest.FixtureRequest, bench: Bench, slot: str) -> Unit:
    """The unit under test, as it is: powered or not."""
    found = bench.unit(slot)
    found.link.failures = 0  # of this check
    # A person turns the switch back when it is needed there, not before.
    if "live_unit" not in request.fixturenames:
        found.modes.turn_back()
    return found


@pytest.fixture
def supply(unit: Unit) -> UnitSupply:
    """The supply of the unit: `supply.on()`, `supply.off()`, `supply.current()`."""
    return unit.supply


@pytest.fixture
def ready_unit(unit: Unit) -> Iterator[Unit]:
    """The unit, powered and ready, in its start mode; put back there afterwards.

    One that has left its mode by itself meanwhile fails the check.
    """
    unit.make_ready()
    yield unit
    try:
        unit.assert_stayed()
    finally:
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
    profile = visit_run.visit.profiles[slot]
    rule = profile.decision_rule

    def note(reading: Reading) -> None:
        visit_run.note(reading)
        if reading.name not in profile.waived_readings:
            check.readings.append(reading)
        reported = f"{show_value(reading)} ({show_limits(reading)}): {reading.verdict}"
        request.node.user_properties.append((sanitize(f"reading {reading.name}"), sanitize(reported)))

    def event(what: str, text: str) -> None:
        visit_run.event(what, text, slot)

    return Judge(rule, note, event, check=check.id, slot=slot, place=check.place)


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


Result = TypeVar("Result")
#: Stage -> when it measures what an earlier stage has measured.
_ANEW = {SOAK: "after the soak", CLOSING: "at the end"}


class MeasurementCache:
    """Results by slot and name; a measurement that failed is not tried again, it failed for all."""

    def __init__(self, kept: dict[tuple[str, str], Any] | None = None, when: str = "") -> None:
        self._kept: dict[tuple[str, str], Any] = {} if kept is None else kept
        self._when = when

    def anew(self, when: str) -> Self:
        """Return the results of a later time of the visit, such as `after the soak`, kept beside those of before."""
        return type(self)(self._kept, f" {when}")

    def __call__(self, slot: str, what: str, measure: Callable[[], Result]) -> Result:
        """Return what `measure` gave the first time. Raises what it raised the first time."""
        key = slot, what + self._when
        if key not in self._kept:
            try:
                self._kept[key] = measure()
            except (UnitSilent, UnitInvalidResponse):
                raise  # it may have been the link alone: whoever asks again measures again
            except HilseqError as error:
                self._kept[key] = error
        found: Result = self._kept[key]
        if isinstance(found, HilseqError):
            raise found
        return found


@pytest.fixture(scope="session")
def measured() -> MeasurementCache:
    """What was measured once in this visit."""
    return MeasurementCache()


@pytest.fixture
def once(request: pytest.FixtureRequest, measured: MeasurementCache) -> MeasurementCache:
    """Measures once for this check and all others; once more for those of each stage that comes back to them."""
    when = _ANEW.get(stage_of(request.node))
    return measured if when is None else measured.anew(when)


@pytest.fixture
def output_patterns(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, clock: Clock, keep_table: KeepTable
) -> PatternRun:
    """The patterns on all outputs of the unit, running live: which follow, what is wrong with the others."""

    def measure() -> PatternRun:
        unit: Unit = request.getfixturevalue("live_unit")
        run = run_patterns(unit.outputs, clock)
        keep_table(*run.table("outputs"))
        return run

    return once(slot, "output patterns", measure)


@pytest.fixture
def input_patterns(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, clock: Clock, keep_table: KeepTable
) -> PatternRun:
    """The patterns on all inputs of the unit: which follow, and what is wrong with the others."""

    def measure() -> PatternRun:
        unit: Unit = request.getfixturevalue("ready_unit")
        run = run_patterns(unit.inputs, clock, unit.baseline.misread)
        keep_table(*run.table("inputs"))
        return run

    return once(slot, "input patterns", measure)


@pytest.fixture
def measure_loads(unit: Unit, slot: str, clock: Clock, bench: Bench) -> Callable[..., dict[str, Loaded]]:
    """Measures each measured output of a live unit under its load, all together, by name; so many `looks`."""
    wiring = SlotWiring(bench.stand, slot)
    loads = {name: load for name in unit.outputs.names if (load := wiring.load(name)) is not None}
    return partial(measure_loaded, unit.outputs, unit.supply.voltage, loads, clock)


@pytest.fixture
def loaded_outputs(
    request: pytest.FixtureRequest,
    once: MeasurementCache,
    slot: str,
    measure_loads: Callable[..., dict[str, Loaded]],
) -> dict[str, Loaded]:
    """Each measured output under its load, all together, by name: drop, voltage when off, leakage."""

    def measure(**looks: int) -> dict[str, Loaded]:
        request.getfixturevalue("live_unit")
        return measure_loads(**looks)

    def anew(name: str) -> Loaded:
        return measure(looks=1)[name]

    found = once(slot, "loaded outputs", measure)
    return {name: replace(loaded, anew=partial(anew, name)) for name, loaded in found.items()}


@pytest.fixture
def thresholds(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, bench: Bench
) -> dict[str, Thresholds]:
    """The thresholds of every input that the stand drives with a voltage, by name."""

    def measure() -> dict[str, Thresholds]:
        unit: Unit = request.getfixturevalue("ready_unit")
        wiring = SlotWiring(bench.stand, slot)
        names = tuple(name for name in unit.inputs.names if wiring.drives_with_a_voltage(name))
        return find_thresholds(unit.inputs, names, unit.profile.ratings.supply)

    return once(slot, "thresholds", measure)


def _for_analog(request: pytest.FixtureRequest, unit: Unit) -> Unit:
    """Return the unit in a mode in which its analog points work: outputs follow only while it is live."""
    found: Unit = request.getfixturevalue("live_unit" if unit.profile.points.analog_outputs else "ready_unit")
    return found


@pytest.fixture
def analog_sweep(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, unit: Unit
) -> dict[str, Swept]:
    """Each analog channel after its sweep over the range and back, by name."""

    def measure() -> dict[str, Swept]:
        found = sweep(_for_analog(request, unit).analog)
        unit.require_drives()
        return found

    return once(slot, "analog sweep", measure)


@pytest.fixture
def analog_spots(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, unit: Unit
) -> dict[str, SpotCheck]:
    """One point of each analog channel, all at once and each at another part of its range, by name."""

    def measure() -> dict[str, SpotCheck]:
        return take_spots(_for_analog(request, unit).analog)

    return once(slot, "analog spots", measure)


@pytest.fixture
def points_together(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, clock: Clock
) -> Callable[[], Together]:
    """Drives every point at once in many steps, and returns the result; made once a visit, by who asks first."""

    def run() -> Together:
        return once(
            slot, "all points at once", lambda: run_together(request.getfixturevalue("ready_unit"), clock)
        )

    return run


@pytest.fixture
def without_supply(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, clock: Clock
) -> WithoutSupply:
    """What the longest time without supply that the profile names has left of the unit; made once a visit."""

    def measure() -> WithoutSupply:
        return battery.without_supply(request.getfixturevalue("ready_unit"), clock)

    return once(slot, "long time without supply", measure)
