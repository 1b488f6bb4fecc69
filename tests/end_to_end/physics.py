"""Physics that no sequence knows of, beside the catalogue: couplings between kinds, a trip under load, a register."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hilseq_sim.defects.spec import Change, Kind, Scale, Spot, Wrap, places
from hilseq_sim.world.timeline import Timer


def output_into_input(spot: Spot) -> list[Change]:
    """Let i05 see what q03 does."""
    unit = spot.unit

    def wanted(old: Any) -> Any:
        return lambda point: (point.name == "i05" and unit.outputs.outputs["q03"].on) or old(point)

    def changed(old: Any) -> Any:
        def both() -> None:
            old()
            unit.inputs.refresh()

        return both

    return [Wrap(unit.inputs, "_wanted", wanted), Wrap(unit.outputs, "changed", changed)]


def output_into_analog(spot: Spot) -> list[Change]:
    """Let ai2 read 0.6 mA more while q07 is on."""
    unit = spot.unit
    channel = unit.analog_inputs["ai2"]
    more = 0.6 if channel.symbol == "mA" else 0.6e-3
    return [
        Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + more * unit.outputs.outputs["q07"].on)
    ]


def trip(spot: Spot) -> list[Change]:
    """Let q11 switch itself off after 5 s under load."""
    bank = spot.unit.outputs
    output = bank.outputs["q11"]

    def act() -> None:
        output.tripped = True
        bank.refresh()

    timer = Timer(spot.unit.timeline, act)

    def changed(old: Any) -> Any:
        def both() -> None:
            old()
            if not output.on:
                timer.stop()
            elif not timer.running:
                timer.start(5.0)

        return both

    return [Wrap(bank, "changed", changed)]


def supply_register(spot: Spot) -> list[Change]:
    """Let the unit report a fifth too much of its supply."""
    return [Scale(spot.unit, "_volt_gain", 1.2)]


def stores_nothing(spot: Spot) -> list[Change]:
    """Let the fault table store nothing any more."""
    return [Wrap(spot.unit.faults, "store_code", lambda _: lambda *_: None)]


def leaves_live(spot: Spot) -> list[Change]:
    """Let the unit fall to stopped after 20 s with all its outputs on."""
    unit = spot.unit
    timer = Timer(unit.timeline, lambda: unit.modes.command(unit.profile.modes.at_start))

    def changed(old: Any) -> Any:
        def both() -> None:
            old()
            if unit.outputs.active < len(unit.outputs.outputs):
                timer.stop()
            elif not timer.running:
                timer.start(20.0)

        return both

    return [Wrap(unit.outputs, "changed", changed)]


def _kind(name: str, effect: Callable[[Spot], list[Change]], *located: str) -> Kind:
    return Kind(name, "inputs", name, places.only("supply"), located, effect)


KINDS = [
    _kind("output-into-input", output_into_input, "i05"),
    _kind("output-into-analog", output_into_analog, "ai2"),
    _kind("trip-under-load", trip, "q11"),
    _kind("stores-nothing", stores_nothing, "stored faults"),
    _kind("leaves-live", leaves_live, "mode live"),
    _kind("supply-register-wrong", supply_register, "supply"),
]
