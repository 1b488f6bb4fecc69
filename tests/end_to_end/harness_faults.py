"""Faults of a harness and its instruments that no set-up stage sees: kinds of defect from outside."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count
from typing import Any

from hilseq_sim.defects.spec import Add, Change, Kind, Scale, Spot, Tap, Wrap, places


class Exchange:
    """Exchanges what two drives deliver to: crossed wires."""

    def __init__(self, one: Any, other: Any) -> None:
        self.one, self.other = one, other

    def apply(self) -> None:
        """See Change."""
        self.one.deliver, self.other.deliver = self.other.deliver, self.one.deliver

    def undo(self) -> None:
        """See Change."""
        self.apply()


def _channel(name: str, attribute: str, amount: float, how: Any = Scale) -> Callable[[Spot], list[Change]]:
    return lambda spot: [how(spot.world.wiring.channels[name], attribute, amount)]


def _exchange(one: str, other: str) -> Callable[[Spot], list[Change]]:
    return lambda spot: [Exchange(spot.world.wiring.channels[one], spot.world.wiring.channels[other])]


def _every_voltmeter(spot: Spot) -> list[Change]:
    return [Scale(spot.world.wiring.channels[f"v{number:02}"], "gain", 0.95) for number in range(1, 17)]


def _reference_of_the_drives(spot: Spot) -> list[Change]:
    """Let every analog drive, and what reads it back, be wrong alike: they have one reference."""
    channels = spot.world.wiring.channels
    driven = [name for name in channels if name.startswith("ai")]
    return [Scale(channels[name], "gain", 1.02) for name in driven]


def _input_at_another(spot: Spot) -> list[Change]:
    """Put the wire of i11 to the terminal of i12; what drives i12 comes to both."""
    lost, found = (spot.world.wiring.channels[name] for name in ("i11", "i12"))
    own, other = lost.deliver, found.deliver

    def both(value: float) -> None:
        own(value)
        other(value)

    return [Wrap(lost, "deliver", lambda _: lambda _: None), Wrap(found, "deliver", lambda _: both)]


def _scatters(name: str, by: int) -> Callable[[Spot], list[Change]]:
    """Let every third read of a channel be so many steps more."""

    def effect(spot: Spot) -> list[Change]:
        rack, signal, reads = spot.world.wiring.io["rack"], spot.world.wiring.channels[name].signal, count(1)
        both = (rack._registers, rack._late_registers)

        def see(word: int) -> int:
            return word + by * (next(reads) % 3 == 0)

        return [Tap(registers, signal.table, signal.address, see) for registers in both]

    return effect


def _flickers(spot: Spot) -> list[Change]:
    """Let the logic channel of q03 show on in every ninth read."""
    rack, signal, reads = spot.world.wiring.io["rack"], spot.world.wiring.channels["q03"].signal, count(1)

    def see(word: int) -> int:
        return word | (next(reads) % 9 == 0)

    both = (rack._registers, rack._late_registers)
    return [Tap(registers, signal.table, signal.address, see) for registers in both]


EFFECTS: dict[str, Callable[[Spot], list[Change]]] = {
    "voltmeter-low": _channel("v05", "gain", 0.95),
    "voltmeter-high": _channel("v06", "gain", 1.05),
    "load-open": lambda spot: [Scale(spot.unit.outputs.outputs["q08"], "load", 208.0)],
    "load-low": lambda spot: [Scale(spot.unit.outputs.outputs["q10"], "load", 0.35)],
    "analog-channel": _channel("ao1", "gain", 0.97),
    "thermometer": _channel("case", "offset", 10.0, Add),
    "inputs-exchanged": _exchange("i05", "i06"),
    "loops-exchanged": _exchange("ai1", "ai2"),
    "lamp-channel": _channel("lamp-green", "dead", 1, Add),
    "ammeter": lambda spot: [Scale(spot.world.supply_models["main"], "amp_gain", 1.4)],
    "input-wire": _channel("i09", "contact_resistance", 8000.0, Add),
    "every-voltmeter": _every_voltmeter,
    "every-load-open": lambda spot: [
        Scale(each, "load", 200.0) for each in spot.unit.outputs.outputs.values()
    ],
    "contacts-exchanged": _exchange("s1", "s2"),
    "load-quarter": lambda spot: [Scale(spot.unit.outputs.outputs["q12"], "load", 0.25)],
    "input-at-another": _input_at_another,
    "feeder-leak": lambda spot: [Add(spot.world.supply_models["main"], "shunt_siemens", 1.0 / 300.0)],
    "feeder-short": lambda spot: [Add(spot.world.supply_models["main"], "shunt_siemens", 1.0 / 1.5)],
    "feeder-resistance": lambda spot: [Add(spot.unit.input, "resistance", 5.0)],
    "feeder-leak-small": lambda spot: [Add(spot.world.supply_models["main"], "shunt_siemens", 1.0 / 1000.0)],
    "feeder-resistance-small": lambda spot: [Add(spot.unit.input, "resistance", 3.0)],
    "feeder-resistance-large": lambda spot: [Add(spot.unit.input, "resistance", 19.0)],
    "room-thermometer": _channel("ambient", "dead", 1, Add),
    "channel-flickers": _flickers,
    "analog-channel-noisy": _scatters("ao1", 100),
    "case-noisy": _scatters("case", 60),
    "analog-reference": _reference_of_the_drives,
    "feeder-open": lambda spot: [Add(spot.unit.input, "resistance", 1e7)],
}
KINDS = [
    Kind(name, "stand", name, places.only("supply"), ("supply",), effect, side="stand")
    for name, effect in EFFECTS.items()
]
