"""Kinds of defect of a unit that no catalogue lists: each is what one procedure alone can see."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from hilseq_sim.defects.model_faults import tap
from hilseq_sim.defects.spec import Change, Kind, Spot, Wrap, places
from hilseq_sim.world.timeline import Timer

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
    """Let an input, an analog input, a port and the checksum of the configuration be wrong while the unit is held."""
    unit, port = spot.unit, spot.world.port_models[spot.slot, "port 1"]
    channel, report = unit.analog_inputs["ai3"], unit.profile.points.inputs["i02"].report
    assert unit.profile.configuration is not None
    checksum = unit.profile.configuration.checksum
    assert checksum is not None

    def held() -> bool:
        return unit.modes.mode is Mode.HELD

    return [
        tap(spot, report, lambda word: 0 if held() else word),
        tap(spot, checksum, lambda word: word ^ 0x40 if held() else word),
        Wrap(channel, "_spoilt", lambda old: lambda value: old(value) + 0.2 * held()),
        Wrap(port, "corrupt", lambda old: lambda data, speed: b"" if held() else old(data, speed)),
    ]


def _misread(spot: Spot) -> list[Change]:
    """Let one read of the points in ten have a bit wrong, now here, now there, and the lamp blink."""
    unit, stream = spot.unit, spot.world.streams.of(spot.slot, "misread")
    points = unit.profile.points
    registers = {points.inputs["i01"].report: 1, points.analog_inputs["ai1"].register_: 1 << 9}
    wrong: dict[tuple[object, int], int] = {
        (each.table, each.address): bit for each, bit in registers.items()
    }
    server = spot.world._links[spot.slot]

    def make(old: Callable[..., list[int]]) -> Callable[..., list[int]]:
        def read(table: object, address: int, count: int) -> list[int]:
            words = list(old(table, address, count))
            if (table, address) in wrong and stream.random() < 0.1:
                words[stream.randrange(count)] ^= wrong[table, address]
            return words

        return read

    def blink() -> None:
        unit.healthy_lamp_dead = int(not unit.healthy_lamp_dead)
        timer.start(1.0 if unit.healthy_lamp_dead else 6.0)

    timer = Timer(unit.timeline, blink)
    timer.start(6.0)
    return [Wrap(server, "read", make)]


def _late_off(spot: Spot) -> list[Change]:
    """Let an input that was on for twenty seconds stay on for one more, as a filter does that has charged up."""
    unit, since = spot.unit, [math.inf, -math.inf]
    timeline = unit.timeline

    def see(word: int) -> int:
        if word:
            since[0] = min(since[0], timeline.now)
        elif since[0] < math.inf:
            since[1] = timeline.now + (1.0 if timeline.now - since[0] > 20.0 else 0.0)
            since[0] = math.inf
        return int(word or timeline.now < since[1])

    return [tap(spot, unit.profile.points.inputs[spot.place].report, see)]


def _leaves(spot: Spot) -> list[Change]:
    """Let a unit fall back to stopped after four seconds of held, and out of live for 0.3 s after ten."""
    modes, timeline = spot.unit.modes, spot.unit.timeline

    def back() -> None:
        modes._become(Mode.LIVE)

    def away() -> None:
        if modes.mode is Mode.LIVE:
            again.start(0.3)
        modes._become(Mode.STOPPED)

    timer, again = Timer(timeline, away), Timer(timeline, back)

    def make(old: Callable[[Mode], None]) -> Callable[[Mode], None]:
        def become(mode: Mode) -> None:
            old(mode)
            if mode is Mode.STOPPED:
                timer.stop()
            else:
                timer.start(4.0 if mode is Mode.HELD else 10.0)

        return become

    return [Wrap(modes, "_become", make)]


def _unwell_under_load(spot: Spot) -> list[Change]:
    """Let a neighbour be lost and the self-test report a failure while twelve outputs are on."""
    unit, register = spot.unit, spot.unit.profile.link.self_test
    assert register is not None

    def lost() -> bool:
        return unit.outputs.active >= 12

    return [
        Wrap(unit, "neighbour", lambda old: lambda place: "empty" if place == 2 and lost() else old(place)),
        tap(spot, register, lambda word: 4 if lost() else word),
    ]


def _chops(spot: Spot) -> list[Change]:
    """Let an output go off for 0.5 s each ten seconds of being on."""
    output, bank, timeline = spot.unit.outputs.outputs[spot.place], spot.unit.outputs, spot.unit.timeline

    def off() -> None:
        output.stuck_off += 1
        bank.refresh()
        back.start(0.5)

    def on() -> None:
        output.stuck_off -= 1
        bank.refresh()

    timer, back = Timer(timeline, off), Timer(timeline, on)

    def make(old: Callable[[], None]) -> Callable[[], None]:
        def changed() -> None:
            old()
            if not output.on:
                timer.stop()
            elif not timer.running:
                timer.start(10.0)

        return changed

    return [Wrap(bank, "changed", make)]


def _runs_away(spot: Spot) -> list[Change]:
    """Let the unit draw twice as much when every output has been on for a second."""
    unit, since = spot.unit, [math.inf]

    def load() -> float:
        return 2.0 if unit.timeline.now - since[0] > 1.0 else 1.0

    def make(old: Callable[[], None]) -> Callable[[], None]:
        def changed() -> None:
            is_on = unit.outputs.active == len(unit.outputs.outputs)
            since[0] = min(since[0], unit.timeline.now) if is_on else math.inf
            old()

        return changed

    def again() -> None:
        unit.input.update()
        timer.start(1.0)

    timer = Timer(unit.timeline, again)
    timer.start(1.0)
    return [Wrap(unit.outputs, "changed", make), Wrap(unit.input, "load", lambda old: lambda: old() * load())]


def _weak_when_low(spot: Spot) -> list[Change]:
    """Let an output lose a tenth of its supply while the unit has less than 21 V."""
    unit, output = spot.unit, spot.unit.outputs.outputs[spot.place]

    def make(old: Callable[[], None]) -> Callable[[], None]:
        def solve() -> None:
            usual = output.resistance
            output.resistance = 0.1 * output.load if unit.input.volts() < 21.0 else usual
            old()
            output.resistance = usual

        return solve

    return [Wrap(unit.outputs, "_solve", make)]


def _minds_the_others(spot: Spot) -> list[Change]:
    """Let an analog input be 0.25 mA off while another one has more than 21 mA."""
    unit, place = spot.unit, spot.place
    others = [channel for name, channel in unit.analog_inputs.items() if name != place]

    def off() -> float:
        return 0.25 if any(other.value.at(unit.timeline.now) > 21.0 for other in others) else 0.0

    return [Wrap(unit.analog_inputs[place], "_spoilt", lambda old: lambda value: old(value) - off())]


class _StartsAnew:
    """One start without the supply having been away."""

    def __init__(self, spot: Spot) -> None:
        self._start = spot.unit.start

    def apply(self) -> None:
        """See Change."""
        self._start.power_good()

    def undo(self) -> None:
        """See Change."""


def _lets_go(spot: Spot) -> list[Change]:
    """Let the contact of a drive open for 0.3 s in each two seconds."""
    channel, timeline = spot.world.wiring.channels[spot.place], spot.unit.timeline

    def act() -> None:
        channel.broken = 1 - channel.broken
        channel.connect()
        timer.start(0.3 if channel.broken else 1.7)

    timer = Timer(timeline, act)
    timer.start(1.7)
    return []


def _jumps(spot: Spot) -> list[Change]:
    """Let the clock be a minute further on in each look."""
    register, looks = spot.unit.profile.link.clock, iter(range(10_000))
    assert register is not None
    return [tap(spot, register, lambda high: high + next(looks))]


def _moved_by_another(spot: Spot) -> list[Change]:
    """Let the command of the first analog output move another by 0.12 V, until that one is commanded."""
    unit, off = spot.unit, [0.0]

    def make(by: float) -> Callable[[Callable[[float], None]], Callable[[float], None]]:
        def wrapped(old: Callable[[float], None]) -> Callable[[float], None]:
            def set_(value: float) -> None:
                off[0] = by
                old(value)

            return set_

        return wrapped

    mine = unit.analog_outputs[spot.place]
    spoil = Wrap(mine, "_spoilt", lambda old: lambda value: old(value) + off[0])
    return [Wrap(unit.analog_outputs["ao1"], "set", make(0.12)), Wrap(mine, "set", make(0.0)), spoil]


def _leaks_when_held(spot: Spot) -> list[Change]:
    """Let an output leak 4 mA while the unit is held."""
    unit, output = spot.unit, spot.unit.outputs.outputs[spot.place]

    def make(old: Callable[[], None]) -> Callable[[], None]:
        def solve() -> None:
            usual = output.leakage
            output.leakage = 4e-3 if unit.modes.mode is Mode.HELD else usual
            old()
            output.leakage = usual

        return solve

    return [Wrap(unit.outputs, "_solve", make)]


KINDS = [
    Kind("clock-jumps", "own", "the clock jumps in each look", places.only("clock"), ("clock",), _jumps),
    Kind("moved-by-another", "own", "an analog output is moved by the command of another", lambda _: ["ao2"],
         ("{place}",), _moved_by_another),
    Kind("leaks-when-held", "own", "an output leaks while held", places.outputs, ("{place}",), _leaks_when_held),
    Kind("contact-lets-go", "own", "the contact of a drive opens now and then", lambda _: ["i11", "ai2"], ("{place}",),
         _lets_go, side="stand"),
    Kind("output-chops", "own", "an output goes off for a moment now and then", places.outputs, ("{place}",), _chops),
    Kind("runs-away", "own", "a unit with every output on draws more and more", places.only("supply"), ("supply",),
         _runs_away),
    Kind("output-weak-when-low", "own", "an output loses more at a low supply", places.outputs, ("{place}",),
         _weak_when_low),
    Kind("analog-minds-the-others", "own", "an analog input is off while another is over-range",
         places.analog, ("{place}",), _minds_the_others),
    Kind("starts-anew", "own", "the unit starts by itself once", places.only("start"), ("start",),
         lambda spot: [_StartsAnew(spot)]),
    Kind("lamp-dark-when-live", "own", "the healthy lamp is dark in live mode", places.only("indicator"),
         ("indicator",), _dark_when_live),
    Kind("word-written-twice", "own", "a word is written into another, too", places.only("configuration"),
         ("configuration",), _written_twice),
    Kind("output-off-when-low", "own", "an output is off at a low supply", places.outputs, ("{place}",), _off_when_low),
    Kind("port-mute-under-load", "own", "a port is mute with every output on", places.ports, ("{place}",),
         _mute_under_load),
    Kind("wrong-when-held", "own", "points and a port are wrong while held", places.only("mode"),
         ("i02", "ai3", "port 1"), _wrong_when_held),
    Kind("reads-wrong", "own", "reads of inputs have a wrong bit now and then", places.only("link"),
         ("link",), _misread),
    Kind("input-late-off", "own", "an input stays on after a long time on", places.inputs, ("{place}",), _late_off),
    Kind("leaves-modes", "own", "the unit leaves its modes by itself", places.only("mode"), ("mode",), _leaves),
    Kind("unwell-under-load", "own", "a unit says under load that it is not well", places.only("self-test"),
         ("self-test", "neighbour 2"), _unwell_under_load),
]  # fmt: skip
