"""Kinds of defect of a unit that no catalogue lists: each is what one procedure alone can see."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hilseq_sim.defects.model_faults import tap
from hilseq_sim.defects.spec import Change, Kind, Spot, Wrap, places

from hilseq.description.profile import Mode


class _Doubled(list[int]):
    """Words of which the fourth is written into the twentieth as well."""

    def __setitem__(self, index: Any, word: Any) -> None:
        super().__setitem__(index, word)
        if index == 3:
            super().__setitem__(19, word)


def _written_twice(spot: Spot) -> list[Change]:
    """Let what is written into a word of the configuration be written into another as well."""
    memory = spot.unit.memory
    assert memory is not None

    def make(old: Callable[[bool], bool]) -> Callable[[bool], bool]:
        def power_good(retained: bool) -> bool:
            kept = old(retained)
            memory._working = _Doubled(memory._working)
            return kept

        return power_good

    return [Wrap(memory, "power_good", make)]


def _off_when_low(spot: Spot) -> list[Change]:
    """Keep an output off while the unit has less than 21 V."""
    unit, place = spot.unit, spot.place
    low = 21.0
    return [
        Wrap(
            unit.outputs,
            "_wanted",
            lambda old: (
                lambda output, enabled: (
                    old(output, enabled) and not (output.name == place and unit.input.volts() < low)
                )
            ),
        )
    ]


def _mute_under_load(spot: Spot) -> list[Change]:
    """Let a port carry nothing while every output is on."""
    bank = spot.unit.outputs
    port = spot.world.port_models[spot.slot, spot.place]
    return [
        Wrap(
            port,
            "corrupt",
            lambda old: lambda data, speed: b"" if bank.active == len(bank.outputs) else old(data, speed),
        )
    ]


def _dark_when_live(spot: Spot) -> list[Change]:
    """Let the healthy lamp go out in live mode."""
    unit = spot.unit

    def make(old: Callable[[Mode], None]) -> Callable[[Mode], None]:
        def become(mode: Mode) -> None:
            old(mode)
            unit.healthy_lamp_dead = mode is Mode.LIVE

        return become

    return [Wrap(unit.modes, "_become", make)]


def _wrong_when_held(spot: Spot) -> list[Change]:
    """Let an input be reported off, an analog input be off by 0.2 mA and a port be mute while the unit is held."""
    unit, port = spot.unit, spot.world.port_models[spot.slot, "port 1"]
    channel, report = unit.analog_inputs["ai3"], unit.profile.points.inputs["i02"].report

    def held() -> bool:
        return unit.modes.mode is Mode.HELD

    return [
        tap(spot, report, lambda word: 0 if held() else word),
        Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + 0.2 * held()),
        Wrap(port, "corrupt", lambda old: lambda data, speed: b"" if held() else old(data, speed)),
    ]


KINDS = [
    Kind("lamp-dark-when-live", "own", "the healthy lamp is dark in live mode", places.only("indicator"),
         ("indicator",), _dark_when_live),
    Kind("word-written-twice", "own", "a word is written into another, too", places.only("configuration"),
         ("configuration",), _written_twice),
    Kind("output-off-when-low", "own", "an output is off at a low supply", places.outputs, ("{place}",), _off_when_low),
    Kind("port-mute-under-load", "own", "a port is mute with every output on", places.ports, ("{place}",),
         _mute_under_load),
    Kind("wrong-when-held", "own", "points and a port are wrong while held", places.only("mode"),
         ("i02", "ai3", "port 1"), _wrong_when_held),
]  # fmt: skip
