"""Parametrization by fixture name: a test that asks for `output_point` becomes one check per output.

| name | one check per | the test gets | place |
|---|---|---|---|
| `output_point` | digital output | its name | `q05` |
| `input_point` | digital input | its name | `i05` |
| `analog_point` | analog channel | its name | `ai1` |
| `loaded_output` | digital output whose voltage the stand measures | its name | `q05` |
| `threshold_input` | digital input that the stand drives with a voltage | its name | `i05` |
| `loop_input`, `loop_output` | 4-20 mA channel with `loop-limits` | its name | `ai1` |
| `mode` | mode the unit can report | Mode | `mode held` |
| `mode_change` | ordered pair of modes | ModeChange | `mode live` |
| `port` | communication port | its name | `port 2` |
| `clocked_port` | serial port with a `clock-error`, on an adapter that makes any speed | its name | `port 2` |
| `supply_corner` | end of the supply range | SupplyCorner | `supply` |
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import pytest

from hilseq.description.profile import AnalogPoint, Mode, Profile
from hilseq.description.visit import Visit
from hilseq.procedures.wiring import Wiring

PLACE = pytest.StashKey[str]()


@dataclass(frozen=True, slots=True)
class ModeChange:
    """A transition of the mode switch."""

    before: Mode
    after: Mode

    def __str__(self) -> str:
        """Return `stopped to live`."""
        return f"{self.before} to {self.after}"


@dataclass(frozen=True, slots=True)
class SupplyCorner:
    """One end of the supply range; `voltage` in volts."""

    name: str
    voltage: float

    def __str__(self) -> str:
        """Return the name."""
        return self.name


@dataclass(frozen=True, slots=True)
class Element:
    """What one fixture name stands for: the elements of a profile, and the place each one is."""

    values: Callable[[Profile], Iterable[Any]]
    place: Callable[[Any], str]
    #: Whether the stand has the means, by its wiring; where it has not, there is no such check.
    can: Callable[[Wiring, Any], bool] = lambda _, __: True


def _corners(profile: Profile) -> list[SupplyCorner]:
    limits = profile.ratings.supply_range
    return [SupplyCorner("lowest supply", limits.low), SupplyCorner("highest supply", limits.high)]


def _loops(points: Mapping[str, AnalogPoint]) -> list[str]:
    return [name for name, point in points.items() if point.loop_limits is not None]


ELEMENTS: dict[str, Element] = {
    "output_point": Element(lambda profile: profile.points.outputs, str),
    "input_point": Element(lambda profile: profile.points.inputs, str),
    "analog_point": Element(
        lambda profile: [*profile.points.analog_inputs, *profile.points.analog_outputs], str
    ),
    "loaded_output": Element(
        lambda profile: profile.points.outputs, str, lambda wiring, name: wiring.voltmeter(name) is not None
    ),
    "threshold_input": Element(
        lambda profile: profile.points.inputs, str, lambda wiring, name: wiring.drives_with_a_voltage(name)
    ),
    "loop_input": Element(lambda profile: _loops(profile.points.analog_inputs), str),
    "loop_output": Element(lambda profile: _loops(profile.points.analog_outputs), str),
    "mode": Element(lambda profile: profile.mode_list(), lambda mode: f"mode {mode}"),
    "mode_change": Element(
        lambda profile: [ModeChange(*pair) for pair in permutations(profile.mode_list(), 2)],
        lambda change: f"mode {change.after}",
    ),
    "port": Element(lambda profile: profile.ports, str),
    "clocked_port": Element(
        lambda profile: [name for name, port in profile.ports.items() if port.clock_error is not None],
        str,
        lambda wiring, name: wiring.makes_any_speed(name),
    ),
    "supply_corner": Element(_corners, lambda _: "supply"),
}


def element_names(fixture_names: Iterable[str]) -> list[str]:
    """Return those names of a test that stand for elements of a profile."""
    return [name for name in ELEMENTS if name in fixture_names]


def parametrize(metafunc: pytest.Metafunc, visit: Visit) -> None:
    """Make one check per slot and element. Raises pytest.UsageError for two elements in one test."""
    names = element_names(metafunc.fixturenames)
    if len(names) > 1:
        raise pytest.UsageError(
            f"{metafunc.definition.nodeid} asks for {' and '.join(names)}; "
            "a check has one element: ask for one"
        )
    if "slot" not in metafunc.fixturenames:
        return
    many = len(visit.profiles) > 1
    if not names:
        if many:
            metafunc.parametrize("slot", list(visit.profiles), indirect=True)
        return
    element = ELEMENTS[names[0]]
    rows = [
        pytest.param(slot, value, id=f"{slot}-{value}" if many else str(value))
        for slot, profile in visit.profiles.items()
        for value in element.values(profile)
        if element.can(Wiring(visit.stand, slot), value)
    ]
    metafunc.parametrize(("slot", names[0]), rows, indirect=["slot"])


def slot_of(item: pytest.Item, visit: Visit) -> str:
    """Return the slot a check belongs to."""
    callspec = getattr(item, "callspec", None)
    return (
        str(callspec.params.get("slot", ""))
        if callspec and "slot" in callspec.params
        else next(iter(visit.profiles))
    )


def place_of(item: pytest.Item) -> str:
    """Return the place that the element of a check names, or an empty text."""
    callspec: Any = getattr(item, "callspec", None)
    if callspec is None:
        return ""
    for name in element_names(callspec.params):
        return ELEMENTS[name].place(callspec.params[name])
    return ""


def is_empty(item: pytest.Item) -> bool:
    """Tell whether pytest made the item for an element that this profile has none of."""
    callspec: Any = getattr(item, "callspec", None)
    return callspec is not None and "NOTSET" in callspec.id
