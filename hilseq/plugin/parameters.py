"""Parameters: values of a profile that a sequence declares, checked before anything is powered.

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
from typing import Any, TypeVar

import pytest

from hilseq.analysis.limits import Limits
from hilseq.description.nearest import SLIP, nearest_word
from hilseq.description.profile import Profile
from hilseq.description.source_position import SourcePosition
from hilseq.errors import DescriptionError, Problem
from hilseq.plugin import markers
from hilseq.quantities import UNITS, QuantityError, parse, parse_interval

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
    """Return the parameters that a check declares. Raises pytest.UsageError for a marker that is wrong."""
    found: dict[str, Parameter] = {}
    for marker in item.iter_markers("parameter"):
        try:
            parameter = Parameter(*marker.args, **marker.kwargs)
        except TypeError:
            words = "expected parameter(NAME, KIND), or parameter(NAME, KIND, default=VALUE)"
            raise pytest.UsageError(f"{markers.where(item)}: {words}") from None
        where = f"{markers.where(item)}: parameter({parameter.name!r}, {parameter.kind!r})"
        if parameter.kind not in KINDS:
            near = nearest_word(parameter.kind, KINDS)
            words = f"did you mean {near!r}?" if near else f"expected one of {', '.join(KINDS)}"
            raise pytest.UsageError(f"{where}: there is no such kind; {words}")
        if parameter.default is not None:
            try:
                parameter.read(parameter.default)
            except QuantityError as error:
                raise pytest.UsageError(f"{where}: the default {error}") from None
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
    Raises DescriptionError with every fault, pytest.UsageError for a marker that is wrong.
    """
    asked: dict[str, tuple[Parameter, str]] = {}
    for item in items:
        for name, parameter in declared(item).items():
            known, where = asked.setdefault(name, (parameter, markers.where(item)))
            if known != parameter:
                raise pytest.UsageError(
                    f"{markers.where(item)} and {where} declare the parameter {name!r} differently; declare it alike"
                )
    section = document.at((_SECTION,))
    free = [name for name in profile.parameters if name not in asked]
    problems = []
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
