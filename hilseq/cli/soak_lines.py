"""A soak as a line of text: what is left, a strip of how it went, the last values, the events."""

from __future__ import annotations

import math

from hilseq.journal.soak_entries import SoakEventLogged, SoakGap, SoakStatus
from hilseq.quantities import show_duration
from hilseq.reports.formatting import symbol
from hilseq.reports.sanitize import sanitize

#: Characters of the strip.
WIDTH = 32
WELL, UNWELL, GAP, EVENT, AHEAD = "=", "x", "_", "!", "."
#: Which sign stays when a part of the strip has seen several.
_WORST = (EVENT, UNWELL, GAP, WELL, AHEAD)
LEGEND = f"{WELL} in its mode   {UNWELL} out of it   {GAP} nothing sampled   {EVENT} event   {AHEAD} to come"


class ModeBar:
    """How a soak went, in as many signs as fit: of each part the worst."""

    def __init__(self, width: int = WIDTH) -> None:
        self._width = width
        self._marks: list[tuple[float, float, str]] = []

    def mark(self, start: float, end: float, sign: str) -> None:
        """Note how it went from `start` to `end`, s since the soak began."""
        if self._marks and self._marks[-1][2] == sign and start <= self._marks[-1][1] + 1e-6:
            self._marks[-1] = (self._marks[-1][0], max(end, self._marks[-1][1]), sign)
        else:
            self._marks.append((start, end, sign))

    def show(self, until: float) -> str:
        """Return the strip for a soak that ends `until` seconds after it began."""
        signs = [AHEAD] * self._width
        for start, end, sign in self._marks:
            first = self._place(start, until)
            for place in range(first, max(first, self._place(end, until)) + 1):
                if _WORST.index(sign) < _WORST.index(signs[place]):
                    signs[place] = sign
        return "".join(signs)

    def _place(self, time: float, until: float) -> int:
        share = time / until if until > 0 else 0.0
        return min(max(int(share * self._width), 0), self._width - 1)


def status(
    since: float, until: float, strip: ModeBar, values: list[tuple[float | None, str]], events: int
) -> str:
    """Return `12 h of 72 h, 60 h left [===.....] 0.124 A, 57.3 °C, no event`; `values` come with units."""
    times = f"{show_duration(since)} of {show_duration(until)}, {show_duration(max(until - since, 0.0))} left"
    shown = [
        f"{value:.4g} {symbol(unit)}" for value, unit in values if value is not None and math.isfinite(value)
    ]
    shown.append("no event" if not events else f"{events} event{'s' * (events > 1)}")
    return f"{times} [{strip.show(until)}] {', '.join(shown)}"


def event_line(event: SoakEventLogged) -> str:
    """Return one event of a soak as a line."""
    case = "" if event.case is None else f", case {event.case:.1f} °C"
    return sanitize(f"{show_duration(event.since)}{case}: {event.what} ({event.place}): {event.text}")


def gap_line(gap: SoakGap) -> str:
    """Return one gap of a soak as a line."""
    words = f"{gap.what}, {show_duration(gap.end - gap.start)} without samples; {gap.text}"
    return sanitize(f"{show_duration(gap.start)}: {words}")


class SoakLine:
    """The present soak of a run, fed with its entries and its progress: one line that says how it goes."""

    def __init__(self) -> None:
        self._strip = ModeBar()
        self._last = 0.0
        self.text = ""

    def progress(self, now: SoakStatus) -> None:
        """Take what the run shows of itself between two entries."""
        self._strip.mark(self._last, now.since, WELL if now.well else UNWELL)
        self._last = now.since
        values = [(now.current, "A"), (now.case, "degC")]
        self.text = status(now.since, now.until, self._strip, values, now.events)

    def event(self, event: SoakEventLogged) -> str:
        """Take an event and return its line."""
        self._strip.mark(event.since, event.since, EVENT)
        return event_line(event)

    def gap(self, gap: SoakGap) -> str:
        """Take a gap and return its line."""
        self._strip.mark(gap.start, gap.end, GAP)
        self._last = gap.end
        return gap_line(gap)
