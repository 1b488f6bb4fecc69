"""Modes: each mode that is asked for can be reached, and is reported by a number of its own."""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.profile import Profile
from hilseq.description.registers import Register
from hilseq.description.source_position import Place
from hilseq.description.states import Indicator, Mode


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
    if mode not in known:
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
