"""The odd commands of a supply: the stand file's command templates, turned round.

The driver fills a template in (`VSET{output}:{value}`); the twin reads the same template backwards. A
template that the standard instrument understands in the same sense needs nothing; any other becomes a
matcher, and the standard command of that purpose disappears, because the real instrument would not know it
either. Pure.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from hilseq.description.stand import SupplyCommands

#: Every purpose a template can have, by its name in SupplyCommands.
PURPOSES = tuple(SupplyCommands.model_fields)
_VALUE = r"(?P<value>[^\s,;]+?)"
_OUTPUT = r"(?P<output>\d{1,4})"
_EXAMPLES = {"value": "1", "output": "1"}


class StandardSense(Protocol):
    """Tells what the standard instrument makes of a command."""

    def understands(self, purpose: str, command: str) -> bool:
        """Tell whether the standard gives `command` the sense of `purpose`."""
        ...


@dataclass(frozen=True, slots=True)
class OddCommand:
    """One odd command. `output` is the number of the output it is for, 0 for the selected one."""

    purpose: str
    template: str
    expression: re.Pattern[str]
    output: int

    @property
    def spans_units(self) -> bool:
        """Tell whether the template is a message of several units."""
        return ";" in self.template


@dataclass(frozen=True, slots=True)
class Dialect:
    """What an instrument knows besides and instead of the standard."""

    odd: tuple[OddCommand, ...]
    missing: frozenset[str]


def example(template: str, output: int) -> str:
    """Return the template filled in with a value every supply can take."""
    parts = []
    for literal, name, _, _ in _parsed(template):
        parts.append(literal)
        if name is not None:
            parts.append(str(output) if name == "output" else _EXAMPLES.get(name, ""))
    return "".join(parts)


def expression(template: str) -> re.Pattern[str]:
    """Return the pattern of everything the template can be filled in to; case and blanks do not matter.

    A template of several units may be followed by more of the message, which is the group `safe-value`.
    """
    parts: list[str] = []
    seen: set[str] = set()
    for literal, name, _, _ in _parsed(template):
        parts.append(re.sub(r"(?:\\\s|\s)+", r"\\s+", re.escape(literal)))
        if name in seen:
            parts.append(f"(?P={name})")
        elif name in _EXAMPLES:
            parts.append(_VALUE if name == "value" else _OUTPUT)
            seen.add(name)
    if ";" in template:
        parts.append(r"(?:\s*;(?P<rest>.*))?")
    return re.compile("".join(parts).strip(), re.IGNORECASE | re.ASCII)


def _parsed(template: str) -> list[tuple[str, str | None, str | None, str | None]]:
    try:
        return list(string.Formatter().parse(template.strip()))
    except ValueError:  # a lone brace: the text as it stands
        return [(template.strip(), None, None, None)]


def read(supplies: Mapping[int, SupplyCommands], standard: StandardSense) -> Dialect:
    """Read the dialect of one instrument from the templates of its outputs, by output number."""
    odd: list[OddCommand] = []
    missing: set[str] = set()
    for purpose in PURPOSES:
        templates = {number: getattr(commands, purpose) for number, commands in supplies.items()}
        kept = False
        for number, template in templates.items():
            if template is None:
                kept = kept or purpose not in supplies[number].model_fields_set
            elif standard.understands(purpose, example(template, number)):
                kept = True
            else:
                shared = list(templates.values()).count(template) > 1
                odd.append(OddCommand(purpose, template, expression(template), 0 if shared else number))
        if not kept:
            missing.add(purpose)
    return Dialect(_once(odd), frozenset(missing))


def _once(odd: Iterable[OddCommand]) -> tuple[OddCommand, ...]:
    kept = {(command.purpose, command.template): command for command in odd}
    # The longest first, so that `V1 {value}` cannot swallow `V1 O {value}`.
    return tuple(sorted(kept.values(), key=lambda command: -len(command.template)))
