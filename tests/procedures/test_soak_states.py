"""The states of a soak: the table is whole, every move of it is made by a soak, and the documents show it as it is."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

from hilseq.description.plans import SoakCycles
from hilseq.description.profile import Mode
from hilseq.errors import HilseqError, InstrumentTimeout, Interlock, StandFault, UnitFault
from hilseq.journal.entries import StoredFault
from hilseq.journal.run_state import Incident, SoakFinding, SoakState
from hilseq.procedures.memory import Faults
from hilseq.procedures.operator import Operator, Prompt
from hilseq.procedures.soak.record import ResumedSoak, SoakRecorder
from hilseq.procedures.soak.run import SoakRun
from hilseq.procedures.soak.states import TABLE, Event, Keep, Machine, SoakPhase, diagram
from tests.journals import soak_started

if TYPE_CHECKING:
    from tests.procedures.conftest import MakeUnit
    from tests.procedures.twin_unit import TwinUnit

DOCUMENT = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
FINAL = {SoakPhase.NOT_BEGUN, SoakPhase.ENDED, SoakPhase.FAILED}

Edge = tuple[SoakPhase, Event]
EDGES = {(state, event) for state, moves in TABLE.items() for event in moves}


# -- the table by itself -------------------------------------------------------------------------------


def test_every_state_can_be_reached_and_left() -> None:
    """From the beginning every state is reached; all but the final ones lead to a final one."""
    after = {state: {move[0] for move in moves.values()} for state, moves in TABLE.items()}
    assert set(after) == set(SoakPhase)
    assert _reached({SoakPhase.STARTING}, after) == set(SoakPhase)
    assert {state for state, moves in after.items() if not moves} == FINAL
    before = {state: {one for one, moves in after.items() if state in moves} for state in SoakPhase}
    assert _reached(FINAL, before) == set(SoakPhase)


def _reached(seen: set[SoakPhase], ways: dict[SoakPhase, set[SoakPhase]]) -> set[SoakPhase]:
    while True:
        more = seen.union(*(ways[state] for state in seen))
        if more == seen:
            return seen
        seen = more


def test_the_stand_may_fail_at_any_time_and_an_open_burst_is_never_lost() -> None:
    """Whatever leaves an open event for good keeps its burst; every state that is not final knows a failed stand."""
    for state in set(SoakPhase) - FINAL:
        assert Event.STAND_FAILED in TABLE[state]
    for event, (after, keep) in TABLE[SoakPhase.EVENT].items():
        assert (after is SoakPhase.EVENT) is not bool({Keep.BURST, Keep.CUT_BURST} & set(keep)), event


def test_a_move_that_the_table_does_not_know_is_an_error_of_the_program() -> None:
    """It is said in words, and nothing moves."""
    machine = Machine({})
    with pytest.raises(RuntimeError, match="a soak that is starting knows no cycle due"):
        machine.on(Event.CYCLE_DUE)
    assert machine.state is SoakPhase.STARTING


def test_the_documents_show_the_table() -> None:
    """The diagram in the contributors' guide is the one drawn from the table."""
    assert f"```mermaid\n{diagram()}\n```" in DOCUMENT.read_text(encoding="utf-8")


# -- soaks that make the moves -------------------------------------------------------------------------


class _Kept:
    """A recorder that lists what it is commanded to keep; samples and progress are left out."""

    slot, check, file = "A", "soak", "samples-A.bin"

    def __init__(self) -> None:
        self.kept: list[str] = []

    def __getattr__(self, name: str) -> Callable[..., None]:
        def keep(*said: Any) -> None:
            if name not in ("sample", "progress"):
                self.kept.append(f"note {said[0]}" if name == "note" else name)

        return keep


class _Acknowledges(Operator):
    """A person who puts everything right."""

    def ask(self, _: Prompt) -> str:
        return "done"


class Trips:
    """Raises faults when a soak is in some state, one after the other.

    Where it samples, where power comes, and where it moves the unit.
    """

    def __init__(
        self, found: TwinUnit, run: SoakRun, trips: tuple[tuple[SoakPhase, HilseqError], ...]
    ) -> None:
        self._machine = run._machine
        self.left = deque(trips)
        self._take, self._interlocks = run._sampler.take, found.unit.supply.check_interlocks
        run._sampler.take = self.take  # type: ignore[method-assign]
        found.unit.supply.check_interlocks = self.check_interlocks
        self._move_to = found.unit.modes.move_to
        found.unit.modes.move_to = self.move_to  # type: ignore[method-assign]

    def _trip(self, *, of_unit: bool = False) -> None:
        if self.left and self._machine.state is self.left[0][0]:
            fault = self.left[0][1]
            if isinstance(fault, UnitFault) is of_unit:
                self.left.popleft()
                raise fault

    def take(self) -> Any:
        self._trip()
        return self._take()

    def move_to(self, mode: Mode) -> Any:
        self._trip(of_unit=True)
        return self._move_to(mode)

    def check_interlocks(self) -> None:
        self._trip()
        self._interlocks()


LOST, OPEN, BROKEN = (
    InstrumentTimeout("supply main is silent"),
    Interlock("the door is open"),
    StandFault("wrong"),
)
NO_START = UnitFault("it does not start", place="start")
STUCK = "output-stuck-off@q03,after=20s"
LEAVES = "mode-unreachable@mode live,after=20s,for=40s"
CYCLES = {"cycles": SoakCycles.model_validate({"every": "30 s", "off": "2 s"})}
#: An interrupted soak: begun 100 s ago, with one event.
BEFORE = ResumedSoak(
    SoakState(
        soak_started(duration=130.0, zero=-100.0),
        incidents=[Incident(1, 10.0, None, [SoakFinding("reset", "start", "once")])],
    ),
    samples=50,
    last=-50.0,
    ends={},
    why="cut off",
)


@dataclass(frozen=True)
class Soaking:
    """One soak: what is wrong, what trips it and where, and the moves that it has to make, in order."""

    moves: tuple[Edge, ...]
    defects: tuple[str, ...] = ()
    trips: tuple[tuple[SoakPhase, HilseqError], ...] = ()
    plan: dict[str, Any] = field(default_factory=dict)
    duration: float = 60.0
    state: ResumedSoak | None = None
    #: What is raised in the end.
    ends: type[HilseqError] | None = None


S, E = SoakPhase, Event
BEGIN, END = (S.STARTING, E.RUNNING), (S.SAMPLING, E.OVER)
LOSE, DOOR = (S.SAMPLING, E.INSTRUMENT_LOST), (S.SAMPLING, E.INTERLOCK)
BACK, ACKNOWLEDGED = (S.LOST, E.INSTRUMENT_BACK), (S.LATCHED, E.ACKNOWLEDGED)
RETURN, CYCLE, CYCLED = (S.RETURNING, E.RUNNING), (S.SAMPLING, E.CYCLE_DUE), (S.CYCLING, E.RUNNING)
FIND, DONE = (S.SAMPLING, E.FOUND), (S.EVENT, E.COMPLETE)
FAILS, AGAIN = (S.CYCLING, E.NO_START), (S.RESTARTING, E.RUNNING)

SOAKS = {
    "a good unit with power cycles": Soaking((BEGIN, CYCLE, CYCLED, CYCLE, CYCLED, END), plan=CYCLES,
        duration=80.0),
    "an event, and the plan stops": Soaking((BEGIN, FIND, DONE, END), (STUCK,), plan={"on_event": "stop"}),
    "an event that is open at the end": Soaking((BEGIN, FIND, (S.EVENT, E.OVER)), (STUCK,),
        plan={"burst_after": 500}, duration=21.0),
    "more signs of an open event": Soaking((BEGIN, FIND, (S.EVENT, E.FOUND), DONE, END),
        (STUCK, "output-stuck-off@q05,after=24s"), plan={"on_event": "stop", "burst_after": 80}),
    "a unit that leaves its mode is restarted": Soaking((BEGIN, FIND, DONE, (S.SAMPLING, E.RESTART_DUE), AGAIN, END),
        (LEAVES,), plan={"on_event": "restart"}, duration=120.0),
    "a unit that does not start": Soaking((BEGIN, CYCLE, FAILS, (S.RESTARTING, E.NO_START), (S.RESTARTING, E.OVER)),
        trips=((S.CYCLING, NO_START), (S.RESTARTING, NO_START)), plan={**CYCLES, "stop_after_events": 2}),
    "faults that a start left": Soaking((BEGIN, CYCLE, (S.CYCLING, E.FOUND), CYCLED, END), ("stored",),
        plan=CYCLES, duration=50.0),
    "lost while sampling": Soaking((BEGIN, LOSE, BACK, RETURN, END), trips=((S.SAMPLING, LOST),)),
    "lost in an event": Soaking((BEGIN, FIND, (S.EVENT, E.INSTRUMENT_LOST), BACK, RETURN), (STUCK,),
        ((S.EVENT, LOST),)),
    "lost in a cycle": Soaking((BEGIN, CYCLE, (S.CYCLING, E.INSTRUMENT_LOST), BACK, RETURN),
        trips=((S.CYCLING, LOST),), plan=CYCLES),
    "lost in a restart": Soaking((BEGIN, CYCLE, FAILS, (S.RESTARTING, E.INSTRUMENT_LOST), BACK, RETURN),
        trips=((S.CYCLING, NO_START), (S.RESTARTING, LOST)), plan=CYCLES),
    "lost again while it returns": Soaking((BEGIN, LOSE, BACK, (S.RETURNING, E.INSTRUMENT_LOST), BACK, RETURN, END),
        trips=((S.SAMPLING, LOST), (S.RETURNING, LOST))),
    "back, and the unit does not start": Soaking((BEGIN, LOSE, BACK, (S.RETURNING, E.NO_START), AGAIN, END),
        trips=((S.SAMPLING, LOST), (S.RETURNING, NO_START))),
    "a door while it returns": Soaking((BEGIN, LOSE, BACK, (S.RETURNING, E.INTERLOCK), ACKNOWLEDGED, RETURN, END),
        trips=((S.SAMPLING, LOST), (S.RETURNING, OPEN))),
    "a door": Soaking((BEGIN, DOOR, ACKNOWLEDGED, RETURN, END), trips=((S.SAMPLING, OPEN),)),
    "a door in an event": Soaking((BEGIN, FIND, (S.EVENT, E.INTERLOCK), ACKNOWLEDGED, RETURN), (STUCK,),
        ((S.EVENT, OPEN),)),
    "a door in a cycle": Soaking((BEGIN, CYCLE, (S.CYCLING, E.INTERLOCK), ACKNOWLEDGED, RETURN),
        trips=((S.CYCLING, OPEN),), plan=CYCLES),
    "a door in a restart": Soaking((BEGIN, CYCLE, FAILS, (S.RESTARTING, E.INTERLOCK), ACKNOWLEDGED, RETURN),
        trips=((S.CYCLING, NO_START), (S.RESTARTING, OPEN)), plan=CYCLES),
    "a stand that fails": Soaking((BEGIN, (S.SAMPLING, E.STAND_FAILED)), trips=((S.SAMPLING, BROKEN),),
        ends=StandFault),
    "a stand that fails in an event": Soaking((BEGIN, FIND, (S.EVENT, E.STAND_FAILED)), (STUCK,),
        ((S.EVENT, BROKEN),), ends=StandFault),
    "a stand that fails in a cycle": Soaking((BEGIN, CYCLE, (S.CYCLING, E.STAND_FAILED)),
        trips=((S.CYCLING, BROKEN),), plan=CYCLES, ends=StandFault),
    "a stand that fails in a restart": Soaking((BEGIN, CYCLE, FAILS, (S.RESTARTING, E.STAND_FAILED)),
        trips=((S.CYCLING, NO_START), (S.RESTARTING, BROKEN)), plan=CYCLES, ends=StandFault),
    "a stand that fails while it returns": Soaking((BEGIN, LOSE, BACK, (S.RETURNING, E.STAND_FAILED)),
        trips=((S.SAMPLING, LOST), (S.RETURNING, BROKEN)), ends=StandFault),
    "an instrument that stays lost": Soaking((BEGIN, LOSE, (S.LOST, E.STAND_FAILED)),
        ("supply-silent,after=20s",), ends=StandFault),
    "a door that nobody closes": Soaking((BEGIN, DOOR, (S.LATCHED, E.STAND_FAILED)),
        trips=((S.SAMPLING, OPEN),), ends=Interlock),
    "a unit that does not begin": Soaking(((S.STARTING, E.NO_START),), trips=((S.STARTING, NO_START),),
        ends=UnitFault),
    "a stand that does not begin": Soaking(((S.STARTING, E.STAND_FAILED),), trips=((S.STARTING, BROKEN),),
        ends=StandFault),
    "an interrupted soak": Soaking(((S.STARTING, E.RESUMED), END), state=BEFORE, duration=130.0),
}  # fmt: skip


def test_the_soaks_make_every_move() -> None:
    """Nothing in the table is only drawn."""
    assert {move for soak in SOAKS.values() for move in soak.moves} == EDGES


@pytest.mark.whole_run
@pytest.mark.parametrize("name", SOAKS)
def test_a_soak_moves_as_the_table_says(make: MakeUnit, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Each soak makes its moves, in their order, and the journal keeps of each what the table says."""
    soak = SOAKS[name]
    made: list[Edge] = []
    kept = _Kept()
    moved, read = Machine.on, Faults.read

    def on(self: Machine, event: Event, said: Any = None) -> None:
        before, made_before = len(kept.kept), (self.state, event)
        made.append(made_before)
        moved(self, event, said)
        wanted = [_WRITES.get(keep, "") for keep in TABLE[made_before[0]][event][1]]
        written = [one.split()[0] for one in kept.kept[before:]]
        assert [one for one in written if one in _WRITES.values()] == [one for one in wanted if one], (
            made_before
        )

    def one_more(self: Faults) -> list[StoredFault]:
        named = {"code": 0x21, "place": "q05", "meaning": "overloaded", "cause": "a short", "remedy": "look"}
        entry = StoredFault(time=None, **named)
        return [*read(self), *([entry] if CYCLE in made else [])]

    monkeypatch.setattr(Machine, "on", on)
    defects = tuple(defect for defect in soak.defects if defect != "stored")
    if defects != soak.defects:
        monkeypatch.setattr(Faults, "read", one_more)
    found = make(*defects, stand_changes={"safety.reconnect-timeout": "1 min"})
    if soak.ends is None:
        found.bench.operator = _Acknowledges()
    assert found.profile.soak is not None
    usual: dict[str, Any] = {
        "port_traffic": [],
        "cycles": None,
        "on_event": "continue",
        "stop_after_events": 50,
    }
    plan = found.profile.soak.model_copy(update={**usual, **soak.plan})
    run = SoakRun(
        found.bench, found.unit, plan, cast("SoakRecorder", kept), duration=soak.duration, state=soak.state
    )
    trips = Trips(found, run, soak.trips)
    if soak.ends is None:
        run.run()
    else:
        with pytest.raises(soak.ends):
            run.run()
    assert not trips.left, "the soak never came to where it was to trip"
    assert run._machine.state in FINAL
    at = iter(made)
    assert all(any(one == move for one in at) for move in soak.moves), made


#: What the recorder is reported for each thing that is kept of a move; findings come one by one.
_WRITES = {
    Keep.BEGINNING: "begin",
    Keep.BURST: "burst",
    Keep.CUT_BURST: "burst",
    Keep.GAP: "gap",
    Keep.NOTE: "note",
    Keep.SEAL: "seal",
    Keep.END: "end",
}
