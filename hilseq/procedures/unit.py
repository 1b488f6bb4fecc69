"""The unit under test, as the stand can reach it: supply, link, signals, ports."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from hilseq.analysis.uncertainty import Term
from hilseq.clock import Clock
from hilseq.description.accuracy import POLL_INTERVAL
from hilseq.description.profile import Indicator, Mode, Profile
from hilseq.description.registers import Register
from hilseq.description.stand import Slot
from hilseq.errors import (
    HilseqError,
    NotPerformed,
    StandFault,
    UnitFault,
    UnitInvalidResponse,
    UnitRefused,
    UnitSilent,
)
from hilseq.instruments.protocols import UnitLink
from hilseq.instruments.signals import SignalBank
from hilseq.journal.entries import StoredFault
from hilseq.journal.event_names import NOT_JUDGED
from hilseq.measured import Measured
from hilseq.procedures.analog import AnalogPoints
from hilseq.procedures.baseline import Baseline, ClockLook
from hilseq.procedures.limits import UnitLimits
from hilseq.procedures.memory import ConfigurationMemory, Faults
from hilseq.procedures.modes import Modes
from hilseq.procedures.off_watch import OffWatch
from hilseq.procedures.points import Inputs, Outputs
from hilseq.procedures.polling import poll
from hilseq.procedures.ports import Ports
from hilseq.procedures.unit_supply import SeenStart, UnitSupply
from hilseq.procedures.wiring import ReadBacks
from hilseq.statements import compared

#: Readiness is waited for this much longer than allowed, so that a late unit is measured, not just missed.
PATIENCE = 2.0
#: A starting unit is not asked before this share of the shortest start seen: it has better things to do, and
#: a silent question costs its whole deadline.
_LEFT_ALONE = 0.9
#: Time between two looks at the interlocks while a starting unit is not asked, s.
_WATCHED_EVERY = 0.5
#: Longest time between two looks at a lamp that blinks, s, and looks at least in one period.
_LAMP_LOOK, _LAMP_LOOKS = 0.05, 8
#: What has answered so shortly before is ready still: from the end of one check to the next, s.
_JUST_HEARD = 1.0
#: Time not worth waiting for, s.
_AT_ONCE = 1e-6


@dataclass(frozen=True, slots=True)
class SeenIdentity:
    """What the unit says it is (Modbus function 43/14, objects 0, 1 and 2)."""

    maker: str
    product: str
    firmware: str


@dataclass(frozen=True, slots=True)
class _Touched:
    """What differs once a unit was touched: since when it has power; how many commands, modes and drives it was sent.

    Not a number equals nothing: of a link that does not count its commands nobody knows.
    """

    power: float | None
    commands: float
    modes: float
    drives: float


_NEVER = _Touched(None, math.nan, math.nan, math.nan)


class Unit:
    """One unit in its slot."""

    def __init__(
        self,
        name: str,
        serial: str,
        profile: Profile,
        slot: Slot,
        *,
        intake: Mapping[str, str],
        supply: UnitSupply,
        link: UnitLink,
        signals: SignalBank,
        drives: Sequence[str],
        lamps: Mapping[Indicator, str],
        look: Callable[[], Indicator],
        modes: Modes,
        outputs: Outputs,
        inputs: Inputs,
        analog: AnalogPoints,
        off_watch: OffWatch,
        read_backs: ReadBacks,
        clock: Clock,
    ) -> None:
        self.slot = name
        self.serial = serial
        self.profile = profile
        self.limits = UnitLimits(profile)
        #: What was stated about this unit at intake: work order, complaint, battery, …
        self.intake = intake
        self.supply = supply
        self.link = link
        self.modes = modes
        self.outputs = outputs
        self.inputs = inputs
        self.analog = analog
        #: What was seen of its outputs where they must be off.
        self.off_watch = off_watch
        self.ports = Ports(
            profile.ports,
            slot.ports,
            loopback=profile.link.modbus_loopback,
            mode=profile.link.mode,
            quirks=profile.link,
        )
        #: Its place on the stand, as the stand file has it.
        self.described = slot
        self._slot = slot
        self._signals = signals
        self._drives = drives
        self._lamps = lamps
        self._look = look
        self._clock = clock
        #: Whether its registers were seen to mean what the profile says, in its order and scale: they stay so.
        self.makes_sense = False
        #: What was seen of it early in this visit.
        self.baseline = Baseline()
        analog.misread = self.baseline.misread
        self._read_backs = read_backs
        analog.doubting = self.doubt
        #: Every start of this visit that came to ready, in order.
        self.starts: list[SeenStart] = []
        self._ready_since: float | None = None
        #: What its counter of starts said when it was last seen to start.
        self._start_count: float | None = None
        #: The same as it was read just before its power was taken away; None where nobody looked.
        self._count_before: float | None = None
        #: What it had been touched by when it was last idle.
        self._idle = _NEVER
        #: The mode that it was last seen in, and what it had been touched by then; None once it is told another.
        self._seen_in: tuple[Mode, _Touched] | None = None
        #: When it last told its mode as it should, s of the clock.
        self._heard = -math.inf
        modes.commanding.append(self._mode_commanded)
        modes.reached.append(self._mode_reached)

    @property
    def faults(self) -> Faults:
        """The fault table. Raises NotPerformed when the profile has none."""
        if self.profile.faults is None:
            raise NotPerformed("the profile describes no fault table")
        return Faults(self.profile.faults, self.link, self._clock, self.baseline.fault_counts)

    @property
    def configuration(self) -> ConfigurationMemory:
        """The configuration memory. Raises NotPerformed when the profile has none."""
        if self.profile.configuration is None:
            raise NotPerformed("the profile describes no configuration")
        known = self.baseline
        return ConfigurationMemory(
            self.profile.configuration, self.link, self._clock, known.note_configured, known.misread
        )

    # -- power and readiness -----------------------------------------------------------------------

    def _answers_ready(self) -> bool:
        ready = self.profile.link.ready
        if ready is not None:
            return bool(self.link.read(ready))
        self.modes.reported()
        return True

    def _starts_safely(self) -> bool:
        self.supply.check_interlocks()
        return self._answers_ready()

    def _wait_startup_quiet(self, until: float) -> None:
        while self._clock.now() < until - _AT_ONCE:
            self._clock.sleep_until(min(until, self._clock.now() + _WATCHED_EVERY))
            self.supply.check_interlocks()

    def wait_until_ready(self, *, measured: bool = True) -> Measured:
        """Wait until the unit is ready; return the time since power came, s.

        Waits somewhat longer than allowed. Logs the start, unless `measured` is false because nobody saw when
        the unit became ready. Raises UnitFault, with the place that seems at fault, when it
        never gets ready, and Interlock when the stand may not be powered any more: nobody samples meanwhile.
        """
        since = self.supply.powered_since
        if since is None:
            raise NotPerformed("the unit has no power")
        compared()
        within = self.profile.start.ready_within * PATIENCE
        starting = since != self._ready_since
        if starting:
            # The unit has forgotten the connection; its refusal to continue with it would count as one to start.
            self.link.reconnect()
            self._wait_startup_quiet(since + self.startup_quiet_time())
        took = poll(
            self._clock,
            self._starts_safely,
            within=within,
            since=since,
            link_deadline=self._slot.link.deadline,
        )
        if took is None:
            raise self._never_ready(within)
        came = Term("when power came", self.supply.came_within, "rectangular", source="stand file: response")
        took = Measured.of(took.value, "s", *took.budget, came)
        self._ready_since = since
        self.off_watch.is_ready()
        if starting:
            measured = self._started_once(since) and measured
        if starting and measured:
            self.log_start(took)
        return took

    def _started_once(self, since: float) -> bool:
        """Take the counter of starts as it is; return whether it has gone on by one, as far as that is known.

        A start that was broken off, by the unit or by its supply, says nothing of the time that one takes.
        """
        before, self._count_before = self._count_before, None
        self._start_count = counted = self._starts_counted()
        if before is None or counted is None or counted - before <= 1.0:
            return True
        self.baseline.own_starts.append((since, self._clock.now()))
        return False

    def _starts_counted(self) -> float | None:
        register = self.profile.link.starts
        with suppress(UnitFault):
            return None if register is None else self.link.read(register)
        return None

    def look_for_own_starts(self) -> float | None:
        """Take note where the unit has started by itself since it was last made ready; return its counter of starts.

        To be called before its power is taken away: afterwards nobody can tell.
        """
        counted = self._starts_counted()
        if counted is not None and self._start_count is not None and counted != self._start_count:
            self.baseline.own_starts.append((self._ready_since or 0.0, self._clock.now()))
        self._start_count = self._count_before = counted
        return counted

    def note_clock(self) -> None:
        """Take note of what its clock shows, by one exchange; not of a clock of whole seconds, which takes longer."""
        register = self.profile.link.clock
        if register is None or register.step > POLL_INTERVAL:
            return
        with suppress(UnitFault):
            self.baseline.clocks.append(self.read_clock(register))

    def read_clock(self, register: Register) -> ClockLook:
        """Return what its clock shows, by one exchange. Raises UnitFault."""
        asked = self._clock.now()
        shown, answered = self.link.read(register), self._clock.now()
        return ClockLook(0.5 * (asked + answered), shown, answered - asked)

    def accept_starts(self) -> None:
        """Take the counter of starts as it is: what the unit has started until now has been judged."""
        self._start_count = self._starts_counted()

    def has_restarted(self) -> bool:
        """Return whether the unit's own counter says that it has started since it was last made ready."""
        return self._starts_counted() != self._start_count

    def log_start(self, took: Measured) -> None:
        """Add a start to those of the visit: power came last as the supply says, and it took so many s."""
        assert self.supply.powered_since is not None
        self.starts.append(SeenStart(self.supply.powered_since, self.supply.level, self.supply.off_for, took))

    def startup_quiet_time(self) -> float:
        """Return for how long a starting unit is not asked anything, s after power came."""
        seen = _LEFT_ALONE * min((start.took.value for start in self.starts), default=0.0)
        return max(seen, self.profile.start.startup_quiet)

    def _never_ready(self, within: float) -> UnitFault:
        """Return what can still be learned from a unit that never gets ready. Raises StandFault."""
        words = f"the unit is not ready {within:g} s after power came"
        overload = self.supply.overload()
        if overload is not None:
            return UnitFault(f"{words}; {overload}", place="supply")
        with suppress(UnitFault):
            if self.self_test():
                return UnitFault(f"{words}; its self-test failed", place="self-test")
        with suppress(UnitFault, NotPerformed):
            seen = self.indicator_seen()
            if seen is Indicator.FAULTED:
                return UnitFault(f"{words}; its indicator is {seen}", place="self-test")
            # A unit that says it is well but does not answer has started: its link is what fails.
            place = "link" if seen is Indicator.HEALTHY else "start"
            return UnitFault(f"{words}; its indicator is {seen}", place=place)
        return UnitFault(words, place="start")

    def make_ready(self) -> None:
        """Power the unit if it is off, and wait until it is ready."""
        if not self.supply.is_on:
            self.supply.on()
        if self._was_just_heard():
            self.supply.check_interlocks()
        else:
            self.wait_until_ready()

    @property
    def has_told_its_mode(self) -> bool:
        """Whether it was ever seen in a mode that the profile knows and it was told."""
        return math.isfinite(self._heard)

    def _was_just_heard(self) -> bool:
        """Return whether the unit has told its mode since it got ready, so shortly before that it need not again."""
        since = self.supply.powered_since
        return (
            since is not None and since == self._ready_since and self._clock.now() - self._heard < _JUST_HEARD
        )

    def restart(self) -> Measured:
        """Take the supply away for the profile's off-time, give it back, wait until ready."""
        self.look_for_own_starts()
        self.supply.cycle()
        return self.wait_until_ready()

    def check_drives(self) -> None:
        """Raise InstrumentReset when the stand no longer drives the unit as it was commanded to."""
        self._signals.check_drives(self._drives)

    def doubt(self, driven: Mapping[str, float]) -> None:
        """Look whether these drives, each with the value in its unit that it was given, are at their terminals now.

        To be called at once when the unit does not say what it is driven to: an intermittent contact is back soon.
        """
        self.baseline.let_go.update(self._read_backs.contradicted(driven))

    def require_drives(self) -> None:
        """Raise StandFault where a read-back has shown that the stand did not drive the unit as it was commanded to."""
        if let_go := self.baseline.let_go:
            words = ", ".join(f"{name} {count} times" for name, count in let_go.items())
            raise StandFault(
                f"the read-backs at the terminals show that drives of the stand let go for a moment ({words}), when "
                "the unit did not say what it was driven to: look at their contacts and wires",
                places=tuple(let_go),
            )

    def return_to_idle(self) -> None:
        """Outputs off, drives released, switch back. What the unit refuses is for the next check to find.

        What nobody has touched since the unit was idle is not touched. Raises InstrumentReset, afterwards, when the
        stand had let go of its drives before: what was seen of the unit is not the unit's then.
        """
        if not self.supply.is_on:
            return
        try:
            self.check_drives()  # before they are written anew
        except HilseqError:
            self._idle = _NEVER
            raise
        finally:
            self._rest()

    def switch_all_on(self) -> None:
        """Go live where the unit does, every output and input on; `return_to_idle` ends it. Raises UnitFault."""
        if Mode.LIVE in self.profile.mode_list():
            self.modes.move_to(Mode.LIVE)
            if self.outputs.names:
                self.outputs.drive(*self.outputs.names)
        if self.inputs.names:
            self.inputs.drive(*self.inputs.names)

    def _mode_commanded(self, _mode: Mode) -> None:
        self._seen_in = None

    def _mode_reached(self, mode: Mode) -> None:
        self._seen_in, self._heard = (mode, self._touched()), self._clock.now()

    def assert_stayed(self) -> None:
        """Raise UnitFault when the unit has left the mode that it was last seen in, though nothing was sent to it.

        Whatever was sent tells for itself what has become of it, and so does a link that failed.
        """
        if self._seen_in is None or self.link.failures or self.link.commands is None:
            return
        if self._touched() != self._seen_in[1]:
            return
        mode = self._seen_in[0]
        with suppress(UnitSilent, UnitInvalidResponse, UnitRefused):
            compared()
            if self.modes.reported() is mode or (seen := self.modes.reported()) is mode:
                self._heard = self._clock.now()
                return
            self._seen_in, self._idle = None, _NEVER
            raise UnitFault(
                f"the unit was {mode} and reports {seen}, though nothing was sent to it meanwhile",
                place=f"mode {mode}",
            )

    def _touched(self) -> _Touched:
        sent, modes = self.link.commands, self.modes.commands
        other = math.nan if sent is None else sent - modes
        return _Touched(self.supply.powered_since, other, modes, self._signals.writes)

    def _rest(self) -> None:
        idle, now = self._idle, self._touched()
        if idle.power != now.power:
            idle = _NEVER
        commanded, driven = now.commands != idle.commands, now.drives != idle.drives
        is_off = is_back = False
        with suppress(UnitFault):
            if self.outputs.names and commanded:
                self.outputs.command()
            is_off = True
        with suppress(UnitFault):
            is_back = self.modes.release() if commanded or driven or now.modes != idle.modes else True
        if self.inputs.names and driven:
            self.inputs.release()
        self._idle = self._touched() if is_off and is_back else _NEVER

    # -- what it says --------------------------------------------------------------------------------

    def self_test(self) -> float | None:
        """Result of the self-test, 0 when passed; None when the profile knows no register for it."""
        register = self.profile.link.self_test
        return None if register is None else self.link.read(register)

    def indicator_on_stand(self, *, at_once: bool = False) -> Indicator | None:
        """Return the indicator as the stand sees it, now or `at_once` with the lag of its channels; None if not.

        One that blinks is looked at for its whole period, and not at once.
        """
        lamps = self.profile.indicator
        period = 0.0 if lamps is None or lamps.blinks is None else lamps.blinks
        if not self._lamps or (at_once and period):
            return None
        look = self._signals.snapshot if at_once else self._signals.fresh
        lit, until = set[Indicator](), self._clock.now() + period
        while True:
            seen = look(self._lamps.values())
            lit |= {state for state, signal in self._lamps.items() if seen[signal]}
            if self._clock.now() >= until:
                break
            self._clock.sleep(min(_LAMP_LOOK, period / _LAMP_LOOKS))
        return next(
            (state for state in (Indicator.FAULTED, Indicator.HEALTHY) if state in lit), Indicator.DARK
        )

    def indicator_seen(self) -> Indicator:
        """Return the indicator as the stand sees it, or else as the unit reports it, or else as a person does.

        Raises NotPerformed when none of these is possible, UnitFault when the report means nothing.
        """
        seen = self.indicator_on_stand()
        if seen is not None:
            return seen
        reported = self.reported_indicator()
        return self._look() if reported is None else reported

    def reported_indicator(self) -> Indicator | None:
        """Return the indicator as the unit reports it; None where it does not. Raises UnitFault for invalid data."""
        register = self.profile.link.indicator
        if register is None:
            return None
        raw = self.link.read(register)
        for state, number in register.values.items():
            if raw == number:
                return state
        raise UnitFault(f"the unit reports indicator {raw:g}, which the profile does not know", place="link")

    def identity(self) -> SeenIdentity:
        """Ask the unit what it is. Raises UnitFault when it does not answer function 43/14."""
        compared()
        objects = self.link.identification()
        return SeenIdentity(objects.get(0, ""), objects.get(1, ""), objects.get(2, ""))

    def serial_number_inside(self) -> str:
        """Return the serial number in the unit, as digits. Raises NotPerformed when the profile has no register."""
        register = self.profile.identity.serial_number
        if register is None:
            raise NotPerformed("the profile knows no register with the serial number")
        return f"{self.link.read(register):.0f}"

    def serial_digits(self) -> str:
        """Return the digits of the serial number on the label, without leading zeros."""
        return "".join(c for c in self.serial if c.isascii() and c.isdigit()).lstrip("0") or "0"

    def neighbours_found(self) -> dict[int, str]:
        """Return the module reported in each rack position, from 1. Raises NotPerformed when the unit reports none."""
        modules = self.profile.identity.modules
        if modules is None:
            raise NotPerformed("the unit does not report its neighbours")
        names = {number: name for name, number in modules.types.items()}
        found = {}
        for position in range(1, self.profile.rack_positions + 1):
            number = round(self.link.read(modules.first.further_on(position - 1)))
            found[position] = names.get(number, f"module type {number}")
        return found

    def neighbours_fitted(self) -> dict[int, str]:
        """Return what the stand file says is fitted in each rack position."""
        positions = range(1, self.profile.rack_positions + 1)
        return {position: self._slot.neighbours.get(position, "empty") for position in positions}

    def read_new_faults(self) -> list[StoredFault]:
        """Read the fault table; return what nobody has accounted for in this visit, which is known from now on."""
        if self.profile.faults is None:
            return []
        stored = self.faults.read()
        new = self.baseline.faults.news(stored)
        self.baseline.faults.learn(stored)
        self.baseline.faults.tell(new)
        return new

    def outputs_enabled(self) -> bool:
        """Return whether the unit reports its outputs driven. Raises NotPerformed when it does not report that."""
        register = self.profile.link.outputs_enabled
        if register is None:
            raise NotPerformed("the unit does not report whether its outputs are enabled")
        return bool(self.link.read(register))

    def not_judged(self, what: str, why: str) -> None:
        """Take note of what a check cannot judge here; the coverage statement of the report lists it."""
        compared()
        self.supply.note(NOT_JUDGED, f"{what}: {why}")

    @staticmethod
    def fail_at(places: Sequence[str], words: str) -> None:
        """Raise UnitFault at every place; nothing when there are none."""
        compared()
        if places:
            raise UnitFault(words, places=list(dict.fromkeys(places)))
