"""What the unit's program does: from power to ready (boot, self-test, watchdog), then its mode switch and modes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum

from hilseq.description.profile import Mode, ModeSwitching
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
        """Return whether the unit is through its self-test and its processor runs."""
        return self.phase is Phase.READY and not self.stops

    @property
    def running(self) -> bool:
        """Return whether the program runs and may answer: from the self-test on."""
        return self.phase in (Phase.SELF_TEST, Phase.READY) and not self.stops

    @property
    def healthy(self) -> bool:
        """Return whether the unit is ready and its self-test has passed."""
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


class ModeSwitch:
    """Contacts and the position the unit reads from them.

    A contact bounces for a few milliseconds after each edge; the unit reads the switch when it has been
    quiet for that long. Exactly one closed contact is a position; none is the position that has no contact,
    if there is one; anything else leaves the last position standing, as between two detents.
    """

    def __init__(self, timeline: Timeline, modes: ModeSwitching, bounce: float) -> None:
        self._contacts = {name: position.contact for name, position in modes.switch.items()}
        self._closed = dict.fromkeys((c for c in self._contacts.values() if c is not None), False)
        bare = [name for name, contact in self._contacts.items() if contact is None]
        self._bare = bare[0] if len(bare) == 1 and self._closed else None
        #: By contact: how many defects hold it open. By position: the same, for a switch turned by hand.
        self.open = dict.fromkeys(self._contacts, 0)
        self.position: str | None = None
        self.moved: Callable[[], None] = lambda: None
        self._by_hand: str | None = None
        self._bounce = bounce
        self._quiet = Timer(timeline, self._read)

    @property
    def contacts(self) -> tuple[str, ...]:
        """Terminals of the contacts."""
        return tuple(self._closed)

    def close_contact(self, contact: str, closed: bool) -> None:
        """Close or open a contact from outside, as the stand does."""
        if self._closed[contact] != closed:
            self._closed[contact] = closed
            self._by_hand = None
            self._quiet.start(self._bounce)

    def turn(self, position: str) -> None:
        """Turn the switch by hand. Raises KeyError for a position it does not have."""
        if position not in self._contacts:
            raise KeyError(position)
        self._by_hand = position
        self._quiet.start(self._bounce)

    def refresh(self) -> None:
        """Follow a defect: a contact that opened or closed again."""
        self._quiet.start(self._bounce)

    def _read(self) -> None:
        held_open = self.open
        if self._by_hand is not None:
            closed = [] if held_open[self._by_hand] else [self._by_hand]
        else:
            closed = [
                name
                for name, contact in self._contacts.items()
                if contact is not None and self._closed[contact] and not held_open[name]
            ]
        if len(closed) == 1:
            position: str | None = closed[0]
        elif closed or self._bare is None or held_open[self._bare]:
            position = self.position
        else:
            position = self._bare
        if position != self.position:
            self.position = position
            self.moved()


class ModeKeeper:
    """The mode of one unit: what is wanted, and what it has become after the time of a change."""

    def __init__(
        self, timeline: Timeline, modes: ModeSwitching, switch: ModeSwitch, change_time: float
    ) -> None:
        self._timeline = timeline
        self._modes = modes
        self._switch = switch
        self.change_time = change_time
        self.mode = modes.at_start
        self.changed: Callable[[], None] = lambda: None
        self.may_run: Callable[[], bool] = lambda: True
        #: By mode: how many defects make it impossible to enter, or to stay in.
        self.impossible = dict.fromkeys(Mode, 0)
        #: A defect: s for which it is live on its way from one other mode to another.
        self.passes_live = 0.0
        self._wanted = modes.at_start
        self._timer = Timer(timeline, self._arrive)
        switch.moved = self._switched

    def start(self) -> None:
        """Take up the mode of the switch, or the one to start in, at the end of a self-test."""
        self._timer.stop()
        if not self.may_run():
            self._become(Mode.STOPPED)
            return
        self._wanted = self._switch_mode() or self._modes.at_start
        self._become(self._wanted if not self.impossible[self._wanted] else Mode.STOPPED)

    def stop(self) -> None:
        """Fall back to stopped: no power, or a new start."""
        self._timer.stop()
        self._wanted = self._modes.at_start
        self._become(Mode.STOPPED)

    def command(self, mode: Mode) -> None:
        """Command a mode over the link."""
        self._request(mode)

    def refresh(self) -> None:
        """Follow a defect: leave a mode that has become impossible, enter one that has become possible."""
        if self.impossible[self.mode] and self.mode is not Mode.STOPPED:
            self._become(Mode.STOPPED)
        elif self.mode is not self._wanted and self.may_run() and not self._timer.running:
            self._timer.start(self.change_time)

    def _switch_mode(self) -> Mode | None:
        position = self._switch.position
        return None if position is None else self._modes.switch[position].mode

    def _switched(self) -> None:
        mode = self._switch_mode()
        if mode is not None:
            self._request(mode)

    def _request(self, mode: Mode) -> None:
        self._wanted = mode
        if self.may_run():
            self._timer.start(self.change_time)

    def _arrive(self) -> None:
        if not self.may_run() or self.impossible[self._wanted]:
            return
        if self.passes_live and Mode.LIVE not in (self.mode, self._wanted):
            self._become(Mode.LIVE)
            self._timer.start(self.passes_live)
        else:
            self._become(self._wanted)

    def _become(self, mode: Mode) -> None:
        if mode is not self.mode:
            self.mode = mode
            self.changed()


def position_of(modes: ModeSwitching, word: str) -> str | None:
    """Return the switch position that a word means: its own name, its mode, or `mode MODE`."""
    positions: Mapping[str, Mode] = {name: position.mode for name, position in modes.switch.items()}
    if word in positions:
        return word
    word = word.removeprefix("mode ")
    return next((name for name, mode in positions.items() if mode.value == word), None)
