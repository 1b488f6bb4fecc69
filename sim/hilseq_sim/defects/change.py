"""How a defect changes the model: parameters added to, scaled or counted up, and back again; and where it sits."""

from __future__ import annotations

from collections.abc import Callable, Hashable, MutableMapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from hilseq.description.profile import Mode
from hilseq.description.registers import RegisterTable

if TYPE_CHECKING:
    from hilseq_sim.world.build import World
    from hilseq_sim.world.registers import RegisterMap
    from hilseq_sim.world.unit import UnitModel


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


class Swap:
    """Puts another value in the place of an attribute."""

    def __init__(self, part: object, attribute: str, value: object) -> None:
        self._part, self._attribute, self._other = part, attribute, value

    def apply(self) -> None:
        """See Change."""
        own = getattr(self._part, self._attribute)
        setattr(self._part, self._attribute, self._other)
        self._other = own

    undo = apply


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


@dataclass(frozen=True, slots=True)
class Wrap:
    """Puts a method of a part into one that is made of it; several nest, and each goes by itself."""

    part: object
    method: str
    make: Callable[[Callable[..., Any]], Callable[..., Any]]

    def apply(self) -> None:
        """See Change."""
        layers = vars(self.part).setdefault("wrapped", {})
        layers.setdefault(self.method, (getattr(self.part, self.method), []))[1].append(self.make)
        self._nest()

    def undo(self) -> None:
        """See Change."""
        vars(self.part)["wrapped"][self.method][1].remove(self.make)
        self._nest()

    def _nest(self) -> None:
        method, makes = vars(self.part)["wrapped"][self.method]
        for make in makes:
            method = make(method)
        setattr(self.part, self.method, method)


@dataclass(frozen=True, slots=True)
class Tap:
    """Lets what is read at an address of a device be `see` of what is there: a raw word, or a bit."""

    registers: RegisterMap
    table: RegisterTable
    address: int
    see: Callable[[int], int]

    def apply(self) -> None:
        """See Change."""
        self.registers.taps(self.table, self.address).append(self.see)

    def undo(self) -> None:
        """See Change."""
        self.registers.taps(self.table, self.address).remove(self.see)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one defect sits: the world, the unit of its slot, its places and how severe it is."""

    world: World
    slot: str
    places: tuple[str, ...]
    severity: float
    parameters: dict[str, str]

    @property
    def unit(self) -> UnitModel:
        """The unit of its slot."""
        return self.world.units[self.slot]

    @property
    def place(self) -> str:
        """The first place."""
        return self.places[0] if self.places else ""

    @property
    def mode(self) -> Mode:
        """The mode of a place like `mode held`."""
        return Mode(self.place.removeprefix("mode "))

    @property
    def position(self) -> int:
        """The rack position of a place like `neighbour 2`."""
        return int(self.place.removeprefix("neighbour "))

    def twice(self, gap: float) -> float:
        """Return how far a severity goes towards a limit that lies `gap` away: there at 0.5."""
        return 2.0 * self.severity * gap
