"""What stands in a profile fits itself: limits and times, modes, faults, plans, and what a terminal is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise

from hilseq.analysis.counted import trials_needed
from hilseq.analysis.start_plans import SequentialStarts, sequential_starts_about
from hilseq.description.drivers import find_driver
from hilseq.description.findings import SLIP, Finding, Findings, Place, nearest_word
from hilseq.description.plans import Cycling
from hilseq.description.profile import PLACES, Indicator, Mode, Profile
from hilseq.description.ranges import range_names
from hilseq.description.registers import Register
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
    # Without a question for longer, a unit that is ready in time could not be distinguished from one that is not.
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


def cycles_fall_into_the_soak(profile: Profile) -> Findings:
    """Warn of power cycles that are planned later than the soak ends, or too short for the unit to go off."""
    soak, off = profile.soak, profile.start.off_time
    if soak is not None and soak.cycles is not None and soak.cycles.off < off:
        wrong = f"a cycle of {show_duration(soak.cycles.off)} is shorter than the unit's off-time: no start is cold"
        expected = f"at least {show_duration(off)} (`start.off-time`)"
        yield Finding(("soak", "cycles", "off"), wrong, expected, at_key=True, warning=True)
    if soak is not None and soak.cycles is not None and soak.cycles.every >= soak.duration:
        every, duration = show_duration(soak.cycles.every), show_duration(soak.duration)
        wrong = f"a cycle every {every} falls into no soak of {duration}: none is made"
        yield Finding(("soak", "cycles", "every"), wrong, f"less than {duration}", warning=True)


def battery_limits_are_ordered(profile: Profile) -> Findings:
    """Require that a battery is replaced below its nominal voltage."""
    battery = profile.battery
    if battery is not None and battery.lowest >= battery.nominal:
        wrong = f"lowest {battery.lowest:g} V is not below nominal {battery.nominal:g} V"
        yield Finding(("battery", "lowest"), wrong, f"less than {battery.nominal:g} V")


def limits_can_be_meant(profile: Profile) -> Findings:
    """Refuse a limit that another one makes meaningless: a slip of its unit (mA for A, mV for V), mostly."""
    start, battery, soak, highest = profile.start, profile.battery, profile.soak, profile.highest_case
    idle = start.idle_current
    if start.inrush_peak is not None and idle is not None and start.inrush_peak < idle.high:
        wrong = f"an inrush peak of {start.inrush_peak:g} A is less than the unit draws when idle"
        yield Finding(("start", "inrush-peak"), wrong, f"{idle.high:g} A or more")
    rising = [
        (key, current)
        for key, current in (
            ("idle-current", idle),
            ("live-current", start.live_current),
            ("loaded-current", start.loaded_current),
        )
        if current is not None
    ]
    for (less, small), (more, large) in pairwise(rising):
        if small.low >= large.high:
            wrong = (
                f"{less} begins at {small.low:g} A, where {more} ends at {large.high:g} A: no unit keeps both"
            )
            yield Finding(("start", less), wrong, f"less than {large.high:g} A")
    for name, output in profile.points.outputs.items():
        if output.leakage and output.rated_current and output.leakage >= output.rated_current:
            wrong = f"a leakage of {output.leakage:g} A is no less than the rated current"
            yield Finding(
                ("points", "outputs", name, "leakage"),
                wrong,
                f"less than {output.rated_current:g} A",
                topic="leakage",
            )
    if battery is not None and battery.lowest < 0.5 * battery.nominal:
        wrong = f"lowest {battery.lowest:g} V is less than half of nominal: that battery would be empty"
        yield Finding(("battery", "lowest"), wrong, f"at least {0.5 * battery.nominal:g} V")
    if soak is not None and soak.ambient is not None and highest is not None and soak.ambient >= highest:
        wrong = f"the soak's ambient of {soak.ambient:g} \u00b0C is no less than the highest case temperature"
        yield Finding(("soak", "ambient"), wrong, f"less than `highest-case`, {highest:g} \u00b0C")
    if profile.cycling is not None and profile.cycling.off < start.off_time:
        wrong = f"off {show_duration(profile.cycling.off)} is shorter than the unit's off-time: no start would be cold"
        yield Finding(
            ("cycling", "off"), wrong, f"at least {show_duration(start.off_time)} (`start.off-time`)"
        )


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


def values_are_distinct(profile: Profile) -> Findings:
    """Two modes, or two indicator states, are never reported by the same number."""
    link = profile.link
    yield from _distinct(("link", "mode"), link.mode, link.mode.values)
    if link.indicator is not None:
        yield from _distinct(("link", "indicator"), link.indicator, link.indicator.values)
    if link.mode_command is not None:
        yield from _distinct(("link", "mode-command"), link.mode_command, link.mode_command.values)


def _distinct(
    place: Place, register: Register, values: Mapping[Mode, int] | Mapping[Indicator, int]
) -> Findings:
    taken: dict[int, str] = {}
    for word, number in values.items():
        if number in taken:
            wrong = f"{word} and {taken[number]} have the same number {number}"
            yield Finding((*place, "values", str(word)), wrong, "a number of its own for each")
        elif register.is_bit and number > 1:
            wrong = f"{word} has the number {number}, but the register is one bit"
            yield Finding((*place, "values", str(word)), wrong, "0 or 1")
        taken.setdefault(number, str(word))


def _reported(profile: Profile, place: Place, mode: Mode, why: str) -> Findings:
    known = profile.link.mode.values
    if mode not in known and known:
        yield Finding(
            place,
            f"{why} is {mode}, which the unit does not report",
            f"one of {', '.join(known)}, or a number for {mode} in `link.mode.values`",
            absent=("link", "mode", "values", str(mode)),
        )


def modes_are_reported(profile: Profile) -> Findings:
    """Each mode named anywhere in the profile has a number in `link.mode.values`."""
    modes = profile.modes
    yield from _reported(profile, ("modes", "at-start"), modes.at_start, "the mode at start")
    for name, position in modes.switch.items():
        yield from _reported(
            profile, ("modes", "switch", name, "mode"), position.mode, f"the mode in position {name}"
        )
    command = profile.link.mode_command
    for mode in command.values if command is not None else ():
        place = ("link", "mode-command", "values", str(mode))
        yield from _reported(profile, place, mode, "the commanded mode")


def modes_can_be_reached(profile: Profile) -> Findings:
    """Require a switch position, a command or the start to reach the modes of loading and soak."""
    modes, command = profile.modes, profile.link.mode_command
    reachable = {modes.at_start, *(position.mode for position in modes.switch.values())}
    if command is not None:
        reachable |= set(command.values)
    wanted: list[tuple[Place, str, str]] = []
    if profile.configuration is not None:
        wanted.append(
            (("configuration", "load-in"), profile.configuration.load_in, "the configuration is loaded")
        )
    if profile.soak is not None:
        wanted.append((("soak", "mode"), profile.soak.mode, "the soak runs"))
    for place, mode, what in wanted:
        if mode not in reachable:
            yield Finding(
                place,
                f"{what} in mode {mode}, but nothing brings the unit into it",
                f"one of {', '.join(sorted(reachable))}, or a switch position or mode-command for {mode}",
            )


def contacts_are_distinct(profile: Profile) -> Findings:
    """Each contact of the mode switch belongs to one position; at most one position has none."""
    taken: dict[str, str] = {}
    without: list[str] = []
    for name, position in profile.modes.switch.items():
        place = ("modes", "switch", name)
        if position.contact is None:
            without.append(name)
        elif position.contact in taken:
            wrong = f"the contact {position.contact} closes in {taken[position.contact]} and in {name}"
            yield Finding((*place, "contact"), wrong, "a contact of its own for each position")
        else:
            taken[position.contact] = name
    if taken and len(without) > 1:
        wrong = f"the positions {' and '.join(without)} have no contact, so nothing tells them apart"
        yield Finding(("modes", "switch", without[-1]), wrong, "a contact for all positions but one")


_NUMBERED = re.compile(r"(.*\D|)\d+", re.DOTALL)


def series_of(name: str) -> str | None:
    """Return what stands before the number at the end of a name; None where there is none."""
    match = _NUMBERED.fullmatch(name)
    return None if match is None else match[1]


def fault_offsets_are_distinct(profile: Profile) -> Findings:
    """Code, place and time of a stored fault stand in different registers of a record."""
    faults = profile.faults
    if faults is None:
        return
    taken: dict[int, str] = {}
    offsets = {
        "code": [faults.code],
        "place": [] if faults.place is None else [faults.place],
        "time": [] if faults.time is None else [faults.time, faults.time + 1],
    }
    for name, registers in offsets.items():
        for register in registers:
            if register in taken:
                wrong = f"`{name}` and `{taken[register]}` share register {register} of a record"
                yield Finding(("faults", name), wrong, "an offset of its own for each")
                break
            taken[register] = name


def fault_codes_can_be_stored(profile: Profile) -> Findings:
    """Require that a code or a place is the number of one register; code 0 means an empty record."""
    faults = profile.faults
    if faults is None:
        return
    provoked = faults.at_slow_ramp
    if provoked is not None and provoked not in faults.codes:
        words = f"the code 0x{provoked:X} of a slow ramp is not in this fault table"
        yield Finding(("faults", "at-slow-ramp"), words, "one of the codes under `codes`")
    for code in faults.codes:
        if code == 0:
            place = ("faults", "codes", code)
            yield Finding(place, "the code 0 means an empty record", "a code from 1", at_key=True)
    for section, numbers in (("codes", faults.codes), ("places", faults.places)):
        for number in numbers:
            if not 0 <= number <= 65535:  # noqa: PLR2004 - the largest number of one register
                wrong = f"{number} does not fit one register"
                yield Finding(("faults", section, number), wrong, "a number from 0 to 65535", at_key=True)


def fault_places_exist(profile: Profile) -> Findings:
    """Require that a place which is called like the points or ports of the unit is one of them."""
    faults = profile.faults
    if faults is None:
        return
    if faults.places and faults.place is None:
        wrong = "places have names, but `place` says that a record holds none"
        yield Finding(("faults", "places"), wrong, "an offset in `place`, or no `places`", at_key=True)
    known = [*points_of(profile), *profile.ports]
    known += [f"neighbour {number}" for number in range(1, profile.rack_positions + 1)]
    series = {series_of(one) for one in known} - {None}
    for number, name in faults.places.items():
        if name not in known and series_of(name) in series:
            yield Finding(
                ("faults", "places", number),
                f"the unit has no {name!r}",
                "the name of a point, a port or a neighbour as in this profile",
                nearest_word(name, known),
                absent=_place_of(name),
            )


def causes_name_what_there_is(profile: Profile) -> Findings:
    """Refuse codes that the fault table lacks, and places written almost as one of this unit."""
    known = [*PLACES, *points_of(profile), *profile.ports, *(f"mode {mode}" for mode in profile.mode_list())]
    known += [f"neighbour {number}" for number in range(1, profile.rack_positions + 1)]
    codes = {} if profile.faults is None else profile.faults.codes
    for name, cause in profile.causes.items():
        for number, code in enumerate(cause.faults):
            if code not in codes:
                wrong = f"the fault table has no code 0x{code:02X}"
                expected = "a code that `faults.codes` explains"
                yield Finding(("causes", name, "faults", number), wrong, expected, absent=("faults", "codes"))
        for number, written in enumerate(cause.places):
            place = ("causes", name, "places", number)
            try:
                names = range_names(written)
            except ValueError as error:
                yield Finding(place, str(error), "names that end in numbers, such as q01..q16")
                continue
            for one in names or [written]:
                near = "" if one in known else nearest_word(one, known, SLIP)
                if near or (names and one not in known):
                    wrong = f"there is no place {one!r}"
                    yield Finding(place, wrong, "a place of this unit", near, absent=("points",))
                    break


def _place_of(name: str) -> tuple[str, ...] | None:
    return ("ports", name) if name.startswith("port") else None


#: More starts than this nobody makes: at 10 s each they take twelve days.
MOST_STARTS = 100_000


def soak_current_can_flow(profile: Profile) -> Findings:
    """Require that the supply lets the unit draw what the soak expects of it."""
    soak, limit = profile.soak, profile.ratings.current_limit
    if soak is not None and soak.current is not None and soak.current.low >= limit:
        wrong = f"current begins at {soak.current.low:g} A, but the supply is limited to {limit:g} A"
        yield Finding(("soak", "current"), wrong, "less than `ratings.current-limit`")


def pattern_steps_are_seen(profile: Profile) -> Findings:
    """Require that each step of the load pattern lasts until the outputs have followed and a sample was taken."""
    soak = profile.soak
    if soak is None or soak.pattern in ("off", "on") or soak.period > soak.duration:
        return
    slowest = max((point.settle for point in profile.points.outputs.values()), default=0.0)
    for what, shortest in (("`period`", soak.period), ("`settle` of the slowest output", slowest)):
        if soak.pattern_period < shortest:
            wrong = (
                f"a step of the pattern ({show_duration(soak.pattern_period)}) is shorter than {what} "
                f"({show_duration(shortest)})"
            )
            yield Finding(("soak", "pattern-period"), wrong, f"at least {show_duration(shortest)}")


def soak_traffic_has_ports(profile: Profile) -> Findings:
    """Ports kept busy during the soak are ports of the unit, each named once."""
    if profile.soak is None:
        return
    names = profile.soak.port_traffic
    for position, name in enumerate(names):
        place = ("soak", "port-traffic", position)
        if name not in profile.ports:
            yield Finding(
                place,
                f"the unit has no port {name!r}",
                f"one of {', '.join(profile.ports)}" if profile.ports else "no ports",
                absent=("ports", name),
            )
        elif name in names[:position]:
            yield Finding(place, f"{name} stands here twice", "each port once")


def starts_can_be_made(profile: Profile) -> Findings:
    """Require that the claim about starting can be proven in a number of starts that somebody would make."""
    claim = profile.cycling
    if claim is None:
        return
    needed, claimed = _starts_needed(claim), f"a start probability of {claim.start_probability:.15g}"
    if needed <= MOST_STARTS:
        return
    if claim.plan == "success run":
        wrong = f"{claimed} with confidence {claim.confidence:.15g} needs {needed} cold starts"
    else:
        wrong = (
            f"telling {claimed} from {claim.worst_probability:.15g} needs up to about {needed} cold starts"
        )
    takes = show_duration(needed * (claim.off + profile.start.ready_within))
    yield Finding(
        ("cycling", "start-probability"),
        f"{wrong}, up to {takes}",
        f"a claim that {MOST_STARTS} starts can prove",
    )


#: Nobody waits longer for the bits of one port, s; and bits that a network port is taken to carry in one second.
_MOST_BITS_TIME, _NETWORK_RATE = 86400.0, 1e6


def ports_can_be_decided(profile: Profile) -> Findings:
    """Require that a bit error ratio can be proven by bits that somebody would wait for."""
    for name, port in profile.ports.items():
        if port.bit_error_ratio is None:
            continue
        bits = trials_needed(1.0 - port.bit_error_ratio, 0.95)
        network = find_driver("serial partner", port.partner).network
        each = port.character_bits / int(port.frame[0])
        takes = bits / _NETWORK_RATE if network else sum(bits * each / speed for speed in port.speeds)
        if takes > _MOST_BITS_TIME:
            least = 1.05 * port.bit_error_ratio * takes / _MOST_BITS_TIME  # rounded, but never down
            yield Finding(
                ("ports", name, "bit-error-ratio"),
                f"a bit error ratio of {port.bit_error_ratio:g} takes {bits:.2g} bits without an error, and these "
                f"{show_duration(takes)}: no visit can show it",
                f"{least:.2g} or more, or no `bit-error-ratio`: 1e-3 is tested then",
                topic="bit-error-ratio",
            )


#: A sequential plan that is cut off early may pass a bad unit this many times as often as its profile says.
_MOST_RISK = 1.1


def starts_keep_their_risk(profile: Profile) -> Findings:
    """Require that a sequential plan is not cut off so early that it passes a bad unit more often than is stated."""
    claim = profile.cycling
    if claim is None or claim.worst_probability is None or claim.max_starts is None:
        return
    if claim.plan != "sequential" or _starts_needed(claim) > MOST_STARTS:
        return
    plan = SequentialStarts(
        claim.start_probability,
        claim.worst_probability,
        claim.producer_risk,
        claim.consumer_risk,
        claim.confidence,
        claim.max_starts,
    )
    producer, consumer, _ = plan.risks()
    for what, risk, stated in (
        (
            f"passes a unit that starts with a probability of only {claim.worst_probability:.15g}",
            consumer,
            claim.consumer_risk,
        ),
        ("refuses a unit that starts as claimed", producer, claim.producer_risk),
    ):
        if risk > _MOST_RISK * stated:
            yield Finding(
                ("cycling", "max-starts"),
                f"cut off after {claim.max_starts} starts the sequential plan {what} with a risk of "
                f"{100.0 * risk:.3g} %, not of {100.0 * stated:.3g} %",
                f"more starts, such as {plan.plan.truncation}, or a larger risk stated",
            )
            return


def _starts_needed(claim: Cycling) -> int:
    if claim.plan == "success run" or claim.worst_probability is None:
        return trials_needed(claim.start_probability, claim.confidence)
    most = sequential_starts_about(
        claim.start_probability, claim.worst_probability, claim.producer_risk, claim.consumer_risk
    )
    return int(float(f"{most:.3g}"))  # no more digits than it deserves


def terminals_of(profile: Profile) -> list[str]:
    """Return the names of all terminals: points, contacts of the switch, lamps."""
    names = points_of(profile)
    names += [switch.contact for switch in profile.modes.switch.values() if switch.contact is not None]
    if profile.indicator is not None:
        names += [profile.indicator.healthy, profile.indicator.faulted]
    return names


def points_of(profile: Profile) -> list[str]:
    """Return the names of all points."""
    points = profile.points
    return [*points.outputs, *points.inputs, *points.analog_inputs, *points.analog_outputs]


def terminals_have_one_meaning(profile: Profile) -> Findings:
    """Require names of their own for points, contacts and lamps: they are all terminals."""
    points = profile.points
    named: list[tuple[tuple[str, ...], str, str, bool]] = []
    for section, names in (
        ("outputs", points.outputs),
        ("inputs", points.inputs),
        ("analog-inputs", points.analog_inputs),
        ("analog-outputs", points.analog_outputs),
    ):
        named += [
            (("points", section, name), name, section.rstrip("s").replace("-", " "), True) for name in names
        ]
    for position, switch in profile.modes.switch.items():
        if switch.contact is not None:
            named.append((("modes", "switch", position, "contact"), switch.contact, "contact", False))
    if profile.indicator is not None:
        named.append((("indicator", "healthy"), profile.indicator.healthy, "lamp", False))
        named.append((("indicator", "faulted"), profile.indicator.faulted, "lamp", False))
    taken: dict[str, str] = {}
    for place, name, what, at_key in named:
        if name in taken and not what == taken[name] == "contact":
            wrong = f"the terminal {name!r} is {_a(what)} and {_a(taken[name])}"
            yield Finding(place, wrong, "a name of its own for each", at_key=at_key, topic="terminal twice")
        taken.setdefault(name, what)


def _a(what: str) -> str:
    return f"an {what}" if what[0] in "aeio" else f"a {what}"
