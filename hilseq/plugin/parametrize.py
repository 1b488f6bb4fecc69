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
| `quiet_change` | ordered pair of modes of which the second is not live | ModeChange | `mode held` |
| `port` | communication port | its name | `port 2` |
| `clocked_port` | serial port with a `clock-error`, on an adapter that makes any speed | its name | `port 2` |
| `supply_corner` | end of the supply range | SupplyCorner | `supply` |
| `readiness_check` | check of the stand that an extension adds | its name | `stand` |

Parameters: values of a profile that a sequence declares, checked before anything is powered.

| kind | a profile writes | the test gets |
|---|---|---|
| `text` | `green` | `parameters.text(name)` |
| `number` | `1.5` | `parameters.value(name)` |
| `flag` | `true` | `parameters.flag(name)` |
| a dimension: `time`, `voltage`, `current` … | `2 min` | `parameters.value(name)`, in its base unit |
| a dimension and `limits`: `voltage limits` | `0..50 mV`, `..50 mV`, `20 mV..` | `parameters.limits(name)`, in it |
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any, TypeVar

import pytest

from hilseq.analysis.limits import Limits
from hilseq.description.findings import SLIP, SourcePosition, nearest_word
from hilseq.description.points import AnalogPoint
from hilseq.description.profile import Mode, Profile
from hilseq.description.stand import Stand
from hilseq.description.visit import Visit
from hilseq.errors import DescriptionError, Problem, UsageError, gathered
from hilseq.extensions import Extensions
from hilseq.hooks import Element
from hilseq.plugin import markers
from hilseq.plugin.markers import where
from hilseq.procedures.wiring import SlotWiring
from hilseq.quantities import UNITS, QuantityError, parse, parse_interval


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
    Element(
        "quiet_change",
        lambda profile: [
            ModeChange(*pair) for pair in permutations(profile.mode_list(), 2) if pair[1] is not Mode.LIVE
        ],
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


def is_on_stand(value: str, stand: Stand, slot: str, profile: Profile) -> bool:
    """Return whether a stand has the means for every element that ships and has this value."""
    having = [(element, one) for element in _SHIPPED for one in element.values(profile) if str(one) == value]
    return bool(having) and all(element.measurable(stand, slot, one) for element, one in having)


def place_of(item: pytest.Item, elements: Mapping[str, Element]) -> str:
    """Return the place that the element of a check names, or an empty text."""
    callspec: Any = getattr(item, "callspec", None)
    if callspec is None:
        return ""
    names = [name for name in elements if name in callspec.params]
    return elements[names[0]].place(callspec.params[names[0]]) if names else ""


def is_empty(item: pytest.Item) -> bool:
    """Return whether pytest made the item for an element that this profile has none of."""
    callspec: Any = getattr(item, "callspec", None)
    return callspec is not None and "NOTSET" in callspec.id


_LIMITS = " limits"
KINDS = ("text", "number", "flag", *UNITS, *(f"{dimension}{_LIMITS}" for dimension in UNITS))
_SECTION = "parameters"

Value = str | float | bool | Limits
Wanted = TypeVar("Wanted", str, float, bool, Limits)


@dataclass(frozen=True, slots=True)
class Parameter:
    """What a marker `parameter(name, kind, default=…)` declares; without a default a profile must have it."""

    name: str
    kind: str
    default: str | float | bool | None = None

    def read(self, written: Any) -> Value:
        """Return the value of what is written. Raises QuantityError with what was expected."""
        if self.kind == "flag" and isinstance(written, bool):
            return written
        if self.kind == "number" and isinstance(written, int | float) and not isinstance(written, bool):
            return float(written)
        if self.kind in ("flag", "number"):
            raise QuantityError(str(written), {"flag": "true or false", "number": "a number"}[self.kind])
        if not isinstance(written, str):
            expected = f"a text; quote it: '{written}'" if self.kind == "text" else _form(self.kind)
            raise QuantityError(str(written), expected)
        if self.kind == "text":
            return written
        dimension = self.kind.removesuffix(_LIMITS)
        return parse(written, dimension) if dimension == self.kind else _limits(written, dimension)


def _form(kind: str) -> str:
    """Return how a quantity of a kind is written."""
    dimension = kind.removesuffix(_LIMITS)
    unit = UNITS[dimension][0]
    return (
        f"a {dimension} with its unit, such as 2 {unit}"
        if kind == dimension
        else f"limits such as 1..2 {unit}"
    )


def _limits(text: str, dimension: str) -> Limits:
    """Return `1..2 V`, `..2 V` or `1 V..` as limits. Raises QuantityError."""
    stripped = text.strip()
    if stripped.startswith(".."):
        return Limits(None, parse(stripped.removeprefix(".."), dimension))
    if stripped.endswith(".."):
        return Limits(parse(stripped.removesuffix(".."), dimension), None)
    both = parse_interval(stripped, dimension)
    return Limits(both.low, both.high)


class Parameters:
    """The parameters that a check declares, by name; LookupError for another, TypeError for another kind."""

    def __init__(self, values: Mapping[str, Value], check: str) -> None:
        self._values = values
        self._check = check

    def text(self, name: str) -> str:
        """Return a text."""
        return self._get(name, str)

    def value(self, name: str) -> float:
        """Return a number, or a quantity in the base unit of its dimension."""
        return self._get(name, float)

    def flag(self, name: str) -> bool:
        """Return whether it is true."""
        return self._get(name, bool)

    def limits(self, name: str) -> Limits:
        """Return limits in the base unit of their dimension, as `judge` takes them."""
        return self._get(name, Limits)

    def _get(self, name: str, kind: type[Wanted]) -> Wanted:
        if name not in self._values:
            near = nearest_word(name, self._values)
            hint = (
                f"; did you mean {near!r}?" if near else f"; mark it: pytest.mark.parameter({name!r}, KIND)"
            )
            raise LookupError(f"{self._check} declares no parameter {name!r}{hint}")
        found = self._values[name]
        if not isinstance(found, kind):
            raise TypeError(f"the parameter {name!r} is {found!r}, not a {kind.__name__.lower()}")
        return found


def declared(item: pytest.Item) -> dict[str, Parameter]:
    """Return the parameters that a check declares. Raises DescriptionError for a marker that is wrong."""
    found: dict[str, Parameter] = {}
    for marker in item.iter_markers("parameter"):
        try:
            parameter = Parameter(*marker.args, **marker.kwargs)
        except TypeError:
            form = "parameter(NAME, KIND), or parameter(NAME, KIND, default=VALUE)"
            raise markers.slip(item, "parameter", "marker parameter is not understood", form) from None
        named = f"parameter({parameter.name!r}, {parameter.kind!r})"
        if parameter.kind not in KINDS:
            near = "time" if parameter.kind == "duration" else nearest_word(parameter.kind, KINDS)
            expected = "" if near else f"one of {', '.join(KINDS)}"
            raise markers.slip(item, "parameter", f"{named}: there is no such kind", expected, near)
        if parameter.default is not None:
            try:
                parameter.read(parameter.default)
            except QuantityError as error:
                raise markers.slip(item, "parameter", f"{named}: the default {error}") from None
        found.setdefault(parameter.name, parameter)
    return found


def parameters_of(item: pytest.Item, profile: Profile) -> Parameters:
    """Return the values that a check asks for, of a profile that has been checked."""
    values = {
        name: parameter.read(profile.parameters.get(name, parameter.default))
        for name, parameter in declared(item).items()
    }
    return Parameters(values, markers.where(item))


def check_parameters(
    items: Iterable[pytest.Item], profile: Profile, document: SourcePosition, path: Any
) -> None:
    """Hold a profile's parameters against those that the checks of its unit declare.

    A name that no check declares is another sequence's, unless it is written almost as one that is missing.
    Raises DescriptionError with every fault.
    """
    asked: dict[str, tuple[Parameter, str]] = {}
    problems: list[Problem] = []
    for item in items:
        with gathered(problems):
            for name, parameter in declared(item).items():
                # Of each slot and element the same: told once.
                known, where = asked.setdefault(name, (parameter, markers.where(item).partition("[")[0]))
                if known != parameter:
                    wrong = f"{where} declares the parameter {name!r} differently"
                    raise markers.slip(item, "parameter", wrong, "the same kind and default in both")
    section = document.at((_SECTION,))
    free = [name for name in profile.parameters if name not in asked]
    for name, (parameter, where) in asked.items():
        if name in profile.parameters:
            try:
                parameter.read(profile.parameters[name])
            except QuantityError as error:
                written = document.at((_SECTION, name))
                wrong = f"the parameter {name!r} is {written.text!r}"
                problems.append(
                    Problem(path, *written.mark, wrong, f"{error.expected} ({where})", error.nearest)
                )
            continue
        near = nearest_word(name, free, SLIP)
        if near:
            mark = document.at((_SECTION, near)).start
            problems.append(Problem(path, *mark, f"no check declares the parameter {near!r}", nearest=name))
        elif parameter.default is None:
            wrong = f"the parameter {name!r} is missing"
            mark = section.start if document.holds((_SECTION,)) else document.start
            problems.append(
                Problem(path, *mark, wrong, f"`{name}` in `{_SECTION}`: {_words(parameter)} ({where})")
            )
    if problems:
        raise DescriptionError(problems)


def _words(parameter: Parameter) -> str:
    return _form(parameter.kind) if parameter.kind.removesuffix(_LIMITS) in UNITS else f"a {parameter.kind}"
