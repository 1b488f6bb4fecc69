"""How a defect changes the model: parameters added to, scaled or counted up, and back again."""

from __future__ import annotations

from collections.abc import Hashable, MutableMapping
from dataclasses import dataclass
from typing import Any, Protocol


class Change(Protocol):
    """One parameter of the model that differs while a defect is there. Changes of several defects add up."""

    def apply(self) -> None:
        """Change it."""

    def undo(self) -> None:
        """Change it back."""


@dataclass(frozen=True, slots=True)
class Add:
    """Adds an amount (1 for a counter) to an attribute."""

    part: object
    attribute: str
    amount: float = 1

    def apply(self) -> None:
        """See Change."""
        setattr(self.part, self.attribute, getattr(self.part, self.attribute) + self.amount)

    def undo(self) -> None:
        """See Change."""
        setattr(self.part, self.attribute, getattr(self.part, self.attribute) - self.amount)


@dataclass(frozen=True, slots=True)
class Scale:
    """Multiplies an attribute by a factor above 0."""

    part: object
    attribute: str
    factor: float

    def apply(self) -> None:
        """See Change."""
        setattr(self.part, self.attribute, getattr(self.part, self.attribute) * self.factor)

    def undo(self) -> None:
        """See Change."""
        setattr(self.part, self.attribute, getattr(self.part, self.attribute) / self.factor)


@dataclass(frozen=True, slots=True)
class Count:
    """Counts up one entry of a table of counters."""

    table: MutableMapping[Any, int]
    key: Hashable

    def apply(self) -> None:
        """See Change."""
        self.table[self.key] += 1

    def undo(self) -> None:
        """See Change."""
        self.table[self.key] -= 1
