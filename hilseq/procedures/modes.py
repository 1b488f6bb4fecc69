"""Moving the unit between its modes: by switch contacts, by a register, or by a person."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from hilseq.analysis.uncertainty import Term, resolution
from hilseq.clock import Clock
from hilseq.description.profile import Mode, Profile
from hilseq.description.stand import OperatorActions
from hilseq.errors import HilseqError, NotPerformed, UnitFault, UnitSilent
from hilseq.instruments.protocols import UnitLink
from hilseq.instruments.signals import SignalBank
from hilseq.journal.event_names import MODE_REACHED
from hilseq.measured import Measured
from hilseq.procedures.operator import Operator
from hilseq.procedures.polling import poll
from hilseq.statements import compared

#: A change is made so often more, at most, until its time is surely what it may be, or known to this share of that.
_AGAIN, _KNOWN = 5, 0.25


class Modes:
    """The modes of one unit. `contacts` maps a contact terminal to the signal that drives it."""

    def __init__(
        self,
        slot: str,
        profile: Profile,
        *,
        link: UnitLink,
        link_deadline: float,
        signals: SignalBank,
        contacts: dict[str, str],
        operator: Operator,
        texts: OperatorActions,
        clock: Clock,
        event: Callable[[str, str], None],
    ) -> None:
        self._slot = slot
        self._profile = profile
        self._link = link
        self._link_deadline = link_deadline
        self._signals = signals
        self._contacts = contacts
        self._operator = operator
        self._texts = texts
        self._clock = clock
        self._event = event
        #: Called with a mode that the unit is about to be commanded to, and with one that it has been seen in.
        self.commanding: list[Callable[[Mode], None]] = []
        self.reached: list[Callable[[Mode], None]] = []
        #: How many commands were sent over the link.
        self.commands = 0
        self._confirmed = True  # whether the unit has answered the last of them
        #: Where a person said that the switch stands; empty until one was asked.
        self._turned_to = ""

    @property
    def driven(self) -> tuple[Mode, ...]:
        """The modes of which the stand closes the contact."""
        return tuple(p.mode for p in self._profile.modes.switch.values() if p.contact in self._contacts)

    def prepare(self) -> None:
        """Put a switch that the stand replaces where it stands when power comes; the unit is still off."""
        _, contact = self._position(self._profile.modes.at_start)
        if contact is not None and contact in self._contacts:
            self._signals.write(self._contacts[contact], 1.0)

    def reported(self) -> Mode:
        """Return the mode that the unit reports. Raises UnitFault for a number that means no mode."""
        raw = self._link.read(self._profile.link.mode)
        for mode, number in self._profile.link.mode.values.items():
            if raw == number:
                return mode
        known = ", ".join(f"{number} {mode}" for mode, number in self._profile.link.mode.values.items())
        raise UnitFault(
            f"the unit reports mode {raw:g}, which the profile does not know ({known})", place="link"
        )

    def set(self, mode: Mode) -> Measured:
        """Move the switch, or command the mode, without waiting for the unit; return when that was, s of the clock.

        Between the beginning of the command and its confirmation (rectangular, GUM 4.3.7). A command of which the
        confirmation was lost, as by units that begin their links anew with the mode, may have been carried out
        nevertheless: whether the mode follows tells. Raises NotPerformed when that needs a person and none is there.
        """
        for watch in self.commanding:
            watch(mode)
        self._confirmed = True
        begun = self._clock.now()
        command = self._profile.link.mode_command
        position, contact = self._position(mode)
        if contact is not None and contact in self._contacts:
            driven = [p.contact for p in self._profile.modes.switch.values() if p.contact in self._contacts]
            # Break before make: a switch never closes two contacts at once.
            self._signals.write_many({self._contacts[c]: 0.0 for c in driven if c is not None})
            begun = self._clock.now()
            self._signals.write(self._contacts[contact], 1.0)
        elif command is not None and mode in command.values:
            self.commands += 1
            try:
                self._link.write(command, command.values[mode], verify=False)
            except UnitSilent as silence:
                self._confirmed = False
                self._event("mode command not confirmed", f"{mode}: {silence}")
        elif position is not None and self._texts.move_switch is not None:
            if not self._stands_at(position, mode):
                self._have_it_turned(self._texts.move_switch, position, mode)
            begun = self._clock.now()
        else:
            raise NotPerformed(f"nothing on this stand can bring the unit into mode {mode}")
        width = self._clock.now() - begun
        return Measured(begun + width / 2, "s", resolution(width))

    def _stands_at(self, position: str, mode: Mode) -> bool:
        """Return whether the switch is there: as the person said last, or else as the unit reports."""
        if self._turned_to:
            return self._turned_to == position
        try:
            return self.reported() is mode
        except HilseqError:  # the unit is off, or does not answer
            return False

    def _have_it_turned(self, request: str, position: str, mode: Mode) -> None:
        for word, value in (("{slot}", self._slot), ("{position}", position), ("{mode}", str(mode))):
            request = request.replace(word, value)
        picture = self._texts.pictures.get("move-switch", "")
        self._operator.act(request, self._texts.timeout, picture=picture, slot=self._slot, position=position)
        self._turned_to = position

    def move_to(self, mode: Mode) -> Measured:
        """Bring the unit into `mode`; return the time it took, s. Raises UnitFault when it does not follow.

        A command that was not confirmed, and has done nothing, may never have reached the unit: it is given once more.
        """
        compared()
        reported = self.set(mode)
        took = self.wait_for(mode, reported.value)
        if took is None and not self._confirmed:
            reported = self.set(mode)
            took = self.wait_for(mode, reported.value)
        if took is None:
            seen = self.reported()
            raise UnitFault(
                f"the unit was commanded to be {mode} but reports {seen} after "
                f"{self._profile.modes.change_within:g} s",
                place=f"mode {mode}",
            )
        self._event(MODE_REACHED, str(mode))
        command = Term("duration of the command", reported.standard_uncertainty, "rectangular")
        return Measured.of(took.value, "s", *took.budget, command)

    def ensure(self, mode: Mode) -> None:
        """Bring the unit into `mode` unless it is there. Raises UnitFault when it does not follow."""
        if self.reported() is not mode:
            self.move_to(mode)

    def time_to(self, mode: Mode) -> Measured:
        """Bring the unit into `mode` from where it is; return the time it took, s, as well as this stand can know it.

        Where a command or an answer took so long that the change may have taken longer than it may, it is made again,
        and the time that is known best counts. Raises UnitFault when the unit does not follow.
        """
        before, best, most = self.reported(), self.move_to(mode), self._profile.modes.change_within
        for _ in range(_AGAIN):
            unknown = best.expanded_uncertainty
            if unknown <= _KNOWN * most or best.value + unknown <= most:
                break
            if before is not mode:
                self.move_to(before)
            best = min(best, self.move_to(mode), key=lambda took: took.expanded_uncertainty)
        return best

    def wait_for(self, mode: Mode, since: float) -> Measured | None:
        """Wait until the unit reports `mode`; return the time since `since`, or None when it is too late."""
        took = poll(
            self._clock,
            lambda: self.reported() is mode,
            within=self._profile.modes.change_within,
            since=since,
            link_deadline=self._link_deadline,
        )
        if took is not None:
            for watch in self.reached:
                watch(mode)
        return took

    def follows_switch(self, mode: Mode) -> bool:
        """Return whether a switch holds the mode, so that the unit must take it up again by itself."""
        return self._position(mode)[0] is not None

    def release(self) -> bool:
        """Put the switch where it stands when power comes; return whether the unit is there, as far as the stand can.

        What a person moves stays until a check needs it back.
        """
        if self._turned_to:
            return True
        try:
            self.set(self._profile.modes.at_start)
        except NotPerformed:
            return True
        return self.wait_for(self._profile.modes.at_start, self._clock.now()) is not None

    def turn_back(self) -> None:
        """Have a switch that a person turned during the visit put where it stands when power comes.

        Whether the unit follows is for the next check to find. Raises NotPerformed when nobody answers.
        """
        start = self._profile.modes.at_start
        position, _ = self._position(start)
        if position is None or not self._turned_to or self._turned_to == position:
            return
        self._have_it_turned(self._texts.move_switch or "", position, start)
        with suppress(UnitFault):
            self.wait_for(start, self._clock.now())

    def _position(self, mode: Mode) -> tuple[str | None, str | None]:
        """Return name and contact of the switch position for `mode`, where there is one."""
        for name, position in self._profile.modes.switch.items():
            if position.mode is mode:
                return name, position.contact
        return None, None
