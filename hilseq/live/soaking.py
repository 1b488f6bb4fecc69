"""One soak of one unit as it goes: its plan from the journal, its samples from the file beside it."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hilseq.journal import kinds
from hilseq.journal.samples import file_name
from hilseq.live.sample_window import SampleWindow
from hilseq.live.tail import SampleTail
from hilseq.reports.formatting import finite

#: The columns that every soak has, by the names its sampler gives them.
VOLTAGE, CURRENT, MODE, TEMPERATURE = "supply voltage", "supply current", "unit mode", "unit temperature"


#: No run's clock goes further, s: a century.
_LONGEST = 3.2e9


@dataclass(frozen=True, slots=True)
class Quantity:
    """One sampled quantity; `low` and `high` are its limits where it has any."""

    name: str
    unit: str = ""
    low: float | None = None
    high: float | None = None


def seconds(value: object) -> float | None:
    """Return a time or duration in seconds; None for what no soak can have."""
    number = finite(value)
    return None if number is None or abs(number) > _LONGEST else number


def _quantities(entry: Mapping[str, Any]) -> dict[str, Quantity]:
    found: dict[str, Quantity] = {}
    columns = entry.get("columns")
    for column in columns if isinstance(columns, list) else ():
        if isinstance(column, Mapping):
            name = str(column.get("name"))
            limits = finite(column.get("low")), finite(column.get("high"))
            found[name] = Quantity(name, str(column.get("unit") or ""), *limits)
    return found


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
    """A soak that has begun. `rolled` holds its samples once there are any.

    Times are seconds since the soak began; `planned_end` is None where the plan does not say.
    """

    def __init__(self, folder: Path, entry: Mapping[str, Any]) -> None:
        self.slot = str(entry.get("slot"))
        self._folder = folder
        self._known = _quantities(entry)
        self._zero = seconds(entry.get("zero"))
        self._period = seconds(entry.get("period")) or 1.0
        self._case = str(entry.get("case") or TEMPERATURE)
        self._tail: SampleTail | None = None
        end = seconds(entry.get("end"))
        self.began_at = str(entry.get("at"))
        self.mode = str(entry.get("mode") or "")
        self.planned = seconds(entry.get("duration"))
        self.planned_end = None if end is None or self._zero is None else end - self._zero
        modes = entry.get("modes")
        self.modes = {
            number: str(name)
            for name, told in (modes.items() if isinstance(modes, Mapping) else ())
            if (number := finite(told)) is not None
        }
        self.quantities: list[Quantity] = []
        self.rolled: SampleWindow | None = None
        self.events: list[Mapping[str, Any]] = []
        self.gaps: list[Mapping[str, Any]] = []
        self.ended: Mapping[str, Any] | None = None

    def take(self, entry: Mapping[str, Any]) -> None:
        """Take a journal entry of this slot."""
        match entry["kind"]:
            case kinds.SOAK_EVENT:
                self.events.append(entry)
            case kinds.SOAK_GAP:
                self.gaps.append(entry)
                until = seconds(entry.get("until"))
                self.planned_end = self.planned_end if until is None else until
            case kinds.SOAK_ENDED:
                self.ended = entry
            case _:
                pass

    def look(self) -> bool:
        """Take the samples added since the last look; tell whether there were any. Raises Replaced."""
        if self._tail is None:
            path = _own_file(self._folder, file_name(self.slot))
            if path is None:
                return False
            self._tail = SampleTail(path)
        times, values = self._tail.look()
        if self.rolled is None and self._tail.columns:
            self._begin(self._tail.columns)
        if self.rolled is None or not times.size:
            return False
        if self._zero is None:
            self._zero = float(times[0])
        self.rolled.add(times - self._zero, values)
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
    def plotted(self) -> list[Quantity]:
        """The quantities that are drawn: voltage, current and case temperature, as far as there are any."""
        return [] if self.rolled is None else [self.quantities[n] for n in self.rolled.plotted]

    def mode_name(self, number: float) -> str:
        """Return the mode of a number as the unit reports it."""
        if math.isnan(number):
            return "no answer"
        return self.modes.get(number, f"mode {number:g}")

    def _begin(self, columns: tuple[str, ...]) -> None:
        self.quantities = [self._known.get(name, Quantity(name)) for name in columns]
        drawn = [
            self._column(columns, VOLTAGE, "V"),
            self._column(columns, CURRENT, "A"),
            self._column(columns, self._case, "degC"),
        ]
        mode = columns.index(MODE) if MODE in columns else None
        plotted = list(dict.fromkeys(number for number in drawn if number is not None))
        self.rolled = SampleWindow(len(columns), plotted, mode, self._period)

    def _column(self, columns: tuple[str, ...], name: str, unit: str) -> int | None:
        """Return the column of a name; where no column has it, the first of that unit."""
        if name in columns:
            return columns.index(name)
        return next((n for n, one in enumerate(self.quantities) if one.unit == unit), None)
