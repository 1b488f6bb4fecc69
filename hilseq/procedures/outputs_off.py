"""Demanding outputs where they must be off: whenever the unit leaves live, is not live, or has started anew.

What is seen meanwhile is kept by the unit's `OffWatch`; these only make the demands and let time pass.
"""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.errors import UnitOrHarness
from hilseq.procedures.unit import Unit

#: For how long the outputs are watched after a change, s.
AFTERWARDS = 3.0


def demand_everything(unit: Unit) -> None:
    """Command every output on, and every analog output to the upper end of its range."""
    if unit.outputs.names:
        unit.outputs.command(*unit.outputs.names)
    channels = unit.analog.channels
    unit.analog.set({name: c.point.scale.high for name, c in channels.items() if c.is_output})


def demand_nothing(unit: Unit) -> None:
    """Command every output off, and every analog output to its lower end."""
    if unit.outputs.names:
        unit.outputs.command()
    unit.analog.release()


def change_demanded(unit: Unit, before: Mode, after: Mode, clock: Clock) -> None:
    """Go from one mode to another that is not live, everything demanded on; keep demanding for some seconds.

    Raises UnitFault where something was on that had to be off.
    """
    try:
        unit.modes.move_to(before)
        demand_everything(unit)
        clock.sleep(unit.outputs.settle)
        unit.modes.move_to(after)
        unit.off_watch.watch_closely(AFTERWARDS)
        clock.sleep(AFTERWARDS)
    finally:
        demand_nothing(unit)
    fail_on_seen(unit)


def restart_demanded(unit: Unit, clock: Clock) -> None:
    """Take the supply away from a live unit with everything on; live again, nothing may come on before a command.

    Raises UnitFault where something did.
    """
    unit.modes.move_to(Mode.LIVE)
    demand_everything(unit)
    clock.sleep(unit.outputs.settle)
    unit.restart()
    if unit.modes.follows_switch(Mode.LIVE):
        unit.modes.wait_for(Mode.LIVE, clock.now())
    else:
        unit.modes.move_to(Mode.LIVE)
    unit.off_watch.watch_closely(AFTERWARDS)
    clock.sleep(AFTERWARDS)
    fail_on_seen(unit)


def fail_on_seen(unit: Unit) -> None:
    """Raise UnitFault with everything that was seen on where it had to be off, and has not been reported yet.

    UnitOrHarness for outputs of which each was on in single looks only: a channel that flickers shows the same.
    """
    places, words, doubtful = unit.off_watch.unreported()
    if places and doubtful:
        raise UnitOrHarness(
            f"{words}: each in single looks only, by one channel, which may flicker",
            places=places,
        )
    unit.fail_at(places, words)
