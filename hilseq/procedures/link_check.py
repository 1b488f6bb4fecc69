"""Unit, link, or the path between: what a link that does not answer is weighed with before anybody is blamed.

The witnesses are those that need no link: the lamp and the current as the stand sees them, and whether somebody takes
connections at the unit's address. A unit that is dark, or draws what no healthy one draws, is at fault; one that
looks well is not, since a cable, a switch or an address would look the same.
"""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.description.profile import Indicator
from hilseq.errors import LinkLost, UnitFault
from hilseq.procedures.polling import poll
from hilseq.procedures.unit import Unit
from hilseq.quantities import show_duration

#: Where a link is at fault, or its path.
PLACE = "link"


def recheck_link(unit: Unit, clock: Clock, failures: int) -> str:
    """Say what became of a link of which `failures` exchanges failed during a check; empty when nothing did.

    A link that was away and answers again, of a unit that did not start anew meanwhile, is no fault of the unit: its
    check is to be repeated, and what is returned says why. Raises LinkLost for one that stays away as long as the
    stand file's `reconnect-timeout` of a unit that looks well. A unit that does not look well is for the check to
    blame: then nothing is said.
    """
    if not unit.supply.is_on:
        return ""
    reason = _trouble(unit)
    if not reason and not failures:
        return ""
    patience = unit.described.link.reconnect_timeout
    well, seen = witnesses(unit)
    if not well:
        return ""
    if reason:
        back = poll(
            clock,
            lambda: not _trouble(unit, reraise=True),
            within=patience,
            since=clock.now(),
            link_deadline=unit.described.link.deadline,
        )
        well, seen = witnesses(unit)
        if not well:
            return ""
        if back is None:
            raise LinkLost(
                f"{reason}; not within {show_duration(patience)} either, while {seen}: the link or its path (cable, "
                "switch, address) is at fault, or the unit's side of it; nothing else is said against the unit. Try "
                "another cable, then a known good unit",
                place=PLACE,
            )
    if unit.has_restarted():
        return ""
    return f"the link was away ({failures} exchanges failed) and answers again, while {seen}"


def _trouble(unit: Unit, *, reraise: bool = False) -> str:
    """Return why the link does not tell the unit's mode; empty when it does. Raises StandFault, or that if asked to."""
    try:
        unit.modes.reported()
    except UnitFault as fault:
        if reraise:
            raise
        return str(fault)
    return ""


def witnesses(unit: Unit) -> tuple[bool, str]:
    """Tell whether a powered unit looks well to whatever needs no link, and what was seen. Raises StandFault."""
    seen = []
    well = True
    lamp = unit.indicator_on_stand()
    if lamp is not None:
        well = lamp is Indicator.HEALTHY
        seen.append(f"the lamp is {lamp}")
    current, claimed = unit.supply.current(), unit.limits.any_current
    margin = 2.0 * current.standard_uncertainty
    well = well and claimed.low - margin <= current.value <= claimed.high + margin
    seen.append(f"the current is {current.value:.3g} A of {claimed.low:g}..{claimed.high:g} A")
    if reached := unit.link.reachable():
        seen.append(f"its address {reached}")
    return well, ", ".join(seen[:-1]) + " and " + seen[-1]
