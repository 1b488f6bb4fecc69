"""One output of a supply over VISA, in SCPI or in the commands of the stand file.

Knows templates, the selection of an output, answers and the error queue. Must not know in which order a supply is
used, nor what may be asked of it. A command that the stand file says `none` to is left out.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import TypeVar

from hilseq.description.checks.stand_file import addresses_of_part
from hilseq.description.one_spelling import one_spelling
from hilseq.description.scpi import ScpiSupply
from hilseq.errors import HilseqError, InstrumentTimeout
from hilseq.instruments import scpi
from hilseq.instruments.protocols import Identification, InrushRecord, SupplyOutput, SupplySetting
from hilseq.instruments.scpi import BannerEcho, NothingMeasuredError
from hilseq.instruments.translate import DecodeError, Exchange, fault, kind_of, reported, reraise
from hilseq.instruments.visa import VisaSession

Parsed = TypeVar("Parsed")

#: An error queue holds some tens of entries (SCPI asks for at least two); one that holds more is chattering.
MOST_ERRORS = 64
#: Pause before a reading is asked for again, s.
_NOTHING_PAUSE = 0.02
_ENDLESS = (
    f"its error queue does not end after {MOST_ERRORS} entries; expected `next-error: none` in the stand file where "
    "it never says that it is empty"
)
#: SCPI-1999, 21.8.9: it does not understand the command.
_COMMAND_ERRORS = range(-199, -99)
#: Share of the deadline in which the queue says why a question was not answered.
_QUEUE_SHARE = 0.5
#: Two plain numbers, the usual answer; no exponent that could stand for `not a number` (SCPI-1999, 7.2.1).
_PLAIN_PAIR = re.compile(
    r"([+-]?[0-9]{1,6}(?:\.[0-9]{1,12})?)[;,]([+-]?[0-9]{1,6}(?:\.[0-9]{1,12})?)", re.ASCII
)


def _session_with(name: str, supply: ScpiSupply) -> VisaSession:
    """Return a session, not opened yet, with the instrument that a supply of this name is, or is an output of."""
    return VisaSession(
        supply.resource,
        name=f"supply {name}",
        deadline=supply.deadline,
        read_termination=supply.read_termination,
        write_termination=supply.write_termination,
        line=supply.line,
        chatter=BannerEcho(supply.greeting, supply.echo),
        pause=supply.pause,
    )


class ScpiOutput(SupplyOutput):
    """One output. Several outputs of one instrument share its `session`; without one it opens its own."""

    def __init__(self, name: str, description: ScpiSupply, session: VisaSession | None = None) -> None:
        self.name = f"supply {name}"
        self.where = description.resource
        self._description = description
        self._commands = description.commands
        self._session = session or _session_with(name, description)
        self._last_command = self._commands.output_off
        #: By unit and decade of a measured value, the finest last digit of an answer.
        self._digits: dict[str, dict[float, float]] = {}

    def close(self) -> None:
        """Close the session; other outputs of the instrument open it again when they need it."""
        self._session.close()

    # -- commands and questions

    def send(self, template: str, value: float | None = None) -> None:
        """Send a command, with its value in the unit of the template."""
        command = self._filled(template, value)
        with self._session.used_by(self.name):
            self._session.write(self._selecting(command))
        self._last_command = command

    def ask(self, template: str) -> str:
        """Return the answer to a question."""
        question = self._filled(template)
        with self._session.used_by(self.name):
            message = self._selecting(question)
            try:
                return self._session.query(message)
            except InstrumentTimeout as silent:
                refusal = self._refusal() if kind_of(silent.__cause__ or silent) == "silent" else None
                if refusal is None:
                    raise
                raise reported(*refusal, self.about(question), f" ({refusal.meaning})") from silent

    def begin(self, template: str) -> None:
        """Send a question whose answer the session returns; nothing else may be asked in between."""
        with self._session.used_by(self.name):
            self._session.ask(self._selecting(self._filled(template)))

    def number(self, template: str, unit: str) -> float:
        """Return the number that answers a question, in `unit`."""
        return self.parsed(template, self.ask(template), lambda text: scpi.parse_measurement(text, unit))

    def _reading(self, template: str, unit: str) -> float:
        return self._measured(template, lambda text: self._reported(text, unit))

    def _measured(self, template: str, parse: Callable[[str], Parsed], answer: str | None = None) -> Parsed:
        """Return what `parse` makes of a reading, or of its `answer`.

        While that says that nothing is measured (SCPI-1999, 7.2.1.5), as an instrument does that changes its range or
        has just been switched, it is asked for again, for a deadline.
        """
        until = time.monotonic() + self._description.deadline
        while True:
            answer = self.ask(template) if answer is None else answer
            try:
                return parse(answer)
            except DecodeError as error:
                if not isinstance(error, NothingMeasuredError) or time.monotonic() > until:
                    return self.parsed(template, answer, parse)
            answer = None
            time.sleep(_NOTHING_PAUSE)

    def _reported(self, text: str, unit: str) -> float:
        """Return a number of an answer, and take note of its last digit."""
        value, digit = scpi.parse_measurement(text, unit), scpi.last_digit(text, unit)
        decade = _decade(value)
        if digit:
            known = self._digits.setdefault(unit, {})
            known[decade] = min(digit, known.get(decade, math.inf))
        return value

    def resolution(self, value: float, unit: str) -> float:
        """Return the last digit of its answers of this size, or of larger ones: as fine as any was so far.

        An instrument may leave out zeros at the end, so that one answer alone tells too coarse a digit.
        """
        at_least = _decade(value)
        return min(
            (digit for decade, digit in self._digits.get(unit, {}).items() if decade >= at_least), default=0.0
        )

    def parsed(self, template: str, answer: str, parse: Callable[[str], Parsed]) -> Parsed:
        """Return what `parse` makes of an answer."""
        try:
            return parse(answer)
        except DecodeError as error:
            # Nonsense may be the answer to another question: start afresh before the next one.
            self._session.mark_desynchronized()
            reraise(error, self.about(template))

    def about(self, command: str) -> Exchange:
        """Return what errors say about an exchange."""
        known = self._description
        return Exchange(self.name, known.resource, command, known.deadline, place=self.name)

    # -- what a supply does

    def identify(self) -> Identification:
        """Ask who it is (IEEE 488.2, 10.14), or something else where it does not tell: whether it answers."""
        command = self._commands.identify
        if command is None:
            self._ask_something()
            return Identification("", "", "", "")
        return self.parsed(command, self.ask(command), scpi.parse_identity)

    def can_program(self, setting: SupplySetting) -> bool:
        """Return whether there is a command for the setting."""
        return self._setting(setting)[0] is not None

    def program(self, setting: SupplySetting, value: float) -> None:
        """Send the command of a setting."""
        command, _ = self._setting(setting)
        if command is None:
            raise NotImplementedError(f"this supply has no {setting}")
        self.send(command, value)

    def programmed(self, setting: SupplySetting) -> float | None:
        """Ask for a setting, where there is a query for it."""
        _, query = self._setting(setting)
        return None if query is None else self.number(query, setting.unit)

    def _setting(self, setting: SupplySetting) -> tuple[str | None, str | None]:
        """Return command and query of a setting."""
        known = self._commands
        match setting:
            case SupplySetting.VOLTAGE:
                return known.set_voltage, known.read_set_voltage
            case SupplySetting.CURRENT_LIMIT:
                return known.set_current, known.read_set_current
            case SupplySetting.OVERVOLTAGE:
                return known.set_overvoltage, known.read_overvoltage
            case SupplySetting.WATCHDOG:
                return known.set_watchdog, known.read_watchdog

    def switch(self, *, on: bool) -> None:
        """Send the command that switches the output."""
        self.send(self._commands.output_on if on else self._commands.output_off)

    def is_on(self) -> bool | None:
        """Ask for the state of the output, where there is a query for it."""
        return self._state(self._commands.read_output)

    def tripped(self) -> bool | None:
        """Ask whether the over-voltage protection has tripped, where there is a query for it."""
        return self._state(self._commands.overvoltage_tripped)

    def reset_protection(self) -> None:
        """Reset a tripped protection, where there is a command for it."""
        if self._commands.clear_protection is not None:
            self.send(self._commands.clear_protection)

    def _state(self, query: str | None) -> bool | None:
        return None if query is None else self.parsed(query, self.ask(query), scpi.parse_boolean)

    # -- measuring

    def measure(self) -> tuple[float, float]:
        """Measure voltage and current, with one question where the instrument can."""
        command = self._commands.measure_both
        if command is None:
            return self.measure_voltage(), self.measure_current()
        return self._measured(command, self._pair)

    def measure_voltage(self) -> float:
        """Measure the voltage alone, where there is a query for that."""
        command = self._commands.measure_voltage
        return self.measure()[0] if command is None else self._reading(command, "V")

    def measure_current(self) -> float:
        """Measure the current alone, where there is a query for that."""
        command = self._commands.measure_current
        return self.measure()[1] if command is None else self._reading(command, "A")

    def ask_measurement(self) -> None:
        """Send the question for voltage and current, or for the voltage where there is none for both."""
        self.begin(self._commands.measure_both or self._single(self._commands.measure_voltage))

    def answer_measurement(self) -> tuple[float, float]:
        """Return voltage and current after `ask_measurement`."""
        command = self._commands.measure_both
        with self._session.used_by(self.name):
            text = self._session.answer()
        if command is None:
            volts = self._measured(
                self._single(self._commands.measure_voltage), lambda text: self._reported(text, "V"), text
            )
            return volts, self._reading(self._single(self._commands.measure_current), "A")
        plain = _PLAIN_PAIR.fullmatch(text)
        if plain is not None:
            return float(plain[1]), float(plain[2])
        return self._measured(command, self._pair, text)

    def _pair(self, text: str) -> tuple[float, float]:
        volts, amperes = scpi.parts_of(text, 2)
        return self._reported(volts, "V"), self._reported(amperes, "A")

    @staticmethod
    def _single(command: str | None) -> str:
        """Return the query of a supply that has none for both: the description lets none be without either."""
        if command is None:
            raise RuntimeError("the supply has no query for this, and none for both")
        return command

    # -- recorded while it was switched on

    def arm(self) -> None:
        """Send the command that arms the record, where there is one."""
        if self._commands.arm_waveform is not None:
            self.send(self._commands.arm_waveform)

    def recorded(self) -> InrushRecord | None:
        """Ask for largest current and charge since the output was switched on, where there are queries for them."""
        peak, charge = self._commands.measure_peak_current, self._commands.measure_charge
        if peak is None and charge is None:
            return None
        return InrushRecord(
            None if peak is None else self.number(peak, "A"),
            None if charge is None else self.number(charge, "As"),
        )

    @property
    def waveform_length(self) -> float | None:
        """Return the time that its record covers, s; None where it keeps none."""
        known = self._description.waveform
        return None if known is None else known.length

    def waveform(self) -> tuple[float, list[float]] | None:
        """Return the recorded currents, by the interval that the stand file tells."""
        command, known = self._commands.read_waveform, self._description.waveform
        if command is None or known is None:
            return None
        try:
            answer = self.ask(command)
        except InstrumentTimeout as error:
            if self._commands.arm_waveform is None:
                hint = "a supply that records only when it is commanded to needs `arm-waveform` in the stand file"
                raise InstrumentTimeout(f"{error}; {hint}") from error
            raise
        currents = self.parsed(command, answer, lambda text: scpi.parse_record(text, "A", known.readings))
        return known.interval, currents

    # -- its own watchdog

    def heartbeat(self, quiet: float) -> None:
        """Ask something when nothing was heard for `quiet` s of real time; no matter what comes of it.

        Where something is wrong, the next question that matters meets it, and says so.
        """
        if self._session.under_way or self._session.quiet < quiet:
            return
        with suppress(HilseqError):
            self._ask_something()

    def late_answers(self) -> int:
        """Return how many answers came after the deadline, of whichever output of the instrument."""
        return self._session.late

    def _ask_something(self) -> None:
        """Ask a question of which the answer does not matter."""
        if self.is_on() is None:
            self.measure()

    def clear_watchdog(self) -> None:
        """Send the command that ends the watch, where there is one."""
        if self._commands.clear_watchdog is not None:
            with suppress(HilseqError):
                self.send(self._commands.clear_watchdog)

    # -- the error queue

    def forget_errors(self) -> list[str]:
        """Read the error queue, empty it by the command for that, and return what stood in it."""
        entries, _ = self._drain()
        if self._commands.clear is not None:
            self.send(self._commands.clear)
        return [str(entry) for entry in entries]

    def check_errors(self) -> list[str]:
        """Read the error queue until it is empty and return the events in it (power-on and the like).

        Raises InstrumentError with number and text of the first error, the others in its message, and
        InvalidResponse when the queue does not end.
        """
        entries, ended = self._drain()
        faults = [entry for entry in entries if entry.is_error]
        if faults:
            more = "".join(f"; then {entry}" for entry in faults[1:]) if ended else f"; {_ENDLESS}"
            first = faults[0]
            hint = f" ({first.meaning})" if first.meaning else ""
            raise reported(first.number, first.text, self.about(self._last_command), hint + more)
        if not ended:
            raise fault("garbage", _ENDLESS, self.about(self._last_command))
        return [str(entry) for entry in entries]

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

    def _drain(self) -> tuple[list[scpi.ErrorEntry], bool]:
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

    def _selecting(self, command: str) -> str:
        """Return the message that carries a command to this output; what selects it has been sent, or is part of it."""
        if self._commands.select is None:
            return command
        select = self._filled(self._commands.select)
        if self._description.compound_messages:
            return scpi.compound(select, command)
        self._session.write(select)
        return command

    def _filled(self, template: str, value: float | None = None) -> str:
        try:
            return scpi.fill(template, value=value, output=self._description.output)
        except ValueError as error:
            reraise(error, self.about(template))


def _decade(value: float) -> float:
    return math.floor(math.log10(abs(value))) if value else -math.inf


def open_outputs(supplies: Mapping[str, ScpiSupply]) -> dict[str, ScpiOutput]:
    """Return the outputs of some supplies by name; those of one instrument share its session.

    Many instruments take one client only.
    """
    sessions: dict[str, VisaSession] = {}
    outputs: dict[str, ScpiOutput] = {}
    for name, supply in supplies.items():
        (address,) = addresses_of_part(("supplies", name), f"supply {name}", supply)
        session = sessions.setdefault(one_spelling(address), _session_with(name, supply))
        outputs[name] = ScpiOutput(name, supply, session)
    return outputs
