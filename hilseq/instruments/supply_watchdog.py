"""A supply's own watchdog: the instrument switches off by itself when it hears nothing for too long.

The guard ends a run that dies or hangs; this is for the case that the computer itself, or the line to it,
fails. It is fed with questions from wherever the run's main thread shows that it lives.
"""

from __future__ import annotations

import math
from contextlib import suppress

from hilseq.description.stand import Supply
from hilseq.errors import HilseqError, StandFault
from hilseq.instruments.supply_line import SupplyLine

#: It is asked something after this part of its patience.
_FED_AFTER = 1 / 3
#: What an instrument may make of the time it is told: it counts in whole seconds, or in its own.
_RELATIVE, _ABSOLUTE = 0.01, 0.5


class SupplyWatchdog:
    """The watchdog of one output, over its `line`; does nothing where the stand file names none."""

    def __init__(self, name: str, line: SupplyLine, description: Supply) -> None:
        self._name = name
        self._resource = description.resource
        self._line = line
        self._commands = description.commands
        self._patience = description.watchdog
        self._set = False

    def set(self) -> None:
        """Have the instrument watch. Raises StandFault when it reads back another time."""
        command, patience = self._commands.set_watchdog, self._patience
        if command is None or patience is None:
            return
        self._line.send(command, patience)
        self._set = True
        if self._commands.read_watchdog is None:
            return
        back = self._line.number(self._commands.read_watchdog, "s")
        if not math.isclose(back, patience, rel_tol=_RELATIVE, abs_tol=_ABSOLUTE):
            raise StandFault(
                f"supply {self._name} ({self._resource}): the watchdog was set to {patience:g} s and reads back as "
                f"{back:g} s",
                place=f"supply {self._name}",
            )

    def feed(self) -> None:
        """Ask the instrument something before it loses its patience; at once when that is not due yet."""
        if self._set and self._patience is not None:
            self._line.kick_watchdog(_FED_AFTER * self._patience)

    def clear(self) -> None:
        """End the watch, whoever began it: an output that is off needs none, and a person may work on by hand."""
        self._set = False
        if self._commands.clear_watchdog is not None:
            with suppress(HilseqError):
                self._line.send(self._commands.clear_watchdog)
