"""Where a kind of defect can sit, in the words of the profile and of the stand file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import combinations
from typing import Protocol

from hilseq.description.accuracy import calibrated_parts
from hilseq.description.profile import Mode, Profile
from hilseq.description.simulated import modbus_devices, modbus_links
from hilseq.description.stand import Signal, Slot, Stand


class VisitWords(Protocol):
    """A stand and the profile of the unit in each slot."""

    @property
    def stand(self) -> Stand:
        """The stand."""
        ...

    @property
    def profiles(self) -> Mapping[str, Profile]:
        """Profiles by slot."""
        ...


class Where:
    """One slot of a visit: what `Places` functions look at."""

    def __init__(self, visit: VisitWords, slot: str) -> None:
        self.stand = visit.stand
        self.slot = slot
        self.profile = visit.profiles[slot]
        self.at: Slot = visit.stand.slots[slot]

    def wired(self, terminal: str) -> list[tuple[str, Signal]]:
        """Return the signals on a terminal of this slot."""
        name = f"{self.slot}.{terminal}"
        return [item for item in self.stand.signals.items() if name in (item[1].drives, item[1].senses)]

    def fitted(self) -> list[int]:
        """Return the rack positions in which the stand has a neighbour."""
        positions = range(1, self.profile.rack_positions + 1)
        return [position for position in positions if self.at.neighbours.get(position, "empty") != "empty"]


#: Returns the places of a slot, or of the stand, on which a kind can sit; none where it makes no sense.
Places = Callable[[Where], list[str]]


def only(word: str, needs: Callable[[Where], object] = lambda _: True) -> Places:
    """Return the one place `word`, where the profile or the stand has what the kind needs."""
    return lambda where: [word] if needs(where) else []


def outputs(where: Where) -> list[str]:
    """Return the outputs that the stand senses."""
    return [name for name in where.profile.points.outputs if where.wired(name)]


def pairs(of: Places) -> Places:
    """Return every pair of places, as `a+b`."""
    return lambda where: ["+".join(pair) for pair in combinations(of(where), 2)]


def rated_outputs(where: Where) -> list[str]:
    """Return outputs with a rated current and a largest drop, whose voltage the stand measures."""
    points = where.profile.points.outputs
    return [
        name
        for name in outputs(where)
        if points[name].rated_current and points[name].voltage_drop and measured(where, name)
    ]


def measured(where: Where, terminal: str) -> bool:
    """Return whether the stand measures a voltage at a terminal."""
    return any(not signal.is_bit for _, signal in where.wired(terminal))


def loads_stated(where: Where) -> bool:
    """Return whether the leakage of every output that claims one can be measured: the stand states its loads."""
    points = where.profile.points.outputs
    claimed = [name for name in outputs(where) if points[name].leakage]
    return bool(claimed) and all(
        any(signal.load is not None for _, signal in where.wired(name)) for name in claimed
    )


def inputs(where: Where) -> list[str]:
    """Return the inputs that the stand drives."""
    return [name for name in where.profile.points.inputs if where.wired(name)]


def analog_driven_inputs(where: Where) -> list[str]:
    """Return the inputs that the stand drives with a voltage, so that a threshold can be found."""
    return [name for name in inputs(where) if measured(where, name)]


def analog(where: Where) -> list[str]:
    """Analog channels that the stand is wired to."""
    points = where.profile.points
    return [name for name in (*points.analog_inputs, *points.analog_outputs) if where.wired(name)]


def ports(where: Where) -> list[str]:
    """Ports that the stand reaches."""
    return [name for name in where.profile.ports if name in where.at.ports]


def claimed_ports(where: Where) -> list[str]:
    """Ports with a claimed bit error ratio, but not network ports."""
    known = where.profile.ports
    return [n for n in ports(where) if known[n].bit_error_ratio and known[n].partner != "modbus tcp"]


def serial_ports(where: Where) -> list[str]:
    """Ports with a serial line."""
    return [name for name in ports(where) if where.profile.ports[name].partner != "modbus tcp"]


def modes(where: Where) -> list[str]:
    """Modes other than the one to start in, as `mode held`."""
    return [f"mode {m}" for m in where.profile.mode_list() if m is not where.profile.modes.at_start]


def all_modes(where: Where) -> list[str]:
    """Modes, as `mode held`, of a unit that has two at least."""
    names = [f"mode {m}" for m in where.profile.mode_list()]
    return names if len(names) > 1 else []


def quiet_modes(*which: Mode) -> Places:
    """Return the places of modes in which outputs must be off, of a unit with outputs."""
    return lambda w: [f"mode {m}" for m in which if m in w.profile.mode_list() and outputs(w)]


def contacts(where: Where) -> list[str]:
    """Modes whose switch contact the stand closes, except the one the unit starts in anyway."""
    return [
        f"mode {position.mode}"
        for position in where.profile.modes.switch.values()
        if position.mode is not where.profile.modes.at_start
        and position.contact is not None
        and where.wired(position.contact)
    ]


def neighbours(where: Where) -> list[str]:
    """Neighbours that the stand has fitted and the unit reports."""
    if where.profile.identity.modules is None:
        return []
    return [f"neighbour {position}" for position in where.fitted()]


def supply(where: Where) -> list[str]:
    """Supply of the slot, as an instrument of the stand."""
    return [f"supply {where.at.supply}"]


def instruments(where: Where) -> list[str]:
    """Instruments whose identity the stand file states."""
    description = where.stand.supplies[where.at.supply]
    found = [f"supply {where.at.supply}"] if description.identity.maker or description.identity.model else []
    return found + [f"io {name}" for name, io in where.stand.io.items() if io.identity is not None]


def first_to_expire(where: Where) -> list[str]:
    """Instruments of the slot whose calibration runs out before those of all others."""
    own = [*supply(where), *racks(where)]
    parts = calibrated_parts(where.stand)
    due = {p.part: p.calibration.due for p in parts if p.calibration is not None and p.part in own}
    return [name for name, day in due.items() if day == min(due.values())]


def racks(where: Where) -> list[str]:
    """I/O simulators of the stand."""
    return [f"io {name}" for name in where.stand.io]


def looped_racks(where: Where) -> list[str]:
    """I/O simulators with a logic loop-back, by which the age of their reads shows."""
    signals = where.stand.signals
    loops = where.stand.loopbacks.values()
    seen = {signals[p.sense].io for p in loops if signals[p.drive].is_bit and signals[p.sense].is_bit}
    return [f"io {name}" for name in where.stand.io if name in seen]


def tcp_racks(where: Where) -> list[str]:
    """I/O simulators on Modbus TCP, which numbers its transactions."""
    return [f"io {name}" for name, io in modbus_devices(where.stand).items() if io.protocol == "modbus tcp"]


def tcp_link(where: Where) -> list[str]:
    """The link, where it is Modbus TCP."""
    link = modbus_links(where.stand).get(where.slot)
    return ["link"] if link is not None and link.address is not None else []


def interlocks(where: Where) -> list[str]:
    """Signals of the interlocks."""
    return [interlock.signal for interlock in where.stand.safety.interlocks.values()]


def looped(where: Where) -> list[str]:
    """Signals of the loop-back paths."""
    return [name for loop in where.stand.loopbacks.values() for name in (loop.drive, loop.sense)]


def checked_signals(where: Where) -> list[str]:
    """Signals that the stand can check against another: loop-backs, and terminals it senses twice."""
    found = looped(where)
    for terminal in where.profile.points.outputs:
        sensing = [name for name, signal in where.wired(terminal) if signal.senses]
        if len(sensing) > 1:
            found += sensing
    return found
