"""How long the checks of a visit take on hardware, before anything is powered.

An estimate from the times of the profile and the settling of the supply: every start as slow as the profile
allows, every wait as long as it is. What a check does beyond that counts as a few exchanges. Checks that are
not known here, such as somebody's own, count as those few exchanges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from hilseq.analysis.biterror import Frame, bits_needed, duration
from hilseq.analysis.digital_input import BETWEEN_INTERRUPTIONS
from hilseq.description.points import Port
from hilseq.description.profile import Profile
from hilseq.description.supplies import Supply
from hilseq.errors import NotPerformed
from hilseq.procedures import clock_check, ports_clock
from hilseq.procedures.cycling import cycling_of, start_plan
from hilseq.procedures.margins import margins_of
from hilseq.procedures.margins_interruptions import ride_through_search
from hilseq.procedures.ports_tally import CONFIDENCE

#: Exchanges and settling of a plain check, s; a guess, no source.
PLAIN = 0.5
#: Bits that go over a port, or are waited for, at each shifted speed; a guess, no source.
_SHIFTED_BITS = 5000.0
#: A ramp goes down and up, and the voltages outside its fine steps are passed at the same slope.
_WAYS = 2.0

Estimate = Callable[[Profile, Supply], float]


def _start(profile: Profile, _: Supply) -> float:
    return profile.start.ready_within


def _restart(profile: Profile, _: Supply) -> float:
    return profile.start.off_time + profile.start.ready_within


def _clock_drift(profile: Profile, _: Supply) -> float:
    try:
        return clock_check.planned_watching_time(profile)
    except NotPerformed:
        return 0.0


def _clock_kept(profile: Profile, _: Supply) -> float:
    return 0.0 if profile.clock is None else profile.clock.kept_for + profile.start.ready_within


def _configuration_kept(profile: Profile, _: Supply) -> float:
    memory = profile.configuration
    return 0.0 if memory is None else memory.store_time + memory.kept_for + profile.start.ready_within


def _ride_through(profile: Profile, supply: Supply) -> float:
    """Every trial with its interruption as long as the longest, and time to see whether the unit started."""
    plan = margins_of(profile)
    pause = max(BETWEEN_INTERRUPTIONS, profile.start.ready_within)
    return ride_through_search(profile).most_trials * (plan.longest_interruption + pause + supply.settle)


def _ramp(profile: Profile, supply: Supply) -> float:
    return (
        _WAYS * profile.ratings.supply / margins_of(profile).ramp + profile.start.ready_within + supply.settle
    )


def _cold_starts(profile: Profile, _: Supply) -> float:
    return start_plan(profile).most * (cycling_of(profile).off + profile.start.ready_within)


def _other_starts(profile: Profile, _: Supply) -> float:
    claim = cycling_of(profile)
    return claim.extra * (claim.warm_off + claim.short_off + 2.0 * profile.start.ready_within)


def _port_clock(profile: Profile, _: Supply) -> float:
    """Every shifted speed carries a few frames there and back, or waits for them in vain."""
    return max(
        (
            ports_clock.trials(port.character_bits) * _SHIFTED_BITS / max(port.speeds)
            for port in profile.ports.values()
        ),
        default=0.0,
    )


def _port_frames(profile: Profile, _: Supply) -> float:
    """All bits that prove the claimed bit error ratio without an error, at every speed; the mean of the ports.

    Each port has a check of its own. A network port carries them faster than this computer asks for them, so
    that it counts as a plain check.
    """

    def seconds(port: Port) -> float:
        if port.bit_error_ratio is None or port.partner == "modbus tcp":
            return 0.0
        bits = bits_needed(port.bit_error_ratio, CONFIDENCE)
        frame = Frame(int(port.frame[0]), port.frame[1] != "N", float(port.frame[2]))
        return sum(duration(bits, speed, frame) for speed in port.speeds)

    return sum(map(seconds, profile.ports.values())) / max(1, len(profile.ports))


def _mode_change(profile: Profile, _: Supply) -> float:
    return profile.modes.change_within


def _each_mode(profile: Profile, supply: Supply) -> float:
    return len(profile.mode_list()) * (profile.modes.change_within + 2.0 * supply.settle)


#: Name of a check -> what it takes beside the few exchanges, s.
ESTIMATES: Mapping[str, Estimate] = {
    "test_starts": _start,
    "test_inrush": _restart,
    "test_current_in_each_mode": _each_mode,
    "test_clears_and_stays_clear": _restart,
    "test_is_kept": _restart,
    "test_clock_runs_right": _clock_drift,
    "test_clock_is_kept": _clock_kept,
    "test_configuration_is_kept": _configuration_kept,
    "test_reaches": _mode_change,
    "test_changes": _mode_change,
    "test_outputs_follow_only_when_live": _mode_change,
    "test_says_whether_outputs_are_enabled": _mode_change,
    "test_clock": _port_clock,
    "test_carries_frames": _port_frames,
    "test_works_at_the_corner": _restart,
    "test_rides_through": _ride_through,
    "test_slow_ramp": _ramp,
    "test_starts_cold_every_time": _cold_starts,
    "test_starts_warm_and_after_short_pauses": _other_starts,
}


def seconds_of(name: str, profile: Profile, supply: Supply) -> float:
    """Return about how long a check takes on hardware, s. `name` is that of its function."""
    known = ESTIMATES.get(name)
    return PLAIN if known is None else PLAIN + known(profile, supply)
