"""Power cycling: the plan is followed, a bad start is found and named, and no start is invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.analysis.start_plans import Decision
from hilseq.description.registers import RegisterType
from hilseq.errors import StandFault, UnitFault, UnitOrHarness
from hilseq.instruments.register_bank import ModbusUnit
from hilseq.procedures import cycling
from hilseq.procedures.glance import lost_since
from hilseq.procedures.power_on import start_times
from tests.procedures.conftest import MakeUnit
from tests.procedures.twin_unit import TwinUnit

pytestmark = pytest.mark.whole_run

UNIT_FAULTS = Path(__file__).with_name("unit_faults.py")


def test_a_good_unit_starts_as_often_as_the_claim_takes(good: TwinUnit) -> None:
    """R 0.90 at C 0.90 takes 22 starts (check value 5.4), all timed, all counted by the unit."""
    made = good
    counter = made.profile.link.starts
    assert counter is not None
    before = made.unit.link.read(counter)
    cold = cycling.cold_starts(made.unit, lost_since)
    assert (len(cold.starts), cold.failed, cold.decision) == (22, [], Decision.ACCEPT)
    assert made.unit.link.read(counter) - before == 22
    assert all(start.off == 3.0 and start.took for start in cold.starts)
    assert {
        "q05",
        "i05",
        "ai1",
        "ao1",
        "port 1",
        "neighbour 1",
        "identity",
        "supply",
    } <= made.unit.baseline.right
    cycling.fail_on_lost(cold.starts)
    assert "with 90 % confidence the unit starts with a probability of at least 0.9006" in cold.proven()


def test_a_counter_of_starts_in_the_other_order_is_the_profiles(good: TwinUnit) -> None:
    """One more in its high word: the unit counts right, and the profile takes its words in the wrong order."""
    unit, known = good.unit, good.profile
    assert known.link.starts is not None
    counter = known.link.starts.model_copy(update={"type_": RegisterType.UINT32})
    unit.profile = known.model_copy(update={"link": known.link.model_copy(update={"starts": counter})})
    try:
        with pytest.raises(StandFault, match=r"the other `order` of `link\.starts`") as caught:
            cycling._wrong_with(unit, 3.0, 65539.0)
    finally:
        unit.profile = known
    assert caught.value.places == ("profile",)


def test_a_starting_unit_is_not_asked_before_it_can_answer(make: MakeUnit) -> None:
    """Left alone for 1 s by its profile, it keeps no question waiting; asked at once, it costs deadlines."""
    for changes in ({}, {"start.startup-quiet": "0 s"}):
        made = make(changes=changes, ready=False)
        silent: list[float] = []

        def spent(seconds: float, made: TwinUnit = made, silent: list[float] = silent) -> None:
            silent.append(seconds)
            made.clock.sleep(seconds)

        made.clock.account_wait = spent  # type: ignore[method-assign]
        took = made.unit.restart()
        assert bool(silent) is bool(changes)
        assert 2.0 < took.value < 3.0


def test_one_bad_start_ends_a_success_run_and_is_named(make: MakeUnit) -> None:
    """The third cold start fails: cycle, reason and place are reported, and no further start is made."""
    made = make("no-start,after=12s")
    cold = cycling.cold_starts(made.unit)
    assert cold.decision is Decision.REJECT
    assert len(cold.failed) == 1
    failed = cold.failed[0]
    assert failed is cold.starts[-1]
    with pytest.raises(UnitFault, match=f"cold start {failed.cycle} failed: the unit is not ready") as caught:
        cycling.fail_on_failed(cold.failed, cold.proven())
    assert caught.value.places[0] == "start"
    assert "the claim is not shown" in str(caught.value)


def test_a_late_start_is_a_bad_start(make: MakeUnit) -> None:
    """A start that takes longer than allowed counts as failed though the unit comes in the end."""
    made = make("slow-start,after=6s,severity=0.9")
    cold = cycling.cold_starts(made.unit)
    assert [start.wrong.partition(" after")[0] for start in cold.failed] == ["ready only"]
    assert cold.failed[0].places == ("start",)


def test_a_bad_self_test_after_a_start_is_placed_there(make: MakeUnit) -> None:
    """A unit that starts with a failed self-test has not started."""
    cold = cycling.cold_starts(make("self-test-fails,after=6s").unit)
    assert cold.failed
    assert cold.failed[0].places == ("self-test",)


@pytest.mark.parametrize(
    ("defect", "place"),
    [
        ("output-stuck-off@q05", "q05"),
        ("analog-dead@ai2", "ai2"),
        ("port-dead@port 1", "port 1"),
        ("wrong-firmware", "identity"),
        ("idle-current-high", "supply"),
    ],
)
def test_what_is_wrong_after_some_starts_only_is_found_after_one(
    make: MakeUnit, defect: str, place: str
) -> None:
    """All of the unit is looked at after each start: what was right and is not now ends the run, at its place."""
    made = make(f"{defect},after=12s")
    cold = cycling.cold_starts(made.unit, lost_since)
    assert len(cold.starts) < 5
    with pytest.raises(UnitFault, match=f"after cold start {len(cold.starts)}, and not") as caught:
        cycling.fail_on_lost(cold.starts)
    assert caught.value.places == (place,)


def test_a_sequential_plan_stops_as_soon_as_it_knows(make: MakeUnit) -> None:
    """0.99 against 0.90 at risks 5 % and 10 %: no acceptance before 24 starts (check value 5.13)."""
    made = make(
        changes={
            "cycling": {
                "start-probability": 0.99,
                "worst-probability": 0.90,
                "confidence": 0.90,
                "plan": "sequential",
                "off": "2.5 s",
            }
        }
    )
    cold = cycling.cold_starts(made.unit)
    assert (len(cold.starts), cold.decision) == (24, Decision.ACCEPT)


def test_a_sequential_plan_goes_on_after_a_failure(make: MakeUnit) -> None:
    """Two failures at once reject (check value 5.13: rejection number 2 for n = 2 to 19), one does not."""
    made = make(
        "no-start,after=4.5s",  # once the unit has booted for the first time
        changes={
            "cycling": {
                "start-probability": 0.99,
                "worst-probability": 0.90,
                "confidence": 0.90,
                "plan": "sequential",
                "off": "2.5 s",
            }
        },
    )
    cold = cycling.cold_starts(made.unit)
    assert (len(cold.starts), len(cold.failed), cold.decision) == (2, 2, Decision.REJECT)


def test_warm_and_short_starts_are_made_besides(good: TwinUnit) -> None:
    """Three of each, with their own time without supply."""
    starts = cycling.other_starts(good.unit)
    assert [start.sort for start in starts] == ["warm"] * 3 + ["short off"] * 3
    assert [start.off for start in starts] == [1.0] * 3 + [0.3] * 3
    assert not [start for start in starts if start.wrong]


def test_a_starting_unit_is_asked_over_a_new_connection(good: TwinUnit) -> None:
    """A unit that was without power knows nothing of the old one: its reset would count as a unit not yet ready."""
    opened: list[float] = []
    link = good.unit.link
    assert isinstance(link, ModbusUnit)
    transport = link.transport
    as_ever = transport.open

    def counted(deadline: float) -> None:
        opened.append(deadline)
        as_ever(deadline)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(transport, "open", counted)
        good.unit.supply.cycle(0.3)  # the twin's own end of the connection stays
        good.unit.wait_until_ready()
    assert opened


def test_a_pause_that_the_unit_rides_through_is_no_start(make: MakeUnit) -> None:
    """A short pause below the hold-up is neither a start nor a failure, and is not timed."""
    made = make(changes={"cycling.short-off": "10 ms"})
    before = len(made.unit.starts)
    starts = cycling.other_starts(made.unit)
    assert [start.took for start in starts[3:]] == [None] * 3
    assert not [start for start in starts if start.wrong]
    assert len(made.unit.starts) == before + 3


def test_every_start_of_a_visit_is_pooled(good: TwinUnit) -> None:
    """Mean, largest and spread are those of the log, with the voltage and the pause of each start."""
    made = good
    made.unit.starts.clear()
    for off in (2.0, 3.0, 4.0):
        made.unit.supply.cycle(off)
        made.unit.wait_until_ready()
    times = start_times(made.unit)
    values = [row[3] for row in times.rows]
    assert [row[2] for row in times.rows] == [2.0, 3.0, 4.0]
    assert times.mean.value == pytest.approx(sum(values) / 3, abs=1e-6)
    assert times.largest.value == pytest.approx(max(values), abs=1e-6)
    assert times.mean.degrees_of_freedom == 2
    assert "3 starts, ready after" in times.in_words()


def test_a_start_is_timed_to_the_interval_of_looking(good: TwinUnit) -> None:
    """A starting unit that is left alone at first is still timed as well as one asked from the beginning.

    The interval of looking and the time in which the supply follows its command, 20 ms each, both rectangular.
    """
    made = good
    for _ in range(3):
        made.unit.restart()
    assert max(start.took.standard_uncertainty for start in made.unit.starts) <= 0.02 * (2 / 12) ** 0.5 * 1.01


def test_a_unit_that_hung_begins_anew_for_the_next_check(make: MakeUnit) -> None:
    """A failed start is left without supply for long enough: what comes next finds a fresh start."""
    made = make("no-start,after=6s,for=6s")
    cold = cycling.cold_starts(made.unit)
    assert cold.failed
    assert not made.unit.supply.is_on
    made.clock.sleep(6.0)
    made.unit.make_ready()


def test_a_unit_that_starts_by_itself_is_found_where_it_counts_its_starts(make: MakeUnit) -> None:
    """In a pause, when nobody talks to it; its supply, too, may have been away for a moment: nobody is blamed."""
    made = make("starts-anew@start,after=20s", defect_files=(UNIT_FAULTS,))
    cycling.fail_on_own_starts(made.unit)
    made.clock.sleep(30.0)
    assert cycling.start_once(made.unit, 1, "cold", 3.0).wrong == ""
    with pytest.raises(UnitOrHarness, match="has started by itself between") as caught:
        cycling.fail_on_own_starts(made.unit)
    assert caught.value.places == ("start",)
