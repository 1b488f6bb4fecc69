"""Outputs where they must be off: looked at as fast as the stand can, whenever time passes.

The unit may drive its outputs only while it is live, or on its way there, and only after somebody has commanded one
since power came. At any other time a look that shows one on is kept. After whatever may stir the outputs (power, a
change of mode, a command that must do nothing) the looks come as fast as the stand makes them, later once in a while.

A look shows the past, by the lag of its signals; what it may have seen before the outputs had to be off judges nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.errors import HilseqError, NotPerformed
from hilseq.instruments.signals import SignalBank
from hilseq.procedures.wiring import OutputLevel

#: s between two looks: shortly after something may have stirred the outputs, and later. An I/O simulator that
#: scans faster than the first is rare (common practice, no source).
FAST, SLOW = 0.02, 1.0
#: For how long after that the looks are fast, s.
STIRRED = 1.0
#: s until an I/O simulator that failed in a look is looked at again: whoever needs it will say so.
_GIVEN_UP = 5.0
#: Occasion of everything before the unit is ready.
STARTING = "while the unit starts"
#: More than this share of the outputs on at once have one cause, which is reported once.
_ALIKE = 0.5


@dataclass(slots=True)
class Seen:
    """What was seen on where it must be off: first when (s of the clock), in how many looks, which outputs."""

    occasion: str
    place: str
    first: float
    looks: int = 0
    #: In how many looks on end each output was, at most.
    outputs: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Watched:
    """How closely one occasion was watched: looks, time watched and longest gap between two fast looks, s."""

    looks: int = 0
    seconds: float = 0.0
    longest_gap: float = 0.0


class OffWatch:
    """Looks at the outputs of one unit while they must be off.

    `follows_switch` tells whether a switch holds a mode.
    """

    def __init__(
        self,
        levels: Sequence[OutputLevel],
        signals: SignalBank,
        clock: Clock,
        *,
        at_start: Mode,
        follows_switch: Callable[[Mode], bool],
    ) -> None:
        self._levels = levels
        self._names = tuple(level.signal for level in levels)
        self._signals = signals
        self._clock = clock
        self._at_start = at_start
        self._follows_switch = follows_switch
        self._powered = self._ready = False
        #: Who has commanded something on since power came: `outputs`, `analog outputs`.
        self._demands: set[str] = set()
        #: The mode it is commanded to be in, the one it was last seen in, and whether it may be in neither.
        self._wanted = self._mode = at_start
        self._changing = False
        self._off_since = math.inf
        self._fast_until = self._last = -math.inf
        self._next = math.inf
        self._took = 0.0
        self.seen: dict[tuple[str, str], Seen] = {}
        self.watched: dict[str, Watched] = {}
        self._reported: set[tuple[str, str]] = set()
        #: In how many looks on end until now each output was on.
        self._on_end: dict[str, int] = {}

    # -- what happens to the unit --------------------------------------------------------------------

    def power(self, on: bool) -> None:
        """Take note that power has come (again), or is about to go: every command is forgotten then."""
        self._powered, self._ready = on, False
        self._demands.clear()
        if not self._follows_switch(self._wanted):
            self._wanted = self._at_start
        self._mode, self._changing = self._wanted, False
        self._stir(was_off=False)

    def is_ready(self) -> None:
        """Take note that the unit has started."""
        if not self._ready:
            self._ready = True
            self._stir(was_off=self.must_be_off())

    def mode_commanded(self, mode: Mode) -> None:
        """Take note that the unit is about to be commanded to another mode."""
        was_off = self.must_be_off()
        self._changing = self._changing or mode is not self._mode
        self._wanted = mode
        self._stir(was_off)

    def reach_mode(self, mode: Mode) -> None:
        """Take note that the unit has been seen in a mode."""
        if self._changing or mode is not self._mode:
            was_off = self.must_be_off()
            self._mode, self._changing = mode, False
            self._stir(was_off)

    def demand(self, which: str, on: bool) -> None:
        """Take note that some of `outputs` or `analog outputs` are about to be commanded on, or all were off."""
        was_off = self.must_be_off()
        if on:
            self._demands.add(which)
        else:
            self._demands.discard(which)
        self._stir(was_off)

    def _stir(self, was_off: bool) -> None:
        """Look fast from now on. Where outputs were lawfully on until now, they have their switch-off time."""
        now = self._clock.now()
        self._fast_until = now + STIRRED
        if not self.must_be_off():
            self._next, self._last = math.inf, -math.inf
            return
        self._next = min(self._next, now + FAST)
        self._last = now  # from here on the next fast look is waited for
        if not was_off:
            self._off_since = now

    def watch_closely(self, seconds: float) -> None:
        """Continue with fast looks for so many seconds."""
        self._fast_until = max(self._fast_until, self._clock.now() + seconds)

    def must_be_off(self) -> bool:
        """Return whether no output may be on now."""
        if not self._powered or not self._levels:
            return False
        may_be_live = Mode.LIVE in (self._wanted, self._mode) if self._changing else self._mode is Mode.LIVE
        return not (may_be_live and self._demands)

    # -- looking -------------------------------------------------------------------------------------

    @property
    def next_look(self) -> float:
        """Time of the clock at which to look next; infinite while there is nothing to look for."""
        return self._next

    @property
    def took(self) -> float:
        """How long the last look took, s."""
        return self._took

    def look(self) -> None:
        """Look at every output at once, and keep what is on. An I/O simulator that fails is not asked for a while."""
        asked = self._clock.now()
        try:
            values = self._signals.snapshot(self._names)
        except HilseqError:
            self._next, self._last = self._clock.now() + _GIVEN_UP, -math.inf
            return
        answered = self._clock.now()
        self._took = answered - asked
        fast = asked < self._fast_until or not self._ready
        occasion, place = self._occasion()
        watched = self.watched.setdefault(occasion, Watched())
        watched.looks += 1
        if math.isfinite(self._last):
            watched.seconds += asked - self._last
            if fast:
                watched.longest_gap = max(watched.longest_gap, asked - self._last)
        self._last = asked
        self._next = asked + max(FAST if fast else SLOW, self._took)
        on = [level for level in self._levels if level.is_on(values[level.signal])]
        self._on_end = {level.output: self._on_end.get(level.output, 0) + 1 for level in on}
        if not on:
            return
        since = asked - self._signals.lag(self._names) - self._off_since
        if unlawful := [level.output for level in on if since >= level.settle]:
            seen = self.seen.setdefault((occasion, place), Seen(occasion, place, asked))
            seen.looks += 1
            for output in unlawful:
                seen.outputs[output] = max(seen.outputs.get(output, 0), self._on_end[output])

    def _occasion(self) -> tuple[str, str]:
        """Return what the unit is doing, in words, and its place."""
        if not self._ready:
            return STARTING, "start"
        if self._changing:
            return f"while changing from {self._mode} to {self._wanted}", f"mode {self._wanted}"
        without = " before any command" if self._mode is Mode.LIVE else ""
        return f"in mode {self._mode}{without}", f"mode {self._mode}"

    # -- reporting -------------------------------------------------------------------------------------

    def unreported(self) -> tuple[list[str], str, bool]:
        """Return where outputs were on that had to be off, a sentence, and whether a channel may have shown it wrong.

        Each is reported once; empty without any. Many at once have one cause, and its place; a few are reported by
        their names. What one channel showed in single looks only, the next look did not confirm.
        """
        news = {
            key: [o for o in seen.outputs if (seen.occasion, o) not in self._reported]
            for key, seen in self.seen.items()
        }
        many = {key for key, new in news.items() if len(new) > _ALIKE * len(self._levels)}
        together = {output for key in many for output in news[key]}
        single = all(self.seen[key].outputs[o] == 1 for key, new in news.items() for o in new)
        places: dict[str, None] = {}
        words = []
        for key, new in news.items():
            seen = self.seen[key]
            self._reported.update((seen.occasion, output) for output in new)
            if key in many:
                places[seen.place] = None
            elif not together.issuperset(new):
                places.update(dict.fromkeys(new))
            if new:
                named = f"{len(new)} outputs" if key in many else ", ".join(new)
                words.append(
                    f"{named} on {seen.occasion}, in {seen.looks} looks, first at {seen.first:.3f} s of the visit"
                )
        return list(places), "; ".join(words), single and not many

    def resolution(self) -> str:
        """Return how closely was watched, in a sentence: what is shorter may have passed unseen.

        Raises NotPerformed where nothing was looked at.
        """
        looks = sum(watched.looks for watched in self.watched.values())
        if not looks:
            raise NotPerformed("no output was looked at where it must be off")
        gap = max((watched.longest_gap for watched in self.watched.values()), default=0.0)
        lag = self._signals.lag(self._names)
        settle = [1e3 * level.settle for level in self._levels]
        return (
            f"{looks} looks at {len(self._levels)} channels where every output must be off; the longest gap between "
            f"two of them after anything that may stir the outputs was {1e3 * gap:.0f} ms, and a look may be "
            f"{1e3 * lag:.0f} ms old: what was on for less than {1e3 * (gap + lag):.0f} ms may have passed unseen, "
            f"as may what takes no longer than {min(settle, default=0.0):.0f} to {max(settle, default=0.0):.0f} ms "
            "to switch off, by the profile"
        )

    def table(self) -> tuple[str, list[str], list[tuple[str, int, float, float]]]:
        """Return how closely each occasion was watched, as a table of the journal."""
        columns = ["occasion", "looks", "watched, s", "longest gap of fast looks, ms"]
        rows = [
            (occasion, w.looks, round(w.seconds, 3), round(1e3 * w.longest_gap, 3))
            for occasion, w in self.watched.items()
        ]
        return "outputs watched where they must be off", columns, rows


class WatchingClock:
    """The clock of a bench whose sleeps are filled with looks (`OffWatch`)."""

    def __init__(self, clock: Clock) -> None:
        #: The clock below, for whoever looks at the outputs himself, as a soak does.
        self.plain = clock
        self._watches: list[OffWatch] = []
        self._looking = False

    def add(self, watch: OffWatch) -> None:
        """Let a watch look from now on."""
        self._watches.append(watch)

    @property
    def tick(self) -> Callable[[], None]:
        """See Clock."""
        return self.plain.tick

    @tick.setter
    def tick(self, tick: Callable[[], None]) -> None:
        self.plain.tick = tick

    def now(self) -> float:
        """See Clock."""
        return self.plain.now()

    def sleep(self, seconds: float) -> None:
        """See Clock."""
        if not self._due_before(math.inf):
            self.plain.sleep(seconds)
        elif seconds > 0.0:
            self.sleep_until(self.plain.now() + seconds)

    def sleep_until(self, instant: float) -> None:
        """See Clock."""
        while (watch := self._due_before(instant)) is not None:
            self.plain.sleep_until(watch.next_look)
            self._looking = True
            try:
                watch.look()
            finally:
                self._looking = False
        self.plain.sleep_until(instant)

    def _due_before(self, instant: float) -> OffWatch | None:
        if self._looking:
            return None
        first = min(self._watches, key=lambda watch: watch.next_look, default=None)
        return first if first is not None and first.next_look + first.took < instant else None

    def advance_async(self, instant: float) -> None:
        """See Clock."""
        if self._due_before(instant) is None:
            self.plain.advance_async(instant)

    def account_wait(self, seconds: float) -> None:
        """See Clock."""
        self.plain.account_wait(seconds)

    def moment(self) -> datetime:
        """See Clock."""
        return self.plain.moment()
