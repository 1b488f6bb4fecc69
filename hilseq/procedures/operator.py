"""What only a person can do: asked for in attended mode, not performed otherwise."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

from hilseq.errors import NotPerformed

DONE, CANNOT = "done", "cannot"


@dataclass(frozen=True, slots=True)
class Prompt:
    """One question to the person at the stand.

    `expected` lists the answers that are taken (an empty line counts as `done` where that is the first);
    without any, every text is. `picture` is a file that shows what is meant. `timeout` in seconds.
    """

    text: str
    timeout: float
    expected: tuple[str, ...] = ()
    picture: str = ""
    slot: str = ""


class Operator(ABC):
    """The person at the stand."""

    @abstractmethod
    def ask(self, prompt: Prompt) -> str:
        """Return the answer. Raises NotPerformed when nobody answers in time, or nobody is there."""

    def act(self, request: str, timeout: float, *, picture: str = "", slot: str = "") -> None:
        """Have something done and wait until the person says so.

        Raises NotPerformed when nobody answers, or the person cannot do it.
        """
        if self.ask(Prompt(request, timeout, (DONE, CANNOT), picture, slot)) != DONE:
            raise NotPerformed(f"the operator could not do it: {request}")


class Nobody(Operator):
    """An unattended stand."""

    def ask(self, prompt: Prompt) -> str:
        """Raise NotPerformed with what would have to be done."""
        raise NotPerformed(f"it needs an operator and none is there: {prompt.text}")
