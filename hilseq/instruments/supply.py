"""A programmable DC supply: what holds of any, whatever it speaks.

Knows the order in which a supply is made ready, that no setting counts before it was read back and nothing was
reported against it, and how to switch off whatever happens. Must not know units, profiles or procedures: the
ceiling of a unit comes in as a number; nor commands: they are the driver's.

What cannot be asked is measured, as far as a measurement can tell.
"""

from __future__ import annotations

import math
import operator
import time
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TypeVar

from hilseq.analysis.agreement import Holding, holding
from hilseq.analysis.uncertainty import Term, largest_error, resolution
from hilseq.clock import Clock
from hilseq.deadlines import try_until
from hilseq.description.accuracy import InstrumentConditions, of_interruption
from hilseq.description.supplies import Supply
from hilseq.errors import (
    HilseqError,
    InstrumentReset,
    Interlock,
    NotSafe,
    StandFault,
    WrongInstrument,
    in_words,
)
from hilseq.instruments.opening import Opening, OwnConnections, identification
from hilseq.instruments.protocols import Identification, SupplyOutput, SupplySetting
from hilseq.instruments.supply_meter import MeasuredInrush, SupplyMeter
from hilseq.instruments.translate import quote
from hilseq.measured import Measured
from hilseq.quantities import show_duration

Said = TypeVar("Said")

#: An output whose read-back is `none` counts as on when it shows more than this part of a setting.
_SIGN_OF_LIFE = 0.05
#: Over-voltage protection above the ceiling of the stand, where its file gives no level.
_PROTECTION = 1.05
#: Pause between two attempts to switch off, seconds.
_PAUSE = 0.05
#: Without a read-back, time and number of looks until what is stored behind an output has run down.
_RUN_DOWN_LOOK = 0.25
_RUN_DOWN_LOOKS = 20
#: A supply with a watchdog is asked something after this part of its time.
_FED_AFTER = 1 / 3
#: Pause between two looks at what a supply says of itself while `settle` has not passed, s.
_SAYS_LOOK = 0.01
#: What an instrument may make of that time: it counts in whole seconds, or in its own.
_RELATIVE, _ABSOLUTE = 0.01, 0.5


@dataclass(frozen=True, slots=True)
class SeenOutput:
    """An output as it stands, whoever set it: volts and amperes measured, settings in their units where they tell."""

    on: bool
    volts: float
    amperes: float
    settings: Mapping[SupplySetting, float]


class PowerSupply:
    """One output of a supply of the stand.

    `output` is what its driver makes of it, `description` its part of the stand file, `clock` lets settling times
    pass. Nothing is sent before the first call. Every call raises InstrumentTimeout,
    InvalidResponse or InstrumentError when the instrument does not do its part.
    """

    def __init__(
        self,
        name: str,
        output: SupplyOutput,
        description: Supply,
        clock: Clock,
        conditions: InstrumentConditions | None = None,
    ) -> None:
        self.name = name
        self.description = description
        self._output = output
        self._clock = clock
        self._meter = SupplyMeter(output, description, conditions or InstrumentConditions(clock))
        self._ceiling: float | None = None  # volts; known once `prepare` has programmed it
        self._set: tuple[float, float] = (0.0, description.ceilings.current)
        self._settings: dict[SupplySetting, float] = {}  # what was sent, of those that can be read back
        self._just_read: set[SupplySetting] = set()  # those read back since the output was last switched
        self._watched = False  # whether it switches off by itself when it hears nothing
        self._wanted_on = False
        self._on_since = 0.0  # instant of the clock at which it was last switched on
        self._switched = Measured(0.0, "s")
        self._holds_from = -math.inf  # instant of the clock from which a reading is that of the last setting

    # -- who is it

    def identify(self) -> Identification:
        """Ask who it is and compare with the stand file. Raises WrongInstrument."""
        identity = identification(self._output) or Identification("", "", "", "")
        wanted = self.description.identity
        for field, expected in (("maker", wanted.maker), ("model", wanted.model), ("serial", wanted.serial)):
            found = getattr(identity, field)
            if expected is not None and expected.casefold() != found.casefold():
                raise WrongInstrument(
                    f"supply {self.name} ({self._output.where}) says its {field} is "
                    f"'{quote(found)}'; the stand file expects '{quote(expected)}'. Correct the address or "
                    f"`identity` in the stand file."
                )
        return identity

    def look(self) -> SeenOutput:
        """Ask how the output stands; nothing is set, and what was set before is no matter."""
        reported = self._output.is_on()
        volts, amperes = self._output.measure()
        settings = {
            setting: value
            for setting in (SupplySetting.VOLTAGE, SupplySetting.CURRENT_LIMIT)
            if (value := self._output.programmed(setting)) is not None
        }
        return SeenOutput(self._delivers() if reported is None else reported, volts, amperes, settings)

    # -- making ready and setting

    def prepare(self, voltage_ceiling: float, current_limit: float) -> list[str]:
        """Make the output ready: off, at 0 V, current limit, over-voltage protection and watchdog programmed.

        `voltage_ceiling` (V) is what the unit can stand; with the ceiling of the stand, the lower one holds
        from now on. The protection trips at the level of the stand file, or 5 % above its ceiling, and never
        above `voltage_ceiling`. `current_limit` in A. Returns in words the old errors that it still held.
        """
        ceilings = self.description.ceilings
        self._check("voltage ceiling", voltage_ceiling, math.inf, "V")
        self._check("current limit", current_limit, ceilings.current, "A")
        self._ceiling = None
        old = self._output.forget_errors()
        self._output.switch(on=False)
        self._wanted_on = False
        self._output.reset_protection()
        ceiling = min(voltage_ceiling, ceilings.voltage)
        self._program_voltage(0.0)
        self._program_current(current_limit)
        if self._output.can_program(SupplySetting.OVERVOLTAGE):
            level = min(self.description.overvoltage or _PROTECTION * ceilings.voltage, voltage_ceiling)
            self._program(SupplySetting.OVERVOLTAGE, level)
        self._set_watchdog()
        self.errors()
        self._verify_off()
        self._ceiling = ceiling
        return old

    def set(self, voltage: float, current_limit: float | None = None) -> None:
        """Program voltage (V) and, when given, current limit (A), and read both back.

        The next measurement waits until the new setting has settled; this call does not.

        Raises Interlock before anything is sent when a ceiling of the stand, or of the unit after `prepare`,
        would be passed; StandFault when the read-back differs.
        """
        ceilings = self.description.ceilings
        ceiling = ceilings.voltage if self._ceiling is None else self._ceiling
        self._check("voltage", voltage, ceiling, "V")
        if current_limit is not None:
            self._check("current limit", current_limit, ceilings.current, "A")
            self._program_current(current_limit)
        self._program_voltage(voltage)
        self.errors()
        if self._wanted_on:
            self._settles()
            if SupplySetting.VOLTAGE not in self._settings:
                self._compare_measured(voltage)

    def on(self) -> None:
        """Switch the output on and verify it. Raises StandFault when `prepare` was not called before.

        InstrumentReset when it has forgotten its settings since then.
        """
        if self._ceiling is None:
            raise StandFault(f"supply {self.name} was not prepared: its ceilings are programmed before power")
        self._check_settings(
            self._settings.keys() - self._just_read
        )  # without its protection a unit gets no power
        self._output.arm()
        self._wanted_on = True
        self._switch(on=True)
        self._on_since = self._clock.now()
        self._settles()
        self.errors()
        if not self._when_it_holds(self.is_on, bool):
            tripped = " (its over-voltage protection has tripped)" if self.reports_trip() else ""
            within = show_duration(self.description.settle)
            raise self._fault(f"is not on after it was switched on{tripped}, within {within} (`settle`)")
        if SupplySetting.VOLTAGE not in self._settings:
            self._compare_measured(self._set[0])

    def off(self) -> None:
        """Switch the output off and verify it. Raises StandFault.

        InstrumentReset where somebody else has set its voltage or current limit while it was on, or it has forgotten
        them: what was seen of a unit until then was seen at another supply.
        """
        was_on, self._wanted_on = self._wanted_on, False
        self._switch(on=False)
        self._settles()
        self.errors()
        self._verify_off()
        if was_on:
            self._check_settings(self._settings.keys() - {SupplySetting.OVERVOLTAGE})

    @property
    def switched(self) -> Measured:
        """When the output followed the last `on` or `off`, s of the clock, whatever was asked since.

        Somewhere between the beginning of the command and `response` after its end (rectangular, GUM 4.3.7).
        """
        return self._switched

    def is_on(self) -> bool:
        """Return whether the output is on, by its own answer or, without one, by what it delivers."""
        reported = self._output.is_on()
        return self._delivers() if reported is None else reported

    def _delivers(self) -> bool:
        voltage, current = self.both()
        volts, amperes = self._set
        return (abs(voltage.value) > max(_SIGN_OF_LIFE * volts, 2 * self._meter.limit(0.0, "V"))) or abs(
            current.value
        ) > max(_SIGN_OF_LIFE * amperes, 2 * self._meter.limit(0.0, "A"))

    # -- measuring

    def voltage(self) -> Measured:
        """Measure the output voltage, V."""
        self._await_settled()
        return self._meter.voltage()

    def current(self) -> Measured:
        """Measure the output current, A."""
        self._await_settled()
        return self._meter.current()

    def both(self) -> tuple[Measured, Measured]:
        """Measure voltage and current, with one question where the instrument can."""
        self._await_settled()
        return self._meter.both()

    def voltage_error(self, volts: float) -> float:
        """Return the largest error of a reading at `volts`, V, with what age and temperature add."""
        return largest_error(self._meter.uncertainty(volts, "V"))

    def current_uncertainty(self, amperes: float) -> float:
        """Return the standard uncertainty of a reading of `amperes`, A, with what age and temperature add."""
        return self._meter.uncertainty(amperes, "A")

    def ask_both(self) -> None:
        """Send the question for voltage and current; `answer_both` fetches the answer.

        A sampler asks several instruments before it listens to the first.
        """
        self._await_settled()
        self._output.ask_measurement()

    def answer_both(self) -> tuple[float, float]:
        """Return voltage (V) and current (A) after `ask_both`."""
        return self._output.answer_measurement()

    def inrush(self) -> MeasuredInrush | None:
        """Ask what the unit drew since the output was switched on; None when the supply keeps no record."""
        return self._meter.inrush(self._clock.now() - self._on_since)

    def waveform(self) -> list[tuple[float, Measured]] | None:
        """Return what the supply recorded since it was switched on, s and A; None when it keeps no record.

        Waits until the record is whole. Its first reading counts as taken at the moment of switching on.
        """
        length = self._output.waveform_length
        if length is None:
            return None
        self._clock.sleep_until(self._on_since + length)
        record = self._meter.waveform()
        self.errors()
        return record

    # -- interrupting

    @property
    def response(self) -> float:
        """Longest time from a command until the output has followed, s."""
        return self.description.follows_within

    def interrupt(self, seconds: float) -> Measured:
        """Take the supply away for `seconds` and give it back; return how long it was away, s.

        Nothing is asked between the two commands, so that the pause can be as short as the line allows; both
        are verified afterwards. The length runs from command to command. How far it is from what the unit
        saw is not known: the output may follow late (`accuracy.of_interruption`), and a command acts somewhere in
        the time that sending it took (rectangular). Raises StandFault when the output was off before or is off
        afterwards.
        """
        if not self._wanted_on:
            raise StandFault(f"supply {self.name} is off: there is nothing to interrupt")
        begun = self._clock.now()
        self._output.switch(on=False)
        gone = self._clock.now()
        self._clock.sleep(seconds)
        asked = self._clock.now()
        self._output.switch(on=True)
        back = self._clock.now()
        self._on_since = back
        self._settles()
        self.errors()
        if not self._when_it_holds(self.is_on, bool):
            raise self._fault("is not on again after an interruption")
        width = (back - asked) + (gone - begun)
        known = of_interruption(self.description)
        stated = Term("response of the supply", known, "rectangular", source="stand file")
        asked_for = Term("commands off and on", resolution(width), "rectangular", source="their times")
        return Measured.of(0.5 * ((asked - gone) + (back - begun)), "s", stated, asked_for)

    # -- errors and protection

    def errors(self) -> list[str]:
        """Return in words what it reported by itself that is no error (power-on and the like).

        Raises InstrumentError with number and text of the first error, the others in its message, and
        InvalidResponse when its reports do not end.
        """
        return self._output.check_errors()

    def reports_trip(self) -> bool:
        """Return whether it says by itself that its protection has tripped."""
        return self._output.tripped() is True

    def protection_tripped(self) -> bool:
        """Return whether the over-voltage protection has switched the output off.

        Where it cannot be asked: whether the output is off although it was switched on.
        """
        reported = self._output.tripped()
        return self._wanted_on and not self.is_on() if reported is None else reported

    def check_settings(self) -> None:
        """Raise InstrumentReset when it has forgotten what it was set to since `prepare`.

        A moment without mains does that, and with the rest it forgets its over-voltage protection; a protection
        that switches off keeps the settings. Where the protection still stands, somebody else has set the rest.
        Nothing is said where no setting can be read back.
        """
        self._check_settings(self._settings.keys())

    def _check_settings(self, which: Collection[SupplySetting]) -> None:
        if self._ceiling is None:
            return
        name = f"supply {self.name}"
        for setting, sent in reversed(self._settings.items()):  # the protection matters most
            back = self._differing(setting, sent) if setting in which else None
            unit = setting.unit
            if back is None:
                continue
            words = f"({setting} {back:g} {unit} instead of {sent:g} {unit})"
            if setting is not SupplySetting.OVERVOLTAGE and SupplySetting.OVERVOLTAGE in self._settings:
                raise InstrumentReset(
                    f"{name} ({self._output.where}) is not as it was set {words}, while its protection is: somebody "
                    "else has set it, by another program or at its front panel, or it has forgotten its settings "
                    "without mains and kept that one; look who uses it, then at its plug and its mains",
                    place=name,
                )
            raise InstrumentReset(
                f"{name} ({self._output.where}) has forgotten its settings {words}: it was without mains for a "
                "moment, or somebody else has set it; look at its plug and its mains, and who else uses it",
                place=name,
            )

    @property
    def late_answers(self) -> int:
        """How many answers came after their deadline, and were waited for."""
        return self._output.late_answers()

    def kick_watchdog(self) -> None:
        """Let the supply's own watchdog hear that all is well; nothing where it has none, and between two halves."""
        if self._watched and self.description.watchdog is not None:
            self._output.heartbeat(_FED_AFTER * self.description.watchdog)

    # -- leaving

    def power_off(self, within: float | None = None) -> None:
        """Switch off and verify it, whatever state the instrument is in. Raises NotSafe.

        Tried again and again for `within` seconds of real time (default: three deadlines and a second), with
        a new connection after each failure. Old entries of the error queue do not matter.
        """
        patience = 3 * self.description.deadline + 1.0 if within is None else within
        self._wanted_on, self._ceiling, self._holds_from = False, None, -math.inf
        until = time.monotonic() + patience
        reason = try_until(self._try_to_switch_off, until=until, pause=_PAUSE, wait=self._let_pass)
        if reason is not None:
            raise NotSafe(
                f"supply {self.name} ({self._output.where}) could not be switched off "
                f"for certain within {patience:g} s: {in_words(reason)}; switch it off by hand"
            ) from (reason if isinstance(reason, Exception) else None)

    def command_power_off(self) -> None:
        """Send the command to switch off, no matter what comes of it: `power_off` verifies, and tries again."""
        with suppress(Exception):
            self._output.switch(on=False)

    def close(self) -> None:
        """Close the connection; nothing is switched."""
        self._output.close()

    # -- inside

    def _switch(self, *, on: bool) -> None:
        begun = self._clock.now()
        self._just_read.clear()
        self._output.switch(on=on)
        width = self._clock.now() + self.response - begun
        self._switched = Measured(begun + width / 2, "s", resolution(width))

    def _settles(self) -> None:
        self._holds_from = self._clock.now() + self.description.settle

    def _await_settled(self) -> None:
        if self._holds_from > -math.inf:
            self._clock.sleep_until(self._holds_from)
            self._holds_from = -math.inf

    def _when_it_holds(self, look: Callable[[], Said], holds: Callable[[Said], bool]) -> Said:
        """Return what `look` says as soon as it `holds`, or once `settle` has passed: it may lag what it was told."""
        until = self._clock.now() + self.description.settle
        while not holds(said := look()) and self._clock.now() < until:
            self._clock.sleep(_SAYS_LOOK)
        return said

    def _verify_off(self) -> None:
        for look in range(_RUN_DOWN_LOOKS):
            if look:
                self._clock.sleep(_RUN_DOWN_LOOK)
            reported = self._when_it_holds(self._output.is_on, operator.not_)
            if not (self._delivers() if reported is None else reported):
                return
            if reported is not None:
                break
        raise self._fault("is still on after it was switched off")

    def _try_to_switch_off(self) -> Exception | str | None:
        """Return None once the output is surely off, else why it is not."""
        try:
            self._output.switch(on=False)
            reported = self._output.is_on()
            if reported is None:
                self._let_pass(self.description.settle)
            if not (self._delivers() if reported is None else reported):
                self._watched = False
                # An output that is off needs no watch, whoever began it, and a person may work on by hand.
                self._output.clear_watchdog()
                with suppress(HilseqError):
                    self._output.forget_errors()
                return None
        except Exception as error:  # noqa: BLE001 - of any kind: it is tried again
            return error
        return "it still delivers" if reported is None else "it still says that it is on"

    def _let_pass(self, seconds: float) -> None:
        # The clock may belong to a simulator that is gone; switching off must not depend on it.
        try:
            self._clock.sleep(seconds)
        except HilseqError:
            time.sleep(seconds)

    def _check(self, what: str, value: float, ceiling: float, unit: str) -> None:
        if not 0.0 <= value <= ceiling:
            raise Interlock(
                f"supply {self.name}: a {what} of {value:g} {unit} is refused, nothing was sent; "
                f"expected 0 to {ceiling:g} {unit}"
            )

    def _program_voltage(self, volts: float) -> None:
        self._set = (volts, self._set[1])
        self._program(SupplySetting.VOLTAGE, volts)

    def _program_current(self, amperes: float) -> None:
        self._set = (self._set[0], amperes)
        self._program(SupplySetting.CURRENT_LIMIT, amperes)

    def _program(self, setting: SupplySetting, value: float) -> None:
        """Program a setting and read it back. What it reports explains more than a difference, and comes first."""
        self._output.program(setting, value)
        back = self._when_it_holds(
            lambda: self._output.programmed(setting),
            lambda back: back is None or not self._is_off(setting, back, value),
        )
        if back is None:
            return
        self._settings[setting] = value
        if self._is_off(setting, back, value):
            self.errors()
            unit = setting.unit
            raise self._fault(
                f"reads back {back:g} {unit} as its {setting}, sent as {value:g} {unit}; the difference may be "
                f"{self._meter.limit(value, unit):g} {unit} after {show_duration(self.description.settle)} (`settle`)"
            )
        self._just_read.add(setting)

    def _set_watchdog(self) -> None:
        """Have the instrument watch, where the stand file says for how long. Raises StandFault."""
        patience = self.description.watchdog
        if patience is None:
            return
        self._output.program(SupplySetting.WATCHDOG, patience)
        self._watched = True
        back = self._output.programmed(SupplySetting.WATCHDOG)
        if back is not None and not math.isclose(back, patience, rel_tol=_RELATIVE, abs_tol=_ABSOLUTE):
            raise self._fault(f"reads back {back:g} s as its watchdog, set to {patience:g} s")

    def _differing(self, setting: SupplySetting, sent: float) -> float | None:
        """Return what a setting reads back as, None when that is what was sent."""
        back = self._output.programmed(setting)
        return back if back is not None and self._is_off(setting, back, sent) else None

    def _is_off(self, setting: SupplySetting, back: float, sent: float) -> bool:
        return abs(back - sent) > self._meter.limit(sent, setting.unit)

    def _compare_measured(self, sent: float) -> None:
        """Verify a voltage by measuring; below it only when the current limit is not the reason."""
        voltage, current = self.both()
        error = self.voltage_error(sent)
        found = holding(voltage.value, current.value, setting=sent, error=error, current_limit=self._set[1])
        if found is Holding.WRONG:
            raise self._fault(
                f"was set to {sent:g} V and delivers {voltage.value:g} V at {current.value:g} A; the difference may be "
                f"{2.0 * error:.3g} V"
            )

    def _fault(self, words: str) -> StandFault:
        return StandFault(f"supply {self.name} ({self._output.where}) {words}", place=f"supply {self.name}")


def open_supplies(
    described: Mapping[str, Supply],
    clock: Clock,
    conditions: InstrumentConditions | None = None,
    opening: Opening | None = None,
) -> dict[str, PowerSupply]:
    """Return supplies of a stand by name, opened by their drivers unless stated otherwise; nothing is sent yet."""
    outputs = (opening or OwnConnections()).outputs(described)
    return {
        name: PowerSupply(name, outputs[name], supply, clock, conditions)
        for name, supply in described.items()
    }
