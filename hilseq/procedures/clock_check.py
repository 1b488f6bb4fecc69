"""The unit's clock against the stand's: how fast it runs, and whether it runs on without supply."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hilseq.analysis.clock_error import clock_error, span_needed
from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import resolution
from hilseq.clock import Clock
from hilseq.description.profile import Profile
from hilseq.description.registers import Register
from hilseq.errors import NotPerformed, UnitFault
from hilseq.measured import Measured
from hilseq.procedures.polling import INTERVAL
from hilseq.procedures.unit import Unit

#: The claim is this many times the standard uncertainty: an expanded uncertainty of a tenth of the claim.
_FINENESS = 20.0
#: The quickest of so many exchanges tells the time best: the others waited somewhere.
_LOOKS = 5
#: A clock that shows whole seconds may be set one back when power comes (common practice, no source).
_SECOND = 1.0
#: A step of the clock is waited for this many times its length before the clock is said to stand.
_STEPS = 3.0
#: Time that one exchange with the unit takes on a network of its own, for a plan; a guess, no source.
_EXCHANGE = 0.003


@dataclass(frozen=True, slots=True)
class Moment:
    """What the clock showed at a time of the stand (both s), and over what time the look was spread."""

    at: float
    shown: float
    spread: float


def _register(profile: Profile) -> Register:
    if profile.link.clock is None:
        raise NotPerformed("the profile knows no register with the unit's clock")
    return profile.link.clock


def fine_step(profile: Profile) -> float:
    """Return the step to which a look at the clock is good, s: its own, or the interval of looking.

    A clock that shows whole seconds is watched until it changes.
    """
    return min(_register(profile).step, INTERVAL)


def look(unit: Unit, clock: Clock) -> Moment:
    """Read the unit's clock; a coarse one is watched until it changes. Raises UnitFault when it stands."""
    register = _register(unit.profile)
    step = register.step
    if step <= INTERVAL:
        return min((_read(unit, register, clock) for _ in range(_LOOKS)), key=lambda moment: moment.spread)
    before = _read(unit, register, clock)
    until = before.at + _STEPS * step
    while clock.now() < until:
        clock.sleep(INTERVAL)
        now = _read(unit, register, clock)
        if now.shown != before.shown:
            return Moment(0.5 * (before.at + now.at), now.shown, now.at - before.at)
        before = now
    raise UnitFault(f"the unit's clock stood at {before.shown:g} s for {_STEPS * step:g} s", place="clock")


def _read(unit: Unit, register: Register, clock: Clock) -> Moment:
    asked = clock.now()
    shown = unit.link.read(register)
    answered = clock.now()
    return Moment(0.5 * (asked + answered), shown, answered - asked)


def watching_time(profile: Profile, exchange: float) -> float:
    """Return for how long a clock must be watched so that the uncertainty is a tenth of the claim, s.

    `exchange` is the time over which a look is spread, s.
    """
    if profile.clock is None:
        raise NotPerformed("the profile claims nothing of the unit's clock")
    wanted = 1e6 * profile.clock.drift / _FINENESS
    return span_needed(wanted, clock_step=fine_step(profile), reference_step=exchange)


def planned_watching_time(profile: Profile) -> float:
    """Return the same for a plan, before any exchange was timed, s."""
    return watching_time(profile, _EXCHANGE)


def drift(unit: Unit, clock: Clock) -> Measured:
    """Compare the rates of both clocks; return how much the unit's gains, in ppm.

    The stand's clock is taken as right: that of a computer is good to some tens of ppm unless it is kept by
    NTP or better, which the stand's description should say.
    """
    first = look(unit, clock)
    clock.sleep(watching_time(unit.profile, first.spread))
    last = look(unit, clock)
    spread = max(first.spread, last.spread)
    error = clock_error(
        (first.at, first.shown),
        (last.at, last.shown),
        clock_step=fine_step(unit.profile),
        reference_step=spread,
    )
    return Measured(error.ppm, "ppm", error.uncertainty_ppm)


def drift_limits(profile: Profile) -> Limits:
    """Return the claim as limits, ppm."""
    assert profile.clock is not None
    claim = round(1e6 * profile.clock.drift, 6)
    return Limits(-claim, claim)


def gained_without_supply(unit: Unit, clock: Clock) -> tuple[Measured, Limits]:
    """Take the supply away for as long as the clock must be carried; return what it gained, and limits, s.

    It may be wrong by its drift over that time, and by one second. Raises UnitFault when the unit does not
    start again.
    """
    profile = unit.profile
    assert profile.clock is not None
    before = look(unit, clock)
    unit.supply.cycle(profile.clock.kept_for)
    unit.wait_until_ready()
    after = look(unit, clock)
    gained = (after.shown - before.shown) - (after.at - before.at)
    step = max(fine_step(profile), before.spread, after.spread)
    measured = Measured(gained, "s", math.sqrt(2.0) * resolution(step))  # two looks, each cut to a step
    allowed = profile.clock.drift * (after.at - before.at) + _SECOND
    return measured, Limits(-allowed, allowed)
