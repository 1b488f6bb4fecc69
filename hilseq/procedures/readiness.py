"""Is the stand fit to judge a unit? Everything it can find out about itself, before any unit is blamed.

`hilseq ready` prints what is found here, and the stage set-up of every visit fails on it: the same procedure.
`Readiness` powers no unit; what shows only with a powered one (supply, link, network ports, neighbours) is looked
at by `powered_looks`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from hilseq.analysis.agreement import LOGIC, agree
from hilseq.analysis.uncertainty import largest_error
from hilseq.clock import Clock
from hilseq.description.accuracy import calibrated_parts
from hilseq.description.checks.stand_file import addresses_of
from hilseq.description.findings import Place
from hilseq.description.points import Port
from hilseq.description.stand import Signal
from hilseq.errors import (
    HilseqError,
    NoGoldenVisit,
    NotPerformed,
    NotResolvable,
    StandFault,
    UnitFault,
    UnitSilent,
)
from hilseq.instruments.ports import open_port
from hilseq.measured import Measured
from hilseq.procedures.bench import ANOTHER, Bench, answers_at
from hilseq.procedures.ports import partner_of
from hilseq.procedures.self_check import Loopbacks, Misfit, misfits, supply_delivers
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring, served_by
from hilseq.quantities import SYMBOLS, show_duration
from hilseq.statements import compared

#: Longest wait until what is stored behind an output has run down, and the pause between two looks, s.
_RUN_DOWN, _LOOK = 10.0, 0.1
#: How a stand is opened again that a control chart has closed.
REOPEN = (
    "the stand is closed: find what has changed (instrument, cable, load, the unit itself), then visit the known good "
    "unit again and hilseq ready --golden RUN; after a repair or a calibration add --anew, which begins new charts"
)
#: s: the slowest meter that is told from one that reads wrong.
_SLOWEST_METER = 3.0
#: How much colder than its surroundings a unit may be that was brought in, and how much warmer from an earlier run, K
#: (common practice, no source).
_COLDER, _WARMER = 8.0, 20.0
#: Looks at what a unit without power must show, so that a channel that scatters is seen; K by which a temperature may
#: seem to change between two of them, beside the accuracy of its channel (common practice, no source).
_LOOKS, _JUMPS = 8, 1.0
#: So many times what a reading may err a meter scatters that once read zero.
_SCATTERS = 3.0
#: Dimensions that read zero at a terminal of a unit without power.
_ZERO_WITHOUT_POWER = ("voltage", "current")


#: What is looked at of every stand, in the order in which it makes sense; no extension may take such a name.
TOPICS = (
    "instruments",
    "calibration",
    "interlocks",
    "supply at zero",
    "I/O at zero",
    "late reads",
    "loop-backs",
    "ports",
    "addresses",
)


@dataclass(frozen=True, slots=True)
class ReadinessResult:
    """One thing that was looked at: `right` is None where it could not be."""

    topic: str
    what: str
    right: bool | None
    words: str
    places: tuple[str, ...] = ()


Results = Iterator[ReadinessResult]


@dataclass(frozen=True, slots=True)
class ReadinessCheck:
    """What an extension looks at beside the rest: `look(bench, slot)` yields what it found, the unit off."""

    name: str
    look: Callable[[Bench, str], Iterable[ReadinessResult]]


def require(looks: Iterable[ReadinessResult], *, or_nothing: bool = False) -> list[ReadinessResult]:
    """Return the looks. Raises StandFault with everything that is wrong, NotPerformed where nothing could be judged.

    `or_nothing`: a slot of which the stand has nothing to look at is right too.
    """
    found = list(looks)
    if or_nothing or any(look.right is not None for look in found):
        compared()
    else:
        reasons = "; ".join(f"{look.what}: {look.words}" for look in found)
        raise NotPerformed(f"there was nothing to judge{': ' if reasons else ''}{reasons}")
    wrong = [look for look in found if look.right is False]
    if wrong:
        places = dict.fromkeys(place for look in wrong for place in look.places)
        raise StandFault("; ".join(f"{look.what}: {look.words}" for look in wrong), places=tuple(places))
    return found


class Readiness:
    """Looks at the part of a prepared bench that serves `slots`; the units in them have no power."""

    def __init__(
        self,
        bench: Bench,
        slots: Iterable[str] | None = None,
        further: Iterable[ReadinessCheck] = (),
        *,
        golden: Callable[[str], str] = lambda _: "",
        charts: Callable[[str], list[str]] = lambda _: [],
    ) -> None:
        self._bench = bench
        #: By slot, which visit of a known good unit shows the harness right, in words; empty without one.
        self._golden = golden
        #: By slot, in words, which control charts of the known good unit are left.
        self._charts = charts
        self._further = {check.name: check for check in further}
        self._stand = bench.stand
        self.slots = tuple(bench.slots if slots is None else slots)
        self._parts = [part for part in bench.instruments.parts if self._mine(part)]

    def _mine(self, part: str) -> bool:
        return bool(served_by(self._stand, part) & set(self.slots))

    def topics(self) -> dict[str, Callable[[], Results]]:
        """Return every topic with its looks, in the order in which they make sense."""
        shipped = (
            self.instruments,
            self.calibrations,
            self.interlocks,
            self.supplies_at_zero,
            self.senses_at_zero,
            self.late_reads,
            self.loopbacks,
            self.ports,
            self.addresses,
        )
        return {
            **dict(zip(TOPICS, shipped, strict=True)),
            **{name: partial(self.further, name) for name in self._further},
        }

    def further(self, name: str) -> Results:
        """What the check of an extension finds."""
        for slot in self.slots:
            yield from self._further[name].look(self._bench, slot)

    def instruments(self) -> Results:
        """Every instrument answers and is the one the stand file expects."""
        for part in self._parts:
            try:
                found = self._bench.instruments.identify(part)
            except StandFault as fault:
                yield ReadinessResult("instruments", part, False, str(fault), fault.places or (part,))
            else:
                yield ReadinessResult(
                    "instruments", part, True, f"{found.identity} at {found.resource}", (part,)
                )

    def calibrations(self) -> Results:
        """No calibration has run out, by the clock of the stand, and no chart of the known good unit is left."""
        today = self._bench.clock.moment().date()
        for part in calibrated_parts(self._stand):
            if not self._mine(part.part):
                continue
            overdue = part.overdue(today)
            if part.calibration is None:
                reason = self._stand.uncalibrated.get(part.part)
                words = "no calibration is stated" + (f": {reason}" if reason else "")
                yield ReadinessResult("calibration", part.part, None, words, (part.part,))
            else:
                words = f"certificate {part.calibration.certificate}, holds until {part.calibration.due}"
                overdue = overdue and f"calibration overdue: it held until {part.calibration.due}"
                yield ReadinessResult("calibration", part.part, not overdue, overdue or words, (part.part,))
        for slot in self.slots:
            for left in self._charts(slot):
                yield ReadinessResult(
                    "calibration", f"control chart, slot {slot}", False, f"{left}; {REOPEN}", ("stand",)
                )

    def require_calibrated(self) -> None:
        """Raise NotResolvable for instruments without a calibration that `uncalibrated` does not name."""
        compared()
        missing = [
            part.part
            for part in calibrated_parts(self._stand)
            if part.calibration is None
            and part.part not in self._stand.uncalibrated
            and self._mine(part.part)
        ]
        if missing:
            raise NotResolvable(
                f"no calibration is stated of {', '.join(missing)}: the uncertainty of its readings is not known; "
                "state `calibration`, or name it under `uncalibrated` of the stand file with the reason",
                places=missing,
            )

    def require_golden(self) -> None:
        """Raise NoGoldenVisit where no visit of a known good unit shows the harness right, as it is now."""
        compared()
        missing = [slot for slot in self.slots if not self._golden(slot)]
        if missing:
            raise NoGoldenVisit(
                f"no known good unit was tested in slot {', '.join(missing)} since the harness was changed: test one, "
                "then hilseq ready --golden RUN"
            )

    def interlocks(self) -> Results:
        """Every interlock is at its safe value."""
        for name, interlock in self._stand.safety.interlocks.items():
            seen = self._bench.signals.read(interlock.signal)
            right = seen == interlock.safe
            words = "safe" if right else interlock.meaning
            yield ReadinessResult("interlocks", f"interlock {name}", right, words, (interlock.signal,))

    def supplies_at_zero(self) -> Results:
        """With its output off, each supply reads no voltage and no current, within its accuracy."""
        for name in dict.fromkeys(self._stand.slots[slot].supply for slot in self.slots):
            supply = self._bench.instruments.supplies[name]
            until = self._bench.clock.now() + _RUN_DOWN
            while True:
                readings = supply.both()
                off = _not_zero(readings)
                if not off or self._bench.clock.now() >= until:
                    break
                self._bench.clock.sleep(_LOOK)
            if not off:  # what has come to rest stays there: another look shows a meter that scatters
                off = [far for _ in range(_LOOKS) for far in _not_zero(supply.both(), _SCATTERS)][:1]
            words = " and ".join(f"{reading.value:.2g} {reading.unit}" for reading in off or readings)
            words = f"reads {words} with its output off"
            yield ReadinessResult("supply at zero", f"supply {name}", not off, words, (f"supply {name}",))

    def senses_at_zero(self) -> Results:
        """Whatever senses an output of a unit without power reads zero, within its accuracy."""
        for slot in self.slots:
            senses = {
                n: s for n, s in SlotWiring(self._stand, slot).senses().items() if _zero_without_power(s)
            }
            looks = [self._bench.signals.fresh(senses) for _ in range(_LOOKS)] if senses else []
            wrong = {
                n: value for seen in looks for n, value in seen.items() if not self._reads_zero(n, value)
            }
            for name, value in wrong.items():
                words = f"shows {value:.4g} {senses[name].unit}".rstrip() + ", though the unit has no power"
                yield ReadinessResult("I/O at zero", name, False, words, (name,))
            if not wrong:
                words = f"{len(senses)} channel{'s' if len(senses) != 1 else ''} read zero"
                if not senses:
                    words = "nothing senses an output of this slot"
                yield ReadinessResult("I/O at zero", f"slot {slot}", True if senses else None, words)
            yield from self._thermometers(slot)

    def _thermometers(self, slot: str) -> Results:
        """Nothing without power is much colder or warmer than its surroundings: one of the thermometers is wrong."""
        case, ambient = SlotWiring(self._stand, slot).sensor_of_unit("case", "degC"), self._stand.ambient
        if case is None or ambient is None:
            return
        looks = [self._bench.signals.fresh((case, ambient)) for _ in range(_LOOKS)]
        for name in (case, ambient):
            low, high = (end(seen[name] for seen in looks) for end in (min, max))
            known = max(largest_error(self._bench.signals.uncertainty(name, high)), _JUMPS)
            if high - low > 2.0 * known:
                words = f"goes from {low:.3g} to {high:.3g} degC in {_LOOKS} looks: no temperature does"
                yield ReadinessResult("I/O at zero", name, False, words, (name,))
        seen = looks[0]
        warmer = seen[case] - seen[ambient]
        right = -_COLDER < warmer < _WARMER
        words = f"shows {seen[case]:.3g} degC, {ambient} {seen[ambient]:.3g} degC"
        if not right:
            words += (
                f": {abs(warmer):.3g} K {'warmer' if warmer > 0.0 else 'colder'} than its surroundings; one of the two "
                "is wrong, or the unit has just come from elsewhere: let it stand for a while"
            )
        yield ReadinessResult("I/O at zero", case, right, words, (case, ambient))

    def _reads_zero(self, name: str, value: float) -> bool:
        """Return whether a channel shows nothing, within its largest error; a logic channel has none."""
        signals = self._bench.signals
        if signals.signals[name].is_bit:
            return not LOGIC.counts_as_on(value)
        return agree(value, 0.0, largest_error(signals.uncertainty(name, 0.0)))

    def late_reads(self) -> Results:
        """What each I/O simulator serves is no older than the stand file says, or than a stand may wait for."""
        for name in self._bench.instruments.io:
            part, age = f"io {name}", self._bench.read_ages.get(name)
            if not self._mine(part):
                continue
            if age is None:
                lag = 1e3 * self._bench.signals.scan_times[name]
                words = f"no loop-back shows how old its reads are; {lag:.0f} ms are waited for at every look"
                yield ReadinessResult("late reads", part, None, words, (part,))
            else:
                yield ReadinessResult("late reads", part, age.right, age.words, (part,))

    def loopbacks(self) -> Results:
        """Every path of the stand back into itself follows, and follows alone."""
        loops = Loopbacks(self._stand, self._bench.signals, self._bench.clock)
        names = loops.of_slots(self.slots)
        try:
            faults = {fault.name: fault for fault in loops.test(names)}
        finally:
            for slot in self.slots:
                if slot in self._bench.units:
                    self._bench.units[slot].modes.prepare()
        for fault in faults.values():
            yield ReadinessResult("loop-backs", f"loop-back {fault.name}", False, fault.words, fault.places)
        if names and not faults:
            yield ReadinessResult("loop-backs", "loop-backs", True, f"{len(names)} follow, each alone")
        if not names:
            yield ReadinessResult("loop-backs", "loop-backs", None, "the stand file describes none")

    def ports(self) -> Results:
        """Every serial port of the slots can be opened, at the first speed of the unit's port."""
        for slot in self.slots:
            unit = self._bench.units.get(slot)
            for name, wired in self._stand.slots[slot].ports.items():
                port = unit.profile.ports.get(name) if unit else None
                what = f"{name} of slot {slot}"
                if port is not None and partner_of(port).network:
                    yield ReadinessResult("ports", what, None, "it answers when the unit has power", (name,))
                    continue
                yield _opened(what, name, wired.resource, port)

    def addresses(self) -> Results:
        """Everything has an address of its own, and nobody else has that of a unit."""
        # A stand file with two things at one address, or one outside its network, is not even loaded.
        network = f", all in {self._stand.network}" if self._stand.network else ""
        words = f"{len(addresses_of(self._stand))} addresses, each its own{network}"
        yield ReadinessResult("addresses", f"stand {self._stand.stand}", True, words)
        yield from self.links_are_mute()

    def links_are_mute(self) -> Results:
        """Nobody answers at the address of a unit that has no power: it would be somebody else."""
        for slot, unit in self._bench.units.items():
            if slot not in self.slots:
                continue
            what = f"link of slot {slot}"
            try:
                answers = answers_at(self._stand.slots[slot], unit.profile, what)
            except StandFault as fault:
                yield ReadinessResult("addresses", what, False, str(fault), fault.places)
                continue
            words = ANOTHER if answers else "no answer while the unit has no power"
            yield ReadinessResult("addresses", what, not answers, words, (what,) if answers else ())


def _opened(what: str, name: str, resource: str, port: Port | None) -> ReadinessResult:
    speed = round(port.speeds[0]) if port else 19200
    frame = port.frame if port else "8E1"
    try:
        with open_port(resource, speed, frame, name=what):
            pass
    except HilseqError as fault:
        return ReadinessResult("ports", what, False, str(fault), (name,))
    return ReadinessResult("ports", what, True, f"{resource} can be opened", (name,))


def _not_zero(readings: Iterable[Measured], times: float = 1.0) -> list[Measured]:
    """Return those that are not zero, by so many times what each may err."""
    return [r for r in readings if not agree(r.value, 0.0, times * largest_error(r.standard_uncertainty))]


def _zero_without_power(signal: Signal) -> bool:
    return signal.is_bit or (SYMBOLS.get(signal.unit, ("", 1.0))[0] in _ZERO_WITHOUT_POWER)


def attempt(topic: str, looks: Callable[[], Results]) -> list[ReadinessResult]:
    """Return the looks of a topic, with a fault of the stand on the way as one look more."""
    found: list[ReadinessResult] = []
    try:
        found.extend(looks())
    except StandFault as fault:
        found.append(ReadinessResult(topic, topic, False, str(fault), fault.places))
    except (NotPerformed, UnitFault) as reason:
        found.append(ReadinessResult(topic, topic, None, str(reason)))
    return found


def powered_looks(unit: Unit, written: Callable[[Place], str], clock: Clock) -> Results:
    """Power one unit and look at the stand through it. Whether the unit is well is not judged here.

    `written` tells where a key of its profile stands. It is left powered. Raises StandFault, Interlock.
    """
    unit.supply.on()
    yield _supply(unit, clock)
    link = _link(unit)
    yield link
    yield from _fit(unit, written, clock, ready=link.right is True)
    yield from _network_ports(unit)
    yield from _neighbours(unit)


def _supply(unit: Unit, clock: Clock) -> ReadinessResult:
    """Look at what the supply delivers; where that is wrong at first, how much later than `settle` it reads right."""
    name, begun = f"supply {unit.supply.instrument.name}", clock.now()
    try:
        return ReadinessResult("under power", name, True, _delivers(unit), (name,))
    except StandFault as fault:
        while clock.now() - begun < _SLOWEST_METER:
            with suppress(StandFault):
                words = f"{_delivers(unit)}, but reads so only "
                words += f"{show_duration(round(clock.now() - begun, 2))} after it was switched on; `settle` of the "
                words += f"stand file says {show_duration(unit.supply.settle)}"
                return ReadinessResult("under power", name, False, words, (name,))
            clock.sleep(_LOOK)
        return ReadinessResult("under power", name, False, str(fault), fault.places)
    except NotPerformed as reason:
        return ReadinessResult("under power", name, None, str(reason), (name,))


def _delivers(unit: Unit) -> str:
    """Return what the supply delivers, in words. Raises StandFault for that and for a current that nothing can draw."""
    words = supply_delivers(unit)
    unit.supply.current()
    return words


def _link(unit: Unit) -> ReadinessResult:
    what = f"link of slot {unit.slot}"
    try:
        took = unit.wait_until_ready()
    except UnitFault as fault:
        return ReadinessResult("under power", what, False, f"{fault}; is a good unit in the slot?", (what,))
    return ReadinessResult(
        "under power", what, True, f"the unit is ready {took.value:.2f} s after power came", (what,)
    )


def _fit(unit: Unit, written: Callable[[Place], str], clock: Clock, *, ready: bool) -> Results:
    """Whatever the profile has hilseq read is there and says something, and each mode can be reached."""
    wrong = misfits(unit, clock)
    if not ready:
        wrong += _not_ready(unit)
    elif not any(one.place == ("link", "mode") for one in wrong):
        wrong += _modes(unit)
    for one in wrong:
        yield ReadinessResult("profile", written(one.place), False, one.words, ("profile",))
    if ready and not wrong:
        yield ReadinessResult(
            "profile", f"profile of slot {unit.slot}", True, "the unit has what it has hilseq read"
        )


def _not_ready(unit: Unit) -> list[Misfit]:
    """Return a misfit where a unit that tells its mode never says that it is ready, or nobody has its number."""
    link = unit.profile.link
    try:
        mode, said = unit.modes.reported(), 1.0 if link.ready is None else unit.link.read(link.ready)
    except UnitSilent:
        reached = unit.link.reachable()
        words = f"nothing answers as device {link.device_id}, and the address {reached}: another number, if it is good"
        return [Misfit(("link", "device-id"), words)] if reached else []
    except UnitFault:
        return []
    words = f"it reads {said:g}, though the unit is {mode}: another register, or a unit that does not start"
    return [] if said else [Misfit(("link", "ready"), words)]


def _modes(unit: Unit) -> list[Misfit]:
    """Return where a mode that the stand can command by itself is not reached; the unit is back afterwards."""
    found = []
    key = "mode" if unit.profile.link.mode_command is None else "mode-command"
    for mode in unit.profile.mode_list():
        try:
            unit.modes.move_to(mode)
        except NotPerformed:
            continue
        except UnitFault as fault:
            found.append(
                Misfit(("link", key), f"{fault}: another register, or other numbers, if the unit is good")
            )
    with suppress(UnitFault):
        unit.modes.release()
    return found


def _network_ports(unit: Unit) -> Results:
    for name, port in unit.profile.ports.items():
        if not partner_of(port).network:
            continue
        resource = unit.described.ports[name].resource
        partner = unit.ports.open(name, port.speeds[0], place=name)
        try:
            partner.open()
        except UnitFault as fault:
            yield ReadinessResult("ports", f"{name} of slot {unit.slot}", False, str(fault), (name,))
        else:
            yield ReadinessResult(
                "ports", f"{name} of slot {unit.slot}", True, f"{resource} accepts a connection", (name,)
            )
        finally:
            partner.close()


def _neighbours(unit: Unit) -> Results:
    """Compare what the unit reports in each rack position with the stand file."""
    try:
        found = unit.neighbours_found()
    except (NotPerformed, UnitFault) as reason:
        yield ReadinessResult("neighbours", f"slot {unit.slot}", None, str(reason))
        return
    for position, expected in unit.neighbours_fitted().items():
        place = f"neighbour {position}"
        seen = found[position]
        if seen == expected:
            yield ReadinessResult(
                "neighbours",
                f"{place} of slot {unit.slot}",
                True,
                f"{seen}, as the stand file says",
                (place,),
            )
        else:
            words = f"the unit reports {seen}, the stand file says {expected}: look which one is fitted"
            yield ReadinessResult("neighbours", f"{place} of slot {unit.slot}", False, words, (place,))
