"""What is asked when a unit has just failed a check, before it is blamed: the stand, the profile, the link.

The stand about itself: interlocks, every instrument of the slot by its own answer, the supply's output, the loop-backs
of the terminals under suspicion, and the second channel of outputs that are sensed twice.

Loop-backs are paths of the stand back into itself, by which it tests its own channels. One that taps the terminal of
a unit tests the drive of that terminal with everything up to it. What it cannot tell: which of the two channels or
the wire is broken, and whether a unit holds its own terminal down (a short inside the unit looks like a dead drive
while the unit is plugged in).

The profile: everything is read once that the profile has hilseq read. A register that the unit does not have, or
has in another width, is the profile's mistake or another type of unit; neither is a fault of this one.

A link that does not answer is weighed with witnesses that need no link: the lamp and the current as the stand sees
them, and whether somebody takes connections at the unit's address. A unit that is dark, or draws what no healthy one
draws, is at fault; one that looks well is not, since a cable, a switch or an address would look the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from hilseq.analysis.agreement import Holding, agree
from hilseq.analysis.uncertainty import largest_error
from hilseq.clock import Clock
from hilseq.description.checks.registers import Use, orders, profile_uses
from hilseq.description.findings import Place
from hilseq.description.profile import Indicator, Mode, Profile
from hilseq.description.registers import Register
from hilseq.description.stand import Loopback, Signal, Stand
from hilseq.errors import LinkLost, NotPerformed, StandFault, UnitFault, UnitInvalidResponse, UnitRefused
from hilseq.instruments import codec
from hilseq.instruments.link_tally import PLACE
from hilseq.instruments.pdu import ILLEGAL_VALUE
from hilseq.instruments.signals import SignalBank
from hilseq.procedures.bench import Bench
from hilseq.procedures.polling import poll
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring, contradiction, parts_of, served_by
from hilseq.quantities import SYMBOLS, show_duration
from hilseq.statements import compared

#: Values in base units that every input stands: ends and middle of 4..20 mA, 0..10 V, and of a Pt100.
_TRIALS: Mapping[str, tuple[float, ...]] = {
    "current": (0.004, 0.012, 0.020),
    "voltage": (1.0, 5.0, 10.0),
    "resistance": (100.0, 200.0),
}


@dataclass(frozen=True, slots=True)
class LoopFault:
    """A loop-back that does not carry what is put into it."""

    name: str
    places: tuple[str, ...]
    words: str


def _is_bit(signal: Signal) -> bool:
    return signal.is_bit


def _trials(signal: Signal) -> tuple[float, ...]:
    """Values to put into a drive, in its unit; none for a signal that nothing sensible is known of."""
    if _is_bit(signal):
        return (1.0 - signal.safe_value,)
    if signal.unit not in SYMBOLS:
        return ()
    dimension, factor = SYMBOLS[signal.unit][:2]
    return tuple(value / factor for value in _TRIALS.get(dimension, ()))


class Loopbacks:
    """The loop-backs of one stand. A test leaves every drive at rest, which is not where a unit needs it."""

    def __init__(self, stand: Stand, signals: SignalBank, clock: Clock) -> None:
        self._stand = stand
        self._signals = signals
        self._clock = clock

    def of_slots(self, slots: Iterable[str]) -> list[str]:
        """Names of the loop-backs that concern these slots, spare ones included."""
        wanted = set(slots)
        return [
            name
            for name, loop in self._stand.loopbacks.items()
            if served_by(self._stand, loop.drive) & wanted
        ]

    def at_terminals(self, slot: str, terminals: Iterable[str]) -> list[str]:
        """Names of the loop-backs whose drive goes to one of these terminals of a slot."""
        wanted = {f"{slot}.{terminal}" for terminal in terminals}
        return [
            name
            for name, loop in self._stand.loopbacks.items()
            if self._stand.signals[loop.drive].drives in wanted
        ]

    def spare(self) -> list[str]:
        """Names of the loop-backs whose drive goes to no unit: they can be tested while one is powered."""
        return [
            name for name, loop in self._stand.loopbacks.items() if not self._stand.signals[loop.drive].drives
        ]

    def test(self, names: Iterable[str]) -> list[LoopFault]:
        """Drive each path alone, with all others at rest, and return those that do not follow alone.

        Raises StandFault when an I/O simulator does not do its part.
        """
        loops = {name: self._stand.loopbacks[name] for name in names}
        rest = {loop.drive: self._stand.signals[loop.drive].safe_value for loop in loops.values()}
        if not loops:
            return []
        with self._signals.alone_with(rest):
            return self._tested(loops, rest)

    def _tested(self, loops: Mapping[str, Loopback], rest: Mapping[str, float]) -> list[LoopFault]:
        faults: dict[str, LoopFault] = {}
        self._put(rest)
        self._compare(loops, rest, faults)
        try:
            for loop in loops.values():
                for value in _trials(self._stand.signals[loop.drive]):
                    self._put({loop.drive: value})
                    self._compare(loops, {**rest, loop.drive: value}, faults)
                self._signals.write(loop.drive, rest[loop.drive])
        finally:
            self._signals.write_many(rest)
        return list(faults.values())

    def _put(self, values: Mapping[str, float]) -> None:
        self._signals.write_many(values)
        senses = [loop.sense for loop in self._stand.loopbacks.values() if loop.drive in values]
        self._clock.sleep(max((self._stand.signals[name].settle for name in senses), default=0.0))

    def _compare(
        self, loops: Mapping[str, Loopback], driven: Mapping[str, float], faults: dict[str, LoopFault]
    ) -> None:
        seen = self._signals.fresh(tuple(loop.sense for loop in loops.values()))
        for name, loop in loops.items():
            expected = self._expected(loop, driven[loop.drive])
            if expected is None or name in faults:
                continue
            value, *errors = expected
            if not agree(seen[loop.sense], value, *errors):
                sense = self._stand.signals[loop.sense]
                faults[name] = LoopFault(
                    name,
                    (loop.drive, loop.sense),
                    f"with {_driven_in_words(driven, self._stand)} {loop.sense} should show "
                    f"{_in_words(value, sense)} and shows {_in_words(seen[loop.sense], sense)}",
                )

    def _expected(self, loop: Loopback, driven: float) -> tuple[float, float, float] | None:
        """Return what the sense should show, and the largest errors of drive and sense; None where not known."""
        drive, sense = self._stand.signals[loop.drive], self._stand.signals[loop.sense]
        if _is_bit(drive) and _is_bit(sense):
            return driven, 0.0, 0.0
        if drive.unit not in SYMBOLS or sense.unit not in SYMBOLS:
            return None
        (dimension, from_drive), (same, to_sense) = SYMBOLS[drive.unit][:2], SYMBOLS[sense.unit][:2]
        if dimension != same:
            return None
        factor = from_drive / to_sense
        value = driven * factor
        of_drive = largest_error(self._signals.uncertainty(loop.drive, driven)) * factor
        return value, of_drive, largest_error(self._signals.uncertainty(loop.sense, value))


def _in_words(value: float, signal: Signal) -> str:
    return f"{value:.5g} {signal.unit}".strip()


def _driven_in_words(driven: Mapping[str, float], stand: Stand) -> str:
    moved = [name for name, value in driven.items() if value != stand.signals[name].safe_value]
    if not moved:
        return "every drive at rest"
    return f"{moved[0]} at {_in_words(driven[moved[0]], stand.signals[moved[0]])}"


class SelfCheck:
    """The self-check of the part of a stand that serves one slot.

    It may move the unit; afterwards outputs are off, drives released and the switch back.
    """

    def __init__(self, bench: Bench, slot: str) -> None:
        self._bench = bench
        self._slot = slot
        self._wiring = SlotWiring(bench.stand, slot)
        self._loopbacks = Loopbacks(bench.stand, bench.signals, bench.clock)

    def against(self, places: Iterable[str]) -> list[str]:
        """Look for a fault of the stand that could have made the unit fail at `places`.

        Return what was asked, in words. Raises StandFault for what it finds.
        """
        unit = self._bench.unit(self._slot)
        self._bench.check_interlocks()
        asked = []
        for part in parts_of(self._bench.stand, (self._slot,)):
            self._bench.instruments.identify(part)
            asked.append(f"{part} answers")
        unit.supply.instrument.check_settings()
        unit.check_drives()
        if unit.supply.is_on:
            try:
                asked.append(f"supply {unit.supply.instrument.name} {supply_delivers(unit)}")
            except NotPerformed as hidden:
                asked.append(str(hidden))
        terminals = self._terminals(unit, places)
        asked += self._loops(unit, terminals)
        asked += self._redundant_sensors(unit, terminals)
        return asked

    def _terminals(self, unit: Unit, places: Iterable[str]) -> list[str]:
        """Return the terminals that a failure at these places may concern: points, and contacts of modes."""
        modes = {f"mode {p.mode}": p.contact for p in unit.profile.modes.switch.values() if p.contact}
        found = []
        for place in places:
            if place == "modes":
                found += list(modes.values())
            else:
                found.append(modes.get(place, place))
        return list(dict.fromkeys(found))

    def _loops(self, unit: Unit, terminals: list[str]) -> list[str]:
        """Test the paths at the suspect terminals, and the spare ones: an I/O that shows an old picture fails there."""
        spare, wired = self._loopbacks.spare(), self._loopbacks.at_terminals(self._slot, terminals)
        names = [*spare, *wired]
        faults = self._loopbacks.test(spare)
        if wired:
            try:
                faults += self._loopbacks.test(wired)
            finally:
                unit.modes.prepare()
        if faults:
            raise StandFault(
                "; ".join(f"loop-back {fault.name}: {fault.words}" for fault in faults),
                places=[place for fault in faults for place in fault.places],
            )
        return [f"loop-back {name} follows" for name in names]

    def _redundant_sensors(self, unit: Unit, terminals: list[str]) -> list[str]:
        """Drive each suspect output that is sensed twice, off and on, and compare what the two say."""
        twice = {
            terminal: sensors
            for terminal in terminals
            if terminal in unit.outputs.names
            and len(sensors := self._wiring.sensors(terminal, unit.profile.ratings.supply)) > 1
        }
        if not twice or not unit.supply.is_on:
            return []
        agreeing = []
        # A unit that does not even answer is no witness for or against the stand.
        with suppress(UnitFault, NotPerformed):
            unit.modes.ensure(Mode.LIVE)
            for terminal, sensors in twice.items():
                names = [sensor.name for sensor in sensors]
                for on in ((), (terminal,)):
                    unit.outputs.drive(*on)
                    seen = self._bench.signals.fresh(names)
                    fault = contradiction(terminal, sensors, seen, self._bench.signals.uncertainty)
                    if fault is not None:
                        raise fault
                agreeing.append(f"{' and '.join(names)} agree")
        return agreeing


def supply_delivers(unit: Unit) -> str:
    """Compare what the supply of a powered unit measures with what it is set to; return what it delivers.

    Setting and reading may each be wrong by the accuracy of the stand file. Raises StandFault when they
    differ by more, NotPerformed when a current limit or a unit without power hides it.
    """
    feed = unit.supply
    if not feed.is_on:
        raise NotPerformed("the unit has no power")
    name = f"supply {feed.instrument.name}"
    overload = feed.overload()
    if overload is not None:
        raise NotPerformed(overload)
    compared()
    voltage, current = feed.both()
    error = feed.voltage_error()
    found = feed.holding(voltage.value, current.value, error)
    if found is Holding.LIMITED:
        raise NotPerformed("the supply limits the current, so its voltage says nothing about the supply")
    if found is Holding.WRONG:
        raise StandFault(
            f"{name} is set to {feed.level:.5g} V and reads {voltage.value:.5g} V; its accuracy allows a "
            f"difference of {2.0 * error:.2g} V",
            place=name,
        )
    return f"delivers {voltage.value:.5g} V"


def recheck_link(unit: Unit, clock: Clock, failures: int) -> str:
    """Say what happened to a link of which `failures` exchanges failed during a check; empty when nothing did.

    A link that was away and answers again, of a unit that did not start anew meanwhile, is no fault of the unit: its
    check is to be repeated, and what is returned says why. Raises LinkLost for one that stays away as long as the
    stand file's `reconnect-timeout` of a unit that looks well. A unit that does not look well is for the check to
    blame: then nothing is said.
    """
    if not unit.supply.is_on:
        return ""
    reason = _trouble(unit)
    if not reason and not failures:
        return ""
    patience = unit.described.link.reconnect_timeout
    well, seen = witnesses(unit)
    if not well:
        return ""
    if reason:
        back = poll(
            clock,
            lambda: not _trouble(unit, reraise=True),
            within=patience,
            since=clock.now(),
            link_deadline=unit.described.link.deadline,
        )
        well, seen = witnesses(unit)
        if not well:
            return ""
        if back is None:
            raise LinkLost(
                f"{reason}; not within {show_duration(patience)} either, while {seen}: the link or its path (cable, "
                "switch, address) is at fault, or the unit's side of it; nothing else is said against the unit. Try "
                "another cable, then a known good unit",
                place=PLACE,
            )
    if unit.has_restarted():
        return ""
    return f"the link was away ({failures} exchanges failed) and answers again, while {seen}"


def _trouble(unit: Unit, *, reraise: bool = False) -> str:
    """Return why the link does not tell the unit's mode; empty when it does. Raises StandFault, or that if asked to."""
    try:
        unit.modes.reported()
    except UnitFault as fault:
        if reraise:
            raise
        return str(fault)
    return ""


def witnesses(unit: Unit) -> tuple[bool, str]:
    """Return whether a powered unit looks well to whatever needs no link, and what was seen. Raises StandFault."""
    seen = []
    well = True
    lamp = unit.indicator_on_stand()
    if lamp is not None:
        well = lamp is Indicator.HEALTHY
        seen.append(f"the lamp is {lamp}")
    current, claimed = unit.supply.current(), unit.limits.any_current
    margin = 2.0 * current.standard_uncertainty
    well = well and claimed.low - margin <= current.value <= claimed.high + margin
    seen.append(f"the current is {current.value:.3g} A of {claimed.low:g}..{claimed.high:g} A")
    if reached := unit.link.reachable():
        seen.append(f"its address {reached}")
    return well, ", ".join(seen[:-1]) + " and " + seen[-1]


@dataclass(frozen=True, slots=True)
class Misfit:
    """What a unit does not have: `place` is the key of the profile, `words` what the unit answers."""

    place: Place
    words: str


def misfits(unit: Unit, clock: Clock) -> list[Misfit]:
    """Return what the profile has hilseq read and the unit, powered and ready, does not have, or has otherwise.

    A unit whose link is silent is left out: that is another fault.
    """
    found = _identification(unit)
    answered, garbled = False, []
    for use in _read_uses(unit.profile):
        register = use.register
        count = use.length * (1 if register.table.holds_bits else register.kind.width)
        try:
            unit.link.read_block(register.table, register.address, count)
        except UnitRefused as refusal:
            if refusal.is_lack:
                words = f"{use.what}: the unit answers a read of {register.table} {register.address} with "
                words += f"exception {refusal.number:02d} ({refusal.text})"
                if refusal.number == ILLEGAL_VALUE and count > 1:
                    words += f"; one that takes fewer than {count} at once is described with `max-read`"
                found.append(Misfit(use.place, words))
        except UnitInvalidResponse as garbage:
            garbled.append(Misfit(use.place, f"{use.what}: {garbage}"))
        except UnitFault:
            return found
        else:
            answered = True
    if answered:
        return found + garbled + ([] if unit.makes_sense else _meaningless(unit, clock))
    # Where all of them are garbled that is the link, and no width; so it is where a unit that was ready refuses all.
    return [] if unit.starts else found


#: By how much a rate or a voltage may differ from what another scale makes of it, as a share; s between two looks at a
#: clock, long beside what the looks take.
_ALIKE, _CLOCK_LOOKS = 0.1, 1.1


def _meaningless(unit: Unit, clock: Clock) -> list[Misfit]:
    """Return what is there, and says what no unit says: another register, or another scale or order of words.

    Of a unit that has told its mode before, a number that the profile does not know is the unit's, or its link's.
    """
    link, found = unit.profile.link, []
    with suppress(UnitFault, NotPerformed):
        for key, register in (("mode", link.mode), ("indicator", link.indicator)):
            if register is None or (key == "mode" and unit.has_told_its_mode):
                continue
            said = unit.link.read(register)
            if said not in register.values.values():
                known = ", ".join(f"{number} {name}" for name, number in register.values.items())
                words = f"it reads {said:g}, which `values` does not know ({known}): another register, or other numbers"
                found.append(Misfit(("link", key), words))
        if link.supply_voltage is not None:
            measured = unit.supply.voltage().value
            found += _otherwise(unit, "supply-voltage", link.supply_voltage, measured)
        if link.clock is not None and not link.clock.is_bit:
            found += _clock_otherwise(unit, link.clock, clock)
        unit.makes_sense = not found
    return found


def _otherwise(unit: Unit, key: str, register: Register, right: float) -> list[Misfit]:
    """Return a misfit where a register is far from what is right, and right in another order or by a power of ten."""
    words = unit.link.read_block(register.table, register.address, register.kind.width)
    said = codec.decode(register, words)
    if abs(said - right) <= _ALIKE * right:
        return []
    other = codec.decode(register, words[::-1])
    if register.kind.width > 1 and abs(other - right) <= _ALIKE * right:
        return [
            Misfit(
                ("link", key),
                f"it reads {said:.4g} where {right:.4g} is right: the other `order` makes it so",
            )
        ]
    return _by_power_of_ten(key, said / right, f"it reads {said:.4g} where {right:.4g} is right")


def _clock_otherwise(unit: Unit, register: Register, clock: Clock) -> list[Misfit]:
    """Return a misfit where another order of words or scale makes a clock of it: one that jumps is the unit's."""
    begun = clock.now()
    first = unit.link.read_block(register.table, register.address, register.kind.width)
    clock.sleep(_CLOCK_LOOKS)
    ended = clock.now()
    last = unit.link.read_block(register.table, register.address, register.kind.width)

    def rate(turn: int) -> float:
        shown = codec.decode(register, last[::turn]) - codec.decode(register, first[::turn])
        return shown / (ended - begun)

    usual, other = rate(1), rate(-1)
    # Of whole seconds there are one or two in between.
    if register.kind.width > 1 and usual > 1.0 / _ALIKE and abs(other - 1.0) <= _ALIKE + register.step:
        words = f"it goes on by {usual:.4g} s in a second: the other `order` makes a clock of it"
        return [Misfit(("link", "clock"), words)]
    return _by_power_of_ten("clock", usual, f"it goes on by {usual:.4g} s in a second")


def _by_power_of_ten(key: str, factor: float, words: str) -> list[Misfit]:
    if factor <= 0.0 or not (power := round(math.log10(factor))):
        return []
    if abs(factor / 10.0**power - 1.0) > _ALIKE:
        return []
    return [Misfit(("link", key), f"{words}, a factor of {10.0**power:g}: another `scale` makes it so")]


def _identification(unit: Unit) -> list[Misfit]:
    if unit.profile.identity.device_identification:
        try:
            unit.link.identification()
        except UnitRefused as refusal:
            if refusal.is_lack:
                words = f"the unit does not offer function 43 ({refusal.text}); expected `device-identification: false`"
                return [Misfit(("identity", "device-identification"), words)]
        except UnitFault:
            pass
    return []


def _read_uses(profile: Profile) -> list[Use]:
    """Return every register that hilseq reads: what it writes only need not be readable."""
    written = {use.place for use in orders(profile)}
    return [
        use
        for use in profile_uses(profile)
        if use.place not in written or use.place == ("configuration", "first")
    ]
