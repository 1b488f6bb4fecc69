"""The instruments of a stand: opened once each, identified by their own word, closed together."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress

from hilseq.clock import Clock
from hilseq.description.profile import Profile
from hilseq.description.stand import Io, Slot, Stand
from hilseq.errors import StandFault, WrongInstrument
from hilseq.instruments.conditions import Conditions
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.supply import PowerSupply
from hilseq.instruments.supply_line import session_with
from hilseq.instruments.visa import VisaSession
from hilseq.journal.entries import InstrumentIdentified
from hilseq.procedures.wiring import parts_of


def open_link(slot: Slot, profile: Profile, name: str, *, deadline: float | None = None) -> ModbusDevice:
    """Return the unit's own link; nothing is sent yet. `deadline` in s, the slot's own by default."""
    wait = slot.link.deadline if deadline is None else deadline
    if slot.link.address is not None:
        return ModbusDevice.over_tcp(
            name,
            slot.link.address,
            device=profile.link.device_id,
            deadline=wait,
            owner="unit",
            quirks=profile.link,
        )
    assert slot.link.port is not None
    line = slot.link.line
    return ModbusDevice.over_serial(
        name,
        slot.link.port,
        speed=line.speed,
        frame=line.frame,
        device=profile.link.device_id,
        deadline=wait,
        owner="unit",
        quirks=profile.link,
    )


def _open_io(name: str, io: Io) -> ModbusDevice:
    if io.address is not None:
        return ModbusDevice.over_tcp(
            f"io {name}", io.address, device=io.device_id, deadline=io.deadline, owner="stand", quirks=io
        )
    assert io.port is not None
    return ModbusDevice.over_serial(
        f"io {name}",
        io.port,
        speed=io.line.speed,
        frame=io.line.frame,
        device=io.device_id,
        deadline=io.deadline,
        owner="stand",
        quirks=io,
    )


class Instruments:
    """The supplies and I/O simulators that serve `slots`. Nothing is sent before the first call."""

    def __init__(
        self, stand: Stand, clock: Clock, slots: tuple[str, ...], conditions: Conditions | None = None
    ) -> None:
        self._stand = stand
        self.parts = parts_of(stand, slots)
        self._sessions = self._shared_sessions(stand)
        self.supplies = {
            name: PowerSupply(name, supply, clock, self._sessions.get(supply.resource.lower()), conditions)
            for name, supply in stand.supplies.items()
            if f"supply {name}" in self.parts
        }
        #: All of them: a signal that serves no slot may still be asked for by name.
        self.io = {name: _open_io(name, io) for name, io in stand.io.items()}

    @staticmethod
    def _shared_sessions(stand: Stand) -> dict[str, VisaSession]:
        """Return one session for each instrument with several outputs: many of them take one client only."""
        outputs = Counter(supply.resource.lower() for supply in stand.supplies.values())
        first = {
            supply.resource.lower(): item for item in reversed(stand.supplies.items()) for supply in item[1:]
        }
        return {
            resource: session_with(name, supply)
            for resource, (name, supply) in first.items()
            if outputs[resource] > 1
        }

    def identify(self, part: str) -> InstrumentIdentified:
        """Ask a part (`supply main`, `io rack`) what it is; return what the journal keeps of it.

        Raises StandFault with the part as its place when it does not answer or is not what it should be.
        """
        sort, _, name = part.partition(" ")
        try:
            if sort == "supply":
                described = self._stand.supplies[name]
                identity = str(self.supplies[name].identify())
                what, resource, calibration = "supply", described.resource, described.calibration
            else:
                io = self._stand.io[name]
                identity = self._identify_io(name)
                what, resource, calibration = "I/O simulator", io.address or io.port or "", io.calibration
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
        expected, device = self._stand.io[name].identity, self.io[name]
        if expected is None:
            signal = next((signal for signal in self._stand.signals.values() if signal.io == name), None)
            if signal is not None:
                device.read(signal)
            return "not asked"
        seen = device.identification()
        for number, text in {0: expected.maker, 1: expected.model}.items():
            if text is not None and seen.get(number, "").casefold() != text.casefold():
                raise WrongInstrument(
                    f"io {name} says it is {seen.get(number, '')!r}, the stand file expects {text!r}",
                    place=f"io {name}",
                )
        return " ".join(seen.get(number, "") for number in (0, 1, 2)).strip()

    def close(self) -> None:
        """Close every connection; nothing is switched."""
        supplies, sessions, io = self.supplies.values(), self._sessions.values(), self.io.values()
        for close in (
            [one.close for one in supplies] + [one.close for one in sessions] + [one.close for one in io]
        ):
            with suppress(StandFault, OSError):
                close()
