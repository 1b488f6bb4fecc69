"""The states of a soak: one table of (state, event) -> (state, what to journal), and its picture.

Everything that moves a soak is an event of this table; what the journal keeps of a move stands beside it, so that
nothing is kept in one branch and forgotten in another. The samples themselves move nothing and are not here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Any


class SoakPhase(StrEnum):
    """Where a soak stands."""

    STARTING = "starting"  #: the unit is brought into its mode and under its load
    SAMPLING = "sampling"  #: all is well, as far as the samples tell
    EVENT = "event"  #: something of the unit counts; fast samples until it is well again
    CYCLING = "cycling"  #: a planned power cycle
    RESTARTING = "restarting"  #: power off and on because the unit was not well, or did not start
    LOST = "lost"  #: an instrument does not do its part; the slot is safe, or held
    LATCHED = "latched"  #: an interlock opened; the slot is safe until a person acknowledges
    RETURNING = "returning"  #: the stand is back; the unit is brought back into its mode
    NOT_BEGUN = "not begun"
    ENDED = "ended"
    FAILED = "failed"  #: the stand failed for good; the slot is safe, the soak can be resumed


class Event(StrEnum):
    """What moves a soak."""

    RUNNING = "running"  #: the unit is in its mode and under its load
    RESUMED = "resumed"  #: the same, in a soak that was interrupted
    FOUND = "found"  #: something that counts
    COMPLETE = "complete"  #: the burst of an event has all its samples
    RESTART_DUE = "restart due"  #: the plan restarts a unit that an event left unwell
    CYCLE_DUE = "cycle due"
    NO_START = "no start"
    INTERLOCK = "interlock"
    INSTRUMENT_LOST = "instrument lost"
    INSTRUMENT_BACK = "instrument back"
    ACKNOWLEDGED = "interlock acknowledged"
    OVER = "over"  #: the planned end, or the plan stops after the events so far
    STAND_FAILED = "stand failed"


class Keep(StrEnum):
    """What the journal keeps of a move."""

    BEGINNING = "soak started"
    FINDING = "soak event"
    BURST = "burst"
    CUT_BURST = "burst, cut off"
    GAP = "gap"
    NOTE = "note"
    SEAL = "seal"
    END = "soak ended"


#: Where a move leads, and what is kept of it, in this order.
Move = tuple[SoakPhase, tuple[Keep, ...]]

_LOST: Move = (SoakPhase.LOST, (Keep.NOTE,))
_LATCHED: Move = (SoakPhase.LATCHED, (Keep.NOTE,))
_FAILED: Move = (SoakPhase.FAILED, (Keep.SEAL,))
_NOT_STARTED: Move = (SoakPhase.RESTARTING, (Keep.FINDING,))

TABLE: Mapping[SoakPhase, Mapping[Event, Move]] = MappingProxyType(
    {
        SoakPhase.STARTING: {
            Event.RUNNING: (SoakPhase.SAMPLING, (Keep.BEGINNING,)),
            Event.RESUMED: (SoakPhase.SAMPLING, (Keep.GAP,)),
            Event.NO_START: (SoakPhase.NOT_BEGUN, ()),
            Event.STAND_FAILED: (SoakPhase.NOT_BEGUN, ()),
        },
        SoakPhase.SAMPLING: {
            Event.FOUND: (SoakPhase.EVENT, (Keep.FINDING,)),
            Event.RESTART_DUE: (SoakPhase.RESTARTING, ()),
            Event.CYCLE_DUE: (SoakPhase.CYCLING, ()),
            Event.INSTRUMENT_LOST: _LOST,
            Event.INTERLOCK: _LATCHED,
            Event.OVER: (SoakPhase.ENDED, (Keep.END,)),
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.EVENT: {
            Event.FOUND: (SoakPhase.EVENT, (Keep.FINDING,)),
            Event.COMPLETE: (SoakPhase.SAMPLING, (Keep.BURST, Keep.SEAL)),
            Event.INSTRUMENT_LOST: (SoakPhase.LOST, (Keep.NOTE, Keep.CUT_BURST)),
            Event.INTERLOCK: (SoakPhase.LATCHED, (Keep.NOTE, Keep.CUT_BURST)),
            Event.OVER: (SoakPhase.ENDED, (Keep.CUT_BURST, Keep.END)),
            Event.STAND_FAILED: (SoakPhase.FAILED, (Keep.CUT_BURST, Keep.SEAL)),
        },
        SoakPhase.CYCLING: {
            Event.RUNNING: (SoakPhase.SAMPLING, (Keep.GAP,)),
            Event.FOUND: (SoakPhase.CYCLING, (Keep.FINDING,)),
            Event.NO_START: _NOT_STARTED,
            Event.INSTRUMENT_LOST: _LOST,
            Event.INTERLOCK: _LATCHED,
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.RESTARTING: {
            Event.RUNNING: (SoakPhase.SAMPLING, (Keep.GAP,)),
            Event.NO_START: _NOT_STARTED,
            Event.INSTRUMENT_LOST: _LOST,
            Event.INTERLOCK: _LATCHED,
            Event.OVER: (SoakPhase.ENDED, (Keep.GAP, Keep.END)),
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.LOST: {
            Event.INSTRUMENT_BACK: (SoakPhase.RETURNING, (Keep.NOTE,)),
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.LATCHED: {
            Event.ACKNOWLEDGED: (SoakPhase.RETURNING, (Keep.NOTE,)),
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.RETURNING: {
            Event.RUNNING: (SoakPhase.SAMPLING, (Keep.GAP,)),
            Event.NO_START: _NOT_STARTED,
            Event.INSTRUMENT_LOST: _LOST,
            Event.INTERLOCK: _LATCHED,
            Event.STAND_FAILED: _FAILED,
        },
        SoakPhase.NOT_BEGUN: {},
        SoakPhase.ENDED: {},
        SoakPhase.FAILED: {},
    }
)


#: Keeps something of a move: what moved the soak, and the words of the mover.
Keeper = Callable[[Event, Any], None]


class Machine:
    """The state of one soak. `keepers` say how each thing is kept.

    A move that the table does not know is an error of the program: RuntimeError.
    """

    def __init__(self, keepers: Mapping[Keep, Keeper]) -> None:
        self.state = SoakPhase.STARTING
        self._keepers = keepers

    def on(self, event: Event, said: Any = None) -> None:
        """Move, and keep of it what the table says; `said` is what the mover has to say: words, findings."""
        move = TABLE[self.state].get(event)
        if move is None:
            raise RuntimeError(
                f"a soak that is {self.state} knows no {event}; the table of its states is wrong"
            )
        self.state, keeps = move
        for keep in keeps:
            self._keepers[keep](event, said)


def diagram() -> str:
    """Return the table as a Mermaid state diagram, in its own order."""
    lines = ["stateDiagram-v2", f"    [*] --> {SoakPhase.STARTING.name}"]
    lines += [f"    {state.name} : {state}" for state in SoakPhase]
    for state, moves in TABLE.items():
        for event, (after, keep) in moves.items():
            kept = f" / {', '.join(keep)}" if keep else ""
            lines.append(f"    {state.name} --> {after.name} : {event}{kept}")
    lines += [f"    {state.name} --> [*]" for state, moves in TABLE.items() if not moves]
    return "\n".join(lines)
