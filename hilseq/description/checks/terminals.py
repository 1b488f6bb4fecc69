"""The terminals of a unit: points, contacts and lamps all need names of their own."""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.profile import Profile


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
