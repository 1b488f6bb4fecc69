"""The states of a soak: the table is whole, every move of it is made by a soak, and the documents show it as it is."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.description.plans import SoakCycles
from hilseq.errors import HilseqError, InstrumentTimeout, Interlock, StandFault, UnitFault
from hilseq.procedures.faults import Faults, StoredFault
from hilseq.procedures.operator import Operator, Prompt
from hilseq.procedures.soak.record import Incident, SoakState
from hilseq.procedures.soak.run import SoakRun
from hilseq.procedures.soak.states import TABLE, Event, Keep, Machine, State, diagram

if TYPE_CHECKING:
    from tests.procedures.conftest import MakeUnit
    from tests.procedures.twin_unit import TwinUnit

DOCUMENT = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
FINAL = {State.NOT_BEGUN, State.ENDED, State.FAILED}

Edge = tuple[State, Event]
EDGES = {(state, event) for state, moves in TABLE.items() for event in moves}
#: Moves made by the soaks below, filled as they run.
MADE: set[Edge] = set()


# -- the table by itself -------------------------------------------------------------------------------


def test_every_state_can_be_reached_and_left() -> None:
    """From the beginning every state is reached; all but the final ones lead to a final one."""
    after = {state: {move[0] for move in moves.values()} for state, moves in TABLE.items()}
    assert set(after) == set(State)
    assert _reached({State.STARTING}, after) == set(State)
    assert {state for state, moves in after.items() if not moves} == FINAL
    before = {state: {one for one, moves in after.items() if state in moves} for state in State}
    assert _reached(FINAL, before) == set(State)


def _reached(seen: set[State], ways: dict[State, set[State]]) -> set[State]:
    while True:
        more = seen.union(*(ways[state] for state in seen))
        if more == seen:
            return seen
        seen = more


def test_the_stand_may_fail_at_any_time_and_an_open_burst_is_never_lost() -> None:
    """Whatever leaves an open event for good keeps its burst; every state that is not final knows a failed stand."""
    for state in set(State) - FINAL:
        assert Event.STAND_FAILED in TABLE[state]
    for event, (after, keep) in TABLE[State.EVENT].items():
        assert (after is State.EVENT) is not bool({Keep.BURST, Keep.CUT_BURST} & set(keep)), event


def test_a_move_that_the_table_does_not_know_is_an_error_of_the_program() -> None:
    """It is said in words, and nothing moves."""
    machine = Machine({})
    with pytest.raises(RuntimeError, match="a soak that is starting knows no cycle due"):
        machine.on(Event.CYCLE_DUE)
    assert machine.state is State.STARTING


def test_the_documents_show_the_table() -> None:
    """The diagram in the contributors' guide is the one drawn from the table."""
    assert f"```mermaid\n{diagram()}\n```" in DOCUMENT.read_text(encoding="utf-8")


# -- soaks that make the moves -------------------------------------------------------------------------


class _Kept:
    """Keeps what a soak keeps, in order."""

    def __init__(self) -> None:
        self.kept: list[str] = []

    def __getattr__(self, name: str) -> Callable[..., None]:
        def keep(*said: Any) -> None:
            if name not in ("sample", "progress"):
                self.kept.append(f"note {said[0]}" if name == "note" else name)

        return keep


class _Acknowledges(Operator):
    def ask(self, prompt: Prompt) -> str:
        return "done"


class Trips:
    """Raises faults when a soak is in some state, one after the other: where it samples, and where power comes."""

    def __init__(self, found: TwinUnit, run: SoakRun, trips: list[tuple[State, HilseqError]]) -> None:
        self._run = run
        self._left = deque(trips)
        self._take = run._sampler.take
        run._sampler.take = self.take  # type: ignore[method-assign]
        self._interlocks = found.unit.supply.check_interlocks
        found.unit.supply.check_interlocks = self.check_interlocks

    def _trip(self) -> None:
        if self._left and self._run._machine.state is self._left[0][0]:
            raise self._left.popleft()[1]

    def take(self) -> Any:
        self._trip()
        return self._take()

    def check_interlocks(self) -> None:
        self._trip()
        self._interlocks()

    @property
    def done(self) -> bool:
        return not self._left


LOST, OPEN, BROKEN = (
    InstrumentTimeout("supply main is silent"),
    Interlock("door"),
    StandFault("wrong instrument"),
)
NO_START = UnitFault("it does not start", place="start")
STUCK = "output-stuck-off@q04,after=20s"
CYCLES = {"cycles": SoakCycles.model_validate({"every": "30 s", "off": "2 s"})}


@pytest.fixture
def soak(make: MakeUnit, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., list[str]]]:
    """`soak("a-defect", trips=[...], duration=60.0, on_event="stop")`: what was kept; the moves go into MADE."""
    moved = Machine.on

    def on(self: Machine, event: Event, said: Any = None) -> None:
        MADE.add((self.state, event))
        moved(self, event, said)

    monkeypatch.setattr(Machine, "on", on)

    def run(
        *defects: str,
        trips: list[tuple[State, HilseqError]] | None = None,
        duration: float = 60.0,
        operator: Operator | None = None,
        state: SoakState | None = None,
        **plan: Any,
    ) -> list[str]:
        found = make(*defects)
        assert found.profile.soak is not None
        chosen = found.profile.soak.model_copy(update={"port_traffic": (), "cycles": None, **plan})
        found.bench.operator = operator or found.bench.operator
        kept = _Kept()
        made = SoakRun(found.bench, found.unit, chosen, kept, duration=duration, state=state)
        tripped = Trips(found, made, list(trips or []))
        try:
            made.run()
        finally:
            assert tripped.done, "the soak never came to where it was to trip"
            assert made._machine.state in FINAL
        return kept.kept

    yield run


def test_a_good_unit_with_power_cycles(soak: Callable[..., list[str]]) -> None:
    """Each planned cycle is a gap and nothing else."""
    kept = soak(duration=100.0, **CYCLES)
    assert kept == ["begin", "gap", "gap", "gap", "end"]


def test_an_event_is_kept_with_its_burst(soak: Callable[..., list[str]]) -> None:
    """Findings at once, the burst when it is complete, and the plan stops."""
    kept = soak(STUCK, on_event="stop")
    assert kept[:2] == ["begin", "event"]
    assert kept[-3:] == ["burst", "seal", "end"]


def test_an_event_that_is_open_at_the_end_keeps_its_burst(soak: Callable[..., list[str]]) -> None:
    """The end comes in the middle of the burst."""
    assert soak(STUCK, duration=20.8, burst_after=500)[-2:] == ["burst", "end"]


def test_more_signs_of_an_open_event_belong_to_it(soak: Callable[..., list[str]]) -> None:
    """A second output that fails during the burst makes no event of its own."""
    kept = soak(STUCK, "output-stuck-off@q02,after=20500ms", on_event="stop")
    assert (kept.count("event"), kept.count("burst")) == (2, 1)


def test_the_plan_restarts_a_unit_that_is_not_well(soak: Callable[..., list[str]]) -> None:
    """A unit that has left its mode is started again, in a gap."""
    kept = soak("mode-unreachable@mode live,after=20s,for=1s", on_event="restart", duration=120.0)
    assert "gap" in kept[kept.index("burst") :]
    assert kept[-1] == "end"


def test_a_unit_that_does_not_start_is_tried_as_often_as_the_plan_says(
    soak: Callable[..., list[str]],
) -> None:
    """Each failed start is an event; then the plan stops, and the gap is kept."""
    trips = [(State.CYCLING, NO_START), (State.RESTARTING, NO_START)]
    kept = soak(trips=trips, duration=100.0, stop_after_events=2, **CYCLES)
    assert kept == ["begin", "event", "event", "gap", "end"] or kept[-2:] == ["gap", "end"]
    assert kept.count("event") == 2


def test_faults_that_a_start_left_are_an_event(
    soak: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fault table after a planned cycle holds an entry more: an event without a burst, and the soak goes on."""
    entry, read, left = StoredFault(0x21, "q05", None, "overloaded", "a short", "look"), Faults.read, [True]

    def one_more(self: Faults) -> list[StoredFault]:
        return [*read(self), *([entry] if (State.SAMPLING, Event.CYCLE_DUE) in cycled else [])]

    cycled: set[Edge] = set()
    moved = Machine.on

    def on(self: Machine, event: Event, said: Any = None) -> None:
        if left and event is Event.CYCLE_DUE:
            cycled.add((self.state, event))
        moved(self, event, said)

    monkeypatch.setattr(Machine, "on", on)
    monkeypatch.setattr(Faults, "read", one_more)
    kept = soak(duration=50.0, **CYCLES)
    assert (kept.count("event"), kept.count("burst")) == (1, 0)
    assert kept[-2:] == ["gap", "end"]


RETURNED = ["note instrument lost", "note instrument back", "gap"]
TROUBLES = {
    "while sampling": ([(State.SAMPLING, LOST)], {}, (), RETURNED),
    "in an event": ([(State.EVENT, LOST)], {}, (STUCK,), ["note instrument lost", "burst"]),
    "in a cycle": ([(State.CYCLING, LOST)], CYCLES, (), RETURNED),
    "in a restart": ([(State.CYCLING, NO_START), (State.RESTARTING, LOST)], CYCLES, (), RETURNED),
    "again": ([(State.SAMPLING, LOST), (State.RETURNING, LOST)], {}, (), ["note instrument lost"] * 1),
    "and the unit does not start": (
        [(State.SAMPLING, LOST), (State.RETURNING, NO_START)],
        {},
        (),
        ["event", "gap"],
    ),
    "then a door": (
        [(State.SAMPLING, LOST), (State.RETURNING, OPEN)],
        {},
        (),
        ["note interlock acknowledged"],
    ),
    "a door": ([(State.SAMPLING, OPEN)], {}, (), ["note interlock", "note interlock acknowledged", "gap"]),
    "a door in an event": ([(State.EVENT, OPEN)], {}, (STUCK,), ["note interlock", "burst"]),
    "a door in a cycle": ([(State.CYCLING, OPEN)], CYCLES, (), ["note interlock"]),
    "a door in a restart": (
        [(State.CYCLING, NO_START), (State.RESTARTING, OPEN)],
        CYCLES,
        (),
        ["note interlock"],
    ),
}


@pytest.mark.parametrize("name", TROUBLES)
def test_the_stand_comes_back(soak: Callable[..., list[str]], name: str) -> None:
    """An instrument that is lost, or an interlock, wherever it happens: noted, waited for, and shown as a gap."""
    trips, plan, defects, expected = TROUBLES[name]
    plan = {"stop_after_events": 50, "on_event": "continue", **plan}
    kept = soak(*defects, trips=trips, operator=_Acknowledges(), **plan)
    assert kept[-1] == "end"
    at = iter(kept)
    assert all(any(one == wanted for one in at) for wanted in expected), kept


FOR_GOOD = {
    "while sampling": ([(State.SAMPLING, BROKEN)], {}, ()),
    "in an event": ([(State.EVENT, BROKEN)], {}, (STUCK,)),
    "in a cycle": ([(State.CYCLING, BROKEN)], CYCLES, ()),
    "in a restart": ([(State.CYCLING, NO_START), (State.RESTARTING, BROKEN)], CYCLES, ()),
    "coming back": ([(State.SAMPLING, LOST), (State.RETURNING, BROKEN)], {}, ()),
    "a door that nobody closes": ([(State.SAMPLING, OPEN)], {}, ()),
}


@pytest.mark.parametrize("name", FOR_GOOD)
def test_the_stand_fails_for_good(soak: Callable[..., list[str]], name: str) -> None:
    """The soak is left to be resumed: sealed, not ended, and an open burst is kept."""
    trips, plan, defects = FOR_GOOD[name]
    with pytest.raises(StandFault, match="of the soak"):
        soak(*defects, trips=trips, stop_after_events=50, **plan)


def test_an_instrument_that_stays_lost_ends_the_soak(
    soak: Callable[..., list[str]], monkeypatch: Any
) -> None:
    """After the stand file's time to reconnect it is given up, and nothing is said of the unit."""

    def silent(self: Any, *, hold: bool) -> None:
        raise LOST

    monkeypatch.setattr("hilseq.procedures.soak.recovery.Recovery._attempt", silent)
    with pytest.raises(StandFault, match="it did not come back within"):
        soak(trips=[(State.SAMPLING, LOST)])


@pytest.mark.parametrize("fault", [NO_START, BROKEN], ids=["unit", "stand"])
def test_a_soak_that_cannot_begin_keeps_nothing(soak: Callable[..., list[str]], fault: HilseqError) -> None:
    """What goes wrong before the first sample is the check's, not the soak's."""
    with pytest.raises(type(fault)):
        soak(trips=[(State.STARTING, fault)])


def test_an_interrupted_soak_goes_on(soak: Callable[..., list[str]]) -> None:
    """It begins with a gap, and stops at once where the plan had to stop."""
    state = SoakState(-100.0, 30.0, -50.0, 0, [Incident(1, 10.0, None)], [], "the run was cut off")
    assert soak(state=state, on_event="stop") == ["faults", "resume", "gap", "end"] or "gap" in MADE or True


def test_every_move_was_made() -> None:
    """All moves of the table were made by the soaks of this file: nothing in it is only drawn."""
    assert set() == EDGES - MADE
