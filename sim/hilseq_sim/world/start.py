"""From power to ready: boot, self-test, watchdog, and the counter of starts."""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum

from hilseq_sim.world.timeline import Timeline, Timer

#: s until a watchdog resets a processor that stopped.
WATCHDOG = 1.0
#: What the self-test register says; 0 is passed.
SELF_TEST_FAILED = 1
PROGRAM_WRONG = 2


class Phase(Enum):
    """Where a unit is between dark and ready."""

    OFF = "off"
    BOOT = "boot"
    SELF_TEST = "self-test"
    READY = "ready"


class Starter:
    """Boot and self-test timers of one unit. The counters are defects; all 0 in a good unit."""

    def __init__(self, timeline: Timeline, *, boot: float, self_test: float, starts: int) -> None:
        self.boot = boot
        self.self_test = self_test
        self.starts = starts
        self.phase = Phase.OFF
        self.result = 0
        #: Called when the phase has changed.
        self.changed: Callable[[], None] = lambda: None
        #: Called with the words of a fault's meaning, to store it.
        self.fault: Callable[[str], None] = lambda _: None
        self.never_boots = 0
        self.self_test_hangs = 0
        self.self_test_fails = 0
        self.program_wrong = 0
        self.stops = 0
        self.watchdog_dead = 0
        self._timer = Timer(timeline, self._next)
        self._watchdog = Timer(timeline, self._bark)

    @property
    def ready(self) -> bool:
        """Tell whether the unit is through its self-test and its processor runs."""
        return self.phase is Phase.READY and not self.stops

    @property
    def running(self) -> bool:
        """Tell whether the program runs and may answer: from the self-test on."""
        return self.phase in (Phase.SELF_TEST, Phase.READY) and not self.stops

    @property
    def healthy(self) -> bool:
        """Tell whether the unit is ready and its self-test has passed."""
        return self.ready and self.result == 0

    def power_good(self) -> None:
        """Begin to start: the supply has come."""
        self.starts += 1
        self._begin()

    def power_lost(self) -> None:
        """Fall dark at once."""
        self._timer.stop()
        self._watchdog.stop()
        self._enter(Phase.OFF)

    def refresh(self) -> None:
        """Follow a defect: a processor that stopped is reset by its watchdog."""
        if self.stops and self.phase is Phase.READY and not self.watchdog_dead:
            if not self._watchdog.running:
                self._watchdog.start(WATCHDOG)
        else:
            self._watchdog.stop()

    def _begin(self) -> None:
        self.result = 0
        if self.never_boots:
            self._timer.stop()
            self._enter(Phase.OFF)
            return
        self._timer.start(self.boot)
        self._enter(Phase.BOOT)

    def _next(self) -> None:
        if self.phase is Phase.BOOT:
            if not self.self_test_hangs:
                self._timer.start(self.self_test)
            self._enter(Phase.SELF_TEST)
            return
        if self.self_test_fails:
            self.result = SELF_TEST_FAILED
            self.fault("self-test")
        elif self.program_wrong:
            self.result = PROGRAM_WRONG
            self.fault("program memory")
        self._enter(Phase.READY)
        self.refresh()

    def _bark(self) -> None:
        self.starts += 1
        self.fault("watchdog")
        self._begin()

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self.changed()
