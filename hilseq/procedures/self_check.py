"""What the stand can find out about itself when a unit has just failed a check, before the unit is blamed.

Interlocks, every instrument of the slot by its own word, the supply's output, the loop-backs of the terminals
under suspicion, and the second witness of outputs that are sensed twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress

from hilseq.analysis.agreement import Holding
from hilseq.analysis.uncertainty import largest_error
from hilseq.description.profile import Mode
from hilseq.errors import NotPerformed, StandFault, UnitFault
from hilseq.procedures.bench import Bench
from hilseq.procedures.loopback import Loopbacks
from hilseq.procedures.terminals import contradiction
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring, parts_of


class SelfCheck:
    """The self-check of the part of a stand that serves one slot.

    It may move the unit; afterwards outputs are off, drives released and the switch back.
    """

    def __init__(self, bench: Bench, slot: str) -> None:
        self._bench = bench
        self._slot = slot
        self._wiring = Wiring(bench.stand, slot)
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
        asked += self._second_witnesses(unit, terminals)
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
        names = self._loopbacks.at_terminals(self._slot, terminals)
        if not names:
            return []
        try:
            faults = self._loopbacks.test(names)
        finally:
            unit.modes.prepare()
        if faults:
            raise StandFault(
                "; ".join(f"loop-back {fault.name}: {fault.words}" for fault in faults),
                places=[place for fault in faults for place in fault.places],
            )
        return [f"loop-back {name} follows" for name in names]

    def _second_witnesses(self, unit: Unit, terminals: list[str]) -> list[str]:
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
            if unit.modes.reported() is not Mode.LIVE:
                unit.modes.move_to(Mode.LIVE)
            for terminal, sensors in twice.items():
                names = [sensor.name for sensor in sensors]
                for on in ((), (terminal,)):
                    unit.outputs.drive(*on)
                    seen = self._bench.signals.snapshot(names)
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
    voltage, current = feed.both()
    error = largest_error(voltage.standard_uncertainty)
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
