"""Limits and times of a profile stand in the right order."""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.profile import Profile
from hilseq.description.source_position import Place
from hilseq.quantities import show_duration


def currents_lie_below_the_limit(profile: Profile) -> Findings:
    """Require that a healthy unit never draws as much as the current limit of the supply is set to."""
    limit = profile.ratings.current_limit
    for key, current in (
        ("idle-current", profile.start.idle_current),
        ("live-current", profile.start.live_current),
    ):
        if current is not None and current.high >= limit:
            wrong = f"{key} goes up to {current.high:g} A, but the supply is limited to {limit:g} A"
            yield Finding(("start", key), wrong, "less than `ratings.current-limit`")
        if current is not None and current.low < 0:
            yield Finding(("start", key), f"{key} begins below zero", "a range of currents from 0 A")


def times_are_ordered(profile: Profile) -> Findings:
    """Require that the shorter of two times is the shorter one."""
    margins, soak, start = profile.margins, profile.soak, profile.start
    # Left alone for longer, a unit that is ready in time could not be told from one that is not.
    half = ("half of ready-within", 0.5 * start.ready_within)
    pairs: list[tuple[Place, str, float, str, float]] = [
        (("start",), "startup-quiet", start.startup_quiet, *half)
    ]
    if margins is not None:
        longest = ("longest-interruption", margins.longest_interruption)
        pairs.append((("margins",), "ride-through", margins.ride_through, *longest))
        pairs.append((("margins",), "resolution", margins.resolution, *longest))
    if soak is not None:
        pairs.append((("soak",), "period", soak.period, "duration", soak.duration))
        pairs.append((("soak",), "pattern-period", soak.pattern_period, "duration", soak.duration))
        if soak.pre_trigger_period is not None:
            pairs.append((("soak",), "pre-trigger-period", soak.pre_trigger_period, "period", soak.period))
        if soak.cycles is not None:
            pairs.append((("soak", "cycles"), "off", soak.cycles.off, "every", soak.cycles.every))
    for place, short_key, short, long_key, long in pairs:
        if short > long:
            yield Finding(
                (*place, short_key),
                f"{short_key} ({show_duration(short)}) is longer than {long_key} ({show_duration(long)})",
                f"at most {show_duration(long)}",
            )


def battery_limits_are_ordered(profile: Profile) -> Findings:
    """Require that a battery is replaced below its nominal voltage."""
    battery = profile.battery
    if battery is not None and battery.lowest >= battery.nominal:
        wrong = f"lowest {battery.lowest:g} V is not below nominal {battery.nominal:g} V"
        yield Finding(("battery", "lowest"), wrong, f"less than {battery.nominal:g} V")


def twin_starts_above_where_it_stops(profile: Profile) -> Findings:
    """Require that the twin's under-voltage lockout has its hysteresis the right way round."""
    twin = profile.twin
    if twin.start_above <= twin.stop_below:
        wrong = f"the twin starts above {twin.start_above:g} V but stops only below {twin.stop_below:g} V"
        yield Finding(("twin",), wrong, "start-above greater than stop-below", at_key=True)
    stated = "start_above" in twin.model_fields_set
    if stated and twin.start_above > profile.ratings.supply_range.low:
        wrong = f"the twin starts only above {twin.start_above:g} V, inside the supply-range"
        expected = f"at most {profile.ratings.supply_range.low:g} V"
        yield Finding(("twin", "start-above"), wrong, expected, at_key=True)


def modules_are_known(profile: Profile) -> Findings:
    """Require rack positions of a unit that reports neighbours, and a number for an empty one."""
    modules = profile.identity.modules
    if modules is None:
        return
    if profile.rack_positions == 0:
        wrong = "modules are reported, but there is no rack position"
        yield Finding(("identity", "modules"), wrong, "`rack-positions` of 1 or more", at_key=True)
    if "empty" not in modules.types:
        wrong = "no number is given for an empty rack position"
        yield Finding(("identity", "modules", "types"), wrong, "the type `empty`", at_key=True)
    numbers: dict[int, str] = {}
    for name, number in modules.types.items():
        if number in numbers:
            wrong = f"{name} and {numbers[number]} have the same number {number}"
            yield Finding(("identity", "modules", "types", name), wrong, "a number of its own for each")
        numbers.setdefault(number, name)
