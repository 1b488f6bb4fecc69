"""What only a person can do: asked for in attended mode, not performed otherwise."""

from __future__ import annotations

from typing import Protocol

from hilseq.errors import NotPerformed


class Operator(Protocol):
    """The person at the stand."""

    def act(self, request: str, patience: float) -> None:
        """Show `request` and wait until the person says it is done, at most `patience` seconds.

        Raises NotPerformed when nobody answers or the person cannot do it.
        """
        ...


class Nobody:
    """An unattended stand."""

    def act(self, request: str, patience: float) -> None:
        """Raise NotPerformed with what would have to be done."""
        del patience
        raise NotPerformed(f"it needs an operator and none is there: {request}")
