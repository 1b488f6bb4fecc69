"""Fixtures of what is measured once for all points of a unit and judged point by point.

The first check that asks measures; the others find the result, or the reason why there is none.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Self, TypeVar

import pytest

from hilseq.clock import Clock
from hilseq.errors import HilseqError, UnitInvalidResponse, UnitSilent
from hilseq.plugin.fixtures import KeepTable
from hilseq.plugin.markers import stage_of
from hilseq.plugin.stages import SOAK
from hilseq.procedures.analog import Swept, sweep
from hilseq.procedures.bench import Bench
from hilseq.procedures.patterns import PatternRun, run_patterns
from hilseq.procedures.points import Loaded, Thresholds, find_thresholds, measure_loaded
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring

Result = TypeVar("Result")


class MeasurementCache:
    """Results by slot and name; a measurement that failed is not tried again, it failed for all."""

    def __init__(self, kept: dict[tuple[str, str], Any] | None = None, when: str = "") -> None:
        self._kept: dict[tuple[str, str], Any] = {} if kept is None else kept
        self._when = when

    def after_soak(self) -> Self:
        """Return the results of units that have been soaked, kept beside those of before."""
        return type(self)(self._kept, " after the soak")

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
    """Measures once for this check and all others; once more for those of the soak's stage."""
    return measured.after_soak() if stage_of(request.node) == SOAK else measured


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
        run = run_patterns(unit.inputs, clock)
        keep_table(*run.table("inputs"))
        return run

    return once(slot, "input patterns", measure)


@pytest.fixture
def loaded_outputs(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, clock: Clock, bench: Bench
) -> dict[str, Loaded]:
    """Each measured output under its load, all together, by name: drop, voltage when off, leakage."""

    def measure() -> dict[str, Loaded]:
        unit: Unit = request.getfixturevalue("live_unit")
        wiring = SlotWiring(bench.stand, slot)
        loads = {name: load for name in unit.outputs.names if (load := wiring.load(name)) is not None}
        return measure_loaded(unit.outputs, unit.supply.voltage, loads, clock)

    return once(slot, "loaded outputs", measure)


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


@pytest.fixture
def analog_sweep(
    request: pytest.FixtureRequest, once: MeasurementCache, slot: str, unit: Unit
) -> dict[str, Swept]:
    """Each analog channel after its sweep over the range and back, by name."""

    def measure() -> dict[str, Swept]:
        # Outputs follow only while the unit is live.
        state = "live_unit" if unit.profile.points.analog_outputs else "ready_unit"
        return sweep(request.getfixturevalue(state).analog)

    return once(slot, "analog sweep", measure)
