"""The unit's clock against the stand's: how fast it runs, and whether it runs on without supply."""

from __future__ import annotations

from itertools import pairwise

from hilseq.analysis.clock_error import clock_error, span_needed
from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import Term, rectangular, resolution
from hilseq.clock import Clock
from hilseq.description.accuracy import CLOCK_FINENESS, POLL_INTERVAL
from hilseq.description.profile import Profile
from hilseq.description.registers import Register
from hilseq.errors import NotPerformed, UnitFault
from hilseq.measured import Measured
from hilseq.procedures.baseline import ClockLook
from hilseq.procedures.unit import Unit
from hilseq.statements import compared

#: The quickest of so many exchanges tells the time best: the others waited somewhere.
_LOOKS = 5
#: A clock that shows whole seconds may be set one back when power comes (common practice, no source).
_SECOND = 1.0
#: A step of the clock is waited for this many times its length before the clock is said to stand.
_STEPS = 3.0
#: s between two looks that only show that the clock goes, and the share of that time that it may be wrong by.
BETWEEN, _COARSE = 2.0, 0.05
#: So many times what a clock may gain between two looks it jumps.
_JUMPS = 2.0
#: Time that one exchange with the unit takes on a network of its own, for a plan; a guess, no source.
_EXCHANGE = 0.003


def _register(profile: Profile) -> Register:
    if profile.link.clock is None:
        raise NotPerformed("the profile knows no register with the unit's clock")
    return profile.link.clock


def fine_step(profile: Profile) -> float:
    """Return the step to which a look at the clock is good, s: its own, or the interval of looking.

    A clock that shows whole seconds is watched until it changes.
    """
    return min(_register(profile).step, POLL_INTERVAL)


def look(unit: Unit, clock: Clock) -> ClockLook:
    """Read the unit's clock; a coarse one is watched until it changes. Raises UnitFault when it stands.

    The first look of the visit is kept, for `gained_in_visit`, and the first since power came, for `drift`.
    """
    found = _look(unit, clock)
    unit.baseline.clocks.append(found)
    if unit.baseline.clock is None:
        unit.baseline.clock = found
    if _watched(unit) is None:
        unit.baseline.watched = found
    return found


def look_where_kept(unit: Unit, clock: Clock) -> ClockLook | None:
    """Read the clock of a unit that keeps it without supply; None of one that has none, or no battery."""
    profile = unit.profile
    return look(unit, clock) if profile.link.clock is not None and profile.battery is not None else None


def _watched(unit: Unit) -> ClockLook | None:
    """Return the first look at the clock since power came; None where there is none."""
    first, since = unit.baseline.watched, unit.supply.powered_since
    return first if first is not None and since is not None and since <= first.at else None


def _look(unit: Unit, clock: Clock) -> ClockLook:
    register = _register(unit.profile)
    step = register.step
    if step <= POLL_INTERVAL:
        return min((unit.read_clock(register) for _ in range(_LOOKS)), key=lambda moment: moment.spread)
    before = unit.read_clock(register)
    until = before.at + _STEPS * step
    while clock.now() < until:
        clock.sleep(POLL_INTERVAL)
        now = unit.read_clock(register)
        if now.shown != before.shown:
            return ClockLook(0.5 * (before.at + now.at), now.shown, now.at - before.at)
        before = now
    raise UnitFault(f"the unit's clock stood at {before.shown:g} s for {_STEPS * step:g} s", place="clock")


def watching_time(profile: Profile, exchange: float) -> float:
    """Return for how long a clock must be watched so that the uncertainty is a tenth of the claim, s.

    `exchange` is the time over which a look is spread, s. Raises NotPerformed when the profile has no clock.
    """
    if profile.clock is None:
        raise NotPerformed("the profile states nothing about the unit's clock")
    wanted = 1e6 * profile.clock.drift / CLOCK_FINENESS
    return span_needed(wanted, clock_step=fine_step(profile), reference_step=exchange)


def planned_watching_time(profile: Profile) -> float:
    """Return the same for a plan, before any exchange was timed, s."""
    return watching_time(profile, _EXCHANGE)


def drift(unit: Unit, clock: Clock, *, accuracy: float) -> Measured:
    """Compare the rates of both clocks; return how much the unit's gains, in ppm.

    From the first look since power came: what was done since then is time that need not be waited for. `accuracy` is
    that of the stand's clock, a share (rectangular, GUM 4.3.7).
    """
    first = _watched(unit) or look(unit, clock)
    clock.sleep_until(first.at + watching_time(unit.profile, first.spread))
    last = look(unit, clock)
    spread = max(first.spread, last.spread)
    error = clock_error(
        (first.at, first.shown),
        (last.at, last.shown),
        clock_step=fine_step(unit.profile),
        reference_step=spread,
    )
    return Measured.of(
        error.ppm,
        "ppm",
        Term(
            "both clocks read twice", error.uncertainty_ppm, source="steps of the clock and of the exchanges"
        ),
        Term(
            "the computer's clock",
            1e6 * rectangular(accuracy),
            "rectangular",
            source="stand file: clock-accuracy",
        ),
    )


def drift_limits(profile: Profile) -> Limits:
    """Return the claim as limits, ppm."""
    assert profile.clock is not None
    claim = round(1e6 * profile.clock.drift, 6)
    return Limits(-claim, claim)


def gained_in_visit(unit: Unit, clock: Clock) -> tuple[Measured, Limits]:
    """Return what the clock has gained since the first look of the visit, and limits, s.

    It may be wrong by its drift over that time, and by one second for each start. Raises NotPerformed without a
    first look, UnitFault when it stands.
    """
    profile, first = unit.profile, unit.baseline.clock
    if profile.clock is None or first is None:
        raise NotPerformed(
            "the clock was not looked at before in this visit: there is nothing to compare with"
        )
    last = look(unit, clock)
    starts = sum(start.at > first.at for start in unit.starts) + 1
    return _gained(profile, first, last), _may_gain(profile, first, last, starts)


def fail_on_jump(unit: Unit) -> None:
    """Raise UnitFault where the clock has gained or lost far more from one look to the next than it may.

    It may its drift over that time, which has a check of its own, and one second for each start in between.
    """
    compared()
    for before, after in pairwise(unit.baseline.clocks):
        starts = sum(before.at < start.at <= after.at for start in unit.starts)
        gained, limits = _gained(unit.profile, before, after), _may_gain(unit.profile, before, after, starts)
        assert limits.high is not None
        if abs(gained.value) > _JUMPS * limits.high + gained.expanded_uncertainty:
            raise UnitFault(
                f"the unit's clock gained {gained.value:.3g} s between {before.at:.1f} and {after.at:.1f} s of the "
                f"visit, where it may by {limits.high:.3g} s",
                place="clock",
            )


def _gained(profile: Profile, first: ClockLook, last: ClockLook) -> Measured:
    gained = (last.shown - first.shown) - (last.at - first.at)
    step = max(fine_step(profile), first.spread, last.spread)
    cut = Term(
        "step of a look", resolution(step), "rectangular", source="last digit of the unit's clock, exchanges"
    )
    return Measured.of(gained, "s", cut, cut)  # two looks


def _may_gain(profile: Profile, first: ClockLook, last: ClockLook, starts: int) -> Limits:
    assert profile.clock is not None
    allowed = profile.clock.drift * (last.at - first.at) + starts * _SECOND
    return Limits(-allowed, allowed)


def gained_in_between(unit: Unit, clock: Clock) -> tuple[Measured, Limits]:
    """Look twice, a few seconds apart; return what the clock gained between them, and limits, s.

    Too short for its drift: it shows that the clock goes, to a twentieth of the time. Raises UnitFault when it stands.
    """
    before = look(unit, clock)
    clock.sleep(BETWEEN)
    after = look(unit, clock)
    allowed = _COARSE * (after.at - before.at)
    return _gained(unit.profile, before, after), Limits(-allowed, allowed)


def gained_since(unit: Unit, before: ClockLook, clock: Clock) -> tuple[Measured, Limits]:
    """Return what the clock has gained since a look before one start, and limits, s.

    It may be wrong by its drift over that time, and by one second. Raises UnitFault when it stands.
    """
    after = look(unit, clock)
    return _gained(unit.profile, before, after), _may_gain(unit.profile, before, after, 1)
