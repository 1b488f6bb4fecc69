"""What the shared instruments of a bench carry while all its slots soak, and for how many slots they have room.

An estimate: every exchange takes EXCHANGE, each sample of a soak asks its supply for voltage and current, and one
snapshot of an I/O serves all slots that want it in the same moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hilseq.description.modbus import ModbusIo, ModbusSignal
from hilseq.description.profile import Profile
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Stand
from hilseq.instruments.plans import ReadPlan
from hilseq.procedures.soak.sampler import sampled_signals

#: A question and its answer over a local network, with what the instrument takes, s; a guess, no source.
EXCHANGE = 0.02


@dataclass(frozen=True, slots=True)
class InstrumentLoad:
    """One instrument: the slots that it serves, and the share of the time for which they keep it busy."""

    name: str
    slots: int
    share: float

    @property
    def room(self) -> int:
        """Slots for which it would have room, each as busy as those that it serves."""
        return int(self.slots / self.share) if self.share else 0


def soak_loads(stand: Stand, profiles: Mapping[str, Profile]) -> list[InstrumentLoad]:
    """Return the load of each instrument while all units that have a soak are in it, the busiest first."""
    periods = {slot: profile.soak.period for slot, profile in profiles.items() if profile.soak is not None}
    supplies: dict[str, list[tuple[str, float]]] = {}
    for slot, period in periods.items():
        name = stand.slots[slot].supply
        supply = stand.supplies[name]
        both = isinstance(supply, ScpiSupply) and supply.commands.measure_both is not None
        known_by = supply.resource if isinstance(supply, ScpiSupply) else name
        supplies.setdefault(known_by, []).append((name, (1 if both else 2) * EXCHANGE / period))
    loads = [
        InstrumentLoad(f"supply {used[0][0]}", len(used), sum(share for _, share in used))
        for used in supplies.values()
    ]
    for name, io in stand.io.items():
        sampled = {
            slot: [s for s in sampled_signals(stand, slot) if stand.signals[s].io == name] for slot in periods
        }
        served = [slot for slot, names in sampled.items() if names]
        if served:
            names = {signal for slot in served for signal in sampled[slot]}
            share = _requests(stand, io, names) * EXCHANGE / min(periods[slot] for slot in served)
            loads.append(InstrumentLoad(f"io {name}", len(served), share))
    return sorted(loads, key=lambda load: load.share, reverse=True)


def _requests(stand: Stand, io: object, names: set[str]) -> int:
    """Return how many requests one snapshot takes."""
    if not isinstance(io, ModbusIo):
        return 1
    known = {
        n: s for n, s in stand.signals.items() if isinstance(s, ModbusSignal) and stand.io.get(s.io) is io
    }
    plan = ReadPlan({n: known[n] for n in names}, io.max_gap, between=known.values(), most=io.most_read)
    return len(plan.spans)
