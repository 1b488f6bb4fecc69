"""Power cycling: cold starts by a plan, and some warm ones and some after a short pause."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from hilseq.analysis.start_plans import Decision, SequentialStarts, StartPlan, SuccessRun
from hilseq.description.plans import Cycling
from hilseq.description.profile import Indicator, Profile
from hilseq.errors import NotPerformed, StandFault, UnitFault, UnitOrHarness
from hilseq.procedures.unit import Unit
from hilseq.statements import compared

#: Below this share of the rated supply a unit has surely lost it.
_FALLEN = 0.25
#: Starts of a hot unit after its soak.
HOT_STARTS = 3
#: What one more is in a counter of 32 bits of which the words are taken in the wrong order.
_ONE_IN_THE_OTHER_ORDER = 1 << 16
COLUMNS = ("cycle", "start", "without supply s", "time to ready s", "what went wrong")


def cycling_of(profile: Profile) -> Cycling:
    """Return the claim about starting. Raises NotPerformed when the profile makes none."""
    if profile.cycling is None:
        raise NotPerformed("the profile states nothing about starting")
    return profile.cycling


def start_plan(profile: Profile) -> StartPlan:
    """Return the plan of cold starts that the profile's claim needs."""
    claim = cycling_of(profile)
    if claim.plan == "success run":
        return SuccessRun(claim.start_probability, claim.confidence)
    assert claim.worst_probability is not None
    return SequentialStarts(
        claim.start_probability,
        claim.worst_probability,
        claim.producer_risk,
        claim.consumer_risk,
        claim.confidence,
        claim.max_starts,
    )


@dataclass(frozen=True, slots=True)
class Start:
    """One start: which cycle (from 1), what sort, s without supply, s to ready, and what was wrong.

    Without a time to ready the unit either never got ready, or, with nothing wrong, rode through the pause.
    """

    cycle: int
    sort: str
    off: float
    took: float | None
    wrong: str = ""
    places: tuple[str, ...] = ()
    #: Whether all that is wrong is a fault that the unit stored: its place is the fault's own.
    stored: bool = False
    #: What is wrong after it, by place and in words, and was right after an earlier start of the visit.
    lost: Mapping[str, str] = field(default_factory=dict)

    def row(self) -> tuple[int, str, float, float | None, str]:
        """Return the start as a row of the table."""
        wrong = "; ".join(dict.fromkeys(filter(None, (self.wrong, *self.lost.values()))))
        return self.cycle, self.sort, self.off, self.took, wrong


@dataclass(slots=True)
class ColdStarts:
    """The cold starts of a visit, and what their plan makes of them."""

    plan: StartPlan
    starts: list[Start] = field(default_factory=list)

    @property
    def failed(self) -> list[Start]:
        """The starts that went wrong."""
        return [start for start in self.starts if start.wrong]

    @property
    def decision(self) -> Decision:
        """What the plan says now."""
        return self.plan.decide(len(self.starts), len(self.failed))

    def proven(self) -> str:
        """Return what was proven, in a sentence."""
        return self.plan.proven(len(self.starts), len(self.failed))


#: Returns what is wrong with a unit that has just started, by place, and was right after an earlier start.
Look = Callable[[Unit], Mapping[str, str]]


def _nothing(_: Unit) -> Mapping[str, str]:
    return {}


def cold_starts(unit: Unit, look: Look = _nothing) -> ColdStarts:
    """Start the unit cold, again and again, until its plan knows enough, and `look` at it after each start.

    A start after which something is wrong that was right before is the last: what is behind that is asked while it is
    there.
    """
    claim = cycling_of(unit.profile)
    cold = ColdStarts(start_plan(unit.profile))
    while cold.decision is Decision.CONTINUE and not any(start.lost for start in cold.starts):
        cold.starts.append(_start_and_look(unit, len(cold.starts) + 1, "cold", claim.off, look))
    return cold


def other_starts(unit: Unit, look: Look = _nothing) -> list[Start]:
    """Start the unit warm, and after pauses in which its capacitors are half discharged, a few times each.

    A unit that rides through a short pause has not started; that is noted and is no failure. Ends as `cold_starts` does
    where a `look` finds something.
    """
    claim = cycling_of(unit.profile)
    sorts = [("warm", claim.warm_off)] * claim.extra + [("short off", claim.short_off)] * claim.extra
    return _starts(unit, sorts, look)


def _starts(unit: Unit, sorts: Sequence[tuple[str, float]], look: Look) -> list[Start]:
    """Make these starts, each with what it is called and the s without supply, until something is lost after one."""
    starts: list[Start] = []
    for cycle, (sort, off) in enumerate(sorts, 1):
        starts.append(_start_and_look(unit, cycle, sort, off, look))
        if starts[-1].lost:
            break
    return starts


def _start_and_look(unit: Unit, cycle: int, sort: str, off: float, look: Look) -> Start:
    start = start_once(unit, cycle, sort, off)
    return start if start.wrong or start.took is None else replace(start, lost=look(unit))


def start_once(unit: Unit, cycle: int, sort: str, off: float) -> Start:
    """Take the supply away for `off` s, give it back, and see whether the unit starts as it must."""
    counter = unit.profile.link.starts
    before, after = unit.look_for_own_starts(), None
    try:
        unit.supply.cycle(off)
        took = unit.wait_until_ready(measured=False)
        after = None if counter is None else unit.link.read(counter)
        if before is not None and before == after:
            if sort == "short off":
                return Start(cycle, sort, off, None, "")
            _check_that_supply_falls(unit, sort, off)
        unit.log_start(took)
        unit.note_clock()
        wrong, places = _wrong_with(unit, before, after)
        stored = False
        if not wrong:
            wrong, places = _stored(unit)
            stored = bool(wrong)
    except UnitFault as fault:
        # Left without supply, so that whatever comes next begins with a start of its own.
        unit.supply.power_off()
        return Start(cycle, sort, off, None, str(fault), fault.places)
    if not wrong and took.value > unit.profile.start.ready_within:
        wrong, places = f"ready only after {took.value:.3g} s", ("start",)
    return Start(cycle, sort, off, round(took.value, 6), wrong, places, stored)


def _check_that_supply_falls(unit: Unit, sort: str, off: float) -> None:
    """Raise NotPerformed when the supply's voltage has not fallen `off` s after it was switched off.

    A supply that does not sink leaves the charge of its output to the unit, which then never noticed a pause.
    """
    feed, rated = unit.supply, unit.profile.ratings.supply
    left = feed.residual_voltage(off)
    unit.wait_until_ready(measured=False)
    if left > _FALLEN * rated:
        raise NotPerformed(
            f"supply {feed.instrument.name} still gives {left:.3g} V {off:g} s after it was switched off, so the "
            f"unit never lost its supply in a {sort} start; give it more time in the profile (`cycling`: `off`, "
            "`warm-off`), or a supply that sinks"
        )


def _wrong_with(unit: Unit, before: float | None, after: float | None) -> tuple[str, tuple[str, ...]]:
    """Return what is wrong with a unit that says it is ready, and where; empty when nothing is.

    `before` and `after` are its counter of starts; None where it has none. Raises StandFault for one of which the
    profile has the words in the wrong order.
    """
    result = unit.self_test()
    if result:
        return f"the self-test reports {result:g}", ("self-test",)
    try:
        seen = unit.indicator_seen()
    except NotPerformed:
        seen = Indicator.HEALTHY
    if seen is not Indicator.HEALTHY:
        return f"the indicator is {seen}", ("indicator",)
    counter = unit.profile.link.starts
    if counter is None or before is None or after is None:
        return "", ()
    counted = round(after - before) % (1 << 16 * counter.kind.width)
    if counted == _ONE_IN_THE_OTHER_ORDER:
        raise StandFault(
            f"the unit's counter of starts goes on by {counted}: the other `order` of `link.starts` makes 1 of it",
            place="profile",
        )
    if counted == 0:
        return "the unit counts no new start: it never lost its supply", ("start",)
    return ("", ()) if counted == 1 else (f"the unit counts {counted} starts instead of one", ("start",))


def _stored(unit: Unit) -> tuple[str, tuple[str, ...]]:
    """Return what the unit stored that nobody has accounted for, and where; it is reported once."""
    new = unit.read_new_faults()
    return ("", ()) if not new else (f"the unit stored {new[0]}", tuple(fault.place for fault in new))


def hot_starts(unit: Unit, look: Look = _nothing) -> list[Start]:
    """Start a hot unit a few times, each after the shortest pause that surely takes its supply away."""
    claim = unit.profile.cycling
    off = unit.profile.start.off_time if claim is None else claim.warm_off
    return _starts(unit, [("hot", off)] * HOT_STARTS, look)


def fail_on_failed(failed: list[Start], proven: str) -> None:
    """Raise UnitFault where a start went wrong, when any did: at `start`, but for faults that were only stored."""
    compared()
    if not failed:
        return
    first = failed[0]
    more = f" and {len(failed) - 1} more" if len(failed) > 1 else ""
    starting = [] if all(start.stored for start in failed) else ["start"]
    places = dict.fromkeys([*starting, *(place for start in failed for place in start.places)])
    words = f"{first.sort} start {first.cycle}{more} failed: {first.wrong}"
    raise UnitFault(f"{words}. {proven}" if proven else words, places=list(places))


def fail_on_own_starts(unit: Unit) -> None:
    """Raise UnitOrHarness where the unit has started by itself, as far as its counter was looked at."""
    compared()
    unit.look_for_own_starts()
    if seen := unit.baseline.own_starts:
        words = ", ".join(f"between {since:.1f} and {until:.1f} s of the visit" for since, until in seen)
        raise UnitOrHarness(
            f"By its own counter the unit has started by itself {words}: the unit, or a supply that "
            "was away for a moment",
            places=("start",),
        )


def fail_on_lost(starts: Sequence[Start]) -> None:
    """Raise UnitFault, at each place, for what is wrong after a start and was right after an earlier one."""
    compared()
    lost = next((start for start in starts if start.lost), None)
    if lost is not None:
        words = "; ".join(dict.fromkeys(lost.lost.values()))
        raise UnitFault(
            f"after {lost.sort} start {lost.cycle}, and not after an earlier start: {words}",
            places=list(lost.lost),
        )
