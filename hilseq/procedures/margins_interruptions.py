"""Interruptions of the supply, longer and longer, until the unit no longer rides through."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from hilseq.analysis.digital_input import BETWEEN_INTERRUPTIONS, LONGEST_INTERRUPTION, InterruptionClass
from hilseq.analysis.limits import Limits
from hilseq.analysis.search import Bisection, Edge
from hilseq.clock import Clock
from hilseq.description.profile import Mode, Profile
from hilseq.errors import UnitFault
from hilseq.measured import Measured
from hilseq.procedures.margins import margins_of
from hilseq.procedures.unit import Unit

#: A start is given so much longer than the shortest seen before the unit is asked whether it started.
_SURELY_READY = 1.25


@dataclass(slots=True)
class RideThrough:
    """The search for the longest interruption survived: its edge (s), and each trial."""

    edge: Edge
    longest: Measured
    rows: list[tuple[float, float, str]] = field(default_factory=list)

    @property
    def value(self) -> Measured:
        """Longest interruption survived, s: the middle of the edge, or the longest tried if all were.

        The edge's width (rectangular) and what is not known of the interruption's length add in quadrature.
        """
        width = self.edge.standard_uncertainty or 0.0
        middle = self.edge.middle
        if middle is None:
            middle = 0.0 if self.edge.passes is None else self.edge.passes
        return Measured(middle, "s", math.hypot(width, self.longest.standard_uncertainty))

    def in_words(self) -> str:
        """Return the finding, its resolution, and how well the length of an interruption is known."""
        found = self.edge.describe(lambda seconds: f"{1e3 * seconds:.4g} ms")
        unknown = 1e3 * self.longest.expanded_uncertainty
        return f"{found}; the supply makes an interruption to ±{unknown:.3g} ms (k = 2)"


def claimed_ride_through(profile: Profile) -> Limits:
    """Return the interruption that must be survived, s: the profile's, and that of its IEC 61131-2 class."""
    name = profile.ratings.interruption_class
    of_class = LONGEST_INTERRUPTION[InterruptionClass(name)] if name is not None else 0.0
    return Limits(max(margins_of(profile).ride_through, of_class), None)


def ride_through_search(profile: Profile) -> Bisection:
    """Return the search over the length of an interruption, s; it ends at the longest the profile allows."""
    plan = margins_of(profile)
    return Bisection(0.0, plan.longest_interruption, plan.resolution, plan.repeats)


def find_ride_through(unit: Unit, clock: Clock) -> RideThrough:
    """Interrupt the supply of a live unit with every output on, for longer and longer, until it starts anew.

    After each interruption that it did not ride through, the unit must come back by itself: UnitFault, place
    `start`, when it does not.
    """
    search = ride_through_search(unit.profile)
    rows: list[tuple[float, float, str]] = []
    length = Measured(0.0, "s")
    sensed = unit.outputs.drive(*unit.outputs.names)
    on = {name for name, is_on in sensed.items() if is_on}
    while (wanted := search.next_point()) is not None:
        length, survived = _survives(unit, wanted, on, clock)
        rows.append((wanted, length.value, "rode through" if survived else "started anew"))
        search.tell(passed=survived)
    return RideThrough(search.found(), length, rows)


def _survives(unit: Unit, seconds: float, on: set[str], clock: Clock) -> tuple[Measured, bool]:
    """Interrupt once; tell how long it was and whether the unit rode through. Afterwards it is live."""
    counter = unit.profile.link.starts
    before = None if counter is None else unit.link.read(counter)
    length = unit.supply.interrupt(seconds)
    back = clock.now()
    if counter is None:
        survived = _is_live(unit, on)
        clock.sleep_until(back + BETWEEN_INTERRUPTIONS)
    else:
        usual = min((start.took.value for start in unit.starts), default=unit.profile.start.ready_within)
        clock.sleep_until(back + max(BETWEEN_INTERRUPTIONS, _SURELY_READY * usual))
        survived = _reads(unit, before) and _is_live(unit, on)
    if not survived:
        _comes_back(unit, back, length, clock)
    return length, survived


def _reads(unit: Unit, before: float | None) -> bool:
    counter = unit.profile.link.starts
    assert counter is not None
    try:
        return unit.link.read(counter) == before
    except UnitFault:
        return False


def _is_live(unit: Unit, on: set[str]) -> bool:
    """Tell whether the unit is still live, and the outputs still on that were on before."""
    try:
        if unit.modes.reported() is not Mode.LIVE:
            return False
    except UnitFault:
        return False
    sensed = unit.outputs.sensed()
    return all(sensed[name] for name in on)


def _comes_back(unit: Unit, since: float, length: Measured, clock: Clock) -> None:
    """Wait for a unit that started anew, and bring it live again. Raises UnitFault when it does not start."""
    supply, after = unit.supply, f"after an interruption of {1e3 * length.value:.4g} ms"
    supply.came_back(since, length.value)
    try:
        unit.wait_until_ready(measured=False)
    except UnitFault as fault:
        supply.power_off()
        raise UnitFault(f"{after} the unit does not start by itself: {fault}", place="start") from fault
    if unit.modes.follows_switch(Mode.LIVE):
        took = unit.modes.wait_for(Mode.LIVE, clock.now())
        if took is None:
            raise UnitFault(
                f"{after} the unit starts, but is {unit.modes.reported()} though its switch says {Mode.LIVE}",
                place=f"mode {Mode.LIVE}",
            )
    else:
        unit.modes.move_to(Mode.LIVE)
    unit.outputs.command(*unit.outputs.names)
    clock.sleep(BETWEEN_INTERRUPTIONS)
