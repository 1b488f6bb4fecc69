"""What only a person can do: asked for in attended mode, not performed otherwise."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

from hilseq.errors import NoOperator, NotPerformed

DONE, CANNOT = "done", "cannot"


@dataclass(frozen=True, slots=True)
class Prompt:
    """One question to the person at the stand.

    `expected` lists the answers that are taken (an empty line counts as `done` where that is the first);
    without any, every text is. `picture` is a file that shows what is meant. `timeout` in seconds. `position` is
    that of the mode switch, where the person is asked to turn it.
    """

    text: str
    timeout: float
    expected: tuple[str, ...] = ()
    picture: str = ""
    slot: str = ""
    position: str = ""


class Operator(ABC):
    """The person at the stand."""

    @abstractmethod
    def ask(self, prompt: Prompt) -> str:
        """Return the answer. Raises NotPerformed when nobody answers in time, or nobody is there."""

    def act(
        self, request: str, timeout: float, *, picture: str = "", slot: str = "", position: str = ""
    ) -> None:
        """Have something done and wait until the person says so.

        Raises NotPerformed when nobody answers, or the person cannot do it.
        """
        if self.ask(Prompt(request, timeout, (DONE, CANNOT), picture, slot, position)) != DONE:
            raise NotPerformed(f"the operator could not do it: {request}")


class Rehearsal(Operator):
    """The person at a simulated stand: `turn(slot, position)` turns the twin's switch once the person confirms."""

    def __init__(self, person: Operator, turn: Callable[[str, str], None]) -> None:
        self._person = person
        self._turn = turn

    def ask(self, prompt: Prompt) -> str:
        """See Operator."""
        answer = self._person.ask(prompt)
        if prompt.position and answer == DONE:
            self._turn(prompt.slot, prompt.position)
        return answer


class Nobody(Operator):
    """An unattended stand."""

    def ask(self, prompt: Prompt) -> str:
        """Raise NoOperator with what would have to be done."""
        raise NoOperator(f"it needs an operator and none is there: {prompt.text}")
