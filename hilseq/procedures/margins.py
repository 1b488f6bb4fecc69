"""The ends of the unit's supply range, interruptions of its supply, and a slow ramp down to 0 V and up again.

Every search stays between 0 V and the upper end of the range, and never takes the supply away for longer than
the profile allows; the supply's own ceilings hold besides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial

from hilseq.analysis.agreement import BETWEEN_INTERRUPTIONS, LONGEST_INTERRUPTION
from hilseq.analysis.limits import Limits
from hilseq.analysis.search import Bisection, Edge
from hilseq.analysis.uncertainty import Term, resolution
from hilseq.clock import Clock
from hilseq.description.accuracy import REPORTED_SUPPLY, SUPPLY_PERIOD
from hilseq.description.plans import Margins
from hilseq.description.profile import Mode, Profile
from hilseq.errors import NotPerformed, UnitFault, UnitInvalidResponse, UnitRefused, UnitSilent
from hilseq.journal.entries import PROVOKED as PROVOKED  # noqa: PLC0414 - sequences name it
from hilseq.journal.entries import StoredFault
from hilseq.measured import Measured
from hilseq.procedures.analog import SpotCheck, take_spots
from hilseq.procedures.baseline import ClockLook
from hilseq.procedures.memory import new_faults, unusual
from hilseq.procedures.points import Loaded
from hilseq.procedures.unit import Unit


def margins_of(profile: Profile) -> Margins:
    """Return what the profile says about its margins. Raises NotPerformed when it says nothing."""
    if profile.margins is None:
        raise NotPerformed("the profile describes no supply margins")
    return profile.margins


def stored(unit: Unit) -> list[StoredFault]:
    """Return the unit's stored faults; none where it keeps none."""
    return unit.faults.read() if unit.profile.faults is not None else []


def fail_on_new_faults(unit: Unit, before: list[StoredFault], when: str) -> None:
    """Raise UnitFault, at the supply and at the fault's own place, when faults were stored since `before`.

    What was stored before, at whatever time, is not new: a fault of every start says nothing of the supply.
    """
    known = {(fault.code, fault.place) for fault in before}
    new = [fault for fault in unusual(stored(unit)) if (fault.code, fault.place) not in known]
    unit.baseline.faults.add(new)
    if new:
        places = ["supply", *(fault.place for fault in new)]
        unit.fail_at(places, f"{when}, the unit stored {len(new)} new faults, first {new[0]}")


def provoked(unit: Unit, before: list[StoredFault]) -> list[StoredFault]:
    """Return what the unit stored since `before`, and account for it: the stand provoked it."""
    new = new_faults(before, stored(unit))
    unit.baseline.faults.add(new)
    return new


#: s by which the time of a stored fault may differ from the unit's clock: whole seconds, and the time to store it.
_STAMPED = 5.0
#: What units count such times in that do not count seconds, s.
_OTHER_UNITS = {"milliseconds": 1e-3, "hundredths": 0.01, "tenths": 0.1, "minutes": 60.0}
#: So many of them a clock must be beyond, so that a time near 0 is none of them.
_FAR_ON = 100.0


def assert_ramp_was_stored(
    unit: Unit, stored_by_it: list[StoredFault], begun: ClockLook | None, ended: ClockLook | None
) -> None:
    """Raise UnitFault when the unit did not store a slow ramp as the profile says: its code, where, and when.

    `begun` and `ended` are looks at its clock before and after the ramp, where it keeps one. A fault table that stores
    nothing looks like that of a unit which never had a fault, and one that stores a wrong place sends whoever repairs
    it there. Raises NotPerformed for a place that the profile does not know.
    """
    table = unit.profile.faults
    if table is None or table.at_slow_ramp is None:
        return
    of_ramp = [fault for fault in stored_by_it if fault.code == table.at_slow_ramp]
    if not of_ramp:
        reported = ", ".join(f"0x{fault.code:X}" for fault in stored_by_it) or "nothing"
        instead = f"instead of code 0x{table.at_slow_ramp:X}"
        raise UnitFault(
            f"on a slow ramp the unit stored {reported} {instead}: it does not store its faults",
            place="stored faults",
        )
    _require_time(of_ramp, begun, ended)
    if table.place is None:
        return
    for fault in of_ramp:
        if fault.place in _parts(unit.profile):
            raise UnitFault(
                f"on a slow ramp the unit stored that at {fault.place}, which is none of the supply: it stores wrong "
                "places",
                place="stored faults",
            )
        if table.places and fault.place not in table.places.values():
            raise NotPerformed(
                f"on a slow ramp the unit stored that at a place which the profile does not know ({fault.place}): "
                "whether it stores the right place is not known until `faults.places` has it"
            )


def _require_time(stored: list[StoredFault], before: ClockLook | None, after: ClockLook | None) -> None:
    """Raise UnitFault for a fault whose time is not between two looks at the unit's clock, which went on meanwhile.

    NotPerformed where it is in another unit: the profile takes it for seconds.
    """
    if before is None or after is None:
        return
    if abs((after.shown - before.shown) - (after.at - before.at)) > _STAMPED:
        return  # the clock is wrong, and has checks of its own

    def fits(time: float, seconds: float) -> bool:
        return before.shown - _STAMPED - seconds <= time * seconds <= after.shown + _STAMPED + seconds

    for time in [fault.time for fault in stored if fault.time is not None]:
        if fits(time, 1.0):
            continue
        far_on = {unit: s for unit, s in _OTHER_UNITS.items() if before.shown > _FAR_ON * s}
        other = next((unit for unit, seconds in far_on.items() if fits(time, seconds)), "")
        if other:
            raise NotPerformed(
                f"what the unit stored on a slow ramp has the time {time:.0f}, and its clock is at "
                f"{after.shown:.0f} s: it counts {other}, and `faults.time` is for seconds; leave it out for such "
                "a unit"
            )
        raise UnitFault(
            f"what the unit stored on a slow ramp has the time {time:.0f} s, and its clock went from "
            f"{before.shown:.0f} to {after.shown:.0f} s meanwhile: it stores wrong times",
            place="stored faults",
        )


def _parts(profile: Profile) -> set[str]:
    """Return the places of a profile's points, ports and neighbours."""
    points = profile.points
    named = {*points.outputs, *points.inputs, *points.analog_inputs, *points.analog_outputs, *profile.ports}
    return named | {f"neighbour {position}" for position in range(1, profile.rack_positions + 1)}


def start_at(unit: Unit, volts: float, clock: Clock) -> Measured:
    """Start the unit anew at another voltage (V); return the time to ready, s.

    A unit that does not start is left without supply. Its range says that it must: UnitFault at the supply.
    """
    unit.look_for_own_starts()
    unit.supply.off()
    clock.sleep(unit.profile.start.off_time)
    unit.supply.on(volts)
    try:
        return unit.wait_until_ready()
    except UnitFault as fault:
        unit.supply.power_off()
        raise UnitFault(f"at {volts:g} V {fault}", places=["supply", *fault.places]) from fault


def followers(unit: Unit) -> set[str]:
    """Drive all outputs of a live unit, then none; return those that followed both times."""
    outputs = unit.outputs
    on = outputs.drive(*outputs.names)
    if outputs.measured:
        unit.baseline.levels.append((unit.supply.voltage(), outputs.volts()))
    off = outputs.drive()
    return {name for name in outputs.names if on[name] and not off[name]}


def fail_on_lost_outputs(unit: Unit, normally: set[str], volts: float) -> None:
    """Raise UnitFault, at the supply and at each output, when outputs no longer follow that normally do.

    One that does not follow at rated supply either says nothing about the supply.
    """
    lost = sorted(normally - followers(unit))
    _fail_on_lost(unit, lost, f"at {volts:g} V, {', '.join(lost)} does not follow any more", followers)


def fail_on_loads(
    unit: Unit, normally: set[str], measure: Callable[[], Mapping[str, Loaded]], volts: float
) -> None:
    """Raise UnitFault, at the supply and at each output, for those that lose, or let through, too much at a voltage, V.

    Only of those that `normally` follow: one that is dead at rated supply says nothing of it.
    """

    def right(unit: Unit) -> set[str]:
        return set(unit.outputs.measured) - set(beyond_loads(unit, measure()))

    tried = normally & set(unit.outputs.measured)
    lost = sorted(tried - right(unit)) if tried else []
    _fail_on_lost(
        unit, lost, f"at {volts:g} V, {', '.join(lost)} loses, or lets through, more than it may", right
    )


def beyond_loads(unit: Unit, loads: Mapping[str, Loaded], *, driven: bool = True) -> dict[str, str]:
    """Return which outputs surely lose, or let through, more than they may, and in words what.

    Not what they lose where they are not `driven`, as in a mode that is not live. Above its rated supply a load draws
    more than is rated, and as many times more is allowed.
    """
    times, found = max(1.0, unit.supply.level / unit.profile.ratings.supply), dict[str, str]()
    for name, loaded in loads.items():
        for what, measured, limits in loaded.against(unit.limits.output(name)):
            most = math.inf if limits.high is None else times * limits.high
            if measured.value - measured.expanded_uncertainty > most and (
                driven or measured is not loaded.drop
            ):
                found[name] = f"{name} has a {what} of {measured.value:.3g} {measured.unit}"
    return found


def work_at(
    unit: Unit,
    volts: float,
    clock: Clock,
    measure_loads: Callable[..., Mapping[str, Loaded]],
    judge_start: Callable[[Measured], None],
) -> str:
    """Start a unit anew at a voltage, V, and try all that is right at rated supply; return in words what that was.

    `judge_start` is given the time to ready, s. Raises UnitFault at what is lost.
    """
    unit.modes.move_to(Mode.LIVE)
    normally, before = followers(unit), stored(unit)
    right = right_points(unit)
    unit.return_to_idle()
    judge_start(start_at(unit, volts, clock))
    unit.modes.move_to(Mode.LIVE)
    faults: list[UnitFault] = []
    for look in (
        partial(fail_on_lost_outputs, unit, normally, volts),
        partial(fail_on_loads, unit, normally, partial(measure_loads, looks=1), volts),
        partial(assert_reported_supply, unit),
        partial(fail_on_lost_points, unit, right, volts),
        partial(fail_on_new_faults, unit, before, f"at {volts:g} V"),
    ):
        try:
            look()
        except (UnitSilent, UnitInvalidResponse, UnitRefused):
            raise  # it may have been the link alone
        except UnitFault as fault:  # what else is wrong there is looked at all the same
            faults.append(fault)
    places = [place for fault in faults for place in fault.places or ("supply",)]
    unit.fail_at(places, "; ".join(map(str, faults)))
    return f"at {volts:g} V {len(normally)} outputs and {len(right)} inputs, analog channels and ports were tried"


def beyond_drop(unit: Unit) -> dict[str, str]:
    """Return which outputs of those measured, all on, surely lose more voltage than they may, and in words how much."""
    outputs = unit.outputs
    if not outputs.measured:
        return {}
    volts, meter = outputs.volts(), unit.supply.voltage()
    found = {}
    for name, at in volts.items():
        drop, limits = meter - at, unit.limits.output(name).drop
        if limits is not None and -limits.margin(drop.value) > drop.expanded_uncertainty:
            found[name] = f"lost {drop.value:.3g} V"
    return found


def assert_reported_supply(unit: Unit) -> None:
    """Hold the supply voltage that the unit reports, where it does, against that of the supply. Raises UnitFault."""
    register = unit.profile.link.supply_voltage
    if register is None:
        return
    reported, measured = unit.link.read(register), unit.supply.voltage().value
    if abs(reported - measured) > REPORTED_SUPPLY * measured:
        words = f"the unit reports a supply of {reported:.4g} V where the supply gives {measured:.4g} V"
        raise UnitFault(words, place="supply")


#: Share of its range at which an analog channel has next to no room left.
_TOP = 0.97


def right_points(unit: Unit, carries: Callable[[str], None] | None = None) -> set[str]:
    """Try every input, analog channel and port of a live unit once, shortly; return those that are right.

    Inputs on and off, each analog channel at a point of its range and near its upper end, some frames over each port.
    Where `carries` is given, in haste: it raises UnitFault for a port that does not carry, and one point is enough.
    """
    shares = (None,) if carries else (None, _TOP)
    carries = carries or unit.ports.assert_carries
    inputs = unit.inputs
    right: set[str] = set()
    if inputs.names:
        on, off = inputs.drive(*inputs.names), inputs.drive()
        right = {name for name in inputs.names if on[name] and not off[name]}
    spots = [take_spots(unit.analog, at=share) for share in shares]
    right |= {name for name in unit.analog.names if all(_is_accurate(each[name]) for each in spots)}
    for name in unit.ports.names:
        with suppress(UnitFault):
            carries(name)
            right.add(name)
    return right


def _is_accurate(spot: SpotCheck) -> bool:
    error, limits = spot.deviation()
    return -limits.margin(error.value) <= error.expanded_uncertainty


def fail_on_lost_points(unit: Unit, normally: set[str], volts: float) -> None:
    """Raise UnitFault, at the supply and at each point, when some are not right that normally are."""
    lost = sorted(normally - right_points(unit))
    _fail_on_lost(unit, lost, f"at {volts:g} V, {', '.join(lost)} no longer as at rated supply", right_points)


def _fail_on_lost(unit: Unit, lost: Sequence[str], words: str, right: Callable[[Unit], set[str]]) -> None:
    """Raise UnitFault at points that are lost, and at the supply where some follow it.

    Such a point is right at rated supply again, and lost once more at this one. What stays lost, or comes and goes,
    says nothing of the supply.
    """
    if not lost:
        unit.fail_at([], words)
        return
    corner, follows = unit.supply.level, set(lost)
    for volts, is_right in ((unit.profile.ratings.supply, True), (corner, False)):
        unit.supply.move_to(volts)
        unit.supply.voltage()  # it waits until the new setting stands
        follows = follows & right(unit) if is_right else follows - right(unit)
        if not follows:
            unit.fail_at(lost, f"{words}, and at rated supply is no different")
    unit.fail_at(["supply", *lost], words)


#: An interruption that a unit does not survive is made so often at most where it was longer than it should be.
_HELD_UP = 3
#: A start is given so much longer than the shortest seen before the unit is asked whether it started.
_SURELY_READY = 1.25


@dataclass(slots=True)
class RideThrough:
    """The search for the longest interruption survived: its edge (s), and each trial."""

    edge: Edge
    longest: Measured
    rows: list[tuple[float, float, str]] = field(default_factory=list)
    #: How much longer than usual the interruption was that it did not survive, s: this computer was held up.
    late: float = 0.0

    @property
    def value(self) -> Measured:
        """Longest interruption survived, s: the middle of the edge, or the longest tried if all were.

        The edge's width (rectangular) and what is not known of the interruption's length add in quadrature.
        """
        passes = self.edge.passes or 0.0
        fails = passes if self.edge.passes is None or self.edge.fails is None else self.edge.fails + self.late
        width = Term("width of the search", resolution(fails - passes), "rectangular", source="trials")
        return Measured.of(0.5 * (passes + fails), "s", width, *self.longest.budget)

    def in_words(self) -> str:
        """Return the finding, its resolution, and how well the length of an interruption is known."""
        found = self.edge.describe(lambda seconds: f"{1e3 * seconds:.4g} ms")
        unknown = 1e3 * self.longest.expanded_uncertainty
        return f"{found}; the supply makes an interruption to ±{unknown:.3g} ms (k = 2)"


def claimed_ride_through(profile: Profile) -> Limits:
    """Return the interruption that must be survived, s: the profile's, and that of its IEC 61131-2 class."""
    name = profile.ratings.interruption_class
    of_class = LONGEST_INTERRUPTION[name] if name is not None else 0.0
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
    late, usual = 0.0, math.inf
    while (wanted := search.next_point()) is not None:
        for _ in range(_HELD_UP):
            length, survived = _survives(unit, wanted, clock)
            rows.append((wanted, length.value, "rode through" if survived else "started anew"))
            usual = min(usual, length.value - wanted)
            beyond = length.value - wanted - usual
            if survived or beyond <= search.resolution:
                break
        if not survived:
            late = beyond
        search.record(passed=survived)
    return RideThrough(search.found(), length, rows, late)


def _survives(unit: Unit, seconds: float, clock: Clock) -> tuple[Measured, bool]:
    """Interrupt once; tell how long it was and whether the unit rode through. Afterwards it is live.

    The outputs are commanded anew before: one that goes off by itself after a while says nothing of the supply.
    """
    unit.outputs.command()
    on = {name for name, is_on in unit.outputs.drive(*unit.outputs.names).items() if is_on}
    counter = unit.profile.link.starts
    before = None if counter is None else unit.link.read(counter)
    length = unit.supply.interrupt(seconds)
    back = clock.now()
    if counter is None:
        survived = _is_live(unit, on, clock)
        clock.sleep_until(back + BETWEEN_INTERRUPTIONS)
    else:
        usual = min((start.took.value for start in unit.starts), default=unit.profile.start.ready_within)
        clock.sleep_until(back + max(BETWEEN_INTERRUPTIONS, _SURELY_READY * usual))
        survived = _reads(unit, before) and _is_live(unit, on, clock)
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


def _is_live(unit: Unit, on: set[str], clock: Clock) -> bool:
    """Return whether the unit is still live, and the outputs still on that were on before.

    Those that go off in the same time without an interruption say nothing of the supply.
    """
    try:
        if unit.modes.reported() is not Mode.LIVE:
            return False
    except UnitFault:
        return False
    lost = {name for name, is_on in unit.outputs.sensed().items() if name in on and not is_on}
    if not lost:
        return True
    unit.outputs.drive()
    unit.outputs.drive(*unit.outputs.names)
    clock.sleep(BETWEEN_INTERRUPTIONS)
    return not any(unit.outputs.sensed()[name] for name in lost)


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


#: A unit draws current when it draws this share of its lowest idle current; without supply it draws none.
_DRAWS = 0.4
#: Steps of a ramp that the searched edge cannot lie in are this many times as large.
_COARSE = 5


@dataclass(slots=True)
class Ramp:
    """One slow ramp down to 0 V and up again: where the unit went off and came back, V.

    `draws` counts how often it began to draw current on the way; `starts` how often it says it started
    (None where it does not count). Rows: time (s), voltage (V), current (A).
    """

    drop_out: Measured
    pick_up: Measured
    draws: int
    starts: int | None
    resolution: float
    rows: list[tuple[float, float, float]]

    @property
    def hysteresis(self) -> Measured:
        """Pick-up less drop-out, V."""
        return self.pick_up - self.drop_out

    def in_words(self) -> str:
        """Return the finding and its resolution."""
        return (
            f"went off at {self.drop_out.value:.4g} V and came back at {self.pick_up.value:.4g} V, "
            f"in steps of {self.resolution:.3g} V"
        )


class _Ramping:
    """The supply on its way, one step at a time at the profile's slope."""

    def __init__(self, unit: Unit, clock: Clock) -> None:
        self._unit = unit
        self._clock = clock
        self._slope = margins_of(unit.profile).ramp
        self._begun = clock.now()
        self.step = self._slope * max(unit.supply.settle, SUPPLY_PERIOD)
        self.rows: list[tuple[float, float, float]] = []
        self._least = _DRAWS * unit.profile.start.idle_current.low
        #: What the supply read at this step and the one before: what it gives, whatever it was set to.
        self._read = self._before = unit.supply.voltage()
        self.volts = unit.supply.level

    def to(self, volts: float) -> bool:
        """Go to another voltage, V; tell whether the unit draws current there."""
        supply, before = self._unit.supply, self.volts
        self.volts = min(max(0.0, volts), self._unit.profile.ratings.supply)
        reached = self._clock.now() + abs(self.volts - before) / self._slope
        supply.move_to(self.volts)
        self._unit.off_watch.watch_closely(reached - self._clock.now())
        self._clock.sleep_until(reached)
        self._before = self._read
        self._read, amperes = supply.both()
        self.rows.append((round(self._clock.now() - self._begun, 6), self._read.value, amperes.value))
        return amperes.value >= self._least

    @property
    def edge(self) -> Measured:
        """An edge between the voltage before and now: anywhere, and as exact as the supply reads, V."""
        before, now = self._before.value, self._read.value
        step = Term("step of the ramp", resolution(abs(now - before)), "rectangular", source="trials")
        return Measured.of(0.5 * (now + before), "V", step, *self._read.budget)


def slow_ramp(unit: Unit, clock: Clock) -> Ramp:
    """Let the supply of a ready unit fall to 0 V and rise to rated, and find drop-out and pick-up.

    Fine steps begin at the lower end of the supply range: above it the unit must work, and one that drops out
    there fails whatever the resolution. Raises UnitFault when it draws current to the last, or never again.
    """
    counter = unit.profile.link.starts
    before = None if counter is None else unit.link.read(counter)
    ramp = _Ramping(unit, clock)
    down = _fall(ramp, unit.profile.ratings.supply_range.low)
    up, draws = _rise(ramp, unit, down.value, clock)
    unit.wait_until_ready(measured=False)
    after = None if counter is None else unit.link.read(counter)
    started = None if before is None or after is None else round(after - before)
    return Ramp(down, up, draws, started, ramp.step, ramp.rows)


def _fall(ramp: _Ramping, low: float) -> Measured:
    while True:
        last = ramp.volts
        step = ramp.step if last <= low + _COARSE * ramp.step else _COARSE * ramp.step
        if not ramp.to(last - step):
            return ramp.edge
        if ramp.volts <= 0.0:
            raise UnitFault(
                "the unit draws current even at 0 V of its supply: is it fed from elsewhere?", place="supply"
            )


def _rise(ramp: _Ramping, unit: Unit, down: float, clock: Clock) -> tuple[Measured, int]:
    """Continue down to 0 V and up to rated; return the pick-up, and how often the unit began to draw current."""
    found: Measured | None = None
    draws, drew, rated = 0, False, unit.profile.ratings.supply

    def to(volts: float) -> None:
        nonlocal found, draws, drew
        last = ramp.volts
        draws_now = ramp.to(volts)
        if draws_now and not drew:
            draws += 1
            if found is None and ramp.volts > last:
                found = ramp.edge
                unit.supply.came_back(clock.now(), 0.0)
        drew = draws_now

    while ramp.volts > 0.0:
        near = ramp.volts > down - _COARSE * ramp.step
        to(ramp.volts - (ramp.step if near else _COARSE * ramp.step))
    while ramp.volts < rated:
        fine = found is None and ramp.volts >= down - 2 * _COARSE * ramp.step
        to(ramp.volts + (ramp.step if fine else _COARSE * ramp.step))
    if found is None:
        unit.supply.power_off()
        raise UnitFault(f"after a slow ramp to {rated:g} V the unit draws no current", place="supply")
    return found, draws
