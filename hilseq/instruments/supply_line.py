"""What goes over the line of a supply: templates filled in, its output selected, answers parsed, errors read.

The commands come from the stand file. Knows nothing of the order in which a supply is used.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from hilseq.description.stand import Supply
from hilseq.errors import HilseqError, InstrumentTimeout
from hilseq.instruments import scpi
from hilseq.instruments.banner_echo import BannerEcho
from hilseq.instruments.translate import DecodeError, Exchange, fault, kind_of, reported, reraise
from hilseq.instruments.visa import VisaSession

Parsed = TypeVar("Parsed")

#: An error queue holds some tens of entries (SCPI asks for at least two); one that holds more is chattering.
MOST_ERRORS = 64
#: SCPI-1999, 21.8.9: it does not understand the command.
_COMMAND_ERRORS = range(-199, -99)
#: Share of the deadline in which the queue says why a question was not answered.
_QUEUE_SHARE = 0.5


def session_with(name: str, supply: Supply) -> VisaSession:
    """Return a session, not opened yet, with the instrument that a supply of this name is, or is an output of."""
    return VisaSession(
        supply.resource,
        name=f"supply {name}",
        deadline=supply.deadline,
        read_termination=supply.read_termination,
        write_termination=supply.write_termination,
        line=supply.line,
        chatter=BannerEcho(supply.greeting, supply.echo),
    )


class SupplyLine:
    """The line to one output of a supply. Several outputs of one instrument share its `session`.

    Every call raises InstrumentTimeout, InvalidResponse or InstrumentError when the instrument does not do
    its part.
    """

    def __init__(self, name: str, description: Supply, session: VisaSession | None) -> None:
        self._who = f"supply {name}"
        self._description = description
        self._commands = description.commands
        self._session = session or session_with(name, description)
        self._own_session = session is None
        self._last_command = self._commands.identify

    def close(self) -> None:
        """Close the session, unless others use it too."""
        if self._own_session:
            self._session.close()

    # -- commands and questions

    def send(self, template: str, value: float | None = None) -> None:
        """Send a command, with its value in the unit of the template."""
        command = self._filled(template, value)
        with self._session.lock:
            self._select()
            self._session.write(command)
        self._last_command = command

    def ask(self, template: str) -> str:
        """Return the answer to a question."""
        question = self._filled(template)
        with self._session.lock:
            self._select()
            try:
                return self._session.query(question)
            except InstrumentTimeout as silent:
                refusal = self._refusal() if kind_of(silent.__cause__ or silent) == "silent" else None
                if refusal is None:
                    raise
                raise reported(*refusal, self.about(question), f" ({refusal.meaning})") from silent

    def begin(self, template: str) -> None:
        """Send a question whose answer `answer` returns; nothing else may be asked in between."""
        with self._session.lock:
            self._select()
            self._session.ask(self._filled(template))

    def answer(self) -> str:
        """Return the answer to the question begun."""
        return self._session.answer()

    def number(self, template: str, unit: str) -> float:
        """Return the number that answers a question, in `unit`."""
        return self.parsed(template, self.ask(template), lambda text: scpi.parse_measurement(text, unit))

    def parsed(self, template: str, answer: str, parse: Callable[[str], Parsed]) -> Parsed:
        """Return what `parse` makes of an answer."""
        try:
            return parse(answer)
        except DecodeError as error:
            # Nonsense may be the answer to another question: start afresh before the next one.
            self._session.mark_desynchronized()
            reraise(error, self.about(template))

    def about(self, command: str) -> Exchange:
        """Return what errors say of an exchange."""
        known = self._description
        return Exchange(self._who, known.resource, command, known.deadline, place=self._who)

    # -- keeping in touch

    def kick_watchdog(self, longest: float) -> None:
        """Ask something when nothing was heard for `longest` seconds of real time; no matter what comes of it.

        Where something is wrong, the next question that matters meets it, and says so.
        """
        if self._session.under_way or self._session.quiet < longest:
            return
        with suppress(HilseqError):
            self.ask(self._commands.read_output or self._commands.identify)

    # -- the error queue

    def errors(self) -> list[scpi.ErrorEntry]:
        """Read the error queue until it is empty and return the events in it (power-on and the like).

        Raises InstrumentError with number and text of the first error, the others in its message, and
        InvalidResponse when the queue does not end.
        """
        entries, ended = self.drain()
        faults = [entry for entry in entries if entry.is_error]
        if faults:
            more = "".join(f"; then {entry}" for entry in faults[1:])
            first = faults[0]
            hint = f" ({first.meaning})" if first.meaning else ""
            raise reported(first.number, first.text, self.about(self._last_command), hint + more)
        if not ended:
            raise self._endless()
        return entries

    def _refusal(self) -> scpi.ErrorEntry | None:
        """Return what the error queue has against a command, for a question that nobody answered.

        A supply that does not know a question is silent and puts -113 in its queue. The queue gets a share of the
        deadline: whoever is silent altogether is not waited for twice.
        """
        command, within = self._commands.next_error, _QUEUE_SHARE * self._description.deadline
        if command is None:
            return None
        with suppress(HilseqError):
            for _ in range(MOST_ERRORS):
                answer = self._session.query(self._filled(command), deadline=within)
                entry = self.parsed(command, answer, scpi.parse_error)
                if entry.is_empty or entry.number in _COMMAND_ERRORS:
                    return None if entry.is_empty else entry
        return None

    def drain(self) -> tuple[list[scpi.ErrorEntry], bool]:
        """Read the error queue; return its entries and whether it came to its end."""
        command, entries = self._commands.next_error, list[scpi.ErrorEntry]()
        if command is None:
            return entries, True
        for _ in range(MOST_ERRORS):
            entry = self.parsed(command, self.ask(command), scpi.parse_error)
            if entry.is_empty:
                return entries, True
            entries.append(entry)
        return entries, False

    def _endless(self) -> HilseqError:
        """Return the fault of an error queue without an end."""
        return fault(
            "garbage",
            f"its error queue does not end after {MOST_ERRORS} entries",
            self.about(self._last_command),
        )

    def _select(self) -> None:
        if self._commands.select is not None:
            self._session.write(self._filled(self._commands.select))

    def _filled(self, template: str, value: float | None = None) -> str:
        try:
            return scpi.fill(template, value=value, output=self._description.output)
        except ValueError as error:
            reraise(error, self.about(template))
