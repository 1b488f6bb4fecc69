"""One soak of one unit as it goes: its state from the journal, its samples from the file beside it.

Samples are kept in flat memory: buckets over the whole soak, the last ones as they are.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hilseq.analysis.decimation import MinMaxDecimator
from hilseq.journal.run_state import SoakState
from hilseq.journal.samples import CURRENT, MODE, TEMPERATURE, VOLTAGE, SampleTail, file_name
from hilseq.journal.soak_entries import SoakColumn

Numbers = NDArray[np.float64]

#: Buckets at the most; a plot on a screen shows no more.
MOST = 1440
#: Samples kept as they are.
RECENT = 900
#: A longer silence than so many periods is a gap.
GAP_PERIODS = 2.5
#: No soak is longer, s; times beyond are no times.
_LONGEST = 3.2e8
#: Stretches of the mode strip kept; older ones than these are left out.
_MOST_STRETCHES = 4000


@dataclass(slots=True)
class Stretch:
    """A stretch of time in one mode; the number is NaN where the unit did not say."""

    start: float
    end: float
    number: float


class SampleWindow:
    """The samples of one soak; times are seconds since it began.

    `plotted` are the columns that get buckets; least and greatest values are kept of all.
    """

    def __init__(self, columns: int, plotted: list[int], mode: int | None, period: float) -> None:
        self.plotted = plotted
        self._mode = mode
        self._period = period if math.isfinite(period) and period > 0 else 1.0
        # One for the times alone, where no column is plotted.
        self._decimators = [MinMaxDecimator(MOST, self._period) for _ in plotted or [0]]
        self.count = 0
        self.last_time = math.nan
        self.last: Numbers = np.full(columns, np.nan)
        self.least: Numbers = np.full(columns, np.inf)
        self.greatest: Numbers = np.full(columns, -np.inf)
        self.recent_times: Numbers = np.empty(0)
        self.recent: Numbers = np.empty((0, len(plotted)))
        self.stretches: list[Stretch] = []

    @property
    def width(self) -> float:
        """Width of a bucket, s."""
        return self._decimators[0].width

    @property
    def used(self) -> int:
        """Buckets up to that of the last sample."""
        return self._decimators[0].used

    def add(self, times: Numbers, given: NDArray[np.floating]) -> None:
        """Take samples, in the order of their times; what has no possible time is left out."""
        sound = np.isfinite(times) & (times >= 0) & (times < _LONGEST)
        times, values = times[sound], np.asarray(given[sound], dtype=np.float64)
        if not times.size:
            return
        self.count += times.size
        self.last_time, self.last = float(times[-1]), values[-1]
        self.least = np.fmin(self.least, np.fmin.reduce(values, axis=0))
        self.greatest = np.fmax(self.greatest, np.fmax.reduce(values, axis=0))
        chosen = values[:, self.plotted]
        for number, decimator in enumerate(self._decimators):
            decimator.add(times, chosen[:, number] if self.plotted else times)
        self.recent_times = np.concatenate([self.recent_times, times])[-RECENT:]
        self.recent = np.concatenate([self.recent, chosen])[-RECENT:]
        if self._mode is not None:
            self._stretch(times, values[:, self._mode])

    def _stretch(self, times: Numbers, modes: Numbers) -> None:
        gap = GAP_PERIODS * self._period
        before = np.r_[self.stretches[-1].end if self.stretches else -np.inf, times[:-1]]
        old = np.r_[self.stretches[-1].number if self.stretches else np.nan, modes[:-1]]
        same = (modes == old) | (np.isnan(modes) & np.isnan(old))
        starts = np.flatnonzero(~same | (times - before > gap))
        head = int(starts[0]) if starts.size else times.size
        if head and self.stretches:
            self.stretches[-1].end = float(times[head - 1])
        ends = [*starts[1:], times.size] if starts.size else []
        for first, end in zip(starts, ends, strict=True):
            # A mode lasts until the next sample says otherwise; a gap is nobody's.
            if self.stretches and times[first] - self.stretches[-1].end <= gap:
                self.stretches[-1].end = float(times[first])
            self.stretches.append(Stretch(float(times[first]), float(times[end - 1]), float(modes[first])))
        del self.stretches[:-_MOST_STRETCHES]

    def buckets(self, first: int) -> list[tuple[Numbers, Numbers, Numbers]]:
        """Return of each plotted column min, mean and max of the buckets from `first` on; NaN in empty ones."""
        part = slice(max(first, 0), self.used)
        made = self._decimators[: len(self.plotted)]
        return [(one.low[part], one.mean[part], one.high[part]) for one in made]


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


class SampledSoak:
    """A soak with its samples. `window` holds them once there are any; times are seconds since it began."""

    def __init__(self, folder: Path, state: SoakState) -> None:
        self.state = state
        self.columns: list[SoakColumn] = []
        self.window: SampleWindow | None = None
        self._folder = folder
        self._modes = {number: name for name, number in state.started.modes.items()}
        self._tail: SampleTail | None = None

    def look(self) -> bool:
        """Take the samples added since the last look; tell whether there were any. Raises Replaced."""
        if self._tail is None:
            path = _own_file(self._folder, file_name(self.state.started.slot))
            if path is None:
                return False
            self._tail = SampleTail(path)
        times, values = self._tail.look()
        if self.window is None and self._tail.columns:
            self._begin(self._tail.columns)
        if self.window is None or not times.size:
            return False
        self.window.add(times - self.state.started.zero, values)
        return True

    @property
    def damaged(self) -> bool:
        """Return whether the sample file holds something that is no sample."""
        return self._tail is not None and self._tail.damaged

    @property
    def lasted(self) -> float:
        """Seconds from the beginning to the last sample."""
        return 0.0 if self.window is None or math.isnan(self.window.last_time) else self.window.last_time

    @property
    def plotted(self) -> list[SoakColumn]:
        """The columns that are drawn: voltage, current and case temperature, as far as there are any."""
        return [] if self.window is None else [self.columns[n] for n in self.window.plotted]

    def mode_name(self, number: float) -> str:
        """Return the mode of a number as the unit reports it."""
        if math.isnan(number):
            return "no answer"
        return self._modes.get(number, f"mode {number:g}")

    def _begin(self, columns: tuple[str, ...]) -> None:
        known = {column.name: column for column in self.state.started.columns}
        self.columns = [known.get(name) or SoakColumn(name=name) for name in columns]
        drawn = [
            self._column(columns, VOLTAGE, "V"),
            self._column(columns, CURRENT, "A"),
            self._column(columns, self.state.started.case or TEMPERATURE, "degC"),
        ]
        mode = columns.index(MODE) if MODE in columns else None
        plotted = list(dict.fromkeys(number for number in drawn if number is not None))
        self.window = SampleWindow(len(columns), plotted, mode, self.state.started.period)

    def _column(self, columns: tuple[str, ...], name: str, unit: str) -> int | None:
        """Return the column of a name; where no column has it, the first of that unit."""
        if name in columns:
            return columns.index(name)
        return next((n for n, one in enumerate(self.columns) if one.unit == unit), None)
