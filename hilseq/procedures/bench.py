"""The opened stand: instruments, signals and the units in its slots; and its safe state."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from functools import partial
from typing import Any

from hilseq.clock import Clock
from hilseq.description.profile import Indicator, Profile
from hilseq.description.stand import Calibration, Io, Stand
from hilseq.errors import HilseqError, Interlock, NotSafe, StandFault
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import RegisterBank
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply import PowerSupply
from hilseq.procedures.feed import Feed
from hilseq.procedures.modes import Modes
from hilseq.procedures.operator import Nobody, Operator
from hilseq.procedures.points import Inputs, Outputs
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring

Event = Callable[[str, str, str], None]


def _open_io(name: str, io: Io) -> ModbusDevice:
    if io.address is not None:
        return ModbusDevice.over_tcp(
            f"io {name}", io.address, device=io.device, deadline=io.deadline, owner="stand"
        )
    assert io.port is not None
    return ModbusDevice.over_serial(
        f"io {name}",
        io.port,
        speed=io.line.speed,
        frame=io.line.frame,
        device=io.device,
        deadline=io.deadline,
        owner="stand",
    )


def _calibration(calibration: Calibration | None) -> dict[str, str]:
    if calibration is None:
        return {"certificate": "", "due": ""}
    return {"certificate": calibration.certificate, "due": calibration.due.isoformat()}


class Bench:
    """One stand with the units of one visit. Nothing is touched before `prepare`.

    `event(what, text, slot)` takes note of what is done.
    """

    def __init__(
        self,
        stand: Stand,
        profiles: Mapping[str, Profile],
        serials: Mapping[str, str],
        clock: Clock,
        event: Event,
        operator: Operator | None = None,
    ) -> None:
        self.stand = stand
        self.clock = clock
        self._event = event
        self._operator = operator or Nobody()
        self._supplies: dict[str, PowerSupply] = {
            name: PowerSupply(name, supply, clock) for name, supply in stand.supplies.items()
        }
        self._io = {name: _open_io(name, io) for name, io in stand.io.items()}
        gaps = {name: io.largest_gap for name, io in stand.io.items()}
        self.signals = SignalBank(stand.signals, self._io, clock, largest_gaps=gaps)
        self.units = {slot: self._unit(slot, profile, serials[slot]) for slot, profile in profiles.items()}

    def _unit(self, name: str, profile: Profile, serial: str) -> Unit:
        slot = self.stand.slots[name]
        wiring = Wiring(self.stand, name)
        label = f"unit {serial}"
        if slot.link.address is not None:
            link = ModbusDevice.over_tcp(
                label,
                slot.link.address,
                device=profile.link.device,
                deadline=slot.link.deadline,
                owner="unit",
            )
        else:
            assert slot.link.port is not None
            link = ModbusDevice.over_serial(
                label,
                slot.link.port,
                speed=slot.link.line.speed,
                frame=slot.link.line.frame,
                device=profile.link.device,
                deadline=slot.link.deadline,
                owner="unit",
            )
        event = partial(self._slot_event, name)
        points = profile.points
        contacts = [p.contact for p in profile.modes.switch.values() if p.contact is not None]
        lamps = {} if profile.indicator is None else {
            Indicator.HEALTHY: profile.indicator.healthy,
            Indicator.FAULTED: profile.indicator.faulted,
        }
        return Unit(
            name,
            serial,
            profile,
            slot,
            supply=Feed(self._supplies[slot.supply], profile, self.clock, self.check_interlocks, event),
            link=link,
            signals=self.signals,
            lamps={state: signal for state, lamp in lamps.items() if (signal := wiring.sensor_of_bit(lamp))},
            modes=Modes(
                name,
                profile,
                link,
                slot.link.deadline,
                self.signals,
                {contact: signal for contact in contacts if (signal := wiring.drive_of(contact))},
                self._operator,
                self.stand.operator,
                self.clock,
                event,
            ),
            outputs=Outputs(
                points.outputs,
                RegisterBank({n: p.command for n, p in points.outputs.items()}, link),
                self.signals,
                {n: wiring.sensor(n, profile.ratings.supply) for n in points.outputs},
                self.clock,
            ),
            inputs=Inputs(
                points.inputs,
                RegisterBank({n: p.report for n, p in points.inputs.items()}, link),
                self.signals,
                {n: wiring.drive(n, profile.ratings.supply) for n in points.inputs},
                self.clock,
            ),
            clock=self.clock,
        )

    def _slot_event(self, slot: str, what: str, text: str) -> None:
        self._event(what, text, slot)

    # -- opening -------------------------------------------------------------------------------------

    def prepare(self) -> Iterator[dict[str, Any]]:
        """Identify every instrument, then set ceilings and protection with everything off.

        Yields what the journal keeps of each instrument. Raises StandFault.
        """
        for name, supply in self._supplies.items():
            described = self.stand.supplies[name]
            identity = supply.identify()
            yield {
                "name": f"supply {name}",
                "what": "supply",
                "resource": described.resource,
                "identity": str(identity),
                **_calibration(described.calibration),
            }
        for name, device in self._io.items():
            yield {
                "name": f"io {name}",
                "what": "I/O simulator",
                "resource": self.stand.io[name].address or self.stand.io[name].port or "",
                "identity": self._identify_io(name, device),
                **_calibration(self.stand.io[name].calibration),
            }
        self.signals.release()
        for unit in self.units.values():
            unit.supply.prepare()
            unit.modes.prepare()

    def _identify_io(self, name: str, device: ModbusDevice) -> str:
        """Ask the I/O simulator what it is where the stand file expects an identity. Raises StandFault."""
        expected = self.stand.io[name].identity
        if expected is None:
            return "not asked"
        seen = device.identification()
        wanted = {0: expected.maker, 1: expected.model}
        from hilseq.errors import WrongInstrument

        for number, text in wanted.items():
            if text is not None and seen.get(number, "").casefold() != text.casefold():
                raise WrongInstrument(
                    f"io {name} says it is {seen.get(number, '')!r}, the stand file expects {text!r}",
                    place=f"io {name}",
                )
        return " ".join(seen.get(number, "") for number in (0, 1, 2)).strip()

    # -- safety --------------------------------------------------------------------------------------

    def check_interlocks(self) -> None:
        """Read every interlock. Raises Interlock naming the first that is not safe."""
        interlocks = self.stand.safety.interlocks
        if not interlocks:
            return
        seen = self.signals.snapshot()
        for name, interlock in interlocks.items():
            if seen[interlock.signal] != interlock.safe:
                raise Interlock(f"interlock {name}: {interlock.meaning}", place=interlock.signal)

    def make_safe(self, slot: str | None = None) -> None:
        """Switch supplies off and release drives, verified: of one slot, or of the whole stand.

        The supplies go first, and one that refuses does not keep the others on. Raises NotSafe with everything
        that could not be verified.
        """
        names = list(self._supplies) if slot is None else [self.stand.slots[slot].supply]
        problems: list[str] = []
        for unit in self.units.values():
            if slot in (None, unit.slot):
                unit.supply.powered_since = None
        for name in names:
            try:
                self._supplies[name].make_safe()
            except HilseqError as error:
                problems.append(str(error))
        try:
            if slot is None:
                self.signals.release()
            else:
                self.signals.release(Wiring(self.stand, slot).drives())
        except HilseqError as error:
            problems.append(str(error))
        self._event("safe state", "verified" if not problems else "; ".join(problems), slot or "")
        if problems:
            raise NotSafe("the safe state could not be verified: " + "; ".join(problems))

    def connections(self) -> list[PowerSupply | ModbusDevice]:
        """Return everything that can be closed."""
        return [*self._supplies.values(), *self._io.values(), *(unit.link for unit in self.units.values())]

    def close(self) -> None:
        """Close every connection; nothing is switched."""
        for connection in self.connections():
            with suppress(StandFault, OSError):
                connection.close()
