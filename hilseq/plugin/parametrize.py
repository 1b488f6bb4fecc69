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
| `readiness_check` | check of the stand that an extension adds | its name | `stand` |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import pytest

from hilseq.description.profile import AnalogPoint, Mode, Profile
from hilseq.description.visit import Visit
from hilseq.errors import UsageError
from hilseq.extensions import Extensions
from hilseq.hooks import Element
from hilseq.plugin.markers import where
from hilseq.procedures.wiring import SlotWiring


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


def _corners(profile: Profile) -> list[SupplyCorner]:
    limits = profile.ratings.supply_range
    return [SupplyCorner("lowest supply", limits.low), SupplyCorner("highest supply", limits.high)]


def _loops(points: Mapping[str, AnalogPoint]) -> list[str]:
    return [name for name, point in points.items() if point.loop_limits is not None]


_SHIPPED = (
    Element("output_point", lambda profile: profile.points.outputs),
    Element("input_point", lambda profile: profile.points.inputs),
    Element("analog_point", lambda profile: [*profile.points.analog_inputs, *profile.points.analog_outputs]),
    Element(
        "loaded_output",
        lambda profile: profile.points.outputs,
        measurable=lambda stand, slot, name: SlotWiring(stand, slot).voltmeter(name) is not None,
    ),
    Element(
        "threshold_input",
        lambda profile: profile.points.inputs,
        measurable=lambda stand, slot, name: SlotWiring(stand, slot).drives_with_a_voltage(name),
    ),
    Element("loop_input", lambda profile: _loops(profile.points.analog_inputs)),
    Element("loop_output", lambda profile: _loops(profile.points.analog_outputs)),
    Element("mode", lambda profile: profile.mode_list(), lambda mode: f"mode {mode}"),
    Element(
        "mode_change",
        lambda profile: [ModeChange(*pair) for pair in permutations(profile.mode_list(), 2)],
        lambda change: f"mode {change.after}",
    ),
    Element("port", lambda profile: profile.ports),
    Element(
        "clocked_port",
        lambda profile: [name for name, port in profile.ports.items() if port.clock_error is not None],
        measurable=lambda stand, slot, name: SlotWiring(stand, slot).makes_any_speed(name),
    ),
    Element("supply_corner", _corners, lambda _: "supply"),
)


def elements_of(extensions: Extensions) -> dict[str, Element]:
    """Return by name what a test may ask for: the elements that ship, and those of extensions.

    Raises UsageError when an extension takes a name that ships.
    """
    checks = [check.name for check in extensions.readiness_checks]
    shipped = (*_SHIPPED, Element("readiness_check", lambda _: checks, lambda _: "stand"))
    known = {element.name: element for element in shipped}
    for element in extensions.elements:
        if element.name in known:
            raise UsageError(f"an extension adds the element {element.name!r}, which hilseq has already")
    return known | {element.name: element for element in extensions.elements}


def parametrize(metafunc: pytest.Metafunc, visit: Visit, elements: Mapping[str, Element]) -> None:
    """Make one check per slot and element. Raises pytest.UsageError for two elements in one test."""
    names = [name for name in elements if name in metafunc.fixturenames]
    if len(names) > 1:
        raise pytest.UsageError(
            f"{where(metafunc.definition)} asks for {' and '.join(names)}; "
            "a check has one element: ask for one"
        )
    if "slot" not in metafunc.fixturenames:
        return
    many = len(visit.profiles) > 1
    if not names:
        if many:
            metafunc.parametrize("slot", list(visit.profiles), indirect=True)
        return
    element = elements[names[0]]
    rows = [
        pytest.param(slot, value, id=f"{slot}-{value}" if many else str(value))
        for slot, profile in visit.profiles.items()
        for value in element.values(profile)
        if element.measurable(visit.stand, slot, value)
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


def place_of(item: pytest.Item, elements: Mapping[str, Element]) -> str:
    """Return the place that the element of a check names, or an empty text."""
    callspec: Any = getattr(item, "callspec", None)
    if callspec is None:
        return ""
    names = [name for name in elements if name in callspec.params]
    return elements[names[0]].place(callspec.params[names[0]]) if names else ""


def is_empty(item: pytest.Item) -> bool:
    """Tell whether pytest made the item for an element that this profile has none of."""
    callspec: Any = getattr(item, "callspec", None)
    return callspec is not None and "NOTSET" in callspec.id
