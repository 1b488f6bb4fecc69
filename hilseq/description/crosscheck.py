"""A stand compared with the profiles of the units it is to test: what does not fit, and what it cannot measure.

A stand of logic channels alone is of use, so a claim that nobody measures is no fault; but nobody may take `ship`
for a word about it.

The slot holds what the unit in it needs: its wires, its supply, its ports, its neighbours and its link.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import partial

from hilseq.description.checks import judging, magnitudes
from hilseq.description.checks.judging import at_terminal
from hilseq.description.checks.profile_values import terminals_of
from hilseq.description.drivers import find_driver
from hilseq.description.findings import Finding, Findings, Place, collect, listed, nearest_word, problems_of
from hilseq.description.loading import DescriptionFile
from hilseq.description.profile import Profile
from hilseq.description.stand import Signal, Stand
from hilseq.errors import Problem
from hilseq.quantities import UNITS, QuantityError, dimension_of

_SIGNALS: Place = ("signals",)


def _dimension(signal: Signal) -> str:
    try:
        return dimension_of(signal.unit)
    except QuantityError:
        return ""


class _Terminals:
    """What the signals of a stand do at the terminals of one slot."""

    def __init__(self, stand: Stand, slot: str, profile: Profile) -> None:
        self.slot = slot
        self.part = profile.part
        self.of_unit = frozenset(terminals_of(profile))
        self.sensing: dict[str, list[Signal]] = {}
        self.driving: dict[str, Signal] = {}
        #: Where the first signal at a terminal names it.
        self.named: dict[str, Place] = {}
        for name, signal in stand.signals.items():
            for key, text in (("senses", signal.senses), ("drives", signal.drives)):
                owner, _, terminal = (text or "").partition(".")
                if owner == slot:
                    self.named.setdefault(terminal, ("signals", name, key))
                if owner == slot and text == signal.senses:
                    self.sensing.setdefault(terminal, []).append(signal)
                elif owner == slot:
                    self.driving[terminal] = signal

    def unserved(self, names: Iterable[str], what: str, key: str, seen: Place) -> Findings:
        """Report terminals that no signal drives or senses; `key` tells which."""
        known: Iterable[str] = self.driving if key == "drives" else self.sensing
        lacking = [name for name in names if name not in known]
        if lacking:
            # A terminal that the unit has is not a misspelling of another.
            nearest = nearest_word(lacking[0], [name for name in known if name not in self.of_unit])
            wrong = f"no signal {key} the {what} {listed(lacking)} of {self.part} in slot {self.slot}"
            expected = f"signals with `{key}: {self.slot}.{lacking[0]}`"
            if nearest:
                place, wrong = self.named[nearest], f"{wrong}; this one {key} {self.slot}.{nearest}"
                yield Finding(place, wrong, expected, f"{self.slot}.{lacking[0]}", seen=seen)
            else:
                yield Finding(_SIGNALS, wrong, expected, at_key=True, seen=seen)


def outputs_are_sensed(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each output of the unit has a signal that senses it: one bit, or a voltage."""
    terminals = _Terminals(stand, slot, profile)
    outputs = profile.points.outputs
    yield from terminals.unserved(outputs, "outputs", "senses", ("points", "outputs"))
    strange = [
        name
        for name in outputs
        if name in terminals.sensing
        and not any(signal.is_bit or _dimension(signal) == "voltage" for signal in terminals.sensing[name])
    ]
    if strange:
        wrong = (
            f"the outputs {listed(strange)} of {profile.part} are sensed neither as a bit nor as a voltage"
        )
        yield Finding(
            _SIGNALS, wrong, "a bit, or `unit: V`", at_key=True, seen=("points", "outputs", strange[0])
        )


def inputs_are_driven(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each input of the unit has a signal that drives it."""
    terminals = _Terminals(stand, slot, profile)
    place = ("points", "inputs")
    yield from terminals.unserved(profile.points.inputs, "inputs", "drives", place)


def analog_points_are_wired(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each analog point has a signal of its own dimension: inputs are driven, outputs sensed."""
    terminals = _Terminals(stand, slot, profile)
    points, part = profile.points, profile.part
    driven, sensed = points.analog_inputs, points.analog_outputs
    yield from terminals.unserved(driven, "analog inputs", "drives", ("points", "analog-inputs"))
    yield from terminals.unserved(sensed, "analog outputs", "senses", ("points", "analog-outputs"))
    for section, some in (("analog-inputs", driven), ("analog-outputs", sensed)):
        for name, point in some.items():
            signals = terminals.sensing.get(name, [])
            if section == "analog-inputs":
                signals = [terminals.driving[name]] if name in terminals.driving else []
            if signals and all(_dimension(signal) != point.terminal_dimension for signal in signals):
                _, symbols = UNITS[point.terminal_dimension]
                unit = signals[0].unit
                yield Finding(
                    (*terminals.named[name][:2], "unit"),
                    f"{name} of {part} is {point.kind}, but its signal is "
                    + (f"in {unit}, which is no {point.terminal_dimension}" if unit else "without a unit"),
                    f"the unit of a {point.terminal_dimension}: {', '.join(symbols)}",
                    topic=f"dimension of {section}",
                    seen=("points", section, name),
                )


def terminals_are_of_the_unit(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Warn of a signal at a numbered terminal that the unit lacks: a slip, where the stand is for no other unit.

    What has no number, a chamber or a case, is a sensor of the stand's own at the unit.
    """
    terminals = _Terminals(stand, slot, profile)
    for terminal, place in terminals.named.items():
        if terminal not in terminals.of_unit and terminal[-1:].isdigit():
            near = nearest_word(terminal, terminals.of_unit)
            yield Finding(
                place,
                f"{profile.part} has no terminal {terminal!r} in slot {slot}",
                f"one of {listed(sorted(terminals.of_unit))}",
                f"{slot}.{near}" if near else "",
                topic="terminal of no unit",
                warning=True,
            )


#: Shares of an output's rated current that a load may take: at half of it a drop says little of that at the whole
#: (a choice, no source); more than 1.2 times nobody may take for long (IEC 61131-2:2003, 5.3, from memory).
_LOADED = (0.5, 1.2)


def loads_are_rated(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Warn of a load that takes much less or more than an output is rated for: its drop is judged there."""
    for name, output in profile.points.outputs.items():
        found = at_terminal(stand, slot, name, "voltage")
        if found is None or found[1].load is None or not output.rated_current or output.voltage_drop is None:
            continue
        taken = profile.ratings.supply / found[1].load
        if not _LOADED[0] <= taken / output.rated_current <= _LOADED[1]:
            least, most = (profile.ratings.supply / (share * output.rated_current) for share in _LOADED[::-1])
            yield Finding(
                ("signals", found[0], "load"),
                f"this load takes {taken:.2g} A of {name} of {profile.part}, which is rated for "
                f"{output.rated_current:g} A: the voltage drop is judged at that",
                f"{least:.2g} to {most:.2g} Ohm",
                topic="load",
                seen=("points", "outputs", name, "rated-current"),
                warning=True,
            )


def lamps_are_seen(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require sensors for the lamps that the profile describes, or a person who looks at them."""
    if profile.indicator is None or stand.operator.look_at_indicator is not None:
        return
    lamps = (profile.indicator.healthy, profile.indicator.faulted)
    yield from _Terminals(stand, slot, profile).unserved(lamps, "lamps", "senses", ("indicator",))


def switch_can_be_moved(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require driven contacts for the mode switch, a person who moves it, or a command in its place."""
    positions = profile.modes.switch
    if not positions:
        return
    terminals = _Terminals(stand, slot, profile)
    driving = terminals.driving
    contacts = [position.contact for position in positions.values() if position.contact is not None]
    undriven = [contact for contact in contacts if contact not in driving]
    if contacts and not undriven:
        return
    by_hand = stand.operator.move_switch is not None or profile.link.mode_command is not None
    partly = len(undriven) < len(contacts)
    if not contacts and not by_hand:
        yield Finding(
            ("operator",),
            f"nothing moves the mode switch of {profile.part} in slot {slot}",
            "a text `move-switch` in `operator`, or contacts in the profile that signals drive",
            at_key=True,
            seen=("modes", "switch"),
        )
    elif partly or not by_hand:
        what = "contacts of the mode switch"
        yield from terminals.unserved(undriven, what, "drives", ("modes", "switch"))


def supply_serves_the_ratings(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require a supply that reaches what the unit needs and cannot exceed what it stands."""
    name = stand.slots[slot].supply
    supply, ratings, part = stand.supplies[name], profile.ratings, profile.part
    place: Place = ("supplies", name)
    for key, level in (("ceilings", supply.ceilings.voltage), ("overvoltage", supply.overvoltage)):
        if level is not None and level > ratings.absolute_maximum:
            what = "voltage ceiling" if key == "ceilings" else "over-voltage protection"
            yield Finding(
                (*place, "ceilings", "voltage") if key == "ceilings" else (*place, key),
                f"the {what} of supply {name}, {level:g} V, lies above the absolute maximum of {part}",
                f"at most {ratings.absolute_maximum:g} V",
                seen=("ratings", "absolute-maximum"),
            )
    if supply.ceilings.voltage < ratings.supply_range.high:
        yield Finding(
            (*place, "ceilings", "voltage"),
            f"the voltage ceiling of supply {name}, {supply.ceilings.voltage:g} V, does not reach "
            f"the supply range of {part}",
            f"at least {ratings.supply_range.high:g} V",
            seen=("ratings", "supply-range"),
        )
    if supply.ceilings.current < ratings.current_limit:
        yield Finding(
            (*place, "ceilings", "current"),
            f"the current ceiling of supply {name}, {supply.ceilings.current:g} A, does not reach "
            f"the current limit of {part}",
            f"at least {ratings.current_limit:g} A",
            seen=("ratings", "current-limit"),
        )


def ports_are_wired(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each port of the unit is wired in the slot, and each wired port is one of the unit."""
    wired, part = stand.slots[slot].ports, profile.part
    unwired = [name for name in profile.ports if name not in wired]
    meant = {name: nearest_word(name, unwired) for name in wired if name not in profile.ports}
    for name, port in profile.ports.items():
        if name in unwired:
            if name not in meant.values():  # said where it is misspelt
                yield Finding(
                    ("slots", slot, "ports"),
                    f"{name} of {part} is not wired in slot {slot}",
                    f"the key {name!r} with a resource",
                    at_key=True,
                    seen=("ports", name),
                )
        elif find_driver("serial partner", port.partner).network and not re.fullmatch(
            r"\S+:\d+", wired[name].resource
        ):
            yield Finding(
                ("slots", slot, "ports", name, "resource"),
                f"{name} of {part} is a network port, but {wired[name].resource[:50]!r} is no address",
                "HOST:PORT such as 192.0.2.30:502",
                seen=("ports", name, "partner"),
            )
    for name, nearest in meant.items():
        yield Finding(
            ("slots", slot, "ports", name),
            f"{part} has no {name!r}",
            f"one of {', '.join(profile.ports)}" if profile.ports else "no ports in this slot",
            nearest,
            at_key=True,
            seen=("ports",),
        )


def neighbours_are_known(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each neighbour sits in a rack position of the unit and is a module that the unit can report."""
    modules, positions = profile.identity.modules, profile.rack_positions
    for position, module in stand.slots[slot].neighbours.items():
        place = ("slots", slot, "neighbours", position)
        if not 1 <= position <= positions:
            expected = f"a position from 1 to {positions}" if positions else "no neighbours"
            wrong = f"{profile.part} has no rack position {position}"
            yield Finding(place, wrong, expected, at_key=True, seen=("rack-positions",))
        if modules is not None and module not in modules.types:
            yield Finding(
                place,
                f"{profile.part} knows no module {module[:40]!r}",
                f"one of {', '.join(modules.types)}",
                nearest_word(module, modules.types),
                seen=("identity", "modules", "types"),
            )


def link_driver_agrees(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require what the driver of the unit's link requires of unit and stand together."""
    yield from find_driver("link", stand.slots[slot].link.driver).visit_findings(stand, slot, profile)


def supplies_are_not_shared(stand: Stand, slots: Iterable[str]) -> Findings:
    """Require an output of its own for each unit of a visit.

    Two units on one output could not be distinguished by their current, one could not be switched off without
    the other, and a current limit that lets both run lets one burn.
    """
    feeds: dict[str, str] = {}
    for slot in slots:
        supply = stand.slots[slot].supply
        if supply in feeds:
            yield Finding(
                ("slots", slot, "supply"),
                f"slots {feeds[supply]} and {slot} hang on one output, supply {supply}",
                "an output of its own for each unit of a visit; else test them one after the other",
            )
        feeds.setdefault(supply, slot)


_CHECKS = (
    outputs_are_sensed,
    inputs_are_driven,
    analog_points_are_wired,
    lamps_are_seen,
    switch_can_be_moved,
    supply_serves_the_ratings,
    ports_are_wired,
    neighbours_are_known,
    link_driver_agrees,
    magnitudes.signals_can_show,
    judging.limits_can_be_judged,
    judging.claims_can_be_reached,
)


def visit_problems(
    stand: DescriptionFile[Stand], profiles: Mapping[str, DescriptionFile[Profile]]
) -> list[Problem]:
    """Return every problem between a sound stand and the sound profiles in its slots.

    All lie in the stand file, because the profile tells what the unit is; each names the line of the
    profile that it goes back to.
    """
    if stand.model is None or stand.document is None:
        return []
    used = [slot for slot in profiles if slot in stand.model.slots]
    found: list[Finding] = collect(partial(supplies_are_not_shared, stand.model, used))
    for slot, profile in profiles.items():
        if slot not in stand.model.slots:
            slots = list(stand.model.slots)
            wrong = f"there is no slot {slot!r} on this stand"
            found.append(
                Finding(
                    ("slots",), wrong, f"one of {', '.join(slots)}", nearest_word(slot, slots), at_key=True
                )
            )
        elif profile.model is not None:
            checks = (partial(check, stand.model, slot, profile.model) for check in _CHECKS)
            found += [_with_origin(finding, profile) for finding in collect(*checks) if not finding.warning]
    return problems_of(found, stand.document, stand.path, partial=False)


def visit_warnings(
    stand: DescriptionFile[Stand], slot: str, profile: DescriptionFile[Profile]
) -> list[Problem]:
    """Return what this stand will judge badly of this unit, where the two fit each other."""
    if stand.model is None or stand.document is None or profile.model is None:
        return []
    checks = (judging.limits_can_be_judged, terminals_are_of_the_unit, loads_are_rated)
    found = collect(*(partial(check, stand.model, slot, profile.model) for check in checks))
    warnings = [_with_origin(finding, profile) for finding in found if finding.warning]
    return problems_of(warnings, stand.document, stand.path, partial=False)


def _with_origin(finding: Finding, profile: DescriptionFile[Profile]) -> Finding:
    """Say in the finding which line of the profile it goes back to."""
    if finding.seen is None or profile.document is None:
        return finding
    line = profile.document.at(finding.seen).start.line
    return finding._replace(
        wrong=f"{finding.wrong} ({profile.path}:{line})", topic=finding.topic or finding.wrong
    )


def untested_claims(stand: Stand, slot: str, profile: Profile) -> list[str]:
    """Return the claims of a profile that no check can measure in a slot, such as `leakage of q01 to q16`."""
    claims: dict[str, list[str]] = {}
    for claim, place in _unseen(stand, slot, profile):
        claims.setdefault(claim, []).append(place)
    return [f"{claim} of {_listed(places)}" for claim, places in claims.items()]


def waived(stand: Stand, profile: Profile) -> list[str]:
    """Return what profile and stand file waive by name: readings that may stay undecided, and calibrations."""
    readings = [
        f"{name}, where this stand cannot tell: {why}" for name, why in profile.waived_readings.items()
    ]
    calibrations = [
        f"calibration of {part}: not calibrated, {why}" for part, why in stand.uncalibrated.items()
    ]
    return readings + calibrations


def _unseen(stand: Stand, slot: str, profile: Profile) -> Iterator[tuple[str, str]]:
    points = profile.points
    for name, point in points.outputs.items():
        found = at_terminal(stand, slot, name, "voltage")
        if point.voltage_drop is not None and found is None:
            yield "voltage drop", name
        if point.leakage is not None and (found is None or found[1].load is None):
            yield "leakage", name
    for name, channel in (*points.analog_inputs.items(), *points.analog_outputs.items()):
        if at_terminal(stand, slot, name, channel.terminal_dimension) is None:
            yield "accuracy", name
    wired = stand.slots[slot].ports
    for name, port in profile.ports.items():
        if name not in wired:
            yield "traffic", name
        elif port.clock_error is not None and wired[name].speed_accuracy is None:
            yield "clock error", name


def _listed(places: list[str]) -> str:
    """Return all of a few places, and the ends of a long row."""
    return ", ".join(places) if len(places) < 4 else f"{places[0]} to {places[-1]} ({len(places)})"  # noqa: PLR2004
