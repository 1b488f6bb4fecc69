"""The instruments of a stand: opened once each, identified by their own word, closed together."""

from __future__ import annotations

from contextlib import suppress

from hilseq.clock import Clock
from hilseq.description.drivers import find_driver
from hilseq.description.profile import Profile
from hilseq.description.stand import Slot, Stand
from hilseq.errors import StandFault, WrongInstrument
from hilseq.instruments.conditions import InstrumentConditions
from hilseq.instruments.protocols import Channels, ChannelsDriver, LinkDriver, UnitLink
from hilseq.instruments.supply import open_supplies
from hilseq.journal.entries import InstrumentIdentified
from hilseq.procedures.wiring import parts_of


def open_link(slot: Slot, profile: Profile, name: str, *, deadline: float | None = None) -> UnitLink:
    """Return the unit's own link; nothing is sent yet. `deadline` in s, the slot's own by default."""
    driver: LinkDriver = find_driver("link", slot.link.driver)
    return driver.open(name, slot.link, profile.link, deadline=deadline)


def _open_channels(stand: Stand, name: str) -> Channels:
    """Return the channels of one `io` of a stand; nothing is sent yet."""
    io = stand.io[name]
    driver: ChannelsDriver = find_driver("channels", io.driver)
    mine = {signal: described for signal, described in stand.signals.items() if described.io == name}
    return driver.open(name, io, mine)


class Instruments:
    """The supplies and I/O simulators that serve `slots`. Nothing is sent before the first call."""

    def __init__(
        self,
        stand: Stand,
        clock: Clock,
        slots: tuple[str, ...],
        conditions: InstrumentConditions | None = None,
    ) -> None:
        self._stand = stand
        self.parts = parts_of(stand, slots)
        served = {name: supply for name, supply in stand.supplies.items() if f"supply {name}" in self.parts}
        self.supplies = open_supplies(served, clock, conditions)
        #: All of them: a signal that serves no slot may still be asked for by name.
        self.io = {name: _open_channels(stand, name) for name in stand.io}

    def identify(self, part: str) -> InstrumentIdentified:
        """Ask a part (`supply main`, `io rack`) what it is; return what the journal keeps of it.

        Raises StandFault with the part as its place when it does not answer or is not what it should be.
        """
        sort, _, name = part.partition(" ")
        try:
            if sort == "supply":
                described = self._stand.supplies[name]
                identity = str(self.supplies[name].identify())
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
        expected, seen = self._stand.io[name].identity, self.io[name].identify()
        if seen is None:
            return "not asked"
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
