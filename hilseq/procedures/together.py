"""Every point of a unit at once: outputs, inputs and analog channels, each driven without regard to the others.

What couples from one kind of point into another (an output into an input or an analog channel) shows only when both
are looked at together, and what goes wrong once in many times only when it is tried as often. The vectors are balanced
and pseudo-random: of any two points all four combinations come, each in about a quarter of the steps.

An analog channel goes through its whole range meanwhile, once to every part of it and in an order of its own: a part
that stands still, or that misses, is found where a sweep of a few steps passes over it. Short frames go over the ports
between the steps: one that loses them while an output is on is disturbed by it.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from hilseq.analysis.counted import upper_bound
from hilseq.clock import Clock
from hilseq.description.profile import Indicator, Mode, Profile
from hilseq.errors import UnitFault, UnitOrHarness
from hilseq.procedures import link_check, outputs_off
from hilseq.procedures.patterns import PATIENCE
from hilseq.procedures.unit import Unit
from hilseq.verdicts import UNIT_OR_HARNESS

#: For how long every output is held on under its load, s, looked at once a second.
HOLD = 60
#: Steps: an event of one in 67 is seen with 95 % confidence (rule of three), and a part of an analog range that stands
#: still from one in so many on.
STEPS = 200
#: Steps in each mode in which outputs are off: an event of one in ten is seen with 95 % confidence.
QUIET_STEPS = 30
#: For how long the exchanges of all steps may keep a visit, s, and steps that are made however long they take: of any
#: two points each of the four combinations comes about six times.
_EXCHANGING, _LEAST = 45.0, 24
#: Steps from one frame over each port to the next, and frames lost from the first on after which a port is left alone.
_PORT_EVERY, _PORT_DEAD = 5, 3
#: Frames over each port while every output is on, of which one must come back.
_HELD_FRAMES = 4
_CONFIDENCE = 0.95
#: The vectors are the same in every visit.
_SEED = 20
#: Share of the steps with another point on in which one that is coupled to it is wrong at least; the same of the frames
#: of a port, which may lose some by itself.
_COUPLED, _DISTURBED = 0.25, 0.8
#: So many outputs that should be on and are off, with no other on, may be those of a unit that is no longer live.
_LEFT = 2
#: Steps in which a point may be wrong by a link that misreads here and there.
_TWICE = 2
#: Share of the steps in which a point is wrong that has a fault of its own beside a unit that left live.
_FEW = 0.05
#: Steps from one look at lamps and current of a unit with no output on to the next.
_LOOK_EVERY = 2
#: For how long after a step outputs that must be off are looked at fast, s.
_CLOSELY = 1.0
#: Share of its range from which an analog channel counts as on.
_MIDDLE = 0.5


@dataclass(slots=True)
class Together:
    """What came of the steps: by point how it was driven in each, and in which steps it was wrong, with words."""

    driven: dict[str, list[bool]] = field(default_factory=dict)
    wrong: dict[str, dict[int, str]] = field(default_factory=dict)
    #: What was said first of points that went off, or wrong, while every output and input was held on.
    went_off: dict[str, str] = field(default_factory=dict)
    #: Ports over which no frame came back, and when: while every output was held on, say.
    mute: dict[str, str] = field(default_factory=dict)
    #: Points that stayed on when they were released after that.
    stayed: list[str] = field(default_factory=list)
    #: What is to be said of a unit that left live by itself.
    left: str = ""
    #: How often the stand saw another indicator than healthy, and which; how often it looked.
    indicators: Counter[Indicator] = field(default_factory=Counter)
    lamp_looks: int = 0
    #: By point: how often it was read wrong over the link, and right when it was read again at once.
    misread: Counter[str] = field(default_factory=Counter)
    #: Currents of the unit beyond what it may draw, A, as read meanwhile.
    too_much: list[float] = field(default_factory=list)
    #: Where in its range each analog channel stood in each step, as a share.
    shares: dict[str, list[float]] = field(default_factory=dict)
    #: Steps in which a frame went over each port, and those in which it was lost.
    framed: dict[str, set[int]] = field(default_factory=dict)
    lost: dict[str, set[int]] = field(default_factory=dict)
    steps: int = 0
    planned: int = STEPS

    def failure(self) -> tuple[list[str], str]:
        """Return where anything was wrong, and a sentence; empty where nothing was.

        A point that is wrong in no step but those in which another is on, and in half of these at least, is coupled to
        it: both are places.
        """
        places: dict[str, None] = {}
        words = []
        where, misread = link_check.misread(self.misread)
        for name, steps in self.wrong.items():
            if name not in where and name in self.misread and len(steps) <= _TWICE:
                continue  # a link that misreads one point after another does so twice on end at times
            if self.left and len(steps) < _FEW * self.steps:
                continue  # as it left live, or came back
            by = self._coupled_to(name, set(steps), range(self.steps))
            places.update(dict.fromkeys((name, *by)))
            first = next(iter(steps.values()))
            coupled = f", only while {' or '.join(by)} is on" if by else ""
            words.append(f"{name} was wrong in {len(steps)} of {self.steps} steps{coupled}: {first}")
        for name, lost in self.lost.items():
            for other in self._coupled_to(name, lost, self.framed[name], share=_DISTURBED):
                places.update({name: None, other: None})
                words.append(
                    f"{name} lost {len(lost)} of {len(self.framed[name])} frames, only while {other} is on"
                )
        if self.left:
            places[f"mode {Mode.LIVE}"] = None
            words.append(self.left)
        if where:
            places.update(dict.fromkeys(where))
            words.append(misread)
        if 0 < self.indicators.total() == self.lamp_looks:
            places["indicator"] = None
            words.append(f"the stand saw the indicator {' and '.join(self.indicators)}")
        if self.too_much:
            places["supply"] = None
            most, looks = 1e3 * max(self.too_much), len(self.too_much)
            words.append(f"with no output on, the unit drew up to {most:.4g} mA in {looks} looks")
        places.update(dict.fromkeys((*self.mute, *self.went_off, *self.stayed)))
        words += [f"{name} carries no frame {when}" for name, when in self.mute.items()]
        words += [f"{name} {said}, every output on" for name, said in self.went_off.items()]
        words += [f"{name} stayed on when it was released after {HOLD} s" for name in self.stayed]
        return list(places), "; ".join(words)

    def require_steady_indicator(self) -> None:
        """Raise UnitOrHarness where the indicator was not healthy in some looks: a lamp, or its channel, flickers."""
        if self.indicators:
            raise UnitOrHarness(
                f"{UNIT_OR_HARNESS}. The stand saw the indicator {' and '.join(self.indicators)} in "
                f"{self.indicators.total()} of {self.lamp_looks} looks: a lamp that flickers, or its channel",
                places=("indicator",),
            )

    def _coupled_to(
        self, name: str, wrong: set[int], tried: Collection[int], *, share: float = _COUPLED
    ) -> list[str]:
        """Return the one point that is on in all steps that were wrong, where that many of its steps were."""
        if len(wrong) < 4:  # noqa: PLR2004 - too few to tell from chance
            return []
        found = []
        for other, driven in self.driven.items():
            on = {step for step in tried if driven[step]}
            if other != name and wrong <= on and len(wrong) >= share * len(on):
                found.append(other)
        return found if len(found) == 1 else []

    def proven(self) -> str:
        """Return what steps without an error show, in a sentence."""
        share = upper_bound(0, self.steps, _CONFIDENCE)
        fewer = f" ({STEPS} with quicker answers of unit and I/O)" if self.planned < STEPS else ""
        return (
            f"{self.steps} steps{fewer} with every point at once, none wrong: with {_CONFIDENCE:.0%} confidence a "
            f"point is wrong in fewer than {share:.1%} of its changes. Each analog channel stood once in each "
            f"{self.steps}th of its range. Every output carried its load for {HOLD} s"
        )


def run_together(unit: Unit, clock: Clock) -> Together:
    """Drive every point of a unit that goes live, all at once, and compare all of them in each step.

    Then every output is held on under its load for a while. Everything is released afterwards. Raises UnitFault when
    the unit does not go live or does not answer.
    """
    live = Mode.LIVE in unit.profile.mode_list()
    if live:
        unit.modes.move_to(Mode.LIVE)
    outputs = unit.outputs.names if live else ()
    try:
        found = _drive(unit, clock, outputs, _affordable(unit, clock, outputs), analog_outputs=live)
        if outputs:
            _hold(unit, clock, found)
    finally:
        _release(unit, outputs)
    return found


def _affordable(unit: Unit, clock: Clock, outputs: tuple[str, ...]) -> int:
    """Return how many steps are made: fewer where their exchanges take long, with a unit or an I/O that answers slowly.

    In each step the points are written, read back and looked at, which takes about as long as three looks.
    """
    begun = clock.now()
    for _ in range(3):
        if outputs:
            unit.outputs.seen()
        if unit.inputs.names:
            unit.inputs.reported()
    each = clock.now() - begun
    return STEPS if STEPS * each <= _EXCHANGING else max(_LEAST, int(_EXCHANGING / each))


def quiet_modes(profile: Profile) -> tuple[Mode, ...]:
    """Return the modes in which outputs are off and a unit reports its inputs: where it starts, and held."""
    return tuple(
        mode
        for mode in profile.mode_list()
        if mode is not Mode.LIVE and mode in (profile.modes.at_start, Mode.HELD)
    )


def wrong_when_quiet(unit: Unit, clock: Clock) -> tuple[list[str], str]:
    """Drive every input in each mode in which outputs are off; return which are wrong there, and ports, and a sentence.

    The outputs are watched meanwhile. Raises UnitFault when the unit does not reach a mode, or has an output on in one.
    """
    places: dict[str, None] = {}
    said = []
    for mode in quiet_modes(unit.profile):
        unit.modes.move_to(mode)
        try:
            steps = max(_LEAST // 3, QUIET_STEPS * _affordable(unit, clock, ()) // STEPS)
            found = _drive(unit, clock, (), steps, analog_outputs=False)
        finally:
            _release(unit, ())
        for name, lost in found.lost.items():
            if lost == found.framed[name]:
                found.mute[name] = "at all"
        if (seen := unit.modes.reported()) is not mode:
            places[f"mode {mode}"] = None
            said.append(f"in mode {mode} for some seconds, the unit is {seen} by itself")
            continue
        where, words = found.failure()
        if where:
            places.update(dict.fromkeys(where))
            said.append(f"in mode {mode}: {words}")
        else:
            found.require_steady_indicator()
    outputs_off.fail_on_seen(unit)
    return list(places), "; ".join(said)


def _drive(
    unit: Unit, clock: Clock, outputs: tuple[str, ...], steps: int, *, analog_outputs: bool
) -> Together:
    """Drive so many vectors in the mode that the unit is in, these outputs among them, and compare each."""
    found = Together(planned=steps, misread=unit.baseline.misread)
    vectors = random.Random(_SEED)  # noqa: S311 - a test pattern, not a secret
    channels = [name for name, c in unit.analog.channels.items() if analog_outputs or not c.is_output]
    names = [*outputs, *unit.inputs.names, *channels]
    found.shares = {name: _spread(vectors, steps) for name in channels}
    found.driven = {
        name: [share >= _MIDDLE for share in found.shares[name]]
        if name in found.shares
        else _balanced(vectors, steps)
        for name in names
    }
    for step in range(steps):
        unit.off_watch.watch_closely(_CLOSELY)
        if names:
            _step(unit, clock, found, {name: found.driven[name][step] for name in names}, outputs)
        if not outputs and step % _LOOK_EVERY == 0:
            _look_quietly(unit, found)
        if step % _PORT_EVERY == 0:
            _send_frames(unit, found, step)
    return found


def _look_quietly(unit: Unit, found: Together) -> None:
    """Look at what a unit without an output on shows, and at what it draws."""
    _look_at_lamps(unit, found)
    drawn = unit.supply.current()
    if drawn.value - drawn.expanded_uncertainty > unit.limits.any_current.high:
        found.too_much.append(drawn.value)


def _release(unit: Unit, outputs: tuple[str, ...]) -> None:
    if outputs:
        unit.outputs.command()
    if unit.inputs.names:
        unit.inputs.release()
    unit.analog.release()


def _step(
    unit: Unit, clock: Clock, found: Together, on: Mapping[str, bool], outputs: tuple[str, ...]
) -> None:
    """Drive one vector, and compare every point with it."""
    inputs, analog = unit.inputs, unit.analog
    if outputs:
        unit.outputs.command(*(name for name in outputs if on[name]))
    if inputs.names:
        inputs.command(*(name for name in inputs.names if on[name]))
    analog.set(
        {name: analog.channels[name].scale.at(shares[found.steps]) for name, shares in found.shares.items()}
    )
    settle = max(unit.outputs.settle, inputs.settle)
    clock.sleep(settle + unit.outputs.lag)
    sensed = unit.outputs.seen() if outputs else {}
    late = {name for name, is_on in sensed.items() if is_on is not on[name]}
    if late and all(found.steps and found.driven[name][found.steps - 1] is sensed[name] for name in late):
        # Perhaps the stand has shown the last step too long. That a point is late is found by the patterns.
        clock.sleep(PATIENCE * settle)
        sensed = unit.outputs.seen()
    wrong = {name: _words(on[name], is_on) for name, is_on in sensed.items() if is_on is not on[name]}
    if mode := _left_for(unit, sensed, len(wrong)):
        found.left = found.left or f"the unit was {mode} in step {found.steps + 1}, and no output was on"
    else:
        wrong |= _wrong_values(unit, on, found)
        for name, words in wrong.items():
            found.wrong.setdefault(name, {})[found.steps] = words
    found.steps += 1


def _left_for(unit: Unit, sensed: Mapping[str, bool], off: int) -> Mode | None:
    """Return the mode that a unit has left live for, of whose outputs so many are wrongly off, all at once.

    None where others are on, too few are off, or it is live: then each has a cause of its own.
    """
    if off < _LEFT or any(sensed.values()) or (mode := unit.modes.reported()) is Mode.LIVE:
        return None
    return mode


def _wrong_values(unit: Unit, on: Mapping[str, bool], found: Together) -> dict[str, str]:
    """Return which inputs and analog channels are not as they are driven, and in words how.

    An input is read again at once; where it is right then, it was misread.
    """
    wrong = _wrong_inputs(unit, on)
    if wrong:
        again = _wrong_inputs(unit, on)
        found.misread.update(wrong.keys() - again.keys())
        wrong = again
    for name, look in unit.analog.look().items():
        if abs(look.error) > unit.analog.channels[name].largest_error(look.expected) + 2.0 * look.uncertainty:
            wrong[name] = f"it says {look.found:.5g} where {look.expected:.5g} is right"
    return wrong


def _wrong_inputs(unit: Unit, on: Mapping[str, bool]) -> dict[str, str]:
    return {n: _words(on[n], is_on) for n, is_on in _reported(unit).items() if is_on is not on[n]}


def _reported(unit: Unit) -> dict[str, bool]:
    return unit.inputs.reported() if unit.inputs.names else {}


def _words(driven: bool, seen: bool) -> str:
    return f"driven {'on' if driven else 'off'}, seen {'on' if seen else 'off'}"


def _hold(unit: Unit, clock: Clock, found: Together) -> None:
    """Hold every output and input on, and note which go off by themselves, or stay on when they are released.

    One that was wrong before has been reported.
    """
    inputs = unit.inputs
    unit.outputs.command(*unit.outputs.names)
    if inputs.names:
        inputs.command(*inputs.names)
    settle = max(unit.outputs.settle, inputs.settle)
    clock.sleep(settle)
    alive = [name for name, framed in found.framed.items() if len(found.lost[name]) < len(framed)]
    for name in alive:
        if not any(_carries(unit, name) for _ in range(_HELD_FRAMES)):
            found.mute[name] = "while every output is on"
    begun, second = clock.now(), 0
    while second < HOLD:
        second = min(HOLD, max(second, int(clock.now() - begun)) + 1)
        clock.sleep_until(begun + second)
        sensed = unit.outputs.sensed()
        if mode := _left_for(unit, sensed, len(sensed)):
            found.left = found.left or f"the unit was {mode} within {second} s of live with every output on"
            continue
        off = {name: "went off" for name, is_on in sensed.items() if not is_on}
        off |= _wrong_values(unit, dict.fromkeys(inputs.names, True), found)
        for name, words in off.items():
            if name not in found.wrong:
                found.went_off.setdefault(name, f"{words} within {second} s")
        _look_at_lamps(unit, found)
    unit.outputs.command()
    if inputs.names:
        inputs.command()
    clock.sleep(settle)
    left = [name for name, is_on in unit.outputs.sensed().items() if is_on]
    released = dict.fromkeys(inputs.names, False)
    left += [name for name in _wrong_inputs(unit, released) if name in _wrong_inputs(unit, released)]
    found.stayed = [name for name in left if name not in found.wrong]


def _look_at_lamps(unit: Unit, found: Together) -> None:
    seen = unit.indicator_on_stand(at_once=True)
    found.lamp_looks += seen is not None
    if seen not in (None, Indicator.HEALTHY):
        found.indicators[seen] += 1


def _send_frames(unit: Unit, found: Together, step: int) -> None:
    """Send a short frame over each port at its first speed, and note whether it came back."""
    for name in unit.ports.names:
        framed, lost = found.framed.setdefault(name, set()), found.lost.setdefault(name, set())
        if len(lost) == len(framed) >= _PORT_DEAD:
            continue
        framed.add(step)
        if not _carries(unit, name):
            lost.add(step)


def _carries(unit: Unit, port: str) -> bool:
    try:
        return unit.ports.carries_one(port)
    except UnitFault:
        return False


def _spread(vectors: random.Random, steps: int) -> list[float]:
    """Return one share of a range in each of as many equal parts as there are steps, in an order of its own."""
    shares = [(number + vectors.random()) / steps for number in range(steps)]
    vectors.shuffle(shares)
    return shares


def _balanced(vectors: random.Random, steps: int) -> list[bool]:
    column = [number % 2 == 0 for number in range(steps)]
    vectors.shuffle(column)
    return column
