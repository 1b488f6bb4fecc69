"""The opened stand: instruments, signals and the units in its slots; and its safe state.

Instruments are opened once each, identified by their own answer and closed together; a unit is its profile and
everything of the stand that reaches it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import partial
from types import MappingProxyType

from hilseq.clock import Clock, nothing
from hilseq.description.accuracy import InstrumentConditions
from hilseq.description.profile import Indicator, Profile
from hilseq.description.stand import Slot, Stand
from hilseq.errors import (
    HilseqError,
    Interlock,
    NotPerformed,
    NotSafe,
    StandFault,
    UnitFault,
    UnitRefused,
    WrongInstrument,
    in_words,
)
from hilseq.instruments.driver_protocols import LinkDriver
from hilseq.instruments.opening import Opening, OwnConnections, identification, open_fitting
from hilseq.instruments.protocols import UnitLink
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply import PowerSupply, open_supplies
from hilseq.journal.entries import NOT_ASKED, InstrumentIdentified
from hilseq.journal.event_names import AT_AMBIENT, AT_CASE, FOUND, FOUND_NOT_AT_REST
from hilseq.procedures.analog import AnalogPoints
from hilseq.procedures.found import FoundPart, found_state
from hilseq.procedures.modes import Modes
from hilseq.procedures.off_watch import OffWatch, WatchingClock
from hilseq.procedures.operator import Nobody, Operator, Prompt
from hilseq.procedures.points import Inputs, Outputs
from hilseq.procedures.scan_time import ASSUMED, ReadAge, measure_read_age
from hilseq.procedures.unit import Unit
from hilseq.procedures.unit_supply import UnitSupply
from hilseq.procedures.wiring import ReadBacks, SlotWiring, parts_of, served_by

#: How long somebody at the address of a unit without power has to answer, s.
_MUTE = 0.2
ANOTHER = (
    "something answers there though the unit has no power: another device has the unit's address, or the unit is fed "
    "from elsewhere"
)


def open_link(slot: Slot, profile: Profile, name: str, *, deadline: float | None = None) -> UnitLink:
    """Return the unit's own link; nothing is sent yet. `deadline` in s, the slot's own by default."""

    def opened(driver: LinkDriver) -> UnitLink:
        return driver.open(name, slot.link, profile.link, deadline=deadline)

    return open_fitting("link", slot.link.driver, name, UnitLink, opened)


def answers_at(slot: Slot, profile: Profile, what: str) -> bool:
    """Return whether anything answers where the unit of a slot would, by a link of its own that is called `what`.

    Asked while the unit has no power. Raises StandFault where the way there is wrong.
    """
    link = open_link(slot, profile, what, deadline=min(_MUTE, slot.link.deadline))
    try:
        link.read(profile.link.mode)
    except UnitRefused as refusal:
        return refusal.is_lack  # by somebody who has other registers; a gateway has none
    except UnitFault:
        return False
    finally:
        link.close()
    return True


class Instruments:
    """The supplies and I/O simulators that serve `slots`. Nothing is sent before the first call."""

    def __init__(
        self,
        stand: Stand,
        clock: Clock,
        slots: tuple[str, ...],
        conditions: InstrumentConditions | None = None,
        opening: Opening | None = None,
    ) -> None:
        self._stand = stand
        self.parts = parts_of(stand, slots)
        served = {name: supply for name, supply in stand.supplies.items() if f"supply {name}" in self.parts}
        opening = opening or OwnConnections()
        self.supplies = open_supplies(served, clock, conditions, opening)
        #: All of them: a signal that serves no slot may still be asked for by name.
        self.io = {name: opening.channels(stand, name) for name in stand.io}

    def identify(self, part: str) -> InstrumentIdentified:
        """Ask a part (`supply main`, `io rack`) what it is; return what the journal keeps of it.

        Raises StandFault with the part as its place when it does not answer or is not what it should be.
        """
        sort, _, name = part.partition(" ")
        try:
            if sort == "supply":
                described = self._stand.supplies[name]
                identity = str(self.supplies[name].identify()) or NOT_ASKED
                what, resource, calibration = "supply", described.where, described.calibration
            else:
                io = self._stand.io[name]
                identity = self._identify_io(name)
                what, resource, calibration = "I/O simulator", io.where, io.calibration
        except StandFault as fault:
            fault.places = fault.places or (part,)
            raise
        return InstrumentIdentified(
            name=part,
            what=what,
            resource=resource,
            identity=identity,
            certificate="" if calibration is None else calibration.certificate,
            due="" if calibration is None else calibration.due.isoformat(),
        )

    def _identify_io(self, name: str) -> str:
        """Ask an I/O simulator what it is, where the stand file says; else whether it answers at all."""
        expected, seen = self._stand.io[name].identity, identification(self.io[name])
        if seen is None:
            return NOT_ASKED
        for field in ("maker", "model", "serial"):
            wanted, found = getattr(expected, field, None), getattr(seen, field)
            if field == "serial" and not found:
                continue  # function 43/14 knows none
            if wanted is not None and found.casefold() != wanted.casefold():
                raise WrongInstrument(
                    f"io {name} says it is {found!r}, the stand file expects {wanted!r}",
                    place=f"io {name}",
                )
        return f"{seen.maker} {seen.model} {seen.firmware}".strip()

    def close(self) -> None:
        """Close every connection; nothing is switched."""
        closing = [one.close for one in self.supplies.values()] + [one.close for one in self.io.values()]
        for close in closing:
            with suppress(StandFault, OSError):
                close()


def unit_in(
    name: str,
    stand: Stand,
    profile: Profile,
    serial: str,
    intake: Mapping[str, str],
    *,
    supply: PowerSupply,
    signals: SignalBank,
    operator: Operator,
    clock: WatchingClock,
    check_interlocks: Callable[[], None],
    turn_to_power: Callable[[], AbstractContextManager[None]],
    event: Callable[[str, str], None],
) -> Unit:
    """Return the unit in slot `name`; `event(what, text)` takes note of what is done to it."""
    slot = stand.slots[name]
    wiring = SlotWiring(stand, name)
    link = open_link(slot, profile, f"unit {serial}")
    points = profile.points
    contacts = [p.contact for p in profile.modes.switch.values() if p.contact is not None]
    lamps = {}
    if profile.indicator is not None:
        lamps = {
            Indicator.HEALTHY: profile.indicator.healthy,
            Indicator.FAULTED: profile.indicator.faulted,
        }
    unit_supply = UnitSupply(supply, profile, clock, check_interlocks, event, turn_to_power=turn_to_power)
    modes = Modes(
        name,
        profile,
        link=link,
        link_deadline=slot.link.deadline,
        signals=signals,
        contacts={contact: signal for contact in contacts if (signal := wiring.drive_of(contact))},
        operator=operator,
        texts=stand.operator,
        clock=clock,
        event=event,
    )
    outputs = Outputs(
        points.outputs,
        link.values({n: p.command for n, p in points.outputs.items()}),
        signals,
        {n: wiring.sensor(n, profile.ratings.supply) for n in points.outputs},
        clock,
        voltmeters={n: signal for n in points.outputs if (signal := wiring.voltmeter(n)) is not None},
    )
    analog = AnalogPoints(
        points,
        link.values({n: p.register_ for n, p in points.analog_inputs.items()}),
        link.values({n: p.register_ for n, p in points.analog_outputs.items()}),
        signals,
        signals_of={
            n: signal
            for n, p in (*points.analog_inputs.items(), *points.analog_outputs.items())
            if (signal := wiring.analog(n, p.terminal_dimension)) is not None
        },
        clock=clock,
    )
    return Unit(
        name,
        serial,
        profile,
        slot,
        intake=intake,
        supply=unit_supply,
        link=link,
        signals=signals,
        drives=wiring.drives(),
        lamps={state: signal for state, lamp in lamps.items() if (signal := wiring.sensor_of_bit(lamp))},
        look=lambda: _look(stand, name, operator),
        modes=modes,
        outputs=outputs,
        analog=analog,
        off_watch=_watch(
            profile,
            outputs=outputs,
            analog=analog,
            supply=unit_supply,
            modes=modes,
            signals=signals,
            clock=clock,
        ),
        inputs=Inputs(
            points.inputs,
            link.values({n: p.report for n, p in points.inputs.items()}),
            signals,
            {n: wiring.drive(n, profile.ratings.supply) for n in points.inputs},
            clock,
        ),
        read_backs=ReadBacks(stand, signals),
        clock=clock,
    )


def _watch(
    profile: Profile,
    *,
    outputs: Outputs,
    analog: AnalogPoints,
    supply: UnitSupply,
    modes: Modes,
    signals: SignalBank,
    clock: WatchingClock,
) -> OffWatch:
    """Return the watch over the unit's outputs, informed of everything that may switch them."""
    watch = OffWatch(
        [*outputs.levels(), *analog.levels()],
        signals,
        clock,
        at_start=profile.modes.at_start,
        follows_switch=modes.follows_switch,
    )
    supply.power_changed = watch.power
    modes.commanding.append(watch.mode_commanded)
    modes.reached.append(watch.reach_mode)
    outputs.commanding = partial(watch.demand, "outputs")
    analog.commanding = partial(watch.demand, "analog outputs")
    clock.add(watch)
    return watch


def _look(stand: Stand, slot: str, operator: Operator) -> Indicator:
    """Have a person look at the indicator. Raises NotPerformed when nobody is asked, or nobody answers."""
    texts = stand.operator
    if texts.look_at_indicator is None:
        raise NotPerformed("neither the stand nor the unit's link shows the indicator")
    question = texts.look_at_indicator.replace("{slot}", slot)
    states = tuple(str(state) for state in Indicator)
    picture = texts.pictures.get("look-at-indicator", "")
    return Indicator(operator.ask(Prompt(question, texts.timeout, states, picture, slot)))


Event = Callable[[str, str, str], None]
_NOTHING: Mapping[str, Mapping[str, str]] = MappingProxyType({})


class Bench:
    """One stand with the units of one visit. Nothing is touched before `prepare`.

    Only what serves the slots of these units is used; without any unit, everything. `event(what, text, slot)`
    takes note of what is done, `intakes` holds by slot what was stated about each unit at intake. `others` are the
    slots that other visits work on meanwhile, `interlock_seen` is called with an interlock that is not safe,
    `interlock_from_others` returns one that they have seen, `alone` keeps others from what only one visit at a time
    may use, and `turn_to_power` keeps them from switching a unit on.
    """

    def __init__(
        self,
        stand: Stand,
        profiles: Mapping[str, Profile],
        serials: Mapping[str, str],
        clock: Clock,
        event: Event,
        *,
        operator: Operator | None = None,
        intakes: Mapping[str, Mapping[str, str]] = _NOTHING,
        may_power: Callable[[], None] = nothing,
        opening: Opening | None = None,
        others: Collection[str] = (),
        interlock_seen: Callable[[Interlock], None] = lambda _: None,
        interlock_from_others: Callable[[], Interlock | None] = lambda: None,
        alone: Callable[[str], AbstractContextManager[object]] = nullcontext,
        turn_to_power: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._others = others
        self._interlock_seen = interlock_seen
        self._interlock_from_others = interlock_from_others
        self._goes_off = False
        #: Asked before anything is powered; raises what ends the visit where a person keeps the stand off.
        self._may_power = may_power
        self.stand = stand
        #: Its sleeps are filled with looks at outputs that must be off.
        self.clock = WatchingClock(clock)
        #: The person at the stand, or nobody.
        self.operator = operator or Nobody()
        self.slots = tuple(profiles) or tuple(stand.slots)
        self._event = event
        ambient = stand.ambient
        conditions = InstrumentConditions(
            clock, None if ambient is None else lambda: self.signals.snapshot((ambient,))[ambient]
        )
        self.instruments = Instruments(stand, clock, self.slots, conditions, opening)
        self.signals = SignalBank(
            stand.signals,
            self.instruments.io,
            self.clock,
            conditions=conditions,
            calibrations={name: io.calibration for name, io in stand.io.items()},
            alone=alone,
            exclusive=stand.exclusive,
        )
        self.units = {
            slot: unit_in(
                slot,
                stand,
                profile,
                serials[slot],
                intakes.get(slot, {}),
                supply=self.instruments.supplies[stand.slots[slot].supply],
                signals=self.signals,
                operator=self.operator,
                clock=self.clock,
                check_interlocks=self.check_interlocks,
                turn_to_power=turn_to_power,
                event=partial(self._slot_event, slot),
            )
            for slot, profile in profiles.items()
        }
        self.signals.scan_times.update(
            {name: ASSUMED if io.scan_time is None else io.scan_time for name, io in stand.io.items()}
        )
        #: By I/O simulator, how old its reads were seen to be.
        self.read_ages: dict[str, ReadAge] = {}
        #: Slot -> why its part of the stand could not be made ready.
        self.unusable: dict[str, StandFault] = {}
        #: How each instrument was found, before anything was touched.
        self.found: list[FoundPart] = []
        #: Whether the stand was found running and is not to be touched.
        self.is_left_alone = False

    def _slot_event(self, slot: str, what: str, text: str) -> None:
        self._event(what, text, slot)

    # -- opening -------------------------------------------------------------------------------------

    def prepare(
        self, *, leave_running: bool = False, before_touching: Callable[[], None] = nothing
    ) -> Iterator[InstrumentIdentified]:
        """Identify every instrument, tell how it is found, then set ceilings and protection with everything off.

        Yields what the journal keeps of each instrument that is the right one. A fault makes those slots
        unusable that the part serves, and no other. With `leave_running` a stand of which an output is on is
        not touched: no slot of it is usable then.
        """
        identified = list[str]()
        for one in self._identify():
            identified.append(one.name)
            yield one
        self.found = self.look(identified)
        for seen in self.found:
            self._event(
                FOUND_NOT_AT_REST if seen.at_rest is False else FOUND,
                f"{seen.part} {seen.words} when found",
                "",
            )
        running = [seen for seen in self.found if seen.is_on]
        if leave_running and running:
            self._leave(running)
            return
        before_touching()
        self._bring_to_rest()

    def _identify(self) -> Iterator[InstrumentIdentified]:
        for part in self.instruments.parts:
            self.clock.tick()
            try:
                yield self.instruments.identify(part)
            except StandFault as fault:
                for slot in served_by(self.stand, part):
                    self.unusable.setdefault(slot, fault)

    def _bring_to_rest(self) -> None:
        for slot, unit in self.units.items():
            if slot in self.unusable:
                continue
            try:
                self.signals.release(SlotWiring(self.stand, slot).drives())
                unit.supply.prepare()
            except StandFault as fault:
                self.unusable[slot] = fault
        self._measure_read_ages()
        for slot, unit in self.units.items():
            if slot not in self.unusable:
                try:
                    unit.modes.prepare()
                except StandFault as fault:
                    self.unusable[slot] = fault

    def look(self, parts: Sequence[str] | None = None) -> list[FoundPart]:
        """Read how instruments stand, all of the visit's by default; nothing is set."""
        wanted = self.instruments.parts if parts is None else parts
        return list(found_state(self.stand, self.instruments.supplies, self.signals, wanted, self._others))

    def _leave(self, running: Sequence[FoundPart]) -> None:
        self.is_left_alone = True
        for seen in running:
            words = f"{seen.part} {seen.words} when found, and is left on: nothing is looked at by switching it off"
            fault = StandFault(f"{words}; `hilseq safe` switches it off", place=seen.part)
            for slot in self.slots:
                self.unusable.setdefault(slot, fault)

    def _measure_read_ages(self) -> None:
        """Learn how old reads may be, before anything is judged by them; the drives are at rest afterwards."""
        for name in self.instruments.io:
            served = served_by(self.stand, f"io {name}") & set(self.slots)
            if served and served <= self.unusable.keys():
                continue
            try:
                age = measure_read_age(name, self.stand, self.slots, self.signals, self.clock)
            except StandFault as fault:
                self.unusable.update(dict.fromkeys(served - self.unusable.keys(), fault))
                continue
            if age is not None:
                self.read_ages[name] = age
                self.signals.scan_times[name] = age.awaited

    def unit(self, slot: str) -> Unit:
        """Return the unit in a slot. Raises the StandFault that makes its part of the stand unusable."""
        if slot in self.unusable:
            raise self.unusable[slot]
        return self.units[slot]

    # -- safety --------------------------------------------------------------------------------------

    def temperatures(self, slot: str) -> str:
        """Return in words how warm it is at a unit and around it, as far as the stand measures either."""
        case = SlotWiring(self.stand, slot).sensor_of_unit("case", "degC")
        signals = {AT_CASE: case, AT_AMBIENT[0]: self.stand.ambient}
        known = {word: name for word, name in signals.items() if name is not None}
        seen = self.signals.snapshot(tuple(known.values())) if known else {}
        return ", ".join(f"{word} {seen[name]:.1f} \u00b0C" for word, name in known.items())

    def check_interlocks(self) -> None:
        """Read every interlock. Raises Interlock naming the first that is not safe; what `may_power` raises."""
        self._may_power()
        reported = self._interlock_from_others()
        interlocks = self.stand.safety.interlocks
        if not interlocks:
            return
        seen = self.signals.snapshot(tuple(interlock.signal for interlock in interlocks.values()))
        for name, interlock in interlocks.items():
            if seen[interlock.signal] != interlock.safe:
                opened = Interlock(f"interlock {name}: {interlock.meaning}", place=interlock.signal)
                self._interlock_seen(opened)
                raise opened
        if reported is not None:
            raise reported

    def heed_interlock(self) -> None:
        """Raise an Interlock that other visits or the owner of the stand have seen, unless all goes off just now."""
        if not self._goes_off and (reported := self._interlock_from_others()) is not None:
            raise reported

    def make_safe(self, slot: str | None = None) -> None:
        """Reach the safe state. Raises NotSafe with everything that could not be verified, and its instruments."""
        problems = {part: why for part, why in self.reach_safe_state(slot).items() if why}
        words = "; ".join(problems.values())
        self._event("safe state", words or "verified", slot or "")
        if problems:
            raise NotSafe(f"the safe state could not be verified: {words}", places=tuple(problems))

    def reach_safe_state(self, slot: str | None = None) -> dict[str, str]:
        """Switch supplies off and release drives, verified: of one slot, or of all slots of the visit.

        The supplies go first, and one that refuses does not keep the others on. Returns by instrument why it could
        not be verified, an empty text where it was.
        """
        if self.is_left_alone:
            return {}
        self._goes_off = True
        try:
            return self._reach_safe_state(slot)
        finally:
            self._goes_off = False

    def _reach_safe_state(self, slot: str | None) -> dict[str, str]:
        slots = self.slots if slot is None else (slot,)
        wanted = self.instruments.supplies if slot is None else (self.stand.slots[slot].supply,)
        for unit in self.units.values():
            if unit.slot in slots:
                unit.supply.forget_power()
        found = self._switch_off([self.instruments.supplies[name] for name in wanted])
        drives = [drive for each in slots for drive in SlotWiring(self.stand, each).drives()]
        for name in self.instruments.io:
            mine = [drive for drive in drives if self.stand.signals[drive].io == name]
            if mine:
                found[f"io {name}"] = ""
                try:
                    self.signals.release(mine)
                except Exception as error:  # noqa: BLE001 - of any kind: it keeps nothing else on
                    found[f"io {name}"] = in_words(error)
        self._interlock_from_others()  # an interlock that others have seen until now has been acted on
        return found

    @staticmethod
    def _switch_off(supplies: Sequence[PowerSupply]) -> dict[str, str]:
        """Switch supplies off; return by instrument why it could not be verified, empty where it was."""
        found = {f"supply {supply.name}": "" for supply in supplies}
        if len(supplies) > 1:
            # All are commanded off before the first is waited for: one that is mute keeps no other on.
            for supply in supplies:
                supply.command_power_off()
        for supply in supplies:
            try:
                supply.power_off()
            except Exception as error:  # noqa: BLE001 - of any kind: it keeps no other on
                found[f"supply {supply.name}"] = in_words(error)
        return found

    @property
    def is_watched(self) -> bool:
        """Return whether a supply has a watchdog of its own."""
        return any(supply.description.watchdog for supply in self.instruments.supplies.values())

    def kick_watchdog(self) -> None:
        """Let the supplies' own watchdogs hear that the run lives: to be called wherever it may wait."""
        for supply in self.instruments.supplies.values():
            supply.kick_watchdog()

    def asked_again(self) -> Iterator[str]:
        """Yield in words which instruments were late: I/O simulators that had to be asked again, supplies waited for.

        Of one that cannot be asked now, as through an owner that has died, nothing is known.
        """
        for name, supply in self.instruments.supplies.items():
            late = 0
            with suppress(HilseqError):
                late = supply.late_answers
            if late:
                yield (
                    f"supply {name}: {late} answers came later than its deadline of {supply.description.deadline:g} s, "
                    "and were waited for; look at its network and at what else keeps it or this computer busy"
                )
        for name, io in self.instruments.io.items():
            tally = None
            with suppress(HilseqError):
                tally = io.counted()
            if tally is not None and tally.failed:
                yield (
                    f"io {name}: {tally.failed} of {tally.sent} exchanges were lost or invalid, and came right when "
                    "asked again; look at its network and at what else keeps it or this computer busy"
                )

    def close(self) -> None:
        """Close every connection; nothing is switched."""
        self.instruments.close()
        for unit in self.units.values():
            with suppress(HilseqError, OSError):
                unit.link.close()
