"""A world from a stand file and profiles: every instrument, every unit, every wire."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal, Protocol

from hilseq.description.profile import Profile
from hilseq.description.simulated import scpi_supplies
from hilseq.description.stand import Stand
from hilseq_sim.defects.spec import ActiveDefect, resolve
from hilseq_sim.views import ModbusView, PortView, SupplyView, Trouble
from hilseq_sim.world.draw import Streams
from hilseq_sim.world.operation import position_of
from hilseq_sim.world.registers import RegisterMap
from hilseq_sim.world.stand_io import StandWiring
from hilseq_sim.world.supply import SupplyModel
from hilseq_sim.world.timeline import Timeline
from hilseq_sim.world.timing import described, drawn
from hilseq_sim.world.unit import UnitModel
from hilseq_sim.world.unit_servers import UnitPort, UnitServer, unit_registers

#: degC of the room where no soak plan says another.
AMBIENT = 25.0


class VisitLike(Protocol):
    """A stand and the profile of the unit in each slot (`hilseq.description.visit.Visit`)."""

    @property
    def stand(self) -> Stand:
        """The stand."""
        ...

    @property
    def profiles(self) -> Mapping[str, Profile]:
        """Profiles by slot; a slot without one is empty."""
        ...


@dataclass(slots=True)
class ConnectionFaults:
    """How one connection misbehaves just now, as counters that defects raise."""

    silent: int = 0
    garbage: int = 0
    late: float = 0.0
    half_open: int = 0
    wrong_transaction: int = 0
    refused: int = 0
    loses: float = 0.0
    misnumbers: float = 0.0
    busy: float = 0.0
    twice: int = 0
    twice_behind: int = 0
    closes: int = 0

    def trouble(self) -> Trouble:
        """Return what the servers make of it."""
        return Trouble(
            silent=self.silent > 0,
            garbage=self.garbage > 0,
            late=_rounded(self.late),
            half_open=self.half_open > 0,
            wrong_transaction=self.wrong_transaction > 0,
            refused=self.refused > 0,
            loses=_rounded(self.loses),
            misnumbers=_rounded(self.misnumbers),
            busy=_rounded(self.busy),
            twice=self.twice > 0,
            twice_behind=self.twice_behind,
            closes=self.closes > 0,
        )


def _rounded(value: float) -> float:
    """Return a time or a share without the rounding that a defect leaves behind when it goes."""
    return value if value > 1e-9 else 0.0  # noqa: PLR2004


HEALTHY = Trouble()


class World:
    """The whole simulated stand (`hilseq_sim.views.WorldView`)."""

    def __init__(
        self, visit: VisitLike, seed: int, serials: Mapping[str, str], timing: Literal["described", "drawn"]
    ) -> None:
        stand = visit.stand
        self.stand = stand
        self.profiles = dict(visit.profiles)
        #: A world begins now, so that a rehearsal stands in the records on its day; its time is then its own.
        self.began = datetime.now(UTC)
        self.timeline = Timeline()
        #: A defect: whole days by which the stand stood unused.
        self.days_later = 0
        self.streams = Streams(seed)
        self.timing = described(stand) if timing == "described" else drawn(stand, self.streams)
        ambients = [profile.soak.ambient for profile in self.profiles.values() if profile.soak]
        self.ambient = max(ambients, default=AMBIENT)
        self.supply_models = {
            name: SupplyModel(name, description, self.timeline, self.streams)
            for name, description in scpi_supplies(stand).items()
        }
        self.units = {
            slot: UnitModel(
                slot,
                profile,
                self.supply_models[stand.slots[slot].supply],
                self.timeline,
                self.streams,
                serial=serials.get(slot, profile.twin.serial),
                neighbours=stand.slots[slot].neighbours,
                ambient=self.ambient,
                loads=_loads(stand, slot),
            )
            for slot, profile in self.profiles.items()
        }
        self.wiring = StandWiring(
            stand, self.units, self.timeline, self.streams, ambient=self.ambient, timing=self.timing
        )
        self.port_models: dict[tuple[str, str], UnitPort] = {}
        #: The registers of each unit, by slot.
        self.registers: dict[str, RegisterMap] = {}
        self._links: dict[str, ModbusView] = {}
        for slot, unit in self.units.items():
            self._serve(slot, unit)
        names = [f"supply {name}" for name in stand.supplies] + [f"io {name}" for name in stand.io]
        names += [f"link {slot}" for slot in self.units]
        names += [f"port {slot}/{port}" for slot, port in self.port_models]
        self.connections = {name: ConnectionFaults() for name in names}
        self._troubles: dict[str, Trouble] = {}
        self._supplies: Mapping[str, SupplyView] = self.supply_models
        self._io: Mapping[str, ModbusView] = self.wiring.io
        self._ports: Mapping[tuple[str, str], PortView] = self.port_models
        self.advance, self.advance_to = self.timeline.advance, self.timeline.advance_to

    def _serve(self, slot: str, unit: UnitModel) -> None:
        registers = self.registers[slot] = unit_registers(unit)
        self._links[slot] = UnitServer(unit, registers, unit.profile.link.device_id, unit.answering)
        for name, port in unit.profile.ports.items():
            stream = self.streams.of(slot, "port", name)
            model = self.port_models[slot, name] = UnitPort(port, unit.running, stream)
            if port.partner != "echo":
                model.modbus = UnitServer(unit, registers, port.device_id, model.answering)

    # -- WorldView ---------------------------------------------------------------------------------

    @property
    def time(self) -> float:
        """Simulated time since the world began, s."""
        return self.timeline.now

    @property
    def date(self) -> datetime:
        """The date in the world."""
        return self.began + timedelta(days=self.days_later, seconds=self.time)

    @property
    def supplies(self) -> Mapping[str, SupplyView]:
        """Supplies by name."""
        return self._supplies

    @property
    def io(self) -> Mapping[str, ModbusView]:
        """I/O simulators by name."""
        return self._io

    @property
    def links(self) -> Mapping[str, ModbusView]:
        """The units' own servers by slot."""
        return self._links

    @property
    def ports(self) -> Mapping[tuple[str, str], PortView]:
        """Serial ports by slot and port name."""
        return self._ports

    def trouble(self, endpoint: str) -> Trouble:
        """State of the connection `supply main`, `io rack`, `link A` or `port A/port 1`."""
        return self._troubles.get(endpoint, HEALTHY)

    def turn_switch(self, slot: str, position: str) -> None:
        """Turn the mode switch of a slot by hand, to a position or to the one of a mode. Raises KeyError."""
        unit = self.units[slot]
        found = position_of(unit.profile.modes, position)
        if found is None:
            raise KeyError(position)
        self.timeline.changing()
        unit.switch.turn(found)

    # -- defects -----------------------------------------------------------------------------------

    def anchor(self) -> None:
        """Keep every state that is worked out from parameters, before a defect changes any."""
        for unit in self.units.values():
            unit.anchor()

    def refresh(self) -> None:
        """Follow parameters that a defect has changed."""
        self._troubles = {
            name: trouble
            for name, connection in self.connections.items()
            if (trouble := connection.trouble()) != HEALTHY
        }
        for supply in self.supply_models.values():
            supply.refresh()
        for unit in self.units.values():
            unit.refresh()
        self.wiring.refresh()


def build_world(
    visit: VisitLike,
    *,
    seed: int = 0,
    serials: Mapping[str, str] | None = None,
    defects: Sequence[str] = (),
    timing: Literal["described", "drawn"] = "described",
) -> World:
    """Return the world of a visit, with its defects in place.

    `seed` draws the unit, the stand and all noise, and with `timing` drawn how long the instruments take; `serials` by
    slot. Raises DefectError, with every legal
    word near the wrong one, before anything is built of a defect that cannot be.
    """
    world = World(visit, seed, serials or {}, timing)
    for number, text in enumerate(defects):
        ActiveDefect(world, resolve(text, visit), number)
    return world


def _loads(stand: Stand, slot: str) -> dict[str, float]:
    """Return the loads that the stand states at the terminals of a slot, Ohm."""
    return {
        signal.senses.partition(".")[2]: signal.load
        for signal in stand.signals.values()
        if signal.load is not None and signal.senses is not None and signal.senses.startswith(f"{slot}.")
    }
