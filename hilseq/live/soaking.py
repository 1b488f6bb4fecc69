"""One soak of one unit as it goes: its plan from the journal, its samples from the file beside it."""

from __future__ import annotations

import math
import os
from pathlib import Path

from hilseq.journal.entries import SoakColumn
from hilseq.journal.run_state import SoakState
from hilseq.journal.samples import CURRENT, MODE, TEMPERATURE, VOLTAGE, SampleTail, file_name
from hilseq.live.sample_window import SampleWindow


def _own_file(folder: Path, name: str) -> Path | None:
    """Return the file of that name in the folder; None when the folder lists no such plain file."""
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name == name and entry.is_file(follow_symlinks=False):
                    return folder / entry.name
    except OSError:
        pass
    return None


class Soaking:
    """A soak with its samples. `rolled` holds them once there are any; times are seconds since it began."""

    def __init__(self, folder: Path, soak: SoakState) -> None:
        self.soak = soak
        self.columns: list[SoakColumn] = []
        self.rolled: SampleWindow | None = None
        self._folder = folder
        self._modes = {number: name for name, number in soak.started.modes.items()}
        self._tail: SampleTail | None = None

    def look(self) -> bool:
        """Take the samples added since the last look; tell whether there were any. Raises Replaced."""
        if self._tail is None:
            path = _own_file(self._folder, file_name(self.soak.started.slot))
            if path is None:
                return False
            self._tail = SampleTail(path)
        times, values = self._tail.look()
        if self.rolled is None and self._tail.columns:
            self._begin(self._tail.columns)
        if self.rolled is None or not times.size:
            return False
        self.rolled.add(times - self.soak.started.zero, values)
        return True

    @property
    def damaged(self) -> bool:
        """Tell whether the sample file holds something that is no sample."""
        return self._tail is not None and self._tail.damaged

    @property
    def lasted(self) -> float:
        """Seconds from the beginning to the last sample."""
        return 0.0 if self.rolled is None or math.isnan(self.rolled.last_time) else self.rolled.last_time

    @property
    def plotted(self) -> list[SoakColumn]:
        """The columns that are drawn: voltage, current and case temperature, as far as there are any."""
        return [] if self.rolled is None else [self.columns[n] for n in self.rolled.plotted]

    def mode_name(self, number: float) -> str:
        """Return the mode of a number as the unit reports it."""
        if math.isnan(number):
            return "no answer"
        return self._modes.get(number, f"mode {number:g}")

    def _begin(self, columns: tuple[str, ...]) -> None:
        known = {column.name: column for column in self.soak.started.columns}
        self.columns = [known.get(name) or SoakColumn(name=name) for name in columns]
        drawn = [
            self._column(columns, VOLTAGE, "V"),
            self._column(columns, CURRENT, "A"),
            self._column(columns, self.soak.started.case or TEMPERATURE, "degC"),
        ]
        mode = columns.index(MODE) if MODE in columns else None
        plotted = list(dict.fromkeys(number for number in drawn if number is not None))
        self.rolled = SampleWindow(len(columns), plotted, mode, self.soak.started.period)

    def _column(self, columns: tuple[str, ...], name: str, unit: str) -> int | None:
        """Return the column of a name; where no column has it, the first of that unit."""
        if name in columns:
            return columns.index(name)
        return next((n for n, one in enumerate(self.columns) if one.unit == unit), None)
