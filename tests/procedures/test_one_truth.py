"""Random readings, fed to everybody who judges them: nobody holds against the unit what another calls the stand's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hilseq.analysis.agreement import Holding, Level, holding
from hilseq.description.profile import Mode
from hilseq.errors import InvalidResponse, NotPerformed, StandFault
from hilseq.measured import Measured
from hilseq.procedures.self_check import SelfCheck, supply_delivers
from hilseq.procedures.soak.conditions import SoakConditions
from hilseq.procedures.soak.sampler import Sample, Sampler
from hilseq.procedures.wiring import SlotWiring, contradiction

if TYPE_CHECKING:
    from tests.procedures.twin_unit import TwinUnit

TERMINAL = "q05"
BY_MANY = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@dataclass
class Callers:
    """Everybody who judges the terminals and the supply of one good, live unit."""

    found: TwinUnit
    sampler: Sampler
    conditions: SoakConditions
    well: Sample

    def sample(self, changes: dict[str, float]) -> Sample:
        """Return a sample of a unit that is well, but for some columns."""
        columns = self.sampler.columns
        values = [changes.get(name, value) for name, value in zip(columns, self.well.values, strict=True)]
        return Sample(self.well.at, values)


@pytest.fixture(scope="module")
def callers(shared: TwinUnit) -> Callers:
    """A good unit, live with its outputs off, and a soak that has looked at it once."""
    unit, bench = shared.unit, shared.bench
    unit.make_ready()
    unit.modes.move_to(Mode.LIVE)
    unit.outputs.drive()
    sampler = Sampler(unit, bench.stand, bench.signals, shared.clock)
    conditions = SoakConditions(unit, bench.stand, sampler, Mode.LIVE)
    conditions.restarted()
    well = sampler.take()
    assert conditions.look(well) == []
    return Callers(shared, sampler, conditions, well)


@contextmanager
def replaced(owner: Any, name: str, value: Any) -> Iterator[None]:
    """Replace one attribute for a while."""
    before = getattr(owner, name)
    setattr(owner, name, value)
    try:
        yield
    finally:
        setattr(owner, name, before)


def raised(act: Any, *given: Any) -> type[Exception] | None:
    """Return the sort of error that a call raises, None when it raises none."""
    try:
        act(*given)
    except (StandFault, NotPerformed) as fault:
        return NotPerformed if isinstance(fault, NotPerformed) else StandFault
    return None


@given(bit=st.sampled_from([0.0, 1.0]), volts=st.floats(-0.5, 30.0), on=st.booleans())
@example(
    bit=1.0, volts=4.0, on=True
)  # a stand fault for one caller, and held against the unit by another, before
@example(bit=0.0, volts=16.0, on=False)
@BY_MANY
def test_a_terminal_sensed_twice(callers: Callers, bit: float, volts: float, on: bool) -> None:
    """The soak, the stand's check of itself, and the question itself agree whose fault two readings are."""
    found, conditions = callers.found, callers.conditions
    sensors = SlotWiring(found.bench.stand, found.unit.slot).sensors(TERMINAL, found.profile.ratings.supply)
    logic, voltage = sensors
    seen = {logic.name: bit, voltage.name: volts}
    of_stand = contradiction(TERMINAL, sensors, seen, found.bench.signals.uncertainty) is not None

    conditions.expect_outputs({TERMINAL} if on else set(), 0.0)
    held, places = False, set()
    try:
        held = any(one.place == TERMINAL for one in conditions.look(callers.sample(seen)))
    except InvalidResponse as fault:
        places = set(fault.places)
    follows = logic.band.counts_as_on(bit) is voltage.band.counts_as_on(volts) is on
    assert places == (set(seen) if of_stand else set())
    assert of_stand or held is not follows
    conditions.expect_outputs((), 0.0)
    for _ in range(2):  # an output that failed counts as well again when it has followed both ways
        conditions.look(callers.well)
        conditions.expect_outputs({TERMINAL}, 0.0)
        conditions.look(callers.sample({logic.name: 1.0, voltage.name: 24.0}))
        conditions.expect_outputs((), 0.0)

    bank = found.bench.signals
    with replaced(bank, "snapshot", lambda names: {name: seen.get(name, 0.0) for name in names}):
        check = SelfCheck(found.bench, found.unit.slot)
        assert raised(check._redundant_sensors, found.unit, [TERMINAL]) is (StandFault if of_stand else None)

    levels = {logic.band.level(bit), voltage.band.level(volts)}
    assert of_stand is (levels == {Level.ON, Level.OFF})


@given(volts=st.floats(20.0, 27.0), share=st.floats(0.0, 1.0))
@example(volts=24.0, share=0.2)
@example(volts=24.1, share=0.2)  # held for the soak, and not for the stand's check of itself, before
@BY_MANY
def test_a_supply_that_holds_or_not(callers: Callers, volts: float, share: float) -> None:
    """The soak, the stand's check of itself, the supply's own comparison: they answer alike."""
    found = callers.found
    unit, supply = found.unit, found.unit.supply.instrument
    limit, error = found.profile.ratings.current_limit, supply.voltage_error(24.0)
    amperes = share * limit
    answer = holding(volts, amperes, setting=24.0, error=error, current_limit=limit)

    fault = StandFault if answer is Holding.WRONG else None

    sample = callers.sample({"supply voltage": volts, "supply current": amperes})
    assert raised(callers.conditions.check_stand, sample) is fault

    read = (Measured(volts, "V", supply._meter.uncertainty(volts, "V")), Measured(amperes, "A", 1e-3))
    with replaced(unit.supply, "both", lambda: read):
        hidden = NotPerformed if answer is Holding.LIMITED else None
        assert raised(supply_delivers, unit) is (fault or hidden)
    with replaced(supply, "both", lambda: read):
        assert raised(supply._compare_measured, 24.0) is fault


@pytest.mark.parametrize(
    ("volts", "level"),
    # IEC 61131-2, type 1 at 24 V (data sheets declaring it): off up to 5 V, on from 15 V, either in between.
    [(-1.0, Level.OFF), (4.9, Level.OFF), (5.1, Level.BETWEEN), (14.9, Level.BETWEEN), (15.1, Level.ON)],
)
def test_levels_of_a_voltage(callers: Callers, volts: float, level: Level) -> None:
    """The levels are those of the standard, but for the largest error of the channel."""
    stand, slot = callers.found.bench.stand, callers.found.unit.slot
    _, voltage = SlotWiring(stand, slot).sensors(TERMINAL, 24.0)
    assert voltage.band.level(volts) is level
