"""How long a check takes on hardware, s: what the shipped checks name in their marker `duration`.

An estimate from the times of the profile and the settling of the supply: every start as slow as the profile
allows, every wait as long as it is, and beside that a few exchanges. Each takes the profile of the unit and
the description of its supply; a function of one's own does the same.

Example: `@pytest.mark.duration(estimate=durations.start)`
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from hilseq.analysis.agreement import BETWEEN_INTERRUPTIONS
from hilseq.analysis.bit_errors import Frame, duration
from hilseq.description.drivers import find_driver
from hilseq.description.points import Port
from hilseq.description.profile import Profile
from hilseq.description.supplies import Supply
from hilseq.errors import NotPerformed
from hilseq.procedures import battery, clock_check, ports
from hilseq.procedures.cycling import HOT_STARTS, cycling_of, start_plan
from hilseq.procedures.margins import margins_of, ride_through_search
from hilseq.procedures.outputs_off import AFTERWARDS
from hilseq.procedures.ports import plan_of
from hilseq.procedures.together import HOLD, QUIET_STEPS, STEPS, quiet_modes

#: Exchanges and settling of a check that waits for nothing, s; the twin with drawn timing took 0.44 (148 checks).
EXCHANGES = 0.5
#: Bits that go over a port, or are waited for, at each shifted speed; a guess, no source.
_SHIFTED_BITS = 5000.0
#: A ramp goes down and up, and the voltages outside its fine steps are passed at the same slope.
_WAYS = 2.0

Duration = Callable[[Profile, Supply], float]


#: What the estimates take for the exchanges of one check, s.
_EXCHANGES = ContextVar("exchanges", default=EXCHANGES)


@contextmanager
def without_exchanges() -> Iterator[None]:
    """Have the estimates say what remains where exchanges take no time: the floor of a visit."""
    before = _EXCHANGES.set(0.0)
    try:
        yield
    finally:
        _EXCHANGES.reset(before)


def exchanges(_: Profile, __: Supply) -> float:
    """A check that waits for nothing."""
    return _EXCHANGES.get()


def judges_what_is_known(_: Profile, __: Supply) -> float:
    """A check of what an earlier one has measured, or of what the files say: nothing is exchanged."""
    return 0.0


def one_of_many(_: Profile, __: Supply) -> float:
    """A check of one of many points that are measured at once; on the twin with drawn timing 0.29 s for each."""
    return 0.6 * _EXCHANGES.get()


def start(profile: Profile, _: Supply) -> float:
    """One start."""
    return _EXCHANGES.get() + profile.start.ready_within


def restart(profile: Profile, supply: Supply) -> float:
    """Off until the unit has surely lost power, and a start."""
    return profile.start.off_time + start(profile, supply)


def mode_change(profile: Profile, _: Supply) -> float:
    """One change of mode."""
    return _EXCHANGES.get() + profile.modes.change_within


def leaving_live(profile: Profile, _: Supply) -> float:
    """Two changes of mode, and what is watched afterwards."""
    return _EXCHANGES.get() + 2.0 * profile.modes.change_within + AFTERWARDS


def restart_live(profile: Profile, supply: Supply) -> float:
    """A restart, two changes of mode, and what is watched afterwards."""
    return leaving_live(profile, supply) + restart(profile, supply)


def together(profile: Profile, supply: Supply) -> float:
    """Into live, every step with its settling, and the time under load."""
    return mode_change(profile, supply) + HOLD + STEPS * _step(profile)


def together_quiet(profile: Profile, supply: Supply) -> float:
    """Into each mode in which outputs are off, and every step there with its settling."""
    each = mode_change(profile, supply) + QUIET_STEPS * _step(profile)
    return len(quiet_modes(profile)) * each


def _step(profile: Profile) -> float:
    """Every point settled."""
    points = profile.points
    digital = [point.settle for of in (points.outputs, points.inputs) for point in of.values()]
    channels = {**points.analog_inputs, **points.analog_outputs}
    return max(digital, default=0.0) + max((channel.settle for channel in channels.values()), default=0.0)


def each_mode(profile: Profile, supply: Supply) -> float:
    """Into each mode, and two settled readings of the supply there."""
    return _EXCHANGES.get() + len(profile.mode_list()) * (profile.modes.change_within + 2.0 * supply.settle)


def clock_goes(_: Profile, __: Supply) -> float:
    """Two looks at the clock, a few seconds apart."""
    return _EXCHANGES.get() + clock_check.BETWEEN


def clock_drift(profile: Profile, supply: Supply) -> float:
    """As long as the clock must be watched to tell its claim, beyond what the checks of the points take meanwhile."""
    try:
        watched = clock_check.planned_watching_time(profile)
    except NotPerformed:
        return _EXCHANGES.get()
    return _EXCHANGES.get() + max(0.0, watched - _at_the_points(profile, supply))


def _at_the_points(profile: Profile, supply: Supply) -> float:
    """What the checks of outputs, inputs, analog channels and ports take at least."""
    points = profile.points
    checks = 2 * len(points.outputs) + len(points.inputs)
    checks += 2 * len({**points.analog_inputs, **points.analog_outputs})
    at_once = together(profile, supply) if points.inputs else 0.0
    return checks * _EXCHANGES.get() + at_once + len(profile.ports) * port_frames(profile, supply)


def without_supply(profile: Profile, supply: Supply) -> float:
    """Storing the configuration, the longest time without supply that the profile names, and a start."""
    store = 0.0 if profile.configuration is None else profile.configuration.store_time
    return store + battery.longest_off(profile) + start(profile, supply)


def ride_through(profile: Profile, supply: Supply) -> float:
    """Every trial with its interruption as long as the longest, and time to see whether the unit started."""
    plan = margins_of(profile)
    pause = max(BETWEEN_INTERRUPTIONS, profile.start.ready_within)
    trial = plan.longest_interruption + pause + supply.settle
    return _EXCHANGES.get() + ride_through_search(profile).most_trials * trial


def slow_ramp(profile: Profile, supply: Supply) -> float:
    """A ramp down and up, and a start."""
    ways = _WAYS * profile.ratings.supply / margins_of(profile).ramp
    return ways + start(profile, supply) + supply.settle


def cold_starts(profile: Profile, _: Supply) -> float:
    """All starts of the claim's plan, and a look at all of the unit after each."""
    each = cycling_of(profile).off + profile.start.ready_within + _look_at_all(profile)
    return _EXCHANGES.get() + start_plan(profile).most * each


def other_starts(profile: Profile, _: Supply) -> float:
    """The warm starts and those after short pauses, and a look at all of the unit after each."""
    claim = cycling_of(profile)
    both = claim.warm_off + claim.short_off + 2.0 * (profile.start.ready_within + _look_at_all(profile))
    return _EXCHANGES.get() + claim.extra * both


def hot_starts(profile: Profile, supply: Supply) -> float:
    """The starts of a unit that is hot from its soak, and a look at all of it after each."""
    return HOT_STARTS * (restart(profile, supply) + _look_at_all(profile))


def _look_at_all(profile: Profile) -> float:
    """Live once, and every point on and off."""
    points = profile.points
    digital = (points.outputs, points.inputs)
    settle = sum(2.0 * max((point.settle for point in of.values()), default=0.0) for of in digital)
    return _EXCHANGES.get() + profile.modes.change_within + settle


def port_clock(profile: Profile, _: Supply) -> float:
    """Every shifted speed carries a few frames there and back, or waits for them without an answer."""
    return _EXCHANGES.get() + max(
        (
            ports.trials(port.character_bits) * _SHIFTED_BITS / max(port.speeds)
            for port in profile.ports.values()
        ),
        default=0.0,
    )


def port_frames(profile: Profile, _: Supply) -> float:
    """All bits that pass the claimed bit error ratio without an error, at every speed; the mean of the ports.

    Each port has a check of its own. A network port carries them faster than this computer asks for them, so
    that it counts as a few exchanges.
    """

    def seconds(port: Port) -> float:
        if port.bit_error_ratio is None or find_driver("serial partner", port.partner).network:
            return 0.0
        bits = plan_of(port, profile.ports.values()).looks[0]
        frame = Frame(int(port.frame[0]), port.frame[1] != "N", float(port.frame[2]))
        return sum(duration(bits, speed, frame) for speed in port.speeds)

    return _EXCHANGES.get() + sum(map(seconds, profile.ports.values())) / max(1, len(profile.ports))


def soak(profile: Profile, supply: Supply) -> float:
    """The whole soak of the profile's plan."""
    return _EXCHANGES.get() if profile.soak is None else start(profile, supply) + profile.soak.duration
